"""Arguments, options and small helpers that several commands share."""

from __future__ import annotations

import contextlib
import dataclasses
import functools
import math
import re
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from sensor.recording.schema import HANDS
from unhurried.app.home import HOME_VARIABLE
from unhurried.app.text import MOST_NAME
from unhurried.commands.opening import (
    AUTO,
)
from words.glossary import MOUNTS

if TYPE_CHECKING:
    from sensor.link.source import Source

    ParamType = click.ParamType[Any]
else:
    # Generic for the type checker only: click 8.1 has no parameters for it.
    ParamType = click.ParamType

Command = TypeVar("Command", bound=Callable[..., Any])


class FiniteRange(click.FloatRange):
    """A number within limits; neither nan, which passes any comparison, nor inf."""

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        number = float(super().convert(value, param, ctx))
        if not math.isfinite(number):
            self.fail(f"'{value}' is not a number that can be used", param, ctx)
        return number


class PlainName(ParamType):
    """A name of a player or club: one line of text, without control characters."""

    name = "name"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        text = str(value)
        if len(text) > MOST_NAME:
            self.fail(f"a name has at most {MOST_NAME} characters, not {len(text)}", param, ctx)
        if not text.isprintable():
            self.fail("a name is plain text, without control characters", param, ctx)
        return text


class ExistingPath(ParamType):
    """A path that must be there: exit code 2 if not."""

    name = "path"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Path:
        path = Path(value)
        try:
            path.stat()
        except (FileNotFoundError, NotADirectoryError):
            recording, mark, number = str(value).rpartition("#")
            if mark and recording and Path(recording).exists():
                self.fail(self._why_no_swing(recording, number, ctx), param, ctx)
            self.fail(f"'{path}' does not exist", param, ctx)
        except (OSError, ValueError):
            # Whoever opens it says why it cannot be read.
            pass
        return path

    def _why_no_swing(self, recording: str, _number: str, ctx: click.Context | None) -> str:
        command = ctx.info_name if ctx is not None and ctx.info_name else "this command"
        return f"{command} takes no #N: give '{recording}' alone"


@dataclass(frozen=True, slots=True)
class SwingPath:
    """A recording, or with `PATH#N` one of its swings, counted from 1."""

    path: Path
    index: int | None


