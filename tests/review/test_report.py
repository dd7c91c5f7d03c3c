"""The report: self-contained, valid, small, honest, and harmless whatever names it shows."""

from __future__ import annotations

import dataclasses
import html
import re
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import html5lib
import numpy as np
import pytest
from evidence_data import DRILLED, FREE, Block, add_session, approve, learner
from page_words import NOWHERE, OFF_THE_SCREEN, text_of, words_in

from library.answer import answer_of_session
from library.catalogue import Library
from library.evidence import Evidence, evidence_of
from library.over_time import over_time
from library.rows import SwingDetail
from review.answers import shown_answer
from review.errors import ReviewError
from review.formatting import Units, drill_words
from review.plot import Trace
from review.report import MOST_BYTES, Section, report_html, section_of
from sensor.errors import RecordingError

MADE_ON = date(2026, 5, 22)
HOSTILE = """<script>alert(1)</script><img src=x onerror=alert(2)> "'&amp; </style> {{ 7*7 }}"""


@pytest.fixture(scope="module")
def library(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Library]:
    root = tmp_path_factory.mktemp("report")
    with Library(root / "home") as made:
        approve(made, "Ida", learner(made, root)[:1])
        add_session(made, root, 30, FREE, player=HOSTILE, club=HOSTILE, day="2026-05-03")
        yield made


@pytest.fixture
def ida(library: Library) -> Evidence:
    return evidence_of(library, "Ida")


def curves(detail: SwingDetail) -> Trace:
    """A turn there and back, with a hole."""
    swing = detail.swing
    assert swing.takeaway_s is not None
    time_s = swing.takeaway_s + np.arange(-0.4, 1.6, 0.005)
    x = np.clip((time_s - swing.takeaway_s) / 1.2, 0.0, 1.0)
    turn = 130.0 * np.sin(np.pi * x)
    turn[30:34] = np.nan
    return Trace(time_s=time_s, turn_deg=turn, rate_dps=np.abs(np.gradient(turn, time_s)))


def made(*sections: Section) -> str:
    return report_html(sections, made_on=MADE_ON, version="1.2.3")


def check(text: str) -> None:
    """Strictly valid, and nothing in it that runs or fetches."""
    html5lib.HTMLParser(strict=True).parse(text)
    # In the strictest reading: no element or attribute that could load or run anything.
    assert not re.search(r"<(script|link|img|iframe|object|embed|base|form|meta http)", text)
    assert not re.search(r"\son\w+\s*=\s*[\"']", re.sub(r"&[a-z#0-9]+;", "", text))
    outside = set(re.findall(r"https?://[^\s\"'<>)]+", text)) - {"http://www.w3.org/2000/svg"}
    assert not outside
    assert "@import" not in text
    assert "url(" not in text
    assert len(text.encode()) < MOST_BYTES


def test_it_is_one_valid_file_that_needs_nothing_else(ida: Evidence) -> None:
    today = ida.days[ida.sessions[-1]] + 1
    text = made(section_of(ida, ida.sessions[-1], trace_of=curves, today=today))
    check(text)
    for part in (
        "What changed",
        "What next",
        "When to stop",
        "Turn of two swings that stand for the others",
        "The numbers",
        "Every swing",
        "In full",
        "Sore or in pain: stop.",
        "4 sessions beside 2 before the drills; shots without sound",
        "Made on 2026-05-22 by unhurried 1.2.3",
    ):
        assert part in text
    assert "None" not in re.sub(r"<[^>]*>", "", text)
    assert "nan" not in text


def test_the_pair_and_how_many_disagree_are_the_storys(library: Library, ida: Evidence) -> None:
    session = ida.sessions[0]
    section = section_of(ida, session, trace_of=curves)
    found = ida.examples(session)
    assert [f"{session}#{one.number}" for one in section.pair] == [one.swing_id for one in found]
    for one, example in zip(section.pair, found, strict=True):
        assert f"as do {example.agree} of the other {example.agree + example.disagree} " in (
            one.beside.replace("does", "do")
        )
    # By hand: of ten strikes, all shorter than the reference's 900 ms, none disagrees.
    assert section.pair[1].beside.endswith(
        "it lies below the middle of the model swings, as do 9 of the other 9 shots"
    )
    text = made(section)
    assert f"Shot {section.pair[1].number} is the one nearest the middle" in text
    # Numbers to the digits that their uncertainty leaves, as in analyze.
    swing = library.swing(session, number=section.pair[1].number).swing
    value, u = section.pair[1].cells["turn_deg"]  # type: ignore[misc]
    assert float(value) == pytest.approx(swing.turn_deg, abs=float(u))
    assert value in text


