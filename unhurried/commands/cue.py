"""`unhurried cue`: hear, or write to a WAV file, how long a backswing should take."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from unhurried.app.errors import CommandError, plain, show
from unhurried.app.home import home_folder
from unhurried.app.references import middle, no_reference, own_reference
from unhurried.app.sound import delays, say_output
from unhurried.commands.options import (
    FiniteRange,
    PlainName,
    gathered,
    home_option,
    overwrite_option,
    with_options,
)
from unhurried.commands.short_help import ShortHelp
from words import cautions
from words.glossary import MOUNTS
from words.plain import count
from words.sound import FIX

if TYPE_CHECKING:
    from feedback.cue import TrackPlan
    from feedback.outputs import Output

Command = TypeVar("Command", bound=Callable[..., Any])

# How often Ctrl-C and the device are looked after; sounds don't depend on it.
TICK_S = 0.05


def sound_options(command: Command) -> Command:
    """Add --output and --level."""
    return with_options(
        command,
        click.option(
            "--output",
            metavar="NAME",
            help="Sound output: (part of) its name, or 'silent'.  [default: the system's]",
        ),
        click.option(
            "--level",
            type=FiniteRange(min=0.0, max=0.9, min_open=True),
            default=0.35,
            show_default=True,
            help="Size of a tone as a share of full scale; it is never raised by itself.",
        ),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class CueOptions:
    """How long backswings are to take, as `cue_options` reads it."""

    backswing_ms: float | None
    from_ms: float | None
    to_ms: float | None
    steps: int | None

    def times(self, repeats: int) -> list[float]:
        """Return the cued time of each swing; empty where nothing was asked for.

        Raises
        ------
        click.UsageError
            Where the options don't go together.
        """
        from feedback.cue import progression
        from feedback.errors import TrackError

        if self.from_ms is None and self.to_ms is None and self.steps is None:
            return [] if self.backswing_ms is None else [self.backswing_ms] * repeats
        if self.from_ms is None or self.to_ms is None or self.steps is None:
            raise click.UsageError("give --from-ms, --to-ms and --steps together")
        if self.backswing_ms is not None:
            raise click.UsageError("give --backswing-ms, or --from-ms with --to-ms, not both")
        try:
            return progression(self.from_ms, self.to_ms, self.steps, repeats)
        except TrackError as error:
            raise click.UsageError(str(error)) from error


def cue_options(command: Command) -> Command:
    """Add what the cue is made of, as the argument `cue`."""
    time_ms = FiniteRange(min=300.0, max=5000.0)
    return with_options(
        gathered("cue", CueOptions)(command),
        click.option("--backswing-ms", type=time_ms, help="How long the backswing is to take."),
        click.option(
            "--from-ms",
            type=time_ms,
            help="With --to-ms and --steps: a time that changes in steps.",
        ),
        click.option("--to-ms", type=time_ms, help="... to this."),
        click.option("--steps", type=click.IntRange(min=2, max=50), help="... in so many steps."),
    )


@click.command(
    "cue",
    cls=ShortHelp,
    more=(*("ready", "mount", "output", "level", "overwrite", "home"),),
)
@cue_options
@click.option(
    "--repeats",
    type=click.IntRange(min=1, max=500),
    default=10,
    show_default=True,
    help="Swings in all.",
)
@click.option(
    "--rest-s",
    type=FiniteRange(min=0.5, max=3600.0),
    default=15.0,
    show_default=True,
    help="From a top to the next ready beep.",
)
@click.option("--ready/--no-ready", default=True, help="With or without the ready beep.")
@click.option(
    "--player",
    type=PlainName(),
    metavar="NAME",
    help="Take the time from the player's model swings.",
)
@click.option("--club", type=PlainName(), metavar="NAME", help="... with this club.")
@click.option("--mount", type=click.Choice(MOUNTS), help="... and with the sensor there.")
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Write a .wav file, for a phone say, instead of playing.",
)
@sound_options
@overwrite_option
@home_option
def command(
    cue: CueOptions,
    repeats: int,
    rest_s: float,
    ready: bool,
    player: str | None,
    club: str | None,
    mount: str | None,
    out: Path | None,
    output: str | None,
    level: float,
    overwrite: bool,
    home: Path | None,
) -> None:
    """Play a cue for the time to take: a ready beep, a rising glide, a beep at the top.

    Start back with the glide and be at the top with the beep; the way down is yours. Ctrl-C
    ends it at once.

    \b
    Examples:
      unhurried cue --backswing-ms 800
      unhurried cue --from-ms 950 --to-ms 800 --steps 4 --repeats 12
      unhurried cue --backswing-ms 800 --out track.wav
      unhurried cue --player Ida --club driver --mount wrist
    """
    from unhurried.app.drill_checks import known_player, plan_remarks

    where = home_folder(home)
    times, source = cue.times(repeats), ""
    who = None if player is None else known_player(where, player)
    # A plan that is stopped refuses here, also where the time was given.
    stops = [] if who is None else plan_remarks(where, who, club, mount, stops_only=True)
    if not times and player is not None:
        own, source = _own_time(where, player, club, mount)
        times = [own] * repeats
    if not times:
        raise click.UsageError(
            "say how long the backswing is to take: --backswing-ms 800, or --player NAME"
        )
    for text in stops:
        show(f"! {text}")
    if out is not None:
        _write(out, times, source, rest_s=rest_s, ready=ready, level=level, overwrite=overwrite)
        return
    from feedback.cue import track_plan
    from feedback.outputs import open_output

    sound, why = open_output(output, level=level, delay_of=delays(where))
    if why is not None:
        # A cue that nobody hears is none: it would only take its time.
        sound.close()
        raise CommandError(f"{why}. {FIX} For a phone: --out track.wav")
    _caution()
    try:
        say_output(sound, None)
        show(f"{_took(times)}{source}")
        _play(track_plan(times, rest_s=rest_s, rate_hz=sound.rate_hz, ready=ready), sound, times)
    finally:
        sound.close()


def _own_time(home: Path, player: str, club: str | None, mount: str | None) -> tuple[float, str]:
    """Return the time of a player's own reference, and words on where it is from."""
    reference = own_reference(home, player, club, mount)
    own = middle(reference, "backswing_ms")
    if own is None or reference is None:
        reason = (
            no_reference(home, player, club, mount)
            if reference is None
            else f"the model swings of {player} have no backswing time"
        )
        raise CommandError(f"{reason}: give --backswing-ms, or set one from approved swings")
    what = "free practice swings" if reference.provisional else "model swings"
    with_ = f"{reference.club or 'any club'} at the {reference.mount or 'sensor'}"
    return own, f" from {player}'s {what} with {with_}"


