"""Numbers in sentences: how many, and how long."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from datetime import date


def count(n: int, word: str, plural: str | None = None) -> str:
    """Say how many: no swings, 1 swing, 2 swings."""
    many = plural or f"{word}s"
    return {0: f"no {many}", 1: f"1 {word}"}.get(n, f"{n:,} {many}")


def join(words: Iterable[str]) -> str:
    """Join words as in a sentence; empty where there are none."""
    *most, last = list(words) or [""]
    return f"{', '.join(most)} and {last}" if most else last


def clock(time_s: float | None, absent: str = "-") -> str:
    """Write a time or a length as m:ss or h:mm:ss, whole seconds that have passed."""
    if time_s is None:
        return absent
    minutes, seconds = divmod(int(max(time_s, 0.0)), 60)
    hours, rest = divmod(minutes, 60)
    return f"{hours}:{rest:02d}:{seconds:02d}" if hours else f"{minutes}:{seconds:02d}"


def day_words(day: int) -> str:
    """Write a day number as a date."""
    return date.fromordinal(day).isoformat()


def decimals_of(u: float) -> int:
    """Decimals that show two significant digits of an uncertainty (JCGM 100, 7.2.6)."""
    return min(4, max(0, 1 - math.floor(math.log10(u)))) if u > 0.0 else 2


def ranges(indices: Sequence[int]) -> str:
    """Write numbers of swings shortly: #1, #3-5."""
    runs: list[list[int]] = []
    for index in indices:
        if runs and index == runs[-1][1] + 1:
            runs[-1][1] = index
        else:
            runs.append([index, index])
    return ", ".join(f"#{a}" if a == b else f"#{a}-{b}" for a, b in runs)
