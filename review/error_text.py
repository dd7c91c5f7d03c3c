"""Errors as the page tells them: the one place where they become what a visitor reads."""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import Final

# From an absolute path's beginning to its last separator. It may hold spaces ("Application
# Support"), so it goes as far as there are separators before a sign that ends a clause.
_PLACE: Final = re.compile(
    r"""
    (?<![\w.:/~\\-])                       # not within a word, an address or a longer path
    (?: file:///? | / | [A-Za-z]:[\\/] | \\\\ )
    (?: [^:;,'"“”‘’()<>\n]* [/\\] )?
    (?=[^\s/\\])
    """,
    re.VERBOSE,
)


def without_places(text: str) -> str:
    """Return a line in which files and folders have their names, and not where they are."""
    return _PLACE.sub("", text)


def line_of(error: BaseException, line: str | None = None) -> str:
    """Return the line of an error as the page shows it.

    Where this computer's folders are is nobody's business who only looks at the page, and whoever
    sits here knows them: files and folders are told by their names.

    Parameters
    ----------
    error : exception
    line : str, optional
        What is told of it, where that isn't what it says of itself.
    """
    text = str(error) if line is None else line
    kept = vars(error).values() if hasattr(error, "__dict__") else ()
    for one in (*kept, getattr(error, "filename", None), *error.args):
        path = os.fspath(one) if isinstance(one, str | os.PathLike) else b""
        if isinstance(path, str) and path and Path(path).is_absolute():
            text = text.replace(path, Path(path).name)
    return without_places(text)
