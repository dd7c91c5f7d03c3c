"""What can go wrong with the library and its files, each the one clear line a person is shown."""

from __future__ import annotations

from collections.abc import Sequence
from os import PathLike
from pathlib import Path

from review.errors import ReviewError

__all__ = [
    "BrokenLibraryError",
    "BundleError",
    "BusyLibraryError",
    "ChoiceError",
    "LibraryError",
    "NamesakeError",
    "NewerLibraryError",
    "NoSuchError",
    "ResultsError",
    "ReviewError",
]


class LibraryError(ReviewError):
    """The library, or a file of the home, cannot be used.

    Parameters
    ----------
    path : str or path
        What the trouble is about.
    problem : str
        What is wrong and what to do, without the path.
    """

    def __init__(self, path: str | PathLike[str], problem: str) -> None:
        super().__init__(path, problem)
        self.path = Path(path)
        self.problem = problem

    def __str__(self) -> str:
        return f"{self.path}: {self.problem}"


class NewerLibraryError(LibraryError):
    """A later version of the program wrote it."""


class BrokenLibraryError(LibraryError):
    """The database is damaged, or isn't one; it can be rebuilt."""


class BusyLibraryError(LibraryError):
    """Another process has been writing for too long."""


class NoSuchError(ReviewError):
    """What was asked for isn't there."""


class ChoiceError(ReviewError):
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


class BundleError(ReviewError):
    """A bundle cannot be made or opened; nothing was changed."""


class ResultsError(ReviewError):
    """Ball results cannot be taken as they are; nothing was kept."""