def _write(
    out: Path,
    times: list[float],
    source: str,
    *,
    rest_s: float,
    ready: bool,
    level: float,
    overwrite: bool,
) -> None:
    """Write a track as a WAV file."""
    from feedback.cue import render_blocks, track_plan
    from feedback.outputs import RATE_HZ, write_wav

    if out.suffix.lower() != ".wav":
        raise click.BadParameter("the file must end in .wav", param_hint="'--out'")
    plan = track_plan(times, rest_s=rest_s, rate_hz=RATE_HZ, ready=ready)
    write_wav(out, render_blocks(plan, level=level), RATE_HZ, overwrite=overwrite)
    _caution()
    click.echo(
        f"{plain(str(out))}: {count(len(times), 'cue')}, {plan.end_frame / RATE_HZ:.0f} s, "
        f"{_took(times)}{plain(source)}"
    )


def _caution() -> None:
    show(cautions.LEVEL)
    show(cautions.BODY)


def _took(times: list[float]) -> str:
    """Say how long the backswing is to take."""
    if times[0] == times[-1]:
        return f"backswing {times[0]:.0f} ms"
    return f"backswing {times[0]:.0f} to {times[-1]:.0f} ms"


def _play(plan: TrackPlan, sound: Output, times: list[float]) -> None:
    """Play a track and say each cue as it comes; the frames were fixed before."""
    from feedback.errors import OutputError

    first = sound.frame_now() + round(0.2 * sound.rate_hz)
    starts = []
    for takeaway, cue in plan.cues:
        at = first + takeaway
        starts.append(at - cue.lead_frames)
        for part in cue.parts():
            sound.play(part.sound, at + part.frame)
    told = 0
    while (now := sound.frame_now()) < first + plan.end_frame:
        if sound.lost:
            raise OutputError(f"{sound.name}: the sound output is gone (was it unplugged?)")
        while told < len(starts) and now >= starts[told]:
            click.echo(f"{told + 1} of {len(starts)}: backswing {times[told]:.0f} ms", err=True)
            told += 1
        time.sleep(TICK_S)
    if sound.underflows:
        show(
            f"the sound was interrupted ({sound.underflows} x): what came then was late (close "
            "other programs)"
        )
    sys.stderr.flush()
