"""How far a swing is on its way: one definition, whoever asks."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest

from analysis.evidence.way import way_at, way_down
from analysis.swing.results import Swing


def make(**values: Any) -> Swing:
    """A swing with these fields, all others absent."""
    fixed: dict[str, Any] = {item.name: None for item in dataclasses.fields(Swing)}
    fixed.update(index=1, gap_ms=0.0, clipped=(), notes=(), budget={})
    return Swing(**{**fixed, **values})


def motion() -> tuple[Any, Any, Any, Swing]:
    """Back 90 deg in 0.9 s, down at a steady 400 deg/s through the start to 30 deg beyond."""
    t = np.arange(0.0, 2.0, 0.01)
    way = np.where(t < 1.4, 100.0 * (t - 0.5), 90.0 - 400.0 * (t - 1.4))
    turn = np.abs(np.where(t < 0.5, 0.0, way))
    rate = np.where(t < 0.5, 0.0, np.where(t < 1.4, 100.0, 400.0))
    swing = make(takeaway_s=0.5, top_s=1.4, impact_s=1.7)
    return t, turn, rate, swing


def test_where_the_longer_swing_was() -> None:
    t, turn, rate, swing = motion()
    # 1000 ms after takeaway: 0.1 s of 0.3 s down, all at one rate but the first hundredth.
    down = way_down(t, turn, rate, swing, after_ms=1000.0, after_u_ms=15.0)
    assert down is not None
    assert not down.going_back
    assert down.share == pytest.approx(1.0 / 3.0, abs=0.01)
    assert down.high - down.low == pytest.approx(0.03 / 0.3, abs=0.01)
    back = way_down(t, turn, rate, swing, after_ms=450.0, after_u_ms=0.0)
    assert back is not None
    assert back.going_back
    assert back.share == pytest.approx(0.5, abs=0.01)
    end = way_down(t, turn, rate, swing, after_ms=1200.0, after_u_ms=5.0)
    assert end is not None
    assert end.share == pytest.approx(1.0)
    assert end.high <= 1.0


def test_where_it_was_is_not_guessed() -> None:
    t, turn, rate, swing = motion()
    ask: dict[str, float] = {"after_ms": 1000.0, "after_u_ms": 5.0}
    assert way_down(t, turn, rate, swing, after_ms=1250.0, after_u_ms=5.0) is None
    assert way_down(t, turn, rate, swing, after_ms=-5.0, after_u_ms=5.0) is None
    assert way_down(t[:0], turn[:0], rate[:0], swing, after_ms=100.0, after_u_ms=5.0) is None
    assert way_down(t, turn, rate, dataclasses.replace(swing, top_s=None), **ask) is None
    holed = np.where((t > 1.45) & (t < 1.48), np.nan, rate)
    assert way_down(t, turn, holed, swing, **ask) is None
    # A hole elsewhere does no harm.
    holed = np.where(t < 0.3, np.nan, rate)
    assert way_down(t, turn, holed, swing, **ask) is not None


def test_an_instant_and_a_time_since_takeaway_are_the_same_place() -> None:
    t, turn, rate, swing = motion()
    at = np.array([0.5, 0.8, 1.399, 1.4, 1.45, 1.6, 1.7])
    for at_s, way in zip(at, way_at(t, turn, rate, swing, at), strict=True):
        told = way_down(t, turn, rate, swing, after_ms=1e3 * (at_s - 0.5), after_u_ms=0.0)
        assert told is not None
        assert told.going_back == (way < 1.0)
        assert told.share == pytest.approx(way - (not told.going_back))
    assert np.isnan(way_at(t, turn, rate, swing, [0.499, 1.701])).all()


def test_the_way_down_counts_what_lies_beyond_the_least_turn() -> None:
    """A ball is met beyond the least turn: there the turn rises again, and the way goes on."""
    t, turn, rate, swing = motion()
    at = np.linspace(0.5, 1.7, 241)
    ways = way_at(t, turn, rate, swing, at)
    assert np.all(np.diff(ways) > 0.0)
    assert (ways[0], ways[-1]) == (pytest.approx(0.0, abs=1e-9), pytest.approx(2.0))
    assert float(np.interp(1.4, at, ways)) == pytest.approx(1.0, abs=0.01)
    # By the turn alone it would be over already where the turn is least, three quarters down.
    down = at[at >= 1.4]
    least = float(down[np.argmin(np.interp(down, t, turn))])
    assert way_at(t, turn, rate, swing, least) == pytest.approx(1.75, abs=0.03)


def test_from_a_hole_on_the_way_is_not_known() -> None:
    t, turn, rate, swing = motion()
    holed = np.where((t > 1.45) & (t < 1.48), np.nan, rate)
    ways = way_at(t, turn, holed, swing, [0.8, 1.3, 1.42, 1.6])
    # Without the whole of the way down there is no share of it, nor where the hole isn't yet.
    assert np.isfinite(ways).tolist() == [True, True, False, False]
    holed = np.where((t > 0.75) & (t < 0.85), np.nan, turn)
    ways = way_at(t, holed, rate, swing, [0.6, 0.8, 1.3, 1.6])
    assert np.isfinite(ways).tolist() == [True, False, True, True]
