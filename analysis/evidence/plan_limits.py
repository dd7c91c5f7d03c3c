"""Whom a plan doesn't send longer or further, and whether later swings still show why."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any, Literal

from analysis.evidence.intervals import t_quantile
from analysis.evidence.looks import RUNNING, running
from analysis.evidence.parts import budget, total
from analysis.evidence.plan import TIME, TURN, Finding, Stage
from analysis.evidence.plan_course import Course, Left, State, half_width
from analysis.evidence.plan_gate import lack
from analysis.evidence.reading import ReferenceValue, difference_from
from analysis.evidence.spread import SessionData, player_spread
from analysis.evidence.told import NotYet, Statement


def not_longer(
    course: Course, i: int, state: State
) -> tuple[Statement, tuple[Finding, ...], Left] | None:
    """Is this a player whom the plan doesn't send longer or further?"""
    here = course.order[i]
    turn, time = course.value(TURN), course.value(TIME)
    assert turn is not None
    assert time is not None
    q = course.rules
    if time.middle > q.long_backswing_ms:
        why = Statement.of("long_already", value=time.middle, most=q.long_backswing_ms)
        return why, (), Left(kind="reference", session=here)
    if turn.upper is not None and turn.middle > turn.upper:
        why = Statement.of("reference_beyond", value=turn.middle, upper=turn.upper)
        return why, (), Left(kind="reference", session=here)
    for strikes in (True, False):
        leave = beyond(course, i, turn, strikes=strikes)
        if leave is not None:
            return leave
    if state.stage is not Stage.FULL_TURN or state.base:
        return None
    # At the start: do the strikes already have the time and the turn of the reference?
    found = enough(course, i)
    if found is None or not all(f.holds for f in found):
        return None
    why = Statement.of("enough", turn=found[0].value, time=found[1].value, day=course.on(here))
    return why, found, Left(kind="enough", session=here)


def beyond(
    course: Course, i: int, turn: ReferenceValue, *, strikes: bool
) -> tuple[Statement, tuple[Finding, ...], Left] | None:
    """Is the turn of this session's uncued swings of a kind over the upper bound?"""
    sessions = course.sessions(i, strikes=strikes, silent_only=False, measure=TURN)
    if not sessions or turn.upper is None or sessions[-1].session_id != course.order[i]:
        return None
    found = _turn_beyond(course, sessions[-RUNNING:], turn, strikes=strikes)
    if found is None:
        return None
    kind: Literal["strikes", "rehearsals"] = "strikes" if strikes else "rehearsals"
    why = Statement.of(
        "beyond",
        kind=kind,
        days=course.on(*(s.session_id for s in sessions[-RUNNING:])),
        value=found.value,
        upper=turn.upper,
    )
    return why, (found,), Left(kind=kind, session=course.order[i], seen=found.value)


def look_again(
    course: Course, i: int, state: State, left: Left
) -> tuple[Statement, tuple[Finding, ...]] | None:
    """Does a later session still show why the plan doesn't send longer?

    None where this session has nothing to go by. `left.gone` counts how many sessions running
    no longer did.
    """
    turn = course.value(TURN)
    assert turn is not None
    if left.kind == "reference":
        # It hangs on the reference alone, and that is today's.
        return None
    first = course.on(left.session)
    if left.kind == "enough":
        seen = enough(course, i)
        if seen is None:
            return None
        now = course.on(course.order[i])
        lacking = tuple(lack(f, course.rules.confidence) for f in seen if f.value < f.needed)
        turned, timed = seen[0].value, seen[1].value
        if not lacking:
            state.left = replace(left, gone=0)
            still = Statement.of("still_enough", turn=turned, time=timed, first=first, day=now)
            return still, seen
        state.left = replace(left, gone=left.gone + 1)
        gone = state.left.gone >= RUNNING
        return (
            Statement.of("no_longer_enough", first=first, day=now, lacking=lacking, gone=gone),
            seen,
        )
    strikes = left.kind == "strikes"
    sessions = course.sessions(i, strikes=strikes, silent_only=False, measure=TURN)
    if turn.upper is None or not sessions or sessions[-1].session_id != course.order[i]:
        return None
    newest = _turn_now(course, sessions[-1], turn.upper, strikes=strikes)
    about: dict[str, Any] = {
        "kind": left.kind,
        "first": first,
        "seen": left.seen,
        "day": course.on(course.order[i]),
        "value": newest.value,
        "upper": turn.upper,
    }
    if newest.value > turn.upper:
        state.left = replace(left, gone=0)
        return Statement.of("still_beyond", **about), (newest,)
    state.left = replace(left, gone=left.gone + 1)
    gone = state.left.gone >= RUNNING
    return Statement.of("no_longer_beyond", **about, gone=gone), (newest,)


