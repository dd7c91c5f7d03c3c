"""From the packets of a sensor to numbered samples.

Whatever bytes arrive, decoding goes on: what is no packet, what came before and what comes too
late is counted and kept out. Sample numbers increase strictly over the whole session, whatever the
sensor's own counter does.
"""

from __future__ import annotations

import struct
from collections import deque
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from sensor.link.profile import (
    BYTE_ORDERS,
    SKIP,
    TYPES,
    PacketLayout,
    Profile,
)
from sensor.recording.layout import AXES, COUNTS_DTYPE, PACKET_DTYPE
from sensor.recording.npyfile import Rows
from words.units import G_N_M_S2

Array = npt.NDArray[np.float64]
# arrival_ns, first_seq, count, raw_counter, ticks, connection
Row = tuple[int, int, int, int, int, int]

# How long packets can be held up on their way: Bluetooth gives up a silent link after its
# supervision timeout, 0.1 to 32 s, which hosts set to about 2 to 6 s (from memory).
STALL_S: Final = 6.0
# A packet that comes this long after its place was passed is no longer taken for a late one.
LATE_S: Final = 2.0
# Without a counter, a silence this long counts as a loss of unknown length.
SILENCE_S: Final = 2.0
# Ticks and counter must agree within this share of the time between two packets and this much
# more (a free-running chip is off by up to 5 %, and stamps may jitter).
TICK_SHARE: Final = 0.15
TICK_SLACK_S: Final = 0.1
# Payloads remembered to tell a packet that is sent twice from a counter that started again.
REMEMBERED: Final = 64
# The longest gap that numbers are left out for; a day at 800 Hz.
LONGEST_GAP: Final = 69_120_000
_INT64: Final = 2**63 - 1

# The same bytes as COUNTS_DTYPE, with the six values as one block.
_BLOCK_DTYPE: Final = np.dtype([("seq", "<i8"), ("values", "<i2", (len(AXES),))])


@dataclass(frozen=True, slots=True)
class Decoded:
    """One packet, ready to be recorded.

    Attributes
    ----------
    packets : PACKET_DTYPE (1,)
        `ticks` are nanoseconds of the sensor's own clock, of the first sample, unwrapped within a
        connection; -1 where the sensor sends none. `raw_counter` is -1 without a counter.
    samples : COUNTS_DTYPE (n,)
    """

    packets: Rows
    samples: Rows


