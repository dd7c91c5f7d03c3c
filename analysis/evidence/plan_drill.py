"""The next block of a plan's stage: what of retention, drill and silent test isn't done yet."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Literal

from analysis.evidence.blocks import QUIET, BlockKind
from analysis.evidence.plan import TURN, NextDrill, Stage
from analysis.evidence.plan_course import Course, State


def next_drill(state: State, course: Course, days: Mapping[str, int], today: int) -> NextDrill:
    """The next block: what of retention, drill and silent test isn't done yet today."""
    q = course.rules
    if state.stage is Stage.BASELINE:
        free = [row for row in course.rows if not row.cued]
        rehearsed = sum(row.kind == "rehearsal" for row in free) >= q.baseline_rehearsals
        return _drill(state, course, "silent", ball=rehearsed)
    if state.stage is Stage.REFERENCE or not course.has_reference():
        return _drill(state, course, "silent", ball=False)
    ball = state.stage in (Stage.BALL, Stage.KEEP)
    here = course.order[state.since :]
    done_today = {
        row.block for row in course.rows if row.session_id in here and days[row.session_id] == today
    }
    tested_before = any(
        row.block in QUIET and days[row.session_id] < today
        for row in course.rows
        if row.session_id in here
    )
    if state.stage is Stage.KEEP:
        return _drill(state, course, "retention", ball=True, another_day=True)
    cued: Literal["rehearsal", "ball"] = "ball" if ball else "rehearsal"
    if tested_before and not done_today & {"retention", cued, "silent"}:
        return _drill(state, course, "retention", ball=ball)
    drilled = (row for row in course.rows if row.session_id in here and row.block == cued)
    drilled_days = len({days[row.session_id] for row in drilled})
    feedback: Literal["every", "outside", "fading"] = (
        "every" if drilled_days <= 1 else "outside" if drilled_days == 2 else "fading"
    )
    silent_done = "silent" in done_today
    if cued in done_today and not silent_done:
        return _drill(state, course, "silent", ball=ball)
    turn, time_ms = course.value(TURN), course.target_ms(state)
    assert turn is not None
    goal = q.turn_share * turn.middle
    if turn.upper is not None:
        goal = min(goal, turn.upper)
    return replace(
        _drill(state, course, cued, feedback=feedback, ball=ball, another_day=silent_done),
        backswing_ms=None if time_ms is None else round(time_ms),
        turn_target_deg=goal,
        # Rounded down: the tone never asks for more than the goal.
        share=math.floor(goal / turn.middle * 1000.0 + 1e-6) / 1000.0,
    )


def _drill(
    state: State,
    course: Course,
    block: BlockKind,
    *,
    ball: bool,
    feedback: Literal["every", "outside", "fading", "none"] = "none",
    another_day: bool = False,
) -> NextDrill:
    """A block of the stage at hand: silent, unless there is feedback."""
    q, silent = course.rules, feedback == "none"
    return NextDrill(
        stage=state.stage,
        step=state.step,
        block=block,
        backswing_ms=None,
        share=None,
        turn_target_deg=None,
        repeats=q.silent_repeats if silent else q.repeats,
        rest_s=q.rest_s,
        feedback=feedback,
        silent=silent,
        ball=ball,
        another_day=another_day,
        player=course.rows[0].player if course.rows else None,
    )
