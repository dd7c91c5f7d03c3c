"""Is it a swing? One fitted score of an outline's figures, one table a mount.

The figures of an outline are put on scales on which swings are about normal, standardised, clipped
and summed with their squares: ``z = w0 + sum(w1 u + w2 u^2)``. Where that told less than boosted
trees (`analysis.swing.trees`), or a mean of both, on swings of a model that none was fitted on,
``Table.of_trees`` says how much is theirs. The tables are fitted by ``python -m
benchmarks.recognition --fit`` (see there for the populations) and kept in `score_tables`. No figure
rejects by itself: each can only count so much. What rejects by itself breaks a definition or
physics and stands in `impossible`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from analysis.swing.outline import Outline, OutlineParams
from analysis.swing.trees import Trees

CLIP = 4.0
"""Standardised figures count no further than this, so the score is bounded."""

FIGURES = (
    "tempo",
    "gain",
    "peaked",
    "turn",
    "peak",
    "backswing",
    "radius",
    "before",
    "left",
    "through",
    "upright",
    "hang",
    "hub_up",
    "across",
    "bent_back",
    "bent_down",
    "opposed",
    "quiet",
    "fall",
    "peak_place",
    "acc_sd",
    "top_tilt",
    "end_tilt",
    "returned",
    "back_place",
    "least_acc",
)
"""Names of what `figures` returns, in order."""

OF_THE_PULL = ("radius", "hang", "hub_up", "across")
"""Unknown where the accelerometer was at its stop."""

RALLY_FIGURES = (
    "tempo",
    "gain",
    "peaked",
    "turn",
    "peak",
    "backswing",
    "radius",
    "left",
    "hub_up",
    "across",
    "bent_back",
    "bent_down",
    "opposed",
    "fall",
    "peak_place",
    "back_place",
    "least_acc",
)
"""Those that say something where a swing begins in the finish of the last one."""


def _log(x: float) -> float:
    return math.log(max(x, 1e-6))


def _atanh(x: float) -> float:
    return math.atanh(min(max(x, -0.995), 0.995))


def figures(o: Outline) -> dict[str, float]:
    """Return an outline's figures on the scales of the score; NaN for what can't be known.

    Parameters
    ----------
    o : Outline

    Returns
    -------
    dict
        By the names in `FIGURES`.
    """
    turn = max(o.turn_deg, 1e-6)
    rate = math.radians(max(o.peak_dps, 1.0))
    out = {
        "tempo": _log(o.backswing_s / max(o.downswing_s, 1e-3)),
        "gain": _log(o.peak_dps / max(o.backswing_peak_dps, 1.0)),
        "peaked": _log(o.peak_dps * o.downswing_s / turn),
        "turn": _log(turn),
        "peak": _log(o.peak_dps),
        "backswing": _log(o.backswing_s),
        "radius": _log(o.pull_m_s2 / rate**2 + 0.01),
        "before": _log(o.before_dps / max(o.backswing_peak_dps, 1.0) + 0.02),
        "left": min(o.least_turn_deg / turn, 2.0),
        "through": _log(o.through_deg / turn + 0.05),
        "upright": _atanh(o.upright),
        "hang": o.hang,
        "hub_up": o.hub_up,
        "across": o.across,
        "bent_back": _log(1.0 - o.straight_back + 0.005),
        "bent_down": _log(1.0 - o.straight_down + 0.005),
        "opposed": _log(1.0 + o.opposed + 0.005),
        "quiet": _log(o.quiet_s + 0.05),
        "fall": _log(o.fall_s / max(o.downswing_s, 1e-3)),
        "peak_place": min(max(o.peak_place, -1.0), 2.5),
        "acc_sd": _log(o.acc_sd_m_s2 + 0.05),
        "top_tilt": o.top_tilt,
        "end_tilt": o.end_tilt,
        "returned": _log(o.returned_deg + 5.0),
        "back_place": o.back_place,
        "least_acc": _log(o.least_acc_m_s2 + 0.5),
    }
    if not o.pull_known:
        out |= dict.fromkeys(OF_THE_PULL, math.nan)
    return out


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A fitted score: one number a figure in each tuple.

    ``threshold`` is the score from which it is a swing; ``calibration`` (a, b) makes the
    probability logistic(a + b z). Where there are ``trees``, they make ``of_trees`` of the score.
    """

    names: tuple[str, ...]
    centre: tuple[float, ...]
    scale: tuple[float, ...]
    constant: float
    linear: tuple[float, ...]
    squared: tuple[float, ...]
    missing: float
    calibration: tuple[float, float]
    threshold: float
    trees: Trees | None = None
    of_trees: float = 0.5


def score(values: Mapping[str, float], table: Table) -> float:
    """Return the score of figures by a table; 0 is even odds in a balanced world."""
    z = table.constant
    unknown = False
    rows = zip(table.names, table.centre, table.scale, table.linear, table.squared, strict=True)
    for name, centre, scale, linear, squared in rows:
        x = values[name]
        if math.isnan(x):
            unknown = True
            continue
        u = min(max((x - centre) / scale, -CLIP), CLIP)
        z += linear * u + squared * u * u
    z = z + table.missing if unknown else z
    if table.trees is None:
        return z
    return (1.0 - table.of_trees) * z + table.of_trees * table.trees.z(values)


def impossible(o: Outline, params: OutlineParams) -> str | None:
    """Return why an outline is no swing whatever else it is: by definition or physics; or None."""
    least_s, most_s = params.downswing_s
    if o.downswing_s < least_s or o.downswing_s > most_s:
        return "downswing"
    if o.least_turn_deg > params.most_left * o.turn_deg:
        return "no_return"
    return None


def weighed(values: Mapping[str, float], table: Table) -> dict[str, float]:
    """Return what each figure adds to a score, beside what it adds in the middle of swings."""
    out = {}
    rows = zip(table.names, table.centre, table.scale, table.linear, table.squared, strict=True)
    for name, centre, scale, linear, squared in rows:
        x = values[name]
        if not math.isnan(x):
            u = min(max((x - centre) / scale, -CLIP), CLIP)
            out[name] = linear * u + squared * u * u
    return out
