"""From sample numbers to seconds.

Live data: packets arrive late by a varying amount but never early, so a least-squares line through
(sample number, arrival) is biased. The line *below* all points is not: it is the edge of their
lower convex hull under their centroid, fitted for each connection by itself. Where the sensor
stamps its packets with a clock of its own, a second line goes through those stamps. `fit_packets`
does this for a whole recording, `LiveTimeBase` while it goes on.

Imported data carry a time with each sample: see `sensor.recording.stamplines`.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any, Final, Self

import numpy as np
import numpy.typing as npt

from sensor.recording.hull import HullLine, hull_edge, hull_line, lower_hull
from sensor.recording.layout import PACKET_DTYPE
from sensor.recording.npyfile import Rows

Array = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

# The rate of a chip's own oscillator is off by 1-5 % (reference/bluetooth.md): the standard
# uncertainty of a nominal rate that nothing measured.
NOMINAL_PERIOD_U: Final = 0.02
# A quartz crystal, in a microcontroller or a computer, is off by 20-50 ppm (the same source).
CRYSTAL_U: Final = 50e-6
# Too little to fit: on a jitter model with 30 ms intervals, 2 s give an error of about 0.2 %, and
# much less than that is governed by single packets.
MIN_FIT_S: Final = 2.0
MIN_FIT_PACKETS: Final = 10
# The sensor's own stamps don't wait for the radio, so they tell sooner.
MIN_TICKS_S: Final = 0.5
# Two measurements that differ by more than this many standard uncertainties aren't both right.
CONTRADICTION: Final = 4.0
# Stamps that run exactly at the nominal rate may have been made from the sample number; they are
# not believed until the arrivals have confirmed them. Two crystals agree so closely by chance.
MADE_UP_TICKS: Final = 20e-6
# How much a chip's oscillator may have changed since another day (its data sheets allow about 1 %
# over all temperatures, so some 0.1 % over the ten kelvin of a cool morning; from memory), and
# since earlier in the session.
REMEMBERED_U: Final = 1e-3
SESSION_U: Final = 2e-4
# A live period with this relative uncertainty counts as known: 2 ms in a swing of a second.
KNOWN_U: Final = 2e-3
# Points kept for one connection; 20,000 are ample for a line and bound the memory.
MAX_POINTS: Final = 20_000
# Connections that are told one by one.
MOST_TOLD: Final = 5
# A measured rate this far from the nominal one is worth a word.
ODD_RATE: Final = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeBase:
    """Seconds from sample numbers: straight lines between nodes, the end ones carried on.

    Attributes
    ----------
    seq, time_s : (k,)
        The nodes, both strictly increasing; k is at least 1.
    period_s, period_u_s : float
        Sample period over the whole recording and its standard uncertainty; also the slope beyond
        the nodes.
    warnings : tuple of str
        One plain line each.
    time_u_s : float
        Standard uncertainty of a single sample's time beside its neighbours', where jittered time
        stamps leave it open.
    """

    seq: Array
    time_s: Array
    period_s: float
    period_u_s: float
    warnings: tuple[str, ...] = ()
    time_u_s: float = 0.0

    def time_of_seq(self, seq: npt.ArrayLike) -> Array:
        """Return seconds for sample numbers, which may be fractional."""
        return _piecewise(np.asarray(seq, np.float64), self.seq, self.time_s, self.period_s)

    def seq_of_time(self, time_s: npt.ArrayLike) -> Array:
        """Return the (fractional) sample numbers of times: the inverse of `time_of_seq`."""
        time = np.asarray(time_s, np.float64)
        return _piecewise(time, self.time_s, self.seq, 1.0 / self.period_s)


def _piecewise(x: Array, nodes_x: Array, nodes_y: Array, slope: float) -> Array:
    y = np.interp(x, nodes_x, nodes_y)
    before = np.minimum(x - nodes_x[0], 0.0)
    after = np.maximum(x - nodes_x[-1], 0.0)
    return np.asarray(y + slope * (before + after), np.float64)


def even_time_base(
    first_seq: int, rate_hz: float, *, relative_u: float, warnings: tuple[str, ...] = ()
) -> TimeBase:
    """Return the time base of samples that are taken to come evenly at a known rate."""
    return TimeBase(
        seq=np.array([float(first_seq)]),
        time_s=np.zeros(1),
        period_s=1.0 / rate_hz,
        period_u_s=relative_u / rate_hz,
        warnings=warnings,
    )


class _Points:
    """Points (sample number, time in ns) to fit a lower line to, thinned when many."""

    def __init__(self) -> None:
        self._seq: list[Ints] = []
        self._time_ns: list[Ints] = []
        self._kept = 0
        self._fed = 0
        self._sum = 0

    @property
    def centre(self) -> float:
        """Mean sample number of all points, also of those that thinning has left out."""
        return self._sum / self._fed

    def feed(self, seq: Ints, time_ns: Ints) -> None:
        self._seq.append(seq)
        self._time_ns.append(time_ns)
        self._kept += len(seq)
        self._fed += len(seq)
        self._sum += int(seq.sum())
        if self._kept > MAX_POINTS:
            self._thin()

    def _thin(self) -> None:
        """Keep the hull's corners, so that it stays exact, and the lower of each two neighbours."""
        seq, time = self.get()
        x, y = (seq - seq[0]).astype(np.float64), (time - time[0]).astype(np.float64)
        left, right = hull_edge(x, y, float(x.mean()))
        height = y - (y[right] - y[left]) / (x[right] - x[left]) * x
        pairs = len(seq) // 2
        second = height[1 : 2 * pairs : 2] < height[0 : 2 * pairs : 2]
        keep = np.union1d(2 * np.arange(pairs) + second, lower_hull(x, height))
        self._seq = [seq[keep]]
        self._time_ns = [time[keep]]
        self._kept = len(keep)

    def get(self) -> tuple[Ints, Ints]:
        """Return one point for each sample number: where numbers do not increase, none."""
        seq = np.concatenate(self._seq)
        time = np.concatenate(self._time_ns)
        self._seq, self._time_ns = [seq], [time]
        new = np.ones(len(seq), bool)
        new[1:] = seq[1:] > np.maximum.accumulate(seq)[:-1]
        return seq[new], time[new]

    def fit(self, nominal_ns: float, least_s: float) -> tuple[HullLine, Ints, Ints] | None:
        """Fit the line below; None if it is too short or the points say too little."""
        seq, time = self.get()
        if len(seq) < MIN_FIT_PACKETS or (seq[-1] - seq[0]) * nominal_ns < least_s * 1e9:
            return None
        line = hull_line(
            (seq - seq[0]).astype(np.float64),
            (time - time[0]).astype(np.float64),
            centre=float(np.clip(self.centre - seq[0], 1, seq[-1] - seq[0] - 1)),
        )
        return (line, seq, time) if line.slope_u < NOMINAL_PERIOD_U * line.slope else None


