"""Clips against offsets known by construction: made with ffmpeg, read by our own code."""

from __future__ import annotations

import dataclasses
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchmarks.clip import FRAME_S, RATE_HZ, draw_clip, knock, line_up, put
from library.errors import ClipError
from review.clip import ClipParams, Knocks, align_clip, find_knocks, read_clip, sound_energy

needs_ffmpeg = pytest.mark.skipif(
    shutil.which("ffmpeg") is None, reason="ffmpeg is not installed: no clips can be made"
)


def run_ffmpeg(*arguments: str) -> None:
    subprocess.run(
        ["ffmpeg", "-v", "error", "-y", *arguments], check=True, stdin=subprocess.DEVNULL
    )


@needs_ffmpeg
def test_clips_with_range_noise_line_up_or_say_their_doubt(tmp_path: Path) -> None:
    right = 0
    for seed in range(8):
        drawn = draw_clip(4_000_000 + seed, tmp_path)
        match = line_up(drawn)
        good = match.offset_s is not None and abs(match.offset_s - drawn.offset_s) <= FRAME_S
        right += good
        assert good or not match.sure, match
        if match.sure:
            assert match.offset_s is not None
            assert match.offset_u_s is not None
            assert abs(match.offset_s - drawn.offset_s) < 4 * match.offset_u_s
    assert right >= 6


@needs_ffmpeg
@pytest.mark.parametrize("late_s", [0.0, 0.25])
def test_sound_and_picture_that_start_apart(tmp_path: Path, late_s: float) -> None:
    """The clip's zero is its first picture, wherever the sound begins."""
    sound = 0.001 * np.random.default_rng(1).standard_normal(5 * RATE_HZ)
    put(sound, 2.0, knock(np.random.default_rng(2)))
    raw = tmp_path / "a.f32"
    sound.astype("<f4").tofile(raw)
    clip = tmp_path / "a.mp4"
    run_ffmpeg(
        *(
            "-itsoffset",
            str(late_s),
            "-f",
            "f32le",
            "-ar",
            str(RATE_HZ),
            "-ac",
            "1",
            "-i",
            str(raw),
        ),
        *("-f", "lavfi", "-i", "color=c=gray:s=32x32:r=60:d=6"),
        *("-c:a", "aac", "-c:v", "mpeg4", str(clip)),
    )
    facts = read_clip(clip)
    knocks = find_knocks(facts.energy, hop_s=facts.hop_s)
    assert facts.frame_rate_hz == pytest.approx(60.0)
    # That the noise begins out of nothing may be heard as well, but far weaker.
    loudest = knocks.time_s[np.argmax(knocks.loudness_db)]
    assert loudest == pytest.approx(2.0 + late_s, abs=0.003)


@needs_ffmpeg
def test_other_sound_formats_are_read(tmp_path: Path) -> None:
    sound = np.zeros(3 * RATE_HZ)
    put(sound, 1.5, 0.5 * knock(np.random.default_rng(2)))
    raw = tmp_path / "a.f32"
    sound.astype("<f4").tofile(raw)
    source = ("-f", "f32le", "-ar", str(RATE_HZ), "-ac", "1", "-i", str(raw))
    for name, codec in (("s.wav", "pcm_s16le"), ("m.mkv", "flac"), ("u.wav", "pcm_u8")):
        run_ffmpeg(*source, "-ac", "2", "-c:a", codec, str(tmp_path / name))
        facts = read_clip(tmp_path / name)
        knocks = find_knocks(facts.energy, hop_s=facts.hop_s)
        assert knocks.time_s == pytest.approx([1.5], abs=0.002), name


@needs_ffmpeg
@pytest.mark.parametrize("rate_hz", [48_000, 44_100, 32_000, 22_050, 16_000])
def test_time_is_not_stretched_whatever_the_sound_rate(tmp_path: Path, rate_hz: int) -> None:
    sound = 0.0003 * np.random.default_rng(5).standard_normal(50 * RATE_HZ)
    at_s = [8.48, 18.28, 28.12, 36.61, 43.83]
    for k, at in enumerate(at_s):
        put(sound, at, 0.5 * knock(np.random.default_rng(k)))
    raw = tmp_path / "a.f32"
    sound.astype("<f4").tofile(raw)
    clip = tmp_path / "a.m4a"
    source = ("-f", "f32le", "-ar", str(RATE_HZ), "-ac", "1", "-i", str(raw))
    run_ffmpeg(*source, "-ar", str(rate_hz), "-c:a", "aac", str(clip))
    facts = read_clip(clip)
    knocks = find_knocks(facts.energy, hop_s=facts.hop_s)
    loudest = np.sort(knocks.time_s[np.argsort(knocks.loudness_db)[-5:]])
    # The encoder spreads a knock by some milliseconds at low rates; a stretch would be 0.1 s.
    assert loudest == pytest.approx(at_s, abs=0.008)


