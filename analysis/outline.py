"""Is there a swing around this peak of rotation? A coarse look, on means of 20 ms.

`outline` looks back from a peak of the angular rate for the reversal (the top), the backswing
before it and the start of that, and forward for the return and the follow-through. It works on
about 50 numbers a second whatever the sensor's rate, so rejecting a walking step costs little.
What it accepts is measured sample by sample in `analysis.measure`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt

from analysis.attitude import attitude, rotate

Array = npt.NDArray[np.float64]

__all__ = ["Outline", "OutlineParams", "outline"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Usual:
    """Where about 19 of 20 swings lie in each figure, by simulated swings of both models.

    A swing may be unusual in one or two of them. A throw or a racket's stroke that is within all
    limits is at the edge of several at once.
    """

    most_turn_left: float
    least_hang: float
    least_through: float
    """Share of the turn."""
    upright: tuple[float, float]
    tempo: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Limits for one mount: the segments turn by different amounts and hang differently."""

    least_turn_left: float
    """Greatest least turn as a share of the top's: how far open the segment may be at the ball."""
    least_hang: float
    """Cosine between up at the start and the pull at the fastest instant, in the sensor's frame.
    Arm and club hang from their hub at address and again when they are fastest; a racket or a
    thrown ball is held out. At the upper back it says little."""
    upright: tuple[float, float]
    """Cosine between the axis of the downswing and the vertical. The plane of a golf swing is
    inclined, about 35 to 70 degrees from the level (common practice, no source): an arm swung
    like a pendulum is near 0, a blow or a stretch in the level plane near 1."""
    least_peak_dps: float
    plain_turn_deg: float
    """Under this turn a swing is believed only if all its other figures are plain ..."""
    plain_peak_dps: float
    """... and its peak rate is above three quarters of this."""
    open_turn_deg: float
    """Under this turn the segment must be back nearer to where it began."""
    open_share: float
    most_tempo: float = 5.5
    usual: Usual | None = None


ARM = Limits(
    least_turn_left=0.36,
    least_hang=0.55,
    upright=(0.42, 0.975),
    least_peak_dps=150.0,
    plain_turn_deg=60.0,
    plain_peak_dps=300.0,
    open_turn_deg=60.0,
    open_share=0.35,
    usual=Usual(
        most_turn_left=0.22,
        least_hang=0.64,
        least_through=0.82,
        upright=(0.66, 0.945),
        tempo=(1.5, 4.0),
    ),
)
HAND = Limits(
    least_turn_left=0.56,
    least_hang=0.35,
    upright=(0.33, 0.92),
    least_peak_dps=150.0,
    plain_turn_deg=70.0,
    plain_peak_dps=350.0,
    open_turn_deg=85.0,
    open_share=0.38,
    usual=Usual(
        most_turn_left=0.40,
        least_hang=0.55,
        least_through=0.74,
        upright=(0.45, 0.84),
        tempo=(1.5, 3.7),
    ),
)
CLUB = Limits(
    least_turn_left=0.62,
    least_hang=0.30,
    upright=(0.26, 0.90),
    least_peak_dps=200.0,
    plain_turn_deg=70.0,
    plain_peak_dps=450.0,
    open_turn_deg=75.0,
    open_share=0.35,
    usual=Usual(
        most_turn_left=0.45,
        least_hang=0.50,
        least_through=0.70,
        upright=(0.35, 0.85),
        tempo=(1.5, 4.2),
    ),
)
TRUNK = Limits(
    least_turn_left=0.25,
    least_hang=-0.45,
    upright=(0.55, 0.96),
    least_peak_dps=90.0,
    plain_turn_deg=45.0,
    plain_peak_dps=300.0,
    open_turn_deg=62.0,
    open_share=0.16,
    usual=Usual(
        most_turn_left=0.12,
        least_hang=0.20,
        least_through=0.74,
        upright=(0.73, 0.89),
        tempo=(1.5, 3.7),
    ),
)
UNKNOWN = Limits(
    least_turn_left=0.62,
    least_hang=-0.30,
    upright=(0.30, 0.97),
    least_peak_dps=120.0,
    plain_turn_deg=50.0,
    plain_peak_dps=240.0,
    open_turn_deg=75.0,
    open_share=0.30,
)
LIMITS = {"wrist": ARM, "glove": HAND, "club": CLUB, "trunk": TRUNK}


