"""Who sounds when: a cue belongs to one swing, sounds follow each other, what is late is silent."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from performing import RATE_HZ, Ear, Performance

from feedback.cue import Cue
from feedback.drill_actions import Line, Play, PlayCue, StopTones
from feedback.drill_actions import Show as ShowSwing
from feedback.drill_plan import Block, DrillPlan, DrillReference
from feedback.mixer import LEVEL
from feedback.patterns import Sounds
from feedback.stage import INTERRUPTED, SILENT, Stage

OWN = DrillReference(backswing_ms=800.0, full_turn_deg=130.0, upper_turn_deg=145.0)


def plan(*blocks: Block, **options: Any) -> DrillPlan:
    options.setdefault("reference", OWN)
    return DrillPlan(blocks=blocks or (Block("rehearsal", 50),), **options)


def one_at_a_time(ear: Ear) -> None:
    """No two sounds overlap, and the level stays at that of one."""
    for (_, end, _), (begin, _, _) in pairwise(ear.sounding()):
        assert begin >= end - 1e-9
    assert np.abs(ear.all_heard()).max(initial=0.0) <= LEVEL * 1.001


# -- a cue belongs to one swing -------------------------------------------------------------------

# Rest before the takeaway, backswing, from top to found, whether it is a waggle instead.
SWINGS = st.lists(
    st.tuples(
        st.floats(0.3, 14.0), st.floats(0.4, 3.0), st.floats(0.9, 2.5), st.sampled_from([0, 0, 1])
    ),
    min_size=1,
    max_size=6,
)


@settings(max_examples=100, deadline=None)
@given(
    swings=SWINGS,
    rest_s=st.floats(1.0, 6.0),
    cue_on=st.sampled_from(["ready", "takeaway"]),
    keys=st.booleans(),
)
def test_no_cue_crosses_a_swing_and_no_two_cross_each_other(
    swings: list[tuple[float, float, float, int]], rest_s: float, cue_on: Any, keys: bool
) -> None:
    one = Performance(plan(rest_s=rest_s, cue_on=cue_on))
    one.until(9.0)
    under_way: list[tuple[float, float]] = []
    for wait_s, backswing_s, found_s, waggle in swings:
        begin = one.now_s + wait_s
        if waggle:
            one.until(begin)
            one.turn("takeaway", begin - 0.2, 12.0)
            one.until(begin + 0.2)
            one.turn("lapsed", begin - 0.2, 3.0)
            continue
        one.swing(begin, backswing_s, found_s=found_s)
        # Waggles have been passed 0.3 of the backswing after it began; a step for what is heard.
        under_way.append((begin + 0.3 * backswing_s + 0.03, one.now_s + 1.0))
        if keys:
            one.do(one.drill.key(" ", one.now_s))
    one.until(one.now_s + 20.0)
    parts = [(at, voice) for at, voices in one.cues for voice in voices]
    if cue_on == "ready":
        cue = Cue(800.0, RATE_HZ)
        beginnings = (len(cue.ready_sound), len(cue.parts()[1].sound))
        for voice, sound in one.ear.voices:
            if voice.started is not None and len(sound) in beginnings:
                start = voice.started / RATE_HZ
                assert not any(a < start < b for a, b in under_way), (start, under_way)
    assert len({id(v) for _, v in parts}) == len(parts)
    heard = [
        (
            min(v.started for v in voices if v.started is not None),
            max(v.started + len(v.sound) for v in voices if v.started is not None),
        )
        for _, voices in one.cues
        if any(v.started is not None for v in voices)
    ]
    for (_, end), (begin, _) in pairwise(sorted(heard)):
        assert begin >= end
    one_at_a_time(one.ear)


def test_a_swing_before_the_glide_ends_the_cue_and_its_beats_are_not_heard() -> None:
    one = Performance(plan(Block("rehearsal", 2), rest_s=5.0))
    one.until(10.1)
    assert one.cues[0][0] == pytest.approx(10.0, abs=0.03)
    one.swing(10.4)
    _, beats = one.beats[0]
    assert {b.name: b.why_not for b in beats} == {
        "ready": None,
        "takeaway": "a backswing began before it",
        "top": "a backswing began before it",
    }
    assert not any(10.6 < at < 12.6 for at, _, s in one.ear.sounding() if len(s) > 2000)
    outcome = one.drill.outcome
    assert (outcome["cued_swings"], outcome["followed_cue"]) == (1, 0)


def test_a_swing_with_the_cue_keeps_glide_and_top() -> None:
    one = Performance(plan(Block("rehearsal", 2), rest_s=5.0))
    one.until(10.1)
    # The glide begins 1.2 s after the ready beep.
    one.swing(11.25, tones=False)
    _, beats = one.beats[0]
    assert [b.why_not for b in beats] == [None, None, None]
    late = one.marks("drill_swing")[0]
    takeaway = beats[1].heard_ns * 1e-9
    assert late["late_at_takeaway_ms"] == pytest.approx(1e3 * (11.25 - takeaway), abs=0.1)
    assert late["late_at_top_ms"] == pytest.approx(late["late_at_takeaway_ms"], abs=0.2)


def test_a_swing_long_after_its_cue_is_not_led_by_the_rest_of_it() -> None:
    own = DrillReference(backswing_ms=3000.0, full_turn_deg=130.0)
    one = Performance(plan(Block("rehearsal", 2), reference=own, rest_s=5.0))
    one.until(10.1)
    one.swing(12.1, tones=False)
    _, beats = one.beats[0]
    why = {b.name: b.why_not for b in beats}
    assert why["takeaway"] is None
    assert why["top"] == "the backswing began long after it"


def test_the_full_turn_takes_the_place_of_the_glide_and_leaves_the_top() -> None:
    for late_s in np.arange(-0.15, 0.3, 0.03):
        one = Performance(plan(Block("rehearsal", 2), rest_s=5.0))
        one.until(10.1)
        one.swing(11.2 + float(late_s))
        one.until(20.0)
        one_at_a_time(one.ear)
        sounds = Sounds(RATE_HZ)
        bells = [
            end - begin
            for begin, end, s in one.ear.sounding()
            if np.array_equal(s[:100], sounds.full[:100])
        ]
        assert len(bells) == 1
        assert bells[0] >= 0.03
        top = one.beats[0][1][2]
        assert (top.name, top.why_not) == ("top", None)


# -- after a swing --------------------------------------------------------------------------------


@settings(max_examples=100, deadline=None)
@given(
    asked=st.lists(
        st.tuples(
            st.floats(0.0, 1.5),
            st.sampled_from(["enough", "short", None]),
            st.sampled_from(["full", "short", "beyond", None]),
            st.booleans(),
        ),
        min_size=1,
        max_size=6,
    )
)
def test_sounds_after_a_swing_follow_each_other(
    asked: list[tuple[float, str | None, str | None, bool]],
) -> None:
    ear = Ear()
    stage = Stage(ear, Sounds(RATE_HZ))
    for wait_s, time, turn, block in asked:
        ear.now_s += wait_s
        ear.frame_now()
        stage.play("result", time, turn)
        if block:
            stage.play("block")
    wanted = sum((t is not None or u is not None) + b for _, t, u, b in asked)
    ear.now_s += 20.0
    ear.frame_now()
    assert len(ear.sounding()) == wanted
    one_at_a_time(ear)
    for (_, end, _), (begin, _, _) in pairwise(ear.sounding()):
        assert begin - end >= 0.25
    assert ear.mixer.late == 0


def test_the_next_block_comes_after_the_tones_of_the_swing() -> None:
    one = Performance(plan(Block("rehearsal", 1), Block("ball", 1), rest_s=5.0))
    one.swing(12.0)
    one.until(25.0)
    assert len(one.starts_of("block")) == 1
    one_at_a_time(one.ear)


def test_a_lost_sensor_silences_all_else() -> None:
    one = Performance(plan(rest_s=5.0))
    one.until(11.3)
    one.do(one.drill.link(True, one.now_s))
    one.until(14.0)
    one_at_a_time(one.ear)
    assert len(one.starts_of("lost")) == 1
    why = {b.name: b.why_not for b in one.beats[0][1]}
    assert why["top"] == "the sensor was lost"


# -- a question that nobody answers ---------------------------------------------------------------


def test_no_tone_of_the_swing_before_in_the_next_and_the_block_begins_before_it() -> None:
    one = Performance(
        plan(Block("rehearsal", 1), Block("silent", 1), rest_s=2.0, felt_every=1, cue_on=None)
    )
    one.swing(12.0)
    assert one.drill.state == "asking"
    one.swing(20.0, tones=False)
    one.until(40.0)
    assert not one.starts_of("block")
    shown = [at for at, a in one.actions if isinstance(a, ShowSwing)]
    assert len(shown) == 1
    assert not [a for at, a in one.actions if isinstance(a, Play) and at >= 14.0]
    # It counts for the silent block, which was marked before it was found.
    assert [m["block_kind"] for m in one.marks("drill_swing")] == ["rehearsal", "silent"]
    opened = [at for at, a in one.actions if getattr(a, "kind", "") == "block"]
    assert opened[1] == pytest.approx(20.2, abs=0.05)


def test_a_swing_that_begins_while_the_last_tones_are_heard_does_not_count_as_silent() -> None:
    one = Performance(plan(Block("rehearsal", 1), Block("silent", 1), rest_s=2.0, cue_on=None))
    one.swing(12.0)
    found = one.now_s
    one.swing(found + 0.6, tones=False)
    assert len(one.marks("drill_swing_left_out")) == 1
    assert any("does not count" in a.text for _, a in one.actions if isinstance(a, Line))
    assert one.drill.done == 1
    one.swing(one.now_s + 5.0, tones=False)
    assert [m["block_kind"] for m in one.marks("drill_swing")] == ["rehearsal", "silent"]


def test_where_nothing_is_heard_no_tone_is_waited_for() -> None:
    one = Performance(plan(Block("rehearsal", 1), Block("silent", 1), rest_s=2.0, cue_on=None))
    one.drill.audible = False
    one.swing(12.0)
    one.swing(one.now_s + 0.6, tones=False)
    assert [m["block_kind"] for m in one.marks("drill_swing")] == ["rehearsal", "silent"]


@settings(max_examples=100, deadline=None)
@given(
    waits=st.lists(
        st.tuples(st.floats(0.0, 9.0), st.sampled_from([None, None, "1", " "]), st.floats(0, 8)),
        min_size=2,
        max_size=8,
    ),
    felt=st.booleans(),
    rest_s=st.floats(1.0, 4.0),
)
def test_a_silent_block_has_no_tone_and_counts_no_swing_with_one(
    waits: list[tuple[float, str | None, float]], felt: bool, rest_s: float
) -> None:
    blocks = [Block("rehearsal", 1), Block("silent", 1)] * 4
    one = Performance(plan(*blocks, felt_every=int(felt), rest_s=rest_s))
    one.until(10.0)
    counted: list[tuple[float, float]] = []
    for wait_s, key, key_s in waits:
        if one.drill.state == "done":
            break
        begin = one.now_s + wait_s
        if key is not None and key_s < wait_s:
            one.until(one.now_s + key_s)
            one.do(one.drill.key(key, one.now_s))
        before = len(one.marks("drill_swing"))
        one.swing(begin, tones=not one.drill.quiet)
        new = one.marks("drill_swing")[before:]
        if new and new[-1]["block_kind"] == "silent":
            counted.append((begin, one.now_s))
    one.until(one.now_s + 5.0)
    heard = one.ear.sounding()
    for begin, end in counted:
        assert not any(a < end and b > begin for a, b, _ in heard), (begin, end)
    # Between the marks of a silent block and of what comes after it, nothing is heard.
    marks = [
        (at, a.fields.get("block_kind"))
        for at, a in one.actions
        if getattr(a, "kind", "") in ("block", "block_outcome")
    ]
    for (at, kind), (then, _) in pairwise([*marks, (one.now_s, None)]):
        if kind == "silent" and at in [
            t for t, a in one.actions if getattr(a, "kind", "") == "block"
        ]:
            assert not any(a < then - 1e-9 and b > at + 0.02 for a, b, _ in heard), (at, then)


def test_space_passes_over_the_question() -> None:
    one = Performance(plan(Block("rehearsal", 2), felt_every=1, rest_s=5.0, cue_on=None))
    one.swing(12.0)
    one.until(one.now_s + 1.0)
    one.do(one.drill.key(" ", one.now_s))
    assert one.drill.state == "resting"
    kinds = [type(a).__name__ for at, a in one.actions if at == one.now_s]
    assert kinds == ["Show", "Play"]
    assert not one.marks("felt")


@pytest.mark.parametrize("schedule", ["every", "none"])
def test_space_calls_no_swing_into_another(schedule: Any) -> None:
    one = Performance(plan(rest_s=10.0, schedule=schedule))
    one.swing(12.0)
    found = one.now_s
    one.do(one.drill.key(" ", one.now_s))
    one.until(found + 9.0)
    called = [at for at, a in one.actions if isinstance(a, PlayCue) and at >= found]
    assert called
    assert found + 1.0 <= called[0] < found + 4.0


def test_tones_are_dropped_when_the_next_swing_begins() -> None:
    one = Performance(plan(Block("rehearsal", 3), felt_every=1, rest_s=5.0, cue_on=None))
    one.swing(12.0)
    one.until(one.now_s + 4.5)
    one.do(one.drill.key("2", one.now_s))
    answered = one.now_s
    one.until(answered + 0.1)
    one.turn("takeaway", one.now_s - 0.2, 12.0)
    assert any(isinstance(a, StopTones) for _, a in one.actions)
    one.until(answered + 4.0)
    assert max(end for _, end, _ in one.ear.sounding()) < answered + 0.15


# -- the cue that joins ---------------------------------------------------------------------------


def joining() -> Performance:
    """A drill whose cue joins the takeaway; one swing is known, the next is waited for."""
    one = Performance(plan(cue_on="takeaway", rest_s=5.0))
    one.swing(12.0)
    # Until a swing is known, much else begins alike.
    assert not one.cues
    one.until(25.0)
    return one


def test_a_waggle_starts_no_cue() -> None:
    one = joining()
    for turned in (12.0, 15.0, 19.0):
        one.turn("takeaway", one.now_s - 0.15, 12.0)
        one.do(one.drill.turning(turned, one.now_s))
        one.until(one.now_s + 0.2)
        one.turn("lapsed", one.now_s - 0.35, 3.0)
    assert not one.cues
    one.swing(one.now_s + 1.0)
    assert len(one.cues) == 1


@pytest.mark.parametrize(
    ("ending", "turned"), [("lapsed", 22.0), ("top", 45.0), ("takeaway", 12.0)]
)
def test_a_cue_that_joined_what_was_no_swing_is_called_off_and_not_heard(
    ending: str, turned: float
) -> None:
    one = joining()
    begin = one.now_s
    one.turn("takeaway", begin - 0.2, 12.0)
    one.do(one.drill.turning(25.0, begin))
    assert len(one.cues) == 1
    one.until(begin + 0.2)
    one.turn(ending, begin - 0.2, turned)
    one.until(begin + 5.0)
    assert begin + 0.1 < max(end for _, end, _ in one.ear.sounding()) < begin + 0.25
    top = one.beats[0][1][-1]
    assert top.name == "top"
    assert top.why_not is not None


def test_the_joining_cue_has_its_top_where_the_backswing_should_end() -> None:
    one = joining()
    one.swing(26.0, tones=False)
    top = one.beats[0][1][-1]
    assert top.why_not is None
    assert top.heard_ns * 1e-9 == pytest.approx(26.8, abs=0.001)
    assert "late_at_takeaway_ms" not in one.marks("drill_swing")[1]
    assert one.drill.outcome["followed_cue"] == 1


# -- beats as they were heard ---------------------------------------------------------------------


def cued(gap_at_s: float | None) -> Performance:
    one = Performance(plan(Block("rehearsal", 2), rest_s=5.0))
    if gap_at_s is not None:
        one.until(gap_at_s)
        one.ear.gaps += 1
    one.swing(11.25, tones=False)
    return one


def test_beats_while_the_sound_was_interrupted_are_left_out() -> None:
    # Placed at 10.0; glide from 11.2, top at 12.0.
    assert [b.why_not for b in cued(None).beats[0][1]] == [None] * 3
    assert [b.why_not for b in cued(9.5).beats[0][1]] == [None] * 3
    assert [b.why_not for b in cued(11.0).beats[0][1]] == [None, INTERRUPTED, INTERRUPTED]
    one = Performance(plan(Block("rehearsal", 2), rest_s=5.0))
    one.until(10.6)
    one.ear.gaps += 1
    one.swing(11.25, tones=False)
    outcome = one.drill.outcome
    assert outcome["cued_swings"] == outcome["followed_cue"] == 0
    assert outcome["cue_left_out"] == {INTERRUPTED: 1}
    assert "late_at_top_ms" not in one.marks("drill_swing")[0]


def test_what_a_silent_output_plays_is_not_heard() -> None:
    one = Performance(plan(Block("rehearsal", 2), rest_s=5.0))
    one.ear.silent = True  # type: ignore[misc]
    one.swing(11.25)
    assert {b.why_not for b in one.beats[0][1]} == {SILENT}
    assert one.drill.outcome["cue_left_out"] == {SILENT: 1}
