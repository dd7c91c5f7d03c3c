"""Time a rehearsal's impact by the player's own strikes: a separate step after the finder.

Without a ball nothing says when the club would have met it. The finder gives the instant of least
turn, which in the arm and the trunk lies some hundredths of a second away from the ball. But a
player's strikes with the same club and mount say how much of the turn is left to come back when the
ball is met; a rehearsal passes the ball where as much is left.

The *remaining turn* is the turn vector since takeaway along the direction that it has at the top:
all of the turn at the top, about nothing at address, negative beyond. Unlike the turn itself it
goes on falling through the impact, so it passes each value once and at speed.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.scatter import scaled_mad
from analysis.swing.attitude import turn_vector
from analysis.swing.results import FoundSwing, Note
from analysis.swing.uncertainty import BIAS, RULE, Part, combined, make_parts

Array = npt.NDArray[np.float64]


LEAST_STRIKES = 5
"""Fewer strikes say too little about how much they scatter (own choice)."""

RULE_U_S: Mapping[str | None, float] = {
    "wrist": 0.002,
    "glove": 0.0015,
    "club": 0.0012,
    "trunk": 0.003,
    None: 0.003,
}
"""Standard uncertainty beside the strikes' own scatter (fitted, see below)."""

RULE_U_A_SHARE_S: Mapping[str | None, float] = {
    "wrist": 0.055,
    "glove": 0.03,
    "club": 0.022,
    "trunk": 0.1,
    None: 0.1,
}
"""Added for a downswing that takes longer or shorter than in the strikes, times that difference as
a share: swung with less force, body, arm and club pass the ball's place at a slightly different
turn, the less so the nearer they are to the ball. Both are fitted to simulated players of both
motion models (seeds under 70000) who rehearse with the same, 12 % and 40 % less force;
`benchmarks/own_strikes.py` checks them on others."""

BIAS_U_DPS = 0.3
"""Of the gyroscope's zero, over the time since takeaway."""

LEAST_RATE_DPS = 20.0
"""Slower than this the turn doesn't come back through a place but lingers there (own choice)."""

