"""`unhurried cue`: hear, or write to a WAV file, how long a backswing should take."""

from __future__ import annotations

import dataclasses
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from sensor.session import MOUNTS
from unhurried.errors import CommandError, plain, show
from unhurried.home import home_folder, home_option
from unhurried.options import FiniteRange, PlainName, overwrite_option

if TYPE_CHECKING:
    from feedback.cue import TrackPlan
    from feedback.outputs import Output
    from review.people import Reference

Command = TypeVar("Command", bound=Callable[..., Any])

# How often Ctrl-C and the device are looked after; sounds don't depend on it.
TICK_S = 0.05

# The figures of H.870 are from memory.
LEVEL_CAUTION = (
    "Sound: start low, lower still for children. Safe listening is up to about 80 dB(A) for 40 "
    "hours a week, 75 for children (WHO-ITU H.870); at work 85 dB(A) for 8 hours a day, and half "
    "the time for every 3 dB more (NIOSH 98-126)."
)
BODY_CAUTION = (
    "Warm up, clear space, stop on pain, never turn past comfort, and rest between swings. With "
    "headphones you don't hear warnings. If in doubt ask a qualified coach or a clinician."
)
# How late: from memory.
WIRELESS = (
    "{name} is wireless: sound comes about 150 to 250 ms late. A cue is late as a "
    "whole, which does no harm; a tone for the turn comes too late to say where it was. Use a "
    "cable or a speaker, or run 'unhurried latency' with it first"
)


def sound_options(command: Command) -> Command:
    """Add --output and --level."""
    command = click.option(
        "--level",
        type=FiniteRange(min=0.0, max=0.9, min_open=True),
        default=0.35,
        show_default=True,
        help="Size of a tone as a share of full scale; it is never raised by itself.",
    )(command)
    return click.option(
        "--output",
        metavar="NAME",
        help="Sound output: (part of) its name, or 'silent'.  [default: the system's]",
    )(command)


def cue_options(command: Command) -> Command:
    """Add what the cue is made of."""
    options = (
        click.option(
            "--backswing-ms",
            type=FiniteRange(min=300.0, max=5000.0),
            help="How long the backswing is to take.",
        ),
        click.option(
            "--from-ms",
            type=FiniteRange(min=300.0, max=5000.0),
            help="With --to-ms and --steps: a time that changes in steps.",
        ),
        click.option("--to-ms", type=FiniteRange(min=300.0, max=5000.0), help="... to this."),
        click.option("--steps", type=click.IntRange(min=2, max=50), help="... in so many steps."),
    )
    for option in reversed(options):
        command = option(command)
    return command


def backswings(
    backswing_ms: float | None,
    from_ms: float | None,
    to_ms: float | None,
    steps: int | None,
    repeats: int,
) -> list[float]:
    """Return the cued time of each swing; empty where nothing was asked for.

    Raises
    ------
    click.UsageError
        Where the options don't go together.
    """
    from feedback.cue import progression
    from feedback.errors import TrackError

    context = click.get_current_context(silent=True)
    given = [value is not None for value in (from_ms, to_ms, steps)]
    if not any(given):
        return [] if backswing_ms is None else [backswing_ms] * repeats
    if not all(given):
        raise click.UsageError("give --from-ms, --to-ms and --steps together", context)
    if backswing_ms is not None:
        raise click.UsageError("give --backswing-ms, or --from-ms with --to-ms, not both", context)
    assert from_ms is not None
    assert to_ms is not None
    assert steps is not None
    try:
        return progression(from_ms, to_ms, steps, repeats)
    except TrackError as error:
        raise click.UsageError(str(error), context) from error


def own_reference(home: Path, player: str, club: str | None, mount: str | None) -> Reference | None:
    """Return a player's own reference for a club and mount; None where there is none.

    Its bounds are those of the approved swings (or, provisionally, of free rehearsals) and those
    that the coach set.

    Raises
    ------
    CommandError
        There are several and the club or mount wasn't said.
    ReviewError
        There is no such player.
    """
    from review.people import Registry

    known = Registry(home).find(player).references
    fitting = [r for r in known if club in (None, r.club) and mount in (None, r.mount)]
    if len(fitting) > 1:
        listed = ", ".join(f"{r.club or 'any club'} at the {r.mount or 'mount'}" for r in fitting)
        raise CommandError(
            f"{player} has several references: say which with --club and --mount: {listed}"
        )
    kept = fitting[0] if fitting else None
    return _measured(home, player, club, mount, kept) or kept


def _measured(
    home: Path, player: str, club: str | None, mount: str | None, kept: Reference | None
) -> Reference | None:
    """Return the reference with the bounds that its swings have; None where there are none.

    Approved swings, or free rehearsals where nobody approved any; bounds that the coach set count
    more.
    """
    from analysis.spread import NotYet
    from review.evidence import Evidence, settings_of
    from review.library import LIBRARY_FILE
    from review.people import Reference
    from unhurried.ingest import open_library

    if not (home / LIBRARY_FILE).exists():
        return None
    with open_library(home) as library:
        who = library.player(player)
        if kept is not None:
            settings = [(kept.club, kept.mount)]
        else:
            settings = [
                (group.club, group.mount)
                for group in settings_of(library, who.id)
                if club in (None, group.club) and mount in (None, group.mount)
            ]
        if len(settings) != 1:
            # Nothing was swung, or it wasn't said with what.
            return None
        found = Evidence(library, who, club=settings[0][0], mount=settings[0][1]).reference
    if isinstance(found, NotYet):
        return None
    bounds = {
        name: (value.lower, value.upper)
        for name, value in found.values.items()
        if value.lower is not None and value.upper is not None
    }
    if kept is not None:
        return dataclasses.replace(kept, bounds={**bounds, **kept.bounds})
    return Reference(
        club=settings[0][0], mount=settings[0][1], swings=(), bounds=bounds, provisional=True
    )


