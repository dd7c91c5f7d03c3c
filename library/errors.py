"""What can go wrong with the library and its files, each the one clear line a person is shown."""

from __future__ import annotations

import json
from collections.abc import Sequence
from os import PathLike
from pathlib import Path
from typing import TypeVar

from sensor.errors import PathError

T = TypeVar("T")


class LibraryError(Exception):
    """Root of the room's errors; ``str(error)`` is the one line to show."""


class LibraryFileError(PathError, LibraryError):
    """The library, or a file of the home, cannot be used.

    Parameters
    ----------
    path : str or path
        What the trouble is about.
    problem : str
        What is wrong and what to do, without the path.
    """


class NewerLibraryError(LibraryFileError):
    """A later version of the program wrote it."""


class BrokenLibraryError(LibraryFileError):
    """The database is damaged, or isn't one; it can be rebuilt."""


def damaged(path: str | PathLike[str], what: str = "") -> BrokenLibraryError:
    """Make the error of a database that isn't as it was written."""
    return BrokenLibraryError(
        path,
        f"is damaged{f' ({what})' if what else ''}: 'unhurried library rebuild' makes it anew "
        "from the recordings",
    )


def json_cell(text: str | None, kind: type[T]) -> T:
    """Return what a cell of the database holds as JSON; nothing in it is an empty one.

    Raises
    ------
    BrokenLibraryError
    """
    try:
        found = kind() if text is None else json.loads(text)
    except (ValueError, RecursionError) as error:
        raise damaged("library.db", "a row of it is broken") from error
    if not isinstance(found, kind):
        raise damaged("library.db", "a row of it is broken")
    return found


class BusyLibraryError(LibraryFileError):
    """Another process has been writing for too long."""


class NoSuchError(LibraryError):
    """What was asked for isn't there."""


class ChoiceError(LibraryError):
    """A name means more than one thing.

    Attributes
    ----------
    candidates : tuple of str
        What it could mean, one line each.
    """

    def __init__(self, text: str, candidates: Sequence[str]) -> None:
        super().__init__(text, candidates)
        self.text = text
        self.candidates = tuple(candidates)

    def __str__(self) -> str:
        line = f"{self.text}: {'; '.join(self.candidates)}"
        # Names come from recordings: nothing in them may play with the terminal.
        return "".join(c if c.isprintable() else " " for c in line)


class NamesakeError(ChoiceError):
    """A name in a recording is that of several players.

    Attributes
    ----------
    name : str
    ids : tuple of str
        Of the players, in the order of `candidates`.
    """

    def __init__(self, name: str, candidates: Sequence[str], ids: Sequence[str]) -> None:
        super().__init__(
            f"several players are called '{name}', so say which one is meant with --as '{name}=ID'",
            candidates,
        )
        self.name = name
        self.ids = tuple(ids)


class BundleError(LibraryError):
    """A bundle cannot be made or opened; nothing was changed."""


class ResultsError(LibraryError):
    """Ball results cannot be taken as they are; nothing was kept."""


class ClipError(LibraryError):
    """A clip cannot be used; ``str(error)`` says why and what to do."""

    def __init__(self, path: str | PathLike[str], problem: str) -> None:
        self.path = Path(path)
        self.problem = problem
        super().__init__(f"{self.path.name}: {problem}")
