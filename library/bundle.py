"""One file that a player sends to a coach and back, and one player's data as a whole.

A bundle is a zip with a manifest that lists every other file with its size and SHA-256. Nothing
else in the zip is looked at, no name in it is used as a path, and nothing is written before all of
it has been checked, so a bundle from a stranger can at worst be refused.
"""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import json
import os
import secrets
import shutil
import stat
import zipfile
import zlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import IO, Annotated, Any, Final

import msgspec
from msgspec import Meta

from library.bundle_players import Bundle, _meet, _Met
from library.catalogue import Library
from library.errors import BundleError, NoSuchError
from library.players import Player, clean_name, now_utc, player_from
from sensor.errors import RecordingError, SensorError
from sensor.recording.annotations import Annotations, change_annotations, read_annotations
from sensor.recording.layout import (
    ANNOTATIONS_FILE,
    IMU_FILE,
    MARKERS_FILE,
    PACKETS_FILE,
    TRUTH_FILE,
    owned_file,
)
from sensor.recording.opening import open_recording
from sensor.recording.output import describe_os_error, finish_folder, whole_file
from sensor.recording.schema import (
    Count,
    SchemaError,
    Text,
    Word,
    check_version,
    convert,
    free,
    inside,
    parse_json,
    plain_reading,
)
from sensor.recording.session import SESSION_FILE, program_version, read_session

FORMAT: Final = "unhurried bundle"
VERSION: Final = 1
MANIFEST: Final = "manifest.json"

MOST_BYTES: Final = 4_000_000_000
"""Of everything in a bundle, unpacked: a hundred hours of a sensor. (Chosen here.)"""
MOST_RATIO: Final = 100
"""Unpacked to packed: counts of a sensor shrink to a third, words to a twentieth. (Assumed.)"""
MOST_FILES: Final = 10_000
MOST_PLAYERS: Final = 1_000
MOST_MANIFEST: Final = 10_000_000
_PIECE: Final = 1 << 20
RAW_FILES: Final = (SESSION_FILE, IMU_FILE, PACKETS_FILE, MARKERS_FILE, TRUTH_FILE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Opened:
    """What became of a bundle's recordings.

    Attributes
    ----------
    bundle : Bundle
    new : tuple of Path
        Folders that were made; the library has yet to measure them.
    merged : mapping of str to int
        Recordings that were there already: how many words were newer in the bundle.
    players : tuple of Player
        As they are kept now.
    refused : tuple of str
        What the bundle would have changed about who is who here, a sentence each.
    """

    bundle: Bundle
    new: tuple[Path, ...]
    merged: Mapping[str, int]
    players: tuple[Player, ...]
    refused: tuple[str, ...] = ()


# -- making --------------------------------------------------------------------------------------


def make_bundle(
    library: Library,
    sessions: Sequence[tuple[str, Path]],
    out: Path,
    *,
    message: str | None = None,
    drill: Mapping[str, Any] | None = None,
    overwrite: bool = False,
) -> Bundle:
    """Write a bundle of sessions, whole or not at all.

    The players of the recordings come along with name, handedness, references and plans, but
    without note and consent, which are nobody else's business.

    Parameters
    ----------
    library : Library
    sessions : sequence of (str, Path)
        Ids and folders of the recordings.
    out : Path
    message : str, optional
    drill : mapping, optional
        An assigned drill.
    overwrite : bool

    Raises
    ------
    BundleError, SensorError
    """
    if not sessions:
        raise BundleError("a bundle needs at least one session")
    try:
        convert(message, Text | None, "message")
    except SchemaError as error:
        raise BundleError(str(error)) from error
    people: dict[str, Player] = {}
    for session_id, _ in sessions:
        for row in library.segments(session_id):
            known = None if row["player_id"] is None else library.people.get(row["player_id"])
            if known is not None:
                people[known.id] = known
    files: dict[str, tuple[int, str]] = {}
    with (
        whole_file(out, overwrite=overwrite) as file,
        zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED, compresslevel=3) as archive,
    ):
        for session_id, path in dict(sessions).items():
            for name in (*RAW_FILES, ANNOTATIONS_FILE):
                if (path / name).is_file():
                    inside = f"recordings/{session_id}/{name}"
                    with (path / name).open("rb") as source:
                        files[inside] = _pack(archive, inside, source)
        bundle = Bundle(
            made_at=now_utc(),
            message=message,
            drill=drill,
            players=tuple(_shared(p) for _, p in sorted(people.items())),
            recordings=tuple(dict(sessions)),
            files=files,
        )
        archive.writestr(MANIFEST, _manifest(bundle))
    return bundle


