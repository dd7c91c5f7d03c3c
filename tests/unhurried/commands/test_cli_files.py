"""The commands that work with files: what they say, their exit codes, and that nothing breaks."""

from __future__ import annotations

import errno
import json
import os
import resource
import signal
import subprocess
import sys
import tempfile
import types
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import click
import numpy as np
import pytest
from patience import PATIENCE_S

from sensor.recording.layout import COUNTS_DTYPE, PACKET_DTYPE
from sensor.recording.opening import open_recording
from sensor.recording.session import Session
from sensor.recording.writer import RecordingWriter
from unhurried import cli

HEADER = "time_s,acc_x_m_s2,acc_y_m_s2,acc_z_m_s2,gyr_x_deg_s,gyr_y_deg_s,gyr_z_deg_s"

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Run:
    """Run a command in this process, in an empty folder; gives (exit code, stdout, stderr)."""
    monkeypatch.chdir(tmp_path)

    def call(*arguments: str | Path) -> tuple[int, str, str]:
        capfd.readouterr()
        code = cli.run([str(argument) for argument in arguments])
        sys.stdout.flush()
        out, err = capfd.readouterr()
        return code, out, err

    return call


def csv_text(n: int = 400, rate_hz: float = 200.0) -> str:
    rng = np.random.default_rng(0)
    table = np.column_stack(
        [
            np.arange(n) / rate_hz,
            rng.normal(0.0, 0.1, (n, 2)),
            rng.normal(9.81, 0.1, n),
            rng.normal(0.0, 1.0, (n, 3)),
        ]
    )
    lines = [",".join(f"{value:.6f}" for value in row) for row in table]
    return "\n".join([HEADER, *lines]) + "\n"


def make_recording(folder: Path, *, gap: bool = False, **fields: Any) -> None:
    given: dict[str, Any] = {
        "nominal_rate_hz": 200.0,
        "start": "2026-05-01T18:30:00+02:00",
        "mount": "wrist",
        "gyr_range_dps": 2000.0,
        "acc_range_g": 16.0,
        "gyr_dps_per_count": 0.07,
        "acc_m_s2_per_count": 0.005,
        "sensor": {"name": "W1", "firmware": "1.2", "battery_percent": 83, "simulated": True},
        **fields,
    }
    seq = np.arange(2400)
    if gap:
        seq = np.delete(seq, slice(1200, 1210))
    rows = np.zeros(len(seq), COUNTS_DTYPE)
    rows["seq"] = seq
    rows["az"] = 1962
    rows["gx"][600:612] = 28571
    packets = np.zeros(300, PACKET_DTYPE)
    packets["first_seq"] = 8 * np.arange(300)
    packets["count"] = 8
    packets["arrival_ns"] = (packets["first_seq"] + 8) / 203.0 * 1e9
    with RecordingWriter(folder, Session.new(**given)) as out:
        out.append(packets, rows)
        out.mark("segment", seq=0, player="Ida", handedness="right", club="7 iron")
        out.mark("segment", seq=1000, player="Bo", handedness="left", club="driver")
        out.mark("segment", seq=2000, player="Ida", handedness="right", club="driver")


def state(folder: Path) -> dict[str, tuple[bytes, int, int]]:
    return {
        str(path.relative_to(folder)): (
            path.read_bytes(),
            path.stat().st_mtime_ns,
            path.stat().st_mode,
        )
        for path in folder.rglob("*")
        if path.is_file()
    }


def one_line(err: str) -> str:
    """Return the one line on stderr, which must be the only one and for a person."""
    assert err.endswith("\n")
    (line,) = err.splitlines()
    assert line.startswith("unhurried: ")
    assert "Traceback" not in line
    assert "internal error" not in line
    return line


# -- the command itself ------------------------------------------------------------------------


def test_help_teaches_and_fits(run: Run) -> None:
    for arguments in (["--help"], ["-h"]):
        code, out, err = run(*arguments)
        assert code == 0
        assert err == ""
        assert all(name in out for name in cli.COMMANDS)
        assert all(example in out for example in cli.EXAMPLES)
        assert all(f"{title.capitalize()}:" in out for title in cli.GROUPS)
        assert max(map(len, out.splitlines())) <= 80


