"""A player's own reference for a cue or a drill: the library's, or what is said."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import TYPE_CHECKING

from unhurried.app.errors import CommandError

if TYPE_CHECKING:
    from library.players import ReferenceRecord


def own_reference(
    home: Path, player: str, club: str | None, mount: str | None
) -> ReferenceRecord | None:
    """Return a player's own reference for a club and mount; None where there is none.

    Its bounds are those of the approved swings (or, provisionally, of free rehearsals) and those
    that the coach set.

    Raises
    ------
    CommandError
        There are several and the club or mount wasn't said.
    ReviewError
        There is no such player.
    """
    from library.players import Registry

    known = Registry(home).find(player).references
    fitting = [r for r in known if club in (None, r.club) and mount in (None, r.mount)]
    if len(fitting) > 1:
        listed = ", ".join(f"{r.club or 'any club'} at the {r.mount or 'sensor'}" for r in fitting)
        raise CommandError(
            f"{player} has model swings with several clubs: say which with --club and --mount: "
            f"{listed}"
        )
    kept = fitting[0] if fitting else None
    return _measured(home, player, club, mount, kept) or kept


def _measured(
    home: Path, player: str, club: str | None, mount: str | None, kept: ReferenceRecord | None
) -> ReferenceRecord | None:
    """Return the reference with the bounds that its swings have; None where there are none.

    Approved swings, or free rehearsals where nobody approved any; bounds that the coach set count
    more.
    """
    from analysis.evidence.told import NotYet
    from library.catalogue import LIBRARY_FILE
    from library.evidence import Evidence, settings_of
    from library.players import ReferenceRecord
    from unhurried.app.ingest import open_library

    if not (home / LIBRARY_FILE).exists():
        return None
    with open_library(home) as library:
        who = library.player(player)
        if kept is not None:
            settings = [(kept.club, kept.mount)]
        else:
            settings = [
                (group.club, group.mount)
                for group in settings_of(library, who.id)
                if club in (None, group.club) and mount in (None, group.mount)
            ]
        if len(settings) != 1:
            # Nothing was swung, or it wasn't said with what.
            return None
        found = Evidence(library, who, club=settings[0][0], mount=settings[0][1]).reference
    if isinstance(found, NotYet):
        return None
    bounds = {
        name: (value.lower, value.upper)
        for name, value in found.values.items()
        if value.lower is not None and value.upper is not None
    }
    if kept is not None:
        return dataclasses.replace(kept, bounds={**bounds, **kept.bounds})
    return ReferenceRecord(
        club=settings[0][0], mount=settings[0][1], swings=(), bounds=bounds, provisional=True
    )


def middle(reference: ReferenceRecord | None, quantity: str) -> float | None:
    """Return the middle of a reference's bounds."""
    bounds = None if reference is None else reference.bounds.get(quantity)
    return None if bounds is None else 0.5 * (bounds[0] + bounds[1])


def no_reference(home: Path, player: str, club: str | None, mount: str | None) -> str:
    """Say that a player has no reference with a club and mount, and which there are."""
    from library.catalogue import LIBRARY_FILE
    from library.evidence import Evidence, settings_of
    from library.players import Registry
    from unhurried.app.ingest import open_library

    who = Registry(home).find(player)
    there = [(r.club, r.mount) for r in who.references]
    if (home / LIBRARY_FILE).exists():
        from analysis.evidence.told import NotYet

        with open_library(home) as library:
            one = library.player(who.id)
            for group in settings_of(library, who.id):
                found = Evidence(library, one, club=group.club, mount=group.mount).reference
                if not isinstance(found, NotYet):
                    there.append((group.club, group.mount))
    words = [f"{c or 'any club'} at the {m or 'sensor'}" for c, m in set(there)]
    asked = " ".join(
        word
        for word in (
            f"with {club}" if club is not None else "",
            f"at the {mount}" if mount is not None else "",
        )
        if word
    )
    what = f"{who.name} has no model swings {asked}".rstrip() + " yet"
    return f"{what} (there is one for {', '.join(sorted(words))})" if words else what
