"""The cue: the time to take, by ear.

A soft ready beep; then, from the takeaway on, a rising glide that lasts as long as the backswing
should and is gone 50 ms before a clear beep at the top. The way down is not cued: somebody who
takes more time back must not be led to slow the downswing.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from feedback.errors import TrackError
from feedback.mixer import LEVEL, Mixer
from feedback.tones import Sound, glide, note_hz, tone

BACKSWING_MS = (300.0, 5000.0)
"""What a cue may ask for: the range in which the finder looks for backswings."""


LONGEST_S = 2.0 * 3600.0
"""Longest track: nobody should practise for longer in one go, and its file is 700 MB."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CueParams:
    """How the cue sounds; 660 to 1320 Hz is above what small speakers lack, and below what older
    ears lose first. Lengths and sizes are such that each is clear of a range's noise
    (`feedback.audible`)."""

    ready_note: str = "E5"
    ready_s: float = 0.280
    ready_size: float = 0.7
    """Softer than the others: it only says "now soon"."""
    ready_lead_s: float = 1.2
    """From ready beep to takeaway; always the same, so that the takeaway can be met without
    reacting (a reaction takes about 0.2 s, from memory)."""
    glide_from: str = "E5"
    glide_to: str = "B5"
    glide_size: float = 0.7
    gap_s: float = 0.050
    """Silence between glide and top, so that the beep has a clear beginning."""
    top_note: str = "E6"
    top_s: float = 0.160


@dataclass(frozen=True, slots=True)
class Beat:
    """An instant that the cue marks: ``name`` is ``"ready"``, ``"takeaway"`` or ``"top"``."""

    name: str
    frame: int


@dataclass(frozen=True, slots=True)
class CuePart:
    """A sound of the cue, the beat that it is, and the frame, from the takeaway, of its begin."""

    name: str
    frame: int
    sound: Sound


class Cue:
    """The cue for one swing.

    Parameters
    ----------
    backswing_ms : float
        From takeaway to top.
    rate_hz : int
    ready : bool
        With the ready beep.
    top : bool
        With the beep at the top.
    params : CueParams

    Raises
    ------
    TrackError
        Where the backswing is outside 300 to 5000 ms.
    """

    def __init__(
        self,
        backswing_ms: float,
        rate_hz: int = 48_000,
        *,
        ready: bool = True,
        top: bool = True,
        params: CueParams | None = None,
    ) -> None:
        low, high = BACKSWING_MS
        if not (math.isfinite(backswing_ms) and low <= backswing_ms <= high):
            raise TrackError(
                f"a backswing of {backswing_ms:g} ms cannot be cued: give {low:g} to {high:g} ms"
            )
        p = self.params = params or CueParams()
        self.backswing_ms = float(backswing_ms)
        self.rate_hz = int(rate_hz)
        self.ready = ready
        self.with_top = top
        self.top_frame = round(backswing_ms * 1e-3 * rate_hz)
        self._lead = round(p.ready_lead_s * rate_hz)
        self._glide = glide(
            note_hz(p.glide_from),
            note_hz(p.glide_to),
            self.top_frame / rate_hz - p.gap_s,
            rate_hz,
            size=p.glide_size,
        )
        self._top = tone(note_hz(p.top_note), p.top_s, rate_hz)
        self._ready = tone(note_hz(p.ready_note), p.ready_s, rate_hz, size=p.ready_size)

    @property
    def ready_sound(self) -> Sound:
        """The ready beep."""
        return self._ready

    @property
    def lead_frames(self) -> int:
        """Frames from the first sound to the takeaway."""
        return self._lead if self.ready else 0

    def parts(self, *, skip_frames: int = 0) -> list[CuePart]:
        """Sounds of the cue, timed from the takeaway.

        Parameters
        ----------
        skip_frames : int
            Where the player has begun already: leave out what would have been heard by then, so
            that the top stays where it belongs. The glide is taken up softly; past the top there
            is nothing left.
        """
        out: list[CuePart] = []
        if self.ready and skip_frames == 0:
            out.append(CuePart("ready", -self._lead, self._ready))
        rest = self._glide[skip_frames:]
        rise = round(0.030 * self.rate_hz)
        if skip_frames == 0:
            out.append(CuePart("takeaway", 0, self._glide))
        elif len(rest) > 2 * rise:
            rest = rest.copy()
            rest[:rise] *= (0.5 - 0.5 * np.cos(np.pi * np.arange(rise) / rise)).astype(np.float32)
            out.append(CuePart("takeaway", skip_frames, rest))
        if self.with_top and skip_frames <= self.top_frame:
            out.append(CuePart("top", self.top_frame, self._top))
        return out

    def beats(self, takeaway_frame: int) -> list[Beat]:
        """The instants that this cue marks when the takeaway is at a frame."""
        ready = [Beat("ready", takeaway_frame - self._lead)] if self.ready else []
        top = [Beat("top", takeaway_frame + self.top_frame)] if self.with_top else []
        return [*ready, Beat("takeaway", takeaway_frame), *top]

    @property
    def end_frame(self) -> int:
        """Frames from the takeaway to the end of the last sound."""
        return self.top_frame + len(self._top)