def _shared(player: Player) -> Player:
    return dataclasses.replace(player, note=None, consent=None, until=None)


def _pack(archive: zipfile.ZipFile, name: str, source: IO[bytes]) -> tuple[int, str]:
    digest = hashlib.sha256()
    size = 0
    with archive.open(name, "w", force_zip64=True) as target:
        while piece := source.read(_PIECE):
            target.write(piece)
            digest.update(piece)
            size += len(piece)
    return size, digest.hexdigest()


def _manifest(bundle: Bundle) -> str:
    document = {
        "format": FORMAT,
        "version": VERSION,
        "program_version": program_version(),
        "made_at": bundle.made_at,
        "message": bundle.message,
        "drill": None if bundle.drill is None else dict(bundle.drill),
        "players": [player.document() for player in bundle.players],
        "recordings": list(bundle.recordings),
        "files": {name: {"size": n, "sha256": sha} for name, (n, sha) in bundle.files.items()},
    }
    return json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


# -- opening -------------------------------------------------------------------------------------


@contextlib.contextmanager
def _opened(path: Path) -> Iterator[zipfile.ZipFile]:
    try:
        with zipfile.ZipFile(path) as archive:
            yield archive
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError) as error:
        raise BundleError(f"{path}: is not a whole bundle: have it sent once more") from error
    except RuntimeError as error:
        raise BundleError(f"{path}: is encrypted: have it sent without a password") from error
    except OSError as error:
        raise BundleError(f"{path}: cannot be read: {describe_os_error(error)}") from error


def _read(archive: zipfile.ZipFile, path: Path) -> Bundle:
    names = [info.filename for info in archive.infolist()]
    if MANIFEST not in names:
        raise BundleError(f"{path}: is not a bundle: it has no {MANIFEST}")
    if len(names) > MOST_FILES or len(set(names)) != len(names):
        raise BundleError(f"{path}: is not a bundle: it holds too many files, or one twice")
    info = archive.getinfo(MANIFEST)
    if info.file_size > MOST_MANIFEST:
        raise BundleError(f"{path}: is not a bundle: its {MANIFEST} is too large")
    with archive.open(info) as file:
        data = file.read(MOST_MANIFEST + 1)
    with plain_reading(path, _cannot, remedy="have it sent once more"), inside(MANIFEST):
        document = parse_json(data, dict[str, Any])
        if document.get("format") != FORMAT:
            raise SchemaError(f"must be '{FORMAT}'", "format")
        check_version(document, VERSION)
        manifest = convert(document, _Manifest)
        if manifest.drill is not None:
            free(manifest.drill, "drill")
        players = []
        for index, item in enumerate(manifest.players):
            with inside(f"players[{index}]"):
                players.append(player_from(item))
    bundle = Bundle(
        made_at=manifest.made_at,
        message=manifest.message,
        drill=manifest.drill,
        players=tuple(players),
        recordings=tuple(manifest.recordings),
        files={name: (item.size, item.sha256) for name, item in manifest.files.items()},
    )
    _check_names(bundle, names, path)
    return bundle


RecordingId = Annotated[
    str,
    Meta(
        pattern=r"\A[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}\Z",
        description="a recording's id, a UUID",
    ),
]


class _File(msgspec.Struct):
    size: Count
    sha256: Annotated[str, Meta(pattern=r"\A[0-9a-f]{64}\Z", description="a SHA-256")]


class _Manifest(msgspec.Struct):
    made_at: Word
    players: Annotated[list[dict[str, Any]], Meta(max_length=MOST_PLAYERS)]
    recordings: Annotated[list[RecordingId], Meta(max_length=MOST_FILES)]
    files: Annotated[dict[Word, _File], Meta(max_length=MOST_FILES)]
    message: Text | None = None
    drill: dict[str, Any] | None = None


def _cannot(path: Path, problem: str) -> BundleError:
    return BundleError(f"{path}: {problem}")


