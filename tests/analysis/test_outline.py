"""What makes an outline a swing: one figure at the edge is allowed, several at once are not."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import pytest

from analysis.outline import LIMITS, Outline, OutlineParams, is_swing

# An ordinary full swing, the sensor at the wrist.
PLAIN = Outline(
    start=100,
    top=140,
    peak=150,
    least=154,
    backswing_s=0.8,
    downswing_s=0.28,
    turn_deg=120.0,
    least_turn_deg=12.0,
    through_deg=130.0,
    backswing_peak_dps=280.0,
    peak_dps=850.0,
    before_dps=2.0,
    hang=0.8,
    pull_m_s2=90.0,
    upright=0.85,
    upright_before=0.85,
)
# Within the limits of every figure, but at the edge of one.
EDGES = {
    "still open": {"least_turn_deg": 36.0},
    "held out": {"hang": 0.60},
    "stops short": {"through_deg": 80.0},
    "too level": {"upright": 0.96},
    "slow back": {"backswing_s": 1.3},
}


def judge(outline: Outline, mount: str | None = "wrist", *, rally: bool = False) -> str:
    return is_swing(outline, mount, OutlineParams(), rally=rally)


def edged(*names: str) -> Outline:
    return replace(PLAIN, **{k: v for name in names for k, v in EDGES[name].items()})


def test_an_ordinary_swing_is_one() -> None:
    assert judge(PLAIN) == "yes"
    assert judge(PLAIN, None) == "yes"


@pytest.mark.parametrize("number", [1, 2])
def test_one_or_two_figures_may_be_unusual(number: int) -> None:
    for names in combinations(EDGES, number):
        assert judge(edged(*names)) == "yes", names


def test_three_unusual_figures_are_a_throw_or_a_rackets_stroke() -> None:
    for names in combinations(EDGES, 3):
        assert judge(edged(*names)) == "no", names


def test_where_the_mount_is_not_told_nothing_is_unusual() -> None:
    assert judge(edged("held out", "too level", "slow back"), None) == "yes"


def test_a_small_stroke_is_counted_however_it_looks() -> None:
    small = replace(edged("held out", "slow back"), turn_deg=25.0, through_deg=17.0)
    slow = replace(small, least_turn_deg=7.0, peak_dps=170.0, backswing_peak_dps=60.0)
    assert judge(slow) == "short"
    assert judge(replace(slow, turn_deg=70.0, least_turn_deg=20.0, through_deg=50.0)) == "no"


@pytest.mark.parametrize("mount", list(LIMITS))
def test_the_usual_lies_within_the_limits(mount: str) -> None:
    limits = LIMITS[mount]
    assert limits.usual is not None
    assert limits.usual.most_turn_left < limits.least_turn_left
    assert limits.usual.least_hang > limits.least_hang
    assert limits.upright[0] < limits.usual.upright[0]
    assert limits.usual.upright[1] < limits.upright[1]
    assert limits.usual.tempo[1] < limits.most_tempo


def test_a_shock_that_turns_the_axis_about_hides_no_swing() -> None:
    club = replace(PLAIN, turn_deg=225.0, least_turn_deg=66.0, through_deg=150.0, peak_dps=1800.0)
    shaken = replace(club, upright=0.913, upright_before=0.856)
    assert judge(shaken, "club") == "yes"
    assert judge(replace(shaken, upright_before=0.913), "club") == "no"


def test_a_club_put_back_behind_the_ball_is_no_rally() -> None:
    # Held out (hang) and slow on the way: what is fast is the next backswing.
    back = replace(
        PLAIN,
        backswing_s=2.6,
        downswing_s=1.6,
        turn_deg=142.0,
        least_turn_deg=79.0,
        through_deg=120.0,
        backswing_peak_dps=119.0,
        peak_dps=527.0,
        hang=-0.21,
    )
    assert judge(back, "club", rally=True) == "no"
    straight = replace(back, backswing_s=1.1, downswing_s=0.6)
    assert judge(straight, "club", rally=True) == "yes"
