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

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy.signal import savgol_coeffs

from analysis.attitude import cross, rotate, turn_vector
from analysis.clipping import rebuild
from analysis.results import FoundSwing, Note
from analysis.shock import Shock, find_collapse, find_shock
from analysis.uncertainty import (
    BIAS,
    CLIPPING,
    GAP,
    NOISE,
    RULE,
    SAMPLING,
    SCALE,
    SWAY,
    combined,
    make_parts,
)

Array = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

__all__ = ["Conditions", "Window", "measure"]

CHANNELS = ("acc_x", "acc_y", "acc_z", "gyr_x", "gyr_y", "gyr_z")
G_N = 9.80665

# -- what the uncertainties are built from -------------------------------------------------------
# Sizes that one sensor can't tell by itself. Those marked "fitted" were set once, all mounts and
# kinds together, so that simulated swings of both motion models (seeds 240000-345000) are covered
# as often as stated; `benchmarks/calibration.py` checks them on others.
SWAY_DPS = 0.8
"""Slow sway about each axis that goes on into the takeaway. Standing at ease one leans to and fro
by about a quarter of a degree below 1 Hz, about 1 deg/s (from memory); some of it has gone by the
time that the takeaway is told (fitted)."""
TREMOR_SHARE = 0.9
"""How much of the tremor seen at address (8-12 Hz) is left in the smoothed takeaway (fitted)."""
SWAY_LEAN_S = 0.15
"""So long the sway goes on turning the segment within the swing: half of 0.3 s (own choice)."""
TOP_DPS = 0.18
"""What the turn rate can't be told to, at the top and the finish, for the curve that is laid
through it (fitted)."""
BIAS_SHARE = 0.7
"""The stillness that the bias is read from is judged a little too strictly (fitted)."""
GAP_SHARE = 0.1
"""Share of a hole's length by which an event beside it can be off (fitted)."""
INTERPOLATION = 0.05
"""Samples: what the interpolation between two of them leaves."""
LEAST_DPS = 0.5
"""What the turn rate at the least turn can't be told to (fitted)."""
USUAL_TREMOR_DPS = 0.5
"""Where there is too little before the swing to see the tremor (from memory, README of the
simulation)."""
MOST_TREMOR_DPS = 8.0
"""More isn't tremor but another movement."""
TREMOR_HZ = 10.0
GAP_RATE_SHARE = 0.03
"""Share of the rate's change over a hole by which the curve that bridges it is off on average
(fitted)."""
DWELL_DEG = 0.01
"""What curves through the samples leave of the turn near the top (fitted)."""
BOUND_SHARE = 0.15
"""A peak of which only a bound is known lies this much higher, say: stops of 0.8 of the peak."""
PEAK_SHARE = 0.002
"""What the chip's own filter and the parabola leave of a peak (fitted)."""
PEAK_BEND_SHARE = 0.12
"""Share of the rate's second difference at the peak that its parabola misses: tells at low rates
(fitted)."""
PEAK_PLACE_S = 0.0005
PEAK_PLACE_SAMPLES = 0.25
"""The same of its place (fitted)."""
ACROSS_SHARE = {"glove": 0.02, "club": 0.04}
ALONG_SHARE = {"glove": 0.10, "club": 0.43}
"""How far out of line with the hub club and hand are, in radians, when they are fastest
(fitted)."""
STEEP_U_S = 0.004
NO_REST_U_S = 0.02
"""Where a backswing begins out of another motion, the line has little or nothing to go by."""
DOUBT_SHARE = 0.4
"""Share of the way between knock and least turn, where the knock may be none one time in five:
the root of 0.2 x 0.8 (fitted)."""
UNFELT_U_S = 0.05
"""At the upper back a ball may go unfelt; it is met some hundredths of a second after the turn is
least there (25-110 ms in the simulation)."""


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


def within(x: float, lo: float, hi: float) -> float:
    """``x``, or the end that it is beyond."""
    return lo if x < lo else hi if x > hi else x


@lru_cache
def _fit_weights(first: int, n: int, degree: int) -> Array:
    return np.asarray(np.linalg.pinv(np.vander(np.arange(first, first + n), degree + 1, True)))


def fitted(y: Array, first: int, degree: int) -> tuple[float, float, float, float]:
    """Coefficients of the least-squares polynomial through ``y``, constant first, up to the cubic.

    The samples lie at ``first``, ``first + 1``, ...
    """
    c = (_fit_weights(first, len(y), degree) * y).sum(axis=1).tolist()
    return (*c, *(0.0,) * (4 - len(c)))


def crossing(y: Array, k: int, level: float) -> float:
    """Position between samples k and k + 1 at which ``y`` passes ``level``, by a straight line."""
    d = float(y[k + 1] - y[k])
    return k + within((level - float(y[k])) / d, 0.0, 1.0) if d != 0 else float(k)


