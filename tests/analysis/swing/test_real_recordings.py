"""The finder is silent on real recordings of people who don't play golf."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from real_data import RealRecording, shoulder_exercises, walking_and_hand, watch_at_10_hz
from scipy.signal import resample_poly

from analysis import RateError, SwingFinder

MOUNTS = ("wrist", None)


def resampled(r: RealRecording, rate_hz: int) -> RealRecording:
    """Return the recording at another rate."""
    factor = Fraction(rate_hz, int(r.rate_hz))
    up, down = factor.numerator, factor.denominator
    return replace(
        r,
        rate_hz=float(rate_hz),
        acc_m_s2=resample_poly(r.acc_m_s2, up, down, axis=0, padtype="line"),
        gyr_dps=resample_poly(r.gyr_dps, up, down, axis=0, padtype="line"),
    )


def swings_in(r: RealRecording, mount: str | None) -> list[str]:
    """Say where swings are found; there should be none."""
    finder = SwingFinder(rate_hz=r.rate_hz, mount=mount)
    found = finder.feed(np.arange(len(r.gyr_dps)), r.acc_m_s2, r.gyr_dps) + finder.flush()
    return [f"{r.name} at {f.anchor_seq / r.rate_hz:.1f} s as {mount}" for f in found]


@pytest.fixture(scope="module")
def exercises() -> list[RealRecording]:
    """Fetch the shoulder exercises."""
    return shoulder_exercises()


def test_shoulder_exercises_are_what_the_reference_says(exercises: list[RealRecording]) -> None:
    assert len(exercises) == 140
    minutes = sum(len(r.gyr_dps) for r in exercises) / 50.0 / 60.0
    assert minutes == pytest.approx(81.0, abs=1.0)
    # Units: about gravity while exercising, and rates up to 1670 deg/s.
    usual = np.median(np.concatenate([np.linalg.norm(r.acc_m_s2, axis=1) for r in exercises]))
    assert usual == pytest.approx(9.8, abs=1.0)
    fastest = max(np.linalg.norm(r.gyr_dps, axis=1).max() for r in exercises)
    assert 1000.0 < fastest < 2500.0


@pytest.mark.parametrize("mount", MOUNTS)
@pytest.mark.parametrize("rate_hz", [50, 200])
def test_no_swing_in_81_min_of_shoulder_exercises(
    exercises: list[RealRecording], rate_hz: int, mount: str | None
) -> None:
    invented = []
    for r in exercises:
        invented += swings_in(r if rate_hz == 50 else resampled(r, rate_hz), mount)
    assert invented == []


@pytest.mark.parametrize("mount", ["wrist", "glove", "club", "trunk", None])
def test_no_swing_in_walking_and_motion_by_hand(mount: str | None) -> None:
    invented = []
    for r in walking_and_hand():
        assert np.median(np.linalg.norm(r.acc_m_s2, axis=1)) == pytest.approx(9.8, abs=1.0)
        invented += swings_in(r, mount)
    assert invented == []


def test_a_watch_at_10_hz_is_refused() -> None:
    recordings = watch_at_10_hz()
    assert len(recordings) == 80
    for r in recordings:
        with pytest.raises(RateError, match="10 Hz"):
            swings_in(r, "wrist")


def test_no_swing_in_a_watch_at_10_hz_made_to_look_like_50() -> None:
    # Whichever of the usual units was meant: rates in rad/s or already in deg/s.
    invented = []
    for r in watch_at_10_hz():
        fast = resampled(r, 50)
        invented += swings_in(fast, "wrist")
        invented += swings_in(replace(fast, gyr_dps=np.degrees(fast.gyr_dps)), "wrist")
    assert invented == []
