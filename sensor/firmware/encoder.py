"""The bytes of the unhurried stream, and what its commands do. No hardware in here.

This file runs on the sensor under MicroPython and in the tests under CPython, and gives the same
bytes on both. It keeps to what both have: no dataclasses, no typing, no keyword-only tricks.
The format is specified in ../profiles/unhurried-stream.md; the numbers below come from there.
"""

import struct

LAYOUT = 1
HEADER_BYTES = 8
SAMPLE_BYTES = 12
MAX_SAMPLES = 19
CONFIGURATION_BYTES = 28

SERVICE = "303dfca1-1aad-4801-92c8-dfcf07b218e9"
DATA = "303dfca2-1aad-4801-92c8-dfcf07b218e9"
CONTROL = "303dfca3-1aad-4801-92c8-dfcf07b218e9"
CONFIGURATION = "303dfca4-1aad-4801-92c8-dfcf07b218e9"

START = 1
STOP = 2
SET_RATE = 3
SET_RANGES = 4
SET_SAMPLES = 5
# Length of each command, its code included.
LENGTHS = {START: 1, STOP: 1, SET_RATE: 5, SET_RANGES: 5, SET_SAMPLES: 2}

DONE = 0
UNKNOWN_COMMAND = 1
WRONG_LENGTH = 2
NOT_OFFERED = 3
NOT_WHILE_STREAMING = 4
CHIP_FAILED = 5


