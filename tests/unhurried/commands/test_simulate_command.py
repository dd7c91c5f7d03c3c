"""`unhurried simulate`."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from sensor.recording.opening import open_recording
from unhurried.cli import run


def test_makes_a_recording_with_its_truth(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "session"
    arguments = ["simulate", str(out), "--seed", "5", "--swings", "2", "--rate", "100"]
    people = ["--player", "Åsa", "--player", "Ben", "--hand", "right", "--hand", "left", "--csv"]
    assert run([*arguments, *people]) == 0
    said = capsys.readouterr()
    assert said.err == ""
    assert said.out.startswith(f"{out}: ")
    assert said.out.rstrip().endswith("seed 5")
    with open_recording(out) as recording, open_recording(tmp_path / "session.csv") as table:
        assert recording.session.mount == "wrist"
        assert recording.rate_hz == 100.0
        assert recording.session.player == "Åsa"
        assert table.n_samples == recording.n_samples
    truth = json.loads((out / "truth.json").read_text(encoding="utf-8"))
    assert sum(swing["counts_as_swing"] for swing in truth["swings"]) >= 2


def test_refuses_what_is_there(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "session"
    arguments = ["simulate", str(out), "--swings", "0", "--minutes", "0.1", "--rate", "100"]
    assert run([*arguments, "--seed", "1"]) == 0
    first = np.load(out / "imu.npy")
    capsys.readouterr()
    assert run([*arguments, "--seed", "2"]) == 1
    said = capsys.readouterr()
    assert said.out == ""
    assert "--overwrite" in said.err
    assert len(said.err.splitlines()) == 1
    assert np.array_equal(np.load(out / "imu.npy"), first)
    assert run([*arguments, "--seed", "2", "--overwrite"]) == 0
    assert not np.array_equal(np.load(out / "imu.npy")[:100], first[:100])


def test_the_table_is_refused_before_anything_is_made(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "session.csv").write_text("mine")
    out = tmp_path / "session"
    assert run(["simulate", str(out), "--minutes", "0.1", "--csv"]) == 1
    assert "session.csv" in capsys.readouterr().err
    assert not out.exists()


def test_hard_conditions_and_ranges_of_ones_own(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "session"
    options = ["--seed", "3", "--swings", "1", "--mount", "club", "--model", "chain", "--hard"]
    more = ["--gyr-range-dps", "500", "--acc-range-g", "32", "--hurried", "--only-full"]
    assert run(["simulate", str(out), *options, *more, "--ideal-scale"]) == 0
    capsys.readouterr()
    with open_recording(out) as recording:
        assert recording.session.gyr_range_dps == 500.0
        assert recording.session.acc_range_g == 32.0
        assert recording.lost_samples > 0
        assert 1.0 / recording.period_s == pytest.approx(204.0, rel=1e-3)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (["--minutes", "1", "--swings", "3"], "not both"),
        (["--hand", "left", "--hand", "left"], "more --hand"),
        (["--player", " "], "must not be empty"),
        (["--rate", "20"], "--rate"),
        (["--mount", "head"], "--mount"),
    ],
)
def test_bad_options(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], options: list[str], message: str
) -> None:
    out = tmp_path / "session"
    assert run(["simulate", str(out), *options]) == 2
    said = capsys.readouterr()
    assert message in said.err
    assert len(said.err.splitlines()) == 1
    assert not out.exists()


def test_missing_parent_folder(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["simulate", str(tmp_path / "no" / "session"), "--minutes", "0.1"]) == 1
    assert len(capsys.readouterr().err.splitlines()) == 1
