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
from review.page.calibration_state import CalibrationState
from review.page.livehub import LiveError, LiveHub, Near
from sensor.errors import SensorError
from unhurried.app.errors import describe
from unhurried.app.page_desk import PageDesk
from unhurried.app.shutdown import Shutdown
from words import cautions
from words.battery import battery_words

if TYPE_CHECKING:
    from review.page.requests import OtherSensor, SessionRequest
    from sensor.link.radio import SeenSensor
    from sensor.link.source import Source
    from unhurried.app.drill_run import DrillRun
    from unhurried.app.live import LiveSession
    from unhurried.app.screen import Screen


_log = logging.getLogger(__name__)

LOOK_S: Final = 6.0
"""A look around: sensors advertise a few times a second, and those with little charge less often
(from memory)."""


TRACK_SWINGS: Final = 10
TRACK_REST_S: Final = 15.0
TRACK_HZ: Final = 16_000
"""Of a cue track for a phone: its highest pitch is 1.3 kHz, and so it has 5 MB."""


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
            self._free()
            try:
                work = self._prepare(asked)
            except Exception as error:
                _log.info("could not start: %r", error)
                raise LiveError(line_of(error, describe(error)[0])) from error
            kind = "recording" if asked.drill is None else "drill"
            self._hub.update(phase="starting", kind=kind, swings=(), lesson=None)
            self._thread = threading.Thread(target=work, name="recording")
            self._thread.start()

    def _free(self) -> None:
        """See that nothing runs: one thing has the sensor at a time."""
        calibration = self._hub.calibration
        if calibration is not None and calibration.running:
            raise LiveError("a sensor is being calibrated: wait until that is over, or stop it")
        if self._hub.state.running or (self._thread is not None and self._thread.is_alive()):
            raise LiveError("a recording runs already: stop it first, then start the next")

    def calibrate(self, sensor: str | None, *, simulated: bool) -> None:
        """Begin a calibration; see `review.page.livehub.Starter`."""
        from unhurried.app.page_calibration import PageCalibration

        with self._guard:
            self._free()
            self._ending = Shutdown()
            work = functools.partial(
                PageCalibration(self._hub, self._home, self._ending).run,
                sensor,
                simulated=simulated,
                speed=self._speed,
                seed=next(self._seeds),
            )
            self._hub.calibration = CalibrationState(simulated=simulated)
            self._thread = threading.Thread(target=work, name="calibration")
            self._thread.start()

    def end_calibration(self) -> None:
        """End it with what was done; see `review.page.livehub.Starter`."""
        calibration = self._hub.calibration
        if calibration is not None and calibration.running:
            self._ending.ask()

    def cautions_for(self, player: str | None) -> tuple[str, ...]:
        """Return what a player is to read before a drill; see `review.page.livehub.Starter`."""
        from unhurried.app.drill_checks import cautions_were_shown

        return (cautions.SHORT,) if cautions_were_shown(self._home, player) else self.cautions

    def _prepare(self, asked: SessionRequest) -> Callable[[], None]:
        from unhurried.app.drill_checks import cautions_are_due

        if asked.minded:
            cautions_are_due(self._home, asked.player)
        each: list[SessionRequest | OtherSensor] = [asked]
        if asked.second is not None:
            each.append(asked.second)
        balls = asked.drill is None or asked.drill.has_balls
        sources = [self._source(one, asked.club, balls=balls) for one in each]
        run = None if asked.drill is None else self._drill(asked)
        known = {one.player: one.player_id for one in each if one.player and one.player_id}
        kind = "recording" if run is None else "drill"
        desk = PageDesk(
            self._hub,
            self._home,
            kind,
            run,
            known_as=known,
            apart=asked.second is not None,
            lesson=asked.lesson,
            make_drill=self._lesson_drill,
        )
        sessions = [
            self._session(desk, number, one, source, run, asked.club)
            for number, (one, source) in enumerate(zip(each, sources, strict=True))
        ]
        self._ending = Shutdown()
        return functools.partial(self._work, desk, sessions, run, self._ending)

    def _source(
        self, one: SessionRequest | OtherSensor, club: str | None, *, balls: bool
    ) -> Source:
        from unhurried.app.live import forget_invented, open_source

        source = open_source(
            sensor=one.sensor,
            simulated=one.simulated,
            speed=self._speed,
            seed=next(self._seeds),
            mount=one.mount,
            hand=one.hand,
            player=one.player,
            club=club,
            balls=balls,
        )
        if one.simulated:
            forget_invented(source, player=one.player, hand=one.hand)
        return source

    def _session(
        self,
        desk: PageDesk,
        number: int,
        one: SessionRequest | OtherSensor,
        source: Source,
        run: DrillRun | None,
        club: str | None,
    ) -> LiveSession:
        """Make the recording of one sensor; of two that begin at once each has its own folder."""
        from unhurried.app.home_parts import make_folder
        from unhurried.app.live import LiveSession
        from unhurried.app.new_folder import dated

        drill = run or desk.lesson_drill
        on_swing, on_event = desk.listening(
            number,
            (lambda _swing: None) if run is None else run.on_swing,
            (lambda _event: None) if drill is None else drill.on_event,
        )
        return LiveSession(
            source,
            dated(make_folder(self._home, "recordings"), f"sensor-{number + 1}-" * (number > 0)),
            player=one.player,
            club=club,
            mount=one.mount,
            hand=one.hand,
            on_swing=on_swing,
            on_block=None if drill is None else drill.on_block,
            on_event=on_event,
            home=self._home,
        )

    def _lesson_drill(self, asked: SessionRequest, made: int) -> DrillRun:
        """Make the drill of a lesson, whose form may have been read by somebody else."""
        from unhurried.app.drill_checks import cautions_are_due

        run = self._drill(asked, made)
        if cautions_are_due(self._home, asked.player):
            run.remarks = (*run.remarks, *self.cautions)
        return run

    def _drill(self, asked: SessionRequest, made: int = 0) -> DrillRun:
        """Make a drill; `made` swings of today aren't in the library yet."""
        from unhurried.app.drill_start import ready_drill
        from unhurried.app.settings import load_settings

        ready = ready_drill(self._home, asked, made=made)
        level = float(load_settings(self._home)["tone_level"])
        run, _, why = ready.run(self._home, output=self._output, level=level)
        run.on_terminal = False
        run.say = lambda text: _log.info("%s", text)
        # What would be said at a terminal is shown with what the plan has against it.
        run.remarks = (*ready.remarks, *ready.told)
        if why is not None:
            # Whoever looks at the page is asked: nothing begins that nobody would hear.
            run.drill.no_output = run.drill.plan.check
            _log.info("%s", why)
        return run

    def _work(
        self, desk: PageDesk, sessions: list[LiveSession], run: DrillRun | None, end: Shutdown
    ) -> None:
        """Record; in a thread of its own."""
        from unhurried.app.recording import run_sessions

        failed: Exception | None = None
        try:
            if run is None:
                end.run(run_sessions(sessions, _quiet_screen(), ending=end, page=desk, keys=False))
            else:
                end.run(run.run(sessions[0], ending=end, page=desk))
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

        self._free()
        self._hub.update(looking=True)
        try:
            seen = asyncio.run(scan(LOOK_S))
        except SensorError as error:
            raise LiveError(line_of(error)) from error
        finally:
            self._hub.update(looking=False)
        near: list[Near] = [
            Near(one.name, one.address, one.signal_dbm, self._battery(one), one.profile)
            for one in seen
        ]
        self._hub.update(near=tuple(near))

    def _battery(self, one: SeenSensor) -> str:
        """Say of a sensor that was found how full its battery is, and how long it may last."""
        from unhurried.app.battery_memory import left_as_last_time

        left = left_as_last_time(self._home, one.address, one.battery_percent)
        return battery_words(one.battery_percent, left, as_last_time=True)

    def track(self, backswing_ms: float, player_id: str | None) -> bytes:
        """Make a cue track for a phone; see `review.page.livehub.Starter`."""
        from feedback.cue import render_blocks, track_plan
        from feedback.outputs import wav_bytes
        from unhurried.app.drill_checks import known_player, plan_remarks

        try:
            who = None if player_id is None else known_player(self._home, player_id)
            if who is not None:
                # A plan that is stopped refuses here.
                plan_remarks(self._home, who, None, None, stops_only=True)
            times = [backswing_ms] * TRACK_SWINGS
            plan = track_plan(times, rest_s=TRACK_REST_S, rate_hz=TRACK_HZ)
            return wav_bytes(render_blocks(plan, rate_hz=TRACK_HZ), TRACK_HZ)
        except Exception as error:
            raise LiveError(line_of(error, describe(error)[0])) from error

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