@dataclass(frozen=True, slots=True, kw_only=True)
class OutlineParams:
    """Limits between a golf swing and everything else a person does, whatever the mount."""

    look_back_s: float = 6.0
    """Longest backswing with its downswing, slow-motion rehearsals included."""
    look_ahead_s: float = 2.5
    least_peak_dps: float = 60.0
    """Peaks of the rate under this are not looked at."""
    short_stroke_deg: float = 30.0
    """The project's own definition: below it, a stroke is counted but not measured."""
    backswing_s: tuple[float, float] = (0.30, 5.0)
    downswing_s: tuple[float, float] = (0.08, 1.6)
    least_tempo: float = 0.95
    """Backswing over downswing: about 3 in full swings, 2 in small ones (Grober & Cholewicki 2006,
    arXiv physics/0611291); raising and lowering an arm, or swinging it in walking, is near 1."""
    least_gain: float = 1.35
    """The downswing rotates two to five times as fast as the backswing; an arm raised and lowered
    goes about as fast both ways (the shoulder exercises in seglearn: nine in ten under 1.2)."""
    least_through: float = 0.5
    """A swing goes on through the ball by at least half of what it came down."""
    peakedness: tuple[float, float] = (1.2, 6.0)
    """Peak rate times downswing over turn: 1 is a steady rate, 2 a triangle."""
    restless_dps: float = 35.0
    """Lower quartile of the rate in the 0.6 s before: a swing begins from a stance, waggles
    included, or straight out of the swing before."""
    most_strain: float = 0.2
    """How far outside its limit a single figure may be, as a share of the limit."""
    most_unusual: int = 2
    """Figures outside what is usual (see `Usual`): three in two of 9000 simulated swings, but
    in half of the throws and racket strokes that are within all limits."""
    rally_s: float = 2.5
    """In back-and-forth rehearsals a swing begins where the last one ended, so it ends where it
    began and there is no through; that is believed only so soon after a swing."""
    rally_backswing_s: float = 1.5
    """... and only where it goes straight back: that takes 0.8 to 1.2 s in simulated rehearsals.
    A club brought down and put behind the ball takes longer, and the next backswing that follows
    would then be taken for a downswing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outline:
    """A swing, roughly: block numbers in the window, and figures to judge it by.

    Angles in degrees, rates in degrees a second, times in seconds.
    """

    start: int
    top: int
    peak: int
    least: int
    backswing_s: float
    downswing_s: float
    turn_deg: float
    least_turn_deg: float
    through_deg: float
    backswing_peak_dps: float
    peak_dps: float
    before_dps: float
    hang: float
    pull_m_s2: float
    upright: float
    upright_before: float
    """The same up to the fastest block alone: what comes after it may be a ball's shock."""


_BLOCKS = ("start", "top", "peak", "least")
NEAR_S = 2.2
QUIET_S = 0.6
"""Length before a swing over which its quietness is judged."""
NOT_IN_VIEW = Outline(
    start=0,
    top=0,
    peak=0,
    least=0,
    backswing_s=0.0,
    downswing_s=0.0,
    turn_deg=0.0,
    least_turn_deg=0.0,
    through_deg=0.0,
    backswing_peak_dps=0.0,
    peak_dps=0.0,
    before_dps=0.0,
    hang=0.0,
    pull_m_s2=0.0,
    upright=0.0,
    upright_before=0.0,
)


def _norm(x: Array) -> Array:
    return np.asarray(np.sqrt(np.einsum("ij,ij->i", x, x)))


def outline(gyr_dps: Array, acc_m_s2: Array, peak: int, step_s: float) -> Outline | None:
    """Outline the swing whose fastest rotation is at block ``peak``, if it has the parts of one.

    Parameters
    ----------
    gyr_dps, acc_m_s2 : (n, 3) arrays
        Block means, gyroscope bias removed.
    peak : int
        Block with the greatest rate of the supposed downswing.
    step_s : float
        Length of a block.

    Returns
    -------
    Outline or None
        None where there is no reversal or no backswing before it.
    """
    # Most swings fit into the last seconds; only where the start isn't in them look further back.
    near = peak - int(NEAR_S / step_s)
    if near > 0:
        found = _outline(gyr_dps[near:], acc_m_s2[near:], peak - near, step_s)
        if found is None:
            return None
        if found.start * step_s > 0.7:
            return replace(found, **{k: getattr(found, k) + near for k in _BLOCKS})
    found = _outline(gyr_dps, acc_m_s2, peak, step_s)
    return None if found is None or found.turn_deg == 0.0 else found


