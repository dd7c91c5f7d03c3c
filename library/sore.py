"""Sore: stop, tapped while a recording went on, is the player's discomfort: the plan stops."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Final

from analysis.evidence.plan import CoachWord
from library.players import Player, clean_name
from library.swing_rows import day_number

if TYPE_CHECKING:
    from library.analyzed import Analyzed
    from library.catalogue import Library

SAID: Final = "sore"


def stop_for_sore(
    library: Library, analyzed: Analyzed, people: Mapping[str, Player | None]
) -> None:
    """Note the discomfort of whoever swung, once for each recording.

    Parameters
    ----------
    library : Library
    analyzed : Analyzed
        Is in the library.
    people : mapping
        By the clean names in the recording.
    """
    if analyzed.sore is None or not analyzed.segments:
        return
    begun = [fields for seq, _, fields in analyzed.segments if seq <= analyzed.sore]
    last = begun[-1] if begun else analyzed.segments[0][2]
    name, club = last.get("player"), last.get("club")
    who = people.get(clean_name(name)) if name else None
    if who is None:
        return
    if any(event.get("session") == analyzed.id for plan in who.plans for event in plan.history):
        # Read anew: the coach may have started the plan again since.
        return
    day = day_number(library.session(analyzed.id).day)
    word = CoachWord(day=day, word="discomfort", text=SAID)
    record = who.plan(club, analyzed.mount)
    state = {} if record is None else record.state
    event = {**word.as_dict(), "session": analyzed.id}
    library.save_plan(who.id, club, analyzed.mount, state, event)
