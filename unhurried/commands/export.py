"""`unhurried export`: a recording, or single swings of it, as CSV."""

from __future__ import annotations

import re
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from sensor.recording.output import check_new_file, check_new_folder, whole_folder
from unhurried.app.errors import CommandError, show
from unhurried.app.printed import strict
from unhurried.commands.opening import open_with
from unhurried.commands.options import (
    ExistingSwingPath,
    SwingPath,
    file_options,
    overwrite_option,
    progress,
)

if TYPE_CHECKING:
    from sensor.recording.reader import Recording

BEFORE_TAKEAWAY_S = 2.0
AFTER_FINISH_S = 1.0


@click.command("export")
@click.argument("path", type=ExistingSwingPath())
@click.argument("out", type=click.Path(path_type=Path), required=False)
@click.option(
    "--swings",
    "folder",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Write each swing to a file of its own in this new folder.",
)
@file_options
@overwrite_option
def command(
    path: SwingPath, out: Path | None, folder: Path | None, overwrite: bool, **options: Any
) -> None:
    """Write the recording PATH as CSV to OUT; "-" is the standard output.

    PATH#N writes its swing N alone, from 2 s before takeaway to 1 s after the finish. Times
    stay those of the recording, and values are as the sensor gave them, without any
    calibration. A CSV file cannot keep the players, the place, the ranges
    and the delays of the sensor's filters, without which impacts of shots move by some ms.

    \b
    Examples:
      unhurried export SESSION session.csv
      unhurried export SESSION#3 third.csv
      unhurried export SESSION --swings swings
    """
    if out is None and folder is None:
        raise click.UsageError(
            "say where to: OUT for one CSV file, or --swings DIR for a file a swing"
        )
    if out is not None and folder is not None:
        raise click.UsageError("give either OUT or --swings DIR")
    if folder is not None and path.index is not None:
        raise click.UsageError("--swings writes all swings: leave out the #N")

    if folder is not None:
        check_new_folder(folder, overwrite=overwrite, owned=_is_swing_file)
    elif out is not None and str(out) != "-":
        check_new_file(out, overwrite=overwrite)
    with open_with(path.path, **options) as recording:
        if folder is not None:
            _write_swings(recording, folder, overwrite=overwrite)
        elif out is not None:
            span = _span_of(recording, path.index) if path.index is not None else (None, None)
            _write(recording, out, span, overwrite=overwrite)
        lost = _not_kept(recording)
    if lost:
        show(f"a CSV file does not keep {lost}")


def _not_kept(recording: Recording) -> str:
    """Name what is known of the recording and is not in its CSV; empty if nothing is."""
    session = recording.session
    lost = []
    segments = any(marker.kind == "segment" for marker in recording.markers)
    if segments or session.player or session.club or session.handedness:
        lost.append("who played with what")
    if session.mount is not None:
        lost.append(f"the sensor's place ({session.mount})")
    ranges = []
    if session.gyr_range_dps is not None:
        ranges.append(f"gyro {session.gyr_range_dps:g} deg/s")
    if session.acc_range_g is not None:
        ranges.append(f"acc {session.acc_range_g:g} g")
    if ranges:
        lost.append(f"the ranges ({', '.join(ranges)})")
    if session.gyr_delay_known or session.acc_delay_ms:
        gyr = "not known" if not session.gyr_delay_known else f"{session.gyr_delay_ms:.3g} ms"
        lost.append(
            f"the delays of the sensor's filters (gyro {gyr}, acc {session.acc_delay_ms:.3g} ms), "
            "by which impacts of shots move"
        )
    return ", ".join(lost)


def _write(
    recording: Recording, out: Path, span: tuple[float | None, float | None], *, overwrite: bool
) -> None:
    from sensor.recording.csvfile import write_csv, write_csv_to

    first_s, last_s = span
    if str(out) == "-":
        with strict():
            write_csv_to(sys.stdout.buffer, recording, first_s=first_s, last_s=last_s)
        return
    with progress(recording.n_samples, "Exporting") as advance:
        n_samples = write_csv(
            out, recording, first_s=first_s, last_s=last_s, overwrite=overwrite, progress=advance
        )
    click.echo(f"{out}: {n_samples} samples")


def _span(swing: Any) -> tuple[float, float]:
    start = swing.takeaway_s if swing.takeaway_s is not None else swing.impact_s
    end = swing.finish_s if swing.finish_s is not None else swing.impact_s
    return start - BEFORE_TAKEAWAY_S, end + AFTER_FINISH_S


def _span_of(recording: Recording, index: int) -> tuple[float, float]:
    from unhurried.app.measuring import analyze

    swings = analyze(recording).swings
    for swing in swings:
        if swing.index == index:
            return _span(swing)
    count = {0: "no swings", 1: "1 swing"}.get(len(swings), f"{len(swings)} swings")
    raise CommandError(f"{recording.path}: there is no swing #{index}: {count} found")


def _is_swing_file(name: str) -> bool:
    return re.fullmatch(r"swing-\d{3,}\.csv", name) is not None


def _write_swings(recording: Recording, folder: Path, *, overwrite: bool) -> None:
    from sensor.recording.csvfile import write_csv
    from unhurried.app.measuring import analyze

    swings = analyze(recording).swings
    with (
        whole_folder(folder, overwrite=overwrite, owned=_is_swing_file) as working,
        progress(len(swings), "Exporting") as advance,
    ):
        for swing in swings:
            first_s, last_s = _span(swing)
            name = f"swing-{swing.index:03d}.csv"
            write_csv(working / name, recording, first_s=first_s, last_s=last_s)
            advance(1)
    files = "1 swing" if len(swings) == 1 else f"{len(swings)} swings"
    click.echo(f"{folder}: {files}")
