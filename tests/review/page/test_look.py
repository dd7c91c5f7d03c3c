"""How the screens look: letters and lines of charts, what a finger finds, long words, paper.

Measured in Chromium on what it has laid out.
"""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from clip_data import make_clip, needs_ffmpeg
from page_screens import SCREENS, screen_path, screen_url

from sensor.recording.annotations import change_annotations

LEAST_PX = 12.0
TOUCH_PX = 24.0
"""WCAG 2.2, 2.5.8: target size (minimum)."""

WIDTHS = (390, 800, 1280)
CHARTS = ("session", "swing", "pair", "trend", "report")

LETTERS = """least => {
  const wrong = [];
  for (const svg of document.querySelectorAll("svg.drawing")) {
    if (!svg.checkVisibility()) continue;
    const box = svg.getBoundingClientRect();
    const texts = [...svg.querySelectorAll("text")]
      .filter((one) => getComputedStyle(one).display !== "none")
      .map((one) => ({ what: one.textContent, at: one.getBoundingClientRect(),
        px: parseFloat(getComputedStyle(one).fontSize) * box.width / svg.viewBox.baseVal.width }));
    if (texts.length < 6) wrong.push(`only ${texts.length} texts`);
    texts.forEach((a, k) => {
      if (a.px < least - 0.05) wrong.push(`${a.what}: ${a.px} px`);
      if (a.at.left < box.left - 0.5 || a.at.right > box.right + 0.5 ||
          a.at.top < box.top - 0.5 || a.at.bottom > box.bottom + 0.5) {
        wrong.push(`${a.what} is cut`);
      }
      for (const b of texts.slice(k + 1)) {
        if (a.at.left < b.at.right - 0.5 && b.at.left < a.at.right - 0.5 &&
            a.at.top < b.at.bottom - 0.5 && b.at.top < a.at.bottom - 0.5) {
          wrong.push(`${a.what} lies on ${b.what}`);
        }
      }
    });
  }
  return [document.querySelectorAll("svg.drawing").length, wrong];
}"""

MARKS = """() => [...document.querySelectorAll(":is(svg.drawing, svg.timeline) a .touch")]
  .filter((one) => one.checkVisibility()).map((one) => {
  const box = one.getBoundingClientRect();
  return [box.x + box.width / 2, box.y + box.height / 2, box.width, box.height];
})"""

SMALL = """least => [...document.querySelectorAll(
    "main a:not(svg a), main button, main summary, main select, main input:not([type=hidden])")]
  .filter((one) => one.checkVisibility() && one.textContent + one.tagName !== "A")
  .filter((one) => Math.max(...[...one.getClientRects()].map((r) => r.height)) < least - 0.1)
  .map((one) => one.outerHTML.slice(0, 120))"""


def path_of(site: Any, screen: str) -> str:
    """Address of a screen, the report's too."""
    if screen == "report":
        return f"/session/{site.sessions()[0]}/report"
    return screen_path(site, screen)


def unfold(window: Any) -> None:
    window.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")


@pytest.mark.parametrize("screen", CHARTS)
def test_letters_of_charts_are_large_whole_and_apart(
    site: Any, open_page: Callable[..., Any], screen: str
) -> None:
    for width in WIDTHS:
        window = open_page(f"{site.url}{path_of(site, screen)}", width=width)
        unfold(window)
        drawings, wrong = window.evaluate(LETTERS, LEAST_PX)
        assert drawings >= 1
        assert wrong == [], f"{width} px"


@needs_ffmpeg
def test_letters_beside_clips(own_site: Any, tmp_path: Path, open_page: Callable[..., Any]) -> None:
    from review.lining_up import attach

    session = own_site.sessions()[0]
    film = make_clip(tmp_path / "mute.webm", [], duration_s=4.0, sound=False)
    with own_site.place.open() as library:
        clip = attach(library, session, film)
        table = library.swings(session=session, kind="strike", columns=("number",))
    number = int(table["number"][0])
    path = f"/session/{session}/clips/{clip.id}"
    own_site.post(path, shown_s="2", of=str(number), swing="")
    for width in WIDTHS:
        for address in (
            f"{path}?swing={number}",
            f"/clips/pair?a={session}~{number}&b={session}~{number}",
        ):
            window = open_page(own_site.url + address, width=width)
            drawings, wrong = window.evaluate(LETTERS, LEAST_PX)
            assert drawings == 2
            assert wrong == [], f"{width} px"


