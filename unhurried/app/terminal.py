"""How large a terminal is, and what can be drawn on it."""

from __future__ import annotations

import contextlib
import os
import shutil
import sys
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    pass


def columns(stream: Any) -> int:
    """Width of the terminal that a stream goes to; 80 where it is none."""
    return _size(stream)[0]


def _size(stream: Any) -> tuple[int, int]:
    """Columns and lines of a terminal."""
    with contextlib.suppress(OSError, ValueError, AttributeError):
        if stream.isatty():
            size = os.get_terminal_size(stream.fileno())
            if size.columns > 0 and size.lines > 0:
                return size.columns, size.lines
    return shutil.get_terminal_size().columns, 0


def _ink() -> str:
    """What large signs are made of on this terminal."""
    encoding = (getattr(sys.stderr, "encoding", None) or "ascii").lower()
    return "█" if "utf" in encoding else "#"


def _upwards(rows: int) -> str:
    """Push up what stands on a terminal, out of sight but not out of its memory."""
    return "\n" * rows + "\x1b[H" if rows else ""