def _check_names(bundle: Bundle, names: Sequence[str], path: Path) -> None:
    """Refuse anything that isn't a recording's own file in a recording's own place."""
    if len(set(bundle.recordings)) != len(bundle.recordings):
        raise BundleError(f"{path}: is broken: it names a recording twice")
    allowed = {
        f"recordings/{one}/{name}"
        for one in bundle.recordings
        for name in (*RAW_FILES, ANNOTATIONS_FILE)
    }
    strange = sorted((set(names) - {MANIFEST}) ^ set(bundle.files)) or sorted(
        set(bundle.files) - allowed
    )
    if strange:
        shown = "".join(c if c.isprintable() else "?" for c in strange[0])[:60]
        raise BundleError(
            f"{path}: is refused: it holds, or lacks, a file '{shown}' against its own list"
        )
    total = sum(size for size, _ in bundle.files.values())
    if any(size < 0 for size, _ in bundle.files.values()) or total > MOST_BYTES:
        raise BundleError(
            f"{path}: is refused: unpacked it would be larger than {MOST_BYTES / 1e9:.0f} GB"
        )
    if total > MOST_RATIO * path.stat().st_size:
        raise BundleError(
            f"{path}: is refused: it would unpack to over {MOST_RATIO} times its size"
        )
    for one in bundle.recordings:
        for name in (SESSION_FILE, IMU_FILE):
            if f"recordings/{one}/{name}" not in bundle.files:
                raise BundleError(f"{path}: is broken: recording {one[:8]} has no {name}")


def look_in(path: Path) -> Bundle:
    """Return what a bundle says of itself.

    Raises
    ------
    BundleError
    """
    with _opened(path) as archive:
        return _read(archive, path)


def names_taken(library: Library, bundle: Bundle) -> tuple[str, ...]:
    """Say which names and hands here would be changed if the bundle's were taken over."""

    def first(_theirs: Player, namesakes: Sequence[Player]) -> Player | None:
        return namesakes[0] if namesakes else None

    left = _meet(library, bundle, first, take_names=False).refused
    taken = _meet(library, bundle, first, take_names=True).refused
    return tuple(text for text in left if text not in taken)


def open_bundle(
    library: Library,
    path: Path,
    folder: Path,
    *,
    known_as: Callable[[Player, Sequence[Player]], Player | None] | None = None,
    take_names: bool = False,
) -> Opened:
    """Take in a bundle: new recordings into a folder, words about known ones into theirs.

    All of it is unpacked beside its place and checked before anything is kept.

    Parameters
    ----------
    library : Library
    path : Path
        The bundle.
    folder : Path
        Where new recordings go.
    known_as : callable, optional
        Told a player of the bundle and who has that name here; gives the one that is meant, or
        None for a new player. Without it one of that name is the one, and of several none.
    take_names : bool
        Also take over what changes who is who here: a newer name or hand of a player, a name that
        is another player's already. Else they stay as they are here, and `Opened.refused` says so.

    Returns
    -------
    Opened

    Raises
    ------
    BundleError
        Nothing was changed.
    SensorError, LibraryError
    """
    bundle = look_in(path)
    new: list[Path] = []
    try:
        new = [one for one in (folder, *folder.parents) if not os.path.lexists(one)]
        folder.mkdir(parents=True, exist_ok=True)
        part = folder / f".bundle-{secrets.token_hex(4)}"
        part.mkdir()
    except OSError as error:
        _clear(new)
        raise BundleError(f"{folder}: cannot be written: {describe_os_error(error)}") from error
    try:
        with _opened(path) as archive:
            said = {
                one: _unpack(archive, bundle, one, part / one, path) for one in bundle.recordings
            }
        met = _meet(library, bundle, known_as, take_names=take_names)
        return _keep(library, bundle, folder, part, said, met)
    finally:
        shutil.rmtree(part, ignore_errors=True)
        _clear(new)


def _clear(new: Sequence[Path]) -> None:
    """Remove folders that were made for what never came; others aren't empty."""
    for one in new:
        with contextlib.suppress(OSError):
            one.rmdir()


