"""The drill: schedules, blocks, the feel before the numbers, what a coach finds afterwards."""

from __future__ import annotations

import json
import math
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from performing import Swung

from feedback.drill import Drill
from feedback.drill_actions import Action, Ask, Done, Line, Mark, Play, PlayCue, SetTurn, Show
from feedback.drill_outcome import asynchrony_lines, judge, spread
from feedback.drill_plan import SCHEDULES, Block, DrillPlan, DrillReference, feedback_due
from feedback.errors import DrillError
from feedback.stage import INTERRUPTED

OWN = DrillReference(backswing_ms=800.0, full_turn_deg=130.0, upper_turn_deg=145.0)


def plan(*blocks: Block, **options: Any) -> DrillPlan:
    options.setdefault("reference", OWN)
    return DrillPlan(blocks=blocks or (Block("rehearsal", 3),), **options)


def kinds(actions: list[Action]) -> list[str]:
    return [type(action).__name__ for action in actions]


def marks(actions: list[Action], kind: str) -> list[dict[str, Any]]:
    return [a.fields for a in actions if isinstance(a, Mark) and a.kind == kind]


# -- a swing beside the reference -----------------------------------------------------------------


@pytest.mark.parametrize(
    ("backswing_ms", "turn_deg", "time", "turn"),
    [
        (800.0, 130.0, "enough", "full"),
        (760.0, 123.5, "enough", "full"),
        (759.9, 123.4, "short", "short"),
        (2000.0, 146.0, "enough", "beyond"),
        (None, 130.0, None, "full"),
        (800.0, None, "enough", None),
    ],
)
def test_judging(
    backswing_ms: float | None, turn_deg: float | None, time: str | None, turn: str | None
) -> None:
    judged = judge(Swung(backswing_ms=backswing_ms, turn_deg=turn_deg), OWN)
    assert (judged.time, judged.turn) == (time, turn)
    assert judged.outside == ("short" in (time, turn) or turn == "beyond")


def test_without_a_reference_nothing_is_called_short() -> None:
    judged = judge(Swung(backswing_ms=100.0, turn_deg=31.0), DrillReference())
    assert (judged.time, judged.turn, judged.outside) == (None, None, False)


# -- schedules ------------------------------------------------------------------------------------


def test_schedules() -> None:
    def given_for(schedule: Any, *, outside: bool = True) -> list[bool]:
        return [feedback_due(schedule, k, 10, outside=outside) for k in range(10)]

    assert given_for("every") == [True] * 10
    assert given_for("none") == [False] * 10
    assert given_for("outside") == [True] * 10
    assert given_for("outside", outside=False) == [False] * 10
    fading = given_for("fading")
    assert sum(fading) == 5
    assert sum(fading[:5]) > sum(fading[5:])
    assert fading[0]
    assert not fading[-1]


@settings(deadline=None)
@given(of=st.integers(1, 300))
def test_fading_gives_half_and_ever_less(of: int) -> None:
    due = [feedback_due("fading", k, of, outside=False) for k in range(of)]
    assert sum(due) in (math.floor(of / 2), math.ceil(of / 2))
    given_at = [k for k, d in enumerate(due) if d]
    gaps = [b - a for a, b in pairwise(given_at)]
    assert all(later >= earlier - 1 for k, earlier in enumerate(gaps) for later in gaps[k:])
    assert of == 1 or due[0]


# -- asynchrony -----------------------------------------------------------------------------------


def test_asynchrony_of_a_worked_example() -> None:
    # By hand: differences -20, +10, -50; mean -20; deviations 0, 30, -30; sum of squares 1800,
    # over n - 1 = 2: 900, root 30.
    result = spread([980.0 - 1000.0, 6010.0 - 6000.0, 10_950.0 - 11_000.0])
    assert (result.n, result.mean, result.sd) == (3, -20.0, 30.0)


def test_too_few_have_no_spread() -> None:
    assert spread([]).as_dict() == {"n": 0, "mean": None, "sd": None}
    assert spread([4.0]).as_dict() == {"n": 1, "mean": 4.0, "sd": None}


