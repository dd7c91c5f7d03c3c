"""A recording or drill at the disposal of the page: what happens goes out, what is tapped comes in.

A recording never waits for the page. What happens is put into a `LiveHub` in passing; what is
tapped comes in over the recording's own event loop, is marked in the recording first, and written
beside it (``annotations.json``) by another thread. If the page dies, nothing of that is disturbed.
"""

from __future__ import annotations

import asyncio
import collections
import concurrent.futures
import contextlib
import dataclasses
import logging
import secrets
import threading
from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from review.error_text import without_places
from review.page.livehub import (
    HELD,
    MOST_SWINGS,
    LiveError,
    LiveHub,
    LiveSensor,
    LiveSwing,
    Person,
)
from review.page.requests import LessonPart
from unhurried.app.errors import describe
from unhurried.app.lesson_drill import LessonDrill
from unhurried.app.page_taps import Taps
from unhurried.app.page_view import (
    DrillView,
    OwnFigures,
    found_live,
    link_words,
    own_figures,
    people_of,
    recorded,
    sensors_of,
)
from unhurried.app.taking_in import gone, is_gone, mark_simulated, take_in
from words.plain import clock

if TYPE_CHECKING:
    from analysis.swing.results import Swing
    from review.page.requests import LessonRequest, SessionRequest, Tap
    from sensor.link.status import LinkEvent
    from unhurried.app.drill_run import DrillRun
    from unhurried.app.live import LiveSession


_log = logging.getLogger(__name__)

TICK_S: Final = 0.25
"""How often the words on the link are brought up to date: they say seconds."""

ASK_S: Final = 5.0
"""A tap is answered within milliseconds; by then the recording is stuck or over."""

MEASURES: Final = (
    "swing_ms",
    "backswing_ms",
    "downswing_ms",
    "tempo_ratio",
    "turn_deg",
    "peak_rate_dps",
)


