"""Make a calibration: find the still positions and the turns of the procedure, and fit.

The procedure needs no instrument. Lying still, the accelerometer reads gravity, whatever way up it
lies: six or more ways give its offset and scale. Lying against a straight edge, turned on the
table and put back against the edge, the sensor has turned by a whole turn: that gives the
gyroscope's scale for the axis it was turned about.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import numpy.typing as npt

from sensor.calibration import UNCALIBRATED_GYR_U, Calibration, CalibrationError, Matrix, Row
from sensor.motion.rotation import quat_exp, quat_multiply

if TYPE_CHECKING:
    from sensor.recording import Recording

__all__ = [
    "AccFit",
    "Guide",
    "GyrFit",
    "Procedure",
    "ProcedureParams",
    "Rest",
    "Samples",
    "Turn",
    "Windows",
    "calibrate_recording",
    "calibrate_samples",
    "find_rests",
    "find_turns",
    "fit_acc",
    "fit_gyr",
    "guide",
]

Array = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

G_N_M_S2: Final = 9.80665
"""Standard gravity, exact (NIST SP 811)."""

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


# -- stillness -----------------------------------------------------------------------------------


class Windows:
    """Mean and spread of all channels over short windows of samples that come in pieces.

    Parameters
    ----------
    rate_hz : float
    window_s : float
    """

    def __init__(self, rate_hz: float, window_s: float) -> None:
        self.size = max(8, round(window_s * rate_hz))
        self.number: list[int] = []
        self._mean: list[Array] = []
        self._spread: list[Array] = []
        self._seq = np.zeros(0, np.int64)
        self._values = np.zeros((0, 6))

    def feed(self, seq: Ints, acc_m_s2: Array, gyr_dps: Array) -> None:
        """Take further samples: (n,), (n, 3), (n, 3)."""
        self._seq = np.concatenate([self._seq, seq])
        self._values = np.concatenate([self._values, np.concatenate([acc_m_s2, gyr_dps], axis=1)])
        if not len(self._seq):
            return
        number = self._seq // self.size
        # The last window may go on in the next piece.
        end = int(np.searchsorted(number, number[-1]))
        if end == 0:
            return
        starts = np.flatnonzero(np.diff(number[:end], prepend=-1))
        for a, b in zip(starts, [*starts[1:], end], strict=True):
            if b - a < self.size // 2:
                continue
            part = self._values[a:b]
            self.number.append(int(number[a]))
            self._mean.append(part.mean(axis=0))
            self._spread.append(part.std(axis=0))
        self._seq, self._values = self._seq[end:], self._values[end:]

    @property
    def mean(self) -> Array:
        """(n, 6): acc, gyr."""
        return np.array(self._mean).reshape(-1, 6)

    @property
    def spread(self) -> Array:
        """(n, 6): standard deviations within each window."""
        return np.array(self._spread).reshape(-1, 6)


def _still(windows: Windows, p: ProcedureParams) -> npt.NDArray[np.bool_]:
    mean, spread = windows.mean, windows.spread
    acc = np.linalg.norm(spread[:, :3], axis=1)
    gyr = np.linalg.norm(spread[:, 3:], axis=1)
    if not len(acc):
        return np.zeros(0, bool)
    # Chips with a wide range are noisier: the quietest windows say how noisy this one is.
    floor = float(np.quantile(acc, 0.05))
    still = (gyr < p.still_dps) & (acc < max(p.still_m_s2, min(2.0 * floor, 1.0)))
    if still.any():
        zero = np.median(mean[still, 3:], axis=0)
        still &= np.linalg.norm(mean[:, 3:] - zero, axis=1) < p.still_drift_dps
    return np.asarray(still, bool)


def find_rests(windows: Windows, params: ProcedureParams) -> list[Rest]:
    """Return the stretches in which the sensor lay still, in their order."""
    p = params
    still = _still(windows, p)
    number = np.array(windows.number, np.int64)
    mean, spread = windows.mean, windows.spread
    rests = []
    start = 0
    for end in range(1, len(still) + 1):
        goes_on = end < len(still) and still[end] and number[end] - number[end - 1] <= 2
        if goes_on and still[start]:
            continue
        # A window at each end is left out: the sensor may still have been let go of.
        a, b = start + 1, end - 1
        n = b - a
        if still[start] and n >= max(2, round(p.rest_s / p.window_s)):
            part = mean[a:b]
            white = spread[a:b].mean(axis=0) / math.sqrt(n * windows.size)
            # What the means do beyond noise counts as it is seen.
            seen = part.std(axis=0, ddof=1) / math.sqrt(n) if n > 2 else white
            u = np.maximum(white, seen)
            rests.append(
                Rest(
                    first_seq=int(number[a]) * windows.size,
                    last_seq=int(number[b - 1] + 1) * windows.size - 1,
                    acc_m_s2=part[:, :3].mean(axis=0),
                    gyr_dps=part[:, 3:].mean(axis=0),
                    acc_u_m_s2=float(np.sqrt((u[:3] ** 2).mean())),
                    gyr_u_dps=float(np.sqrt((u[3:] ** 2).mean())),
                )
            )
        start = end
    return rests


def _angle_deg(a: Array, b: Array) -> float:
    cosine = float(a @ b) / float(np.linalg.norm(a) * np.linalg.norm(b))
    return math.degrees(math.acos(max(-1.0, min(1.0, cosine))))


def positions_of(rests: Sequence[Rest], params: ProcedureParams) -> list[Rest]:
    """Put rests with the same way up together: one mean each."""
    groups: list[list[Rest]] = []
    for rest in rests:
        for group in groups:
            if _angle_deg(rest.acc_m_s2, group[0].acc_m_s2) < params.same_position_deg:
                group.append(rest)
                break
        else:
            groups.append([rest])
    out = []
    for group in groups:
        # The sensor may lie a little different each time, so sizes are what is averaged; the
        # direction is that of the mean.
        size = float(np.mean([np.linalg.norm(rest.acc_m_s2) for rest in group]))
        mean = np.mean([rest.acc_m_s2 for rest in group], axis=0)
        out.append(
            Rest(
                first_seq=group[0].first_seq,
                last_seq=group[0].last_seq,
                acc_m_s2=mean * (size / float(np.linalg.norm(mean))),
                gyr_dps=np.mean([rest.gyr_dps for rest in group], axis=0),
                acc_u_m_s2=float(np.sqrt(np.mean([rest.acc_u_m_s2**2 for rest in group]))),
                gyr_u_dps=float(np.sqrt(np.mean([rest.gyr_u_dps**2 for rest in group]))),
            )
        )
    return out


# -- the accelerometer ---------------------------------------------------------------------------

_PAIRS: Final = ((0, 1), (1, 2), (2, 0))


def _symmetric(values: Array) -> Array:
    """(3, 3) from scale x, y, z and cross xy, yz, zx, all as differences from the identity."""
    out = np.diag(1.0 + values[:3])
    for (i, j), value in zip(_PAIRS, values[3:], strict=True):
        out[i, j] = out[j, i] = value
    return out


def fit_acc(
    readings_m_s2: Array,
    u_m_s2: Array,
    *,
    gravity_m_s2: float = G_N_M_S2,
    gravity_u_m_s2: float = 0.0,
    cross_sd: float = CROSS_SD,
    scale_sd: float = ACC_SCALE_SD,
) -> AccFit:
    """Fit offset, scale and cross-axis terms so that gravity has its size in every position.

    Least squares of ``|matrix @ (reading - offset)| - g``, an ellipsoid turned into a sphere,
    by Gauss-Newton. From six positions the cross-axis terms can't be told; they, and a scale that
    can't be told, are held by what is expected of chips, and what they might be is in the
    uncertainty. An error of g
    itself changes all scales alike and is added at the end.

    Parameters
    ----------
    readings_m_s2 : (n, 3)
        Mean readings, n >= 6, well spread.
    u_m_s2 : (n,)
        Their standard uncertainties.
    gravity_m_s2, gravity_u_m_s2 : float
    cross_sd : float
        Standard deviation expected of what one axis sees of another.
    scale_sd : float
        Of the scale.
    """
    x = np.zeros(9)
    n = len(readings_m_s2)
    expected = np.array([scale_sd] * 3 + [cross_sd / math.sqrt(2.0)] * 3)
    covariance = np.eye(9)
    residuals = np.zeros(n)
    for _ in range(50):
        offset, matrix = x[:3], _symmetric(x[3:])
        free = readings_m_s2 - offset
        true = free @ matrix.T
        size = np.linalg.norm(true, axis=1)
        unit = true / size[:, None]
        residuals = size - gravity_m_s2
        slopes = np.empty((n, 9))
        slopes[:, :3] = -unit @ matrix
        slopes[:, 3:6] = unit * free
        for k, (i, j) in enumerate(_PAIRS):
            slopes[:, 6 + k] = unit[:, i] * free[:, j] + unit[:, j] * free[:, i]
        rows = np.vstack([slopes / u_m_s2[:, None], np.eye(9)[3:] / expected[:, None]])
        misfit = np.concatenate([residuals / u_m_s2, x[3:] / expected])
        information = rows.T @ rows
        if np.linalg.cond(information * _equilibrate(information)) > 1e12:
            raise CalibrationError(_NOT_SPREAD)
        step = np.linalg.solve(information, -rows.T @ misfit)
        x = x + step
        covariance = np.linalg.inv(information)
        if float(np.abs(step).max()) < 1e-12:
            break
    if n > 6:
        # Six numbers are told by the positions, three or more by what is expected.
        strain = misfit[:n]
        covariance = covariance * max(1.0, float(strain @ strain) / (n - 6))
    common = np.zeros(9)
    common[3:6] = gravity_u_m_s2 / gravity_m_s2
    covariance = covariance + np.outer(common, common)
    return AccFit(
        offset_m_s2=x[:3],
        matrix=_symmetric(x[3:]),
        covariance=covariance,
        residuals_m_s2=residuals,
    )


_NOT_SPREAD: Final = (
    "the still positions are too much alike to tell offset from scale: lay the sensor on each of "
    "its six faces in turn"
)


def _equilibrate(information: Array) -> Array:
    scale = 1.0 / np.sqrt(np.maximum(np.diag(information), 1e-30))
    return np.asarray(np.outer(scale, scale))


# -- the gyroscope -------------------------------------------------------------------------------


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
        matrix=_symmetric(x), covariance=covariance, residuals_deg=residuals, scale_u=scale_u
    )


def _count_axes(turns: Sequence[Turn]) -> int:
    axes: list[Array] = []
    for turn in turns:
        if all(abs(float(turn.axis @ axis)) < math.cos(math.radians(20.0)) for axis in axes):
            axes.append(turn.axis)
    return max(1, len(axes))


Reader = Callable[[int, int], tuple[Ints, Array, Array]]


def find_turns(
    rests: Sequence[Rest],
    read: Reader,
    *,
    period_s: float,
    params: ProcedureParams,
    gyr_limit_dps: float | None = None,
) -> tuple[list[Turn], list[str]]:
    """Return the turns between rests, and remarks on those that can't be used.

    Parameters
    ----------
    rests : sequence of Rest
    read : callable
        Samples from one number to another: seq, acc, gyr.
    period_s : float
        True sample period.
    params : ProcedureParams
    gyr_limit_dps : float, optional
        Readings from here on are clipped.
    """
    p = params
    turns: list[Turn] = []
    remarks: list[str] = []
    others: list[float] = []
    place = 0
    for before, after in pairwise(rests):
        here, place = place, place + 1
        if _angle_deg(before.acc_m_s2, after.acc_m_s2) > p.same_position_deg:
            continue
        first, last = before.last_seq, after.first_seq
        if (last - first) * period_s > _LONGEST_TURN_S:
            continue
        seq, _, gyr = read(first, last)
        at = f"at {clock_text(first * period_s)}"
        if len(seq) < 4:
            continue
        up = before.acc_m_s2 + after.acc_m_s2
        up = up / np.linalg.norm(up)
        angle, u = _angle(seq, gyr, before, after, up, period_s)
        if abs(angle) < _SAME_PLACE_DEG:
            # Bumped, but not turned: the same place at the edge.
            place = here
            continue
        if abs(angle) < 0.5 * p.angle_deg:
            others.append(abs(angle))
            continue
        known = math.copysign(p.angle_deg * max(1, round(abs(angle) / p.angle_deg)), angle)
        if abs(angle - known) > p.turn_tolerance * abs(known):
            others.append(abs(angle))
            remarks.append(
                f"the turn {at} reads {abs(angle):.1f} deg, which isn't within "
                f"{100 * p.turn_tolerance:g} % of {abs(known):g} deg: it isn't used"
            )
            continue
        if gyr_limit_dps is not None and float(np.abs(gyr).max()) >= 0.998 * gyr_limit_dps:
            remarks.append(
                f"the turn {at} was faster than the gyroscope's range: it isn't used, turn slower"
            )
            continue
        missing = int(last - first + 1 - len(seq))
        if missing > _MOST_MISSING * (last - first + 1):
            remarks.append(f"{missing} samples are missing in the turn {at}: it isn't used")
            continue
        turns.append(
            Turn(
                before=here,
                after=place,
                axis=up,
                angle_deg=angle,
                known_deg=known,
                u_deg=u,
                first_seq=first,
                last_seq=last,
            )
        )
    meant = _meant_deg(others, p)
    if meant is not None and len(turns) < p.min_turns:
        remarks.append(f"turns of about {meant:g} deg were found: say --angle {meant:g}")
    return turns, remarks


_LEAST_ANGLE_DEG: Final = 45.0
_ROUND_DEG: Final = 15.0


def _meant_deg(angles_deg: Sequence[float], p: ProcedureParams) -> float | None:
    """Return the round angle that turns seem to be by, or multiples of it, if they agree."""
    angles = np.array([angle for angle in angles_deg if angle > 0.9 * _LEAST_ANGLE_DEG])
    if len(angles) < p.min_turns:
        return None
    # The smallest there is: half turns among quarter turns are multiples of these.
    meant = _ROUND_DEG * round(float(angles.min()) / _ROUND_DEG)
    if meant < _LEAST_ANGLE_DEG:
        return None
    near = meant * np.maximum(1.0, np.round(angles / meant))
    agree = np.abs(angles - near) <= p.turn_tolerance * near
    return meant if int(agree.sum()) >= max(p.min_turns, 0.75 * len(angles)) else None


_LONGEST_TURN_S: Final = 60.0
_SAME_PLACE_DEG: Final = 2.0
_MOST_MISSING: Final = 0.05


def _angle(
    seq: Ints, gyr_dps: Array, before: Rest, after: Rest, up: Array, period_s: float
) -> tuple[float, float]:
    """Angle turned about the upward direction, deg, and the standard uncertainty of its reading.

    The whole rotation is integrated, so that a sensor that is tipped a little on its way doesn't
    matter; what is left at the end is a rotation about `up`.
    """
    grid = np.arange(seq[0], seq[-1] + 1)
    share = (grid - grid[0]) / max(1, len(grid) - 1)
    bias = before.gyr_dps + share[:, None] * (after.gyr_dps - before.gyr_dps)
    rate = np.stack([np.interp(grid, seq, axis) for axis in gyr_dps.T], axis=1) - bias
    about = 0.5 * (rate[1:] + rate[:-1]) @ up * period_s
    rough = float(about.sum())
    w = np.radians(rate)
    steps = 0.5 * (w[1:] + w[:-1]) * period_s
    steps += period_s**2 / 12.0 * np.cross(w[:-1], w[1:])
    quat = quat_exp(steps)
    while len(quat) > 1:
        if len(quat) % 2:
            quat = np.concatenate([quat, [[1.0, 0.0, 0.0, 0.0]]])
        quat = quat_multiply(quat[0::2], quat[1::2])
    fine = 2.0 * math.degrees(math.atan2(float(quat[0, 1:] @ up), float(quat[0, 0])))
    angle = fine + 360.0 * round((rough - fine) / 360.0)
    length_s = len(grid) * period_s
    # The bias is known at both ends; between them a straight line is drawn.
    drift = float(np.linalg.norm(after.gyr_dps - before.gyr_dps))
    bias_u = math.hypot(
        0.5 * math.hypot(before.gyr_u_dps, after.gyr_u_dps), drift / math.sqrt(12.0)
    )
    jumps = np.diff(seq) > 1
    holes = np.diff(seq)[jumps] - 1
    # Straight lines across holes: off by about an eighth of the second difference over the hole.
    change = np.abs(np.diff(gyr_dps, axis=0)[jumps]).max(axis=1) if jumps.any() else np.zeros(0)
    gaps = float(np.sqrt(((0.1 * change * holes * period_s) ** 2).sum()))
    return angle, math.sqrt((bias_u * length_s) ** 2 + gaps**2)


def clock_text(time_s: float) -> str:
    """Write a time as m:ss."""
    return f"{int(time_s) // 60}:{int(time_s) % 60:02d}"


# -- from samples to a calibration ---------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Samples:
    """Samples of the procedure in memory: (n,), (n, 3), (n, 3)."""

    seq: Ints
    acc_m_s2: Array
    gyr_dps: Array

    def read(self, first_seq: int, last_seq: int) -> tuple[Ints, Array, Array]:
        """Return those from one number to another, both included."""
        a, b = np.searchsorted(self.seq, [first_seq, last_seq + 1])
        return self.seq[a:b], self.acc_m_s2[a:b], self.gyr_dps[a:b]


def calibrate_samples(
    samples: Samples,
    *,
    key: str,
    made_at: str,
    rate_hz: float,
    period_s: float,
    period_u_s: float,
    params: ProcedureParams | None = None,
    gyr_range_dps: float | None = None,
    acc_range_g: float | None = None,
    extra: dict[str, Any] | None = None,
) -> Procedure:
    """Make a calibration of samples in memory; see `calibrate_recording`."""
    p = params or ProcedureParams()
    windows = Windows(rate_hz, p.window_s)
    windows.feed(samples.seq, samples.acc_m_s2, samples.gyr_dps)
    return _calibrate(
        windows,
        samples.read,
        key=key,
        made_at=made_at,
        period_s=period_s,
        period_u_s=period_u_s,
        params=p,
        gyr_range_dps=gyr_range_dps,
        acc_range_g=acc_range_g,
        extra=extra or {},
    )


def calibrate_recording(
    recording: Recording, *, key: str, params: ProcedureParams | None = None
) -> Procedure:
    """Find the procedure in a recording and make a calibration of it.

    Either part will do: without six positions the accelerometer stays uncalibrated, without turns
    the gyroscope.

    Parameters
    ----------
    recording : Recording
        Opened without a calibration.
    key : str
        Whose calibration it is to be.
    params : ProcedureParams, optional

    Raises
    ------
    CalibrationError
        There is neither, or what was found can't be right; the text says what to do.
    """
    if recording.calibration is not None:
        raise ValueError("open the recording without a calibration")
    p = params or ProcedureParams()
    windows = Windows(recording.rate_hz, p.window_s)
    for block in recording.blocks():
        windows.feed(block.seq, block.acc_m_s2, block.gyr_dps)

    def read(first_seq: int, last_seq: int) -> tuple[Ints, Array, Array]:
        block = recording.read(first_seq, last_seq)
        return block.seq, block.acc_m_s2, block.gyr_dps

    session = recording.session
    return _calibrate(
        windows,
        read,
        key=key,
        made_at=session.start,
        period_s=recording.period_s,
        period_u_s=recording.period_u_s,
        params=p,
        gyr_range_dps=session.gyr_range_dps,
        acc_range_g=session.acc_range_g,
        extra={"recording": session.id, "sensor": dict(session.sensor)},
    )


def _calibrate(
    windows: Windows,
    read: Reader,
    *,
    key: str,
    made_at: str,
    period_s: float,
    period_u_s: float,
    params: ProcedureParams,
    gyr_range_dps: float | None,
    acc_range_g: float | None,
    extra: dict[str, Any],
) -> Procedure:
    p = params
    rests = find_rests(windows, p)
    positions = positions_of(rests, p)
    turns, remarks = find_turns(
        rests, read, period_s=period_s, params=p, gyr_limit_dps=gyr_range_dps
    )
    if len(positions) < p.min_positions and not turns:
        raise CalibrationError(_nothing(positions, remarks, p))
    acc = None
    if len(positions) >= p.min_positions:
        acc = _checked_acc(positions, period_s, p)
    else:
        remarks.append(
            f"{_count(len(positions), 'still position')} found, {p.min_positions} are needed for "
            f"the accelerometer: this doesn't calibrate it{_faces(positions)}"
        )
    gyr = None
    if len(turns) >= p.min_turns:
        gyr = _checked_gyr(turns, period_s, period_u_s, p)
    else:
        found = "1 turn was" if len(turns) == 1 else "no turns were"
        remarks.append(
            f"{found} found, {p.min_turns} or more are needed for the gyroscope (better four, half "
            "of them each way): this doesn't calibrate it"
        )
    if acc is None and gyr is None:
        raise CalibrationError(_nothing(positions, remarks, p))
    calibration = Calibration(
        key=key,
        made_at=made_at,
        acc_offset_m_s2=None if acc is None else _as_row(acc.offset_m_s2),
        acc_matrix=None if acc is None else _as_matrix(acc.matrix, acc.covariance[3:, 3:]),
        gyr_matrix=None if gyr is None else _as_matrix(gyr.matrix, gyr.covariance),
        acc_offset_u_m_s2=None if acc is None else _u(acc.covariance[:3, :3]),
        acc_scale_u=None if acc is None else _u(acc.covariance[3:6, 3:6]),
        gyr_axis_u=None if gyr is None else _u(gyr.covariance[:3, :3]),
        gyr_scale_u=p.gyr_scale_sd if gyr is None else gyr.scale_u,
        n_positions=0 if acc is None else len(positions),
        n_turns=0 if gyr is None else len(turns),
        gravity_m_s2=None if acc is None else p.gravity_m_s2,
        gravity_u_m_s2=None if acc is None else p.gravity_u_m_s2,
        angle_deg=None if gyr is None else p.angle_deg,
        angle_u_deg=None if gyr is None else p.angle_u_deg,
        gyr_range_dps=gyr_range_dps,
        acc_range_g=acc_range_g,
        extra=extra,
    )
    return Procedure(
        calibration=calibration,
        rests=tuple(rests),
        positions=tuple(positions),
        turns=tuple(turns),
        acc=acc,
        gyr=gyr,
        remarks=tuple(remarks),
    )


def _as_row(values: Array) -> Row:
    x, y, z = values.tolist()
    return x, y, z


def _u(covariance: Array) -> Row:
    return _as_row(np.sqrt(np.diag(covariance)))


def _as_matrix(matrix: Array, covariance: Array) -> Matrix:
    """As plain numbers; a cross-axis term that can't be told from zero is zero."""
    out = matrix.copy()
    for k, (i, j) in enumerate(_PAIRS):
        if abs(out[i, j]) < 2.0 * math.sqrt(covariance[3 + k, 3 + k]):
            out[i, j] = out[j, i] = 0.0
    a, b, c = (_as_row(row) for row in out)
    return a, b, c