def value_at(y: Array, position: float) -> Array:
    """Cubic (four-point) interpolation of rows of ``y`` at a fractional position."""
    n = len(y)
    k = int(within(math.floor(position), 1, max(1, n - 3)))
    t = position - k
    if n < 4:
        i = int(within(round(position), 0, n - 1))
        return np.asarray(y[i])
    return np.asarray(
        y[k - 1] * (-t * (t - 1) * (t - 2) / 6)
        + y[k] * ((t + 1) * (t - 1) * (t - 2) / 2)
        + y[k + 1] * (-(t + 1) * t * (t - 2) / 2)
        + y[k + 2] * ((t + 1) * t * (t - 1) / 6)
    )


@dataclass(slots=True)
class _Takeaway:
    """Takeaway and what it hangs on.

    ``early`` and ``late`` are how far it moves, in samples, where |w| is wrong by ``rate_u_dps`` as
    it passes the lower and the upper level; ``rule`` is a standard uncertainty in samples
    where the line had too little to go by.
    """

    at: float
    early: float
    late: float
    rule: float
    lo: float
    hi: float


def find_takeaway(
    size: Array, peak_at: int, *, first: int, rate_hz: float, rate_u_dps: float = 1.0
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
    rate_hz : float
    rate_u_dps : float
        Error in |w| for which the result says how far it moves.

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
    rule = 0.0
    if size[j] <= low:
        lo = crossing(size, j, low)
    else:
        # The rate never sank to a tenth (a rocking start, back-and-forth rehearsals): the rise
        # begins at its least.
        lo, rule = float(least_at), STEEP_U_S * rate_hz
        if least > 0.27 * peak:
            return _Takeaway(float(least_at), 0.0, 0.0, NO_REST_U_S * rate_hz, lo, hi)
    if hi - lo < 0.5:
        return _Takeaway(lo, 0.0, 0.0, max(rule, 1.0), lo, hi)
    t = np.linspace(lo, hi, 33)
    grid = np.arange(len(size))
    a0, b0 = max(0, int(lo) - 2), min(len(size), int(hi) + 4)
    root = np.sqrt(np.maximum(np.interp(t, grid[a0:b0], size[a0:b0]), 0.0))
    mid = float(t.mean())
    slope = float(((t - mid) * root).sum() / ((t - mid) ** 2).sum())
    if slope <= 0:
        return None
    at = mid - float(root.mean()) / slope
    # An error d in |w| moves an end of the line by d / (2 sqrt(|w|)), and its zero by so much more
    # as the zero lies further out.
    lever = (mid - at) / (hi - lo)
    early = rate_u_dps * (0.5 + lever) / (2.0 * np.sqrt(max(low, 1e-6))) / slope
    late = rate_u_dps * (0.5 - lever) / (2.0 * np.sqrt(max(high, 1e-6))) / slope
    return _Takeaway(at, float(early), float(late), rule, lo, hi)


def measure(
    window: Window, rough: dict[str, int], c: Conditions, *, rally: bool = False
) -> FoundSwing | None:
    """Measure the swing outlined by ``rough`` in ``window``.

    Parameters
    ----------
    window : Window
    rough : dict
        Sample numbers in the window of the outline's ``start``, ``top``, ``peak``, ``least``.
    c : Conditions
    rally : bool
        It begins soon after another swing has ended: back-and-forth rehearsals.

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
    delay = c.gyr_delay_s * fs

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
    tremor = _tremor(gyr, start, fs)
    bias_u = BIAS_SHARE * min(window.bias_u_dps, 3.0)
    # A cubic through 2 h + 1 samples leaves 9 / (4 (2 h + 1)) of the white noise's variance.
    smooth_noise = noise_g * float(np.sqrt(2.25 / (2 * half + 1)))
    parts: dict[str, dict[str, float]] = {}

    first = max(1, start - round(0.5 * fs))
    reach = slice(max(0, start), top_k + 1)
    if reach.stop - reach.start < 3:
        return None
    size = norm(smoothed)
    peak_at = reach.start + int(np.argmax(size[reach]))
    take = find_takeaway(size, peak_at, first=first, rate_hz=fs)
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
    # A pause at the top: any instant of it is as good as another, so its middle, and say so.
    quiet_dps = max(3.0, bias_u + 3.0 * noise_g / float(np.sqrt(half)))
    flat_lo, flat_hi = _flat(norm(smoothed[i0:]), top_i, quiet_dps, max(3, round(0.02 * fs)))
    hidden = sum(
        min(y, flat_hi + i0) - max(x - 1, flat_lo + i0)
        for x, y in gap_list
        if x - 1 <= flat_hi + i0 and y >= flat_lo + i0
    )
    pause = hidden <= 0.3 * (flat_hi - flat_lo) and _is_pause(
        norm(smoothed[i0:]), turn_rate, flat_lo, flat_hi, quiet_dps, fs
    )
    seconds_back = (top - (origin - i0)) / fs
    grown = _Growth(gyr[i0:], fixed, q, origin - i0, max(least_k, peak_k) - i0 + 1, fs)
    at_top = min(round(top), len(turn) - 1)
    if pause:
        top = 0.5 * (flat_lo + flat_hi)
        parts["top_seq"] = {RULE: (flat_hi - flat_lo) / float(np.sqrt(12.0)), NOISE: INTERPOLATION}
    else:
        per_dps = _per_dps(top_slope, dwell)
        parts["top_seq"] = {
            NOISE: noise_g * float(np.sqrt(2.25 / (2 * max(2, round(0.018 * fs)) + 1))) * per_dps,
            BIAS: bias_u * per_dps,
            SCALE: c.gyr_scale_u * grown.rate_at(at_top, vector, fixed) * per_dps,
            SAMPLING: INTERPOLATION,
            RULE: TOP_DPS * per_dps,
        }
    unit = vector[at_top] / max(turn[at_top], 1e-9)
    lean = SWAY_DPS * SWAY_LEAN_S
    parts["turn_deg"] = {
        SCALE: c.gyr_scale_u * float(np.sqrt(np.sum((grown.turn_at(top) @ unit) ** 2))),
        BIAS: bias_u * seconds_back,
        NOISE: noise_g * float(np.sqrt(max(seconds_back, 0.0) / fs)),
        SWAY: float(np.hypot(lean, tremor / (2.0 * np.pi * TREMOR_HZ))),
    }

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
    least, least_slope = _least(turn, top_i, least_k - i0, fs)
    basis: str | None
    strike, basis = _strike(shock, c.mount, fs, rally=rally)
    collapse = None
    if strike is not True and c.mount == "club" and not rally and any_clip_a[lo:hi].any():
        # An accelerometer at its stop hardly feels a knock: that there was none proves nothing.
        collapse = find_collapse(gyr, ~whole, rate_hz=fs, lo=lo, hi=hi)
        if collapse is not None:
            shock, strike, basis = collapse, None, "shock"
    impact: float | None
    if basis == "shock" and shock is not None:
        impact = shock.onset
        parts["impact_seq"] = dict(shock.parts)
    else:
        impact, basis = least + i0, "least_turn"
        k = int(within(round(least), 0, len(turn) - 1))
        per_dps = _per_dps(least_slope, 0.05 * fs)
        # Little of the turn is left there, so that an error across it turns it about, and with it
        # the instant at which it is least.
        per_deg = per_dps * float(norm(fixed[k : k + 1])[0]) / max(float(turn[k]), 1.0)
        since_s = (least - (origin - i0)) / fs
        hole, stop = _bridged(gyr, clip_g, gap_list, int(origin), round(least + i0), fs)
        parts["impact_seq"] = {
            SWAY: per_deg * parts["turn_deg"][SWAY],
            NOISE: noise_g * float(np.hypot(per_dps, per_deg * np.sqrt(since_s / fs))),
            BIAS: bias_u * float(np.hypot(per_dps, per_deg * since_s)),
            SCALE: c.gyr_scale_u * grown.rate_at(k, vector, fixed) * per_dps,
            SAMPLING: INTERPOLATION,
            GAP: per_deg * hole,
            CLIPPING: per_deg * stop,
            RULE: LEAST_DPS * per_dps,
        }
        if strike is None:
            # If it was a ball after all, it was met some hundredths of a second later.
            parts["impact_seq"][RULE] = float(np.hypot(parts["impact_seq"][RULE], UNFELT_U_S * fs))
        if least + i0 >= n - 2:
            impact = None
            basis = None
            notes.append(
                Note(
                    "no_impact",
                    "the turn was not back at its least when the motion went on or ended",
                )
            )
    doubtful = shock is not None and (collapse is not None or _doubtful(shock, c.mount, fs))
    if shock is not None and doubtful and not rally and strike is not True:
        # Knock or none: the impact is at one of two places.
        away = abs(shock.onset - least - i0)
        rule = parts["impact_seq"].get(RULE, 0.0)
        parts["impact_seq"][RULE] = float(np.hypot(rule, DOUBT_SHARE * away))
    near = range(int(least + i0 - 0.12 * fs), int(least + i0 + 0.06 * fs))
    if strike is False and not rally and any(y - x > limit and x in near for x, y in gap_list):
        strike = None
        impact = basis = None
        notes.append(Note("gap_impact", "samples are missing where a ball's knock may have been"))
    elif strike is None:
        notes.append(
            Note(
                "unclear_strike",
                "the sensor was at its limit, and the rate fell suddenly: it may have been a ball"
                if collapse is not None
                else "no knock was felt, but the upper back hardly feels a ball"
                if shock is None
                else "there was a knock, too weak to say whether it was a ball",
            )
        )

    # -- holes over an event: absent, with the reason -----------------------------------------
    def hole_at(a: float, b: float) -> bool:
        return any(y - x > limit and x - 1 < b and y > a for x, y in gap_list)

    take_at = take.at if take is not None else None
    if take is not None:
        slow = abs(take.early + take.late)
        fast = float(np.hypot(take.early, take.late))
        by: dict[str, float] = {
            SWAY: float(np.hypot(SWAY_DPS * slow, TREMOR_SHARE * tremor * fast)),
            NOISE: smooth_noise * fast,
            BIAS: bias_u * slow,
            SAMPLING: INTERPOLATION,
            RULE: take.rule,
        }
        rise = take.hi - take.lo
        gone = sum(max(0.0, min(y, take.hi) - max(x - 1.0, take.lo)) for x, y in gap_list)
        if gone > 0.6 * rise:
            notes.append(Note("gap_takeaway", "samples are missing at the takeaway"))
            take_at = None
        by[GAP] = GAP_SHARE * gone
        parts["takeaway_seq"] = by
    top_at: float | None = top + i0
    turn_out: float | None = turn_top
    top_lo, top_hi = min(top, flat_lo) + i0, max(top, flat_hi) + i0
    missing_at_top = [y - x for x, y in gap_list if x - 1 <= top_hi and y >= top_lo]
    if missing_at_top:
        # Around the top the rate passes through zero almost straight: a short hole can be bridged.
        parts["top_seq"][GAP] = GAP_SHARE * max(missing_at_top)
    if missing_at_top and max(missing_at_top) > 0.045 * fs:
        notes.append(Note("gap_top", "samples are missing at the top"))
        top_at = None
    if impact is not None:
        dark = shock.unseen if basis == "shock" and shock is not None else 0
        if dark > 0.02 * fs + 4 or (basis != "shock" and hole_at(impact - 1.5, impact + 1.5)):
            notes.append(Note("gap_impact", "samples are missing at impact"))
            impact = None
    if take is None:
        turn_out = None
    turn_gap, turn_clip = _bridged(gyr, clip_g, gap_list, int(origin), round(top + i0), fs)
    parts["turn_deg"][GAP] = turn_gap
    parts["turn_deg"][CLIPPING] = turn_clip

    # -- peak rate -------------------------------------------------------------------------------
    end = int(np.ceil(least + i0)) + 1
    if basis == "shock" and shock is not None:
        end = max(shock.first - shock.unseen, top_i + i0 + 2)
    stop_at = impact if impact is not None else float(end)
    whole_gyr = rebuild(gyr, clip_g, acc, clip_a, lo=top_i + i0, end=min(n, end))
    # A shock's onset is not delayed by the chip's filter; the motion up to it is.
    last_at = stop_at + delay if basis == "shock" else stop_at
    peak, peak_at_f, peak_parts, peak_at_parts, bound = _peak_rate(
        whole_gyr.gyr_dps, whole_gyr.u_dps, whole_gyr.bound, top_i + i0, end, last_at, fs, noise_g
    )
    if whole_gyr.u_dps.any() and not bound:
        notes.append(
            Note(
                "rate_rebuilt",
                "the gyroscope was at the end of its range: the peak rate was rebuilt from its "
                "neighbours",
            )
        )
    if bound:
        notes.append(
            Note(
                "rate_lower_bound",
                "the gyroscope was at the end of its range: the peak rate is at least this",
            )
        )
    peak_to_impact = None
    if impact is not None and peak_at_f is not None:
        peak_to_impact = max(last_at - peak_at_f, 0.0)
    at_peak = gyr[int(within(round(peak_at_f or 0.0), 0, n - 1))]
    peak_growth = at_peak**2 / max(float(np.sqrt(at_peak @ at_peak)), 1e-9)
    if peak is not None:
        peak_parts[SCALE] = c.gyr_scale_u * float(np.sqrt(peak_growth @ peak_growth))
        peak_parts[BIAS] = bias_u
        parts["peak_rate_dps"] = peak_parts
    if peak_to_impact is not None:
        # A rate that still rises at the impact has its peak there, wherever exactly that is.
        rising = peak_to_impact < 1e-6 and strike is not None
        parts["peak_to_impact_samples"] = (
            peak_at_parts if rising else _both(peak_at_parts, parts["impact_seq"])
        )
    transverse, transverse_parts, why = _transverse(
        gyr, acc, any_clip_a | any_clip_g, q, i0, start, top_i + i0, end, c, stop_at, fs
    )
    if transverse is not None:
        transverse_parts[BIAS] = bias_u
        parts["peak_transverse_dps"] = transverse_parts
    if transverse is None:
        notes.append(Note("no_long_axis", why))

    # -- finish ----------------------------------------------------------------------------------
    finish = None
    if peak is not None:
        from_k = int(np.ceil(stop_at)) + 1
        size = norm(smooth(gyr, max(2, round(0.012 * fs)), 2))
        level = 0.10 * peak
        finish = _first_under(size, from_k, level)
        if finish is None:
            notes.append(Note("no_finish", "the rotation did not die down before the next motion"))
        elif hole_at(finish - 1, finish + 1):
            finish = None
            notes.append(Note("gap_finish", "samples are missing at the finish"))
        else:
            parts["finish_seq"] = _finish_parts(
                size,
                gyr,
                from_k,
                finish,
                level,
                fs,
                {
                    NOISE: noise_g,
                    BIAS: bias_u,
                    SCALE: c.gyr_scale_u,
                    CLIPPING: 0.10 * peak_parts.get(CLIPPING, 0.0),
                    RULE: float(np.hypot(0.10 * peak_parts.get(RULE, 0.0), 0.5 * TOP_DPS)),
                },
                peak_growth,
            )

    # -- time at the top ---------------------------------------------------------------------------
    parts["top_dwell_samples"] = _dwell_parts(
        turn, turn_rate, dwell_lo, dwell_hi, bias_u, noise_g, c.gyr_scale_u, fs
    )
    if missing_at_top:
        parts["top_dwell_samples"][GAP] = GAP_SHARE * max(missing_at_top)

    gap_lo, gap_hi = origin, stop_at if impact is not None else stop_at + 0.06 * fs
    missing = int((~whole[max(0, int(gap_lo)) : int(gap_hi) + 1]).sum())
    if missing:
        notes.append(Note("gap", "samples are missing inside the swing"))
    if clipped:
        notes.append(Note("clipped", "the sensor was at its limit on some axis"))
    g0 = window.first_seq + cut

    def out(x: float | None, shift: float) -> float | None:
        return None if x is None else float(g0 + x - shift)

    impact_shift = 0.0 if basis == "shock" else delay
    values = {
        "takeaway_seq": out(take_at, delay),
        "top_seq": out(top_at, delay),
        "impact_seq": out(impact, impact_shift),
        "finish_seq": out(finish, delay),
        "turn_deg": turn_out,
        "peak_rate_dps": peak,
        "peak_transverse_dps": transverse,
        "peak_to_impact_samples": peak_to_impact,
        "top_dwell_samples": dwell if top_at is not None else None,
    }
    budget = {name: make_parts(parts[name]) for name, value in values.items() if value is not None}
    u = {name: combined(p) for name, p in budget.items()}
    return FoundSwing(
        takeaway_seq=values["takeaway_seq"],
        takeaway_u=u.get("takeaway_seq"),
        top_seq=values["top_seq"],
        top_u=u.get("top_seq"),
        impact_seq=values["impact_seq"],
        impact_u=u.get("impact_seq"),
        finish_seq=values["finish_seq"],
        finish_u=u.get("finish_seq"),
        strike=strike,
        impact_basis=basis if impact is not None else None,
        turn_deg=turn_out,
        turn_u=u.get("turn_deg"),
        peak_rate_dps=peak,
        peak_rate_u=u.get("peak_rate_dps"),
        peak_transverse_dps=transverse,
        peak_transverse_u=u.get("peak_transverse_dps"),
        peak_to_impact_samples=peak_to_impact,
        peak_to_impact_u=u.get("peak_to_impact_samples"),
        top_dwell_samples=values["top_dwell_samples"],
        top_dwell_u=u.get("top_dwell_samples"),
        gap_samples=missing,
        clipped=clipped,
        notes=tuple(notes),
        anchor_seq=int(g0 + peak_k),
        budget=budget,
    )


class _Growth:
    """What an error of each gyroscope axis' scale makes of the turn, by the way it takes.

    With axis i reading (1 + s) times the truth, the turn vector's rate R w gains R e_i w_i for each
    unit of s, and the attitude R turns by the integral of that. Followed on a coarse grid: it is
    for uncertainties.

    Parameters
    ----------
    gyr, fixed, q : arrays
        Angular velocity in sensor and fixed frame (deg/s), attitude; from the same sample on.
    origin : float
        Where the turn is zero, in samples from there.
    end : int
        Last sample of interest.
    fs : float
    """

    def __init__(
        self, gyr: Array, fixed: Array, q: Array, origin: float, end: int, fs: float
    ) -> None:
        self._step = max(1, round(0.015 * fs))
        index = np.arange(0, max(2, min(end, len(gyr))), self._step)
        n = len(index)
        own = np.zeros((3, n, 3))
        for i in range(3):
            own[i, :, i] = gyr[index, i]
        self._own = rotate(q[index], own)
        dt = self._step / fs
        tilt = np.zeros((3, n, 3))
        np.cumsum(0.5 * dt * (self._own[:, 1:] + self._own[:, :-1]), axis=1, out=tilt[:, 1:])
        self._tilt = np.radians(tilt)
        self._rate = cross(self._tilt, fixed[index]) + self._own
        turn = np.zeros((3, n, 3))
        np.cumsum(0.5 * dt * (self._rate[:, 1:] + self._rate[:, :-1]), axis=1, out=turn[:, 1:])
        self._turn = turn - turn[:, self._near(origin), None]

    def _near(self, position: float) -> int:
        return int(within(round(position / self._step), 0, self._own.shape[1] - 1))

    def turn_at(self, position: float) -> Array:
        """Change of the turn vector for each axis: (3, 3), axes first, degrees."""
        return np.asarray(self._turn[:, self._near(position)])

    def rate_at(self, k: int, vector: Array, fixed: Array) -> float:
        """Change of the turn rate at sample k, where it is zero: root of the axes' squares."""
        j = self._near(k)
        change = self._turn[:, j] @ fixed[k] + self._rate[:, j] @ vector[k]
        return float(np.sqrt(change @ change) / max(float(np.sqrt(vector[k] @ vector[k])), 1e-9))


def _tremor(gyr: Array, start: int, fs: float) -> float:
    """Rms rate of the tremor about each axis in the third of a second before the swing.

    Second differences over half a period of 10 Hz, of 20 ms means: they pass a tremor of 8-12 Hz
    fourfold, and hardly anything of sway, waggles or the swing's beginning.
    """
    block, lag = max(1, round(0.02 * fs)), max(1, round(0.05 * fs))
    part = gyr[max(0, start - round(0.32 * fs) - 2 * lag - block) : max(0, start)]
    if len(part) < 2 * lag + block + 3:
        return USUAL_TREMOR_DPS
    total = np.zeros((len(part) + 1, 3))
    np.cumsum(part, axis=0, out=total[1:])
    means = (total[block:] - total[:-block]) / block
    d = means[2 * lag :] - 2 * means[lag:-lag] + means[: -2 * lag]
    # 1.538: median length of a vector of three standard normal numbers.
    return float(min(np.median(norm(d)) / 1.538 / 4.0, MOST_TREMOR_DPS))


def _bridged(
    gyr: Array, clip: Bools, gaps: list[tuple[int, int]], a: int, b: int, fs: float
) -> tuple[float, float]:
    """What holes and stops between two samples leave unknown of the turn, in degrees."""
    hole = stop = 0.0
    for x, y in gaps:
        lo, hi = max(x, a), min(y, b)
        if hi > lo:
            # The cubic over a hole takes the rate's part that bends more than that for nothing.
            span = gyr[max(0, lo - 2) : hi + 2]
            hole += (GAP_RATE_SHARE * float(np.ptp(norm(span))) * (hi - lo) / fs) ** 2
    stopped = clip[a:b].any(axis=1)
    if stopped.any():
        stop = 0.15 * float((norm(gyr[a:b])[stopped]).sum()) / fs
    return float(np.sqrt(hole)), stop


def _first_under(size: Array, k: int, level: float) -> float | None:
    """First position from sample k on at which ``size`` is under ``level``; None if it isn't."""
    under = np.flatnonzero(size[k:] < level)
    if not len(under):
        return None
    at = k + int(under[0])
    return crossing(size, at - 1, level) if at > k else float(at)


def _finish_parts(
    size: Array,
    gyr: Array,
    from_k: int,
    finish: float,
    level: float,
    fs: float,
    by: dict[str, float],
    peak_growth: Array,
) -> dict[str, float]:
    """Parts of the finish from those of the rate, in deg/s (of the scale: its share).

    Where the rate grazes the level it matters on which side of it a dip stays: so the crossing is
    looked for again at levels that are off by twice the uncertainty.
    """
    n = len(size)
    k = int(finish)
    w = gyr[int(within(k, 0, n - 1))]
    growth = 0.1 * peak_growth - w**2 / max(float(np.sqrt(w @ w)), 1e-9)
    dps = {
        **by,
        NOISE: by[NOISE] * float(np.sqrt(2.25 / (2 * max(2, round(0.012 * fs)) + 1))),
        SCALE: by[SCALE] * float(np.sqrt(growth @ growth)),
    }
    total = float(np.sqrt(sum(x * x for x in dps.values())))
    slope = abs(float(size[min(n - 1, k + 2)] - size[max(0, k - 1)])) / 3.0
    per_dps = 1.0 / max(slope, 0.02)
    for away in (-2.0 * total, 2.0 * total):
        other = _first_under(size, from_k, max(level + away, 0.0))
        if other is None:
            other = float(n - 1)
        per_dps = max(per_dps, abs(other - finish) / (2.0 * total))
    out = {source: x * per_dps for source, x in dps.items()}
    out[SAMPLING] = INTERPOLATION
    return out


def _dwell_parts(
    turn: Array,
    rate: Array,
    lo: float,
    hi: float,
    bias_u: float,
    noise: float,
    scale_u: float,
    fs: float,
) -> dict[str, float]:
    """Parts of the time within 2 deg of the greatest turn, in samples.

    Its ends are where the turn passes a level 2 deg lower: what the turn is wrong by since the
    top, over the turn rate there.
    """
    n = len(turn)
    slopes = [max(abs(float(rate[int(within(round(x), 0, n - 1))])), 2.0) / fs for x in (lo, hi)]
    per_deg = float(np.hypot(1.0 / slopes[0], 1.0 / slopes[1]))
    half_s = 0.5 * (hi - lo) / fs
    return {
        BIAS: bias_u * half_s * per_deg,
        NOISE: noise * float(np.sqrt(half_s / fs)) * per_deg,
        # A scale error s makes the 2 deg seem 2 (1 + s).
        SCALE: 2.0 * scale_u * per_deg,
        SAMPLING: 2.0 * INTERPOLATION,
        RULE: DWELL_DEG * per_deg,
    }


def _both(a: dict[str, float], b: dict[str, float]) -> dict[str, float]:
    """Parts of a sum or difference of two independent quantities."""
    return {k: float(np.hypot(a.get(k, 0.0), b.get(k, 0.0))) for k in {**a, **b}}


def _per_dps(slope: float, most: float) -> float:
    """Samples by which a zero of the turn rate moves for each deg/s of error, ``most`` at most."""
    return min(1.0 / max(abs(slope), 1e-6), most)


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
    c0, c1, c2, c3 = fitted(rate[a:b], a - k, 2 if b - a < 7 else 3)
    x = 0.0
    for _ in range(8):
        d = c1 + x * (2.0 * c2 + x * 3.0 * c3)
        if d >= 0:
            break
        x = within(x - (c0 + x * (c1 + x * (c2 + x * c3))) / d, -half, half)
    return k + x, c1


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
        if fall > 0.5 * level:
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
    """Instant of least turn on the way down, in samples, and the slope of the turn rate there.

    The slope is in deg/s a sample.
    """
    half = max(3, round(0.05 * fs))
    a, b = max(top + 1, guess - half), min(len(turn), guess + half + 1)
    if b - a < 3:
        return float(guess), 0.0
    k = a + int(np.argmin(turn[a:b]))
    if not 0 < k < len(turn) - 1:
        return float(k), 0.0
    p, m, s = (float(v) for v in turn[k - 1 : k + 2])
    bend = p - 2 * m + s
    at = k + (0.5 * (p - s) / bend if bend > 0 else 0.0)
    return at, max(bend, 0.0) * fs


# What a ball typically does to the sensor (deg/s, m/s2 beyond what the motion would have done) by
# mount; common practice, no source: they set only where a knock is called unclear.
_KNOCK = {
    "club": (300.0, 300.0),
    "glove": (150.0, 120.0),
    "wrist": (60.0, 60.0),
    "trunk": (2.0, 2.5),
}


def _knock(shock: Shock, mount: str | None) -> float:
    """Size of a shock beside what a ball typically does there."""
    g, a = _KNOCK.get(mount or "", (80.0, 80.0))
    return float(np.hypot(shock.gyr_dps / g, shock.acc_m_s2 / a))


def _light(shock: Shock, mount: str | None) -> bool:
    """Whether it may be a mat that was brushed: light or drawn out, as no smooth motion is."""
    most = _knock(shock, mount)
    return most > 0.26 or (shock.sharpness < 0.8 and shock.strength > 2.0 and most > 0.12)


def _doubtful(shock: Shock, mount: str | None, fs: float) -> bool:
    """Whether a light shock may as well be none: at low rates, where the parabola lags."""
    return fs <= 150 and mount != "trunk" and _light(shock, mount)


def _strike(
    shock: Shock | None, mount: str | None, fs: float, *, rally: bool = False
) -> tuple[bool | None, str]:
    """Ball or not, from the shock. A light or dragged-out knock may be the mat: nobody can tell.

    Back and forth without a stop no ball is hit, and the fast passes look a little like light
    knocks: there only a plain knock counts.
    """
    if shock is None:
        # The upper back hardly feels a ball: there, no knock says nothing.
        return (None if mount == "trunk" else False), "least_turn"
    size = _knock(shock, mount) * float(np.sqrt(shock.sharpness))
    if size < 0.30:
        light = _light(shock, mount) and not _doubtful(shock, mount, fs) and not rally
        return (None, "shock") if light else (False, "least_turn")
    # Under about 90 Hz a parabola through the past lags the downswing itself.
    if size < (0.75 if fs > 150 else 0.60 if fs > 90 else 1.5):
        if rally:
            return (None if mount == "trunk" else False), "least_turn"
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
) -> tuple[float | None, float | None, dict[str, float], dict[str, float], bool]:
    """Greatest |w| from the top to impact, before the shock.

    Returns
    -------
    value, position : float
    parts, position_parts : dict
        Of their uncertainties, but for the gyroscope's scale and bias; deg/s and samples.
    bound : bool
        It is a lower bound.
    """
    end = int(within(end, top + 2, len(gyr)))
    size = norm(gyr[top:end])
    k = int(np.argmax(size))
    if bound[top:end].any():
        stopped = int(bound[top:end].sum())
        return (
            float(size[k]),
            float(top + k),
            {CLIPPING: BOUND_SHARE * float(size[k])},
            {CLIPPING: float(stopped)},
            True,
        )
    half = max(2, round(0.012 * fs))
    m = len(size)
    if k + half < m - 1:
        a, b = max(0, k - half), min(m, k + half + 1)
    else:  # still rising when the shock comes: carry the curve on to the impact
        a, b = max(0, m - max(5, round(0.025 * fs))), m
    t = np.arange(a, b, dtype=float) - k
    degree = min(2, b - a - 1)
    fit = fitted(size[a:b], a - k, degree)[:3]
    hi = min(stop_at - top - k, float(b - k))
    grid = np.linspace(float(a - k), max(hi, 0.0), 65)
    curve = fit[0] + grid * (fit[1] + grid * fit[2])
    i = int(np.argmax(curve))
    value, at = float(curve[i]), float(top + k + grid[i])
    clip = float(clip_u[max(0, top + a) : top + b].max(initial=0.0))
    white = noise * float(np.sqrt(2.25 / (b - a)))
    # What the parabola leaves of the samples that it is laid through says how well it fits.
    left = size[a:b] - (fit[0] + t * (fit[1] + t * fit[2]))
    misfit = float(np.sqrt((left * left).sum() / max(1, b - a - degree - 1)))
    rule = float(np.hypot(PEAK_SHARE * value, misfit))
    if i == len(grid) - 1:
        rule = float(np.hypot(rule, 0.5 * abs(value - float(size[-1]))))
    # The vertex of a flat parabola moves far for a small error: by the slope's error over its bend.
    bend = max(2.0 * abs(fit[2]), 1e-6)
    slope_u = noise / max(float(np.sqrt(np.sum((t - t.mean()) ** 2))), 1e-6)
    position = {
        NOISE: min(slope_u / bend, 0.01 * fs),
        RULE: PEAK_PLACE_S * fs,
        SAMPLING: PEAK_PLACE_SAMPLES,
    }
    if clip > 0.0:
        position[CLIPPING] = 0.5 * float((clip_u[top:end] > 0.0).sum())
    by = {NOISE: white, SAMPLING: PEAK_BEND_SHARE * bend, RULE: rule, CLIPPING: clip}
    return value, at, by, position, False


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
) -> tuple[float | None, dict[str, float], str]:
    """Greatest part of |w| across the segment's long axis between top and impact.

    The long axis points at the hub of the swing, which is where the centripetal acceleration
    points when the rotation is fast.
    """
    if c.mount == "trunk":
        return None, {}, "the upper back turns on its own axis: there is no hub to point at"
    if c.mount == "wrist":
        # The shoulder moves too and the forearm rolls: measured on simulated swings, the hub's
        # direction and the forearm's differ by up to half a radian, unseen by one sensor.
        return None, {}, "the forearm rolls and its shoulder moves: its long axis can't be told"
    size = norm(gyr)
    fast = np.zeros(len(gyr), dtype=bool)
    fast[top:end] = size[top:end] > 0.7 * float(size[top:end].max())
    fast &= ~bad
    index = np.flatnonzero(fast)
    if len(index) < 4:
        return (
            None,
            {},
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
        return None, {}, "no centripetal acceleration: the segment's long axis can't be told"
    axis /= length
    unit = motion / np.maximum(norm(motion), 1e-9)[:, None]
    spread = float(np.sqrt(np.average(norm(cross(unit, axis)) ** 2, weights=weight)))
    if spread > 0.6 or float(np.median(norm(motion))) < 8.0:
        return None, {}, "the acceleration does not point at a hub: no long axis"
    across = norm(gyr[top:end] - (gyr[top:end] @ axis)[:, None] * axis)
    value = float(across.max())
    along = float(np.sqrt(max(size[top:end].max() ** 2 - value**2, 0.0)))
    # The club and the hand are not in line with the hub until they are fastest.
    mount = c.mount if c.mount in ALONG_SHARE else "club"
    rule = float(np.hypot(ACROSS_SHARE[mount] * value, ALONG_SHARE[mount] * along))
    return value, {RULE: rule, SCALE: c.gyr_scale_u * value}, ""