def test_the_measure_of_letters_finds_what_is_wrong(
    site: Any, open_page: Callable[..., Any]
) -> None:
    window = open_page(screen_url(site, "swing"), width=390)
    window.evaluate(
        """() => { const [a, b] = document.querySelectorAll("svg.drawing text");
          a.setAttribute("x", "-9"); b.setAttribute("class", "tiny");
          const top = document.querySelector("text.event-name.top");
          top.setAttribute("x", document.querySelector("text.event-name.impact").getAttribute("x"));
          const sheet = new CSSStyleSheet(); sheet.replaceSync(".drawing text.tiny{font-size:9px}");
          document.adoptedStyleSheets = [sheet]; }"""
    )
    wrong = " ".join(window.evaluate(LETTERS, LEAST_PX)[1])
    assert "is cut" in wrong
    assert " px" in wrong
    assert "lies on" in wrong


@pytest.mark.parametrize("screen", ["session", "trend"])
def test_a_finger_finds_a_mark_where_it_has_room(
    site: Any, open_page: Callable[..., Any], screen: str
) -> None:
    window = open_page(screen_url(site, screen), width=390)
    unfold(window)
    marks = window.evaluate(MARKS)
    assert len(marks) >= 8
    roomy = 0
    for k, (x, y, width, height) in enumerate(marks):
        nearest = min(
            ((x - a) ** 2 + (y - b) ** 2) ** 0.5 for j, (a, b, _, _) in enumerate(marks) if j != k
        )
        if nearest >= TOUCH_PX:
            roomy += 1
            assert min(width, height) >= TOUCH_PX - 0.1
        else:
            # Of close ones each has its own half; the list is the equivalent, and is led to.
            assert min(width, height) >= min(nearest, TOUCH_PX) - 0.3
    assert roomy >= 2
    text = window.inner_text("main")
    assert ("The same numbers in the list" in text) or ("All sessions as a table" in text)


@pytest.mark.parametrize("screen", [*SCREENS, "report"])
def test_all_else_that_is_touched_is_high_enough(
    site: Any, open_page: Callable[..., Any], screen: str
) -> None:
    window = open_page(f"{site.url}{path_of(site, screen)}", width=390)
    unfold(window)
    assert window.evaluate(SMALL, TOUCH_PX) == []


LONG = "Wolkenbruch" * 18 + "nn"


@pytest.fixture
def long_site(own_site: Any) -> Any:
    """Names, tags and notes of 200 letters without a space."""
    assert len(LONG) == 200
    who = own_site.player()
    with own_site.place.open() as library:
        library.save_player(dataclasses.replace(library.player(who), name=LONG, note=LONG))
        for session in library.sessions(player=who):
            seq = int(library.swings(session=session.id, columns=("number", "seq"))["seq"][1])
            with change_annotations(session.path) as said:
                said.set("swing", seq, "tags", value=[LONG])
                said.set("swing", seq, "note", value=LONG)
                said.set("session", "note", value=LONG)
                said.set("session", "tags", value=[LONG])
            library.refresh(session.id)
    return own_site


def test_long_words_make_no_screen_wider(long_site: Any, open_page: Callable[..., Any]) -> None:
    with long_site.place.open() as library:
        who = library.player(LONG).id
        session = library.sessions(player=who)[0].id
    paths = {
        "players": "/",
        "player": f"/player/{who}",
        "session": f"/session/{session}",
        "swing": f"/session/{session}/swing/2",
        "pair": f"/pair?a={session}~1&b={session}~2",
        "trend": f"/player/{who}/trend",
        "report": f"/session/{session}/report",
    }
    for width in (390, 1280):
        for screen, path in paths.items():
            window = open_page(long_site.url + path, width=width)
            unfold(window)
            wide = window.evaluate("document.documentElement.scrollWidth")
            assert wide <= width, f"{screen} at {width}: {wide} px"
            # The whole is there, in the title where the heading or menu is cut.
            assert LONG in window.content()
            for words in window.locator("h1, option").all_inner_texts():
                assert len(words) < 120, screen


