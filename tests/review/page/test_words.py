"""The words of the screens: those of the glossary, and few of them."""

from __future__ import annotations

import re
from typing import Any

import html5lib
import pytest
from page_screens import screen_path
from page_words import NOWHERE, OFF_THE_SCREEN, text_of, whole_of, words_in

MOST_WORDS = {
    "players": 260,
    "player": 180,
    "session": 250,
    "swing": 220,
    "pair": 220,
    "trend": 260,
}
"""In sight without unfolding, tables aside."""

SCREENS = (*MOST_WORDS, "report", "clips", "range", "drill", "add", "settings", "delete", "error")


def path_of(site: Any, screen: str) -> str:
    """Address of a screen."""
    session = site.sessions()[0]
    more = {
        "report": f"/session/{session}/report",
        "clips": f"/session/{session}/clips",
        "range": "/range",
        "drill": f"/range/drill?player={site.player()}",
    }
    return more.get(screen) or screen_path(site, screen)


def whole(site: Any, screen: str) -> Any:
    """The same of a screen."""
    return whole_of(site, path_of(site, screen))


def test_the_test_finds_what_it_looks_for() -> None:
    tree = html5lib.parse(
        "<main><p>Two strikes.</p><details><summary>A bound</summary>medians</details>"
        "<details open><summary>x</summary>the spread</details></main>",
        namespaceHTMLElements=False,
    )
    text = text_of(tree.find(".//main"))
    assert words_in(OFF_THE_SCREEN, text) == ["strikes", "bound", "spread"]
    assert words_in(NOWHERE, "It fails, surely; for sure.") == ["fails", "sure"]
    # Parts of other words are none.
    assert not words_in(OFF_THE_SCREEN, "rebound; holder; bundled; unmounted; ratios?"[:-8])


@pytest.mark.parametrize("screen", SCREENS)
def test_only_the_words_of_the_glossary_are_in_sight(site: Any, screen: str) -> None:
    text = text_of(whole(site, screen))
    assert len(text.split()) > 5
    assert words_in(OFF_THE_SCREEN, text) == []
    assert words_in(NOWHERE, text) == []


@pytest.mark.parametrize("screen", sorted(MOST_WORDS))
def test_a_screen_is_read_in_seconds(site: Any, screen: str) -> None:
    main = whole(site, screen)
    words = re.findall(
        r"[\w’'°%.,+−-]*\w[\w’'°%.,+−-]*", text_of(main, leave=frozenset({"table", "svg"}))
    )
    assert len(words) <= MOST_WORDS[screen]


@pytest.mark.parametrize("screen", sorted(MOST_WORDS))
def test_the_answer_comes_first(site: Any, open_page: Any, screen: str) -> None:
    """Within the first 600 px, also on a phone: the headline, the strips and the next step."""
    for width, height in ((1280, 900), (390, 844)):
        window = open_page(f"{site.url}{path_of(site, screen)}", width=width)
        window.set_viewport_size({"width": width, "height": height})
        window.wait_for_selector("[data-answer] .headline")
        box = window.locator("[data-answer] .headline").first.bounding_box()
        assert box["y"] + box["height"] < 400, width
        strips = window.locator("[data-answer]").first.locator(".strip-said")
        if strips.count():
            last = strips.last.bounding_box()
            assert last["y"] + last["height"] < 600, width
        step = window.locator(".next-step .button, .next-step strong").first.bounding_box()
        assert step["y"] + step["height"] <= 600, width
        window.close()