class Decoder:
    """Decode the packets of one sensor over a session.

    Parameters
    ----------
    profile : Profile
    gyr_range_dps, acc_range_g : float
        As the sensor is set.
    rate_hz : float, optional
        As the sensor is set; the profile's default otherwise. Used to tell how many samples are
        missing when the counter can't.
    gyr_dps_per_count, acc_m_s2_per_count : float, optional
        As the sensor itself tells; by the profile otherwise.

    Attributes
    ----------
    gyr_dps_per_count, acc_m_s2_per_count : float
        For session.json.
    connection : int
        Counted up at each new connection and after each reset of the sensor's counter.
    next_seq : int
        The number after the last sample's.
    received, duplicate, late, malformed, oversized : int
        Packets; `received` are those whose samples were handed on.
    lost : int
        Samples that the counter says are missing within connections.
    resets : int
        How often the sensor's counter started again within a connection.

    Raises
    ------
    ValueError
        The size of a count isn't known.
    """

    def __init__(
        self,
        profile: Profile,
        *,
        gyr_range_dps: float | None = None,
        acc_range_g: float | None = None,
        rate_hz: float | None = None,
        gyr_dps_per_count: float | None = None,
        acc_m_s2_per_count: float | None = None,
    ) -> None:
        self.profile = profile
        gyr = gyr_dps_per_count or profile.gyr_scale.resolve(gyr_range_dps)
        acc_g = profile.acc_scale.resolve(acc_range_g)
        acc = acc_m_s2_per_count or (None if acc_g is None else acc_g * G_N_M_S2)
        if not gyr or not acc:
            raise ValueError("the size of a count isn't known: it needs the ranges or the scales")
        self.gyr_dps_per_count: float = gyr
        self.acc_m_s2_per_count: float = acc
        self.rate_hz = rate_hz or profile.settings["rate_hz"].default
        self.connection = 0
        self.next_seq = 0
        self.received = 0
        self.duplicate = 0
        self.late = 0
        self.malformed = 0
        self.oversized = 0
        self.lost = 0
        self.resets = 0
        self._reader = _Reader(profile.packet)
        self._per_count = profile.packet.counter == "samples"
        bits = profile.packet.bits("counter")
        self._modulus = 1 << bits if bits else 0
        self._tick_modulus = 1 << profile.packet.bits("ticks")
        self._tick_s = profile.packet.tick_s or 0.0
        self._expected: int | None = None  # the next packet's counter; None: at a new start
        self._ticking = False
        self._last_ticks = 0  # unwrapped
        self._last_tick_seq = 0
        self._started = False
        self._last_arrival_ns = 0
        self._recent: deque[tuple[int, bytes]] = deque(maxlen=REMEMBERED)
        self._gaps: deque[tuple[int, int, int]] = deque(maxlen=REMEMBERED)

    def new_connection(self) -> None:
        """Tell that the next packet comes over a new connection: no clock goes on from before."""
        self._expected = None

    def feed(self, arrival_ns: int, payload: bytes) -> Decoded | None:
        """Decode one packet; None for what is kept out. Never raises, whatever the bytes.

        Parameters
        ----------
        arrival_ns : int
            Monotonic clock of the host when it arrived.
        payload : bytes
        """
        header = self._header(payload)
        if header is None:
            return None
        placed = self._place(arrival_ns, payload, *header)
        if placed is None:
            return None
        row, skip = placed
        n = header[0] - skip
        block = np.empty(n, _BLOCK_DTYPE)
        block["seq"] = np.arange(row[1], row[1] + n)
        block["values"] = self._reader.values(payload, self._reader.head)[skip:]
        return Decoded(np.array([row], PACKET_DTYPE), block.view(COUNTS_DTYPE))

    def values(self, samples: Rows) -> tuple[Array, Array]:
        """Return samples in units: acc_m_s2 (n, 3) and gyr_dps (n, 3)."""
        block = samples.view(_BLOCK_DTYPE)["values"]
        return block[:, :3] * self.acc_m_s2_per_count, block[:, 3:] * self.gyr_dps_per_count

    # -- one packet ----------------------------------------------------------------------------

    def _header(self, payload: bytes) -> tuple[int, int, int] | None:
        """Return count, counter and ticks (0 where there are none); None for what is no packet."""
        if len(payload) > self._reader.max_size:
            self.oversized += 1
            return None
        header = self._reader.header(payload)
        if header is None:
            self.malformed += 1
        return header

    def _place(
        self, arrival_ns: int, payload: bytes, count: int, counter: int, ticks: int
    ) -> tuple[Row, int] | None:
        """Return the packet's row and how many of its first samples were there already."""
        arrival_ns = max(-_INT64, min(_INT64, arrival_ns))
        elapsed_s = max(0.0, (arrival_ns - self._last_arrival_ns) / 1e9) if self._started else 0.0
        skip = 0
        if self._expected is not None and not self._modulus:
            # Nothing to count by: each packet follows the last, unless it was silent for long.
            if elapsed_s > SILENCE_S:
                self._reset()
        elif self._expected is not None:
            unit = 1 if self._per_count else count
            ahead = unit * self._ahead(self._expected, counter, unit, ticks, elapsed_s)
            if ahead < 0:
                verdict = self._behind(ahead, count, counter, arrival_ns, payload)
                if verdict is None:
                    return None
                skip = verdict
            most = 1.1 * (elapsed_s + STALL_S) * self.rate_hz
            fits = skip > 0 or 0 <= ahead <= most
            if not fits or not self._ticks_agree(ticks, self.next_seq + max(0, ahead) - skip):
                skip = 0
                self._reset()
            elif ahead > 0:
                self._gaps.append((self.next_seq, self.next_seq + ahead, arrival_ns))
                self.lost += ahead
                self.next_seq += ahead
        if self._expected is None:
            self._begin(count, elapsed_s)
        first = self.next_seq
        self.next_seq = first + count - skip
        self._expected = counter + (count if self._per_count else 1)
        self._last_arrival_ns = (
            max(arrival_ns, self._last_arrival_ns) if self._started else arrival_ns
        )
        self._started = True
        self.received += 1
        ticks_ns = self._unwrap_ticks(ticks, count, first - skip, skip)
        raw = -1
        if self._modulus:
            self._recent.append((counter, payload))
            raw = (counter + (skip if self._per_count else 0)) % self._modulus & _INT64
        return (arrival_ns, first, count - skip, raw, ticks_ns, self.connection), skip

    def _reset(self) -> None:
        self._expected = None
        self.resets += 1

    def _begin(self, count: int, elapsed_s: float) -> None:
        """Start a connection: numbers go on after the gap that the arrivals tell."""
        self._ticking = False
        self._recent.clear()
        self._gaps.clear()
        if self._started:
            self.connection += 1
            missing = round(elapsed_s * self.rate_hz) - count
            self.next_seq += max(0, min(missing, LONGEST_GAP))

    def _ahead(self, expected: int, counter: int, unit: int, ticks: int, elapsed_s: float) -> int:
        """How far the counter is ahead of what was expected, in its own units; negative: behind.

        The counter tells it but for whole turns. How many those are, the sensor's own clock tells,
        or else the time since the last packet; but that one may only have been held up, so as long
        as that explains it, none.
        """
        step = (counter - expected) % self._modulus
        went_s = self._went_s(ticks, elapsed_s)
        if went_s is None:
            excess = elapsed_s * self.rate_hz / unit - step
            if 0.0 <= excess <= STALL_S * self.rate_hz / unit:
                return step
        else:
            gone = self.next_seq - self._last_tick_seq
            excess = (went_s * self.rate_hz - gone) / unit - step
        return step + max(-1, round(excess / self._modulus)) * self._modulus

    def _went_s(self, ticks: int, elapsed_s: float) -> float | None:
        """How far the sensor's own clock went since the last packet; negative: back."""
        if not self._ticking:
            return None
        turn_s = self._tick_modulus * self._tick_s
        went_s = ((ticks - self._last_ticks) % self._tick_modulus) * self._tick_s
        return went_s + round((elapsed_s - went_s) / turn_s) * turn_s

    def _behind(
        self, ahead: int, count: int, counter: int, arrival_ns: int, payload: bytes
    ) -> int | None:
        """Judge a packet with old numbers: None to keep it out, else how many samples to skip.

        0 means that its numbers aren't old: the counter has started again.
        """
        if (counter, payload) in self._recent:
            self.duplicate += 1
            return None
        first = self.next_seq + ahead
        for start, end, passed_ns in self._gaps:
            if start <= first and first + count <= end:
                if arrival_ns - passed_ns <= LATE_S * 1e9:
                    self.late += 1
                    return None
                break
        if self._per_count and -ahead < count and self._recent:
            # The first samples may be the last ones of the packet before, sent again.
            head, size = self._reader.head, self._reader.sample_size
            shared = payload[head : head - ahead * size]
            if self._recent[-1][1].endswith(shared):
                self.duplicate += 1
                return -ahead
        return 0

    def _ticks_agree(self, ticks: int, first: int) -> bool:
        """Tell whether the sensor's clock went on as far as its counter did."""
        if not self._ticking:
            return True
        turn_s = self._tick_modulus * self._tick_s
        by_counter_s = (first - self._last_tick_seq) / self.rate_hz
        off_s = ((ticks - self._last_ticks) % self._tick_modulus) * self._tick_s - by_counter_s
        off_s -= round(off_s / turn_s) * turn_s
        return abs(off_s) <= TICK_SLACK_S + TICK_SHARE * abs(by_counter_s)

    def _unwrap_ticks(self, ticks: int, count: int, first: int, skip: int) -> int:
        """Unwrapped ticks of a packet's first kept sample, in nanoseconds; -1 without."""
        if not self._tick_s:
            return -1
        if self._ticking:
            by_counter = round((first - self._last_tick_seq) / self.rate_hz / self._tick_s)
            half = self._tick_modulus // 2
            off = (ticks - self._last_ticks - by_counter + half) % self._tick_modulus - half
            ticks = self._last_ticks + by_counter + off
        self._ticking = True
        self._last_ticks = ticks
        self._last_tick_seq = first
        other = skip - (count - 1 if self.profile.packet.ticks_of == "last" else 0)
        return max(0, min(_INT64, round(ticks * self._tick_s * 1e9 + other * 1e9 / self.rate_hz)))


