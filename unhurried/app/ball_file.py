"""Ball results of a session: which belongs to which swing, what is doubtful, and keeping them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sensor.recording.vocabulary import RESULT_FIELDS
from unhurried.app.errors import CommandError
from unhurried.app.located import Located, saying, spans_of

if TYPE_CHECKING:
    from library.catalogue import Library
    from library.result_columns import ColumnMap
    from library.result_matching import Match, ResultRow, Strike
    from sensor.recording.annotations import Annotations, SwingSpan

Result = tuple[int, Mapping[str, Any], Mapping[str, Any]]
"""Number of the swing, the result as it would be kept, and what it would replace."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubts:
    """What is to be asked before results are kept.

    Attributes
    ----------
    without_ball : tuple of int
        Numbers of swings that had no ball as far as is known.
    lines : tuple of str
        What looks as if it were in another unit, a question each.
    """

    without_ball: tuple[int, ...]
    lines: tuple[str, ...]


def doubts_about(
    library: Library, found: Located, results: Sequence[Result], *, more: Sequence[str] = ()
) -> Doubts:
    """Say what is doubtful about results.

    Parameters
    ----------
    library : Library
    found : Located
    results : sequence of Result
    more : sequence of str
        Further doubts, told first.
    """
    from library.ball_results import doubts

    told = dict.fromkeys(more)
    if not found.known:
        pairs = [(result, None) for _, result, _ in results]
        told.update(dict.fromkeys(doubts(pairs, None, before=[was for *_, was in results])))
        return Doubts(without_ball=(), lines=tuple(told))
    mount = library.session(found.id).mount
    names = ("number", "kind", "player", "club", "peak_rate_dps")
    table = library.swings(session=found.id, columns=names, excluded=True)
    swings = {row["number"]: row for row in table.rows()}
    without = [n for n, result, _ in results if result and swings[n]["kind"] == "rehearsal"]
    groups: dict[tuple[Any, Any], list[Result]] = {}
    for one in results:
        row = swings[one[0]]
        groups.setdefault((row["player"], row["club"]), []).append(one)
    for (player, club), mine in groups.items():
        lines = doubts(
            [(result, swings[n]["peak_rate_dps"]) for n, result, _ in mine],
            mount,
            before=[was for *_, was in mine],
            own=_elsewhere(library, found, player, club, mount),
        )
        told.update(dict.fromkeys(lines))
    return Doubts(without_ball=tuple(without), lines=tuple(told))


def _elsewhere(
    library: Library, found: Located, player: str | None, club: str | None, mount: str | None
) -> list[tuple[dict[str, Any], float | None]]:
    """A player's results with a club and a mount in other sessions, and their peak rates."""
    if player is None:
        return []
    return [
        ({name: row[name] for name in RESULT_FIELDS}, row["peak_rate_dps"])
        for row in library.results(player=player).rows()
        if row["session"] != found.id and (row["club"], row["mount"]) == (club, mount)
    ]


def matched(
    library: Library,
    found: Located,
    file: Path,
    rows: Sequence[ResultRow],
    *,
    timed: bool,
    by: str | None = None,
    offset_s: float | None = None,
    swings: Sequence[int] | None = None,
) -> tuple[Match, str]:
    """Say which row belongs to which swing.

    Parameters
    ----------
    library : Library
    found : Located
    file : Path
        For messages.
    rows : sequence of ResultRow
    timed : bool
        Whether the file has times.
    by : {"time", "order"}, optional
        By default as the file can.
    offset_s : float, optional
        The file's clock minus the recording's.
    swings : sequence of int, optional
        Numbers of the swings that the rows belong to.

    Returns
    -------
    match : Match
    start : str
        Of the recording.

    Raises
    ------
    CommandError, ResultsError
    """
    from library import result_matching as matching

    strikes, start = _strikes(library, found)
    if by == "time" and not timed:
        raise CommandError(f"{file}: has no times to match by: map one with time=COLUMN")
    if (by or ("time" if timed and swings is None else "order")) == "time":
        candidates = [s for s in strikes if s.kind != "rehearsal"]
        return matching.match_by_time(rows, candidates, start, offset_s=offset_s), start
    return matching.match_by_order(rows, strikes, swings=swings), start


def _strikes(library: Library, found: Located) -> tuple[list[Strike], str]:
    """All swings of a session as a result may belong to them, and when the session began."""
    from library.result_matching import Strike
    from unhurried.app.ingest import analyze_one

    if found.known:
        session = library.session(found.id)
        names = ("number", "seq", "at_s", "kind", "peak_rate_dps")
        table = library.swings(session=found.id, columns=names, excluded=True)
        return [Strike(**row) for row in table.rows()], session.start
    analyzed = analyze_one(found.path, library.home)
    begin = datetime.fromisoformat(analyzed.start).timestamp()
    kinds = {True: "strike", False: "rehearsal", None: "unclear"}
    strikes = [
        Strike(
            number=int(s.values["index"]),
            seq=s.span.seq,
            at_s=begin + s.at_s,
            kind=kinds[s.values["strike"]],
            peak_rate_dps=s.values["peak_rate_dps"],
        )
        for s in analyzed.swings
    ]
    return strikes, analyzed.start


def results_of(library: Library, found: Located, match: Match) -> list[Result]:
    """Return what a match would keep, and what it would replace."""
    from sensor.recording.annotations import read_annotations

    spans, rate_hz = spans_of(library, found)
    places = dict(spans)
    said = read_annotations(found.path, recording=found.id)
    out: list[Result] = []
    for row, strike in match.pairs:
        was = _kept(said, places[strike.number], rate_hz)
        out.append((strike.number, {**was, **row.values}, was))
    return out


def keep_match(library: Library, found: Located, match: Match, source: str) -> None:
    """Keep the results of a match beside the swings.

    Parameters
    ----------
    library : Library
    found : Located
    match : Match
    source : str
        Name of the file.

    Raises
    ------
    CommandError, SensorError, LibraryError
    """
    spans, rate_hz = spans_of(library, found)
    places = dict(spans)
    with saying(library, found) as said:
        for row, strike in match.pairs:
            span = places[strike.number]
            result = {**_kept(said, span, rate_hz), **row.values, "source": source}
            said.set_swing(span, rate_hz=rate_hz, result=result)


def _kept(said: Annotations, span: SwingSpan, rate_hz: float) -> dict[str, Any]:
    """What is kept of a swing's ball so far."""
    return dict(said.get("swing", said.key_of(span, rate_hz=rate_hz), "result") or {})


def rows_in(file: Path, columns: ColumnMap) -> tuple[list[ResultRow], list[str], bool]:
    """Read a file's results.

    Returns
    -------
    rows : list of ResultRow
    told : list of str
        What was passed over.
    timed : bool
        Whether there are times to match by.
    """
    from library.ball_results import read_rows

    rows, told = read_rows(file, columns)
    return rows, told, columns.has("time") and any(row.time is not None for row in rows)
