"""Gradient-boosted trees behind `analysis.swing.strike_tables`, in plain sums.

Each tree asks the same few questions of every row (oblivious trees); a question is chosen for what
it gains over all leaves together, by second-order boosting of the log loss with a ridge on the
leaves (Friedman 2001, Ann. Stat. 29, 1189; Chen & Guestrin 2016, doi 10.1145/2939672.2939785,
equation 7). Unknown figures lie below every limit, as they do in `analysis.swing.trees`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.swing.trees import Tree, Trees

Array = npt.NDArray[np.float64]

__all__ = ["BoostParams", "Chance", "boost", "sums"]

DIGITS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Chance:
    """What a tree is left to see, drawn anew for each: few things alike in all of them is what
    carries over to swings of another model (Geurts et al. 2006, doi 10.1007/s10994-006-6226-1)."""

    rows: float
    """Share of the rows."""
    figures: float
    """Share of the figures."""
    limits: int
    """Of each of them, so many limits are tried at a question."""
    seed: int


@dataclass(frozen=True, slots=True, kw_only=True)
class BoostParams:
    """How the trees are grown; chosen on the seeds of choice."""

    trees: int = 100
    questions: int = 5
    rate: float = 0.2
    """Share of a tree's own best that is added."""
    ridge: float = 5.0
    """In rows: so much pulls a leaf to nothing."""
    limits: int = 32
    """Limits of each figure, at even shares of the rows."""
    chance: Chance | None = None
    """What each tree is left to see, where not all of it."""


def boost(names: tuple[str, ...], x: Array, y: Array, weight: Array, params: BoostParams) -> Trees:
    """Grow the trees.

    Parameters
    ----------
    names : tuple of str
        Of the columns.
    x : (n, k) array
        NaN: unknown.
    y : (n,) array
        1 or 0.
    weight : (n,) array
        What each row counts, 1 on average.
    params : BoostParams
    """
    n, k = x.shape
    edges = [_limits(x[:, j], params.limits) for j in range(k)]
    # how many limits a value is above
    above = np.stack(
        [np.searchsorted(e, np.nan_to_num(x[:, j], nan=-np.inf)) for j, e in enumerate(edges)]
    )
    size = params.limits + 1
    share = float((weight * y).sum() / weight.sum())
    constant = float(np.log(share / (1.0 - share)))
    z = np.full(n, constant)
    trees: list[Tree] = []
    sight = _Sight(params.chance, n, k)
    for _ in range(params.trees):
        p = 1.0 / (1.0 + np.exp(-z))
        slope, bend = weight * (y - p), weight * p * (1.0 - p)
        rows, some = sight.next()
        leaf = np.zeros(n, dtype=np.int64)
        asked: list[int] = []
        limits: list[float] = []
        for level in range(params.questions):
            leaves = 2**level
            best, where = -np.inf, (0, 0)
            for j in some:
                if not len(edges[j]):
                    continue
                key = (leaf * size + above[j])[rows]
                g = np.bincount(key, slope[rows], leaves * size).reshape(leaves, size)
                h = np.bincount(key, bend[rows], leaves * size).reshape(leaves, size)
                left_g, left_h = np.cumsum(g, axis=1), np.cumsum(h, axis=1)
                right_g, right_h = left_g[:, -1:] - left_g, left_h[:, -1:] - left_h
                gain = (
                    left_g**2 / (left_h + params.ridge) + right_g**2 / (right_h + params.ridge)
                ).sum(axis=0)[: len(edges[j])]
                gain = sight.of_limits(gain)
                at = int(np.argmax(gain))
                if gain[at] > best:
                    best, where = float(gain[at]), (j, at)
            j, at = where
            asked.append(j)
            limits.append(float(edges[j][at]))
            leaf = 2 * leaf + (above[j] > at)
        count = 2**params.questions
        mine = leaf[rows]
        g, h = np.bincount(mine, slope[rows], count), np.bincount(mine, bend[rows], count)
        value = np.round(params.rate * g / (h + params.ridge), DIGITS)
        z += value[leaf]
        trees.append((tuple(asked), tuple(limits), tuple(float(v) for v in value)))
    return Trees(
        names=names, constant=round(constant, DIGITS), trees=tuple(trees), calibration=(0.0, 1.0)
    )


class _Sight:
    """What each tree sees: all, or what chance leaves it."""

    def __init__(self, chance: Chance | None, rows: int, figures: int) -> None:
        self.chance = chance
        self.rows, self.figures = rows, figures
        self.rng = np.random.default_rng(chance.seed if chance else 0)

    def next(self) -> tuple[slice | npt.NDArray[np.bool_], list[int]]:
        """Rows and figures of the next tree."""
        if self.chance is None:
            return slice(None), list(range(self.figures))
        some = max(2, round(self.chance.figures * self.figures))
        picked = self.rng.choice(self.figures, some, replace=False)
        return self.rng.random(self.rows) < self.chance.rows, sorted(picked.tolist())

    def of_limits(self, gain: Array) -> Array:
        """What a figure's limits gain; -inf of those that aren't tried."""
        if self.chance is None or len(gain) <= self.chance.limits:
            return gain
        tried = self.rng.choice(len(gain), self.chance.limits, replace=False)
        out = np.full(len(gain), -np.inf)
        out[tried] = gain[tried]
        return out


def _limits(column: Array, count: int) -> Array:
    """Limits between the values of a figure, rounded for keeping."""
    known = column[~np.isnan(column)]
    if not len(known):
        return np.empty(0)
    inner = np.quantile(known, np.linspace(0.0, 1.0, count + 2)[1:-1])
    return np.unique([float(f"{v:.4g}") for v in inner])


def sums(table: Trees, x: Array) -> Array:
    """What the trees add to each row, (n,)."""
    z = np.full(len(x), table.constant)
    known = np.nan_to_num(x, nan=-np.inf)
    for asked, limits, leaves in table.trees:
        place = np.zeros(len(x), dtype=np.int64)
        for j, limit in zip(asked, limits, strict=True):
            place = 2 * place + (known[:, j] > limit)
        z += np.array(leaves)[place]
    return z
