"""Top: the instant of greatest turn before impact; the turn there, and the time spent near it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from analysis.swing.measured import INTERPOLATION, Measured, per_dps
from analysis.swing.results import Note
from analysis.swing.samples import (
    Array,
    Samples,
    crossing,
    fitted,
    left_of_noise,
    norm,
    smooth,
    value_at,
    within,
)
from analysis.swing.turn import Turn, TurnParams, bridged
from analysis.swing.uncertainty import BIAS, CLIPPING, GAP, NOISE, RULE, SAMPLING, SCALE, SWAY

DWELL_DEG: Final = 2.0
"""The time at the top is that within 2 deg of the greatest turn: the definition."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TopParams:
    """What the top is read with. "Fitted" is explained in `analysis.swing.measure`."""

    half_s: float = 0.018
    """Half length of the cubic whose zero is the top: a reversal is straight over so long."""
    rate_u_dps: float = 0.18
    """What the turn rate can't be told to, at the top and the finish, for the curve that is laid
    through it (fitted)."""
    quiet_dps: float = 3.0
    """Under this (and what zero and noise leave) the segment may stand still: sway and tremor."""
    near_s: float = 0.02
    """So near to the greatest turn a stretch of stillness belongs to it."""
    near_deg: float = 0.5
    """So is one at a turn that is hardly less: who stands still may settle a little deeper before
    the way down (own choice)."""
    hidden_share: float = 0.3
    """With more of such a stretch than this in holes too long to be bridged, it isn't known for a
    pause."""
    pause_s: float = 0.025
    """What is shorter is a plain reversal in any swing (own choice)."""
    pause_fall: float = 0.5
    """In a pause the turn rate stays near zero: it falls by less than this share of the level, in
    a plain reversal by twice the level."""
    pause_longer: float = 3.0
    pause_more_s: float = 0.01
    """A pause is so much longer than a plain reversal would be with the slopes just outside."""
    slope_s: float = 0.06
    """Where the slopes outside are read: the rate has come up by then."""
    smooth_s: float = 0.030
    """As `SampleParams.smooth_s`."""
    unknown_zero_dps: float = 1.0
    """With a zero that is known worse, what is read in a pause tells it."""
    steady_dps: float = 1.5
    """There two stretches of ``slope_s``, one after the other, read the same but for so much ..."""
    most_zero_dps: float = 25.0
    """... and no more than a chip's zero (from memory: below 20)."""
    pause_in: float = 1.5
    """By so many times the way that a straight line says, a pause's end lies inside the stretch
    that is seen: the rate comes up softly (fitted, with seeds from 500000 on)."""
    pause_end: float = 0.75
    """Standard uncertainty of an end, in the same (fitted)."""
    gap_share: float = 0.1
    """Share of a hole's length by which the top can be off: around it the rate passes through zero
    almost straight, so a short hole can be bridged (fitted)."""
    longest_gap_s: float = 0.045
    """With a longer hole at the top, it is not known."""
    dwell_deg: float = 0.01
    """What curves through the samples leave of the turn near the top (fitted)."""
    dwell_dps: float = 2.0
    """Slower than this the turn's edge is not taken to be: sway alone turns faster."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Top:
    """The top as it is found. Positions are counted from the turn's first sample.

    Attributes
    ----------
    at : float
        The top; in a pause its middle.
    sample : int
        The one with the greatest turn.
    turn_deg : float
    slope_dps : float
        Of the turn rate at the reversal, a sample.
    reversal : float
        Where the turn rate is zero; as ``at`` but in a pause.
    flat : (float, float)
        Stretch over which the segment is slower than ``quiet_dps``.
    ends : (float, float) or None
        By how much a pause's ends may lie inside that; None where there is no pause.
    dwell : (float, float)
        Where the turn comes within 2 deg of its greatest, and leaves it.
    gap : int
        Length of the longest hole at the top, 0 without one.
    seen_deg : float
        Greatest turn before the first of them.
    size_dps : (n,) array
        Rate, smoothed; where the gyroscope's zero isn't known, beside what it reads at rest there.
    """

    at: float
    sample: int
    turn_deg: float
    slope_dps: float
    reversal: float
    flat: tuple[float, float]
    ends: tuple[float, float] | None
    dwell: tuple[float, float]
    gap: int
    seen_deg: float
    size_dps: Array


def find_top(s: Samples, turn: Turn, p: TopParams) -> Top:
    """Find the greatest turn before the peak rate, and what lies about it."""
    fs, i0 = s.rate_hz, turn.first
    last = max(s.peak, s.top) - i0
    k = int(np.argmax(turn.deg[: last + 1]))
    reversal, slope = _reversal(turn.rate_dps, k, max(2, round(p.half_s * fs)))
    most = max(float(value_at(turn.deg[:, None], reversal)[0]), float(turn.deg[k]))
    # A pause at the top: any instant of it is as good as another, so its middle, and say so.
    half = max(2, round(0.030 * fs))
    quiet = max(p.quiet_dps, s.zero_u_dps + 3.0 * s.noise_dps / float(np.sqrt(half)))
    size = _rate_at_rest(s, turn, k, p)
    reach = max(3, round(p.near_s * fs))
    begin, end = _dwell(turn.deg, k, most - p.near_deg)
    about = (min(k - reach, round(begin)), max(k + reach, round(end)))
    flat = _flat(size, k, about, quiet)
    lo, hi = flat[0] + i0, flat[1] + i0
    hidden = sum(min(y, hi) - max(x - 1, lo) for x, y in s.long_gaps if x - 1 <= hi and y >= lo)
    at, ends = reversal, None
    if hidden <= p.hidden_share * (flat[1] - flat[0]) and _is_pause(
        size, turn.rate_dps, flat, quiet, fs, p
    ):
        # They lie where the rate comes up from nothing, somewhat inside the stretch that is seen.
        ends = _pause_ends(size, flat, quiet, fs, p)
        at = 0.5 * (flat[0] + flat[1]) + p.pause_in * 0.5 * (ends[0] - ends[1])
    a, b = min(at, flat[0]) + i0, max(at, flat[1]) + i0
    gaps = [(x, y) for x, y in s.gaps if x - 1 <= b and y >= a]
    return Top(
        at=at,
        sample=k,
        turn_deg=most,
        slope_dps=slope,
        reversal=reversal,
        flat=flat,
        ends=ends,
        dwell=_dwell(turn.deg, k, most - DWELL_DEG),
        gap=max((y - x for x, y in gaps), default=0),
        size_dps=size,
        seen_deg=float(turn.deg[: gaps[0][0] - i0].max(initial=0.0)) if gaps else most,
    )


def measure_top(s: Samples, turn: Turn, top: Top, p: TopParams) -> Measured:
    """Measure the instant of the top, in samples."""
    fs = s.rate_hz
    if top.ends is not None:
        # How well its ends are known is what is left open of a pause's middle.
        parts = {
            RULE: p.pause_end * 0.5 * float(np.hypot(*top.ends)),
            NOISE: INTERPOLATION,
        }
    else:
        per = per_dps(top.slope_dps, top.dwell[1] - top.dwell[0])
        k = min(round(top.reversal), len(turn.deg) - 1)
        growth = turn.growth.rate_at(k, turn.vector_deg, turn.fixed_dps)
        parts = {
            NOISE: s.noise_dps * left_of_noise(2 * max(2, round(p.half_s * fs)) + 1) * per,
            BIAS: s.zero_u_dps * per,
            SCALE: s.conditions.gyr_scale_u * growth * per,
            SAMPLING: INTERPOLATION,
            RULE: p.rate_u_dps * per,
        }
    out = Measured(top.at + turn.first, parts)
    if top.gap:
        parts[GAP] = p.gap_share * top.gap
        if top.gap > p.longest_gap_s * fs:
            out.value = None
            out.notes.append(Note("gap_top", "samples are missing at the top"))
    return out


def measure_turn(
    s: Samples, turn: Turn, top: Top, p: TurnParams, *, sway_dps: float, tremor_hz: float
) -> tuple[Measured, Array]:
    """Measure the turn at the top.

    Returns
    -------
    Measured
        In deg.
    (3,) array
        By how much it grows for an error of 1 of the scale of each of the gyroscope's axes.
    """
    fs = s.rate_hz
    seconds = (top.reversal - (turn.origin - turn.first)) / fs
    k = min(round(top.reversal), len(turn.deg) - 1)
    unit = turn.vector_deg[k] / max(turn.deg[k], 1e-9)
    growth = turn.growth.turn_at(top.at) @ unit
    gap, clip = bridged(s, int(turn.origin), round(top.at + turn.first), p)
    # What the curve over a hole at the top adds to the turn that was seen may be anything.
    gap = float(np.hypot(gap, p.top_share * max(top.turn_deg - top.seen_deg, 0.0)))
    parts = {
        SCALE: s.conditions.gyr_scale_u * float(np.sqrt(np.sum(growth**2))),
        BIAS: s.zero_u_dps * seconds,
        NOISE: s.noise_dps * float(np.sqrt(max(seconds, 0.0) / fs)),
        SWAY: float(np.hypot(sway_dps * p.sway_lean_s, s.tremor_dps / (2.0 * np.pi * tremor_hz))),
        GAP: gap,
        CLIPPING: clip,
    }
    return Measured(top.turn_deg, parts), growth


def measure_dwell(s: Samples, turn: Turn, top: Top, p: TopParams, *, known: bool) -> Measured:
    """Measure the time within 2 deg of the greatest turn, in samples.

    Its ends are where the turn passes a level 2 deg lower: what the turn is wrong by since the
    top, over the turn rate there. Where the top isn't ``known``, neither is this.
    """
    fs, n = s.rate_hz, len(turn.deg)
    lo, hi = top.dwell
    rates = [abs(float(turn.rate_dps[int(within(round(x), 0, n - 1))])) for x in (lo, hi)]
    slopes = [max(rate, p.dwell_dps) / fs for rate in rates]
    per_deg = float(np.hypot(1.0 / slopes[0], 1.0 / slopes[1]))
    half_s = 0.5 * (hi - lo) / fs
    parts = {
        BIAS: s.zero_u_dps * half_s * per_deg,
        NOISE: s.noise_dps * float(np.sqrt(half_s / fs)) * per_deg,
        # A scale error s makes the 2 deg seem 2 (1 + s).
        SCALE: DWELL_DEG * s.conditions.gyr_scale_u * per_deg,
        SAMPLING: 2.0 * INTERPOLATION,
        RULE: p.dwell_deg * per_deg,
    }
    a, b = lo + turn.first, hi + turn.first
    longest = max((y - x for x, y in s.gaps if x - 1 <= b and y >= a), default=0)
    parts[GAP] = p.gap_share * max(top.gap, longest)
    return Measured(hi - lo if known else None, parts)


def _rate_at_rest(s: Samples, turn: Turn, k: int, p: TopParams) -> Array:
    """Smoothed rate by which a pause is told.

    Where the gyroscope's zero isn't known (the sensor was never still before), what it reads in a
    pause is the zero: a stretch about the top over which the reading hardly changes.
    """
    size, fs = s.smoothed_dps[turn.first :], s.rate_hz
    if s.zero_u_dps < p.unknown_zero_dps:
        return size
    gyr = s.gyr_dps[turn.first :]
    lag = max(2, round(p.slope_s * fs))
    mean = np.zeros((len(gyr) + 1, 3))
    np.cumsum(gyr, axis=0, out=mean[1:])
    mean = (mean[lag:] - mean[:-lag]) / lag
    change = np.zeros(len(mean))
    change[lag:] = norm(mean[lag:] - mean[:-lag])
    # Entry j says that the two stretches that end with sample j + lag - 1 read the same.
    steady = (change < p.steady_dps) & (norm(mean) < p.most_zero_dps)
    steady[:lag] = False
    near = [j for j in range(max(0, k - lag), min(len(steady), k + lag + 1)) if steady[j]]
    if not near:
        return size
    lo = hi = near[0]
    while lo > 0 and steady[lo - 1]:
        lo -= 1
    while hi < len(steady) - 1 and steady[hi + 1]:
        hi += 1
    rest = np.median(gyr[max(0, lo - lag) : hi + lag], axis=0)
    return norm(smooth(gyr - rest, max(2, round(p.smooth_s * fs))))


def _reversal(rate: Array, k: int, half: int) -> tuple[float, float]:
    """Zero of the turn rate around its greatest turn; and the slope there, dps a sample."""
    a, b = max(0, k - half), min(len(rate), k + half + 1)
    if b - a < 4:
        return float(k), 0.0
    c0, c1, c2, c3 = fitted(rate[a:b], a - k, 2 if b - a < 7 else 3)
    x = 0.0
    for _ in range(8):
        d = c1 + x * (2.0 * c2 + x * 3.0 * c3)
        if d >= 0:
            break
        x = within(x - (c0 + x * (c1 + x * (c2 + x * c3))) / d, -half, half)
    return k + x, c1


def _flat(size: Array, k: int, about: tuple[int, int], level: float) -> tuple[float, float]:
    """Stretch around the least rate about sample k over which the rate stays under ``level``."""
    a, b = max(0, about[0]), min(len(size), about[1] + 1)
    m = a + int(np.argmin(size[a:b]))
    if size[m] > level:
        return float(k), float(k)
    lo = hi = m
    while lo > 0 and size[lo - 1] <= level:
        lo -= 1
    while hi < len(size) - 1 and size[hi + 1] <= level:
        hi += 1
    return float(lo), float(hi)


def _rises(
    size: Array, flat: tuple[float, float], level: float, fs: float, p: TopParams
) -> tuple[int, float, float]:
    """How far outside of a stretch the rate is looked at, and by how much it has come up there."""
    reach = round(p.slope_s * fs)
    lo, hi = flat
    before = float(size[max(0, int(lo) - reach)]) - level
    after = float(size[min(len(size) - 1, int(hi) + reach)]) - level
    return reach, before, after


def _is_pause(
    size: Array,
    turn_rate: Array,
    flat: tuple[float, float],
    level: float,
    fs: float,
    p: TopParams,
) -> bool:
    """Whether the segment stood still there longer than a plain reversal would take.

    A plain reversal passes through ``level`` at the slope that it has just outside, and its turn
    rate falls all the way from one side's level to the other's; in a pause it stays near zero.
    """
    lo, hi = flat
    if hi - lo < p.pause_s * fs:
        return False
    inner = turn_rate[round(lo + 0.15 * (hi - lo)) : round(hi - 0.15 * (hi - lo)) + 1]
    if len(inner) > 3:
        t = np.arange(len(inner)) - 0.5 * (len(inner) - 1)
        fall = -float((t * inner).sum() / (t * t).sum()) * len(inner)
        if fall > p.pause_fall * level:
            return False
    reach, before, after = _rises(size, flat, level, fs, p)
    if min(before, after) <= 0.0:
        return True
    plain = level * reach / before + level * reach / after
    return hi - lo > p.pause_longer * plain + p.pause_more_s * fs


def _pause_ends(
    size: Array, flat: tuple[float, float], level: float, fs: float, p: TopParams
) -> tuple[float, float]:
    """By how many samples the ends of a pause may lie inside the stretch under ``level``.

    Each is where a straight line through the rate just outside comes from zero up to the level.
    """
    reach, before, after = _rises(size, flat, level, fs, p)
    most = 0.5 * (flat[1] - flat[0])
    at_start, at_end = (
        min(level * reach / rise, most) if rise > 0.0 else most for rise in (before, after)
    )
    return at_start, at_end


def _dwell(turn: Array, k: int, level: float) -> tuple[float, float]:
    """Where the turn rises above and falls below ``level`` around its greatest."""
    a = k
    while a > 0 and turn[a - 1] >= level:
        a -= 1
    b = k
    while b < len(turn) - 1 and turn[b + 1] >= level:
        b += 1
    lo = crossing(turn, a - 1, level) if a > 0 else float(a)
    hi = crossing(turn, b, level) if b < len(turn) - 1 else float(b)
    return lo, hi
