"""Sensors over Bluetooth LE, through bleak.

What is minded here, found by experiment with bleak 3.1 and BlueZ 5.66: after a lost link
`disconnect` has to be called all the same, or a D-Bus connection leaks each time; every connection
gets a client of its own; a GATT error from a client that is no longer connected is a lost link,
whatever its text; data may come before `start_notify` returns; the MTU is told by the
characteristic and not by the client.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections.abc import AsyncIterator, Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

from bleak import BleakClient, BleakScanner
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData
from bleak.exc import (
    BleakBluetoothNotAvailableError,
    BleakBluetoothNotAvailableReason,
    BleakCharacteristicNotFoundError,
    BleakDBusError,
    BleakError,
)

from sensor.link.parts import full_uuid
from sensor.link.profile import (
    Command,
    Configuration,
    ConfigurationError,
    Profile,
    profiles,
)
from sensor.link.source import (
    AdapterAbsentError,
    AdapterOffError,
    BluetoothDeniedError,
    ConnectError,
    LinkError,
    PacketCallback,
    RawPacket,
    SensorInfo,
    SensorNotFoundError,
    SeveralSensorsError,
    UnsuitableSensorError,
    host_clock_ns,
)
from words.units import G_N_M_S2

_log = logging.getLogger(__name__)

# Bluetooth SIG, Assigned Numbers (from memory): Battery Service, by which an advertisement may
# carry the charge.
BATTERY_SERVICE: Final = full_uuid("180f")

# What bleak and what is below it raise: its own errors; OSError (no bus, and Windows); EOFError and
# AssertionError when the bus dies under it; ValueError for an ATT error code it doesn't know.
_TROUBLE: Final = (BleakError, OSError, EOFError, AssertionError, ValueError)

_ATT_HEADER: Final = 3
"""An ATT notification's own bytes (Bluetooth Core Specification, Vol. 3, Part F, 3.4.7.1)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RadioParams:
    """How long to look for a sensor."""

    scan_s: float = 10.0
    """Sensors advertise at least every second or two (common practice, no source)."""

    settle_s: float = 1.5
    """Once one of that name was seen: whether there is another of the same."""

    stop_scan_s: float = 3.0
    """A system that doesn't answer is left alone."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenSensor:
    """A device that advertises.

    Attributes
    ----------
    name : str
        Its address if it gives no name.
    address : str
        On macOS a number that the system made up for it.
    signal_dbm : int or None
    battery_percent : int or None
        Where the advertisement carries it.
    profile : str or None
        Profile by which it can be recorded; None: not a sensor that is known here.
    """

    name: str
    address: str
    signal_dbm: int | None
    battery_percent: int | None
    profile: str | None


def _plain_error(error: BaseException, what: str) -> LinkError:
    """Say in one line what went wrong and what to do."""
    if isinstance(error, LinkError):
        return error
    if isinstance(error, BleakBluetoothNotAvailableError):
        reasons = BleakBluetoothNotAvailableReason
        if error.reason is reasons.POWERED_OFF:
            return AdapterOffError()
        if error.reason in (
            reasons.DENIED_BY_USER,
            reasons.DENIED_BY_SYSTEM,
            reasons.DENIED_BY_UNKNOWN,
        ):
            return BluetoothDeniedError()
        return AdapterAbsentError(
            "it can't do Bluetooth LE" if error.reason is reasons.NO_BLE_CENTRAL_ROLE else ""
        )
    if isinstance(error, BleakDBusError):
        name = error.dbus_error
        if name.endswith(("AccessDenied", "AuthFailed", "NotAuthorized", "NotPermitted")):
            return BluetoothDeniedError()
        if name.endswith(("ServiceUnknown", "NameHasNoOwner", "Spawn.ServiceNotFound")):
            return AdapterAbsentError("the Bluetooth service is not running")
        if name.endswith("NotReady"):
            return AdapterOffError()
    if isinstance(error, PermissionError):
        return BluetoothDeniedError()
    if isinstance(error, (FileNotFoundError, ConnectionRefusedError)):
        return AdapterAbsentError("there is no system bus, so no Bluetooth service")
    if isinstance(error, BleakError) and "adapter" in str(error) and "not found" in str(error):
        return AdapterAbsentError()
    if isinstance(error, TimeoutError):
        return ConnectError(f"{what}: no answer in time: bring it nearer, or switch it off and on")
    detail = " ".join(str(error).split()) or type(error).__name__
    return ConnectError(f"{what}: {detail}: bring it nearer, or switch it off and on")


@contextlib.contextmanager
def _plain(what: str, client: BleakClient | None = None) -> Iterator[None]:
    try:
        yield
    except _TROUBLE as error:
        if client is not None and not client.is_connected:
            # Whatever it says: the link died meanwhile.
            raise ConnectError(f"{what}: the link dropped: bring it nearer") from error
        raise _plain_error(error, what) from error


# -- scanning --------------------------------------------------------------------------------------


def _seen(
    device: BLEDevice, advertisement: AdvertisementData, known: Mapping[str, Profile]
) -> SeenSensor:
    name = advertisement.local_name or device.name
    services = advertisement.service_uuids
    profile = next((p.name for p in known.values() if p.recognises(name, services)), None)
    charge = advertisement.service_data.get(BATTERY_SERVICE, b"")
    # -127: the system doesn't know (BlueZ, for devices it merely remembers).
    signal = advertisement.rssi if advertisement.rssi > -127 else None
    return SeenSensor(
        name=name or device.address,
        address=device.address,
        signal_dbm=signal,
        battery_percent=charge[0] if len(charge) == 1 and charge[0] <= 100 else None,
        profile=profile,
    )


@contextlib.asynccontextmanager
async def _scanning(
    on_seen: Callable[[BLEDevice, AdvertisementData], None], adapter: str | None, stop_s: float
) -> AsyncIterator[None]:
    options: dict[str, Any] = {"bluez": {"adapter": adapter}} if adapter else {}
    scanner = BleakScanner(on_seen, **options)
    with _plain("looking for sensors failed"):
        await scanner.start()
    try:
        yield
    finally:
        # What was found counts, also if the end of it doesn't go well.
        with contextlib.suppress(*_TROUBLE):
            async with asyncio.timeout(stop_s):
                await scanner.stop()


async def scan(
    seconds: float,
    *,
    on_change: Callable[[list[SeenSensor]], None] | None = None,
    stop: asyncio.Event | None = None,
    adapter: str | None = None,
    known: Mapping[str, Profile] | None = None,
    params: RadioParams | None = None,
) -> list[SeenSensor]:
    """Look what advertises.

    Parameters
    ----------
    seconds : float
    on_change : callable, optional
        Given all seen so far whenever something is new.
    stop : asyncio.Event, optional
        Ends it early.
    adapter : str, optional
        Such as "hci1"; Linux only.
    known : mapping, optional
        Profiles by name; those that come with the program by default.
    params : RadioParams, optional

    Returns
    -------
    list of SeenSensor
        Sensors of a known profile first, then by strength of the signal.

    Raises
    ------
    LinkError
        Bluetooth is absent, off or denied.
    """
    known = profiles() if known is None else known
    found: dict[str, SeenSensor] = {}

    def listed() -> list[SeenSensor]:
        return sorted(
            found.values(),
            key=lambda one: (one.profile is None, -(one.signal_dbm or -200), one.address),
        )

    def on_seen(device: BLEDevice, advertisement: AdvertisementData) -> None:
        one = _seen(device, advertisement, known)
        if found.get(one.address) != one:
            found[one.address] = one
            if on_change is not None:
                on_change(listed())

    params = params or RadioParams()
    async with _scanning(on_seen, adapter, params.stop_scan_s):
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(seconds):
                await (stop or asyncio.Event()).wait()
    return listed()


# -- one sensor ------------------------------------------------------------------------------------


class RadioSource:
    """A sensor over Bluetooth LE.

    Parameters
    ----------
    wanted : str, optional
        Its name or address; None: the only sensor of a known profile that is near.
    profile : Profile, optional
        Taken as given; by default told from the advertisement and the services.
    rate_hz, gyr_range_dps, acc_range_g : float, optional
        Settings to ask for; by default the profile's.
    adapter : str, optional
        Such as "hci1"; Linux only.
    clock : callable
        Nanoseconds, for the arrivals.
    params : RadioParams, optional
    """

    def __init__(
        self,
        wanted: str | None = None,
        *,
        profile: Profile | None = None,
        rate_hz: float | None = None,
        gyr_range_dps: float | None = None,
        acc_range_g: float | None = None,
        adapter: str | None = None,
        clock: Callable[[], int] = host_clock_ns,
        params: RadioParams | None = None,
    ) -> None:
        self.name = wanted or "sensor"
        self.lost = asyncio.Event()
        self.ended = False
        self.signal_dbm: int | None = None
        self.facts: Mapping[str, str] = {}
        self._wanted = wanted
        self._address: str | None = None
        self._given = profile
        self._profile = profile
        self._settings = {
            "rate_hz": rate_hz,
            "gyr_range_dps": gyr_range_dps,
            "acc_range_g": acc_range_g,
        }
        self._adapter = adapter
        self._clock = clock
        self._params = params or RadioParams()
        self._client: BleakClient | None = None
        self._known = {profile.name: profile} if profile is not None else profiles()

    # -- finding -----------------------------------------------------------------------------------

    async def _find(self) -> BLEDevice:
        """Look until the sensor is seen, and a little longer to see whether it is the only one."""
        params = self._params
        fitting: dict[str, tuple[BLEDevice, SeenSensor]] = {}
        others: dict[str, str] = {}
        first = asyncio.Event()
        by_address = False

        def on_seen(device: BLEDevice, advertisement: AdvertisementData) -> None:
            nonlocal by_address
            one = _seen(device, advertisement, self._known)
            exact = _same_address(device.address, self._address or self._wanted)
            if exact or (self._address is None and self._fits(one)):
                fitting[device.address] = (device, one)
                by_address = by_address or exact
                first.set()
            else:
                others[device.address] = one.name

        async with _scanning(on_seen, self._adapter, params.stop_scan_s):
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(params.scan_s):
                    await first.wait()
            if fitting and not by_address:
                await asyncio.sleep(params.settle_s)
        if not fitting:
            connected = await self._already_connected()
            if connected is not None:
                return connected
            raise SensorNotFoundError(self._wanted, tuple(sorted(set(others.values()))[:5]))
        if by_address:
            device, one = next(
                pair
                for address, pair in fitting.items()
                if _same_address(address, self._address or self._wanted)
            )
        elif len(fitting) > 1:
            choices = tuple((one.name, address) for address, (_, one) in sorted(fitting.items()))
            raise SeveralSensorsError(self._wanted, choices)
        else:
            device, one = next(iter(fitting.values()))
        self.name = one.name
        self.signal_dbm = one.signal_dbm
        if self._given is None and one.profile is not None:
            self._profile = self._known[one.profile]
        return device

    def _fits(self, one: SeenSensor) -> bool:
        if self._wanted is not None:
            return one.name.casefold() == self._wanted.casefold()
        return one.profile is not None

    async def _already_connected(self) -> BLEDevice | None:
        """Find the sensor among those that this computer is connected to already.

        A program that was killed leaves its sensor connected, and so it doesn't advertise.
        """
        try:
            # From bleak 3.1 on.
            from bleak import BleakAdapter
        except ImportError:
            return None
        services = sorted({uuid for p in self._known.values() for uuid in p.services})
        if not services:
            return None
        options: dict[str, Any] = {"bluez": {"adapter": self._adapter}} if self._adapter else {}
        try:
            adapter = await BleakAdapter.get(**options)
            devices = await adapter.get_connected_devices(services)
        except (*_TROUBLE, NotImplementedError, KeyError):
            return None
        wanted = self._address or self._wanted
        fitting = [
            device
            for device in devices
            if wanted is None
            or _same_address(device.address, wanted)
            or (self._address is None and (device.name or "").casefold() == wanted.casefold())
        ]
        if len(fitting) != 1:
            return None
        self.name = fitting[0].name or fitting[0].address
        return fitting[0]

    # -- the source --------------------------------------------------------------------------------

    async def connect(self) -> SensorInfo:
        """Find the sensor, connect, set it and read what it says of itself.

        Raises
        ------
        LinkError
        """
        await self.disconnect()
        self.lost = lost = asyncio.Event()
        device = await self._find()
        # Also called for a disconnection of our own, by when nobody waits for it.
        client = BleakClient(
            device,
            disconnected_callback=lambda _: lost.set(),
            # After an update of its firmware Windows would go on with the services of before.
            winrt={"use_cached_services": False},
        )
        self._client = client
        what = f"connecting to {self.name} failed"
        try:
            with _plain(what):
                await client.connect()
            with _plain(what, client):
                profile = self._recognise(client)
                info = await self._configure(client, profile, device)
        except BaseException:
            await self._drop()
            raise
        self._address = device.address
        return info

    def _recognise(self, client: BleakClient) -> Profile:
        """Find the profile by the characteristics that are there."""
        candidates = list(self._known.values())
        if self._profile is not None:
            candidates = [self._profile]
        for profile in candidates:
            if _characteristic(client, profile, "data") is not None:
                self._profile = profile
                return profile
        if self._profile is not None:
            raise UnsuitableSensorError(
                f"{self.name} does not offer what the profile {self._profile.name} needs: name "
                "another profile, or update the sensor's firmware"
            )
        raise UnsuitableSensorError(
            f"{self.name} is of no known kind: write a profile for it (see "
            "sensor/link/profiles/README.md)"
        )

    async def _configure(
        self, client: BleakClient, profile: Profile, device: BLEDevice
    ) -> SensorInfo:
        try:
            chosen = {name: profile.choose(name, wanted) for name, wanted in self._settings.items()}
            configuration = await self._read_configuration(client, profile)
            if configuration.streaming:
                # Left so by a program that died: settings are only taken at rest.
                await self._command(client, profile, "stop")
            await self._command(client, profile, "set_rate", **chosen)
            await self._command(client, profile, "set_ranges", **chosen)
            samples = self._packet_samples(client, profile)
            if samples is not None:
                await self._command(client, profile, "set_samples", samples=samples)
            configuration = await self._read_configuration(client, profile)
        except ConfigurationError as error:
            raise UnsuitableSensorError(f"{self.name}: {error}") from error
        for name, wanted in self._settings.items():
            told = getattr(configuration, name)
            if wanted is not None and told is not None and abs(told / wanted - 1.0) > 1e-3:
                why = f" ({configuration.result_text})" if configuration.result else ""
                raise UnsuitableSensorError(
                    f"{self.name} did not take {name} {wanted:g}, it stays at {told:g}{why}: ask "
                    "for that, or for nothing"
                )
        gyr_range = configuration.gyr_range_dps or chosen["gyr_range_dps"]
        acc_range = configuration.acc_range_g or chosen["acc_range_g"]
        gyr_scale = configuration.gyr_dps_per_count or profile.gyr_scale.resolve(gyr_range)
        acc_scale = configuration.acc_m_s2_per_count
        if acc_scale is None:
            of_g = profile.acc_scale.resolve(acc_range)
            acc_scale = None if of_g is None else of_g * G_N_M_S2
        if gyr_scale is None or acc_scale is None:
            raise UnsuitableSensorError(
                f"neither {self.name} nor its profile says how large a count is: complete the "
                "profile"
            )
        rate_hz = configuration.rate_hz or chosen["rate_hz"]
        texts: dict[str, Any] = {}
        for role in ("manufacturer", "model", "serial", "hardware", "firmware"):
            texts[role] = _text(await self._read(client, profile, role))
        return SensorInfo(
            name=self.name,
            profile=profile,
            address=device.address,
            battery_percent=_percent(await self._read(client, profile, "battery")),
            layout_version=configuration.layout,
            rate_hz=rate_hz,
            gyr_range_dps=gyr_range,
            acc_range_g=acc_range,
            gyr_dps_per_count=gyr_scale,
            acc_m_s2_per_count=acc_scale,
            **profile.gyr_facts(configuration, rate_hz),
            acc_delay_ms=configuration.acc_delay_ms or 0.0,
            packet_samples=configuration.samples or samples,
            **texts,
        )

    async def _read_configuration(self, client: BleakClient, profile: Profile) -> Configuration:
        if profile.configuration is None:
            return Configuration()
        value = await self._read(client, profile, "configuration", optional=False)
        return profile.configuration.parse(value or b"")

    def _packet_samples(self, client: BleakClient, profile: Profile) -> int | None:
        """Samples a packet to ask for: small for a live cue, and what fits into a notification."""
        if "set_samples" not in profile.commands or "samples" not in profile.settings:
            return None
        setting = profile.settings["samples"]
        data = _characteristic(client, profile, "data")
        # bleak's client only guesses the MTU; the characteristic knows (reference: bluetooth.md).
        room = data.max_write_without_response_size if data is not None else 20
        fits = profile.packet.samples_for_mtu(room + _ATT_HEADER)
        if fits < 1:
            raise UnsuitableSensorError(
                f"the connection to {self.name} carries {room} bytes a packet, too few for one "
                "sample: connect again, or use another Bluetooth adapter"
            )
        most = min(fits, setting.default)
        return round(max((one for one in setting.choices if one <= most), default=1.0))

    async def _command(
        self, client: BleakClient, profile: Profile, name: str, **values: float
    ) -> None:
        command: Command | None = profile.commands.get(name)
        if command is None:
            return
        data = command.render(**{key: values[key] for key in command.needs if key in values})
        target = _characteristic(client, profile, command.to)
        if target is None:
            raise BleakCharacteristicNotFoundError(profile.uuid(command.to) or command.to)
        await client.write_gatt_char(target, data, response=command.response)

    async def _read(
        self, client: BleakClient, profile: Profile, role: str, *, optional: bool = True
    ) -> bytes | None:
        target = _characteristic(client, profile, role)
        if target is None:
            if optional:
                return None
            raise BleakCharacteristicNotFoundError(profile.uuid(role) or role)
        try:
            return bytes(await client.read_gatt_char(target))
        except _TROUBLE:
            # A sensor may refuse what is only nice to know, but not the whole link.
            if not optional or not client.is_connected:
                raise
            return None

    async def start(self, on_packet: PacketCallback) -> None:
        """Switch notifications on, then have the sensor send.

        Raises
        ------
        LinkError
        """
        client, profile = self._client, self._profile
        if client is None or profile is None:
            raise ConnectError(f"{self.name} is not connected")
        clock = self._clock

        def on_data(_: Any, payload: bytearray) -> None:
            on_packet(RawPacket(clock(), bytes(payload)))

        with _plain(f"starting {self.name} failed", client):
            data = _characteristic(client, profile, "data")
            if data is None:
                raise BleakCharacteristicNotFoundError(profile.uuid("data") or "data")
            await client.start_notify(data, on_data)
            await self._command(client, profile, "start")

    async def stop(self) -> None:
        """Have the sensor send no more, if it is still there."""
        client, profile = self._client, self._profile
        if client is None or profile is None or not client.is_connected:
            return
        with contextlib.suppress(*_TROUBLE):
            await self._command(client, profile, "stop")
            data = _characteristic(client, profile, "data")
            if data is not None:
                await client.stop_notify(data)

    async def disconnect(self) -> None:
        """Let go of the sensor, also after a lost link."""
        await self._drop()

    async def _drop(self) -> None:
        client, self._client = self._client, None
        if client is None:
            return
        try:
            # Shielded: cut short it would leave a connection to the bus behind.
            await asyncio.shield(asyncio.ensure_future(client.disconnect()))
        except _TROUBLE as error:
            _log.debug("%s: disconnecting: %r", self.name, error)

    async def battery(self) -> int | None:
        """Ask for the charge; None where the sensor doesn't tell.

        Raises
        ------
        LinkError
            The link died over it.
        """
        client, profile = self._client, self._profile
        if client is None or profile is None or not client.is_connected:
            return None
        with _plain(f"asking {self.name} for its battery failed", client):
            return _percent(await self._read(client, profile, "battery"))


def _characteristic(client: BleakClient, profile: Profile, role: str) -> Any:
    """Return the characteristic with a role in its service, or None."""
    wanted = profile.characteristics.get(role)
    if wanted is None:
        return None
    service = client.services.get_service(wanted.service)
    return None if service is None else service.get_characteristic(wanted.uuid)


def _same_address(address: str, wanted: str | None) -> bool:
    if wanted is None:
        return False
    # As it is (on macOS it has dashes), or with dashes where the system has colons.
    return address.casefold() in (wanted.casefold(), wanted.replace("-", ":").casefold())


def _percent(value: bytes | None) -> int | None:
    return value[0] if value is not None and len(value) == 1 and value[0] <= 100 else None


def _text(value: bytes | None) -> str | None:
    if value is None:
        return None
    return value.decode("utf-8", errors="replace").strip("\0 ") or None
