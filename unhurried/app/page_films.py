"""Films that came from a phone: laid at their swings once the session is in the library."""

from __future__ import annotations

import contextlib
import logging
from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from unhurried.app.errors import describe

if TYPE_CHECKING:
    from library.catalogue import Library
    from review.page.livehub import LiveHub


_log = logging.getLogger(__name__)


@dataclass(slots=True, eq=False)
class FilmOf:
    """A film, and the swing that it shows.

    Attributes
    ----------
    path : Path
    called : str
        The swing, as a screen calls it.
    seq : int
        About where the swing is in its recording.
    session : callable
        Id of the recording; None while there is none.
    clip : str or None
        Id of the clip, once it is laid.
    out : bool
        It was taken back.
    """

    path: Path
    called: str
    seq: int
    session: Callable[[], str | None]
    clip: str | None = None
    out: bool = False


class Films:
    """Lay films at swings, in the thread that writes what was said.

    Parameters
    ----------
    hub : LiveHub
    home : Path
    writer : Executor
        Of one thread: what is handed to it is done in turn.
    kept_ids : list of str
        Sessions that the library has, so far.
    plain : callable
        Takes places out of a line.
    """

    def __init__(
        self,
        hub: LiveHub,
        home: Path,
        writer: Executor,
        kept_ids: list[str],
        plain: Callable[[str], str],
    ) -> None:
        self._hub = hub
        self._home = home
        self._writer = writer
        self._kept_ids = kept_ids
        self._plain = plain
        self._films: list[FilmOf] = []

    def add(self, film: FilmOf) -> None:
        """Take a film in; it is laid at its swing as soon as the library has that."""
        self._films.append(film)
        self._writer.submit(self._lay, film)

    def take_back(self, film: FilmOf) -> None:
        """Take a film away from its swing; its file stays."""
        film.out = True
        self._writer.submit(self._lay, film)

    def lay_all(self) -> None:
        """Lay those that waited for the end of their recording."""
        for film in self._films:
            self._writer.submit(self._lay, film)

    def _lay(self, film: FilmOf) -> None:
        session = film.session()
        if session is None or session not in self._kept_ids or film.out == (film.clip is None):
            # Not yet, or done already.
            return
        try:
            self._do(film, session)
        except Exception as error:
            _log.exception("a film of a swing")
            line = self._plain(describe(error)[0])
            text = f"the film of {film.called} is in the folder for films, but not beside it"
            self._hub.say(f"{text}: {line}", warning=True)

    def _do(self, film: FilmOf, session: str) -> None:
        from library.clips import detach
        from library.errors import NoSuchError
        from review.lining_up import attach
        from unhurried.app.ingest import open_library
        from unhurried.app.settings import load_settings

        with open_library(self._home) as library:
            if film.out:
                assert film.clip is not None
                with contextlib.suppress(NoSuchError):
                    # It may have been taken away on the session's screen.
                    detach(library, session, film.clip)
                film.clip = None
                return
            clip = attach(
                library,
                session,
                film.path,
                seq=_nearest(library, session, film.seq),
                distance_m=float(load_settings(self._home)["phone_distance_m"]),
            )
            film.clip = clip.id
        self._hub.say(f"film of {film.called}: {clip.why}", warning=not clip.sure)


def _nearest(library: Library, session: str, seq: int) -> int | None:
    """Return the key of the swing that is nearest to where one was found live."""
    found = library.swings(session=session, excluded=True, columns=("seq",))["seq"].tolist()
    return min((int(one) for one in found), key=lambda one: abs(one - seq), default=None)
