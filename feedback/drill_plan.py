"""What a drill is asked to be: blocks, reference, schedule."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

from analysis.evidence.blocks import BlockKind
from analysis.evidence.plan import PlanRules
from feedback.errors import DrillError

Schedule = Literal["every", "outside", "fading", "none"]

_RULES: Final = PlanRules()
"""The plan's own rules say from where on a drill's turn is full and its time enough."""

SCHEDULES: tuple[Schedule, ...] = ("every", "outside", "fading", "none")

BLOCK_WORDS = {
    "rehearsal": "practice swings, without a ball",
    "ball": "with a ball",
    "silent": "without sound: no sounds and no numbers, swing as you would",
    "retention": "without sound, to see what has stayed: no sounds and no numbers",
}

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
    """

    backswing_ms: float | None = None
    full_turn_deg: float | None = None
    share: float = _RULES.turn_share
    time_share: float = _RULES.time_share
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
    reference : DrillReference
        What is None is taken from the first swings (their median) and called provisional.
    schedule : str
        When numbers and tones follow a swing: ``"every"``, ``"outside"`` (only what lies outside
        the window), ``"fading"`` (ever less often) or ``"none"``.
    cue_on : str or None
        ``"ready"``: the cue comes by itself after the rest, once the club is still;
        ``"takeaway"``: it joins the player's own, from the second swing on (until one is known,
        much else begins alike: 46 times in 64 minutes of simulated sessions, and 3 times after it);
        None: no cue. Where the time of the backswing isn't known, there is none until it is.
    rest_s : float
        Least time from a swing to the next ready beep, which comes once the club has been still at
        address (`feedback.stillness`), or at a tap: no clock starts a swing.
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
    reference: DrillReference
    schedule: Schedule = "every"
    cue_on: Literal["ready", "takeaway"] | None = "ready"
    rest_s: float = 8.0
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
            raise DrillError("the upper end of the range must lie above the full turn")

    @property
    def repeats(self) -> int:
        """Swings in all."""
        return sum(block.repeats for block in self.blocks)


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
