"""The demo players: the same each time, with the habits that they are said to have."""

from __future__ import annotations

import dataclasses
import importlib.util
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from library.catalogue import Library
from unhurried import cli
from unhurried.app.ingest import open_library
from unhurried.app.invented import (
    FOLDER,
    invented_ids,
    make_demo_library,
    remove_invented,
)
from unhurried.app.invented_people import PEOPLE
from unhurried.app.invented_visits import make_session

RUNA, MIRELA = (next(p for p in PEOPLE if p.name == name) for name in ("Runa", "Mirela"))
SCRIPT = Path(__file__).resolve().parents[2] / "recordings" / "players.py"


def test_a_visit_is_made_the_same_again_and_another_is_of_the_same_person() -> None:
    runa = RUNA
    one, again, other = (make_session(runa, k) for k in (0, 0, 6))
    assert one.samples.tobytes() == again.samples.tobytes()
    assert one.session == again.session
    assert one.session.id != other.session.id

    def backswing_s(made: object, *, strike: bool) -> float:
        truths = [s.truth for s in made.truth if s.truth.strike is strike]  # type: ignore[attr-defined]
        return float(np.median([t.top_s - t.takeaway_s for t in truths]))

    # Her own rehearsal is the same person's on both days; what a ball changes is the habit's.
    assert backswing_s(other, strike=False) == pytest.approx(
        backswing_s(one, strike=False), rel=0.04
    )
    for number, made in ((0, one), (6, other)):
        ratio = backswing_s(made, strike=True) / backswing_s(made, strike=False)
        assert ratio == pytest.approx(runa.visits[number].habit.strike_time, abs=0.04)


def test_the_library_is_made_once_with_results_answers_and_references(tmp_path: Path) -> None:
    small = tuple(dataclasses.replace(one, visits=one.visits[:1]) for one in (RUNA, MIRELA))
    told: list[str] = []
    home, folder = tmp_path / "home", tmp_path / "demo"

    def make() -> None:
        make_demo_library(home, folder, lambda what, _: told.append(what), workers=1, people=small)

    make()
    assert told == ["making Runa", "making Mirela", "all are there"]
    assert len(invented_ids(home)) == 2
    with Library(home) as library:
        runa, mirela = library.player("Runa"), library.player("Mirela")
        assert [(p.name, p.sessions) for p in library.players()] == [("Mirela", 1), ("Runa", 1)]
        assert len(library.results(player=runa.id)) >= 6
        assert len(library.results(player=mirela.id)) == 0
        assert len(library.felt(player=runa.id)) >= 4
        # She is short of turn and of time at the ball, and the coach approved what she does
        # without one.
        for measure in ("turn_deg", "backswing_ms"):
            rehearsals, strikes = (
                np.nanmedian(library.swings(player=runa.id, kind=kind)[measure])
                for kind in ("rehearsal", "strike")
            )
            assert strikes < 0.92 * rehearsals
        reference = library.player(runa.id).reference("7 iron", "wrist")
        assert reference is not None
        seqs = library.swings(player=runa.id, kind="rehearsal")["seq"].tolist()
        assert [seq for _, seq in reference.swings] == seqs
        assert len(seqs) == 9
        assert library.player(mirela.id).reference("driver", "glove") is None
        before = library.content()
    told.clear()
    make()
    assert told == []
    with Library(home) as library:
        assert library.content() == before
    assert cli.run(["library", "check", "--home", str(home)]) == 0


def test_they_are_removed_as_a_whole_come_again_and_leave_others_alone(tmp_path: Path) -> None:
    """Somebody real of the same name stays who they are, with all that is theirs."""
    small = (dataclasses.replace(MIRELA, visits=MIRELA.visits[:2]),)
    home = tmp_path / "home"
    with open_library(home) as library:
        real = library.people.add("Mirela", note="a real one")
        library.save_player(real)
    for _ in range(2):
        make_demo_library(home, home / FOLDER, workers=1, people=small, fresh=True)
        with open_library(home) as library:
            assert sorted(p.sessions for p in library.players()) == [0, 2]
            [invented] = invented_ids(home)
            assert invented != real.id
            assert library.is_swinging(invented)
            assert remove_invented(library) == (1, ())
            assert [p.id for p in library.players()] == [real.id]
            assert library.sessions() == []
            assert library.sources() == []
        assert not (home / FOLDER).exists()
        assert invented_ids(home) == ()


@pytest.mark.slow
def test_the_demo_answers_time_turn_or_speed_the_ball_did_it_hold_and_what_next(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A coach's idea (at the ball shorter, less full and slower): confirmed, refuted, untold."""
    home = tmp_path / "home"
    subprocess.run(
        [sys.executable, str(SCRIPT), str(tmp_path / "demo"), "--home", str(home)],
        check=True,
        capture_output=True,
    )

    def told(*words: str) -> str:
        capsys.readouterr()
        assert cli.run([*words, "--home", str(home)]) == 0
        return " ".join(capsys.readouterr().out.split())

    with Library(home) as library:
        first = library.sessions(player=library.player("Runa").id, newest_first=False)[0].id
    runa = told("story", first[:8])
    for word in ("time shorter", "turn smaller", "rotation slower"):
        assert word in runa
    assert "the backswing was shorter by" in runa
    later = told("story", "Runa")
    assert "before the drills: the backswing longer by" in later
    assert "the turn bigger by" in later
    assert "shorter backswing" in told("plan", "Runa")
    assert "Next 10 practice swings" in told("plan", "Runa")
    casimir = told("story", "Casimir")
    for word in ("time longer", "turn bigger", "rotation faster"):
        assert word in casimir
    plan = told("plan", "Casimir")
    assert "nothing longer" in plan
    # By the newest strikes, with their day; and what feels rushed and measures longer is said.
    assert "are those of the model swings" in plan
    assert "still on 2026-04-08" in plan
    assert "0 were shorter in time and 5 longer in time" in casimir
    assert "No drill." in plan
    mirela = told("story", "Mirela")
    for word in (f"can't tell yet about {one}" for one in ("time", "turn", "rotation")):
        assert word in mirela
    assert "a coach has to approve them" in " ".join(told("plan", "Mirela").split())


def test_the_demo_shows_a_pair_and_an_answer_on_one_screen(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    spec = importlib.util.spec_from_file_location("demo", SCRIPT.with_name("demo.py"))
    assert spec is not None
    assert spec.loader is not None
    demo = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(demo)
    henrike = dataclasses.replace(PEOPLE[0], visits=PEOPLE[0].visits[:1])
    home = tmp_path / "home"
    make_demo_library(home, tmp_path / "demo", workers=1, people=(henrike,))
    capsys.readouterr()
    demo.pair()
    demo.answer(home, "Henrike")
    told = capsys.readouterr().out
    # With the lines between and the page's address it stays well under sixty.
    assert 12 <= len(told.splitlines()) <= 30
    assert "shot  practice  difference" in told
    assert re.search(r"^Henrike: \w+: \d of \d shots shorter", told, re.MULTILINE)
    for strip in ("Time", "Turn", "Rotation"):
        assert f"  {strip}" in told
