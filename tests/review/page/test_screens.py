"""The screens in a real browser: clicked, typed at, dragged, by keyboard, printed."""

from __future__ import annotations

import dataclasses
import math
import re
from collections.abc import Callable
from typing import Any

import pytest
from page_screens import SCREENS, screen_url
from patience import PATIENCE_S

Open = Callable[..., Any]
HOSTILE = "<script>alert(1)</script>\"'><img src=x onerror=alert(2)>"


def wait_ready(window: Any) -> None:
    """Wait until every part of a screen is there."""
    window.wait_for_selector("[data-later]", state="detached", timeout=1000 * PATIENCE_S)


def keep(window: Any, click: str) -> str:
    """Press a button that sends a form, and return the line that is said then."""
    with window.expect_navigation():
        window.click(click)
    wait_ready(window)
    return str(window.inner_text(".told, [role=alert]"))


# -- finding one's way -------------------------------------------------------------------------


def test_from_the_players_to_the_pair_that_shows_it(site: Any, open_page: Open) -> None:
    window = open_page(f"{site.url}/")
    card = window.locator(".person", has_text="Solveig")
    wait_ready(window)
    # At a glance: time, turn and rotation, each with a word.
    names = card.locator(".strip-name").all_inner_texts()
    assert names == ["Time", "Turn", "Rotation"]
    assert all(card.locator(".strip-said strong").all_inner_texts())
    card.get_by_role("link", name=re.compile("March 2026")).first.click()
    window.wait_for_url("**/session/**")
    wait_ready(window)
    window.locator("#story > summary").click()
    window.get_by_role("link", name="Set them side by side").click()
    window.wait_for_url("**/pair?**")
    assert re.search("swing|turn|rotation", window.inner_text("[data-answer] h1"))
    window.get_by_role("link", name="Solveig", exact=True).click()
    window.get_by_role("link", name="Over time", exact=True).click()
    wait_ready(window)
    assert window.locator("[data-answer] .headline").inner_text()
    assert window.locator("summary", has_text="Plan: ").count() == 1


def test_a_mark_of_the_chart_leads_to_its_swing_by_click_and_by_keyboard(
    site: Any, open_page: Open
) -> None:
    window = open_page(screen_url(site, "session"))
    window.locator("#more > summary").click()
    marks = window.locator("svg.drawing a")
    assert marks.count() > 5
    # Told apart by shape: hollow circles and diamonds, also without colour.
    assert window.locator("svg.drawing circle.rehearsal").count() > 0
    assert window.locator("svg.drawing polygon.strike").count() > 0
    assert window.locator("svg.drawing rect.region").count() == 1
    name = marks.nth(2).get_attribute("aria-label")
    number = re.match(r"Swing (\d+), [a-z ]+: backswing \d+ ms, rotation \d+ °/s", name)
    assert number is not None
    marks.nth(2).focus()
    window.keyboard.press("Enter")
    window.wait_for_url(f"**/swing/{number[1]}")
    window.go_back()
    window.evaluate("document.querySelector('#more').open = true")
    marks = window.locator("svg.drawing a")
    marks.nth(0).locator(".touch").click(force=True)
    window.wait_for_url("**/swing/*")


def test_the_skip_link_and_the_headings_by_keyboard(site: Any, open_page: Open) -> None:
    window = open_page(screen_url(site, "session"))
    window.keyboard.press("Tab")
    assert window.evaluate("document.activeElement.textContent") == "To the content"
    window.keyboard.press("Enter")
    assert window.url.endswith("#main")
    heading = window.get_by_role("button", name="Backswing, s")
    heading.focus()
    window.keyboard.press("Enter")
    values = window.eval_on_selector_all(
        "#swings tbody tr",
        "rows => rows.map(r => r.cells[5].dataset.value).filter(Boolean).map(Number)",
    )
    assert len(values) > 5
    assert values == sorted(values) or len(set(values)) == 1
    window.keyboard.press("Enter")
    values = window.eval_on_selector_all(
        "#swings tbody tr",
        "rows => rows.map(r => r.cells[5].dataset.value).filter(Boolean).map(Number)",
    )
    assert values == sorted(values, reverse=True)


