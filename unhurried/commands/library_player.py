"""`unhurried library player`: what is known of a player, and what the coach capped."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from sensor.recording.schema import HANDS
from unhurried.app.errors import CommandError, show
from unhurried.app.home import opened
from unhurried.app.text import one_line, wrapped
from unhurried.commands.options import FiniteRange, home_option

if TYPE_CHECKING:
    from library.limits import LimitsRecord


@click.command("player")
@click.argument("player")
@click.option("--name", help="Another name; the old one is still known in recordings.")
@click.option("--hand", type=click.Choice(HANDS), help="The player's handedness.")
@click.option("--note", help="A note; '' removes it.")
@click.option("--child/--adult", default=None, help="Whether the player is a child.")
@click.option("--consent", help="Who agreed to the recordings, and when; '' removes it.")
@click.option(
    "--most-turn",
    type=FiniteRange(min=0.0, max=100.0),
    metavar="PERCENT",
    help="Coach: the turn goes no further than so much of the full turn (30 to 100 %); 0 removes "
    "it. The bell, drills and the plan obey.",
)
@click.option(
    "--most-swings",
    type=click.IntRange(0, 1000),
    metavar="N",
    help="Coach: no more swings a day; 0 removes it.",
)
@click.option(
    "--without",
    multiple=True,
    type=click.Choice(("bell", "top", "none")),
    help="Coach: leave a sound out of drills, the full bell while going back or the sound at the "
    "top; none brings both back. May be repeated.",
)
@click.option("--limits-why", metavar="TEXT", help="Coach: why, an injury or an age.")
@click.option("--new", is_flag=True, help="Make a new player of this name.")
@home_option
def player_(
    player: str,
    name: str | None,
    hand: str | None,
    note: str | None,
    child: bool | None,
    consent: str | None,
    most_turn: float | None,
    most_swings: int | None,
    without: tuple[str, ...],
    limits_why: str | None,
    new: bool,
    home: Path | None,
) -> None:
    """Show PLAYER, or change what is known of them."""
    from library.players import clean_name, now_utc

    with opened(home) as library:
        if new:
            who = library.people.add(player)
            library.save_player(who)
        else:
            who = library.player(player)
        given = {
            "handedness": hand,
            "note": None if note is None else note.strip(),
            "consent": None if consent is None else consent.strip(),
        }
        # What is empty is removed.
        changes: dict[str, Any] = {k: v or None for k, v in given.items() if v is not None}
        if child is not None:
            changes["child"] = child
        limits = _limits(who.limits, most_turn, most_swings, without, limits_why)
        if limits is not who.limits:
            changes["limits"] = limits
        if name is not None:
            changes["name"] = clean_name(name)
            changes["aliases"] = tuple(sorted({*who.aliases, who.name} - {clean_name(name)}))
        if changes:
            try:
                who = library.change_player(
                    who.id, lambda one: dataclasses.replace(one, **changes, at=now_utc())
                )
            except ValueError as error:
                raise CommandError(str(error)) from error
        facts = [
            ("name", who.name),
            ("id", who.id),
            ("also known as", ", ".join(who.aliases)),
            ("handedness", who.handedness or "not said"),
            ("child", "yes" if who.child else "no"),
            ("consent", who.consent or ("none noted" if who.child else "")),
            ("note", who.note or ""),
            ("limits", who.limits.words),
        ]
        for word, text in facts:
            if text:
                click.echo("\n".join(wrapped(one_line(text), f"  {word:<14}", " " * 16)))
        if who.child and not who.consent:
            show(
                f"{who.name} is a child: record and keep this only with the consent of those who "
                "look after them, and note it with --consent"
            )


def _limits(
    now: LimitsRecord,
    most_turn: float | None,
    most_swings: int | None,
    without: tuple[str, ...],
    why: str | None,
) -> LimitsRecord:
    """Return the coach's limits with what was given changed."""
    from library.limits import said

    if most_turn is not None and 0.0 < most_turn < 30.0:
        raise click.UsageError("--most-turn is 30 to 100, or 0 to remove it")
    changes: dict[str, Any] = {}
    if most_turn is not None:
        changes["turn_share"] = most_turn / 100.0 or None
    if most_swings is not None:
        changes["swings_day"] = most_swings or None
    if without:
        changes["without"] = () if "none" in without else tuple(sorted(set(without)))
    if why is not None:
        changes["why"] = " ".join(one_line(why).split()) or None
    return said(now, dataclasses.replace(now, **changes))
