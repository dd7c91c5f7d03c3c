"""What the page has done by the house; see `review.page.services.Services`."""

from __future__ import annotations

import contextlib
import dataclasses
import functools
import os
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import IO, TYPE_CHECKING, Final, ParamSpec, TypeVar

from library.clips import CLIP_FOLDER
from library.errors import LibraryError
from review.errors import ReviewError
from review.page.calibration_state import ShownCalibration
from review.page.roles import RIGHT_WORDS
from review.page.services import (
    AddAnswers,
    AskedColumn,
    AskedPlayer,
    BallPreview,
    Done,
    FoundFile,
    Say,
    ShownSetting,
)
from unhurried.app.arrivals import Arrivals
from unhurried.app.errors import CommandError
from unhurried.app.watching import Watch
from words.plain import count

if TYPE_CHECKING:
    from library.catalogue import Library

P = ParamSpec("P")
T = TypeVar("T")


def _told(work: Callable[P, T]) -> Callable[P, T]:
    """Turn errors that are this package's own into those that the page tells."""

    @functools.wraps(work)
    def told(*args: P.args, **kwargs: P.kwargs) -> T:
        try:
            return work(*args, **kwargs)
        except CommandError as error:
            raise ReviewError(str(error)) from error

    return told


class PageServices:
    """What the page asks of the house.

    Parameters
    ----------
    home : Path
    end : callable, optional
        Ends the program.
    """

    def __init__(self, home: Path, end: Callable[[], None] | None = None) -> None:
        self._home = Path(home)
        self._end = end
        self._arrivals = Arrivals(self._home)
        self.watch = Watch(self._home)

    def _library(self) -> Library:
        from unhurried.app.ingest import open_library

        return open_library(self._home)

    # -- the start -------------------------------------------------------------------------------

    @_told
    def invented(self) -> tuple[str, ...]:
        """Return the names of the invented players; see `Services`."""
        from unhurried.app.invented import invented_ids

        ids = invented_ids(self._home)
        if not ids:
            return ()
        with self._library() as library:
            return tuple(one.name for one in library.people.all() if one.id in ids)

    @_told
    def make_invented(self, say: Say, *, first: bool = False) -> Done:
        """Make the invented players; see `Services`."""
        from unhurried.app.invented import FOLDER, make_demo_library
        from unhurried.app.invented_people import PEOPLE

        people = PEOPLE[:1] if first else PEOPLE
        # One processor is left to whoever looks at the page.
        workers = max(1, min(2, (os.cpu_count() or 1)))
        make_demo_library(
            self._home, self._home / FOLDER, say, workers=workers, people=people, fresh=True
        )
        names = [person.name for person in people]
        return Done(text=f"{count(len(names), 'invented player')} made.", url="/")

    @_told
    def remove_invented(self) -> Done:
        """Remove the invented players; see `Services`."""
        from unhurried.app.invented import remove_invented

        with self._library() as library:
            removed, stayed = remove_invented(library)
        text = f"{count(removed, 'invented player')} removed."
        if stayed:
            text += f" {', '.join(stayed)} stayed: there are swings of a real sensor."
        return Done(text=text)

    # -- files -----------------------------------------------------------------------------------

    @_told
    def keep_file(self, name: str, source: IO[bytes]) -> str:
        """Take in a file; see `Services`."""
        return self._arrivals.keep(name, source)

    @_told
    def drop_file(self, token: str) -> None:
        """Let go of a file; see `Services`."""
        self._arrivals.drop(token)

    @_told
    def found_file(
        self, token: str, kind: str = "", picked: Mapping[str, str] | None = None
    ) -> FoundFile:
        """Look what a file is; see `Services`."""
        from unhurried.app.file_kinds import look_at

        path = self._arrivals.path(token)
        looked = look_at(path)
        found = FoundFile(token=token, name=path.name, kind=looked.kind, text=looked.text)
        if looked.kind in ("bundle", "recordings"):
            return self._with_people(found, path)
        if looked.kind not in ("table", "balls"):
            return found
        if looked.either and kind in ("table", "balls"):
            found = dataclasses.replace(found, kind=kind)
        found = dataclasses.replace(found, either=looked.either)
        return _with_table(found, path, self._home, picked)

    def _with_people(self, found: FoundFile, path: Path) -> FoundFile:
        """Add whom to ask about."""
        from unhurried.app.who_is_meant import asked_of_bundle, asked_of_recordings

        players: tuple[AskedPlayer, ...] = ()
        changes: tuple[str, ...] = ()
        # What is wrong with it is told when it is taken in.
        with self._library() as library, contextlib.suppress(LibraryError):
            if found.kind == "recordings":
                players = asked_of_recordings(library, path)
            else:
                players, changes = asked_of_bundle(library, path)
        return dataclasses.replace(found, players=players, changes=changes)

    @_told
    def add_file(self, token: str, kind: str, answers: AddAnswers, say: Say) -> Done:
        """Take a file's content in; see `Services`."""
        from unhurried.app import adding
        from unhurried.app.adding_balls import keep_balls
        from unhurried.app.settings import load_settings

        path = self._arrivals.path(token)
        with self._library() as library:
            match kind:
                case "recordings":
                    done = adding.add_recordings(library, path, say, answers.known_as)
                case "bundle":
                    done = adding.add_bundle(library, path, say, answers)
                case "backup":
                    done = adding.add_backup(library, path, say)
                case "table":
                    done = adding.add_table(library, path, answers, say)
                case "balls":
                    done = keep_balls(library, path, answers)
                case "film":
                    chosen = str(load_settings(self._home)["clip_folder"])
                    folder = Path(chosen) if chosen else self._home / CLIP_FOLDER
                    done = adding.add_film(library, path, folder, say)
                case _:
                    raise CommandError("this file can't be added")
        self._arrivals.drop(token)
        return done

    @_told
    def ball_preview(self, token: str, answers: AddAnswers) -> BallPreview:
        """Say which ball results belong to which swings; see `Services`."""
        from review.formatting import Units
        from unhurried.app.adding_balls import ball_preview
        from unhurried.app.settings import load_settings

        units = Units(imperial=load_settings(self._home)["units"] == "imperial")
        with self._library() as library:
            return ball_preview(library, self._arrivals.path(token), answers, units)

    @_told
    def waiting_files(self) -> tuple[tuple[str, str], ...]:
        """Return what came into the watched folder; see `Services`."""
        return tuple((key, path.name) for key, path in self.watch.waiting())

    @_told
    def take_waiting(self, key: str) -> str:
        """Take in a file of the watched folder; see `Services`."""
        path = dict(self.watch.waiting()).get(key)
        if path is None:
            raise CommandError("this file isn't in the watched folder any more")
        try:
            with path.open("rb") as source:
                token = self._arrivals.keep(path.name, source)
        except OSError as error:
            raise CommandError(f"{path.name}: cannot be read") from error
        self.watch.taken(path)
        return token

    # -- the program -----------------------------------------------------------------------------

    @_told
    def make_shortcut(self) -> Done:
        """Put a shortcut where people look for one; see `Services`."""
        from unhurried.app.home import platform_home
        from unhurried.app.shortcut import make_shortcut

        # As it is without a variable, which holds for one terminal only.
        usual = self._home.absolute() == platform_home().absolute()
        made = make_shortcut(None if usual else self._home)
        where = " and ".join(sorted({one.parent.name for one in made}))
        where = where.replace("applications", "the menu").replace("Desktop", "the desktop")
        return Done(text=f"A shortcut is in {where}.")

    @_told
    def settings(self) -> tuple[ShownSetting, ...]:
        """Return the settings of the page; see `Services`."""
        from unhurried.app.settings import SETTINGS, load_settings

        values = load_settings(self._home)
        words = {"metric": "m/s and m", "imperial": "mph and yards", **RIGHT_WORDS}
        return tuple(
            ShownSetting(
                name=one.name,
                label=_SETTINGS[one.name][0],
                value=str(values[one.name]),
                help=_SETTINGS[one.name][1],
                choices=tuple((name, words.get(name, name)) for name in one.choices),
                folder=one.folder,
            )
            for one in SETTINGS
            if one.name in _SETTINGS
        )

    @_told
    def change_settings(self, changes: Mapping[str, str]) -> Mapping[str, object]:
        """Keep settings; see `Services`."""
        from unhurried.app.settings import change_settings, load_settings

        change_settings(self._home, {k: v for k, v in changes.items() if k in _SETTINGS})
        return load_settings(self._home)

    @_told
    def calibrations(self) -> tuple[ShownCalibration, ...]:
        """Return the sensors that are calibrated; see `Services`."""
        from sensor.recording.calibration import known_sensors
        from unhurried.app.calibrating import in_words

        found = []
        for key, items in known_sensors(self._home).items():
            used = [item for item in items if item.withdrawn_at is None]
            if used:
                lines = tuple(in_words(used[-1]))
                found.append(ShownCalibration(key=key, made_at=used[-1].made_at, lines=lines))
        return tuple(found)

    @_told
    def remove_calibration(self, key: str) -> Done:
        """Take a sensor's newest calibration out of use; see `Services`."""
        from sensor.recording.calibration import withdraw_calibration
        from unhurried.app.calibrating import minute

        if key not in {one.key for one in self.calibrations()}:
            raise CommandError("that sensor has no calibration in use")
        gone = withdraw_calibration(self._home, key)
        return Done(text=f"{key}: the calibration of {minute(gone.made_at)} is out of use.")

    @_told
    def can_close(self) -> bool:
        """Tell whether the program can be ended; see `Services`."""
        return self._end is not None

    @_told
    def close_program(self) -> bool:
        """End the program; see `Services`."""
        if self._end is None:
            return False
        self._end()
        return True


