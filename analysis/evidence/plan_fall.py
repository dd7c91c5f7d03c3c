"""Whether turn or speed fell since a plan's last move."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from analysis.evidence.looks import RUNNING, lost, running
from analysis.evidence.outcome import Decision, decide_together
from analysis.evidence.parts import Part, budget
from analysis.evidence.plan import INTERVAL_LEVEL, SPEED, TURN, Finding, Stage
from analysis.evidence.plan_course import Course, State
from analysis.evidence.spread import SessionData
from analysis.evidence.told import NotYet, Statement


def fall(course: Course, i: int, state: State) -> tuple[Statement, tuple[Finding, ...]] | None:
    """Did turn or speed fall since the last move, told in this session and the one before?"""
    strikes = state.stage in (Stage.BALL, Stage.KEEP)
    data = {
        measure: course.sessions(i, strikes=strikes, silent_only=True, measure=measure)
        for measure in (TURN, SPEED)
    }
    tried = [
        session
        for session in course.order[state.since : i + 1]
        if session not in state.base
        and any(s.session_id == session for found in data.values() for s in found)
    ]
    if len(tried) < RUNNING or tried[-1] != course.order[i]:
        return None
    # From the sessions before: a fall must not pass for spread.
    until = course.place[tried[-RUNNING]] - 1
    falls: list[dict[str, tuple[Finding, Decision]]] = []
    for session in tried[-RUNNING:]:
        falls.append(_fallen(course, i, session, until, data, state, strikes=strikes))
    fallen = [
        measure
        for measure in (TURN, SPEED)
        if running([measure in one and lost(one[measure][1]) for one in falls])
    ]
    if not fallen:
        return None
    findings = tuple(
        replace(found, holds=measure not in fallen) for measure, (found, _) in falls[-1].items()
    )
    less = tuple(f for f in findings if not f.holds)
    fell = tuple(Statement.of("fell", measure=f.measure, was=f.needed, now=f.value) for f in less)
    return Statement.of("step_back", fallen=fell, days=course.on(*tried[-RUNNING:])), less


def _fallen(
    course: Course,
    i: int,
    session: str,
    until: int,
    data: Mapping[str, Sequence[SessionData]],
    state: State,
    *,
    strikes: bool,
) -> dict[str, tuple[Finding, Decision]]:
    """Turn and speed of one session against those at the last move, decided together."""
    asked: dict[str, tuple[float, tuple[Part, ...], float]] = {}
    seen: dict[str, tuple[SessionData, float, float]] = {}
    for measure, sessions in data.items():
        latest = next((s for s in sessions if s.session_id == session), None)
        every: Sequence[SessionData] = sessions
        if strikes:
            # The first strikes of the step are compared with the baseline's.
            every = course.sessions(i, strikes=True, silent_only=False, measure=measure)
        before = [
            s
            for s in every
            if s.session_id in state.base or (strikes and course.place[s.session_id] < state.since)
        ]
        spread = course.spread(until, strikes=strikes, measure=measure)
        if latest is None or not before or isinstance(spread, NotYet):
            continue
        share = 1.0 / len(before)
        parts = budget([(latest.cell, 1.0), *((s.cell, -share) for s in before)], spread, "days")
        was = sum(s.cell.location for s in before) * share
        now = latest.cell.location
        if parts:
            asked[measure] = (now - was, parts, course.matters.margin(measure, was))
            seen[measure] = (latest, now, was)
    decided = decide_together(list(asked.values()), level=2.0 * course.rules.fall_level - 1.0)
    out = {}
    for measure, decision in zip(asked, decided, strict=True):
        latest, now, was = seen[measure]
        half = decision.half(INTERVAL_LEVEL)
        finding = Finding(
            measure=measure,
            what="silent strikes" if strikes else "silent rehearsals",
            value=now,
            needed=was,
            low=now - half,
            high=now + half,
            holds=not lost(decision),
            swing_ids=latest.swing_ids,
            side="before",
        )
        out[measure] = (finding, decision)
    return out
