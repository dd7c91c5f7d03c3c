"""A link as a code on the terminal."""

from __future__ import annotations

import os
import shutil
import sys
from typing import Final


def show_code(link: str) -> None:
    """Draw a link as a code on stderr, and write it below."""
    why = _undrawable()
    if why is None:
        lines = code_lines(link)
        wide = len(lines[0])
        if shutil.get_terminal_size().columns < wide:
            why = f"the window is narrower than the code's {wide} columns"
        else:
            for line in lines:
                print(f"{BLACK_ON_WHITE}{line}\x1b[0m", file=sys.stderr)
    if why is None:
        print(f"scan the code, or type this once: {link}", file=sys.stderr, flush=True)
    else:
        print(f"no code is drawn ({why}): type this once: {link}", file=sys.stderr, flush=True)


def code_lines(link: str) -> list[str]:
    """Return a link's code in lines of text, two rows of modules a line."""
    import segno

    rows = [list(row) for row in segno.make(link, micro=False).matrix_iter(border=QUIET_MODULES)]
    if len(rows) % 2:
        rows.append([0] * len(rows[0]))
    return [
        "".join(" ▄▀█"[2 * bool(up) + bool(down)] for up, down in zip(*two, strict=True))
        for two in zip(rows[::2], rows[1::2], strict=True)
    ]


def _undrawable() -> str | None:
    """Return why no code can be drawn on stderr, None where it can be."""
    if not sys.stderr.isatty():
        return "this is no terminal"
    if os.environ.get("NO_COLOR"):
        return "NO_COLOR is set"
    term = os.environ.get("TERM", "")
    if sys.platform != "win32" and (term in ("", "dumb") or term.startswith("vt")):
        return "the terminal has no colours"
    try:
        "▄▀█".encode(sys.stderr.encoding or "ascii")
    except UnicodeEncodeError:
        return "the terminal can't show its signs"
    return None


QUIET_MODULES: Final = 4
"""Light border of a code (ISO/IEC 18004)."""
BLACK_ON_WHITE: Final = "\x1b[38;5;16;48;5;231m"
"""Both set outright, from the part of the 256 colours that no terminal's theme changes: a code
whose light and dark are changed about isn't read by every phone."""
