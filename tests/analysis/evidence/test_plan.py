"""The plan that moves: every stand, its reasons and its next drill."""

from __future__ import annotations

import dataclasses
import json
from typing import Any

import numpy as np
import pytest
from evidence_rows import rows_of, swing_numbers
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.evidence.plan import CoachWord, PlanRules, Stage, Standing, volume, word_from_dict
from analysis.evidence.plan_standing import standing
from analysis.evidence.reading import Reference, make_reference
from analysis.evidence.spread import MixedError, SwingRow
from analysis.evidence.told import NotYet
from benchmarks.evidence import plans, tables
from words import cautions

Part = tuple[str | None, str, dict[str, float]]
SHORT = {"backswing_ms": 630.0, "turn_deg": 126.0}
FULL: dict[str, float] = {}


def day(seed: int, session: str, *parts: Part, n: int = 10) -> list[SwingRow]:
    rng = np.random.default_rng(seed)
    out: list[SwingRow] = []
    for block, kind, numbers in parts:
        values = swing_numbers(rng, n, **numbers)
        out += rows_of(session, values, kind, block=block, start=len(out))
    return out


class Course:
    """A player's sessions, a day each."""

    def __init__(self, strikes: dict[str, float] = SHORT, upper_deg: float = 155.0) -> None:
        self.rows = day(1, "d0", (None, "rehearsal", FULL), (None, "strike", strikes), n=12)
        self.days = {"d0": 0}
        self.words: list[CoachWord] = []
        approved = [row.swing_id for row in self.rows[:12]]
        self.reference: Any = make_reference(self.rows, approved, upper={"turn_deg": upper_deg})
        self.rules = PlanRules()

    def add(self, *parts: Part, at: int | None = None) -> Course:
        number = len(self.days)
        name = f"d{number}"
        self.rows += day(100 + number, name, *parts)
        self.days[name] = max(self.days.values()) + 2 if at is None else at
        return self

    def practise(self, level: dict[str, float], kind: str = "rehearsal") -> Course:
        cued = "ball" if kind == "strike" else "rehearsal"
        return self.add(("retention", kind, level), (cued, kind, level), ("silent", kind, level))

    def stand(self, today: int | None = None) -> Standing:
        return standing(
            self.rows,
            self.days,
            self.reference,
            self.words,
            today=max(self.days.values()) if today is None else today,
            rules=self.rules,
        )


class TestBeginning:
    def test_nothing_yet(self) -> None:
        now = standing([], {}, NotYet.count(0, 8), today=0)
        assert now.stage is Stage.BASELINE
        assert "0 of 8 practice swings without sound so far" in now.why
        assert now.drill is not None
        assert now.drill.silent
        assert now.drill.cautions == cautions.PLAN
        assert now.drill.player is None

    def test_baseline_at_a_ball(self) -> None:
        rows = day(1, "d0", (None, "rehearsal", FULL))
        now = standing(rows, {"d0": 0}, NotYet.count(0, 8), today=0)
        assert now.stage is Stage.BASELINE
        assert now.drill is not None
        assert now.drill.ball
        assert now.drill.feedback == "none"
        home = PlanRules(baseline_strikes=0)
        now = standing(rows, {"d0": 0}, NotYet.count(0, 8), today=0, rules=home)
        assert now.stage is Stage.REFERENCE

    def test_a_provisional_reference_waits_for_the_coach(self) -> None:
        course = Course()
        course.reference = make_reference(course.rows)
        assert course.reference.provisional
        now = course.stand()
        assert now.stage is Stage.REFERENCE
        assert "a coach has to approve" in now.why
        assert now.provisional
        course.rules = PlanRules(needs_approval=False)
        assert course.stand().stage is Stage.FULL_TURN


