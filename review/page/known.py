"""What the screens ask of the evidence, each answer kept until the library changes."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Hashable
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any, Final

from analysis.errors import AnalysisError
from analysis.plan import Standing
from analysis.reading import Reading
from analysis.spread import NotYet, SwingRow
from review.errors import ReviewError
from review.evidence import Evidence, evidence_in, evidence_of, settings_of
from review.liberrors import NoSuchError
from review.library import GroupRow, Library
from review.page.words import count, day_of
from sensor.errors import SensorError

if TYPE_CHECKING:
    from review.page.app import Page

__all__ = ["Failed", "Known", "Stand", "has_report", "reading_of", "safely", "stand"]

_log = logging.getLogger(__name__)

MOST_ROWS: Final = 40_000
"""Swings that are kept in memory: one takes about 2 kB."""

LEAST_STRIKES: Final = 5
"""Strikes of a session from which on it is read by them and not by its rehearsals, as its story.
Also the swings from which on a session says where a player stands. (Chosen here.)"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stand:
    """Where a player stands, at a glance.

    Attributes
    ----------
    club, mount : str or None
        The setting that was swung most.
    session : str
        The latest with this setting that has enough swings to be read.
    day : str
        Of that session: a newer one may be set aside, or of another club.
    latest : str
        The latest session.
    too_few : str or None
        Why the latest one isn't read.
    reading : Reading or NotYet
        Of that session against the reference.
    kind : str
        Of the swings that were read.
    standing : Standing
    """

    club: str | None
    mount: str | None
    session: str
    day: str
    latest: str
    too_few: str | None
    reading: Reading | NotYet
    kind: str
    standing: Standing


def reading_of(evidence: Evidence, session_id: str) -> tuple[Reading | NotYet, str]:
    """Read a session as its story does: its strikes, or its rehearsals where those are few.

    Returns
    -------
    reading : Reading or NotYet
    kind : str
        Of the swings that were read.
    """
    main = _main(evidence, session_id)
    if not main:
        return NotYet(too_few(evidence, session_id)), "swing"
    return evidence.until(session_id).read(main), main[0].kind


def _main(evidence: Evidence, session_id: str) -> list[SwingRow]:
    """Swings that a session is read by; those that followed a cue say nothing of the player."""
    rows = [row for row in evidence.rows_of(session_id) if row.block != "rehearsal"]
    strikes = [row for row in rows if row.kind == "strike"]
    rehearsals = [row for row in rows if row.kind == "rehearsal"]
    return strikes if len(strikes) >= LEAST_STRIKES else rehearsals


def has_report(library: Library, session_id: str) -> bool:
    """Tell whether there is anything of a session to report: a known player's, not left out."""
    try:
        left_out = library.session(session_id).excluded is not None
        return not left_out and bool(evidence_in(library, session_id))
    except NoSuchError:
        return False


def too_few(evidence: Evidence, session_id: str) -> str:
    """Say why a session has too few swings to be read."""
    rows = evidence.rows_of(session_id)
    free = [row.kind for row in rows if row.block != "rehearsal"]
    text = (
        f"{count(free.count('strike'), 'strike')} and {count(free.count('rehearsal'), 'rehearsal')}"
        f" are too few to read; {LEAST_STRIKES} of a kind are enough"
    )
    cued = len(rows) - len(free)
    if cued:
        made = count(cued, "swing")
        text += f" ({made} of a drill's rehearsal block don't count: the cue set their time)"
    return text


@dataclass(frozen=True, slots=True)
class Failed:
    """Why something could not be worked out; the rest of a screen is shown all the same."""

    text: str


def safely(work: Callable[[], Any]) -> Any:
    """Return what `work` gives, or why it can't: one setting's trouble is no other's."""
    try:
        return work()
    except (ReviewError, SensorError, AnalysisError, ValueError) as error:
        _log.warning("not worked out: %s", error)
        return Failed(str(error))


class Known:
    """Evidence by player, club and mount, as long as the library is as it was.

    Parameters
    ----------
    page : Page
    """

    def __init__(self, page: Page) -> None:
        self._page = page
        self._guard = threading.Lock()
        self._evidence: dict[Hashable, tuple[Any, Evidence]] = {}

    def evidence(
        self, library: Library, player: str, club: str | None, mount: str | None
    ) -> Evidence:
        """Return the evidence of a setting.

        Raises
        ------
        NoSuchError
        """
        key = (player, club, mount)
        version = self._page.shelf.version(player)
        with self._guard:
            found = self._evidence.get(key)
            if found is not None and found[0] == version:
                self._evidence[key] = self._evidence.pop(key)
                return found[1]
        evidence = Evidence(library, library.player(player), club=club, mount=mount)
        with self._guard:
            self._evidence[key] = (version, evidence)
            rows = [len(kept.__dict__.get("rows", ())) for _, kept in self._evidence.values()]
            # The oldest go first; the one that is wanted now stays.
            for old in list(self._evidence)[:-1]:
                if sum(rows) <= MOST_ROWS:
                    break
                del self._evidence[old]
                rows = rows[1:]
        return evidence

    def main(self, library: Library, player: str) -> Evidence:
        """Return the evidence of the setting that was swung most.

        Raises
        ------
        NoSuchError
        """
        group = next(iter(settings_of(library, player)), None)
        if group is None:
            return evidence_of(library, player)  # says what is missing
        return self.evidence(library, player, group.club, group.mount)

    def settings(self, library: Library, player: str) -> list[GroupRow]:
        """Return clubs and mounts of a player's full swings, most swings first."""
        return settings_of(library, player)

    # What follows is for jobs (see `review.page.apart`), and so must not ask the shelf.

    def stand_of(self, evidence: Evidence) -> Stand | None:
        """Say where a player stands with a setting."""
        if not evidence.sessions:
            return None
        latest = evidence.sessions[-1]
        enough = (
            s for s in reversed(evidence.sessions) if len(_main(evidence, s)) >= LEAST_STRIKES
        )
        session = next(enough, latest)
        reading, kind = reading_of(evidence, session)
        return Stand(
            club=evidence.club,
            mount=evidence.mount,
            session=session,
            day=f"{date.fromordinal(evidence.days[session]):%a} {day_of(evidence.days[session])}",
            latest=latest,
            too_few=None if session == latest else too_few(evidence, latest),
            reading=reading,
            kind=kind,
            standing=evidence.standing(self._page.today().toordinal()),
        )


def stand(page: Page, player: str) -> Stand | Failed | None:
    """Say where a player stands with the setting swung most; None without a full swing. A job."""

    def work() -> Stand | None:
        with page.library() as library:
            if not settings_of(library, player):
                return None
            return page.known.stand_of(page.known.main(library, player))

    found: Stand | Failed | None = safely(work)
    return found
