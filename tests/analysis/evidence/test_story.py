"""The session's story: few sentences, each with its numbers and swings."""

from __future__ import annotations

import dataclasses
import re
from typing import Any

import numpy as np
import pytest
from evidence_rows import rows_of, swing_numbers
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.evidence.association import association
from analysis.evidence.felt import felt_against_measured
from analysis.evidence.plan_standing import standing
from analysis.evidence.reading import Reference, make_reference
from analysis.evidence.spread import MixedError, SwingRow, player_spread, sessions_of
from analysis.evidence.story import MOST_SENTENCES, Sentence, examples, story
from analysis.evidence.told import NotYet
from words.units import said

JUDGING = re.compile(
    r"\b(good|bad|better|worse|well done|great|poor|wrong|correct|should|score|cause[sd]?|because|"
    r"improv\w+)\b",
    re.I,
)

SHORT = {"backswing_ms": 630.0, "turn_deg": 126.0}


def a_day(seed: int, name: str, strikes: dict[str, float], silent: bool = True) -> list[SwingRow]:
    rng = np.random.default_rng(seed)
    level = rng.normal(size=3) * [5, 1, 6]
    parts: list[tuple[str | None, str, dict[str, float]]] = []
    for _ in range(2):
        parts += [(None, "rehearsal", {}), (None, "strike", strikes)]
    parts.append(("rehearsal", "rehearsal", {}))
    if silent:
        parts.append(("silent", "rehearsal", {}))
    out: list[SwingRow] = []
    for block, kind, numbers in parts:
        values = swing_numbers(rng, 8, **numbers)
        for k, measure in enumerate(values):
            values[measure] = values[measure] + level[k]
        felt = ["rushed" if v < 660 else "in-time" for v in values["backswing_ms"]]
        out += rows_of(name, values, kind, block=block, start=len(out), felt_time=felt)
    return out


@pytest.fixture(scope="module")
def told() -> dict[str, Any]:
    """Five days of a player whose strikes are short in time and turn."""
    days = [a_day(k, f"d{k}", SHORT) for k in range(5)]
    rows = [row for one in days for row in one]
    reference = make_reference(
        days[0], [r.swing_id for r in days[0] if r.kind == "rehearsal" and r.block is None]
    )
    strikes = [row for row in rows if row.kind == "strike"]
    now = standing(rows, {f"d{k}": 2 * k for k in range(5)}, reference, today=8)
    sentences = story(
        days[-1],
        reference,
        spreads={
            name: player_spread([sessions_of(strikes, name)], name, mount=rows[0].mount)
            for name in ("backswing_ms", "turn_deg", "peak_rate_dps")
        },
        now=now,
        felt=felt_against_measured(rows, "rushed", reference),
        together=[association(strikes, "peak_rate_dps", "turn_deg")],
    )
    return {"days": days, "rows": rows, "reference": reference, "now": now, "story": sentences}


