"""A lock that the operating system drops when its holder dies, so a stale one shows as such."""

from __future__ import annotations

import contextlib
import sys
from pathlib import Path
from typing import IO, Literal

if sys.platform == "win32":
    import msvcrt

    def _try_lock(file: IO[bytes]) -> None:
        file.seek(0)
        msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)

else:
    import fcntl

    def _try_lock(file: IO[bytes]) -> None:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)


LOCK_NAME = ".lock"


class FolderLock:
    """Held by the one process that writes in a folder."""

    def __init__(self, folder: Path) -> None:
        self._path = folder / LOCK_NAME
        self._file: IO[bytes] | None = self._path.open("xb")
        try:
            _try_lock(self._file)
        except BaseException:
            self._file.close()
            raise

    def release(self) -> None:
        """Remove the lock; harmless when called again."""
        if self._file is None:
            return
        self._file.close()
        self._file = None
        self._path.unlink(missing_ok=True)


def lock_state(folder: Path) -> Literal["free", "held", "stale"]:
    """Say whether a folder is being written: "stale" means that its writer died."""
    if not (folder / LOCK_NAME).is_file():
        return "free"
    try:
        file = (folder / LOCK_NAME).open("rb")
    except FileNotFoundError:
        return "free"
    with contextlib.closing(file):
        try:
            _try_lock(file)
        except OSError:
            return "held"
        return "stale"
