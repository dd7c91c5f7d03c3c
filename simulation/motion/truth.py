"""The true events and measures of a swing, by the design's definitions, from noise-free motion.

Takeaway: zero of the least-squares straight line through sqrt(|w|), on a dense uniform grid of
times between the last crossings of 10 and 30 % of the backswing's peak rate on the last rise to
that peak. Turn: size of the integral of w in the fixed frame since takeaway. Top: greatest turn
before impact. Impact: the blow, or else the least turn after the top. Finish: first instant
after impact with |w| below 10 % of the peak rate. Takeaway needs the backswing's peak, which
ends at the top, which needs the takeaway: they are repeated until they agree.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sensor.rotation import quat_conjugate, quat_rotate, world_rates_rad_s
from simulation.motion.action import Floats, Kind, Model, SwingTruth

TAKEAWAY_LOW = 0.10
TAKEAWAY_HIGH = 0.30
FINISH_SHARE = 0.10
DWELL_DEG = 2.0
TRANSITION_SHARE = 0.10
REST_DPS = 3.0
REST_NEAR_S = 0.03
SHORT_STROKE_DEG = 30.0
STILL_DPS = 0.5
"""Slower than this counts as standing still in a deliberate pause (own choice; the motion of
the models is at exact rest there, so any small value gives the pause but for its soft ends)."""

_FIT_POINTS = 2001


class NoSwingError(ValueError):
    """The motion does not hold the events that a swing's truth needs."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SwingSpan:
    """Where one swing lies in an action, by the schedule of the model that made it.

    The schedule only bounds the searches (which of several maxima is meant); the events
    themselves come from the motion.

    Attributes
    ----------
    back_start_s : float
        When the backswing proper starts, after waggles and the like.
    pass_s : float or None
        When the club passes the ball's place (the exact instant of a blow). None: aborted.
    through_end_s : float
        When the follow-through ends, or, for an aborted swing, when it is back at rest.
    blow : bool
        There is a shock at `pass_s` (ball or mat).
    strike : bool
        A ball is struck.
    hold_ms : float
        Deliberate pause at the top.
    """

    back_start_s: float
    pass_s: float | None
    through_end_s: float
    blow: bool
    strike: bool
    kind: Kind
    model: Model
    hold_ms: float = 0.0


@dataclass(frozen=True, slots=True)
class _Rates:
    """Rates on the grid; at a break `*_before` is the limit from the left."""

    rate_hz: float
    w_before: Floats  # (n, 3) world, deg/s
    speed: Floats  # (n,) deg/s
    speed_before: Floats
    transverse_before: Floats
    angle: Floats  # (n, 3) integral of w in the world from the first grid point, deg


def _rates(quat_wxyz: Floats, rate_hz: float, breaks: Sequence[int]) -> _Rates:
    after = np.rad2deg(world_rates_rad_s(quat_wxyz, rate_hz=rate_hz, breaks=breaks))
    before = after
    if breaks:
        before = after.copy()
        left = world_rates_rad_s(quat_wxyz, rate_hz=rate_hz, breaks=breaks, at_break="before")
        index = list(breaks)
        before[index] = np.rad2deg(left[index])
    segment = quat_rotate(quat_conjugate(quat_wxyz), before)
    # trapezoids, with the limit that belongs to each side of a break
    steps = (0.5 / rate_hz) * (after[:-1] + before[1:])
    angle = np.concatenate((np.zeros((1, 3)), np.cumsum(steps, axis=0)))
    speed = np.sqrt(np.einsum("ij,ij->i", after, after))
    speed_before = speed if before is after else np.sqrt(np.einsum("ij,ij->i", before, before))
    return _Rates(
        rate_hz=rate_hz,
        w_before=before,
        speed=speed,
        speed_before=speed_before,
        transverse_before=np.hypot(segment[:, 1], segment[:, 2]),
        angle=angle,
    )


