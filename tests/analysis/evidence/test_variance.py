"""The model of variance, against published formulas, examples and libraries."""

from __future__ import annotations

import dataclasses
import math
import warnings

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pandas import DataFrame
from scipy import stats
from statsmodels.regression.linear_model import OLS
from statsmodels.regression.mixed_linear_model import MixedLM
from statsmodels.tools import add_constant
from statsmodels.tsa.arima_process import arma_acovf

from analysis.evidence.cells import Cell, cell_of
from analysis.evidence.intervals import t_quantile
from analysis.evidence.parts import (
    BLOCK,
    DAYS,
    DELAY,
    DRIFT,
    KIND,
    SCALE,
    SWINGS,
    Part,
    budget,
    total,
)
from analysis.evidence.prior import Prior
from analysis.evidence.variance import Variances, inflation, moderated, rho_of, variances_of

Array = np.ndarray
PLAIN = Prior(rho=0.0, rho_swings=1e12, weight=1e-9, block=0.0, kind_weight=1e-9, drift=0.0)
"""Nothing is stated: what is seen decides alone."""


def cell(
    values: Array | list[float], session: str = "s", kind: str = "strike", **more: object
) -> Cell:
    made = cell_of(values, session=session, kind=kind, **more)  # type: ignore[arg-type]
    assert made is not None
    return made


def size(parts: tuple[Part, ...], source: str) -> float:
    return next((part.variance for part in parts if part.source == source), 0.0)


class TestFormulas:
    def test_satterthwaite_as_jcgm_100_works_it_out(self) -> None:
        # JCGM 100:2008, G.4.1, example: relative uncertainties of 0.25, 0.57 and 0.82 % from 10, 5
        # and 15 readings have 19.0 effective degrees of freedom (from memory).
        found = [Part("a", 0.25**2, 9.0), Part("b", 0.57**2, 4.0), Part("c", 0.82**2, 14.0)]
        u, dof = total(found)
        assert u == pytest.approx(1.03, abs=0.005)
        assert dof == pytest.approx(19.0, abs=0.05)

    def test_satterthwaite_is_welchs_for_two_samples(self) -> None:
        rng = np.random.default_rng(1)
        a, b = rng.normal(0, 1, 7), rng.normal(0, 3, 12)
        parts = [Part("a", a.var(ddof=1) / 7, 6.0), Part("b", b.var(ddof=1) / 12, 11.0)]
        assert total(parts)[1] == pytest.approx(stats.ttest_ind(a, b, equal_var=False).df)

    def test_moderated_is_smyths(self) -> None:
        # Smyth (2004), section 3: s~2 = (d0 s0^2 + d s^2) / (d0 + d), with d0 + d.
        assert moderated(4.0, 4.0, 10.0, 2.0) == (6.0, 6.0)
        assert moderated(4.0, 4.0, None, 0.0) == (4.0, 4.0)

    def test_a_moderated_t_is_students_with_the_sum_of_freedoms(self) -> None:
        # Smyth (2004), section 3: where true variances are d0 s0^2 / chi^2(d0), t~ is t(d0 + d).
        rng = np.random.default_rng(2)
        d0, d, s0 = 4.0, 3.0, 2.0
        true = d0 * s0**2 / rng.chisquare(d0, 20_000)
        seen = true * rng.chisquare(d, 20_000) / d
        means = rng.normal(0.0, np.sqrt(true))
        held = np.array([moderated(s0**2, d0, float(v), d)[0] for v in seen])
        beyond = np.abs(means / np.sqrt(held)) > t_quantile(0.975, d0 + d)
        assert np.mean(beyond) == pytest.approx(0.05, abs=0.006)

    @pytest.mark.parametrize("n", [10, 15, 20])
    def test_a_cells_middle_has_yuens_variance(self, n: int) -> None:
        # scipy's trimmed t test (Yuen 1974), at sizes that are cut without rounding.
        rng = np.random.default_rng(n)
        x, y = rng.standard_t(3, n) + 1, rng.standard_t(3, n)
        a, b = cell(x), cell(y)
        theirs = stats.ttest_ind(x, y, equal_var=False, trim=0.2)
        u, dof = total([Part("a", a.variance / n, a.dof), Part("b", b.variance / n, b.dof)])
        assert (a.location - b.location) / u == pytest.approx(theirs.statistic, rel=1e-9)
        assert dof == pytest.approx(theirs.df, rel=1e-9)

    @pytest.mark.parametrize(("rho", "n"), [(0.4, 12), (0.7, 3), (0.05, 200)])
    def test_inflation_is_exact(self, rho: float, n: int) -> None:
        # Variance of the mean of an AR(1) from statsmodels' autocovariances.
        cov = arma_acovf([1.0, -rho], [1.0], n)
        var = (n * cov[0] + 2 * sum((n - k) * cov[k] for k in range(1, n))) / n**2
        assert inflation(rho, n) == pytest.approx(var / (cov[0] / n))
        assert inflation(0.0, n) == 1.0

    def test_neighbours_of_two_sets_hang_together(self) -> None:
        # Twos by turns: w' R w with R from statsmodels' autocovariances of an AR(1).
        rng = np.random.default_rng(3)
        rho = 0.5
        prior = Prior(rho=rho, rho_swings=1e12)
        pattern = np.tile([0, 0, 1, 1], 4)
        a, b = (
            cell(
                rng.normal(size=8),
                kind=("rehearsal", "strike")[k],
                places=np.flatnonzero(pattern == k),
            )
            for k in (0, 1)
        )
        known = variances_of([[a], [b]], "x", prior=prior)
        weights = np.where(pattern == 1, math.sqrt(b.variance) / 8, -math.sqrt(a.variance) / 8)
        cov = arma_acovf([1.0, -rho], [1.0], 16)
        correlation = cov[np.abs(np.subtract.outer(np.arange(16), np.arange(16)))] / cov[0]
        expected = float(weights @ correlation @ weights)
        got = size(budget([(a, -1.0), (b, 1.0)], known, "today"), SWINGS)
        assert got == pytest.approx(max(expected, (a.variance + b.variance) / 8))