class TestProgression:
    def test_first_drill(self) -> None:
        course = Course()
        now = course.stand(today=1)
        assert now.stage is Stage.FULL_TURN
        drill = now.drill
        assert drill is not None
        turn = course.reference.values["turn_deg"].middle
        assert drill.turn_target_deg == pytest.approx(0.95 * turn)
        assert drill.backswing_ms == round(course.reference.values["backswing_ms"].middle)
        assert (drill.player, drill.share, drill.repeats, drill.rest_s) == ("Ida", 0.95, 10, 15)
        assert (drill.feedback, drill.ball, drill.block) == ("every", False, "rehearsal")
        assert drill.describe().startswith("The usual sets, with a backswing of")

    def test_a_days_order(self) -> None:
        course = Course().add(("rehearsal", "rehearsal", FULL))
        silent = course.stand().drill
        assert silent is not None
        assert (silent.block, silent.silent, silent.another_day) == ("silent", True, False)
        course = Course().add(("rehearsal", "rehearsal", FULL), ("silent", "rehearsal", FULL))
        homework = course.stand().drill
        assert homework is not None
        assert (homework.block, homework.another_day) == ("rehearsal", True)
        assert homework.describe().startswith("Another day: ")
        kept = course.stand(today=9).drill
        assert kept is not None
        assert (kept.block, kept.feedback) == ("retention", "none")

    def test_moved_on_to_the_end(self) -> None:
        course = Course()
        brisk = [{"backswing_ms": 700 * (1 - 0.05 * k)} for k in range(3)]
        stages = []
        for level in (brisk[0], brisk[0], brisk[1], brisk[1], brisk[2], brisk[2]):
            course.practise(level)
            stages.append((course.stand().stage, course.stand().step))
        assert stages == [
            (Stage.FULL_TURN, 0),
            (Stage.BRISKER, 1),
            (Stage.BRISKER, 1),
            (Stage.BRISKER, 2),
            (Stage.BRISKER, 2),
            (Stage.BALL, 0),
        ]
        drill = course.stand(today=90).drill
        assert drill is not None
        assert drill.ball
        assert drill.block == "ball"
        assert drill.backswing_ms == pytest.approx(630, abs=12)
        course.practise(brisk[2], "strike").practise(brisk[2], "strike")
        now = course.stand()
        assert now.stage is Stage.KEEP
        assert now.drill is not None
        assert now.drill.block == "retention"
        assert [move[1] for move in now.path] == [
            Stage.FULL_TURN,
            Stage.BRISKER,
            Stage.BRISKER,
            Stage.BALL,
            Stage.KEEP,
        ]

    def test_one_day_is_not_enough(self) -> None:
        now = Course().practise(FULL).stand()
        assert now.stage is Stage.FULL_TURN
        assert "1 of 2 days with practice swings without sound so far" in now.why

    def test_not_moved_on_when_short(self) -> None:
        course = Course()
        for _ in range(5):
            course.practise(SHORT)
        now = course.stand()
        assert now.stage is Stage.FULL_TURN
        assert {f.measure for f in now.findings if not f.holds} == {"turn_deg", "backswing_ms"}
        known = {row.swing_id for row in course.rows}
        assert all(set(f.swing_ids) <= known and f.swing_ids for f in now.findings)
        assert " needed" in now.why

    def test_cued_swings_move_nobody_on(self) -> None:
        course = Course()
        for _ in range(4):
            course.add(("rehearsal", "rehearsal", FULL))
        assert course.stand().stage is Stage.FULL_TURN

    def test_still_slow_backswing_isnt_a_brisk_one(self) -> None:
        course = Course().practise(FULL).practise(FULL).practise(FULL).practise(FULL)
        course.rules = PlanRules(brisker_by=0.1)
        now = course.stand()
        assert (now.stage, now.step) == (Stage.BRISKER, 1)
        assert "still" in now.why

    def test_feedback_fades(self) -> None:
        course = Course()
        seen = []
        for k in range(4):
            drill = course.stand(today=2 * k).drill if k == 0 else None
            if drill is None:
                course_now = course.stand(today=max(course.days.values()))
                assert course_now.drill is not None
                seen.append(course_now.drill.feedback)
            course.practise(SHORT)
        assert seen == ["every", "outside", "fading"]

    def test_a_step_back(self) -> None:
        course = Course().practise(FULL).practise(FULL)
        assert course.stand().stage is Stage.BRISKER
        course.practise({"turn_deg": 118.0, "backswing_ms": 665.0})
        # One session alone may have been a bad day.
        assert course.stand().stage is Stage.BRISKER
        course.practise({"turn_deg": 118.0, "backswing_ms": 665.0})
        now = course.stand()
        assert now.stage is Stage.FULL_TURN
        assert "A step back: the turn fell from" in now.why
        assert "on day 6 and day 8, in each of the two sessions" in now.why
        course = Course().practise(FULL).practise(FULL)
        slow = {"peak_rate_dps": 780.0, "backswing_ms": 665.0}
        assert "the rotation fell from" in course.practise(slow).practise(slow).stand().why

    def test_two_bad_sessions_with_a_good_one_between_are_no_step_back(self) -> None:
        course = Course().practise(FULL).practise(FULL)
        bad = {"turn_deg": 118.0, "backswing_ms": 665.0}
        course.practise(bad).practise({"backswing_ms": 665.0}).practise(bad)
        assert Stage.FULL_TURN not in [move[1] for move in course.stand().path[1:]]


