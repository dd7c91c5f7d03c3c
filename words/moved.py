"""What was told then, and what today's analysis says of it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Final

from words.over_time import step_word
from words.saying import related, short, with_unit

_WORDS: Final[Mapping[str, str]] = {
    "same": "about the same",
    "not_told": "can't tell yet",
    "can't tell": "can't tell yet",
    "provisional": "not approved yet",
    "fuller": "bigger",
    "shorter turn": "smaller",
    "beyond full": "past full",
    "held": "kept",
    "not held": "not kept",
}


def told_word(
    *, about: str, word: str, measure: str | None, of: str | None, value: float | None
) -> str:
    """One word, of what it was, and its number."""
    said = _WORDS.get(word, word)
    if about == "stage":
        stage, _, step = word.partition(", step ")
        return f"plan at '{step_word(stage, int(step or 0))}'"
    if measure is None:
        return f"model swings {said}"
    name = related(measure)
    if about == "reference":
        number = "" if value is None else f" {with_unit(short(value), measure)}"
        return f"model swings' {name}{number} ({said})"
    number = "" if value is None else f" ({with_unit(short(value, plus=True), measure)})"
    where = {
        "reading": " beside the model swings",
        "change": " since the first sessions",
        "drill": f" in set {of}",
    }[about]
    return f"{name}{where} {said}{number}"


def moved(
    *, day: str, version: str, now_version: str, then: Sequence[str], now: Sequence[str]
) -> str:
    """What was told of swings then, beside what is said of them now."""
    return (
        f"Then (told {day}, analysis version {version}): {'; '.join(then)}. / Today's analysis "
        f"(version {now_version}): {'; '.join(now)}."
    )


SENTENCES: Final[Mapping[str, Callable[..., str]]] = {"told_word": told_word, "moved": moved}
"""By code."""
