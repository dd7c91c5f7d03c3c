"""Was anything hit, so that its onset is the impact? From the size of the knock, by mount.

Whether it was a ball is said by `analysis.swing.naming`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from analysis.swing.shock import Shock


def _knocks() -> Mapping[str | None, tuple[float, float]]:
    return {
        "club": (300.0, 300.0),
        "glove": (150.0, 120.0),
        "wrist": (60.0, 60.0),
        "trunk": (2.0, 2.5),
        None: (80.0, 80.0),
    }


@dataclass(frozen=True, slots=True, kw_only=True)
class StrikeParams:
    """Where a knock is a ball, and where it may be one."""

    knock: Mapping[str | None, tuple[float, float]] = field(default_factory=_knocks)
    """What a ball typically does to the sensor (deg/s, m/s2 beyond what the motion would have done)
    by mount; common practice, no source: they set only where a knock is called unclear. None: a
    mount that isn't told."""
    light: float = 0.26
    """Above this share of a typical ball it may be a mat that was brushed ..."""
    drawn_out: tuple[float, float, float] = (0.8, 2.0, 0.12)
    """... or with a sharpness under, a strength and a share of a typical ball over these: no smooth
    motion is drawn out so."""
    least: float = 0.30
    """Lighter knocks than this aren't balls (sharp ones count whole)."""
    ball: tuple[tuple[float, float], ...] = ((150.0, 0.75), (90.0, 0.60), (0.0, 1.5))
    """From which size on it is a ball, by the rates above which that holds. Under about 90 Hz a
    parabola through the past lags the downswing itself."""
    lag_hz: float = 150.0
    """Up to this rate a parabola through the past lags a fast downswing a little: a light knock
    may as well be none."""


def _knock(shock: Shock, mount: str | None, p: StrikeParams) -> float:
    """Size of a shock beside what a ball typically does there."""
    g, a = p.knock.get(mount, p.knock[None])
    return float(np.hypot(shock.gyr_dps / g, shock.acc_m_s2 / a))


def _light(shock: Shock, mount: str | None, p: StrikeParams) -> bool:
    """Whether it may be a mat that was brushed: light or drawn out, as no smooth motion is."""
    most = _knock(shock, mount, p)
    sharpness, strength, share = p.drawn_out
    return most > p.light or (
        shock.sharpness < sharpness and shock.strength > strength and most > share
    )


def doubtful(shock: Shock, mount: str | None, fs: float, p: StrikeParams) -> bool:
    """Whether a light shock may as well be none: at low rates, where the parabola lags."""
    return fs <= p.lag_hz and mount != "trunk" and _light(shock, mount, p)


def touched(
    shock: Shock, mount: str | None, fs: float, p: StrikeParams, *, rally: bool = False
) -> bool:
    """Whether it is a knock, of a ball or a mat, and no unevenness of the motion.

    Back and forth without a stop no ball is hit, and the fast passes look a little like light
    knocks: there only a plain knock counts.
    """
    size = _knock(shock, mount, p) * float(np.sqrt(shock.sharpness))
    if size < p.least:
        return _light(shock, mount, p) and not doubtful(shock, mount, fs, p) and not rally
    return not rally or size >= next(ball for above_hz, ball in p.ball if fs > above_hz)
