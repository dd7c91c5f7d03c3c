"""A coach shows something for five minutes: nothing counts and nothing sounds, then it goes on."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from lesson_numbers import number
from scripted import Step, scripted

from analysis.evidence.summary import is_held
from feedback.drill_plan import Block, DrillPlan, DrillReference
from sensor.recording.opening import open_recording
from unhurried.app.measuring import analyze
from unhurried.app.shutdown import Shutdown

HELD_S = 300.0
BEFORE = 2
PART, FULL = 15, 3
PLAN = DrillPlan(
    blocks=(Block("rehearsal", 50),),
    reference=DrillReference(backswing_ms=900.0, full_turn_deg=90.0),
    cue_on="ready",
    rest_s=4.0,
)


def shown(rng: np.random.Generator) -> list[Step]:
    """What a coach shows: part swings and full ones, one after another."""
    kinds = [*["part"] * PART, *["full"] * FULL]
    steps: list[Step] = [("swing", str(kind)) for kind in rng.permutation(kinds)]
    return [one for step in steps for one in (step, ("rest", float(rng.uniform(2.0, 4.0))))]


@pytest.mark.slow
async def test_five_minutes_of_showing_count_nothing_and_sound_nothing(
    tmp_path: Path, record_property: Any
) -> None:
    rng = np.random.default_rng(20)
    own: list[Step] = [("swing", "full"), ("rest", 9.0)]
    steps = [("rest", 3.0), *own * BEFORE, *shown(rng), ("until", 352.0), *own * BEFORE]
    drill, session, script, made = scripted(tmp_path / "d", PLAN, steps, seed=7)
    first, last = 1 + 2 * BEFORE, 1 + 2 * BEFORE + 2 * (PART + FULL) + 1
    begin_s = script.begins_s[first] - 1.0
    end_s = begin_s + HELD_S
    assert script.begins_s[last] > end_s > script.begins_s[last - 1]
    shown_there = [one.truth for one in made.truth if begin_s < one.truth.top_s < end_s]
    assert [one.kind for one in shown_there].count("full") == FULL
    assert [one.kind for one in shown_there].count("part") == PART
    done: dict[str, int] = {}

    def at(now_s: float) -> None:
        if begin_s <= now_s < end_s:
            if "held" not in done:
                done["held"] = drill.drill.done
                drill.hold(True)
                session.hold(True)
            assert not drill.ear.sounds, now_s
        elif now_s >= end_s and "on" not in done:
            done["on"] = drill.drill.done
            drill.hold(False)
            session.hold(False)

    drill.at = at
    await drill.run(session, ending=Shutdown())
    # Before and after it is a drill like any other.
    assert done["held"] == BEFORE
    assert drill.drill.done > done["on"]
    assert any(one < begin_s for one in drill.ear.asked_s)
    assert any(one > end_s for one in drill.ear.asked_s)
    # In between nothing counts, and nothing is even asked for.
    counted = done["on"] - done["held"]
    sounds = sum(begin_s < one < end_s for one in drill.ear.asked_s)
    what = f"Hold, {HELD_S:g} s with {PART} part and {FULL} full swings"
    number(record_property, f"{what}: counted", counted, "0")
    number(record_property, f"{what}: sounds", sounds, "0")
    assert (counted, sounds) == (0, 0)
    held = [one for one in session.swings if is_held(one)]
    assert len(held) >= FULL + PART - 2
    assert len(session.swings) - len(held) == drill.drill.done
    # And so it is afterwards.
    with open_recording(tmp_path / "d") as recording:
        found = analyze(recording).swings
    assert sum(is_held(one) for one in found) == len(held)
