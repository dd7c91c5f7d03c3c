"""Rehearsals against strikes, trends, and the robust regression they stand on."""

from __future__ import annotations

from collections.abc import Sequence
from importlib.resources import files

import numpy as np
import pytest
import statsmodels.api as sm
from evidence_rows import rows_of
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from analysis.evidence.contrast import BallEffect, ball_effects
from analysis.evidence.outcome import Outcome
from analysis.evidence.robust import (
    FitParams,
    RobustFit,
    Slope,
    latest_sessions,
    robust_fit,
    theil_sen,
)
from analysis.evidence.spread import MixedError, SwingRow
from analysis.evidence.told import NotYet
from benchmarks.evidence import PATTERNS, balls


def ball_effect(rows: Sequence[SwingRow], measure: str) -> BallEffect | NotYet:
    return ball_effects(rows, (measure,))[measure]


KIND = np.array(["rehearsal", "strike"])


class TestLeastSquares:
    """The robust fit with its robust part switched off."""

    @staticmethod
    def fitted(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        fit = robust_fit(x, y, params=FitParams(robust=False))
        assert isinstance(fit, RobustFit)
        return np.asarray(fit.coefficients)

    def test_nist_norris(self) -> None:
        # NIST StRD, linear regression, Norris: certified values; the file ships inside scipy.
        text = (files("scipy.stats") / "tests/data/nist_linregress/Norris.dat").read_text()
        y, x = np.array([line.split() for line in text.splitlines()[60:96]], dtype=float).T
        assert len(x) == 36
        beta = self.fitted(np.column_stack([np.ones_like(x), x]), y)
        np.testing.assert_allclose(beta, [-0.262323073774029, 1.00211681802045], rtol=1e-9)


class TestRobustFit:
    def test_is_hubers_m_estimate(self) -> None:
        # statsmodels' RLM with Huber's function at the same corner, scale about zero.
        rng = np.random.default_rng(1)
        n = 400
        x = np.column_stack([np.ones(n), rng.normal(size=n)])
        y = x @ [2.0, 3.0] + rng.standard_t(3, n)
        theirs = sm.RLM(y, x, M=sm.robust.norms.HuberT(t=1.5)).fit()
        fit = robust_fit(x, y, params=FitParams(prior_rho=0.0, prior_swings=1e9))
        assert isinstance(fit, RobustFit)
        np.testing.assert_allclose(fit.coefficients, theirs.params, atol=3e-3)
        np.testing.assert_allclose(fit.se, theirs.bse, rtol=0.05)

    def test_one_gross_value_hardly_matters(self) -> None:
        rng = np.random.default_rng(2)
        x = np.column_stack([np.ones(20), np.arange(20.0)])
        y = x @ [1.0, 2.0] + rng.normal(size=20)
        before = robust_fit(x, y)
        y[9] = 1e6
        after = robust_fit(x, y)
        assert isinstance(before, RobustFit)
        assert isinstance(after, RobustFit)
        assert after.coefficients[1] == pytest.approx(before.coefficients[1], abs=before.se[1])

    def test_says_why_not(self) -> None:
        x = np.column_stack([np.ones(10), np.arange(10.0)])
        assert robust_fit(x[:4], np.arange(4.0)) == NotYet.count(4, 6)
        both = robust_fit(np.column_stack([x, 2 * x[:, 1]]), np.arange(10.0) ** 2)
        assert isinstance(both, NotYet)
        assert "told apart" in both.reason
        assert isinstance(robust_fit(x, 3 * x[:, 1]), NotYet)

    @given(st.integers(0, 10_000), st.floats(1e-3, 1e3), st.floats(1e-3, 1e3))
    def test_follows_units(self, seed: int, a: float, b: float) -> None:
        rng = np.random.default_rng(seed)
        x, y = rng.normal(size=15), rng.normal(size=15)
        one = robust_fit(np.column_stack([np.ones(15), x]), y)
        other = robust_fit(np.column_stack([np.ones(15), a * x]), b * y)
        assert isinstance(one, RobustFit)
        assert isinstance(other, RobustFit)
        assert other.coefficients[1] == pytest.approx(
            one.coefficients[1] * b / a, abs=1e-3 * float(other.se[1])
        )
        assert other.se[1] == pytest.approx(one.se[1] * b / a, rel=1e-3)


class TestTheilSen:
    @pytest.mark.parametrize("digits", [None, 0])
    def test_scipy(self, digits: int | None) -> None:
        rng = np.random.default_rng(3)
        x = rng.normal(size=17) * 3
        y = 2 * x + rng.standard_t(2, 17)
        if digits is not None:
            x, y = x.round(digits), y.round(digits)
        theirs = stats.theilslopes(y, x, alpha=0.95)
        got = theil_sen(x, y)
        assert isinstance(got, Slope)
        assert (got.slope.middle, got.slope.low, got.slope.high) == pytest.approx(
            (theirs.slope, theirs.low_slope, theirs.high_slope)
        )
        assert got.intercept == pytest.approx(theirs.intercept)

    def test_within_sessions_only(self) -> None:
        # Falling within each session, rising from one to the next.
        x = np.r_[0.0:4.0, 10.0:14.0]
        y = np.r_[10.0 - x[:4], 30.0 - x[4:]]
        got = theil_sen(x, y, [0] * 4 + [1] * 4)
        assert isinstance(got, Slope)
        assert got.slope.middle == -1.0

    def test_says_why_not(self) -> None:
        assert theil_sen([1.0], [1.0]) == NotYet.count(1, 5)
        assert isinstance(theil_sen(np.ones(6), np.arange(6.0)), NotYet)


class TestBall:
    @staticmethod
    def session(pattern: np.ndarray, truth: float, seed: int = 0, name: str = "s") -> list:
        rng = np.random.default_rng(seed)
        x = 140 + truth * pattern + rng.normal(size=len(pattern))
        return rows_of(name, {"turn_deg": x, "swing_ms": x}, kind=KIND[pattern].tolist())

    def test_normal_data_in_pairs_give_about_the_t_interval(self) -> None:
        pattern = np.tile([0, 1, 1, 0], 10)
        rows = self.session(pattern, -8.0)
        got = ball_effect(rows, "turn_deg")
        assert isinstance(got, BallEffect)
        x = np.array([row.values["turn_deg"] for row in rows])
        theirs = stats.ttest_ind(x[pattern == 1], x[pattern == 0]).confidence_interval()
        assert got.difference.low == pytest.approx(theirs.low, abs=0.35)
        assert got.difference.high == pytest.approx(theirs.high, abs=0.35)
        assert got.outcome is Outcome.DIFFERENT
        assert got.alternated
        assert len(got.rehearsals) == len(got.strikes) == 20
        assert got.strike_middle - got.rehearsal_middle == pytest.approx(-8.0, abs=1.0)

    def test_a_drift_isnt_the_ball(self) -> None:
        pattern = np.repeat([0, 1], 10)
        rows = self.session(pattern, 0.0)
        drifting = [
            r
            for k, r in enumerate(rows)
            for r in rows_of(
                "d", {"turn_deg": [r.values["turn_deg"] - 0.1 * k]}, kind=r.kind, start=k
            )
        ]
        got = ball_effect(drifting, "turn_deg")
        assert isinstance(got, BallEffect)
        assert 0.0 in got.difference
        assert not got.alternated
        assert got.difference.middle < -0.5
        assert isinstance(got.carry_over, NotYet)
        taken_in_turns = ball_effect(self.session(np.tile([0, 1], 10), 0.0), "turn_deg")
        assert isinstance(taken_in_turns, BallEffect)
        wide = got.difference.high - got.difference.low
        assert taken_in_turns.difference.high - taken_in_turns.difference.low < 0.75 * wide

    def test_order_effects_are_seen(self) -> None:
        pattern = np.tile(np.repeat([0, 1], 5), 8)
        rng = np.random.default_rng(4)
        place = np.linspace(-0.5, 0.5, 80)
        first = np.r_[0.0, np.diff(pattern)]
        # The difference grows from 2 to 10 through the session; 3 stay over at each change.
        x = 140 + (6.0 + 8.0 * place) * pattern - 3.0 * first + 0.3 * rng.normal(size=80)
        got = ball_effect(rows_of("s", {"turn_deg": x}, kind=KIND[pattern].tolist()), "turn_deg")
        assert isinstance(got, BallEffect)
        assert not isinstance(got.late_minus_early, NotYet)
        assert not isinstance(got.carry_over, NotYet)
        assert got.late_minus_early.middle == pytest.approx(8.0, abs=1.0)
        assert got.carry_over.middle == pytest.approx(3.0, abs=0.6)

    def test_sessions_are_joined_within(self) -> None:
        pattern = np.tile([0, 1], 10)
        rows = []
        for k in range(4):
            for row in self.session(pattern, 5.0, seed=k, name=f"s{k}"):
                row.values["turn_deg"] += 30.0 * k  # type: ignore[index]
                rows.append(row)
        got = ball_effect(rows, "turn_deg")
        assert isinstance(got, BallEffect)
        assert got.sessions == 4
        assert 5.0 in got.difference
        assert got.difference.high - got.difference.low < 2.5

    def test_says_why_not(self) -> None:
        only = rows_of("s", {"turn_deg": np.arange(20.0)}, kind="rehearsal")
        got = ball_effect(only, "turn_deg")
        assert str(got) == "0 of 5 shots in one session so far"
        impact = ball_effect(self.session(np.tile([0, 1], 10), 1.0), "swing_ms")
        assert isinstance(impact, NotYet)
        assert "different rules" in impact.reason
        assert isinstance(ball_effect([], "turn_deg"), NotYet)
        same = rows_of("s", {"turn_deg": np.full(20, 7.0)}, kind=["rehearsal", "strike"] * 10)
        assert isinstance(ball_effect(same, "turn_deg"), NotYet)
        with pytest.raises(MixedError):
            ball_effect([*only, *rows_of("t", {"turn_deg": [1.0]}, mount="club")], "turn_deg")

    def test_a_gross_outlier_doesnt_make_an_effect(self) -> None:
        rows = self.session(np.tile([0, 1], 10), 0.0)
        rows[3].values["turn_deg"] = 5000.0  # type: ignore[index]
        got = ball_effect(rows, "turn_deg")
        assert isinstance(got, BallEffect)
        assert abs(got.difference.middle) < 1.5

    @given(st.lists(st.tuples(st.floats(-1e4, 1e4), st.booleans()), min_size=1, max_size=40))
    def test_never_a_wild_number(self, drawn: list[tuple[float, bool]]) -> None:
        kinds = ["strike" if s else "rehearsal" for _, s in drawn]
        got = ball_effect(rows_of("s", {"turn_deg": [x for x, _ in drawn]}, kinds), "turn_deg")
        if isinstance(got, BallEffect):
            d = got.difference
            assert np.isfinite([d.low, d.high, got.needed, got.detectable]).all()
            assert d.low <= d.middle <= d.high
        else:
            assert got.reason

    def test_intervals_hold_the_truth(self) -> None:
        got = balls(np.random.default_rng(12), 150)
        assert set(got) > set(PATTERNS)
        # 95 %, less three standard errors of 150 runs.
        assert min(got[name]["held"] for name in PATTERNS) > 0.90


def test_only_the_latest_sessions_are_used() -> None:
    rows = [row for k in range(40) for row in rows_of(f"s{k}", {"x": [1.0]})]
    kept = latest_sessions(rows)
    assert len(kept) == 30
    assert "s39" in kept
    assert "s9" not in kept
