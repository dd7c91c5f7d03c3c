"""The whole chain from bleak's BlueZ backend to the recording, on a private message bus.

bleak, dbus-fast and dbus-daemon are the real ones; only bluetoothd is software of ours.
"""

from __future__ import annotations

import asyncio
import gc
import shutil
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from patience import PATIENCE_S
from software_bluez import (
    Player,
    SoftSensor,
    SoftwareBluez,
    private_bus,
    software_bluez,
)

from sensor.errors import SensorError
from sensor.link.live import LiveParams, LiveRecording
from sensor.link.profile import load_profile, profiles
from sensor.link.radio import RadioParams, RadioSource, scan
from sensor.link.source import (
    AdapterAbsentError,
    AdapterOffError,
    BluetoothDeniedError,
    ConnectError,
    LinkError,
    SensorChangedError,
    SensorNotFoundError,
    SeveralSensorsError,
    UnsuitableSensorError,
)
from sensor.link.status import LinkEvent, LiveReport
from sensor.recording.layout import COUNTS_DTYPE, PACKET_DTYPE
from sensor.recording.opening import open_recording
from simulation.sessions import SessionSpec, simulate_session

pytestmark = pytest.mark.skipif(
    sys.platform != "linux" or shutil.which("dbus-daemon") is None,
    reason="needs dbus-daemon (Debian, Ubuntu: sudo apt install dbus)",
)

# Quick, since nothing here is really far away.
RADIO = RadioParams(scan_s=0.6, settle_s=0.08, stop_scan_s=1.0)
LIVE = LiveParams(
    connect_timeout_s=3.0,
    start_timeout_s=1.0,
    stop_timeout_s=1.0,
    backoff_s=(0.0, 0.02, 0.05),
    silent_s=0.6,
    tick_s=0.05,
    battery_every_s=0.2,
)


@pytest.fixture
def bus(tmp_path: Path) -> Iterator[str]:
    with private_bus(tmp_path) as address:
        yield address


@pytest.fixture(scope="module")
def counts() -> np.ndarray:
    made = simulate_session(
        SessionSpec(swings=2, rate_hz=208.0, loss=0.0, activity=0.0, varied=False), seed=41
    )
    return made.samples.view("<i2").reshape(len(made.samples), 10)[:, 4:]


class Rig:
    """A recording that goes on in the background."""

    def __init__(self, folder: Path, source: RadioSource, params: LiveParams = LIVE) -> None:
        self.folder = folder
        self.source = source
        self.events: list[LinkEvent] = []
        self.stop = asyncio.Event()
        self.recording = LiveRecording(
            source, folder, mount="wrist", on_event=self.events.append, params=params
        )
        self.task: asyncio.Task[LiveReport] = asyncio.ensure_future(self.recording.run(self.stop))

    async def until(self, state: str, timeout_s: float = PATIENCE_S) -> None:
        async with asyncio.timeout(timeout_s):
            while self.recording.status.state != state:
                if self.task.done():
                    self.task.result()
                    raise AssertionError("it ended")
                await asyncio.sleep(0.005)

    async def end(self) -> LiveReport:
        await asyncio.sleep(0.05)
        self.stop.set()
        async with asyncio.timeout(PATIENCE_S):
            return await self.task

    def kinds(self) -> list[str]:
        return [event.kind for event in self.events]


def check_file(folder: Path, *players: Player) -> np.ndarray:
    """Every sample that arrived intact is in the file once, in its order."""
    rows = np.load(folder / "imu.npy")
    packets = np.load(folder / "packets.npy")
    assert rows.dtype == COUNTS_DTYPE
    assert packets.dtype == PACKET_DTYPE
    assert np.all(np.diff(rows["seq"]) > 0)
    sent = [player.sent[place] for player in players for place in sorted(player.sent)]
    expected = np.concatenate(sent) if sent else np.zeros((0, 6), np.int16)
    values = rows.view("<i2").reshape(len(rows), 10)[:, 4:]
    np.testing.assert_array_equal(values, expected)
    assert int(packets["count"].sum()) == len(rows)
    with open_recording(folder) as recording:
        assert recording.n_samples == len(rows)
        assert not any("damaged" in text or "died" in text for text in recording.warnings)
    return packets


