"""`unhurried recover`: a clean copy of a damaged recording."""

from __future__ import annotations

from pathlib import Path

import click

from unhurried.commands.options import (
    ExistingPath,
    FiniteRange,
    hand_option,
    mount_option,
    overwrite_option,
    range_options,
)


@click.command("recover")
@click.argument("folder", type=ExistingPath())
@click.argument("out", type=click.Path(path_type=Path))
@click.option(
    "--like",
    type=ExistingPath(),
    metavar="FOLDER",
    help="Where session.json is lost: another recording of the same sensor with the same "
    "settings, whose rate, scales and ranges are taken.",
)
@click.option(
    "--rate",
    "rate_hz",
    type=FiniteRange(min=0.0, min_open=True),
    help="Where session.json is lost: samples a second, as set.",
)
@click.option(
    "--gyr-dps-per-count",
    type=FiniteRange(min=0.0, min_open=True),
    help="Where session.json is lost: deg/s a count, from the sensor's data sheet.",
)
@click.option(
    "--acc-m-s2-per-count",
    type=FiniteRange(min=0.0, min_open=True),
    help="Where session.json is lost: m/s2 a count, from the sensor's data sheet.",
)
@range_options
@mount_option
@hand_option
@overwrite_option
def command(
    folder: Path,
    out: Path,
    like: Path | None,
    rate_hz: float | None,
    gyr_dps_per_count: float | None,
    acc_m_s2_per_count: float | None,
    gyr_range_dps: float | None,
    acc_range_g: float | None,
    mount: str | None,
    hand: str | None,
    overwrite: bool,
) -> None:
    """Copy all sound samples of the recording FOLDER to a new one, OUT.

    For a recording whose computer lost power or whose disk was full. FOLDER is not changed;
    each hole is marked as a gap in OUT, and what was lost is printed.

    Where session.json is lost, the scale of the samples is lost with it: --like names another
    recording of the same sensor to take it from. The copy has an id of its own then.
    """
    from sensor.recording.recover import SessionFacts, recover

    facts = SessionFacts(
        like=like,
        rate_hz=rate_hz,
        gyr_dps_per_count=gyr_dps_per_count,
        acc_m_s2_per_count=acc_m_s2_per_count,
        gyr_range_dps=gyr_range_dps,
        acc_range_g=acc_range_g,
        mount=mount,
        hand=hand,
    )
    report = recover(folder, out, overwrite=overwrite, facts=facts)
    click.echo(f"{out}:")
    for line in report.lines():
        click.echo(f"  {line}")
