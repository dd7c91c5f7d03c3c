"""Keep one recording in the library, and say why where that can't be."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from unhurried.app.errors import describe, show
from unhurried.app.text import one_line

if TYPE_CHECKING:
    from library.analyzed import Analyzed
    from library.catalogue import Library
    from library.errors import NamesakeError
    from unhurried.app.ingest import Workers


WORKERS_HELP = "Processes to measure with.  [default: one a processor, where it pays]"


def names_in(library: Library, analyzed: Analyzed) -> list[str]:
    from sensor.errors import SensorError

    try:
        return library.names_of(analyzed)
    except SensorError:
        # What was said is broken; keeping it says so.
        return []


def starts_later(start: str) -> bool:
    """Whether a recording's date is still to come, whatever the time zone."""
    return datetime.fromisoformat(start) > datetime.now(UTC) + timedelta(days=1)


def keep(library: Library, analyzed: Analyzed, names: dict[str, str]) -> str | None:
    """Keep a recording; where a name is several players', ask who is meant, or say so.

    Parameters
    ----------
    library : Library
    analyzed : Analyzed
    names : dict
        Who is meant by a name; what is answered is added.

    Returns
    -------
    str or None
        As `Library.put`; None if it could not be kept, which was said on stderr.
    """
    from library.errors import ChoiceError, LibraryFileError, NamesakeError
    from sensor.errors import SensorError

    while True:
        try:
            return library.put(analyzed, known_as=names)
        except NamesakeError as error:
            if not sys.stdin.isatty() or error.name in names:
                show(f"{analyzed.path}: {error}")
                return None
            names[error.name] = _ask(analyzed.path, error)
        except ChoiceError as error:
            show(f"{analyzed.path}: {error}")
            return None
        except SensorError as error:
            show(str(error))
            return None
        except Exception as error:
            if isinstance(error, LibraryFileError) and error.path == library.database:
                raise
            # One bad recording must not keep the good ones out.
            line, _ = describe(error)
            show(line if line.startswith(str(analyzed.path)) else f"{analyzed.path}: {line}", error)
            return None


def _ask(path: str, error: NamesakeError) -> str:
    click.echo(f"{path}: who is '{error.name}'?", err=True)
    for k, line in enumerate(error.candidates, start=1):
        click.echo(f"  {k}  {one_line(line)}", err=True)
    choice = click.prompt("Number", type=click.IntRange(1, len(error.ids)), err=True)
    return error.ids[choice - 1]


def keep_again(
    library: Library, session_id: str, path: Path, names: dict[str, str], used: set[str]
) -> str | None:
    """Read again what was said about a recording that is known; as `keep`.

    Parameters
    ----------
    library : Library
    session_id : str
    path : Path
        Where it is now.
    names : dict
    used : set of str
        Takes the names that come up.
    """
    from library.errors import NoSuchError

    try:
        library.relocate(session_id, path)
        stored = library.analyzed(session_id)
    except NoSuchError as error:
        show(str(error))
        return None
    used.update(names_in(library, stored))
    return keep(library, stored, names)


def workers_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add --workers."""
    return click.option("--workers", type=click.IntRange(1, 64), help=WORKERS_HELP)(command)


def as_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add --as, as the argument `known_as`."""
    return click.option(
        "--as",
        "known_as",
        multiple=True,
        metavar="NAME=PLAYER",
        help="Who NAME in these recordings is: a player's name or id; a new name makes a new "
        "player. Without it the same name is the same player.",
    )(command)


def told(pairs: Sequence[str]) -> dict[str, str]:
    """Read the --as options."""
    out = {}
    for pair in pairs:
        name, mark, who = pair.partition("=")
        if not mark or not name.strip() or not who.strip():
            raise click.UsageError(f"--as '{pair}' must be NAME=PLAYER")
        out[name.strip()] = who.strip()
    return out


def measured_by(
    cluster: str | None, cluster_root: str | None, workers: int | None
) -> contextlib.AbstractContextManager[int | Workers | None]:
    """Say who measures."""
    if cluster is None:
        if cluster_root is not None:
            raise click.UsageError("--cluster-root goes with --cluster")
        return contextlib.nullcontext(workers)
    if workers is not None:
        raise click.UsageError(
            "--workers are processes of this machine: leave it out with --cluster"
        )
    here, mark, there = (cluster_root or "").partition("=")
    if cluster_root is not None and not (mark and here and there):
        raise click.UsageError(f"--cluster-root '{cluster_root}' must be HERE=THERE")
    from unhurried.app.cluster import cluster_of

    return cluster_of(cluster, root=Path(here) if here else None, root_there=there or None)


def known_folders(library: Library) -> list[Path]:
    """Return the known folders that are there, and recordings that lie outside of them."""
    folders = []
    for folder in library.sources():
        if folder.is_dir():
            folders.append(folder)
        else:
            show(
                f"{folder}: recordings came from here, and it isn't there now: where it will not "
                f"come back, 'unhurried library forget {folder}' looks there no more"
            )
    inside = {path for path in folders if path.is_dir()}
    for session in library.sessions():
        if session.path.is_dir() and not inside & {session.path, *session.path.parents}:
            folders.append(session.path)
    return folders
