"""Pause and transition: against the exact truth of simulated swings, and as functions."""

from __future__ import annotations

import numpy as np
import pytest
from finder_runs import find_one, without

from benchmarks.calibration import our_swings
from benchmarks.populations import wide_recording
from simulation.motion.action import MOUNTS, Model
from simulation.sessions import simulate_swing


@pytest.mark.parametrize("model", ["pendulum", "chain", "spline"])
def test_stops_at_the_top_are_measured_to_20_ms(model: Model) -> None:
    """One swing a mount with a stop of 0.03 to 1 s; README has the shares."""
    errors = []
    for mount in MOUNTS:
        for seed in range(74_000_000, 74_000_200):
            swing, _ = wide_recording(seed, model=model, mount=mount, kind="full")
            (truth,) = (one for one in swing.truth if one.counts_as_swing)
            if truth.hold_ms > 0.0:
                break
        for found in our_swings(swing, 0.0)[:1]:
            assert found.pause_ms is not None
            assert found.transition_ms is not None
            assert truth.pause_ms is not None
            assert truth.transition_ms is not None
            errors.append(found.pause_ms - truth.pause_ms)
    assert len(errors) >= 3
    assert np.abs(errors).max() < 20.0


def test_a_plain_reversal_hardly_pauses() -> None:
    swing = simulate_swing(12, mount="club", strike=True, rate_hz=400.0)
    truth = swing.truth[0]
    assert truth.hold_ms == 0.0
    assert truth.pause_ms is not None
    assert truth.transition_ms is not None
    found = find_one(swing)
    ms = 1e3 / swing.nominal_rate_hz
    assert found.pause_samples is not None
    assert found.pause_u is not None
    assert found.pause_samples * ms < 15.0
    assert abs(found.pause_samples * ms - truth.pause_ms) < 3.0 * found.pause_u * ms
    assert found.transition_samples is not None
    assert found.transition_u is not None
    assert found.transition_samples * ms == pytest.approx(
        truth.transition_ms, abs=3.0 * found.transition_u * ms
    )


def test_where_the_top_is_hidden_neither_is_known() -> None:
    swing = simulate_swing(12, mount="club", strike=True, rate_hz=400.0)
    top = swing.seq_of(swing.truth[0].top_s)
    found = find_one(without(swing, top - 20, top + 20))
    assert (found.pause_samples, found.transition_samples) == (None, None)
    assert "gap_top" in [note.code for note in found.notes]


def test_a_hole_at_the_end_of_the_transition_leaves_it_absent() -> None:
    swing = simulate_swing(12, mount="club", strike=True, rate_hz=400.0)
    whole = find_one(swing)
    assert whole.top_seq is not None
    assert whole.transition_samples is not None
    end = whole.top_seq + whole.transition_samples
    found = find_one(without(swing, end - 5, end + 5))
    assert found.transition_samples is None
    assert found.pause_samples is not None
    assert "gap_transition" in [note.code for note in found.notes]
