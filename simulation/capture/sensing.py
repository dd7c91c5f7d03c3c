"""The recording that a sensor on a captured segment would have given, with the truth beside it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from sensor.recording.layout import AXES, FLOAT_DTYPE
from sensor.rotation import quat_from_matrix, quat_multiply, quat_rotate
from simulation.capture.motion import (
    GRID_HZ,
    MEASURES,
    CapturedSwing,
    CaptureParams,
    Motion,
    Poses,
    capture_swings,
)
from simulation.chip import Chip, ChipParams, draw_unit, low_pass_delay_s
from simulation.motion.action import Mount, Shock, shock_signal
from simulation.motion.shock import draw_blow
from simulation.sessions import grid_rate_hz

Floats = NDArray[np.float64]

UPS: Final = ("x", "y", "z", "-x", "-y", "-z")
REST_S: Final = 1.0
"""Standing still before the takeaway and after the finish, for the sensor's zero and for the end
of the motion: with less a warning is given."""


BETWEEN_S: Final = 60.0
"""Between two captures nothing is known: so long that nothing is carried over it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class VirtualSensor:
    """The sensor that is wanted.

    Attributes
    ----------
    params : ChipParams
        Rate, ranges, filter and noise.
    shock_mount : Mount or None
        With a simulated shock of a ball, as this mount feels it, at each labelled impact; None:
        without, since a capture doesn't hold one.
    seed : int
        Of the chip's errors, and with the number of the capture of its noise.
    number : int
        Of the capture.
    """

    params: ChipParams
    shock_mount: Mount | None = None
    seed: int = 0
    number: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class VirtualRecording:
    """What the sensor gives.

    Attributes
    ----------
    samples : NDArray
        `FLOAT_DTYPE`, from the first frame with a pose on.
    gyr_delay_ms, acc_delay_ms : float
        Of the chip's filters.
    motion : Motion
    swings : tuple of CapturedSwing
        Times from the first sample.
    left_out : tuple of str
    warnings : tuple of str
    """

    samples: NDArray[np.void]
    gyr_delay_ms: float
    acc_delay_ms: float
    motion: Motion
    swings: tuple[CapturedSwing, ...]
    left_out: tuple[str, ...]
    warnings: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Joined:
    """Captures of one visit as one recording, one after another with a hole between them.

    Attributes
    ----------
    samples : NDArray
        `FLOAT_DTYPE`.
    starts_s : tuple of float
        Of each capture's first pose, on the recording's clock.
    truth : dict
        What `truth.json` says.
    """

    samples: NDArray[np.void]
    starts_s: tuple[float, ...]
    truth: dict[str, Any]


def joined(
    parts: Sequence[VirtualRecording],
    names: Sequence[str],
    *,
    rate_hz: float,
    swung: Mapping[str, Any],
) -> Joined:
    """Join captures.

    Parameters
    ----------
    parts : sequence of VirtualRecording
    names : sequence of str
        Of their files.
    rate_hz : float
        Of the sensor.
    swung : mapping
        Who swung, by the names that simulated swings have.
    """
    samples, starts_s = [], []
    captures, swings, left_out = [], [], []
    at = 0
    for part, name in zip(parts, names, strict=True):
        offset_s = at / rate_hz
        moved = part.samples.copy()
        moved["seq"] += at
        moved["time_s"] += offset_s
        samples.append(moved)
        starts_s.append(offset_s)
        captures.append(
            {
                "file": name,
                "start_s": offset_s,
                "cutoff_hz": {
                    "attitude": round(part.motion.attitude_hz, 3),
                    "place": round(part.motion.place_hz, 3),
                },
                "attitude_noise_deg": float(np.degrees(part.motion.turn_sd_rad)),
                "holes_s": [[a + offset_s, b + offset_s] for a, b in part.motion.holes_s],
            }
        )
        swings += [_as_dict(one, offset_s, rate_hz, swung, name) for one in part.swings]
        left_out += [f"{name}: {text}" for text in part.left_out]
        at = int(moved["seq"][-1]) + 1 + round(BETWEEN_S * rate_hz)
    return Joined(
        samples=np.concatenate(samples),
        starts_s=tuple(starts_s),
        truth={
            "format": 1,
            "simulated": False,
            "made_from": "motion capture",
            "says": "events by their definitions from a smoothed motion capture; the samples "
            "beside it are computed from the same motion, and no sensor has measured them",
            "nominal_rate_hz": rate_hz,
            "true_rate_hz": rate_hz,
            "captures": captures,
            "swings": swings,
            "left_out": left_out,
        },
    )


