"""Practice by ear: the live turn against exact truth, and sound as a real sound server has it."""

from __future__ import annotations

import asyncio
import contextlib
import json
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from analysis import FoundSwing, SwingFinder
from analysis.swing.live_params import TurnEvent, TurnTarget
from analysis.swing.live_turn import LiveTurn
from benchmarks.report import table
from feedback.mixer import Voice
from feedback.outputs import SilentOutput
from feedback.tones import Sound
from sensor.link.replay import ReplaySource
from sensor.link.source import PacketCallback, RawPacket
from sensor.recording.layout import AXES
from simulation.motion.action import MODELS, MOUNTS
from simulation.sessions import (
    SessionSpec,
    SimulatedSession,
    SimulatedSwing,
    simulate_session,
    simulate_swing,
)

Array = npt.NDArray[np.float64]

__all__ = ["run", "tables"]

SEEDS = 985_000
QUICK_SEEDS = 996_000
LEAD_S = 0.040
"""Simulated transport from sensor to ear."""
LOAD_S = 1800
"""At half a core's load, without underflow."""
ROOT = Path(__file__).resolve().parents[1]
RATE_HZ = 48_000
PACKET = 8
# Typical full turns by mount, for hours without a player (medians of the simulated full swings).
FULL_DEG = {"wrist": 130.0, "glove": 212.0, "club": 220.0, "trunk": 82.0}


# -- the live turn ---------------------------------------------------------------------------------


def _table_swing(swing: SimulatedSwing) -> FoundSwing | None:
    """The swing as the table has it."""
    finder = SwingFinder(
        rate_hz=swing.nominal_rate_hz,
        mount=swing.mount,
        gyr_range_dps=swing.gyr_range_dps,
        acc_range_g=swing.acc_range_g,
    )
    found = [*finder.feed(swing.seq, swing.acc_m_s2, swing.gyr_dps), *finder.flush()]
    whole = [one for one in found if one.turn_deg is not None and one.top_seq is not None]
    return whole[0] if len(whole) == 1 else None


def _events(swing: SimulatedSwing, target: TurnTarget | None) -> list[TurnEvent]:
    live = LiveTurn(
        rate_hz=swing.nominal_rate_hz,
        mount=swing.mount,
        handedness=swing.handedness,
        target=target,
    )
    return live.feed(swing.seq, swing.acc_m_s2, swing.gyr_dps)


def _near(events: list[TurnEvent], kind: str, top_seq: float, rate_hz: float) -> TurnEvent | None:
    near = [e for e in events if e.kind == kind and -3.0 < (e.seq - top_seq) / rate_hz < 0.3]
    return near[-1] if near else None


def _single(*, quick: bool, shift: int) -> dict[str, Any]:
    """Single swings, each against its own turn: nothing of the player is known before."""
    each = 3 if quick else 25
    rows: list[dict[str, float]] = []
    missed = 0
    for k, mount in enumerate(MOUNTS):
        for j, model in enumerate(MODELS):
            for n in range(each):
                seed = (QUICK_SEEDS if quick else SEEDS) + shift + 1000 * (2 * k + j) + n
                rate = (100.0, 200.0, 400.0)[n % 3]
                swing = simulate_swing(
                    seed,
                    mount=mount,
                    model=model,
                    rate_hz=rate,
                    handedness=("right", "left")[n % 2],
                )
                found = _table_swing(swing)
                if found is None or found.turn_deg is None or found.top_seq is None:
                    missed += 1
                    continue
                turn, top = found.turn_deg, found.top_seq
                row: dict[str, float] = {}
                end = _near(_events(swing, None), "top", top, rate)
                row["top"] = np.nan if end is None else end.turn_deg - turn
                full = TurnTarget(full_turn_deg=turn, lead_s=LEAD_S)
                event = _near(_events(swing, full), "full", top, rate)
                row["confirmed"] = event is not None
                if event is not None:
                    row["heard"] = _turn_at(swing, event, LEAD_S) - full.threshold_deg
                short = TurnTarget(full_turn_deg=turn + 5.0, share=1.0, lead_s=LEAD_S)
                row["wrongly"] = _near(_events(swing, short), "full", top, rate) is not None
                rows.append(row)

    def of(name: str) -> Array:
        return np.array([row[name] for row in rows if name in row])

    at_top, heard = of("top"), of("heard")
    return {
        "swings": len(rows),
        "not_in_table": missed,
        "top_missing": int(np.isnan(at_top).sum()),
        "top_mean_abs_deg": float(np.nanmean(np.abs(at_top))),
        "top_max_abs_deg": float(np.nanmax(np.abs(at_top))),
        "confirmed": float(of("confirmed").mean()),
        "wrongly": float(of("wrongly").mean()),
        "heard_mean_abs_deg": float(np.abs(heard).mean()),
        "heard_max_abs_deg": float(np.abs(heard).max()),
    }


