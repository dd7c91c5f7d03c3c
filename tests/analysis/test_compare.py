"""Comparing two swings or two sets: the statistics against general-purpose libraries."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.weightstats import ttost_ind, ttost_paired

from analysis.compare import (
    COMPARED,
    ENDS_AT_IMPACT,
    MARGINS,
    CompareParams,
    Margin,
    MountsError,
    Row,
    Side,
    compare_sets,
    compare_swings,
    impact_rule,
    way_down,
)
from analysis.intervals import chance_beyond, effective_dof, holm, p_within, t_quantile
from analysis.results import Note, Part, Swing

USUAL: dict[str, float] = {
    "swing_ms": 1100.0,
    "backswing_ms": 820.0,
    "downswing_ms": 280.0,
    "turn_deg": 120.0,
    "peak_rate_dps": 1000.0,
    "peak_to_impact_ms": 40.0,
    "tempo_ratio": 2.93,
}
SURE: dict[str, float] = {
    "swing_ms": 4.0,
    "backswing_ms": 4.0,
    "downswing_ms": 1.5,
    "turn_deg": 1.0,
    "peak_rate_dps": 8.0,
    "peak_to_impact_ms": 3.0,
    "tempo_ratio": 0.02,
}


def make(index: int = 1, *, u: float = 1.0, **values: Any) -> Swing:
    """A strike with usual numbers; `u` multiplies all uncertainties."""
    fixed: dict[str, Any] = {
        item.name: None
        for item in dataclasses.fields(Swing)
        if item.name not in ("notes", "budget")
    }
    fixed.update(index=index, gap_ms=0.0, clipped=(), strike=True, impact_basis="shock", **USUAL)
    fixed.update({f"{name}_u": u * size for name, size in SURE.items()})
    return Swing(**{**fixed, **values})


def side(
    *swings: Swing, recording: str = "r", sensor: str | None = None, mount: str = "wrist"
) -> Side:
    return Side(swings=swings, recording=recording, sensor=sensor, mount=mount)


def row_of(rows: tuple[Row, ...], measure: str) -> Row:
    return next(row for row in rows if row.measure == measure)


def one(measure: str, values: list[float], *, u: float = 1e-9, recording: str = "r") -> Side:
    """A set of which one measure is known."""
    return side(
        *(make(k, **{measure: x, f"{measure}_u": u}) for k, x in enumerate(values, 1)),
        recording=recording,
    )


# -- intervals against scipy and statsmodels -------------------------------------------------------


@pytest.mark.parametrize("dof", [1.0, 2.5, 9.0, 48.0, math.inf])
def test_quantiles_and_levels_are_those_of_scipy(dof: float) -> None:
    dist = stats.norm if math.isinf(dof) else stats.t(dof)
    for p in (0.6, 0.95, 0.975, 0.99643):
        assert t_quantile(p, dof) == pytest.approx(dist.ppf(p), rel=1e-9)
    for t in (0.0, 0.7, -2.1, 5.0):
        assert chance_beyond(t, dof) == pytest.approx(2.0 * dist.sf(abs(t)), rel=1e-6)


def test_holm_is_that_of_statsmodels() -> None:
    rng = np.random.default_rng(1)
    for n in (1, 2, 5, 9):
        levels = list(rng.uniform(0.0, 0.2, n))
        assert holm(levels) == pytest.approx(list(multipletests(levels, method="holm")[1]))
    assert holm([0.01, 0.01]) == [0.02, 0.02]
    assert holm([]) == []


def test_effective_degrees_of_freedom() -> None:
    # JCGM 100:2008, G.4.1: a part of 1 with 4 degrees of freedom and an equal one with infinitely
    # many have (1 + 1)^2 / (1 / 4) = 16.
    assert effective_dof([(1.0, 4.0), (1.0, math.inf)]) == pytest.approx(16.0)
    assert math.isinf(effective_dof([(1.0, math.inf)]))
    assert math.isinf(effective_dof([]))
    # No part may be lost by its size.
    assert effective_dof([(1e-120, 5.0)]) == pytest.approx(5.0)


def test_sets_are_compared_by_welch_as_scipy_has_it() -> None:
    rng = np.random.default_rng(5)
    for n_a, n_b in ((3, 3), (4, 11), (20, 6)):
        a = list(rng.normal(120.0, 3.0, n_a))
        b = list(rng.normal(122.0, 6.0, n_b))
        expected = stats.ttest_ind(b, a, equal_var=False)
        row = row_of(
            compare_sets(one("turn_deg", a), one("turn_deg", b), measures=("turn_deg",)).rows,
            "turn_deg",
        )
        assert row.p == pytest.approx(expected.pvalue, rel=1e-6)
        assert row.dof == pytest.approx(expected.df, rel=1e-6)
        ends = expected.confidence_interval(0.95)
        assert (row.low, row.high) == pytest.approx((ends.low, ends.high), rel=1e-6)
        assert row.spread_a == pytest.approx(np.std(a, ddof=1))


@pytest.mark.parametrize("shift", [0.0, 1.0, 2.5, 6.0])
def test_same_within_a_margin_is_tost_as_statsmodels_has_it(shift: float) -> None:
    rng = np.random.default_rng(8)
    a, b = rng.normal(120.0, 2.0, 8), rng.normal(120.0 + shift, 3.0, 11)
    margin = 4.0
    expected = ttost_ind(b, a, -margin, margin, usevar="unequal")[0]
    rows = compare_sets(
        one("turn_deg", list(a)),
        one("turn_deg", list(b)),
        measures=("turn_deg",),
        margins={"turn_deg": Margin(margin)},
    ).rows
    row = rows[0]
    assert row.difference is not None
    assert row.u is not None
    assert row.dof is not None
    found = p_within(row.difference, row.u, row.dof, margin)
    assert found == pytest.approx(expected, rel=1e-5, abs=1e-12)
    # At 2.5 %: the same as the 95 % interval, which is what is shown, inside the margin.
    assert row.within_margin == (expected <= 0.025)
    assert row.low is not None
    assert row.high is not None
    assert row.within_margin == (row.low >= -margin and row.high <= margin)


def test_same_is_what_the_shown_interval_says() -> None:
    # 1.8 standard uncertainties from the margin: a 90 % interval lies inside it, a 95 % one not.
    margin, u = MARGINS["turn_deg"].size, math.sqrt(2.0)
    b = make(2, turn_deg=120.0 + margin - 1.8 * u)
    row = row_of(compare_swings(side(make()), side(b)).rows, "turn_deg")
    assert row.high is not None
    assert row.high > margin
    assert not row.within_margin
    assert row.outcome == "not_told"


def test_one_sided_tests_of_pairs_are_those_of_statsmodels() -> None:
    rng = np.random.default_rng(2)
    x, y = rng.normal(0.0, 1.0, 12), rng.normal(0.3, 1.0, 12)
    expected = ttost_paired(x, y, -1.2, 1.2)[0]
    d = x - y
    found = p_within(float(d.mean()), float(d.std(ddof=1) / np.sqrt(12)), 11.0, 1.2)
    assert found == pytest.approx(expected, rel=1e-9)


# -- what is shared --


def scaled(value: float, own: float, share: float = 0.01) -> Swing:
    """A swing whose turn has an own error and one of the gyroscope's scale."""
    parts = (Part("noise", own), Part("gyroscope's scale", share * value, "sensor"))
    return make(
        turn_deg=value, turn_deg_u=math.hypot(own, share * value), budget={"turn_deg": parts}
    )


