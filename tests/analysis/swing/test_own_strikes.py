"""A rehearsal's impact by the player's own strikes: exact motion, simulated truth, statistics."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
import scipy.stats
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from analysis.swing.own_strikes import (
    LEAST_STRIKES,
    OwnStrikes,
    own_strikes,
    remaining_turn,
    retimed,
    time_back,
)
from analysis.swing.results import FoundSwing, to_seconds
from analysis.swing.uncertainty import RULE, Part, combined
from benchmarks.own_strikes import errors
from simulation.motion.habit import Habit

FS = 400.0
AXIS = np.array([0.36, 0.48, 0.8])
STRIKES = OwnStrikes(n=9, remaining_deg=15.0, spread_deg=1.0, down_s=0.3)


def swing_about_one_axis(turn_deg: float, down_s: float) -> tuple[Any, float, float]:
    """Half a second of rest, 1 s back, then down and through: cosines, with exact integrals."""
    back_s = 1.0
    t = np.arange(round((0.5 + back_s + 2.5 * down_s) * FS)) / FS - 0.5
    angle_rate = np.where(
        t < 0.0,
        0.0,
        np.where(
            t < back_s,
            0.5 * turn_deg * math.pi / back_s * np.sin(math.pi * t / back_s),
            # Down from turn_deg through 0 to -turn_deg in 2 down_s: cos over half a period.
            -turn_deg
            * math.pi
            / (2.0 * down_s)
            * np.sin(math.pi * np.clip(t - back_s, 0.0, 2.0 * down_s) / (2.0 * down_s)),
        ),
    )
    return angle_rate[:, None] * AXIS, 0.5 * FS, (0.5 + back_s) * FS


@given(st.floats(60.0, 170.0), st.floats(0.2, 0.45), st.floats(-40.0, 40.0), st.integers(1, 2**31))
@settings(max_examples=60, deadline=None)
def test_exact_motion_gives_the_exact_instant(
    turn: float, down_s: float, level: float, seed: int
) -> None:
    gyr, takeaway, top = swing_about_one_axis(turn, down_s)
    left = remaining_turn(gyr, FS, takeaway=takeaway, top=top)
    assert left[round(top)] == pytest.approx(turn, abs=0.02)
    reference = OwnStrikes(n=9, remaining_deg=level, spread_deg=1.0, down_s=down_s)
    found = time_back(left, reference, FS, top=top, mount="wrist")
    assert found is not None
    exact = top + FS * 2.0 * down_s / math.pi * math.acos(level / turn)
    assert found[0] == pytest.approx(exact, abs=0.05)
    assert all(part.u > 0.0 for part in found[1])
    # However the sensor lies in its mount, and wherever the frame points.
    q = np.linalg.qr(np.random.default_rng(seed).standard_normal((3, 3)))[0]
    q *= np.sign(np.linalg.det(q))
    other = time_back(
        remaining_turn(gyr @ q.T, FS, takeaway=takeaway, top=top),
        reference,
        FS,
        top=top,
        mount="wrist",
    )
    assert other is not None
    assert other[0] == pytest.approx(found[0], abs=1e-6)


@given(st.lists(st.floats(-50.0, 50.0), min_size=LEAST_STRIKES, max_size=40))
@settings(max_examples=60, deadline=None)
def test_summary_is_median_and_scaled_deviation(values: list[float]) -> None:
    """Outside: scipy.stats.median_abs_deviation with scale="normal"."""
    found = own_strikes([(value, 0.3) for value in values])
    assert found is not None
    assert found.n == len(values)
    assert found.remaining_deg == float(np.median(values))
    outside = scipy.stats.median_abs_deviation(values, scale="normal")
    assert found.spread_deg == pytest.approx(outside, rel=1e-3, abs=1e-9)


def test_too_few_strikes_say_nothing() -> None:
    assert own_strikes([(10.0, 0.3)] * (LEAST_STRIKES - 1)) is None
    assert own_strikes([]) is None


def test_uncertainty_follows_scatter_speed_and_mount() -> None:
    gyr, takeaway, top = swing_about_one_axis(120.0, 0.3)
    left = remaining_turn(gyr, FS, takeaway=takeaway, top=top)

    def u(reference: OwnStrikes, mount: str | None = "wrist", curve: Any = left) -> float:
        found = time_back(curve, reference, FS, top=top, mount=mount)
        assert found is not None
        return combined(found[1])

    base = u(STRIKES)
    assert u(OwnStrikes(n=9, remaining_deg=15.0, spread_deg=9.0, down_s=0.3)) > 2.0 * base
    assert u(STRIKES, "club") < base < u(STRIKES, "trunk")
    assert u(STRIKES, None) == u(STRIKES, "trunk")
    # A rehearsal much slower than the strikes is less sure.
    assert u(OwnStrikes(n=9, remaining_deg=15.0, spread_deg=1.0, down_s=0.2)) > 1.5 * base
    # The scatter of single strikes, in time: spread over turn rate.
    wide = OwnStrikes(n=10_000, remaining_deg=0.0, spread_deg=20.0, down_s=0.3)
    rate = 120.0 * math.pi / 0.6
    assert u(wide, "club") / FS == pytest.approx(20.0 / rate, rel=0.01)


def test_a_turn_that_does_not_come_back_is_not_timed() -> None:
    gyr, takeaway, top = swing_about_one_axis(120.0, 0.3)
    left = remaining_turn(gyr, FS, takeaway=takeaway, top=top)
    for level in (-130.0, 125.0):
        far = OwnStrikes(n=9, remaining_deg=level, spread_deg=1.0, down_s=0.3)
        assert time_back(left, far, FS, top=top, mount="wrist") is None
    # Stopped on the way, or creeping through it.
    stopped = np.where(np.arange(len(left)) > top, np.maximum(left, 40.0), left)
    assert time_back(stopped, STRIKES, FS, top=top, mount="wrist") is None
    creep = np.concatenate([left[: round(top)], np.linspace(120.0, 0.0, 4800)])
    assert time_back(creep, STRIKES, FS, top=top, mount="wrist") is None
    assert time_back(left[: round(top)], STRIKES, FS, top=top, mount="wrist") is None


def rehearsal(**fields: Any) -> FoundSwing:
    given_fields: dict[str, Any] = {
        "takeaway_seq": 100.0,
        "takeaway_u": 0.5,
        "top_seq": 500.0,
        "top_u": 0.2,
        "impact_seq": 600.0,
        "impact_u": 1.0,
        "finish_seq": 900.0,
        "finish_u": 2.0,
        "strike": False,
        "impact_basis": "least_turn",
        "turn_deg": 120.0,
        "turn_u": 1.0,
        "peak_rate_dps": 700.0,
        "peak_rate_u": 7.0,
        "peak_transverse_dps": 650.0,
        "peak_transverse_u": 20.0,
        "peak_to_impact_samples": 5.0,
        "peak_to_impact_u": 1.5,
        "top_dwell_samples": 30.0,
        "top_dwell_u": 1.0,
        "gap_samples": 0,
        "clipped": (),
        **fields,
    }
    return FoundSwing(**given_fields)


def test_retimed_swing_hangs_together() -> None:
    parts = (Part(RULE, 2.0),)
    swing = retimed(rehearsal(), 620.0, parts, STRIKES)
    assert (swing.impact_seq, swing.impact_u, swing.impact_basis) == (620.0, 2.0, "own_strikes")
    assert swing.peak_to_impact_samples == 25.0
    assert swing.peak_rate_dps == 700.0
    assert swing.peak_transverse_dps == 650.0
    assert swing.notes[-1].code == "own_strikes"
    assert "15 deg of the turn are left" in swing.notes[-1].text
    result = to_seconds(
        swing, lambda seq: seq / FS, index=1, period_s=1 / FS, period_u_s=1e-8, nominal_rate_hz=FS
    )
    assert result.swing_ms == pytest.approx(1e3 * 520 / FS)
    assert result.downswing_ms == pytest.approx(1e3 * 120 / FS)
    assert result.impact_s_u == pytest.approx(2.0 / FS)
    for name, items in result.budget.items():
        assert combined(items) == pytest.approx(getattr(result, f"{name}_u"))


def test_a_peak_beyond_the_least_turn_is_taken_over() -> None:
    swing = retimed(rehearsal(), 620.0, (Part(RULE, 2.0),), STRIKES, peak=(770.0, 612.0))
    assert swing.peak_rate_dps == 770.0
    assert swing.peak_rate_u == pytest.approx(7.7)
    assert swing.peak_to_impact_samples == 8.0
    assert swing.peak_transverse_dps is None
    assert swing.peak_transverse_u is None
    assert swing.notes[-1].code == "no_long_axis"
    beyond = OwnStrikes(n=5, remaining_deg=-61.0, spread_deg=1.0, down_s=0.3)
    text = retimed(rehearsal(), 620.0, (Part(RULE, 2.0),), beyond).notes[-1].text
    assert "gone 61 deg beyond" in text


@given(st.floats(501.0, 700.0), st.floats(0.1, 20.0))
@settings(max_examples=50, deadline=None)
def test_no_uncertainty_is_lost(impact: float, u: float) -> None:
    assume(impact != 600.0)
    swing = retimed(rehearsal(), impact, (Part(RULE, u),), STRIKES)
    assert swing.impact_u == pytest.approx(u)
    assert swing.peak_to_impact_u is not None
    assert swing.peak_to_impact_u >= u - 1e-9


@pytest.mark.parametrize(
    ("mount", "model", "least_turn_ms", "rms_ms"),
    [
        ("wrist", "chain", 30.0, 12.0),
        ("wrist", "pendulum", 5.0, 6.0),
        ("glove", "chain", 15.0, 8.0),
        ("club", "pendulum", 0.0, 2.5),
        # Where only the player's word says what was a ball.
        ("trunk", "chain", 30.0, 15.0),
    ],
)
def test_simulated_players_against_truth(
    mount: Any, model: Any, least_turn_ms: float, rms_ms: float
) -> None:
    """The model knows when a rehearsal passes the ball's place; nothing here does."""
    rows = list(errors(mount, model, 71_000, habit=Habit()))
    assert len(rows) >= 8
    error = np.array([row["error_ms"] for row in rows])
    least = np.array([row["least_turn_ms"] for row in rows])
    u = np.array([row["u_ms"] for row in rows])
    assert float(np.sqrt(np.mean(least**2))) >= least_turn_ms
    assert float(np.sqrt(np.mean(error**2))) <= rms_ms
    assert float((np.abs(error) < 1.96 * u).mean()) >= 0.8
