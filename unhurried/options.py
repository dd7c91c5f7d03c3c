"""Arguments, options and small helpers that several commands share."""

from __future__ import annotations

import contextlib
import math
import re
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from sensor.session import HANDS, MOUNTS
from unhurried.errors import CommandError, show

if TYPE_CHECKING:
    from sensor.calibration import Calibration
    from sensor.recording import Recording

    ParamType = click.ParamType[Any]
else:
    # Generic for the type checker only: click 8.1 has no parameters for it.
    ParamType = click.ParamType

Command = TypeVar("Command", bound=Callable[..., Any])

# What --calibration says beside a name.
AUTO = "auto"
NONE = "none"


# A name that is longer breaks every table.
MOST_NAME = 200


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


def source_options(command: Command) -> Command:
    """Add what says where samples come from: a radio, a simulation or a replay."""
    options = (
        click.option(
            "--sensor",
            "sensors",
            multiple=True,
            metavar="NAME|ADDRESS",
            help="Which sensor, if more than one is near. Twice: two at once, a recording each.",
        ),
        click.option("--simulated", is_flag=True, help="A simulated sensor; no Bluetooth needed."),
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
    )
    for option in reversed(options):
        command = option(command)
    return command


def session_options(
    *, player: str, club: str, mount: str, hand: str = "The player's handedness."
) -> Callable[[Command], Command]:
    """Add where samples come from and whose they are: those of `source_options`, and who swings.

    The latter are --player --club --mount (as `mounts`) --hand.

    Parameters
    ----------
    player, club, mount, hand : str
        What the command says of each.
    """

    def add(command: Command) -> Command:
        command = click.option("--hand", type=click.Choice(HANDS), help=hand)(command)
        command = click.option(
            "--mount", "mounts", type=click.Choice(MOUNTS), multiple=True, help=mount
        )(command)
        command = click.option("--club", type=PlainName(), metavar="NAME", help=club)(command)
        command = click.option("--player", type=PlainName(), metavar="NAME", help=player)(command)
        return source_options(command)

    return add


def folder_option(command: Command) -> Command:
    """Add --out: the folder to record in."""
    return click.option(
        "--out",
        type=click.Path(path_type=Path),
        metavar="FOLDER",
        help="Where to record.  [default: a folder with date and time, here]",
    )(command)


def check_source(
    sensors: Sequence[str], *, simulated: bool, replay: Path | None, profile: str | None
) -> None:
    """Refuse options of `source_options` that don't go together, or a profile that isn't one.

    Raises
    ------
    click.UsageError
    """
    from sensor.profile import ProfileError, load_profile

    context = click.get_current_context()
    if bool(sensors) + simulated + (replay is not None) > 1:
        raise click.UsageError("give only one of --sensor, --simulated and --replay", context)
    if len({name.casefold() for name in sensors}) < len(sensors):
        raise click.UsageError(
            "the same --sensor is given twice: name another, or give it once", context
        )
    if profile is None:
        return
    if simulated or replay is not None:
        raise click.UsageError(
            "--profile is for a real sensor: leave it out with --simulated and --replay", context
        )
    try:
        load_profile(profile)
    except ProfileError as error:
        raise click.UsageError(f"--profile: {error}", context) from error


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


def open_with(
    path: Path,
    *,
    mount: str | None = None,
    hand: str | None = None,
    gyr_range_dps: float | None = None,
    acc_range_g: float | None = None,
    column_map: str | None = None,
    calibration: str = NONE,
    home: Path | None = None,
    warn: bool = True,
) -> Recording:
    """Open a recording with the values of `recording_options` and tell its warnings on stderr.

    What calibration is applied is told there too.

    Parameters
    ----------
    path : Path
    mount, hand, gyr_range_dps, acc_range_g, column_map : optional
        As in `sensor.recording.open_recording`.
    calibration : str
        As --calibration has it; none where the command has no such option.
    home : Path, optional
        As --home has it; left out, that of the command at hand.
    warn : bool
        False: the command shows warnings and calibration itself.

    Raises
    ------
    click.BadParameter
        It says itself that the sensor was somewhere else.
    CommandError
        There is not one sample in it.
    SensorError
        It cannot be read.
    """
    from sensor.recording import NO_SAMPLES, open_recording

    if mount is not None:
        _check_mount(path, mount)
    chosen = _calibration(path, calibration, home, gyr_range_dps, acc_range_g)

    recording = open_recording(
        path,
        mount=mount,
        hand=hand,
        gyr_range_dps=gyr_range_dps,
        acc_range_g=acc_range_g,
        column_map=column_map,
        calibration=chosen,
    )
    if recording.n_samples == 0:
        recording.close()
        reasons = [text for text in recording.warnings if text != NO_SAMPLES]
        why = "; ".join(reasons) or "nothing was recorded, or the copy failed"
        raise CommandError(f"{path}: holds no samples: {why}")
    if warn:
        beyond = _beyond_range(recording, gyr_range_dps, acc_range_g)
        for text in (*recording.warnings, *beyond):
            show(f"{path}: {text}")
        if chosen is not None:
            show(f"{path}: calibration applied: {chosen.describe()}")
    return recording


