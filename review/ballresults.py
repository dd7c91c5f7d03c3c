"""What the ball did: typed, or read from any CSV by a mapping, and laid beside the swings.

Nothing here guesses: a file whose columns aren't known, a match that could be another, or a number
that looks like another unit is told, with what to do, before anything is kept.
"""

from __future__ import annotations

import csv
import hashlib
import json
import math
import re
import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any, Final, Literal

from review.liberrors import LibraryError, ResultsError
from sensor.annotations import RESULT_FIELDS
from sensor.errors import RecordingError
from sensor.output import describe_os_error, whole_file

__all__ = [
    "FIELDS",
    "UNITS",
    "ColumnMap",
    "Match",
    "ResultRow",
    "Strike",
    "doubts",
    "match_by_order",
    "match_by_time",
    "parse_map",
    "read_first",
    "read_header",
    "read_rows",
    "recall_map",
    "remember_map",
    "suggest_map",
    "title_doubts",
]

UNITS: Final[Mapping[str, Mapping[str, float]]] = {
    "speed": {
        "m/s": 1.0,
        "km/h": 1.0 / 3.6,
        "mph": 0.44704,
        "ft/s": 0.3048,
    },
    "length": {"m": 1.0, "yd": 0.9144, "ft": 0.3048},
    "angle": {"deg": 1.0, "rad": 180.0 / math.pi},
    "point": {"mm": 1.0, "cm": 10.0, "in": 25.4},
}
"""Factors to the unit that is kept, exact but for rad. Thompson, A. & Taylor, B. N. (2008). Guide
for the Use of the International System of Units (SI). NIST SP 811, appendix B.8."""

FIELDS: Final[Mapping[str, tuple[str, str]]] = {
    "club-speed": ("club_speed_m_s", "speed"),
    "ball-speed": ("ball_speed_m_s", "speed"),
    "carry": ("carry_m", "length"),
    "total": ("total_m", "length"),
    "offline": ("offline_m", "length"),
    "attack": ("attack_deg", "angle"),
    "strike-toe": ("strike_toe_mm", "point"),
    "strike-high": ("strike_high_mm", "point"),
}
"""Name in a map: name as kept, and kind of unit."""

POSSIBLE: Final[Mapping[str, tuple[float, float]]] = {
    "club_speed_m_s": (0.0, 90.0),
    "ball_speed_m_s": (0.0, 120.0),
    "carry_m": (0.0, 450.0),
    "total_m": (0.0, 500.0),
    "offline_m": (-300.0, 300.0),
    "attack_deg": (-45.0, 45.0),
    "strike_toe_mm": (-100.0, 100.0),
    "strike_high_mm": (-80.0, 80.0),
}
"""Outside of this a number is refused, wherever it is typed or read from. Generous (from
memory)."""

PLAUSIBLE: Final[Mapping[str, tuple[float, float]]] = {
    "club_speed_m_s": (4.0, 67.0),
    "ball_speed_m_s": (2.0, 100.0),
    "carry_m": (0.0, 350.0),
    "total_m": (0.0, 400.0),
    "offline_m": (-120.0, 120.0),
    "attack_deg": (-25.0, 25.0),
    "strike_toe_mm": (-60.0, 60.0),
    "strike_high_mm": (-45.0, 45.0),
}
"""Outside of this a number is asked about. Common practice, no source."""

BALL_TO_CLUB: Final = (0.7, 1.6)
"""Ball speed to club speed, of the medians: up to about 1.5 in a clean hit (from memory)."""

LEVER_M: Final[Mapping[str, tuple[float, float]]] = {
    "club": (0.5, 2.0),
    "glove": (0.7, 4.0),
    "wrist": (0.9, 5.5),
    "trunk": (1.8, 14.0),
}
"""Club speed over the sensor's peak rate in rad/s, of the medians: the head is so far from where
the segment turns about, or moves as if it were. Wide, so that only another unit falls outside of
it. Assumed."""

