"""Time stamps of CSV files: what jitter, rounding, packets and losses change in the swings.

Simulated sessions are written as CSV twice: with exact times, and with times as programs write
them. The swings of the second must be those of the first, within their own uncertainties: peak,
turn, swing time and whether a ball was struck. The kinds are models, from memory of what loggers
do: normal jitter (in order, since a logger's clock doesn't go back, or out of order), rounding to
milliseconds, packets that share the time of their arrival (late by 3 sample periods on average,
exponential), and holes of single samples or packets.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from benchmarks.report import table
from sensor.errors import RecordingError
from sensor.recording.csvlines import COLUMNS
from sensor.recording.opening import open_recording
from simulation.sessions import SessionSpec, simulate_session
from unhurried.app.measuring import analyze

Array = npt.NDArray[np.float64]

__all__ = ["cases", "compare", "run", "sheet", "tables", "write"]

SEEDS = 960_000
RATES_HZ = (50.0, 100.0, 200.0, 400.0, 800.0)
JITTERS = (0.0, 0.2, 0.4, 0.6, 0.8)
LOSSES = (0.0, 0.005)
PACKETS = (4, 16)
MEASURES = ("peak_rate_dps", "turn_deg", "backswing_ms", "downswing_ms", "swing_ms")


def sheet(rate_hz: float, *, swings: int, seed: int) -> Array:
    """Return a session as (n, 7): exact times and the six channels, without holes."""
    sample_hz = max(100.0, rate_hz)
    spec = SessionSpec(
        mount="club", swings=swings, rate_hz=sample_hz, rate_error=0.0, loss=0.0, varied=False
    )
    session = simulate_session(spec, seed=seed)
    every = round(sample_hz / rate_hz)
    rows = session.samples[::every]
    acc, gyr = session.session.acc_m_s2_per_count, session.session.gyr_dps_per_count
    assert acc is not None
    assert gyr is not None
    return np.column_stack(
        [
            np.arange(len(rows)) / rate_hz,
            *(rows[axis] * acc for axis in ("ax", "ay", "az")),
            *(rows[axis] * gyr for axis in ("gx", "gy", "gz")),
        ]
    )


def write(path: Path, lines: Array, times_s: Array) -> None:
    """Write a CSV file with other times."""
    with path.open("w", encoding="utf-8") as file:
        file.write(",".join(COLUMNS) + "\n")
        np.savetxt(file, np.column_stack([times_s, lines[:, 1:]]), delimiter=",", fmt="%.9g")


def cases(
    lines: Array, rate_hz: float, rng: np.random.Generator
) -> Iterator[tuple[str, float, float, Array, Array]]:
    """Give (kind, jitter in periods, loss, lines that are left, their times)."""
    n = len(lines)
    for loss in LOSSES:
        kept = rng.random(n) >= loss
        kept[0] = True
        left = lines[kept]
        for jitter in JITTERS:
            off = rng.normal(0.0, jitter, len(left)) / rate_hz
            ordered = np.maximum.accumulate(left[:, 0] + off)
            yield "in order", jitter, loss, left, ordered
            yield "in order, ms", jitter, loss, left, np.round(ordered, 3)
            yield "out of order", jitter, loss, left, left[:, 0] + off
        for size in PACKETS:
            whole = lines[: n // size * size]
            packet = np.arange(len(whole)) // size
            there = (rng.random(n // size) >= loss)[packet]
            late = np.repeat(rng.exponential(3.0 / rate_hz, n // size), size)
            arrival = whole[packet * size + size - 1, 0] + late
            times = np.round(np.maximum.accumulate(arrival[there]), 3)
            yield f"packets of {size}, ms", 0.0, loss, whole[there], times


def compare(even: Path, other: Path) -> dict[str, Any]:
    """Compare the swings of two files; `worst` is in standard uncertainties."""
    options: dict[str, Any] = {"mount": "club", "gyr_range_dps": 2000.0, "acc_range_g": 16.0}
    with open_recording(even, **options) as recording:
        due = analyze(recording).swings
    try:
        with open_recording(other, **options) as recording:
            told = list(recording.warnings)
            found = analyze(recording).swings
    except RecordingError as error:
        return {"refused": error.problem}
    worst = dict.fromkeys(MEASURES, 0.0)
    strikes = 0
    missing = abs(len(due) - len(found))
    for one in due:
        twin = min(found, key=lambda swing: abs((swing.top_s or 0.0) - (one.top_s or 0.0)))
        if abs((twin.top_s or 0.0) - (one.top_s or 0.0)) > 0.5:
            missing += 1
            continue
        strikes += one.strike != twin.strike
        for name in MEASURES:
            a, b = getattr(one, name), getattr(twin, name)
            if a is None or b is None:
                missing += (a is None) != (b is None)
                continue
            u = getattr(twin, f"{name}_u")
            worst[name] = max(worst[name], abs(a - b) / u)
    return {"missing": missing, "strikes": strikes, "worst": worst, "told": told}


def run(*, quick: bool = False, shift: int = 0) -> dict[str, Any]:
    """Run the grid."""
    rows = []
    with tempfile.TemporaryDirectory() as folder:
        for number, rate_hz in enumerate(RATES_HZ[1:3] if quick else RATES_HZ):
            seed = SEEDS + shift + 10 * number
            lines = sheet(rate_hz, swings=3 if quick else 6, seed=seed)
            rng = np.random.default_rng(seed + 1)
            even, other = Path(folder) / "even.csv", Path(folder) / "other.csv"
            for kind, jitter, loss, left, times_s in cases(lines, rate_hz, rng):
                write(even, left, left[:, 0])
                write(other, left, times_s)
                rows.append(
                    {"rate_hz": rate_hz, "kind": kind, "jitter": jitter, "loss": loss}
                    | compare(even, other)
                )
    return {"rows": rows}


def tables(results: dict[str, Any]) -> str:
    """Return the grid, by kind and jitter over all rates and losses."""
    rows = results["rows"]
    keys = dict.fromkeys((row["kind"], row["jitter"]) for row in rows)
    out = []
    for kind, jitter in keys:
        these = [row for row in rows if (row["kind"], row["jitter"]) == (kind, jitter)]
        read = [row for row in these if "worst" in row]
        out.append(
            [
                kind,
                f"{jitter:g}",
                f"{len(read)} of {len(these)}",
                str(sum(row["missing"] for row in read)),
                str(sum(row["strikes"] for row in read)),
                *(
                    f"{max((row['worst'][name] for row in read), default=0.0):.2f}"
                    for name in MEASURES
                ),
            ]
        )
    head = ["stamps", "jitter (periods, rms)", "files read (others refused)", "swings missing"]
    head += ["strikes that changed", *(f"{name}, worst in u" for name in MEASURES)]
    return table(head, out)
