"""The wall: two swings for a room, and the last swing of what is being recorded."""

from __future__ import annotations

import dataclasses
import html
import re
import time
from collections.abc import Iterator
from typing import Any

import pytest
from page_screens import Place
from range_site import RangeSite, range_site

from library.typical import typical_of
from review.page.links import wall_url
from sensor.recording.opening import open_recording
from unhurried.app.measuring import analyze

CAPITALS_PX = 50.0
"""Least height of capitals at 1280 px: read from five metres (the wall's own target)."""

HEIGHTS = """() => [...document.querySelectorAll("main *")]
  .filter((one) => [...one.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim())
    && !one.closest("script") && one.checkVisibility())
  .map((one) => {
    const canvas = document.createElement("canvas").getContext("2d");
    const { fontWeight, fontSize, fontFamily } = getComputedStyle(one);
    canvas.font = `${fontWeight} ${fontSize} ${fontFamily}`;
    return [one.textContent.trim(), canvas.measureText("H").actualBoundingBoxAscent];
  })"""

DRAWN = "document.getElementById('pair-data')?.textContent ?? ''"

WITHIN_S = 12.0
"""From a swing that was found to the wall."""


def two(site: Any) -> tuple[str, int, int]:
    """A session with its first practice swing and its first shot."""
    session = site.sessions()[0]
    with site.place.open() as library:
        first = {
            kind: int(library.swings(session=session, kind=kind, columns=("number",))["number"][0])
            for kind in ("rehearsal", "strike")
        }
    return session, first["rehearsal"], first["strike"]


def wall_of(site: Any) -> str:
    session, a, b = two(site)
    return wall_url((session, b), (session, a))


def sentence_of(page: str) -> str:
    found = re.search(r'<h1 id="answer-h">([^<]*)</h1>', page)
    assert found is not None
    return html.unescape(found[1])


# -- two swings --------------------------------------------------------------------------------


def test_no_buttons_nobody_s_name_and_type_for_five_metres(site: Any, open_page: Any) -> None:
    window = open_page(site.url + wall_of(site), width=1280)
    assert window.locator("button, a, input, select, nav").count() == 0
    text = window.inner_text("body")
    for name in ("Solveig", "Tomas", "Ameyo"):
        assert name not in text
    assert "Practice swing" in text
    assert "Shot" in text
    heights = window.evaluate(HEIGHTS)
    assert len(heights) >= 6
    assert [one for one in heights if one[1] < CAPITALS_PX] == []
    # On a screen of 16 to 9 all of it is seen at once.
    window.set_viewport_size({"width": 1280, "height": 720})
    assert window.evaluate("document.documentElement.scrollHeight") <= 720
    assert window.evaluate("document.documentElement.scrollWidth") <= 1280


def test_it_moves_by_itself_and_stands_at_each_impact(site: Any, open_page: Any) -> None:
    window = open_page(site.url + wall_of(site), width=1280)
    # It opens standing at the shot's impact, and says so.
    assert (window.inner_text("#stop-0"), window.inner_text("#stop-1")) == ("", "impact")
    opened = window.get_attribute("#lane-0 .lane-mark", "x")
    time.sleep(1.0)
    assert window.get_attribute("#lane-0 .lane-mark", "x") == opened
    window.wait_for_selector("#stop-1:empty", state="attached", timeout=10_000)
    time.sleep(0.8)
    assert window.get_attribute("#lane-0 .lane-mark", "x") != opened
    # Round once: it stands again, first at the shot's impact, then at the practice swing's.
    window.wait_for_selector("#stop-1:not(:empty)", timeout=20_000)
    assert window.get_attribute("#lane-0 .lane-mark", "x") == opened
    window.wait_for_selector("#stop-0:not(:empty)", timeout=20_000)
    assert window.inner_text("#stop-1") == ""


def test_it_stands_for_whom_motion_is_too_much(site: Any, open_page: Any) -> None:
    window = open_page(site.url + wall_of(site), width=1280)
    window.emulate_media(reduced_motion="reduce")
    window.reload()
    opened = [window.get_attribute(f"#lane-{k} .lane-mark", "x") for k in (0, 1)]
    time.sleep(4.0)
    assert [window.get_attribute(f"#lane-{k} .lane-mark", "x") for k in (0, 1)] == opened
    assert window.inner_text("#stop-1") == "impact"


def test_it_is_one_press_from_the_two_swings(site: Any, open_page: Any) -> None:
    session, a, b = two(site)
    window = open_page(f"{site.url}/pair?a={session}~{b}&b={session}~{a}")
    said = window.inner_text("#turn-0"), window.inner_text("#where-0")
    window.get_by_role("link", name="On the wall").click()
    window.wait_for_url("**/wall?**")
    assert window.inner_text("#turn-0") == said[0]
    share = re.search(r"\d+ %", said[1])
    assert share is not None
    sentence = window.inner_text("h1")
    assert "way down" not in sentence or share[0] in sentence


