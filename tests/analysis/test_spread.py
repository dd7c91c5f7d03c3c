"""Spreads and detectable changes, against published tables, libraries and worked cases."""

from __future__ import annotations

import dataclasses
import warnings

import numpy as np
import pingouin
import pytest
from evidence_rows import data_of, rows_of
from hypothesis import given
from hypothesis import strategies as st
from pandas import DataFrame
from scipy import stats
from statsmodels.tsa.arima_process import arma_acovf

from analysis.outcome import Outcome
from analysis.results import Note, Swing
from analysis.spread import (
    EvidenceParams,
    Interval,
    Matters,
    MixedError,
    NotYet,
    PlayerSpread,
    SessionChange,
    SwingRow,
    add_known,
    autocorrelation,
    change_between,
    family_level,
    inflation,
    judge,
    middle_of,
    moving_spread,
    one_setting,
    player_spread,
    reliability,
    row_of,
    sessions_of,
    telling,
    unit_of,
)
from analysis.uncertainty import Part

# Shrout & Fleiss (1979), table 2: six targets by four judges (from memory; their ICCs are printed
# there as .17, .29 and .71).
SHROUT_FLEISS = np.array(
    [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]], float
)
FINITE = st.floats(-1e6, 1e6)


class TestReliability:
    def test_shrout_and_fleiss(self) -> None:
        got = reliability(SHROUT_FLEISS)
        assert got.icc_1 == pytest.approx(0.1657, abs=5e-5)
        assert got.icc_2 == pytest.approx(0.2898, abs=5e-5)
        assert got.icc_3 == pytest.approx(0.7148, abs=5e-5)
        # Weir (2005): MDC = 1.96 sqrt(2) SEM, with SEM the root of the residual mean square.
        assert got.mdc95 == pytest.approx(2.7987, abs=1e-4)
        assert got.mdc95 == pytest.approx(1.96 * np.sqrt(2) * got.sem, rel=1e-4)

    @pytest.mark.parametrize("seed", range(3))
    def test_pingouin(self, seed: int) -> None:
        rng = np.random.default_rng(seed)
        x = rng.normal(size=(7, 1)) * 3 + rng.normal(size=(7, 3)) + [0.0, 1.0, -0.5]
        long = DataFrame(x).melt(ignore_index=False).reset_index()
        with warnings.catch_warnings():
            # The library still calls pandas in a way that newer pandas speaks against.
            warnings.simplefilter("ignore")
            table = pingouin.intraclass_corr(
                long, targets="index", raters="variable", ratings="value"
            )
        theirs = table["ICC"].to_numpy()[:3]
        got = reliability(x)
        np.testing.assert_allclose([got.icc_1, got.icc_2, got.icc_3], theirs, atol=1e-6)

    def test_refuses_what_tells_nothing(self) -> None:
        with pytest.raises(ValueError, match="same"):
            reliability(np.ones((3, 3)))
        with pytest.raises(ValueError, match="two subjects"):
            reliability([[1.0, 2.0]])
        with pytest.raises(ValueError, match="full"):
            reliability([[1.0, np.nan], [2.0, 3.0]])


