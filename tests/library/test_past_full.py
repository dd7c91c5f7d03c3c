"""A player who turns past full gets a drill of their own: where to stop."""

from __future__ import annotations

import dataclasses
from datetime import date, timedelta
from pathlib import Path

import pytest
from evidence_data import FREE, Block, add_session, approve

from analysis.evidence.plan import Stage, Volume
from feedback.drill_plan import OWN_FULL
from library.answer import answer_of_session
from library.catalogue import Library
from library.evidence import Evidence, evidence_of
from library.past_full import is_past_full
from review.answers import PAST_FULL, next_words
from review.page.answers import next_step
from review.page.requests import DrillRequest, SessionRequest
from unhurried.app.drill_sets import turns_past_full
from unhurried.app.drill_start import ready_drill
from unhurried.cli import run

TODAY = date.today()
AT_FIRST = (
    Block(n=8, strike=False),
    Block(n=8, strike=True, time=0.86, turn=0.88),
)
FURTHER = (
    Block(n=8, strike=False, turn=1.3),
    Block(n=8, strike=True, turn=1.3),
)


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("past")
    with Library(root / "home") as made:
        ids = [
            add_session(
                made, root, k + 1, sets, day=(TODAY - timedelta(days=40 - 4 * k)).isoformat()
            )
            for k, sets in enumerate((AT_FIRST, AT_FIRST, AT_FIRST, FURTHER, FURTHER))
        ]
        approve(made, "Ida", ids[:1], bounds={"turn_deg": (120.0, 140.0)})
        add_session(made, root, 9, FREE, player="Otto", day=TODAY.isoformat())
    return root / "home"


def stand(library: Library) -> Evidence:
    return evidence_of(library, "Ida")


def test_past_full_leads_to_a_drill_of_its_own(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with Library(home) as library:
        ida = stand(library)
        standing = ida.standing(TODAY.toordinal())
        answer = answer_of_session(ida, ida.sessions[-1])
        assert standing.stage is Stage.NOT_LONGER
        assert standing.drill is None
        # By the plan as by the last session.
        assert is_past_full(standing, None)
        assert next_words(standing, answer)[0] == PAST_FULL
        step = next_step(standing, ida.player.id, ida.club, ida.mount, answer)
        assert step.url == f"/range/drill?player={ida.player.id}&sets=own"
        # Who has swung enough today rests; who is stopped stays stopped.
        rested = dataclasses.replace(
            standing, volume=Volume(today=100, week=100, strikes_week=0, usual_week=None, over=(),
                                    rest=True),
        )  # fmt: skip
        assert next_words(rested, answer)[0] == "Rest today"
        stopped = dataclasses.replace(standing, stage=Stage.STOPPED)
        assert next_step(stopped, ida.player.id, ida.club, ida.mount, answer).url is None
        otto = evidence_of(library, "Otto")
        assert not is_past_full(otto.standing(TODAY.toordinal()), None)
        who = ida.player
    assert turns_past_full(home, who.id, None, None)
    asked = SessionRequest(
        player="Ida", player_id=who.id, club="7 iron", mount="wrist", drill=DrillRequest()
    )
    ready = ready_drill(home, asked)
    assert ready.plan.blocks == OWN_FULL
    assert ready.plan.reference.upper_turn_deg is not None
    # Who sets sets of their own has them.
    own = dataclasses.replace(asked, drill=DrillRequest(blocks=("rehearsal",), repeats=2))
    assert ready_drill(home, own).plan.repeats == 2
    assert run(["plan", "Ida", "--home", str(home)]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "Stop at your own full" in out
    assert "unhurried drill --player Ida --club '7 iron' --mount wrist --own-full" in out
    assert "No drill." not in out