def _check_mount(path: Path, mount: str) -> None:
    """Refuse another mount than a recording's own: its swings would get other numbers and words."""
    from sensor.errors import RecordingError
    from sensor.session import read_session

    if not path.is_dir():
        # A CSV file doesn't say where the sensor was.
        return
    try:
        own = read_session(path).mount
    except RecordingError:
        # Whoever opens it says why it cannot be read.
        return
    if own is not None and own != mount:
        raise click.BadParameter(
            f"the recording says {own}; leave --mount out (if {own} is wrong: export {path} as CSV "
            f"and import that with --mount {mount})",
            param_hint="'--mount'",
        )


# A chip's full scale is a little wider than its round name (2000 deg/s: 2293 at most, from memory),
# and a calibration may stretch readings.
_WIDER = 1.2
_G_N_M_S2 = 9.80665  # NIST SP 811


def _beyond_range(
    recording: Recording, gyr_range_dps: float | None, acc_range_g: float | None
) -> Iterator[str]:
    """Say that readings are larger than a range that was given, so that it can't be the range."""
    if gyr_range_dps is None and acc_range_g is None:
        return
    gyr = acc = 0.0
    for block in recording.blocks():
        gyr = max(gyr, float(abs(block.gyr_dps).max(initial=0.0)))
        acc = max(acc, float(abs(block.acc_m_s2).max(initial=0.0)) / _G_N_M_S2)
    for option, given, most, unit in (
        ("--gyr-range-dps", gyr_range_dps, gyr, "deg/s"),
        ("--acc-range-g", acc_range_g, acc, "g"),
    ):
        if given is not None and most > _WIDER * given:
            yield (
                f"{option} {given:g} can't be the range, readings go up to {most:.4g} {unit}: all "
                "beyond it count as clipped"
            )


def _calibration(
    path: Path,
    name: str,
    home: Path | None,
    gyr_range_dps: float | None,
    acc_range_g: float | None,
) -> Calibration | None:
    """Find the calibration that --calibration means for a recording."""
    if name == NONE:
        return None
    if name == AUTO and not path.is_dir():
        # A CSV file doesn't say which sensor it is from.
        return None
    from sensor.calibration import (
        CalibrationError,
        calibration_for,
        load_calibration,
        sensor_key,
    )
    from sensor.errors import RecordingError
    from sensor.session import read_session
    from unhurried.home import home_folder

    if home is None:
        context = click.get_current_context(silent=True)
        home = context.params.get("home") if context is not None else None
    if name != AUTO:
        return load_calibration(home_folder(home), name)
    try:
        session = read_session(path)
    except RecordingError:
        # Whoever opens it says why it cannot be read.
        return None
    if sensor_key(session.sensor) is None:
        return None
    try:
        where = home_folder(home)
        found = calibration_for(
            where,
            session.sensor,
            session.start,
            gyr_range_dps=gyr_range_dps or session.gyr_range_dps,
            acc_range_g=acc_range_g or session.acc_range_g,
        )
        if found is None:
            other = calibration_for(where, session.sensor, session.start)
            if other is not None:
                show(
                    f"{path}: the sensor's calibration was made in other ranges, so it isn't "
                    f"applied by itself: --calibration {other.key} applies it all the same"
                )
        return found
    except (CalibrationError, CommandError) as error:
        # Nobody asked for one by name: go on, but not in silence.
        show(f"{path}: no calibration applied: {error}")
        return None


def clock(time_s: float | None) -> str:
    """Write a time or a length as m:ss or h:mm:ss, whole seconds that have passed."""
    if time_s is None:
        return "-"
    minutes, seconds = divmod(int(max(time_s, 0.0)), 60)
    hours, rest = divmod(minutes, 60)
    return f"{hours}:{rest:02d}:{seconds:02d}" if hours else f"{minutes}:{seconds:02d}"


def length(duration_s: float) -> str:
    """Write how long a recording is, to the nearest second."""
    return f"{clock(round(duration_s))} min"


@contextlib.contextmanager
def progress(total: int, label: str) -> Iterator[Callable[[int], None]]:
    """Give a function that moves a bar on stderr on; without a terminal it does nothing."""
    if not sys.stderr.isatty() or total <= 0:
        yield lambda _: None
        return
    with click.progressbar(length=total, label=label, file=sys.stderr) as bar:
        yield bar.update
