"""Club-head speed from the sensor's peak rate: only by calibration, and only where that holds.

A single sensor can't see the angle between arm and club, so rate times one radius isn't the head's
speed. Where head speeds were measured by something else, a straight line through them serves, for
one player, club and mount, within the range of rates it was made from. How well it does is said by
leaving each session out in turn (with one session, each swing) and foretelling it from the rest. If
that is no better than always saying the mean, there is no head speed.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from analysis.robust import Index, session_numbers, theil_sen
from analysis.spread import Interval, NotYet, Setting, SwingRow, one_setting, student_t

Array = npt.NDArray[np.float64]

__all__ = [
    "HEAD",
    "RATE",
    "HeadSpeedLine",
    "HeadSpeedParams",
    "UnitDoubt",
    "calibrate_head_speed",
    "doubt_unit",
    "head_speed",
]

HEAD: Final = "club_speed_m_s"
RATE: Final = "peak_rate_dps"

# 1 mph = 0.44704 m/s exactly (NIST SP 811, B.8); 1 km/h = 1/3.6 m/s.
TO_M_S: Final[Mapping[str, float]] = {"mph": 0.44704, "km/h": 1 / 3.6, "m/s": 1.0}

LEVER_M: Final[Mapping[str, tuple[float, float]]] = {
    "wrist": (1.5, 4.2),
    "glove": (1.0, 3.6),
    "club": (0.7, 1.9),
    "trunk": (2.0, 6.0),
}
"""Head speed over the sensor's peak rate, by mount. From the table of the double pendulum (44.7 m/s
with an arm at 950 deg/s: 2.7 m, and a club at 2025 deg/s: 1.26 m) and the rates of Zheng et al.
2008 (doi 10.1055/s-2007-989229), widened by half; for the trunk from memory. Only for asking
whether a unit is right."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HeadSpeedParams:
    """Limits of the calibration."""

    least_swings: int = 8
    """Common practice, no source; fewer leave the error unknown."""
    beyond: float = 0.0
    """Share of the calibrated range by which a rate may lie outside of it: none."""
    least_gain: float = 0.9
    """The foretelling error must be below this share of the plain spread of the speeds."""


@dataclass(frozen=True, slots=True)
class UnitDoubt:
    """Speeds that don't fit their unit: to be asked, not guessed.

    Attributes
    ----------
    given : str
    fits : tuple of str
        Units in which the speeds would fit the rates; maybe none.
    text : str
        The question.
    """

    given: str
    fits: tuple[str, ...]
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class HeadSpeedLine:
    """A calibration.

    Attributes
    ----------
    setting : Setting
    intercept_m_s, slope_m_s_per_dps : float
    error_m_s : float
        Root mean square error of the foretold speeds: each session (or swing) from the others.
    left_out : {"session", "swing"}
        What was left out in turn.
    rate_low_dps, rate_high_dps : float
        Range of rates.
    n, sessions : int
    df : float
        Degrees of freedom of the error.
    centre_dps, rate_square : float
        Mean and sum of squared deviations of the rates.
    sensors : tuple of str
        Sensors it was made with; another's scale may differ by 1-3 % (from memory).
    swing_ids : tuple of str
    """

    setting: Setting
    intercept_m_s: float
    slope_m_s_per_dps: float
    error_m_s: float
    left_out: str
    rate_low_dps: float
    rate_high_dps: float
    n: int
    sessions: int
    df: float
    centre_dps: float
    rate_square: float
    sensors: tuple[str, ...]
    swing_ids: tuple[str, ...]


def doubt_unit(
    speeds: Sequence[float], rates_dps: Sequence[float], mount: str | None, unit: str = "m/s"
) -> UnitDoubt | None:
    """Ask about a unit in which entered head speeds hardly fit the sensor's rates.

    Parameters
    ----------
    speeds : sequence of float
        As entered, in ``unit``.
    rates_dps : sequence of float
        Peak rates of the same swings.
    mount : str or None
    unit : {"m/s", "mph", "km/h"}

    Returns
    -------
    UnitDoubt or None
        None where the unit fits, or there is nothing to go by.

    Examples
    --------
    >>> doubt_unit([88.0, 90.0], [950.0, 960.0], "wrist", "m/s").fits
    ('mph',)
    """
    if unit not in TO_M_S:
        raise ValueError(f"the unit {unit!r} isn't known; use one of {', '.join(TO_M_S)}")
    if len(speeds) != len(rates_dps):
        raise ValueError("there must be one rate for each speed")
    pairs = [(v, w) for v, w in zip(speeds, rates_dps, strict=True) if w > 0]
    if not pairs or mount is None or mount not in LEVER_M:
        return None
    low, high = LEVER_M[mount]
    lever = float(np.median([v / math.radians(w) for v, w in pairs]))
    fits = tuple(name for name, factor in TO_M_S.items() if low <= lever * factor <= high)
    if unit in fits:
        return None
    middle = float(np.median(speeds))
    or_else = f"; are they in {' or '.join(fits)}?" if fits else "; is the unit right?"
    return UnitDoubt(
        unit,
        fits,
        f"head speeds around {middle:.3g} {unit} hardly go with the sensor's rates at the "
        f"{mount}{or_else}",
    )