OWN_FACTOR: Final = 1.2
"""A speed for the measured peak rate may differ so much from the player's own other sessions with
the club, and from what is kept of the same swings: the units next to each other are 1.47 (ft/s,
mph) and 1.61 (mph, km/h) apart, and 1.2 is about halfway. Only km/h and ft/s (1.10) are nearer and
can't be told apart so. Chosen here; that a player's own factor varies by less is assumed."""

LEAST_OWN: Final = 5
"""Results of other sessions that a comparison takes. Chosen here."""

FIT_S: Final = 3.0
"""A result and its swing may lie so far from each other once the clocks' offset is taken off:
devices stamp a shot when the ball has landed, or to the second. Assumed."""

LEAST_MATCHES: Final = 3
"""Fewer pairs than this fit almost any offset."""

LONGEST_FILE: Final = 20_000_000
MAPS_FILE: Final = "result-columns.json"


@dataclass(frozen=True, slots=True)
class Column:
    """A column of a file, what it is, and its unit ("" for time and words)."""

    field: str
    index: int
    title: str
    unit: str


@dataclass(frozen=True, slots=True)
class ColumnMap:
    """What each used column of a file is."""

    columns: tuple[Column, ...]
    text: str

    def has(self, field: str) -> bool:
        """Whether there is a column for a field."""
        return any(column.field == field for column in self.columns)


@dataclass(frozen=True, slots=True, kw_only=True)
class ResultRow:
    """One shot of a file.

    Attributes
    ----------
    line : int
        In the file, the header is line 1.
    values : mapping
        As an annotation ``result``; empty where the device measured nothing.
    time : datetime, timedelta, float or None
        As the file has it: a date with a time, a time of day, or seconds.
    swing : int or None
        Number of the swing, where the file says it.
    """

    line: int
    values: Mapping[str, Any]
    time: datetime | timedelta | float | None = None
    swing: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Strike:
    """A swing that a result may belong to; `at_s` in seconds since 1970 UTC."""

    number: int
    seq: int
    at_s: float
    kind: str
    peak_rate_dps: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Match:
    """Which row belongs to which swing.

    Attributes
    ----------
    pairs : tuple of (ResultRow, Strike)
    rows_left, strikes_left : tuple
        Without a partner.
    offset_s : float or None
        The file's clock minus the recording's, where times were used.
    by : {"time", "order", "number"}
    """

    pairs: tuple[tuple[ResultRow, Strike], ...]
    rows_left: tuple[ResultRow, ...]
    strikes_left: tuple[Strike, ...]
    offset_s: float | None
    by: Literal["time", "order", "number"]


# -- the file ------------------------------------------------------------------------------------


def _lines(path: Path) -> tuple[list[list[str]], str]:
    """Read a CSV file's cells, and the delimiter."""
    try:
        if path.stat().st_size > LONGEST_FILE:
            raise ResultsError(f"{path}: is too large for ball results: is it another file?")
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise ResultsError(f"{path}: is not UTF-8 text: save it as 'CSV UTF-8'") from error
    except OSError as error:
        raise ResultsError(f"{path}: cannot be read: {describe_os_error(error)}") from error
    first = text.partition("\n")[0]
    delimiter = max(",;\t", key=first.count)
    if first.count(delimiter) == 0 and not first.strip():
        raise ResultsError(f"{path}: is empty, or its first line is")
    try:
        return list(csv.reader(text.splitlines(), delimiter=delimiter, strict=True)), delimiter
    except csv.Error as error:
        raise ResultsError(f"{path}: is not a table: {error}") from error


def read_header(path: Path) -> list[str]:
    """Return the titles of a file's columns.

    Raises
    ------
    ResultsError
    """
    rows, _ = _lines(path)
    return [title.strip() for title in rows[0]]


def read_first(path: Path) -> list[str]:
    """Return the cells of the first line below the titles; none if there is none.

    Raises
    ------
    ResultsError
    """
    rows, _ = _lines(path)
    return next((row for row in rows[1:] if row), [])


