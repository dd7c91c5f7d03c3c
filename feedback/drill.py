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
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal, Protocol

from feedback.cue import CueParams
from feedback.errors import DrillError
from feedback.patterns import BETWEEN_S, seconds
from feedback.stage import INTERRUPTED, SILENT

__all__ = [
    "CAUTIONS",
    "Action",
    "Ask",
    "Block",
    "Clear",
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
    "StopTones",
    "asynchrony",
    "asynchrony_lines",
    "feedback_due",
    "judge",
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
UNDER_WAY_S = 10.0
"""Longest that a backswing is taken to be under way; its end is told long before."""
SWING_S = 4.0
"""From the top of a swing until it has been measured, slow rehearsals included."""
AFTER_SWING_S = 1.0
"""After a swing nothing that calls for the next is heard for so long, whatever the rest is."""
WAGGLE_DEG = 20.0
"""Waggles at address go to 4 to 15 degrees and come back (see sensor/motion/README.md); what has
turned so far is under way. The live turn tells a takeaway at 12 degrees. To wait for 20 costs 45 to
60 ms (median by mount, simulated swings; 95 % within 95 ms). A cue that joins the takeaway begins
as much later, at the place where its glide would be by then, so that its top isn't moved."""
NO_SWING_SHARE = 0.5
NO_SWING_DEG = 60.0
"""What comes back before half of the full turn (or this, while that isn't known) was no swing."""
LATE_S = 0.75
"""A takeaway that is told so long after the cue's, about half a second after it was made, isn't led
by what is left of the cue any more: its top would hurry the player."""
SOUND_S = 0.5
"""Longest from the call that plays until a sound begins, a wireless output's delay included."""
UNANSWERED = 3
"""After so many cues without a swing, cueing waits for one (or a key)."""
LEAD_S = CueParams().ready_lead_s
"""From the ready beep to the cue's takeaway."""
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
        own, from the second swing on (until one is known, much else begins alike: 46 times in 64
        minutes of simulated sessions, and 3 times after it); None: no cue. Where the time of the
        backswing isn't known, there is none until it is.
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
    """Call off what is left of the cue, and settle its beats.

    ``unless_gliding``: only where its glide has not begun; one that has is being followed.
    """

    why: str = "called off"
    unless_gliding: bool = False


@dataclass(frozen=True, slots=True)
class StopTones:
    """Drop the tones of the swing before, also one that sounds."""


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
class Clear:
    """Take the figures of the swing before away: those of this one aren't told."""


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


Action = Line | Play | PlayCue | StopCue | StopTones | Ask | Show | Clear | Mark | SetTurn | Done


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
    cued: int = 0
    """Swings that had a cue which was heard; those left out are not among them."""
    followed: int = 0
    left_out: Counter[str] = field(default_factory=Counter)
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
            **_beside_cues([self]),
            "sound_interrupted": self.unsound,
        }


def _beside_cues(tallies: Sequence[_Tally]) -> dict[str, Any]:
    """How the cue was followed, for an outcome."""
    left_out: Counter[str] = Counter()
    for tally in tallies:
        left_out += tally.left_out
    return {
        "cued_swings": sum(tally.cued for tally in tallies),
        "followed_cue": sum(tally.followed for tally in tallies),
        "cue_left_out": dict(left_out),
        "asynchrony_takeaway_ms": spread(
            [x for tally in tallies for x in tally.at_takeaway_ms]
        ).as_dict(),
        "asynchrony_top_ms": spread([x for tally in tallies for x in tally.at_top_ms]).as_dict(),
    }


