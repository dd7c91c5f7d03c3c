"""Felt against measured."""

from __future__ import annotations

import numpy as np
import pytest
from evidence_rows import rows_of
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.proportion import proportion_confint

from analysis.felt import FeltReport, felt_against_measured, wilson
from analysis.reading import make_reference
from analysis.spread import MixedError, NotYet


class TestWilson:
    @given(st.integers(1, 500), st.integers(0, 500), st.sampled_from([0.8, 0.95, 0.99]))
    def test_statsmodels(self, n: int, k: int, level: float) -> None:
        k = min(k, n)
        got = wilson(k, n, level)
        low, high = proportion_confint(k, n, alpha=1 - level, method="wilson")
        assert (got.low, got.high) == pytest.approx((low, high), abs=1e-9)
        assert 0.0 <= got.low <= got.middle <= got.high <= 1.0

    def test_refuses(self) -> None:
        with pytest.raises(ValueError, match="between 0 and n"):
            wilson(3, 2)
        with pytest.raises(ValueError, match="at least 1"):
            wilson(0, 0)


def swings(felt: list[str | None], time: list[float], turn: list[float], **more: object) -> list:
    return rows_of(
        "s",
        {"backswing_ms": time, "turn_deg": turn, "peak_rate_dps": [900.0] * len(time)},
        kind="strike",
        felt_time=felt,
        **more,
    )


class TestFelt:
    def test_by_hand(self) -> None:
        # Six felt rushed: five of them under the reference's 700 ms, two under its 140 deg.
        felt: list[str | None] = ["rushed"] * 6 + ["in-time"] * 5 + [None]
        time = [650.0, 660, 670, 690, 699, 720] + [710.0] * 4 + [690.0] + [500.0]
        turn = [130.0, 135, 141, 142, 150, 141] + [141.0] * 6
        base = rows_of("r", {"backswing_ms": [700.0] * 8, "turn_deg": [140.0] * 8}, "rehearsal")
        reference = make_reference(base)
        got = felt_against_measured(swings(felt, time, turn), "rushed", reference)
        assert isinstance(got, FeltReport)
        assert (got.n, got.asked, got.against) == (6, 11, "reference")
        by = {c.aspect: c for c in got.counts}
        assert (by["time"].count, by["time"].n) == (5, 6)
        assert by["time"].share == wilson(5, 6)
        assert by["time"].disagree_ids == ("s#6",)
        assert by["time"].others == wilson(1, 5)
        assert by["turn"].count == 2
        # The reference has no rate.
        assert "speed" not in by
        assert got.sentence() == (
            "Of 6 swings that felt rushed, 5 of 6 were shorter in time and 2 of 6 were shorter in "
            "turn than the reference."
        )

    def test_against_the_sessions_own_median(self) -> None:
        felt: list[str | None] = ["rushed"] * 5 + ["in-time"] * 6
        time = [600.0] * 5 + [700.0] * 6
        got = felt_against_measured(swings(felt, time, [140.0] * 11), "rushed")
        assert isinstance(got, FeltReport)
        assert got.against == "median"
        by = {c.aspect: c for c in got.counts}
        assert by["time"].count == 5
        assert by["time"].others is not None
        assert by["time"].others.middle == 0.0
        # All alike: none is below the median.
        assert by["turn"].count == 0
        assert "session's median" in got.sentence()

    def test_says_why_not(self) -> None:
        few = swings(["rushed"] * 3, [1.0, 2, 3], [1.0, 2, 3])
        assert str(felt_against_measured(few, "rushed")) == (
            "3 of 5 swings that felt rushed so far"
        )
        assert isinstance(felt_against_measured([], "rushed"), NotYet)
        assert isinstance(felt_against_measured(few, "short"), NotYet)
        nothing = rows_of("s", {"carry_m": np.arange(6.0)}, felt_strike="not")
        assert "nothing measured" in str(felt_against_measured(nothing, "not well struck"))
        with pytest.raises(MixedError, match="mounts"):
            felt_against_measured(
                [*few, *rows_of("t", {"turn_deg": [1.0]}, mount="club")], "rushed"
            )

    def test_one_class_only(self) -> None:
        got = felt_against_measured(
            swings(["rushed"] * 6, [1.0, 2, 3, 4, 5, 6], [9.0] * 6), "rushed"
        )
        assert isinstance(got, FeltReport)
        assert all(c.others is None for c in got.counts)

    @given(
        st.lists(
            st.tuples(st.sampled_from(["rushed", "in-time", "slow", None]), st.floats(-1e6, 1e6)),
            max_size=30,
        )
    )
    def test_counts_add_up(self, drawn: list[tuple[str | None, float]]) -> None:
        if not drawn:
            return
        rows = swings([f for f, _ in drawn], [x for _, x in drawn], [x for _, x in drawn])
        got = felt_against_measured(rows, "rushed")
        said = sum(f == "rushed" for f, _ in drawn)
        if isinstance(got, NotYet):
            assert said < 5
        else:
            for c in got.counts:
                assert c.count + len(c.disagree_ids) == c.n == said
                assert c.count == len(c.swing_ids)
