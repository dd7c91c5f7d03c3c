"""Words and lines that commands share."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from words.plain import clock
from words.plain import ranges as ranges

WIDTH = 79


def wrapped(text: str, first: str = "", others: str = "") -> list[str]:
    """Break a text into lines that fit."""
    return textwrap.wrap(
        text, WIDTH, initial_indent=first, subsequent_indent=others, break_on_hyphens=False
    ) or [first]


def one_line(text: str) -> str:
    """Keep a name from breaking the lines or the terminal it is shown on."""
    return "".join(c if c.isprintable() else " " for c in text)


def cut(text: str, width: int) -> str:
    """Return a text on one line and no wider than a column."""
    text = one_line(text)
    return text if len(text) <= width else f"{text[: width - 1]}…"


def number(value: float | None, decimals: int = 0) -> str:
    """Write a number for a table; a dash where there is none."""
    return "-" if value is None else f"{value:.{decimals}f}"


def lined_up(
    rows: Sequence[Sequence[str]], right: Sequence[bool], *, gaps: Sequence[str] = ("  ", " ")
) -> list[str]:
    """Line the columns of a table up, with the widest gap that fits.

    Parameters
    ----------
    rows : sequence of sequence of str
        Equally long.
    right : sequence of bool
        Whether a column is set to the right.
    gaps : sequence of str
        Tried in turn; the last one is taken whether or not it fits.
    """
    widths = [max(len(row[k]) for row in rows) for k in range(len(right))]
    lines: list[str] = []
    for gap in gaps:
        lines = [
            gap.join(
                cell.rjust(width) if to_right else cell.ljust(width)
                for cell, width, to_right in zip(row, widths, right, strict=True)
            ).rstrip()
            for row in rows
        ]
        if max(map(len, lines)) <= WIDTH:
            break
    return lines


def length(duration_s: float) -> str:
    """Write how long a recording is, to the nearest second."""
    return f"{clock(round(duration_s))} min"


# A name that is longer breaks every table.
MOST_NAME = 200
