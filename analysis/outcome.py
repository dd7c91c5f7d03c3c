"""The three outcomes that a comparison can have."""

from __future__ import annotations

from enum import StrEnum

__all__ = ["Outcome"]


class Outcome(StrEnum):
    """What the numbers say about a difference; there is no fourth, and none is a verdict."""

    DIFFERENT = "different"
    SAME = "same"
    """The same within what matters: the whole interval lies inside the stated margin."""
    UNCLEAR = "unclear"
    """Not to be told from these numbers: too few, or too much spread."""
