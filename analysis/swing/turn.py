"""The turn since takeaway of one swing, sample by sample, and what is unknown of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.swing.attitude import cross, rotate, turn_vector
from analysis.swing.samples import Array, Samples, norm, value_at, within


@dataclass(frozen=True, slots=True, kw_only=True)
class TurnParams:
    """What the turn is uncertain by. "Fitted" is explained in `analysis.swing.measure`."""

    sway_lean_s: float = 0.15
    """So long the sway goes on turning the segment within the swing: half of 0.3 s (own
    choice)."""
    gap_rate_share: float = 0.03
    """Share of the rate's change over a hole by which the curve that bridges it is off on average
    (fitted)."""
    bent_share: float = 0.15
    """Share of what that curve differs from a straight line, in the turn (own choice)."""
    top_share: float = 0.5
    """Share of the turn that only the curve over a hole at the top has: nothing or all of it."""
    stop_share: float = 0.15
    """Share of the rate at a stop by which the true one is higher, say."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Turn:
    """The turn from a sample on; its arrays begin at sample ``first`` of the swing's.

    Attributes
    ----------
    first : int
    origin : float
        Position in the swing's samples at which the turn is zero.
    vector_deg, fixed_dps : (n, 3) arrays
        Turn vector, and angular velocity in the frame that doesn't turn.
    attitude : (n, 4) array
    deg, rate_dps : (n,) arrays
        The turn and its rate of change.
    growth : Growth
    """

    first: int
    origin: float
    vector_deg: Array
    fixed_dps: Array
    attitude: Array
    deg: Array
    rate_dps: Array
    growth: Growth


def turn_since(s: Samples, origin: float) -> Turn | None:
    """Integrate the turn since ``origin``; None where that isn't clearly before top and peak."""
    first = max(0, int(np.floor(origin)) - 2)
    if max(s.peak, s.top) - first < 3:
        return None
    gyr = s.gyr_dps[first:]
    vector, fixed, q = turn_vector(gyr, s.rate_hz)
    vector = vector - value_at(vector, origin - first)
    deg = norm(vector)
    return Turn(
        first=first,
        origin=origin,
        vector_deg=vector,
        fixed_dps=fixed,
        attitude=q,
        deg=deg,
        rate_dps=np.einsum("ij,ij->i", vector, fixed) / np.maximum(deg, 1e-9),
        growth=Growth(gyr, fixed, q, origin - first, max(s.least, s.peak) - first + 1, s.rate_hz),
    )


class Growth:
    """What an error of each gyroscope axis' scale makes of the turn, by the way it takes.

    With axis i reading (1 + s) times the truth, the turn vector's rate R w gains R e_i w_i for each
    unit of s, and the attitude R turns by the integral of that. Followed on a coarse grid: it is
    for uncertainties.

    Parameters
    ----------
    gyr, fixed, q : arrays
        Angular velocity in sensor and fixed frame (deg/s), attitude; from the same sample on.
    origin : float
        Where the turn is zero, in samples from there.
    end : int
        Last sample of interest.
    fs : float
    """

    def __init__(
        self, gyr: Array, fixed: Array, q: Array, origin: float, end: int, fs: float
    ) -> None:
        self._step = max(1, round(0.015 * fs))
        index = np.arange(0, max(2, min(end, len(gyr))), self._step)
        n = len(index)
        own = np.zeros((3, n, 3))
        for i in range(3):
            own[i, :, i] = gyr[index, i]
        self._own = rotate(q[index], own)
        dt = self._step / fs
        tilt = np.zeros((3, n, 3))
        np.cumsum(0.5 * dt * (self._own[:, 1:] + self._own[:, :-1]), axis=1, out=tilt[:, 1:])
        self._tilt = np.radians(tilt)
        self._rate = cross(self._tilt, fixed[index]) + self._own
        turn = np.zeros((3, n, 3))
        np.cumsum(0.5 * dt * (self._rate[:, 1:] + self._rate[:, :-1]), axis=1, out=turn[:, 1:])
        self._turn = turn - turn[:, self._near(origin), None]

    def _near(self, position: float) -> int:
        return int(within(round(position / self._step), 0, self._own.shape[1] - 1))

    def turn_at(self, position: float) -> Array:
        """Change of the turn vector for each axis: (3, 3), axes first, degrees."""
        return np.asarray(self._turn[:, self._near(position)])

    def rate_at(self, k: int, vector: Array, fixed: Array) -> float:
        """Change of the turn rate at sample k, where it is zero: root of the axes' squares."""
        j = self._near(k)
        change = self._turn[:, j] @ fixed[k] + self._rate[:, j] @ vector[k]
        return float(np.sqrt(change @ change) / max(float(np.sqrt(vector[k] @ vector[k])), 1e-9))


def bridged(s: Samples, a: int, b: int, p: TurnParams) -> tuple[float, float]:
    """What holes and stops between two samples leave unknown of the turn, in degrees."""
    gyr, fs = s.gyr_dps, s.rate_hz
    hole = stop = 0.0
    for x, y in s.gaps:
        lo, hi = max(x, a), min(y, b)
        if hi > lo:
            # The cubic over a hole takes the rate's part that bends more than that for nothing.
            span = gyr[max(0, lo - 2) : hi + 2]
            hole += (p.gap_rate_share * float(np.ptp(norm(span))) * (hi - lo) / fs) ** 2
            # How far it is from a straight line says how much of a guess it is.
            line = np.linspace(0.0, 1.0, y - x + 2)[1:-1, None]
            before, after = gyr[max(0, x - 1)], gyr[min(len(gyr) - 1, y)]
            off = gyr[x:y] - (before + line * (after - before))
            hole += p.bent_share**2 * float(np.square(off.sum(axis=0) / fs).sum())
    stopped = np.asarray(s.clip_gyr[a:b].any(axis=1))
    if stopped.any():
        stop = p.stop_share * float((norm(gyr[a:b])[stopped]).sum()) / fs
    return float(np.sqrt(hole)), stop
