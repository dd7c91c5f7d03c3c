"""Strapdown attitude and turn against closed forms, SciPy and an orientation library."""

from __future__ import annotations

import imufusion
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from analysis.swing.attitude import attitude, integrate, rotate, step_rotations, turn_vector

Floats = NDArray[np.float64]


def as_scipy(q: Floats) -> Rotation:
    """Return scalar-first quaternions as SciPy's rotations."""
    return Rotation.from_quat(np.roll(q, -1, axis=-1))


def apart_deg(q: Floats, truth: Rotation) -> Floats:
    """Angle (n,) between attitudes and the true ones."""
    return np.asarray(np.degrees((truth.inv() * as_scipy(q)).magnitude()))


def coning(rate_hz: float, seconds: float) -> tuple[Floats, Rotation]:
    """Return rates (n, 3) in rad/s and exact attitude of a cone: an axis goes round in the level.

    The sensor is turned by 35 deg about the axis (cos wt, sin wt, 0), at two rounds a second.
    """
    w, half = 2.0 * np.pi * 2.0, np.radians(35.0)
    t = np.arange(round(seconds * rate_hz) + 1) / rate_hz
    axis = np.stack([np.cos(w * t), np.sin(w * t), np.zeros_like(t)], axis=1)
    truth = Rotation.from_rotvec(half * axis)
    # R = Z(wt) C Z(-wt), C the turn by 35 deg about x: R^T R' = Z(wt) (C^T wz - wz)
    rate = w * np.stack(
        [-np.sin(half) * np.sin(w * t), np.sin(half) * np.cos(w * t), np.cos(half) - 1.0 + 0.0 * t],
        axis=1,
    )
    return rate, truth


def swing_like(rate_hz: float, seconds: float = 2.0) -> Floats:
    """Smooth three-axis rates (n, 3) in deg/s of a swing's size, from rest to rest."""
    t = np.arange(round(seconds * rate_hz) + 1) / rate_hz
    bell = np.sin(np.pi * t / seconds) ** 2
    return np.stack(
        [
            900.0 * bell * np.sin(5.0 * t),
            500.0 * bell * np.cos(7.0 * t + 0.4),
            -350.0 * bell * np.sin(11.0 * t + 1.0),
        ],
        axis=1,
    )


def test_turned_vectors_are_scipys() -> None:
    rng = np.random.default_rng(1)
    q = np.roll(Rotation.random(50, rng).as_quat(), 1, axis=1)
    v = rng.normal(size=(50, 3))
    np.testing.assert_allclose(rotate(q, v), as_scipy(q).apply(v), atol=1e-14)


def test_constant_rate_is_exact() -> None:
    w = np.array([2.0, -3.0, 5.0])
    n, step = 401, 1.0 / 200.0
    q = attitude(np.tile(w, (n, 1)), step)
    truth = Rotation.from_rotvec(np.arange(n)[:, None] * step * w)
    assert np.max(apart_deg(q, truth)) < 1e-10


def test_the_scan_is_scipys_product_of_the_steps() -> None:
    gyr = np.radians(swing_like(100.0))
    q = attitude(gyr, 0.01)
    product = Rotation.identity()
    steps = as_scipy(step_rotations(gyr, 0.01))
    for k, step in enumerate(steps):
        product = product * step
        assert np.degrees((product.inv() * as_scipy(q[k + 1])).magnitude()) < 1e-10


@pytest.mark.parametrize(("rate_hz", "limit_deg"), [(100.0, 0.05), (200.0, 0.004), (800.0, 1e-4)])
def test_coning_against_its_closed_form(rate_hz: float, limit_deg: float) -> None:
    rate, truth = coning(rate_hz, 2.0)
    # The first attitude is the frame of reference.
    relative = truth[0].inv() * truth
    assert np.max(apart_deg(attitude(rate, 1.0 / rate_hz), relative)) < limit_deg


def test_a_swings_rates_against_much_finer_steps_of_scipy() -> None:
    fine_hz, factor = 20000.0, 100
    fine = np.radians(swing_like(fine_hz))
    product, truth = Rotation.identity(), [Rotation.identity()]
    middles = Rotation.from_rotvec(0.5 * (fine[:-1] + fine[1:]) / fine_hz)
    q = middles.as_quat()
    # Pairwise products keep this fast: one SciPy product for each level of the tree.
    levels = Rotation.from_quat(q).as_quat().reshape(-1, factor, 4)
    whole = Rotation.from_quat(levels[:, 0])
    for j in range(1, factor):
        whole = whole * Rotation.from_quat(levels[:, j])
    for step in whole:
        product = product * step
        truth.append(product)
    coarse = attitude(np.radians(swing_like(fine_hz / factor)), factor / fine_hz)
    assert np.max(apart_deg(coarse, Rotation.concatenate(truth))) < 0.01


