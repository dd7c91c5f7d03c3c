"""A home and the recordings that it knows as one file, and back on another home.

A zip with a manifest that lists every file with its size and SHA-256. Films stay where they are,
and so does the database: it is made anew from the recordings.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
import secrets
import shutil
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Annotated, Final

import msgspec
from msgspec import Meta

from library.bundle import RAW_FILES, RecordingId
from library.catalogue import Library
from library.errors import BundleError, LibraryError
from library.players import now_utc, player_from
from library.zip_door import unpack_file, zip_opened
from sensor.errors import SensorError
from sensor.recording.layout import ANNOTATIONS_FILE
from sensor.recording.opening import open_recording
from sensor.recording.output import describe_os_error, whole_file
from sensor.recording.schema import Count, Word, check_version, convert, parse_json, plain_reading
from sensor.recording.session import program_version, read_session

FORMAT: Final = "unhurried-backup"
VERSION: Final = 1
MANIFEST: Final = "backup.json"
MOST_MANIFEST: Final = 20_000_000
MOST_FILES: Final = 200_000
MOST_BYTES: Final = 40_000_000_000
"""Of everything, unpacked: a thousand hours of a sensor. (Chosen here.)"""

FILES: Final = ("settings.json", "identities.jsonl", "deleted.jsonl", "result-columns.json")
"""Of the home, by name."""
FOLDERS: Final = ("players", "sensors", "outputs")
"""Of the home: the JSON files in them."""

_HOME_NAME: Final = re.compile(
    rf"home/(?:{'|'.join(map(re.escape, FILES))}|(?:{'|'.join(FOLDERS)})/[\w.-]{{1,120}}\.json)"
)

Say = Callable[[str, float | None], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class BackedUp:
    """What a backup holds.

    Attributes
    ----------
    recordings, players : int
    missing : tuple of str
        Names of recordings that aren't there now.
    """

    recordings: int
    players: int
    missing: tuple[str, ...]


class _File(msgspec.Struct):
    size: Count
    sha256: Annotated[str, Meta(pattern=r"\A[0-9a-f]{64}\Z", description="a SHA-256")]


class _Manifest(msgspec.Struct):
    made_at: Word
    recordings: Annotated[list[RecordingId], Meta(max_length=MOST_FILES)]
    files: Annotated[dict[Word, _File], Meta(max_length=MOST_FILES)]


def home_files(home: Path) -> list[Path]:
    """Return what belongs into a backup beside the recordings, relative to the home."""
    found = [Path(name) for name in FILES if (home / name).is_file()]
    for folder in FOLDERS:
        found += [one.relative_to(home) for one in sorted((home / folder).glob("*.json"))]
    return [one for one in found if _HOME_NAME.fullmatch(f"home/{one.as_posix()}")]


def make_backup(
    library: Library, out: Path, say: Say = lambda _what, _share: None, *, overwrite: bool = False
) -> BackedUp:
    """Write a home and the recordings that it knows into one file.

    Parameters
    ----------
    library : Library
    out : Path
    say : callable
        Told what is being done, and the share of it that is done.
    overwrite : bool

    Raises
    ------
    BundleError, SensorError, LibraryError
    """
    sessions = library.sessions()
    there = [one for one in sessions if (Path(one.path) / RAW_FILES[0]).is_file()]
    files: dict[str, tuple[int, str]] = {}
    with (
        whole_file(out, overwrite=overwrite) as file,
        zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED, compresslevel=3) as archive,
    ):
        for relative in home_files(library.home):
            _pack(archive, f"home/{relative.as_posix()}", library.home / relative, files)
        for done, session in enumerate(there):
            say(f"keeping {session.day}", done / max(1, len(there)))
            for name in (*RAW_FILES, ANNOTATIONS_FILE):
                if (Path(session.path) / name).is_file():
                    place = f"recordings/{session.id}/{name}"
                    _pack(archive, place, Path(session.path) / name, files)
        document = {
            "format": FORMAT,
            "version": VERSION,
            "program_version": program_version(),
            "made_at": now_utc(),
            "recordings": [one.id for one in there],
            "files": {name: {"size": n, "sha256": sha} for name, (n, sha) in files.items()},
        }
        archive.writestr(MANIFEST, json.dumps(document, indent=1, ensure_ascii=False) + "\n")
    ids = {one.id for one in there}
    return BackedUp(
        recordings=len(there),
        players=sum(name.startswith("home/players/") for name in files),
        missing=tuple(Path(one.path).name for one in sessions if one.id not in ids),
    )


def _pack(
    archive: zipfile.ZipFile, name: str, path: Path, files: dict[str, tuple[int, str]]
) -> None:
    digest, size = hashlib.sha256(), 0
    try:
        with path.open("rb") as source, archive.open(name, "w", force_zip64=True) as target:
            while piece := source.read(1 << 20):
                target.write(piece)
                digest.update(piece)
                size += len(piece)
    except OSError as error:
        raise BundleError(f"{path}: cannot be read: {describe_os_error(error)}") from error
    files[name] = (size, digest.hexdigest())


# -- back ------------------------------------------------------------------------------------------


def bring_back(
    library: Library, path: Path, say: Say = lambda _what, _share: None
) -> tuple[list[Path], int]:
    """Unpack a backup into a home in which there is nothing yet.

    All of it is unpacked beside its place and checked before anything is kept. The library is then
    to be filled from the recordings.

    Parameters
    ----------
    library : Library
        Of the home.
    path : Path
        The backup.
    say : callable

    Returns
    -------
    recordings : list of Path
        Where they are now.
    players : int

    Raises
    ------
    BundleError
        Nothing was changed.
    """
    home = library.home
    if library.people.all() or library.sessions():
        raise BundleError(
            "there are players or sessions here already: a backup is brought back to where there "
            "is nothing yet, so that nothing is mixed"
        )
    part = home / f".back-{secrets.token_hex(4)}"
    try:
        part.mkdir(parents=True)
        with zip_opened(path, most_bytes=MOST_BYTES, most_files=MOST_FILES) as archive:
            manifest = _manifest_of(archive, path)
            for done, (name, entry) in enumerate(manifest.files.items()):
                say("unpacking", done / max(1, len(manifest.files)))
                target = part / name
                target.parent.mkdir(parents=True, exist_ok=True)
                with target.open("xb") as file:
                    sha = unpack_file(archive, name, file, path)
                if sha != entry.sha256 or target.stat().st_size != entry.size:
                    raise BundleError(f"{path}: is damaged: copy it once more")
        _check_inside(part, manifest, path)
        return _placed(home, part, manifest)
    except OSError as error:
        raise BundleError(f"{home}: cannot be written: {describe_os_error(error)}") from error
    finally:
        shutil.rmtree(part, ignore_errors=True)


def _cannot(path: Path, problem: str) -> BundleError:
    return BundleError(f"{path}: {problem}")


def _manifest_of(archive: zipfile.ZipFile, path: Path) -> _Manifest:
    names = {info.filename for info in archive.infolist()}
    if MANIFEST not in names or archive.getinfo(MANIFEST).file_size > MOST_MANIFEST:
        raise BundleError(f"{path}: is not a backup")
    with plain_reading(path, _cannot, remedy="copy it once more"):
        document = parse_json(archive.read(MANIFEST), dict[str, object])
        if document.get("format") != FORMAT:
            raise BundleError(f"{path}: is not a backup")
        check_version(document, VERSION)
        manifest = convert(document, _Manifest)
    allowed = {
        f"recordings/{one}/{name}"
        for one in manifest.recordings
        for name in (*RAW_FILES, ANNOTATIONS_FILE)
    }
    strange = (names - {MANIFEST}) ^ set(manifest.files)
    strange |= {
        name for name in manifest.files if name not in allowed and not _HOME_NAME.fullmatch(name)
    }
    if strange:
        shown = "".join(c if c.isprintable() else "?" for c in min(strange))[:60]
        raise BundleError(
            f"{path}: is refused: it holds, or lacks, a file '{shown}' against its own list"
        )
    return manifest


def _check_inside(part: Path, manifest: _Manifest, path: Path) -> None:
    """See that what was unpacked is what it says."""
    try:
        for file in sorted((part / "home" / "players").glob("*.json")):
            player = player_from(json.loads(file.read_text(encoding="utf-8")))
            if file.stem != player.id:
                raise BundleError(f"{path}: is broken: a player's file is of another player")
        for one in manifest.recordings:
            if read_session(part / "recordings" / one).id != one:
                raise BundleError(f"{path}: is broken: a recording has another's id")
            open_recording(part / "recordings" / one).close()
    except (SensorError, LibraryError, ValueError, TypeError, AttributeError) as error:
        if isinstance(error, BundleError):
            raise
        raise BundleError(f"{path}: something in it cannot be used: {error}") from error


def _placed(home: Path, part: Path, manifest: _Manifest) -> tuple[list[Path], int]:
    """Move what was unpacked into its place."""
    new: list[Path] = []
    (home / "recordings").mkdir(exist_ok=True)
    for one in manifest.recordings:
        source = part / "recordings" / one
        session = read_session(source)
        day = datetime.fromisoformat(session.start).strftime("%Y-%m-%d")
        target = home / "recordings" / f"{day}-{session.mount or 'session'}-{one[:8]}"
        if os.path.lexists(target):
            target = home / "recordings" / one
        source.rename(target)
        new.append(target)
    players = 0
    for name in manifest.files:
        if name.startswith("home/"):
            target = home / name.removeprefix("home/")
            target.parent.mkdir(exist_ok=True)
            with contextlib.suppress(FileNotFoundError):
                target.unlink()
            (part / name).rename(target)
            players += name.startswith("home/players/")
    return new, players
