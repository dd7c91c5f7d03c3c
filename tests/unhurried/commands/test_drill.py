"""`unhurried drill`: simulated and replayed, with and without sound, whatever goes wrong."""

from __future__ import annotations

import asyncio
import json
import os
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from patience import PATIENCE_S

from analysis import ANALYSIS_VERSION
from feedback.digits import big
from feedback.drill import Drill
from feedback.drill_plan import Block, DrillPlan, DrillReference
from feedback.outputs import SilentOutput
from library.catalogue import Library
from sensor.recording.opening import open_recording
from simulation.live_sensor import SimulatedSource
from simulation.sessions import SessionSpec
from unhurried.app.drill_run import DrillRun
from unhurried.app.live import LiveSession
from unhurried.app.shutdown import Shutdown
from unhurried.cli import run
from unhurried.commands.drill import outcome_lines
from words.sound import FIX, HEARD

ROOT = Path(__file__).resolve().parents[3]
FAST = ["--simulated", "--speed", "30", "--output", "silent", "--rest-s", "1"]


@pytest.fixture(autouse=True)
def _home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("UNHURRIED_HOME", str(tmp_path / "home"))


def markers(folder: Path) -> list[dict[str, Any]]:
    text = (folder / "markers.jsonl").read_text(encoding="utf-8")
    return [json.loads(line) for line in text.splitlines()]


def of_kind(folder: Path, kind: str) -> list[dict[str, Any]]:
    return [one for one in markers(folder) if one["kind"] == kind]


