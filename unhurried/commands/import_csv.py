"""`unhurried import`: a CSV file, or a laboratory's capture, becomes a recording."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from unhurried.app.errors import OptionsError, show
from unhurried.app.laboratory import CENTRE, CaptureOptions, import_capture, is_capture
from unhurried.app.text import length
from unhurried.commands.opening import open_with
from unhurried.commands.options import (
    ExistingPath,
    FiniteRange,
    file_options,
    overwrite_option,
    progress,
)
from unhurried.commands.short_help import ShortHelp
from words.plain import count

Command = TypeVar("Command", bound=Callable[..., Any])

_POSITIVE = FiniteRange(min=0.0, min_open=True)
# Parameter here: name of the field in `CaptureOptions`.
_CAPTURE = {
    "segment": "segment",
    "at": "place",
    "unit": "unit",
    "up": "up",
    "impact": "impacts_s",
    "impact_event": "impact_event",
    "no_ball": "no_ball",
    "ball_shock": "ball_shock",
    "rate": "rate_hz",
    "bandwidth_hz": "bandwidth_hz",
    "gyr_noise_dps_rthz": "gyr_noise_dps_rthz",
    "acc_noise_m_s2_rthz": "acc_noise_m_s2_rthz",
    "ideal_scale": "ideal_scale",
    "cutoff_hz": "cutoff_hz",
    "seed": "seed",
    "real_swings": "real_swings",
}


def _names(
    _ctx: click.Context, _param: click.Parameter, value: str | None
) -> tuple[str, ...] | None:
    if value is None:
        return None
    names = tuple(name.strip() for name in value.split(",") if name.strip())
    if len(set(names)) < len(names):
        raise click.BadParameter("a marker is named twice")
    if len(names) < 3:
        raise click.BadParameter(
            f"{count(len(names), 'marker')}, which don't fix an attitude: name three or more, "
            "with commas between them"
        )
    return names


def capture_options(command: Command) -> Command:
    """Add what a motion capture needs; none of it is for a sensor's own samples."""
    return _motion_options(_sensor_options(command))


def _motion_options(command: Command) -> Command:
    """Add what says how the captured motion is to be read."""
    options = (
        click.option(
            "--segment",
            callback=_names,
            metavar="M1,M2,M3",
            help="Of a C3D file: three or more markers of one rigid part.",
        ),
        click.option(
            "--at",
            metavar=f"MARKER|{CENTRE}",
            help=f"Where on it the sensor is to be.  [default: {CENTRE} of the markers]",
        ),
        click.option(
            "--unit", type=click.Choice(("mm", "cm", "m")), help="Of markers, if not as C3D says."
        ),
        click.option(
            "--up",
            type=click.Choice(("x", "y", "z", "-x", "-y", "-z")),
            help="Which axis of the laboratory points up.  [default: z]",
        ),
        click.option(
            "--impact",
            type=FiniteRange(min=0.0),
            multiple=True,
            metavar="SECONDS",
            help="When a ball was met, from the first frame on (repeatable).",
        ),
        click.option(
            "--impact-event",
            metavar="LABEL",
            help="Events of a C3D file with this label are impacts.  [default: impact]",
        ),
        click.option(
            "--no-ball",
            is_flag=True,
            default=None,
            help="Swings without a labelled impact had no ball: impact is the least turn.",
        ),
        click.option(
            "--cutoff-hz",
            type=FiniteRange(min=1.0),
            help="Smooth the capture to this.  [default: by cross-validation]",
        ),
    )
    for option in reversed(options):
        command = option(command)
    return command


def _sensor_options(command: Command) -> Command:
    """Add what says which sensor would have been there."""
    options = (
        click.option(
            "--ball-shock",
            is_flag=True,
            default=None,
            help="Add a simulated knock at each impact: a capture doesn't hold the ball's own.",
        ),
        click.option(
            "--rate",
            type=FiniteRange(min=100.0, max=800.0),
            help="Samples a second of the sensor.  [default: 200]",
        ),
        click.option(
            "--bandwidth-hz", type=_POSITIVE, help="Of its filters.  [default: by its rate]"
        ),
        click.option(
            "--gyr-noise-dps-rthz",
            type=FiniteRange(min=0.0),
            help="Noise density of the gyroscope.  [default: 0.01]",
        ),
        click.option(
            "--acc-noise-m-s2-rthz",
            type=FiniteRange(min=0.0),
            help="Noise density of the accelerometer.  [default: 0.002 up to 16 g]",
        ),
        click.option(
            "--ideal-scale", is_flag=True, default=None, help="A sensor without scale error."
        ),
        click.option(
            "--seed", type=click.IntRange(min=0), help="Of the sensor's noise.  [default: 0]"
        ),
        click.option(
            "--real-swings",
            is_flag=True,
            default=None,
            help="Let these swings count in the player's plan; otherwise they are left out, as "
            "simulated ones are.",
        ),
    )
    for option in reversed(options):
        command = option(command)
    return command


