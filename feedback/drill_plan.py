"""What a drill is asked to be: blocks, reference, schedule."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

from analysis.evidence.blocks import QUIET, BlockKind
from analysis.evidence.plan import PlanRules
from feedback.errors import DrillError

Schedule = Literal["bell", "every", "outside", "fading", "none"]

SetSound = Literal["both", "rise", "bell", "none", "off"]

_RULES: Final = PlanRules()
"""The plan's own rules say from where on a drill's turn is full and its time enough."""

SCHEDULES: tuple[Schedule, ...] = ("bell", "every", "outside", "fading", "none")

FEELS = {"1": "rushed", "2": "in time", "3": "slow"}
"""One key each; asked before the numbers, so that they don't answer for the player."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DrillReference:
    """The player's own figures that swings are set beside. None: not compared.

    Attributes
    ----------
    backswing_ms, full_turn_deg, upper_turn_deg, swing_ms, peak_rate_dps : float, optional
    share, time_share : float
        Share of the full turn from which a turn is full, and of the backswing from which there was
        time enough: by the rules of the player's plan.
    least_backswing_ms : float, optional
        Where the player's own range of the backswing begins, in the place of `time_share`.
    full_end : bool
        The upper end is where full ends, as a coach set or approved it; else a turn above it is
        bigger, and not past full.
    """

    backswing_ms: float | None = None
    full_turn_deg: float | None = None
    share: float = _RULES.turn_share
    time_share: float = _RULES.time_share
    upper_turn_deg: float | None = None
    swing_ms: float | None = None
    peak_rate_dps: float | None = None
    least_backswing_ms: float | None = None
    full_end: bool = True


@dataclass(frozen=True, slots=True)
class Block:
    """Swings of one kind in a row: a set.

    Attributes
    ----------
    kind : {"rehearsal", "ball", "silent", "retention"}
    repeats : int
    sound : {"both", "rise", "bell", "none", "off"}
        What sounds in a set with sound: the rising tone, the full bell, both, or nothing; off:
        nobody hears it.
    ball : bool or None
        Whether there is a ball in a set without sound; with the others it goes without saying.
    pause_s : float
        Rest before it, where that is longer than the drill's.
    called : bool
        Each swing is asked about.
    """

    kind: BlockKind
    repeats: int
    sound: SetSound = "both"
    ball: bool | None = None
    pause_s: float = 0.0
    called: bool = False

    @property
    def with_ball(self) -> bool | None:
        """Whether there is a ball; None where that wasn't said."""
        return {"rehearsal": False, "ball": True}.get(self.kind, self.ball)

    @property
    def heard(self) -> SetSound:
        """What is heard in it, as it is kept."""
        return "none" if self.kind in QUIET or self.sound == "off" else self.sound

    @property
    def turned_off(self) -> Block:
        """The same where nobody hears it."""
        return self if self.heard == "none" else replace(self, sound="off")

    @property
    def words(self) -> str:
        """What it is, as it is said before it."""
        what = {True: "shot", False: "practice swing", None: "swing"}[self.with_ball]
        text = f"{self.repeats} {what}{'' if self.repeats == 1 else 's'}{self.how}"
        return f"{text}; say how each felt before you see it" if self.called else text

    @property
    def how(self) -> str:
        """With which sound, to follow what is swung."""
        if self.kind == "retention":
            return " without sound, to see what has stayed"
        if self.kind == "silent" or self.sound == "off":
            return " without sound"
        if self.sound == "rise":
            return " with the rising tone"
        if self.sound == "bell":
            return ", the full bell after each" if self.with_ball else " with the full bell"
        return {"both": " with sound", "none": ", easy, no bell"}[self.sound]


