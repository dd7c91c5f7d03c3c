"""Two swings side by side: which stands where, what is said first, and how one comes there."""

from __future__ import annotations

import dataclasses
import html
import re
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

import pytest

from analysis.evidence.compare import Comparison, Row
from analysis.evidence.outcome import Outcome
from analysis.evidence.way import WayDown
from analysis.swing.results import Swing
from review.page.links import pair_url
from review.page.pair_answer import Pair, PairSwing, headline, moment_side, names_of, ordered, table
from review.page.tools import PairWords
from review.svg import Kind


def numbers_of(site: Any, session: str, kind: str) -> list[int]:
    with site.place.open() as library:
        table = library.swings(session=session, kind=kind, columns=("number",))
    return [int(n) for n in table["number"]]


def seqs_of(site: Any, session: str, *numbers: int) -> list[str]:
    with site.place.open() as library:
        return [str(library.swing(session, number=n).seq) for n in numbers]


def answer_of(page: str) -> str:
    found = re.search(r"(?s)<section data-answer.*?</section>", page)
    assert found is not None
    text = re.sub(r"(?s)<script.*?</script>", " ", found[0])
    return " ".join(html.unescape(re.sub(r"<[^>]*>", " ", text)).split())


def lanes_of(page: str) -> list[str]:
    return re.findall(r'class="lane-name[^"]*"><a [^>]*>([^<]*)</a>', page)


def said_of(answer: Any, site: Any) -> str:
    """The line that a form led back to."""
    assert answer.status_code == 303
    page = site.http.get(answer.headers["location"]).text
    found = re.search(r'(?s)<dialog open class="message.*?<p [^>]*>(.*?)</p>', page)
    assert found is not None
    return html.unescape(found[1])


def test_the_practice_swing_stands_left_and_of_a_kind_the_earlier(site: Any) -> None:
    new, old = site.sessions()[:2]
    practice, shots = (numbers_of(site, new, kind)[0] for kind in ("rehearsal", "strike"))
    for a, b in ((practice, shots), (shots, practice)):
        page = site.http.get(pair_url((new, a), (new, b))).text
        assert lanes_of(page) == [f"Practice swing {practice}", f"Shot {shots}"]
    later = numbers_of(site, new, "strike")[:2]
    page = site.http.get(pair_url((new, later[1]), (new, later[0]))).text
    assert lanes_of(page) == [f"Shot {n}" for n in later]
    # Both in their kind's colour, one of them dashed.
    assert page.count("lane-way of-strike style-0") == page.count("lane-way of-strike style-1") == 1
    # Of two days the earlier day's, and the day is said where the numbers are alike.
    page = site.http.get(pair_url((new, later[0]), (old, later[0]))).text
    days = re.findall(r'<a href="/session/([0-9a-f-]+)">\w', page)
    assert [one for one in days if one in (new, old)][:2] == [old, new]
    assert "of 16 March" in page
    assert "of 23 March" in page


def test_one_sentence_first_and_few_words_in_all(site: Any) -> None:
    session = site.sessions()[0]
    practice, shot = (numbers_of(site, session, kind)[0] for kind in ("rehearsal", "strike"))
    page = site.http.get(pair_url((session, practice), (session, shot))).text
    sentence = re.search(r'<h1 id="answer-h"[^>]*>([^<]*)</h1>', page)
    assert sentence is not None
    assert 4 <= len(sentence[1].split()) <= 25
    assert sentence[1].count(".") - len(re.findall(r"\d\.\d", sentence[1])) == 1
    seen = answer_of(page)
    for word in ("strike", "rehearsal", "peak rate", "deg/s", "interval", "ratio", "A:", "B:"):
        assert word not in seen, word


def test_the_table_and_the_sentence_have_the_same_words(site: Any) -> None:
    session = site.sessions()[0]
    practice, shot = (numbers_of(site, session, kind)[0] for kind in ("rehearsal", "strike"))
    page = html.unescape(site.http.get(pair_url((session, practice), (session, shot))).text)
    sentence = re.search(r'<h1 id="answer-h"[^>]*>([^<]*)</h1>', page)
    body = re.search(r'(?s)<table class="plain-table">.*?</table>', page)
    assert sentence is not None
    assert body is not None
    for part in re.findall(r"[\d.]+(?: s|°| %) \w+er", sentence[1]):
        assert f">{part}<" in body[0]
    share = re.search(r"\d+ % of its way down", sentence[1])
    assert share is None or f">{share[0]}<" in body[0]


