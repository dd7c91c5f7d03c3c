"""From markers to motion to truth: each step against theory or a general library, and the whole."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from lab_data import NAMES, REST_S, chain_action, markers_m, poses_at
from scipy.spatial.transform import Rotation, RotationSpline

from sensor.rotation import quat_about, quat_rotate
from simulation.capture.motion import (
    MEASURES,
    CaptureParams,
    Poses,
    capture_swings,
    smooth_motion,
)
from simulation.capture.rigid import ClusterError, cluster_poses
from simulation.capture.sensing import (
    BETWEEN_S,
    UPS,
    VirtualSensor,
    joined,
    trimmed,
    upright,
    virtual_recording,
)
from simulation.capture.smoothing import Smoother
from simulation.chip import Chip, ChipParams, draw_unit
from words.units import G_N_M_S2

# -- smoothing -------------------------------------------------------------------------------------


@pytest.mark.parametrize(("hz", "gain"), [(5.0, 64 / 65), (10.0, 0.5), (20.0, 1 / 65)])
def test_the_cutoff_is_where_half_an_amplitude_is_left(hz: float, gain: float) -> None:
    # a filter without delay of gain 1 / (1 + (f / fc)^6) (Woltring 1986, section 3.1)
    time_s = np.arange(1200) / 200.0
    smoother = Smoother(1200, np.ones(1200, bool), rate_hz=200.0, cutoff_hz=10.0)
    spline, _ = smoother.fit(np.sin(2.0 * np.pi * hz * time_s)[:, None])
    middle = np.linspace(2.0, 4.0, 4001)
    wave = spline.at(middle)[:, 0]
    assert wave.max() == pytest.approx(gain, rel=0.002)
    slope = spline.at(middle, 1)[:, 0]
    assert slope.max() == pytest.approx(gain * 2.0 * np.pi * hz, rel=0.002)


def test_parabolas_are_kept_and_a_jump_of_velocity_is_not_smeared() -> None:
    time_s = np.arange(600) / 200.0
    seen = np.ones(600, bool)
    seen[200:230] = False
    hit_s = 1.7013
    course = np.stack((time_s**2 - time_s, 4.0 * np.maximum(time_s - hit_s, 0.0)), axis=1)
    smoother = Smoother(600, seen, rate_hz=200.0, cutoff_hz=12.0, breaks_s=(hit_s,))
    spline, residual = smoother.fit(course[seen])
    # values of some metres: a micrometre, far below any camera's, is what rounding may leave
    assert np.abs(residual).max() < 1e-6
    fine = np.linspace(0.0, 2.9, 2901)
    np.testing.assert_allclose(spline.at(fine)[:, 0], fine**2 - fine, atol=1e-6)
    # one count of an accelerometer of 16 g is 0.005 m/s2
    np.testing.assert_allclose(spline.at(fine, 2)[:, 0], 2.0, atol=0.005)
    np.testing.assert_allclose(spline.at(fine, 1)[:, 1], 4.0 * (fine >= hit_s), atol=1e-5)


@pytest.mark.parametrize("cutoff_hz", [15.0, 60.0])
def test_degrees_of_freedom_are_the_trace_of_the_fit(cutoff_hz: float) -> None:
    smoother = Smoother(250, np.ones(250, bool), rate_hz=200.0, cutoff_hz=cutoff_hz)
    _, residual = smoother.fit(np.eye(250))
    assert smoother.share == pytest.approx(np.trace(np.eye(250) - residual) / 250.0, rel=0.03)


def test_the_angular_velocity_is_that_of_scipy() -> None:
    quat, pos = poses_at(chain_action("wrist", strike=False), 240.0)
    motion, _ = smooth_motion(
        Poses(quat_wxyz=quat, pos_m=pos, rate_hz=240.0), attitude_hz=96.0, place_hz=96.0
    )
    time_s = np.arange(len(quat)) / 240.0
    spline = RotationSpline(time_s, Rotation.from_quat(quat[:, [1, 2, 3, 0]]))
    inside = np.linspace(2.0, 3.4, 500)
    theirs = spline(inside, 1)  # in the body's frame
    np.testing.assert_allclose(motion.rates_rad_s(inside), theirs, atol=np.radians(0.5))
    still = motion.force_m_s2(np.array([0.5]))[0]
    up = quat_rotate(quat[100] * np.array([1.0, -1.0, -1.0, -1.0]), np.array([0, 0, G_N_M_S2]))
    np.testing.assert_allclose(still, up, atol=1e-3)


# -- clusters --------------------------------------------------------------------------------------


def test_attitudes_are_those_of_scipys_align_vectors() -> None:
    points = markers_m(chain_action("club"), 120.0, noise_m=0.001, seed=3)
    cluster = cluster_poses(points, NAMES)
    for frame in (50, 300, 350, 400):
        seen = points[frame] - points[frame].mean(axis=0)
        theirs, _ = Rotation.align_vectors(seen, cluster.shape_m)
        ours = Rotation.from_quat(cluster.quat_wxyz[frame, [1, 2, 3, 0]])
        assert (theirs.inv() * ours).magnitude() < 1e-6
    assert cluster.noise_m == pytest.approx(0.001, rel=0.05)
    true, _ = poses_at(chain_action("club"), 120.0)
    # against the truth: the attitude error that noise and shape foretell
    first = Rotation.from_quat(true[:, [1, 2, 3, 0]])
    mine = Rotation.from_quat(cluster.quat_wxyz[:, [1, 2, 3, 0]])
    error = (mine * first.inv()).as_rotvec()
    # the cluster's own frame is turned against the segment's by the same everywhere
    own = first.inv() * mine
    off = (own.mean().inv() * own).as_rotvec()
    assert error.shape == off.shape
    assert np.sqrt(np.mean(np.sum(off**2, axis=1))) == pytest.approx(
        cluster.turn_noise_rad, rel=0.1
    )


def test_one_marker_may_be_hidden_and_then_too_many_are() -> None:
    points = markers_m(chain_action("club"), 240.0)
    whole = cluster_poses(points, NAMES)
    hidden = points.copy()
    hidden[300:400, 1] = np.nan
    hidden[350:370, 2] = np.nan
    part = cluster_poses(hidden, NAMES)
    assert np.isnan(part.quat_wxyz[350:370]).all()
    seen = np.isfinite(part.quat_wxyz[:, 0])
    assert seen.sum() == len(points) - 20
    turned = Rotation.from_quat(part.quat_wxyz[seen][:, [1, 2, 3, 0]])
    other = Rotation.from_quat(whole.quat_wxyz[seen][:, [1, 2, 3, 0]])
    between = (turned.inv() * other).as_rotvec()
    assert np.abs(between - between[0]).max() < 1e-6


def test_what_is_no_rigid_cluster_is_refused() -> None:
    points = markers_m(chain_action("club"), 120.0)
    with pytest.raises(ClusterError, match="three or more"):
        cluster_poses(points[:, :2], NAMES[:2])
    line = markers_m(
        chain_action("club"), 120.0, shape=np.array([[0.0, 0, 0], [0.1, 0, 0], [0.2, 0.002, 0]])
    )
    with pytest.raises(ClusterError, match="on a line"):
        cluster_poses(line, NAMES[:3])
    loose = points.copy()
    loose[:, 2, 2] += 0.05 * np.sin(np.arange(len(points)) / 20.0)
    with pytest.raises(ClusterError, match="GRIP3 moves"):
        cluster_poses(loose, NAMES)
    with pytest.raises(ClusterError, match="unit"):
        cluster_poses(1000.0 * points, NAMES)
    never = points.copy()
    never[::2, 0] = np.nan
    never[1::2, 1] = np.nan
    with pytest.raises(ClusterError, match="never all seen"):
        cluster_poses(never, NAMES)


# -- there and back --------------------------------------------------------------------------------


def poses_of(points_m: np.ndarray, frames_hz: float) -> Poses:  # type: ignore[type-arg]
    """Poses of the first marker's place."""
    cluster = cluster_poses(points_m, NAMES)
    return Poses(
        quat_wxyz=cluster.quat_wxyz,
        pos_m=cluster.place_m(cluster.shape_m[0]),
        rate_hz=frames_hz,
        turn_noise_rad=cluster.turn_noise_rad,
    )


