"""Numbers and lines through the time stamps of imported samples.

Those stamps jitter, so a sample's time is read from straight lines through about a second of stamps
each, by its number.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from sensor.recording.timebase import CRYSTAL_U, NOMINAL_PERIOD_U, TimeBase

Array = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

# Stamps are smoothed over this long: long enough to average jitter, short against the drift of a
# clock with temperature.
STAMP_WINDOW_S: Final = 1.0
# More than this between two samples, in periods, is a gap that nothing may bridge: the sum of one
# lost sample (2 periods) and some jitter.
GAP_PERIODS: Final = 2.2
# Rms deviation of the stamps from the local line, in periods, over which sampling counts as truly
# uneven; below that the stamps jitter but the samples are even.
UNEVEN_PERIODS: Final = 0.15


def clean_rate_hz(measured_hz: float) -> float:
    """Return the round number that a measured rate stands for, 200 for 199.97.

    A multiple of ten within 0.5 %, a whole number within 0.1 %, or else the rate itself to 0.01.
    """
    for step, tolerance in ((50.0, 0.005), (10.0, 0.005), (1.0, 0.001)):
        rate = step * round(measured_hz / step)
        if abs(rate - measured_hz) <= tolerance * measured_hz:
            return rate
    return round(measured_hz, 2)


def stamp_step_s(time_s: Array) -> float:
    """Return the decimal step that all stamps are a multiple of, such as 0.001, or 0."""
    for digits in range(1, 7):
        scaled = time_s * 10.0**digits
        if np.all(np.abs(scaled - np.rint(scaled)) < 1e-3):
            return float(10.0**-digits)
    return 0.0


class StampFitter:
    """Fit local lines to the time stamps of imported samples, piece by piece.

    Samples are split into runs at gaps, and each run into windows of about a second. Through the
    middle of each window goes its own straight line; between the middles, time is straight.

    Parameters
    ----------
    rate_hz : float
        Nominal rate.
    window_s, gap_periods : float
        How long the lines are, and which holes end a run.
    """

    def __init__(
        self,
        rate_hz: float,
        *,
        window_s: float = STAMP_WINDOW_S,
        gap_periods: float = GAP_PERIODS,
    ) -> None:
        self._period_s = 1.0 / rate_hz
        self._window = max(8, round(window_s * rate_hz))
        self._gap_periods = gap_periods
        self._seq: Array = np.zeros(0)
        self._time_s: Array = np.zeros(0)
        self._continues = False
        self._node_seq: list[Array] = []
        self._node_time_s: list[Array] = []
        self._run_start = (0.0, 0.0)
        self._last = (0.0, 0.0, 0.0)
        self._squares = 0.0
        self._count = 0
        self._step_s: float | None = None
        self._run_periods = 0.0
        self._run_s = 0.0
        self._slopes: list[Array] = []
        self._slopes_u2: list[Array] = []

    def feed(self, seq: Ints, time_s: Array) -> None:
        """Take the next samples: `seq` (n,) strictly increasing, `time_s` (n,)."""
        if not len(seq):
            return
        step_s = stamp_step_s(time_s)
        self._step_s = step_s if self._step_s is None else min(self._step_s, step_s)
        self._seq = np.concatenate([self._seq, seq.astype(np.float64)])
        self._time_s = np.concatenate([self._time_s, time_s])
        breaks = np.flatnonzero(np.diff(self._seq) > self._gap_periods) + 1
        starts = [0, *breaks.tolist()]
        ends = [*breaks.tolist(), len(self._seq)]
        for start, end in zip(starts, ends, strict=True):
            last = end == len(self._seq)
            used = self._run(self._seq[start:end], self._time_s[start:end], closed=not last)
            if last:
                self._seq = self._seq[start + used :]
                self._time_s = self._time_s[start + used :]

    def _run(self, seq: Array, time_s: Array, *, closed: bool) -> int:
        """Fit the windows of a run and return how many samples they used."""
        size = self._window
        # At least one whole window is kept back, so that the last one of a run is never a stub.
        used = size * max(0, len(seq) // size - 1)
        if used:
            self._windows(seq[:used].reshape(-1, size), time_s[:used].reshape(-1, size))
        if closed:
            self._windows(seq[None, used:], time_s[None, used:])
            self._end_run()
            used = len(seq)
        return used

    def _windows(self, seq: Array, time_s: Array) -> None:
        """Add the nodes of windows of equal size, (k, m) each."""
        middle = seq.mean(axis=1)
        offset = seq - middle[:, None]
        origin = time_s[:, :1]
        since = time_s - origin
        mean = since.mean(axis=1)
        size = seq.shape[1]
        if size == 1:
            slope = np.full(len(seq), self._period_s)
        else:
            slope = (offset * since).sum(axis=1) / (offset**2).sum(axis=1)
            # One robust step: what is far off the line (a stamp delayed by the host) is left out.
            residual = since - mean[:, None] - slope[:, None] * offset
            spread = np.median(np.abs(residual), axis=1, keepdims=True)
            keep = (np.abs(residual) <= 4.5 * spread + 1e-9).astype(np.float64)
            n = keep.sum(axis=1)
            kept_middle = (keep * offset).sum(axis=1) / n
            kept_mean = (keep * since).sum(axis=1) / n
            x = offset - kept_middle[:, None]
            slope = (keep * x * since).sum(axis=1) / (keep * x**2).sum(axis=1)
            mean = kept_mean - slope * kept_middle
        residual = since - mean[:, None] - slope[:, None] * offset
        self._squares += float((residual**2).sum())
        self._count += residual.size
        if size == self._window:
            self._slopes.append(slope)
            self._slopes_u2.append((residual**2).mean(axis=1) / (offset**2).sum(axis=1))
        time = origin[:, 0] + mean
        if not self._continues:
            self._node_seq.append(seq[:1, 0])
            self._node_time_s.append(time[:1] + slope[:1] * offset[:1, 0])
            self._run_start = (float(seq[0, 0]), float(self._node_time_s[-1][0]))
        inner = middle > seq[:, 0]
        self._node_seq.append(middle[inner])
        self._node_time_s.append(time[inner])
        end = float(offset[-1, -1])
        self._last = (float(seq[-1, -1]), float(time[-1] + slope[-1] * end), float(middle[-1]))
        self._continues = True

    def _end_run(self) -> None:
        seq, time_s, middle = self._last
        if seq > middle:
            self._node_seq.append(np.array([seq]))
            self._node_time_s.append(np.array([time_s]))
        self._run_periods += seq - self._run_start[0]
        self._run_s += time_s - self._run_start[1]
        self._continues = False

    def finish(self) -> StampFit:
        """Return the fit; at least one sample must have been fed.

        Raises
        ------
        ValueError
            The times don't go on.
        """
        self._run(self._seq, self._time_s, closed=True)
        seq = np.concatenate(self._node_seq)
        time_s = np.concatenate(self._node_time_s)
        # Jitter at the edge of a short run could put a node before its neighbour.
        forward = np.ones(len(seq), bool)
        forward[1:] = time_s[1:] > np.maximum.accumulate(time_s)[:-1]
        seq, time_s = seq[forward], time_s[forward]
        variance = self._squares / max(1, self._count)
        step_s = self._step_s or 0.0
        period_s = self._run_s / self._run_periods if self._run_periods else self._period_s
        if not period_s > 0.0:
            raise ValueError("the times of its samples do not go on")
        fit_u = (
            # Two ends of local lines, each with variance 4 sigma^2 / n.
            (8.0 * variance / min(self._count, self._window)) ** 0.5 / self._run_periods
            if self._run_periods
            else NOMINAL_PERIOD_U * period_s
        )
        spread = 0.0
        if self._slopes:
            slopes = np.concatenate(self._slopes)
            noise = float(np.concatenate(self._slopes_u2).mean())
            spread = max(0.0, float(np.mean((slopes / period_s - 1.0) ** 2)) - noise / period_s**2)
        return StampFit(
            seq=seq,
            time_s=time_s,
            period_s=period_s,
            period_u_s=float(np.hypot(fit_u, CRYSTAL_U * period_s)),
            # Rounding to a step spreads the stamps evenly over it: variance step^2 / 12.
            deviation_s=max(0.0, variance - step_s**2 / 12.0) ** 0.5,
            rate_spread=spread**0.5,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class StampFit:
    """What `StampFitter` found.

    Attributes
    ----------
    seq, time_s : (k,)
        Nodes of the local lines, time on the stamps' own clock.
    period_s, period_u_s : float
    deviation_s : float
        Rms deviation of the stamps from the local line, beyond the rounding of the stamps.
    rate_spread : float
        Rms change of the rate from window to window, as a share, beyond what jitter makes.
    """

    seq: Array
    time_s: Array
    period_s: float
    period_u_s: float
    deviation_s: float
    rate_spread: float

    def time_base(self, first_seq: int) -> TimeBase:
        """Return the time base whose zero is at `first_seq`."""
        base = TimeBase(
            seq=self.seq, time_s=self.time_s, period_s=self.period_s, period_u_s=self.period_u_s
        )
        zero = float(base.time_of_seq(first_seq))
        return TimeBase(
            seq=self.seq,
            time_s=self.time_s - zero,
            period_s=self.period_s,
            period_u_s=self.period_u_s,
        )


def _coherence(time_s: Array, periods_s: Array, window: int) -> Array:
    """Return how well stamps fall on a grid of each period, in windows of so many samples."""
    whole = time_s[: len(time_s) // window * window].reshape(-1, window)
    since = whole - whole[:, :1]
    return np.array(
        [float(np.mean(np.abs(np.exp(2j * np.pi / p * since).sum(axis=1)) ** 2)) for p in periods_s]
    )


def robust_period_s(time_s: Array) -> float:
    """Return the sample period of increasing stamps with jitter, rounding and losses.

    A median over steps is a first guess; losses lengthen it and coarse rounding (1 ms at 400 Hz
    gives steps of 2 and 3 ms) hides it. What neither changes is that the stamps gather on a grid:
    the period whose grid fits best is found in short windows, then in longer ones. At last the
    samples are numbered with it, and the period is time over numbers.

    Parameters
    ----------
    time_s : (n,)
        Strictly increasing; n is at least 2.
    """
    few = time_s[:16384]
    if len(few) < 32:
        period = float(np.median(np.diff(few)))
    else:
        period = float(np.median(few[8:] - few[:-8])) / 8.0
        for window, reach, step in ((32, 0.15, 0.005), (128, 0.01, 0.001), (512, 2e-3, 2e-4)):
            if len(few) >= window:
                trial = period * (1.0 + np.arange(-reach, reach + step / 2, step))
                period = float(trial[np.argmax(_coherence(few, trial, window))])
    for _ in range(2):
        seq = SeqNumberer(period).number(time_s)
        steps = np.diff(seq)
        short = steps < SeqNumberer.RESTART_PERIODS
        if short.any():
            period = float(np.diff(time_s)[short].sum() / steps[short].sum())
    return period


class SeqNumberer:
    """Number samples by their time: cumulative rounding of time over period, piece by piece.

    A sample that is missing leaves a hole in the numbers. One stamp that is late by more than half
    a period is not a missing sample: the stamps after it tell.

    Parameters
    ----------
    period_s : float
    """

    # Samples whose common phase is found together: short, so that a rate a little off does not
    # move the phase by much within one.
    BLOCK: Final = 128
    # A clock drifts: the period follows over so many blocks, within this share of the first guess.
    FOLLOW_BLOCKS: Final = 8.0
    FOLLOW_SHARE: Final = 0.05
    # A pause longer than this many periods starts anew: over it the period is not known so well.
    RESTART_PERIODS: Final = 32.0

    def __init__(self, period_s: float) -> None:
        self._period_s = period_s
        self._first_period_s = period_s
        self._next: int | None = None
        self._last_time_s = 0.0
        self._phase = 0.0

    def number(self, time_s: Array) -> Ints:
        """Return `seq` (n,) for the next `time_s` (n,)."""
        seq = np.empty(len(time_s), np.int64)
        start = 0
        for end in self._block_ends(time_s):
            seq[start:end] = self._block(time_s[start : end + 2], end - start)
            start = end
        return seq

    def _block_ends(self, time_s: Array) -> Iterator[int]:
        pauses = np.flatnonzero(np.diff(time_s) > self.RESTART_PERIODS * self._period_s) + 1
        start = 0
        for pause in [*pauses.tolist(), len(time_s)]:
            yield from range(start + self.BLOCK, pause, self.BLOCK)
            if pause > start:
                yield pause
            start = pause

    def _block(self, time_s: Array, n: int) -> Ints:
        """Number the first `n`; up to two more are there to look ahead."""
        if self._next is None:
            self._next = 0
            self._last_time_s = float(time_s[0]) - self._period_s
        step = (float(time_s[0]) - self._last_time_s) / self._period_s
        first = self._next
        if step > self.RESTART_PERIODS:
            first += round(step) - 1
            phase = 0.0
            origin_s = float(time_s[0])
        else:
            phase = self._phase
            origin_s = self._last_time_s + self._period_s
        late = (time_s - origin_s) / self._period_s - np.arange(len(time_s)) - phase
        missing = np.rint(late)
        # Later stamps decide: a rise that does not last is jitter.
        lasting = missing.copy()
        for ahead in (1, 2):
            np.minimum(lasting[:-ahead], missing[ahead:], out=lasting[:-ahead])
        lasting = np.maximum.accumulate(np.maximum(lasting[:n], 0.0))
        rest = late[:n] - lasting
        seq = first + np.arange(n) + lasting.astype(np.int64)
        self._next = int(seq[-1]) + 1
        # Where the next stamp should be: by the later half of this block, not by its last stamp.
        self._phase = float(np.median(rest[n // 2 :]) - rest[-1])
        self._last_time_s = float(time_s[n - 1])
        if n == self.BLOCK:
            found_s = float(time_s[n - 1] - time_s[0]) / float(seq[-1] - seq[0])
            if abs(found_s / self._first_period_s - 1.0) < self.FOLLOW_SHARE:
                self._period_s += (found_s - self._period_s) / self.FOLLOW_BLOCKS
        return seq
