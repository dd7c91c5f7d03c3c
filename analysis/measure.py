"""Measure one swing sample by sample: its events, turn and rate, each with its uncertainty.

The events are defined physically first (see DEVELOPERS.md, "What is measured"):

takeaway
    zero of the straight line through sqrt(|w|) between 10 and 30 % of the backswing's peak rate, on
    the last rise to that peak
top
    greatest turn before impact
impact
    onset of the shock; without one, the instant of least turn
finish
    first instant after impact at which |w| is under 10 % of the peak rate

where w is the angular velocity with the gyroscope's bias removed and the turn is the size of its
integral in a frame that doesn't turn, since takeaway.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy.signal import savgol_coeffs

from analysis.attitude import cross, rotate, turn_vector
from analysis.clipping import rebuild
from analysis.results import FoundSwing, Note
from analysis.shock import Shock, find_shock

Array = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

__all__ = ["Conditions", "Window", "measure"]

CHANNELS = ("acc_x", "acc_y", "acc_z", "gyr_x", "gyr_y", "gyr_z")
G_N = 9.80665


@dataclass(frozen=True, slots=True, kw_only=True)
class Conditions:
    """What is known of the sensor; see `analysis.SwingFinder`."""

    rate_hz: float
    mount: str | None = None
    gyr_range_dps: float | None = None
    acc_range_g: float | None = None
    gyr_delay_s: float = 0.0
    acc_delay_s: float = 0.0
    gyr_scale_u: float = 0.01
    """Standard uncertainty of an uncalibrated gyroscope's scale, as a share (1-3 %, from
    memory)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """The samples around a swing; ``whole`` is False where a sample was missing and filled in."""

    first_seq: int
    acc_m_s2: Array
    gyr_dps: Array
    whole: Bools
    bias_dps: Array
    bias_u_dps: float


def norm(x: Array) -> Array:
    """Size of each row of (n, 3)."""
    return np.asarray(np.sqrt(np.einsum("ij,ij->i", x, x)))


@lru_cache
def _smoothing(length: int, degree: int) -> Array:
    """Weights of `smooth`."""
    return np.asarray(savgol_coeffs(length, degree))


def smooth(x: Array, half: int, degree: int = 3) -> Array:
    """Savitzky-Golay smoothing that leaves cubics as they are; ends are kept as measured.

    References
    ----------
    Savitzky, A. & Golay, M. J. E. (1964). Anal. Chem. 36(8), 1627-1639.
    """
    if half < 2 or len(x) < 2 * half + 1:
        return x
    weights = _smoothing(2 * half + 1, degree)
    n = len(x)
    out = x.copy()
    core = np.zeros((n - 2 * half, *x.shape[1:]))
    for j, weight in enumerate(weights):
        core += weight * x[j : n - 2 * half + j]
    out[half : n - half] = core
    return out


def holes(whole: Bools) -> list[tuple[int, int]]:
    """Runs of missing samples as (first, one past the last)."""
    edge = np.flatnonzero(np.diff(np.concatenate([[True], whole, [True]]).astype(np.int8)))
    return [(int(a), int(b)) for a, b in zip(edge[::2], edge[1::2], strict=True)]


def fill_holes(x: Array, whole: Bools) -> Array:
    """Replace missing samples by the cubic through the two samples on either side."""
    out = x.copy()
    n = len(x)
    for a, b in holes(whole):
        nodes = [k for k in (a - 2, a - 1, b, b + 1) if 0 <= k < n and whole[k]]
        if len(nodes) < 4:
            continue
        t = np.arange(a, b, dtype=float)
        value = np.zeros((b - a, x.shape[1]))
        for i in nodes:
            basis = np.ones_like(t)
            for j in nodes:
                if j != i:
                    basis *= (t - j) / (i - j)
            value += basis[:, None] * x[i]
        out[a:b] = value
    return out


