"""A small software `org.bluez`: adapter, sensors and their GATT tables, on a private message bus.

What is behind bleak's unmodified BlueZ backend in the tests is this instead of bluetoothd and a
radio. It answers the calls that bleak makes (org.bluez.Adapter1, Device1, GattService1,
GattCharacteristic1 and the object manager, as BlueZ documents them in ``doc/org.bluez.*.rst``), and
it can be told to fail in the ways that radios fail.
"""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import os
import shutil
import struct
import subprocess
from collections.abc import AsyncIterator, Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from dbus_fast import BusType, Message, MessageType, Variant
from dbus_fast.aio.message_bus import MessageBus

from sensor.link.decode import encode
from sensor.link.profile import Profile, load_profile

ADAPTER = "/org/bluez/hci0"
PROFILE = load_profile("unhurried-stream")

BUS_CONFIG = """<!DOCTYPE busconfig PUBLIC "-//freedesktop//DTD D-Bus Bus Configuration 1.0//EN"
 "http://www.freedesktop.org/standards/dbus/1.0/busconfig.dtd">
<busconfig>
  <type>session</type>
  <listen>unix:path={socket}</listen>
  <auth>EXTERNAL</auth>
  <policy context="default">
    <allow send_destination="*" eavesdrop="true"/><allow eavesdrop="true"/><allow own="*"/>
    {extra}
  </policy>
</busconfig>
"""


@contextlib.contextmanager
def private_bus(folder: Path, *, extra: str = "") -> Iterator[str]:
    """Run a dbus-daemon of our own and point bleak at it; gives its address."""
    daemon = shutil.which("dbus-daemon")
    assert daemon is not None
    socket = folder / "bus"
    config = folder / "bus.conf"
    config.write_text(BUS_CONFIG.format(socket=socket, extra=extra))
    process = subprocess.Popen(
        [daemon, f"--config-file={config}", "--nofork", "--print-address=1"],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
    )
    before = os.environ.get("DBUS_SYSTEM_BUS_ADDRESS")
    try:
        assert process.stdout is not None
        assert process.stdout.readline()
        os.environ["DBUS_SYSTEM_BUS_ADDRESS"] = f"unix:path={socket}"
        yield f"unix:path={socket}"
    finally:
        if before is None:
            os.environ.pop("DBUS_SYSTEM_BUS_ADDRESS", None)
        else:
            os.environ["DBUS_SYSTEM_BUS_ADDRESS"] = before
        process.terminate()
        process.wait(5)
        assert process.stdout is not None
        process.stdout.close()


@dataclass
class Faults:
    """What goes wrong with a sensor."""

    connect_fails: int = 0
    """So many more tries to connect fail."""
    connect_hangs: bool = False
    start_error: str | None = None
    """StartNotify fails with this text."""
    start_errors: int = 1_000_000
    silent: bool = False
    """The sensor's characteristics are never answered."""
    drop_on_read: bool = False
    """The link dies over the first read."""
    refuse_rate: bool = False