# -- finding and connecting ----------------------------------------------------------------------


async def test_scan_lists_what_is_near(bus: str) -> None:
    a, b = SoftSensor(battery=77), SoftSensor(name="Swing 2", address="C0:FF:EE:00:00:02")
    seen: list[int] = []
    async with software_bluez(a, b):
        found = await scan(0.2, on_change=lambda all_seen: seen.append(len(all_seen)))
    assert {(one.name, one.address, one.profile) for one in found} == {
        ("Swing 1", a.address, "unhurried-stream"),
        ("Swing 2", b.address, "unhurried-stream"),
    }
    assert {one.battery_percent for one in found} == {77, 80}
    assert all(one.signal_dbm is not None and -63 < one.signal_dbm < -59 for one in found)
    assert seen[-1] == 2


async def test_what_a_sensor_says_of_itself(bus: str) -> None:
    sensor = SoftSensor(mtu=100)
    async with software_bluez(sensor):
        source = RadioSource("swing 1", rate_hz=416, gyr_range_dps=4000, params=RADIO)
        info = await source.connect()
        battery = await source.battery()
        await source.disconnect()
    assert info.as_sensor() == {
        "name": "Swing 1",
        "profile": "unhurried-stream",
        "address": sensor.address,
        "manufacturer": "Example",
        "model": "Soft",
        "serial": "S-0001",
        "hardware": "1",
        "firmware": "1.0",
        "battery_percent": 80,
        "layout_version": 1,
    }
    assert (info.rate_hz, info.gyr_range_dps, info.acc_range_g) == (416.0, 4000.0, 16.0)
    assert info.gyr_dps_per_count == pytest.approx(4000 / 32768, rel=1e-6)
    assert info.gyr_delay_ms == 2.0
    assert battery == 80
    # (100 - 3 - 8) / 12 is 7: the largest that may be asked for and fits is 6.
    assert sensor.samples == info.packet_samples == 6


@pytest.mark.parametrize(
    ("setup", "error", "words"),
    [
        ({"powered": False}, AdapterOffError, "switched off: switch it on"),
        ({"adapter": False}, AdapterAbsentError, "no usable Bluetooth adapter"),
    ],
)
async def test_adapter_off_or_absent(
    bus: str, tmp_path: Path, setup: dict[str, bool], error: type[LinkError], words: str
) -> None:
    async with software_bluez(SoftSensor(), **setup):
        rig = Rig(tmp_path / "rec", RadioSource(params=RADIO))
        with pytest.raises(error, match=words):
            await rig.task
        with pytest.raises(error):
            await scan(0.1)
    assert not (tmp_path / "rec").exists()


async def test_permission_denied(bus: str, tmp_path: Path) -> None:
    async with software_bluez(SoftSensor()) as bluez:
        bluez.refuse = True
        rig = Rig(tmp_path / "rec", RadioSource(params=RADIO))
        with pytest.raises(BluetoothDeniedError, match=r"does not allow.*group 'bluetooth'"):
            await rig.task