def test_a_common_scale_error_leaves_only_its_share_of_the_difference() -> None:
    a, b = scaled(100.0, 0.3), scaled(120.0, 0.4)

    def u(one: Side, other: Side) -> float:
        row = compare_swings(one, other, measures=("turn_deg",)).rows[0]
        assert row.u is not None
        return row.u

    # By hand: 1 % of the difference of 20 where it is common, of both values where it isn't.
    common, apart = math.hypot(0.3, 0.4, 0.2), math.hypot(0.3, 0.4, 1.0, 1.2)
    assert u(side(a), side(b)) == pytest.approx(common)
    assert u(side(a, sensor="s1"), side(b, recording="q", sensor="s1")) == pytest.approx(common)
    assert u(side(a, sensor="s1"), side(b, recording="q", sensor="s2")) == pytest.approx(apart)
    # Not known to be the same sensor: taken as two.
    assert u(side(a), side(b, recording="q")) == pytest.approx(apart)


def test_a_common_clock_is_that_of_one_recording_only() -> None:
    parts = (Part("noise", 1.0), Part("clock", 2.0, "recording"))
    swing = make(swing_ms_u=math.hypot(1.0, 2.0), budget={"swing_ms": parts})
    for recording, expected in (("r", math.sqrt(2.0)), ("q", math.hypot(1.0, 1.0, 2.0, 2.0))):
        other = side(swing, recording=recording, sensor="s")
        row = compare_swings(side(swing, sensor="s"), other, measures=("swing_ms",)).rows[0]
        assert row.u == pytest.approx(expected)


