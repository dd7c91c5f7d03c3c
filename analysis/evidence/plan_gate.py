"""Whether a plan's step is there: what it asks, in silent swings of several days."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from analysis.evidence.plan import TIME, TURN, Finding, Stage
from analysis.evidence.plan_course import Course, State
from analysis.evidence.told import NotYet, Statement


def gate(
    course: Course, i: int, state: State
) -> tuple[bool, Statement, tuple[Finding, ...], tuple[str, ...]]:
    """Is what the step asks there, in silent swings of the latest days?"""
    q = course.rules
    strikes = state.stage is Stage.BALL
    here = set(course.order[state.since : i + 1])
    silent = {
        measure: [
            s
            for s in course.sessions(i, strikes=strikes, silent_only=True, measure=measure)
            if s.session_id in here and len(s.values) >= q.silent_swings
        ][-q.silent_days :]
        for measure in (TURN, TIME)
    }
    kind = "strikes" if strikes else "rehearsals"
    have = min(len(s) for s in silent.values())
    at: dict[str, Any] = {"stage": state.stage.value, "step": state.step}
    if have < q.silent_days:
        need = NotYet.count(have, q.silent_days, f"{kind[:-1]}_days")
        return False, Statement.of("step_open", **at, why=need), (), ()
    turn_value, time_value, target = course.value(TURN), course.value(TIME), course.target_ms(state)
    assert turn_value is not None
    assert time_value is not None
    assert target is not None
    turn = course.against(i, TURN, silent[TURN], q.turn_share * turn_value.middle, strikes=strikes)
    # A brisker backswing may be as short as its target less the same slack.
    time = course.against(i, TIME, silent[TIME], q.time_share * target, strikes=strikes)
    for found in (turn, time):
        if isinstance(found, NotYet):
            return False, Statement.of("step_open", **at, why=found), (), ()
    assert isinstance(turn, Finding)
    assert isinstance(time, Finding)
    findings: tuple[Finding, ...] = (turn, time)
    used = tuple(s.session_id for s in silent[TURN])
    when = course.on(*(s.session_id for both in silent.values() for s in both))
    lacking = [f for f in findings if not f.holds]
    most = target + course.matters.margin(TIME, target)
    slow = state.stage is Stage.BRISKER and time.value > most
    if state.stage is Stage.BRISKER:
        # Brisk enough is a limit of its own, from the other side.
        upper = replace(time, needed=most, holds=not slow, side="at most")
        findings = (turn, time, upper)
    at |= {"kind": kind, "days": when}
    if lacking:
        why = tuple(lack(f, q.confidence) for f in lacking)
        return False, Statement.of("step_lacks", **at, lacking=why), findings, used
    if slow:
        still = Statement.of("step_slow", **at, value=time.value, target=target, most=most)
        return False, still, findings, used
    done = Statement.of(
        "step_there",
        **at,
        turn=turn.value,
        turn_needed=turn.needed,
        time=time.value,
        time_needed=time.needed,
        sureness=q.confidence,
    )
    return True, done, findings, used


def lack(f: Finding, confidence: float) -> Statement:
    """What isn't there yet, and how far off."""
    about: dict[str, Any] = {"measure": f.measure, "value": f.value, "needed": f.needed}
    if f.value < f.needed:
        return Statement.of("lacks", **about)
    return Statement.of("lacks_telling", **about, sureness=confidence)
