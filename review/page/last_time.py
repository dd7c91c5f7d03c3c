"""What a player's card and the next lesson open with: the last lesson, and what was done since."""

from __future__ import annotations

from dataclasses import dataclass

from library.catalogue import Library
from library.lesson import Since, last_lesson, since
from library.lesson_record import LessonRecord
from library.players import Player
from words import lesson as say


@dataclass(frozen=True, slots=True, kw_only=True)
class LastTime:
    """What a lesson opens with.

    Attributes
    ----------
    record : LessonRecord
    since : Since
        What was done since.
    text : str
        The same in words.
    """

    record: LessonRecord
    since: Since
    text: str


def last_time(library: Library, player: Player, *, but: str | None = None) -> LastTime | None:
    """Return a player's last lesson and what was done since; None before the first one."""
    record = last_lesson(player.lessons, but=but)
    if record is None:
        return None
    days = {one["start"][:10] for one in library.session_counts(player.id)}
    newer = player.lesson(but) if but is not None else None
    found = since(record, days, before=None if newer is None else newer.day)
    text = say.since(measured=found.measured, said=found.said, of=found.of)
    return LastTime(record=record, since=found, text=text)