@pytest.mark.parametrize(
    ("mount", "strike", "frames_hz"),
    [
        ("club", True, 240.0),
        ("wrist", True, 120.0),
        ("trunk", False, 240.0),
        ("club", False, 500.0),
    ],
)
def test_markers_give_the_truth_of_the_motion(mount: str, strike: bool, frames_hz: float) -> None:
    action = chain_action(mount, strike=strike)  # type: ignore[arg-type]
    (true,) = action.swings
    assert true.impact_s is not None
    _, (found,), left_out = capture_swings(
        poses_of(markers_m(action, frames_hz), frames_hz),
        impacts_s=[true.impact_s + REST_S] if strike else [],
        no_ball=not strike,
        params=CaptureParams(draws=4),
    )
    assert left_out == []
    for name in ("takeaway_s", "top_s", "impact_s", "finish_s"):
        assert found.truth[name] == pytest.approx(getattr(true, name) + REST_S, abs=0.0005)
    assert found.truth["turn_deg"] == pytest.approx(true.turn_deg, abs=0.01)
    assert found.truth["peak_rate_dps"] == pytest.approx(true.peak_rate_dps, rel=1e-3)
    assert found.truth["strike"] is strike
    assert found.truth["model"] == "capture"


@pytest.mark.slow
def test_noise_stays_within_what_is_stated() -> None:
    inside, ratio, total = 0, [], 0
    for mount, frames_hz, noise_m, strike in (
        ("club", 120.0, 0.0002, True),
        ("club", 240.0, 0.0005, False),
        ("wrist", 500.0, 0.001, True),
        ("wrist", 240.0, 0.001, False),
        ("trunk", 240.0, 0.0005, True),
        ("club", 240.0, 0.001, True),
    ):
        action = chain_action(mount, strike=strike)  # type: ignore[arg-type]
        (true,) = action.swings
        assert true.impact_s is not None
        _, (found,), _ = capture_swings(
            poses_of(markers_m(action, frames_hz, noise_m=noise_m, seed=total), frames_hz),
            impacts_s=[true.impact_s + REST_S] if strike else [],
            no_ball=not strike,
        )
        for name in MEASURES:
            u = found.u[name]
            assert u is not None
            assert u > 0.0
            offset = REST_S if name.endswith("_s") else 0.0
            error = found.truth[name] - getattr(true, name) - offset
            inside += abs(error) <= 1.96 * u
            ratio.append(abs(error) / u)
            total += 1
    assert inside >= 0.85 * total  # 36 values: 95 % gives 31 or more nearly always
    assert max(ratio) < 4.5
    # nor is it so wide that anything fits
    assert float(np.median(ratio)) > 0.2