def _as_dict(
    swing: CapturedSwing, offset_s: float, rate_hz: float, swung: Mapping[str, Any], name: str
) -> dict[str, Any]:
    """One swing, as simulated ones are told, with its uncertainties and notes."""
    values = {
        key: value + offset_s
        if key.endswith("_s") and key != "takeaway_spread_s" and value is not None
        else value
        for key, value in swing.truth.items()
    }
    out: dict[str, Any] = {**swung, **values, "capture": name}
    for measure in MEASURES:
        out[f"{measure}_u"] = swing.u[measure]
    for event in ("takeaway", "top", "impact", "finish"):
        time_s = out[f"{event}_s"]
        out[f"{event}_seq"] = None if time_s is None else time_s * rate_hz
    out["notes"] = list(swing.notes)
    return out


def upright(poses: Poses, up: str) -> Poses:
    """The same poses in axes whose z points up.

    Parameters
    ----------
    poses : Poses
    up : str
        Which of the laboratory's axes points up, one of `UPS`.
    """
    axis = "xyz".index(up[-1])
    third = np.zeros(3)
    third[axis] = -1.0 if up.startswith("-") else 1.0
    first = np.roll(np.eye(3)[axis], 1)
    matrix = np.stack((first, np.cross(third, first), third))
    turn = quat_from_matrix(matrix)
    return Poses(
        quat_wxyz=quat_multiply(turn, poses.quat_wxyz),
        pos_m=quat_rotate(turn, poses.pos_m),
        rate_hz=poses.rate_hz,
        turn_noise_rad=poses.turn_noise_rad,
    )


def trimmed(poses: Poses) -> tuple[Poses, float]:
    """The same from the first frame with a pose to the last, and when that first one is."""
    known = np.flatnonzero(poses.seen)
    first, last = (int(known[0]), int(known[-1])) if known.size else (0, -1)
    return (
        Poses(
            quat_wxyz=poses.quat_wxyz[first : last + 1],
            pos_m=poses.pos_m[first : last + 1],
            rate_hz=poses.rate_hz,
            turn_noise_rad=poses.turn_noise_rad,
        ),
        first / poses.rate_hz,
    )


def _counts(
    motion: Motion, duration_s: float, impacts_s: Sequence[float], sensor: VirtualSensor
) -> tuple[NDArray[np.int16], float]:
    """Samples of the chip over the capture, second by second, and the rate of its grid."""
    params = sensor.params
    grid_hz = grid_rate_hz(params.nominal_rate_hz)
    unit = draw_unit(params, np.random.default_rng(sensor.seed))
    noise_rng, shock_rng = np.random.default_rng([sensor.seed, sensor.number]).spawn(2)
    chip = Chip(params, grid_hz=grid_hz, unit=unit, rng=noise_rng)
    n = int(duration_s * grid_hz) + 1
    rings = []
    if sensor.shock_mount is not None:
        for at_s in impacts_s:
            blow = draw_blow(shock_rng, kind="ball", mount=sensor.shock_mount)
            shock = Shock(
                index=0,
                kind="ball",
                rate_dps=np.array(blow.rate_dps),
                acc_m_s2=np.array(blow.acc_m_s2),
                ring_hz=blow.ring_hz,
                decay_s=blow.decay_s,
                contact_s=blow.contact_s,
            )
            length = int(12.0 * blow.decay_s * grid_hz) + 4
            # the first grid point from the impact on
            start = int(np.ceil(at_s * grid_hz - 1e-6))
            rings.append((start, *shock_signal(shock, rate_hz=grid_hz, n=length)))
    out = []
    step = int(grid_hz)
    for first in range(0, n, step):
        last = min(n, first + step)
        time_s = np.arange(first, last) / grid_hz
        omega, force = motion.rates_rad_s(time_s), motion.force_m_s2(time_s)
        for start, rate_dps, acc in rings:
            i, j = max(first, start), min(last, start + len(acc))
            if i < j:
                omega[i - first : j - first] += np.radians(rate_dps[i - start : j - start])
                force[i - first : j - first] += acc[i - start : j - start]
        out.append(chip.feed(omega, force))
    return np.concatenate(out), grid_hz