def test_a_swing_is_set_beside_the_cue() -> None:
    drill = Drill(plan(Block("rehearsal", 2)))
    drill.begin(0.0)
    assert "PlayCue" in kinds(drill.tick(10.0))
    # At 200 samples a second: 12 late at the takeaway is 60 ms; 700 ms instead of 800 is a top
    # 100 ms earlier, so 40 ms before the beep.
    drill.cue_played(1000.0, 1160.0)
    out = drill.swing(Swung(backswing_ms=700.0), 13.0, takeaway_seq=1012.0, rate_hz=200.0)
    mark = marks(out, "drill_swing")[0]
    assert mark["late_at_takeaway_ms"] == 60.0
    assert mark["late_at_top_ms"] == -40.0
    assert drill.outcome["asynchrony_takeaway_ms"] == {"n": 1, "mean": 60.0, "sd": None}
    assert drill.outcome["asynchrony_top_ms"]["mean"] == -40.0


def cued_drill(*late_ms: float | None, cue_on: Any = "ready") -> Drill:
    """Swings so far from their cue; None: the cue was interrupted."""
    drill = Drill(plan(Block("rehearsal", len(late_ms)), cue_on=cue_on, rest_s=1.0))
    now = 0.0
    drill.begin(now)
    for late in late_ms:
        now += 30.0
        assert "PlayCue" in kinds(drill.tick(now))
        why = {} if late is not None else dict.fromkeys(("takeaway", "top"), INTERRUPTED)
        drill.cue_played(1000.0, 1160.0, why)
        now += 5.0
        takeaway = 1000.0 + 0.2 * (late or 0.0)
        drill.swing(Swung(), now, takeaway_seq=takeaway, rate_hz=200.0)
    return drill


def test_swings_that_did_not_go_with_the_cue_are_counted_and_said() -> None:
    # By hand: of 40, -20 and 100 ms the mean is 40, the deviations 0, -60, 60: root of 7200 / 2.
    outcome = cued_drill(40.0, -20.0, 1000.5, 100.0, -2000.0, None).outcome
    assert outcome["cued_swings"] == 5
    assert outcome["followed_cue"] == 3
    assert outcome["cue_left_out"] == {INTERRUPTED: 1}
    assert outcome["asynchrony_takeaway_ms"] == {"n": 3, "mean": 40.0, "sd": 60.0}
    assert outcome["blocks"][0]["cued_swings"] == 5
    assert asynchrony_lines(outcome) == [
        "the cue: 3 of 5 swings went with it (takeaway within 1 s)",
        "the cue: 1 swing left out: the sound was interrupted",
        "takeaway: 40 ms after the cue on average, scatter 60 ms (n 3)",
        "top: 40 ms after the cue on average, scatter 60 ms (n 3)",
    ]


def test_too_few_that_followed_have_a_reason() -> None:
    for late, few in (((1500.0, 1500.0), "no swing"), ((10.0, 1500.0), "only one swing")):
        lines = asynchrony_lines(cued_drill(*late).outcome)
        assert lines[0].startswith(f"the cue: {int(late[0] == 10.0)} of 2 swings went with it")
        assert lines[1:] == [
            f"takeaway: no mean and scatter: {few} could be set beside the cue",
            f"top: no mean and scatter: {few} could be set beside the cue",
        ]
    assert asynchrony_lines(Drill(plan(cue_on=None)).outcome) == []
    assert asynchrony_lines(cued_drill(None).outcome) == [
        "the cue: 1 swing left out: the sound was interrupted"
    ]


def test_of_several_cues_a_swing_is_set_beside_the_nearest() -> None:
    drill = Drill(plan(Block("rehearsal", 2)))
    drill.begin(0.0)
    assert "PlayCue" in kinds(drill.tick(10.0))
    drill.cue_played(1000.0, 1160.0)
    drill.cue_played(4000.0, 4160.0, {"top": "called off"})
    out = drill.swing(Swung(), 16.0, takeaway_seq=1010.0, rate_hz=200.0)
    assert marks(out, "drill_swing")[0]["late_at_takeaway_ms"] == 50.0
    assert drill.outcome["followed_cue"] == 1


def test_a_swing_without_a_cue_is_none_that_did_not_follow() -> None:
    drill = Drill(plan())
    drill.begin(0.0)
    drill.swing(Swung(), 5.0, takeaway_seq=1010.0, rate_hz=200.0)
    assert drill.outcome["cued_swings"] == 0


# -- the course of a drill ------------------------------------------------------------------------