def usual_sets(*, fewer: bool = False) -> tuple[Block, ...]:
    """The sets of a day, where nothing else is asked for.

    First without sound, then one thing at a time: the rising tone, then the bell; and then ever
    less of it, with a ball. 20 swings are 9 to 12 minutes at 27 to 36 s each (common practice, no
    source).

    Parameters
    ----------
    fewer : bool
        For children and backs: 12 swings.
    """
    n = {"first": 2, "each": 2, "balls": 1, "last": 2} if fewer else dict(_USUAL)
    turn = (
        Block("rehearsal", 1, sound="bell"),
        Block("silent", n["balls"], ball=True),
    )
    return (
        Block("silent", n["first"], ball=False),
        Block("rehearsal", n["each"], sound="rise"),
        Block("rehearsal", n["each"], sound="bell"),
        replace(turn[0], pause_s=PAUSE_S),
        turn[1],
        *turn,
        Block("silent", n["last"], ball=True, called=True),
    )


_USUAL: Final = {"first": 3, "each": 4, "balls": 2, "last": 3}

PAUSE_S: Final = 45.0

ENDS_BEYOND: Final = 2
"""So many turns past full in a row, and a drill is over."""

OWN_FULL: Final = (Block("rehearsal", 3, sound="none"),)
"""For whoever turns past full: stop at your own full."""


def at_most(blocks: Sequence[Block], swings: int) -> tuple[Block, ...]:
    """Cut sets so that there are no more swings than so many in all."""
    out: list[Block] = []
    for block in blocks:
        left = swings - sum(one.repeats for one in out)
        if left > 0:
            out.append(replace(block, repeats=min(block.repeats, left)))
    return tuple(out)


@dataclass(frozen=True, slots=True, kw_only=True)
class DrillPlan:
    """A drill.

    Attributes
    ----------
    blocks : tuple of Block
    reference : DrillReference
        What is None is taken from the first swings (their median) and called provisional.
    schedule : str
        What follows a swing. ``"bell"``: its numbers, and one bell where time and turn were there,
        three seconds past the finish. Else numbers with tones for time and turn, also for what
        missed: after ``"every"`` swing, ``"outside"`` (only what lies outside the window),
        ``"fading"`` (ever less often) or ``"none"``.
    cue_on : str or None
        ``"ready"``: the cue comes by itself after the rest, once the club is still;
        ``"takeaway"``: it joins the player's own, from the second swing on (until one is known,
        much else begins alike: 46 times in 64 minutes of simulated sessions, and 3 times after it);
        None: no cue. Where the time of the backswing isn't known, there is none until it is.
    rest_s : float
        Least time from a swing to the next ready beep, which comes once the club has been still at
        address (`feedback.stillness`), or at a tap: no clock starts a swing.
    felt_every : int
        Ask how a swing felt, before its numbers are shown: after every one (1), after every third
        (3) ...; 0: only where a set asks about each.
    backswings_ms : tuple of float
        For the cue, one a swing, where it changes (a progression); else the reference's.
    ends_beyond : int
        It is over after so many turns past full in a row; 0: it goes on.
    check : bool
        Before the first swing the four sounds are played softly, and asked about.
    without : frozenset of {"bell", "top"}
        Sounds that are left out: the bell while going back, the beep at the top.

    Raises
    ------
    DrillError
        Where it doesn't go together.
    """

    blocks: tuple[Block, ...]
    reference: DrillReference
    schedule: Schedule = "every"
    cue_on: Literal["ready", "takeaway"] | None = "ready"
    rest_s: float = 8.0
    felt_every: int = 0
    backswings_ms: tuple[float, ...] = ()
    ends_beyond: int = 0
    check: bool = False
    without: frozenset[str] = frozenset()

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
            raise DrillError("the upper end of the range must lie above the full turn")

    @property
    def repeats(self) -> int:
        """Swings in all."""
        return sum(block.repeats for block in self.blocks)


def feedback_due(schedule: Schedule, number: int, of: int, *, outside: bool) -> bool:
    """Whether feedback follows swing ``number`` (from 0) of ``of``.

    Fading starts with every swing and ends with none, evenly; half of all swings get it.
    """
    if schedule in ("bell", "every"):
        return True
    if schedule == "outside":
        return outside
    if schedule == "none":
        return False

    def given(n: int) -> float:
        # Sum of a share that falls in a straight line from 1 to 0.
        return n - n * n / (2.0 * of)

    return math.floor(given(number + 1) + 0.5) > math.floor(given(number) + 0.5)
