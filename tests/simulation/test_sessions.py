"""Simulated swings and sessions."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from sensor.errors import RecordingExistsError
from sensor.recording.layout import COUNTS_DTYPE
from sensor.recording.opening import open_recording
from sensor.rotation import quat_exp, quat_rotate
from simulation.chip import Chip, ChipParams, draw_unit
from simulation.film import Film
from simulation.motion.action import MOUNTS, Action, Model, Mount
from simulation.motion.activities import random_activity
from simulation.motion.body import Body, BodyParams, Calm
from simulation.motion.draw import random_swing
from simulation.motion.habit import Habit, Player
from simulation.sessions import (
    PlayerSpec,
    SessionSpec,
    grid_rate_hz,
    simulate_session,
    simulate_swing,
)

Floats = NDArray[np.float64]
GRID_HZ = 3200.0
STILL = BodyParams(sway_rms_deg=0.0, tremor_rms_dps=(0.0, 0.0, 0.0, 0.0))


class Probe(Chip):
    """Keeps the motion it is fed with."""

    def __init__(self) -> None:
        params = ChipParams()
        unit = draw_unit(params, np.random.default_rng(0))
        super().__init__(params, grid_hz=GRID_HZ, unit=unit, rng=np.random.default_rng(0))
        self.omega: list[Floats] = []
        self.force: list[Floats] = []

    def feed(self, omega_rad_s: Floats, force_m_s2: Floats) -> NDArray[np.int16]:
        self.omega.append(omega_rad_s)
        self.force.append(force_m_s2)
        return super().feed(omega_rad_s, force_m_s2)


def film(first: Action, *, body: BodyParams = STILL, mount: Mount = "wrist") -> tuple[Film, Probe]:
    """A film that begins in an action's first pose."""
    probe = Probe()
    person = Body(body, mount=mount, grid_hz=GRID_HZ, rng=np.random.default_rng(1))
    return (
        Film(probe, person, grid_hz=GRID_HZ, quat_wxyz=first.quat_wxyz[0], pos_m=first.pos_m[0]),
        probe,
    )


def test_movements_join_without_a_jump() -> None:
    rng = np.random.default_rng(2)
    actions = [
        replace(random_activity(rng, mount="wrist", grid_hz=GRID_HZ, kind=kind), shocks=())
        for kind in ("walk", "scratch", "stand", "tee_up", "throw_underhand")
    ]
    reel, probe = film(actions[0])
    for action in actions:
        reel.play(action)
        reel.rest(0.2)
    omega = np.degrees(np.concatenate(probe.omega))
    force = np.concatenate(probe.force)
    assert len(omega) == round(reel.now_s * GRID_HZ)
    # Smooth all along: 10 000 deg/s2 and 600 m/s3 are what a fast arm does.
    assert np.linalg.norm(np.diff(omega, axis=0), axis=1).max() < 10000.0 / GRID_HZ
    assert np.linalg.norm(np.diff(force, axis=0), axis=1).max() < 1500.0 / GRID_HZ


def test_the_rate_leads_from_pose_to_pose() -> None:
    rng = np.random.default_rng(5)
    first = random_activity(rng, mount="club", grid_hz=GRID_HZ, kind="aim")
    second = random_activity(rng, mount="club", grid_hz=GRID_HZ, kind="lean_on_club")
    reel, probe = film(first, mount="club")
    reel.play(first)
    reel.play(second)
    # Integrate all rates: quaternion product of small turns at the middle of each step.
    omega = np.concatenate(probe.omega)
    middle = 0.5 * (omega[1:] + omega[:-1]) / GRID_HZ
    q = first.quat_wxyz[0]
    for w, x, y, z in quat_exp(middle):
        a, b, c, d = q
        q = np.array(
            [
                a * w - b * x - c * y - d * z,
                a * x + b * w + c * z - d * y,
                a * y - b * z + c * w + d * x,
                a * z + b * y - c * x + d * w,
            ]
        )
    assert abs(float(q @ second.quat_wxyz[-1])) == pytest.approx(1.0, abs=1e-6)