class _Connection:
    """One connection: when each packet's last sample arrived, and when its first was taken."""

    def __init__(self, number: int) -> None:
        self.number = number
        self.first_seq = 0
        self.arrivals = _Points()
        self._ticks: _Points | None = _Points()
        self._last_tick = -1
        self._fed = False

    def feed(self, packets: Rows) -> None:
        first, last = packets["first_seq"], packets["first_seq"] + packets["count"] - 1
        if not self._fed:
            self.first_seq = int(first[0])
            self._fed = True
        self.arrivals.feed(last, packets["arrival_ns"])
        ticks = packets["ticks"]
        if self._ticks is not None:
            if ticks[0] > self._last_tick and np.all(np.diff(ticks) > 0):
                self._ticks.feed(first, ticks)
                self._last_tick = int(ticks[-1])
            else:
                self._ticks = None  # it sends none, or they don't go on

    def measure(self, nominal_ns: float) -> _Measured | None:
        """Measure the period by what there is; None where that is too little."""
        by_arrival = self.arrivals.fit(nominal_ns, MIN_FIT_S)
        found = None
        if by_arrival is not None:
            line, seq, time = by_arrival
            found = _Measured(
                period_ns=line.slope,
                period_u_ns=_with_crystal(line.slope, line.slope_u),
                anchor_seq=int(seq[line.left]),
                anchor_ns=int(time[line.left]),
            )
        by_ticks = None if self._ticks is None else self._ticks.fit(nominal_ns, MIN_TICKS_S)
        if by_ticks is None:
            return found
        period, u = by_ticks[0].slope, _with_crystal(by_ticks[0].slope, by_ticks[0].slope_u)
        off = period / nominal_ns - 1.0
        if found is None:
            if not MADE_UP_TICKS < abs(off) < ODD_RATE:
                return None
        else:
            if _contradict((found.period_ns, found.period_u_ns), (period, u)):
                share = abs(found.period_ns - period) / period
                return replace(
                    found,
                    warning=f"the sensor's own time stamps differ from the arrivals by "
                    f"{share:.2%}: the arrivals are used",
                )
            period, u = combine((found.period_ns, found.period_u_ns), (period, u))
        return self.anchored(period, u)

    def anchored(self, period_ns: float, period_u_ns: float) -> _Measured:
        """Return the line with a given period below all arrivals."""
        seq, arrival = self.arrivals.get()
        lowest = int(np.argmin((arrival - arrival[0]) - period_ns * (seq - seq[0])))
        return _Measured(
            period_ns=period_ns,
            period_u_ns=period_u_ns,
            anchor_seq=int(seq[lowest]),
            anchor_ns=int(arrival[lowest]),
        )

    def line(self, measured: _Measured, *, fitted: bool) -> _Line:
        """Return the line over this connection's samples."""
        return _Line(
            first_seq=self.first_seq,
            last_seq=int(self.arrivals.get()[0][-1]),
            period_ns=measured.period_ns,
            period_u_ns=measured.period_u_ns,
            anchor_seq=measured.anchor_seq,
            anchor_ns=measured.anchor_ns,
            fitted=fitted,
        )


