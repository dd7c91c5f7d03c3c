"""The gyroscope's zero: one estimate, and it is the one that every swing keeps."""

from __future__ import annotations

import numpy as np
import pytest
from finder_runs import find_one

from analysis import SwingFinder
from analysis.swing.live_turn import LiveTurn
from analysis.swing.zero import Zero, zero_before
from simulation.sessions import simulate_swing

ZERO = np.array([1.5, -2.5, 0.75])
G = np.array([0.0, 0.0, 9.80665])


def still(seconds: float, *, seed: int = 1, rate_hz: float = 200.0) -> tuple[np.ndarray, ...]:
    """Samples of a sensor that lies still, (gyr, acc)."""
    rng = np.random.default_rng(seed)
    n = round(seconds * rate_hz)
    return ZERO + 0.1 * rng.standard_normal((n, 3)), G + 0.02 * rng.standard_normal((n, 3))


def test_a_still_sensor_shows_its_zero_and_how_well_it_is_known() -> None:
    gyr, acc = still(20.0)
    assert zero_before(gyr, acc, 200.0) == pytest.approx(ZERO, abs=0.02)
    zero = Zero()
    assert (zero.dps.tolist(), zero.information) == ([0.0, 0.0, 0.0], 0.0)
    blocks = gyr[:100].reshape(25, 4, 3).mean(axis=1), acc[:100].reshape(25, 4, 3).mean(axis=1)
    zero.take(*blocks)
    once = 1.0 / np.sqrt(zero.information)
    assert zero.dps == pytest.approx(ZERO, abs=4.0 * once)
    zero.take(*blocks)
    assert 1.0 / np.sqrt(zero.information) == pytest.approx(once / np.sqrt(2.0), rel=0.01)


@pytest.mark.parametrize("what", ["turning", "walking", "shaken"])
def test_what_moves_is_not_read(what: str) -> None:
    gyr, acc = still(0.5)
    blocks, pull = (x.reshape(25, 4, 3).mean(axis=1) for x in (gyr, acc))
    t = 0.02 * np.arange(25)[:, None]
    if what == "turning":
        blocks = blocks + np.array([30.0, 0.0, 0.0])
    elif what == "walking":
        blocks = blocks + 20.0 * np.sin(2.0 * np.pi * 2.0 * t)
    else:
        pull = pull + 2.0 * np.sin(2.0 * np.pi * 2.0 * t)
    zero = Zero()
    zero.take(blocks, pull)
    assert zero.information == 0.0


def test_a_slow_steady_turn_hardly_moves_a_zero_that_is_known() -> None:
    zero = Zero()
    gyr, acc = (x.reshape(-1, 25, 4, 3).mean(axis=2) for x in still(10.0))
    for blocks in zip(gyr, acc, strict=True):
        zero.take(*blocks)
    zero.take(gyr[0] + [15.0, 0.0, 0.0], acc[0])
    assert zero.dps == pytest.approx(ZERO, abs=0.05)


def test_finder_and_live_turn_have_the_same_zero() -> None:
    gyr, acc = still(9.0)
    swing = simulate_swing(3, strike=False)
    gyr = np.concatenate([gyr, swing.gyr_dps + ZERO])
    acc = np.concatenate([acc, swing.acc_m_s2])
    seq = np.arange(len(gyr))
    live = LiveTurn(rate_hz=200.0, mount="wrist")
    live.feed(seq, acc, gyr)
    finder = SwingFinder(rate_hz=200.0, mount="wrist")
    finder.feed(seq, acc, gyr)
    # Block means are summed in another way: the same but for rounding.
    assert live.zero_dps == pytest.approx(finder.zero_dps, abs=1e-9)
    assert finder.zero_dps == pytest.approx(ZERO, abs=0.2)


def test_a_swing_keeps_the_zero_that_it_was_measured_with() -> None:
    swing = simulate_swing(3, strike=False)
    plain = find_one(swing)
    swing.gyr_dps[:] += ZERO
    moved = find_one(swing)
    assert moved.zero_dps is not None
    assert plain.zero_dps is not None
    assert np.subtract(moved.zero_dps, plain.zero_dps) == pytest.approx(ZERO, abs=0.1)
    assert moved.turn_deg == pytest.approx(plain.turn_deg, abs=0.2)
