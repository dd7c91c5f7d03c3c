"""Whether a player turns past full: then it is not more that is practised, but where to stop."""

from __future__ import annotations

from typing import Final

from analysis.evidence.plan import Standing
from library.answer import Answer, Said

_CODES: Final = frozenset({"beyond", "still_beyond", "reference_beyond"})
"""Of the plan's reasons."""


def is_past_full(standing: Standing, answer: Answer | None) -> bool:
    """Whether the plan or the last session says so.

    Parameters
    ----------
    standing : Standing
    answer : Answer or None
        Of the last session.
    """
    first = None if answer is None else answer.first
    said = first is not None and first.said is Said.PAST_FULL
    return said or any(reason.code in _CODES for reason in standing.reasons)
