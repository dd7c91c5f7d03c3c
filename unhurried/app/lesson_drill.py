"""The drill of a lesson: with its sounds, in the lesson's one recording."""

from __future__ import annotations

import asyncio
import contextlib
import functools
import logging
import threading
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, TypeVar

from review.error_text import line_of
from review.page.livehub import LiveError
from review.page.requests import SessionRequest
from unhurried.app.errors import describe

if TYPE_CHECKING:
    from analysis.swing.results import Swing
    from review.page.requests import DrillRequest
    from sensor.link.live import LiveBlock
    from sensor.link.status import LinkEvent
    from unhurried.app.drill_run import DrillRun
    from unhurried.app.live import LiveSession


_Done = TypeVar("_Done")

_log = logging.getLogger(__name__)


class LessonDrill:
    """A drill of whoever swings next, as often as the coach begins one.

    All but `pressed` is to be called where the recording is.

    Parameters
    ----------
    make : callable
        Makes a drill of what is asked for, and of how many swings the player has made since the
        library was asked; from any thread. None: the drill's part has no sounds.
    sessions : callable
        Gives what is being recorded.
    known_as : mapping of str to str
        Names and the ids of the players they were picked as.
    runs : callable
        Told of a drill that begins, and (None) that none runs any more.

    Attributes
    ----------
    run : DrillRun or None
        What runs.
    leads_on : callable
        Called when a drill has come to its own end.
    """

    def __init__(
        self,
        make: Callable[[SessionRequest, int], DrillRun] | None,
        sessions: Callable[[], Sequence[LiveSession]],
        known_as: Mapping[str, str],
        runs: Callable[[DrillRun | None], None],
    ) -> None:
        self.run: DrillRun | None = None
        self.leads_on: Callable[[], object] = lambda: None
        self._make, self._sessions, self._known_as, self._runs = make, sessions, known_as, runs
        self._guard = threading.Lock()
        self._ready: DrillRun | None = None
        self._made_for: str | None = None
        self._heard: DrillRun | None = None
        self._tasks: list[asyncio.Task[None]] = []

    # -- its beginning and its end ---------------------------------------------------------------

    def pressed(self, drill: DrillRequest | None, go_to: Callable[[], _Done]) -> _Done:
        """Go to a part of the lesson, with the drill that is to begin there; from any thread.

        The drill is made before: library and sound take their time, and the recording goes on.

        Raises
        ------
        LiveError
            There are several sensors, the player's plan is stopped, no swing is left today ...
        """
        with self._guard:
            try:
                if drill is not None:
                    self._prepare(drill)
                return go_to()
            finally:
                left, self._ready = self._ready, None
                if left is not None:
                    left.close()

    def _prepare(self, drill: DrillRequest) -> None:
        sessions = self._sessions()
        if len(sessions) != 1:
            raise LiveError("a drill has one sensor: start a lesson with one, then the drill")
        session = sessions[0]
        waits = self.run is not None and self.run.drill.state != "unheard"
        if self._make is None or waits or not session.status.received:
            return
        now = session.segment
        self._made_for = now.player
        asked = SessionRequest(
            player=now.player,
            player_id=None if now.player is None else self._known_as.get(now.player, now.player),
            club=now.club,
            mount=session.mount,
            hand=now.handedness,
            drill=drill,
        )
        made = sum(one.player == now.player for one in session.swings)
        try:
            self._ready = self._make(asked, made)
        except Exception as error:
            raise LiveError(line_of(error, describe(error)[0])) from error

    def begin(self) -> None:
        """Begin what was made, in the place of one whose sounds weren't heard.

        Raises
        ------
        LiveError
            Somebody else was said to be next meanwhile.
        """
        run = self._ready
        if run is None:
            return
        session = self._sessions()[0]
        if session.segment.player != self._made_for:
            raise LiveError("somebody else is next now: press Drill again")
        self._ready = None
        self.end()
        self.run = self._heard = run
        self._runs(run)
        run.attach(session)
        # Whatever ends the recording: what came of the drill is marked before it is closed.
        session.before_end = functools.partial(self._closing, run, session.before_end)
        self._tasks = [one for one in self._tasks if not one.done()]
        self._tasks.append(asyncio.ensure_future(self._go_along(run, session.segment.ball)))

    def _closing(self, run: DrillRun, before: Callable[[], None] | None) -> None:
        self._end(run)
        if before is not None:
            before()

    async def _go_along(self, run: DrillRun, ball: bool | None) -> None:
        try:
            await run.until_done()
            by_itself = self.run is run
            self._end(run)
            # Once the recording is closed nothing can begin in it any more.
            with contextlib.suppress(ValueError):
                self._sessions()[0].change(ball=ball, block=None)
            if by_itself:
                self.leads_on()
            await run.let_ring()
        except Exception:
            _log.exception("the drill of a lesson")
            self._end(run)
        finally:
            if self._heard is run:
                self._heard = None
            await asyncio.to_thread(run.close)

    def end(self) -> None:
        """End what runs, with what there is."""
        if self.run is not None:
            self._end(self.run)

    def _end(self, run: DrillRun) -> None:
        if not run.drill.stopped:
            run.end()
        if self.run is run:
            self.run = None
            self._runs(None)

    def fall_silent(self) -> None:
        """Drop all that sounds or waits to, also what still rings of a drill that is over."""
        if self._heard is not None:
            self._heard.fall_silent()

    async def over(self) -> None:
        """Wait until all sound is let go of."""
        self.end()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    # -- what happens ----------------------------------------------------------------------------

    def on_block(self, block: LiveBlock) -> None:
        """Take a packet's samples."""
        self._safely(lambda run: run.on_block(block))

    def on_event(self, event: LinkEvent) -> None:
        """Take what happens to the link."""
        self._safely(lambda run: run.on_event(event))

    def on_swing(self, swing: Swing, why_not: str | None) -> None:
        """Take a swing that has ended; `why_not` says why the lesson only counts it."""
        self._safely(lambda run: run.on_swing(swing, why_not=why_not))

    def _safely(self, work: Callable[[DrillRun], None]) -> None:
        """Do something for the drill; if that fails the recording must not notice."""
        if self.run is None:
            return
        try:
            work(self.run)
        except Exception:
            _log.exception("in the drill of a lesson")
