"""How far days lie apart: stated, set, or learnt from the home's players."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from evidence_data import FREE, add_session

from analysis.evidence.prior import DAY_SPREADS, DaySpread, Prior, SeenSpread, learnt_from
from library.catalogue import Library
from library.evidence import evidence_of
from unhurried.app.day_spreads import DAY_SETTINGS, DAYS_FILE, home_prior, learn_day_spreads
from unhurried.app.ingest import open_library
from unhurried.app.settings import SETTINGS, change_settings


def seen(variance: float, sessions: int = 4) -> dict[str, SeenSpread]:
    one = SeenSpread(stated=15.0, variance=variance, sessions=sessions)
    return {"backswing_ms": one}


class TestLearning:
    def test_variances_are_pooled_by_their_degrees_of_freedom(self) -> None:
        players = [*[seen(100.0, 3)] * 4, seen(400.0, 5)]
        pooled = (4 * 2 * 100.0 + 4 * 400.0) / 12.0
        assert learnt_from(players)["backswing_ms"] == pytest.approx((pooled / 225.0) ** 0.5)

    @pytest.mark.parametrize(("variance", "factor"), [(0.0, 0.7), (1e6, 1.5)])
    def test_it_is_held(self, variance: float, factor: float) -> None:
        assert learnt_from([seen(variance)] * 9) == {"backswing_ms": factor}

    def test_few_players_or_sessions_tell_nothing(self) -> None:
        assert learnt_from([seen(100.0)] * 4) == {}
        assert learnt_from([seen(100.0, 2)] * 20) == {}


def test_the_settings_state_what_the_model_does(tmp_path: Path) -> None:
    defaults = {one.name: one.default for one in SETTINGS}
    for name, measure in DAY_SETTINGS.items():
        assert defaults[name] == DAY_SPREADS[measure].size
    assert home_prior(tmp_path) == Prior()


def test_what_is_set_counts_more_than_what_was_learnt(tmp_path: Path) -> None:
    learnt = {"backswing_ms": 0.8, "turn_deg": 1.2}
    (tmp_path / DAYS_FILE).write_text(json.dumps({"players": 6, "learnt": learnt}))
    prior = home_prior(tmp_path)
    assert prior.day_spread("backswing_ms", 700.0) == pytest.approx(12.0)
    assert (prior.source("backswing_ms"), prior.players) == ("learnt", 6)
    assert prior.source("swing_ms") == "stated"
    change_settings(tmp_path, {"day_backswing_ms": "9"})
    prior = home_prior(tmp_path)
    assert prior.days["backswing_ms"] == DaySpread(9.0)
    assert prior.day_spread("backswing_ms", 700.0) == 9.0
    assert prior.source("backswing_ms") == "set"
    assert prior.day_spread("turn_deg", 100.0) == pytest.approx(4.8)


@pytest.mark.parametrize(
    "text", ["", "{", "[]", '{"learnt": 1}', '{"players": 5, "learnt": {"x": "y"}}']
)
def test_a_broken_file_is_as_none(tmp_path: Path, text: str) -> None:
    (tmp_path / DAYS_FILE).write_text(text)
    assert home_prior(tmp_path).learnt == {}


def test_five_players_with_three_sessions_tell_it(tmp_path: Path) -> None:
    home = tmp_path / "home"
    names = ["Ida", "Otto", "Ume", "Runa", "Jon"]
    with Library(home) as library:
        for k, name in enumerate(names):
            for day in range(3):
                at = f"2026-05-0{1 + 2 * day}"
                number = 10 * k + day + 1
                add_session(library, tmp_path, number, FREE, player=name, day=at, seed=number)
            if k == 3:
                assert learn_day_spreads(library) == {}
                assert not (home / DAYS_FILE).exists()
        learnt = learn_day_spreads(library)
    assert set(learnt) >= {"backswing_ms", "turn_deg"}
    assert all(0.7 <= factor <= 1.5 for factor in learnt.values())
    with open_library(home) as library:
        assert library.prior.players == 5
        ida = evidence_of(library, "Ida")
        spread = ida.spreads["backswing_ms"]
        assert not hasattr(spread, "reason")
        stated = 15.0 * learnt["backswing_ms"]
        assert spread.day_spread == pytest.approx(stated)  # type: ignore[union-attr]