class ExistingSwingPath(ExistingPath):
    """`PATH` or `PATH#N`; a name that really ends in #N is taken as it is."""

    name = "path[#n]"

    def convert(  # type: ignore[override]
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> SwingPath:
        if isinstance(value, SwingPath):
            return value
        text = str(value)
        match = re.fullmatch(r"(.+)#(\d+)", text)
        if match is None or Path(text).exists():
            return SwingPath(super().convert(text, param, ctx), None)
        index = int(match[2])
        if index < 1:
            self.fail(f"swings are counted from 1, so there is no #{index}", param, ctx)
        return SwingPath(super().convert(match[1], param, ctx), index)

    def _why_no_swing(self, recording: str, number: str, _ctx: click.Context | None) -> str:
        return f"'{number}' after # is not a number: {recording}#3 is its third swing"


def gathered(name: str, into: type[Any]) -> Callable[[Command], Command]:
    """Hand a command the options that are fields of a dataclass as one argument."""
    fields = [item.name for item in dataclasses.fields(into)]

    def wrap(command: Command) -> Command:
        @functools.wraps(command)
        def called(**given: Any) -> Any:
            values = {field: given.pop(field) for field in fields}
            return command(**given, **{name: into(**values)})

        return called  # type: ignore[return-value]

    return wrap


def with_options(command: Command, *options: Callable[[Command], Command]) -> Command:
    """Add options to a command, in the order of its help."""
    for option in reversed(options):
        command = option(command)
    return command


def library_option(command: Command) -> Command:
    """Add --no-library, as the argument `to_library`."""
    return click.option(
        "--library/--no-library",
        "to_library",
        default=True,
        help="At the end measure the session and put it into the library.  [default: --library]",
    )(command)


def mount_option(command: Command) -> Command:
    """Add --mount: where the sensor was worn."""
    return click.option(
        "--mount",
        type=click.Choice(MOUNTS),
        help="Where the sensor was: lead wrist, back of the lead hand, club shaft, upper back.",
    )(command)


def hand_option(command: Command) -> Command:
    """Add --hand: right- or left-handed player."""
    return click.option("--hand", type=click.Choice(HANDS), help="The player's handedness.")(
        command
    )


def range_options(command: Command) -> Command:
    """Add --gyr-range-dps and --acc-range-g: the ranges that the sensor was set to."""
    positive = FiniteRange(min=0.0, min_open=True)
    command = click.option(
        "--acc-range-g",
        type=positive,
        help="Accelerometer range in g: larger readings are clipped.",
    )(command)
    return click.option(
        "--gyr-range-dps", type=positive, help="Gyro range in deg/s: larger readings are clipped."
    )(command)


def map_option(command: Command) -> Command:
    """Add --map: names and units of a CSV file's columns."""
    return click.option(
        "--map",
        "column_map",
        metavar="MAP",
        help='Columns of a CSV file with other names or units: "time_s=t:ms, acc_x_m_s2=ax:g, '
        'gyr_x_deg_s=gx:rad/s". Units: s ms us ns; m/s2 g mg; deg/s rad/s.',
    )(command)


def file_options(command: Command) -> Command:
    """Add what a file may not say: --mount --hand --gyr-range-dps --acc-range-g --map."""
    return mount_option(hand_option(range_options(map_option(command))))


def calibration_option(command: Command) -> Command:
    """Add --calibration: which calibration of the sensor corrects the values that are read."""
    return click.option(
        "--calibration",
        default=AUTO,
        show_default=True,
        metavar="auto|none|SENSOR|FILE",
        help="Calibration to apply: the sensor's own if made before the recording, none, or that "
        "of a sensor or file by name.",
    )(command)


def recording_options(command: Command) -> Command:
    """Add all that `open_with` takes: those of `file_options`, and --calibration."""
    return file_options(calibration_option(command))


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionOptions:
    """Where samples come from and whose they are, as `session_options` reads it."""

    sensors: tuple[str, ...]
    simulated: bool
    replay: Path | None
    speed: float
    seed: int
    profile: str | None
    player: str | None
    club: str | None
    mounts: tuple[str, ...]
    hand: str | None

    def check(self) -> None:
        """Refuse what doesn't go together, or a profile that isn't one.

        Raises
        ------
        click.UsageError
        """
        from sensor.link.profile import ProfileError, load_profile

        if bool(self.sensors) + self.simulated + (self.replay is not None) > 1:
            raise click.UsageError("give only one of --sensor, --simulated and --replay")
        if len({name.casefold() for name in self.sensors}) < len(self.sensors):
            raise click.UsageError(
                "the same --sensor is given twice: name another, or give it once"
            )
        if self.profile is None:
            return
        if self.simulated or self.replay is not None:
            raise click.UsageError(
                "--profile is for a real sensor: leave it out with --simulated and --replay"
            )
        try:
            load_profile(self.profile)
        except ProfileError as error:
            raise click.UsageError(f"--profile: {error}") from error

    def mount(self, number: int = 0) -> str | None:
        """Return where a sensor is, from 0."""
        return self.mounts[number % len(self.mounts)] if self.mounts else None

    def source(
        self,
        number: int = 0,
        *,
        keep: bool,
        rate_hz: float | None,
        seconds: float | None,
        balls: bool = True,
    ) -> Source:
        """Open a sensor, from 0.

        ``keep``: the library is to have what comes from it. ``balls``: a simulated player hits
        some.
        """
        from unhurried.app.live import forget_invented, open_source

        source = open_source(
            sensor=self.sensors[number] if self.sensors else None,
            simulated=self.simulated,
            replay=self.replay,
            speed=self.speed,
            seed=self.seed + number,
            seconds=seconds,
            mount=self.mount(number),
            hand=self.hand,
            player=self.player,
            club=self.club,
            rate_hz=rate_hz,
            profile=self.profile,
            balls=balls,
        )
        if keep and self.simulated:
            forget_invented(source, player=self.player, hand=self.hand)
        return source


def session_options(
    *, player: str, club: str, mount: str, hand: str = "The player's handedness."
) -> Callable[[Command], Command]:
    """Add where samples come from and who swings, as the argument `session`.

    Parameters
    ----------
    player, club, mount, hand : str
        What the command says of each.
    """

    def add(command: Command) -> Command:
        return with_options(
            gathered("session", SessionOptions)(command),
            click.option(
                "--sensor",
                "sensors",
                multiple=True,
                metavar="NAME|ADDRESS",
                help="Which sensor, if more than one is near. Twice: two at once, a recording "
                "each.",
            ),
            click.option(
                "--simulated", is_flag=True, help="A simulated sensor; no Bluetooth needed."
            ),
            click.option(
                "--replay",
                type=ExistingPath(),
                metavar="PATH",
                help="Send a recording (folder or CSV file) once more.",
            ),
            click.option(
                "--speed",
                type=FiniteRange(min=0.0, max=1000.0),
                default=1.0,
                show_default=True,
                help="Of a simulation or replay; 0 is as fast as it can.",
            ),
            click.option(
                "--seed",
                type=click.IntRange(min=0),
                default=0,
                show_default=True,
                help="Of a simulation: the same seed gives the same swings.",
            ),
            click.option(
                "--profile",
                metavar="NAME|FILE",
                help="How the sensor is to be read, where that can't be told by itself.",
            ),
            click.option("--player", type=PlainName(), metavar="NAME", help=player),
            click.option("--club", type=PlainName(), metavar="NAME", help=club),
            click.option("--mount", "mounts", type=click.Choice(MOUNTS), multiple=True, help=mount),
            click.option("--hand", type=click.Choice(HANDS), help=hand),
        )

    return add


def folder_option(command: Command) -> Command:
    """Add --out: the folder to record in."""
    return click.option(
        "--out",
        type=click.Path(path_type=Path),
        metavar="FOLDER",
        help="Where to record.  [default: a folder with date and time, here]",
    )(command)


def overwrite_option(command: Command) -> Command:
    """Add --overwrite."""
    return click.option("--overwrite", is_flag=True, help="Replace output that is there already.")(
        command
    )


def overwrite_plot_option(command: Command) -> Command:
    """Add --overwrite to a command that writes no file but a plot."""
    return click.option(
        "--overwrite", is_flag=True, help="Let --plot replace a file that is there already."
    )(command)


def json_option(command: Command) -> Command:
    """Add --json, as the argument `as_json`."""
    return click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")(
        command
    )