class PageDesk:
    """A recording or drill at the disposal of the page.

    Parameters
    ----------
    hub : LiveHub
    home : Path
    kind : {"recording", "drill"}
    run : DrillRun, optional
        Of a drill.
    more_codes : callable, optional
        Shows a code for one more visitor on the terminal.
    known_as : mapping of str to str, optional
        Names and the ids of the players they were picked as.
    to_library : bool
        Whether the library takes it in at its end.
    apart : bool, optional
        Whether each of several sensors has a player of its own. By default where they all sit at
        the same place: one player wears two sensors at two.
    lesson : LessonRequest, optional
        It is a lesson.
    make_drill : callable, optional
        Makes the drill of a lesson; see `LessonDrill`.

    Attributes
    ----------
    taps : Taps
        What was tapped.
    """

    def __init__(
        self,
        hub: LiveHub,
        home: Path,
        kind: str,
        run: DrillRun | None = None,
        *,
        more_codes: Callable[[], None] | None = None,
        known_as: Mapping[str, str] | None = None,
        to_library: bool = True,
        apart: bool | None = None,
        lesson: LessonRequest | None = None,
        make_drill: Callable[[SessionRequest, int], DrillRun] | None = None,
    ) -> None:
        self.hub = hub
        self.home = home
        self.kind = kind
        self.run = run
        self.more_codes = more_codes
        self.to_library = to_library
        self.taps = Taps(hub, home, run, self._plain)
        self.taps.known_as.update(known_as or {})
        self.lesson_drill: LessonDrill | None = None
        if lesson is not None:
            self.lesson_drill = LessonDrill(
                make_drill, lambda: self.sessions, self.taps.known_as, self._drilling
            )
            self.taps.teach(lesson, self.lesson_drill)
        self.taps.changed = self._tick
        self.taps.moved = lambda key, whose: self._safely(self._moved, key, whose)
        self.taps.counted = lambda key, counts: self._safely(self._counted, key, counts)
        self.taps.named = lambda key, kind: self._safely(self._named, key, kind)
        # So that a tap which comes late, for another recording, finds nothing here.
        self._id = secrets.token_hex(4)
        self._labels: dict[int, str] = {}
        self._loop: asyncio.AbstractEventLoop | None = None
        self._guard = threading.RLock()
        self._apart = apart
        # By which of the sessions, from 0.
        self._own: dict[int, OwnFigures] = collections.defaultdict(OwnFigures)
        self._who_was: dict[int, tuple[str | None, str | None, str | None]] = {}
        self._shown: dict[str, tuple[int, Swing, str]] = {}
        self._swings: collections.deque[tuple[str, int, Swing]] = collections.deque(
            maxlen=MOST_SWINGS
        )
        self._drill: DrillView | None = None
        if run is not None:
            self._drilling(run)

    @property
    def sessions(self) -> Sequence[LiveSession]:
        """What is being recorded."""
        return self.taps.sessions

    def _drilling(self, run: DrillRun | None) -> None:
        """From here on a drill runs, or (None) none does any more."""
        self.taps.run, self._drill = run, None
        if run is not None:
            self._drill = view = DrillView(self.hub, run)
            run.watcher = lambda action: self._safely(view.follow, action)
            if self._loop is not None:
                self._say_remarks(run)
        elif self._loop is not None:
            self.hub.update(drill=None)

    def _say_remarks(self, run: DrillRun) -> None:
        for text in run.remarks:
            self.hub.say(text, warning=True)

    # -- what happens ----------------------------------------------------------------------------

    def listening(
        self,
        number: int,
        on_swing: Callable[[Swing], None],
        on_event: Callable[[LinkEvent], None],
        *,
        label: str = "",
    ) -> tuple[Callable[[Swing], None], Callable[[LinkEvent], None]]:
        """Return listeners for a session that tell the page first, and then those given.

        Parameters
        ----------
        number : int
            Which of the sessions, from 0.
        on_swing, on_event : callable
        label : str
            Which sensor, where there are several.
        """
        self._labels[number] = label

        def swing(one: Swing) -> None:
            self._safely(self._on_swing, number, one)
            on_swing(one)

        def event(one: LinkEvent) -> None:
            self._safely(self._on_event, number, one)
            on_event(one)

        return swing, event

    def _safely(self, work: Callable[..., None], *given: Any) -> None:
        """Do something for the page; if that fails the recording must not notice."""
        try:
            work(*given)
        except Exception:
            _log.exception("for the page")

    @contextlib.asynccontextmanager
    async def attending(
        self, sessions: Sequence[LiveSession], end: Callable[[], None]
    ) -> AsyncIterator[None]:
        """Be at the page's disposal while sessions run in this event loop.

        Parameters
        ----------
        sessions : sequence of LiveSession
        end : callable
            Ends them.
        """
        self.taps.sessions, self.taps.end = sessions, end
        places = {session.mount for session in sessions}
        alike = len(places) == 1 if self._apart is None else self._apart
        self.taps.apart = self.run is None and len(sessions) > 1 and alike
        self._loop = asyncio.get_running_loop()
        one = sessions[0]
        self.hub.desk, self.hub.found = self, None
        self.hub.update(
            phase="starting",
            kind=self.kind,
            folder=one.folder.name,
            simulated=False,
            session=None,
            player=one.segment.player,
            club=one.segment.club,
            hand=one.segment.handedness,
            mount=one.mount,
            ball=one.segment.ball,
            link={},
            count=0,
            swings=(),
            drill=None,
            lesson=None if self.taps.lesson is None else self.taps.lesson.state(),
            lines=(),
            undo=None,
            outcome="",
            held=False,
            held_count=0,
            again=0,
            people=(),
            sore=False,
            sensors=self._sensors(),
            kept=(),
        )
        if self.run is not None:
            self._say_remarks(self.run)
        self._find_own_anew()
        self.taps.writer.submit(self._safely, self._find_people)
        ticking = asyncio.ensure_future(self._ticks())
        try:
            yield
        finally:
            ticking.cancel()
            await asyncio.gather(ticking, return_exceptions=True)
            self.taps.over = True
            if self.lesson_drill is not None:
                await self.lesson_drill.over()
            self._safely(self._tick)
            self.hub.update(phase="ending")

    async def _ticks(self) -> None:
        while True:
            self._safely(self._tick)
            await asyncio.sleep(TICK_S)

    def _tick(self) -> None:
        one = next((one for one in self.sessions if one.status.received), self.sessions[0])
        words = link_words(one.status)
        changes: dict[str, Any] = {}
        state = self.hub.state
        if words != state.link:
            changes["link"] = words
        for session in self.sessions:
            if session.status.received and session.held != state.held and not self.taps.over:
                # It came when all was held already.
                session.hold(state.held)
        if (sensors := self._sensors()) != state.sensors:
            changes["sensors"] = sensors
        if state.phase == "starting" and one.status.received:
            info = one.recording.info
            changes |= {
                "phase": "going",
                "mount": one.mount,
                "simulated": info is not None and info.simulated,
            }
            if self.taps.lesson is not None:
                self.taps.lesson.begin()
        if self._drill is not None:
            drill = self._drill.state()
            if drill != state.drill:
                changes["drill"] = drill
        segment = one.segment
        for name, value in (
            ("player", segment.player),
            ("club", segment.club),
            ("hand", segment.handedness),
            ("ball", segment.ball),
        ):
            # Also what was changed on the terminal.
            if getattr(state, name) != value:
                changes[name] = value
        if changes:
            self.hub.update(**changes)
        if not self.taps.over:
            self._find_own_anew()
            if self.taps.lesson is not None:
                self.taps.lesson.follow()

    def _sensors(self) -> tuple[LiveSensor, ...]:
        """Say of each sensor that has its own player how it stands."""
        return sensors_of(self.sessions) if self.taps.apart else ()

    def _on_event(self, number: int, event: LinkEvent) -> None:
        if event.kind != "connecting":
            label = self._label(number)
            text = self._plain(event.text)
            self.hub.say(f"{label}: {text}" if label else text, warning=event.warning)

    def _plain(self, text: str) -> str:
        """Leave out where folders are: that is nobody's business who only looks at the page."""
        for one in self.sessions:
            text = text.replace(str(one.folder), one.folder.name)
        return without_places(text)

    def _label(self, number: int) -> str:
        return f"Sensor {number + 1}" if self.taps.apart else self._labels.get(number, "")

    def _on_swing(self, number: int, swing: Swing) -> None:
        from analysis.evidence.summary import is_held, kind_of
        from review.formatting import swing_digits

        session = self.sessions[number]
        key = f"{self._id}-{number}-{swing.index}"
        held, kind = is_held(swing), kind_of(swing)
        left_out = HELD if held else None
        self.taps.add(key, session, swing, left_out=left_out)
        lesson = self.taps.lesson
        own = self._own[number]
        if lesson is not None:
            left_out = lesson.take(
                key, swing, kind=kind, mount=session.mount, own_deg=own.full_deg, held=held
            )
        counts = left_out is None
        self._swings.append((key, number, swing))
        if self._drill is None and not held:
            self._shown[key] = (number, swing, kind)
        at = next(
            (t for t in (swing.takeaway_s, swing.top_s, swing.impact_s) if t is not None), None
        )
        if counts:
            self.hub.found = found_live(key, session, swing, self.taps.known_as) or self.hub.found
        self.hub.add_swing(
            LiveSwing(
                key=key,
                number=swing.index,
                label=self._label(number),
                sensor=number + 1 if self.taps.apart else 0,
                mount=session.mount,
                kind=kind,
                at=clock(at),
                digits={name: swing_digits(swing, name) for name in MEASURES},
                beside=own.beside(swing, kind) if self._drill is None and counts else {},
                who=", ".join(word for word in (swing.player, swing.club) if word),
                player=swing.player,
                about=any(note.code == "period_unknown" for note in swing.notes),
                hidden=self._hidden(swing.index, key, counts),
                left_out=left_out,
            )
        )
        if self._drill is None and not held and own.add(swing, kind):
            self._say_anew(number)
        if lesson is not None:
            lesson.taken(key, swing)

    def _hidden(self, index: int, key: str, counts: bool) -> str | None:
        """Say why a swing's numbers aren't shown yet."""
        if self._drill is not None:
            return self._drill.hidden(index, key) if counts else None
        return None if self.taps.lesson is None else self.taps.lesson.hidden()

    def _moved(self, key: str, whose: Person | None) -> None:
        """A swing was said to be somebody else's: it is set beside nothing of the first one's."""
        number, swing = next(((n, s) for k, n, s in self._swings if k == key), (0, None))
        if swing is None:
            return
        name = swing.player if whose is None else whose.name
        mine = name == swing.player
        kind = self._shown[key][2] if key in self._shown else None
        own = self._own[number]
        beside = own.beside(swing, kind) if mine and kind is not None else {}
        who = ", ".join(word for word in (name, swing.club) if word)
        self.hub.change_swing(key, who=who, player=name, beside=beside)
        own.count(swing, mine)
        found = self.hub.found
        if found is not None and found.key == key:
            player = None if name is None else self.taps.known_as.get(name, name)
            self.hub.found = dataclasses.replace(found, player=player)

    def _counted(self, key: str, counts: bool) -> None:
        """A swing was left out, or counts again: so it does in the range of today."""
        if key in self._shown:
            number, swing, _ = self._shown[key]
            self._own[number].count(swing, counts)
            self._say_anew(number)

    def _named(self, key: str, kind: str | None) -> None:
        """Somebody said what a swing was: so it is set beside, and in the range of today."""
        if key in self._shown:
            number, swing, _ = self._shown[key]
            now = self._own[number].now(swing, kind)
            self._shown[key] = number, swing, now
            self.hub.change_swing(key, beside=self._own[number].beside(swing, now))
            self._say_anew(number)

    def _say_anew(self, number: int) -> None:
        """Say of every shot shown of a session where it lies in the range that holds now."""
        for key, (of, swing, kind) in list(self._shown.items())[-MOST_SWINGS:]:
            if kind == "strike" and of == number:
                self.hub.change_swing(key, beside=self._own[number].beside(swing, kind))

    # -- the player's own ------------------------------------------------------------------------

    def _add_person(self, name: str, hand: str | None) -> None:
        """Have somebody whose name was typed among those who may swing next."""
        people = self.hub.state.people
        if self.run is None and all(one.name != name for one in people):
            new = Person(key=f"new-{len(people)}", name=name, hand=hand)
            self.hub.update(people=(new, *people))

    def _find_people(self) -> None:
        """Look up who may swing next, in a thread."""
        if self.run is None:
            self.hub.update(people=people_of(self.home))
            for session in self.sessions:
                if session.segment.player is not None:
                    self._add_person(session.segment.player, session.segment.handedness)

    def _who(self, number: int) -> tuple[str | None, str | None, str | None]:
        one = self.sessions[number]
        return one.segment.player, one.segment.club, one.mount

    def _find_own_anew(self) -> None:
        """Look up a player's own figures where somebody else swings, or with another club.

        In a thread: the library may take its time.
        """
        if self.run is not None:
            return
        for number in range(len(self.sessions)):
            who = player, club, mount = self._who(number)
            before = self._who_was.get(number)
            if who == before:
                continue
            self._who_was[number] = who
            self._own[number] = OwnFigures()
            self._shown = {k: one for k, one in self._shown.items() if one[0] != number}
            if player is not None and mount is not None:
                self.taps.writer.submit(self._safely, self._look_up, number, (player, club, mount))
            if before is not None and player not in (None, before[0]):
                self._add_person(str(player), self.sessions[number].segment.handedness)

    def _look_up(self, number: int, who: tuple[str, str | None, str | None]) -> None:
        own = own_figures(self.home, who, self.taps.known_as)
        if who == self._who(number):
            own.follow(self._own[number])
            self._own[number] = own
            self._say_anew(number)

    # -- what is asked ---------------------------------------------------------------------------

    def ask(self, tap: Tap, key: str = "") -> str:
        """Do what was tapped on the page; see `review.page.livehub.Desk`."""
        if self.lesson_drill is not None and isinstance(tap, LessonPart):
            done = self.lesson_drill.pressed(tap.drill, lambda: self._in_loop(tap, key))
        else:
            done = self._in_loop(tap, key)
        if isinstance(done, LiveError):
            raise done
        return done

    def _in_loop(self, tap: Tap, key: str) -> str | LiveError:
        """Do it where the recording is, so that nothing there happens at the same time."""
        loop = self._loop
        if loop is None or self.taps.over:
            return self._try(tap, key)
        answer: concurrent.futures.Future[str | LiveError] = concurrent.futures.Future()

        def work() -> None:
            if answer.set_running_or_notify_cancel():
                answer.set_result(self._try(tap, key))

        try:
            loop.call_soon_threadsafe(work)
        except RuntimeError:
            return self._try(tap, key)
        try:
            return answer.result(ASK_S)
        except TimeoutError:
            if answer.cancel():
                if self.taps.over:
                    return self._try(tap, key)
                return LiveError("the recording doesn't answer: it may just have ended; try again")
            return answer.result()

    def _try(self, tap: Tap, key: str) -> str | LiveError:
        """Do it; what can't be done is given back as the error."""
        try:
            with self._guard:
                return self.taps.do(tap, key)
        except LiveError as error:
            return error
        except Exception as error:
            _log.exception("asked from the page: %s", type(tap).__name__)
            return LiveError(f"not done: {self._plain(describe(error)[0])}")

    # -- afterwards ------------------------------------------------------------------------------

    @property
    def kept(self) -> list[str]:
        """Ids of what the library has taken in."""
        return list(self.taps.kept_ids)

    def keep(self, error: Exception | None = None, *, stays: bool = True) -> None:
        """Take what was recorded into the library, and say on the page what it came to.

        Parameters
        ----------
        error : Exception, optional
            Why it ended, if it wasn't wanted.
        stays : bool
            Whether the page is there afterwards.
        """
        self.hub.update(stays=stays)
        self.taps.writer.submit(lambda: None).result()
        if self.taps.lesson is not None:
            self.taps.lesson.end()
        why = "" if error is None else self._plain(describe(error)[0])
        there = [one for one in self.sessions if one.status.received]
        if not there:
            outcome = why or "nothing was recorded: no sample came from the sensor"
            self.hub.update(phase="failed", outcome=outcome)
            return
        each = [(self._label(self.sessions.index(one)), self._take_in(one)) for one in there]
        named = [(label, taken) for label, taken in each if taken is not None]
        first, kept = there[0], self.taps.kept_ids
        words = recorded(first)
        if self.taps.apart:
            words = "; ".join(
                f"{label}: {recorded(one)}" for (label, _), one in zip(each, there, strict=True)
            )
        if self.run is not None and self.run.drill.ended_for is not None:
            words = f"{words}, {self.run.drill.ended_for}"
        if error is not None:
            words = why if is_gone(first) else f"{why} (kept and safe: {words})"
        self.hub.update(
            phase="kept" if error is None else "failed",
            session=kept[0] if kept else None,
            kept=tuple(named),
            outcome=words,
        )
        self.taps.films.lay_all()

    def _take_in(self, one: LiveSession) -> str | None:
        """Take one into the library, and return its id there; None where it isn't."""
        if is_gone(one):
            self.hub.say(self._plain(gone(one)), warning=True)
            return None
        if not self.to_library:
            return None
        try:
            info = one.recording.info
            if info is not None and info.simulated:
                mark_simulated(one.folder)
            taken = take_in(self.home, one.folder, self.taps.known_as)
            assert taken is not None
            self.taps.kept_ids.append(taken)
            return taken
        except Exception as trouble:
            _log.exception("into the library")
            line = self._plain(describe(trouble)[0])
            self.hub.say(
                f"the recording {one.folder.name} is safe, but not in the library yet: {line}",
                warning=True,
            )
            return None
