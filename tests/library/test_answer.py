"""The answer of a screen: what differs from the player's own, on players whose truth is known."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
import pytest
from evidence_data import FEW, FREE, LONG, SHORT, Block, add_session, approve
from scipy import stats

from analysis.evidence.cells import cell_of
from analysis.evidence.own_range import range_of_day, word_in_range
from analysis.evidence.reading import Word
from library.answer import Answer, Own, Said, answer_of_session, answer_of_swing
from library.catalogue import Library
from library.evidence import evidence_of
from review.answers import headline_of, shown_answer
from review.formatting import Units


@pytest.fixture
def library(tmp_path: Path) -> Iterator[Library]:
    with Library(tmp_path / "home") as made:
        yield made


def answered(library: Library, folder: Path, *sessions: Sequence[Block], first: int = 1) -> Answer:
    """Return the answer of the last of some sessions."""
    for k, blocks in enumerate(sessions, first):
        last = add_session(library, folder, k, blocks, day=f"2026-05-{k:02d}")
    return answer_of_session(evidence_of(library, "Ida"), last)


def said(answer: Answer) -> list[Said]:
    return [strip.said for strip in answer.strips]


def test_a_first_lesson_answers_without_model_swings(library: Library, tmp_path: Path) -> None:
    answer = answered(library, tmp_path, SHORT)
    assert said(answer) == [Said.SHORTER, Said.SMALLER, Said.SLOWER]
    assert (answer.own, answer.own_n, answer.n, answer.shots) == (Own.TODAY, 10, 10, True)
    first = answer.first
    assert first is not None
    # Shots of 0.86, 0.88 and 0.90 of what the practice swings have, with a scatter of 2 %: most of
    # them lie outside, and time lies furthest off.
    assert first.aspect == "time"
    assert headline_of(answer).endswith("of 10 shots shorter than your practice swings.")
    assert first.middle == pytest.approx(900.0, rel=0.03)
    assert first.here == pytest.approx(774.0, rel=0.03)


def test_nothing_different_says_so_and_what_would_show(library: Library, tmp_path: Path) -> None:
    answer = answered(library, tmp_path, FREE)
    assert answer.first is None
    shown = shown_answer(answer, Units())
    words = said(answer)
    assert set(words) <= {Said.AS_USUAL, Said.CANT_TELL}
    if Said.CANT_TELL in words:
        assert shown.more.startswith("Would show: ")
        assert "can't tell yet" in shown.headline.lower()
    else:
        assert shown.headline == "As usual: time, turn and rotation like your practice swings."


def test_too_few_swings_say_how_many_are_missing(library: Library, tmp_path: Path) -> None:
    answer = answered(library, tmp_path, FEW)
    assert said(answer) == [Said.CANT_TELL] * 3
    text = "Can't tell yet: 3 of 5 practice swings and 3 of 5 shots so far."
    assert headline_of(answer) == text
    # The swings there are, are shown all the same.
    assert all(len(strip.dots) == 6 for strip in answer.strips)


def test_practice_swings_alone_wait_for_another_day(library: Library, tmp_path: Path) -> None:
    only = (Block(n=9, strike=False),)
    answer = answered(library, tmp_path, only)
    assert (answer.own, answer.shots) == (None, False)
    assert headline_of(answer) == "Can't tell yet: 0 of 5 shots so far."
    # Read against the day before, and one day more can't tell a day from a change.
    later = answered(library, tmp_path, (Block(n=9, strike=False, time=1.3),), first=2)
    assert (later.own, later.own_n) == (Own.EARLIER, 9)
    assert later.strips[0].said in (Said.LONGER, Said.CANT_TELL)
    assert later.strips[0].here == pytest.approx(1.3 * 900.0, rel=0.03)


def test_past_full_is_said_only_where_a_coach_knows_where_full_ends(
    library: Library, tmp_path: Path
) -> None:
    turned = (Block(n=8, strike=False), Block(n=8, strike=True, turn=1.3))
    first = add_session(library, tmp_path, 1, turned)
    answer = answer_of_session(evidence_of(library, "Ida"), first)
    assert answer.strips[1].said is Said.BIGGER
    approve(library, "Ida", [first])
    answer = answer_of_session(evidence_of(library, "Ida"), first)
    assert answer.strips[1].said is Said.PAST_FULL
    assert headline_of(answer) == "Turn: 8 of 8 shots past full."


def test_last_time_is_a_mark_and_never_a_word(library: Library, tmp_path: Path) -> None:
    before = answered(library, tmp_path, SHORT)
    assert all(strip.last is None for strip in before.strips)
    answer = answered(library, tmp_path, LONG, first=2)
    for strip, then in zip(answer.strips, before.strips, strict=True):
        assert strip.last is not None
        assert strip.last.low < strip.last.middle < strip.last.high
        assert strip.last.middle == pytest.approx(then.here)
    # Like last time's, but against today's own practice swings.
    assert said(answer)[0] is Said.LONGER


def test_the_count_is_of_swings_that_have_the_word_on_their_own_screen(
    library: Library, tmp_path: Path
) -> None:
    answered(library, tmp_path, SHORT, LONG, FREE)
    evidence = evidence_of(library, "Ida")
    for session in evidence.sessions:
        whole = answer_of_session(evidence, session)
        numbers = [dot.number for dot in whole.strips[0].dots if dot.shot]
        each = [answer_of_swing(evidence, session, number) for number in numbers]
        for k, strip in enumerate(whole.strips):
            alone = [one.strips[k].said for one in each if one is not None]
            assert strip.count == alone.count(strip.said)
            # The word of a swing is what its dot shows: inside of the band or out of it.
            for one in each:
                assert one is not None
                (dot,) = [dot for dot in one.strips[k].dots if dot.picked]
                low, high = one.strips[k].low, one.strips[k].high
                assert low is not None
                assert high is not None
                if low <= dot.value <= high:
                    assert one.strips[k].said is Said.AS_USUAL


def test_a_range_below_nothing_tells_nothing(library: Library, tmp_path: Path) -> None:
    """Three practice swings alike and two in slow motion: no range that a shot lies in."""
    slow = (Block(n=3, strike=False), Block(n=2, strike=False, time=3.0), Block(n=6, strike=True))
    session = add_session(library, tmp_path, 1, slow, day="2026-05-01")
    shot = answer_of_swing(evidence_of(library, "Ida"), session, 8)
    assert shot is not None
    words = {strip.aspect: strip.said for strip in shot.strips}
    assert words["time"] is Said.CANT_TELL
    assert words["turn"] is not Said.CANT_TELL


def test_the_range_of_a_day_is_a_prediction() -> None:
    """It holds the share that it says, and is nearly as narrow as it can be (scipy's t)."""
    rng = np.random.default_rng(4)
    held, widths = 0, []
    for _ in range(2000):
        x = rng.normal(900.0, 60.0, 12)
        cell = cell_of(x, session="s", kind="rehearsal")
        assert cell is not None
        low, high = range_of_day(cell)
        held += low <= rng.normal(900.0, 60.0) <= high
        least = stats.t.ppf(0.975, 11) * np.std(x, ddof=1) * np.sqrt(1.0 + 1.0 / 12.0)
        widths.append(0.5 * (high - low) / least)
    assert 0.93 < held / 2000 < 0.985
    assert 0.95 < np.median(widths) < 1.3


def test_a_swing_is_different_only_clearly_outside_of_the_range() -> None:
    for value, word in ((700.0, Word.SHORTER), (795.0, Word.SAME), (1005.0, Word.SAME)):
        assert word_in_range("time", value, 5.0, 800.0, 1000.0, full_end=True) is word
    assert word_in_range("turn", 160.0, 1.0, 120.0, 150.0, full_end=True) is Word.BEYOND
    assert word_in_range("turn", 160.0, 1.0, 120.0, 150.0, full_end=False) is Word.FULLER
    assert word_in_range("turn", 160.0, 1.0, None, None, full_end=False) is Word.SAME
