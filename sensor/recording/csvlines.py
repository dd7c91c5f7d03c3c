"""The lines of a CSV file: its header, its columns and units, and its numbers, all checked."""

from __future__ import annotations

import csv
import io
import math
import re
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, Final, NoReturn

import numpy as np
import numpy.typing as npt

from sensor.errors import ColumnMapError, CsvError
from sensor.recording.likeness import likeness
from sensor.recording.output import describe_os_error
from words.units import G_N_M_S2

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

SEPARATORS: Final[Mapping[str, str]] = {";": "semicolons", "\t": "tabs"}
"""What people's programs put between the columns, and it isn't a comma."""

_COMMA_NUMBER: Final = re.compile(r"\s*[+-]?\d*,\d+([eE][+-]?\d+)?\s*")
_POINT_NUMBER: Final = re.compile(r"\s*[+-]?\d*\.\d+([eE][+-]?\d+)?\s*")

# Units that a map may name for each kind of column: what one of them is in ours. The first is ours.
UNITS: Final[Mapping[str, Mapping[str, float]]] = {
    "time": {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9},
    "acc": {"m/s2": 1.0, "g": G_N_M_S2, "mg": G_N_M_S2 / 1000.0},
    "gyr": {"deg/s": 1.0, "rad/s": 180.0 / math.pi},
}

PIECE: Final = 262_144
# Values read at a time, in all columns: bounds the memory of wide files.
PIECE_VALUES: Final = 8 * PIECE
# No export of one sensor has more columns, or longer lines, than this.
_MAX_COLUMNS: Final = 1000
_MAX_LINE: Final = 1 << 20
# No sensor worn by a person reads more than this in m/s2 or deg/s: such a number is a mistake.
_LARGEST: Final = 1e6
# Characters of a cell that are shown where it can't be used.
_SHOWN: Final = 40
# Stamps in ns since 1970 are 1.8e18; what is over this doesn't fit the numbers of computers.
_LARGEST_TIME: Final = 9e18
# Nobody's session has a pause of eleven days.
LONGEST_PAUSE_S: Final = 1e6


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
    if not isinstance(text, str):
        raise ColumnMapError(
            f"a column map is one text, '{COLUMNS[0]}=name:unit, ...', not {type(text).__name__}"
        )
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
class Layout:
    """Where the seven columns stand in the file, in our order."""

    width: int
    indices: tuple[int, ...]
    columns: tuple[Column, ...]
    separator: str = ","
    decimal: str = "."


def separator_of(path: Path, titles: str) -> str:
    """Return what stands between the columns, as the line of titles shows: a comma or a semicolon.

    Raises
    ------
    CsvError
        It is something else.
    """
    found = next((mark for mark in SEPARATORS if mark in titles), ",")
    if "," in titles or found == ",":
        return ","
    if found != ";":
        raise _separated(path, found)
    return found


def decimal_of(path: Path, separator: str, rows: Sequence[Sequence[str]]) -> str:
    """Return the sign in the numbers: between semicolons it may be a comma, in all of them.

    Raises
    ------
    CsvError
        Some have a comma and some a point.
    """
    if separator == ",":
        return "."
    cells = [cell for row in rows for cell in row]
    comma = any(map(_COMMA_NUMBER.fullmatch, cells))
    if comma and any(map(_POINT_NUMBER.fullmatch, cells)):
        raise _separated(path, separator)
    return "," if comma else "."


def _separated(path: Path, mark: str) -> CsvError:
    return CsvError(
        path,
        f"the columns are separated by {SEPARATORS[mark]}: save it with commas between the columns "
        "and points in the numbers",
        1,
    )


def with_point(cell: str, decimal: str) -> str:
    """Return a number with a point; what isn't a number of the file's kind stays as it is."""
    if decimal == ",":
        return cell.replace(",", ".") if _COMMA_NUMBER.fullmatch(cell) else cell
    return cell


def open_file(path: Path) -> io.BufferedReader:
    try:
        return path.open("rb")
    except IsADirectoryError as error:
        raise CsvError(path, "is a folder: name a CSV file") from error
    except OSError as error:
        raise CsvError(path, f"cannot be read: {describe_os_error(error)}") from error


