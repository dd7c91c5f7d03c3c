"""Sensor profiles: what a sensor sends, described in a TOML file instead of in code.

A profile names the characteristics, the commands, the configuration and the layout of a packet.
`load_profile` checks all of it and says which key is wrong. How to write one is in
``sensor/link/profiles/README.md``.
"""

from __future__ import annotations

import contextlib
import functools
import math
import struct
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Final

import msgspec
from msgspec import Meta

from sensor.errors import SensorError
from sensor.link.parts import Characteristic, Scale, Setting, full_uuid
from sensor.recording.layout import AXES
from sensor.recording.schema import (
    SchemaError,
    check_version,
    convert,
    inside,
    one_of,
    parse_toml,
    read_small,
)

SCHEMA: Final = 1
FOLDER: Final = Path(__file__).parent / "profiles"
STREAM_PROFILE: Final = "unhurried-stream"
"""The project's own: replays and simulated sensors send it."""

MOST_BYTES: Final = 1_000_000

ROLES: Final = (
    "data",
    "control",
    "configuration",
    "battery",
    "manufacturer",
    "model",
    "serial",
    "hardware",
    "firmware",
    "software",
)
COMMANDS: Final = ("start", "stop", "set_rate", "set_ranges", "set_samples")
SETTINGS: Final = ("rate_hz", "gyr_range_dps", "acc_range_g", "samples")
CONFIGURATION: Final = (
    "layout",
    "streaming",
    "last_command",
    "result",
    "samples",
    "rate_hz",
    "gyr_range_dps",
    "acc_range_g",
    "gyr_dps_per_count",
    "acc_m_s2_per_count",
    "gyr_delay_ms",
    "gyr_delay_u_ms",
    "acc_delay_ms",
    "gyr_scale_u",
)
HEADER: Final = ("count", "counter", "ticks")
SKIP: Final = "skip"
COUNTERS: Final = ("samples", "packets", "none")
TICKS_OF: Final = ("first", "last")
BYTE_ORDERS: Final = {"little": "<", "big": ">"}
# struct's letters; those of packet fields are whole numbers.
TYPES: Final = {
    "u8": "B",
    "i8": "b",
    "u16": "H",
    "i16": "h",
    "u32": "I",
    "i32": "i",
    "u64": "Q",
    "f32": "f",
}
WHOLE: Final = tuple(name for name in TYPES if name != "f32")
UNSIGNED: Final = tuple(name for name in TYPES if name.startswith("u"))
CHANNELS: Final = (*AXES, *(f"-{axis}" for axis in AXES), SKIP)
SAMPLE_TYPES: Final = ("i16", "i8")
# ATT allows 512 bytes a value (Bluetooth Core Specification, Vol. 3, Part F, 3.2.9).
MAX_VALUE_BYTES: Final = 512


class ProfileError(SensorError):
    """A profile cannot be used: which file, which key, what is wrong."""

    def __init__(self, where: str, key: str, problem: str) -> None:
        super().__init__(where, key, problem)
        self.where = where
        self.key = key
        self.problem = problem

    def __str__(self) -> str:
        return ": ".join(part for part in (self.where, self.key, self.problem) if part)


class ConfigurationError(SensorError):
    """What a sensor says of itself cannot be understood, or what it is asked for isn't offered."""


# -- what a profile holds ----------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """One number among the bytes of a command, a configuration or a packet's header.

    Attributes
    ----------
    name : str
        What it is; "skip" for bytes without a meaning here.
    type : str
        Key of `TYPES`.
    value : int or None
        What it always is; a packet or configuration in which it isn't is not understood.
    scale : float
        The quantity is the number in the bytes times this.
    codes : tuple of (float, int)
        Quantity and the code that stands for it; empty where the number is the quantity itself.
    """

    name: str
    type: str
    value: int | None = None
    scale: float = 1.0
    codes: tuple[tuple[float, int], ...] = ()

    def to_number(self, quantity: float) -> int | float:
        """Return what goes into the bytes.

        Raises
        ------
        ConfigurationError
            The quantity has no code, or doesn't fit.
        """
        number: float = quantity / self.scale
        if self.codes:
            for known, code in self.codes:
                if math.isclose(known, quantity, rel_tol=1e-6):
                    return code
            offered = ", ".join(f"{known:g}" for known, _ in self.codes)
            raise ConfigurationError(f"{self.name} {quantity:g} is not one of {offered}")
        if self.type == "f32":
            return number
        whole = round(number)
        low, high = _limits(self.type)
        if not low <= whole <= high:
            raise ConfigurationError(f"{self.name} {quantity:g} does not fit into {self.type}")
        return whole

    def to_quantity(self, number: int | float) -> float | None:
        """Return the quantity of a number in the bytes; None for a code that isn't known."""
        if self.codes:
            return next((known for known, code in self.codes if code == number), None)
        return number * self.scale


