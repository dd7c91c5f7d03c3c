"""Profiles: the shipped ones against the documents they come from, and errors that name the key."""

from __future__ import annotations

import contextlib
import copy
import struct
import tomllib
import uuid
from collections.abc import Callable
from pathlib import Path
from typing import Any

import bumble.gatt
import pytest
from bleak.uuids import normalize_uuid_str, uuid16_dict, uuidstr_to_str
from hypothesis import given, settings
from hypothesis import strategies as st

from sensor.errors import SensorError
from sensor.link.parts import full_uuid
from sensor.link.profile import (
    FOLDER,
    ROLES,
    Configuration,
    ConfigurationError,
    ProfileError,
    load_profile,
    parse_profile,
    profiles,
)

STREAM = load_profile("unhurried-stream")
SPEC = (FOLDER / "unhurried-stream.md").read_text(encoding="utf-8")


def hex_block(after: str) -> bytes:
    """The bytes of the first code block after some words of the specification."""
    block = SPEC[SPEC.index(after) :].split("```")[1]
    return bytes.fromhex(block)


# -- the shipped profiles ------------------------------------------------------------------------


def test_all_shipped_profiles_are_valid_and_documented() -> None:
    assert set(profiles()) == {"unhurried-stream", "thingy52", "wit-ble5"}
    guide = (FOLDER / "README.md").read_text(encoding="utf-8")
    for name, profile in profiles().items():
        assert profile.name == name
        assert f"`{name}`" in guide
        assert profile.document
    for role in ROLES:
        assert f"`{role}`" in guide


def test_the_specification_and_the_profile_say_the_same() -> None:
    for role in ("data", "control", "configuration"):
        assert f"| {role} | `{STREAM.uuid(role)}` |" in SPEC
    (service,) = STREAM.services
    assert f"`{service}`" in SPEC
    assert service == STREAM.characteristics["data"].service
    # A random UUID (RFC 9562, version 4), so that it can't be anyone else's.
    parsed = uuid.UUID(service)
    assert parsed.version == 4
    assert parsed.variant == uuid.RFC_4122
    assert STREAM.packet.header_size == 8
    assert STREAM.packet.sample_size == 12
    for mtu, payload, most in [(23, 20, 1), (67, 64, 4), (104, 101, 7), (185, 182, 14)]:
        assert f"| {mtu} | {payload} | {most} |" in SPEC
        assert STREAM.packet.samples_for_mtu(mtu) == most
    assert "| 247 | 244 | 19 |" in SPEC
    assert STREAM.packet.samples_for_mtu(247) == STREAM.packet.samples_for_mtu(517) == 19
    assert STREAM.packet.samples_for_mtu(22) == 0
    assert STREAM.configuration is not None
    for number, text in enumerate(STREAM.configuration.results):
        assert f"| {number} | {text} |" in SPEC


# Bluetooth SIG, Assigned Numbers, as two general-purpose Bluetooth libraries carry them.
ASSIGNED = {
    "battery": ("Battery Service", "Battery Level", "GATT_BATTERY_LEVEL_CHARACTERISTIC"),
    "manufacturer": (
        "Device Information",
        "Manufacturer Name String",
        "GATT_MANUFACTURER_NAME_STRING_CHARACTERISTIC",
    ),
    "model": (
        "Device Information",
        "Model Number String",
        "GATT_MODEL_NUMBER_STRING_CHARACTERISTIC",
    ),
    "serial": (
        "Device Information",
        "Serial Number String",
        "GATT_SERIAL_NUMBER_STRING_CHARACTERISTIC",
    ),
    "hardware": (
        "Device Information",
        "Hardware Revision String",
        "GATT_HARDWARE_REVISION_STRING_CHARACTERISTIC",
    ),
    "firmware": (
        "Device Information",
        "Firmware Revision String",
        "GATT_FIRMWARE_REVISION_STRING_CHARACTERISTIC",
    ),
    "software": (
        "Device Information",
        "Software Revision String",
        "GATT_SOFTWARE_REVISION_STRING_CHARACTERISTIC",
    ),
}


@pytest.mark.parametrize("role", ASSIGNED)
def test_standard_services_have_the_assigned_numbers(role: str) -> None:
    service_name, name, constant = ASSIGNED[role]
    characteristic = STREAM.characteristics[role]
    assert uuidstr_to_str(characteristic.uuid) == name
    assert uuidstr_to_str(characteristic.service) == service_name
    digits = getattr(bumble.gatt, constant).to_hex_str()
    assert characteristic.uuid == full_uuid(digits.lower())


@given(st.sampled_from(sorted(uuid16_dict)))
def test_short_uuids_are_put_out_in_full(number: int) -> None:
    assert full_uuid(f"{number:04X}") == normalize_uuid_str(f"{number:04x}")