def test_the_list_is_filtered_by_words_and_kind(site: Any, open_page: Open) -> None:
    window = open_page(screen_url(site, "session"))
    everything = window.locator("#swings tbody tr").count()
    window.select_option(".filters select[name=kind]", "strike")
    shown = window.locator("#swings tbody tr:visible").count()
    assert 0 < shown < everything
    window.fill(".filters input[name=words]", "rushed")
    fewer = window.locator("#swings tbody tr:visible").count()
    assert 0 < fewer < shown
    assert window.inner_text(".filters output") == f"{fewer} of {everything} shown"


# -- changing ----------------------------------------------------------------------------------


def test_leaving_out_and_taking_back(own_site: Any, open_page: Open) -> None:
    window = open_page(screen_url(own_site, "session"))
    window.get_by_label("Pick swing 1", exact=True).check()
    window.get_by_label("Pick swing 3", exact=True).check()
    window.get_by_label("Reason").fill("warming up")
    assert keep(window, "text=Leave out") == "2 swings: left out (warming up)."
    assert window.locator("#swings tr.out").count() == 2
    assert "warming up" in window.locator("#swings tr.out").first.inner_text()
    assert keep(window, "text=Take back the last change") == "Taken back: what counts."
    assert window.locator("#swings tr.out").count() == 0


def test_a_segment_is_corrected(own_site: Any, open_page: Open) -> None:
    window = open_page(screen_url(own_site, "session"))
    window.locator("#segments > summary").click()
    part = window.locator(".segments li").first
    part.get_by_text("Change", exact=True).click()
    part.get_by_label("Club").fill("5 wood")
    with window.expect_navigation():
        part.get_by_role("button", name="Keep").click()
    window.evaluate("document.querySelector('#segments').open = true")
    assert "5 wood" in window.locator(".segments li").first.inner_text()
    assert "corrected" in window.locator(".segments li").first.inner_text()
    # Somebody swung two clubs now: the chart is of one of them, the list of both.
    assert window.locator("nav.chips a").count() >= 2


def test_an_event_is_dragged_kept_marked_and_taken_back(own_site: Any, open_page: Open) -> None:
    window = open_page(screen_url(own_site, "swing"))
    window.locator("#events > summary").click()
    was = float(window.input_value("input[name=takeaway]"))
    grip = window.locator("line.grip.takeaway").first
    box = grip.bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    window.mouse.move(x, y)
    window.mouse.down()
    window.mouse.move(x + 20, y, steps=4)
    window.mouse.up()
    dragged = float(window.input_value("input[name=takeaway]"))
    assert 0.01 < dragged - was < 0.3
    # Both curves show it, and arrows move it by a millisecond.
    places = window.eval_on_selector_all(
        "line.event.takeaway", "lines => lines.map(l => l.getAttribute('x1'))"
    )
    assert len(set(places)) == 1
    window.focus("input[name=takeaway]")
    window.keyboard.press("ArrowUp")
    window.keyboard.press("Shift+ArrowUp")
    moved = float(window.input_value("input[name=takeaway]"))
    assert moved == pytest.approx(dragged + 0.011, abs=1e-6)
    # Nothing is kept before the button is pressed.
    assert "by hand" not in window.inner_text(".events-form")
    assert keep(window, "text=Keep these events").startswith("Set by hand: takeaway.")
    assert "Corrected by hand: takeaway" in window.inner_text("main")
    assert float(window.input_value("input[name=takeaway]")) == pytest.approx(moved, abs=0.002)
    assert keep(window, "text=Take back the session") == "Taken back: events of a swing."
    assert float(window.input_value("input[name=takeaway]")) == was


