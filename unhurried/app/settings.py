"""Settings: one table with name, default and help, and the file that keeps what was changed.

A setting is a default that a person may change once for all commands: an option on the command
line always counts more. What isn't in the table is no setting.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Final

import msgspec
from msgspec import Meta

from sensor.errors import RecordingError
from sensor.recording.output import whole_file
from sensor.recording.schema import (
    Number,
    Word,
    check_version,
    convert,
    parse_json,
    plain_reading,
    read_small,
)
from unhurried.app.errors import CommandError

SETTINGS_FILE: Final = "settings.json"
SETTINGS_VERSION: Final = 1
MOST_BYTES: Final = 1_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """One setting.

    Attributes
    ----------
    name : str
    default : str, int or float
    help : str
        One line, also for the manual.
    choices : tuple of str
        What it may be; empty for a number or a folder.
    folder : bool
        Whether it is a folder of this computer.
    low, high : float
        Bounds of a number, both allowed.
    options : tuple of (str, str)
        Command and parameter whose default it is.
    """

    name: str
    default: str | int | float
    help: str
    choices: tuple[str, ...] = ()
    folder: bool = False
    low: float = 0.0
    high: float = 0.0
    options: tuple[tuple[str, str], ...] = ()

    def read(self, text: str) -> str | int | float:
        """Return a value from what was typed.

        Raises
        ------
        ValueError
            It doesn't fit; the message says what would.
        """
        if self.folder:
            # Not looked at here: a drive that isn't plugged in today is no broken setting.
            return str(Path(text).expanduser().absolute()) if text else ""
        if self.choices:
            if text.strip().lower() not in self.choices:
                raise ValueError(
                    f"{self.name} is one of {', '.join(self.choices)}, not '{text[:40]}'"
                )
            return text.strip().lower()
        try:
            value = float(text)
        except ValueError:
            value = float("nan")
        whole = isinstance(self.default, int)
        if not self.low <= value <= self.high or (whole and value != int(value)):
            kind = "a whole number" if whole else "a number"
            raise ValueError(
                f"{self.name} is {kind} from {self.low:g} to {self.high:g}, not '{text[:40]}'"
            )
        return int(value) if whole else value

    @staticmethod
    def shown(value: str | int | float) -> str:
        """Write a value."""
        return str(value) or "none"

    @property
    def range(self) -> str:
        """What it may be, in words."""
        if self.folder:
            return "a folder"
        return ", ".join(self.choices) or f"{self.low:g} to {self.high:g}"


SETTINGS: Final = (
    Setting(
        name="units",
        default="metric",
        choices=("metric", "imperial"),
        help="Club's and ball's speeds and distances in m/s and m, or in mph and yards: on the "
        "page, in `results`, `library show` and `report`, and the story's club speed. Other "
        "sentences, and files, stay in m/s and m.",
    ),
    Setting(
        name="tone_level",
        default=0.35,
        low=0.01,
        high=0.9,
        help="Size of a tone as a share of full scale.",
        options=(("drill", "level"), ("cue", "level"), ("sounds", "level")),
    ),
    Setting(
        name="rest_s",
        default=8.0,
        low=1.0,
        high=3600.0,
        help="Least rest after a swing of a drill, in s.",
        options=(("drill", "rest_s"),),
    ),
    Setting(
        name="phone_may",
        default="tap",
        choices=("look", "tap", "film", "all"),
        help="What a phone may do that is let in on the page: look, tap, film, or all of it.",
    ),
    Setting(
        name="phone_distance_m",
        default=3.0,
        low=0.0,
        high=50.0,
        help="From the ball to the phone that films, in m: sound takes 2.9 ms a metre.",
        options=(("clip", "distance_m"),),
    ),
    Setting(
        name="clip_folder",
        default="",
        folder=True,
        help="Folder that the page looks into for a phone's films; if empty, `clips` of the home.",
    ),
    Setting(
        name="watched_folder",
        default="",
        folder=True,
        help="Folder that the page looks into while it is up: recordings that are put there come "
        "in by themselves, other files wait on *Add a file*.",
    ),
    Setting(
        name="day_backswing_ms",
        default=15.0,
        low=0.1,
        high=500.0,
        help="How far one player's days lie apart in the backswing, as a standard deviation in ms, "
        "until their own sessions tell (from memory). Where it isn't changed, five players with "
        "three sessions in the home tell it (`library update`).",
    ),
    Setting(
        name="day_swing_ms",
        default=18.0,
        low=0.1,
        high=500.0,
        help="The same in the swing time, in ms.",
    ),
    Setting(
        name="day_turn_deg",
        default=4.0,
        low=0.1,
        high=90.0,
        help="The same in the turn, in deg (6 at the club, unless changed).",
    ),
    Setting(
        name="day_peak_percent",
        default=2.5,
        low=0.1,
        high=50.0,
        help="The same in rotation, in per cent of it.",
    ),
)


def _document(home: Path) -> dict[str, Any]:
    path = home / SETTINGS_FILE
    remedy = "mend it, or remove it to have all defaults again"
    try:
        with plain_reading(path, _cannot, remedy=remedy):
            document = parse_json(read_small(path, most=MOST_BYTES), dict[str, Any])
            check_version(document, SETTINGS_VERSION, default=1)
            convert(document, _Kept)
            return document
    except FileNotFoundError:
        return {}


class _Kept(msgspec.Struct):
    settings: Annotated[
        dict[Word, str | bool | Number | None],
        Meta(max_length=1000, description="an object of settings, by name"),
    ]


def _cannot(path: Path, problem: str) -> CommandError:
    return CommandError(f"{path}: {problem}")


def load_settings(home: Path) -> dict[str, Any]:
    """Return the value of every setting.

    Parameters
    ----------
    home : Path

    Raises
    ------
    CommandError
        The file is broken, or a value in it doesn't fit.
    """
    kept = _document(home).get("settings", {})
    out: dict[str, Any] = {}
    for one in SETTINGS:
        out[one.name] = one.default
        if one.name in kept:
            try:
                out[one.name] = one.read(str(kept[one.name]))
            except ValueError as error:
                raise CommandError(
                    f"{home / SETTINGS_FILE}: {error}: 'unhurried settings {one.name}=' puts the "
                    "default back"
                ) from error
    return out


def change_settings(home: Path, changes: Mapping[str, str]) -> None:
    """Keep values of settings; an empty text puts the default back.

    Parameters
    ----------
    home : Path
    changes : mapping of str to str
        What was typed, by name.

    Raises
    ------
    CommandError
        There is no such setting, or a value doesn't fit; nothing was changed.
    """
    from unhurried.app.home_parts import make_folder

    document = _document(home)
    kept = dict(document.get("settings", {}))
    known = {one.name: one for one in SETTINGS}
    for name, text in changes.items():
        if name not in known:
            raise CommandError(f"there is no setting '{name}': they are {', '.join(known)}")
        if not text.strip():
            kept.pop(name, None)
            continue
        try:
            kept[name] = known[name].read(text)
        except ValueError as error:
            raise CommandError(str(error)) from error
        if known[name].folder and not Path(str(kept[name])).is_dir():
            raise CommandError(f"{name}: there is no folder {kept[name]}: make it first")
    make_folder(home)
    text = json.dumps({"version": SETTINGS_VERSION, "settings": kept}, indent=1, sort_keys=True)
    try:
        with whole_file(home / SETTINGS_FILE, overwrite=True) as file:
            file.write(text.encode() + b"\n")
    except RecordingError as error:
        raise CommandError(str(error)) from error
