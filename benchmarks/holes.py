"""Missing samples: does every number next to a hole say so?

Swings are measured whole, then with samples missing: a hole of 20-300 ms anywhere from before the
takeaway to after the finish, every second or every third sample gone, and a rate that halves
somewhere in the swing. A number that a hole touches may be absent with its reason, a bound ("at
least"), or have the hole in its uncertainty. What may not be is a number that lies beyond four
standard uncertainties and says nothing; and a strike called a rehearsal, or the other way round.

Swings whose number lies beyond that without any hole aren't counted for it: that isn't the hole's.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchmarks.calibration import QUANTITIES, rows_of
from benchmarks.drawing import Case, draw_case
from benchmarks.report import table
from simulation.motion.action import MODELS, MOUNTS, Kind, SwingTruth
from simulation.sessions import SimulatedSwing

__all__ = ["HOLES", "cases", "run", "tables"]

SEEDS = 950_000
QUICK_SEEDS = 996_000
BEYOND = 4.0
BAD = ("beyond", "wrong")
LENGTH_S = (0.02, 0.3)
KINDS: tuple[tuple[Kind, bool], ...] = (
    ("full", True),
    ("full", False),
    ("part", True),
    ("rushed", True),
)

Bools = NDArray[np.bool_]


def _hole(swing: SimulatedSwing, truth: SwingTruth, rng: np.random.Generator) -> Bools:
    """One hole anywhere."""
    end_s = truth.finish_s or truth.impact_s or truth.top_s
    at = swing.seq_of(rng.uniform(truth.takeaway_s - 0.3, end_s + 0.1))
    length = rng.uniform(*LENGTH_S) * swing.nominal_rate_hz
    return np.asarray((swing.seq < at) | (swing.seq > at + length))


def _at_the_peak(swing: SimulatedSwing, truth: SwingTruth, rng: np.random.Generator) -> Bools:
    """One hole of 30-150 ms about the peak rate."""
    if truth.impact_s is None or truth.peak_to_impact_ms is None:
        return np.ones(len(swing.seq), dtype=bool)
    at = swing.seq_of(truth.impact_s - 1e-3 * truth.peak_to_impact_ms)
    half = 0.5 * rng.uniform(0.03, 0.15) * swing.nominal_rate_hz
    return np.asarray(np.abs(swing.seq - at) > half)


def _every(n: int) -> Callable[[SimulatedSwing, SwingTruth, np.random.Generator], Bools]:
    def thinned(swing: SimulatedSwing, truth: SwingTruth, rng: np.random.Generator) -> Bools:
        return np.asarray(swing.seq % n != 0)

    return thinned


def _halves(swing: SimulatedSwing, truth: SwingTruth, rng: np.random.Generator) -> Bools:
    """The rate halves somewhere between takeaway and impact."""
    at = swing.seq_of(rng.uniform(truth.takeaway_s, truth.impact_s or truth.top_s))
    return np.asarray((swing.seq < at) | (swing.seq % 2 == 0))


HOLES = {
    "a hole of 20-300 ms": (_hole, 4),
    "30-150 ms at the peak": (_at_the_peak, 1),
    "every second sample": (_every(2), 1),
    "every third sample": (_every(3), 1),
    "the rate halves": (_halves, 1),
}
"""What is taken out, and how often of each swing."""


def cases(*, quick: bool = False, shift: int = 0) -> Iterator[Case]:
    """Every mount, model and kind equally often; rate and hand drawn."""
    seed = (QUICK_SEEDS if quick else SEEDS) + shift
    for mount, model, (kind, strike), _ in itertools.product(
        MOUNTS, MODELS, KINDS, range(2 if quick else 8)
    ):
        seed += 1
        yield draw_case(
            seed,
            4,
            hard=None,
            model=model,
            mount=mount,
            kind=kind,
            strike=strike,
            scale_error=True,
        )


def without(swing: SimulatedSwing, keep: Bools) -> SimulatedSwing:
    """The same with samples missing."""
    return replace(
        swing, seq=swing.seq[keep], acc_m_s2=swing.acc_m_s2[keep], gyr_dps=swing.gyr_dps[keep]
    )


def compare(whole: dict[str, Any], holed: dict[str, Any]) -> dict[str, str]:
    """What became of each number: "same", "absent" or "beyond"; and of the name, "wrong"."""
    out = {}
    for name in QUANTITIES:
        if name not in whole or abs(whole[name][0]) > BEYOND * whole[name][1]:
            continue
        if name not in holed:
            out[name] = "absent"
        else:
            error, u, _ = holed[name]
            out[name] = "beyond" if abs(error) > BEYOND * u else "same"
    if whole["said"] in (None, whole["strike"]):
        out["named"] = (
            "absent"
            if holed["said"] is None
            else "same"
            if holed["said"] == holed["strike"]
            else "wrong"
        )
    return out


def run(*, quick: bool = False, shift: int = 0) -> dict[str, Any]:
    """Measure every swing whole and with each kind of hole."""
    told: dict[str, list[dict[str, str]]] = {name: [] for name in HOLES}
    lost = dict.fromkeys(HOLES, 0)
    worst: list[dict[str, Any]] = []
    for case in cases(quick=quick, shift=shift):
        swing = case.simulate()
        rows = rows_of(case, swing)
        truths = [truth for truth in swing.truth if truth.counts_as_swing]
        if len(rows) != 1 or len(truths) != 1:
            continue
        for name, (take_out, times) in HOLES.items():
            rng = np.random.default_rng([case.seed, len(name)])
            for k in range(times):
                holed = rows_of(case, without(swing, take_out(swing, truths[0], rng)))
                if len(holed) != 1:
                    lost[name] += 1
                    continue
                what = compare(rows[0], holed[0])
                told[name].append(what)
                worst += [
                    {"seed": case.seed, "hole": name, "number": k, "what": measure}
                    | {"error_in_u": abs(holed[0][measure][0] / holed[0][measure][1])}
                    for measure, how in what.items()
                    if how == "beyond"
                ]
    lines = []
    for name, rows_here in told.items():
        count = {
            measure: {
                how: sum(one.get(measure) == how for one in rows_here)
                for how in ("same", "absent", "beyond", "wrong")
            }
            for measure in (*QUANTITIES, "named")
        }
        lines.append({"hole": name, "swings": len(rows_here), "lost": lost[name], "count": count})
    return {
        "lines": lines,
        # Seeds of the benchmark proper aren't looked at.
        "beyond": worst if quick or shift else [{**one, "seed": None} for one in worst],
    }


def tables(result: dict[str, Any]) -> str:
    """Markdown: how many numbers lie beyond four uncertainties, by measure."""
    head = ["of numbers there, beyond 4 u", *(line["hole"] for line in result["lines"])]
    rows = [["swings", *(str(line["swings"]) for line in result["lines"])]]
    rows += [["... not found", *(str(line["lost"]) for line in result["lines"])]]
    for measure in (*QUANTITIES, "named"):
        bad = "wrong" if measure == "named" else "beyond"
        cells = []
        for line in result["lines"]:
            count = line["count"][measure]
            there = count["same"] + count[bad]
            cells.append(f"{count[bad]} of {there}, {count['absent']} absent")
        rows.append([measure if measure != "named" else "named wrongly", *cells])
    return "\n\n".join(
        ["### Holes: no number without its mark (target: 0 beyond)", table(head, rows)]
    )
