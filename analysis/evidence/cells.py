"""A cell: what one kind of swing in one session says in one measure."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import numpy.typing as npt

from analysis.scatter import scaled_mad

Array = npt.NDArray[np.float64]

TRIM: Final = 0.2
"""Share left out of the middle at each end: one odd swing in five is borne (Yuen 1974; 0.2 from
memory)."""

HELD_SPREADS: Final = 2.5
"""Deviations are held within this many spreads where neighbours are compared, so that odd swings
don't rule it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """Swings of one kind in one session, in one measure, and what is worked out of them once.

    Attributes
    ----------
    session, kind : str
    sessions_place : float
        Place of the session among the player's.
    n, retained : int
        Swings, and those left after trimming.
    location : float
        Trimmed mean.
    variance : float
        Of one swing, such that ``variance / n`` is the middle's own, were swings independent.
    dof : float
        Of `variance`.
    places : (n,) array
        Numbers of the swings in the session, in their order.
    span : tuple of float
        Numbers of the session's first and last swing, as far as they are known here: a drift goes
        from the one to the other.
    runs : (n,) array of int
        Which swings stood together, without swings of another kind or block between them.
    own_variance : float
        Of the measurement of one swing, without what swings share.
    lag : tuple of float, or None
        Sums of products of neighbours and of squares, and how many swings.
    trend : tuple of (float, float), or None
        Sums of products of places with values and with themselves, both about their middles.
    between_runs : tuple of (float, float, float), or None
        Mean square between the runs' means, mean number of swings of a run, degrees of freedom.
    scale : (3,) array, or None
        By how much the middle grows for an error of each axis' scale, signed, in the measure's
        unit; None where it isn't known by axis.
    scale_u : (3,) array
        Relative standard uncertainty of each axis' scale.
    scale_key, clock_key : str or None
        Sensor and calibration, and recording: what has the same key has the same error.
    clock, delay, rule : float
        Standard uncertainties that all these swings have in common, signed as the middle.
    delay_key : str or None
        Sensor, filter and rate.
    """

    session: str
    kind: str
    sessions_place: float = 0.0
    n: int
    retained: int
    location: float
    variance: float
    dof: float
    places: Array = field(compare=False)
    span: tuple[float, float]
    runs: npt.NDArray[np.intp] = field(compare=False)
    own_variance: float = 0.0
    lag: tuple[float, float, int] | None = None
    trend: tuple[float, float] | None = None
    between_runs: tuple[float, float, float] | None = None
    scale: Array | None = field(default=None, compare=False)
    scale_u: Array = field(default_factory=lambda: np.zeros(3), compare=False)
    scale_key: str | None = None
    clock_key: str | None = None
    delay_key: str | None = None
    clock: float = 0.0
    delay: float = 0.0
    rule: float = 0.0


Contrast = Sequence[tuple[Cell, float]]
"""Cells with their weights: a difference is the weighted sum of the cells' locations."""


def cut_of(n: int) -> int:
    """How many swings are left out of a middle at each end."""
    return int(TRIM * n + 1e-9)


def cell_of(
    values: npt.ArrayLike,
    *,
    session: str,
    kind: str,
    places: npt.ArrayLike | None = None,
    runs: npt.ArrayLike | None = None,
    span: tuple[float, float] | None = None,
    bounds: npt.ArrayLike | None = None,
    **more: object,
) -> Cell | None:
    """Make a cell of values.

    Parameters
    ----------
    values : array_like, shape (n,)
        One swing or more, in their order.
    session, kind : str
    places : array_like, shape (n,), optional
        Numbers of the swings in the session; one after the other by default.
    runs : array_like of int, shape (n,), optional
        Which swings stood together. By default those whose numbers follow each other.
    span : tuple of float, optional
        Numbers of the session's first and last swing; those of these swings by default.
    bounds : array_like of bool, shape (n,), optional
        Which values are only known as "at least".
    **more
        Further fields of `Cell`.

    Returns
    -------
    Cell or None
        None where the middle hangs on values that are only known as "at least": then it would be
        too small, and without them as well. Where all of them are among the greatest, which
        trimming leaves out, it is the same whatever they are.
    """
    x = np.asarray(values, dtype=np.float64).ravel()
    n = len(x)
    if not n:
        raise ValueError("no values")
    if not np.isfinite(x).all():
        raise ValueError("values must be finite numbers; leave absent ones out")
    at = np.arange(n, dtype=np.float64) if places is None else np.asarray(places, dtype=np.float64)
    ordered = np.sort(x)
    cut = cut_of(n)
    if bounds is not None:
        low = x[np.asarray(bounds, dtype=bool)]
        # As many values as are cut must lie above, so that each bound is cut itself.
        if len(low) and (len(low) > cut or float(low.min()) < ordered[n - cut - 1]):
            return None
    retained = n - 2 * cut
    location, variance, dof = _trimmed(ordered, cut)
    if runs is None:
        together = np.concatenate([[0], np.cumsum(np.diff(at) > 1.5)]).astype(np.intp)
    else:
        together = np.asarray(runs, dtype=np.intp)
    return Cell(
        session=session,
        kind=kind,
        n=n,
        retained=retained,
        location=location,
        variance=variance,
        dof=dof,
        places=at,
        span=(float(at.min()), float(at.max())) if span is None else span,
        runs=together,
        lag=lag_of(x, at),
        trend=_trend(x, at),
        between_runs=_between_runs(x, together),
        **more,  # type: ignore[arg-type]
    )


