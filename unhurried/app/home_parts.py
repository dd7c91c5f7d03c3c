"""Folders of the home, made when something is first written."""

from __future__ import annotations

from pathlib import Path

from unhurried.app.errors import CommandError


def make_folder(home: Path, *parts: str) -> Path:
    """Make the home, or a folder in it, where it isn't there yet.

    Raises
    ------
    CommandError
        It cannot be made.
    """
    folder = home.joinpath(*parts)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise CommandError(
            f"{folder}: cannot be made ({error.strerror or error}): give another --home"
        ) from error
    return folder