def test_sets_keep_a_scale_error_that_no_number_of_swings_averages_out() -> None:
    rng = np.random.default_rng(3)
    a = [scaled(x, 0.3) for x in rng.normal(120.0, 0.5, 200)]
    b = [scaled(x, 0.3) for x in rng.normal(120.0, 0.5, 200)]
    apart = compare_sets(side(*a), side(*b, recording="q"), measures=("turn_deg",)).rows[0]
    common = compare_sets(side(*a), side(*b), measures=("turn_deg",)).rows[0]
    assert apart.u == pytest.approx(math.hypot(1.2, 1.2), rel=0.01)
    assert common.u is not None
    assert common.u < 0.1


def test_the_rule_of_own_strikes_does_not_average_out() -> None:
    """Rehearsals timed by the same strikes are all early or late alike."""
    rng = np.random.default_rng(4)

    def many(basis: str) -> list[Swing]:
        parts = (Part("noise", 1.0), Part("rule", 6.0))
        return [
            make(
                k,
                impact_basis=basis,
                swing_ms=float(x),
                swing_ms_u=math.hypot(1.0, 6.0),
                budget={"swing_ms": parts},
            )
            for k, x in enumerate(rng.normal(1100.0, 6.0, 100))
        ]

    strikes = side(*many("shock"))
    own = compare_sets(side(*many("own_strikes")), strikes, measures=("swing_ms",)).rows[0]
    plain = compare_sets(side(*many("shock")), strikes, measures=("swing_ms",)).rows[0]
    assert own.u == pytest.approx(math.hypot(6.0, 0.85), rel=0.05)
    assert plain.u == pytest.approx(0.85, rel=0.15)


def test_three_swings_that_lie_close_by_luck_are_not_better_known_than_measured() -> None:
    a = one("turn_deg", [120.0, 120.0, 120.0], u=2.0)
    b = one("turn_deg", [121.0, 121.0, 121.0], u=2.0, recording="q")
    row = compare_sets(a, b, measures=("turn_deg",)).rows[0]
    assert row.u == pytest.approx(math.sqrt(4.0 / 3.0 + 4.0 / 3.0))
    assert row.outcome != "different"


# -- outcomes --


def test_three_outcomes_are_kept_apart() -> None:
    a = make()
    b = make(2, swing_ms=1150.0, turn_deg=120.3, peak_rate_dps=1015.0, peak_rate_dps_u=30.0)
    rows = compare_swings(side(a), side(b)).rows
    assert row_of(rows, "swing_ms").outcome == "different"
    assert not row_of(rows, "swing_ms").within_margin
    assert row_of(rows, "turn_deg").outcome == "same"
    assert row_of(rows, "peak_rate_dps").outcome == "not_told"
    assert all(row.margin is not None for row in rows)


def test_sure_but_too_small_to_matter_says_both() -> None:
    row = compare_swings(side(make()), side(make(2, swing_ms=1120.0, u=0.2))).rows[0]
    assert row.outcome == "different"
    assert row.within_margin


