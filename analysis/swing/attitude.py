"""Attitude and turn from angular velocity: strapdown integration on a uniform sample grid.

All functions take plain arrays and are pure. Rotations are unit quaternions ``(w, x, y, z)`` that
take sensor coordinates to the frame in which the sensor stood at the first sample.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


def cross(a: Array, b: Array) -> Array:
    """Cross product along the last axis; faster than ``numpy.cross`` on short arrays."""
    out = np.empty(a.shape if a.shape == b.shape else np.broadcast_shapes(a.shape, b.shape))
    out[..., 0] = a[..., 1] * b[..., 2] - a[..., 2] * b[..., 1]
    out[..., 1] = a[..., 2] * b[..., 0] - a[..., 0] * b[..., 2]
    out[..., 2] = a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0]
    return out


def rotate(q: Array, v: Array) -> Array:
    """Turn vectors ``v`` (..., 3) by unit quaternions ``q`` (..., 4)."""
    u = q[..., 1:]
    t = 2.0 * cross(u, v)
    return np.asarray(v + q[..., :1] * t + cross(u, t))


def integrate(x: Array, step_s: float) -> Array:
    """Running integral of samples, zero at the first one.

    Each interval takes the cubic through the four samples around it, so the error falls with the
    fourth power of the step. (Abramowitz & Stegun, Handbook of Mathematical Functions, 25.4.7 and
    its neighbours; the ends fall back to the parabola.)

    Parameters
    ----------
    x : (n, ...) array
        Samples on a uniform grid.
    step_s : float
        Distance between samples.

    Returns
    -------
    (n, ...) array
    """
    out = np.zeros_like(x)
    if len(x) > 1:
        np.cumsum(_increments(x) * step_s, axis=0, out=out[1:])
    return out


def _increments(x: Array) -> Array:
    """Integral of each interval of a grid of step 1, as `integrate`; for two samples and more."""
    n = len(x)
    d = np.empty((n - 1, *x.shape[1:]))
    if n == 2:
        d[0] = (x[0] + x[1]) / 2
    elif n == 3:
        d[0] = (5 * x[0] + 8 * x[1] - x[2]) / 12
        d[1] = (5 * x[2] + 8 * x[1] - x[0]) / 12
    else:
        d[1:-1] = (13 * (x[1:-2] + x[2:-1]) - x[:-3] - x[3:]) / 24
        d[0] = (5 * x[0] + 8 * x[1] - x[2]) / 12
        d[-1] = (5 * x[-1] + 8 * x[-2] - x[-3]) / 12
    return d


def step_rotations(gyr_rad_s: Array, step_s: float) -> Array:
    """Rotations from each sample to the next, as quaternions.

    The rotation vector of a step is the integral of the rate (cubic rule, as `integrate`) plus the
    coning term ``step^2 / 12 * w_k x w_(k+1)``.

    Parameters
    ----------
    gyr_rad_s : (n, 3) array
        Angular velocity in the sensor frame.
    step_s : float

    Returns
    -------
    (n - 1, 4) array

    References
    ----------
    Savage, P. G. (1998). Strapdown inertial navigation integration algorithm design, part 1:
    attitude algorithms. J. Guidance, Control, and Dynamics 21(1), 19-28 (from memory).
    """
    w = gyr_rad_s
    n = len(w)
    if n < 2:
        return np.zeros((0, 4))
    phi = _increments(w) * step_s
    phi += (step_s * step_s / 12.0) * cross(w[:-1], w[1:])
    angle = np.sqrt(phi[:, 0] ** 2 + phi[:, 1] ** 2 + phi[:, 2] ** 2)
    half = 0.5 * angle
    out = np.empty((n - 1, 4))
    out[:, 0] = np.cos(half)
    share = np.full(n - 1, 0.5)
    np.divide(np.sin(half), angle, out=share, where=angle > 1e-12)
    out[:, 1:] = phi * share[:, None]
    return out


def attitude(gyr_rad_s: Array, step_s: float) -> Array:
    """Attitude at every sample relative to the first, by strapdown integration.

    The steps are multiplied up by a doubling scan (log2 n vectorised products), as pairs of complex
    numbers: w + x i and y + z i, which takes a third of the array operations.

    Parameters
    ----------
    gyr_rad_s : (n, 3) array
        Angular velocity in the sensor frame, bias removed.
    step_s : float

    Returns
    -------
    (n, 4) array
        Unit quaternions; ``rotate(q[k], v)`` takes sensor coordinates at sample k to sensor
        coordinates at sample 0.
    """
    n = len(gyr_rad_s)
    if n == 0:
        return np.zeros((0, 4))
    rows = np.zeros((n, 4))
    rows[0, 0] = 1.0
    rows[1:] = step_rotations(gyr_rad_s, step_s)
    pairs = rows.view(np.complex128)
    ab = np.ascontiguousarray(pairs.T)
    shift = 1
    while shift < n:
        # (a + b j)(c + d j) = (a c - b d*) + (a d + b c*) j
        later = ab[:, shift:]
        turned = later[::-1].conj()
        np.negative(turned[0], out=turned[0])
        before = ab[:, :-shift]
        later[:] = before[0] * later + before[1] * turned
        shift *= 2
    pairs[:] = ab.T
    rows /= np.sqrt(np.einsum("ij,ij->i", rows, rows))[:, None]
    return rows


def turn_vector(gyr_dps: Array, rate_hz: float) -> tuple[Array, Array, Array]:
    """Integral of the angular velocity in a frame that doesn't turn, since the first sample.

    Its size since takeaway is the *turn*. Size and differences of size don't depend on how the
    sensor lay in its mount, nor on where the fixed frame points.

    Parameters
    ----------
    gyr_dps : (n, 3) array
        Angular velocity in the sensor frame, bias removed.
    rate_hz : float

    Returns
    -------
    vector_deg : (n, 3) array
        The integral, zero at the first sample.
    fixed_dps : (n, 3) array
        Angular velocity in the fixed frame.
    attitude : (n, 4) array
        As `attitude`.
    """
    q = attitude(np.radians(gyr_dps), 1.0 / rate_hz)
    fixed = rotate(q, gyr_dps)
    return integrate(fixed, 1.0 / rate_hz), fixed, q


def apart_deg(one: Array, other: Array) -> float:
    """Angle between two attitudes, unit quaternions."""
    return 2.0 * math.degrees(math.acos(min(1.0, abs(float((one * other).sum())))))