def test_at_rest_the_force_is_g_and_nothing_turns() -> None:
    action = random_activity(np.random.default_rng(1), mount="wrist", grid_hz=GRID_HZ)
    reel, probe = film(action)
    reel.rest(25.0)
    assert reel.now_s == 25.0
    assert np.abs(np.concatenate(probe.omega)).max() == 0.0
    force = np.concatenate(probe.force)
    assert np.linalg.norm(force, axis=1) == pytest.approx(9.80665)
    up = quat_rotate(action.quat_wxyz[0], force[0])
    assert up == pytest.approx([0.0, 0.0, 9.80665], abs=1e-9)


def test_grids_must_agree() -> None:
    action = random_activity(np.random.default_rng(1), mount="wrist", grid_hz=1600.0)
    reel, _ = film(action)
    with pytest.raises(ValueError, match="1600"):
        reel.play(action)


def test_shocks_ring_on_into_what_follows() -> None:
    action = random_activity(
        np.random.default_rng(4), mount="wrist", grid_hz=GRID_HZ, kind="hammer"
    )
    late = replace(action.shocks[0], index=len(action.quat_wxyz) - 3)
    action = replace(action, shocks=(late,))
    reel, probe = film(action)
    reel.play(action)
    reel.rest(0.2)
    after = np.linalg.norm(probe.force[-1], axis=1) - 9.80665
    assert np.abs(after[:20]).max() > 1.0
    assert np.abs(after[-20:]).max() < 0.01


def test_sway_and_tremor_have_their_sizes_and_derivatives() -> None:
    params = BodyParams()
    body = Body(params, mount="wrist", grid_hz=GRID_HZ, rng=np.random.default_rng(3))
    n = int(60 * GRID_HZ)
    delta, rate, acc = body.turns(1000, n)
    assert np.gradient(delta[:, 0]) * GRID_HZ == pytest.approx(rate[:, 0], abs=2e-4)
    assert np.gradient(rate[:, 2])[1:-1] * GRID_HZ == pytest.approx(acc[1:-1, 2], abs=2e-3)
    power = np.abs(np.fft.rfft(np.degrees(rate), axis=0)) ** 2
    hz = np.fft.rfftfreq(n, 1.0 / GRID_HZ)
    share = power[(hz > 7.5) & (hz < 12.5)].sum(axis=0) / power.sum(axis=0)
    rms = np.degrees(rate).std(axis=0)
    assert np.all((rms > 0.3) & (rms < 3.0))
    assert np.all(share > 0.03)
    assert power[(hz > 1.2) & (hz < 7.5)].sum() < 0.01 * power.sum()
    # Any stretch can be had by itself.
    again, _, _ = body.turns(1000 + 7777, 500)
    assert again == pytest.approx(delta[7777 : 7777 + 500], abs=1e-12)
    # Three times the tremor: three times the rate in its band.
    hard = Body(
        replace(params, tremor_factor=3.0),
        mount="wrist",
        grid_hz=GRID_HZ,
        rng=np.random.default_rng(3),
    )
    shaken = np.abs(np.fft.rfft(np.degrees(hard.turns(1000, n)[1]), axis=0)) ** 2
    band = (hz > 7.5) & (hz < 12.5)
    assert shaken[band].sum() / power[band].sum() == pytest.approx(9.0, rel=0.01)


def test_sway_fades_in_the_swing_smoothly() -> None:
    body = Body(BodyParams(), mount="club", grid_hz=GRID_HZ, rng=np.random.default_rng(3))
    calms = (Calm(start_s=1.0, end_s=2.0), Calm(start_s=2.7, end_s=2.71))
    delta, rate, acc = body.turns(0, int(5 * GRID_HZ), calms)
    free, _, _ = body.turns(0, int(5 * GRID_HZ))
    t = np.arange(len(delta)) / GRID_HZ
    # The lean of the takeaway stays through the swing, without any movement of its own.
    assert np.abs(rate[(t > 1.3) & (t < 2.0)]).max() < 1e-12
    assert np.ptp(delta[(t > 1.3) & (t < 2.0)], axis=0) == pytest.approx(0.0, abs=1e-12)
    assert delta[(t > 1.3) & (t < 2.0)][0] == pytest.approx(free[int(GRID_HZ)], abs=1e-5)
    outside = (t < 1.0) | (t > 3.7)
    assert np.array_equal(delta[outside], free[outside])
    assert np.gradient(delta[:, 1])[1:-1] * GRID_HZ == pytest.approx(rate[1:-1, 1], abs=1e-4)
    assert np.gradient(rate[:, 1])[1:-1] * GRID_HZ == pytest.approx(acc[1:-1, 1], abs=2e-2)
    # the same where only a later piece is asked for
    start = int(2.1 * GRID_HZ)
    piece, _, _ = body.turns(start, 1000, calms)
    assert piece == pytest.approx(delta[start : start + 1000], abs=1e-12)