def enough(course: Course, i: int) -> tuple[Finding, Finding] | None:
    """Set the latest uncued strikes against the reference's turn and time; None if untold."""
    q = course.rules
    findings = []
    for measure, share in ((TURN, q.turn_share), (TIME, q.time_share)):
        value = course.value(measure)
        assert value is not None
        strikes_now = [
            s
            for s in course.sessions(i, strikes=True, silent_only=False, measure=measure)
            if len(s.values) >= q.baseline_strikes
        ]
        if not strikes_now:
            return None
        spread = course.spread(i, strikes=True, measure=measure)
        if isinstance(spread, NotYet) or len(strikes_now) < q.silent_days:
            return None
        use = strikes_now[-2 * q.silent_days :]
        delta, parts, _ = difference_from(value, use, spread)
        se, df = total(parts)
        sure = t_quantile(q.enough_level, df) * se
        half = half_width(se, df)
        seen = value.middle + delta
        findings.append(
            Finding(
                measure=measure,
                what="uncued strikes",
                value=seen,
                needed=share * value.middle,
                low=seen - half,
                high=seen + half,
                holds=seen - sure >= share * value.middle,
                swing_ids=tuple(x for s in use for x in s.swing_ids),
            )
        )
    return findings[0], findings[1]


def _turn_now(course: Course, now: SessionData, upper: float, *, strikes: bool) -> Finding:
    """The turn of one session against the upper bound."""
    location = now.cell.location
    half = half_width(*_se_of_one(course, now, now.session_id, strikes=strikes))
    return Finding(
        measure=TURN,
        what=f"uncued {'strikes' if strikes else 'rehearsals'}",
        value=location,
        needed=upper,
        low=location - half,
        high=location + half,
        holds=location <= upper,
        swing_ids=now.swing_ids,
        side="at most",
    )


def _se_of_one(
    course: Course, now: SessionData, since: str, *, strikes: bool
) -> tuple[float, float]:
    """Standard error of one session's middle turn, as one of the player's days.

    The spread is that of the sessions before `since`: what is beyond must not pass for spread.
    """
    spread = course.spread(course.place[since] - 1, strikes=strikes, measure=TURN)
    if isinstance(spread, NotYet):
        mount = course.rows[0].mount
        spread = player_spread([[now]], TURN, course.p, mount=mount)
    if isinstance(spread, NotYet):
        return 0.0, math.inf
    return total(budget([(now.cell, 1.0)], spread, "days"))


def _turn_beyond(
    course: Course, latest: Sequence[SessionData], turn: ReferenceValue, *, strikes: bool
) -> Finding | None:
    """Is the turn over the upper bound in two sessions running, each told by itself?"""
    assert turn.upper is not None
    shown = []
    for now in latest:
        se, df = _se_of_one(course, now, latest[0].session_id, strikes=strikes)
        sure = t_quantile(course.rules.fall_level, df) * se
        shown.append(se > 0.0 and now.cell.location - sure > turn.upper)
    if not running(shown):
        return None
    found = _turn_now(course, latest[-1], turn.upper, strikes=strikes)
    # The number shown is the latest session's, and so are the swings it is followed back to.
    return replace(found, holds=False)