_SETTINGS: Final = {
    "units": ("Speeds and distances in", ""),
    "tone_level": (
        "How loud a tone is, 0.01 to 0.9",
        "Start low, and lower still for children.",
    ),
    "rest_s": ("Least rest after a swing of a drill, in seconds", ""),
    "phone_may": ("A phone that is let in may", "On Range another right can be chosen for a code."),
    "clip_folder": ("Films are in", "Empty: the folder for films beside the recordings."),
    "watched_folder": ("Watch this folder", "Recordings that are put there come in by themselves."),
}
"""Settings of the page: label, and a line below."""

_TABLE_WORDS: Final = {"time": "Time", "acc": "Acceleration", "gyr": "Rotation"}


def _with_table(
    found: FoundFile, path: Path, home: Path, picked: Mapping[str, str] | None
) -> FoundFile:
    """Add what a table's columns most likely are, and its first rows."""
    from sensor.recording.column_guess import guess_columns
    from sensor.recording.csvlines import UNITS

    if found.kind == "balls":
        from library.ball_results import first_rows, read_header
        from unhurried.app.adding_balls import ball_columns

        return dataclasses.replace(
            found,
            titles=tuple(read_header(path)),
            rows=tuple(tuple(row) for row in first_rows(path, 5)),
            columns=ball_columns(home, path),
        )
    guess = guess_columns(path, picked)
    columns = []
    for one in guess.columns:
        kind, *rest = one.ours.split("_")
        words = f"{_TABLE_WORDS[kind]} {rest[0]}" if kind != "time" else _TABLE_WORDS[kind]
        columns.append(
            AskedColumn(
                name=one.ours,
                words=words,
                title=one.title,
                unit=one.unit,
                units=tuple(UNITS[kind]),
                doubt=one.doubt,
            )
        )
    return dataclasses.replace(
        found, titles=guess.titles, rows=guess.rows, columns=tuple(columns), start=guess.start
    )
