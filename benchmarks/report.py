"""Markdown tables."""

from __future__ import annotations

from collections.abc import Sequence

__all__ = ["table"]


def table(head: Sequence[str], lines: Sequence[Sequence[str]]) -> str:
    """Give a Markdown table with columns lined up; the first to the left, others to the right."""
    widths = [max(3, *(len(row[k]) for row in (head, *lines))) for k in range(len(head))]

    def line(row: Sequence[str]) -> str:
        cells = [
            cell.ljust(width) if k == 0 else cell.rjust(width)
            for k, (cell, width) in enumerate(zip(row, widths, strict=True))
        ]
        return "| " + " | ".join(cells) + " |"

    rule = ["-" * w if k == 0 else "-" * (w - 1) + ":" for k, w in enumerate(widths)]
    return "\n".join([line(head), line(rule), *(line(row) for row in lines)])
