"""Decoding: against bytes packed by hand, and what must hold whatever arrives."""

from __future__ import annotations

import dataclasses
import struct
from typing import Any

import numpy as np
import pytest
from decoding import decode_all
from hypothesis import given, settings
from hypothesis import strategies as st

from sensor.link.decode import Decoded, Decoder, encode
from sensor.link.profile import FOLDER, Configuration, Field, PacketLayout, Profile, load_profile
from sensor.recording.layout import AXES, COUNTS_DTYPE, PACKET_DTYPE

STREAM = load_profile("unhurried-stream")
SPEC = (FOLDER / "unhurried-stream.md").read_text(encoding="utf-8")
RATE_HZ = 200.0
G_M_S2 = 9.80665  # NIST SP 811


def decoder(profile: Profile = STREAM, **more: Any) -> Decoder:
    """A decoder; the stream's sensor tells the size of a count itself, as the example's does."""
    told = {"gyr_dps_per_count": 0.07, "acc_m_s2_per_count": 0.000488 * G_M_S2}
    scales = {} if profile.gyr_scale.resolve(2000.0) else told
    ranges = {"gyr_range_dps": 2000.0, "acc_range_g": 16.0, "rate_hz": RATE_HZ}
    return Decoder(profile, **ranges | scales | more)


def plain(width: str = "u16", counter: str = "samples", ticks: str | None = None) -> Profile:
    """The stream with another counter, and with or without a clock."""
    header = [Field(name="counter", type=width)] if counter != "none" else []
    if ticks:
        header.append(Field(name="ticks", type=ticks))
    packet = dataclasses.replace(
        STREAM.packet,
        header=tuple(header),
        counter=counter,
        tick_s=1e-3 if ticks == "u16" else 1e-6 if ticks else None,
    )
    return dataclasses.replace(STREAM, packet=packet)


def rows(samples: np.ndarray) -> np.ndarray:
    return np.stack([samples[axis] for axis in AXES], axis=1)


# -- against bytes packed by hand ------------------------------------------------------------------


def test_the_worked_example_of_the_specification() -> None:
    example = SPEC[SPEC.index("### Worked example") :].split("```")[1]
    payload = bytes.fromhex(example)
    layout, count, counter, ticks, *values = struct.unpack("<BBHI12h", payload)
    assert (layout, count, counter, ticks) == (1, 2, 10000, 48076923)
    assert f"| {ticks} |" in SPEC
    decoded = decoder().feed(7, payload)
    assert decoded is not None
    np.testing.assert_array_equal(rows(decoded.samples).ravel(), values)
    assert decoded.packets.tolist() == [(7, 0, 2, counter, ticks * 1000, 0)]
    assert decoded.samples["seq"].tolist() == [0, 1]
    acc, gyr = decoder().values(decoded.samples)
    # The quantities that the specification's table gives.
    np.testing.assert_allclose(acc[0] / G_M_S2, [0.000488, -0.000976, 0.999424], rtol=1e-12)
    np.testing.assert_allclose(gyr[0], [7.0, -14.0, 21.0])
    np.testing.assert_allclose(gyr[1], [-0.07, 1999.97, -1999.97])


def test_raw_data_of_the_thingy_board() -> None:
    # Its firmware document: x, y, z of accelerometer (6Q10, G), gyroscope (11Q5, deg/s) and
    # compass (12Q4, uT), int16 each, 18 bytes. Its driver turns the accelerometer so that an axis
    # along gravity reads positive; specific force is the opposite.
    profile = load_profile("thingy52")
    down_g, rate_dps = (0.0, 0.25, 1.0), (100.0, -31.5, 1000.03125)
    payload = struct.pack(
        "<9h",
        *(round(g * 2**10) for g in down_g),
        *(round(dps * 2**5) for dps in rate_dps),
        *(round(ut * 2**4) for ut in (20.0, -3.0, 40.0)),
    )
    reader = decoder(profile)
    decoded = reader.feed(0, payload)
    assert decoded is not None
    acc, gyr = reader.values(decoded.samples)
    np.testing.assert_allclose(acc, [[-g * G_M_S2 for g in down_g]])
    np.testing.assert_allclose(gyr, [rate_dps])
    assert decoded.packets["raw_counter"].tolist() == decoded.packets["ticks"].tolist() == [-1]