def parse_map(text: str, header: Sequence[str]) -> ColumnMap:
    """Read ``carry=Carry:yd, club-speed=Club Speed:mph, time=Time, other=Ball``.

    A column is named by its title, or by ``#3`` as the third.

    Raises
    ------
    ResultsError
        It isn't one, or doesn't fit the file; the message says what does.
    """
    columns: list[Column] = []
    for part in filter(None, (piece.strip() for piece in text.split(","))):
        field, mark, rest = part.partition("=")
        field, rest = field.strip().lower(), rest.strip()
        if not mark or not rest:
            raise ResultsError(f"--map: '{part}' must be NAME=COLUMN:UNIT")
        unit = ""
        if field in FIELDS:
            rest, mark, unit = rest.rpartition(":")
            rest, unit = rest.strip(), unit.strip()
            units = UNITS[FIELDS[field][1]]
            if not mark or unit not in units:
                raise ResultsError(
                    f"--map: say the unit of '{field}': {field}=COLUMN:UNIT with {', '.join(units)}"
                )
        elif field not in ("time", "swing", "other"):
            raise ResultsError(
                f"--map: there is no '{field}': it is one of {', '.join(FIELDS)}, time, swing, "
                "other"
            )
        index = _column(rest, header)
        if field != "other" and any(column.field == field for column in columns):
            raise ResultsError(f"--map: '{field}' is there twice")
        columns.append(Column(field, index, header[index], unit))
    if not any(column.field in (*FIELDS, "other") for column in columns):
        raise ResultsError(f"--map: names no result: {', '.join(FIELDS)}, other")
    return ColumnMap(tuple(columns), text)


def _column(name: str, header: Sequence[str]) -> int:
    if re.fullmatch(r"#\d+", name) and name not in header:
        index = int(name[1:]) - 1
        if not 0 <= index < len(header):
            raise ResultsError(f"--map: there is no column {name}: there are {len(header)}")
        return index
    found = [k for k, title in enumerate(header) if title == name]
    if not found:
        found = [k for k, title in enumerate(header) if title.casefold() == name.casefold()]
    if len(found) == 1:
        return found[0]
    if found:
        places = " or ".join(f"#{k + 1}" for k in found)
        raise ResultsError(f"--map: several columns are called '{name}': say {places}")
    titles = ", ".join(f"'{title}'" for title in header if title)
    raise ResultsError(f"--map: there is no column '{name}': the file has {titles}")


_TITLES: Final = (
    ("club-speed", r"club.*(speed|velocity)|head.*(speed|velocity)"),
    ("ball-speed", r"ball.*(speed|velocity)"),
    ("carry", r"carry(?!.*(side|time|offline))"),
    ("total", r"total(?!.*(side|offline|spin))"),
    ("offline", r"offline|lateral|side(?!.*spin)"),
    ("attack", r"attack"),
    ("strike-toe", r"(toe|heel|horizontal).*(impact|strike)?"),
    ("strike-high", r"(vertical|high|low).*(impact|strike)"),
    ("time", r"^(date|time(?! of flight)|clock)|timestamp|\bclock$"),
)
_UNIT_WORDS: Final = {
    "m/s": "m/s", "mps": "m/s", "km/h": "km/h", "kph": "km/h", "kmh": "km/h", "mph": "mph",
    "ft/s": "ft/s", "yd": "yd", "yds": "yd", "yards": "yd", "ft": "ft", "feet": "ft", "m": "m",
    "meters": "m", "metres": "m", "deg": "deg", "°": "deg", "degrees": "deg", "mm": "mm",
    "cm": "cm", "in": "in", "inch": "in",
}  # fmt: skip


