"""The cue: what is rendered, read back by others and heard by other ears."""

from __future__ import annotations

import subprocess
import sys
import wave
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from listening import RATE_HZ, ROOT, onsets_s, pitch_hz
from patience import PATIENCE_S
from scipy.signal import hilbert

from feedback.cue import Cue, progression, render_blocks, track_plan
from feedback.errors import TrackError
from feedback.outputs import write_wav
from unhurried.cli import run
from words.sound import FIX

soundfile = pytest.importorskip("soundfile")

# Of the envelope at a tenth of its peak: 0.42 ms at an attack of 2 ms (a fixed bias).
LATE_S = 0.0005


def wav(path: Path, *arguments: str) -> np.ndarray:
    """A track made by the command, read back with soundfile and with the standard library."""
    assert run(["cue", "--out", str(path), *arguments]) == 0
    x, rate = soundfile.read(path)
    assert rate == RATE_HZ
    with wave.open(str(path)) as file:
        assert (file.getnchannels(), file.getsampwidth(), file.getframerate()) == (1, 2, RATE_HZ)
        counts = np.frombuffer(file.readframes(file.getnframes()), "<i2")
    assert np.array_equal(counts / 32768.0, x)
    return np.asarray(x, dtype=float)


def test_a_track_has_its_sounds_where_they_belong(tmp_path: Path) -> None:
    x = wav(tmp_path / "t.wav", "--backswing-ms", "800", "--repeats", "3", "--rest-s", "4")
    heard = onsets_s(x)
    assert len(heard) == 9
    ready, glide, top = heard[::3], heard[1::3], heard[2::3]
    period = 1.2 + 0.8 + 4.0 - 1.2
    for k in range(3):
        at = 1.0 + k * (period + 1.2)
        assert ready[k] == pytest.approx(at, abs=0.002)
        # The glide swells over 30 ms, so its onset is seen late.
        assert glide[k] == pytest.approx(at + 1.2, abs=0.012)
        assert top[k] == pytest.approx(at + 2.0, abs=LATE_S)
    assert np.diff(top) == pytest.approx(period + 1.2, abs=1e-4)
    assert np.abs(x).max() == pytest.approx(0.35, abs=0.002)


def test_pitches_and_the_silence_before_the_top(tmp_path: Path) -> None:
    x = wav(tmp_path / "t.wav", "--backswing-ms", "800", "--repeats", "1")
    top = onsets_s(x)[2]
    k = round(top * RATE_HZ)
    # ISO 16 and equal temperament: E6 is 19 semitones above A4.
    beep = x[k : k + round(0.085 * RATE_HZ)]
    assert pitch_hz(beep) == pytest.approx(440.0 * 2 ** (19 / 12), abs=1.0)
    ready = x[round(1.0 * RATE_HZ) : round(1.08 * RATE_HZ)]
    assert pitch_hz(ready) == pytest.approx(440.0 * 2 ** (7 / 12), abs=1.0)
    size = np.abs(hilbert(x))
    assert size[k - round(0.049 * RATE_HZ) : k - round(0.002 * RATE_HZ)].max() < 0.01
    assert size[k - round(0.10 * RATE_HZ) : k - round(0.06 * RATE_HZ)].max() > 0.05
    # Nothing on the way down.
    assert size[k + round(0.18 * RATE_HZ) :].max() < 0.001


def test_what_is_wrong_would_be_seen(tmp_path: Path) -> None:
    # Negative control: 3 ms later, 5 Hz higher.
    x = wav(tmp_path / "t.wav", "--backswing-ms", "800", "--repeats", "1")
    later = wav(tmp_path / "u.wav", "--backswing-ms", "803", "--repeats", "1")
    shift = onsets_s(later)[2] - onsets_s(x)[2]
    assert shift == pytest.approx(0.003, abs=1e-4)
    n = np.arange(round(0.085 * RATE_HZ)) / RATE_HZ
    off = np.sin(2 * np.pi * (440.0 * 2 ** (19 / 12) + 5.0) * n)
    assert pitch_hz(off) - 440.0 * 2 ** (19 / 12) == pytest.approx(5.0, abs=0.5)


def test_without_the_ready_beep(tmp_path: Path) -> None:
    x = wav(tmp_path / "t.wav", "--backswing-ms", "700", "--repeats", "2", "--no-ready")
    assert len(onsets_s(x)) == 4


def test_a_progression_is_heard(tmp_path: Path) -> None:
    arguments = ["--from-ms", "950", "--to-ms", "800", "--steps", "4", "--repeats", "4"]
    x = wav(tmp_path / "t.wav", *arguments, "--rest-s", "2")
    heard = onsets_s(x)
    ready, top = np.array(heard[::3]), np.array(heard[2::3])
    assert top - ready - 1.2 == pytest.approx([0.95, 0.90, 0.85, 0.80], abs=0.002)