def test_data_packet_of_the_wit_module() -> None:
    # Its manual: 0x55, 0x61, then acceleration, angular velocity and angle, x, y, z each, low byte
    # first; its SDK: value / 32768 times 16 g, 2000 deg/s, 180 deg.
    profile = load_profile("wit-ble5")
    force_g, rate_dps = (0.5, -1.0, 8.0), (-1000.0, 500.0, 1999.9389648)
    counts = [round(g / 16 * 32768) for g in force_g]
    counts += [round(dps / 2000 * 32768) for dps in rate_dps]
    payload = bytes([0x55, 0x61]) + struct.pack("<9h", *counts, 1, 2, 3)
    reader = decoder(profile)
    decoded = reader.feed(0, payload)
    assert decoded is not None
    acc, gyr = reader.values(decoded.samples)
    np.testing.assert_allclose(acc / G_M_S2, [force_g], rtol=1e-12)
    np.testing.assert_allclose(gyr, [rate_dps], rtol=1e-9)
    assert reader.feed(1, bytes([0x55, 0x71]) + payload[2:]) is None
    assert (reader.received, reader.malformed) == (1, 1)


def test_the_scales_come_from_the_sensor_or_from_its_ranges() -> None:
    told = Configuration(gyr_dps_per_count=0.07, acc_m_s2_per_count=0.0048, rate_hz=416.0)
    reader = Decoder(
        STREAM,
        gyr_dps_per_count=told.gyr_dps_per_count,
        acc_m_s2_per_count=told.acc_m_s2_per_count,
        rate_hz=told.rate_hz,
    )
    assert (reader.gyr_dps_per_count, reader.acc_m_s2_per_count) == (0.07, 0.0048)
    assert reader.rate_hz == 416.0
    by_range = decoder(load_profile("wit-ble5"), gyr_range_dps=500.0)
    assert by_range.gyr_dps_per_count == 500.0 / 32768
    with pytest.raises(ValueError, match="the size of a count isn't known"):
        Decoder(STREAM, gyr_range_dps=2000.0, acc_range_g=16.0)


# -- encode and decode -----------------------------------------------------------------------------


@st.composite
def layouts(draw: st.DrawFn) -> PacketLayout:
    """Any layout that a profile can describe."""
    signs = draw(st.lists(st.sampled_from(["", "-"]), min_size=6, max_size=6))
    axes = [sign + axis for sign, axis in zip(signs, AXES, strict=True)]
    channels = draw(st.permutations(axes + ["skip"] * draw(st.integers(0, 3))))
    header = []
    counter = draw(st.sampled_from(["samples", "packets", "none"]))
    unsigned = st.sampled_from(["u8", "u16", "u32", "u64"])
    if counter != "none":
        header.append(Field(name="counter", type=draw(unsigned)))
    ticking = draw(st.booleans())
    if ticking:
        header.append(Field(name="ticks", type=draw(unsigned)))
    if draw(st.booleans()):
        header.append(Field(name="count", type="u8"))
    if draw(st.booleans()):
        header.append(Field(name="skip", type="i16", value=draw(st.integers(-9, 9))))
    if draw(st.booleans()):
        header.append(Field(name="skip", type="u32"))
    least = draw(st.integers(1, 4))
    return PacketLayout(
        byte_order=draw(st.sampled_from(["little", "big"])),
        header=tuple(draw(st.permutations(header))),
        counter=counter,
        tick_s=draw(st.sampled_from([1e-6, 1 / 32768, 1e-3])) if ticking else None,
        ticks_of=draw(st.sampled_from(["first", "last"])),
        min_samples=least,
        max_samples=draw(st.integers(least, 19)),
        type=draw(st.sampled_from(["i16", "i8"])),
        channels=tuple(channels),
    )


def with_layout(layout: PacketLayout) -> Profile:
    return dataclasses.replace(load_profile("wit-ble5"), packet=layout)


@settings(max_examples=150, deadline=None)
@given(layouts(), st.data())
def test_decoding_undoes_encoding_for_every_layout(
    layout: PacketLayout, data: st.DataObject
) -> None:
    profile = with_layout(layout)
    n = data.draw(st.integers(layout.min_samples, layout.max_samples))
    end = 2 ** (7 if layout.type == "i8" else 15) - 1
    seed = data.draw(st.integers(0, 10**6))
    rng = np.random.default_rng(seed)
    values = rng.integers(-end, end + 1, (n, 6))
    values[0] = rng.choice([-end, end], 6)
    counter = data.draw(st.integers(0, 2**70))
    payload = encode(profile, values, counter=counter, ticks=data.draw(st.integers(0, 2**70)))
    assert len(payload) == layout.header_size + n * layout.sample_size
    reader = decoder(profile)
    decoded = reader.feed(1, payload)
    assert decoded is not None
    np.testing.assert_array_equal(rows(decoded.samples), values)
    assert decoded.samples.dtype == COUNTS_DTYPE
    assert decoded.packets.dtype == PACKET_DTYPE
    if layout.counter != "none":
        assert decoded.packets["raw_counter"][0] == counter % 2 ** min(63, layout.bits("counter"))


