"""What a recording holds, in numbers: how much is clipped, and what gravity reads at rest."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from sensor.recording.reader import Recording
from words.units import G_N_M_S2

# Rest: half a second in which the readings hardly change. A worn sensor trembles by a few deg/s
# at address (chosen here; standing still without golf in mind gives about as much).
REST_WINDOW_S: Final = 0.5
REST_GYR_DPS: Final = 3.0
REST_ACC_M_S2: Final = 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    """Numbers about all samples of a recording.

    Attributes
    ----------
    gyr_clipped, acc_clipped : float or None
        Share of samples with any axis at the end of its range, from 0 to 1; None where the range
        is not known.
    rest_s : float
        Total time at rest.
    rest_acc_m_s2 : float or None
        Median size of the acceleration at rest; None without any rest.
    """

    gyr_clipped: float | None
    acc_clipped: float | None
    rest_s: float
    rest_acc_m_s2: float | None


def clip_limit(full_range: float | None, per_count: float | None, sample_kind: str) -> float | None:
    """Return the reading, in units, from which on a channel counts as clipped.

    Parameters
    ----------
    full_range : float or None
        Largest reading that the sensor is set to, in units.
    per_count : float or None
        Units of one count.
    sample_kind : {"counts", "float"}
    """
    if sample_kind == "counts" and per_count is not None:
        largest = 32767 * per_count
        return min(largest, full_range or largest) - per_count / 2.0
    # Converted by other programs: a little less than the range may be the end of it.
    return None if full_range is None else 0.999 * full_range


def summarize(recording: Recording, *, progress: Callable[[int], None] = lambda _: None) -> Summary:
    """Read all samples once and return the summary.

    Parameters
    ----------
    recording : Recording
    progress : callable
        Told how many more samples have been read.
    """
    session = recording.session
    kind = session.sample_kind
    gyr_limit = clip_limit(session.gyr_range_dps, session.gyr_dps_per_count, kind)
    acc_range = None if session.acc_range_g is None else session.acc_range_g * G_N_M_S2
    acc_limit = clip_limit(acc_range, session.acc_m_s2_per_count, kind)
    if recording.calibration is not None:
        if gyr_limit is not None:
            gyr_limit = recording.calibration.gyr_limit_dps(gyr_limit)
        if acc_limit is not None:
            acc_limit = recording.calibration.acc_limit_m_s2(acc_limit)
    size = max(2, round(REST_WINDOW_S * recording.rate_hz))
    gyr_clipped = acc_clipped = 0
    rest: list[npt.NDArray[np.float64]] = []
    for block in recording.blocks():
        if gyr_limit is not None:
            gyr_clipped += int((np.abs(block.gyr_dps) >= gyr_limit).any(axis=1).sum())
        if acc_limit is not None:
            acc_clipped += int((np.abs(block.acc_m_s2) >= acc_limit).any(axis=1).sum())
        whole = len(block.seq) // size * size
        gyr = block.gyr_dps[:whole].reshape(-1, size, 3)
        acc = block.acc_m_s2[:whole].reshape(-1, size, 3)
        still = np.linalg.norm(gyr.std(axis=1), axis=1) < REST_GYR_DPS
        still &= np.linalg.norm(acc.std(axis=1), axis=1) < REST_ACC_M_S2
        rest.append(np.linalg.norm(acc[still].mean(axis=1), axis=1))
        progress(len(block.seq))
    at_rest = np.concatenate(rest) if rest else np.zeros(0)
    n = max(1, recording.n_samples)
    return Summary(
        gyr_clipped=None if gyr_limit is None else gyr_clipped / n,
        acc_clipped=None if acc_limit is None else acc_clipped / n,
        rest_s=len(at_rest) * size * recording.period_s,
        rest_acc_m_s2=float(np.median(at_rest)) if len(at_rest) else None,
    )
