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

from analysis.evidence.compare import (
    COMPARED,
    ENDS_AT_IMPACT,
    CompareParams,
    MountsError,
    Row,
    Side,
    compare_sets,
    compare_swings,
    impact_rule,
)
from analysis.evidence.intervals import chance_beyond, effective_dof, holm, t_quantile
from analysis.evidence.margins import MARGINS, Margin
from analysis.evidence.outcome import Outcome
from analysis.evidence.parts import DAYS, DRIFT, RULE, SCALE, SWINGS
from analysis.swing.results import Note, Swing
from analysis.swing.uncertainty import Part

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
        if item.name not in ("notes", "budget", "scale_growth")
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


def test_sets_are_set_against_each_other_by_their_trimmed_means() -> None:
    rng = np.random.default_rng(5)
    for n_a, n_b in ((3, 4), (10, 15), (20, 10)):
        a = list(rng.normal(120.0, 3.0, n_a))
        b = list(rng.normal(122.0, 6.0, n_b))
        row = compare_sets(one("turn_deg", a), one("turn_deg", b), measures=("turn_deg",)).rows[0]
        assert row.a == pytest.approx(stats.trim_mean(a, 0.2))
        assert row.b == pytest.approx(stats.trim_mean(b, 0.2))
        assert row.spread_a == pytest.approx(np.std(a, ddof=1))
        # Yuen's standard error, by scipy's trimmed t test (10, 15 and 20 are cut without rounding),
        # is the least that swings alone give; neighbours that are alike make more of it.
        theirs = stats.ttest_ind(b, a, equal_var=False, trim=0.2 if n_a >= 10 else 0.0)
        plain = abs((row.b - row.a) / theirs.statistic)  # type: ignore[operator]
        swings = next(part for part in row.parts if part.source == SWINGS)
        if n_a >= 10:
            assert swings.u >= plain * (1.0 - 1e-9)
            assert swings.u < 1.7 * plain


def test_same_is_what_the_shown_interval_says() -> None:
    # 1.8 standard uncertainties from the margin: a 90 % interval lies inside it, a 95 % one not.
    margin, u = MARGINS["turn_deg"].size, math.sqrt(2.0)
    b = make(2, turn_deg=120.0 + margin - 1.8 * u)
    row = compare_swings(side(make()), side(b), measures=("turn_deg",)).rows[0]
    assert row.high is not None
    assert row.high > margin
    assert row.outcome is Outcome.INCONCLUSIVE
    assert row.level == pytest.approx(0.95)


def test_word_and_interval_never_contradict() -> None:
    rng = np.random.default_rng(31)
    for _ in range(300):
        pair = [
            make(k, **{n: USUAL[n] + 3.0 * SURE[n] * float(rng.normal()) for n in COMPARED})
            for k in (1, 2)
        ]
        for row in compare_swings(side(pair[0]), side(pair[1])).rows:
            assert row.low is not None
            assert row.high is not None
            assert row.margin is not None
            inside = row.low >= -row.margin and row.high <= row.margin
            leaves_out_zero = row.low > 0.0 or row.high < 0.0
            assert (row.outcome is Outcome.SAME) == inside
            assert (row.outcome is Outcome.DIFFERENT) == (leaves_out_zero and not inside)
            assert row.sign_told == leaves_out_zero


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


def part(row: Row, source: str) -> float:
    """Standard uncertainty of a part; 0 where there is none."""
    return next((found.u for found in row.parts if found.source == source), 0.0)


def test_sets_keep_a_scale_error_that_no_number_of_swings_averages_out() -> None:
    rng = np.random.default_rng(3)
    a = [scaled(x, 0.3) for x in rng.normal(120.0, 0.5, 200)]
    b = [scaled(x, 0.3) for x in rng.normal(120.0, 0.5, 200)]
    apart = compare_sets(side(*a), side(*b, recording="q"), measures=("turn_deg",)).rows[0]
    common = compare_sets(side(*a), side(*b), measures=("turn_deg",)).rows[0]
    assert part(apart, SCALE) == pytest.approx(math.hypot(1.2, 1.2), rel=0.01)
    assert part(common, SCALE) < 0.01


def by_axis(value: float, growth: tuple[float, float, float], share: float = 0.01) -> Swing:
    """A swing whose turn grows so with the scale of each axis."""
    parts = (
        Part("noise", 0.3),
        Part("gyroscope's scale", share * math.sqrt(sum(g * g for g in growth)), "sensor"),
    )
    return make(
        turn_deg=value,
        turn_deg_u=math.hypot(*(one.u for one in parts)),
        budget={"turn_deg": parts},
        scale_growth={"turn_deg": growth},
    )


