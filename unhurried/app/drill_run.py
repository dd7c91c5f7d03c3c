"""A drill while it runs: a sensor's turn and swings in, sounds, figures and marks out."""

from __future__ import annotations

import asyncio
import contextlib
import sys
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any, Final

# With the module and not when they are first needed: while a drill sounds, reading the live turn's
# tables would keep the interpreter from the sound for some tenths of a second.
from analysis.swing.live_turn import LiveTurn
from feedback.digits import big, screen
from feedback.stillness import Stillness
from unhurried.app.errors import show
from unhurried.app.shutdown import Shutdown
from unhurried.app.terminal import _ink, _size, _upwards
from words.glossary import MEMBERS
from words.sound import FIX

if TYPE_CHECKING:
    from analysis.swing.live_params import TurnEvent
    from analysis.swing.live_score import Seen
    from analysis.swing.results import Swing
    from feedback.drill import Drill
    from feedback.drill_actions import Action
    from feedback.outputs import Output
    from sensor.link.live import LiveBlock
    from sensor.link.status import LinkEvent
    from sensor.recording.timebase import LiveTimeBase
    from unhurried.app.live import LiveSession
    from unhurried.app.recording import Watcher

KEYS: Final = "keys: 1 rushed, 2 in time, 3 slow, space to go on, q to end (Ctrl-C too)"
CHECK_KEYS: Final = "first the sound: y heard it, n no sound, then g to go on without"
LEFT_ROWS: Final = 3
"""Lines of the terminal that stay for words under the large digits."""
TICK_S: Final = 0.02
RING_S: Final = 2.0
"""Longer than any pattern of tones."""
SENSOR_DELAY_S: Final = 0.020
"""From a sample to its arrival: about a connection interval of 15 to 30 ms (from memory)."""
LEAST_DELAY_S: Final = 0.005
"""The same where it didn't wait for its turn, as on the line below the arrivals: radio and system
alone (from memory)."""


