"""Output that appears whole or not at all.

Everything is first written under a temporary name beside its target, on the same file system, and
then renamed. What was there before is only removed once the new one is whole and in its place.
"""

from __future__ import annotations

import contextlib
import errno
import os
import secrets
import stat
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import IO

from sensor.errors import RecordingError, RecordingExistsError

HOW_TO_REPLACE = "exists already: choose another name, or replace it with --overwrite"
NEVER_REPLACED = "exists already, and a recording is never written over: name another folder"


def describe_os_error(error: OSError) -> str:
    """Say in plain words what the operating system refused, and what to do."""
    if error.errno in (errno.ENOSPC, errno.EDQUOT):
        return "the disk is full: free some space and try again"
    if error.errno == errno.EFBIG:
        return "the file has grown to the largest size allowed here"
    if error.errno in (errno.EACCES, errno.EPERM):
        return "permission denied: check who may read and write it"
    if error.errno == errno.EROFS:
        return "this disk is read-only: choose another place"
    return error.strerror or str(error)


@contextlib.contextmanager
def plain_errors(target: Path) -> Iterator[None]:
    """Turn what the operating system refuses into one line about what was to be written."""
    try:
        yield
    except BrokenPipeError:
        # Not about the target: whoever read our output has gone.
        raise
    except OSError as error:
        raise RecordingError(target, f"cannot be written: {describe_os_error(error)}") from error


def sync_file(descriptor: int) -> None:
    """Push a file's data to the disk; fdatasync skips the times that nobody needs."""
    getattr(os, "fdatasync", os.fsync)(descriptor)


def sync_folder(folder: Path) -> None:
    """Make new names in a folder last through a power cut (a no-op on Windows)."""
    if os.name == "nt":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _beside(target: Path, what: str) -> Path:
    return target.with_name(f".{target.name}.{what}-{secrets.token_hex(4)}")


def remove_folder(folder: Path) -> None:
    """Remove a flat folder of plain files, also read-only ones."""
    for entry in list(folder.iterdir()):
        if os.name == "nt":
            entry.chmod(stat.S_IREAD | stat.S_IWRITE)
        entry.unlink()
    folder.rmdir()


def check_new_folder(
    target: Path, *, overwrite: bool, owned: Callable[[str], bool], what_then: str = HOW_TO_REPLACE
) -> None:
    """Refuse a target folder that is there already, unless it may be replaced.

    Parameters
    ----------
    target : Path
    overwrite : bool
        Whether a folder made by this program may be replaced.
    owned : callable
        Tells by its name whether this program wrote a file in the folder. A folder with anything
        else in it is never replaced, so a slip of the hand cannot remove somebody's documents.
    what_then : str
        Said of a folder that is there.

    Raises
    ------
    RecordingExistsError, RecordingError
    """
    with plain_errors(target):
        if not target.parent.is_dir():
            raise RecordingError(target, "the folder that it should go into does not exist")
        if not os.path.lexists(target):
            return
        if not overwrite:
            raise RecordingExistsError(target, what_then)
        if target.is_symlink() or not target.is_dir():
            raise RecordingExistsError(target, "is not a folder, so it is not replaced")
        for entry in target.iterdir():
            if entry.is_dir() or not owned(entry.name):
                raise RecordingExistsError(
                    target, f"holds '{entry.name}', which this program did not write: not replaced"
                )


def begin_folder(target: Path, *, overwrite: bool, owned: Callable[[str], bool]) -> Path:
    """Make the temporary folder that `finish_folder` later moves to `target`."""
    check_new_folder(target, overwrite=overwrite, owned=owned)
    temporary = _beside(target, "part")
    temporary.mkdir()
    return temporary


def finish_folder(
    temporary: Path, target: Path, *, overwrite: bool, owned: Callable[[str], bool]
) -> None:
    """Move a finished temporary folder into its place and only then remove what it replaces."""
    check_new_folder(target, overwrite=overwrite, owned=owned)
    if target.exists():
        old = _beside(target, "old")
        target.rename(old)
        try:
            temporary.rename(target)
        except BaseException:
            old.rename(target)
            raise
        remove_folder(old)
    else:
        temporary.rename(target)
    sync_folder(target.parent)


@contextlib.contextmanager
def whole_folder(
    target: Path, *, overwrite: bool = False, owned: Callable[[str], bool]
) -> Iterator[Path]:
    """Give a temporary folder to fill; it becomes `target` if nothing goes wrong."""
    with plain_errors(target):
        temporary = begin_folder(target, overwrite=overwrite, owned=owned)
    try:
        yield temporary
        with plain_errors(target):
            finish_folder(temporary, target, overwrite=overwrite, owned=owned)
    except BaseException:
        if temporary.exists():
            remove_folder(temporary)
        raise


def check_new_file(target: Path, *, overwrite: bool) -> None:
    """Refuse a target file that is there already, unless it may be replaced.

    Raises
    ------
    RecordingExistsError, RecordingError
    """
    with plain_errors(target):
        if not target.parent.is_dir():
            raise RecordingError(target, "the folder that it should go into does not exist")
        if target.is_dir():
            raise RecordingExistsError(target, "is a folder: name a file")
        if os.path.lexists(target) and not overwrite:
            raise RecordingExistsError(target, HOW_TO_REPLACE)


@contextlib.contextmanager
def whole_file(target: Path, *, overwrite: bool = False) -> Iterator[IO[bytes]]:
    """Give a binary file to write; it becomes `target`, synced, if nothing goes wrong.

    Raises
    ------
    RecordingExistsError
        The target is there and may not be replaced.
    RecordingError
        The operating system refused, for instance because the disk is full.
    """
    check_new_file(target, overwrite=overwrite)
    temporary = _beside(target, "part")
    try:
        with plain_errors(target):
            with temporary.open("xb") as file:
                yield file
                file.flush()
                os.fsync(file.fileno())
            check_new_file(target, overwrite=overwrite)
            temporary.replace(target)
            sync_folder(target.parent)
    finally:
        with contextlib.suppress(OSError):
            temporary.unlink()