def test_swings_are_approved_and_the_plan_stopped(own_site: Any, open_page: Open) -> None:
    window = open_page(f"{own_site.url}/")
    # From the card: one click to the swings, which are ticked, and one press.
    window.locator(".person", has_text="Solveig").get_by_role(
        "link", name="Choose model swings"
    ).click()
    window.wait_for_url("**/trend?**#approve")
    wait_ready(window)
    form = window.locator("#approve")
    assert form.get_attribute("open") is not None
    ticked = form.locator("input[name=swing]:checked")
    assert ticked.count() >= 8
    assert window.locator("#candidates tr[data-kind=strike] input:checked").count() == 0
    # The first time somebody has to say who approves; it is remembered.
    window.get_by_label("Approved by").fill("Ragna")
    while ticked.count() > 9:
        ticked.last.uncheck()
    window.get_by_label("Unticked any? Say why").fill("cut short")
    said = keep(window, "button:text-is('Approve')")
    assert said.startswith("Model swings: 9. Your own range is now ")
    assert "turn" in said
    assert "rotation" in said
    # One stays where one was.
    assert window.url.endswith("#approve")
    form = window.locator("#approve")
    assert "Model swings: 9, approved by Ragna" in form.locator("> summary").inner_text()
    assert form.bounding_box()["y"] < 900
    assert form.locator("input[name=swing]:checked").count() == 9
    assert window.get_by_label("Approved by").input_value() == "Ragna"
    window.locator("summary", has_text="Plan:").click()
    assert "not taken as model swings: cut short" in window.locator("#plan").inner_text()
    window.get_by_text("The coach's word").click()
    window.get_by_label("Discomfort or pain").check()
    window.get_by_label("In your words").fill("wrist")
    assert keep(window, "text=Note it") == "Noted; the plan follows it."
    assert "Stopped" in window.locator("#plan .lead").text_content()
    keep(window, "text=Take back: the word on the plan")
    assert "Stopped" not in window.locator("#plan .lead").text_content()


# -- two swings --------------------------------------------------------------------------------


def set_time(window: Any, ms: float) -> None:
    window.evaluate(
        "v => { const s = document.getElementById('pair-time'); s.value = v;"
        " s.dispatchEvent(new Event('input', {bubbles: true})); }",
        ms,
    )


def first_of_kinds(site: Any) -> tuple[str, dict[str, int]]:
    """A session, and the first swing of each kind in it."""
    session = site.sessions()[0]
    with site.place.open() as library:
        table = library.swings(session=session, columns=("number", "kind"))
    kinds = list(table["kind"])
    return session, {k: int(table["number"][kinds.index(k)]) for k in ("rehearsal", "strike")}


def test_one_slider_moves_both_swings(site: Any, open_page: Open) -> None:
    session, of = first_of_kinds(site)
    a, b = of["rehearsal"], of["strike"]
    window = open_page(f"{site.url}/pair?a={session}~{a}&b={session}~{b}&align=takeaway")
    window.locator("#figures > summary").click()
    slider = window.locator("#pair-time")
    slider.focus()
    # Home and End, arrows by a millisecond: all of it by keyboard.
    window.keyboard.press("Home")
    assert window.inner_text("#where-0") == "before takeaway"
    set_time(window, 500)
    turns = [float(window.text_content(f"#turn-{k}").rstrip("°")) for k in (0, 1)]
    assert all(20 < turn < 200 for turn in turns)
    marks = [float(window.get_attribute(f"#lane-{k} .lane-mark", "x").rstrip("%")) for k in (0, 1)]
    # One scale for both: what is further round lies further right, by as much.
    assert marks[0] / marks[1] == pytest.approx(turns[0] / turns[1], rel=0.02)
    for k in (0, 1):
        assert re.fullmatch(r"\d+ % of its way (back|down)", window.inner_text(f"#where-{k}"))
    assert "of its way" in slider.get_attribute("aria-valuetext")
    slider.focus()
    window.keyboard.press("ArrowRight")
    assert window.inner_text("#pair-at") == "0.50 s"
    assert window.evaluate("document.getElementById('pair-time').value") == "501"
    lines = window.eval_on_selector_all(
        "line.cursor", "l => l.map(e => e.getAttribute('visibility'))"
    )
    assert lines == ["visible", "visible"]
    window.keyboard.press("End")
    assert window.inner_text("#where-0") == "past impact"


