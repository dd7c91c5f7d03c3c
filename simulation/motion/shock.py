"""The blow at impact as a sensor on each segment feels it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from sensor.rotation import derivative, quat_conjugate, quat_rotate
from simulation.motion.action import Floats, Kind, Mount, Shock

BlowKind = Literal["ball", "mat"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Blow:
    """Size and ringing of a blow, in the segment frame of a right-handed swing.

    Attributes
    ----------
    kind : str
        "ball" or "mat".
    acc_m_s2, rate_dps : tuple of float
        (3,) amplitudes of the ringing.
    ring_hz, decay_s, contact_s : float
        As in `Shock`.
    """

    kind: BlowKind
    acc_m_s2: tuple[float, float, float]
    rate_dps: tuple[float, float, float]
    ring_hz: float
    decay_s: float
    contact_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ShockSizes:
    """Amplitude bands for one mount at a full strike; reasons are in this folder's README."""

    acc_m_s2: tuple[float, float]
    rate_dps: tuple[float, float]
    ring_hz: tuple[float, float]
    decay_s: tuple[float, float]


SHOCKS: dict[Mount, ShockSizes] = {
    "club": ShockSizes(
        acc_m_s2=(300.0, 1500.0), rate_dps=(300.0, 1200.0), ring_hz=(60, 250), decay_s=(0.006, 0.02)
    ),
    "glove": ShockSizes(
        acc_m_s2=(120.0, 600.0), rate_dps=(120.0, 500.0), ring_hz=(50, 180), decay_s=(0.005, 0.018)
    ),
    "wrist": ShockSizes(
        acc_m_s2=(60.0, 300.0), rate_dps=(60.0, 280.0), ring_hz=(40, 130), decay_s=(0.006, 0.025)
    ),
    "trunk": ShockSizes(
        acc_m_s2=(1.5, 12.0), rate_dps=(2.0, 15.0), ring_hz=(40, 70), decay_s=(0.008, 0.025)
    ),
}

MAT_SHARE = (0.08, 0.35)
"""Amplitude of a brushed mat as a share of a ball's."""
MAT_RING_HZ = (40.0, 110.0)
MAT_DECAY_S = (0.012, 0.03)
MAT_CONTACT_S = (0.006, 0.02)
BALL_CONTACT_S = 0.0005


def _direction(rng: np.random.Generator, along: float) -> Floats:
    """Random direction, mostly across the long axis; `along` scales the part along it."""
    v = rng.normal(size=3) * np.array([along, 1.0, 1.0])
    return np.asarray(v / np.linalg.norm(v))


def _log_uniform(rng: np.random.Generator, band: tuple[float, float]) -> float:
    return float(np.exp(rng.uniform(np.log(band[0]), np.log(band[1]))))


def draw_blow(
    rng: np.random.Generator, *, kind: BlowKind, mount: Mount, strength: float = 1.0
) -> Blow:
    """Draw a blow from the distributions of the README.

    Parameters
    ----------
    rng : Generator
    kind : {"ball", "mat"}
    mount : str
    strength : float
        Speed at impact as a share of a full swing's; sizes scale with it.
    """
    sizes = SHOCKS[mount]
    acc = _log_uniform(rng, sizes.acc_m_s2) * strength
    rate = _log_uniform(rng, sizes.rate_dps) * strength
    ring_hz = _log_uniform(rng, sizes.ring_hz)
    decay_s = _log_uniform(rng, sizes.decay_s)
    contact_s = BALL_CONTACT_S
    if kind == "mat":
        share = _log_uniform(rng, MAT_SHARE)
        acc *= share
        rate *= share
        ring_hz = _log_uniform(rng, MAT_RING_HZ)
        decay_s = _log_uniform(rng, MAT_DECAY_S)
        contact_s = float(rng.uniform(*MAT_CONTACT_S))
    acc_vector = acc * _direction(rng, 0.6)
    rate_vector = rate * _direction(rng, 0.6)
    return Blow(
        kind=kind,
        acc_m_s2=(float(acc_vector[0]), float(acc_vector[1]), float(acc_vector[2])),
        rate_dps=(float(rate_vector[0]), float(rate_vector[1]), float(rate_vector[2])),
        ring_hz=ring_hz,
        decay_s=decay_s,
        contact_s=contact_s,
    )


def make_shock(
    blow: Blow, *, index: int, quat_wxyz: Floats, pos_m: Floats, rate_hz: float, left: bool
) -> Shock:
    """Place a blow on a motion that already is as it should be (mirrored when left-handed)."""
    lo, hi = max(0, index - 8), min(len(pos_m), index + 9)
    at = (index - lo,)
    sides: Sequence[Floats] = [
        derivative(pos_m[lo:hi], rate_hz=rate_hz, breaks=at, at_break=side)[at[0]]
        for side in ("before", "after")
    ]
    step = quat_rotate(quat_conjugate(quat_wxyz[index]), sides[1] - sides[0])
    flip = np.array([1.0, 1.0, -1.0]) if left else np.ones(3)
    turn_flip = np.array([-1.0, -1.0, 1.0]) if left else np.ones(3)
    return Shock(
        index=index,
        kind=blow.kind,
        rate_dps=turn_flip * blow.rate_dps,
        acc_m_s2=flip * blow.acc_m_s2,
        ring_hz=blow.ring_hz,
        decay_s=blow.decay_s,
        contact_s=blow.contact_s,
        velocity_step_m_s=step,
    )


def blow_of(
    rng: np.random.Generator, *, kind: Kind, mount: Mount, strike: bool, strength: float
) -> Blow | None:
    """Draw what a swing meets: the ball, the mat, or nothing."""
    if strike:
        return draw_blow(rng, kind="ball", mount=mount, strength=strength)
    if kind == "brushed":
        return draw_blow(rng, kind="mat", mount=mount, strength=strength)
    return None
