"""The fit behind `analysis.swing.score_tables`: penalised logistic, and trees where they help.

Rows are weighted so that swings and the rest count alike, and each model alike among the swings.
All products are einsums, so the result doesn't hang on how a library orders its sums; what is kept
is rounded far above what is left of that.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.swing.score import CLIP, Table
from analysis.swing.trees import Trees
from benchmarks.boosting import BoostParams, Chance, boost, sums

Array = npt.NDArray[np.float64]

__all__ = ["Fit", "calibrate", "fit_table", "scores", "widened"]

RIDGE = 10.0
"""Of tables that nothing is chosen for."""
WIDER = 1.3
"""How much wider than drawn the swings are made, all figures together."""
DIGITS = 6
MASKED = 0.15
"""Share of the rows, of both sorts, that are shown once more with the pull unknown."""
GROWN = BoostParams(
    trees=300,
    questions=4,
    rate=0.08,
    chance=Chance(rows=0.6, figures=0.25, limits=4, seed=7),
)
"""Trees that see all missed half as many again of a model that none was fitted on, at as many
inventions in ten hours that nothing was fitted on; so did a table of sums and squares alone, and
more."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """Standardisation and weights of one table."""

    names: tuple[str, ...]
    centre: Array
    scale: Array
    weights: Array  # constant, linear, squared, missing
    trees: Trees | None = None
    of_trees: float = 0.0

    def table(self, calibration: tuple[float, float], threshold: float) -> Table:
        """Round it for keeping."""

        def kept(x: Array) -> tuple[float, ...]:
            return tuple(float(f"{v:.{DIGITS}g}") for v in x.tolist())

        n = len(self.names)
        w = kept(self.weights)
        return Table(
            names=self.names,
            centre=kept(self.centre),
            scale=kept(self.scale),
            constant=w[0],
            linear=w[1 : n + 1],
            squared=w[n + 1 : 2 * n + 1],
            missing=w[2 * n + 1],
            calibration=(round(calibration[0], 4), round(calibration[1], 4)),
            threshold=round(threshold, 3),
            trees=self.trees,
            of_trees=self.of_trees,
        )


def _design(x: Array, centre: Array, scale: Array) -> Array:
    unknown = np.isnan(x)
    u = np.where(unknown, 0.0, np.clip((x - centre) / scale, -CLIP, CLIP))
    one = np.ones((len(x), 1))
    return np.concatenate((one, u, u * u, unknown.any(axis=1)[:, None].astype(float)), axis=1)


def scores(fit: Fit, x: Array) -> Array:
    """Scores of rows of figures."""
    z = np.einsum("ij,j->i", _design(x, fit.centre, fit.scale), fit.weights)
    if fit.trees is None:
        return z
    return (1.0 - fit.of_trees) * z + fit.of_trees * sums(fit.trees, x)


def widened(x: Array, rng: np.random.Generator) -> Array:
    """Swings as drawn; each again, further from the middle; and twice as many drawn from their
    covariance, widened likewise. Figures that aren't known stay unknown."""
    known = ~np.isnan(x)
    middle = np.nanmedian(x, axis=0)
    off = np.where(known, x - middle, 0.0)
    covariance = np.einsum("ij,ik->jk", off, off) / max(len(x) - 1, 1)
    root = np.linalg.cholesky(covariance + 1e-9 * np.eye(len(middle)))
    z = rng.standard_normal((2 * len(x), len(middle)))
    drawn = middle + WIDER * np.einsum("jk,ik->ij", root, z)
    return np.concatenate((x, np.where(known, middle + WIDER * off, np.nan), drawn))


def fit_table(
    names: tuple[str, ...],
    swings: list[Array],
    others: Array,
    *,
    weight_of_others: Array | None = None,
    ridge: float,
    pull: list[int],
    seed: int,
    widen: bool = True,
    of_trees: float = 0.0,
    grow: BoostParams = GROWN,
) -> Fit:
    """Fit a table.

    Parameters
    ----------
    names : tuple of str
        Of the columns.
    swings : list of (n, k) arrays
        One a model; each counts alike.
    others : (m, k) array
    weight_of_others : (m,) array, optional
        How much each counts among them; None: alike.
    ridge : float
        Penalty on the squares of all weights but the constant, in rows.
    pull : list of int
        Columns that are unknown together.
    seed : int
    widen : bool
        Show swings wider than they were drawn, too (`widened`).
    of_trees : float
        Share of the score that boosted trees, grown on the same rows, make.
    grow : BoostParams
        How they are grown.
    """
    rng = np.random.default_rng(seed)
    wide = [widened(x, rng) if widen else x for x in swings]
    every = np.concatenate(wide)
    centre = np.nanmedian(every, axis=0)
    scale = 0.7413 * (np.nanpercentile(every, 75, axis=0) - np.nanpercentile(every, 25, axis=0))
    scale = np.maximum(scale, 1e-3)
    share = np.ones(len(others)) if weight_of_others is None else weight_of_others
    x = np.concatenate((*wide, others))
    y = np.zeros(len(x))
    y[: len(every)] = 1.0
    weight = np.concatenate(
        [np.full(len(w), 0.5 / len(wide) / len(w)) for w in wide] + [0.5 * share / share.sum()]
    )
    if pull:
        again = rng.random(len(x)) < MASKED
        masked = x[again].copy()
        masked[:, pull] = np.nan
        x, y = np.concatenate((x, masked)), np.concatenate((y, y[again]))
        weight = np.concatenate((weight, weight[again]))
    total = float(len(x))
    weight *= total / weight.sum()
    design = _design(x, centre, scale)
    penalty = np.full(design.shape[1], ridge)
    penalty[0] = 1e-6
    w = np.zeros(design.shape[1])
    for _ in range(60):
        eta = np.clip(np.einsum("ij,j->i", design, w), -30.0, 30.0)
        p = 1.0 / (1.0 + np.exp(-eta))
        slope = np.einsum("ij,i->j", design, weight * (y - p)) - penalty * w
        curve = _gram(design, weight * p * (1.0 - p))
        step = np.linalg.solve(curve + np.diag(penalty), slope)
        size = float(np.abs(step).max())
        w = w + step * min(1.0, 3.0 / max(size, 1e-12))
        if size < 1e-9:
            break
    grown = boost(names, x, y, weight, grow) if of_trees else None
    return Fit(names=names, centre=centre, scale=scale, weights=w, trees=grown, of_trees=of_trees)


def _gram(design: Array, weight: Array) -> Array:
    return np.einsum("ij,ik->jk", design * weight[:, None], design)


def calibrate(z: Array, y: Array, weight: Array) -> tuple[float, float]:
    """Return a, b of the probability logistic(a + b z) by weighted logistic regression."""
    a, b = 0.0, 1.0
    for _ in range(200):
        eta = np.clip(a + b * z, -30.0, 30.0)
        p = 1.0 / (1.0 + np.exp(-eta))
        v = weight * p * (1.0 - p)
        g0, g1 = float((weight * (y - p)).sum()), float((weight * (y - p) * z).sum()) - 1e-6 * b
        h00, h01, h11 = float(v.sum()) + 1e-9, float((v * z).sum()), float((v * z * z).sum()) + 1e-6
        det = h00 * h11 - h01 * h01
        da, db = (h11 * g0 - h01 * g1) / det, (h00 * g1 - h01 * g0) / det
        big = max(abs(da), abs(db))
        step = min(1.0, 1.0 / max(big, 1e-12))
        a, b = a + step * da, b + step * db
        if big < 1e-10:
            break
    return a, b
