"""What a coach or a player is told, and where: beside the form, in plain words, of real swings."""

from __future__ import annotations

import contextlib
import html
import re
import sqlite3
from datetime import date
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast
from urllib.parse import urlsplit

import pytest
from jinja2 import Environment, FileSystemLoader

from library.ball_results import POSSIBLE, read_header, read_rows
from library.catalogue import Library
from library.errors import ResultsError
from library.evidence import evidence_of
from library.result_columns import parse_map
from review import formatting as fmt
from review.page.app import HERE
from review.page.evidence_cache import EvidenceCache, has_report
from review.page.range_taps import result_fields
from sensor.recording.vocabulary import RESULT_FIELDS
from unhurried.app.taking_in import mark_simulated

MEASURE = re.compile(r"\b[a-z]+(?:_[a-z]+)*_(?:ms|deg|dps|m|s|mm)\b")


def text_of(page: str) -> str:
    """What a reader sees of a screen: no addresses, no names of fields."""
    page = re.sub(r"(?s)<(script|style)\b.*?</\1>", " ", page)
    return html.unescape(re.sub(r"<[^>]*>", " ", page))


def shown(site: Any, path: str) -> str:
    joint = "&" if "?" in path else "?"
    answer = site.http.get(f"{path}{joint}whole=1")
    assert answer.status_code == 200, answer.text
    return str(answer.text)


def led(site: Any, answer: Any) -> tuple[str, str]:
    """Where a form leads back to: the place on the screen, and the screen."""
    assert answer.status_code == 303, answer.text
    there = answer.headers["location"]
    return urlsplit(there).fragment, site.http.get(there).text


def message(page: str) -> str:
    found = re.search(r'(?s)<dialog open class="message.*?<p [^>]*>(.*?)</p>', page)
    assert found is not None
    return html.unescape(found[1])


# -- simulated sessions ------------------------------------------------------------------------


def a_persons_but(site: Any, one: str) -> None:
    """Have all of the player's sessions but one be a person's: what is tried out is set aside."""
    with contextlib.closing(sqlite3.connect(site.place.home / "library.db")) as data, data:
        data.execute("UPDATE sessions SET simulated = 0 WHERE id != ?", (one,))


def test_what_was_tried_out_is_marked_on_every_screen_and_left_out(own_site: Any) -> None:
    who = own_site.player()
    one = own_site.sessions()[0]
    every = len(own_site.sessions())
    a_persons_but(own_site, one)
    assert f"swings in {every - 1} sessions" in text_of(shown(own_site, f"/player/{who}"))
    with own_site.place.open() as library:
        path = library.path_of(one)
    mark_simulated(path)
    with own_site.place.open() as library:
        library.refresh(one)
        assert one not in evidence_of(library, who).sessions
    session = text_of(shown(own_site, f"/session/{one}"))
    assert "simulated: not a person’s swings" in session
    assert "nothing is read from it" in session
    assert "Set them side by side" not in session
    assert "simulated" in text_of(shown(own_site, f"/session/{one}/swing/2"))
    swing = text_of(shown(own_site, f"/session/{one}/swing/2"))
    assert "left out of what is read of the player" in swing
    assert "simulated: not a person’s swings" in text_of(shown(own_site, f"/session/{one}/clips"))
    assert "simulated" in text_of(shown(own_site, f"/pair?a={one}~1&b={one}~2"))
    player = text_of(shown(own_site, f"/player/{who}"))
    assert "not a person’s swings: left out" in player
    assert f"swings in {every - 1} sessions" in player
    # The card is of the last session that is a person's.
    assert "simulated" not in text_of(shown(own_site, "/"))
    refused = own_site.http.get(f"/session/{one}/report")
    assert "simulated: not a person's swings" in html.unescape(refused.text)
    # Nothing offers to take the mark back.
    assert "Take back" not in session
    undone = own_site.post(f"/session/{one}/undo")
    assert "nothing to take back" in message(led(own_site, undone)[1])


# -- where a player stands ---------------------------------------------------------------------


def stand_of(library: Library, name: str) -> Any:
    return EvidenceCache(cast(Any, None), lambda: date(2026, 6, 1)).stand_of(
        evidence_of(library, name)
    )


