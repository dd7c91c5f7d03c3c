"""A filter's delay by the noise of a sensor at rest."""

from __future__ import annotations

import dataclasses
import functools
import json
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from scipy import signal

import simulation.sessions
from sensor.recording.opening import open_recording
from sensor.recording.session import UNKNOWN_DELAY_U_MS, delay_of_cutoff_ms
from sensor.recording.standing_noise import FilterDelay, delay_from_noise
from simulation.chip import Chip, ChipParams, draw_unit
from unhurried.app.measuring import analyze

Array = npt.NDArray[np.float64]

GRID_HZ = 3200.0
REST_S = 20.0


def at_rest(params: ChipParams, seed: int, seconds: float = REST_S) -> npt.NDArray[np.int16]:
    """Counts (n, 6) of a chip that lies on a table."""
    rng = np.random.default_rng(seed)
    chip = Chip(params, grid_hz=GRID_HZ, unit=draw_unit(params, rng), rng=rng)
    n = round(GRID_HZ * seconds)
    return chip.feed(np.zeros((n, 3)), np.tile([0.0, 0.0, 9.81], (n, 1)))


def rotation_at_rest(params: ChipParams, seed: int) -> Array:
    """Its angular velocity (n, 3), deg/s."""
    return np.asarray(at_rest(params, seed)[:, 3:] * params.gyr_dps_per_count, dtype=np.float64)


def told(gyr_dps: Array, rate_hz: float, dps_per_count: float) -> FilterDelay | None:
    pieces = [(np.arange(len(gyr_dps)), gyr_dps)]
    return delay_from_noise(pieces, rate_hz=rate_hz, dps_per_count=dps_per_count)


@pytest.mark.parametrize("rate_hz", [100.0, 200.0, 800.0])
@pytest.mark.parametrize("cutoff_hz", [20.0, 42.0, 80.0, 250.0])
@pytest.mark.parametrize("gyr_range_dps", [500.0, 2000.0])
def test_the_cut_off_shows_in_the_noise(
    rate_hz: float, cutoff_hz: float, gyr_range_dps: float
) -> None:
    params = ChipParams(
        nominal_rate_hz=rate_hz,
        gyr_bandwidth_hz=cutoff_hz,
        gyr_range_dps=gyr_range_dps,
        noise_filtered=True,
    )
    gyr = rotation_at_rest(params, 61_000)
    found = told(gyr, rate_hz, params.gyr_dps_per_count)
    if cutoff_hz > 0.45 * rate_hz or (cutoff_hz == 20.0 and gyr_range_dps == 2000.0):
        # It leaves no mark, or less than a count.
        assert found is None or found.cutoff_hz == pytest.approx(cutoff_hz, rel=0.1)
        assert cutoff_hz < 0.45 * rate_hz or found is None
        return
    assert found is not None
    assert found.cutoff_hz == pytest.approx(cutoff_hz, rel=0.08)
    assert found.delay_s == pytest.approx(delay_of_cutoff_ms(cutoff_hz) / 1e3, rel=0.08)
    assert found.delay_u_s == pytest.approx(0.3 * found.delay_s, rel=0.1)


def test_other_kinds_of_filter_are_within_the_uncertainty_or_not_told() -> None:
    rng = np.random.default_rng(61_001)
    rate_hz, step = 400.0, 0.01
    white = rng.standard_normal((round(8 * rate_hz * 40), 3)) * 0.3
    n_told = 0
    for cutoff_hz in (30.0, 60.0, 110.0):
        for order in (1, 2, 3, 4):
            b, a = signal.bessel(order, cutoff_hz, fs=8 * rate_hz, norm="mag")
            x = signal.lfilter(b, a, white, axis=0)[::8]
            found = told(np.round(x / step) * step, rate_hz, step)
            if found is None:
                continue
            n_told += 1
            w, h = signal.freqz(b, a, worN=[0.1, 0.2], fs=8 * rate_hz)
            true_s = -(np.angle(h[1]) - np.angle(h[0])) / (2.0 * np.pi * (w[1] - w[0]))
            assert abs(found.delay_s - true_s) < 2.0 * found.delay_u_s
    assert n_told >= 6


