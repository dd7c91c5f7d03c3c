"""Before and after a drill: who, what the plan says, cautions, the library, what comes next."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import click
import pytest
from evidence_data import home_of_two
from patience import PATIENCE_S
from performing import Swung
from saying import said

from analysis.evidence.plan import PlanRules
from feedback.drill import Drill
from feedback.drill_outcome import judge
from library.catalogue import Library
from library.players import PlanRecord, Registry
from review.page.livehub import LiveError, LiveHub
from review.page.requests import DrillRequest, SessionRequest
from unhurried.app.drill_checks import cautions_are_due, known_player, near_name, plan_remarks
from unhurried.app.drill_start import ready_drill
from unhurried.app.page_start import PageStarter
from unhurried.cli import run
from unhurried.commands import drill as command

ROOT = Path(__file__).resolve().parents[3]
FAST = ["--simulated", "--speed", "30", "--output", "silent", "--rest-s", "1", "--repeats", "1"]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return home_of_two(tmp_path_factory.mktemp("drill"))


@pytest.fixture
def home(made: Path, tmp_path: Path) -> Path:
    """A copy, since what is said here is kept."""
    return Path(shutil.copytree(made, tmp_path / "home"))


def drill(home: Path, out: Path, *more: str) -> int:
    return run(["drill", *FAST, "--home", str(home), "--out", str(out), *more])


def flat(text: str) -> str:
    return " ".join(text.split())


# -- the plan --------------------------------------------------------------------------------------


def test_a_stopped_player_does_not_drill(
    home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    said(capsys, "plan", "Ida", "--discomfort", "--say", "left hip", "--home", home)
    assert drill(home, tmp_path / "d", "--player", "Ida") == 1
    err = capsys.readouterr().err
    assert len(err.splitlines()) == 1
    for word in ("no drill for Ida", "7 iron at the wrist", "discomfort", "left hip", "clinician"):
        assert word in err
    assert (
        "To go on, the coach says: unhurried plan Ida --club '7 iron' --mount wrist --resume" in err
    )
    assert not (tmp_path / "d").exists()
    # So it is with this club and mount, written otherwise, and by id.
    assert drill(home, tmp_path / "d", "--player", "ida", "--club", "7 iron") == 1
    known = known_player(home, "Ida")
    assert known is not None
    assert drill(home, tmp_path / "d", "--player", known.id[:8]) == 1
    # What hurts with one club hurts with any, however it is written; nor is a cue played.
    capsys.readouterr()
    cue = ["cue", "--backswing-ms", "800", "--repeats", "1", "--output", "silent"]
    for setting in (["--club", "driver"], ["--mount", "club"], ["--club", "7-iron"], []):
        for arguments in (["drill", *FAST, "--out", str(tmp_path / "d")], cue):
            assert run([*arguments, "--home", str(home), "--player", "Ida", *setting]) == 1
            assert capsys.readouterr().err == err
    assert not (tmp_path / "d").exists()
    # Nor once the coach has stopped it as well.
    said(capsys, "plan", "Ida", "--stop", "--home", home)
    assert drill(home, tmp_path / "d", "--player", "Ida", "--club", "driver") == 1
    assert "no drill for Ida" in capsys.readouterr().err
    # The coach starts it again.
    said(capsys, "plan", "Ida", "--resume", "--home", home)
    assert drill(home, tmp_path / "d", "--player", "Ida", "--club", "7 iron") == 0
    assert "is stopped" not in capsys.readouterr().err


def test_what_the_coach_stopped_is_said_before_another_club(
    home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    said(capsys, "plan", "Ida", "--stop", "--say", "away", "--home", home)
    assert drill(home, tmp_path / "other", "--player", "Ida", "--club", "driver") == 0
    err = flat(capsys.readouterr().err)
    assert err.count("! the plan for 7 iron at the wrist is stopped") == 1
    assert err.index("is stopped") < err.index("samples are coming")
    cue = ["cue", "--player", "Ida", "--backswing-ms", "800", "--repeats", "1", "--home", str(home)]
    cue += ["--out", str(tmp_path / "t.wav"), "--overwrite"]
    assert run([*cue, "--club", "driver"]) == 0
    assert "! the plan for 7 iron at the wrist is stopped" in flat(capsys.readouterr().err)
    assert run(cue) == 1
    assert "no drill for Ida" in capsys.readouterr().err


def test_discomfort_counts_also_where_the_swings_are_gone(
    home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    registry = Registry(home)
    event = {"word": "discomfort", "day": 739000, "at": "2026-05-02T10:00:00Z"}
    record = PlanRecord(club="wedge", mount="glove", state={}, history=(event,))
    registry.save(registry.find("Ida").with_plan(record))
    assert drill(home, tmp_path / "d", "--player", "Ida", "--club", "7 iron") == 1
    # Named by one that the coach can start again: there are no swings with the wedge.
    assert "the plan for 7 iron at the wrist is stopped" in flat(capsys.readouterr().err)


def test_nor_from_the_page(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    said(capsys, "plan", "Ida", "--stop", "--say", "away", "--home", home)
    known = known_player(home, "Ida")
    assert known is not None
    hub = LiveHub()
    starter = PageStarter(hub, home, output="silent")
    wanted = SessionRequest(
        sensor=None,
        simulated=True,
        player="Ida",
        player_id=known.id,
        club="7 iron",
        mount="wrist",
        hand=None,
        drill=DrillRequest(
            blocks=("rehearsal",),
            repeats=1,
            rest_s=1.0,
            schedule="every",
            cue_on=None,
            backswing_ms=None,
            full_turn_deg=None,
            share=None,
            upper_turn_deg=None,
            felt=False,
        ),
    )
    with pytest.raises(
        LiveError,
        match=r"no drill for Ida.*away\. To go on, the coach says so under “The coach's word”",
    ):
        starter.start(wanted)
    assert not hub.state.running
    assert not (home / "recordings").exists() or not list((home / "recordings").iterdir())


def test_the_plans_share_of_the_time_is_the_drills(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    known = known_player(home, "Ida")
    assert known is not None
    drill = DrillRequest(backswing_ms=1000.0)
    asked = SessionRequest(
        player="Ida", player_id=known.id, club="7 iron", mount="wrist", drill=drill
    )
    swing = Swung(backswing_ms=920.0)
    told = []
    for share in (0.95, 0.9):
        said(capsys, "plan", "Ida", "--rule", f"time_share={share}", "--home", home)
        reference = ready_drill(home, asked).plan.reference
        assert reference.time_share == share
        told.append(judge(swing, reference).time)
    assert told == ["short", "enough"]
    # Who has no plan gets the usual rules.
    nobody = SessionRequest(drill=drill)
    assert ready_drill(home, nobody).plan.reference.time_share == PlanRules().time_share


@pytest.mark.parametrize("blocks", [("silent",), ("rehearsal",), ()])
def test_two_past_full_in_a_row_end_any_drill(tmp_path: Path, blocks: tuple[str, ...]) -> None:
    asked = DrillRequest(blocks=blocks, repeats=10, full_turn_deg=132.0, upper_turn_deg=144.0)
    drill = Drill(ready_drill(tmp_path, SessionRequest(drill=asked)).plan)
    drill.begin(0.0)
    for k in range(2):
        assert not drill.stopped
        drill.swing(Swung(index=k + 1, turn_deg=252.0), 10.0 + 30.0 * k)
        drill.tick(20.0 + 30.0 * k)
    assert drill.stopped
    assert drill.ended_for is not None
    assert "past full twice in a row" in drill.ended_for


def test_what_the_plan_has_against_it_is_said(
    home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert drill(home, tmp_path / "d", "--player", "Otto", "--mount", "wrist") == 0
    err = flat(capsys.readouterr().err)
    assert "stands at 'not sent longer' and has no drill now" in err
    assert err.index("not sent longer") < err.index("samples are coming")
    known = known_player(home, "Ida")
    assert known is not None
    assert plan_remarks(home, known, None, None) == []


def test_a_retention_block_right_after_practice_is_none(
    home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    blocks = ["--block", "rehearsal", "--block", "retention"]
    assert drill(home, tmp_path / "d", *blocks) == 0
    assert "it is one more set without sound" in flat(capsys.readouterr().err)
    assert drill(home, tmp_path / "e", "--block", "retention", "--player", "Ida") == 0
    assert "one more set without sound" not in flat(capsys.readouterr().err)


# -- names -----------------------------------------------------------------------------------------


def test_a_new_name_is_said_and_a_near_one_too(
    home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert drill(home, tmp_path / "a", "--player", "Runa", "--backswing-ms", "800") == 0
    err = capsys.readouterr().err
    assert "Runa is new here: no model swings yet, the cue takes 800 ms" in err
    assert "is meant" not in err
    assert drill(home, tmp_path / "b", "--player", "Oto") == 0
    err = capsys.readouterr().err
    assert "'Oto' is new here; if Otto is meant" in err
    assert "so the cue comes once the first three swings have given a time" in err
    assert near_name(home, "IDAA") == "Ida"
    assert near_name(home, "Casimir") is None


@pytest.mark.parametrize("yes", [True, False])
def test_at_a_terminal_a_near_name_is_asked_for(
    yes: bool, home: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[str] = []

    def confirm(text: str, **_: object) -> bool:
        asked.append(text)
        return yes

    monkeypatch.setattr(command, "_at_terminal", lambda: True)
    monkeypatch.setattr(click, "confirm", confirm)
    known = known_player(home, "Otto")
    assert command._who(home, "Oto") == (("Otto", known) if yes else ("Oto", None))
    assert asked == ["'Oto' is new here. Is it Otto?"]
    # Whoever is known isn't asked, nor is anybody who is like nobody.
    assert command._who(home, "Otto") == ("Otto", known)
    assert command._who(home, "Casimir") == ("Casimir", None)
    assert len(asked) == 1


def test_a_missing_reference_names_those_that_there_are(
    home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert drill(home, tmp_path / "d", "--player", "Ida", "--club", "driver") == 0
    err = flat(capsys.readouterr().err)
    assert "Ida has no model swings with driver yet (there is one for 7 iron at the wrist)" in err
    told = said(capsys, "cue", "--player", "Ida", "--club", "driver", "--home", home, code=1)
    assert "there is one for 7 iron at the wrist" in told


# -- cautions --------------------------------------------------------------------------------------


def test_the_whole_cautions_come_on_a_players_first_day(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    home = tmp_path / "home"
    for number, (player, whole) in enumerate((("Ida", 1), ("Ida", 0), ("Otto", 1), ("Ida", 0))):
        out = tmp_path / f"d{number}"
        assert drill(home, out, "--player", player, "--mount", "club") == 0
        err = flat(capsys.readouterr().err)
        assert err.count("Warm up first") == whole
        assert err.count("Warm up, clear space, stop on pain") == 1 - whole
        # That of the mount is never left out.
        assert "tethered" in err
        assert err.index("arm up") < err.index("samples are coming")
    shown = json.loads((home / "cautions.json").read_text())
    yesterday, season = (str(date.today() - timedelta(days=days)) for days in (1, 91))
    (home / "cautions.json").write_text(json.dumps({**shown, "Ida": yesterday, "": yesterday}))
    assert not cautions_are_due(home, "Ida")
    # Nobody knows whether it is the one of yesterday.
    assert cautions_are_due(home, None)
    assert not cautions_are_due(home, None)
    (home / "cautions.json").write_text(json.dumps({**shown, "Ida": season}))
    assert cautions_are_due(home, "Ida")
    assert not cautions_are_due(home, "Ida")
    (home / "cautions.json").write_text("{")
    assert cautions_are_due(home, "Ida")


# -- the library -----------------------------------------------------------------------------------


def test_without_a_swing_there_is_no_session_and_no_new_player(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    home, out = tmp_path / "home", tmp_path / "d"
    arguments = ["record", "--simulated", "--speed", "0", "--seconds", "5", "--player", "Idda"]
    assert run([*arguments, "--home", str(home), "--out", str(out)]) == 0
    err = flat(capsys.readouterr().err)
    assert "no swings were found, so not put into the library: 'unhurried library add" in err
    with Library(home) as library:
        assert library.players() == []
        assert library.sessions() == []
    # It is whole, and what the line says works.
    assert run(["library", "add", str(out), "--home", str(home)]) == 0


@pytest.mark.parametrize("name", ["drill", "record"])
def test_a_session_comes_into_the_library(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    home, out = tmp_path / "home", tmp_path / "d"
    arguments = FAST if name == "drill" else ["--simulated", "--speed", "0", "--seconds", "30"]
    arguments = [name, *arguments, "--home", str(home)]
    assert run([*arguments, "--out", str(out), "--player", "Ida", "--mount", "wrist"]) == 0
    err = flat(capsys.readouterr().err)
    with Library(home) as library:
        (session,) = library.sessions()
        assert session.path == out.resolve()
        assert session.players == ("Ida",)
    assert f"in the library as {session.id[:8]}" in err
    if name == "drill":
        assert err.endswith("next: unhurried plan Ida --mount wrist")
        # What the line says works.
        assert run(["plan", "Ida", "--mount", "wrist", "--home", str(home)]) == 0
        capsys.readouterr()
    else:
        assert err.endswith(f"next: unhurried analyze {out}")
    # Nobody is made up for the library.
    assert run([*arguments, "--out", str(tmp_path / "e")]) == 0
    with Library(home) as library:
        assert [one.name for one in library.players()] == ["Ida"]
        assert len(library.sessions()) == 2
    capsys.readouterr()
    assert run([*arguments, "--out", str(tmp_path / "f"), "--no-library"]) == 0
    err = flat(capsys.readouterr().err)
    assert "in the library" not in err
    assert err.endswith(f"next: unhurried analyze {tmp_path / 'f'}")
    with Library(home) as library:
        assert len(library.sessions()) == 2


def test_a_simulated_drill_of_a_real_player_is_not_sent_to_the_plan(
    home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "d"
    assert drill(home, out, "--player", "Ida", "--mount", "wrist") == 0
    err = flat(capsys.readouterr().err)
    assert "it is left out of what is told of the player, nor does the plan count it" in err
    assert err.endswith(f"next: unhurried info {out}")
    assert run(["info", str(out), "--home", str(home)]) == 0


@pytest.mark.parametrize("name", ["drill", "record"])
def test_a_library_that_cannot_be_written_loses_nothing(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    home, out = tmp_path / "home", tmp_path / "d"
    home.mkdir()
    (home / "library.db").write_bytes(b"no database at all" * 100)
    arguments = FAST if name == "drill" else ["--simulated", "--speed", "0", "--seconds", "20"]
    arguments = [name, *arguments, "--home", str(home), "--out", str(out)]
    assert run(arguments) == 0
    err = capsys.readouterr().err
    (line,) = [line for line in err.splitlines() if "not in the library yet" in line]
    assert f"'unhurried library add {out}'" in line
    assert "Traceback" not in err
    assert f"next: unhurried analyze {out}" in err
    assert run(["info", str(out), "--home", str(home)]) == 0


def test_a_replay_is_no_session_of_its_own(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    home = tmp_path / "home"
    assert run(["simulate", str(tmp_path / "s"), "--seed", "7", "--swings", "2"]) == 0
    arguments = ["record", "--replay", str(tmp_path / "s"), "--speed", "0", "--home", str(home)]
    assert run([*arguments, "--out", str(tmp_path / "d")]) == 0
    assert "a replay of swings that were made before: not in the library" in flat(
        capsys.readouterr().err
    )
    with Library(home) as library:
        assert library.sessions() == []


# -- what a coach sees -----------------------------------------------------------------------------


@pytest.fixture(scope="module")
def drilled(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, str]:
    """A drill with a silent block in the library: home, recording, and what it said at its end."""
    return run_drill(tmp_path_factory.mktemp("seen"), "--block rehearsal --block silent")


def run_drill(root: Path, blocks: str) -> tuple[Path, Path, str]:
    out = root / "d"
    words = "drill --simulated --speed 15 --output silent --rest-s 1 --repeats 3 --seed 3"
    words += f" {blocks} --backswing-ms 900 --full-turn-deg 120"
    words += f" --player Ida --mount wrist --home {root / 'home'} --out {out}"
    done = subprocess.run(
        [sys.executable, "-m", "unhurried", *words.split()],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        timeout=PATIENCE_S,
    )
    assert done.returncode == 0, done.stdout
    return root / "home", out, done.stdout


def test_blocks_and_whether_the_silent_one_held_are_shown(
    drilled: tuple[Path, Path, str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    home, out, ended = drilled
    verdict = "Set 2 (without sound) beside set 1 (practice), today: "
    assert verdict in flat(ended)
    shown = {
        "info": said(capsys, "info", str(out), "--home", home),
        "library": said(capsys, "library", "show", str(out), "--home", home),
        "story": said(capsys, "story", str(out), "--home", home),
    }
    said(capsys, "report", str(out), "--out", tmp_path / "r.html", "--home", home)
    shown["report"] = (tmp_path / "r.html").read_text(encoding="utf-8")
    for name, text in shown.items():
        words = flat(text).replace("&#39;", "'")
        assert "set 1 (practice): 3 of 3 swings, time enough" in words, name
        assert verdict in words, name
        assert "% )" not in words
        if name != "report":
            assert max(map(len, text.splitlines())) <= 80
    document: dict[str, Any] = json.loads(said(capsys, "info", str(out), "--json", "--home", home))
    assert [one["block_kind"] for one in document["drill"]["blocks"]] == ["rehearsal", "silent"]
    assert document["drill"]["held"][0].startswith(verdict)
    document = json.loads(said(capsys, "library", "show", str(out), "--json", "--home", home))
    assert document["drill"]["schedule"] == "bell"
    document = json.loads(said(capsys, "story", str(out), "--json", "--home", home))
    assert document["stories"][0]["drill"]["blocks"][0]["swings"] == 3


def test_library_and_analysis_count_the_same_kinds(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A simulated player who has balls strikes in rehearsals: said, and a rehearsal everywhere."""
    home, out, ended = run_drill(tmp_path, "--block rehearsal --block ball")
    assert flat(ended).count("that met something, in practice swings without a ball") == 1
    assert "met something, though it was without a ball; they count as practice swings" in flat(
        ended
    )
    text = said(capsys, "analyze", str(out), "--home", home)
    assert "it was said that there was no ball: it counts as a practice swing" in flat(text)
    names = {"practice": "rehearsal", "shot": "strike", "unclear": "unclear"}
    rows = [line.split() for line in text.splitlines() if " Ida " in line]
    kinds = [names[row[3]] for row in rows if ":" in row[1]]
    document = json.loads(said(capsys, "library", "show", str(out), "--json", "--home", home))
    assert kinds == [one["kind"] for one in document["swings"]]
    assert document["session"]["strikes"] == kinds.count("strike")
    # What the sensor felt stays what it is.
    measured = json.loads(said(capsys, "analyze", str(out), "--json", "--home", home))
    assert sum(one["strike"] is True for one in measured["swings"]) > kinds.count("strike")
