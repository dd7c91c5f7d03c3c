"""What came of a drill, from its markers: counts, beats, interruptions, whether silence held."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from analysis.felt import wilson
from review.drilled import DrillBlock, Drilled, Values, drilled, drilled_lines, held_words
from sensor.recording import Marker


def mark(kind: str, **fields: Any) -> Marker:
    return Marker(kind, 0, fields)


def sums(values: list[float]) -> dict[str, Any]:
    return {"n": len(values), "mean": float(np.mean(values)), "sd": float(np.std(values, ddof=1))}


def block(
    number: int, kind: str, backs: list[float], turns: list[float], **more: Any
) -> list[Marker]:
    n = len(backs)
    fields = {
        "block": number,
        "block_kind": kind,
        "swings": n,
        "of": n,
        "strikes": 0,
        "time_enough": n,
        "time_judged": n,
        "turn_full": n - 1,
        "turn_judged": n,
        "backswing_ms": sums(backs),
        "turn_deg": sums(turns),
        **more,
    }
    begun = mark("block", block=number, block_kind=kind, repeats=n)
    return [begun, mark("block_outcome", **fields)]


BACKS = [890.0, 900.0, 910.0, 905.0, 895.0]
TURNS = [119.0, 120.0, 121.0, 120.5, 119.5]
BEGUN = mark("drill", schedule="every", cue_on="ready", rest_s=15.0)


def held(backs: list[float], turns: list[float]) -> str:
    markers = [BEGUN, *block(1, "ball", BACKS, TURNS), *block(2, "silent", backs, turns)]
    found = drilled([*markers, mark("drill_outcome", blocks=[])])
    assert found is not None
    assert found.ended
    (sentence,) = found.held
    return sentence


def shifted(values: list[float], by: float) -> list[float]:
    return [value + by for value in values]


def test_it_held_where_nothing_is_less_by_what_matters() -> None:
    text = held(shifted(BACKS, -5.0), shifted(TURNS, 1.0))
    assert text.startswith("Block 2 silent, against block 1 ball: held; backswing −5 ms (")
    assert "turn +1 deg (" in text
    # More is not less.
    assert ": held;" in held(shifted(BACKS, 80.0), shifted(TURNS, 9.0))
    # The interval is Welch's, by hand: equal spreads and numbers, so 8 degrees of freedom.
    half = 2.306 * math.sqrt(2.0) * float(np.std(BACKS, ddof=1)) / math.sqrt(5.0)
    assert f"({-5.0 - half:.0f} to {-5.0 + half:+.0f};".replace("-", "−") in text
    low, high = (100.0 * x for x in (wilson(4, 5).low, wilson(4, 5).high))
    assert f"full turn 4 of 5 ({low:.0f} to {high:.0f} %), before 4 of 5" in text


def test_it_did_not_where_time_or_turn_is_surely_less() -> None:
    assert ": not held;" in held(shifted(BACKS, -60.0), TURNS)
    assert ": not held;" in held(BACKS, shifted(TURNS, -12.0))


def test_else_it_cannot_be_told() -> None:
    spread = [800.0, 1000.0, 850.0, 950.0, 880.0]
    assert ": can't tell whether it held;" in held(spread, TURNS)
    # Two swings are too few.
    text = held(BACKS[:2], TURNS[:2])
    assert "can't tell" in text
    assert "too few swings to set beside each other (2 of 3)" in text
    alone = DrillBlock(number=1, kind="retention", swings=2, time_enough=1, time_judged=2)
    assert "can't tell from this drill" in held_words(alone, None)
    assert "time enough 1 of 2 (9 to 91 %)" in held_words(alone, None)


def test_the_last_block_with_sounds_counts() -> None:
    markers = [
        BEGUN,
        *block(1, "rehearsal", shifted(BACKS, 300.0), TURNS),
        *block(2, "ball", BACKS, TURNS),
        *block(3, "silent", BACKS, TURNS),
        *block(4, "retention", BACKS, TURNS),
    ]
    found = drilled(markers)
    assert found is not None
    assert [text.split(":")[0] for text in found.held] == [
        "Block 3 silent, against block 2 ball",
        "Block 4 retention, against block 2 ball",
    ]


def test_lines_have_the_blocks_the_beats_and_the_interruptions() -> None:
    markers = [
        BEGUN,
        mark("sound", underflows=1, lost=False),
        *block(
            1,
            "rehearsal",
            BACKS,
            TURNS,
            strikes=2,
            cued_swings=5,
            followed_cue=4,
            cue_left_out={"the sound was interrupted": 1},
            asynchrony_takeaway_ms={"n": 4, "mean": -20.4, "sd": 12.0},
            asynchrony_top_ms={"n": 3, "mean": 33.0, "sd": None},
        ),
        mark("block", block=2, block_kind="silent", repeats=5),
        mark("drill_swing", block=2, block_kind="silent", time="enough", turn="short"),
        mark("sound", underflows=3, lost=False),
        mark("sound", underflows=4, lost=True),
        mark("sound", underflows=2, lost=False),
    ]
    # Interruptions count for the block that they came in.
    found = drilled([*markers[:1], markers[2], markers[1], *markers[3:]])
    assert found is not None
    assert [one.interruptions for one in found.blocks] == [1, 5]
    assert found.interruptions == 6
    first, one, two, *_ = drilled_lines(found)
    assert first == "drill, feedback every, cue on ready; cut short"
    assert one == (
        "block 1 rehearsal: 5 of 5 swings, time enough 5 of 5, full turn 4 of 5, 2 met something "
        "(no ball was there), 4 of 5 went with the cue, takeaway 20 ms (sd 12) before its beat, 4 "
        "of 5, top 33 ms after its beat, 3 of 5, 1 not set beside the cue: the sound was "
        "interrupted, sound interrupted 1 x"
    )
    early = drilled([BEGUN, mark("sound", underflows=2, lost=False)])
    assert early is not None
    assert early.interruptions == 2
    # Cut short: counted from its swings.
    assert two == (
        "block 2 silent: 1 of 5 swings, time enough 1 of 1, full turn 0 of 1, sound interrupted 5 x"
    )


def test_other_recordings_and_broken_markers() -> None:
    assert drilled([]) is None
    assert drilled([mark("note", text="x")]) is None
    found = drilled(
        [
            mark("drill", schedule=3, cue_on=[], rest_s="x"),
            mark("block", block="x", block_kind="silent"),
            mark("block", block=1, block_kind="other"),
            mark("drill_swing"),
            mark("block_outcome", block=1, block_kind="ball", swings="7", time_enough=9,
                 time_judged=3, backswing_ms="x", turn_deg={"n": 2, "mean": math.nan}),
            mark("sound", underflows="many"),
            mark("drill_outcome", blocks=[3, {"block": 2}]),
        ]
    )  # fmt: skip
    assert found is not None
    (one,) = found.blocks
    assert (one.swings, one.time_enough, one.time_judged, one.values) == (0, 3, 3, {})
    assert drilled_lines(found)
    assert found.as_dict()["blocks"][0]["block_kind"] == "ball"


@pytest.mark.parametrize("sd", [0.0, None])
def test_equal_swings_are_no_trouble(sd: float | None) -> None:
    values = {"backswing_ms": Values(5, 900.0, sd), "turn_deg": Values(5, 120.0, sd)}
    blocks = [
        DrillBlock(number=1, kind="ball", swings=5, values=values),
        DrillBlock(number=2, kind="silent", swings=5, values=values),
    ]
    (text,) = Drilled(blocks=blocks).held
    assert (": held;" in text) == (sd == 0.0)