def _turn_at(swing: SimulatedSwing, event: TurnEvent, later_s: float) -> float:
    """The turn when the tone is heard: of a live turn that has all samples until then."""
    end = event.seq + round(later_s * swing.nominal_rate_hz)
    n = int(np.searchsorted(swing.seq, end)) + 1
    live = LiveTurn(rate_hz=swing.nominal_rate_hz, mount=swing.mount)
    live.feed(swing.seq[:n], swing.acc_m_s2[:n], swing.gyr_dps[:n])
    return live.turn_deg


def _values(made: SimulatedSession) -> tuple[npt.NDArray[np.int64], Array, Array]:
    counts = np.stack([made.samples[axis] for axis in AXES], axis=1).astype(np.float64)
    session = made.session
    return (
        made.samples["seq"],
        counts[:, :3] * (session.acc_m_s2_per_count or 1.0),
        counts[:, 3:] * (session.gyr_dps_per_count or 1.0),
    )


def _sessions(*, quick: bool, shift: int) -> dict[str, Any]:
    """Sessions with everything that players do in between; and hours of nothing but that."""
    pieces = 1 if quick else 3
    out: dict[str, Any] = {"full_turns": 0, "confirmed": 0, "outside": 0, "minutes": 0.0}
    out |= {"other_minutes": 0.0, "other_tones": 0, "where": []}
    seed = (QUICK_SEEDS if quick else SEEDS) + 10_000 + shift
    for mount in MOUNTS:
        for k in range(pieces):
            seed += 1
            minutes = 2.0 if quick else 6.0
            made = simulate_session(
                SessionSpec(mount=mount, minutes=minutes, model=MODELS[k % 2]), seed=seed
            )
            _count_session(made, mount, out)
            seed += 1
            minutes = 2.0 if quick else 10.0
            made = simulate_session(SessionSpec(mount=mount, minutes=minutes, swings=0), seed=seed)
            events, _ = _both(made, mount, FULL_DEG[mount])
            tones = [e for e in events if e.kind == "full"]
            out["other_minutes"] += len(made.samples) / made.true_rate_hz / 60.0
            out["other_tones"] += len(tones)
            for e in tones:
                t = e.seq / made.true_rate_hz
                doing = [one.name for one in made.stretches if one.start_s <= t]
                out["where"].append(f"{mount}: {doing[-1] if doing else '?'}")
    return out


def _both(
    made: SimulatedSession, mount: str, full_deg: float
) -> tuple[list[TurnEvent], list[FoundSwing]]:
    """Finder and live turn side by side, packet by packet, as in a drill."""
    rate = made.session.nominal_rate_hz
    finder = SwingFinder(
        rate_hz=rate,
        mount=mount,
        gyr_range_dps=made.session.gyr_range_dps,
        acc_range_g=made.session.acc_range_g,
    )
    live = LiveTurn(
        rate_hz=rate,
        mount=mount,
        handedness=made.session.handedness,
        target=TurnTarget(full_turn_deg=full_deg, lead_s=LEAD_S),
    )
    seq, acc, gyr = _values(made)
    events: list[TurnEvent] = []
    swings: list[FoundSwing] = []
    for at in range(0, len(seq), PACKET):
        part = slice(at, at + PACKET)
        for found in finder.feed(seq[part], acc[part], gyr[part]):
            swings.append(found)
            if found.turn_deg is not None:
                live.learn(found.turn_deg)
        events += live.feed(seq[part], acc[part], gyr[part])
    return events, swings


