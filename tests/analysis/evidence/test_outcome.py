"""The one rule for differences, against statsmodels and by simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.weightstats import ttost_ind

from analysis.evidence.outcome import (
    POWER,
    Outcome,
    Retention,
    decide,
    decide_together,
    outcome_of,
    retention,
)
from analysis.evidence.parts import Part


def parts(u: float, dof: float = math.inf) -> tuple[Part, ...]:
    return (Part("swing to swing", u * u, dof),)


def test_three_outcomes() -> None:
    margin = 5.0
    assert outcome_of(1.0, 8.0, margin) is Outcome.DIFFERENT
    assert outcome_of(-4.0, 4.0, margin) is Outcome.SAME
    assert outcome_of(1.0, 3.0, margin) is Outcome.SAME
    assert outcome_of(-2.0, 9.0, margin) is Outcome.INCONCLUSIVE


@pytest.mark.parametrize("shift", [0.0, 1.0, 2.5, 6.0])
def test_the_same_is_two_one_sided_tests_as_statsmodels_has_them(shift: float) -> None:
    rng = np.random.default_rng(8)
    margin = 4.0
    for n in (6, 20, 60):
        a, b = rng.normal(120.0, 2.0, n), rng.normal(120.0 + shift, 2.0, n)
        pooled = math.sqrt((a.var(ddof=1) + b.var(ddof=1)) / n)
        found = decide(float(b.mean() - a.mean()), parts(pooled, 2.0 * n - 2.0), margin)
        theirs = ttost_ind(b, a, -margin, margin)[0]
        # At 2.5 % each: the 95 % interval inside the margin.
        assert (found.outcome is Outcome.SAME) == (theirs <= 0.025)
        assert found.p == pytest.approx(stats.ttest_ind(a, b).pvalue, rel=1e-6)


def test_together_it_is_holm_as_statsmodels_has_it() -> None:
    rng = np.random.default_rng(3)
    for _ in range(30):
        n = int(rng.integers(1, 8))
        asked = [
            (float(rng.normal(0.0, 2.5)), parts(1.0, float(rng.uniform(3.0, 40.0))), 0.1)
            for _ in range(n)
        ]
        found = decide_together(asked)
        alone = [decide(*one).p for one in asked]
        theirs = multipletests(alone, alpha=0.05, method="holm")[0]
        assert [one.sign_told for one in found] == list(theirs)
        for one in found:
            # The interval shown is the one that decided.
            assert one.high - one.difference == pytest.approx(one.half(one.level))
            assert one.level >= 0.95 - 1e-12


@given(st.floats(0.01, 100), st.floats(1, 200), st.floats(0, 300), st.sampled_from([-1.0, 1.0]))
def test_needed_is_what_is_needed(u: float, dof: float, margin: float, sign: float) -> None:
    needed = decide(0.0, parts(u, dof), margin).needed
    for factor, different in ((1.001, True), (0.999, False)):
        got = decide(sign * needed * factor, parts(u, dof), margin)
        assert (got.outcome is Outcome.DIFFERENT) is different
    assert decide(0.0, parts(u, dof), margin).detectable > needed


@pytest.mark.parametrize(("dof", "margin"), [(6.0, 0.5), (30.0, 0.5), (30.0, 6.0)])
def test_what_is_detectable_is_told_in_four_cases_of_five(dof: float, margin: float) -> None:
    rng = np.random.default_rng(4)
    told = 0
    for _ in range(3000):
        u = math.sqrt(rng.chisquare(dof) / dof)
        size = decide(0.0, parts(1.0, dof), margin).detectable
        got = decide(size + float(rng.normal()), parts(u, dof), margin)
        told += got.outcome is Outcome.DIFFERENT
    assert told / 3000 == pytest.approx(POWER, abs=0.03)


def test_kept_needs_a_loss_to_be_ruled_out_and_not_kept_one_that_matters() -> None:
    margin = 30.0
    for low, high, word in (
        (-29.0, 40.0, Retention.RETAINED),
        (-60.0, -31.0, Retention.NOT_RETAINED),
        # Surely less, but maybe by no more than what counts as the same.
        (-60.0, -5.0, Retention.INCONCLUSIVE),
        (-60.0, 20.0, Retention.INCONCLUSIVE),
    ):
        u = (high - low) / 2.0 / 1.959963984540054
        assert retention(decide((low + high) / 2.0, parts(u), margin)) is word


def test_no_variance_decides_nothing() -> None:
    with pytest.raises(ValueError, match="without any variance"):
        decide(1.0, (), 1.0)