def test_a_tiny_session_does_not_hide_where_a_player_stands(tmp_path: Path) -> None:
    from evidence_data import SHORT, Block, add_session

    with Library(tmp_path / "home") as library:
        first = add_session(library, tmp_path, 1, SHORT, day="2026-05-01")
        before = stand_of(library, "Ida")
        assert (before.session, before.day, before.too_few) == (first, "Fri 1 May 2026", None)
        tiny = (Block(n=1, strike=True), Block(n=2, strike=False, block="1 rehearsal"))
        latest = add_session(library, tmp_path, 2, tiny, day="2026-05-05")
        after = stand_of(library, "Ida")
        assert after.session == first
        assert after.latest == latest
        assert after.day == "Fri 1 May 2026"
        assert after.answer == before.answer
        assert "1 strike and no rehearsals are too few to read" in after.too_few
        assert "2 swings of a drill's rehearsal block don't count" in after.too_few


# -- messages ----------------------------------------------------------------------------------


def test_a_refused_form_says_why_beside_it_and_keeps_what_was_typed(own_site: Any) -> None:
    who, one = own_site.player(), own_site.sessions()[0]
    with own_site.place.open() as library:
        seqs = [str(library.swing(one, number=n).seq) for n in (2, 5)]
    refused = own_site.post(f"/session/{one}/swings", do="exclude", seq=seqs, tag="by lamp")
    place, page = led(own_site, refused)
    assert f'id="{place}"' in page
    assert "type a reason first" in message(page)
    picked = re.findall(r'name="seq" value="(\d+)"[^>]* checked', page)
    assert picked == seqs
    assert 'value="by lamp"' in page
    # Shown once only.
    again = own_site.http.get(f"/session/{one}").text
    assert not re.search(r'name="seq"[^>]* checked', again)
    place, page = led(own_site, own_site.post(f"/session/{one}/swings", do="tag", tag="x"))
    assert place == "with-picked"
    assert "Pick swings first" in message(page)

    with own_site.place.open() as library:
        evidence = evidence_of(library, who)
        setting = {"club": evidence.club or "", "mount": evidence.mount or ""}
        ids = [row.swing_id for row in evidence.rows if row.kind == "rehearsal"][:9]
    typed = {"approved_by": "Jo", "backswing_ms_lower": "900", "backswing_ms_upper": "800"}
    place, page = led(
        own_site, own_site.post(f"/player/{who}/reference", **setting, **typed, swing=ids)
    )
    assert place == "approve"
    assert re.search('<details[^>]*id="approve"[^>]* open', page)
    assert "The lower end of backswing must be below the upper" in message(page)
    assert 'name="approved_by" maxlength="200" required value="Jo"' in page
    assert set(re.findall(r'name="swing" value="([^"]*)"[^>]* checked', page)) == set(ids)
    place, page = led(
        own_site, own_site.post(f"/player/{who}/plan", **setting, word="resume", text="all well")
    )
    assert place == "plan-word"
    assert "all well" in page

    place, page = led(own_site, own_site.post(f"/session/{one}/swing/2/words", carry_m="far"))
    assert place == "words"
    assert 'value="far"' in page
    place, page = led(own_site, own_site.post(f"/session/{one}/swing/2/events", top="soon"))
    assert place == "events"
    assert 'value="soon"' in page
    place, page = led(
        own_site, own_site.post(f"/session/{one}/segment", **{"from": "999"}, new_player="Nils")
    )
    assert place == "segment-new"
    assert 'value="Nils"' in page


def test_a_wrong_number_leads_back_to_the_two_swings(site: Any) -> None:
    one = site.sessions()[0]
    asked = f"/pair?a={one}~1&b={one}~2&align=top&other={one}&number="
    for number in ("9999", "x", ""):
        place, page = led(site, site.http.get(asked + number))
        assert place == "other-h"
        assert "swing" in message(page)
        assert one not in message(page)
        assert "data-answer" in page


def test_an_error_leads_back_to_where_one_was(site: Any) -> None:
    one = site.sessions()[0]
    wrong = f"/session/{one}/swing/9999"
    for came, link in (
        (f"{site.url}/session/{one}?x=swing", f"/session/{one}?x=swing"),
        ("http://evil.test/", None),
        (f"{site.url}//evil.test/", None),
        (f"{site.url}{wrong}", None),
    ):
        page = site.http.get(wrong, headers={"referer": came}).text
        found = re.search('href="([^"]*)">Back to where you were', page)
        assert (found and html.unescape(found[1])) == link
        assert one not in text_of(page)


# -- plain words -------------------------------------------------------------------------------


