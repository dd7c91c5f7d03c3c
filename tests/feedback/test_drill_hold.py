"""What a coach does in the middle of a drill: hold it, leave a swing out, take that back."""

from __future__ import annotations

from typing import Any

from performing import Swung

from feedback.drill import Drill
from feedback.drill_actions import Action, Mark, Play, PlayCue, Silence
from feedback.drill_plan import Block, DrillPlan, DrillReference
from library.drill_end import tally_of
from library.drill_outcome import outcome_from
from sensor.recording.markers import Marker

OWN = DrillReference(backswing_ms=800.0, full_turn_deg=130.0, upper_turn_deg=145.0)
HELD_S = 300.0


def drill_of(*blocks: Block, **options: Any) -> Drill:
    drill = Drill(DrillPlan(blocks=blocks or (Block("rehearsal", 3),), reference=OWN, **options))
    drill.begin(0.0)
    return drill


def heard(actions: list[Action]) -> list[Action]:
    return [one for one in actions if isinstance(one, Play | PlayCue)]


def kept(actions: list[Action]) -> list[Marker]:
    return [Marker(one.kind, 0, one.fields) for one in actions if isinstance(one, Mark)]


def test_while_it_is_held_nothing_counts_and_nothing_sounds() -> None:
    drill = drill_of(felt_every=1)
    assert heard(drill.tick(10.0))
    out = drill.hold(True, 11.0)
    assert any(isinstance(one, Silence) for one in out)
    swings = 0
    for step in range(int(HELD_S / 0.02)):
        now = 11.0 + 0.02 * step
        done = drill.tick(now)
        if step % 800 == 400:
            # 16 part swings and 3 full ones, with all that the live turn tells of them.
            swings += 1
            full = 130.0 if swings % 6 == 0 else 70.0
            for kind, turn in (("takeaway", 12.0), ("full", full), ("over", 150.0), ("top", full)):
                done += drill.turn(kind, now, seq=step, takeaway_seq=step - 50.0, turn_deg=turn)
            done += drill.held_swing(swings)
        done += drill.key(" ", now)
        assert heard(done) == []
    assert swings == 19
    assert drill.done == 0
    assert drill.outcome["swings"] == 0
    # Let go, it rests before it asks for a swing again.
    now = 11.0 + HELD_S
    assert drill.hold(False, now) == []
    assert heard(drill.tick(now + 1.0)) == []
    assert heard(drill.tick(now + 10.1))


def test_a_question_waits_until_it_is_let_go() -> None:
    drill = drill_of(felt_every=1)
    drill.tick(10.0)
    drill.swing(Swung(index=1), 13.0)
    drill.hold(True, 14.0)
    assert drill.tick(100.0) == []
    assert drill.state == "asking"
    # What is said meanwhile is kept, and nothing sounds.
    assert heard(drill.key("1", 101.0)) == []
    assert drill.done == 1


def test_a_lost_sensor_says_nothing_while_it_is_held() -> None:
    drill = drill_of()
    drill.tick(10.0)
    drill.hold(True, 11.0)
    assert heard(drill.link(True, 12.0)) == []
    assert heard(drill.link(False, 20.0)) == []


def test_a_swing_that_is_left_out_is_asked_for_once_more() -> None:
    drill = drill_of(Block("rehearsal", 2), Block("silent", 1))
    out = drill.tick(10.0)
    out += drill.swing(Swung(index=1, turn_deg=100.0), 13.0)
    out += drill.leave_out(1, 15.0)
    assert drill.done == 0
    assert drill.tallies[0].outcome()["turn_judged"] == 0
    out += drill.swing(Swung(index=2), 40.0)
    out += drill.swing(Swung(index=3), 70.0)
    # Only now the set is over.
    assert drill.block.kind == "silent"
    # One of the set that has ended: the set is summed up once more.
    out += drill.leave_out(3, 75.0)
    out += drill.swing(Swung(index=4), 110.0)
    assert drill.state == "done"
    markers = kept([*drill_begun(drill), *out])
    summed = outcome_from(markers)
    assert summed is not None
    assert [(one.kind, one.swings) for one in summed.blocks] == [("rehearsal", 1), ("silent", 1)]
    assert tally_of(markers).loud == [True]
    assert tally_of(markers).quiet == [True]


def drill_begun(drill: Drill) -> list[Action]:
    """The marker with which such a drill begins."""
    return [one for one in Drill(drill.plan).begin(0.0) if isinstance(one, Mark)]


def test_what_was_left_out_counts_again_as_easily() -> None:
    drill = drill_of(Block("rehearsal", 2))
    out = drill.tick(10.0)
    out += drill.swing(Swung(index=1, turn_deg=100.0), 13.0)
    before = drill.outcome
    out += drill.leave_out(1, 15.0)
    out += drill.count_again(1, 16.0)
    assert drill.outcome == before
    assert tally_of(kept(out)).loud == [False]
    out += drill.leave_out(1, 17.0)
    out += drill.swing(Swung(index=2), 40.0)
    # With it the set is whole, and so is the drill.
    out += drill.count_again(1, 41.0)
    assert drill.state == "done"
    assert drill.outcome["swings"] == 2
    assert tally_of(kept(out)).loud == [False, True]


def test_the_last_swing_of_a_drill_that_is_asked_about_can_be_left_out() -> None:
    drill = drill_of(Block("rehearsal", 1), felt_every=1)
    drill.tick(10.0)
    drill.swing(Swung(index=1), 13.0)
    assert drill.state == "asking"
    drill.leave_out(1, 14.0)
    assert drill.state == "resting"
    drill.swing(Swung(index=2), 60.0)
    drill.key("2", 61.0)
    assert drill.state == "done"
    assert drill.outcome["swings"] == 1


def test_a_late_word_is_after_the_numbers_only_where_there_were_some() -> None:
    drill = drill_of(Block("silent", 2), felt_every=1)
    drill.tick(10.0)
    drill.swing(Swung(index=1), 13.0)
    first = kept(drill.key("1", 14.0))
    second = kept(drill.key("2", 15.0))
    assert [one.fields for one in [*first, *second] if one.kind == "felt"] == [
        {"felt": "rushed", "number": 1},
        {"felt": "in time", "number": 1},
    ]
    loud = drill_of(Block("rehearsal", 2), felt_every=1)
    loud.tick(10.0)
    loud.swing(Swung(index=1), 13.0)
    loud.key("1", 14.0)
    assert kept(loud.key("2", 15.0))[0].fields["after_numbers"] is True
