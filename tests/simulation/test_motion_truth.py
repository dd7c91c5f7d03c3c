"""The truth against closed forms and against what must never change it."""

from __future__ import annotations

from dataclasses import fields
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import cumulative_simpson
from scipy.optimize import brentq

from sensor.rotation import quat_about, quat_multiply, quat_normalize
from simulation.motion.action import MODELS, MOUNTS, Action, Model, Mount, SwingTruth
from simulation.motion.draw import random_swing
from simulation.motion.profiles import rise
from simulation.motion.truth import NoSwingError, SwingSpan, swing_truths, takeaway_index

RATE_HZ = 3200.0


def _span(pass_s: float | None = 1.8, *, blow: bool = False, hold_ms: float = 0.0) -> SwingSpan:
    return SwingSpan(
        back_start_s=0.5,
        pass_s=pass_s,
        through_end_s=2.4,
        blow=blow,
        strike=blow,
        kind="full",
        model="chain",
        hold_ms=hold_ms,
    )


def _planar(t: np.ndarray, *, top_deg: float = 120.0, hold_s: float = 0.0) -> np.ndarray:
    """Angle in deg: back over 0.9 s from 0.5 s, then 0.6 s through to the same angle beyond."""
    angle = top_deg * rise(t, 0.5, 0.9) - 2.0 * top_deg * rise(t, 1.4 + hold_s, 0.8)
    return np.asarray(angle)


def _swing(t: np.ndarray, angle_deg: np.ndarray, span: SwingSpan) -> SwingTruth:
    q = quat_about((1.0, 2.0, -3.0), np.deg2rad(angle_deg))
    return swing_truths(q, rate_hz=RATE_HZ, spans=(span,))[0]


def test_takeaway_of_an_exact_square_law_is_its_zero() -> None:
    t = np.arange(0.0, 1.0, 1.0 / RATE_HZ)
    speed = np.where(t > 0.2, (t - 0.2) ** 2, 0.0)
    assert takeaway_index(speed, len(t) - 1) / RATE_HZ == pytest.approx(0.2, abs=1e-6)


def test_takeaway_of_minimum_jerk_against_closed_form() -> None:
    """Least squares on the continuous square root, which the dense grid must approach."""

    def root(s: np.ndarray) -> np.ndarray:
        return s * (1.0 - s)  # square root of the minimum-jerk rate, greatest 1/4

    s_low = brentq(lambda s: root(s) ** 2 - 0.1 / 16.0, 0.0, 0.5)
    s_high = brentq(lambda s: root(s) ** 2 - 0.3 / 16.0, 0.0, 0.5)
    s = np.linspace(s_low, s_high, 20001)
    slope, intercept = np.polyfit(s, root(s), 1)
    t = np.arange(0.0, 3.0, 1.0 / RATE_HZ)
    truth = _swing(t, _planar(t), _span())
    assert truth.takeaway_s == pytest.approx(0.5 - 0.9 * intercept / slope, abs=2e-6)


def test_takeaway_takes_the_last_rise() -> None:
    t = np.arange(0.0, 3.0, 1.0 / RATE_HZ)
    quiet = _swing(t, _planar(t), _span())
    waggle = 4.0 * rise(t, 0.05, 0.2) - 4.0 * rise(t, 0.25, 0.2)
    busy = _swing(t, _planar(t) + waggle, _span())
    assert busy.takeaway_s == pytest.approx(quiet.takeaway_s, abs=1e-9)
    assert busy.turn_deg == pytest.approx(quiet.turn_deg, abs=1e-6)


def test_planar_measures_against_closed_form() -> None:
    t = np.arange(0.0, 3.0, 1.0 / RATE_HZ)
    truth = _swing(t, _planar(t), _span())
    skipped = np.interp(truth.takeaway_s, t, _planar(t))
    assert truth.turn_deg == pytest.approx(120.0 - skipped, abs=1e-4)
    assert truth.top_s == pytest.approx(1.4, abs=2e-6)
    # the greatest rate of the minimum-jerk move is 15/8 of the mean, here at impact or after
    assert truth.peak_rate_dps == pytest.approx(15.0 / 8.0 * 240.0 / 0.8, rel=1e-6)
    # least turn: back where the takeaway was
    back = brentq(lambda x: float(_planar(np.array([x]))[0]) - skipped, 1.5, 2.2)
    assert truth.impact_s == pytest.approx(back, abs=2e-6)
    assert truth.impact_basis == "least_turn"
    assert truth.least_start_s < back < truth.least_end_s
    # within 2 deg of the top, from the move's own shape
    edge = truth.turn_deg - 2.0 + skipped
    first = brentq(lambda x: float(_planar(np.array([x]))[0]) - edge, 0.6, 1.4)
    last = brentq(lambda x: float(_planar(np.array([x]))[0]) - edge, 1.4, 1.8)
    assert truth.top_dwell_ms == pytest.approx(1000.0 * (last - first), abs=2e-3)
    assert truth.finish_s is not None
    end = brentq(lambda s: 16.0 * (s * (1 - s)) ** 2 - 0.1, 0.5, 1.0)
    assert truth.finish_s == pytest.approx(1.4 + 0.8 * end, abs=1e-5)


