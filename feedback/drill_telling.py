"""What follows a swing of a drill: what is told of it, what counts, and the next set."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

from feedback.drill_actions import (
    Action,
    Clear,
    Done,
    Line,
    Mark,
    Mute,
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
    FELT_S,
    FIRST_S,
    PROVISIONAL_SWINGS,
)
from feedback.drill_outcome import ABOVE, Judged, Tally, learnt_from
from feedback.drill_standing import Standing
from words.sound import FIX, HEARD, NO_OUTPUT, TOO_SOFT

BACK_AND_FORTH = "back and forth"


class Telling(Standing):
    """What follows a swing.

    Parameters
    ----------
    plan : DrillPlan
    """

    # -- whether the sounds are heard --------------------------------------------------------------

    def _check(self, now_s: float) -> list[Action]:
        """Play the sounds softly, and ask; where nothing can be heard at a range, say no.

        The question stays until it is answered. Who walked off to the ball didn't hear it, and a
        drill that went on with sound would count swings to sounds that nobody hears; one that went
        on without would leave out what the coach asked for.
        """
        self.state, self._due_s = "checking", math.inf
        if self.no_output:
            self.state = "unheard"
            return [Line(NO_OUTPUT)]
        if self.too_soft:
            self.state = "unheard"
        words = f"{TOO_SOFT} {HEARD}" if self.too_soft else HEARD
        return [*self._played(Play("check"), now_s), Line(words)]

    def heard(self, heard: bool, now_s: float) -> list[Action]:
        """Say whether the sounds were heard."""
        if self.state not in ("checking", "unheard") or self.no_output:
            return []
        out: list[Action] = [StopTones(), Mark("sound_check", {"heard": heard})]
        self._sounds_until_s = now_s
        if heard:
            self.state, self._due_s = "resting", now_s + FIRST_S
            return [*out, Line("heard: the drill begins")]
        if self.state == "unheard":
            return self._check(now_s)
        self.state, self._due_s = "unheard", math.inf
        return [*out, Line(FIX)]

    def without_sound(self, now_s: float) -> list[Action]:
        """Go on without sound, for the eye only."""
        asked = self.state in ("checking", "unheard")
        if self.state in ("before", "done") or not (self.audible or asked):
            return []
        self.audible, self._sounds_until_s = False, -math.inf
        if asked:
            self.state, self._due_s = "resting", now_s + FIRST_S
        said = Mark("sound_check", {"heard": False, "without": True})
        return [StopTones(), said, Mute(), *self._turned_off()]

    def _turned_off(self) -> list[Action]:
        """From here on nothing sounds: the sets are said and kept as without sound."""
        before = self.block
        for tally in self.tallies[self._at :]:
            tally.block = tally.block.turned_off
        begun = self.state != "before" and self._block_due_s == math.inf
        return self._open_block() if begun and self.block != before else []

    # -- what counts -------------------------------------------------------------------------------

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
        elif self.state not in ("checking", "unheard", "telling"):
            self.state, self._due_s = "resting", now_s + min(FIRST_S, self.plan.rest_s)
        self._cues = 0
        return []

    def held_swing(self, index: int) -> list[Action]:
        """A swing was made while nothing counted."""
        if self.state in ("before", "done"):
            return []
        return [Mark("drill_swing_left_out", {"swing": index, "why": "held"})]

    def only_counted(self, index: int, now_s: float, why: str | None = None) -> list[Action]:
        """A swing is neither judged nor counted, and the drill waits on as if it hadn't been.

        Parameters
        ----------
        index : int
        now_s : float
        why : str, optional
            By default it began at the finish of the one before: its time and turn aren't from
            address.
        """
        if self.state in ("before", "done"):
            return []
        out: list[Action] = []
        if self._cued_s is not None:
            out.append(StopCue("the swing was over"))
        self._under_way, self._rising, self._busy_s = False, None, -math.inf
        self._cued_s, self._found_s, self._confirmed, self._cues = None, now_s, False, 0
        self._heard.clear()
        out.append(Mark("drill_swing_left_out", {"swing": index, "why": why or BACK_AND_FORTH}))
        if why is not None:
            return out
        text = f"that swing does not count: {BACK_AND_FORTH}. Begin each one at address"
        return [*out, Line(text)]

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
        if self.state in ("asking", "telling") and self._asked is judged:
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
        now_told = self.state in ("asking", "telling")
        if not self.stopped and tally is self.tallies[self._at] and not now_told:
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
        out: list[Action] = [Mark("sound", {"underflows": underflows, "lost": lost})]
        if lost and self.state in ("checking", "unheard"):
            self.state, self.no_output = "unheard", True
            out.append(Line(NO_OUTPUT))
        if self._at < len(self.tallies):
            self.tallies[self._at].unsound = True
        if lost and self.state not in ("unheard", "done"):
            out += self._turned_off()
        return out

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
        self.state, self._due_s = "resting", self._rested_s(now_s)
        if first:
            self._due_s = now_s + FIRST_S
        self._cues = 0
        out: list[Action] = []
        if heard and not first and self.plan.schedule != "bell":
            # Where there are four sounds to learn, a new set is said in words.
            out = self._played(Play("block"), now_s)
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
                {
                    "block": tally.number,
                    "block_kind": block.kind,
                    "repeats": block.repeats,
                    "sound": block.heard,
                    "ball": block.with_ball,
                },
            ),
            Line(f"set {tally.number} of {len(self.tallies)}: {block.words}{_rest(block.pause_s)}"),
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
        if self.cue_on == "ready" and backswing is not None:
            self._cues += 1
            wait_s = max(self.plan.rest_s, backswing * 1e-3 + AFTER_CUE_S)
            self._due_s, self._cued_s = now_s + wait_s, now_s
            return [Line(text), PlayCue(backswing, top=self.top)]
        self._due_s = math.inf
        joins = self.cue_on == "takeaway" and backswing is not None and not self._known
        more = " (the cue joins from the second swing on; the first shows how you begin)"
        ready = f"{text}: when you are ready{more if joins else ''}"
        if self.block.heard == "none":
            return [Line(ready)]
        return [Line(ready), *self._played(Play("ready"), now_s)]

    def _answered(
        self, felt: str | None, now_s: float, *, late: bool = False, heard: bool = True
    ) -> list[Action]:
        """The feel is known, or won't be: now the numbers; ``heard``: with their tones."""
        judged = self._asked
        assert judged is not None
        self._asked_until_s = math.inf
        out: list[Action] = []
        if felt is not None:
            out.append(Mark("felt", {"felt": felt, "number": self.done}))
        elif late:
            out.append(Line(f"no answer within {FELT_S:.0f} s: here are the numbers"))
        if heard:
            return out + self._in_time(judged, now_s)
        return out + self._tell(judged, now_s, heard=False)

    def _in_time(self, judged: Judged, now_s: float) -> list[Action]:
        """Tell a swing when its time has come: some seconds past the finish, or now."""
        if self.plan.schedule != "bell" or self.quiet or now_s >= self._tell_s:
            return self._tell(judged, now_s)
        self._asked = judged
        self.state, self._due_s = "telling", math.inf
        return []

    def _told_now(self, now_s: float, *, heard: bool) -> list[Action]:
        """Tell what waits to be told, or is still asked about."""
        if self.state == "asking":
            return self._answered(None, now_s, heard=heard)
        if self.state == "telling" and self._asked is not None:
            return self._tell(self._asked, now_s, heard=heard)
        return []

    def _late(self, felt: str) -> list[Action]:
        """A feel without a question, or after it: it counts for the last swing, and says so."""
        if self.done == 0 and not any(tally.judged for tally in self.tallies):
            return [Line("there is no swing yet to say that of")]
        if self.state == "done":
            return []
        fields: dict[str, Any] = {"felt": felt, "number": self.done}
        if self._show and self.state != "telling":
            # Where none were shown, the answer can't have come from them.
            fields["after_numbers"] = True
        return [Mark("felt", fields)]

    def _tell(self, judged: Judged, now_s: float, *, heard: bool = True) -> list[Action]:
        """Numbers and tones, where they are due, and on to the next swing, block or the end."""
        tally, heard = self.tallies[self._at], heard and not self.held and not self.lost
        self._asked = None
        out: list[Action] = []
        if self._show:
            out.append(Show(judged, len(tally.judged), tally.block.repeats))
            if self.plan.schedule == "bell":
                # What was missed stands on the screen: silence is no verdict.
                if heard and judged.kept and tally.block.heard != "none":
                    out += self._played(Play("kept"), now_s)
            elif heard and (judged.time is not None or judged.sounding is not None):
                out += self._played(Play("result", judged.time, judged.sounding), now_s)
        else:
            if not self.quiet:
                # In a silent block none were shown, and its one word stays.
                out.append(Clear())
            out.append(Line(f"{len(tally.judged)} of {tally.block.repeats}"))
        return out + self._after_swing(now_s, heard=heard)

    def _after_swing(self, now_s: float, *, heard: bool) -> list[Action]:
        """Go on to the next swing, block or the end."""
        tally = self.tallies[self._at]
        if self._past_full_again():
            what = "past full" if self.reference.full_end else "turn bigger than your own"
            self.ended_for = f"{what} twice in a row: enough for today. Stop at your own full"
            return [Line(self.ended_for), Mark("block_outcome", tally.outcome()), *self.stop()]
        if len(tally.judged) < tally.block.repeats:
            self.state, self._due_s = "resting", self._rested_s(now_s)
            return []
        out: list[Action] = [Mark("block_outcome", tally.outcome())]
        self._at += 1
        if self._at < len(self.tallies):
            return out + self._start_block(now_s, heard=heard)
        self._at = len(self.tallies) - 1
        return out + self.stop()

    def _rested_s(self, now_s: float) -> float:
        """From when on the next swing may be called for."""
        rest_s = max(self.plan.rest_s, self.block.pause_s)
        if len(self.tallies[self._at].judged):
            # A pause comes before its set only.
            rest_s = self.plan.rest_s
        if self.plan.schedule != "bell" or not math.isfinite(self._found_s):
            return now_s + rest_s
        # What was told late takes nothing from the rest, nor adds to it.
        return max(self._found_s + rest_s, now_s + AFTER_SWING_S)

    def _past_full_again(self) -> bool:
        """Whether the last swings all turned further than the own range."""
        n = self.plan.ends_beyond
        last = [one for tally in self.tallies for one in tally.judged][-n:] if n else []
        return bool(n) and len(last) == n and all(one.turn in ABOVE for one in last)

    def _asks(self) -> bool:
        """Whether it is asked how the swing that was just counted felt."""
        every = self.plan.felt_every
        return self.block.called or (every > 0 and self.done % every == 0)


def _rest(pause_s: float) -> str:
    return f"; first rest {pause_s:.0f} s" if pause_s else ""
