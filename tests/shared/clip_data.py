"""Invented phone clips: a picture, and knocks at known times."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

RATE_HZ = 48_000
FRAME_HZ = 60

needs_ffmpeg = pytest.mark.skipif(
    shutil.which("ffmpeg") is None, reason="ffmpeg is not installed: no clips can be made"
)


def make_clip(
    path: Path,
    knocks_s: Sequence[float],
    *,
    duration_s: float,
    seed: int = 1,
    sound: bool = True,
    picture: bool = True,
) -> Path:
    """Make a clip of 60 pictures a second; .mp4 (H.264) or .webm (VP8) by its name.

    Sound arrives later than the ball is hit, by the way to a phone 3 m off (343.2 m/s in air).
    """
    rng = np.random.default_rng(seed)
    wave = 0.002 * rng.standard_normal(round(duration_s * RATE_HZ))
    decay = np.exp(-np.arange(round(0.03 * RATE_HZ)) / (0.004 * RATE_HZ))
    for at_s in knocks_s:
        first = round((at_s + 3.0 / 343.2) * RATE_HZ)
        knock = 0.5 * rng.standard_normal(len(decay)) * decay
        part = wave[first : first + len(knock)]
        part += knock[: len(part)]
    raw = path.with_suffix(".f32")
    wave.astype("<f4").tofile(raw)
    inputs, streams = [], []
    if picture:
        inputs += ["-f", "lavfi", "-i", f"testsrc2=size=240x180:rate={FRAME_HZ}:d={duration_s}"]
        codec = "libvpx" if path.suffix == ".webm" else "libx264"
        streams += ["-c:v", codec, "-pix_fmt", "yuv420p", "-g", "30", "-b:v", "200k"]
        if codec == "libx264":
            streams += ["-preset", "ultrafast", "-movflags", "+faststart"]
        else:
            streams += ["-deadline", "realtime", "-cpu-used", "8"]
    if sound:
        inputs += ["-f", "f32le", "-ar", str(RATE_HZ), "-ac", "1", "-i", str(raw)]
        streams += ["-c:a", "libopus" if path.suffix == ".webm" else "aac"]
    subprocess.run(
        ["ffmpeg", "-v", "error", "-y", *inputs, *streams, str(path)],
        check=True,
        stdin=subprocess.DEVNULL,
    )
    raw.unlink()
    return path
