"""Sensor profiles: what a sensor sends, described in a TOML file instead of in code.

A profile names the characteristics, the commands, the configuration and the layout of a packet.
`load_profile` checks all of it and says which key is wrong. How to write one is in
``sensor/profiles/README.md``.
"""

from __future__ import annotations

import contextlib
import difflib
import functools
import math
import re
import struct
import tomllib
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, NoReturn

from sensor.errors import SensorError
from sensor.layout import AXES

SCHEMA: Final = 1
FOLDER: Final = Path(__file__).parent / "profiles"

# Exact by definition (NIST SP 811).
G_M_S2: Final = 9.80665
# 16-bit and 32-bit UUIDs stand for this one with their digits put in (Bluetooth Core
# Specification, Vol. 3, Part B, 2.5.1).
BASE_UUID: Final = "{}-0000-1000-8000-00805f9b34fb"

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
    "acc_delay_ms",
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
class Characteristic:
    """One value that a sensor offers; both UUIDs in full and lower case."""

    service: str
    uuid: str


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
    acc_delay_ms: float | None = None


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
class Setting:
    """What can be chosen for one quantity, and what is taken without a choice."""

    choices: tuple[float, ...]
    default: float


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
class Scale:
    """Size of one count: fixed, or the range divided by the counts at its end."""

    per_count: float | None
    counts_at_range: float | None

    def resolve(self, range_end: float | None) -> float | None:
        """Return the size of a count for a range in the same unit; None where it isn't known."""
        if self.per_count is not None:
            return self.per_count
        if self.counts_at_range is None or range_end is None:
            return None
        return range_end / self.counts_at_range


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


def full_uuid(uuid: str) -> str:
    """Return a UUID in full and lower case; four or eight digits are the Bluetooth SIG's own.

    Raises
    ------
    ValueError
        It is not a UUID.
    """
    text = uuid.strip().lower()
    if re.fullmatch(r"([0-9a-f]{4}){1,2}", text):
        return BASE_UUID.format(text.zfill(8))
    if not re.fullmatch(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}", text):
        raise ValueError(f"'{uuid}' is not a UUID: 4 digits, or 32 in groups of 8-4-4-4-12")
    return text


# -- reading and checking ----------------------------------------------------------------------


ROOT_KEYS: Final = (
    "name",
    "title",
    "document",
    "notes",
    "byte_order",
    "recognise",
    "characteristics",
    "settings",
    "commands",
    "configuration",
    "packet",
    "scale",
)


class _Table:
    """One table of the file: each key is taken once, and what is left over is an error."""

    def __init__(self, where: str, key: str, content: object) -> None:
        self.where = where
        self.key = key
        if not isinstance(content, dict):
            self.fail("", f"must be a table, not {_kind(content)}")
        self.content: dict[str, Any] = dict(content)

    def path(self, key: str) -> str:
        return f"{self.key}.{key}" if self.key and key else self.key or key

    def fail(self, key: str, problem: str) -> NoReturn:
        raise ProfileError(self.where, self.path(key), problem)

    def take(self, key: str, kind: type | tuple[type, ...], *, default: object = ...) -> Any:
        if key not in self.content:
            if default is ...:
                self.fail(key, "is missing")
            return default
        value = self.content.pop(key)
        # bool is a kind of int in Python, never here.
        if not isinstance(value, kind) or (isinstance(value, bool) and kind is not bool):
            self.fail(key, f"must be {_word(kind)}, not {_kind(value)}")
        return value

    def text(self, key: str, *, default: object = ...) -> Any:
        value = self.take(key, str, default=default)
        if value == "":
            self.fail(key, "must not be empty")
        return value

    def number(self, key: str, *, default: object = ...) -> Any:
        value = self.take(key, (int, float), default=default)
        if isinstance(value, (int, float)):
            if not math.isfinite(value) or value <= 0:
                self.fail(key, f"must be a number over 0, not {value}")
            return float(value)
        return value

    def choice(self, key: str, choices: Iterable[str], *, default: object = ...) -> Any:
        value = self.take(key, str, default=default)
        if isinstance(value, str):
            self.check_choice(key, value, choices)
        return value

    def check_choice(self, key: str, value: object, choices: Iterable[str]) -> None:
        choices = tuple(choices)
        if value not in choices:
            self.fail(key, f"{value!r} is not one of {', '.join(choices)}")

    def table(self, key: str, *, default: object = ...) -> _Table:
        return _Table(self.where, self.path(key), self.take(key, dict, default=default))

    def tables(self, key: str, *, default: object = ...) -> list[_Table]:
        items = self.take(key, list, default=default)
        return [_Table(self.where, f"{self.path(key)}[{i}]", item) for i, item in enumerate(items)]

    def texts(self, key: str, *, default: object = ...) -> tuple[str, ...]:
        items = self.take(key, list, default=default)
        for i, item in enumerate(items):
            if not isinstance(item, str) or not item:
                self.fail(f"{key}[{i}]", f"must be text, not {_kind(item)}")
        return tuple(items)

    def uuid(self, key: str) -> str:
        return self.check_uuid(key, self.take(key, str))

    def check_uuid(self, key: str, value: str) -> str:
        try:
            return full_uuid(value)
        except ValueError as error:
            self.fail(key, str(error))

    def only(self, keys: Sequence[str]) -> None:
        """Fail at a key that isn't among these: a slip of the pen, told before what lacks."""
        for key in sorted(set(self.content) - set(keys)):
            near = difflib.get_close_matches(key, keys, n=1)
            self.fail(key, "is not known here" + (f": is {near[0]} meant?" if near else ""))

    def end(self, known: str = "") -> None:
        if self.content:
            key = sorted(self.content)[0]
            self.fail(key, f"is not known here{known}")


