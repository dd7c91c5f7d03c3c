"""Recordings and drills that are started from the page, in threads of this process."""

from __future__ import annotations

import asyncio
import functools
import itertools
import logging
import secrets
import threading
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Final

from review.error_text import line_of
from review.page.livehub import LiveError, LiveHub, Near
from sensor.errors import SensorError
from unhurried.app.errors import describe
from unhurried.app.page_desk import PageDesk
from unhurried.app.shutdown import Shutdown
from words import cautions

if TYPE_CHECKING:
    from review.page.requests import SessionRequest
    from unhurried.app.drill_run import DrillRun
    from unhurried.app.live import LiveSession
    from unhurried.app.screen import Screen


_log = logging.getLogger(__name__)

LOOK_S: Final = 6.0
"""A look around: sensors advertise a few times a second, and those with little charge less often
(from memory)."""


class PageStarter:
    """Start recordings and drills from the page, in threads of this process.

    They run by the same code as ``unhurried record`` and ``unhurried drill``, each in an event loop
    of its own, and go on whatever becomes of the page.

    Parameters
    ----------
    hub : LiveHub
    home : Path
    speed : float
        Of simulated sensors.
    output : str, optional
        Where a drill's sound goes; the system's output by default.
    seed : int, optional
        Of the first simulated sensor, the next ones count up from it; by default each has one that
        nobody knows before.
    """

    def __init__(
        self,
        hub: LiveHub,
        home: Path,
        *,
        speed: float = 1.0,
        output: str | None = None,
        seed: int | None = None,
    ) -> None:

        self.cautions: tuple[str, ...] = cautions.DRILL
        self._hub = hub
        self._home = home
        self._speed = speed
        self._output = output
        # Another player each time, but for whoever gives the same number twice.
        self._seeds = (
            itertools.count(seed)
            if seed is not None
            else iter(functools.partial(secrets.randbelow, 100_000), None)
        )
        self._guard = threading.Lock()
        self._thread: threading.Thread | None = None
        self._ending = Shutdown()

    def start(self, asked: SessionRequest) -> None:
        """Start what is asked for; see `review.page.livehub.Starter`."""
        with self._guard:
            if self._hub.state.running or (self._thread is not None and self._thread.is_alive()):
                raise LiveError("a recording runs already: stop it first, then start the next")
            try:
                work = self._prepare(asked)
            except Exception as error:
                _log.info("could not start: %r", error)
                raise LiveError(line_of(error, describe(error)[0])) from error
            kind = "recording" if asked.drill is None else "drill"
            self._hub.update(phase="starting", kind=kind, swings=())
            self._thread = threading.Thread(target=work, name="recording")
            self._thread.start()

    def _prepare(self, asked: SessionRequest) -> Callable[[], None]:
        from unhurried.app.home_parts import make_folder
        from unhurried.app.live import LiveSession, forget_invented, open_source
        from unhurried.app.new_folder import dated

        source = open_source(
            sensor=asked.sensor,
            simulated=asked.simulated,
            speed=self._speed,
            seed=next(self._seeds),
            mount=asked.mount,
            hand=asked.hand,
            player=asked.player,
            club=asked.club,
            balls=asked.drill is None or asked.drill.has_balls,
        )
        if asked.simulated and asked.player is None:
            forget_invented(source)
        run = None if asked.drill is None else self._drill(asked)
        known = {asked.player: asked.player_id} if asked.player and asked.player_id else {}
        kind = "recording" if run is None else "drill"
        desk = PageDesk(self._hub, self._home, kind, run, known_as=known)
        on_swing, on_event = desk.listening(
            0,
            (lambda _swing: None) if run is None else run.on_swing,
            (lambda _event: None) if run is None else run.on_event,
        )
        session = LiveSession(
            source,
            dated(make_folder(self._home, "recordings")),
            player=asked.player,
            club=asked.club,
            mount=asked.mount,
            hand=asked.hand,
            on_swing=on_swing,
            on_block=None if run is None else run.on_block,
            on_event=on_event,
            home=self._home,
        )
        self._ending = Shutdown()
        return functools.partial(self._work, desk, session, run, self._ending)

    def _drill(self, asked: SessionRequest) -> DrillRun:
        from unhurried.app.drill_start import ready_drill
        from unhurried.app.settings import load_settings

        ready = ready_drill(self._home, asked)
        level = float(load_settings(self._home)["tone_level"])
        run, _, why = ready.run(self._home, output=self._output, level=level)
        run.on_terminal = False
        run.say = lambda text: _log.info("%s", text)
        # What would be said at a terminal is shown with what the plan has against it.
        run.remarks = (*ready.remarks, *ready.told)
        if why is not None:
            _log.info("%s", why)
        return run

    def _work(
        self, desk: PageDesk, session: LiveSession, run: DrillRun | None, end: Shutdown
    ) -> None:
        """Record; in a thread of its own."""
        from unhurried.app.recording import run_sessions

        failed: Exception | None = None
        try:
            if run is None:
                end.run(run_sessions([session], _quiet_screen(), ending=end, page=desk, keys=False))
            else:
                end.run(run.run(session, ending=end, page=desk))
        except Exception as error:
            _log.warning("the recording ended: %s", describe(error)[0])
            failed = error
        finally:
            if run is not None:
                run.close()
            try:
                desk.keep(failed)
            except Exception as error:
                _log.exception("after the recording")
                self._hub.update(phase="failed", outcome=line_of(error, describe(error)[0]))

    def look(self) -> None:
        """Look for sensors; see `review.page.livehub.Starter`."""
        from sensor.link.radio import scan

        if self._hub.state.running:
            raise LiveError("a recording runs: stop it first, then look for sensors")
        self._hub.update(looking=True)
        try:
            seen = asyncio.run(scan(LOOK_S))
        except SensorError as error:
            raise LiveError(line_of(error)) from error
        finally:
            self._hub.update(looking=False)
        near: list[Near] = [
            Near(one.name, one.address, one.signal_dbm, one.battery_percent, one.profile)
            for one in seen
        ]
        self._hub.update(near=tuple(near))

    def close(self) -> None:
        """End what runs, cleanly, and wait until it is kept: that comes to an end by itself, since
        a sensor that doesn't answer is let go of.
        """
        with self._guard:
            self._ending.ask()
            thread = self._thread
        # In slices: a wait without end can't be interrupted everywhere.
        while thread is not None and thread.is_alive():
            thread.join(0.5)


def _quiet_screen() -> Screen:
    from unhurried.app.screen import Screen

    class Quiet(Screen):
        """Nobody looks at the terminal: what is said goes into the log."""

        def data(self, text: str) -> None:
            _log.debug("%s", text)

        def message(self, text: str) -> None:
            _log.debug("%s", text)

        def plain(self, text: str) -> None:
            _log.debug("%s", text)

        def status(self, text: str) -> None:
            del text

    return Quiet()