@dataclass(frozen=True, slots=True, kw_only=True)
class Command:
    """Bytes to write to a characteristic.

    Attributes
    ----------
    to : str
        Role of the characteristic.
    response : bool
        Write with response: the sensor's Bluetooth stack confirms it.
    fields : tuple of Field
    byte_order : str
    """

    to: str
    response: bool
    fields: tuple[Field, ...]
    byte_order: str

    @property
    def needs(self) -> tuple[str, ...]:
        """Names of the quantities that `render` needs."""
        return tuple(f.name for f in self.fields if f.value is None and f.name != SKIP)

    def render(self, **quantities: float) -> bytes:
        """Return the bytes.

        Raises
        ------
        ConfigurationError
            A quantity is missing, isn't offered or doesn't fit.
        """
        numbers: list[int | float] = []
        for field in self.fields:
            if field.value is not None:
                numbers.append(field.value)
            elif field.name == SKIP:
                numbers.append(0)
            elif field.name not in quantities:
                raise ConfigurationError(f"{field.name} is needed for this command")
            else:
                numbers.append(field.to_number(quantities[field.name]))
        return struct.pack(_format(self.fields, self.byte_order), *numbers)


@dataclass(frozen=True, slots=True, kw_only=True)
class Configuration:
    """What a sensor says of itself; None for what it doesn't say.

    Attributes
    ----------
    layout : int or None
        Version of the packet layout.
    streaming : bool or None
    last_command, result : int or None
        Code of the last command and how it went; 0 is done.
    result_text : str or None
        The result in words, where the profile has them.
    samples : int or None
        Samples a packet at most.
    rate_hz, gyr_range_dps, acc_range_g, gyr_dps_per_count, acc_m_s2_per_count : float or None
    gyr_delay_ms, acc_delay_ms : float or None
        Delay of the chip's own filters.
    gyr_delay_u_ms : float or None
        Standard uncertainty of the gyroscope's.
    gyr_scale_u : float or None
        Relative standard uncertainty of its scale, by axis.
    """

    layout: int | None = None
    streaming: bool | None = None
    last_command: int | None = None
    result: int | None = None
    result_text: str | None = None
    samples: int | None = None
    rate_hz: float | None = None
    gyr_range_dps: float | None = None
    acc_range_g: float | None = None
    gyr_dps_per_count: float | None = None
    acc_m_s2_per_count: float | None = None
    gyr_delay_ms: float | None = None
    gyr_delay_u_ms: float | None = None
    acc_delay_ms: float | None = None
    gyr_scale_u: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ConfigurationLayout:
    """Where the numbers are in the configuration value. Bytes after the last field are ignored."""

    fields: tuple[Field, ...]
    results: tuple[str, ...]
    byte_order: str

    @property
    def size(self) -> int:
        """Bytes of all fields."""
        return struct.calcsize(_format(self.fields, self.byte_order))

    def parse(self, value: bytes) -> Configuration:
        """Read the value of the configuration characteristic.

        Raises
        ------
        ConfigurationError
            It is too short, or has a layout that the profile doesn't describe.
        """
        if len(value) < self.size:
            raise ConfigurationError(
                f"the sensor's configuration has {len(value)} bytes, not {self.size}: is its "
                f"firmware of another kind than the profile?"
            )
        numbers = struct.unpack_from(_format(self.fields, self.byte_order), value)
        found: dict[str, Any] = {}
        for field, number in zip(self.fields, numbers, strict=True):
            if field.value is not None and number != field.value:
                raise ConfigurationError(
                    f"the sensor's {field.name} is {number}, the profile knows {field.value}: "
                    f"update unhurried or the sensor's firmware"
                )
            if field.name == SKIP:
                continue
            quantity = field.to_quantity(number)
            if quantity is None or not math.isfinite(quantity):
                continue
            if field.name == "streaming":
                found[field.name] = bool(quantity)
            elif field.name in ("layout", "last_command", "result", "samples"):
                found[field.name] = round(quantity)
            elif quantity > 0.0 or (field.name.endswith("_delay_ms") and quantity == 0.0):
                found[field.name] = quantity
        result = found.get("result")
        if result is not None and 0 <= result < len(self.results):
            found["result_text"] = self.results[result]
        return Configuration(**found)

    def render(self, **quantities: float) -> bytes:
        """Return the bytes of a configuration: the inverse of `parse`, for simulated sensors."""
        numbers = [
            field.value
            if field.value is not None
            else field.to_number(quantities.get(field.name, 0.0))
            if field.name != SKIP and not (field.codes and field.name not in quantities)
            else 0
            for field in self.fields
        ]
        return struct.pack(_format(self.fields, self.byte_order), *numbers)


