"""Quaternions on arrays, and the rates and specific force of a motion given on a grid.

Quaternions are (..., 4) in the order w, x, y, z and turn segment vectors into world vectors.
Derivatives are taken piece by piece between the breaks of a motion, with seven-point stencils
(sixth order inside a piece), so nothing is smeared across an impact.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from words.units import G_N_M_S2

Floats = NDArray[np.float64]
Side = Literal["before", "after"]


_STENCIL = 7


def quat_multiply(a: Floats, b: Floats) -> Floats:
    """Hamilton product of (..., 4) quaternions: first `b`, then `a`."""
    aw, ax, ay, az = np.moveaxis(np.asarray(a, dtype=float), -1, 0)
    bw, bx, by, bz = np.moveaxis(np.asarray(b, dtype=float), -1, 0)
    return np.stack(
        (
            aw * bw - ax * bx - ay * by - az * bz,
            aw * bx + ax * bw + ay * bz - az * by,
            aw * by - ax * bz + ay * bw + az * bx,
            aw * bz + ax * by - ay * bx + az * bw,
        ),
        axis=-1,
    )


def quat_conjugate(q: Floats) -> Floats:
    """Inverse of unit quaternions (..., 4)."""
    return np.asarray(np.asarray(q, dtype=float) * np.array([1.0, -1.0, -1.0, -1.0]))


def quat_normalize(q: Floats) -> Floats:
    """Scale (..., 4) quaternions to length 1."""
    q = np.asarray(q, dtype=float)
    return np.asarray(q / np.linalg.norm(q, axis=-1, keepdims=True))


def quat_about(axis: Sequence[float] | Floats, angle_rad: Floats | float) -> Floats:
    """Turn by `angle_rad` (...) about a fixed `axis` (3,), which need not have length 1."""
    unit = np.asarray(axis, dtype=float)
    unit = unit / np.linalg.norm(unit)
    half = 0.5 * np.asarray(angle_rad, dtype=float)
    return np.concatenate((np.cos(half)[..., None], np.sin(half)[..., None] * unit), axis=-1)


def quat_exp(rotvec_rad: Floats) -> Floats:
    """Quaternions (..., 4) of rotation vectors (..., 3) in rad."""
    v = np.asarray(rotvec_rad, dtype=float)
    half = 0.5 * np.linalg.norm(v, axis=-1, keepdims=True)
    # numpy's sinc is sin(pi x) / (pi x), which is safe at zero
    return np.concatenate((np.cos(half), 0.5 * v * np.sinc(half / np.pi)), axis=-1)


def quat_log(q: Floats) -> Floats:
    """Rotation vectors (..., 3) in rad, at most pi long, of unit quaternions (..., 4)."""
    q = np.asarray(q, dtype=float)
    q = np.where(q[..., :1] < 0.0, -q, q)
    size = np.linalg.norm(q[..., 1:], axis=-1, keepdims=True)
    angle = 2.0 * np.arctan2(size, q[..., :1])
    scale = np.where(size > 1e-12, angle / np.maximum(size, 1e-300), 2.0)
    return np.asarray(q[..., 1:] * scale)


def quat_rotate(q: Floats, v: Floats) -> Floats:
    """Vectors (..., 3) turned by quaternions (..., 4); shapes broadcast."""
    q = np.asarray(q, dtype=float)
    v = np.asarray(v, dtype=float)
    w, x, y, z = np.moveaxis(q, -1, 0)
    vx, vy, vz = np.moveaxis(v, -1, 0)
    # v + 2 w (u x v) + 2 u x (u x v), written out: np.cross is several times slower
    tx = 2.0 * (y * vz - z * vy)
    ty = 2.0 * (z * vx - x * vz)
    tz = 2.0 * (x * vy - y * vx)
    return np.stack(
        (
            vx + w * tx + y * tz - z * ty,
            vy + w * ty + z * tx - x * tz,
            vz + w * tz + x * ty - y * tx,
        ),
        axis=-1,
    )


def quat_from_matrix(matrix: Floats) -> Floats:
    """Quaternion (4,) of one rotation matrix (3, 3) whose columns are the segment's axes."""
    m = np.asarray(matrix, dtype=float)
    # the row of 4 q q^T with the largest diagonal is the best conditioned
    k = np.array(
        [
            [
                m[0, 0] + m[1, 1] + m[2, 2],
                m[2, 1] - m[1, 2],
                m[0, 2] - m[2, 0],
                m[1, 0] - m[0, 1],
            ],
            [0.0, m[0, 0] - m[1, 1] - m[2, 2], m[0, 1] + m[1, 0], m[0, 2] + m[2, 0]],
            [0.0, 0.0, m[1, 1] - m[0, 0] - m[2, 2], m[1, 2] + m[2, 1]],
            [0.0, 0.0, 0.0, m[2, 2] - m[0, 0] - m[1, 1]],
        ]
    )
    k = k + np.triu(k, 1).T + np.eye(4)
    row = k[int(np.argmax(np.diag(k)))]
    q = row / np.linalg.norm(row)
    return np.asarray(-q if q[0] < 0.0 else q)