@dataclass
class SoftSensor:
    """One sensor of the `unhurried-stream` kind."""

    name: str = "Swing 1"
    address: str = "C0:FF:EE:00:00:01"
    rate_hz: float = 208.0
    gyr_range_dps: float = 2000.0
    acc_range_g: float = 16.0
    battery: int = 80
    mtu: int = 247
    layout: int = 1
    advertising: bool = True
    serial: str = "S-0001"
    profile: Profile = PROFILE
    faults: Faults = field(default_factory=Faults)

    def __post_init__(self) -> None:
        self.connected = False
        self.notifying = False
        self.streaming = False
        self.samples = 8
        self.last_command = self.result = 0
        self.connections = 0
        self.commands: list[bytes] = []
        self.counter = 0
        self.changed = asyncio.Event()

    @property
    def path(self) -> str:
        return f"{ADAPTER}/dev_{self.address.replace(':', '_')}"

    @property
    def live(self) -> bool:
        """Whether a packet sent now would arrive."""
        started = self.streaming or "start" not in self.profile.commands
        return self.connected and self.notifying and (started or self.profile is not PROFILE)

    def configuration(self) -> bytes:
        assert self.profile.configuration is not None
        value = self.profile.configuration.render(
            layout=1,
            streaming=float(self.streaming),
            last_command=self.last_command,
            result=self.result,
            samples=self.samples,
            rate_hz=self.rate_hz,
            gyr_range_dps=self.gyr_range_dps,
            acc_range_g=self.acc_range_g,
            gyr_dps_per_count=self.gyr_range_dps / 32768,
            acc_m_s2_per_count=self.acc_range_g * 9.80665 / 32768,
            gyr_delay_ms=2.0,
            acc_delay_ms=2.0,
        )
        return bytes([self.layout]) + value[1:]

    def command(self, data: bytes) -> None:
        self.commands.append(data)
        if self.profile is not PROFILE:
            return
        self.last_command, self.result = data[0], 0
        if data[0] == 1:
            self.streaming = True
        elif data[0] == 2:
            self.streaming = False
        elif data[0] == 3:
            if self.faults.refuse_rate:
                self.result = 3
            else:
                self.rate_hz = struct.unpack("<I", data[1:5])[0] / 1000
        elif data[0] == 4:
            self.gyr_range_dps, self.acc_range_g = struct.unpack("<HH", data[1:5])
        elif data[0] == 5:
            self.samples = data[1]

    def packet(self, counts: np.ndarray) -> bytes:
        """The next packet of (n, 6) counts, numbered and stamped as the firmware would."""
        tick_s = self.profile.packet.tick_s or 1.0
        data = encode(
            self.profile,
            counts,
            counter=self.counter,
            ticks=round(self.counter / self.rate_hz / tick_s),
        )
        self.counter += len(counts)
        return data

    def values(self) -> dict[str, bytes]:
        """Values to read, by characteristic."""
        texts = {
            "manufacturer": "Example",
            "model": "Soft",
            "serial": self.serial,
            "hardware": "1",
            "firmware": "1.0",
        }
        out = {self.profile.uuid(role): text.encode() for role, text in texts.items()}
        out[self.profile.uuid("battery")] = bytes([self.battery])
        if self.profile.configuration is not None:
            out[self.profile.uuid("configuration")] = self.configuration()
        return {uuid: value for uuid, value in out.items() if uuid is not None}


_FLAGS = {
    "data": ["notify"],
    "control": ["write"],
}


