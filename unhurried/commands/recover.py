"""`unhurried recover`: a clean copy of a damaged recording."""

from __future__ import annotations

from pathlib import Path

import click

from unhurried.options import ExistingPath, overwrite_option


@click.command("recover")
@click.argument("folder", type=ExistingPath())
@click.argument("out", type=click.Path(path_type=Path))
@overwrite_option
def command(folder: Path, out: Path, overwrite: bool) -> None:
    """Copy all sound samples of the recording FOLDER to a new one, OUT.

    For a recording whose computer lost power or whose disk was full. FOLDER is not changed;
    each hole is marked as a gap in OUT, and what was lost is printed.
    """
    from sensor.recover import recover

    report = recover(folder, out, overwrite=overwrite)
    click.echo(f"{out}:")
    for line in report.lines():
        click.echo(f"  {line}")