class _Reader:
    """Reads the bytes of a packet; made from the profile's layout."""

    def __init__(self, layout: PacketLayout) -> None:
        self.max_size = layout.max_size
        self.head = layout.header_size
        self.sample_size = layout.sample_size
        self._min = layout.min_samples
        self._unpack = struct.Struct(layout.header_format).unpack_from
        self._fixed = tuple(
            (i, field.value) for i, field in enumerate(layout.header) if field.value is not None
        )
        names = [field.name for field in layout.header]
        self._count, self._counter, self._ticks = (
            names.index(name) if name in names else None for name in ("count", "counter", "ticks")
        )
        order = BYTE_ORDERS[layout.byte_order]
        self._dtype = np.dtype(order + TYPES[layout.type])
        self._width = len(layout.channels)
        axes = [channel.lstrip("-") for channel in layout.channels]
        columns = [axes.index(axis) for axis in AXES]
        # None where the values lie in the file's own order already, which is quicker.
        self._columns = None if columns == list(range(self._width)) else columns
        signs = [-1 if layout.channels[c].startswith("-") else 1 for c in columns]
        self._signs = np.array(signs, np.int32) if -1 in signs else None

    def header(self, payload: bytes) -> tuple[int, int, int] | None:
        """Return count, counter and ticks, or None for what is no packet of this layout."""
        body = len(payload) - self.head
        n, rest = divmod(body, self.sample_size)
        if rest or n < self._min:
            return None
        numbers = self._unpack(payload)
        for i, value in self._fixed:
            if numbers[i] != value:
                return None
        if self._count is not None and numbers[self._count] != n:
            return None
        return (
            n,
            0 if self._counter is None else numbers[self._counter],
            0 if self._ticks is None else numbers[self._ticks],
        )

    def values(self, body: bytes, head: int) -> npt.NDArray[np.integer[Any]]:
        """Return (n, 6) counts in the order of `AXES` from samples after `head` bytes."""
        values = np.frombuffer(body, self._dtype, offset=head).reshape(-1, self._width)
        if self._columns is not None:
            values = values[:, self._columns]
        if self._signs is not None:
            # The least number has no opposite: it becomes the greatest.
            return np.minimum(values * self._signs, 32767)
        return values