def clipped_channels(x: Array, limit: float | None, floor: float) -> Bools:
    """Where each channel sits at its stop.

    Parameters
    ----------
    x : (n, 3) array
        Raw samples, bias and scale as the sensor gave them.
    limit : float or None
        The range. None: a stop is a run of three or more equal extreme values above ``floor``.

    Returns
    -------
    (n, 3) array of bool
    """
    size = np.abs(x)
    if limit is not None:
        return np.asarray(size >= 0.998 * limit)
    out = np.zeros(x.shape, dtype=bool)
    for c in range(x.shape[1]):
        for sign in (1.0, -1.0):
            v = sign * x[:, c]
            most = float(v.max())
            if most < floor:
                continue
            at = v >= most * (1 - 1e-6)
            if np.any(at[:-2] & at[1:-1] & at[2:]):
                out[:, c] |= at
    return out


def crossing(y: Array, k: int, level: float) -> float:
    """Position between samples k and k + 1 at which ``y`` passes ``level``, by a straight line."""
    d = float(y[k + 1] - y[k])
    return k + float(np.clip((level - float(y[k])) / d, 0.0, 1.0)) if d != 0 else float(k)


def value_at(y: Array, position: float) -> Array:
    """Cubic (four-point) interpolation of rows of ``y`` at a fractional position."""
    n = len(y)
    k = int(np.clip(np.floor(position), 1, max(1, n - 3)))
    t = position - k
    if n < 4:
        i = int(np.clip(round(position), 0, n - 1))
        return np.asarray(y[i])
    return np.asarray(
        y[k - 1] * (-t * (t - 1) * (t - 2) / 6)
        + y[k] * ((t + 1) * (t - 1) * (t - 2) / 2)
        + y[k + 1] * (-(t + 1) * t * (t - 2) / 2)
        + y[k + 2] * ((t + 1) * t * (t - 1) / 6)
    )


@dataclass(slots=True)
class _Takeaway:
    at: float
    u: float
    peak: float
    floor_high: bool
    lo: float
    hi: float


def find_takeaway(
    size: Array, peak_at: int, *, first: int, rate_hz: float, rate_u_dps: float
) -> _Takeaway | None:
    """Zero of the straight line through sqrt(|w|) between 10 and 30 % of the backswing's peak.

    Parameters
    ----------
    size : (n,) array
        |w|, smoothed.
    peak_at : int
        Sample of the backswing's peak.
    first : int
        Earliest sample to look at.
    rate_hz, rate_u_dps : float
        Sample rate; uncertainty of the slow part of |w| (sway, bias).

    Returns
    -------
    _Takeaway or None
        None where the rise isn't in the window.
    """
    peak = float(size[peak_at])
    if 0 < peak_at < len(size) - 1:
        a, b, c = (float(v) for v in size[peak_at - 1 : peak_at + 2])
        bend = a - 2 * b + c
        if bend < 0:
            peak = b - (a - c) ** 2 / (8 * bend)
    low, high = 0.10 * peak, 0.30 * peak
    k = peak_at
    while k > first and size[k - 1] >= high:
        k -= 1
    if k <= first:
        return None
    hi = crossing(size, k - 1, high)
    j = k - 1
    least, least_at = float(size[j]), j
    while j > first and size[j] > low:
        j -= 1
        if size[j] < least:
            least, least_at = float(size[j]), j
        elif size[j] > 1.35 * least + 1.0:
            break
    high_floor = False
    if size[j] <= low:
        lo = crossing(size, j, low)
    else:
        # The rate never sank to a tenth (a rocking start, back-and-forth rehearsals): the rise
        # begins at its least.
        lo, high_floor = float(least_at), True
        if least > 0.27 * peak:
            return _Takeaway(float(least_at), 0.02 * rate_hz, peak, True, lo, hi)
    if hi - lo < 0.5:
        return _Takeaway(lo, 1.0, peak, high_floor, lo, hi)
    t = np.linspace(lo, hi, 33)
    grid = np.arange(len(size))
    a0, b0 = max(0, int(lo) - 2), min(len(size), int(hi) + 4)
    root = np.sqrt(np.maximum(np.interp(t, grid[a0:b0], size[a0:b0]), 0.0))
    mid = float(t.mean())
    slope = float(((t - mid) * root).sum() / ((t - mid) ** 2).sum())
    if slope <= 0:
        return None
    at = mid - float(root.mean()) / slope
    # A slow error d in |w| moves the line's ends by d / (2 sqrt(|w|)) each.
    e_lo, e_hi = (rate_u_dps / (2 * np.sqrt(v)) for v in (max(low, 1e-6), high))
    lever = (mid - at) / (hi - lo)
    u = float(abs(e_lo * (0.5 + lever) + e_hi * (0.5 - lever)) / slope)
    return _Takeaway(at, u, peak, high_floor, lo, hi)


