"""Where a player stands in a plan: one session and one word after the other."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from analysis.evidence.looks import RUNNING
from analysis.evidence.plan import CoachWord, PlanRules, Stage, Standing, Volume, volume
from analysis.evidence.plan_course import Course, State
from analysis.evidence.plan_drill import next_drill
from analysis.evidence.plan_fall import fall
from analysis.evidence.plan_gate import gate
from analysis.evidence.plan_limits import look_again, not_longer
from analysis.evidence.reading import Reference
from analysis.evidence.spread import EvidenceParams, Matters, SwingRow, one_setting
from analysis.evidence.told import NotYet, Statement


def standing(
    rows: Sequence[SwingRow],
    days: Mapping[str, int],
    reference: Reference | NotYet,
    words: Sequence[CoachWord] = (),
    *,
    today: int,
    swung: Volume | None = None,
    rules: PlanRules | None = None,
    matters: Matters | None = None,
    params: EvidenceParams | None = None,
    day_words: Callable[[int], str] | None = None,
) -> Standing:
    """Say where a player stands with one club and mount, and what comes next.

    Parameters
    ----------
    rows : sequence of SwingRow
        All swings of one setting; ``block`` tells cued from silent and free ones.
    days : mapping of str to int
        Day number of each session (say, days since 1970 in the session's own offset).
    reference : Reference or NotYet
    words : sequence of CoachWord
    today : int
    swung : Volume, optional
        From `volume` over all clubs and mounts; without it, these rows are counted.
    rules : PlanRules, optional
    matters : Matters, optional
        Says how near a brisker backswing must come, and how small a fall doesn't matter.
    params : EvidenceParams, optional
    day_words : callable, optional
        Writes a day number for people. What is said of a day names it.

    Returns
    -------
    Standing

    Raises
    ------
    MixedError
        Swings of different players, clubs, mounts or intents.
    ValueError
        A session has no day.
    """
    q = rules or PlanRules()
    p = params or EvidenceParams()
    _check(rows, days, reference)
    order = sorted(dict.fromkeys(row.session_id for row in rows), key=lambda s: days[s])
    state = State(Stage.BASELINE)
    written = day_words or (lambda day: f"day {day}")
    course = Course(rows, order, reference, q, matters or Matters(), p, dict(days), written)
    waiting = sorted(words, key=lambda w: w.day)
    for i, session in enumerate(order):
        while waiting and waiting[0].day < days[session]:
            _hear(state, waiting.pop(0), i, written)
        _see(state, course, i, days[session])
    for word in waiting:
        _hear(state, word, len(order), written)
    if not order or state.stage in (Stage.BASELINE, Stage.REFERENCE):
        state.why = course.before_progression()[1]
    if swung is None:
        kinds = [row.kind == "strike" for row in rows]
        swung = volume([days[row.session_id] for row in rows], kinds, today, q)
    drill = None
    why = [state.why]
    if state.stage not in (Stage.STOPPED, Stage.NOT_LONGER):
        if swung.rest:
            why.append(Statement.of("rest_first", cautions=swung.over))
        else:
            drill = next_drill(state, course, days, today)
    return Standing(
        stage=state.stage,
        step=state.step,
        reasons=tuple(why),
        findings=state.findings,
        drill=drill,
        path=tuple(state.path),
        volume=swung,
        provisional=isinstance(reference, Reference) and reference.provisional,
    )


def _check(
    rows: Sequence[SwingRow], days: Mapping[str, int], reference: Reference | NotYet
) -> None:
    """Refuse swings that are no one's plan, or of no day."""
    if rows:
        setting = one_setting(rows)
        if isinstance(reference, Reference) and reference.setting != setting:
            raise ValueError("the reference is for another player, club, mount or intent")
    missing = {row.session_id for row in rows} - set(days)
    if missing:
        raise ValueError(f"session {min(missing)} has no day")


def _hear(state: State, word: CoachWord, since: int, day_words: Callable[[int], str]) -> None:
    """Take in what the coach or the player said."""
    entered = {"day": day_words(word.day), "text": word.text}
    if word.word in ("stop", "discomfort"):
        if state.stage is not Stage.STOPPED:
            state.before_stop = (state.stage, state.step)
        code = "discomfort" if word.word == "discomfort" else "coach_stopped"
        state.findings = ()
        state.move(word.day, Stage.STOPPED, 0, since, Statement.of(code, **entered))
    elif word.word == "resume" and state.stage is Stage.STOPPED:
        stage, step = state.before_stop or (Stage.BASELINE, 0)
        state.move(word.day, stage, step, since, Statement.of("coach_resumed", **entered))
    elif word.word == "move_to" and word.stage is not None:
        state.findings = ()
        state.overridden = True
        step = max(1, word.step) if word.stage is Stage.BRISKER else 0
        moved = Statement.of("coach_moved", **entered, stage=word.stage.value, step=step)
        state.move(word.day, word.stage, step, since, moved)


def _see(state: State, course: Course, i: int, day: int) -> None:
    """Take in a session."""
    if state.stage is Stage.STOPPED:
        return
    if state.stage in (Stage.BASELINE, Stage.REFERENCE):
        stage, why = course.before_progression(i)
        if stage is not Stage.FULL_TURN:
            if stage is not state.stage:
                state.move(day, stage, 0, i, why)
            return
        # Free swings that made the baseline are no test of a step that wasn't begun.
        since = i if course.cued(i) else i + 1
        state.move(day, Stage.FULL_TURN, 0, since, why)
    elif not course.has_reference():
        state.move(day, Stage.REFERENCE, 0, i, course.before_progression(i)[1])
        return
    if state.stage in (Stage.FULL_TURN, Stage.BRISKER, Stage.BALL):
        leave = None if state.overridden else not_longer(course, i, state)
        if leave is not None:
            why, state.findings, state.left = leave
            state.move(day, Stage.NOT_LONGER, 0, i, why)
            return
        fell = fall(course, i, state)
        if fell is not None and state.stage is not Stage.FULL_TURN:
            why, state.findings = fell
            back = _step_before(state, course.rules)
            state.move(day, back[0], back[1], i + 1, why)
            return
        holds, why, findings, used = gate(course, i, state)
        state.why, state.findings = why, findings
        if holds:
            state.base = used
            nxt = _step_after(state, course.rules)
            state.move(day, nxt[0], nxt[1], i + 1, why)
    elif state.stage is Stage.NOT_LONGER and state.left is not None:
        again = look_again(course, i, state, state.left)
        if again is not None:
            state.why, state.findings = again
            if state.left.gone >= RUNNING:
                state.left = None
                state.move(day, Stage.FULL_TURN, 0, i + 1, state.why)
    elif state.stage is Stage.KEEP:
        fell = fall(course, i, state)
        if fell is not None:
            why, state.findings = fell
            state.move(day, Stage.BALL, 0, i + 1, why)


def _step_before(state: State, rules: PlanRules) -> tuple[Stage, int]:
    if state.stage is Stage.BALL and rules.brisker_steps:
        return Stage.BRISKER, rules.brisker_steps
    if state.stage is Stage.BRISKER and state.step > 1:
        return Stage.BRISKER, state.step - 1
    return Stage.FULL_TURN, 0


def _step_after(state: State, rules: PlanRules) -> tuple[Stage, int]:
    if state.stage is Stage.BALL:
        return Stage.KEEP, 0
    if state.step < rules.brisker_steps:
        return Stage.BRISKER, state.step + 1
    return Stage.BALL, 0
