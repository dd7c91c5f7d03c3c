"""The benchmark of comparisons, on a handful of swings."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.evidence.compare import COMPARED, compare_swings
from benchmarks import compare
from benchmarks.compare import _pairs, _side, _Tally, _true_differences, measured, true_value
from simulation.motion.draw import random_swing
from simulation.sessions import grid_rate_hz


def two_swings(seed: int) -> tuple[compare.Pair, compare.Pair]:
    """Two different strikes and their truth."""
    rng = np.random.default_rng(seed)
    out = []
    while len(out) < 2:
        action = random_swing(
            rng, model="pendulum", mount="wrist", strike=True, grid_hz=grid_rate_hz(200.0)
        )
        one = measured(
            rng, action, model="pendulum", mount="wrist", rate_hz=200.0, scale_error=False
        )
        if one is not None:
            out.append(one)
    return out[0], out[1]


def test_the_truth_is_what_is_measured() -> None:
    for pair in two_swings(3):
        swing, truth = pair
        for measure in COMPARED:
            value, true = getattr(swing, measure), true_value(truth, measure)
            assert value is not None
            assert value == pytest.approx(true, abs=6.0 * getattr(swing, f"{measure}_u"))


def test_a_true_difference_is_counted_as_told_or_not() -> None:
    a, b = two_swings(5)
    result = compare_swings(_side([a], "r", "wrist"), _side([b], "r", "wrist"))
    row = result.row("swing_ms")
    assert row is not None
    assert row.detectable is not None
    assert row.difference is not None
    sign = float(np.sign(row.difference))
    for size, expected in (
        (0.5, [0, 0, 0]),
        (1.1, [1, int(row.outcome == "different"), 0]),
        (-1.1, [1, 0, int(row.outcome == "different")]),
    ):
        tally = _Tally()
        tally.differs(result, {"swing_ms": sign * size * row.detectable})
        assert tally.power["swing_ms"] == expected
    true = _true_differences([a], [b])
    assert set(true) == set(COMPARED)
    assert np.sign(true["swing_ms"]) == sign or row.outcome != "different"


def test_equals_are_counted_and_tables_can_be_made() -> None:
    made = _pairs(np.random.default_rng(11), 1)
    assert (
        made["all"]["comparisons"]
        == made["strike"]["comparisons"] + (made["rehearsal"]["comparisons"])
    )
    assert made["all"]["comparisons"] >= 14
    wrong = made["all"]["any_wrong"]
    assert 0 <= wrong <= 3
    empty = _Tally().as_dict()
    text = compare.tables({"pairs": made, "pair_power": empty, "sets": {"3 and 3": empty}})
    assert f"{100.0 * wrong / made['all']['comparisons']:.1f} %" in text
    assert "sets of 3 and 3" in text
