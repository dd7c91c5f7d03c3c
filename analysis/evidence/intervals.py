"""Intervals and tests for a difference whose uncertainty is known only so well.

Everything rests on Student's t with a stated number of degrees of freedom (infinitely many give
the normal distribution). Only `scipy.special` is used: it loads much faster than `scipy.stats`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from scipy.special import ndtri, stdtr, stdtrit


def t_quantile(probability: float, dof: float) -> float:
    """Quantile of Student's t; of the normal distribution for infinitely many degrees of freedom.

    Parameters
    ----------
    probability : float
        Between 0 and 1.
    dof : float
        Degrees of freedom, greater than 0.
    """
    if math.isinf(dof):
        return float(ndtri(probability))
    return float(stdtrit(dof, probability))


def chance_beyond(t: float, dof: float) -> float:
    """Chance of a value as far from zero as `t` or farther, on either side."""
    # Beyond this the two agree to ten digits, and infinity is not a number of `stdtr`.
    return float(2.0 * stdtr(min(dof, 1e10), -abs(t)))


def effective_dof(parts: Iterable[tuple[float, float]]) -> float:
    """Degrees of freedom of the root of a sum of squares (Welch-Satterthwaite).

    Parameters
    ----------
    parts : iterable of (u, dof)
        Standard uncertainties and their degrees of freedom.

    Returns
    -------
    float
        Infinite if no part has a finite number.

    References
    ----------
    JCGM 100:2008, G.4.1, equation (G.2b).
    """
    parts = list(parts)
    largest = max((u for u, _ in parts), default=0.0)
    if largest <= 0.0:
        return math.inf
    # Shares of the largest part, so that fourth powers neither vanish nor overflow.
    shares = [(u / largest, dof) for u, dof in parts]
    below = sum(u**4 / dof for u, dof in shares)
    return float(sum(u**2 for u, _ in shares) ** 2 / below) if below > 0.0 else math.inf


def holm(levels: Sequence[float]) -> list[float]:
    """Levels of several tests, raised so that any false alarm among them keeps to the limit.

    Parameters
    ----------
    levels : sequence of float
        One a test.

    Returns
    -------
    list of float
        In the same order; compare each with 0.05.

    References
    ----------
    Holm, S. (1979). A simple sequentially rejective multiple test procedure. Scand. J. Stat. 6,
    65-70.

    Examples
    --------
    >>> holm([0.01, 0.04, 0.03])
    [0.03, 0.06, 0.06]
    """
    order = sorted(range(len(levels)), key=lambda k: levels[k])
    out = [0.0] * len(levels)
    least = 0.0
    for place, k in enumerate(order):
        least = max(least, min(1.0, (len(levels) - place) * levels[k]))
        out[k] = least
    return out
