"""Regression that odd swings and neighbouring swings don't fool.

Two tools. `robust_fit` is Huber's M-estimate with an interval that allows for neighbouring swings
of a session being alike and, with several sessions, for the relation differing between them.
`theil_sen` is the median of the slopes of all pairs within sessions.

References
----------
Huber, P. J. (1981). Robust Statistics. Wiley, chapter 7 (the M-estimate and the variance used
here). Sen, P. K. (1968). Estimates of the regression coefficient based on Kendall's tau. J. Am.
Stat. Assoc. 63, 1379-1389.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.special import ndtri

from analysis.evidence.spread import Interval, SwingRow, student_t
from analysis.evidence.told import NotYet
from analysis.scatter import scaled_mad

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.intp]


MOST_SESSIONS: Final = 30
"""The latest sessions are used, up to this many: a player of years ago is another player, and each
session costs a level and a trend."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FitParams:
    """Numbers of the robust fit."""

    corner: float = 1.5
    """Residuals beyond this many spreads pull no harder. Huber's 1.5 loses under 4 % on normal
    values (from memory)."""
    robust: bool = True
    """False gives ordinary least squares, with the same kind of interval."""
    prior_rho: float = 0.4
    """What neighbouring swings are taken to have in common before any are seen; measured on
    simulated players, a smaller value leaves the intervals of 10 + 10 swings too narrow."""
    prior_swings: float = 25.0
    """As many swings as the prior is worth."""
    largest_rho: float = 0.7
    least_free: int = 4
    """Swings there must be beyond the number of coefficients."""
    relation: float = 0.3
    """How far a relation differs from session to session, in spreads of one quantity for a spread
    of the other, before sessions tell it; from memory, measured in ``benchmarks/evidence.py``."""
    relation_weight: float = 3.0
    """As many sessions as that counts for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RobustFit:
    """Coefficients with intervals.

    Attributes
    ----------
    coefficients, se, df : ndarray of float, shape (p,)
        Estimates, standard errors and their degrees of freedom.
    scale : float
        Robust spread of the residuals.
    residuals : ndarray of float, shape (n,)
    rho : float
        Correlation of neighbouring residuals used for the standard errors.
    """

    coefficients: Array
    se: Array
    df: Array
    scale: float
    residuals: Array
    rho: float

    def interval(self, k: int, level: float = 0.95) -> Interval:
        """Interval of a coefficient."""
        estimate = float(self.coefficients[k])
        half = student_t(0.5 + level / 2, float(self.df[k])) * float(self.se[k])
        return Interval(estimate - half, estimate, estimate + half, level)


@dataclass(frozen=True, slots=True, kw_only=True)
class Slope:
    """A robust straight line: ``intercept + slope x``."""

    slope: Interval
    intercept: float
    n: int


def session_numbers(session_ids: Sequence[str]) -> Index:
    """Number sessions from 0 in the order in which they first come."""
    order: dict[str, int] = {}
    return np.array([order.setdefault(s, len(order)) for s in session_ids], dtype=np.intp)


def latest_sessions(rows: Sequence[SwingRow]) -> frozenset[str]:
    """Return the latest sessions of rows whose sessions come in order of time."""
    return frozenset(list(dict.fromkeys(row.session_id for row in rows))[-MOST_SESSIONS:])


def _ar_product(x: Array, session: Index, rho: float) -> Array:
    """``x.T @ R @ x`` for first-order autocorrelation within each session."""
    out = np.zeros((x.shape[1], x.shape[1]))
    for k in range(int(session.max()) + 1):
        part = x[session == k]
        lag = np.arange(len(part))
        out += part.T @ (rho ** np.abs(lag[:, None] - lag[None, :])) @ part
    return out


def robust_fit(
    design: npt.ArrayLike,
    y: npt.ArrayLike,
    session: npt.ArrayLike | None = None,
    params: FitParams | None = None,
) -> RobustFit | NotYet:
    """Huber's M-estimate of a linear model.

    Parameters
    ----------
    design : array_like, shape (n, p)
        Rows in the order of the swings within each session.
    y : array_like, shape (n,)
    session : array_like of int, shape (n,), optional
        Session number of each row from 0; all one session if left out.
    params : FitParams, optional

    Returns
    -------
    RobustFit or NotYet
        NotYet with too few rows, columns that can't be told apart, or no spread at all.
    """
    q = params or FitParams()
    x = np.asarray(design, dtype=np.float64)
    b = np.asarray(y, dtype=np.float64)
    n, p = x.shape
    number = np.zeros(n, dtype=np.intp) if session is None else np.asarray(session, dtype=np.intp)
    if n < p + q.least_free:
        return NotYet.count(n, p + q.least_free)
    # Columns are scaled so that telling them apart doesn't hang on units.
    size = np.sqrt(np.sum(x * x, axis=0))
    if (size == 0).any() or np.linalg.matrix_rank(x / size, tol=1e-7 * math.sqrt(n)) < p:
        return NotYet.of("one_follows_others")
    x = x / size
    corner = q.corner if q.robust else math.inf
    weight = np.ones(n)
    beta = np.zeros(p)
    residual = b
    scale = 0.0
    for _ in range(60):
        weighted = x * weight[:, None]
        before = beta
        beta = np.linalg.solve(weighted.T @ x, weighted.T @ b)
        residual = b - x @ beta
        if q.robust:
            scale = scaled_mad(residual) * math.sqrt(n / (n - p))
        else:
            scale = math.sqrt(float(residual @ residual) / (n - p))
        if scale <= 1e-12 * float(np.max(np.abs(b))):
            return NotYet.of("on_one_line")
        size_of = np.abs(residual) / scale
        weight = np.minimum(1.0, corner / np.maximum(size_of, 1e-300))
        if np.max(np.abs(beta - before)) <= 1e-8 * scale:
            break
    psi = np.clip(residual / scale, -corner, corner)
    inside = float(np.mean(np.abs(residual / scale) <= corner))
    # Huber (1981), 7.6: the correction for the p coefficients, and the variance of psi.
    correction = 1.0 + p / n * (1.0 - inside) / inside
    sigma2 = (correction * scale) ** 2 * float(psi @ psi) / (n - p) / inside**2
    a = np.linalg.inv(x.T @ x)
    rho = _residual_rho(residual, scale, number, p, q)
    plain = np.diag(a)
    product = _ar_product(x, number, rho)
    # Autocorrelated residuals look smaller than they are: E(residual' residual) is sigma2 times
    # the trace of the residual maker times R. A design that alternates from swing to swing would
    # even gain from autocorrelation; that gain isn't taken, since rho is hardly known.
    shrink = max(0.2, (n - float(np.trace(a @ product))) / (n - p))
    var = sigma2 * np.maximum(np.diag(a @ product @ a) / shrink, plain)
    pull = psi * correction * scale / inside
    if q.robust:
        # Far swings on the right have more say than their number: the larger of two estimates, the
        # second with each residual by itself (MacKinnon, J. G. & White, H. (1985). Some
        # heteroskedasticity-consistent covariance matrix estimators. J. Econometrics 29: HC2).
        hat = np.sum((x @ a) * x, axis=1)
        own = (x @ a) * (pull / np.sqrt(np.maximum(1.0 - hat, 0.1)))[:, None]
        var = np.maximum(var, np.sum(own**2, axis=0))
    df = np.full(p, float(n - p))
    clusters = int(number.max()) + 1
    if clusters >= 2:
        by_session = np.zeros(p)
        reaches = np.zeros(p)
        for k in range(clusters):
            mine = number == k
            reaches += np.any(x[mine] != 0.0, axis=0)
            # One step of the delete-one-session jackknife; a session's own intercept goes with it,
            # hence the pseudo-inverse.
            rest = np.linalg.pinv(x.T @ x - x[mine].T @ x[mine], hermitian=True, rcond=1e-9)
            by_session += (rest @ (x[mine] * pull[mine, None]).sum(axis=0)) ** 2
        by_session *= (clusters - 1) / clusters
        # What sessions differ by, drawn towards the stated (as in `variance.moderated`); a column
        # of one session only has nothing to differ from. Columns have a length of 1, so a spread
        # of theirs is 1 / sqrt(n).
        stated = var + (q.relation * scale) ** 2 * n / clusters
        whole = q.relation_weight + clusters - 1.0
        mixed = (q.relation_weight * stated + (clusters - 1.0) * by_session) / whole
        excess = np.where(reaches > 1, np.maximum(mixed - var, 0.0), 0.0)
        df = (var + excess) ** 2 / (var**2 / (n - p) + excess**2 / whole)
        var = var + excess
    return RobustFit(
        coefficients=beta / size,
        se=np.sqrt(var) / size,
        df=df,
        scale=scale,
        residuals=residual,
        rho=rho,
    )


def _residual_rho(residual: Array, scale: float, session: Index, p: int, q: FitParams) -> float:
    """Correlation of neighbouring residuals, drawn towards the prior."""
    held = np.clip(residual, -2.5 * scale, 2.5 * scale)
    held = held - held.mean()
    n = len(held)
    together = session[1:] == session[:-1]
    pairs = int(together.sum())
    bottom = float(held @ held)
    if not pairs or bottom <= 0:
        return q.prior_rho
    rho = float(np.sum(held[1:] * held[:-1] * together)) / bottom * n / pairs
    # The residuals of a line have lost p degrees of freedom, which draws rho down by about p/n.
    if n > 8:
        rho = (rho + p / n) / (1.0 - 4.0 / n)
    rho = (n * rho + q.prior_swings * q.prior_rho) / (n + q.prior_swings)
    return float(np.clip(rho, 0.0, q.largest_rho))


def theil_sen(
    x: npt.ArrayLike,
    y: npt.ArrayLike,
    session: npt.ArrayLike | None = None,
    *,
    level: float = 0.95,
    factor: float = 1.0,
) -> Slope | NotYet:
    """Median slope of all pairs within sessions, with Sen's interval.

    Parameters
    ----------
    x, y : array_like, shape (n,)
    session : array_like of int, shape (n,), optional
    level : float
    factor : float
        By which the variance of Kendall's S is raised for neighbouring swings being alike.

    Returns
    -------
    Slope or NotYet
        The line goes through the medians of x and y.
    """
    a = np.asarray(x, dtype=np.float64)
    b = np.asarray(y, dtype=np.float64)
    number = np.zeros(len(a), dtype=np.intp) if session is None else np.asarray(session)
    slopes: list[Array] = []
    var = 0.0
    for k in range(int(number.max()) + 1 if len(number) else 0):
        u, v = a[number == k], b[number == k]
        m = len(u)
        if m < 2:
            continue
        dx = u[None, :] - u[:, None]
        dy = v[None, :] - v[:, None]
        use = dx > 0
        slopes.append(dy[use] / dx[use])
        var += _kendall_var(u, v)
    every = np.sort(np.concatenate(slopes)) if slopes else np.empty(0)
    if len(a) < 5:
        return NotYet.count(len(a), 5)
    if not len(every):
        return NotYet.of("nothing_varies")
    estimate = float(np.median(every))
    sigma = math.sqrt(var * factor)
    half = float(ndtri(0.5 + level / 2)) * sigma
    count = len(every)
    upper = min(round((count + half) / 2.0), count - 1)
    lower = max(round((count - half) / 2.0) - 1, 0)
    intercept = float(np.median(b) - estimate * np.median(a))
    interval = Interval(float(every[lower]), estimate, float(every[upper]), level)
    return Slope(slope=interval, intercept=intercept, n=len(a))


def _kendall_var(x: Array, y: Array) -> float:
    """Variance of Kendall's S with ties (Sen 1968, 2.6)."""
    n = len(x)

    def part(m: Array) -> float:
        return float(np.sum(m * (m - 1) * (2 * m + 5)))

    ties = [np.unique(v, return_counts=True)[1].astype(np.float64) for v in (x, y)]
    return (part(np.array([float(n)])) - part(ties[0]) - part(ties[1])) / 18.0
