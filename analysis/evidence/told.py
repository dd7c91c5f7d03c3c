"""What is told: a code and its numbers. Its sentence stands in `words`."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, ClassVar

from words.telling import sentence

Facts = tuple[tuple[str, Any], ...]


def _written(fact: Any) -> Any:
    """Write what is itself told, alone or in a row."""
    if isinstance(fact, (Statement, NotYet)):
        return fact.text
    if isinstance(fact, tuple):
        return tuple(_written(one) for one in fact)
    return fact


@dataclass(frozen=True, slots=True)
class Statement:
    """Something that is told of swings.

    Attributes
    ----------
    code : str
        What it is; one of `words.telling.SENTENCES`.
    facts : tuple of (str, object)
        Its numbers and names, in the units of their names; some may be told themselves.
    """

    IN_WORDS: ClassVar = ("text",)
    """What is in words, for a document."""

    code: str
    facts: Facts = field(default=(), metadata={"pairs": True})

    @staticmethod
    def of(code: str, **facts: Any) -> Statement:
        """Tell something."""
        return Statement(code, tuple(facts.items()))

    @property
    def text(self) -> str:
        """Its sentence, or its part of one."""
        return sentence(self.code, {name: _written(fact) for name, fact in self.facts})


@dataclass(frozen=True, slots=True)
class NotYet:
    """Why nothing can be said.

    Attributes
    ----------
    code : str
        The reason; one of `words.telling.SENTENCES`.
    facts : tuple of (str, object)
        As for `Statement`.
    have, need : int or None
        How many there are of how many needed; None where it isn't a matter of numbers.
    """

    IN_WORDS: ClassVar = ("reason",)

    code: str
    facts: Facts = field(default=(), metadata={"pairs": True})
    have: int | None = None
    need: int | None = None

    @staticmethod
    def of(code: str, **facts: Any) -> NotYet:
        """Give a reason."""
        return NotYet(code, tuple(facts.items()))

    @staticmethod
    def count(have: int, need: int, what: str = "swings", **more: Any) -> NotYet:
        """Say that there are too few; ``what`` is one of `words.not_yet.COUNTED`."""
        facts = {"have": have, "need": need, "what": what, **more}
        return NotYet("count", tuple(facts.items()), have, need)

    @property
    def reason(self) -> str:
        """The reason for people: a clause without a full stop."""
        return Statement(self.code, self.facts).text

    @property
    def text(self) -> str:
        """The same, by the name that all has that is told."""
        return self.reason

    def __str__(self) -> str:
        return self.reason
