"""The command `plan`."""

from __future__ import annotations

import json
import re
import shlex
import shutil
from pathlib import Path

import pytest
from evidence_data import home_of_two
from saying import said

from library.catalogue import Library
from unhurried.commands.spoken import command_lines


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return home_of_two(tmp_path_factory.mktemp("plan"))


@pytest.fixture
def home(made: Path, tmp_path: Path) -> Path:
    """A copy, since what is said here is kept."""
    return Path(shutil.copytree(made, tmp_path / "home"))


def test_it_says_stage_why_path_next_and_cautions(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = said(capsys, "plan", "Ida", "--home", home)
    assert text.startswith("Ida, 7 iron, sensor at the wrist: shorter backswing ")
    for part in ("Why ", "So far", "2026-05-01  full turn", "Next ", "Swings"):
        assert part in text
    assert "!       Warm up first, and stop on pain." in text
    assert max(map(len, text.splitlines())) <= 80
    # No UUID: sessions are named by their first characters.
    with Library(home) as library:
        ids = [session.id for session in library.sessions()]
    assert not any(one in text for one in ids)


def test_the_command_can_be_copied_over_several_lines(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = said(capsys, "plan", "Ida", "--home", home)
    start = text.index("  unhurried drill")
    block = text[start : text.index("\n\n", start)]
    words = shlex.split(block.replace("\\\n", " "))
    whole = json.loads(said(capsys, "plan", "Ida", "--json", "--home", home))
    assert words == shlex.split(whole["drill"]["command"])


def test_long_commands_break_between_options() -> None:
    command = shlex.join(
        ["unhurried", "drill", *(f"--option-{k} value' {k}".split(" ")[0] for k in range(9))]
    )
    for line in command_lines(command):
        assert len(line) <= 80
    joined = " ".join(line.rstrip("\\") for line in command_lines(command))
    assert shlex.split(joined) == shlex.split(command)


def test_the_table_shows_the_limit_that_isnt_met(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    # Steps so large that the silent swings are not brisk enough for the first one.
    text = said(capsys, "plan", "Ida", "--rule", "brisker_by=0.15", "--home", home)
    lines = text.splitlines()
    head = next(line for line in lines if "seen" in line)
    assert head.split() == ["seen", "likely", "between", "needed", "met"]
    assert "is still" in text
    (missed,) = [line for line in lines if line.endswith(" no")]
    assert "at most" in missed
    assert missed.startswith("backswing, practice swings without sound")
    assert sum(line.endswith(" yes") for line in lines) == 2
    document = json.loads(said(capsys, "plan", "Ida", "--json", "--home", home))
    assert [one["side"] for one in document["findings"]] == ["at least", "at least", "at most"]


def test_json_has_numbers_findings_and_rules(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    document = json.loads(said(capsys, "plan", "Ida", "--json", "--home", home))
    assert document["schema"] == 1
    assert document["stage"] == "brisker backswing"
    assert document["path"][0]["day"] == "2026-05-01"
    assert document["rules"]["silent_days"] == 2
    for finding in document["findings"]:
        assert finding["low"] <= finding["value"] <= finding["high"]
        assert finding["swing_ids"]


def test_an_overswinger_is_left_to_the_coach(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = said(capsys, "plan", "Otto", "--home", home)
    assert "nothing longer" in text
    assert "gives no drill for more time or more turn" in " ".join(text.split())
    # Shown by the newest strikes, with their day.
    why = " ".join(text.partition("So far")[0].split())
    assert "are those of the model swings" in why
    assert "still on 2026-05-13" in why
    assert "No drill." in text
    assert "Never turn past comfort" in text


def test_discomfort_stops_it_and_only_the_coach_starts_it_again(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = said(capsys, "plan", "Ida", "--discomfort", "--say", "left hip", "--home", home)
    assert ": stopped" in text
    assert "left hip" in text
    assert "No drill." in text
    assert ": stopped" in said(capsys, "plan", "Ida", "--home", home)
    text = said(capsys, "plan", "Ida", "--resume", "--say", "seen by a clinician", "--home", home)
    assert ": shorter backswing" in text.splitlines()[0]
    assert "isn't stopped" in said(capsys, "plan", "Ida", "--resume", "--home", home, code=1)
    with Library(home) as library:
        kept = library.player("Ida").plan("7 iron", "wrist")
        assert kept is not None
        assert [event["word"] for event in kept.history] == ["discomfort", "resume"]
        assert all(event["at"] for event in kept.history)


def test_the_coach_overrides(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = said(capsys, "plan", "Ida", "--move-to", "ball", "--say", "by eye", "--home", home)
    assert text.splitlines()[0].endswith(": at a ball")
    assert re.search(r"The coach put the plan to 'at a ball' on [0-9-]{10}: by eye", text)
    silent = said(capsys, "plan", "Ida", "--move-to", "keep", "--home", home)
    assert re.search(r"The coach put the plan to 'keep it' on [0-9-]{10}\.", silent)
    text = said(capsys, "plan", "Ida", "--move-to", "brisker", "--step", "2", "--home", home)
    assert text.splitlines()[0].endswith(": shorter backswing 2")
    assert "steps" in said(
        capsys, "plan", "Ida", "--move-to", "brisker", "--step", "5", "--home", home, code=1
    )
    assert ": stopped" in said(capsys, "plan", "Ida", "--stop", "--home", home)


def test_rules_are_changed_kept_and_put_back(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert "silent_days" in said(capsys, "plan", "Ida", "--rules", "--home", home)
    text = said(
        capsys,
        "plan",
        "Ida",
        "--rule",
        "repeats=7",
        "--rule",
        "rest_s=30",
        "--rules",
        "--home",
        home,
    )
    rows = {line.split()[0]: line.split()[1:] for line in text.splitlines() if line.strip()}
    assert rows["repeats"] == ["7", "10"]
    assert rows["rest_s"] == ["30", "15"]
    document = json.loads(said(capsys, "plan", "Ida", "--json", "--home", home))
    assert document["rules"]["repeats"] == 7
    assert "--rest-s 30" in document["drill"]["command"]
    # 0 of a drill's days with silent swings makes no sense: nothing is changed.
    for wrong in ("silent_days=0", "sureness=2", "repeats=2.5", "needs_approval=maybe", "odd=1"):
        assert "rule" in said(capsys, "plan", "Ida", "--rule", wrong, "--home", home, code=2)
    said(capsys, "plan", "Ida", "--rule", "repeats=", "--home", home)
    document = json.loads(said(capsys, "plan", "Ida", "--json", "--home", home))
    assert (document["rules"]["repeats"], document["rules"]["rest_s"]) == (10, 30)


@pytest.mark.parametrize("name", ["confidence", "sureness"])
def test_a_rule_of_two_names_is_one_rule(
    name: str, home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    said(capsys, "plan", "Ida", "--rule", f"{name}=0.8", "--home", home)
    with Library(home) as library:
        plan = library.player("Ida").plan("7 iron", "wrist")
        assert plan is not None
        # As it was always written, so that what is there already counts.
        assert plan.state["rules"] == {"sureness": 0.8}
    document = json.loads(said(capsys, "plan", "Ida", "--json", "--home", home))
    assert document["rules"]["sureness"] == 0.8
    text = said(capsys, "plan", "Ida", "--rules", "--home", home)
    assert any(line.split()[:3] == ["confidence", "0.8", "0.65"] for line in text.splitlines())
    said(capsys, "plan", "Ida", "--rule", f"{name}=", "--home", home)
    document = json.loads(said(capsys, "plan", "Ida", "--json", "--home", home))
    assert document["rules"]["sureness"] == 0.65


@pytest.mark.parametrize(
    "words",
    [
        ("--stop", "--resume"),
        ("--say", "alone"),
        ("--step", "2"),
        ("--move-to", "moon"),
    ],
)
def test_what_makes_no_sense_is_refused(
    home: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...]
) -> None:
    assert "--help" in said(capsys, "plan", "Ida", *words, "--home", home, code=2)


def test_who_is_meant_is_told(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "there is no player 'Nobody'" in said(capsys, "plan", "Nobody", "--home", home, code=1)
    line = said(capsys, "plan", "Ida", "--club", "putter", "--home", home, code=1)
    assert "7 iron" in line


def test_a_name_cannot_break_the_terminal(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    said(capsys, "plan", "Ida", "--stop", "--say", "x\x1b[31m\ny", "--home", home)
    text = said(capsys, "plan", "Ida", "--home", home)
    assert "\x1b" not in text
