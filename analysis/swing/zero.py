"""The gyroscope's zero: one running estimate for the finder, the live turn and all after them.

Standing still the gyroscope should read nothing; what it reads is its zero. It wanders with the
chip's temperature, so it is read again and again off half seconds of stillness, and older ones are
forgotten slowly. A swing keeps the zero that it was measured with (`FoundSwing.zero_dps`): curves
and what is measured again use that one, so they agree with its numbers.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class ZeroParams:
    """What counts as still, and how much it counts."""

    block_s: float = 0.02
    """Blocks that the samples are averaged into: a tenth of the shortest downswing."""
    still_s: float = 0.5
    """Length over which stillness is judged and the zero read."""
    memory_s: float = 300.0
    """A chip's zero wanders over minutes, with its temperature (from memory)."""
    moving_dps: float = 60.0
    """Faster than this is no sway nor tremor (README of the simulation), whatever the zero."""
    spread_dps: float = 6.0
    spread_m_s2: float = 0.6
    """Still: a person standing sways by a degree or two a second ..."""
    most_dps: float = 25.0
    """... and a chip's zero is below 20 (from memory)."""
    least_u_dps: float = 0.05
    """No half second tells it better than this: noise at low frequencies (from memory)."""
    outlier_dps: float = 1.5
    """A slow steady turn looks like stillness: what is so far off the zero weighs half."""

    def blocks(self, step_s: float) -> int:
        """Blocks of ``step_s`` over which stillness is judged."""
        return max(4, round(self.still_s / step_s))


class Zero:
    """Running estimate of the gyroscope's zero.

    Parameters
    ----------
    params : ZeroParams, optional

    Attributes
    ----------
    dps : (3,) array
        Nothing until the sensor has been still; never changed in place.
    information : float
        1 over its squared standard uncertainty; 0 where nothing is known.
    """

    def __init__(self, params: ZeroParams | None = None) -> None:
        self.params = params or ZeroParams()
        self.dps: Array = np.zeros(3)
        self.information = 0.0

    def take(self, gyr_dps: Array, acc_m_s2: Array) -> None:
        """Take a stretch of ``still_s`` in, if the sensor was still in it.

        Parameters
        ----------
        gyr_dps, acc_m_s2 : (n, 3) arrays
            Means over blocks; `ZeroParams.blocks` of them.
        """
        p = self.params
        fastest = np.sqrt(gyr_dps[:, 0] ** 2 + gyr_dps[:, 1] ** 2 + gyr_dps[:, 2] ** 2).max()
        if float(fastest) >= p.moving_dps:
            return
        # Spread of means over a tenth of a second: tremor, which is faster, comes to nothing in
        # half a second, and a shaking hand can be still in the mean.
        n = len(gyr_dps) // 5
        means = np.concatenate([gyr_dps, acc_m_s2], axis=1)[-5 * n :].reshape(n, 5, 6)
        means = means.sum(axis=1) / 5.0
        location = means.sum(axis=0) / n
        off = means - location
        x, y, z, ax, ay, az = ((off * off).sum(axis=0) / n).tolist()
        spread2, acc_spread2 = x + y + z, ax + ay + az
        mean = location[:3]
        if (
            spread2 >= p.spread_dps**2
            or acc_spread2 >= p.spread_m_s2**2
            or float(mean @ mean) >= p.most_dps**2
        ):
            return
        forget = float(np.exp(-p.still_s / p.memory_s))
        information = 1.0 / (p.least_u_dps**2 + spread2 + 0.2 * acc_spread2 / 0.1**2)
        retained = self.information * forget
        departure = mean - self.dps
        if retained > 0.0:
            information /= 1.0 + float(departure @ departure) / p.outlier_dps**2
        total = retained + information
        self.dps = self.dps + departure * (information / total)
        self.information = total


def zero_before(gyr_dps: Array, acc_m_s2: Array, rate_hz: float) -> Array:
    """Return the zero by the end of some samples; nothing where they were never still.

    For a swing that was stored without its own.

    Parameters
    ----------
    gyr_dps, acc_m_s2 : (n, 3) arrays
    rate_hz : float

    Returns
    -------
    (3,) array
        deg/s.
    """
    zero = Zero()
    nb = max(1, round(rate_hz * zero.params.block_s))
    many = zero.params.blocks(nb / rate_hz)
    blocks = np.concatenate([gyr_dps, acc_m_s2], axis=1)
    blocks = blocks[: len(blocks) // nb * nb].reshape(-1, nb, 6).mean(axis=1)
    for k in range(many, len(blocks) + 1, many):
        zero.take(blocks[k - many : k, :3], blocks[k - many : k, 3:])
    return zero.dps
