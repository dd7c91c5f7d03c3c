"""The mixer: frame-exact whatever the blocks, limited, never louder by itself."""

from __future__ import annotations

import threading

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from feedback.mixer import HARD_LIMIT, LEVEL, Mixer
from feedback.tones import tone

SOUNDS = st.lists(
    st.tuples(
        st.integers(0, 4000),
        st.integers(1, 2000),
        st.floats(0.05, 1.0),
        st.sampled_from([440.0, 880.0, 1318.5]),
    ),
    max_size=8,
)


@settings(deadline=None)
@given(sounds=SOUNDS, cuts=st.lists(st.integers(0, 700), max_size=30))
def test_what_comes_out_does_not_depend_on_the_blocks(
    sounds: list[tuple[int, int, float, float]], cuts: list[int]
) -> None:
    total = 8000

    def make() -> Mixer:
        mixer = Mixer(8000)
        for frame, n, size, hz in sounds:
            mixer.play(tone(hz, n / 8000, 8000, size=size), frame)
        return mixer

    whole = make().render(total)
    pieces = make()
    out = [pieces.render(n) for n in cuts if pieces.frame + n <= total]
    out.append(pieces.render(total - pieces.frame))
    assert np.array_equal(whole, np.concatenate(out))


@settings(max_examples=40, deadline=None)
@given(sounds=SOUNDS)
def test_it_is_the_plain_sum_and_never_beyond_the_limit(
    sounds: list[tuple[int, int, float, float]],
) -> None:
    mixer = Mixer(8000)
    expected = np.zeros(8000)
    for frame, n, size, hz in sounds:
        sound = tone(hz, n / 8000, 8000, size=size)
        mixer.play(sound, frame)
        expected[frame : frame + len(sound)] += sound[: 8000 - frame]
    out = mixer.render(8000)
    assert np.abs(out).max(initial=0.0) <= np.float32(HARD_LIMIT)
    assert out == pytest.approx(np.clip(LEVEL * expected, -HARD_LIMIT, HARD_LIMIT), abs=1e-6)


def test_one_tone_reaches_the_level_and_no_more() -> None:
    mixer = Mixer(48_000)
    mixer.play(tone(880.0, 0.1, 48_000), 0)
    assert np.abs(mixer.render(4800)).max() == pytest.approx(0.35, abs=0.001)


def test_at_once_is_the_next_block() -> None:
    mixer = Mixer(48_000)
    mixer.render(100)
    voice = mixer.play(np.ones(10, dtype=np.float32))
    assert voice.started is None
    out = mixer.render(20)
    assert voice.started == 100
    assert np.flatnonzero(out).tolist() == list(range(10))


def test_a_frame_that_has_gone_by_is_counted() -> None:
    mixer = Mixer(48_000)
    mixer.render(100)
    voice = mixer.play(np.ones(10, dtype=np.float32), 50)
    mixer.render(10)
    assert mixer.late == 1
    assert voice.started == 100


def test_called_off_before_it_begins_it_is_not_heard() -> None:
    mixer = Mixer(48_000)
    voice = mixer.play(np.ones(100, dtype=np.float32), 500)
    voice.call_off()
    assert not mixer.render(1000).any()
    assert mixer.waiting == 0


def test_called_off_while_playing_it_fades_without_a_click() -> None:
    mixer = Mixer(48_000, level=0.5)
    voice = mixer.play(np.ones(10_000, dtype=np.float32), 0)
    mixer.render(1000)
    voice.call_off()
    out = mixer.render(1000)
    assert np.abs(np.diff(np.concatenate([[0.5], out]))).max() < 0.005
    assert not out[240:].any()
    assert mixer.waiting == 0


def test_a_sound_can_be_made_to_end_early_also_when_it_has_begun() -> None:
    for before in (0, 500):
        mixer = Mixer(48_000, level=0.5)
        voice = mixer.play(np.ones(4800, dtype=np.float32), 0)
        out = [mixer.render(before)]
        voice.end_after(1000, 240)
        out.append(mixer.render(2000))
        x = np.concatenate(out)
        assert np.all(x[:760] == 0.5)
        assert np.abs(np.diff(np.concatenate([[0.5], x]))).max() < 0.005
        assert not x[1000:].any()
        assert mixer.waiting == 0
    voice = mixer.play(np.ones(100, dtype=np.float32))
    voice.end_after(200, 50)
    assert len(voice.sound) == 100


def test_the_level_is_bounded() -> None:
    for level in (0.0, -0.1, 0.91, float("nan")):
        with pytest.raises(ValueError, match="level"):
            Mixer(48_000, level=level)
    with pytest.raises(ValueError, match="rate_hz"):
        Mixer(100)


def test_playing_from_other_threads_loses_nothing() -> None:
    mixer = Mixer(48_000)
    blip = np.ones(1, dtype=np.float32)

    def play(first: int) -> None:
        for k in range(500):
            mixer.play(blip, 100_000 + first + 4 * k)

    threads = [threading.Thread(target=play, args=(k,)) for k in range(4)]
    for thread in threads:
        thread.start()
    out = [mixer.render(64) for _ in range(50)]
    for thread in threads:
        thread.join()
    out.append(mixer.render(102_000 - mixer.frame))
    assert np.count_nonzero(np.concatenate(out)) == 2000