def _checked_acc(positions: Sequence[Rest], period_s: float, p: ProcedureParams) -> AccFit:
    readings = np.array([rest.acc_m_s2 for rest in positions])
    u = np.array([math.hypot(rest.acc_u_m_s2, p.reading_u_m_s2) for rest in positions])

    def fit(keep: Array | slice) -> AccFit:
        return fit_acc(
            readings[keep],
            u[keep],
            gravity_m_s2=p.gravity_m_s2,
            gravity_u_m_s2=p.gravity_u_m_s2,
            cross_sd=p.cross_sd,
            scale_sd=p.acc_scale_sd,
        )

    acc = fit(slice(None))
    cross_sd = p.cross_sd / math.sqrt(2.0)
    strain = np.array([acc.matrix[i, j] / cross_sd for i, j in _PAIRS])
    misfit = acc.residuals_m_s2 / u
    total = float(misfit @ misfit + strain @ strain)
    if max(float(np.abs(misfit).max()), float(np.abs(strain).max())) > 4.0 and len(u) > 6:
        left = []
        for k in range(len(u)):
            keep = np.arange(len(u)) != k
            try:
                one = fit(keep)
            except CalibrationError:
                left.append(math.inf)
                continue
            rest = one.residuals_m_s2 / u[keep]
            cross = np.array([one.matrix[i, j] / cross_sd for i, j in _PAIRS])
            left.append(float(rest @ rest + cross @ cross))
        worst = int(np.argmin(left))
        if left[worst] < 0.3 * total:
            at = clock_text(positions[worst].first_seq * period_s)
            raise CalibrationError(
                f"position {worst + 1} (at {at}) doesn't fit the others: it wasn't still, or the "
                "sensor was pressed or touched; do that one again and let go of it"
            )
    if max(float(np.abs(misfit).max()), float(np.abs(strain).max())) > 4.0:
        raise CalibrationError(
            "gravity doesn't come out the same in the positions: one of them wasn't still, or the "
            "sensor moved within its case; do it again on a firm table and let go each time"
        )
    u_offset = float(np.sqrt(np.diag(acc.covariance)[:3]).max())
    mean = np.repeat([0.0, 1.0 / 3.0, 0.0], 3)
    u_mean_scale = math.sqrt(float(mean @ acc.covariance @ mean))
    if u_offset > 0.05 or u_mean_scale > 0.005:
        raise CalibrationError(_NOT_SPREAD + _faces(positions))
    off = np.abs(np.diag(acc.matrix) - 1.0)
    if float(off.max()) > p.turn_tolerance:
        axis = "xyz"[int(np.argmax(off))]
        raise CalibrationError(
            f"the accelerometer's {axis} axis would be off by {100 * off.max():.1f} %, which no "
            "working sensor is: check the units and the range that the recording states"
        )
    if float(np.abs(acc.offset_m_s2).max()) > p.offset_limit_m_s2:
        axis = "xyz"[int(np.argmax(np.abs(acc.offset_m_s2)))]
        raise CalibrationError(
            f"the accelerometer's {axis} axis would have an offset of "
            f"{np.abs(acc.offset_m_s2).max():.1f} m/s2, which no working sensor has: it wasn't "
            "still, or its readings are without gravity"
        )
    return acc