def suggest_map(header: Sequence[str], first: Sequence[str] = ()) -> str:
    """Return a map as the titles read, with ``?`` where a unit isn't said; for people to check.

    Parameters
    ----------
    header : sequence of str
    first : sequence of str
        Cells of the first line below: a time is known by its look where no title says it.
    """
    out = []
    used = set()
    for k, title in enumerate(header):
        words = title.casefold()
        field = next((f for f, p in _TITLES if f not in used and re.search(p, words)), None)
        if field is None:
            continue
        used.add(field)
        name = _column_name(header, k)
        if field == "time":
            out.append(f"time={name}")
            continue
        unit = next(iter(title_units(title, FIELDS[field][1])), "?")
        out.append(f"{field}={name}:{unit}")
    if "time" not in used:
        clocks = (k for k, cell in enumerate(first[: len(header)]) if _is_clock(cell.strip()))
        out += [f"time={_column_name(header, k)}" for k in list(clocks)[:1]]
    return ", ".join(out)


def _column_name(header: Sequence[str], k: int) -> str:
    title = header[k]
    plain = title and not set(title) & set(",=:") and header.count(title) == 1
    return title if plain else f"#{k + 1}"


def _is_clock(cell: str) -> bool:
    try:
        return ":" in cell and not isinstance(_time(cell), float)
    except _CellError:
        return False


def title_units(title: str, kind: str) -> list[str]:
    """Return the units of a kind that a column's title names, the last one first."""
    words = re.findall(r"[a-z/°]+", title.casefold())
    found = [_UNIT_WORDS[word] for word in reversed(words) if word in _UNIT_WORDS]
    return [unit for unit in found if unit in UNITS[kind]]


def title_doubts(columns: ColumnMap) -> list[str]:
    """Say where a column's own title names another unit than the map; none if all is well."""
    out = []
    for column in columns.columns:
        if column.field not in FIELDS:
            continue
        said = title_units(column.title, FIELDS[column.field][1])
        if said and column.unit not in said:
            out.append(
                f"the column '{column.title}' says {said[0]} itself, and the map says "
                f"{column.unit}: which is it?"
            )
    return out


def read_rows(path: Path, columns: ColumnMap) -> tuple[list[ResultRow], list[str]]:
    """Read the shots of a file in the units that are kept.

    Returns
    -------
    rows : list of ResultRow
        One a line; a line without any number is a shot that nothing was measured of.
    told : list of str
        What was passed over.

    Raises
    ------
    ResultsError
        A cell isn't what it must be; the message names line and column.
    """
    lines, delimiter = _lines(path)
    header = lines[0]
    rows: list[ResultRow] = []
    told: list[str] = []
    for line, cells in enumerate(lines[1:], start=2):
        if not cells:
            continue
        if len(cells) > len(header) and any(cell.strip() for cell in cells[len(header) :]):
            raise ResultsError(
                f"{path}, line {line}: has more cells than the header: with decimal commas the "
                "columns must be separated by semicolons"
            )
        cells = [*cells, *[""] * (len(header) - len(cells))]
        try:
            rows.append(_row(line, cells, columns, decimal_comma=delimiter != ","))
        except _CellError as error:
            numbers = [cells[c.index] for c in columns.columns if c.field in FIELDS]
            if line == 2 and not any(re.search(r"\d", cell) for cell in numbers):
                told.append(f"line 2 is passed over: it holds words ({', '.join(numbers)})")
                continue
            raise ResultsError(f"{path}, line {line}: {error}") from error
    if not any(row.values for row in rows):
        raise ResultsError(f"{path}: holds no results in the columns of the map")
    return rows, told


def is_possible(name: str, value: float) -> bool:
    """Tell whether a ball result, in the unit it is kept in, can be one at all."""
    low, high = POSSIBLE[name]
    return math.isfinite(value) and low <= value <= high


class _CellError(Exception):
    """A cell isn't what it must be."""


_NOTHING: Final = frozenset({"", "-", "--", "—", "n/a", "na", "null", "none"})