LONGEST_S = 1.2
"""From the top to the ball (from memory: 0.2-0.4 s, slow-motion rehearsals 1 s)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnStrikes:
    """What a player's strikes say.

    Attributes
    ----------
    n : int
        Strikes that it rests on.
    remaining_deg : float
        Median of the turn that was left at their impact.
    spread_deg : float
        Median absolute deviation x 1.4826: how much they scatter.
    down_s : float
        Median time from top to impact.
    """

    n: int
    remaining_deg: float
    spread_deg: float
    down_s: float


def remaining_turn(gyr_dps: Array, rate_hz: float, *, takeaway: float, top: float) -> Array:
    """Return how much of the turn is left to come back, at every sample.

    Parameters
    ----------
    gyr_dps : (n, 3) array
        Angular velocity around a swing, bias removed.
    rate_hz : float
    takeaway, top : float
        Their places among these samples, fractions allowed.

    Returns
    -------
    (n,) array
        deg; all of the turn at the top.
    """
    vector, _, _ = turn_vector(gyr_dps, rate_hz)
    grid = np.arange(len(vector))
    at = [np.array([np.interp(x, grid, axis) for axis in vector.T]) for x in (takeaway, top)]
    whole = at[1] - at[0]
    length = float(np.sqrt(whole @ whole))
    if length == 0.0:
        return np.zeros(len(vector))
    direction = whole / length
    since = vector - at[0]
    # Written out: the same bits however many samples there are.
    return np.asarray(
        since[:, 0] * direction[0] + since[:, 1] * direction[1] + since[:, 2] * direction[2]
    )


def own_strikes(strikes: Sequence[tuple[float, float]]) -> OwnStrikes | None:
    """Sum up strikes of one player with one club, mount and intent; None if they are too few.

    Parameters
    ----------
    strikes : sequence of (float, float)
        Of each the remaining turn at impact, deg, and the time from top to impact, s.
    """
    if len(strikes) < LEAST_STRIKES:
        return None
    values, down = np.asarray(strikes, dtype=float).T
    median = float(np.median(values))
    return OwnStrikes(
        n=len(values),
        remaining_deg=median,
        spread_deg=scaled_mad(values - median),
        down_s=float(np.median(down)),
    )


def time_back(
    remaining: Array, reference: OwnStrikes, rate_hz: float, *, top: float, mount: str | None
) -> tuple[float, tuple[Part, ...]] | None:
    """Return when the turn is back where it was at the strikes' impact.

    Parameters
    ----------
    remaining : (n,) array
        From `remaining_turn`.
    reference : OwnStrikes
    rate_hz : float
    top : float
        Place of the top among the samples.
    mount : str or None

    Returns
    -------
    (float, tuple of Part) or None
        Place among the samples, and the parts of its uncertainty in samples. None if the turn
        doesn't come back that far, or too slowly to say when.
    """
    level = reference.remaining_deg
    first = max(0, math.ceil(top))
    last = min(len(remaining) - 1, math.floor(top + LONGEST_S * rate_hz))
    part = remaining[first : last + 1]
    below = np.flatnonzero(part < level)
    if len(part) < 2 or not len(below) or below[0] == 0:
        return None
    k = first + int(below[0]) - 1
    drop = float(remaining[k] - remaining[k + 1])
    at = k + float(remaining[k] - level) / drop
    half = max(1, round(0.005 * rate_hz))
    a, b = max(0, k - half), min(len(remaining) - 1, k + 1 + half)
    slope = float(remaining[a] - remaining[b]) / (b - a)  # deg a sample
    if slope * rate_hz < LEAST_RATE_DPS:
        return None
    # A single rehearsal scatters like the strikes; their median is known to within its own
    # standard error, 1.2533 sd / sqrt(n) (of a normal distribution).
    scatter = reference.spread_deg * math.sqrt(1.0 + 1.5708 / reference.n) / slope
    known = mount if mount in RULE_U_S else None
    other = abs((at - top) / rate_hz / reference.down_s - 1.0)
    rule = math.hypot(RULE_U_S[known], RULE_U_A_SHARE_S[known] * other) * rate_hz
    since_s = (at - top) / rate_hz + 1.0
    parts = make_parts({RULE: math.hypot(scatter, rule), BIAS: BIAS_U_DPS * since_s / slope})
    return at, parts


def _left(remaining_deg: float) -> str:
    if remaining_deg >= 0.0:
        return f"{remaining_deg:.0f} deg of the turn are left"
    return f"the turn has come back and gone {-remaining_deg:.0f} deg beyond"


def retimed(
    found: FoundSwing,
    impact_seq: float,
    parts: tuple[Part, ...],
    reference: OwnStrikes,
    *,
    peak: tuple[float, float] | None = None,
) -> FoundSwing:
    """Return a rehearsal with its impact where `time_back` puts it.

    Parameters
    ----------
    found : FoundSwing
        With takeaway, top and an impact by the least turn.
    impact_seq : float
    parts : tuple of Part
        Of the impact, in samples.
    reference : OwnStrikes
    peak : (dps, seq), optional
        Greatest rate between top and the new impact and its place, where that isn't the one that
        the finder gave.
    """
    budget = dict(found.budget)
    budget["impact_seq"] = parts
    change: dict[str, object] = {}
    notes = [
        Note(
            "own_strikes",
            f"impact is where {_left(reference.remaining_deg)}, as at the player's own "
            f"{reference.n} shots (scatter {reference.spread_deg:.1f} deg)",
        )
    ]
    if peak is not None:
        change["peak_rate_dps"] = peak[0]
        if found.peak_rate_dps and found.peak_rate_u is not None:
            factor = peak[0] / found.peak_rate_dps
            scaled = tuple(
                Part(part.source, part.u * factor, part.shared)
                for part in budget.get("peak_rate_dps", ())
            )
            change["peak_rate_u"] = found.peak_rate_u * factor
            if scaled:
                budget["peak_rate_dps"] = scaled
        if found.peak_transverse_dps is not None:
            change["peak_transverse_dps"] = change["peak_transverse_u"] = None
            budget.pop("peak_transverse_dps", None)
            notes.append(
                Note(
                    "no_long_axis",
                    "the fastest rotation lies beyond the least turn: its part across the "
                    "long axis isn't given",
                )
            )
    if found.peak_to_impact_samples is not None and found.impact_seq is not None:
        at = found.impact_seq - found.peak_to_impact_samples if peak is None else peak[1]
        by_source: dict[str, float] = {}
        for part in (*budget.get("peak_to_impact_samples", ()), *parts):
            by_source[part.source] = math.hypot(by_source.get(part.source, 0.0), part.u)
        together = make_parts(by_source)
        budget["peak_to_impact_samples"] = together
        change["peak_to_impact_samples"] = impact_seq - at
        change["peak_to_impact_u"] = combined(together)
    return dataclasses.replace(
        found,
        impact_seq=impact_seq,
        impact_u=combined(parts),
        impact_basis="own_strikes",
        budget=budget,
        notes=(*found.notes, *notes),
        **change,  # type: ignore[arg-type]
    )
