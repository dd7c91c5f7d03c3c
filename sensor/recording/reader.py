"""Read a recording: a folder of raw facts, or a CSV file; both make the same `Recording`."""

from __future__ import annotations

import bisect
import dataclasses
import functools
import logging
import weakref
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Self, overload

import numpy as np
import numpy.typing as npt

from sensor.errors import RateTooHighError, RateTooLowError, RecordingError
from sensor.recording.calibration import Calibration
from sensor.recording.layout import (
    COUNTS_DTYPE,
    FLOAT_DTYPE,
    IMU_FILE,
)
from sensor.recording.markers import Marker, Segment, passed_over, segment_of
from sensor.recording.npyfile import RowFile, Rows
from sensor.recording.schema import HANDS
from sensor.recording.session import Session
from sensor.recording.soundrows import PIECE, Holes, read_good
from sensor.recording.stampjudge import judge_stamps
from sensor.recording.stamplines import (
    GAP_PERIODS,
    UNEVEN_PERIODS,
    SeqNumberer,
    StampFit,
    StampFitter,
)
from sensor.recording.standing_noise import FilterDelay, delay_from_noise
from sensor.recording.timebase import (
    CRYSTAL_U,
    NOMINAL_PERIOD_U,
    TimeBase,
    even_time_base,
    fit_packets,
)
from words.glossary import MOUNTS
from words.units import G_N_M_S2, UNCALIBRATED_GYR_U

_log = logging.getLogger(__name__)

Array = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

# A downswing takes about a quarter of a second: below 50 Hz it has a dozen samples, too few for
# its times. (Common practice, no source.)
MIN_RATE_HZ: Final = 50.0
# The fastest motion sensors give some 8000 samples a second (from memory): more is a mistake in the
# unit of the times.
MAX_RATE_HZ: Final = 10_000.0
# A rate that changes by more than this share, rms, isn't one rate: it would pass into turns.
MAX_RATE_SPREAD: Final = 0.005
# A rate off by more than this share isn't that of the session.
MAX_RATE_OFF: Final = 0.25
# The warning of a recording without a single sample.
NO_SAMPLES: Final = "the recording holds no samples"


@dataclass(frozen=True, slots=True)
class Block:
    """Consecutive samples in units.

    Attributes
    ----------
    seq : (n,) int64
    time_s : (n,)
        Since the recording's first sample.
    acc_m_s2, gyr_dps : (n, 3)
    """

    seq: Ints
    time_s: Array
    acc_m_s2: Array
    gyr_dps: Array


@dataclass(frozen=True, slots=True)
class Gap:
    """A hole in the samples: `missing` of them after `after_seq`.

    `start_s` is the time of the last sample before it, `duration_s` runs to the first after it.
    """

    after_seq: int
    missing: int
    start_s: float
    duration_s: float