def _row(line: int, cells: Sequence[str], columns: ColumnMap, *, decimal_comma: bool) -> ResultRow:
    values: dict[str, Any] = {}
    other: dict[str, Any] = {}
    time: datetime | timedelta | float | None = None
    swing: int | None = None
    for column in columns.columns:
        cell = cells[column.index].strip()
        if cell.casefold() in _NOTHING:
            continue
        if column.field in FIELDS:
            name, kind = FIELDS[column.field]
            number = _number(cell, column, decimal_comma)
            values[name] = number * UNITS[kind][column.unit]
            if not is_possible(name, values[name]):
                low, high = (bound / UNITS[kind][column.unit] for bound in POSSIBLE[name])
                raise _CellError(
                    f"'{cell[:40]}' in '{column.title}' must lie between {low:.0f} and {high:.0f} "
                    f"{column.unit}: is it in another unit?"
                )
        elif column.field == "time":
            time = _time(cell)
        elif column.field == "swing":
            if not cell.isdecimal() or int(cell) < 1:
                raise _CellError(f"'{cell}' in '{column.title}' isn't the number of a swing")
            swing = int(cell)
        else:
            try:
                other[column.title[:100] or f"#{column.index + 1}"] = _number(
                    cell, column, decimal_comma
                )
            except _CellError:
                other[column.title[:100] or f"#{column.index + 1}"] = cell[:1000]
    if other:
        values["other"] = other
    return ResultRow(line=line, values=values, time=time, swing=swing)


def _number(cell: str, column: Column, decimal_comma: bool) -> float:
    text = cell
    sign = 1.0
    if column.field == "offline":
        # Some write a side instead of a sign.
        side = re.fullmatch(r"(.*?)\s*([LR])", text, re.IGNORECASE)
        side = side or re.fullmatch(r"([LR])\s*(.*)", text, re.IGNORECASE)
        if side is not None:
            words = side.groups()
            letter = next(word for word in words if word.upper() in ("L", "R"))
            text = next(word for word in words if word is not letter)
            sign = -1.0 if letter.upper() == "L" else 1.0
    if decimal_comma:
        text = text.replace(",", ".") if text.count(",") == 1 and "." not in text else text
    try:
        number = float(text)
    except ValueError:
        number = math.nan
    if not math.isfinite(number) or "_" in text:
        raise _CellError(f"'{cell[:40]}' in '{column.title}' isn't a number")
    return sign * number


def _time(cell: str) -> datetime | timedelta | float:
    """Read a date with a time, a time of day, or seconds."""
    clock = re.fullmatch(
        r"(\d{1,2}):(\d{2})(?::(\d{2}(?:\.\d+)?))?\s*([AP]M)?", cell, re.IGNORECASE
    )
    if clock is not None:
        hours, minutes, seconds = int(clock[1]), int(clock[2]), float(clock[3] or 0.0)
        if clock[4] is not None:
            hours = hours % 12 + (12 if clock[4].upper() == "PM" else 0)
        if hours < 24 and minutes < 60 and seconds < 60.0:
            return timedelta(hours=hours, minutes=minutes, seconds=seconds)
    try:
        seconds = float(cell)
        if math.isfinite(seconds):
            return seconds
    except ValueError:
        pass
    try:
        return datetime.fromisoformat(cell)
    except ValueError:
        raise _CellError(
            f"'{cell[:40]}' isn't a time: it must be like 2026-05-01 18:30:05, 18:30:05 or seconds"
        ) from None


# -- the map that is remembered ------------------------------------------------------------------


def _header_key(header: Sequence[str]) -> str:
    return hashlib.sha256("\x1f".join(header).encode()).hexdigest()


def _maps(home: Path) -> dict[str, str]:
    path = home / MAPS_FILE
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
        return {str(key): str(text) for key, text in document["maps"].items()}
    except FileNotFoundError:
        return {}
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise LibraryError(path, "is broken: move it away, and give --map once more") from error


def recall_map(home: Path, header: Sequence[str]) -> ColumnMap | None:
    """Return the map that was used for files with this header, None if none was."""
    text = _maps(home).get(_header_key(header))
    return None if text is None else parse_map(text, header)