def _with_crystal(period: float, u: float) -> float:
    """Add the uncertainty of the crystal that the period was measured by."""
    return math.hypot(u, CRYSTAL_U * period)


def _contradict(one: tuple[float, float], other: tuple[float, float]) -> bool:
    """Tell whether two estimates (value, standard uncertainty) can't both be right."""
    return abs(one[0] - other[0]) > CONTRADICTION * math.hypot(one[1], other[1])


def combine(*estimates: tuple[float, float]) -> tuple[float, float]:
    """Combine independent estimates (value, standard uncertainty) by inverse variance.

    References
    ----------
    The weighted mean, e.g. P. R. Bevington, D. K. Robinson, Data Reduction and Error Analysis for
    the Physical Sciences, 4.1.
    """
    weights = [1.0 / u**2 for _, u in estimates]
    total = sum(weights)
    value = sum(w * v for w, (v, _) in zip(weights, estimates, strict=True)) / total
    return value, total**-0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class _Measured:
    period_ns: float
    period_u_ns: float
    anchor_seq: int
    anchor_ns: int
    warning: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Line:
    first_seq: int
    last_seq: int
    period_ns: float
    period_u_ns: float
    anchor_seq: int
    anchor_ns: int
    fitted: bool

    def at(self, seq: int, origin_ns: int) -> float:
        """Nanoseconds since `origin_ns`."""
        return (self.anchor_ns - origin_ns) + self.period_ns * (seq - self.anchor_seq)