class TestFindings:
    def test_intervals_that_are_shown_are_95_percent_whatever_the_rule_asks(self) -> None:
        course = Course().practise(SHORT).practise(SHORT)
        wide = []
        for confidence in (0.5, 0.65, 0.9):
            course.rules = PlanRules(confidence=confidence)
            wide.append([f.high - f.low for f in course.stand().findings])
        assert len(wide[0]) == 2
        assert min(wide[0]) > 0.0
        assert wide[0] == pytest.approx(wide[1])
        assert wide[0] == pytest.approx(wide[2])

    def test_the_limit_that_is_not_met_is_among_the_findings(self) -> None:
        course = Course().practise(FULL).practise(FULL).practise(FULL).practise(FULL)
        now = course.stand()
        assert (now.stage, now.step) == (Stage.BRISKER, 1)
        assert "the backswing is still" in now.why
        assert "on day 6 and day 8" in now.why
        missed = [f for f in now.findings if not f.holds]
        (one,) = missed
        assert (one.measure, one.side) == ("backswing_ms", "at most")
        assert one.value > one.needed
        assert f"up to {one.needed:.0f} ms will do" in now.why


class TestExits:
    def test_already_long_in_time(self) -> None:
        course = Course(strikes=FULL)
        course.reference = dataclasses.replace(
            course.reference,
            values={
                **course.reference.values,
                "backswing_ms": dataclasses.replace(
                    course.reference.values["backswing_ms"], middle=1100.0, upper=1200.0
                ),
            },
        )
        now = course.stand()
        assert now.stage is Stage.NOT_LONGER
        assert now.drill is None
        assert "isn't made longer" in now.why

    def test_nothing_to_lengthen(self) -> None:
        # Two days of strikes: what one session shows may be that day's.
        course = Course(strikes=FULL)
        assert course.stand().stage is Stage.FULL_TURN
        for _ in range(4):
            course.add((None, "strike", FULL))
        now = course.stand()
        assert now.stage is Stage.NOT_LONGER
        assert "nothing here to make longer" in now.why
        assert all(f.holds for f in now.findings)

    @pytest.mark.parametrize("kind", ["strike", "rehearsal"])
    def test_beyond_comfort(self, kind: str) -> None:
        course = Course().add((None, kind, {"turn_deg": 176.0}))
        # Two sessions running, each told by itself; whatever the plan says, no tone goes over it.
        assert course.stand().stage is Stage.FULL_TURN
        course.add((None, kind, {"turn_deg": 176.0}))
        now = course.stand()
        assert now.stage is Stage.NOT_LONGER
        assert now.drill is None
        assert "is past full: the own range ends at" in now.why

    def test_it_looks_again_at_each_later_session(self) -> None:
        course = Course()
        for _ in range(2):
            course.add((None, "strike", {"turn_deg": 176.0}))
        first = course.stand()
        assert "on day 2 and day 4" in first.why
        # Still over it: the newest number, with its day and its own swings.
        course.add((None, "strike", {"turn_deg": 178.0}))
        still = course.stand()
        assert still.stage is Stage.NOT_LONGER
        assert "on day 6, still past full" in still.why
        (found,) = still.findings
        assert found.value == pytest.approx(178.0, abs=5.0)
        assert {x.partition("#")[0] for x in found.swing_ids} == {"d3"}
        # No longer over it: the plan stays where it is for now, and says so.
        course.add((None, "strike", {"turn_deg": 140.0}))
        gone = course.stand()
        assert gone.stage is Stage.NOT_LONGER
        assert gone.drill is None
        assert "That no longer shows" in gone.why
        assert "on day 8" in gone.why
        assert "If the next session says so too, the plan goes on" in gone.why
        (found,) = gone.findings
        assert (found.side, found.holds) == ("at most", True)
        # What doesn't bear on it changes nothing.
        course.add((None, "rehearsal", FULL), ("silent", "rehearsal", FULL))
        assert course.stand().why == gone.why

    def test_a_stop_is_left_by_two_sessions_that_no_longer_show_it(self) -> None:
        course = Course()
        for turn in (176.0, 176.0, 140.0):
            course.add((None, "strike", {"turn_deg": turn}))
        assert course.stand().stage is Stage.NOT_LONGER
        course.add((None, "strike", {"turn_deg": 140.0}))
        now = course.stand()
        assert now.stage is Stage.FULL_TURN
        assert "So in two sessions running, and the plan goes on." in now.path[-1][3].text
        assert now.drill is not None

    def test_enough_at_a_ball_is_looked_at_again_and_can_be_left(self) -> None:
        course = Course(strikes=FULL)
        for _ in range(4):
            course.add((None, "strike", FULL))
        assert course.stand().stage is Stage.NOT_LONGER
        course.add((None, "strike", FULL))
        assert "still on day 10" in course.stand().why
        for _ in range(3):
            course.add((None, "strike", SHORT))
        now = course.stand()
        assert "That no longer shows: by day 16 the turn is" in now.path[-1][3].text
        assert now.stage is Stage.FULL_TURN

    def test_a_reference_beyond_the_coachs_bound(self) -> None:
        now = Course(upper_deg=130.0).stand()
        assert now.stage is Stage.NOT_LONGER
        assert "own turn" in now.why

    @settings(max_examples=30)
    @given(
        st.integers(0, 1000),
        st.floats(100.0, 180.0),
        st.floats(100.0, 180.0),
        st.floats(110.0, 170.0),
    )
    def test_no_drill_over_the_bound(
        self, seed: int, rehearsal: float, strike: float, upper: float
    ) -> None:
        rows = day(
            seed,
            "d0",
            (None, "rehearsal", {"turn_deg": rehearsal}),
            (None, "strike", {"turn_deg": strike}),
        )
        reference = make_reference(
            rows, [row.swing_id for row in rows[:10]], upper={"turn_deg": upper}
        )
        assert isinstance(reference, Reference)
        now = standing(rows, {"d0": 0}, reference, today=1)
        if now.drill is not None and now.drill.turn_target_deg is not None:
            assert now.drill.turn_target_deg <= upper
            assert now.drill.share is not None
            middle = reference.values["turn_deg"].middle
            assert now.drill.share * middle <= now.drill.turn_target_deg + 1e-6
        if min(rehearsal, strike) > upper + 8:
            assert now.stage is Stage.NOT_LONGER