def test_sway_stays_away_between_swings_without_a_stop() -> None:
    action = random_swing(
        np.random.default_rng(3),
        model="chain",
        mount="wrist",
        kind="continuous",
        grid_hz=GRID_HZ,
        strike=False,
    )
    assert len(action.swings) >= 3
    swaying, felt = film(action, body=BodyParams())
    still, true = film(action)
    for reel in (swaying, still):
        reel.play(action)
        reel.rest(1.5)
    extra = np.concatenate(felt.omega) - np.concatenate(true.omega)
    t = np.arange(len(extra)) / GRID_HZ
    last = action.swings[-1].finish_s
    assert last is not None
    inside = (t > action.swings[0].takeaway_s + 0.35) & (t < last)
    # only what follows from the lean that is held: a turned frame
    size = np.linalg.norm(np.concatenate(true.omega), axis=1)
    assert np.all(np.linalg.norm(extra, axis=1)[inside] <= 0.03 * size[inside] + 1e-9)
    assert np.abs(extra[t > last + 0.8]).max() > 1e-3


@pytest.mark.parametrize("mount", MOUNTS)
@pytest.mark.parametrize("model", ["pendulum", "chain"])
def test_the_samples_of_a_swing_hold_its_truth(mount: Mount, model: Model) -> None:
    made = simulate_swing(21, mount=mount, model=model, rate_hz=400.0, acc_range_g=200.0)
    truth = made.truth[0]
    assert truth.impact_s is not None
    rate = made.true_rate_hz
    takeaway, top, impact = (
        made.seq_of(t) + made.gyr_delay_s * rate
        for t in (truth.takeaway_s, truth.top_s, truth.impact_s)
    )
    # Turn: integrate the rate in the fixed frame; offset from the stillness at address.
    quiet = made.gyr_dps[int(0.2 * rate) : int(2.0 * rate)].mean(axis=0)
    omega = np.radians(made.gyr_dps - quiet)
    start, end = round(takeaway), round(top)
    q = np.array([1.0, 0.0, 0.0, 0.0])
    turn = np.zeros(3)
    for k in range(start, end):
        middle = 0.5 * (omega[k] + omega[k + 1]) / rate
        half = quat_rotate(q, middle)
        turn += half
        w, v = quat_exp(middle)[0], quat_exp(middle)[1:]
        q = np.concatenate(([q[0] * w - q[1:] @ v], q[0] * v + w * q[1:] + np.cross(q[1:], v)))
    assert np.degrees(np.linalg.norm(turn)) == pytest.approx(truth.turn_deg, abs=1.5)
    # Peak of the rate before impact.
    size = np.linalg.norm(made.gyr_dps - quiet, axis=1)
    peak = size[end : int(impact)].max()
    assert truth.peak_rate_dps is not None
    assert peak == pytest.approx(truth.peak_rate_dps, rel=0.03)
    # At address it is still, and gravity is what is felt.
    still = slice(int(0.3 * rate), int(1.5 * rate))
    assert size[still].max() < 15.0
    acc = np.linalg.norm(made.acc_m_s2[still], axis=1)
    assert acc.mean() == pytest.approx(9.8, abs=0.6)


def test_swings_reproduce_bit_for_bit() -> None:
    options = {"mount": "club", "loss": 0.03, "rate_error": 0.02, "clip_gyr": True}
    one, two = (simulate_swing(9, **options) for _ in range(2))  # type: ignore[arg-type]
    assert np.array_equal(one.acc_m_s2, two.acc_m_s2)
    assert np.array_equal(one.gyr_dps, two.gyr_dps)
    assert np.array_equal(one.seq, two.seq)
    assert np.array_equal(one.packets, two.packets)
    assert one.truth == two.truth
    other = simulate_swing(10, **options)  # type: ignore[arg-type]
    assert other.truth != one.truth


