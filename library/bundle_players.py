"""Players who come in a bundle, and whom they are here."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from library.catalogue import Library
from library.errors import BundleError
from library.players import Player, clean_name, label
from sensor.recording.annotations import FORGOTTEN


@dataclass(frozen=True, slots=True)
class _Met:
    """Who the bundle's players are here, ids there to ids here, and what isn't taken over."""

    players: list[Player]
    ids: dict[str, str]
    refused: list[str]


def _meet(
    library: Library,
    bundle: Bundle,
    known_as: Callable[[Player, Sequence[Player]], Player | None] | None,
    *,
    take_names: bool,
) -> _Met:
    here = {player.id: player for player in library.people.all()}
    met = _Met([], {}, [])
    for one in bundle.players:
        if one.id in library.people.broken:
            raise library.people.broken[one.id]
        mine = here.get(one.id)
        if mine is None:
            namesakes = [p for p in here.values() if p.known_as(one.name)]
            if known_as is not None and namesakes:
                mine = known_as(one, namesakes)
            elif len(namesakes) == 1:
                mine = namesakes[0]
            elif namesakes:
                raise BundleError(
                    f"several players here are called '{one.name}': say which one is meant with "
                    f"--as '{one.name}=ID'"
                )
            elif library.was_deleted(one.id):
                met.ids[one.id] = FORGOTTEN
                met.refused.append(
                    f"'{one.name}' was deleted here, so nothing of theirs is taken in"
                )
                continue
        player = one if mine is None else _joined(mine, one)
        if not take_names:
            others = [p for p in here.values() if p.id != player.id]
            player, refused = _as_here(player, mine, others)
            met.refused.extend(refused)
        here[player.id] = player
        met.players.append(player)
        met.ids[one.id] = player.id
    return met


def _joined(mine: Player, theirs: Player) -> Player:
    """Take over names, references and plans; note and consent stay as they are here."""
    merged = mine.merged(theirs)
    return dataclasses.replace(
        merged, note=mine.note, consent=mine.consent, child=mine.child, until=mine.until
    )


def _as_here(
    player: Player, mine: Player | None, others: Sequence[Player]
) -> tuple[Player, list[str]]:
    """Leave who is who as it is here, and say what would have been changed."""
    refused = []
    kept = player
    if mine is not None and clean_name(player.name) != clean_name(mine.name):
        refused.append(f"'{mine.name}' would be called '{player.name}'")
        names = {*map(clean_name, (player.name, *player.aliases))} - {clean_name(mine.name)}
        kept = dataclasses.replace(kept, name=mine.name, aliases=tuple(sorted(names)), at=mine.at)
    if mine is not None and mine.handedness not in (None, player.handedness):
        refused.append(f"'{mine.name}' would be {player.handedness or 'of no hand'}-handed")
        kept = dataclasses.replace(kept, handedness=mine.handedness, at=mine.at)
    own = () if mine is None else tuple(map(clean_name, (mine.name, *mine.aliases)))
    for name in kept.aliases:
        other = next((p for p in others if p.known_as(name)), None)
        if other is not None and clean_name(name) not in own:
            refused.append(
                f"'{kept.name}' would also be called '{name}', as {label(other)} is already"
            )
            kept = dataclasses.replace(kept, aliases=tuple(a for a in kept.aliases if a != name))
    return kept, refused


@dataclass(frozen=True, slots=True, kw_only=True)
class Bundle:
    """What a bundle says of itself.

    Attributes
    ----------
    made_at : str
    message : str or None
    drill : mapping or None
        A drill that the coach assigned.
    players : tuple of Player
        Those of the recordings.
    recordings : tuple of str
        Ids.
    files : mapping of str to (int, str)
        Size and SHA-256 by name.
    """

    made_at: str
    message: str | None
    drill: Mapping[str, Any] | None
    players: tuple[Player, ...]
    recordings: tuple[str, ...]
    files: Mapping[str, tuple[int, str]]