_WORDS: Final = {
    str: "text",
    int: "a whole number",
    dict: "a table",
    list: "a list",
    bool: "true or false",
    float: "a number",
}


def _word(kind: type | tuple[type, ...]) -> str:
    return "a number" if isinstance(kind, tuple) else _WORDS[kind]


def _kind(value: object) -> str:
    return _WORDS.get(type(value), type(value).__name__)


def _field(table: _Table, names: Iterable[str], types: Iterable[str]) -> Field:
    value = table.take("value", int, default=None)
    name = table.choice("name", (*names, SKIP), default=SKIP if value is not None else ...)
    type_name = table.choice("type", types)
    if value is not None:
        if type_name == "f32":
            table.fail("value", "is for whole numbers")
        low, high = _limits(type_name)
        if not low <= value <= high:
            table.fail("value", f"{value} does not fit into {type_name}")
    scale = table.number("scale", default=1.0)
    codes = table.take("codes", list, default=[])
    pairs: list[tuple[float, int]] = []
    for i, pair in enumerate(codes):
        if (
            not isinstance(pair, list)
            or len(pair) != 2
            or not all(isinstance(x, (int, float)) and not isinstance(x, bool) for x in pair)
            or not isinstance(pair[1], int)
        ):
            table.fail(f"codes[{i}]", "must be a pair: the quantity and its code")
        low, high = _limits(type_name) if type_name != "f32" else (0, 0)
        if not low <= pair[1] <= high:
            table.fail(f"codes[{i}]", f"{pair[1]} does not fit into {type_name}")
        pairs.append((float(pair[0]), pair[1]))
    if pairs and scale != 1.0:
        table.fail("scale", "and codes cannot both be given")
    table.end()
    return Field(name=name, type=type_name, value=value, scale=scale, codes=tuple(pairs))


def _fields(
    table: _Table, key: str, names: Iterable[str], types: Iterable[str], *, default: object = ...
) -> tuple[Field, ...]:
    fields = tuple(_field(item, names, types) for item in table.tables(key, default=default))
    seen: set[str] = set()
    for i, field in enumerate(fields):
        if field.name != SKIP and field.name in seen:
            table.fail(f"{key}[{i}]", f"{field.name} is there twice")
        seen.add(field.name)
    return fields


def _characteristics(table: _Table) -> dict[str, Characteristic]:
    found: dict[str, Characteristic] = {}
    for role in ROLES:
        if role not in table.content:
            if role == "data":
                table.fail(role, "is missing")
            continue
        item = table.table(role)
        found[role] = Characteristic(service=item.uuid("service"), uuid=item.uuid("uuid"))
        item.end()
    table.end(f"; the roles are {', '.join(ROLES)}")
    return found


