"""CSV files in and out.

A CSV file is checked from end to end before anything is made of it. It is converted piece by
piece, so that its length does not show in the memory.
"""

from __future__ import annotations

import csv
import dataclasses
import hashlib
import io
import itertools
import math
import os
import re
import tempfile
import uuid
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, Final, NoReturn

import numpy as np
import numpy.typing as npt

from sensor.calibration import Calibration
from sensor.errors import ColumnMapError, CsvError, RateTooLowError, RecordingError
from sensor.layout import AXES, FLOAT_DTYPE
from sensor.npyfile import RowFile, Rows
from sensor.output import describe_os_error, whole_file
from sensor.recording import MIN_RATE_HZ, Block, Recording, too_slow, with_options
from sensor.session import Session
from sensor.timebase import SeqNumberer, robust_period_s
from sensor.writer import RecordingWriter

if TYPE_CHECKING:
    import pandas as pd

Array = npt.NDArray[np.float64]

COLUMNS: Final = (
    "time_s",
    "acc_x_m_s2",
    "acc_y_m_s2",
    "acc_z_m_s2",
    "gyr_x_deg_s",
    "gyr_y_deg_s",
    "gyr_z_deg_s",
)
# Standard acceleration of free fall, exact by definition (3rd CGPM, 1901).
G_N: Final = 9.80665

# Units that a map may name for each kind of column: what one of them is in ours. The first is ours.
UNITS: Final[Mapping[str, Mapping[str, float]]] = {
    "time": {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9},
    "acc": {"m/s2": 1.0, "g": G_N, "mg": G_N / 1000.0},
    "gyr": {"deg/s": 1.0, "rad/s": 180.0 / math.pi},
}

_PIECE: Final = 262_144
# No sensor worn by a person reads more than this in m/s2 or deg/s: such a number is a mistake.
_LARGEST: Final = 1e6
# Rest is looked for where the gyro is quietest.
_QUIET_SHARE: Final = 0.2
_QUIET_DPS: Final = 20.0
# A sensor in a full swing reads more than 3 g for longer than this (about 0.4 s in the simulated
# recordings), a knock is over sooner (from memory: some ms).
_PULL_S: Final = 0.1
# Rates of 3 to 50 in such a pull are those of a swing in rad/s (170 to 2900 deg/s).
_PULL_RAD_S: Final = 3.0


@dataclass(frozen=True, slots=True)
class Column:
    """Where a column of ours comes from: a name in the file and its unit."""

    name: str
    unit: str


def _kind(column: str) -> str:
    return column.split("_")[0]


def parse_column_map(text: str) -> dict[str, Column]:
    """Read a map such as ``"time_s=t:ms, acc_x_m_s2=ax:g, gyr_x_deg_s=gx:rad/s"``.

    Parameters
    ----------
    text : str
        Our column, ``=``, the file's column and, after a colon, its unit where it is not ours:
        s, ms, us, ns; m/s2, g, mg; deg/s, rad/s. Columns not named keep their own names.

    Raises
    ------
    ColumnMapError
    """
    found: dict[str, Column] = {}
    for entry in text.split(","):
        if not entry.strip():
            continue
        ours, equals, theirs = (part.strip() for part in entry.partition("="))
        if not equals or not theirs:
            raise ColumnMapError(f"'{entry.strip()}' is not of the form {COLUMNS[0]}=name:unit")
        if ours not in COLUMNS:
            raise ColumnMapError(f"'{ours}' is not a column: choose from {', '.join(COLUMNS)}")
        if ours in found:
            raise ColumnMapError(f"'{ours}' is given twice")
        units = UNITS[_kind(ours)]
        name, colon, unit = (part.strip() for part in theirs.rpartition(":"))
        if not colon:
            name, unit = theirs, next(iter(units))
        elif unit not in units:
            raise ColumnMapError(
                f"'{unit}' is not a unit for {ours}: choose from {', '.join(units)}"
            )
        found[ours] = Column(name, unit)
    if not found:
        raise ColumnMapError(f"the map is empty: give {COLUMNS[0]}=name:unit, ...")
    return found


# -- header ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Layout:
    """Where the seven columns stand in the file, in our order."""

    width: int
    indices: tuple[int, ...]
    columns: tuple[Column, ...]


def _open(path: Path) -> io.BufferedReader:
    try:
        return path.open("rb")
    except IsADirectoryError as error:
        raise CsvError(path, "is a folder: name a CSV file") from error
    except OSError as error:
        raise CsvError(path, f"cannot be read: {describe_os_error(error)}") from error