def measure(window: Window, rough: dict[str, int], c: Conditions) -> FoundSwing | None:
    """Measure the swing outlined by ``rough`` in ``window``.

    Parameters
    ----------
    window : Window
    rough : dict
        Sample numbers in the window of the outline's ``start``, ``top``, ``peak``, ``least``.
    c : Conditions

    Returns
    -------
    FoundSwing or None
        None where, looked at closely, there is no backswing and return.
    """
    fs = c.rate_hz
    cut = max(0, rough["start"] - round(0.8 * fs))
    raw_gyr, raw_acc, whole = window.gyr_dps[cut:], window.acc_m_s2[cut:], window.whole[cut:]
    start, top_k, peak_k, least_k = (rough[k] - cut for k in ("start", "top", "peak", "least"))
    n = len(raw_gyr)
    peak_k, least_k = min(peak_k, n - 1), min(least_k, n - 1)
    notes: list[Note] = []

    # -- what the channels can be trusted with ----------------------------------------------
    acc_limit = None if c.acc_range_g is None else c.acc_range_g * G_N
    clip_g = clipped_channels(raw_gyr, c.gyr_range_dps, 200.0)
    clip_a = clipped_channels(raw_acc, acc_limit, 15.0)
    span = slice(max(0, start), min(n, max(least_k, peak_k) + round(0.15 * fs)))
    flags = np.asarray(np.concatenate([clip_a[span], clip_g[span]], axis=1).any(axis=0))
    clipped = tuple(name for name, on in zip(CHANNELS, flags, strict=True) if on)
    gyr = fill_holes(raw_gyr, whole) - window.bias_dps
    acc = fill_holes(raw_acc, whole)
    gap_list = holes(whole)
    any_clip_g: Bools = np.asarray(clip_g.any(axis=1))
    any_clip_a: Bools = np.asarray(clip_a.any(axis=1))

    # -- stillness before the swing: noise, sway, the local zero ------------------------------
    half = max(2, round(0.030 * fs))
    smoothed = smooth(gyr, half)
    noise_g, noise_a = _noise(gyr, start, fs), _noise(acc, start, fs)
    bias_u = min(window.bias_u_dps, 3.0)

    first = max(1, start - round(0.5 * fs))
    reach = slice(max(0, start), top_k + 1)
    if reach.stop - reach.start < 3:
        return None
    before = gyr[max(0, start - round(0.5 * fs)) : max(1, start)]
    sway = float(np.sqrt(np.mean((before - before.mean(axis=0)) ** 2))) if len(before) > 4 else 1.0
    sway_u = float(np.clip(sway, 0.15, 1.5))
    size = norm(smoothed)
    peak_at = reach.start + int(np.argmax(size[reach]))
    take = find_takeaway(size, peak_at, first=first, rate_hz=fs, rate_u_dps=sway_u)
    if take is None:
        notes.append(Note("no_takeaway", "the start of the backswing is not in the recording"))

    # -- turn and top --------------------------------------------------------------------------
    origin = take.at if take is not None else float(max(0, start))
    i0 = max(0, int(np.floor(origin)) - 2)
    vector, fixed, q = turn_vector(gyr[i0:], fs)
    vector = vector - value_at(vector, origin - i0)
    turn = norm(vector)
    turn_rate = np.einsum("ij,ij->i", vector, fixed) / np.maximum(turn, 1e-9)
    last = max(peak_k, top_k) - i0
    if last < 3:
        return None
    top_i = int(np.argmax(turn[: last + 1]))
    top, top_slope = _top(turn, turn_rate, top_i, fs)
    turn_top = float(value_at(turn[:, None], top)[0])
    turn_top = max(turn_top, float(turn[top_i]))
    dwell_lo, dwell_hi = _dwell(turn, top_i, turn_top - 2.0)
    dwell = dwell_hi - dwell_lo
    # By the top the sway of standing has gone under in the swing.
    rate_noise = float(np.hypot(max(0.2, 0.3 * sway_u), noise_g / np.sqrt(max(1.0, 0.03 * fs))))
    top_u = float(
        min(np.hypot(rate_noise / max(abs(top_slope), 1e-6), 0.05), dwell / np.sqrt(12.0) + 0.05)
    )
    # A pause at the top: any instant of it is as good as another, so its middle, and say so.
    quiet_dps = max(2.0, min(2.5 * sway_u, 5.0), bias_u + 3.0 * noise_g / float(np.sqrt(half)))
    flat_lo, flat_hi = _flat(norm(smoothed[i0:]), top_i, quiet_dps, max(3, round(0.02 * fs)))
    hidden = [(x, y) for x, y in gap_list if x - 1 <= flat_hi + i0 and y >= flat_lo + i0]
    if not hidden and _is_pause(norm(smoothed[i0:]), turn_rate, flat_lo, flat_hi, quiet_dps, fs):
        top = 0.5 * (flat_lo + flat_hi)
        top_u = (flat_hi - flat_lo) / float(np.sqrt(12.0))
    seconds_back = (top - (origin - i0)) / fs
    turn_u = float(
        np.sqrt(
            (c.gyr_scale_u * turn_top) ** 2
            + (bias_u * seconds_back) ** 2
            + (0.3 * sway_u) ** 2
            + 0.05**2
        )
    )

    # -- impact --------------------------------------------------------------------------------
    limit = max(2.0, 0.012 * fs)
    after = turn[top_i:]
    falling = np.flatnonzero(after < 0.85 * turn_top)
    lo = top_i + (int(falling[0]) if len(falling) else 1) + i0
    hi = min(n, max(least_k, peak_k) + round(0.15 * fs))
    shock = find_shock(
        gyr,
        acc,
        ~whole,
        _edges(clip_g),
        _edges(clip_a),
        rate_hz=fs,
        lo=lo,
        hi=hi,
        gyr_noise_dps=noise_g,
        acc_noise_m_s2=noise_a,
    )
    least, least_u = _least(turn, top_i, least_k - i0, fs)
    basis: str | None
    strike, basis = _strike(shock, c.mount, fs)
    impact: float | None
    impact_u: float | None
    if basis == "shock" and shock is not None:
        impact, impact_u = shock.onset, shock.onset_u
    else:
        impact, impact_u, basis = least + i0, least_u, "least_turn"
        if strike is None:
            # If it was a ball after all, it was met some hundredths of a second later.
            impact_u = float(np.hypot(least_u, 0.05 * fs))
        if least + i0 >= n - 2:
            impact = impact_u = None
            basis = None
            notes.append(
                Note(
                    "no_impact",
                    "the turn was not back at its least when the motion went on or ended",
                )
            )
    near = range(int(least + i0 - 0.12 * fs), int(least + i0 + 0.06 * fs))
    if strike is False and any(y - x > limit and x in near for x, y in gap_list):
        strike = None
        impact = impact_u = basis = None
        notes.append(Note("gap_impact", "samples are missing where a ball's knock may have been"))
    elif strike is None:
        notes.append(
            Note(
                "unclear_strike",
                "no knock was felt, but the upper back hardly feels a ball"
                if shock is None
                else "there was a knock, too weak to say whether it was a ball",
            )
        )

    # -- holes over an event: absent, with the reason -----------------------------------------
    def hole_at(a: float, b: float) -> bool:
        return any(y - x > limit and x - 1 < b and y > a for x, y in gap_list)

    take_at = take.at if take is not None else None
    take_u = take.u if take is not None else None
    if take is not None and take_u is not None:
        rise = take.hi - take.lo
        gone = sum(max(0.0, min(y, take.hi) - max(x - 1.0, take.lo)) for x, y in gap_list)
        if gone > 0.6 * rise:
            notes.append(Note("gap_takeaway", "samples are missing at the takeaway"))
            take_at = take_u = None
        elif gone > 0.0:
            take_u = float(np.hypot(take_u, 0.1 * gone))
    top_at: float | None = top + i0
    top_u_out: float | None = top_u
    turn_out: float | None = turn_top
    top_lo, top_hi = min(top, flat_lo) + i0, max(top, flat_hi) + i0
    at_top = [y - x for x, y in gap_list if x - 1 <= top_hi and y >= top_lo]
    if at_top:
        # Around the top the rate passes through zero almost straight: a short hole can be bridged.
        top_u_out = float(np.hypot(top_u, 0.1 * max(at_top)))
    if at_top and max(at_top) > 0.045 * fs:
        notes.append(Note("gap_top", "samples are missing at the top"))
        top_at = top_u_out = None
    if impact is not None and impact_u is not None:
        dark = shock.unseen if basis == "shock" and shock is not None else 0
        if dark > 0.02 * fs + 4 or (basis != "shock" and hole_at(impact - 1.5, impact + 1.5)):
            notes.append(Note("gap_impact", "samples are missing at impact"))
            impact = impact_u = None
    if take is None:
        turn_out = None

    # -- peak rate -------------------------------------------------------------------------------
    end = int(np.ceil(least + i0)) + 1
    if basis == "shock" and shock is not None:
        end = max(shock.first - shock.unseen, top_i + i0 + 2)
    stop_at = impact if impact is not None else float(end)
    whole_gyr = rebuild(gyr, clip_g, acc, clip_a, lo=top_i + i0, end=min(n, end))
    peak, peak_at_f, peak_u, bound = _peak_rate(
        whole_gyr.gyr_dps, whole_gyr.u_dps, whole_gyr.bound, top_i + i0, end, stop_at, fs, noise_g
    )
    if whole_gyr.u_dps.any() and not bound:
        notes.append(
            Note(
                "rate_rebuilt",
                "the gyroscope was at the end of its range: the peak rate was rebuilt from its "
                "neighbours",
            )
        )
    peak_u_out = None if peak is None else float(np.hypot(peak_u, c.gyr_scale_u * peak))
    if bound:
        notes.append(
            Note(
                "rate_lower_bound",
                "the gyroscope was at the end of its range: the peak rate is at least this",
            )
        )
    peak_to_impact = None if impact is None or peak_at_f is None else impact - peak_at_f
    peak_to_u = (
        None
        if peak_to_impact is None or impact_u is None
        else float(np.hypot(impact_u, 0.004 * fs))
    )
    transverse, transverse_u, why = _transverse(
        gyr, acc, any_clip_a | any_clip_g, q, i0, start, top_i + i0, end, c, stop_at, fs
    )
    if transverse is None:
        notes.append(Note("no_long_axis", why))

    # -- finish ----------------------------------------------------------------------------------
    finish, finish_u = None, None
    if peak is not None:
        from_k = int(np.ceil(stop_at)) + 1
        size = norm(smooth(gyr, max(2, round(0.012 * fs)), 2))
        under = np.flatnonzero(size[from_k:] < 0.10 * peak)
        if len(under):
            k = from_k + int(under[0])
            finish = crossing(size, k - 1, 0.10 * peak) if k > from_k else float(k)
            slope = abs(float(size[min(n - 1, k + 1)] - size[max(0, k - 2)])) / 3.0
            finish_u = float(np.hypot(0.3, (rate_noise + 0.01 * peak) / max(slope, 0.05)))
            if hole_at(finish - 1, finish + 1):
                finish = finish_u = None
                notes.append(Note("gap_finish", "samples are missing at the finish"))
        else:
            notes.append(Note("no_finish", "the rotation did not die down before the next motion"))

    gap_lo, gap_hi = origin, stop_at if impact is not None else stop_at + 0.06 * fs
    missing = int((~whole[max(0, int(gap_lo)) : int(gap_hi) + 1]).sum())
    if missing:
        notes.append(Note("gap", "samples are missing inside the swing"))
    if clipped:
        notes.append(Note("clipped", "the sensor was at its limit on some axis"))
    g0 = window.first_seq + cut
    delay = c.gyr_delay_s * fs

    def out(x: float | None, shift: float) -> float | None:
        return None if x is None else float(g0 + x - shift)

    impact_shift = 0.0 if basis == "shock" else delay
    if peak_to_impact is not None and basis == "shock":
        peak_to_impact += delay
    return FoundSwing(
        takeaway_seq=out(take_at, delay),
        takeaway_u=take_u,
        top_seq=out(top_at, delay),
        top_u=top_u_out,
        impact_seq=out(impact, impact_shift),
        impact_u=impact_u,
        finish_seq=out(finish, delay),
        finish_u=finish_u,
        strike=strike,
        impact_basis=basis if impact is not None else None,
        turn_deg=turn_out,
        turn_u=None if turn_out is None else turn_u,
        peak_rate_dps=peak,
        peak_rate_u=peak_u_out,
        peak_transverse_dps=transverse,
        peak_transverse_u=transverse_u,
        peak_to_impact_samples=peak_to_impact,
        peak_to_impact_u=peak_to_u,
        top_dwell_samples=dwell if top_at is not None else None,
        top_dwell_u=float(np.hypot(0.5, 0.05 * dwell)) if top_at is not None else None,
        gap_samples=missing,
        clipped=clipped,
        notes=tuple(notes),
        anchor_seq=int(g0 + peak_k),
    )


