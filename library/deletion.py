"""A player's data deleted: rows, file, words on swings, and a mark so that nothing comes back."""

from __future__ import annotations

from collections.abc import Sequence

from library.catalogue import Library
from library.players import Player, clean_name
from library.rows import Removal, SessionRow
from library.sources import is_recording, known_folders, remove_recording, write_folders
from sensor.recording.annotations import FORGOTTEN, change_annotations


def removal(library: Library, player_id: str) -> Removal:
    """Say what deleting a player would touch."""
    player = library.player(player_id)
    own, shared, missing = [], [], []
    swings = 0
    for session in library.sessions(player=player.id):
        swings += session.swings
        if not is_recording(session.path, session.id):
            missing.append(session.path)
        elif _is_shared(library, session.id, player.id):
            shared.append(session.path)
        else:
            own.append(session.path)
    return Removal(
        player=player,
        own=tuple(own),
        shared=tuple(shared),
        missing=tuple(missing),
        swings=swings,
    )


def remove_unused(library: Library, player_id: str) -> bool:
    """Remove a player of whom there is nothing in any session; tell whether it was done."""
    if library.is_swinging(player_id):
        return False
    remove_player(library, player_id)
    return True


def forget_due(library: Library, today: str) -> list[Removal]:
    """Delete children whose day is over and whom nobody said to keep, with their recordings.

    Parameters
    ----------
    library : Library
    today : str
        YYYY-MM-DD.

    Returns
    -------
    list of Removal
        What was deleted. What others swung in stays, without the child.
    """
    due = [
        player
        for player in library.people.all()
        if player.child and player.until is not None and player.until < today
    ]
    return [remove_player(library, player.id, raw=True) for player in due]


def _is_shared(library: Library, session_id: str, player_id: str) -> bool:
    """Whether swings or segments of a session are others' (or nobody's that is known)."""
    table = library.swings(session=session_id, columns=("player",), excluded=True)
    others = {row["player_id"] for row in library.segments(session_id) if row["player"]}
    return bool((others | set(table["player"].tolist())) - {player_id})


def remove_player(library: Library, player_id: str, *, raw: bool = False) -> Removal:
    """Delete a player: rows, file, and what was said about their swings.

    What is left of raw recordings is marked, so that a rebuild doesn't bring the player back.

    Parameters
    ----------
    player_id : str
    raw : bool
        Also remove the recordings of nobody else. Shared ones are never removed.

    Returns
    -------
    Removal
        What was touched.
    """
    touched = removal(library, player_id)
    player = touched.player
    sessions = library.sessions(player=player.id)
    mine: dict[str, list[int]] = {}
    for session in sessions:
        table = library.swings(
            session=session.id, player=player.id, columns=("seq",), excluded=True
        )
        mine[session.id] = table["seq"].tolist()
    # The files first, the database last: if this stops midway, doing it again finishes it.
    # A recording that is away now, or a copy of one, must not bring the player back.
    places: dict[str, tuple[Sequence[int], Sequence[int]]] = {
        session.id: (
            [r["seq"] for r in library.segments(session.id) if r["player_id"] == player.id],
            mine[session.id],
        )
        for session in sessions
    }
    places.update(dict.fromkeys(library.identities.with_player(player.id), ((), ())) | places)
    with library.store.writing():
        library.deleted.add(player.id, places)
    for session in sessions:
        if session.path in touched.missing:
            continue
        own = session.path in touched.own
        if own and raw:
            remove_recording(session.path)
            continue
        _forget(library, session, player, mine[session.id], whole=own)
    if raw:
        with library.store.writing():
            gone = {path.resolve() for path in touched.own}
            write_folders(
                library.home, [f for f in known_folders(library.home) if f.resolve() not in gone]
            )
    with library.store.wiping():
        for session in sessions:
            if session.path in touched.shared:
                library.refresh(session.id)
        with library.store.writing():
            library.store.remove_player(player.id)
            for session in sessions:
                if session.path not in touched.shared:
                    library.store.remove_session(session.id)
    with library.store.writing():
        library.identities.forget(player.id)
    library.people.remove(player.id)
    return touched


def _forget(
    library: Library, session: SessionRow, player: Player, keys: Sequence[int], *, whole: bool
) -> None:
    names = [
        row["player"]
        for row in library.segments(session.id)
        if row["player_id"] == player.id and row["player"]
    ]
    found_then = library.identities.of(session.id)
    names += [name for name, who in found_then.items() if who == player.id]
    spans = [library.span(session.id, seq)[0] for seq in keys]
    with change_annotations(session.path) as said:
        if whole:
            said.entries.clear()
            said.history.clear()
        else:
            near = [said.key_of(span, rate_hz=session.rate_hz) for span in spans]
            said.remove_swings([*near, *keys])
        for name in {clean_name(n) for n in [*names, player.name, *player.aliases]}:
            said.set("identity", name, value=FORGOTTEN)
        said.history.clear()