def test_without_a_label_the_impact_is_not_told() -> None:
    action = chain_action("club")
    poses = poses_of(markers_m(action, 240.0), 240.0)
    _, (found,), _ = capture_swings(poses, params=CaptureParams(draws=4))
    assert found.truth["impact_s"] is None
    assert found.truth["peak_rate_dps"] is None
    assert found.u["impact_s"] is None
    assert found.truth["top_s"] == pytest.approx(action.swings[0].top_s + REST_S, abs=0.0005)
    assert any("--no-ball" in note for note in found.notes)
    # an impact where nobody swings
    _, _, left_out = capture_swings(poses, impacts_s=[0.5], params=CaptureParams(draws=4))
    assert any("0.500" in text for text in left_out)


def test_holes_stay_holes_and_take_their_events_with_them() -> None:
    action = chain_action("club")
    (true,) = action.swings
    points = markers_m(action, 240.0, noise_m=0.0002)
    top = round((true.top_s + REST_S) * 240.0)
    points[top - 20 : top + 20] = np.nan
    points[100] = np.nan
    assert true.impact_s is not None
    made = virtual_recording(
        poses_of(points, 240.0),
        VirtualSensor(params=ChipParams(nominal_rate_hz=400.0)),
        impacts_s=[true.impact_s + REST_S],
        capture=CaptureParams(draws=4),
    )
    (swing,) = made.swings
    assert swing.truth["top_s"] is None
    assert swing.truth["turn_deg"] is None
    assert swing.truth["takeaway_s"] is not None
    steps = np.diff(made.samples["seq"])
    assert (steps > 1).sum() == 1  # a single missing frame is bridged
    assert steps.max() == pytest.approx(41 / 240.0 * 400.0, abs=2.0)
    assert any("markers are missing" in text for text in made.warnings)