def _read_layout(path: Path, column_map: str | None) -> _Layout:
    with _open(path) as file:
        try:
            start = file.read(1 << 16)
        except OSError as error:
            raise CsvError(path, f"cannot be read: {describe_os_error(error)}") from error
    if not start.strip(b"\xef\xbb\xbf \t\r\n"):
        raise CsvError(path, "is empty: nothing was recorded, or the copy failed")
    if start.startswith(b"\x93NUMPY"):
        raise CsvError(path, "is a numpy file, not CSV: name the folder of the recording")
    if start.startswith(b"PK"):
        raise CsvError(path, "is a workbook or archive, not CSV: save the sheet as 'CSV UTF-8'")
    if b"\0" in start:
        raise CsvError(path, "is not text: save it as 'CSV UTF-8'")
    line = re.split(rb"\r\n|\n|\r", start, maxsplit=1)[0]
    try:
        text = line.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise CsvError(path, "is not UTF-8 text: save it as 'CSV UTF-8'", 1) from error
    names = [name.strip() for name in next(csv.reader([text]), [])]
    if len(names) == 1:
        for mark, word in ((";", "semicolons"), ("\t", "tabs")):
            if mark in text:
                raise CsvError(
                    path,
                    f"the columns are separated by {word}: save it with commas between the "
                    "columns and points in the numbers",
                    1,
                )
    if all(_is_number(name) for name in names):
        raise CsvError(path, f"there is no header: put {','.join(COLUMNS)} before the numbers", 1)
    mapped = parse_column_map(column_map) if column_map is not None else {}
    columns = tuple(
        mapped.get(name, Column(name, next(iter(UNITS[_kind(name)])))) for name in COLUMNS
    )
    for column in columns:
        if names.count(column.name) > 1:
            raise CsvError(path, f"the column '{column.name}' is there twice: remove one", 1)
    missing = [column.name for column in columns if column.name not in names]
    if missing:
        wrong = f"there is no column {', '.join(missing)}"
        raise CsvError(path, f"{wrong}: {_advice(names, mapped)}", 1)
    return _Layout(len(names), tuple(names.index(c.name) for c in columns), columns)


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def _advice(names: list[str], mapped: Mapping[str, Column]) -> str:
    """Say which map would do, where the names of the file let one guess."""
    if any(column.name not in names for column in mapped.values()):
        return f"the file has {', '.join(names)}; correct the --map"
    guesses: dict[str, Column] = {}
    for name in names:
        guess = _guess(name)
        if guess is None:
            continue
        ours, unit = guess
        # Their own name wins over one that looks like it; of two that look alike, neither is sure.
        if ours in names:
            guesses[ours] = Column(ours, next(iter(UNITS[_kind(ours)])))
        elif ours in guesses:
            return f"the file has {', '.join(names)}; tell which is which with --map"
        else:
            guesses[ours] = Column(name, unit)
    guesses.update((ours, column) for ours, column in mapped.items() if column.name in names)
    if all(ours in guesses for ours in COLUMNS):
        return f"try {_map_option([guesses[ours] for ours in COLUMNS])}"
    return f"the file has {', '.join(names)}; tell which is which with --map"


def _map_option(columns: Sequence[Column]) -> str:
    """Return the option that says where our seven columns come from."""
    entries = []
    for ours, column in zip(COLUMNS, columns, strict=True):
        unit = "" if column.unit == next(iter(UNITS[_kind(ours)])) else f":{column.unit}"
        if column.name != ours or unit:
            entries.append(f"{ours}={column.name}{unit}")
    return f'--map "{", ".join(entries)}"'


def _with_unit(columns: Sequence[Column], kind: str, unit: str) -> list[Column]:
    return [
        Column(column.name, unit) if _kind(ours) == kind else column
        for ours, column in zip(COLUMNS, columns, strict=True)
    ]