def asynchrony_lines(outcome: Mapping[str, Any]) -> list[str]:
    """Say how the cue was followed: by how many, how far off, and what is left out and why.

    Parameters
    ----------
    outcome : mapping
        Of a drill or of a block (`Drill.outcome`, the markers ``drill_outcome`` and
        ``block_outcome``).

    Returns
    -------
    list of str
        Empty where no swing had a cue.
    """
    cued, followed = outcome.get("cued_swings", 0), outcome.get("followed_cue", 0)
    left_out: Mapping[str, int] = outcome.get("cue_left_out", {})
    out: list[str] = []
    if cued:
        out.append(
            f"the cue: {followed} of {cued} swing{'' if cued == 1 else 's'} went with it "
            f"(takeaway within {WITH_CUE_S:g} s)"
        )
    for why, n in left_out.items():
        out.append(f"the cue: {n} swing{'' if n == 1 else 's'} left out: {why}")
    if not cued:
        return out
    for name in ("takeaway", "top"):
        found = outcome[f"asynchrony_{name}_ms"]
        if name == "takeaway" and outcome.get("cue_on") == "takeaway":
            out.append("takeaway: the cue joined it, so it cannot be set beside the cue")
        elif found["sd"] is None:
            few = "no swing" if not found["n"] else "only one swing"
            out.append(f"{name}: no mean and spread: {few} could be set beside the cue")
        else:
            side = "after" if found["mean"] >= 0 else "before"
            out.append(
                f"{name}: {abs(found['mean']):.0f} ms {side} the cue on average, "
                f"spread {found['sd']:.0f} ms (n {found['n']})"
            )
    return out