def test_the_least_number_has_no_opposite_and_is_held() -> None:
    values = np.full((1, 6), -32768)
    profile = load_profile("thingy52")
    decoded = decoder(profile).feed(0, encode(profile, values))
    assert decoded is not None
    assert rows(decoded.samples).tolist() == [[-32767] * 3 + [-32768] * 3]
    decoded = decoder(profile).feed(0, struct.pack("<9h", *[-32768] * 9))
    assert decoded is not None
    assert rows(decoded.samples).tolist() == [[32767] * 3 + [-32768] * 3]


def test_what_does_not_fit_is_not_encoded() -> None:
    with pytest.raises(ValueError, match="packets of 1 to 19 samples, not 20"):
        encode(STREAM, np.zeros((20, 6)))
    with pytest.raises(ValueError, match="a count does not fit into i16"):
        encode(STREAM, np.full((1, 6), 40000))


# -- whatever arrives ------------------------------------------------------------------------------


def check(decoded: Decoded, reader: Decoder) -> None:
    """What must hold for everything that a decoder has given out in a session."""
    seq = decoded.samples["seq"]
    assert np.all(np.diff(seq) > 0)
    packets = decoded.packets
    assert np.all(packets["count"] > 0)
    assert int(packets["count"].sum()) == len(seq)
    assert reader.received == len(packets)
    ends = packets["first_seq"] + packets["count"]
    assert np.all(packets["first_seq"][1:] >= ends[:-1])
    spans = zip(packets["first_seq"], ends, strict=True)
    np.testing.assert_array_equal(seq, np.concatenate([[], *(np.arange(a, b) for a, b in spans)]))
    assert np.all(np.diff(packets["connection"]) >= 0)
    assert not len(seq) or reader.next_seq == seq[-1] + 1


@st.composite
def any_packets(draw: st.DrawFn) -> tuple[Profile, list[int], list[bytes]]:
    """Bytes without any sense, or with a valid form and senseless numbers."""
    profile = draw(
        st.sampled_from(
            [
                STREAM,
                load_profile("thingy52"),
                plain("u8"),
                plain("u8", "packets", "u16"),
                plain("u32", "packets"),
                plain("u16", "samples", "u32"),
            ]
        )
        | layouts().map(with_layout)
    )
    size = profile.packet.header_size + profile.packet.sample_size
    payload = st.binary(max_size=300) | st.binary(min_size=size, max_size=size)
    formed = st.builds(
        lambda counter, ticks, n: encode(
            profile,
            np.zeros((min(max(n, profile.packet.min_samples), profile.packet.max_samples), 6)),
            counter=counter,
            ticks=ticks,
        ),
        st.integers(0, 2**20) | st.integers(0, 2**64),
        st.integers(0, 2**20) | st.integers(0, 2**64),
        st.integers(1, 19),
    )
    payloads = draw(st.lists(payload | formed, max_size=12))
    steps = st.integers(-(10**9), 10**10) | st.integers(-(2**70), 2**70)
    arrivals = draw(st.lists(steps, min_size=len(payloads), max_size=len(payloads)))
    return profile, np.cumsum([0, *arrivals], dtype=object)[1:].tolist(), payloads


@settings(max_examples=300, deadline=None)
@given(any_packets())
def test_any_bytes_do_no_harm(
    given_: tuple[Profile, list[int], list[bytes]],
) -> None:
    profile, arrivals, payloads = given_
    reader = decoder(profile)
    single = decode_all(reader, arrivals, payloads)
    check(single, reader)
    kept_out = reader.malformed + reader.oversized + reader.duplicate + reader.late
    assert reader.received + kept_out >= len(payloads)


# -- counters --------------------------------------------------------------------------------------


