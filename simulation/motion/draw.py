"""Random swings, drawn from the distributions that this folder's README gives reasons for."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from simulation.motion.action import Abort, Action, Handedness, Kind, Model, Mount, SwingTruth
from simulation.motion.address import (
    STILL,
    AddressMoves,
    back_and_forth,
    forward_press,
    scaled,
)
from simulation.motion.chain import ChainStroke, ChainSwing, Joint, chain_swing
from simulation.motion.pendulum import (
    Drive,
    PendulumSwing,
    Stroke,
    pendulum_swing,
    wrist_torque_for,
)
from simulation.motion.shock import blow_of
from simulation.motion.truth import NoSwingError
from words.units import G_N_M_S2

BALL_KINDS: frozenset[Kind] = frozenset({"full", "part", "rushed", "short"})
"""Kinds that may strike a ball; the others are rehearsals or no swing at all."""

PART_TURN_DEG = 45.0
SHORT_TURN_DEG = (8.0, 26.0)
MOST_TAKEAWAY_SPREAD = 0.017
"""Of the backswing's length: 15 ms of an ordinary one."""
MOST_IMPACT_TURN = 0.75
"""Of the greatest turn."""
_TRIES = 60

_Band = tuple[float, float]


def _uniform(rng: np.random.Generator, band: _Band) -> float:
    return float(rng.uniform(*band))


def _near(rng: np.random.Generator, middle: float, sd: float, band: _Band) -> float:
    """Normal draw, drawn again while outside the band."""
    while True:
        value = float(rng.normal(middle, sd))
        if band[0] <= value <= band[1]:
            return value


def draw_address(rng: np.random.Generator, *, kind: Kind) -> AddressMoves:
    """Draw what the player does at address before the backswing."""
    names = ("none", "waggle", "press", "rock")
    chances = (0.35, 0.25, 0.2, 0.2)
    if kind in ("short", "continuous"):
        chances = (0.7, 0.15, 0.15, 0.0)
    name = names[int(rng.choice(4, p=chances))]
    if name == "none":
        return STILL
    if name == "waggle":
        # mostly the wrist; the club goes back first; then a short rest
        moves = back_and_forth(
            size_deg=_uniform(rng, (2.0, 7.5)),
            half_period_s=_uniform(rng, (0.2, 0.4)),
            cycles=int(rng.integers(1, 4)),
            end_s=-_uniform(rng, (0.15, 0.9)),
        )
        return AddressMoves(
            name=name,
            wrist=moves,
            arm=scaled(moves, _uniform(rng, (0.1, 0.5))),
            roll=scaled(moves, _uniform(rng, (0.0, 0.5))),
            trunk=scaled(moves, _uniform(rng, (0.0, 0.1))),
        )
    if name == "press":
        moves = forward_press(
            size_deg=_uniform(rng, (3.0, 8.0)),
            press_s=_uniform(rng, (0.25, 0.5)),
            back_s=_uniform(rng, (0.25, 0.45)),
            overlap_s=_uniform(rng, (0.0, 0.2)),
        )
        return AddressMoves(
            name=name,
            arm=moves,
            wrist=scaled(moves, -_uniform(rng, (0.3, 0.9))),
            trunk=scaled(moves, _uniform(rng, (0.1, 0.6))),
        )
    moves = back_and_forth(
        size_deg=_uniform(rng, (1.5, 5.0)),
        half_period_s=_uniform(rng, (0.35, 0.7)),
        cycles=int(rng.integers(1, 3)),
        end_s=_uniform(rng, (-0.4, 0.2)),
    )
    return AddressMoves(
        name=name,
        trunk=moves,
        arm=scaled(moves, _uniform(rng, (0.2, 0.8))),
        wrist=scaled(moves, _uniform(rng, (-0.3, 0.5))),
    )


def _hold_s(rng: np.random.Generator, *, kind: Kind) -> float:
    """Deliberate pause at the top: most players have none."""
    if kind == "short" or rng.random() > 0.2:
        return 0.0
    return _uniform(rng, (0.02, 0.25))