def test_a_simulated_drill_from_end_to_end(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "d"
    arguments = ["drill", *FAST, "--seed", "3", "--repeats", "2", "--block", "rehearsal"]
    arguments += ["--block", "silent", "--backswing-ms", "900", "--full-turn-deg", "120"]
    arguments += ["--upper-turn-deg", "250", "--feedback", "every"]
    assert run([*arguments, "--out", str(out), "--json"]) == 0
    said = capsys.readouterr()
    outcome = json.loads(said.out)
    assert outcome["swings"] == 4
    assert [b["block_kind"] for b in outcome["blocks"]] == ["rehearsal", "silent"]
    # Cautions come first, and the digits are there.
    for word in ("Warm up", "Clear space", "pain", "past comfort", "Rest", "children", "clinician"):
        assert word in said.err
    assert "headphones" in said.err.casefold()
    assert said.err.casefold().count("headphones") == said.err.count("start low") == 1
    assert "volume low" not in said.err
    assert "from memory" not in said.err
    assert "swing 1 of 2, forearm turn" in said.err
    assert "█" in said.err
    assert said.err.count("of 2, forearm turn") == 2
    # All is in the recording.
    swings = of_kind(out, "drill_swing")
    assert [one["block_kind"] for one in swings] == ["rehearsal"] * 2 + ["silent"] * 2
    assert [one["feedback"] for one in swings] == [True, True, False, False]
    assert of_kind(out, "drill")[0]["schedule"] == "every"
    segments = [(one["block"], one["ball"]) for one in of_kind(out, "segment")]
    assert [one for one in segments if one[0]] == [("rehearsal", False), ("silent", None)]
    kept = of_kind(out, "drill_outcome")[0]
    assert kept["blocks"] == outcome["blocks"]
    tones = of_kind(out, "tone")
    first_silent = of_kind(out, "block")[1]["seq"]
    assert tones
    assert all(one["seq"] <= first_silent for one in tones)
    with open_recording(out) as recording:
        assert recording.n_samples > 1000
        assert recording.lost_samples == 0


def test_what_the_plan_asks_for_can_be_run(tmp_path: Path) -> None:
    # As `unhurried plan` writes it, but for the source.
    arguments = ["drill", *FAST, "--player", "Ida", "--backswing-ms", "850", "--share", "0.97"]
    arguments += ["--repeats", "1", "--feedback", "none", "--ball", "--block", "retention"]
    assert run([*arguments, "--out", str(tmp_path / "d")]) == 0
    segment = of_kind(tmp_path / "d", "segment")[-1]
    assert (segment["block"], segment["ball"], segment["player"]) == ("retention", True, "Ida")
    # What was told at its end is kept.
    with Library(tmp_path / "home", read_only=True) as library:
        (session,) = library.sessions()
        (told,) = library.player("Ida").told
    assert (told.session, told.version) == (session.id, ANALYSIS_VERSION)


def test_a_replay_can_be_drilled(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["simulate", str(tmp_path / "s"), "--seed", "7", "--swings", "3"]) == 0
    before = {p.name: p.read_bytes() for p in (tmp_path / "s").iterdir()}
    capsys.readouterr()
    arguments = ["drill", "--replay", str(tmp_path / "s"), "--speed", "40", "--output", "silent"]
    assert run([*arguments, "--repeats", "50", "--no-cue", "--out", str(tmp_path / "d")]) == 0
    said = capsys.readouterr()
    # It ends with the replay, before all swings are done, and says what there was.
    assert "of 50 swings" in said.out
    assert len(of_kind(tmp_path / "d", "drill_outcome")) == 1
    assert {p.name: p.read_bytes() for p in (tmp_path / "s").iterdir()} == before


def test_it_runs_without_bluetooth_and_without_sound(tmp_path: Path) -> None:
    env = {
        "PATH": "/usr/bin:/bin",
        "HOME": str(tmp_path),
        "PULSE_SERVER": f"unix:{tmp_path}/none",
        "DBUS_SYSTEM_BUS_ADDRESS": f"unix:path={tmp_path}/none",
        "UNHURRIED_HOME": str(tmp_path / "home"),
    }
    command = [sys.executable, "-m", "unhurried", "drill", "--simulated", "--speed", "30"]
    done = subprocess.run(
        [*command, "--repeats", "1", "--rest-s", "1", "--out", str(tmp_path / "d")],
        env=env,
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
    )
    assert done.returncode == 0, done.stderr
    # It stands out, after the cautions.
    start = done.stderr[: done.stderr.index("samples are coming")]
    loud = [line for line in start.splitlines() if line.startswith("unhurried: ! ")]
    assert "going on without sound" in loud[-1]
    assert "1 of 1 swings" in done.stdout


@pytest.mark.skipif(sys.platform == "win32", reason="signals as POSIX has them")
def test_ctrl_c_keeps_everything(tmp_path: Path) -> None:
    out = tmp_path / "d"
    command = [sys.executable, "-m", "unhurried", "drill", *FAST, "--repeats", "100"]
    child = subprocess.Popen(
        [*command, "--out", str(out)],
        env=dict(os.environ),
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert child.stderr is not None
    while "swing 1 of 100" not in (line := child.stderr.readline()):
        assert line
    child.send_signal(signal.SIGINT)
    said, err = child.communicate(timeout=PATIENCE_S)
    assert child.returncode == 0
    assert "Traceback" not in err
    assert "of 100 swings" in said
    assert len(of_kind(out, "drill_outcome")) == 1
    kinds = [one["kind"] for one in markers(out)]
    assert "beats" not in kinds[kinds.index("drill_outcome") :]
    with open_recording(out) as recording:
        assert recording.n_samples > 100


def drill_run(
    folder: Path, plan: DrillPlan, speed: float = 1.0
) -> tuple[Drill, DrillRun, LiveSession]:
    drill = Drill(plan)
    output = SilentOutput()
    one = DrillRun(drill, output, mount="wrist", hand="right")
    source = SimulatedSource(SessionSpec(mount="wrist", loss=0.0), seed=3, speed=speed)
    session = LiveSession(
        source,
        folder,
        mount="wrist",
        hand="right",
        on_swing=one.on_swing,
        on_block=one.on_block,
        on_event=one.on_event,
    )
    return drill, one, session


async def test_a_feel_is_acknowledged_also_after_its_numbers(tmp_path: Path) -> None:
    plan = DrillPlan(
        blocks=(Block("rehearsal", 3),), reference=DrillReference(), rest_s=1.0, felt_every=1
    )
    drill, one, session = drill_run(tmp_path / "d", plan, speed=20.0)
    said: list[str] = []
    one.say = said.append
    running = asyncio.ensure_future(one.run(session, ending=Shutdown()))
    async with asyncio.timeout(20):
        while drill.state != "asking":
            await asyncio.sleep(0.01)
    one._key("2")
    one._key("3")
    one.end()
    await running
    assert "swing 1 felt in time" in said
    assert "swing 1 felt slow, said after its numbers" in said
    felt = of_kind(tmp_path / "d", "felt")
    assert [(m["time"], m["swing"], m.get("after_numbers")) for m in felt] == [
        ("in-time", 1, None),
        ("slow", 1, True),
    ]


async def test_a_lost_sensor_makes_the_drill_wait_while_the_recording_goes_on(
    tmp_path: Path,
) -> None:
    plan = DrillPlan(
        blocks=(Block("rehearsal", 3),), reference=DrillReference(backswing_ms=800.0), rest_s=1.0
    )
    drill, one, session = drill_run(tmp_path / "d", plan)
    said: list[str] = []
    one.say = said.append
    running = asyncio.ensure_future(one.run(session, ending=Shutdown()))
    while session.status.received < 200:
        await asyncio.sleep(0.02)
    source = session.recording.source
    source.lost.set()
    while not drill.lost:
        await asyncio.sleep(0.02)
    while drill.lost:
        await asyncio.sleep(0.02)
    received = session.status.received
    await asyncio.sleep(0.3)
    assert session.status.received > received
    assert one._stop is not None
    one._stop.set()
    assert await running is True
    kinds = [m["kind"] for m in markers(tmp_path / "d")]
    assert kinds.index("drill_paused") < kinds.index("drill_resumed")
    assert kinds.index("drill_resumed") < kinds.index("drill_outcome")
    assert any("the drill waits" in text for text in said)
    assert any("the drill goes on" in text for text in said)
    with open_recording(tmp_path / "d") as recording:
        assert recording.n_samples == session.status.received


class Broken(SilentOutput):
    """A device that is gone after a while, and underflows before."""

    silent = False
    gone = False
    gaps = 0

    @property
    def lost(self) -> bool:  # type: ignore[override]
        return self.gone

    @property
    def underflows(self) -> int:  # type: ignore[override]
        return self.gaps


async def test_a_device_that_goes_away_leaves_the_drill_running(tmp_path: Path) -> None:
    plan = DrillPlan(blocks=(Block("rehearsal", 3),), reference=DrillReference(), rest_s=1.0)
    _, one, session = drill_run(tmp_path / "d", plan)
    broken = Broken()
    one.sound = broken
    said: list[str] = []
    one.say = said.append
    running = asyncio.ensure_future(one.run(session, ending=Shutdown()))
    while session.status.received < 100:
        await asyncio.sleep(0.02)
    broken.gaps = 1
    await asyncio.sleep(0.1)
    broken.gone = True
    await asyncio.sleep(0.1)
    assert one.sound is not broken
    assert one.sound.silent
    assert not running.done()
    assert one._stop is not None
    one._stop.set()
    await running
    sound = of_kind(tmp_path / "d", "sound")
    assert [(m["underflows"], m["lost"]) for m in sound] == [(1, False), (1, True)]
    assert of_kind(tmp_path / "d", "drill_outcome")[0]["sound_interrupted"] is True
    assert sum("interrupted" in text for text in said) == 1
    assert sum("goes on without sound" in text for text in said) == 1


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--simulated", "--sensor", "x"], "only one of"),
        (["--sensor", "x", "--sensor", "y"], "one sensor"),
        (["--simulated", "--from-ms", "900"], "together"),
        (["--simulated", "--ball", "--block", "rehearsal"], "no ball"),
        (["--simulated", "--full-turn-deg", "130", "--upper-turn-deg", "100"], "upper end"),
        (["--simulated", "--backswing-ms", "20"], "--backswing-ms"),
        (["--simulated", "--feedback", "always"], "--feedback"),
        (["--simulated", "--full-turn-deg", "nan"], "'nan' is not a number"),
        (["--simulated", "--backswing-ms", "nan"], "--backswing-ms"),
        (["--simulated", "--level", "nan"], "--level"),
        (["--simulated", "--rest-s", "inf"], "--rest-s"),
        (["--simulated", "--mount", "wrist", "--mount", "club"], "give --mount once"),
        (["--simulated", "--cue-on", "takeaway", "--no-cue"], "--cue-on is for a cue"),
        (["--simulated", "--cue"], "--cue needs the time of a backswing"),
        (["--simulated", "--cue-on", "ready"], "--cue-on needs"),
        (["--simulated", "--profile", "nosuch"], "--profile is for a real sensor"),
        (["--simulated", "--player", "a\x07b"], "control characters"),
    ],
)
def test_options_that_do_not_go_together(
    arguments: list[str], words: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    assert run(["drill", *arguments, "--out", str(tmp_path / "d")]) == 2
    err = capsys.readouterr().err
    assert words in err
    assert len(err.splitlines()) == 1
    assert not (tmp_path / "d").exists()


def test_a_recording_is_never_written_over(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "d").mkdir()
    assert run(["drill", "--simulated", "--output", "silent", "--out", str(tmp_path / "d")]) == 1
    assert "exists already" in capsys.readouterr().err


def test_the_outcome_fits_a_terminal() -> None:
    drill = Drill(
        DrillPlan(blocks=(Block("retention", 1),), reference=DrillReference(), schedule="outside")
    )
    drill.begin(0.0)

    class Swung:
        index = 1
        backswing_ms = 4999.0
        swing_ms = None
        turn_deg = 250.0
        peak_rate_dps = 3999.0
        strike = None

    drill.swing(Swung(), 1.0)
    lines = outcome_lines(drill.outcome)
    assert max(map(len, lines)) <= 80
    assert "another day" in "\n".join(lines)


def seen_on_terminal(
    folder: Path, arguments: list[str], *, columns: int, rows: int, answer: bytes = b""
) -> str:
    """Everything a terminal is sent; the question how it felt is answered with a key."""
    import fcntl
    import pty
    import struct
    import termios

    parent, child = pty.openpty()
    fcntl.ioctl(child, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))
    process = subprocess.Popen(
        [sys.executable, "-m", "unhurried", *arguments],
        env={**os.environ, "TERM": "xterm", "PYTHONPATH": str(ROOT)},
        cwd=folder,
        stdin=child,
        stdout=child,
        stderr=child,
        start_new_session=True,
    )
    os.close(child)
    seen, answered = bytearray(), 0
    while True:
        try:
            data = os.read(parent, 4096)
        except OSError:
            # The other side is closed.
            break
        if not data:
            break
        seen += data
        while answer and answered < seen.count(b"How did it feel?"):
            answered += 1
            os.write(parent, answer)
    os.close(parent)
    assert process.wait(30) == 0
    return seen.decode().replace("\r\n", "\n")


