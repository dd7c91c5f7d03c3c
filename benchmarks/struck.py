"""Populations on which the naming of swings is fitted and judged: balls and none, any sensor.

Motions are as wide as people are (`simulation.motion.wide`); half of them meet a ball. Each is felt
by several sensors: ranges of 500-4000 deg/s and 8-64 g, 100-1600 samples a second, filters of 20 Hz
up to what chips have at their rate, told or not, as they come or with samples missing in several
ways. Kept is the evidence that `analysis.swing.naming` takes down, with what it truly was.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any
from unittest import mock

import numpy as np
import numpy.typing as npt

from analysis import FoundSwing, SwingFinder
from analysis.swing import impact as measuring
from analysis.swing.naming import (
    AHEAD_FIGURES,
    STRIKE_FIGURES,
    Evidence,
    Naming,
    SensorLimits,
    ahead_figures,
)
from sensor.recording.session import LEAST_DELAY_MS, MOST_DELAY_MS, UNKNOWN_DELAY_MS
from sensor.rotation import quat_about, quat_multiply
from simulation.chip import Chip, ChipParams, draw_unit, low_pass_delay_s, random_rotation
from simulation.film import Film
from simulation.motion.action import Handedness, Kind, Mount, SwingTruth
from simulation.motion.body import Body, BodyParams
from simulation.motion.wide import GENERATORS, wide_swing

__all__ = [
    "RECOMMENDED",
    "ROW",
    "Motion",
    "Sensor",
    "draw_motion",
    "draw_sensor",
    "felt_by",
    "rows_of",
]

Floats = npt.NDArray[np.float64]
Rows = npt.NDArray[np.void]

GRID_HZ = 3200.0
RECOMMENDED: dict[str, tuple[float, float]] = {
    "wrist": (2000.0, 16.0),
    "glove": (2000.0, 32.0),
    "club": (4000.0, 64.0),
    "trunk": (1000.0, 8.0),
}
"""Ranges that docs/do/sensor.md recommends, deg/s and g."""
STRIKES: tuple[tuple[Kind, float], ...] = (("full", 0.6), ("part", 0.3), ("rushed", 0.1))
REHEARSALS: tuple[tuple[Kind, float], ...] = (
    ("full", 0.5),
    ("part", 0.26),
    ("rushed", 0.06),
    ("slow", 0.06),
    ("brushed", 0.12),
)
"""Shares of kinds (own choice); one rehearsal in eight brushes the mat."""
NEAR_TOP_S = 0.15

ROW = np.dtype(
    [
        ("seed", "i8"),
        ("mount", "U8"),
        ("model", "U8"),
        ("kind", "U8"),
        ("ball", "?"),
        ("peak_dps", "f8"),
        ("gyr_dps", "f8"),
        ("acc_g", "f8"),
        ("rate_hz", "f8"),
        ("cutoff_hz", "f8"),
        ("told", "?"),
        ("missing", "U8"),
        ("short", "?"),
        ("figures", "f8", (len(STRIKE_FIGURES),)),
        ("ahead", "f8", (len(AHEAD_FIGURES),)),
    ]
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Motion:
    """What the place of the sensor goes through, on the fine grid, and the truth of its swing."""

    omega_rad_s: Floats
    force_m_s2: Floats
    truth: SwingTruth
    mount: Mount
    seed: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Sensor:
    """A chip and its link; ``missing`` says in which way samples are."""

    rate_hz: float
    cutoff_hz: float
    gyr_range_dps: float
    acc_range_g: float
    told: bool
    missing: str
    quat_wxyz: tuple[float, float, float, float]


class _Tap:
    """In a chip's place: keeps what it is fed with."""

    def __init__(self) -> None:
        self.omega: list[Floats] = []
        self.force: list[Floats] = []

    def feed(self, omega: Floats, force: Floats) -> npt.NDArray[np.int16]:
        self.omega.append(omega)
        self.force.append(force)
        return np.empty((0, 6), dtype=np.int16)