def progression(from_ms: float, to_ms: float, steps: int, repeats: int) -> list[float]:
    """Backswing times that go from one to another in equal steps, for ``repeats`` swings in all.

    Each step is kept for the same number of swings; where that doesn't come out even, the later
    steps get one more.

    Raises
    ------
    TrackError
        Fewer than two steps, or fewer swings than steps.
    """
    if steps < 2:
        raise TrackError("a progression needs two steps or more")
    if repeats < steps:
        raise TrackError(f"{steps} steps need at least {steps} repeats")
    values = np.linspace(from_ms, to_ms, steps).tolist()
    return [float(values[(k * steps) // repeats]) for k in range(repeats)]


@dataclass(frozen=True, slots=True)
class TrackPlan:
    """A track: cues and the frame of each takeaway; ``end_frame`` is its whole length."""

    cues: tuple[tuple[int, Cue], ...]
    end_frame: int

    @property
    def beats(self) -> list[Beat]:
        """All beats of the track."""
        return [beat for frame, cue in self.cues for beat in cue.beats(frame)]


def track_plan(
    backswings_ms: Sequence[float],
    *,
    rest_s: float,
    rate_hz: int = 48_000,
    ready: bool = True,
    lead_in_s: float = 1.0,
    params: CueParams | None = None,
) -> TrackPlan:
    """Lay out a track of cues.

    Parameters
    ----------
    backswings_ms : sequence of float
        One for each swing.
    rest_s : float
        From the top of one cue to the first sound of the next.
    rate_hz : int
    ready : bool
    lead_in_s : float
        Silence at the start.
    params : CueParams

    Raises
    ------
    TrackError
        No swings, or a rest or backswing that is out of range.
    """
    if not backswings_ms:
        raise TrackError("a track needs at least one repeat")
    if not (math.isfinite(rest_s) and 0.5 <= rest_s <= 3600.0):
        raise TrackError(f"a rest of {rest_s:g} s is not between 0.5 and 3600 s")
    made: dict[float, Cue] = {}
    at = round(lead_in_s * rate_hz)
    cues: list[tuple[int, Cue]] = []
    for backswing_ms in backswings_ms:
        cue = made.get(backswing_ms)
        if cue is None:
            cue = made[backswing_ms] = Cue(backswing_ms, rate_hz, ready=ready, params=params)
        takeaway = at + cue.lead_frames
        cues.append((takeaway, cue))
        at = takeaway + cue.top_frame + round(rest_s * rate_hz)
    last, cue = cues[-1]
    if last > LONGEST_S * rate_hz:
        raise TrackError(
            f"this track would last {last / rate_hz / 3600:.1f} h: give fewer repeats or less rest"
        )
    return TrackPlan(tuple(cues), last + cue.end_frame + round(0.5 * rate_hz))


def render_blocks(
    plan: TrackPlan, *, rate_hz: int = 48_000, level: float = LEVEL
) -> Iterator[Sound]:
    """The track, some seconds at a time."""
    mixer = Mixer(rate_hz, level=level)
    for takeaway, cue in plan.cues:
        for part in cue.parts():
            mixer.play(part.sound, takeaway + part.frame)
    while mixer.frame < plan.end_frame:
        yield mixer.render(min(10 * rate_hz, plan.end_frame - mixer.frame))
