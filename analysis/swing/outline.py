"""The rough course of a supposed swing around a peak of rotation: a coarse look, on means of 20 ms.

`outline` looks back from a peak of the angular rate for the reversal (the top), the backswing
before it and the start of that, and forward for the return and the follow-through. It works on
about 50 numbers a second whatever the sensor's rate, so rejecting a walking step costs little.
Whether it is a swing is told by `analysis.swing.score`; what is one is measured sample by sample in
`analysis.swing.measure`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from analysis.swing.attitude import apart_deg, attitude, rotate
from analysis.swing.samples import norm

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class OutlineParams:
    """How far to look around a peak."""

    look_back_s: float = 6.0
    """Longest backswing with its downswing, slow-motion rehearsals included."""
    look_ahead_s: float = 2.5
    least_peak_dps: float = 60.0
    """Peaks of the rate under this are not looked at: 30 deg that come down in 1 s have it."""
    short_stroke_deg: float = 30.0
    """The project's own definition: below it, a stroke is counted but not measured."""
    downswing_s: tuple[float, float] = (0.06, 2.0)
    """Nobody brings 30 deg down in less (500 deg/s on average, from rest); what takes longer falls
    or is carried."""
    most_left: float = 0.9
    """Share of the turn that is left at its least: what has not come back by a tenth has not
    returned, and a swing does by definition."""
    rally_s: float = 2.5
    """What begins so soon after a swing may begin where that one ended (back-and-forth
    rehearsals), without an address; it is judged by a table of its own as well."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outline:
    """A supposed swing, roughly: block numbers in the window, and figures to judge it by.

    Angles in degrees, rates in degrees a second, times in seconds. The way back ends where the turn
    is first near its greatest, the way down begins where it is last near it: a stop at the top
    belongs to neither.

    Attributes
    ----------
    start, top, peak, least : int
        Blocks of the backswing's start, the end of the top, the greatest rate and the least turn.
    backswing_s, pause_s, downswing_s : float
    turn_deg, least_turn_deg, through_deg : float
        At the top, at its least, and how much further the rotation goes on after that.
    backswing_peak_dps, peak_dps, before_dps : float
        Greatest rates; lower quartile of the rate before the start.
    straight_back, straight_down : float
        Turn over the way that it took: 1 about one axis.
    opposed : float
        Cosine between the turn going back and the turn coming down: near -1.
    quiet_s : float
        How long the rate before the start had stayed under a fifth of the backswing's peak.
    fall_s : float
        From the peak to a fifth of it.
    peak_place : float
        Where the peak lies between the end of the top (0) and the least turn (1).
    acc_sd_m_s2 : float
        Spread of the specific force before the start.
    top_tilt, end_tilt : float
        Cosine, in the sensor's frame, between up at the start and up at the top, and up where the
        motion has died down: how the segment lies then.
    returned_deg : float
        Angle between the attitudes at the start and at the least turn.
    back_place : float
        Where the way back has its greatest rate, between start and top.
    least_acc_m_s2 : float
        Least specific force between start and peak: about nothing in a leap.
    upright : float
        Size of the cosine between the axis of the downswing and the vertical, about the peak or up
        to it, whichever is further from the level plane's: what comes after may be a ball's shock.
    hang : float
        Cosine, in the sensor's own frame, between up at the start and the pull at the peak.
    hub_up : float
        Cosine between the vertical and the pull at the peak, whatever way the sensor has turned.
    across : float
        Size of the cosine between the pull at the peak and the axis of the rotation.
    pull_m_s2 : float
        Size of the specific force at the peak.
    pull_known : bool
        The accelerometer was not at its stop there.
    up, axis_back, axis_down : (3,) arrays
        Up, and the axes of the way back and down, in the sensor's frame at the start: how the
        sensor sits on this player.
    """

    start: int
    top: int
    peak: int
    least: int
    backswing_s: float
    pause_s: float
    downswing_s: float
    turn_deg: float
    least_turn_deg: float
    through_deg: float
    backswing_peak_dps: float
    peak_dps: float
    before_dps: float
    straight_back: float
    straight_down: float
    opposed: float
    quiet_s: float
    fall_s: float
    peak_place: float
    acc_sd_m_s2: float
    top_tilt: float
    end_tilt: float
    returned_deg: float
    back_place: float
    least_acc_m_s2: float
    upright: float
    hang: float
    hub_up: float
    across: float
    pull_m_s2: float
    pull_known: bool
    up: Array
    axis_back: Array
    axis_down: Array


_BLOCKS = ("start", "top", "peak", "least")
NEAR_S = 2.2
QUIET_S = 0.6
"""Length before a swing over which its quietness is judged."""
MOST_QUIET_S = 3.0
NEAR_TOP_DEG = 2.0
NEAR_TOP_SHARE = 0.02
"""So near to its greatest the turn counts as at the top."""


def _dot(a: Array, b: Array) -> Array:
    """Product of rows; written out, so that the bits don't depend on how many there are."""
    return np.asarray(a[..., 0] * b[..., 0] + a[..., 1] * b[..., 1] + a[..., 2] * b[..., 2])