def _count_session(made: SimulatedSession, mount: str, out: dict[str, Any]) -> None:
    turns = [t.truth.turn_deg for t in made.truth if t.truth.kind == "full"]
    if not turns:
        return
    full_deg = float(np.median(turns))
    events, swings = _both(made, mount, full_deg)
    rate = made.true_rate_hz
    tones = [e.seq / rate for e in events if e.kind == "full"]
    out["minutes"] += len(made.samples) / rate / 60.0
    # What is asked for is what the table calls a full turn; straight out of the swing before,
    # nobody waits for a tone.
    for swing in swings:
        one = [
            t.truth
            for t in made.truth
            if swing.top_seq is not None and abs(swing.top_seq / rate - t.truth.top_s) < 0.3
        ]
        if not one or one[0].kind == "continuous" or swing.turn_deg is None:
            continue
        if swing.turn_deg >= 0.95 * full_deg + 0.5:
            out["full_turns"] += 1
            out["confirmed"] += any(one[0].takeaway_s < t < one[0].top_s + 0.1 for t in tones)
    inside = [(t.truth.takeaway_s, t.truth.top_s + 0.1) for t in made.truth]
    wrong = [t for t in tones if not any(a < t < b for a, b in inside)]
    out["outside"] += len(wrong)
    for t in wrong:
        doing = [one.name for one in made.stretches if one.start_s <= t]
        out["where"].append(f"{mount}, in a session: {doing[-1] if doing else '?'}")


# -- from a packet's arrival to the call that plays ------------------------------------------------


class _Probe(SilentOutput):
    """Notes when it is asked to play the tone for the full turn."""

    def __init__(self) -> None:
        super().__init__()
        self.full: Sound | None = None
        self.calls: list[float] = []

    def play(self, sound: Sound, frame: int | None = None) -> Voice:
        if sound is self.full:
            self.calls.append(time.perf_counter())
        return super().play(sound, frame)


class _TimedReplay(ReplaySource):
    """A replay as fast as it can that notes how long a packet took to the call that plays."""

    def __init__(self, path: Path, probe: _Probe) -> None:
        super().__init__(path, speed=0.0)
        self.probe = probe
        self.took: list[float] = []

    async def start(self, on_packet: PacketCallback) -> None:
        def timed(packet: RawPacket) -> None:
            before = len(self.probe.calls)
            start = time.perf_counter()
            on_packet(packet)
            if len(self.probe.calls) > before:
                self.took.append(self.probe.calls[before] - start)

        await super().start(timed)


def _call(*, quick: bool, shift: int) -> dict[str, Any]:
    """The whole chain as a drill has it: decoded, written, measured, judged, played."""
    from feedback.drill import Drill
    from feedback.drill_plan import Block, DrillPlan, DrillReference
    from unhurried.app.drill_run import DrillRun
    from unhurried.app.live import LiveSession
    from unhurried.app.shutdown import Shutdown

    took: list[float] = []
    sessions = 1 if quick else 4
    for k in range(sessions):
        plan = DrillPlan(
            blocks=(Block("rehearsal", 500),),
            reference=DrillReference(full_turn_deg=110.0, backswing_ms=900.0),
            cue_on=None,
        )
        probe = _Probe()
        seed = (QUICK_SEEDS if quick else SEEDS) + 20_000 + shift + k
        made = simulate_session(
            SessionSpec(mount="wrist", minutes=2.0 if quick else 6.0, loss=0.0, rate_hz=400.0),
            seed=seed,
        )
        one = DrillRun(Drill(plan), probe, mount="wrist")
        probe.full = one._sounds.full
        one.say = lambda _text: None
        one._show = lambda _action: None  # type: ignore[method-assign]
        with tempfile.TemporaryDirectory() as folder:
            made.write(Path(folder) / "made")
            source = _TimedReplay(Path(folder) / "made", probe)
            session = LiveSession(
                source,
                Path(folder) / "d",
                mount="wrist",
                on_swing=one.on_swing,
                on_block=one.on_block,
                on_event=one.on_event,
            )
            asyncio.run(one.run(session, ending=Shutdown()))
            took += source.took
    ms = 1e3 * np.array(took)
    return {
        "calls": len(took),
        "median_ms": float(np.median(ms)),
        "p99_ms": float(np.percentile(ms, 99)),
        "worst_ms": float(ms.max()),
    }


