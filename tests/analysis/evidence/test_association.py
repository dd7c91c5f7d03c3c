"""Which goes with which: slopes with intervals, in words that name no cause."""

from __future__ import annotations

import dataclasses
import re

import numpy as np
import pytest
import statsmodels.api as sm
from evidence_rows import rows_of
from hypothesis import given
from hypothesis import strategies as st

from analysis.evidence.association import Association, associate, association, value_of
from analysis.evidence.outcome import Outcome
from analysis.evidence.spread import MixedError, SwingRow
from analysis.evidence.told import NotYet

CAUSAL = re.compile(r"\b(cause|because|due|makes?|made|leads?|effect|improves?|thanks)\b", re.I)


def related(seed: int, sessions: int = 4, n: int = 20, slope: float = 0.4) -> list[SwingRow]:
    """Rate goes with time by ``slope`` and with turn by 1.5; time goes with turn; days differ."""
    rng = np.random.default_rng(seed)
    out = []
    for k in range(sessions):
        day = rng.normal(size=3)
        turn = 140 + 20 * day[0] + 5 * rng.normal(size=n)
        time = 950 - 80 * day[0] + 4 * (turn - 140 - 20 * day[0]) + 25 * rng.normal(size=n)
        rate = 900 + 50 * day[1] + slope * (time - 950) + 1.5 * (turn - 140)
        rate += 12 * rng.normal(size=n)
        out += rows_of(
            f"s{k}",
            {"swing_ms": time, "turn_deg": turn, "peak_rate_dps": rate},
            felt_time=["rushed" if t < 940 else "in-time" for t in time],
        )
    return out


