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
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from feedback.drill_actions import (
    Action,
    Ask,
    Clear,
    Done,
    Line,
    Mark,
    Play,
    PlayCue,
    SetTurn,
    Show,
    Silence,
    StopCue,
    StopTones,
)
from feedback.drill_limits import (
    AFTER_CUE_S,
    AFTER_SWING_S,
    COME_DOWN_S,
    FELT_S,
    FIRST_S,
    LATE_S,
    LEAD_S,
    NO_SWING_DEG,
    NO_SWING_SHARE,
    PROVISIONAL_SWINGS,
    SOUND_S,
    SWING_S,
    UNANSWERED,
    UNDER_WAY_S,
    WAGGLE_DEG,
)
from feedback.drill_outcome import (
    HeardCue,
    Judged,
    SwingLike,
    Tally,
    follow,
    judge,
    learnt_from,
)
from feedback.drill_plan import BLOCK_WORDS, FEELS
from feedback.drill_standing import Standing


class Drill(Standing):
    """Run through a plan.

    Times are seconds on any clock that only goes forward; sample numbers are the recording's.

    Parameters
    ----------
    plan : DrillPlan
    """

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
                    "time_share": r.time_share,
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
        if self.held:
            return out
        if self.state == "asking" and now_s >= self._asked_until_s:
            out += self._answered(None, now_s, late=True)
        if now_s >= self._block_due_s:
            out += self._open_block()
        if self.lost or now_s < max(self._due_s, self._busy_s, self._sounds_until_s):
            return out
        if now_s < self._found_s + AFTER_SWING_S:
            return out
        if not self.quiet and not self._may_call(now_s):
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
        self._heard.append(HeardCue(takeaway_seq, top_seq, dict(not_heard or {})))

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
        """Something happened to the live turn; see `analysis.swing.live_turn.TurnEvent`."""
        if self.state in ("before", "done") or self.lost or self.held:
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
            if self.stopped:
                return out
        self._under_way, self._rising = False, None
        self._busy_s, self._found_s, self._known = -math.inf, now_s, True
        if self.quiet and self._began_s(swing, now_s, takeaway_seq, rate_hz) < self._sounds_until_s:
            return out + self._left_out(swing, now_s)
        tally, number = self.tallies[self._at], len(self.tallies[self._at].judged)
        backswing = self._backswing_ms()
        judged = judge(swing, replace(self.reference, backswing_ms=backswing))
        show = not self.quiet and self._due_feedback(outside=judged.outside)
        if self._cued_s is not None:
            joined = self.plan.cue_on == "takeaway"
            cue = follow(swing, self._heard, takeaway_seq, rate_hz, joined=joined)
            judged = replace(judged, cue=cue)
        tally.judged.append(judged)
        tally.shown += show
        tally.confirmed += self._confirmed
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
                    **({} if judged.cue is None else judged.cue.fields()),
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
        if self.state in ("paused", "resting") and not self.lost and not self.held:
            self._cues = 0
            # At once, but not into a swing or the tones of the last one; a tap needs no still club.
            self.state, self._due_s, self._still = "resting", now_s, None
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
                *([] if self.held else self._played(Play("lost"), now_s)),
                Line("the sensor is lost: the drill waits, the recording goes on"),
                Mark("drill_paused", {"why": "sensor lost"}),
            ]
        if self.state in ("resting", "waiting", "paused"):
            self.state, self._due_s = "resting", now_s + min(5.0, self.plan.rest_s)
            self._cues = 0
        return [
            *([] if self.held else self._played(Play("back"), now_s)),
            Line("the sensor is back: the drill goes on"),
            Mark("drill_resumed", {}),
        ]

    def hold(self, held: bool, now_s: float) -> list[Action]:
        """From here on nothing counts and nothing sounds, or all does again."""
        if held == self.held:
            return []
        self.held = held
        if self.state in ("before", "done"):
            return []
        if held:
            self._under_way, self._rising, self._busy_s = False, None, -math.inf
            self._cued_s, self._sounds_until_s = None, -math.inf
            self._confirmed = False
            return [StopCue("held"), Silence()]
        if self.state == "asking":
            self._asked_until_s = now_s + FELT_S
        else:
            self.state, self._due_s = "resting", now_s + min(FIRST_S, self.plan.rest_s)
        self._cues = 0
        return []

    def held_swing(self, index: int) -> list[Action]:
        """A swing was made while nothing counted."""
        if self.state in ("before", "done"):
            return []
        return [Mark("drill_swing_left_out", {"swing": index, "why": "held"})]

    def leave_out(self, index: int, now_s: float) -> list[Action]:
        """A swing that was judged is not to count: its set asks for one more."""
        for tally in self.tallies:
            for place, judged in enumerate(tally.judged):
                if judged.index == index:
                    return self._not_counted(tally, place, now_s)
        return []

    def _not_counted(self, tally: Tally, place: int, now_s: float) -> list[Action]:
        judged = tally.judged.pop(place)
        assert judged.index is not None
        self._out[judged.index] = (tally, place, judged)
        self.done -= 1
        why = "it was said not to count"
        out: list[Action] = [
            StopTones(),
            Mark("drill_swing_left_out", {"swing": judged.index, "why": why}),
        ]
        if self.state == "asking" and self._asked is judged:
            self._asked, self._asked_until_s = None, math.inf
            self.state, self._due_s = "resting", now_s + self.plan.rest_s
        return out + self._again_summed(tally)

    def count_again(self, index: int, now_s: float) -> list[Action]:
        """A swing that was not to count does."""
        kept = self._out.pop(index, None)
        if kept is None:
            return []
        tally, place, judged = kept
        tally.judged.insert(place, judged)
        self.done += 1
        out: list[Action] = [Mark("drill_swing_counts", {"swing": index})]
        out += self._again_summed(tally)
        if not self.stopped and tally is self.tallies[self._at] and self.state != "asking":
            out += self._after_swing(now_s, heard=False)
        return out

    def _again_summed(self, tally: Tally) -> list[Action]:
        """Sum a set up once more that was summed up already."""
        if self.tallies.index(tally) >= self._at and not self.stopped:
            return []
        return [Mark("block_outcome", tally.outcome())]

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

    def _learn_reference(self) -> list[Action]:
        """After the first swings: what has no reference yet gets their median."""
        judged = [j for tally in self.tallies for j in tally.judged]
        learnt = learnt_from(judged, self.reference)
        if not learnt:
            return []
        self.reference = replace(self.reference, **learnt)
        out: list[Action] = [Mark("drill_reference", {**learnt, "provisional": True})]
        if "full_turn_deg" in learnt:
            out.append(SetTurn(learnt["full_turn_deg"]))
        words = {"full_turn_deg": "full turn {:.0f} deg", "backswing_ms": "backswing {:.0f} ms"}
        told = ", ".join(words[name].format(value) for name, value in learnt.items())
        out.append(Line(f"for now, the middle of your first {PROVISIONAL_SWINGS} swings: {told}"))
        return out

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
                f"{BLOCK_WORDS[block.kind]}"
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
        fields: dict[str, Any] = {"felt": felt, "number": self.done}
        if self._show:
            # Where none were shown, the answer can't have come from them.
            fields["after_numbers"] = True
        return [Mark("felt", fields)]

    def _tell(self, judged: Judged, now_s: float, *, heard: bool = True) -> list[Action]:
        """Numbers and tones, where they are due, and on to the next swing, block or the end."""
        tally, heard = self.tallies[self._at], heard and not self.held
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
        return out + self._after_swing(now_s, heard=heard)

    def _after_swing(self, now_s: float, *, heard: bool) -> list[Action]:
        """Go on to the next swing, block or the end."""
        tally = self.tallies[self._at]
        if len(tally.judged) < tally.block.repeats:
            self.state, self._due_s = "resting", now_s + self.plan.rest_s
            return []
        out: list[Action] = [Mark("block_outcome", tally.outcome())]
        self._at += 1
        if self._at < len(self.tallies):
            return out + self._start_block(now_s, heard=heard)
        self._at = len(self.tallies) - 1
        return out + self.stop()
