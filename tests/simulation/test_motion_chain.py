"""The chain: its smoothness, its order of joints, what a blow does, plausible sizes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import betainc

from sensor.rotation import world_rates_rad_s
from simulation.motion.action import MOUNTS, Abort, Action, Mount
from simulation.motion.chain import JOINTS, ChainStroke, ChainSwing, Joint, chain_swing
from simulation.motion.profiles import jerk_limited, jerk_limited_move, rise, smooth
from simulation.motion.truth import NoSwingError


def _lossy() -> ChainStroke:
    stroke = ChainStroke()
    loss = {"trunk": 0.004, "bend": 0.004, "arm": 0.02, "roll": 0.05, "wrist": 0.5}
    joints = {n: replace(j, loss=loss.get(n, 0.0)) for n, j in stroke.joints.items()}
    return replace(stroke, joints=joints)


def _strike(mount: Mount) -> Action:
    return chain_swing(ChainSwing(mount=mount, strokes=(_lossy(),), strike=True, rate_loss=True))


@pytest.mark.parametrize(("p", "q"), [(2, 2), (3, 3), (2, 4), (4, 2), (4, 4)])
def test_rise_is_the_beta_distribution(p: int, q: int) -> None:
    t = np.linspace(-0.5, 2.0, 2501)
    expected = betainc(p + 1, q + 1, np.clip((t - 0.1) / 1.3, 0.0, 1.0))
    np.testing.assert_allclose(rise(t, 0.1, 1.3, p=p, q=q), expected, atol=1e-13)


@pytest.mark.parametrize("soft_end", [True, False])
def test_jerk_limited_goes_from_rest_to_rest(soft_end: bool) -> None:
    move = jerk_limited(
        duration_s=0.9, distance=2.2, push_share=0.5, brake_from_share=0.45, soft_end=soft_end
    )
    assert float(move(0.9)) == pytest.approx(2.2)
    for order in (1, 2):
        assert float(move.derivative(order)(0.0)) == pytest.approx(0.0, abs=1e-12)
    assert float(move.derivative(1)(0.9)) == pytest.approx(0.0, abs=1e-12)
    last = float(move.derivative(2)(0.9))
    assert last == pytest.approx(0.0, abs=1e-9) if soft_end else last < -1.0
    t = np.linspace(-1.0, 2.0, 301)
    path = jerk_limited_move(t, 0.0, move)
    assert path[0] == 0.0
    assert path[-1] == pytest.approx(2.2)
    assert np.all(np.diff(path) > -1e-12)


def test_smoothing_keeps_a_line_and_does_not_depend_on_the_grid() -> None:
    t = np.linspace(0.0, 1.0, 1001)
    line = smooth(3.0 * t, half_width=50.4)
    np.testing.assert_allclose(line[100:-100], 3.0 * t[100:-100], atol=1e-12)
    coarse = smooth(np.sin(9.0 * t), half_width=50.4)
    fine = smooth(np.sin(9.0 * np.linspace(0.0, 1.0, 4001)), half_width=201.6)
    np.testing.assert_allclose(coarse[100:-100], fine[::4][100:-100], atol=1e-7)
    assert smooth(t, half_width=0.5) is t


def test_starts_and_ends_at_rest() -> None:
    for mount in MOUNTS:
        action = _strike(mount)
        w = world_rates_rad_s(action.quat_wxyz, rate_hz=action.rate_hz, breaks=action.breaks)
        assert np.abs(w[:50]).max() < 1e-8
        assert np.abs(w[-50:]).max() < 1e-8
        np.testing.assert_allclose(action.pos_m[-1], action.pos_m[0], atol=0.15)


def test_trunk_leaves_the_top_first_and_the_club_last() -> None:
    tops = [_strike(m).swings[0].top_s for m in ("trunk", "wrist", "club")]
    assert tops[0] < tops[1] < tops[2]


def test_a_blow_takes_less_and_less_up_the_chain() -> None:
    lost = []
    for mount in ("trunk", "wrist", "glove", "club"):
        action = _strike(mount)
        before, after = (
            np.linalg.norm(
                world_rates_rad_s(
                    action.quat_wxyz, rate_hz=action.rate_hz, breaks=action.breaks, at_break=side
                )[action.breaks[0]]
            )
            for side in ("before", "after")
        )
        lost.append(before - after)
    assert np.all(np.diff(lost) > 0.0)
    assert 0.0 < np.rad2deg(lost[0]) < 5.0
    assert 200.0 < np.rad2deg(lost[-1]) < 900.0


def test_no_break_without_a_blow() -> None:
    action = chain_swing(ChainSwing(mount="club", strokes=(_lossy(),)))
    assert action.breaks == ()
    assert action.swings[0].impact_basis == "least_turn"


@pytest.mark.parametrize("mount", MOUNTS)
def test_default_swing_is_of_plausible_size(mount: Mount) -> None:
    """Loose bands. Rates: Zheng et al. 2008, doi 10.1055/s-2007-989229 (abstract; whether its
    wrist is a joint or a segment was not verified) and from memory; times: Grober & Cholewicki,
    arXiv physics/0611291 (opening), with room for recreational players.
    """
    (truth,) = _strike(mount).swings
    rate = {"trunk": (400, 700), "wrist": (700, 1300), "glove": (1100, 2500), "club": (1300, 2700)}
    turn = {"trunk": (60, 100), "wrist": (90, 165), "glove": (130, 260), "club": (150, 260)}
    assert rate[mount][0] < truth.peak_rate_dps < rate[mount][1]
    assert turn[mount][0] < truth.turn_deg < turn[mount][1]
    assert 0.7 < truth.top_s - truth.takeaway_s < 1.1
    assert 0.22 < truth.impact_s - truth.top_s < 0.35


def test_a_pause_stands_still_for_its_length() -> None:
    stroke = replace(ChainStroke(), hold_s=0.15)
    (truth,) = chain_swing(ChainSwing(mount="wrist", strokes=(stroke,))).swings
    assert truth.hold_end_s - truth.hold_start_s > 0.15
    assert truth.hold_start_s < truth.top_s < truth.hold_end_s


def test_continuous_has_one_truth_for_each_stroke_in_order() -> None:
    strokes = (ChainStroke(pause_s=0.1),) * 4
    action = chain_swing(ChainSwing(mount="wrist", strokes=strokes, kind="continuous"))
    assert len(action.swings) == 4
    for truth in action.swings:
        assert truth.takeaway_s < truth.top_s < truth.pass_s
    for a, b in zip(action.swings[:-1], action.swings[1:], strict=True):
        assert a.pass_s < b.takeaway_s
    # from the finish the way back is about twice as far
    assert action.swings[1].turn_deg > 1.5 * action.swings[0].turn_deg


@pytest.mark.parametrize("share", [0.0, 0.5])
def test_aborted_comes_back_to_address(share: float) -> None:
    swing = ChainSwing(
        mount="club", strokes=(ChainStroke(),), kind="aborted", abort=Abort(down_share=share)
    )
    action = chain_swing(swing)
    np.testing.assert_allclose(action.pos_m[-1], action.pos_m[0], atol=1e-9)
    assert not action.swings[0].counts_as_swing


def test_a_joint_that_leaves_too_late_is_named() -> None:
    joints = dict(ChainStroke().joints)
    joints["wrist"] = Joint(top=80.0, through=60.0, leave_s=0.5)
    with pytest.raises(NoSwingError, match="wrist"):
        chain_swing(ChainSwing(strokes=(ChainStroke(joints=joints),)))
    assert set(joints) == set(JOINTS)
