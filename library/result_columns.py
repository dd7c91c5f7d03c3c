"""What the columns of a file of ball results are."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from library.errors import ResultsError
from sensor.recording.schema import YEARS
from words.units import M_PER_YD, M_S_PER_MPH

UNITS: Final[Mapping[str, Mapping[str, float]]] = {
    "speed": {
        "m/s": 1.0,
        "km/h": 1.0 / 3.6,
        "mph": M_S_PER_MPH,
        "ft/s": 0.3048,
    },
    "length": {"m": 1.0, "yd": M_PER_YD, "ft": 0.3048},
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
    clock = _clock_column(header, first)
    for k, title in enumerate(header):
        words = title.casefold()
        field = next((f for f, p in _TITLES if f not in used and re.search(p, words)), None)
        if field is None or (field == "time" and k != clock):
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


def _clock_column(header: Sequence[str], first: Sequence[str]) -> int | None:
    """Return which of the columns that a title calls a date or a time tells the time of day."""
    pattern = dict(_TITLES)["time"]
    named = [k for k, title in enumerate(header) if re.search(pattern, title.casefold())]
    clocks = [k for k in named if k < len(first) and _is_clock(first[k].strip())]
    times = [k for k in named if not re.fullmatch(r"\W*date\W*", header[k].casefold())]
    return next(iter(clocks or times or named), None)


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
        at = datetime.fromisoformat(cell)
        if YEARS[0] <= at.year <= YEARS[1]:
            return at
        raise ValueError(cell)
    except ValueError:
        raise _CellError(
            f"'{cell[:40]}' isn't a time: it must be like 2026-05-01 18:30:05, 18:30:05 or seconds"
        ) from None


class _CellError(Exception):
    """A cell isn't what it must be."""