def _share(rng: np.random.Generator, *, kind: Kind) -> float:
    """Turn as a share of the player's full turn."""
    if kind == "part":
        return _uniform(rng, (0.3, 0.7))
    if kind == "rushed":
        return _uniform(rng, (0.75, 0.92))
    if kind == "short":
        return _uniform(rng, (0.06, 0.25))
    if kind == "brushed":
        return _uniform(rng, (0.6, 1.0))
    return 1.0


def _backswing_s(rng: np.random.Generator, *, kind: Kind) -> float:
    length = _near(rng, 0.87, 0.10, (0.68, 1.12))
    if kind == "rushed":
        length *= _uniform(rng, (0.78, 0.92))
    if kind == "short":
        length *= _uniform(rng, (0.6, 0.9))
    return length


def _effort(rng: np.random.Generator, *, strike: bool, share: float) -> float:
    """Force as a share of a full strike's: less in rehearsals and in part swings."""
    effort = 1.0 if strike else _uniform(rng, (0.7, 1.0))
    return effort * (0.35 + 0.65 * share)


def _lowering(rng: np.random.Generator) -> float | None:
    return _uniform(rng, (1.0, 1.9)) if rng.random() < 0.75 else None


def _with_wrist_torque(
    rng: np.random.Generator, stroke: Stroke, *, share: float, gravity_m_s2: float
) -> Stroke:
    """Straighten the wrist: a free one is late in a smaller swing, so there it must be helped."""
    if share == 1.0:
        return replace(stroke, wrist_torque_n_m=max(0.0, _uniform(rng, (-8.0, 10.0))))
    drive = Drive(
        torque_n_m=stroke.torque_n_m,
        gamma_deg=stroke.gamma_deg,
        beta_0_deg=stroke.beta_0_deg,
        gravity_m_s2=gravity_m_s2,
        ramp_s=stroke.ramp_s,
        wrist_from_s=stroke.wrist_from_s,
    )
    end_angle_deg = stroke.gamma_deg * _uniform(rng, (0.12, 0.32))
    torque_n_m = wrist_torque_for(drive, end_angle_deg=end_angle_deg)
    return replace(stroke, wrist_torque_n_m=torque_n_m)


def draw_pendulum(
    rng: np.random.Generator, *, mount: Mount, kind: Kind, handedness: Handedness, strike: bool
) -> PendulumSwing:
    """Draw a swing of the double pendulum; `acceptable` says whether it is what was asked for."""
    share = _share(rng, kind=kind)
    effort = _effort(rng, strike=strike, share=share)
    wrist_from = _uniform(rng, (0.0, 0.3))
    backswing_s = _backswing_s(rng, kind=kind)
    bent = share**0.5 if kind != "short" else share
    stroke = Stroke(
        torque_n_m=_near(rng, 130.0, 22.0, (85.0, 180.0)) * effort,
        gamma_deg=_near(rng, 126.0, 11.0, (98.0, 148.0)) * share,
        beta_0_deg=_near(rng, 97.0, 10.0, (72.0, 120.0)) * bent,
        ramp_s=_uniform(rng, (0.03, 0.08)),
        backswing_s=backswing_s,
        push_share=_uniform(rng, (0.4, 0.65)),
        brake_from_share=_uniform(rng, (0.4, 0.62)),
        wrist_from_share=wrist_from,
        wrist_to_share=_uniform(rng, (0.85, 1.0)),
        hold_s=_hold_s(rng, kind=kind),
        wrist_from_s=_uniform(rng, (0.06, 0.1)),
        roll_top_deg=_uniform(rng, (10.0, 60.0)) * share,
        roll_through_deg=_uniform(rng, (20.0, 65.0)) * share,
        through_s=_uniform(rng, (0.48, 0.65)),
        arm_through_deg=85.0 * share**0.5,
        club_through_deg=_uniform(rng, (180.0, 250.0)) * share**0.5,
        pause_s=_uniform(rng, (0.2, 1.4)),
        controlled_s=_uniform(rng, (0.24, 0.38)) if kind == "short" else None,
    )
    plane_deg = _uniform(rng, (44.0, 62.0))
    if kind not in ("short", "aborted"):
        gravity_m_s2 = G_N_M_S2 * float(np.sin(np.deg2rad(plane_deg)))
        stroke = _with_wrist_torque(rng, stroke, share=share, gravity_m_s2=gravity_m_s2)
    strokes: tuple[Stroke, ...] = (stroke,)
    if kind == "continuous":
        strokes = tuple(_again_pendulum(rng, stroke, k) for k in range(int(rng.integers(3, 6))))
    abort = None
    if kind == "aborted":
        abort = Abort(
            down_share=0.0 if rng.random() < 0.5 else _uniform(rng, (0.3, 0.6)),
            down_s=_uniform(rng, (0.3, 0.5)),
            stop_s=_uniform(rng, (0.1, 0.8)),
            return_s=_uniform(rng, (1.2, 2.5)),
        )
    return PendulumSwing(
        mount=mount,
        kind=kind,
        handedness=handedness,
        strokes=strokes,
        address=draw_address(rng, kind=kind),
        lead_in_s=_uniform(rng, (0.4, 1.2)),
        plane_deg=plane_deg,
        time_scale=_uniform(rng, (1.5, 3.0)) if kind == "slow" else 1.0,
        strike=strike,
        blow=blow_of(rng, kind=kind, mount=mount, strike=strike, strength=(effort * share) ** 0.5),
        mat_loss=_uniform(rng, (0.03, 0.12)) if kind == "brushed" else 0.0,
        hand_share=_uniform(rng, (0.82, 0.98)),
        hand_angle_deg=_uniform(rng, (-45.0, -15.0)),
        shaft_roll_share=_uniform(rng, (0.6, 1.0)),
        trunk_share=_uniform(rng, (0.55, 0.72)),
        trunk_lead_s=_uniform(rng, (0.02, 0.07)),
        trunk_smooth_s=_uniform(rng, (0.05, 0.08)),
        spine_tilt_deg=_uniform(rng, (28.0, 42.0)),
        lower_s=_lowering(rng),
        rest_s=_uniform(rng, (0.2, 0.6)),
        abort=abort,
    )


