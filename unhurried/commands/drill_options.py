"""What `unhurried drill` can be asked to be."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import click

from unhurried.commands.options import FiniteRange, gathered, with_options

BLOCKS: Final = ("rehearsal", "ball", "silent", "retention")


@dataclass(frozen=True, slots=True, kw_only=True)
class DrillOptions:
    """What the drill is to be, as `drill_options` reads it."""

    full_turn_deg: float | None
    share: float | None
    upper_turn_deg: float | None
    repeats: int
    rest_s: float
    blocks: tuple[str, ...]
    ball: bool | None
    rounds: int
    feedback: str
    with_cue: bool
    cue_on: str
    felt: bool | None
    own_full: bool

    def kinds(self, *, usual: bool) -> tuple[str, ...]:
        """The kinds of all blocks, in turn; none where the usual sets are meant."""
        if usual or self.own_full:
            return ()
        return (self.blocks or (("ball",) if self.ball else ("rehearsal",))) * self.rounds


def drill_options(command: Any) -> Any:
    """Add what the drill is to be, as the argument `asked`."""
    return with_options(
        gathered("asked", DrillOptions)(command), *_turn_and_sets(), *_sounds_and_questions()
    )


def _turn_and_sets() -> tuple[Any, ...]:
    return (
        click.option(
            "--full-turn-deg",
            type=FiniteRange(min=30.0, max=400.0),
            help="The player's own full turn with this club and place.  [default: --player's, or "
            "the middle of the first three swings]",
        ),
        click.option(
            "--turn-share",
            "share",
            type=FiniteRange(min=0.3, max=1.0),
            help="Share of it from which a turn is called full.  [default: 0.95]",
        ),
        click.option(
            "--upper-turn-deg",
            type=FiniteRange(min=30.0, max=400.0),
            help="Upper end of the own range: past full another, low sound is heard.",
        ),
        click.option(
            "--repeats",
            type=click.IntRange(min=1, max=200),
            default=5,
            show_default=True,
            help="Swings a block.",
        ),
        click.option(
            "--rest-s",
            type=FiniteRange(min=1.0, max=3600.0),
            default=8.0,
            show_default=True,
            help="Least rest after a swing; then the ready sound waits for a still club.",
        ),
        click.option(
            "--block",
            "blocks",
            type=click.Choice(BLOCKS),
            multiple=True,
            help="Kind of a set; again for the next. Practice swings (rehearsal), shots (ball), "
            "without sound (silent), the same on another day (retention).  [default: the "
            "usual sets of a day, 20 swings; 12 for children and where the coach capped the turn]",
        ),
        click.option(
            "--ball/--no-ball",
            default=None,
            help="Whether there is a ball in sets without sound; the others say so themselves.",
        ),
        click.option(
            "--rounds",
            type=click.IntRange(min=1, max=20),
            default=1,
            show_default=True,
            help="Go through the sets so many times: practice swings and shots in turn, say.",
        ),
    )


def _sounds_and_questions() -> tuple[Any, ...]:
    return (
        click.option(
            "--feedback",
            type=click.Choice(("bell", "every", "outside", "fading", "none")),
            default="bell",
            show_default=True,
            help="What follows a swing. bell: its numbers, and one bell where time and turn were "
            "there. The others have tones for time and turn, also for a miss, the bell as you go "
            "back, and numbers: every; only where time or turn lie outside (the bell as you go "
            "back comes always); fading, every swing at first and ever fewer, half of them in "
            "all; none.",
        ),
        click.option("--cue/--no-cue", "with_cue", default=True, help="With or without the cue."),
        click.option(
            "--cue-on",
            type=click.Choice(("ready", "takeaway")),
            default="ready",
            show_default=True,
            help="The cue comes by itself, 1.2 s after a ready beep, once the club is still; or it "
            "joins your own takeaway.",
        ),
        click.option(
            "--felt/--no-felt",
            default=None,
            help="Ask how each swing felt, before its numbers, or never.  [default: after every "
            "third, with --feedback bell]",
        ),
        click.option(
            "--own-full",
            is_flag=True,
            help="For a player who turns past full: three easy practice swings, no bell.",
        ),
    )