def _last_upward(values: Floats, level: float, before: int) -> float:
    """Fractional index of the last upward crossing of `level` at or before index `before`."""
    below = np.flatnonzero(values[: before + 1] < level)
    if below.size == 0:
        raise NoSwingError("the rate never falls below the level before the backswing's peak")
    i = int(below[-1])
    if i == before:
        raise NoSwingError("the backswing has no peak above the level")
    return float(i + (level - values[i]) / (values[i + 1] - values[i]))


def _first_below(values: Floats, level: float, start: int) -> float | None:
    """Fractional index of the first fall below `level` after `start`; None when there is none."""
    below = np.flatnonzero(values[start:] < level)
    if below.size == 0:
        return None
    i = start + int(below[0])
    if i == start:
        return float(i)
    return float(i - 1 + (values[i - 1] - level) / (values[i - 1] - values[i]))


def takeaway_index(
    speed: Floats, peak_index: int, *, low: float = TAKEAWAY_LOW, high: float = TAKEAWAY_HIGH
) -> float:
    """Takeaway, as a fractional index, of a rate that rises to its peak at `peak_index`.

    Parameters
    ----------
    speed : Floats
        (n,) size of the rate, any unit, on a fine grid.
    peak_index : int
        Where the backswing's peak is.
    low, high : float
        The two levels, as shares of the peak.

    Raises
    ------
    NoSwingError
        When the rate does not cross both levels before the peak.
    """
    peak = float(speed[peak_index])
    t_high = _last_upward(speed, high * peak, peak_index)
    t_low = _last_upward(speed, low * peak, int(t_high))
    times = np.linspace(t_low, t_high, _FIT_POINTS)
    first = int(t_low)
    window = np.arange(first, int(np.ceil(t_high)) + 1)
    root = np.interp(times, window, np.sqrt(speed[window]))
    centre = 0.5 * (t_low + t_high)
    offset = times - centre
    slope = float(offset @ root / (offset @ offset))
    if slope <= 0.0:
        raise NoSwingError("the rate does not rise between the two levels")
    return float(centre - root.mean() / slope)


def _at(values: Floats, index: float) -> Floats:
    """Values (n, k) at a fractional index, by a cubic through four neighbours."""
    i = min(max(int(index) - 1, 0), len(values) - 4)
    s = index - i
    weights = np.array(
        [
            -(s - 1) * (s - 2) * (s - 3) / 6,
            s * (s - 2) * (s - 3) / 2,
            -s * (s - 1) * (s - 3) / 2,
            s * (s - 1) * (s - 2) / 6,
        ]
    )
    result: Floats = weights @ values[i : i + 4]
    return result


def _extreme(rates: _Rates, origin: Floats, index: int, low: int, high: int) -> float:
    """Refine an extreme of the turn at a grid index to where the turn's rate is zero."""
    if not low < index < high:
        return float(index)
    span = slice(index - 1, index + 2)
    # before a break both limits agree with w_before; the extreme never is at a break itself
    vector = rates.angle[span] - origin
    slope = np.einsum("ij,ij->i", vector, rates.w_before[span])
    for k in (0, 1):
        if slope[k] != slope[k + 1] and slope[k] * slope[k + 1] <= 0.0:
            return float(index - 1 + k + slope[k] / (slope[k] - slope[k + 1]))
    return float(index)


def _first_least(turn: Floats, top: int, stop: int) -> int:
    """Index of the first minimum of the turn on the way back that is below half of the top."""
    piece = turn[top : stop + 1]
    inner = piece[1:-1]
    minima = (inner <= piece[:-2]) & (inner < piece[2:]) & (inner < 0.5 * piece[0])
    found = np.flatnonzero(minima)
    if found.size:
        return top + 1 + int(found[0])
    return top + int(np.argmin(piece))


