"""Lines for good and one line that changes, on a terminal."""

from __future__ import annotations

import contextlib
import os
import sys
from typing import TYPE_CHECKING

from unhurried.app.errors import show

if TYPE_CHECKING:
    pass


class Screen:
    """Lines for good, and below them one line that changes, on a terminal only."""

    def __init__(self) -> None:
        self._live = sys.stderr.isatty()
        self._status = ""
        self.headed = False

    def _clear(self) -> None:
        if self._status:
            print("\r\x1b[K", end="", file=sys.stderr, flush=True)

    def _back(self) -> None:
        if self._status:
            print(self._status, end="", file=sys.stderr, flush=True)

    def data(self, text: str) -> None:
        """Print on stdout."""
        self._clear()
        print(text)
        sys.stdout.flush()
        self._back()

    def message(self, text: str) -> None:
        """Print on stderr."""
        self._clear()
        show(text)
        self._back()

    def plain(self, text: str) -> None:
        """Print on stderr, without the program's name."""
        self._clear()
        print(text, file=sys.stderr, flush=True)
        self._back()

    def status(self, text: str) -> None:
        """Change the line at the bottom."""
        if not self._live:
            return
        width = max(20, _columns() - 1)
        text = text if len(text) <= width else f"{text[: width - 1]}…"
        if text != self._status:
            self._clear()
            self._status = text
            self._back()


def _columns() -> int:
    with contextlib.suppress(OSError, ValueError):
        return os.get_terminal_size(sys.stderr.fileno()).columns
    return 80
