"""A player's typical practice swing: what a swing is set beside to see how it differs."""

from __future__ import annotations

from analysis.evidence.blocks import CUED
from analysis.evidence.spread import SwingRow
from analysis.evidence.story import LEAST_EXAMPLES, nearest_the_medians
from library.catalogue import Library
from library.errors import NoSuchError
from library.evidence import Evidence
from words.glossary import PLACES
from words.plain import count


def typical_practice_swing(library: Library, session_id: str, number: int) -> tuple[str, int]:
    """Return the player's typical practice swing to set a swing beside.

    Parameters
    ----------
    library : Library
    session_id : str
    number : int
        Of the swing.

    Returns
    -------
    session, number
        The practice swing nearest the medians of the swing's own session, else of the newest
        session with enough practice swings of the same club and place. Never the swing itself.

    Raises
    ------
    NoSuchError
        There is none; the text says what is missing and what to do.
    """
    session = library.session(session_id)
    detail = library.swing(session.id, number=number)
    if detail.player is None:
        raise NoSuchError(
            f"nobody is said to have swung swing {number}, so there is no practice swing of theirs "
            "to set it beside: say who swung, on the session's screen under 'Who swung what'"
        )
    return typical_of(
        library,
        detail.player,
        detail.swing.club,
        session.mount,
        session_id=session.id,
        besides=f"{session.id}#{detail.swing.index}",
    )


def typical_of(
    library: Library,
    player: str,
    club: str | None,
    mount: str | None,
    *,
    session_id: str | None = None,
    besides: str | None = None,
) -> tuple[str, int]:
    """Return a player's typical practice swing with a club and the sensor at a place.

    Parameters
    ----------
    library : Library
    player : str
        Id or name.
    club, mount : str or None
    session_id : str, optional
        The session that comes first.
    besides : str, optional
        Swing that isn't taken, as ``SESSION#N``.

    Raises
    ------
    NoSuchError
    """
    who = library.player(player)
    evidence = Evidence(library, who, club=club, mount=mount)
    mine: dict[str, list[SwingRow]] = {}
    for row in evidence.rows:
        if row.kind == "rehearsal" and row.block not in CUED and row.swing_id != besides:
            mine.setdefault(row.session_id, []).append(row)
    # Its own session first, then the newest.
    for session in dict.fromkeys([session_id, *reversed(evidence.sessions)]):
        rows = mine.get(session or "", [])
        found = nearest_the_medians(rows)
        if found is not None:
            there, _, number = found.swing_id.rpartition("#")
            return there, int(number)
    most = max((len(rows) for rows in mine.values()), default=0)
    there_are = f"only {count(most, 'practice swing')} in one session" if most else "none yet"
    place = PLACES.get(mount or "", "a place that isn't said")
    n = LEAST_EXAMPLES
    raise NoSuchError(
        f"there is no typical practice swing of {who.name} with the {club or 'unnamed club'} and "
        f"the sensor on the {place}: {there_are}, and it takes {n}. Record {n} free practice "
        "swings, and look again"
    )
