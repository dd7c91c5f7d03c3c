"""`unhurried report`: one page about a session or a player, to send or to print."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import click

from sensor.recording.output import check_new_file, whole_file
from unhurried.app.home import home_folder, opened
from unhurried.app.settings import load_settings
from unhurried.commands.options import home_option, overwrite_option
from unhurried.commands.spoken import setting_options
from unhurried.commands.story import chosen, keep_told

if TYPE_CHECKING:
    from library.rows import SwingDetail
    from review.plot import Trace


@click.command("report")
@click.argument("name", metavar="SESSION|PLAYER")
@click.option(
    "--out",
    required=True,
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Where to write it, such as report.html.",
)
@setting_options
@overwrite_option
@home_option
def command(
    name: str,
    out: Path,
    club: str | None,
    mount: str | None,
    overwrite: bool,
    home: Path | None,
) -> None:
    """Write what can be told of SESSION, or of PLAYER's latest one, as one HTML file.

    It holds all that it shows, needs no network, and prints well (a browser's "Save as PDF" makes
    a PDF of it). It names the player: send it to whom it concerns.

    \b
    Examples:
      unhurried report Ida --out ida.html
      unhurried report SESSION --out evening.html
    """
    from review.report import report_html, section_of
    from sensor.recording.session import program_version

    where = home_folder(home)
    units = str(load_settings(where)["units"])
    check_new_file(out, overwrite=overwrite)
    with opened(home) as library:
        told = chosen(library, name, club=club, mount=mount)
        sections = [
            section_of(
                evidence,
                session.id,
                trace_of=tracer(where),
                today=date.today().toordinal(),
                units=units,
            )
            for evidence, session in told
        ]
        text = report_html(sections, made_on=date.today(), version=program_version())
        with whole_file(out, overwrite=overwrite) as file:
            file.write(text.encode())
        keep_told(told)
    click.echo(f"{out}: {len(text.encode()) / 1000:.0f} kB")


def tracer(home: Path) -> Callable[[SwingDetail], Trace]:
    """Return what draws a swing's curves from its recording, with the sensor's calibration."""
    from unhurried.app.ingest import open_with_calibration
    from unhurried.app.traces import trace_of

    def trace(detail: SwingDetail) -> Trace:
        recording, _ = open_with_calibration(detail.path, home)
        with contextlib.closing(recording):
            return trace_of(recording, detail.swing)

    return trace
