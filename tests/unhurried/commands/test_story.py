"""The command `story`."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from evidence_data import (
    FEW,
    FREE,
    Block,
    add_session,
    approve,
    learner,
    long_one,
)
from saying import said

from library.catalogue import Library


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("story")
    with Library(root / "home") as library:
        approve(library, "Ida", learner(library, root)[:1])
        approve(library, "Otto", long_one(library, root)[:1])
        add_session(library, root, 40, FEW, player="Ume", day="2026-05-02")
        add_session(library, root, 41, FREE, player="face", day="2026-04-02")
        speeds = tuple(
            Block(n=8, strike=True, rate=rate, head_m_s=40.0 * rate) for rate in (0.9, 1.0, 1.1)
        )
        for k in range(2):
            add_session(library, root, 50 + k, speeds, player="Rolf", day=f"2026-05-0{k + 1}")
    return root / "home"


def test_the_three_questions_are_answered_for_three_players(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with Library(home) as library:
        first = library.sessions(player=library.player("Ida").id, newest_first=False)[0].id
    short = said(capsys, "story", first[:8], "--home", home)
    flat = " ".join(short.split())
    assert "time shorter" in flat
    assert "turn smaller" in flat
    assert "rotation slower" in flat
    assert re.search(r"10 shots beside 10 practice swings: the backswing was shorter", flat)
    later = " ".join(said(capsys, "story", "Ida", "--home", home).split())
    assert "beside the 2 before the drills: the backswing longer by" in later
    assert "unhurried drill --player Ida" in later
    long_text = " ".join(said(capsys, "story", "Otto", "--home", home).split())
    assert "time longer" in long_text
    # Ten degrees more than on another day could be that day; today it is told.
    assert re.search(
        r"Today, \d+ shots beside \d+ practice swings: .*; the turn was bigger by", long_text
    )
    few = " ".join(said(capsys, "story", "Ume", "--home", home).split())
    assert "3 of 8" in few


def test_it_fits_and_names_swings_shortly(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for who in ("Ida", "Otto", "Ume"):
        text = said(capsys, "story", who, "--numbers", "--home", home)
        lines = [line for line in text.splitlines() if "unhurried compare" not in line]
        assert max(len(line) for line in lines if "/" not in line) <= 80
        assert not re.search(r"[0-9a-f]{8}-[0-9a-f]{4}-", text)
        assert "nan" not in text.lower().split()


def test_numbers_lead_back_to_their_swings(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = said(capsys, "story", "Ida", "--numbers", "--home", home)
    with Library(home) as library:
        newest = library.sessions(player=library.player("Ida").id, limit=1)[0]
        table = library.swings(session=newest.id, kind="strike", columns=("number", "block"))
    assert f"from {newest.id[:8]}#1-6, 21-28" in " ".join(text.split())
    assert sorted(table["number"].tolist()) == [*range(1, 7), *range(21, 29)]
    assert "95 % range" in text


def test_numbers_say_against_what_and_what_counts_as_the_same(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = " ".join(said(capsys, "story", "Ida", "--numbers", "--home", home).split())
    with Library(home) as library:
        first = library.sessions(player=library.player("Ida").id, newest_first=False)[0].id[:8]
    # The reference's swings are ten rehearsals of the first session.
    assert f"beside {first}#1-5, 11-15" in text
    assert re.search(r"less than [\d.]+( ms|°| °/s) counts as the same", text)
    assert "trimmed mean" in text
    plain = " ".join(said(capsys, "story", "Ida", "--home", home).split())
    assert re.search(r"can't tell yet about [\w ]+ \([^)]*or more would show\)", plain)
    assert "on its side of the reference" not in plain
    assert re.search(r"the middle of the model swings, as do(es)? \d+ of the other \d+", plain)


def test_two_sessions_are_not_called_one(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with Library(tmp_path / "home") as library:
        ids = [
            add_session(library, tmp_path, k + 1, FREE, day=f"2026-05-0{k + 1}") for k in range(3)
        ]

    def between(session: str) -> str:
        return " ".join(said(capsys, "story", session[:8], "--home", tmp_path / "home").split())

    assert "There is one session so far" in between(ids[0])
    two = between(ids[1])
    assert "There is one session" not in two
    assert "There are 2 sessions so far; the first 2 are what later ones will be set" in two


def test_story_and_plan_agree_on_what_comes_next(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    def drill(*words: str) -> str:
        text = said(capsys, *words, "--home", home)
        return " ".join(text[text.index("unhurried drill") :].partition("\n\n")[0].split())

    assert drill("story", "Ida") == drill("plan", "Ida")
    with Library(home) as library:
        first = library.sessions(player=library.player("Ida").id, newest_first=False)[0].id
    text = said(capsys, "story", first[:8], "--home", home)
    assert "On that day (2026-05-01): " in " ".join(text.split())
    assert "unhurried drill" not in text


def test_json_is_whole_and_has_no_nan(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    document = json.loads(
        said(capsys, "story", "Ida", "--json", "--home", home), parse_constant=pytest.fail
    )
    (one,) = document["stories"]
    assert one["player"] == "Ida"
    assert len(one["sentences"]) <= 5
    assert one["examples"][0]["swing_id"].startswith(one["session"])
    assert {item["measure"] for item in one["held"]} == {
        "backswing_ms",
        "turn_deg",
        "peak_rate_dps",
    }


def test_without_a_name_it_is_the_latest_session(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with Library(home) as library:
        newest = library.sessions(limit=1)[0].id
    assert f"session {newest[:8]}" in said(capsys, "story", "--home", home)


def test_a_players_name_that_looks_like_an_id_is_the_player(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert said(capsys, "story", "face", "--home", home).startswith("face, 7 iron")


def test_speeds_are_told_in_the_units_that_were_set(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    metric = said(capsys, "story", "Rolf", "--home", home)
    found = re.search(r"([\d.]+) to ([\d.]+) m/s for", " ".join(metric.split()))
    assert found is not None
    said(capsys, "settings", "units=imperial", "--home", home)
    try:
        imperial = said(capsys, "story", "Rolf", "--home", home)
    finally:
        said(capsys, "settings", "units=", "--home", home)
    other = re.search(r"([\d.]+) to ([\d.]+) mph for", " ".join(imperial.split()))
    assert other is not None
    # 1 mph = 0.44704 m/s exactly (NIST SP 811, B.8).
    for mine, theirs in zip(found.groups(), other.groups(), strict=True):
        assert float(theirs) * 0.44704 == pytest.approx(float(mine), abs=0.08)


def test_what_isnt_there_is_told(
    home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert "no session and no player" in said(capsys, "story", "zzz", "--home", home, code=1)
    empty = tmp_path / "empty"
    assert "library is empty" in said(capsys, "story", "--home", empty, code=1)
    line = said(capsys, "story", "Ida", "--club", "putter", "--home", home, code=1)
    assert "7 iron" in line
