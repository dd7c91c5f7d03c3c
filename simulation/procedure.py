"""A simulated calibration procedure, with the chip's true errors.

A small box with the sensor in it is laid on each of its six faces, and turned on the table,
against an edge, about each of its three axes. What the person does is never exact: the box lies a
degree or two off, and the edge is met to within a degree.
"""

from __future__ import annotations

import math
import os
import uuid
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from sensor.recording.layout import AXES, COUNTS_DTYPE
from sensor.recording.session import Session
from sensor.recording.writer import RecordingWriter
from sensor.rotation import (
    quat_about,
    quat_conjugate,
    quat_from_matrix,
    quat_log,
    quat_multiply,
    quat_rotate,
)
from simulation.chip import (
    Chip,
    ChipParams,
    ChipUnit,
    LinkParams,
    deliver,
    draw_unit,
    low_pass_delay_s,
    samples_a_packet,
)
from simulation.motion.score import minimum_jerk
from words.units import G_N_M_S2

Floats = npt.NDArray[np.float64]

# Up-axis of the box in each of six positions.
_UP = (0.0, 0.0, 1.0)
_FACES = ((0, 0, 1), (0, 0, -1), (0, 1, 0), (0, -1, 0), (1, 0, 0), (-1, 0, 0))


@dataclass(frozen=True, slots=True, kw_only=True)
class ProcedureSpec:
    """What the person does, and how well. Sizes are assumed."""

    faces: tuple[int, ...] = (0, 1, 2, 3, 4, 5)
    """Which of the six faces are laid up, in this order."""

    turn_axes: tuple[int, ...] = (0, 2, 4)
    """Faces that are up while it is turned."""

    turns: tuple[float, ...] = (360.0, -360.0, 360.0, -360.0)
    """Angles, deg, one after the other, about each axis."""

    setting_sd_deg: float = 0.707
    """How well the edge is met, each time: a turn lies between two of these."""

    tilt_sd_deg: float = 1.5
    """How far a face is from level, and the chip from its box."""

    wobble_deg: float = 3.0
    """How far it is tipped on its way round."""

    reading_sd_m_s2: float = 0.003
    """What a mean reading is off beside noise, each axis, each time it is laid down."""

    rest_s: float = 2.5
    move_s: float = 1.5
    turn_s: float = 4.0
    gravity_m_s2: float = G_N_M_S2
    hand_dps: float = 0.0
    """Trembling of a hand that doesn't let go, at `hand_position`."""

    hand_position: int | None = None
    free_mount: bool = False
    """True: the chip is at any attitude in its box."""

    rate_hz: float = 100.0
    rate_error: float | None = None
    """None: drawn, sd 1.2 %."""

    gyr_range_dps: float = 2000.0
    acc_range_g: float = 16.0
    serial: str | None = "SIM-0001"
    start: str = "2026-01-10T10:00:00+01:00"


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedProcedure:
    """The procedure as a recording holds it, and the truth.

    `unit.acc_matrix` and `unit.gyr_matrix` take the box's motion to readings; `unit.mount` is
    the part of them that is pure rotation.
    """

    session: Session
    samples: npt.NDArray[np.void]
    packets: npt.NDArray[np.void]
    unit: ChipUnit
    true_rate_hz: float

    @property
    def acc_m_s2(self) -> Floats:
        """(n, 3) readings."""
        scale = self.session.acc_m_s2_per_count or 1.0
        return np.stack([self.samples[axis] for axis in AXES[:3]], axis=1) * scale

    @property
    def gyr_dps(self) -> Floats:
        """(n, 3) readings."""
        scale = self.session.gyr_dps_per_count or 1.0
        return np.stack([self.samples[axis] for axis in AXES[3:]], axis=1) * scale

    def write(self, folder: str | os.PathLike[str]) -> None:
        """Write a recording's folder."""
        with RecordingWriter(folder, self.session) as writer:
            writer.append(self.packets, self.samples)


def _attitude(up: Sequence[float]) -> Floats:
    """Quaternion that takes box axes to the world so that `up` is upwards."""
    z = np.asarray(up, dtype=float)
    x = np.roll(np.abs(z), 1)
    y = np.cross(z, x)
    return quat_from_matrix(np.stack([x, y, z]))


def _small(rng: np.random.Generator, sd_deg: float) -> Floats:
    axis = rng.standard_normal(3)
    angle = math.radians(sd_deg * float(rng.standard_normal()))
    return quat_about(axis / np.linalg.norm(axis), angle)