def middle(reference: Reference | None, quantity: str) -> float | None:
    """Return the middle of a reference's bounds."""
    bounds = None if reference is None else reference.bounds.get(quantity)
    return None if bounds is None else 0.5 * (bounds[0] + bounds[1])


def no_reference(home: Path, player: str, club: str | None, mount: str | None) -> str:
    """Say that a player has no reference with a club and mount, and which there are."""
    from review.evidence import Evidence, settings_of
    from review.library import LIBRARY_FILE
    from review.people import Registry
    from unhurried.ingest import open_library

    who = Registry(home).find(player)
    there = [(r.club, r.mount) for r in who.references]
    if (home / LIBRARY_FILE).exists():
        from analysis.spread import NotYet

        with open_library(home) as library:
            one = library.player(who.id)
            for group in settings_of(library, who.id):
                found = Evidence(library, one, club=group.club, mount=group.mount).reference
                if not isinstance(found, NotYet):
                    there.append((group.club, group.mount))
    words = [f"{c or 'any club'} at the {m or 'mount'}" for c, m in set(there)]
    asked = " ".join(
        word
        for word in (
            f"with {club}" if club is not None else "",
            f"at the {mount}" if mount is not None else "",
        )
        if word
    )
    what = f"{who.name} has no reference {asked}".rstrip() + " yet"
    return f"{what} (there is one for {', '.join(sorted(words))})" if words else what


def delays(home: Path, measured: list[str] | None = None) -> Callable[[str], float | None]:
    """Return a look-up of the calibrated delay of an output by its name.

    Parameters
    ----------
    home : Path
    measured : list of str, optional
        Gets the names of those whose delay was measured.
    """
    from feedback.errors import FeedbackError
    from feedback.latency import load_delay

    def delay_of(name: str) -> float | None:
        try:
            kept = load_delay(home / "outputs", name)
        except FeedbackError as error:
            show(str(error))
            return None
        if kept is None:
            return None
        if measured is not None:
            measured.append(name)
        return kept.delay_s

    return delay_of


def say_output(
    output: Output,
    why: str | None,
    *,
    measured: bool | None = None,
    say: Callable[[str], None] = show,
) -> None:
    """Say on stderr where the sound goes, and what that means.

    Parameters
    ----------
    output : Output
    why : str or None
        Why it is silent, where that was not asked for.
    measured : bool, optional
        Whether its delay was measured; None: the delay doesn't matter.
    say : callable
        Says a line.
    """
    from feedback.outputs import is_wireless

    if why is not None:
        say(f"! {why}; going on without sound")
        return
    if output.silent:
        return
    if measured is not None:
        how = "measured" if measured else "assumed: 'unhurried latency' measures it"
        say(f"sound: {output.name}, heard {1e3 * output.delay_s:.0f} ms after it is played ({how})")
    if is_wireless(output.name):
        say(WIRELESS.format(name=output.name))


@click.command("cue")
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
    help="Take the time from the player's own reference.",
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
    backswing_ms: float | None,
    from_ms: float | None,
    to_ms: float | None,
    steps: int | None,
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
    from feedback.cue import track_plan
    from unhurried.drilling import known_player, plan_remarks

    where = home_folder(home)
    times = backswings(backswing_ms, from_ms, to_ms, steps, repeats)
    who = None if player is None else known_player(where, player)
    # A plan that is stopped refuses here, also where the time was given.
    stops = [] if who is None else plan_remarks(where, who, club, mount, stops_only=True)
    source = ""
    if not times and player is not None:
        reference = own_reference(where, player, club, mount)
        own = middle(reference, "backswing_ms")
        if own is None or reference is None:
            reason = (
                no_reference(where, player, club, mount)
                if reference is None
                else f"the reference of {player} has no backswing time"
            )
            raise CommandError(f"{reason}: give --backswing-ms, or set one from approved swings")
        times = [own] * repeats
        sure = "provisional " if reference.provisional else ""
        with_ = f"{reference.club or 'any club'} at the {reference.mount or 'mount'}"
        source = f" from {player}'s {sure}reference with {with_}"
    if not times:
        raise click.UsageError(
            "say how long the backswing is to take: --backswing-ms 800, or --player NAME",
            click.get_current_context(),
        )
    for text in stops:
        show(f"! {text}")
    if out is not None:
        if out.suffix.lower() != ".wav":
            raise click.BadParameter("the file must end in .wav", param_hint="'--out'")
        from feedback.cue import render_blocks
        from feedback.outputs import RATE_HZ, write_wav

        plan = track_plan(times, rest_s=rest_s, rate_hz=RATE_HZ, ready=ready)
        write_wav(out, render_blocks(plan, level=level), RATE_HZ, overwrite=overwrite)
        show(LEVEL_CAUTION)
        show(BODY_CAUTION)
        cues = "1 cue" if len(times) == 1 else f"{len(times)} cues"
        click.echo(
            f"{plain(str(out))}: {cues}, {plan.end_frame / RATE_HZ:.0f} s, {_took(times)}"
            f"{plain(source)}"
        )
        return
    from feedback.outputs import open_output

    show(LEVEL_CAUTION)
    show(BODY_CAUTION)
    sound, why = open_output(output, level=level, delay_of=delays(where))
    try:
        say_output(sound, why)
        show(f"{_took(times)}{source}")
        plan = track_plan(times, rest_s=rest_s, rate_hz=sound.rate_hz, ready=ready)
        _play(plan, sound, times)
    finally:
        sound.close()


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
