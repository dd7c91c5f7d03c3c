"""An independent peer: bumble's GATT server, L2CAP and ATT, over its virtual controllers.

bumble negotiates the MTU, splits long reads and numbers the handles by itself, from the Bluetooth
specification; nothing of it comes from this project. A small backend lets bleak's front end, and so
`RadioSource` as it is, talk to it.
"""

from __future__ import annotations

import asyncio
import functools
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

pytest.importorskip("bumble", reason="bumble is installed on Linux only")

from bleak import BleakClient, BleakScanner
from bleak.backends.characteristic import BleakGATTCharacteristic
from bleak.backends.client import BaseBleakClient
from bleak.backends.descriptor import BleakGATTDescriptor
from bleak.backends.scanner import AdvertisementData, BaseBleakScanner
from bleak.backends.service import BleakGATTService, BleakGATTServiceCollection
from bumble.controller import Controller
from bumble.core import UUID
from bumble.device import Device, Peer
from bumble.gatt import Characteristic, CharacteristicValue, Service
from bumble.hci import Address
from bumble.host import Host
from bumble.link import LocalLink
from bumble.transport.common import AsyncPipeSink
from software_bluez import SoftSensor

import sensor.link.radio
from sensor.link.live import LiveParams, LiveRecording
from sensor.link.profile import load_profile
from sensor.link.radio import RadioParams, RadioSource

PROFILE = load_profile("unhurried-stream")
ADDRESSES = ("F0:F1:F2:F3:F4:F5", "F5:F4:F3:F2:F1:F0")


class World:
    """Two controllers in one room: the computer's and the sensor's."""

    def __init__(self, soft: SoftSensor, mtu: int) -> None:
        link = LocalLink()
        self.central, self.peripheral = (
            Device(address=Address(address), host=Host(controller, AsyncPipeSink(controller)))
            for address, controller in (
                (address, Controller(address, link=link)) for address in ADDRESSES
            )
        )
        self.soft, self.mtu = soft, mtu
        self.data: Characteristic[bytes]
        self.peers: list[Peer] = []

    def _characteristic(self, role: str, uuid: str) -> Characteristic[Any]:
        kind, need = Characteristic.Properties, Characteristic.Permissions

        def read(_: Any) -> bytes:
            return self.soft.values()[uuid]

        def write(_: Any, value: bytes) -> None:
            self.soft.command(bytes(value))

        if role == "data":
            self.data = Characteristic(UUID(uuid), kind.NOTIFY, need.READABLE, b"")
            return self.data
        if role == "control":
            return Characteristic(
                UUID(uuid), kind.WRITE, need.WRITEABLE, CharacteristicValue(write=write)
            )
        return Characteristic(UUID(uuid), kind.READ, need.READABLE, CharacteristicValue(read=read))

    async def start(self) -> None:
        for uuid in sorted({one.service for one in PROFILE.characteristics.values()}):
            inside = [
                self._characteristic(role, one.uuid)
                for role, one in PROFILE.characteristics.items()
                if one.service == uuid and role != "software"
            ]
            self.peripheral.add_service(Service(UUID(uuid), inside))
        await self.central.power_on()
        await self.peripheral.power_on()
        await self.peripheral.start_advertising(auto_restart=True)

    async def send(self, payload: bytes) -> None:
        await self.peripheral.notify_subscribers(self.data, payload)

    async def drop(self) -> None:
        for connection in list(self.peripheral.connections.values()):
            await connection.disconnect()


class BumbleScanner(BaseBleakScanner):
    """Says that the sensor advertises."""

    world: World

    def __init__(self, detection_callback: Any, service_uuids: Any, _mode: Any, **_: Any) -> None:
        super().__init__(detection_callback, service_uuids)

    async def start(self) -> None:
        seen = AdvertisementData("Swing 1", {}, {}, list(PROFILE.services), None, -55, ())
        device = self.create_or_update_device("x", ADDRESSES[1], "Swing 1", None, seen)
        asyncio.get_running_loop().call_later(0.01, self.call_detection_callbacks, device, seen)

    async def stop(self) -> None:
        pass


