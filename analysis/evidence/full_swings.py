"""Which swings of a lesson are full ones: chips, waggles and warm-up swings are only counted.

A swing is full where its turn is near the player's own full turn. For somebody of whom nothing is
known yet the own full turn is that of the largest swings so far; so a swing may be called full at
first and a part of one later, once the full ones have come.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Final

SHARE: Final = 0.75
"""Share of the own full turn under which a swing is a part of one. (A three-quarter swing is a
part swing: common practice, no source.)"""

LEAST_DEG: Final[Mapping[str, float]] = {"wrist": 60.0, "glove": 90.0, "club": 90.0, "trunk": 40.0}
"""Turn under which a swing of somebody unknown isn't full: a little under half of a usual full
turn of each place (from memory)."""

LARGEST: Final = 3
"""Which of the largest turns stands for the full one: one or two that went wild don't."""


def full_floor(turns_deg: Iterable[float], *, mount: str | None, own_deg: float | None) -> float:
    """Return the turn from which on a swing is full.

    Parameters
    ----------
    turns_deg : iterable of float
        Of the swings so far that are full for all that was known when they were made.
    mount : str or None
        Where the sensor sits.
    own_deg : float or None
        The player's own full turn with this club and place, where it is known.

    Returns
    -------
    float
        In deg.

    Examples
    --------
    >>> full_floor([], mount="wrist", own_deg=140.0)
    105.0
    >>> full_floor([130.0, 60.0, 128.0, 132.0], mount="wrist", own_deg=None)
    96.0
    """
    if own_deg is not None:
        return SHARE * own_deg
    least = LEAST_DEG.get(mount or "", min(LEAST_DEG.values()))
    largest = sorted(turns_deg, reverse=True)[:LARGEST]
    return max(least, SHARE * largest[-1]) if len(largest) == LARGEST else least
