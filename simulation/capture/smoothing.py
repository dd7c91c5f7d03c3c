"""Smoothing of captured motion: quintic splines with a stated cut-off.

A capture's frames are the motion plus noise that is nearly white, and angular velocity and
acceleration are derivatives, which raise the noise with its frequency. What is fitted is the
function with the least sum of squared residuals plus lambda times the integral of its squared
third derivative. For equidistant frames that is a filter without delay whose gain at a frequency
f is 1 / (1 + (f / fc)^6), so lambda is stated as the cut-off fc at which half of an amplitude is
left (Woltring 1986, doi 10.1016/0141-1195(86)90098-7, section 3.1: natural quintic splines, whose
second derivative is smooth, for accelerations from marker data).

Left to itself the cut-off is that of least generalised cross-validation (Craven & Wahba 1979, doi
10.1007/BF01404567), which needs no word on how large the noise is. It is judged on the frames of
the swings alone: a long stand at address would ask for more smoothing than a downswing bears.

At a labelled impact the velocity may jump: there the spline has a jump in its first and second
derivative that is fitted too (a partial spline: Shiau, Wahba & Johnson 1986, doi
10.1175/1520-0426(1986)003<0714:PSMFTI>2.0.CO;2), so that nothing is smeared across a ball.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline
from scipy.linalg import cho_solve_banded, cholesky_banded
from scipy.sparse import csr_array, diags_array

Floats = NDArray[np.float64]

_DEGREE = 5
_ORDER = 3  # of the derivative that is kept small
MOST_OF_RATE = 0.4
"""Greatest cut-off, as a share of the frame rate: at half the rate (Nyquist) nothing would be
smoothed, and what is left of the residuals could not tell the noise any more."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SmoothParams:
    """Where the cut-off is looked for."""

    least_hz: float = 5.0
    """A downswing of 0.25 s is a quarter of a wave of 1 Hz with harmonics; a cut-off below 5 Hz
    would flatten any swing, however noisy the capture (own choice)."""

    most_share: float = MOST_OF_RATE
    """Of the frame rate."""

    steps: int = 16
    """Cut-offs tried, a fixed factor apart (about 1.2): the least of cross-validation is flat."""


def cutoffs_hz(rate_hz: float, params: SmoothParams) -> Floats:
    """Cut-offs that are tried at a frame rate."""
    return np.geomspace(params.least_hz, params.most_share * rate_hz, params.steps)


@dataclass(frozen=True, slots=True)
class Spline:
    """A smoothed course: (n, k) values and derivatives at any time of the capture.

    Attributes
    ----------
    spline : BSpline
        In frames, without the jumps.
    rate_hz : float
        Frames a second.
    breaks_s : tuple of float
    jumps : Floats
        (2 x breaks, k): of slope and of half the bend at each break, per frame.
    """

    spline: BSpline
    rate_hz: float
    breaks_s: tuple[float, ...]
    jumps: Floats

    def at(self, time_s: Floats, order: int = 0) -> Floats:
        """Value (0) or derivative of order 1 or 2, per second; at a break that after it."""
        x = np.asarray(time_s, dtype=float) * self.rate_hz
        out = np.asarray(self.spline(x, nu=order), dtype=float)
        for k, at in enumerate(self.breaks_s):
            past = x - at * self.rate_hz
            on = past >= -1e-9
            slope, bend = self.jumps[2 * k], self.jumps[2 * k + 1]
            part = (
                past[:, None] * slope + past[:, None] ** 2 * bend,
                slope + 2.0 * past[:, None] * bend,
                np.broadcast_to(2.0 * bend, out.shape),
            )[order]
            out = out + on[:, None] * part
        return out * self.rate_hz**order