def _noise(x: Array, start: int, fs: float) -> float:
    """White noise of a channel, from second differences in the half second before the swing."""
    part = x[max(0, start - round(0.6 * fs)) : max(4, start)]
    if len(part) < 6:
        return 0.1
    d = part[2:] - 2 * part[1:-1] + part[:-2]
    # 1.538: median length of a vector of three standard normal numbers.
    return float(np.median(norm(d)) / 1.538 / np.sqrt(6.0))


def _edges(clip: Bools) -> Bools:
    """Samples where a channel enters or leaves its stop: a kink there is not a shock."""
    out = np.zeros_like(clip)
    change = clip[1:] != clip[:-1]
    out[1:] |= change
    out[:-1] |= change
    return out


def _top(turn: Array, rate: Array, k: int, fs: float) -> tuple[float, float]:
    """Zero of the turn rate around its greatest turn; and the slope there, dps a sample."""
    half = max(2, round(0.018 * fs))
    a, b = max(0, k - half), min(len(rate), k + half + 1)
    if b - a < 4:
        return float(k), 0.0
    t = np.arange(a, b) - k
    fit = np.polynomial.polynomial.polyfit(t, rate[a:b], 2 if b - a < 7 else 3)
    slope = float(fit[1])
    x = 0.0
    for _ in range(8):
        f = float(np.polynomial.polynomial.polyval(x, fit))
        d = float(np.polynomial.polynomial.polyval(x, np.polynomial.polynomial.polyder(fit)))
        if d >= 0:
            break
        x = float(np.clip(x - f / d, -half, half))
    return float(k + x), slope


