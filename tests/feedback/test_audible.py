"""The four sounds to learn: where they are strong, how long, and clear of a range's noise."""

from __future__ import annotations

import numpy as np
import pytest
from listening import RATE_HZ, onsets_s, pitch_hz
from scipy.signal import hilbert

from feedback.audible import (
    CLEAR_DB,
    a_weight_db,
    clear_db,
    extra_db,
    is_clear,
    just_heard_db,
    loss_db,
    noise_db,
)
from feedback.mixer import LEVEL, Mixer
from feedback.patterns import LEARNT, SOUNDS

FOUR = [one for one in SOUNDS if one.name in LEARNT]


def test_there_are_four_to_learn() -> None:
    assert [one.name for one in FOUR] == ["ready", "rise", "top", "full"]


@pytest.mark.parametrize("one", FOUR, ids=lambda one: one.name)
def test_each_is_strongest_where_older_ears_hear_and_long_enough(one: object) -> None:
    # Through the mixer, as it goes to the ear, and by ears that know nothing of how it was made.
    mixer = Mixer(RATE_HZ)
    mixer.play(one.make(RATE_HZ), RATE_HZ // 10)  # type: ignore[attr-defined]
    x = np.concatenate([mixer.render(480) for _ in range(120)]).astype(float)
    (onset,) = onsets_s(x)
    size = np.abs(hilbert(x))
    above = np.flatnonzero(size > 0.1 * size.max())
    assert (above[-1] - above[0]) / RATE_HZ >= 0.150
    assert onset == pytest.approx(0.1, abs=0.015)
    assert 500.0 <= pitch_hz(x[above[0] : above[-1]]) <= 1500.0
    power = np.abs(np.fft.rfft(x)) ** 2
    hz = np.fft.rfftfreq(len(x), 1.0 / RATE_HZ)
    assert power[(hz >= 500.0) & (hz <= 1500.0)].sum() > 0.8 * power.sum()


@pytest.mark.parametrize("one", FOUR, ids=lambda one: one.name)
def test_each_is_clear_of_the_noise_or_it_is_said(one: object) -> None:
    sound = one.make(RATE_HZ)  # type: ignore[attr-defined]
    assert clear_db(sound, RATE_HZ, level=LEVEL) >= CLEAR_DB
    assert is_clear(sound, RATE_HZ, level=LEVEL)
    # At a fifth of the level, or where it is as loud as by a road, it isn't.
    assert not is_clear(sound, RATE_HZ, level=0.2 * LEVEL)
    assert clear_db(sound, RATE_HZ, level=LEVEL, noise_dba=75.0) < CLEAR_DB


def test_a_sound_of_another_pitch_or_shorter_would_not_do() -> None:
    n = np.arange(round(0.240 * RATE_HZ)) / RATE_HZ
    high = (0.4 * np.sin(2 * np.pi * 1760.0 * n)).astype(np.float32)
    assert clear_db(high[: round(0.06 * RATE_HZ)], RATE_HZ, level=LEVEL) < CLEAR_DB
    # A tone's level is what it says: of full scale in silence, over the threshold alone.
    full = np.sin(2 * np.pi * 1000.0 * np.arange(RATE_HZ) / RATE_HZ).astype(np.float32)
    found = clear_db(full, RATE_HZ, level=1.0, speaker_db=70.0, age=18.0, noise_dba=-40.0)
    assert found == pytest.approx(70.0 - 2.4, abs=0.2)


def test_what_an_age_takes_away() -> None:
    # By hand from the standard's formula: 0.0040 (70 - 18)^2.
    assert loss_db(1000.0, 70.0) == pytest.approx(10.8, abs=0.05)
    assert loss_db(500.0, 18.0) == 0.0
    assert loss_db(1500.0) > loss_db(1000.0) > loss_db(500.0)
    # In a range's noise that hardly matters; in a quiet room it is nearly all.
    assert max(extra_db(pitch) for pitch in (660.0, 1050.0, 1320.0)) < 0.1
    quiet = [just_heard_db(1000.0, age=age, noise_dba=-20.0) for age in (18.0, 70.0)]
    assert quiet[1] - quiet[0] == pytest.approx(10.8, abs=0.2)


def test_the_noise_has_its_level_and_its_weighting() -> None:
    # The table of A-weighting (IEC 61672-1): 0 at 1 kHz, -3.2 at 500 Hz, -16.1 at 125 Hz.
    for pitch, weight in ((1000.0, 0.0), (500.0, -3.2), (125.0, -16.1)):
        assert a_weight_db(pitch) == pytest.approx(weight, abs=0.1)
    assert noise_db(1000.0, 70.0) - noise_db(1000.0, 60.0) == pytest.approx(10.0)
    assert 40.0 < noise_db(1000.0) < 50.0
