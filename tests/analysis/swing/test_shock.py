"""The onset of an impact on synthetic signals with known onsets."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.swing.shock import (
    Shock,
    find_collapse,
    find_shock,
    look_for_residuals,
    predictor,
    residual,
)

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
SECONDS = 0.6
AT_S = 0.4


def motion(rate_hz: float, seed: int) -> tuple[Floats, Floats]:
    """Rates (deg/s) and specific force (m/s2) of a smooth downswing with the chip's noise."""
    t = np.arange(round(SECONDS * rate_hz)) / rate_hz
    rng = np.random.default_rng(seed)
    size = 1000.0 * np.exp(-(((t - AT_S) / 0.12) ** 2))
    gyr = size[:, None] * np.array([0.3, 0.9, 0.3]) + rng.normal(0.0, 0.15, (len(t), 3))
    pull = 0.7 * np.radians(size) ** 2
    acc = pull[:, None] * np.array([0.9, -0.3, 0.3]) + np.array([0.0, 3.0, 9.3])
    acc += rng.normal(0.0, 0.05, (len(t), 3))
    return gyr, acc


def blow(rate_hz: float, onset_s: float) -> tuple[Floats, Floats]:
    """A step of the rate and a ringing, zero until the onset."""
    t = np.arange(round(SECONDS * rate_hz)) / rate_hz - onset_s
    on = np.where(t > 0.0, 1.0, 0.0)
    late = np.maximum(t, 0.0)
    ring = on * np.exp(-late / 0.012) * np.cos(2.0 * np.pi * 110.0 * late)
    gyr = -150.0 * on[:, None] * np.array([0.3, 0.9, 0.3]) + 90.0 * ring[:, None]
    return gyr, 120.0 * ring[:, None] * np.array([0.5, -0.7, 0.5])


def look(
    gyr: Floats, acc: Floats, rate_hz: float, *, kinked_acc: Bools | None = None
) -> Shock | None:
    """Look for a shock where a swing would have it."""
    none = np.zeros(gyr.shape, dtype=bool)
    lo, hi = round(0.25 * rate_hz), round(0.55 * rate_hz)
    around = look_for_residuals(
        gyr,
        acc,
        none[:, 0],
        none,
        none if kinked_acc is None else kinked_acc,
        rate_hz=rate_hz,
        lo=lo,
        hi=hi,
        gyr_noise_dps=0.15,
        acc_noise_m_s2=0.05,
    )
    return find_shock(around, lo=lo, hi=hi)


def residuals(x: Floats, *, missing: Bools | None = None) -> Floats:
    """Surprise by six samples, none of them at a stop."""
    none = np.zeros(x.shape, dtype=bool)
    return residual(x, none[:, 0] if missing is None else missing, none, 6, 10)


@pytest.mark.parametrize("n_past", [4, 5, 8])
@pytest.mark.parametrize("degree", [1, 2, 3])
def test_the_predictor_carries_polynomials_on(n_past: int, degree: int) -> None:
    weights = predictor(n_past, degree)
    assert weights.sum() == pytest.approx(1.0, abs=1e-11)
    t = np.arange(n_past + 1.0) - 2.5
    for power in range(degree + 1):
        x = t**power
        assert weights @ x[:-1] == pytest.approx(x[-1], abs=1e-9)


def test_a_parabola_leaves_no_residual_and_a_jump_its_size() -> None:
    t = np.arange(40.0)
    x = np.stack([t**2, 3.0 - t, 0.0 * t], axis=1)
    assert np.max(residuals(x)) < 1e-8
    x[25:, 2] += 7.0
    e = residuals(x)
    assert np.max(e[:25]) < 1e-8
    assert e[25] == pytest.approx(7.0)


def test_predictions_from_missing_samples_are_left_out() -> None:
    x = np.zeros((40, 3))
    x[20] = 1e6
    missing = np.zeros(40, dtype=bool)
    missing[20] = True
    assert np.max(residuals(x, missing=missing)) == 0.0


@pytest.mark.parametrize("rate_hz", [100.0, 200.0, 400.0, 800.0])
def test_the_onset_is_found_within_a_sample(rate_hz: float) -> None:
    for seed, fraction in enumerate(np.linspace(0.05, 0.95, 10)):
        gyr, acc = motion(rate_hz, seed)
        onset_s = AT_S + fraction / rate_hz
        d_gyr, d_acc = blow(rate_hz, onset_s)
        shock = look(gyr + d_gyr, acc + d_acc, rate_hz)
        assert shock is not None
        assert shock.onset == pytest.approx(onset_s * rate_hz, abs=1.0)
        assert shock.first == int(np.ceil(onset_s * rate_hz))


@pytest.mark.parametrize("rate_hz", [100.0, 200.0, 400.0, 800.0])
def test_smooth_motion_has_no_shock(rate_hz: float) -> None:
    for seed in range(20):
        assert look(*motion(rate_hz, seed), rate_hz) is None


@pytest.mark.parametrize("rate_hz", [100.0, 200.0, 400.0])
def test_the_gyroscope_alone_will_do_where_the_accelerometer_is_clipped(rate_hz: float) -> None:
    for seed in range(10):
        gyr, acc = motion(rate_hz, seed)
        onset_s = AT_S + 0.4 / rate_hz
        d_gyr, d_acc = blow(rate_hz, onset_s)
        limit = 60.0
        stopped = np.clip(acc + d_acc, -limit, limit)
        at_stop = np.abs(stopped) >= limit
        assert at_stop[round(0.35 * rate_hz) : round(0.40 * rate_hz), 0].all()
        kinked = np.zeros_like(at_stop)
        change = at_stop[1:] != at_stop[:-1]
        kinked[1:] |= change
        kinked[:-1] |= change
        shock = look(gyr + d_gyr, stopped, rate_hz, kinked_acc=kinked)
        assert shock is not None
        assert shock.onset == pytest.approx(onset_s * rate_hz, abs=1.0)


def test_a_recording_too_short_to_look_in_has_no_shock() -> None:
    gyr, acc = motion(200.0, 1)
    assert look(gyr[:51], acc[:51], 200.0) is None


@pytest.mark.parametrize("rate_hz", [100.0, 200.0, 400.0])
def test_a_rate_that_is_gone_at_once_is_a_collapse(rate_hz: float) -> None:
    gyr, _ = motion(rate_hz, 3)
    lost = np.zeros(len(gyr), dtype=bool)
    hi = len(gyr)
    lo = round((AT_S - 0.1) * rate_hz)
    # Braked as fast as it was driven: 0.03 of the peak in 20 ms.
    assert find_collapse(gyr, lost, rate_hz=rate_hz, lo=lo, hi=hi) is None
    t = np.arange(len(gyr)) / rate_hz
    onset_s = AT_S + 0.0123
    gyr *= (1.0 - 0.3 * np.clip((t - onset_s) / 0.012, 0.0, 1.0))[:, None]
    found = find_collapse(gyr, lost, rate_hz=rate_hz, lo=lo, hi=hi)
    assert found is not None
    assert found.onset / rate_hz == pytest.approx(onset_s, abs=0.5 / rate_hz + 0.005)
    lost[found.first] = True
    assert find_collapse(gyr, lost, rate_hz=rate_hz, lo=lo, hi=hi) is None
    assert find_collapse(gyr, lost, rate_hz=rate_hz, lo=hi - 1, hi=hi) is None
