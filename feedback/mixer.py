"""The mixer: sounds in, at once or at a frame, and one stream of samples out.

It is plain arithmetic on arrays and knows no device and no clock. What comes out depends on the
frame numbers only, not on the sizes of the blocks in which it is asked for.
"""

from __future__ import annotations

from collections import deque

import numpy as np

from feedback.tones import Sound

LEVEL = 0.35
"""Share of full scale that a tone reaches: clear without being loud; the rest is the listener's
own volume control. Nothing in this program ever raises it."""

HARD_LIMIT = 0.9
"""Share of full scale that is never passed, however many tones fall together."""

FADE_S = 0.005
"""A sound that is called off fades out over this, so that it doesn't click."""


class Voice:
    """A sound on its way; made by the mixer.

    Attributes
    ----------
    sound : (n,) float32 array
    frame : int or None
        First frame, where it was asked for one.
    started : int or None
        Frame at which it really began, once it has.
    """

    __slots__ = ("_called_off", "_fading", "frame", "sound", "started")

    def __init__(self, sound: Sound, frame: int | None) -> None:
        self.sound = sound
        self.frame = frame
        self.started: int | None = None
        self._called_off = False
        self._fading = False

    def call_off(self) -> None:
        """Don't play it, or fade it out where it has begun."""
        self._called_off = True

    @property
    def called_off(self) -> bool:
        """Whether it was called off."""
        return self._called_off

    def end_after(self, n: int, fade: int) -> None:
        """Let it end after its first ``n`` frames, faded over the last ``fade`` of them.

        What has been rendered by then stays as it was; a shorter sound is left as it is.
        """
        if n < len(self.sound):
            self.sound = _faded(self.sound, max(0, n - fade), fade)


class Mixer:
    """Add up sounds, frame by frame.

    `play` may be called from any thread while another one renders.

    Parameters
    ----------
    rate_hz : int
        Frames a second.
    level : float
        Share of full scale for a sound of size 1; above 0 and at most the hard limit.

    Raises
    ------
    ValueError
        Where rate or level are out of range.
    """

    def __init__(self, rate_hz: int = 48_000, *, level: float = LEVEL) -> None:
        if rate_hz < 8000:
            raise ValueError(f"rate_hz {rate_hz} is below 8000")
        if not 0.0 < level <= HARD_LIMIT:
            raise ValueError(f"level {level:g} is not above 0 and at most {HARD_LIMIT}")
        self.rate_hz = int(rate_hz)
        self.level = float(level)
        self.frame = 0
        """Next frame to be rendered."""
        self.late = 0
        """Sounds that were asked for a frame that had gone by, and began after it."""
        self._asked: deque[Voice] = deque()
        self._voices: list[Voice] = []
        self._fade = max(1, round(FADE_S * rate_hz))

    def play(self, sound: Sound, frame: int | None = None) -> Voice:
        """Play a sound at a frame, or at once (with the next block).

        A frame that has gone by means at once; that is counted in `late`.

        Returns
        -------
        Voice
            To call it off, and to see when it began.
        """
        voice = Voice(sound, frame)
        self._asked.append(voice)
        return voice

    def call_off(self) -> None:
        """Call off all that is playing or waiting."""
        for voice in [*self._voices, *self._asked]:
            voice.call_off()

    @property
    def waiting(self) -> int:
        """Number of sounds that have not ended."""
        return len(self._voices) + len(self._asked)

    def render(self, n: int) -> Sound:
        """The next ``n`` frames.

        Returns
        -------
        (n,) float32 array
            Within plus and minus the hard limit.
        """
        first, end = self.frame, self.frame + n
        while self._asked:
            voice = self._asked.popleft()
            if voice.frame is None:
                voice.frame = first
            elif voice.frame < first:
                self.late += 1
                voice.frame = first
            self._voices.append(voice)
        out = np.zeros(n, dtype=np.float32)
        left: list[Voice] = []
        for voice in self._voices:
            at = voice.frame
            assert at is not None
            if voice._called_off and not voice._fading:
                if at >= first:
                    continue
                self._fade_out(voice, first - at)
            if at < end and n > 0:
                if voice.started is None:
                    voice.started = at
                # Once: another thread may shorten it.
                sound = voice.sound
                lo = max(first, at)
                hi = min(end, at + len(sound))
                if hi > lo:
                    out[lo - first : hi - first] += sound[lo - at : hi - at]
            if at + len(voice.sound) > end:
                left.append(voice)
        self._voices = left
        self.frame = end
        out *= np.float32(self.level)
        limit = np.float32(HARD_LIMIT)
        return np.clip(out, -limit, limit, out=out)

    def _fade_out(self, voice: Voice, done: int) -> None:
        """Replace what is left of a sound by a short fade."""
        voice.sound = _faded(voice.sound, done, self._fade)
        voice._fading = True

    @property
    def fade_frames(self) -> int:
        """Frames over which a sound that is called off fades out."""
        return self._fade


def _faded(sound: Sound, done: int, fade: int) -> Sound:
    """A sound that from a frame on is only a short fade."""
    rest = sound[done : done + fade]
    n = len(rest)
    curve = 0.5 + 0.5 * np.cos(np.pi * np.arange(1, n + 1) / max(n, 1))
    return np.concatenate([sound[:done], (rest * curve).astype(np.float32)])