@pytest.mark.parametrize("name", ["import", "export", "recover", "info"])
def test_each_command_has_help_that_fits(run: Run, name: str) -> None:
    code, out, _ = run(name, "--help")
    assert code == 0
    assert f"unhurried {name}" in out
    assert "--verbose" in out
    assert max(map(len, out.splitlines())) <= 80


@pytest.mark.parametrize(
    "line",
    [
        "calibrate --angle nan --from table",
        "calibrate --angle-u nan --from table",
        "calibrate --gravity nan --from table",
        "simulate session --minutes nan",
        "simulate session --rate nan",
        "clip session film.mp4 --distance-m nan",
    ],
)
def test_a_number_that_is_none_is_refused(run: Run, tmp_path: Path, line: str) -> None:
    for name in ("table", "film.mp4"):
        (tmp_path / name).touch()
    code, out, err = run(*line.split())
    assert (code, out) == (2, "")
    assert "'nan' is not a number that can be used" in one_line(err)
    assert not (tmp_path / "session").exists()


def test_help_is_quick_because_it_loads_little() -> None:
    code = "import sys; from unhurried import cli; cli.run(['--help']); print(*sorted(sys.modules))"
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=PATIENCE_S
    )
    loaded = set(done.stdout.splitlines()[-1].split())
    assert "click" in loaded
    assert not loaded & {
        "numpy",
        "scipy",
        "pandas",
        "matplotlib",
        "bleak",
        "sensor.recording.reader",
    }


def test_version(run: Run) -> None:
    code, out, _ = run("--version")
    assert code == 0
    assert out.startswith("unhurried ")


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["infos"], "no command 'infos': did you mean 'info'?"),
        (["analyse"], "no command 'analyse': did you mean 'analyze'?"),
        (["putt"], "no command 'putt': these are there: analyze, "),
        (["library", "lst"], "no command 'lst': did you mean 'list'?"),
        (["--fast"], "--fast"),
        (["info"], "PATH"),
        (["info", "nowhere"], "'nowhere' does not exist"),
        (["info", "nowhere/at/all"], "does not exist"),
        (["info", "here.csv", "--mount", "foot"], "'foot' is not one of 'wrist'"),
        (["info", "here.csv", "--gyr-range-dps", "0"], "--gyr-range-dps"),
        (["info", "here.csv", "--gyr-range-dps", "many"], "--gyr-range-dps"),
        (["info", "here.csv", "--map", "speed=v"], "--map: 'speed' is not a column"),
        (["info", "here.csv", "--fast"], "--fast"),
        (["import", "here.csv"], "OUT"),
        (["import", "nowhere.csv", "out"], "'nowhere.csv' does not exist"),
        (["export", "here.csv"], "OUT for one CSV file, or --swings DIR"),
        (["info", "here.csv#2"], "info takes no #N: give 'here.csv' alone"),
        (["info", "here.csv#abc"], "info takes no #N"),
        (["analyze", "here.csv#abc"], "'abc' after # is not a number"),
        (["export", "here.csv#abc", "out.csv"], "'abc' after # is not a number"),
        (["export", "here.csv", "out.csv", "--swings", "x"], "either OUT or --swings DIR"),
        (["export", "here.csv#2", "--swings", "x"], "leave out the #N"),
        (["export", "here.csv#0", "out.csv"], "counted from 1"),
        (["export", "nowhere#2", "out.csv"], "'nowhere' does not exist"),
        (["recover", "nowhere", "out"], "'nowhere' does not exist"),
    ],
)
def test_bad_use_is_exit_code_2_and_one_line(
    run: Run, tmp_path: Path, arguments: list[str], says: str
) -> None:
    (tmp_path / "here.csv").write_text(csv_text())
    before = state(tmp_path)
    code, out, err = run(*arguments)
    assert code == 2
    assert out == ""
    assert says in one_line(err)
    assert state(tmp_path) == before