# -- sound -----------------------------------------------------------------------------------------

# In a process of its own: tones at once, at uneven times; then tones by frame; half a core's load
# in the same process all the while, in pure Python, so that it fights for the interpreter too.
CHILD = """
import asyncio, json, random, sys, time
from feedback.outputs import open_output
from feedback.tones import tone
from sensor.link.source import host_clock_ns

async def load():
    while True:
        end = time.perf_counter() + 0.005
        while time.perf_counter() < end:
            pass
        await asyncio.sleep(0.005)

async def main(triggers, by_frame, seconds):
    output, why = open_output()
    assert why is None, why
    work = asyncio.ensure_future(load())
    beep = tone(880.0, 0.06, output.rate_hz)
    print("ready", flush=True)
    await asyncio.sleep(0.5)
    times = []
    rng = random.Random(3)
    for _ in range(triggers):
        await asyncio.sleep(rng.uniform(0.2, 0.4))
        times.append(host_clock_ns())
        output.play(beep)
    await asyncio.sleep(1.0)
    first = output.frame_now() + output.rate_hz // 4
    for k in range(by_frame):
        output.play(beep, first + k * output.rate_hz // 4)
    await asyncio.sleep(0.25 * by_frame + 1.0)
    middle = output.underflows
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        await asyncio.sleep(1.0)
        output.play(beep)
    work.cancel()
    output.close()
    print(json.dumps({"times": times, "rate": output.rate_hz, "underflows": output.underflows,
                      "before": middle, "late": output.mixer.late}), flush=True)

asyncio.run(main(*map(int, sys.argv[1:])))
"""


@contextlib.contextmanager
def _recorder(env: dict[str, str]) -> Iterator[tuple[list[bytes], list[float]]]:
    """Record the sink's monitor; for each chunk the host time at which it was there."""
    from sensor.link.source import host_clock_ns

    command = ["parec", "-d", "cue.monitor", "--raw", f"--rate={RATE_HZ}", "--channels=1"]
    recorder = subprocess.Popen(
        [*command, "--format=s16le", "--latency-msec=5"], env=env, stdout=subprocess.PIPE
    )
    chunks: list[bytes] = []
    times: list[float] = []

    def read() -> None:
        assert recorder.stdout is not None
        while chunk := recorder.stdout.read1(4096):  # type: ignore[attr-defined]
            times.append(host_clock_ns() * 1e-9)
            chunks.append(chunk)

    reader = threading.Thread(target=read, daemon=True)
    reader.start()
    try:
        yield chunks, times
    finally:
        recorder.terminate()
        recorder.wait()
        reader.join(2.0)


