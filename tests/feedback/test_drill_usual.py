"""The usual sets: one thing at a time, a bell after the finish, less and less, an early end."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from listening import onsets_s
from performing import RATE_HZ, Performance, Swung

from feedback.drill import Drill
from feedback.drill_actions import Action, Ask, Clear, Done, Line, Mark, Mute, Play, PlayCue, Show
from feedback.drill_plan import (
    ENDS_BEYOND,
    OWN_FULL,
    Block,
    DrillPlan,
    DrillReference,
    at_most,
    usual_sets,
)
from feedback.patterns import LEARNT, SOUNDS, seconds
from library.drill_end import tally_of
from library.drill_outcome import outcome_from, outcome_sentences
from review.formatting import block_words
from sensor.recording.markers import Marker
from words.sound import FIX, HEARD, NO_OUTPUT

OWN = DrillReference(backswing_ms=800.0, full_turn_deg=130.0, upper_turn_deg=145.0)
TELL_S = 3.0


def usual(*blocks: Block, **options: Any) -> DrillPlan:
    options.setdefault("reference", OWN)
    options.setdefault("felt_every", 0)
    options.setdefault("ends_beyond", ENDS_BEYOND)
    return DrillPlan(blocks=blocks or usual_sets(), schedule="bell", **options)


def lines(actions: list[Action]) -> list[str]:
    return [one.text for one in actions if isinstance(one, Line)]


# -- the sets -------------------------------------------------------------------------------------


def test_a_days_sets() -> None:
    sets = usual_sets()
    assert [
        (one.kind, one.repeats, one.with_ball, one.sound if one.kind == "rehearsal" else None)
        for one in sets
    ] == [
        ("silent", 3, False, None),
        ("rehearsal", 4, False, "rise"),
        ("rehearsal", 4, False, "bell"),
        ("rehearsal", 1, False, "bell"),
        ("silent", 2, True, None),
        ("rehearsal", 1, False, "bell"),
        ("silent", 2, True, None),
        ("silent", 3, True, None),
    ]
    assert sum(one.repeats for one in sets) == 20
    assert [one.pause_s for one in sets] == [0.0, 0.0, 0.0, 45.0, 0.0, 0.0, 0.0, 0.0]
    assert [one.called for one in sets] == [False] * 7 + [True]
    # For children and backs.
    assert sum(one.repeats for one in usual_sets(fewer=True)) == 12
    assert [one.kind for one in usual_sets(fewer=True)] == [one.kind for one in sets]


def test_sets_are_cut_to_what_a_player_may_swing() -> None:
    assert sum(one.repeats for one in at_most(usual_sets(), 9)) == 9
    assert [one.repeats for one in at_most(usual_sets(), 9)] == [3, 4, 2]
    assert at_most(usual_sets(), 100) == usual_sets()
    assert at_most(usual_sets(), 0) == ()


def test_each_set_is_said_in_words_of_the_range() -> None:
    said = [one.words for one in usual_sets()]
    assert said[:3] == [
        "3 practice swings without sound",
        "4 practice swings with the rising tone",
        "4 practice swings with the full bell",
    ]
    assert said[4] == "2 shots without sound"
    assert said[7] == "3 shots without sound; say how each felt before you see it"
    for text in said:
        assert not {"rehearsal", "strike", "block", "silent"} & set(text.split())


# -- one thing at a time --------------------------------------------------------------------------


class Heard(Performance):
    """What is heard, by name, as ears tell it from the sounds of the table."""

    def names(self) -> list[tuple[float, str]]:
        made = {
            name: next(one for one in SOUNDS if one.name == name).make(RATE_HZ) for name in LEARNT
        }
        out = []
        for begin, _, sound in self.ear.sounding():
            name = next((n for n, s in made.items() if np.array_equal(s, sound)), "other")
            out.append((begin, name))
        return out


def test_the_whole_of_a_days_drill_as_it_is_heard() -> None:
    one = Heard(usual())
    began: list[tuple[float, int]] = []
    at = 12.0
    while one.drill.state != "done":
        at = max(at, one.now_s + 9.0)
        began.append((at, one.drill._at))
        quiet, sound = one.drill.quiet, one.drill.block.sound
        one.until(at - 2.0)
        one.swing(at, tones=one.drill.tones)
        found = one.now_s
        one.until(found + 4.0)
        if one.drill.state == "asking":
            one.do(one.drill.key("2", one.now_s))
        heard = [name for when, name in one.names() if when > at - 9.0]
        during = [n for when, n in one.names() if at - 0.1 < when < at + 1.2]
        after = [(when, n) for when, n in one.names() if when > at + 1.2]
        if quiet:
            assert heard == []
            continue
        # The rising tone or the bell, never both in a swing, and one bell after it.
        if sound == "rise":
            assert "full" not in during
            assert "rise" in heard
        else:
            assert during == ["full"]
            assert "rise" not in heard
        assert [n for _, n in after] == ["full"]
        # Three seconds past the finish, which was 1 s after the top.
        assert after[0][0] == pytest.approx(at + 0.8 + 1.0 + TELL_S, abs=0.06)
    assert one.drill.done == 20
    assert {name for _, name in one.names()} == set(LEARNT)
    # By the ear alone: the onsets in what was rendered are those of the sounds that were asked for.
    x = one.ear.all_heard().astype(float)
    found_at = np.array(onsets_s(x, RATE_HZ, quiet_s=0.04))
    asked_at = np.array([when for when, _ in one.names()])
    assert len(found_at) == len(asked_at)
    assert np.abs(found_at - asked_at).max() < 0.02


def test_with_a_ball_the_bell_comes_after_the_finish() -> None:
    one = Heard(usual(Block("ball", 3, sound="bell")))
    one.swing(12.0)
    assert [n for at, n in one.names() if at > 11.9] == []
    one.until(one.now_s + 4.0)
    ((at, name),) = [(at, n) for at, n in one.names() if at > 11.9]
    assert (name, at) == ("full", pytest.approx(12.8 + 1.0 + TELL_S, abs=0.06))


@pytest.mark.parametrize(
    ("swung", "bell"),
    [
        ({}, True),
        ({"backswing_ms": 700.0}, False),
        ({"turn_deg": 110.0}, False),
        ({"turn_deg": 150.0}, False),
        ({"turn_deg": None}, True),
        ({"turn_deg": None, "backswing_ms": None}, False),
    ],
)
def test_what_is_judged_shown_and_sounded_is_one_decision(
    swung: dict[str, Any], bell: bool
) -> None:
    drill = Drill(usual(Block("rehearsal", 3, sound="bell")))
    out = drill.begin(0.0)
    drill.tick(10.0)
    out += drill.swing(Swung(**swung), 14.0)
    assert not any(isinstance(one, Show | Play) for one in out if one not in (Play("ready"),))
    assert not any(isinstance(one, Show) for one in drill.tick(16.9))
    told = drill.tick(17.0)
    (shown,) = [one for one in told if isinstance(one, Show)]
    played = [one for one in told if isinstance(one, Play)]
    assert (played == [Play("kept")]) == bell
    assert played in ([], [Play("kept")])
    assert (shown.judged.kept is True) == bell
    markers = [Marker(one.kind, 0, one.fields) for one in out if isinstance(one, Mark)]
    kept = [one.fields["kept"] for one in markers if one.kind == "drill_swing"]
    assert (kept == [True]) == bell
    assert tally_of(markers).loud == ([] if kept == [None] else [bell])


def test_the_answer_on_how_it_felt_comes_before_what_is_told() -> None:
    drill = Drill(usual(Block("rehearsal", 6, sound="bell"), felt_every=3))
    drill.begin(0.0)
    now, asked = 10.0, []
    for number in range(1, 6):
        out = drill.swing(Swung(index=number), now)
        asked.append(any(isinstance(one, Ask) for one in out))
        if asked[-1]:
            assert not any(isinstance(a, Show) for a in drill.tick(now + 10.0))
            told = drill.key("1", now + 11.0)
        else:
            told = drill.tick(now + TELL_S)
        assert [type(one) for one in told if isinstance(one, Show | Play)] == [Show, Play]
        now += 30.0
    # Every third.
    assert asked == [False, False, True, False, False]


def test_an_early_answer_waits_for_the_three_seconds_and_is_before_the_numbers() -> None:
    drill = Drill(usual(Block("rehearsal", 3, sound="bell"), felt_every=1))
    drill.begin(0.0)
    drill.swing(Swung(), 14.0)
    out = drill.key("1", 15.0)
    assert not any(isinstance(one, Show) for one in out)
    # Another word, before anything was shown.
    (mark,) = [one for one in drill.key("2", 15.5) if isinstance(one, Mark)]
    assert mark.fields == {"felt": "in time", "number": 1}
    assert any(isinstance(one, Show) for one in drill.tick(17.0))
    (mark,) = [one for one in drill.key("2", 18.0) if isinstance(one, Mark)]
    assert mark.fields["after_numbers"] is True


def test_the_next_swing_takes_what_was_to_be_told_and_no_tone() -> None:
    drill = Drill(usual(Block("rehearsal", 1, sound="bell"), Block("silent", 2)))
    drill.begin(0.0)
    drill.swing(Swung(), 14.0)
    out = drill.swing(Swung(index=2), 15.5)
    assert any(isinstance(one, Show) for one in out)
    assert not any(isinstance(one, Play) for one in out)
    assert [len(one.judged) for one in drill.tallies] == [1, 1]


def test_held_while_something_waits_to_be_told_it_is_told_afterwards() -> None:
    drill = Drill(usual(Block("rehearsal", 1, sound="bell"), Block("silent", 1)))
    drill.begin(0.0)
    drill.swing(Swung(), 14.0)
    drill.hold(True, 15.0)
    assert drill.tick(100.0) == []
    drill.hold(False, 101.0)
    assert any(isinstance(one, Show) for one in drill.tick(101.1))
    assert drill.block.kind == "silent"


def test_in_the_last_set_the_call_comes_first_and_the_numbers_at_the_end() -> None:
    last = usual_sets()[-1]
    drill = Drill(usual(last))
    out = drill.begin(0.0)
    now = 10.0
    for number in range(3):
        swung = drill.swing(Swung(index=number + 1, backswing_ms=700.0), now)
        assert any(isinstance(one, Ask) for one in swung)
        out += swung
        out += drill.key("1" if number else "2", now + 1.0)
        now += 30.0
    assert drill.state == "done"
    assert not any(isinstance(one, Show | Play | PlayCue | Clear) for one in out)
    markers = [Marker(one.kind, 0, one.fields) for one in out if isinstance(one, Mark)]
    # All were short of time; two were called rushed.
    assert tally_of(markers).called == [False, True, True]
    assert tally_of(markers).quiet == [False] * 3


def test_swings_without_sound_before_any_other_are_none_that_were_kept() -> None:
    one = Performance(usual(Block("silent", 1), Block("rehearsal", 1), Block("silent", 2)))
    for at in (12.0, 30.0, 50.0, 70.0):
        one.swing(at, turn_deg=100.0 if at < 20.0 else 130.0)
        one.until(one.now_s + 5.0)
    markers = [Marker(kind, 0, fields) for kind in ("drill_swing",) for fields in one.marks(kind)]
    assert tally_of(markers).quiet == [True, True]


# -- rest, pause, end -----------------------------------------------------------------------------


def test_the_pause_is_rested_and_a_tap_goes_on_sooner() -> None:
    def before(key: bool) -> float:
        drill = Drill(usual(Block("rehearsal", 1), Block("rehearsal", 1, "bell", pause_s=45.0)))
        drill.begin(0.0)
        drill.swing(Swung(), 14.0)
        assert any("first rest 45 s" in text for text in lines(drill.tick(17.0)))
        if key:
            assert any(isinstance(a, Play) for a in drill.key(" ", 20.0))
            return 20.0
        now = 17.0
        while not any(isinstance(a, Play) for a in drill.tick(now)):
            now += 0.1
        return now

    assert before(False) == pytest.approx(14.0 + 45.0, abs=0.2)
    assert before(True) == 20.0


def test_two_past_full_in_a_row_end_it() -> None:
    drill = Drill(usual())
    drill.begin(0.0)
    out: list[Action] = []
    now = 10.0
    for turn in (150.0, 130.0, 150.0, 151.0):
        assert drill.state != "done"
        out += drill.swing(Swung(turn_deg=turn), now)
        out += drill.tick(now + TELL_S)
        now += 30.0
    assert drill.state == "done"
    assert any("past full twice in a row" in text for text in lines(out))
    assert drill.ended_for in lines(out)
    assert sum(isinstance(one, Done) for one in out) == 1
    assert drill.outcome["swings"] == 4
    # Who sets a drill of their own decides.
    on = Drill(usual(ends_beyond=0))
    on.begin(0.0)
    for k in range(5):
        on.swing(Swung(turn_deg=150.0), 10.0 + 30.0 * k)
    assert on.state != "done"
    assert on.ended_for is None


def test_stop_at_your_own_full_has_three_easy_swings_and_no_bell() -> None:
    one = Performance(usual(*OWN_FULL))
    for at in (12.0, 40.0, 70.0):
        one.swing(at, tones=True)
        one.until(one.now_s + 6.0)
    assert one.drill.state == "done"
    assert one.ear.sounding() == []
    # Where each swing was is shown.
    assert sum(isinstance(action, Show) for _, action in one.actions) == 3


# -- an output that is late, or isn't heard -------------------------------------------------------


def test_a_late_output_has_no_bell_while_going_back() -> None:
    drill = Drill(usual(Block("rehearsal", 3, sound="bell")))
    drill.begin(0.0)
    drill.tick(10.0)
    assert drill.tones
    drill.fast = False
    assert not drill.tones
    assert drill.turn("full", 12.0, seq=1, takeaway_seq=0.0, turn_deg=125.0) == []
    drill.swing(Swung(), 14.0)
    assert Play("kept") in drill.tick(17.0)


def test_before_the_first_swing_it_is_asked_whether_the_sounds_are_heard() -> None:
    one = Performance(usual(Block("rehearsal", 3, sound="bell"), check=True))
    assert one.drill.state == "checking"
    assert HEARD in [a.text for _, a in one.actions if isinstance(a, Line)]
    one.until(8.0)
    heard = one.ear.sounding()
    assert len(heard) == 1
    assert heard[0][1] - heard[0][0] == pytest.approx(seconds("check"), abs=0.01)
    assert len(onsets_s(one.ear.all_heard().astype(float), RATE_HZ, quiet_s=0.1)) == 4
    # Nothing calls for a swing before the answer.
    one.until(25.0)
    assert len(one.ear.sounding()) == 1
    one.do(one.drill.key("y", one.now_s))
    one.until(one.now_s + 11.0)
    assert [a for _, a in one.actions if isinstance(a, Play)][1:] == [Play("ready")]


def test_no_sound_says_the_fix_and_one_tap_goes_on_without() -> None:
    one = Performance(usual(Block("rehearsal", 2, sound="rise"), check=True))
    one.until(6.0)
    one.do(one.drill.key("n", one.now_s))
    assert FIX in [a.text for _, a in one.actions if isinstance(a, Line)]
    one.until(100.0)
    assert one.drill.state == "unheard"
    # Once more, after the fix.
    one.do(one.drill.key("n", one.now_s))
    assert one.drill.state == "checking"
    one.until(one.now_s + 1.0)
    one.do(one.drill.key("n", one.now_s))
    one.do(one.drill.key("g", one.now_s))
    one.until(one.now_s + 0.1)
    assert any(isinstance(a, Mute) for _, a in one.actions)
    before = len(one.ear.sounding())
    one.swing(130.0)
    one.until(one.now_s + 30.0)
    assert len(one.ear.sounding()) == before
    assert one.drill.done == 1


@pytest.mark.parametrize("state", ["checking", "unheard"])
def test_a_swing_is_no_answer_to_whether_the_sounds_are_heard(state: str) -> None:
    one = Performance(usual(Block("rehearsal", 2, sound="bell"), check=True))
    one.until(6.0)
    if state == "unheard":
        one.do(one.drill.key("n", one.now_s))
    one.swing(12.0)
    one.until(one.now_s + 5.0)
    assert one.drill.state == state
    assert one.drill.done == 0
    assert not one.marks("drill_swing")
    assert [mark["swing"] for mark in one.marks("drill_swing_left_out")] == [1]
    one.do(one.drill.key("g" if state == "unheard" else "y", one.now_s))
    one.swing(one.now_s + 20.0)
    assert one.drill.done == 1


def test_without_an_answer_nothing_begins() -> None:
    slow = Performance(usual(Block("rehearsal", 2, sound="bell"), check=True))
    slow.until(600.0)
    assert slow.drill.state == "checking"
    assert len(slow.ear.sounding()) == 1
    # Nobody hears a silent output that was asked for: there is nothing to answer.
    drill = Drill(usual(check=True))
    drill.audible = False
    drill.begin(0.0)
    assert drill.state == "resting"


def test_without_a_loudspeaker_one_tap_goes_on_without_sound() -> None:
    drill = Drill(usual(Block("rehearsal", 2, sound="bell"), check=True))
    drill.audible, drill.no_output = False, True
    begun = drill.begin(0.0)
    assert NO_OUTPUT in [one.text for one in begun if isinstance(one, Line)]
    assert not any(isinstance(one, Play) for one in begun)
    drill.tick(600.0)
    assert drill.state == "unheard"
    # There is nothing to be heard, or played again.
    assert drill.heard(True, 601.0) == drill.heard(False, 601.0) == []
    assert any(isinstance(one, Mute) for one in drill.without_sound(602.0))
    assert drill.state == "resting"
    # A loudspeaker that is pulled while it is asked about is none.
    drill = Drill(usual(Block("rehearsal", 2, sound="bell"), check=True))
    drill.begin(0.0)
    drill.audible = False
    drill.sound_interrupted(0, lost=True)
    assert (drill.state, drill.no_output) == ("unheard", True)
    assert any(isinstance(one, Mute) for one in drill.without_sound(5.0))


def test_what_never_sounded_is_said_and_kept_as_without_sound() -> None:
    one = Performance(usual(*usual_sets()[1:4], rest_s=1.0, check=True))
    one.do(one.drill.key("n", one.now_s))
    one.do(one.drill.key("g", one.now_s))
    assert one.drill.block.words == "4 practice swings without sound"
    assert [mark["sound"] for mark in one.marks("block")] == ["rise", "none"]
    for _ in range(9):
        one.swing(one.now_s + 50.0)
        one.until(one.now_s + 5.0)
    assert one.drill.state == "done"
    assert [mark["sound"] for mark in one.marks("block")] == ["rise", "none", "none", "none"]
    assert {mark["sound"] for mark in one.marks("drill_swing")} == {"none"}
    assert not one.marks("tone")
    assert not any(isinstance(a, PlayCue) for _, a in one.actions)
    marks = [Marker(a.kind, k, a.fields) for k, (_, a) in enumerate(one.actions)
             if isinstance(a, Mark)]  # fmt: skip
    assert tally_of(marks).loud == []
    outcome = outcome_from(marks)
    assert outcome is not None
    assert [block_words(block.name) for block in outcome.blocks] == [
        f"set {number}, without sound" for number in (1, 2, 3)
    ]
    assert "set 2 (practice without sound)" in "\n".join(outcome_sentences(outcome))


def test_a_loudspeaker_that_goes_makes_the_rest_without_sound() -> None:
    one = Performance(usual(*usual_sets()[1:3], Block("silent", 1), rest_s=1.0))
    for k in range(8):
        if k == 2:
            one.do(one.drill.sound_interrupted(0, lost=True))
        one.swing(one.now_s + 50.0)
        one.until(one.now_s + 5.0)
    assert [mark["sound"] for mark in one.marks("drill_swing")] == ["rise"] * 2 + ["none"] * 6
    assert [(mark["block"], mark["sound"]) for mark in one.marks("block")] == [
        (1, "rise"), (1, "none"), (2, "none"), (3, "none"),
    ]  # fmt: skip
    marks = [Marker(a.kind, k, a.fields) for k, (_, a) in enumerate(one.actions)
             if isinstance(a, Mark)]  # fmt: skip
    assert len(tally_of(marks).loud) == 2
    outcome = outcome_from(marks)
    assert outcome is not None
    # What began with sound is the set with sound; of the next nobody heard any.
    assert [block.sounded for block in outcome.blocks[:2]] == [True, False]


# -- whatever happens -----------------------------------------------------------------------------


@settings(max_examples=40, deadline=None)
@given(
    waits=st.lists(
        st.tuples(
            st.floats(0.2, 12.0),
            st.sampled_from(["1", "2", " ", None, None]),
            st.floats(90.0, 160.0),
            st.booleans(),
        ),
        max_size=16,
    )
)
def test_never_two_things_in_a_swing_nor_a_bell_for_a_miss(
    waits: list[tuple[float, str | None, float, bool]],
) -> None:
    one = Heard(usual(felt_every=3, ends_beyond=0))
    one.until(10.0)
    for wait_s, key, turn_deg, seen in waits:
        if one.drill.state == "done":
            break
        begin = one.now_s + wait_s
        one.swing(begin, turn_deg=turn_deg, tones=seen and turn_deg >= 123.5)
        if key is not None:
            one.do(one.drill.key(key, one.now_s))
    one.until(one.now_s + 6.0)
    kept = {m["swing"]: m["kept"] for m in one.marks("drill_swing")}
    told = [a for _, a in one.actions if isinstance(a, Show)]
    bells = sum(isinstance(a, Play) and a.name == "kept" for _, a in one.actions)
    assert bells <= sum(a.judged.kept is True for a in told)
    for action in told:
        assert kept[action.judged.index] == action.judged.kept
    for _, action in one.actions:
        if isinstance(action, Play):
            assert action.name in ("ready", "full", "kept")
    # No cue and bell in one set.
    for fields in one.marks("tone"):
        assert fields["name"] == "full"


def test_sounds_that_are_left_out_are_not_heard() -> None:
    one = Heard(usual(Block("rehearsal", 1, "rise"), without=frozenset({"top", "bell"})))
    one.until(11.0)
    one.swing(11.25, tones=False)
    names = [name for _, name in one.names()]
    assert names[:2] == ["ready", "rise"]
    assert "top" not in names
    # Its takeaway is set beside the cue as ever.
    assert one.marks("drill_swing")[0]["late_at_takeaway_ms"] < 100.0
    assert "late_at_top_ms" not in one.marks("drill_swing")[0]
    drill = Drill(usual(Block("rehearsal", 2, "bell"), without=frozenset({"bell"})))
    drill.begin(0.0)
    drill.tick(10.0)
    assert not drill.tones
    drill.swing(Swung(), 14.0)
    # The one after the swing stays: it hurries nothing.
    assert Play("kept") in drill.tick(17.0)
