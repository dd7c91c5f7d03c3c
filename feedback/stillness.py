"""Whether the club has been still for a while: only then is the next swing called for.

What counts is how much the rotation changes, axis by axis, not how large it reads: a gyroscope at
rest may read some degrees a second, and a sensor whose zero isn't known yet must not wait for ever.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt


@dataclass(frozen=True, slots=True, kw_only=True)
class StillnessParams:
    """When a club is still.

    Attributes
    ----------
    still_s : float
        For so long: a player who stands over the ball and has stopped waggling.
    change_dps : float
        Largest change of the rotation about any axis. Simulated players at address stay within 3
        to 10 (16 with three times the tremor, on a club); waggles and walking go beyond 25.
    hole_s : float
        After so long without a sample it begins anew: what was in between isn't known.
    """

    still_s: float = 0.8
    change_dps: float = 20.0
    hole_s: float = 0.1


class Stillness:
    """Follow a sensor's rotation.

    Parameters
    ----------
    rate_hz : float
    params : StillnessParams, optional
    """

    def __init__(self, rate_hz: float, params: StillnessParams | None = None) -> None:
        p = self.params = params or StillnessParams()
        self._need = max(1, round(p.still_s * rate_hz))
        self._hole = max(1, round(p.hole_s * rate_hz))
        self._last: int | None = None
        self._blocks: deque[tuple[int, npt.NDArray[np.float64], npt.NDArray[np.float64]]] = deque()
        self._n = 0

    def feed(self, seq: npt.NDArray[np.int64], gyr_dps: npt.NDArray[np.float64]) -> bool:
        """Take samples, and say whether it has been still for long enough up to the last of them.

        Parameters
        ----------
        seq : (n,) int array
        gyr_dps : (n, 3) array
        """
        if len(seq) == 0:
            return self.still
        if self._last is not None and int(seq[0]) - self._last > self._hole:
            self._blocks.clear()
            self._n = 0
        self._last = int(seq[-1])
        self._blocks.append((len(seq), gyr_dps.min(axis=0), gyr_dps.max(axis=0)))
        self._n += len(seq)
        while self._n - self._blocks[0][0] >= self._need:
            self._n -= self._blocks.popleft()[0]
        return self.still

    @property
    def still(self) -> bool:
        """Whether it has been still for long enough."""
        if self._n < self._need:
            return False
        low = np.min([block[1] for block in self._blocks], axis=0)
        high = np.max([block[2] for block in self._blocks], axis=0)
        return bool((high - low).max() <= self.params.change_dps)
