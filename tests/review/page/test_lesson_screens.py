"""The screens around a lesson: the glossary's words, three widths, accessibility, children."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from lesson_data import add_lesson, record
from page_screens import AXE_RUN
from page_words import NOWHERE, OFF_THE_SCREEN, text_of, whole_of, words_in
from range_site import RangeSite, range_site

from library.deletion import forget_due
from library.players import Player
from unhurried.app.ingest import open_library

SCREENS = ("start", "end", "card", "colleague", "slip", "player")


@pytest.fixture(scope="module")
def taught(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[RangeSite, dict[str, str]]]:
    """A page with a player who had two lessons, and the addresses of its screens."""
    root = tmp_path_factory.mktemp("taught")
    with open_library(root / "home") as library:
        sessions = [
            add_lesson(library, root, number, day=day)
            for number, day in ((1, "2026-05-01"), (2, "2026-05-08"))
        ]
        who = library.player("Ida").id
        for session, day in zip(sessions, ("2026-05-01", "2026-05-08"), strict=True):
            said = record(
                session,
                start=f"{day}T18:30:00+02:00",
                aim="More time going back",
                words="Breathe out before the takeaway.",
                avoid="Full speed",
                swings=6,
                days=4,
                backswing_ms=900.0,
            )
            library.change_player(who, lambda player, said=said: player.with_lesson(said))
    paths = {
        "start": f"/range/lesson?player={who}",
        "end": f"/session/{sessions[1]}/lesson",
        "card": f"/player/{who}/homework",
        "colleague": f"/player/{who}/colleague",
        "slip": "/range/slip",
        "player": f"/player/{who}",
    }
    with range_site(root / "home") as up:
        yield up, paths


@pytest.mark.parametrize("screen", SCREENS)
def test_only_the_words_of_the_glossary(
    taught: tuple[RangeSite, dict[str, str]], screen: str
) -> None:
    site, paths = taught
    text = text_of(whole_of(site, paths[screen]))
    assert len(text.split()) > 20
    assert words_in(OFF_THE_SCREEN, text) == []
    assert words_in(NOWHERE, text) == []


@pytest.mark.parametrize("screen", SCREENS)
def test_it_fits_and_can_be_used_by_all(
    taught: tuple[RangeSite, dict[str, str]],
    open_page: Callable[..., Any],
    axe: str,
    screen: str,
) -> None:
    site, paths = taught
    window = open_page(site.url + paths[screen], width=390, dark=screen == "end")
    window.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
    for width in (320, 390, 1280):
        window.set_viewport_size({"width": width, "height": 800})
        assert window.evaluate("document.documentElement.scrollWidth") <= width
    window.evaluate(axe)
    found = window.evaluate(AXE_RUN)
    assert [f for f in found if f["impact"] in ("serious", "critical")] == []


def test_the_end_is_read_first_on_a_phone(
    taught: tuple[RangeSite, dict[str, str]], open_page: Callable[..., Any]
) -> None:
    site, paths = taught
    window = open_page(site.url + paths["end"], width=390)
    box = window.locator("[data-answer] .headline").bounding_box()
    assert box["y"] + box["height"] < 400
    assert window.inner_text(".headline").startswith("Today, last against first: time 0.1")
    assert "Last time the aim was: More time going back" in window.inner_text("main")


# -- children ----------------------------------------------------------------------------------


@pytest.fixture
def site(tmp_path: Path) -> Iterator[RangeSite]:
    with range_site(tmp_path / "home", speed=40.0) as up:
        yield up


def child_of(site: RangeSite) -> Player:
    with open_library(site.home) as library:
        (child,) = [one for one in library.people.all() if one.child]
        return child


CHILD = {"sensor": "simulated", "mount": "wrist", "full_only": "on", "child": "on"}


def test_a_child_has_a_nickname_and_is_gone_after_the_day(site: RangeSite) -> None:
    refused = site.post("/range/lesson", **CHILD)
    assert refused.status_code == 400
    assert "print the slip" in refused.text
    assert site.post("/range/lesson", **CHILD, slip="signed").status_code == 200
    site.until(lambda s: s.lesson is not None and sum(s.lesson.counts["first"]) >= 1)
    state = site.stop()
    child = child_of(site)
    assert (child.name, child.until) == ("Blue Heron", date.today().isoformat())
    assert child.consent is not None
    folder = site.folder
    page = site.http.get(f"/session/{state.session}/lesson").text
    assert "unless you keep it" in page
    assert "unless you keep them" in site.http.get(f"/player/{child.id}").text
    tomorrow = (date.today() + timedelta(days=1)).isoformat()
    with open_library(site.home) as library:
        # Not on the day itself.
        assert forget_due(library, date.today().isoformat()) == []
        assert folder.exists()
        (gone,) = forget_due(library, tomorrow)
        assert gone.player.id == child.id
        assert library.people.all() == []
        assert library.players() == []
    assert not folder.exists()


def test_a_child_who_is_kept_stays_and_one_is_deleted_at_a_press(site: RangeSite) -> None:
    tomorrow = (date.today() + timedelta(days=1)).isoformat()
    with open_library(site.home) as library:
        for name in ("Blue Heron", "Green Otter"):
            child = library.people.add(
                name, child=True, consent="slip signed", until=date.today().isoformat()
            )
            library.save_player(child)
        ids = {player.name: player.id for player in library.people.all()}
    kept, gone = ids["Blue Heron"], ids["Green Otter"]
    assert site.post(f"/player/{kept}/keep", do="keep").status_code == 303
    assert site.post(f"/player/{gone}/keep", do="delete").status_code == 303
    with open_library(site.home) as library:
        assert [player.name for player in library.people.all()] == ["Blue Heron"]
        assert forget_due(library, tomorrow) == []
    # Once kept nothing is deleted by that address.
    assert site.post(f"/player/{kept}/keep", do="delete").status_code == 303
    with open_library(site.home) as library:
        assert len(library.people.all()) == 1
