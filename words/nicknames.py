"""Nicknames for children: nobody's name, easy to say, and told apart by ear."""

from __future__ import annotations

from collections.abc import Collection
from typing import Final

_FIRST: Final = ("Blue", "Green", "Red", "Silver", "Golden", "Amber", "White", "Brown")
_SECOND: Final = ("Heron", "Otter", "Badger", "Robin", "Falcon", "Beaver", "Magpie", "Hedgehog")


def nickname(taken: Collection[str]) -> str:
    """Return the first nickname that isn't taken.

    Examples
    --------
    >>> nickname(()), nickname({"Blue Heron"})
    ('Blue Heron', 'Green Otter')
    """
    n = len(_FIRST)
    for k in range(n * n):
        # Neighbours differ in both words.
        name = f"{_FIRST[k % n]} {_SECOND[(k + k // n) % n]}"
        if name not in taken:
            return name
    return f"{_FIRST[0]} {_SECOND[0]} {len(taken)}"
