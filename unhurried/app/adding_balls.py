"""Ball results that are added on the page: their columns, what they belong to, what is doubtful."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Final

from library.ball_results import read_first, read_header
from library.column_maps import recall_map, remember_map
from library.errors import ResultsError
from library.result_columns import FIELDS, UNITS, ColumnMap, parse_map, suggest_map, title_doubts
from library.result_doubts import doubts_about
from review.formatting import Units
from review.page.services import AddAnswers, AskedColumn, BallPreview, Done
from sensor.recording.vocabulary import RESULT_FIELDS
from unhurried.app.ball_file import (
    keep_match,
    match_lines,
    matched,
    read_numbers,
    results_of,
    rows_in,
)
from unhurried.app.errors import CommandError
from unhurried.app.located import Located
from words.plain import count

if TYPE_CHECKING:
    from library.catalogue import Library
    from library.result_matching import Match

WORDS: Final[Mapping[str, str]] = {
    "time": "Time",
    "club-speed": "Club speed",
    "ball-speed": "Ball speed",
    "carry": "Carry",
    "total": "Carry and run",
    "offline": "To the side, right +",
    "attack": "Angle of attack",
    "strike-toe": "Where on the face, to the toe",
    "strike-high": "Where on the face, upwards",
    "swing": "Number of the swing",
}

_REMEDY: Final = "say below which swings these are, which lines to take, or match by their order"


def ball_columns(home: Path, path: Path) -> tuple[AskedColumn, ...]:
    """Return what a file's columns most likely are: as the last time, else as the titles read.

    Raises
    ------
    LibraryError
    """
    header = read_header(path)
    known = recall_map(home, header)
    chosen: dict[str, tuple[str, str]] = {}
    if known is not None:
        chosen = {one.field: (str(one.index), one.unit) for one in known.columns}
    else:
        for part in suggest_map(header, read_first(path)).split(", "):
            field, mark, rest = part.partition("=")
            if mark:
                name, _, unit = rest.rpartition(":") if field in FIELDS else (rest, "", "")
                index = int(name[1:]) - 1 if name.startswith("#") else header.index(name)
                chosen[field] = (str(index), unit)
    out = []
    for field, words in WORDS.items():
        title, unit = chosen.get(field, ("", ""))
        units = tuple(UNITS[FIELDS[field][1]]) if field in FIELDS else ()
        doubt = f"Which unit has “{_short(words)}”?" if unit == "?" else ""
        out.append(
            AskedColumn(name=field, words=words, title=title, unit=unit, units=units, doubt=doubt)
        )
    return tuple(out)


def _short(words: str) -> str:
    """Return a column's words without the sign that stands after them."""
    return words.partition(",")[0]


def _map_of(path: Path, answers: AddAnswers) -> tuple[ColumnMap, list[str]]:
    header = read_header(path)
    parts = []
    for field, (index, unit) in answers.columns.items():
        if field not in WORDS or not index.isdecimal() or int(index) >= len(header):
            continue
        if field in FIELDS and unit not in UNITS[FIELDS[field][1]]:
            raise CommandError(f"Say the unit of “{_short(WORDS[field])}”.")
        title = header[int(index)]
        plain = title and not set(title) & set(",=:") and header.count(title) == 1
        name = title if plain else f"#{int(index) + 1}"
        parts.append(f"{field}={name}:{unit}" if field in FIELDS else f"{field}={name}")
    if not any(part.partition("=")[0] in FIELDS for part in parts):
        raise CommandError("Say at least one column with a result, such as carry.")
    return parse_map(", ".join(parts), header), header


def _matched(
    library: Library, path: Path, answers: AddAnswers
) -> tuple[Match, str, ColumnMap, list[str], list[str], Located]:
    if not answers.session:
        raise CommandError("Say which session these results are of.")
    session = library.session(answers.session)
    columns, header = _map_of(path, answers)
    rows, told, timed = rows_in(path, columns)
    if answers.lines:
        wanted = set(read_numbers(answers.lines, "Lines"))
        rows = [row for row in rows if row.line in wanted]
        timed = timed and any(row.time is not None for row in rows)
    found = Located(Path(session.path), session.id, True)
    chosen = read_numbers(answers.swings, "Swings") if answers.swings else None
    try:
        match, start = matched(
            library, found, path, rows, timed=timed, by=answers.by, swings=chosen
        )
    except ResultsError as error:
        # What stands after is about options of the command.
        first, _, more = str(error).partition(": ")
        raise CommandError(f"{first}: {_REMEDY}" if "--" in more else str(error)) from error
    return match, start, columns, header, told, found


def _doubts(library: Library, match: Match, columns: ColumnMap, found: Located) -> tuple[str, ...]:
    asked = doubts_about(
        library, found.id, results_of(library, found, match), more=title_doubts(columns)
    )
    return tuple(filter(None, (asked.practice(), *asked.lines)))


def ball_preview(library: Library, path: Path, answers: AddAnswers, units: Units) -> BallPreview:
    """Say which results belong to which swings, and what is doubtful.

    Parameters
    ----------
    library : Library
    path : Path
    answers : AddAnswers
    units : Units
        To show them in.

    Raises
    ------
    LibraryError, CommandError
        They can't be read or matched.
    """
    match, start, columns, _, told, found = _matched(library, path, answers)
    begin = datetime.fromisoformat(start)
    names = [n for n in RESULT_FIELDS if any(n in row.values for row, _ in match.pairs)]
    rows = []
    for row, strike in match.pairs:
        at = begin + timedelta(seconds=strike.at_s - begin.timestamp())
        cells = [units.digits(n, row.values[n]) if n in row.values else "–" for n in names]
        rows.append((str(row.line), str(strike.number), f"{at:%H:%M:%S}", *cells))
    titles = [f"{_word(name)}, {units.unit(name)}" for name in names]
    return BallPreview(
        titles=("Line", "Swing", "At", *titles),
        rows=tuple(rows),
        lines=(*(text[0].upper() + text[1:] for text in told), *match_lines(match)),
        doubts=_doubts(library, match, columns, found),
    )


def _word(name: str) -> str:
    return next(WORDS[field] for field, (kept, _) in FIELDS.items() if kept == name)


def keep_balls(library: Library, path: Path, answers: AddAnswers) -> Done:
    """Keep ball results beside the swings.

    Raises
    ------
    LibraryError, CommandError
        Nothing was kept.
    """
    match, _, columns, header, _, found = _matched(library, path, answers)
    if not answers.as_it_is and (asked := _doubts(library, match, columns, found)):
        raise CommandError(f"Nothing was kept: {asked[0]}")
    keep_match(library, found, match, path.name)
    remember_map(library.home, header, columns)
    return Done(text=f"{count(len(match.pairs), 'result')} kept.", url=f"/session/{found.id}")
