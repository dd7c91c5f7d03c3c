"""What the screens ask of the evidence, each answer kept until the library changes."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Hashable
from contextlib import AbstractContextManager
from dataclasses import dataclass
from datetime import date
from typing import Any, Final, Protocol

from analysis.errors import AnalysisError
from analysis.evidence.plan import Standing
from analysis.evidence.reading import Reading
from analysis.evidence.spread import SwingRow
from analysis.evidence.told import NotYet
from library.answer import Answer, answer_of_session
from library.catalogue import Library
from library.errors import LibraryError, NoSuchError
from library.evidence import Evidence, evidence_in, evidence_of, settings_of
from library.rows import GroupRow
from library.telling import look_of, moved
from library.told import ToldRecord
from review.errors import ReviewError
from review.formatting import count, day_of, line_of
from review.page.cache import ResultCache
from sensor.errors import SensorError

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
    answer : Answer
        Of that session.
    standing : Standing
    moved : str or None
        What today's analysis says otherwise than was told of the latest session.
    look : ToldRecord or None
        What is told by showing this, to be kept; None where it is kept already.
    """

    club: str | None
    mount: str | None
    session: str
    day: str
    latest: str
    too_few: str | None
    answer: Answer
    standing: Standing
    moved: str | None
    look: ToldRecord | None


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
        return NotYet.of("said", text=too_few(evidence, session_id)), "swing"
    return evidence.until(session_id).read(main), main[0].kind


def _main(evidence: Evidence, session_id: str) -> list[SwingRow]:
    """Swings that a session is read by; those that followed a cue say nothing of the player."""
    rows = [row for row in evidence.rows_of(session_id) if row.block != "rehearsal"]
    strikes = [row for row in rows if row.kind == "strike"]
    rehearsals = [row for row in rows if row.kind == "rehearsal"]
    return strikes if len(strikes) >= LEAST_STRIKES else rehearsals


def moved_text(evidence: Evidence, session_id: str) -> str | None:
    """Say what today's analysis says otherwise than was told of a session; None where nothing."""
    found = moved(evidence, session_id)
    return None if found is None else found.text


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
    except (LibraryError, ReviewError, SensorError, AnalysisError, ValueError) as error:
        _log.warning("not worked out: %s", error)
        return Failed(line_of(error))


class EvidenceCache:
    """Evidence by player, club and mount, as long as the library is as it was.

    Parameters
    ----------
    cache : ResultCache
        Says whether anything was written about a player since.
    today : callable
        The day.
    """

    def __init__(self, cache: ResultCache, today: Callable[[], date]) -> None:
        self._cache = cache
        self._today = today
        self._guard = threading.Lock()
        self._evidence: dict[Hashable, tuple[Any, Evidence]] = {}

    def setting(
        self, library: Library, player: str, club: str | None, mount: str | None
    ) -> Evidence:
        """Return the evidence of a setting.

        Raises
        ------
        NoSuchError
        """
        key = (player, club, mount)
        version = self._cache.version(player)
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
        return self.setting(library, player, group.club, group.mount)

    def settings(self, library: Library, player: str) -> list[GroupRow]:
        """Return clubs and mounts of a player's full swings, most swings first."""
        return settings_of(library, player)

    # What follows is for jobs (see `review.page.worker`), and so must not ask the cache.

    def stand_of(self, evidence: Evidence) -> Stand | None:
        """Say where a player stands with a setting."""
        if not evidence.sessions:
            return None
        latest = evidence.sessions[-1]
        enough = (
            s for s in reversed(evidence.sessions) if len(_main(evidence, s)) >= LEAST_STRIKES
        )
        session = next(enough, latest)
        return Stand(
            club=evidence.club,
            mount=evidence.mount,
            session=session,
            day=f"{date.fromordinal(evidence.days[session]):%a} {day_of(evidence.days[session])}",
            latest=latest,
            too_few=None if session == latest else too_few(evidence, latest),
            answer=answer_of_session(evidence, session),
            standing=evidence.standing(self._today().toordinal()),
            moved=moved_text(evidence, latest),
            look=look_of(evidence),
        )


class Asked(Protocol):
    """The page, as far as a job asks it."""

    evidence: EvidenceCache

    def library(self) -> AbstractContextManager[Library]:
        """Give the library."""


def stand(page: Asked, player: str) -> Stand | Failed | None:
    """Say where a player stands with the setting swung most; None without a full swing. A job."""

    def work() -> Stand | None:
        with page.library() as library:
            if not settings_of(library, player):
                return None
            return page.evidence.stand_of(page.evidence.main(library, player))

    found: Stand | Failed | None = safely(work)
    return found