def test_a_drill_from_begin_to_outcome() -> None:
    drill = Drill(plan(Block("rehearsal", 1), Block("ball", 1), rest_s=10.0))
    out = drill.begin(0.0)
    assert marks(out, "drill")[0]["reference"]["full_turn_deg"] == 130.0
    assert marks(out, "block")[0]["block_kind"] == "rehearsal"
    assert drill.tick(9.9) == []
    out = drill.tick(10.0)
    assert PlayCue(800.0) in out
    out = drill.swing(Swung(backswing_ms=700.0), 13.0)
    assert kinds(out) == ["StopCue", "Mark", "Show", "Play", "Mark", "Mark", "Line", "Play"]
    assert Play("result", "short", "full") in out
    assert marks(out, "block_outcome")[0]["time_enough"] == 0
    assert drill.block.kind == "ball"
    assert drill.tick(22.0) == []
    assert PlayCue(800.0) in drill.tick(23.0)
    out = drill.swing(Swung(index=2, strike=True), 26.0)
    assert isinstance(out[-1], Done)
    outcome = marks(out, "drill_outcome")[0]
    assert outcome["swings"] == 2
    assert [b["strikes"] for b in outcome["blocks"]] == [0, 1]
    assert outcome["blocks"][1]["time_enough"] == 1
    json.dumps(outcome, allow_nan=False)
    assert drill.swing(Swung(), 30.0) == []


def test_in_a_silent_block_nothing_is_heard_or_told() -> None:
    for kind in ("silent", "retention"):
        drill = Drill(plan(Block(kind, 2)))  # type: ignore[arg-type]
        out = drill.begin(0.0)
        for t in range(1, 60):
            out += drill.tick(float(t))
        out += drill.turn("full", 60.0, seq=1, takeaway_seq=0.0, turn_deg=130.0)
        out += drill.turn("over", 60.1, seq=1, takeaway_seq=0.0, turn_deg=150.0)
        out += drill.swing(Swung(backswing_ms=500.0), 61.0)
        assert not {"Play", "PlayCue", "Show"} & set(kinds(out))
        assert not any("500" in a.text for a in out if isinstance(a, Line))
        # It is measured all the same.
        assert marks(out, "drill_swing")[0]["time"] == "short"


def test_the_feel_is_asked_before_the_numbers() -> None:
    drill = Drill(plan(felt_every=1))
    drill.begin(0.0)
    drill.tick(10.0)
    out = drill.swing(Swung(), 13.0)
    assert kinds(out) == ["StopCue", "Mark", "Ask"]
    assert drill.key("x", 13.5) == []
    out = drill.key("1", 14.0)
    assert out[0] == Mark("felt", {"felt": "rushed", "number": 1})
    assert kinds(out)[1:] == ["Show", "Play"]
    # Another word on it still counts, but isn't free of the numbers.
    late = Mark("felt", {"felt": "slow", "number": 1, "after_numbers": True})
    assert drill.key("3", 14.5) == [late]


def test_a_feel_that_is_not_told_is_not_waited_for() -> None:
    drill = Drill(plan(felt_every=1))
    drill.begin(0.0)
    assert kinds(drill.key("1", 1.0)) == ["Line"]
    drill.swing(Swung(), 6.0)
    assert drill.tick(35.9) == []
    out = drill.tick(36.0)
    assert kinds(out) == ["Line", "Show", "Play"]
    assert isinstance(out[0], Line)
    assert "no answer within 30 s" in out[0].text
    late = Mark("felt", {"felt": "slow", "number": 1, "after_numbers": True})
    assert drill.key("3", 37.0) == [late]
    drill.swing(Swung(), 40.0)
    # Arms that come down from the finish don't answer it.
    assert drill.turn("takeaway", 41.5, seq=1, takeaway_seq=0.0, turn_deg=12.0) == []
    # The next swing begins: the numbers of the last one come now, but no tones.
    assert kinds(drill.turn("takeaway", 45.0, seq=1, takeaway_seq=0.0, turn_deg=12.0)) == ["Show"]


def test_outside_means_that_silence_is_good_news() -> None:
    drill = Drill(plan(schedule="outside"))
    drill.begin(0.0)
    assert not {"Show", "Play"} & set(kinds(drill.swing(Swung(), 6.0)))
    assert {"Show", "Play"} <= set(kinds(drill.swing(Swung(turn_deg=100.0), 30.0)))


def test_full_and_over_are_confirmed_while_going_back() -> None:
    drill = Drill(plan())
    drill.begin(0.0)
    out = drill.turn("full", 1.0, seq=7, takeaway_seq=0.0, turn_deg=124.0)
    assert out[0] == Play("full")
    assert marks(out, "tone")[0] == {"name": "full", "at_seq": 7, "turn_deg": 124.0}
    assert drill.turn("over", 1.0, seq=8, takeaway_seq=0.0, turn_deg=146.0)[0] == Play("over")
    assert marks(drill.swing(Swung(), 2.0), "drill_swing")[0]["confirmed"] is True
    assert drill.outcome["blocks"][0]["confirmed_live"] == 1


