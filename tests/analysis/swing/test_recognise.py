"""Learning how the sensor sits on a player: likeness, doubt, and forgetting."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.swing.recognise import Hands, HandsParams

Floats = NDArray[np.float64]
UP = np.array([0.0, 0.0, 1.0])
BACK = np.array([1.0, 0.0, 0.0])
DOWN = np.array([-1.0, 0.0, 0.0])


def tilted(v: Floats, deg: float) -> Floats:
    """Turn a vector about y."""
    c, s = np.cos(np.radians(deg)), np.sin(np.radians(deg))
    return np.array([c * v[0] + s * v[2], v[1], -s * v[0] + c * v[2]])


def taught(number: int = 3) -> Hands:
    hands = Hands()
    for _ in range(number):
        hands.learn(UP, BACK, DOWN)
    return hands


def test_nothing_is_known_before_three_sure_swings() -> None:
    hands = taught(2)
    assert not hands.known
    assert hands.apart_deg(UP, BACK, DOWN) is None
    assert hands.count(None) == 0.0
    hands.learn(UP, BACK, DOWN)
    assert hands.known


def test_the_mean_of_the_three_angles_counts() -> None:
    hands = taught()
    assert hands.apart_deg(UP, BACK, DOWN) == pytest.approx(0.0, abs=1e-5)
    assert hands.apart_deg(tilted(UP, 10.0), BACK, tilted(DOWN, 35.0)) == pytest.approx(15.0)


def test_likeness_is_bounded_both_ways() -> None:
    p, hands = HandsParams(), taught()
    assert hands.count(0.0) == p.most
    assert hands.count(p.like_deg) == 0.0
    assert hands.count(180.0) == p.least


def test_other_hands_are_forgotten() -> None:
    hands = taught()
    hands.forget()
    assert not hands.known


def test_a_sensor_put_on_anew_unsaid_is_learned_again_after_three_alike() -> None:
    hands = taught()
    turned = (tilted(UP, 60.0), tilted(BACK, 60.0), tilted(DOWN, 60.0))
    for _ in range(2):
        hands.learn(*turned)
        assert hands.apart_deg(*turned) == pytest.approx(60.0)
    hands.learn(*turned)
    assert hands.apart_deg(*turned) == pytest.approx(0.0, abs=1e-5)


def test_odd_ones_unlike_each_other_change_nothing() -> None:
    hands = taught()
    for deg in (50.0, 100.0, 150.0, 50.0):
        hands.learn(tilted(UP, deg), tilted(BACK, deg), tilted(DOWN, deg))
    assert hands.apart_deg(UP, BACK, DOWN) == pytest.approx(0.0, abs=1e-5)


def test_two_players_in_turns_are_never_taken_for_one() -> None:
    hands = Hands()
    for _ in range(10):
        hands.learn(UP, BACK, DOWN)
        hands.learn(tilted(UP, 60.0), tilted(BACK, 60.0), tilted(DOWN, 60.0))
    assert not hands.known


def test_the_memory_is_bounded() -> None:
    hands = taught(500)
    assert hands.swings == HandsParams().memory
