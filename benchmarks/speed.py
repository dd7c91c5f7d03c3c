"""Speed and memory: an hour at 400 Hz with 120 swings and walking, beside a floor."""

from __future__ import annotations

import gc
import json
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.signal import butter, sosfilt

from analysis import SwingFinder
from benchmarks.report import table
from sensor.recording.layout import AXES, COUNTS_DTYPE, PACKET_DTYPE
from sensor.recording.opening import open_recording
from sensor.recording.session import Session
from sensor.recording.writer import RecordingWriter
from simulation.chip import ChipParams
from simulation.motion.action import Action
from simulation.motion.activities import random_activity
from simulation.sessions import SimulatedSwing, grid_rate_hz, simulate_swing

Array = npt.NDArray[np.float64]

__all__ = ["run", "tables"]

RATE_HZ = 400.0
SWINGS_AN_HOUR = 120
DISTINCT = 10
SEEDS = 970_000
PACKET = 8
CACHE = Path(__file__).resolve().parents[1] / ".cache" / "bench"
CHIP = ChipParams(nominal_rate_hz=RATE_HZ, gyr_range_dps=2000.0, acc_range_g=16.0)
UNIT_SAMPLES = round(3600.0 * RATE_HZ / SWINGS_AN_HOUR)


def _counts(made: SimulatedSwing) -> npt.NDArray[np.int16]:
    scale = np.repeat([CHIP.acc_m_s2_per_count, CHIP.gyr_dps_per_count], 3)
    values = np.concatenate([made.acc_m_s2, made.gyr_dps], axis=1) / scale
    counts: npt.NDArray[np.int16] = np.round(values).astype(np.int16)
    return counts


