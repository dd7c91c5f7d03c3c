"""Are the stated uncertainties right? How often 95 % intervals hold the exact truth.

For every quantity and every cell (mount, strike or rehearsal, easy or hard; both motion models in
each): how often the interval of 1.96 standard uncertainties holds the truth, and how the
uncertainties compare with the errors, so that nobody hides behind wide intervals. Scale errors of
the gyroscope and an error of the clock are drawn here, as the uncertainties contain them.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator
from typing import Any

import numpy as np

from analysis import Swing, to_seconds
from analysis.scatter import scaled_mad
from benchmarks.drawing import HARD, REHEARSALS, STRIKES, Case, draw_case, found_in
from benchmarks.report import table
from simulation.motion.action import MODELS, MOUNTS, SwingTruth
from simulation.sessions import SimulatedSwing

__all__ = ["QUANTITIES", "cases", "rows_of", "run", "summary", "tables"]

SEEDS = 940_000
QUICK_SEEDS = 995_000

CLOCK_U = 2e-4
"""Standard deviation of the clock's error, as a share of the period: about what the arrival of
packets over a quarter of a minute tells (own choice, so that the clock's part is tried as well)."""
GYR_SCALE_U = 0.01
"""What the finder is told; the simulated chip draws each axis' scale error with this sd
(`simulation.chip.ChipParams.gyr_scale_sd`)."""
MATCH_S = 0.1
COVERAGE = 1.96
"""95 % of a normal distribution."""

QUANTITIES = {
    "takeaway": ("takeaway_s", 1e3, "ms"),
    "top": ("top_s", 1e3, "ms"),
    "impact": ("impact_s", 1e3, "ms"),
    "finish": ("finish_s", 1e3, "ms"),
    "backswing": ("backswing_ms", 1.0, "ms"),
    "downswing": ("downswing_ms", 1.0, "ms"),
    "swing": ("swing_ms", 1.0, "ms"),
    "ratio": ("tempo_ratio", 1.0, ""),
    "turn": ("turn_deg", 1.0, "deg"),
    "peak rate": ("peak_rate_dps", 1.0, "deg/s"),
    "across axis": ("peak_transverse_dps", 1.0, "deg/s"),
    "peak to impact": ("peak_to_impact_ms", 1.0, "ms"),
    "time at top": ("top_dwell_ms", 1.0, "ms"),
    "pause": ("pause_ms", 1.0, "ms"),
    "transition": ("transition_ms", 1.0, "ms"),
}
"""Name here: field of `Swing`, factor to the unit shown, unit."""


def cases(*, quick: bool = False, shift: int = 0) -> Iterator[Case]:
    """At least 200 swings a cell; models, kinds and hard conditions equally often in each."""
    seed = (QUICK_SEEDS if quick else SEEDS) + shift
    conditions = ([None] * 4, list(HARD))
    for group, strike in itertools.product(conditions, (True, False)):
        kinds = STRIKES if strike else REHEARSALS
        times = 1 if quick else 9 if strike else 6
        for mount, condition, model, kind, _ in itertools.product(
            MOUNTS, group, MODELS, kinds, range(times)
        ):
            seed += 1
            yield draw_case(
                seed,
                2,
                hard=condition,
                model=model,
                mount=mount,
                kind=kind,
                strike=strike,
                scale_error=True,
            )


def our_swings(
    swing: SimulatedSwing, clock_error: float, gyr_delay_u_s: float = 0.0
) -> list[Swing]:
    """Run the finder, and put what it found on a clock that is off by a share.

    Event times count from the matched swing's own neighbourhood, so the clock's error is put into
    the durations and the turn, where the uncertainties have it, and not into the events.
    """
    period_s = (1.0 + clock_error) / swing.true_rate_hz
    return [
        to_seconds(
            one,
            lambda seq: seq / swing.true_rate_hz,
            index=1,
            period_s=period_s,
            period_u_s=CLOCK_U * period_s,
            nominal_rate_hz=swing.nominal_rate_hz,
            gyr_delay_u_s=gyr_delay_u_s,
        )
        for one in found_in(swing, gyr_scale_u=GYR_SCALE_U)
    ]


def true_values(truth: SwingTruth) -> dict[str, float | None]:
    """Truth by the names of `QUANTITIES`. The top of a pause is its middle, as it is defined."""
    top_s = truth.top_s
    if truth.hold_start_s is not None and truth.hold_end_s is not None:
        top_s = 0.5 * (truth.hold_start_s + truth.hold_end_s)
    impact_s = truth.impact_s
    if truth.kind == "continuous" and not truth.strike:
        # They go back to where they began and rest there: their least turn is no instant.
        impact_s = None
    out: dict[str, float | None] = {
        "takeaway": truth.takeaway_s * 1e3,
        "top": top_s * 1e3,
        "impact": None if impact_s is None else impact_s * 1e3,
        "finish": None if impact_s is None or truth.finish_s is None else truth.finish_s * 1e3,
        "backswing": (top_s - truth.takeaway_s) * 1e3,
        "turn": truth.turn_deg,
        "peak rate": truth.peak_rate_dps,
        "across axis": truth.peak_transverse_dps,
        "time at top": truth.top_dwell_ms,
        "pause": truth.pause_ms,
        "transition": truth.transition_ms,
    }
    if impact_s is not None:
        out["downswing"] = (impact_s - top_s) * 1e3
        out["swing"] = (impact_s - truth.takeaway_s) * 1e3
        out["ratio"] = (top_s - truth.takeaway_s) / (impact_s - top_s)
        out["peak to impact"] = truth.peak_to_impact_ms
    return out


def _pair(found: Iterable[Swing], truths: Iterable[SwingTruth]) -> list[tuple[Swing, SwingTruth]]:
    """Pair by top, within the pause if there is one: nearest first, each once."""
    found, truths = list(found), list(truths)
    near = []
    for i, one in enumerate(found):
        for j, truth in enumerate(truths):
            at = next((t for t in (one.top_s, one.impact_s, one.takeaway_s) if t is not None), None)
            if at is None:
                continue
            low = truth.takeaway_s if one.top_s is None else truth.hold_start_s or truth.top_s
            high = truth.impact_s if one.top_s is None else truth.hold_end_s or truth.top_s
            away = max(low - at, at - (high or low), 0.0)
            if away <= 3.0 * MATCH_S:
                near.append((away, i, j))
    used_i: set[int] = set()
    used_j: set[int] = set()
    pairs = []
    for _, i, j in sorted(near):
        if i not in used_i and j not in used_j:
            used_i.add(i)
            used_j.add(j)
            pairs.append((found[i], truths[j]))
    return pairs


def rows_of(case: Case, swing: SimulatedSwing, gyr_delay_u_s: float = 0.0) -> list[dict[str, Any]]:
    """Give a row for each swing that was found: errors and uncertainties by quantity."""
    rng = np.random.default_rng([case.seed, 3])
    clock_error = CLOCK_U * float(rng.standard_normal())
    truths = [truth for truth in swing.truth if truth.counts_as_swing]
    rows = []
    for one, truth in _pair(our_swings(swing, clock_error, gyr_delay_u_s), truths):
        row: dict[str, Any] = {
            "seed": case.seed,
            "hard": case.hard,
            "model": case.model,
            "mount": case.mount,
            "kind": case.kind,
            "strike": case.strike,
            "rate_hz": swing.nominal_rate_hz,
            "basis": one.impact_basis,
            "said": one.strike,
            "notes": [note.code for note in one.notes],
            "hold_ms": truth.hold_ms,
        }
        true = true_values(truth)
        bound = "rate_lower_bound" in row["notes"]
        for name, (attribute, factor, _) in QUANTITIES.items():
            value, u = getattr(one, attribute), getattr(one, f"{attribute}_u")
            if value is None or true.get(name) is None:
                continue
            if bound and name in ("peak rate", "across axis", "peak to impact"):
                continue  # "at least": no interval is claimed
            row[name] = (value * factor - true[name], u * factor, value * factor)
        rows.append(row)
    return rows


def summary(rows: list[dict[str, Any]], name: str) -> dict[str, Any] | None:
    """Coverage of the intervals of one quantity, and its uncertainties beside its errors."""
    pairs = np.array([row[name][:2] for row in rows if name in row])
    if not len(pairs):
        return None
    error, u = pairs.T
    rms = float(np.sqrt(np.mean(error**2)))
    return {
        "n": len(pairs),
        "percent": float(100.0 * np.mean(np.abs(error) <= COVERAGE * u)),
        "median_u": float(np.median(u)),
        "rms_error": rms,
        # Of the bulk: gross errors and long pauses make most of a root mean square.
        "usual_error": scaled_mad(error),
        "ratio": float(np.median(u)) / rms,
        "no_u": int(np.sum(~(u > 0.0))),
    }


def cell_of(row: dict[str, Any]) -> str:
    """Name of a row's cell."""
    return (
        f"{row['mount']}, {'strike' if row['strike'] else 'rehearsal'}, "
        f"{'hard' if row['hard'] else 'easy'}"
    )


def sum_up(rows: list[dict[str, Any]]) -> dict[str, Any]:
    """Sum up all rows: over all, and by cell."""
    cells = list(dict.fromkeys(map(cell_of, rows)))
    return {
        "swings": len(rows),
        "all": {name: summary(rows, name) for name in QUANTITIES},
        "cells": {
            cell: {
                name: summary([row for row in rows if cell_of(row) == cell], name)
                for name in QUANTITIES
            }
            for cell in cells
        },
        "cell_swings": {cell: sum(cell_of(row) == cell for row in rows) for cell in cells},
    }


def run(*, quick: bool = False, shift: int = 0) -> dict[str, Any]:
    """Simulate, measure and sum up.

    Parameters
    ----------
    quick : bool
        A fraction of the cases.
    shift : int
        Added to the seeds, while developing.

    Returns
    -------
    dict
        ``"all"`` by quantity, ``"cells"`` by cell and quantity.
    """
    rows: list[dict[str, Any]] = []
    for case in cases(quick=quick, shift=shift):
        rows += rows_of(case, case.simulate())
    return sum_up(rows)


def tables(result: dict[str, Any]) -> str:
    """Markdown for docs/look-up/accuracy.md."""
    lines = []
    for name, (_, _, unit) in QUANTITIES.items():
        s = result["all"][name]
        if s is None:
            continue
        by_cell = {
            cell: x[name]
            for cell, x in result["cells"].items()
            if x[name] is not None and x[name]["n"] >= 50
        }
        least = min(by_cell, key=lambda cell: by_cell[cell]["percent"])
        most = max(by_cell, key=lambda cell: by_cell[cell]["percent"])
        inside = 92.0 <= s["percent"] <= 98.0
        low, high = by_cell[least]["percent"], by_cell[most]["percent"]

        def mark(text: str, good: bool) -> str:
            return text if good else f"**{text}**"

        lines.append(
            [
                name,
                mark(f"{s['percent']:.1f} %", inside),
                mark(f"{low:.0f} % ({least})", low >= 88.0),
                mark(f"{high:.0f} % ({most})", high <= 99.0),
                f"{s['median_u']:.3g} {unit}".strip(),
                f"{s['usual_error']:.3g} {unit}".strip(),
                f"{s['rms_error']:.3g} {unit}".strip(),
                mark(f"{s['ratio']:.2f}", s["ratio"] <= 1.5),
            ]
        )
    head = [
        "95 % intervals",
        "hold the truth",
        "least in a cell",
        "most in a cell",
        "median u",
        "usual error",
        "rms error",
        "median u / rms error",
    ]
    target = ["target", "92-98 %", "88 %", "99 %", "", "", "", "1.5"]
    smallest = min(result["cell_swings"].values())
    return "\n\n".join(
        [
            f"### Calibration: {result['swings']} swings in {len(result['cells'])} cells of "
            f"{smallest} and more",
            table(head, [target, *lines]),
            "(Usual error: 1.48 times the median size, which for normal errors is their standard "
            "deviation.)",
        ]
    )
