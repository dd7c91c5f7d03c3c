"""A gyroscope at its stop: what it would have shown, where the neighbours tell.

Two ways, in this order. Where the channel comes back before the impact, a quartic through the
samples on both sides bridges the stretch. Where it doesn't, the accelerometer may say: near its
fastest the swing pulls with the square of the rate, and how strongly it does is learnt from the
samples before the stop. Otherwise the stretch stays, and the peak rate is a lower bound.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Index = npt.NDArray[np.signedinteger]


SIDE = 6
"""Samples used on each side."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rebuilt:
    """Angular velocity with clipped stretches rebuilt.

    ``u_dps`` is the standard uncertainty that this adds to |w| at each sample; ``bound`` is True
    where a stretch could not be rebuilt.
    """

    gyr_dps: Array
    u_dps: Array
    bound: Bools


def _runs(flags: Bools) -> list[tuple[int, int]]:
    edge = np.flatnonzero(np.diff(np.concatenate([[0], flags.astype(np.int8), [0]])))
    return [(int(a), int(b)) for a, b in zip(edge[::2], edge[1::2], strict=True)]


def rebuild(
    gyr_dps: Array, clip_gyr: Bools, acc_m_s2: Array, clip_acc: Bools, *, lo: int, end: int
) -> Rebuilt:
    """Rebuild clipped stretches between samples ``lo`` and ``end``.

    Parameters
    ----------
    gyr_dps, acc_m_s2 : (n, 3) arrays
    clip_gyr, clip_acc : (n, 3) arrays of bool
        Where a channel is at its stop.
    lo, end : int
        Top and last sample before the shock.

    Returns
    -------
    Rebuilt
    """
    out = gyr_dps.copy()
    u = np.zeros(len(gyr_dps))
    bound = np.zeros(len(gyr_dps), dtype=bool)
    for c in range(3):
        for a, b in _runs(clip_gyr[lo:end, c]):
            a, b = a + lo, b + lo
            stop = float(np.abs(gyr_dps[a:b, c]).max())
            sign = float(np.sign(gyr_dps[a, c]))
            left = np.arange(max(lo, a - SIDE), a)
            right = np.arange(b, min(end, b + SIDE))
            value: Array | None = None
            share = 0.15
            if len(left) >= 3 and len(right) >= 3 and not clip_gyr[right, c].any():
                t = np.concatenate([left, right]).astype(float)
                centre, half = 0.5 * (a + b - 1), 0.5 * (b - a) + SIDE
                fit = np.polynomial.polynomial.polyfit(
                    (t - centre) / half, gyr_dps[np.concatenate([left, right]), c], 4
                )
                value = np.polynomial.polynomial.polyval((np.arange(a, b) - centre) / half, fit)
            elif len(left) >= 4 and not clip_acc[left[0] : b].any():
                value = _by_pull(gyr_dps, acc_m_s2, left, a, b, c)
                share = 0.35
            if value is None or float((sign * value).min()) < 0.9 * stop:
                bound[a:b] = True
                continue
            value = sign * np.maximum(sign * value, stop)
            out[a:b, c] = value
            u[a:b] = np.hypot(u[a:b], share * (np.abs(value) - stop) + 0.002 * stop)
    return Rebuilt(gyr_dps=out, u_dps=u, bound=bound)


def _by_pull(gyr: Array, acc: Array, left: Index, a: int, b: int, c: int) -> Array | None:
    """Channel ``c`` over [a, b) from the pull, which goes with the square of the rate."""
    rate2 = np.einsum("ij,ij->i", gyr[left], gyr[left])
    pull = np.sqrt(np.einsum("ij,ij->i", acc[left], acc[left]))
    slope, level = np.polynomial.polynomial.polyfit(rate2, pull, 1)[::-1]
    if slope <= 0.0:
        return None
    later = np.sqrt(np.einsum("ij,ij->i", acc[a:b], acc[a:b]))
    others = np.einsum("ij,ij->i", gyr[a:b], gyr[a:b]) - gyr[a:b, c] ** 2
    own2 = (later - level) / slope - others
    if float(own2.min()) <= 0.0:
        return None
    return np.asarray(np.sign(gyr[a, c]) * np.sqrt(own2))