def _flat(size: Array, k: int, level: float, reach: int) -> tuple[float, float]:
    """Stretch around the least rate near sample k over which the rate stays under ``level``."""
    a, b = max(0, k - reach), min(len(size), k + reach + 1)
    m = a + int(np.argmin(size[a:b]))
    if size[m] > level:
        return float(k), float(k)
    lo = hi = m
    while lo > 0 and size[lo - 1] <= level:
        lo -= 1
    while hi < len(size) - 1 and size[hi + 1] <= level:
        hi += 1
    return float(lo), float(hi)


def _is_pause(size: Array, turn_rate: Array, lo: float, hi: float, level: float, fs: float) -> bool:
    """Whether the segment stood still there longer than a plain reversal would take.

    A plain reversal passes through ``level`` at the slope that it has just outside, and its turn
    rate falls all the way from one side's level to the other's; in a pause it stays near zero.
    """
    if hi - lo < 0.025 * fs:
        return False
    inner = turn_rate[round(lo + 0.15 * (hi - lo)) : round(hi - 0.15 * (hi - lo)) + 1]
    if len(inner) > 3:
        t = np.arange(len(inner)) - 0.5 * (len(inner) - 1)
        fall = -float((t * inner).sum() / (t * t).sum()) * len(inner)
        if fall > 0.6 * level:
            return False
    reach = round(0.06 * fs)
    before = float(size[max(0, int(lo) - reach)]) - level
    after = float(size[min(len(size) - 1, int(hi) + reach)]) - level
    if min(before, after) <= 0.0:
        return True
    plain = level * reach / before + level * reach / after
    return hi - lo > 3.0 * plain + 0.01 * fs


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


