"""Commands as a person types them: the one place where they are put together."""

from __future__ import annotations

import shlex
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from analysis.evidence.plan import NextDrill


def _options(*pairs: tuple[str, object | None]) -> list[str]:
    return [word for name, value in pairs if value is not None for word in (name, str(value))]


def drill_command(drill: NextDrill) -> str:
    """Return the command that runs the plan's next drill."""
    turn, upper = drill.full_turn_deg, drill.upper_turn_deg
    # With sound it has the usual sets, which is what a drill has where nothing is set.
    test = drill.feedback == "none"
    options = _options(
        ("--player", drill.player),
        ("--club", drill.club),
        ("--mount", drill.mount),
        ("--hand", drill.hand),
        ("--backswing-ms", drill.backswing_ms),
        ("--turn-share", None if drill.share is None else f"{drill.share:g}"),
        ("--repeats", drill.repeats if test else None),
        ("--rest-s", drill.rest_s if test else None),
        ("--feedback", drill.feedback if test else None),
        ("--block", drill.block if test else None),
        ("--full-turn-deg", None if turn is None else f"{turn:.0f}"),
        ("--upper-turn-deg", None if upper is None else f"{upper:.0f}"),
    )
    return shlex.join(["unhurried", "drill", *options])


def own_full_command(player: str, club: str | None, mount: str | None) -> str:
    """Return the command of a drill that stops at the player's own full."""
    options = _options(("--player", player), ("--club", club), ("--mount", mount))
    return shlex.join(["unhurried", "drill", *options, "--own-full"])


def plan_command(player: str, club: str | None, mount: str | None) -> str:
    """Return the command that shows a player's plan with a club and a mount."""
    return shlex.join(
        ["unhurried", "plan", player, *_options(("--club", club), ("--mount", mount))]
    )
