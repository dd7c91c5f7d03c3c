"""`unhurried bundle`: sessions in one file, from a player to a coach and back."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from unhurried.app.errors import CommandError, show
from unhurried.app.home import opened
from unhurried.app.text import one_line, wrapped
from unhurried.commands.keeping import as_option, told
from unhurried.commands.library import take_in
from unhurried.commands.naming import SessionName, SwingName, locate
from unhurried.commands.near import NearGroup
from unhurried.commands.options import ExistingPath, home_option, overwrite_option
from words.plain import count

if TYPE_CHECKING:
    from library.players import Player


@click.group("bundle", cls=NearGroup)
def command() -> None:
    """Send sessions to a coach in one file, and open one that was sent.

    A bundle holds recordings, what was said about them, and who played. What both sides said
    about the same recording comes together: of each word the newer one counts.
    """


@command.command("make")
@click.argument("out", type=click.Path(path_type=Path))
@click.argument("sessions", nargs=-1, required=True, type=SessionName(swing=False))
@click.option("--message", help="A few words to whoever opens it.")
@click.option(
    "--drill", help="A drill to do, as a command or in words; it is kept with the sessions."
)
@overwrite_option
@home_option
def make(
    out: Path,
    sessions: tuple[SwingName, ...],
    message: str | None,
    drill: str | None,
    overwrite: bool,
    home: Path | None,
) -> None:
    """Write SESSIONS (folders or ids of the library) into one file OUT.

    Recordings are data about people: send them only to whom they agreed to, and in a way that
    nobody else can read.
    """
    from library.bundle import make_bundle

    with opened(home) as library:
        found = [locate(library, name) for name in sessions]
        for one in found:
            if not one.known:
                raise CommandError(
                    f"{one.path}: isn't in the library yet: 'unhurried library add {one.path}'"
                )
        if drill is not None:
            for one in found:
                with library.annotating(one.id) as said:
                    said.set("session", "drill", value=drill)
        bundle = make_bundle(
            library,
            [(one.id, one.path) for one in found],
            out,
            message=message,
            drill=None if drill is None else {"text": drill},
            overwrite=overwrite,
        )
        names = ", ".join(player.name for player in bundle.players) or "nobody named"
        size = out.stat().st_size / 1e6
        text = f"{out}: {count(len(bundle.recordings), 'session')} of {names}, {size:.1f} MB"
        click.echo("\n".join(wrapped(one_line(text))))


@command.command("open")
@click.argument("file", type=ExistingPath())
@click.option(
    "--into",
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder for new recordings.  [default: 'recordings' in the home]",
)
@as_option
@click.option(
    "--take-names",
    is_flag=True,
    help="Also take over what changes who is who here: newer names of players, and names that "
    "are another player's already. Without it they are shown and left.",
)
@home_option
def open_(
    file: Path,
    into: Path | None,
    known_as: tuple[str, ...],
    take_names: bool,
    home: Path | None,
) -> None:
    """Take in the bundle FILE: new recordings, and what was said about known ones.

    The whole file is checked first; a damaged or doctored one is refused, and nothing is changed.
    """
    from library.bundle import open_bundle

    names = told(known_as)
    with opened(home) as library:
        folder = (library.home / "recordings" if into is None else into).resolve()

        def meant(theirs: Player, namesakes: Sequence[Player]) -> Player | None:
            return _meant(library, theirs, namesakes, names)

        done = open_bundle(library, file, folder, known_as=meant, take_names=take_names)
        bundle = done.bundle
        for text in done.refused:
            show(f"{file}: {text}")
        if done.refused:
            show(
                "who is who is left as it is here: where the bundle is right, open it once more "
                "with --take-names"
            )
        if bundle.message:
            click.echo("\n".join(wrapped(f"message: {one_line(bundle.message)}")))
        if bundle.drill and isinstance(bundle.drill.get("text"), str):
            click.echo("\n".join(wrapped(f"drill: {one_line(bundle.drill['text'])}")))
        for session_id, taken in done.merged.items():
            words = f"{count(taken, 'newer word')} taken over" if taken else "nothing new"
            click.echo(f"{session_id[:8]}: there already, {words}.")
        places = [*done.new, *(library.path_of(one) for one in _known(library, done.merged))]
        library.remember(done.new)
        take_in(library, library.candidates(places))


def _known(library: Any, ids: Any) -> list[str]:
    there = {session.id for session in library.sessions()}
    return [one for one in ids if one in there]


def _meant(
    library: Any, theirs: Player, namesakes: Sequence[Player], names: dict[str, str]
) -> Player | None:
    """Say who a player of the bundle is here: as --as says, else the only one of that name.

    Raises
    ------
    CommandError
        Several have that name.
    """
    from library.errors import NoSuchError
    from library.players import label

    if theirs.name in names:
        try:
            found: Player = library.player(names[theirs.name])
        except NoSuchError:
            # A new name: somebody who isn't here yet.
            return None
        return found
    if len(namesakes) == 1:
        return namesakes[0]
    there = "; ".join(label(player) for player in namesakes)
    raise CommandError(
        one_line(
            f"several players here are called '{theirs.name}' ({there}): say which one is meant "
            f"with --as '{theirs.name}=ID'"
        )
    )