@pytest.mark.skipif(sys.platform == "win32", reason="a terminal as POSIX has it")
@pytest.mark.parametrize(("columns", "rows"), [(80, 24), (40, 20)])
def test_a_terminal_shows_the_newest_swing_only_and_breaks_no_word(
    tmp_path: Path, columns: int, rows: int
) -> None:
    arguments = ["drill", *FAST, "--seed", "3", "--repeats", "2", "--backswing-ms", "900"]
    arguments += ["--full-turn-deg", "120", "--mount", "club", "--out", "d"]
    arguments += ["--feedback", "every"]
    seen = seen_on_terminal(tmp_path, arguments, columns=columns, rows=rows)
    before, *shown = seen.split("\x1b[H")
    assert len(shown) == 2
    assert before.index("Warm up first") < before.index("tethered") < before.index("keys: 1 rushed")
    assert before.index("keys: 1 rushed") < before.index("samples are coming")
    for number, text in enumerate(shown, start=1):
        lines = text.split("\n")
        assert lines[0] == f"swing {number} of 2, club turn"
        ends = [
            k
            for k, line in enumerate(lines)
            if line.startswith(("unhurried:", "drill,", "2 of 2 swings"))
        ]
        # With what is said next it still stands on the screen whole; empty lines only clear it.
        large = lines[: ends[0]] if ends else text.rstrip("\n").split("\n")
        assert len(large) <= rows - 2
        assert text.count("club turn") == 1
        assert sum(line.startswith("TIME") for line in lines) == 1
        for word in ("SWING", "TURN", "PEAK" if columns < 80 else "ROTATION"):
            assert word in text
    # What was there was pushed up, not wiped away.
    assert before.endswith("\n" * rows)
    # No line is left to the terminal to break, but for a path that may be of any length.
    for line in seen.splitlines():
        assert len(line) <= columns or str(tmp_path) in line, line