def fit_packets(
    pieces: Iterable[Rows], *, nominal_rate_hz: float, first_seq: int
) -> TimeBase | None:
    """Fit the time base to packet arrivals, each connection by itself.

    Across a change of connection the elapsed time is that between the arrivals. A connection that
    is too short to fit takes the period of the others, or else the nominal one.

    Parameters
    ----------
    pieces : iterable of PACKET_DTYPE (p,)
        All packets in their order. The recorder counts `connection` up at each connect and after
        each reset of the sensor's counter.
    nominal_rate_hz : float
    first_seq : int
        Sample number at which time is zero.

    Returns
    -------
    TimeBase or None
        None without any packet.
    """
    connections: list[_Connection] = []
    for packets in pieces:
        packets = packets[packets["count"] > 0]
        starts = np.flatnonzero(np.diff(packets["connection"])) + 1
        for part in np.split(packets, starts):
            if not len(part):
                continue
            number = int(part["connection"][0])
            if not connections or connections[-1].number != number:
                connections.append(_Connection(number))
            connections[-1].feed(part)
    if not connections:
        return None
    lines, warnings = _lines(connections, 1e9 / nominal_rate_hz)
    left = (
        "the rate of the others is used"
        if any(line.fitted for line in lines)
        else f"the nominal {nominal_rate_hz:g} Hz is used, which may be off by 1-5 %"
    )
    unfitted = [
        f"connection {connection.number} "
        f"({(line.last_seq - line.first_seq + 1) / nominal_rate_hz:.1f} s) is too short or too "
        f"irregular to measure the sample rate: {left}"
        for connection, line in zip(connections, lines, strict=True)
        if not line.fitted
    ]
    warnings += unfitted[:MOST_TOLD]
    if len(unfitted) > MOST_TOLD:
        warnings.append(f"so are {len(unfitted) - MOST_TOLD} more connections")
    weights = np.array([line.last_seq - line.first_seq + 1 for line in lines], np.float64)
    weights /= weights.sum()
    period_ns = float(weights @ np.array([line.period_ns for line in lines]))
    if all(line.fitted for line in lines):
        period_u_ns = float(np.linalg.norm(weights * [line.period_u_ns for line in lines]))
    else:
        period_u_ns = float(weights @ np.array([line.period_u_ns for line in lines]))
    if abs(period_ns * nominal_rate_hz / 1e9 - 1.0) > ODD_RATE:
        warnings.append(
            f"the sample rate measures {1e9 / period_ns:.1f} Hz but should be "
            f"{nominal_rate_hz:g} Hz: was the sensor set as the session says?"
        )
    seq, time_s = _nodes(lines, first_seq)
    return TimeBase(
        seq=seq,
        time_s=time_s,
        period_s=period_ns / 1e9,
        period_u_s=period_u_ns / 1e9,
        warnings=tuple(warnings),
    )


def _lines(connections: list[_Connection], nominal_ns: float) -> tuple[list[_Line], list[str]]:
    found = [connection.measure(nominal_ns) for connection in connections]
    good = [
        (one.period_ns, one.period_u_ns, one_connection.arrivals)
        for one, one_connection in zip(found, connections, strict=True)
        if one is not None
    ]
    if good:
        weights = np.array([float(np.ptp(points.get()[0])) for _, _, points in good])
        spare = float(np.average([period for period, _, _ in good], weights=weights))
        spare_u = max(u for _, u, _ in good)
    else:
        spare = nominal_ns
        spare_u = _with_crystal(spare, NOMINAL_PERIOD_U * spare)
    lines = []
    warnings = []
    for connection, one in zip(connections, found, strict=True):
        fit = connection.anchored(spare, spare_u) if one is None else one
        lines.append(connection.line(fit, fitted=one is not None))
        if fit.warning is not None:
            warnings.append(f"connection {connection.number}: {fit.warning}")
    return lines, warnings


@dataclass(frozen=True, slots=True, kw_only=True)
class PeriodMemory:
    """What is known of a sensor's sample period from another day; whoever calls keeps it.

    Attributes
    ----------
    rate_hz : float
        The nominal rate at which it was measured. At another rate of the same chip the period is
        off by the same share, since all its rates come from one oscillator.
    period_s, period_u_s : float
        As measured, with its standard uncertainty then.
    at : str
        When, ISO 8601.
    """

    rate_hz: float
    period_s: float
    period_u_s: float
    at: str

    def for_rate(self, rate_hz: float) -> tuple[float, float]:
        """Return period and standard uncertainty, s, to begin with at a nominal rate today."""
        period_s = self.period_s * self.rate_hz / rate_hz
        relative_u = math.hypot(self.period_u_s / self.period_s, REMEMBERED_U)
        return period_s, relative_u * period_s

    def as_dict(self) -> dict[str, Any]:
        """Return it as JSON takes it."""
        return {
            "rate_hz": self.rate_hz,
            "period_s": self.period_s,
            "period_u_s": self.period_u_s,
            "at": self.at,
        }

    @classmethod
    def from_dict(cls, kept: object) -> Self | None:
        """Read what `as_dict` gave; None for anything that can't be a period."""
        if not isinstance(kept, Mapping):
            return None
        numbers = [kept.get(key) for key in ("rate_hz", "period_s", "period_u_s")]
        if not all(
            isinstance(x, (int, float)) and not isinstance(x, bool) and math.isfinite(x) and x > 0
            for x in numbers
        ):
            return None
        rate_hz, period_s, period_u_s = (float(x) for x in numbers if isinstance(x, (int, float)))
        if abs(period_s * rate_hz - 1.0) > ODD_RATE or period_u_s > NOMINAL_PERIOD_U * period_s:
            return None
        return cls(
            rate_hz=rate_hz, period_s=period_s, period_u_s=period_u_s, at=str(kept.get("at", ""))
        )


