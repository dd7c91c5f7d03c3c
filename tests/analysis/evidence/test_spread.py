"""Spreads and detectable changes, against libraries and worked cases."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest
from evidence_rows import data_of, rows_of
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from analysis.evidence.outcome import LEVEL, Outcome
from analysis.evidence.parts import DAYS, SCALE
from analysis.evidence.prior import Prior
from analysis.evidence.spread import (
    EvidenceParams,
    Interval,
    Matters,
    MixedError,
    SessionChange,
    SessionData,
    SwingRow,
    ask_change,
    bound_reason,
    family_level,
    one_setting,
    player_spread,
    sessions_of,
)
from analysis.evidence.told import NotYet
from analysis.evidence.variance import Variances
from words.units import unit_of

FINITE = st.floats(-1e6, 1e6)


def change_between(
    before: Sequence[SessionData],
    after: Sequence[SessionData],
    history: Sequence[SessionData] = (),
    *,
    level: float = LEVEL,
    **about: Any,
) -> SessionChange | NotYet:
    """Say whether one measure alone changed."""
    asked = ask_change(before, after, history, **about)
    if isinstance(asked, NotYet):
        return asked
    sides = [tuple(s.session_id for s in side) for side in (before, after)]
    return SessionChange(asked=asked, decision=asked.decide(level), before=sides[0], after=sides[1])


class TestPlayerSpread:
    def test_parts_are_found(self) -> None:
        rng = np.random.default_rng(5)
        data = data_of(*(rng.normal(rng.normal(950.0, 15.0), 30.0, 20) for _ in range(200)))
        got = player_spread([data], "swing_ms")
        assert isinstance(got, Variances)
        assert math.sqrt(got.session) == pytest.approx(15.0, rel=0.15)
        assert got.sessions == 200

    def test_too_few(self) -> None:
        assert player_spread([[]], "x") == NotYet.count(0, 5, "in_session")
        few = player_spread([data_of([1.0, 2.0, 3.0])], "x")
        assert str(few) == "3 of 5 swings in a session so far"
        assert isinstance(player_spread([data_of([7.0] * 8, [7.0] * 8)], "x"), NotYet)


class TestChange:
    def test_by_hand(self) -> None:
        # Two days of which nothing is known: two stated spreads of 15 ms, 4 degrees of freedom, and
        # swings of no scatter to speak of. t from tables: 2.776.
        base = 1e-3 * np.array([-2.0, -1.5, -1, -0.5, -0.2, 0.2, 0.5, 1, 1.5, 2])
        a, b = data_of(*(base + m for m in (700.0, 740.0)))
        got = change_between([a], [b], measure="backswing_ms")
        assert isinstance(got, SessionChange)
        assert got.asked.scope == "days"
        assert got.change.middle == pytest.approx(40.0)
        half = got.change.high - got.change.middle
        assert half == pytest.approx(2.776 * 15.0 * math.sqrt(2.0), rel=1e-3)
        assert got.outcome is Outcome.INCONCLUSIVE
        assert {part.source for part in got.asked.parts if part.variance > 1.0} == {DAYS}

    def test_is_an_anova_contrast_for_blocks(self) -> None:
        # Nothing stated, equal numbers, four swings a session of which none is trimmed: a pooled t
        # test on the sessions' means, by scipy.
        rng = np.random.default_rng(9)
        plain = EvidenceParams(
            least_set=4,
            prior=Prior(
                weight=1e-9, rho=0.0, rho_swings=1e12, block=0.0, drift=0.0, sessions_alike=0.0
            ),
        )
        data = data_of(*(rng.normal(rng.normal(50, 30), 4, 4) for _ in range(8)))
        got = change_between(data[:4], data[4:], measure="x", params=plain)
        means = [float(s.values.mean()) for s in data]
        theirs = stats.ttest_ind(means[4:], means[:4]).confidence_interval(0.95)
        assert isinstance(got, SessionChange)
        assert (got.change.low, got.change.high) == pytest.approx(
            (theirs.low, theirs.high), rel=0.01
        )

    def test_levels(self) -> None:
        # Sidak: four independent ones all hold at 95 %.
        assert family_level(0.95, 4) ** 4 == pytest.approx(0.95)

    def test_scale_counts_across_sensors_and_calibrations_only(self) -> None:
        rng = np.random.default_rng(11)
        x = rng.normal(140.0, 0.5, (2, 10))

        def scale(measure: str, **more: object) -> float:
            rows = [
                *rows_of("a", {measure: x[0]}),
                *rows_of("b", {measure: x[1]}, **more),
            ]
            a, b = sessions_of(rows, measure)
            asked = ask_change([a], [b], measure=measure)
            assert not isinstance(asked, NotYet)
            return next((part.u for part in asked.parts if part.source == SCALE), 0.0)

        # 2 % each where nothing is known of the sensor.
        across = 0.02 * 140.0 * math.sqrt(2.0)
        assert scale("turn_deg") < 0.02
        assert scale("turn_deg", sensor="b") == pytest.approx(across, rel=0.01)
        # The same sensor, calibrated in between.
        assert scale("turn_deg", scale_key="a, calibrated") == pytest.approx(across, rel=0.01)
        assert scale("backswing_ms", sensor="b") == 0.0
        # Sensors that don't say who they are may be two.
        rows = [*rows_of("a", {"turn_deg": x[0]}, sensor=None)]
        rows += rows_of("b", {"turn_deg": x[1]}, sensor=None)
        a, b = sessions_of(rows, "turn_deg")
        asked = ask_change([a], [b], measure="turn_deg")
        assert not isinstance(asked, NotYet)
        assert any(part.source == SCALE and part.u > 3.0 for part in asked.parts)

    def test_says_what_is_missing(self) -> None:
        a, b, c = data_of([1.0, 2, 3, 4, 5], [2.0, 3, 4, 5, 7], [1.0, 2, 3])
        assert isinstance(change_between([a], [b], measure="x"), SessionChange)
        assert str(change_between([a], [c], measure="x")) == "3 of 5 swings in a session so far"
        with pytest.raises(ValueError, match="one side only"):
            change_between([a], [a], [b], measure="x")
        same = data_of(*([3.0, 3, 3, 3, 3] for _ in range(6)))
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

    def test_an_interval_is_that_of_the_decision(self) -> None:
        a, b = data_of([1.0, 2, 3, 4, 5], [2.0, 3, 4, 5, 7])
        got = change_between([a], [b], measure="x", level=0.9)
        assert isinstance(got, SessionChange)
        assert got.change == Interval(got.decision.low, 1.0, got.decision.high, 0.9)


class TestBounds:
    """Peak rates that are only known as "at least"."""

    def test_the_fast_ones_are_neither_taken_for_values_nor_left_out(self) -> None:
        # A gyroscope of 600 deg/s and swings that are faster: all would seem alike.
        rates = [560.0, 580.0, *[600.0] * 8]
        high = [frozenset({"peak_rate_dps"} if x == 600.0 else ()) for x in rates]
        rows = rows_of("a", {"peak_rate_dps": rates}, bounds=high)
        assert sessions_of(rows, "peak_rate_dps") == []
        reason = bound_reason(rows, "peak_rate_dps")
        assert reason is not None
        assert reason.text.startswith('in 8 of 10 swings it is only known as "at least"')
        assert bound_reason(rows, "turn_deg") is None

    def test_a_fifth_at_the_top_is_trimmed_anyway(self) -> None:
        rates = [*range(500, 580, 10), 600.0, 600.0]
        high = [frozenset({"peak_rate_dps"} if x == 600.0 else ()) for x in rates]
        (one,) = sessions_of(rows_of("a", {"peak_rate_dps": rates}, bounds=high), "peak_rate_dps")
        assert one.cell.location == pytest.approx(np.mean(rates[2:8]))


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