def test_the_cue_joins_the_players_own_takeaway() -> None:
    drill = Drill(plan(cue_on="takeaway"))
    drill.begin(0.0)
    assert drill.turn("takeaway", 1.0, seq=9, takeaway_seq=5.5, turn_deg=12.0) == []
    # Until a swing is known, much else begins alike: that is said.
    said = drill.tick(12.0)
    assert not any(isinstance(a, PlayCue) for a in said)
    assert any("from the second swing on" in a.text for a in said if isinstance(a, Line))
    assert drill.turn("takeaway", 26.0, seq=9, takeaway_seq=5.5, turn_deg=30.0) == []
    drill.swing(Swung(), 28.0)
    assert not any("second swing" in str(a) for a in drill.tick(33.5 + 10.0))
    other = drill.turn("takeaway", 44.0, seq=9, takeaway_seq=5.5, turn_deg=12.0, likely=False)
    assert other == []
    assert drill.turning(30.0, 44.1) == []
    assert drill.turn("takeaway", 45.0, seq=99, takeaway_seq=55.5, turn_deg=12.0) == []
    assert drill.turning(19.9, 45.04) == []
    assert drill.turning(20.1, 45.06) == [PlayCue(800.0, 55.5)]
    assert drill.turning(25.0, 45.1) == []
    lapsed = drill.turn("lapsed", 45.5, seq=120, takeaway_seq=55.5, turn_deg=3.0)
    assert kinds(lapsed) == ["StopCue"]
    drill.turn("takeaway", 47.0, seq=499, takeaway_seq=455.5, turn_deg=12.0)
    assert kinds(drill.turning(25.0, 47.1)) == ["PlayCue"]
    drill.cue_played(455.5, 615.5)
    mark = marks(drill.swing(Swung(), 49.0, takeaway_seq=456.0, rate_hz=200.0), "drill_swing")[0]
    assert "late_at_takeaway_ms" not in mark
    assert mark["late_at_top_ms"] == 2.5


def test_a_lost_sensor_makes_the_drill_wait() -> None:
    drill = Drill(plan(rest_s=10.0))
    drill.begin(0.0)
    out = drill.link(True, 1.0)
    assert {"Play", "Line", "Mark"} <= set(kinds(out))
    assert Play("lost") in out
    assert drill.tick(100.0) == []
    assert drill.link(True, 101.0) == []
    assert Play("back") in drill.link(False, 200.0)
    assert drill.tick(204.0) == []
    assert any(isinstance(a, PlayCue) for a in drill.tick(205.0))


def test_no_cue_breaks_into_a_swing() -> None:
    drill = Drill(plan(rest_s=10.0))
    drill.begin(0.0)
    drill.turn("takeaway", 9.5, seq=1, takeaway_seq=0.0, turn_deg=12.0)
    assert drill.tick(10.5) == []
    drill.turn("lapsed", 10.6, seq=1, takeaway_seq=0.0, turn_deg=12.0)
    assert PlayCue(800.0) in drill.tick(10.7)


def test_cues_without_a_swing_come_to_an_end() -> None:
    drill = Drill(plan(rest_s=10.0))
    drill.begin(0.0)
    cues = sum(isinstance(a, PlayCue) for t in range(1000) for a in drill.tick(float(t)))
    assert cues == 3
    assert any(isinstance(a, PlayCue) for a in drill.key(" ", 1000.0))


def test_what_has_no_reference_is_taken_from_the_first_swings() -> None:
    drill = Drill(plan(Block("rehearsal", 5), reference=DrillReference()))
    drill.begin(0.0)
    assert not any(isinstance(a, PlayCue) for a in drill.tick(10.0))
    drill.swing(Swung(turn_deg=126.0, backswing_ms=810.0), 10.0)
    drill.swing(Swung(turn_deg=131.0, backswing_ms=790.0), 40.0)
    out = drill.swing(Swung(turn_deg=150.0, backswing_ms=None), 70.0)
    assert SetTurn(131.0) in out
    assert marks(out, "drill_reference")[0] == {
        "full_turn_deg": 131.0,
        "backswing_ms": 800.0,
        "provisional": True,
    }
    assert any("middle of your first" in a.text for a in out if isinstance(a, Line))
    assert PlayCue(800.0) in drill.tick(100.0)
    assert drill.swing(Swung(turn_deg=100.0), 110.0)
    assert drill.tallies[0].judged[-1].turn == "short"