class Sensor:
    """A sensor that numbers its samples; the values of a sample tell its true number."""

    def __init__(self, profile: Profile, *, batch: int = 8, boot_us: int = 0) -> None:
        self.profile = profile
        self.batch = batch
        self.boot_us = boot_us
        self.counter_from = 0
        self.reboots = 0

    def packet(self, number: int, *, batch: int | None = None) -> bytes:
        """The packet whose first sample has the true number `number`."""
        n = batch or self.batch
        values = np.zeros((n, 6), int)
        index = number + np.arange(n)
        values[:, 0], values[:, 1] = index & 0x7FFF, index >> 15
        unit = 1 if self.profile.packet.counter == "samples" else self.batch
        tick_s = self.profile.packet.tick_s or 1.0
        return encode(
            self.profile,
            values,
            counter=(number - self.counter_from) // unit,
            ticks=round((number / RATE_HZ + self.boot_us * 1e-6) / tick_s),
        )

    def reboot(self, number: int, boot_us: int | None = None) -> None:
        self.counter_from = number
        if boot_us is not None:
            self.boot_us = boot_us - round(number / RATE_HZ * 1e6)


def truth(samples: np.ndarray) -> np.ndarray:
    return samples["ax"].astype(np.int64) + (samples["ay"].astype(np.int64) << 15)


def arrival_ns(number: int, batch: int = 8, late_s: float = 0.0) -> int:
    return 10**12 + round(((number + batch - 1) / RATE_HZ + late_s) * 1e9)


KINDS = [
    ("u8", "samples", None),
    ("u8", "packets", None),
    ("u16", "samples", None),
    ("u16", "packets", None),
    ("u32", "samples", None),
    ("u8", "samples", "u32"),
    ("u8", "packets", "u16"),
    ("u16", "samples", "u32"),
    ("u32", "packets", "u16"),
]