class Recording:
    """Read a recording piece by piece, with its time base; made by `open_recording`.

    Attributes
    ----------
    path : Path
    session : Session
        With what the caller of `open_recording` knew better.
    rate_hz : float
        Nominal sample rate.
    period_s, period_u_s : float
        Fitted sample period and its standard uncertainty.
    time_u_s : float
        Standard uncertainty of a single sample's time, where jittered stamps leave it open.
    n_samples, lost_samples : int
        Samples there, and holes in their numbers.
    duration_s : float
        From the first sample to the last.
    gaps : list of Gap
    markers : list of Marker
    annotations : dict
        What people added later, as ``annotations.json`` has it.
    warnings : list of str
        What a reader should know, one plain line each.
    calibration : Calibration or None
        Applied to every value that is read; the files are as they were.
    gyr_scale_u : float
        Standard uncertainty of the gyroscope's scale, as a share.
    """

    def __init__(
        self,
        path: Path,
        session: Session,
        rows: RowFile,
        *,
        packets: RowFile | None = None,
        markers: Sequence[Marker] = (),
        annotations: Mapping[str, Any] | None = None,
        warnings: Sequence[str] = (),
        hand: str | None = None,
        calibration: Calibration | None = None,
    ) -> None:
        if session.nominal_rate_hz < MIN_RATE_HZ:
            raise RateTooLowError(path, too_slow(session.nominal_rate_hz))
        if session.nominal_rate_hz > MAX_RATE_HZ:
            raise RateTooHighError(path, too_fast(session.nominal_rate_hz))
        self.path = path
        self.session = session
        self.rate_hz = session.nominal_rate_hz
        self.markers = sorted(markers, key=lambda marker: marker.seq)
        self._segments = [marker for marker in self.markers if marker.kind == "segment"]
        self.annotations = dict(annotations or {})
        self.warnings = list(warnings)
        self.calibration = calibration
        self.gyr_scale_u = session.gyr_scale_u or UNCALIBRATED_GYR_U
        if calibration is not None:
            self.gyr_scale_u = calibration.gyr_scale_u
        if calibration is not None and not calibration.fits(
            session.gyr_range_dps, session.acc_range_g
        ):
            self.warnings.append(
                "the calibration was made in other ranges of the sensor: their scale may differ"
            )
        self._hand = hand
        self._rows = rows
        self._resample = False
        # Where samples are interpolated: by these times of theirs, or else by their stamps.
        self._straight: TimeBase | None = None
        self._damaged = 0
        self._first_time_s = 0.0
        self._index_row: list[int] = []
        self._index_seq: list[int] = []
        self._finalizer = weakref.finalize(self, close_all, rows, packets)
        self._scan(packets)

    def __repr__(self) -> str:
        mount = self.session.mount or "unknown mount"
        return (
            f"<Recording {str(self.path)!r}: {self.duration_s:.1f} s at {self.rate_hz:g} Hz, "
            f"{mount}, {self.n_samples} samples>"
        )

    # -- opening ---------------------------------------------------------------------------

    def _scan(self, packets: RowFile | None) -> None:
        """Pass once over the sample numbers (and stamps) to learn what the files hold."""
        stamps = StampFitter(self.rate_hz) if self._rows.dtype == FLOAT_DTYPE else None
        holes = Holes()
        for start, rows in self._good_pieces(0, count=True):
            if self._index_row == [] and stamps is not None:
                self._first_time_s = float(rows["time_s"][0])
            self._index_row.append(start)
            self._index_seq.append(int(rows["seq"][0]))
            holes.feed(rows["seq"])
            if stamps is not None:
                stamps.feed(rows["seq"], rows["time_s"])
        if self._damaged:
            self.warnings.append(
                f"{passed_over(self._damaged, 'row', IMU_FILE)}; "
                "'unhurried recover' makes a clean copy"
            )
        if holes.n_samples == 0:
            self.warnings.append(NO_SAMPLES)
        self._time_base = self._fit(stamps, packets, holes)
        holes = self._scan_resampled() if self._resample else holes
        self.warnings.extend(self._time_base.warnings)
        self.period_s = self._time_base.period_s
        self.period_u_s = self._time_base.period_u_s
        self.time_u_s = self._time_base.time_u_s
        self.n_samples = holes.n_samples
        self.lost_samples = sum(missing for _, missing in holes.found)
        self.first_seq = holes.first_seq
        self.last_seq = holes.last_seq
        self.duration_s = self.time_of_seq(holes.last_seq) if holes.n_samples else 0.0
        after = np.array([seq for seq, _ in holes.found], np.int64)
        missing = np.array([count for _, count in holes.found], np.int64)
        starts = self.time_of_seq(after)
        ends = self.time_of_seq(after + missing + 1)
        self.gaps = [
            Gap(int(seq), int(count), float(start), float(end - start))
            for seq, count, start, end in zip(after, missing, starts, ends, strict=True)
        ]
        _log.debug(
            "%s: %d samples, %d lost in %d gaps, period %.9f s (u %.1e), %d nodes of time",
            self.path,
            self.n_samples,
            self.lost_samples,
            len(self.gaps),
            self.period_s,
            self.period_u_s,
            len(self._time_base.seq),
        )

    def _fit(self, stamps: StampFitter | None, packets: RowFile | None, holes: Holes) -> TimeBase:
        if holes.n_samples == 0:
            return even_time_base(0, self.rate_hz, relative_u=NOMINAL_PERIOD_U)
        if stamps is not None:
            try:
                fit = stamps.finish()
            except ValueError as error:
                raise RecordingError(self.path, f"{error}: it cannot be read") from error
            if fit.deviation_s <= UNEVEN_PERIODS / self.rate_hz:
                return self._steady(fit, holes.first_seq)
            return self._by_stamps(holes)
        if packets is not None:
            base = fit_packets(
                _pieces(packets), nominal_rate_hz=self.rate_hz, first_seq=holes.first_seq
            )
            if base is not None:
                return base
        self.warnings.append(
            "there are no packet times: the sample rate is taken as the nominal "
            f"{self.rate_hz:g} Hz, which may be off by 1-5 %"
        )
        return even_time_base(holes.first_seq, self.rate_hz, relative_u=NOMINAL_PERIOD_U)

    def _steady(self, fit: StampFit, first_seq: int) -> TimeBase:
        """Return the lines through the stamps, or interpolate where their rate isn't one."""
        base = fit.time_base(first_seq)
        off = abs(base.period_s * self.rate_hz - 1.0)
        if off > MAX_RATE_OFF or fit.rate_spread > MAX_RATE_OFF:
            raise RecordingError(
                self.path,
                f"its times say {1.0 / base.period_s:.3g} samples a second, or a rate that changes "
                f"for good, and its session {self.rate_hz:g}: it cannot be read",
            )
        if fit.rate_spread <= MAX_RATE_SPREAD:
            spread_u = fit.rate_spread * base.period_s
            return dataclasses.replace(base, period_u_s=float(np.hypot(base.period_u_s, spread_u)))
        self._straight = base
        return self._interpolate(f"the sample rate changes (by {fit.rate_spread:.1%}, rms)")

    def _by_stamps(self, holes: Holes) -> TimeBase:
        """Return the time base for stamps that are off an even grid.

        Raises
        ------
        RecordingError
            Neither the stamps nor even times fit the motion.
        """
        try:
            reading = judge_stamps(
                lambda: (rows for _, rows in self._good_pieces(0)),
                rate_hz=self.rate_hz,
                first_seq=holes.first_seq,
                lost=any(count <= SeqNumberer.RESTART_PERIODS for _, count in holes.found),
            )
        except ValueError as error:
            raise RecordingError(self.path, str(error)) from error
        if reading.warning is not None:
            self.warnings.append(reading.warning)
        if reading.packets is not None:
            return reading.packets
        if reading.lines is not None:
            base = self._steady(reading.lines, holes.first_seq)
            return dataclasses.replace(base, time_u_s=reading.time_u_s)
        return self._interpolate(reading.uneven or "the sampling is uneven")

    def _interpolate(self, why: str) -> TimeBase:
        self._resample = True
        self.warnings.append(
            f"{why}: the samples are interpolated to an even {self.rate_hz:g} Hz, never across "
            "a gap"
        )
        return even_time_base(0, self.rate_hz, relative_u=CRYSTAL_U)

    def _scan_resampled(self) -> Holes:
        holes = Holes()
        self._index_seq = []
        for start in self._index_row:
            self._index_seq.append(int(np.ceil(self._position(self._rows.read(start, 1))[0])))
        for seq, _ in self._resampled(0):
            holes.feed(seq)
        return holes

    # -- rows ------------------------------------------------------------------------------

    def _good_pieces(self, row: int, *, count: bool = False) -> Iterator[tuple[int, Rows]]:
        """Pieces of rows from a row on, without damaged ones, each with its first row's number."""
        last: int | None = None
        while row < self._rows.n_rows:
            rows, good = read_good(self._rows, row, last)
            kept = rows if good is None else rows[good]
            if count:
                self._damaged += len(rows) - len(kept)
            if len(kept):
                yield row if good is None else row + int(np.argmax(good)), kept
                last = int(kept["seq"][-1])
            row += len(rows)

    def _values(self, rows: Rows) -> Array:
        """Return (n, 6) acc in m/s2 and gyr in deg/s."""
        kind = "<i2" if self._rows.dtype == COUNTS_DTYPE else "<f4"
        # In both layouts the six channels are columns 4 to 9, counted in their own type.
        columns = np.ascontiguousarray(rows).view(kind).reshape(len(rows), 10)[:, 4:]
        values = columns.astype(np.float64)
        if kind == "<i2":
            acc_scale = self.session.acc_m_s2_per_count or 1.0
            gyr_scale = self.session.gyr_dps_per_count or 1.0
            values *= np.array([acc_scale] * 3 + [gyr_scale] * 3)
        if self.calibration is not None:
            values[:, :3], values[:, 3:] = self.calibration.apply(values[:, :3], values[:, 3:])
        return values

    def _position(self, rows: Rows) -> Array:
        """Return where rows lie on the even grid, in periods."""
        if self._straight is not None:
            return self._straight.time_of_seq(rows["seq"]) * self.rate_hz
        return np.asarray((rows["time_s"] - self._first_time_s) * self.rate_hz, np.float64)

    def _resampled(self, row: int) -> Iterator[tuple[Ints, Array]]:
        """Pieces of (seq, values) on the even grid, from a row on."""
        carry: Rows | None = None
        following: int | None = None
        for _, rows in self._good_pieces(row):
            if carry is not None:
                rows = np.concatenate([carry, rows])
            position = self._position(rows)
            later = np.diff(position, prepend=-np.inf) > 0.0
            if not later.all():
                later &= position > np.maximum.accumulate(np.append(-np.inf, position[:-1]))
                rows, position = rows[later], position[later]
            first = int(np.ceil(position[0]))
            if following is not None:
                first = max(first, following)
            grid = _grid(position, first)
            carry = rows[-1:]
            following = max(first, int(np.floor(position[-1])) + 1)
            if not len(grid) or len(rows) < 2:
                continue
            left = np.clip(np.searchsorted(position, grid, side="right") - 1, 0, len(rows) - 2)
            step = position[left + 1] - position[left]
            part = ((grid - position[left]) / step)[:, None]
            values = self._values(rows)
            values = values[left] + part * (values[left + 1] - values[left])
            keep = (step <= GAP_PERIODS) | (part[:, 0] <= 0.0) | (part[:, 0] >= 1.0)
            yield grid[keep], values[keep]

    def _stream(self, row: int) -> Iterator[tuple[Ints, Array]]:
        if self._resample:
            yield from self._resampled(row)
        else:
            for _, rows in self._good_pieces(row):
                yield rows["seq"].astype(np.int64), self._values(rows)

    def _block(self, seq: Ints, values: Array) -> Block:
        return Block(seq, self.time_of_seq(seq), values[:, :3], values[:, 3:])

    # -- reading ---------------------------------------------------------------------------

    @functools.cached_property
    def filter_delay(self) -> FilterDelay | None:
        """What the gyroscope's noise at rest says of its filter, where its delay isn't known.

        None where it is known, and where nothing can be told. Reads the whole recording, once.
        """
        scale = self.session.gyr_dps_per_count
        if self.session.gyr_delay_known or scale is None or self._resample:
            return None
        pieces = ((block.seq, block.gyr_dps) for block in self.blocks())
        return delay_from_noise(pieces, rate_hz=self.rate_hz, dps_per_count=scale)

    @property
    def gyr_delay_s(self) -> float:
        """The delay that is taken off: as it is known, as the noise says, or the middle."""
        told = self.filter_delay
        return self.session.gyr_delay_s if told is None else told.delay_s

    @property
    def gyr_delay_u_s(self) -> float:
        """Its standard uncertainty."""
        told = self.filter_delay
        return self.session.gyr_delay_u_s if told is None else told.delay_u_s

    @property
    def gyr_limit_dps(self) -> float | None:
        """From which reading on, as read here, a channel of the gyroscope may be at its stop.

        The session's range; with a calibration a little less, since it may shrink readings.
        """
        limit = self.session.gyr_range_dps
        if self.calibration is None:
            return limit
        if limit is None and self.session.gyr_dps_per_count is not None:
            limit = 32767 * self.session.gyr_dps_per_count
        return None if limit is None else self.calibration.gyr_limit_dps(limit)

    @property
    def acc_limit_g(self) -> float | None:
        """The same of the accelerometer, in g."""
        limit = self.session.acc_range_g
        if self.calibration is None:
            return limit
        if limit is None and self.session.acc_m_s2_per_count is not None:
            limit = 32767 * self.session.acc_m_s2_per_count / G_N_M_S2
        if limit is None:
            return None
        return self.calibration.acc_limit_m_s2(limit * G_N_M_S2) / G_N_M_S2

    def blocks(self, size: int = PIECE) -> Iterator[Block]:
        """Give all samples in their order, at most `size` at a time, in bounded memory."""
        if size < 1:
            raise ValueError("size must be at least 1")
        for seq, values in self._stream(0):
            for start in range(0, len(seq), size):
                part = slice(start, start + size)
                yield self._block(seq[part], values[part])

    def read(self, first_seq: int | None = None, last_seq: int | None = None) -> Block:
        """Return the samples numbered from `first_seq` to `last_seq`, both included."""
        first = self.first_seq if first_seq is None else first_seq
        last = self.last_seq if last_seq is None else last_seq
        piece = max(0, int(np.searchsorted(self._index_seq, first, side="right")) - 1)
        seqs: list[Ints] = [np.zeros(0, np.int64)]
        values: list[Array] = [np.zeros((0, 6))]
        if self._index_row:
            for seq, value in self._stream(self._index_row[piece]):
                if len(seq) and seq[0] > last:
                    break
                start, end = np.searchsorted(seq, [first, last + 1])
                seqs.append(seq[start:end])
                values.append(value[start:end])
        return self._block(np.concatenate(seqs), np.concatenate(values))

    @overload
    def time_of_seq(self, seq: float) -> float: ...
    @overload
    def time_of_seq(self, seq: npt.NDArray[Any]) -> Array: ...
    def time_of_seq(self, seq: float | npt.NDArray[Any]) -> float | Array:
        """Return seconds since the first sample for (fractional) sample numbers."""
        time_s = self._time_base.time_of_seq(seq)
        return time_s if isinstance(seq, np.ndarray) else float(time_s)

    @overload
    def seq_of_time(self, time_s: float) -> float: ...
    @overload
    def seq_of_time(self, time_s: npt.NDArray[Any]) -> Array: ...
    def seq_of_time(self, time_s: float | npt.NDArray[Any]) -> float | Array:
        """Return the fractional sample number at a time: the inverse of `time_of_seq`."""
        seq = self._time_base.seq_of_time(time_s)
        return seq if isinstance(time_s, np.ndarray) else float(seq)

    def segment_at(self, seq: float) -> Segment:
        """Say who swings what at a sample: the last segment marker, else the session."""
        session = self.session
        segment = Segment(player=session.player, handedness=session.handedness, club=session.club)
        if (k := bisect.bisect_right(self._segments, seq, key=lambda marker: marker.seq)) > 0:
            segment = segment_of(self._segments[k - 1])
        if self._hand is not None:
            segment = dataclasses.replace(segment, handedness=self._hand)
        return segment

    def close(self) -> None:
        """Close the files; also done when the recording is no longer used."""
        self._finalizer()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        self.close()