def test_it_opens_at_the_shot_s_impact_whichever_way_round(site: Any, open_page: Open) -> None:
    session, of = first_of_kinds(site)
    for a, b in ((of["rehearsal"], of["strike"]), (of["strike"], of["rehearsal"])):
        window = open_page(f"{site.url}/pair?a={session}~{a}&b={session}~{b}")
        names = window.locator(".lane-name > a").all_inner_texts()
        assert names == [f"Practice swing {of['rehearsal']}", f"Shot {of['strike']}"]
        assert window.locator("#lane-0 .lane-mark circle.rehearsal").count() == 1
        assert window.locator("#lane-1 .lane-mark polygon.strike").count() == 1
        assert window.inner_text("#where-1") == "at impact"
        assert window.input_value("#pair-speed") == "0.5"
        # The table says what the picture says, and the script what stood there without it.
        row = window.locator(".plain-table tr", has_text="impact").inner_text().split("\t")
        assert row[1:3] == [window.inner_text("#where-0"), "at impact"]
        bare = site.http.get(f"/pair?a={session}~{a}&b={session}~{b}").text
        assert f'class="lane-where">{row[1]}</span>' in bare


def test_the_picture_and_the_words_have_one_way_down(site: Any, open_page: Open) -> None:
    """At every moment of the picture, what `way_at` says of the same curves."""
    from analysis.evidence.way import way_at
    from unhurried.app.page_tools import page_tools

    session, of = first_of_kinds(site)
    tools = page_tools(site.place.home)
    with site.place.open() as library:
        details = [library.swing(session, number=of[k]) for k in ("rehearsal", "strike")]
    traces = [tools.trace(detail) for detail in details]
    window = open_page(f"{site.url}/pair?a={session}~{of['strike']}&b={session}~{of['rehearsal']}")
    last = int(window.get_attribute("#pair-time", "max"))
    seen = set()
    for ms in range(50, last, 100):
        set_time(window, ms)
        for k, (detail, trace) in enumerate(zip(details, traces, strict=True)):
            swing = detail.swing
            curves = (trace.time_s, trace.turn_deg, trace.rate_dps)
            way = float(way_at(*curves, swing, swing.takeaway_s + ms / 1e3))
            said = window.inner_text(f"#where-{k}")
            if math.isnan(way):
                assert said == "past impact"
                continue
            found = re.fullmatch(r"(\d+) % of its way (back|down)|at the top|at impact", said)
            assert found is not None
            seen.add(found[2])
            if found[2]:
                assert (found[2] == "back") == (way < 1.0)
                assert int(found[1]) == pytest.approx(100.0 * (way % 1.0), abs=1.0)
    assert {"back", "down"} <= seen


def test_it_plays_at_the_chosen_speed(site: Any, open_page: Open) -> None:
    session = site.sessions()[0]
    window = open_page(f"{site.url}/pair?a={session}~1&b={session}~2")
    took = {}
    for speed in ("1", "0.25"):
        window.evaluate(
            "() => { const s = document.getElementById('pair-time'); s.value = s.min;"
            " s.dispatchEvent(new Event('input', {bubbles: true})); }"
        )
        window.select_option("#pair-speed", speed)
        took[speed] = window.evaluate(
            """async () => {
              const slider = document.getElementById("pair-time"), from = Number(slider.value);
              const began = performance.now();
              document.getElementById("pair-play").click();
              await new Promise((done) => setTimeout(done, 300));
              document.getElementById("pair-play").click();
              return (Number(slider.value) - from) / (performance.now() - began);
            }"""
        )
    # Milliseconds of the swing a millisecond of watching.
    assert took["1"] == pytest.approx(1.0, abs=0.25)
    assert took["0.25"] == pytest.approx(0.25, abs=0.08)


def test_lined_up_at_top_and_impact(site: Any, open_page: Open) -> None:
    session = site.sessions()[0]
    window = open_page(f"{site.url}/pair?a={session}~1&b={session}~2")
    for event in ("top", "impact"):
        window.locator(".chips").get_by_role("link", name=event).click()
        window.wait_for_url(f"**align={event}")
        # Both swings' event lies at zero.
        lines = window.eval_on_selector_all(
            f"svg.drawing:first-of-type line.event.{event}", "l => l.map(e => e.getAttribute('x1'))"
        )
        assert len(lines) == 2
        assert len(set(lines)) == 1


