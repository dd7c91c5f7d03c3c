"""`unhurried help`: the manual, or a command explained whole."""

from __future__ import annotations

import webbrowser
from pathlib import Path

import pytest

from review import manual_site
from unhurried.cli import run


def test_it_opens_the_manual_and_says_where_it_is(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    opened: list[str] = []
    monkeypatch.setattr(webbrowser, "open", opened.append)
    start = tmp_path / "index.html"
    monkeypatch.setattr(manual_site, "START", start)
    assert run(["help"]) == 1
    assert "make docs" in capsys.readouterr().err
    start.write_text("<!DOCTYPE html>", encoding="utf-8")
    assert run(["help", "--no-browser"]) == 0
    assert opened == []
    assert run(["help"]) == 0
    assert opened == [start.as_uri()]
    assert capsys.readouterr().out.split() == [str(start)] * 2


def test_a_command_is_explained_with_all_its_options(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["drill", "--help"]) == 0
    short = capsys.readouterr().out
    assert run(["help", "drill"]) == 0
    whole = capsys.readouterr().out
    for text in ("Share of it from which a turn is called", "0.3<=x<=1.0", "an error came"):
        assert text not in short
        assert text in whole
    assert "--upper-turn-deg" in short
    assert "'unhurried help drill' explains all" in " ".join(short.split())
    assert run(["help", "library", "add"]) == 0
    assert "unhurried library add [OPTIONS]" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["help", "dril"], "did you mean 'drill'?"),
        (["help", "library", "ad"], "'ad'"),
        (["help", "analyze", "x"], "'unhurried analyze' has no commands inside it"),
    ],
)
def test_what_is_not_there_is_told_in_one_line(
    words: list[str], told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(words) == 2
    err = capsys.readouterr().err
    assert told in err
    assert len(err.splitlines()) == 1
