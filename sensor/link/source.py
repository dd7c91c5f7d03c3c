"""One seam for everything that sends samples: a radio, the simulated sensor, a replay.

Whatever is behind it, a source gives raw packets, byte for byte as a sensor sends them, each with
the time at which it arrived. What they mean is said by the sensor's profile.
"""

from __future__ import annotations

import asyncio
import sys
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol, runtime_checkable

from sensor.errors import SensorError

if TYPE_CHECKING:
    from sensor.link.profile import Profile
    from sensor.recording.session import Session


def host_clock_ns() -> int:
    """Read the clock that stamps arrivals: it never goes back, and goes on while the host sleeps.

    All sensors of one program are stamped with it, so two recordings share one clock. Like
    `time.monotonic`, but of the platforms' clocks the one that counts sleep as well: a closed
    laptop is then simply a long gap.
    """
    if sys.platform == "linux":
        return time.clock_gettime_ns(time.CLOCK_BOOTTIME)
    if sys.platform == "darwin":
        # There, unlike on Linux, this clock goes on during sleep (clock_gettime(3) of macOS).
        return time.clock_gettime_ns(time.CLOCK_MONOTONIC)
    return time.monotonic_ns()


class LinkError(SensorError):
    """The link to a sensor cannot be made or was lost.

    Attributes
    ----------
    retry : bool
        Whether trying again may help, without anybody doing anything.
    """

    retry = True


class AdapterAbsentError(LinkError):
    """The computer has no Bluetooth, or none that it can use."""

    retry = False

    def __init__(self, detail: str = "") -> None:
        super().__init__(
            "this computer has no usable Bluetooth adapter"
            + (f" ({detail})" if detail else "")
            + ": plug one in, or try the program with --simulated"
        )


class AdapterOffError(LinkError):
    """Bluetooth is switched off."""

    retry = False

    def __init__(self) -> None:
        super().__init__(
            "Bluetooth is switched off: switch it on in the system's settings, then try again"
        )


class BluetoothDeniedError(LinkError):
    """The system does not let this program use Bluetooth."""

    retry = False

    def __init__(self, detail: str = "") -> None:
        super().__init__(
            "the system does not allow this program to use Bluetooth"
            + (f" ({detail})" if detail else "")
            + ": allow it in the privacy settings; on Linux the user may have to join the group "
            "'bluetooth' and log in again"
        )


class SensorNotFoundError(LinkError):
    """No sensor of that name or address was seen.

    Parameters
    ----------
    wanted : str or None
        Name or address; None: any sensor of a known profile.
    seen : tuple of str
        Names of the devices that were seen.
    """

    def __init__(self, wanted: str | None, seen: tuple[str, ...] = ()) -> None:
        what = "no sensor" if wanted is None else f"no sensor '{wanted}'"
        near = f"; seen: {', '.join(seen)}" if seen else ""
        super().__init__(
            f"{what} was found: switch it on and bring it near, and see that nothing else is "
            f"connected to it{near} ('unhurried scan' lists what is there)"
        )
        self.wanted = wanted
        self.seen = seen


class SeveralSensorsError(LinkError):
    """More than one sensor fits; a name is not enough, an address is.

    Parameters
    ----------
    wanted : str or None
    choices : tuple of (name, address)
    """

    retry = False

    def __init__(self, wanted: str | None, choices: tuple[tuple[str, str], ...]) -> None:
        listed = ", ".join(f"{name} {address}" for name, address in choices)
        what = "several sensors are near" if wanted is None else f"several are named '{wanted}'"
        super().__init__(f"{what}: give one address with --sensor: {listed}")
        self.wanted = wanted
        self.choices = choices


class ConnectError(LinkError):
    """The sensor is there but connecting or starting it failed."""


class UnsuitableSensorError(LinkError):
    """The sensor cannot be used as it is: unknown layout, a rate or setting it does not have."""

    retry = False


class SensorChangedError(LinkError):
    """A sensor came back with settings other than those its recording began with."""

    retry = False


