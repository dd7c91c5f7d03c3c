"""The folder that a new recording goes to."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

from unhurried.errors import CommandError

__all__ = ["clear_empty", "make_folder", "recording_folder"]


def recording_folder(out: Path | None, home: Path) -> tuple[Path, list[Path]]:
    """Return where to record, with its parent made; the folder itself isn't there yet.

    Parameters
    ----------
    out : Path or None
        As --out has it; without it date and time, here or where nobody may write here in the home.
    home : Path

    Returns
    -------
    target : Path
    new : list of Path
        Folders that were made for it, for `clear_empty`.

    Raises
    ------
    CommandError
        It is there already, or its parent cannot be made.
    """
    if out is not None:
        if os.path.lexists(out):
            raise CommandError(
                f"{out}: exists already, and a recording is never written over: name another folder"
            )
        return out, make_folder(out.parent)
    parent, new = Path.cwd(), []
    if not os.access(parent, os.W_OK):
        parent = home / "recordings"
        new = make_folder(parent)
    stem = datetime.now().astimezone().strftime("%Y-%m-%d-%H%M%S")
    target, number = parent / stem, 2
    while os.path.lexists(target):
        target, number = parent / f"{stem}-{number}", number + 1
    return target, new


def make_folder(folder: Path) -> list[Path]:
    """Make a folder, and return those that were not there before, outermost first."""
    new = [one for one in (folder, *folder.parents) if not os.path.lexists(one)][::-1]
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise CommandError(
            f"{folder}: cannot be made: {error.strerror}: give another --out"
        ) from error
    return new


def clear_empty(new: Sequence[Path]) -> None:
    """Remove the folders that were made for a recording that never began."""
    for folder in reversed(new):
        with contextlib.suppress(OSError):
            folder.rmdir()
