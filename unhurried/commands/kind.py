"""`unhurried kind`: whether swings were at a ball, where the sensor couldn't tell or was wrong."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from unhurried.app.errors import CommandError
from unhurried.app.home import opened
from unhurried.app.located import saying
from unhurried.app.text import ranges
from unhurried.commands.naming import SessionName, SwingName, locate
from unhurried.commands.options import home_option
from words.plain import count

if TYPE_CHECKING:
    from library.catalogue import Library
    from sensor.recording.annotations import SwingSpan
    from unhurried.app.located import Located

AS_MEASURED = "as-measured"
WORDS = {"strike": "shots", "rehearsal": "practice swings", AS_MEASURED: "as measured"}


@click.command("kind")
@click.argument("session", type=SessionName(), metavar="SESSION[#N]")
@click.argument("kind", type=click.Choice(tuple(WORDS)))
@home_option
def command(session: SwingName, kind: str, home: Path | None) -> None:
    """Say that swings were shots (strike) or practice swings (rehearsal).

    SESSION alone means all swings of it that are unclear; with as-measured, all of which a kind was
    said. SESSION#N is its Nth swing. What was said is kept beside the recording, and counts more
    than what the sensor felt: in `analyze`, in stories and on the page.

    \b
    Examples:
      unhurried kind SESSION strike
      unhurried kind SESSION#3 rehearsal
      unhurried kind SESSION as-measured
    """
    with opened(home) as library:
        found = locate(library, session)
        rate_hz, swings = _swings(library, found)
        if session.number is not None and session.number not in {n for n, _, _ in swings}:
            there = f"it has {len(swings)}" if swings else "none was found in it"
            raise CommandError(f"{found.path}: there is no swing #{session.number}: {there}")
        with saying(library, found) as said:
            chosen = []
            for number, span, unclear in swings:
                before = said.get("swing", said.key_of(span, rate_hz=rate_hz), "kind")
                if session.number is not None:
                    meant = number == session.number
                elif kind == AS_MEASURED:
                    meant = before is not None
                else:
                    meant = before == "unclear" or (before is None and unclear)
                if meant:
                    chosen.append(number)
                    said.set_swing(
                        span, rate_hz=rate_hz, kind=None if kind == AS_MEASURED else kind
                    )
        name = found.path.name
        if chosen:
            now = WORDS[kind]
            if len(chosen) == 1 and kind != AS_MEASURED:
                now = f"a {now.removesuffix('s')}"
            told = f"{count(len(chosen), 'swing')} ({ranges(chosen)}): now {now}"
            click.echo(f"{name}: {told}")
        else:
            why = (
                "nothing to take back: no kind was said of its swings"
                if kind == AS_MEASURED
                else "nothing to say: no swing of it is unclear"
            )
            click.echo(f"{name}: {why}")


def _swings(library: Library, found: Located) -> tuple[float, list[tuple[int, SwingSpan, bool]]]:
    """Rate in Hz, and number and place of each swing, and whether it is unclear as measured."""
    from analysis.evidence.summary import BALL_SAID, NO_BALL
    from unhurried.app.ingest import analyze_one

    known = library.analyzed(found.id) if found.known else analyze_one(found.path, library.home)
    swings = []
    for one in known.swings:
        told = {note["code"] for note in one.values["notes"]} & {BALL_SAID, NO_BALL}
        unclear = one.values["strike"] is None and not told
        swings.append((int(one.values["index"]), one.span, unclear))
    return known.rate_hz, swings
