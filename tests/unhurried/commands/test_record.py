"""`unhurried record`: swings as they happen, keys, folders, errors, and a clean end."""

from __future__ import annotations

import asyncio
import dataclasses
import io
import json
import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from patience import PATIENCE_S

from analysis.swing.results import Swing
from sensor.errors import RecordingExistsError
from sensor.link.live import LiveBlock
from sensor.link.replay import ReplaySource
from sensor.link.status import LinkEvent
from sensor.recording.calibration import Calibration, save_calibration
from sensor.recording.opening import open_recording
from sensor.recording.writer import RecordingWriter
from simulation.sessions import SessionSpec, SimulatedSession, simulate_session
from unhurried.app.keys import KeyFilter, TextEntry, windows_keys
from unhurried.app.live import LiveSession
from unhurried.app.measuring import analyze
from unhurried.app.new_folder import dated, first_made, recording_folder
from unhurried.cli import run

pty = pytest.importorskip("pty", reason="keys are tried on a POSIX terminal")

MINUTE = (
    "record",
    "--simulated",
    "--speed=0",
    "--seconds=60",
    "--seed=3",
    "--out",
)


@pytest.fixture(scope="module")
def made() -> SimulatedSession:
    return simulate_session(SessionSpec(minutes=1.5, loss=0.001, rate_error=0.015), seed=31)