class TestNeighbours:
    @pytest.mark.parametrize("rho", [0.5, 0.0])
    def test_many_swings_overrule_what_was_stated(self, rho: float) -> None:
        rng = np.random.default_rng(16)

        def series() -> Array:
            x = rng.normal(size=60)
            for k in range(1, 60):
                x[k] = rho * x[k - 1] + math.sqrt(1 - rho**2) * x[k]
            return x

        lags = [cell(series(), str(k)).lag for k in range(40)]
        assert rho_of(lags, Prior()) == pytest.approx(rho, abs=0.06)
        assert rho_of([None], Prior()) == Prior().rho
        assert rho_of([cell(np.arange(50.0)).lag] * 50, Prior()) == Prior().largest_rho


class TestCells:
    @given(st.lists(st.floats(-1e6, 1e6), min_size=8, max_size=30), st.floats(1e3, 1e9))
    def test_a_gross_outlier_hardly_moves_it(self, x: list[float], far: float) -> None:
        assert cell([*x, far * 1e6]).location <= max(x)

    @given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=30))
    def test_is_always_a_number(self, x: list[float]) -> None:
        made = cell(x)
        assert np.isfinite([made.location, made.variance, made.dof]).all()
        assert made.retained + 2 * ((len(x) - made.retained) // 2) == len(x)

    def test_bounds_count_where_they_may_matter_only(self) -> None:
        x = np.arange(10.0)
        free = cell(x)
        for top in (8.0, 1e6):
            y = np.where(x == 9.0, top, x)
            made = cell_of(y, session="s", kind="strike", bounds=x == 9.0)
            assert made is not None
            # The two greatest are left out whatever they are; the others tell the same.
            assert made.location == pytest.approx(np.mean(np.sort(y)[2:8]))
        assert free.location == 4.5
        assert cell_of(x, session="s", kind="strike", bounds=x >= 7.0) is None
        assert cell_of(x, session="s", kind="strike", bounds=x == 2.0) is None

    def test_refuses_what_isnt_a_number(self) -> None:
        with pytest.raises(ValueError, match="finite"):
            cell([1.0, float("nan")])
        with pytest.raises(ValueError, match="no values"):
            cell([])

    def test_few_swings_are_drawn_to_the_players_others_not_to_themselves(self) -> None:
        rng = np.random.default_rng(5)
        few = cell(rng.normal(0.0, 90.0, 5), "a")
        alone = variances_of([[few]], "x")
        assert alone.of_cell(few) == (few.variance, few.dof)
        others = [cell(rng.normal(0.0, 30.0, 12), f"o{k}") for k in range(5)]
        known = variances_of([[few, *others]], "x")
        variance, dof = known.of_cell(few)
        pooled = sum(c.variance * c.dof for c in others) / sum(c.dof for c in others)
        # By hand: weight 4 beside the cell's own freedom.
        assert variance == pytest.approx((4 * pooled + few.dof * few.variance) / (4 + few.dof))
        assert dof == pytest.approx(4 + few.dof)
        assert known.of_cell(others[0])[0] == others[0].variance

    def test_two_sets_of_few_that_are_drawn_to_each_other_count_once(self) -> None:
        rng = np.random.default_rng(17)
        a, b = (cell(rng.normal(size=3), name) for name in "ab")
        known = variances_of([[a], [b]], "x")
        swings = next(p for p in budget([(a, -1.0), (b, 1.0)], known, "days") if p.source == SWINGS)
        # Twice two degrees of freedom are all there are.
        assert swings.dof == pytest.approx(4.0)


class TestComponents:
    def test_balanced_data_have_the_components_of_a_mixed_model(self) -> None:
        """REML by statsmodels; four swings a session, of which none is trimmed."""
        rng = np.random.default_rng(6)
        values = rng.normal(700.0, 15.0, (40, 1)) + rng.normal(0.0, 30.0, (40, 4))
        cells = [cell(row, str(k)) for k, row in enumerate(values)]
        known = variances_of([cells], "x", prior=PLAIN)
        long = DataFrame({"y": values.ravel(), "session": np.repeat(np.arange(40), 4), "one": 1.0})
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            fit = MixedLM(long["y"], long[["one"]], groups=long["session"]).fit(reml=True)
        assert known.swing == pytest.approx(float(fit.scale), rel=1e-3)
        assert known.session == pytest.approx(float(fit.cov_re.iloc[0, 0]), rel=1e-2)
        # And the standard error of a mean over all sessions.
        parts = budget([(c, 1.0 / 40) for c in cells], known, "days")
        assert total(parts)[0] == pytest.approx(float(fit.bse_fe.iloc[0]), rel=1e-2)

    def test_many_sessions_have_about_the_cluster_robust_error(self) -> None:
        """OLS with errors clustered by session (statsmodels, HC1): no model of the components."""
        rng = np.random.default_rng(11)
        n = 60
        session = np.repeat(np.arange(2 * n), 8)
        later = (session >= n).astype(float)
        y = rng.normal(0.0, 15.0, 2 * n)[session] + rng.normal(0.0, 30.0, 16 * n) - 20.0 * later
        fit = OLS(y, add_constant(later)).fit(cov_type="cluster", cov_kwds={"groups": session})
        cells = [cell(y[session == k], str(k), sessions_place=float(k)) for k in range(2 * n)]
        known = variances_of([cells[:n], cells[n:]], "backswing_ms")
        contrast = [(c, -1.0 / n) for c in cells[:n]] + [(c, 1.0 / n) for c in cells[n:]]
        plain = dataclasses.replace(known, sessions_alike=0.0)
        u, dof = total(budget(contrast, plain, "days"))
        # Trimmed means of normal swings are less sure by some per cent, neighbours that may be
        # alike by some more; never surer than what no model assumes.
        assert 0.95 * fit.bse[1] <= u <= 1.25 * fit.bse[1]
        assert dof > 60.0
        # And sessions that may be alike only widen it.
        assert total(budget(contrast, known, "days"))[0] >= u

    def test_effects_that_differ_have_the_component_of_a_mixed_model(self) -> None:
        """A random slope by session, REML by statsmodels."""
        rng = np.random.default_rng(7)
        pattern = np.tile([0, 1], 4)
        cells: list[list[Cell]] = [[], []]
        lines = []
        for k in range(60):
            effect = rng.normal(-20.0, 25.0)
            x = rng.normal(700.0, 15.0) + effect * pattern + rng.normal(0.0, 30.0, 8)
            for kind in (0, 1):
                cells[kind].append(
                    cell(
                        x[pattern == kind],
                        str(k),
                        ("rehearsal", "strike")[kind],
                        places=np.flatnonzero(pattern == kind),
                    )
                )
            lines += [(v, k, kind - 0.5) for v, kind in zip(x, pattern, strict=True)]
        known = variances_of(cells, "x", prior=PLAIN)
        long = DataFrame(lines, columns=["y", "session", "kind"])
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            fit = MixedLM.from_formula(
                "y ~ kind", long, groups="session", vc_formula={"kind": "0 + kind"}, re_formula="1"
            ).fit(reml=True)
        assert known.kind == pytest.approx(float(fit.vcomp[0]), rel=0.05)
        contrast = [(c, s / 60) for s, part in zip((-1, 1), cells, strict=True) for c in part]
        u = total(budget(contrast, known, "days"))[0]
        assert u == pytest.approx(float(fit.bse_fe["kind"]), rel=0.03)

    def test_a_spread_that_is_not_seen_yet_is_the_stated_one(self) -> None:
        known = variances_of([[cell(np.arange(10.0))]], "backswing_ms")
        assert (known.session, known.session_dof) == (225.0, 4.0)
        assert known.day_spread == 15.0
        assert variances_of([[cell(np.arange(10.0))]], "turn_deg", mount="club").day_spread == 6.0

    def test_many_sessions_overrule_what_was_stated(self) -> None:
        rng = np.random.default_rng(8)
        cells = [cell(rng.normal(rng.normal(700.0, 40.0), 20.0, 12), str(k)) for k in range(60)]
        known = variances_of([cells], "backswing_ms")
        assert math.sqrt(known.session) == pytest.approx(40.0, rel=0.2)
        assert known.session_dof > 55.0

    def test_a_steady_change_is_no_spread_where_the_player_may_be_changing(self) -> None:
        rng = np.random.default_rng(9)
        cells = [cell(rng.normal(700.0 + 40.0 * k, 20.0, 12), str(k)) for k in range(10)]
        assert variances_of([cells], "backswing_ms").session > 100.0**2
        assert variances_of([cells], "backswing_ms", moving=True).session < 45.0**2

    def test_groups_dont_add_their_difference(self) -> None:
        rng = np.random.default_rng(10)
        a = [cell(rng.normal(0.0, 1.0, 10), f"a{k}") for k in range(6)]
        b = [cell(rng.normal(50.0, 1.0, 10), f"b{k}") for k in range(6)]
        prior = Prior(weight=1e-9)
        assert variances_of([a, b], "x", prior=prior).session < 1.0
        assert variances_of([[*a, *b]], "x", prior=prior).session > 400.0


class TestBudget:
    def known(self, cells: list[Cell]) -> Variances:
        return variances_of([[c] for c in cells], "backswing_ms")

    def test_scopes(self) -> None:
        rng = np.random.default_rng(11)
        pattern = np.tile([0, 1], 10)
        x = rng.normal(700.0, 30.0, 20)
        a, b = (
            cell(
                x[pattern == k],
                kind=("rehearsal", "strike")[k],
                places=np.flatnonzero(pattern == k),
            )
            for k in (0, 1)
        )
        known = self.known([a, b])
        contrast = [(a, -1.0), (b, 1.0)]
        today, days = budget(contrast, known, "today"), budget(contrast, known, "days")
        # Day and strapping on cancel within a session; that the ball changes something else on
        # another day does not.
        assert size(days, DAYS) == size(today, KIND) == 0.0
        assert size(days, KIND) == pytest.approx(known.kind)
        assert size(today, SWINGS) == size(days, SWINGS) > 0.0

    def test_drift_is_the_difference_of_mean_place(self) -> None:
        rng = np.random.default_rng(12)
        first, last = cell(rng.normal(size=11)), cell(rng.normal(size=11), places=np.arange(11, 22))
        known = self.known([first, last])
        parts = budget([(first, -1.0), (last, 1.0)], known, "today")
        # Eleven swings of 21 steps apart.
        assert size(parts, DRIFT) == pytest.approx(known.drift * (11 / 21) ** 2)

    def test_a_drift_that_is_seen_is_not_taken_for_less(self) -> None:
        rng = np.random.default_rng(15)
        still = [cell(rng.normal(size=20), str(k)) for k in range(8)]
        moved = [cell(rng.normal(size=20) + np.linspace(0, 8, 20), str(k)) for k in range(8)]
        calm, drifting = (variances_of([cells], "x") for cells in (still, moved))
        # Less than stated where none is seen in eight sessions, and far more where it is.
        assert calm.drift < 1.6**2 * calm.swing
        assert drifting.drift > 5.0 * calm.drift
        assert calm.drift_dof == drifting.drift_dof == 12.0

    def test_blocks_are_few_observations(self) -> None:
        rng = np.random.default_rng(13)
        whole = cell(rng.normal(size=20))
        fives = cell(rng.normal(size=20), runs=np.repeat([0, 1, 2, 3], 5))
        known = self.known([whole])
        assert size(budget([(whole, 1.0)], known, "today"), BLOCK) == pytest.approx(known.block)
        assert size(budget([(fives, 1.0)], known, "today"), BLOCK) == pytest.approx(known.block / 4)

    def test_scale_by_axis_and_by_sensor(self) -> None:
        def turned(session: str, growth: list[float], key: str | None) -> Cell:
            return cell(
                np.full(6, 120.0) + np.arange(6),
                session,
                scale=np.array(growth),
                scale_u=np.full(3, 0.01),
                scale_key=key,
            )

        a = turned("a", [110.0, 20.0, 0.0], "s")
        for other, expected in (
            (turned("b", [110.0, 20.0, 0.0], "s"), 0.0),
            # Put on another way round: 1 % of 110 deg in each of two axes.
            (turned("b", [0.0, 20.0, 110.0], "s"), math.hypot(1.1, 1.1)),
            (turned("b", [110.0, 20.0, 0.0], "t"), 0.01 * math.sqrt(2 * (110**2 + 20**2))),
        ):
            parts = budget([(a, -1.0), (other, 1.0)], self.known([a, other]), "days")
            assert math.sqrt(size(parts, SCALE)) == pytest.approx(expected)
        # Sensors that don't say who they are aren't one.
        nameless = [turned(name, [120.0, 0.0, 0.0], None) for name in "ab"]
        parts = budget([(nameless[0], -1.0), (nameless[1], 1.0)], self.known(nameless), "days")
        assert math.sqrt(size(parts, SCALE)) == pytest.approx(1.2 * math.sqrt(2.0))

    def test_an_unknown_delay_cancels_within_a_sensor(self) -> None:
        a, b, c = (
            cell(np.arange(9.0), name, delay=3.0, delay_key=key)
            for name, key in (("a", "s"), ("b", "s"), ("c", "t"))
        )
        known = self.known([a, b, c])
        assert size(budget([(a, -1.0), (b, 1.0)], known, "days"), DELAY) == 0.0
        assert size(budget([(a, -1.0), (c, 1.0)], known, "days"), DELAY) == pytest.approx(18.0)

    @pytest.mark.parametrize("sessions", [1, 2, 3])
    def test_effects_that_differ_by_a_whole_scatter_are_held(self, sessions: int) -> None:
        """Ten swings of a kind by turns, effects as far apart as swings: nine in ten hold."""
        rng = np.random.default_rng(17)
        n, runs, held = 20, 250, 0
        chol = np.linalg.cholesky(0.35 ** np.abs(np.subtract.outer(np.arange(n), np.arange(n))))
        pattern = np.arange(n) % 2
        for _ in range(runs):
            cells: list[list[Cell]] = [[], []]
            for k in range(sessions):
                x = chol @ rng.standard_t(5.0, n) / math.sqrt(5.0 / 3.0)
                x = x + rng.standard_normal() * pattern
                for kind in (0, 1):
                    there = pattern == kind
                    name = ("rehearsal", "strike")[kind]
                    cells[kind].append(cell(x[there], str(k), name, places=np.flatnonzero(there)))
            known = variances_of(cells, "backswing_ms")
            contrast = [
                (c, s / sessions) for s, side in ((-1, cells[0]), (1, cells[1])) for c in side
            ]
            u, dof = total(budget(contrast, known, "days"))
            off = sum(c.location * w for c, w in contrast)
            held += abs(off) <= t_quantile(0.975, dof) * u
        assert held / runs >= 0.9

    def test_sessions_that_are_alike_are_never_taken_for_a_gain(self) -> None:
        rng = np.random.default_rng(14)
        cells = [cell(rng.normal(size=10), str(k), sessions_place=float(k)) for k in range(6)]
        known = variances_of([cells], "backswing_ms")
        by_turns = budget([(c, (-1) ** k / 3) for k, c in enumerate(cells)], known, "days")
        halves = budget([(c, (-1 if k < 3 else 1) / 3) for k, c in enumerate(cells)], known, "days")
        assert size(by_turns, DAYS) == pytest.approx(known.session * 2 / 3)
        assert size(halves, DAYS) > 1.2 * size(by_turns, DAYS)

    @given(
        st.lists(
            st.tuples(st.lists(st.floats(-1e4, 1e4), min_size=1, max_size=9), st.floats(-2, 2)),
            min_size=1,
            max_size=6,
        ),
        st.sampled_from(["today", "days"]),
    )
    def test_parts_are_numbers(self, drawn: list[tuple[list[float], float]], scope: str) -> None:
        cells = [cell(x, str(k)) for k, (x, _) in enumerate(drawn)]
        known = variances_of([cells], "backswing_ms")
        parts = budget([(c, w) for c, (_, w) in zip(cells, drawn, strict=True)], known, scope)  # type: ignore[arg-type]
        assert all(part.variance > 0.0 and part.dof > 0.0 for part in parts)
        assert np.isfinite([part.variance for part in parts]).all()