def _checked_gyr(
    turns: Sequence[Turn], period_s: float, period_u_s: float, p: ProcedureParams
) -> GyrFit:
    period_u = period_u_s / period_s
    if period_u > 0.5 * p.gyr_scale_sd:
        raise CalibrationError(
            f"the sample rate of this recording is known to {100 * period_u:.2g} % only, and a "
            "turn is a rate times a time: record for a minute or more, with the times of the "
            "packets"
        )
    gyr = fit_gyr(
        turns,
        angle_u_deg=p.angle_u_deg,
        square_u_deg=p.square_u_deg,
        period_u=period_u,
        cross_sd=p.cross_sd,
        scale_sd=p.gyr_scale_sd,
    )
    # A turn's residual is judged by its own uncertainty.
    u = np.array([math.hypot(p.angle_u_deg, turn.u_deg) for turn in turns])
    ratio = np.abs(gyr.residuals_deg) / u
    worst = int(np.argmax(ratio))
    if float(ratio[worst]) > 4.0:
        turn = turns[worst]
        raise CalibrationError(
            f"turn {worst + 1} (at {clock_text(turn.first_seq * period_s)}) reads "
            f"{abs(turn.angle_deg):.1f} deg, {abs(gyr.residuals_deg[worst]):.1f} deg off what the "
            "others make it: it wasn't brought back to the edge; do it again"
        )
    return gyr


