"""The simulated chip and its radio link."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import freqz, welch

from simulation.chip import (
    Chip,
    ChipParams,
    LinkParams,
    deliver,
    draw_unit,
    low_pass,
    low_pass_delay_s,
    random_rotation,
    sense,
)
from words.units import G_N_M_S2

GRID_HZ = 3200.0
QUIET = ChipParams(
    gyr_noise_dps_rthz=0.0,
    acc_noise_m_s2_rthz=0.0,
    gyr_bias_sd_dps=0.0,
    gyr_drift_dps=0.0,
    acc_bias_sd_m_s2=0.0,
    scale_error=False,
    mount_quat_wxyz=(1.0, 0.0, 0.0, 0.0),
)

Floats = NDArray[np.float64]


def quiet(**changes: object) -> ChipParams:
    """A chip without noise, bias and errors."""
    return replace(QUIET, **changes)  # type: ignore[arg-type]


def still(seconds: float) -> tuple[Floats, Floats]:
    """Motion of a sensor at rest, z up."""
    n = int(seconds * GRID_HZ)
    force = np.zeros((n, 3))
    force[:, 2] = G_N_M_S2
    return np.zeros((n, 3)), force


@pytest.mark.parametrize("rate_hz", [100.0, 200.0, 400.0, 800.0])
def test_filter_delay_is_the_recorded_one(rate_hz: float) -> None:
    params = quiet(nominal_rate_hz=rate_hz, gyr_range_dps=500.0)
    seconds = 8.0
    t = np.arange(int(seconds * GRID_HZ)) / GRID_HZ
    hz = 0.5  # slow against the filter
    omega = np.radians(400.0 * np.sin(2 * np.pi * hz * t))[:, None] * np.ones(3)
    force = 50.0 * np.sin(2 * np.pi * hz * t)[:, None] * np.ones(3)
    counts = sense(omega, force, grid_hz=GRID_HZ, params=params, rng=np.random.default_rng(1))
    sample_t = np.arange(len(counts)) / rate_hz
    whole = sample_t >= 2.0  # past the start, whole periods
    whole &= sample_t < 6.0
    for column, cutoff in ((0, params.acc_cutoff_hz), (3, params.gyr_cutoff_hz)):
        turn = np.exp(-2j * np.pi * hz * sample_t[whole])
        phase = np.angle(np.sum(counts[whole, column] * turn)) + np.pi / 2
        measured_s = -phase / (2 * np.pi * hz)
        assert measured_s == pytest.approx(low_pass_delay_s(cutoff, GRID_HZ), abs=2e-5)


def test_filter_is_minus_3_db_at_its_cutoff() -> None:
    sos = low_pass(76.0, GRID_HZ)[0]
    _, h = freqz(sos[:3], sos[3:], worN=[0.0, 76.0], fs=GRID_HZ)
    assert np.abs(h) == pytest.approx([1.0, math.sqrt(0.5)])
    with pytest.raises(ValueError, match="cutoff"):
        low_pass(1600.0, GRID_HZ)


def test_counts_are_rounded_to_the_nearest_and_held_at_the_ends() -> None:
    params = quiet(gyr_range_dps=500.0, acc_range_g=8.0)
    omega, force = still(0.2)
    values = [0.0, 1.4, 1.6, -1.4, -1.6, 32766.4, 40000.0, -32768.2, -40000.0]
    expected = [0, 1, 2, -1, -2, 32766, 32767, -32768, -32768]
    for value, count in zip(values, expected, strict=True):
        omega[:, 1] = np.radians(value * params.gyr_dps_per_count)
        force[:, 0] = value * params.acc_m_s2_per_count
        counts = sense(omega, force, grid_hz=GRID_HZ, params=params, rng=np.random.default_rng(0))
        assert counts.dtype == np.int16
        assert np.all(counts[:, 4] == count)
        assert np.all(counts[:, 0] == count)
    assert params.gyr_dps_per_count * 32768 == 500.0
    assert params.acc_m_s2_per_count * 32768 == pytest.approx(8.0 * G_N_M_S2)


@pytest.mark.parametrize("rate_hz", [100.0, 400.0])
def test_noise_has_the_stated_density(rate_hz: float) -> None:
    params = quiet(
        nominal_rate_hz=rate_hz,
        gyr_range_dps=250.0,
        acc_range_g=4.0,
        gyr_noise_dps_rthz=0.03,
        acc_noise_m_s2_rthz=0.01,
    )
    omega, force = still(200.0)
    counts = sense(omega, force, grid_hz=GRID_HZ, params=params, rng=np.random.default_rng(5))
    for column, step, density in (
        (3, params.gyr_dps_per_count, 0.03),
        (0, params.acc_m_s2_per_count, 0.01),
    ):
        _, power = welch(counts[:, column] * step, fs=rate_hz, nperseg=512)
        assert np.sqrt(np.mean(power[5:-5])) == pytest.approx(density, rel=0.05)


def test_high_g_chips_are_noisier() -> None:
    assert ChipParams(acc_range_g=8.0).acc_density_m_s2_rthz == 0.002
    assert ChipParams(acc_range_g=200.0).acc_density_m_s2_rthz == pytest.approx(0.025)


def test_mount_turns_the_axes() -> None:
    # A quarter turn of the chip about the segment's z: its x axis lies along the segment's y.
    half = math.sqrt(0.5)
    params = quiet(mount_quat_wxyz=(half, 0.0, 0.0, half))
    omega, force = still(0.2)
    omega[:, 1] = np.radians(100.0)
    counts = sense(omega, force, grid_hz=GRID_HZ, params=params, rng=np.random.default_rng(0))
    assert counts[:, 3] * params.gyr_dps_per_count == pytest.approx(100.0, abs=0.05)
    assert np.abs(counts[:, 4:]).max() <= 1
    assert counts[:, 2] * params.acc_m_s2_per_count == pytest.approx(G_N_M_S2, abs=0.003)


def test_any_attitude_leaves_the_sizes_alone() -> None:
    omega, force = still(0.2)
    omega[:] = np.radians([30.0, -200.0, 90.0])
    for seed in range(5):
        params = quiet(mount_quat_wxyz=None)
        counts = sense(
            omega, force, grid_hz=GRID_HZ, params=params, rng=np.random.default_rng(seed)
        )
        rate = np.linalg.norm(counts[:, 3:] * params.gyr_dps_per_count, axis=1)
        acc = np.linalg.norm(counts[:, :3] * params.acc_m_s2_per_count, axis=1)
        assert rate == pytest.approx(math.sqrt(30**2 + 200**2 + 90**2), abs=0.1)
        assert acc == pytest.approx(G_N_M_S2, abs=0.005)


def test_random_rotations_have_length_one_and_point_everywhere() -> None:
    rng = np.random.default_rng(3)
    quats = np.array([random_rotation(rng) for _ in range(500)])
    assert np.linalg.norm(quats, axis=1) == pytest.approx(1.0)
    assert np.abs(quats.mean(axis=0)).max() < 0.1


def test_units_differ_and_options_leave_the_rest_of_a_unit_alone() -> None:
    a = draw_unit(ChipParams(), np.random.default_rng(1))
    b = draw_unit(ChipParams(), np.random.default_rng(2))
    assert not np.allclose(a.gyr_bias_dps, b.gyr_bias_dps)
    ideal = draw_unit(ChipParams(scale_error=False), np.random.default_rng(1))
    assert np.array_equal(a.gyr_bias_dps, ideal.gyr_bias_dps)
    assert np.array_equal(ideal.gyr_matrix, ideal.mount)
    assert not np.allclose(a.gyr_matrix, a.mount)
    assert np.allclose(a.mount @ a.mount.T, np.eye(3))
    assert np.linalg.det(a.mount) == pytest.approx(1.0)


def test_bias_drifts_slowly_by_about_its_size() -> None:
    unit = draw_unit(ChipParams(gyr_drift_dps=0.1), np.random.default_rng(4))
    t = np.arange(0.0, 3600.0, 1.0)
    bias = unit.gyr_bias_at(t)
    assert np.abs(np.diff(bias, axis=0)).max() < 0.005
    assert 0.02 < np.ptp(bias) < 10.0


def test_true_rate_sets_the_times_of_the_samples() -> None:
    params = quiet(rate_error=0.03, gyr_range_dps=500.0)
    t = np.arange(int(4.0 * GRID_HZ)) / GRID_HZ
    omega = np.radians(100.0 * t)[:, None] * np.ones(3)
    counts = sense(
        omega, np.zeros_like(omega), grid_hz=GRID_HZ, params=params, rng=np.random.default_rng(0)
    )
    delay = low_pass_delay_s(params.gyr_cutoff_hz, GRID_HZ)
    k = np.arange(100, len(counts))
    expected = 100.0 * (k / 206.0 - delay)
    got = counts[100:, 3] * params.gyr_dps_per_count
    # once the start has died out, to the count
    assert np.abs(got - expected).max() <= 0.5 * params.gyr_dps_per_count + 1e-6


def test_blocks_give_what_the_whole_gives() -> None:
    rng = np.random.default_rng(8)
    omega = np.cumsum(rng.standard_normal((5000, 3)), axis=0) * 0.02
    force = np.cumsum(rng.standard_normal((5000, 3)), axis=0) * 0.2
    params = quiet(rate_error=-0.017)
    unit = draw_unit(params, np.random.default_rng(0))

    def run(cuts: list[int]) -> NDArray[np.int16]:
        chip = Chip(params, grid_hz=GRID_HZ, unit=unit, rng=np.random.default_rng(0))
        edges = [0, *cuts, 5000]
        pieces = [chip.feed(omega[i:j], force[i:j]) for i, j in pairwise(edges)]
        return np.concatenate(pieces)

    whole = run([])
    assert len(whole) == math.floor(4997 / (GRID_HZ / params.true_rate_hz)) + 1
    for cuts in ([1], [1, 2, 3, 5, 4000], [17, 17, 1000, 1016], list(range(7, 5000, 7))):
        assert np.array_equal(run(cuts), whole)


def test_empty_motion_gives_no_samples() -> None:
    nothing = np.empty((0, 3))
    assert sense(
        nothing, nothing, grid_hz=GRID_HZ, params=QUIET, rng=np.random.default_rng(0)
    ).shape == (0, 6)


def test_packets_cover_the_samples_and_never_arrive_early() -> None:
    rate = 207.0
    for size in (4, 8, 19):
        params = LinkParams(packet_samples=size)
        got = deliver(20011, true_rate_hz=rate, params=params, rng=np.random.default_rng(2))
        packets = got.packets
        assert got.kept.all()
        assert packets["count"].sum() == 20011
        assert np.array_equal(packets["first_seq"], np.arange(len(packets)) * size)
        assert np.array_equal(packets["raw_counter"], packets["first_seq"] % 65536)
        ready = (packets["first_seq"] + packets["count"] - 1) / rate
        late = (packets["arrival_ns"] - params.start_ns) * 1e-9 - ready
        assert late.min() >= 0.0
        assert late.max() < 0.4 + 0.2  # a stall and a few events
        assert np.median(late) < 0.03
        assert np.all(np.diff(packets["arrival_ns"]) > 0)


def test_arrivals_follow_the_connection_events() -> None:
    params = LinkParams(host_delay_s=1e-6)
    got = deliver(50000, true_rate_hz=200.0, params=params, rng=np.random.default_rng(2))
    arrival_s = (got.packets["arrival_ns"] - params.start_ns) * 1e-9
    events = arrival_s / params.interval_s
    off = events - np.median(events % 1.0)
    assert np.abs(off - np.rint(off)).max() < 0.02
    _, used = np.unique(np.rint(off), return_counts=True)
    assert used.max() <= params.per_event


def test_losses_have_the_wanted_share_and_come_in_bursts() -> None:
    params = LinkParams(loss=0.03, loss_burst_packets=2.0)
    got = deliver(400000, true_rate_hz=200.0, params=params, rng=np.random.default_rng(3))
    assert 1.0 - got.kept.mean() == pytest.approx(0.03, rel=0.1)
    assert got.kept[0]
    assert got.kept[-1]
    assert got.packets["count"].sum() == got.kept.sum()
    gaps = np.diff(got.packets["first_seq"]) // params.packet_samples - 1
    assert gaps[gaps > 0].mean() == pytest.approx(2.0, rel=0.15)


def test_too_many_small_packets_are_refused() -> None:
    with pytest.raises(ValueError, match="more than 4 samples"):
        deliver(
            1000,
            true_rate_hz=800.0,
            params=LinkParams(packet_samples=4),
            rng=np.random.default_rng(0),
        )
    with pytest.raises(ValueError, match="at least 1"):
        deliver(
            1000,
            true_rate_hz=800.0,
            params=LinkParams(packet_samples=0),
            rng=np.random.default_rng(0),
        )


def test_no_samples_no_packets() -> None:
    got = deliver(0, true_rate_hz=200.0, params=LinkParams(), rng=np.random.default_rng(0))
    assert len(got.packets) == 0
    assert len(got.kept) == 0
