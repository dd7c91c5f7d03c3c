"""Medians and spreads of swings, against values worked out by hand."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.evidence.summary import (
    MEASURES,
    Spread,
    differences,
    following,
    group_swings,
    kind_of,
    spread_of,
)
from analysis.swing.results import Note, Swing


def make(index: int, **values: Any) -> Swing:
    empty = {
        item.name: None for item in dataclasses.fields(Swing) if item.default is dataclasses.MISSING
    }
    fixed: dict[str, Any] = {"index": index, "strike": False, "gap_ms": 0.0, "clipped": ()}
    return Swing(**{**empty, **fixed, **values})


class TestSpread:
    def test_by_hand(self) -> None:
        # Deviations from 3: 2 1 0 1 97, whose median is 1.
        spread = spread_of([1.0, 2.0, 3.0, 4.0, 100.0])
        assert spread is not None
        assert (spread.n, spread.median) == (5, 3.0)
        assert spread.spread == pytest.approx(1.4826)

    def test_is_a_standard_deviation_for_normal_values(self) -> None:
        spread = spread_of(np.random.default_rng(5).normal(10.0, 2.0, 20_000).tolist())
        assert spread is not None
        assert spread.spread == pytest.approx(2.0, rel=0.03)

    def test_few_swings_have_none(self) -> None:
        spread = spread_of([1.0, None, 3.0])
        assert spread is not None
        assert (spread.n, spread.median, spread.spread) == (2, 2.0, None)
        assert spread_of([None]) is None
        assert spread_of([]) is None


class TestGroups:
    def test_by_player_club_length_and_kind(self) -> None:
        swings = [
            make(1, player="Ida", club="7 iron", strike=True),
            make(2, player="Ida", club="7 iron", strike=False, intent="full"),
            make(3, player="Runa", club="7 iron", strike=None),
            make(4, player="Ida", club="driver", strike=True),
            make(5, player="Ida", club="7 iron", strike=True),
            make(6, player="Ida", club="7 iron", strike=True, intent="part"),
            make(7, strike=True),
        ]
        assert [(g.player, g.club, g.part, g.kind, g.indices) for g in group_swings(swings)] == [
            ("Ida", "7 iron", False, "rehearsal", (2,)),
            ("Ida", "7 iron", False, "strike", (1, 5)),
            ("Runa", "7 iron", False, "unclear", (3,)),
            ("Ida", "driver", False, "strike", (4,)),
            ("Ida", "7 iron", True, "strike", (6,)),
            (None, None, False, "strike", (7,)),
        ]
        assert sum(g.n for g in group_swings(swings)) == len(swings)

    def test_all_measures_are_there_and_absent_ones_are_none(self) -> None:
        (group,) = group_swings([make(1, turn_deg=140.0), make(2)])
        assert tuple(group.measures) == MEASURES
        turn = group.measures["turn_deg"]
        assert turn is not None
        assert turn.n == 1
        assert group.measures["swing_ms"] is None

    def test_a_lower_bound_is_counted_as_at_least(self) -> None:
        bound = Note("rate_lower_bound", "clipped")

        def peak(known: list[float], bounds: list[float]) -> Spread:
            swings = [make(k, peak_rate_dps=value) for k, value in enumerate(known)]
            swings += [
                make(k, peak_rate_dps=value, notes=(bound,)) for k, value in enumerate(bounds)
            ]
            (group,) = group_swings(swings)
            found = group.measures["peak_rate_dps"]
            assert found is not None
            return found

        # 900 950 | 1000 | >=2000 >=2000: whatever the two were, the middle one is 1000, and of
        # the deviations 0 50 100 >=1000 >=1000 it is 100.
        exact = peak([900.0, 950.0, 1000.0], [2000.0, 2000.0])
        assert (exact.n, exact.median, exact.at_least) == (5, 1000.0, False)
        assert exact.spread == pytest.approx(148.26)
        # Of four, the middle two count.
        assert peak([900.0, 1000.0], [2000.0, 2000.0]) == Spread(
            n=4, median=1500.0, spread=None, at_least=True
        )
        # A bound below the middle may truly lie above it.
        assert peak([900.0, 1000.0], [500.0]) == Spread(
            n=3, median=900.0, spread=None, at_least=True
        )
        assert peak([], [700.0]) == Spread(n=1, median=700.0, spread=None, at_least=True)

    @given(
        known=st.lists(st.floats(0.0, 3000.0), max_size=8),
        bounds=st.lists(st.tuples(st.floats(0.0, 3000.0), st.floats(0.0, 3000.0)), max_size=8),
    )
    def test_the_true_median_is_never_below_what_is_said(
        self, known: list[float], bounds: list[tuple[float, float]]
    ) -> None:
        said = spread_of(known, [at for at, _ in bounds])
        true = spread_of([*known, *(at + beyond for at, beyond in bounds)])
        assert (said is None) == (true is None)
        if said is None or true is None:
            return
        assert said.n == true.n
        if said.at_least:
            assert true.median >= said.median
            assert said.spread is None
        else:
            assert true.median == said.median
            assert said.spread is None or said.spread == true.spread

    def test_swings_that_began_at_anothers_finish_are_not_in_the_medians(self) -> None:
        # Back and forth: turn counted from the finish is twice that from address.
        rows = [(10.0, 120.0), (11.5, 240.0), (13.0, 241.0), (20.0, 121.0), (30.0, 119.0)]
        swings = [
            make(k, takeaway_s=at, impact_s=at + 1.1, turn_deg=turn)
            for k, (at, turn) in enumerate(rows, start=1)
        ]
        assert following(swings) == {2, 3}
        (group,) = group_swings(swings)
        assert (group.n, group.following) == (5, (2, 3))
        turn = group.measures["turn_deg"]
        assert turn is not None
        assert (turn.n, turn.median) == (3, 120.0)

    def test_of_nothing(self) -> None:
        assert group_swings([]) == []


@pytest.mark.parametrize(
    ("strike", "kind"), [(True, "strike"), (False, "rehearsal"), (None, "unclear")]
)
def test_kind(strike: bool | None, kind: str) -> None:
    assert kind_of(make(1, strike=strike)) == kind


class TestDifferences:
    def test_rehearsal_minus_strike(self) -> None:
        swings = [
            *(make(k, strike=False, turn_deg=140.0 + k, swing_ms=1000.0) for k in range(3)),
            *(make(k, strike=True, turn_deg=120.0 + k, swing_ms=None) for k in range(3)),
        ]
        rehearsals, strikes = group_swings(swings)
        (only,) = differences(rehearsals, strikes)
        assert only.measure == "turn_deg"
        assert only.rehearsal_minus_strike == pytest.approx(20.0)

    def test_times_to_different_kinds_of_impact_are_not_subtracted(self) -> None:
        def compared(rehearsal: str, strike: str) -> set[str]:
            values = dict.fromkeys(MEASURES, 1.0)
            swings = [make(k, strike=False, impact_basis=rehearsal, **values) for k in range(3)]
            swings += [make(k, strike=True, impact_basis=strike, **values) for k in range(3)]
            return {item.measure for item in differences(*group_swings(swings))}

        assert compared("least_turn", "shock") == {"backswing_ms", "turn_deg", "peak_rate_dps"}
        assert compared("own_strikes", "shock") == set(MEASURES)

    def test_a_median_that_is_only_at_least_is_not_subtracted(self) -> None:
        bound = Note("rate_lower_bound", "clipped")
        swings = [make(k, strike=False, peak_rate_dps=900.0) for k in range(3)]
        swings += [make(k, strike=True, peak_rate_dps=2000.0, notes=(bound,)) for k in range(9)]
        swings += [make(k, strike=True, peak_rate_dps=800.0) for k in range(3)]
        assert differences(*group_swings(swings)) == []

    def test_two_swings_are_not_compared(self) -> None:
        swings = [make(k, strike=k % 2 == 0, turn_deg=100.0) for k in range(4)]
        assert differences(*group_swings(swings)) == []

    def test_only_like_with_like(self) -> None:
        rehearsals, strikes = group_swings([make(1, strike=False), make(2, strike=True)])
        with pytest.raises(ValueError, match="between rehearsals and strikes"):
            differences(strikes, rehearsals)
        (other,) = group_swings([make(3, strike=True, player="Runa")])
        with pytest.raises(ValueError, match="within one player"):
            differences(rehearsals, other)
