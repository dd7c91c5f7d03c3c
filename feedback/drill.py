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

from feedback.drill_actions import (
    Action,
    Ask,
    Line,
    Mark,
    Play,
    PlayCue,
    StopCue,
    StopTones,
)
from feedback.drill_limits import (
    AFTER_SWING_S,
    COME_DOWN_S,
    FELT_S,
    LATE_S,
    LEAD_S,
    NO_SWING_DEG,
    NO_SWING_SHARE,
    SOUND_S,
    SWING_S,
    TELL_S,
    UNANSWERED,
    UNDER_WAY_S,
    WAGGLE_DEG,
)
from feedback.drill_outcome import (
    HeardCue,
    SwingLike,
    follow,
    judge,
)
from feedback.drill_plan import FEELS
from feedback.drill_telling import Telling

HEARD_KEYS = {"y": True, "n": False}
"""One key each: are the sounds heard? ``g`` then goes on without them."""


class Drill(Telling):
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
                "blocks": [
                    {"kind": b.kind, "repeats": b.repeats, "sound": b.sound, "ball": b.with_ball}
                    for b in plan.blocks
                ],
                "schedule": plan.schedule,
                "cue_on": plan.cue_on,
                "rest_s": plan.rest_s,
                "felt": plan.felt_every > 0,
                "felt_every": plan.felt_every,
                "reference": {
                    "backswing_ms": r.backswing_ms,
                    "full_turn_deg": r.full_turn_deg,
                    "share": r.share,
                    "time_share": r.time_share,
                    "upper_turn_deg": r.upper_turn_deg,
                    "swing_ms": r.swing_ms,
                    "peak_rate_dps": r.peak_rate_dps,
                    "least_backswing_ms": r.least_backswing_ms,
                    "full_end": r.full_end,
                },
                "backswings_ms": list(plan.backswings_ms),
            },
        )
        if plan.check and (self.audible or self.no_output):
            # The first set begins when they have been heard, or somebody said to go on without.
            begun = self._start_block(now_s, first=True)
            return [mark, *begun, *self._check(now_s)]
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
        if self.state == "telling" and now_s >= self._tell_s:
            out += self._told_now(now_s, heard=True)
        if self.lost or now_s < max(self._due_s, self._busy_s, self._sounds_until_s):
            return out
        if now_s < self._found_s + AFTER_SWING_S:
            return out
        if not self.quiet and not self._may_call(now_s):
            return out
        if self.state == "resting":
            out += self._call_swing(now_s)
        elif self.state == "waiting" and self.cue_on == "ready" and not self.quiet:
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
        if self.state in ("asking", "telling"):
            # However soon after the last one: arms that come down have no full turn.
            out += self._next_begins(now_s)
        if not self.tones or (kind == "over" and self.plan.schedule == "bell"):
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
        if self.cue_on == "takeaway":
            backswing = self._backswing_ms()
            if self.state != "waiting" or backswing is None or not self._known:
                return []
            self._cued_s = now_s
            return [PlayCue(backswing, takeaway_seq, self.top)]
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
        if self.cue_on != "takeaway" or self._cued_s is None:
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
        return out + self._told_now(now_s, heard=False)

    def swing(
        self,
        swing: SwingLike,
        now_s: float,
        *,
        takeaway_seq: float | None = None,
        rate_hz: float = 0.0,
        finish_seq: float | None = None,
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
        finish_seq : float, optional
            Its finish as a sample number.
        """
        if self.state in ("before", "done"):
            return []
        out: list[Action] = []
        if self._cued_s is not None:
            out.append(StopCue("the swing was over"))
        out += self._told_now(now_s, heard=False)
        if self.stopped:
            return out
        self._under_way, self._rising = False, None
        self._busy_s, self._found_s, self._known = -math.inf, now_s, True
        if self.state in ("checking", "unheard"):
            return out + self._unanswered(swing)
        if self.quiet and self._began_s(swing, now_s, takeaway_seq, rate_hz) < self._sounds_until_s:
            return out + self._left_out(swing, now_s)
        tally, number = self.tallies[self._at], len(self.tallies[self._at].judged)
        judged = judge(swing, self._aimed_at())
        show = not self.quiet and self._due_feedback(outside=judged.outside)
        if self._cued_s is not None:
            joined = self.cue_on == "takeaway"
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
                    "sound": tally.block.heard,
                    "number": number + 1,
                    "time": judged.time,
                    "turn": judged.turn,
                    "kept": judged.kept,
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
        self._tell_s = TELL_S + min(now_s, self._at_s(finish_seq, rate_hz, now_s))
        if self._asks():
            self.state, self._asked = "asking", judged
            self._asked_until_s = now_s + FELT_S
            self._due_s = math.inf
            words = ", ".join(f"{key} {word}" for key, word in FEELS.items())
            out.append(Ask(f"How did it feel? {words}"))
            return out
        return out + self._in_time(judged, now_s)

    def _at_s(self, seq: float | None, rate_hz: float, else_s: float) -> float:
        """When a sample came, by the live turn's last word."""
        if seq is None or self._anchor is None or rate_hz <= 0.0:
            return else_s
        at, at_s = self._anchor
        return at_s + (seq - at) / rate_hz

    def _began_s(
        self, swing: SwingLike, now_s: float, takeaway_seq: float | None, rate_hz: float
    ) -> float:
        """When a swing that was found now began."""
        # Not seen going back: about so long ago.
        ago_s = 1e-3 * (swing.swing_ms or swing.backswing_ms or 1000.0) + AFTER_SWING_S
        return self._at_s(takeaway_seq, rate_hz, now_s - ago_s)

    def _unanswered(self, swing: SwingLike) -> list[Action]:
        """A swing before anybody said whether the sounds are heard: the question stays."""
        self._confirmed = False
        why = "nobody has said yet whether the sounds are heard"
        return [
            Mark("drill_swing_left_out", {"swing": swing.index, "why": why}),
            Line(f"that swing does not count: {why}"),
        ]

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
        """A key was pressed: a feel, whether the sounds are heard, or space: to go on."""
        if char in FEELS and self.state != "before":
            if self.state == "asking":
                return self._answered(FEELS[char], now_s)
            return self._late(FEELS[char])
        if char in HEARD_KEYS:
            return self.heard(HEARD_KEYS[char], now_s)
        if char == "g" and self.state == "unheard":
            return self.without_sound(now_s)
        if char != " ":
            return []
        if self.state == "checking":
            return self.heard(True, now_s)
        if self.state == "unheard":
            return self.without_sound(now_s)
        if self.state == "asking":
            return self._answered(None, now_s)
        if self.state == "telling":
            return self._told_now(now_s, heard=True)
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