def test_no_screen_of_a_player_shows_a_command_or_a_field_s_name(site: Any) -> None:
    who, one = site.player(), site.sessions()[0]
    paths = ["/", f"/player/{who}", f"/player/{who}/trend", f"/session/{one}", f"/pair?a={one}~1"]
    paths += [f"/session/{one}/swing/2", f"/player/{who}/report", f"/session/{one}/report"]
    for path in paths:
        text = text_of(shown(site, path))
        assert "unhurried drill" not in text, path
        assert " --" not in text, path
        assert not MEASURE.search(text), (path, MEASURE.search(text))
    assert f'href="/range/drill?player={who}"' in shown(site, f"/player/{who}/trend")
    # No coach has chosen model swings yet, so that comes next.
    for path in (f"/session/{one}", "/"):
        assert "#approve" in shown(site, path), path


def test_a_sentence_s_numbers_lie_in_lines_that_wrap(site: Any) -> None:
    page = shown(site, f"/session/{site.sessions()[0]}")
    told = re.findall(r"(?s)<summary>Where this comes from</summary>(.*?)</details>", page)
    assert told
    assert not any("<table" in one for one in told)
    assert any(re.search(r'Swings: <a href="/session/', one) for one in told)


def test_the_command_for_a_clip_is_whole(site: Any) -> None:
    one = site.sessions()[0]
    text = text_of(shown(site, f"/session/{one}/clips"))
    assert f"unhurried clip {one[:8]} --home {site.place.home} FILE" in text


def test_times_are_the_same_in_the_list_and_on_the_swing(site: Any) -> None:
    one = site.sessions()[0]
    listed = re.findall(
        r'<a href="[^"]*">(\d+)</a></th><td data-value="[^"]*">([\d:]+)</td>',
        shown(site, f"/session/{one}"),
    )
    assert len(listed) > 5
    for number, at in listed[:6]:
        text = text_of(site.http.get(f"/session/{one}/swing/{number}").text)
        assert re.search(rf" at {at}\b", text), (number, at)


# -- players who are none ----------------------------------------------------------------------


def names(site: Any) -> set[str]:
    with site.place.open() as library:
        return {player.name for player in library.people.all()}


def test_somebody_new_is_gone_again_with_the_change(own_site: Any) -> None:
    one, before = own_site.sessions()[0], names(own_site)
    with own_site.place.open() as library:
        seq = str(library.segments(one)[0]["seq"])
    url = f"/session/{one}/segment"
    assert own_site.post(url, seq=seq, new_player="Nils Nobody").status_code == 303
    assert names(own_site) == before | {"Nils Nobody"}
    said = message(led(own_site, own_site.post(f"/session/{one}/undo"))[1])
    assert "Nils Nobody is no player any more" in said
    assert names(own_site) == before
    # Whoever was there before the change stays, and whoever has swings elsewhere.
    with own_site.place.open() as library:
        library.save_player(library.people.add("Edda"))
    own_site.post(url, seq=seq, player="Edda")
    own_site.post(f"/session/{one}/undo")
    assert names(own_site) == before | {"Edda"}
    other = own_site.sessions()[1]
    own_site.post(url, seq=seq, new_player="Nils Nobody")
    with own_site.place.open() as library:
        seq_there = str(library.segments(other)[0]["seq"])
    own_site.post(f"/session/{other}/segment", seq=seq_there, player="Nils Nobody")
    own_site.post(f"/session/{one}/undo")
    assert "Nils Nobody" in names(own_site)


# -- ball results ------------------------------------------------------------------------------


def test_one_table_says_which_ball_results_make_sense(own_site: Any, tmp_path: Path) -> None:
    assert set(POSSIBLE) == set(RESULT_FIELDS)
    one = own_site.sessions()[0]
    url = f"/session/{one}/swing/2/words"
    for name, (low, high) in POSSIBLE.items():
        for value in (low - 1.0, high + 1.0, 99_999_999.0):
            refused = own_site.post(url, kind="as-it-is", **{name: f"{value:g}"})
            assert "must lie between" in message(led(own_site, refused)[1])
    for field in result_fields("metric"):
        assert (field.low, field.high) == POSSIBLE[field.name]
    own_site.post(url, kind="as-it-is", carry_m="450", as_it_is="on")
    with own_site.place.open() as library:
        assert library.swing(one, number=2).result["carry_m"] == 450.0
    file = tmp_path / "balls.csv"
    file.write_text("swing,carry [m]\n1,120\n2,99999999\n", encoding="utf-8")
    columns = parse_map("swing=swing,carry=carry [m]:m", read_header(file))
    with pytest.raises(ResultsError, match=r"line 3.*must lie between 0 and 450 m"):
        read_rows(file, columns)


