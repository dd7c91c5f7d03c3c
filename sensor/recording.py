"""Read a recording: a folder of raw facts, or a CSV file; both make the same `Recording`."""

from __future__ import annotations

import dataclasses
import json
import logging
import os
import stat
import weakref
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Self, overload

import numpy as np
import numpy.typing as npt

from sensor.calibration import UNCALIBRATED_GYR_U, Calibration
from sensor.errors import NewerFormatError, RateTooLowError, RecordingError
from sensor.layout import (
    ANNOTATIONS_FILE,
    ANNOTATIONS_VERSION,
    AXES,
    COUNTS_DTYPE,
    FLOAT_DTYPE,
    IMU_FILE,
    MARKERS_FILE,
    PACKET_DTYPE,
    PACKETS_FILE,
    owned_file,
)
from sensor.lock import lock_state
from sensor.npyfile import RowFile, Rows, open_npy
from sensor.output import describe_os_error
from sensor.session import HANDS, MOUNTS, SESSION_FILE, Session, read_session
from sensor.timebase import (
    CRYSTAL_U,
    GAP_PERIODS,
    NOMINAL_PERIOD_U,
    UNEVEN_PERIODS,
    StampFitter,
    TimeBase,
    even_time_base,
    fit_packets,
)
from sensor.writer import RecordingWriter

__all__ = [
    "COUNTS_DTYPE",
    "FLOAT_DTYPE",
    "PACKET_DTYPE",
    "Block",
    "Gap",
    "Marker",
    "Recording",
    "RecordingWriter",
    "Segment",
    "open_recording",
]

_log = logging.getLogger(__name__)

Array = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

# A downswing takes about a quarter of a second: below 50 Hz it has a dozen samples, too few for
# its times. (Common practice, no source.)
MIN_RATE_HZ: Final = 50.0
# The warning of a recording without a single sample.
NO_SAMPLES: Final = "the recording holds no samples"
# Standard gravity, exact (NIST SP 811).
G_N_M_S2: Final = 9.80665
# Rows read at a time: bounds the memory.
PIECE: Final = 65_536
# No session has a hole this long (at 1000 Hz, 34 years): such a number is damage.
_ABSURD_JUMP: Final = 2**40


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


@dataclass(frozen=True, slots=True)
class Marker:
    """One line of ``markers.jsonl``."""

    kind: str
    seq: int
    fields: Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Segment:
    """Who swings what, from a marker until the next; None where nobody said."""

    player: str | None = None
    handedness: str | None = None
    club: str | None = None
    intent: str | None = None
    ball: bool | None = None
    block: str | int | None = None


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
        self.path = path
        self.session = session
        self.rate_hz = session.nominal_rate_hz
        self.markers = sorted(markers, key=lambda marker: marker.seq)
        self.annotations = dict(annotations or {})
        self.warnings = list(warnings)
        self.calibration = calibration
        self.gyr_scale_u = UNCALIBRATED_GYR_U if calibration is None else calibration.gyr_scale_u
        if calibration is not None and not calibration.fits(
            session.gyr_range_dps, session.acc_range_g
        ):
            self.warnings.append(
                "the calibration was made in other ranges of the sensor: their scale may differ"
            )
        self._hand = hand
        self._rows = rows
        self._resample = False
        self._damaged = 0
        self._first_time_s = 0.0
        self._index_row: list[int] = []
        self._index_seq: list[int] = []
        self._finalizer = weakref.finalize(self, _close_all, rows, packets)
        self._scan(packets)

    # -- opening ---------------------------------------------------------------------------

    def _scan(self, packets: RowFile | None) -> None:
        """Pass once over the sample numbers (and stamps) to learn what the files hold."""
        stamps = StampFitter(self.rate_hz) if self._rows.dtype == FLOAT_DTYPE else None
        holes = _Holes()
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
        if self._resample:
            holes = self._scan_resampled()
        self.warnings.extend(self._time_base.warnings)
        self.period_s = self._time_base.period_s
        self.period_u_s = self._time_base.period_u_s
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

    def _fit(self, stamps: StampFitter | None, packets: RowFile | None, holes: _Holes) -> TimeBase:
        if holes.n_samples == 0:
            return even_time_base(0, self.rate_hz, relative_u=NOMINAL_PERIOD_U)
        if stamps is not None:
            fit = stamps.finish()
            if fit.deviation_s <= UNEVEN_PERIODS / self.rate_hz:
                return fit.time_base(holes.first_seq)
            self._resample = True
            self.warnings.append(
                f"the sampling is uneven (by {1e3 * fit.deviation_s:.1f} ms, rms): the samples "
                f"are interpolated to an even {self.rate_hz:g} Hz, never across a gap"
            )
            return even_time_base(0, self.rate_hz, relative_u=CRYSTAL_U)
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

    def _scan_resampled(self) -> _Holes:
        holes = _Holes()
        self._index_seq = []
        for start in self._index_row:
            first = float(self._rows.read(start, 1)["time_s"][0]) - self._first_time_s
            self._index_seq.append(int(np.ceil(first * self.rate_hz)))
        for seq, _ in self._resampled(0):
            holes.feed(seq)
        return holes

    # -- rows ------------------------------------------------------------------------------

    def _good_pieces(self, row: int, *, count: bool = False) -> Iterator[tuple[int, Rows]]:
        """Pieces of rows from a row on, without damaged ones, each with its first row's number."""
        last: int | None = None
        while row < self._rows.n_rows:
            rows = self._rows.read(row, PIECE)
            good = good_rows(rows, last)
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

    def _resampled(self, row: int) -> Iterator[tuple[Ints, Array]]:
        """Pieces of (seq, values) on the even grid, from a row on."""
        rate = self.rate_hz
        carry: Rows | None = None
        following: int | None = None
        for _, rows in self._good_pieces(row):
            if carry is not None:
                rows = np.concatenate([carry, rows])
            position = (rows["time_s"] - self._first_time_s) * rate
            first = int(np.ceil(position[0]))
            if following is not None:
                first = max(first, following)
            grid = np.arange(first, int(np.floor(position[-1])) + 1)
            carry = rows[-1:]
            following = first + len(grid)
            if not len(grid) or len(rows) < 2:
                following = first
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
        names = {item.name for item in dataclasses.fields(Segment)}
        for marker in self.markers:
            if marker.seq > seq:
                break
            if marker.kind == "segment":
                segment = Segment(**{k: v for k, v in marker.fields.items() if k in names})
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


