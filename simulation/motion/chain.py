"""Swings of a three-dimensional chain: trunk, lead arm, forearm roll and wrist hinge.

No dynamics: every joint has its own smooth way back and its own way down and through, each with
a rate proportional to s^p (1 - s)^q, its own start, and its own instant of greatest rate. The
trunk leaves the top first, then the arm, then roll and wrist. A blow takes a share of each
joint's rate at once, most at the wrist and least at the trunk, and lets it come back softly.

The trunk turns about the tilted spine and bends sideways; the arm swings about an axis fixed in
the trunk; the forearm rolls about its long axis; the wrist hinges the club about an oblique axis
that rolls with the forearm. So no two of the axes stay parallel, and no segment stays in a plane.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from sensor.rotation import (
    quat_about,
    quat_from_matrix,
    quat_multiply,
    quat_rotate,
)
from simulation.motion.action import Abort, Action, Floats, Handedness, Kind, Mount
from simulation.motion.address import STILL, AddressMoves, Move, moves_deg
from simulation.motion.profiles import rise
from simulation.motion.shock import Blow
from simulation.motion.site import finish_action
from simulation.motion.truth import NoSwingError, SwingSpan

DEG = math.pi / 180.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Joint:
    """How one joint moves in a stroke. Angles in deg (the pelvis: m), times in s.

    Attributes
    ----------
    top, through : float
        Its place at the top, and how far beyond the address pose it goes after impact.
    start_s : float
        Its start after the start of the backswing.
    arrive_s : float
        Its arrival after the end of the backswing (negative: before).
    leave_s : float
        Its start down after the first joint's.
    peak_s : float
        Its greatest rate comes this long before impact (negative: after).
    back, down : tuple of int
        (p, q) of the two ways.
    loss : float
        Share of its rate that a blow takes.
    """

    top: float
    through: float
    start_s: float = 0.0
    arrive_s: float = 0.0
    leave_s: float = 0.0
    peak_s: float = 0.0
    back: tuple[int, int] = (2, 2)
    down: tuple[int, int] = (2, 3)
    loss: float = 0.0


def _default_joints() -> dict[str, Joint]:
    return {
        "trunk": Joint(top=85.0, through=75.0, arrive_s=-0.04, peak_s=0.07),
        "bend": Joint(top=-5.0, through=12.0, arrive_s=-0.04, leave_s=0.02, peak_s=0.05),
        "pelvis": Joint(top=0.03, through=0.07, arrive_s=-0.05, peak_s=0.08),
        "arm": Joint(top=42.0, through=48.0, leave_s=0.04, peak_s=0.045),
        "roll": Joint(top=60.0, through=65.0, start_s=0.08, leave_s=0.08, peak_s=0.005),
        "wrist": Joint(top=94.0, through=86.0, start_s=0.12, leave_s=0.14, down=(3, 3)),
    }


JOINTS = ("trunk", "bend", "pelvis", "arm", "roll", "wrist")


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainStroke:
    """One way back, down and through. Times are at full speed.

    Attributes
    ----------
    joints : dict of str to Joint
        One for each name in `JOINTS`.
    backswing_s : float
        Nominal length of the way back.
    overlap_s : float
        The first joint leaves the top this long before the nominal end of the way back.
    hold_s : float
        With a pause, all joints stand still this long, and `overlap_s` plays no part.
    down_s : float
        From the first joint's leaving to impact.
    recover_s : float
        Time over which what a blow took comes back.
    pause_s : float
        Rest in the finish pose.
    """

    joints: dict[str, Joint] = field(default_factory=_default_joints)
    backswing_s: float = 0.9
    overlap_s: float = 0.1
    hold_s: float = 0.0
    down_s: float = 0.31
    recover_s: float = 0.18
    pause_s: float = 0.4

    def leave_s(self) -> float:
        """When the first joint leaves the top, from the start of the backswing."""
        if self.hold_s <= 0.0:
            return self.backswing_s - self.overlap_s
        last = max(joint.arrive_s for joint in self.joints.values())
        first = min(joint.leave_s for joint in self.joints.values())
        return self.backswing_s + last + self.hold_s - first


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainSwing:
    """Everything that makes one chain action (several strokes: continuous rehearsals).

    Attributes
    ----------
    mount, kind, handedness : str
    strokes : tuple of ChainStroke
    address : AddressMoves
    lead_in_s : float
        Rest before the first move at address.
    time_scale : float
        1: full speed. Larger: slow motion.
    strike : bool
        A ball is struck.
    blow : Blow or None
        What the sensor feels at the first stroke's impact.
    rate_loss : bool
        The joints lose their shares of rate at impact (ball or mat).
    spine_tilt_deg : float
        Forward tilt of the spine.
    arm_axis_tilt_deg : float
        Tilt of the arm's swing axis from the vertical at address.
    shaft_angle_deg : float
        Angle between forearm and shaft at address.
    hinge_oblique_deg : float
        Angle, about the forearm, between the plane in which the wrist hinges and the plane of
        forearm and shaft at address. At 0 it would only lift the club; a real wrist sets and
        releases obliquely, bending and lifting together.
    hand_share : float
        Share of the wrist's hinging that the back of the hand follows.
    hand_angle_deg : float
        Angle between the forearm's and the hand's long axis at address.
    arm_length_m : float
    lower_s : float or None
        Time of lowering the club from the finish to address; None: stays in the finish.
    rest_s : float
        Rest at the end.
    abort : Abort or None
    """

    mount: Mount = "wrist"
    kind: Kind = "full"
    handedness: Handedness = "right"
    strokes: tuple[ChainStroke, ...]
    address: AddressMoves = STILL
    lead_in_s: float = 0.5
    time_scale: float = 1.0
    strike: bool = False
    blow: Blow | None = None
    rate_loss: bool = False
    spine_tilt_deg: float = 38.0
    arm_axis_tilt_deg: float = 50.0
    shaft_angle_deg: float = 38.0
    hinge_oblique_deg: float = 88.0
    hand_share: float = 0.9
    hand_angle_deg: float = 12.0
    arm_length_m: float = 0.62
    lower_s: float | None = 1.3
    rest_s: float = 0.3
    abort: Abort | None = None


_PELVIS_M = np.array([0.0, -0.25, 0.95])
_SHOULDER_M = np.array([0.45, -0.18, 0.02])  # from the pelvis, in the trunk's frame
_SITE_M: dict[Mount, Floats] = {
    "wrist": np.array([0.56, 0.0, 0.03]),
    "glove": np.array([0.05, 0.0, 0.02]),
    "club": np.array([0.32, 0.0, 0.02]),
    "trunk": np.array([0.45, 0.0, -0.10]),
}
_X = (1.0, 0.0, 0.0)
_Z = (0.0, 0.0, 1.0)


@dataclass(frozen=True, slots=True)
class _Way:
    """One move of one joint, and its rate at a given time."""

    start_s: float
    duration_s: float
    size: float
    shape: tuple[int, int]

    def rate(self, time_s: float) -> float:
        s = (time_s - self.start_s) / self.duration_s
        if not 0.0 < s < 1.0:
            return 0.0
        p, q = self.shape
        scale = math.gamma(p + q + 2) / (math.gamma(p + 1) * math.gamma(q + 1))
        return self.size * scale * s**p * (1.0 - s) ** q / self.duration_s


@dataclass(frozen=True, slots=True)
class _Loss:
    """Rate that a blow takes from a joint at an instant and that comes back softly."""

    time_s: float
    rate: float
    recover_s: float

    def gone(self, t_s: Floats) -> Floats:
        """Way lost by a time: the lost rate is rate (1 - s)^3."""
        u = 1.0 - np.clip((t_s - self.time_s) / self.recover_s, 0.0, 1.0)
        return np.asarray(self.rate * self.recover_s / 4.0 * (1.0 - u**4))

    @property
    def whole(self) -> float:
        return self.rate * self.recover_s / 4.0


def _schedule(
    swing: ChainSwing,
) -> tuple[list[tuple[float, float, float]], dict[str, list[_Way]], dict[str, list[_Loss]], float]:
    """Schedule of all joints: (start, impact, end) of each stroke, the moves, and the end."""
    ways: dict[str, list[_Way]] = {name: [] for name in JOINTS}
    losses: dict[str, list[_Loss]] = {name: [] for name in JOINTS}
    place = dict.fromkeys(JOINTS, 0.0)
    times: list[tuple[float, float, float]] = []
    start = 0.0
    for k, stroke in enumerate(swing.strokes):
        leave = start + stroke.leave_s()
        impact = leave + stroke.down_s
        end = impact
        for name in JOINTS:
            joint = stroke.joints[name]
            begin = start + joint.start_s
            length = stroke.backswing_s + joint.arrive_s - joint.start_s
            ways[name].append(_Way(begin, length, joint.top - place[name], joint.back))
            place[name] = joint.top
            if swing.abort is not None:
                continue
            down = leave + joint.leave_s
            p, q = joint.down
            length = (impact - joint.peak_s - down) * (p + q) / p
            if length <= 0.0:
                raise NoSwingError(
                    f"the {name} leaves the top after its greatest rate; start it earlier"
                )
            way = _Way(down, length, -joint.top - joint.through, joint.down)
            ways[name].append(way)
            place[name] = -joint.through
            end = max(end, down + length)
            if swing.rate_loss and k == 0 and joint.loss > 0.0:
                loss = _Loss(impact, joint.loss * way.rate(impact), stroke.recover_s)
                losses[name].append(loss)
                place[name] -= loss.whole
                end = max(end, impact + stroke.recover_s)
        if swing.abort is not None:
            break
        times.append((start, impact, end))
        start = end + stroke.pause_s
    if swing.abort is not None:
        stroke, abort = swing.strokes[0], swing.abort
        now = max(
            stroke.leave_s(), max(stroke.backswing_s + j.arrive_s for j in stroke.joints.values())
        )
        if abort.down_share > 0.0:
            for name in JOINTS:
                joint = stroke.joints[name]
                delay = 0.5 * joint.leave_s
                size = -abort.down_share * joint.top
                ways[name].append(_Way(stroke.leave_s() + delay, abort.down_s, size, (2, 2)))
                place[name] += size
            now = stroke.leave_s() + abort.down_s
            now += 0.5 * max(joint.leave_s for joint in stroke.joints.values())
        now += abort.stop_s
        for name in JOINTS:
            ways[name].append(_Way(now, abort.return_s, -place[name], (2, 2)))
        return times, ways, losses, now + abort.return_s
    if swing.lower_s is not None:
        for name in JOINTS:
            ways[name].append(_Way(start, swing.lower_s, -place[name], (2, 2)))
        start += swing.lower_s
    return times, ways, losses, start


def _site(joints: dict[str, Floats], swing: ChainSwing) -> tuple[Floats, Floats]:
    """Attitude (n, 4) and place (n, 3) of the sensor, right-handed; angles in rad."""
    tilt = swing.spine_tilt_deg * DEG
    spine = np.array([0.0, math.sin(tilt), math.cos(tilt)])
    forward = np.array([0.0, math.cos(tilt), -math.sin(tilt)])
    upright = quat_from_matrix(np.stack((spine, np.cross(forward, spine), forward), axis=1))
    turn = quat_multiply(quat_about(spine, -joints["trunk"]), quat_about(forward, joints["bend"]))
    trunk = quat_multiply(turn, upright)
    pelvis = _PELVIS_M + joints["pelvis"][:, None] * np.array(_X)
    site = _SITE_M[swing.mount]
    if swing.mount == "trunk":
        return trunk, pelvis + quat_rotate(trunk, site)

    # the arm hangs from the lead shoulder to the hands in front of the middle of the body
    shoulder = _PELVIS_M + quat_rotate(upright, _SHOULDER_M)
    along = np.array([0.03, 0.55 * swing.arm_length_m * math.sin(tilt), 0.0])
    along[0] -= shoulder[0]
    along[2] = -math.sqrt(max(swing.arm_length_m**2 - along[0] ** 2 - along[1] ** 2, 0.01))
    along /= np.linalg.norm(along)
    # forearm's z: across forearm and shaft, which points down and to the ball
    across = np.cross(along, np.array([0.0, 0.65, -0.75]))
    across /= np.linalg.norm(across)
    at_address = quat_from_matrix(np.stack((along, np.cross(across, along), across), axis=1))
    axis_tilt = swing.arm_axis_tilt_deg * DEG
    axis = np.array([0.0, -math.sin(axis_tilt), -math.cos(axis_tilt)])

    forearm = quat_multiply(turn, quat_about(axis, joints["arm"]))
    forearm = quat_multiply(forearm, at_address)
    forearm = quat_multiply(forearm, quat_about(_X, joints["roll"]))
    shoulder_now = pelvis + quat_rotate(trunk, _SHOULDER_M)
    if swing.mount == "wrist":
        return forearm, shoulder_now + quat_rotate(forearm, site)
    wrist = shoulder_now + quat_rotate(forearm, np.array([swing.arm_length_m, 0.0, 0.0]))
    if swing.mount == "glove":
        fixed, share = swing.hand_angle_deg, swing.hand_share
    else:
        fixed, share = swing.shaft_angle_deg, 1.0
    oblique = swing.hinge_oblique_deg * DEG
    hinge_axis = (0.0, -math.sin(oblique), math.cos(oblique))
    hinged = quat_multiply(
        quat_about(hinge_axis, share * joints["wrist"]), quat_about(_Z, fixed * DEG)
    )
    quat = quat_multiply(forearm, hinged)
    return quat, wrist + quat_rotate(quat, site)


def chain_swing(swing: ChainSwing, *, rate_hz: float = 3200.0) -> Action:
    """Make the action of a chain swing.

    Parameters
    ----------
    swing : ChainSwing
    rate_hz : float
        Rate of the grid.

    Returns
    -------
    Action

    Raises
    ------
    NoSwingError
        When the parameters give no swing.
    """
    times, ways, losses, end = _schedule(swing)
    scale = swing.time_scale
    before = swing.lead_in_s - swing.address.earliest_s * scale
    breaks: tuple[int, ...] = ()
    blow_felt = swing.strike or swing.rate_loss
    if blow_felt and times:
        # the blow falls on a grid point
        index = math.ceil((before + scale * times[0][1]) * rate_hz)
        before = index / rate_hz - scale * times[0][1]
        breaks = (index,)
    n = math.ceil((before + scale * end + swing.rest_s) * rate_hz) + 1
    t = (np.arange(n) / rate_hz - before) / scale
    if breaks:
        t[breaks[0]] = times[0][1]

    extra: dict[str, tuple[Move, ...]] = {
        "trunk": swing.address.trunk,
        "arm": swing.address.arm,
        "roll": swing.address.roll,
        "wrist": swing.address.wrist,
    }
    joints: dict[str, Floats] = {}
    for name in JOINTS:
        angle = np.zeros(n)
        for way in ways[name]:
            p, q = way.shape
            angle += way.size * rise(t, way.start_s, way.duration_s, p=p, q=q)
        for loss in losses[name]:
            angle -= loss.gone(t)
        angle += moves_deg(t, extra.get(name, ()))
        joints[name] = angle if name == "pelvis" else angle * DEG

    quat, pos = _site(joints, swing)
    spans = [
        SwingSpan(
            back_start_s=before + scale * when[0],
            pass_s=breaks[0] / rate_hz if breaks else before + scale * when[1],
            through_end_s=before + scale * when[2],
            blow=bool(breaks),
            strike=swing.strike,
            hold_ms=1000.0 * scale * stroke.hold_s,
            kind=swing.kind,
            model="chain",
        )
        for stroke, when in zip(swing.strokes, times, strict=bool(times))
    ]
    if swing.abort is not None:
        spans.append(
            SwingSpan(
                back_start_s=before,
                pass_s=None,
                through_end_s=before + scale * end,
                blow=False,
                strike=False,
                hold_ms=1000.0 * scale * swing.strokes[0].hold_s,
                kind=swing.kind,
                model="chain",
            )
        )
    return finish_action(
        quat_wxyz=quat,
        pos_m=pos,
        rate_hz=rate_hz,
        spans=spans,
        handedness=swing.handedness,
        breaks=breaks,
        blow=swing.blow,
    )
