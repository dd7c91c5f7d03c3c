"""Who the players of a file that was sent are here: what has to be asked before it is taken in."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final
from zipfile import ZipFile

from library.bundle import look_in, names_taken
from library.players import clean_name
from library.zip_door import zip_opened
from review.page.services import NEW_PLAYER, AskedPlayer
from sensor.recording.layout import MARKERS_FILE
from sensor.recording.session import SESSION_FILE

if TYPE_CHECKING:
    from library.catalogue import Library
    from library.players import Player

MOST_READ: Final = 4_000_000
"""Bytes of a file that is looked into for names: some ten thousand markers."""


def asked_of_bundle(
    library: Library, path: Path
) -> tuple[tuple[AskedPlayer, ...], tuple[str, ...]]:
    """Return whom to ask about, and which names here would be changed if they were taken over.

    Raises
    ------
    LibraryError
    """
    bundle = look_in(path)
    here = library.people.all()
    ids = {player.id for player in here}
    names = [one.name for one in bundle.players if one.id not in ids]
    return _asked(here, names), names_taken(library, bundle)


def asked_of_recordings(library: Library, path: Path) -> tuple[AskedPlayer, ...]:
    """Return whom to ask about in a zip of recordings.

    Raises
    ------
    LibraryError
    """
    names: list[str] = []
    with zip_opened(path) as archive:
        for name in archive.namelist():
            last = name.rpartition("/")[2]
            if last in (SESSION_FILE, MARKERS_FILE):
                lines = _lines(archive, name, whole=last == SESSION_FILE)
                names += [said for line in lines if isinstance(said := line.get("player"), str)]
    return _asked(library.people.all(), names)


def _lines(archive: ZipFile, name: str, *, whole: bool) -> list[dict[str, Any]]:
    """Return the JSON of a file, or of each of its lines; what is broken is left for later."""
    with archive.open(name) as file:
        text = file.read(MOST_READ).decode("utf-8", "replace")
    out = []
    for part in [text] if whole else text.split("\n"):
        with suppress(ValueError, RecursionError):
            found = json.loads(part)
            if isinstance(found, dict):
                out.append(found)
    return out


def _asked(here: Sequence[Player], names: Sequence[str]) -> tuple[AskedPlayer, ...]:
    out = []
    for name in dict.fromkeys(map(clean_name, names)):
        meant = [player for player in here if player.known_as(name)]
        if len(meant) > 1:
            out.append(AskedPlayer(name=name, choices=tuple(map(_choice, meant))))
    return tuple(out)


def _choice(player: Player) -> tuple[str, str]:
    hand = f"{player.handedness}-handed" if player.handedness else ""
    return player.id, ", ".join(word for word in (player.name, hand, player.note) if word)


def known_as(library: Library, answers: Mapping[str, str]) -> dict[str, str]:
    """Return the players' ids by name; whoever is new here is made."""
    return {
        name: library.people.add(name).id if who == NEW_PLAYER else library.player(who).id
        for name, who in answers.items()
    }
