"""Measuring by itself: what an outline promises and the samples don't hold is no swing."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.swing.measure import measure
from analysis.swing.samples import Conditions, Window

RATE_HZ = 200.0
N = 420


def window(rate_dps: np.ndarray) -> Window:
    """A rotation about one axis, after rest, with a little noise."""
    rng = np.random.default_rng(3)
    gyr = 0.05 * rng.standard_normal((N, 3))
    gyr[:, 1] += rate_dps
    return Window(
        first_seq=0,
        acc_m_s2=np.tile([0.0, 0.0, 9.80665], (N, 1)) + 0.01 * rng.standard_normal((N, 3)),
        gyr_dps=gyr,
        whole=np.ones(N, dtype=bool),
        zero_dps=np.zeros(3),
        zero_u_dps=0.1,
    )


@pytest.mark.parametrize("least", [250, 290, 300, 301])
def test_a_turn_that_never_comes_back_is_no_swing(least: int) -> None:
    """As a slip at the top makes it: the turn is greatest where the outline has its peak."""
    t = np.clip((np.arange(N) - 200) / RATE_HZ, 0.0, 1.0)
    rough = {"start": 200, "top": 270, "peak": 300, "least": least}
    assert measure(window(400.0 * t), rough, Conditions(rate_hz=RATE_HZ, mount="wrist")) is None


def test_there_and_back_is_measured() -> None:
    """Half a cosine back, a whole one down and through: the exact turn and times."""
    t = (np.arange(N) - 150) / RATE_HZ
    back, down = (t > 0.0) & (t < 0.5), (t >= 0.5) & (t < 0.9)
    rate = np.where(back, 300.0 * np.sin(2.0 * np.pi * t) ** 2, 0.0)
    rate = np.where(down, -500.0 * np.sin(np.pi * (t - 0.5) / 0.4) ** 2, rate)
    rough = {"start": 152, "top": 250, "peak": 290, "least": 297}
    found = measure(window(rate), rough, Conditions(rate_hz=RATE_HZ, mount="wrist"))
    assert found is not None
    # The integral of the square of a sine is half of its length; takeaway leaves out the toe.
    assert found.turn_deg == pytest.approx(300.0 * 0.25, abs=1.0)
    assert found.peak_rate_dps == pytest.approx(500.0, rel=0.02)
    assert found.top_seq == pytest.approx(250.0, abs=2.0)