class TestAssociation:
    def test_plain_and_partial(self) -> None:
        rows = related(1)
        given_turn = association(rows, "peak_rate_dps", "swing_ms", ("turn_deg",))
        given_time = association(rows, "peak_rate_dps", "turn_deg", ("swing_ms",))
        alone = association(rows, "peak_rate_dps", "turn_deg")
        assert isinstance(given_turn, Association)
        assert isinstance(given_time, Association)
        assert isinstance(alone, Association)
        assert 0.4 in given_turn.slope
        assert 1.5 in given_time.slope
        # Alone, turn carries what goes with time: 1.5 + 0.4 x 4.
        assert 3.1 in alone.slope
        assert alone.slope.middle > 2.5
        assert alone.sessions == 4
        assert set(alone.swing_ids) <= {row.swing_id for row in rows}

    def test_days_dont_make_a_relation(self) -> None:
        # Across days, time and turn move opposite ways; within them they go together.
        got = association(related(2), "swing_ms", "turn_deg")
        assert isinstance(got, Association)
        assert got.outcome is Outcome.DIFFERENT
        assert 4.0 in got.slope

    def test_like_least_squares_on_normal_data(self) -> None:
        rng = np.random.default_rng(3)
        x, y = rng.normal(0, 5, 200), rng.normal(0, 1, 200)
        got = association(
            rows_of("s", {"turn_deg": x, "carry_m": y + 0.3 * x}), "carry_m", "turn_deg"
        )
        assert isinstance(got, Association)
        kept = [int(i.split("#")[1]) - 1 for i in got.swing_ids]
        design = np.column_stack([np.ones(len(kept)), x[kept], np.array(kept, float)])
        ours = got.slope
        theirs = sm.OLS((y + 0.3 * x)[kept], design).fit().conf_int()[1]
        assert (ours.low, ours.high) == pytest.approx(theirs, abs=0.012)

    def test_two_drifts_dont_make_a_relation(self) -> None:
        rng = np.random.default_rng(4)
        drift = np.linspace(0, 20, 40)
        rows = rows_of(
            "s", {"turn_deg": drift + rng.normal(size=40), "carry_m": drift + rng.normal(size=40)}
        )
        got = association(rows, "carry_m", "turn_deg")
        assert isinstance(got, Association)
        assert 0.0 in got.slope

    def test_gross_values_are_left_out_and_counted(self) -> None:
        rows = related(5)
        clean = association(rows, "peak_rate_dps", "turn_deg")
        rows[7].values["turn_deg"] = 4000.0  # type: ignore[index]
        rows[9].values["peak_rate_dps"] = 1e5  # type: ignore[index]
        got = association(rows, "peak_rate_dps", "turn_deg")
        assert isinstance(clean, Association)
        assert isinstance(got, Association)
        assert got.left_out == clean.left_out + 1
        assert got.slope.middle == pytest.approx(clean.slope.middle, abs=0.4)

    def test_bounds_are_no_values(self) -> None:
        rows = related(8)
        marked = [
            dataclasses.replace(row, bounds=frozenset({"peak_rate_dps"})) if k % 9 == 0 else row
            for k, row in enumerate(rows)
        ]
        told = association(marked, "peak_rate_dps", "turn_deg")
        assert isinstance(told, NotYet)
        assert "at least" in told.reason
        # On the right of "goes with" it can be left out.
        left = association(marked, "turn_deg", "peak_rate_dps")
        assert isinstance(left, Association)
        assert left.n <= len(rows) - len(rows[::9])

    def test_a_relation_that_differs_from_day_to_day_is_seldom_told(self) -> None:
        """Zero on average; "goes with" was said in a third of such cases."""
        rng = np.random.default_rng(9)
        told = 0
        for _ in range(120):
            rows = []
            for k in range(4):
                time = 950.0 + 30.0 * rng.normal(size=20)
                rate = 950.0 + 0.35 * rng.normal() * (time - 950.0) + 30.0 * rng.normal(size=20)
                rows += rows_of(f"s{k}", {"swing_ms": time, "peak_rate_dps": rate})
            found = association(rows, "peak_rate_dps", "swing_ms")
            assert isinstance(found, Association)
            told += found.outcome is Outcome.DIFFERENT
        assert told / 120 <= 0.09

    def test_felt_answers(self) -> None:
        got = association(related(6, sessions=10), "felt_rushed", "swing_ms")
        assert isinstance(got, Association)
        assert got.outcome is Outcome.DIFFERENT
        assert got.slope.high < 0
        assert value_of(related(6)[0], "felt_short") is None

    def test_more_swings_needed_falls_with_swings(self) -> None:
        few = association(related(7, 1, 14, 0.05), "peak_rate_dps", "swing_ms", ("turn_deg",))
        assert isinstance(few, Association)
        assert few.outcome is Outcome.INCONCLUSIVE
        assert few.more_swings is not None
        assert few.more_swings > 10
        assert "can't be told yet from" in few.statement.text
        assert f"{few.more_swings} more" in few.statement.text

    def test_words_name_no_cause(self) -> None:
        seen = set()
        for seed in range(6):
            for slope, sessions in ((0.0, 1), (0.0, 8), (0.5, 4)):
                rows = related(seed, sessions, 20, slope)
                got = association(rows, "peak_rate_dps", "swing_ms", ("turn_deg",))
                assert isinstance(got, Association)
                seen.add(got.outcome)
                assert not CAUSAL.search(got.statement.text), got.told.text
                assert got.statement.text.endswith(".")
                if got.outcome is Outcome.DIFFERENT:
                    assert "where swing time was" in got.statement.text
                    assert "(its usual scatter within a session)" in got.statement.text
                    assert ", at an equal turn" in got.statement.text
        assert seen == set(Outcome)

    def test_says_why_not(self) -> None:
        rows = related(8, 1, 8)
        assert str(association(rows, "peak_rate_dps", "turn_deg")) == (
            "8 of 12 swings with rotation and turn so far"
        )
        assert isinstance(association(rows, "carry_m", "turn_deg"), NotYet)
        assert isinstance(association([], "carry_m", "turn_deg"), NotYet)
        flat = rows_of("s", {"turn_deg": np.full(20, 3.0), "carry_m": np.arange(20.0)})
        assert str(association(flat, "carry_m", "turn_deg")) == (
            "turn is the same in all swings of a session"
        )
        one_class = rows_of("s", {"turn_deg": np.arange(20.0)}, felt_time="rushed")
        assert isinstance(association(one_class, "felt_rushed", "turn_deg"), NotYet)
        twice = rows_of("s", {"turn_deg": np.arange(20.0), "a_m": np.arange(20.0) * 2 + 1})
        assert isinstance(association(twice, "a_m", "turn_deg"), NotYet)
        with pytest.raises(ValueError, match="once"):
            association(rows, "turn_deg", "turn_deg")
        with pytest.raises(MixedError, match="clubs"):
            association(
                [*rows, *rows_of("x", {"turn_deg": [1.0]}, club="7 iron")], "a_m", "turn_deg"
            )

    def test_all_at_once_counts_them(self) -> None:
        rows = related(9)
        got = associate(rows, ["peak_rate_dps"], ["swing_ms", "turn_deg"])
        assert [(y, x, g) for y, x, g, _ in got] == [
            ("peak_rate_dps", "swing_ms", ()),
            ("peak_rate_dps", "turn_deg", ()),
            ("peak_rate_dps", "swing_ms", ("turn_deg",)),
            ("peak_rate_dps", "turn_deg", ("swing_ms",)),
        ]
        alone = association(rows, "peak_rate_dps", "turn_deg")
        among = got[1][3]
        assert isinstance(alone, Association)
        assert isinstance(among, Association)
        assert among.slope.high - among.slope.low > 1.1 * (alone.slope.high - alone.slope.low)

    @given(
        st.lists(
            st.tuples(st.floats(-1e4, 1e4), st.floats(-1e4, 1e4), st.integers(0, 2)),
            min_size=1,
            max_size=40,
        )
    )
    def test_never_a_wild_number(self, drawn: list[tuple[float, float, int]]) -> None:
        rows = [
            row
            for k, (a, b, s) in enumerate(drawn)
            for row in rows_of(str(s), {"turn_deg": [a], "carry_m": [b]}, start=k)
        ]
        got = association(rows, "carry_m", "turn_deg")
        if isinstance(got, Association):
            assert np.isfinite([got.slope.low, got.slope.high, got.margin]).all()
            assert got.slope.low <= got.slope.middle <= got.slope.high
            assert got.statement.text
        else:
            assert got.reason
