"""Homework by ear: a plain file, counted by tones, with the player's own time."""

from __future__ import annotations

import io
import itertools
import wave

import numpy as np
import pytest

from feedback.errors import TrackError
from feedback.homework import RATE_HZ, REST_S, homework_track, homework_wav, number_sound


def bursts(sound: np.ndarray, quiet_s: float) -> list[tuple[float, float]]:
    """Begin and end, in s, of what is heard without a pause of so long."""
    loud = np.flatnonzero(np.abs(sound) > 0.01 * float(np.abs(sound).max()))
    cuts = np.flatnonzero(np.diff(loud) > quiet_s * RATE_HZ)
    firsts = loud[np.concatenate([[0], cuts + 1])]
    lasts = loud[np.concatenate([cuts, [len(loud) - 1]])]
    return [(a / RATE_HZ, b / RATE_HZ) for a, b in zip(firsts, lasts, strict=True)]


@pytest.mark.parametrize(("n", "fives", "ones"), [(1, 0, 1), (5, 1, 0), (7, 1, 2), (12, 2, 2)])
def test_a_number_is_long_low_fives_and_short_high_ones(n: int, fives: int, ones: int) -> None:
    tones = bursts(number_sound(n), 0.05)
    assert len(tones) == fives + ones
    lengths = [b - a for a, b in tones]
    assert all(length > 0.3 for length in lengths[:fives])
    assert all(length < 0.25 for length in lengths[fives:])
    sound = number_sound(n)
    for k, (a, b) in enumerate(tones):
        part = sound[round(a * RATE_HZ) : round(b * RATE_HZ)]
        peak = np.argmax(np.abs(np.fft.rfft(part))) * RATE_HZ / len(part)
        assert abs(peak - (440.0 if k < fives else 880.0)) < 15.0


def test_each_swing_has_its_time_and_a_long_rest() -> None:
    sound = homework_track(900.0, 3)
    swings = bursts(sound, 0.5 * REST_S)
    assert len(swings) == 3
    gaps = [b[0] - a[1] for a, b in itertools.pairwise(swings)]
    assert min(gaps) > 0.8 * REST_S
    # Another time of the backswing makes each as much longer.
    longer = bursts(homework_track(1100.0, 3), 0.5 * REST_S)
    for one, other in zip(swings, longer, strict=True):
        assert (other[1] - other[0]) - (one[1] - one[0]) == pytest.approx(0.2, abs=0.01)


def test_it_is_a_file_that_any_phone_plays() -> None:
    with wave.open(io.BytesIO(homework_wav(800.0, 6))) as file:
        assert (file.getnchannels(), file.getsampwidth(), file.getframerate()) == (1, 2, RATE_HZ)
        frames = np.frombuffer(file.readframes(file.getnframes()), "<i2")
    assert 0 < int(np.abs(frames).max()) < 32767
    # It begins and ends in silence.
    assert not frames[:RATE_HZ].any()
    assert not frames[-RATE_HZ // 2 :].any()


@pytest.mark.parametrize(("backswing_ms", "swings"), [(900.0, 0), (900.0, 101), (50.0, 6)])
def test_what_nobody_should_do_is_refused(backswing_ms: float, swings: int) -> None:
    with pytest.raises(TrackError):
        homework_wav(backswing_ms, swings)