def test_it_is_silent_where_nothing_can_be_told() -> None:
    rng = np.random.default_rng(61_002)
    rate_hz, step = 200.0, 0.061
    params = ChipParams(nominal_rate_hz=rate_hz, gyr_bandwidth_hz=42.0, noise_filtered=True)
    rest = rotation_at_rest(params, 61_003)
    assert told(rest, rate_hz, step) is not None
    # White noise, fewer seconds than it takes, and holes everywhere.
    assert told(np.round(rng.standard_normal((4000, 3)) / 2) * step, rate_hz, step) is None
    assert told(rest[:2000], rate_hz, step) is None
    seq = np.arange(len(rest), dtype=np.int64) * 351 // 350
    assert delay_from_noise([(seq, rest)], rate_hz=rate_hz, dps_per_count=step) is None
    # A hand that trembles at 9 Hz, as much about each axis: no filter looks like that.
    b, a = signal.butter(1, [7.0, 11.0], "bandpass", fs=rate_hz)
    tremor = signal.lfilter(b, a, rng.standard_normal((4000, 3)), axis=0)
    assert told(rest + 0.4 * tremor, rate_hz, step) is None


@pytest.mark.parametrize("pieces", [1, 7, 1000])
def test_it_hangs_on_no_division_into_blocks(pieces: int) -> None:
    params = ChipParams(nominal_rate_hz=200.0, gyr_bandwidth_hz=42.0, noise_filtered=True)
    rest = rotation_at_rest(params, 61_004)
    parts = np.array_split(np.arange(len(rest), dtype=np.int64), pieces)
    found = delay_from_noise(
        [(part, rest[part]) for part in parts],
        rate_hz=200.0,
        dps_per_count=params.gyr_dps_per_count,
    )
    assert found == told(rest, 200.0, params.gyr_dps_per_count)


def recorded(folder: Path, monkeypatch: pytest.MonkeyPatch, *, rest: bool) -> Path:
    """A recording by a sensor that doesn't say its filter, 42 Hz; before it, it lay on a table."""
    more: dict[str, Any] = {"gyr_bandwidth_hz": 42.0, "noise_filtered": True}
    with monkeypatch.context() as patch:
        params = functools.partial(ChipParams, **more)
        patch.setattr(simulation.sessions, "ChipParams", params)
        spec = simulation.sessions.SessionSpec(
            rate_hz=200.0, swings=6, rehearsals_per_ball=0.0, varied=False, activity=0.0
        )
        made = simulation.sessions.simulate_session(spec, seed=61_005)
    samples, packets = made.samples, made.packets
    if rest:
        before = at_rest(
            ChipParams(nominal_rate_hz=200.0, gyr_range_dps=spec.gyr_range_dps, **more), 61_006
        )
        early = np.zeros(len(before), samples.dtype)
        early["seq"] = np.arange(len(before))
        for k, name in enumerate(("ax", "ay", "az", "gx", "gy", "gz")):
            early[name] = before[:, k]
        samples = samples.copy()
        samples["seq"] += len(before)
        samples = np.concatenate([early, samples])
        packets = packets.copy()
        packets["first_seq"] += len(before)
    session = dataclasses.replace(
        made.session, gyr_delay_ms=None, gyr_delay_u_ms=None, sensor={"name": "unnamed"}
    )
    dataclasses.replace(made, samples=samples, packets=packets, session=session).write(folder)
    return folder


def test_a_recording_takes_it_off_and_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    worn = recorded(tmp_path / "worn", monkeypatch, rest=False)
    laid = recorded(tmp_path / "laid", monkeypatch, rest=True)
    with open_recording(worn) as recording:
        # On a person it is never still enough.
        assert recording.filter_delay is None
        assert recording.gyr_delay_u_s == pytest.approx(UNKNOWN_DELAY_U_MS / 1e3)
    with open_recording(laid) as recording:
        assert recording.gyr_delay_s == pytest.approx(delay_of_cutoff_ms(42.0) / 1e3, rel=0.05)
        assert recording.gyr_delay_u_s < 0.5 * UNKNOWN_DELAY_U_MS / 1e3
    truth = json.loads((worn / "truth.json").read_text(encoding="utf-8"))["swings"]
    before, after = analyze(worn).swings, analyze(laid).swings
    assert len(before) == len(after) == len(truth)
    for wide, near, true in zip(before, after, truth, strict=True):
        if near.impact_basis != "shock":
            continue
        assert near.downswing_ms is not None
        assert near.downswing_ms_u is not None
        assert wide.downswing_ms_u is not None
        true_ms = 1e3 * (true["impact_s"] - true["top_s"])
        assert near.downswing_ms_u < 0.6 * wide.downswing_ms_u
        assert abs(near.downswing_ms - true_ms) < 2.0 * near.downswing_ms_u
    shocks = [one for one in after if one.impact_basis == "shock"]
    assert len(shocks) >= 4
