"""The sum of trees, and that what is grown says what it was grown on."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.swing.score import Table, score
from analysis.swing.trees import Trees
from benchmarks.boosting import BoostParams, Chance, boost, sums


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


def test_trees_that_see_a_part_are_repeatable_and_ask_about_that_part() -> None:
    rng = np.random.default_rng(2)
    x = rng.normal(size=(3000, 8))
    y = (x[:, 0] + x[:, 1] > 0.0).astype(float)
    names = tuple("abcdefgh")
    grow = BoostParams(trees=80, chance=Chance(rows=0.6, figures=0.25, limits=4, seed=7))
    table = boost(names, x[:2000], y[:2000], np.ones(2000), grow)
    assert boost(names, x[:2000], y[:2000], np.ones(2000), grow) == table
    assert all(len(set(asked)) <= 2 for asked, _, _ in table.trees)
    # All are asked about by some tree, though two tell everything.
    assert {k for asked, _, _ in table.trees for k in asked} == set(range(8))
    assert float(((sums(table, x[2000:]) > 0.0) == (y[2000:] > 0.5)).mean()) > 0.9


def test_a_score_is_in_parts_the_trees_and_the_sums() -> None:
    trees = Trees(
        names=("a",), constant=3.0, trees=(((0,), (0.0,), (0.0, 1.0)),), calibration=(0.0, 1.0)
    )
    table = Table(
        names=("a",),
        centre=(0.0,),
        scale=(1.0,),
        constant=1.0,
        linear=(2.0,),
        squared=(0.0,),
        missing=0.0,
        calibration=(0.0, 1.0),
        threshold=0.0,
        trees=trees,
        of_trees=0.65,
    )
    assert score({"a": 1.0}, table) == pytest.approx(0.35 * 3.0 + 0.65 * 4.0)