def _guess(name: str) -> tuple[str, str] | None:
    """Guess which of our columns a name stands for, and in which unit."""
    if name in COLUMNS:
        return name, next(iter(UNITS[_kind(name)]))
    lower = re.sub(r"([a-z])([A-Z])", r"\1_\2", name).lower().replace("µ", "u")
    words = [word for word in re.split(r"[^a-z0-9]+", lower) if word]
    joined = "_".join(words)
    if re.match(r"(t|ts|time|timestamp|elapsed|secs?|seconds|millis|micros|[mun]s)(_|$)", joined):
        units = (("ms|msec|millis\\w*", "ms"), ("us|usec|micros\\w*", "us"), ("ns|nanos\\w*", "ns"))
        for pattern, unit in units:
            if re.search(rf"(^|_)({pattern})(_|$)", joined):
                return "time_s", unit
        return "time_s", "s"
    axis = re.search(r"(?:^|_)(?:a|g|w|acc\w*?|gyro?\w*?|omega|rot)?([xyz])(?:_|$)", joined)
    if axis is None:
        return None
    if re.match(r"(w|omega|gyr|rot|ang|g_?[xyz])", joined):
        return f"gyr_{axis[1]}_deg_s", "rad/s" if "rad" in joined else "deg/s"
    if re.match(r"a", joined) or "acc" in joined:
        unit = "m/s2"
        for word in ("g", "mg"):
            if word in words:
                unit = word
        return f"acc_{axis[1]}_m_s2", unit
    return None


# -- numbers ---------------------------------------------------------------------------------


def _explain(path: Path, layout: _Layout, otherwise: str) -> NoReturn:
    """Find the first bad line and say what is wrong with it: slow, but only for bad files."""
    previous: float | None = None
    with path.open(encoding="utf-8-sig", newline="", errors="replace") as file:
        reader = csv.reader(file)
        next(reader)
        try:
            for row in reader:
                if not row or row == [""]:
                    continue
                line = reader.line_num
                _check_width(path, layout, row, line)
                for index, (ours, column) in enumerate(zip(COLUMNS, layout.columns, strict=True)):
                    text = row[layout.indices[index]].strip()
                    value = _number(path, column.name, text, line)
                    if index == 0:
                        _check_order(path, previous, value, column.unit, line)
                        previous = value
                    elif abs(value) * UNITS[_kind(ours)][column.unit] > _LARGEST:
                        raise CsvError(path, f"{column.name} is {text}, which cannot be", line)
        except csv.Error as error:
            raise CsvError(path, f"is not sound CSV: {error}", reader.line_num) from error
    raise CsvError(path, otherwise)


def _check_width(path: Path, layout: _Layout, row: list[str], line: int) -> None:
    extra = [text for text in row[layout.width :] if text.strip()]
    if not extra and len(row) > max(layout.indices):
        return
    hint = ""
    if len(row) >= 2 * layout.width - 1:
        hint = ": if the numbers have decimal commas, save them with points"
    elif len(row) == 1 and (";" in row[0] or "\t" in row[0]):
        hint = ": separate the columns by commas"
    values = "value" if len(row) == 1 else "values"
    raise CsvError(
        path, f"there are {len(row)} {values}, but the header has {layout.width}{hint}", line
    )


def _number(path: Path, name: str, text: str, line: int) -> float:
    """Return a number; whole ones stay whole, so that long time stamps keep all digits."""
    if not text:
        raise CsvError(path, f"{name} is empty: leave out the whole line instead", line)
    try:
        value = int(text) if re.fullmatch(r"[+-]?\d+", text) else float(text)
    except ValueError as error:
        raise CsvError(path, f"{name} is '{text}', not a number", line) from error
    if not math.isfinite(value) or "_" in text:
        raise CsvError(
            path, f"{name} is '{text}', not a number: leave out the whole line instead", line
        )
    return value


def _check_order(path: Path, previous: float | None, value: float, unit: str, line: int) -> None:
    if previous is None or value > previous:
        return
    if value == previous:
        raise CsvError(path, f"the time {value} {unit} is there twice: remove one line", line)
    raise CsvError(
        path,
        f"time goes backwards, to {value} {unit} after {previous} {unit}: sort the lines",
        line,
    )