def _outline(gyr_dps: Array, acc_m_s2: Array, peak: int, step_s: float) -> Outline | None:
    """Outline in the blocks given; ``start`` 0 where the backswing's start is not in them."""
    n = len(gyr_dps)
    size = _norm(gyr_dps)
    q = attitude(np.radians(gyr_dps), step_s)
    fixed = rotate(q, gyr_dps)
    axis = _axis(fixed[max(0, peak - 2) : min(n, peak + 2)])
    along = fixed @ axis

    # Top, roughly: the last time before the peak that the rotation was not along the downswing.
    back = np.flatnonzero(along[:peak] <= 0.0)
    if len(back) == 0:
        return None
    reversal = int(back[-1])

    # Start, roughly: back from the reversal over the backswing until the rate has sunk to a tenth
    # of its peak or the rotation goes the other way.
    start = _backswing_start(size, along, reversal, step_s)
    if start is None:
        return NOT_IN_VIEW
    turn_vec = np.zeros((n - start, 3))
    mid = 0.5 * (fixed[start:-1] + fixed[start + 1 :]) * step_s
    np.cumsum(mid, axis=0, out=turn_vec[1:])
    turn = _norm(turn_vec)
    p = peak - start
    if p < 2:
        return None
    top = int(np.argmax(turn[: p + 1]))
    if top == 0:
        return None
    turn_top = float(turn[top])

    # Return: the first minimum of the turn after it has come down by half, if it does.
    after = turn[top:]
    below = np.flatnonzero(after < 0.6 * turn_top)
    if len(below) == 0:
        least = top + int(np.argmin(after))
    else:
        k = int(below[0])
        rising = np.flatnonzero(np.diff(after[k:]) > 0)
        least = top + k + (int(rising[0]) if len(rising) else len(after) - 1 - k)
    backswing_peak = float(size[start : start + top + 1].max())

    # Follow-through: how much further it goes the same way after the return.
    tail = along[start + least :]
    ends = np.flatnonzero(tail < 0.0)
    tail = tail[: int(ends[0])] if len(ends) else tail
    through = float(tail.sum() * step_s)

    quiet = size[max(0, start - int(QUIET_S / step_s)) : start + 1]
    return Outline(
        start=start,
        top=start + top,
        peak=peak,
        least=start + least,
        backswing_s=top * step_s,
        downswing_s=(least - top) * step_s,
        turn_deg=turn_top,
        least_turn_deg=float(turn[least]),
        through_deg=through,
        backswing_peak_dps=backswing_peak,
        peak_dps=float(size[peak]),
        before_dps=float(np.sort(quiet)[len(quiet) // 4]),
        **_gravity(acc_m_s2, q, axis, _axis(fixed[max(0, peak - 3) : peak]), start, peak, step_s),
    )


def _axis(rates: Array) -> Array:
    """Axis of a rotation: the direction of its mean."""
    total = rates.sum(axis=0)
    return np.asarray(total / max(float(np.sqrt(total @ total)), 1e-9))


def _backswing_start(size: Array, along: Array, reversal: int, step_s: float) -> int | None:
    """Block where the backswing begins, going back from the reversal; None where it doesn't."""
    most = 0.0
    arc = 0.0
    for k in range(reversal, -1, -1):
        m = float(size[k])
        arc += m * step_s
        if m > most:
            most = m
        if arc > 15.0 and most > 20.0:
            if m < 0.10 * most:
                return k
            if along[k] > 0.0 and (m < 0.5 * most or along[k] > 0.25 * most):
                return k + 1
    return None


def _gravity(
    acc: Array, q: Array, axis: Array, axis_before: Array, start: int, peak: int, step_s: float
) -> dict[str, float]:
    """How segment and swing lie to gravity.

    ``hang`` is the cosine, in the sensor's own frame, between the specific force at the start (up,
    at rest) and at the peak (towards the hub of the swing); ``pull_m_s2`` the size of the latter;
    ``upright`` the cosine between the axis of the downswing and the vertical, ``upright_before``
    the same of its axis up to the peak.
    """
    pre = acc[max(0, start - int(0.3 / step_s)) : start + 1].mean(axis=0)
    now = acc[max(0, peak - 1) : peak + 2].mean(axis=0)
    a = max(float(np.sqrt(pre @ pre)), 1e-9)
    b = float(np.sqrt(now @ now))
    up = rotate(q[start], pre / a)
    return {
        "hang": float(pre @ now) / max(a * b, 1e-9),
        "pull_m_s2": b,
        "upright": abs(float(axis @ up)),
        "upright_before": abs(float(axis_before @ up)),
    }


def _unusual(o: Outline, u: Usual, tempo: float, left: float) -> int:
    """How many figures are outside what is usual."""
    return sum(
        (
            left > u.most_turn_left,
            o.hang < u.least_hang,
            o.through_deg < u.least_through * o.turn_deg,
            not u.upright[0] <= o.upright <= u.upright[1],
            not u.tempo[0] <= tempo <= u.tempo[1],
        )
    )


def _off_plane(upright: float, m: Limits) -> float:
    """How far the axis of the downswing is outside its limits; 0 or less inside."""
    return max(1.0 - upright / m.upright[0], 40.0 * (upright - m.upright[1]))


def is_swing(
    o: Outline, mount: str | None, params: OutlineParams, *, rally: bool = False
) -> Literal["yes", "short", "no"]:
    """Judge an outline.

    Parameters
    ----------
    o : Outline
    mount : str or None
    params : OutlineParams
    rally : bool
        The swing begins soon after another one ended.

    Returns
    -------
    str
        ``"yes"``, ``"short"`` (a stroke under 30 degrees of turn) or ``"no"``.
    """
    p = params
    m = LIMITS.get(mount or "", UNKNOWN)
    tempo = o.backswing_s / max(o.downswing_s, 1e-6)
    left = o.least_turn_deg / max(o.turn_deg, 1e-6)
    gain = o.peak_dps / max(o.backswing_peak_dps, 1e-6)
    peaked = o.peak_dps * o.downswing_s / max(o.turn_deg, 1e-6)
    if not (
        p.backswing_s[0] <= o.backswing_s <= p.backswing_s[1]
        and p.downswing_s[0] <= o.downswing_s <= p.downswing_s[1]
        and tempo <= m.most_tempo
    ):
        return "no"
    # How far below or above its limit each figure is, as a share of the limit: one may be a
    # little outside, since a pause at the top or a hurried backswing moves one of them.
    strains = [
        1.0 - tempo / p.least_tempo,
        1.0 - gain / p.least_gain,
        4.0 * (1.0 - peaked / p.peakedness[0]),
        0.4 * (peaked / p.peakedness[1] - 1.0),
        2.0 * (left / m.least_turn_left - 1.0),
    ]
    in_rally = (
        rally
        and o.backswing_s <= p.rally_backswing_s
        and o.turn_deg > 1.3 * m.plain_turn_deg
        and o.peak_dps > m.plain_peak_dps
    )
    if not in_rally:
        share = m.open_share if o.turn_deg < m.open_turn_deg else m.least_turn_left
        strains += [
            1.0 - o.through_deg / (p.least_through * o.turn_deg),
            2.0 * (m.least_hang - o.hang),
            # A ball's shock turns the axis about, so either reading will do.
            min(_off_plane(o.upright, m), _off_plane(o.upright_before, m)),
            left / share - 1.0,
            o.before_dps / p.restless_dps - 1.0,
        ]
    outside = [x for x in strains if x > 0.0]
    if outside and (len(outside) > 1 or outside[0] > p.most_strain):
        return "no"
    if in_rally:
        return "yes"
    if o.turn_deg < p.short_stroke_deg:
        return "short"
    if m.usual is not None and _unusual(o, m.usual, tempo, left) > p.most_unusual:
        return "no"
    if o.peak_dps < m.least_peak_dps:
        return "no"
    if o.turn_deg < m.plain_turn_deg:
        # Small: only where everything else is as plain as can be.
        plain = (
            o.peak_dps > 0.75 * m.plain_peak_dps
            and gain > 1.7
            and o.hang > 0.7
            and left < 0.30
            and o.before_dps < 12.0
            and not outside
        )
        if not plain:
            return "no"
    return "yes"