def draw_motion(seed: int, mount: Mount, *, least_peak_dps: float = 0.0) -> Motion:
    """Draw a swing: half of them at a ball, any of three models.

    Parameters
    ----------
    seed : int
    mount : str
    least_peak_dps : float
        Drawn again until it is so fast; full swings only.
    """
    rng = np.random.default_rng(seed)
    ball = bool(rng.random() < 0.5)
    kinds, shares = zip(*(STRIKES if ball else REHEARSALS), strict=True)
    kind: Kind = "full" if least_peak_dps > 0.0 else str(rng.choice(kinds, p=shares))  # type: ignore[assignment]
    hand: Handedness = "right" if rng.random() < 0.8 else "left"
    while True:
        action = wide_swing(
            rng,
            generator=GENERATORS[int(rng.integers(len(GENERATORS)))],
            mount=mount,
            kind=kind,
            handedness=hand,
            strike=ball,
            grid_hz=GRID_HZ,
        ).action
        if (action.swings[0].peak_rate_dps or 0.0) >= least_peak_dps:
            break
    unrest = BodyParams(
        tremor_factor=float(np.exp(rng.uniform(math.log(0.5), math.log(3.0)))),
        sway_factor=float(rng.uniform(2.0, 8.0)) if rng.random() < 0.3 else 1.0,
    )
    tap = _Tap()
    film = Film(
        tap,  # type: ignore[arg-type]
        Body(unrest, mount=mount, grid_hz=GRID_HZ, rng=rng),
        grid_hz=GRID_HZ,
        quat_wxyz=action.quat_wxyz[0],
        pos_m=action.pos_m[0],
    )
    film.rest(1.6)
    film.play(action)
    film.rest(1.6)
    return Motion(
        omega_rad_s=np.concatenate(tap.omega),
        force_m_s2=np.concatenate(tap.force),
        truth=film.swings[0],
        mount=mount,
        seed=seed,
    )


def _attitude(rng: np.random.Generator) -> tuple[float, float, float, float]:
    """Any, or, half of the time, square to the segment within some degrees, as people put it on."""
    if rng.random() < 0.5:
        return random_rotation(rng)
    q = np.array([[1.0, 0.0, 0.0, 0.0]])
    for axis in ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)):
        angle = np.radians(90.0 * float(rng.integers(4)) + float(rng.normal(0.0, 6.0)))
        q = quat_multiply(q, quat_about(axis, np.array([angle])))
    w, x, y, z = q[0].tolist()
    return w, x, y, z


def draw_sensor(rng: np.random.Generator, mount: Mount) -> Sensor:
    """Draw a sensor as people may have one: two in five of them with those ranges."""
    rate_hz = float(
        rng.choice([100.0, 200.0, 400.0, 800.0, 1600.0], p=[0.15, 0.33, 0.27, 0.15, 0.1])
    )
    own_hz = float(rng.uniform(0.32, 0.45)) * rate_hz
    told = bool(rng.random() < 0.75)
    cutoff_hz = own_hz
    if rng.random() < (0.35 if told else 0.5):
        slow_hz = math.exp(rng.uniform(math.log(20.0), math.log(250.0)))
        if not told:
            # as what is said of an unknown delay has it
            delay_ms = math.exp(rng.uniform(math.log(LEAST_DELAY_MS), math.log(MOST_DELAY_MS)))
            slow_hz = 1e3 * math.sqrt(2.0) / (2.0 * math.pi * delay_ms)
        cutoff_hz = min(own_hz, slow_hz)
    gyr, acc = RECOMMENDED[mount]
    if rng.random() < 0.6:
        gyr = float(rng.choice([500.0, 1000.0, 2000.0, 4000.0], p=[0.15, 0.2, 0.45, 0.2]))
        acc = float(rng.choice([8.0, 16.0, 32.0, 64.0], p=[0.2, 0.4, 0.2, 0.2]))
    return Sensor(
        rate_hz=rate_hz,
        cutoff_hz=cutoff_hz,
        gyr_range_dps=gyr,
        acc_range_g=acc,
        told=told,
        missing=str(
            rng.choice(
                ["none", "packets", "second", "third", "halves", "hole"],
                p=[0.72, 0.1, 0.04, 0.04, 0.04, 0.06],
            )
        ),
        quat_wxyz=_attitude(rng),
    )


def usual_sensor(
    rng: np.random.Generator, *, gyr_dps: float, acc_g: float, rate_hz: float
) -> Sensor:
    """Draw a sensor that is told, with the filter of its chip; one in ten loses packets."""
    return Sensor(
        rate_hz=rate_hz,
        cutoff_hz=float(rng.uniform(0.32, 0.45)) * rate_hz,
        gyr_range_dps=gyr_dps,
        acc_range_g=acc_g,
        told=True,
        missing="packets" if rng.random() < 0.1 else "none",
        quat_wxyz=_attitude(rng),
    )


def _there(
    rng: np.random.Generator, n: int, sensor: Sensor, truth: SwingTruth
) -> npt.NDArray[np.bool_]:
    """Which samples come."""
    keep = np.ones(n, dtype=bool)
    number = np.arange(n)
    if sensor.missing == "packets":
        for k in range(0, n, 6):
            keep[k : k + 6] = rng.random() >= 0.05
    elif sensor.missing == "second":
        keep = number % 2 == 0
    elif sensor.missing == "third":
        keep = number % 3 == 0 if rng.random() < 0.5 else number % 3 != 0
    elif sensor.missing == "halves":
        at = round((truth.takeaway_s + rng.uniform(0.0, 1.2)) * sensor.rate_hz)
        keep = (number < at) | (number % 2 == 0)
    elif sensor.missing == "hole":
        at_s = (truth.impact_s or truth.top_s) + rng.normal(0.0, 0.06)
        half_s = 0.5 * rng.uniform(0.02, 0.12)
        keep = np.abs(number / sensor.rate_hz - at_s) > half_s
    return np.asarray(keep)


