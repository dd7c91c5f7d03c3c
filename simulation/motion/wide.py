"""Swings of three models drawn from ranges as wide as people are; reasons in this folder's README.

`draw.py` draws what most players do; this draws what anybody may: juniors and seniors, flat and
upright, hardly any wrist and all of it, chips and more than full turns, stops at the top, never
still before. Recognition is fitted on these. A draw is repeated only where the motion breaks a
definition (no reversal, no return, under 30 deg of turn, no finish) or physics (a peak rate that
no one reaches); `WideSwing.tries` says how often.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from simulation.motion import ranges
from simulation.motion.action import Action, Handedness, Kind, Model, Mount
from simulation.motion.chain import ChainStroke, ChainSwing, Joint, chain_swing
from simulation.motion.pendulum import (
    Drive,
    PendulumSwing,
    Stroke,
    pendulum_swing,
    wrist_torque_for,
)
from simulation.motion.shock import blow_of
from simulation.motion.spline import (
    SplineJoint,
    SplineStroke,
    SplineSwing,
    spline_swing,
)
from simulation.motion.truth import NoSwingError
from words.units import G_N_M_S2

GENERATORS: tuple[Model, ...] = ("pendulum", "chain", "spline")

LEAST_TURN_DEG = 30.0
"""A stroke under it is short by definition."""
MOST_TURN_DEG = 330.0
MOST_PEAK_DPS = {"wrist": 1900.0, "glove": 2600.0, "club": 3300.0, "trunk": 1100.0}
"""Faster is nobody: professionals' shafts turn at 2413 (sd 442) deg/s, their lead wrists' joint at
1085 (338) (Zheng et al. 2008, doi 10.1055/s-2007-989229, abstract); trunk from memory."""
_TRIES = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class WideSwing:
    """A drawn swing, and how many draws it took."""

    action: Action
    tries: int


# -- pendulum ---------------------------------------------------------------------------------


def _pendulum_rally(rng: np.random.Generator, stroke: Stroke) -> tuple[Stroke, ...]:
    return tuple(
        replace(
            stroke,
            torque_n_m=stroke.torque_n_m * rng.normal(1.0, 0.06),
            gamma_deg=stroke.gamma_deg * rng.normal(1.0, 0.05),
            backswing_s=stroke.backswing_s * rng.normal(1.0, 0.05) * (1.3 if k else 1.0),
            pause_s=ranges.uniform(rng, 0.0, 0.4),
        )
        for k in range(int(rng.integers(2, 5)))
    )


def _pendulum(
    rng: np.random.Generator, *, mount: Mount, kind: Kind, handedness: Handedness, strike: bool
) -> PendulumSwing:
    share = ranges.share_of_turn(rng, kind)
    effort = ranges.effort_of(rng, strike=strike, share=share)
    bent = share**0.5 if kind != "short" else share
    plane_deg = ranges.uniform(rng, 30.0, 75.0)
    torque = ranges.log_uniform(rng, 75.0, 240.0) * effort
    # so long does a downswing take about, by the torque: 0.30 s at 100 N m (reference table)
    down_s = 0.30 * (100.0 * share**0.7 / torque) ** 0.5
    stroke = Stroke(
        torque_n_m=torque,
        gamma_deg=ranges.uniform(rng, 90.0, 165.0) * share,
        beta_0_deg=ranges.uniform(rng, 40.0, 130.0) * bent,
        ramp_s=ranges.uniform(rng, 0.02, 0.12),
        backswing_s=float(np.clip(ranges.tempo(rng) * down_s, 0.45, 1.8)),
        push_share=ranges.uniform(rng, 0.3, 0.7),
        brake_from_share=ranges.uniform(rng, 0.35, 0.7),
        wrist_from_share=ranges.uniform(rng, 0.0, 0.5),
        wrist_to_share=ranges.uniform(rng, 0.7, 1.0),
        hold_s=ranges.hold_s(rng, kind),
        wrist_from_s=ranges.uniform(rng, 0.04, 0.12),
        roll_top_deg=ranges.uniform(rng, 0.0, 100.0) * share,
        roll_through_deg=ranges.uniform(rng, 0.0, 100.0) * share,
        through_s=ranges.uniform(rng, 0.35, 0.8),
        arm_through_deg=ranges.uniform(rng, 40.0, 130.0) * share**0.5,
        club_through_deg=ranges.uniform(rng, 110.0, 290.0) * share**0.5,
        pause_s=ranges.uniform(rng, 0.2, 1.4),
        controlled_s=ranges.uniform(rng, 0.2, 0.45) if kind == "short" else None,
    )
    if kind not in ("short", "aborted"):
        if share == 1.0:
            stroke = replace(stroke, wrist_torque_n_m=max(0.0, ranges.uniform(rng, -10.0, 20.0)))
        else:
            drive = Drive(
                torque_n_m=stroke.torque_n_m,
                gamma_deg=stroke.gamma_deg,
                beta_0_deg=stroke.beta_0_deg,
                gravity_m_s2=G_N_M_S2 * math.sin(math.radians(plane_deg)),
                ramp_s=stroke.ramp_s,
                wrist_from_s=stroke.wrist_from_s,
            )
            end_deg = stroke.gamma_deg * ranges.uniform(rng, 0.08, 0.35)
            stroke = replace(
                stroke, wrist_torque_n_m=wrist_torque_for(drive, end_angle_deg=end_deg)
            )
    strokes = _pendulum_rally(rng, stroke) if kind == "continuous" else (stroke,)
    abort = ranges.abort(rng) if kind == "aborted" else None
    return PendulumSwing(
        mount=mount,
        kind=kind,
        handedness=handedness,
        strokes=strokes,
        address=ranges.address(rng, kind),
        lead_in_s=ranges.uniform(rng, 0.2, 1.2),
        plane_deg=plane_deg,
        time_scale=ranges.pace(rng, kind),
        strike=strike,
        blow=blow_of(rng, kind=kind, mount=mount, strike=strike, strength=(effort * share) ** 0.5),
        mat_loss=ranges.uniform(rng, 0.03, 0.15) if kind == "brushed" else 0.0,
        hand_share=ranges.uniform(rng, 0.7, 1.0),
        hand_angle_deg=ranges.uniform(rng, -50.0, -5.0),
        shaft_roll_share=ranges.uniform(rng, 0.4, 1.0),
        trunk_share=ranges.uniform(rng, 0.45, 0.85),
        trunk_lead_s=ranges.uniform(rng, 0.0, 0.09),
        trunk_smooth_s=ranges.uniform(rng, 0.04, 0.10),
        spine_tilt_deg=ranges.uniform(rng, 20.0, 50.0),
        lower_s=ranges.lower_s(rng),
        rest_s=ranges.uniform(rng, 0.2, 0.6),
        abort=abort,
    )


# -- chain ------------------------------------------------------------------------------------

_SHAPES = ((2, 2), (2, 3), (3, 3), (2, 4), (3, 4), (4, 4), (3, 2))


def _shape(rng: np.random.Generator, first: int = 0, last: int = 7) -> tuple[int, int]:
    return _SHAPES[int(rng.integers(first, last))]


def _chain_joints(
    rng: np.random.Generator, *, share: float, late: float, strike: bool
) -> dict[str, Joint]:
    """Draw what each joint of the chain does."""
    bent = share**0.5 if share > 0.28 else share
    bite = 1.0 if strike else 0.2
    return {
        "trunk": Joint(
            top=ranges.uniform(rng, 45.0, 115.0) * share,
            through=ranges.uniform(rng, 35.0, 110.0) * share,
            start_s=ranges.uniform(rng, 0.0, 0.1),
            arrive_s=ranges.uniform(rng, -0.1, 0.02),
            peak_s=ranges.uniform(rng, 0.03, 0.12) * late,
            back=_shape(rng),
            down=_shape(rng, 1, 6),
            loss=bite * ranges.uniform(rng, 0.0, 0.006),
        ),
        "bend": Joint(
            top=ranges.uniform(rng, -14.0, 8.0) * share,
            through=ranges.uniform(rng, 0.0, 22.0) * share,
            arrive_s=-0.04,
            leave_s=ranges.uniform(rng, 0.0, 0.04) * late,
            peak_s=ranges.uniform(rng, 0.02, 0.09) * late,
            loss=bite * 0.004,
        ),
        "pelvis": Joint(
            top=ranges.uniform(rng, -0.02, 0.08) * share,
            through=ranges.uniform(rng, 0.0, 0.14) * share,
            arrive_s=-0.05,
            peak_s=ranges.uniform(rng, 0.05, 0.12) * late,
        ),
        "arm": Joint(
            top=ranges.uniform(rng, 15.0, 75.0) * share,
            through=ranges.uniform(rng, 20.0, 75.0) * share,
            start_s=ranges.uniform(rng, 0.0, 0.1),
            arrive_s=ranges.uniform(rng, -0.05, 0.05),
            leave_s=ranges.uniform(rng, 0.0, 0.07) * late,
            peak_s=ranges.uniform(rng, 0.01, 0.08) * late,
            back=_shape(rng),
            down=_shape(rng, 1, 6),
            loss=bite * ranges.uniform(rng, 0.0, 0.04),
        ),
        "roll": Joint(
            top=ranges.uniform(rng, 0.0, 100.0) * share,
            through=ranges.uniform(rng, 10.0, 100.0) * share,
            start_s=ranges.uniform(rng, 0.0, 0.3),
            arrive_s=ranges.uniform(rng, -0.15, 0.02),
            leave_s=ranges.uniform(rng, 0.03, 0.13) * late,
            peak_s=ranges.uniform(rng, -0.03, 0.04) * late,
            back=_shape(rng),
            down=_shape(rng, 0, 3),
            loss=bite * ranges.uniform(rng, 0.01, 0.1),
        ),
        "wrist": Joint(
            top=ranges.uniform(rng, 40.0, 130.0) * bent,
            through=ranges.uniform(rng, 40.0, 125.0) * bent,
            start_s=ranges.uniform(rng, 0.0, 0.4),
            arrive_s=ranges.uniform(rng, -0.15, 0.03),
            leave_s=ranges.uniform(rng, 0.07, 0.18) * late,
            peak_s=ranges.uniform(rng, -0.025, 0.02) * late,
            back=_shape(rng),
            down=_shape(rng, 2, 6),
            loss=bite * ranges.uniform(rng, 0.25, 0.65),
        ),
    }


def _chain(
    rng: np.random.Generator, *, mount: Mount, kind: Kind, handedness: Handedness, strike: bool
) -> ChainSwing:
    share = ranges.share_of_turn(rng, kind)
    effort = ranges.effort_of(rng, strike=strike, share=share)
    down_s = ranges.uniform(rng, 0.23, 0.38) * (share / effort) ** 0.5 * share**-0.35
    # later joints leave by shares of the way down, so that a quick one is not out of step
    late = down_s / 0.305
    joints = _chain_joints(rng, share=share, late=late, strike=strike)
    stroke = ChainStroke(
        joints=joints,
        backswing_s=float(np.clip(ranges.tempo(rng) * down_s, 0.5, 1.8)),
        overlap_s=ranges.uniform(rng, 0.0, 0.18),
        hold_s=ranges.hold_s(rng, kind),
        down_s=down_s,
        recover_s=ranges.uniform(rng, 0.1, 0.25),
        pause_s=ranges.uniform(rng, 0.2, 1.4),
    )
    strokes = ranges.rally(rng, stroke) if kind == "continuous" else (stroke,)
    abort = ranges.abort(rng) if kind == "aborted" else None
    return ChainSwing(
        mount=mount,
        kind=kind,
        handedness=handedness,
        strokes=strokes,
        address=ranges.address(rng, kind),
        lead_in_s=ranges.uniform(rng, 0.2, 1.2),
        time_scale=ranges.pace(rng, kind),
        strike=strike,
        blow=blow_of(rng, kind=kind, mount=mount, strike=strike, strength=(effort * share) ** 0.5),
        rate_loss=strike or kind == "brushed",
        spine_tilt_deg=ranges.uniform(rng, 20.0, 50.0),
        arm_axis_tilt_deg=ranges.uniform(rng, 30.0, 75.0),
        shaft_angle_deg=ranges.uniform(rng, 20.0, 50.0),
        hinge_oblique_deg=ranges.uniform(rng, 55.0, 110.0),
        hand_share=ranges.uniform(rng, 0.7, 1.0),
        hand_angle_deg=ranges.uniform(rng, 0.0, 25.0),
        arm_length_m=ranges.uniform(rng, 0.5, 0.7),
        lower_s=ranges.lower_s(rng),
        rest_s=ranges.uniform(rng, 0.2, 0.6),
        abort=abort,
    )


# -- splines ----------------------------------------------------------------------------------


def _back(rng: np.random.Generator) -> tuple[float, ...]:
    """Coefficients of a way back: any course that does not stop on the way."""
    return tuple(rng.uniform(0.35, 1.6, int(rng.integers(3, 7))).tolist())


def _down(rng: np.random.Generator, *, late: bool = False) -> tuple[float, ...]:
    rise = ((0.0, 0.3), (0.15, 0.9), (1.0, 2.0)) if late else ((0.1, 0.7), (0.5, 1.4), (0.9, 1.8))
    fall = ((0.8, 1.6), (0.3, 1.0), (0.05, 0.5))
    return tuple(ranges.uniform(rng, *band) for band in (*rise, *fall))


def _unrest(rng: np.random.Generator) -> tuple[tuple[str, float, float, tuple[float, ...]], ...]:
    """What is done before: nothing, or any wandering of trunk, arm, roll and wrist."""
    if rng.random() < 0.3:
        return ()
    length = ranges.uniform(rng, 0.7, 3.0)
    before = length + ranges.uniform(rng, -0.15, 0.8)
    size = ranges.log_uniform(rng, 0.8, 7.0)
    out = []
    for name, part in (("hinge", 1.0), ("arm", 0.5), ("roll", 0.7), ("trunk", 0.3)):
        if rng.random() < 0.75:
            count = max(2, round(length * ranges.uniform(rng, 1.5, 4.5)))
            shape = rng.uniform(-1.0, 1.0, count) * size * part
            out.append((name, before, length, tuple(shape.tolist())))
    return tuple(out)


def _spline_body(rng: np.random.Generator, *, share: float, by: float) -> dict[str, SplineJoint]:
    """Draw what trunk and pelvis do."""
    lean = share**0.5
    return {
        "trunk": SplineJoint(
            top=ranges.uniform(rng, 45.0, 115.0) * share,
            impact=-ranges.uniform(rng, 0.0, 50.0) * lean,
            arrive_s=ranges.uniform(rng, -0.08, 0.0),
            peak_s=ranges.uniform(rng, -0.11, -0.02) * by,
            through_s=ranges.uniform(rng, 0.25, 0.6),
            loss=ranges.uniform(rng, 0.0, 0.006),
            back=_back(rng),
            down=_down(rng),
        ),
        "bend": SplineJoint(
            top=ranges.uniform(rng, -14.0, 8.0) * share,
            impact=ranges.uniform(rng, 2.0, 20.0) * lean,
            peak_s=ranges.uniform(rng, -0.08, -0.02) * by,
            through_s=ranges.uniform(rng, 0.2, 0.4),
            back=_back(rng),
            down=_down(rng),
        ),
        "shift": SplineJoint(
            top=ranges.uniform(rng, -0.02, 0.06) * share,
            impact=-ranges.uniform(rng, 0.0, 0.12) * lean,
            peak_s=ranges.uniform(rng, -0.1, -0.03) * by,
            through_s=ranges.uniform(rng, 0.2, 0.4),
        ),
    }


def _spline_joints(
    rng: np.random.Generator, *, share: float, by: float, incline: float, roll: float
) -> dict[str, SplineJoint]:
    """Draw what each joint of the splines does."""
    bent = share**0.6
    lean = share**0.5
    return _spline_body(rng, share=share, by=by) | {
        "arm": SplineJoint(
            top=ranges.uniform(rng, 75.0, 165.0) * share,
            impact=ranges.uniform(rng, -35.0, 10.0) * lean,
            start_s=ranges.uniform(rng, 0.0, 0.08),
            arrive_s=ranges.uniform(rng, -0.05, 0.04),
            leave_s=ranges.uniform(rng, 0.0, 0.05) * by,
            peak_s=ranges.uniform(rng, -0.07, 0.0) * by,
            through_s=ranges.uniform(rng, 0.25, 0.55),
            loss=ranges.uniform(rng, 0.0, 0.04),
            back=_back(rng),
            down=_down(rng),
        ),
        "incline": SplineJoint(
            top=float(np.clip(incline + ranges.uniform(rng, -30.0, 12.0), 30.0, 75.0)) * share
            + incline * (1.0 - share)
            - incline,
            impact=ranges.uniform(rng, -8.0, 8.0) * lean,
            start_s=ranges.uniform(rng, 0.0, 0.1),
            leave_s=ranges.uniform(rng, 0.0, 0.05) * by,
            peak_s=ranges.uniform(rng, -0.08, 0.0) * by,
            through_s=ranges.uniform(rng, 0.2, 0.4),
            back=_back(rng),
            down=_down(rng),
        ),
        "roll": SplineJoint(
            top=roll * share,
            impact=ranges.uniform(rng, -50.0, 40.0) * lean,
            start_s=ranges.uniform(rng, 0.0, 0.3),
            arrive_s=ranges.uniform(rng, -0.15, 0.02),
            leave_s=ranges.uniform(rng, 0.02, 0.11) * by,
            peak_s=ranges.uniform(rng, -0.04, 0.03) * by,
            through_s=ranges.uniform(rng, 0.12, 0.35),
            loss=ranges.uniform(rng, 0.0, 0.08),
            back=_back(rng),
            down=_down(rng, late=rng.random() < 0.5),
        ),
        "hinge": SplineJoint(
            top=ranges.uniform(rng, 40.0, 130.0) * bent,
            impact=ranges.uniform(rng, -40.0, 30.0) * lean,
            start_s=ranges.uniform(rng, 0.0, 0.4),
            arrive_s=ranges.uniform(rng, -0.15, 0.03),
            leave_s=ranges.uniform(rng, 0.03, 0.13) * by,
            peak_s=ranges.uniform(rng, -0.04, 0.02) * by,
            through_s=ranges.uniform(rng, 0.12, 0.3),
            loss=ranges.uniform(rng, 0.2, 0.6),
            back=_back(rng),
            down=_down(rng, late=True),
        ),
        "bow": SplineJoint(
            top=ranges.uniform(rng, -25.0, 25.0) * bent,
            impact=ranges.uniform(rng, -30.0, 20.0) * lean,
            leave_s=ranges.uniform(rng, 0.0, 0.08) * by,
            peak_s=ranges.uniform(rng, -0.05, 0.01) * by,
            through_s=ranges.uniform(rng, 0.12, 0.3),
            back=_back(rng),
            down=_down(rng),
        ),
        "reach": SplineJoint(
            top=ranges.uniform(rng, 0.0, 0.05) * share,
            peak_s=ranges.uniform(rng, -0.06, 0.0) * by,
            through_s=ranges.uniform(rng, 0.2, 0.3),
        ),
    }


def _spline(
    rng: np.random.Generator, *, mount: Mount, kind: Kind, handedness: Handedness, strike: bool
) -> SplineSwing:
    share = ranges.share_of_turn(rng, kind)
    effort = ranges.effort_of(rng, strike=strike, share=share)
    down_s = ranges.uniform(rng, 0.21, 0.36) * (share / effort) ** 0.5 * share**-0.3
    by = down_s / 0.28
    incline = ranges.uniform(rng, 45.0, 75.0)
    roll = ranges.uniform(rng, 0.0, 100.0)
    joints = _spline_joints(rng, share=share, by=by, incline=incline, roll=roll)
    stroke = SplineStroke(
        joints=joints,
        backswing_s=float(np.clip(ranges.tempo(rng) * down_s, 0.5, 1.8)),
        down_s=down_s,
        overlap_s=ranges.uniform(rng, 0.0, 0.14),
        hold_s=ranges.hold_s(rng, kind),
        recover_s=ranges.uniform(rng, 0.08, 0.2),
        pause_s=ranges.uniform(rng, 0.2, 1.4),
    )
    strokes = ranges.rally(rng, stroke) if kind == "continuous" else (stroke,)
    stop = ranges.abort(rng) if kind == "aborted" else None
    return SplineSwing(
        mount=mount,
        kind=kind,
        handedness=handedness,
        strokes=strokes,
        before=_unrest(rng),
        lead_in_s=ranges.uniform(rng, 0.2, 1.2),
        time_scale=ranges.pace(rng, kind),
        strike=strike,
        blow=blow_of(rng, kind=kind, mount=mount, strike=strike, strength=(effort * share) ** 0.5),
        bite=1.0 if strike else 0.2 if kind == "brushed" else 0.0,
        spine_tilt_deg=ranges.uniform(rng, 20.0, 50.0),
        arm_incline_deg=incline,
        shaft_deg=ranges.uniform(rng, 15.0, 50.0),
        # roll and hinge together fold the club about into the plane at the top
        oblique_deg=float(
            np.clip(
                90.0 - ranges.uniform(rng, 0.3, 1.0) * roll + ranges.uniform(rng, -20.0, 20.0),
                0,
                110,
            )
        ),
        hand_share=ranges.uniform(rng, 0.7, 1.0),
        arm_m=ranges.uniform(rng, 0.5, 0.7),
        lower_s=ranges.lower_s(rng),
        rest_s=ranges.uniform(rng, 0.2, 0.6),
        stop=stop,
    )


def _possible(action: Action, kind: Kind, mount: Mount) -> bool:
    """Whether what was drawn is a swing by the definitions and within physics."""
    for k, truth in enumerate(action.swings):
        if kind == "short":
            if not 6.0 <= truth.turn_deg <= 27.0:
                return False
        elif truth.turn_deg < LEAST_TURN_DEG or (k == 0 and truth.turn_deg > MOST_TURN_DEG):
            # (from a finish the way back is longer)
            return False
        if truth.impact_s is not None and truth.finish_s is None:
            return False
        if (truth.peak_rate_dps or 0.0) > MOST_PEAK_DPS[mount]:
            return False
    return True


def wide_swing(
    rng: np.random.Generator,
    *,
    generator: Model,
    mount: Mount,
    kind: Kind = "full",
    handedness: Handedness = "right",
    grid_hz: float = 3200.0,
    strike: bool = False,
) -> WideSwing:
    """Draw a swing from ranges as wide as people are.

    Parameters
    ----------
    rng : Generator
    generator : {"pendulum", "chain", "spline"}
    mount, kind, handedness, grid_hz, strike
        As in `random_swing`.

    Returns
    -------
    WideSwing

    Raises
    ------
    RuntimeError
        When no draw was possible.
    """
    for tries in range(1, _TRIES + 1):
        draw = {"mount": mount, "kind": kind, "handedness": handedness, "strike": strike}
        try:
            if generator == "pendulum":
                action = pendulum_swing(_pendulum(rng, **draw), rate_hz=grid_hz)  # type: ignore[arg-type]
            elif generator == "chain":
                action = chain_swing(_chain(rng, **draw), rate_hz=grid_hz)  # type: ignore[arg-type]
            else:
                action = spline_swing(_spline(rng, **draw), rate_hz=grid_hz)  # type: ignore[arg-type]
        except NoSwingError:
            continue
        if _possible(action, kind, mount):
            return WideSwing(action=action, tries=tries)
    raise RuntimeError(f"no possible {kind} swing of the {generator} for the {mount}")