def test_a_sensor_put_on_another_way_round_shares_less_of_its_scale() -> None:
    """Its axes take other parts in the swing; a lead arm's x was its z."""
    one_way, other_way = by_axis(120.0, (110.0, 20.0, 5.0)), by_axis(120.0, (5.0, 20.0, 110.0))

    def scale_u(a: Swing, b: Swing) -> float:
        there = side(b, recording="q", sensor="s")
        row = compare_swings(side(a, sensor="s"), there, measures=("turn_deg",)).rows[0]
        return part(row, SCALE)

    # By hand: 1 % of 105 deg in each of two axes.
    assert scale_u(one_way, other_way) == pytest.approx(0.01 * math.hypot(105.0, 105.0))
    assert scale_u(one_way, one_way) == pytest.approx(0.0, abs=1e-12)


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
    assert part(own, RULE) == pytest.approx(6.0, rel=1e-6)
    assert part(plain, RULE) == 0.0
    assert own.u == pytest.approx(6.0, rel=0.05)
    assert plain.u == pytest.approx(0.85, rel=0.5)


def test_three_swings_that_lie_close_by_luck_are_not_better_known_than_measured() -> None:
    a = one("turn_deg", [120.0, 120.0, 120.0], u=2.0)
    b = one("turn_deg", [121.0, 121.0, 121.0], u=2.0, recording="q")
    row = compare_sets(a, b, measures=("turn_deg",)).rows[0]
    assert part(row, SWINGS) >= math.sqrt(4.0 / 3.0 + 4.0 / 3.0) * (1.0 - 1e-9)
    assert row.outcome is not Outcome.DIFFERENT


# -- outcomes --


def test_three_outcomes_are_kept_apart() -> None:
    a = make()
    b = make(2, swing_ms=1150.0, turn_deg=120.3, peak_rate_dps=1015.0, peak_rate_dps_u=30.0)
    rows = compare_swings(side(a), side(b)).rows
    assert row_of(rows, "swing_ms").outcome == "different"
    assert row_of(rows, "turn_deg").outcome == "same"
    assert row_of(rows, "peak_rate_dps").outcome == "not_told"
    assert all(row.margin is not None for row in rows)


def test_sure_but_too_small_to_matter_is_the_same_for_what_matters() -> None:
    row = compare_swings(side(make(u=0.2)), side(make(2, swing_ms=1120.0, u=0.2))).rows[0]
    assert row.outcome is Outcome.SAME
    assert row.sign_told


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


def test_bounds_that_trimming_leaves_out_anyway_are_no_hindrance() -> None:
    """The trimmed mean is the same whatever the fastest fifth truly was."""
    rng = np.random.default_rng(9)
    rates = np.sort(rng.normal(1000.0, 30.0, 10))
    note = (Note("rate_lower_bound", "clipped"),)

    def fast(top: float) -> Side:
        swings = [make(k, peak_rate_dps=float(x)) for k, x in enumerate(rates[:8], 1)]
        swings += [make(k, peak_rate_dps=top, notes=note) for k in (9, 10)]
        return side(*swings)

    other = side(*(make(k, peak_rate_dps=float(x)) for k, x in enumerate(rates, 1)), recording="q")
    rows = [
        compare_sets(fast(top), other, measures=("peak_rate_dps",)).rows[0]
        for top in (float(rates[8]), 5000.0)
    ]
    assert rows[0].reason is None
    assert rows[0].a == rows[1].a == pytest.approx(stats.trim_mean(rates, 0.2))
    assert rows[0].u == pytest.approx(rows[1].u)
    assert (rows[0].n_a, rows[0].bounds_a) == (8, 2)
    # One of them lower down is no longer left out by trimming.
    low = compare_sets(fast(float(rates[3])), other, measures=("peak_rate_dps",)).rows[0]
    assert low.reason == "bound"


def test_mounts_are_never_compared() -> None:
    for compare in (compare_swings, compare_sets):
        with pytest.raises(MountsError):
            compare(side(make()), side(make(2), mount="club"))


def test_a_pair_is_one_and_one() -> None:
    with pytest.raises(ValueError, match="one swing on each side"):
        compare_swings(side(make(), make(2)), side(make(3)))


def test_the_detectable_difference_is_told_four_times_in_five() -> None:
    rng = np.random.default_rng(11)
    params = CompareParams()
    margins = {"turn_deg": Margin(0.5)}
    told = 0
    for _ in range(1500):
        # Exactly Student's: an own error of the stated size divided by a chi with its freedom.
        dof = 2.0 * params.swing_u_dof
        u = 2.0 * math.sqrt(rng.chisquare(dof) / dof)
        swings = [make(k, turn_deg_u=u / math.sqrt(2.0)) for k in (1, 2)]
        sides = [side(one) for one in swings]
        row = compare_swings(*sides, measures=("turn_deg",), margins=margins).rows[0]
        assert row.detectable is not None
        found = dataclasses.replace(
            swings[1], turn_deg=120.0 + row.detectable + float(rng.normal(0.0, 2.0))
        )
        row = compare_swings(sides[0], side(found), measures=("turn_deg",), margins=margins).rows[0]
        told += row.outcome is Outcome.DIFFERENT
    assert told / 1500 == pytest.approx(0.80, abs=0.035)