def remember_map(home: Path, header: Sequence[str], columns: ColumnMap) -> None:
    """Keep a map for files with this header.

    Raises
    ------
    LibraryError
    """
    maps = {**_maps(home), _header_key(header): columns.text}
    try:
        with whole_file(home / MAPS_FILE, overwrite=True) as file:
            document = {"version": 1, "maps": maps}
            file.write(json.dumps(document, indent=1, ensure_ascii=False).encode() + b"\n")
    except RecordingError as error:
        raise LibraryError(error.path, error.problem) from error


# -- which row is which swing --------------------------------------------------------------------


def _row_seconds(row: ResultRow, start: datetime) -> float:
    """A row's time in seconds since 1970 UTC as far as the file says: the offset does the rest."""
    time = row.time
    if isinstance(time, datetime):
        return (time if time.tzinfo is not None else time.replace(tzinfo=start.tzinfo)).timestamp()
    if isinstance(time, timedelta):
        day = date(start.year, start.month, start.day)
        midnight = datetime(day.year, day.month, day.day, tzinfo=start.tzinfo)
        return (midnight + time).timestamp()
    assert time is not None
    return start.timestamp() + time


def match_by_time(
    rows: Sequence[ResultRow],
    strikes: Sequence[Strike],
    start: str,
    *,
    offset_s: float | None = None,
) -> Match:
    """Match rows and swings by their times.

    The offset of the two clocks is the one under which most pairs lie within `FIT_S`.

    Parameters
    ----------
    rows : sequence of ResultRow
    strikes : sequence of Strike
        In the order of time.
    start : str
        Of the recording, ISO 8601 with offset.
    offset_s : float, optional
        The file's clock minus the recording's, where it is known.

    Raises
    ------
    ResultsError
        Two offsets fit equally well, or too few pairs tell.
    """
    begin = datetime.fromisoformat(start)
    timed = [(row, _row_seconds(row, begin)) for row in rows if row.time is not None]
    without = tuple(row for row in rows if row.time is None)
    if not timed or not strikes:
        raise ResultsError("there are no times to match by, or no swings")
    if offset_s is None:
        offset_s = _offset([t for _, t in timed], [s.at_s for s in strikes])
    pairs = _pairs([t for _, t in timed], [s.at_s for s in strikes], offset_s)
    if not pairs:
        raise ResultsError(
            f"with an offset of {offset_s:.0f} s no result lies within {FIT_S:.0f} s of a swing"
        )
    rows_used = {i for i, _ in pairs}
    strikes_used = {j for _, j in pairs}
    return Match(
        pairs=tuple((timed[i][0], strikes[j]) for i, j in pairs),
        rows_left=(*(r for k, (r, _) in enumerate(timed) if k not in rows_used), *without),
        strikes_left=tuple(s for k, s in enumerate(strikes) if k not in strikes_used),
        offset_s=offset_s,
        by="time",
    )


def _pairs(times: Sequence[float], ats: Sequence[float], offset_s: float) -> list[tuple[int, int]]:
    """Pair each time with one swing, the nearest pairs first."""
    near = sorted(
        (abs(t - at - offset_s), i, j)
        for i, t in enumerate(times)
        for j, at in enumerate(ats)
        if abs(t - at - offset_s) <= FIT_S
    )
    rows: set[int] = set()
    swings: set[int] = set()
    out = []
    for _, i, j in near:
        if i not in rows and j not in swings:
            rows.add(i)
            swings.add(j)
            out.append((i, j))
    return sorted(out)


