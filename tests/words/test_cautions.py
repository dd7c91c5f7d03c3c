"""What is to be minded, in few short lines, and nothing of it lost."""

from __future__ import annotations

import re

from words import cautions

LONGEST_SENTENCE = 25


def test_before_a_drill_three_lines_say_it_all() -> None:
    assert len(cautions.DRILL) == 3
    said = " ".join(cautions.DRILL).casefold()
    for word in (
        "warm up",
        "stop on pain",
        "past comfort",
        "rest between",
        "clear space",
        "start low",
        "children",
        "headphones",
        "clinician",
        "rules of the place come first",
        "rules of golf 4.3",
    ):
        assert word in said, word
    assert re.search(r"in a round a sound that helps tempo isn't allowed", said)


def test_sentences_are_short() -> None:
    for text in (*cautions.DRILL, *cautions.RECORDING):
        for sentence in re.split(r"(?<=[.;]) ", text):
            assert len(sentence.split()) <= LONGEST_SENTENCE, sentence


def test_a_recording_without_sound_is_told_nothing_of_sound() -> None:
    assert "ound:" not in " ".join(cautions.RECORDING)
    assert len(cautions.RECORDING) == 3
