"""The change of direction at the top: how long the segment stands still, and how it comes away.

pause
    how long, about the top, the segment turns more slowly than 3 deg/s, which is what a person who
    stands at rest sways by: hardly anything in a plain reversal, 0 where it never is so slow
transition
    from the top (in a pause its middle) to the first instant at which a tenth of the turn has come
    back
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from analysis.swing.measured import INTERPOLATION, Measured, both
from analysis.swing.results import Note
from analysis.swing.samples import Array, Samples, crossing, within
from analysis.swing.top import Top, TopParams
from analysis.swing.turn import Turn, TurnParams, bridged
from analysis.swing.uncertainty import BIAS, GAP, NOISE, RULE, SAMPLING, SWAY

REST_DPS: Final = 3.0
"""Rate under which the segment is at rest: the definition."""
COME_BACK: Final = 0.10
"""Share of the turn that has come back at the end of the transition: the definition."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TransitionParams:
    """What the change of direction is read with. "Fitted": see `analysis.swing.measure`."""

    near_s: float = 0.03
    """So near to the top its rest lies."""
    lifted: float = 2.0
    """Tremor lifts the rate over the level, but not over so many times it."""
    slope_s: float = 0.02
    """How far outside of a rest the rate is looked at, to say how fast it comes up."""
    unseen_s: float = 0.0016
    rate_u_dps: float = 0.4
    """What smoothing leaves of the two ends, and of the rate there (fitted)."""
    least_dps: float = 10.0
    """Slower than this the turn doesn't pass a level but lingers there."""


def measure_pause(
    s: Samples, top: Top, measured_top: Measured, p: TransitionParams, of_top: TopParams
) -> Measured:
    """Measure the pause at the top, in samples; where the top isn't known, neither is it."""
    fs, size = s.rate_hz, top.size_dps
    if measured_top.value is None:
        return Measured(None)
    reach = max(2, round(p.near_s * fs))
    a, b = max(0, int(top.reversal) - reach), min(len(size), int(top.reversal) + reach + 1)
    k = a + int(np.argmin(size[a:b]))
    # Tremor may lift the rate over the level for a moment.
    lo = hi = k
    while lo > 0 and size[lo - 1] <= p.lifted * REST_DPS:
        lo -= 1
    while hi < len(size) - 1 and size[hi + 1] <= p.lifted * REST_DPS:
        hi += 1
    slow = np.flatnonzero(size[lo : hi + 1] <= REST_DPS) + lo
    gap = {GAP: of_top.gap_share * top.gap}
    slope = _slope(size, lo, hi, fs, p)
    unknown = float(np.hypot(min(s.zero_u_dps, of_top.unknown_zero_dps), s.smooth_noise_dps))
    if not len(slow):
        return Measured(0.0, {RULE: p.unseen_s * fs} | gap)
    first, last = int(slow[0]), int(slow[-1])
    start = crossing(size, first - 1, REST_DPS) if first > 0 else float(first)
    end = crossing(size, last, REST_DPS) if last < len(size) - 1 else float(last)
    parts = {
        BIAS: unknown * slope,
        SWAY: s.tremor_dps * slope,
        SAMPLING: 2.0 * INTERPOLATION,
        RULE: float(np.hypot(p.unseen_s * fs, p.rate_u_dps * slope)),
    }
    return Measured(end - start, parts | gap)


def _slope(size: Array, lo: int, hi: int, fs: float, p: TransitionParams) -> float:
    """Samples by which the ends of a pause move for each deg/s of error in the rate."""
    reach = max(2, round(p.slope_s * fs))
    per = []
    for out in (max(0, lo - reach), min(len(size) - 1, hi + reach)):
        per.append(reach / max(float(size[out]) - REST_DPS, 1.0))
    return math.hypot(*per)


def measure_transition(
    s: Samples,
    turn: Turn,
    top: Top,
    measured_top: Measured,
    p: TransitionParams,
    of_turn: TurnParams,
) -> Measured:
    """Measure the transition, in samples.

    Its end is where the turn passes a level that is a share of its greatest: an error of scale
    moves both alike, and what is wrong of the turn since the top moves it by that over the rate.
    """
    fs = s.rate_hz
    if measured_top.value is None:
        return Measured(None)
    level = (1.0 - COME_BACK) * top.turn_deg
    under = np.flatnonzero(turn.deg[top.sample :] < level)
    if not len(under) or not under[0]:
        return Measured(None, notes=[Note("no_transition", "the turn did not come back")])
    k = top.sample + int(under[0]) - 1
    end = crossing(turn.deg, k, level)
    a = end + turn.first
    if s.hole_at(a - 1.0, a + 1.0):
        text = "samples are missing where a tenth of the turn has come back"
        return Measured(None, notes=[Note("gap_transition", text)])
    rate = abs(float(turn.rate_dps[int(within(round(end), 0, len(turn.deg) - 1))]))
    per_deg = fs / max(rate, p.least_dps)
    since_s = max(end - top.at, 0.0) / fs
    hole, _ = bridged(s, round(top.at + turn.first), int(a) + 1, of_turn)
    parts = {
        BIAS: s.zero_u_dps * since_s * per_deg,
        NOISE: s.noise_dps * float(np.sqrt(since_s / fs)) * per_deg,
        SAMPLING: INTERPOLATION,
        GAP: hole * per_deg,
    }
    return Measured(end - top.at, both(measured_top.parts, parts))