@settings(deadline=None)
@given(
    steps=st.integers(2, 20),
    more=st.integers(0, 40),
    from_ms=st.floats(300, 5000),
    to_ms=st.floats(300, 5000),
)
def test_progressions(steps: int, more: int, from_ms: float, to_ms: float) -> None:
    values = progression(from_ms, to_ms, steps, steps + more)
    assert len(values) == steps + more
    assert values[0] == from_ms
    assert values[-1] == pytest.approx(to_ms)
    counts = [values.count(v) for v in dict.fromkeys(values)]
    if from_ms != to_ms and len(counts) == steps:
        assert max(counts) - min(counts) <= 1
    assert sorted(values) in (values, values[::-1])


@pytest.mark.parametrize("skip_ms", [1, 150, 400, 749, 751, 799])
def test_taken_up_late_the_top_stays_where_it_was(skip_ms: int) -> None:
    cue = Cue(800.0, RATE_HZ, ready=False)
    parts = cue.parts(skip_frames=round(skip_ms * RATE_HZ / 1000))
    assert parts[-1].frame == cue.top_frame
    assert all(part.frame >= round(skip_ms * RATE_HZ / 1000) for part in parts)
    if len(parts) == 2:
        assert abs(parts[0].sound[0]) < 1e-6
        assert parts[0].frame + len(parts[0].sound) <= cue.top_frame - round(0.05 * RATE_HZ) + 1


def test_past_the_top_nothing_is_left() -> None:
    assert Cue(800.0, RATE_HZ, ready=False).parts(skip_frames=RATE_HZ) == []


def test_beats() -> None:
    cue = Cue(800.0, RATE_HZ)
    assert [(b.name, b.frame) for b in cue.beats(100_000)] == [
        ("ready", 100_000 - 57_600),
        ("takeaway", 100_000),
        ("top", 138_400),
    ]


@pytest.mark.parametrize("backswing_ms", [299.0, 5001.0, float("nan")])
def test_impossible_times_are_refused(backswing_ms: float) -> None:
    with pytest.raises(TrackError, match="cannot be cued"):
        Cue(backswing_ms)


def test_a_track_of_nothing_is_refused() -> None:
    with pytest.raises(TrackError, match="at least one"):
        track_plan([], rest_s=5.0)
    with pytest.raises(TrackError, match="rest"):
        track_plan([800.0], rest_s=0.0)
    with pytest.raises(TrackError, match="fewer repeats"):
        track_plan([800.0] * 500, rest_s=3600.0)
    with pytest.raises(TrackError, match="steps"):
        progression(900.0, 800.0, 4, 3)


def test_a_file_that_is_there_is_kept(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "t.wav"
    path.write_bytes(b"mine")
    arguments = ["cue", "--backswing-ms", "800", "--repeats", "1", "--out", str(path)]
    assert run(arguments) == 1
    assert path.read_bytes() == b"mine"
    assert "--overwrite" in capsys.readouterr().err
    assert run([*arguments, "--overwrite"]) == 0
    assert soundfile.info(path).frames > RATE_HZ


def test_what_cannot_be_written_leaves_nothing(tmp_path: Path) -> None:
    with pytest.raises(TrackError, match="cannot be written"):
        write_wav(tmp_path / "no" / "t.wav", [np.zeros(10, dtype=np.float32)], RATE_HZ)
    with pytest.raises(TrackError, match="finite"):
        write_wav(tmp_path / "t.wav", [np.full(10, np.nan, dtype=np.float32)], RATE_HZ)
    assert list(tmp_path.iterdir()) == []


def test_a_louder_track_only_when_asked(tmp_path: Path) -> None:
    plan = track_plan([800.0], rest_s=2.0)
    usual = np.concatenate(list(render_blocks(plan)))
    assert np.abs(usual).max() == pytest.approx(0.35, abs=0.001)
    asked = np.concatenate(list(render_blocks(plan, level=0.1)))
    assert np.abs(asked).max() == pytest.approx(0.1, abs=0.001)


def test_a_cue_that_cannot_sound_ends_with_what_helps(tmp_path: Path) -> None:
    env = {
        "PATH": "/usr/bin:/bin",
        "HOME": str(tmp_path),
        "PULSE_SERVER": f"unix:{tmp_path}/none",
        "UNHURRIED_HOME": str(tmp_path / "home"),
    }
    command = [sys.executable, "-m", "unhurried", "cue", "--backswing-ms", "800"]
    done = subprocess.run(
        [*command, "--repeats", "100"],
        env=env,
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
    )
    # At once, and not after 100 swings that nobody hears.
    assert done.returncode == 1, done.stderr
    assert len(done.stderr.splitlines()) == 1
    assert FIX in done.stderr
    assert "--out track.wav" in done.stderr