def _unpack(
    archive: zipfile.ZipFile, bundle: Bundle, one: str, place: Path, path: Path
) -> Annotations:
    """Unpack one recording and check that it is what it says."""
    place.mkdir()
    for name in (*RAW_FILES, ANNOTATIONS_FILE):
        inside = f"recordings/{one}/{name}"
        if inside not in bundle.files:
            continue
        size, sha = bundle.files[inside]
        info = archive.getinfo(inside)
        if stat.S_ISLNK(info.external_attr >> 16):
            raise BundleError(f"{path}: is refused: '{name}' in it is a link")
        digest = hashlib.sha256()
        left = size
        with archive.open(info) as source:
            try:
                target = (place / name).open("xb")
            except OSError as error:
                raise BundleError(f"{place}: {describe_os_error(error)}") from error
            with target:
                while (piece := source.read(_PIECE)) and left >= 0:
                    left -= len(piece)
                    digest.update(piece)
                    if left >= 0:
                        _write(target, piece)
        if left != 0 or digest.hexdigest() != sha:
            raise BundleError(
                f"{path}: '{name}' in it was damaged on its way: have it sent once more"
            )
    try:
        if read_session(place).id != one:
            raise RecordingError(place, "it has another's id")
        with open_recording(place) as recording:
            if recording.n_samples == 0:
                raise RecordingError(place, "it holds no samples")
        return read_annotations(place, recording=one)
    except SensorError as error:
        reason = str(error).replace(f"{place}/", "").removeprefix(f"{place}").lstrip(": ")
        raise BundleError(f"{path}: a recording in it cannot be used: {reason}") from error


def _write(target: IO[bytes], piece: bytes) -> None:
    try:
        target.write(piece)
        target.flush()
    except OSError as error:
        raise BundleError(f"the bundle cannot be unpacked: {describe_os_error(error)}") from error


def _keep(
    library: Library,
    bundle: Bundle,
    folder: Path,
    part: Path,
    said: Mapping[str, Annotations],
    met: _Met,
) -> Opened:
    for player in met.players:
        library.save_player(player)
    new: list[Path] = []
    merged: dict[str, int] = {}
    for one, theirs in said.items():
        for key, entry in list(theirs.entries.items()):
            if key[0] == "identity" and entry.value in met.ids:
                theirs.entries[key] = dataclasses.replace(entry, value=met.ids[entry.value])
        # What was undone there is no business of whoever opens it here.
        theirs.history.clear()
        place = _place(library, one, folder)
        if place is not None:
            with change_annotations(place) as mine:
                merged[one] = mine.merge(theirs)
            continue
        source = part / one
        session = read_session(source)
        day = datetime.fromisoformat(session.start).strftime("%Y-%m-%d")
        target = folder / f"{day}-{session.mount or 'session'}-{one[:8]}"
        if target.exists():
            target = folder / f"{day}-{session.mount or 'session'}-{one}"
        if theirs.entries:
            theirs.save(source)
        for name in RAW_FILES:
            if (source / name).exists():
                (source / name).chmod(stat.S_IREAD | stat.S_IRGRP | stat.S_IROTH)
        finish_folder(source, target, overwrite=False, owned=owned_file)
        new.append(target)
    for one in said:
        _know(library, one, bundle, met.ids, new)
    return Opened(
        bundle=bundle,
        new=tuple(new),
        merged=merged,
        players=tuple(met.players),
        refused=tuple(met.refused),
    )


def _know(
    library: Library,
    one: str,
    bundle: Bundle,
    ids: Mapping[str, str],
    new: Sequence[Path],
) -> None:
    """Write into new recordings who their names are, where a player here has another name."""
    place = next((path for path in new if read_session(path).id == one), None)
    if place is None:
        return
    here = library.people.all()
    with change_annotations(place) as said:
        for theirs in bundle.players:
            for name in dict.fromkeys(map(clean_name, (theirs.name, *theirs.aliases))):
                namesakes = [p.id for p in here if p.known_as(name)]
                if name not in said.identities() and namesakes != [ids[theirs.id]]:
                    said.set("identity", name, value=ids[theirs.id])


def _place(library: Library, one: str, folder: Path) -> Path | None:
    """Return where a recording is already, None if it isn't."""
    with contextlib.suppress(NoSuchError):
        return library.path_of(one)
    for path in sorted(folder.iterdir()):
        if not path.name.startswith(".") and (path / SESSION_FILE).is_file():
            with contextlib.suppress(SensorError):
                if read_session(path).id == one:
                    return path
    return None
