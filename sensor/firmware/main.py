# mypy: ignore-errors
"""Reference firmware for the unhurried stream: MicroPython, a board with Bluetooth LE, one chip.

Not yet run on hardware. Copy encoder.py, lsm6ds3.py and this file to the board; README.md says how.
"""

import time

import bluetooth
import encoder
import lsm6ds3
import machine

# -- your board --------------------------------------------------------------------------------

NAME = "unhurried-1"
SERIAL = "1"
I2C_BUS, SCL_PIN, SDA_PIN = 0, 7, 6
# Analogue input at half the cell's voltage, or None: then there is no battery service.
BATTERY_PIN = None
BATTERY_EMPTY_MV, BATTERY_FULL_MV = 3300, 4150

MANUFACTURER = "unhurried"
FIRMWARE = "0.1"

# -- Bluetooth ---------------------------------------------------------------------------------

IRQ_CENTRAL_CONNECT = 1
IRQ_CENTRAL_DISCONNECT = 2
IRQ_GATTS_WRITE = 3
IRQ_MTU_EXCHANGED = 21
READ, WRITE, NOTIFY = 0x02, 0x08, 0x10
MTU = 247
DEFAULT_MTU = 23
ADVERTISE_US = 100_000

# Bluetooth SIG, Assigned Numbers.
DEVICE_INFORMATION = 0x180A
BATTERY_SERVICE, BATTERY_LEVEL = 0x180F, 0x2A19
BATTERY_EVERY_MS = 60_000


class Sensor:
    def __init__(self):
        i2c = machine.I2C(I2C_BUS, scl=machine.Pin(SCL_PIN), sda=machine.Pin(SDA_PIN), freq=400_000)
        self.chip = lsm6ds3.Chip(i2c)
        self.state = encoder.State(
            lsm6ds3.RATES_MHZ,
            lsm6ds3.GYR_SCALES,
            lsm6ds3.ACC_SCALES,
            208000,
            2000,
            16,
            self.chip.apply,
        )
        self.state.gyr_delays_us = lsm6ds3.GYR_DELAYS_US
        self.chip.apply(208000, 2000, 16)
        self.batcher = encoder.Batcher(self.period_us())
        self.connection = None
        self.starts = 0
        self.commands = []
        self.packet = None
        self.us = 0
        self.ticks = time.ticks_us()
        self.adc = None if BATTERY_PIN is None else machine.ADC(machine.Pin(BATTERY_PIN))
        self.battery_ms = time.ticks_ms()
        self.ble = bluetooth.BLE()
        self.ble.active(True)
        self.ble.config(mtu=MTU, gap_name=NAME)
        self.ble.irq(self.on_event)
        self.register()
        self.advertise()

    def period_us(self):
        return (1_000_000_000 + self.state.rate_mhz // 2) // self.state.rate_mhz

    def now_us(self):
        """Return microseconds since the start; MicroPython's own count turns over too early."""
        ticks = time.ticks_us()
        self.us += time.ticks_diff(ticks, self.ticks)
        self.ticks = ticks
        return self.us

    def register(self):
        uuid = bluetooth.UUID
        stream = (
            uuid(encoder.SERVICE),
            (
                (uuid(encoder.DATA), NOTIFY),
                (uuid(encoder.CONTROL), WRITE),
                (uuid(encoder.CONFIGURATION), READ),
            ),
        )
        told = (
            (0x2A29, MANUFACTURER),
            (0x2A24, self.chip.model),
            (0x2A25, SERIAL),
            (0x2A26, FIRMWARE),
        )
        device = (uuid(DEVICE_INFORMATION), tuple((uuid(code), READ) for code, _ in told))
        services = [stream, device]
        if self.adc is not None:
            services.append((uuid(BATTERY_SERVICE), ((uuid(BATTERY_LEVEL), READ | NOTIFY),)))
        handles = self.ble.gatts_register_services(tuple(services))
        self.data, self.control, self.configuration = handles[0]
        for i in range(len(told)):
            self.ble.gatts_write(handles[1][i], told[i][1].encode())
        self.battery = handles[2][0] if self.adc is not None else None
        self.ble.gatts_set_buffer(self.control, 8)
        self.ble.gatts_set_buffer(self.configuration, encoder.CONFIGURATION_BYTES)
        self.tell()

    def advertise(self):
        service = bytes(bluetooth.UUID(encoder.SERVICE))
        # Flags: found by all, no classic Bluetooth; then the service, whole list of 128-bit UUIDs.
        data = b"\x02\x01\x06" + bytes([len(service) + 1, 0x07]) + service
        name = NAME.encode()
        self.ble.gap_advertise(
            ADVERTISE_US, adv_data=data, resp_data=bytes([len(name) + 1, 0x09]) + name
        )

    def tell(self):
        """Bring the configuration that a central reads up to date."""
        self.ble.gatts_write(self.configuration, self.state.configuration())

    def on_event(self, event, data):
        """Events come between two lines of the loop: note them, and let the loop do the work."""
        if event == IRQ_CENTRAL_CONNECT:
            self.connection = data[0]
            self.commands.append(None)
        elif event == IRQ_CENTRAL_DISCONNECT:
            self.connection = None
            self.commands.append(None)
        elif event == IRQ_MTU_EXCHANGED:
            self.commands.append(data[1])
        elif event == IRQ_GATTS_WRITE and data[1] == self.control:
            self.commands.append(self.ble.gatts_read(self.control))

    def obey(self):
        """Do what came in since the last round."""
        while self.commands:
            command = self.commands.pop(0)
            if command is None:
                self.state.connected(DEFAULT_MTU)
                if self.connection is None:
                    self.advertise()
            elif isinstance(command, int):
                self.state.mtu = command
            else:
                self.state.command(command)
            if self.state.streaming and self.state.starts != self.starts:
                self.starts = self.state.starts
                self.batcher.restart(self.period_us())
                self.packet = None
                self.chip.start()
            elif not self.state.streaming:
                self.chip.stop()
            self.tell()

    def stream(self):
        """Send one packet if there is one to send; tell whether it went."""
        if self.connection is None or not self.state.streaming:
            return False
        if self.packet is None:
            waiting = self.chip.waiting()
            now_us = self.now_us()
            if waiting < 0:
                self.chip.start()
                self.batcher.overrun(now_us)
                return False
            samples = self.state.samples()
            if not samples or waiting < samples:
                return False
            self.packet = self.batcher.packet(self.chip.read(samples), waiting, now_us)
        try:
            self.ble.gatts_notify(self.connection, self.data, self.packet)
        except OSError:
            return False  # the radio's queue is full: the same packet goes again
        self.packet = None
        return True

    def measure_battery(self):
        if self.adc is None or time.ticks_diff(time.ticks_ms(), self.battery_ms) < 0:
            return
        self.battery_ms = time.ticks_add(time.ticks_ms(), BATTERY_EVERY_MS)
        millivolts = 2 * self.adc.read_uv() // 1000
        percent = 100 * (millivolts - BATTERY_EMPTY_MV) // (BATTERY_FULL_MV - BATTERY_EMPTY_MV)
        self.ble.gatts_write(self.battery, bytes([max(0, min(100, percent))]), True)

    def run(self):
        while True:
            self.now_us()  # often enough that no turn of MicroPython's count is missed
            self.obey()
            self.measure_battery()
            if not self.stream():
                time.sleep_ms(2)


if __name__ == "__main__":
    try:
        Sensor().run()
    except OSError as error:
        # The chip doesn't answer: begin anew. The computer connects again by itself.
        print(error)
        time.sleep(1)
        machine.reset()
