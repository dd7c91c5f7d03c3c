"""What the time stamps of imported samples are worth.

A sensor samples evenly; whoever writes its samples to a file stamps them when they get there: late,
in packets, rounded. Such stamps tell the rate and the holes but not the time of a single sample.
Other stamps are the truth: of a logger that reads now and then, or of a rate that changes.

Here the samples are numbered (`learn_stamps`, `StampNumberer`), and where stamps are off an even
grid, the motion itself tells which kind they are (`StampTrial`): a movement is smooth in true time.
Samples that are drawn at wrong times jump off the line through their neighbours, by their speed
times the error.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from sensor.recording.hull import hull_line
from sensor.recording.stamplines import SeqNumberer, robust_period_s
from sensor.recording.timebase import MIN_FIT_PACKETS
from words.units import MAD_TO_SD

Array = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

# Stamps closer than this, in periods, came together.
TOGETHER: Final = 0.1
# This share of the samples in company makes packets; jitter alone brings fewer together.
PACKETS_SHARE: Final = 0.6
# Rms jitter in periods up to which rounding tells each sample's number: four standard deviations
# are then half a period, a few stamps ahead decide (`SeqNumberer`), and none is out of order.
PLAIN_JITTER: Final = 0.12
# Stamps of neighbours may be out of order by so many times their rms jitter.
BACK_JITTERS: Final = 8.0
# A rise of lateness counts as lost samples when the log-likelihood ratio reaches this; half a
# million even samples then give one false alarm (Wald's approximation, exp 15 / 6).
ALARM: Final = 15.0
# What a change may cost in the choice of the period: two parameters, place and size, at about
# log 4096 each (Schwarz's criterion).
CHANGE_COST: Final = 16.0
# A hole is moved to where the motion shows it when that fits better by so many times the noise.
SHOWN: Final = 6.0
# Points before a rise began at which its hole may be as well.
EARLIER: Final = 8
# Points kept back until later ones can't change their numbers any more.
HOLD: Final = 1024
# What is shorter is in another unit; nothing is learnt from it.
LEAST_PERIOD_S: Final = 1e-12
# Samples that the period is learnt from, and those on which trial periods are compared.
LEARN: Final = 16_384
TRIAL: Final = 4096


def together(time_s: Array, period_s: float) -> npt.NDArray[np.bool_]:
    """Return which stamps after the first come with the one before them, (n - 1,)."""
    return np.asarray(np.abs(np.diff(time_s)) <= TOGETHER * period_s)


def packets_share(time_s: Array, period_s: float) -> float:
    """Return the share of the samples that come together with a neighbour."""
    near = together(time_s, period_s)
    return float((np.append(near, False) | np.append(False, near)).mean())


@dataclass(frozen=True, slots=True, kw_only=True)
class StampHabit:
    """How a file's stamps come.

    Attributes
    ----------
    period_s : float
        Sample period.
    jitter_periods : float
        Rms jitter of a stamp (of a packet's stamp, if they come in packets), in periods.
    packet : int
        Samples that usually share a stamp; 1 if each has its own.
    unit : int
        Samples are lost by this many: a packet's, if all packets are of one size.
    """

    period_s: float
    jitter_periods: float
    packet: int = 1
    unit: int = 1

    @property
    def plain(self) -> bool:
        """Whether each sample's number can be read off its own stamp."""
        return self.packet == 1 and self.jitter_periods < PLAIN_JITTER

    @property
    def back_s(self) -> float | None:
        """How far back a stamp may lie behind the one before; None: each must be later."""
        return None if self.plain else BACK_JITTERS * self.jitter_periods * self.period_s


def _spread(x: Array) -> float:
    """Return the standard deviation without the few that are far off (lost samples, stalls)."""
    off = np.abs(x - np.median(x))
    kept = off <= np.quantile(off, 0.95)
    # Without its outer twentieth a normal deviate has 0.87 of its standard deviation.
    return float(x[kept].std()) / 0.87


def _ends(time_s: Array, period_s: float) -> Ints:
    """Return the indices of each packet's last sample."""
    return np.flatnonzero(np.append(~together(time_s, period_s), True))


def learn_stamps(time_s: Array) -> StampHabit:
    """Learn from the first stamps of a file how they come.

    Parameters
    ----------
    time_s : (n,)
        n is at least 2.

    Raises
    ------
    ValueError
        The times don't go on.
    """
    few = time_s[:LEARN]
    n = len(few)
    if n < 32:
        steps = np.diff(few)
        if not np.any(steps > 0.0):
            raise ValueError("the times do not go on")
        return StampHabit(period_s=float(np.median(steps[steps > 0.0])), jitter_periods=0.0)
    lag = min(1024, n // 2)
    # Losses only lengthen a span, so a low quantile is a better guess than the median.
    period_s = float(np.quantile((few[lag:] - few[:-lag]) / lag, 0.25))
    if not period_s > 0.0:
        raise ValueError("the times do not go on")
    if period_s < LEAST_PERIOD_S:
        return StampHabit(period_s=period_s, jitter_periods=0.0)
    packet = unit = 1
    index = np.arange(n)
    if packets_share(few, period_s) >= PACKETS_SHARE:
        index = _ends(few, period_s)
        if len(index) < 3:
            raise ValueError("the times do not go on")
        sizes = np.diff(index, prepend=-1)
        packet = max(2, int(np.median(sizes[sizes > 1])))
        if np.mean(sizes % packet == 0) > 0.9:
            unit = packet
        lag = min(256, len(index) // 2)
        slopes = (few[index[lag:]] - few[index[:-lag]]) / (index[lag:] - index[:-lag])
        period_s = float(np.quantile(slopes, 0.25))
    jitter = _spread(np.diff(few[index]) / period_s - np.diff(index)) / math.sqrt(2.0)
    habit = StampHabit(period_s=period_s, jitter_periods=jitter, packet=packet, unit=unit)
    if habit.plain:
        return dataclasses.replace(habit, period_s=robust_period_s(time_s))
    return _refined(few, habit)


def _refined(time_s: Array, habit: StampHabit) -> StampHabit:
    """Find the period at which the fewest losses explain the stamps best."""
    trial = time_s[:TRIAL]
    best = (math.inf, habit.period_s)
    for part in np.arange(-0.04, 0.0151, 0.001):
        rises = _Rises(dataclasses.replace(habit, period_s=habit.period_s * (1.0 + part)))
        rises.slow = 256.0 if habit.packet == 1 else 32.0
        rises.feed(*_points(trial, habit))
        cost = rises.squares / max(habit.jitter_periods, 0.05) ** 2
        best = min(best, (cost + CHANGE_COST * len(rises.found), rises.habit.period_s))
    habit = dataclasses.replace(habit, period_s=best[1])
    for _ in range(3):
        index, points = _points(time_s, habit)
        rises = _Rises(habit)
        rises.feed(index, points)
        lost = rises.lost(0, len(index))
        seq = index + lost
        steps, spans = np.diff(seq), np.diff(points)
        # Over a pause the number of samples isn't known so well.
        short = np.diff(lost) < SeqNumberer.RESTART_PERIODS
        lateness = points / habit.period_s - seq
        if habit.packet > 1 and len(seq) >= MIN_FIT_PACKETS:
            period_s = hull_line(seq.astype(np.float64), points).slope
        else:
            period_s = float(spans[short].sum() / steps[short].sum())
        habit = dataclasses.replace(
            habit,
            period_s=period_s,
            jitter_periods=_spread(np.diff(lateness)) / math.sqrt(2.0),
        )
    return habit


def _points(time_s: Array, habit: StampHabit) -> tuple[Ints, Array]:
    """Return the index and stamp of each packet's last sample, or of each sample."""
    if habit.packet == 1:
        return np.arange(len(time_s)), time_s
    ends = _ends(time_s, habit.period_s)
    return ends, time_s[ends]


class _Rises:
    """Find lasting rises of lateness, that is of stamp over period less index: lost samples.

    A two-sided cumulative sum: it rises while stamps are more than half a unit late against the
    ones before, which jitter does only for a moment. A rise that is taken back soon (packets that
    waited, and then all came) was none.

    References
    ----------
    E. S. Page, Continuous inspection schemes, Biometrika 41 (1954) 100-115.
    """

    def __init__(
        self, habit: StampHabit, place: Callable[[int, int, int, int], int] | None = None
    ) -> None:
        self.habit = habit
        self._place = place
        # Points over which the usual lateness is followed.
        self.slow = 128.0 if habit.packet == 1 else 32.0
        self.squares = 0.0
        self.found: list[tuple[int, int]] = []
        self._late: list[float] = []
        self._base = 0
        self._lost = 0
        self._usual: float | None = None
        self._up = self._down = 0.0
        self._up_from = self._down_from = 0

    def feed(self, index: Ints, time_s: Array) -> None:
        """Take the next points: index of the sample, and its stamp."""
        new: list[float] = (time_s / self.habit.period_s - index).tolist()
        place = self._base + len(self._late)
        self._late += new
        if self._usual is None:
            self._usual = float(np.median(new[:33]))
        unit, jitter = self.habit.unit, self.habit.jitter_periods
        half = unit / 2.0
        alarm = max(ALARM * jitter**2 / unit, 0.75 * unit)
        clip = max(1.5 * unit, 3.0 * jitter)
        before = self._late[place - 1 - self._base] if place > self._base else new[0]
        usual = self._usual
        for late in new:
            if late - before > SeqNumberer.RESTART_PERIODS:
                ahead = self._late[place - self._base : place - self._base + 5]
                leap = round(float(np.median(ahead)) - self._lost - usual)
                if leap > SeqNumberer.RESTART_PERIODS / 2.0:
                    self._add(place, leap, place)
            before = late
            off = late - self._lost - usual
            off = min(max(off, -clip), clip)
            self.squares += off * off
            if self._up <= 0.0:
                self._up, self._up_from = 0.0, place
            if self._down <= 0.0:
                self._down, self._down_from = 0.0, place
            self._up += off - half
            self._down += -off - half
            if self._up > alarm:
                rise = self._level(self._up_from, place) - self._lost - usual
                if abs(rise) < SeqNumberer.RESTART_PERIODS * unit:
                    self._add(self._up_from, max(unit, unit * round(rise / unit)), place)
                else:
                    self._add(self._up_from, max(unit, round(rise)), place)
            elif self._down > alarm:
                fall = self._lost + usual - self._level(self._down_from, place)
                usual -= self._take_back(place, max(unit, unit * round(fall / unit)))
            else:
                usual += min(max(off, -half), half) / self.slow
            place += 1
        self._usual = usual

    def _level(self, first: int, last: int) -> float:
        return float(np.median(self._late[max(0, first - self._base) : last + 1 - self._base]))

    def _add(self, place: int, count: int, now: int) -> None:
        place = max(place, self._base)
        if self._place is not None:
            after = self.found[-1][0] + 1 if self.found else 0
            first = max(place - EARLIER, self._base, after)
            if self.habit.packet > 1:
                # Too late only makes packets look late; too early, early, as none can be.
                place = now
            if first <= now:
                place = self._place(first, now, count, place)
        if self.found and place <= self.found[-1][0]:
            place = self.found[-1][0]
            count += self.found.pop()[1]
            self._lost -= count
        self.found.append((place, count))
        self._lost += count
        self._up = self._down = 0.0

    def _take_back(self, now: int, count: int) -> int:
        """Take back what was called lost lately; return the rest of `count`."""
        while count and self.found and self.found[-1][0] > max(now - HOLD, self._base):
            place, there = self.found.pop()
            taken = min(count, there)
            self._lost -= taken
            count -= taken
            if taken < there:
                self.found.append((place, there - taken))
        self._up = self._down = 0.0
        return count

    def lost(self, first: int, end: int) -> Ints:
        """Return how many samples were lost before each of these points."""
        places = np.array([place for place, _ in self.found], np.int64)
        counts = np.array([0, *(count for _, count in self.found)], np.int64)
        return np.cumsum(counts)[np.searchsorted(places, np.arange(first, end), side="right")]

    def forget(self, before: int) -> None:
        """Let go of the points before this one: their numbers stand."""
        self._late = self._late[before - self._base :]
        self._base = before


class StampNumberer:
    """Number samples by their stamps, piece by piece.

    Parameters
    ----------
    habit : StampHabit
    """

    def __init__(self, habit: StampHabit) -> None:
        self._habit = habit
        self._plain = SeqNumberer(habit.period_s) if habit.plain else None
        self._rises = _Rises(habit, self._where_shown)
        self._time_s: Array = np.zeros(0)
        # Values of the samples not numbered yet and the few before them, in units of their noise.
        self._values: Array = np.zeros((0, 6))
        self._values_from = 0
        self._noise: Array | None = None
        self._rows = 0
        # Of points that are judged but not numbered yet: the row after each one's last.
        self._row_ends: list[int] = []
        self._points = 0
        self._numbered = 0

    def feed(
        self, time_s: Array, values: npt.NDArray[np.float32] | None = None, *, last: bool = False
    ) -> Ints:
        """Take the next stamps; return the numbers of as many samples as can be told now.

        Parameters
        ----------
        time_s : (n,)
        values : (n, 6), optional
            The samples: where stamps leave open between which two some are missing, the motion
            tells.
        last : bool
            There are no more: all that is left is numbered.

        Returns
        -------
        (m,)
            Strictly increasing, going on from call to call.
        """
        if self._plain is not None:
            return self._plain.number(time_s)
        self._time_s = np.concatenate([self._time_s, time_s])
        if values is not None and len(values):
            if self._noise is None:
                bend = np.diff(values[:LEARN].astype(np.float64), n=2, axis=0)
                typical = np.median(np.abs(bend), axis=0) if len(bend) else np.zeros(6)
                self._noise = np.maximum(MAD_TO_SD * typical, 1e-6)
            self._values = np.concatenate([self._values, values / self._noise])
        ends, stamps = _points(self._time_s, self._habit)
        if not last and self._habit.packet > 1:
            # The last packet may go on.
            ends, stamps = ends[:-1], stamps[:-1]
        if len(ends):
            self._row_ends += (self._rows + ends + 1).tolist()
            self._rises.feed(self._rows + ends, stamps)
            used = int(ends[-1]) + 1
            self._time_s = self._time_s[used:]
            self._rows += used
        sure = len(self._row_ends) if last else max(0, len(self._row_ends) - HOLD)
        ready = np.array(self._row_ends[:sure], np.int64)
        first = self._points
        lost = self._rises.lost(first, first + sure)
        rows = np.arange(self._numbered, int(ready[-1]) if sure else self._numbered)
        seq = rows + lost[np.searchsorted(ready, rows, side="right")] if sure else rows
        self._row_ends = self._row_ends[sure:]
        self._points += sure
        self._numbered += len(rows)
        self._rises.forget(self._points)
        spare = max(0, self._numbered - 3 - self._values_from)
        self._values = self._values[spare:]
        self._values_from += min(spare, spare + len(self._values))
        return np.asarray(seq, np.int64)

    def _where_shown(self, first: int, last: int, count: int, otherwise: int) -> int:
        """Return the point, from `first` to `last`, before which `count` samples are missing.

        Over a hole of so many samples the values go on by so many steps more than between
        neighbours. Where nothing moves it doesn't show, and doesn't matter.
        """
        points = np.arange(max(first, self._points + 1), last + 1)
        rows = np.array(self._row_ends, np.int64)[points - 1 - self._points] - self._values_from
        sound = (rows >= 3) & (rows + 2 < len(self._values))
        if not sound.any():
            return otherwise
        points, rows = points[sound], rows[sound]
        x = self._values
        slope = (x[rows - 1] - x[rows - 3] + x[rows + 2] - x[rows]) / 4.0
        step = x[rows] - x[rows - 1]
        gain = (np.abs(step - slope) - np.abs(step - (count + 1) * slope)).sum(axis=1)
        best = int(np.argmax(gain))
        return int(points[best]) if gain[best] > SHOWN else otherwise


# -- what the motion says ----------------------------------------------------------------------

# A value is compared with the cubic through its four neighbours (Lagrange); noise passes with
# sqrt(1 + 34/36) of its size.
_CUBIC: Final = np.array([-1.0, 4.0, 4.0, -1.0]) / 6.0
# What a wrong time would do must show this clearly over the noise before it counts.
_CLEAR: Final = 3.0
# Shares from -1 to 2 in steps of 1/200.
_BINS: Final = np.linspace(-1.0, 2.0, 601)
# Fewer clear samples say nothing.
MIN_CLEAR: Final = 40


@dataclass(frozen=True, slots=True, kw_only=True)
class StampVerdict:
    """What `StampTrial` found.

    Attributes
    ----------
    jitter_s : float
        Rms deviation of the stamps from even sampling.
    wander_s : float
        Rms of its mean over half a second: what straightening leaves unknown of a time.
    true_share : float or None
        Part of the deviations that the samples really have: 0 for stamps that only jitter, 1 for
        stamps that are true. None where too little moved to tell.
    """

    jitter_s: float
    wander_s: float
    true_share: float | None


class StampTrial:
    """Ask the motion whether samples were taken at their stamps or evenly.

    If the sample n was taken late by e, its value is off the smooth course over even times by the
    speed times e. The ratio of what it is off to that, over all clear samples (their weighted
    median), is the share of the deviations that is true.

    Parameters
    ----------
    rate_hz : float
        Nominal rate.
    """

    def __init__(self, rate_hz: float) -> None:
        self._rate_hz = rate_hz
        self._block = max(8, round(0.5 * rate_hz))
        self._squares = 0.0
        self._count = 0
        self._means: list[Array] = []
        self._weights: Array = np.zeros(len(_BINS) - 1)
        self._clear = 0

    def feed(self, seq: Ints, off_s: Array, values: Array) -> None:
        """Take samples: numbers (n,), stamp less even time (n,), the six channels (n, 6)."""
        self._squares += float((off_s**2).sum())
        self._count += len(off_s)
        whole = len(off_s) // self._block * self._block
        self._means.append(off_s[:whole].reshape(-1, self._block).mean(axis=1))
        if len(seq) < 9:
            return
        off = off_s * self._rate_hz
        speed = np.zeros_like(values)
        # A straight line through seven samples: jitter in their times hardly turns it.
        for k in (1, 2, 3):
            speed[3:-3] += k * (values[3 + k : len(seq) - 3 + k] - values[3 - k : -3 - k]) / 28.0
        effect = speed * off[:, None]
        inner = slice(5, len(seq) - 5)
        even = seq[7:-3] - seq[3:-7] == 4
        if not even.any():
            return
        got = self._beside_cubic(values)[inner][even]
        due = self._beside_cubic(effect)[inner][even]
        # What neither reading explains is noise.
        left = np.minimum(np.median(np.abs(got), axis=0), np.median(np.abs(got - due), axis=0))
        noise = MAD_TO_SD * left + 1e-9
        clear = np.abs(due) > _CLEAR * noise
        share = np.clip(got[clear] / due[clear], -1.0, 1.9999)
        weight = (np.abs(due) / noise)[clear]
        # So that a single knock can't decide.
        weight = np.minimum(weight, 10.0 * _CLEAR)
        self._weights += np.histogram(share, _BINS, weights=weight)[0]
        self._clear += int(clear.any(axis=1).sum())

    @staticmethod
    def _beside_cubic(x: Array) -> Array:
        beside = np.zeros_like(x)
        n = len(x)
        beside[2:-2] = x[2:-2] - sum(
            part * x[2 + k : n - 2 + k] for part, k in zip(_CUBIC, (-2, -1, 1, 2), strict=True)
        )
        return beside

    def verdict(self) -> StampVerdict:
        """Return what was found."""
        means = np.concatenate([np.zeros(0), *self._means])
        jitter_s = math.sqrt(self._squares / max(1, self._count))
        wander_s = float(np.sqrt(np.mean(means**2))) if len(means) else jitter_s
        share = None
        if self._clear >= MIN_CLEAR:
            half = np.searchsorted(np.cumsum(self._weights), 0.5 * self._weights.sum())
            share = float(np.clip((_BINS[half] + _BINS[half + 1]) / 2.0, 0.0, 1.0))
        return StampVerdict(jitter_s=jitter_s, wander_s=wander_s, true_share=share)
