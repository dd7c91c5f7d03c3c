"""A player who stands still near the top, and turns a little further before the way down."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import unhurried

RECORDINGS = Path(__file__).resolve().parents[3] / "recordings"


@pytest.mark.parametrize("creep_dps", [-0.5, 0.0, 0.5, 1.0])
@pytest.mark.parametrize("hold_s", [0.3, 0.8])
def test_who_stands_still_and_settles_deeper_has_the_top_in_the_pause_s_middle(
    creep_dps: float, hold_s: float
) -> None:
    """A stillness put into a recorded swing a little before its greatest turn."""
    with unhurried.open_recording(RECORDINGS / "monday-wrist") as recording:
        blocks = list(recording.blocks())
        fs = recording.rate_hz
    acc = np.concatenate([b.acc_m_s2 for b in blocks])
    gyr = np.concatenate([b.gyr_dps for b in blocks])
    seq = np.concatenate([b.seq for b in blocks])
    whole = unhurried.analyze(RECORDINGS / "monday-wrist").swings[2]
    assert whole.top_s is not None
    assert whole.backswing_ms is not None
    assert whole.downswing_ms is not None
    k = int(np.searchsorted(seq, round(whole.top_s * fs)))
    n = round(hold_s * fs)
    rng = np.random.default_rng(1)
    stretches = [gyr[j : j + 100] for j in range(0, len(gyr) - 100, 50)]
    zero = min(stretches, key=lambda one: float(one.std())).mean(axis=0)
    axis = gyr[k - 60 : k - 20].mean(axis=0)
    still = zero + creep_dps * axis / np.linalg.norm(axis) + rng.normal(0.0, 0.1, (n, 3))
    rest = acc[k] + rng.normal(0.0, 0.02, (n, 3))
    a, b = k - 1500, k + 1500
    finder = unhurried.SwingFinder(rate_hz=fs, mount="wrist")
    gyr_held = np.concatenate([gyr[a:k], still, gyr[k:b]])
    found = finder.feed(np.arange(3000 + n), np.concatenate([acc[a:k], rest, acc[k:b]]), gyr_held)
    (one,) = [x for x in (*found, *finder.flush()) if abs(x.anchor_seq - 1500) < 400]
    assert one.takeaway_seq is not None
    assert one.top_seq is not None
    assert one.impact_seq is not None
    back_ms = 1e3 * (one.top_seq - one.takeaway_seq) / fs
    down_ms = 1e3 * (one.impact_seq - one.top_seq) / fs
    assert back_ms == pytest.approx(whole.backswing_ms + 500.0 * hold_s, abs=70.0)
    assert down_ms == pytest.approx(whole.downswing_ms + 500.0 * hold_s, abs=70.0)
