"""The reference firmware: its bytes against specification and decoder, and under MicroPython.

MicroPython is the WebAssembly build from the npm registry (MIT licence), run by node. It is fetched
once; without node or network those tests are skipped with the reason, never in CI. The board is
simulated: chip, radio and clock below are written from the specification's and the driver's point
of view, so they can't show that a register is wrong.
"""

from __future__ import annotations

import importlib
import os
import struct
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from decoding import decode_all
from hypothesis import given, settings
from hypothesis import strategies as st
from npm_package import package_files

from sensor.firmware import encoder
from sensor.link.decode import Decoder, encode
from sensor.link.profile import FOLDER, load_profile
from sensor.recording.layout import AXES
from sensor.recording.session import delay_of_cutoff_ms

FIRMWARE = FOLDER.parents[1] / "firmware"
PACKAGE, VERSION = "@micropython/micropython-webassembly-pyscript", "1.27.0"

STREAM = load_profile("unhurried-stream")
assert STREAM.configuration is not None
CONFIGURATION = STREAM.configuration


# -- MicroPython -------------------------------------------------------------------------------


RUNNER = """
import { readFileSync } from "node:fs";
import { pathToFileURL } from "node:url";
const [module, script, ...files] = process.argv.slice(2);
const { loadMicroPython } = await import(pathToFileURL(module));
const mp = await loadMicroPython({ linebuffer: true, stdout: (line) => console.log(line) });
for (const file of files) {
  mp.FS.writeFile("/" + file.split(/[\\\\/]/).pop(), readFileSync(file));
}
mp.runPython("import sys\\nsys.path.insert(0, '/')");
mp.runPython(readFileSync(script, "utf-8"));
"""