@click.command(
    "import",
    cls=ShortHelp,
    more=(
        *("hand", "gyr_range_dps", "acc_range_g"),
        *(
            "at",
            "unit",
            "up",
            "impact",
            "impact_event",
            "no_ball",
            "cutoff_hz",
            "ball_shock",
            "rate",
        ),
        *("bandwidth_hz", "gyr_noise_dps_rthz", "acc_noise_m_s2_rthz", "ideal_scale", "seed"),
        *("real_swings", "overwrite"),
    ),
)
@click.argument("files", type=ExistingPath(), nargs=-1, metavar="FILE...")
@click.argument("out", type=click.Path(path_type=Path))
@file_options
@click.option("--player", help="Who swings.")
@click.option("--club", help='The club, such as "7 iron".')
@capture_options
@overwrite_option
def command(
    files: tuple[Path, ...],
    out: Path,
    player: str | None,
    club: str | None,
    overwrite: bool,
    **options: Any,
) -> None:
    """Make a recording OUT of FILE, which is not changed.

    A CSV of a sensor's samples needs the header time_s, acc_x_m_s2, acc_y_m_s2, acc_z_m_s2,
    gyr_x_deg_s, gyr_y_deg_s, gyr_z_deg_s (any order, more columns are ignored), or --map to
    say which columns these are and in which units. It is UTF-8 with commas between the columns;
    between semicolons all numbers may have decimal commas.

    A motion capture (C3D with --segment, or a CSV of poses with the header time_s, pos_x_m,
    pos_y_m, pos_z_m, quat_w, quat_x, quat_y, quat_z, or rot_xx ... rot_zz instead of the
    quaternion) becomes the recording that a sensor there would have given, with the
    truth by the capture beside it in OUT/truth.json: 'unhurried agree OUT/truth.json OUT'
    compares. Several captures of one visit become one recording. How to go about it is
    written in analysis/FIELD-CHECK.md.

    \b
    Examples:
      unhurried import PHONE.csv session --mount wrist --hand right \\
        --map "time_s=t:ms, acc_x_m_s2=ax:g, acc_y_m_s2=ay:g, acc_z_m_s2=az:g"
      unhurried import SWING*.c3d session --segment GRIP1,GRIP2,GRIP3 \\
        --mount club --rate 400 --gyr-range-dps 4000 --ball-shock
    """
    given = {
        field: options.pop(name)
        for name, field in _CAPTURE.items()
        if options[name] not in (None, ())
    }
    rest = {name: value for name, value in options.items() if name not in _CAPTURE}
    player, club = player or None, club or None
    said = ""
    if not files:
        raise OptionsError("name the file, and OUT: the folder of the new recording")
    captures = [is_capture(file) for file in files]
    file = files[0]
    if all(captures):
        said = _capture(files, out, given, rest, player=player, club=club, overwrite=overwrite)
    elif len(files) > 1:
        other = files[captures.index(False)]
        raise OptionsError(f"several files must be motion captures, and {other} is none")
    elif given:
        name = next(name for name, field in _CAPTURE.items() if field in given)
        raise OptionsError(
            f"--{name.replace('_', '-')} is for a motion capture, and {file} has a sensor's samples"
        )
    else:
        from sensor.recording.csvfile import import_csv

        size = file.stat().st_size if file.is_file() else 0
        with progress(size, "Importing") as advance:
            import_csv(
                file,
                out,
                overwrite=overwrite,
                player=player,
                club=club,
                progress=advance,
                **rest,
            )
    with open_with(out) as recording:
        lost = f", {recording.lost_samples} lost" if recording.lost_samples else ""
        click.echo(
            f"{out}: {recording.n_samples} samples at {recording.rate_hz:g} Hz, "
            f"{length(recording.duration_s)}{lost}{said}"
        )


def _capture(
    files: tuple[Path, ...],
    out: Path,
    given: dict[str, Any],
    rest: dict[str, Any],
    *,
    player: str | None,
    club: str | None,
    overwrite: bool,
) -> str:
    """Make a recording of a capture; return what is to be said of its swings."""
    if rest.pop("column_map") is not None:
        raise OptionsError("--map is for a sensor's samples, and this is a motion capture")
    mount, hand = rest.pop("mount"), rest.pop("hand")
    with progress(len(files), "Importing") as advance:
        made = import_capture(
            files,
            out,
            CaptureOptions(**given, **rest),
            mount=mount,
            hand=hand,
            player=player,
            club=club,
            overwrite=overwrite,
            progress=advance,
        )
    for text in made.left_out:
        show(f"left out: {text}")
    for swing in made.swings:
        for note in swing["notes"]:
            show(f"{swing['capture']}: {note}")
    return f"; {count(len(made.swings), 'swing')} in truth.json"
