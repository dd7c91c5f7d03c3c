"""The answer of a screen: time, turn and rotation set against the player's own swings.

What a swing or a set is set against, the player's *own range*, is chosen here, once for all
screens: the practice swings of the same session where there are `LEAST_TODAY`, else the model
swings that a coach approved, else practice swings of other days. A drill's swings are set against
what the drill went by, which is never its own practice swings. So a swing has the same words
wherever it is shown. The words are decided by `analysis.evidence.reading.read`.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Final

from analysis.evidence.blocks import QUIET, drill_block
from analysis.evidence.cells import cell_of
from analysis.evidence.felt import FeltReport
from analysis.evidence.intervals import t_quantile
from analysis.evidence.own_range import range_of_day, word_in_range
from analysis.evidence.reading import (
    ASPECTS,
    TURN,
    Aspect,
    Reference,
    Word,
    WordRead,
    make_reference,
    read,
)
from analysis.evidence.spread import SwingRow, cell_of_rows
from analysis.evidence.told import NotYet
from analysis.evidence.variance import Variances
from library.evidence import Evidence
from words.felt import felt_short as say_felt_short
from words.felt import felt_today as say_felt_today

LEAST_TODAY: Final = 5
"""Practice swings of a session that are its own range, and shots that are set against them."""

LAST: Final = 8
"""Earlier sessions whose middles are shown beside the newest one."""

_UNCUED: Final = (None, *QUIET)


class Own(StrEnum):
    """What a player's own range is made of."""

    TODAY = "today"
    """Practice swings of the same session."""
    MODEL = "model"
    """Swings that a coach approved."""
    EARLIER = "earlier"
    """Practice swings of other sessions; nobody has approved them."""


class Said(StrEnum):
    """The words of a screen, one each for time, turn and rotation."""

    LONGER = "longer"
    SHORTER = "shorter"
    BIGGER = "bigger"
    SMALLER = "smaller"
    PAST_FULL = "past full"
    FASTER = "faster"
    SLOWER = "slower"
    AS_USUAL = "as usual"
    CANT_TELL = "can't tell yet"


SAID: Final = {
    Word.LONGER: Said.LONGER,
    Word.SHORTER: Said.SHORTER,
    Word.FULLER: Said.BIGGER,
    Word.LESS_FULL: Said.SMALLER,
    Word.BEYOND: Said.PAST_FULL,
    Word.FASTER: Said.FASTER,
    Word.SLOWER: Said.SLOWER,
    Word.SAME: Said.AS_USUAL,
    Word.CANNOT_TELL: Said.CANT_TELL,
}
DIFFERENT: Final = frozenset(Said) - {Said.AS_USUAL, Said.CANT_TELL}

MEASURES: Final[dict[Aspect, str]] = {
    "time": "backswing_ms",
    "turn": TURN,
    "speed": "peak_rate_dps",
}
"""What stands for each: none of them hangs on how impact is told."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Dot:
    """One swing on a strip.

    Attributes
    ----------
    number : int
        Of the swing in its session.
    value : float
        In the measure's unit.
    shot : bool
        A shot, else a practice swing.
    picked : bool
        The swing that is asked about.
    """

    number: int
    value: float
    shot: bool
    picked: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class LastTime:
    """The middle of the same kind of swing in the session before, with its 95 % interval."""

    middle: float
    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Strip:
    """Time, turn or rotation.

    Attributes
    ----------
    aspect : {"time", "turn", "speed"}
    measure : str
    said : Said
    count : int
        Swings that have this word of their own.
    dots : tuple of Dot
    low, middle, high : float or None
        The player's own range.
    here : float or None
        Middle of the swings that were read.
    spreads : float
        How far they lie from the middle of the range, in the player's own scatter.
    detectable : float or None
        The difference that would show, in the measure's unit.
    word : WordRead or None
        The decision about a set, for whoever wants its interval.
    last : LastTime or None
    before : tuple of float
        Middles of earlier sessions, oldest first.
    """

    aspect: Aspect
    measure: str
    said: Said
    count: int = 0
    dots: tuple[Dot, ...] = ()
    low: float | None = None
    middle: float | None = None
    high: float | None = None
    here: float | None = None
    spreads: float = 0.0
    detectable: float | None = None
    word: WordRead | None = None
    last: LastTime | None = None
    before: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What the top of a screen says.

    Attributes
    ----------
    shots : bool
        Shots were read, else practice swings.
    n : int
        Swings that were read; one: it is a swing's own screen.
    own : Own or None
        What they are set against; None: there is nothing yet.
    own_n : int
        Swings of the own range.
    strips : tuple of Strip
        Time, turn and rotation.
    """

    shots: bool
    n: int
    own: Own | None
    own_n: int
    strips: tuple[Strip, ...]

    @property
    def first(self) -> Strip | None:
        """What differs most, in the player's own scatter; None where nothing surely differs.

        Past full comes first: it is the one word that says stop.
        """
        there = [strip for strip in self.strips if strip.said in DIFFERENT]
        past = [strip for strip in there if strip.said is Said.PAST_FULL]
        return max(past or there, key=lambda strip: abs(strip.spreads), default=None)


