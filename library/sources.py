"""Where recordings are: the folders that are looked in, and whether a recording is the same."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any, Final

import msgspec
from msgspec import Meta

from library.errors import LibraryFileError, NewerLibraryError
from sensor.errors import RecordingError, SensorError
from sensor.recording.layout import (
    ANNOTATIONS_FILE,
    IMU_FILE,
    MARKERS_FILE,
    PACKETS_FILE,
    owned_file,
)
from sensor.recording.output import describe_os_error, remove_folder, whole_file
from sensor.recording.schema import (
    PlaceName,
    check_version,
    convert,
    parse_json,
    plain_reading,
    read_small,
)
from sensor.recording.session import SESSION_FILE, read_session

SOURCES_FILE: Final = "sources.json"
SOURCES_VERSION: Final = 1
NO_FOLDER: Final = "is not a folder: make a recording of a file with 'import'"


def find_recordings(folder: Path, problems: list[LibraryFileError] | None = None) -> list[Path]:
    """Return the recordings in a folder (or the folder itself), also deep inside, by path.

    Hidden folders are passed over, so a recording that is being moved or copied isn't seen twice.

    Parameters
    ----------
    folder : Path
    problems : list, optional
        Takes what is wrong with folders inside, which are passed over then.

    Raises
    ------
    LibraryError
        The folder cannot be read.
    """
    if (folder / SESSION_FILE).is_file():
        return [folder]
    if not folder.is_dir():
        raise LibraryFileError(folder, NO_FOLDER)

    def fail(error: OSError) -> None:
        where = Path(error.filename or folder)
        told = LibraryFileError(where, f"cannot be read: {describe_os_error(error)}")
        if problems is None or where == folder:
            raise told from error
        problems.append(told)

    found = []
    for where, folders, files in os.walk(folder, onerror=fail):
        # Samples without a word on them are somebody's swings too: said, and `recover` may help.
        if {SESSION_FILE, IMU_FILE} & {*files, *folders}:
            found.append(Path(where))
            folders.clear()
        folders[:] = sorted(name for name in folders if not name.startswith("."))
    return sorted(found)


def fingerprint(folder: Path) -> str:
    """Return what tells whether a recording's raw files are still the same: sizes and words.

    Times of files aren't in it, so a copy has the same.
    """
    digest = hashlib.sha256()
    for name in (SESSION_FILE, MARKERS_FILE):
        path = folder / name
        if path.is_file():
            with path.open("rb") as file:
                while piece := file.read(1 << 20):
                    digest.update(piece)
        else:
            digest.update(b"-")
        digest.update(b"\0")
    for name in (IMU_FILE, PACKETS_FILE):
        path = folder / name
        digest.update(str(path.stat().st_size if path.exists() else -1).encode() + b"\0")
    return digest.hexdigest()


def annotations_mark(folder: Path) -> str:
    """Fingerprint of what people said; empty where nobody said anything."""
    try:
        with plain_reading(folder / ANNOTATIONS_FILE, RecordingError):
            return hashlib.sha256(read_small(folder / ANNOTATIONS_FILE)).hexdigest()
    except FileNotFoundError:
        return ""


def is_recording(path: Path, session_id: str) -> bool:
    """Whether a folder is the recording of this id."""
    try:
        return read_session(path).id == session_id
    except SensorError:
        return False


def remove_recording(path: Path) -> None:
    """Remove a recording's folder; one with anything else in it is left as it is."""
    try:
        strange = [e.name for e in path.iterdir() if e.is_dir() or not owned_file(e.name)]
        if strange:
            raise LibraryFileError(
                path, f"holds '{strange[0]}', which this program did not write: not removed"
            )
        remove_folder(path)
    except OSError as error:
        raise LibraryFileError(path, f"cannot be removed: {describe_os_error(error)}") from error


class _Sources(msgspec.Struct):
    folders: Annotated[list[PlaceName], Meta(max_length=10_000)]


def known_folders(home: Path) -> list[Path]:
    """Return the folders where recordings are looked for."""
    path = home / SOURCES_FILE
    remedy = "move it away, and add the recordings' folders once more"
    try:
        with plain_reading(path, LibraryFileError, remedy=remedy, newer=NewerLibraryError):
            document = parse_json(read_small(path), dict[str, Any])
            check_version(document, SOURCES_VERSION, default=1)
            return [Path(folder) for folder in convert(document, _Sources).folders]
    except FileNotFoundError:
        return []


def write_folders(home: Path, folders: Sequence[Path]) -> None:
    """Keep the folders where recordings are looked for."""
    text = json.dumps({"version": SOURCES_VERSION, "folders": [str(f) for f in folders]}, indent=1)
    try:
        with whole_file(home / SOURCES_FILE, overwrite=True) as file:
            file.write(text.encode() + b"\n")
    except RecordingError as error:
        raise LibraryFileError(error.path, error.problem) from error
