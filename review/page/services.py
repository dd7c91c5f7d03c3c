"""What the page asks of the house, and does not do by itself: files, settings, backup, the demo.

`unhurried` hands it in (`unhurried/app/page_services.py`), for the rooms' sake, like `Tools`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import IO, Final, Protocol

from review.page.calibration_state import ShownCalibration

Say = Callable[[str, float | None], None]
"""Told what is being done, and the share of it that is done, None where that isn't known."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Done:
    """What came of work.

    Attributes
    ----------
    text : str
        One line.
    lines : tuple of str
        What else is to be said.
    url : str
        Where it is to be seen, or to be tried once more; empty: nowhere.
    wrong : bool
        It could not be done.
    """

    text: str
    lines: tuple[str, ...] = ()
    url: str = ""
    wrong: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownSetting:
    """A setting as it is shown.

    Attributes
    ----------
    name, label, value : str
    help : str
        One line; may be empty.
    choices : tuple of (str, str)
        What it may be, and its word; empty for a number or a folder.
    folder : bool
    """

    name: str
    label: str
    value: str
    help: str = ""
    choices: tuple[tuple[str, str], ...] = ()
    folder: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class AskedColumn:
    """One column that a table should have, and what it most likely is.

    Attributes
    ----------
    name : str
        Of the field in the form.
    words : str
        What it is, for a reader.
    title : str
        In the file; empty where none fits.
    unit : str
        ``?`` where it isn't known; empty where there is none.
    units : tuple of str
        What it may be.
    doubt : str
        What is to be asked; empty where nothing is.
    """

    name: str
    words: str
    title: str
    unit: str
    units: tuple[str, ...]
    doubt: str


NEW_PLAYER: Final = "new"
"""The answer that a name is of somebody who isn't here yet."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AskedPlayer:
    """A name in a file that fits several players here.

    Attributes
    ----------
    name : str
    choices : tuple of (str, str)
        Their ids, and how they can be told apart.
    """

    name: str
    choices: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundFile:
    """A file that was added, as it was found by looking.

    Attributes
    ----------
    token, name : str
    kind : str
        ``bundle``, ``backup``, ``recordings``, ``table``, ``balls``, ``film``, ``nothing``.
    text : str
        The same in a line.
    either : bool
        A table that could be samples of a sensor or ball results.
    titles : tuple of str
        Of a table.
    rows : tuple of tuple of str
        The first ones.
    columns : tuple of AskedColumn
    players : tuple of AskedPlayer
        Names that fit several players here.
    changes : tuple of str
        What would be changed here if its names were taken over.
    start : str
        When its samples were made, YYYY-MM-DDTHH:MM, where its times say; empty where they don't.
    """

    token: str
    name: str
    kind: str
    text: str
    either: bool = False
    titles: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()
    columns: tuple[AskedColumn, ...] = ()
    players: tuple[AskedPlayer, ...] = ()
    changes: tuple[str, ...] = ()
    start: str = ""

    @property
    def doubts(self) -> tuple[str, ...]:
        """What is to be asked, each question once."""
        return tuple(dict.fromkeys(one.doubt for one in self.columns if one.doubt))


@dataclass(frozen=True, slots=True, kw_only=True)
class AddAnswers:
    """What was answered about a file.

    Attributes
    ----------
    columns : mapping of str to (str, str)
        Title and unit by the column's name.
    mount, hand, player, club : str or None
        Of a sensor's samples: what the file doesn't say.
    player_id : str or None
        Somebody who is known.
    start : str or None
        When a sensor's samples were made, ISO 8601 with offset.
    known_as : mapping of str to str
        A player's id by a name in the file, or `NEW_PLAYER`.
    take_names : bool
        Names and hands that differ are taken over from the file.
    session : str
        That ball results belong to.
    by : str or None
        How they are matched: ``time`` or ``order``; by default as the file can.
    swings, lines : str
        Numbers such as ``1, 3-5``: of the swings that results belong to, and of the file's lines
        that are taken; empty: all.
    as_it_is : bool
        What was asked about numbers is answered: they stay.
    """

    columns: Mapping[str, tuple[str, str]] = field(default_factory=dict)
    mount: str | None = None
    hand: str | None = None
    player: str | None = None
    player_id: str | None = None
    club: str | None = None
    start: str | None = None
    known_as: Mapping[str, str] = field(default_factory=dict)
    take_names: bool = False
    session: str = ""
    by: str | None = None
    swings: str = ""
    lines: str = ""
    as_it_is: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class BallPreview:
    """Ball results as they would be kept.

    Attributes
    ----------
    titles : tuple of str
    rows : tuple of tuple of str
    lines : tuple of str
        How they were matched, and what was passed over.
    doubts : tuple of str
        What is to be asked before they are kept.
    """

    titles: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    lines: tuple[str, ...]
    doubts: tuple[str, ...]


class Services(Protocol):
    """What the house does for the page. Errors are those of the rooms, in one line each."""

    def invented(self) -> tuple[str, ...]:
        """Return the names of the invented players that are there."""
        ...

    def make_invented(self, say: Say, *, first: bool = False) -> Done:
        """Make the invented players, or only the first of them."""
        ...

    def remove_invented(self) -> Done:
        """Remove them with all that was recorded for them by simulated sensors."""
        ...

    def keep_file(self, name: str, source: IO[bytes]) -> str:
        """Take in a file until it is known what becomes of it; return what it is known by."""
        ...

    def found_file(
        self, token: str, kind: str = "", picked: Mapping[str, str] | None = None
    ) -> FoundFile:
        """Look what a file is; a table also as another kind, and with columns that were picked."""
        ...

    def drop_file(self, token: str) -> None:
        """Let go of a file."""
        ...

    def add_file(self, token: str, kind: str, answers: AddAnswers, say: Say) -> Done:
        """Take a file's content in; the file is let go of then."""
        ...

    def ball_preview(self, token: str, answers: AddAnswers) -> BallPreview:
        """Say which ball results belong to which swings, and what is doubtful."""
        ...

    def waiting_files(self) -> tuple[tuple[str, str], ...]:
        """Return key and name of what came into the watched folder and isn't added yet."""
        ...

    def take_waiting(self, key: str) -> str:
        """Take in a file of the watched folder, as `keep_file`."""
        ...

    def make_shortcut(self) -> Done:
        """Put a shortcut to the program where this system's people look for one."""
        ...

    def settings(self) -> tuple[ShownSetting, ...]:
        """Return the settings that can be changed on the page."""
        ...

    def change_settings(self, changes: Mapping[str, str]) -> Mapping[str, object]:
        """Keep settings; return all values by name."""
        ...

    def calibrations(self) -> tuple[ShownCalibration, ...]:
        """Return the sensors that are calibrated, each with its newest calibration in use."""
        ...

    def remove_calibration(self, key: str) -> Done:
        """Take a sensor's newest calibration out of use."""
        ...

    def can_close(self) -> bool:
        """Tell whether the program can be ended from the page."""
        ...

    def close_program(self) -> bool:
        """End the program, if that can be asked from the page."""
        ...
