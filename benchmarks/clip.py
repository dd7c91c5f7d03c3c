"""Clips with known offsets, made with ffmpeg, lined up by the sound of impact.

What is drawn, and why: a phone stands 2 to 5 m from the ball; other players' impacts come from 3
to 15 m, so by the law of distance most are weaker than the player's own, but not all; people
talk, wind blows low, and a bay's wall answers once. Seven clips in ten carry a date, of the
clip's start or of its end, in whole seconds, by a clock that is 1 s off (standard deviation).
Levels are from memory; the sound of a ball is broad-band and dies within some milliseconds (from
memory). The sound goes through the AAC encoder that phones use, at 48 or 44.1 kHz, whose priming
delay is one of the things that can go wrong.
"""

from __future__ import annotations

import subprocess
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from library.clips import ClipMatch
from review.clip import align_clip, find_knocks, read_clip

Array = npt.NDArray[np.float64]

RATE_HZ = 48_000
FRAME_S = 1 / 60
SPEED_OF_SOUND_M_S = 343.2


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawn:
    """A clip whose place on the recording's clock is known."""

    path: Path
    offset_s: float
    impact_s: Array
    shows_s: float
    guesses_s: tuple[float, ...]


def knock(rng: np.random.Generator) -> Array:
    """Sound of one impact, 40 ms, peak 1."""
    t = np.arange(round(0.04 * RATE_HZ)) / RATE_HZ
    decay = rng.uniform(0.002, 0.006)
    ring = np.sin(2 * np.pi * rng.uniform(2500, 5500) * t + rng.uniform(0, 6))
    sound = (0.6 * rng.standard_normal(len(t)) + ring) * np.exp(-t / decay)
    return np.asarray(sound / np.abs(sound).max())


def put(sound: Array, at_s: float, what: Array) -> None:
    """Add a sound at a time; what falls outside is cut."""
    k = round(at_s * RATE_HZ)
    lo, hi = max(0, k), min(len(sound), k + len(what))
    if hi > lo:
        sound[lo:hi] += what[lo - k : hi - k]


def low_noise(rng: np.random.Generator, n: int, *, corner_hz: float) -> Array:
    """Noise that falls with frequency above a corner, standard deviation 1."""
    spectrum = np.fft.rfft(rng.standard_normal(n))
    f = np.fft.rfftfreq(n, 1 / RATE_HZ)
    out = np.fft.irfft(spectrum / (1 + (f / corner_hz) ** 1.5), n)
    return np.asarray(out / out.std())


def draw_clip(seed: int, folder: Path) -> Drawn:
    """Make one clip file of a session with some ten strikes."""
    rng = np.random.default_rng(seed)
    impact_s = np.cumsum(rng.uniform(12.0, 40.0, 12)) + 5.0
    length_s = rng.uniform(6.0, 45.0)
    shown = float(rng.choice(impact_s))
    offset_s = shown - rng.uniform(2.0, max(2.5, length_s - 1.5))
    n = round(length_s * RATE_HZ)
    sound = 0.02 * low_noise(rng, n, corner_hz=200.0) * rng.uniform(0.3, 2.0)
    sound += 0.001 * rng.standard_normal(n)
    distance_m = rng.uniform(2.0, 5.0)
    for impact in impact_s:
        at = impact - offset_s + distance_m / SPEED_OF_SOUND_M_S
        level = 0.8 * 2.0 / distance_m * rng.uniform(0.6, 1.0)
        one = knock(rng)
        put(sound, at, level * one)
        if rng.random() < 0.5:  # a wall answers
            put(sound, at + rng.uniform(0.01, 0.05), 0.3 * level * knock(rng))
    for _ in range(rng.poisson(0.12 * length_s)):  # neighbours
        level = 0.8 * 2.0 / rng.uniform(3.0, 15.0) * rng.uniform(0.6, 1.0)
        put(sound, rng.uniform(0, length_s), level * knock(rng))
    for _ in range(rng.poisson(0.1 * length_s)):  # speech: voiced bursts with soft starts
        m = round(rng.uniform(0.1, 0.4) * RATE_HZ)
        t = np.arange(m) / RATE_HZ
        pitch = rng.uniform(90, 250)
        voice = sum(np.sin(2 * np.pi * pitch * k * t) / k for k in range(1, 15))
        put(sound, rng.uniform(0, length_s), 0.1 * np.hanning(m) * np.asarray(voice))
    raw = folder / f"{seed}.f32"
    np.clip(sound, -1, 1).astype("<f4").tofile(raw)
    path = folder / f"{seed}.mp4"
    subprocess.run(
        [
            *("ffmpeg", "-v", "error", "-y"),
            *("-f", "f32le", "-ar", str(RATE_HZ), "-ac", "1", "-i", str(raw)),
            *("-f", "lavfi", "-i", f"color=c=gray:s=32x32:r=60:d={length_s:.3f}"),
            *(
                "-ar",
                str(rng.choice([48_000, 44_100])),
                "-c:a",
                "aac",
                "-b:a",
                "96k",
                "-c:v",
                "mpeg4",
                "-shortest",
                str(path),
            ),
        ],
        check=True,
        stdin=subprocess.DEVNULL,
    )
    raw.unlink()
    guesses_s: tuple[float, ...] = ()
    if rng.random() < 0.7:
        dated = offset_s + float(rng.choice([0.0, length_s])) + rng.normal(0.0, 1.0)
        guesses_s = (round(dated), round(dated) - length_s)
    return Drawn(
        path=path, offset_s=offset_s, impact_s=impact_s, shows_s=shown, guesses_s=guesses_s
    )


def line_up(drawn: Drawn) -> ClipMatch:
    """As the page does it for a clip attached to a swing."""
    facts = read_clip(drawn.path)
    return align_clip(
        find_knocks(facts.energy, hop_s=facts.hop_s),
        list(drawn.impact_s),
        clip_s=facts.duration_s,
        shows_s=drawn.shows_s,
        guesses_s=drawn.guesses_s,
    )


def run(*, quick: bool = False, shift: int = 0) -> dict[str, Any]:
    """Line up 100 clips (quick: 20)."""
    n = 20 if quick else 100
    error_s = []
    sure = []
    with tempfile.TemporaryDirectory() as folder:
        for k in range(n):
            drawn = draw_clip(970_000 + shift + k, Path(folder))
            match = line_up(drawn)
            drawn.path.unlink()
            error_s.append(
                np.inf if match.offset_s is None else abs(match.offset_s - drawn.offset_s)
            )
            sure.append(match.sure)
    error = np.asarray(error_s)
    said = np.asarray(sure)
    right = error <= FRAME_S
    return {
        "clips": n,
        "within_a_frame_percent": float(100 * right.mean()),
        "sure_percent": float(100 * said.mean()),
        "sure_but_wrong": int((said & ~right).sum()),
        "median_error_ms": float(1e3 * np.median(error)),
    }


def tables(result: dict[str, Any]) -> str:
    """Return the table in Markdown."""
    return "\n".join(
        (
            "| clips lined up by sound | target | measured |",
            "|---|--:|--:|",
            f"| within one frame at 60 Hz, of {result['clips']} | 95 % "
            f"| {result['within_a_frame_percent']:.0f} % |",
            f"| called sure | | {result['sure_percent']:.0f} % |",
            f"| called sure, but wrong | 0 | {result['sure_but_wrong']} |",
            f"| median error | | {result['median_error_ms']:.1f} ms |",
        )
    )