def _count(n: int, word: str) -> str:
    return {0: f"no {word}s", 1: f"1 {word}"}.get(n, f"{n} {word}s")


def _faces(positions: Sequence[Rest]) -> str:
    """Say which faces weren't up."""
    missing = []
    for k, name in enumerate("xyz"):
        for sign, word in ((1.0, "+"), (-1.0, "-")):
            up = sign * np.eye(3)[k]
            if all(_angle_deg(rest.acc_m_s2, up) > 50.0 for rest in positions):
                missing.append(word + name)
    if not missing or not positions:
        return ""
    return f" (none with the sensor's {', '.join(missing)} upwards)"


def _nothing(positions: Sequence[Rest], remarks: Sequence[str], p: ProcedureParams) -> str:
    text = (
        f"no calibration can be made: {_count(len(positions), 'still position')} of "
        f"{p.min_positions} found{_faces(positions)}, and too few turns by {p.angle_deg:g} deg. "
        f"Let the sensor lie untouched for two seconds each time"
    )
    useful = [text for text in remarks if "isn't used" in text or "--angle" in text]
    return "; ".join([text, *useful])


# -- guided --------------------------------------------------------------------------------------


@dataclass(slots=True)
class _Log:
    seq: list[Ints] = field(default_factory=list)
    acc: list[Array] = field(default_factory=list)
    gyr: list[Array] = field(default_factory=list)

    def samples(self) -> Samples:
        return Samples(
            seq=np.concatenate([np.zeros(0, np.int64), *self.seq]),
            acc_m_s2=np.concatenate([np.zeros((0, 3)), *self.acc]),
            gyr_dps=np.concatenate([np.zeros((0, 3)), *self.gyr]),
        )


