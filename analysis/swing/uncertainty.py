"""Uncertainty in parts: where each comes from, and how they pass on to what is computed from them.

Everything here is the law of propagation of uncertainty (JCGM 100:2008, 5.2): a measured number has
*parts*, each a standard uncertainty (k = 1) from one source. Parts of different sources don't hang
together; the parts of one source in several numbers can, and `propagate` takes that along.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


SWAY = "sway at address"
NOISE = "noise"
SAMPLING = "sampling"
BIAS = "stillness (bias)"
SCALE = "gyroscope's scale"
CLOCK = "clock"
DELAY = "filter's delay"
GAP = "gap"
CLIPPING = "clipping"
RULE = "rule"
SOURCES = (SWAY, NOISE, SAMPLING, BIAS, SCALE, CLOCK, DELAY, GAP, CLIPPING, RULE)
"""All sources, in the order in which they are shown."""

Shared = Literal["recording", "sensor"] | None
_SHARED: dict[str, Shared] = {CLOCK: "recording", SCALE: "sensor", DELAY: "sensor"}


@dataclass(frozen=True, slots=True)
class Part:
    """What one source adds to a quantity's uncertainty.

    Attributes
    ----------
    source : str
        One of `SOURCES`.
    u : float
        Standard uncertainty in the unit of the quantity, greater than 0.
    shared : {"recording", "sensor"} or None
        With which other swings the error is common: those of the same recording (the clock's
        period), those of the same sensor (the gyroscope's scale). None: it is each swing's own.
    """

    source: str
    u: float
    shared: Shared = None


Budget = Mapping[str, tuple[Part, ...]]
"""Parts by the name of the quantity."""


def make_parts(by_source: Mapping[str, float]) -> tuple[Part, ...]:
    """Parts in the order of `SOURCES`; what is 0 is left out."""
    return tuple(
        Part(source, float(by_source[source]), _SHARED.get(source))
        for source in SOURCES
        if by_source.get(source, 0.0) > 0.0
    )


def combined(parts: Iterable[Part]) -> float:
    """Combined standard uncertainty: root of the sum of squares (JCGM 100:2008, 5.1.2)."""
    return float(np.sqrt(sum(part.u * part.u for part in parts)))


def propagate(jacobian: npt.ArrayLike, covariance: npt.ArrayLike) -> Array:
    """Covariance of what is computed from correlated inputs.

    Parameters
    ----------
    jacobian : (m, n) array_like
        Partial derivatives of the m results by the n inputs.
    covariance : (n, n) array_like
        Of the inputs.

    Returns
    -------
    (m, m) array

    References
    ----------
    JCGM 100:2008, 5.2.2, equation (13), and H.2.3; JCGM 102:2011, 6.2.1.
    """
    j = np.atleast_2d(np.asarray(jacobian, dtype=np.float64))
    return np.asarray(j @ np.asarray(covariance, dtype=np.float64) @ j.T)