def _offset(times: Sequence[float], ats: Sequence[float]) -> float:
    """The offset under which most pairs fit; refused where another fits as well."""
    shifts = sorted(t - at for t in times for at in ats)
    # The middle of every run of differences that one offset could explain.
    candidates = []
    end = 0
    for start in range(len(shifts)):
        end = max(end, start)
        while end < len(shifts) and shifts[end] - shifts[start] <= FIT_S:
            end += 1
        run = shifts[start:end]
        candidates.append((len(run), statistics.fmean(run)))
    candidates.sort(key=lambda one: -one[0])
    scored = []
    for _, shift in candidates[:200]:
        pairs = _pairs(times, ats, shift)
        if not pairs:
            continue
        middle = statistics.median(times[i] - ats[j] for i, j in pairs)
        pairs = _pairs(times, ats, middle)
        spread = sum((times[i] - ats[j] - middle) ** 2 for i, j in pairs) / max(1, len(pairs))
        scored.append((-len(pairs), spread, middle))
    scored.sort()
    best = scored[0]
    if -best[0] < LEAST_MATCHES:
        raise ResultsError(
            f"only {-best[0]} results would fit one offset of the clocks, too few to tell it: if "
            "the clocks agree, say --offset-s 0, or match by order with --by order"
        )
    others = [one for one in scored if abs(one[2] - best[2]) > FIT_S and one[0] == best[0]]
    if others:
        raise ResultsError(
            f"the clocks' offset could be {best[2]:.0f} s or {others[0][2]:.0f} s, {-best[0]} "
            "results fit either: say which with --offset-s, or match by order with --by order"
        )
    return best[2]


def match_by_order(
    rows: Sequence[ResultRow],
    strikes: Sequence[Strike],
    *,
    swings: Sequence[int] | None = None,
) -> Match:
    """Match rows and swings one after the other.

    Parameters
    ----------
    rows : sequence of ResultRow
        A row without values keeps its place and gives none.
    strikes : sequence of Strike
        All of the recording's swings, in the order of time.
    swings : sequence of int, optional
        Numbers of the swings that the rows belong to; otherwise all that struck a ball.

    Raises
    ------
    ResultsError
        There aren't as many of the one as of the other.
    """
    by_number = {strike.number: strike for strike in strikes}
    if all(row.swing is not None for row in rows):
        numbers = [row.swing for row in rows if row.swing is not None]
        missing = sorted(set(numbers) - set(by_number))
        if missing:
            raise ResultsError(f"there is no swing #{missing[0]} in this session")
        if len(set(numbers)) != len(numbers):
            raise ResultsError("the file names a swing twice")
        chosen, by = [by_number[n] for n in numbers], "number"
    else:
        by = "order"
        if swings is not None:
            missing = sorted(set(swings) - set(by_number))
            if missing:
                raise ResultsError(f"there is no swing #{missing[0]} in this session")
            chosen = [by_number[n] for n in dict.fromkeys(swings)]
        else:
            chosen = [strike for strike in strikes if strike.kind == "strike"]
        if len(chosen) != len(rows):
            unclear = sum(strike.kind == "unclear" for strike in strikes)
            more = f" (and {unclear} unclear swings)" if unclear and swings is None else ""
            raise ResultsError(
                f"there are {len(rows)} results and {len(chosen)} "
                f"{'strikes' if swings is None else 'swings'}{more}: say which swings they belong "
                "to with --swings 1,3-5, or which lines of the file to take with --lines"
            )
    used = {strike.number for strike in chosen}
    pairs = [(r, s) for r, s in zip(rows, chosen, strict=True) if r.values]
    return Match(
        pairs=tuple(pairs),
        rows_left=tuple(row for row in rows if not row.values),
        strikes_left=tuple(s for s in strikes if s.number not in used and s.kind == "strike"),
        offset_s=None,
        by="number" if by == "number" else "order",
    )


# -- can that be? --------------------------------------------------------------------------------