def test_a_progression_moves_the_reference() -> None:
    drill = Drill(plan(Block("rehearsal", 2), backswings_ms=(900.0, 700.0)))
    drill.begin(0.0)
    assert PlayCue(900.0) in drill.tick(10.0)
    assert marks(drill.swing(Swung(), 13.0), "drill_swing")[0]["time"] == "short"
    assert PlayCue(700.0) in drill.tick(30.0)
    assert marks(drill.swing(Swung(), 33.0), "drill_swing")[0]["time"] == "enough"


def test_an_interrupted_sound_marks_the_drill() -> None:
    drill = Drill(plan(Block("rehearsal", 1)))
    drill.begin(0.0)
    assert marks(drill.sound_interrupted(2), "sound") == [{"underflows": 2, "lost": False}]
    out = drill.swing(Swung(), 6.0)
    assert marks(out, "drill_outcome")[0]["sound_interrupted"] is True
    assert marks(out, "block_outcome")[0]["sound_interrupted"] is True


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"blocks": ()}, "at least one"),
        ({"rest_s": 0.1}, "rest"),
        ({"reference": DrillReference(share=1.2)}, "share"),
        ({"reference": DrillReference(full_turn_deg=130.0, upper_turn_deg=120.0)}, "upper end"),
    ],
)
def test_what_does_not_go_together_is_refused(options: dict[str, Any], words: str) -> None:
    values: dict[str, Any] = {"blocks": (Block("ball", 1),), "reference": OWN, **options}
    with pytest.raises(DrillError, match=words):
        DrillPlan(**values)


EVENTS = st.lists(
    st.one_of(
        st.tuples(st.just("tick"), st.floats(0.0, 40.0)),
        st.tuples(st.just("swing"), st.floats(0.0, 5.0)),
        st.tuples(st.sampled_from(["takeaway", "full", "over", "top", "lapsed"]), st.just(0.1)),
        st.tuples(st.sampled_from(["key 1", "key  ", "key z", "lost", "back"]), st.just(0.1)),
    ),
    max_size=60,
)


@settings(deadline=None)
@given(
    events=EVENTS,
    blocks=st.lists(
        st.builds(
            Block,
            st.sampled_from(["rehearsal", "ball", "silent", "retention"]),
            st.integers(1, 3),
        ),
        min_size=1,
        max_size=3,
    ),
    schedule=st.sampled_from(SCHEDULES),
    cue_on=st.sampled_from([None, "ready", "takeaway"]),
    felt=st.booleans(),
    own=st.sampled_from([OWN, DrillReference()]),
)
def test_whatever_happens_it_keeps_to_its_plan(
    events: list[tuple[str, float]],
    blocks: list[Block],
    schedule: Any,
    cue_on: Any,
    felt: bool,
    own: DrillReference,
) -> None:
    drill = Drill(
        plan(*blocks, schedule=schedule, cue_on=cue_on, felt_every=int(felt), reference=own)
    )
    now, out = 0.0, drill.begin(0.0)
    for kind, wait in events:
        now += wait
        quiet, lost = drill.quiet, drill.lost
        before = drill.state
        if kind == "tick":
            new = drill.tick(now)
        elif kind == "swing":
            new = drill.swing(Swung(index=drill.done + 1), now, takeaway_seq=1.0, rate_hz=200.0)
        elif kind.startswith("key"):
            new = drill.key(kind[4:], now)
        elif kind in ("lost", "back"):
            new = drill.link(kind == "lost", now)
        else:
            new = drill.turn(kind, now, seq=1, takeaway_seq=0.0, turn_deg=100.0)
        if quiet and drill.quiet:
            names = {a.name for a in new if isinstance(a, Play)}
            assert names <= {"lost", "back", "block"}
            assert not any(isinstance(a, PlayCue | Show) for a in new)
        if lost and kind not in ("back", "swing"):
            assert not any(isinstance(a, PlayCue) for a in new)
        if before == "done":
            assert new == []
        out += new
    out += drill.stop() if drill.state != "done" else []
    assert drill.done <= drill.plan.repeats
    assert sum(isinstance(a, Done) for a in out) == 1
    assert len(marks(out, "drill_outcome")) == 1
    assert len(marks(out, "drill_swing")) == drill.done
    assert sum(isinstance(a, Ask) for a in out) == (drill.done if felt else 0)
    for action in out:
        if isinstance(action, Mark):
            json.dumps(action.fields, allow_nan=False)