def _settings(table: _Table) -> dict[str, Setting]:
    found: dict[str, Setting] = {}
    for name in SETTINGS:
        if name == "samples" and name not in table.content:
            continue
        item = table.table(name)
        choices = item.take("choices", list)
        for i, choice in enumerate(choices):
            if isinstance(choice, bool) or not isinstance(choice, (int, float)) or choice <= 0:
                item.fail(f"choices[{i}]", f"must be a number over 0, not {choice!r}")
        default = item.number("default")
        if default not in [float(choice) for choice in choices]:
            item.fail("default", f"{default:g} is not among the choices")
        item.end()
        found[name] = Setting(choices=tuple(float(c) for c in choices), default=default)
    table.end(f"; the settings are {', '.join(SETTINGS)}")
    return found


def _commands(
    table: _Table, characteristics: Mapping[str, Characteristic], byte_order: str
) -> dict[str, Command]:
    found: dict[str, Command] = {}
    for name in COMMANDS:
        if name not in table.content:
            continue
        item = table.table(name)
        to = item.choice("to", ROLES, default="control")
        if to not in characteristics:
            item.fail("to", f"there is no characteristic '{to}'")
        response = item.take("response", bool, default=True)
        fields = _fields(item, "fields", SETTINGS, TYPES)
        item.end()
        found[name] = Command(to=to, response=response, fields=fields, byte_order=byte_order)
    table.end(f"; the commands are {', '.join(COMMANDS)}")
    return found


def _configuration(
    table: _Table, characteristics: Mapping[str, Characteristic], byte_order: str
) -> ConfigurationLayout:
    if "configuration" not in characteristics:
        table.fail("", "needs a characteristic 'configuration'")
    layout = ConfigurationLayout(
        fields=_fields(table, "fields", CONFIGURATION, TYPES),
        results=table.texts("results", default=[]),
        byte_order=byte_order,
    )
    table.end()
    return layout


def _packet(table: _Table, byte_order: str) -> PacketLayout:
    header = _fields(table, "header", HEADER, WHOLE, default=[])
    names = [field.name for field in header]
    for i, field in enumerate(header):
        if field.codes or field.scale != 1.0:
            table.fail(f"header[{i}]", "scale and codes are not for a packet's header")
        if field.name != SKIP and field.type not in UNSIGNED:
            table.fail(f"header[{i}].type", f"must be one of {', '.join(UNSIGNED)}")
        if field.name != SKIP and field.value is not None:
            table.fail(f"header[{i}].value", f"is not for {field.name}")
    counter = table.choice("counter", COUNTERS)
    if (counter == "none") == ("counter" in names):
        table.fail("counter", "and the header must agree on whether there is a counter")
    tick_s = table.number("tick_s", default=None)
    if (tick_s is None) == ("ticks" in names):
        table.fail("tick_s", "and the header must agree on whether there are ticks")
    ticks_of = table.choice("ticks_of", TICKS_OF, default="first")
    samples = table.table("samples")
    low, high = samples.take("min", int), samples.take("max", int)
    samples.end()
    if not 1 <= low <= high:
        samples.fail("", f"min {low} and max {high} must be at least 1, max not under min")
    type_name = table.choice("type", SAMPLE_TYPES)
    channels = table.texts("channels")
    for i, channel in enumerate(channels):
        table.check_choice(f"channels[{i}]", channel, CHANNELS)
        axis = channel.lstrip("-")
        if axis != SKIP and axis in [other.lstrip("-") for other in channels[:i]]:
            table.fail(f"channels[{i}]", f"{axis} is there twice")
    missing = [axis for axis in AXES if axis not in [c.lstrip("-") for c in channels]]
    if missing:
        table.fail("channels", f"{missing[0]} is missing")
    table.end()
    layout = PacketLayout(
        byte_order=byte_order,
        header=header,
        counter=counter,
        tick_s=tick_s,
        ticks_of=ticks_of,
        min_samples=low,
        max_samples=high,
        type=type_name,
        channels=channels,
    )
    if layout.max_size > MAX_VALUE_BYTES:
        samples.fail(
            "max", f"{high} makes packets of {layout.max_size} bytes; {MAX_VALUE_BYTES} is the most"
        )
    return layout