def test_a_strike_and_a_rehearsal_are_not_judged_by_what_ends_at_impact() -> None:
    rehearsal = make(2, strike=False, impact_basis="least_turn", swing_ms=1300.0)
    result = compare_swings(side(make()), side(rehearsal))
    for row in result.rows:
        assert (row.reason == "rules") == (row.measure in ENDS_AT_IMPACT)
        assert (row.outcome is None) == (row.measure in ENDS_AT_IMPACT)
        if row.outcome is None:
            assert row.low is None
    assert result.rules == ("ball", "turn")
    assert result.judged == len(COMPARED) - len(ENDS_AT_IMPACT)
    own = dataclasses.replace(rehearsal, impact_basis="own_strikes")
    assert compare_swings(side(make()), side(own)).judged == len(COMPARED)


def test_a_set_that_mixes_impact_rules_is_not_judged_by_them() -> None:
    mixed = [make(k, impact_basis=("shock", "least_turn")[k % 2]) for k in range(1, 7)]
    assert impact_rule(mixed) is None
    rows = compare_sets(side(*mixed), side(*mixed, recording="q")).rows
    assert row_of(rows, "swing_ms").reason == "rules"
    assert row_of(rows, "backswing_ms").outcome is not None


def test_fewer_than_three_are_not_judged() -> None:
    two = one("turn_deg", [120.0, 121.0])
    six = one("turn_deg", [130.0, 131.0, 129.0, 130.5, 131.5, 130.0], recording="q")
    result = compare_sets(two, six)
    assert result.judged == 0
    for row in result.rows:
        assert row.reason == "few"
        assert row.outcome is None
        assert (row.n_a, row.n_b) == (2, 6)


def test_a_missing_number_and_a_bound_are_not_compared() -> None:
    bound = make(2, notes=(Note("rate_lower_bound", "clipped"),), peak_rate_dps=5000.0)
    gone = make(3, turn_deg=None, turn_deg_u=None)
    assert row_of(compare_swings(side(make()), side(bound)).rows, "peak_rate_dps").reason == "bound"
    assert row_of(compare_swings(side(make()), side(gone)).rows, "turn_deg").reason == "absent"
    three = [make(k) for k in (4, 5, 6)]
    row = row_of(
        compare_sets(side(bound, *three), side(*three, recording="q")).rows, "peak_rate_dps"
    )
    # The mean of the others would leave out the fastest.
    assert (row.n_a, row.bounds_a, row.n_b, row.bounds_b) == (3, 1, 3, 0)
    assert (row.reason, row.outcome, row.a, row.spread_a, row.difference) == ("bound", *[None] * 4)
    assert row.b == pytest.approx(1000.0)


def test_mounts_are_never_compared() -> None:
    for compare in (compare_swings, compare_sets):
        with pytest.raises(MountsError):
            compare(side(make()), side(make(2), mount="club"))


def test_a_pair_is_one_and_one() -> None:
    with pytest.raises(ValueError, match="one swing on each side"):
        compare_swings(side(make(), make(2)), side(make(3)))


def test_the_tellable_difference_is_told_four_times_in_five() -> None:
    rng = np.random.default_rng(11)
    params = CompareParams()
    told = 0
    for _ in range(1500):
        # Exactly Student's: an own error of the stated size divided by a chi with its freedom.
        dof = 2.0 * params.swing_u_dof
        u = 2.0 * math.sqrt(rng.chisquare(dof) / dof)
        swings = [make(k, turn_deg_u=u / math.sqrt(2.0)) for k in (1, 2)]
        row = compare_swings(side(swings[0]), side(swings[1]), measures=("turn_deg",)).rows[0]
        assert row.tellable is not None
        found = dataclasses.replace(
            swings[1], turn_deg=120.0 + row.tellable + float(rng.normal(0.0, 2.0))
        )
        row = compare_swings(side(swings[0]), side(found), measures=("turn_deg",)).rows[0]
        told += row.outcome == "different"
    assert told / 1500 == pytest.approx(0.80, abs=0.035)