def test_turn_is_the_integral_of_the_rate_not_the_angle_between_attitudes() -> None:
    """With two axes in turn the integral is the vector sum of the two angles."""
    t = np.arange(0.0, 3.0, 1.0 / RATE_HZ)
    first = 90.0 * rise(t, 0.5, 0.5) - 180.0 * rise(t, 1.4, 0.8)
    second = 60.0 * rise(t, 0.9, 0.5) - 120.0 * rise(t, 1.4, 0.8)
    q = quat_multiply(
        quat_about((0, 0, 1), np.deg2rad(second)), quat_about((1, 0, 0), np.deg2rad(first))
    )
    truth = swing_truths(q, rate_hz=RATE_HZ, spans=(_span(),))[0]
    # independent: world rate of this order of rotations, integrated by Simpson's rule
    rate_1, rate_2 = np.gradient(first, t), np.gradient(second, t)
    angle_2 = np.deg2rad(second)
    w = np.stack((rate_1 * np.cos(angle_2), rate_1 * np.sin(angle_2), rate_2), axis=1)
    path = cumulative_simpson(w, x=t, axis=0, initial=0.0)
    i = round(truth.takeaway_s * RATE_HZ)
    turn = np.linalg.norm(path - path[i], axis=1)
    top = int(np.argmax(turn[i : round(1.8 * RATE_HZ)])) + i
    assert truth.turn_deg == pytest.approx(turn[top], abs=2e-3)
    assert truth.top_s == pytest.approx(t[top], abs=1.5 / RATE_HZ)


def test_a_pause_gives_its_middle_and_its_ends() -> None:
    t = np.arange(0.0, 3.0, 1.0 / RATE_HZ)
    truth = _swing(t, _planar(t, hold_s=0.1), _span(1.9, hold_ms=100.0))
    assert truth.hold_start_s is not None
    assert truth.hold_end_s is not None
    # the soft ends of the move are slower than the threshold for some milliseconds
    assert truth.hold_start_s == pytest.approx(1.4, abs=0.025)
    assert truth.hold_end_s == pytest.approx(1.5, abs=0.025)
    assert truth.hold_start_s <= 1.4
    assert truth.hold_end_s >= 1.5
    assert truth.top_s == pytest.approx(1.45, abs=0.02)
    assert truth.top_dwell_ms > 100.0


@pytest.mark.parametrize("hold_s", [0.0, 0.1, 0.7])
def test_pause_and_transition_against_closed_form(hold_s: float) -> None:
    t = np.arange(0.0, 4.0, 1.0 / RATE_HZ)
    truth = _swing(t, _planar(t, hold_s=hold_s), _span(1.9 + hold_s, hold_ms=1e3 * hold_s))

    def slow_s(sweep_deg: float, lasts_s: float) -> float:
        """How long after its start (or before its end) a minimum-jerk move is under 3 deg/s."""
        return lasts_s * brentq(
            lambda s: 30.0 * (s * (1.0 - s)) ** 2 * sweep_deg / lasts_s - 3.0, 0.0, 0.5
        )

    pause_s = slow_s(120.0, 0.9) + hold_s + slow_s(240.0, 0.8)
    assert truth.pause_ms == pytest.approx(1e3 * pause_s, abs=0.2)
    share = brentq(lambda s: s**3 * (10.0 - 15.0 * s + 6.0 * s**2) - 0.05, 0.0, 1.0)
    begun_s = 1.4 + 0.5 * hold_s
    assert truth.top_s == pytest.approx(begun_s, abs=0.02)
    assert truth.transition_ms is not None
    end_s = truth.top_s + 1e-3 * truth.transition_ms
    # (A tenth of what was turned since takeaway, which lies a little after the move's start.)
    assert end_s == pytest.approx(1.4 + hold_s + 0.8 * share, abs=2e-3)


