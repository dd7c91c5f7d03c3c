"""The one way in for what is zipped: entries, names, sizes and ratio are checked before anything is
unpacked, and once more while it is.
"""

from __future__ import annotations

import contextlib
import hashlib
import stat
import zipfile
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import IO, Final

from library.errors import BundleError
from sensor.recording.output import describe_os_error

MOST_FILES: Final = 10_000
MOST_BYTES: Final = 4_000_000_000
"""Unpacked: a hundred hours of a sensor. (Chosen here.)"""
MOST_RATIO: Final = 100
"""Unpacked to packed: counts of a sensor shrink to a third, words to a twentieth. (Assumed.)"""
SMALL_BYTES: Final = 1_000_000
"""So little may be packed as tightly as it likes."""
LONGEST_NAME: Final = 500

_PIECE: Final = 1 << 20


@contextlib.contextmanager
def zip_opened(
    path: Path, *, most_bytes: int = MOST_BYTES, most_files: int = MOST_FILES
) -> Iterator[zipfile.ZipFile]:
    """Give a zip whose list of files is sound.

    Parameters
    ----------
    path : Path
    most_bytes : int
        Of all files, unpacked.
    most_files : int

    Raises
    ------
    BundleError
        It isn't whole, is encrypted, holds links, the same name twice, too many or too large files.
    """
    try:
        with zipfile.ZipFile(path) as archive:
            _check(archive, path, most_bytes, most_files)
            yield archive
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError) as error:
        raise BundleError(f"{path}: is not a whole zip: copy it once more") from error
    except OSError as error:
        raise BundleError(f"{path}: cannot be read: {describe_os_error(error)}") from error


def _check(archive: zipfile.ZipFile, path: Path, most_bytes: int, most_files: int) -> None:
    infos = archive.infolist()
    names = [info.filename for info in infos]
    if len(names) > most_files or len(set(names)) != len(names):
        raise BundleError(f"{path}: is refused: it holds too many files, or one twice")
    total = sum(info.file_size for info in infos)
    if any(info.file_size < 0 for info in infos) or total > most_bytes:
        raise BundleError(
            f"{path}: is refused: unpacked it would be larger than {most_bytes / 1e9:.0f} GB"
        )
    if total > max(SMALL_BYTES, MOST_RATIO * path.stat().st_size):
        raise BundleError(
            f"{path}: is refused: it would unpack to over {MOST_RATIO} times its size"
        )
    for info in infos:
        name = info.filename
        parts = name.rstrip("/").split("/")
        odd = any(part in ("", ".", "..") for part in parts) or "\\" in name or ":" in name
        if odd or len(name) > LONGEST_NAME or not name.isprintable():
            raise BundleError(f"{path}: is refused: a name in it leads elsewhere")
        if stat.S_ISLNK(info.external_attr >> 16):
            raise BundleError(f"{path}: is refused: it holds a link")
        if info.flag_bits & 1:
            raise BundleError(f"{path}: is encrypted: have it sent without a password")


def unpack_file(archive: zipfile.ZipFile, name: str, target: IO[bytes], path: Path) -> str:
    """Unpack one file, no more of it than the list says; return its SHA-256.

    Parameters
    ----------
    archive : ZipFile
        From `zip_opened`.
    name : str
    target : binary file
    path : Path
        Of the zip, for messages.

    Raises
    ------
    BundleError
        It is damaged, or cannot be written.
    """
    info = archive.getinfo(name)
    digest, left = hashlib.sha256(), info.file_size
    try:
        with archive.open(info) as source:
            while left >= 0 and (piece := source.read(_PIECE)):
                left -= len(piece)
                digest.update(piece)
                _write(target, piece)
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError) as error:
        raise BundleError(f"{path}: is damaged: copy it once more") from error
    if left != 0:
        raise BundleError(f"{path}: is damaged: copy it once more")
    return digest.hexdigest()


def _write(target: IO[bytes], piece: bytes) -> None:
    try:
        target.write(piece)
    except OSError as error:
        raise BundleError(f"it cannot be unpacked: {describe_os_error(error)}") from error
