"""One command says of all unclear swings whether they were balls."""

from __future__ import annotations

import dataclasses
import shutil
from pathlib import Path

import pytest

from analysis.evidence.summary import kind_of
from library.catalogue import Library
from sensor.recording.annotations import read_annotations
from unhurried import cli
from unhurried.app.ingest import analyze_one
from unhurried.app.measuring import Analysis, analyze
from unhurried.commands.analyze import lines
from unhurried.commands.kind import command
from unhurried.commands.opening import open_with
from unhurried.commands.unsure import question_lines, unsaid
from words import knocks

ROOT = Path(__file__).resolve().parents[3]


@pytest.fixture
def glove(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Ameyo's session, and a home of its own."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("UNHURRIED_HOME", str(tmp_path / "home"))
    return Path(shutil.copytree(ROOT / "recordings" / "thursday-glove", tmp_path / "glove"))


@pytest.fixture
def analysis(glove: Path) -> Analysis:
    with open_with(glove) as recording:
        return analyze(recording)


def kinds(folder: Path) -> list[str]:
    """What was said of the swings, in order."""
    said = read_annotations(folder)
    found = [said.get("swing", seq, "kind") for seq in said.swing_keys()]
    return [kind for kind in found if kind is not None]


def unclear(folder: Path, numbers: tuple[int, ...]) -> None:
    """Say of some swings that they are unclear."""
    from sensor.recording.annotations import change_annotations

    known = analyze_one(folder, folder.parent / "home")
    with change_annotations(folder) as said:
        for one in known.swings:
            if one.values["index"] in numbers:
                said.set_swing(one.span, rate_hz=known.rate_hz, kind="unclear")


@pytest.mark.parametrize("known", [True, False])
def test_one_answer_counts_for_all_that_are_unclear(
    glove: Path, capsys: pytest.CaptureFixture[str], known: bool
) -> None:
    if known:
        assert cli.run(["library", "add", str(glove)]) == 0
    unclear(glove, (2, 5, 6))
    capsys.readouterr()
    assert cli.run(["kind", str(glove), "strike"]) == 0
    assert capsys.readouterr().out == "glove: 3 swings (#2, #5-6): now shots\n"
    assert kinds(glove) == ["strike"] * 3
    assert cli.run(["kind", str(glove), "rehearsal"]) == 0
    assert "no swing of it is unclear" in capsys.readouterr().out
    assert kinds(glove) == ["strike"] * 3


def test_one_swing_is_named_by_its_number_and_all_is_taken_back(
    glove: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.run(["kind", f"{glove}#3", "rehearsal"]) == 0
    assert kinds(glove) == ["rehearsal"]
    assert cli.run(["kind", f"{glove}#99", "rehearsal"]) == 1
    assert "there is no swing #99" in capsys.readouterr().err
    assert cli.run(["kind", str(glove), "as-measured"]) == 0
    assert kinds(glove) == []
    assert cli.run(["kind", str(glove), "as-measured"]) == 0
    assert "no kind was said" in capsys.readouterr().out
    assert command.name == "kind"


def unclear_all(analysis: Analysis, numbers: range) -> Analysis:
    """The same with some swings that the sensor left unclear."""
    return dataclasses.replace(
        analysis,
        swings=tuple(
            dataclasses.replace(one, strike=None, notes=()) if one.index in numbers else one
            for one in analysis.swings
        ),
    )


def test_analyze_asks_once_where_most_are_unclear(glove: Path, analysis: Analysis) -> None:
    n = len(analysis.swings)
    hidden = unclear_all(analysis, range(1, n))
    asked = list(question_lines(hidden, glove))
    assert asked[-1] == f"  unhurried kind {glove} strike"
    assert sum("Were these shots?" in line for line in asked) == 1
    assert not list(question_lines(unclear_all(analysis, range(1, n // 2 + 1)), glove))
    # A CSV file has no place for what is said.
    assert not list(question_lines(hidden, glove / "imu.csv"))


def test_analyze_asks_no_more_once_it_was_answered(glove: Path, analysis: Analysis) -> None:
    hidden = unclear_all(analysis, range(1, len(analysis.swings) + 1))
    assert len(unsaid(glove, hidden)) == len(analysis.swings)
    assert cli.run(["kind", f"{glove}#2", "strike"]) == 0
    assert unsaid(glove, hidden) == [one.index for one in hidden.swings if one.index != 2]


def test_where_knocks_are_hidden_it_is_said_once(analysis: Analysis) -> None:
    assert analysis.as_dict()["recording"]["knock_visible"] == analysis.knock_visible
    poor = dataclasses.replace(analysis, knock_visible=0.31)
    text = " ".join(lines(poor, "x"))
    assert text.count("about 3 in ten of these swings") == 1
    good = dataclasses.replace(analysis, knock_visible=0.97)
    assert "would have been seen" not in " ".join(lines(good, "x"))
    assert knocks.ahead(0.9) is None
    assert "hardly any" in (knocks.ahead(0.01) or "")


def test_analyze_counts_what_was_said_as_the_library_does(
    glove: Path, analysis: Analysis, capsys: pytest.CaptureFixture[str]
) -> None:
    measured = [kind_of(swing) for swing in analysis.swings]
    assert measured[:3] == ["strike", "strike", "rehearsal"]
    assert cli.run(["library", "add", str(glove)]) == 0
    assert cli.run(["kind", f"{glove}#1", "rehearsal"]) == 0
    assert cli.run(["kind", f"{glove}#3", "strike"]) == 0
    unclear(glove, (5,))
    expected = ["rehearsal", "strike", "strike", measured[3], "unclear", *measured[5:]]
    now = analyze(glove)
    assert [kind_of(swing) for swing in now.swings] == expected
    # What was measured stays, and a note says what counts.
    assert [swing.strike for swing in now.swings] == [swing.strike for swing in analysis.swings]
    assert now.swings[0].notes[-1].text == "it was said afterwards that it is a practice swing"
    assert cli.run(["library", "update"]) == 0
    with Library(glove.parent / "home") as library:
        assert library.swings(columns=("kind",))["kind"].tolist() == expected
    capsys.readouterr()
    assert cli.run(["analyze", str(glove)]) == 0
    rows = [line.split() for line in capsys.readouterr().out.splitlines()]
    assert [row[3] for row in rows if row[:1] in (["1"], ["3"]) and ":" in row[1]] == [
        "practice",
        "shot",
    ]
    # Taken back, all is as measured; what can't be read changes nothing.
    assert cli.run(["kind", str(glove), "as-measured"]) == 0
    assert [kind_of(swing) for swing in analyze(glove).swings] == measured
    (glove / "annotations.json").write_text("{", encoding="utf-8")
    assert [kind_of(swing) for swing in analyze(glove).swings] == measured
