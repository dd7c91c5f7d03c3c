"""Two swings in words."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from words.pair import amount, apart_words, differs, moment_words, way_words

NAMES = ("the practice swing", "the shot")


def test_numbers_are_rounded_to_what_they_mean() -> None:
    assert amount("backswing_ms", 867.4) == "0.87 s"
    assert amount("turn_deg", 137.6) == "138°"
    assert amount("peak_rate_dps", 1100.0, 1000.0) == "110 %"
    assert amount("peak_rate_dps", 1100.0) == "–"


def test_more_and_less_have_the_aspect_s_own_words() -> None:
    assert differs("backswing_ms", -140.0) == "0.14 s shorter"
    assert differs("backswing_ms", 140.0) == "0.14 s longer"
    assert differs("turn_deg", -22.2) == "22° smaller"
    assert differs("turn_deg", 22.2) == "22° bigger"
    assert differs("peak_rate_dps", 80.0, 1000.0) == "8 % faster"
    assert differs("peak_rate_dps", -80.0, 1000.0) == "8 % slower"
    told = apart_words(NAMES, [("backswing_ms", -140.0, None), ("turn_deg", -22.0, None)])
    assert told == "The shot: backswing 0.14 s shorter, turn 22° smaller than the practice swing."


@given(st.booleans(), st.floats(0.0, 1.0))
def test_a_moment_is_said_as_the_picture_says_it(going_back: bool, share: float) -> None:
    sentence = moment_words("the shot", "the practice swing", going_back, share)
    place = way_words(going_back, share)
    assert sentence.startswith("At the shot’s impact the practice swing ")
    found, there = re.search(r"(\d+) %", sentence), re.search(r"(\d+) %", place)
    if found is not None and there is not None:
        assert found[1] == there[1]
    assert ("back" in sentence) == going_back == ("back" in place)
    assert len(sentence.split()) <= 25


@pytest.mark.parametrize(
    ("share", "words"), [(0.0, "at the top"), (0.4, "40 % of its way down"), (1.0, "at impact")]
)
def test_the_way_down_has_its_ends(share: float, words: str) -> None:
    assert way_words(False, share) == words
