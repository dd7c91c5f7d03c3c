"""How far values scatter, whatever a few of them do."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from words.units import MAD_TO_SD


def scaled_mad(deviations: npt.ArrayLike, axis: int | None = None) -> Any:
    """Return the median absolute deviation, scaled to a standard deviation of normal values.

    Parameters
    ----------
    deviations : array
        From the middle.
    axis : int, optional
        Along which; of all values by default.

    Returns
    -------
    float, or array where an axis was given
        In the unit of the values.

    References
    ----------
    Rousseeuw, P. J. & Croux, C. (1993). Alternatives to the median absolute deviation. Journal of
    the American Statistical Association 88, 1273-1283 (from memory).
    """
    scaled = MAD_TO_SD * np.median(np.abs(deviations), axis=axis)
    return float(scaled) if axis is None else scaled