def test_options_leave_the_swing_alone() -> None:
    plain = simulate_swing(9)
    hard = simulate_swing(9, loss=0.05, tremor_factor=3.0, acc_range_g=8.0, clip_gyr=True)
    assert plain.truth == hard.truth
    assert plain.seq[-1] == hard.seq[-1]
    assert len(hard.seq) < len(plain.seq)
    # Counts go from -32768 to 32767, so the upper end is one count below the range.
    for made, clipped in ((plain, False), (hard, True)):
        count = made.gyr_range_dps / 32768
        at_end = (made.gyr_dps <= -made.gyr_range_dps) | (
            made.gyr_dps >= made.gyr_range_dps - 1.5 * count
        )
        assert at_end.any() == clipped
    own = random_swing(
        np.random.default_rng(1),
        model="chain",
        mount="trunk",
        kind="slow",
        grid_hz=grid_rate_hz(104.0),
        strike=False,
    )
    given = simulate_swing(1, mount="trunk", model="chain", rate_hz=104.0, action=own)
    assert given.truth[0].turn_deg == own.swings[0].turn_deg


def test_a_session_is_a_recording_with_its_truth(tmp_path: Path) -> None:
    spec = SessionSpec(
        mount="glove",
        players=(
            PlayerSpec(name="Åsa", club="wedge"),
            PlayerSpec(name="Ben", handedness="left"),
        ),
        balls_a_turn=(1, 1),
        minutes=None,
        swings=7,
        loss=0.01,
    )
    made = simulate_session(spec, seed=4)
    folder = tmp_path / "session"
    made.write(folder)
    with open_recording(folder) as recording:
        assert recording.session == made.session
        assert recording.session.sensor["simulated"] is True
        assert recording.n_samples == len(made.samples)
        assert 1.0 / recording.period_s == pytest.approx(made.true_rate_hz, rel=2e-4)
        block = recording.read()
        assert np.array_equal(block.seq, made.samples["seq"])
        scale = made.session.gyr_dps_per_count
        assert scale is not None
        assert block.gyr_dps[:, 2] == pytest.approx(made.samples["gz"] * scale)
        assert recording.warnings == []
        segments = [m for m in recording.markers if m.kind == "segment"]
    raw = np.load(folder / "imu.npy")
    assert raw.dtype == COUNTS_DTYPE
    assert np.array_equal(raw, made.samples)
    document = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    assert document == json.loads(json.dumps(made.truth_document()))
    swings = document["swings"]
    assert len(swings) == len(made.truth)
    assert sum(s["counts_as_swing"] for s in swings) >= 7
    for said, swing in zip(swings, made.truth, strict=True):
        assert said["takeaway_s"] == swing.truth.takeaway_s
        assert said["takeaway_seq"] == pytest.approx(said["takeaway_s"] * made.true_rate_hz)
        assert said["player"] == swing.player
        assert said["takeaway_s"] < said["top_s"]
    # Each player's swings lie in the segments that name them.
    assert {m.fields["player"] for m in segments} == {"Åsa", "Ben"}
    assert segments[0].seq == 0
    for swing in made.truth:
        at = swing.truth.takeaway_s * made.true_rate_hz
        current = [m for m in segments if m.seq <= at][-1]
        assert current.fields["player"] == swing.player
        assert current.fields["handedness"] == swing.handedness
        assert current.fields["club"] == swing.club


def test_sessions_reproduce_bit_for_bit() -> None:
    spec = SessionSpec(minutes=0.4, model="pendulum", rate_hz=100.0)
    one, two = simulate_session(spec, seed=11), simulate_session(spec, seed=11)
    assert np.array_equal(one.samples, two.samples)
    assert np.array_equal(one.packets, two.packets)
    assert one.truth == two.truth
    assert one.session == two.session
    other = simulate_session(spec, seed=12)
    assert other.session.id != one.session.id
    assert not np.array_equal(other.samples[:2000], one.samples[:2000])