def test_a_blow_stands_at_its_break_and_the_peak_before_it() -> None:
    t = np.arange(0.0, 3.0, 1.0 / RATE_HZ)
    k = round(1.75 * RATE_HZ)
    angle = _planar(t)
    rate_at_break = np.gradient(angle, t)[k]
    lost = -0.4 * rate_at_break * 0.05 * (1.0 - np.exp(-(t - t[k]) / 0.05))
    q = quat_about((0, 1, 0), np.deg2rad(np.where(t > t[k], angle + lost, angle)))
    span = _span(t[k], blow=True)
    truth = swing_truths(q, rate_hz=RATE_HZ, spans=(span,), breaks=(k,))[0]
    assert truth.impact_s == t[k]
    assert truth.impact_basis == "shock"
    assert truth.peak_rate_dps == pytest.approx(abs(rate_at_break), rel=1e-5)
    assert truth.peak_to_impact_ms == pytest.approx(0.0, abs=1e-6)


def test_aborted_has_a_turn_but_no_impact() -> None:
    t = np.arange(0.0, 3.0, 1.0 / RATE_HZ)
    truth = _swing(t, 120.0 * rise(t, 0.5, 0.9) - 120.0 * rise(t, 1.6, 0.8), _span(None))
    assert not truth.counts_as_swing
    assert truth.impact_s is None
    assert truth.peak_rate_dps is None
    assert truth.turn_deg == pytest.approx(120.0, abs=0.5)
    assert 1.4 < truth.top_s < 1.6


def test_short_stroke_does_not_count() -> None:
    t = np.arange(0.0, 3.0, 1.0 / RATE_HZ)
    assert not _swing(t, _planar(t, top_deg=25.0), _span()).counts_as_swing
    assert _swing(t, _planar(t, top_deg=35.0), _span()).counts_as_swing


def test_no_swing_is_said() -> None:
    t = np.arange(0.0, 3.0, 1.0 / RATE_HZ)
    with pytest.raises(NoSwingError):
        _swing(t, np.zeros_like(t), _span())
    with pytest.raises(NoSwingError, match=r"no maximum|not come before"):
        _swing(t, 90.0 * rise(t, 0.5, 2.0), _span())


def test_shifted_moves_times_only() -> None:
    t = np.arange(0.0, 3.0, 1.0 / RATE_HZ)
    truth = _swing(t, _planar(t), _span())
    later = truth.shifted(10.0)
    assert later.top_s == truth.top_s + 10.0
    assert later.hold_start_s is None
    for name in ("turn_deg", "peak_to_impact_ms", "top_dwell_ms", "takeaway_spread_s"):
        assert getattr(later, name) == getattr(truth, name)


# --- what must always hold, on drawn swings ------------------------------------------------


@cache
def _drawn(model: Model, mount: Mount, seed: int) -> Action:
    rng = np.random.default_rng(seed)
    return random_swing(rng, model=model, mount=mount, strike=seed % 2 == 0)


def _drawn_span(truth: SwingTruth, end_s: float) -> SwingSpan:
    """Build a schedule again from the truth; it only has to say which swing is meant."""
    return SwingSpan(
        back_start_s=truth.takeaway_s,
        pass_s=truth.pass_s,
        through_end_s=(truth.finish_s or end_s) + 0.05,
        blow=truth.impact_basis == "shock",
        strike=truth.strike,
        kind=truth.kind,
        model=truth.model,
        hold_ms=truth.hold_ms,
    )


def _close(a: SwingTruth, b: SwingTruth, *, shift_s: float = 0.0) -> None:
    for f in fields(SwingTruth):
        x, y = getattr(a, f.name), getattr(b, f.name)
        if isinstance(x, float) and isinstance(y, float):
            moved = shift_s if f.name.endswith("_s") and f.name != "takeaway_spread_s" else 0.0
            assert y == pytest.approx(x + moved, rel=1e-7, abs=1e-6), f.name
        else:
            assert x == y, f.name


_any_swing = st.tuples(st.sampled_from(MODELS), st.sampled_from(MOUNTS), st.integers(0, 3))