def practice_of(rows: Sequence[SwingRow]) -> list[SwingRow]:
    """Return the practice swings that no sound led."""
    return [row for row in rows if row.kind == "rehearsal" and row.block in _UNCUED]


def shots_of(rows: Sequence[SwingRow]) -> list[SwingRow]:
    """Return the shots that no sound led."""
    return [row for row in rows if row.kind == "strike" and row.block in _UNCUED]


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnRange:
    """What swings are set against.

    Attributes
    ----------
    own : Own
    known : Reference or NotYet
        In `MEASURES` alone.
    full_end : bool
        The turn's upper end is where full ends, as a coach set or approved it.
    """

    own: Own
    known: Reference | NotYet
    full_end: bool = False

    def said(self, row: SwingRow) -> dict[Aspect, Said]:
        """Return the three words of one swing: the same on every screen."""
        return {aspect: self._said(aspect, row) for aspect in ASPECTS}

    def _said(self, aspect: Aspect, row: SwingRow) -> Said:
        measure = MEASURES[aspect]
        value, u = row.values.get(measure), row.u.get(measure)
        there = self.known.values.get(measure) if isinstance(self.known, Reference) else None
        if there is None or value is None or u is None or measure in row.bounds:
            return Said.CANT_TELL
        found = word_in_range(aspect, value, u, there.lower, there.upper, full_end=self.full_end)
        return SAID[found]


def own_range(evidence: Evidence, rows: Sequence[SwingRow]) -> OwnRange:
    """Return what swings are set against.

    Parameters
    ----------
    evidence : Evidence
        As it stood when the session had ended.
    rows : sequence of SwingRow
        Swings of one session and kind: shots have the practice swings of their session, where
        those are enough. Practice swings have none of their own session, unless a coach approved
        them.
    """
    here = evidence.rows_of(rows[0].session_id)
    evidence = _as_it_began(evidence, rows[0].session_id)
    known = evidence.reference
    full_end = isinstance(known, Reference) and not known.provisional
    drilled = any(row.block is not None for row in here)
    if rows[0].kind == "strike" and not drilled:
        practice = practice_of(here)
        if len(practice) >= LEAST_TODAY:
            found = _of_today(evidence, practice, known if full_end else None)
            if isinstance(found, Reference):
                return OwnRange(own=Own.TODAY, known=_only(found), full_end=full_end)
    # A practice swing alone is judged as its session is: never by itself and its neighbours.
    whole = practice_of(here) if len(rows) == 1 else rows
    found = evidence.reference_for(whole if len(whole) > 1 else rows)
    provisional = isinstance(found, Reference) and found.provisional
    own = Own.EARLIER if provisional else Own.MODEL
    return OwnRange(own=own, known=_only(found), full_end=full_end)


def _as_it_began(evidence: Evidence, session_id: str) -> Evidence:
    """Return what was known when a session began: what was said of its swings as they were made.

    What a coach approved since counts, and what only this session makes known.
    """
    place = evidence.sessions.index(session_id)
    if place == 0:
        return evidence
    before = evidence.until(evidence.sessions[place - 1])
    same = before.kept_reference == evidence.kept_reference
    return before if same and isinstance(before.reference, Reference) else evidence


def _only(known: Reference | NotYet) -> Reference | NotYet:
    """Keep the measures of an answer: those that don't hang on how impact is told.

    A range that reaches below nothing tells nothing: the swings lie too far apart, or are too few.
    """
    if isinstance(known, NotYet):
        return known
    there = {name: known.values[name] for name in MEASURES.values() if name in known.values}
    values = {name: v for name, v in there.items() if v.lower is None or v.lower > 0.0}
    return dataclasses.replace(known, values=values)