def quat_continuous(q: Floats) -> Floats:
    """Flip signs of (n, 4) quaternions so that neighbours never jump to the far side."""
    q = np.asarray(q, dtype=float)
    flips = np.where(np.sum(q[1:] * q[:-1], axis=-1) < 0.0, -1.0, 1.0)
    sign = np.concatenate(([1.0], np.cumprod(flips)))
    return np.asarray(q * sign[:, None])


@cache
def _weights(width: int, at: int, order: int) -> Floats:
    """Finite-difference weights (width,) at point `at` of a unit-step stencil."""
    steps = np.arange(width, dtype=float) - at
    powers = np.vander(steps, width, increasing=True).T
    right = np.zeros(width)
    right[order] = float(order)  # order! for orders 1 and 2
    return np.asarray(np.linalg.solve(powers, right))


def _differentiate(values: Floats, order: int) -> Floats:
    """Derivative of (m, k) with unit step, one smooth piece."""
    m = len(values)
    width = min(_STENCIL, m)
    if width <= order:
        raise ValueError(f"a piece of {m} points is too short for a derivative of order {order}")
    half = width // 2
    out = np.zeros_like(values)
    weights = _weights(width, half, order)
    inner = m - width + 1
    for j in range(width):
        out[half : half + inner] += weights[j] * values[j : j + inner]
    for at in range(half):
        out[at] = _weights(width, at, order) @ values[:width]
    for at in range(half + 1, width):
        out[m - width + at] = _weights(width, at, order) @ values[m - width :]
    return out


def derivative(
    values: Floats,
    *,
    rate_hz: float,
    breaks: Sequence[int] = (),
    order: int = 1,
    at_break: Side = "after",
) -> Floats:
    """First or second derivative on a uniform grid, piece by piece between breaks.

    Parameters
    ----------
    values : Floats
        (n, k).
    rate_hz : float
        Rate of the grid.
    breaks : sequence of int
        Indices shared by the piece before and the piece after, where a derivative jumps.
    order : int
        1 or 2.
    at_break : {"before", "after"}
        Which of the two limits stands at the index of a break.

    Returns
    -------
    Floats
        (n, k), per second or per second squared.

    Raises
    ------
    ValueError
        When a piece has too few points, or `order` is not 1 or 2.
    """
    if order not in (1, 2):
        raise ValueError("order must be 1 or 2")
    values = np.asarray(values, dtype=float)
    n = len(values)
    inner = sorted({int(b) for b in breaks if 0 < b < n - 1})
    edges = [0, *inner, n - 1]
    out = np.empty_like(values)
    pieces = list(pairwise(edges))
    if at_break == "before":
        pieces.reverse()  # the earlier piece is written last and keeps the shared index
    for start, stop in pieces:
        out[start : stop + 1] = _differentiate(values[start : stop + 1], order)
    out *= rate_hz**order
    return out


def segment_rates_rad_s(
    quat_wxyz: Floats,
    *,
    rate_hz: float,
    breaks: Sequence[int] = (),
    at_break: Side = "after",
) -> Floats:
    """Angular velocity (n, 3) in rad/s in the segment's own frame."""
    q = quat_continuous(quat_wxyz)
    slope = derivative(q, rate_hz=rate_hz, breaks=breaks, at_break=at_break)
    return 2.0 * quat_multiply(quat_conjugate(q), slope)[:, 1:]


def world_rates_rad_s(
    quat_wxyz: Floats,
    *,
    rate_hz: float,
    breaks: Sequence[int] = (),
    at_break: Side = "after",
) -> Floats:
    """Angular velocity (n, 3) in rad/s in the world frame."""
    q = quat_continuous(quat_wxyz)
    slope = derivative(q, rate_hz=rate_hz, breaks=breaks, at_break=at_break)
    return 2.0 * quat_multiply(slope, quat_conjugate(q))[:, 1:]


def specific_force_m_s2(
    quat_wxyz: Floats,
    pos_m: Floats,
    *,
    rate_hz: float,
    breaks: Sequence[int] = (),
    at_break: Side = "after",
    gravity_m_s2: float = G_N_M_S2,
) -> Floats:
    """Specific force (n, 3) in m/s2 in the segment's frame: at rest +g upwards.

    The jump of velocity at a break is not in it (see `Shock.velocity_step_m_s`).
    """
    acc = derivative(pos_m, rate_hz=rate_hz, breaks=breaks, order=2, at_break=at_break)
    acc[:, 2] += gravity_m_s2
    return quat_rotate(quat_conjugate(quat_wxyz), acc)


def mirror_quat(quat_wxyz: Floats) -> Floats:
    """Attitude of the mirror image in x, with the segment's z axis reversed.

    With M = diag(-1, 1, 1) and M' = diag(1, 1, -1) the mirrored attitude is M R M': its x axis
    is the mirror image of the segment's x axis. Both are minus a half turn, about x and z.
    """
    w, x, y, z = np.moveaxis(np.asarray(quat_wxyz, dtype=float), -1, 0)
    # (0, 1, 0, 0) * q * (0, 0, 0, 1), up to the sign, which means nothing
    return np.stack((y, z, w, x), axis=-1)