def run_micropython(script: str, tmp_path: Path) -> list[str]:
    """Run a script beside the firmware's files under MicroPython and return its lines."""
    files = ("micropython.wasm", "micropython.mjs")
    module = package_files(PACKAGE, VERSION, *files, tools=("node",)) / "micropython.mjs"
    runner, file = tmp_path / "run.mjs", tmp_path / "script.py"
    runner.write_text(RUNNER, encoding="utf-8")
    file.write_text(script, encoding="utf-8")
    words = ["node", str(runner), str(module), str(file)]
    words += [str(path) for path in sorted(FIRMWARE.glob("*.py"))]
    done = subprocess.run(words, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout.splitlines()


def run_cpython(script: str, tmp_path: Path) -> list[str]:
    """Run the same under CPython."""
    file = tmp_path / "script.py"
    file.write_text(script, encoding="utf-8")
    environment = {**os.environ, "PYTHONPATH": str(FIRMWARE), "PYTHONDONTWRITEBYTECODE": "1"}
    done = subprocess.run(
        [sys.executable, str(file)],
        env=environment,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout.splitlines()


# -- the encoder's bytes -----------------------------------------------------------------------


def test_encoder_and_profile_have_the_same_numbers() -> None:
    assert STREAM.uuid("data") == encoder.DATA
    assert STREAM.uuid("control") == encoder.CONTROL
    assert STREAM.uuid("configuration") == encoder.CONFIGURATION
    assert STREAM.services == (encoder.SERVICE,)
    assert STREAM.packet.header_size == encoder.HEADER_BYTES
    assert STREAM.packet.sample_size == encoder.SAMPLE_BYTES
    assert STREAM.packet.max_samples == encoder.MAX_SAMPLES
    assert CONFIGURATION.size == encoder.CONFIGURATION_BYTES
    for mtu in range(20, 520):
        assert encoder.samples_for_mtu(mtu) == STREAM.packet.samples_for_mtu(mtu)


counts = st.lists(
    st.tuples(*[st.integers(-40_000, 40_000) | st.sampled_from([-32768, 32767])] * 6),
    min_size=1,
    max_size=19,
)


@settings(max_examples=100)
@given(counts, st.integers(0, 2**40), st.integers(-(2**33), 2**33))
def test_a_packet_is_what_struct_and_the_decoder_say(
    rows: list[tuple[int, ...]], counter: int, ticks: int
) -> None:
    payload = encoder.packet(counter, ticks, b"".join(encoder.pack_sample(*row) for row in rows))
    held = np.clip(np.array(rows), -32768, 32767)
    by_hand = struct.pack("<BBHI", 1, len(rows), counter % 65536, ticks % 2**32)
    by_hand += b"".join(struct.pack("<6h", *row) for row in held.tolist())
    assert payload == by_hand
    assert payload == encode(STREAM, held, counter=counter, ticks=ticks)
    decoder = Decoder(STREAM, gyr_dps_per_count=0.07, acc_m_s2_per_count=0.0048)
    decoded = decoder.feed(0, payload)
    assert decoded is not None
    np.testing.assert_array_equal(np.stack([decoded.samples[a] for a in AXES], 1), held)


def make_state(works: bool = True) -> tuple[encoder.State, list[tuple[int, int, int]]]:
    asked: list[tuple[int, int, int]] = []

    def apply(*settings: int) -> bool:
        asked.append(settings)  # type: ignore[arg-type]
        return works

    gyr, acc = {1000: 35_000_000, 2000: 70_000_000}, {16: 4_785_645}
    state = encoder.State((104_000, 208_000), gyr, acc, 208_000, 2000, 16, apply)
    state.connected(247)
    return state, asked


def write(state: encoder.State, name: str, **quantities: float) -> int:
    made = STREAM.command(name, **quantities)
    assert made is not None
    return state.command(made[1])


def test_commands_do_what_the_specification_says() -> None:
    state, asked = make_state()
    assert write(state, "set_rate", rate_hz=104) == 0
    assert write(state, "set_ranges", gyr_range_dps=1000, acc_range_g=16) == 0
    assert asked == [(104_000, 2000, 16), (104_000, 1000, 16)]
    assert write(state, "set_samples", samples=12) == 0
    told = CONFIGURATION.parse(state.configuration())
    assert (told.rate_hz, told.gyr_range_dps, told.acc_range_g) == (104.0, 1000.0, 16.0)
    assert told.gyr_dps_per_count == pytest.approx(0.035)
    assert (told.last_command, told.result, told.samples) == (5, 0, 12)
    assert told.streaming is False
    assert write(state, "start") == 0
    assert CONFIGURATION.parse(state.configuration()).streaming is True
    assert write(state, "stop") == write(state, "stop") == 0
    state.mtu = 23
    assert CONFIGURATION.parse(state.configuration()).samples == 1


def test_it_says_how_late_its_filter_is_at_each_rate() -> None:
    state, _ = make_state()
    told = CONFIGURATION.parse(state.configuration())
    # 0 on the wire is not known.
    assert (told.gyr_delay_ms, told.gyr_delay_u_ms, told.gyr_scale_u) == (0.0, None, None)
    state.gyr_delays_us = {208_000: (3360, 1010)}
    state.gyr_scale_u_permille = 17
    told = CONFIGURATION.parse(state.configuration())
    assert told.gyr_delay_ms == pytest.approx(3.36)
    assert told.gyr_delay_u_ms == pytest.approx(1.01)
    assert told.gyr_scale_u == pytest.approx(0.017)
    assert write(state, "set_rate", rate_hz=104) == 0
    assert CONFIGURATION.parse(state.configuration()).gyr_delay_ms == 0.0


def test_the_chips_delays_are_those_of_its_cutoffs(monkeypatch: pytest.MonkeyPatch) -> None:
    # On the board it stands beside the driver.
    monkeypatch.setitem(sys.modules, "encoder", encoder)
    lsm6ds3 = importlib.import_module("sensor.firmware.lsm6ds3")
    sheet_hz = {104_000: 33.0, 208_000: 67.0, 416_000: 136.0, 833_000: 296.0}
    assert set(lsm6ds3.GYR_DELAYS_US) == set(lsm6ds3.RATES_MHZ) == set(sheet_hz)
    for rate, (delay_us, u_us) in lsm6ds3.GYR_DELAYS_US.items():
        assert delay_us / 1e3 == pytest.approx(delay_of_cutoff_ms(sheet_hz[rate]), abs=0.01)
        assert u_us == pytest.approx(0.3 * delay_us, abs=5)


@pytest.mark.parametrize(
    ("value", "result"),
    [
        (b"", "the command had the wrong length"),
        (b"\x01\x00", "the command had the wrong length"),
        (b"\x03\x80\x2c\x03", "the command had the wrong length"),
        (b"\x00", "the sensor doesn't know this command"),
        (b"\xff\x01\x02", "the sensor doesn't know this command"),
        (b"\x03" + struct.pack("<I", 200_000), "the sensor doesn't offer this value"),
        (b"\x04" + struct.pack("<HH", 2000, 8), "the sensor doesn't offer this value"),
        (b"\x05\x00", "the sensor doesn't offer this value"),
        (b"\x05\x14", "the sensor doesn't offer this value"),
    ],
)
def test_what_is_refused_changes_nothing(value: bytes, result: str) -> None:
    state, asked = make_state()
    before = state.configuration()
    state.command(value)
    told = CONFIGURATION.parse(state.configuration())
    assert told.result_text == result
    assert told.last_command == (value[0] if value else 0)
    assert asked == []
    state.connected(247)
    assert state.configuration() == before


def test_settings_are_refused_while_streaming_and_when_the_chip_fails() -> None:
    state, asked = make_state()
    write(state, "start")
    assert write(state, "set_rate", rate_hz=104) == encoder.NOT_WHILE_STREAMING
    assert state.streaming
    assert asked == []
    state.connected(247)
    assert not state.streaming  # a new connection has to ask again
    broken, _ = make_state(works=False)
    assert write(broken, "set_rate", rate_hz=104) == encoder.CHIP_FAILED
    assert CONFIGURATION.parse(broken.configuration()).rate_hz == 208.0


@settings(max_examples=100)
@given(st.lists(st.binary(max_size=8) | st.sampled_from([b"\x01", b"\x02"]), max_size=8))
def test_any_command_leaves_a_configuration_that_can_be_read(values: list[bytes]) -> None:
    state, _ = make_state()
    for value in values:
        result = state.command(value)
        told = CONFIGURATION.parse(state.configuration())
        assert told.result == result
        assert 0 <= result < len(CONFIGURATION.results)
        assert told.streaming == state.streaming


# -- the same under MicroPython ----------------------------------------------------------------

ENCODER_SCRIPT = """
import encoder

def apply(rate, gyr, acc):
    print("apply", rate, gyr, acc)
    return rate != 104000

seed = 12345
def draw(n):
    global seed
    seed = (1103515245 * seed + 12345) % 2147483648
    return (seed >> 8) % n

for mtu in (20, 23, 24, 67, 185, 247, 517):
    print(mtu, encoder.samples_for_mtu(mtu))
for i in range(200):
    samples = b"".join(
        [encoder.pack_sample(*[draw(80000) - 40000 for _ in range(6)]) for _ in range(1 + draw(19))]
    )
    turned = encoder.gyr_first_to_acc_first(samples)
    print(encoder.packet(draw(200000), draw(2147483648) * draw(9) - 99, bytes(turned)).hex())
state = encoder.State(
    (104000, 208000), {2000: 70000000}, {16: 4785645}, 208000, 2000, 16, apply
)
state.connected(247)
for i in range(300):
    value = bytes([draw(7)] + [draw(256) for _ in range(draw(6))])
    if draw(4) == 0:
        value = b"\\x03\\x40\\x96\\x01\\x00" if draw(2) else b"\\x03\\x80\\x2c\\x03\\x00"
    if draw(6) == 0:
        value = b"\\x02"
    print(value.hex(), state.command(value), state.configuration().hex())
batcher = encoder.Batcher(4808)
now = 4294000000
for i in range(200):
    now += draw(90000)
    if draw(12) == 0:
        batcher.overrun(now)
    n = 1 + draw(19)
    print(batcher.packet(bytes(12 * n), n + draw(9), now).hex(), batcher.counter)
"""


def test_micropython_gives_the_same_bytes(tmp_path: Path) -> None:
    lines = run_micropython(
        "import sys\nprint(sys.implementation.name)\n" + ENCODER_SCRIPT, tmp_path
    )
    assert lines[0] == "micropython"
    assert lines[1:] == run_cpython(ENCODER_SCRIPT, tmp_path)
    assert len(lines) > 700
    assert any(line.split()[1:2] == [str(encoder.CHIP_FAILED)] for line in lines)


# A board in which everything but the firmware is made up; runs on both. The chip's six values tell
# the number of the sample.
BOARD = """
import sys

class Clock:
    us = 1073741824 - 2000000  # MicroPython's count turns over two seconds later

    def ticks_us(self):
        return self.us % 1073741824
    def ticks_ms(self):
        return self.us // 1000 % 1073741824
    def ticks_diff(self, a, b):
        return (a - b + 536870912) % 1073741824 - 536870912
    def ticks_add(self, a, b):
        return (a + b) % 1073741824
    def sleep_ms(self, ms):
        self.us += 1000 * ms
    def sleep(self, s):
        self.us += 1000000 * s

clock = Clock()

class I2C:
    # Registers and FIFO as the driver expects them.
    def __init__(self, bus, scl, sda, freq):
        self.registers = bytearray(128)
        self.registers[0x0F] = 0x6A
        self.begin_us = None
        self.taken = 0  # samples that the FIFO has given out or lost
        self.over = False
        board.i2c = self
    def period_us(self):
        return {4: 9615.4, 5: 4807.7, 6: 2403.8, 7: 1200.5}[self.registers[0x11] >> 4] / 1.015
    def made(self):
        return int((clock.us - self.begin_us) / self.period_us())
    def held(self):
        if self.begin_us is None:
            return 0
        held = self.made() - self.taken
        if held > 341:
            self.over = True
            self.taken = self.made() - 341
            held = 341
        return held
    def writeto_mem(self, address, register, value):
        if register == 0x12 and value[0] & 1:
            value = bytes(1)  # the reset is done at once
        if register == 0x0A:
            self.over = False
            if value[0] & 7 == 6:
                if self.begin_us is None:
                    self.begin_us = clock.us
                    self.taken = 0
                self.taken = self.made()
            elif self.begin_us is not None:
                self.taken = self.made()
        self.registers[register] = value[0]
    def readfrom_mem(self, address, register, n):
        if register == 0x3A:
            words = 6 * self.held()
            return bytes([words & 255, words >> 8 & 7 | (64 if self.over else 0)])
        return bytes(self.registers[register:register + n])
    def readfrom_mem_into(self, address, register, buffer):
        assert register == 0x3E
        for at in range(0, len(buffer), 12):
            number = self.taken
            self.taken += 1
            for k in range(6):
                value = number * 8 + k  # gx gy gz ax ay az
                buffer[at + 2 * k] = value & 255
                buffer[at + 2 * k + 1] = value >> 8 & 255

class BLE:
    def __init__(self):
        self.values = {}
        self.sent = []
        self.full = 0
        self.advertised = 0
        board.ble = self
    def active(self, on):
        pass
    def config(self, **more):
        self.mtu = more["mtu"]
    def irq(self, handler):
        self.handler = handler
    def gatts_register_services(self, services):
        handle = 10
        handles = []
        self.uuids = {}
        for service, characteristics in services:
            row = []
            for uuid, flags in characteristics:
                self.uuids[handle] = uuid
                self.values[handle] = b""
                row.append(handle)
                handle += 3
            handles.append(tuple(row))
        return tuple(handles)
    def gatts_set_buffer(self, handle, length):
        pass
    def gatts_write(self, handle, value, send=False):
        self.values[handle] = bytes(value)
    def gatts_read(self, handle):
        return self.values[handle]
    def gatts_notify(self, connection, handle, value):
        if self.full:
            self.full -= 1
            raise OSError(12)
        self.sent.append((clock.us, bytes(value)))
    def gap_advertise(self, interval_us, adv_data=None, resp_data=None):
        self.advertised += 1
        self.advertisement = bytes(adv_data), bytes(resp_data)

class UUID:
    def __init__(self, value):
        self.value = value
    def __buffer__(self, flags=0):
        return memoryview(self.little())
    def little(self):
        digits = self.value.replace("-", "")
        pairs = [int(digits[i:i + 2], 16) for i in range(0, 32, 2)]
        return bytes(reversed(pairs))
    def __iter__(self):
        return iter(self.little())
    def __len__(self):
        return 16

class Namespace:
    pass

class ADC:
    def __init__(self, pin):
        pass
    def read_uv(self):
        return 1862500  # half of 3.725 V

board = Namespace()
bluetooth = Namespace()
bluetooth.BLE, bluetooth.UUID = BLE, UUID
machine = Namespace()
machine.I2C, machine.ADC, machine.Pin = I2C, ADC, int
sys.modules["time"] = clock
sys.modules["bluetooth"] = bluetooth
sys.modules["machine"] = machine
import main
main.BATTERY_PIN = 3
sensor = main.Sensor()
ble = board.ble

def handle_of(uuid):
    return [h for h, u in ble.uuids.items() if u.value == uuid][0]

def run(seconds):
    end = clock.us + int(seconds * 1000000)
    while clock.us < end:
        sensor.now_us()
        sensor.obey()
        sensor.measure_battery()
        if not sensor.stream():
            clock.sleep_ms(2)
        clock.us += 700  # what reading and sending take

def write(value):
    ble.values[sensor.control] = bytes(value)
    ble.handler(3, (1, sensor.control))
    run(0.05)
    print("configuration", bytes(value).hex(), ble.values[sensor.configuration].hex())

def flush(word):
    for us, value in ble.sent:
        print(word, us, value.hex())
    ble.sent.clear()

print("advertisement", ble.advertisement[0].hex(), ble.advertisement[1].hex())
for h in sorted(ble.uuids):
    value = ble.values[h]  # (MicroPython's hex() of nothing isn't text)
    print("characteristic", h, ble.uuids[h].value, value.hex() if value else "")
run(0.5)
ble.handler(1, (1, 0, b"123456"))
run(0.1)
ble.handler(21, (1, 247))
run(0.2)
print("quiet", len(ble.sent), ble.advertised)
write(b"\\x03\\x80\\x2c\\x03\\x00")
write(b"\\x04\\xd0\\x07\\x10\\x00")
write(b"\\x05\\x08")
write(b"\\x03\\x00\\x00\\x00\\x00")
write(b"\\x01")
run(4)
ble.full = 20  # the radio's queue is full for a moment: nothing may be lost
run(1)
flush("packet")
ble.full = 1000  # and now for longer than the chip's memory lasts
run(4)
ble.full = 0
run(2)
flush("after")
ble.handler(2, (1, 0, b"123456"))
run(1)
print("gone", len(ble.sent), ble.advertised)
ble.handler(1, (2, 0, b"123456"))
run(0.1)
write(b"\\x01")
run(1)
flush("narrow")
write(b"\\x02")
ble.sent.clear()
run(1)
print("stopped", len(ble.sent))
"""


def by_word(lines: list[str]) -> dict[str, list[list[str]]]:
    found: dict[str, list[list[str]]] = {}
    for line in lines:
        word, *rest = line.split()
        found.setdefault(word, []).append(rest)
    return found


def check_board(lines: list[str]) -> None:
    """What the whole firmware did on the simulated board."""
    found = by_word(lines)
    ((data, response),) = found["advertisement"]
    # Core Specification Supplement, A 1.1-1.3: flags, whole list of 128-bit services, whole name.
    service = bytes.fromhex(encoder.SERVICE.replace("-", ""))[::-1]
    assert bytes.fromhex(data) == b"\x02\x01\x06\x11\x07" + service
    assert len(data) // 2 <= 31
    assert bytes.fromhex(response)[1:2] == b"\x09"
    values = {uuid: bytes.fromhex("".join(value)) for _, uuid, *value in found["characteristic"]}
    assert values[str(0x2A24)] == b"LSM6DS3TR-C"
    assert values[str(0x2A25)]
    told = [CONFIGURATION.parse(bytes.fromhex(value)) for _, value in found["configuration"]]
    assert [one.result for one in told] == [0, 0, 0, 3, 0, 0, 0]
    assert told[3].rate_hz == 208.0
    assert [one.streaming for one in told] == [False] * 4 + [True, True, False]
    assert found["quiet"] == [["0", "1"]]
    assert found["gone"] == [["0", "2"]]
    assert found["stopped"] == [["0"]]
    decoder = Decoder(
        STREAM,
        gyr_dps_per_count=told[4].gyr_dps_per_count,
        acc_m_s2_per_count=told[4].acc_m_s2_per_count,
        rate_hz=told[4].rate_hz,
    )

    def decode(word: str) -> Any:
        packets = [(int(us) * 1000, bytes.fromhex(value)) for us, value in found[word]]
        return decode_all(decoder, *zip(*packets, strict=True))

    def numbers(samples: np.ndarray) -> np.ndarray:
        """The true numbers, from the values: gx is 8 times the number, and so on."""
        values = np.stack([samples[a] for a in AXES], 1).astype(np.int64) & 0xFFFF
        base = values[:, 3]
        for k, column in enumerate([3, 4, 5, 0, 1, 2]):
            np.testing.assert_array_equal(values[:, column], (base + k) & 0xFFFF)
        assert np.all(base % 8 == 0)
        return base // 8

    first = decode("packet")
    assert set(first.packets["count"]) == {8}
    true = numbers(first.samples)
    np.testing.assert_array_equal(true, true[0] + np.arange(len(true)))
    np.testing.assert_array_equal(first.samples["seq"], np.arange(len(true)))
    assert len(true) == pytest.approx(5.0 * 208 * 1.015, abs=16)
    # The clock in the packets: the first sample's, late by up to a period, never early.
    period_ns = 4807.7e3 / 1.015
    ticks = first.packets["ticks"] - first.packets["ticks"][0]
    late = ticks - first.packets["first_seq"] * period_ns
    assert np.ptp(late) < 1.6 * period_ns
    # More than the chip's memory holds: the counter shows what is missing, to within a few.
    after = decode("after")
    assert decoder.resets == 0
    assert decoder.lost > 300
    missing = numbers(after.samples) - true[0] - after.samples["seq"]
    assert np.all(np.abs((missing + 4096) % 8192 - 4096) < 25)
    # A new connection starts at 0 with one sample a packet, as MTU 23 holds.
    decoder.new_connection()
    narrow = decode("narrow")
    assert set(narrow.packets["count"]) == {1}
    assert narrow.packets["raw_counter"][0] == 0
    assert np.all(np.diff(narrow.samples["seq"]) == 1)


def test_the_whole_firmware_on_a_simulated_board(tmp_path: Path) -> None:
    lines = run_cpython(BOARD, tmp_path)
    check_board(lines)


def test_the_whole_firmware_under_micropython(tmp_path: Path) -> None:
    lines = run_micropython(BOARD, tmp_path)
    check_board(lines)
    assert lines == run_cpython(BOARD, tmp_path)