class TestStory:
    def test_answers_the_questions_in_order(self, told: dict[str, Any]) -> None:
        sentences: list[Sentence] = told["story"]
        assert len(sentences) == MOST_SENTENCES
        assert [s.about for s in sentences] == ["reading", "ball", "held", "felt", "next"]
        reading, ball, held, felt, what_next = (s.text for s in sentences)
        start = (
            "From day to day, 16 shots beside the model swings (practice swings): time shorter ("
        )
        assert reading.startswith(start)
        assert "turn smaller (the turn by " in reading
        assert "the backswing was shorter by" in ball
        assert ball.startswith("Today, 16 shots beside ")
        assert held.startswith("From day to day, without sound (8 swings): ")
        assert felt.startswith("Of ")
        assert "unhurried" not in what_next
        assert sentences[-1].drill == told["now"].drill
        assert sentences[-1].drill.player == "Ida"

    def test_what_changed_takes_the_place_of_the_days_test(self, told: dict[str, Any]) -> None:
        changed = dataclasses.replace(told["story"][2], numbers=())
        days = told["days"]
        got = story(days[-1], told["reference"], changed=changed, now=told["now"])
        assert [s.about for s in got] == ["reading", "ball", "held", "next"]
        assert got[2] is changed

    def test_every_number_is_followed_back(self, told: dict[str, Any]) -> None:
        known = {row.swing_id for row in told["rows"]}
        for sentence in told["story"]:
            for number in sentence.numbers:
                assert number.swing_ids
                assert set(number.swing_ids) <= known
                assert number.interval.low <= number.interval.middle <= number.interval.high

    def test_numbers_in_the_text_are_those_of_the_intervals(self, told: dict[str, Any]) -> None:
        reading = told["story"][0]
        for number in reading.numbers:
            if number.interval.high < 0:
                low, high = -number.interval.high, -number.interval.low
                digits = [0 if x >= 10 else 1 for x in (low, high)]
                text = f"by {low:.{digits[0]}f} to {high:.{digits[1]}f}{said(number.unit)}"
                assert text in reading.text

    def test_truth_of_the_simulation(self, told: dict[str, Any]) -> None:
        ball = next(s for s in told["story"] if s.about == "ball")
        by = {n.name.split(":")[0]: n.interval for n in ball.numbers}
        assert -70.0 in by["backswing time"]
        assert -14.0 in by["turn"]
        assert 0.0 in by["rotation"]

    def test_no_verdict_and_no_cause(self, told: dict[str, Any]) -> None:
        for sentence in told["story"]:
            assert not JUDGING.search(sentence.text), sentence.text
            assert "nan" not in sentence.text.lower()

    def test_without_a_reference(self, told: dict[str, Any]) -> None:
        first, *rest = story(told["days"][0], NotYet.count(3, 8))
        assert first.text == (
            "Can't tell yet about time, turn and rotation: no model swings yet: 3 of 8 swings "
            "so far."
        )
        assert first.numbers == ()
        assert [s.about for s in rest] == ["ball"]

    def test_few_swings(self) -> None:
        got = story(rows_of("s", {"turn_deg": [140.0, 141.0]}, "strike"), NotYet.count(0, 8))
        assert [s.about for s in got] == ["reading", "ball"]
        assert "so far" in got[1].text

    def test_refusals(self, told: dict[str, Any]) -> None:
        with pytest.raises(ValueError, match="no swings"):
            story([], told["reference"])
        with pytest.raises(MixedError, match="mounts"):
            story(
                [*told["days"][0], *rows_of("d0", {"turn_deg": [1.0]}, mount="club")],
                told["reference"],
            )
        with pytest.raises(ValueError, match="one session"):
            story(told["rows"], told["reference"])

    @settings(max_examples=40)
    @given(
        st.lists(
            st.tuples(
                st.floats(1.0, 1e4),
                st.sampled_from(["rehearsal", "strike", "unclear"]),
                st.sampled_from([None, "rehearsal", "silent", "ball"]),
            ),
            min_size=1,
            max_size=40,
        )
    )
    def test_always_a_story(self, drawn: list[tuple[float, str, str | None]]) -> None:
        rows = rows_of(
            "s",
            {name: [x for x, _, _ in drawn] for name in ("backswing_ms", "turn_deg")},
            [k for _, k, _ in drawn],
            block=[b for _, _, b in drawn],
        )
        reference = make_reference(rows)
        got = story(rows, reference)
        assert 1 <= len(got) <= MOST_SENTENCES
        for sentence in got:
            assert sentence.text.endswith(".")
            assert "nan" not in sentence.text
            for number in sentence.numbers:
                assert np.isfinite([number.interval.low, number.interval.high]).all()


class TestExamples:
    def test_nearest_to_the_medians(self) -> None:
        turn = [120.0, 124.0, 126.0, 128.0, 145.0]
        rows = rows_of("s", {"turn_deg": turn, "backswing_ms": [700.0] * 5}, "strike")
        base = rows_of("r", {"turn_deg": [140.0] * 9, "backswing_ms": [700.0] * 9}, "rehearsal")
        reference = make_reference(base)
        assert isinstance(reference, Reference)
        (got,) = examples(rows, reference, ("backswing_ms", "turn_deg"))
        assert (got.swing_id, got.kind, got.measure) == ("s#3", "strike", "turn_deg")
        # Of the other four, three are under the reference's turn too, and one is over it.
        assert (got.agree, got.disagree) == (3, 1)
        (plain,) = examples(rows, NotYet.count(0, 8), ("turn_deg",))
        assert (plain.swing_id, plain.agree, plain.disagree) == ("s#3", 0, 0)

    def test_too_few(self) -> None:
        rows = rows_of("s", {"turn_deg": [1.0, 2.0]}, "strike")
        assert examples(rows, NotYet.count(0, 8), ("turn_deg",)) == []
