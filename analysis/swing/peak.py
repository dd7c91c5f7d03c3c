"""Peak rate: the greatest rate between top and impact, before the shock; and its part across."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from analysis.swing.attitude import cross, rotate
from analysis.swing.clipping import Rebuilt, rebuild
from analysis.swing.impact import Impact
from analysis.swing.measured import Measured, both
from analysis.swing.results import Note
from analysis.swing.samples import Array, Samples, fitted, left_of_noise, norm, within
from analysis.swing.turn import Turn
from analysis.swing.uncertainty import BIAS, CLIPPING, GAP, NOISE, RULE, SAMPLING, SCALE
from words.units import G_N_M_S2


def _across() -> Mapping[str, float]:
    return {"glove": 0.02, "club": 0.04}


def _along() -> Mapping[str, float]:
    return {"glove": 0.10, "club": 0.43}


@dataclass(frozen=True, slots=True, kw_only=True)
class PeakParams:
    """What the peak rate is read with. "Fitted" is explained in `analysis.swing.measure`."""

    half_s: float = 0.012
    """Half length of the parabola that is laid through the peak."""
    rising_s: float = 0.025
    """Its length where the rate still rises when the shock comes."""
    bound_share: float = 0.15
    """A peak of which only a bound is known lies this much higher, say: stops of 0.8 of the
    peak."""
    rule_share: float = 0.002
    """What the chip's own filter and the parabola leave of a peak (fitted)."""
    bend_share: float = 0.12
    """Share of the rate's second difference at the peak that its parabola misses: tells at low
    rates (fitted)."""
    place_s: float = 0.0005
    place_samples: float = 0.25
    """The same of its place (fitted)."""
    tangent_s: float = 0.008
    """Length of the tangents at a hole's edges."""
    hidden_share: float = 0.02
    """A long hole in which the rate may be so much higher than all that was seen leaves a bound."""
    gap_share: float = 0.5
    """Share of what a hole may hide of a peak by which it is uncertain: nobody knows where between
    nothing and all of it (half of it, a little more than a rectangle's)."""
    flat_share: float = 0.005
    """So near to the peak the rate is as high as it."""
    most_place_u_s: float = 0.01
    """Noise moves a flat peak's place no further: the parabola isn't longer."""
    fast_share: float = 0.7
    """Samples with a rate over this share of the peak say where the hub is."""
    most_spread: float = 0.6
    """With the directions spread wider, in radians, ..."""
    least_pull_m_s2: float = 8.0
    """... or a weaker pull, the acceleration doesn't point at a hub."""
    across_share: Mapping[str, float] = field(default_factory=_across)
    along_share: Mapping[str, float] = field(default_factory=_along)
    """How far out of line with the hub club and hand are, in radians, when they are fastest
    (fitted)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Peak:
    """The peak rate.

    Attributes
    ----------
    rate : Measured
        deg/s.
    growth : (3,) array
        By how much it grows for an error of 1 of the scale of each of the gyroscope's axes.
    to_impact : Measured
        Samples from peak to impact.
    """

    rate: Measured
    growth: Array
    to_impact: Measured


@dataclass(frozen=True, slots=True, kw_only=True)
class _Summit:
    """Value and place of the greatest rate, and their parts but for scale and zero."""

    dps: float
    at: float
    parts: dict[str, float]
    place: dict[str, float]


def measure_peak(s: Samples, top: int, impact: Impact, p: PeakParams) -> Peak:
    """Measure the greatest rate from the top (a sample) to the impact, and the time between.

    Parameters
    ----------
    s : Samples
    top : int
        Sample with the greatest turn.
    impact : Impact
    p : PeakParams
    """
    n = len(s.gyr_dps)
    by_shock = impact.basis == "shock"
    rebuilt = rebuild(s.gyr_dps, s.clip_gyr, s.acc_m_s2, s.clip_acc, lo=top, end=min(n, impact.end))
    # A shock's onset is not delayed by the chip's filter; the motion up to it is.
    delay = s.conditions.gyr_delay_s * s.rate_hz
    last_at = impact.stop_at + delay if by_shock else impact.stop_at
    end = int(within(impact.end, top + 2, n))
    bound = bool(rebuilt.bound[top:end].any())
    summit = (_stopped if bound else _summit)(rebuilt, top, end, last_at, s, p)
    notes = []
    if bound:
        text = "the gyroscope was at the end of its range: the rotation is at least this"
        notes.append(Note("rate_lower_bound", text))
    else:
        summit, bound = _with_holes(summit, rebuilt, top, end, impact, s, p)
        if bound:
            text = "samples are missing where it rotated fastest: the rotation is at least this"
            notes.append(Note("rate_lower_bound", text))
    if not bound and rebuilt.u_dps.any():
        text = (
            "the gyroscope was at the end of its range: the rotation was rebuilt from its "
            "neighbours"
        )
        notes.append(Note("rate_rebuilt", text))
    at_peak = s.gyr_dps[int(within(round(summit.at), 0, n - 1))]
    growth = at_peak**2 / max(float(np.sqrt(at_peak @ at_peak)), 1e-9)
    parts = summit.parts
    parts[SCALE] = s.conditions.gyr_scale_u * float(np.sqrt(growth @ growth))
    parts[BIAS] = s.zero_u_dps
    to_impact = Measured(None)
    if impact.at.value is not None:
        to_impact.value = max(last_at - summit.at, 0.0)
        # A rate that still rises at the impact has its peak there, wherever exactly that is.
        rising = to_impact.value < 1e-6 and impact.strike is not None
        to_impact.parts = summit.place if rising else both(summit.place, impact.at.parts)
    return Peak(rate=Measured(summit.dps, parts, notes, bound), growth=growth, to_impact=to_impact)


def _stopped(
    rebuilt: Rebuilt, top: int, end: int, last_at: float, s: Samples, p: PeakParams
) -> _Summit:
    """A gyroscope at its stop that can't be rebuilt: the rate is at least this."""
    size = norm(rebuilt.gyr_dps[top:end])
    k = int(np.argmax(size))
    return _Summit(
        dps=float(size[k]),
        at=float(top + k),
        parts={CLIPPING: p.bound_share * float(size[k])},
        place={CLIPPING: float(int(rebuilt.bound[top:end].sum()))},
    )


