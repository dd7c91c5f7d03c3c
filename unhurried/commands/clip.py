"""`unhurried clip`: lay a phone's clip beside a session, lined up by the sound of impact."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from unhurried.app.errors import CommandError, show
from unhurried.app.home import opened
from unhurried.app.text import one_line, ranges, wrapped
from unhurried.commands.naming import SessionName, SwingName, locate
from unhurried.commands.options import ExistingPath, FiniteRange, home_option, json_option
from unhurried.commands.spoken import plain
from words.plain import clock

if TYPE_CHECKING:
    from library.catalogue import Library
    from library.clips import Clip


@click.command("clip")
@click.argument("session", type=SessionName(), metavar="SESSION[#N]")
@click.argument("file", required=False, type=ExistingPath())
@click.option(
    "--distance-m",
    type=FiniteRange(0.0, 50.0),
    default=3.0,
    show_default=True,
    help="From the ball to the phone: sound takes 2.9 ms a metre.",
)
@click.option(
    "--at-s",
    type=float,
    help="Line it up by hand: when its first picture was, in s from the recording's beginning.",
)
@click.option("--remove", metavar="CLIP", help="Take a clip away again; its file stays.")
@json_option
@home_option
def command(
    session: SwingName,
    file: Path | None,
    distance_m: float,
    at_s: float | None,
    remove: str | None,
    as_json: bool,
    home: Path | None,
) -> None:
    """Lay the phone's clip FILE beside SESSION, or beside the swing SESSION#N that it shows.

    It is lined up by the sound of impact, and it says where there is doubt; look at it on the
    page ('unhurried review') and nudge it there by eye. Without FILE the clips are listed. The
    file stays where it is, and nothing is uploaded anywhere.

    \b
    Examples:
      unhurried clip SESSION FILM.mov
      unhurried clip SESSION#7 FILM.mov
      unhurried clip SESSION
    """
    from library.clips import clips_of, detach, shift
    from review.lining_up import attach

    if remove is not None and (file is not None or at_s is not None):
        raise click.UsageError("--remove goes alone")
    if at_s is not None and file is None:
        raise click.UsageError("--at-s goes with a FILE")
    with opened(home) as library:
        found = locate(library, session)
        if not found.known:
            raise CommandError(
                f"{found.path}: isn't in the library yet: 'unhurried library add {found.path}'"
            )
        if remove is not None:
            gone = detach(library, found.id, _named(library, found.id, remove).id)
            click.echo("\n".join(wrapped(one_line(f"{gone.name}: taken away; the file stays"))))
            return
        if file is not None:
            seq = None
            if session.number is not None:
                seq = library.swing(found.id, number=session.number).seq
            before = {clip.id: clip for clip in clips_of(library, found.id)}
            clip = attach(library, found.id, file, seq=seq, distance_m=distance_m)
            if clip.id in before and at_s is None:
                _say_again(before[clip.id], clip)
            if at_s is not None:
                clip = shift(library, found.id, clip.id, at_s)
            shown = [clip]
        else:
            shown = clips_of(library, found.id)
            if session.number is not None:
                at = library.swing(found.id, number=session.number).swing.impact_s
                shown = [clip for clip in shown if at is not None and clip.shows(at)]
        if as_json:
            click.echo(json.dumps([plain(clip) for clip in shown], indent=2, ensure_ascii=False))
            return
        if not shown:
            click.echo("There are no clips here yet.")
        for clip in shown:
            for line in _lines(library, clip):
                click.echo(line)


def _say_again(before: Clip, now: Clip) -> None:
    """Say what became of the way a clip was lined up before."""
    if (before.offset_s, before.why) == (now.offset_s, now.why):
        show(f"{now.name}: lies beside this session already, and stays as it was lined up")
    else:
        was = "not lined up" if before.offset_s is None else f"at {clock(before.offset_s)}"
        show(f"{now.name}: lies beside this session already, and is lined up anew; before: {was}")


def _named(library: Library, session_id: str, text: str) -> Clip:
    """Find a clip by the beginning of its id, or by its file's name."""
    from library.clips import clips_of

    clips = clips_of(library, session_id)
    fitting = [c for c in clips if c.name == text or (len(text) >= 4 and c.id.startswith(text))]
    if len(fitting) == 1:
        return fitting[0]
    there = ", ".join(f"{c.id[:8]} ({one_line(c.name)})" for c in clips) or "there are none"
    what = "could be several clips" if fitting else "is no clip of this session"
    raise CommandError(f"'{text}' {what}: {there}")


def _lines(library: Library, clip: Clip) -> Iterator[str]:
    rate = "" if clip.frame_rate_hz is None else f", {clip.frame_rate_hz:.0f} pictures a second"
    yield from wrapped(
        one_line(f"{clip.name} (clip {clip.id[:8]}): {clip.duration_s:.1f} s{rate}")
        + ("" if clip.here else "; its file isn't here")
    )
    if clip.offset_s is None:
        yield from wrapped(f"not lined up: {clip.why}", "  ", "  ")
        return
    where = f"its first picture is at {clock(clip.offset_s)} of the recording"
    if clip.offset_u_s is not None:
        right = "" if clip.sure else "if that is the right knock, "
        where += f", {right}within about {1e3 * 2 * clip.offset_u_s:.0f} ms"
    doubt = "" if clip.sure else "DOUBTFUL: "
    yield from wrapped(f"{doubt}{clip.why}; {where}", "  ", "  ")
    names = ("number", "seq", "impact_s")
    rows = list(library.swings(session=clip.session, excluded=True, columns=names).rows())
    inside = [
        int(row["number"])
        for row in rows
        if row["impact_s"] is not None and clip.shows(row["impact_s"])
    ]
    if inside:
        yield from wrapped(f"it shows {ranges(inside)}", "  ", "  ")
    meant = next((int(row["number"]) for row in rows if row["seq"] == clip.seq), None)
    if meant is not None and meant not in inside:
        yield from wrapped(
            f"it was laid beside #{meant}, which it doesn't show as it is lined up: one of the two "
            "is wrong",
            "  ",
            "  ",
        )
