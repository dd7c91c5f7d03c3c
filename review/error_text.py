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


_OPTION: Final = re.compile(r"(?<![\w-])--[a-z]")
_INSTEAD: Final = tuple(
    (re.compile(pattern), words)
    for pattern, words in (
        (r"try the program with --simulated", "choose the simulated sensor"),
        (r": give one address with --sensor", ": look for sensors, and choose one"),
        (
            r"if the times are in (\w+), (?:use --map \".*\"|leave out --map)",
            r"if the times are in \1, choose \1 as their unit",
        ),
        (r": if it is, use --map .*", ""),
        (r"(?:try --map \".*\"|tell which is which with --map)", "say which column is which"),
        (r"say --angle \S+", "turn it once round each time"),
        (
            r"if the clocks agree, say --offset-s 0, or match by order with --by order",
            "choose that they belong together by their order",
        ),
        (
            r"say which with --offset-s, or match by order with --by order",
            "choose that they belong together by their order",
        ),
        (
            r"say which swings they belong to with --swings \S+ or which lines of the file to take "
            r"with --lines",
            "say under “Only some of them” which swings they belong to, or which lines are taken",
        ),
        (
            r"name another recording of the same sensor with --like(, or give .*)?",
            "ask for a whole copy of it",
        ),
        (
            r"(choose another output|choose another) with --output",
            "choose another for this computer",
        ),
        (
            r"'unhurried library add SESSION --as NAME=PLAYER' with a new player's name takes the "
            "sessions of one side apart",
            "give the sessions of one side a new player's name",
        ),
        (
            r"the coach says: unhurried plan .* --resume",
            "the coach says so under “The coach's word”, over time",
        ),
        (r"say it with --mount", "say on the session where it was"),
        (r"give another --home, or move it away", "move it away"),
        (r": 'unhurried library list' shows them", ""),
        (
            r"'unhurried library add' with its new place finds it again",
            "add it once more, from its new place",
        ),
        (r"'unhurried scan' lists what is there", "Look for sensors lists what is there"),
        (r"'unhurried recover' makes a clean copy", "added once more, in a zip, it is mended"),
        (r": name it with --as NAME", ", so it can't be told from others"),
    )
)
"""What a line says to do at a terminal, and what is done on the page instead."""
_AT_A_TERMINAL: Final = re.compile(
    r"(?:[:;,]? *\([^()]*|[:;,] *[^:;,]*|^[^:;,]*)(?<![\w-])--[a-z][^:;,)]*\)?"
)


def on_page(text: str) -> str:
    """Return a line with what is done on the page in the place of options of a command.

    What can't be done here is left out.
    """
    for pattern, words in _INSTEAD:
        text = pattern.sub(words, text)
    while _OPTION.search(text):
        left = _AT_A_TERMINAL.sub("", text, count=1)
        text = left if left != text else _OPTION.sub("", text)
    return text


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
    return on_page(without_places(text))