class TestMiddle:
    @pytest.mark.parametrize("n", [10, 15, 20])
    def test_is_yuens_t(self, n: int) -> None:
        # scipy's trimmed t test (Yuen 1974), at sizes at which rounding doesn't matter.
        rng = np.random.default_rng(n)
        x, y = rng.standard_t(3, n) + 1, rng.standard_t(3, n)
        theirs = stats.ttest_ind(x, y, equal_var=False, trim=0.2)
        a, b = middle_of(x), middle_of(y)
        se = np.sqrt(a.unit_var / a.kept + b.unit_var / b.kept)
        assert (a.middle - b.middle) / se == pytest.approx(theirs.statistic, rel=1e-9)
        assert a.middle == pytest.approx(stats.trim_mean(x, 0.2))

    def test_interval_like_scipys_bootstrap(self) -> None:
        x = np.random.default_rng(4).normal(10.0, 2.0, 40)
        m = middle_of(x)
        half = stats.t.ppf(0.975, m.df) * np.sqrt(m.unit_var / m.kept)
        theirs = stats.bootstrap(
            (x,),
            lambda v, axis: stats.trim_mean(v, 0.2, axis=axis),
            rng=np.random.default_rng(0),
            n_resamples=4000,
        ).confidence_interval
        assert m.middle - half == pytest.approx(theirs.low, abs=0.25 * half)
        assert m.middle + half == pytest.approx(theirs.high, abs=0.25 * half)

    def test_interval_like_the_exact_one_on_normal_data(self) -> None:
        rng = np.random.default_rng(8)
        held = exact = 0
        ratio = []
        for _ in range(600):
            x = rng.normal(size=10)
            m = middle_of(x)
            half = stats.t.ppf(0.975, m.df) * np.sqrt(m.unit_var / m.kept)
            whole = stats.t.ppf(0.975, 9) * x.std(ddof=1) / np.sqrt(10)
            held += abs(m.middle) <= half
            exact += abs(x.mean()) <= whole
            ratio.append(half / whole)
        assert exact / 600 == pytest.approx(0.95, abs=0.03)
        assert held / 600 == pytest.approx(0.95, abs=0.03)
        # What trimming costs on normal data.
        assert 1.0 < np.mean(ratio) < 1.35

    @given(st.lists(FINITE, min_size=8, max_size=30), st.floats(1e3, 1e9))
    def test_a_gross_outlier_hardly_moves_it(self, x: list[float], far: float) -> None:
        before, after = middle_of(x), middle_of([*x, far * 1e6])
        assert min(x) <= before.middle <= max(x)
        assert after.middle <= max(x)

    @given(st.lists(FINITE, min_size=1, max_size=30))
    def test_is_always_a_number(self, x: list[float]) -> None:
        m = middle_of(x)
        assert np.isfinite([m.middle, m.unit_var]).all()
        assert m.kept + 2 * ((len(x) - m.kept) // 2) == len(x)

    def test_refuses_what_isnt_a_number(self) -> None:
        with pytest.raises(ValueError, match="finite"):
            middle_of([1.0, np.nan])
        with pytest.raises(ValueError, match="no values"):
            middle_of([])


class TestAutocorrelation:
    def test_inflation_is_exact(self) -> None:
        # Variance of the mean of an AR(1) from statsmodels' autocovariances.
        n, rho = 12, 0.4
        cov = arma_acovf([1.0, -rho], [1.0], n)
        var = (n * cov[0] + 2 * sum((n - k) * cov[k] for k in range(1, n))) / n**2
        assert inflation(rho, n) == pytest.approx(var / (cov[0] / n))
        assert inflation(0.0, 5) == 1.0

    def test_is_found_and_never_negative(self) -> None:
        rng = np.random.default_rng(3)

        def series(rho: float) -> np.ndarray:
            x = rng.normal(size=220)
            for k in range(1, 220):
                x[k] = rho * x[k - 1] + np.sqrt(1 - rho**2) * x[k]
            return x[20:]

        assert autocorrelation([series(0.5) for _ in range(10)]) == pytest.approx(0.5, abs=0.08)
        assert autocorrelation([series(-0.5) for _ in range(10)]) == 0.0
        assert autocorrelation([np.ones(10)]) == 0.0
        assert autocorrelation([np.arange(50.0)]) == EvidenceParams().largest_rho


class TestPlayerSpread:
    def test_parts_are_found(self) -> None:
        rng = np.random.default_rng(5)
        data = data_of(*(rng.normal(rng.normal(950.0, 15.0), 30.0, 20) for _ in range(200)))
        got = player_spread([data])
        assert isinstance(got, PlayerSpread)
        assert got.between == pytest.approx(15.0, rel=0.15)
        assert got.within == pytest.approx(30.0, rel=0.08)
        # ICC(1,1) of the same numbers, by pingouin's way of reckoning (Shrout & Fleiss).
        theirs = reliability(np.array([s.values for s in data])).icc_1
        assert got.icc == pytest.approx(theirs, abs=0.06)
        assert got.sem(20) == pytest.approx(np.sqrt(15**2 + 30**2 / 20), rel=0.15)
        assert got.n_effective(20) == pytest.approx(20, rel=0.15)

    def test_groups_dont_add_their_difference(self) -> None:
        rng = np.random.default_rng(6)
        a = data_of(*(rng.normal(0.0, 1.0, 10) for _ in range(6)))
        b = data_of(*(rng.normal(50.0, 1.0, 10) for _ in range(6)), sensor="b")
        apart, together = player_spread([a, b]), player_spread([[*a, *b]])
        assert isinstance(apart, PlayerSpread)
        assert isinstance(together, PlayerSpread)
        assert apart.between is not None
        assert together.between is not None
        assert apart.between < 1.0
        assert together.between > 20.0

    def test_a_steady_change_doesnt_pass_for_spread(self) -> None:
        rng = np.random.default_rng(7)
        data = data_of(*(rng.normal(10.0 * k, 1.0, 10) for k in range(8)))
        usual, moving = player_spread([data]), moving_spread(data)
        assert isinstance(usual, PlayerSpread)
        assert isinstance(moving, PlayerSpread)
        assert usual.between is not None
        assert moving.between is not None
        assert usual.between > 20.0
        assert moving.between < 9.0

    def test_too_few(self) -> None:
        assert player_spread([[]]) == NotYet.count(0, 5, "swings in a session")
        assert str(player_spread([data_of([1.0, 2.0, 3.0])])) == "3 of 5 swings in a session so far"
        two = player_spread([data_of([1.0, 2, 3, 4, 5], [2.0, 3, 4, 5, 6])])
        assert isinstance(two, PlayerSpread)
        assert two.between is None
        assert two.icc is None
        assert two.sem(10) is None
        assert isinstance(player_spread([data_of([7.0] * 8, [7.0] * 8)]), NotYet)


class TestChange:
    def test_by_hand(self) -> None:
        # Middles 10 and 14; 9, 11, 10 before, whose variance is 1 on two degrees of freedom. With
        # 10 swings everywhere: 4.3027 sqrt(2), t from tables.
        base = np.array([-2.0, -1.5, -1, -0.5, -0.2, 0.2, 0.5, 1, 1.5, 2])
        a, b, *history = data_of(*(base + m for m in (10.0, 14.0, 9.0, 11.0, 10.0)))
        got = change_between([a], [b], history, measure="x")
        assert isinstance(got, SessionChange)
        assert got.change.middle == pytest.approx(4.0)
        assert got.change.high - got.change.middle == pytest.approx(4.3027 * np.sqrt(2), rel=1e-4)
        assert got.outcome is Outcome.UNCLEAR

    def test_is_an_anova_contrast_for_blocks(self) -> None:
        # Equal numbers and no trimming: a pooled t test on the sessions' means.
        rng = np.random.default_rng(9)
        plain = EvidenceParams(trim=0.0)
        data = data_of(*(rng.normal(rng.normal(50, 3), 4, 12) for _ in range(8)))
        got = change_between(data[:4], data[4:], measure="x", params=plain)
        means = [float(s.values.mean()) for s in data]
        theirs = stats.ttest_ind(means[4:], means[:4]).confidence_interval(0.95)
        assert isinstance(got, SessionChange)
        assert (got.change.low, got.change.high) == pytest.approx((theirs.low, theirs.high))

    def test_comparisons_are_counted(self) -> None:
        rng = np.random.default_rng(10)
        a, b, *history = data_of(*(rng.normal(0, 1, 10) for _ in range(8)))
        one = change_between([a], [b], history, measure="x")
        four = change_between([a], [b], history, measure="x", comparisons=4)
        assert isinstance(one, SessionChange)
        assert isinstance(four, SessionChange)
        assert four.needed > 1.2 * one.needed
        # Sidak: four independent ones all hold at 95 %.
        assert family_level(0.95, 4) ** 4 == pytest.approx(0.95)

    def test_scale_counts_across_sensors_only(self) -> None:
        rng = np.random.default_rng(11)
        a, b, *history = data_of(*(rng.normal(140, 0.5, 10) for _ in range(9)))
        (other,) = data_of(b.values, sensor="other")
        same = change_between([a], [b], history, measure="turn_deg")
        across = change_between([a], [other], history, measure="turn_deg")
        time = change_between([a], [other], history, measure="swing_ms")
        assert isinstance(same, SessionChange)
        assert isinstance(across, SessionChange)
        assert isinstance(time, SessionChange)
        assert across.needed > 1.5 * same.change.high - same.change.middle
        half = across.change.high - across.change.middle
        assert half > 1.96 * np.sqrt(2) * 0.01 * 139
        assert time.change.high - time.change.low == pytest.approx(
            same.change.high - same.change.low
        )

    def test_three_outcomes(self) -> None:
        margin = 5.0
        assert judge(Interval(1.0, 4.0, 8.0), margin) is Outcome.DIFFERENT
        assert judge(Interval(-4.0, 0.0, 4.0), margin) is Outcome.SAME
        assert judge(Interval(1.0, 2.0, 3.0), margin) is Outcome.SAME
        assert judge(Interval(-2.0, 3.0, 9.0), margin) is Outcome.UNCLEAR

    @given(st.floats(0.01, 100), st.floats(1, 200), st.floats(0, 300), st.sampled_from([-1.0, 1.0]))
    def test_needed_is_what_is_needed(self, se: float, df: float, margin: float, s: float) -> None:
        told = telling(se, df, 0.95, margin, 0.85)
        for factor, outcome in ((1.001, True), (0.999, False)):
            d = s * told.needed * factor
            got = judge(Interval(d - told.half, d, d + told.half), margin)
            assert (got is Outcome.DIFFERENT) is outcome
        assert told.detectable > told.needed

    def test_says_what_is_missing(self) -> None:
        a, b, c = data_of([1.0, 2, 3, 4, 5], [2.0, 3, 4, 5, 7], [1.0, 2, 3])
        assert change_between([a], [b], measure="x") == NotYet.count(2, 4, "sessions")
        assert str(change_between([a], [c], measure="x")) == "3 of 5 swings in a session so far"
        with pytest.raises(ValueError, match="one side only"):
            change_between([a], [a], [b], measure="x")
        same = data_of(*([3.0, 4, 5, 6, 7] for _ in range(6)))
        assert isinstance(change_between(same[:1], same[1:2], same[2:], measure="x"), NotYet)

    @given(st.lists(st.lists(FINITE, min_size=5, max_size=8), min_size=5, max_size=7))
    def test_never_a_wild_number(self, values: list[list[float]]) -> None:
        a, b, *history = data_of(*values)
        got = change_between([a], [b], history, measure="x")
        if isinstance(got, SessionChange):
            assert np.isfinite([got.change.low, got.change.high, got.detectable]).all()
            assert got.change.low <= got.change.middle <= got.change.high
        else:
            assert got.reason

    def test_known_variance_is_added_by_jcgm_100(self) -> None:
        # JCGM 100, G.4.1: nu = u^4 / sum(u_i^4 / nu_i), the known part at infinite nu.
        se, df = add_known(3.0, 4.0, 16.0)
        assert (se, df) == pytest.approx((5.0, 5.0**4 / (3.0**4 / 4)))


class TestSettings:
    @pytest.mark.parametrize(
        ("what", "other"),
        [("player", "Runa"), ("club", "7 iron"), ("mount", "club"), ("intent", "part")],
    )
    def test_mixed_is_refused(self, what: str, other: str) -> None:
        a, b = rows_of("a", {"turn_deg": [1.0]}), rows_of("b", {"turn_deg": [1.0]}, **{what: other})
        with pytest.raises(MixedError, match=other) as caught:
            one_setting([*a, *b])
        assert caught.value.what == what + "s"
        with pytest.raises(MixedError):
            sessions_of([*a, *b], "turn_deg")

    def test_full_is_what_isnt_part(self) -> None:
        rows = [*rows_of("a", {"x": [1.0]}), *rows_of("b", {"x": [1.0]}, intent="full")]
        assert one_setting(rows).intent == "full"

    def test_two_sensors_in_a_session_are_refused(self) -> None:
        rows = [*rows_of("a", {"x": [1.0]}), *rows_of("a", {"x": [2.0]}, sensor="b", start=1)]
        with pytest.raises(MixedError, match="sensors"):
            sessions_of(rows, "x")

    def test_sessions_in_order_without_absent_values(self) -> None:
        rows = [
            *rows_of("b", {"x": [3.0], "y": [1.0]}, start=2),
            *rows_of("a", {"y": [1.0]}),
            *rows_of("b", {"x": [1.0, 2.0]}),
        ]
        (only,) = sessions_of(rows, "x")
        assert only.values.tolist() == [1.0, 2.0, 3.0]
        assert only.swing_ids == ("b#1", "b#2", "b#3")

    def test_a_row_holds_numbers_only(self) -> None:
        with pytest.raises(ValueError, match="leave it out"):
            SwingRow(swing_id="a#1", session_id="a", order=0, values={"turn_deg": float("nan")})

    def test_of_a_measured_swing(self) -> None:
        empty = {
            item.name: None
            for item in dataclasses.fields(Swing)
            if item.default is dataclasses.MISSING and item.default_factory is dataclasses.MISSING
        }
        swing = Swing(
            **{
                **empty,
                "index": 3,
                "strike": True,
                "gap_ms": 0.0,
                "clipped": (),
                "club": "driver",
                "turn_deg": 140.0,
                "turn_deg_u": 1.5,
                "backswing_ms": 700.0,
                "backswing_ms_u": 4.0,
                "peak_rate_dps": 1990.0,
                "peak_rate_dps_u": 30.0,
                "notes": (Note("rate_lower_bound", "clipped"),),
                "budget": {
                    "turn_deg": (
                        Part("noise", 0.3),
                        Part("sampling", 0.4),
                        Part("gyroscope's scale", 1.4, "sensor"),
                    )
                },
            }
        )
        row = row_of(
            swing,
            swing_id="s#3",
            session_id="s",
            order=2,
            mount="wrist",
            sensor="a",
            player="Ida",
            results={"carry_m": 180.0},
            felt_time="rushed",
        )
        assert row.values == {"turn_deg": 140.0, "backswing_ms": 700.0, "carry_m": 180.0}
        # 0.3 and 0.4 in quadrature; what all swings of the sensor share is left out.
        assert row.u == pytest.approx({"turn_deg": 0.5, "backswing_ms": 4.0})
        assert (row.kind, row.player, row.club, row.felt_time) == (
            "strike",
            "Ida",
            "driver",
            "rushed",
        )

    def test_units_and_margins(self) -> None:
        assert [unit_of(m) for m in ("swing_ms", "club_speed_m_s", "carry_m", "tempo_ratio")] == [
            "ms",
            "m/s",
            "m",
            "",
        ]
        assert Matters().margin("swing_ms", 900.0) == 30.0
        assert Matters().margin("peak_rate_dps", 1000.0) == pytest.approx(30.0)
        assert Matters().margin("carry_m", -200.0) == pytest.approx(10.0)