class SoftwareBluez:
    """The service `org.bluez`, with an adapter and sensors."""

    def __init__(self, *sensors: SoftSensor, powered: bool = True, adapter: bool = True) -> None:
        self.sensors = list(sensors)
        self.powered = powered
        self.adapter = adapter
        self.refuse = False
        self.discovering = False
        self._bus: MessageBus | None = None
        self._task: asyncio.Task[None] | None = None
        self._later: set[asyncio.Task[None]] = set()

    # -- life ------------------------------------------------------------------------------------

    async def start(self) -> None:
        self._bus = await MessageBus(bus_type=BusType.SYSTEM).connect()
        self._bus.add_message_handler(self._handle)
        await self._bus.request_name("org.bluez")
        self._task = asyncio.ensure_future(self._advertise())

    async def stop(self) -> None:
        assert self._bus is not None
        assert self._task is not None
        for task in (self._task, *self._later):
            task.cancel()
        await asyncio.gather(self._task, *self._later, return_exceptions=True)
        self._bus.disconnect()
        await self._bus.wait_for_disconnect()

    async def _advertise(self) -> None:
        for signal in itertools.cycle((-60, -61, -62)):
            await asyncio.sleep(0.02)
            if self.discovering and self.powered:
                for sensor in self.sensors:
                    if sensor.advertising and not sensor.connected:
                        self.changed(
                            sensor.path, "org.bluez.Device1", {"RSSI": Variant("n", signal)}
                        )

    # -- what there is ---------------------------------------------------------------------------

    def _characteristics(self, sensor: SoftSensor) -> Iterator[tuple[str, str, str, str]]:
        """Give (role, path, uuid, path of the service)."""
        characteristics = sensor.profile.characteristics
        services = sorted({one.service for one in characteristics.values()})
        for number, (role, one) in enumerate(characteristics.items()):
            service = f"{sensor.path}/service{services.index(one.service) + 1:04x}"
            yield role, f"{service}/char{16 * (number + 1):04x}", one.uuid, service

    def objects(self) -> dict[str, dict[str, dict[str, Variant]]]:
        out: dict[str, dict[str, dict[str, Variant]]] = {}
        if self.adapter:
            out[ADAPTER] = {
                "org.bluez.Adapter1": {
                    "Address": Variant("s", "00:00:00:00:00:01"),
                    "Powered": Variant("b", self.powered),
                    "Roles": Variant("as", ["central"]),
                    "Discovering": Variant("b", self.discovering),
                }
            }
            for sensor in self.sensors:
                out.update(self._of_sensor(sensor))
        return out

    def _of_sensor(self, sensor: SoftSensor) -> dict[str, dict[str, dict[str, Variant]]]:
        out = {
            sensor.path: {
                "org.bluez.Device1": {
                    "Address": Variant("s", sensor.address),
                    "Name": Variant("s", sensor.name),
                    "Alias": Variant("s", sensor.name),
                    "Adapter": Variant("o", ADAPTER),
                    "Paired": Variant("b", False),
                    "Connected": Variant("b", sensor.connected),
                    "ServicesResolved": Variant("b", sensor.connected),
                    "UUIDs": Variant("as", list(sensor.profile.services)),
                    "ServiceData": Variant(
                        "a{sv}",
                        {
                            "0000180f-0000-1000-8000-00805f9b34fb": Variant(
                                "ay", bytes([sensor.battery])
                            )
                        },
                    ),
                }
            }
        }
        for role, path, uuid, service in self._characteristics(sensor):
            out[service] = {
                "org.bluez.GattService1": {
                    "UUID": Variant("s", sensor.profile.characteristics[role].service),
                    "Primary": Variant("b", True),
                    "Device": Variant("o", sensor.path),
                }
            }
            out[path] = {
                "org.bluez.GattCharacteristic1": {
                    "UUID": Variant("s", uuid),
                    "Service": Variant("o", service),
                    "Flags": Variant("as", _FLAGS.get(role, ["read"])),
                    "MTU": Variant("q", sensor.mtu),
                }
            }
        return out

    # -- telling ---------------------------------------------------------------------------------

    def changed(self, path: str, interface: str, values: dict[str, Variant]) -> None:
        assert self._bus is not None
        self._bus.send(
            Message(
                message_type=MessageType.SIGNAL,
                path=path,
                interface="org.freedesktop.DBus.Properties",
                member="PropertiesChanged",
                signature="sa{sv}as",
                body=[interface, values, []],
            )
        )

    def power(self, on: bool) -> None:
        """Switch Bluetooth on or off."""
        self.powered = on
        self.changed(ADAPTER, "org.bluez.Adapter1", {"Powered": Variant("b", on)})

    def send(self, sensor: SoftSensor, payload: bytes, *, anyway: bool = False) -> bool:
        """Send one notification; False if nobody is there to get it."""
        if not (sensor.live or anyway):
            return False
        path = next(p for role, p, _, _ in self._characteristics(sensor) if role == "data")
        self.changed(path, "org.bluez.GattCharacteristic1", {"Value": Variant("ay", payload)})
        return True

    def drop(self, sensor: SoftSensor, *, advertising: bool = True) -> None:
        """The link dies: one signal, as bluetoothd sends it."""
        sensor.connected = sensor.notifying = sensor.streaming = False
        sensor.advertising = advertising
        self.changed(
            sensor.path,
            "org.bluez.Device1",
            {"ServicesResolved": Variant("b", False), "Connected": Variant("b", False)},
        )

    # -- answering -------------------------------------------------------------------------------

    def _handle(self, message: Message) -> Message | bool | None:
        if message.message_type is not MessageType.METHOD_CALL:
            return None
        if message.interface == "org.freedesktop.DBus.ObjectManager":
            if self.refuse:
                return Message.new_error(
                    message, "org.freedesktop.DBus.Error.AccessDenied", "Rejected send message"
                )
            return Message.new_method_return(message, "a{oa{sa{sv}}}", [self.objects()])
        if not (message.interface or "").startswith("org.bluez."):
            return None
        for sensor in self.sensors:
            if message.path and message.path.startswith(sensor.path):
                return self._of(sensor, message)
        if message.member == "StartDiscovery":
            self.discovering = True
        elif message.member == "StopDiscovery":
            self.discovering = False
        return Message.new_method_return(message)

    def _of(self, sensor: SoftSensor, message: Message) -> Message | bool:
        if message.member == "Connect":
            self._soon(self._connect(sensor, message))
            return True
        if message.member == "Disconnect":
            self._soon(self._disconnect(sensor, message))
            return True
        known = self._characteristics(sensor)
        uuid = next((uuid for _, path, uuid, _ in known if path == message.path), None)
        if uuid is None or not sensor.connected:
            return _error(message, "Not connected")
        if sensor.faults.silent:
            return True
        if message.member == "ReadValue":
            if sensor.faults.drop_on_read:
                sensor.faults.drop_on_read = False
                self.drop(sensor)
                return _error(message, "Operation failed with ATT error: 0x0e")
            value = sensor.values().get(uuid)
            if value is None:
                return _error(message, "Operation failed with ATT error: 0x0a")
            return Message.new_method_return(message, "ay", [value])
        if message.member == "WriteValue":
            sensor.command(bytes(message.body[0]))
        elif message.member == "StartNotify":
            faults = sensor.faults
            if faults.start_error is not None and faults.start_errors > 0:
                faults.start_errors -= 1
                return _error(message, faults.start_error)
            sensor.notifying = True
        elif message.member == "StopNotify":
            sensor.notifying = False
        sensor.changed.set()
        return Message.new_method_return(message)

    def _soon(self, work: Any) -> None:
        task = asyncio.ensure_future(work)
        self._later.add(task)
        task.add_done_callback(self._later.discard)

    async def _connect(self, sensor: SoftSensor, message: Message) -> None:
        assert self._bus is not None
        if sensor.faults.connect_hangs:
            return
        await asyncio.sleep(0.002)
        if sensor.faults.connect_fails > 0 or not sensor.advertising:
            sensor.faults.connect_fails -= 1
            self._bus.send(_error(message, "le-connection-timeout"))
            return
        sensor.connected = True
        sensor.connections += 1
        self.changed(sensor.path, "org.bluez.Device1", {"Connected": Variant("b", True)})
        self._bus.send(Message.new_method_return(message))
        await asyncio.sleep(0.002)
        if sensor.connected:
            self.changed(sensor.path, "org.bluez.Device1", {"ServicesResolved": Variant("b", True)})

    async def _disconnect(self, sensor: SoftSensor, message: Message) -> None:
        assert self._bus is not None
        self._bus.send(Message.new_method_return(message))
        await asyncio.sleep(0.002)
        if sensor.connected:
            self.drop(sensor, advertising=sensor.advertising)


