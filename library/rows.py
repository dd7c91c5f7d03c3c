"""What the library answers: one class a kind of row."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, TypedDict

import numpy.typing as npt

from analysis.swing.results import Swing
from library.players import Player

Array = npt.NDArray[Any]


class SwingFilters(TypedDict, total=False):
    """Which swings are asked for; what is None or left out doesn't matter.

    Attributes
    ----------
    session, player, club, mount : str
        Session's id, player's id, club's name, mount.
    part : bool
        Part swings or full ones.
    kind : {"strike", "rehearsal", "unclear"}
    since_s, until_s : float
        Start of the session, seconds since 1970 UTC.
    simulated : int
        Only sessions up to this mark, see `Queries.simulated_limit`.
    """

    session: str | None
    player: str | None
    club: str | None
    mount: str | None
    part: bool | None
    kind: str | None
    since_s: float | None
    until_s: float | None
    simulated: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class PlayerRow:
    """A player and how much there is of them; `last_start_s` is seconds since 1970, UTC."""

    id: str
    name: str
    handedness: str | None
    note: str | None
    child: bool
    consent: str | None
    sessions: int
    swings: int
    last_start_s: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionRow:
    """A session; numbers of swings are those that were asked for, without excluded ones."""

    id: str
    path: Path
    missing: bool
    start: str
    start_s: float
    day: str
    week: str
    mount: str | None
    sensor: Mapping[str, Any]
    sensor_key: str | None
    rate_hz: float
    duration_s: float
    lost_samples: int
    short_strokes: int
    analysis_version: str
    warnings: tuple[str, ...]
    note: str | None
    excluded: str | None
    drill: str | None
    lost_words: tuple[int, ...]
    simulated: int
    swings: int
    strikes: int
    rehearsals: int
    unclear: int
    players: tuple[str, ...]
    clubs: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupRow:
    """What a player has done with a club and a mount; `part` swings apart from full ones."""

    player: str | None
    player_name: str | None
    club: str | None
    mount: str | None
    part: bool
    sessions: int
    swings: int
    strikes: int
    rehearsals: int
    unclear: int
    first_s: float
    last_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    """Middle and spread of a measure in one session, for one player, club, mount and kind.

    `spread` is the median absolute deviation x 1.4826, from three swings on; `sd` from two.
    """

    session: str
    start: str
    start_s: float
    day: str
    week: str
    player: str | None
    player_name: str | None
    club: str | None
    mount: str | None
    part: bool
    kind: str
    measure: str
    n: int
    median: float | None
    spread: float | None
    mean: float | None
    sd: float | None
    simulated: int


@dataclass(frozen=True, slots=True, kw_only=True)
class VolumeRow:
    """Swings in a day (``2026-05-01``) or an ISO week (``2026-W18``), excluded ones too."""

    period: str
    swings: int
    sessions: int


@dataclass(frozen=True, slots=True)
class SwingTable:
    """Columns of swings, one array a column, all of the same length.

    Numbers are float arrays with NaN where nothing could be measured; words are object arrays
    with None.
    """

    columns: Mapping[str, Array]

    def __getitem__(self, name: str) -> Array:
        return self.columns[name]

    def __len__(self) -> int:
        return len(next(iter(self.columns.values()), ()))

    def where(self, mask: Array) -> SwingTable:
        """Return the rows that a mask or an index picks."""
        return SwingTable({name: column[mask] for name, column in self.columns.items()})

    def rows(self) -> Iterator[dict[str, Any]]:
        """Give each swing as plain values by name, None where absent."""
        lists = {name: column.tolist() for name, column in self.columns.items()}
        for k in range(len(self)):
            row = {name: values[k] for name, values in lists.items()}
            yield {n: None if isinstance(v, float) and v != v else v for n, v in row.items()}


@dataclass(frozen=True, slots=True, kw_only=True)
class SwingDetail:
    """All that is known of one swing.

    Attributes
    ----------
    session : str
    path : Path
        Of the recording.
    seq : int
        Its key.
    swing : Swing
        With what people corrected.
    measured : Swing
        As the analysis gave it.
    player : str or None
        The player's id.
    kind : {"strike", "rehearsal", "unclear"}
        With people's word.
    part : bool
    corrected : tuple of str
        Events that were set by hand.
    excluded : str or None
        Why it doesn't count.
    felt : mapping
        Answers by question.
    result : mapping or None
    tags, notes : tuple of str
    """

    session: str
    path: Path
    seq: int
    swing: Swing
    measured: Swing
    player: str | None
    kind: str
    part: bool
    corrected: tuple[str, ...]
    excluded: str | None
    felt: Mapping[str, str]
    result: Mapping[str, Any] | None
    tags: tuple[str, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A recording that was found, and what is to be done with it.

    `state`: new, changed (raw files or analysis), annotated (only the words changed), same,
    elsewhere (this one is a copy; the library reads another), open (being recorded), broken.
    """

    path: Path
    id: str | None
    state: Literal["new", "changed", "annotated", "same", "elsewhere", "open", "broken"]
    problem: str | None = None


@dataclass(frozen=True, slots=True)
class Issue:
    """Something that `check` found: a kind for programs and a sentence for people."""

    kind: str
    text: str
    session: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Removal:
    """What deleting a player would touch.

    Attributes
    ----------
    player : Player
    own : tuple of Path
        Recordings of nobody else.
    shared : tuple of Path
        Recordings with others' swings in them as well; never removed.
    missing : tuple of Path
        Recordings that aren't where they were.
    swings : int
    """

    player: Player
    own: tuple[Path, ...]
    shared: tuple[Path, ...]
    missing: tuple[Path, ...]
    swings: int
