"""Captures as a laboratory makes them: markers on a simulated segment, written as C3D by ezc3d."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sensor.rotation import quat_normalize, quat_rotate
from simulation.motion.action import Action, Mount
from simulation.motion.chain import ChainStroke, ChainSwing, chain_swing

Floats = NDArray[np.float64]

REST_S = 1.5
"""Standing still before the action and after it."""
SHAPE_M = np.array([[0.0, 0.0, 0.0], [0.16, 0.0, 0.02], [0.05, 0.09, 0.0], [0.08, -0.05, 0.06]])
NAMES = ("GRIP1", "GRIP2", "GRIP3", "GRIP4")
_GRID_HZ = 9600.0
_LOSS = {"trunk": 0.004, "bend": 0.004, "arm": 0.02, "roll": 0.05, "wrist": 0.15}


def chain_action(mount: Mount = "club", *, strike: bool = True) -> Action:
    """One full swing of the chain; a ball takes a share of each joint's rate."""
    stroke = ChainStroke()
    joints = {name: replace(one, loss=_LOSS.get(name, 0.0)) for name, one in stroke.joints.items()}
    swing = ChainSwing(
        mount=mount, strokes=(replace(stroke, joints=joints),), strike=strike, rate_loss=strike
    )
    return chain_swing(swing, rate_hz=_GRID_HZ)


def poses_at(action: Action, frames_hz: float) -> tuple[Floats, Floats]:
    """Attitude and place at the frames of a camera, with rest before and after."""
    n = int((action.duration_s + 2.0 * REST_S) * frames_hz)
    place = (np.arange(n) / frames_hz - REST_S) * action.rate_hz
    place = np.clip(place, 0.0, len(action.quat_wxyz) - 1.0)
    low = np.minimum(place.astype(int), len(action.quat_wxyz) - 2)
    part = (place - low)[:, None]
    quat = (1.0 - part) * action.quat_wxyz[low] + part * action.quat_wxyz[low + 1]
    pos = (1.0 - part) * action.pos_m[low] + part * action.pos_m[low + 1]
    return quat_normalize(quat), pos


def markers_m(
    action: Action,
    frames_hz: float,
    *,
    noise_m: float = 0.0,
    seed: int = 0,
    shape: Floats = SHAPE_M,
) -> Floats:
    """Markers (n, m, 3) of a cluster whose first one is at the sensor's place."""
    quat, pos = poses_at(action, frames_hz)
    points = pos[:, None, :] + quat_rotate(quat[:, None, :], shape)
    noise = np.random.default_rng(seed).standard_normal(points.shape)
    return np.asarray(points + noise_m * noise)


def write_c3d(
    path: Path,
    points_m: Floats,
    frames_hz: float,
    *,
    names: Sequence[str] = NAMES,
    unit: str = "mm",
    stored_in: str | None = None,
    events: Sequence[tuple[str, float]] = (),
    first_frame: int = 1,
) -> Path:
    """Write markers as C3D.

    Parameters
    ----------
    unit : str
        As POINT:UNITS says; empty: not said.
    stored_in : str, optional
        What the numbers are in, where that is another unit.
    events : sequence of (label, seconds)
        From the trial's frame 1 on.
    first_frame : int
        Number of the first frame that is kept.
    """
    import ezc3d

    scale = {"mm": 1000.0, "cm": 100.0, "m": 1.0}[stored_in or unit or "mm"]
    file = ezc3d.c3d()
    file["parameters"]["POINT"]["RATE"]["value"] = [frames_hz]
    file["parameters"]["POINT"]["LABELS"]["value"] = list(names)
    file["parameters"]["POINT"]["UNITS"]["value"] = [unit] if unit else [""]
    data = np.ones((4, points_m.shape[1], len(points_m)))
    data[:3] = np.transpose(points_m * scale, (2, 1, 0))
    file["data"]["points"] = data
    file["header"]["points"]["first_frame"] = first_frame - 1
    if events:
        file.add_parameter("EVENT", "USED", [len(events)])
        file.add_parameter("EVENT", "LABELS", [label for label, _ in events])
        times = np.array([[at // 60.0 for _, at in events], [at % 60.0 for _, at in events]])
        file.add_parameter("EVENT", "TIMES", times)
    file.write(str(path))
    return path