def virtual_recording(
    poses: Poses,
    sensor: VirtualSensor,
    *,
    impacts_s: Sequence[float] = (),
    no_ball: bool = False,
    capture: CaptureParams | None = None,
) -> VirtualRecording:
    """Make the recording of a sensor at the place of `poses`.

    Parameters
    ----------
    poses : Poses
        With z up, from a frame with a pose to another, see `upright` and `trimmed`.
    sensor : VirtualSensor
    impacts_s : sequence of float
        Labelled impacts, from the first frame on.
    no_ball : bool
        Other swings had no ball.
    capture : CaptureParams, optional
    """
    motion, swings, left_out = capture_swings(
        poses, impacts_s=impacts_s, no_ball=no_ball, params=capture, seed=sensor.seed
    )
    params = sensor.params
    on_grid = [round(at * GRID_HZ) / GRID_HZ for at in impacts_s]
    counts, grid_hz = _counts(motion, poses.duration_s, on_grid, sensor)
    seq = np.arange(len(counts))
    time_s = seq / params.true_rate_hz
    kept = np.ones(len(counts), dtype=bool)
    for start, end in motion.holes_s:
        kept &= ~((time_s > start) & (time_s < end))
    samples = np.zeros(int(kept.sum()), dtype=FLOAT_DTYPE)
    samples["seq"], samples["time_s"] = seq[kept], time_s[kept]
    scale = (params.acc_m_s2_per_count,) * 3 + (params.gyr_dps_per_count,) * 3
    for column, axis in enumerate(AXES):
        samples[axis] = counts[kept, column] * scale[column]
    return VirtualRecording(
        samples=samples,
        gyr_delay_ms=1000.0 * low_pass_delay_s(params.gyr_cutoff_hz, grid_hz),
        acc_delay_ms=1000.0 * low_pass_delay_s(params.acc_cutoff_hz, grid_hz),
        motion=motion,
        swings=tuple(swings),
        left_out=tuple(left_out),
        warnings=tuple(_warnings(motion, swings, poses.duration_s)),
    )


def _warnings(motion: Motion, swings: Sequence[CapturedSwing], duration_s: float) -> list[str]:
    """What makes the recording unlike one of a sensor that ran all along."""
    out = []
    if motion.holes_s:
        missing = sum(end - start for start, end in motion.holes_s)
        out.append(f"markers are missing {len(motion.holes_s)} times, {missing:.2f} s in all")
    first = swings[0].truth["takeaway_s"] if swings else None
    last = swings[-1].truth["finish_s"] if swings else None
    if first is not None and first < REST_S:
        out.append(
            f"the capture starts {first:.1f} s before the takeaway, too late for the sensor's "
            "zero to be found at address: two seconds do"
        )
    if last is not None and duration_s - last < REST_S:
        out.append(
            f"the capture ends {duration_s - last:.1f} s after the finish, perhaps too early "
            "for the swing to be found: two seconds do"
        )
    return out
