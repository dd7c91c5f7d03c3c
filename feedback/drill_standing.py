"""How a drill stands, and what follows from that."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any, Literal

from analysis.evidence.blocks import QUIET
from feedback.drill_actions import Action, Play
from feedback.drill_limits import SOUND_S, UNSEEN_S
from feedback.drill_outcome import HeardCue, Judged, Tally, followed_cues
from feedback.drill_plan import Block, DrillPlan, DrillReference, feedback_due
from feedback.patterns import BETWEEN_S, seconds

State = Literal[
    "before", "checking", "unheard", "resting", "waiting", "asking", "telling", "paused", "done"
]
"""Checking: are the sounds heard? Unheard: they aren't. Telling: what came of a swing waits."""


class Standing:
    """How a drill stands.

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
        self.held = False
        """Nothing counts and nothing sounds."""
        self.audible = True
        """Whether sounds are heard; whoever runs it says so. If not, none are waited for."""
        self.fast = True
        """Whether a bell comes in time while a player goes back; whoever runs it says so."""
        self.no_output = False
        """Whether no loudspeaker was found though sound was asked for; whoever runs it says so."""
        self.too_soft = False
        """Whether the sounds can't be clear of a range's noise; whoever runs it says so."""
        self.tallies = [Tally(block, k + 1) for k, block in enumerate(plan.blocks)]
        self.ended_for: str | None = None
        """Why it ended before all of its sets, where nobody ended it."""
        self._at = 0
        self._due_s = math.inf
        self._busy_s = -math.inf
        self._asked: Judged | None = None
        self._asked_until_s = math.inf
        self._show = False
        self._tell_s = -math.inf
        self._cues = 0
        self._cued_s: float | None = None
        self._heard: list[HeardCue] = []
        self._rising: float | None = None
        self._under_way = False
        self._found_s = -math.inf
        self._known = False
        self._sounds_until_s = -math.inf
        self._block_due_s = math.inf
        self._anchor: tuple[int, float] | None = None
        self._confirmed = False
        self._interrupted = False
        self._still: bool | None = None
        self._seen_s = -math.inf
        self._out: dict[int, tuple[Tally, int, Judged]] = {}

    # -- what others see -------------------------------------------------------------------------

    @property
    def block(self) -> Block:
        """The block at hand."""
        return self.tallies[min(self._at, len(self.tallies) - 1)].block

    @property
    def quiet(self) -> bool:
        """Whether nothing is to be heard or told of swings."""
        return self.block.kind in QUIET

    @property
    def stopped(self) -> bool:
        """Whether it has ended."""
        return self.state == "done"

    @property
    def tones(self) -> bool:
        """Whether the live turn is to be confirmed by a tone in the swing to come.

        Not by an output that is late. Where one thing sounds at a time, not with the rising tone,
        and not with a ball: there it would become "now hit".
        """
        if self.quiet or self.lost or self.held or self.state in ("before", "done"):
            return False
        if not self.fast or "bell" in self.plan.without:
            return False
        if self.block.sound not in ("bell", "both"):
            return False
        if self.plan.schedule == "bell":
            return not self.block.with_ball
        if self.plan.schedule == "fading":
            return self._due_feedback(outside=True)
        return self.plan.schedule != "none"

    @property
    def top(self) -> bool:
        """Whether a cue has its beep at the top."""
        return "top" not in self.plan.without

    @property
    def cue_on(self) -> str | None:
        """How the cue comes in the set at hand; None where there is none."""
        return self.plan.cue_on if self.block.sound in ("rise", "both") else None

    @property
    def outcome(self) -> dict[str, Any]:
        """All blocks, and the asynchrony of the whole drill."""
        return {
            "swings": self.done,
            "of": self.plan.repeats,
            "schedule": self.plan.schedule,
            "cue_on": self.plan.cue_on,
            **followed_cues(self.tallies),
            "sound_interrupted": self._interrupted,
            "blocks": [tally.outcome() for tally in self.tallies if tally.judged],
        }

    def club(self, still: bool, now_s: float) -> None:
        """Whether the club has been still at address for long enough, as often as it is known."""
        self._still, self._seen_s = still, now_s

    def _may_call(self, now_s: float) -> bool:
        """Whether a sound may call for a swing: no clock does, only a club that is still."""
        if self._still is None:
            return True
        return self._still and now_s < self._seen_s + UNSEEN_S

    # -- what follows from it ---------------------------------------------------------------------

    def _backswing_ms(self) -> float | None:
        """Time of the backswing for the swing at hand; a progression moves it."""
        steps = self.plan.backswings_ms
        return steps[min(self.done, len(steps) - 1)] if steps else self.reference.backswing_ms

    def _aimed_at(self) -> DrillReference:
        """What the swing at hand is set beside; a progression has an aim of its own."""
        if not self.plan.backswings_ms:
            return self.reference
        return replace(self.reference, backswing_ms=self._backswing_ms(), least_backswing_ms=None)

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