def _least(turn: Array, top: int, guess: int, fs: float) -> tuple[float, float]:
    """Instant of least turn on the way down: position and standard uncertainty, in samples."""
    half = max(3, round(0.05 * fs))
    a, b = max(top + 1, guess - half), min(len(turn), guess + half + 1)
    if b - a < 3:
        return float(guess), float(half)
    k = a + int(np.argmin(turn[a:b]))
    if not 0 < k < len(turn) - 1:
        return float(k), 1.0
    p, m, s = (float(v) for v in turn[k - 1 : k + 2])
    bend = p - 2 * m + s
    at = k + (0.5 * (p - s) / bend if bend > 0 else 0.0)
    # The least is flat: half a degree of turn either way is as far as the integral can tell.
    return at, float(np.sqrt(0.5 / max(bend, 1e-3)))


# What a ball typically does to the sensor (deg/s, m/s2 beyond what the motion would have done) by
# mount; common practice, no source: they set only where a knock is called unclear.
_KNOCK = {
    "club": (300.0, 300.0),
    "glove": (150.0, 120.0),
    "wrist": (60.0, 60.0),
    "trunk": (2.0, 2.5),
}


def _strike(shock: Shock | None, mount: str | None, fs: float) -> tuple[bool | None, str]:
    """Ball or not, from the shock. A light or dragged-out knock may be the mat: nobody can tell."""
    if shock is None:
        # The upper back hardly feels a ball: there, no knock says nothing.
        return (None if mount == "trunk" else False), "least_turn"
    g, a = _KNOCK.get(mount or "", (80.0, 80.0))
    size = float(np.hypot(shock.gyr_dps / g, shock.acc_m_s2 / a) * np.sqrt(shock.sharpness))
    if size < 0.30:
        return False, "least_turn"
    # Under about 90 Hz a parabola through the past lags the downswing itself.
    if size < (0.75 if fs > 150 else 0.60 if fs > 90 else 1.5):
        return None, "shock"
    return True, "shock"