def test_the_configuration_of_the_specification() -> None:
    value = hex_block("Example, after the rate was set")
    assert STREAM.configuration is not None
    assert len(value) == STREAM.configuration.size == 28
    assert STREAM.configuration.parse(value) == Configuration(
        layout=1,
        streaming=False,
        last_command=3,
        result=0,
        result_text="done",
        samples=8,
        rate_hz=208.0,
        gyr_range_dps=2000.0,
        acc_range_g=16.0,
        gyr_dps_per_count=pytest.approx(0.07),
        acc_m_s2_per_count=pytest.approx(0.000488 * 9.80665, rel=1e-6),
        gyr_delay_ms=0.0,
        acc_delay_ms=0.0,
    )
    # By hand, with the table of bytes.
    assert value[0] == 1
    assert struct.unpack("<HH", value[6:10]) == (2000, 16)
    assert struct.unpack("<III", value[16:28]) == (208_000, 70_000_000, 4_785_645)
    # What a later version adds at the end is not looked at.
    assert STREAM.configuration.parse(value + b"\x01") == STREAM.configuration.parse(value)


@pytest.mark.parametrize(
    ("name", "quantities", "wanted"),
    [
        ("start", {}, "01"),
        ("stop", {}, "02"),
        ("set_rate", {"rate_hz": 208.0}, "03 80 2c 03 00"),
        ("set_ranges", {"gyr_range_dps": 2000.0, "acc_range_g": 16.0}, "04 d0 07 10 00"),
        ("set_samples", {"samples": 8}, "05 08"),
    ],
)
def test_the_commands_of_the_specification(
    name: str, quantities: dict[str, float], wanted: str
) -> None:
    assert f"`{wanted}`" in SPEC or f"| `{wanted}` |" in SPEC
    made = STREAM.command(name, **quantities)
    assert made is not None
    command, value = made
    assert value == bytes.fromhex(wanted)
    assert command.to == "control"
    assert command.response
    assert set(command.needs) == set(quantities)


def test_the_motion_configuration_of_the_thingy() -> None:
    # Its firmware document: four uint16 (step counter, temperature and magnetometer interval in
    # ms, frequency in Hz), a uint8 (wake on motion); each in its allowed range.
    made = load_profile("thingy52").command("set_rate", rate_hz=200)
    assert made is not None
    steps, temperature, compass, rate, wake = struct.unpack("<HHHHB", made[1])
    assert (rate, wake) == (200, 1)
    assert all(100 <= interval <= 5000 for interval in (steps, temperature, compass))


def test_a_profile_says_how_late_the_filter_is_at_a_rate_and_how_well_the_scale_is_known() -> None:
    thingy = load_profile("thingy52")
    assert thingy.gyr_delay_ms(200.0) == (3.9, 1.0)
    assert thingy.gyr_delay_ms(100.0) == (5.9, 1.5)
    assert thingy.gyr_delay_ms(50.0) == (None, None)
    assert thingy.gyr_scale_u == 0.02
    wit = load_profile("wit-ble5")
    assert wit.gyr_delay_ms(100.0) == (None, None)
    assert wit.gyr_scale_u is None


def test_the_rate_command_of_the_wit_module() -> None:
    made = load_profile("wit-ble5").command("set_rate", rate_hz=200)
    assert made is not None
    assert made[1] == bytes([0xFF, 0xAA, 0x03, 0x0B, 0x00])
    with pytest.raises(ConfigurationError, match="rate_hz 150 is not one of 50, 100, 200"):
        load_profile("wit-ble5").command("set_rate", rate_hz=150)


# -- recognising ---------------------------------------------------------------------------------


# -- settings and configuration ------------------------------------------------------------------


def test_what_is_not_offered_is_refused_with_the_choices() -> None:
    assert STREAM.choose("rate_hz") == 208.0
    assert STREAM.choose("rate_hz", 416) == 416.0
    with pytest.raises(
        ConfigurationError, match="Unhurried stream has no acc_range_g 2: choose one of 8, 16"
    ):
        STREAM.choose("acc_range_g", 2)
    with pytest.raises(ConfigurationError, match="has no setting samples"):
        load_profile("thingy52").choose("samples")


def test_a_configuration_that_is_not_understood_says_why() -> None:
    layout = STREAM.configuration
    assert layout is not None
    with pytest.raises(ConfigurationError, match="has 5 bytes, not 28"):
        layout.parse(bytes(5))
    value = bytearray(layout.render(rate_hz=208))
    value[0] = 2
    with pytest.raises(ConfigurationError, match="layout is 2, the profile knows 1"):
        layout.parse(bytes(value))
    refused = layout.parse(layout.render(result=3))
    assert refused.result_text == "the sensor doesn't offer this value"
    assert layout.parse(layout.render(result=77)).result_text is None
    # Nought is no rate and no size of a count.
    assert refused.rate_hz is None
    assert refused.gyr_dps_per_count is None


