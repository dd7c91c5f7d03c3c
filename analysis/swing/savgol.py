"""Weights of a Savitzky-Golay filter, without `scipy.signal`: importing that for this one function
takes longer than measuring a session, since it brings `scipy.stats` along.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt


def savgol_coeffs(window_length: int, polyorder: int) -> npt.NDArray[np.float64]:
    """Return the weights that give the middle of a polynomial fitted to a window.

    The same least squares as those of `scipy.signal.savgol_coeffs`, against which they are tested.

    Parameters
    ----------
    window_length : int
        Samples; odd.
    polyorder : int
        Degree of the polynomial, under `window_length`.

    Returns
    -------
    (window_length,) array
        They add up to 1.

    Raises
    ------
    ValueError
        The window is even, or too short for the degree.

    References
    ----------
    Savitzky, A. & Golay, M. J. E. (1964). Anal. Chem. 36(8), 1627-1639.
    """
    if window_length % 2 == 0:
        raise ValueError(f"a window of {window_length} samples has no middle one: it must be odd")
    if not 0 <= polyorder < window_length:
        raise ValueError(f"{window_length} samples don't tell a polynomial of degree {polyorder}")
    half = window_length // 2
    place = np.arange(half, -half - 1, -1, dtype=np.float64)
    powers = place ** np.arange(polyorder + 1).reshape(-1, 1)
    constant_term = np.zeros(polyorder + 1)
    constant_term[0] = 1.0
    return np.asarray(np.linalg.lstsq(powers, constant_term, rcond=None)[0], np.float64)
