"""Opening a recording with what the options of a command say."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from unhurried.app.errors import CommandError, show
from words.units import G_N_M_S2

if TYPE_CHECKING:
    from sensor.recording.calibration import Calibration
    from sensor.recording.reader import Recording

    ParamType = click.ParamType[Any]


# What --calibration says beside a name.
AUTO = "auto"

NONE = "none"

# A chip's full scale is a little wider than its round name (2000 deg/s: 2293 at most, from memory),
# and a calibration may stretch readings.
_WIDER = 1.2


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
        As in `sensor.recording.reader.open_recording`.
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
    from sensor.errors import OtherMountError
    from sensor.recording.opening import open_recording
    from sensor.recording.reader import NO_SAMPLES

    if column_map is not None and path.is_dir():
        raise click.BadParameter(
            f"{path} is a recording, and a column map is for CSV files: leave it out",
            param_hint="'--map'",
        )
    chosen = _calibration(path, calibration, home, gyr_range_dps, acc_range_g)

    try:
        recording = open_recording(
            path,
            mount=mount,
            hand=hand,
            gyr_range_dps=gyr_range_dps,
            acc_range_g=acc_range_g,
            column_map=column_map,
            calibration=chosen,
        )
    except OtherMountError as error:
        raise click.BadParameter(
            f"the recording says {error.own}; leave --mount out (if {error.own} is wrong: export "
            f"{path} as CSV and import that with --mount {mount})",
            param_hint="'--mount'",
        ) from error
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


def _beyond_range(
    recording: Recording, gyr_range_dps: float | None, acc_range_g: float | None
) -> Iterator[str]:
    """Say that readings are larger than a range that was given, so that it can't be the range."""
    if gyr_range_dps is None and acc_range_g is None:
        return
    gyr = acc = 0.0
    for block in recording.blocks():
        gyr = max(gyr, float(abs(block.gyr_dps).max(initial=0.0)))
        acc = max(acc, float(abs(block.acc_m_s2).max(initial=0.0)) / G_N_M_S2)
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
    from sensor.errors import RecordingError
    from sensor.recording.calibration import (
        CalibrationError,
        calibration_for,
        load_calibration,
        sensor_key,
    )
    from sensor.recording.session import read_session
    from unhurried.app.home import home_folder

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
