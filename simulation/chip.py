"""The simulated sensor: from noise-free motion on a fine grid to counts and packets.

Order of what happens to a signal, and why in that order:

1. the chip's own low-pass filter (causal, second order) works on the continuous signal, here on
   the fine grid;
2. the filtered signal is sampled at the chip's true rate, which differs from its nominal rate;
3. the mount turns the axes; scale error and cross-axis sensitivity act (all linear and constant,
   so they may as well come after the filter, at the low rate);
4. bias and noise are added;
5. range and 16-bit counts: rounded to the nearest, held at the ends.

The radio link then groups samples into packets, loses some and delays the others.

Not modelled: the gyroscope's sensitivity to acceleration, resonance of the silicon under shock,
change of the sample rate with temperature within a session.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.signal import sosfilt

from sensor.recording.layout import PACKET_DTYPE
from words.units import G_N_M_S2

Floats = NDArray[np.float64]


_COUNT_LIMIT = 32768  # 16-bit two's complement: -32768 ... 32767


@dataclass(frozen=True, slots=True, kw_only=True)
class ChipParams:
    """A six-axis chip as its data sheet describes it.

    Data-sheet figures are typical of small consumer motion chips, from memory. The `_sd` figures
    are the spread from one chip to the next; `draw_unit` draws one chip from them.
    """

    nominal_rate_hz: float = 200.0
    """What the chip is set to: 100-800 Hz."""

    rate_error: float = 0.0
    """True rate over nominal rate, minus 1. Free-running chips: 1-5 % (reference: bluetooth.md)."""

    gyr_range_dps: float = 2000.0
    """Ends of the gyroscope's range: 500-4000 deg/s are sold (from memory)."""

    acc_range_g: float = 16.0
    """Ends of the accelerometer's range: 8-16 g common, 32-200 g in high-g parts (from memory)."""

    gyr_bandwidth_hz: float | None = None
    """-3 dB frequency of the gyroscope's filter; None: 0.38 of the nominal rate. Chips tie the
    filter to the rate at roughly 0.32-0.45 of it (from memory)."""

    acc_bandwidth_hz: float | None = None
    """-3 dB frequency of the accelerometer's filter; None: 0.42 of the nominal rate. Not the
    gyroscope's, so that nothing may rely on the two delays being equal."""

    gyr_noise_dps_rthz: float = 0.01
    """Noise density: 0.004-0.015 deg/s/sqrt(Hz) (from memory)."""

    noise_filtered: bool = False
    """The gyroscope's noise passes its filter, as in a chip; else it is white at the samples."""

    acc_noise_m_s2_rthz: float | None = None
    """Noise density; None: 0.002 m/s2/sqrt(Hz) (about 200 ug, from memory) up to 16 g, in
    proportion to the range above (high-g parts are noisier, from memory)."""

    gyr_bias_sd_dps: float = 1.5
    """Zero-rate offset, drawn within 3 sd. Data sheets: 1-10 deg/s (from memory)."""

    gyr_drift_dps: float = 0.1
    """Slow change of the offset over a session as the chip warms up (about 0.01-0.05 deg/s per
    kelvin and a few kelvin, from memory)."""

    acc_bias_sd_m_s2: float = 0.2
    """Zero-g offset, about 20 mg; data sheets 20-80 mg (from memory)."""

    gyr_scale_sd: float = 0.01
    """Scale error: 1-3 % (reference: physics-and-checks.md, there from memory)."""

    acc_scale_sd: float = 0.005
    """Scale error: about 0.5 % (from memory)."""

    cross_axis_sd: float = 0.003
    """What one axis sees of another because they are not quite square; data sheets allow 1-2 %
    (from memory), most parts are much better."""

    scale_error: bool = True
    """False: scale and cross-axis errors are nil (an ideally calibrated chip)."""

    mount_quat_wxyz: tuple[float, float, float, float] | None = None
    """Attitude of the chip in its mount (chip frame to segment frame); None: any, drawn."""

    @property
    def true_rate_hz(self) -> float:
        """Samples a true second."""
        return self.nominal_rate_hz * (1.0 + self.rate_error)

    @property
    def gyr_dps_per_count(self) -> float:
        """Size of one count, deg/s."""
        return self.gyr_range_dps / _COUNT_LIMIT

    @property
    def acc_m_s2_per_count(self) -> float:
        """Size of one count, m/s2."""
        return self.acc_range_g * G_N_M_S2 / _COUNT_LIMIT

    @property
    def gyr_cutoff_hz(self) -> float:
        """-3 dB frequency of the gyroscope's filter."""
        given = self.gyr_bandwidth_hz
        return 0.38 * self.nominal_rate_hz if given is None else given

    @property
    def acc_cutoff_hz(self) -> float:
        """-3 dB frequency of the accelerometer's filter."""
        given = self.acc_bandwidth_hz
        return 0.42 * self.nominal_rate_hz if given is None else given

    @property
    def acc_density_m_s2_rthz(self) -> float:
        """Accelerometer noise density in use."""
        if self.acc_noise_m_s2_rthz is not None:
            return self.acc_noise_m_s2_rthz
        return 0.002 * max(1.0, self.acc_range_g / 16.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class ChipUnit:
    """One chip off the shelf, in its mount.

    Attributes
    ----------
    mount, gyr_matrix, acc_matrix
        (3, 3): segment frame to chip frame; the same with scale and cross-axis errors.
    gyr_bias_dps, acc_bias_m_s2
        (3,): offsets at the start of the session.
    gyr_drift_dps, drift_time_s, drift_period_s, drift_phase
        The slow change of the gyroscope's offset: a warm-up and a slow wave.
    """

    mount: Floats
    gyr_matrix: Floats
    acc_matrix: Floats
    gyr_bias_dps: Floats
    acc_bias_m_s2: Floats
    gyr_drift_dps: Floats
    drift_time_s: float
    drift_period_s: float
    drift_phase: float

    def gyr_bias_at(self, time_s: Floats) -> Floats:
        """Gyroscope offset in deg/s, shape (n, 3), at times of shape (n,)."""
        warm = 1.0 - np.exp(-time_s / self.drift_time_s)
        wave = np.sin(2.0 * np.pi * time_s / self.drift_period_s + self.drift_phase)
        return self.gyr_bias_dps + (warm + 0.3 * wave)[:, None] * self.gyr_drift_dps


def random_rotation(rng: np.random.Generator) -> tuple[float, float, float, float]:
    """Quaternion (w, x, y, z) of a rotation, every attitude equally likely."""
    q = rng.standard_normal(4)
    q /= np.linalg.norm(q)
    return float(q[0]), float(q[1]), float(q[2]), float(q[3])


def _matrix(quat_wxyz: tuple[float, float, float, float]) -> Floats:
    """Rotation matrix (3, 3) of a quaternion of any length but nought."""
    q = np.asarray(quat_wxyz, dtype=float)
    w, x, y, z = q / np.linalg.norm(q)
    return np.array(
        [
            [1 - 2 * (y * y + z * z), 2 * (x * y - w * z), 2 * (x * z + w * y)],
            [2 * (x * y + w * z), 1 - 2 * (x * x + z * z), 2 * (y * z - w * x)],
            [2 * (x * z - w * y), 2 * (y * z + w * x), 1 - 2 * (x * x + y * y)],
        ]
    )


def draw_unit(params: ChipParams, rng: np.random.Generator) -> ChipUnit:
    """Draw one chip and its attitude in the mount.

    The same numbers are drawn whatever the options, so that switching one thing off leaves the
    rest of a seeded session as it was.
    """
    drawn_mount = random_rotation(rng)
    given = params.mount_quat_wxyz
    mount = _matrix(drawn_mount if given is None else given).T

    def errors(scale_sd: float) -> Floats:
        scale = np.clip(rng.standard_normal(3), -3, 3) * scale_sd
        cross = np.clip(rng.standard_normal((3, 3)), -3, 3) * params.cross_axis_sd
        np.fill_diagonal(cross, scale)
        return cross if params.scale_error else np.zeros((3, 3))

    gyr_matrix = (np.eye(3) + errors(params.gyr_scale_sd)) @ mount
    acc_matrix = (np.eye(3) + errors(params.acc_scale_sd)) @ mount
    return ChipUnit(
        mount=mount,
        gyr_matrix=gyr_matrix,
        acc_matrix=acc_matrix,
        gyr_bias_dps=np.clip(rng.standard_normal(3), -3, 3) * params.gyr_bias_sd_dps,
        acc_bias_m_s2=np.clip(rng.standard_normal(3), -3, 3) * params.acc_bias_sd_m_s2,
        gyr_drift_dps=rng.standard_normal(3) * params.gyr_drift_dps,
        drift_time_s=float(rng.uniform(120.0, 900.0)),
        drift_period_s=float(rng.uniform(300.0, 1500.0)),
        drift_phase=float(rng.uniform(0.0, 2.0 * np.pi)),
    )


def low_pass(cutoff_hz: float, grid_hz: float) -> Floats:
    """Second-order Butterworth low-pass on the grid, as one section of shape (1, 6).

    Raises
    ------
    ValueError
        If the cutoff isn't below half the grid rate.
    """
    if not 0.0 < cutoff_hz < grid_hz / 2.0:
        raise ValueError(f"cutoff {cutoff_hz} Hz is not within 0 ... {grid_hz / 2.0} Hz")
    # Bilinear transform of w^2 / (s^2 + sqrt(2) w s + w^2), prewarped so -3 dB is at the cutoff.
    k = math.tan(math.pi * cutoff_hz / grid_hz)
    norm = 1.0 + math.sqrt(2.0) * k + k * k
    gain = k * k / norm
    a1 = 2.0 * (k * k - 1.0) / norm
    a2 = (1.0 - math.sqrt(2.0) * k + k * k) / norm
    return np.array([[gain, 2.0 * gain, gain, 1.0, a1, a2]])


def low_pass_delay_s(cutoff_hz: float, grid_hz: float) -> float:
    """Delay of `low_pass` for slow signals: its group delay at zero frequency, in seconds."""
    b0, b1, b2, a0, a1, a2 = low_pass(cutoff_hz, grid_hz)[0]
    samples = (b1 + 2.0 * b2) / (b0 + b1 + b2) - (a1 + 2.0 * a2) / (a0 + a1 + a2)
    return float(samples / grid_hz)


class _Filter:
    """`low_pass` over blocks, started as if the first value had always been there."""

    def __init__(self, cutoff_hz: float, grid_hz: float) -> None:
        self._sos = low_pass(cutoff_hz, grid_hz)
        self._state: Floats | None = None

    def feed(self, x: Floats) -> Floats:
        """Filtered block, shape (n, 3)."""
        b0, _, b2, _, _, a2 = self._sos[0]
        if self._state is None:
            # Steady state of a transposed direct form with unit gain at zero frequency.
            self._state = np.stack([(1.0 - b0) * x[0], (b2 - a2) * x[0]])[None, :, :]
        out, self._state = sosfilt(self._sos, x, axis=0, zi=self._state)
        return np.asarray(out, dtype=float)


class Chip:
    """One chip, fed with motion a block at a time.

    Parameters
    ----------
    params
        The chip.
    grid_hz
        Rate of the motion it is fed with; several times its sample rate.
    unit
        One chip of its kind, from `draw_unit`.
    rng
        Source of its noise.
    """

    def __init__(
        self, params: ChipParams, *, grid_hz: float, unit: ChipUnit, rng: np.random.Generator
    ) -> None:
        self.params = params
        self.unit = unit
        self._grid_hz = grid_hz
        self._rng = rng
        # Another source than that of the samples' noise, which stays as it was without it.
        self._early_rng = rng.spawn(1)[0] if params.noise_filtered else None
        self._gyr = _Filter(params.gyr_cutoff_hz, grid_hz)
        self._acc = _Filter(params.acc_cutoff_hz, grid_hz)
        self._tail: Floats | None = None
        self._tail_start = 0  # grid index of the tail's first row
        self._next_sample = 0
        self._step = grid_hz / params.true_rate_hz  # grid steps a sample

    def feed(self, omega_rad_s: Floats, force_m_s2: Floats) -> NDArray[np.int16]:
        """Counts of the samples whose time has come.

        Parameters
        ----------
        omega_rad_s, force_m_s2
            (n, 3): angular velocity and specific force in the segment frame, on the grid, going
            on from the last block.

        Returns
        -------
        numpy.ndarray
            (m, 6) int16: ax, ay, az, gx, gy, gz. Sample k is taken at k / true rate.
        """
        if len(omega_rad_s) == 0:
            return np.empty((0, 6), dtype=np.int16)
        if self._early_rng is not None:
            omega_rad_s = omega_rad_s + self._noise_before(self._early_rng, len(omega_rad_s))
        smooth = np.concatenate([self._acc.feed(force_m_s2), self._gyr.feed(omega_rad_s)], axis=1)
        # Some rows are kept from block to block: cubic interpolation needs one before, two after.
        if self._tail is None:
            self._tail, self._tail_start = smooth[:1], -1
        rows = np.concatenate([self._tail, smooth])
        last = self._tail_start + len(rows) - 1
        # Highest sample whose two later neighbours are there.
        count = math.floor((last - 2 + 1e-9) / self._step) + 1 - self._next_sample
        out = np.empty((0, 6), dtype=np.int16)
        if count > 0:
            number = self._next_sample + np.arange(count)
            place = number * self._step - self._tail_start
            base = np.minimum(np.floor(place + 1e-9).astype(np.int64), len(rows) - 3)
            values = _cubic(rows, base, place - base)
            out = self._read(values, number / self.params.true_rate_hz)
            self._next_sample += count
        keep = min(len(rows), 4)
        self._tail, self._tail_start = rows[-keep:].copy(), last - keep + 1
        return out

    def _noise_before(self, rng: np.random.Generator, n: int) -> Floats:
        """The gyroscope's noise ahead of its filter, (n, 3), rad/s."""
        size = math.radians(self.params.gyr_noise_dps_rthz * math.sqrt(self._grid_hz / 2.0))
        return size * rng.standard_normal((n, 3))

    def _read(self, values: Floats, time_s: Floats) -> NDArray[np.int16]:
        """Mount, scale, bias, noise, range and counts for sampled (m, 6) values."""
        params, unit = self.params, self.unit
        # White up to half the rate: density times the square root of half the rate.
        half = math.sqrt(params.true_rate_hz / 2.0)
        noise = self._rng.standard_normal((len(values), 6))
        acc = values[:, :3] @ unit.acc_matrix.T + unit.acc_bias_m_s2
        acc += noise[:, :3] * (params.acc_density_m_s2_rthz * half)
        gyr = np.degrees(values[:, 3:]) @ unit.gyr_matrix.T + unit.gyr_bias_at(time_s)
        if self._early_rng is None:
            gyr += noise[:, 3:] * (params.gyr_noise_dps_rthz * half)
        counts = np.concatenate(
            [acc / params.acc_m_s2_per_count, gyr / params.gyr_dps_per_count], axis=1
        )
        held = np.clip(np.rint(counts), -_COUNT_LIMIT, _COUNT_LIMIT - 1)
        return np.asarray(held, dtype=np.int16)


def _cubic(rows: Floats, base: NDArray[np.int64], part: Floats) -> Floats:
    """Cubic (Lagrange) interpolation between rows `base` and `base + 1`.

    At a few grid steps a sample its error is far below one count, and unlike a straight line it
    doesn't depend on where between two grid points the sample falls.
    """
    s = part[:, None]
    return (
        rows[base - 1] * (-s * (s - 1.0) * (s - 2.0) / 6.0)
        + rows[base] * ((s + 1.0) * (s - 1.0) * (s - 2.0) / 2.0)
        + rows[base + 1] * (-(s + 1.0) * s * (s - 2.0) / 2.0)
        + rows[base + 2] * ((s + 1.0) * s * (s - 1.0) / 6.0)
    )


def sense(
    omega_rad_s: Floats,
    force_m_s2: Floats,
    *,
    grid_hz: float,
    params: ChipParams,
    rng: np.random.Generator,
) -> NDArray[np.int16]:
    """Counts of one whole piece of motion, by a chip drawn for it.

    Parameters
    ----------
    omega_rad_s, force_m_s2
        (n, 3): motion on the grid, segment frame.
    grid_hz
        Rate of the grid.
    params
        The chip.
    rng
        Source of the unit's errors and of the noise.

    Returns
    -------
    numpy.ndarray
        (m, 6) int16: ax, ay, az, gx, gy, gz. Empty for empty motion.
    """
    chip = Chip(params, grid_hz=grid_hz, unit=draw_unit(params, rng), rng=rng)
    return chip.feed(omega_rad_s, force_m_s2)


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkParams:
    """The radio link. The model is that of the reference file bluetooth.md.

    A packet is ready with its last sample, waits for the next connection event, may need more
    than one, and is stamped when the host gets to it: never early, sometimes late.
    """

    packet_samples: int = 8
    """Samples a packet: small batches (4-8) for a live cue, up to 19 (reference: bluetooth.md)."""

    interval_s: float = 0.030
    """Connection interval (reference: 15-30 ms, 30-50 ms)."""

    retry_probability: float = 0.10
    """Chance that a connection event fails and the packet waits for the next (reference)."""

    per_event: int = 4
    """Most packets a connection event carries (reference)."""

    stalls_per_minute: float = 1.0
    """Pauses in which nothing arrives; the sensor holds the packets. Rate assumed."""

    stall_s: float = 0.4
    """Longest pause (reference)."""

    host_delay_s: float = 0.0008
    """Mean time (exponential) until the host stamps a packet; assumed."""

    loss: float = 0.0
    """Share of the packets that never arrive (an overflowing sensor or a dropped link)."""

    loss_burst_packets: float = 1.3
    """Mean number of packets lost in a row (geometric); assumed."""

    counter_bits: int = 16
    """Width of the sensor's own sample counter."""

    start_ns: int = field(default=5_000_000_000_000)
    """Reading of the host's clock at the first sample; any number will do."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Delivery:
    """What the host got.

    Attributes
    ----------
    packets
        (p,) of `PACKET_DTYPE`.
    kept
        (n,) bool: which samples arrived.
    """

    packets: NDArray[np.void]
    kept: NDArray[np.bool_]


def deliver(
    n_samples: int, *, true_rate_hz: float, params: LinkParams, rng: np.random.Generator
) -> Delivery:
    """Send samples 0 ... n - 1 over the link.

    The first and the last packet always arrive: what is lost before or after them can't be known.

    Parameters
    ----------
    n_samples
        Number of samples.
    true_rate_hz
        Samples a true second.
    params
        The link.
    rng
        Source of its delays and losses.

    Raises
    ------
    ValueError
        If so many small packets a second don't fit the connection.
    """
    size = params.packet_samples
    if size < 1:
        raise ValueError("packet_samples must be at least 1")
    room_hz = params.per_event / params.interval_s * (1.0 - params.retry_probability)
    if true_rate_hz / size > 0.95 * room_hz:
        raise ValueError(
            f"{true_rate_hz / size:.0f} packets a second don't fit the connection: "
            f"use more than {size} samples a packet"
        )
    n_packets = -(-n_samples // size)
    packets = np.zeros(n_packets, dtype=PACKET_DTYPE)
    first = np.arange(n_packets, dtype=np.int64) * size
    packets["first_seq"] = first
    packets["count"] = np.minimum(size, n_samples - first)
    packets["raw_counter"] = first % (1 << params.counter_bits)
    packets["ticks"] = -1
    ready = (first + packets["count"] - 1) / true_rate_hz
    arrival = _arrivals(ready, params, rng)
    packets["arrival_ns"] = params.start_ns + np.rint(arrival * 1e9).astype(np.int64)
    lost = _lost(n_packets, params, rng)
    kept = np.repeat(~lost, packets["count"])
    return Delivery(packets=packets[~lost], kept=kept)


def _lost(n_packets: int, params: LinkParams, rng: np.random.Generator) -> NDArray[np.bool_]:
    """Which packets are lost, in bursts of geometric length."""
    lost = np.zeros(n_packets, dtype=bool)
    if params.loss <= 0.0 or n_packets < 3:
        return lost
    mean = max(1.0, params.loss_burst_packets)
    # Gaps between bursts are geometric as well, with the mean that gives the wanted share.
    gap = mean * (1.0 - params.loss) / params.loss
    place = int(rng.geometric(1.0 / max(gap, 1.0)))
    while place < n_packets:
        length = int(rng.geometric(1.0 / mean))
        lost[place : place + length] = True
        place += length + int(rng.geometric(1.0 / max(gap, 1.0)))
    lost[0] = lost[-1] = False
    return lost


def _arrivals(ready: Floats, params: LinkParams, rng: np.random.Generator) -> Floats:
    """Host times in seconds at which packets that are ready at `ready` arrive, in order."""
    n = len(ready)
    interval = params.interval_s
    phase = float(rng.uniform(0.0, interval))
    tries = rng.geometric(1.0 - params.retry_probability, size=n)
    host = rng.exponential(params.host_delay_s, size=n)
    end = float(ready[-1]) if n else 0.0
    n_stalls = int(rng.poisson(params.stalls_per_minute * end / 60.0))
    starts = np.sort(rng.uniform(0.0, max(end, 1e-9), n_stalls))
    ends = starts + rng.uniform(0.1, 1.0, n_stalls) * params.stall_s
    out = np.empty(n)
    event = 0  # number of the connection event in use, and how many packets it carries so far
    used = 0
    stall = 0
    last = 0.0
    for i in range(n):
        need = math.ceil((ready[i] - phase) / interval) + int(tries[i]) - 1
        if need > event:
            event, used = need, 0
        elif used >= params.per_event:
            event, used = event + 1, 0
        while stall < n_stalls and ends[stall] < phase + event * interval:
            stall += 1
        if stall < n_stalls and starts[stall] <= phase + event * interval:
            event, used = math.ceil((ends[stall] - phase) / interval), 0
        used += 1
        # The host stamps them one after another: never before the one before.
        last = max(last + 2e-5, phase + event * interval + float(host[i]))
        out[i] = last
    return out


def samples_a_packet(rate_hz: float) -> int:
    """Samples a packet that suit a live cue at this rate and still fit the connection."""
    return 4 if rate_hz <= 150.0 else 8 if rate_hz <= 500.0 else 16