@dataclass(frozen=True, slots=True, kw_only=True)
class PacketLayout:
    """How samples lie in a packet: a header, then whole samples one after another.

    Attributes
    ----------
    byte_order : {"little", "big"}
    header : tuple of Field
    counter : {"samples", "packets", "none"}
        What the header's counter counts.
    tick_s : float or None
        Seconds a tick of the header's time stamp; None where there is none.
    ticks_of : {"first", "last"}
        The sample that the time stamp belongs to.
    min_samples, max_samples : int
    type : {"i16", "i8"}
    channels : tuple of str
        What each number of a sample is, in its order; "-" in front turns its sign.
    """

    byte_order: str
    header: tuple[Field, ...]
    counter: str
    tick_s: float | None
    ticks_of: str
    min_samples: int
    max_samples: int
    type: str
    channels: tuple[str, ...]

    @property
    def header_format(self) -> str:
        """Format of the header for `struct`."""
        return _format(self.header, self.byte_order)

    @property
    def header_size(self) -> int:
        """Bytes of the header."""
        return struct.calcsize(self.header_format)

    @property
    def sample_size(self) -> int:
        """Bytes of a sample."""
        return len(self.channels) * struct.calcsize(TYPES[self.type])

    @property
    def max_size(self) -> int:
        """Bytes of the longest packet."""
        return self.header_size + self.max_samples * self.sample_size

    def field(self, name: str) -> Field | None:
        """Return the header's field of that name, if there is one."""
        return next((field for field in self.header if field.name == name), None)

    def bits(self, name: str) -> int:
        """Width of a header's field; 0 if there is none."""
        field = self.field(name)
        return 0 if field is None else 8 * struct.calcsize("=" + TYPES[field.type])

    def samples_for_mtu(self, mtu: int) -> int:
        """Most samples in one notification: ATT takes 3 of the MTU's bytes. May be 0."""
        room = (mtu - 3 - self.header_size) // self.sample_size
        return max(0, min(self.max_samples, room)) if room >= self.min_samples else 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Profile:
    """One kind of sensor.

    Attributes
    ----------
    name, title, document : str
        The short name, the one for people, and where the format is described.
    notes : tuple of str
        What the wearer should know, a line each.
    services, name_prefixes : tuple of str
        What a sensor of this kind advertises; either is enough to recognise it.
    characteristics : mapping of role to Characteristic
        "data" is always there.
    settings : mapping of quantity to Setting
        "rate_hz", "gyr_range_dps" and "acc_range_g" are always there.
    commands : mapping of name to Command
        Without "start" the sensor streams as soon as notifications are on.
    gyr_scale, acc_scale : Scale
        In deg/s and g a count.
    gyr_scale_u : float or None
        Relative standard uncertainty of the gyroscope's scale, by axis, where the sheet says.
    gyr_delays : tuple of (float, float, float)
        Rate in Hz, delay of the gyroscope's own filter at it and its standard uncertainty, in ms.
    configuration : ConfigurationLayout or None
    packet : PacketLayout
    """

    name: str
    title: str
    document: str
    notes: tuple[str, ...]
    services: tuple[str, ...]
    name_prefixes: tuple[str, ...]
    characteristics: Mapping[str, Characteristic]
    settings: Mapping[str, Setting]
    commands: Mapping[str, Command]
    gyr_scale: Scale
    acc_scale: Scale
    configuration: ConfigurationLayout | None
    packet: PacketLayout
    gyr_scale_u: float | None = None
    gyr_delays: tuple[tuple[float, float, float], ...] = ()

    def gyr_delay_ms(self, rate_hz: float) -> tuple[float | None, float | None]:
        """Delay of the gyroscope's filter at a rate and its standard uncertainty; None: unknown."""
        for at_hz, delay_ms, u_ms in self.gyr_delays:
            if math.isclose(at_hz, rate_hz, rel_tol=1e-6):
                return delay_ms, u_ms
        return None, None

    def gyr_facts(self, told: Configuration, rate_hz: float) -> dict[str, Any]:
        """Delay and scale of the gyroscope: what the sensor says before what its kind has."""
        # No chip has no delay: 0 is what a firmware sends that doesn't know.
        delay = told.gyr_delay_ms or None, told.gyr_delay_u_ms
        delay_ms, u_ms = self.gyr_delay_ms(rate_hz) if delay[0] is None else delay
        return {
            "gyr_delay_ms": delay_ms,
            "gyr_delay_u_ms": u_ms,
            "gyr_scale_u": told.gyr_scale_u or self.gyr_scale_u,
        }

    def recognises(self, name: str | None, services: Iterable[str] = ()) -> bool:
        """Tell by its advertisement whether a sensor is of this kind."""
        for uuid in services:
            with contextlib.suppress(ValueError):  # an advertisement may hold anything
                if full_uuid(uuid) in self.services:
                    return True
        return bool(name) and any(
            str(name).lower().startswith(prefix.lower()) for prefix in self.name_prefixes
        )

    def uuid(self, role: str) -> str | None:
        """UUID of the characteristic with that role, if there is one."""
        found = self.characteristics.get(role)
        return None if found is None else found.uuid

    def command(self, name: str, **quantities: float) -> tuple[Command, bytes] | None:
        """Return a command and its bytes; None where this kind of sensor has no such command.

        Raises
        ------
        ConfigurationError
        """
        command = self.commands.get(name)
        return None if command is None else (command, command.render(**quantities))

    def choose(self, quantity: str, wanted: float | None = None) -> float:
        """Return what is set for a quantity: the default, or the wanted value if it is offered.

        Raises
        ------
        ConfigurationError
            It is not offered; the message lists what is.
        """
        setting = self.settings.get(quantity)
        if setting is None:
            raise ConfigurationError(f"{self.title} has no setting {quantity}")
        if wanted is None:
            return setting.default
        for choice in setting.choices:
            if math.isclose(choice, wanted, rel_tol=1e-6):
                return choice
        offered = ", ".join(f"{choice:g}" for choice in setting.choices)
        raise ConfigurationError(
            f"{self.title} has no {quantity} {wanted:g}: choose one of {offered}"
        )


