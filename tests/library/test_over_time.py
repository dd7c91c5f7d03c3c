"""What changed over time: its words are those of the rule for looks."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from evidence_data import DAYS, FREE, add_session, approve, learner

from analysis.evidence.outcome import Outcome, Retention
from analysis.evidence.spread import SessionChange
from library.answer import Said
from library.catalogue import Library
from library.evidence import Evidence, evidence_of
from library.over_time import main_kind, over_time


@pytest.fixture(scope="module")
def library(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Library]:
    root = tmp_path_factory.mktemp("over-time")
    with Library(root / "home") as made:
        approve(made, "Ida", learner(made, root)[:1])
        for k in range(6):
            add_session(made, root, 40 + k, FREE, player="Otto", day=DAYS[k])
        yield made


@pytest.fixture
def ida(library: Library) -> Evidence:
    return evidence_of(library, "Ida")


def test_words_are_those_of_the_rule(ida: Evidence) -> None:
    for kind in ("strike", "rehearsal"):
        found = over_time(ida, kind)
        for change, held in zip(found.changes, ida.held(kind), strict=True):
            assert change.measure == held.measure
            assert isinstance(held.change, SessionChange)
            told = held.change.outcome is Outcome.DIFFERENT
            assert (change.said not in (Said.AS_USUAL, Said.CANT_TELL)) == told
            assert change.difference == held.change.decision.difference
            assert change.before is not None
            assert change.after == pytest.approx(change.before + change.difference)


def test_the_learner_is_longer_bigger_and_faster(ida: Evidence) -> None:
    found = over_time(ida)
    assert main_kind(ida) == "strike"
    assert [one.said for one in found.changes] == [Said.LONGER, Said.BIGGER, Said.FASTER]
    assert found.drilled
    assert (found.before, found.after) == (2, 4)
    assert found.told
    assert found.kept is True


def test_what_a_drill_did_not_keep_is_not_called_kept(
    ida: Evidence, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("library.over_time.outcome_at", lambda _: object())
    for word, kept in (
        (Retention.NOT_RETAINED, False),
        (Retention.INCONCLUSIVE, True),
        (Retention.RETAINED, True),
    ):
        monkeypatch.setattr(
            "library.over_time.kept_by_block",
            lambda _, word=word: [("3 silent", "backswing_ms", word, None)],
        )
        assert over_time(ida).kept is kept


def test_without_drills_the_first_sessions_are_the_beginning(library: Library) -> None:
    otto = evidence_of(library, "Otto")
    found = over_time(otto)
    assert not found.drilled
    assert found.kept is None
    assert (found.before, found.after, found.have) == (2, 4, None)
    assert not found.told
    for sessions, have in ((1, 1), (3, 3)):
        then = otto.until(otto.sessions[sessions - 1])
        early = over_time(then)
        assert (early.have, early.need) == (have, 4)
        assert {one.said for one in early.changes} == {Said.CANT_TELL}