# -- the drill ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Heard:
    """A cue: the samples at which takeaway and top were heard, and which were not, and why."""

    takeaway_seq: float | None
    top_seq: float | None
    not_heard: Mapping[str, str]


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
        self.audible = True
        """Whether sounds are heard; whoever runs it says so. If not, none are waited for."""
        self.tallies = [_Tally(block, k + 1) for k, block in enumerate(plan.blocks)]
        self._at = 0
        self._due_s = math.inf
        self._busy_s = -math.inf
        self._asked: Judged | None = None
        self._asked_until_s = math.inf
        self._show = False
        self._cues = 0
        self._cued_s: float | None = None
        self._heard: list[_Heard] = []
        self._rising: float | None = None
        self._under_way = False
        self._found_s = -math.inf
        self._known = False
        self._sounds_until_s = -math.inf
        self._block_due_s = math.inf
        self._anchor: tuple[int, float] | None = None
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
        return {
            "swings": self.done,
            "of": self.plan.repeats,
            "schedule": self.plan.schedule,
            "cue_on": self.plan.cue_on,
            **_beside_cues(self.tallies),
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
        if now_s >= self._block_due_s:
            out += self._open_block()
        if self.lost or now_s < max(self._due_s, self._busy_s, self._sounds_until_s):
            return out
        if now_s < self._found_s + AFTER_SWING_S:
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

    def cue_played(
        self,
        takeaway_seq: float | None,
        top_seq: float | None,
        not_heard: Mapping[str, str] | None = None,
    ) -> None:
        """The samples at which the cue's takeaway and top were heard.

        Parameters
        ----------
        takeaway_seq, top_seq : float or None
            None where it can't be told.
        not_heard : mapping, optional
            Beats (``"takeaway"``, ``"top"``) that were not heard, or not then, and why.
        """
        self._heard.append(_Heard(takeaway_seq, top_seq, dict(not_heard or {})))

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
        self._anchor = (seq, now_s)
        if kind == "takeaway":
            self._confirmed = False
            # Where it begins once more, what was before it was none.
            out = self._none(now_s, "what seemed a takeaway was none")
            if not likely:
                return out
            self._under_way, self._rising = True, takeaway_seq
            self._busy_s = now_s + UNDER_WAY_S
            if now_s >= self._found_s + COME_DOWN_S:
                out += self._next_begins(now_s)
            return out + self.turning(turn_deg, now_s)
        if kind == "lapsed":
            return self._none(now_s, "what seemed a takeaway was none")
        if kind == "top":
            return self._came_back(turn_deg, now_s)
        if kind not in ("full", "over"):
            return []
        out = self._passed_waggles(now_s) if self._rising is not None else []
        if self.state == "asking":
            # However soon after the last one: arms that come down have no full turn.
            out += self._next_begins(now_s)
        if not self.tones:
            return out
        if kind == "full":
            self._confirmed = True
        fields = {"name": kind, "at_seq": seq, "turn_deg": round(turn_deg, 1)}
        return [*out, Play(kind), Mark("tone", fields)]

    def turning(self, turn_deg: float, now_s: float) -> list[Action]:
        """The turn by now, as often as it is known: a takeaway is one when it passes waggles."""
        if self._rising is None or turn_deg < WAGGLE_DEG:
            return []
        return self._passed_waggles(now_s)

    def _passed_waggles(self, now_s: float) -> list[Action]:
        """A backswing is under way: it is cued, or goes with the cue, or ends it."""
        takeaway_seq, self._rising = self._rising, None
        if self.quiet or self.lost:
            return []
        if self.plan.cue_on == "takeaway":
            backswing = self._backswing_ms()
            if self.state != "waiting" or backswing is None or not self._known:
                return []
            self._cued_s = now_s
            return [PlayCue(backswing, takeaway_seq)]
        if self._cued_s is None:
            return []
        late_s = now_s - self._cued_s - LEAD_S
        if late_s > LATE_S:
            return [StopCue("the backswing began long after it")]
        return [StopCue("a backswing began before it", unless_gliding=True)]

    def _none(self, now_s: float, why: str) -> list[Action]:
        """What seemed a backswing is none, if one was under way."""
        if not self._under_way:
            return []
        self._under_way, self._rising = False, None
        self._busy_s = -math.inf
        return self._call_off_joined(why)

    def _call_off_joined(self, why: str) -> list[Action]:
        """Call off a cue that has joined what was none: another may join the next takeaway."""
        if self.plan.cue_on != "takeaway" or self._cued_s is None:
            return []
        self._cued_s = None
        return [StopCue(why)]

    def _came_back(self, turn_deg: float, now_s: float) -> list[Action]:
        """The turn has had its greatest."""
        if not self._under_way:
            return []
        out: list[Action] = []
        if self._rising is not None:
            out += self._passed_waggles(now_s)
        self._under_way = False
        self._busy_s = now_s + SWING_S
        full = self.reference.full_turn_deg
        if turn_deg < (NO_SWING_DEG if full is None else NO_SWING_SHARE * full):
            out += self._call_off_joined("it came back before it was a swing")
        return out

    def _next_begins(self, now_s: float) -> list[Action]:
        """The next swing begins: what is still to be said of the last one is said silently."""
        out: list[Action] = []
        if now_s < self._sounds_until_s:
            out.append(StopTones())
            self._sounds_until_s = now_s + SOUND_S
        if self.state == "asking":
            out += self._answered(None, now_s, heard=False)
        return out

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
        if self._cued_s is not None:
            out.append(StopCue("the swing was over"))
        if self.state == "asking":
            out += self._answered(None, now_s, heard=False)
            if self.done >= self.plan.repeats:
                return out
        self._under_way, self._rising = False, None
        self._busy_s, self._found_s, self._known = -math.inf, now_s, True
        if self.quiet and self._began_s(swing, now_s, takeaway_seq, rate_hz) < self._sounds_until_s:
            return out + self._left_out(swing, now_s)
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
        self._confirmed, self._cues = False, 0
        self._cued_s = None
        self._heard.clear()
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

    def _began_s(
        self, swing: SwingLike, now_s: float, takeaway_seq: float | None, rate_hz: float
    ) -> float:
        """When a swing that was found now began."""
        if takeaway_seq is not None and self._anchor is not None and rate_hz > 0.0:
            seq, at_s = self._anchor
            return at_s + (takeaway_seq - seq) / rate_hz
        # Not seen going back: about so long ago.
        return now_s - 1e-3 * (swing.swing_ms or swing.backswing_ms or 1000.0) - AFTER_SWING_S

    def _left_out(self, swing: SwingLike, now_s: float) -> list[Action]:
        """A swing of a silent block that began while a tone of the block before was heard."""
        self._confirmed = False
        out: list[Action] = []
        if now_s < self._sounds_until_s:
            out.append(StopTones())
            self._sounds_until_s = now_s
        why = "tones of the block before were heard while it began"
        out.append(Mark("drill_swing_left_out", {"swing": swing.index, "why": why}))
        out.append(Line(f"that swing does not count: {why}"))
        self.state, self._due_s = "resting", now_s + self.plan.rest_s
        return out + (self._open_block() if self._block_due_s < math.inf else [])

    def key(self, char: str, now_s: float) -> list[Action]:
        """A key was pressed: a feel, or space: to go on, or past the question."""
        if char in FEELS and self.state != "before":
            if self.state == "asking":
                return self._answered(FEELS[char], now_s)
            return self._late(FEELS[char])
        if char != " ":
            return []
        if self.state == "asking":
            return self._answered(None, now_s)
        if self.state in ("paused", "resting") and not self.lost:
            self._cues = 0
            # At once, but not into a swing or the tones of the last one.
            self.state, self._due_s = "resting", now_s
            return self.tick(now_s)
        return []

    def link(self, lost: bool, now_s: float) -> list[Action]:
        """The link to the sensor was lost, or is back."""
        if lost == self.lost or self.state in ("before", "done"):
            self.lost = lost
            return []
        self.lost = lost
        if lost:
            self._under_way, self._rising, self._busy_s = False, None, -math.inf
            self._cued_s = None
            return [
                StopCue("the sensor was lost"),
                StopTones(),
                *self._played(Play("lost"), now_s),
                Line("the sensor is lost: the drill waits, the recording goes on"),
                Mark("drill_paused", {"why": "sensor lost"}),
            ]
        if self.state in ("resting", "waiting", "paused"):
            self.state, self._due_s = "resting", now_s + min(5.0, self.plan.rest_s)
            self._cues = 0
        return [
            *self._played(Play("back"), now_s),
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

    def _played(self, play: Play, now_s: float) -> list[Action]:
        """Play a sound after those that are still to be heard, and keep until when that takes."""
        if not self.audible:
            return [play]
        begin_s = now_s + SOUND_S
        if self._sounds_until_s > now_s:
            begin_s = self._sounds_until_s + BETWEEN_S
        self._sounds_until_s = begin_s + seconds(play.name, play.time, play.turn)
        return [play]

    def _start_block(
        self, now_s: float, *, first: bool = False, heard: bool = True
    ) -> list[Action]:
        """Go on to the next block; one without sounds begins when the last of them has ended."""
        self.state, self._due_s = "resting", now_s + (FIRST_S if first else self.plan.rest_s)
        self._cues = 0
        out = self._played(Play("block"), now_s) if heard and not first else []
        if self.quiet and now_s < self._sounds_until_s:
            self._block_due_s = self._sounds_until_s
            return out
        return self._open_block() + out

    def _open_block(self) -> list[Action]:
        """The block begins here."""
        self._block_due_s = math.inf
        tally = self.tallies[self._at]
        block = tally.block
        return [
            Mark(
                "block",
                {"block": tally.number, "block_kind": block.kind, "repeats": block.repeats},
            ),
            Line(
                f"block {tally.number} of {len(self.tallies)}: {block.repeats} "
                f"swing{'' if block.repeats == 1 else 's'}, "
                f"{_BLOCK_WORDS[block.kind]}"
            ),
        ]

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
            self._due_s, self._cued_s = now_s + wait_s, now_s
            return [Line(text), PlayCue(backswing)]
        self._due_s = math.inf
        joins = self.plan.cue_on == "takeaway" and backswing is not None and not self._known
        more = " (the cue joins from the second swing on; the first shows how you begin)"
        ready = f"{text}: when you are ready{more if joins else ''}"
        return [Line(ready), *self._played(Play("ready"), now_s)]

    def _beside_cue(
        self, swing: SwingLike, takeaway_seq: float | None, rate_hz: float, tally: _Tally
    ) -> dict[str, Any]:
        """How far takeaway and top were from the cue's; nothing where there was none to follow.

        Swings with a cue are counted, those that went with it as well, and those of which that
        can't be told are left out with the reason.
        """
        if self._cued_s is None:
            return {}
        joined = self.plan.cue_on == "takeaway"
        cue = self._nearest_cue(takeaway_seq)
        at_takeaway, at_top = cue.takeaway_seq, cue.top_seq
        why = cue.not_heard.get("top" if joined else "takeaway")
        if why is None and (takeaway_seq is None or rate_hz <= 0.0):
            why = "the takeaway was not seen"
        elif why is None and (at_top if joined else at_takeaway) is None:
            why = "there were no samples while the cue was heard"
        elif why not in (None, INTERRUPTED, SILENT):
            # Called off, since the swing came before it or long after.
            tally.cued += 1
            return {}
        if why is not None:
            tally.left_out[why] += 1
            return {}
        tally.cued += 1
        assert takeaway_seq is not None
        out: dict[str, Any] = {}
        if not joined and at_takeaway is not None:
            late_ms = (takeaway_seq - at_takeaway) / rate_hz * 1e3
            if abs(late_ms) > WITH_CUE_S * 1e3:
                return {}
            tally.at_takeaway_ms.append(late_ms)
            out["late_at_takeaway_ms"] = round(late_ms, 1)
        # Where the cue joined the player's own takeaway, that one says nothing.
        tally.followed += 1
        if swing.backswing_ms is not None and at_top is not None and "top" not in cue.not_heard:
            top_seq = takeaway_seq + swing.backswing_ms * 1e-3 * rate_hz
            top_ms = (top_seq - at_top) / rate_hz * 1e3
            tally.at_top_ms.append(top_ms)
            out["late_at_top_ms"] = round(top_ms, 1)
        return out

    def _nearest_cue(self, takeaway_seq: float | None) -> _Heard:
        """Of the cues since the last swing, the one that a swing went with, if with any."""
        near = [cue for cue in self._heard if cue.takeaway_seq is not None]
        if takeaway_seq is None or not near:
            return self._heard[-1] if self._heard else _Heard(None, None, {})
        return min(near, key=lambda cue: abs((cue.takeaway_seq or 0.0) - takeaway_seq))

    def _answered(
        self, felt: str | None, now_s: float, *, late: bool = False, heard: bool = True
    ) -> list[Action]:
        """The feel is known, or won't be: now the numbers; ``heard``: with their tones."""
        judged = self._asked
        assert judged is not None
        self._asked, self._asked_until_s = None, math.inf
        out: list[Action] = []
        if felt is not None:
            out.append(Mark("felt", {"felt": felt, "number": self.done}))
        elif late:
            out.append(Line(f"no answer within {FELT_S:.0f} s: here are the numbers"))
        return out + self._tell(judged, now_s, heard=heard)

    def _late(self, felt: str) -> list[Action]:
        """A feel without a question, or after it: it counts for the last swing, and says so."""
        if self.done == 0 and not any(tally.judged for tally in self.tallies):
            return [Line("there is no swing yet to say that of")]
        if self.state == "done":
            return []
        return [Mark("felt", {"felt": felt, "number": self.done, "after_numbers": True})]

    def _tell(self, judged: Judged, now_s: float, *, heard: bool = True) -> list[Action]:
        """Numbers and tones, where they are due, and on to the next swing, block or the end."""
        tally = self.tallies[self._at]
        out: list[Action] = []
        if self._show:
            out.append(Show(judged, len(tally.judged), tally.block.repeats))
            if heard and (judged.time is not None or judged.turn is not None):
                out += self._played(Play("result", judged.time, judged.turn), now_s)
        else:
            if not self.quiet:
                # In a silent block none were shown, and its one word stays.
                out.append(Clear())
            out.append(Line(f"{len(tally.judged)} of {tally.block.repeats}"))
        if len(tally.judged) < tally.block.repeats:
            self.state, self._due_s = "resting", now_s + self.plan.rest_s
            return out
        out.append(Mark("block_outcome", tally.outcome()))
        self._at += 1
        if self._at < len(self.tallies):
            return out + self._start_block(now_s, heard=heard)
        self._at = len(self.tallies) - 1
        return out + self.stop()