@pytest.mark.skipif(sys.platform == "win32", reason="a terminal as POSIX has it")
def test_no_figures_stand_where_none_are_told_nor_above_the_question(tmp_path: Path) -> None:
    arguments = ["drill", *FAST, "--seed", "3", "--repeats", "2", "--backswing-ms", "900"]
    arguments += ["--full-turn-deg", "120", "--mount", "wrist", "--felt", "--out", "d"]
    arguments += ["--feedback", "every"]
    arguments += ["--block", "rehearsal", "--block", "silent", "--block", "rehearsal"]
    seen = seen_on_terminal(tmp_path, arguments, columns=80, rows=24, answer=b"2")
    before, *screens = seen.split("\x1b[H")
    # What was said before the first swing stays until there are figures.
    assert "Warm up first" in before
    assert before.count("How did it feel?") == 1
    silent = big("SILENT")[0]
    kinds = [
        "figures"
        if "wrist turn" in text or "forearm turn" in text
        else "silent"
        if silent in text
        else "plain"
        for text in screens
    ]
    # A question, figures; the silent block and its questions; the last block and its questions.
    one = ["figures", "plain", "figures"]
    assert kinds == [*one, "silent", "silent", "silent", "plain", *one]
    for kind, text in zip(kinds, screens, strict=True):
        if kind != "figures":
            assert "TIME" not in text
            assert "PEAK" not in text
        assert ("How did it feel?" in text) <= (kind != "figures")
    # SILENT stands large, and below it what that means.
    lines = screens[3].split("\n")
    assert [line.rstrip() for line in lines[:5]] == [line.rstrip() for line in big("SILENT")]
    assert "2 swings without sound" in " ".join(screens[3].split())


