"""Turns from rest to rest: found, and by which whole angle they were."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from itertools import pairwise
from typing import Final

import numpy as np

from sensor.calibration.procedure import Array, Ints, ProcedureParams, Rest, Turn
from sensor.calibration.stillness import angle_deg
from sensor.rotation import quat_exp, quat_multiply
from words.plain import clock

Reader = Callable[[int, int], tuple[Ints, Array, Array]]
_LEAST_ANGLE_DEG: Final = 45.0
_ROUND_DEG: Final = 15.0
_LONGEST_TURN_S: Final = 60.0
_SAME_PLACE_DEG: Final = 2.0
_MOST_MISSING: Final = 0.05


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
        SampleArrays from one number to another: seq, acc, gyr.
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
        if angle_deg(before.acc_m_s2, after.acc_m_s2) > p.same_position_deg:
            continue
        first, last = before.last_seq, after.first_seq
        if (last - first) * period_s > _LONGEST_TURN_S:
            continue
        seq, _, gyr = read(first, last)
        at = f"at {clock(first * period_s)}"
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
