# mypy: ignore-errors
"""Driver for the LSM6DS3TR-C, a common six-axis chip, on I2C.

Registers and bits as in the maker's open driver, lsm6ds3tr-c_reg.h (STMicroelectronics,
github.com/STMicroelectronics/lsm6ds3tr-c-pid). Sensitivities, and that the FIFO gives the gyroscope
first: data sheet "LSM6DS3TR-C", DocID030071, from memory: check them against the sheet of your own
part. The older LSM6DS3 has the same registers.

Not yet run on hardware.
"""

import encoder

ADDRESS = 0x6A  # 0x6B where the chip's SA0 pin is tied high

FIFO_CTRL1 = 0x06
FIFO_CTRL3 = 0x08
FIFO_CTRL5 = 0x0A
WHO_AM_I = 0x0F
CTRL1_XL = 0x10
CTRL2_G = 0x11
CTRL3_C = 0x12
FIFO_STATUS1 = 0x3A
FIFO_DATA_OUT_L = 0x3E

KNOWN = {0x6A: "LSM6DS3TR-C", 0x69: "LSM6DS3"}

# Output data rate: thousandths of a hertz and its code, for both halves and for the FIFO.
RATES_MHZ = {104000: 4, 208000: 5, 416000: 6, 833000: 7}
# Range and its code, in bits 3:2 of CTRL2_G and CTRL1_XL.
GYR_CODES = {500: 1, 1000: 2, 2000: 3}
ACC_CODES = {8: 3, 16: 1}
# Size of a count: 17.5, 35 and 70 mdps; 0.244 and 0.488 mg (times 9.80665 m/s2).
GYR_SCALES = {500: 17500000, 1000: 35000000, 2000: 70000000}
ACC_SCALES = {8: 2392823, 16: 4785645}

# Rate, and how late the gyroscope's second filter is at it with its standard uncertainty, in us:
# sqrt(2) / (2 pi f) for cut-offs f of 33, 67, 136 and 296 Hz (application note AN5130, table of the
# gyroscope's LPF2 bandwidths, from memory), and 30 % for a filter that may be of another order.
# Check them against the note of your own part.
GYR_DELAYS_US = {
    104000: (6820, 2050),
    208000: (3360, 1010),
    416000: (1660, 500),
    833000: (760, 230),
}
# The sheet gives no tolerance of the gyroscope's scale (from memory): it is left unknown.

WORDS_A_SAMPLE = 6
FIFO_CONTINUOUS = 6
FIFO_BYPASS = 0
OVERRUN = 0x40


class Chip:
    """The chip: set up, then read from its FIFO. Samples come as 12 bytes, acceleration first."""

    def __init__(self, i2c, address=ADDRESS):
        self._i2c = i2c
        self._address = address
        self._rate_code = 0
        self._buffer = bytearray(encoder.MAX_SAMPLES * encoder.SAMPLE_BYTES)
        kind = i2c.readfrom_mem(address, WHO_AM_I, 1)[0]
        if kind not in KNOWN:
            raise OSError(f"no LSM6DS3 at address 0x{address:02x}: it says 0x{kind:02x}")
        self.model = KNOWN[kind]
        self._write(CTRL3_C, 0x01)  # software reset
        while i2c.readfrom_mem(address, CTRL3_C, 1)[0] & 0x01:
            pass
        self._write(CTRL3_C, 0x44)  # whole samples only (BDU), addresses count up (IF_INC)

    def _write(self, register, value):
        self._i2c.writeto_mem(self._address, register, bytes([value]))

    def apply(self, rate_mhz, gyr_range_dps, acc_range_g):
        """Set rate and ranges; return whether the chip took them."""
        self._rate_code = RATES_MHZ[rate_mhz]
        acc = self._rate_code << 4 | ACC_CODES[acc_range_g] << 2
        gyr = self._rate_code << 4 | GYR_CODES[gyr_range_dps] << 2
        try:
            self._write(CTRL1_XL, acc)
            self._write(CTRL2_G, gyr)
            read = self._i2c.readfrom_mem(self._address, CTRL1_XL, 2)
        except OSError:
            return False
        return read[0] == acc and read[1] == gyr

    def start(self):
        """Empty the FIFO and let it run."""
        self._write(FIFO_CTRL5, FIFO_BYPASS)
        self._write(FIFO_CTRL3, 0x09)  # gyroscope and accelerometer, each sample
        self._write(FIFO_CTRL5, self._rate_code << 3 | FIFO_CONTINUOUS)

    def stop(self):
        """Stop the FIFO."""
        self._write(FIFO_CTRL5, FIFO_BYPASS)

    def waiting(self):
        """Return how many whole samples the FIFO holds, or -1 if it ran over."""
        low, high = self._i2c.readfrom_mem(self._address, FIFO_STATUS1, 2)
        if high & OVERRUN:
            return -1
        return ((high & 0x07) << 8 | low) // WORDS_A_SAMPLE

    def read(self, samples):
        """Return so many samples from the FIFO, oldest first."""
        view = memoryview(self._buffer)[: samples * encoder.SAMPLE_BYTES]
        self._i2c.readfrom_mem_into(self._address, FIFO_DATA_OUT_L, view)
        return encoder.gyr_first_to_acc_first(bytes(view))
