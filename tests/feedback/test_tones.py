"""Tones: pitch against ISO 16 and equal temperament, edges without clicks."""

from __future__ import annotations

import numpy as np
import pytest
from listening import RATE_HZ, pitch_hz

from feedback.tones import chime, envelope, glide, join, note_hz, silence, tone


@pytest.mark.parametrize(
    ("note", "hz"),
    # ISO 16: A4 = 440 Hz; the others from the table of equal temperament (from memory).
    [("A4", 440.0), ("C4", 261.6256), ("E5", 659.2551), ("A5", 880.0), ("E6", 1318.5102)],
)
def test_pitches_are_those_of_equal_temperament(note: str, hz: float) -> None:
    assert note_hz(note) == pytest.approx(hz, abs=1e-4)
    heard = pitch_hz(tone(note_hz(note), 0.5, RATE_HZ).astype(float))
    assert heard == pytest.approx(hz, abs=0.05)


def test_a_detuned_tone_is_seen() -> None:
    # Negative control of the ear itself.
    heard = pitch_hz(tone(885.0, 0.5, RATE_HZ).astype(float))
    assert heard - 880.0 == pytest.approx(5.0, abs=0.05)


@pytest.mark.parametrize("name", ["H4", "A", "A44", "", "a4"])
def test_what_is_no_note_is_refused(name: str) -> None:
    with pytest.raises(ValueError, match="not a note"):
        note_hz(name)


def test_edges_are_raised_cosines() -> None:
    edge = envelope(1000, 100, 200)
    assert edge[0] == 0.0
    assert edge[50] == pytest.approx(0.5)
    assert edge[100:800] == pytest.approx(1.0)
    assert edge[899] == pytest.approx(0.5)
    assert edge[-1] == pytest.approx(0.0, abs=1e-12)
    assert np.all(np.diff(edge[:101]) >= 0)
    assert np.all(np.diff(edge[800:]) <= 0)


def test_edges_that_do_not_fit_are_shortened() -> None:
    edge = envelope(90, 100, 200)
    assert len(edge) == 90
    assert edge.max() <= 1.0
    assert edge[-1] == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(
    "sound", [tone(880.0, 0.08, RATE_HZ), glide(660.0, 990.0, 0.75, RATE_HZ, size=0.5)]
)
def test_no_clicks(sound: np.ndarray) -> None:
    # A click is a jump from sample to sample beyond what the highest pitch can do.
    top_hz = 990.0
    steps = np.abs(np.diff(np.concatenate([[0.0], sound, [0.0]])))
    assert steps.max() < 2 * np.pi * top_hz / RATE_HZ * np.abs(sound).max() * 1.1


def test_a_glide_rises_evenly_in_pitch() -> None:
    sound = glide(500.0, 1000.0, 2.0, RATE_HZ).astype(float)
    part = round(0.1 * RATE_HZ)
    # After a quarter of its time it has risen by a quarter of an octave.
    for share in (0.25, 0.5, 0.75):
        middle = round(share * len(sound))
        heard = pitch_hz(sound[middle - part // 2 : middle + part // 2])
        assert heard == pytest.approx(500.0 * 2.0**share, rel=0.003)


def test_a_glide_to_where_it_is_is_a_tone() -> None:
    sound = glide(700.0, 700.0, 0.4, RATE_HZ).astype(float)
    assert pitch_hz(sound) == pytest.approx(700.0, abs=0.05)


def test_a_chime_is_two_pitches_and_no_louder_than_one() -> None:
    sound = chime(880.0, 1318.5102, 0.5, RATE_HZ).astype(float)
    power = np.abs(np.fft.rfft(sound * np.hanning(len(sound)))) ** 2
    near = [power[round(hz * 0.5) - 3 : round(hz * 0.5) + 4].sum() for hz in (880.0, 1318.5)]
    assert sum(near) > 0.999 * power.sum()
    # 0.6 and 0.4 of the size: power as 9 to 4.
    assert near[0] / near[1] == pytest.approx(2.25, rel=0.02)
    assert 0.9 < np.abs(sound).max() <= 1.0
    ringing = chime(880.0, 1318.5102, 0.5, RATE_HZ, ring_s=0.1)
    size = [np.abs(ringing[round(t * RATE_HZ) :][:2400]).max() for t in (0.05, 0.15, 0.25)]
    assert size[0] / size[1] == pytest.approx(np.e, rel=0.03)
    assert size[1] / size[2] == pytest.approx(np.e, rel=0.03)


def test_joining() -> None:
    sound = join(tone(880.0, 0.1, RATE_HZ), silence(0.05, RATE_HZ), tone(440.0, 0.1, RATE_HZ))
    assert len(sound) == round(0.25 * RATE_HZ)
    assert sound.dtype == np.float32
    assert len(join()) == 0