@settings(max_examples=120, deadline=None)
@given(
    kind=st.sampled_from(KINDS),
    start=st.integers(0, 2**33),
    boot=st.integers(0, 2**33),
    fates=st.lists(
        st.sampled_from(["ok"] * 12 + ["lost", "twice", "swapped", "cut", "long"]), max_size=120
    ),
    late_ms=st.lists(st.integers(0, 90), min_size=120, max_size=120),
)
def test_each_intact_sample_is_there_once_with_its_number(
    kind: tuple[str, str, str | None], start: int, boot: int, fates: list[str], late_ms: list[int]
) -> None:
    sensor = Sensor(plain(*kind), boot_us=boot)
    sensor.counter_from = -8 * (start // 8)
    sent: list[tuple[int, bytes, str]] = []
    for i, fate in enumerate(fates):
        payload = sensor.packet(8 * i)
        if fate == "cut":
            payload = payload[:-5]
        elif fate == "long":
            payload = payload + bytes(300)
        sent.append((8 * i, payload, fate))
    # A swapped packet comes after the one behind it.
    for i in range(len(sent) - 1):
        if sent[i][2] == "swapped" and sent[i + 1][2] == "ok":
            sent[i], sent[i + 1] = sent[i + 1], (sent[i][0], sent[i][1], "late")
    arrivals, payloads = [], []
    now = 0
    for (number, payload, fate), late in zip(sent, late_ms[: len(sent)], strict=True):
        if fate == "lost":
            continue
        for _ in range(2 if fate == "twice" else 1):
            now = max(now + 20_000, arrival_ns(number, late_s=late / 1e3))
            arrivals.append(now)
            payloads.append(payload)
    reader = decoder(plain(*kind))
    decoded = decode_all(reader, arrivals, payloads)
    check(decoded, reader)
    good = [s for s in sent if s[2] in ("ok", "twice", "swapped")]
    # A late packet before anything else came through begins the numbers like any other; when it
    # comes second, it can't be told from a counter that started again.
    fair = not any(
        s[2] == "late" for s in [x for x in sent if x[2] not in ("lost", "cut", "long")][:2]
    )
    if not fair:
        return
    number = np.concatenate([[], *(s[0] + np.arange(8) for s in good)])
    np.testing.assert_array_equal(truth(decoded.samples), number)
    if len(number):
        np.testing.assert_array_equal(decoded.samples["seq"], number - number[0])
    assert reader.resets == 0
    assert reader.malformed == sum(s[2] == "cut" for s in sent)
    assert reader.oversized == sum(s[2] == "long" for s in sent)
    assert reader.duplicate == sum(s[2] == "twice" for s in sent)
    assert reader.late == sum(s[2] == "late" for s in sent)
    if len(number):
        assert reader.lost == number[-1] - number[0] + 1 - len(number)


def run(reader: Decoder, sensor: Sensor, numbers: list[int], late_s: float = 0.0) -> np.ndarray:
    out = [reader.feed(arrival_ns(n, late_s=late_s), sensor.packet(n)) for n in numbers]
    return np.concatenate([part.samples for part in out if part is not None])


@pytest.mark.parametrize("kind", KINDS)
def test_a_loss_longer_than_the_counters_turn_keeps_its_length(
    kind: tuple[str, str, str | None],
) -> None:
    sensor, reader = Sensor(plain(*kind)), decoder(plain(*kind))
    lost = 8 * 1000  # 40 s
    samples = run(reader, sensor, [0, 8, 16, 24 + lost, 32 + lost])
    np.testing.assert_array_equal(samples["seq"], truth(samples))
    assert (reader.lost, reader.resets, reader.connection) == (lost, 0, 0)


@pytest.mark.parametrize("kind", KINDS)
def test_a_stall_is_not_taken_for_a_loss(kind: tuple[str, str, str | None]) -> None:
    sensor, reader = Sensor(plain(*kind)), decoder(plain(*kind))
    numbers = list(range(0, 4000, 8))
    out, now = [], 0
    for n in numbers:
        # Nothing for 3 s, then everything at once.
        now = max(now + 20_000, arrival_ns(n if not 1000 <= n < 1600 else 1600))
        out.append(reader.feed(now, sensor.packet(n)))
    samples = np.concatenate([part.samples for part in out if part is not None])
    np.testing.assert_array_equal(samples["seq"], np.arange(4000))
    assert (reader.lost, reader.resets) == (0, 0)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("before", [24, 800, 8000])
@pytest.mark.parametrize("off_s", [0.2, 5.0])
def test_a_reset_goes_on_after_the_gap_that_the_arrivals_tell(
    kind: tuple[str, str, str | None], before: int, off_s: float
) -> None:
    sensor, reader = Sensor(plain(*kind), boot_us=77_000_000), decoder(plain(*kind))
    first = run(reader, sensor, list(range(0, before, 8)))
    at = before + round(off_s * RATE_HZ / 8) * 8
    sensor.reboot(at, boot_us=1_500_000)
    second = run(reader, sensor, list(range(at, at + 2000, 8)))
    np.testing.assert_array_equal(first["seq"], np.arange(before))
    np.testing.assert_array_equal(truth(second), np.arange(at, at + 2000))
    # A narrow counter without a clock can't tell a reset from a loss: a whole turn may be amiss.
    if kind[0] == "u8" and kind[2] is None:
        assert np.all(np.diff(second["seq"]) == 1)
        return
    assert np.all(np.diff(second["seq"]) == 1)
    if reader.resets:
        np.testing.assert_array_equal(second["seq"], truth(second))
        assert (reader.resets, reader.connection) == (1, 1)
    else:
        # The new number lies a little ahead of the old ones, as after a loss.
        assert kind[2] is None


@pytest.mark.parametrize("kind", [*KINDS, ("u16", "none", None)])
def test_a_new_connection_goes_on_after_the_gap_and_starts_its_own_clock(
    kind: tuple[str, str, str | None],
) -> None:
    sensor, reader = Sensor(plain(*kind), boot_us=5_000_000), decoder(plain(*kind))
    run(reader, sensor, list(range(0, 800, 8)))
    reader.new_connection()
    sensor.reboot(4800, boot_us=1_000_000)
    samples = run(reader, sensor, [4800, 4808])
    np.testing.assert_array_equal(samples["seq"], truth(samples))
    decoded = reader.feed(arrival_ns(4816), sensor.packet(4816))
    assert decoded is not None
    assert decoded.packets["connection"].tolist() == [1]
    assert reader.resets == reader.lost == 0
    if kind[2]:
        assert decoded.packets["ticks"][0] == pytest.approx(1.08e9, abs=1e6)


def test_a_new_connection_at_once_or_with_a_clock_put_back_still_counts_up() -> None:
    sensor, reader = Sensor(STREAM), decoder()
    run(reader, sensor, [0, 8])
    reader.new_connection()
    first = reader.feed(arrival_ns(8) + 1, sensor.packet(0))
    reader.new_connection()
    second = reader.feed(0, sensor.packet(0))
    assert first is not None
    assert second is not None
    assert first.packets["first_seq"][0] == 16
    assert second.packets["first_seq"][0] == 24
    assert second.packets["connection"][0] == 2


def test_a_sensor_switched_off_for_a_day_leaves_a_gap_of_a_day() -> None:
    sensor, reader = Sensor(STREAM), decoder()
    run(reader, sensor, [0])
    reader.new_connection()
    decoded = reader.feed(arrival_ns(0) + 86_400 * 10**9, sensor.packet(0))
    assert decoded is not None
    assert decoded.packets["first_seq"][0] == 86_400 * RATE_HZ


def test_samples_that_are_sent_again_in_another_packet_are_there_once() -> None:
    sensor, reader = Sensor(STREAM), decoder()
    samples = run(reader, sensor, [0, 8, 12, 20])
    np.testing.assert_array_equal(samples["seq"], np.arange(28))
    np.testing.assert_array_equal(truth(samples), np.arange(28))
    assert (reader.duplicate, reader.resets, reader.received) == (1, 0, 4)
    decoded = reader.feed(arrival_ns(24), sensor.packet(24))
    assert decoded is not None
    assert decoded.packets[["first_seq", "count", "raw_counter"]].tolist() == [(28, 4, 28)]
    assert decoded.packets["ticks"][0] == pytest.approx(28 / RATE_HZ * 1e9)


def test_a_late_packet_after_its_time_is_a_reset() -> None:
    sensor, reader = Sensor(plain()), decoder(plain())
    run(reader, sensor, [0, 16])
    assert reader.feed(arrival_ns(24), sensor.packet(8)) is None
    assert (reader.late, reader.lost) == (1, 8)
    assert reader.feed(arrival_ns(24) + 3 * 10**9, sensor.packet(8)) is not None
    assert reader.resets == 1


def test_without_a_counter_a_long_silence_is_a_gap() -> None:
    profile = load_profile("thingy52")
    reader = decoder(profile)
    payload = struct.pack("<9h", *range(9))
    at_ns = [0, 5_000_000, 1_500_000_000, 1_500_000_001, 9_000_000_000]
    decoded = decode_all(reader, at_ns, [payload] * 5)
    assert decoded.samples["seq"].tolist() == [0, 1, 2, 3, 1503]
    assert decoded.packets["connection"].tolist() == [0, 0, 0, 0, 1]
    assert (reader.duplicate, reader.resets, reader.lost) == (0, 1, 0)


def test_ticks_are_unwrapped_and_those_of_the_last_sample_are_put_to_the_first() -> None:
    profile = plain("u16", "samples", "u16")  # a millisecond clock that turns over in 65.5 s
    sensor, reader = Sensor(profile, boot_us=60_000_000), decoder(profile)
    numbers = list(range(0, 40_000, 8))
    many = decode_all(reader, [arrival_ns(n) for n in numbers], [sensor.packet(n) for n in numbers])
    by_number_ns = 60e9 + np.array(numbers) / RATE_HZ * 1e9
    assert np.abs(many.packets["ticks"] - by_number_ns).max() <= 0.5e6
    last = dataclasses.replace(profile, packet=dataclasses.replace(profile.packet, ticks_of="last"))
    decoded = decoder(last).feed(0, sensor.packet(0))
    assert decoded is not None
    assert decoded.packets["ticks"][0] == 60e9 - 7 / RATE_HZ * 1e9


def test_a_fast_chip_stays_numbered() -> None:
    # 5 % fast, 1 % of the packets lost, counter and clock turn over many times.
    profile = plain("u8", "samples", "u32")
    rng = np.random.default_rng(4)
    kept = np.flatnonzero(rng.random(25_000) > 0.01)
    kept = kept[kept > 0]
    period_s = 1 / (RATE_HZ * 1.05)
    arrivals, payloads = [0], [encode(profile, np.zeros((8, 6)), counter=0, ticks=0)]
    for k in kept.tolist():
        arrivals.append(round((8 * k * period_s + rng.exponential(0.01)) * 1e9))
        ticks = round(8 * k * period_s * 1e6)
        payloads.append(encode(profile, np.zeros((8, 6)), counter=8 * k, ticks=ticks))
    reader = decoder(profile)
    many = decode_all(reader, arrivals, payloads)
    np.testing.assert_array_equal(many.packets["first_seq"][1:], 8 * kept)
    assert reader.resets == 0
    np.testing.assert_allclose(many.packets["ticks"][1:], 8 * kept * period_s * 1e9, atol=1e3)
