"""What was told to people, as the player's file keeps it: an old version's word stays readable.

A look is a session added: what is told of it is kept once, when it is told first, however often a
page is opened after that. What a later version of the analysis says of it is kept beside it.
"""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC
from typing import Annotated, Any, Final

from msgspec import Meta

from sensor.recording.schema import Count, Id, Mount, Name, Number, check, instant, one_of

MOST_TOLD: Final = 500
"""Records in a player's file, of some kB each; the oldest go first. Years of lessons with a few
clubs. (Chosen here.)"""

MOST_WORDS: Final = 60
"""Words of one record: plan, reference, reading and change have some fifteen, each silent block of
a drill two. (Chosen here.)"""

About = Annotated[str, one_of("stage", "reference", "reading", "change", "drill")]


@dataclass(frozen=True, slots=True, kw_only=True)
class ToldWord:
    """One word, with the number that it came with.

    Attributes
    ----------
    about : {"stage", "reference", "reading", "change", "drill"}
        The plan's stage; the reference and its middles; the newest session against it; the change
        since the baseline; what a drill's silent block kept.
    word : str
        As its rule has it.
    measure : str or None
        With the unit in its name.
    of : str or None
        A drill's block.
    value, margin : float or None
        In the measure's unit; inside of the margin, it matters to nobody that it moves.
    """

    about: About
    word: Name
    measure: Name | None = None
    of: Name | None = None
    value: Number | None = None
    margin: Number | None = None

    def __post_init__(self) -> None:
        check(self)

    @property
    def key(self) -> tuple[str, str, str]:
        """What it is the word of."""
        return self.about, self.of or "", self.measure or ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ToldRecord:
    """What was told of one look at the data, with a club and a mount.

    Attributes
    ----------
    club, mount : str or None
    session : str
        The newest one then.
    sessions : int
        How many there were; with another number it isn't the same data any more.
    version : str
        Of the analysis that had measured them; several where they weren't of one.
    words : tuple of ToldWord
    at : str
        When, ISO 8601 in UTC.
    """

    club: Name | None
    mount: Mount | None
    session: Id
    sessions: Count
    version: Name
    words: Annotated[
        tuple[ToldWord, ...],
        Meta(max_length=MOST_WORDS, description=f"a list of up to {MOST_WORDS} words"),
    ]
    at: Name

    def __post_init__(self) -> None:
        check(self)
        at = instant(self.at, "at").astimezone(UTC).isoformat(timespec="microseconds")
        object.__setattr__(self, "at", at)

    @property
    def key(self) -> tuple[str | None, str | None, str, str]:
        """Of which there is one: setting, look and version."""
        return self.club, self.mount, self.session, self.version

    def document(self) -> dict[str, Any]:
        """Return what the file says of it."""
        return dataclasses.asdict(self)


ToldRecords = Annotated[
    tuple[ToldRecord, ...],
    Meta(max_length=MOST_TOLD, description=f"a list of up to {MOST_TOLD} records"),
]


def each_once(records: Iterable[ToldRecord]) -> tuple[ToldRecord, ...]:
    """Put records in the order of time: of each look and version what was told first."""
    first: dict[Any, ToldRecord] = {}
    for one in sorted(records, key=lambda r: (r.at, json.dumps(r.document(), sort_keys=True))):
        first.setdefault(one.key, one)
    return tuple(first.values())[-MOST_TOLD:]
