"""How late a gyroscope's own filter is, read off the noise of a sensor that lies still.

A chip's noise is white before its low-pass filter (at short times; common practice, no source);
what is left of it at high frequencies shows where the filter cuts off. From a cut-off f_c the delay
for slow signals follows: sqrt(2) / (2 pi f_c) = 0.225 / f_c for a second-order Butterworth filter;
what chips' data sheets give lies between 0.13 and 0.36 / f_c (settings of one common chip, from
memory), hence `SHAPE_U`.

It is told only where it can be: on counts whose noise isn't lost between two steps, at rest on a
table or stand rather than on a person (a hand's tremor looks like a very slow filter), and where
all three axes and the shape of the spectrum agree.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from sensor.recording.session import delay_of_cutoff_ms

Array = npt.NDArray[np.float64]

WINDOW_S: Final = 2.0
LEAST_WINDOWS: Final = 6
MOST_WINDOWS: Final = 300
QUIET_DPS: Final = 0.5
"""No axis of a chip at rest is noisier: 0.015 deg/s/sqrt(Hz) up to 400 Hz is 0.3 (from memory)."""
ALIKE: Final = 1.25
"""Windows count whose noise is at most so much above that of the quietest; axes agree as far."""
LEAST_COUNTS: Final = 0.8
"""Noise in counts below which rounding is no longer noise of its own."""
CUTOFF_SHARES: Final = (0.01, 0.45)
"""Of the sample rate: below, too few lines of the spectrum; above, the filter leaves no mark."""
AXES_AGREE: Final = 1.35
SHAPE_U: Final = 0.3
"""Relative standard uncertainty of delay from cut-off, since the filter's kind isn't known."""
BANDS: Final = 12
OFF: Final = 0.15
"""What a band may miss by, beyond chance: filters of other orders."""
FROM_HZ: Final = 1.0
"""Below it the zero drifts."""


@dataclass(frozen=True, slots=True)
class FilterDelay:
    """What the noise says of the filter.

    Attributes
    ----------
    cutoff_hz : float
        Of a second-order low-pass filter that leaves this noise.
    delay_s, delay_u_s : float
        For slow signals, with its standard uncertainty.
    windows : int
        Pieces of `WINDOW_S` at rest that it was read from.
    """

    cutoff_hz: float
    delay_s: float
    delay_u_s: float
    windows: int


class StandingNoise:
    """Gather the spectrum of a gyroscope at rest, block by block, in bounded memory.

    Parameters
    ----------
    rate_hz : float
    dps_per_count : float
    """

    def __init__(self, rate_hz: float, dps_per_count: float) -> None:
        self._rate_hz = rate_hz
        self._step_dps = dps_per_count
        self._n = round(WINDOW_S * rate_hz)
        self._rest = np.empty((0, 3))
        self._next_seq: int | None = None
        self._taper = np.hanning(self._n)[:, None]
        # rms and spectrum of the quietest windows so far, (3,) and (n // 2 + 1, 3) each.
        self._kept: list[tuple[Array, Array]] = []

    def feed(self, seq: npt.NDArray[np.int64], gyr_dps: Array) -> None:
        """Take samples (n,), (n, 3), deg/s, in order; what is cut by a hole is left out."""
        if len(seq) == 0:
            return
        starts = np.flatnonzero(np.diff(seq) != 1) + 1
        for first, last in zip([0, *starts], [*starts, len(seq)], strict=True):
            if self._next_seq != seq[first]:
                self._rest = self._rest[:0]
            self._rest = np.concatenate([self._rest, gyr_dps[first:last]])
            self._next_seq = int(seq[last - 1]) + 1
            whole = len(self._rest) // self._n
            for k in range(whole):
                self._window(self._rest[k * self._n : (k + 1) * self._n])
            self._rest = self._rest[whole * self._n :]

    def _window(self, x: Array) -> None:
        t = np.linspace(-1.0, 1.0, self._n)[:, None]
        x = x - x.mean(axis=0)
        x = x - t * (t * x).sum(axis=0) / (t * t).sum()
        rms = np.sqrt((x * x).mean(axis=0))
        if not np.all((rms > 0.0) & (rms < QUIET_DPS)):
            return
        lines = np.abs(np.fft.rfft(x * self._taper, axis=0)) ** 2
        # One-sided density, (deg/s)^2/Hz.
        self._kept.append((rms, lines * (2.0 / (self._rate_hz * float((self._taper**2).sum())))))
        if len(self._kept) > 2 * MOST_WINDOWS:
            self._kept.sort(key=lambda one: float(one[0].max()))
            del self._kept[MOST_WINDOWS:]

    def delay(self) -> FilterDelay | None:
        """Return what can be told of the filter, or None."""
        if len(self._kept) < LEAST_WINDOWS:
            return None
        loudest = np.array([one[0].max() for one in self._kept])
        quiet = loudest <= ALIKE * np.partition(loudest, LEAST_WINDOWS // 2)[LEAST_WINDOWS // 2]
        if quiet.sum() < LEAST_WINDOWS:
            return None
        spectrum = np.mean([one[1] for one, good in zip(self._kept, quiet, strict=True) if good], 0)
        hz = np.fft.rfftfreq(self._n, 1.0 / self._rate_hz)
        # Neither the lowest, where the zero drifts, nor the last, which has half the freedom.
        inside = (hz >= FROM_HZ) & (hz < hz[-1])
        hz, spectrum = hz[inside], spectrum[inside]
        power = spectrum.mean(axis=0) * self._rate_hz / 2.0
        rounding = self._step_dps**2 / 12.0
        alike = power.max() <= ALIKE**2 * power.min()
        if not alike or power.min() < (LEAST_COUNTS * self._step_dps) ** 2:
            return None
        floor = rounding * 2.0 / self._rate_hz
        cutoffs = [_fit(hz, axis, self._rate_hz, floor) for axis in spectrum.T]
        if max(cutoffs) > AXES_AGREE * min(cutoffs):
            return None
        mean = spectrum.mean(axis=1)
        cutoff = _fit(hz, mean, self._rate_hz, floor)
        low, high = CUTOFF_SHARES
        windows = int(quiet.sum())
        if not low * self._rate_hz < cutoff < high * self._rate_hz or not _fits(
            hz, mean, self._rate_hz, floor, cutoff, 3 * windows
        ):
            return None
        delay = delay_of_cutoff_ms(cutoff) / 1e3
        by_axes = float(np.std(np.log(cutoffs), ddof=1)) / math.sqrt(3.0)
        return FilterDelay(cutoff, delay, delay * math.hypot(SHAPE_U, by_axes), windows)


def delay_from_noise(
    pieces: Iterable[tuple[npt.NDArray[np.int64], Array]], *, rate_hz: float, dps_per_count: float
) -> FilterDelay | None:
    """Return the delay of a gyroscope's filter by its noise at rest, where it can be told.

    Parameters
    ----------
    pieces : iterable of (array (n,), array (n, 3))
        Sample numbers and angular velocities, deg/s, in order.
    rate_hz : float
    dps_per_count : float
        Size of one count.
    """
    noise = StandingNoise(rate_hz, dps_per_count)
    for seq, gyr_dps in pieces:
        noise.feed(seq, gyr_dps)
    return noise.delay()


def _shape(hz: Array, rate_hz: float, cutoff_hz: float) -> Array:
    """What a second-order Butterworth filter leaves of white noise, with what folds back."""
    folds = np.abs(hz[:, None] + rate_hz * np.arange(-3, 4))
    return np.asarray((1.0 / (1.0 + (folds / cutoff_hz) ** 4)).sum(axis=1))


def _level(lines: Array, shape: Array, floor: float) -> Array:
    """Fitted density at each line: Whittle's likelihood in the level, by fixed point."""
    level = max(float(lines.mean() - floor), 0.05 * float(lines.mean())) / float(shape.mean())
    for _ in range(20):
        model = level * shape + floor
        weight = shape / model
        level *= float((weight * lines / model).sum() / weight.sum())
    return level * shape + floor