def test_a_report_of_an_earlier_session_hands_out_no_command_for_today(ida: Evidence) -> None:
    today = ida.days[ida.sessions[-1]] + 1
    now = section_of(ida, ida.sessions[-1], trace_of=curves, today=today)
    assert now.current
    assert now.standing == ida.standing(today)
    text = made(now)
    assert "What next" in text
    # The drill in words: whoever is sent the report has no terminal.
    assert now.standing.drill is not None
    assert drill_words(now.standing.drill) in html.unescape(text)
    assert now.following == drill_words(now.standing.drill)
    assert "unhurried drill" not in text
    assert "--player" not in text
    then = section_of(ida, ida.sessions[1], trace_of=curves, today=today)
    assert not then.current
    assert then.standing.drill is None
    text = made(then)
    assert "Where it stood on 5 May 2026" in text
    assert "What next" not in text
    assert "unhurried drill" not in text


def test_names_are_harmless(library: Library) -> None:
    who = next(p for p in library.players() if p.name.startswith("<script>"))
    evidence = evidence_of(library, who.id)
    text = made(section_of(evidence, evidence.sessions[-1], trace_of=curves))
    check(text)
    assert "<script" not in text
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in text
    assert "{{ 7*7 }}" in text


def test_a_missing_recording_costs_only_the_curves(ida: Evidence) -> None:
    def gone(detail: SwingDetail) -> Trace:
        raise RecordingError(detail.path, "is not there")

    section = section_of(ida, ida.sessions[-1], trace_of=gone)
    text = made(section)
    check(text)
    assert section.pair_turn == ""
    assert "The curves can&#39;t be drawn: is not there." in text
    # The folders of this computer are nobody else's business.
    assert str(ida.library.session(ida.sessions[-1]).path) not in text


def test_few_swings_make_a_report_that_says_so(tmp_path: Path) -> None:
    with Library(tmp_path / "home") as library:
        one = add_session(library, tmp_path, 1, (Block(n=1, strike=True),))
        text = made(section_of(evidence_of(library, "Ida"), one, trace_of=curves))
    check(text)
    assert "Can&#39;t tell yet: 0 of 5 practice swings and 1 of 5 shots so far." in text
    assert "Can&#39;t tell yet whether it changed: 0 of 4 sessions with 5 shots each." in text
    assert "Turn of two swings" not in text
    assert "The first sessions aren" in text


def test_a_large_session_stays_under_the_limit(ida: Evidence) -> None:
    section = section_of(ida, ida.sessions[-1], trace_of=curves)
    many = [dataclasses.replace(section, rows=section.rows * 10, chart=section.chart * 10)] * 12
    text = made(*many)
    check(text)
    assert "Single swings are left out here" in text
    with pytest.raises(ReviewError, match="make one for each player"):
        report_html(many * 20, made_on=MADE_ON, version="1")


def test_speeds_and_distances_in_the_units_that_were_set(tmp_path: Path) -> None:
    with Library(tmp_path / "home") as library:
        one = add_session(library, tmp_path, 1, (Block(n=6, strike=True, head_m_s=40.0),))
        evidence = evidence_of(library, "Ida")
        metric = dict(section_of(evidence, one).results)["club speed"]
        imperial = dict(section_of(evidence, one, units="imperial").results)["club speed"]
    speed, mph = float(metric.split()[0]), float(imperial.split()[0])
    assert (metric.split()[1], imperial.split()[1]) == ("m/s", "mph")
    # 1 mph = 0.44704 m/s exactly (NIST SP 811, B.8).
    assert mph * 0.44704 == pytest.approx(speed, abs=0.08)


def test_an_earlier_sessions_report_knows_nothing_of_later_ones(ida: Evidence) -> None:
    section = section_of(ida, ida.sessions[1])
    assert {cells[0] for cells in section.sessions} == {"1 May 2026", "5 May 2026"}
    assert (
        section.changed == "Can't tell yet whether it changed: 2 of 4 sessions with 5 shots each."
    )
    assert DRILLED[1].block is not None
    assert "silent" not in {row["block"] for row in section.rows}


def test_the_answer_is_that_of_the_session(ida: Evidence) -> None:
    for session in ida.sessions:
        section = section_of(ida, session)
        answer = answer_of_session(ida, session)
        assert section.answer == shown_answer(answer, Units())
        assert [row[-1] for row in section.today] == [s.said.value for s in answer.strips]
        assert [row[-1] for row in section.changes] == [
            one.said.value for one in over_time(ida.until(session)).changes
        ]


def test_what_was_swung_with_sound_is_not_among_the_sessions(ida: Evidence) -> None:
    section = section_of(ida, ida.sessions[-1])
    # By hand: a drilled session has 6 practice swings with sound, and 8 without.
    newest = [cells for cells in section.sessions if cells[0] == section.sessions[0][0]]
    assert [cells[1] for cells in newest] == ["8 practice swings", "14 shots"]


def test_on_paper_are_the_words_of_the_glossary_only(library: Library, ida: Evidence) -> None:
    with_few = evidence_of(library, next(p for p in library.players() if p.name != "Ida").id)
    for evidence in (ida, with_few):
        for session in evidence.sessions:
            text = made(section_of(evidence, session, trace_of=curves, today=740_000))
            tree = html5lib.parse(text, namespaceHTMLElements=False)
            # Paper can't be unfolded.
            assert words_in(f"{OFF_THE_SCREEN}|{NOWHERE}", text_of(tree.find(".//main"))) == []
