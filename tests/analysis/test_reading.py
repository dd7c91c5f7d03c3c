"""Three words about a swing or a set."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from evidence_rows import rows_of, swing_numbers
from hypothesis import given
from hypothesis import strategies as st

from analysis.reading import ASPECTS, Reference, Word, make_reference, read
from analysis.spread import (
    EvidenceParams,
    MixedError,
    NotYet,
    SwingRow,
    player_spread,
    sessions_of,
)
from benchmarks.evidence import readings


def sessions(seed: int = 0, count: int = 5, n: int = 10, **numbers: float) -> list[SwingRow]:
    rng = np.random.default_rng(seed)
    return [
        row
        for k in range(count)
        for row in rows_of(f"h{k}", swing_numbers(rng, n, **numbers), "rehearsal")
    ]


def a_set(seed: int = 1, n: int = 12, session: str = "new", **numbers: float) -> list[SwingRow]:
    values = swing_numbers(np.random.default_rng(seed), n, **numbers)
    return rows_of(session, values, "rehearsal")


@pytest.fixture(scope="module")
def history() -> list[SwingRow]:
    return sessions()


@pytest.fixture(scope="module")
def reference(history: list[SwingRow]) -> Reference:
    got = make_reference(history[:20], [row.swing_id for row in history[:20]])
    assert isinstance(got, Reference)
    return got


class TestReference:
    def test_approved_or_provisional(self, history: list[SwingRow]) -> None:
        free = make_reference(history)
        approved = make_reference(history, [row.swing_id for row in history[:9]])
        assert isinstance(free, Reference)
        assert isinstance(approved, Reference)
        assert free.provisional
        assert not approved.provisional
        assert approved.swing_ids == tuple(row.swing_id for row in history[:9])
        assert free.values["turn_deg"].middle == pytest.approx(140.0, abs=1.5)
        turn = free.values["turn_deg"]
        assert turn.lower is not None
        assert turn.upper is not None
        assert turn.middle - turn.lower == pytest.approx(turn.upper - turn.middle)
        # Two spreads of 4 deg are over a twentieth of 140 deg.
        assert turn.upper - turn.middle == pytest.approx(8.0, rel=0.2)

    def test_cued_and_struck_swings_are_no_free_rehearsals(self) -> None:
        cued = rows_of("a", {"turn_deg": np.arange(10.0)}, "rehearsal", block="rehearsal")
        struck = rows_of("a", {"turn_deg": np.arange(10.0)}, "strike", start=10)
        assert str(make_reference([*cued, *struck])) == "0 of 8 free rehearsals so far"
        assert str(make_reference(cued, ["a#1"])) == "1 of 8 approved swings so far"

    def test_bounds_of_the_coach(self, history: list[SwingRow]) -> None:
        got = make_reference(history, lower={"turn_deg": 120.0}, upper={"turn_deg": 130.0})
        assert isinstance(got, Reference)
        assert (got.values["turn_deg"].lower, got.values["turn_deg"].upper) == (120.0, 130.0)
        # An upper bound below the swings themselves is a coach's word like any other.
        low = make_reference(history, upper={"turn_deg": 130.0})
        assert isinstance(low, Reference)
        assert low.values["turn_deg"].lower < 130.0  # type: ignore[operator]
        with pytest.raises(ValueError, match="below the upper"):
            make_reference(history, lower={"turn_deg": 150.0}, upper={"turn_deg": 130.0})

    def test_mixed_is_refused(self, history: list[SwingRow]) -> None:
        with pytest.raises(MixedError, match="mounts"):
            make_reference(
                [*history, *rows_of("x", {"turn_deg": [1.0]}, "rehearsal", mount="club")]
            )


class TestSet:
    CASES = tuple(itertools.product((-1, 0, 1), repeat=3))

    @pytest.mark.parametrize("case", CASES, ids=str)
    def test_all_combinations_occur(
        self, case: tuple[int, int, int], reference: Reference, history: list[SwingRow]
    ) -> None:
        now = read(
            a_set(
                n=40,
                backswing_ms=700 + 120 * case[0],
                turn_deg=140 + 8.5 * case[1] - 2 * (case[1] > 0),
                peak_rate_dps=950 + 120 * case[2],
                spread=0.6,
            ),
            reference,
            history,
        )
        expected = [
            {-1: Word.SHORTER, 0: None, 1: Word.LONGER}[case[0]],
            {-1: Word.LESS_FULL, 0: None, 1: Word.FULLER}[case[1]],
            {-1: Word.SLOWER, 0: None, 1: Word.FASTER}[case[2]],
        ]
        for got, wanted in zip(now.words, expected, strict=True):
            if wanted is None:
                assert got in (Word.SAME, Word.CANNOT_TELL)
            else:
                assert got is wanted
        for aspect in ASPECTS:
            word = getattr(now, aspect)
            assert word.difference is not None
            assert word.difference.low <= word.difference.middle <= word.difference.high

    def test_beyond_full(self, reference: Reference, history: list[SwingRow]) -> None:
        now = read(a_set(turn_deg=165.0), reference, history)
        assert now.turn.word is Word.BEYOND

    def test_the_same_session_needs_no_others(self, history: list[SwingRow]) -> None:
        first = history[:10]
        reference = make_reference(first)
        later = rows_of(
            "h0", swing_numbers(np.random.default_rng(3), 20, turn_deg=125.0), "rehearsal", start=10
        )
        assert read(later, reference).turn.word is Word.LESS_FULL
        # On another day the strapping on and the day would have to be known.
        other = read(a_set(turn_deg=125.0), reference)
        assert other.turn.word is Word.CANNOT_TELL
        assert other.turn.reason is not None
        assert "0 of 3 sessions" in other.turn.reason

    def test_nothing_without_a_reference(self) -> None:
        now = read(a_set(), NotYet.count(3, 8))
        assert now.words == (Word.CANNOT_TELL,) * 3
        assert now.time.reason == "no reference yet: 3 of 8 swings so far"
        assert now.time.difference is None

    def test_too_few(self, reference: Reference, history: list[SwingRow]) -> None:
        now = read(a_set(n=3), reference, history)
        assert now.turn.reason == "3 of 5 swings so far"

    def test_strikes_against_rehearsals_by_the_backswing(
        self, reference: Reference, history: list[SwingRow]
    ) -> None:
        values = swing_numbers(np.random.default_rng(5), 10)
        values["swing_ms"] = values["backswing_ms"] + 300
        now = read(rows_of("new", values, "strike"), reference, history)
        assert now.time.measure == "backswing_ms"

    def test_head_speed_where_it_was_measured(self, history: list[SwingRow]) -> None:
        rng = np.random.default_rng(6)
        with_head = [
            SwingRow(
                swing_id=r.swing_id,
                session_id=r.session_id,
                order=r.order,
                player=r.player,
                club=r.club,
                mount=r.mount,
                sensor=r.sensor,
                kind="strike",
                values={**r.values, "club_speed_m_s": 42.0 + rng.normal()},
            )
            for r in history
        ]
        reference = make_reference(with_head[:20], [r.swing_id for r in with_head[:20]])
        assert read(with_head[-10:], reference, with_head).speed.measure == "club_speed_m_s"

    def test_another_sensors_scale_counts_for_turn_not_for_time(
        self, reference: Reference, history: list[SwingRow]
    ) -> None:
        rows = a_set(n=30)
        other = rows_of(
            "new", {m: [r.values[m] for r in rows] for m in rows[0].values}, "rehearsal", sensor="z"
        )
        same, across = read(rows, reference, history), read(other, reference, history)
        assert same.turn.needed is not None
        assert across.turn.needed is not None
        assert across.turn.needed > same.turn.needed
        assert across.time.difference == same.time.difference

    def test_spreads_at_hand_take_the_place_of_history(
        self, reference: Reference, history: list[SwingRow]
    ) -> None:
        spreads = {
            m: player_spread([sessions_of(history, m)])
            for m in ("backswing_ms", "turn_deg", "peak_rate_dps")
        }
        assert read(a_set(), reference, spreads=spreads) == read(a_set(), reference, history)
        none = read(a_set(), reference, spreads={})
        assert set(none.words) == {Word.CANNOT_TELL}

    def test_refusals(self, reference: Reference, history: list[SwingRow]) -> None:
        with pytest.raises(MixedError, match="mounts"):
            read(rows_of("x", swing_numbers(np.random.default_rng(0), 6), mount="club"), reference)
        with pytest.raises(ValueError, match="within one session"):
            read(history, reference)
        with pytest.raises(ValueError, match="no swings"):
            read([], reference)
        with pytest.raises(MixedError):
            read(a_set(), reference, [*history, *rows_of("x", {"turn_deg": [1.0]}, club="putter")])

    def test_identical_swings_and_outliers_are_no_crash(self, history: list[SwingRow]) -> None:
        flat = sessions(spread=0.0)
        reference = make_reference(flat[:10])
        now = read(flat[10:20], reference, flat)
        assert set(now.words) == {Word.CANNOT_TELL}
        good = make_reference(history[:10])
        rows = a_set()
        rows[0].values["turn_deg"] = 1e5  # type: ignore[index]
        assert read(rows, good, history).turn.word is not Word.BEYOND


class TestOneSwing:
    def test_by_its_own_uncertainty(self, reference: Reference, history: list[SwingRow]) -> None:
        def one(turn: float, u: float) -> Word:
            (row,) = rows_of("new", {"turn_deg": [turn]}, "rehearsal", u=[{"turn_deg": u}])
            return read([row], reference, history).turn.word

        assert one(115.0, 0.5) is Word.LESS_FULL
        assert one(115.0, 20.0) is Word.CANNOT_TELL
        assert one(165.0, 0.5) is Word.BEYOND

    def test_without_uncertainty(self, reference: Reference, history: list[SwingRow]) -> None:
        (row,) = rows_of("new", {"turn_deg": [100.0]}, "rehearsal")
        now = read([row], reference, history)
        assert now.turn.reason == "the uncertainty of this swing isn't known"
        assert now.time.reason == "not measured both in these swings and in the reference"

    @given(st.floats(1.0, 400.0), st.floats(0.0, 50.0))
    def test_words_follow_the_interval(self, turn: float, u: float) -> None:
        rows = sessions(count=3)
        reference = make_reference(rows[:10])
        (row,) = rows_of("h0", {"turn_deg": [turn]}, "rehearsal", u=[{"turn_deg": u}], start=90)
        got = read([row], reference, rows).turn
        assert got.difference is not None
        assert got.margin is not None
        low, high = got.difference.low, got.difference.high
        assert (got.word is Word.SAME) == (-got.margin <= low and high <= got.margin)
        assert (got.word is Word.LESS_FULL) == (high < 0 and low < -got.margin)
        assert (got.word in (Word.FULLER, Word.BEYOND)) == (low > 0 and high > got.margin)


def test_words_are_right_as_often_as_stated() -> None:
    got = readings(np.random.default_rng(13), 150)
    for aspect in ASPECTS:
        # 85 % is aimed at; three standard errors of 150 runs are 9 %.
        assert got[aspect]["one"] > EvidenceParams().power - 0.09
        assert got[aspect]["two"] > 0.95
        assert got[aspect]["wrong"] < 0.02