# -- import, info, export, recover -------------------------------------------------------------


def test_import_makes_a_recording(run: Run, tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text(csv_text())
    before = state(tmp_path)
    code, out, err = run(
        "import",
        "a.csv",
        "rec",
        "--mount",
        "club",
        "--hand",
        "left",
        "--player",
        "Ida",
        "--club",
        "7 iron",
        "--gyr-range-dps",
        "500",
        "--acc-range-g",
        "8",
    )
    assert (code, err) == (0, "")
    assert out == "rec: 400 samples at 200 Hz, 0:02 min\n"
    assert state(tmp_path)["a.csv"] == before["a.csv"]
    got = open_recording(tmp_path / "rec").session
    assert (got.mount, got.handedness, got.player, got.club) == ("club", "left", "Ida", "7 iron")
    assert (got.gyr_range_dps, got.acc_range_g) == (500.0, 8.0)


def test_import_refuses_and_replaces(run: Run, tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text(csv_text())
    assert run("import", "a.csv", "rec")[0] == 0
    before = state(tmp_path)
    code, out, err = run("import", "a.csv", "rec")
    assert (code, out) == (1, "")
    assert "exists already" in one_line(err)
    assert state(tmp_path) == before
    (tmp_path / "a.csv").write_text(csv_text(300))
    assert run("import", "a.csv", "rec", "--overwrite")[0] == 0
    assert open_recording(tmp_path / "rec").n_samples == 300
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "diary.txt").write_text("dear diary")
    code, _, err = run("import", "a.csv", "mine", "--overwrite")
    assert code == 1
    assert "'diary.txt'" in one_line(err)
    assert (tmp_path / "mine" / "diary.txt").read_text() == "dear diary"


def test_import_tells_warnings_but_succeeds(run: Run, tmp_path: Path) -> None:
    lines = csv_text().splitlines()
    halved = [lines[0]]
    for line in lines[1:]:
        cells = line.split(",")
        cells[1:4] = [str(float(cell) / 2.0) for cell in cells[1:4]]
        halved.append(",".join(cells))
    (tmp_path / "a.csv").write_text("\n".join(halved))
    code, out, err = run("import", "a.csv", "rec")
    assert code == 0
    assert out.startswith("rec: 400 samples")
    assert "where gravity gives 9.8" in one_line(err)


def test_info_in_words(run: Run, tmp_path: Path) -> None:
    make_recording(tmp_path / "rec", gap=True)
    code, out, err = run("info", "rec")
    assert (code, err) == (0, "")
    assert max(map(len, out.splitlines())) <= 80
    facts = {line[2:12].strip(): line[12:] for line in out.splitlines()[1:] if line[2] != " "}
    assert facts["started"] == "2026-05-01 18:30:00+02:00"
    assert facts["sensor"] == "W1, firmware 1.2, battery 83 %, simulated"
    assert facts["worn"] == "wrist"
    assert facts["rate"].startswith("200 Hz nominal, 203.00 Hz measured")
    assert facts["length"] == "0:12 min, 2,390 samples"
    assert facts["lost"] == "10 samples in 1 gap (0.42 %)"
    assert "at 5.91 s: 10 missing, 0.054 s" in out
    assert facts["ranges"] == "gyro 2000 °/s, acc 16 g"
    assert facts["clipped"] == "gyro 0.5 % of samples, acc none"
    assert facts["at rest"].startswith("9.81 m/s2 over 11 s")
    assert facts["players"] == "Ida (right-handed): 7 iron, driver; Bo (left-handed): driver"


def test_info_as_json(run: Run, tmp_path: Path) -> None:
    make_recording(tmp_path / "rec", gap=True, mount=None)
    code, out, err = run("info", "rec", "--json", "--mount", "glove")
    assert (code, err) == (0, "")
    facts = json.loads(out)
    assert facts["mount"] == "glove"
    assert facts["samples"] == 2390
    assert facts["lost_samples"] == 10
    assert facts["measured_rate_hz"] == pytest.approx(203.0)
    assert 0.0 < facts["measured_rate_hz_u"] < 0.1
    assert facts["gaps"][0]["after_seq"] == 1199
    assert facts["gyr_clipped_share"] == pytest.approx(12 / 2390)
    assert [segment["player"] for segment in facts["segments"]] == ["Ida", "Bo", "Ida"]
    assert facts["segments"][1]["start_s"] == pytest.approx(1000 / 203.0)
    assert facts["warnings"] == []


def test_info_of_little(run: Run, tmp_path: Path) -> None:
    with RecordingWriter(
        tmp_path / "rec",
        Session.new(nominal_rate_hz=200.0, gyr_dps_per_count=1.0, acc_m_s2_per_count=1.0),
    ):
        pass
    for arguments in (["info", "rec"], ["info", "rec", "--json"], ["analyze", "rec"]):
        code, out, err = run(*arguments)
        assert (code, out) == (1, "")
        assert "rec: holds no samples" in one_line(err)


def test_export_whole_and_to_stdout(run: Run, tmp_path: Path) -> None:
    make_recording(tmp_path / "rec", gyr_delay_ms=3.0, acc_delay_ms=2.0)
    before = state(tmp_path / "rec")
    code, out, err = run("export", "rec", "out.csv")
    assert (code, out) == (0, "out.csv: 2400 samples\n")
    lost = one_line(err)
    assert "who played with what, the sensor's place (wrist), the ranges" in lost
    assert "(gyro 2000 deg/s, acc 16 g)" in lost
    assert "gyro 3 ms, acc 2 ms" in lost
    text = (tmp_path / "out.csv").read_text()
    assert text.startswith(HEADER + "\n")
    assert len(text.splitlines()) == 2401
    code, out, err = run("export", "rec", "-")
    assert (code, out) == (0, text)
    assert one_line(err) == lost.strip()
    code, _, err = run("export", "rec", "out.csv")
    assert code == 1
    assert "exists already" in one_line(err)
    assert run("export", "rec", "out.csv", "--overwrite")[0] == 0
    assert state(tmp_path / "rec") == before


@pytest.fixture
def two_swings(monkeypatch: pytest.MonkeyPatch) -> None:
    """Stand in for the swing finder: this test is about files."""
    swings = [
        types.SimpleNamespace(index=1, takeaway_s=3.0, impact_s=4.0, finish_s=4.5),
        types.SimpleNamespace(index=2, takeaway_s=None, impact_s=9.0, finish_s=None),
    ]
    module = types.ModuleType("unhurried.app.measuring")
    module.analyze = lambda _: types.SimpleNamespace(swings=swings)  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "unhurried.app.measuring", module)