def test_the_samples_are_those_of_a_chip_on_the_segment() -> None:
    action = chain_action("wrist", strike=False)
    points = markers_m(action, 240.0)
    params = ChipParams(nominal_rate_hz=200.0, gyr_range_dps=4000.0, acc_range_g=64.0)
    made = virtual_recording(
        poses_of(points, 240.0), VirtualSensor(params=params), capture=CaptureParams(draws=4)
    )
    # the direct way: the simulated motion itself, sensed by the same chip
    quat, pos = poses_at(action, 3200.0)
    from sensor.rotation import segment_rates_rad_s, specific_force_m_s2

    omega = segment_rates_rad_s(quat, rate_hz=3200.0)
    force = specific_force_m_s2(quat, pos, rate_hz=3200.0)
    # the cluster has a frame of its own, a fixed turn away from the segment's
    cluster = cluster_poses(points, NAMES)
    true = poses_at(action, 240.0)[0]
    turn = (
        Rotation.from_quat(cluster.quat_wxyz[200, [1, 2, 3, 0]]).inv()
        * Rotation.from_quat(true[200, [1, 2, 3, 0]])
    ).as_matrix()
    chip = Chip(
        params,
        grid_hz=3200.0,
        unit=draw_unit(params, np.random.default_rng(0)),
        rng=np.random.default_rng([0, 0]).spawn(2)[0],
    )
    counts = chip.feed(omega @ turn.T, force @ turn.T)
    n = min(len(counts), len(made.samples)) - 2
    assert n > 900
    gyr = np.stack([made.samples[axis] for axis in ("gx", "gy", "gz")], 1)[:n]
    acc = np.stack([made.samples[axis] for axis in ("ax", "ay", "az")], 1)[:n]
    assert np.abs(gyr - counts[:n, 3:] * params.gyr_dps_per_count).max() < 1.5
    assert np.abs(acc - counts[:n, :3] * params.acc_m_s2_per_count).max() < 0.5


@pytest.mark.parametrize("up", UPS)
def test_gravity_is_where_up_says(up: str) -> None:
    axis, sign = "xyz".index(up[-1]), -1.0 if up.startswith("-") else 1.0
    quat = np.tile(quat_about([1.0, 2.0, 3.0], 0.7), (300, 1))
    poses = Poses(quat_wxyz=quat, pos_m=np.zeros((300, 3)), rate_hz=200.0)
    motion, _ = smooth_motion(upright(poses, up), attitude_hz=10.0, place_hz=10.0)
    felt = quat_rotate(quat[:1], motion.force_m_s2(np.array([0.7])))[0]
    expected = np.zeros(3)
    expected[axis] = sign * G_N_M_S2
    np.testing.assert_allclose(felt, expected, atol=1e-6)


def test_captures_are_joined_with_a_hole_between_them() -> None:
    action = chain_action("club", strike=False)
    poses, first_s = trimmed(poses_of(markers_m(action, 120.0), 120.0))
    assert first_s == 0.0
    sensor = VirtualSensor(params=ChipParams(nominal_rate_hz=100.0))
    parts = [
        virtual_recording(
            poses, replace(sensor, number=k), no_ball=True, capture=CaptureParams(draws=4)
        )
        for k in range(2)
    ]
    whole = joined(parts, ["a", "b"], rate_hz=100.0, swung={"player": None})
    assert whole.starts_s[1] == pytest.approx(poses.duration_s + BETWEEN_S, abs=0.05)
    np.testing.assert_allclose(whole.samples["seq"], whole.samples["time_s"] * 100.0, atol=1e-6)
    assert (np.diff(whole.samples["seq"]) > 1).sum() == 1
    one, two = whole.truth["swings"]
    assert two["top_s"] - one["top_s"] == pytest.approx(whole.starts_s[1])
    assert two["takeaway_spread_s"] == one["takeaway_spread_s"]
    assert [one["capture"], two["capture"]] == ["a", "b"]
    # each time with noise of its own
    assert not np.array_equal(parts[0].samples["gx"], parts[1].samples["gx"])
