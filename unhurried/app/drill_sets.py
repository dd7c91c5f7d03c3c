"""Which sets a drill has: those that are asked for, or the usual ones of a day."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from unhurried.app.errors import CommandError
from words.plain import count

if TYPE_CHECKING:
    from feedback.drill_plan import Block
    from library.allowed import Allowed
    from review.page.requests import DrillRequest
    from unhurried.app.drill_checks import KnownPlayer


def allowed_today(home: Path, player: str, made: int = 0) -> Allowed:
    """Return what a player may swing today, after so many that the library doesn't know yet.

    Raises
    ------
    ReviewError
        There is no such player, or the library cannot be used.
    """
    from library.allowed import Allowed, allowed
    from library.catalogue import LIBRARY_FILE
    from library.players import Registry
    from unhurried.app.ingest import open_library

    if (home / LIBRARY_FILE).exists():
        with open_library(home) as library:
            found = allowed(library, player)
    else:
        who = Registry(home).find(player)
        fewer = who.child or who.limits.turn_share is not None
        found = Allowed(limits=who.limits, swings_left=who.limits.swings_day, fewer=fewer)
    if found.swings_left is None:
        return found
    return replace(found, swings_left=max(0, found.swings_left - made))


def turns_past_full(home: Path, player: str, club: str | None, mount: str | None) -> bool:
    """Whether a player lately turns past full with a club and a place of the sensor.

    Raises
    ------
    ReviewError
        The library cannot be used.
    """
    from library.answer import answer_of_session
    from library.catalogue import LIBRARY_FILE
    from library.errors import NoSuchError
    from library.evidence import evidence_of
    from library.past_full import is_past_full
    from unhurried.app.ingest import open_library

    if not (home / LIBRARY_FILE).exists():
        return False
    with open_library(home) as library:
        try:
            evidence = evidence_of(library, player, club=club, mount=mount)
        except NoSuchError:
            return False
        last = answer_of_session(evidence, evidence.sessions[-1])
        return is_past_full(evidence.standing(date.today().toordinal()), last)


def sets_of(
    drill: DrillRequest, who: KnownPlayer | None, known: Allowed | None, *, past_full: bool
) -> tuple[tuple[Block, ...], list[str]]:
    """Return a drill's sets, and what there is to say of them.

    Parameters
    ----------
    drill : DrillRequest
    who : KnownPlayer or None
    known : Allowed or None
        What the player may swing today.
    past_full : bool
        Whether the player lately turns past full.

    Raises
    ------
    CommandError
        No swing is left today.
    """
    from feedback.drill_plan import OWN_FULL, at_most, usual_sets

    told: list[str] = []
    sets: tuple[Block, ...]
    left = None if known is None else known.swings_left
    if left == 0 and who is not None:
        raise CommandError(f"no drill for {who.name} today: {_most(known)}")
    if drill.own_full or (drill.usual and past_full):
        told.append("stop at your own full: three easy practice swings, no bell")
        sets = OWN_FULL
    elif drill.usual:
        sets = usual_sets(fewer=known is not None and known.fewer)
        if left is not None and left < _swings(sets):
            sets = usual_sets(fewer=True)
        if drill.cue_on is None:
            sets = tuple(replace(one, sound="bell") if one.sound == "rise" else one for one in sets)
    else:
        sets = tuple(_set(drill, kind) for kind in drill.blocks)
    if left is not None and left < _swings(sets):
        sets = at_most(sets, left)
        told.append(f"{count(left, 'swing')} today: {_most(known)}")
    return sets, told


def _most(known: Allowed | None) -> str:
    most = None if known is None else known.limits.swings_day
    return f"at most {most} a day, as the coach set it"


def _swings(sets: Iterable[Block]) -> int:
    return sum(one.repeats for one in sets)


def _set(drill: DrillRequest, kind: Any) -> Block:
    """Return a set that was asked for: with one bell after a swing, one thing at a time in it."""
    from feedback.drill_plan import Block, SetSound

    sound: SetSound = "both"
    if drill.schedule == "bell":
        sound = "rise" if kind == "rehearsal" and drill.cue_on is not None else "bell"
    return Block(kind, drill.repeats, sound=sound, ball=drill.ball)
