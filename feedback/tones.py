"""Tones with clean edges, as arrays: everything that is heard is made here.

A tone is a float32 array (n,) whose greatest size is at most 1; how loud it gets is the mixer's
business. Pitches are equal-tempered from A4 = 440 Hz.

References
----------
ISO 16:1975, Acoustics - Standard tuning frequency (A4 = 440 Hz).
"""

from __future__ import annotations

import re

import numpy as np
import numpy.typing as npt

Sound = npt.NDArray[np.float32]


A4_HZ = 440.0
ATTACK_S = 0.002
RELEASE_S = 0.020
_STEPS = {"C": -9, "D": -7, "E": -5, "F": -4, "G": -2, "A": 0, "B": 2}


def note_hz(name: str) -> float:
    """Frequency of a note, such as ``"A4"``, ``"E5"`` or ``"F#5"``.

    Raises
    ------
    ValueError
        Where the name is not a note's.
    """
    match = re.fullmatch(r"([A-G])(#?)(\d)", name)
    if match is None:
        raise ValueError(f"'{name}' is not a note")
    semitones = _STEPS[match[1]] + bool(match[2]) + 12 * (int(match[3]) - 4)
    return float(A4_HZ * 2.0 ** (semitones / 12.0))


def envelope(n: int, attack: int, release: int) -> npt.NDArray[np.float64]:
    """Raised-cosine edges: from 0 up over ``attack`` samples and down to 0 over ``release``.

    Edges that don't fit are shortened in proportion.

    Returns
    -------
    (n,) array
    """
    if attack + release > n:
        share = n / max(1, attack + release)
        attack, release = int(attack * share), int(release * share)
    out = np.ones(n)
    if attack > 0:
        out[:attack] = 0.5 - 0.5 * np.cos(np.pi * np.arange(attack) / attack)
    if release > 0:
        out[n - release :] = 0.5 + 0.5 * np.cos(np.pi * np.arange(1, release + 1) / release)
    return out


def tone(
    frequency_hz: float,
    duration_s: float,
    rate_hz: float,
    *,
    size: float = 1.0,
    attack_s: float = ATTACK_S,
    release_s: float = RELEASE_S,
) -> Sound:
    """A sine of one pitch.

    Parameters
    ----------
    frequency_hz, duration_s, rate_hz : float
        Pitch, length with both edges, and samples a second.
    size : float
        Greatest size, 0 to 1.
    attack_s, release_s : float
        Lengths of the edges. The onset that a detector sees lies within the attack.

    Returns
    -------
    (n,) float32 array
    """
    n = round(duration_s * rate_hz)
    phase = 2.0 * np.pi * frequency_hz / rate_hz * np.arange(n)
    edges = envelope(n, round(attack_s * rate_hz), round(release_s * rate_hz))
    return np.asarray(size * edges * np.sin(phase), dtype=np.float32)


def glide(
    from_hz: float,
    to_hz: float,
    duration_s: float,
    rate_hz: float,
    *,
    size: float = 1.0,
    attack_s: float = 0.030,
    release_s: float = 0.040,
) -> Sound:
    """A sine that rises or falls evenly in pitch: the same number of semitones each second.

    Returns
    -------
    (n,) float32 array
    """
    n = round(duration_s * rate_hz)
    t = np.arange(n) / rate_hz
    octaves_a_second = np.log2(to_hz / from_hz) / max(duration_s, 1e-9)
    if abs(octaves_a_second) < 1e-9:
        turns = from_hz * t
    else:
        growth = np.log(2.0) * octaves_a_second
        turns = from_hz * np.expm1(growth * t) / growth
    edges = envelope(n, round(attack_s * rate_hz), round(release_s * rate_hz))
    return np.asarray(size * edges * np.sin(2.0 * np.pi * turns), dtype=np.float32)


def chime(
    low_hz: float,
    high_hz: float,
    duration_s: float,
    rate_hz: float,
    *,
    size: float = 1.0,
    ring_s: float | None = None,
    share: float = 0.6,
) -> Sound:
    """Two pitches struck together; that they are two is heard as another instrument than a sine.

    Parameters
    ----------
    low_hz, high_hz : float
    duration_s, rate_hz, size : float
        As for `tone`.
    ring_s : float, optional
        Time in which it falls to 1/e, as a bell does; steady otherwise.
    share : float
        Share of the size that the lower one has.

    Returns
    -------
    (n,) float32 array
    """
    low = tone(low_hz, duration_s, rate_hz, size=share * size)
    both = low + tone(high_hz, duration_s, rate_hz, size=(1.0 - share) * size)
    if ring_s is None:
        return both
    fall = np.exp(-np.arange(len(both)) / (ring_s * rate_hz))
    return np.asarray(both * fall, dtype=np.float32)


def silence(duration_s: float, rate_hz: float) -> Sound:
    """Nothing, for so long."""
    return np.zeros(round(duration_s * rate_hz), dtype=np.float32)


def join(*sounds: Sound) -> Sound:
    """Sounds one after the other."""
    return np.concatenate([np.zeros(0, dtype=np.float32), *sounds])