def _again_pendulum(rng: np.random.Generator, stroke: Stroke, k: int) -> Stroke:
    """Draw the next of several strokes without a stop, alike but not the same."""
    return replace(
        stroke,
        torque_n_m=stroke.torque_n_m * rng.normal(1.0, 0.04),
        gamma_deg=stroke.gamma_deg * rng.normal(1.0, 0.03),
        # from the finish the way back is about twice as long
        backswing_s=stroke.backswing_s * rng.normal(1.0, 0.03) * (1.0 if k == 0 else 1.3),
        hold_s=0.0,
        pause_s=_uniform(rng, (0.0, 0.25)),
    )


def _draw_joints(rng: np.random.Generator, *, share: float, strike: bool) -> dict[str, Joint]:
    shapes = ((2, 2), (2, 3), (3, 3), (2, 4), (3, 4))

    def back() -> tuple[int, int]:
        return shapes[int(rng.integers(4))]

    def down() -> tuple[int, int]:
        return shapes[1 + int(rng.integers(4))]

    # the wrist is set early in a swing, so a shorter one has more of it; in a putt it has not
    bent = share**0.5 if share > 0.28 else share
    # a mat takes about a fifth of what a ball takes
    bite = 1.0 if strike else 0.2
    return {
        "trunk": Joint(
            top=_near(rng, 84.0, 8.0, (64.0, 100.0)) * share,
            through=_uniform(rng, (55.0, 90.0)) * share,
            start_s=_uniform(rng, (0.0, 0.05)),
            arrive_s=_uniform(rng, (-0.07, 0.0)),
            peak_s=_uniform(rng, (0.05, 0.1)),
            back=back(),
            down=down(),
            loss=bite * _uniform(rng, (0.0, 0.006)),
        ),
        "bend": Joint(
            top=_uniform(rng, (-8.0, 3.0)) * share,
            through=_uniform(rng, (4.0, 16.0)) * share,
            arrive_s=-0.04,
            leave_s=_uniform(rng, (0.0, 0.04)),
            peak_s=_uniform(rng, (0.03, 0.08)),
            loss=bite * 0.004,
        ),
        "pelvis": Joint(
            top=_uniform(rng, (0.0, 0.05)) * share,
            through=_uniform(rng, (0.03, 0.1)) * share,
            arrive_s=-0.05,
            peak_s=_uniform(rng, (0.06, 0.11)),
        ),
        "arm": Joint(
            top=_near(rng, 38.0, 6.0, (24.0, 52.0)) * share,
            through=_uniform(rng, (35.0, 58.0)) * share,
            start_s=_uniform(rng, (0.0, 0.04)),
            arrive_s=_uniform(rng, (-0.02, 0.03)),
            leave_s=_uniform(rng, (0.02, 0.05)),
            peak_s=_uniform(rng, (0.03, 0.065)),
            back=back(),
            down=down(),
            loss=bite * _uniform(rng, (0.005, 0.035)),
        ),
        "roll": Joint(
            top=_uniform(rng, (20.0, 62.0)) * share,
            through=_uniform(rng, (35.0, 70.0)) * share,
            start_s=_uniform(rng, (0.0, 0.25)),
            arrive_s=_uniform(rng, (-0.08, 0.0)),
            leave_s=_uniform(rng, (0.06, 0.1)),
            peak_s=_uniform(rng, (-0.01, 0.02)),
            back=back(),
            down=((2, 2), (3, 3), (2, 3))[int(rng.integers(3))],
            loss=bite * _uniform(rng, (0.02, 0.08)),
        ),
        "wrist": Joint(
            top=_near(rng, 94.0, 9.0, (70.0, 114.0)) * bent,
            through=_uniform(rng, (70.0, 105.0)) * bent,
            start_s=_uniform(rng, (0.03, 0.3)),
            arrive_s=_uniform(rng, (-0.08, 0.02)),
            leave_s=_uniform(rng, (0.12, 0.165)),
            peak_s=_uniform(rng, (-0.016, 0.004)),
            back=back(),
            down=((3, 3), (3, 4), (4, 4))[int(rng.integers(3))],
            loss=bite * _uniform(rng, (0.35, 0.6)),
        ),
    }