class BumbleClient(BaseBleakClient):
    """bleak's front end on one side, bumble's GATT client on the other."""

    world: World

    def __init__(self, device: Any, **options: Any) -> None:
        super().__init__(
            device,
            disconnected_callback=options["disconnected_callback"],
            timeout=options["timeout"],
        )
        self._peer: Peer | None = None
        self._connected = False

    @property
    def name(self) -> str:
        return "Swing 1"

    @property
    def mtu_size(self) -> int:
        return 23

    @property
    def is_connected(self) -> bool:
        return self._connected

    async def connect(self, pair: bool, **_: Any) -> None:
        connection = await self.world.central.connect(Address(self.address))
        self._peer = Peer(connection)
        self.world.peers.append(self._peer)
        self._connected = True
        connection.on("disconnection", self._gone)
        mtu = await self._peer.request_mtu(self.world.mtu) if self.world.mtu > 23 else 23
        await self._peer.discover_all()
        self.services = BleakGATTServiceCollection()
        for service in self._peer.services:
            one = BleakGATTService(service, service.handle, _text(service.uuid))
            self.services.add_service(one)
            for found in service.characteristics:
                flags = found.properties
                names: list[Any] = [
                    name
                    for name, flag in (
                        ("read", Characteristic.Properties.READ),
                        ("write", Characteristic.Properties.WRITE),
                        ("notify", Characteristic.Properties.NOTIFY),
                    )
                    if flags & flag
                ]
                self.services.add_characteristic(
                    BleakGATTCharacteristic(
                        found, found.handle, _text(found.uuid), names, lambda: mtu - 3, one
                    )
                )

    def _gone(self, *_: Any) -> None:
        if self._connected:
            self._connected = False
            if self._disconnected_callback is not None:
                self._disconnected_callback()

    async def disconnect(self) -> None:
        if self._connected and self._peer is not None:
            await self._peer.connection.disconnect()
        self._gone()
        self.services = None

    async def pair(self, *args: Any, **kwargs: Any) -> None:
        raise NotImplementedError

    async def unpair(self) -> None:
        raise NotImplementedError

    async def read_gatt_char(self, characteristic: BleakGATTCharacteristic, **_: Any) -> bytearray:
        assert self._peer is not None
        return bytearray(await self._peer.read_value(characteristic.obj))

    async def read_gatt_descriptor(self, descriptor: BleakGATTDescriptor, **_: Any) -> bytearray:
        raise NotImplementedError

    async def write_gatt_char(
        self, characteristic: BleakGATTCharacteristic, data: Any, response: bool
    ) -> None:
        assert self._peer is not None
        await self._peer.write_value(characteristic.obj, bytes(data), response)

    async def write_gatt_descriptor(self, descriptor: BleakGATTDescriptor, data: Any) -> None:
        raise NotImplementedError

    async def start_notify(
        self,
        characteristic: BleakGATTCharacteristic,
        callback: Callable[[bytearray], None],
        **_: Any,
    ) -> None:
        assert self._peer is not None
        await self._peer.subscribe(characteristic.obj, lambda value: callback(bytearray(value)))

    async def stop_notify(self, characteristic: BleakGATTCharacteristic) -> None:
        assert self._peer is not None
        await self._peer.unsubscribe(characteristic.obj)


def _text(uuid: UUID) -> str:
    return uuid.to_hex_str("-").lower() if len(uuid.to_bytes()) == 16 else _full(uuid)


def _full(uuid: UUID) -> str:
    return f"0000{uuid.to_hex_str().lower()}-0000-1000-8000-00805f9b34fb"


async def room(monkeypatch: pytest.MonkeyPatch, soft: SoftSensor, mtu: int) -> World:
    world = World(soft, mtu)
    await world.start()
    BumbleClient.world = BumbleScanner.world = world
    monkeypatch.setattr(
        sensor.link.radio, "BleakClient", functools.partial(BleakClient, backend=BumbleClient)
    )
    monkeypatch.setattr(
        sensor.link.radio, "BleakScanner", functools.partial(BleakScanner, backend=BumbleScanner)
    )
    return world


@pytest.mark.parametrize(("mtu", "samples"), [(247, 8), (100, 6), (23, 1)])
async def test_bumbles_gatt_server_is_recorded_like_any(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, mtu: int, samples: int
) -> None:
    soft = SoftSensor(battery=66)
    world = await room(monkeypatch, soft, mtu)
    recording = LiveRecording(
        RadioSource("Swing 1", params=RadioParams(settle_s=0.02)),
        tmp_path / "rec",
        params=LiveParams(tick_s=0.05, backoff_s=(0.0, 0.05)),
    )
    stop = asyncio.Event()
    task = asyncio.ensure_future(recording.run(stop))
    rng = np.random.default_rng(3)
    sent: list[np.ndarray] = []
    for part in range(2):
        async with asyncio.timeout(5):
            while not soft.streaming:
                await asyncio.sleep(0.005)
        # bumble answers the write before bleak's side has seen it.
        await asyncio.sleep(0.05)
        for _ in range(40):
            counts = rng.integers(-32768, 32768, (soft.samples, 6)).astype(np.int16)
            sent.append(counts)
            await world.send(soft.packet(counts))
            await asyncio.sleep(0.002)
        await asyncio.sleep(0.05)
        if part == 0:
            soft.streaming = False
            await world.drop()
    stop.set()
    async with asyncio.timeout(5):
        report = await task
    assert soft.samples == samples
    rows = np.load(tmp_path / "rec" / "imu.npy")
    np.testing.assert_array_equal(
        rows.view("<i2").reshape(len(rows), 10)[:, 4:], np.concatenate(sent)
    )
    assert report.status.reconnects == 1
    assert report.status.battery_percent == 66
    assert recording.info is not None
    assert recording.info.serial == "S-0001"
    assert recording.info.gyr_dps_per_count == pytest.approx(2000 / 32768, rel=1e-6)
    assert soft.commands[-1] == b"\x02"
