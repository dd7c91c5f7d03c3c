"""What is told of the newest look, and whether today's analysis says so still.

A word is *told* when a story, a plan, a report, a player's screen or a drill's end shows it. What
is compared with it later is the same look: the same sessions, and what had been approved and said
of the plan by then; only the analysis is today's (and what was corrected in the swings since).
"""

from __future__ import annotations

import logging
import math
from collections.abc import Iterator
from datetime import datetime
from typing import Final

from analysis.errors import AnalysisError
from analysis.evidence.margins import MARGINS
from analysis.evidence.outcome import Outcome
from analysis.evidence.reading import Reference
from analysis.evidence.spread import SessionChange
from analysis.evidence.story import read_by
from analysis.evidence.told import Statement
from library.catalogue import Library
from library.drill_outcome import kept_by_block, outcome_at
from library.errors import LibraryError
from library.evidence import Evidence
from library.players import Player, now_utc
from library.told import ToldRecord, ToldWord
from words.plan import step_name

_log = logging.getLogger(__name__)

NONE: Final = "none"
"""The word of a reference that isn't there."""


def tell(evidence: Evidence) -> None:
    """Keep what is told of a setting's newest look, where it isn't kept yet."""
    keep(evidence.library, evidence.player.id, look_of(evidence))


def keep(library: Library, player_id: str, look: ToldRecord | None) -> bool:
    """Keep what was told in the player's file; whether it is new there.

    Who only looks keeps nothing. Where it can't be written, the log says so, and what was asked
    is answered all the same.
    """
    if look is None or library.read_only:
        return False
    new = False

    def with_it(player: Player) -> Player:
        nonlocal new
        new = look.key not in {one.key for one in player.told}
        return player.with_told(look)

    try:
        if look.key not in {one.key for one in library.player(player_id).told}:
            library.change_player(player_id, with_it)
    except LibraryError as error:
        _log.warning("what was told isn't kept: %s", error)
        return False
    return new


def look_of(evidence: Evidence) -> ToldRecord | None:
    """Return what is told of a setting's newest look; None where something is kept of it already.

    What a later analysis says of it is kept by `told_anew`, which has to say it.
    """
    if not evidence.sessions or evidence.before is not None:
        return None
    session = evidence.sessions[-1]
    if session in {o.session for o in evidence.player.told_of(evidence.club, evidence.mount)}:
        return None
    return _record(evidence, session, _version(evidence, session))


def moved(evidence: Evidence, session_id: str) -> Statement | None:
    """Say what today's analysis says otherwise than was told of a session.

    Returns
    -------
    Statement or None
        None where nothing was told by another version, nothing moved by more than its margin, or
        it isn't the same data any more.
    """
    earlier = [
        one
        for one in evidence.player.told_of(evidence.club, evidence.mount)
        if one.session == session_id
    ]
    if not earlier or session_id not in evidence.sessions:
        return None
    version = _version(evidence, session_id)
    others = [one for one in earlier if one.version != version]
    return _moved(evidence, others[-1], version) if others else None


def told_anew(library: Library) -> Iterator[tuple[Evidence, Statement]]:
    """Say, once, whose last word moved since another version of the analysis told it.

    What today's analysis says of that look is kept beside it, so that it isn't said again; of
    several processes that look at once, one says it.
    """
    for row in library.players():
        player = library.player(row.id)
        last = {(one.club, one.mount): one for one in player.told}
        for (club, mount), then in last.items():
            if then.version == library.analysis_version:
                continue
            evidence = Evidence(library, player, club=club, mount=mount)
            if then.session not in evidence.sessions:
                continue
            version = _version(evidence, then.session)
            if version == then.version or _count(evidence, then.session) != then.sessions:
                continue
            try:
                found = _moved(evidence, then, version)
                now = _record(evidence, then.session, version)
            except (AnalysisError, ValueError) as error:
                _log.warning("what was told isn't compared: %s", error)
                continue
            if keep(library, player.id, now) and found is not None:
                yield evidence, found


# -- what is said of a look ------------------------------------------------------------------------


def _count(evidence: Evidence, session_id: str) -> int:
    """How many sessions there were when this one was the newest."""
    return evidence.sessions.index(session_id) + 1


