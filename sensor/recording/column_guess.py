"""What the columns of somebody's CSV file most likely are: by their titles, and by the numbers.

Only proposed: whoever knows the file is shown the columns, and asked where the titles and numbers
leave a doubt. `sensor.recording.csvfile` then reads by the map and checks all of it once more.
"""

from __future__ import annotations

import csv
import io
import itertools
import math
import re
import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final

from sensor.errors import CsvError
from sensor.recording.csvlines import (
    COLUMNS,
    UNITS,
    decimal_of,
    open_file,
    separator_of,
    with_point,
)
from sensor.recording.output import describe_os_error

LOOKED_AT: Final = 1 << 18
"""Bytes from the beginning, and as many from the middle, where people swing."""

MOST_COLUMNS: Final = 200

_UNIT_WORDS: Final = {
    "time": {
        "s": "s", "sec": "s", "secs": "s", "second": "s", "seconds": "s", "ms": "ms", "msec": "ms",
        "millis": "ms", "milliseconds": "ms", "us": "us", "µs": "us", "micros": "us",
        "microseconds": "us", "ns": "ns", "nanos": "ns", "nanoseconds": "ns",
    },
    "acc": {
        "m/s2": "m/s2", "m/s^2": "m/s2", "m/s²": "m/s2", "ms2": "m/s2", "mps2": "m/s2",
        "m_s2": "m/s2", "g": "g", "gs": "g", "mg": "mg",
    },
    "gyr": {
        "deg/s": "deg/s", "dps": "deg/s", "°/s": "deg/s", "degs": "deg/s", "deg_s": "deg/s",
        "degrees/s": "deg/s", "rad/s": "rad/s", "rads": "rad/s", "rad_s": "rad/s", "rps": "rad/s",
    },
}  # fmt: skip

_KIND: Final = {
    "time": r"time|stamp|elapsed|clock|^t$|seconds|millis|micros|nanos",
    "acc": r"acc|^a[xyz]$|^a_?[xyz]\b|^la[xyz]",
    "gyr": r"gyr|rotation.?rate|angular|omega|^g[xyz]$|^w[xyz]$|^g_?[xyz]\b|^w_?[xyz]\b|^r[xyz]$",
}
_OTHER: Final = r"mag|quat|euler|roll|pitch|yaw|temp|press|gravity|linear|user.?acc"

_FASTEST: Final = {"s": (2e-4, 0.05), "ms": (0.2, 50.0), "us": (200.0, 5e4), "ns": (2e5, 5e7)}
"""From one sample to the next at 20 to 5000 a second, in each unit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GuessedColumn:
    """A column of ours, and what it most likely is in the file.

    Attributes
    ----------
    ours : str
        As in `sensor.recording.csvlines.COLUMNS`.
    title : str
        In the file; empty where none fits.
    unit : str
    doubt : str
        What is to be asked about it; empty where nothing is.
    """

    ours: str
    title: str
    unit: str
    doubt: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Guess:
    """What a file's columns most likely are.

    Attributes
    ----------
    titles : tuple of str
    rows : tuple of tuple of str
        The first rows.
    columns : tuple of GuessedColumn
    start : str
        Time of the first row, YYYY-MM-DDTHH:MM, where the times count from 1970; empty else.
    """

    titles: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    columns: tuple[GuessedColumn, ...]
    start: str = ""

    @property
    def whole(self) -> bool:
        """Whether there is a column for everything."""
        return all(column.title for column in self.columns)

    @property
    def doubts(self) -> tuple[str, ...]:
        """What is to be asked, each question once."""
        return tuple(dict.fromkeys(one.doubt for one in self.columns if one.doubt))


def column_map(columns: Mapping[str, tuple[str, str]]) -> str:
    """Return the map of columns as `sensor.recording.csvlines.parse_column_map` reads it.

    Parameters
    ----------
    columns : mapping of str to (str, str)
        Title and unit, by our names.

    Raises
    ------
    ValueError
        A title can't stand in a map.
    """
    for title, _ in columns.values():
        if set(title) & set(",="):
            raise ValueError(f"the title '{title}' has a comma or an equals sign: change it first")
    return ", ".join(f"{ours}={title}:{unit}" for ours, (title, unit) in columns.items())


def guess_columns(path: Path, picked: Mapping[str, str] | None = None) -> Guess:
    """Look at a file, and say what its columns most likely are.

    Parameters
    ----------
    path : Path
    picked : mapping of str to str, optional
        Titles that somebody has chosen, by our names: their units are guessed.

    Raises
    ------
    CsvError
        It is no text with columns.
    """
    titles, rows, more = _first(path)
    found = {ours: _title_for(ours, titles) for ours in COLUMNS}
    found.update((ours, title) for ours, title in (picked or {}).items() if title in titles)
    numbers = {
        ours: [
            value for row in (*rows, *more) if (value := _number(row, titles, title)) is not None
        ]
        for ours, title in found.items()
        if title
    }
    units = _units(found, numbers)
    columns = tuple(
        GuessedColumn(ours=ours, title=title, unit=units[ours][0], doubt=units[ours][1])
        for ours, title in found.items()
    )
    times = numbers.get("time_s")
    return Guess(
        titles=tuple(titles),
        rows=tuple(map(tuple, rows[:5])),
        columns=columns,
        start=_start(times[0], units["time_s"][0]) if times else "",
    )


def _start(time: float, unit: str) -> str:
    """Return the local time of one that counts from 1970 (POSIX); empty where it can't be one."""
    seconds = time * {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9}.get(unit, 0.0)
    if not 1e9 <= seconds <= 4e9:
        return ""
    return datetime.fromtimestamp(seconds).astimezone().strftime("%Y-%m-%dT%H:%M")


