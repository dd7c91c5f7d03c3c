"""A lesson's end and what came after it: first shots against last, and the days of homework."""

from __future__ import annotations

import contextlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final, get_args

from analysis.evidence.lesson import LessonWord, first_against_last
from analysis.evidence.reading import TURN, Aspect, Reference
from analysis.evidence.spread import SwingRow
from library.answer import MEASURES
from library.catalogue import Library
from library.drill_end import DrillEnd, drill_end
from library.errors import LibraryError
from library.evidence import Evidence
from library.lesson_record import LessonRecord
from sensor.errors import SensorError
from sensor.recording.lesson import Part, part_at, parts_of
from sensor.recording.markers import read_markers

PART_SWING: Final = "part swing"
"""Why a chip, a waggle or a warm-up swing of a lesson is left out: it is only counted."""


MOST_BEFORE: Final = 8
"""Earlier sessions that tell how much a player's swings scatter. (Chosen here.)"""


@dataclass(frozen=True, slots=True, kw_only=True)
class LessonDot:
    """One swing of a lesson.

    Attributes
    ----------
    number : int
    value : float
        In the measure's unit.
    shot : bool
    """

    number: int
    value: float
    shot: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class LessonStrip:
    """First against last in one measure.

    Attributes
    ----------
    aspect : {"time", "turn", "speed"}
    measure : str
    first, last : tuple of LessonDot
    word : LessonWord or None
        None: not compared, or nothing to compare.
    """

    aspect: Aspect
    measure: str
    first: tuple[LessonDot, ...]
    last: tuple[LessonDot, ...]
    word: LessonWord | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Lesson:
    """How a player's lesson ended.

    Attributes
    ----------
    session : str
    first, last : int
        Full swings that count.
    part_swings : int
        Of the recording: only counted.
    strips : tuple of LessonStrip
        Time, turn and rotation.
    past_full : bool
        The last swings turn past full, as a coach set or approved it.
    kept : DrillEnd or None
        Swings without sound of the lesson, or of a drill of the same day.
    """

    session: str
    first: int
    last: int
    part_swings: int
    strips: tuple[LessonStrip, ...]
    past_full: bool
    kept: DrillEnd | None


def parts_in(library: Library, session_id: str) -> list[tuple[int, Part]]:
    """Return where a session's parts begin; empty where it was no lesson, or isn't there."""
    with contextlib.suppress(LibraryError, SensorError, OSError):
        return parts_of(read_markers(library.path_of(session_id))[0])
    return []


def lesson_of(evidence: Evidence, session_id: str) -> Lesson | None:
    """Return how a player's lesson ended; None where the session was no lesson.

    Parameters
    ----------
    evidence : Evidence
        Of a player, club and place of the sensor.
    session_id : str
    """
    parts = parts_in(evidence.library, session_id)
    if not parts:
        return None
    then = evidence.until(session_id)
    rows = then.rows_of(session_id)
    first, last, part_swings = _sides(evidence.library, session_id, rows, parts)
    words = first_against_last(first, last, rows, _before(then, session_id), then.params)
    strips = tuple(
        LessonStrip(
            aspect=aspect,
            measure=measure,
            first=_dots(first, measure),
            last=_dots(last, measure),
            word=words.get(aspect),
        )
        for aspect, measure in MEASURES.items()
    )
    return Lesson(
        session=session_id,
        first=len(first),
        last=len(last),
        part_swings=part_swings,
        strips=strips,
        past_full=_past_full(then, words.get("turn")),
        kept=_kept(evidence, session_id),
    )


def _before(then: Evidence, session_id: str) -> list[list[SwingRow]]:
    """Return the swings of the sessions before, those of a lesson by its parts."""
    out = []
    for session in [one for one in then.sessions if one != session_id][-MOST_BEFORE:]:
        rows = then.rows_of(session)
        parts = parts_in(then.library, session)
        sets = _by_part(then.library, session, rows, parts)[0].values() if parts else [rows]
        out += [swings for swings in sets if swings]
    return out