class LiveTimeBase:
    """The time base of a recording that goes on: fed packet by packet, asked at any time.

    Memory is bounded and feeding is cheap; the fit is made anew when it is asked for and enough
    has come since the last one.

    Parameters
    ----------
    rate_hz : float
        Nominal rate.
    remembered : PeriodMemory, optional
        From another day: combined with what this session measures, by inverse variance.

    Attributes
    ----------
    rate_hz : float
    """

    # Points that wait to be taken in, and how long a fit stays good: half a second, or this share
    # of the time that it is made from.
    WAITING: Final = 256
    REFIT_S: Final = 0.5
    REFIT_SHARE: Final = 0.02
    # Within this of an arrival there are samples; silences that are remembered.
    NEAR_NS: Final = 500_000_000
    SILENCES: Final = 64

    def __init__(self, rate_hz: float, *, remembered: PeriodMemory | None = None) -> None:
        self.rate_hz = rate_hz
        self._nominal_ns = 1e9 / rate_hz
        self._remembered: tuple[float, float] | None = None
        if remembered is not None:
            period_s, u_s = remembered.for_rate(rate_hz)
            self._remembered = (period_s * 1e9, u_s * 1e9)
        self._waiting: list[tuple[int, int, int, int, int, int]] = []
        self._first_seq: int | None = None
        self._connection: _Connection | None = None
        self._done: list[_Line] = []
        self._started_ns = self._last_ns = 0
        self._silences: deque[tuple[int, int]] = deque(maxlen=self.SILENCES)
        self._fit: tuple[TimeBase, bool, _Line] | None = None
        self._fit_ns = 0

    def feed(
        self, first_seq: int, count: int, arrival_ns: int, connection: int = 0, ticks_ns: int = -1
    ) -> None:
        """Take one packet: numbers as in `packets.npy`; `ticks_ns` is -1 without a clock."""
        if count < 1:
            return
        if self._connection is None or connection != self._connection.number:
            self._next_connection(connection, first_seq, arrival_ns)
        self._waiting.append((arrival_ns, first_seq, count, -1, ticks_ns, connection))
        if arrival_ns - self._last_ns > 2 * self.NEAR_NS:
            self._silences.append((self._last_ns, arrival_ns))
        self._last_ns = max(self._last_ns, arrival_ns)
        if len(self._waiting) >= self.WAITING:
            self._take()

    def _next_connection(self, number: int, first_seq: int, arrival_ns: int) -> None:
        if self._connection is None:
            self._first_seq = first_seq
        else:
            self._fit = None
            self._done.append(self._now()[2])
        self._connection = _Connection(number)
        self._started_ns = self._last_ns = arrival_ns
        self._fit = None

    def _take(self) -> None:
        if self._waiting and self._connection is not None:
            self._connection.feed(np.array(self._waiting, PACKET_DTYPE))
            self._waiting.clear()

    def _now(self) -> tuple[TimeBase, bool, _Line]:
        """Return the fit, made anew if it is old."""
        span_ns = self._last_ns - self._started_ns
        good_ns = max(self.REFIT_S * 1e9, self.REFIT_SHARE * span_ns)
        if self._fit is not None and self._last_ns - self._fit_ns < good_ns:
            return self._fit
        assert self._connection is not None, "nothing was fed yet"
        self._take()
        found = self._connection.measure(self._nominal_ns)
        before = [(line.period_ns, line.period_u_ns) for line in self._done if line.fitted]
        estimates = [] if found is None else [(found.period_ns, found.period_u_ns)]
        if before:
            # Long and short connections weigh by their uncertainty; what they share is the drift.
            period, u = combine(*before)
            estimates.append((period, math.hypot(u, SESSION_U * period)))
        measured = bool(estimates)
        if self._remembered is not None and not (
            found is not None and _contradict(self._remembered, estimates[0])
        ):
            estimates.append(self._remembered)
        nominal = (
            self._nominal_ns,
            _with_crystal(self._nominal_ns, NOMINAL_PERIOD_U * self._nominal_ns),
        )
        period, u = combine(*(estimates or [nominal]))
        if found is None or len(estimates) > 1:
            line = self._connection.line(
                self._connection.anchored(period, u), fitted=found is not None
            )
        else:
            line = self._connection.line(found, fitted=True)
        lines = [*self._done, line]
        assert self._first_seq is not None
        seq, time_s = _nodes(lines, self._first_seq)
        base = TimeBase(seq=seq, time_s=time_s, period_s=period / 1e9, period_u_s=u / 1e9)
        self._fit, self._fit_ns = (base, measured, line), self._last_ns
        return self._fit

    @property
    def period_s(self) -> float:
        """Sample period: as well as it is known now, the nominal one to begin with."""
        return 1.0 / self.rate_hz if self._connection is None else self._now()[0].period_s

    @property
    def period_u_s(self) -> float:
        """Its standard uncertainty; 2 % while only the nominal rate is known."""
        if self._connection is None:
            return NOMINAL_PERIOD_U / self.rate_hz
        return self._now()[0].period_u_s

    @property
    def known(self) -> bool:
        """Tell whether the period is known well enough for durations in milliseconds."""
        return self.period_u_s <= KNOWN_U * self.period_s

    @property
    def measured(self) -> bool:
        """Tell whether this session has measured the period, so that it is worth remembering."""
        return self._connection is not None and self._now()[1] and self.known

    def remember(self, at: str) -> PeriodMemory | None:
        """Return what to keep for the sensor's next day; None if nothing was measured."""
        if not self.measured:
            return None
        return PeriodMemory(
            rate_hz=self.rate_hz, period_s=self.period_s, period_u_s=self.period_u_s, at=at
        )

    def time_of_seq(self, seq: npt.ArrayLike) -> Array:
        """Return seconds since the first sample, for sample numbers that may be fractional."""
        return self._now()[0].time_of_seq(seq)

    @property
    def stretch(self) -> float:
        """How much longer a sample is than its nominal period; a turn is by as much larger."""
        return self.period_s * self.rate_hz

    def arrival_of_seq(self, seq: float) -> int | None:
        """When a sample of this connection arrives at the earliest, ns by the host's clock.

        That is where the line below the arrivals has it, so the waiting for the radio isn't in it.
        None before the first sample.
        """
        if self._connection is None:
            return None
        line = self._now()[2]
        return round(line.anchor_ns + line.period_ns * (seq - line.anchor_seq))

    def seq_at_arrival(self, time_ns: int) -> float | None:
        """Which sample (with fraction) arrives at a time by the host's clock, at the earliest.

        None in a silence, and before or after this connection.
        """
        near = self.NEAR_NS
        if self._connection is None or not (
            self._started_ns - near < time_ns < self._last_ns + near
        ):
            return None
        if any(begin + near <= time_ns <= end - near for begin, end in self._silences):
            return None
        line = self._now()[2]
        return line.anchor_seq + (time_ns - line.anchor_ns) / line.period_ns


def _nodes(lines: list[_Line], first_seq: int) -> tuple[Array, Array]:
    """Both ends of each line, the first sample at time zero, time strictly increasing."""
    origin_ns = lines[0].anchor_ns
    zero = lines[0].at(first_seq, origin_ns)
    seq: list[float] = []
    time_s: list[float] = []
    shift = 0.0
    for line in lines:
        ends = sorted({line.first_seq, line.last_seq})
        if seq and ends[0] <= seq[-1]:
            ends = [end for end in ends if end > seq[-1]]
        for position, end in enumerate(ends):
            at = (line.at(end, origin_ns) - zero) / 1e9 + shift
            if seq and position == 0 and at <= time_s[-1]:
                # A new connection whose first packets seem to come before the end of the last one
                # (both late by different amounts): a period a sample is the least there can be.
                at_least = time_s[-1] + (end - seq[-1]) * line.period_ns / 1e9
                shift += at_least - at
                at = at_least
            seq.append(float(end))
            time_s.append(at)
    return np.array(seq), np.array(time_s)