def _summit(
    rebuilt: Rebuilt, top: int, end: int, last_at: float, s: Samples, p: PeakParams
) -> _Summit:
    """Lay a parabola through the greatest rate between top and ``last_at``."""
    fs, noise = s.rate_hz, s.noise_dps
    size = norm(rebuilt.gyr_dps[top:end])
    k = int(np.argmax(size))
    half = max(2, round(p.half_s * fs))
    m = len(size)
    if k + half < m - 1:
        a, b = max(0, k - half), min(m, k + half + 1)
    else:  # still rising when the shock comes: carry the curve on to the impact
        a, b = max(0, m - max(5, round(p.rising_s * fs))), m
    t = np.arange(a, b, dtype=float) - k
    degree = min(2, b - a - 1)
    fit = fitted(size[a:b], a - k, degree)[:3]
    hi = min(last_at - top - k, float(b - k))
    grid = np.linspace(float(a - k), max(hi, 0.0), 65)
    curve = fit[0] + grid * (fit[1] + grid * fit[2])
    i = int(np.argmax(curve))
    value, at = float(curve[i]), float(top + k + grid[i])
    clip = float(rebuilt.u_dps[max(0, top + a) : top + b].max(initial=0.0))
    # What the parabola leaves of the samples that it is laid through says how well it fits.
    left = size[a:b] - (fit[0] + t * (fit[1] + t * fit[2]))
    misfit = float(np.sqrt((left * left).sum() / max(1, b - a - degree - 1)))
    rule = float(np.hypot(p.rule_share * value, misfit))
    if i == len(grid) - 1:
        rule = float(np.hypot(rule, 0.5 * abs(value - float(size[-1]))))
    # The vertex of a flat parabola moves far for a small error: by the slope's error over its bend.
    bend = max(2.0 * abs(fit[2]), 1e-6)
    slope_u = noise / max(float(np.sqrt(np.sum((t - t.mean()) ** 2))), 1e-6)
    place = {
        NOISE: min(slope_u / bend, p.most_place_u_s * fs),
        RULE: p.place_s * fs,
        SAMPLING: p.place_samples,
    }
    if clip > 0.0:
        place[CLIPPING] = 0.5 * float((rebuilt.u_dps[top:end] > 0.0).sum())
    parts = {
        NOISE: noise * left_of_noise(b - a),
        SAMPLING: p.bend_share * bend,
        RULE: rule,
        CLIPPING: clip,
    }
    return _Summit(dps=value, at=at, parts=parts, place=place)