def _limits(type_name: str) -> tuple[int, int]:
    bits = 8 * struct.calcsize("=" + TYPES[type_name])
    return (-(1 << bits - 1), (1 << bits - 1) - 1) if type_name[0] == "i" else (0, (1 << bits) - 1)


@functools.cache
def _format(fields: tuple[Field, ...], byte_order: str) -> str:
    return BYTE_ORDERS[byte_order] + "".join(TYPES[field.type] for field in fields)


# -- reading and checking ----------------------------------------------------------------------

Positive = Annotated[float, Meta(gt=0, le=1e12, description="a number over 0")]
Share = Annotated[float, Meta(gt=0, le=0.2, description="a share over 0, up to 0.2")]
Milliseconds = Annotated[float, Meta(ge=0, le=100, description="0 to 100 ms")]
Words = Annotated[str, Meta(min_length=1, max_length=1000, description="text, not empty")]
Quantity = Annotated[float, Meta(ge=-1e12, le=1e12, description="a number")]
Coded = Annotated[
    tuple[Quantity, int], Meta(description="a pair: the quantity and its code, a whole number")
]
Order = Annotated[str, one_of(*BYTE_ORDERS)]


class _Strict(msgspec.Struct, forbid_unknown_fields=True):
    """A table of the file: a key that isn't one of its own is a slip of the pen."""


