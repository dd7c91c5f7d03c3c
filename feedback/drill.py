"""The logic of a drill: what is to be heard, shown and written down, and when. No devices here.

Whoever runs it feeds in what happens (time, swings, the live turn, keys, the link) and does what
comes back, in order. Everything that a coach needs to follow a drill later is in its markers.

References
----------
Feedback only outside a window: Sherwood, D. E. (1988), Percept. Mot. Skills 66, 535-542; fading
out: Winstein, C. J. & Schmidt, R. A. (1990), J. Exp. Psychol. Learn. Mem. Cogn. 16, 677-691 (both
from memory). A test without any feedback, on another day, tells learning from performing.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal, Protocol

from feedback.digits import big
from feedback.errors import DrillError

__all__ = [
    "CAUTIONS",
    "Action",
    "Ask",
    "Block",
    "Done",
    "Drill",
    "DrillPlan",
    "Judged",
    "Line",
    "Mark",
    "Play",
    "PlayCue",
    "Reference",
    "SetTurn",
    "Show",
    "Spread",
    "StopCue",
    "asynchrony",
    "feedback_due",
    "judge",
    "screen",
]

Schedule = Literal["every", "outside", "fading", "none"]
BlockKind = Literal["rehearsal", "ball", "silent", "retention"]

SCHEDULES: tuple[Schedule, ...] = ("every", "outside", "fading", "none")
BLOCKS: tuple[BlockKind, ...] = ("rehearsal", "ball", "silent", "retention")
QUIET: frozenset[str] = frozenset({"silent", "retention"})

FEELS = {"1": "rushed", "2": "in time", "3": "slow"}
"""One key each; asked before the numbers, so that they don't answer for the player."""

TIME_SHARE = 0.95
"""Backswings from so much of the reference on have had time enough: a player's own repeats lie
within about 3 % of each other (common practice, no source)."""
COME_DOWN_S = 4.0
"""So long after a swing no takeaway counts as the next one, and the question stays: arms that come
down from a finish look like one too, 1 to 2 s after it in simulated sessions."""
PROVISIONAL_SWINGS = 3
FIRST_S = 10.0
"""From the sensor's first samples to the first ready beep: to walk to the ball."""
FELT_S = 30.0
"""The question isn't waited for any longer than this, nor beyond the next swing. To put a club down
and reach the keys takes a while; a key that comes later still counts, but isn't asked for."""
WITH_CUE_S = 1.0
"""A takeaway further than this from the cue's was not made to it."""
SWING_S = 4.0
"""From a takeaway until its swing has been measured, slow rehearsals included."""
UNANSWERED = 3
"""After so many cues without a swing, cueing waits for one (or a key)."""
AFTER_CUE_S = 5.0
"""So long after a cue's top a swing may still be going on and being measured."""

CAUTIONS = (
    "Warm up first, stop on pain, and never turn past comfort.",
    "Clear space: nobody within reach of the club or in the line of the ball.",
    "Rest between swings, and mind how many you make in a day and a week.",
    "With headphones you don't hear warnings.",
    "If in doubt ask a qualified coach or a clinician; the rules of the place come first.",
)


# -- what is asked for ----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Reference:
    """The player's own figures that swings are set beside. None: not compared.

    Attributes
    ----------
    backswing_ms, full_turn_deg, upper_turn_deg, swing_ms, peak_rate_dps : float, optional
    share : float
        Share of the full turn from which a turn is full.
    """

    backswing_ms: float | None = None
    full_turn_deg: float | None = None
    share: float = 0.95
    upper_turn_deg: float | None = None
    swing_ms: float | None = None
    peak_rate_dps: float | None = None


@dataclass(frozen=True, slots=True)
class Block:
    """Swings of one kind in a row."""

    kind: BlockKind
    repeats: int


