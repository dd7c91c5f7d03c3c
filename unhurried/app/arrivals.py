"""Files that were added on the page, until it is known what becomes of them."""

from __future__ import annotations

import contextlib
import re
import secrets
import shutil
import time
from pathlib import Path
from typing import IO, Final

from unhurried.app.errors import CommandError
from unhurried.app.home_parts import make_folder

FOLDER: Final = "arriving"
TOKEN: Final = re.compile(r"[0-9a-f]{16}")
KEPT_S: Final = 24 * 3600.0
"""Nobody asks for a file that was left a day ago."""
LONGEST_NAME: Final = 100
_PIECE: Final = 1 << 20


class Arrivals:
    """The files of a home that wait for an answer, each in a folder of its own.

    Parameters
    ----------
    home : Path
    """

    def __init__(self, home: Path) -> None:
        self._home = home

    def keep(self, name: str, source: IO[bytes]) -> str:
        """Take in a file; return what it is known by.

        Parameters
        ----------
        name : str
            As whoever sent it calls it: only a plain name of it is used.
        source : binary file

        Raises
        ------
        CommandError
            It cannot be written.
        """
        self._tidy()
        token = secrets.token_hex(8)
        folder = make_folder(self._home, FOLDER, token)
        try:
            with (folder / plain_name(name)).open("xb") as file:
                shutil.copyfileobj(source, file, _PIECE)
        except OSError as error:
            shutil.rmtree(folder, ignore_errors=True)
            raise CommandError(
                f"the file cannot be kept: {error.strerror or error}: make room first"
            ) from error
        return token

    def path(self, token: str) -> Path:
        """Return where a file is.

        Raises
        ------
        CommandError
            It isn't there any more.
        """
        if TOKEN.fullmatch(token):
            with contextlib.suppress(OSError):
                for one in (self._home / FOLDER / token).iterdir():
                    return one
        raise CommandError("this file isn't here any more: add it once more")

    def drop(self, token: str) -> None:
        """Let go of a file."""
        if TOKEN.fullmatch(token):
            shutil.rmtree(self._home / FOLDER / token, ignore_errors=True)

    def _tidy(self) -> None:
        """Let go of what nobody asked for any more."""
        with contextlib.suppress(OSError):
            for one in (self._home / FOLDER).iterdir():
                with contextlib.suppress(OSError):
                    if TOKEN.fullmatch(one.name) and time.time() - one.stat().st_mtime > KEPT_S:
                        shutil.rmtree(one, ignore_errors=True)


def plain_name(name: str) -> str:
    """Return a file's name without anything that could lead elsewhere."""
    last = re.split(r"[/\\]", name)[-1]
    plain = "".join(c if c.isalnum() or c in "-_. ()[]" else "_" for c in last).strip(" .")
    stem, dot, ending = plain.rpartition(".")
    if dot and len(ending) <= 8:
        return f"{stem[: LONGEST_NAME - 10] or 'file'}.{ending}"
    return plain[:LONGEST_NAME] or "file"
