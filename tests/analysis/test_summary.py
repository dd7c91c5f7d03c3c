"""Medians and spreads of swings, against values worked out by hand."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest

from analysis.results import Note, Swing
from analysis.summary import MEASURES, differences, group_swings, kind_of, spread_of


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

    def test_a_lower_bound_is_no_peak_rate(self) -> None:
        bound = Note("rate_lower_bound", "clipped")
        (group,) = group_swings(
            [make(1, peak_rate_dps=900.0), make(2, peak_rate_dps=500.0, notes=(bound,))]
        )
        peak = group.measures["peak_rate_dps"]
        assert peak is not None
        assert (peak.n, peak.median) == (1, 900.0)

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
