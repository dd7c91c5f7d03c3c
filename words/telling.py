"""From a code and its numbers to a sentence: the one list of all that is told of swings."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final

from words import felt, moved, not_yet, plan, relations, story

SENTENCES: Final[Mapping[str, Callable[..., str]]] = {
    **not_yet.SENTENCES,
    **story.SENTENCES,
    **felt.SENTENCES,
    **relations.SENTENCES,
    **plan.SENTENCES,
    **moved.SENTENCES,
}
"""By code. Facts are given by name."""


def sentence(code: str, facts: Mapping[str, Any]) -> str:
    """Say in plain words what a code and its numbers mean.

    Parameters
    ----------
    code : str
        One of `SENTENCES`.
    facts : mapping
        What the sentence needs, by name.

    Raises
    ------
    KeyError
        There is no such code.
    TypeError
        A fact is missing, or is none of this sentence's.
    """
    return SENTENCES[code](**facts)
