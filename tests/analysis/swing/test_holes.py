"""A number next to a hole is a bound, has the hole in its uncertainty, or is absent."""

from __future__ import annotations

import numpy as np
import pytest
from finder_runs import find_one, without

from benchmarks import holes
from simulation.sessions import SimulatedSwing, simulate_swing


@pytest.fixture(scope="module")
def struck() -> SimulatedSwing:
    """A full strike with a club, at 400 Hz."""
    return simulate_swing(11, mount="club", strike=True, rate_hz=400.0, acc_range_g=64.0)


@pytest.mark.parametrize("length_ms", [60.0, 100.0, 150.0])
def test_a_hole_over_the_peak_leaves_a_bound(struck: SimulatedSwing, length_ms: float) -> None:
    truth = struck.truth[0]
    assert truth.impact_s is not None
    assert truth.peak_to_impact_ms is not None
    assert truth.peak_rate_dps is not None
    peak = struck.seq_of(truth.impact_s - 1e-3 * truth.peak_to_impact_ms)
    half = 0.5e-3 * length_ms * struck.nominal_rate_hz
    found = find_one(without(struck, peak - half, peak + half))
    assert "peak_rate_dps" in found.bounds
    assert "rate_lower_bound" in [note.code for note in found.notes]
    assert found.peak_rate_dps is not None
    assert found.peak_rate_u is not None
    assert found.peak_rate_dps < truth.peak_rate_dps * 1.01
    assert truth.peak_rate_dps < found.peak_rate_dps + 4.0 * found.peak_rate_u


def test_a_whole_swing_has_no_bound(struck: SimulatedSwing) -> None:
    assert find_one(struck).bounds == ()


def test_a_hole_elsewhere_on_the_way_down_leaves_no_bound(struck: SimulatedSwing) -> None:
    top = struck.seq_of(struck.truth[0].top_s)
    found = find_one(without(struck, top + 20, top + 30))
    assert found.bounds == ()
    assert found.peak_rate_dps == pytest.approx(find_one(struck).peak_rate_dps, rel=1e-3)


@pytest.mark.parametrize("every", [2, 3])
def test_a_thinned_strike_is_no_rehearsal(struck: SimulatedSwing, every: int) -> None:
    keep = struck.seq % every == 0 if every == 2 else struck.seq % every != 0
    found = find_one(holes.without(struck, np.asarray(keep)))
    whole = find_one(struck)
    assert found.strike is True
    assert found.impact_seq is not None
    assert found.impact_u is not None
    assert whole.impact_seq is not None
    assert whole.impact_u is not None
    assert found.impact_u > whole.impact_u
    assert abs(found.impact_seq - whole.impact_seq) < 2.0 * every
    assert found.takeaway_seq == pytest.approx(whole.takeaway_seq, abs=4.0 * found.takeaway_u)


def test_the_turn_over_a_long_hole_at_the_top_says_so(struck: SimulatedSwing) -> None:
    top = struck.seq_of(struck.truth[0].top_s)
    found = find_one(without(struck, top - 40, top + 40))
    assert found.top_seq is None
    assert found.turn_deg is not None
    assert found.turn_u is not None
    assert abs(found.turn_deg - struck.truth[0].turn_deg) < 4.0 * found.turn_u


def test_a_hole_before_the_ball_leaves_no_rehearsal(struck: SimulatedSwing) -> None:
    truth = struck.truth[0]
    assert truth.impact_s is not None
    ball = struck.seq_of(truth.impact_s)
    found = find_one(without(struck, ball - 45, ball + 4))
    assert found.strike is not False
    assert found.impact_seq is None
    assert "gap_impact" in [note.code for note in found.notes]


def test_no_number_lies_beyond_four_uncertainties() -> None:
    """Some of what `benchmarks.holes` does, on seeds of its own."""
    for case in list(holes.cases(quick=True, shift=7_000_000))[::7]:
        swing = case.simulate()
        (whole,) = holes.rows_of(case, swing)
        (truth,) = (one for one in swing.truth if one.counts_as_swing)
        for name, (take_out, _) in holes.HOLES.items():
            rng = np.random.default_rng([case.seed, len(name)])
            for holed in holes.rows_of(case, holes.without(swing, take_out(swing, truth, rng))):
                bad = {k: v for k, v in holes.compare(whole, holed).items() if v in holes.BAD}
                assert bad == {}, (case.seed, name)
