"""Felt against measured."""

from __future__ import annotations

import numpy as np
import pytest
from evidence_rows import rows_of
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.proportion import proportion_confint

from analysis.evidence.felt import FeltReport, felt_against_measured, wilson
from analysis.evidence.reading import make_reference
from analysis.evidence.spread import MixedError
from analysis.evidence.told import NotYet


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
        # Bounds of a reference that doesn't scatter are 5 % off: 665 and 735 ms, 133 and 147 deg.
        # Six felt rushed: two of them under 665 ms and one under 133 deg; two over 147 deg. That
        # others are a little under the middle counts for nothing.
        felt: list[str | None] = ["rushed"] * 6 + ["in-time"] * 5 + [None]
        time = [650.0, 660, 670, 690, 699, 720] + [710.0] * 4 + [690.0] + [500.0]
        turn = [130.0, 135, 141, 148, 150, 141] + [141.0] * 6
        base = rows_of("r", {"backswing_ms": [700.0] * 8, "turn_deg": [140.0] * 8}, "rehearsal")
        reference = make_reference(base)
        got = felt_against_measured(swings(felt, time, turn), "rushed", reference)
        assert isinstance(got, FeltReport)
        assert (got.n, got.asked, got.against) == (6, 11, "reference")
        by = {c.aspect: c for c in got.counts}
        assert (by["time"].count, by["time"].n, by["time"].opposite) == (2, 6, 0)
        assert by["time"].bound == pytest.approx(665.0)
        assert by["time"].share == wilson(2, 6)
        assert by["time"].swing_ids == ("s#1", "s#2")
        assert by["time"].disagree_ids == ("s#3", "s#4", "s#5", "s#6")
        assert by["time"].others == wilson(0, 5)
        assert (by["time"].others_count, by["time"].others_n) == (0, 5)
        assert (by["turn"].count, by["turn"].opposite) == (1, 2)
        # The reference has no rate.
        assert "speed" not in by
        assert got.statement.text == (
            "Of 6 swings that felt rushed, 2 were shorter in time, 1 smaller in turn and 2 past "
            "full: outside the own range. Within the session that has both: shorter in "
            "time 2 of 6, and 0 of the 5 that didn't feel so; past full 2 of 6, and 0 of the 5 "
            "that didn't feel so."
        )

    def test_an_equal_swing_is_neither_shorter_nor_longer(self) -> None:
        # Of equal swings, where "shorter" begins at the middle, half would be shorter.
        rng = np.random.default_rng(3)
        base = rows_of("r", {"backswing_ms": 700 + 20 * rng.normal(size=30)}, "rehearsal")
        same = rows_of(
            "s", {"backswing_ms": 700 + 20 * rng.normal(size=60)}, "rehearsal", felt_time="rushed"
        )
        got = felt_against_measured([*base, *same], "rushed", make_reference(base))
        assert isinstance(got, FeltReport)
        (time,) = got.counts
        assert time.count / time.n < 0.15

    def test_what_felt_slow_is_asked_whether_it_was_longer(self) -> None:
        base = rows_of("r", {"backswing_ms": [700.0] * 8, "turn_deg": [140.0] * 8}, "rehearsal")
        felt: list[str | None] = ["slow"] * 6 + ["in-time"] * 5
        time = [760.0, 770, 780, 690, 705, 640] + [700.0] * 5
        got = felt_against_measured(swings(felt, time, [141.0] * 11), "slow", make_reference(base))
        assert isinstance(got, FeltReport)
        by = {c.aspect: c for c in got.counts}
        assert (by["time"].side, by["time"].count, by["time"].opposite) == ("above", 3, 1)
        assert "longer in time 3 of 6, and 0 of the 5 that didn't feel so" in got.statement.text

    def test_what_feels_rushed_and_measures_longer_is_said(self) -> None:
        base = rows_of("r", {"backswing_ms": [700.0] * 8, "turn_deg": [140.0] * 8}, "rehearsal")
        got = felt_against_measured(
            swings(["rushed"] * 6, [780.0] * 6, [141.0] * 6), "rushed", make_reference(base)
        )
        assert isinstance(got, FeltReport)
        assert "0 were shorter in time and 6 longer in time" in got.statement.text
        assert "nothing of the same day to set this beside" in got.statement.text

    def test_the_others_are_of_the_same_sessions(self) -> None:
        # Before the drills all felt rushed and were short; after them nothing was: a difference
        # between days, which says nothing of what is felt within one.
        base = rows_of("r", {"backswing_ms": [700.0] * 8}, "rehearsal")
        before = rows_of("a", {"backswing_ms": [600.0] * 10}, felt_time="rushed")
        after = rows_of("b", {"backswing_ms": [700.0] * 10}, felt_time="in-time")
        got = felt_against_measured([*before, *after], "rushed", make_reference(base))
        assert isinstance(got, FeltReport)
        (time,) = got.counts
        assert (time.count, time.n, time.others) == (10, 10, None)
        # With both in the first session, that one is what is set beside it.
        mixed = rows_of("a", {"backswing_ms": [610.0] * 6}, felt_time="in-time", start=10)
        got = felt_against_measured([*before, *mixed, *after], "rushed", make_reference(base))
        assert isinstance(got, FeltReport)
        (time,) = got.counts
        assert (time.others_count, time.others_n) == (6, 6)
        assert all(x.startswith("a#") for x in time.others_ids)
        assert (time.sessions, time.within_count, time.within_n) == (1, 10, 10)
        # One that felt otherwise doesn't make a session one with both.
        late = rows_of("b", {"backswing_ms": [690.0]}, felt_time="rushed", start=10)
        got = felt_against_measured(
            [*before, *mixed, *after, *late], "rushed", make_reference(base)
        )
        assert isinstance(got, FeltReport)
        (time,) = got.counts
        assert (time.n, time.within_n, time.others_n) == (11, 10, 6)

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
        assert "below which half of all swings lie" in got.statement.text

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
