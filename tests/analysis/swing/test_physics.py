"""Simulated swings, as measured, against published figures and the pendulum's reference table."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from finder_runs import find_one
from pendulum_cases import REFERENCE_CASES, reference_swing

from simulation.motion.action import MODELS, Model, Mount
from simulation.motion.shock import draw_blow
from simulation.sessions import grid_rate_hz, simulate_swing

RATE_HZ = 400.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """What the sensor says of a downswing, with standard uncertainties."""

    downswing_ms: float
    downswing_u_ms: float
    peak_dps: float
    peak_u_dps: float


def full_strikes(model: Model, mount: Mount) -> list[tuple[float, float, float]]:
    """Backswing and downswing in ms and peak rate in deg/s of eight default full swings."""
    out = []
    for seed in range(8):
        swing = simulate_swing(8100 + seed, model=model, mount=mount, strike=True, rate_hz=RATE_HZ)
        f = find_one(swing)
        assert f.takeaway_seq is not None
        assert f.top_seq is not None
        assert f.impact_seq is not None
        assert f.peak_rate_dps is not None
        ms = 1e3 / swing.true_rate_hz
        out.append(
            (
                (f.top_seq - f.takeaway_seq) * ms,
                (f.impact_seq - f.top_seq) * ms,
                f.peak_rate_dps,
            )
        )
    return out


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize("mount", ["wrist", "club"])
def test_times_are_those_of_players(model: Model, mount: Mount) -> None:
    # Skilled players: backswing 0.70-1.00 s, downswing 0.233-0.333 s, ratio near 3. Grober &
    # Cholewicki, arXiv physics/0611291 (opening). The band is wider by about a third, because the
    # simulated players are of all kinds, and the segment's own reversal isn't the body's.
    back, down, _ = (np.median(column) for column in zip(*full_strikes(model, mount), strict=True))
    assert 500.0 < back < 1350.0
    assert 170.0 < down < 430.0
    assert 2.0 < back / down < 4.5


@pytest.mark.parametrize("model", MODELS)
def test_peak_rates_are_those_of_players(model: Model) -> None:
    # Downswing peaks of professionals, in deg/s: shaft 2413 (sd 442) men, 2049 (512) women; lead
    # wrist 1085 (338) men, 816 (186) women. Zheng et al. 2008, doi 10.1055/s-2007-989229 and
    # 10.1055/s-2008-1038732 (abstracts). Whether "wrist" is a segment's rate or a joint's was not
    # verified: loose bands, two standard deviations beyond either mean, and slower players too.
    club = np.median([peak for _, _, peak in full_strikes(model, "club")])
    arm = np.median([peak for _, _, peak in full_strikes(model, "wrist")])
    assert 2049.0 - 2.0 * 512.0 < club < 2413.0 + 2.0 * 442.0
    assert 816.0 - 2.0 * 186.0 < arm < 1085.0 + 2.0 * 338.0
    assert 1.3 < club / arm < 4.0


def measured(name: str, mount: Mount, seed: int) -> Measured:
    """Measure a reference case from simulated sensor data alone."""
    blow = draw_blow(np.random.default_rng(seed), kind="ball", mount=mount)
    action = reference_swing(name, mount=mount, rate_hz=grid_rate_hz(RATE_HZ), blow=blow)
    swing = simulate_swing(
        seed,
        mount=mount,
        rate_hz=RATE_HZ,
        action=action,
        # The same sensor for every case: with ranges picked for each, there would be several.
        gyr_range_dps=4000.0,
        acc_range_g=200.0 if mount == "club" else 32.0,
    )
    f = find_one(swing)
    assert f.strike is True
    assert f.impact_basis == "shock"
    assert f.top_seq is not None
    assert f.top_u is not None
    assert f.impact_seq is not None
    assert f.impact_u is not None
    assert f.peak_rate_dps is not None
    assert f.peak_rate_u is not None
    ms = 1e3 / RATE_HZ
    return Measured(
        downswing_ms=(f.impact_seq - f.top_seq) * ms,
        downswing_u_ms=float(np.hypot(f.impact_u, f.top_u)) * ms,
        peak_dps=f.peak_rate_dps,
        peak_u_dps=f.peak_rate_u,
    )


def said(case: Measured, than: Measured) -> tuple[str, str]:
    """Compare two downswings in words; a difference within its uncertainty is "alike"."""
    time = case.downswing_ms - than.downswing_ms
    rate = case.peak_dps - than.peak_dps
    time_u = np.hypot(case.downswing_u_ms, than.downswing_u_ms)
    rate_u = np.hypot(case.peak_u_dps, than.peak_u_dps)
    return (
        "alike" if abs(time) <= time_u else "longer" if time > 0 else "shorter",
        "alike" if abs(rate) <= rate_u else "faster" if rate > 0 else "slower",
    )


def several(name: str, mount: Mount, n: int = 8) -> Measured:
    """Mean of several swings: a player's own scatter apart, no coach goes by a single one.

    What the uncertainty of a time holds differs from swing to swing and averages out; that of a
    rate is the scale's, which doesn't.
    """
    swings = [measured(name, mount, 9100 + k) for k in range(n)]
    return Measured(
        downswing_ms=float(np.mean([m.downswing_ms for m in swings])),
        downswing_u_ms=float(np.sqrt(np.mean([m.downswing_u_ms**2 for m in swings]) / n)),
        peak_dps=float(np.mean([m.peak_dps for m in swings])),
        peak_u_dps=float(np.mean([m.peak_u_dps for m in swings])),
    )


@pytest.mark.parametrize("mount", ["wrist", "club"])
def test_the_four_combinations_are_each_said_right(mount: Mount) -> None:
    # Each in the sensor's own terms: at the wrist the forearm's peak, on the club the club's.
    base, effort, turn, wrist = (several(name, mount) for name in REFERENCE_CASES)
    assert said(effort, base) == ("longer", "slower")
    assert said(turn, base) == ("shorter", "slower")
    assert said(wrist, base) == ("longer", "slower")
    # The other two combinations are the same cases set the other way round.
    assert said(base, turn) == ("longer", "faster")
    assert said(base, effort) == ("shorter", "faster")


# Downswing in ms, the arm's peak and the club's rate at the end, in deg/s: the reference table,
# computed from the equations with a tight-tolerance solver.
TABLE = {
    "base": (297.48, 950.0, 2025.0),
    "less effort": (326.30, 866.0, 1849.0),
    "shorter turn": (281.49, 919.0, 1894.0),
    "less wrist set": (301.30, 880.0, 1762.0),
}


@pytest.mark.parametrize("mount", ["wrist", "club"])
@pytest.mark.parametrize("name", list(REFERENCE_CASES))
def test_the_reference_table_is_measured(name: str, mount: Mount) -> None:
    down_ms, arm_dps, club_dps = TABLE[name]
    m = measured(name, mount, 77)
    # The simulated torque rises over 30 ms, which lengthens the downswing by about half of that.
    assert m.downswing_ms == pytest.approx(down_ms + 15.0, abs=5.0)
    peak = arm_dps if mount == "wrist" else club_dps
    assert m.peak_dps == pytest.approx(peak, rel=0.02)
