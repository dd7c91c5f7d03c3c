"""What the finder's score misses if it may invent 0.1, 0.5 or 2 swings an hour, nobody known yet.

Swings as wide as people are, and other motion, on seeds of their own (`benchmarks.populations`):
the threshold is set where it lets so many of the other motion through, whatever the one is that the
finder goes by. The rates are what was let through, so the greatest hours tell the least rate.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt

from analysis.swing.score import FIGURES, score
from analysis.swing.score_tables import SWING
from benchmarks import populations
from benchmarks.report import table
from simulation.motion.action import MOUNTS, Kind, Mount
from simulation.motion.wide import GENERATORS

Array = npt.NDArray[np.float64]
Rows = npt.NDArray[np.void]

__all__ = ["RATES_AN_HOUR", "run", "tables"]

TEST = populations.TEST + 350_000
RATES_AN_HOUR = (0.1, 0.5, 2.0)
KINDS: tuple[Kind, ...] = ("full", "part")
SHORT_DEG = 30.0


def scored(rows: Rows, mount: str) -> Array:
    """Score of each candidate; -inf of what is no swing by definition or physics."""
    return np.array(
        [
            -math.inf
            if row["impossible"] or row["turn_deg"] < SHORT_DEG
            else score(dict(zip(FIGURES, row["figures"].tolist(), strict=True)), SWING[mount])
            for row in rows
        ]
    )


def missed(best: Array, others: Array, hours: float, rate: float) -> tuple[float, float]:
    """Threshold that lets ``rate`` an hour through, and the share of swings that it misses.

    Parameters
    ----------
    best : (n,) array
        Best score of each swing's candidates; -inf of one that has none.
    others : (m,) array
        Scores of candidates in other motion.
    hours : float
        Of other motion.
    rate : float
    """
    allowed = math.floor(rate * hours)
    falling = np.sort(others)[::-1]
    limit = float(falling[allowed]) if allowed < len(falling) else -math.inf
    return limit, float((best <= limit).mean())


def _of_mount(mount: Mount, hours: float, count: int, base: int) -> dict[str, Any]:
    other = populations.rows_of(populations.other_motion(mount, hours, base))
    z = scored(other[~other["rally"]], mount)
    out: dict[str, Any] = {"hours": hours, "kinds": {}}
    seed = base + 1000
    for kind in KINDS:
        best = []
        for model in GENERATORS:
            rows = populations.rows_of(populations.swings(model, mount, kind, count, seed))
            mine = scored(rows, mount)
            for piece in range(seed, seed + count):
                here = (rows["piece"] == piece) & (rows["swing"] >= 0)
                best.append(float(mine[here].max()) if here.any() else -math.inf)
            seed += count
        out["kinds"][kind] = {
            "n": len(best),
            "missed": {
                f"{rate:g}": missed(np.array(best), z, hours, rate)[1] for rate in RATES_AN_HOUR
            },
        }
    return out


def run(*, quick: bool = False, shift: int = 0) -> dict[str, Any]:
    """Score them all.

    Returns
    -------
    dict
        By mount ``hours``, and by kind ``n`` and the share ``missed`` at each rate.
    """
    base = TEST + shift + (1_000_000 if quick else 0)
    hours, count = (1.0, 5) if quick else (10.0, 100)
    return {
        mount: _of_mount(mount, hours, count, base + 10_000 * k) for k, mount in enumerate(MOUNTS)
    }


def tables(result: dict[str, Any]) -> str:
    """Markdown."""
    lines = [
        [f"{mount}, {kind}", str(of["n"]), f"{one['hours']:g}"]
        + [f"{100.0 * of['missed'][f'{rate:g}']:.1f} %" for rate in RATES_AN_HOUR]
        for mount, one in result.items()
        for kind, of in one["kinds"].items()
    ]
    head = ["wide swings", "n", "hours of other motion"]
    return table(
        [*head, *(f"missed at {rate:g} invented an hour" for rate in RATES_AN_HOUR)], lines
    )
