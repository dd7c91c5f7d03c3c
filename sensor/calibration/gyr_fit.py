"""The gyroscope's scale, from turns by known angles."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from sensor.calibration.acc_fit import symmetric
from sensor.calibration.procedure import CROSS_SD, Array, GyrFit, Turn
from words.units import UNCALIBRATED_GYR_U


def _direction_row(axis: Array) -> Array:
    """How the six numbers change the reading of a rotation about an axis, as a share."""
    x, y, z = axis
    return np.array([x * x, y * y, z * z, 2 * x * y, 2 * y * z, 2 * z * x])


def _sphere(n: int) -> Array:
    """(n, 3) directions that cover the sphere evenly (a golden spiral)."""
    k = np.arange(n) + 0.5
    z = 1.0 - 2.0 * k / n
    turn = k * math.pi * (3.0 - math.sqrt(5.0))
    r = np.sqrt(1.0 - z * z)
    return np.stack([r * np.cos(turn), r * np.sin(turn), z], axis=1)


def fit_gyr(
    turns: Sequence[Turn],
    *,
    angle_u_deg: float,
    square_u_deg: float = 0.0,
    period_u: float = 0.0,
    cross_sd: float = CROSS_SD,
    scale_sd: float = UNCALIBRATED_GYR_U,
) -> GyrFit:
    """Fit scale and cross-axis terms so that every turn has the angle it is known to have.

    Two turns that share a place at the edge share the error with which it was laid there. What
    wasn't turned stays as expected of an uncalibrated chip, with that uncertainty.

    Parameters
    ----------
    turns : sequence of Turn
    angle_u_deg : float
        Standard uncertainty of one turn's known angle.
    square_u_deg : float
        The same error in all turns that aren't whole ones.
    period_u : float
        Relative standard uncertainty of the sample period: the angle is an integral over time,
        so an error there is an error of the scale.
    cross_sd, scale_sd : float
        Expected of chips before they are measured.
    """
    n = len(turns)
    rows = np.array([turn.angle_deg * _direction_row(turn.axis) for turn in turns]).reshape(n, 6)
    known = np.array([turn.known_deg for turn in turns])
    wanted = known - np.array([turn.angle_deg for turn in turns])
    places = sorted({place for turn in turns for place in (turn.before, turn.after)})
    shared = np.zeros((n, len(places)))
    for k, turn in enumerate(turns):
        shared[k, places.index(turn.after)] += 1.0
        shared[k, places.index(turn.before)] -= 1.0
    noise = np.diag([turn.u_deg**2 for turn in turns]) if n else np.zeros((0, 0))
    noise = noise + (angle_u_deg**2 / 2.0) * shared @ shared.T
    part = np.array([square_u_deg * math.copysign(1.0, a) if a % 360.0 else 0.0 for a in known])
    noise = noise + np.outer(part, part)
    cross = cross_sd / math.sqrt(2.0)
    expected = np.diag(1.0 / np.array([scale_sd] * 3 + [cross] * 3) ** 2)
    weight = np.linalg.inv(noise) if n else noise
    covariance = np.linalg.inv(rows.T @ weight @ rows + expected)
    x = covariance @ rows.T @ weight @ wanted
    residuals = wanted - rows @ x
    # One degree of freedom goes for each axis turned: turns about one axis give one number.
    axes = _count_axes(turns)
    if n > axes:
        chi2 = float(residuals @ weight @ residuals) / (n - axes)
        if chi2 > 1.0:
            weight = weight / chi2
            covariance = np.linalg.inv(rows.T @ weight @ rows + expected)
    common = np.array([1.0, 1.0, 1.0, 0.0, 0.0, 0.0]) * period_u
    covariance = covariance + np.outer(common, common)
    directions = np.array([_direction_row(axis) for axis in _sphere(400)])
    scale_u = float(np.sqrt(np.einsum("ij,jk,ik->i", directions, covariance, directions).max()))
    return GyrFit(
        matrix=symmetric(x), covariance=covariance, residuals_deg=residuals, scale_u=scale_u
    )


def _count_axes(turns: Sequence[Turn]) -> int:
    axes: list[Array] = []
    for turn in turns:
        if all(abs(float(turn.axis @ axis)) < math.cos(math.radians(20.0)) for axis in axes):
            axes.append(turn.axis)
    return max(1, len(axes))
