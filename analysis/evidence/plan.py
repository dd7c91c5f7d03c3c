"""A plan that moves: its rules, its stages, and what is said of where a player stands.

The lesson's loop as stated, editable rules: a baseline without feedback; rehearsals, of which the
coach approves the reference; then a progression (first a full turn with time, then the same turn
with a brisker backswing step by step, then at a ball), in which each step is a drill, a silent
test, homework, and a silent test on another day. Moving on hangs on silent swings of two days. A
step back comes when turn or speed is lower in two sessions running, each by itself told
(`analysis.evidence.looks`), and so does a turn beyond full.

The plan is a pure function of the swings so far and of what the coach and player said: nothing is
remembered but these, so every stand can be followed back to its swings. It is worked out by
`analysis.evidence.plan_standing`, session by session.

It isn't meant for everyone. A player who is already long in time, or turns beyond comfort, isn't
sent to make it longer, as long as the swings show it: where two sessions running no longer do, the
plan goes on. The coach can override or stop anything, and discomfort stops it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import ClassVar, Final, Literal

import numpy as np

from analysis.evidence.blocks import BlockKind
from analysis.evidence.told import Statement
from words.cautions import PLAN as PLAN_CAUTIONS

TIME: Final = "backswing_ms"
"""The plan's time is the backswing's: it is what is cued, and it doesn't hang on impact."""
TURN: Final = "turn_deg"
SPEED: Final = "peak_rate_dps"


INTERVAL_LEVEL: Final = 0.95
"""Level of every interval that is shown, two-sided, by convention. The rules may decide at another
one-sided confidence; what people see is always this."""


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
    confidence: float = field(default=0.65, metadata={"document": "sureness"})
    """One-sided: a player is moved on when it is this sure that turn and time are over their
    shares. That is little; but the shares lie midway between the reference and a hurried swing,
    and silent days must bear it in both measures together. Measured on simulated players: at 0.8 a
    quarter of those who are ready wait longer than three sessions, at 0.5 more are moved on too
    early (``benchmarks/evidence.py``)."""
    brisker_steps: int = 2
    brisker_by: float = 0.05
    """Each step takes this share of the reference's backswing off."""
    fall_level: float = 0.975
    """One-sided, of turn and speed together: a fall that is told at this level in two sessions
    running is a step back, and a turn over the upper bound so is beyond full."""
    enough_level: float = 0.9
    """One-sided: as sure as this it must be that strikes have the reference's turn and time, each
    by its share, for the plan not to send longer; later swings can say otherwise."""
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
        for name in ("confidence", "fall_level", "enough_level"):
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
        Interval of the value, of `INTERVAL_LEVEL`, whatever confidence the rule asks for.
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
class NextDrill:
    """The next thing to do, as data: whoever prints it makes a command or a form of it.

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
    cautions : tuple of str
    player, club, mount, hand : str or None
        Who swings, with what, and where the sensor is.
    full_turn_deg, upper_turn_deg : float or None
        The reference's turn that the tone goes by, and its upper bound.
    """

    stage: Stage
    step: int
    block: BlockKind
    backswing_ms: int | None
    share: float | None
    turn_target_deg: float | None
    repeats: int
    rest_s: int
    feedback: Literal["every", "outside", "fading", "none"]
    silent: bool
    ball: bool
    another_day: bool
    cautions: tuple[str, ...] = PLAN_CAUTIONS
    player: str | None = None
    club: str | None = None
    mount: str | None = None
    hand: str | None = None
    full_turn_deg: float | None = None
    upper_turn_deg: float | None = None

    def describe(self) -> str:
        """Say it in one plain sentence."""
        return Statement.of(
            "drill",
            repeats=self.repeats,
            ball=self.ball,
            backswing_ms=self.backswing_ms,
            turn_target_deg=self.turn_target_deg,
            feedback=self.feedback,
            rest_s=self.rest_s,
            another_day=self.another_day,
        ).text


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
    over : tuple of Statement
        What is over a limit, or over what is usual.
    rest : bool
        Over a limit of the rules: no drill today.
    """

    IN_WORDS: ClassVar = ("cautions",)

    today: int
    week: int
    strikes_week: int
    usual_week: float | None
    over: tuple[Statement, ...]
    rest: bool

    @property
    def cautions(self) -> tuple[str, ...]:
        """What is over, in words."""
        return tuple(one.text for one in self.over)


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """Where the player stands.

    Attributes
    ----------
    stage : Stage
    step : int
        Of the brisker backswing, from 1; else 0.
    reasons : tuple of Statement
        Why, as codes and numbers.
    findings : tuple of Finding
        The numbers behind it.
    drill : NextDrill or None
        None where nothing is to be drilled; ``why`` says so.
    path : tuple of (int, Stage, int, Statement)
        Day, stage, step and reason of every move so far.
    volume : Volume
    provisional : bool
        The reference isn't approved by a coach.
    """

    IN_WORDS: ClassVar = ("why",)

    stage: Stage
    step: int
    reasons: tuple[Statement, ...] = field(metadata={"document": "told"})
    findings: tuple[Finding, ...]
    drill: NextDrill | None
    path: tuple[tuple[int, Stage, int, Statement], ...]
    volume: Volume
    provisional: bool

    @property
    def why(self) -> str:
        """Why, in plain words."""
        return " ".join(one.text for one in self.reasons)


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
    over = []
    if now >= q.most_swings_day:
        over.append(Statement.of("many_today", n=now, most=q.most_swings_day))
    if strikes_week >= q.most_strikes_week:
        over.append(Statement.of("many_strikes", n=strikes_week, most=q.most_strikes_week))
    if usual is not None and week > q.usual_factor * usual:
        over.append(Statement.of("more_than_usual", n=week, usual=usual))
    return Volume(
        today=now,
        week=week,
        strikes_week=strikes_week,
        usual_week=usual,
        over=tuple(over),
        rest=now >= q.most_swings_day or strikes_week >= q.most_strikes_week,
    )