class _Holes:
    """Collect the holes in sample numbers that come in pieces."""

    def __init__(self) -> None:
        self.n_samples = 0
        self.first_seq = 0
        self.last_seq = 0
        self.found: list[tuple[int, int]] = []

    def feed(self, seq: Ints) -> None:
        if not len(seq):
            return
        if self.n_samples == 0:
            self.first_seq = int(seq[0])
        elif seq[0] > self.last_seq + 1:
            self.found.append((self.last_seq, int(seq[0]) - self.last_seq - 1))
        step = np.diff(seq)
        for index in np.flatnonzero(step > 1):
            self.found.append((int(seq[index]), int(step[index]) - 1))
        self.n_samples += len(seq)
        self.last_seq = int(seq[-1])


def good_rows(rows: Rows, last_seq: int | None) -> npt.NDArray[np.bool_] | None:
    """Return which rows are sound, or None if all are.

    Holes that a power cut left read as zeros; their number does not increase.

    Parameters
    ----------
    rows : (n,) with a `seq` field
    last_seq : int or None
        Number of the last sound row before these, None at the start.
    """
    if not len(rows):
        return None
    seq = rows["seq"]
    steps = np.diff(seq, prepend=seq[0] - 1 if last_seq is None else last_seq)
    empty = seq == 0
    for axis in AXES:
        empty &= rows[axis] == 0
    # A first row of nothing but zeros may be sample 0, if sample 1 follows; else it is a hole.
    leading_hole = last_seq is None and bool(empty[0]) and not np.array_equal(seq[1:2], [1])
    if steps.min() > 0 and steps.max() < _ABSURD_JUMP and seq[0] >= 0 and not leading_hole:
        return None
    good = np.zeros(len(rows), bool)
    last = last_seq
    for index, (number, nothing) in enumerate(zip(seq.tolist(), empty.tolist(), strict=True)):
        first_sound = last is None and number >= 0 and not nothing
        if first_sound or (last is not None and last < number < last + _ABSURD_JUMP):
            good[index] = True
            last = number
    return good


def _pieces(rows: RowFile) -> Iterator[Rows]:
    for start in range(0, rows.n_rows, PIECE):
        yield rows.read(start, PIECE)


def _close_all(*files: RowFile | None) -> None:
    for file in files:
        if file is not None:
            file.close()


def passed_over(count: int, what: str, file: str) -> str:
    """Say that so many damaged rows or lines of a file are not used."""
    if count == 1:
        return f"1 damaged {what} in {file} is passed over"
    return f"{count} damaged {what}s in {file} are passed over"


