"""The live link: hours replayed at full speed, its share of a core in real time, and its delay.

The real-time part runs the whole chain that a player has on Linux: bleak's unmodified BlueZ backend
on a real dbus-daemon, decoding, recording, swing finder. Only bluetoothd and the radio are the
software ones of ``tests/shared/software_bluez.py``, in a process of their own.
"""

from __future__ import annotations

import asyncio
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from analysis.swing.results import Swing
from benchmarks.report import table
from sensor.link.live import LiveBlock
from sensor.link.replay import ReplaySource
from sensor.link.source import host_clock_ns
from sensor.recording.layout import PACKET_DTYPE
from sensor.recording.writer import RecordingWriter
from simulation.sessions import SessionSpec, SimulatedSession, simulate_session
from unhurried.app.live import LiveSession

__all__ = ["run", "tables"]

SEEDS = 980_000
SOFTWARE = Path(__file__).resolve().parents[1] / "tests" / "shared"
PIECE_MINUTES = 6.0
LONG_RATE_HZ = 800.0
# Share of a core, by rate.
CPU_TARGETS = {400: 0.03, 800: 0.06}
LINE_TARGET_S = 0.5
MEMORY_TARGET = 1.05


def _session(rate_hz: float, minutes: float, seed: int) -> SimulatedSession:
    return simulate_session(
        SessionSpec(rate_hz=rate_hz, minutes=minutes, loss=0.0), seed=SEEDS + seed
    )


# -- hours at full speed -------------------------------------------------------------------------


def _long_recording(folder: Path, hours: float, shift: int) -> int:
    """Write so many hours, one piece after another; returns the number of samples."""
    made = _session(LONG_RATE_HZ, PIECE_MINUTES, shift)
    n = len(made.samples)
    last = made.packets["arrival_ns"][-1] - made.packets["arrival_ns"][0]
    step_ns = max(round(n / made.true_rate_hz * 1e9), int(last) + 30_000_000)
    total = 0
    with RecordingWriter(folder, made.session) as writer:
        for number in range(max(1, round(hours * 60.0 / PIECE_MINUTES))):
            samples, packets = made.samples.copy(), made.packets.copy()
            samples["seq"] += number * n
            packets["first_seq"] += number * n
            packets["arrival_ns"] += number * step_ns
            writer.append(packets, samples)
            total += n
    return total


def _resident_bytes() -> int:
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE")