@settings(max_examples=50)
@given(st.binary(max_size=64))
def test_any_configuration_is_read_or_refused(value: bytes) -> None:
    assert STREAM.configuration is not None
    with contextlib.suppress(ConfigurationError):
        found = STREAM.configuration.parse(value)
        assert found.layout == value[0] == 1
        assert len(value) >= 28


# -- errors ----------------------------------------------------------------------------------------


def changed(change: Callable[[dict[str, Any]], object], name: str = "unhurried-stream") -> str:
    """The text of a shipped profile after a change to its content."""
    document = copy.deepcopy(tomllib.loads((FOLDER / f"{name}.toml").read_text("utf-8")))
    change(document)
    return to_toml(document)


def to_toml(value: Any, top: bool = True) -> str:
    if top:
        return "\n".join(f"{key} = {to_toml(item, False)}" for key, item in value.items())
    if isinstance(value, dict):
        return "{" + ", ".join(f"{k} = {to_toml(v, False)}" for k, v in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(to_toml(item, False) for item in value) + "]"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
    return repr(value)


def put(path: str, value: Any) -> Callable[[dict[str, Any]], None]:
    """A change that puts a value to a place such as packet.channels.3 (None takes it away)."""

    def change(document: dict[str, Any]) -> None:
        *way, last = [int(step) if step.isdigit() else step for step in path.split(".")]
        at: Any = document
        for step in way:
            at = at[step]
        if value is None and isinstance(at, dict):
            at.pop(last, None)  # not every profile has every key
        elif value is None:
            del at[last]
        else:
            at[last] = value

    return change


@pytest.mark.parametrize("name", profiles())
def test_the_unchanged_text_is_read_as_it_was(name: str) -> None:
    assert parse_profile(changed(lambda _: None, name).encode(), "x.toml") == profiles()[name]


@pytest.mark.parametrize(
    ("change", "wanted"),
    [
        (put("schema", None), "x.toml: schema: is missing"),
        (
            put("schema", 2),
            "x.toml: has schema 2, of which this version of unhurried reads up to 1: update",
        ),
        (put("schema", 0), "schema: must be a whole number from 1 on, not 0"),
        (put("schema", True), "schema: must be a whole number from 1 on, not True"),
        (
            put("name", "My Sensor"),
            "name: must be lower-case letters, digits and '-', not 'My Sensor'",
        ),
        (put("title", ""), "title: must be text, not empty"),
        (put("colour", "red"), "x.toml: colour: is not known here"),
        (put("scael", {}), "x.toml: scael: is not known here: is scale meant?"),
        (put("byte_order", "middle"), "byte_order: must be one of little, big, not 'middle'"),
        (put("notes", ["a", 3]), "notes[1]: must be text, not empty, not 3"),
        (put("recognise", {}), "recognise: needs services or name_prefixes"),
        (put("recognise.services", ["18g0"]), "recognise.services[0]: '18g0' is not a UUID"),
        (put("recognise.address", "x"), "recognise.address: is not known here"),
        (put("characteristics.data", None), "characteristics.data: is missing"),
        (put("characteristics.dat", {}), "characteristics.dat: is not known here: is data meant?"),
        (put("characteristics.data.uuid", None), "characteristics.data.uuid: is missing"),
        (put("characteristics.data.x", 1), "characteristics.data.x: is not known here"),
        (
            put("characteristics.data", "2a19"),
            "characteristics.data: must be an object, not '2a19'",
        ),
        (put("characteristics.control", None), "commands.start.to: there is no characteristic"),
        (put("settings.rate_hz", None), "settings.rate_hz: is missing"),
        (put("settings.rate_hz.choices.0", -1), "settings.rate_hz.choices[0]: must be a number"),
        (put("settings.rate_hz.default", 150), "settings.rate_hz.default: 150 is not among"),
        (put("settings.volume", {}), "settings.volume: is not known here; there are rate_hz"),
        (put("commands.begin", {}), "commands.begin: is not known here; there are start"),
        (put("commands.start.fields.0.value", 256), "commands.start.fields[0].value: 256 does not"),
        (
            put("commands.start.fields.0.type", "u9"),
            "commands.start.fields[0].type: must be one of u8",
        ),
        (put("commands.set_rate.fields.1.scale", 0), "commands.set_rate.fields[1].scale: must be"),
        (
            put("commands.set_rate.fields.1.codes", [[1, 2, 3]]),
            "commands.set_rate.fields[1].codes[0]: must be a pair",
        ),
        (
            put("commands.set_rate.fields.1.codes", [[1, 2]]),
            "commands.set_rate.fields[1].scale: and codes cannot both be given",
        ),
        (put("configuration", None), "configuration: is missing, but there is a characteristic"),
        (put("characteristics.configuration", None), "configuration: needs a characteristic"),
        (put("configuration.fields.1.name", "layout"), "configuration.fields[1]: layout is there"),
        (put("packet.channels.3", "gxx"), "x.toml: packet.channels[3]: must be one of ax,"),
        (put("packet.channels.3", "-ax"), "packet.channels[3]: ax is there twice"),
        (put("packet.channels.3", "skip"), "packet.channels: gx is missing"),
        (put("packet.counter", "none"), "packet.counter: and the header must agree"),
        (put("packet.tick_s", None), "packet.tick_s: and the header must agree"),
        (put("packet.tick_s", -1e-6), "packet.tick_s: must be a number over 0, not -1e-06"),
        (put("packet.header.1.type", "f32"), "packet.header[1].type: must be one of u8"),
        (put("packet.header.1.type", "i8"), "packet.header[1].type: must be one of u8, u16"),
        (put("packet.header.1.scale", 2.0), "packet.header[1]: scale and codes are not for"),
        (
            put("packet.samples.min", 0),
            "packet.samples.min: must be a whole number from 1 to 512, not 0",
        ),
        (put("packet.samples.max", 99), "packet.samples.max: 99 makes packets of 1196 bytes"),
        (
            put("packet.samples.max", "many"),
            "packet.samples.max: must be a whole number from 1 to 512, not",
        ),
        (put("packet.type", "f32"), "packet.type: must be one of i16, i8, not 'f32'"),
    ],
)
def test_an_error_names_the_key(change: Callable[[dict[str, Any]], None], wanted: str) -> None:
    with pytest.raises(ProfileError) as caught:
        parse_profile(changed(change).encode(), "x.toml")
    assert wanted in str(caught.value)
    assert str(caught.value).startswith("x.toml: ")
    assert "\n" not in str(caught.value)
    assert isinstance(caught.value, SensorError)


@pytest.mark.parametrize(
    ("change", "wanted"),
    [
        (put("scale.gyr_dps_per_count", None), "scale.gyr_dps_per_count: is missing: give it, or"),
        (put("scale.acc_counts_at_range", 32768), "scale.acc_counts_at_range: and acc_g_per_count"),
    ],
)
def test_the_size_of_a_count_must_be_told_once(
    change: Callable[[dict[str, Any]], None], wanted: str
) -> None:
    with pytest.raises(ProfileError) as caught:
        parse_profile(changed(change, "thingy52").encode(), "x.toml")
    assert wanted in str(caught.value)


@settings(max_examples=60, deadline=None)
@given(
    st.sampled_from(
        [
            "schema",
            "notes",
            "settings.rate_hz",
            "packet",
            "packet.header",
            "packet.header.0.value",
            "packet.samples",
            "packet.channels",
            "characteristics",
            "recognise",
            "commands",
            "commands.set_rate.fields",
            "configuration.fields.0",
            "configuration.results",
        ]
    ),
    st.recursive(
        st.none()
        | st.booleans()
        | st.integers(-(2**60), 2**60)
        | st.floats(allow_nan=False)
        | st.text("abgxyz- ", max_size=4),
        lambda inner: (
            st.lists(inner, max_size=3)
            | st.dictionaries(
                st.sampled_from(["name", "type", "value", "min", "default"]), inner, max_size=3
            )
        ),
        max_leaves=6,
    ),
)
def test_any_other_value_is_read_or_refused_by_key(path: str, value: Any) -> None:
    def clean(item: Any) -> Any:  # TOML has no null
        if isinstance(item, dict):
            return {key: clean(v) for key, v in item.items() if v is not None}
        return [clean(v) for v in item if v is not None] if isinstance(item, list) else item

    problem = None
    try:
        parse_profile(changed(put(path, clean(value))).encode(), "x.toml")
    except ProfileError as error:
        problem = error
    assert problem is None or problem.key or "TOML" in problem.problem


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(ProfileError, match="there is no such profile: use one of thingy52, un"):
        load_profile("nonesuch")
    with pytest.raises(ProfileError, match=r"none\.toml: cannot be read: No such file"):
        load_profile(tmp_path / "none.toml")
    bad = tmp_path / "bad.toml"
    bad.write_bytes(b"\xff\xfe")
    with pytest.raises(ProfileError, match=r"bad\.toml: is not UTF-8 text"):
        load_profile(str(bad))
    bad.write_text("schema = ", encoding="utf-8")
    with pytest.raises(ProfileError, match=r"bad\.toml: is not TOML"):
        load_profile(bad)
    good = tmp_path / "good.toml"
    good.write_text(changed(put("title", "Mine")), encoding="utf-8")
    assert load_profile(good).title == "Mine"