@pytest.mark.skipif(sys.platform == "win32", reason="a terminal as POSIX has it")
def test_figures_of_the_swing_before_go_when_those_of_the_next_arent_told(tmp_path: Path) -> None:
    arguments = ["drill", *FAST, "--seed", "3", "--repeats", "4", "--backswing-ms", "900"]
    arguments += ["--full-turn-deg", "120", "--mount", "wrist", "--feedback", "fading"]
    seen = seen_on_terminal(tmp_path, [*arguments, "--out", "d"], columns=80, rows=24)
    _, *screens = seen.split("\x1b[H")
    # The first half is told, and of the rest every other one.
    assert ["TIME" in text for text in screens] == [True, True, False]
    assert screens[2].lstrip().startswith("unhurried: 3 of 4")


def test_interruptions_are_said_once_and_counted_at_the_end_of_the_block(tmp_path: Path) -> None:
    plan = DrillPlan(
        blocks=(Block("rehearsal", 1),), reference=DrillReference(), rest_s=1.0, schedule="every"
    )
    _, one, session = drill_run(tmp_path / "d", plan, speed=6.0)
    broken = Broken()
    one.sound = broken
    one._stage.output = broken
    said: list[str] = []
    one.say = said.append

    async def practise() -> None:
        running = asyncio.ensure_future(one.run(session, ending=Shutdown()))
        while session.status.received < 100:
            await asyncio.sleep(0.01)
        for _ in range(5):
            broken.gaps += 1
            await asyncio.sleep(0.05)
        async with asyncio.timeout(20):
            await running

    asyncio.run(practise())
    told = [text for text in said if "interrupted" in text]
    assert len(told) == 2
    assert "only counted" in told[0]
    assert "interrupted 5 times in this block" in told[1]


async def test_a_sound_that_is_not_heard_is_said_and_the_drill_goes_on_without(
    tmp_path: Path,
) -> None:
    plan = DrillPlan(
        blocks=(Block("rehearsal", 3, sound="bell"),),
        reference=DrillReference(),
        schedule="bell",
        rest_s=1.0,
        check=True,
    )
    output = Broken()
    drill = Drill(plan)
    one = DrillRun(drill, output, mount="wrist", hand="right")
    session = LiveSession(
        SimulatedSource(SessionSpec(mount="wrist", loss=0.0), seed=3, speed=1.0),
        tmp_path / "d",
        mount="wrist",
        hand="right",
        on_swing=one.on_swing,
        on_block=one.on_block,
        on_event=one.on_event,
    )
    said: list[str] = []
    one.say = said.append
    running = asyncio.ensure_future(one.run(session, ending=Shutdown()))
    async with asyncio.timeout(PATIENCE_S):
        while drill.state != "checking":
            await asyncio.sleep(0.01)
    assert HEARD in said
    one.heard("none")
    assert drill.state == "unheard"
    assert FIX in said
    one.heard("without")
    assert drill.state == "resting"
    assert one.sound is not output
    assert one.sound.silent
    assert not running.done()
    one.end()
    await running
    checked = of_kind(tmp_path / "d", "sound_check")
    assert [(m["heard"], m.get("without")) for m in checked] == [(False, None), (False, True)]