def _first(path: Path) -> tuple[list[str], list[list[str]], list[list[str]]]:
    """Return the titles, rows from the beginning, and rows from the middle."""
    try:
        with open_file(path) as file:
            start = file.read(LOOKED_AT)
            size = path.stat().st_size
            middle = b""
            if size > 2 * LOOKED_AT:
                file.seek(size // 2)
                middle = file.read(LOOKED_AT)
    except OSError as error:
        raise CsvError(path, f"cannot be read: {describe_os_error(error)}") from error
    try:
        text = start.decode("utf-8-sig", "strict" if len(start) < LOOKED_AT else "ignore")
    except UnicodeDecodeError as error:
        raise CsvError(path, "is not UTF-8 text: save it as 'CSV UTF-8'") from error
    try:
        separator = separator_of(path, re.split(r"[\r\n]", text, maxsplit=1)[0])
        rows = [row for row in csv.reader(io.StringIO(text), delimiter=separator) if row]
        # The first line of a piece from the middle is cut.
        cut = middle.decode("utf-8", "ignore").split("\n", 1)[-1]
        more = [row for row in csv.reader(io.StringIO(cut), delimiter=separator) if row]
    except csv.Error as error:
        raise CsvError(path, f"is not a table: {error}") from error
    if len(rows) < 2 or len(rows[0]) > MOST_COLUMNS:
        raise CsvError(path, "has no table: a line of titles, and numbers below, with commas")
    whole = rows[1:-1] if len(start) == LOOKED_AT else rows[1:]
    decimal = decimal_of(path, separator, whole)
    first, later = (
        [[with_point(x, decimal) for x in row] for row in part] for part in (whole, more)
    )
    return [title.strip() for title in rows[0]], first, later[:-1]


def _words(title: str) -> str:
    """Return a title in lower case, without its unit."""
    bare = re.sub(r"[\[(].*?[\])]", " ", title.casefold())
    return re.sub(r"[\s_\-.:/]+", "_", bare).strip("_")


def _axis(words: str) -> str:
    found = re.search(r"(?:^|_|(?<=acc)|(?<=gyro)|(?<=gyr)|(?<=[agwr]))([xyz])(?:_|$)", words)
    if found is None:
        found = re.search(r"([xyz])(?:_|$)", words)
    return found[1] if found is not None else ""


def _title_for(ours: str, titles: Sequence[str]) -> str:
    """Return the title that a column of ours most likely has; empty where none fits."""
    once = [title for title in titles if title and titles.count(title) == 1]
    if ours in once:
        return ours
    kind, *rest = ours.split("_")
    fits = [
        title
        for title in once
        if re.search(_KIND[kind], _words(title))
        and not re.search(_OTHER, _words(title))
        and (kind == "time" or _axis(_words(title)) == rest[0])
    ]
    if kind == "acc":
        fits = [title for title in fits if not re.search(_KIND["gyr"], _words(title))]
    return fits[0] if fits else ""


def _number(row: Sequence[str], titles: Sequence[str], title: str) -> float | None:
    at = list(titles).index(title)
    try:
        value = float(row[at])
    except (IndexError, ValueError):
        return None
    return value if math.isfinite(value) else None


def _said_unit(title: str, kind: str) -> str:
    """Return the unit that a title names; empty where it names none."""
    words = re.findall(r"[^\s\[\]()_,;]+", title.casefold().replace("m_s2", "m/s2"))
    words += re.findall(r"[\[(](.*?)[\])]", title.casefold())
    tail = re.search(r"(m_s2|deg_s|rad_s|dps|ms|us|ns|mg|g|s)$", title.casefold())
    if tail is not None and not title.casefold()[: tail.start()].isalpha():
        words.append(tail[1])
    return next((_UNIT_WORDS[kind][word] for word in words if word in _UNIT_WORDS[kind]), "")


def _units(
    found: Mapping[str, str], numbers: Mapping[str, Sequence[float]]
) -> dict[str, tuple[str, str]]:
    """Return unit and doubt of each column of ours."""
    seen = {
        "time": _time_unit(numbers.get("time_s", ())),
        "acc": _acc_unit([numbers.get(f"acc_{axis}_m_s2", ()) for axis in "xyz"]),
        "gyr": _gyr_unit([numbers.get(f"gyr_{axis}_deg_s", ()) for axis in "xyz"]),
    }
    names = {"time": "the time", "acc": "the acceleration", "gyr": "the rotation"}
    out: dict[str, tuple[str, str]] = {}
    for ours, title in found.items():
        kind = ours.split("_")[0]
        said = "" if not title else _said_unit(title, kind)
        if title == ours:
            said = next(iter(UNITS[kind]))
        by_number = seen[kind]
        if not title:
            out[ours] = (by_number, f"Which column is {_name(ours)}?")
        elif said and by_number and said != by_number:
            doubt = f"{names[kind]} says {said} itself, and its numbers look like {by_number}"
            out[ours] = (said, f"{doubt[0].upper()}{doubt[1:]}: which is it?")
        elif said or by_number:
            out[ours] = (said or by_number, "")
        else:
            out[ours] = ("", f"Which unit has {names[kind]}?")
    return out


def _name(ours: str) -> str:
    kind, *rest = ours.split("_")
    words = {"time": "the time", "acc": "acceleration", "gyr": "rotation"}[kind]
    return words if kind == "time" else f"{words} {rest[0]}"


def _time_unit(times: Sequence[float]) -> str:
    steps = [b - a for a, b in itertools.pairwise(times) if b > a]
    if not steps:
        return ""
    step = statistics.median(steps)
    return next((unit for unit, (low, high) in _FASTEST.items() if low <= step < high), "")


def _sizes(axes: Sequence[Sequence[float]]) -> list[float]:
    if not all(axes):
        return []
    return [math.hypot(*three) for three in zip(*axes, strict=False)]


def _acc_unit(axes: Sequence[Sequence[float]]) -> str:
    """Tell by gravity: most of the time a player stands."""
    sizes = _sizes(axes)
    if not sizes:
        return ""
    middle = statistics.median(sizes)
    for unit, one in (("m/s2", 9.80665), ("g", 1.0), ("mg", 1000.0)):
        if 0.75 * one <= middle <= 1.35 * one:
            return unit
    return ""


def _gyr_unit(axes: Sequence[Sequence[float]]) -> str:
    """Tell by the fastest rotation: no swing reaches 60 rad/s without 200 deg/s, and the other way
    nobody turns at 100 rad/s. (A wrist's peak is 500 to 1500 deg/s, 9 to 26 rad/s: from memory.)
    """
    sizes = _sizes(axes)
    if not sizes:
        return ""
    most = max(sizes)
    if most > 100.0:
        return "deg/s"
    return "rad/s" if most < 50.0 and statistics.median(sizes) < 0.1 * most else ""