# -- today, and from day to day --


def test_two_recordings_are_two_days_and_more_swings_dont_change_that() -> None:
    rng = np.random.default_rng(6)
    widths = []
    for n in (10, 40, 160):
        a = one("backswing_ms", list(rng.normal(820.0, 30.0, n)))
        b = one("backswing_ms", list(rng.normal(820.0, 30.0, n)), recording="q")
        result = compare_sets(a, b, measures=("backswing_ms",))
        row = result.rows[0]
        assert result.scope == "days"
        assert result.spread_days == {"backswing_ms": 15.0}
        # Two days of 15 ms each, whatever the swings say.
        assert part(row, DAYS) == pytest.approx(15.0 * math.sqrt(2.0), rel=1e-6)
        widths.append(row.high - row.low)  # type: ignore[operator]
    assert widths[2] > 0.75 * widths[1]


def test_nothing_different_between_two_recordings_is_seldom_called_so() -> None:
    """Days of the stated spread: without them, two in three of 40 + 40 were called different."""
    rng = np.random.default_rng(7)
    wrong = 0
    for _ in range(300):
        sides = [
            one("backswing_ms", list(rng.normal(rng.normal(820.0, 10.0), 30.0, 40)), recording=name)
            for name in "ab"
        ]
        row = compare_sets(*sides, measures=("backswing_ms",)).rows[0]
        wrong += row.outcome is Outcome.DIFFERENT
    assert wrong / 300 <= 0.05


def test_all_of_one_kind_first_is_less_sure_than_taking_turns() -> None:
    rng = np.random.default_rng(8)
    x = rng.normal(820.0, 30.0, 20)

    def kinds(first: list[int]) -> Row:
        swings = [
            make(
                k + 1,
                backswing_ms=float(x[k]),
                backswing_ms_u=1.0,
                strike=k not in first,
                impact_basis="shock" if k not in first else "least_turn",
            )
            for k in range(20)
        ]
        parts = [[s for s in swings if s.strike is strike] for strike in (False, True)]
        result = compare_sets(*(side(*one) for one in parts), measures=("backswing_ms",))
        assert result.scope == "today"
        return result.rows[0]

    turns, first = kinds(list(range(0, 20, 2))), kinds(list(range(10)))
    assert part(turns, DRIFT) < 0.15 * part(first, DRIFT)
    assert first.u > 1.6 * turns.u  # type: ignore[operator]
    # What is told today is less than what would hold on another day.
    assert turns.days is not None
    assert turns.days.u > turns.u  # type: ignore[operator]


def test_two_players_of_one_recording_put_the_sensor_on_anew() -> None:
    a = [make(k, player="Ida", backswing_ms=820.0 + k) for k in range(1, 9)]
    b = [make(k, player="Runa", backswing_ms=820.0 + k) for k in range(11, 19)]
    result = compare_sets(side(*a), side(*b), measures=("backswing_ms",))
    assert result.scope == "days"
    assert part(result.rows[0], DAYS) > 0.0


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
    times = 600
    for _ in range(times):
        pair = [
            make(k, **{name: USUAL[name] + SURE[name] * float(rng.normal()) for name in COMPARED})
            for k in (1, 2)
        ]
        result = compare_swings(side(pair[0]), side(pair[1]))
        wrong += any(row.outcome == "different" for row in result.rows)
        alone += any(row.p is not None and row.p <= 0.05 for row in result.rows)
    # 5 %, and two standard errors of 600 draws.
    assert wrong / times <= 0.068
    assert alone / times > 0.15


def test_same_is_wrong_at_most_once_in_forty_at_the_margin() -> None:
    rng = np.random.default_rng(12)
    wrong = 0
    for _ in range(1500):
        b = make(2, turn_deg=120.0 + 5.0 + math.sqrt(2.0) * float(rng.normal()))
        row = compare_swings(side(make()), side(b), measures=("turn_deg",)).rows[0]
        wrong += row.outcome is Outcome.SAME
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
        assert one_row.sign_told == other.sign_told
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
    assert (wide.outcome == "same") >= (usual.outcome == "same")
    assert wide.sign_told == usual.sign_told
    assert alone.sign_told >= usual.sign_told
    assert alone.high - alone.low <= usual.high - usual.low + 1e-9  # type: ignore[operator]
    assert usual.low <= usual.difference <= usual.high  # type: ignore[operator]
