"""The calibration of a sensor: the fits against outside references, truth, storage, and use."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import math
from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import scipy.constants
import scipy.linalg
import scipy.optimize
import scipy.stats
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from sensor.calibration.acc_fit import fit_acc
from sensor.calibration.fit import calibrate_recording, calibrate_samples
from sensor.calibration.guide import guide
from sensor.calibration.gyr_fit import fit_gyr
from sensor.calibration.procedure import Procedure, ProcedureParams, SampleArrays, Turn
from sensor.calibration.stillness import Windows
from sensor.recording.calibration import (
    Calibration,
    CalibrationError,
    calibration_for,
    completed,
    known_sensors,
    load_calibration,
    read_sensor_file,
    save_calibration,
    sensor_file,
    sensor_key,
    update_sensor_file,
    withdraw_calibration,
)
from sensor.recording.csvfile import write_csv
from sensor.recording.opening import open_recording
from simulation.procedure import ProcedureSpec, SimulatedProcedure, simulate_procedure
from words.units import G_N_M_S2, UNCALIBRATED_GYR_U

Array = np.ndarray[Any, np.dtype[np.float64]]

AT = "2026-01-10T10:00:00+01:00"
SIX = np.concatenate([np.eye(3), -np.eye(3)])
SAME = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))


def made_of(
    made: SimulatedProcedure,
    *,
    key: str = "k",
    period_u: float = 1e-5,
    **params: Any,
) -> Procedure:
    period_s = 1.0 / made.true_rate_hz
    return calibrate_samples(
        SampleArrays(
            seq=made.samples["seq"].astype(np.int64),
            acc_m_s2=made.acc_m_s2,
            gyr_dps=made.gyr_dps,
        ),
        key=key,
        made_at=AT,
        rate_hz=made.session.nominal_rate_hz,
        period_s=period_s,
        period_u_s=period_u * period_s,
        params=ProcedureParams(**params),
        gyr_range_dps=made.session.gyr_range_dps,
        acc_range_g=made.session.acc_range_g,
    )


def truth_of(made: SimulatedProcedure) -> tuple[Array, Array, Array]:
    """Accelerometer matrix and offset, and gyroscope matrix, as a calibration would have them.

    Only the symmetric part can be told: the rest is a rotation of the sensor's axes.
    """
    unit = made.unit
    acc = np.linalg.inv(unit.acc_matrix @ unit.mount.T)
    acc = np.real(scipy.linalg.sqrtm(acc.T @ acc))
    gyr = np.linalg.inv(unit.gyr_matrix @ unit.mount.T)
    return acc, unit.acc_bias_m_s2, 0.5 * (gyr + gyr.T)


def plain(**fields: Any) -> Calibration:
    given: dict[str, Any] = {
        "key": "k",
        "made_at": AT,
        "gyr_matrix": SAME,
        "gyr_scale_u": 0.003,
        "n_turns": 4,
        **fields,
    }
    return Calibration(**given)


# -- the fits against something outside --------------------------------------------------------


def test_gravity_is_that_of_the_standard() -> None:
    # CODATA / NIST SP 811 by way of scipy.constants.
    assert scipy.constants.g == G_N_M_S2
    assert ProcedureParams().gravity_m_s2 == scipy.constants.g


def test_accelerometer_fit_against_scipy_least_squares() -> None:
    """The same problem written down independently, solved by scipy.optimize.least_squares."""
    rng = np.random.default_rng(11)
    directions = rng.standard_normal((14, 3))
    directions /= np.linalg.norm(directions, axis=1)[:, None]
    shape = np.eye(3) + 0.01 * rng.standard_normal((3, 3))
    readings = G_N_M_S2 * directions @ shape.T + np.array([0.2, -0.1, 0.3])
    readings += 0.004 * rng.standard_normal(readings.shape)
    u = rng.uniform(0.003, 0.006, 14)

    def misfit(x: Array) -> Array:
        offset, (a, b, c, d, e, f) = x[:3], x[3:]
        matrix = np.array([[1 + a, d, f], [d, 1 + b, e], [f, e, 1 + c]])
        length = np.sqrt(((matrix @ (readings - offset).T) ** 2).sum(axis=0))
        expected = np.array([a, b, c]) / 0.01, np.array([d, e, f]) * math.sqrt(2.0) / 0.003
        return np.concatenate([(length - scipy.constants.g) / u, *expected])

    other = scipy.optimize.least_squares(misfit, np.zeros(9), xtol=1e-15, ftol=1e-15, gtol=1e-15)
    fit = fit_acc(readings, u)
    np.testing.assert_allclose(fit.offset_m_s2, other.x[:3], atol=1e-7)
    np.testing.assert_allclose(np.diag(fit.matrix) - 1.0, other.x[3:6], atol=1e-8)
    np.testing.assert_allclose(
        [fit.matrix[0, 1], fit.matrix[1, 2], fit.matrix[2, 0]], other.x[6:], atol=1e-8
    )
    jacobian = other.jac
    scale = max(1.0, float((other.fun[:14] ** 2).sum()) / (14 - 6))
    np.testing.assert_allclose(
        fit.covariance, np.linalg.inv(jacobian.T @ jacobian) * scale, rtol=1e-4, atol=1e-12
    )


def test_gyroscope_fit_against_statsmodels_gls() -> None:
    """Turns that share places at the edge are correlated: generalised least squares."""
    sm = pytest.importorskip("statsmodels.api")
    axes = np.array([[0.0, 0.0, 1.0], [0.6, 0.0, 0.8], [0.0, 1.0, 0.0]])
    reads = [361.0, -361.6, 358.2, -358.7, 365.0, -365.4]
    turns = [
        Turn(
            before=k + k // 2,
            after=k + k // 2 + 1,
            axis=axes[k // 2],
            angle_deg=angle,
            known_deg=math.copysign(360.0, angle),
            u_deg=0.05,
            first_seq=0,
            last_seq=1,
        )
        for k, angle in enumerate(reads)
    ]
    fit = fit_gyr(turns, angle_u_deg=1.0)
    rows, wanted = [], []
    for turn in turns:
        x, y, z = turn.axis
        rows.append(
            turn.angle_deg * np.array([x * x, y * y, z * z, 2 * x * y, 2 * y * z, 2 * z * x])
        )
        wanted.append(turn.known_deg - turn.angle_deg)
    # Expectations are six more observations, of zero.
    exog = np.vstack([rows, np.eye(6)])
    endog = np.concatenate([wanted, np.zeros(6)])
    sigma = np.zeros((12, 12))
    for i in range(6):
        sigma[i, i] = 1.0 + 0.05**2
        sigma[6 + i, 6 + i] = (UNCALIBRATED_GYR_U if i < 3 else 0.003 / math.sqrt(2.0)) ** 2
    for i in (0, 2, 4):  # the way there ends where the way back begins
        sigma[i, i + 1] = sigma[i + 1, i] = -0.5
    model = sm.GLS(endog, exog, sigma=sigma)
    result = model.fit()
    own = [*np.diag(fit.matrix) - 1.0, fit.matrix[0, 1], fit.matrix[1, 2], fit.matrix[2, 0]]
    np.testing.assert_allclose(own, result.params, atol=1e-10)
    residuals = np.array(fit.residuals_deg)
    chi2 = residuals @ np.linalg.inv(sigma[:6, :6]) @ residuals / 3
    assert chi2 < 1.0  # else our covariance is widened, and theirs isn't
    np.testing.assert_allclose(fit.covariance, result.normalized_cov_params, atol=1e-16)


def test_exact_readings_give_exact_numbers() -> None:
    shape = np.diag([1.02, 0.985, 1.01])
    offset = np.array([0.31, -0.22, 0.05])
    fit = fit_acc(G_N_M_S2 * SIX @ np.linalg.inv(shape).T + offset, np.full(6, 1e-4), scale_sd=1e3)
    np.testing.assert_allclose(fit.offset_m_s2, offset, atol=1e-9)
    np.testing.assert_allclose(fit.matrix, shape, atol=1e-9)


def test_gravity_and_clock_go_into_the_scale() -> None:
    fit = fit_acc(G_N_M_S2 * SIX, np.full(6, 1e-3), gravity_u_m_s2=0.05)
    none = fit_acc(G_N_M_S2 * SIX, np.full(6, 1e-3))
    np.testing.assert_allclose(
        np.diag(fit.covariance)[3:6] - np.diag(none.covariance)[3:6], (0.05 / G_N_M_S2) ** 2
    )
    np.testing.assert_allclose(np.diag(fit.covariance)[:3], np.diag(none.covariance)[:3])
    assert fit_gyr([], angle_u_deg=1.0, period_u=0.02).scale_u > 0.02


def test_nothing_turned_leaves_what_is_expected() -> None:
    fit = fit_gyr([], angle_u_deg=1.0)
    np.testing.assert_array_equal(fit.matrix, np.eye(3))
    assert fit.scale_u == pytest.approx(UNCALIBRATED_GYR_U, rel=0.02)


# -- the procedure against truth ---------------------------------------------------------------


@pytest.mark.parametrize(
    ("spec", "params"),
    [
        pytest.param(ProcedureSpec(), {}, id="three-axes"),
        pytest.param(ProcedureSpec(turn_axes=(0,)), {}, id="one-axis"),
        pytest.param(ProcedureSpec(free_mount=True), {}, id="askew-in-its-case"),
        pytest.param(
            ProcedureSpec(turns=(90.0, -90.0) * 3), {"angle_deg": 90.0}, id="quarter-turns"
        ),
    ],
)
def test_intervals_hold_the_truth(spec: ProcedureSpec, params: dict[str, float]) -> None:
    """95 % intervals hold the truth about 95 % of the time, each with the unit's true errors.

    Gravity is drawn as it may be anywhere on Earth. The bounds are those of a binomial that a
    calibrated method leaves once in 2000 times; above it is only asked not to be hopelessly wide.
    """
    inside: dict[str, list[float]] = {"offset": [], "acc scale": [], "gyro scale": []}
    for seed in range(40):
        gravity = G_N_M_S2 + 0.015 * float(np.random.default_rng([seed, 7]).standard_normal())
        made = simulate_procedure(replace(spec, gravity_m_s2=gravity), seed=4000 + seed)
        found = made_of(made, **params)
        acc, offset, gyr = truth_of(made)
        c = found.calibration
        assert found.acc is not None
        assert found.gyr is not None
        assert c.acc_offset_u_m_s2 is not None
        assert c.acc_scale_u is not None
        assert c.gyr_axis_u is not None
        inside["offset"] += list((found.acc.offset_m_s2 - offset) / c.acc_offset_u_m_s2)
        inside["acc scale"] += list(np.diag(found.acc.matrix - acc) / c.acc_scale_u)
        inside["gyro scale"] += list(np.diag(found.gyr.matrix - gyr) / c.gyr_axis_u)
    for name, z in inside.items():
        held = int((np.abs(z) < scipy.stats.norm.ppf(0.975)).sum())
        assert held >= scipy.stats.binom.ppf(0.0005, len(z), 0.95), name
        assert float(np.sqrt(np.mean(np.square(z)))) > 0.55, name


def test_a_rotation_about_any_axis_is_as_sure_as_stated() -> None:
    z = []
    for seed in range(40):
        made = simulate_procedure(ProcedureSpec(), seed=5000 + seed)
        found = made_of(made).calibration
        assert found.gyr_scale_u < 0.004
        assert found.gyr_matrix is not None
        matrix = np.array(found.gyr_matrix) @ made.unit.gyr_matrix @ made.unit.mount.T
        axes = np.random.default_rng(seed).standard_normal((10, 3))
        axes /= np.linalg.norm(axes, axis=1)[:, None]
        z += list((np.linalg.norm(axes @ matrix.T, axis=1) - 1.0) / found.gyr_scale_u)
    share = float((np.abs(z) < 1.96).mean())
    assert 0.92 <= share <= 0.999


def test_what_was_not_turned_stays_as_sure_as_an_uncalibrated_sensor() -> None:
    found = made_of(simulate_procedure(ProcedureSpec(turn_axes=(0,)), seed=1))
    assert found.calibration.gyr_axis_u is not None
    x, y, z = found.calibration.gyr_axis_u
    assert z < 0.0025
    assert min(x, y) > 0.009
    assert 0.9 < found.calibration.gyr_scale_u / UNCALIBRATED_GYR_U < 1.15


def test_either_part_alone() -> None:
    still = made_of(simulate_procedure(ProcedureSpec(turn_axes=()), seed=2))
    assert still.calibration.gyr_matrix is None
    assert still.calibration.gyr_scale_u == UNCALIBRATED_GYR_U
    assert "no turns were found" in still.remarks[0]
    turned = made_of(simulate_procedure(ProcedureSpec(faces=()), seed=2))
    assert turned.calibration.acc_matrix is None
    assert "3 still positions found, 6 are needed" in turned.remarks[0]
    assert turned.calibration.gyr_scale_u < 0.004


def test_a_poorly_known_clock_is_told() -> None:
    made = simulate_procedure(ProcedureSpec(), seed=3)
    with pytest.raises(CalibrationError, match="a turn is a rate times a time"):
        made_of(made, period_u=0.02)
    sure, unsure = made_of(made), made_of(made, period_u=0.004)
    assert unsure.calibration.gyr_scale_u == pytest.approx(
        math.hypot(sure.calibration.gyr_scale_u, 0.004), rel=0.01
    )


def test_how_sure_the_angle_is_counts() -> None:
    made = simulate_procedure(ProcedureSpec(), seed=3)
    loose, tight = made_of(made, angle_u_deg=3.0), made_of(made, angle_u_deg=0.5)
    assert loose.calibration.gyr_axis_u is not None
    assert tight.calibration.gyr_axis_u is not None
    assert loose.calibration.gyr_axis_u[2] > 2.0 * tight.calibration.gyr_axis_u[2]


# -- what can't be right is refused ------------------------------------------------------------


def test_a_position_held_in_the_hand_is_not_one() -> None:
    spec = ProcedureSpec(hand_dps=2.0, hand_position=2, turn_axes=(0,))
    found = made_of(simulate_procedure(spec, seed=6))
    assert found.calibration.acc_matrix is None
    assert "5 still positions found, 6 are needed" in found.remarks[0]
    assert "none with the sensor's +y upwards" in found.remarks[0]


def test_a_position_that_does_not_fit_is_named() -> None:
    made = simulate_procedure(ProcedureSpec(turn_axes=(0, 2, 4)), seed=7)
    found = made_of(made)
    samples = SampleArrays(
        seq=made.samples["seq"].astype(np.int64), acc_m_s2=made.acc_m_s2, gyr_dps=made.gyr_dps
    )
    # Eight positions, the third of them pressed.
    rng = np.random.default_rng(0)
    more = [np.array([1.0, 1.0, 1.0]), np.array([-1.0, 1.0, 0.0])]
    acc, gyr = [samples.acc_m_s2[: found.rests[5].last_seq]], [samples.gyr_dps]
    gyr = [samples.gyr_dps[: found.rests[5].last_seq]]
    third = found.rests[2]
    acc[0] = acc[0].copy()
    acc[0][third.first_seq - 30 : third.last_seq + 30] += [0.0, 0.2, 0.0]
    shape = made.unit.acc_matrix @ made.unit.mount.T
    for way in more:
        up = G_N_M_S2 * way / np.linalg.norm(way)
        acc.append(rng.normal(0.0, 30.0, (100, 3)))
        acc.append(up @ shape.T + made.unit.acc_bias_m_s2 + rng.normal(0.0, 0.01, (300, 3)))
        gyr.append(rng.normal(0.0, 90.0, (100, 3)))
        gyr.append(found.rests[0].gyr_dps + rng.normal(0.0, 0.05, (300, 3)))
    whole, rate = np.concatenate(acc), np.concatenate(gyr)
    with pytest.raises(CalibrationError, match=r"position 3 \(at 0:0\d\) doesn't fit the others"):
        calibrate_samples(
            SampleArrays(seq=np.arange(len(whole)), acc_m_s2=whole, gyr_dps=rate),
            key="k",
            made_at=AT,
            rate_hz=100.0,
            period_s=0.01,
            period_u_s=1e-7,
        )


def test_another_angle_than_said_is_not_used() -> None:
    made = simulate_procedure(ProcedureSpec(turns=(330.0, -330.0)), seed=8)
    found = made_of(made)
    assert found.calibration.gyr_matrix is None
    assert any("isn't within 5 % of 360 deg" in text for text in found.remarks)
    right = made_of(made, angle_deg=330.0)
    assert right.calibration.gyr_matrix is not None


@pytest.mark.parametrize("angle_deg", [90.0, 180.0])
def test_turns_by_another_angle_are_said(angle_deg: float) -> None:
    made = simulate_procedure(ProcedureSpec(turns=(angle_deg, -angle_deg) * 2), seed=8)
    found = made_of(made)
    assert found.calibration.gyr_matrix is None
    said = f"turns of about {angle_deg:g} deg were found: say --angle {angle_deg:g}"
    assert said in found.remarks
    right = made_of(made, angle_deg=angle_deg)
    assert right.calibration.gyr_matrix is not None
    assert not any("--angle" in text for text in right.remarks)


def test_what_is_missing_is_taken_from_the_newest_that_has_it(tmp_path: Path) -> None:
    turned = plain(made_at="2026-01-01T10:00:00+01:00", gyr_scale_u=0.002)
    save_calibration(tmp_path, turned)
    save_calibration(tmp_path, plain(made_at="2026-01-03T10:00:00+01:00", gyr_range_dps=500.0))
    save_calibration(tmp_path, plain(made_at="2026-03-01T10:00:00+01:00"))
    still = plain(
        made_at="2026-02-01T10:00:00+01:00",
        gyr_matrix=None,
        gyr_scale_u=UNCALIBRATED_GYR_U,
        n_turns=0,
        acc_matrix=SAME,
        acc_offset_m_s2=(0.1, 0.0, 0.0),
        n_positions=6,
        gyr_range_dps=2000.0,
    )
    # Neither one made in another range nor a later one.
    found = completed(tmp_path, still)
    assert (found.gyr_matrix, found.gyr_scale_u, found.n_turns) == (SAME, 0.002, 4)
    assert found.extra["gyr_made_at"] == turned.made_at
    assert (found.made_at, found.n_positions) == (still.made_at, 6)
    # It is told from when a part is, however often it was taken over.
    save_calibration(tmp_path, found)
    later = dataclasses.replace(still, made_at="2026-02-02T10:00:00+01:00")
    assert completed(tmp_path, later).extra["gyr_made_at"] == turned.made_at
    whole = completed(tmp_path, plain(made_at="2026-02-03T10:00:00+01:00"))
    assert (whole.acc_offset_m_s2, whole.extra["acc_made_at"]) == ((0.1, 0.0, 0.0), still.made_at)
    assert "gyr_made_at" not in whole.extra
    assert completed(tmp_path / "empty", still) == still


def test_a_turn_not_brought_back_is_named() -> None:
    spec = ProcedureSpec(turns=(360.0, -360.0, 360.0, -352.0, 360.0, -360.0), turn_axes=(0,))
    with pytest.raises(CalibrationError, match=r"turn 4 .* wasn't brought back to the edge"):
        made_of(simulate_procedure(spec, seed=9))


def test_a_turn_beyond_the_range_is_not_used() -> None:
    spec = ProcedureSpec(turn_s=1.5, gyr_range_dps=400.0)
    found = made_of(simulate_procedure(spec, seed=10))
    assert found.calibration.gyr_matrix is None
    assert any("faster than the gyroscope's range" in text for text in found.remarks)


def test_units_that_are_wrong_are_refused() -> None:
    made = simulate_procedure(ProcedureSpec(turn_axes=()), seed=11)
    with pytest.raises(CalibrationError, match=r"which no working sensor is|doesn't come out"):
        calibrate_samples(
            SampleArrays(
                seq=made.samples["seq"].astype(np.int64),
                acc_m_s2=made.acc_m_s2 * 1.08,
                gyr_dps=made.gyr_dps,
            ),
            key="k",
            made_at=AT,
            rate_hz=100.0,
            period_s=0.01,
            period_u_s=1e-7,
        )


def test_positions_too_much_alike_are_refused() -> None:
    tilts = [np.array([math.sin(a), math.cos(a) * 0.2, math.cos(a)]) for a in np.arange(6) * 0.25]
    readings = np.array([G_N_M_S2 * t / np.linalg.norm(t) for t in tilts])
    rng = np.random.default_rng(1)
    acc = [rng.normal(0.0, 30.0, (100, 3))]
    gyr = [rng.normal(0.0, 90.0, (100, 3))]
    for reading in readings:
        acc += [reading + rng.normal(0.0, 0.01, (300, 3)), rng.normal(0.0, 30.0, (100, 3))]
        gyr += [rng.normal(0.0, 0.05, (300, 3)), rng.normal(0.0, 90.0, (100, 3))]
    whole, rate = np.concatenate(acc), np.concatenate(gyr)
    with pytest.raises(CalibrationError, match="too much alike"):
        calibrate_samples(
            SampleArrays(seq=np.arange(len(whole)), acc_m_s2=whole, gyr_dps=rate),
            key="k",
            made_at=AT,
            rate_hz=100.0,
            period_s=0.01,
            period_u_s=1e-7,
        )


@pytest.mark.parametrize("n", [0, 1, 7, 100])
def test_next_to_nothing_is_told(n: int) -> None:
    with pytest.raises(CalibrationError, match="no calibration can be made"):
        calibrate_samples(
            SampleArrays(seq=np.arange(n), acc_m_s2=np.zeros((n, 3)), gyr_dps=np.zeros((n, 3))),
            key="k",
            made_at=AT,
            rate_hz=100.0,
            period_s=0.01,
            period_u_s=1e-7,
        )


@given(st.lists(st.integers(1, 700), min_size=1, max_size=12))
@settings(max_examples=25, deadline=None)
def test_windows_do_not_depend_on_pieces(cuts: list[int]) -> None:
    rng = np.random.default_rng(3)
    seq = np.delete(np.arange(3, 2003), slice(700, 735))
    acc, gyr = rng.normal(0.0, 1.0, (len(seq), 3)), rng.normal(0.0, 1.0, (len(seq), 3))
    whole, parts = Windows(100.0, 0.25), Windows(100.0, 0.25)
    whole.feed(seq, acc, gyr)
    edges = [0, *sorted({min(cut * 3, len(seq)) for cut in cuts}), len(seq)]
    for a, b in pairwise(edges):
        parts.feed(seq[a:b], acc[a:b], gyr[a:b])
    assert parts.number == whole.number
    assert np.array_equal(parts.mean, whole.mean)
    assert np.array_equal(parts.spread, whole.spread)
    assert len(whole.number) >= 75


# -- guided ------------------------------------------------------------------------------------


def pieces(made: SimulatedProcedure, size: int = 20) -> Iterator[tuple[Any, Any, Any]]:
    for a in range(0, len(made.samples), size):
        part = slice(a, a + size)
        yield (
            made.samples["seq"][part].astype(np.int64),
            made.acc_m_s2[part],
            made.gyr_dps[part],
        )


def test_guide_leads_through_and_ends_by_itself() -> None:
    made = simulate_procedure(ProcedureSpec(rest_s=3.0), seed=12)
    said: list[str] = []
    samples = guide(pieces(made), said.append, rate_hz=100.0, period_s=1.0 / made.true_rate_hz)
    assert said[0].startswith("Lay the sensor down with one of its faces up")
    assert [text for text in said if text.startswith("Position")] == [
        f"Position {k} of 6 is done. Another face up." for k in range(1, 6)
    ]
    assert sum("the other way" in text for text in said) == 3
    assert sum("against a straight edge" in text for text in said) == 3
    assert said[-1].startswith("That is all")
    whole = made_of(made)
    led = calibrate_samples(
        samples,
        key="k",
        made_at=AT,
        rate_hz=100.0,
        period_s=1.0 / made.true_rate_hz,
        period_u_s=1e-7,
    )
    assert len(led.turns) == 12
    assert led.calibration.gyr_scale_u == pytest.approx(whole.calibration.gyr_scale_u, rel=0.05)


def test_guide_says_again_what_it_waits_for() -> None:
    rng = np.random.default_rng(0)
    said: list[str] = []
    held = (
        (np.arange(k, k + 100), rng.normal(0, 3, (100, 3)), rng.normal(0, 30, (100, 3)))
        for k in range(0, 9000, 100)
    )
    samples = guide(held, said.append, rate_hz=100.0, patience_s=20.0)
    assert len(samples.seq) == 9000
    assert 3 <= sum(text.startswith("Waiting. Lay the sensor down") for text in said) <= 5


# -- use ---------------------------------------------------------------------------------------

gains = st.floats(0.95, 1.05)
crosses = st.floats(-0.01, 0.01)


@st.composite
def calibrations(draw: st.DrawFn) -> Calibration:
    def matrix() -> Any:
        a, b, c = draw(crosses), draw(crosses), draw(crosses)
        return ((draw(gains), a, c), (a, draw(gains), b), (c, b, draw(gains)))

    offset = tuple(draw(st.floats(-1.0, 1.0)) for _ in range(3))
    return plain(acc_offset_m_s2=offset, acc_matrix=matrix(), gyr_matrix=matrix(), n_positions=6)


@given(
    calibrations(),
    arrays(np.float64, (40, 6), elements=st.floats(-2000.0, 2000.0)),
    st.integers(0, 40),
)
@settings(max_examples=60, deadline=None)
def test_pieces_give_the_same_bits(c: Calibration, values: Array, cut: int) -> None:
    acc, gyr = c.apply(values[:, :3], values[:, 3:])
    first = c.apply(values[:cut, :3], values[:cut, 3:])
    second = c.apply(values[cut:, :3], values[cut:, 3:])
    assert np.array_equal(acc, np.concatenate([first[0], second[0]]))
    assert np.array_equal(gyr, np.concatenate([first[1], second[1]]))
    np.testing.assert_allclose(
        acc, (values[:, :3] - c.acc_offset_m_s2) @ np.array(c.acc_matrix).T, atol=1e-9
    )


@given(calibrations(), arrays(np.float64, 3, elements=st.floats(-1.0, 1.0)), st.integers(0, 2))
@settings(max_examples=200, deadline=None)
def test_what_was_clipped_stays_beyond_the_limit(c: Calibration, share: Array, axis: int) -> None:
    share[axis] = math.copysign(1.0, share[axis])
    _, gyr = c.apply(np.zeros((1, 3)), 2000.0 * share[None, :])
    assert abs(gyr[0, axis]) >= c.gyr_limit_dps(2000.0) - 1e-9
    acc, _ = c.apply(156.0 * share[None, :], np.zeros((1, 3)))
    assert abs(acc[0, axis]) >= c.acc_limit_m_s2(156.0) - 1e-9


def test_the_limit_allows_for_offsets_of_the_other_axes() -> None:
    # Worked by hand: (156 - 1) - 156 / 128 = 153.78125, with an offset on one axis alone.
    c = plain(
        acc_offset_m_s2=(0.0, -1.0, 0.0),
        acc_matrix=((1.0, 0.0, 0.0), (0.0, 1.0, -1 / 128), (0.0, -1 / 128, 1.0)),
        n_positions=6,
    )
    acc, _ = c.apply(np.array([[0.0, -156.0, -156.0]]), np.zeros((1, 3)))
    assert acc[0, 1] == -153.78125
    assert c.acc_limit_m_s2(156.0) <= 153.78125


def test_a_recording_is_read_corrected_and_left_alone(tmp_path: Path) -> None:
    made = simulate_procedure(ProcedureSpec(turn_axes=(), rest_s=1.5), seed=13)
    made.write(tmp_path / "rec")
    before = {
        path: hashlib.sha256(path.read_bytes()).hexdigest() for path in (tmp_path / "rec").iterdir()
    }
    shape = ((1.01, 0.001, 0.0), (0.001, 0.99, 0.0), (0.0, 0.0, 1.02))
    c = plain(
        acc_offset_m_s2=(0.1, 0.2, -0.3), acc_matrix=shape, gyr_matrix=shape, gyr_range_dps=2000.0
    )
    with (
        open_recording(tmp_path / "rec") as raw,
        open_recording(tmp_path / "rec", calibration=c) as r,
    ):
        assert raw.gyr_scale_u == UNCALIBRATED_GYR_U
        assert r.gyr_scale_u == 0.003
        assert r.warnings == raw.warnings
        plain_block, block = raw.read(), r.read()
        acc, gyr = c.apply(plain_block.acc_m_s2, plain_block.gyr_dps)
        assert np.array_equal(block.acc_m_s2, acc)
        assert np.array_equal(block.gyr_dps, gyr)
        pieces = list(r.blocks(97))
        assert np.array_equal(np.concatenate([piece.gyr_dps for piece in pieces]), gyr)
        assert raw.gyr_limit_dps == 2000.0
        assert r.gyr_limit_dps == pytest.approx(2000.0 * (0.99 - 0.001))
        assert r.acc_limit_g is not None
        assert r.acc_limit_g < 16.0
        write_csv(tmp_path / "a.csv", raw)
    with open_recording(tmp_path / "a.csv", calibration=c) as r:
        np.testing.assert_allclose(r.read().gyr_dps, gyr, rtol=1e-6, atol=1e-5)
    after = {
        path: hashlib.sha256(path.read_bytes()).hexdigest() for path in (tmp_path / "rec").iterdir()
    }
    assert after == before


def test_another_range_is_warned_of(tmp_path: Path) -> None:
    made = simulate_procedure(ProcedureSpec(turn_axes=(), rest_s=1.5), seed=13)
    made.write(tmp_path / "rec")
    with open_recording(tmp_path / "rec", calibration=plain(gyr_range_dps=1000.0)) as recording:
        assert any("made in other ranges" in text for text in recording.warnings)


def test_from_a_recording_on_disk(tmp_path: Path) -> None:
    made = simulate_procedure(ProcedureSpec(), seed=14)
    made.write(tmp_path / "rec")
    with open_recording(tmp_path / "rec") as recording:
        found = calibrate_recording(recording, key="k")
    c = found.calibration
    assert c.made_at == made.session.start
    assert c.extra["recording"] == made.session.id
    assert c.gyr_matrix is not None
    _, _, gyr = truth_of(made)
    off = np.abs(np.diag(np.array(c.gyr_matrix) - gyr)) / np.array(c.gyr_axis_u)
    assert float(off.max()) < 3.5
    with (
        open_recording(tmp_path / "rec", calibration=c) as recording,
        pytest.raises(ValueError, match="without a calibration"),
    ):
        calibrate_recording(recording, key="k")


# -- files -------------------------------------------------------------------------------------


def test_history_is_kept_and_other_things_left_alone(tmp_path: Path) -> None:
    update_sensor_file(tmp_path, "k", period={"period_s": 0.005})
    for day in (10, 12, 11):
        save_calibration(tmp_path, plain(made_at=f"2026-01-{day}T10:00:00+01:00"))
    kept = known_sensors(tmp_path)["k"]
    assert [item.made_at[8:10] for item in kept] == ["10", "11", "12"]
    document = read_sensor_file(tmp_path, "k")
    assert document["period"] == {"period_s": 0.005}
    assert document["key"] == "k"
    assert load_calibration(tmp_path, "k").made_at[8:10] == "12"
    assert withdraw_calibration(tmp_path, "k").made_at[8:10] == "12"
    assert load_calibration(tmp_path, "k").made_at[8:10] == "11"
    assert len(known_sensors(tmp_path)["k"]) == 3
    withdraw_calibration(tmp_path, "k")
    withdraw_calibration(tmp_path, "k")
    for call in (withdraw_calibration, load_calibration):
        with pytest.raises(CalibrationError, match="k: there is no calibration"):
            call(tmp_path, "k")
    assert len(known_sensors(tmp_path)["k"]) == 3


def test_round_trip_and_file_by_name(tmp_path: Path) -> None:
    c = made_of(simulate_procedure(ProcedureSpec(), seed=15)).calibration
    c = dataclasses.replace(c, extra={"note": "in the net"})
    path = save_calibration(tmp_path, c)
    assert load_calibration(tmp_path, "k") == c
    assert load_calibration(tmp_path, str(path)) == c
    single = tmp_path / "one.json"
    single.write_text(json.dumps(c.to_dict()))
    assert load_calibration(tmp_path, str(single)) == c


def test_the_newest_made_before_a_recording_applies_to_it(tmp_path: Path) -> None:
    sensor = {"serial": "A-17", "model": "Two"}
    key = sensor_key(sensor)
    assert key is not None
    first = plain(key=key, made_at="2026-01-10T10:00:00+01:00", gyr_range_dps=2000.0)
    second = plain(key=key, made_at="2026-02-10T10:00:00+01:00", gyr_range_dps=2000.0)
    save_calibration(tmp_path, second)
    save_calibration(tmp_path, first)

    def at(start: str, **ranges: float) -> str | None:
        found = calibration_for(tmp_path, sensor, start, **ranges)
        return None if found is None else found.made_at[:7]

    assert at("2026-01-10T08:59:00+00:00") is None
    assert at("2026-01-10T09:01:00+00:00") == "2026-01"
    assert at("2026-03-01T00:00:00+00:00") == "2026-02"
    assert at("2026-03-01T00:00:00+00:00", gyr_range_dps=1000.0) is None
    assert at("2026-03-01T00:00:00+00:00", gyr_range_dps=2000.0) == "2026-02"
    withdraw_calibration(tmp_path, key)
    assert at("2026-03-01T00:00:00+00:00") == "2026-01"
    assert calibration_for(tmp_path, {"serial": "B"}, "2026-03-01T00:00:00+00:00") is None
    assert calibration_for(tmp_path, {}, "2026-03-01T00:00:00+00:00") is None


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("{", "is broken: it is not JSON"),
        ("[]", "is broken: it must be an object"),
        ('{"format_version": 2}', "has format version 2.*update unhurried"),
        ('{"calibrations": 3}', "'calibrations' must be a list"),
        ('{"calibrations": [{"key": "k"}]}', r"'calibrations\[0\].gyr_scale_u' is missing"),
        ('{"calibrations": [4]}', r"'calibrations\[0\]' must be an object"),
        (
            '{"calibrations": [{"key": "k", "made_at": "2026-01-10T10:00:00+01:00", '
            '"gyr_scale_u": 0.01, "gyr_matrix": [[2, 0, 0], [0, 1, 0], [0, 0, 1]]}]}',
            "is not near 1 on the diagonal",
        ),
        (
            '{"calibrations": [{"key": "k", "made_at": "soon", "gyr_scale_u": 0.01}]}',
            r"'calibrations\[0\].made_at' must be a time.*not 'soon'",
        ),
    ],
)
def test_broken_files_are_told_and_never_replaced(tmp_path: Path, text: str, says: str) -> None:
    path = sensor_file(tmp_path, "k")
    path.parent.mkdir()
    path.write_text(text)
    with pytest.raises(CalibrationError, match=says):
        load_calibration(tmp_path, "k")
    with pytest.raises(CalibrationError, match=says):
        save_calibration(tmp_path, plain())
    assert path.read_text() == text


def test_sensor_keys() -> None:
    assert sensor_key({"serial": "0042", "model": "W 1"}) == "w-1-0042"
    assert sensor_key({"serial": "0042", "manufacturer": "A", "model": "W"}) == "a-w-0042"
    assert sensor_key({"address": "AA:BB:CC:00:11:22"}) == "aa-bb-cc-00-11-22"
    # Sensors whose maker never set a number say so in such ways.
    for nothing in ("", "0000", "n/a", "N/A", "unknown", None, "FFFFFFFF"):
        assert sensor_key({"serial": nothing}) is None
        assert sensor_key({"serial": nothing, "address": "AA:01"}) == "aa-01"
    assert sensor_key({"name": "only a name"}) is None


@given(st.text(min_size=2, max_size=90))
@settings(max_examples=300, deadline=None)
def test_keys_are_safe_names_of_files(serial: str) -> None:
    key = sensor_key({"serial": serial})
    if key is not None:
        assert key
        assert len(key) <= 80
        assert set(key) <= set("abcdefghijklmnopqrstuvwxyz0123456789-")