def _trimmed(ordered: Array, cut: int) -> tuple[float, float, float]:
    """Trimmed mean of sorted values, the variance of one of them, and its degrees of freedom."""
    n = len(ordered)
    retained = n - 2 * cut
    core = ordered[cut : n - cut]
    location = float(core.sum()) / retained
    variance = dof = 0.0
    if retained > 1:
        square = float(np.sum((core - location) ** 2))
        if cut:
            low_by, high_by = core[0] - location, core[-1] - location
            # About the mean of the winsorised values, which isn't the trimmed one.
            off = cut * (low_by + high_by) / n
            square += float(cut * (low_by**2 + high_by**2)) - n * off**2
        # Yuen (1974): (n - 1) s_w^2 / (h (h - 1)) is the variance of the trimmed mean.
        variance, dof = n * square / (retained * (retained - 1)), retained - 1.0
    return location, variance, dof


def cell_of_summary(
    n: int,
    mean: float,
    sd: float,
    *,
    session: str,
    kind: str,
    first_place: float = 0.0,
    run: int = 0,
) -> Cell:
    """Make a cell of swings that stood together, of which only mean and spread are known.

    Parameters
    ----------
    n : int
        Two or more.
    mean, sd : float
    session, kind : str
    first_place : float
        Number of the first of them in the session.
    run : int
        Which run of swings they are.
    """
    places = first_place + np.arange(n, dtype=np.float64)
    return Cell(
        session=session,
        kind=kind,
        n=n,
        retained=n,
        location=mean,
        variance=sd * sd,
        dof=n - 1.0,
        places=places,
        span=(float(places[0]), float(places[-1])),
        runs=np.full(n, run, dtype=np.intp),
    )


def lag_of(x: Array, places: Array) -> tuple[float, float, int] | None:
    """Sums of products of neighbours and of squares, and the number of swings.

    Deviations are from the median and held within some spreads. None with nothing to go by.

    Parameters
    ----------
    x : (n,) array
        In the order of the swings.
    places : (n,) array
        Numbers of the swings: only those that follow each other are neighbours.
    """
    if len(x) < 4:
        return None
    dev = x - np.median(x)
    if (spread := scaled_mad(dev)) <= 1e-12 * float(np.max(np.abs(dev))):
        # More than half are alike.
        return None
    dev = np.clip(dev / spread, -HELD_SPREADS, HELD_SPREADS)
    dev -= dev.mean()
    near = np.diff(places) < 1.5
    pairs = int(near.sum())
    if not pairs:
        return None
    top = float(np.sum(dev[1:] * dev[:-1] * near)) * len(x) / pairs
    return top, float(dev @ dev), len(x)


def _trend(x: Array, places: Array) -> tuple[float, float] | None:
    """Sums for the slope over the places, of deviations held within some spreads."""
    if len(x) < 4:
        return None
    dev = x - np.median(x)
    reach = HELD_SPREADS * scaled_mad(dev)
    at = places - places.mean()
    return float(np.clip(dev, -reach, reach) @ at), float(at @ at)


def _between_runs(
    x: Array, runs: Array | npt.NDArray[np.intp]
) -> tuple[float, float, float] | None:
    """Mean square between the means of runs of three swings and more."""
    counts = np.bincount(runs)
    long = np.flatnonzero(counts >= 3)
    if len(long) < 2:
        return None
    means = np.array([float(np.median(x[runs == k])) for k in long])
    # 1 / n is what counts, hence the harmonic mean. A median is less sure than a mean by pi / 2.
    swings = len(long) / float(np.sum(1.0 / counts[long])) / (math.pi / 2.0)
    return float(np.var(means, ddof=1)), swings, len(long) - 1.0


def quadratic(weights: Array, places: Array, rho: float) -> float:
    """``w' R w`` for a correlation of ``rho`` to the power of the distance."""
    if rho <= 0.0:
        return float(weights @ weights)
    # Beyond this many places nothing is left of it.
    reach = math.log(1e-6) / math.log(rho)
    if len(weights) > 4 * reach and np.all(np.diff(places) >= 0):
        whole = float(weights @ weights)
        for k in range(1, len(weights)):
            distance = places[k:] - places[:-k]
            if distance.min() > reach:
                break
            whole += 2.0 * float(np.sum(weights[k:] * weights[:-k] * rho**distance))
        return whole
    apart = np.abs(places[:, None] - places[None, :])
    return float(weights @ (rho**apart) @ weights)


def run_squares(contrast: Contrast) -> float:
    """Sum over runs of swings of the square of their weight."""
    out = 0.0
    for cell, weight in contrast:
        counts = np.bincount(cell.runs).astype(np.float64)
        out += (weight / cell.n) ** 2 * float(counts @ counts)
    return out


def drift_square(sessions: Iterable[Sequence[tuple[Cell, float]]]) -> float:
    """Sum over sessions of the square of the difference of mean place, each 0 to 1."""
    out = 0.0
    for used in sessions:
        first = min(cell.span[0] for cell, _ in used)
        length = max(cell.span[1] for cell, _ in used) - first
        if length <= 0.0:
            continue
        # About the session's middle, for what isn't a difference within it.
        places = (
            weight * ((float(cell.places.mean()) - first) / length - 0.5) for cell, weight in used
        )
        out += math.fsum(places) ** 2
    return out
