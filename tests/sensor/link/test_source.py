"""The sources that need no radio: simulated sensor and replay, byte for byte like a real one."""

from __future__ import annotations

import asyncio
import dataclasses
import sys
import time
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from decoding import decode_all

from sensor.link.decode import Decoder
from sensor.link.live import LiveRecording
from sensor.link.profile import load_profile
from sensor.link.replay import ReplaySource
from sensor.link.source import RawPacket, SensorNotFoundError, Source, host_clock_ns
from sensor.link.status import LiveReport
from sensor.recording.csvfile import write_csv
from sensor.recording.opening import open_recording
from sensor.recording.writer import RecordingWriter
from simulation.live_sensor import SimulatedSource
from simulation.sessions import SessionSpec, simulate_session

SPEC = SessionSpec(loss=0.0)


async def packets_of(source: Source) -> list[RawPacket]:
    got: list[RawPacket] = []
    await source.connect()
    await source.start(got.append)
    async with asyncio.timeout(60):
        await source.lost.wait()
    await source.stop()
    await source.disconnect()
    return got


async def record(source: Source, folder: Path) -> LiveReport:
    async with asyncio.timeout(60):
        return await LiveRecording(source, folder).run(asyncio.Event())


def test_the_host_clock_goes_on() -> None:
    first = host_clock_ns()
    time.sleep(0.02)
    assert 15e6 < host_clock_ns() - first < 2e9
    if sys.platform == "linux":
        # Also counts time asleep, so it is never behind the one that doesn't.
        assert host_clock_ns() >= time.monotonic_ns() - 1_000_000


def test_messages_are_one_line_with_a_remedy() -> None:
    text = str(SensorNotFoundError("Swing 1", ("Lamp", "TV")))
    assert text == (
        "no sensor 'Swing 1' was found: switch it on and bring it near, and see that nothing else "
        "is connected to it; seen: Lamp, TV ('unhurried scan' lists what is there)"
    )


# -- simulated -----------------------------------------------------------------------------------


async def test_simulated_packets_are_the_simulated_session() -> None:
    """Across the seams between shorter and longer simulations of one seed as well."""
    source = SimulatedSource(SPEC, seed=12, seconds=75.0, speed=0)
    assert isinstance(source, Source)
    info = await source.connect()
    got = await packets_of(source)
    assert source.ended
    decoder = Decoder(
        load_profile("unhurried-stream"),
        gyr_range_dps=info.gyr_range_dps,
        acc_range_g=info.acc_range_g,
        rate_hz=info.rate_hz,
        gyr_dps_per_count=info.gyr_dps_per_count,
        acc_m_s2_per_count=info.acc_m_s2_per_count,
    )
    decoded = decode_all(decoder, [p.arrival_ns for p in got], [p.payload for p in got])
    whole = simulate_session(dataclasses.replace(SPEC, minutes=2.0), seed=12)
    n = len(decoded.samples)
    assert n == pytest.approx(75.0 * whole.true_rate_hz, abs=8)
    np.testing.assert_array_equal(decoded.samples, whole.samples[:n])
    assert decoder.malformed == decoder.lost == decoder.resets == 0
    # Stamped as the simulated link had them: never early, seldom much late.
    last = decoded.packets["first_seq"] + decoded.packets["count"] - 1
    late = (decoded.packets["arrival_ns"] - decoded.packets["arrival_ns"][0]) / 1e9 - (
        last - last[0]
    ) / whole.true_rate_hz
    assert np.ptp(late) < 1.0
    assert np.percentile(late, 95) - np.percentile(late, 5) < 0.15


