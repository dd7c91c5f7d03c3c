"""A lesson as it goes on: its parts, which swings are full ones, and when numbers are shown."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from analysis.evidence.full_swings import full_floor
from analysis.evidence.summary import FOLLOWING_S
from library.lesson import PART_SWING
from review.page.livehub import HELD, LessonState, LiveError
from sensor.recording.lesson import LESSON, PARTS, Part
from words.lesson import HIDDEN, PART_NAMES

if TYPE_CHECKING:
    from concurrent.futures import Future

    from analysis.swing.results import Swing
    from review.page.livehub import LiveHub, Person
    from review.page.requests import LessonRequest
    from unhurried.app.lesson_drill import LessonDrill
    from unhurried.app.live import LiveSession


@dataclass(slots=True)
class _Seen:
    """A swing of the lesson.

    ``whole``: time and turn were measured. ``follows``: it began where the one before it ended, as
    in a back-and-forth warm-up. ``by_hand``: the coach said whether it counts.
    """

    part: Part
    found: str
    kind: str
    recorded: str | None
    player: str | None
    mount: str | None
    turn_deg: float | None
    own_deg: float | None
    whole: bool
    follows: bool
    left_out: str | None
    by_hand: bool = False


class LessonDesk:
    """Parts, counts and numbers of a lesson; to be called where the recording is.

    Parameters
    ----------
    hub : LiveHub
    asked : LessonRequest
    sessions : callable
        Gives what is being recorded.
    leave_out : callable
        Leaves a swing out, by its key and why, or (None) has it count again.
    ask_aim : callable
        Looks up, in a thread, what a player works on, as it was agreed last time; empty if nothing.
    drill : LessonDrill
        Runs while its part goes on.
    """

    def __init__(
        self,
        hub: LiveHub,
        asked: LessonRequest,
        *,
        sessions: Callable[[], Sequence[LiveSession]],
        leave_out: Callable[[str, str | None], None],
        ask_aim: Callable[[str], Future[str]],
        drill: LessonDrill,
    ) -> None:
        self.drill = drill
        drill.leads_on = self._lead_on
        self._hub = hub
        self._sessions = sessions
        self._leave_out = leave_out
        self._part: Part = PARTS[0]
        self._shown = False
        self._full_only = asked.full_only
        self._first_aim = asked.aim
        # By name; of those who swing later they are looked up.
        self._aims: dict[str | None, str] = {}
        self._ask_aim = ask_aim
        self._asked: dict[str, Future[str]] = {}
        self._seen: dict[str, _Seen] = {}
        self._impacts_s: dict[str | None, float | None] = {}

    def state(self) -> LessonState:
        """How it stands for whoever swings next."""
        counts = {part: [0, 0] for part in PARTS}
        now = self._now()
        mine = [one for one in self._seen.values() if not now or one.player in now]
        for one in mine:
            if one.left_out is None and one.whole and one.kind in ("rehearsal", "strike"):
                counts[one.part][one.kind == "strike"] += 1
        return LessonState(
            part=self._part,
            shown=self._shown,
            full_only=self._full_only,
            counts={part: (a, b) for part, (a, b) in counts.items()},
            part_swings=sum(one.left_out == PART_SWING for one in mine),
            aim=self._aim(now),
        )

    def _now(self) -> list[str | None]:
        """Names of who swings next, one where not each sensor has its own."""
        now = list(dict.fromkeys(session.segment.player for session in self._sessions()))
        if now and not self._aims:
            # The lesson was started for these.
            self._aims = dict.fromkeys(now, "") | {now[0]: self._first_aim}
        return now

    def _aim(self, now: Sequence[str | None]) -> str:
        if not now:
            return self._first_aim
        if len(now) == 1:
            return self._aims.get(now[0], "")
        known = [(name, self._aims.get(name)) for name in now]
        return "; ".join(f"{name or 'Guest'}: {aim}" for name, aim in known if aim)

    def follow(self) -> None:
        """See who swings next, and what that player works on."""
        for name in self._now():
            if name is not None and name not in self._aims and name not in self._asked:
                self._asked[name] = self._ask_aim(name)
        for name in [name for name, aim in self._asked.items() if aim.done()]:
            self._aims[name] = self._asked.pop(name).result()
        if self.state() != self._hub.state.lesson:
            self._tell()

    def begin(self) -> None:
        """Mark where the first part begins: as soon as there is a sample."""
        self._mark()

    def go_to(self, part: str) -> str:
        """From here on another part; the drill runs in its own, and leads on by itself."""
        wanted = next((one for one in PARTS if one == part), None)
        if wanted is None:
            raise LiveError("a lesson has first shots, a drill and last shots")
        if not all(session.status.received for session in self._sessions()):
            raise LiveError("the lesson begins with the sensor's first sample: wait for it")
        if wanted == "drill" and self._hub.state.held:
            raise LiveError("nothing counts now: press Go on first, then begin the drill")
        if wanted == "drill":
            self.drill.begin()
        else:
            self.drill.end()
        if wanted != self._part:
            self._part = wanted
            self._mark()
            self._tell()
        return f"{PART_NAMES[part]}."

    def _lead_on(self) -> None:
        self._hub.say("the drill is over: now the last shots")
        self.go_to("last")

    def _mark(self) -> None:
        for session in self._sessions():
            # Once the recording is closed no part can begin any more.
            with contextlib.suppress(ValueError):
                session.mark(LESSON, part=self._part)

    def _tell(self) -> None:
        self._hub.update(lesson=self.state())

    # -- numbers ---------------------------------------------------------------------------------

    def hidden(self) -> str | None:
        """Say why the numbers of a swing that has just ended aren't shown; None where they are."""
        return HIDDEN if self._part == "first" and not self._shown else None

    def show(self, shown: bool) -> str:
        """Show the numbers of the first shots, or hide them."""
        self._shown = shown
        for key, one in self._seen.items():
            if one.part == "first":
                self._hub.change_swing(key, hidden=None if shown else HIDDEN)
        self._tell()
        return "Numbers shown." if shown else "Numbers hidden."

    # -- full swings -----------------------------------------------------------------------------

    def take(
        self,
        key: str,
        swing: Swing,
        *,
        kind: str,
        mount: str | None,
        own_deg: float | None,
        held: bool,
    ) -> str | None:
        """Take in a swing that has just ended, and say why it doesn't count; None where it does.

        Parameters
        ----------
        key : str
        swing : Swing
        kind : str
        mount : str or None
        own_deg : float or None
            The player's own full turn, where it is known.
        held : bool
            It was made while nothing counts.
        """
        one = _Seen(
            part=self._part,
            found=kind,
            kind=kind,
            recorded=swing.player,
            player=swing.player,
            mount=mount,
            turn_deg=swing.turn_deg,
            own_deg=own_deg,
            whole=swing.backswing_ms is not None and swing.turn_deg is not None,
            follows=self._follows(swing, mount),
            left_out=HELD if held else None,
        )
        if not held and self._full_only and self._is_part(one):
            one.left_out = PART_SWING
        self._seen[key] = one
        return one.left_out

    def taken(self, key: str, swing: Swing) -> None:
        """Write down what was found of a swing, once the taps know it, and of those before."""
        one = self._seen[key]
        self.drill.on_swing(swing, one.left_out if one.left_out == PART_SWING else None)
        if one.left_out == PART_SWING:
            self._leave_out(key, PART_SWING)
        elif one.left_out is None:
            self._again()
        self._tell()

    def end(self) -> None:
        """Nothing is held back any more."""
        self.show(True)

    def _follows(self, swing: Swing, mount: str | None) -> bool:
        before, at = self._impacts_s.get(mount), swing.takeaway_s
        self._impacts_s[mount] = swing.impact_s
        return at is not None and before is not None and 0.0 <= at - before < FOLLOWING_S

    def _is_part(self, one: _Seen) -> bool:
        if one.follows:
            return True
        if one.turn_deg is None:
            return False
        like = (
            other.turn_deg
            for other in self._seen.values()
            if other.player == one.player
            and other.turn_deg is not None
            and other.left_out is None
            and not other.follows
        )
        return one.turn_deg < full_floor(like, mount=one.mount, own_deg=one.own_deg)

    def _again(self) -> None:
        """Leave out, or have count, what is known better now; what the coach said stays."""
        for key, one in self._seen.items():
            if one.by_hand or one.left_out not in (None, PART_SWING):
                continue
            wanted = PART_SWING if self._full_only and self._is_part(one) else None
            if wanted != one.left_out:
                one.left_out = wanted
                self._leave_out(key, wanted)

    def said(self, key: str, left_out: str | None) -> None:
        """Somebody said that a swing counts, or doesn't."""
        one = self._seen.get(key)
        if one is not None and one.left_out != left_out:
            one.left_out, one.by_hand = left_out, True
            self._tell()

    def was(self, key: str, kind: str | None) -> None:
        """Somebody said what a swing was; None: as it was found."""
        one = self._seen.get(key)
        if one is not None:
            one.kind = kind or one.found
            self._tell()

    def moved(self, key: str, whose: Person | None) -> None:
        """Somebody said whose a swing was; None: as it was recorded."""
        one = self._seen.get(key)
        if one is not None:
            one.player = one.recorded if whose is None else whose.name
            self._tell()

    def only_full(self, on: bool) -> str:
        """Have only full swings count, or all."""
        self._full_only = on
        self._again()
        self._tell()
        return "Full swings only: part swings are counted, no more." if on else "All swings count."