def _fit(hz: Array, lines: Array, rate_hz: float, floor: float) -> float:
    """Cut-off of the greatest Whittle likelihood (Whittle 1953), Hz."""
    low, high = CUTOFF_SHARES
    trials = rate_hz * np.geomspace(low / 1.2, high * 1.5, 60)

    def cost(cutoff_hz: float) -> float:
        model = _level(lines, _shape(hz, rate_hz, cutoff_hz), floor)
        return float((np.log(model) + lines / model).sum())

    costs = np.array([cost(one) for one in trials])
    k = int(np.argmin(costs))
    if not 0 < k < len(trials) - 1:
        return float(trials[k])
    a, b, c = costs[k - 1 : k + 2]
    by = 0.5 * (a - c) / (a - 2.0 * b + c) if a - 2.0 * b + c > 0.0 else 0.0
    return float(trials[k] * (trials[1] / trials[0]) ** by)


def _fits(
    hz: Array, lines: Array, rate_hz: float, floor: float, cutoff_hz: float, averaged: int
) -> bool:
    """Whether the spectrum has the shape throughout, band by band."""
    model = _level(lines, _shape(hz, rate_hz, cutoff_hz), floor)
    for band in np.array_split(np.arange(len(hz)), BANDS):
        # A tapered spectrum has neighbours alike: two thirds of the freedom are left.
        chance = 1.0 / math.sqrt(averaged * len(band) / 1.5)
        if abs(float((lines[band] / model[band]).mean()) - 1.0) > OFF + 4.0 * chance:
            return False
    return True