def _of_today(
    evidence: Evidence, practice: Sequence[SwingRow], model: Reference | NotYet | None
) -> Reference | NotYet:
    """Make the range of a session's own practice swings; where full ends is as the coach set it."""
    lower: dict[str, float] = {}
    upper: dict[str, float] = {}
    for measure in MEASURES.values():
        mine = [row for row in practice if measure in row.values]
        cell = cell_of_rows(mine, measure) if len(mine) >= LEAST_TODAY else None
        if cell is not None:
            lower[measure], upper[measure] = range_of_day(cell)
    turn = model.values.get(TURN) if isinstance(model, Reference) else None
    if TURN in upper and turn is not None and turn.upper is not None:
        upper[TURN] = max(turn.upper, upper[TURN])
    return make_reference(
        practice,
        [row.swing_id for row in practice],
        lower=lower,
        upper=upper,
        spreads=evidence.spreads,
        params=dataclasses.replace(evidence.params, least_reference=LEAST_TODAY),
    )


def answer_of_session(evidence: Evidence, session_id: str) -> Answer:
    """Set a session's shots, or its practice swings where those are few, against the own range.

    Raises
    ------
    NoSuchError
        The session has no full swings of this setting.
    """
    then = evidence.until(session_id)
    rows = then.rows_of(session_id)
    shots, practice = shots_of(rows), practice_of(rows)
    main = shots if len(shots) >= LEAST_TODAY or not practice else practice
    if len(main) < LEAST_TODAY:
        have = max(len(shots), len(practice))
        own = OwnRange(own=Own.TODAY, known=NotYet.count(have, LEAST_TODAY, "uncued"))
    else:
        own = own_range(then, main)
    if main:
        reading = read(main, own.known, spreads=then.spreads, params=then.params)
        read_as = {word.aspect: word for word in (reading.time, reading.turn, reading.speed)}
    else:
        read_as = {}
    each = [own.said(row) for row in main]
    strips = []
    for aspect in ASPECTS:
        word = read_as.get(aspect)
        said = Said.CANT_TELL if word is None else SAID[word.word]
        if said is Said.PAST_FULL and not own.full_end:
            said = Said.BIGGER
        count = sum(one[aspect] is said for one in each)
        strips.append(_strip(then, aspect, said, main, rows, own, count=count, word=word))
    return _answer(main, own, strips)


def telling_swing(evidence: Evidence, session_id: str) -> int | None:
    """Choose the swing to look at beside a practice swing: what the answer says, seen in one.

    Of the shots that felt rushed the one whose backswing is shortest; where none felt so, the shot
    that lies furthest out in what differs most. None where nothing differs and nothing was felt.

    Raises
    ------
    NoSuchError
        The session has no full swings of this setting.
    """
    then = evidence.until(session_id)
    time = MEASURES["time"]
    shots = [row for row in then.rows_of(session_id) if row.kind == "strike"]
    rushed = [row for row in shots if row.felt_time == "rushed" and time in row.values]
    if rushed:
        return _number(min(rushed, key=lambda row: row.values[time]))
    first = answer_of_session(evidence, session_id).first
    if first is None or first.middle is None:
        return None
    sign = 1.0 if first.spreads > 0.0 else -1.0
    there = [row for row in shots_of(shots) if first.measure in row.values]
    return _number(max(there, key=lambda row: sign * row.values[first.measure])) if there else None


def _number(row: SwingRow) -> int:
    return int(row.swing_id.rpartition("#")[2])


def answer_of_swing(evidence: Evidence, session_id: str, number: int) -> Answer | None:
    """Set one swing against the player's own range; None where it isn't one of these swings."""
    then = evidence.until(session_id)
    rows = then.rows_of(session_id)
    mine = next((row for row in rows if row.swing_id == f"{session_id}#{number}"), None)
    if mine is None:
        return None
    own = own_range(then, [mine])
    said = own.said(mine)
    return _answer([mine], own, [_strip(then, a, said[a], [mine], rows, own) for a in ASPECTS])


def _answer(main: Sequence[SwingRow], own: OwnRange, strips: Sequence[Strip]) -> Answer:
    known = own.known
    return Answer(
        shots=bool(main) and main[0].kind == "strike",
        n=len(main),
        own=own.own if isinstance(known, Reference) else None,
        own_n=len(known.swing_ids) if isinstance(known, Reference) else 0,
        strips=tuple(strips),
    )


