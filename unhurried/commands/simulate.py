"""`unhurried simulate`: a recording of simulated swings, with their exact truth."""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click

from sensor.recording.output import check_new_file, check_new_folder
from sensor.recording.schema import HANDS
from unhurried.commands.options import FiniteRange, overwrite_option, progress, range_options
from unhurried.commands.short_help import ShortHelp
from words.glossary import MOUNTS

_STEPS = 1000
DEFAULT_MINUTES = 3.0


@click.command(
    "simulate",
    cls=ShortHelp,
    more=(
        *("model", "gyr_range_dps", "acc_range_g", "hurried", "only_full", "hard"),
        *("ideal_scale", "overwrite"),
    ),
)
@click.argument("out", type=click.Path(path_type=Path))
@click.option(
    "--seed",
    type=click.IntRange(min=0),
    help="The same seed and options give the same session. Left out: any; it is printed.",
)
@click.option(
    "--minutes",
    type=FiniteRange(min=0.1, max=720.0),
    help=f"How long it goes on (until what was begun is over).  [default: {DEFAULT_MINUTES:g}]",
)
@click.option(
    "--swings",
    type=click.IntRange(min=0, max=100_000),
    help="How many swings instead. 0 with --minutes: only what people do between swings.",
)
@click.option(
    "--mount",
    type=click.Choice(MOUNTS),
    default="wrist",
    show_default=True,
    help="Where the sensor is: lead wrist, back of the lead hand, club shaft, upper back.",
)
@click.option(
    "--model",
    type=click.Choice(("pendulum", "chain", "both")),
    default="both",
    show_default=True,
    help="How swings are made: a driven double pendulum, a chain of trunk, arm and wrist, "
    "or both (players in turn, which first by the seed).",
)
@click.option(
    "--rate",
    "rate_hz",
    type=FiniteRange(min=100.0, max=800.0),
    default=200.0,
    show_default=True,
    help="Samples a second as the sensor says; its true rate is a little off.",
)
@range_options
@click.option(
    "--player", "names", multiple=True, help="Who swings; more than one share the sensor."
)
@click.option(
    "--hand",
    "hands",
    type=click.Choice(HANDS),
    multiple=True,
    help="Right- or left-handed, one for each --player.  [default: right]",
)
@click.option(
    "--club", "clubs", multiple=True, help="The club, one for each --player.  [default: 7 iron]"
)
@click.option(
    "--hurried",
    is_flag=True,
    help="With a ball the players swing back in a tenth less time, and less far.",
)
@click.option(
    "--only-full",
    is_flag=True,
    help="Only full swings: no part, slow, continuous, given-up, short ones or brushed mats.",
)
@click.option(
    "--hard",
    is_flag=True,
    help="Hard conditions: 3 % loss, 2 % rate error, three times the tremor, ranges that clip.",
)
@click.option("--ideal-scale", is_flag=True, help="A chip without scale error.")
@click.option("--csv", "with_csv", is_flag=True, help="Write the samples to OUT.csv as well.")
@overwrite_option
def command(
    out: Path,
    seed: int | None,
    minutes: float | None,
    swings: int | None,
    model: str,
    only_full: bool,
    ideal_scale: bool,
    with_csv: bool,
    overwrite: bool,
    **given: Any,
) -> None:
    """Make a recording OUT of a simulated session, with the truth about its swings.

    Simulated people stand, waggle, swing with and without a ball, and in between walk, tee up,
    twirl the club and so on. OUT is a recording like any other (session.json says that it is
    simulated); OUT/truth.json holds the exact times, turns and rotation of every swing.

    \b
    Examples:
      unhurried simulate session --seed 1
      unhurried simulate evening --seed 2 --player Ida --player Ben --hand right \\
        --hand left --minutes 5
      unhurried simulate hard --swings 50 --mount club --rate 100 --hard
      unhurried simulate idle --swings 0 --minutes 30
    """
    if swings and minutes is not None:
        raise click.UsageError("give --minutes or --swings, not both")
    _check_people(given["names"], given["hands"], given["clubs"])
    from sensor.recording.layout import owned_file

    csv = out.with_name(f"{out.name}.csv")
    check_new_folder(out, overwrite=overwrite, owned=owned_file)
    if with_csv:
        check_new_file(csv, overwrite=overwrite)

    from unhurried.app.simulating import session_of

    if seed is None:
        seed = secrets.randbelow(2**31)
    with progress(_STEPS, "Simulating") as advance:
        shown = 0

        def tell(share: float) -> None:
            nonlocal shown
            step = int(share * _STEPS)
            advance(step - shown)
            shown = step

        made = session_of(
            seed,
            model=None if model == "both" else model,
            minutes=None if swings else minutes or DEFAULT_MINUTES,
            swings=swings,
            scale_error=not ideal_scale,
            varied=not only_full,
            progress=tell,
            **given,
        )
    made.write(out, overwrite=overwrite)
    if with_csv:
        from sensor.recording.csvfile import write_csv
        from sensor.recording.opening import open_recording

        with open_recording(out) as recording, progress(recording.n_samples, "Writing CSV") as add:
            write_csv(csv, recording, overwrite=overwrite, progress=add)
    counted = [swing.truth for swing in made.truth if swing.truth.counts_as_swing]
    strikes = sum(truth.strike for truth in counted)
    n_samples = len(made.samples)
    duration_s = (int(made.samples["seq"][-1]) - int(made.samples["seq"][0])) / made.true_rate_hz
    click.echo(
        f"{out}: {n_samples} samples at {given['rate_hz']:g} Hz, {duration_s:.1f} s; "
        f"{len(counted)} swings, {strikes} of them shots; seed {seed}"
    )


def _check_people(names: Sequence[str], hands: Sequence[str], clubs: Sequence[str]) -> None:
    for what, given in (("--hand", hands), ("--club", clubs)):
        if len(given) > max(1, len(names)):
            raise click.UsageError(f"there are more {what} than --player")
    if any(not text.strip() for text in (*names, *clubs)):
        raise click.UsageError("--player and --club must not be empty")
