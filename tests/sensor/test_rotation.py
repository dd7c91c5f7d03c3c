"""Quaternions against scipy, derivatives against closed forms, shocks by their area."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from sensor.rotation import (
    derivative,
    mirror_quat,
    quat_about,
    quat_conjugate,
    quat_continuous,
    quat_exp,
    quat_from_matrix,
    quat_log,
    quat_multiply,
    quat_normalize,
    quat_rotate,
    segment_rates_rad_s,
    specific_force_m_s2,
    world_rates_rad_s,
)
from simulation.motion.action import Shock, shock_signal
from words.units import G_N_M_S2


@pytest.fixture
def quats() -> np.ndarray:
    return quat_normalize(np.random.default_rng(1).normal(size=(40, 4)))


def _scipy(q: np.ndarray) -> Rotation:
    return Rotation.from_quat(q[..., [1, 2, 3, 0]])


def test_product_and_rotation_agree_with_scipy(quats: np.ndarray) -> None:
    a, b = quats[:20], quats[20:]
    v = np.random.default_rng(2).normal(size=(20, 3))
    expected = (_scipy(a) * _scipy(b)).apply(v)
    np.testing.assert_allclose(quat_rotate(quat_multiply(a, b), v), expected, atol=1e-12)
    np.testing.assert_allclose(quat_rotate(quat_conjugate(a), quat_rotate(a, v)), v, atol=1e-12)


def test_exp_log_and_matrix_agree_with_scipy(quats: np.ndarray) -> None:
    vectors = quat_log(quats)
    np.testing.assert_allclose(vectors, _scipy(quats).as_rotvec(), atol=1e-12)
    same = quats * np.where(quats[:, :1] < 0.0, -1.0, 1.0)
    np.testing.assert_allclose(quat_exp(vectors), same, atol=1e-12)
    for q in same:
        np.testing.assert_allclose(quat_from_matrix(_scipy(q).as_matrix()), q, atol=1e-12)
    assert np.array_equal(quat_exp(np.zeros(3)), [1.0, 0.0, 0.0, 0.0])
    np.testing.assert_allclose(quat_log(quat_exp(np.full(3, 1e-14))), np.full(3, 1e-14))


def test_mirror_reflects_the_long_axis(quats: np.ndarray) -> None:
    reflect = np.diag([-1.0, 1.0, 1.0])
    expected = reflect @ _scipy(quats).as_matrix() @ np.diag([1.0, 1.0, -1.0])
    np.testing.assert_allclose(_scipy(mirror_quat(quats)).as_matrix(), expected, atol=1e-12)


def test_continuous_signs(quats: np.ndarray) -> None:
    smooth = quat_about((1.0, 2.0, 3.0), np.linspace(0.0, 20.0, 500))
    broken = smooth * np.where(np.arange(500) % 7 < 3, -1.0, 1.0)[:, None]
    fixed = quat_continuous(broken)
    np.testing.assert_allclose(np.abs(np.sum(fixed * smooth, axis=1)), 1.0)
    assert np.sum(fixed[1:] * fixed[:-1], axis=1).min() > 0.0


def test_derivatives_are_high_order() -> None:
    t = np.arange(0.0, 1.0, 1.0 / 800.0)
    values = np.stack((np.sin(30.0 * t), t**5), axis=1)
    first = derivative(values, rate_hz=800.0)
    second = derivative(values, rate_hz=800.0, order=2)
    np.testing.assert_allclose(first[:, 0], 30.0 * np.cos(30.0 * t), atol=1e-7)
    np.testing.assert_allclose(first[:, 1], 5.0 * t**4, atol=1e-9)
    np.testing.assert_allclose(second[:, 0], -900.0 * np.sin(30.0 * t), atol=2e-4)


@pytest.mark.parametrize("order", [1, 2])
def test_derivative_keeps_a_break_sharp(order: int) -> None:
    t = np.arange(-100, 101) / 1000.0
    values = np.where(t < 0.0, 3.0 * t + t**2, -2.0 * t + 4.0 * t**2)[:, None]
    after = derivative(values, rate_hz=1000.0, breaks=(100,), order=order)[:, 0]
    before = derivative(values, rate_hz=1000.0, breaks=(100,), order=order, at_break="before")
    low, high = (3.0 + 2.0 * t, -2.0 + 8.0 * t) if order == 1 else (2.0 + 0 * t, 8.0 + 0 * t)
    np.testing.assert_allclose(after, np.where(t < 0.0, low, high), atol=1e-6)
    np.testing.assert_allclose(before[:, 0], np.where(t <= 0.0, low, high), atol=1e-6)


def test_derivative_refuses_what_it_cannot_do() -> None:
    with pytest.raises(ValueError, match="order"):
        derivative(np.zeros((10, 1)), rate_hz=1.0, order=3)
    with pytest.raises(ValueError, match="too short"):
        derivative(np.zeros((2, 1)), rate_hz=1.0, order=2)


def test_rates_of_a_cone() -> None:
    """Precession about z with spin about the own x axis has closed-form rates."""
    t = np.arange(0.0, 1.0, 1.0 / 3200.0)
    spin, turn, tilt = 7.0, 3.0, 0.6
    q = quat_multiply(quat_about((0, 0, 1), turn * t), quat_about((0, 1, 0), -tilt * np.ones(1)))
    q = quat_multiply(q, quat_about((1, 0, 0), spin * t))
    axis = quat_rotate(q, np.array([1.0, 0.0, 0.0]))
    expected = np.array([0.0, 0.0, turn]) + spin * axis
    np.testing.assert_allclose(world_rates_rad_s(q, rate_hz=3200.0), expected, atol=1e-9)
    segment = quat_rotate(quat_conjugate(q), expected)
    np.testing.assert_allclose(segment_rates_rad_s(q, rate_hz=3200.0), segment, atol=1e-9)


def test_specific_force_at_rest_and_on_a_circle() -> None:
    t = np.arange(0.0, 0.5, 1.0 / 3200.0)
    rate, radius = 12.0, 0.7
    q = quat_about((0, 0, 1), rate * t)
    pos = quat_rotate(q, np.array([radius, 0.0, 0.0]))
    force = specific_force_m_s2(q, pos, rate_hz=3200.0)
    expected = np.array([-(rate**2) * radius, 0.0, G_N_M_S2])
    np.testing.assert_allclose(force, np.tile(expected, (len(t), 1)), atol=1e-5)


def _shock(index: int, decay_s: float = 0.01) -> Shock:
    return Shock(
        index=index,
        kind="ball",
        rate_dps=np.array([10.0, 0.0, 0.0]),
        acc_m_s2=np.array([0.0, 100.0, 0.0]),
        ring_hz=100.0,
        decay_s=decay_s,
        velocity_step_m_s=np.array([0.0, 0.0, -2.0]),
    )


@pytest.mark.parametrize("rate_hz", [800.0, 3200.0, 20000.0])
def test_shock_has_nothing_before_its_onset_and_the_right_area(rate_hz: float) -> None:
    index = 50
    rate, acc = shock_signal(_shock(index), rate_hz=rate_hz, n=index + int(0.2 * rate_hz))
    assert not rate[: index + 1].any()
    assert not acc[:index].any()
    assert acc[:, 2].sum() / rate_hz == pytest.approx(-2.0, rel=1e-9)
    assert np.abs(acc[:, 1]).max() <= 100.0
    assert np.abs(rate[-1]).max() < 1e-3


def test_shock_beyond_the_end_is_cut() -> None:
    rate, acc = shock_signal(_shock(9), rate_hz=1000.0, n=10)
    assert rate.shape == acc.shape == (10, 3)
    rate, acc = shock_signal(_shock(12), rate_hz=1000.0, n=10)
    assert not rate.any()
    assert not acc.any()