# -- how often it is right --


def draw(rng: np.random.Generator, kind: str, n: int) -> Any:
    """Values of standard deviation about 3 around 120."""
    if kind == "normal":
        return 120.0 + 3.0 * rng.standard_normal(n)
    if kind == "heavy tails":
        return 120.0 + 3.0 / math.sqrt(3.0) * rng.standard_t(3, n)
    if kind == "odd ones":
        return 120.0 + np.where(rng.random(n) < 0.1, 9.0, 2.5) * rng.standard_normal(n)
    return 120.0 + 3.0 * (rng.gamma(4.0, 1.0, n) - 4.0) / 2.0


@pytest.mark.parametrize("kind", ["normal", "heavy tails", "odd ones", "skewed"])
@pytest.mark.parametrize("n", [(3, 3), (5, 8), (10, 10)])
def test_the_interval_of_a_set_holds_the_truth(kind: str, n: tuple[int, int]) -> None:
    rng = np.random.default_rng([sum(map(ord, kind)), *n])
    held = wrong = 0
    times = 500
    for _ in range(times):
        a, b = (one("turn_deg", list(draw(rng, kind, k))) for k in n)
        row = compare_sets(a, b, measures=("turn_deg",)).rows[0]
        assert row.low is not None
        assert row.high is not None
        held += row.low <= 0.0 <= row.high
        wrong += row.outcome == "different"
    # 95 % stated; the chance error of 500 draws is 1 %.
    assert held / times >= 0.925
    assert wrong / times <= 0.075


def test_any_wrong_different_among_all_measures_is_rare() -> None:
    """Of equals, with all seven judged together; seven tests alone would give 20-30 %."""
    rng = np.random.default_rng(77)
    wrong = alone = 0
    times = 1500
    for _ in range(times):
        pair = [
            make(k, **{name: USUAL[name] + SURE[name] * float(rng.normal()) for name in COMPARED})
            for k in (1, 2)
        ]
        result = compare_swings(side(pair[0]), side(pair[1]))
        wrong += any(row.outcome == "different" for row in result.rows)
        alone += any(row.p is not None and row.p <= 0.05 for row in result.rows)
    assert wrong / times <= 0.06
    assert alone / times > 0.15


def test_same_is_wrong_at_most_once_in_forty_at_the_margin() -> None:
    rng = np.random.default_rng(12)
    wrong = 0
    for _ in range(1500):
        b = make(2, turn_deg=120.0 + 5.0 + math.sqrt(2.0) * float(rng.normal()))
        wrong += compare_swings(side(make()), side(b)).row("turn_deg").within_margin  # type: ignore[union-attr]
    assert wrong / 1500 <= 0.036


# -- what must always hold --

values = st.fixed_dictionaries(
    {
        "swing_ms": st.floats(500.0, 2500.0),
        "backswing_ms": st.floats(300.0, 2000.0),
        "downswing_ms": st.floats(100.0, 600.0),
        "turn_deg": st.floats(30.0, 300.0),
        "peak_rate_dps": st.floats(50.0, 4000.0),
        "peak_to_impact_ms": st.floats(-50.0, 150.0),
        "tempo_ratio": st.floats(0.5, 8.0),
    }
)
sizes = st.floats(0.01, 20.0)


@given(values, values, sizes, sizes, st.booleans())
def test_swapping_the_sides_flips_the_signs_and_nothing_else(
    x: dict[str, float], y: dict[str, float], u: float, v: float, apart: bool
) -> None:
    a, b = side(make(1, u=u, **x)), side(make(2, u=v, **y), recording="q" if apart else "r")
    there, back = compare_swings(a, b), compare_swings(b, a)
    for one_row, other in zip(there.rows, back.rows, strict=True):
        assert one_row.outcome == other.outcome
        assert one_row.within_margin == other.within_margin
        assert one_row.difference == -other.difference  # type: ignore[operator]
        assert one_row.low == pytest.approx(-other.high)  # type: ignore[operator]
        assert one_row.p_holm == pytest.approx(other.p_holm)