def _error(message: Message, text: str) -> Message:
    return Message.new_error(message, "org.bluez.Error.Failed", text)


@contextlib.asynccontextmanager
async def software_bluez(
    *sensors: SoftSensor, powered: bool = True, adapter: bool = True
) -> AsyncIterator[SoftwareBluez]:
    """Run the service in this event loop; the bus is there already."""
    service = SoftwareBluez(*sensors, powered=powered, adapter=adapter)
    await service.start()
    try:
        yield service
    finally:
        await service.stop()
        # bleak keeps one connection to the bus for each event loop.
        from bleak.backends.bluezdbus import manager

        kept = manager._global_instances.pop(asyncio.get_running_loop(), None)
        if kept is not None and kept._bus is not None:
            kept._bus.disconnect()
            if kept._bus_watcher_task is not None:
                await asyncio.wait({kept._bus_watcher_task})


class Player:
    """Sends a sensor's samples in real time or as fast as the bus takes them.

    Parameters
    ----------
    bluez : SoftwareBluez
    sensor : SoftSensor
    counts : (n, 6) int16
        Sent over and over if `loop`.
    """

    def __init__(
        self,
        bluez: SoftwareBluez,
        sensor: SoftSensor,
        counts: np.ndarray,
        *,
        gap_s: float = 0.002,
        change: Callable[[int, bytes], list[bytes]] | None = None,
    ) -> None:
        self.bluez, self.sensor, self.counts = bluez, sensor, counts
        self.gap_s = gap_s
        self.change = change or (lambda _number, payload: [payload])
        self.sent: dict[int, np.ndarray] = {}
        self.place = 0
        self.number = 0

    async def send(self, n_packets: int) -> None:
        """Send so many packets; while nobody listens the samples go by unheard."""
        for _ in range(n_packets):
            n = self.sensor.samples
            part = self.counts[self.place % len(self.counts) :][:n]
            self.place += len(part)
            payload = self.sensor.packet(part)
            for one in self.change(self.number, payload):
                if self.bluez.send(self.sensor, one) and one == payload:
                    self.sent[self.place - len(part)] = part
            self.number += 1
            await asyncio.sleep(self.gap_s)