@settings(max_examples=20, deadline=None)
@given(which=_any_swing, seed=st.integers(0, 10**6))
def test_turning_the_world_changes_nothing(which: tuple[Model, Mount, int], seed: int) -> None:
    action = _drawn(*which)
    turn = quat_normalize(np.random.default_rng(seed).normal(size=4))
    spans = [_drawn_span(s, action.duration_s) for s in action.swings]
    options = {"rate_hz": action.rate_hz, "spans": spans, "breaks": action.breaks}
    plain = swing_truths(action.quat_wxyz, **options)
    turned = swing_truths(quat_multiply(turn, action.quat_wxyz), **options)
    for a, b in zip(plain, turned, strict=True):
        _close(a, b)


@settings(max_examples=20, deadline=None)
@given(which=_any_swing, seed=st.integers(0, 10**6))
def test_turning_the_sensor_changes_nothing_but_the_transverse_rate(
    which: tuple[Model, Mount, int], seed: int
) -> None:
    action = _drawn(*which)
    about_long_axis = quat_about((1, 0, 0), float(np.random.default_rng(seed).uniform(-3, 3)))
    spans = [_drawn_span(s, action.duration_s) for s in action.swings]
    options = {"rate_hz": action.rate_hz, "spans": spans, "breaks": action.breaks}
    plain = swing_truths(action.quat_wxyz, **options)
    turned = swing_truths(quat_multiply(action.quat_wxyz, about_long_axis), **options)
    for a, b in zip(plain, turned, strict=True):
        _close(a, b)


@settings(max_examples=20, deadline=None)
@given(which=_any_swing, samples=st.integers(1, 3000))
def test_shifting_time_only_shifts(which: tuple[Model, Mount, int], samples: int) -> None:
    action = _drawn(*which)
    shift_s = samples / action.rate_hz
    still = np.repeat(action.quat_wxyz[:1], samples, axis=0)
    spans = [_drawn_span(s, action.duration_s) for s in action.swings]
    later = [_drawn_span(s.shifted(shift_s), action.duration_s + shift_s) for s in action.swings]
    a = swing_truths(action.quat_wxyz, rate_hz=action.rate_hz, spans=spans, breaks=action.breaks)
    b = swing_truths(
        np.concatenate((still, action.quat_wxyz)),
        rate_hz=action.rate_hz,
        spans=later,
        breaks=[k + samples for k in action.breaks],
    )
    for x, y in zip(a, b, strict=True):
        _close(x, y, shift_s=shift_s)


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize("mount", MOUNTS)
def test_mirroring_changes_nothing(model: Model, mount: Mount) -> None:
    right = random_swing(np.random.default_rng(7), model=model, mount=mount)
    left = random_swing(np.random.default_rng(7), model=model, mount=mount, handedness="left")
    np.testing.assert_allclose(left.pos_m, right.pos_m * [-1.0, 1.0, 1.0], atol=1e-12)
    for a, b in zip(right.swings, left.swings, strict=True):
        _close(a, b)
    a_shock, b_shock = right.shocks[0], left.shocks[0]
    np.testing.assert_allclose(b_shock.acc_m_s2, a_shock.acc_m_s2 * [1, 1, -1])
    np.testing.assert_allclose(b_shock.rate_dps, a_shock.rate_dps * [-1, -1, 1])
    np.testing.assert_allclose(
        b_shock.velocity_step_m_s, a_shock.velocity_step_m_s * [1, 1, -1], atol=1e-9
    )


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize("mount", MOUNTS)
def test_the_grid_is_fine_enough(model: Model, mount: Mount) -> None:
    """Four times the rate moves times by microseconds and rates by less than 1 in 10 000."""
    coarse = random_swing(np.random.default_rng(3), model=model, mount=mount, strike=False)
    fine = random_swing(
        np.random.default_rng(3), model=model, mount=mount, strike=False, grid_hz=12800.0
    )
    for a, b in zip(coarse.swings, fine.swings, strict=True):
        for name in ("takeaway_s", "top_s", "impact_s", "finish_s"):
            assert getattr(a, name) == pytest.approx(getattr(b, name), abs=1e-5), name
        assert a.turn_deg == pytest.approx(b.turn_deg, rel=1e-5)
        assert a.peak_rate_dps == pytest.approx(b.peak_rate_dps, rel=1e-4)
        assert a.peak_transverse_dps == pytest.approx(b.peak_transverse_dps, rel=1e-4, abs=1e-6)