def _with_holes(
    summit: _Summit,
    rebuilt: Rebuilt,
    top: int,
    end: int,
    impact: Impact,
    s: Samples,
    p: PeakParams,
) -> tuple[_Summit, bool]:
    """What holes between top and impact leave open of the peak, and whether it is only a bound.

    About its peak the rate is concave, so it lies below the tangents at a hole's edges: no higher
    than where they meet.
    """
    size = norm(rebuilt.gyr_dps)
    n = max(3, round(p.tangent_s * s.rate_hz))
    seen = float(size[top:end][s.whole[top:end]].max(initial=0.0))
    most, length, hides = 0.0, 0, False
    # (Where the impact is lost too, what comes after a hole isn't the motion before it.)
    for x, y in s.gaps:
        # One that begins where the motion before a shock is last seen may hide what comes after.
        a, b = max(x, top), y if x <= end < y else min(y, end)
        if b <= a or x > end:
            continue
        t = np.arange(a - 1, b + 1, dtype=float)
        sides = [_tangent(size, max(top, x - n), x, t)]
        if y + 2 <= end:
            sides.append(_tangent(size, y, min(end, y + n), t))
        upper = float(np.min(sides, axis=0).max())
        inside = a - 1 <= summit.at <= b
        if upper > summit.dps or inside or impact.at.value is None:
            most, length = max(most, upper - summit.dps), max(length, y - x)
            lost = impact.at.value is None or upper > (1.0 + p.hidden_share) * seen
            hides |= y - x > s.hole and lost
    if not length:
        return summit, False
    if hides:
        return (
            _Summit(
                dps=seen,
                at=summit.at,
                parts={GAP: max(p.bound_share * seen, 0.5 * (summit.dps + most - seen))},
                place={GAP: float(length)},
            ),
            True,
        )
    parts = summit.parts | {GAP: p.gap_share * max(most, abs(summit.dps - seen))}
    # Where a flat peak has its top, only samples tell: as far as they are as high as it.
    flat = int((size[top:end] >= summit.dps - 2.0 * s.noise_dps - p.flat_share * seen).sum())
    place = summit.place | {GAP: max(p.place_samples * length, 0.5 * flat)}
    return _Summit(dps=summit.dps, at=summit.at, parts=parts, place=place), False


def _tangent(size: Array, a: int, b: int, t: Array) -> Array:
    """Line through the samples from a to b, at the positions t."""
    if b - a < 2:
        return np.full(len(t), np.inf)
    at = np.arange(a, b, dtype=float)
    mid = float(at.mean())
    slope = float(((at - mid) * size[a:b]).sum() / ((at - mid) ** 2).sum())
    return np.asarray(float(size[a:b].mean()) + slope * (t - mid))


def measure_across(
    s: Samples, turn: Turn, top: int, end: int, peak: Peak, p: PeakParams
) -> Measured:
    """Measure the greatest part of |w| across the segment's long axis between top and impact.

    The long axis points at the hub of the swing, which is where the centripetal acceleration
    points when the rotation is fast.
    """
    mount = s.conditions.mount
    if mount == "trunk":
        return _no_axis("the upper back turns on its own axis: there is no hub to point at")
    if mount == "wrist":
        # The shoulder moves too and the forearm rolls: measured on simulated swings, the hub's
        # direction and the forearm's differ by up to half a radian, unseen by one sensor.
        return _no_axis("the forearm rolls and its shoulder moves: its long axis can't be told")
    gyr, acc, fs = s.gyr_dps, s.acc_m_s2, s.rate_hz
    size = norm(gyr)
    fast = np.zeros(len(gyr), dtype=bool)
    fast[top:end] = size[top:end] > p.fast_share * float(size[top:end].max())
    fast &= s.whole & ~(s.clip_acc.any(axis=1) | s.clip_gyr.any(axis=1))
    index = np.flatnonzero(fast)
    if len(index) < 4:
        return _no_axis("the accelerometer was at its stop: the segment's long axis can't be told")
    # Gravity in the sensor frame: at the start of the integration the sensor was near rest.
    rest = acc[max(0, s.start - round(0.15 * fs)) : s.start + 1].mean(axis=0)
    up = rest / max(float(np.sqrt(rest @ rest)), 1e-9) * G_N_M_S2
    back = turn.attitude[index - turn.first].copy()
    back[:, 1:] *= -1.0
    motion = acc[index] - rotate(back, np.broadcast_to(up, (len(index), 3)))
    weight = size[index] ** 2
    axis = (motion * weight[:, None]).sum(axis=0)
    length = float(np.sqrt(axis @ axis))
    if length < 1e-6:
        return _no_axis("no centripetal acceleration: the long axis can't be told")
    axis /= length
    unit = motion / np.maximum(norm(motion), 1e-9)[:, None]
    spread = float(np.sqrt(np.average(norm(cross(unit, axis)) ** 2, weights=weight)))
    if spread > p.most_spread or float(np.median(norm(motion))) < p.least_pull_m_s2:
        return _no_axis("the acceleration does not point at a hub: no long axis")
    across = norm(gyr[top:end] - (gyr[top:end] @ axis)[:, None] * axis)
    value = float(across.max())
    along = float(np.sqrt(max(size[top:end].max() ** 2 - value**2, 0.0)))
    # The club and the hand are not in line with the hub until they are fastest.
    known = mount if mount is not None and mount in p.along_share else "club"
    rule = float(np.hypot(p.across_share[known] * value, p.along_share[known] * along))
    scale = s.conditions.gyr_scale_u * value
    gap = peak.rate.parts.get(GAP, 0.0)
    parts = {RULE: rule, SCALE: scale, BIAS: s.zero_u_dps, GAP: gap}
    return Measured(value, parts, bound=peak.rate.bound)


def _no_axis(why: str) -> Measured:
    return Measured(None, notes=[Note("no_long_axis", why)])
