"""What people do between swings."""

from __future__ import annotations

import numpy as np
import pytest

from sensor.rotation import (
    mirror_quat,
    quat_conjugate,
    quat_log,
    quat_multiply,
    segment_rates_rad_s,
    specific_force_m_s2,
)
from simulation.motion.action import MOUNTS, Mount
from simulation.motion.activities import activity_kinds, random_activity
from simulation.motion.score import Score, minimum_jerk, minimum_jerk_rate

GRID_HZ = 3200.0
ALL = [(mount, kind) for mount in MOUNTS for kind in activity_kinds(mount)]


@pytest.mark.parametrize(("mount", "kind"), ALL)
def test_every_activity_is_smooth_and_from_rest_to_rest(mount: Mount, kind: str) -> None:
    action = random_activity(np.random.default_rng(7), mount=mount, grid_hz=GRID_HZ, kind=kind)
    assert action.name == kind
    assert action.swings == ()
    assert action.breaks == ()
    assert 1.5 < action.duration_s < 60.0
    assert np.linalg.norm(action.quat_wxyz, axis=1) == pytest.approx(1.0)
    omega = np.degrees(segment_rates_rad_s(action.quat_wxyz, rate_hz=GRID_HZ))
    force = specific_force_m_s2(action.quat_wxyz, action.pos_m, rate_hz=GRID_HZ)
    for end in (0, -1):
        assert np.abs(omega[end]).max() < 1e-3
        assert np.linalg.norm(force[end]) == pytest.approx(9.80665, abs=0.01)
    assert np.linalg.norm(omega, axis=1).max() < 3500.0
    # No jumps: from one grid point to the next neither rate nor force changes much.
    assert np.linalg.norm(np.diff(omega, axis=0), axis=1).max() < 120.0
    # (A blow stops the arm within 6 ms: some 20 grid points.)
    most = 250.0 if action.shocks else 60.0
    assert np.linalg.norm(np.diff(force, axis=0), axis=1).max() < most
    for shock in action.shocks:
        assert 0 < shock.index < len(action.quat_wxyz) - 1
        assert shock.ring_hz < GRID_HZ / 2


def test_hands_that_hold_a_club_do_nothing_else() -> None:
    for kind in ("clap", "hammer", "racket_forehand", "throw_underhand"):
        assert kind in activity_kinds("wrist")
        assert kind not in activity_kinds("club")
    with pytest.raises(ValueError, match="no activity 'clap' for a sensor on the club"):
        random_activity(np.random.default_rng(0), mount="club", grid_hz=GRID_HZ, kind="clap")


def test_seeds_reproduce_bit_for_bit_and_differ() -> None:
    def draw(seed: int) -> np.ndarray:
        action = random_activity(np.random.default_rng(seed), mount="wrist", grid_hz=GRID_HZ)
        return np.concatenate((action.quat_wxyz, action.pos_m), axis=1)

    assert np.array_equal(draw(5), draw(5))
    assert draw(5).shape != draw(6).shape or not np.allclose(draw(5), draw(6))


def test_any_kind_comes_up() -> None:
    rng = np.random.default_rng(1)
    kinds = {random_activity(rng, mount="club", grid_hz=1600.0).name for _ in range(120)}
    assert kinds == set(activity_kinds("club"))


def test_a_left_handed_player_is_the_mirror_image() -> None:
    right, left = (
        random_activity(
            np.random.default_rng(3),
            mount="glove",
            grid_hz=GRID_HZ,
            kind="racket_forehand",
            handedness=hand,
        )
        for hand in ("right", "left")
    )
    assert np.array_equal(left.quat_wxyz, mirror_quat(right.quat_wxyz))
    assert np.array_equal(left.pos_m, right.pos_m * [-1.0, 1.0, 1.0])


@pytest.mark.parametrize("mount", ["wrist", "glove", "club"])
def test_waggles_stay_below_a_short_stroke(mount: Mount) -> None:
    for seed in range(12):
        action = random_activity(
            np.random.default_rng(seed), mount=mount, grid_hz=1600.0, kind="waggle"
        )
        away = action.quat_wxyz[len(action.quat_wxyz) // 2 :: 1]
        if np.linalg.norm(action.pos_m[0] - action.pos_m[-1]) > 0.03:
            continue  # steps away from the ball at the end
        turned = quat_log(quat_multiply(quat_conjugate(action.quat_wxyz[0]), action.quat_wxyz))
        spread = turned.max(axis=0) - turned.min(axis=0)
        assert np.degrees(np.linalg.norm(spread)) < 40.0
        assert len(away) > 0


def test_free_fall_in_a_jump() -> None:
    action = random_activity(np.random.default_rng(2), mount="trunk", grid_hz=GRID_HZ, kind="jump")
    force = specific_force_m_s2(action.quat_wxyz, action.pos_m, rate_hz=GRID_HZ)
    assert np.linalg.norm(force, axis=1).min() < 1.0


def test_blows_stop_the_arm_and_are_felt() -> None:
    action = random_activity(
        np.random.default_rng(4), mount="wrist", grid_hz=GRID_HZ, kind="hammer"
    )
    assert len(action.shocks) >= 3
    rate = np.linalg.norm(
        np.degrees(segment_rates_rad_s(action.quat_wxyz, rate_hz=GRID_HZ)), axis=1
    )
    for shock in action.shocks:
        before = rate[shock.index - 40 : shock.index].max()
        after = rate[shock.index + round(0.022 * GRID_HZ)]
        assert after < 0.6 * before


def test_minimum_jerk_has_its_rate_as_derivative() -> None:
    u = np.linspace(-0.2, 1.2, 2801)
    slope = np.gradient(minimum_jerk(u), u)
    assert slope == pytest.approx(minimum_jerk_rate(u), abs=1e-4)
    assert minimum_jerk(np.array([0.0, 0.5, 1.0])).tolist() == [0.0, 0.5, 1.0]


def test_movements_of_a_score_add_up() -> None:
    score = Score(rng=np.random.default_rng(0))
    score.start(flex=10.0)
    score.then(1.0, flex=50.0)
    score.move(0.5, 1.0, flex=-20.0)
    assert score.at("flex") == 30.0
    assert score.now == 1.0
    hit = score.blow(0.3, at=0.6, flex=0.0)
    assert hit == pytest.approx(1.3)
    assert score.now == pytest.approx(1.5)
    assert score.at("flex") == 0.0