@needs_ffmpeg
def test_a_clip_without_sound_says_so(tmp_path: Path) -> None:
    clip = tmp_path / "silent.mp4"
    run_ffmpeg("-f", "lavfi", "-i", "color=c=gray:s=32x32:r=30:d=2", "-c:v", "mpeg4", str(clip))
    facts = read_clip(clip)
    match = align_clip(
        find_knocks(facts.energy, hop_s=facts.hop_s), [10.0], clip_s=facts.duration_s
    )
    assert match.offset_s is None
    assert "by eye" in match.why


@pytest.mark.parametrize(
    "content", [b"", b"\x00" * 4096, b"RIFF\xff\xff\xff\xffWAVE", b"hello" * 999]
)
def test_what_is_not_a_clip_is_refused_in_one_line(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "x.mp4"
    path.write_bytes(content)
    with pytest.raises(ClipError, match=r"x\.mp4") as caught:
        read_clip(path)
    assert "\n" not in str(caught.value)


def test_a_moved_clip_is_asked_for(tmp_path: Path) -> None:
    with pytest.raises(ClipError, match="moved"):
        read_clip(tmp_path / "gone.mp4")


@pytest.mark.parametrize("seed", range(6))
def test_a_quick_count_first_finds_the_same(seed: int) -> None:
    """As half an hour at a full range needs it: weighing all would take minutes."""
    rng = np.random.default_rng(seed)
    impacts = np.sort(rng.uniform(0.0, 900.0, 40))
    heard = np.sort([*(impacts[10:25] - 300.0 + 3.0 / 343.2), *rng.uniform(0.0, 300.0, 60)])
    knocks = Knocks(
        time_s=heard[heard > 0.0],
        rise_db=np.full(np.sum(heard > 0.0), 20.0),
        loudness_db=-rng.exponential(10.0, np.sum(heard > 0.0)),
    )
    every, few = (
        align_clip(
            knocks,
            impacts.tolist(),
            clip_s=300.0,
            guesses_s=[301.0] if seed % 2 else [],
            params=ClipParams(most_starts=most),
        )
        for most in (10**6, 100)
    )
    assert every.offset_s == few.offset_s
    assert every.offset_s is not None
    assert every.sure == few.sure


def test_only_the_most_sudden_knocks_of_a_full_range_are_looked_at() -> None:
    energy = np.full(40_000, 1e-6)
    energy[200::400] = np.linspace(1e-3, 1.0, len(energy[200::400]))
    every = find_knocks(energy, hop_s=0.0005)
    assert len(every.time_s) > 90
    few = find_knocks(energy, hop_s=0.0005, params=ClipParams(most_knocks=10))
    assert len(few.time_s) == 10
    assert set(few.time_s) <= set(every.time_s)
    assert min(few.rise_db) >= np.sort(every.rise_db)[-10]


def knocks_at(*at_s: float, loudness_db: float = 0.0) -> Knocks:
    n = len(at_s)
    return Knocks(
        time_s=np.asarray(at_s), rise_db=np.full(n, 30.0), loudness_db=np.full(n, loudness_db)
    )


def test_one_knock_among_many_impacts_is_in_doubt() -> None:
    match = align_clip(knocks_at(3.0), [10.0, 40.0, 77.0], clip_s=6.0, distance_m=0.0)
    assert not match.sure
    assert len(match.others_s) >= 1


def test_a_rhythm_of_impacts_is_sure_and_a_missing_one_does_no_harm() -> None:
    impacts = [10.0, 31.5, 47.2, 80.0]
    match = align_clip(knocks_at(2.0, 5.5, 23.5, 39.2), impacts, clip_s=60.0, distance_m=0.0)
    assert match.sure, match
    assert match.offset_s == pytest.approx(8.0, abs=0.001)
    assert (match.heard, match.expected) == (3, 3)


def test_two_equal_knocks_and_one_impact_are_in_doubt_until_a_date_tells() -> None:
    knocks = knocks_at(3.0, 9.0)
    doubt = align_clip(knocks, [50.0], clip_s=12.0, shows_s=50.0)
    assert not doubt.sure
    dated = align_clip(
        knocks,
        [50.0],
        clip_s=12.0,
        shows_s=50.0,
        guesses_s=[41.2],
        params=ClipParams(clock_u_s=0.5),
    )
    assert dated.offset_s == pytest.approx(41.0, abs=0.02)
    assert dated.sure


@pytest.mark.parametrize("cut_s", [0.4, 11.6])
def test_a_swing_that_the_clip_would_cut_hardly_is_the_one_it_shows(cut_s: float) -> None:
    def line_up(*, shown: bool, clip_s: float = 12.0) -> float | None:
        knocks = Knocks(
            time_s=np.sort([cut_s, 6.0]),
            rise_db=np.full(2, 30.0),
            # The one that would be cut is louder by 2 dB.
            loudness_db=np.where(np.sort([cut_s, 6.0]) == cut_s, 0.0, -2.0),
        )
        match = align_clip(
            knocks, [50.0], clip_s=clip_s, shows_s=50.0 if shown else None, distance_m=0.0
        )
        assert not match.sure
        assert len(match.others_s) == 1
        return match.offset_s

    assert line_up(shown=True) == pytest.approx(50.0 - 6.0, abs=1e-6)
    # What isn't known to show a swing may begin and end anywhere.
    assert line_up(shown=False) == pytest.approx(50.0 - cut_s, abs=1e-6)


@pytest.mark.parametrize("clip_s", [1.5, 12.0])
def test_a_cut_swing_with_the_only_knock_is_still_found(clip_s: float) -> None:
    match = align_clip(knocks_at(0.4), [50.0], clip_s=clip_s, shows_s=50.0, distance_m=0.0)
    assert match.offset_s == pytest.approx(49.6, abs=1e-6)
    assert match.sure


def test_a_louder_knock_counts_by_its_pressure_and_gain_by_nothing() -> None:
    knocks = Knocks(
        time_s=np.asarray([3.0, 6.0]),
        rise_db=np.full(2, 30.0),
        loudness_db=np.asarray([0.0, -20.0]),
    )
    # A date of 1 s (standard deviation) for the weaker knock weighs exp(9 / 2) = 90 against 1 of
    # the other: more than the tenfold pressure of 20 dB, less than the hundredfold of 40 dB.
    sharp = ClipParams(clock_u_s=1.0, wrong_date_share=0.0)

    def found(extra_db: float, gain_db: float) -> float | None:
        louder = np.asarray([gain_db, gain_db - 20.0 - extra_db])
        return align_clip(
            dataclasses.replace(knocks, loudness_db=louder),
            [50.0],
            clip_s=12.0,
            shows_s=50.0,
            guesses_s=[44.0],
            distance_m=0.0,
            params=sharp,
        ).offset_s

    for gain_db in (0.0, -30.0):
        assert found(0.0, gain_db) == pytest.approx(44.0, abs=1e-6)
        assert found(20.0, gain_db) == pytest.approx(47.0, abs=1e-6)


def test_sound_takes_its_time() -> None:
    near = align_clip(knocks_at(3.0), [50.0], clip_s=6.0, shows_s=50.0, distance_m=0.0)
    far = align_clip(knocks_at(3.0), [50.0], clip_s=6.0, shows_s=50.0, distance_m=34.32)
    assert near.offset_s is not None
    assert far.offset_s is not None
    # 34.32 m at 343.2 m/s (ISO 9613-1, 20 deg C)
    assert far.offset_s - near.offset_s == pytest.approx(0.1, abs=1e-9)


@settings(max_examples=60, deadline=None)
@given(
    shift=st.floats(-500, 500),
    gaps=st.lists(st.floats(8.0, 30.0), min_size=2, max_size=6),
    extra=st.lists(st.floats(0.1, 60.0), max_size=4),
)
def test_a_shift_in_time_only_shifts(shift: float, gaps: list[float], extra: list[float]) -> None:
    impacts = np.cumsum(gaps) + 100.0
    knocks = knocks_at(*np.unique(np.concatenate([impacts - 95.0, extra])))
    a = align_clip(knocks, list(impacts), clip_s=200.0)
    b = align_clip(knocks, list(impacts + shift), clip_s=200.0)
    assert a.offset_s is not None
    assert b.offset_s is not None
    assert b.offset_s - a.offset_s == pytest.approx(shift, abs=1e-6)
    assert a.sure == b.sure


@settings(max_examples=40, deadline=None)
@given(level=st.floats(1e-4, 1.0), at_s=st.floats(0.1, 1.8), noise=st.floats(0.0, 0.003))
def test_a_knock_is_found_at_any_level_above_the_noise(
    level: float, at_s: float, noise: float
) -> None:
    rng = np.random.default_rng(3)
    sound = noise * level * rng.standard_normal(2 * RATE_HZ)
    put(sound, at_s, level * knock(rng))
    energy = sound_energy(sound, rate_hz=RATE_HZ, hop_s=0.0005)
    found = find_knocks(energy, hop_s=0.0005)
    assert len(found.time_s)
    loudest = found.time_s[np.argmax(found.loudness_db)]
    assert loudest == pytest.approx(at_s, abs=0.002)


def test_steady_sound_has_no_knocks() -> None:
    rng = np.random.default_rng(4)
    for sound in (rng.standard_normal(3 * RATE_HZ), np.zeros(3 * RATE_HZ)):
        energy = sound_energy(sound, rate_hz=RATE_HZ, hop_s=0.0005)
        assert len(find_knocks(energy, hop_s=0.0005).time_s) == 0
    assert len(find_knocks(np.zeros(3), hop_s=0.0005).time_s) == 0
