"""Sway and tremor of a person who stands: small turns on top of the intended motion.

They are disturbances: the truth of a swing is that of the intended motion alone. What is drawn
and why stands in the README of this folder.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulation.motion.action import Mount

Floats = NDArray[np.float64]

_BLOCK = 256


@dataclass(frozen=True, slots=True, kw_only=True)
class BodyParams:
    """Sizes of sway and tremor; reasons in the README of this folder."""

    sway_rms_deg: float = 0.25
    """Each axis. Standing at ease the trunk leans to and fro by some tenths of a degree (from
    memory)."""

    sway_hz: tuple[float, float] = (0.2, 1.0)
    """Band of the sway (posture studies put nearly all of it below 1 Hz, from memory)."""

    tremor_hz: tuple[float, float] = (8.0, 12.0)
    """Band of physiological tremor (from memory)."""

    tremor_rms_dps: tuple[float, float, float, float] = (0.5, 0.7, 0.9, 0.12)
    """Each axis, for wrist, glove, club, trunk. A resting outstretched hand shakes at about
    0.1 m/s2 rms (from memory), which with a lever of 0.2 m at 10 Hz is 0.5 deg/s; more in the
    fingers and at the club, hardly any in the trunk."""

    tremor_factor: float = 1.0
    """3 for the hard cases: cold, tired or nervous."""

    sway_factor: float = 1.0
    """More for someone who is never still: x 3-8 is 3-8 deg/s."""

    fade_out_s: float = 0.30
    """From the takeaway on they fade: at speed they drown in the swing itself."""

    fade_in_s: float = 0.60
    """After the finish they come back."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Calm:
    """Stretch without sway and tremor: they fade out from its start on, and back after its end."""

    start_s: float
    end_s: float


_MOUNTS: tuple[Mount, ...] = ("wrist", "glove", "club", "trunk")
# From the joint that gives way to the sensor, along the segment's long axis (assumed).
_JOINT_TO_SENSOR_M = {"wrist": 0.21, "glove": 0.15, "club": 0.35, "trunk": 0.4}


