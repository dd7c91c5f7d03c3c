"""The gate on accuracy: 60 seeded swings of both motion models against their exact truth.

The targets are those of the benchmark at 200 Hz and more. This gate is small and its seeds are
fixed, so that it fails when something gets worse; the benchmark has the figures that count.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from finder_runs import find
from numpy.typing import NDArray

from analysis import FoundSwing
from simulation.motion.action import MODELS, MOUNTS, Kind, SwingTruth
from simulation.sessions import SimulatedSwing, simulate_swing

Floats = NDArray[np.float64]

# Limits of the mean absolute errors. Where the target is met, the limit is the target.
TURN_DEG = 0.7
PEAK_PERCENT = 1.0
STRIKES_RIGHT = 0.99
TOP_FULL_MS = 0.5  # arm, hand and club, full swings
IMPACT_SEEN_MS = 1.5  # strikes that were recognised as such
# Where it isn't met, the limit is the figure at the time of writing and about a fifth more; the
# benchmark reports the shortfall.
TAKEAWAY_MS = 3.8  # target 1.5; 3.1 now: slow-motion rehearsals and the upper back are worst
TAKEAWAY_FULL_MS = 2.0  # target 1.5; 1.7 now, arm, hand and club, full swings
TOP_MS = 2.0  # target 0.5; 1.6 now: some tops of slow swings and of the upper back are flat
IMPACT_MS = 3.9  # target 1.5; 3.2 now: one shock in 36 doesn't reach the upper back

WAYS: tuple[tuple[bool, Kind], ...] = (
    (True, "full"),
    (False, "full"),
    (True, "part"),
    (True, "full"),
    (False, "slow"),
)
RATES_HZ = (200.0, 400.0, 800.0)
N = 60
NEAR_MS = 100.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """A simulated swing, its truth, and what was found."""

    swing: SimulatedSwing
    truth: SwingTruth
    found: list[FoundSwing]

    @property
    def one(self) -> FoundSwing | None:
        """The swing found within 100 ms of the true impact."""
        assert self.truth.impact_s is not None
        at = self.swing.seq_of(self.truth.impact_s)
        for f in self.found:
            here = f.anchor_seq if f.impact_seq is None else f.impact_seq
            if abs(here - at) * 1e3 / self.swing.true_rate_hz < NEAR_MS:
                return f
        return None

    @property
    def full(self) -> bool:
        """A full swing at normal speed, of a segment that the hands move."""
        return self.truth.kind == "full" and self.swing.mount != "trunk"

    def late_ms(self, seq: float | None, true_s: float | None) -> float:
        """How much later than the truth an event is said to be; NaN where there is none."""
        if seq is None or true_s is None:
            return float("nan")
        return (seq - self.swing.seq_of(true_s)) * 1e3 / self.swing.true_rate_hz


@pytest.fixture(scope="module")
def cases() -> list[Case]:
    """60 swings over models, mounts, rates, hands, strikes and rehearsals."""
    out = []
    for i in range(N):
        strike, kind = WAYS[i % len(WAYS)]
        swing = simulate_swing(
            770_000 + i,
            mount=MOUNTS[(i // 2) % 4],
            model=MODELS[i % 2],
            rate_hz=RATES_HZ[(i // 8) % 3],
            kind=kind,
            strike=strike,
            handedness="left" if i % 7 == 3 else "right",
        )
        (truth,) = (t for t in swing.truth if t.counts_as_swing)
        out.append(Case(swing=swing, truth=truth, found=find(swing)))
    return out


def mean_size(values: list[float]) -> float:
    """Mean absolute value, leaving out what could not be measured."""
    return float(np.nanmean(np.abs(values)))


def pairs(cases: list[Case]) -> list[tuple[Case, FoundSwing]]:
    """Return the cases that were found."""
    return [(c, c.one) for c in cases if c.one is not None]


def test_the_swings_are_what_they_are_meant_to_be(cases: list[Case]) -> None:
    assert len({(c.swing.model, c.swing.mount) for c in cases}) == 8
    assert {c.swing.nominal_rate_hz for c in cases} == set(RATES_HZ)
    assert sum(c.truth.strike for c in cases) == 36


def test_none_missed_and_none_invented(cases: list[Case]) -> None:
    missed = [i for i, c in enumerate(cases) if c.one is None]
    invented = [i for i, c in enumerate(cases) if len(c.found) > (c.one is not None)]
    assert (missed, invented) == ([], [])


def test_takeaway(cases: list[Case]) -> None:
    off = [c.late_ms(f.takeaway_seq, c.truth.takeaway_s) for c, f in pairs(cases)]
    assert mean_size(off) < TAKEAWAY_MS
    off = [c.late_ms(f.takeaway_seq, c.truth.takeaway_s) for c, f in pairs(cases) if c.full]
    assert mean_size(off) < TAKEAWAY_FULL_MS


def test_top(cases: list[Case]) -> None:
    plain = [(c, f) for c, f in pairs(cases) if c.truth.hold_ms <= 40.0]
    off = [c.late_ms(f.top_seq, c.truth.top_s) for c, f in plain]
    assert mean_size(off) < TOP_MS
    off = [c.late_ms(f.top_seq, c.truth.top_s) for c, f in plain if c.full]
    assert mean_size(off) < TOP_FULL_MS


def test_a_top_with_a_pause_is_inside_it_and_says_so() -> None:
    for seed in range(12):
        swing = simulate_swing(780_000 + seed, mount=MOUNTS[seed % 4], model=MODELS[seed % 2])
        for truth, f in zip(swing.truth, find(swing), strict=True):
            if truth.hold_ms <= 40.0 or truth.hold_start_s is None or truth.hold_end_s is None:
                continue
            assert f.top_seq is not None
            assert f.top_u is not None
            a, b = swing.seq_of(truth.hold_start_s), swing.seq_of(truth.hold_end_s)
            assert a <= f.top_seq <= b
            # The top is its middle by definition: how long it is isn't an error of it.
            assert abs(f.top_seq - 0.5 * (a + b)) < 4.0 * f.top_u
            assert f.top_u < 0.5 * (b - a)


def test_impact_of_strikes(cases: list[Case]) -> None:
    strikes = [(c, f) for c, f in pairs(cases) if c.truth.strike]
    off = [c.late_ms(f.impact_seq, c.truth.impact_s) for c, f in strikes]
    assert mean_size(off) < IMPACT_MS
    seen = [
        c.late_ms(f.impact_seq, c.truth.impact_s)
        for c, f in strikes
        if f.strike and f.impact_basis == "shock"
    ]
    assert len(seen) >= 0.9 * len(strikes)
    assert mean_size(seen) < IMPACT_SEEN_MS
    # A ball without an onset to be seen leaves open when it was met, and says so.
    unseen = [(c, f) for c, f in strikes if f.strike and f.impact_basis != "shock"]
    assert unseen
    for c, f in unseen:
        assert f.impact_u is not None
        assert 1000.0 * f.impact_u / c.swing.nominal_rate_hz > 45.0


def test_turn(cases: list[Case]) -> None:
    off = [f.turn_deg - c.truth.turn_deg for c, f in pairs(cases) if f.turn_deg is not None]
    assert mean_size(off) < TURN_DEG


def test_peak_rate_where_it_was_not_clipped(cases: list[Case]) -> None:
    off = []
    for c, f in pairs(cases):
        if f.peak_rate_dps is None or any(name.startswith("gyr") for name in f.clipped):
            continue
        assert c.truth.peak_rate_dps is not None
        off.append(100.0 * (f.peak_rate_dps / c.truth.peak_rate_dps - 1.0))
    assert len(off) > 0.8 * N
    assert mean_size(off) < PEAK_PERCENT


def test_strikes_and_rehearsals_are_told_apart(cases: list[Case]) -> None:
    right = [f.strike is c.truth.strike for c, f in pairs(cases) if c.swing.mount != "trunk"]
    assert float(np.mean(right)) >= STRIKES_RIGHT


def test_nulls(cases: list[Case]) -> None:
    names = ("takeaway_seq", "top_seq", "impact_seq", "finish_seq", "turn_deg", "peak_rate_dps")
    null = [getattr(f, name) is None for _, f in pairs(cases) for name in names]
    assert float(np.mean(null)) <= 0.02


def test_what_is_null_has_a_note_and_what_is_not_has_an_uncertainty(cases: list[Case]) -> None:
    for _, f in pairs(cases):
        for name in ("takeaway", "top", "impact", "finish"):
            value, u = getattr(f, f"{name}_seq"), getattr(f, f"{name}_u")
            assert (value is None) == (u is None)
            assert value is not None or f.notes
            assert u is None or 0.0 < u < 100.0 * f.anchor_seq
        for name in ("turn", "peak_rate", "peak_transverse"):
            value = getattr(f, f"{name}_deg" if name == "turn" else f"{name}_dps")
            u = getattr(f, f"{name}_u")
            assert (value is None) == (u is None)
            assert u is None or 0.0 < u < 0.5 * value
