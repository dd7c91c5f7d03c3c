"""Whom the names of a recording mean: said, found before, or called so now."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from library.analyzed import Analyzed
from library.errors import NamesakeError, NoSuchError
from library.players import Player, clean_name
from sensor.recording.annotations import (
    FORGOTTEN,
    Annotations,
    change_annotations,
    read_annotations,
)
from sensor.recording.vocabulary import NOBODY

if TYPE_CHECKING:
    from library.identities import Deleted, Identities
    from library.players import Registry
    from library.store import Store


def names_in(analyzed: Analyzed, said: Annotations) -> list[str]:
    """Names in a recording and in what was said about it, in the order in which they come up."""
    names = [fields.get("player") for _, _, fields in analyzed.segments]
    names += [fields.get("player") for _, fields in said.segments()]
    names += [said.get("swing", seq, "player") for seq in said.swing_keys()]
    return list(dict.fromkeys(clean_name(name) for name in names if name and name != NOBODY))


class Names:
    """Who is who in one home.

    Parameters
    ----------
    store : Store
    people : Registry
    identities : Identities
        Whom a name was taken for when a recording was taken in.
    deleted : Deleted
        Who was deleted, and where they swung.
    """

    def __init__(
        self, store: Store, people: Registry, identities: Identities, deleted: Deleted
    ) -> None:
        self._store = store
        self.people = people
        self.identities = identities
        self.deleted = deleted

    def bury(self, path: Path, analyzed: Analyzed) -> None:
        """Mark a recording that comes back after somebody in it was deleted, as the others are."""
        graves = self.deleted.of(analyzed.id)
        if not graves:
            return
        said = read_annotations(path, recording=analyzed.id)
        identities = {clean_name(name): who for name, who in said.identities().items()}
        all_names = [clean_name(s["player"]) for _, _, s in analyzed.segments if s.get("player")]
        names: set[str] = set()
        for grave in graves:
            names |= {
                clean_name(segment["player"])
                for seq, _, segment in analyzed.segments
                if seq in grave.segments and segment.get("player")
            }
            names |= {
                clean_name(name)
                for seq in grave.swings
                if (name := said.get("swing", seq, "player")) not in (None, NOBODY)
            }
            names |= {name for name, who in identities.items() if who == grave.player}
            if not grave.segments and len(set(all_names)) == 1:
                names |= set(all_names)
        # Somebody who was said to be another one since is not the one who was deleted.
        gone = {grave.player for grave in graves}
        names = {n for n in names if identities.get(n, FORGOTTEN) in {FORGOTTEN, *gone}}
        if names <= {name for name, who in identities.items() if who == FORGOTTEN}:
            return
        with change_annotations(path) as said:
            if names >= set(all_names):
                said.entries.clear()
            else:
                said.remove_swings([seq for grave in graves for seq in grave.swings])
            for name in names:
                said.set("identity", name, value=FORGOTTEN)
            said.history.clear()

    def identify(self, path: Path, analyzed: Analyzed, known_as: Mapping[str, str]) -> None:
        """Keep beside a recording whom its names mean; a new name makes a new player."""
        names = set(names_in(analyzed, read_annotations(path, recording=analyzed.id)))
        told = {clean_name(name): who for name, who in known_as.items()}
        told = {name: who for name, who in told.items() if name in names}
        if not told:
            return
        ids = {}
        for name, who in told.items():
            try:
                player = self.people.find(who)
            except NoSuchError:
                player = self.people.add(who)
            ids[name] = player.id
        with change_annotations(path) as said:
            for name, player_id in ids.items():
                said.set("identity", name, value=player_id)

    def resolve(self, analyzed: Analyzed, said: Annotations) -> dict[str, Player | None]:
        """Find, or make, the player of every name; None: not to be kept."""
        out, new = self.look_up(analyzed, said)
        hands = {
            clean_name(s["player"]): s.get("handedness")
            for _, _, s in analyzed.segments
            if s.get("player")
        }
        for name in new:
            # Only now that no name was ambiguous: a refused recording leaves no players behind.
            out[name] = self.people.add(name, handedness=hands.get(name))
        return out

    def look_up(
        self, analyzed: Analyzed, said: Annotations
    ) -> tuple[dict[str, Player | None], list[str]]:
        """Find the player of every name (None: not to be kept), and the names of nobody yet.

        What people said counts first, then whom the name was found to be when the recording was
        taken in, and only then who is called so now.
        """
        players = self.people.all()
        by_id = {player.id: player for player in players}
        identities = {clean_name(name): who for name, who in said.identities().items()}
        found_then = self.identities.of(analyzed.id)
        deleted = self.deleted.players() - by_id.keys()
        out: dict[str, Player | None] = {}
        new: list[str] = []
        for name in names_in(analyzed, said):
            who = identities.get(name)
            if who == FORGOTTEN or (who or found_then.get(name)) in deleted:
                out[name] = None
                continue
            player = by_id.get(who or "") or by_id.get(found_then.get(name, ""))
            if player is None:
                self._not_of_a_broken_file(name, {who, found_then.get(name)})
                try:
                    player = self.people.named(name, players)
                except NamesakeError:
                    player = by_id.get(self._known_before(analyzed.id, name))
                    if player is None:
                        raise
            if player is None:
                new.append(name)
            else:
                out[name] = player
        return out, new

    def _not_of_a_broken_file(self, name: str, ids: set[str | None]) -> None:
        """Refuse a name whose player's file can't be read: somebody new would get the swings."""
        for broken, error in self.people.broken.items():
            if broken in ids or name in self.identities.names_of(broken):
                raise error

    def _known_before(self, session_id: str, name: str) -> str:
        """Id of the player that the database has for a name; empty if none."""
        rows = self._store.segments(session_id)
        found = {r["player_id"] for r in rows if r["player"] and clean_name(r["player"]) == name}
        return str(found.pop() or "") if len(found) == 1 else ""