def test_attitude_against_imufusion() -> None:
    rate_hz = 2000.0
    gyr = swing_like(rate_hz)
    settings = imufusion.AhrsSettings()
    settings.sample_rate = rate_hz
    settings.gain = 0.0
    settings.gyroscope_range = 0.0
    ahrs = imufusion.Ahrs()
    ahrs.set_settings(settings)
    ahrs.set_sample_period(1.0 / rate_hz)
    ahrs.skip_startup()
    start = as_scipy(np.asarray(ahrs.get_quaternion(), dtype=float))
    theirs = []
    # Its step takes the rate to be constant: give it the middle of each.
    for w in 0.5 * (gyr[:-1] + gyr[1:]):
        ahrs.update_no_magnetometer(w.astype(np.float32), np.zeros(3, dtype=np.float32))
        theirs.append(as_scipy(np.asarray(ahrs.get_quaternion(), dtype=float)))
    ours = attitude(np.radians(gyr), 1.0 / rate_hz)[1:]
    # It counts in single precision.
    assert np.max(apart_deg(ours, start.inv() * Rotation.concatenate(theirs))) < 0.05


@pytest.mark.parametrize("n", [4, 5, 40])
def test_the_integral_of_a_cubic_is_exact_inside(n: int) -> None:
    step = 0.01
    t = np.arange(n) * step
    x = np.stack([1.0 - 3.0 * t + 40.0 * t**2 - 900.0 * t**3, t**3], axis=1)
    exact = np.stack([t - 1.5 * t**2 + 40.0 / 3.0 * t**3 - 225.0 * t**4, t**4 / 4.0], axis=1)
    got = integrate(x, step)
    # The first and the last interval take a parabola: exact up to there for parabolas only.
    np.testing.assert_allclose(np.diff(got[1:-1], axis=0), np.diff(exact[1:-1], axis=0), atol=1e-15)


@pytest.mark.parametrize("n", [3, 4, 5, 40])
def test_the_integral_of_a_parabola_is_exact_to_the_ends(n: int) -> None:
    step = 0.02
    t = np.arange(n) * step
    got = integrate((2.0 - 5.0 * t + 7.0 * t**2)[:, None], step)[:, 0]
    np.testing.assert_allclose(got, 2.0 * t - 2.5 * t**2 + 7.0 / 3.0 * t**3, atol=1e-14)


@pytest.mark.parametrize("n", [0, 1, 2])
def test_very_short_arrays(n: int) -> None:
    x = np.ones((n, 3))
    assert integrate(x, 0.1).shape == (n, 3)
    assert attitude(x, 0.1).shape == (n, 4)
    if n == 2:
        np.testing.assert_allclose(integrate(x, 0.1)[1], 0.1)


def test_the_turn_about_one_axis_is_the_angle_also_past_180() -> None:
    rate_hz = 200.0
    t = np.arange(201) / rate_hz
    axis = np.array([1.0, -2.0, 2.0]) / 3.0
    angle = 250.0 * (10.0 * t**3 - 15.0 * t**4 + 6.0 * t**5)
    rate = 250.0 * 30.0 * t**2 * (1.0 - t) ** 2
    vector, fixed, _ = turn_vector(rate[:, None] * axis, rate_hz)
    np.testing.assert_allclose(np.linalg.norm(vector, axis=1), angle, atol=1e-3)
    np.testing.assert_allclose(fixed, rate[:, None] * axis, atol=1e-9)


def test_the_turn_does_not_depend_on_how_the_sensor_lies() -> None:
    gyr = swing_like(200.0)
    plain = np.linalg.norm(turn_vector(gyr, 200.0)[0], axis=1)
    for mounting in Rotation.random(5, np.random.default_rng(3)):
        turned = np.linalg.norm(turn_vector(mounting.apply(gyr), 200.0)[0], axis=1)
        np.testing.assert_allclose(turned, plain, atol=1e-9)