def _recorder(kept: list[Evidence]) -> Any:
    """In the naming's place: keeps the evidence, and marks the swing by its number."""

    def name(evidence: Evidence, mount: str | None, *, rally: bool = False) -> Naming:
        kept.append(evidence)
        return Naming(strike=None, p=float(len(kept) - 1), seen_p=0.0, code="light")

    return name


def felt_by(motion: Motion, sensor: Sensor, rng: np.random.Generator) -> FoundSwing | None:
    """Return the swing as the finder finds it with a sensor; None where it doesn't."""
    params = ChipParams(
        nominal_rate_hz=sensor.rate_hz,
        gyr_range_dps=sensor.gyr_range_dps,
        acc_range_g=sensor.acc_range_g,
        gyr_bandwidth_hz=sensor.cutoff_hz,
        acc_bandwidth_hz=1.1 * sensor.cutoff_hz,
        mount_quat_wxyz=sensor.quat_wxyz,
    )
    chip = Chip(params, grid_hz=GRID_HZ, unit=draw_unit(params, rng), rng=rng)
    counts = chip.feed(motion.omega_rad_s, motion.force_m_s2)
    there = _there(rng, len(counts), sensor, motion.truth)
    gyr_delay_s, acc_delay_s = _delays(sensor)
    finder = SwingFinder(
        rate_hz=sensor.rate_hz,
        mount=motion.mount,
        gyr_range_dps=sensor.gyr_range_dps,
        acc_range_g=sensor.acc_range_g,
        gyr_delay_s=gyr_delay_s,
        acc_delay_s=acc_delay_s,
    )
    found = finder.feed(
        np.flatnonzero(there).astype(np.int64),
        counts[there, :3].astype(np.float64) * params.acc_m_s2_per_count,
        counts[there, 3:].astype(np.float64) * params.gyr_dps_per_count,
    )
    found += finder.flush()
    truth = motion.truth
    begin = (truth.hold_start_s or truth.top_s) - NEAR_TOP_S
    end = (truth.hold_end_s or truth.top_s) + NEAR_TOP_S
    for one in found:
        anchor_s = one.anchor_seq / sensor.rate_hz
        at_s = anchor_s if one.top_seq is None else one.top_seq / sensor.rate_hz
        if begin < at_s < end + (0.5 if one.top_seq is None else 0.0):
            return one
    return None


def _delays(sensor: Sensor) -> tuple[float, float]:
    if not sensor.told:
        return UNKNOWN_DELAY_MS / 1e3, 0.0
    return (
        low_pass_delay_s(sensor.cutoff_hz, GRID_HZ),
        low_pass_delay_s(1.1 * sensor.cutoff_hz, GRID_HZ),
    )


def rows_of(motion: Motion, sensors: list[Sensor], rng: np.random.Generator) -> Rows:
    """Return the evidence that a motion leaves with each of some sensors that find it."""
    out = []
    truth = motion.truth
    for sensor in sensors:
        evidence: list[Evidence] = []
        with mock.patch.object(measuring, "name_strike", _recorder(evidence)):
            found = felt_by(motion, sensor, rng)
        if found is None or found.strike_p is None:
            continue
        row = np.zeros((), dtype=ROW)
        row["seed"], row["mount"], row["model"] = motion.seed, motion.mount, truth.model
        row["kind"], row["ball"], row["peak_dps"] = truth.kind, truth.strike, truth.peak_rate_dps
        row["gyr_dps"], row["acc_g"] = sensor.gyr_range_dps, sensor.acc_range_g
        row["rate_hz"], row["cutoff_hz"] = sensor.rate_hz, sensor.cutoff_hz
        row["told"], row["missing"] = sensor.told, sensor.missing
        row["short"] = evidence[round(found.strike_p)].short
        one = evidence[round(found.strike_p)]
        row["figures"] = [one.figures[name] for name in STRIKE_FIGURES]
        delays = _delays(sensor)
        ahead = ahead_figures(
            SensorLimits(rate_hz=sensor.rate_hz, gyr_delay_s=delays[0], acc_delay_s=delays[1]),
            sensor.gyr_range_dps,
            sensor.acc_range_g,
        )
        row["ahead"] = [ahead[name] for name in AHEAD_FIGURES]
        out.append(row)
    return np.array(out, dtype=ROW)


def drawn(mount: Mount, base: int, count: int, sensors: int) -> Rows:
    """Draw a population: so many motions, each felt by so many sensors."""
    parts = []
    for seed in range(base, base + count):
        motion = draw_motion(seed, mount)
        rng = np.random.default_rng([seed, 1])
        parts.append(rows_of(motion, [draw_sensor(rng, mount) for _ in range(sensors)], rng))
    return np.concatenate(parts)
