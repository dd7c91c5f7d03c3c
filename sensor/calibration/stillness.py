"""Where a sensor lay still, and which ways up."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from sensor.calibration.procedure import Array, Ints, ProcedureParams, Rest


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


def still_windows(windows: Windows, p: ProcedureParams) -> npt.NDArray[np.bool_]:
    """(n,) whether the sensor lay still in each window."""
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
    still = still_windows(windows, p)
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


def angle_deg(a: Array, b: Array) -> float:
    cosine = float(a @ b) / float(np.linalg.norm(a) * np.linalg.norm(b))
    return math.degrees(math.acos(max(-1.0, min(1.0, cosine))))


def positions_of(rests: Sequence[Rest], params: ProcedureParams) -> list[Rest]:
    """Put rests with the same way up together: one mean each."""
    groups: list[list[Rest]] = []
    for rest in rests:
        for group in groups:
            if angle_deg(rest.acc_m_s2, group[0].acc_m_s2) < params.same_position_deg:
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
