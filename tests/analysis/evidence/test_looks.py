"""Looks are a function of the data: seasons of players who don't change, and of those who do."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from analysis.evidence.looks import CHANGE_LEVEL, last_look, lost, running
from analysis.evidence.outcome import Outcome, decide
from analysis.evidence.parts import Part
from benchmarks import evidence_hard
from benchmarks.evidence_hard import _season, _told


def test_looks_are_at_two_and_at_each_doubling() -> None:
    assert [last_look(n) for n in range(9)] == [None, None, 2, 2, 4, 4, 4, 4, 8]
    assert last_look(40) == 32


def test_two_running() -> None:
    assert running([False, True, True])
    assert not running([True, False, True])
    assert not running([True])


def test_lost_is_less_by_more_than_what_surely_doesnt_matter() -> None:
    part = (Part("swing to swing", 1.0),)
    assert lost(decide(-6.0, part, 3.0))
    assert not lost(decide(6.0, part, 3.0))
    assert not lost(decide(-1.0, part, 3.0))
    # Surely less, and surely not by what matters.
    assert not lost(decide(-2.5, part, 8.0))


def test_a_season_without_a_change_seldom_has_a_wrong_word() -> None:
    """At 5 % a look, after each session, every third stable player got one."""
    rng = np.random.default_rng(31)
    looks = (2, 4, 8, 16)
    wrong = 0
    for _ in range(40):
        data = _season(rng, 16, 0.0, 0.0)
        wrong += any(Outcome.DIFFERENT in _told(data, look).values() for look in looks)
    # 10 % at most, and two standard errors.
    assert wrong / 40 <= 0.20
    assert pytest.approx(0.975) == CHANGE_LEVEL


def test_a_change_of_three_spreads_is_told_by_the_fourth_session() -> None:
    rng = np.random.default_rng(32)
    told = 0
    for _ in range(25):
        data = _season(rng, 4, 0.0, 3.0)
        words = [_told(data, look) for look in (2, 4)]
        told += sum(any(w[m] is Outcome.DIFFERENT for w in words) for m in words[0])
    # Two thirds, less two standard errors of 75.
    assert told / 75 >= 2.0 / 3.0 - 0.11


def test_the_hard_table_marks_what_misses_its_target() -> None:
    cell = {"held": 0.95, "half": 40.0, "oracle": 42.0, "ratio": 0.95}
    plan = {"within_4": 0.5, "within_12": 0.05, "stopped": 0.0}
    result: dict[str, Any] = {
        "unchanged": {"two recordings, 10 + 10": 0.07},
        "words": {"any_wrong": 0.01},
        "seasons": {
            "alike 0": {"look": 0.02, "season": 0.12},
            "alike 0.6": {"look": 0.2, "season": 0.4},
            "told by the fourth session": {"turn_deg": 0.5},
        },
        "plans": {
            **dict.fromkeys(("0.93", "0.96", "1", "1.04"), plan),
            "stepped_back": 0.0,
        },
        "coverage": {"a": cell, "b": {**cell, "held": 0.85}},
    }
    text = evidence_hard.tables(result)
    missed = [line for line in text.splitlines() if "**" in line]
    assert [line.split("|")[1].strip() for line in missed] == [
        "nothing different: two recordings, 10 + 10",
        "unchanged, sessions alike 0: any wrong word at a look, in 20 sessions",
        "a change of 3 spreads between days told by session 4: turn_deg",
        "plan: at 1.04 of what is asked, moved on within 4 and 12 sessions",
        "b",
        "mean over cells; median",
    ]
