"""From an error to one line for a person and an exit code."""

from __future__ import annotations

import contextlib
import errno
import logging
import os
import sys
import textwrap
import traceback

from unhurried.app.printed import failed

FAILED = 1
BAD_USE = 2
STOPPED = 130

# Only writing fails with these. Files that a command makes are named by who writes them.
_WRITING = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}

_verbose = False


class CommandError(Exception):
    """A command cannot do its work; ``str(error)`` is the one line to show."""


class OptionsError(CommandError):
    """What was asked for doesn't go together: told as a misuse, with where the help is."""


class _StandardError(logging.StreamHandler):  # type: ignore[type-arg]
    """Log to what `sys.stderr` is now, not to what it was once."""

    def emit(self, record: logging.LogRecord) -> None:
        if failed(sys.stderr):
            # That nothing can be said there can't be said there either.
            return
        self.stream = sys.stderr
        super().emit(record)


def set_verbose(verbose: bool) -> None:
    """Say more on stderr: the log, and where an error came from."""
    global _verbose
    _verbose = verbose
    root = logging.getLogger()
    for handler in list(root.handlers):
        if isinstance(handler, _StandardError):
            root.removeHandler(handler)
    if not any(isinstance(handler, logging.NullHandler) for handler in root.handlers):
        # Without any handler Python writes what libraries log to the terminal: that is no place
        # for it, least of all where somebody on the network decides how much it is.
        root.addHandler(logging.NullHandler())
    if verbose:
        handler = _StandardError()
        handler.setFormatter(logging.Formatter("%(asctime)s %(levelname)s %(name)s: %(message)s"))
        root.addHandler(handler)
        for room in ("sensor", "analysis", "feedback", "review", "unhurried"):
            logging.getLogger(room).setLevel(logging.DEBUG)


def _roots() -> tuple[type[Exception], ...]:
    """Root errors of the rooms that are loaded; a room that is not cannot have raised any."""
    names = (
        ("sensor.errors", "SensorError"),
        ("analysis.errors", "AnalysisError"),
        ("feedback.errors", "FeedbackError"),
        ("library.errors", "LibraryError"),
        ("review.errors", "ReviewError"),
    )
    found = (getattr(sys.modules.get(module), name, None) for module, name in names)
    return tuple(root for root in found if root is not None)


def describe(error: Exception) -> tuple[str, int]:
    """Return the line to show for an error, and the exit code."""
    if type(error).__name__ == "ColumnMapError":
        return f"--map: {error}", BAD_USE
    if isinstance(error, (CommandError, *_roots())):
        return str(error), FAILED
    if isinstance(error, MemoryError):
        return "there is not enough memory for this: close other programs and try again", FAILED
    if isinstance(error, OSError) and error.strerror:
        if error.errno in _WRITING and not error.filename:
            return f"the output cannot be written: {error.strerror}", FAILED
        name = f"{error.filename}: " if error.filename else ""
        return f"{name}{error.strerror}", FAILED
    return (
        f"internal error: {type(error).__name__}: {error} "
        "(please report it with what --verbose prints)",
        FAILED,
    )


def plain(text: str) -> str:
    """Keep a name or path from doing things to the terminal that it is shown on."""
    return "".join(c if c.isprintable() else "?" for c in text)


def show(line: str, error: BaseException | None = None) -> None:
    """Print one line on stderr, and with ``--verbose`` where the error came from.

    On a terminal it is broken between words.
    """
    if _verbose and error is not None:
        traceback.print_exception(error, file=sys.stderr)
    text = f"unhurried: {plain(' '.join(line.split()))}"
    print("\n".join(_for_terminal(text)), file=sys.stderr, flush=True)


def _for_terminal(text: str) -> list[str]:
    """Break a line between words where a terminal would break it within one."""
    if not sys.stderr.isatty():
        return [text]
    width = 80
    with contextlib.suppress(OSError, ValueError):
        width = os.get_terminal_size(sys.stderr.fileno()).columns or 80
    return broken(text, width)


def broken(text: str, width: int) -> list[str]:
    """Break a line between words; what has no room, a path say, stays whole."""
    return textwrap.wrap(
        text,
        max(20, width - 1),
        subsequent_indent="  ",
        break_long_words=False,
        break_on_hyphens=False,
    ) or [text]