async def test_simulated_comes_in_real_time() -> None:
    source = SimulatedSource(SPEC, seed=13)
    got: list[RawPacket] = []
    await source.connect()
    start = host_clock_ns()
    await source.start(got.append)
    await asyncio.sleep(1.2)
    await source.stop()
    n = sum((len(p.payload) - 8) // 12 for p in got)
    assert 0.8 * 1.2 * 200 < n < 1.05 * 1.2 * 200 + 16
    stamps = [p.arrival_ns for p in got]
    assert stamps == sorted(stamps)
    assert start < stamps[0] < stamps[-1] < host_clock_ns()
    assert not source.ended
    assert await source.battery() is not None
    await source.disconnect()


# -- replay --------------------------------------------------------------------------------------


def write(folder: Path, *, loss: float = 0.02, reconnect_at: int | None = None) -> None:
    made = simulate_session(
        SessionSpec(swings=2, loss=loss, activity=0.0, rate_error=0.01), seed=21
    )
    made.packets.flags.writeable = True
    packets = made.packets.copy()
    if reconnect_at is not None:
        later = np.arange(len(packets)) >= reconnect_at
        packets["connection"][later] = 1
        packets["arrival_ns"][later] += 3_000_000_000
    with RecordingWriter(folder, made.session) as writer:
        writer.append(packets, made.samples)
        writer.mark("segment", seq=0, player="Ida", club="driver", handedness="right")


async def test_a_replay_is_the_recording_once_more(tmp_path: Path) -> None:
    write(tmp_path / "old")
    source = ReplaySource(tmp_path / "old", speed=0)
    assert isinstance(source, Source)
    report = await record(source, tmp_path / "new")
    old, new = (np.load(tmp_path / name / "imu.npy") for name in ("old", "new"))
    np.testing.assert_array_equal(old, new)
    assert report.status.state == "ended"
    assert report.status.lost > 0
    a, b = (np.load(tmp_path / name / "packets.npy") for name in ("old", "new"))
    np.testing.assert_array_equal(a["first_seq"], b["first_seq"])
    np.testing.assert_array_equal(a["count"], b["count"])
    np.testing.assert_array_equal(np.diff(a["arrival_ns"]), np.diff(b["arrival_ns"]))
    assert source.facts["mount"] == "wrist"
    assert source.segments[0][1].club == "driver"


async def test_a_replay_loses_its_link_where_the_recording_did(tmp_path: Path) -> None:
    write(tmp_path / "old", loss=0.0, reconnect_at=100)
    report = await record(ReplaySource(tmp_path / "old", speed=0), tmp_path / "new")
    assert report.status.reconnects == 1
    old, new = (np.load(tmp_path / name / "imu.npy") for name in ("old", "new"))
    np.testing.assert_array_equal(
        old.view("<i2").reshape(-1, 10)[:, 4:], new.view("<i2").reshape(-1, 10)[:, 4:]
    )
    packets = np.load(tmp_path / "new" / "packets.npy")
    assert packets["connection"].tolist() == [0] * 100 + [1] * (len(packets) - 100)
    assert report.status.gap_samples == pytest.approx(600, abs=30)


async def test_a_csv_file_can_be_replayed(tmp_path: Path) -> None:
    write(tmp_path / "old", loss=0.0)
    with open_recording(tmp_path / "old") as recording:
        write_csv(tmp_path / "swings.csv", recording)
    report = await record(
        ReplaySource(tmp_path / "swings.csv", speed=0, mount="club"), tmp_path / "new"
    )
    with open_recording(tmp_path / "new") as new, open_recording(tmp_path / "old") as old:
        a, b = old.read(), new.read()
        assert new.session.gyr_range_dps == 4000.0
        assert report.status.lost == 0
    np.testing.assert_allclose(b.gyr_dps, a.gyr_dps, atol=0.07)
    np.testing.assert_allclose(b.acc_m_s2, a.acc_m_s2, atol=0.011)


async def test_a_replay_keeps_its_pace(tmp_path: Path) -> None:
    write(tmp_path / "old")
    source = ReplaySource(tmp_path / "old", speed=20.0)
    with open_recording(tmp_path / "old") as recording:
        expected = recording.duration_s / 20.0
    start = time.monotonic()
    got = await packets_of(source)
    assert expected - 0.1 < time.monotonic() - start < expected + 1.0
    assert source.ended
    assert len(got) > 100


@pytest.mark.parametrize("speed", [-1.0, float("nan"), float("inf")])
def test_a_speed_that_is_none(tmp_path: Path, speed: float) -> None:
    with pytest.raises(ValueError, match="speed"):
        SimulatedSource(speed=speed)
    with pytest.raises(ValueError, match="speed"):
        ReplaySource(tmp_path, speed=speed)


@pytest.mark.parametrize("kind", ["replay", "simulated"])
async def test_a_source_that_is_behind_gives_others_a_turn(kind: str, tmp_path: Path) -> None:
    # Else nothing else is done for as long as that lasts, and the computer seems to have slept.
    if kind == "replay":
        write(tmp_path / "old")
        source: Source = ReplaySource(tmp_path / "old", speed=1e6)
    else:
        source = SimulatedSource(SPEC, seed=5, speed=1e6, seconds=20.0)
    packets: list[RawPacket] = []
    at_turns: list[int] = []
    await source.connect()
    await source.start(packets.append)
    async with asyncio.timeout(20.0):
        while not source.lost.is_set():
            at_turns.append(len(packets))
            await asyncio.sleep(0)
    await source.disconnect()
    assert len(packets) > 300
    assert max(b - a for a, b in pairwise([*at_turns, len(packets)])) <= 64