def _sound(*, quick: bool) -> dict[str, Any]:
    from tests.shared.listening import onsets_s, sound_server

    triggers, by_frame, seconds = (20, 8, 5) if quick else (150, 40, LOAD_S)
    with (
        tempfile.TemporaryDirectory(prefix="ear") as folder,
        sound_server(Path(folder)) as server,
        _recorder(server.env) as (chunks, times),
    ):
        child = subprocess.Popen(
            [sys.executable, "-c", CHILD, str(triggers), str(by_frame), str(seconds)],
            env=server.env,
            cwd=ROOT,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert child.stdout is not None
        child.stdout.readline()
        said = json.loads(child.stdout.readline())
        child.wait()
        child.stdout.close()
    sizes = np.array([len(chunk) for chunk in chunks]) // 2
    ends = np.cumsum(sizes)
    # A chunk is there at the earliest when its last sample has been played; the earliest of all
    # chunks, in pieces of ten seconds (clocks drift), gives the time of each sample.
    arrived = np.array(times) - ends / RATE_HZ
    x = np.frombuffer(b"".join(chunks), "<i2").astype(float) / 32768.0
    n_first = round((0.5 + 0.4 * triggers + 1.0 + 0.25 * by_frame + 6.0) * RATE_HZ)
    x = x[: n_first + 5 * RATE_HZ]
    heard = np.array(onsets_s(x))
    piece = (ends // (10 * RATE_HZ)).astype(int)
    origin = {p: float(arrived[piece == p].min()) for p in np.unique(piece)}
    at = np.array([h + origin[int(h // 10)] for h in heard])
    late = []
    for ns in said["times"]:
        after = at[at > ns * 1e-9]
        if len(after) and after[0] - ns * 1e-9 < 0.2:
            late.append(1e3 * (after[0] - ns * 1e-9))
    k = int(np.searchsorted(at, said["times"][-1] * 1e-9 + 0.5))
    spaced = np.diff(heard[k : k + by_frame])
    return {
        "triggers": triggers,
        "heard": len(late),
        "median_ms": float(np.median(late)),
        "p95_ms": float(np.percentile(late, 95)),
        "worst_ms": float(max(late)),
        "spacing_error_ms": float(1e3 * np.abs(spaced - 0.25).max()),
        "spaced": len(spaced) + 1,
        "underflows_before": said["before"],
        "late": said["late"],
        "load_s": seconds,
        "underflows": said["underflows"],
    }


# -- all -------------------------------------------------------------------------------------------


def run(*, quick: bool = False, shift: int = 0) -> dict[str, Any]:
    """Measure everything; the sound itself only where there is a sound server to be had.

    Parameters
    ----------
    quick : bool
        A fraction of it, on seeds of its own.
    shift : int
        Added to the seeds.

    Returns
    -------
    dict
    """
    from _pytest.outcomes import OutcomeException

    result: dict[str, Any] = {
        "single": _single(quick=quick, shift=shift),
        "sessions": _sessions(quick=quick, shift=shift),
        "call": _call(quick=quick, shift=shift),
        "sound": None,
        "unavailable": None,
    }
    try:
        result["sound"] = _sound(quick=quick)
    except OutcomeException as error:
        result["unavailable"] = str(error)
    return result


def tables(result: dict[str, Any]) -> str:
    """Markdown for docs/look-up/accuracy.md."""
    one, many, call, sound = (result[k] for k in ("single", "sessions", "call", "sound"))
    lines = [
        [
            f"live turn at the top against the table's ({one['swings']} swings), mean",
            "2 deg",
            f"{one['top_mean_abs_deg']:.2f} deg (most {one['top_max_abs_deg']:.1f})",
        ],
        [
            "turn when the tone is heard, 40 ms of transport, most",
            "6 deg",
            f"{one['heard_max_abs_deg']:.1f} deg (mean {one['heard_mean_abs_deg']:.1f})",
        ],
        ["full turns confirmed, single swings", "98 %", f"{100 * one['confirmed']:.1f} %"],
        [
            f"full turns confirmed in sessions ({many['full_turns']})",
            "98 %",
            f"{100 * many['confirmed'] / max(1, many['full_turns']):.1f} %",
        ],
        ["turns 5 deg short confirmed", "2 %", f"{100 * one['wrongly']:.1f} %"],
        [
            f"tones in {many['other_minutes']:.0f} min of other motion",
            "0",
            str(many["other_tones"]),
        ],
        [
            f"tones outside swings in {many['minutes']:.0f} min of sessions",
            "0",
            str(many["outside"]),
        ],
        [
            f"packet's arrival to the call that plays, 99 % ({call['calls']})",
            "5 ms",
            f"{call['p99_ms']:.2f} ms",
        ],
    ]
    if sound is not None:
        lines += [
            [
                f"call to sound under load, 95 % ({sound['heard']} of {sound['triggers']})",
                "35 ms",
                f"{sound['p95_ms']:.1f} ms (median {sound['median_ms']:.1f})",
            ],
            ["spacing of tones placed by frame", "0.1 ms", f"{sound['spacing_error_ms']:.3f} ms"],
            [
                f"underflows in {sound['load_s'] / 60:.0f} min at half a core's load",
                "0",
                str(sound["underflows"]),
            ],
        ]
    parts = ["### Practice by ear", table(["", "target", "measured"], lines)]
    if many["where"]:
        parts.append(
            "\n".join(["Tones where there was no swing:", *(f"- {w}" for w in many["where"])])
        )
    if result["unavailable"]:
        parts.append(f"Left out: {result['unavailable']}")
    return "\n\n".join(parts)
