"""The sum of trees, and that what is grown says what it was grown on."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.swing.trees import Trees
from benchmarks.boosting import BoostParams, boost, sums


def test_answers_are_the_digits_of_the_leafs_place() -> None:
    table = Trees(
        names=("a", "b"),
        constant=0.5,
        trees=(((0, 1), (1.0, 2.0), (0.0, 10.0, 20.0, 30.0)),),
        calibration=(-1.0, 0.1),
    )
    assert table.z({"a": 0.0, "b": 3.0}) == 10.5
    assert table.z({"a": 2.0, "b": 0.0}) == 20.5
    assert table.z({"a": math.nan, "b": math.nan}) == 0.5
    assert table.p({"a": 2.0, "b": 3.0}) == pytest.approx(1.0 / (1.0 + math.exp(-2.05)))


def test_trees_learn_what_only_two_figures_together_tell() -> None:
    rng = np.random.default_rng(1)
    x = rng.normal(size=(4000, 3))
    y = (x[:, 0] * x[:, 1] > 0.0).astype(float)
    x[rng.random(4000) < 0.05, 2] = np.nan
    table = boost(("a", "b", "c"), x[:3000], y[:3000], np.ones(3000), BoostParams(trees=40))
    z = sums(table, x[3000:])
    assert float(((z > 0.0) == (y[3000:] > 0.5)).mean()) > 0.93
    one = dict(zip(("a", "b", "c"), x[3500].tolist(), strict=True))
    assert table.z(one) == pytest.approx(z[500], abs=1e-9)