@pytest.mark.usefixtures("two_swings")
def test_export_of_swings(run: Run, tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text(csv_text(2400))
    code, out, err = run("export", "a.csv#1", "one.csv")
    assert (code, err) == (0, "")
    times = np.loadtxt(tmp_path / "one.csv", delimiter=",", skiprows=1)[:, 0]
    assert times[0] == pytest.approx(1.0)
    assert times[-1] == pytest.approx(5.5)
    code, out, _ = run("export", "a.csv", "--swings", "swings")
    assert (code, out) == (0, "swings: 2 swings\n")
    names = sorted(path.name for path in (tmp_path / "swings").iterdir())
    assert names == ["swing-001.csv", "swing-002.csv"]
    assert (tmp_path / "swings" / "swing-001.csv").read_bytes() == (
        tmp_path / "one.csv"
    ).read_bytes()
    times = np.loadtxt(tmp_path / "swings" / "swing-002.csv", delimiter=",", skiprows=1)[:, 0]
    assert times[[0, -1]] == pytest.approx([7.0, 10.0])
    code, _, err = run("export", "a.csv#3", "three.csv")
    assert code == 1
    assert "there is no swing #3: 2 swings found" in one_line(err)
    assert not (tmp_path / "three.csv").exists()
    assert run("export", "a.csv", "--swings", "swings")[0] == 1
    assert run("export", "a.csv", "--swings", "swings", "--overwrite")[0] == 0
    (tmp_path / "swings" / "other.txt").write_text("mine")
    code, _, err = run("export", "a.csv", "--swings", "swings", "--overwrite")
    assert code == 1
    assert "'other.txt'" in one_line(err)


@pytest.mark.usefixtures("two_swings")
def test_a_name_with_a_number_sign_is_a_name_if_it_is_there(run: Run, tmp_path: Path) -> None:
    (tmp_path / "a#1").write_text(csv_text(200))
    assert run("export", "a#1", "out.csv")[1] == "out.csv: 200 samples\n"


def test_recover_prints_what_was_lost(run: Run, tmp_path: Path) -> None:
    make_recording(tmp_path / "rec")
    file = tmp_path / "rec" / "imu.npy"
    data = bytearray(file.read_bytes())
    data[-2400 * 20 + 20 * 100 : -2400 * 20 + 20 * 150] = bytes(1000)
    file.unlink()
    file.write_bytes(data)
    before = state(tmp_path / "rec")
    code, out, err = run("recover", "rec", "out")
    assert (code, err) == (0, "")
    # The last byte of sample 99 is a zero of its own: it may have been zeroed with what follows.
    assert data[-2400 * 20 + 20 * 100 - 1] == 0
    assert out.splitlines() == [
        "out:",
        "  2349 samples (11.7 s) kept",
        "  51 samples (0.26 s) lost in 1 hole:",
        "    51 samples (0.26 s) after sample 98",
    ]
    assert state(tmp_path / "rec") == before
    assert run("info", "out")[0] == 0
    code, _, err = run("recover", "rec", "out")
    assert code == 1
    assert "exists already" in one_line(err)


# -- bad input ---------------------------------------------------------------------------------


def csv_with(line: str) -> str:
    lines = csv_text(50).splitlines()
    lines[20] = line
    return "\n".join(lines)


BAD_CSV = {
    "empty": ("", "is empty"),
    "header only": (HEADER, "no samples"),
    "wrong columns": (csv_text(9).replace("gyr_", "speed_"), "there is no column gyr_x_deg_s"),
    "missing column": (csv_text(9).replace("time_s,", ""), "there is no column time_s"),
    "duplicate column": (csv_text(9).replace("acc_y", "acc_x"), "'acc_x_m_s2' is there twice"),
    "text": (csv_with("0.1,a,0,9.8,0,0,0"), "line 21: acc_x_m_s2 is 'a', not a number"),
    "nan": (csv_with("0.1,nan,0,9.8,0,0,0"), "line 21: acc_x_m_s2 is 'nan', not a number"),
    "short row": (csv_with("0.1,0,0"), "line 21: there are 3 values"),
    "backwards": (csv_with("0.01,0,0,9.8,0,0,0"), "line 21: time goes backwards"),
    "repeated": (csv_with("0.09,0,0,9.8,0,0,0"), "line 21: the time 0.09 s is there twice"),
    "slow": (csv_text(50, 20.0), "too few to time a swing"),
    "tabs": (csv_text(9).replace(",", "\t"), "tabs"),
    "units": (csv_text().replace(",9.", ",0.9").replace(",10.", ",1.0"), "looks like g: use --map"),
}


@pytest.mark.parametrize("name", BAD_CSV)
@pytest.mark.parametrize("command", ["info", "import", "export"])
def test_a_bad_csv_file_is_one_line_and_exit_code_1(
    run: Run, tmp_path: Path, name: str, command: str
) -> None:
    text, says = BAD_CSV[name]
    (tmp_path / "bad.csv").write_text(text)
    before = state(tmp_path)
    code, out, err = run(command, "bad.csv", *(["out"] if command != "info" else []))
    assert (code, out) == (1, "")
    assert one_line(err).startswith("unhurried: bad.csv")
    assert says in err
    assert state(tmp_path) == before


def _cut(folder: Path) -> None:
    _replace(folder / "imu.npy", (folder / "imu.npy").read_bytes()[:60])


def _foreign(folder: Path) -> None:
    (folder / "imu.npy").unlink()
    np.save(folder / "imu.npy", np.zeros((9, 3)))


def _replace(file: Path, data: bytes) -> None:
    file.unlink()
    file.write_bytes(data)


def _edit(folder: Path, **changes: Any) -> None:
    file = folder / "session.json"
    _replace(file, json.dumps({**json.loads(file.read_text()), **changes}).encode())


BAD_FOLDERS: dict[str, tuple[Callable[[Path], Any], str]] = {
    "foreign imu": (_foreign, "imu.npy: is not from a recording"),
    "noise as imu": (lambda f: _replace(f / "imu.npy", b"noise" * 99), "is not a numpy file"),
    "no imu": (lambda f: (f / "imu.npy").unlink(), "has no imu.npy"),
    "no session": (lambda f: (f / "session.json").unlink(), "is not a recording"),
    "broken session": (lambda f: _replace(f / "session.json", b"{"), "session.json: is broken"),
    "wrong session": (lambda f: _edit(f, mount="foot"), "session.json: is broken: 'mount'"),
    "newer session": (
        lambda f: _edit(f, format_version=9),
        "format version 9, written by unhurried",
    ),
    "slow session": (lambda f: _edit(f, nominal_rate_hz=25.0), "too few to time a swing"),
}


@pytest.mark.parametrize("name", BAD_FOLDERS)
@pytest.mark.parametrize("command", ["info", "export"])
def test_a_bad_folder_is_one_line_and_exit_code_1(
    run: Run, tmp_path: Path, name: str, command: str
) -> None:
    make_recording(tmp_path / "rec")
    spoil, says = BAD_FOLDERS[name]
    spoil(tmp_path / "rec")
    before = state(tmp_path)
    code, out, err = run(command, "rec", *(["out.csv"] if command == "export" else []))
    assert (code, out) == (1, "")
    assert says in one_line(err)
    assert state(tmp_path) == before


def test_a_truncated_recording_is_read_as_far_as_it_goes(run: Run, tmp_path: Path) -> None:
    make_recording(tmp_path / "rec")
    data = (tmp_path / "rec" / "imu.npy").read_bytes()
    _replace(tmp_path / "rec" / "imu.npy", data[: len(data) // 2])
    code, out, _ = run("info", "rec")
    assert code == 0
    assert "imu.npy is cut short" in out
    _cut(tmp_path / "rec")
    code, out, err = run("info", "rec")
    assert (code, out) == (1, "")
    assert "holds no samples: " in one_line(err)
    assert "not even its header is whole" in err


@pytest.mark.parametrize("command", [["info", "{}"], ["import", "{}", "out"], ["analyze", "{}"]])
@pytest.mark.parametrize(
    ("file", "text", "says"),
    [
        ("a.csv", "speed", "'speed' is not of the form"),
        ("a.csv", "time_s=t", "there is no column t: the file has time_s"),
        ("rec", "time_s=t", "a column map is for CSV files"),
    ],
)
def test_a_map_that_cannot_be_used_is_a_bad_option(
    run: Run, tmp_path: Path, command: list[str], file: str, text: str, says: str
) -> None:
    make_recording(tmp_path / "rec")
    (tmp_path / "a.csv").write_text(csv_text())
    before = state(tmp_path)
    if command[0] == "import" and file == "rec":
        # It takes no folder at all.
        says = "is a folder: name a CSV file"
    code, out, err = run(*(part.format(file) for part in command), "--map", text)
    assert (code, out) == (1 if "is a folder" in says else 2, "")
    assert says in one_line(err)
    assert "--map" in err or "is a folder" in says
    assert state(tmp_path) == before


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["import", "rec", "out"], "rec: is a folder: name a CSV file"),
        (["info", "rec/imu.npy"], "name its folder, rec"),
        (["import", "rec/imu.npy", "out"], "looks like a numpy file"),
        (["recover", "a.csv", "out"], "is not a folder"),
        (["info", "empty"], "empty: is not a recording"),
        (["export", "rec", "empty"], "is a folder: name a file"),
        (["import", "a.csv", "no/where"], "the folder that it should go into does not exist"),
        (["export", "rec", "no/where.csv"], "the folder that it should go into does not exist"),
        (["import", "a.csv", "a.csv", "--overwrite"], "is not a folder, so it is not replaced"),
        (["recover", "rec", "rec", "--overwrite"], "the copy must go to another folder"),
    ],
)
def test_a_folder_for_a_file_and_the_reverse(
    run: Run, tmp_path: Path, arguments: list[str], says: str
) -> None:
    make_recording(tmp_path / "rec")
    (tmp_path / "a.csv").write_text(csv_text())
    (tmp_path / "empty").mkdir()
    before = state(tmp_path)
    code, out, err = run(*arguments)
    assert (code, out) == (1, "")
    assert says in one_line(err)
    assert state(tmp_path) == before