@given(values, sizes, st.integers(1, 12))
def test_equals_are_never_different(x: dict[str, float], u: float, n: int) -> None:
    swing = make(1, u=u, **x)
    results = [
        compare_swings(side(swing), side(swing)),
        compare_sets(side(*[swing] * n), side(*[swing] * n)),
    ]
    for result in results:
        assert all(row.outcome != "different" for row in result.rows)


@given(values, values, sizes, st.sampled_from(COMPARED))
def test_a_wider_margin_and_fewer_measures_never_say_less(
    x: dict[str, float], y: dict[str, float], u: float, measure: str
) -> None:
    a, b = side(make(1, u=u, **x)), side(make(2, u=u, **y))
    usual = compare_swings(a, b).row(measure)
    wider = {**MARGINS, measure: Margin(2.0 * MARGINS[measure].size, MARGINS[measure].percent)}
    wide = compare_swings(a, b, margins=wider).row(measure)
    alone = compare_swings(a, b, measures=(measure,)).row(measure)
    assert usual is not None
    assert wide is not None
    assert alone is not None
    assert wide.within_margin >= usual.within_margin
    assert (wide.outcome == "different") == (usual.outcome == "different")
    assert (alone.outcome == "different") >= (usual.outcome == "different")
    assert alone.tellable <= usual.tellable  # type: ignore[operator]
    assert usual.low <= usual.difference <= usual.high  # type: ignore[operator]


# -- where the longer one was --


def motion() -> tuple[Any, Any, Any, Swing]:
    """Back 90 deg in 0.9 s, down at a steady 400 deg/s through the start to 30 deg beyond."""
    t = np.arange(0.0, 2.0, 0.01)
    way = np.where(t < 1.4, 100.0 * (t - 0.5), 90.0 - 400.0 * (t - 1.4))
    turn = np.abs(np.where(t < 0.5, 0.0, way))
    rate = np.where(t < 0.5, 0.0, np.where(t < 1.4, 100.0, 400.0))
    swing = make(takeaway_s=0.5, top_s=1.4, impact_s=1.7)
    return t, turn, rate, swing


def test_where_the_longer_swing_was() -> None:
    t, turn, rate, swing = motion()
    # 1000 ms after takeaway: 0.1 s of 0.3 s down, all at one rate but the first hundredth.
    down = way_down(t, turn, rate, swing, after_ms=1000.0, after_u_ms=15.0)
    assert down is not None
    assert not down.going_back
    assert down.share == pytest.approx(1.0 / 3.0, abs=0.01)
    assert down.high - down.low == pytest.approx(0.03 / 0.3, abs=0.01)
    back = way_down(t, turn, rate, swing, after_ms=450.0, after_u_ms=0.0)
    assert back is not None
    assert back.going_back
    assert back.share == pytest.approx(0.5, abs=0.01)
    end = way_down(t, turn, rate, swing, after_ms=1200.0, after_u_ms=5.0)
    assert end is not None
    assert end.share == pytest.approx(1.0)
    assert end.high <= 1.0


def test_where_it_was_is_not_guessed() -> None:
    t, turn, rate, swing = motion()
    ask: dict[str, float] = {"after_ms": 1000.0, "after_u_ms": 5.0}
    assert way_down(t, turn, rate, swing, after_ms=1250.0, after_u_ms=5.0) is None
    assert way_down(t, turn, rate, swing, after_ms=-5.0, after_u_ms=5.0) is None
    assert way_down(t[:0], turn[:0], rate[:0], swing, after_ms=100.0, after_u_ms=5.0) is None
    assert way_down(t, turn, rate, dataclasses.replace(swing, top_s=None), **ask) is None
    holed = np.where((t > 1.45) & (t < 1.48), np.nan, rate)
    assert way_down(t, turn, holed, swing, **ask) is None
    # A hole elsewhere does no harm.
    holed = np.where(t < 0.3, np.nan, rate)
    assert way_down(t, turn, holed, swing, **ask) is not None
