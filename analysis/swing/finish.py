"""Finish: the first instant after impact at which the rate is under a tenth of the peak rate."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from analysis.swing.impact import Impact
from analysis.swing.measured import INTERPOLATION, Measured
from analysis.swing.peak import Peak
from analysis.swing.results import Note
from analysis.swing.samples import Array, Samples, crossing, left_of_noise, norm, smooth, within
from analysis.swing.uncertainty import BIAS, CLIPPING, GAP, NOISE, RULE, SAMPLING, SCALE

SHARE: Final = 0.10
"""Of the peak rate: the definition."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FinishParams:
    """What the finish is read with. "Fitted" is explained in `analysis.swing.measure`."""

    half_s: float = 0.012
    """Half length of the parabola that smooths the rate: what rings on after a ball stays out."""
    rate_u_dps: float = 0.09
    """What the rate can't be told to there, for the curve that is laid through it (fitted)."""
    least_slope: float = 0.02
    """deg/s a sample: what falls more slowly hardly falls, and the level's neighbours say when."""


def measure_finish(s: Samples, impact: Impact, peak: Peak, p: FinishParams) -> Measured:
    """Measure the finish, in samples."""
    assert peak.rate.value is not None
    fs = s.rate_hz
    from_k = int(np.ceil(impact.stop_at)) + 1
    size = norm(smooth(s.gyr_dps, max(2, round(p.half_s * fs)), 2))
    level = SHARE * peak.rate.value
    finish = _first_under(size, from_k, level)
    if finish is None:
        text = "the rotation did not die down before the next motion"
        return Measured(None, notes=[Note("no_finish", text)])
    if s.hole_at(finish - 1, finish + 1):
        return Measured(None, notes=[Note("gap_finish", "samples are missing at the finish")])
    return Measured(finish, _parts(s, size, from_k, finish, level, peak, p))


def _first_under(size: Array, k: int, level: float) -> float | None:
    """First position from sample k on at which ``size`` is under ``level``; None if it isn't."""
    under = np.flatnonzero(size[k:] < level)
    if not len(under):
        return None
    at = k + int(under[0])
    return crossing(size, at - 1, level) if at > k else float(at)


def _parts(
    s: Samples,
    size: Array,
    from_k: int,
    finish: float,
    level: float,
    peak: Peak,
    p: FinishParams,
) -> dict[str, float]:
    """Parts of the finish from those of the rate.

    Where the rate grazes the level it matters on which side of it a dip stays: so the crossing is
    looked for again at levels that are off by twice the uncertainty.
    """
    n, fs = len(size), s.rate_hz
    k = int(finish)
    w = s.gyr_dps[int(within(k, 0, n - 1))]
    growth = SHARE * peak.growth - w**2 / max(float(np.sqrt(w @ w)), 1e-9)
    of_peak = peak.rate.parts
    dps = {
        NOISE: s.noise_dps * left_of_noise(2 * max(2, round(p.half_s * fs)) + 1),
        BIAS: s.zero_u_dps,
        SCALE: s.conditions.gyr_scale_u * float(np.sqrt(growth @ growth)),
        GAP: SHARE * of_peak.get(GAP, 0.0),
        CLIPPING: SHARE * of_peak.get(CLIPPING, 0.0),
        RULE: float(np.hypot(SHARE * of_peak.get(RULE, 0.0), p.rate_u_dps)),
    }
    total = float(np.sqrt(sum(x * x for x in dps.values())))
    slope = abs(float(size[min(n - 1, k + 2)] - size[max(0, k - 1)])) / 3.0
    per_dps = 1.0 / max(slope, p.least_slope)
    for away in (-2.0 * total, 2.0 * total):
        other = _first_under(size, from_k, max(level + away, 0.0))
        if other is None:
            other = float(n - 1)
        per_dps = max(per_dps, abs(other - finish) / (2.0 * total))
    out = {source: x * per_dps for source, x in dps.items()}
    out[SAMPLING] = INTERPOLATION
    return out
