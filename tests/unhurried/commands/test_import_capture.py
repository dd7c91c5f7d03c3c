"""`unhurried import` of motion captures, and `agree` beside their truth."""

from __future__ import annotations

import importlib
import json
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from lab_data import NAMES, REST_S, chain_action, markers_m, poses_at, write_c3d
from scipy.spatial.transform import Rotation

from library.derive import simulated_of
from sensor.recording.opening import open_recording
from simulation.capture import reading
from unhurried.app.laboratory import truth_labels
from unhurried.cli import run

SEGMENT = ["--segment", ",".join(NAMES)]
SENSOR = ["--mount", "club", "--rate", "400", "--gyr-range-dps", "4000", "--acc-range-g", "64"]
Said = Callable[[], Any]


@pytest.fixture(scope="module")
def captures(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Three strikes of a club, the file's first frame being the trial's hundredth."""
    folder = tmp_path_factory.mktemp("captures")
    action = chain_action("club")
    impact_s = action.swings[0].impact_s
    assert impact_s is not None
    return [
        write_c3d(
            folder / f"swing{k}.c3d",
            markers_m(action, 240.0, noise_m=0.0002, seed=k),
            240.0,
            events=[("Impact", impact_s + REST_S + 99 / 240.0), ("Other", 1.0)],
            first_frame=100,
        )
        for k in range(3)
    ]


@pytest.fixture(scope="module")
def imported(captures: list[Path], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make one recording of the three."""
    out = tmp_path_factory.mktemp("lab") / "session"
    people = ["--player", "Ida", "--club", "driver", "--hand", "left"]
    files = [str(path) for path in captures]
    assert run(["import", *files, str(out), *SEGMENT, *SENSOR, *people, "--ball-shock"]) == 0
    return out


def test_a_capture_becomes_a_recording_that_says_what_it_is(imported: Path) -> None:
    with open_recording(imported) as recording:
        session = recording.session
        assert (session.mount, session.player, session.handedness) == ("club", "Ida", "left")
        assert recording.rate_hz == 400.0
        assert recording.gyr_limit_dps == pytest.approx(4000.0, rel=0.01)
        assert len(recording.gaps) == 2
    assert session.sensor["made_from"] == "motion capture"
    assert "no sensor was worn" in session.extra["made_from"]["says"]
    one = session.extra["made_from"]["captures"][0]
    assert (one["file"], one["segment"], one["unit"]) == ("swing0.c3d", list(NAMES), "mm")
    assert one["marker_noise_mm"] == pytest.approx(0.2, rel=0.1)
    # as what is simulated: left out of a real player's plan
    assert simulated_of(session.sensor, {}) == 1


def test_the_truth_is_beside_it(imported: Path) -> None:
    truth = json.loads((imported / "truth.json").read_text(encoding="utf-8"))
    assert truth["made_from"] == "motion capture"
    assert truth["simulated"] is False
    (true,) = chain_action("club").swings
    assert len(truth["swings"]) == 3
    for swing, capture in zip(truth["swings"], truth["captures"], strict=True):
        start_s = capture["start_s"]
        assert swing["impact_s"] - start_s == pytest.approx(true.impact_s + REST_S, abs=0.0005)  # type: ignore[operator]
        for name in ("takeaway_s", "top_s", "finish_s"):
            error = swing[name] - start_s - getattr(true, name) - REST_S
            assert abs(error) < 4.0 * swing[f"{name}_u"]
        assert (swing["player"], swing["capture"]) == ("Ida", capture["file"])
        assert swing["strike"] is True


def test_agree_takes_the_truth(imported: Path, capsys: pytest.CaptureFixture[str]) -> None:
    capsys.readouterr()
    assert run(["agree", str(imported / "truth.json"), str(imported), "--json"]) == 0
    report = json.loads(capsys.readouterr().out)
    rows = {row["quantity"]: row for row in report["tool_minus_label"]}
    assert rows["top_s"]["n"] == 3
    # the tool on the simulated sensor against the definitions on the capture
    factor = {"s": 1.0, "ms": 1e-3}
    for name, most_s in (("top_s", 0.0015), ("impact_s", 0.003)):
        row = rows[name]
        assert abs(row["bias"]) * factor[row["unit"]] < most_s


def test_uncertainties_count_beside_another_recording(imported: Path, tmp_path: Path) -> None:
    truth = imported / "truth.json"
    assert all(label.u == {} for label in truth_labels(truth, imported))
    for label in truth_labels(truth, tmp_path / "worn"):
        assert label.u["impact_s"] == pytest.approx(1 / 240.0 / 12**0.5, rel=0.01)
        both = np.hypot(label.u["top_s"], label.u["impact_s"])
        assert label.u["downswing_ms"] == pytest.approx(1000.0 * both)
        ratio = label.values["backswing_ms"] / label.values["downswing_ms"]
        assert label.values["tempo_ratio"] == pytest.approx(ratio)


def test_not_a_truth_file(
    tmp_path: Path, imported: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    other = tmp_path / "x.json"
    for text, said in (("[]", "is broken"), ('{"swings": []}', "no swing")):
        other.write_text(text)
        assert run(["agree", str(other), str(imported)]) == 1
        assert said in capsys.readouterr().err


def pose_csv(path: Path, *, matrix: bool, frames_hz: float = 240.0) -> Path:
    """Write poses as text, with two frames that aren't known."""
    quat, pos = poses_at(chain_action("club", strike=False), frames_hz)
    turned = Rotation.from_quat(quat[:, [1, 2, 3, 0]]).as_matrix().reshape(-1, 9)
    names = (
        [f"rot_{a}{b}" for a in "xyz" for b in "xyz"] if matrix else list(reading.POSE_COLUMNS[4:])
    )
    lines = [",".join(["time_s", "pos_x_m", "pos_y_m", "pos_z_m", *names])]
    for k, (p, q) in enumerate(zip(pos, turned if matrix else quat, strict=True)):
        cells = [f"{k / frames_hz:.5f}", *(f"{x:.7f}" for x in (*p, *q))]
        if k == 50:
            cells[2] = ""
        if k != 51:
            lines.append(",".join(cells))
    path.write_text("\n".join(lines) + "\n")
    return path


@pytest.mark.parametrize("matrix", [False, True])
def test_poses_as_text(tmp_path: Path, capsys: pytest.CaptureFixture[str], *, matrix: bool) -> None:
    file = pose_csv(tmp_path / "poses.csv", matrix=matrix)
    out = tmp_path / "session"
    assert (
        run(["import", str(file), str(out), "--mount", "club", "--no-ball", "--real-swings"]) == 0
    )
    assert "1 swing in truth.json" in capsys.readouterr().out
    (swing,) = json.loads((out / "truth.json").read_text())["swings"]
    (true,) = chain_action("club", strike=False).swings
    for name in ("takeaway_s", "top_s", "impact_s", "finish_s"):
        assert swing[name] == pytest.approx(getattr(true, name) + REST_S, abs=0.0005)
    assert swing["impact_basis"] == "least_turn"
    with open_recording(out) as recording:
        assert simulated_of(recording.session.sensor, {}) == 0


# -- what can't be used ----------------------------------------------------------------------------


def refused(arguments: list[str], capsys: pytest.CaptureFixture[str], *, code: int = 1) -> str:
    """Run a command that must fail with one line, and leave nothing; return the line."""
    capsys.readouterr()
    assert run(arguments) == code
    said = capsys.readouterr()
    assert said.out == ""
    assert len(said.err.splitlines()) == 1
    assert not Path(arguments[2]).exists()
    return said.err


@pytest.fixture(scope="module")
def still() -> Any:
    """Markers of a short rest: enough for whatever is refused before a swing is looked for."""
    return markers_m(chain_action("club"), 240.0)[:400]


def test_captures_that_cant_be_used(
    tmp_path: Path, still: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    file, out = tmp_path / "x.c3d", str(tmp_path / "session")

    def line(*options: str, **written: Any) -> str:
        points = written.pop("points", still)
        write_c3d(file, points, written.pop("frames_hz", 240.0), **written)
        return refused(["import", str(file), out, *(options or SEGMENT)], capsys)

    assert "has no marker GRIP9: it has GRIP1" in line("--segment", "GRIP1,GRIP2,GRIP9")
    assert "--unit mm" in line(unit="")
    assert "is the unit right" in line(unit="m", stored_in="mm")
    assert "60 frames a second, too few" in line(frames_hz=60.0)
    assert "under a second" in line(points=still[:100])
    assert "lies outside the frames" in line(events=[("impact", 9.0)])
    assert "no event is labelled hit: the events are impact" in line(
        *SEGMENT, "--impact-event", "hit", events=[("impact", 0.5)]
    )
    assert "--at HEAD is not a marker" in line(*SEGMENT, "--at", "HEAD")
    assert "too much for 240" in line(*SEGMENT, "--cutoff-hz", "100")
    loose = still.copy()
    loose[:, 3, 0] += np.linspace(0.0, 0.2, len(loose))
    assert "not on one rigid segment: GRIP4" in line(points=loose)
    hidden = still.copy()
    hidden[:, 1:, :] = np.nan
    assert "never all seen" in line(points=hidden)
    twice = [f"Ida:{name}" for name in NAMES[:3]] + ["Ben:GRIP1"]
    assert "several markers are called GRIP1" in line(names=twice)


def test_subjects_and_units(tmp_path: Path, still: Any, capsys: pytest.CaptureFixture[str]) -> None:
    file = write_c3d(tmp_path / "x.c3d", still, 240.0, names=[f"Ida:{n}" for n in NAMES], unit="m")
    out = tmp_path / "session"
    options = ["--segment", "grip1,Ida:GRIP2,GRIP3", "--at", "grip2"]
    assert run(["import", str(file), str(out), *options]) == 0
    assert "no swings in truth.json" in capsys.readouterr().out
    with open_recording(out) as recording:
        assert recording.session.extra["made_from"]["captures"][0]["at"] == "grip2"


def test_files_that_are_no_captures(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = str(tmp_path / "session")
    broken = tmp_path / "x.c3d"
    broken.write_bytes(b"\x02\x50" + bytes(600))
    assert "is not C3D that can be read" in refused(["import", str(broken), out, *SEGMENT], capsys)
    header = ",".join(reading.POSE_COLUMNS)
    poses = tmp_path / "poses.csv"
    for text, said in (
        ("quat_w,quat_x\n1,0\n", "there is no column time_s"),
        (f"{header}\n0,0,0,0,2,0,0,0\n" + "0.01,0,0,0,1,0,0,0\n" * 2, "time_s must rise"),
        (f"{header}\n0,0,0,0,1,0,0\n", "line 2 has 7 values"),
        (f"{header}\n0,0,0,0,1,x,0,0\n", "line 2 has what is no number"),
        (f"{header}\n0,0,0,0,{'1' * 140_000},0,0,0\n", "line 2 is no CSV"),
        (rows(header, "1,0,0,0", step=1e-5), "must be in seconds"),
        (rows(header, "1,0,0,0").replace("0.5000,0,0", "0.5000,0,1e300"), "must be in m"),
        (rows(header, "1,0,0,0") + "1000000,0,0,0,1,0,0,0\n", "lasts"),
        (rows(header, "2,0,0,0"), "line 2: the quaternion's length is 2"),
        (rows(header, "1,0,0,0", step=0.02), "50 frames a second, too few"),
        (rows(header, "1,0,0,0", shift=0.004), "is not at a whole frame"),
        (
            rows(header.replace(",quat_w,quat_x,quat_y,quat_z", MATRIX), "1,0,0,0,1,0,0,0,-1"),
            "is no rotation",
        ),
    ):
        poses.write_text(text)
        assert said in refused(["import", str(poses), out], capsys)


MATRIX = "," + ",".join(f"rot_{a}{b}" for a in "xyz" for b in "xyz")


def rows(header: str, turned: str, *, step: float = 0.01, shift: float = 0.0) -> str:
    """Text of 200 frames at rest; the hundredth one `shift` late."""
    times = [k * step for k in range(200)]
    times[100] += shift
    return (
        "\n".join([header, *(f"{t:.{4 if step > 1e-4 else 6}f},0,0,0,{turned}" for t in times)])
        + "\n"
    )


def test_options_that_dont_go_together(
    tmp_path: Path, captures: list[Path], capsys: pytest.CaptureFixture[str]
) -> None:
    out, file = str(tmp_path / "session"), str(captures[0])
    samples = tmp_path / "samples.csv"
    samples.write_text("time_s,acc_x_m_s2\n0,1\n")
    poses = tmp_path / "poses.csv"
    poses.write_text(rows(",".join(reading.POSE_COLUMNS), "1,0,0,0"))
    for arguments, said in (
        ([file, out], "--segment names three or more markers"),
        ([file, out, "--segment", "GRIP1,GRIP2"], "2 markers, which don't fix"),
        ([file, out, "--segment", "GRIP1,GRIP2,GRIP1"], "named twice"),
        ([file, out, *SEGMENT, "--map", "time_s=t"], "--map is for a sensor's samples"),
        ([file, out, *SEGMENT, "--ball-shock"], "--ball-shock needs --mount"),
        ([str(samples), out, "--rate", "200"], "--rate is for a motion capture"),
        ([str(poses), out, *SEGMENT], "are for markers"),
    ):
        capsys.readouterr()
        assert run(["import", *arguments]) == 2
        said_all = capsys.readouterr().err
        assert said in said_all
        assert len(said_all.splitlines()) == 1
        assert not Path(out).exists()
    for arguments, said in (
        ([file, file, out, *SEGMENT, "--impact", "1"], "--impact is for one file"),
        ([file, str(samples), out, *SEGMENT], "must be motion captures"),
    ):
        assert run(["import", *arguments]) == 2
        assert said in capsys.readouterr().err


def test_without_ezc3d_it_says_how_to_get_it(
    tmp_path: Path,
    captures: list[Path],
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def gone(name: str) -> Any:
        raise ImportError(name)

    monkeypatch.setattr(importlib, "import_module", gone)
    out = str(tmp_path / "session")
    said = refused(["import", str(captures[0]), out, *SEGMENT], capsys)
    assert "pip install 'unhurried[lab]'" in said


def test_huge_files_are_not_even_opened(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "huge.c3d"
    with file.open("wb") as handle:
        os.truncate(handle.fileno(), reading.MOST_BYTES + 1)
    said = refused(["import", str(file), str(tmp_path / "session"), *SEGMENT], capsys)
    assert "has 1000 MB: export the swings alone" in said
    poses = tmp_path / "huge.csv"
    poses.write_text(",".join(reading.POSE_COLUMNS))
    with poses.open("r+b") as handle:
        os.truncate(handle.fileno(), reading.MOST_TEXT_BYTES + 1)
    said = refused(["import", str(poses), str(tmp_path / "session")], capsys)
    assert "has 100 MB: export the swings alone" in said