def _version(evidence: Evidence, session_id: str) -> str:
    """Return the analysis that measured a look's sessions; several where they aren't of one."""
    seen = set(evidence.sessions[: _count(evidence, session_id)])
    there = evidence.library.sessions(player=evidence.player.id)
    versions = sorted({one.analysis_version for one in there if one.id in seen})
    return ", ".join(versions)[:200] or NONE


def _record(evidence: Evidence, session_id: str, version: str) -> ToldRecord:
    """Return what is said of a look now."""
    at = now_utc()
    return ToldRecord(
        club=evidence.club,
        mount=evidence.mount,
        session=session_id,
        sessions=_count(evidence, session_id),
        version=version,
        words=tuple(_words(_as_of(evidence, session_id, at), at)),
        at=at,
    )


def _as_of(evidence: Evidence, session_id: str, at: str) -> Evidence:
    """Return a look's evidence, by what had been approved and said at an instant."""
    then = Evidence(
        evidence.library,
        evidence.player.as_of(at),
        club=evidence.club,
        mount=evidence.mount,
        params=evidence.params,
    )
    then.rows, then.days, then.hands = evidence.rows, evidence.days, evidence.hands
    then = then.until(session_id)
    # The player's file as it was then knows nothing of later words and approvals.
    then.before = then.last_day = None
    return then


def _words(then: Evidence, at: str) -> Iterator[ToldWord]:
    session = then.sessions[-1]
    told_on = datetime.fromisoformat(at).astimezone().date().toordinal()
    stand = then.stood(max(then.days[session], told_on))
    yield ToldWord(about="stage", word=step_name(stand.stage.value, stand.step))
    known = then.reference
    kind = NONE
    if isinstance(known, Reference):
        kind = "provisional" if known.provisional else "approved"
    yield ToldWord(about="reference", word=kind)
    for name, value in known.values.items() if isinstance(known, Reference) else ():
        if name in MARGINS:
            margin = MARGINS[name].of(value.middle, value.middle)
            yield _word("reference", kind, name, value.middle, margin)
    main, _ = read_by(then.rows_of(session))
    read = then.read(main)
    for one in (read.time, read.turn, read.speed):
        if one.measure is not None:
            middle = None if one.difference is None else one.difference.middle
            yield _word("reading", one.word.value, one.measure, middle, one.margin)
    for held in then.held():
        if isinstance(held.change, SessionChange):
            found = held.change
            yield _word(
                "change", found.outcome.value, held.measure, found.change.middle, found.margin
            )
        else:
            yield _word("change", Outcome.INCONCLUSIVE.value, held.measure, None, None)
    drill = outcome_at(then.library.session(session).path)
    for block, measure, kept, decision in () if drill is None else kept_by_block(drill)[:20]:
        numbers = (None, None) if decision is None else (decision.difference, decision.margin)
        yield _word("drill", kept.value, measure, *numbers, of=block)


def _word(
    about: str,
    word: str,
    measure: str,
    value: float | None,
    margin: float | None,
    *,
    of: str | None = None,
) -> ToldWord:
    known = value is not None and math.isfinite(value)
    return ToldWord(
        about=about,
        word=word,
        measure=measure,
        of=of,
        value=round(value, 3) if known and value is not None else None,
        margin=round(margin, 3) if known and margin is not None else None,
    )


# -- then and now ----------------------------------------------------------------------------------


def _moved(evidence: Evidence, then: ToldRecord, version: str) -> Statement | None:
    """Set what was told beside what today's analysis says of the same look."""
    if _count(evidence, then.session) != then.sessions:
        return None
    today = {one.key: one for one in _words(_as_of(evidence, then.session, then.at), then.at)}
    pairs = [(one, today[one.key]) for one in then.words if one.key in today]
    apart = [(one, now) for one, now in pairs if _differs(one, now)]
    if not apart:
        return None
    return Statement.of(
        "moved",
        day=datetime.fromisoformat(then.at).astimezone().date().isoformat(),
        version=then.version,
        now_version=version,
        then=tuple(_told(one) for one, _ in apart),
        now=tuple(_told(now) for _, now in apart),
    )


def _differs(then: ToldWord, now: ToldWord) -> bool:
    """Whether a word is another one, or its number moved by more than its margin."""
    if then.word != now.word:
        return True
    if then.value is None or now.value is None or then.margin is None:
        return False
    return abs(now.value - then.value) > then.margin


def _told(one: ToldWord) -> Statement:
    return Statement.of(
        "told_word", about=one.about, word=one.word, measure=one.measure, of=one.of, value=one.value
    )
