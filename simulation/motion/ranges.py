"""Ranges as wide as people are, that the wide draws of all three models share."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TypeVar

import numpy as np

from simulation.motion.action import Abort, Kind
from simulation.motion.address import STILL, AddressMoves, back_and_forth, forward_press, scaled
from simulation.motion.chain import ChainStroke
from simulation.motion.spline import SplineStroke

AnyStroke = TypeVar("AnyStroke", ChainStroke, SplineStroke)


def uniform(rng: np.random.Generator, low: float, high: float) -> float:
    return float(rng.uniform(low, high))


def log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(math.log(low), math.log(high))))


def share_of_turn(rng: np.random.Generator, kind: Kind) -> float:
    """Turn as a share of the player's full turn."""
    if kind == "part":
        return uniform(rng, 0.22, 0.72)
    if kind == "rushed":
        return uniform(rng, 0.7, 0.95)
    if kind == "short":
        return uniform(rng, 0.05, 0.25)
    if kind == "brushed":
        return uniform(rng, 0.5, 1.0)
    return 1.0


def pace(rng: np.random.Generator, kind: Kind) -> float:
    """Stretch of all times: most near 1, juniors x 0.6, seniors x 1.6; slow motion x 1.5-3."""
    if kind == "slow":
        return uniform(rng, 1.5, 3.0)
    kind_of = rng.random()
    if kind_of < 0.6:
        return log_uniform(rng, 0.85, 1.2)
    return log_uniform(rng, 0.6, 0.85) if kind_of < 0.8 else log_uniform(rng, 1.2, 1.6)


def tempo(rng: np.random.Generator) -> float:
    """Way back over way down, between the models' own beginnings and ends."""
    return float(np.clip(3.1 * np.exp(0.27 * rng.standard_normal()), 1.7, 6.7))


def hold_s(rng: np.random.Generator, kind: Kind) -> float:
    """Stop at the top: one in four, to a second."""
    if kind in ("short", "continuous", "slow") or rng.random() > 0.25:
        return 0.0
    return log_uniform(rng, 0.03, 1.0)


def effort_of(rng: np.random.Generator, *, strike: bool, share: float) -> float:
    effort = uniform(rng, 0.85, 1.0) if strike else uniform(rng, 0.55, 1.0)
    return effort * (0.35 + 0.65 * share)


def lower_s(rng: np.random.Generator) -> float | None:
    return uniform(rng, 0.8, 2.2) if rng.random() < 0.75 else None


def address(rng: np.random.Generator, kind: Kind) -> AddressMoves:
    """Draw waggles, presses and rocking, larger and nearer to the start than most."""
    name = ("none", "waggle", "press", "rock")[int(rng.choice(4, p=(0.3, 0.25, 0.2, 0.25)))]
    if name == "none" or kind == "short":
        return STILL

    if name == "press":
        press = forward_press(
            size_deg=uniform(rng, 2.0, 10.0),
            press_s=uniform(rng, 0.2, 0.6),
            back_s=uniform(rng, 0.2, 0.5),
            overlap_s=uniform(rng, 0.0, 0.2),
        )
        return AddressMoves(
            name=name,
            arm=press,
            wrist=scaled(press, -uniform(rng, 0.2, 1.0)),
            trunk=scaled(press, uniform(rng, 0.1, 0.6)),
        )
    waggle = name == "waggle"
    moves = back_and_forth(
        size_deg=uniform(rng, 2.0, 9.0) if waggle else uniform(rng, 1.0, 5.0),
        half_period_s=uniform(rng, 0.18, 0.45) if waggle else uniform(rng, 0.3, 0.8),
        cycles=int(rng.integers(1, 4)),
        end_s=uniform(rng, -0.9, -0.05) if waggle else uniform(rng, -0.4, 0.2),
    )
    return AddressMoves(
        name=name,
        wrist=scaled(moves, 1.0 if waggle else uniform(rng, -0.3, 0.5)),
        arm=scaled(moves, uniform(rng, 0.1, 0.8)),
        roll=scaled(moves, uniform(rng, -0.3, 0.5)),
        trunk=scaled(moves, uniform(rng, 0.0, 0.15) if waggle else 1.0),
    )


def abort(rng: np.random.Generator) -> Abort:
    """Draw where a swing is given up, and how it goes back."""
    return Abort(
        down_share=0.0 if rng.random() < 0.5 else uniform(rng, 0.2, 0.7),
        down_s=uniform(rng, 0.25, 0.6),
        stop_s=uniform(rng, 0.05, 1.0),
        return_s=uniform(rng, 0.9, 2.5),
    )


def rally(rng: np.random.Generator, stroke: AnyStroke) -> tuple[AnyStroke, ...]:
    """Draw two to four strokes on end, each a little different."""
    return tuple(
        replace(
            stroke,
            joints={
                name: replace(
                    joint,
                    top=joint.top * rng.normal(1.0, 0.05),
                    start_s=joint.start_s * (0.3 if k else 1.0),
                )
                for name, joint in stroke.joints.items()
            },
            backswing_s=stroke.backswing_s * rng.normal(1.0, 0.05) * (1.3 if k else 1.0),
            pause_s=uniform(rng, 0.0, 0.4),
        )
        for k in range(int(rng.integers(2, 5)))
    )