# -- anywhere ----------------------------------------------------------------------------------


@pytest.mark.parametrize("screen", [s for s in SCREENS if s != "error"])
def test_a_phone_never_scrolls_sideways(site: Any, open_page: Open, screen: str) -> None:
    window = open_page(screen_url(site, screen), width=360)
    window.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
    wide = window.evaluate("[document.documentElement.scrollWidth, window.innerWidth]")
    assert wide[0] <= wide[1]
    # Buttons can be hit with a finger: WCAG 2.2, 2.5.8 asks for 24 px.
    sizes = window.eval_on_selector_all(
        "main button:not(thead button), main .button, main select, main input:not([type=hidden])",
        "all => all.map(e => e.getBoundingClientRect()).filter(r => r.width)"
        ".map(r => Math.min(r.width, r.height))",
    )
    assert all(size >= 19.9 for size in sizes)


@pytest.mark.parametrize("screen", ["session", "swing", "pair", "trend"])
def test_on_a_phone_tables_are_read_without_moving_them(
    site: Any, open_page: Open, screen: str
) -> None:
    window = open_page(screen_url(site, screen), width=390)
    window.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
    tables = window.locator("table[data-cards]")
    assert tables.count() > 0
    for k in range(tables.count()):
        table = tables.nth(k)
        wide, room = table.evaluate("(t) => [t.scrollWidth, t.parentElement.clientWidth]")
        assert wide <= room
        heads = table.locator("thead th").all_text_contents()
        row = table.locator("tbody tr").first
        said = row.locator("td").evaluate_all(
            "(all) => all.filter((c) => c.dataset.label !== undefined).map((c) => c.dataset.label)"
        )
        # Each number has its heading before it, in the order of the table.
        assert said or row.locator("td[colspan]").count()
        assert [h.strip() for h in heads if h.strip() in said] == said
        assert row.get_attribute("role") == "row"
    wide_one = open_page(screen_url(site, screen), width=1200)
    shown = wide_one.locator("table[data-cards] tbody tr").first
    assert shown.evaluate("(r) => getComputedStyle(r).display") == "table-row"


def test_the_list_is_sorted_and_filtered_on_a_phone_too(site: Any, open_page: Open) -> None:
    window = open_page(screen_url(site, "session"), width=390)
    window.get_by_label("Sort").select_option("Rotation, °/s")
    peaks = window.locator("#swings tbody td[data-label='Rotation, °/s']").evaluate_all(
        "(all) => all.map((c) => Number(c.dataset.value)).filter(Boolean)"
    )
    assert len(peaks) > 3
    assert peaks == sorted(peaks)
    window.locator(".filters select[name=kind]").select_option("strike")
    shown = window.locator("#swings tbody tr:visible")
    assert {shown.nth(k).get_attribute("data-kind") for k in range(shown.count())} == {"strike"}


def test_in_print_there_is_the_paper_and_no_buttons(site: Any, open_page: Open) -> None:
    window = open_page(screen_url(site, "session"), dark=True, width=800)
    window.emulate_media(media="print", color_scheme="light")
    for gone in ("header.bar", ".filters", ".tools", "#pick input"):
        assert window.locator(gone).first.is_hidden()
    # The table fits the paper, and what is folded takes no room.
    assert window.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    assert window.locator("details:not([open])").first.is_hidden()
    # The list is whole, not a window to scroll in.
    assert window.locator("#swings").is_visible()
    heights = window.evaluate(
        "(l => [l.scrollHeight, l.clientHeight])(document.querySelector('.list'))"
    )
    assert heights[0] == heights[1]
    assert window.evaluate("getComputedStyle(document.documentElement).backgroundColor") == (
        "rgb(255, 255, 255)"
    )


def test_light_and_dark(site: Any, open_page: Open) -> None:
    papers = [
        open_page(screen_url(site, "players"), dark=dark).evaluate(
            "getComputedStyle(document.documentElement).backgroundColor"
        )
        for dark in (False, True)
    ]
    assert papers[0] != papers[1]