class TestWords:
    def test_the_coach_stops_and_starts_again(self) -> None:
        course = Course().practise(FULL)
        course.words.append(CoachWord(day=3, word="stop", text="back sore"))
        course.practise(FULL)
        now = course.stand()
        assert now.stage is Stage.STOPPED
        assert now.drill is None
        assert "back sore" in now.why
        course.words.append(CoachWord(day=5, word="resume"))
        assert course.stand().stage is Stage.FULL_TURN

    def test_discomfort_stops_it(self) -> None:
        course = Course().practise(FULL).practise(FULL)
        course.words.append(CoachWord(day=4, word="discomfort"))
        now = course.stand()
        assert now.stage is Stage.STOPPED
        assert now.drill is None
        assert "clinician" in now.why
        course.words.append(CoachWord(day=6, word="resume"))
        now = course.stand()
        assert (now.stage, now.step) == (Stage.BRISKER, 1)

    def test_the_coach_overrides(self) -> None:
        course = Course()
        course.words.append(CoachWord(day=1, word="move_to", stage=Stage.BRISKER, step=2))
        now = course.stand(today=1)
        assert (now.stage, now.step) == (Stage.BRISKER, 2)
        assert now.drill is not None
        # Also without a reference: then there is nothing to cue.
        course.reference = NotYet.count(0, 8)
        now = course.stand(today=1)
        assert now.drill is not None
        assert now.drill.backswing_ms is None
        course.practise(FULL)
        assert course.stand().stage is Stage.REFERENCE

    def test_an_override_holds(self) -> None:
        course = Course(strikes=FULL)
        for _ in range(4):
            course.add((None, "strike", FULL))
        assert course.stand().stage is Stage.NOT_LONGER
        course.words.append(CoachWord(day=9, word="move_to", stage=Stage.FULL_TURN))
        course.practise(FULL)
        now = course.stand()
        assert now.stage is Stage.FULL_TURN
        assert now.drill is not None

    def test_words_are_kept_as_plain_values(self) -> None:
        for word in (
            CoachWord(day=3, word="stop", text="enough"),
            CoachWord(day=4, word="move_to", stage=Stage.BRISKER, step=2),
            CoachWord(day=5, word="discomfort"),
        ):
            assert word_from_dict(json.loads(json.dumps(word.as_dict()))) == word
        with pytest.raises(ValueError, match="needs a day"):
            word_from_dict({"day": 1, "word": "faster"})
        with pytest.raises(ValueError, match="names a stage"):
            CoachWord(day=1, word="move_to")