def doubts(
    pairs: Sequence[tuple[Mapping[str, Any], float | None]],
    mount: str | None,
    *,
    before: Sequence[Mapping[str, Any]] = (),
    own: Sequence[tuple[Mapping[str, Any], float | None]] = (),
) -> list[str]:
    """Say what looks as if it were in another unit, one sentence each; none if all is well.

    Parameters
    ----------
    pairs : sequence of (mapping, float or None)
        Results as they would be kept, and the swing's peak rate in deg/s.
    mount : str or None
    before : sequence of mapping
        What is kept of the same swings so far, one a pair; empty mappings where nothing is.
    own : sequence of (mapping, float or None)
        The same player's results with the same club and mount in other sessions, and peak rates.
    """
    out = [*_against_before(pairs, before), *_against_own(pairs, own)]
    for name in RESULT_FIELDS:
        values = [result[name] for result, _ in pairs if name in result]
        low, high = PLAUSIBLE[name]
        odd = [value for value in values if not low <= value <= high]
        if odd:
            unit = name.rsplit("_", 2 if name.endswith("_m_s") else 1)
            shown = name.removesuffix("_m_s") if name.endswith("_m_s") else unit[0]
            words = "m/s" if name.endswith("_m_s") else unit[-1]
            out.append(
                f"{shown.replace('_', ' ')} of {odd[0]:.4g} {words} is outside of "
                f"{low:g} to {high:g}: is it in another unit?"
            )
    both = [
        result["ball_speed_m_s"] / result["club_speed_m_s"]
        for result, _ in pairs
        if result.get("club_speed_m_s") and "ball_speed_m_s" in result
    ]
    if both and not BALL_TO_CLUB[0] <= statistics.median(both) <= BALL_TO_CLUB[1]:
        out.append(
            f"the ball is {statistics.median(both):.2g} times as fast as the club, where "
            f"{BALL_TO_CLUB[0]} to {BALL_TO_CLUB[1]} is usual: are both in the same unit?"
        )
    levers = [
        result["club_speed_m_s"] / math.radians(rate)
        for result, rate in pairs
        if "club_speed_m_s" in result and rate
    ]
    if levers and mount is not None and mount in LEVER_M:
        low, high = LEVER_M[mount]
        middle = statistics.median(levers)
        if not low <= middle <= high:
            out.append(
                f"for the peak rate that was measured the club's speed is too "
                f"{'high' if middle > high else 'low'} (as at the end of {middle:.1f} m, where "
                f"{low:g} to {high:g} m is usual): is it in another unit?"
            )
    return out


_SPEEDS: Final = {"club_speed_m_s": "the club's speed", "ball_speed_m_s": "the ball's speed"}


def _against_before(
    pairs: Sequence[tuple[Mapping[str, Any], float | None]], before: Sequence[Mapping[str, Any]]
) -> list[str]:
    """Compare speeds with those that would be replaced."""
    out = []
    for name, words in _SPEEDS.items():
        both = [
            (result[name], was[name])
            for (result, _), was in zip(pairs, before, strict=False)
            if result.get(name) and was.get(name)
        ]
        if not both:
            continue
        ratio = statistics.median(new / old for new, old in both)
        if not 1.0 / OWN_FACTOR <= ratio <= OWN_FACTOR:
            new, old = (statistics.median(values) for values in zip(*both, strict=True))
            out.append(
                f"{words} that is kept of the same swings is {old:.1f} m/s, and it would be "
                f"{new:.1f} m/s: is it in another unit?"
            )
    return out


def _against_own(
    pairs: Sequence[tuple[Mapping[str, Any], float | None]],
    own: Sequence[tuple[Mapping[str, Any], float | None]],
) -> list[str]:
    """Compare speeds, for the peak rate that was measured, with the player's other sessions."""
    out = []
    for name, words in _SPEEDS.items():

        def factors(
            of: Sequence[tuple[Mapping[str, Any], float | None]], name: str = name
        ) -> list[float]:
            return [result[name] / rate for result, rate in of if result.get(name) and rate]

        now, earlier = factors(pairs), factors(own)
        # A single ball may well be slow: it was hit off the middle.
        if len(earlier) < LEAST_OWN or len(now) < (1 if name == "club_speed_m_s" else 3):
            continue
        ratio = statistics.median(now) / statistics.median(earlier)
        if not 1.0 / OWN_FACTOR <= ratio <= OWN_FACTOR:
            out.append(
                f"for the peak rate that was measured {words} is {ratio:.2g} times what it is in "
                f"{len(earlier)} results of this player's other sessions: is it in another unit?"
            )
    return out
