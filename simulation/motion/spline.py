"""Swings of a body whose joint angles are splines: a third model, independent of the other two.

No dynamics and no closed-form profiles: the rate of every joint is a cubic B-spline whose
coefficients are drawn, one for the way back and one for the way down and through, so its course
is as lopsided, double-humped or late as they happen to be. Arm and trunk are apart: the trunk
turns about its tilted spine, while the lead arm's direction in the world is an angle in a plane
whose inclination is a spline too (one plane at address, another at the top, a third coming down).
The forearm rolls about its long axis; the wrist hinges the club about an axis that lies between
"up the thumb" and "in the plane", and bows or cups across it.

Shared with the other models are only the truth's definitions (`truth.py`) and what a blow does to
a sensor (`shock.py`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from scipy.interpolate import BSpline

from sensor.rotation import quat_about, quat_from_matrix, quat_multiply, quat_rotate
from simulation.motion.action import Abort, Action, Floats, Handedness, Kind, Mount
from simulation.motion.shock import Blow
from simulation.motion.site import finish_action
from simulation.motion.truth import NoSwingError, SwingSpan

DEG = math.pi / 180.0
_DEGREE = 3

JOINTS = ("trunk", "bend", "shift", "arm", "incline", "roll", "hinge", "bow", "reach")
"""Trunk's turn and side bend; pelvis to the side (m); the arm's angle in its plane and that
plane's inclination; forearm roll; wrist hinge and bow; the arm's length lost (m)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SplineJoint:
    """How one joint moves in a stroke, from the address pose. Degrees (or m), s.

    Attributes
    ----------
    top, impact : float
        Its place at the top and at impact.
    back, down : tuple of float
        Coefficients of the rate's splines on the way back, and down and through.
    start_s, arrive_s : float
        Its start after the stroke's, and its arrival after the nominal top.
    leave_s : float
        Its start down after the first joint's.
    peak_s : float
        The middle of its way down and through, after impact (negative: before).
    through_s : float
        From there to its rest.
    loss : float
        Share of its rate that a ball takes.
    """

    top: float
    impact: float = 0.0
    back: tuple[float, ...] = (1.0, 1.5, 1.5, 1.0)
    down: tuple[float, ...] = (0.4, 1.0, 1.6, 1.2, 0.7, 0.3)
    start_s: float = 0.0
    arrive_s: float = 0.0
    leave_s: float = 0.0
    peak_s: float = 0.0
    through_s: float = 0.35
    loss: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SplineStroke:
    """One way back, down and through.

    Attributes
    ----------
    joints : dict of str to SplineJoint
        One for each name in `JOINTS`.
    backswing_s, down_s : float
        Nominal lengths: to the top, and from the first joint's leaving it to impact.
    overlap_s : float
        The first joint leaves the top this long before the nominal end of the way back.
    hold_s : float
        Stop at the top: all joints stand still this long, and `overlap_s` plays no part.
    recover_s : float
        Time over which what a ball took comes back.
    pause_s : float
        Rest in the finish pose.
    """

    joints: dict[str, SplineJoint]
    backswing_s: float = 0.9
    down_s: float = 0.28
    overlap_s: float = 0.08
    hold_s: float = 0.0
    recover_s: float = 0.15
    pause_s: float = 0.4

    @property
    def leave_s(self) -> float:
        """When the first joint leaves the top, from the stroke's start."""
        if self.hold_s <= 0.0:
            return self.backswing_s - self.overlap_s
        return self.backswing_s + max(j.arrive_s for j in self.joints.values()) + self.hold_s


