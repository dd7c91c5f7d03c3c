"""Settings: one table with name, default and help, and the file that keeps what was changed.

A setting is a default that a person may change once for all commands: an option on the command
line always counts more. What isn't in the table is no setting.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import click

from unhurried.errors import CommandError

__all__ = [
    "SETTINGS",
    "SETTINGS_FILE",
    "Setting",
    "apply_to",
    "change_settings",
    "load_settings",
]

SETTINGS_FILE: Final = "settings.json"
SETTINGS_VERSION: Final = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """One setting.

    Attributes
    ----------
    name : str
    default : str, int or float
    help : str
        One line, also for README.
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
                raise ValueError(f"{self.name} is one of {', '.join(self.choices)}, not '{text}'")
            return text.strip().lower()
        try:
            value = float(text)
        except ValueError:
            value = float("nan")
        whole = isinstance(self.default, int)
        if not self.low <= value <= self.high or (whole and value != int(value)):
            kind = "a whole number" if whole else "a number"
            raise ValueError(
                f"{self.name} is {kind} from {self.low:g} to {self.high:g}, not '{text}'"
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
        "page, in `results`, `library show` and `report`, and the story's head speed. Other "
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
        default=15.0,
        low=1.0,
        high=3600.0,
        help="Rest after a swing of a drill, in s.",
        options=(("drill", "rest_s"),),
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
)


def _document(home: Path) -> dict[str, Any]:
    path = home / SETTINGS_FILE
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return {}
    except (OSError, ValueError, RecursionError) as error:
        raise CommandError(
            f"{path}: cannot be read: mend it, or remove it to have all defaults again"
        ) from error
    if not isinstance(document, dict) or not isinstance(document.get("settings"), dict):
        raise CommandError(f"{path}: is broken: remove it to have all defaults again")
    if document.get("version", 0) > SETTINGS_VERSION:
        raise CommandError(f"{path}: is of a later version: update unhurried")
    return document


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
    from sensor.errors import RecordingError
    from sensor.output import whole_file
    from unhurried.home import make_folder

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


def apply_to(name: str, command: click.Command) -> None:
    """Make settings the defaults of a command's options.

    Parameters
    ----------
    name : str
        The command's.
    command : click.Command
        Changed; doing it twice does no harm.
    """
    params = {param.name: param for param in command.params}
    for one in SETTINGS:
        for wanted, parameter in one.options:
            option = params.get(parameter)
            if wanted != name or not isinstance(option, click.Option):
                continue
            option.default = _default(one.name)
            option.show_default = f"setting {one.name}"
            home = params.get("home")
            if home is not None:
                # The settings are in the home, so it must be known before the others.
                home.is_eager = True


def _default(name: str) -> Callable[[], Any]:
    def value() -> Any:
        from unhurried.home import home_folder

        context = click.get_current_context(silent=True)
        if context is not None and context.resilient_parsing:
            return None
        option = context.params.get("home") if context is not None else None
        # What wasn't given may stand for itself while click is still reading.
        home = option if isinstance(option, (str, Path)) else None
        return load_settings(home_folder(None if home is None else Path(home)))[name]

    return value