# -- in the browser ----------------------------------------------------------------------------


@pytest.mark.parametrize("width", [1280, 390])
def test_a_message_is_in_view_where_the_form_is(own_site: Any, open_page: Any, width: int) -> None:
    window = open_page(f"{own_site.url}/session/{own_site.sessions()[0]}", width=width)
    window.click("#with-picked > summary")
    window.fill("input[name=reason]", "a cart drove by")
    window.click("button[value=exclude]")
    said = window.wait_for_selector(".message [role=alert]")
    box = said.bounding_box()
    assert 0 <= box["y"] <= 200
    button = window.locator("button[value=exclude]").bounding_box()
    assert 0 <= button["y"] <= 900
    assert window.input_value("input[name=reason]") == "a cart drove by"
    window.click(".message button")
    assert not window.is_visible(".message")


# -- no dead ends ------------------------------------------------------------------------------


def test_no_report_is_offered_of_what_is_set_aside(own_site: Any) -> None:
    one = own_site.sessions()[0]
    assert f"/session/{one}/report" in shown(own_site, f"/session/{one}")
    a_persons_but(own_site, one)
    with own_site.place.open() as library:
        path = library.path_of(one)
    mark_simulated(path)
    with own_site.place.open() as library:
        library.refresh(one)
        assert not has_report(library, one)
    assert f"/session/{one}/report" not in shown(own_site, f"/session/{one}")


def test_no_report_is_offered_of_a_player_without_full_swings(own_site: Any) -> None:
    known = own_site.player()
    start = own_site.post("/start", **{"as": "coach", "name": "Somebody New"})
    new = start.headers["location"].partition("/player/")[2].partition("?")[0]
    assert f"/player/{known}/report" in shown(own_site, f"/player/{known}")
    assert f"/player/{new}/report" not in shown(own_site, f"/player/{new}")
    refused = own_site.http.get(f"/player/{new}/report")
    assert refused.status_code == 404
    assert "full swings" in refused.text


@pytest.mark.parametrize("path", ["report?player=nobody", "swing/9999"])
def test_what_is_not_in_a_session_leads_back_to_it(site: Any, path: str) -> None:
    one = site.sessions()[0]
    answer = site.http.get(f"/session/{one}/{path}")
    assert answer.status_code == 404
    assert f'href="/session/{one}">To the session' in answer.text


def test_only_an_error_in_a_session_that_is_there_leads_to_one(site: Any) -> None:
    absent = "11111111-0000-4000-8000-000000000000"
    for path in (f"/session/{absent}/swing/1", f"/player/{absent}"):
        assert "To the session" not in site.http.get(path).text


# -- what the words stand on -------------------------------------------------------------------


def macros() -> Any:
    """Macros that screens share."""
    made = Environment(loader=FileSystemLoader(HERE / "templates"), autoescape=True)
    made.filters["first_upper"] = str.capitalize
    return made.get_template("parts.html").make_module({"words": fmt})


def test_only_middles_are_called_so() -> None:
    interval = SimpleNamespace(low=0.1, middle=0.2, high=0.3, level=0.95)
    number: dict[str, Any] = {
        "name": "share of swings", "unit": "", "interval": interval, "swings": [], "against": [],
        "margin": None,
    }  # fmt: skip
    sentence = {"numbers": [number], "swings": []}
    assert "trimmed mean" in macros().numbers_table({**sentence, "middle": True})
    assert "trimmed mean" not in macros().numbers_table({**sentence, "middle": False})


def test_without_a_reference_none_is_named() -> None:
    none = SimpleNamespace(
        time=SimpleNamespace(reason="no model swings yet: too few"), provisional=False
    )
    some = SimpleNamespace(time=SimpleNamespace(reason=None), provisional=False)
    assert macros().against(none) == ""
    assert "beside the model swings" in macros().against(some)


def test_the_table_of_two_swings_writes_minus_signs(site: Any) -> None:
    one = site.sessions()[0]
    page = shown(site, f"/pair?a={one}~1&b={one}~2")
    cells = re.findall(r"<td>([^<]*)</td>", page)
    assert any("−" in cell for cell in cells)
    assert not any("-" in cell for cell in cells)