def _unit(number: int) -> npt.NDArray[np.int16]:
    """Half a minute: a swing (every other one at a ball), then walking."""
    options: dict[str, Any] = {
        "rate_hz": RATE_HZ,
        "gyr_range_dps": CHIP.gyr_range_dps,
        "mount_quat_wxyz": (1.0, 0.0, 0.0, 0.0),
    }
    seed = SEEDS + 100 * number
    parts = [
        _counts(
            simulate_swing(
                seed,
                model=("pendulum", "chain")[number // 2 % 2],
                strike=number % 2 == 0,
                **options,
            )
        )
    ]
    while sum(map(len, parts)) < UNIT_SAMPLES:
        seed += 1
        walk: Action = random_activity(
            np.random.default_rng(seed), mount="wrist", grid_hz=grid_rate_hz(RATE_HZ), kind="walk"
        )
        parts.append(_counts(simulate_swing(seed, action=walk, **options)))
    return np.concatenate(parts)[:UNIT_SAMPLES]


def the_hour() -> npt.NDArray[np.void]:
    """An hour as a recording holds it, put together from ten half minutes; kept in a cache."""
    CACHE.mkdir(parents=True, exist_ok=True)
    path = CACHE / f"units-{SEEDS}.npy"
    if not path.exists():
        part = path.with_suffix(".part.npy")
        np.save(part, np.stack([_unit(k) for k in range(DISTINCT)]))
        part.replace(path)
    units = np.load(path)
    counts = np.concatenate([units[k % DISTINCT] for k in range(SWINGS_AN_HOUR)])
    hour = np.zeros(len(counts), dtype=COUNTS_DTYPE)
    hour["seq"] = np.arange(len(counts))
    for column, axis in enumerate(AXES):
        hour[axis] = counts[:, column]
    return hour


def _finder() -> SwingFinder:
    return SwingFinder(
        rate_hz=RATE_HZ,
        mount="wrist",
        gyr_range_dps=CHIP.gyr_range_dps,
        acc_range_g=CHIP.acc_range_g,
    )


def _values(samples: npt.NDArray[np.void]) -> Array:
    out = np.empty((len(samples), 6))
    for column, axis in enumerate(AXES):
        out[:, column] = samples[axis]
    return out


def floor(samples: npt.NDArray[np.void]) -> None:
    """Do the least that any analysis does: counts to numbers, and one low-pass filter."""
    sosfilt(butter(4, 20.0, fs=RATE_HZ, output="sos"), _values(samples), axis=0)


def _cpu_s(what: Callable[[], object], times: int) -> float:
    """CPU time of the best of a few runs."""
    best = float("inf")
    for _ in range(times):
        gc.collect()
        start = time.process_time()
        what()
        best = min(best, time.process_time() - start)
    return best


def write_recording(folder: Path, hour: npt.NDArray[np.void], hours: int) -> None:
    """Write a recording of so many hours, the same hour again and again."""
    session = Session(
        id="00000000-0000-4000-8000-000000000000",
        start="2026-01-15T18:30:00+01:00",
        program_version="0",
        sensor={"name": "simulated sensor", "simulated": True},
        mount="wrist",
        nominal_rate_hz=RATE_HZ,
        gyr_range_dps=CHIP.gyr_range_dps,
        acc_range_g=CHIP.acc_range_g,
        gyr_dps_per_count=CHIP.gyr_dps_per_count,
        acc_m_s2_per_count=CHIP.acc_m_s2_per_count,
        sample_kind="counts",
    )
    step = PACKET * 8192
    with RecordingWriter(folder, session, fsync_interval_s=1e9) as writer:
        for number in range(hours):
            for start in range(0, len(hour), step):
                samples = hour[start : start + step].copy()
                samples["seq"] += number * len(hour)
                packets = np.zeros(len(samples) // PACKET, dtype=PACKET_DTYPE)
                packets["first_seq"] = samples["seq"][::PACKET]
                packets["count"] = PACKET
                packets["raw_counter"] = packets["ticks"] = -1
                last = packets["first_seq"] + PACKET
                packets["arrival_ns"] = np.round(last * (1e9 / RATE_HZ) + 3e6).astype(np.int64)
                writer.append(packets, samples)


def analyze(folder: Path) -> int:
    """Find the swings of a recording as the command does, and put their impacts into seconds."""
    recording = open_recording(folder)
    finder = _finder()
    found = []
    for block in recording.blocks():
        found += finder.feed(block.seq, block.acc_m_s2, block.gyr_dps)
    found += finder.flush()
    for one in found:
        recording.time_of_seq(one.anchor_seq)
    return len(found)


def feed_all(hour: npt.NDArray[np.void]) -> int:
    """Feed the finder from memory, a block at a time."""
    finder = _finder()
    count = 0
    for start in range(0, len(hour), 65536):
        samples = hour[start : start + 65536]
        values = _values(samples)
        values[:, :3] *= CHIP.acc_m_s2_per_count
        values[:, 3:] *= CHIP.gyr_dps_per_count
        count += len(finder.feed(samples["seq"], values[:, :3], values[:, 3:]))
    return count + len(finder.flush())


def _memory(folder: Path) -> dict[str, int]:
    """Peak memory of analysing a recording in a process of its own, and that after start-up.

    A process begins with the peak of the one that started it, so a small one goes in between.
    """
    between = "import subprocess, sys; sys.exit(subprocess.call(sys.argv[1:]))"
    run = subprocess.run(
        [
            sys.executable,
            "-S",
            "-c",
            between,
            sys.executable,
            "-m",
            "benchmarks.speed",
            str(folder),
        ],
        cwd=Path(__file__).resolve().parents[1],
        capture_output=True,
        text=True,
        check=True,
    )
    out: dict[str, int] = json.loads(run.stdout)
    return out


def _child(folder: Path) -> None:
    import resource

    unit = 1 if sys.platform == "darwin" else 1024
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * unit
    swings = analyze(folder)
    after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * unit
    print(json.dumps({"start_bytes": before, "peak_bytes": after, "swings": swings}))


def live(hour: npt.NDArray[np.void], minutes: float) -> dict[str, Any]:
    """Feed packets of 8 samples, as they come from the sensor."""
    finder = _finder()
    part = hour[: round(minutes * 60.0 * RATE_HZ)]
    values = _values(part)
    acc = values[:, :3] * CHIP.acc_m_s2_per_count
    gyr = values[:, 3:] * CHIP.gyr_dps_per_count
    seq = np.ascontiguousarray(part["seq"])
    # The first half minute is start-up: tables made when they are first needed.
    times: list[float] = []
    ends: list[float] = []
    swings = 0
    for start in range(0, len(seq) - PACKET + 1, PACKET):
        stop = start + PACKET
        begin = time.process_time()
        found = finder.feed(seq[start:stop], acc[start:stop], gyr[start:stop])
        took = time.process_time() - begin
        swings += len(found)
        if start >= UNIT_SAMPLES:
            times.append(took)
            if found:
                ends.append(took)
    return {
        "packets": len(times),
        "swings": swings,
        "mean_ms": 1e3 * float(np.mean(times)),
        "p99_ms": 1e3 * float(np.percentile(times, 99)),
        "worst_ms": 1e3 * max(times),
        "swing_end_ms": 1e3 * float(np.mean(ends)) if ends else None,
    }


def run(*, quick: bool = False, shift: int = 0) -> dict[str, Any]:
    """Measure CPU time, memory and the live feed; always on the same hour, whatever ``shift``."""
    hour = the_hour()
    feed_all(hour[: 2 * UNIT_SAMPLES])
    floor_s = _cpu_s(lambda: floor(hour), 3)
    counts: list[int] = []
    finder_s = _cpu_s(lambda: counts.append(feed_all(hour)), 2)
    long_hours = 3 if quick else 10
    CACHE.mkdir(parents=True, exist_ok=True)
    memory = {}
    with tempfile.TemporaryDirectory(dir=CACHE) as temporary:
        for hours in (1, long_hours):
            folder = Path(temporary) / f"{hours}h"
            write_recording(folder, hour, hours)
            if hours == 1:
                command_s = _cpu_s(partial(analyze, folder), 2)
            memory[hours] = _memory(folder)
    used = {hours: m["peak_bytes"] - m["start_bytes"] for hours, m in memory.items()}
    return {
        "swings": counts[-1],
        "floor_s": floor_s,
        "finder_s": finder_s,
        "reader_and_finder_s": command_s,
        "finder_ratio": finder_s / floor_s,
        "ratio": command_s / floor_s,
        "memory": {str(hours): {**m, "used_bytes": used[hours]} for hours, m in memory.items()},
        "memory_hours": long_hours,
        "memory_ratio": used[long_hours] / used[1],
        "live": live(hour, 3.0 if quick else 15.0),
    }


def tables(result: dict[str, Any]) -> str:
    """Markdown for docs/look-up/accuracy.md."""
    now, hours = result["live"], result["memory_hours"]
    used = {k: m["used_bytes"] / 2**20 for k, m in result["memory"].items()}
    lines = [
        [
            "CPU for an hour at 400 Hz, reading included",
            "8 x floor",
            f"{result['ratio']:.1f} x ({result['reader_and_finder_s']:.2f} s)",
        ],
        [
            "... the finder alone",
            "",
            f"{result['finder_ratio']:.1f} x ({result['finder_s']:.2f} s)",
        ],
        ["floor: counts to numbers, one low-pass", "", f"{result['floor_s']:.3f} s"],
        [f"swings found in it (of {SWINGS_AN_HOUR})", "", str(result["swings"])],
        [
            f"peak memory, {hours} h beside 1 h",
            "1.3 x",
            f"{result['memory_ratio']:.2f} x ({used[str(hours)]:.1f} and {used['1']:.1f} MiB)",
        ],
        ["live, mean CPU a packet of 8", "0.2 ms", f"{now['mean_ms']:.3f} ms"],
        ["live, worst packet", "20 ms", f"{now['worst_ms']:.1f} ms"],
    ]
    return "\n\n".join(["### Speed", table(["", "target", "measured"], lines)])


if __name__ == "__main__":
    _child(Path(sys.argv[1]))