def test_lines_mean_one_thing_on_every_screen(site: Any, open_page: Callable[..., Any]) -> None:
    css = (Path(__file__).parents[3] / "review/page/static/page.css").read_text(encoding="utf-8")
    dashed = re.findall(r"([^{}]+)\{[^{}]*stroke-dasharray", css)
    # The second swing's curve and lane, and events.
    assert [one.strip().split("\n")[-1] for one in dashed] == [
        ".curve.style-1",
        ".event",
        ".lane-way.style-1",
    ]
    session = site.sessions()[0]
    with site.place.open() as library:
        table = library.swings(session=session, columns=("number", "kind"))
    first = {k: int(table["number"][list(table["kind"]).index(k)]) for k in ("rehearsal", "strike")}
    style = """() => [...document.querySelectorAll("svg.drawing .curve")].map((one) =>
      [one.getAttribute("class"), getComputedStyle(one).strokeDasharray !== "none"])"""
    keys = "[...document.querySelectorAll('.keys .key')].map((one) => one.textContent.trim())"
    seen = []
    for path in (
        f"/pair?a={session}~{first['rehearsal']}&b={session}~{first['strike']}&align=takeaway",
        f"/session/{session}/report",
    ):
        window = open_page(site.url + path)
        for name, is_dashed in window.evaluate(style):
            assert is_dashed == ("style-1" in name)
        found = [k for k in window.evaluate(keys) if re.match("[AB]: ", k)]
        seen.append([re.sub(r"[ #\d]+$", "", k) for k in found])
        # Every event of both swings is named over its line.
        named = window.locator("svg.drawing >> nth=0").locator(".event-name").all_text_contents()
        assert {"top A", "top B", "impact A", "impact B", "takeaway A, B"} <= set(named)
    assert seen[0][:2] == seen[1][:2] == ["A: practice swing", "B: shot"]


# -- on paper --------------------------------------------------------------------------------------

BREAKS = """() => {
  const style = (one) => getComputedStyle(one);
  const seen = (one) => one.checkVisibility();
  const loose = [...document.querySelectorAll("h1, h2, h3, h4, figcaption.over")]
    .filter((one) => seen(one) && style(one).breakAfter !== "avoid");
  const torn = [...document.querySelectorAll("figure, tr, .three")]
    .filter((one) => seen(one) && style(one).breakInside !== "avoid");
  const apart = [...document.querySelectorAll("svg.drawing")]
    .filter((one) => seen(one) && !one.closest("figure"));
  return [loose, torn, apart].map((all) => all.map((one) => one.outerHTML.slice(0, 80)));
}"""


@pytest.mark.parametrize("screen", ["session", "trend", "report"])
def test_on_paper_headings_and_drawings_stay_with_their_words(
    site: Any, open_page: Callable[..., Any], screen: str
) -> None:
    window = open_page(f"{site.url}{path_of(site, screen)}")
    window.emulate_media(media="print")
    assert window.evaluate(BREAKS) == [[], [], []]
    # A4 less its margins, at 96 px to the inch.
    window.set_viewport_size({"width": 688, "height": 1017})
    # A session's cloud is folded, and paper can't be unfolded.
    assert screen == "session" or window.evaluate(LETTERS, LEAST_PX)[1] == []
    if screen == "report":
        # What is sent is on one page: answer, picture, what changed, what next, when to stop.
        block = window.locator(".sheet-one").first
        assert block.locator("[data-answer] svg.strip, svg.drawing, h2").count() >= 6
        assert 700 < block.bounding_box()["height"] <= 1017
    pages = window.pdf(format="A4").count(b"/Type /Page\n")
    assert pages <= {"session": 5, "trend": 4, "report": 7}[screen]
