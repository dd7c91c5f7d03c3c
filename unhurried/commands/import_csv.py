"""`unhurried import`: a CSV file becomes a recording."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from unhurried.options import (
    ExistingPath,
    file_options,
    length,
    open_with,
    overwrite_option,
    progress,
)


@click.command("import")
@click.argument("csv", type=ExistingPath())
@click.argument("out", type=click.Path(path_type=Path))
@file_options
@click.option("--player", help="Who swings.")
@click.option("--club", help='The club, such as "7 iron".')
@overwrite_option
def command(
    csv: Path,
    out: Path,
    player: str | None,
    club: str | None,
    overwrite: bool,
    **options: Any,
) -> None:
    """Make a recording OUT of the file CSV, which is not changed.

    The CSV needs the header time_s, acc_x_m_s2, acc_y_m_s2, acc_z_m_s2, gyr_x_deg_s,
    gyr_y_deg_s, gyr_z_deg_s (any order, more columns are ignored), or --map to say which
    columns these are and in which units. It is UTF-8 with commas between the columns.

    \b
    Example:
      unhurried import phone.csv session --mount wrist --hand right \\
        --map "time_s=t:ms, acc_x_m_s2=ax:g, acc_y_m_s2=ay:g, acc_z_m_s2=az:g"
    """
    from sensor.csvfile import import_csv

    size = csv.stat().st_size if csv.is_file() else 0
    with progress(size, "Importing") as advance:
        import_csv(
            csv,
            out,
            overwrite=overwrite,
            player=player or None,
            club=club or None,
            progress=advance,
            **options,
        )
    with open_with(out) as recording:
        lost = f", {recording.lost_samples} lost" if recording.lost_samples else ""
        click.echo(
            f"{out}: {recording.n_samples} samples at {recording.rate_hz:g} Hz, "
            f"{length(recording.duration_s)}{lost}"
        )