class _Table:
    """The table, and the chip in its box that is laid and turned on it."""

    def __init__(self, spec: ProcedureSpec, chip: Chip, rng: np.random.Generator) -> None:
        self.grid_hz = 8.0 * spec.rate_hz
        self.counts: list[npt.NDArray[np.int16]] = []
        self._spec = spec
        self._inverse = np.linalg.inv(chip.unit.acc_matrix)
        self._chip = chip
        self._rng = rng

    def play(self) -> None:
        """Lay it on each face, then turn it about each axis."""
        spec = self._spec
        at: Floats | None = None
        off = self._reading()
        for number, face in enumerate(spec.faces):
            place = self._laid(face)
            if at is not None:
                self._move(at, place, off)
            off = self._reading()
            self._rest(place, off, spec.hand_dps if number == spec.hand_position else 0.0)
            at = place
        for face in spec.turn_axes:
            place = self._laid(face)
            if at is not None:
                self._move(at, place, off)
            at, off = self._turned(place)

    def _turned(self, base: Floats) -> tuple[Floats, Floats]:
        """Turn it against the edge; return where it lies then, and what its reading is off."""
        spec = self._spec
        off = self._reading()
        yaw = spec.setting_sd_deg * float(self._rng.standard_normal())
        place = quat_multiply(quat_about(_UP, math.radians(yaw)), base)
        self._rest(place, off)
        total = 0.0
        for angle in spec.turns:
            total += angle
            met = total + spec.setting_sd_deg * float(self._rng.standard_normal())
            u = np.linspace(0.0, 1.0, round(spec.turn_s * self.grid_hz) + 1)
            way = np.radians(yaw + (met - yaw) * minimum_jerk(u))
            tip = math.radians(spec.wobble_deg) * np.sin(np.pi * u) ** 2
            turned = quat_multiply(quat_about(_UP, way), base)
            self._feel(quat_multiply(turned, quat_about((0.8, 0.6, 0.0), tip)), off)
            yaw = met
            place = quat_multiply(quat_about(_UP, math.radians(yaw)), base)
            off = self._reading()
            self._rest(place, off)
        return place, off

    def _feel(self, quat: Floats, off: Floats, tremble_dps: float = 0.0) -> None:
        """Have the chip feel attitudes on the grid; `off` is what its reading is off."""
        steps = quat_log(quat_multiply(quat_conjugate(quat[:-1]), quat[1:]))
        # Same hemisphere: a step is small.
        omega = steps * self.grid_hz
        up = np.array([0.0, 0.0, self._spec.gravity_m_s2])
        force = quat_rotate(quat_conjugate(quat[:-1]), up) + off @ self._inverse.T
        if tremble_dps:
            t = np.arange(len(omega)) / self.grid_hz
            wave = np.stack([np.sin(2 * np.pi * hz * t) for hz in (8.3, 9.7, 11.1)], axis=1)
            omega = omega + math.radians(tremble_dps) * math.sqrt(2.0) * wave
            force = force + 0.02 * tremble_dps * wave
        self.counts.append(self._chip.feed(omega, force))

    def _rest(self, quat: Floats, off: Floats, tremble_dps: float = 0.0) -> None:
        n = round(self._spec.rest_s * self.grid_hz) + 1
        self._feel(np.tile(quat, (n, 1)), off, tremble_dps)

    def _move(self, a: Floats, b: Floats, off: Floats) -> None:
        vector = quat_log(quat_multiply(quat_conjugate(a), b))
        angle = float(np.linalg.norm(vector))
        axis = vector / angle if angle > 1e-9 else np.array([1.0, 0.0, 0.0])
        n = round(self._spec.move_s * self.grid_hz) + 1
        share = minimum_jerk(np.linspace(0.0, 1.0, n))
        self._feel(quat_multiply(a, quat_about(axis, angle * share)), off)

    def _laid(self, face: int) -> Floats:
        return quat_multiply(_small(self._rng, self._spec.tilt_sd_deg), _attitude(_FACES[face]))

    def _reading(self) -> Floats:
        return self._spec.reading_sd_m_s2 * self._rng.standard_normal(3)


def simulate_procedure(spec: ProcedureSpec, *, seed: int) -> SimulatedProcedure:
    """Simulate the procedure; the same spec and seed give the same samples.

    Parameters
    ----------
    spec : ProcedureSpec
    seed : int
    """
    rng, unit_rng, noise, link = np.random.default_rng(seed).spawn(4)
    error = spec.rate_error
    if error is None:
        error = 0.012 * float(np.clip(rng.standard_normal(), -2.5, 2.5))
    params = ChipParams(
        nominal_rate_hz=spec.rate_hz,
        rate_error=error,
        gyr_range_dps=spec.gyr_range_dps,
        acc_range_g=spec.acc_range_g,
        mount_quat_wxyz=None if spec.free_mount else tuple(_small(rng, spec.tilt_sd_deg).tolist()),
    )
    unit = draw_unit(params, unit_rng)
    grid_hz = 8.0 * spec.rate_hz
    table = _Table(spec, Chip(params, grid_hz=grid_hz, unit=unit, rng=noise), rng)
    table.play()
    counts_all = np.concatenate(table.counts)
    delivery = deliver(
        len(counts_all),
        true_rate_hz=params.true_rate_hz,
        params=LinkParams(packet_samples=samples_a_packet(spec.rate_hz), loss=0.001),
        rng=link,
    )
    seq = np.flatnonzero(delivery.kept)
    samples = np.zeros(len(seq), dtype=COUNTS_DTYPE)
    samples["seq"] = seq
    for column, axis in enumerate(AXES):
        samples[axis] = counts_all[seq, column]
    own = np.random.default_rng([seed, 1])
    session = Session(
        id=str(uuid.UUID(bytes=own.bytes(16), version=4)),
        start=spec.start,
        sensor={
            "name": "simulated sensor",
            "model": "simulated",
            "simulated": True,
            **({} if spec.serial is None else {"serial": spec.serial}),
        },
        nominal_rate_hz=spec.rate_hz,
        gyr_range_dps=spec.gyr_range_dps,
        acc_range_g=spec.acc_range_g,
        gyr_dps_per_count=params.gyr_dps_per_count,
        acc_m_s2_per_count=params.acc_m_s2_per_count,
        gyr_delay_ms=1000.0 * low_pass_delay_s(params.gyr_cutoff_hz, grid_hz),
        acc_delay_ms=1000.0 * low_pass_delay_s(params.acc_cutoff_hz, grid_hz),
    )
    return SimulatedProcedure(
        session=session,
        samples=samples,
        packets=delivery.packets,
        unit=unit,
        true_rate_hz=params.true_rate_hz,
    )
