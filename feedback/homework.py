"""Homework by ear: one sound file that any phone plays, of ready, rise and top, counted by tones.

A phone that plays a file can't wait for a player, so the rest between swings is long, and each
swing's number comes before it: a long low tone is five, a short high one is one.
"""

from __future__ import annotations

import io
import wave
from typing import Final

import numpy as np

from feedback.cue import Cue
from feedback.errors import TrackError
from feedback.mixer import LEVEL, Mixer
from feedback.tones import Sound, join, note_hz, silence, tone

RATE_HZ: Final = 16_000
"""Frames a second: over four times the highest pitch, and 2 MB for a minute."""

REST_S: Final = 15.0
"""From the top to the next number: time to finish, breathe and stand ready. (Chosen here.)"""

LEAD_S: Final = 5.0
"""Silence first: to put the phone away."""

NUMBER_TO_READY_S: Final = 1.5

MOST_SWINGS: Final = 100

_FIVE: Final = ("A4", 0.45)
_ONE: Final = ("A5", 0.16)
_GAP_S: Final = 0.14


def number_sound(n: int, rate_hz: int = RATE_HZ) -> Sound:
    """Count by tones: long low ones are five each, short high ones one each.

    Returns
    -------
    (k,) float32 array
    """
    parts: list[Sound] = []
    for note, seconds in (_FIVE,) * (n // 5) + (_ONE,) * (n % 5):
        if parts:
            parts.append(silence(_GAP_S, rate_hz))
        parts.append(tone(note_hz(note), seconds, rate_hz))
    return join(*parts)


def homework_track(backswing_ms: float, swings: int) -> Sound:
    """Make the sound of a day's homework.

    Parameters
    ----------
    backswing_ms : float
        From takeaway to top.
    swings : int

    Returns
    -------
    (n,) float32 array
        At `RATE_HZ` frames a second, within plus and minus 1.

    Raises
    ------
    TrackError
        A time that can't be cued, or a number of swings that nobody should do in one go.
    """
    if not 1 <= swings <= MOST_SWINGS:
        raise TrackError(f"{swings} swings can't be homework: give 1 to {MOST_SWINGS}")
    cue = Cue(backswing_ms, RATE_HZ)
    mixer = Mixer(RATE_HZ, level=LEVEL)
    at = round(LEAD_S * RATE_HZ)
    end = at
    for n in range(1, swings + 1):
        number = number_sound(n)
        mixer.play(number, at)
        takeaway = at + len(number) + round(NUMBER_TO_READY_S * RATE_HZ) + cue.lead_frames
        for part in cue.parts():
            mixer.play(part.sound, takeaway + part.frame)
        end = takeaway + cue.end_frame
        at = takeaway + cue.top_frame + round(REST_S * RATE_HZ)
    return mixer.render(end + RATE_HZ)


def homework_wav(backswing_ms: float, swings: int) -> bytes:
    """Return the sound as a WAV file: mono, 16 bits a sample.

    Raises
    ------
    TrackError
    """
    counts = np.round(np.clip(homework_track(backswing_ms, swings), -1.0, 1.0) * 32767.0)
    out = io.BytesIO()
    with wave.open(out, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(RATE_HZ)
        file.writeframes(counts.astype("<i2").tobytes())
    return out.getvalue()
