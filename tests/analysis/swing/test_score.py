"""The score: bounded, no figure rejects by itself, and what can't be known says nothing."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from analysis.swing.outline import OutlineParams
from analysis.swing.score import (
    CLIP,
    FIGURES,
    OF_THE_PULL,
    Table,
    figures,
    impossible,
    score,
    weighed,
)
from analysis.swing.score_tables import RALLY, SHORT, SWING
from analysis.swing.trees import Trees, logistic
from simulation.motion.action import MOUNTS
from tests.analysis.swing.test_outline import outlined, swing


def table(**change: object) -> Table:
    n = len(FIGURES)
    base: dict[str, object] = {
        "names": FIGURES,
        "centre": (0.0,) * n,
        "scale": (1.0,) * n,
        "constant": 0.5,
        "linear": (1.0,) * n,
        "squared": (0.0,) * n,
        "missing": -0.25,
        "calibration": (0.0, 1.0),
        "threshold": 0.0,
    }
    return Table(**{**base, **change})  # type: ignore[arg-type]


def test_the_score_is_its_sum_written_out() -> None:
    values = dict.fromkeys(FIGURES, 0.0)
    assert score(values, table()) == 0.5
    assert score({**values, "hang": 0.3}, table()) == pytest.approx(0.8)
    # Clipped: however far off one figure is, it counts no more than that.
    assert score({**values, "hang": 1e9}, table()) == pytest.approx(0.5 + CLIP)
    assert score({**values, "hang": math.nan}, table()) == pytest.approx(0.25)


def test_trees_count_as_much_as_the_sum() -> None:
    hang = FIGURES.index("hang")
    grown = Trees(
        names=FIGURES,
        constant=0.1,
        trees=(((hang,), (0.5,), (-1.0, 2.0)),),
        calibration=(0.0, 1.0),
    )
    values = dict.fromkeys(FIGURES, 0.0)
    assert score(values, table(trees=grown)) == pytest.approx(0.5 * (0.5 + 0.1 - 1.0))
    values["hang"] = 0.6
    assert score(values, table(trees=grown)) == pytest.approx(0.5 * (1.1 + 0.1 + 2.0))
    # Unknown is greater than nothing.
    values["hang"] = math.nan
    assert score(values, table(trees=grown)) == pytest.approx(0.5 * (0.25 + 0.1 - 1.0))


def test_figures_of_an_outline() -> None:
    o = outlined(swing())
    values = figures(o)
    assert tuple(values) == FIGURES
    assert values["turn"] == pytest.approx(math.log(o.turn_deg))
    assert values["gain"] == pytest.approx(math.log(o.peak_dps / o.backswing_peak_dps))
    unknown = figures(replace(o, pull_known=False))
    assert {name for name in FIGURES if math.isnan(unknown[name])} == set(OF_THE_PULL)


def test_what_breaks_a_definition_or_physics_is_impossible_and_nothing_else() -> None:
    o, p = outlined(swing()), OutlineParams()
    assert impossible(o, p) is None
    assert impossible(replace(o, downswing_s=0.04), p) == "downswing"
    assert impossible(replace(o, downswing_s=2.5), p) == "downswing"
    assert impossible(replace(o, least_turn_deg=0.95 * o.turn_deg), p) == "no_return"
    odd = replace(o, backswing_s=5.0, upright=1.0, hang=-1.0, before_dps=90.0, through_deg=0.0)
    assert impossible(odd, p) is None


@pytest.mark.parametrize("mount", MOUNTS)
def test_fitted_tables_are_finite_and_no_figure_decides_alone(mount: str) -> None:
    for tables in (SWING, RALLY, SHORT):
        one = tables[mount]
        numbers = np.array([*one.centre, *one.scale, *one.linear, *one.squared, one.constant])
        assert np.isfinite(numbers).all()
        assert min(one.scale) > 0.0
    one = SWING[mount]
    # The middle of all swings is far enough inside that no single figure takes it out ...
    middle = score(dict(zip(one.names, one.centre, strict=True)), one)
    for name in one.names:
        for away in (-2.0, 2.0):
            k = one.names.index(name)
            moved = dict(zip(one.names, one.centre, strict=True))
            moved[name] += away * one.scale[k]
            assert score(moved, one) > one.threshold - 4.0, name
    assert middle > one.threshold


def test_weights_tell_what_speaks_against() -> None:
    values = {**dict.fromkeys(FIGURES, 0.0), "hang": -3.0, "turn": 2.0}
    parts = weighed(values, table())
    assert min(parts, key=lambda name: parts[name]) == "hang"
    assert parts["turn"] == pytest.approx(2.0)


def test_the_logistic_never_overflows() -> None:
    assert logistic(-1e4) == 0.0
    assert logistic(1e4) == 1.0
    assert logistic(0.0) == 0.5
    assert logistic(1.0) == pytest.approx(1.0 / (1.0 + math.exp(-1.0)))