def _peak_rate(
    gyr: Array,
    clip_u: Array,
    bound: Bools,
    top: int,
    end: int,
    stop_at: float,
    fs: float,
    noise: float,
) -> tuple[float | None, float | None, float, bool]:
    """Greatest |w| from the top to impact, before the shock: value, position, u, lower bound?"""
    end = int(np.clip(end, top + 2, len(gyr)))
    size = norm(gyr[top:end])
    k = int(np.argmax(size))
    if bound[top:end].any():
        return float(size[k]), float(top + k), 0.02 * float(size[k]), True
    half = max(2, round(0.012 * fs))
    m = len(size)
    if k + half < m - 1:
        a, b = max(0, k - half), min(m, k + half + 1)
        degree = 2
    else:  # still rising when the shock comes: carry the curve on to the impact
        a, b = max(0, m - max(5, round(0.025 * fs))), m
        degree = 2
    t = np.arange(a, b, dtype=float) - k
    fit = np.polynomial.polynomial.polyfit(t, size[a:b], min(degree, b - a - 1))
    hi = min(stop_at - top - k, float(b - k))
    grid = np.linspace(float(a - k), max(hi, 0.0), 65)
    curve = np.polynomial.polynomial.polyval(grid, fit)
    i = int(np.argmax(curve))
    value, at = float(curve[i]), float(top + k + grid[i])
    u = float(np.hypot(noise / np.sqrt(b - a), 0.002 * value))
    if i == len(grid) - 1:
        u = float(np.hypot(u, 0.5 * abs(value - float(size[-1]))))
    return value, at, float(np.hypot(u, clip_u[top:end].max())), False


