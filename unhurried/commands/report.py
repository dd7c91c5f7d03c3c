"""`unhurried report`: one page about a session or a player, to send or to print."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import click

from unhurried.commands.library import opened
from unhurried.commands.story import chosen
from unhurried.home import home_folder, home_option
from unhurried.options import overwrite_option
from unhurried.settings import load_settings
from unhurried.spoken import setting_options

if TYPE_CHECKING:
    from review.library import SwingDetail
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
      unhurried report 3f21c0aa --out evening.html
    """
    from review.report import report_html, section_of
    from sensor.output import check_new_file, whole_file
    from sensor.session import program_version

    where = home_folder(home)
    units = str(load_settings(where)["units"])
    check_new_file(out, overwrite=overwrite)
    with opened(home) as library:
        sections = [
            section_of(
                evidence,
                session.id,
                trace_of=tracer(where),
                today=date.today().toordinal(),
                units=units,
            )
            for evidence, session in chosen(library, name, club=club, mount=mount)
        ]
    text = report_html(sections, made_on=date.today(), version=program_version())
    with whole_file(out, overwrite=overwrite) as file:
        file.write(text.encode())
    click.echo(f"{out}: {len(text.encode()) / 1000:.0f} kB")


def tracer(home: Path) -> Callable[[SwingDetail], Trace]:
    """Return what draws a swing's curves from its recording, with the sensor's calibration."""
    from unhurried.ingest import open_with_calibration
    from unhurried.wiring import trace_of

    def trace(detail: SwingDetail) -> Trace:
        recording, _ = open_with_calibration(detail.path, home)
        with contextlib.closing(recording):
            return trace_of(recording, detail.swing)

    return trace