@dataclass(frozen=True, slots=True, kw_only=True)
class SplineSwing:
    """Everything that makes one action.

    Attributes
    ----------
    mount, kind, handedness : str
    strokes : tuple of SplineStroke
    before : tuple of tuple
        Unrest at address: (joint, start before the backswing in s, length in s, coefficients of
        its place in deg). It ends at the address pose.
    lead_in_s : float
        Rest before all that.
    time_scale : float
        1: full speed.
    strike : bool
        A ball is struck.
    blow : Blow or None
        What the sensor feels at the first stroke's impact.
    bite : float
        How much of the joints' `loss` is taken at the first impact: 1 by a ball.
    spine_tilt_deg, arm_incline_deg : float
        Forward tilt of the spine; inclination of the hanging arm at address, from the level.
    shaft_deg : float
        Angle between forearm and shaft at address.
    oblique_deg : float
        Where the hinge's axis lies: 0 lifts the club up the thumb, 90 folds it in the arm's plane.
    hand_share : float
        Share of the wrist's angles that the back of the hand follows.
    arm_m : float
    lower_s : float or None
        Time of lowering the club to address; None: it stays in the finish.
    rest_s : float
    stop : Abort or None
    """

    mount: Mount
    kind: Kind
    handedness: Handedness
    strokes: tuple[SplineStroke, ...]
    before: tuple[tuple[str, float, float, tuple[float, ...]], ...] = ()
    lead_in_s: float = 0.5
    time_scale: float = 1.0
    strike: bool = False
    blow: Blow | None = None
    bite: float = 0.0
    spine_tilt_deg: float = 36.0
    arm_incline_deg: float = 65.0
    shaft_deg: float = 38.0
    oblique_deg: float = 60.0
    hand_share: float = 0.9
    arm_m: float = 0.62
    lower_s: float | None = 1.3
    rest_s: float = 0.3
    stop: Abort | None = None


def _bump(knots: Floats, weights: tuple[float, ...]) -> BSpline:
    """Cubic B-spline that is zero, with its slope and bend, at the first and the last knot."""
    first, last = knots[1] - knots[0], knots[-1] - knots[-2]
    more = np.arange(1.0, _DEGREE + 1.0)
    whole = np.concatenate((knots[0] - first * more[::-1], knots, knots[-1] + last * more))
    none = np.zeros(_DEGREE)
    return BSpline(whole, np.concatenate((none, np.asarray(weights), none)), _DEGREE)


@dataclass(slots=True)
class _Course:
    """The place of one joint over time, as a sum of moves."""

    moves: list[tuple[BSpline, float, float, float]] = field(default_factory=list)
    losses: list[tuple[float, float, float]] = field(default_factory=list)
    at: float = 0.0

    def move(self, way: float, begin: float, end: float, weights: tuple[float, ...]) -> None:
        """Go by so much between two times."""
        if end - begin < 0.02:
            raise NoSwingError("a joint has no time for its way")
        rate = _bump(np.linspace(begin, end, len(weights) + _DEGREE + 1), weights)
        self._add(rate, way / float(rate.integrate(begin, end)), begin, end)

    def down(
        self, way: float, begin: float, middle: float, end: float, hit: float, w: tuple[float, ...]
    ) -> None:
        """Go by so much until ``hit`` and on to rest at ``end``; ``middle`` parts the knots."""
        if not begin + 0.05 < middle < end - 0.05:
            raise NoSwingError("a joint leaves the top after its greatest rate")
        n = len(w) + _DEGREE + 1
        half = n // 2
        knots = np.concatenate(
            (np.linspace(begin, middle, half, endpoint=False), np.linspace(middle, end, n - half))
        )
        rate = _bump(knots, w)
        part = float(rate.integrate(begin, min(hit, end)))
        if part <= 1e-6:
            raise NoSwingError("a joint does not come down before impact")
        self._add(rate, way / part, begin, end)

    def _add(self, rate: BSpline, scale: float, begin: float, end: float) -> None:
        way = scale * float(rate.integrate(begin, end))
        place = BSpline(rate.t, rate.c * scale, _DEGREE).antiderivative()
        self.moves.append((place, begin, end, way))
        self.at += way

    def rate(self, time_s: float) -> float:
        """Rate at a time."""
        total = 0.0
        for place, begin, end, _ in self.moves:
            if begin < time_s < end:
                total += float(place.derivative()(time_s))
        return total

    def lose(self, time_s: float, rate: float, recover_s: float) -> None:
        """Take a rate away at once; it comes back as a cube."""
        self.losses.append((time_s, rate, recover_s))
        self.at -= rate * recover_s / 4.0

    def place(self, t_s: Floats) -> Floats:
        """Place at all times."""
        out = np.zeros_like(t_s)
        for place, begin, end, way in self.moves:
            i, j = np.searchsorted(t_s, (begin, end))
            out[i:j] += place(t_s[i:j]) - float(place(begin))
            out[j:] += way
        for time_s, rate, recover_s in self.losses:
            u = 1.0 - np.clip((t_s - time_s) / recover_s, 0.0, 1.0)
            out -= rate * recover_s / 4.0 * (1.0 - u**4)
        return out