@contextlib.contextmanager
def progress(total: int, label: str) -> Iterator[Callable[[int], None]]:
    """Give a function that moves a bar on stderr on; without a terminal it does nothing."""
    if not sys.stderr.isatty() or total <= 0:
        yield lambda _: None
        return
    with click.progressbar(length=total, label=label, file=sys.stderr) as bar:
        yield bar.update


@dataclass(frozen=True, slots=True, kw_only=True)
class PageOptions:
    """Whether the page is wanted, and for whom; see `unhurried.app.pages.live_page`."""

    page: bool
    port: int | None
    share_page: bool


def page_options(command: Command) -> Command:
    """Add --page, --port and --share, as the argument `page`."""
    from unhurried.commands.share_option import share_option

    return with_options(
        gathered("page", PageOptions)(command),
        click.option(
            "--page", is_flag=True, help="Show it in a browser as well, and take taps from there."
        ),
        click.option(
            "--port",
            type=click.IntRange(0, 65535),
            metavar="N",
            help="Port of the page; 0 is any that is free.  [default: 8737, or any]",
        ),
        share_option,
    )


def home_option(command: Command) -> Command:
    """Add --home, as the argument `home` (Path or None) for `home_folder`."""
    return click.option(
        "--home",
        type=click.Path(path_type=Path, file_okay=False),
        metavar="DIR",
        help=f"Folder for calibrations, players and library.  [default: ${HOME_VARIABLE}, or the "
        "system's place for such data]",
    )(command)
