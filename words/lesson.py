"""A lesson in words: its parts, its end, the homework."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

from words.plain import count, join

PART_NAMES: Final[Mapping[str, str]] = {
    "first": "First shots",
    "drill": "Drill",
    "last": "Last shots",
}

AIMS: Final = (
    "A full turn, in my own time",
    "More time going back",
    "As much time with a ball",
    "Stop at my own full turn",
)
"""Aims to choose from; any other can be typed."""

WORDS: Final = (
    "Let the club go back by itself.",
    "Turn until it is full, then swing.",
    "Breathe out before the takeaway.",
    "Swing as in practice, ball or not.",
)
"""What a coach may say for next time; any other can be typed. (Own words; no source.)"""

AVOID: Final = (
    "Turning past full",
    "Full speed",
    "Many swings without a rest",
)
"""What is to be left alone; anything else can be typed."""

DAYS: Final = (2, 4, 6)
SWINGS: Final = (6, 12, 20)
"""Days, and practice swings a day, to choose from; the first of each is for a start. (Chosen here:
few, since backs need time; no source.)"""

HIDDEN: Final = "numbers come when the coach shows them"
"""In the place of numbers of the first shots."""

ONLY_COUNTED: Final = "Part swing: only counted."


def headline(parts: Sequence[tuple[str, str, str]], open_ones: Sequence[str]) -> str:
    """Say how last shots differ from first, today.

    Parameters
    ----------
    parts : sequence of (str, str, str)
        Aspect, its word and by how much.
    open_ones : sequence of str
        Aspects of which nothing can be told yet.

    Examples
    --------
    >>> headline([("time", "longer", "0.10 s"), ("turn", "bigger", "12°")], [])
    'Today, last against first: time 0.10 s longer, turn 12° bigger.'
    >>> headline([], ["time", "turn"])
    "Today, last against first: can't tell yet for time and turn."
    >>> headline([("time", "as usual", ""), ("turn", "as usual", "")], [])
    'Today, last against first: time and turn as usual.'
    """
    usual = [name for name, word, by in parts if not by]
    said = [f"{name} {by} {word}" for name, word, by in parts if by]
    if usual:
        said.append(f"{join(usual)} as usual")
    if open_ones:
        said.append(f"can't tell yet for {join(list(open_ones))}")
    return f"Today, last against first: {', '.join(said)}."


def nothing_yet(first: Mapping[str, int], last: Mapping[str, int], least: int) -> str:
    """Say what is missing before first and last can be set against each other.

    Parameters
    ----------
    first, last : mapping of str to int
        Full swings by kind: ``practice`` and ``shots``.
    least : int

    Examples
    --------
    >>> nothing_yet({"practice": 3, "shots": 2}, {"practice": 0, "shots": 2}, 3)[:40]
    "Can't tell yet: first 3 practice swings "
    """
    return (
        f"Can't tell yet: first {count(first['practice'], 'practice swing')} and "
        f"{count(first['shots'], 'shot')}, last {last['practice']} and {last['shots']}. "
        f"{least} of a kind each are enough."
    )


def counted(part_swings: int) -> str:
    """Say how many swings were only counted; empty for none."""
    return f"{count(part_swings, 'part swing')}, only counted." if part_swings else ""


def since(*, measured: int, said: int, of: int | None) -> str:
    """Say what was done since a lesson.

    Examples
    --------
    >>> since(measured=2, said=1, of=4)
    '3 of 4 days: 2 measured, 1 said'
    >>> since(measured=0, said=0, of=None)
    'no day with swings'
    """
    parts = [f"{n} {word}" for n, word in ((measured, "measured"), (said, "said")) if n]
    done = measured + said
    if of is None:
        return f"{count(done, 'day')}: {', '.join(parts)}" if done else "no day with swings"
    return f"{done} of {count(of, 'day')}" + (f": {', '.join(parts)}" if parts else "")


def homework(swings: int, days: int) -> str:
    """Say homework in one line.

    Examples
    --------
    >>> homework(12, 4)
    '12 practice swings a day, on 4 days'
    """
    return f"{count(swings, 'practice swing')} a day, on {count(days, 'day')}"
