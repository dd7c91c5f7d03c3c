"""`unhurried calibrate`: measure a sensor's scale and offset, keep them, and show what is kept."""

from __future__ import annotations

import dataclasses
import json
import logging
import re
import textwrap
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from sensor.recording.output import whole_file
from unhurried.app.calibrating import (
    PARTS,
    completed_by,
    kept,
    measured,
    minute,
    record_procedure,
)
from unhurried.app.errors import show
from unhurried.app.home import home_folder, home_log
from unhurried.app.new_folder import dated
from unhurried.app.shutdown import shutdown_on_signals
from unhurried.commands.opening import open_with
from unhurried.commands.options import (
    ExistingPath,
    FiniteRange,
    home_option,
    json_option,
    map_option,
    overwrite_option,
    range_options,
)
from unhurried.commands.short_help import ShortHelp
from words.plain import clock
from words.units import G_N_M_S2

if TYPE_CHECKING:
    from sensor.calibration.procedure import Procedure, ProcedureParams
    from sensor.recording.calibration import Calibration

_log = logging.getLogger(__name__)

WIDTH = 79
# Gravity on the Earth's surface; looked up for a place it is right to the third decimal or better.
LOCAL_GRAVITY = (9.76, 9.84)
LOCAL_GRAVITY_U = 0.0005


@click.command(
    "calibrate",
    cls=ShortHelp,
    more=(
        *("sensor", "profile", "replay", "out", "angle_u_deg", "gravity_m_s2", "folder"),
        *("gyr_range_dps", "acc_range_g", "column_map", "as_json", "home", "overwrite"),
    ),
)
@click.option(
    "--from",
    "source",
    type=ExistingPath(),
    metavar="PATH",
    help="The recording or CSV file that holds the procedure.",
)
@click.option(
    "--guided",
    is_flag=True,
    help="Record the procedure now: you are told what to do, step by step.",
)
@click.option("--sensor", metavar="NAME|ADDRESS", help="With --guided: which sensor.")
@click.option("--profile", metavar="NAME|FILE", help="With --guided: how the sensor is read.")
@click.option(
    "--replay",
    type=ExistingPath(),
    metavar="PATH",
    help="With --guided: send a recording once more instead of a sensor.",
)
@click.option(
    "--record-to",
    "folder",
    type=click.Path(path_type=Path),
    metavar="FOLDER",
    help="With --guided: where to record.  [default: a folder with date and time, here]",
)
@click.option(
    "--as",
    "name",
    metavar="NAME",
    help="Whose calibration it is, where the recording doesn't say: small letters, digits, - _ .",
)
@click.option(
    "--angle",
    "angle_deg",
    type=FiniteRange(min=45.0, max=3600.0),
    default=360.0,
    show_default=True,
    help="Angle of the turns in deg (or multiples of it). A whole turn is best.",
)
@click.option(
    "--angle-u",
    "angle_u_deg",
    type=FiniteRange(min=0.01, max=10.0),
    default=1.0,
    show_default=True,
    help="Standard uncertainty of that angle, deg.",
)
@click.option(
    "--gravity",
    "gravity_m_s2",
    type=FiniteRange(*LOCAL_GRAVITY),
    help=f"Local gravity in m/s2.  [default: standard gravity, {G_N_M_S2}, "
    "with what it may be off]",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Write the calibration to this file instead of the home.",
)
@click.option("--show", "shown", is_flag=True, help="Show the calibrations that are kept.")
@click.option(
    "--remove",
    metavar="NAME",
    help="Take a sensor's newest calibration out of use. It stays in the file.",
)
@range_options
@map_option
@json_option
@overwrite_option
@home_option
def command(
    source: Path | None,
    guided: bool,
    sensor: str | None,
    profile: str | None,
    replay: Path | None,
    folder: Path | None,
    name: str | None,
    angle_deg: float,
    angle_u_deg: float,
    gravity_m_s2: float | None,
    out: Path | None,
    shown: bool,
    remove: str | None,
    as_json: bool,
    overwrite: bool,
    home: Path | None,
    **options: Any,
) -> None:
    """Find a sensor's scale and offset, and keep them for its later recordings.

    \b
    The procedure, at the sensor's usual temperature, on a firm level table:
      1. Lay the sensor on each of its six faces, hands off, two seconds each.
      2. Lay it against a straight edge (a heavy book), hands off for two
         seconds. Turn it on the table once round, back against the edge, hands
         off. Four times, half of them each way. Then the same with it standing
         on two other sides, so that it is turned about all three of its axes.

    It is found in the recording by itself; other things may come before, between and after.
    Either part will do alone. Recordings of the same sensor made later are then corrected
    as they are read; nothing is changed in any file. Earlier ones are with --calibration NAME.

    \b
    Examples:
      unhurried calibrate --guided
      unhurried calibrate --from TABLE-SESSION
      unhurried calibrate --from PHONE.csv --as my-phone --angle 90
      unhurried calibrate --show
      unhurried analyze OLD-SESSION --calibration my-phone
    """
    if sum((source is not None, guided, shown, remove is not None)) != 1:
        raise click.UsageError("give one of --from PATH, --guided, --show and --remove NAME")
    if not guided and (sensor or profile or replay or folder):
        raise click.UsageError("--sensor, --profile, --replay and --record-to go with --guided")
    if name is not None:
        _check_name(name, "--as")
    where = home_folder(home)
    if shown:
        _show(where, as_json=as_json)
        return
    if remove is not None:
        _remove(where, _check_name(remove, "--remove"))
        return
    from sensor.calibration.procedure import ProcedureParams

    params = ProcedureParams(angle_deg=angle_deg, angle_u_deg=angle_u_deg)
    if gravity_m_s2 is not None:
        params = dataclasses.replace(
            params, gravity_m_s2=gravity_m_s2, gravity_u_m_s2=LOCAL_GRAVITY_U
        )
    if guided:
        names = dated(Path(), "calibration-") if folder is None else iter([folder])
        with home_log(where):
            source = _record(names, params, sensor=sensor, profile=profile, replay=replay)
    assert source is not None
    procedure, period_s = _measure(source, name, params, options)
    _keep(where, procedure, period_s, source, out, as_json=as_json, overwrite=overwrite)