def _scale(table: _Table, kind: str, unit: str, *, told: bool) -> Scale:
    per_count = table.number(f"{kind}_{unit}_per_count", default=None)
    at_range = table.number(f"{kind}_counts_at_range", default=None)
    if per_count is not None and at_range is not None:
        table.fail(f"{kind}_counts_at_range", f"and {kind}_{unit}_per_count cannot both be given")
    if per_count is None and at_range is None and not told:
        table.fail(
            f"{kind}_{unit}_per_count",
            f"is missing: give it, or {kind}_counts_at_range, or let the configuration tell",
        )
    return Scale(per_count=per_count, counts_at_range=at_range)


def parse_profile(text: str, where: str) -> Profile:
    """Read and check the text of a profile; `where` names it in errors.

    Raises
    ------
    ProfileError
    """
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ProfileError(where, "", f"is not TOML: {error}") from error
    root = _Table(where, "", document)
    schema = root.take("schema", int)
    if schema > SCHEMA:
        root.fail(
            "schema", f"{schema} is newer than this version knows ({SCHEMA}): update unhurried"
        )
    if schema < 1:
        root.fail("schema", f"must be {SCHEMA}, not {schema}")
    root.only(ROOT_KEYS)
    name = root.text("name")
    if not re.fullmatch(r"[a-z0-9][a-z0-9-]*", name):
        root.fail("name", f"'{name}' must be lower-case letters, digits and '-'")
    title, document_at = root.text("title"), root.text("document")
    notes = root.texts("notes", default=[])
    byte_order = root.choice("byte_order", BYTE_ORDERS, default="little")
    recognise = root.table("recognise")
    services = tuple(
        recognise.check_uuid(f"services[{i}]", uuid)
        for i, uuid in enumerate(recognise.texts("services", default=[]))
    )
    prefixes = recognise.texts("name_prefixes", default=[])
    recognise.end()
    if not services and not prefixes:
        recognise.fail("", "needs services or name_prefixes")
    characteristics = _characteristics(root.table("characteristics"))
    settings = _settings(root.table("settings"))
    commands = _commands(root.table("commands", default={}), characteristics, byte_order)
    configuration = None
    if "configuration" in root.content:
        configuration = _configuration(root.table("configuration"), characteristics, byte_order)
    elif "configuration" in characteristics:
        root.fail("configuration", "is missing, but there is a characteristic for it")
    packet = _packet(root.table("packet"), byte_order)
    told = {field.name for field in configuration.fields} if configuration else set()
    scale = root.table("scale", default={})
    gyr_scale = _scale(scale, "gyr", "dps", told="gyr_dps_per_count" in told)
    acc_scale = _scale(scale, "acc", "g", told="acc_m_s2_per_count" in told)
    scale.end()
    root.end()
    return Profile(
        name=name,
        title=title,
        document=document_at,
        notes=notes,
        services=services,
        name_prefixes=prefixes,
        characteristics=characteristics,
        settings=settings,
        commands=commands,
        gyr_scale=gyr_scale,
        acc_scale=acc_scale,
        configuration=configuration,
        packet=packet,
    )


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


def profile_for(
    name: str | None, services: Iterable[str], among: Iterable[Profile] | None = None
) -> Profile | None:
    """Return the profile that recognises an advertisement: by a service first, then by the name."""
    candidates = list(profiles().values() if among is None else among)
    services = list(services)
    rules: tuple[Callable[[Profile], bool], ...] = (
        lambda profile: profile.recognises(None, services),
        lambda profile: profile.recognises(name),
    )
    for rule in rules:
        for profile in candidates:
            if rule(profile):
                return profile
    return None


def _read(path: Path, where: str) -> Profile:
    try:
        text = path.read_text(encoding="utf-8")
    except UnicodeDecodeError as error:
        raise ProfileError(where, "", "is not UTF-8 text") from error
    except OSError as error:
        raise ProfileError(where, "", f"cannot be read: {error.strerror or error}") from error
    return parse_profile(text, where)
