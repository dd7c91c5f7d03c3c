"""The accelerometer's offset and scale, from the still positions: what they read is gravity."""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from sensor.calibration.procedure import ACC_SCALE_SD, CROSS_SD, AccFit, Array
from sensor.recording.calibration import CalibrationError
from words.units import G_N_M_S2

NOT_SPREAD: Final = (
    "the still positions are too much alike to tell offset from scale: lay the sensor on each of "
    "its six faces in turn"
)
PAIRS: Final = ((0, 1), (1, 2), (2, 0))


def symmetric(values: Array) -> Array:
    """(3, 3) from scale x, y, z and cross xy, yz, zx, all as differences from the identity."""
    out = np.diag(1.0 + values[:3])
    for (i, j), value in zip(PAIRS, values[3:], strict=True):
        out[i, j] = out[j, i] = value
    return out


def fit_acc(
    readings_m_s2: Array,
    u_m_s2: Array,
    *,
    gravity_m_s2: float = G_N_M_S2,
    gravity_u_m_s2: float = 0.0,
    cross_sd: float = CROSS_SD,
    scale_sd: float = ACC_SCALE_SD,
) -> AccFit:
    """Fit offset, scale and cross-axis terms so that gravity has its size in every position.

    Least squares of ``|matrix @ (reading - offset)| - g``, an ellipsoid turned into a sphere,
    by Gauss-Newton. From six positions the cross-axis terms can't be told; they, and a scale that
    can't be told, are held by what is expected of chips, and what they might be is in the
    uncertainty. An error of g
    itself changes all scales alike and is added at the end.

    Parameters
    ----------
    readings_m_s2 : (n, 3)
        Mean readings, n >= 6, well spread.
    u_m_s2 : (n,)
        Their standard uncertainties.
    gravity_m_s2, gravity_u_m_s2 : float
    cross_sd : float
        Standard deviation expected of what one axis sees of another.
    scale_sd : float
        Of the scale.
    """
    x = np.zeros(9)
    n = len(readings_m_s2)
    expected = np.array([scale_sd] * 3 + [cross_sd / math.sqrt(2.0)] * 3)
    covariance = np.eye(9)
    residuals = np.zeros(n)
    for _ in range(50):
        offset, matrix = x[:3], symmetric(x[3:])
        free = readings_m_s2 - offset
        true = free @ matrix.T
        size = np.linalg.norm(true, axis=1)
        unit = true / size[:, None]
        residuals = size - gravity_m_s2
        slopes = np.empty((n, 9))
        slopes[:, :3] = -unit @ matrix
        slopes[:, 3:6] = unit * free
        for k, (i, j) in enumerate(PAIRS):
            slopes[:, 6 + k] = unit[:, i] * free[:, j] + unit[:, j] * free[:, i]
        rows = np.vstack([slopes / u_m_s2[:, None], np.eye(9)[3:] / expected[:, None]])
        misfit = np.concatenate([residuals / u_m_s2, x[3:] / expected])
        information = rows.T @ rows
        if np.linalg.cond(information * _equilibrate(information)) > 1e12:
            raise CalibrationError(NOT_SPREAD)
        step = np.linalg.solve(information, -rows.T @ misfit)
        x = x + step
        covariance = np.linalg.inv(information)
        if float(np.abs(step).max()) < 1e-12:
            break
    if n > 6:
        # Six numbers are told by the positions, three or more by what is expected.
        strain = misfit[:n]
        covariance = covariance * max(1.0, float(strain @ strain) / (n - 6))
    common = np.zeros(9)
    common[3:6] = gravity_u_m_s2 / gravity_m_s2
    covariance = covariance + np.outer(common, common)
    return AccFit(
        offset_m_s2=x[:3],
        matrix=symmetric(x[3:]),
        covariance=covariance,
        residuals_m_s2=residuals,
    )


def _equilibrate(information: Array) -> Array:
    scale = 1.0 / np.sqrt(np.maximum(np.diag(information), 1e-30))
    return np.asarray(np.outer(scale, scale))