def _pieces(
    path: Path, layout: _Layout, progress: Callable[[int], None]
) -> Iterator[tuple[Array, npt.NDArray[np.float32]]]:
    """Pieces of (time in s since the first sample, six channels in our units), all checked."""
    import pandas as pd

    origin: float | int | None = None
    last = -math.inf
    position = 0
    bad = "there is a line that is not seven numbers"
    with _open(path) as file:
        try:
            reader = pd.read_csv(
                file,
                header=None,
                skiprows=1,
                # One column more than the header has, so that longer lines show.
                names=list(range(layout.width + 1)),
                index_col=False,
                dtype=dict.fromkeys(layout.indices[1:], np.float64),
                chunksize=_PIECE,
                low_memory=False,
                encoding="utf-8-sig",
            )
            with reader:
                while (frame := _next_frame(reader)) is not None:
                    time, values = _check_piece(path, layout, frame)
                    if origin is None:
                        origin = time[0].item()
                    # Subtracted before any rounding: stamps since 1970 in ns need all digits.
                    time_s = (time - origin) * 1.0
                    time_s *= UNITS["time"][layout.columns[0].unit]
                    steps = np.diff(time_s, prepend=last)
                    if not np.all(steps > 0.0):
                        _explain(path, layout, "the times do not increase from line to line")
                    last = float(time_s[-1])
                    yield time_s, values
                    if not file.closed:
                        progress(file.tell() - position)
                        position = file.tell()
        except pd.errors.EmptyDataError:
            return
        except UnicodeDecodeError as error:
            raise CsvError(path, "is not UTF-8 text: save it as 'CSV UTF-8'") from error
        except OSError as error:
            raise CsvError(path, f"cannot be read: {describe_os_error(error)}") from error
        except (pd.errors.ParserError, pd.errors.ParserWarning, ValueError, OverflowError):
            _explain(path, layout, bad)


def _next_frame(reader: Iterator[pd.DataFrame]) -> pd.DataFrame | None:
    """Return the next lines, None after the last; a warning about long lines becomes an error."""
    import pandas as pd

    with warnings.catch_warnings():
        warnings.simplefilter("error", pd.errors.ParserWarning)
        frame = next(reader, None)
    return None if frame is None or frame.empty else frame


def _check_piece(
    path: Path, layout: _Layout, frame: pd.DataFrame
) -> tuple[npt.NDArray[Any], npt.NDArray[np.float32]]:
    bad = "there is a line that is not seven numbers"
    time = frame[layout.indices[0]].to_numpy()
    channels = frame[list(layout.indices[1:])].to_numpy(np.float64)
    factors = np.array(
        [UNITS[_kind(o)][c.unit] for o, c in zip(COLUMNS, layout.columns, strict=True)]
    )
    if (
        time.dtype.kind not in "iuf"
        or frame[layout.width].notna().any()
        or not np.all(np.isfinite(time))
        or not np.all(np.isfinite(channels))
    ):
        _explain(path, layout, bad)
    channels = channels * factors[1:]
    if np.abs(channels).max() > _LARGEST:
        _explain(path, layout, bad)
    return time, channels.astype(np.float32)


# -- conversion ------------------------------------------------------------------------------


def clean_rate_hz(measured_hz: float) -> float:
    """Return the round number that a measured rate stands for, 200 for 199.97.

    A multiple of ten within 0.5 %, a whole number within 0.1 %, or else the rate itself to 0.01.
    """
    for step, tolerance in ((50.0, 0.005), (10.0, 0.005), (1.0, 0.001)):
        rate = step * round(measured_hz / step)
        if abs(rate - measured_hz) <= tolerance * measured_hz:
            return rate
    return round(measured_hz, 2)


class _Source:
    """A CSV file on its way to a recording: what it holds, and then its rows."""

    def __init__(self, path: Path, column_map: str | None, progress: Callable[[int], None]) -> None:
        self._layout = _read_layout(path, column_map)
        self._pieces = _pieces(path, self._layout, progress)
        first = next(self._pieces, None)
        if first is None:
            raise CsvError(path, "holds a header but no samples")
        time_s, values = first
        if len(time_s) < 2:
            raise CsvError(path, "holds only one sample: there is nothing to measure")
        self._first = first
        self._period_s = robust_period_s(time_s)
        self.rate_hz = clean_rate_hz(1.0 / self._period_s)
        if self.rate_hz < MIN_RATE_HZ:
            hint = ""
            if self._layout.columns[0].unit == "s" and self.rate_hz * 1000.0 >= MIN_RATE_HZ:
                mapped = _map_option(_with_unit(self._layout.columns, "time", "ms"))
                hint = f"; or if the times are in ms, use {mapped}"
            raise RateTooLowError(path, too_slow(self.rate_hz) + hint)
        self.warnings = _unit_hints(path, self._layout, values, self.rate_hz)

    def rows(self) -> Iterator[Rows]:
        """Give the rows, FLOAT_DTYPE; errors in later lines come up here."""
        numberer = SeqNumberer(self._period_s)
        for time_s, values in itertools.chain([self._first], self._pieces):
            rows = np.empty(len(time_s), FLOAT_DTYPE)
            rows["seq"] = numberer.number(time_s)
            rows["time_s"] = time_s
            for axis, column in zip(AXES, values.T, strict=True):
                rows[axis] = column
            yield rows

    def close(self) -> None:
        close = getattr(self._pieces, "close", None)
        if close is not None:
            close()