def _schedule(
    swing: SplineSwing,
) -> tuple[dict[str, _Course], list[tuple[float, float, float]], float]:
    """Courses of all joints, (start, impact, end) of each stroke, and the end of it all."""
    courses = {name: _Course() for name in JOINTS}
    for name, before_s, length_s, shape in swing.before:
        courses[name].moves += _unrest(-before_s, length_s, shape)
    times: list[tuple[float, float, float]] = []
    start = 0.0
    for k, stroke in enumerate(swing.strokes):
        leave = start + stroke.leave_s
        impact = leave + stroke.down_s
        end = impact
        for name in JOINTS:
            joint, course = stroke.joints[name], courses[name]
            arrive = start + stroke.backswing_s + joint.arrive_s
            course.move(joint.top - course.at, start + joint.start_s, arrive, joint.back)
            if swing.stop is not None:
                continue
            middle = impact + joint.peak_s
            last = middle + joint.through_s
            course.down(
                joint.impact - joint.top, leave + joint.leave_s, middle, last, impact, joint.down
            )
            end = max(end, last)
            if swing.bite > 0.0 and k == 0 and joint.loss > 0.0:
                course.lose(impact, swing.bite * joint.loss * course.rate(impact), stroke.recover_s)
                end = max(end, impact + stroke.recover_s)
        if swing.stop is not None:
            return courses, times, _given_up(swing, stroke, swing.stop, courses)
        times.append((start, impact, end))
        start = end + stroke.pause_s
    if swing.lower_s is not None:
        for course in courses.values():
            course.move(-course.at, start, start + swing.lower_s, (1.0, 1.5, 1.5, 1.0))
        start += swing.lower_s
    return courses, times, start


def _given_up(
    swing: SplineSwing, stroke: SplineStroke, stop: Abort, courses: dict[str, _Course]
) -> float:
    """Stop at the top or on the way down, and go back to address; returns the end."""
    now = stroke.backswing_s + max(joint.arrive_s for joint in stroke.joints.values())
    if stop.down_share > 0.0:
        for course in courses.values():
            course.move(-stop.down_share * course.at, now, now + stop.down_s, (0.6, 1.4, 1.4, 0.6))
        now += stop.down_s
    now += stop.stop_s
    for course in courses.values():
        course.move(-course.at, now, now + stop.return_s, (1.0, 1.5, 1.5, 1.0))
    return now + stop.return_s


def _unrest(
    begin: float, length_s: float, shape: tuple[float, ...]
) -> list[tuple[BSpline, float, float, float]]:
    """Place that wanders and comes back: a spline of the place itself."""
    place = _bump(np.linspace(begin, begin + length_s, len(shape) + _DEGREE + 1), shape)
    return [(place, begin, begin + length_s, 0.0)]


_PELVIS_M = np.array([0.0, -0.22, 0.93])
_LEAD_SHOULDER_M = np.array([0.47, -0.19, 0.03])
"""From the pelvis in the trunk's frame: up the spine, to the lead side, forwards."""
_SITE_M: dict[Mount, Floats] = {
    "wrist": np.array([-0.05, 0.0, 0.025]),
    "glove": np.array([0.06, 0.0, 0.02]),
    "club": np.array([0.30, 0.0, 0.02]),
    "trunk": np.array([0.42, 0.0, -0.11]),
}
_X = np.array([1.0, 0.0, 0.0])
_Y = np.array([0.0, 1.0, 0.0])
_Z = np.array([0.0, 0.0, 1.0])