@dataclass(frozen=True, slots=True)
class RawPacket:
    """One packet as it came.

    Attributes
    ----------
    arrival_ns : int
        By `host_clock_ns`, stamped as soon as the program saw it.
    payload : bytes
        As the sensor sent it.
    """

    arrival_ns: int
    payload: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorInfo:
    """A sensor as it reports itself once it is connected; None is what it does not say.

    Attributes
    ----------
    name : str
    address : str or None
    profile : Profile
        How its packets are to be read.
    manufacturer, model, serial, hardware, firmware : str or None
        Device Information service (Bluetooth SIG 0x180A).
    battery_percent : int or None
        Battery service (0x180F).
    layout_version : int or None
    rate_hz : float
        Sample rate as set.
    gyr_range_dps, acc_range_g : float
        Ranges as set.
    gyr_dps_per_count, acc_m_s2_per_count : float
        Size of one count.
    gyr_delay_ms : float or None
        Delay of the gyroscope's own filter; None where the sensor doesn't say.
    gyr_delay_u_ms : float or None
        Its standard uncertainty.
    acc_delay_ms : float
        Delay of the accelerometer's.
    gyr_scale_u : float or None
        Relative standard uncertainty of the gyroscope's scale, where sensor or profile say.
    packet_samples : int or None
        Most samples a packet.
    simulated : bool
        Not a real sensor.
    """

    name: str
    profile: Profile
    rate_hz: float
    gyr_range_dps: float
    acc_range_g: float
    gyr_dps_per_count: float
    acc_m_s2_per_count: float
    address: str | None = None
    manufacturer: str | None = None
    model: str | None = None
    serial: str | None = None
    hardware: str | None = None
    firmware: str | None = None
    battery_percent: int | None = None
    layout_version: int | None = None
    gyr_delay_ms: float | None = None
    gyr_delay_u_ms: float | None = None
    acc_delay_ms: float = 0.0
    gyr_scale_u: float | None = None
    packet_samples: int | None = None
    simulated: bool = False

    def as_sensor(self) -> dict[str, Any]:
        """Return the sensor's part of ``session.json``."""
        out: dict[str, Any] = {"name": self.name, "profile": self.profile.name}
        for key in (
            "address",
            "manufacturer",
            "model",
            "serial",
            "hardware",
            "firmware",
            "battery_percent",
            "layout_version",
            "gyr_scale_u",
        ):
            value = getattr(self, key)
            if value is not None:
                out[key] = value
        if self.simulated:
            out["simulated"] = True
        return out

    def delays(self) -> dict[str, Any]:
        """Return how late the chip's filters are, as ``session.json`` has it."""
        names = ("gyr_delay_ms", "gyr_delay_u_ms", "acc_delay_ms")
        return {name: getattr(self, name) for name in names}

    def settings(self) -> tuple[object, ...]:
        """Return what must not change within a recording."""
        return (
            self.profile.name,
            self.layout_version,
            self.rate_hz,
            self.gyr_range_dps,
            self.acc_range_g,
            self.gyr_dps_per_count,
            self.acc_m_s2_per_count,
        )


PacketCallback = Callable[[RawPacket], None]


@runtime_checkable
class Source(Protocol):
    """One sensor. `connect` and `start` once a connection, then `disconnect`; and again.

    Attributes
    ----------
    name : str
        What to call it in a message.
    lost : asyncio.Event
        Set when the link has died or, with `ended`, when there is nothing more. A new event for
        each connection.
    ended : bool
        True once a replay (or a simulation of given length) is at its end: nothing more comes.
    signal_dbm : int or None
        Strength of the signal, where it is known.
    facts : mapping
        What the source itself knows of who wears it where: any of mount, handedness, player, club.
        Empty for a radio.
    """

    name: str
    lost: asyncio.Event
    ended: bool
    signal_dbm: int | None
    facts: Mapping[str, str]

    async def connect(self) -> SensorInfo:
        """Find the sensor, connect and read what it says of itself.

        Raises
        ------
        LinkError
            One of its subclasses says what is wrong and what to do.
        """
        ...

    async def start(self, on_packet: PacketCallback) -> None:
        """Have the sensor send; `on_packet` is called in the event loop for each packet.

        Raises
        ------
        LinkError
        """
        ...

    async def stop(self) -> None:
        """Have the sensor send no more, if it can still be told. Never raises a `LinkError`."""
        ...

    async def disconnect(self) -> None:
        """Let go of the sensor, also after a lost link. Harmless when called again."""
        ...

    async def battery(self) -> int | None:
        """Ask for the battery's charge in percent; None where it can't be told."""
        ...


class PlayedSource:
    """What a source without a radio has: a task of its own that sends.

    Attributes
    ----------
    lost : asyncio.Event
    """

    lost: asyncio.Event
    _task: asyncio.Task[None] | None

    async def start(self, on_packet: PacketCallback) -> None:
        """Send from where it was."""
        self._task = asyncio.ensure_future(self._watch(on_packet))

    async def _watch(self, on_packet: PacketCallback) -> None:
        try:
            await self._send(on_packet)
        finally:
            # At the end, or through an error that whoever awaits the task is told.
            self.lost.set()

    async def _send(self, on_packet: PacketCallback) -> None:
        raise NotImplementedError


def info_of_session(
    session: Session, profile: Profile, *, name: str, packet_samples: int | None
) -> SensorInfo:
    """Say of a recording's sensor what it would say of itself, sending with a profile."""
    sensor = session.sensor
    assert session.gyr_range_dps is not None
    assert session.acc_range_g is not None
    assert session.gyr_dps_per_count is not None
    assert session.acc_m_s2_per_count is not None
    texts: dict[str, Any] = {
        key: str(sensor[key])
        for key in ("address", "manufacturer", "model", "serial", "hardware", "firmware")
        if sensor.get(key) is not None
    }
    battery = sensor.get("battery_percent")
    return SensorInfo(
        name=name,
        profile=profile,
        rate_hz=session.nominal_rate_hz,
        gyr_range_dps=session.gyr_range_dps,
        acc_range_g=session.acc_range_g,
        gyr_dps_per_count=session.gyr_dps_per_count,
        acc_m_s2_per_count=session.acc_m_s2_per_count,
        battery_percent=battery if isinstance(battery, int) else None,
        gyr_delay_ms=session.gyr_delay_ms,
        gyr_delay_u_ms=session.gyr_delay_u_ms,
        gyr_scale_u=session.gyr_scale_u,
        acc_delay_ms=session.acc_delay_ms,
        packet_samples=packet_samples,
        simulated=bool(sensor.get("simulated", False)),
        **texts,
    )
