"""A clipped gyroscope: rebuilt where the neighbours or the pull tell, a flagged bound elsewhere."""

from __future__ import annotations

import numpy as np
import pytest
from finder_runs import find_one

from analysis.swing.clipping import rebuild
from simulation.sessions import simulate_swing

RATE_HZ = 400.0


def bell(n: int = 120) -> tuple[np.ndarray, np.ndarray]:
    """A smooth rate about one axis, and a pull with its square along another."""
    t = (np.arange(n) - 0.6 * n) / RATE_HZ
    gyr = np.zeros((n, 3))
    gyr[:, 1] = 1500.0 * np.exp(-((t / 0.07) ** 2))
    acc = np.zeros((n, 3))
    acc[:, 0] = 0.7 * np.radians(gyr[:, 1]) ** 2
    return gyr, acc


def test_a_stretch_with_both_sides_is_bridged() -> None:
    gyr, acc = bell()
    clip = np.abs(gyr) >= 1300.0
    got = rebuild(np.clip(gyr, -1300, 1300), clip, acc, np.zeros_like(clip), lo=0, end=len(gyr))
    assert not got.bound.any()
    at = clip[:, 1]
    assert np.abs(got.gyr_dps[at, 1] - gyr[at, 1]).max() < 0.01 * 1500.0
    assert (got.u_dps[at] > 0).all()
    assert (got.u_dps[~at] == 0).all()


def test_a_stretch_cut_off_by_the_impact_is_told_from_the_pull() -> None:
    gyr, acc = bell()
    end = 72  # the peak
    clip = np.abs(gyr) >= 1300.0
    got = rebuild(np.clip(gyr, -1300, 1300), clip, acc, np.zeros_like(clip), lo=0, end=end)
    assert not got.bound.any()
    np.testing.assert_allclose(got.gyr_dps[clip[:, 1]][:3, 1], gyr[clip[:, 1]][:3, 1], rtol=1e-6)


def test_without_either_it_is_a_bound() -> None:
    gyr, acc = bell()
    clip = np.abs(gyr) >= 1300.0
    dead = np.ones_like(clip)
    got = rebuild(np.clip(gyr, -1300, 1300), clip, acc, dead, lo=0, end=72)
    assert got.bound.any()
    assert np.abs(got.gyr_dps).max() == 1300.0


@pytest.mark.parametrize("seed", range(81000, 81012))
def test_simulated_swings_are_within_their_uncertainty_or_bounded(seed: int) -> None:
    swing = simulate_swing(
        seed,
        mount=("wrist", "glove", "trunk")[seed % 3],
        model="chain",
        rate_hz=RATE_HZ,
        clip_gyr=True,
        acc_range_g=200.0,
        strike=False,
    )
    found = find_one(swing)
    true = swing.truth[0].peak_rate_dps
    assert true is not None
    assert found.peak_rate_dps is not None
    assert found.peak_rate_u is not None
    if any(n.code == "rate_lower_bound" for n in found.notes):
        assert found.peak_rate_dps < 1.03 * true
    else:
        assert abs(found.peak_rate_dps - true) < 4.0 * found.peak_rate_u
