"""Club-head speed from the sensor's peak rate: only by calibration, and only where that holds.

A single sensor can't see the angle between arm and club, so rate times one radius isn't the head's
speed. Where head speeds were measured by something else, a straight line through them serves, for
one player, club and mount, within the range of rates it was made from. How well it does is said by
leaving each session out in turn (with one session, each swing) and predicting it from the rest. If
that is no better than always saying the mean, there is no head speed.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from analysis.evidence.parts import Part, total
from analysis.evidence.prior import Prior
from analysis.evidence.robust import Index, session_numbers, theil_sen
from analysis.evidence.spread import Interval, Setting, SwingRow, one_setting, student_t
from analysis.evidence.told import NotYet
from words.units import M_S_PER_MPH

Array = npt.NDArray[np.float64]


HEAD: Final = "club_speed_m_s"
RATE: Final = "peak_rate_dps"

TO_M_S: Final[Mapping[str, float]] = {"mph": M_S_PER_MPH, "km/h": 1 / 3.6, "m/s": 1.0}

LEVER_M: Final[Mapping[str, tuple[float, float]]] = {
    "wrist": (1.5, 4.2),
    "glove": (1.0, 3.6),
    "club": (0.7, 1.9),
    "trunk": (1.8, 14.0),
}
"""Head speed over the sensor's peak rate in rad/s, by mount: the head is so far from where the
segment turns about, or moves as if it were. From the table of the double pendulum (44.7 m/s
with an arm at 950 deg/s: 2.7 m, and a club at 2025 deg/s: 1.26 m) and the rates of Zheng et al.
2008 (doi 10.1055/s-2007-989229), widened by half; for the trunk, whose rates differ most from
player to player, assumed. Only for asking whether a unit is right."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HeadSpeedParams:
    """Limits of the calibration."""

    least_swings: int = 8
    """Common practice, no source; fewer leave the error unknown."""
    beyond: float = 0.0
    """Share of the calibrated range by which a rate may lie outside of it: none."""
    least_gain: float = 0.9
    """The prediction error must be below this share of the plain spread of the speeds."""


@dataclass(frozen=True, slots=True)
class UnitDoubt:
    """Speeds that don't fit their unit: to be asked, not guessed.

    Attributes
    ----------
    given : str
    fits : tuple of str
        Units in which the speeds would fit the rates; maybe none.
    asked : NotYet
        The question.
    """

    given: str
    fits: tuple[str, ...]
    asked: NotYet

    @property
    def text(self) -> str:
        """The question in words."""
        return self.asked.text


@dataclass(frozen=True, slots=True, kw_only=True)
class HeadSpeedLine:
    """A calibration.

    Attributes
    ----------
    setting : Setting
    intercept_m_s, slope_m_s_per_dps : float
    error_m_s : float
        Root mean square error of the predicted speeds: each session (or swing) from the others.
    left_out : {"session", "swing"}
        What was left out in turn.
    rate_low_dps, rate_high_dps : float
        Range of rates.
    n, sessions : int
    df : float
        Degrees of freedom of the error.
    centre_dps, rate_square : float
        Mean and sum of squared deviations of the rates.
    session_ids : frozenset of str
        Sessions it was made from.
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
    session_ids: frozenset[str]
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
    median = float(np.median(speeds))
    asked = NotYet.of("doubtful_unit", middle=median, unit=unit, mount=mount, fits=fits)
    return UnitDoubt(unit, fits, asked)


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
    # A swing whose rate is only known as "at least" can be left out: that doesn't bend the line.
    use = [
        row for row in rows if HEAD in row.values and RATE in row.values and RATE not in row.bounds
    ]
    if len(use) < q.least_swings:
        return NotYet.count(len(use), q.least_swings, "head_speeds")
    rate = np.array([row.values[RATE] for row in use])
    speed = np.array([row.values[HEAD] for row in use])
    doubt = doubt_unit(speed.tolist(), rate.tolist(), use[0].mount)
    if doubt is not None:
        return doubt.asked
    number = session_numbers([row.session_id for row in use])
    sessions = int(number.max()) + 1
    if np.ptp(rate) <= 0 or np.ptp(speed) <= 0:
        return NotYet.of("rates_alike")
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
            return NotYet.of("too_little_left")
        errors[out] = speed[out] - (part.intercept + part.slope.middle * rate[out])
        plain[out] = speed[out] - np.median(speed[~out])
    error = float(np.sqrt(np.mean(errors**2)))
    spread = float(np.sqrt(np.mean(plain**2)))
    if line.slope.middle <= 0 or error > q.least_gain * spread:
        return NotYet.of("foretells_nothing", error=error, spread=spread)
    if error <= 1e-9 * abs(float(np.median(speed))):
        return NotYet.of("speeds_computed")
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
        session_ids=frozenset(row.session_id for row in use),
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
    params: HeadSpeedParams | None = None,
) -> Interval | NotYet:
    """Give the head speed of a swing with the interval in which it lies.

    Parameters
    ----------
    row : SwingRow
    line : HeadSpeedLine or NotYet
    level : float
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
        return NotYet.of("calibrated_for_others")
    rate = row.values.get(RATE)
    if rate is None:
        return NotYet.of("no_peak_rate")
    if RATE in row.bounds:
        return NotYet.of("peak_rate_at_least")
    slack = q.beyond * (line.rate_high_dps - line.rate_low_dps)
    if not line.rate_low_dps - slack <= rate <= line.rate_high_dps + slack:
        return NotYet.of("beyond_range", rate=rate, low=line.rate_low_dps, high=line.rate_high_dps)
    estimate = line.intercept_m_s + line.slope_m_s_per_dps * rate
    # A predicted value errs by the spread about the line and by the line itself.
    var = line.error_m_s**2 * (
        1.0 + 1.0 / line.n + (rate - line.centre_dps) ** 2 / line.rate_square
    )
    if row.sensor is None or row.sensor not in line.sensors:
        var += (line.slope_m_s_per_dps * rate * max(row.scale_u)) ** 2
    df = line.df
    if line.sessions == 1 and row.session_id not in line.session_ids:
        # Leaving out swings of one session tells nothing of another day and strapping on: it is
        # taken as stated for everything that compares.
        day = Prior().day_spread(RATE, rate, s.mount) * line.slope_m_s_per_dps
        parts = (Part("line", var, df), Part("day", day * day, Prior().weight))
        u, df = total(parts)
        var = u * u
    half = student_t(0.5 + level / 2, df) * math.sqrt(var)
    return Interval(estimate - half, estimate, estimate + half, level)