def _peak(values: Floats, low: int, end: float) -> tuple[float, float]:
    """Greatest value from an index to a fractional end, and its fractional index."""
    high = int(np.floor(end + 1e-6))
    i = low + int(np.argmax(values[low : high + 1]))
    value, at = float(values[i]), float(i)
    if low < i < high:
        # a parabola through the neighbours
        left, right = float(values[i - 1]), float(values[i + 1])
        bend = left - 2.0 * value + right
        if bend < 0.0:
            shift = 0.5 * (left - right) / bend
            value, at = value - 0.25 * (left - right) * shift, i + shift
    if end - high > 1e-6:
        # the end lies between two grid points, and the value may still be rising there
        last = float(_at(values[:, None], end)[0])
        if last > value:
            value, at = last, end
    return value, at


def swing_truths(
    quat_wxyz: Floats,
    *,
    rate_hz: float,
    spans: Sequence[SwingSpan],
    breaks: Sequence[int] = (),
) -> tuple[SwingTruth, ...]:
    """True events and measures of the swings in a motion.

    Parameters
    ----------
    quat_wxyz : Floats
        (n, 4) attitude of the segment that carries the sensor.
    rate_hz : float
        Rate of the grid; about 3200 Hz gives times to some microseconds.
    spans : sequence of SwingSpan
        Where the swings lie, in order.
    breaks : sequence of int
        Grid indices where the rate jumps.

    Returns
    -------
    tuple of SwingTruth
        One for each span, in order.

    Raises
    ------
    NoSwingError
        When an event that the definitions need does not exist in this motion.
    """
    rates = _rates(np.asarray(quat_wxyz, dtype=float), rate_hz, breaks)
    return tuple(_one(rates, span) for span in spans)


def _one(rates: _Rates, span: SwingSpan) -> SwingTruth:
    hz = rates.rate_hz
    n = len(rates.speed)
    start = round(span.back_start_s * hz)
    end = min(n - 1, round(span.through_end_s * hz))
    limit = end if span.pass_s is None else min(n - 1, round(span.pass_s * hz))

    # first guess: the whole stretch up to the pass, measured from its start
    top = start + int(
        np.argmax(np.linalg.norm(rates.angle[start : limit + 1] - rates.angle[start], axis=1))
    )
    takeaway = -1.0
    for _ in range(20):
        if top <= start:
            raise NoSwingError("the segment does not turn in the backswing")
        peak_index = start + int(np.argmax(rates.speed[start : top + 1]))
        found = takeaway_index(rates.speed, peak_index)
        origin = _at(rates.angle, found)
        turn = np.linalg.norm(rates.angle - origin, axis=1)
        low = int(found) + 1
        if not 0 < low < limit:
            raise NoSwingError("the takeaway does not come before the impact")
        new_top = low + int(np.argmax(turn[low : limit + 1]))
        if found == takeaway and new_top == top:
            break
        takeaway, top = found, new_top
    else:
        raise NoSwingError("takeaway and top do not agree")
    if not low < top < limit:
        raise NoSwingError("the turn has no maximum before the impact")
    top_at = _extreme(rates, origin, top, low, limit)
    turn_deg = max(float(turn[top]), float(np.linalg.norm(_at(rates.angle, top_at) - origin)))

    spread = max(
        abs(
            takeaway_index(
                rates.speed, peak_index, low=share * TAKEAWAY_LOW, high=share * TAKEAWAY_HIGH
            )
            - takeaway
        )
        for share in (0.85, 1.15)
    )

    dwell_start, dwell_end = _dwell(turn, turn_deg - DWELL_DEG, top, takeaway, float(end))
    hold: tuple[float, float] | None = None
    if span.hold_ms > 0.0 or span.pass_s is None:
        hold = _still(rates.speed, top)
        if hold is not None:
            top_at = 0.5 * (hold[0] + hold[1])

    come_back = _first_below(turn, (1.0 - TRANSITION_SHARE) * turn_deg, top)
    backswing_peak = _peak(rates.speed, start, float(top))[0]
    common = {
        "kind": span.kind,
        "model": span.model,
        "strike": span.strike,
        "takeaway_s": takeaway / hz,
        "top_s": top_at / hz,
        "turn_deg": turn_deg,
        "top_dwell_ms": 1000.0 * (dwell_end - dwell_start) / hz,
        "dwell_start_s": dwell_start / hz,
        "dwell_end_s": dwell_end / hz,
        "hold_ms": span.hold_ms,
        "hold_start_s": None if hold is None else hold[0] / hz,
        "hold_end_s": None if hold is None else hold[1] / hz,
        "backswing_peak_dps": backswing_peak,
        "takeaway_spread_s": spread / hz,
        "pause_ms": 1000.0 * _rest(rates.speed, top, round(REST_NEAR_S * hz)) / hz,
        "transition_ms": None if come_back is None else 1000.0 * (come_back - top_at) / hz,
    }
    if span.pass_s is None:
        return SwingTruth(
            impact_s=None,
            finish_s=None,
            impact_basis=None,
            counts_as_swing=False,
            peak_rate_dps=None,
            peak_transverse_dps=None,
            peak_to_impact_ms=None,
            least_turn_s=None,
            least_start_s=None,
            least_end_s=None,
            impact_turn_deg=None,
            pass_s=None,
            **common,  # type: ignore[arg-type]
        )

    least = _first_least(turn, top, end)
    least_at = _extreme(rates, origin, least, top, end)
    # time within 2 deg of the least turn
    around = float(np.linalg.norm(_at(rates.angle, least_at) - origin)) + DWELL_DEG
    least_start = _last_upward(-turn[: least + 1], -around, least)
    after = np.flatnonzero(turn[least:] > around)
    least_end = float(n - 1) if after.size == 0 else least + float(after[0])
    impact_at = span.pass_s * hz if span.blow else least_at
    peak, peak_at = _peak(rates.speed_before, top, impact_at)
    transverse, _ = _peak(rates.transverse_before, top, impact_at)
    # the speed after a break is looked at from the break on
    finish_at = _first_below(rates.speed, FINISH_SHARE * peak, int(np.ceil(impact_at - 1e-6)))
    return SwingTruth(
        impact_s=impact_at / hz,
        finish_s=None if finish_at is None else finish_at / hz,
        impact_basis="shock" if span.blow else "least_turn",
        counts_as_swing=turn_deg >= SHORT_STROKE_DEG,
        peak_rate_dps=peak,
        peak_transverse_dps=transverse,
        peak_to_impact_ms=max(0.0, 1000.0 * (impact_at - peak_at) / hz),
        least_turn_s=least_at / hz,
        least_start_s=least_start / hz,
        least_end_s=least_end / hz,
        impact_turn_deg=float(np.linalg.norm(_at(rates.angle, impact_at) - origin)),
        pass_s=span.pass_s,
        **common,  # type: ignore[arg-type]
    )