def _record(
    names: Iterator[Path],
    params: ProcedureParams,
    *,
    sensor: str | None,
    profile: str | None,
    replay: Path | None,
) -> Path:
    """Record the procedure from a sensor, saying what to do; return where it is recorded."""
    from sensor.link.status import LinkEvent
    from unhurried.app.live import open_source

    source = open_source(
        sensor=sensor, profile=profile, replay=replay, speed=0.0 if replay else 1.0
    )

    def say(text: str) -> None:
        for line in textwrap.wrap(text, WIDTH, break_on_hyphens=False):
            click.echo(line, err=True)

    def on_event(event: LinkEvent) -> None:
        if event.warning:
            show(event.text)

    # Ctrl-C ends the recording; what was done so far may be enough.
    with shutdown_on_signals() as end:
        folder = record_procedure(source, names, params, ending=end, say=say, on_event=on_event)
    click.echo(f"{folder}: recorded", err=True)
    return folder


def _check_name(text: str, option: str) -> str:
    if not re.fullmatch(r"[a-z0-9][a-z0-9._-]{0,79}", text):
        raise click.BadParameter(
            f"'{text}' is not a sensor's name: small letters, digits, - _ .",
            param_hint=f"'{option}'",
        )
    return text


def _measure(
    source: Path, name: str | None, params: ProcedureParams, options: dict[str, Any]
) -> tuple[Procedure, float]:
    from sensor.recording.calibration import sensor_key

    with open_with(source, **options) as recording:
        procedure = measured(recording, name, params)
        own = sensor_key(recording.session.sensor)
        if own is not None and own != procedure.calibration.key:
            show(
                f"{source}: its sensor is {own}; kept as {name}, it applies only where "
                "--calibration asks for it"
            )
        return procedure, recording.period_s


def _keep(
    home: Path,
    procedure: Procedure,
    period_s: float,
    source: Path,
    out: Path | None,
    *,
    as_json: bool,
    overwrite: bool,
) -> None:
    for text in procedure.remarks:
        show(f"{source}: {text}")
    if out is None:
        procedure, told = completed_by(home, procedure)
        for text in told:
            show(f"{source}: {text}")
    calibration = procedure.calibration
    if out is not None:
        with whole_file(out, overwrite=overwrite) as file:
            text = json.dumps(calibration.to_dict(), indent=2, ensure_ascii=False, allow_nan=False)
            file.write(f"{text}\n".encode())
        file_kept = out
    else:
        file_kept = kept(home, procedure, source)
    if as_json:
        click.echo(json.dumps(calibration.to_dict(), indent=2, ensure_ascii=False))
    else:
        for line in lines(procedure, period_s):
            click.echo(line)
        if out is None:
            _say(
                f"Applies by itself to recordings of {calibration.key} made from "
                f"{minute(calibration.made_at)} on, and to others with --calibration "
                f"{calibration.key}."
            )
        else:
            _say(f"Applies with --calibration {out}.")
    click.echo(f"{file_kept}: written", err=True)


def _say(text: str) -> None:
    for line in textwrap.wrap(text, WIDTH, break_on_hyphens=False):
        click.echo(line)