# -- the sentence ------------------------------------------------------------------------------


def a_swing(kind: Kind, number: int, **values: Any) -> PairSwing:
    fixed: dict[str, Any] = {item.name: None for item in dataclasses.fields(Swing)}
    fixed.update(index=number, gap_ms=0.0, clipped=(), notes=(), budget={}, **values)
    return PairSwing(
        session="s",
        key=f"s~{number}",
        start="2026-04-08T10:00:00+02:00",
        path=Path("r"),
        mount="wrist",
        kind=kind,
        swing=Swing(**fixed),
    )


def mixed() -> Pair:
    return ordered(a_swing("strike", 6), a_swing("rehearsal", 3))


def row(measure: str, a: float, b: float, u: float, outcome: Outcome, **more: Any) -> Row:
    return Row(
        measure=measure, n_a=1, n_b=1, a=a, b=b, difference=b - a, u=u, outcome=outcome, **more
    )


def compared(*rows: Row, place: tuple[int, WayDown] | None = None) -> PairWords:
    result = Comparison(
        sets=False, rows=rows, judged=len(rows), shared_clock=True, shared_sensor=True,
        rules=("turn", "ball"),
    )  # fmt: skip
    return PairWords(sentences=(), rows=(), notes=(), comparison=result, place=place)


DIFFERENT, SAME, OPEN = Outcome.DIFFERENT, Outcome.SAME, Outcome.INCONCLUSIVE
AT_12 = (0, WayDown(after_ms=1100.0, going_back=False, share=0.12, low=0.1, high=0.14))


def test_the_sentence_begins_with_what_lies_farthest_apart_in_its_uncertainty() -> None:
    far = [
        row("backswing_ms", 1000.0, 860.0, 20.0, DIFFERENT),
        row("turn_deg", 160.0, 138.0, 2.0, DIFFERENT),
        row("peak_rate_dps", 1000.0, 1002.0, 5.0, SAME),
    ]
    told = headline(mixed(), compared(*far, place=AT_12), "takeaway")
    assert told == (
        "The shot: turn 22° smaller, backswing 0.14 s shorter than the practice swing.", ""
    )  # fmt: skip
    assert headline(mixed(), compared(*far), "takeaway", most=1)[0] == (
        "The shot: turn 22° smaller than the practice swing."
    )
    # The time is known better: then it is where one was when the other was at the ball.
    near = [dataclasses.replace(far[0], u=5.0), *far[1:]]
    told = headline(mixed(), compared(*near, place=AT_12), "takeaway")
    assert told[0] == "At the shot’s impact the practice swing had come 12 % of its way down."
    # That is said of a common start only, and of nothing that isn't known.
    for words, align in ((compared(*near, place=AT_12), "top"), (compared(*near), "takeaway")):
        assert headline(mixed(), words, align)[0].startswith("The shot: backswing 0.14 s shorter")


def test_where_nothing_differs_it_says_what_would_show() -> None:
    open_ = [
        row("backswing_ms", 1000.0, 990.0, 12.0, OPEN, detectable=33.0),
        row("turn_deg", 160.0, 159.0, 0.5, SAME, detectable=2.0),
        row("peak_rate_dps", 1000.0, 1010.0, 9.0, OPEN, detectable=30.0),
    ]
    sentence, hint = headline(mixed(), compared(*open_), "takeaway")
    assert sentence == "Can't tell them apart yet in backswing and rotation."
    assert hint == "Between two single swings a difference shows from 0.03 s or 3 % on."
    same = [dataclasses.replace(one, outcome=SAME) for one in open_]
    sentence, hint = headline(mixed(), compared(*same), "takeaway")
    assert (sentence, hint) == ("About the same: backswing, turn and rotation.", "")
    absent = [Row(measure=one.measure, n_a=0, n_b=1, reason="absent") for one in open_]
    sentence, _ = headline(mixed(), compared(*absent), "takeaway")
    assert sentence.startswith("Can't tell yet: a takeaway or top is missing")
    assert [line[3] for line in table(compared(*absent).comparison)] == [
        "can't tell yet: not measured"
    ] * 3