def _rest(speed: Floats, top: int, near: int) -> float:
    """Length in grid steps of the stretch about the top in which the rate is under `REST_DPS`."""
    first = max(0, top - near)
    k = first + int(np.argmin(speed[first : top + near + 1]))
    if speed[k] >= REST_DPS:
        return 0.0
    start = _first_below(-speed[k::-1], -REST_DPS, 0)
    end = _first_below(-speed[k:], -REST_DPS, 0)
    return (float(k) if start is None else start) + (len(speed) - k if end is None else end)


def _dwell(turn: Floats, near: float, top: int, takeaway: float, end: float) -> tuple[float, float]:
    """Where the turn comes within 2 deg of its greatest, and leaves it."""
    start = _last_upward(turn[: top + 1], near, top) if near > 0.0 else takeaway
    below = _first_below(turn, near, top)
    return start, end if below is None else below


def _still(speed: Floats, index: int) -> tuple[float, float] | None:
    """Stretch around an index in which the segment stands still."""
    still: NDArray[np.bool_] = speed < STILL_DPS
    if not still[index]:
        return None
    moving_before = np.flatnonzero(~still[:index])
    moving_after = np.flatnonzero(~still[index:])
    first = int(moving_before[-1]) + 1 if moving_before.size else 0
    last = index + int(moving_after[0]) - 1 if moving_after.size else len(speed) - 1
    return float(first), float(last)
