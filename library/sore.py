"""Sore: stop, tapped while a recording went on, is the player's discomfort: the plan stops."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Final

from analysis.evidence.plan import CoachWord
from library.players import Player, clean_name
from library.swing_rows import day_number

if TYPE_CHECKING:
    from library.analyzed import Analyzed

SAID: Final = "sore"


def sore_word(
    analyzed: Analyzed, day: str, people: Mapping[str, Player | None]
) -> tuple[Player, str | None, dict[str, Any]] | None:
    """Say whose discomfort is to be noted, with which club, and the word; once for each recording.

    Parameters
    ----------
    analyzed : Analyzed
    day : str
        The recording's.
    people : mapping
        By the clean names in the recording.
    """
    if analyzed.sore is None or not analyzed.segments:
        return None
    begun = [fields for seq, _, fields in analyzed.segments if seq <= analyzed.sore]
    last = begun[-1] if begun else analyzed.segments[0][2]
    name, club = last.get("player"), last.get("club")
    who = people.get(clean_name(name)) if name else None
    if who is None:
        return None
    if any(event.get("session") == analyzed.id for plan in who.plans for event in plan.history):
        # Read anew: the coach may have started the plan again since.
        return None
    word = CoachWord(day=day_number(day), word="discomfort", text=SAID)
    return who, club, {**word.as_dict(), "session": analyzed.id}
