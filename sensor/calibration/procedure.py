"""The procedure of a calibration: what is taken as known, and what is found on the way."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from sensor.recording.calibration import Calibration
from words.units import G_N_M_S2, UNCALIBRATED_GYR_U

Array = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

CROSS_SD: Final = 0.003
"""What one axis is expected to see of another, before it is measured (data sheets allow 1-2 %, most
parts are much better, from memory). What counts is the mean of the two axes' views of each other,
which scatters by this over the square root of two."""

ACC_SCALE_SD: Final = 0.01
"""What the accelerometer's scale is expected to be off (data sheets: 0.5-3 % at most, from memory).
Hardly counts unless the chip lies askew in its case, so that no axis is ever upright."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ProcedureParams:
    """What is taken as known, and what counts as still."""

    gravity_m_s2: float = G_N_M_S2
    gravity_u_m_s2: float = 0.015
    """Where nobody gave the local value: it lies between 9.780 at the equator and 9.832 at the
    poles at sea level (WGS 84, from memory); half that range over the square root of three."""

    angle_deg: float = 360.0
    """Every turn is this angle or a multiple. A whole turn comes back to the same edge, so no
    angle has to be right but the edge straight."""

    angle_u_deg: float = 1.0
    """Of one turn: how well a small case can be laid against an edge twice (assumed)."""

    square_u_deg: float = 0.5
    """Added, the same for all turns, where the angle isn't a whole turn: how square the corners
    of a table or a book are (assumed)."""

    window_s: float = 0.25
    """Stillness is judged over this long."""

    rest_s: float = 1.0
    """Least length of a still position, beyond a window at each end."""

    still_dps: float = 1.0
    """Greatest spread of the rates in a still window: a table has nothing but the chip's noise
    (0.1-0.5 deg/s), a hand trembles by more."""

    still_drift_dps: float = 0.7
    """A still window's mean rate is the same as other still windows' to within this."""

    still_m_s2: float = 0.15
    """Greatest spread of the acceleration in a still window; or twice the chip's own noise."""

    same_position_deg: float = 8.0
    """Closer than this is the same way up."""

    reading_u_m_s2: float = 0.003
    """What the mean reading may be off beside noise: the chip isn't quite linear, and comes back
    to the same way up a little different (0.3 thousandths of g, assumed)."""

    cross_sd: float = CROSS_SD
    acc_scale_sd: float = ACC_SCALE_SD

    gyr_scale_sd: float = UNCALIBRATED_GYR_U
    """What the gyroscope's scale is expected to be off, before it is measured."""

    turn_tolerance: float = 0.05
    """A turn further than this (as a share) from a multiple of the angle isn't one of them, and a
    scale further off than this isn't believed: no working chip is."""

    offset_limit_m_s2: float = 2.0
    """An offset beyond this isn't believed either (data sheets: up to 0.8, from memory)."""

    min_positions: int = 6
    min_turns: int = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Rest:
    """A stretch in which the sensor lay still.

    Attributes
    ----------
    first_seq, last_seq : int
    acc_m_s2, gyr_dps : (3,)
        Mean readings.
    acc_u_m_s2, gyr_u_dps : float
        Standard uncertainty of each axis' mean from what it did meanwhile.
    """

    first_seq: int
    last_seq: int
    acc_m_s2: Array
    gyr_dps: Array
    acc_u_m_s2: float
    gyr_u_dps: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Turn:
    """A turn on the table between two rests, as the gyroscope read it.

    Attributes
    ----------
    before, after : int
        Numbers of the places at the edge, for what two turns share.
    axis : (3,)
        Unit vector upwards in the sensor frame.
    angle_deg : float
        As read, positive about `axis`.
    known_deg : float
        What it was.
    u_deg : float
        Of the reading: bias, noise, filled gaps.
    first_seq, last_seq : int
    """

    before: int
    after: int
    axis: Array
    angle_deg: float
    known_deg: float
    u_deg: float
    first_seq: int
    last_seq: int


@dataclass(frozen=True, slots=True, kw_only=True)
class AccFit:
    """Accelerometer: true = matrix @ (reading - offset), with the covariance of the nine.

    Order: offset x, y, z; scale x, y, z; cross xy, yz, zx.
    """

    offset_m_s2: Array
    matrix: Array
    covariance: Array
    residuals_m_s2: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class GyrFit:
    """Gyroscope: true = matrix @ reading, with the covariance of the six.

    Order: scale x, y, z; cross xy, yz, zx.
    """

    matrix: Array
    covariance: Array
    residuals_deg: Array
    scale_u: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Procedure:
    """What was found, and the calibration that follows."""

    calibration: Calibration
    rests: tuple[Rest, ...]
    positions: tuple[Rest, ...]
    turns: tuple[Turn, ...]
    acc: AccFit | None
    gyr: GyrFit | None
    remarks: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleArrays:
    """Samples of the procedure in memory: (n,), (n, 3), (n, 3)."""

    seq: Ints
    acc_m_s2: Array
    gyr_dps: Array

    def read(self, first_seq: int, last_seq: int) -> tuple[Ints, Array, Array]:
        """Return those from one number to another, both included."""
        a, b = np.searchsorted(self.seq, [first_seq, last_seq + 1])
        return self.seq[a:b], self.acc_m_s2[a:b], self.gyr_dps[a:b]
