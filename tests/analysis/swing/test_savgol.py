"""The weights of the Savitzky-Golay filter, against scipy's and against what defines them."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import savgol_coeffs as scipy_coeffs

from analysis.swing.savgol import savgol_coeffs


@pytest.mark.parametrize("degree", [2, 3])
@pytest.mark.parametrize("length", [5, 7, 9, 13, 21, 41, 61])
def test_the_weights_are_scipys(length: int, degree: int) -> None:
    ours = savgol_coeffs(length, degree)
    assert ours == pytest.approx(scipy_coeffs(length, degree), rel=0.0, abs=1e-14)


def test_a_polynomial_of_the_degree_stays_as_it_is() -> None:
    place = np.arange(-10.0, 11.0)
    cubic = 0.3 * place**3 - 2.0 * place**2 + 5.0 * place + 7.0
    assert savgol_coeffs(21, 3) @ cubic == pytest.approx(7.0, rel=1e-12)
    assert savgol_coeffs(21, 3) @ place**4 != pytest.approx(0.0, abs=1.0)


def test_the_published_window_of_five() -> None:
    """Savitzky & Golay (1964), table I: (-3, 12, 17, 12, -3) / 35."""
    table = np.array([-3.0, 12.0, 17.0, 12.0, -3.0]) / 35.0
    assert savgol_coeffs(5, 2) == pytest.approx(table, rel=1e-12)


@pytest.mark.parametrize(("length", "degree"), [(6, 2), (3, 3), (5, -1)])
def test_a_window_that_cannot_be_is_refused(length: int, degree: int) -> None:
    with pytest.raises(ValueError, match=str(length)):
        savgol_coeffs(length, degree)