def test_all_of_it_works_without_a_script(own_site: Any, browser: Any) -> None:
    context = browser.new_context(java_script_enabled=False)
    window = context.new_page()
    window.goto(screen_url(own_site, "session") + "?whole=1")
    assert window.locator("ol.story li").count() >= 2
    window.locator("#with-picked > summary").click()
    window.get_by_label("Pick swing 2", exact=True).check()
    window.get_by_label("Tag").fill("by lamp light")
    window.get_by_role("button", name="Add tag").click()
    assert "tagged 'by lamp light'" in window.inner_text(".told")
    window.goto(screen_url(own_site, "swing"))
    window.locator("#words > summary").click()
    window.get_by_role("textbox", name="Note").fill("calm")
    window.locator("#words button.main-action").click()
    assert window.inner_text(".told") == "Kept."
    context.close()


def test_a_hostile_name_runs_nothing(own_site: Any, open_page: Open) -> None:
    who, session = own_site.player(), own_site.sessions()[0]
    with own_site.place.open() as library:
        library.change_player(
            who, lambda p: dataclasses.replace(p, name=HOSTILE, aliases=(*p.aliases, p.name))
        )
        seq = library.swings(session=session, columns=("seq",))["seq"].tolist()[0]
        library.annotate(session, seq, note=HOSTILE, tags=[HOSTILE])
        library.refresh(session)
    for path in (
        "/",
        f"/player/{who}/trend",
        f"/session/{session}",
        f"/session/{session}/swing/1",
        f"/pair?a={session}~1&b={session}~2",
    ):
        # A dialog, or anything asked for that isn't ours, fails in `open_page`.
        window = open_page(f"{own_site.url}{path}")
        assert HOSTILE[:20] in window.inner_text("main")
        assert window.locator("main img").count() == 0
        window.close()


def test_the_first_paint_is_quick(site: Any, open_page: Open) -> None:
    window = open_page(screen_url(site, "session"))
    paint = window.evaluate(
        "new Promise((done) => new PerformanceObserver((list) => done(list.getEntries().at(-1)"
        ".startTime)).observe({ type: 'paint', buffered: true }))"
    )
    assert 0.0 < paint < 1000.0


# -- few clicks --------------------------------------------------------------------------------


class Clicks:
    """A window whose clicks are counted."""

    def __init__(self, window: Any) -> None:
        self.window, self.count = window, 0

    def on(self, place: Any) -> None:
        """Click, and wait for what comes."""
        self.count += 1
        place.click()
        wait_ready(self.window)


def test_what_is_looked_for_often_is_two_clicks_away(site: Any, open_page: Open) -> None:
    def begin() -> tuple[Clicks, Any]:
        window = open_page(f"{site.url}/")
        wait_ready(window)
        return Clicks(window), window.locator(".person", has_text="Solveig")

    # A rushed swing beside a typical practice swing.
    clicks, card = begin()
    clicks.on(card.get_by_role("link", name=re.compile("March 2026")).first)
    clicks.on(clicks.window.get_by_role("link", name="See one beside a practice swing"))
    assert "Two swings" in clicks.window.inner_text(".crumbs")
    kinds = clicks.window.locator(".lane-name").all_inner_texts()
    assert kinds[0].startswith("Practice swing")
    assert kinds[1].startswith("Shot")
    assert clicks.count == 2
    # A report.
    clicks, card = begin()
    clicks.on(card.get_by_role("link", name=re.compile("March 2026")).first)
    clicks.on(clicks.window.get_by_role("link", name="Report", exact=True))
    assert clicks.window.url.endswith("/report")
    assert clicks.count == 2
    # Two swings that are ticked, one more.
    clicks, card = begin()
    clicks.on(card.get_by_role("link", name=re.compile("March 2026")).first)
    for number in (2, 4):
        clicks.window.get_by_label(f"Pick swing {number}", exact=True).check()
    clicks.on(clicks.window.get_by_role("button", name="Side by side"))
    assert "Two swings" in clicks.window.inner_text(".crumbs")
    assert clicks.count == 2