@contextmanager
def as_nobody() -> Iterator[None]:
    """Without the rights of the superuser, whom no permission stops, where tests run as him."""
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(0)


def test_no_permission(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    # Not in tmp_path: pytest lets nobody pass through that.
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        folder.chmod(0o755)
        monkeypatch.chdir(folder)
        try:
            _check_permissions(run, folder)
        finally:
            (folder / "closed").chmod(0o700)
            monkeypatch.undo()


def _check_permissions(run: Run, folder: Path) -> None:
    make_recording(folder / "rec")
    (folder / "a.csv").write_text(csv_text())
    (folder / "closed").mkdir()
    assert run("import", "a.csv", "x")[0] == 0  # loads what the commands need
    for name in ("a.csv", "rec/imu.npy"):
        (folder / name).chmod(0)
    (folder / "closed").chmod(0o500)
    before = sorted(str(path) for path in folder.rglob("*"))
    cases = [
        (["info", "a.csv"], "a.csv: cannot be read: permission denied"),
        (["import", "a.csv", "out"], "a.csv: cannot be read: permission denied"),
        (["info", "rec"], "imu.npy: cannot be read: permission denied"),
        (["export", "x", "closed/out.csv"], "closed/out.csv: cannot be written: permission denied"),
        (["recover", "x", "closed/out"], "closed/out: cannot be written: permission denied"),
    ]
    for arguments, says in cases:
        with as_nobody():
            code, out, err = run(*arguments)
        assert (code, out) == (1, ""), arguments
        assert says in one_line(err)
    assert sorted(str(path) for path in folder.rglob("*")) == before


@contextmanager
def largest_file(size: int) -> Iterator[None]:
    """Make the system refuse to let any file grow beyond a size, as a full disk does."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


@pytest.mark.parametrize(
    "arguments",
    [
        ["import", "a.csv", "out"],
        ["import", "a.csv", "old", "--overwrite"],
        ["recover", "rec", "out"],
        ["export", "rec", "out.csv"],
        ["export", "rec", "a.csv", "--overwrite"],
        ["info", "a.csv"],
    ],
)
def test_a_write_that_fails_leaves_all_as_it_was(
    run: Run, tmp_path: Path, arguments: list[str]
) -> None:
    make_recording(tmp_path / "rec")
    make_recording(tmp_path / "old")
    (tmp_path / "a.csv").write_text(csv_text(2000))
    before = state(tmp_path)
    with largest_file(20_000):
        code, out, err = run(*arguments)
    assert (code, out) == (1, "")
    assert "the file has grown to the largest size allowed here" in one_line(err)
    assert state(tmp_path) == before
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.csv", "old", "rec"]


def test_a_full_disk_is_named(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from sensor.recording import npyfile

    def full(*_: Any) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    (tmp_path / "a.csv").write_text(csv_text())
    monkeypatch.setattr(npyfile.GrowingNpy, "_write_all", full)
    code, _, err = run("import", "a.csv", "out")
    assert code == 1
    assert "out: cannot be written: the disk is full: free some space" in one_line(err)
    assert [path.name for path in tmp_path.iterdir()] == ["a.csv"]


# -- errors, interrupts, pipes -----------------------------------------------------------------


@pytest.fixture
def broken_command(monkeypatch: pytest.MonkeyPatch) -> Callable[[BaseException], None]:
    """Give a function that makes `info` raise."""

    def install(error: BaseException) -> None:
        @click.command("info")
        def command() -> None:
            raise error

        module = types.ModuleType("unhurried.commands.info")
        module.command = command  # type: ignore[attr-defined]
        monkeypatch.setitem(sys.modules, "unhurried.commands.info", module)

    return install


@pytest.mark.parametrize(
    ("error", "code", "says"),
    [
        (KeyboardInterrupt(), 130, "unhurried: stopped"),
        (FileNotFoundError(2, "No such file or directory", "x"), 1, "x: No such file or directory"),
        (OSError(errno.ENOSPC, "No space left on device"), 1, "the output cannot be written: No"),
        (MemoryError(), 1, "not enough memory"),
        (click.ClickException("two\nlines"), 1, "unhurried: two lines"),
    ],
)
def test_errors_are_one_line(
    run: Run,
    broken_command: Callable[[BaseException], None],
    error: BaseException,
    code: int,
    says: str,
) -> None:
    broken_command(error)
    got, out, err = run("info")
    assert (got, out) == (code, "")
    assert says in one_line(err.lstrip("\n"))


def test_a_fault_of_ours_says_so(run: Run, broken_command: Callable[[BaseException], None]) -> None:
    broken_command(ZeroDivisionError("oh"))
    code, _, err = run("info")
    assert code == 1
    assert err.startswith("unhurried: internal error: ZeroDivisionError: oh (please report")
    assert len(err.splitlines()) == 1


def test_verbose_shows_where_an_error_came_from(run: Run, tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text("")
    for arguments in (["--verbose", "info", "a.csv"], ["info", "a.csv", "--verbose"]):
        code, _, err = run(*arguments)
        assert code == 1
        assert "Traceback" in err
        assert err.splitlines()[-1].startswith("unhurried: a.csv: is empty")
    assert "Traceback" not in run("info", "a.csv")[2]
    (tmp_path / "b.csv").write_text(csv_text())
    code, out, err = run("info", "b.csv", "--verbose", "--json")
    assert code == 0
    assert json.loads(out)["samples"] == 400
    assert "DEBUG sensor.recording.reader: b.csv: 400 samples" in err


def test_ctrl_c_is_130_and_leaves_nothing(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text(csv_text())
    os.mkfifo(tmp_path / "slow.csv")
    child = subprocess.Popen(
        [sys.executable, "-m", "unhurried", "import", "slow.csv", "out"],
        cwd=tmp_path,
        stderr=subprocess.PIPE,
        text=True,
    )
    # Opening the other end succeeds once the command has begun to read.
    with (tmp_path / "slow.csv").open("wb"):
        child.send_signal(signal.SIGINT)
        _, err = child.communicate(timeout=PATIENCE_S)
    assert child.returncode == 130
    assert err.strip() == "unhurried: stopped"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.csv", "slow.csv"]


def test_a_reader_that_leaves_is_no_error_to_talk_about(tmp_path: Path) -> None:
    make_recording(tmp_path / "rec")
    read_end, write_end = os.pipe()
    os.close(read_end)
    done = subprocess.run(
        [sys.executable, "-m", "unhurried", "export", "rec", "-"],
        cwd=tmp_path,
        stdout=write_end,
        stderr=subprocess.PIPE,
        text=True,
        timeout=PATIENCE_S,
        check=False,
    )
    os.close(write_end)
    assert done.stderr == ""
    assert done.returncode == 0


def test_output_is_utf8_whatever_the_system_prefers(tmp_path: Path) -> None:
    make_recording(tmp_path / "Übung")
    done = subprocess.run(
        [sys.executable, "-m", "unhurried", "info", "Übung"],
        cwd=tmp_path,
        env={**os.environ, "PYTHONIOENCODING": "cp1252"},
        capture_output=True,
        timeout=PATIENCE_S,
        check=True,
    )
    assert done.stdout.decode("utf-8").startswith("Übung\n")
