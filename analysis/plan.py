"""A plan that moves: where a player stands, why, and the next drill.

The lesson's loop as stated, editable rules: a baseline without feedback; rehearsals, of which the
coach approves the reference; then a progression (first a full turn with time, then the same turn
with a brisker backswing step by step, then at a ball), in which each step is a drill, a silent
test, homework, and a silent test on another day. Moving on hangs on silent swings of two days. A
step back comes when turn or speed falls by more than can be told.

The plan is a pure function of the swings so far and of what the coach and player said: nothing is
remembered but these, so every stand can be followed back to its swings.

It isn't meant for everyone. A player who is already long in time, or turns beyond comfort, isn't
sent to make it longer. The coach can override or stop anything, and discomfort stops it.
"""

from __future__ import annotations

import math
import shlex
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Final, Literal

import numpy as np

from analysis.reading import Reference, ReferenceValue, difference_from
from analysis.spread import (
    EvidenceParams,
    Matters,
    NotYet,
    PartsCache,
    PlayerSpread,
    SessionData,
    SwingRow,
    middle_of,
    moving_spread,
    one_setting,
    sessions_of,
    student_t,
    unit_of,
)

__all__ = [
    "CAUTIONS",
    "CoachWord",
    "Drill",
    "Finding",
    "PlanRules",
    "Stage",
    "Standing",
    "Volume",
    "standing",
    "volume",
    "word_from_dict",
]

TIME: Final = "backswing_ms"
"""The plan's time is the backswing's: it is what is cued, and it doesn't hang on impact."""
TURN: Final = "turn_deg"
SPEED: Final = "peak_rate_dps"

FREE: Final = (None, "silent", "retention")
"""Blocks without cue or feedback."""

INTERVAL_LEVEL: Final = 0.95
"""Level of every interval that is shown, two-sided, by convention. The rules may decide at another
one-sided sureness; what people see is always this."""

MOST_FOR_SPREAD: Final = 30
"""Sessions that the spread is told from, at most: the latest."""

Word = Literal["stop", "resume", "discomfort", "move_to"]


class Stage(StrEnum):
    """Where a player can stand."""

    BASELINE = "baseline"
    REFERENCE = "reference"
    FULL_TURN = "full turn with time"
    BRISKER = "brisker backswing"
    BALL = "at a ball"
    KEEP = "keep it"
    NOT_LONGER = "not sent longer"
    STOPPED = "stopped"


CAUTIONS: Final = (
    "Warm up first, and stop on pain.",
    "Never turn past comfort: the tone confirms a turn, it doesn't ask for one.",
    "Keep clear space, rest between blocks, and stop when tired.",
    "In doubt ask a qualified coach or a clinician.",
)
"""Shown with each drill. Low-back pain is among the commonest golf ailments, and much practice goes
with it (doi 10.5812/asjsm.24289)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanRules:
    """The rules; all may be edited. Where no source is named: common practice, no source."""

    baseline_rehearsals: int = 8
    baseline_strikes: int = 8
    """At a ball, without feedback. 0 where there is no ball."""
    needs_approval: bool = True
    """A coach must approve the reference before the progression begins."""
    turn_share: float = 0.95
    """A turn is full from this share of the reference's on, which is also the tone's."""
    time_share: float = 0.95
    """There was time from this share of the reference's backswing on. Half of the tenth by which a
    hurried swing is shorter."""
    silent_days: int = 2
    """Days with silent swings that are looked at together before a player is moved on: what is
    held at once may be gone after a day (PMC5486555)."""
    silent_swings: int = 8
    sureness: float = 0.65
    """One-sided: a player is moved on when it is this sure that turn and time are over their
    shares. That is little; but the shares lie midway between the reference and a hurried swing,
    and silent days must bear it in both measures together. Measured on simulated players: at 0.8 a
    quarter of those who are ready wait longer than three sessions, at 0.5 more are moved on too
    early (``benchmarks/evidence.py``)."""
    brisker_steps: int = 2
    brisker_by: float = 0.05
    """Each step takes this share of the reference's backswing off."""
    fall_level: float = 0.95
    """One-sided: a fall in turn or speed that is told at this level is a step back."""
    long_backswing_ms: float = 1000.0
    """A backswing longer than this isn't made longer: skilled players take 0.70-1.00 s (Grober &
    Cholewicki, arXiv physics/0611291)."""
    repeats: int = 10
    rest_s: int = 15
    silent_repeats: int = 10
    most_swings_day: int = 100
    most_strikes_week: int = 200
    """More than 200 balls a week goes with more injuries (Gosheger et al. 2003, from memory)."""
    usual_factor: float = 1.5
    """A week with this many times the player's usual swings is named."""

    def __post_init__(self) -> None:
        for name in ("turn_share", "time_share"):
            if not 0.5 <= getattr(self, name) <= 1.0:
                raise ValueError(f"{name} must lie between 0.5 and 1: nobody is sent past the full")
        for name in ("sureness", "fall_level"):
            if not 0.5 <= getattr(self, name) < 1.0:
                raise ValueError(f"{name} must be at least 0.5 and less than 1")
        for name in ("silent_days", "silent_swings", "repeats", "silent_repeats"):
            if getattr(self, name) < 1:
                raise ValueError(f"{name} must be at least 1")
        for name in (
            "baseline_rehearsals",
            "baseline_strikes",
            "brisker_steps",
            "rest_s",
            "most_swings_day",
            "most_strikes_week",
        ):
            if getattr(self, name) < 0:
                raise ValueError(f"{name} must not be negative")
        if not 0.0 <= self.brisker_by * self.brisker_steps <= 0.5:
            raise ValueError("the brisker steps together must not take more than half off")
        if self.long_backswing_ms <= 0 or self.usual_factor <= 0:
            raise ValueError("long_backswing_ms and usual_factor must be above 0")