def calibrate_head_speed(
    rows: Sequence[SwingRow], params: HeadSpeedParams | None = None
) -> HeadSpeedLine | NotYet:
    """Fit head speed to the sensor's peak rate.

    Parameters
    ----------
    rows : sequence of SwingRow
        Of one setting; those with both ``club_speed_m_s`` as measured by something else and
        ``peak_rate_dps`` are used.
    params : HeadSpeedParams, optional

    Returns
    -------
    HeadSpeedLine or NotYet

    Raises
    ------
    MixedError
        Rows of different players, clubs, mounts or intents.
    """
    q = params or HeadSpeedParams()
    if rows:
        one_setting(rows)
    use = [row for row in rows if HEAD in row.values and RATE in row.values]
    if len(use) < q.least_swings:
        return NotYet.count(len(use), q.least_swings, "swings with a measured head speed")
    rate = np.array([row.values[RATE] for row in use])
    speed = np.array([row.values[HEAD] for row in use])
    doubt = doubt_unit(speed.tolist(), rate.tolist(), use[0].mount)
    if doubt is not None:
        return NotYet(doubt.text)
    number = session_numbers([row.session_id for row in use])
    sessions = int(number.max()) + 1
    if np.ptp(rate) <= 0 or np.ptp(speed) <= 0:
        return NotYet("the rates or speeds are all the same; swings of different pace are needed")
    line = theil_sen(rate, speed)
    if isinstance(line, NotYet):
        return line
    groups = number if sessions > 1 else np.arange(len(use))
    errors = np.zeros(len(use))
    plain = np.zeros(len(use))
    for k in range(int(groups.max()) + 1):
        out = groups == k
        part = theil_sen(rate[~out], speed[~out])
        if isinstance(part, NotYet):
            return NotYet("with one session left out, too little is left to check the line by")
        errors[out] = speed[out] - (part.intercept + part.slope.middle * rate[out])
        plain[out] = speed[out] - np.median(speed[~out])
    error = float(np.sqrt(np.mean(errors**2)))
    spread = float(np.sqrt(np.mean(plain**2)))
    if line.slope.middle <= 0 or error > q.least_gain * spread:
        return NotYet(
            f"the sensor's rate doesn't foretell these head speeds (error {error:.2g} m/s, where "
            f"always saying the middle one errs by {spread:.2g} m/s)"
        )
    if error <= 1e-9 * abs(float(np.median(speed))):
        return NotYet("the speeds follow the rates exactly: they look computed, not measured")
    centre = float(rate.mean())
    return HeadSpeedLine(
        setting=one_setting(use),
        intercept_m_s=line.intercept,
        slope_m_s_per_dps=line.slope.middle,
        error_m_s=error,
        left_out="session" if sessions > 1 else "swing",
        rate_low_dps=float(rate.min()),
        rate_high_dps=float(rate.max()),
        n=len(use),
        sessions=sessions,
        df=_error_df(errors, number),
        centre_dps=centre,
        rate_square=float(np.sum((rate - centre) ** 2)),
        sensors=tuple(sorted({row.sensor for row in use if row.sensor is not None})),
        swing_ids=tuple(row.swing_id for row in use),
    )


def _error_df(errors: Array, number: Index) -> float:
    """Degrees of freedom of the error, part of which is common to a session (Satterthwaite)."""
    n, k = len(errors), int(number.max()) + 1
    if k < 2:
        return float(max(n - 2, 1))
    means = np.array([errors[number == s].mean() for s in range(k)])
    within = float(np.sum((errors - means[number]) ** 2)) / max(n - k, 1)
    between = float(np.mean(means**2))
    below = between**2 / (k - 1) + within**2 / max(n - k, 1)
    return (between + within) ** 2 / below if below > 0 else float(k - 1)


def head_speed(
    row: SwingRow,
    line: HeadSpeedLine | NotYet,
    *,
    level: float = 0.95,
    gyr_scale_u: float = 0.01,
    params: HeadSpeedParams | None = None,
) -> Interval | NotYet:
    """Give the head speed of a swing with the interval in which it lies.

    Parameters
    ----------
    row : SwingRow
    line : HeadSpeedLine or NotYet
    level : float
    gyr_scale_u : float
        Relative standard uncertainty of a sensor's scale; counts for a sensor that the line wasn't
        made with.
    params : HeadSpeedParams, optional

    Returns
    -------
    Interval or NotYet
        In m/s. NotYet outside the range of the calibration, or without one.
    """
    q = params or HeadSpeedParams()
    if isinstance(line, NotYet):
        return line
    s = line.setting
    intent = "part" if row.intent == "part" else "full"
    if (row.player, row.club, row.mount, intent) != (s.player, s.club, s.mount, s.intent):
        return NotYet("the calibration is for another player, club, mount or intent")
    rate = row.values.get(RATE)
    if rate is None:
        return NotYet("the swing has no peak rate")
    slack = q.beyond * (line.rate_high_dps - line.rate_low_dps)
    if not line.rate_low_dps - slack <= rate <= line.rate_high_dps + slack:
        return NotYet(
            f"{rate:.0f} deg/s is beyond the calibration's range "
            f"({line.rate_low_dps:.0f} to {line.rate_high_dps:.0f} deg/s)"
        )
    middle = line.intercept_m_s + line.slope_m_s_per_dps * rate
    # A foretold value errs by the spread about the line and by the line itself.
    var = line.error_m_s**2 * (
        1.0 + 1.0 / line.n + (rate - line.centre_dps) ** 2 / line.rate_square
    )
    if row.sensor is None or row.sensor not in line.sensors:
        var += (line.slope_m_s_per_dps * rate * gyr_scale_u) ** 2
    half = student_t(0.5 + level / 2, line.df) * math.sqrt(var)
    return Interval(middle - half, middle, middle + half, level)
