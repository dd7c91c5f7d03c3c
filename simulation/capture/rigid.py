"""Place and attitude of a rigid cluster of markers, frame by frame.

The attitude is the rotation that lays the cluster's shape best on the markers seen, in the sense
of least squares, by singular values (Kabsch 1976, doi 10.1107/S0567739476001873; Söderkvist &
Wedin 1993, doi 10.1016/0021-9290(93)90098-Y, for markers on a limb). The shape itself is the mean
of all frames, laid on each other (Gower 1975, doi 10.1007/BF02291478, without scaling).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sensor.rotation import quat_continuous, quat_from_matrix, quat_rotate

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class RigidParams:
    """What is taken for a rigid cluster."""

    least_markers: int = 3
    """Two fix a line, and the turn about it stays unknown."""

    least_breadth: float = 0.05
    """Spread across the line that fits the markers best, as a share of that along it. Below it
    the turn about that line is known 20 times worse than the other two, which no gyroscope is."""

    least_size_m: float = 0.015
    most_size_m: float = 1.5
    """Spread of a cluster (root mean square from its middle): markers closer than a thumb's
    breadth or farther than a club is long are in another unit."""

    most_misfit: float = 0.05
    """Root mean square residual over the cluster's spread: 0.05 is 3 deg of attitude, as large as
    the differences between swings that are to be told."""

    rounds: int = 4
    """Of laying the frames on their mean; it stands after two or three."""


class ClusterError(ValueError):
    """The markers can't give an attitude; ``str(error)`` says which and what to do."""


@dataclass(frozen=True, slots=True)
class Cluster:
    """Poses of a cluster.

    Attributes
    ----------
    quat_wxyz, centre_m : Floats
        (n, 4) and (n, 3) from the cluster's frame to the laboratory's; NaN where too few
        markers were seen. The quaternions are continuous in sign.
    shape_m : Floats
        (m, 3) markers in the cluster's frame, its origin in their middle.
    noise_m : float
        Standard deviation of a marker's coordinate by what is left of the fit.
    misfit_m : Floats
        (m,) root mean square residual of each marker.
    """

    quat_wxyz: Floats
    centre_m: Floats
    shape_m: Floats
    noise_m: float
    misfit_m: Floats

    @property
    def turn_noise_rad(self) -> float:
        """Root mean square of an attitude's error, by `noise_m` and the shape of the cluster.

        The covariance of a small turn is the variance of a coordinate over the cluster's moment
        of inertia (Söderkvist & Wedin 1993).
        """
        shape = self.shape_m
        inertia = np.sum(shape**2) * np.eye(3) - shape.T @ shape
        return float(self.noise_m * np.sqrt(np.trace(np.linalg.inv(inertia))))

    def place_m(self, offset_m: Floats) -> Floats:
        """Place (n, 3) of a point that is fixed in the cluster's frame."""
        return np.asarray(self.centre_m + quat_rotate(self.quat_wxyz, offset_m))


def _kabsch(shape: Floats, points: Floats) -> tuple[Floats, Floats]:
    """Rotations (n, 3, 3) and shifts (n, 3) that lay shape (m, 3) on points (n, m, 3)."""
    middle, centre = shape.mean(axis=0), points.mean(axis=1)
    cross = np.einsum("mi,nmj->nij", shape - middle, points - centre[:, None, :])
    u, _, vt = np.linalg.svd(cross)
    # a reflection fits better at times; it is no rotation
    sign = np.sign(np.linalg.det(u) * np.linalg.det(vt))
    vt = vt.copy()
    vt[:, 2] *= sign[:, None]
    rotation = np.swapaxes(u @ vt, 1, 2)
    return rotation, centre - np.einsum("nij,j->ni", rotation, middle)


def _fit(shape: Floats, points: Floats, seen: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Rotations and shifts of all frames, NaN where too few markers tell."""
    n = len(points)
    rotation, shift = np.full((n, 3, 3), np.nan), np.full((n, 3), np.nan)
    patterns, which = np.unique(seen, axis=0, return_inverse=True)
    for k, pattern in enumerate(patterns):
        part = shape[pattern]
        if len(part) < 3 or _breadth(part) < RigidParams().least_breadth:
            continue
        frames = np.flatnonzero(which.ravel() == k)
        rotation[frames], shift[frames] = _kabsch(part, points[np.ix_(frames, pattern)])
    return rotation, shift


def _breadth(shape: Floats) -> float:
    """Spread across the best line over that along it."""
    values = np.linalg.svd(shape - shape.mean(axis=0), compute_uv=False)
    return float(values[1] / values[0]) if values[0] > 0.0 else 0.0


def cluster_poses(
    points_m: Floats, names: tuple[str, ...], params: RigidParams | None = None
) -> Cluster:
    """Find place and attitude of a rigid cluster of markers in each frame.

    Parameters
    ----------
    points_m : Floats
        (n, m, 3); NaN where a marker wasn't seen.
    names : tuple of str
        Of the markers, for messages.
    params : RigidParams, optional

    Returns
    -------
    Cluster

    Raises
    ------
    ClusterError
        Too few markers, never seen together, on a line, of an impossible size, or not rigid.
    """
    params = RigidParams() if params is None else params
    if len(names) < params.least_markers:
        raise ClusterError(
            f"{len(names)} markers don't fix an attitude: name three or more of one rigid segment"
        )
    seen: NDArray[np.bool_] = np.asarray(np.all(np.isfinite(points_m), axis=2))
    whole = np.flatnonzero(np.all(seen, axis=1))
    if not whole.size:
        rare = names[int(np.argmin(np.sum(seen, axis=0)))]
        raise ClusterError(
            f"the markers are never all seen in one frame ({rare} the least): leave one out"
        )
    shape = points_m[whole[len(whole) // 2]]
    shape = shape - shape.mean(axis=0)
    size = float(np.sqrt(np.mean(np.sum(shape**2, axis=1))))
    if not params.least_size_m <= size <= params.most_size_m:
        raise ClusterError(
            f"the markers lie {size:.3g} m from their middle, which no segment does: "
            "is the unit right? --unit says another"
        )
    if _breadth(shape) < params.least_breadth:
        raise ClusterError(
            "the markers lie on a line, so the turn about it can't be told: add one beside it"
        )
    for _ in range(params.rounds):
        rotation, shift = _fit(shape, points_m, seen)
        own = np.einsum("nji,nmj->nmi", rotation, points_m - shift[:, None, :])
        shape = np.nanmean(own, axis=0)
        shape = shape - shape.mean(axis=0)
    rotation, shift = _fit(shape, points_m, seen)
    own = np.einsum("nji,nmj->nmi", rotation, points_m - shift[:, None, :])
    residual = own - shape
    misfit = np.sqrt(np.nanmean(np.sum(residual**2, axis=2), axis=0))
    told = np.isfinite(rotation[:, 0, 0])
    worst = int(np.argmax(misfit))
    if float(np.sqrt(np.mean(misfit**2))) > params.most_misfit * size:
        raise ClusterError(
            f"the markers are not on one rigid segment: {names[worst]} moves "
            f"{1000.0 * misfit[worst]:.0f} mm against the others (root mean square): leave it out"
        )
    free = 3 * int(seen[told].sum()) - 6 * int(told.sum())
    noise = float(np.sqrt(np.nansum(residual**2) / max(free, 1)))
    quat = np.full((len(points_m), 4), np.nan)
    quat[told] = quat_continuous(np.array([quat_from_matrix(m) for m in rotation[told]]))
    return Cluster(quat, shift, shape, noise, misfit)