def _longest_run(flags: npt.NDArray[np.bool_]) -> slice:
    """Return where the longest run of True is, an empty slice if there is none."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]]).astype(np.int8)))
    if not len(edges):
        return slice(0, 0)
    longest = int(np.argmax(edges[1::2] - edges[::2]))
    return slice(int(edges[2 * longest]), int(edges[2 * longest + 1]))


def _unit_hints(
    path: Path, layout: _Layout, values: npt.NDArray[np.float32], rate_hz: float
) -> list[str]:
    """Judge the units by gravity at rest and by the size of the rates.

    Raises
    ------
    CsvError
        The units are clearly others, so that nothing measured would be true.
    """
    acc = np.linalg.norm(values[:, :3].astype(np.float64), axis=1)
    rate = np.linalg.norm(values[:, 3:].astype(np.float64), axis=1)
    quiet = rate <= min(float(np.quantile(rate, _QUIET_SHARE)), _QUIET_DPS)
    hints = []
    columns = layout.columns
    gravity_seen = False
    if quiet.any():
        rest = float(np.median(acc[quiet]))
        if columns[1].unit == "m/s2":
            for unit, low, high in (("g", 0.9, 1.1), ("mg", 900.0, 1100.0)):
                if low <= rest <= high:
                    raise CsvError(
                        path,
                        f"the acceleration at rest is {rest:.3g}, not 9.8 m/s2, so it looks like "
                        f"{unit}: use {_map_option(_with_unit(columns, 'acc', unit))}",
                    )
        gravity_seen = 8.5 <= rest <= 11.0
        if not gravity_seen:
            hints.append(
                f"the acceleration at rest is {rest:.3g} m/s2 where gravity gives 9.8: "
                "check the units, and that gravity was not removed"
            )
    # Moving (over 3 g at times) at less than 50 deg/s cannot be: in rad/s it can.
    brisk = float(np.quantile(acc, 0.999)) > 3.0 * G_N
    if columns[4].unit == "deg/s" and brisk and float(rate.max()) < 50.0:
        wrong = f"the angular rate never exceeds {rate.max():.3g} deg/s, so it looks like rad/s"
        remedy = f"use {_map_option(_with_unit(columns, 'gyr', 'rad/s'))}"
        pull = _longest_run(acc > 3.0 * G_N)
        if (
            gravity_seen
            and pull.stop - pull.start >= _PULL_S * rate_hz
            and float(np.median(rate[pull])) >= _PULL_RAD_S
        ):
            raise CsvError(path, f"{wrong}: {remedy}")
        hints.append(f"{wrong}: if it is, {remedy}")
    return hints


def _session(path: Path, source: _Source, options: Mapping[str, Any]) -> Session:
    """What is known of a CSV file; its time of day is that of the file."""
    changed = datetime.fromtimestamp(path.stat().st_mtime).astimezone()
    session = Session.new(
        nominal_rate_hz=source.rate_hz,
        sample_kind="float",
        start=changed.isoformat(timespec="seconds"),
        extra={"imported_from": path.name, "start_is": "time of the file"},
    )
    return with_options(session, **options)


def read_csv(
    path: str | os.PathLike[str],
    *,
    mount: str | None = None,
    hand: str | None = None,
    gyr_range_dps: float | None = None,
    acc_range_g: float | None = None,
    column_map: str | None = None,
    calibration: Calibration | None = None,
) -> Recording:
    """Open a CSV file as a recording.

    Its id follows from its content, so what is noted about it is found again after a copy.

    Parameters
    ----------
    path : path
    mount, hand, gyr_range_dps, acc_range_g : optional
        What the file cannot say.
    column_map : str, optional
        See `parse_column_map`.
    calibration : Calibration, optional
        Corrects the values as they are read.

    Raises
    ------
    CsvError, RateTooLowError, ColumnMapError
    """
    path = Path(path)
    options = {
        "mount": mount,
        "hand": hand,
        "gyr_range_dps": gyr_range_dps,
        "acc_range_g": acc_range_g,
    }
    source = _Source(path, column_map, lambda _: None)
    # The rows go into an unnamed file, which takes no memory and vanishes by itself.
    spool = tempfile.TemporaryFile()  # noqa: SIM115 - closed with the recording
    try:
        n_rows = 0
        try:
            for rows in source.rows():
                spool.write(rows.tobytes())
                n_rows += len(rows)
            spool.flush()
        except OSError as error:
            where = Path(tempfile.gettempdir())
            raise RecordingError(
                where, f"cannot hold {path.name} for reading: {describe_os_error(error)}"
            ) from error
        with _open(path) as file:
            digest = hashlib.file_digest(file, "sha256").hexdigest()
        session = dataclasses.replace(
            _session(path, source, options), id=str(uuid.uuid5(uuid.NAMESPACE_OID, digest))
        )
        raw = getattr(spool, "file", spool)
        return Recording(
            path,
            session,
            RowFile(path, raw, FLOAT_DTYPE, 0, n_rows),
            warnings=source.warnings,
            hand=hand,
            calibration=calibration,
        )
    except BaseException:
        spool.close()
        raise
    finally:
        source.close()


def import_csv(
    path: str | os.PathLike[str],
    out: str | os.PathLike[str],
    *,
    overwrite: bool = False,
    mount: str | None = None,
    hand: str | None = None,
    player: str | None = None,
    club: str | None = None,
    gyr_range_dps: float | None = None,
    acc_range_g: float | None = None,
    column_map: str | None = None,
    progress: Callable[[int], None] = lambda _: None,
) -> Session:
    """Make a recording of a CSV file, which is not changed.

    Parameters
    ----------
    path, out : path
        The file, and the folder to make: whole, or not at all.
    overwrite : bool
        Replace a recording that is there.
    mount, hand, player, club, gyr_range_dps, acc_range_g : optional
        What the file cannot say.
    column_map : str, optional
        See `parse_column_map`.
    progress : callable
        Told how many more bytes of the file have been read.

    Returns
    -------
    Session
        Of the new recording.

    Raises
    ------
    CsvError, RateTooLowError, ColumnMapError, RecordingExistsError, RecordingError
    """
    path = Path(path)
    source = _Source(path, column_map, progress)
    options = {
        "mount": mount,
        "hand": hand,
        "gyr_range_dps": gyr_range_dps,
        "acc_range_g": acc_range_g,
    }
    try:
        session = _session(path, source, options)
        extra = (
            {**session.extra, "import_warnings": source.warnings}
            if source.warnings
            else session.extra
        )
        session = dataclasses.replace(session, player=player, club=club, extra=extra)
        with RecordingWriter(out, session, overwrite=overwrite, atomic=True) as writer:
            for rows in source.rows():
                writer.append(None, rows)
    finally:
        source.close()
    return session


# -- out -------------------------------------------------------------------------------------

# Nine digits bring back every float32, and every count, exactly.
_ROW_FORMAT: Final = "%.9f" + 6 * ",%.9g" + "\n"


def csv_lines(block: Block) -> str:
    """Return the lines of a block of samples."""
    table = np.column_stack([block.time_s, block.acc_m_s2, block.gyr_dps])
    # Adding zero turns -0.0 into 0.0, which reads better.
    return _ROW_FORMAT * len(table) % tuple((table + 0.0).ravel().tolist())


def write_csv_to(
    file: IO[bytes],
    recording: Recording,
    *,
    first_s: float | None = None,
    last_s: float | None = None,
    progress: Callable[[int], None] = lambda _: None,
) -> int:
    """Write samples to an open binary file and return how many.

    Parameters
    ----------
    file : binary file
    recording : Recording
    first_s, last_s : float, optional
        Only the samples between these times, since the recording's first sample.
    progress : callable
        Told how many more samples have been written.
    """
    file.write((",".join(COLUMNS) + "\n").encode())
    written = 0
    if first_s is None and last_s is None:
        blocks: Iterator[Block] = recording.blocks(8192)
    else:
        first = None if first_s is None else math.ceil(recording.seq_of_time(first_s))
        last = None if last_s is None else math.floor(recording.seq_of_time(last_s))
        blocks = iter([recording.read(first, last)])
    for block in blocks:
        file.write(csv_lines(block).encode())
        written += len(block.seq)
        progress(len(block.seq))
    return written


def write_csv(
    out: str | os.PathLike[str],
    recording: Recording,
    *,
    first_s: float | None = None,
    last_s: float | None = None,
    overwrite: bool = False,
    progress: Callable[[int], None] = lambda _: None,
) -> int:
    """Write a CSV file, whole or not at all; see `write_csv_to`.

    Raises
    ------
    RecordingExistsError, RecordingError
    """
    with whole_file(Path(out), overwrite=overwrite) as file:
        return write_csv_to(file, recording, first_s=first_s, last_s=last_s, progress=progress)
