"""A plain swing finder to stand beside: what a filter, a peak finder and fixed thresholds give."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.signal import butter, find_peaks, sosfiltfilt

from benchmarks.scoring import Found

Array = npt.NDArray[np.float64]

__all__ = ["plain_swings"]

CUT_HZ = 10.0
LEAST_PEAK_DPS = 300.0
APART_S = 1.0
TAKEAWAY_DPS = 20.0
TOP_BEFORE_S = 0.6
BACK_BEFORE_S = 1.2
IMPACT_WITHIN_S = 0.08
STRIKE_JUMP_M_S2 = 60.0


def plain_swings(
    seq: npt.NDArray[np.int64], acc_m_s2: Array, gyr_dps: Array, *, rate_hz: float
) -> list[Found]:
    """Find swings plainly.

    Downswings are peaks of the low-passed size of the rate; the top is the least rate shortly
    before; the takeaway is the last time before the backswing's peak that the rate was under a
    threshold; the impact is the biggest jump of the specific force near the peak.

    Parameters
    ----------
    seq : (n,) array of int
    acc_m_s2, gyr_dps : (n, 3) arrays
    rate_hz : float
        The true rate.

    Returns
    -------
    list of Found
    """
    index = np.arange(seq[0], seq[-1] + 1)
    if len(index) < rate_hz:
        return []
    acc = np.stack([np.interp(index, seq, acc_m_s2[:, k]) for k in range(3)], axis=1)
    gyr = np.stack([np.interp(index, seq, gyr_dps[:, k]) for k in range(3)], axis=1)
    size = np.sqrt((gyr**2).sum(axis=1))
    low = sosfiltfilt(butter(4, CUT_HZ, fs=rate_hz, output="sos"), size)
    jump = np.sqrt((np.diff(acc, axis=0, prepend=acc[:1]) ** 2).sum(axis=1))
    peaks, _ = find_peaks(low, height=LEAST_PEAK_DPS, distance=round(APART_S * rate_hz))
    start = int(seq[0])
    out = []
    for peak in peaks.tolist():
        a = max(0, peak - round(TOP_BEFORE_S * rate_hz))
        top = a + int(np.argmin(low[a : peak + 1]))
        b = max(0, top - round(BACK_BEFORE_S * rate_hz))
        back = b + int(np.argmax(low[b : top + 1]))
        quiet = np.flatnonzero(low[: back + 1] < TAKEAWAY_DPS)
        takeaway = int(quiet[-1]) if len(quiet) else None
        c = max(0, peak - round(IMPACT_WITHIN_S * rate_hz))
        impact = c + int(np.argmax(jump[c : peak + round(IMPACT_WITHIN_S * rate_hz) + 1]))
        out.append(
            Found(
                anchor_s=(start + peak) / rate_hz,
                takeaway_s=None if takeaway is None else (start + takeaway) / rate_hz,
                top_s=(start + top) / rate_hz,
                top_u_s=None,
                impact_s=(start + impact) / rate_hz,
                turn_deg=None
                if takeaway is None
                else float(size[takeaway : top + 1].sum()) / rate_hz,
                peak_rate_dps=float(size[top : max(impact, top + 1)].max()),
                strike=bool(jump[impact] > STRIKE_JUMP_M_S2),
            )
        )
    return out