def _again_chain(rng: np.random.Generator, stroke: ChainStroke, k: int) -> ChainStroke:
    """Draw the next of several strokes without a stop, alike but not the same."""
    size = rng.normal(1.0, 0.03)
    joints = {
        # every joint turns round in the finish at about the same time
        name: replace(joint, top=joint.top * size, start_s=joint.start_s * (1.0 if k == 0 else 0.3))
        for name, joint in stroke.joints.items()
    }
    return replace(
        stroke,
        joints=joints,
        backswing_s=stroke.backswing_s * rng.normal(1.0, 0.03) * (1.0 if k == 0 else 1.3),
        hold_s=0.0,
        pause_s=_uniform(rng, (0.0, 0.25)),
    )


def draw_chain(
    rng: np.random.Generator, *, mount: Mount, kind: Kind, handedness: Handedness, strike: bool
) -> ChainSwing:
    """Draw a swing of the chain; `acceptable` says whether it is what was asked for."""
    share = _share(rng, kind=kind)
    effort = _effort(rng, strike=strike, share=share)
    # less force takes longer, a smaller turn hardly less long
    slower = (share / effort) ** 0.5 * share**-0.35
    stroke = ChainStroke(
        joints=_draw_joints(rng, share=share, strike=strike),
        backswing_s=_backswing_s(rng, kind=kind),
        overlap_s=_uniform(rng, (0.06, 0.15)),
        hold_s=_hold_s(rng, kind=kind),
        down_s=_near(rng, 0.305, 0.022, (0.26, 0.35)) * slower,
        recover_s=_uniform(rng, (0.12, 0.22)),
        pause_s=_uniform(rng, (0.2, 1.4)),
    )
    strokes: tuple[ChainStroke, ...] = (stroke,)
    if kind == "continuous":
        strokes = tuple(_again_chain(rng, stroke, k) for k in range(int(rng.integers(3, 6))))
    abort = None
    if kind == "aborted":
        abort = Abort(
            down_share=0.0 if rng.random() < 0.5 else _uniform(rng, (0.3, 0.6)),
            down_s=_uniform(rng, (0.3, 0.5)),
            stop_s=_uniform(rng, (0.1, 0.8)),
            return_s=_uniform(rng, (1.2, 2.5)),
        )
    return ChainSwing(
        mount=mount,
        kind=kind,
        handedness=handedness,
        strokes=strokes,
        address=draw_address(rng, kind=kind),
        lead_in_s=_uniform(rng, (0.4, 1.2)),
        time_scale=_uniform(rng, (1.5, 3.0)) if kind == "slow" else 1.0,
        strike=strike,
        blow=blow_of(rng, kind=kind, mount=mount, strike=strike, strength=(effort * share) ** 0.5),
        rate_loss=strike or kind == "brushed",
        spine_tilt_deg=_uniform(rng, (30.0, 44.0)),
        arm_axis_tilt_deg=_uniform(rng, (40.0, 60.0)),
        shaft_angle_deg=_uniform(rng, (30.0, 45.0)),
        hinge_oblique_deg=_uniform(rng, (75.0, 100.0)),
        hand_share=_uniform(rng, (0.82, 0.98)),
        hand_angle_deg=_uniform(rng, (5.0, 20.0)),
        lower_s=_lowering(rng),
        rest_s=_uniform(rng, (0.2, 0.6)),
        abort=abort,
    )


