"""Movements at address before the swing: waggles, a forward press, a rocking start."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simulation.motion.action import Floats
from simulation.motion.profiles import add_moves

Move = tuple[float, float, float]
"""Start in s (from the start of the backswing, so usually negative), duration in s, size in deg."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AddressMoves:
    """Minimum-jerk moves of each joint, added to its angle before the backswing.

    Positive is the way the joint goes in the backswing. The sizes of each joint should sum to
    zero, so that the swing starts from the address pose.

    Attributes
    ----------
    trunk, arm, wrist, roll : tuple of Move
    name : str
        "none", "waggle", "press", "rock", for the record.
    """

    name: str = "none"
    trunk: tuple[Move, ...] = ()
    arm: tuple[Move, ...] = ()
    wrist: tuple[Move, ...] = ()
    roll: tuple[Move, ...] = ()

    @property
    def earliest_s(self) -> float:
        """Start of the earliest move; 0 when there is none."""
        starts = [m[0] for moves in (self.trunk, self.arm, self.wrist, self.roll) for m in moves]
        return min(starts, default=0.0)


STILL = AddressMoves()
"""No movement at address."""


def scaled(moves: tuple[Move, ...], share: float) -> tuple[Move, ...]:
    """The same moves, each of a share of its size."""
    return tuple((start, duration, share * size) for start, duration, size in moves)


def moves_deg(t_s: Floats, moves: tuple[Move, ...]) -> Floats | float:
    """Sum of the moves in deg at times from the start of the backswing; 0.0 without moves."""
    return add_moves(t_s, moves) if moves else 0.0


def forward_press(
    *, size_deg: float, press_s: float, back_s: float, overlap_s: float
) -> tuple[Move, Move]:
    """A move towards the target and back that flows into the backswing.

    The return ends `overlap_s` after the backswing's start.
    """
    back_start = overlap_s - back_s
    return ((back_start - press_s, press_s, -size_deg), (back_start, back_s, size_deg))


def back_and_forth(
    *, size_deg: float, half_period_s: float, cycles: int, end_s: float, first: float = 1.0
) -> tuple[Move, ...]:
    """Waggles or rocking: half swings of `size_deg` to either side, ending at the pose.

    The first and the last move are half as large as the others, so the rocking is about the
    pose. `end_s` is when the last move ends; `first` is the sign of the first move.
    """
    count = 2 * cycles + 1
    sizes = np.full(count, 2.0)
    sizes[0] = sizes[-1] = 1.0
    sizes *= first * size_deg * (-1.0) ** np.arange(count)
    sizes[-1] -= sizes.sum()
    starts = end_s - half_period_s * (count - np.arange(count))
    return tuple((float(s), half_period_s, float(a)) for s, a in zip(starts, sizes, strict=True))