def _site(angles: dict[str, Floats], swing: SplineSwing) -> tuple[Floats, Floats]:
    """Attitude (n, 4) and place (n, 3) of the sensor, right-handed; angles in rad."""
    tilt = swing.spine_tilt_deg * DEG
    spine = np.array([0.0, math.sin(tilt), math.cos(tilt)])
    ahead = np.array([0.0, math.cos(tilt), -math.sin(tilt)])
    # trunk's frame: x up the spine, z forwards, y = z cross x to the trail side
    upright = quat_from_matrix(np.stack((spine, np.cross(ahead, spine), ahead), axis=1))
    turned = quat_multiply(quat_about(spine, -angles["trunk"]), quat_about(ahead, angles["bend"]))
    trunk = quat_multiply(turned, upright)
    pelvis = _PELVIS_M + angles["shift"][:, None] * _X
    if swing.mount == "trunk":
        return trunk, pelvis + quat_rotate(trunk, _SITE_M["trunk"])
    shoulder = pelvis + quat_rotate(trunk, _LEAD_SHOULDER_M)
    # The arm hangs out and down at `arm_incline_deg`; "incline" adds to it, "arm" swings it within
    # the plane that holds it and the target line.
    incline = swing.arm_incline_deg * DEG + angles["incline"]
    tilted = quat_about(_X, -incline)
    # with the arm level and straight ahead: x along it, y to the trail side, z = x cross y, down
    ahead_frame = quat_from_matrix(np.stack((_Y, _X, -_Z), axis=1))
    plane = quat_multiply(tilted, ahead_frame)
    arm = quat_multiply(plane, quat_about(_Z, angles["arm"]))
    forearm = quat_multiply(arm, quat_about(_X, angles["roll"]))
    length = swing.arm_m - angles["reach"]
    wrist = shoulder + length[:, None] * quat_rotate(arm, _X)
    if swing.mount == "wrist":
        return forearm, wrist + quat_rotate(forearm, _SITE_M["wrist"])
    share = swing.hand_share if swing.mount == "glove" else 1.0
    fixed = swing.shaft_deg * DEG * (0.35 if swing.mount == "glove" else 1.0)
    oblique = swing.oblique_deg * DEG
    hinge = np.array([0.0, math.cos(oblique), math.sin(oblique)])
    across = np.array([0.0, -math.sin(oblique), math.cos(oblique)])
    hand = quat_multiply(forearm, quat_about(hinge, share * angles["hinge"]))
    hand = quat_multiply(hand, quat_about(across, share * angles["bow"]))
    hand = quat_multiply(hand, quat_about(_Y, fixed))
    return hand, wrist + quat_rotate(hand, _SITE_M[swing.mount])


def spline_swing(swing: SplineSwing, *, rate_hz: float = 3200.0) -> Action:
    """Make the action of a spline swing.

    Parameters
    ----------
    swing : SplineSwing
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
    courses, times, end = _schedule(swing)
    scale = swing.time_scale
    earliest = max((before_s for _, before_s, _, _ in swing.before), default=0.0)
    before = swing.lead_in_s + scale * earliest
    breaks: tuple[int, ...] = ()
    if swing.bite > 0.0 and times:
        # the blow falls on a grid point
        index = math.ceil((before + scale * times[0][1]) * rate_hz)
        before = index / rate_hz - scale * times[0][1]
        breaks = (index,)
    n = math.ceil((before + scale * end + swing.rest_s) * rate_hz) + 1
    t = (np.arange(n) / rate_hz - before) / scale
    if breaks:
        t[breaks[0]] = times[0][1]
    angles = {
        name: course.place(t) * (1.0 if name in ("shift", "reach") else DEG)
        for name, course in courses.items()
    }
    quat, pos = _site(angles, swing)
    if swing.stop is None:
        spans = [
            SwingSpan(
                back_start_s=before + scale * begin,
                pass_s=breaks[0] / rate_hz if breaks and k == 0 else before + scale * impact,
                through_end_s=before + scale * last,
                blow=bool(breaks) and k == 0,
                strike=swing.strike and k == 0,
                hold_ms=1000.0 * scale * stroke.hold_s,
                kind=swing.kind,
                model="spline",
            )
            for k, (stroke, (begin, impact, last)) in enumerate(
                zip(swing.strokes, times, strict=True)
            )
        ]
    else:
        spans = [
            SwingSpan(
                back_start_s=before,
                pass_s=None,
                through_end_s=before + scale * end,
                blow=False,
                strike=False,
                hold_ms=1000.0 * scale * swing.strokes[0].hold_s,
                kind=swing.kind,
                model="spline",
            )
        ]
    return finish_action(
        quat_wxyz=quat,
        pos_m=pos,
        rate_hz=rate_hz,
        spans=spans,
        handedness=swing.handedness,
        breaks=breaks,
        blow=swing.blow,
    )
