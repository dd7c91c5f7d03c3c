"""The samples about one swing, made ready to be measured.

`prepare` cuts them out, fills short holes, takes the gyroscope's zero off and reads noise and
tremor off the time before the swing; every event is then measured on the same `Samples`. Below it
stand the small tools for series of samples that the events share.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from analysis.swing.savgol import savgol_coeffs
from words.units import G_N_M_S2, UNCALIBRATED_GYR_U

Array = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]


CHANNELS = ("acc_x", "acc_y", "acc_z", "gyr_x", "gyr_y", "gyr_z")
TREMOR_HZ = 10.0
"""Of a hand: 8-12 Hz (README of the simulation)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleParams:
    """What the samples are read with. "Fitted" is explained in `analysis.swing.measure`."""

    before_s: float = 0.8
    """So much before the outline's start is kept: noise and tremor are read there."""
    smooth_s: float = 0.030
    """Half length of the cubic that the takeaway is read through: tremor of 10 Hz stays, and a
    backswing of a third of a second isn't bent (own choice)."""
    acc_floor_m_s2: float = 15.0
    """Where the range isn't told, equal extremes under this are no stop."""
    gyr_floor_dps: float = 200.0
    """The same of the gyroscope: the smallest range on sale is 250 deg/s (from memory)."""
    stop_share: float = 0.998
    """A channel is at its stop from this share of the range on: scale and offset are applied after
    the chip has clipped."""
    after_s: float = 0.15
    """A stop counts for the swing up to so long after the least turn: a ball is met by then."""
    noise_s: float = 0.6
    """Length before the swing from which the noise is read."""
    tremor_s: float = 0.32
    """Length before the swing from which the tremor is read: what it is at the takeaway."""
    usual_tremor_dps: float = 0.5
    """Where there is too little before the swing to see the tremor (from memory, README of the
    simulation)."""
    most_tremor_dps: float = 8.0
    """More isn't tremor but another movement."""
    zero_share: float = 0.7
    """The stillness that the zero is read from is judged a little too strictly (fitted)."""
    most_zero_u_dps: float = 3.0
    """Where nothing was still: chips' zeros are within some deg/s (from memory)."""
    hole_samples: float = 2.0
    hole_s: float = 0.012
    """A longer hole hides an event in it: a cubic bridges two samples, and no swing bends within
    12 ms."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Conditions:
    """What is known of the sensor; see `analysis.SwingFinder`."""

    rate_hz: float
    mount: str | None = None
    gyr_range_dps: float | None = None
    acc_range_g: float | None = None
    gyr_delay_s: float = 0.0
    acc_delay_s: float = 0.0
    gyr_scale_u: float = UNCALIBRATED_GYR_U
    """Standard uncertainty of the gyroscope's scale, as a share."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """The samples around a swing; ``whole`` is False where a sample was missing and filled in."""

    first_seq: int
    acc_m_s2: Array
    gyr_dps: Array
    whole: Bools
    zero_dps: Array
    zero_u_dps: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Samples:
    """A swing's samples, ready to be measured. Positions are counted from the first one.

    Attributes
    ----------
    conditions : Conditions
    first_seq : int
        Number of the first sample.
    start, top, peak, least : int
        The outline's.
    gyr_dps, acc_m_s2 : (n, 3) arrays
        Holes filled, the gyroscope's zero taken off.
    whole : (n,) array of bool
    gaps : list of (int, int)
        Runs of missing samples, (first, one past the last).
    clip_gyr, clip_acc : (n, 3) arrays of bool
        Channels at their stops.
    clipped : tuple of str
        Names of those that were within the swing.
    smoothed_dps : (n,) array
        Rate, smoothed.
    noise_dps, noise_m_s2, smooth_noise_dps : float
        White noise a sample of both sensors, and what smoothing leaves of the gyroscope's.
    tremor_dps : float
        About each axis, rms.
    zero_dps : (3,) array
        The gyroscope's zero, which was taken off.
    zero_u_dps : float
        Its standard uncertainty.
    """

    conditions: Conditions
    first_seq: int
    start: int
    top: int
    peak: int
    least: int
    gyr_dps: Array
    acc_m_s2: Array
    whole: Bools
    gaps: list[tuple[int, int]]
    clip_gyr: Bools
    clip_acc: Bools
    clipped: tuple[str, ...]
    smoothed_dps: Array
    noise_dps: float
    noise_m_s2: float
    smooth_noise_dps: float
    tremor_dps: float
    zero_dps: Array
    zero_u_dps: float
    hole: float
    """Samples: a longer hole hides an event in it."""

    @property
    def rate_hz(self) -> float:
        """Nominal sample rate."""
        return self.conditions.rate_hz

    @property
    def long_gaps(self) -> list[tuple[int, int]]:
        """Those that hide an event."""
        return [(x, y) for x, y in self.gaps if y - x > self.hole]

    def hole_at(self, a: float, b: float) -> bool:
        """Whether a hole that hides an event touches the stretch from a to b."""
        return any(x - 1 < b and y > a for x, y in self.long_gaps)


