"""What a drill is made of is read before it sounds; which swings are brought to it."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import MISSING, fields
from pathlib import Path
from typing import Any

import pytest
from scripted import SampleDrill, SampleEar, Step, scripted

from analysis.swing.results import Swing
from feedback.drill_actions import Action, Mark
from feedback.drill_plan import Block, DrillPlan, DrillReference
from review.page.livehub import LiveHub
from unhurried.app.page_desk import PageDesk
from unhurried.app.shutdown import Shutdown


@pytest.mark.parametrize(
    "module",
    ["analysis.swing.live_tables", "analysis.swing.score_tables", "feedback.stillness"],
)
def test_nothing_large_is_read_while_a_drill_sounds(module: str) -> None:
    # Reading a table keeps the interpreter from the sound for longer than the device has samples.
    script = f"import sys, unhurried.app.drill_run; print({module!r} in sys.modules)"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert done.stdout == "True\n", done.stderr


def swung(index: int, takeaway_s: float, turn_deg: float) -> Swing:
    """A swing as it is found while recording."""
    known: dict[str, Any] = {
        "index": index,
        "takeaway_s": takeaway_s,
        "impact_s": takeaway_s + 1.2,
        "backswing_ms": 900.0,
        "swing_ms": 1200.0,
        "turn_deg": turn_deg,
    }
    empty: dict[str, Any] = {one.name: None for one in fields(Swing) if one.default is MISSING}
    return Swing(**{**empty, "clipped": (), **known})


def test_swings_back_and_forth_are_left_out_of_a_drill() -> None:
    plan = DrillPlan(
        blocks=(Block("rehearsal", 4, sound="bell"),),
        reference=DrillReference(backswing_ms=800.0, full_turn_deg=130.0, upper_turn_deg=145.0),
        schedule="bell",
        rest_s=1.0,
        felt_every=0,
        ends_beyond=2,
    )
    run = SampleDrill(plan, SampleEar())
    done: list[Action] = []
    run.watcher = done.append
    run._do(run.drill.begin(0.0))
    # From finish to finish: each turn is about twice that from address.
    for index, (takeaway_s, turn_deg) in enumerate(
        [(20.0, 132.0), (21.6, 250.0), (23.3, 250.0), (25.0, 250.0), (40.0, 131.0)], start=1
    ):
        run.ear.now_s = takeaway_s + 2.0
        run._do(run.drill.tick(run.ear.now_s))
        run.on_swing(swung(index, takeaway_s, turn_deg))
    marks = [(one.kind, one.fields["swing"]) for one in done if isinstance(one, Mark)
             if one.kind.startswith("drill_swing")]  # fmt: skip
    assert [number for kind, number in marks if kind == "drill_swing"] == [1, 5]
    assert [number for kind, number in marks if kind == "drill_swing_left_out"] == [2, 3, 4]
    whys = {one.fields["why"] for one in done if isinstance(one, Mark) if "why" in one.fields}
    assert whys == {"back and forth"}
    assert not run.drill.stopped
    assert run.drill.done == 2


async def test_the_page_says_why_a_drill_ended_early(tmp_path: Path) -> None:
    plan = DrillPlan(
        blocks=(Block("rehearsal", 4, sound="bell"),),
        # The script's full swings turn further than that.
        reference=DrillReference(backswing_ms=800.0, full_turn_deg=60.0, upper_turn_deg=62.0),
        schedule="bell",
        felt_every=0,
        ends_beyond=2,
    )
    steps: list[Step] = [("rest", 14.0), *(("swing", "full"), ("rest", 12.0)) * 3]
    drill, session, _script, _made = scripted(tmp_path / "d", plan, steps, seed=7)
    await drill.run(session, ending=Shutdown())
    hub = LiveHub()
    desk = PageDesk(hub, tmp_path / "home", "drill", run=drill, to_library=False)
    desk.taps.sessions = [session]
    desk.keep()
    assert drill.drill.done == 2
    assert "past full twice in a row: enough for today" in hub.state.outcome