def lines(procedure: Procedure, period_s: float) -> Iterator[str]:
    """Give what was found and what follows, none wider than 80 columns."""
    calibration = procedure.calibration
    yield f"Sensor {calibration.key}, {minute(calibration.made_at)}"
    yield ""
    if procedure.acc is not None:
        yield "Still positions:  up  gravity read, m/s2"
        for number, rest in enumerate(procedure.positions, start=1):
            size = float((rest.acc_m_s2 @ rest.acc_m_s2) ** 0.5)
            time = clock(rest.first_seq * period_s)
            yield f"  {number:>2} {time:>6}        {_axis(rest.acc_m_s2.tolist()):>3}  {size:.3f}"
        yield ""
    if procedure.gyr is not None:
        yield "Turns:            about  read, deg     was"
        for number, turn in enumerate(procedure.turns, start=1):
            time = clock(turn.first_seq * period_s)
            yield (
                f"  {number:>2} {time:>6}         {_axis(turn.axis.tolist()):>4}  "
                f"{turn.angle_deg:>9.2f}  {turn.known_deg:>6.0f}"
            )
        yield ""
    yield from facts(calibration)


def facts(calibration: Calibration) -> Iterator[str]:
    """Give the lines of one calibration: each number with its standard uncertainty."""
    yield f"{'':16}{'x':^17} {'y':^17} {'z':^17}".rstrip()
    if calibration.acc_matrix is None or calibration.acc_offset_m_s2 is None:
        yield "acc             not calibrated"
    else:
        offset = _pairs(calibration.acc_offset_m_s2, calibration.acc_offset_u_m_s2)
        yield f"acc offset m/s2 {offset}"
        scale = _pairs([calibration.acc_matrix[i][i] for i in range(3)], calibration.acc_scale_u)
        yield f"acc factor      {scale}"
    if calibration.gyr_matrix is None:
        yield "gyro            not calibrated"
    else:
        scale = _pairs([calibration.gyr_matrix[i][i] for i in range(3)], calibration.gyr_axis_u)
        yield f"gyro factor     {scale}"
    for part, word in PARTS.items():
        made_at = calibration.extra.get(f"{part}_made_at")
        if made_at is not None:
            yield f"The {word}'s part is that of {minute(str(made_at))}."
    share = 100.0 * calibration.gyr_scale_u
    yield ""
    yield from textwrap.wrap(
        f"Readings are multiplied by the factors. A rotation about any axis is known to "
        f"{share:.2g} % or better (standard uncertainty; 1 % where it isn't calibrated).",
        WIDTH,
    )


def _pairs(values: Sequence[float], us: Sequence[float] | None) -> str:
    if us is None:
        return " ".join(f"{value:>8.4f}{'':9}" for value in values).rstrip()
    return " ".join(f"{value:>8.4f} ± {u:.4f}" for value, u in zip(values, us, strict=True))


def _axis(values: list[float]) -> str:
    """Name the sensor's axis that points about there; "~" where none is near."""
    largest = max(range(3), key=lambda k: abs(values[k]))
    size = sum(value * value for value in values) ** 0.5
    near = "" if abs(values[largest]) > 0.94 * size else "~"
    return f"{near}{'+' if values[largest] > 0 else '-'}{'xyz'[largest]}"


def _show(home: Path, *, as_json: bool) -> None:
    from sensor.recording.calibration import known_sensors

    found = known_sensors(home)
    if as_json:
        document = {key: [item.to_dict() for item in items] for key, items in found.items()}
        click.echo(json.dumps(document, indent=2, ensure_ascii=False))
        return
    if not found:
        click.echo(f"{home}: no calibrations are kept. 'unhurried calibrate --help' says how.")
        return
    for index, (key, items) in enumerate(found.items()):
        if index:
            click.echo("")
        click.echo(key)
        used = [item for item in items if item.withdrawn_at is None]
        for item in items:
            state = (
                "withdrawn" if item.withdrawn_at else "newest" if item is used[-1] else "earlier"
            )
            click.echo(
                f"  {minute(item.made_at)}  {state:<9}  {item.n_positions} positions, "
                f"{item.n_turns} turns, gyro scale known to {100.0 * item.gyr_scale_u:.2g} %"
            )
        if used:
            click.echo("")
            for line in facts(used[-1]):
                click.echo(line)


def _remove(home: Path, key: str) -> None:
    from sensor.recording.calibration import withdraw_calibration

    with home_log(home):
        gone = withdraw_calibration(home, key)
        _log.info("calibration of %s out of use", gone.describe())
    click.echo(
        f"{key}: the calibration of {minute(gone.made_at)} is out of use; it stays in the file"
    )
