"""Which result belongs to which swing."""

from __future__ import annotations

import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any, Final, Literal

from library.errors import ResultsError

FIT_S: Final = 3.0
"""A result and its swing may lie so far from each other once the clocks' offset is taken off:
devices stamp a shot when the ball has landed, or to the second. Assumed."""

LEAST_MATCHES: Final = 3
"""Fewer pairs than this fit almost any offset."""


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
                f"{'shots' if swings is None else 'swings'}{more}: say which swings they belong "
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