@pytest.fixture(scope="module")
def recorded(made: SimulatedSession, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("recorded") / "evening"
    made.write(folder)
    return folder


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("UNHURRIED_HOME", str(tmp_path / "home"))
    monkeypatch.chdir(tmp_path)
    return tmp_path / "home"


# -- the session ---------------------------------------------------------------------------------


class Heard:
    """What a session told, and when."""

    def __init__(self) -> None:
        self.swings: list[Swing] = []
        self.blocks: list[LiveBlock] = []
        self.at: list[LiveBlock] = []
        self.events: list[LinkEvent] = []

    def session(self, source: Any, folder: Path, **options: Any) -> LiveSession:
        def swing(one: Swing) -> None:
            self.swings.append(one)
            self.at.append(self.blocks[-1])

        return LiveSession(
            source,
            folder,
            on_swing=swing,
            on_block=self.blocks.append,
            on_event=self.events.append,
            **options,
        )


def live(source: Any, folder: Path, **options: Any) -> tuple[Heard, LiveSession]:
    async def go() -> LiveSession:
        session = heard.session(source(), folder, **options)
        await session.run(asyncio.Event())
        return session

    heard = Heard()
    return heard, asyncio.run(go())


def test_live_swings_are_those_of_analyze(recorded: Path, tmp_path: Path) -> None:
    heard, session = live(lambda: ReplaySource(recorded, speed=0), tmp_path / "new")
    with open_recording(tmp_path / "new") as recording:
        after = analyze(recording)
    assert len(heard.swings) == len(after.swings) > 3
    assert session.short_strokes == after.short_strokes
    for now, then in zip(heard.swings, after.swings, strict=True):
        # Without the clock: the same to the last bit.
        assert now.tempo_ratio == then.tempo_ratio
        assert now.peak_rate_dps == then.peak_rate_dps
        assert (now.strike, now.player, now.club) == (then.strike, "Ida", "7 iron")
        # With it: as well as it is known by then, and it says how well.
        if now.swing_ms is not None:
            assert then.swing_ms is not None
            assert now.swing_ms_u is not None
            assert abs(now.swing_ms - then.swing_ms) <= 3.0 * now.swing_ms_u
            known = not any(note.code == "period_unknown" for note in now.notes)
            assert known == (now.swing_ms_u < 0.015 * now.swing_ms)


def test_a_swing_is_told_within_half_a_second_of_its_finish(recorded: Path, tmp_path: Path) -> None:
    heard, session = live(lambda: ReplaySource(recorded, speed=0), tmp_path / "new")
    base = session.time_base
    assert base is not None
    seqs = np.array([block.seq[-1] for block in heard.blocks])
    delays = []
    for swing, block in zip(heard.swings, heard.at, strict=True):
        if swing.finish_s is None:
            continue
        finish_seq = swing.finish_s / base.period_s
        arrived = heard.blocks[int(np.searchsorted(seqs, finish_seq))].arrival_ns
        delays.append((block.arrival_ns - arrived) / 1e9)
    assert len(delays) > 3
    assert 0.0 < max(delays) < 0.5


def test_the_period_is_remembered_for_the_next_day(tmp_path: Path) -> None:
    made = simulate_session(
        SessionSpec(minutes=1.0, rate_error=0.02, loss=0.0, activity=0.2), seed=33
    )
    facts = dict(made.session.sensor, serial="S-77")
    del facts["simulated"]
    with RecordingWriter(
        tmp_path / "old", dataclasses.replace(made.session, sensor=facts)
    ) as writer:
        writer.append(made.packets, made.samples)
    home = tmp_path / "home"
    live(lambda: ReplaySource(tmp_path / "old", speed=0), tmp_path / "one", home=home)
    kept = json.loads((home / "sensors" / "simulated-s-77.json").read_text())["period"]
    assert kept["rate_hz"] == 200.0
    assert kept["period_s"] == pytest.approx(1.0 / made.true_rate_hz, rel=1e-4)
    # Known at once the second time; what else the file holds is kept.
    (home / "sensors" / "simulated-s-77.json").write_text(
        json.dumps({"format_version": 1, "key": "simulated-s-77", "other": 1, "period": kept})
    )
    heard, session = live(
        lambda: ReplaySource(tmp_path / "old", speed=0), tmp_path / "two", home=home
    )
    assert session.time_base is not None
    assert session.time_base.known
    assert not any(n.code == "period_unknown" for s in heard.swings for n in s.notes)
    assert json.loads((home / "sensors" / "simulated-s-77.json").read_text())["other"] == 1


def test_the_sensors_calibration_is_applied_live(recorded: Path, tmp_path: Path) -> None:
    with open_recording(recorded) as old:
        facts = dict(old.session.sensor, serial="S-78")
        session = dataclasses.replace(old.session, sensor=facts)
    with RecordingWriter(tmp_path / "old", session) as writer:
        writer.append(np.load(recorded / "packets.npy"), np.load(recorded / "imu.npy"))
    calibration = Calibration(
        key="simulated-s-78",
        made_at="2026-01-02T10:00:00+01:00",
        gyr_matrix=((1.02, 0.0, 0.0), (0.0, 1.02, 0.0), (0.0, 0.0, 1.02)),
        gyr_scale_u=0.002,
        n_turns=6,
    )
    save_calibration(tmp_path / "home", calibration)
    heard, live_session = live(
        lambda: ReplaySource(tmp_path / "old", speed=0), tmp_path / "new", home=tmp_path / "home"
    )
    assert live_session.calibration == calibration
    with open_recording(tmp_path / "new", calibration=calibration) as recording:
        after = analyze(recording)
        values = recording.read()
    np.testing.assert_array_equal(
        np.concatenate([block.gyr_dps for block in heard.blocks]), values.gyr_dps
    )
    assert [s.peak_rate_dps for s in heard.swings] == [s.peak_rate_dps for s in after.swings]
    # The file has what the sensor sent.
    np.testing.assert_array_equal(
        np.load(tmp_path / "new" / "imu.npy"), np.load(tmp_path / "old" / "imu.npy")
    )


def test_segments_and_feelings(recorded: Path, tmp_path: Path) -> None:
    def on_swing(swing: Swing) -> None:
        if swing.index == 1:
            assert session.feel("rushed").takeaway_s == swing.takeaway_s
            session.change(player="Ben", club="driver", handedness="left")
        elif swing.index == 2:
            session.change(ball=False)

    async def go() -> None:
        nonlocal session
        source = ReplaySource(recorded, speed=0)
        source.segments.clear()
        session = LiveSession(source, tmp_path / "new", on_swing=on_swing, club="wedge")
        assert session.feel("slow") is None
        await session.run(asyncio.Event())

    session: LiveSession
    asyncio.run(go())
    who = [(s.player, s.club, s.handedness) for s in session.swings]
    assert who[0] == ("Ida", "wedge", "right")
    assert set(who[1:]) == {("Ben", "driver", "left")}
    with open_recording(tmp_path / "new") as recording:
        felt = [m for m in recording.markers if m.kind == "felt"]
        after = analyze(recording).swings
        assert recording.segment_at(1e9).ball is False
    assert [(m.fields["time"], m.fields["swing"]) for m in felt] == [("rushed", 1)]
    assert [(s.player, s.club) for s in after] == [w[:2] for w in who]


def test_whoever_listens_may_fail(recorded: Path, tmp_path: Path) -> None:
    """What is told decides nothing of what is kept."""

    def fail(_: object) -> None:
        raise OSError(28, "No space left on device")

    async def go() -> None:
        source = ReplaySource(recorded, speed=0)
        await LiveSession(source, tmp_path / "new", on_swing=fail, on_event=fail).run(
            asyncio.Event()
        )

    asyncio.run(go())
    np.testing.assert_array_equal(
        np.load(tmp_path / "new" / "imu.npy"), np.load(recorded / "imu.npy")
    )


def test_two_that_begin_in_one_second(recorded: Path, tmp_path: Path) -> None:
    """Each picks its name before either has a folder."""
    first, _ = recording_folder(None, tmp_path / "home")
    second, _ = recording_folder(None, tmp_path / "home")
    folders = []
    for names in (first, second):

        async def go(names: Any = names) -> Path:
            session = LiveSession(ReplaySource(recorded, speed=0), names, on_swing=lambda _: None)
            await session.run(asyncio.Event())
            return session.folder

        folders.append(asyncio.run(go()))
    assert folders[0] != folders[1]
    for folder in folders:
        with open_recording(folder) as recording:
            assert recording.warnings == []
    # Several sensors at once share a folder that is theirs alone.
    names, others = (dated(tmp_path, "both-") for _ in range(2))
    assert first_made(names) != first_made(others)


def test_a_folder_that_is_there_by_then_is_refused(recorded: Path, tmp_path: Path) -> None:
    """By the way that is open: another name. There is no --overwrite for a recording."""
    names, _ = recording_folder(tmp_path / "one", tmp_path / "home")
    (tmp_path / "one").mkdir()
    session = LiveSession(ReplaySource(recorded, speed=0), names, on_swing=lambda _: None)
    with pytest.raises(RecordingExistsError, match=r"never written over: name another folder$"):
        asyncio.run(session.run(asyncio.Event()))


@pytest.mark.parametrize("what", ["removed", "moved"])
def test_a_folder_that_goes_is_not_called_safe(
    what: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A folder that was removed ends the recording at once; one that was moved goes on."""
    folder = tmp_path / "one"

    def go_away() -> None:
        wait_for(lambda: (folder / "imu.npy").exists())
        if what == "removed":
            shutil.rmtree(folder)
        else:
            folder.rename(tmp_path / "two")

    goes = threading.Thread(target=go_away)
    goes.start()
    code = run(["record", "--simulated", "--speed", "20", "--seconds", "120", "--out", "one"])
    goes.join()
    err = " ".join(capsys.readouterr().err.split())
    assert code == 1
    assert "safe" not in err
    assert "is no longer there: its" in err
    assert "samples are lost, unless the folder was moved" in err
    assert err.endswith("unhurried: one: was moved or removed while it was being recorded")
    assert "in the library" not in err.replace("not in the library", "in the library")
    if what == "moved":
        assert len(np.load(tmp_path / "two" / "imu.npy")) > 100


# -- the command -----------------------------------------------------------------------------------


def test_simulated(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert (
        run(
            [
                "record",
                "--simulated",
                "--speed",
                "0",
                "--seconds",
                "60",
                "--seed",
                "3",
                "--out",
                "one",
            ]
        )
        == 0
    )
    out, err = capsys.readouterr()
    lines = out.splitlines()
    assert lines[0].split()[:4] == ["#", "time", "kind", "swing"]
    assert len(lines) >= 4
    assert lines[2].split()[0] == "1"
    assert max(map(len, lines)) <= 80
    assert "the recording goes to one" in err
    assert "strap must be firm but not tight" in err
    assert "gravity reads" in err
    assert "no waggle" not in err
    assert "then waggle" not in err
    assert "next: unhurried analyze one" in err
    with open_recording(tmp_path / "one") as recording:
        assert recording.session.sensor["simulated"] is True
        assert len(analyze(recording).swings) == len(lines) - 2
    # The same seed is the same session; a folder that is there is never touched.
    before = (tmp_path / "one" / "imu.npy").read_bytes()
    assert (
        run(
            [
                "record",
                "--simulated",
                "--speed",
                "0",
                "--seconds",
                "60",
                "--seed",
                "3",
                "--out",
                "one",
            ]
        )
        == 1
    )
    assert "exists already" in capsys.readouterr().err
    assert (tmp_path / "one" / "imu.npy").read_bytes() == before
    assert (
        run(
            [
                "record",
                "--simulated",
                "--speed",
                "0",
                "--seconds",
                "60",
                "--seed",
                "3",
                "--out",
                "deep/two",
            ]
        )
        == 0
    )
    assert (tmp_path / "deep" / "two" / "imu.npy").read_bytes() == before


def test_replay_as_json(recorded: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    before = {f.name: f.read_bytes() for f in recorded.iterdir()}
    assert run(["record", "--replay", str(recorded), "--speed", "0", "--json"]) == 0
    out, err = capsys.readouterr()
    swings = [json.loads(line) for line in out.splitlines()]
    assert [swing["index"] for swing in swings] == list(range(1, len(swings) + 1))
    assert swings[0]["player"] == "Ida"
    # By default a folder with date and time, here, and it says so.
    made = [f for f in tmp_path.iterdir() if f.name[:2] == "20"]
    assert len(made) == 1
    assert str(made[0]) in err
    with open_recording(made[0]) as new, open_recording(recorded) as old:
        assert new.session.extra["replay_of"] == old.session.id != new.session.id
    assert {f.name: f.read_bytes() for f in recorded.iterdir()} == before


def test_two_at_once(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    command = "record --simulated --speed 0 --seconds 30 --mount wrist --mount trunk --out two"
    assert run(command.split()) == 0
    assert "[trunk]" in capsys.readouterr().out
    starts = []
    for mount in ("wrist", "trunk"):
        with open_recording(tmp_path / "two" / mount) as recording:
            assert recording.session.mount == mount
            assert "one clock" in recording.session.extra["host_clock"]
        starts.append(np.load(tmp_path / "two" / mount / "packets.npy")["arrival_ns"][0])
    assert abs(starts[1] - starts[0]) < 30e9


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        ("--simulated --sensor x", 2, "only one of --sensor, --simulated and --replay"),
        ("--sensor a --mount wrist --mount club", 2, "one --mount for each --sensor"),
        ("--replay nowhere", 2, "'nowhere' does not exist"),
        ("--simulated --speed -1", 2, "--speed"),
        ("--sensor x --profile none-such", 2, "none-such"),
        ("--simulated --profile nosuch", 2, "--profile is for a real sensor"),
        ("--sensor Ab --sensor aB", 2, "same --sensor"),
        ("--simulated --seconds nan", 2, "'nan' is not a number"),
        ("--simulated --seconds inf", 2, "'inf' is not a number"),
        ("--simulated --speed nan", 2, "--speed"),
        ("--sensor x --rate nan", 2, "--rate"),
        ("--simulated --player " + 201 * "x", 2, "at most 200"),
        ("--simulated --club \x1b[31mred", 2, "control characters"),
    ],
)
def test_bad_options(
    arguments: str, code: int, words: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    assert run(["record", *arguments.split()]) == code
    err = capsys.readouterr().err
    assert words in err
    assert len(err.splitlines()) == 1
    assert [f for f in tmp_path.iterdir() if f.name != "home"] == []


@pytest.mark.parametrize("speed", ["0", "8"])
def test_seconds_are_those_of_the_recording(recorded: Path, tmp_path: Path, speed: str) -> None:
    arguments = ["--replay", str(recorded), "--speed", speed, "--seconds", "10", "--out", "new's"]
    assert run(["record", *arguments]) == 0
    with open_recording(tmp_path / "new's") as recording:
        assert recording.n_samples / recording.rate_hz == pytest.approx(10.0, abs=0.3)


def test_the_next_command_can_be_pasted(
    recorded: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    arguments = ["--replay", str(recorded), "--speed", "0", "--seconds", "5", "--out"]
    assert run(["record", *arguments, "it's \x1b[2J"]) == 0
    err = capsys.readouterr().err
    assert "\x1b" not in err
    assert "next: unhurried analyze 'it'\"'\"'s ?[2J'" in err


@pytest.mark.skipif(sys.platform != "linux", reason="Bluetooth as Linux has it")
def test_without_bluetooth_nothing_is_left_and_nothing_else_is_said(tmp_path: Path) -> None:
    process = start(
        *("--sensor", "A", "--sensor", "B", "--mount", "wrist", "--mount", "trunk"),
        *("--out", "deep/two"),
        env={"DBUS_SYSTEM_BUS_ADDRESS": f"unix:path={tmp_path}/none"},
        stderr=subprocess.PIPE,
    )
    _, err = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 1
    assert "goes to" not in err
    assert "strap" not in err
    assert not (tmp_path / "deep").exists()


def test_a_broken_recording_to_replay(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "empty").mkdir()
    assert run(["record", "--replay", "empty", "--speed", "0"]) == 1
    assert "is not a recording" in capsys.readouterr().err


def start(*arguments: str, env: dict[str, str] | None = None, **options: Any) -> Any:
    return subprocess.Popen(
        [sys.executable, "-m", "unhurried", "record", *arguments],
        env={**os.environ, **(env or {})},
        text=True,
        **options,
    )


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_ctrl_c_ends_it_well(tmp_path: Path, number: signal.Signals) -> None:
    process = start("--simulated", "--out", "one", stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    wait_for(lambda: (tmp_path / "one" / "imu.npy").exists())
    time.sleep(1.0)
    process.send_signal(number)
    _, err = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 0, err
    assert "Traceback" not in err
    assert "next: unhurried analyze one" in err
    with open_recording(tmp_path / "one") as recording:
        assert recording.n_samples > 60
        assert not any("died" in text for text in recording.warnings)


def wait_for(true: Callable[[], bool], timeout_s: float = PATIENCE_S) -> None:
    end = time.monotonic() + timeout_s
    while not true():
        assert time.monotonic() < end
        time.sleep(0.02)


def test_keys_on_a_terminal(tmp_path: Path) -> None:
    """A real terminal (a pty): text, toggles, a feeling, and Ctrl-C as a key."""
    parent, child = pty.openpty()
    process = start(
        "--simulated",
        "--seed",
        "3",
        "--speed",
        "12",
        "--out",
        "one",
        stdin=child,
        stdout=child,
        stderr=child,
        env={"TERM": "xterm"},
        start_new_session=True,
        preexec_fn=own_terminal,
    )
    os.close(child)
    seen = io.StringIO()

    def read() -> None:
        while True:
            try:
                data = os.read(parent, 4096)
            except OSError:
                return
            if not data:
                return
            seen.write(data.decode("utf-8", "replace"))

    reader = threading.Thread(target=read)
    reader.start()
    try:
        wait_for(lambda: "streaming" in seen.getvalue())
        for text in (
            "pBén\x7fn\n",
            "cdrivers\x7f\n",
            "b",
            "nmissed the alarm\n",
            # Arrows, Delete, F1, F5, a key of the Linux console, Alt with b: none of them is a key.
            "\x1b[A\x1b[1;5B\x1b[3~\x1bOP\x1b[15~\x1b[[A\x1bb",
            "nwith \x1b[Darrows\x1b[C\n",
            "nnever mind\x1b",
        ):
            os.write(parent, text.encode())
        wait_for(lambda: "note: nothing was changed" in seen.getvalue())
        wait_for(lambda: "noted: missed the alarm" in seen.getvalue())
        wait_for(lambda: " shot " in seen.getvalue() or " practice swing " in seen.getvalue())
        os.write(parent, b"1?")
        wait_for(lambda: "felt rushed" in seen.getvalue())
        os.write(parent, b"nhalf a no")
        wait_for(lambda: "note: half a no_" in seen.getvalue())
        os.write(parent, b"\x03")
        assert process.wait(20) == 0
    finally:
        process.kill()
        process.wait()
        reader.join(5)
        os.close(parent)
    with open_recording(tmp_path / "one") as recording:
        end = recording.segment_at(1e9)
        notes = [m.fields["text"] for m in recording.markers if m.kind == "note"]
        felt = [m.fields["time"] for m in recording.markers if m.kind == "felt"]
    assert (end.player, end.club, end.ball) == ("Bén", "driver", True)
    assert notes == ["missed the alarm", "with arrows", "half a no"]
    assert felt == ["rushed"]


def test_after_a_stop_the_terminal_gives_keys_again(tmp_path: Path) -> None:
    """As a shell does it at Ctrl-Z and `fg`: its own mode meanwhile, and that is left behind."""
    import termios

    parent, child = pty.openpty()
    process = start(
        "--simulated",
        "--out",
        "one",
        stdin=child,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
        preexec_fn=own_terminal,
    )

    def echoing() -> bool:
        return bool(termios.tcgetattr(child)[3] & termios.ICANON)

    try:
        before = termios.tcgetattr(child)
        wait_for(lambda: not echoing())
        process.send_signal(signal.SIGSTOP)
        termios.tcsetattr(child, termios.TCSANOW, before)
        assert echoing()
        process.send_signal(signal.SIGCONT)
        wait_for(lambda: not echoing())
        wait_for(lambda: (tmp_path / "one" / "imu.npy").exists())
        time.sleep(0.5)
        os.write(parent, b"b")
        wait_for(lambda: '"ball": true' in (tmp_path / "one" / "markers.jsonl").read_text())
        process.send_signal(signal.SIGINT)
        assert process.wait(20) == 0
        assert termios.tcgetattr(child)[3] == before[3]
    finally:
        process.kill()
        process.wait()
        os.close(parent)
        os.close(child)


def test_windows_keys() -> None:
    given: list[str] = []
    waiting = list("a\xe0H\x00;b\xe0")
    windows_keys(lambda: bool(waiting), lambda: waiting.pop(0), given.append)
    assert given == ["a", "b", "\xe0"]


@given(st.lists(st.sampled_from(["a", "é", "\n", "\x1b[A", "\x1bOP", "\x1b[3;2~", "\x1bx"])))
def test_keys_come_through_however_they_are_cut(parts: list[str]) -> None:
    given: list[str] = []
    keys = KeyFilter(given.append)
    for character in "".join(parts):
        keys.feed(character)
    assert given == [one for one in parts if len(one) == 1]
    assert not keys.begun
    keys.feed("\x1b")
    assert keys.begun
    keys.settle()
    assert given[-1] == "\x1b"


def own_terminal() -> None:
    import fcntl
    import termios

    fcntl.ioctl(0, termios.TIOCSCTTY, 0)


def test_a_full_disk(tmp_path: Path) -> None:
    """The system refuses more (a limit on the size of files): one line, and what is there stays."""
    import resource

    def limit() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000))

    process = start(
        "--simulated",
        "--speed=0",
        "--seconds=300",
        "--out",
        "one",
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        preexec_fn=limit,
    )
    _, err = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 1
    assert err.splitlines()[-1] == (
        "unhurried: one: cannot be written: the file has grown to the largest size allowed here"
    )
    assert "were recorded and are safe" in err
    assert "Traceback" not in err
    with open_recording(tmp_path / "one") as recording:
        assert recording.n_samples > 4000
        assert recording.warnings == []
        analyze(recording)


def test_text_entry() -> None:
    done: list[str | None] = []
    entry = TextEntry("note", done.append)
    assert all(entry.key(c) for c in " ab\x7f\x7f\x7f\x7fok \t")
    assert entry.shown() == "note: ok _"
    assert not entry.key("\n")
    assert done == ["ok"]
    assert not TextEntry("note", done.append).key("\x1b")
    assert done == ["ok", None]


@pytest.mark.skipif(
    sys.platform != "linux" or shutil.which("dbus-daemon") is None,
    reason="needs dbus-daemon (Debian, Ubuntu: sudo apt install dbus)",
)
def test_a_sensor_over_the_software_bluez(
    made: SimulatedSession, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The whole chain as a player has it: command, bleak, bus, sensor, Ctrl-C."""
    from software_bluez import Player, SoftSensor, private_bus, software_bluez

    counts = made.samples.view("<i2").reshape(len(made.samples), 10)[:, 4:]

    async def go() -> tuple[int, str, str, Player]:
        sensor = SoftSensor()
        async with software_bluez(sensor) as bluez:
            process = start(
                "--mount",
                "wrist",
                "--player",
                "Ida",
                "--out",
                "one",
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
            )
            try:
                async with asyncio.timeout(20):
                    while not sensor.live:
                        await asyncio.sleep(0.02)
                player = Player(bluez, sensor, counts, gap_s=0.001)
                await player.send(len(counts) // 8 // 2)
                bluez.drop(sensor)
                async with asyncio.timeout(20):
                    while not sensor.live:
                        await asyncio.sleep(0.02)
                await player.send(len(counts) // 8 // 2)
                await asyncio.sleep(0.3)
                process.send_signal(signal.SIGINT)
                out, err = await asyncio.to_thread(process.communicate, timeout=PATIENCE_S)
            finally:
                process.kill()
            return process.returncode, out, err, player

    with private_bus(tmp_path):
        code, out, err, player = asyncio.run(go())
    assert code == 0, err
    assert "the link to Swing 1 is lost" in err
    assert "the link was made again once" in err
    assert "Traceback" not in err
    assert "Ida" in out
    rows = np.load(tmp_path / "one" / "imu.npy")
    sent = np.concatenate([player.sent[k] for k in sorted(player.sent)])
    np.testing.assert_array_equal(rows.view("<i2").reshape(len(rows), 10)[:, 4:], sent)