class _Value(_Strict):
    service: Words
    uuid: Words

    def made(self) -> Characteristic:
        with inside("service"):
            service = _uuid(self.service)
        with inside("uuid"):
            return Characteristic(service=service, uuid=_uuid(self.uuid))


class _Field(_Strict):
    type: Annotated[str, one_of(*TYPES)]
    name: Words | None = None
    value: int | None = None
    scale: Positive = 1.0
    codes: Annotated[list[Coded], Meta(max_length=1000)] = []

    def made(self, names: Sequence[str], types: Sequence[str]) -> Field:
        if self.name is None and self.value is None:
            raise SchemaError("is missing", "name")
        convert(self.name or SKIP, Annotated[str, one_of(*names, SKIP)], "name")
        convert(self.type, Annotated[str, one_of(*types)], "type")
        if self.value is not None and self.type == "f32":
            raise SchemaError("is for whole numbers", "value")
        low, high = _limits(self.type) if self.type != "f32" else (0, 0)
        if self.value is not None and not low <= self.value <= high:
            raise SchemaError(f"{self.value} does not fit into {self.type}", "value")
        for i, (_, code) in enumerate(self.codes):
            if not low <= code <= high:
                raise SchemaError(f"{code} does not fit into {self.type}", f"codes[{i}]")
        if self.codes and self.scale != 1.0:
            raise SchemaError("and codes cannot both be given", "scale")
        return Field(
            name=self.name or SKIP,
            type=self.type,
            value=self.value,
            scale=self.scale,
            codes=tuple(self.codes),
        )


def _made(
    fields: Sequence[_Field], key: str, names: Sequence[str], types: Sequence[str] = tuple(TYPES)
) -> tuple[Field, ...]:
    made: list[Field] = []
    for i, one in enumerate(fields):
        with inside(f"{key}[{i}]"):
            field = one.made(names, types)
            if field.name != SKIP and field.name in [other.name for other in made]:
                raise SchemaError(f"{field.name} is there twice")
            made.append(field)
    return tuple(made)


class _Setting(_Strict):
    choices: Annotated[list[Positive], Meta(min_length=1, max_length=1000)]
    default: Positive

    def __post_init__(self) -> None:
        if self.default not in self.choices:
            raise SchemaError(f"{self.default:g} is not among the choices", "default")

    def made(self) -> Setting:
        return Setting(choices=tuple(self.choices), default=self.default)


_Fields = Annotated[list[_Field], Meta(max_length=MAX_VALUE_BYTES)]


class _Command(_Strict):
    fields: _Fields
    to: Annotated[str, one_of(*ROLES)] = "control"
    response: bool = True


class _Configuration(_Strict):
    fields: _Fields
    results: Annotated[list[Words], Meta(max_length=1000)] = []


class _Samples(_Strict):
    min: Annotated[int, Meta(ge=1, le=MAX_VALUE_BYTES)]
    max: Annotated[int, Meta(ge=1, le=MAX_VALUE_BYTES)]

    def __post_init__(self) -> None:
        if self.max < self.min:
            raise SchemaError(f"{self.max} is under min, {self.min}", "max")


