"""*Help* in the page's header opens the manual, under the page's own policy and with no network."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from page_screens import Site, screen_path

from review.manual_site import MISSING
from review.page import help as screen
from review.page.security import CONTENT_POLICY

ROOT = Path(__file__).resolve().parents[3]


@pytest.fixture
def manual(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A manual of two files in the place of the built one."""
    (tmp_path / "learn").mkdir()
    (tmp_path / "index.html").write_text("<h1>The manual</h1>", encoding="utf-8")
    (tmp_path / "learn" / "a.html").write_text("<h1>A</h1>", encoding="utf-8")
    monkeypatch.setattr(screen, "START", tmp_path / "index.html")
    monkeypatch.setattr(screen._Manual, "lookup_path", _looks_in(tmp_path))
    return tmp_path


def _looks_in(folder: Path):  # type: ignore[no-untyped-def]
    from starlette.staticfiles import StaticFiles

    inside = StaticFiles(directory=folder, html=True)
    return lambda _self, path: inside.lookup_path(path)


def test_every_screen_leads_to_it(site: Site) -> None:
    for path in ("/", "/range", "/nothing"):
        assert re.search(r'<a href="/help/">Help</a>', site.http.get(path).text), path


def test_it_is_served_under_the_pages_policy(site: Site, manual: Path) -> None:
    answer = site.http.get("/help", follow_redirects=True)
    assert answer.status_code == 200
    assert "The manual" in answer.text
    assert answer.headers["content-security-policy"] == CONTENT_POLICY
    assert answer.headers["cache-control"] == "no-cache"
    assert site.http.get("/help/learn/a.html").status_code == 200
    assert site.http.get("/help/learn/b.html").status_code == 404
    assert site.http.get("/help/..%2f..%2fapp.py").status_code == 404


def test_where_it_was_not_built_one_line_says_what_to_do(
    site: Site, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(screen, "START", tmp_path / "gone.html")
    answer = site.http.get("/help/", headers={"accept": "text/html"})
    assert answer.status_code == 404
    assert MISSING.partition("'")[0] in answer.text
    assert "make docs" in answer.text


def words_asked(site: Site, screen: str) -> set[str]:
    """Where the question marks beside a screen's words lead: anchors of the glossary."""
    link = r'<a class="what no-print" href="/help/look-up/glossary\.html#([\w-]+)">\?'
    return set(re.findall(link, site.http.get(f"{screen_path(site, screen)}?whole=1").text))


def test_a_question_mark_beside_a_word_opens_its_line(site: Site) -> None:
    glossary = (ROOT / "docs" / "look-up" / "glossary.md").read_text(encoding="utf-8")
    asked = {
        screen: words_asked(site, screen) for screen in ("session", "player", "trend", "swing")
    }
    strips = {"time", "turn", "rotation"}
    assert strips | {"own-range", "change-of-direction"} <= asked["session"]
    assert strips <= asked["player"]
    assert {"model-swings", "own-range"} <= asked["trend"]
    lines = {
        anchor: word
        for word, anchor in re.findall(r'^\| ([^|]+) \| <a id="([^"]+)">', glossary, re.M)
    }
    for name, anchors in asked.items():
        assert anchors <= lines.keys(), name
    assert {lines[anchor] for anchor in strips} == strips


def test_there_are_few_of_them_and_none_in_a_file_that_is_sent(site: Site) -> None:
    # A list of players has them in its legend only, and a screen has each word once or twice.
    assert words_asked(site, "players") <= {"own-range"}
    text = site.http.get(f"{screen_path(site, 'session')}?whole=1").text
    assert 5 <= text.count('class="what ') <= 8
    report = site.http.get(f"/session/{site.sessions()[0]}/report.html")
    assert report.status_code == 200
    assert "headline" in report.text
    assert 'class="what' not in report.text