def samples_for_mtu(mtu: int) -> int:
    """Return how many samples fit into one notification; ATT itself takes 3 bytes."""
    return max(0, min(MAX_SAMPLES, (mtu - 3 - HEADER_BYTES) // SAMPLE_BYTES))


def packet(counter: int, ticks_us: int, samples: bytes) -> bytes:
    """Return a packet of samples that are 12 bytes each: ax ay az gx gy gz, little-endian.

    `counter` is the number of the first sample, `ticks_us` the time at which it was taken; both
    are cut to the width of their fields.
    """
    count = len(samples) // SAMPLE_BYTES
    head = struct.pack("<BBHI", LAYOUT, count, counter & 0xFFFF, ticks_us & 0xFFFFFFFF)
    return head + bytes(samples)


def pack_sample(ax: int, ay: int, az: int, gx: int, gy: int, gz: int) -> bytes:
    """Return the 12 bytes of one sample; what is over the ends of 16 bits is held there."""
    return struct.pack("<hhhhhh", _held(ax), _held(ay), _held(az), _held(gx), _held(gy), _held(gz))


def _held(count: int) -> int:
    return -32768 if count < -32768 else 32767 if count > 32767 else count


def gyr_first_to_acc_first(fifo: bytes) -> bytearray:
    """Turn samples that a chip gives as gx gy gz ax ay az into the stream's order."""
    out = bytearray(len(fifo))
    for at in range(0, len(fifo) - SAMPLE_BYTES + 1, SAMPLE_BYTES):
        out[at : at + 6] = fifo[at + 6 : at + 12]
        out[at + 6 : at + 12] = fifo[at : at + 6]
    return out


class State:
    """What the sensor is set to, and what a command does to it.

    `rates_mhz` (thousandths of a hertz), `gyr_ranges_dps` and `acc_ranges_g` are what the chip
    offers; the size of a count for each range comes with it: {2000: 70000000} is 70 mdps, in
    billionths of a deg/s; those of the accelerometer in billionths of a m/s2. `apply` is called
    with rate, gyroscope range and accelerometer range after each change, and returns whether the
    chip took it.
    """

    def __init__(self, rates_mhz, gyr_scales, acc_scales, rate_mhz, gyr_dps, acc_g, apply):  # type: ignore[no-untyped-def]
        self.rates_mhz = rates_mhz
        self.gyr_scales = gyr_scales
        self.acc_scales = acc_scales
        self.rate_mhz = rate_mhz
        self.gyr_range_dps = gyr_dps
        self.acc_range_g = acc_g
        # By rate: how late the gyroscope's filter is, and its standard uncertainty.
        self.gyr_delays_us = {}
        self.acc_delay_us = 0
        self.gyr_scale_u_permille = 0
        self.wanted = 8
        self.mtu = 23
        self.streaming = False
        self.starts = 0
        self.last_command = 0
        self.result = DONE
        self._apply = apply

    def samples(self) -> int:
        """Return how many samples go into a packet now."""
        return min(self.wanted, samples_for_mtu(self.mtu))

    def connected(self, mtu: int) -> None:
        """Forget the last central: nothing streams until this one asks for it."""
        self.mtu = mtu
        self.streaming = False
        self.last_command = 0
        self.result = DONE

    def command(self, value: bytes) -> int:
        """Do what was written to the control characteristic, and return how it went."""
        self.last_command = value[0] if len(value) else 0
        self.result = self._do(value)
        return self.result

    def _do(self, value: bytes) -> int:
        if len(value) == 0:
            return WRONG_LENGTH
        code = value[0]
        if code not in LENGTHS:
            return UNKNOWN_COMMAND
        if len(value) != LENGTHS[code]:
            return WRONG_LENGTH
        if code == START:
            self.starts += 1
            self.streaming = True
            return DONE
        if code == STOP:
            self.streaming = False
            return DONE
        if self.streaming:
            return NOT_WHILE_STREAMING
        if code == SET_SAMPLES:
            if not 1 <= value[1] <= MAX_SAMPLES:
                return NOT_OFFERED
            self.wanted = value[1]
            return DONE
        rate, gyr, acc = self.rate_mhz, self.gyr_range_dps, self.acc_range_g
        if code == SET_RATE:
            rate = struct.unpack("<I", value[1:])[0]
        else:
            gyr, acc = struct.unpack("<HH", value[1:])
        if rate not in self.rates_mhz or gyr not in self.gyr_scales or acc not in self.acc_scales:
            return NOT_OFFERED
        if not self._apply(rate, gyr, acc):
            return CHIP_FAILED
        self.rate_mhz, self.gyr_range_dps, self.acc_range_g = rate, gyr, acc
        return DONE

    def configuration(self) -> bytes:
        """Return the value of the configuration characteristic."""
        delay_us, delay_u_us = self.gyr_delays_us.get(self.rate_mhz, (0, 0))
        return struct.pack(
            "<BBBBBBHHHHHIII",
            LAYOUT,
            1 if self.streaming else 0,
            self.last_command,
            self.result,
            self.samples(),
            self.gyr_scale_u_permille,
            self.gyr_range_dps,
            self.acc_range_g,
            delay_us,
            self.acc_delay_us,
            delay_u_us,
            self.rate_mhz,
            self.gyr_scales[self.gyr_range_dps],
            self.acc_scales[self.acc_range_g],
        )


class Batcher:
    """Cuts what the chip's memory holds into packets, and numbers and times the samples.

    `period_us` is the nominal sample period. The samples that are lost when the chip's memory runs
    over are counted by the time that went by, so that the counter shows how many are missing.
    """

    def __init__(self, period_us: int) -> None:
        self.period_us = period_us
        self.counter = 0
        self._last_us = -1

    def restart(self, period_us: int) -> None:
        """Begin at sample 0 again."""
        self.period_us = period_us
        self.counter = 0
        self._last_us = -1

    def packet(self, samples: bytes, waiting: int, now_us: int) -> bytes:
        """Return the packet of samples that were read at `now_us`.

        `waiting` is how many the chip held then, these included: the newest is at most one period
        old, and the first of these older by the periods in between.
        """
        first_us = now_us - (waiting - 1) * self.period_us
        out = packet(self.counter, first_us, samples)
        self.counter += len(samples) // SAMPLE_BYTES
        self._last_us = first_us + (len(samples) // SAMPLE_BYTES) * self.period_us
        return out

    def overrun(self, now_us: int) -> None:
        """Tell that the chip's memory ran over and was emptied at `now_us`."""
        if self._last_us >= 0:
            gone_us = now_us - self._last_us
            self.counter += max(0, (gone_us + self.period_us // 2) // self.period_us)
        self._last_us = now_us