def _grid(position: Array, first: int) -> Ints:
    """Return the whole numbers from the first on that lie between rows, but not inside of gaps.

    Never made in gaps: those may last for days.
    """
    gaps = np.flatnonzero(np.diff(position) > GAP_PERIODS)
    begin = np.maximum(np.ceil(position[np.append(0, gaps + 1)]).astype(np.int64), first)
    end = np.floor(position[np.append(gaps, len(position) - 1)]).astype(np.int64)
    count = np.maximum(end - begin + 1, 0)
    every = np.arange(count.sum()) + np.repeat(begin - (np.cumsum(count) - count), count)
    return np.asarray(every, np.int64)


def _pieces(rows: RowFile) -> Iterator[Rows]:
    for start in range(0, rows.n_rows, PIECE):
        yield rows.read(start, PIECE)


def close_all(*files: RowFile | None) -> None:
    for file in files:
        if file is not None:
            file.close()


def too_slow(rate_hz: float) -> str:
    """Say that a rate is too low, and why."""
    return (
        f"{rate_hz:.3g} samples a second are too few to time a swing (a downswing takes about "
        f"0.25 s): record at {MIN_RATE_HZ:g} Hz or more, better at 200"
    )


def too_fast(rate_hz: float) -> str:
    """Say that a rate is higher than any sensor's."""
    rate = f"{rate_hz:,.0f}" if rate_hz < 1e9 else f"{rate_hz:.3g}"
    return (
        f"{rate} samples a second are more than any motion sensor takes (up to "
        f"{MAX_RATE_HZ:,.0f}): the times are in another unit"
    )


def with_options(
    session: Session,
    *,
    mount: str | None,
    hand: str | None,
    gyr_range_dps: float | None,
    acc_range_g: float | None,
) -> Session:
    """Return the session with what the caller knows better.

    Raises
    ------
    ValueError
        An option is not what it must be.
    """
    if mount is not None and mount not in MOUNTS:
        raise ValueError(f"mount must be one of {', '.join(MOUNTS)}")
    if hand is not None and hand not in HANDS:
        raise ValueError(f"hand must be one of {', '.join(HANDS)}")
    given: dict[str, Any] = {
        "mount": mount,
        "handedness": hand,
        "gyr_range_dps": gyr_range_dps,
        "acc_range_g": acc_range_g,
    }
    return dataclasses.replace(session, **{k: v for k, v in given.items() if v is not None})