def _cosine(a: Array, b: Array) -> float:
    size = float(np.sqrt((a * a).sum() * (b * b).sum()))
    return float((a * b).sum()) / max(size, 1e-9)


def outline(
    gyr_dps: Array,
    acc_m_s2: Array,
    peak: int,
    step_s: float,
    *,
    acc_stopped: bool = False,
) -> Outline | None:
    """Outline the swing whose fastest rotation is at block ``peak``, if it has the parts of one.

    Parameters
    ----------
    gyr_dps, acc_m_s2 : (n, 3) arrays
        Block means, gyroscope bias removed.
    peak : int
        Block with the greatest rate of the supposed downswing.
    step_s : float
        Length of a block.
    acc_stopped : bool
        The accelerometer was at its stop about the peak.

    Returns
    -------
    Outline or None
        None where there is no reversal or no backswing before it.
    """
    stopped = acc_stopped
    # Most swings fit into the last seconds; only where the start isn't in them look further back.
    near = peak - int(NEAR_S / step_s)
    if near > 0:
        found = _outline(gyr_dps[near:], acc_m_s2[near:], peak - near, step_s, stopped)
        if found is None:
            return None
        if isinstance(found, Outline) and found.start * step_s > QUIET_S + 0.1:
            # How long it was quiet before that may reach further back than this.
            moved: dict[str, int] = {k: getattr(found, k) + near for k in _BLOCKS}
            quiet = _quiet_s(norm(gyr_dps[: moved["start"] + 1]), found, step_s)
            return replace(found, quiet_s=quiet, **moved)  # type: ignore[arg-type]
    whole = _outline(gyr_dps, acc_m_s2, peak, step_s, stopped)
    return whole if isinstance(whole, Outline) else None