class TestVolume:
    def test_by_hand(self) -> None:
        days = [0] * 40 + [7] * 60 + [14] * 50 + [20] * 30 + [21] * 90
        got = volume(days, [True] * len(days), today=21)
        # Seven days to the 21st hold the 20th and 21st; the weeks before held 50, 60 and 40.
        assert (got.today, got.week, got.strikes_week, got.usual_week) == (90, 120, 120, 50.0)
        assert not got.rest
        assert len(got.cautions) == 1
        assert "50 are this player's usual" in got.cautions[0]

    def test_limits_mean_rest(self) -> None:
        course = Course()
        for _ in range(5):
            course.add(("rehearsal", "rehearsal", FULL), ("silent", "rehearsal", FULL), at=8)
        now = course.stand(today=8)
        assert now.volume.rest
        assert now.drill is None
        assert "Rest first" in now.why
        assert course.stand(today=9).drill is not None
        # Other clubs count as well, if they are told.
        elsewhere = volume([9] * 120, [True] * 120, today=9)
        resting = standing(course.rows, course.days, course.reference, today=9, swung=elsewhere)
        assert resting.drill is None
        balls = volume([3] * 201, [True] * 201, today=6, rules=PlanRules(most_swings_day=500))
        assert balls.rest
        assert "more injuries" in balls.cautions[0]

    @given(st.lists(st.integers(-50, 50), max_size=60), st.integers(-50, 50))
    def test_counts(self, days: list[int], today: int) -> None:
        got = volume(days, [False] * len(days), today)
        assert got.today <= got.week <= len(days)
        assert got.week == sum(today - 7 < d <= today for d in days)
        assert got.strikes_week == 0

    def test_refuses(self) -> None:
        with pytest.raises(ValueError, match="one kind"):
            volume([1], [], 1)


def test_refusals() -> None:
    course = Course()
    with pytest.raises(ValueError, match="has no day"):
        standing(course.rows, {}, course.reference, today=1)
    with pytest.raises(MixedError, match="clubs"):
        standing(
            [*course.rows, *rows_of("x", {"turn_deg": [1.0]}, club="7 iron")],
            {**course.days, "x": 1},
            course.reference,
            today=1,
        )
    other = rows_of("x", {"turn_deg": [1.0]}, club="7 iron")
    with pytest.raises(ValueError, match="reference is for another"):
        standing(other, {"x": 0}, course.reference, today=1)


@pytest.mark.parametrize(
    "rule",
    [
        {"turn_share": 1.1},
        {"time_share": 0.0},
        {"confidence": 1.0},
        {"silent_days": 0},
        {"rest_s": -1},
        {"brisker_by": 0.4},
        {"long_backswing_ms": 0.0},
    ],
)
def test_rules_that_make_no_sense_are_refused(rule: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match=r"must"):
        PlanRules(**rule)


def test_is_a_function_of_what_happened() -> None:
    course = Course().practise(FULL).practise(FULL).practise(SHORT)
    shuffled = [course.rows[k] for k in np.random.default_rng(1).permutation(len(course.rows))]
    again = standing(shuffled, course.days, course.reference, today=6)
    assert (again.stage, again.path) == (course.stand().stage, course.stand().path)


def test_moves_as_often_as_stated() -> None:
    got = plans(np.random.default_rng(16), 40)
    # Targets 90 % and 95 %, less two standard errors of 40 runs.
    assert got["moved_within_3"] > 0.80
    assert got["stayed"] > 0.88
    assert got["told_further"] == 0


def test_the_benchmarks_table_marks_what_misses() -> None:
    numbers: dict[str, Any] = {
        "changes": {"a": {"alarms": 0.05, "told": 0.84}, "b": {"alarms": 0.08, "told": 0.79}},
        "balls": {"in twos": {"held": 0.95, "half_width_ms": 25.0}},
        "readings": {"time": {"one": 0.85, "two": 0.96, "wrong": 0.0}},
        "relations": {"x": {"held": 0.99}, "y": {"found": 0.02}},
        "speeds": {"held": 0.95, "given": 0.9},
        "plans": {
            "moved_within_3": 0.95,
            "moved_early": 0.0,
            "stayed": 0.97,
            "told_further": 0,
            "overswinger_drills": 9,
            "overswinger_left": 1.0,
        },
    }
    text = tables(numbers)
    assert [line.split("|")[1].strip() for line in text.splitlines() if "**" in line] == [
        "false alarms: b",
        "the stated detectable change, told (least)",
        "time: ... at two",
        "x: truth inside",
    ]
