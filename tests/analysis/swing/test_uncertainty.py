"""Propagation against the Guide's worked examples and Monte Carlo; what every budget must hold."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import Any

import numpy as np
import pytest
from finder_runs import find_one, without
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis import FoundSwing, Part, Swing, to_seconds
from analysis.swing.uncertainty import (
    BIAS,
    CLOCK,
    GAP,
    NOISE,
    RULE,
    SCALE,
    SOURCES,
    SWAY,
    combined,
    make_parts,
    propagate,
)
from simulation.motion.action import MODELS, MOUNTS
from simulation.sessions import simulate_swing

QUANTITIES = [
    f.name for f in fields(Swing) if f"{f.name}_u" in {other.name for other in fields(Swing)}
]


# -- the Guide's own examples -------------------------------------------------------------------


def test_correlated_inputs_as_in_the_guides_example_h2() -> None:
    # JCGM 100:2008, H.2, tables H.2 to H.4 (simultaneous measurement of resistance and reactance;
    # values from memory): five observations of voltage (V), current (mA) and phase (rad).
    observed = np.array(
        [
            (5.007, 19.663, 1.0456),
            (4.994, 19.639, 1.0438),
            (5.005, 19.640, 1.0468),
            (4.990, 19.685, 1.0428),
            (4.999, 19.678, 1.0433),
        ]
    ) * [1.0, 1e-3, 1.0]
    v, i, phase = observed.mean(axis=0)
    covariance = np.cov(observed.T) / len(observed)
    u = np.sqrt(np.diag(covariance))
    assert u == pytest.approx([0.0032, 0.0095e-3, 0.00075], rel=0.02)
    correlation = covariance / np.outer(u, u)
    assert correlation[np.triu_indices(3, 1)] == pytest.approx([-0.36, 0.86, -0.65], abs=0.006)

    z = v / i
    jacobian = [
        [np.cos(phase) / i, -v * np.cos(phase) / i**2, -z * np.sin(phase)],
        [np.sin(phase) / i, -v * np.sin(phase) / i**2, z * np.cos(phase)],
        [1.0 / i, -v / i**2, 0.0],
    ]
    out = propagate(jacobian, covariance)
    u_out = np.sqrt(np.diag(out))
    assert [z * np.cos(phase), z * np.sin(phase), z] == pytest.approx(
        [127.732, 219.847, 254.260], abs=5e-4
    )
    # The Guide gives three digits, the last of them cut off rather than rounded.
    assert u_out == pytest.approx([0.071, 0.295, 0.236], abs=1e-3)
    r = out / np.outer(u_out, u_out)
    assert r[np.triu_indices(3, 1)] == pytest.approx([-0.588, -0.485, 0.993], abs=6e-4)


def test_independent_parts_as_in_the_guides_example_h1() -> None:
    # JCGM 100:2008, H.1.4 (calibration of an end gauge; values from memory): 25, 9.7, 2.9 and
    # 16.6 nm make 32 nm.
    parts = [Part(RULE, x) for x in (25.0, 9.7, 2.9, 16.6)]
    assert round(combined(parts)) == 32
    assert combined(parts) ** 2 == pytest.approx(
        propagate(np.ones((1, 4)), np.diag([part.u**2 for part in parts]))[0, 0]
    )


# -- the ratio ----------------------------------------------------------------------------------


def a_swing(
    takeaway: float = 100.0,
    top: float = 250.0,
    impact: float = 300.0,
    u: tuple[float, float, float] = (1.0, 1.0, 1.0),
    **changes: Any,
) -> FoundSwing:
    """A found swing at 200 Hz; three seconds of zeros, a backswing of 750 ms and 250 ms down."""
    empty: dict[str, Any] = {f.name: None for f in fields(FoundSwing)}
    return FoundSwing(
        **{
            **empty,
            "takeaway_seq": takeaway,
            "takeaway_u": u[0],
            "top_seq": top,
            "top_u": u[1],
            "impact_seq": impact,
            "impact_u": u[2],
            "strike": True,
            "gap_samples": 0,
            "clipped": (),
            "notes": (),
            "anchor_seq": 290,
            "scale_growth": {},
            "budget": {
                "takeaway_seq": (Part(SWAY, u[0]),),
                "top_seq": (Part(BIAS, u[1]),),
                "impact_seq": (Part(NOISE, u[2]),),
            },
            **changes,
        }
    )


def timed(found: FoundSwing, period_u: float = 0.0) -> Swing:
    """The same on a clock of 5 ms a sample, known to a share of ``period_u``."""
    return to_seconds(
        found,
        lambda seq: 0.005 * seq,
        index=1,
        period_s=0.005,
        period_u_s=0.005 * period_u,
        nominal_rate_hz=200.0,
    )


def test_the_ratio_as_the_formula_has_it() -> None:
    # r = 3, 250 ms down, 5 ms each: 0.102, not the 0.089 of independent durations
    # (law of propagation; reference values computed from the formula).
    swing = timed(a_swing())
    assert swing.tempo_ratio == pytest.approx(3.0)
    assert swing.tempo_ratio_u == pytest.approx(0.102, abs=5e-4)


@settings(max_examples=12, deadline=None)
@given(
    back=st.floats(60.0, 300.0),
    down=st.floats(40.0, 120.0),
    u=st.tuples(*[st.floats(0.05, 1.0)] * 3),
    seed=st.integers(0, 2**31),
)
def test_ratio_and_durations_against_monte_carlo(
    back: float, down: float, u: tuple[float, float, float], seed: int
) -> None:
    # Another way to the same: JCGM 101:2008, propagation of distributions.
    rng = np.random.default_rng(seed)
    at = np.array([100.0, 100.0 + back, 100.0 + back + down])
    events = at + rng.standard_normal((200_000, 3)) * u
    period = 5.0 * (1.0 + 1e-3 * rng.standard_normal(len(events)))
    swing = timed(a_swing(*at, u), period_u=1e-3)
    takeaway, top, impact = events.T
    for name, values in (
        ("backswing_ms", (top - takeaway) * period),
        ("downswing_ms", (impact - top) * period),
        ("swing_ms", (impact - takeaway) * period),
        ("tempo_ratio", (top - takeaway) / (impact - top)),
    ):
        assert getattr(swing, f"{name}_u") == pytest.approx(float(np.std(values)), rel=0.03), name


def test_durations_pass_on_what_their_events_are_made_of() -> None:
    swing = timed(a_swing(), period_u=1e-4)
    by = {name: {p.source: p for p in parts} for name, parts in swing.budget.items()}
    assert by["backswing_ms"][SWAY].u == pytest.approx(5.0)
    assert by["backswing_ms"][CLOCK].u == pytest.approx(0.075)
    assert by["backswing_ms"][CLOCK].shared == "recording"
    assert set(by["downswing_ms"]) == {BIAS, NOISE, CLOCK}
    # The top is in both of its parts: it weighs 1 + r. The clock cancels in the ratio.
    assert by["tempo_ratio"][BIAS].u == pytest.approx(4.0 * 5.0 / 250.0)
    assert CLOCK not in by["tempo_ratio"]


def test_what_states_no_parts_is_the_rules() -> None:
    swing = timed(a_swing(budget={}))
    assert swing.budget["top_s"] == (Part(RULE, 0.005),)
    assert swing.backswing_ms_u == pytest.approx(np.hypot(5.0, 5.0))


def test_an_absent_event_takes_what_is_computed_from_it_along() -> None:
    swing = timed(a_swing(impact_seq=None, impact_u=None))
    assert swing.backswing_ms == pytest.approx(750.0)
    for name in ("impact_s", "downswing_ms", "swing_ms", "tempo_ratio"):
        assert getattr(swing, name) is None
        assert getattr(swing, f"{name}_u") is None
        assert name not in swing.budget


# -- every budget ---------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def swings() -> list[Swing]:
    """Swings of all mounts and both models, easy and not."""
    out = []
    for k, options in enumerate(
        [
            {},
            {"rate_hz": 100.0},
            {"loss": 0.03, "rate_error": 0.02},
            {"tremor_factor": 3.0},
            {"clip_gyr": True, "acc_range_g": 8.0},
        ]
        * 4
    ):
        made = simulate_swing(
            610_000 + k,
            mount=MOUNTS[k % 4],
            model=MODELS[k // 2 % 2],
            strike=k % 3 > 0,
            scale_error=True,
            **options,  # type: ignore[arg-type]
        )
        out.append(timed(find_one(made), period_u=1e-4))
    return out


def test_no_uncertainty_is_zero_or_missing(swings: list[Swing]) -> None:
    for swing in swings:
        for name in QUANTITIES:
            value, u = getattr(swing, name), getattr(swing, f"{name}_u")
            assert (value is None) == (u is None), name
            assert (value is None) == (name not in swing.budget), name
            assert u is None or 0.0 < u < np.inf, name


def test_the_parts_make_the_whole_and_have_known_sources(swings: list[Swing]) -> None:
    for swing in swings:
        for name, parts in swing.budget.items():
            assert combined(parts) == pytest.approx(getattr(swing, f"{name}_u"), rel=1e-12)
            assert [p.source for p in parts] == [
                s for s in SOURCES if s in {p.source for p in parts}
            ]
            assert all(p.u > 0.0 for p in parts)
            assert all((p.shared == "sensor") == (p.source == SCALE) for p in parts)
            assert all((p.shared == "recording") == (p.source == CLOCK) for p in parts)


def test_the_budget_is_not_in_the_json(swings: list[Swing]) -> None:
    assert "budget" not in swings[0].as_dict()


def test_a_calibrated_gyroscope_makes_turn_and_rate_surer() -> None:
    made = simulate_swing(620_001, mount="wrist", strike=True)
    off_the_shelf, calibrated = (timed(find_one(made, gyr_scale_u=u)) for u in (0.01, 0.002))
    for name in ("turn_deg", "peak_rate_dps"):
        assert getattr(calibrated, name) == getattr(off_the_shelf, name)
        a, b = (
            next(p.u for p in s.budget[name] if p.source == SCALE)
            for s in (off_the_shelf, calibrated)
        )
        assert a == pytest.approx(5.0 * b)
    assert calibrated.takeaway_s_u == off_the_shelf.takeaway_s_u


def test_the_scales_part_is_what_wrong_scales_make_of_the_turn() -> None:
    # The exact answer by brute force: measure again with each axis' readings 1 % higher.
    made = simulate_swing(620_002, mount="club", model="chain", strike=True, gyr_range_dps=4000.0)
    plain = find_one(made, gyr_scale_u=0.01)
    moved = []
    for axis in range(3):
        gain = np.ones(3)
        gain[axis] = 1.01
        moved.append(find_one(replace(made, gyr_dps=made.gyr_dps * gain)))
    for value in ("turn_deg", "peak_rate_dps"):
        truth = np.linalg.norm([getattr(m, value) - getattr(plain, value) for m in moved])
        stated = next(p.u for p in plain.budget[value] if p.source == SCALE)
        assert stated == pytest.approx(float(truth), rel=0.03), value


def test_a_shaking_hand_and_a_hole_show_in_the_takeaway() -> None:
    calm, shaking = (
        find_one(simulate_swing(620_003, mount="club", strike=True, tremor_factor=f))
        for f in (1.0, 3.0)
    )
    part = {p.source: p.u for p in calm.budget["takeaway_seq"]}
    shaken = {p.source: p.u for p in shaking.budget["takeaway_seq"]}
    assert shaken[SWAY] > 1.5 * part[SWAY]
    assert GAP not in part
    made = simulate_swing(620_003, mount="club", strike=True)
    assert calm.takeaway_seq is not None
    gaps = []
    for ahead in range(8, 32, 4):
        at = calm.takeaway_seq + ahead
        holed = find_one(without(made, at, at + 4))
        gaps += [p.u for p in holed.budget["takeaway_seq"] if p.source == GAP]
    assert gaps


def test_a_larger_clock_error_is_the_whole_recordings() -> None:
    found = find_one(simulate_swing(620_004, strike=True))
    sure, unsure = timed(found, 1e-6), timed(found, 1e-2)
    assert unsure.turn_deg_u is not None
    assert sure.turn_deg_u is not None
    assert unsure.turn_deg_u > sure.turn_deg_u
    assert unsure.tempo_ratio_u == pytest.approx(sure.tempo_ratio_u)
    assert unsure.peak_rate_dps_u == sure.peak_rate_dps_u


@given(st.dictionaries(st.sampled_from(SOURCES), st.floats(0.0, 1e3)))
def test_parts_keep_what_is_there(by: dict[str, float]) -> None:
    parts = make_parts(by)
    assert {p.source: p.u for p in parts} == {k: v for k, v in by.items() if v > 0.0}
    assert combined(parts) == pytest.approx(float(np.sqrt(sum(v * v for v in by.values()))))