class Body:
    """Sway and tremor of one person with one sensor, as functions of time.

    Both are sums of sines with frequencies and phases drawn once, so any stretch of time can be
    had by itself. Close frequencies beat, which makes the tremor wax and wane as real tremor does.

    Parameters
    ----------
    params
        Sizes.
    mount
        Which segment carries the sensor.
    grid_hz
        Rate of the grid.
    rng
        Source of frequencies and phases.
    """

    def __init__(
        self, params: BodyParams, *, mount: Mount, grid_hz: float, rng: np.random.Generator
    ) -> None:
        self._params = params
        self._grid_hz = grid_hz
        self._to_joint_m = _JOINT_TO_SENSOR_M[mount]
        self.fade_in_s = params.fade_in_s
        n_sway, n_tremor = 3, 4
        hz = np.concatenate(
            [rng.uniform(*params.sway_hz, (3, n_sway)), rng.uniform(*params.tremor_hz, (3, 4))],
            axis=1,
        )
        self._omega = 2.0 * np.pi * hz  # (3, k)
        self._phase = rng.uniform(0.0, 2.0 * np.pi, hz.shape)
        share = rng.uniform(0.5, 1.0, hz.shape)
        # No one is the same from one session to the next.
        sway = np.radians(params.sway_rms_deg) * params.sway_factor * float(rng.uniform(0.5, 1.5))
        rate = np.radians(params.tremor_rms_dps[_MOUNTS.index(mount)]) * params.tremor_factor
        rate *= float(rng.uniform(0.6, 1.5))
        size = np.empty_like(hz)
        for part, rms in ((slice(0, n_sway), sway), (slice(n_sway, n_sway + n_tremor), rate)):
            weight = share[:, part]
            size[:, part] = rms * weight / np.sqrt(np.sum(weight**2, axis=1, keepdims=True) / 2.0)
        size[:, n_sway:] /= self._omega[:, n_sway:]  # from rate to angle
        self._size = size
        tau = np.arange(_BLOCK) / grid_hz
        self._cos = np.cos(self._omega[:, :, None] * tau)  # (3, k, block)
        self._sin = np.sin(self._omega[:, :, None] * tau)

    def turns(
        self, first: int, n: int, calms: Sequence[Calm] = ()
    ) -> tuple[Floats, Floats, Floats]:
        """Small turns on the grid.

        Parameters
        ----------
        first, n
            First grid point, counted from the session's start, and number of points.
        calms
            Where they are faded out; at least `fade_in_s` apart.

        Returns
        -------
        delta_rad, rate_rad_s, acc_rad_s2
            (n, 3) each: the turn about the segment's axes and its first two derivatives.
        """
        blocks = -(-n // _BLOCK)
        start_s = (first + _BLOCK * np.arange(blocks)) / self._grid_hz
        out = np.empty((3, 3, blocks * _BLOCK))
        for axis in range(3):
            omega = self._omega[axis]
            angle = omega * start_s[:, None] + self._phase[axis]
            sine = self._size[axis] * np.sin(angle)
            cosine = self._size[axis] * np.cos(angle)
            # sin(a + b) = sin a cos b + cos a sin b, so no sine is computed twice
            c, s = self._cos[axis], self._sin[axis]
            out[0, axis] = (sine @ c + cosine @ s).ravel()
            out[1, axis] = ((cosine * omega) @ c - (sine * omega) @ s).ravel()
            out[2, axis] = (-(sine * omega**2) @ c - (cosine * omega**2) @ s).ravel()
        delta, rate, acc = (np.ascontiguousarray(part[:, :n].T) for part in out)
        near = [c for c in calms if self._touches(c, first, n)]
        if not near:
            return delta, rate, acc
        time_s = (first + np.arange(n)) / self._grid_hz
        e, e1, e2 = self._envelope(time_s, near)
        # What fades is the moving to and fro: the lean at the start of the stretch stays. (Fading
        # the lean itself would turn the body back upright during the takeaway, as nobody does.)
        held = self._leans(time_s, near)
        return (
            e * delta + (1.0 - e) * held,
            e * rate + e1 * (delta - held),
            e * acc + 2.0 * e1 * rate + e2 * (delta - held),
        )

    def _leans(self, time_s: Floats, calms: Sequence[Calm]) -> Floats:
        """Lean (n, 3) at the start of the latest stretch begun; zero before the first."""
        starts = np.sort(np.array([c.start_s for c in calms]))
        lean = np.zeros((len(starts) + 1, 3))
        angle = self._omega[None] * starts[:, None, None] + self._phase[None]
        lean[1:] = np.sum(self._size[None] * np.sin(angle), axis=2)
        return np.asarray(lean[np.searchsorted(starts, time_s, side="right")])

    def disturb(
        self, omega: Floats, force: Floats, *, first: int, calms: Sequence[Calm] = ()
    ) -> tuple[Floats, Floats]:
        """Angular velocity (rad/s) and specific force (m/s2), (n, 3) each, of a person who sways.

        To first order in the small turn d: the rate gains d' + w x d, the force gains f x d and,
        at the end of its lever, d'' x r.
        """
        delta, rate, acc = self.turns(first, len(omega), calms)
        shaken = force + _cross(force, delta)
        shaken[:, 1] += acc[:, 2] * self._to_joint_m
        shaken[:, 2] -= acc[:, 1] * self._to_joint_m
        return omega + rate + _cross(omega, delta), shaken

    def _touches(self, calm: Calm, first: int, n: int) -> bool:
        start, end = first / self._grid_hz, (first + n) / self._grid_hz
        last = max(calm.end_s, calm.start_s + self._params.fade_out_s) + self._params.fade_in_s
        return calm.start_s < end and last > start

    def _envelope(self, time_s: Floats, calms: Sequence[Calm]) -> tuple[Floats, Floats, Floats]:
        """Product of what the stretches leave, (n, 1), and its first two derivatives."""
        value = np.ones_like(time_s)
        first = np.zeros_like(time_s)
        second = np.zeros_like(time_s)
        for calm in calms:
            down = self._params.fade_out_s
            up = self._params.fade_in_s
            # They may touch: the way back doesn't begin before the way out is done.
            end = max(calm.end_s, calm.start_s + down)
            a, a1, a2 = _step((time_s - calm.start_s) / down)
            b, b1, b2 = _step((time_s - end) / up)
            e = 1.0 - a + b
            e1 = -a1 / down + b1 / up
            e2 = -a2 / down**2 + b2 / up**2
            value, first, second = (
                value * e,
                first * e + value * e1,
                second * e + 2.0 * first * e1 + value * e2,
            )
        return value[:, None], first[:, None], second[:, None]


def _step(u: Floats) -> tuple[Floats, Floats, Floats]:
    """Minimum-jerk step and its first two derivatives with respect to u."""
    u = np.clip(u, 0.0, 1.0)
    v = u * (1.0 - u)
    return (
        u * u * u * (10.0 + u * (6.0 * u - 15.0)),
        30.0 * v * v,
        60.0 * v * (1.0 - 2.0 * u),
    )


def _cross(a: Floats, b: Floats) -> Floats:
    """Cross product of (n, 3) arrays (np.cross is several times slower)."""
    ax, ay, az = a.T
    bx, by, bz = b.T
    return np.stack((ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx), axis=1)
