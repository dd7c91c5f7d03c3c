"""The report on the page: looked at first, saved as one file, the same in both."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import html5lib
import pytest
from patience import PATIENCE_S


@pytest.mark.parametrize("width", [1200, 390])
def test_it_is_shown_saved_and_accessible(
    site: Any, open_page: Callable[..., Any], axe: str, tmp_path: Path, width: int
) -> None:
    window = open_page(f"{site.url}/player/{site.player()}/report", width=width, dark=width < 500)
    window.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
    window.evaluate(axe)
    found = window.evaluate(
        "async () => (await axe.run(document)).violations"
        ".filter((v) => ['serious', 'critical'].includes(v.impact)).map((v) => v.id)"
    )
    assert found == []
    assert window.evaluate("document.documentElement.scrollWidth") <= width
    # On the screen the next step is a press; the file and paper have it in words alone.
    assert window.locator("[data-answer] .next-step .button").count() == 1
    window.evaluate("document.querySelectorAll('section .no-print').forEach((one) => one.remove())")
    shown = window.inner_text("section[aria-labelledby='who-1']")
    with window.expect_download() as coming:
        window.click("text=Save as a file to send")
    saved = tmp_path / "saved.html"
    coming.value.save_as(saved)
    assert coming.value.suggested_filename.startswith("Solveig ")
    text = saved.read_text(encoding="utf-8")
    html5lib.HTMLParser(strict=True).parse(text)
    assert not re.search(r"<(script|link|img)", text)
    other = window.context.browser.new_page()
    other.goto(saved.as_uri())
    other.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
    assert other.inner_text("section[aria-labelledby='who-1']").split() == shown.split()
    other.close()


def test_a_session_has_everybody_in_it_or_one(site: Any) -> None:
    session = site.sessions()[0]
    every = site.http.get(f"/session/{session}/report")
    assert every.status_code == 200
    html5lib.HTMLParser(strict=True).parse(every.text)
    heads = re.findall(r'<h1 id="who-\d+"[^>]*>([^<]*)</h1>', every.text)
    assert "Solveig" in heads
    assert len(heads) >= 2
    one = site.http.get(f"/session/{session}/report", params={"player": site.player()})
    assert re.findall(r'<h1 id="who-\d+"[^>]*>([^<]*)</h1>', one.text) == ["Solveig"]
    # The button saves what is shown.
    assert f"report.html?player={site.player()}" in one.text
    saved = site.http.get(f"/session/{session}/report.html", params={"player": site.player()})
    assert saved.headers["content-disposition"].startswith("attachment;")
    assert re.findall(r'<h1 id="who-\d+"[^>]*>([^<]*)</h1>', saved.text) == ["Solveig"]


def test_a_hostile_name_is_only_a_name(own_site: Any) -> None:
    import dataclasses

    name = 'x"; filename="evil.exe" <script>alert(1)</script>\u202e'
    with own_site.place.open() as library:
        who = library.player("Solveig")
        library.change_player(who.id, lambda one: dataclasses.replace(one, name=name))
    answer = own_site.http.get(f"/player/{who.id}/report.html")
    assert answer.status_code == 200
    html5lib.HTMLParser(strict=True).parse(answer.text)
    assert "<script" not in answer.text
    disposition = answer.headers["content-disposition"]
    assert re.fullmatch(
        r"attachment; filename=\"[A-Za-z0-9._ -]+\"; filename\*=UTF-8''[A-Za-z0-9%._~-]+",
        disposition,
    )
    assert unquote(disposition.rpartition("''")[2]).startswith(name)


def test_what_isnt_there_is_told(site: Any) -> None:
    for path in (
        "/player/11111111-0000-4000-8000-000000000000/report",
        "/session/11111111-0000-4000-8000-000000000000/report",
        "/player/..%2f..%2fetc/report",
        f"/player/{site.player()}/report?club=putter",
        f"/session/{site.sessions()[0]}/report?player=nobody",
    ):
        assert site.http.get(path).status_code == 404


def test_the_page_keeps_to_the_units_that_were_set(own_place: Any) -> None:
    import httpx

    from unhurried.app.serve import serving
    from unhurried.app.settings import change_settings

    found = {}
    for units in ("metric", "imperial"):
        change_settings(own_place.home, {"units": units})
        with own_place.open() as library:
            who = library.player("Solveig").id
        with serving(own_place.home, port=0) as up, httpx.Client(base_url=up.url) as http:
            text = http.get(f"/player/{who}/report", timeout=PATIENCE_S).text
        carry = re.search(r"carry: ([\d.]+) (m|yd)", text)
        assert carry is not None
        found[units] = (float(carry[1]), carry[2])
    assert (found["metric"][1], found["imperial"][1]) == ("m", "yd")
    # 1 yd = 0.9144 m exactly (NIST SP 811, B.8).
    assert found["imperial"][0] * 0.9144 == pytest.approx(found["metric"][0], abs=0.1)


def test_it_is_told_apart_on_grey_paper_too(site: Any, open_page: Callable[..., Any]) -> None:
    window = open_page(f"{site.url}/player/{site.player()}/report")
    window.emulate_media(media="print")
    window.set_viewport_size({"width": 688, "height": 1017})
    first = window.locator(".sheet-one")
    # Practice swings are circles, shots diamonds; the swings' lines are solid and dashed.
    for css in ("svg.strip circle.rehearsal", "svg.strip polygon.strike"):
        assert first.locator(css).count() > 3, css
    dashes = first.locator("polyline.curve").evaluate_all(
        "all => [...new Set(all.map((one) => getComputedStyle(one).strokeDasharray))]"
    )
    assert len(dashes) == 2
    # The own range has an edge, for a printer that can't do a light grey.
    edge = first.locator("svg.strip .own").first.evaluate("e => getComputedStyle(e).stroke")
    assert edge != "none"
    headings = first.locator("h2").all_inner_texts()
    assert headings[1:] == ["What changed", "What next", "When to stop"]
    assert first.locator(".stop li").count() == 3


def test_from_the_players_in_two_clicks(site: Any, open_page: Callable[..., Any]) -> None:
    window = open_page(f"{site.url}/")
    window.get_by_role("link", name="Solveig", exact=True).click()
    window.get_by_role("link", name="Report", exact=True).click()
    window.wait_for_url("**/report")
    assert window.locator("[data-answer] .headline").inner_text()


def test_what_it_tells_is_kept(own_site: Any) -> None:
    who = own_site.player()
    with own_site.place.open() as library:
        assert library.player(who).told == ()
        newest = library.sessions(player=who)[0].id
    assert own_site.http.get(f"/player/{who}/report").status_code == 200
    with own_site.place.open() as library:
        told = library.player(who).told
    assert newest in {one.session for one in told}