def _replay_child(folder: Path) -> None:
    """In a process of its own: replay, and print what it took as JSON."""
    seen = {"samples": 0, "swings": 0}
    memory: list[tuple[int, int]] = []

    def on_swing(_: Swing) -> None:
        seen["swings"] += 1

    def on_block(block: LiveBlock) -> None:
        seen["samples"] += len(block.seq)
        if seen["samples"] // 500_000 >= len(memory):
            memory.append((seen["samples"], _resident_bytes()))

    async def go() -> LiveSession:
        session = LiveSession(
            ReplaySource(folder / "long", speed=0),
            folder / "new",
            on_swing=on_swing,
            on_block=on_block,
        )
        await session.run(asyncio.Event())
        return session

    start = time.process_time()
    session = asyncio.run(go())
    took = time.process_time() - start
    memory.append((seen["samples"], _resident_bytes()))
    status = session.status
    # After the first tenth everything that is kept is there.
    early = next(used for n, used in memory if n >= seen["samples"] // 10)
    print(
        json.dumps(
            {
                "cpu_s": took,
                "received": status.received,
                "lost": status.lost + status.gap_samples,
                "kept_out": status.duplicate + status.late + status.malformed + status.oversized,
                "swings": seen["swings"],
                "early_bytes": early,
                "most_bytes": max(used for n, used in memory if n >= seen["samples"] // 10),
            }
        )
    )


def _long(hours: float, shift: int) -> dict[str, Any]:
    with tempfile.TemporaryDirectory(prefix="unhurried-bench-") as name:
        folder = Path(name)
        sent = _long_recording(folder / "long", hours, shift)
        done = subprocess.run(
            [sys.executable, "-m", "benchmarks.link", "replay", name],
            capture_output=True,
            text=True,
            check=True,
        )
        out: dict[str, Any] = json.loads(done.stdout)
        old = np.load(folder / "long" / "imu.npy", mmap_mode="r")
        new = np.load(folder / "new" / "imu.npy", mmap_mode="r")
        same = len(old) == len(new) and all(
            np.array_equal(old[at : at + 1_000_000], new[at : at + 1_000_000])
            for at in range(0, len(old), 1_000_000)
        )
        packets = np.load(folder / "new" / "packets.npy", mmap_mode="r")
        out |= {
            "hours": hours,
            "sent": sent,
            "identical": bool(same),
            "packets": len(packets),
            "bytes": len(new) * new.itemsize + len(packets) * PACKET_DTYPE.itemsize,
            "memory_ratio": out["most_bytes"] / out["early_bytes"],
            "speed": hours * 3600.0 / out["cpu_s"],
        }
        for path in (folder / "long", folder / "new"):
            for file in path.iterdir():
                file.chmod(0o644)
        return out


# -- in real time --------------------------------------------------------------------------------


def _counts(made: SimulatedSession) -> npt.NDArray[np.int16]:
    rows = np.ascontiguousarray(made.samples)
    return rows.view("<i2").reshape(len(rows), 10)[:, 4:]


def _sensor_child(rate_hz: float, shift: int) -> None:
    """In a process of its own: the software BlueZ with a sensor that sends in real time."""
    sys.path.insert(0, str(SOFTWARE))
    from software_bluez import SoftSensor, software_bluez

    made = _session(rate_hz, 3.0, shift)
    counts = _counts(made)

    async def go() -> None:
        sensor = SoftSensor(rate_hz=rate_hz, acc_range_g=16.0)
        async with software_bluez(sensor) as bluez:
            print("ready", flush=True)
            loop = asyncio.get_running_loop()
            while not sensor.live:
                await asyncio.sleep(0.01)
            start, place = loop.time(), 0
            while sensor.live:
                due = start + (place + sensor.samples) / made.true_rate_hz
                await asyncio.sleep(max(0.0, due - loop.time()))
                at = place % (len(counts) - sensor.samples)
                bluez.send(sensor, sensor.packet(counts[at : at + sensor.samples]))
                place += sensor.samples

    asyncio.run(go())


def _live_child(folder: Path, rate_hz: float, seconds: float) -> None:
    """In a process of its own: record for so long, and print the CPU time it took as JSON."""
    from sensor.link.radio import RadioParams, RadioSource

    arrivals: list[tuple[int, int]] = []
    delays: list[float] = []

    def on_block(block: LiveBlock) -> None:
        arrivals.append((int(block.seq[-1]), block.arrival_ns))
        del arrivals[:-2000]

    async def go() -> dict[str, Any]:
        def on_swing(swing: Swing) -> None:
            base = session.time_base
            if swing.finish_s is None or base is None:
                return
            finish = swing.finish_s / base.period_s
            came = next((ns for seq, ns in arrivals if seq >= finish), arrivals[-1][1])
            delays.append((host_clock_ns() - came) / 1e9)

        session = LiveSession(
            RadioSource(rate_hz=rate_hz, params=RadioParams(scan_s=5.0, settle_s=0.1)),
            folder / f"live-{rate_hz:g}",
            mount="wrist",
            on_swing=on_swing,
            on_block=on_block,
        )
        stop = asyncio.Event()
        task = asyncio.ensure_future(session.run(stop))
        while session.status.received == 0:
            await asyncio.sleep(0.05)
        await asyncio.sleep(1.0)
        cpu, wall, n = time.process_time(), time.monotonic(), session.status.received
        await asyncio.sleep(seconds)
        cpu, wall = time.process_time() - cpu, time.monotonic() - wall
        n = session.status.received - n
        stop.set()
        report = await task
        return {
            "share": cpu / wall,
            "rate_hz": n / wall,
            "lost": report.status.lost,
            "swings": len(session.swings),
            "line_s": max(delays, default=None),
        }

    print(json.dumps(asyncio.run(go())))


def _real_time(rate_hz: float, seconds: float, shift: int) -> dict[str, Any] | None:
    """Run both; None where there is no dbus-daemon."""
    if shutil.which("dbus-daemon") is None or sys.platform != "linux":
        return None
    sys.path.insert(0, str(SOFTWARE))
    try:
        from software_bluez import private_bus
    finally:
        sys.path.remove(str(SOFTWARE))
    with tempfile.TemporaryDirectory(prefix="unhurried-bench-") as name:
        folder = Path(name)
        module = [sys.executable, "-m", "benchmarks.link"]
        with private_bus(folder):
            sensor = subprocess.Popen(
                [*module, "sensor", f"{rate_hz:g}", str(shift)], stdout=subprocess.PIPE
            )
            try:
                assert sensor.stdout is not None
                sensor.stdout.readline()
                done = subprocess.run(
                    [*module, "live", name, f"{rate_hz:g}", f"{seconds:g}"],
                    capture_output=True,
                    text=True,
                    check=True,
                )
            finally:
                sensor.terminate()
                sensor.wait()
                assert sensor.stdout is not None
                sensor.stdout.close()
        out: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
        return out


# -- how soon a swing's line comes -----------------------------------------------------------------


def _line_delays(rate_hz: float, minutes: float, shift: int) -> list[float]:
    """Time from the arrival of the sample at a finish to the packet with which it is told."""
    blocks: list[LiveBlock] = []
    told: list[tuple[Swing, int]] = []

    async def go(folder: Path) -> LiveSession:
        session = LiveSession(
            ReplaySource(folder / "old", speed=0),
            folder / "new",
            on_swing=lambda swing: told.append((swing, blocks[-1].arrival_ns)),
            on_block=blocks.append,
        )
        await session.run(asyncio.Event())
        return session

    with tempfile.TemporaryDirectory(prefix="unhurried-bench-") as name:
        folder = Path(name)
        _session(rate_hz, minutes, shift + 1).write(folder / "old")
        session = asyncio.run(go(folder))
        for path in (folder / "old", folder / "new"):
            for file in path.iterdir():
                file.chmod(0o644)
    base = session.time_base
    assert base is not None
    seqs = np.array([block.seq[-1] for block in blocks])
    out = []
    for swing, at_ns in told:
        if swing.finish_s is None:
            continue
        place = int(np.searchsorted(seqs, swing.finish_s / base.period_s))
        if place < len(blocks):
            out.append((at_ns - blocks[place].arrival_ns) / 1e9)
    return out


# -- all ---------------------------------------------------------------------------------------


def run(*, quick: bool = False, shift: int = 0) -> dict[str, Any]:
    """Measure; `quick` takes minutes instead of hours and seconds instead of half minutes."""
    delays = [
        delay
        for rate in (200.0, 800.0)
        for delay in _line_delays(rate, 2.0 if quick else 10.0, shift)
    ]
    return {
        "long": _long(0.2 if quick else 4.0, shift),
        "real_time": {
            str(rate): _real_time(float(rate), 6.0 if quick else 60.0, shift)
            for rate in CPU_TARGETS
        },
        "line_s": max(delays),
        "line_mean_s": float(np.mean(delays)),
        "lines": len(delays),
    }


def tables(result: dict[str, Any]) -> str:
    """Markdown for docs/look-up/accuracy.md."""
    long = result["long"]
    lost = long["sent"] - long["received"]
    lines = [
        [
            f"{long['hours']:g} h at 800 Hz replayed at full speed: samples lost",
            "0",
            f"{lost} of {long['sent'] / 1e6:.1f} million"
            + ("" if long["identical"] else ", **not identical**"),
        ],
        [
            "... memory at its most, beside that after a tenth",
            f"{MEMORY_TARGET:g} x",
            f"{long['memory_ratio']:.3f} x ({long['most_bytes'] / 2**20:.0f} MiB)",
        ],
        ["... faster than real time (CPU)", "", f"{long['speed']:.0f} x"],
    ]
    for rate, target in CPU_TARGETS.items():
        found = result["real_time"][str(rate)]
        value = "no dbus-daemon" if found is None else f"{100 * found['share']:.1f} %"
        lines.append(
            [
                f"real time at {rate} Hz: link, decoding, recording, finding",
                f"{100 * target:g} % of a core",
                value,
            ]
        )
    for rate, found in result["real_time"].items():
        if found is not None and found["line_s"] is not None:
            lines.append(
                [
                    f"... a swing's line after its finish arrived, {rate} Hz, worst of "
                    f"{found['swings']}",
                    f"{1e3 * LINE_TARGET_S:g} ms",
                    f"{1e3 * found['line_s']:.0f} ms",
                ]
            )
    lines.append(
        [
            f"the same over replays, worst of {result['lines']} (mean)",
            f"{1e3 * LINE_TARGET_S:g} ms",
            f"{1e3 * result['line_s']:.0f} ms ({1e3 * result['line_mean_s']:.0f} ms)",
        ]
    )
    return "\n\n".join(["### Live link", table(["", "target", "measured"], lines)])


if __name__ == "__main__":
    what, *rest = sys.argv[1:]
    if what == "replay":
        _replay_child(Path(rest[0]))
    elif what == "sensor":
        _sensor_child(float(rest[0]), int(rest[1]))
    else:
        _live_child(Path(rest[0]), float(rest[1]), float(rest[2]))