def read_layout(path: Path, column_map: str | None) -> Layout:
    with open_file(path) as file:
        try:
            start = file.read(_MAX_LINE)
            _check_lines(path, file, start)
        except OSError as error:
            raise CsvError(path, f"cannot be read: {describe_os_error(error)}") from error
    if not start.strip(b"\xef\xbb\xbf \t\r\n"):
        raise CsvError(path, "is empty: nothing was recorded, or the copy failed")
    if (what := likeness(path, start)) is not None:
        raise CsvError(path, f"is no recording, it looks like {what}")
    if b"\0" in start:
        raise CsvError(path, "is not text: save it as 'CSV UTF-8'")
    line = re.split(rb"\r\n|\n|\r", start, maxsplit=1)[0]
    try:
        text = line.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise CsvError(path, "is not UTF-8 text: save it as 'CSV UTF-8'", 1) from error
    try:
        separator = separator_of(path, text)
        names = [name.strip() for name in next(csv.reader([text], delimiter=separator), [])]
        decimal = "."
        if separator != ",":
            # The last line may be cut.
            lines = start.decode("utf-8-sig", "replace").splitlines()
            lines = lines[1:-1] if len(start) == _MAX_LINE else lines[1:]
            decimal = decimal_of(path, separator, list(csv.reader(lines, delimiter=separator)))
    except csv.Error as error:
        raise CsvError(path, f"is not sound CSV: {error}", 1) from error
    if len(names) > _MAX_COLUMNS:
        raise CsvError(
            path,
            f"there are {len(names)} columns, which no export of one sensor has: keep the seven "
            "that are needed",
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
        if len(names) < len(COLUMNS):
            # Whatever it is, no map makes samples of it.
            many = "text" if len(names) == 1 else f"a table of {len(names)} columns"
            seven = "time and three each of acceleration and rotation"
            raise CsvError(path, f"{wrong}: it looks like {many}, and samples have {seven}", 1)
        raise CsvError(path, f"{wrong}: {_advice(names, mapped)}", 1)
    places = tuple(names.index(c.name) for c in columns)
    return Layout(len(names), places, columns, separator, decimal)


def _check_lines(path: Path, file: IO[bytes], start: bytes) -> None:
    """Refuse a file with a line of a megabyte and more, which is no line of samples."""
    piece, number = start, 1
    while len(piece) == _MAX_LINE:
        ends = max(piece.count(b"\n"), piece.count(b"\r"))
        if not ends:
            raise CsvError(path, "the line is longer than a megabyte: this is not samples", number)
        number += ends
        piece = file.read(_MAX_LINE)


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def _advice(names: list[str], mapped: Mapping[str, Column]) -> str:
    """Say which map would do, where the names of the file let one guess; a wrong one is refused."""
    if no := [column.name for column in mapped.values() if column.name not in names]:
        raise ColumnMapError(f"there is no column {', '.join(no)}: the file has {', '.join(names)}")
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
        return f"try {map_option([guesses[ours] for ours in COLUMNS])}"
    return f"the file has {', '.join(names)}; tell which is which with --map"


def map_option(columns: Sequence[Column]) -> str:
    """Return the option that says where our seven columns come from."""
    entries = []
    for ours, column in zip(COLUMNS, columns, strict=True):
        unit = "" if column.unit == next(iter(UNITS[_kind(ours)])) else f":{column.unit}"
        if column.name != ours or unit:
            entries.append(f"{ours}={column.name}{unit}")
    return f'--map "{", ".join(entries)}"' if entries else ""


def with_unit(columns: Sequence[Column], kind: str, unit: str) -> list[Column]:
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


def explain(
    path: Path, layout: Layout, otherwise: str, *, back: float | None = None, twice: bool = False
) -> NoReturn:
    """Find the first bad line and say what is wrong with it: slow, but only for bad files.

    Parameters
    ----------
    back : float, optional
        How far times may go back, in s; by default each must be later.
    twice : bool
        Lines may be there twice.
    """
    previous: float | None = None
    before: list[float] = []
    with path.open(encoding="utf-8-sig", newline="", errors="replace") as file:
        reader = csv.reader(file, delimiter=layout.separator)
        next(reader)
        try:
            for row in reader:
                if not row or row == [""]:
                    continue
                line = reader.line_num
                _check_width(path, layout, row, line)
                now: list[float] = []
                for index, (ours, column) in enumerate(zip(COLUMNS, layout.columns, strict=True)):
                    text = row[layout.indices[index]].strip()
                    value = _number(path, column.name, text, line, layout.decimal)
                    now.append(value)
                    if index == 0:
                        time = value
                    elif abs(value) * UNITS[_kind(ours)][column.unit] > _LARGEST:
                        raise CsvError(
                            path, f"{column.name} is {text[:_SHOWN]}, which cannot be", line
                        )
                if not (twice and now == before):
                    _check_order(path, previous, time, layout.columns[0].unit, line, back=back)
                previous, before = time, now
        except csv.Error as error:
            raise CsvError(path, f"is not sound CSV: {error}", reader.line_num) from error
    raise CsvError(path, otherwise)


def _check_width(path: Path, layout: Layout, row: list[str], line: int) -> None:
    extra = [text for text in row[layout.width :] if text.strip()]
    if not extra and len(row) > max(layout.indices):
        return
    hint = ""
    if layout.separator == "," and len(row) >= 2 * layout.width - 1:
        hint = ": if the numbers have decimal commas, save them with points"
    elif len(row) == 1 and (";" in row[0] or "\t" in row[0]):
        hint = ": separate the columns by commas"
    values = "value" if len(row) == 1 else "values"
    raise CsvError(
        path, f"there are {len(row)} {values}, but the header has {layout.width}{hint}", line
    )


def _number(path: Path, name: str, text: str, line: int, decimal: str) -> float:
    """Return a number; whole ones stay whole, so that long time stamps keep all digits."""
    if not text:
        raise CsvError(path, f"{name} is empty: leave out the whole line instead", line)
    shown = text if len(text) <= _SHOWN else f"{text[:_SHOWN]}..."
    try:
        # More digits than a time stamp of nanoseconds has are none to keep.
        whole = len(text) <= _SHOWN and re.fullmatch(r"[+-]?\d+", text)
        if decimal == "," and "." in text:
            raise ValueError(text)
        value = int(text) if whole else float(with_point(text, decimal))
    except ValueError as error:
        raise CsvError(path, f"{name} is '{shown}', not a number", line) from error
    if not math.isfinite(value) or "_" in text:
        raise CsvError(
            path, f"{name} is '{shown}', not a number: leave out the whole line instead", line
        )
    return value


def _check_order(
    path: Path,
    previous: float | None,
    value: float,
    unit: str,
    line: int,
    *,
    back: float | None = None,
) -> None:
    factor = UNITS["time"][unit]
    if abs(value) > _LARGEST_TIME:
        raise CsvError(path, f"the time is {value}, which cannot be", line)
    if previous is None:
        return
    if (value - previous) * factor > LONGEST_PAUSE_S:
        raise CsvError(
            path,
            f"time leaps, to {value} {unit} after {previous} {unit}: take what comes before and "
            "after by itself",
            line,
        )
    if value > previous or (back is not None and value >= previous - back / factor):
        return
    if value == previous:
        raise CsvError(
            path,
            f"the time {value} {unit} is there twice, with other values: give each its own",
            line,
        )
    raise CsvError(
        path,
        f"time goes backwards, to {value} {unit} after {previous} {unit}: sort the lines",
        line,
    )


def read_pieces(
    path: Path, layout: Layout, progress: Callable[[int], None]
) -> Iterator[tuple[Array, npt.NDArray[np.float32]]]:
    """Pieces of (time in s since the first sample, six channels in our units).

    All is checked but the order of the times.
    """
    import pandas as pd

    origin: float | int | None = None
    position = 0
    bad = "there is a line that is not seven numbers"
    with open_file(path) as file:
        try:
            reader = pd.read_csv(
                file,
                sep=layout.separator,
                decimal=layout.decimal,
                header=None,
                skiprows=1,
                # One column more than the header has, so that longer lines show.
                names=list(range(layout.width + 1)),
                index_col=False,
                dtype=dict.fromkeys(layout.indices[1:], np.float64),
                chunksize=max(64, min(PIECE, PIECE_VALUES // layout.width)),
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
            explain(path, layout, bad)


def _next_frame(reader: Iterator[pd.DataFrame]) -> pd.DataFrame | None:
    """Return the next lines, None after the last; a warning about long lines becomes an error."""
    import pandas as pd

    with warnings.catch_warnings():
        warnings.simplefilter("error", pd.errors.ParserWarning)
        frame = next(reader, None)
    return None if frame is None or frame.empty else frame


def _check_piece(
    path: Path, layout: Layout, frame: pd.DataFrame
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
        or np.abs(time.astype(np.float64)).max() > _LARGEST_TIME
    ):
        explain(path, layout, bad)
    channels = channels * factors[1:]
    if np.abs(channels).max() > _LARGEST:
        explain(path, layout, bad)
    return time, channels.astype(np.float32)
