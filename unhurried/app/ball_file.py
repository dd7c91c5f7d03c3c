"""Ball results of a session: which belongs to which swing, what is doubtful, and keeping them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from unhurried.app.errors import CommandError
from unhurried.app.located import Located, saying, spans_of
from words.plain import count

if TYPE_CHECKING:
    from library.catalogue import Library
    from library.result_columns import ColumnMap
    from library.result_doubts import Result
    from library.result_matching import Match, ResultRow, Strike
    from sensor.recording.annotations import Annotations, SwingSpan


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


def match_lines(match: Match) -> list[str]:
    """Say how a file's lines and the swings were matched, and what is left over."""
    out = []
    if match.offset_s is not None:
        how = "ahead of" if match.offset_s >= 0 else "behind"
        out.append(
            f"The file's clock is {abs(match.offset_s):.1f} s {how} the recording's; with that, "
            f"{count(len(match.pairs), 'result')} {'lies' if len(match.pairs) == 1 else 'lie'} "
            "within 3 s of a swing."
        )
    if match.rows_left:
        lines = ", ".join(str(row.line) for row in match.rows_left)
        out.append(f"Without a swing: line {lines} of the file.")
    if match.strikes_left:
        left = ", ".join(f"#{strike.number}" for strike in match.strikes_left)
        out.append(f"Without a result: {left}.")
    return out


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


def read_numbers(text: str, option: str) -> list[int]:
    """Read a list such as 1,3-5.

    Raises
    ------
    CommandError
    """
    out: list[int] = []
    for part in text.split(","):
        first, mark, last = part.strip().partition("-")
        try:
            low, high = int(first), int(last if mark else first)
            if not 0 < low <= high or high - low > 100_000:
                raise ValueError
        except ValueError:
            raise CommandError(f"{option} must be like 1,3-5, not '{text}'") from None
        out.extend(range(low, high + 1))
    twice = sorted(n for n, times in Counter(out).items() if times > 1)
    if twice:
        raise CommandError(f"{option} names {', '.join(map(str, twice))} more than once")
    return out