def _strip(
    then: Evidence,
    aspect: Aspect,
    said: Said,
    main: Sequence[SwingRow],
    rows: Sequence[SwingRow],
    own: OwnRange,
    *,
    count: int = 0,
    word: WordRead | None = None,
) -> Strip:
    measure = MEASURES[aspect]
    value = own.known.values.get(measure) if isinstance(own.known, Reference) else None
    picked = {row.swing_id for row in main} if len(main) == 1 else set()
    dots = tuple(
        Dot(
            number=_number(row),
            value=row.values[measure],
            shot=row.kind == "strike",
            picked=row.swing_id in picked,
        )
        for row in rows
        if measure in row.values
        and (row.swing_id in picked or (row.kind != "unclear" and row.block in _UNCUED))
    )
    there = [row for row in main if measure in row.values]
    cell = cell_of_rows(there, measure) if there else None
    here = None if cell is None else cell.location
    spread = then.spreads.get(measure)
    scatter = spread.swing**0.5 if isinstance(spread, Variances) else 0.0
    away = 0.0
    if here is not None and value is not None and scatter > 0.0:
        away = (here - value.middle) / scatter
    return Strip(
        aspect=aspect,
        measure=measure,
        said=said,
        count=count,
        dots=dots,
        low=None if value is None else value.lower,
        middle=None if value is None else value.middle,
        high=None if value is None else value.upper,
        here=here,
        spreads=away,
        detectable=None if word is None else word.detectable,
        word=word,
        **_before(then, main, measure),
    )


def _before(then: Evidence, main: Sequence[SwingRow], measure: str) -> dict[str, Any]:
    """Return the middles of the sessions before, of the same kind of swing."""
    if len(main) < 2:
        return {}
    kind, here = main[0].kind, main[0].session_id
    by_session: dict[str, list[SwingRow]] = {}
    for row in then.rows:
        if row.kind == kind and row.block in _UNCUED and measure in row.values:
            by_session.setdefault(row.session_id, []).append(row)
    cells = [
        cell_of_rows(rows, measure)
        for session, rows in by_session.items()
        if session != here and len(rows) >= LEAST_TODAY
    ]
    there = [cell for cell in cells if cell is not None]
    if not there:
        return {}
    newest = there[-1]
    half = t_quantile(0.975, max(newest.dof, 1.0)) * (newest.variance / newest.n) ** 0.5
    last = LastTime(middle=newest.location, low=newest.location - half, high=newest.location + half)
    return {"last": last, "before": tuple(cell.location for cell in there[-LAST:])}


def direction_strip(rows: Iterable[Mapping[str, Any]]) -> Strip | None:
    """Return the change of direction of a session's swings, without a word of it.

    Parameters
    ----------
    rows : iterable of mapping
        Swings with ``number``, ``kind``, ``block`` and ``transition_ms``.
    """
    name = "transition_ms"
    there = [
        row
        for row in rows
        if row[name] is not None
        and row["kind"] != "unclear"
        and drill_block(row["block"]) in _UNCUED
    ]
    dots = tuple(
        Dot(number=row["number"], value=row[name], shot=row["kind"] == "strike") for row in there
    )
    if not dots:
        return None
    practice = [dot.value for dot in dots if not dot.shot]
    low = middle = high = None
    if len(practice) >= LEAST_TODAY:
        cell = cell_of(practice, session="", kind="rehearsal")
        if cell is not None:
            (low, high), middle = range_of_day(cell), cell.location
    return Strip(
        aspect="time",
        measure=name,
        said=Said.CANT_TELL,
        dots=dots,
        low=low,
        middle=middle,
        high=high,
    )


def felt_today(evidence: Evidence, session_id: str, feeling: str = "rushed") -> str:
    """Say how a session's swings that felt so were in time; empty where none felt so.

    Parameters
    ----------
    evidence : Evidence
    session_id : str
    feeling : {"rushed", "slow"}
    """
    then = evidence.until(session_id)
    rows = [row for row in then.rows_of(session_id) if row.felt_time is not None]
    word = Said.SHORTER if feeling == "rushed" else Said.LONGER
    own = {row.kind: own_range(then, [row]) for row in rows}
    said = [(row.felt_time == feeling, own[row.kind].said(row)["time"]) for row in rows]
    known = [(felt, one is word) for felt, one in said if one is not Said.CANT_TELL]
    mine = [hit for felt, hit in known if felt]
    others = [hit for felt, hit in known if not felt]
    if not mine:
        return ""
    return say_felt_today(
        feeling=feeling,
        word=word.value,
        mine=(sum(mine), len(mine)),
        others=(sum(others), len(others)),
    )


def felt_short(report: FeltReport) -> str:
    """Say in one short line how the swings that felt so were in time."""
    facts = dict(report.statement.facts)
    return say_felt_short(feeling=report.feeling, n=report.n, counts=facts["counts"])
