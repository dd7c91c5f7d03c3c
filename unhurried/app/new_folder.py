"""The folder that a new recording goes to."""

from __future__ import annotations

import contextlib
import itertools
import os
from collections.abc import Iterator, Sequence
from datetime import datetime
from pathlib import Path

from unhurried.app.errors import CommandError


def recording_folder(out: Path | None, home: Path) -> tuple[Iterator[Path], list[Path]]:
    """Return where to record, with its parent made; the folder itself isn't there yet.

    Parameters
    ----------
    out : Path or None
        As --out has it; without it date and time, here or where nobody may write here in the home.
    home : Path

    Returns
    -------
    names : iterator of Path
        The first that isn't there when the recording begins is meant: two may begin at once.
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
        return iter([out]), make_folder(out.parent)
    parent, new = Path.cwd(), []
    if not os.access(parent, os.W_OK):
        parent = home / "recordings"
        new = make_folder(parent)
    return dated(parent), new


def dated(parent: Path, before: str = "") -> Iterator[Path]:
    """Name folders by date and time, each another, of those that aren't there yet.

    Parameters
    ----------
    parent : Path
    before : str
        What the names begin with.
    """
    stem = before + datetime.now().astimezone().strftime("%Y-%m-%d-%H%M%S")
    numbered = (stem if number == 1 else f"{stem}-{number}" for number in itertools.count(1))
    return (parent / name for name in numbered if not os.path.lexists(parent / name))


def first_made(names: Iterator[Path]) -> Path:
    """Make the first folder of a list that isn't there.

    Raises
    ------
    CommandError
        It cannot be made.
    """
    for name in names:
        try:
            name.mkdir()
        except FileExistsError:
            # Somebody else has been quicker.
            continue
        except OSError as error:
            raise _cannot_be_made(name, error) from error
        return name
    raise CommandError("another recording goes to the same folder: give another --out")


def make_folder(folder: Path) -> list[Path]:
    """Make a folder, and return those that were not there before, outermost first."""
    new = [one for one in (folder, *folder.parents) if not os.path.lexists(one)][::-1]
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise _cannot_be_made(folder, error) from error
    return new


def _cannot_be_made(folder: Path, error: OSError) -> CommandError:
    return CommandError(f"{folder}: cannot be made: {error.strerror}: give another --out")


def clear_empty(new: Sequence[Path]) -> None:
    """Remove the folders that were made for a recording that never began."""
    for folder in reversed(new):
        with contextlib.suppress(OSError):
            folder.rmdir()