class _Packet(_Strict):
    counter: Annotated[str, one_of(*COUNTERS)]
    samples: _Samples
    type: Annotated[str, one_of(*SAMPLE_TYPES)]
    channels: Annotated[list[Annotated[str, one_of(*CHANNELS)]], Meta(max_length=MAX_VALUE_BYTES)]
    header: _Fields = []
    tick_s: Positive | None = None
    ticks_of: Annotated[str, one_of(*TICKS_OF)] = "first"

    def made(self, byte_order: str) -> PacketLayout:
        header = _made(self.header, "header", HEADER, WHOLE)
        for i, field in enumerate(header):
            with inside(f"header[{i}]"):
                if field.codes or field.scale != 1.0:
                    raise SchemaError("scale and codes are not for a packet's header")
                if field.name != SKIP:
                    convert(field.type, Annotated[str, one_of(*UNSIGNED)], "type")
                if field.name != SKIP and field.value is not None:
                    raise SchemaError(f"is not for {field.name}", "value")
        names = [field.name for field in header]
        if (self.counter == "none") == ("counter" in names):
            raise SchemaError("and the header must agree on whether there is a counter", "counter")
        if (self.tick_s is None) == ("ticks" in names):
            raise SchemaError("and the header must agree on whether there are ticks", "tick_s")
        axes = [channel.lstrip("-") for channel in self.channels]
        for i, axis in enumerate(axes):
            if axis != SKIP and axis in axes[:i]:
                raise SchemaError(f"{axis} is there twice", f"channels[{i}]")
        if lacking := [axis for axis in AXES if axis not in axes]:
            raise SchemaError(f"{lacking[0]} is missing", "channels")
        layout = PacketLayout(
            byte_order=byte_order,
            header=header,
            counter=self.counter,
            tick_s=self.tick_s,
            ticks_of=self.ticks_of,
            min_samples=self.samples.min,
            max_samples=self.samples.max,
            type=self.type,
            channels=tuple(self.channels),
        )
        if layout.max_size > MAX_VALUE_BYTES:
            raise SchemaError(
                f"{self.samples.max} makes packets of {layout.max_size} bytes; {MAX_VALUE_BYTES} "
                "is the most",
                "samples.max",
            )
        return layout


class _Scale(_Strict):
    gyr_dps_per_count: Positive | None = None
    gyr_counts_at_range: Positive | None = None
    acc_g_per_count: Positive | None = None
    acc_counts_at_range: Positive | None = None
    gyr_scale_u: Share | None = None

    def made(self, kind: str, unit: str, *, told: bool) -> Scale:
        per, at = f"{kind}_{unit}_per_count", f"{kind}_counts_at_range"
        scale = Scale(per_count=getattr(self, per), counts_at_range=getattr(self, at))
        if scale.per_count is not None and scale.counts_at_range is not None:
            raise SchemaError(f"and {per} cannot both be given", at)
        if scale.per_count is None and scale.counts_at_range is None and not told:
            raise SchemaError(f"is missing: give it, or {at}, or let the configuration tell", per)
        return scale


class _Delay(_Strict):
    gyr: Annotated[list[tuple[Positive, Milliseconds, Milliseconds]], Meta(max_length=100)] = []


class _Recognise(_Strict):
    services: Annotated[list[Words], Meta(max_length=100)] = []
    name_prefixes: Annotated[list[Words], Meta(max_length=100)] = []


class _Characteristics(_Strict):
    data: _Value
    control: _Value | None = None
    configuration: _Value | None = None
    battery: _Value | None = None
    manufacturer: _Value | None = None
    model: _Value | None = None
    serial: _Value | None = None
    hardware: _Value | None = None
    firmware: _Value | None = None
    software: _Value | None = None


class _Settings(_Strict):
    rate_hz: _Setting
    gyr_range_dps: _Setting
    acc_range_g: _Setting
    samples: _Setting | None = None


class _Commands(_Strict):
    start: _Command | None = None
    stop: _Command | None = None
    set_rate: _Command | None = None
    set_ranges: _Command | None = None
    set_samples: _Command | None = None


