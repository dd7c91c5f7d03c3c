"""What changed since the sessions before the drills, looked at from time to time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from analysis.evidence.looks import CHANGE_LEVEL, FIRST_LOOK, last_look
from analysis.evidence.outcome import decide_together
from analysis.evidence.spread import (
    Asked,
    EvidenceParams,
    SessionChange,
    SessionData,
    SwingRow,
    ask_change,
    sessions_of,
)
from analysis.evidence.story import Number, Sentence
from analysis.evidence.told import NotYet, Statement
from words.plain import day_words
from words.units import unit_of

TREND_MEASURES: Final = ("backswing_ms", "turn_deg", "peak_rate_dps")
"""What is followed over sessions: measures that don't hang on how impact is told."""

MOST_FIRST: Final = 3
"""Sessions before the drills that are the baseline, at most: the last ones."""
FIRST: Final = 2
"""Sessions that are the baseline where nothing was ever drilled."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """A change of one measure over sessions.

    Attributes
    ----------
    measure : str
    kind : str
        Of the swings that were compared.
    change : SessionChange or NotYet
        The sessions up to the last look against the baseline, as it was decided then.
    now : SessionChange or NotYet
        All sessions since against the baseline; its interval is shown, and decides nothing.
    swing_ids : tuple of str
        Swings of both sides.
    """

    measure: str
    kind: str
    change: SessionChange | NotYet
    now: SessionChange | NotYet
    swing_ids: tuple[str, ...] = ()


def drilled_from(rows: Sequence[SwingRow]) -> int | None:
    """Place of the first session with a cued swing; None without any."""
    cued = {row.session_id for row in rows if row.cued}
    return next((k for k, session in enumerate(sessions_in(rows)) if session in cued), None)


def sessions_in(rows: Sequence[SwingRow]) -> list[str]:
    """Ids of the sessions of some swings, in their order."""
    return list(dict.fromkeys(row.session_id for row in rows))


def before_and_after(rows: Sequence[SwingRow], kind: str) -> tuple[list[str], list[str]]:
    """Return the sessions of the baseline, and those that followed it.

    The baseline is what was before the first cued swing, `MOST_FIRST` sessions at most; where
    nothing was ever drilled, the first `FIRST` of all. Which ones they are is fixed before
    anything is seen. Only sessions with swings enough without cue or feedback count.
    """
    counts: dict[str, int] = {}
    for row in rows:
        if row.kind == kind and not row.cued:
            counts[row.session_id] = counts.get(row.session_id, 0) + 1
    least = EvidenceParams().least_set
    tried = [session for session, n in counts.items() if n >= least]
    order = {session: k for k, session in enumerate(sessions_in(rows))}
    start = drilled_from(rows)
    if start is None:
        first = tried[:FIRST]
        return first, tried[FIRST:]
    first = [session for session in tried if order[session] < start][-MOST_FIRST:]
    return first, [session for session in tried if order[session] >= start]


def held_since(
    rows: Sequence[SwingRow], kind: str, *, mount: str | None, params: EvidenceParams
) -> list[Held]:
    """Compare the latest sessions with those before the drills, measure by measure.

    Only swings without cue or feedback count.
    """
    first, since = before_and_after(rows, kind)
    mine = [row for row in rows if row.kind == kind and not row.cued]
    data = {
        measure: {one.session_id: one for one in sessions_of(mine, measure)}
        for measure in TREND_MEASURES
    }
    look = last_look(len(since))
    changes = _changes(data, first, since[: look or 0], mount, params)
    now = _changes(data, first, since, mount, params)
    out = []
    for measure in TREND_MEASURES:
        there = data[measure]
        ids = tuple(x for s in (*first, *since) if s in there for x in there[s].swing_ids)
        change = changes[measure]
        if look is None:
            change = NotYet.count(len(since), FIRST_LOOK, "since_baseline")
        out.append(Held(measure=measure, kind=kind, change=change, now=now[measure], swing_ids=ids))
    return out


def _changes(
    data: Mapping[str, Mapping[str, SessionData]],
    first: Sequence[str],
    after: Sequence[str],
    mount: str | None,
    params: EvidenceParams,
) -> dict[str, SessionChange | NotYet]:
    """Set sessions against the baseline, all measures decided together."""
    asked: dict[str, Asked | NotYet] = {}
    sides: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {}
    for measure, there in data.items():
        before, later = ([there[s] for s in side if s in there] for side in (first, after))
        sides[measure] = (
            tuple(s.session_id for s in before),
            tuple(s.session_id for s in later),
        )
        others = [one for name, one in there.items() if name not in {*first, *after}]
        if not before or not later:
            asked[measure] = NotYet.of("no_sessions_before")
        else:
            asked[measure] = ask_change(
                before,
                later,
                others,
                measure=measure,
                mount=mount,
                params=params,
            )
    there_is = {m: one for m, one in asked.items() if isinstance(one, Asked)}
    decided = decide_together(
        [(one.difference, one.parts, one.margin) for one in there_is.values()],
        level=CHANGE_LEVEL,
    )
    out: dict[str, SessionChange | NotYet] = {
        m: one for m, one in asked.items() if isinstance(one, NotYet)
    }
    for (m, one), decision in zip(there_is.items(), decided, strict=True):
        out[m] = SessionChange(asked=one, decision=decision, before=sides[m][0], after=sides[m][1])
    return out


def held_sentence(
    held: Sequence[Held], rows: Sequence[SwingRow], days: Mapping[str, int]
) -> Sentence | None:
    """Say what changed in strikes since the first sessions; None where nothing can be told yet."""
    first, since = before_and_after(rows, "strike")
    decided = [one for one in held if isinstance(one.change, SessionChange)]
    if not decided:
        return None
    look = last_look(len(since)) or 0
    changed = Statement.of(
        "since",
        look=look,
        day=day_words(days[since[look - 1]]),
        baseline=len(first),
        drilled=any(row.cued for row in rows),
        sessions=len(since),
        words=tuple(held_statement(one) for one in decided),
        now=tuple(_now_statement(one) for one in decided),
    )
    numbers = tuple(
        Number(
            label=Statement.of("since_minus_baseline", measure=one.measure, look=look),
            unit=unit_of(one.measure),
            interval=one.change.change,
            swing_ids=tuple(x for x in one.swing_ids if x.partition("#")[0] in one.change.after),
            against_ids=tuple(x for x in one.swing_ids if x.partition("#")[0] in one.change.before),
            margin=one.change.margin,
            detectable=one.change.detectable,
        )
        for one in decided
        if isinstance(one.change, SessionChange)
    )
    ids = tuple(dict.fromkeys(x for one in decided for x in one.swing_ids))
    return Sentence(about="held", statement=changed, numbers=numbers, swing_ids=ids)


def _now_statement(held: Held) -> Statement:
    """How far a measure is from the baseline by now, with its interval only."""
    if isinstance(held.now, NotYet):
        return Statement.of("since_untold", measure=held.measure, why=held.now)
    change = held.now.change
    return Statement.of("since_now", measure=held.measure, low=change.low, high=change.high)


def held_statement(held: Held) -> Statement:
    """How a measure changed."""
    if isinstance(held.change, NotYet):
        return Statement.of("since_untold", measure=held.measure, why=held.change)
    change = held.change.change
    return Statement.of(
        "since_word",
        measure=held.measure,
        outcome=held.change.outcome.value,
        more=change.middle > 0,
        low=change.low,
        high=change.high,
        margin=held.change.margin,
        detectable=held.change.detectable,
    )


def held_words(held: Held) -> str:
    """Say in words how a measure changed."""
    return held_statement(held).text
