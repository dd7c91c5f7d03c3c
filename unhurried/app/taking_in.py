"""A recording that has ended is measured and taken into the library."""

from __future__ import annotations

import logging
import shlex
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from sensor.recording.layout import IMU_FILE
from unhurried.app.errors import describe, show

if TYPE_CHECKING:
    from unhurried.app.live import LiveSession

_log = logging.getLogger(__name__)


def mark_simulated(folder: Path) -> None:
    """Tag a recording of a simulated sensor, so that nobody takes it for a player's swings.

    It is nobody's word that could be taken back.
    """
    from library.derive import SIMULATED
    from sensor.recording.annotations import change_annotations

    with change_annotations(folder) as said:
        tags = said.session().get("tags", [])
        if SIMULATED not in tags:
            said.set("session", "tags", value=[*tags, SIMULATED])
            said.history.pop()


def take_in(
    home: Path, folder: Path, known_as: Mapping[str, str], *, empty: bool = True
) -> str | None:
    """Measure a recording and put it into the library; return its id.

    Parameters
    ----------
    home, folder : Path
    known_as : mapping of str to str
    empty : bool
        Also one without a swing; otherwise None is returned for it.

    Raises
    ------
    SensorError, AnalysisError, ReviewError
    """
    from unhurried.app.ingest import analyze_one, open_library

    analyzed = analyze_one(folder, home)
    if not analyzed.swings and not empty:
        return None
    with open_library(home) as library:
        sources = library.sources()
        where = folder.resolve()
        if not {where, *where.parents} & set(sources):
            library.remember([folder])
        library.put(analyzed, known_as=known_as)
    return analyzed.id


def is_gone(session: LiveSession) -> bool:
    """Whether a recording isn't where it was made any more."""
    return bool(session.status.received) and not (session.folder / IMU_FILE).exists()


def gone(session: LiveSession) -> str:
    """Say that a recording isn't where it was made any more."""
    return (
        f"{session.folder}: is no longer there: its {session.status.received} samples are lost, "
        "unless the folder was moved: then they are there"
    )


def into_library(
    home: Path,
    sessions: Sequence[LiveSession],
    known_as: Mapping[str, str] | None = None,
    *,
    say: Callable[[str], None] = show,
) -> list[str]:
    """Take recordings into the library, and say so; what can't be is said, and nothing is lost.

    Parameters
    ----------
    home : Path
    sessions : sequence of LiveSession
        That have ended.
    known_as : mapping of str to str, optional
        Names and the ids of the players that are meant.
    say : callable
        Says a line.

    Returns
    -------
    list of str
        Ids of those that are in the library now.
    """
    kept: list[str] = []
    for one in sessions:
        if not one.status.received:
            continue
        again = f"unhurried library add {shlex.quote(str(one.folder))}"
        if is_gone(one):
            say(gone(one))
            continue
        if one.replayed:
            say(f"{one.folder}: a replay of swings that were made before: not in the library")
            continue
        try:
            info = one.recording.info
            if info is not None and info.simulated:
                mark_simulated(one.folder)
            taken = take_in(home, one.folder, dict(known_as or {}), empty=False)
            if taken is None:
                # Most likely ended at once: no session, and no reason for a new player.
                say(f"{one.folder}: no swings were found, so not put into the library: '{again}'")
                continue
            kept.append(taken)
        except KeyboardInterrupt:
            say(f"{one.folder}: safe, but not in the library yet: '{again}'")
            break
        except Exception as error:
            _log.exception("into the library")
            say(
                f"{one.folder}: safe, but not in the library yet: {describe(error)[0]}; then "
                f"'{again}'"
            )
        else:
            say(f"in the library as {kept[-1][:8]} ({home})")
    return kept