def encode(profile: Profile, values: npt.ArrayLike, *, counter: int = 0, ticks: int = 0) -> bytes:
    """Return the bytes of a packet: the inverse of decoding, for simulated sensors and tests.

    Parameters
    ----------
    profile : Profile
    values : (n, 6)
        Counts ax, ay, az, gx, gy, gz in the sensor's frame.
    counter, ticks : int
        Any whole number: wrapped to the width of its field.

    Raises
    ------
    ValueError
        The profile has no packets of so many samples, or a count doesn't fit.
    """
    layout = profile.packet
    counts = np.asarray(values)
    n = len(counts)
    if not layout.min_samples <= n <= layout.max_samples:
        raise ValueError(
            f"{profile.name} has packets of {layout.min_samples} to {layout.max_samples} "
            f"samples, not {n}"
        )
    wide = np.zeros((n, len(layout.channels)), np.int64)
    for i, channel in enumerate(layout.channels):
        axis = channel.lstrip("-")
        if axis != SKIP:
            wide[:, i] = counts[:, AXES.index(axis)] * (-1 if channel.startswith("-") else 1)
    dtype = np.dtype(TYPES[layout.type])
    limits = np.iinfo(dtype)
    # The least number has no opposite: it becomes the greatest.
    wide[wide == limits.max + 1] = limits.max
    if wide.min() < limits.min or wide.max() > limits.max:
        raise ValueError(f"a count does not fit into {layout.type}")
    told = {"count": n, "counter": counter, "ticks": ticks}
    numbers = [
        field.value
        if field.value is not None
        else told.get(field.name, 0) % (1 << layout.bits(field.name) if field.name != SKIP else 1)
        for field in layout.header
    ]
    body = wide.astype(BYTE_ORDERS[layout.byte_order] + TYPES[layout.type]).tobytes()
    return struct.pack(layout.header_format, *numbers) + body
