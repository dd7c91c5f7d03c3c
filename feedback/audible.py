"""Whether a sound is heard at a range: how far it is clear of the noise there, also for older ears.

A sound is set against what masks it in the ear's own band around its strongest pitch, and against
the threshold of hearing, raised by what the median person has lost at an age.

References
----------
Hearing and age: ISO 7029:2000, median loss ``alpha (age - 18)^2``, for ages to 70 (form and
coefficients from memory). Threshold of hearing in a free field: ISO 226:2003. The ear's bands:
Glasberg, B. R. & Moore, B. C. J. (1990), Hear. Res. 47, 103-138 (from memory). Short sounds: about
10 dB for a tenth of the time, below 0.2 s (from memory).
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from feedback.tones import Sound

CLEAR_DB: Final = 10.0
"""A sound that is so far over what is just heard is heard also by somebody who minds the ball."""

AGE: Final = 70.0
"""Whose median hearing it is to be clear for."""

DISTANCE_M: Final = 2.0
"""From the speaker to the player."""

NOISE_DBA: Final = 60.0
"""A range's noise: talk near by, clubs and balls, a mower far off. From memory, and nobody has
measured it here; so whoever practises is asked whether the sounds are heard."""

SPEAKER_DB: Final = 70.0
"""Sound pressure at 2 m of a tone of full scale from a portable computer turned up: some 80 to 85
dB at half a metre (from memory)."""

LOSS: Final = ((500.0, 0.0035), (1000.0, 0.0040), (1500.0, 0.0055), (2000.0, 0.0070))
"""ISO 7029:2000, dB a year squared, by pitch: of men, whose loss is the larger one."""

THRESHOLD: Final = (
    (400.0, 6.2),
    (500.0, 4.4),
    (630.0, 3.0),
    (800.0, 2.2),
    (1000.0, 2.4),
    (1250.0, 3.5),
    (1600.0, 1.7),
    (2000.0, -1.3),
)
"""ISO 226:2003, dB."""

LASTING_S: Final = 0.2
_WINDOW_S: Final = 0.1
_HOP_S: Final = 0.05
_BANDS_HZ: Final = tuple(1000.0 * 10.0 ** (k / 10.0) for k in range(-13, 11))


def loss_db(pitch_hz: float, age: float = AGE) -> float:
    """Median loss of hearing at an age, 18 to 70, against that at 18, in dB."""
    pitches, alphas = zip(*LOSS, strict=True)
    alpha = float(np.interp(math.log(pitch_hz), np.log(pitches), alphas))
    return alpha * (min(max(age, 18.0), 70.0) - 18.0) ** 2


def threshold_db(pitch_hz: float) -> float:
    """Threshold of hearing of young people in a free field, in dB."""
    pitches, levels = zip(*THRESHOLD, strict=True)
    return float(np.interp(math.log(pitch_hz), np.log(pitches), levels))


def a_weight_db(pitch_hz: float) -> float:
    """A-weighting (IEC 61672-1:2013, its formula), in dB."""
    f2 = pitch_hz * pitch_hz
    gain = 12194.0**2 * f2 * f2
    gain /= (f2 + 20.6**2) * (f2 + 12194.0**2)
    gain /= math.sqrt((f2 + 107.7**2) * (f2 + 737.9**2))
    return 20.0 * math.log10(gain) + 2.0


def band_hz(pitch_hz: float) -> float:
    """Width of the ear's own band about a pitch, in Hz."""
    return 24.7 * (4.37e-3 * pitch_hz + 1.0)


def noise_db(pitch_hz: float, noise_dba: float = NOISE_DBA) -> float:
    """Level of the noise in the ear's band about a pitch, in dB.

    The noise has as much in each third of an octave, as talk and traffic about have (from memory).
    """
    weighted = sum(10.0 ** (a_weight_db(band) / 10.0) for band in _BANDS_HZ)
    third_db = noise_dba - 10.0 * math.log10(weighted)
    third_hz = pitch_hz * (10.0**0.05 - 10.0**-0.05)
    return third_db + 10.0 * math.log10(band_hz(pitch_hz) / third_hz)


def just_heard_db(pitch_hz: float, *, age: float = AGE, noise_dba: float = NOISE_DBA) -> float:
    """Level from which a lasting tone is heard in the noise at an age, in dB.

    In the noise: where it is as strong as that in its band; young ears need some 4 dB less.
    """
    quiet_db = threshold_db(pitch_hz) + loss_db(pitch_hz, age)
    masked_db = noise_db(pitch_hz, noise_dba)
    return 10.0 * math.log10(10.0 ** (quiet_db / 10.0) + 10.0 ** (masked_db / 10.0))


def extra_db(pitch_hz: float) -> float:
    """How much more it takes at 70 than at 18 to hear a tone in a range's noise, in dB."""
    return just_heard_db(pitch_hz) - just_heard_db(pitch_hz, age=18.0)


def strongest_hz(sound: Sound, rate_hz: float) -> float:
    """Pitch at which a sound is strongest over all its length, in Hz."""
    n = 1 << max(15, math.ceil(math.log2(max(len(sound), 2))))
    power = np.abs(np.fft.rfft(sound * np.hanning(len(sound)), n))
    return float(np.argmax(power) * rate_hz / n)


def clear_db(
    sound: Sound,
    rate_hz: float,
    *,
    level: float,
    speaker_db: float = SPEAKER_DB,
    age: float = AGE,
    noise_dba: float = NOISE_DBA,
) -> float:
    """How far a sound is over what is just heard, in dB; the middle one of its tenths of a second.

    Parameters
    ----------
    sound : (n,) float32 array
        Of size 1 at most.
    rate_hz : float
    level : float
        Share of full scale that size 1 is played at.
    speaker_db : float
        Sound pressure at the player of a tone of full scale.
    age : float
    noise_dba : float
    """
    x = sound.astype(np.float64) * level
    n = min(len(x), round(_WINDOW_S * rate_hz))
    size = np.abs(x)
    lasts_s = float(np.flatnonzero(size > 0.1 * size.max()).max() + 1) / rate_hz
    short_db = 10.0 * math.log10(LASTING_S / min(LASTING_S, lasts_s))
    found = []
    for at in range(0, max(1, len(x) - n + 1), max(1, round(_HOP_S * rate_hz))):
        window = np.hanning(n)
        power = np.abs(np.fft.rfft(x[at : at + n] * window, 1 << 16)) ** 2
        hz = np.arange(len(power)) * rate_hz / (1 << 16)
        pitch_hz = float(hz[int(np.argmax(power))])
        near = np.abs(hz - pitch_hz) <= 0.5 * band_hz(pitch_hz)
        # Mean square of what lies in the ear's band, as of a tone: full scale has one of a half.
        mean_square = 2.0 * power[near].sum() / ((1 << 16) * (window**2).sum())
        level_db = speaker_db + 10.0 * math.log10(max(mean_square, 1e-20) / 0.5)
        found.append(level_db - just_heard_db(pitch_hz, age=age, noise_dba=noise_dba))
    return float(np.median(found)) - short_db


def is_clear(sound: Sound, rate_hz: float, *, level: float) -> bool:
    """Whether a sound is clear of a range's noise at 2 m from a portable computer turned up."""
    return clear_db(sound, rate_hz, level=level) >= CLEAR_DB