def acceptable(truths: tuple[SwingTruth, ...], kind: Kind) -> bool:
    """Whether a drawn motion is what was asked for, with events that are well defined."""
    for truth in truths:
        if truth.takeaway_spread_s > MOST_TAKEAWAY_SPREAD * (truth.top_s - truth.takeaway_s):
            return False
        if truth.strike and (truth.impact_turn_deg or 0.0) > MOST_IMPACT_TURN * truth.turn_deg:
            return False
        if kind == "short":
            if not SHORT_TURN_DEG[0] <= truth.turn_deg <= SHORT_TURN_DEG[1]:
                return False
        elif truth.turn_deg < PART_TURN_DEG:
            return False
        if truth.impact_s is not None and truth.finish_s is None:
            return False
    return True


def random_swing(
    rng: np.random.Generator,
    *,
    model: Model,
    mount: Mount,
    kind: Kind = "full",
    handedness: Handedness = "right",
    grid_hz: float = 3200.0,
    strike: bool | None = None,
) -> Action:
    """Draw a swing.

    A draw is repeated when the motion is not of the kind asked for (a part swing of less than
    45 deg of this segment), when its takeaway hangs on the exact levels of the rule (a truth
    that jumps is no truth), or when a ball is struck with the segment turned nearly as far
    through as it was back.

    Parameters
    ----------
    rng : Generator
    model : {"pendulum", "chain"}
    mount : {"wrist", "glove", "club", "trunk"}
    kind : str
        "full", "part", "rushed", "slow", "continuous", "aborted", "short" or "brushed".
    handedness : {"right", "left"}
    grid_hz : float
        Rate of the fine grid.
    strike : bool, optional
        Whether a ball is struck. Left out: where the kind allows it (see `BALL_KINDS`).

    Returns
    -------
    Action
        With the truth of each swing in `swings`.

    Raises
    ------
    ValueError
        When a ball is asked for with a kind that has none, or a name is unknown.
    RuntimeError
        When no draw was acceptable; the distributions are then wrong.
    """
    if strike is None:
        strike = kind in BALL_KINDS
    if strike and kind not in BALL_KINDS:
        raise ValueError(f"a swing of kind {kind!r} strikes no ball; use strike=False")
    for _ in range(_TRIES):
        try:
            if model == "pendulum":
                action = pendulum_swing(
                    draw_pendulum(
                        rng, mount=mount, kind=kind, handedness=handedness, strike=strike
                    ),
                    rate_hz=grid_hz,
                )
            elif model == "chain":
                action = chain_swing(
                    draw_chain(rng, mount=mount, kind=kind, handedness=handedness, strike=strike),
                    rate_hz=grid_hz,
                )
            else:
                raise ValueError(f"unknown model {model!r}; use 'pendulum' or 'chain'")
        except NoSwingError:
            continue
        if acceptable(action.swings, kind):
            return action
    raise RuntimeError(f"no acceptable {kind} swing of the {model} for the {mount}")
