"""How far a swing is on its way, at any instant: the one definition that words and pictures share.

On its way back a swing is measured by its turn: the share of the turn that it has at its top. On
its way down it is measured by the angle that it goes through, from its top (0) to its impact (1):
a struck ball is met after the turn was least, so the turn itself falls and rises on that way, and
time alone says little, since a swing gains speed all the way.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.swing.results import Swing

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class WayDown:
    """Where a swing was some time after its takeaway.

    Attributes
    ----------
    after_ms : float
    going_back : bool
        It had not come to its top.
    share : float
        Going back: of its full turn. Else: of the angle that it goes through from its top (0) to
        its impact (1), which also counts what it turns beyond the place where the turn is least.
    low, high : float
        The share a standard uncertainty of the time earlier and later.
    """

    after_ms: float
    going_back: bool
    share: float
    low: float
    high: float


def way_down(
    time_s: Array,
    turn_deg: Array,
    rate_dps: Array,
    swing: Swing,
    *,
    after_ms: float,
    after_u_ms: float,
) -> WayDown | None:
    """Say where a swing was, so long after its takeaway.

    Parameters
    ----------
    time_s, turn_deg, rate_dps : (n,) array
        The swing's turn, and the size of its rate, over time; NaN where samples are missing.
    swing : Swing
        Its events, on the same clock.
    after_ms, after_u_ms : float
        Time since its takeaway and that time's standard uncertainty.

    Returns
    -------
    WayDown or None
        None where an event or a sample that is needed is missing, or where the time is after its
        impact.
    """
    takeaway_s, top_s, impact_s = swing.takeaway_s, swing.top_s, swing.impact_s
    if takeaway_s is None or top_s is None or impact_s is None:
        return None
    at_s, u_s = takeaway_s + after_ms / 1e3, after_u_ms / 1e3
    going_back = at_s < top_s
    # A little earlier or later is still in the same part of the swing.
    first, last = (takeaway_s, top_s) if going_back else (top_s, impact_s)
    near = [min(max(at_s + shift, first), last) for shift in (-u_s, u_s)]
    ways = way_at(time_s, turn_deg, rate_dps, swing, np.array([at_s, *near]))
    if not np.isfinite(ways).all():
        return None
    shares = [float(way) if going_back else float(way) - 1.0 for way in ways]
    return WayDown(
        after_ms=after_ms,
        going_back=going_back,
        share=shares[0],
        low=min(shares),
        high=max(shares),
    )


def way_at(
    time_s: Array, turn_deg: Array, rate_dps: Array, swing: Swing, at_s: npt.ArrayLike
) -> Array:
    """Say how far a swing is on its way at instants, as every word and picture says it.

    Parameters
    ----------
    time_s, turn_deg, rate_dps, swing
        As for `way_down`.
    at_s : array_like
        On the same clock.

    Returns
    -------
    array
        0 to 1 on its way back, 1 at its top, 1 to 2 on its way down, 2 at its impact. NaN before
        takeaway, after impact, and where an event or a sample that is needed is missing.
    """
    at = np.asarray(at_s, dtype=np.float64)
    out = np.full(at.shape, np.nan)
    takeaway_s, top_s, impact_s = swing.takeaway_s, swing.top_s, swing.impact_s
    if takeaway_s is None or top_s is None or impact_s is None or not len(time_s):
        return out
    back = (at >= takeaway_s) & (at < top_s)
    down = (at >= top_s) & (at <= impact_s)
    turn = _values_at(time_s, turn_deg, np.append(at[back], top_s))
    if turn[-1] > 0.0:
        out[back] = np.clip(turn[:-1] / turn[-1], 0.0, 1.0)
    gone = _angle_from(time_s, rate_dps, top_s, impact_s, np.append(at[down], impact_s))
    if gone[-1] > 0.0:
        out[down] = 1.0 + np.clip(gone[:-1] / gone[-1], 0.0, 1.0)
    return out


def _values_at(time_s: Array, curve: Array, at_s: Array) -> Array:
    """Values of a curve between two neighbours that are both there; else NaN."""
    return np.interp(at_s, time_s, curve, left=np.nan, right=np.nan)


def _angle_from(time_s: Array, rate_dps: Array, start_s: float, end_s: float, at_s: Array) -> Array:
    """Angle gone through from a start to instants before an end; NaN from a missing sample on."""
    inside = (time_s > start_s) & (time_s < end_s)
    t = np.concatenate([[start_s], time_s[inside], [end_s]])
    ends = _values_at(time_s, rate_dps, np.array([start_s, end_s]))
    w = np.concatenate([ends[:1], rate_dps[inside], ends[1:]])
    gone = np.concatenate([[0.0], np.cumsum(np.diff(t) * (w[1:] + w[:-1]) / 2.0)])
    k = np.clip(np.searchsorted(t, at_s, side="right") - 1, 0, len(t) - 2)
    part: Array = gone[k] + (at_s - t[k]) * (w[k] + np.interp(at_s, t, w)) / 2.0
    return part