@dataclass(frozen=True, slots=True, kw_only=True)
class DrillPlan:
    """A drill.

    Attributes
    ----------
    blocks : tuple of Block
    reference : Reference
        What is None is taken from the first swings (their median) and called provisional.
    schedule : str
        When numbers and tones follow a swing: ``"every"``, ``"outside"`` (only what lies outside
        the window), ``"fading"`` (ever less often) or ``"none"``.
    cue_on : str or None
        ``"ready"``: the cue comes by itself after the rest; ``"takeaway"``: it joins the player's
        own; None: no cue. Where the time of the backswing isn't known, there is none until it is.
    rest_s : float
        From a swing to the next ready beep.
    felt : bool
        Ask how a swing felt before its numbers are shown.
    backswings_ms : tuple of float
        For the cue, one a swing, where it changes (a progression); else the reference's.

    Raises
    ------
    DrillError
        Where it doesn't go together.
    """

    blocks: tuple[Block, ...]
    reference: Reference
    schedule: Schedule = "every"
    cue_on: Literal["ready", "takeaway"] | None = "ready"
    rest_s: float = 15.0
    felt: bool = False
    backswings_ms: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        r = self.reference
        if not self.blocks or any(block.repeats < 1 for block in self.blocks):
            raise DrillError("a drill needs at least one swing")
        if not 1.0 <= self.rest_s <= 3600.0:
            raise DrillError(f"a rest of {self.rest_s:g} s is not between 1 and 3600 s")
        if not 0.3 <= r.share <= 1.0:
            raise DrillError(f"a share of {r.share:g} is not between 0.3 and 1")
        if (
            r.full_turn_deg is not None
            and r.upper_turn_deg is not None
            and r.upper_turn_deg <= r.share * r.full_turn_deg
        ):
            raise DrillError("the upper bound must lie above the full turn")

    @property
    def repeats(self) -> int:
        """Swings in all."""
        return sum(block.repeats for block in self.blocks)


class SwingLike(Protocol):
    """What is read of a swing; `analysis.Swing` has it."""

    @property
    def index(self) -> int: ...
    @property
    def backswing_ms(self) -> float | None: ...
    @property
    def swing_ms(self) -> float | None: ...
    @property
    def turn_deg(self) -> float | None: ...
    @property
    def peak_rate_dps(self) -> float | None: ...
    @property
    def strike(self) -> bool | None: ...


# -- what comes back ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Line:
    """Say in one line."""

    text: str


@dataclass(frozen=True, slots=True)
class Play:
    """Play a sound of `feedback.patterns.Sounds`: full, over, ready, block, lost, back, result."""

    name: str
    time: str | None = None
    turn: str | None = None


@dataclass(frozen=True, slots=True)
class PlayCue:
    """Play the cue: from its ready beep on, or joining a takeaway at sample ``takeaway_seq``."""

    backswing_ms: float
    takeaway_seq: float | None = None


@dataclass(frozen=True, slots=True)
class StopCue:
    """What seemed a takeaway was none."""


@dataclass(frozen=True, slots=True)
class Ask:
    """Ask how it felt."""

    text: str


@dataclass(frozen=True, slots=True)
class Show:
    """Show a swing's figures."""

    judged: Judged
    done: int
    of: int


@dataclass(frozen=True, slots=True)
class Mark:
    """Append a marker to the recording."""

    kind: str
    fields: dict[str, Any]


@dataclass(frozen=True, slots=True)
class SetTurn:
    """The player's full turn is now known: the live tone may use it."""

    full_turn_deg: float


@dataclass(frozen=True, slots=True)
class Done:
    """The drill is over."""


Action = Line | Play | PlayCue | StopCue | Ask | Show | Mark | SetTurn | Done


