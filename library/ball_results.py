"""What the ball did: typed, or read from any CSV by a mapping, and laid beside the swings.

Nothing here guesses: a file whose columns aren't known, a match that could be another, or a number
that looks like another unit is told, with what to do, before anything is kept.
"""

from __future__ import annotations

import csv
import math
import re
import statistics
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Final

from analysis.evidence.head_speed import LEVER_M
from library.errors import ResultsError
from library.result_columns import FIELDS, UNITS, Column, ColumnMap, _CellError, _time
from library.result_matching import ResultRow
from sensor.recording.output import describe_os_error
from sensor.recording.vocabulary import RESULT_FIELDS

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

OWN_FACTOR: Final = 1.2
"""A speed for the measured peak rate may differ so much from the player's own other sessions with
the club, and from what is kept of the same swings: the units next to each other are 1.47 (ft/s,
mph) and 1.61 (mph, km/h) apart, and 1.2 is about halfway. Only km/h and ft/s (1.10) are nearer and
can't be told apart so. Chosen here; that a player's own factor varies by less is assumed."""

LEAST_OWN: Final = 5
"""Results of other sessions that a comparison takes. Chosen here."""


LONGEST_FILE: Final = 20_000_000


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
    return next(iter(first_rows(path, 1)), [])


def first_rows(path: Path, most: int) -> list[list[str]]:
    """Return the cells of the first lines below the titles.

    Raises
    ------
    ResultsError
    """
    rows, _ = _lines(path)
    return [row for row in rows[1:] if row][:most]


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
            if not re.fullmatch(r"0*[1-9]\d{0,8}", cell):
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


# -- which row is which swing --------------------------------------------------------------------


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
                f"for the rotation that was measured the club's speed is too "
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
                f"for the rotation that was measured {words} is {ratio:.2g} times what it is in "
                f"{len(earlier)} results of this player's other sessions: is it in another unit?"
            )
    return out
