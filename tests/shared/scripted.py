"""A simulated sensor that plays a script, and a drill that goes by the sensor's clock alone.

Whole minutes pass as fast as they can be worked out, and nothing depends on how busy the machine
is: the drill's clock is the time of the last sample.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from feedback.drill import Drill
from feedback.drill_plan import DrillPlan
from feedback.mixer import Voice
from feedback.outputs import SilentOutput
from feedback.tones import Sound
from sensor.link.live import LiveBlock
from simulation.live_sensor import ENDING_S, SimulatedSource
from simulation.sessions import SessionSpec, SimulatedSession, _Director
from unhurried.app.drill_run import DrillRun
from unhurried.app.live import LiveSession

Step = tuple[str, Any]
"""``("swing", kind)``, ``("do", kind)``, ``("rest", seconds)``, or ``("until", seconds)``: a rest
until so long after the beginning."""


class Script(_Director):
    """Plays steps, one after the other.

    Attributes
    ----------
    begins_s : list of float
        When each step began.
    """

    def __init__(self, spec: SessionSpec, seed: int, steps: Sequence[Step]) -> None:
        super().__init__(spec, seed, None)
        self._steps = [*steps, ("rest", ENDING_S + 1.0)]
        self.begins_s: list[float] = []

    def _over(self) -> bool:
        return not self._steps

    def _turn(self) -> None:
        if not self._markers:
            self._mark_segment(0)
        self.begins_s.append(self._film.now_s)
        what, how = self._steps.pop(0)
        if what == "swing":
            self._swing(how, strike=False)
        elif what == "do":
            self._do(how)
        else:
            self._film.rest(how - self._film.now_s if what == "until" else how)


class ScriptedSource(SimulatedSource):
    """Sends a script as fast as it can; what it stamps is the script's own time."""

    def __init__(self, made: SimulatedSession, spec: SessionSpec) -> None:
        length_s = float(made.samples["seq"][-1]) / made.true_rate_hz - ENDING_S - 0.5
        super().__init__(spec, seconds=length_s, speed=0.0, clock=lambda: 0)
        self._script = made

    async def _make(self, minutes: float) -> SimulatedSession:
        del minutes
        return self._script


class SampleEar(SilentOutput):
    """A speaker on the sensor's clock; what was asked for, and when, is kept."""

    silent = False

    def __init__(self) -> None:
        self.now_s = 0.0
        self.asked_s: list[float] = []
        super().__init__(rate_hz=8000, clock_ns=lambda: round(self.now_s * 1e9))

    def play(self, sound: Sound, frame: int | None = None) -> Voice:
        self.asked_s.append(self.now_s)
        return super().play(sound, frame)

    @property
    def sounds(self) -> bool:
        """Whether anything is to be heard in the next 20 ms."""
        self.frame_now()
        return self.mixer.waiting > 0


class SampleDrill(DrillRun):
    """A drill whose clock is the last sample's time; `at` is called with it, packet by packet."""

    def __init__(self, plan: DrillPlan, ear: SampleEar) -> None:
        super().__init__(Drill(plan), ear, mount="wrist", hand="right")
        self.ear = ear
        self.at: Any = lambda _now_s: None
        self.on_terminal = False
        self.lines: list[str] = []
        self.say = self.lines.append

    def _now_s(self) -> float:
        return self.ear.now_s

    def on_block(self, block: LiveBlock) -> None:
        assert self._session is not None
        rate = self._session.rate_hz
        assert rate is not None
        self.ear.now_s = float(block.seq[-1]) / rate
        self.at(self.ear.now_s)
        super().on_block(block)
        self._look_after_sound()
        self._do(self.drill.tick(self._now_s()))

    async def _ticks(self) -> None:
        """Time goes by samples only."""

    async def let_ring(self) -> None:
        """Time has ended with the last sample."""


def scripted(
    folder: Path, plan: DrillPlan, steps: Sequence[Step], *, seed: int
) -> tuple[SampleDrill, LiveSession, Script, SimulatedSession]:
    """Make a drill over a script; run it with ``await drill.run(session, ending=Shutdown())``."""
    spec = SessionSpec(mount="wrist", loss=0.0, rate_error=0.0, activity=0.0)
    script = Script(spec, seed, steps)
    made = script.session()
    drill = SampleDrill(plan, SampleEar())
    session = LiveSession(
        ScriptedSource(made, spec),
        folder,
        mount="wrist",
        hand="right",
        on_swing=drill.on_swing,
        on_block=drill.on_block,
        on_event=drill.on_event,
    )
    assert np.all(np.diff(made.samples["seq"]) > 0)
    return drill, session, script, made