def test_two_of_a_kind_are_called_by_number_then_day() -> None:
    one, other = a_swing("strike", 6), a_swing("strike", 8)
    assert names_of(ordered(other, one)) == ("shot 6", "shot 8")
    later = dataclasses.replace(other, session="t", start="2026-04-10T10:00:00+02:00")
    assert names_of(ordered(later, one)) == ("shot 6 of 8 April", "shot 8 of 10 April")
    same_day = dataclasses.replace(later, start="2026-04-08T17:30:00+02:00")
    assert names_of((one, same_day))[1] == "shot 8 of 8 April, 17:30"
    # The moment is the quicker one's impact, so that the other is still on its way.
    quick = dataclasses.replace(one, swing=dataclasses.replace(one.swing, swing_ms=1000.0))
    slow = dataclasses.replace(other, swing=dataclasses.replace(other.swing, swing_ms=1100.0))
    assert (moment_side((quick, slow)), moment_side((slow, quick))) == (0, 1)
    assert moment_side(mixed()) == 1


# -- how one comes there -----------------------------------------------------------------------


def test_a_swing_beside_the_typical_practice_swing(site: Any) -> None:
    session = site.sessions()[0]
    shot = numbers_of(site, session, "strike")[1]
    answer = site.http.get(f"/session/{session}/swing/{shot}/beside")
    assert answer.status_code == 303
    asked = parse_qs(urlsplit(answer.headers["location"]).query)
    assert asked["a"] == [f"{session}~{shot}"]
    there, _, number = asked["b"][0].partition("~")
    assert there == session
    assert int(number) in numbers_of(site, session, "rehearsal")
    assert lanes_of(site.http.get(answer.headers["location"]).text)[1] == f"Shot {shot}"


@pytest.mark.parametrize("number", ["9999", "0", "99999999"])
def test_no_such_swing_has_no_typical_one(site: Any, number: str) -> None:
    session = site.sessions()[0]
    assert site.http.get(f"/session/{session}/swing/{number}/beside").status_code == 404


def test_where_there_is_none_it_is_said_what_is_missing(own_site: Any) -> None:
    session = own_site.sessions("Tomas")[0]
    with own_site.place.open() as library:
        table = library.swings(session=session, columns=("seq", "number"))
    for do in ("strike",):
        own_site.post(
            f"/session/{session}/swings", do=do, seq=[str(seq) for seq in table["seq"].tolist()]
        )
    answer = own_site.http.get(f"/session/{session}/swing/{int(table['number'][0])}/beside")
    assert answer.status_code == 404
    text = html.unescape(answer.text)
    assert "there is no typical practice swing" in text
    assert "Record 3 free practice swings" in text


def test_two_ticked_swings_are_one_press_from_each_other(own_site: Any, open_page: Any) -> None:
    session = own_site.sessions()[0]
    window = open_page(f"{own_site.url}/session/{session}")
    boxes = window.locator('input[name="seq"]')
    boxes.nth(0).check()
    boxes.nth(4).check()
    window.get_by_role("button", name="Side by side").click()
    window.wait_for_url("**/pair?**")
    assert len(lanes_of(window.content())) == 2


@pytest.mark.parametrize("n", [1, 3])
def test_another_number_of_ticks_is_said_and_the_ticks_stay(own_site: Any, n: int) -> None:
    session = own_site.sessions()[0]
    seqs = seqs_of(own_site, session, *range(1, n + 1))
    url = f"/session/{session}/swings"
    answer = own_site.post(url, do="beside", seq=seqs)
    page = own_site.http.get(answer.headers["location"]).text
    words = f"Tick two swings to set them side by side: {n} {'is' if n == 1 else 'are'} ticked now."
    assert words in page
    assert re.findall(r'name="seq" value="(\d+)"[^>]* checked', page) == seqs
    assert said_of(own_site.post(url, do="beside"), own_site).startswith("Pick swings first")