def _sides(
    library: Library,
    session_id: str,
    rows: Sequence[SwingRow],
    parts: Sequence[tuple[int, Part]],
) -> tuple[list[SwingRow], list[SwingRow], int]:
    """Sort a session's swings into first and last, and count those that are only counted."""
    sides, part_swings = _by_part(library, session_id, rows, parts)
    return sides["first"], sides["last"], part_swings


def _by_part(
    library: Library,
    session_id: str,
    rows: Sequence[SwingRow],
    parts: Sequence[tuple[int, Part]],
) -> tuple[dict[Part | None, list[SwingRow]], int]:
    """Sort a session's swings by the lesson's parts, and count those that are only counted."""
    rate = library.session(session_id).rate_hz
    table = library.swings(
        session=session_id, columns=("number", "seq", "swing_ms", "excluded"), excluded=True
    )
    part: dict[str, Part | None] = {}
    part_swings = 0
    for row in table.rows():
        # It belongs to where its takeaway was.
        at = row["seq"] - (row["swing_ms"] or 0.0) * 1e-3 * rate
        part[f"{session_id}#{row['number']}"] = part_at(parts, at)
        part_swings += row["excluded"] == PART_SWING
    sides: dict[Part | None, list[SwingRow]] = {one: [] for one in (*get_args(Part), None)}
    for one in rows:
        if one.kind != "unclear":
            sides[part.get(one.swing_id)].append(one)
    return sides, part_swings


def _dots(rows: Sequence[SwingRow], measure: str) -> tuple[LessonDot, ...]:
    return tuple(
        LessonDot(
            number=int(row.swing_id.rpartition("#")[2]),
            value=row.values[measure],
            shot=row.kind == "strike",
        )
        for row in rows
        if measure in row.values
    )


def _past_full(then: Evidence, turn: LessonWord | None) -> bool:
    known = then.reference
    if turn is None or not isinstance(known, Reference) or known.provisional:
        return False
    value = known.values.get(TURN)
    return value is not None and value.upper is not None and turn.last > value.upper


def _kept(evidence: Evidence, session_id: str) -> DrillEnd | None:
    """Return the end of the lesson's drill, be it a recording of its own, of the same day."""
    day = evidence.days.get(session_id)
    later = evidence.sessions[evidence.sessions.index(session_id) :]
    for session in reversed(later):
        if evidence.days[session] == day:
            end = drill_end(evidence, session)
            if end is not None:
                return end
    return None


# -- the days after it -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Since:
    """What was done since a lesson.

    Attributes
    ----------
    measured : int
        Days with swings that were recorded.
    said : int
        Further days on which the player says the homework was done, without a sensor.
    of : int or None
        Days of homework; None: there was none.
    """

    measured: int
    said: int
    of: int | None

    @property
    def done(self) -> int:
        """Days with either."""
        return self.measured + self.said


def since(record: LessonRecord, days: Iterable[str], *, before: str | None = None) -> Since:
    """Count the days since a lesson on which something was done.

    Parameters
    ----------
    record : LessonRecord
    days : iterable of str
        Days with recorded swings, YYYY-MM-DD.
    before : str, optional
        Only days before this one: that of the next lesson.
    """
    end = before or "9999-12-31"
    measured = {day for day in days if record.day < day < end}
    said = {day for day in record.done if record.day <= day < end} - measured
    return Since(measured=len(measured), said=len(said), of=record.days)


def last_lesson(lessons: Sequence[LessonRecord], *, but: str | None = None) -> LessonRecord | None:
    """Return the newest lesson but one."""
    return next((one for one in reversed(lessons) if one.session != but), None)


def days_to_tick(record: LessonRecord, today: date, most: int = 7) -> list[str]:
    """Return the days on which homework may be said to be done, the newest first."""
    first = date.fromisoformat(record.day)
    days = [today - timedelta(days=k) for k in range(most)]
    return [day.isoformat() for day in days if day >= first]