def too_slow(rate_hz: float) -> str:
    """Say that a rate is too low, and why."""
    return (
        f"{rate_hz:.3g} samples a second are too few to time a swing (a downswing takes about "
        f"0.25 s): record at {MIN_RATE_HZ:g} Hz or more, better at 200"
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


def open_recording(
    path: str | os.PathLike[str],
    *,
    mount: str | None = None,
    hand: str | None = None,
    gyr_range_dps: float | None = None,
    acc_range_g: float | None = None,
    column_map: str | None = None,
    calibration: Calibration | None = None,
) -> Recording:
    """Open a recording's folder or a CSV file.

    Parameters
    ----------
    path : path
    mount, hand, gyr_range_dps, acc_range_g : optional
        What the caller knows better than the file, or what a CSV file cannot say.
    column_map : str, optional
        Names and units of a CSV file's columns, see `sensor.csvfile.parse_column_map`.
    calibration : Calibration, optional
        Corrects the values as they are read; nothing is written.

    Raises
    ------
    RecordingError
        The recording cannot be read; subclasses say more.
    """
    path = Path(path)
    options: dict[str, Any] = {
        "mount": mount,
        "hand": hand,
        "gyr_range_dps": gyr_range_dps,
        "acc_range_g": acc_range_g,
    }
    try:
        is_folder = stat.S_ISDIR(path.stat().st_mode)
    except FileNotFoundError as error:
        raise RecordingError(path, "does not exist") from error
    except OSError as error:
        raise RecordingError(path, f"cannot be read: {describe_os_error(error)}") from error
    if is_folder:
        if column_map is not None:
            raise RecordingError(path, "is a recording: a column map is for CSV files")
        return _open_folder(path, options, calibration)
    if owned_file(path.name) and (path.parent / SESSION_FILE).exists():
        raise RecordingError(path, f"is one file of a recording: name its folder, {path.parent}")
    from sensor.csvfile import read_csv

    return read_csv(path, column_map=column_map, calibration=calibration, **options)


def _open_folder(
    folder: Path, options: dict[str, Any], calibration: Calibration | None
) -> Recording:
    session = with_options(read_session(folder), **options)
    dtype = COUNTS_DTYPE if session.sample_kind == "counts" else FLOAT_DTYPE
    told = session.extra.get("import_warnings")
    warnings = [str(text) for text in told] if isinstance(told, list) else []
    state = lock_state(folder)
    if state == "held":
        warnings.append("is being recorded at the moment: what is there so far was read")
    elif state == "stale":
        warnings.append("was not closed, its recorder died: all whole samples were read")
    try:
        rows, notes = open_npy(folder / IMU_FILE, dtype)
    except RecordingError as error:
        if (folder / IMU_FILE).exists():
            raise
        raise RecordingError(folder, f"has no {IMU_FILE}: there are no samples") from error
    warnings += notes
    try:
        packets: RowFile | None = None
        if (folder / PACKETS_FILE).exists():
            try:
                packets, notes = open_npy(folder / PACKETS_FILE, PACKET_DTYPE)
                warnings += notes
            except RecordingError as error:
                warnings.append(f"{PACKETS_FILE} {error.problem}")
        markers, notes = read_markers(folder)
        warnings += notes
        annotations, notes = _read_annotations(folder, session.id)
        warnings += notes
        return Recording(
            folder,
            session,
            rows,
            packets=packets,
            markers=markers,
            annotations=annotations,
            warnings=warnings,
            hand=options["hand"],
            calibration=calibration,
        )
    except BaseException:
        _close_all(rows, packets)
        raise


def read_markers(folder: Path) -> tuple[list[Marker], list[str]]:
    """Read ``markers.jsonl``; a line that is cut short or damaged is passed over and told.

    Returns
    -------
    markers : list of Marker
    warnings : list of str
    """
    path = folder / MARKERS_FILE
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        return [], []
    except OSError as error:
        raise RecordingError(path, f"cannot be read: {describe_os_error(error)}") from error
    markers = []
    broken = 0
    for line in data.split(b"\n"):
        if not line.strip():
            continue
        try:
            fields = json.loads(line)
            markers.append(Marker(str(fields.pop("kind")), int(fields.pop("seq")), fields))
        except (ValueError, KeyError, TypeError, AttributeError):
            broken += 1
    warnings = [passed_over(broken, "line", MARKERS_FILE)] if broken else []
    return markers, warnings


def _read_annotations(folder: Path, recording_id: str) -> tuple[dict[str, Any], list[str]]:
    path = folder / ANNOTATIONS_FILE
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
        version = document["version"]
        owner = document["recording"]
    except FileNotFoundError:
        return {}, []
    except OSError as error:
        raise RecordingError(path, f"cannot be read: {describe_os_error(error)}") from error
    except (ValueError, KeyError, TypeError):
        return {}, [f"{ANNOTATIONS_FILE} is broken: what people added is not used"]
    if isinstance(version, int) and version > ANNOTATIONS_VERSION:
        raise NewerFormatError(
            path,
            f"has version {version}; this version of unhurried reads up to "
            f"{ANNOTATIONS_VERSION}: update unhurried",
        )
    if owner != recording_id:
        return {}, [f"{ANNOTATIONS_FILE} belongs to another recording: it is not used"]
    return document, []
