"""A drill on a clock of the tests' own: what is asked for is placed, rendered and kept."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from feedback.cue import Cue
from feedback.drill import Drill
from feedback.drill_actions import Action, Mark, Mute, Play, PlayCue, StopCue, StopTones
from feedback.drill_plan import DrillPlan
from feedback.mixer import Voice
from feedback.outputs import SilentOutput
from feedback.patterns import Sounds
from feedback.stage import Stage
from feedback.tones import Sound

RATE_HZ = 8000
SENSOR_HZ = 200.0


class Ear(SilentOutput):
    """An output whose clock is set by hand; all that it renders is kept."""

    silent = False
    gaps = 0

    def __init__(self, rate_hz: int = RATE_HZ) -> None:
        self.now_s = 0.0
        self.heard: list[Sound] = []
        self.voices: list[tuple[Voice, Sound]] = []
        super().__init__(rate_hz=rate_hz, clock_ns=lambda: round(self.now_s * 1e9))

    @property
    def underflows(self) -> int:  # type: ignore[override]
        return self.gaps

    def play(self, sound: Sound, frame: int | None = None) -> Voice:
        voice = super().play(sound, frame)
        self.voices.append((voice, sound))
        return voice

    def frame_now(self) -> int:
        now = int(self.now_s * self.rate_hz)
        if now > self.mixer.frame and not self.mixer.waiting:
            self.heard.append(np.zeros(now - self.mixer.frame, dtype=np.float32))
            self.mixer.frame = now
        while self.mixer.frame < now:
            self.heard.append(self.mixer.render(min(now - self.mixer.frame, 160)))
        return now

    def sounding(self) -> list[tuple[float, float, Sound]]:
        """From when to when each sound was heard, and the sound as it was asked for."""
        out = []
        for voice, sound in self.voices:
            if voice.started is not None:
                end = min(voice.started + len(voice.sound), self.mixer.frame)
                out.append((voice.started / self.rate_hz, end / self.rate_hz, sound))
        return sorted(out, key=lambda one: one[:2])

    def all_heard(self) -> Sound:
        return np.concatenate([np.zeros(0, dtype=np.float32), *self.heard])


@dataclass
class Swung:
    """A swing as the drill reads it."""

    index: int = 1
    backswing_ms: float | None = 800.0
    swing_ms: float | None = 1100.0
    turn_deg: float | None = 130.0
    peak_rate_dps: float | None = 700.0
    strike: bool | None = False
    # Known to the digit: what is judged then hangs on the number alone.
    backswing_ms_u: float | None = 0.0
    turn_deg_u: float | None = 0.0
    budget: Mapping[str, Sequence[Any]] = field(default_factory=dict)


class Performance:
    """A drill with stage and ear; time goes by in steps of 20 ms, as in `unhurried drill`."""

    def __init__(self, plan: DrillPlan) -> None:
        self.drill = Drill(plan)
        self.ear = Ear()
        self.stage = Stage(self.ear, Sounds(RATE_HZ))
        self.actions: list[tuple[float, Action]] = []
        self.cues: list[tuple[float, list[Voice]]] = []
        self.beats: list[tuple[float, Any]] = []
        self.muted = False
        self.do(self.drill.begin(0.0))

    @property
    def now_s(self) -> float:
        return self.ear.now_s

    def do(self, actions: Sequence[Action]) -> None:
        for action in actions:
            self.actions.append((self.now_s, action))
            match action:
                case Play() if not self.muted:
                    self.stage.play(action.name, action.time, action.turn)
                case PlayCue() if not self.muted:
                    self._settle()
                    gone_s = None
                    if action.takeaway_seq is not None:
                        gone_s = self.now_s - action.takeaway_seq / SENSOR_HZ
                    before = len(self.ear.voices)
                    cue = Cue(action.backswing_ms, RATE_HZ, ready=gone_s is None, top=action.top)
                    self.stage.cue(cue, gone_s=gone_s)
                    self.cues.append((self.now_s, [v for v, _ in self.ear.voices[before:]]))
                case StopCue():
                    if self.stage.stop_cue(action.why, unless_gliding=action.unless_gliding):
                        self._settle()
                case StopTones():
                    self.stage.stop_after()
                case Mute():
                    self.muted = True

    def _settle(self) -> None:
        beats = self.stage.beats()
        if beats:
            self.beats.append((self.now_s, beats))
            at = {one.name: one.heard_ns * 1e-9 * SENSOR_HZ for one in beats}
            why = {one.name: one.why_not for one in beats if one.why_not is not None}
            self.drill.cue_played(at.get("takeaway"), at.get("top"), why)

    def until(self, then_s: float) -> None:
        """Let time go by."""
        while self.now_s + 0.02 <= then_s + 1e-9:
            self.ear.now_s = round(self.now_s + 0.02, 6)
            self.ear.frame_now()
            self.stage.look()
            self.do(self.drill.tick(self.now_s))

    def turn(self, kind: str, takeaway_s: float, turn_deg: float, **options: Any) -> None:
        self.do(
            self.drill.turn(
                kind,
                self.now_s,
                seq=round(self.now_s * SENSOR_HZ),
                takeaway_seq=takeaway_s * SENSOR_HZ,
                turn_deg=turn_deg,
                **options,
            )
        )

    def swing(
        self,
        takeaway_s: float,
        backswing_s: float = 0.8,
        *,
        found_s: float = 1.5,
        finish_s: float = 1.0,
        tones: bool = True,
        turn_deg: float = 130.0,
    ) -> None:
        """Swing: seen going back, come down, at the finish, and found ``found_s`` after the top."""
        self.until(takeaway_s + 0.25 * backswing_s)
        self.turn("takeaway", takeaway_s, 12.0)
        self.until(takeaway_s + 0.3 * backswing_s)
        self.do(self.drill.turning(25.0, self.now_s))
        self.until(takeaway_s + 0.87 * backswing_s)
        if tones:
            self.turn("full", takeaway_s, 0.95 * turn_deg)
        self.until(takeaway_s + backswing_s + 0.05)
        self.turn("top", takeaway_s, turn_deg)
        self.until(takeaway_s + backswing_s + found_s)
        if self.stage.stop_cue("the swing was over"):
            self._settle()
        self.do(
            self.drill.swing(
                Swung(
                    index=self.drill.done + 1,
                    backswing_ms=1e3 * backswing_s,
                    swing_ms=1e3 * (backswing_s + 0.3),
                    turn_deg=turn_deg,
                ),
                self.now_s,
                takeaway_seq=takeaway_s * SENSOR_HZ,
                rate_hz=SENSOR_HZ,
                finish_seq=(takeaway_s + backswing_s + finish_s) * SENSOR_HZ,
            )
        )

    def marks(self, kind: str) -> list[dict[str, Any]]:
        return [a.fields for _, a in self.actions if isinstance(a, Mark) and a.kind == kind]

    def starts_of(self, name: str) -> list[float]:
        """When a sound began to be heard."""
        wanted = getattr(Sounds(RATE_HZ), name)
        return [at for at, _, sound in self.ear.sounding() if np.array_equal(sound, wanted)]
