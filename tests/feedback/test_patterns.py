"""What the sounds mean: one table, and no two of them told apart by pitch alone."""

from __future__ import annotations

from itertools import combinations, pairwise

import numpy as np
import pytest
from listening import RATE_HZ, onsets_s, pitch_hz
from scipy.signal import find_peaks, hilbert

from feedback.patterns import LEARNT, SOUNDS, Meaning, Sounds, seconds

Burst = tuple[float, int, float]
"""Pitch in Hz, number of pitches at once, length in s."""


def bursts(sound: np.ndarray) -> list[Burst]:
    """Take a sound apart as ears do, knowing nothing of how it was made."""
    x = np.concatenate([np.zeros(480), sound.astype(float), np.zeros(480)])
    size = np.abs(hilbert(x))
    out = []
    onsets = [round(s * RATE_HZ) for s in onsets_s(x, quiet_s=0.02)]
    for at, then in zip(onsets, [*onsets[1:], len(x)], strict=True):
        end = at + int(np.flatnonzero(size[at:then] > 0.1 * size.max())[-1]) + 1
        part = x[at:end]
        spectrum = np.abs(np.fft.rfft(part * np.hanning(len(part)), 1 << 16))
        apart = round(100.0 * (1 << 16) / RATE_HZ)
        peaks, _ = find_peaks(spectrum, height=0.3 * spectrum.max(), distance=apart)
        out.append((pitch_hz(part), len(peaks), (end - at) / RATE_HZ))
    return out


def contour(heard: list[Burst]) -> tuple[int, ...]:
    return tuple(int(np.sign(round(12 * np.log2(b[0] / a[0])))) for a, b in pairwise(heard))


HEARD = {one.name: bursts(one.make(RATE_HZ)) for one in SOUNDS}


@pytest.mark.parametrize(("one", "other"), list(combinations(HEARD, 2)))
def test_any_two_differ_in_more_than_pitch(one: str, other: str) -> None:
    a, b = HEARD[one], HEARD[other]
    differs = {
        "number": len(a) != len(b),
        "register": abs(12 * np.log2(a[0][0] / b[0][0])) >= 2.5,
        "timbre": a[0][1] != b[0][1],
        "rise and fall": contour(a) != contour(b),
        "length": not 0.67 < a[-1][2] / b[-1][2] < 1.5,
    }
    told = [name for name, does in differs.items() if does]
    assert len(told) >= 2, differs


def test_what_is_heard_is_what_the_table_says() -> None:
    words = {1: "one", 2: "two", 3: "three", 4: "four"}
    for one in SOUNDS:
        heard = HEARD[one.name]
        assert one.heard.startswith(words[len(heard)]), one.name
        plain = all(n == 1 for _, n, _ in heard)
        assert ("plain" in one.heard) == plain, one.name
        for word, sign in (("rising", 1), ("falling", -1)):
            if word in one.heard:
                assert set(contour(heard)) == {sign}, one.name


def test_names_and_words_are_there_once() -> None:
    assert len({one.name for one in SOUNDS}) == len(SOUNDS)
    assert len({one.heard for one in SOUNDS}) == len(SOUNDS)
    assert len({one.meaning for one in SOUNDS}) == len(SOUNDS)


@pytest.mark.parametrize("one", SOUNDS, ids=lambda one: one.name)
@pytest.mark.parametrize("rate_hz", [44_100, 48_000])
def test_a_sound_is_no_louder_than_one_tone_and_has_clean_edges(one: Meaning, rate_hz: int) -> None:
    sound = one.make(rate_hz)
    assert sound.dtype == np.float32
    assert 0.3 < np.abs(sound).max() <= 1.0
    assert abs(sound[0]) < 1e-3
    assert abs(sound[-1]) < 0.01


def test_pitches_are_those_of_equal_temperament() -> None:
    # ISO 16: A4 = 440 Hz; semitones from there by the table of equal temperament (from memory).
    semitones = {
        "ready": [7],
        "top": [19],
        "full": [15],
        "over": [0, 0, 0],
        "time enough": [15],
        "time short": [3, 3],
        "turn full": [19],
        "turn short": [12, 5],
        "turn beyond": [12, 17, 22],
        "block": [5, 10, 5, 10],
        "lost": [12, 7, 0],
        "back": [0, 12],
    }
    for name, steps in semitones.items():
        heard = [pitch for pitch, _, _ in HEARD[name]]
        assert heard == pytest.approx([440.0 * 2 ** (s / 12) for s in steps], rel=0.004), name


def test_the_full_turn_is_no_part_of_the_glide() -> None:
    x = Sounds(RATE_HZ).full.astype(float)
    power = np.abs(np.fft.rfft(x, 1 << 16)) ** 2
    hz = np.arange(len(power)) * RATE_HZ / (1 << 16)
    inside = power[(hz > 650.0) & (hz < 1000.0)].sum() / power.sum()
    assert inside < 0.005
    assert [HEARD[name][0][1] for name in ("full", "turn full", "rise", "top")] == [2, 2, 1, 1]


def test_what_is_asked_about_is_softer_than_the_drill_by_what_it_is_to_be_clear() -> None:
    sounds = Sounds(RATE_HZ)
    check = sounds.check
    assert len(check) / RATE_HZ == pytest.approx(seconds("check"), abs=1e-3)
    at = 0
    for name in LEARNT:
        sound = next(one for one in SOUNDS if one.name == name).make(RATE_HZ)
        part = check[at : at + len(sound)]
        assert 20.0 * np.log10(np.abs(part).max() / np.abs(sound).max()) == pytest.approx(-10.0)
        at += len(sound) + round(0.30 * RATE_HZ)


def test_patterns_after_a_swing_say_time_then_turn() -> None:
    sounds = Sounds(RATE_HZ)

    def number(time: str | None, turn: str | None) -> int:
        sound = sounds.after_swing(time, turn)
        assert sound is not None
        assert len(sound) / RATE_HZ == pytest.approx(seconds("result", time, turn), abs=1e-3)
        return len(bursts(sound))

    assert number("enough", None) == number(None, "full") == 1
    assert number("short", None) == number(None, "short") == 2
    assert number(None, "beyond") == 3
    assert number("short", "beyond") == 5
    assert sounds.after_swing(None, None) is None