class Smoother:
    """Fits splines to values at the frames of one capture; linear, and quick to use again.

    Parameters
    ----------
    n_frames : int
        Of the capture.
    seen : NDArray of bool
        (n_frames,): which of them have a value.
    rate_hz : float
    cutoff_hz : float
        Where half of an amplitude is left.
    breaks_s : sequence of float
        Where the first and second derivative may jump.

    Raises
    ------
    ValueError
        Too few frames, or a cut-off out of its limits.
    """

    def __init__(
        self,
        n_frames: int,
        seen: NDArray[np.bool_],
        *,
        rate_hz: float,
        cutoff_hz: float,
        breaks_s: Sequence[float] = (),
    ) -> None:
        if not 0.0 < cutoff_hz <= 0.5 * rate_hz:
            raise ValueError(f"a cut-off of {cutoff_hz:g} Hz is not within half of {rate_hz:g}")
        if int(seen.sum()) < 4 * _ORDER:
            raise ValueError("too few frames to smooth")
        self.rate_hz, self.cutoff_hz = rate_hz, cutoff_hz
        self._knots = np.arange(-_DEGREE, n_frames + _DEGREE, dtype=float)
        frames = np.flatnonzero(seen).astype(float)
        self._breaks = tuple(float(b) for b in breaks_s)
        self._basis = csr_array(BSpline.design_matrix(frames, self._knots, _DEGREE))
        past = frames[:, None] - np.array(self._breaks)[None, :] * rate_hz
        past = np.maximum(past, 0.0)
        self._steps = np.stack((past, past**2), axis=2).reshape(len(frames), -1)
        weight = (rate_hz / (2.0 * np.pi * cutoff_hz)) ** (2 * _ORDER)
        normal = self._basis.T @ self._basis + weight * _roughness(n_frames)
        self._factor = cholesky_banded(_banded(csr_array(normal)), lower=True)
        self._n = len(frames)
        if self._breaks:
            # what the smooth part leaves of the steps: Schur complement of a small system
            self._of_steps = self._solve(np.asarray(self._basis.T @ self._steps))
            left = self._steps - self._basis @ self._of_steps
            self._small = self._steps.T @ left

    def _solve(self, right: Floats) -> Floats:
        return np.asarray(cho_solve_banded((self._factor, True), right), dtype=float)

    @property
    def share(self) -> float:
        """Degrees of freedom of the fit, as a share of the frames (the trace of its matrix).

        By the filter's gain at the frequencies of the frames: exact for many equidistant ones.
        """
        place = np.arange(_ORDER, self._n) / (2.0 * self._n) * self.rate_hz / self.cutoff_hz
        own = _ORDER + 2 * len(self._breaks) + float(np.sum(1.0 / (1.0 + place ** (2 * _ORDER))))
        return min(own / self._n, 0.99)

    def fit(self, values: Floats) -> tuple[Spline, Floats]:
        """Spline through the values (seen frames, k), and the residuals there."""
        coefficients = self._solve(np.asarray(self._basis.T @ values))
        jumps: Floats = np.zeros((0, values.shape[1]))
        if self._breaks:
            left = self._steps.T @ (values - self._basis @ coefficients)
            jumps = np.asarray(np.linalg.solve(self._small, left), dtype=float)
            coefficients = coefficients - self._of_steps @ jumps
        fitted = self._basis @ coefficients + self._steps @ jumps
        spline = BSpline(self._knots, coefficients, _DEGREE, extrapolate=True)
        return Spline(spline, self.rate_hz, self._breaks, jumps), np.asarray(values - fitted)


def _roughness(n_frames: int) -> csr_array:
    """Matrix of the integral of the squared third derivative, per frame, over the capture."""
    # the third derivative is a quadratic spline whose coefficients are third differences
    knots = np.arange(-(_DEGREE - _ORDER), n_frames + _DEGREE - _ORDER, dtype=float)
    nodes, weights = np.polynomial.legendre.leggauss(3)
    places = (np.arange(n_frames - 1)[:, None] + 0.5 + 0.5 * nodes).ravel()
    basis = csr_array(BSpline.design_matrix(places, knots, _DEGREE - _ORDER))
    scales = diags_array(np.tile(0.5 * weights, n_frames - 1))
    gram = basis.T @ scales @ basis
    n = n_frames + _DEGREE - 1
    rows = np.repeat(np.arange(n - _ORDER), _ORDER + 1)
    columns = rows + np.tile(np.arange(_ORDER + 1), n - _ORDER)
    values = np.tile([-1.0, 3.0, -3.0, 1.0], n - _ORDER)
    third = csr_array((values, (rows, columns)), shape=(n - _ORDER, n))
    return csr_array(third.T @ gram @ third)


def _banded(matrix: csr_array) -> Floats:
    """Lower form of a symmetric banded matrix, as scipy.linalg has it."""
    n = matrix.shape[0]
    out = np.zeros((_DEGREE + 1, n))
    for k in range(_DEGREE + 1):
        out[k, : n - k] = matrix.diagonal(-k)
    return out