def _transverse(
    gyr: Array,
    acc: Array,
    bad: Bools,
    q: Array,
    i0: int,
    start: int,
    top: int,
    end: int,
    c: Conditions,
    stop_at: float,
    fs: float,
) -> tuple[float | None, float | None, str]:
    """Greatest part of |w| across the segment's long axis between top and impact.

    The long axis points at the hub of the swing, which is where the centripetal acceleration
    points when the rotation is fast.
    """
    if c.mount == "trunk":
        return None, None, "the upper back turns on its own axis: there is no hub to point at"
    if c.mount == "wrist":
        # The shoulder moves too and the forearm rolls: measured on simulated swings, the hub's
        # direction and the forearm's differ by up to half a radian, unseen by one sensor.
        return None, None, "the forearm rolls and its shoulder moves: its long axis can't be told"
    size = norm(gyr)
    fast = np.zeros(len(gyr), dtype=bool)
    fast[top:end] = size[top:end] > 0.7 * float(size[top:end].max())
    fast &= ~bad
    index = np.flatnonzero(fast)
    if len(index) < 4:
        return (
            None,
            None,
            "the accelerometer was at its stop: the segment's long axis can't be told",
        )
    # Gravity in the sensor frame: at the start of the integration the sensor was near rest.
    rest = acc[max(0, start - round(0.15 * fs)) : start + 1].mean(axis=0)
    up = rest / max(float(np.sqrt(rest @ rest)), 1e-9) * G_N
    back = q[index - i0].copy()
    back[:, 1:] *= -1.0
    motion = acc[index] - rotate(back, np.broadcast_to(up, (len(index), 3)))
    weight = size[index] ** 2
    axis = (motion * weight[:, None]).sum(axis=0)
    length = float(np.sqrt(axis @ axis))
    if length < 1e-6:
        return None, None, "no centripetal acceleration: the segment's long axis can't be told"
    axis /= length
    unit = motion / np.maximum(norm(motion), 1e-9)[:, None]
    spread = float(np.sqrt(np.average(norm(cross(unit, axis)) ** 2, weights=weight)))
    if spread > 0.6 or float(np.median(norm(motion))) < 8.0:
        return None, None, "the acceleration does not point at a hub: no long axis"
    across = norm(gyr[top:end] - (gyr[top:end] @ axis)[:, None] * axis)
    value = float(across.max())
    along = float(np.sqrt(max(size[top:end].max() ** 2 - value**2, 0.0)))
    # The club and the hand are not in line with the hub until they are fastest: up to a third of
    # a radian in simulated swings.
    u = float(np.sqrt((0.08 * value) ** 2 + (0.35 * along) ** 2))
    return value, u, ""