class DrillRun:
    """Bring samples to the drill, and what the drill wants to ear, eye and recording.

    Parameters
    ----------
    drill : Drill
    sound : Output
        Started; taken over, see `close`.
    mount, hand : str, optional
    ball : bool, optional
        In silent blocks.
    """

    def __init__(
        self,
        drill: Drill,
        sound: Output,
        *,
        mount: str | None = None,
        hand: str | None = None,
        ball: bool | None = None,
    ) -> None:
        from feedback.patterns import Sounds
        from feedback.stage import Stage

        self.drill = drill
        self.sound = sound
        self.live: LiveTurn | None = None
        self.say: Callable[[str], None] = show
        self.watcher: Callable[[Action], None] | None = None
        self.on_terminal = True
        self.remarks: tuple[str, ...] = ()
        """What the plan has against it, for whoever shows the drill."""
        self._sounds = Sounds(sound.rate_hz)
        self._stage = Stage(sound, self._sounds)
        drill.audible = not sound.silent
        self._mount, self._hand, self._ball = mount, hand, ball
        self._session: LiveSession | None = None
        self._before: Swing | None = None
        self._stillness: Stillness | None = None
        self._stop: asyncio.Event | None = None
        self._who: tuple[str | None, ...] | None = None
        self._underflows = 0
        self._interruptions = 0
        self._in_block = 0
        self._swung_in: tuple[int, str] = (0, "")
        self._struck_in = 0
        self._keys_there = False
        self._by_user = False
        self._large_there = False
        self._more_codes: Callable[[], None] | None = None

    async def run(
        self, session: LiveSession, *, ending: Shutdown, page: Watcher | None = None
    ) -> bool:
        """Drill until it is done, or `ending` is asked for; True if somebody ended it before."""
        from unhurried.app.keys import reading_keys

        self._session = session
        self._more_codes = None if page is None else page.more_codes
        self._stop = stop = asyncio.Event()
        no_page = contextlib.nullcontext()
        attending = no_page if page is None else page.attending([session], self.end)
        listening = reading_keys(self._key) if self.on_terminal else contextlib.nullcontext(False)
        with ending.setting(stop):
            async with attending, listening as there:
                self._keys_there = there
                ticking = asyncio.ensure_future(self._ticks())
                writing = asyncio.ensure_future(self._end_in_time(stop))
                try:
                    await session.run(stop)
                finally:
                    for task in (ticking, writing):
                        task.cancel()
                    await asyncio.gather(ticking, writing, return_exceptions=True)
                if not self._by_user:
                    await self.let_ring()
        return self._by_user

    def attach(self, session: LiveSession) -> None:
        """Go along with a recording that runs already, from its next samples on."""
        self._session = session
        self._stop = asyncio.Event()

    async def until_done(self) -> None:
        """Wait until the drill is done, and look after it; the recording goes on."""
        assert self._stop is not None
        ticking = asyncio.ensure_future(self._ticks())
        try:
            await self._stop.wait()
        finally:
            ticking.cancel()
            await asyncio.gather(ticking, return_exceptions=True)

    @property
    def clock(self) -> LiveTimeBase | None:
        """The sensor's samples on the host's clock; None before the first."""
        return None if self._session is None else self._session.time_base

    def say_keys(self) -> None:
        """Say which keys there are, where there are any."""
        if self._keys_there:
            more = "" if self._more_codes is None else ", v a code for another phone"
            self.say(f"{KEYS}{more}")
            if self.drill.plan.check and self.drill.audible:
                self.say(CHECK_KEYS)

    async def let_ring(self) -> None:
        """Let the tones of the last swing be heard."""
        end = self._now_s() + RING_S
        while self.sound.mixer.waiting and not self.sound.lost and self._now_s() < end:
            self.sound.frame_now()
            await asyncio.sleep(TICK_S)
        if not self.sound.silent:
            await asyncio.sleep(min(0.5, 0.05 + self.sound.delay_s))

    async def _end_in_time(self, stop: asyncio.Event) -> None:
        """Write the outcome down while the recording is still open."""
        await stop.wait()
        if self.drill.state != "done":
            self._by_user = True
            self._do(self.drill.stop())

    async def _ticks(self) -> None:
        while True:
            await asyncio.sleep(TICK_S)
            self._look_after_sound()
            self._do(self.drill.tick(self._now_s()))

    def _now_s(self) -> float:
        return asyncio.get_running_loop().time()

    def close(self) -> None:
        """Let go of the sound output; never hangs."""
        self.sound.close()

    # -- what happens ----------------------------------------------------------------------------

    def on_block(self, block: LiveBlock) -> None:
        """Take a packet's samples: the tone for the turn comes from here."""
        if self.live is None:
            self._begin()
        live = self.live
        assert live is not None
        if self._session is not None:
            one = self._session.segment
            who = (one.player, one.club, one.handedness)
            if self._who not in (None, who):
                live.new_hands()
            self._who = who
        if self._stillness is not None:
            self.drill.club(self._stillness.feed(block.seq, block.gyr_dps), self._now_s())
        for event in live.feed(block.seq, block.acc_m_s2, block.gyr_dps):
            self._on_turn(event)
        self._do(self.drill.turning(live.turn_deg, self._now_s()))

    def _begin(self) -> None:
        session = self._session
        assert session is not None
        facts = session.session
        assert facts is not None
        self.live = LiveTurn(
            rate_hz=facts.nominal_rate_hz,
            mount=facts.mount or self._mount,
            handedness=facts.handedness or self._hand,
        )
        self._stillness = Stillness(facts.nominal_rate_hz)
        self._set_target()
        self._do(self.drill.begin(self._now_s()))

    def _set_target(self) -> None:
        """Tell the live turn what is full, and how far ahead to speak."""
        from analysis.swing.live_params import TurnTarget

        r, session = self.drill.reference, self._session
        if self.live is None or r.full_turn_deg is None or session is None:
            return
        # The live turn runs on the nominal rate; a sensor's clock is off by a per cent or so.
        stretch = 1.0 if self.clock is None else self.clock.stretch
        # No sound says past full of a range that nobody set or approved.
        upper = r.upper_turn_deg if r.full_end else None
        self.live.target = TurnTarget(
            full_turn_deg=r.full_turn_deg / stretch,
            share=r.share,
            upper_turn_deg=None if upper is None else upper / stretch,
            lead_s=SENSOR_DELAY_S + self._chip_s() + self.sound.delay_s,
        )

    def _chip_s(self) -> float:
        """Delay of the gyroscope's own filter."""
        facts = None if self._session is None else self._session.session
        return 0.0 if facts is None else facts.gyr_delay_s

    def _on_turn(self, event: TurnEvent) -> None:
        if event.kind == "takeaway":
            # By now the sensor's clock may be better known.
            self._set_target()
        self._do(
            self.drill.turn(
                event.kind,
                self._now_s(),
                seq=event.seq,
                takeaway_seq=event.takeaway_seq,
                turn_deg=event.turn_deg,
                likely=event.likely,
            )
        )

    def on_swing(self, swing: Swing, *, why_not: str | None = None) -> None:
        """Take a swing that has ended; `why_not` says why it is only counted."""
        from analysis.evidence.summary import following, is_held
        from analysis.swing.recognise import SURE_P

        seen: Seen | None = None
        held = is_held(swing)
        before, self._before = self._before, swing
        follows = before is not None and swing.index in following((before, swing))
        if self.live is not None and swing.turn_deg is not None:
            sure = swing.swing_p is None or swing.swing_p >= SURE_P
            sure = sure and not (held or follows or why_not)
            seen = self.live.learn(swing.turn_deg, sure=sure)
            self._set_target()
        if held:
            self._do(self.drill.held_swing(swing.index))
            return
        self._stop_cue("the swing was over")
        if follows or why_not:
            self._do(self.drill.only_counted(swing.index, self._now_s(), why_not))
            return
        found = None if self._session is None else self._session.last_found
        rate = 0.0 if self.clock is None else 1.0 / self.clock.period_s
        self._do(
            self.drill.swing(
                swing,
                self._now_s(),
                takeaway_seq=None if seen is None else seen.takeaway_seq - self._chip_s() * rate,
                rate_hz=rate,
                finish_seq=None if found is None else found.finish_seq,
            )
        )
        self._look_at_strike(swing)

    def _look_at_strike(self, swing: Swing) -> None:
        """Say once a block that something was hit where there should be no ball."""
        number, kind = self._swung_in
        if kind != "rehearsal" or not swing.strike or self._struck_in == number:
            return
        self._struck_in = number
        self.say(
            "! that met something, in practice swings without a ball: it still counts as one "
            "(for balls end with q, and give --block ball)"
        )

    def on_event(self, event: LinkEvent) -> None:
        """Take what happens to the link."""
        if event.kind == "ended":
            self._do(self.drill.stop())
        elif event.kind in ("lost", "silent", "slept"):
            self._do(self.drill.link(True, self._now_s()))
        elif event.kind == "back":
            self._do(self.drill.link(False, self._now_s()))
        if event.kind != "connecting":
            self.say(("! " if event.warning else "") + event.text)

    def _key(self, character: str) -> None:
        if character in "qQ" and character:
            self.end()
        elif character == "v" and self._more_codes is not None:
            self._more_codes()
        else:
            self.press(character)

    def end(self) -> None:
        """End the drill now, with what there is."""
        self._do(self.drill.stop())

    def hold(self, held: bool) -> None:
        """From here on nothing counts and nothing sounds, or all does again."""
        self._do(self.drill.hold(held, self._now_s()))

    def leave_out(self, index: int) -> None:
        """Have a swing that was judged not count."""
        self._do(self.drill.leave_out(index, self._now_s()))

    def count_again(self, index: int) -> None:
        """Have a swing count that was left out."""
        self._do(self.drill.count_again(index, self._now_s()))

    def fall_silent(self) -> None:
        """Drop all that sounds or waits to."""
        self._stage.silence("stopped")
        self._settle_beats()

    def press(self, character: str, *, mark: bool = True) -> None:
        """Take a key: a feel, or space to go on.

        Parameters
        ----------
        character : str
        mark : bool
            Whether a feel is marked; False where that is done elsewhere.
        """
        from feedback.drill_actions import Mark

        for action in self.drill.key(character, self._now_s()):
            if not mark and isinstance(action, Mark) and action.kind == "felt":
                # What was called before the numbers is the drill's all the same.
                self._do([Mark("felt_called", action.fields)])
            else:
                self._do([action])

    def heard(self, word: str) -> None:
        """Say whether the sounds are heard; see `review.page.requests.Heard`."""
        now_s = self._now_s()
        if word == "without":
            self._do(self.drill.without_sound(now_s))
        else:
            self._do(self.drill.heard(word == "heard", now_s))

    # -- what the drill wants --------------------------------------------------------------------

    def _do(self, actions: Sequence[Action]) -> None:
        from feedback import drill_actions as d

        for action in actions:
            if self.watcher is not None:
                self.watcher(action)
            match action:
                case d.Play():
                    self._stage.play(action.name, action.time, action.turn)
                case d.PlayCue():
                    self._play_cue(action)
                case d.StopCue():
                    self._stop_cue(action.why, unless_gliding=action.unless_gliding)
                case d.StopTones():
                    self._stage.stop_after()
                case d.Silence():
                    self._stage.silence("held")
                case d.Mark():
                    self._mark(action.kind, action.fields)
                case d.Mute():
                    self._mute()
                case d.Ask():
                    self._clear()
                    self.say(action.text)
                case d.Line():
                    self.say(action.text)
                case d.Show():
                    self._show(action)
                case d.Clear():
                    self._clear()
                case d.SetTurn():
                    self._set_target()
                case d.Done():
                    self._settle_beats()
                    if self._stop is not None:
                        self._stop.set()

    def _play_cue(self, action: Any) -> None:
        """Lay the cue out; its beats as heard are kept for the swing."""
        from feedback.cue import Cue

        self._settle_beats()
        gone_s = None
        if action.takeaway_seq is not None:
            began_ns = (
                None if self.clock is None else self.clock.arrival_of_seq(action.takeaway_seq)
            )
            if began_ns is None:
                return
            # What is played now is heard so long after the player's own takeaway.
            heard_ns = self.sound.heard_ns(max(self.sound.mixer.frame, self.sound.frame_now()))
            gone_s = (heard_ns - began_ns) * 1e-9 + LEAST_DELAY_S + self._chip_s()
        cue = Cue(action.backswing_ms, self.sound.rate_hz, ready=gone_s is None, top=action.top)
        self._stage.cue(cue, gone_s=gone_s)

    def _stop_cue(self, why: str, *, unless_gliding: bool = False) -> None:
        if self._stage.stop_cue(why, unless_gliding=unless_gliding):
            self._settle_beats()

    def _settle_beats(self) -> None:
        """Say at which samples the last cue's beats were heard, now that those have arrived."""
        clock, beats = self.clock, self._stage.beats()
        if not beats or clock is None or self._session is None:
            return
        delay_ns = round(LEAST_DELAY_S * 1e9)
        at = {one.name: clock.seq_at_arrival(one.heard_ns + delay_ns) for one in beats}
        not_heard = {one.name: one.why_not for one in beats if one.why_not is not None}
        self._mark(
            "beats",
            {
                **{f"{n}_seq": None if s is None else round(s, 2) for n, s in at.items()},
                "output": self.sound.name,
                "output_delay_ms": round(1e3 * self.sound.delay_s, 1),
                "heard": not not_heard,
                "not_heard": not_heard,
            },
        )
        self.drill.cue_played(at.get("takeaway"), at.get("top"), not_heard)

    def _feel(self, session: LiveSession, fields: dict[str, Any]) -> None:
        """Mark how the last swing felt, and say so."""
        late = {"after_numbers": True} if fields.get("after_numbers") else {}
        swing = session.feel(fields["felt"].replace(" ", "-"), **late)
        if swing is not None:
            after = ", said after its numbers" if late else ""
            self.say(f"swing {swing.index} felt {fields['felt']}{after}")

    def _mark(self, kind: str, fields: dict[str, Any]) -> None:
        if kind == "drill_outcome":
            # The last word: what is still to be said of a cue comes before it.
            self._settle_beats()
        if kind == "drill_swing":
            self._swung_in = (fields["block"], fields["block_kind"])
        session = self._session
        if session is None:
            return
        try:
            if kind == "felt":
                self._feel(session, fields)
                return
            if kind == "block":
                from analysis.evidence.blocks import CUED, SOUNDS

                self._clear()
                kind_of = fields["block_kind"]
                ball = fields["ball"]
                if ball is None:
                    ball = self._ball
                sound = fields["sound"] if kind_of in CUED else None
                alone = f"{sound} " if sound in SOUNDS else ""
                session.change(ball=ball, block=f"{alone}{kind_of}")
            session.mark(kind, **fields)
        except ValueError:
            # The recording has just been closed.
            return
        if kind == "block_outcome":
            self._say_interruptions()

    def _show(self, action: Any) -> None:
        """Show a swing in large digits, and nothing of the one before."""
        if not self.on_terminal:
            return
        ink = _ink()
        facts = None if self._session is None else self._session.session
        mount = self._mount if facts is None else facts.mount
        member = MEMBERS.get(mount or "", "sensor's")
        width, rows = _size(sys.stderr)
        height = rows - 1 - LEFT_ROWS if rows else None
        lines = screen(action.judged, ink=ink, width=width, height=height)
        head = f"swing {action.done} of {action.of}, {member} turn"
        up = _upwards(rows) or "\n"
        print(up + "\n".join([head, *(line.rstrip() for line in lines)]), file=sys.stderr)
        sys.stderr.flush()
        self._large_there = True

    def _clear(self) -> None:
        """Leave no figures of a swing on the screen; where none are told SILENT stands there."""
        rows = _size(sys.stderr)[1]
        if not self.on_terminal or not rows:
            return
        # Before the first of them there is nothing to hide, and the cautions stay.
        up = _upwards(rows) if self._large_there else ""
        self._large_there = self.drill.quiet
        lines = [line.rstrip() for line in big("SILENT", ink=_ink())] if self.drill.quiet else []
        print(up + "".join(f"{line}\n" for line in lines), end="", file=sys.stderr)
        sys.stderr.flush()

    # -- the sound output ------------------------------------------------------------------------

    def _look_after_sound(self) -> None:
        sound = self.sound
        sound.frame_now()
        self._stage.look()
        if sound.underflows != self._underflows:
            more = sound.underflows - self._underflows
            self._underflows = sound.underflows
            self._do(self.drill.sound_interrupted(sound.underflows))
            if not self._interruptions:
                self.say(
                    "! the sound was interrupted: what was heard then was late (drill marked); "
                    "from here on it is only counted"
                )
            self._interruptions += more
            self._in_block += more
        if sound.lost:
            self._go_silent()

    def _say_interruptions(self) -> None:
        """At a block's end: how often the sound was interrupted, beyond the first time."""
        times, self._in_block = self._in_block, 0
        if times > 1:
            self.say(
                f"! the sound was interrupted {times} times in this block: some of what was heard "
                "was late, or not heard (close other programs)"
            )

    def _go_silent(self) -> None:
        """The device is gone: the drill goes on, for the eye only."""
        from feedback.drill_actions import Line

        name, underflows = self.sound.name, self.sound.underflows
        # Also on the page: whoever looks there hears nothing of it.
        text = f"! {name}: the sound output is gone"
        if self.drill.state not in ("checking", "unheard"):
            text += f"; the drill goes on without sound. {FIX}"
        self._do([Line(text)])
        self._stop_cue("the sound output has gone")
        self._without_output()
        self._do(self.drill.sound_interrupted(underflows, lost=True))

    def _mute(self) -> None:
        """Nobody hears it: the drill goes on, for the eye only."""
        self.say("going on without sound: the screen tells all")
        self._stage.silence("without sound")
        self._settle_beats()
        self._without_output()

    def _without_output(self) -> None:
        from feedback.outputs import SilentOutput
        from feedback.stage import Stage

        before = self.sound
        self.sound = SilentOutput(rate_hz=before.rate_hz)
        self.sound.start()
        self._stage = Stage(self.sound, self._sounds)
        self.drill.audible = False
        self._underflows = 0
        before.close()
