"""Units: exact constants, how a field's unit is written, and the two ways to show it."""

from __future__ import annotations

from typing import Final

G_N_M_S2: Final = 9.80665
"""Standard gravity, exact by definition (NIST SP 811). On Earth gravity differs by less than 0.3 %
from place to place."""

M_S_PER_MPH: Final = 0.44704
M_PER_YD: Final = 0.9144
"""Both exact (NIST SP 811, B.8)."""

MAD_TO_SD: Final = 1.4826
"""Makes of a median absolute deviation the standard deviation of normal values: one over the
third quartile of the standard normal distribution (Rousseeuw & Croux 1993, from memory)."""

_UNITS: Final = (
    ("_m_s", "m/s"),
    ("_ms", "ms"),
    ("_mm", "mm"),
    ("_deg", "deg"),
    ("_dps", "deg/s"),
    ("_s", "s"),
    ("_m", "m"),
)
_IMPERIAL: Final = {"m/s": ("mph", M_S_PER_MPH), "m": ("yd", M_PER_YD)}


def unit_of(field: str) -> str:
    """Return the unit of a field by its name: ms, deg, deg/s, m/s ...; empty for a ratio.

    Examples
    --------
    >>> unit_of("club_speed_m_s"), unit_of("swing_ms"), unit_of("tempo_ratio")
    ('m/s', 'ms', '')
    """
    return next((unit for ending, unit in _UNITS if field.endswith(ending)), "")


def said(unit: str) -> str:
    """Write a unit as people read it, ° and °/s; a space belongs before it where there is one.

    Examples
    --------
    >>> said("deg"), said("deg/s"), said("ms"), said("")
    ('°', ' °/s', ' ms', '')
    """
    sign = {"deg": "°", "deg/s": " °/s"}.get(unit)
    return sign if sign is not None else f" {unit}".rstrip()


def shown_in(unit: str, *, imperial: bool) -> tuple[str, float]:
    """Return the unit that a quantity is shown in, and how many of the kept unit one of it is."""
    return _IMPERIAL.get(unit, (unit, 1.0)) if imperial else (unit, 1.0)


UNCALIBRATED_GYR_U: Final = 0.02
"""Standard uncertainty of an uncalibrated gyroscope's scale for rotation about any axis, as a
share, where nothing is known of the chip. A common one's data sheet (InvenSense MPU-6050, product
specification 3.4, section 6.1; from memory) says 3 % at most for the scale factor and 2 % for the
cross-axis sensitivity; both as rectangular are 1.7 and 1.2 %, together 2 %."""