class _File(_Strict):
    """A profile's file, as README in `profiles` describes it."""

    name: Annotated[
        str,
        Meta(
            pattern=r"\A[a-z0-9][a-z0-9-]{0,99}\Z",
            description="lower-case letters, digits and '-'",
        ),
    ]
    title: Words
    document: Words
    recognise: _Recognise
    characteristics: _Characteristics
    settings: _Settings
    packet: _Packet
    schema: int = SCHEMA
    notes: Annotated[list[Words], Meta(max_length=100)] = []
    byte_order: Order = "little"
    commands: _Commands = msgspec.field(default_factory=_Commands)
    configuration: _Configuration | None = None
    scale: _Scale = msgspec.field(default_factory=_Scale)
    delay: _Delay = msgspec.field(default_factory=_Delay)

    def made(self) -> Profile:
        characteristics = {}
        for role, value in _given(self.characteristics):
            with inside(f"characteristics.{role}"):
                characteristics[role] = value.made()
        commands = {}
        for name, item in _given(self.commands):
            with inside(f"commands.{name}"):
                if item.to not in characteristics:
                    raise SchemaError(f"there is no characteristic '{item.to}'", "to")
                commands[name] = Command(
                    to=item.to,
                    response=item.response,
                    fields=_made(item.fields, "fields", SETTINGS),
                    byte_order=self.byte_order,
                )
        if self.configuration is None and "configuration" in characteristics:
            raise SchemaError("is missing, but there is a characteristic for it", "configuration")
        configuration = None
        with inside("configuration"):
            if self.configuration is not None:
                if "configuration" not in characteristics:
                    raise SchemaError("needs a characteristic 'configuration'")
                configuration = ConfigurationLayout(
                    fields=_made(self.configuration.fields, "fields", CONFIGURATION),
                    results=tuple(self.configuration.results),
                    byte_order=self.byte_order,
                )
        told = {field.name for field in configuration.fields} if configuration else set()
        if not self.recognise.services and not self.recognise.name_prefixes:
            raise SchemaError("needs services or name_prefixes", "recognise")
        services = []
        for i, uuid in enumerate(self.recognise.services):
            with inside(f"recognise.services[{i}]"):
                services.append(_uuid(uuid))
        with inside("packet"):
            packet = self.packet.made(self.byte_order)
        with inside("scale"):
            gyr_scale = self.scale.made("gyr", "dps", told="gyr_dps_per_count" in told)
            acc_scale = self.scale.made("acc", "g", told="acc_m_s2_per_count" in told)
        return Profile(
            name=self.name,
            title=self.title,
            document=self.document,
            notes=tuple(self.notes),
            services=tuple(services),
            name_prefixes=tuple(self.recognise.name_prefixes),
            characteristics=characteristics,
            settings={name: item.made() for name, item in _given(self.settings)},
            commands=commands,
            gyr_scale=gyr_scale,
            acc_scale=acc_scale,
            configuration=configuration,
            packet=packet,
            gyr_scale_u=self.scale.gyr_scale_u,
            gyr_delays=tuple(self.delay.gyr),
        )


def _given(table: _Strict) -> Iterator[tuple[str, Any]]:
    for name in table.__struct_fields__:
        if (item := getattr(table, name)) is not None:
            yield name, item


def _uuid(text: str) -> str:
    try:
        return full_uuid(text)
    except ValueError as error:
        raise SchemaError(str(error)) from error


def parse_profile(data: bytes, where: str) -> Profile:
    """Read and check the text of a profile; `where` names it in errors.

    Raises
    ------
    ProfileError
    """
    try:
        document = parse_toml(data)
        check_version(document, SCHEMA, key="schema")
        return convert(document, _File).made()
    except SchemaError as error:
        raise ProfileError(where, error.key, error.problem) from error


@functools.cache
def profiles() -> Mapping[str, Profile]:
    """Return the profiles that come with the program, by name."""
    return {
        path.stem: _read(path, f"profiles/{path.name}") for path in sorted(FOLDER.glob("*.toml"))
    }


def load_profile(name_or_path: str | Path) -> Profile:
    """Return a profile that comes with the program by its name, or read one from a file.

    Raises
    ------
    ProfileError
        There is none, it cannot be read, or a key is wrong (the message says which).
    """
    known = profiles()
    if isinstance(name_or_path, str) and name_or_path in known:
        return known[name_or_path]
    path = Path(name_or_path)
    if path.suffix != ".toml" and not path.is_file():
        raise ProfileError(
            str(name_or_path),
            "",
            f"there is no such profile: use one of {', '.join(known)}, or the path of a .toml file",
        )
    return _read(path, str(path))


def _read(path: Path, where: str) -> Profile:
    try:
        data = read_small(path, most=MOST_BYTES)
    except SchemaError as error:
        raise ProfileError(where, "", error.problem) from error
    except OSError as error:
        raise ProfileError(where, "", f"cannot be read: {error.strerror or error}") from error
    return parse_profile(data, where)
