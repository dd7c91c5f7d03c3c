"""Whether everything of a library is where it should be, and who is who."""

from __future__ import annotations

import time
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, Final

from library.catalogue import Library
from library.errors import LibraryError
from library.rows import Issue
from library.sources import annotations_mark, find_recordings, fingerprint, is_recording
from sensor.errors import SensorError
from sensor.recording.annotations import FORGOTTEN, read_annotations
from sensor.recording.session import read_session
from words.plain import count

EARLIER_S: Final = 86_400.0
"""A session that begins more than a day from now has a wrong date: time zones are within a day."""


def check(library: Library, *, mend: bool = True) -> list[Issue]:
    """Look whether everything is where it should be.

    Parameters
    ----------
    library : Library
    mend : bool
        Also keep the new place of recordings that were moved, and which ones are missing.
    """
    out = [Issue("database", f"the database: {line}") for line in library.store.sound()]
    known = library.store.known_sessions()
    places, issues = _found(library, known)
    out += issues
    for session_id, row in known.items():
        out += _of_recording(library, session_id, row, places.get(session_id, []), mend=mend)
    if stale := library.outdated():
        text = (
            f"{count(len(stale), 'session')} measured by another version of the analysis than "
            f"{library.analysis_version}: 'unhurried library update' measures anew"
        )
        out.append(Issue("outdated", text))
    out += _of_sessions(library)
    out += [
        Issue("new", f"{places[session_id][0]}: isn't in the library yet")
        for session_id in places.keys() - known.keys()
        if not _only_forgotten(places[session_id][0])
    ]
    out += [Issue("hands", text) for text in library.mixed_hands()]
    return [*out, *_of_people(library)]


def _found(
    library: Library, known: Mapping[str, Mapping[str, Any]]
) -> tuple[dict[str, list[Path]], list[Issue]]:
    """Look for recordings: their places by id, and what can't be read."""
    sources = library.sources()
    places: dict[str, list[Path]] = {}
    unreachable, broken = set(), set()
    for folder in dict.fromkeys([*sources, *(Path(row["path"]).parent for row in known.values())]):
        try:
            paths = find_recordings(folder)
        except LibraryError:
            unreachable.add(folder)
            continue
        for path in paths:
            try:
                there = places.setdefault(read_session(path).id, [])
            except SensorError as error:
                broken.add(str(error))
                continue
            if path not in there:
                there.append(path)
    issues = [Issue("broken", text) for text in sorted(broken)]
    issues += [
        Issue(
            "unreachable",
            f"{folder}: recordings came from here, and it isn't there now: where it will not come "
            f"back, 'unhurried library forget {folder}' looks there no more",
        )
        for folder in sorted(unreachable & set(sources))
    ]
    return places, issues


def _of_recording(
    library: Library, session_id: str, row: Mapping[str, Any], places: list[Path], *, mend: bool
) -> Iterator[Issue]:
    path, store = Path(row["path"]), library.store
    if not is_recording(path, session_id):
        if mend:
            with store.writing():
                where = str(places[0]) if places else row["path"]
                store.set_path(session_id, where, missing=not places)
        if places:
            yield Issue("moved", f"{path}: was moved, and found again at {places[0]}", session_id)
        else:
            text = (
                f"{path}: session {session_id[:8]} isn't there any more; its numbers are kept: if "
                "it was moved, 'unhurried library add' with its new place"
            )
            yield Issue("missing", text, session_id)
        return
    if row["missing"] and mend:
        with store.writing():
            store.set_path(session_id, row["path"], missing=False)
    for copy in places:
        if copy.resolve() != path.resolve():
            yield Issue("copy", f"{copy}: is a copy of {path}, which is used", session_id)
    try:
        changed = fingerprint(path) != row["files"]
        words = annotations_mark(path) != row["annotated"]
        read_annotations(path, recording=session_id)
    except (SensorError, OSError) as error:
        yield Issue("broken", str(error), session_id)
        return
    if changed:
        text = f"{path}: its files are others than when it was added"
        yield Issue("changed", text, session_id)
    elif words:
        yield Issue("annotated", f"{path}: more was said about it since it was read", session_id)


def _of_sessions(library: Library) -> Iterator[Issue]:
    for session in library.sessions():
        if session.start_s > time.time() + EARLIER_S:
            text = (
                f"{session.path}: session {session.id[:8]} has the date {session.day}, which is "
                "still to come: the clock was wrong when it was recorded, and it counts as the "
                "latest one"
            )
            yield Issue("future", text, session.id)
        if session.lost_words:
            text = (
                f"{session.path}: {count(len(session.lost_words), 'word')} that people added fit "
                "no swing that is found now; they are kept"
            )
            yield Issue("lost_words", text, session.id)


def _of_people(library: Library) -> Iterator[Issue]:
    """Look at the files of who is who."""
    players = library.people.all()
    for error in library.people.broken.values():
        yield Issue("player", str(error))
    if damaged_lines := library.identities.damaged_lines():
        text = (
            f"{library.identities.path}: {count(damaged_lines, 'line')} can't be read: whom a "
            "name there was taken for is found anew"
        )
        yield Issue("identities", text)
    for player in players:
        if player.child and not player.consent:
            text = f"{player.name} is a child, and nobody's consent is noted"
            yield Issue("consent", text)


def _only_forgotten(path: Path) -> bool:
    try:
        identities = read_annotations(path).identities()
    except SensorError:
        return False
    return bool(identities) and all(who == FORGOTTEN for who in identities.values())