@dataclass(frozen=True, slots=True, kw_only=True)
class CoachWord:
    """What a coach or player said.

    Attributes
    ----------
    day : int
        Day number; it takes effect after that day's sessions.
    word : {"stop", "resume", "discomfort", "move_to"}
        ``move_to`` overrides: the player is put to a stage.
    stage : Stage or None
        For ``move_to``.
    step : int
        For ``move_to`` a brisker backswing: 1 for the first step.
    text : str
        In their words.
    """

    day: int
    word: Word
    stage: Stage | None = None
    step: int = 0
    text: str = ""

    def __post_init__(self) -> None:
        if (self.stage is not None) != (self.word == "move_to"):
            raise ValueError("only 'move_to' names a stage, and it must")

    def as_dict(self) -> dict[str, object]:
        """Plain values for JSON; `word_from_dict` reads them back."""
        out: dict[str, object] = {"day": self.day, "word": self.word}
        if self.stage is not None:
            out["stage"] = self.stage.value
            out["step"] = self.step
        if self.text:
            out["text"] = self.text
        return out


def word_from_dict(data: Mapping[str, object]) -> CoachWord:
    """Read back what `CoachWord.as_dict` gave.

    Raises
    ------
    ValueError
        It isn't one.
    """
    day, word, stage, step = (data.get(k) for k in ("day", "word", "stage", "step"))
    if not isinstance(day, int) or word not in ("stop", "resume", "discomfort", "move_to"):
        raise ValueError("a coach's word needs a day and one of stop, resume, discomfort, move_to")
    return CoachWord(
        day=day,
        word=word,
        stage=None if stage is None else Stage(str(stage)),
        step=step if isinstance(step, int) else 0,
        text=str(data.get("text", "")),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One number that a stand rests on.

    Attributes
    ----------
    measure : str
    what : str
        In plain words.
    value, needed : float
        Seen, and what it is held against, in the measure's unit.
    low, high : float
        Interval of the value, of `INTERVAL_LEVEL`, whatever sureness the rule asks for.
    holds : bool
        By the rule, which may ask for less or more than that interval.
    side : {"at least", "at most", "before"}
        How ``needed`` is meant; "before" is what was seen earlier, of which a fall is told.
    swing_ids : tuple of str
    """

    measure: str
    what: str
    value: float
    needed: float
    low: float
    high: float
    holds: bool
    swing_ids: tuple[str, ...]
    side: Literal["at least", "at most", "before"] = "at least"


@dataclass(frozen=True, slots=True, kw_only=True)
class Drill:
    """The next thing to do, as data and as a command.

    Attributes
    ----------
    stage : Stage
    step : int
        Of the brisker backswing, from 1; else 0.
    block : {"rehearsal", "ball", "silent", "retention"}
    backswing_ms : int or None
        Length of the cue; None without one.
    share : float or None
        Share of the full turn at which the tone confirms; None without a tone.
    turn_target_deg : float or None
        The same in degrees; never over the upper bound.
    repeats, rest_s : int
    feedback : {"every", "outside", "fading", "none"}
    silent, ball : bool
    another_day : bool
        Homework, or a test of what was kept: not before another day.
    command : str
        Ready to run.
    cautions : tuple of str
    """

    stage: Stage
    step: int
    block: Literal["rehearsal", "ball", "silent", "retention"]
    backswing_ms: int | None
    share: float | None
    turn_target_deg: float | None
    repeats: int
    rest_s: int
    feedback: Literal["every", "outside", "fading", "none"]
    silent: bool
    ball: bool
    another_day: bool
    command: str
    cautions: tuple[str, ...] = CAUTIONS

    def describe(self) -> str:
        """Say it in one plain sentence."""
        what = "balls" if self.ball else "rehearsals"
        parts = [f"{self.repeats} {what}"]
        if self.backswing_ms is not None:
            parts.append(f"with a backswing of {self.backswing_ms} ms")
        if self.turn_target_deg is not None:
            parts.append(f"a tone at {self.turn_target_deg:.0f} deg of turn")
        parts.append(
            {
                "every": "feedback after each",
                "outside": "feedback only when outside",
                "fading": "feedback fading out",
                "none": "in silence",
            }[self.feedback]
        )
        parts.append(f"{self.rest_s} s of rest between them")
        return ("Another day: " if self.another_day else "") + ", ".join(parts) + "."


@dataclass(frozen=True, slots=True, kw_only=True)
class Volume:
    """How much was swung.

    Attributes
    ----------
    today, week : int
        Swings of any kind on the day, and in the seven days to it.
    strikes_week : int
    usual_week : float or None
        Median of the earlier seven-day spans in which there were swings; None before there are two.
    cautions : tuple of str
    rest : bool
        Over a limit of the rules: no drill today.
    """

    today: int
    week: int
    strikes_week: int
    usual_week: float | None
    cautions: tuple[str, ...]
    rest: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """Where the player stands.

    Attributes
    ----------
    stage : Stage
    step : int
        Of the brisker backswing, from 1; else 0.
    why : str
        One plain sentence.
    findings : tuple of Finding
        The numbers behind it.
    drill : Drill or None
        None where nothing is to be drilled; ``why`` says so.
    path : tuple of (int, Stage, int, str)
        Day, stage, step and reason of every move so far.
    volume : Volume
    provisional : bool
        The reference isn't approved by a coach.
    """

    stage: Stage
    step: int
    why: str
    findings: tuple[Finding, ...]
    drill: Drill | None
    path: tuple[tuple[int, Stage, int, str], ...]
    volume: Volume
    provisional: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class _Left:
    """Why a player isn't sent longer, and in which session it showed first.

    "reference": it lies in the reference itself. "strikes", "rehearsals": their turn was over the
    upper bound. "enough": strikes had the reference's turn and time already.
    """

    kind: Literal["reference", "strikes", "rehearsals", "enough"]
    session: str
    seen: float = 0.0


@dataclass(slots=True)
class _State:
    """While folding over the sessions."""

    stage: Stage
    step: int = 0
    since: int = 0
    """Sessions from this index on count for the step."""
    why: str = ""
    findings: tuple[Finding, ...] = ()
    path: list[tuple[int, Stage, int, str]] = field(default_factory=list)
    base: tuple[str, ...] = ()
    """Sessions whose silent swings carried the last move: falls are seen from them."""
    before_stop: tuple[Stage, int] | None = None
    overridden: bool = False
    """The coach took it on: the plan no longer leaves by itself."""
    left: _Left | None = None
    """What a player who isn't sent longer was left for; looked at again in later sessions."""

    def move(self, day: int, stage: Stage, step: int, since: int, why: str) -> None:
        self.stage, self.step, self.since, self.why = stage, step, since, why
        self.path.append((day, stage, step, why))


def volume(
    days: Sequence[int],
    strikes: Sequence[bool],
    today: int,
    rules: PlanRules | None = None,
) -> Volume:
    """Count swings on a day and in a week, against the player's usual.

    Parameters
    ----------
    days : sequence of int
        Day of each swing, whatever club and mount.
    strikes : sequence of bool
        Whether each was at a ball.
    today : int
    rules : PlanRules, optional

    Returns
    -------
    Volume
    """
    q = rules or PlanRules()
    if len(days) != len(strikes):
        raise ValueError("there must be one kind for each swing")
    day = np.asarray(days, dtype=np.int64)
    hit = np.asarray(strikes, dtype=bool)
    past = day <= today
    day, hit = day[past], hit[past]
    this = day > today - 7
    # Whole weeks back from today; those without swings are not usual weeks.
    ago = (today - day[~this]) // 7
    earlier = [int(np.sum(ago == k)) for k in np.unique(ago)]
    usual = float(np.median(earlier)) if len(earlier) >= 2 else None
    week, strikes_week, now = int(this.sum()), int(hit[this].sum()), int(np.sum(day == today))
    cautions = []
    if now >= q.most_swings_day:
        cautions.append(f"{now} swings today; {q.most_swings_day} are the most by this plan.")
    if strikes_week >= q.most_strikes_week:
        cautions.append(
            f"{strikes_week} balls in seven days: more than {q.most_strikes_week} a week goes "
            f"with more injuries."
        )
    if usual is not None and week > q.usual_factor * usual:
        cautions.append(f"{week} swings in seven days, where {usual:.0f} are this player's usual.")
    return Volume(
        today=now,
        week=week,
        strikes_week=strikes_week,
        usual_week=usual,
        cautions=tuple(cautions),
        rest=now >= q.most_swings_day or strikes_week >= q.most_strikes_week,
    )


def standing(
    rows: Sequence[SwingRow],
    days: Mapping[str, int],
    reference: Reference | NotYet,
    words: Sequence[CoachWord] = (),
    *,
    today: int,
    swung: Volume | None = None,
    rules: PlanRules | None = None,
    gyr_scale_u: float = 0.01,
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
    gyr_scale_u : float
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
    if rows:
        setting = one_setting(rows)
        if isinstance(reference, Reference) and reference.setting != setting:
            raise ValueError("the reference is for another player, club, mount or intent")
    missing = {row.session_id for row in rows} - set(days)
    if missing:
        raise ValueError(f"session {min(missing)} has no day")
    order = sorted(dict.fromkeys(row.session_id for row in rows), key=lambda s: days[s])
    state = _State(Stage.BASELINE)
    written = day_words or (lambda day: f"day {day}")
    judge = _Judge(
        rows, order, reference, q, gyr_scale_u, matters or Matters(), p, dict(days), written
    )
    waiting = sorted(words, key=lambda w: w.day)
    for i, session in enumerate(order):
        while waiting and waiting[0].day < days[session]:
            _hear(state, waiting.pop(0), i, written)
        _see(state, judge, i, days[session])
    for word in waiting:
        _hear(state, word, len(order), written)
    if not order or state.stage in (Stage.BASELINE, Stage.REFERENCE):
        state.why = judge.before_progression()[1]
    if swung is None:
        kinds = [row.kind == "strike" for row in rows]
        swung = volume([days[row.session_id] for row in rows], kinds, today, q)
    drill = None
    why = state.why
    if state.stage not in (Stage.STOPPED, Stage.NOT_LONGER):
        if swung.rest:
            why = f"{why} Rest first: {' '.join(swung.cautions)}"
        else:
            drill = _next_drill(state, judge, days, today)
    return Standing(
        stage=state.stage,
        step=state.step,
        why=why,
        findings=state.findings,
        drill=drill,
        path=tuple(state.path),
        volume=swung,
        provisional=isinstance(reference, Reference) and reference.provisional,
    )


def _hear(state: _State, word: CoachWord, since: int, day_words: Callable[[int], str]) -> None:
    """Take in what the coach or the player said."""
    said = f": {word.text}" if word.text else ""
    on = f"on {day_words(word.day)}"
    if word.word in ("stop", "discomfort"):
        if state.stage is not Stage.STOPPED:
            state.before_stop = (state.stage, state.step)
        what = (
            f"Stopped {on} for discomfort{said}. Ask a clinician; only the coach starts it again."
            if word.word == "discomfort"
            else f"The coach stopped the plan {on}{said}."
        )
        state.findings = ()
        state.move(word.day, Stage.STOPPED, 0, since, what)
    elif word.word == "resume" and state.stage is Stage.STOPPED:
        stage, step = state.before_stop or (Stage.BASELINE, 0)
        state.move(word.day, stage, step, since, f"The coach started it again {on}{said}.")
    elif word.word == "move_to" and word.stage is not None:
        state.findings = ()
        state.overridden = True
        step = max(1, word.step) if word.stage is Stage.BRISKER else 0
        name = _step_name(word.stage, step)
        state.move(
            word.day, word.stage, step, since, f"The coach put the plan to '{name}' {on}{said}."
        )


def _see(state: _State, judge: _Judge, i: int, day: int) -> None:
    """Take in a session."""
    if state.stage is Stage.STOPPED:
        return
    if state.stage in (Stage.BASELINE, Stage.REFERENCE):
        stage, why = judge.before_progression(i)
        if stage is not Stage.FULL_TURN:
            if stage is not state.stage:
                state.move(day, stage, 0, i, why)
            return
        # Free swings that made the baseline are no test of a step that wasn't begun.
        since = i if judge.cued(i) else i + 1
        state.move(day, Stage.FULL_TURN, 0, since, why)
    elif not judge.has_reference():
        state.move(day, Stage.REFERENCE, 0, i, judge.before_progression(i)[1])
        return
    if state.stage in (Stage.FULL_TURN, Stage.BRISKER, Stage.BALL):
        leave = None if state.overridden else judge.not_longer(i, state)
        if leave is not None:
            why, state.findings, state.left = leave
            state.move(day, Stage.NOT_LONGER, 0, i, why)
            return
        fall = judge.fall(i, state)
        if fall is not None and state.stage is not Stage.FULL_TURN:
            why, state.findings = fall
            back = _step_before(state, judge.rules)
            state.move(day, back[0], back[1], i + 1, why)
            return
        holds, why, findings, used = judge.gate(i, state)
        state.why, state.findings = why, findings
        if holds:
            state.base = used
            nxt = _step_after(state, judge.rules)
            state.move(day, nxt[0], nxt[1], i + 1, why)
    elif state.stage is Stage.NOT_LONGER and state.left is not None:
        again = judge.look_again(i, state, state.left)
        if again is not None:
            state.why, state.findings = again
    elif state.stage is Stage.KEEP:
        fall = judge.fall(i, state)
        if fall is not None:
            why, state.findings = fall
            state.move(day, Stage.BALL, 0, i + 1, why)


def _step_before(state: _State, rules: PlanRules) -> tuple[Stage, int]:
    if state.stage is Stage.BALL and rules.brisker_steps:
        return Stage.BRISKER, rules.brisker_steps
    if state.stage is Stage.BRISKER and state.step > 1:
        return Stage.BRISKER, state.step - 1
    return Stage.FULL_TURN, 0


def _step_after(state: _State, rules: PlanRules) -> tuple[Stage, int]:
    if state.stage is Stage.BALL:
        return Stage.KEEP, 0
    if state.step < rules.brisker_steps:
        return Stage.BRISKER, state.step + 1
    return Stage.BALL, 0


@dataclass(slots=True)
class _Judge:
    """The numbers: sets of swings against the reference and against earlier ones."""

    rows: Sequence[SwingRow]
    order: Sequence[str]
    reference: Reference | NotYet
    rules: PlanRules
    gyr_scale_u: float
    matters: Matters
    p: EvidenceParams
    days: Mapping[str, int]
    day_words: Callable[[int], str]
    place: dict[str, int] = field(init=False)
    sets: dict[tuple[bool, bool, str], list[SessionData]] = field(init=False, default_factory=dict)
    """Sessions by kind, whether only silent blocks, and measure: worked out once."""

    parts: PartsCache = field(init=False, default_factory=dict)
    spreads: dict[tuple[int, bool, str], PlayerSpread | NotYet] = field(
        init=False, default_factory=dict
    )

    def __post_init__(self) -> None:
        self.place = {s: k for k, s in enumerate(self.order)}

    def on(self, *sessions: str) -> str:
        """Write the days of some sessions."""
        days = dict.fromkeys(self.days[s] for s in sorted(sessions, key=lambda s: self.place[s]))
        return " and ".join(self.day_words(day) for day in days)

    def cued(self, i: int) -> bool:
        """Tell whether a session has cued swings."""
        mine = (row for row in self.rows if row.session_id == self.order[i])
        return any(row.block in ("rehearsal", "ball") for row in mine)

    def has_reference(self) -> bool:
        """Tell whether there are a turn and a time to work at."""
        return self.value(TURN) is not None and self.value(TIME) is not None

    def before_progression(self, i: int | None = None) -> tuple[Stage, str]:
        """Baseline and reference: what is still missing after session ``i``."""
        q = self.rules
        last = len(self.order) if i is None else i + 1
        seen = set(self.order[:last])
        free = [row for row in self.rows if row.session_id in seen and row.block in FREE]
        counts = {k: sum(row.kind == k for row in free) for k in ("rehearsal", "strike")}
        parts = [
            NotYet.count(counts[kind], need, f"{kind}s without feedback").reason
            for kind, need in (
                ("rehearsal", q.baseline_rehearsals),
                ("strike", q.baseline_strikes),
            )
            if counts[kind] < need
        ]
        if parts:
            return Stage.BASELINE, f"The baseline isn't whole: {', '.join(parts)}."
        if isinstance(self.reference, NotYet):
            return Stage.REFERENCE, f"There is no reference yet: {self.reference.reason}."
        if TURN not in self.reference.values or TIME not in self.reference.values:
            return Stage.REFERENCE, "The reference has no turn or no time of the backswing."
        if self.reference.provisional and q.needs_approval:
            return (
                Stage.REFERENCE,
                "The reference is provisional: a coach has to approve swings for it.",
            )
        return Stage.FULL_TURN, "Baseline and reference are there: first a full turn with time."

    def value(self, measure: str) -> ReferenceValue | None:
        """Return the reference's value of a measure."""
        if isinstance(self.reference, NotYet):
            return None
        return self.reference.values.get(measure)

    def sessions(
        self, i: int, *, strikes: bool, silent_only: bool, measure: str
    ) -> list[SessionData]:
        """Uncued swings of one kind in the sessions up to ``i``, in order of time.

        Silent swings before a session's first cued ones are free swings, not a test of the drill.
        """
        key = (strikes, silent_only, measure)
        if key not in self.sets:
            first_cue: dict[str, int] = {}
            for row in self.rows:
                if row.block in ("rehearsal", "ball"):
                    at = min(row.order, first_cue.get(row.session_id, row.order))
                    first_cue[row.session_id] = at
            chosen = [
                row
                for row in self.rows
                if (row.kind == "strike") == strikes
                and row.block in FREE
                and (
                    not silent_only
                    or row.block == "retention"
                    or (row.block == "silent" and row.order >= first_cue.get(row.session_id, 0))
                )
            ]
            chosen.sort(key=lambda row: self.place[row.session_id])
            self.sets[key] = [
                s for s in sessions_of(chosen, measure) if len(s.values) >= self.p.least_set
            ]
        return [s for s in self.sets[key] if self.place[s.session_id] <= i]

    def spread(self, i: int, *, strikes: bool, measure: str) -> PlayerSpread | NotYet:
        """Spread of the player's uncued swings of a kind so far; of the other kind if need be."""
        key = (i, strikes, measure)
        if key not in self.spreads:
            self.spreads[key] = self._spread(i, strikes=strikes, measure=measure)
        return self.spreads[key]

    def _spread(self, i: int, *, strikes: bool, measure: str) -> PlayerSpread | NotYet:
        own = moving_spread(
            self.sessions(i, strikes=strikes, silent_only=False, measure=measure)[
                -MOST_FOR_SPREAD:
            ],
            self.p,
            cache=self.parts,
        )
        if isinstance(own, PlayerSpread) and own.between is not None:
            return own
        other = moving_spread(
            self.sessions(i, strikes=not strikes, silent_only=False, measure=measure)[
                -MOST_FOR_SPREAD:
            ],
            self.p,
            cache=self.parts,
        )
        if isinstance(other, PlayerSpread) and other.between is not None:
            return other
        return own

    def against(
        self, i: int, measure: str, used: Sequence[SessionData], needed: float, *, strikes: bool
    ) -> Finding | NotYet:
        """Is it sure enough that a measure lies over what is needed?"""
        value = self.value(measure)
        if value is None:
            return NotYet("the reference doesn't have it")
        spread = self.spread(i, strikes=strikes, measure=measure)
        if isinstance(spread, NotYet):
            return spread
        if spread.between is None:
            have = spread.sessions_alike
            return NotYet.count(have, self.p.least_sessions, "sessions of this kind of swing")
        delta, se, df = difference_from(
            value, used, spread, gyr_scale_u=self.gyr_scale_u, params=self.p
        )
        seen = value.middle + delta
        sure = student_t(self.rules.sureness, df) * se
        half = _half(se, df)
        return Finding(
            measure=measure,
            what=f"silent {'strikes' if strikes else 'rehearsals'}",
            value=seen,
            needed=needed,
            low=seen - half,
            high=seen + half,
            holds=seen - sure >= needed,
            swing_ids=tuple(x for s in used for x in s.swing_ids),
        )

    def target_ms(self, state: _State) -> float | None:
        """Length of the backswing that the step works at."""
        value = self.value(TIME)
        if value is None:
            return None
        steps = state.step if state.stage is Stage.BRISKER else 0
        if state.stage in (Stage.BALL, Stage.KEEP):
            steps = self.rules.brisker_steps
        target = value.middle * (1.0 - self.rules.brisker_by * steps)
        top = self.rules.long_backswing_ms
        return min(target, top if value.upper is None else min(top, value.upper))

    def gate(self, i: int, state: _State) -> tuple[bool, str, tuple[Finding, ...], tuple[str, ...]]:
        """Does the step hold in silent swings of the latest days?"""
        q = self.rules
        strikes = state.stage is Stage.BALL
        here = set(self.order[state.since : i + 1])
        silent = {
            measure: [
                s
                for s in self.sessions(i, strikes=strikes, silent_only=True, measure=measure)
                if s.session_id in here and len(s.values) >= q.silent_swings
            ][-q.silent_days :]
            for measure in (TURN, TIME)
        }
        kind = "strikes" if strikes else "rehearsals"
        have = min(len(s) for s in silent.values())
        step = _step_name(state.stage, state.step)
        if have < q.silent_days:
            need = NotYet.count(have, q.silent_days, f"days with silent {kind}")
            return False, f"At {step}: {need.reason}.", (), ()
        turn_value, time_value, target = self.value(TURN), self.value(TIME), self.target_ms(state)
        assert turn_value is not None
        assert time_value is not None
        assert target is not None
        turn = self.against(
            i, TURN, silent[TURN], q.turn_share * turn_value.middle, strikes=strikes
        )
        # A brisker backswing may be as short as its target less the same slack.
        time = self.against(i, TIME, silent[TIME], q.time_share * target, strikes=strikes)
        for found in (turn, time):
            if isinstance(found, NotYet):
                return False, f"At {step}: {found.reason}.", (), ()
        assert isinstance(turn, Finding)
        assert isinstance(time, Finding)
        findings: tuple[Finding, ...] = (turn, time)
        used = tuple(s.session_id for s in silent[TURN])
        when = self.on(*(s.session_id for both in silent.values() for s in both))
        lacking = [f for f in findings if not f.holds]
        most = target + self.matters.margin(TIME, target)
        slow = state.stage is Stage.BRISKER and time.value > most
        if state.stage is Stage.BRISKER:
            # Brisk enough is a limit of its own, from the other side.
            upper = replace(time, needed=most, holds=not slow, side="at most")
            findings = (turn, time, upper)
        if lacking:
            told = " and ".join(_lack(f, q.sureness) for f in lacking)
            return False, f"At {step}: {told} (silent {kind} on {when}).", findings, used
        if slow:
            return (
                False,
                f"At {step}: the backswing is still {time.value:.0f} ms (silent {kind} on {when}); "
                f"the step's is {target:.0f} ms, and up to {most:.0f} ms would do.",
                findings,
                used,
            )
        return (
            True,
            f"{step[0].upper()}{step[1:]} held in silent {kind} on {when}: turn "
            f"{turn.value:.0f} deg, backswing {time.value:.0f} ms.",
            findings,
            used,
        )

    def fall(self, i: int, state: _State) -> tuple[str, tuple[Finding, ...]] | None:
        """Did turn or speed fall by more than can be told since the last move?"""
        strikes = state.stage in (Stage.BALL, Stage.KEEP)
        findings = []
        for measure in (TURN, SPEED):
            sessions = self.sessions(i, strikes=strikes, silent_only=True, measure=measure)
            if not sessions or sessions[-1].session_id != self.order[i]:
                continue
            latest = sessions[-1]
            if strikes:
                # The first strikes of the step are compared with the baseline's.
                every = self.sessions(i, strikes=True, silent_only=False, measure=measure)
                before = [
                    s
                    for s in every
                    if s.session_id in state.base or self.place[s.session_id] < state.since
                ]
            else:
                before = [s for s in sessions if s.session_id in state.base]
            before = [s for s in before if s.session_id != latest.session_id]
            # From the sessions before: a fall must not pass for spread.
            spread = self.spread(i - 1, strikes=strikes, measure=measure)
            if not before or isinstance(spread, NotYet) or spread.between is None:
                continue
            within = spread.within_var(len(latest.values), self.p) + sum(
                spread.within_var(len(s.values), self.p) / len(before) ** 2 for s in before
            )
            se, df = spread.difference(1.0 + 1.0 / len(before), within)
            was = float(np.mean([middle_of(s.values, self.p).middle for s in before]))
            now = middle_of(latest.values, self.p).middle
            if measure in (TURN, SPEED) and {s.sensor for s in before} != {latest.sensor}:
                se = math.hypot(se, math.sqrt(2.0) * self.gyr_scale_u * was)
            sure, half = student_t(self.rules.fall_level, df) * se, _half(se, df)
            findings.append(
                Finding(
                    measure=measure,
                    what="silent strikes" if strikes else "silent rehearsals",
                    value=now,
                    needed=was,
                    low=now - half,
                    high=now + half,
                    holds=not (now + sure < was and was - now > self.matters.margin(measure, was)),
                    swing_ids=latest.swing_ids,
                    side="before",
                )
            )
        lost = [f for f in findings if not f.holds]
        if not lost:
            return None
        told = " and ".join(
            f"the {'turn' if f.measure == TURN else 'rate'} fell from {f.needed:.0f} to "
            f"{f.value:.0f} {unit_of(f.measure)}"
            for f in lost
        )
        when = self.on(self.order[i])
        return f"A step back: {told} on {when}, more than chance gives.", tuple(lost)

    def not_longer(self, i: int, state: _State) -> tuple[str, tuple[Finding, ...], _Left] | None:
        """Is this a player whom the plan doesn't send longer or further?"""
        here = self.order[i]
        turn, time = self.value(TURN), self.value(TIME)
        assert turn is not None
        assert time is not None
        q = self.rules
        if time.middle > q.long_backswing_ms:
            return (
                f"The reference's backswing takes {time.middle:.0f} ms, already over "
                f"{q.long_backswing_ms:.0f} ms: it isn't made longer. The coach decides.",
                (),
                _Left(kind="reference", session=here),
            )
        if turn.upper is not None and turn.middle > turn.upper:
            return (
                f"The reference's own turn, {turn.middle:.0f} deg, is over the upper bound of "
                f"{turn.upper:.0f} deg: nobody is sent to turn past comfort. The coach decides.",
                (),
                _Left(kind="reference", session=here),
            )
        for strikes in (True, False):
            beyond = self.beyond(i, turn, strikes=strikes)
            if beyond is not None:
                return beyond
        if state.stage is not Stage.FULL_TURN or state.base:
            return None
        # At the start: do the strikes already have the time and the turn of the reference?
        found = self.enough(i)
        if found is None or not all(f.holds for f in found):
            return None
        return (
            f"At a ball there is already the reference's turn ({found[0].value:.0f} deg) and time "
            f"({found[1].value:.0f} ms), as of {self.on(here)}: there is nothing here to make "
            f"longer. What else is to be done is for the coach.",
            found,
            _Left(kind="enough", session=here),
        )

    def beyond(
        self, i: int, turn: ReferenceValue, *, strikes: bool
    ) -> tuple[str, tuple[Finding, ...], _Left] | None:
        """Is the turn of this session's uncued swings of a kind over the upper bound?"""
        sessions = self.sessions(i, strikes=strikes, silent_only=False, measure=TURN)
        if not sessions or turn.upper is None or sessions[-1].session_id != self.order[i]:
            return None
        found = self._beyond(i, sessions[-2:], turn, strikes=strikes)
        if found is None:
            return None
        kind: Literal["strikes", "rehearsals"] = "strikes" if strikes else "rehearsals"
        return (
            f"The turn of the {kind} on {self.on(self.order[i])}, {found.value:.0f} deg, is over "
            f"the upper bound of {turn.upper:.0f} deg: nobody is sent to turn further. The coach "
            f"decides.",
            (found,),
            _Left(kind=kind, session=self.order[i], seen=found.value),
        )

    def look_again(
        self, i: int, state: _State, left: _Left
    ) -> tuple[str, tuple[Finding, ...]] | None:
        """Does a later session still show why the plan doesn't send longer?

        The plan doesn't go on by itself: the coach decides, and is told what the newest swings
        show. None where this session has nothing to go by.
        """
        turn = self.value(TURN)
        assert turn is not None
        if left.kind == "reference":
            # It hangs on the reference alone, and that is today's.
            return None
        first = self.on(left.session)
        if left.kind == "enough":
            seen = self.enough(i)
            if seen is None:
                return None
            now = self.on(self.order[i])
            lacking = [f for f in seen if f.value < f.needed]
            if not lacking:
                return (
                    f"At a ball there is the reference's turn ({seen[0].value:.0f} deg) and time "
                    f"({seen[1].value:.0f} ms), on {first} and still on {now}: there is nothing "
                    f"here to make longer. What else is to be done is for the coach.",
                    seen,
                )
            told = " and ".join(_lack(f, self.rules.sureness) for f in lacking)
            return (
                f"On {first} the strikes had the reference's turn and time, so the plan made "
                f"nothing longer. That no longer shows: by {now} {told}. The coach decides whether "
                f"the plan goes on.",
                seen,
            )
        for strikes in (left.kind == "strikes", left.kind != "strikes"):
            found = self.beyond(i, turn, strikes=strikes)
            if found is not None:
                why, findings, state.left = found
                return why, findings
        strikes = left.kind == "strikes"
        sessions = self.sessions(i, strikes=strikes, silent_only=False, measure=TURN)
        if turn.upper is None or not sessions or sessions[-1].session_id != self.order[i]:
            return None
        newest = self._turn_now(i, sessions[-1], turn.upper, strikes=strikes)
        now = self.on(self.order[i])
        shown = (
            f"on {now} it was {newest.value:.0f} deg, over the bound but not surely"
            if newest.value > turn.upper
            else f"on {now} it was {newest.value:.0f} deg"
        )
        return (
            f"On {first} the turn of the {left.kind}, {left.seen:.0f} deg, was over the upper "
            f"bound of {turn.upper:.0f} deg, so nobody is sent to turn further. That no longer "
            f"shows surely: {shown}. The coach decides whether the plan goes on.",
            (newest,),
        )

    def enough(self, i: int) -> tuple[Finding, Finding] | None:
        """Set the latest uncued strikes against the reference's turn and time; None if untold."""
        q = self.rules
        findings = []
        for measure, share in ((TURN, q.turn_share), (TIME, q.time_share)):
            value = self.value(measure)
            assert value is not None
            strikes_now = [
                s
                for s in self.sessions(i, strikes=True, silent_only=False, measure=measure)
                if len(s.values) >= q.baseline_strikes
            ]
            if not strikes_now:
                return None
            spread = self.spread(i, strikes=True, measure=measure)
            same = set(value.session_counts) == {s.session_id for s in strikes_now[-1:]}
            if isinstance(spread, NotYet) or (spread.between is None and not same):
                return None
            use = strikes_now[-1:] if spread.between is None else strikes_now[-q.silent_days :]
            delta, se, df = difference_from(
                value, use, spread, gyr_scale_u=self.gyr_scale_u, params=self.p
            )
            sure = student_t(0.5 + self.rules.fall_level / 2, df) * se
            half = _half(se, df)
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

    def _turn_now(self, i: int, now: SessionData, upper: float, *, strikes: bool) -> Finding:
        """The turn of one session against the upper bound."""
        middle = middle_of(now.values, self.p).middle
        se, df = self._se_of_one(i, now, strikes=strikes)
        half = _half(se, df)
        return Finding(
            measure=TURN,
            what=f"uncued {'strikes' if strikes else 'rehearsals'}",
            value=middle,
            needed=upper,
            low=middle - half,
            high=middle + half,
            holds=middle <= upper,
            swing_ids=now.swing_ids,
            side="at most",
        )

    def _se_of_one(self, i: int, now: SessionData, *, strikes: bool) -> tuple[float, float]:
        """Standard error of one session's middle turn, by the player's spread where it is known."""
        spread = self.spread(i, strikes=strikes, measure=TURN)
        if isinstance(spread, PlayerSpread):
            share = 0.0 if spread.between is None else 1.0
            return spread.difference(share, spread.within_var(len(now.values), self.p))
        own = middle_of(now.values, self.p)
        return math.sqrt(own.unit_var / own.kept), float(max(own.df, 1))

    def _beyond(
        self, i: int, latest: Sequence[SessionData], turn: ReferenceValue, *, strikes: bool
    ) -> Finding | None:
        """Is the turn over the upper bound: surely in the last session, or in two running?"""
        assert turn.upper is not None
        now = latest[-1]
        middles = [middle_of(s.values, self.p).middle for s in latest]
        sure = False
        if isinstance(self.spread(i, strikes=strikes, measure=TURN), PlayerSpread):
            se, df = self._se_of_one(i, now, strikes=strikes)
            sure = middles[-1] - student_t(self.rules.fall_level, df) * se > turn.upper
        twice = len(middles) == 2 and min(middles) > turn.upper
        if not sure and not twice:
            return None
        found = self._turn_now(i, now, turn.upper, strikes=strikes)
        # The number shown is the latest session's, and so are the swings it is followed back to.
        return replace(found, holds=False)


def _step_name(stage: Stage, step: int) -> str:
    return f"{stage.value}, step {step}" if stage is Stage.BRISKER else stage.value


def _half(se: float, df: float) -> float:
    """Half the width of an interval as it is shown."""
    return student_t(0.5 + INTERVAL_LEVEL / 2, df) * se


def _lack(f: Finding, sureness: float) -> str:
    """Say what isn't there yet, and how far off."""
    name = "turn" if f.measure == TURN else "backswing"
    unit = unit_of(f.measure)
    if f.value < f.needed:
        return f"the {name} is {f.value:.0f} {unit}, {f.needed:.0f} are needed"
    return (
        f"the {name} is {f.value:.0f} {unit}, over the {f.needed:.0f} needed, but not yet as "
        f"surely as the rule asks (sureness {sureness:g})"
    )


def _next_drill(state: _State, judge: _Judge, days: Mapping[str, int], today: int) -> Drill:
    """The next block: what of retention, drill and silent test isn't done yet today."""
    q = judge.rules
    player = judge.rows[0].player if judge.rows else None
    if state.stage is Stage.BASELINE:
        free = [row for row in judge.rows if row.block in FREE]
        rehearsed = sum(row.kind == "rehearsal" for row in free) >= q.baseline_rehearsals
        return _drill(state, q, player, "silent", feedback="none", ball=rehearsed)
    if state.stage is Stage.REFERENCE or not judge.has_reference():
        return _drill(state, q, player, "silent", feedback="none", ball=False)
    ball = state.stage in (Stage.BALL, Stage.KEEP)
    here = judge.order[state.since :]
    done_today = {
        row.block for row in judge.rows if row.session_id in here and days[row.session_id] == today
    }
    tested_before = any(
        row.block in ("silent", "retention") and days[row.session_id] < today
        for row in judge.rows
        if row.session_id in here
    )
    if state.stage is Stage.KEEP:
        return _drill(state, q, player, "retention", feedback="none", ball=True, another_day=True)
    cued: Literal["rehearsal", "ball"] = "ball" if ball else "rehearsal"
    if tested_before and not done_today & {"retention", cued, "silent"}:
        return _drill(state, q, player, "retention", feedback="none", ball=ball)
    drilled_days = len(
        {days[row.session_id] for row in judge.rows if row.session_id in here and row.block == cued}
    )
    feedback: Literal["every", "outside", "fading"] = (
        "every" if drilled_days <= 1 else "outside" if drilled_days == 2 else "fading"
    )
    silent_done = "silent" in done_today
    if cued not in done_today or silent_done:
        turn = judge.value(TURN)
        assert turn is not None
        goal = q.turn_share * turn.middle
        if turn.upper is not None:
            goal = min(goal, turn.upper)
        return _drill(
            state,
            q,
            player,
            cued,
            feedback=feedback,
            target_ms=judge.target_ms(state),
            goal_deg=goal,
            share=goal / turn.middle,
            ball=ball,
            another_day=silent_done,
        )
    return _drill(state, q, player, "silent", feedback="none", ball=ball)


def _drill(
    state: _State,
    q: PlanRules,
    player: str | None,
    block: Literal["rehearsal", "ball", "silent", "retention"],
    *,
    feedback: Literal["every", "outside", "fading", "none"],
    target_ms: float | None = None,
    goal_deg: float | None = None,
    share: float | None = None,
    ball: bool | None = None,
    another_day: bool = False,
) -> Drill:
    at_ball = block == "ball" if ball is None else ball
    silent = feedback == "none"
    repeats = q.silent_repeats if silent else q.repeats
    backswing_ms = None if target_ms is None else round(target_ms)
    parts = ["unhurried", "drill"]
    if player is not None:
        parts += ["--player", player]
    if backswing_ms is not None:
        parts += ["--backswing-ms", str(backswing_ms)]
    if share is not None:
        # Rounded down: the tone never asks for more than the goal.
        share = math.floor(share * 1000.0 + 1e-6) / 1000.0
        parts += ["--share", f"{share:g}"]
    parts += ["--repeats", str(repeats), "--rest-s", str(q.rest_s), "--feedback", feedback]
    parts += ["--ball" if at_ball else "--no-ball", "--block", block]
    return Drill(
        stage=state.stage,
        step=state.step,
        block=block,
        backswing_ms=backswing_ms,
        share=share,
        turn_target_deg=goal_deg,
        repeats=repeats,
        rest_s=q.rest_s,
        feedback=feedback,
        silent=silent,
        ball=at_ball,
        another_day=another_day,
        command=shlex.join(parts),
    )
