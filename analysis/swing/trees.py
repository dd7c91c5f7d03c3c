"""A probability from boosted trees that ask the same questions of everything.

Each tree asks a few questions ("is this figure greater than that?"), the answers are the digits of
a binary number, and that is the place of what it adds. Such a sum follows where one figure only
tells something in the light of another, which a sum of squares doesn't, and is told in a few lines.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

Tree = tuple[tuple[int, ...], tuple[float, ...], tuple[float, ...]]
"""Places of the figures asked about, what they are compared with, and what is added."""


def logistic(x: float) -> float:
    """1 / (1 + exp(-x)), whatever the size of x."""
    if x >= 0.0:
        return 1.0 / (1.0 + math.exp(-x))
    y = math.exp(x)
    return y / (1.0 + y)


@dataclass(frozen=True, slots=True, kw_only=True)
class Trees:
    """A fitted sum of trees; ``calibration`` (a, b) makes the probability logistic(a + b z).

    A figure that isn't known (NaN) is greater than nothing.
    """

    names: tuple[str, ...]
    constant: float
    trees: tuple[Tree, ...]
    calibration: tuple[float, float]
    _asked: npt.NDArray[np.int64] = field(init=False, repr=False, compare=False)
    _limits: npt.NDArray[np.float64] = field(init=False, repr=False, compare=False)
    _leaves: npt.NDArray[np.float64] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        """Lay the trees side by side, so that all are asked at once."""
        for name, k in (("_asked", 0), ("_limits", 1), ("_leaves", 2)):
            kind = np.int64 if k == 0 else np.float64
            object.__setattr__(self, name, np.array([tree[k] for tree in self.trees], dtype=kind))

    def z(self, figures: Mapping[str, float]) -> float:
        """Sum of what the trees add."""
        x = np.array([figures[name] for name in self.names])
        yes = x[self._asked] > self._limits
        place = np.zeros(len(yes), dtype=np.int64)
        for answer in yes.T:
            place = 2 * place + answer
        # (summed exactly, so that no order of summing tells)
        return math.fsum([self.constant, *self._leaves[np.arange(len(yes)), place].tolist()])

    def p(self, figures: Mapping[str, float]) -> float:
        """Probability."""
        a, b = self.calibration
        return logistic(a + b * self.z(figures))