def _outline(
    gyr_dps: Array, acc_m_s2: Array, peak: int, step_s: float, stopped: bool
) -> Outline | bool | None:
    """Outline in the blocks given; True where the backswing's start is not in them."""
    n = len(gyr_dps)
    size = norm(gyr_dps)
    q = attitude(np.radians(gyr_dps), step_s)
    fixed = rotate(q, gyr_dps)
    axis = _axis(fixed[max(0, peak - 2) : min(n, peak + 2)])
    along = _dot(fixed, axis)

    # Top, roughly: the last time before the peak that the rotation went against what follows, up
    # to the peak. (Against all of that, not the peak's own axis: arm, roll and wrist turn about
    # different ones, and in turn.)
    to_come = np.cumsum(fixed[peak:0:-1], axis=0)[::-1]
    back = np.flatnonzero(_dot(fixed[:peak], to_come) <= 0.0)
    if len(back) == 0:
        return None
    reversal = int(back[-1])

    # Start, roughly: back from the reversal over the backswing until the rate has sunk to a tenth
    # of its peak or the rotation goes the other way.
    start = _backswing_start(size, fixed, reversal, step_s)
    if start is None:
        return True
    vector = np.zeros((n - start, 3))
    mid = 0.5 * (fixed[start:-1] + fixed[start + 1 :]) * step_s
    np.cumsum(mid, axis=0, out=vector[1:])
    turn = norm(vector)
    p = peak - start
    if p < 2:
        return None
    greatest = int(np.argmax(turn[: p + 1]))
    turn_top = float(turn[greatest])
    if greatest == 0 or turn_top < 1.0:
        return None
    # The top may last: the way back ends where the turn is first near its greatest, the way down
    # begins where it is last.
    level = turn_top - max(NEAR_TOP_DEG, NEAR_TOP_SHARE * turn_top)
    at_top = np.flatnonzero(turn[: p + 1] >= level)
    arrive, leave = int(at_top[0]), int(at_top[-1])

    # Return: the first minimum of the turn after it has come down by half, if it does.
    after = turn[leave:]
    below = np.flatnonzero(after < 0.6 * turn_top)
    if len(below) == 0:
        least = leave + int(np.argmin(after))
    else:
        k = int(below[0])
        rising = np.flatnonzero(np.diff(after[k:]) > 0)
        least = leave + k + (int(rising[0]) if len(rising) else len(after) - 1 - k)
    if least <= leave or arrive == 0:
        return None
    backswing_peak = float(size[start : start + greatest + 1].max())

    # Follow-through: how much further it goes the same way after the return.
    tail = along[start + least :]
    ends = np.flatnonzero(tail < 0.0)
    tail = tail[: int(ends[0])] if len(ends) else tail
    through = float((tail.sum() - 0.5 * tail[:1].sum()) * step_s)

    fallen = np.flatnonzero(size[peak:] < 0.2 * size[peak])
    way = np.zeros(n - start)
    np.cumsum(np.sqrt((mid * mid).sum(axis=1)), out=way[1:])
    way_back = float(way[greatest])
    came = vector[least] - vector[leave]
    way_down = float(way[least] - way[leave])
    quiet = size[max(0, start - int(QUIET_S / step_s)) : start + 1]
    before = acc_m_s2[max(0, start - int(QUIET_S / step_s)) : start + 1]
    mean_acc = before.sum(axis=0) / len(before)
    u = mean_acc / max(float(np.sqrt((mean_acc * mean_acc).sum())), 1e-9)
    up = rotate(q[start], u)
    about = acc_m_s2[max(0, peak - 1) : peak + 2]
    pull = about.sum(axis=0) / len(about)
    pull_fixed = rotate(q[peak], pull)
    axis_before = _axis(fixed[max(0, peak - 3) : peak])
    result = Outline(
        start=start,
        top=start + leave,
        peak=peak,
        least=start + least,
        backswing_s=arrive * step_s,
        pause_s=(leave - arrive) * step_s,
        downswing_s=(least - leave) * step_s,
        turn_deg=turn_top,
        least_turn_deg=float(turn[least]),
        through_deg=through,
        backswing_peak_dps=backswing_peak,
        peak_dps=float(size[peak]),
        before_dps=float(np.sort(quiet)[len(quiet) // 4]),
        straight_back=min(turn_top / max(way_back, 1e-9), 1.0),
        straight_down=min(float(np.sqrt((came * came).sum())) / max(way_down, 1e-9), 1.0),
        opposed=_cosine(vector[greatest], came),
        quiet_s=0.0,
        fall_s=(int(fallen[0]) if len(fallen) else n - peak) * step_s,
        peak_place=(p - leave) / (least - leave),
        acc_sd_m_s2=float(np.sqrt(((before - mean_acc) ** 2).sum() / len(before))),
        top_tilt=float((_there(q[start + leave], up) * u).sum()),
        end_tilt=float((_there(q[n - 1], up) * u).sum()),
        returned_deg=apart_deg(q[start], q[start + least]),
        back_place=float(np.argmax(size[start : start + greatest + 1])) / greatest,
        least_acc_m_s2=float(np.sqrt((acc_m_s2[start : peak + 1] ** 2).sum(axis=1).min())),
        upright=_steeper(_cosine(axis, up), _cosine(axis_before, up)),
        hang=_cosine(mean_acc, pull),
        hub_up=_cosine(up, pull_fixed),
        across=abs(_cosine(fixed[peak], pull_fixed)),
        pull_m_s2=float(np.sqrt((pull * pull).sum())),
        pull_known=not stopped,
        up=u,
        axis_back=_unit(_there(q[start], vector[greatest])),
        axis_down=_unit(_there(q[start], came)),
    )
    return replace(result, quiet_s=_quiet_s(size[: start + 1], result, step_s))


def _there(q: Array, v: Array) -> Array:
    """A vector of the fixed frame in the sensor's frame at an attitude."""
    back = q.copy()
    back[1:] *= -1.0
    return rotate(back, v)


def _unit(x: Array) -> Array:
    return np.asarray(x / max(float(np.sqrt((x * x).sum())), 1e-9))


def _axis(rates: Array) -> Array:
    """Axis of a rotation: the direction of its mean."""
    return _unit(rates.sum(axis=0))


def _steeper(a: float, b: float) -> float:
    """Of two readings of an axis' cosine with the vertical, the one nearer to an inclined plane's.

    A ball's shock turns the axis about, so either reading will do.
    """
    a, b = abs(a), abs(b)
    return a if abs(a - 0.75) <= abs(b - 0.75) else b


def _quiet_s(size: Array, o: Outline, step_s: float) -> float:
    """How long it had been quiet before the start, which is the last block of ``size``."""
    loud = np.flatnonzero(size[:-1] > max(0.2 * o.backswing_peak_dps, 5.0))
    blocks = len(size) - 1 - (int(loud[-1]) if len(loud) else -1) - 1
    return min(blocks * step_s, MOST_QUIET_S)


def _backswing_start(size: Array, fixed: Array, reversal: int, step_s: float) -> int | None:
    """Block where the backswing begins, going back from the reversal; None where it doesn't."""
    most = 0.0
    arc = 0.0
    x = y = z = 0.0
    sizes, rates = size.tolist(), fixed.tolist()
    for k in range(reversal, -1, -1):
        m = sizes[k]
        arc += m * step_s
        if m > most:
            most = m
        a, b, c = rates[k]
        if arc > 15.0 and most > 20.0:
            if m < 0.10 * most:
                return k
            # The other way than what has been gone through so far.
            against = -(a * x + b * y + c * z) / max(math.sqrt(x * x + y * y + z * z), 1e-9)
            if against > 0.0 and (m < 0.5 * most or against > 0.25 * most):
                return k + 1
        x, y, z = x + a, y + b, z + c
    return None
