"""One sensor's time line: movements joined to one smooth motion, felt by a chip, piece by piece.

Only the piece at hand is held on the fine grid, so memory doesn't grow with the session; what
is kept are the samples.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sensor.rotation import (
    quat_about,
    quat_conjugate,
    quat_log,
    quat_multiply,
    quat_rotate,
    segment_rates_rad_s,
    specific_force_m_s2,
)
from simulation.chip import Chip
from simulation.motion.action import Action, Shock, SwingTruth, shock_signal
from simulation.motion.body import Body, Calm
from simulation.motion.score import minimum_jerk, minimum_jerk_rate
from words.units import G_N_M_S2

Floats = NDArray[np.float64]

_BLEND_TURN_DPS = 180.0
"""About the greatest rate of a blend: people take their time between two things (assumed)."""
_BLEND_SPEED_M_S = 0.9
_BLEND_LEAST_S = 0.45
_NEAR_M = 0.8
"""Movements are computed about a person of their own; what would be a leap of more than this
between two of them is taken as that person having stood elsewhere."""
_REST_BLOCK_S = 20.0
_AFTER_ABORT_S = 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """A movement that was played, in seconds from the first sample."""

    name: str
    start_s: float
    end_s: float


class Film:
    """Plays movements one after another to a chip.

    Parameters
    ----------
    chip
        The chip that feels them; it has the grid's rate.
    body
        Sway and tremor.
    grid_hz
        Rate of the grid.
    quat_wxyz, pos_m
        (4,), (3,): pose to begin with.
    """

    def __init__(
        self, chip: Chip, body: Body, *, grid_hz: float, quat_wxyz: Floats, pos_m: Floats
    ) -> None:
        self._chip = chip
        self._body = body
        self._grid_hz = grid_hz
        self._quat = np.asarray(quat_wxyz, dtype=float)
        self._pos = np.asarray(pos_m, dtype=float)
        self._index = 0  # grid points played so far
        self._calms: list[Calm] = []
        self._ringing: list[tuple[int, Floats, Floats]] = []
        self._counts: list[NDArray[np.int16]] = []
        self.swings: list[SwingTruth] = []
        self.stretches: list[Stretch] = []

    @property
    def now_s(self) -> float:
        """Seconds from the first sample to the end of what was played."""
        return self._index / self._grid_hz

    def counts(self) -> NDArray[np.int16]:
        """All samples so far, (n, 6): ax, ay, az, gx, gy, gz."""
        if not self._counts:
            return np.empty((0, 6), dtype=np.int16)
        return np.concatenate(self._counts)

    def rest(self, length_s: float) -> None:
        """Stay in the pose at hand."""
        left = round(length_s * self._grid_hz)
        up = np.array([0.0, 0.0, G_N_M_S2])
        force = quat_rotate(quat_conjugate(self._quat), up)
        most = round(_REST_BLOCK_S * self._grid_hz)
        while left > 0:
            n = min(left, most)
            self._feel(np.zeros((n, 3)), np.tile(force, (n, 1)))
            left -= n

    def calm(self, length_s: float) -> None:
        """No sway and tremor for so long from now on."""
        self._add_calm(Calm(start_s=self.now_s, end_s=self.now_s + length_s))

    def _add_calm(self, calm: Calm) -> None:
        """Add a stretch; one that follows too closely for a way back goes on from the last."""
        last = self._calms[-1] if self._calms else None
        if last is not None and calm.start_s < last.end_s + self._body.fade_in_s:
            calm = Calm(start_s=last.start_s, end_s=max(last.end_s, calm.end_s))
            self._calms.pop()
        self._calms.append(calm)

    def play(
        self, action: Action, *, slowness: float = 1.0, wait_s: float = 0.0
    ) -> tuple[SwingTruth, ...]:
        """Go over to a movement's first pose, wait there, and make the movement.

        Parameters
        ----------
        action
            On a grid of the same rate.
        slowness
            Stretches the time of the way there.
        wait_s
            Rest in the first pose.

        Returns
        -------
        tuple of SwingTruth
            The movement's swings, in seconds from the first sample.

        Raises
        ------
        ValueError
            If the grids differ.
        """
        if not math.isclose(action.rate_hz, self._grid_hz):
            raise ValueError(f"movement on a grid of {action.rate_hz} Hz, not {self._grid_hz} Hz")
        leap = action.pos_m[0] - self._pos
        far = float(np.linalg.norm(leap))
        shift = leap * (1.0 - _NEAR_M / far) if far > _NEAR_M else np.zeros(3)
        self._go_to(action.quat_wxyz[0], action.pos_m[0] - shift, slowness)
        self.rest(wait_s)
        start_s = self.now_s
        swings = tuple(truth.shifted(start_s) for truth in action.swings)
        end_s = start_s + action.duration_s
        for k, truth in enumerate(swings):
            after = swings[k + 1].takeaway_s if k + 1 < len(swings) else end_s
            self._add_calm(Calm(start_s=truth.takeaway_s, end_s=_over_s(truth, after)))
        # The last grid point is the first one of what comes next.
        quat, pos, hz, breaks = action.quat_wxyz, action.pos_m, action.rate_hz, action.breaks
        omega = segment_rates_rad_s(quat, rate_hz=hz, breaks=breaks)[:-1]
        force = specific_force_m_s2(quat, pos, rate_hz=hz, breaks=breaks)[:-1]
        for shock in action.shocks:
            self._ring(shock)
        self._feel(omega, force)
        self._quat = action.quat_wxyz[-1]
        self._pos = action.pos_m[-1] - shift
        self.swings.extend(swings)
        self.stretches.append(Stretch(name=action.name, start_s=start_s, end_s=end_s))
        return swings

    def _go_to(self, quat: Floats, pos: Floats, slowness: float) -> None:
        """Minimum-jerk blend to a pose, about one axis and along one line."""
        vector = quat_log(quat_multiply(quat_conjugate(self._quat), quat))
        angle = float(np.linalg.norm(vector))
        way = pos - self._pos
        far = float(np.linalg.norm(way))
        if angle < 1e-9 and far < 1e-9:
            return
        length_s = 1.875 * max(
            math.degrees(angle) / _BLEND_TURN_DPS,
            far / _BLEND_SPEED_M_S,
        )
        length_s = slowness * max(length_s, _BLEND_LEAST_S)
        n = max(2, math.ceil(length_s * self._grid_hz))
        length_s = n / self._grid_hz
        u = np.arange(n) / n
        rate = minimum_jerk_rate(u) / length_s
        bend = 60.0 * u * (1.0 - u) * (1.0 - 2.0 * u) / length_s**2
        axis = vector / angle if angle > 1e-12 else np.array([1.0, 0.0, 0.0])
        turned = quat_multiply(self._quat, quat_about(axis, angle * minimum_jerk(u)))
        acc = bend[:, None] * way
        acc[:, 2] += G_N_M_S2
        self._feel(rate[:, None] * vector, quat_rotate(quat_conjugate(turned), acc))
        self._quat, self._pos = quat, pos

    def _ring(self, shock: Shock) -> None:
        """Keep a shock of the movement about to be felt."""
        # As long as its ringing is told from nothing; it may outlast the movement.
        n = math.ceil((12.0 * shock.decay_s + 2.0 * shock.contact_s) * self._grid_hz) + 4
        rate_dps, acc = shock_signal(replace(shock, index=0), rate_hz=self._grid_hz, n=n)
        self._ringing.append((self._index + shock.index, np.radians(rate_dps), acc))

    def _feel(self, omega: Floats, force: Floats) -> None:
        """Pass a piece of motion on to the chip, with sway, tremor and shocks."""
        n = len(omega)
        first, last = self._index, self._index + n
        omega, force = self._body.disturb(omega, force, first=first, calms=self._calms)
        keep = []
        for start, rate, acc in self._ringing:
            i, j = max(first, start), min(last, start + len(rate))
            if i < j:
                omega[i - first : j - first] += rate[i - start : j - start]
                force[i - first : j - first] += acc[i - start : j - start]
            if start + len(rate) > last:
                keep.append((start, rate, acc))
        self._ringing = keep
        self._counts.append(self._chip.feed(omega, force))
        self._index = last
        self._calms = [c for c in self._calms if c.end_s + 5.0 > self.now_s]


def _over_s(truth: SwingTruth, latest_s: float) -> float:
    """When sway and tremor may come back: after the finish, or when a swing was given up."""
    if truth.finish_s is not None:
        return truth.finish_s
    return min(latest_s, (truth.impact_s or truth.dwell_end_s) + _AFTER_ABORT_S)
