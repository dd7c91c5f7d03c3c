"""What is known of a backswing as its turn gets full, as figures of one score.

The score is the finder's (`analysis.swing.score`), with tables of its own (`live_tables`), fitted
by ``python -m benchmarks.recognition --fit live`` on what the live turn knows at that moment, as
much ahead of the full turn as a tone has to be sent.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.swing.attitude import rotate
from analysis.swing.live_params import TurnTarget
from analysis.swing.samples import norm, smooth

Array = npt.NDArray[np.float64]

LIVE_FIGURES = (
    "seconds",
    "bent",
    "upright",
    "steady",
    "quiet",
    "peak",
    "turn",
    "slowing",
    "rate",
    "share",
    "lead",
    "back_place",
    "bent_first",
    "bent_last",
    "drift",
    "rising",
    "quarter",
    "half",
    "three_quarters",
    "rough",
    "tilt",
    "most_acc",
    "least_acc",
    "pull",
    "pull_along",
    "pull_up",
)
"""Names of what `live_figures` returns, in order."""

LEAST_SAMPLES = 8
"""0.16 s at the least rate that is followed: nobody turns as far in so short a time."""
SMOOTH_S = 0.030
"""Half the window that the rate is smoothed over, as where the takeaway is placed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """A motion so far; ``up`` and ``axis`` are unit vectors in the sensor's frame at its start.

    ``in_finish`` says whether it began where the swing before had ended.
    """

    seconds: float
    straight: float
    upright: float
    peak_dps: float
    quiet_dps: float
    up: Array
    axis: Array
    in_finish: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """How a motion got as far as it has, sample by sample from its takeaway to now.

    Attributes
    ----------
    rate_hz : float
    gyr_dps, acc_m_s2 : (n, 3) arrays
        In the sensor's frame.
    attitude : (n, 4) array
        Unit quaternions from the sensor's to a fixed frame.
    turned_deg : (n, 3) array
        The turn vector since takeaway, in the fixed frame.
    up_m_s2 : (3,) array
        Specific force before the takeaway, in the fixed frame.
    """

    rate_hz: float
    gyr_dps: Array
    acc_m_s2: Array
    attitude: Array
    turned_deg: Array
    up_m_s2: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """A backswing that has had its top.

    Attributes
    ----------
    takeaway_seq : float
    top_seq : int
        Sample with the greatest turn.
    turn_deg : float
    """

    takeaway_seq: float
    top_seq: int
    turn_deg: float
    shape: Shape


def _log(x: float, least: float) -> float:
    return math.log(max(x, 0.0) + least)


def live_figures(
    shape: Shape, course: Course, *, side: float, rate_dps: float, target: TurnTarget
) -> dict[str, float] | None:
    """Return the figures on the scales of the score; None of what is too short to have any.

    Parameters
    ----------
    shape : Shape
    course : Course
    side : float
        -1 or 1: the sign of `Shape.upright` going back.
    rate_dps : float
        Rate of the turn.
    target : TurnTarget

    Returns
    -------
    dict or None
        By the names in `LIVE_FIGURES`.
    """
    if len(course.gyr_dps) < LEAST_SAMPLES:
        return None
    turn = max(float(norm(course.turned_deg[-1:])[0]), 1e-6)
    peak = max(shape.peak_dps, 1.0)
    out = {
        "seconds": math.log(max(shape.seconds, 0.02)),
        "bent": _log(1.0 - min(shape.straight, 1.0), 0.005),
        "upright": math.atanh(min(max(side * shape.upright, -0.995), 0.995)),
        "steady": math.log(max(peak * shape.seconds / turn, 0.05)),
        "quiet": _log(min(shape.quiet_dps, 1e3) / peak, 0.02),
        "peak": math.log(peak),
        "turn": math.log(turn),
        "slowing": rate_dps / peak,
        "rate": math.log(max(rate_dps, 1.0)),
        "share": turn / target.full_turn_deg,
        "lead": target.lead_s,
    }
    return out | _of_the_course(course, turn, side)


def _of_the_course(c: Course, turn_deg: float, side: float) -> dict[str, float]:
    """Shape of the rate, of the axis and of the pull on the way."""
    n = len(c.gyr_dps)
    half = max(2, round(SMOOTH_S * c.rate_hz))
    size = norm(smooth(c.gyr_dps, half))
    peak_dps = max(float(size.max()), 1e-6)
    so_far = np.maximum.accumulate(norm(c.turned_deg))

    def when(share: float) -> int:
        return min(int(np.searchsorted(so_far, share * turn_deg)), n - 1)

    middle = min(max(when(0.5), 2), n - 2)
    way = norm(c.gyr_dps) / c.rate_hz
    first, last = c.turned_deg[middle], c.turned_deg[-1] - c.turned_deg[middle]
    first_deg, last_deg = (max(float(np.sqrt(v @ v)), 1e-6) for v in (first, last))
    g = max(float(np.sqrt(c.up_m_s2 @ c.up_m_s2)), 1e-6)
    up = c.up_m_s2 / g
    # Up as the sensor has it, at the takeaway and now.
    back = c.attitude[[0, -1]] * np.array([1.0, -1.0, -1.0, -1.0])
    seen = rotate(back, np.stack((up, up)))
    pull = rotate(c.attitude, c.acc_m_s2) - c.up_m_s2
    mean = pull.sum(axis=0) / n
    force = norm(c.acc_m_s2)
    return {
        "back_place": float(np.argmax(size)) / n,
        "bent_first": _log(1.0 - first_deg / max(float(way[:middle].sum()), first_deg), 0.005),
        "bent_last": _log(1.0 - last_deg / max(float(way[middle:].sum()), last_deg), 0.005),
        "drift": _log(1.0 - float(first @ last) / (first_deg * last_deg), 0.005),
        "rising": side * float((last / last_deg - first / first_deg) @ up),
        "quarter": float(size[when(0.25)]) / peak_dps,
        "half": float(size[when(0.5)]) / peak_dps,
        "three_quarters": float(size[when(0.75)]) / peak_dps,
        "rough": _log(float(np.abs(np.diff(size)).sum()) / peak_dps, 1e-3),
        "tilt": float(seen[0] @ seen[1]),
        "most_acc": math.asinh(float(force.max()) - g),
        "least_acc": math.asinh(float(force.min()) - g),
        "pull": _log(float(norm(pull).sum()) / n, 1e-3),
        "pull_along": math.asinh(float(mean @ c.turned_deg[-1]) / turn_deg),
        "pull_up": math.asinh(float(mean @ up)),
    }
