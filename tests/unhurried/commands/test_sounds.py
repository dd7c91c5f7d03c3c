"""`unhurried sounds`: each with its meaning, heard or written; the manual has the same table."""

from __future__ import annotations

import wave
from pathlib import Path

import numpy as np
import pytest

from feedback.patterns import SOUNDS
from unhurried.cli import run
from unhurried.commands import sounds

PAGE = Path(__file__).resolve().parents[3] / "docs" / "look-up" / "sounds.md"


@pytest.fixture(autouse=True)
def _home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("UNHURRIED_HOME", str(tmp_path / "home"))


def flat(text: str) -> str:
    return " ".join(text.split())


def test_every_sound_is_said_with_its_meaning(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sounds, "PAUSE_S", 0.0)
    assert run(["sounds", "--output", "silent"]) == 0
    told = capsys.readouterr()
    said = flat(told.out)
    places = [said.index(f"{one.name} {one.meaning} {one.heard}") for one in SOUNDS]
    assert places == sorted(places)
    assert "no sound: nothing is heard" in told.err
    assert "start low" in told.err
    assert max(map(len, told.out.splitlines())) <= 80


def test_one_is_chosen_by_name(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["sounds", "time-short", "full", "--output", "silent"]) == 0
    heads = [line.split("  ")[0] for line in capsys.readouterr().out.splitlines()]
    assert [head for head in heads if head] == ["time short", "full"]
    assert run(["sounds", "gong", "--output", "silent"]) == 2
    err = capsys.readouterr().err
    assert len(err.splitlines()) == 1
    assert all(one.name.replace(" ", "-") in err for one in SOUNDS)


def test_they_are_written_for_a_phone(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "s.wav"
    assert run(["sounds", "--out", str(out), "--level", "0.2"]) == 0
    lines = capsys.readouterr().out.splitlines()
    starts = [float(line.split()[0]) for line in lines if line.endswith(" s")]
    assert len(starts) == len(SOUNDS)
    with wave.open(str(out)) as file:
        rate = file.getframerate()
        x = np.frombuffer(file.readframes(file.getnframes()), "<i2") / 32768.0
    assert float(np.abs(x).max()) <= 0.2 + 1e-3
    # Each is where it is said to be, and silence before it.
    for start in starts:
        at = round(start * rate)
        assert np.abs(x[at : at + rate // 4]).max() > 0.01
        assert start == 0.0 or np.abs(x[at - rate // 2 : at - rate // 5]).max() == 0.0
    assert run(["sounds", "--out", str(out)]) == 1
    assert "--overwrite" in capsys.readouterr().err
    assert run(["sounds", "--out", str(tmp_path / "s.mp3")]) == 2


def test_the_manual_has_the_table() -> None:
    text = PAGE.read_text(encoding="utf-8")
    for one in SOUNDS:
        assert f"| {one.name} | {one.meaning} | {one.heard} |" in text, one.name