class Guide:
    """Lead a person through the procedure, block by block.

    Parameters
    ----------
    say : callable
        Told one line at a time what to do, and what was understood.
    rate_hz : float
        Nominal.
    period_s : float, optional
        True sample period, if known; else the nominal one, which is enough for guiding.
    params : ProcedureParams, optional
    turns_wanted : int
        Turns about each axis.
    axes_wanted : int
        About how many of the sensor's axes to turn.
    patience_s : float
        After so long without progress the request is said again.
    """

    def __init__(
        self,
        say: Callable[[str], None],
        *,
        rate_hz: float,
        period_s: float | None = None,
        params: ProcedureParams | None = None,
        turns_wanted: int = 4,
        axes_wanted: int = 3,
        patience_s: float = 30.0,
    ) -> None:
        self._say = say
        self._period_s = period_s or 1.0 / rate_hz
        self._params = params or ProcedureParams()
        self._turns_wanted = turns_wanted
        self._axes_wanted = axes_wanted
        self._patience_s = patience_s
        self._windows = Windows(rate_hz, self._params.window_s)
        self._log = _Log()
        self._n_windows = self._n_rests = self._n_positions = self._n_turns = 0
        self._axis = 0
        self._turning = False
        self._told: set[str] = set()
        self._last_progress = 0
        self._asked = (
            f"Lay the sensor down with one of its faces up, and let go. "
            f"({self._params.min_positions} faces, two seconds each.)"
        )
        say(self._asked)

    def samples(self) -> Samples:
        """Return all that came so far."""
        return self._log.samples()

    def feed(self, seq: Ints, acc_m_s2: Array, gyr_dps: Array) -> bool:
        """Take further samples, (n,), (n, 3), (n, 3); True when all is done."""
        self._log.seq.append(seq)
        self._log.acc.append(acc_m_s2)
        self._log.gyr.append(gyr_dps)
        self._windows.feed(seq, acc_m_s2, gyr_dps)
        if len(self._windows.number) == self._n_windows:
            return False
        self._n_windows = len(self._windows.number)
        rests = find_rests(self._windows, self._params)
        if not self._turning:
            progress = self._positions(rests)
        elif len(rests) > self._n_rests:
            self._n_rests = len(rests)
            progress = self._turns(rests)
        else:
            progress = False
        if self._axis >= self._axes_wanted:
            return True
        if progress:
            self._last_progress = self._n_windows
            self._say(self._asked)
        elif (self._n_windows - self._last_progress) * self._params.window_s > self._patience_s:
            self._last_progress = self._n_windows
            self._say(f"Waiting. {self._asked}")
        return False

    def _positions(self, rests: Sequence[Rest]) -> bool:
        p = self._params
        positions = len(positions_of(rests, p))
        if positions <= self._n_positions:
            return False
        self._n_positions = positions
        if positions < p.min_positions:
            self._asked = f"Position {positions} of {p.min_positions} is done. Another face up."
        else:
            self._turning = True
            self._asked = _turn_request(p, 0, self._turns_wanted)
        return True

    def _turns(self, rests: Sequence[Rest]) -> bool:
        p = self._params
        turns, remarks = find_turns(
            rests, self._log.samples().read, period_s=self._period_s, params=p
        )
        for text in remarks:
            if text not in self._told:
                self._told.add(text)
                self._say(f"{text[0].upper()}{text[1:]}.")
        if len(turns) <= self._n_turns:
            return False
        self._n_turns = len(turns)
        reads = f"it reads {abs(turns[-1].angle_deg):.1f} deg"
        done = self._n_turns - self._axis * self._turns_wanted
        if done < self._turns_wanted:
            other = ", the other way" if done * 2 == self._turns_wanted else ""
            self._asked = f"Turn {done} of {self._turns_wanted} is done ({reads}). Again{other}."
            return True
        self._axis += 1
        if self._axis >= self._axes_wanted:
            self._say(f"That is all ({reads}).")
        else:
            request = _turn_request(p, self._axis, self._turns_wanted)
            self._asked = f"Done ({reads}). {request}"
        return True


def guide(
    blocks: Iterable[tuple[Ints, Array, Array]],
    say: Callable[[str], None],
    *,
    rate_hz: float,
    **options: Any,
) -> Samples:
    """Lead a person through the procedure, and return the samples for `calibrate_samples`.

    Ends when all is done, or with the last block.

    Parameters
    ----------
    blocks : iterable of (seq, acc_m_s2, gyr_dps)
        As they come from the sensor.
    say, rate_hz
        As in `Guide`.
    **options
        Further ones of `Guide`.
    """
    leader = Guide(say, rate_hz=rate_hz, **options)
    for seq, acc, gyr in blocks:
        if leader.feed(seq, acc, gyr):
            break
    return leader.samples()


def _turn_request(p: ProcedureParams, axis: int, turns: int) -> str:
    how = (
        f"against a straight edge and let go for two seconds. Turn it on the table by "
        f"{p.angle_deg:g} deg, back against the edge, and let go. {turns} times, half of them "
        "each way."
    )
    if axis == 0:
        return f"Now lay it flat {how}"
    return f"Now stand it on {'another' if axis > 1 else 'a'} side {how}"