def test_existing_output_is_refused_unless_overwritten(tmp_path: Path) -> None:
    made = simulate_session(SessionSpec(minutes=0.1, swings=0, rate_hz=100.0), seed=1)
    folder = tmp_path / "session"
    made.write(folder)
    before = (folder / "imu.npy").read_bytes()
    with pytest.raises(RecordingExistsError):
        made.write(folder)
    made.write(folder, overwrite=True)
    assert (folder / "imu.npy").read_bytes() == before
    strange = tmp_path / "mine"
    strange.mkdir()
    (strange / "letter.txt").write_text("keep me")
    with pytest.raises(RecordingExistsError):
        made.write(strange, overwrite=True)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["mine", "session"]
    assert (strange / "letter.txt").read_text() == "keep me"


def test_without_swings_only_other_things_happen() -> None:
    shares: list[float] = []
    made = simulate_session(
        SessionSpec(minutes=1.5, swings=0, mount="trunk"), seed=2, progress=shares.append
    )
    assert made.truth == ()
    assert all(stretch.name != "swing" for stretch in made.stretches)
    assert made.samples["seq"][-1] / made.true_rate_hz > 90.0
    assert shares[-1] == 1.0
    assert shares == sorted(shares)


def test_hard_sessions_lose_and_clip() -> None:
    spec = SessionSpec(minutes=None, swings=4, mount="club", varied=False, activity=0.0)
    hard = simulate_session(spec.made_hard(), seed=3)
    assert hard.true_rate_hz == pytest.approx(204.0)
    lost = 1.0 - len(hard.samples) / (hard.samples["seq"][-1] + 1)
    assert 0.01 < lost < 0.06
    assert np.abs(hard.samples["gx"].astype(int)).max() >= 32767
    assert {swing.truth.kind for swing in hard.truth} == {"full"}


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"minutes": None}, "minutes"),
        ({"minutes": None, "swings": 0}, "minutes"),
        ({"players": ()}, "player"),
        ({"rate_hz": 20.0}, "rate_hz"),
    ],
)
def test_impossible_sessions_are_refused(changes: dict[str, object], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        simulate_session(replace(SessionSpec(), **changes), seed=0)  # type: ignore[arg-type]


@pytest.mark.parametrize("model", ["pendulum", "chain"])
def test_players_keep_their_habits(model: Model) -> None:
    rng = np.random.default_rng(6)
    player = Player(
        rng,
        model=model,
        mount="wrist",
        handedness="left",
        habit=Habit(strike_time=0.85, strike_turn=0.9),
    )
    back = {}
    turn = {}
    for strike in (False, True):
        truths = [
            player.swing(rng, kind="full", strike=strike, grid_hz=GRID_HZ).swings[0]
            for _ in range(6)
        ]
        assert all(truth.strike == strike for truth in truths)
        back[strike] = np.array([truth.top_s - truth.takeaway_s for truth in truths])
        turn[strike] = np.array([truth.turn_deg for truth in truths])
        assert back[strike].std() < 0.06 * back[strike].mean()
        assert back[strike].std() > 0.0
    assert 0.8 < back[True].mean() / back[False].mean() < 0.92
    assert turn[True].mean() < 0.97 * turn[False].mean()
    other = player.swing(rng, kind="slow", strike=False, grid_hz=GRID_HZ).swings[0]
    assert other.kind == "slow"


@pytest.mark.parametrize("rate_hz", [100.0, 104.0, 200.0, 400.0, 800.0])
def test_the_grid_is_a_multiple_of_the_rate(rate_hz: float) -> None:
    steps = grid_rate_hz(rate_hz) / rate_hz
    assert steps == round(steps)
    assert 3000.0 < grid_rate_hz(rate_hz) < 3400.0


def test_without_balls_all_are_practice_swings() -> None:
    spec = SessionSpec(minutes=None, swings=5, balls=False)
    assert {one.truth.strike for one in simulate_session(spec, seed=5).truth} == {False}
    # With them nothing is other than it was.
    both = [simulate_session(SessionSpec(minutes=None, swings=2), seed=5) for _ in range(2)]
    assert any(one.truth.strike for one in both[0].truth)
    assert both[0].samples.tobytes() == both[1].samples.tobytes()