def prepare(window: Window, rough: Mapping[str, int], c: Conditions, p: SampleParams) -> Samples:
    """Make a window ready to be measured.

    Parameters
    ----------
    window : Window
    rough : mapping
        Sample numbers in the window of the outline's ``start``, ``top``, ``peak``, ``least``.
    c : Conditions
    p : SampleParams

    Returns
    -------
    Samples
    """
    fs = c.rate_hz
    cut = max(0, rough["start"] - round(p.before_s * fs))
    raw_gyr, raw_acc, whole = window.gyr_dps[cut:], window.acc_m_s2[cut:], window.whole[cut:]
    start, top, peak, least = (rough[k] - cut for k in ("start", "top", "peak", "least"))
    n = len(raw_gyr)
    peak, least = min(peak, n - 1), min(least, n - 1)
    acc_limit = None if c.acc_range_g is None else c.acc_range_g * G_N_M_S2
    clip_gyr = clipped_channels(raw_gyr, c.gyr_range_dps, p.gyr_floor_dps, p.stop_share)
    clip_acc = clipped_channels(raw_acc, acc_limit, p.acc_floor_m_s2, p.stop_share)
    span = slice(max(0, start), min(n, max(least, peak) + round(p.after_s * fs)))
    flags = np.asarray(np.concatenate([clip_acc[span], clip_gyr[span]], axis=1).any(axis=0))
    gyr = fill_holes(raw_gyr, whole) - window.zero_dps
    acc = fill_holes(raw_acc, whole)
    half = max(2, round(p.smooth_s * fs))
    noise_dps = _noise(gyr, whole, start, fs, p)
    return Samples(
        conditions=c,
        first_seq=window.first_seq + cut,
        start=start,
        top=top,
        peak=peak,
        least=least,
        gyr_dps=gyr,
        acc_m_s2=acc,
        whole=whole,
        gaps=holes(whole),
        clip_gyr=clip_gyr,
        clip_acc=clip_acc,
        clipped=tuple(name for name, on in zip(CHANNELS, flags, strict=True) if on),
        smoothed_dps=norm(smooth(gyr, half)),
        noise_dps=noise_dps,
        noise_m_s2=_noise(acc, whole, start, fs, p),
        smooth_noise_dps=noise_dps * left_of_noise(2 * half + 1),
        tremor_dps=_tremor(gyr, start, fs, p),
        zero_dps=window.zero_dps,
        zero_u_dps=p.zero_share * min(window.zero_u_dps, p.most_zero_u_dps),
        hole=max(p.hole_samples, p.hole_s * fs),
    )


def _noise(x: Array, whole: Bools, start: int, fs: float, p: SampleParams) -> float:
    """White noise of a channel, from second differences in the half second before the swing.

    Of what was measured: what was filled in is smooth.
    """
    before = slice(max(0, start - round(p.noise_s * fs)), max(4, start))
    part = x[before][whole[before]]
    if len(part) < 6:
        return 0.1
    d = part[2:] - 2 * part[1:-1] + part[:-2]
    # 1.538: median length of a vector of three standard normal numbers.
    return float(np.median(norm(d)) / 1.538 / np.sqrt(6.0))


def _tremor(gyr: Array, start: int, fs: float, p: SampleParams) -> float:
    """Rms rate of the tremor about each axis in the third of a second before the swing.

    Second differences over half a period of 10 Hz, of 20 ms means: they pass a tremor of 8-12 Hz
    fourfold, and hardly anything of sway, waggles or the swing's beginning.
    """
    block, lag = max(1, round(0.02 * fs)), max(1, round(0.5 / TREMOR_HZ * fs))
    part = gyr[max(0, start - round(p.tremor_s * fs) - 2 * lag - block) : max(0, start)]
    if len(part) < 2 * lag + block + 3:
        return p.usual_tremor_dps
    total = np.zeros((len(part) + 1, 3))
    np.cumsum(part, axis=0, out=total[1:])
    means = (total[block:] - total[:-block]) / block
    d = means[2 * lag :] - 2 * means[lag:-lag] + means[: -2 * lag]
    # 1.538: median length of a vector of three standard normal numbers.
    return float(min(np.median(norm(d)) / 1.538 / 4.0, p.most_tremor_dps))


def left_of_noise(length: int) -> float:
    """Share of white noise that a cubic through so many samples leaves at its middle."""
    return float(np.sqrt(2.25 / length))


# -- series of samples ---------------------------------------------------------------------------


def norm(x: Array) -> Array:
    """Size of each row of (n, 3)."""
    return np.asarray(np.sqrt(np.einsum("ij,ij->i", x, x)))


@lru_cache
def _smoothing(length: int, degree: int) -> Array:
    """Weights of `smooth`."""
    return savgol_coeffs(length, degree)


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
    gaps = holes(whole)
    if not gaps:
        return out
    there = np.flatnonzero(whole)
    for a, b in gaps:
        k = int(np.searchsorted(there, a))
        nodes = there[max(0, k - 2) : k + 2].tolist()
        if k < 2 or len(nodes) < 4:
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


def clipped_channels(x: Array, limit: float | None, floor: float, share: float = 0.998) -> Bools:
    """Where each channel sits at its stop.

    Parameters
    ----------
    x : (n, 3) array
        Raw samples, bias and scale as the sensor gave them.
    limit : float or None
        The range. None: a stop is a run of three or more equal extreme values above ``floor``.
    floor : float
    share : float
        Of the range, from which on it is the stop.

    Returns
    -------
    (n, 3) array of bool
    """
    size = np.abs(x)
    if limit is not None:
        return np.asarray(size >= share * limit)
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