async def test_no_bluetooth_service_and_no_bus(
    bus: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    with pytest.raises(AdapterAbsentError, match="service is not running"):
        await scan(0.1)
    from bleak.backends.bluezdbus import manager

    manager._global_instances.pop(asyncio.get_running_loop(), None)
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", f"unix:path={tmp_path}/nothing")
    with pytest.raises(AdapterAbsentError, match="no system bus"):
        await scan(0.1)


async def test_a_sensor_that_is_not_there(bus: str, tmp_path: Path) -> None:
    async with software_bluez(SoftSensor()):
        rig = Rig(
            tmp_path / "rec",
            RadioSource("Other", params=RadioParams(scan_s=0.1, settle_s=0.0)),
            LiveParams(backoff_s=(0.0,), first_tries=2),
        )
        with pytest.raises(SensorNotFoundError, match=r"no sensor 'Other'.*seen: Swing 1"):
            await rig.task
    assert rig.kinds().count("retry") == 1


async def test_two_sensors_with_one_name(bus: str) -> None:
    a, b = SoftSensor(), SoftSensor(address="C0:FF:EE:00:00:02")
    async with software_bluez(a, b):
        with pytest.raises(SeveralSensorsError) as caught:
            await RadioSource("Swing 1", params=RADIO).connect()
        assert caught.value.choices == (("Swing 1", a.address), ("Swing 1", b.address))
        assert "C0:FF:EE:00:00:01" in str(caught.value)
        with pytest.raises(SeveralSensorsError):
            await RadioSource(params=RADIO).connect()
        source = RadioSource("c0-ff-ee-00-00-02", params=RADIO)
        info = await source.connect()
        assert info.address == b.address
        assert not a.connected
        await source.disconnect()


async def test_a_layout_of_another_version(bus: str, tmp_path: Path) -> None:
    async with software_bluez(SoftSensor(layout=2)):
        rig = Rig(tmp_path / "rec", RadioSource(params=RADIO))
        with pytest.raises(UnsuitableSensorError, match=r"layout is 2.*update"):
            await rig.task


async def test_a_rate_that_is_not_offered(bus: str) -> None:
    sensor = SoftSensor()
    sensor.faults.refuse_rate = True
    async with software_bluez(sensor):
        with pytest.raises(UnsuitableSensorError, match="did not take rate_hz 416"):
            await RadioSource(rate_hz=416, params=RADIO).connect()
        assert not sensor.connected
        with pytest.raises(UnsuitableSensorError, match="choose one of"):
            await RadioSource(rate_hz=123, params=RADIO).connect()


async def test_a_sensor_left_connected_by_a_program_that_died(
    bus: str, tmp_path: Path, counts: np.ndarray
) -> None:
    sensor = SoftSensor(advertising=False)
    async with software_bluez(sensor) as bluez:
        sensor.connected = sensor.notifying = sensor.streaming = True
        rig = Rig(tmp_path / "rec", RadioSource("Swing 1", params=RadioParams(scan_s=0.1)))
        await rig.until("streaming")
        # Told to stop before it was set.
        assert sensor.commands[0] == b"\x02"
        player = Player(bluez, sensor, counts)
        await player.send(20)
        await rig.end()
    check_file(tmp_path / "rec", player)


# -- streaming and its faults ----------------------------------------------------------------------


async def test_all_that_is_sent_is_recorded(bus: str, tmp_path: Path, counts: np.ndarray) -> None:
    sensor = SoftSensor()
    async with software_bluez(sensor) as bluez:
        rig = Rig(tmp_path / "rec", RadioSource(params=RADIO))
        await rig.until("streaming")
        player = Player(bluez, sensor, counts, gap_s=0.001)
        await player.send(len(counts) // 8)
        report = await rig.end()
    packets = check_file(tmp_path / "rec", player)
    assert report.status.lost == report.status.malformed == report.status.reconnects == 0
    assert report.status.battery_percent == 80
    assert set(packets["connection"]) == {0}
    assert not sensor.connected
    assert sensor.commands[-1] == b"\x02"
    from unhurried.app.measuring import analyze

    with open_recording(tmp_path / "rec") as recording:
        assert len(analyze(recording).swings) == 2
        assert recording.session.sensor["serial"] == "S-0001"


@pytest.mark.parametrize("name", sorted(profiles()))
async def test_every_shipped_profile(
    bus: str, tmp_path: Path, counts: np.ndarray, name: str
) -> None:
    profile = profiles()[name]
    sensor = SoftSensor(profile=profile, name=f"{(*profile.name_prefixes, 'Swing')[0]} 1")
    sensor.rate_hz = profile.settings["rate_hz"].default
    sensor.samples = min(8, profile.packet.max_samples)
    async with software_bluez(sensor) as bluez:
        assert [one.profile for one in await scan(0.1)] == [name]
        rig = Rig(tmp_path / "rec", RadioSource(params=RADIO))
        await rig.until("streaming")
        player = Player(bluez, sensor, np.maximum(counts, -32767))
        await player.send(40)
        report = await rig.end()
    check_file(tmp_path / "rec", player)
    assert report.status.received == 40 * sensor.samples
    with open_recording(tmp_path / "rec") as recording:
        assert recording.session.sensor["profile"] == name
        assert recording.session.nominal_rate_hz == sensor.rate_hz


async def test_mtu_23(bus: str, tmp_path: Path, counts: np.ndarray) -> None:
    sensor = SoftSensor(mtu=23)
    async with software_bluez(sensor) as bluez:
        rig = Rig(tmp_path / "rec", RadioSource(params=RADIO))
        await rig.until("streaming")
        assert sensor.samples == 1
        player = Player(bluez, sensor, counts)
        await player.send(100)
        await rig.end()
    check_file(tmp_path / "rec", player)
    assert any("only 1 samples a packet" in event.text for event in rig.events)


async def test_connect_fails_three_times_then_works(
    bus: str, tmp_path: Path, counts: np.ndarray
) -> None:
    sensor = SoftSensor()
    sensor.faults.connect_fails = 3
    async with software_bluez(sensor) as bluez:
        rig = Rig(tmp_path / "rec", RadioSource(params=RADIO))
        await rig.until("streaming")
        player = Player(bluez, sensor, counts)
        await player.send(10)
        await rig.end()
    check_file(tmp_path / "rec", player)
    assert rig.kinds().count("retry") == 3


async def test_connect_hangs(bus: str, tmp_path: Path) -> None:
    sensor = SoftSensor()
    sensor.faults.connect_hangs = True
    params = LiveParams(connect_timeout_s=0.4, backoff_s=(0.0,), first_tries=2)
    async with software_bluez(sensor):
        rig = Rig(tmp_path / "rec", RadioSource(params=RADIO), params)
        with pytest.raises(ConnectError, match=r"took longer than 0.4 s: bring it nearer"):
            await rig.task


async def test_stop_while_connecting(bus: str, tmp_path: Path) -> None:
    sensor = SoftSensor()
    sensor.faults.connect_hangs = True
    async with software_bluez(sensor):
        rig = Rig(tmp_path / "rec", RadioSource(params=RADIO))
        await asyncio.sleep(0.2)
        report = await rig.end()
    assert report.folder is None


async def test_gatt_error_on_start(bus: str, tmp_path: Path, counts: np.ndarray) -> None:
    sensor = SoftSensor()
    sensor.faults.start_error = "Operation failed with ATT error: 0x0e"
    sensor.faults.start_errors = 2
    async with software_bluez(sensor) as bluez:
        rig = Rig(tmp_path / "rec", RadioSource(params=RADIO))
        await rig.until("streaming")
        player = Player(bluez, sensor, counts)
        await player.send(10)
        await rig.end()
    check_file(tmp_path / "rec", player)
    retries = [event.text for event in rig.events if event.kind == "retry"]
    assert len(retries) == 2
    assert all("starting Swing 1 failed" in text for text in retries)


async def test_the_link_dies_over_a_read(bus: str, tmp_path: Path) -> None:
    sensor = SoftSensor()
    sensor.faults.drop_on_read = True
    async with software_bluez(sensor):
        rig = Rig(tmp_path / "rec", RadioSource(params=RADIO))
        await rig.until("streaming")
        await rig.end()
    assert sensor.connections == 2
    assert "the link dropped" in next(e.text for e in rig.events if e.kind == "retry")


async def test_link_lost_and_back(bus: str, tmp_path: Path, counts: np.ndarray) -> None:
    sensor = SoftSensor()
    async with software_bluez(sensor) as bluez:
        rig = Rig(tmp_path / "rec", RadioSource(params=RADIO))
        player = Player(bluez, sensor, counts)
        for _ in range(3):
            await rig.until("streaming")
            await player.send(15)
            await asyncio.sleep(0.03)
            bluez.drop(sensor)
            await asyncio.sleep(0.1)
        await rig.until("streaming")
        await player.send(15)
        report = await rig.end()
    packets = check_file(tmp_path / "rec", player)
    assert report.status.reconnects == 3
    assert len(set(packets["connection"])) == 4
    with open_recording(tmp_path / "rec") as recording:
        gaps = [marker for marker in recording.markers if marker.kind == "gap"]
    assert len(gaps) == 3
    assert rig.kinds().count("lost") == rig.kinds().count("back") == 3


async def test_switched_off_and_on(bus: str, tmp_path: Path, counts: np.ndarray) -> None:
    sensor = SoftSensor()
    async with software_bluez(sensor) as bluez:
        rig = Rig(tmp_path / "rec", RadioSource(params=RADIO))
        player = Player(bluez, sensor, counts)
        await rig.until("streaming")
        await player.send(15)
        await asyncio.sleep(0.03)
        bluez.drop(sensor, advertising=False)
        await asyncio.sleep(0.8)
        assert "retry" in rig.kinds()
        # Its counter starts anew.
        sensor.advertising, sensor.counter = True, 0
        await rig.until("streaming")
        await player.send(15)
        await rig.end()
    packets = check_file(tmp_path / "rec", player)
    assert packets["raw_counter"][15] == 0
    assert packets["connection"][15] == 1


async def test_bluetooth_switched_off_and_on(bus: str, tmp_path: Path, counts: np.ndarray) -> None:
    """While a recording runs even that is waited for, and said."""
    sensor = SoftSensor()
    async with software_bluez(sensor) as bluez:
        rig = Rig(tmp_path / "rec", RadioSource(params=RADIO))
        player = Player(bluez, sensor, counts)
        await rig.until("streaming")
        await player.send(10)
        await asyncio.sleep(0.03)
        bluez.power(False)
        bluez.drop(sensor)
        await asyncio.sleep(0.3)
        assert any("Bluetooth is switched off: switch it on" in e.text for e in rig.events)
        bluez.power(True)
        await rig.until("streaming")
        await player.send(10)
        await rig.end()
    check_file(tmp_path / "rec", player)


async def test_connected_but_silent(bus: str, tmp_path: Path, counts: np.ndarray) -> None:
    sensor = SoftSensor()
    async with software_bluez(sensor) as bluez:
        rig = Rig(tmp_path / "rec", RadioSource(params=RADIO))
        player = Player(bluez, sensor, counts)
        await rig.until("streaming")
        await player.send(5)
        await asyncio.sleep(0.8)
        await rig.until("streaming")
        await player.send(5)
        await rig.end()
    check_file(tmp_path / "rec", player)
    assert "silent" in rig.kinds()


async def test_a_sensor_that_comes_back_otherwise(
    bus: str, tmp_path: Path, counts: np.ndarray
) -> None:
    sensor = SoftSensor()
    async with software_bluez(sensor) as bluez:
        rig = Rig(tmp_path / "rec", RadioSource(params=RADIO))
        player = Player(bluez, sensor, counts)
        await rig.until("streaming")
        await player.send(5)
        await asyncio.sleep(0.03)
        sensor.faults.refuse_rate = True
        sensor.rate_hz = 100.0
        bluez.drop(sensor)
        with pytest.raises(SensorChangedError, match="what is recorded is safe"):
            await rig.task
    check_file(tmp_path / "rec", player)


async def test_a_flood(bus: str, tmp_path: Path, counts: np.ndarray) -> None:
    """Good packets far too fast: all are kept, a word is said, and stopping still works."""
    sensor = SoftSensor()
    async with software_bluez(sensor) as bluez:
        rig = Rig(tmp_path / "rec", RadioSource(params=RADIO))
        await rig.until("streaming")
        player = Player(bluez, sensor, counts, gap_s=0.0003)
        await player.send(800)
        report = await rig.end()
    check_file(tmp_path / "rec", player)
    assert report.status.received == sum(map(len, player.sent.values())) > 6300
    assert rig.kinds().count("flood") == 1


async def test_rubbish_is_counted_and_kept_out(
    bus: str, tmp_path: Path, counts: np.ndarray
) -> None:
    """Wrong lengths, a wrong version, too long, twice, and a battery at 3 %."""
    sensor = SoftSensor(battery=3)

    def change(number: int, payload: bytes) -> list[bytes]:
        rubbish = {
            3: [payload[:-1], payload],
            5: [payload, payload],
            7: [payload + bytes(300), payload],
            9: [b"", payload],
            11: [b"\x09" + payload[1:], payload],
        }
        return rubbish.get(number, [payload])

    async with software_bluez(sensor) as bluez:
        rig = Rig(tmp_path / "rec", RadioSource(params=RADIO))
        await rig.until("streaming")
        player = Player(bluez, sensor, counts, change=change)
        await player.send(40)
        report = await rig.end()
    check_file(tmp_path / "rec", player)
    status = report.status
    assert (status.malformed, status.duplicate, status.oversized) == (3, 1, 1)
    assert [e.text for e in rig.events if e.kind == "battery"] == [
        "the battery of Swing 1 is at 3 %: charge the sensor soon; what is recorded is safe"
    ]


async def test_two_sensors_at_once_on_one_clock(
    bus: str, tmp_path: Path, counts: np.ndarray
) -> None:
    a, b = SoftSensor(), SoftSensor(address="C0:FF:EE:00:00:02", name="Swing 2")
    async with software_bluez(a, b) as bluez:
        rigs = [
            Rig(tmp_path / sensor.name, RadioSource(sensor.name, params=RADIO)) for sensor in (a, b)
        ]
        players = [Player(bluez, sensor, counts) for sensor in (a, b)]
        for rig in rigs:
            await rig.until("streaming")
        await asyncio.gather(*(player.send(60) for player in players))
        for rig in rigs:
            await rig.end()
    stamps = [
        check_file(rig.folder, player)["arrival_ns"]
        for rig, player in zip(rigs, players, strict=True)
    ]
    # Sent in turns: on one clock they arrive in turns.
    merged = np.argsort(np.concatenate(stamps), kind="stable") // 60
    assert 50 <= np.count_nonzero(np.diff(merged)) <= 119


def in_use() -> tuple[int, int]:
    """Open files and tasks now."""
    gc.collect()
    return len(list(Path("/proc/self/fd").iterdir())), len(asyncio.all_tasks())


async def test_nothing_leaks_over_200_reconnects(
    bus: str, tmp_path: Path, counts: np.ndarray
) -> None:
    sensor = SoftSensor()
    async with software_bluez(sensor) as bluez:
        rig = Rig(tmp_path / "rec", RadioSource("Swing 1", params=RADIO))
        player = Player(bluez, sensor, counts, gap_s=0.0005)

        async def reconnect(times: int) -> tuple[int, int]:
            for _ in range(times):
                await rig.until("streaming")
                await player.send(3)
                await asyncio.sleep(0.004)
                bluez.drop(sensor)
                while rig.recording.status.state == "streaming":
                    await asyncio.sleep(0.001)
            await rig.until("streaming")
            return in_use()

        before = await reconnect(5)
        after = await reconnect(200)
        await rig.end()
    # A look may catch a few tasks of the link before or of this one's start; what is left behind
    # by links adds up to 200 of it.
    left = [now - then for now, then in zip(after, before, strict=True)]
    assert max(left) < 10
    check_file(tmp_path / "rec", player)
    assert rig.recording.status.reconnects == 205


def test_profiles_are_there() -> None:
    """What the rig sends is the shipped profile."""
    assert load_profile("unhurried-stream").packet.max_samples == 19
    assert issubclass(LinkError, SensorError)
    _: Any = SoftwareBluez