def test_what_can_t_be_shown_is_said_large(site: Any) -> None:
    session, a, _ = two(site)
    club = site.sessions("Tomas")[0]
    other = site.http.get(wall_url((session, a), (club, 1)))
    assert other.status_code == 200
    assert "different places" in sentence_of(other.text)
    same = site.http.get(wall_url((session, a), (session, a)))
    assert sentence_of(same.text) == "Both are the same swing."
    for path in (
        f"/wall?a={session}~{a}",
        f"/wall?a={session}~9999&b={session}~1",
        "/wall?a=x&b=y",
    ):
        assert site.http.get(path).status_code == 404


def test_axe_finds_nothing(site: Any, open_page: Any, axe: str) -> None:
    for dark in (False, True):
        window = open_page(site.url + wall_of(site), width=1280, dark=dark)
        window.evaluate(axe)
        found = window.evaluate("async () => (await axe.run(document)).violations.map((v) => v.id)")
        assert found == []


# -- what is being recorded --------------------------------------------------------------------


@pytest.fixture
def mat(own_place: Place) -> Iterator[RangeSite]:
    """A range beside a library in which Solveig has practice swings with the 7 iron."""
    with range_site(own_place.home, speed=25.0) as up:
        yield up


def begin(mat: RangeSite, own_place: Place, **fields: Any) -> None:
    with own_place.open() as library:
        who = library.player("Solveig").id
    mat.start(**{"player": who, "club": "7 iron", "hand": "right", **fields})


def test_the_last_swing_stands_beside_the_typical_practice_swing(
    mat: RangeSite, own_place: Place, open_page: Any
) -> None:
    assert sentence_of(mat.http.get("/wall").text).startswith("Nothing is being recorded")
    begin(mat, own_place)
    window = open_page(f"{mat.url}/range", ready=False)
    window.locator("#to-wall").click()
    window.wait_for_url("**/wall")
    # From no swing to the first by itself, and on to the next: by the curves that are drawn.
    took = []
    for _ in range(4):
        drawn = window.evaluate(DRAWN)
        before = mat.hub.state.count
        mat.until(lambda s, n=before: s.count > n)
        began = time.monotonic()
        while window.evaluate(DRAWN) == drawn:
            assert time.monotonic() - began < WITHIN_S
            time.sleep(0.02)
        took.append(time.monotonic() - began)
    assert max(took) < WITHIN_S
    text = window.inner_text("main")
    assert "Typical" in text
    assert "Solveig" not in text
    assert window.locator("button, a, input").count() == 0
    # It is the hub's last swing that is shown, once nothing more comes.
    mat.stop()
    window.wait_for_selector("text=Nothing is being recorded", timeout=1000 * WITHIN_S)


def test_it_is_drawn_as_the_recording_is_measured_afterwards(
    mat: RangeSite, own_place: Place
) -> None:
    from review.page.app import Page
    from review.page.wall import _live_swing
    from unhurried.app.page_tools import page_tools

    begin(mat, own_place)
    mat.until(lambda s: s.count >= 3)
    last = mat.hub.found
    assert last is not None
    page = Page(own_place.home, page_tools(own_place.home), mat.hub, None)
    live = _live_swing(page, last, "strike")
    trace = page.tools.trace_of(open_recording(last.path), live.swing)
    page.close()
    mat.stop()
    with open_recording(mat.folder) as recording:
        swings = analyze(recording).swings
    after = next(one for one in swings if one.index == last.swing.index)
    assert live.swing.turn_deg == pytest.approx(after.turn_deg, rel=0.01)
    assert live.swing.backswing_ms == pytest.approx(after.backswing_ms, rel=0.03)
    # The curves are of that swing: at its top they have its turn.
    assert trace.turn_deg[abs(trace.time_s - live.swing.top_s).argmin()] == pytest.approx(
        live.swing.turn_deg, rel=0.02
    )
    assert trace.time_s[-1] > live.swing.impact_s


def test_what_is_not_to_be_seen_yet_is_not_on_the_wall(mat: RangeSite, own_place: Place) -> None:
    begin(mat, own_place)
    mat.until(lambda s: s.count >= 1)
    mat.stop()
    key = mat.hub.found.key
    mat.hub.update(phase="going")
    mat.hub.change_swing(key, hidden="numbers come when it was felt")
    page = mat.http.get("/wall").text
    assert sentence_of(page) == "How did it feel?"
    assert "lane" not in page.partition("<main")[2].partition("</main>")[0]
    mat.hub.change_swing(key, hidden=None)
    assert "typical" in sentence_of(mat.http.get("/wall").text).lower()
    # Nobody's: there is no typical practice swing to set it beside.
    mat.hub.found = dataclasses.replace(mat.hub.found, player=None)
    assert sentence_of(mat.http.get("/wall").text).startswith("Who swings?")
    mat.hub.found = dataclasses.replace(mat.hub.found, player="Ameyo Unknown")
    assert "record three free ones" in sentence_of(mat.http.get("/wall").text)
    mat.hub.update(phase="kept")


def test_the_typical_one_is_the_player_s_own(own_place: Place) -> None:
    with own_place.open() as library:
        session, number = typical_of(library, "Solveig", "7 iron", "wrist")
        detail = library.swing(session, number=number)
    assert detail.kind == "rehearsal"
    assert detail.swing.player == "Solveig"


def test_a_page_without_a_range_says_so(site: Any) -> None:
    answer = site.http.get("/wall")
    assert answer.status_code == 400
    assert "nothing can be recorded from this page" in answer.text
