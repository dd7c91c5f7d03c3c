"""What coach and player agreed at a lesson's end, as the player's file keeps it.

It is in the player's file, so it outlives a new library and comes along in a bundle.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC
from typing import Annotated, Any, Final

from msgspec import Meta

from sensor.recording.schema import Id, Mount, Name, Number, Text, Word, check, instant

MOST_LESSONS: Final = 500
"""Ten years of a lesson a week; the oldest go first. (Chosen here.)"""

Day = Annotated[str, Meta(pattern=r"\A\d{4}-\d{2}-\d{2}\Z", description="a day, YYYY-MM-DD")]
_Swings = Annotated[int, Meta(ge=1, le=100)]
_Days = Annotated[int, Meta(ge=1, le=31)]


@dataclass(frozen=True, slots=True, kw_only=True)
class LessonRecord:
    """A lesson's aim, the coach's words for next time, and the homework.

    Attributes
    ----------
    session : str
        Id of the lesson's recording.
    start : str
        When it began, ISO 8601 with its own offset: its day is the lesson's.
    club, mount : str or None
    aim, words, avoid : str or None
        What the player works on; what the coach says for next time; what is to be left alone.
    swings, days : int or None
        Homework: practice swings a day, and on how many days. None: there is none.
    backswing_ms : float or None
        Time of the homework's sound, from takeaway to top.
    done : tuple of str
        Days, ISO 8601, on which the player says the homework was done without a sensor.
    at : str
        Of the last change, ISO 8601 in UTC.
    """

    session: Id
    start: Word
    club: Name | None = None
    mount: Mount | None = None
    aim: Text | None = None
    words: Text | None = None
    avoid: Text | None = None
    swings: _Swings | None = None
    days: _Days | None = None
    backswing_ms: Number | None = None
    done: Annotated[tuple[Day, ...], Meta(max_length=366)] = ()
    at: Word

    def __post_init__(self) -> None:
        check(self)
        instant(self.start, "start")
        at = instant(self.at, "at").astimezone(UTC).isoformat(timespec="microseconds")
        object.__setattr__(self, "at", at)
        object.__setattr__(self, "done", tuple(sorted(set(self.done))))

    @property
    def day(self) -> str:
        """Day of the lesson, YYYY-MM-DD."""
        return self.start[:10]

    def document(self) -> dict[str, Any]:
        """Return what the file says of it."""
        return {**dataclasses.asdict(self), "done": list(self.done)}


LessonRecords = Annotated[
    tuple[LessonRecord, ...],
    Meta(max_length=MOST_LESSONS, description=f"a list of up to {MOST_LESSONS} lessons"),
]


def one_each(records: Iterable[LessonRecord]) -> tuple[LessonRecord, ...]:
    """Put lessons in the order of time, each as it was said last, with all its days."""
    by_session: dict[str, LessonRecord] = {}
    for one in sorted(records, key=lambda r: r.at):
        before = by_session.get(one.session)
        done = one.done if before is None else (*before.done, *one.done)
        by_session[one.session] = dataclasses.replace(one, done=done)
    found = sorted(by_session.values(), key=lambda r: (instant(r.start, "start"), r.session))
    return tuple(found[-MOST_LESSONS:])