# -- a swing beside the reference -----------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """A swing beside the reference.

    Attributes
    ----------
    time : {"enough", "short"} or None
    turn : {"full", "short", "beyond"} or None
        None where there is no number or no reference.
    backswing_ms, turn_deg, swing_ms, peak_rate_dps : float or None
    reference : Reference
    """

    time: str | None
    turn: str | None
    backswing_ms: float | None
    turn_deg: float | None
    swing_ms: float | None
    peak_rate_dps: float | None
    reference: Reference

    @property
    def outside(self) -> bool:
        """Whether something that was judged lies outside its window."""
        return self.time == "short" or self.turn in ("short", "beyond")


def judge(swing: SwingLike, reference: Reference) -> Judged:
    """Set a swing beside the reference."""
    r = reference
    time = turn = None
    if swing.backswing_ms is not None and r.backswing_ms is not None:
        time = "enough" if swing.backswing_ms >= TIME_SHARE * r.backswing_ms else "short"
    if swing.turn_deg is not None and r.full_turn_deg is not None:
        if swing.turn_deg < r.share * r.full_turn_deg:
            turn = "short"
        elif r.upper_turn_deg is not None and swing.turn_deg > r.upper_turn_deg:
            turn = "beyond"
        else:
            turn = "full"
    return Judged(
        time=time,
        turn=turn,
        backswing_ms=swing.backswing_ms,
        turn_deg=swing.turn_deg,
        swing_ms=swing.swing_ms,
        peak_rate_dps=swing.peak_rate_dps,
        reference=r,
    )


_SIGNS = {"enough": "=", "full": "=", "short": "<", "beyond": ">", None: " "}


def screen(judged: Judged, *, ink: str = "█") -> list[str]:
    """Time and turn in large digits, each with its sign and word; the rest in a line.

    ``=`` is enough or full, ``<`` short, ``>`` beyond the upper bound: no colour is needed.
    """
    j, r = judged, judged.reference
    lines: list[str] = []
    for name, unit, value, reference, word in (
        ("BACKSWING", "ms", j.backswing_ms, r.backswing_ms, j.time),
        ("TURN", "deg", j.turn_deg, r.full_turn_deg, j.turn),
    ):
        own = "" if reference is None else f"   your own {reference:.0f} {unit}"
        said = "" if word is None else f"   {word.upper()}"
        lines.append(f"{name} in {unit}{own}{said}")
        digits = "-" if value is None else f"{value:.0f}"
        lines += ["  " + row for row in big(f"{digits} {_SIGNS[word]}", ink=ink)]
        lines.append("")

    def beside(value: float | None, own: float | None, unit: str) -> str:
        if value is None:
            return "-"
        text = f"{value:.0f} {unit}"
        return text if own is None else f"{text} (your own {own:.0f})"

    lines.append(
        f"swing time {beside(j.swing_ms, r.swing_ms, 'ms')}, "
        f"peak rate {beside(j.peak_rate_dps, r.peak_rate_dps, 'deg/s')}"
    )
    return lines


def feedback_due(schedule: Schedule, number: int, of: int, *, outside: bool) -> bool:
    """Whether feedback follows swing ``number`` (from 0) of ``of``.

    Fading starts with every swing and ends with none, evenly; half of all swings get it.
    """
    if schedule == "every":
        return True
    if schedule == "outside":
        return outside
    if schedule == "none":
        return False

    def given(n: int) -> float:
        # Sum of a share that falls in a straight line from 1 to 0.
        return n - n * n / (2.0 * of)

    return math.floor(given(number + 1) + 0.5) > math.floor(given(number) + 0.5)


# -- outcome --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Spread:
    """Number, mean and standard deviation (n - 1); None where there are too few."""

    n: int
    mean: float | None
    sd: float | None

    def as_dict(self) -> dict[str, float | int | None]:
        """For a marker."""
        return {"n": self.n, "mean": _rounded(self.mean), "sd": _rounded(self.sd)}


def spread(values: Sequence[float]) -> Spread:
    """Number, mean and standard deviation of values."""
    n = len(values)
    return Spread(
        n,
        statistics.fmean(values) if n else None,
        statistics.stdev(values) if n > 1 else None,
    )


def asynchrony(beats_ms: Sequence[float], events_ms: Sequence[float]) -> Spread:
    """How far events lie from their beats: positive is late.

    Parameters
    ----------
    beats_ms, events_ms : sequences of equal length
        As heard, and as done.

    Returns
    -------
    Spread
        Mean and standard deviation in ms.
    """
    return spread([e - b for b, e in zip(beats_ms, events_ms, strict=True)])


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 2)


@dataclass(slots=True)
class _Tally:
    """What came of one block."""

    block: Block
    number: int
    judged: list[Judged] = field(default_factory=list)
    shown: int = 0
    confirmed: int = 0
    strikes: int = 0
    unsound: bool = False
    at_takeaway_ms: list[float] = field(default_factory=list)
    at_top_ms: list[float] = field(default_factory=list)

    def outcome(self) -> dict[str, Any]:
        judged = self.judged

        def of(name: str) -> dict[str, float | int | None]:
            values = [getattr(j, name) for j in judged]
            return spread([v for v in values if v is not None]).as_dict()

        return {
            "block": self.number,
            "block_kind": self.block.kind,
            "swings": len(judged),
            "of": self.block.repeats,
            "strikes": self.strikes,
            "time_enough": sum(j.time == "enough" for j in judged),
            "time_judged": sum(j.time is not None for j in judged),
            "turn_full": sum(j.turn == "full" for j in judged),
            "turn_judged": sum(j.turn is not None for j in judged),
            "feedback_given": self.shown,
            "confirmed_live": self.confirmed,
            "backswing_ms": of("backswing_ms"),
            "turn_deg": of("turn_deg"),
            "peak_rate_dps": of("peak_rate_dps"),
            "asynchrony_takeaway_ms": spread(self.at_takeaway_ms).as_dict(),
            "asynchrony_top_ms": spread(self.at_top_ms).as_dict(),
            "sound_interrupted": self.unsound,
        }


# -- the drill ------------------------------------------------------------------------------------

State = Literal["before", "resting", "waiting", "asking", "paused", "done"]

_BLOCK_WORDS = {
    "rehearsal": "rehearsals without a ball",
    "ball": "with a ball",
    "silent": "silent: no sounds and no numbers, swing as you would",
    "retention": "silent, to see what has stayed: no sounds and no numbers",
}


class Drill:
    """Run through a plan.

    Times are seconds on any clock that only goes forward; sample numbers are the recording's.

    Parameters
    ----------
    plan : DrillPlan
    """

    def __init__(self, plan: DrillPlan) -> None:
        self.plan = plan
        self.reference = plan.reference
        """As it stands: what was None is filled in from the first swings."""
        self.state: State = "before"
        self.done = 0
        """Swings so far."""
        self.lost = False
        self.tallies = [_Tally(block, k + 1) for k, block in enumerate(plan.blocks)]
        self._at = 0
        self._due_s = math.inf
        self._busy_s = -math.inf
        self._asked: Judged | None = None
        self._asked_until_s = math.inf
        self._show = False
        self._cues = 0
        self._beats: tuple[float, float] | None = None
        self._confirmed = False
        self._interrupted = False

    # -- what others see -------------------------------------------------------------------------

    @property
    def block(self) -> Block:
        """The block at hand."""
        return self.plan.blocks[min(self._at, len(self.plan.blocks) - 1)]

    @property
    def quiet(self) -> bool:
        """Whether nothing is to be heard or told of swings."""
        return self.block.kind in QUIET

    @property
    def tones(self) -> bool:
        """Whether the live turn is to be confirmed by a tone in the swing to come."""
        if self.quiet or self.lost or self.state in ("before", "done"):
            return False
        if self.plan.schedule == "fading":
            return self._due_feedback(outside=True)
        return self.plan.schedule != "none"

    @property
    def outcome(self) -> dict[str, Any]:
        """All blocks, and the asynchrony of the whole drill."""
        takeaways = [x for tally in self.tallies for x in tally.at_takeaway_ms]
        tops = [x for tally in self.tallies for x in tally.at_top_ms]
        return {
            "swings": self.done,
            "of": self.plan.repeats,
            "schedule": self.plan.schedule,
            "asynchrony_takeaway_ms": spread(takeaways).as_dict(),
            "asynchrony_top_ms": spread(tops).as_dict(),
            "sound_interrupted": self._interrupted,
            "blocks": [tally.outcome() for tally in self.tallies if tally.judged],
        }

    # -- what happens ----------------------------------------------------------------------------

    def begin(self, now_s: float) -> list[Action]:
        """Start: the sensor sends."""
        plan, r = self.plan, self.plan.reference
        mark = Mark(
            "drill",
            {
                "blocks": [{"kind": b.kind, "repeats": b.repeats} for b in plan.blocks],
                "schedule": plan.schedule,
                "cue_on": plan.cue_on,
                "rest_s": plan.rest_s,
                "felt": plan.felt,
                "reference": {
                    "backswing_ms": r.backswing_ms,
                    "full_turn_deg": r.full_turn_deg,
                    "share": r.share,
                    "upper_turn_deg": r.upper_turn_deg,
                    "swing_ms": r.swing_ms,
                    "peak_rate_dps": r.peak_rate_dps,
                },
                "backswings_ms": list(plan.backswings_ms),
            },
        )
        return [mark, *self._start_block(now_s, first=True)]

    def tick(self, now_s: float) -> list[Action]:
        """Time has gone by."""
        out: list[Action] = []
        if self.state == "asking" and now_s >= self._asked_until_s:
            out += self._answered(None, now_s, late=True)
        if self.lost or now_s < max(self._due_s, self._busy_s):
            return out
        if self.state == "resting":
            out += self._call_swing(now_s)
        elif self.state == "waiting" and self.plan.cue_on == "ready" and not self.quiet:
            if self._cues >= UNANSWERED:
                self.state, self._due_s = "paused", math.inf
                out.append(Line("no swing was seen for a while: swing, or press space, to go on"))
            else:
                out += self._call_swing(now_s)
        return out

    def cue_played(self, takeaway_seq: float, top_seq: float) -> None:
        """The samples at which the cue's takeaway and top are heard."""
        self._beats = (takeaway_seq, top_seq)

    def turn(
        self,
        kind: str,
        now_s: float,
        *,
        seq: int,
        takeaway_seq: float,
        turn_deg: float,
        likely: bool = True,
    ) -> list[Action]:
        """Something happened to the live turn; see `analysis.liveturn.TurnEvent`."""
        if self.state in ("before", "done") or self.lost:
            return []
        if kind == "takeaway":
            self._confirmed = False
            if likely:
                # No cue breaks into a swing that is going on.
                self._busy_s = now_s + SWING_S
            out: list[Action] = []
            if self.state == "asking" and now_s >= self._asked_until_s - FELT_S + COME_DOWN_S:
                out += self._answered(None, now_s)
            backswing = self._backswing_ms()
            joining = self.plan.cue_on == "takeaway" and self.state == "waiting" and likely
            if joining and not self.quiet and backswing is not None:
                out.append(PlayCue(backswing, takeaway_seq))
            return out
        if kind == "lapsed":
            self._busy_s = -math.inf
            return [StopCue()] if self.plan.cue_on == "takeaway" and not self.quiet else []
        if kind not in ("full", "over") or not self.tones:
            return []
        if kind == "full":
            self._confirmed = True
        fields = {"name": kind, "at_seq": seq, "turn_deg": round(turn_deg, 1)}
        return [Play(kind), Mark("tone", fields)]

    def swing(
        self,
        swing: SwingLike,
        now_s: float,
        *,
        takeaway_seq: float | None = None,
        rate_hz: float = 0.0,
    ) -> list[Action]:
        """A swing has ended and was measured.

        Parameters
        ----------
        swing : SwingLike
        now_s : float
        takeaway_seq : float, optional
            Its takeaway as a sample number, where it was seen going back.
        rate_hz : float
            Samples a second, for setting it beside the cue.
        """
        if self.state in ("before", "done"):
            return []
        out: list[Action] = []
        if self.state == "asking":
            out += self._answered(None, now_s)
            if self.done >= self.plan.repeats:
                return out
        tally, number = self.tallies[self._at], len(self.tallies[self._at].judged)
        backswing = self._backswing_ms()
        judged = judge(swing, replace(self.reference, backswing_ms=backswing))
        show = not self.quiet and self._due_feedback(outside=judged.outside)
        tally.judged.append(judged)
        tally.strikes += swing.strike is True
        tally.shown += show
        tally.confirmed += self._confirmed
        beside = self._beside_cue(swing, takeaway_seq, rate_hz, tally)
        out += self._learn_reference()
        out.append(
            Mark(
                "drill_swing",
                {
                    "swing": swing.index,
                    "block": tally.number,
                    "block_kind": tally.block.kind,
                    "number": number + 1,
                    "time": judged.time,
                    "turn": judged.turn,
                    "feedback": show,
                    "confirmed": self._confirmed,
                    **beside,
                },
            )
        )
        self._confirmed, self._beats, self._cues = False, None, 0
        self._busy_s = -math.inf
        self.done += 1
        self._show = show
        if self.plan.felt:
            self.state, self._asked = "asking", judged
            self._asked_until_s = now_s + FELT_S
            self._due_s = math.inf
            words = ", ".join(f"{key} {word}" for key, word in FEELS.items())
            out.append(Ask(f"How did it feel? {words}"))
            return out
        return out + self._tell(judged, now_s)

    def key(self, char: str, now_s: float) -> list[Action]:
        """A key was pressed: a feel, or space to go on."""
        if char in FEELS and self.state != "before":
            if self.state == "asking":
                return self._answered(FEELS[char], now_s)
            return self._late(FEELS[char])
        if self.state in ("paused", "resting") and char == " " and not self.lost:
            self._cues = 0
            return self._call_swing(now_s)
        return []

    def link(self, lost: bool, now_s: float) -> list[Action]:
        """The link to the sensor was lost, or is back."""
        if lost == self.lost or self.state in ("before", "done"):
            self.lost = lost
            return []
        self.lost = lost
        if lost:
            return [
                StopCue(),
                Play("lost"),
                Line("the sensor is lost: the drill waits, the recording goes on"),
                Mark("drill_paused", {"why": "sensor lost"}),
            ]
        if self.state in ("resting", "waiting", "paused"):
            self.state, self._due_s = "resting", now_s + min(5.0, self.plan.rest_s)
            self._cues = 0
        return [
            Play("back"),
            Line("the sensor is back: the drill goes on"),
            Mark("drill_resumed", {}),
        ]

    def sound_interrupted(self, underflows: int, *, lost: bool = False) -> list[Action]:
        """The sound stopped for a moment (or for good): what was heard then was late."""
        self._interrupted = True
        if self._at < len(self.tallies):
            self.tallies[self._at].unsound = True
        return [Mark("sound", {"underflows": underflows, "lost": lost})]

    def stop(self) -> list[Action]:
        """End now, with what there is."""
        if self.state in ("before", "done"):
            self.state = "done"
            return [Done()]
        self.state = "done"
        return [Mark("drill_outcome", self.outcome), Done()]

    # -- steps -----------------------------------------------------------------------------------

    def _backswing_ms(self) -> float | None:
        """Time of the backswing for the swing at hand; a progression moves it."""
        steps = self.plan.backswings_ms
        return steps[min(self.done, len(steps) - 1)] if steps else self.reference.backswing_ms

    def _learn_reference(self) -> list[Action]:
        """After the first swings: what has no reference yet gets their median."""
        judged = [j for tally in self.tallies for j in tally.judged]
        r = self.reference
        if len(judged) != PROVISIONAL_SWINGS:
            return []
        learnt: dict[str, float] = {}
        for name, own in (("full_turn_deg", "turn_deg"), ("backswing_ms", "backswing_ms")):
            values = [v for j in judged if (v := getattr(j, own)) is not None]
            if getattr(r, name) is None and values:
                learnt[name] = float(statistics.median(values))
        if not learnt:
            return []
        self.reference = replace(r, **learnt)
        out: list[Action] = [Mark("drill_reference", {**learnt, "provisional": True})]
        if "full_turn_deg" in learnt:
            out.append(SetTurn(learnt["full_turn_deg"]))
        words = {"full_turn_deg": "full turn {:.0f} deg", "backswing_ms": "backswing {:.0f} ms"}
        told = ", ".join(words[name].format(value) for name, value in learnt.items())
        out.append(
            Line(f"provisional, the median of your first {PROVISIONAL_SWINGS} swings: {told}")
        )
        return out

    def _due_feedback(self, *, outside: bool) -> bool:
        """Fading runs over all swings that can have feedback, not anew in each block."""
        loud = [t for t in self.tallies if t.block.kind not in QUIET]
        number = sum(len(t.judged) for t in loud)
        of = sum(t.block.repeats for t in loud)
        return feedback_due(self.plan.schedule, number, max(of, 1), outside=outside)

    def _start_block(self, now_s: float, *, first: bool = False) -> list[Action]:
        tally = self.tallies[self._at]
        block = tally.block
        self.state, self._due_s = "resting", now_s + (FIRST_S if first else self.plan.rest_s)
        self._cues = 0
        out: list[Action] = [
            Mark(
                "block",
                {"block": tally.number, "block_kind": block.kind, "repeats": block.repeats},
            )
        ]
        if not first:
            out.append(Play("block"))
        out.append(
            Line(
                f"block {tally.number} of {len(self.tallies)}: {block.repeats} "
                f"swing{'' if block.repeats == 1 else 's'}, "
                f"{_BLOCK_WORDS[block.kind]}"
            )
        )
        return out

    def _call_swing(self, now_s: float) -> list[Action]:
        """The next swing may come."""
        self.state = "waiting"
        tally = self.tallies[self._at]
        text = f"swing {len(tally.judged) + 1} of {tally.block.repeats}"
        backswing = self._backswing_ms()
        if self.quiet:
            self._due_s = math.inf
            return [Line(f"{text}: when you are ready")]
        if self.plan.cue_on == "ready" and backswing is not None:
            self._cues += 1
            wait_s = max(self.plan.rest_s, backswing * 1e-3 + AFTER_CUE_S)
            self._due_s = now_s + wait_s
            return [Line(text), PlayCue(backswing)]
        self._due_s = math.inf
        return [Line(f"{text}: when you are ready"), Play("ready")]

    def _beside_cue(
        self, swing: SwingLike, takeaway_seq: float | None, rate_hz: float, tally: _Tally
    ) -> dict[str, Any]:
        """How far takeaway and top were from the cue's; nothing where there was none to follow."""
        if self._beats is None or takeaway_seq is None or rate_hz <= 0.0:
            return {}
        late_ms = (takeaway_seq - self._beats[0]) / rate_hz * 1e3
        if abs(late_ms) > WITH_CUE_S * 1e3:
            return {}
        if self.plan.cue_on == "takeaway":
            # There the cue followed the player, so the takeaway says nothing.
            out: dict[str, Any] = {}
        else:
            tally.at_takeaway_ms.append(late_ms)
            out = {"late_at_takeaway_ms": round(late_ms, 1)}
        if swing.backswing_ms is not None:
            top_seq = takeaway_seq + swing.backswing_ms * 1e-3 * rate_hz
            top_ms = (top_seq - self._beats[1]) / rate_hz * 1e3
            tally.at_top_ms.append(top_ms)
            out["late_at_top_ms"] = round(top_ms, 1)
        return out

    def _answered(self, felt: str | None, now_s: float, *, late: bool = False) -> list[Action]:
        """The feel is known, or won't be: now the numbers."""
        judged = self._asked
        assert judged is not None
        self._asked, self._asked_until_s = None, math.inf
        out: list[Action] = []
        if felt is not None:
            out.append(Mark("felt", {"felt": felt, "number": self.done}))
        elif late:
            out.append(Line(f"no answer within {FELT_S:.0f} s: here are the numbers"))
        return out + self._tell(judged, now_s)

    def _late(self, felt: str) -> list[Action]:
        """A feel without a question, or after it: it counts for the last swing, and says so."""
        if self.done == 0 and not any(tally.judged for tally in self.tallies):
            return [Line("there is no swing yet to say that of")]
        if self.state == "done":
            return []
        return [Mark("felt", {"felt": felt, "number": self.done, "after_numbers": True})]

    def _tell(self, judged: Judged, now_s: float) -> list[Action]:
        """Numbers and tones, where they are due, and on to the next swing, block or the end."""
        tally = self.tallies[self._at]
        out: list[Action] = []
        if self._show:
            out.append(Show(judged, len(tally.judged), tally.block.repeats))
            if judged.time is not None or judged.turn is not None:
                out.append(Play("result", judged.time, judged.turn))
        else:
            out.append(Line(f"{len(tally.judged)} of {tally.block.repeats}"))
        if len(tally.judged) < tally.block.repeats:
            self.state, self._due_s = "resting", now_s + self.plan.rest_s
            return out
        out.append(Mark("block_outcome", tally.outcome()))
        self._at += 1
        if self._at < len(self.tallies):
            return out + self._start_block(now_s)
        self._at = len(self.tallies) - 1
        return out + self.stop()
