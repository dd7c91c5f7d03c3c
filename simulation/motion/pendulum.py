"""Swings of a torque-driven double pendulum in an inclined plane.

The downswing solves the equations of motion of an arm and a club (Jorgensen's form): the arm is
driven by a torque at the shoulder, the wrist is held until the torque needed to hold it crosses
zero, and then runs free. Round it: a jerk-limited controller takes arm and wrist from address to
the top; at the ball the impulse changes both rates as the coupled equations say; the
follow-through brakes both to a finish pose. The forearm may roll about its own long axis, and
the trunk, which the pendulum does not have, follows the arm, smoothed and earlier.

Angles: theta is the arm's angle in the plane from the line shoulder-ball, positive away from
the target; phi the club's; beta = phi - theta the wrist angle; alpha = gamma - theta the way the
arm has gone since the top.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from scipy.integrate import solve_ivp
from scipy.interpolate import CubicSpline, PPoly

from sensor.rotation import (
    quat_about,
    quat_from_matrix,
    quat_multiply,
    quat_rotate,
)
from simulation.motion.action import Abort, Action, Floats, Handedness, Kind, Mount
from simulation.motion.address import STILL, AddressMoves, moves_deg
from simulation.motion.profiles import jerk_limited, jerk_limited_move, rise, smooth
from simulation.motion.shock import Blow
from simulation.motion.site import finish_action
from simulation.motion.truth import NoSwingError, SwingSpan
from words.units import G_N_M_S2

DEG = math.pi / 180.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Bodies:
    """Arm and club; the defaults are the physical set of the reference table."""

    arm_length_m: float = 0.62
    arm_inertia_kg_m2: float = 1.15  # about the shoulder
    arm_mass_kg: float = 7.3
    club_mass_kg: float = 0.394
    club_length_m: float = 1.105
    club_balance: float = 0.75  # centre of mass, as a share of the length
    club_own_inertia_kg_m2: float = 0.045  # about its centre

    @property
    def club_moment_kg_m(self) -> float:
        """First moment of the club about the wrist, S."""
        return self.club_mass_kg * self.club_balance * self.club_length_m

    @property
    def club_inertia_kg_m2(self) -> float:
        """Inertia of the club about the wrist, I."""
        centre = self.club_balance * self.club_length_m
        return self.club_own_inertia_kg_m2 + self.club_mass_kg * centre * centre

    @property
    def arm_moment_kg_m(self) -> float:
        """First moment of the arm about the shoulder, S_A (its centre is at half its length)."""
        return 0.5 * self.arm_mass_kg * self.arm_length_m


@dataclass(frozen=True, slots=True, kw_only=True)
class Drive:
    """What drives one downswing.

    Attributes
    ----------
    torque_n_m : float
        Shoulder torque Q_alpha once it is fully there.
    gamma_deg : float
        The arm's angle at the top.
    beta_0_deg : float
        The wrist angle at the top.
    gravity_m_s2 : float
        Part of gravity that lies in the plane.
    ramp_s : float
        Time over which the torque rises (0: a step, as in the reference table).
    start_acc_rad_s2 : float
        The arm's acceleration towards the ball with which the ramp starts.
    wrist_torque_n_m : float
        Torque with which the player straightens the wrist, for shorter swings, in which the
        free wrist alone would be late; 0: a free wrist, as in the reference table.
    wrist_from_s, wrist_ramp_s : float
        When that torque begins to take over from the held wrist, unless that is free already,
        and how long this takes.
    """

    torque_n_m: float = 100.0
    gamma_deg: float = 135.0
    beta_0_deg: float = 120.0
    gravity_m_s2: float = 9.8
    ramp_s: float = 0.0
    start_acc_rad_s2: float = 0.0
    wrist_torque_n_m: float = 0.0
    wrist_from_s: float = 0.08
    wrist_ramp_s: float = 0.1


def mass_matrix(bodies: Bodies, beta: float) -> tuple[float, float, float]:
    """A, B and I of the equations of motion (kg m2) at a wrist angle (rad)."""
    inertia = bodies.club_inertia_kg_m2
    cross = bodies.arm_length_m * bodies.club_moment_kg_m * math.cos(beta)
    a = (
        bodies.arm_inertia_kg_m2
        + inertia
        + bodies.club_mass_kg * bodies.arm_length_m**2
        + 2.0 * cross
    )
    return a, -(inertia + cross), inertia


def head_speed_m_s(bodies: Bodies, beta: float, alpha_rate: float, beta_rate: float) -> float:
    """Speed of the club head in m/s at a wrist angle (rad) and two rates (rad/s)."""
    r, length = bodies.arm_length_m, bodies.club_length_m
    cos = math.cos(beta)
    square = (
        (r * r + length * length + 2.0 * r * length * cos) * alpha_rate**2
        + length * length * beta_rate**2
        - 2.0 * (length * length + r * length * cos) * alpha_rate * beta_rate
    )
    return math.sqrt(square)


def _smoothstep(s: float) -> float:
    """Minimum-jerk step from 0 to 1."""
    s = min(max(s, 0.0), 1.0)
    return s * s * s * (10.0 - 15.0 * s + 6.0 * s * s)


class Equations:
    """The equations of motion of one downswing, with the shoulder at rest (a = 0)."""

    def __init__(self, bodies: Bodies, drive: Drive) -> None:
        self.bodies = bodies
        self.drive = drive
        self.gamma = drive.gamma_deg * DEG
        self.beta_0 = drive.beta_0_deg * DEG
        self._rs = bodies.arm_length_m * bodies.club_moment_kg_m
        self._arm = bodies.arm_moment_kg_m + bodies.club_mass_kg * bodies.arm_length_m
        self._s = bodies.club_moment_kg_m
        start = 0.0
        if drive.ramp_s > 0.0:
            # the torque that gives the wanted acceleration at the top
            a, _, _ = mass_matrix(bodies, self.beta_0)
            start = a * drive.start_acc_rad_s2 - drive.gravity_m_s2 * (
                self._s * math.sin(self.gamma + self.beta_0) + self._arm * math.sin(self.gamma)
            )
        self._start_torque = start
        self._released_s = 0.0
        self._wrist_start = 0.0

    def torque_n_m(self, time_s: float) -> float:
        """Shoulder torque at a time since the top."""
        full = self.drive.torque_n_m
        ramp = self.drive.ramp_s
        if ramp <= 0.0 or time_s >= ramp:
            return full
        share = _smoothstep(time_s / ramp)
        return self._start_torque + (full - self._start_torque) * share

    def forces(
        self, time_s: float, alpha: float, beta: float, alpha_rate: float, beta_rate: float
    ) -> tuple[float, float]:
        """F, and G without Q_beta, of the equations of motion (N m)."""
        g = self.drive.gravity_m_s2
        theta = self.gamma - alpha
        sin_beta = math.sin(beta)
        club = self._s * g * math.sin(theta + beta)
        f = (
            self.torque_n_m(time_s)
            - (beta_rate**2 - 2.0 * alpha_rate * beta_rate) * self._rs * sin_beta
            + club
            + self._arm * g * math.sin(theta)
        )
        return f, -(alpha_rate**2) * self._rs * sin_beta - club

    def release(self, time_s: float, holding_torque_n_m: float) -> None:
        """Free the wrist, with the torque that held it until then."""
        self._released_s = time_s
        self._wrist_start = holding_torque_n_m

    def wrist_torque_n_m(self, time_s: float) -> float:
        """Torque at the free wrist (Q_beta, negative straightens) at a time since the top."""
        if self.drive.wrist_torque_n_m == 0.0:
            return 0.0
        share = _smoothstep((time_s - self._released_s) / self.drive.wrist_ramp_s)
        return self._wrist_start - (self.drive.wrist_torque_n_m + self._wrist_start) * share

    def accelerations(
        self, time_s: float, alpha: float, beta: float, alpha_rate: float, beta_rate: float
    ) -> tuple[float, float]:
        """alpha'' and beta'' in rad/s2 with a free wrist."""
        f, g = self.forces(time_s, alpha, beta, alpha_rate, beta_rate)
        g += self.wrist_torque_n_m(time_s)
        a, b, inertia = mass_matrix(self.bodies, beta)
        determinant = a * inertia - b * b
        return (inertia * f - b * g) / determinant, (a * g - b * f) / determinant

    def held(self, time_s: float, state: Sequence[float]) -> tuple[float, float]:
        """Rate of change of (alpha, alpha') while the wrist is held."""
        alpha, rate = state
        f, _ = self.forces(time_s, alpha, self.beta_0, rate, 0.0)
        return rate, f / mass_matrix(self.bodies, self.beta_0)[0]

    def holding_torque(self, time_s: float, state: Sequence[float]) -> float:
        """Q_beta in N m that the held wrist needs; negative while it is pushed back."""
        alpha, rate = state
        _, b, _ = mass_matrix(self.bodies, self.beta_0)
        _, g = self.forces(time_s, alpha, self.beta_0, rate, 0.0)
        return b * self.held(time_s, state)[1] - g

    def free(self, time_s: float, state: Sequence[float]) -> tuple[float, float, float, float]:
        """Rate of change of (alpha, beta, alpha', beta') with a free wrist."""
        alpha, beta, alpha_rate, beta_rate = state
        return (
            alpha_rate,
            beta_rate,
            *self.accelerations(time_s, alpha, beta, alpha_rate, beta_rate),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Downswing:
    """A solved downswing; times from the top."""

    equations: Equations
    release_s: float
    duration_s: float
    end: tuple[float, float, float, float]  # alpha, beta, alpha', beta' at phi = 0
    _held: Callable[[Floats], Floats] = field(repr=False)
    _free: Callable[[Floats], Floats] = field(repr=False)

    def state(self, time_s: Floats) -> Floats:
        """alpha, beta, alpha', beta' (4, n) in rad and rad/s at times in [0, duration_s]."""
        time_s = np.asarray(time_s, dtype=float)
        out = np.empty((4, time_s.size))
        early = time_s < self.release_s
        out[1, early] = self.equations.beta_0
        out[3, early] = 0.0
        if early.any():
            out[0:3:2, early] = self._held(time_s[early])
        if not early.all():
            out[:, ~early] = self._free(time_s[~early])
        return out

    def end_accelerations(self, alpha_rate: float, beta_rate: float) -> tuple[float, float]:
        """alpha'' and beta'' just after the end, with rates that a blow may have changed."""
        alpha, beta, _, _ = self.end
        return self.equations.accelerations(self.duration_s, alpha, beta, alpha_rate, beta_rate)

    @property
    def head_speed_m_s(self) -> float:
        """Speed of the club head at the end."""
        _, beta, alpha_rate, beta_rate = self.end
        return head_speed_m_s(self.equations.bodies, beta, alpha_rate, beta_rate)


_solve: Any = solve_ivp  # its typed overloads do not take plain Python functions


def solve_downswing(drive: Drive, *, bodies: Bodies | None = None, rtol: float = 1e-9) -> Downswing:
    """Solve a downswing from rest at the top to phi = 0.

    Parameters
    ----------
    drive : Drive
    bodies : Bodies, optional
    rtol : float
        Relative tolerance of the solver (DOP853); the absolute one is the same.

    Returns
    -------
    Downswing

    Raises
    ------
    NoSwingError
        When the wrist is never released or the club does not come down within 3 s.
    """
    equations = Equations(bodies or Bodies(), drive)

    def released(time_s: float, state: Sequence[float]) -> float:
        return equations.holding_torque(time_s, state)

    # upward only: with a small turn the torque may start above zero, before the arm pushes
    released.terminal = True  # type: ignore[attr-defined]
    released.direction = 1.0  # type: ignore[attr-defined]
    options = {"method": "DOP853", "rtol": rtol, "atol": rtol, "dense_output": True}
    active = drive.wrist_torque_n_m > 0.0
    longest = drive.wrist_from_s if active else 3.0
    held = _solve(equations.held, (0.0, longest), (0.0, 0.0), events=released, **options)
    if held.t_events[0].size:
        release_s = float(held.t_events[0][0])
        alpha, rate = (float(v) for v in held.y_events[0][0])
    elif active:
        release_s = longest
        alpha, rate = (float(v) for v in held.y[:, -1])
    else:
        raise NoSwingError("the wrist is never released; use more torque or more wrist angle")
    equations.release(release_s, equations.holding_torque(release_s, (alpha, rate)))

    def level(time_s: float, state: Sequence[float]) -> float:
        return equations.gamma - state[0] + state[1]

    level.terminal = True  # type: ignore[attr-defined]
    level.direction = -1.0  # type: ignore[attr-defined]
    free = _solve(
        equations.free,
        (release_s, release_s + 3.0),
        (alpha, equations.beta_0, rate, 0.0),
        events=level,
        **options,
    )
    if free.t_events[0].size == 0:
        raise NoSwingError("the club does not reach the ball within 3 s; use more torque")
    a, b, ar, br = (float(v) for v in free.y_events[0][0])
    return Downswing(
        equations=equations,
        release_s=release_s,
        duration_s=float(free.t_events[0][0]),
        end=(a, b, ar, br),
        _held=held.sol,
        _free=free.sol,
    )


def wrist_torque_for(drive: Drive, *, end_angle_deg: float, bodies: Bodies | None = None) -> float:
    """Wrist torque in N m with which the arm is this far beyond the address pose at the ball.

    Parameters
    ----------
    drive : Drive
        Its own wrist torque plays no part.
    end_angle_deg : float
        Wrist angle, and so the arm's angle beyond address, at phi = 0.
    bodies : Bodies, optional

    Returns
    -------
    float
        Within 0.5 N m; at least 0.5 and at most 80 where no torque gives the angle.
    """
    low, high = 0.5, 80.0
    while high - low > 0.5:
        middle = 0.5 * (low + high)
        trial = replace(drive, wrist_torque_n_m=middle)
        if solve_downswing(trial, bodies=bodies, rtol=1e-4).end[1] > end_angle_deg * DEG:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


class Guided:
    """A downswing of a given length guided by the hands: arm and wrist arrive together.

    Both follow a fifth-order polynomial that starts at rest with the acceleration of the end of
    the backswing and passes the ball with no acceleration, at the rate of a quarter of a cosine.
    """

    def __init__(
        self, *, duration_s: float, gamma: float, beta_0: float, start_acc_rad_s2: float
    ) -> None:
        self.duration_s = duration_s
        self._gamma = gamma
        self._beta_0 = beta_0
        # share of the way to go: 1 at the top, 0 at the ball
        rate = -0.5 * math.pi / duration_s
        self._arm = _quintic(1.0, 0.0, -start_acc_rad_s2 / gamma, 0.0, rate, 0.0, duration_s)
        self._wrist = _quintic(1.0, 0.0, 0.0, 0.0, rate, 0.0, duration_s)
        self.end = (gamma, 0.0, -gamma * rate, beta_0 * rate)

    def state(self, time_s: Floats) -> Floats:
        """alpha, beta, alpha', beta' (4, n), as of a `Downswing`."""
        return np.stack(
            (
                self._gamma * (1.0 - self._arm(time_s)),
                self._beta_0 * self._wrist(time_s),
                -self._gamma * self._arm.deriv()(time_s),
                self._beta_0 * self._wrist.deriv()(time_s),
            )
        )

    def end_accelerations(self, alpha_rate: float, beta_rate: float) -> tuple[float, float]:
        """alpha'' and beta'' just after the ball: none."""
        return 0.0, 0.0


def _quintic(
    x0: float, v0: float, a0: float, x1: float, v1: float, a1: float, duration_s: float
) -> np.polynomial.Polynomial:
    """Polynomial over [0, duration_s] with place, rate and acceleration at both ends."""
    h = duration_s
    low = np.array([x0, v0, 0.5 * a0])
    gap = np.array(
        [
            x1 - (low[0] + low[1] * h + low[2] * h * h),
            (v1 - (low[1] + 2.0 * low[2] * h)) * h,
            (a1 - 2.0 * low[2]) * h * h,
        ]
    )
    high = np.linalg.solve(np.array([[1, 1, 1], [3, 4, 5], [6, 12, 20]], dtype=float), gap)
    return np.polynomial.Polynomial(np.concatenate((low, high / h ** np.arange(3, 6))))


def strike_ball(
    bodies: Bodies,
    beta: float,
    alpha_rate: float,
    beta_rate: float,
    *,
    ball_mass_kg: float = 0.046,
    restitution: float = 0.8,
) -> tuple[float, float]:
    """Rates of arm and wrist just after the head has struck a ball at rest.

    An impulse at the head along its line of flight, shared by arm and club as the mass matrix
    says. Ball 46 g (its greatest weight by the rules is 45.93 g, from memory); restitution 0.8
    (from memory).

    Returns
    -------
    alpha_rate, beta_rate : float
        rad/s.
    """
    a, b, inertia = mass_matrix(bodies, beta)
    determinant = a * inertia - b * b
    # the head's speed across the club, as a linear function of the two rates
    ja = bodies.arm_length_m * math.cos(beta) + bodies.club_length_m
    jb = -bodies.club_length_m
    speed = ja * alpha_rate + jb * beta_rate
    ua = (inertia * ja - b * jb) / determinant
    ub = (a * jb - b * ja) / determinant
    yielding = ja * ua + jb * ub  # one over the mass that the ball meets
    impulse = (1.0 + restitution) * speed / (yielding + 1.0 / ball_mass_kg)
    return alpha_rate - impulse * ua, beta_rate - impulse * ub


@dataclass(frozen=True, slots=True, kw_only=True)
class Stroke:
    """One backswing, downswing and follow-through. Times are at full speed.

    Attributes
    ----------
    torque_n_m, gamma_deg, beta_0_deg, ramp_s : float
        As in `Drive`.
    backswing_s : float
        From the start of the backswing to the arm's top.
    push_share, brake_from_share : float
        Where in the backswing the arm is driven and where it brakes.
    wrist_from_share, wrist_to_share : float
        Part of the backswing in which the wrist is set.
    hold_s : float
        Pause at the top.
    wrist_torque_n_m, wrist_from_s : float
        As in `Drive`.
    roll_top_deg, roll_through_deg : float
        Roll of the forearm about its long axis at the top, and the opposite roll after impact.
    through_s : float
        From impact to rest in the finish pose.
    arm_through_deg, club_through_deg : float
        How far arm and club go on from impact (as nearly as a smooth braking allows).
    pause_s : float
        Rest in the finish pose.
    controlled_s : float or None
        None: the torques make the downswing. Otherwise the hands guide it, as in a putt, and
        it takes this long; the torques play no part.
    """

    torque_n_m: float = 100.0
    gamma_deg: float = 135.0
    beta_0_deg: float = 120.0
    ramp_s: float = 0.03
    backswing_s: float = 0.85
    push_share: float = 0.5
    brake_from_share: float = 0.5
    wrist_from_share: float = 0.15
    wrist_to_share: float = 0.95
    hold_s: float = 0.0
    wrist_torque_n_m: float = 0.0
    wrist_from_s: float = 0.08
    roll_top_deg: float = 0.0
    roll_through_deg: float = 0.0
    through_s: float = 0.55
    arm_through_deg: float = 85.0
    club_through_deg: float = 230.0
    pause_s: float = 0.4
    controlled_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PendulumSwing:
    """Everything that makes one pendulum action (several strokes: continuous rehearsals).

    Attributes
    ----------
    mount : str
    kind : str
    handedness : str
    strokes : tuple of Stroke
    address : AddressMoves
    lead_in_s : float
        Rest before the first move at address.
    plane_deg : float
        Inclination of the swing plane from the horizontal.
    gravity_m_s2 : float or None
        Gravity in the plane; None: standard gravity times the sine of the plane's inclination.
    time_scale : float
        1: full speed. A slow-motion rehearsal is the same motion stretched by this factor.
    strike : bool
        A ball is struck: both rates change by the impulse.
    blow : Blow or None
        What the sensor feels at a strike or of a brushed mat (then `mat_loss` of the rates).
    mat_loss : float
        Share of the club's rate that a brushed mat takes; the arm loses a third of that share.
    hand_share : float
        Share of the wrist's hinging that the back of the hand follows (the rest is in the
        fingers).
    hand_angle_deg : float
        Angle between the hand's long axis and the shaft.
    shaft_roll_share : float
        The shaft's roll about itself as a share of the forearm's.
    trunk_share, trunk_lead_s, trunk_smooth_s : float
        The trunk turns this share of the arm's way, this much earlier at the top, smoothed
        with a kernel of this half width.
    spine_tilt_deg : float
        Forward tilt of the spine.
    lower_s : float or None
        Time of lowering the club from the finish to address; None: stays in the finish.
    rest_s : float
        Rest at the end.
    abort : Abort or None
    """

    mount: Mount = "wrist"
    kind: Kind = "full"
    handedness: Handedness = "right"
    strokes: tuple[Stroke, ...] = (Stroke(),)
    address: AddressMoves = STILL
    lead_in_s: float = 0.5
    plane_deg: float = 55.0
    gravity_m_s2: float | None = None
    time_scale: float = 1.0
    strike: bool = False
    blow: Blow | None = None
    mat_loss: float = 0.0
    hand_share: float = 0.9
    hand_angle_deg: float = -30.0
    shaft_roll_share: float = 1.0
    trunk_share: float = 0.55
    trunk_lead_s: float = 0.05
    trunk_smooth_s: float = 0.07
    spine_tilt_deg: float = 35.0
    lower_s: float | None = 1.3
    rest_s: float = 0.3
    abort: Abort | None = None
    bodies: Bodies = Bodies()


_HUB_M = np.array([0.0, 0.0, 1.40])
_PELVIS_M = np.array([0.0, -0.25, 0.95])
_SITE_M: dict[Mount, Floats] = {
    # from the joint above it, in the segment's frame
    "wrist": np.array([0.56, 0.0, 0.03]),
    "glove": np.array([0.05, 0.0, 0.02]),
    "club": np.array([0.32, 0.0, 0.02]),
    "trunk": np.array([0.45, 0.0, -0.10]),
}


def _braking(t_s: Floats, *, rate: float, acc: float, duration_s: float, way: float) -> Floats:
    """Way gone while a rate brakes smoothly to zero, starting with this rate and acceleration.

    The rate is (1 - s)^n (rate + c t) with s = t / duration; n is chosen so that the whole way
    comes as near to `way` as it can without turning back. t_s is clipped to the duration.
    """
    n = np.linspace(2.2, 14.0, 237)
    c = acc + n * rate / duration_s
    whole = rate * duration_s / (n + 1.0) + c * duration_s**2 / ((n + 1.0) * (n + 2.0))
    forward = c >= -rate / duration_s
    if not forward.any():
        raise NoSwingError("the follow-through would turn back; give it more time")
    k = int(np.argmin(np.where(forward, np.abs(whole - way), np.inf)))
    u = 1.0 - np.clip(t_s / duration_s, 0.0, 1.0)
    n_k, c_k = float(n[k]), float(c[k])
    # integral of u^n (rate + c T (1 - u)) T du from u to 1
    base = (rate + c_k * duration_s) * (1.0 - u ** (n_k + 1.0)) / (n_k + 1.0)
    extra = c_k * duration_s * (1.0 - u ** (n_k + 2.0)) / (n_k + 2.0)
    return np.asarray(duration_s * (base - extra))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Planned:
    """One stroke, solved; times from the start of the first backswing, at full speed."""

    stroke: Stroke
    start_s: float
    pose: tuple[float, float, float]  # theta, phi, roll at the start, rad
    back: PPoly  # way of the arm, rad
    down: Downswing | Guided
    rates: tuple[float, float]  # arm and club towards the target just after impact, rad/s
    accs: tuple[float, float]
    through: tuple[float, float, float]  # theta, phi, roll in the finish pose

    @property
    def down_start_s(self) -> float:
        return self.start_s + self.stroke.backswing_s + self.stroke.hold_s

    @property
    def pass_s(self) -> float:
        return self.down_start_s + self.down.duration_s

    @property
    def finish_s(self) -> float:
        return self.pass_s + self.stroke.through_s


def _backswing(stroke: Stroke, theta: float, *, soft_end: bool) -> PPoly:
    """Way of the arm from its angle `theta` at the start to the top."""
    return jerk_limited(
        duration_s=stroke.backswing_s,
        distance=stroke.gamma_deg * DEG - theta,
        push_share=stroke.push_share,
        brake_from_share=stroke.brake_from_share,
        soft_end=soft_end,
    )


def _plan(
    stroke: Stroke,
    swing: PendulumSwing,
    *,
    start_s: float,
    pose: tuple[float, float, float],
    gravity_m_s2: float,
) -> _Planned:
    pause = stroke.hold_s > 0.0
    back = _backswing(stroke, pose[0], soft_end=pause)
    # the downswing takes over with the acceleration with which the backswing ends
    start_acc = 0.0 if pause else -float(back.derivative(2)(stroke.backswing_s))
    gamma, beta_0 = stroke.gamma_deg * DEG, stroke.beta_0_deg * DEG
    down: Downswing | Guided
    if stroke.controlled_s is not None:
        down = Guided(
            duration_s=stroke.controlled_s, gamma=gamma, beta_0=beta_0, start_acc_rad_s2=start_acc
        )
    else:
        drive = Drive(
            torque_n_m=stroke.torque_n_m,
            gamma_deg=stroke.gamma_deg,
            beta_0_deg=stroke.beta_0_deg,
            gravity_m_s2=gravity_m_s2,
            ramp_s=stroke.ramp_s,
            wrist_torque_n_m=stroke.wrist_torque_n_m,
            wrist_from_s=stroke.wrist_from_s,
            start_acc_rad_s2=start_acc,
        )
        down = solve_downswing(drive, bodies=swing.bodies)
    alpha, beta, alpha_rate, beta_rate = down.end
    if swing.strike:
        alpha_rate, beta_rate = strike_ball(swing.bodies, beta, alpha_rate, beta_rate)
    elif swing.mat_loss > 0.0:
        club = (alpha_rate - beta_rate) * (1.0 - swing.mat_loss)
        alpha_rate *= 1.0 - swing.mat_loss / 3.0
        beta_rate = alpha_rate - club
    acc, beta_acc = down.end_accelerations(alpha_rate, beta_rate)
    rates = (alpha_rate, alpha_rate - beta_rate)
    accs = (acc, acc - beta_acc)
    end = np.array([stroke.through_s])
    ways = [
        float(_braking(end, rate=r, acc=a, duration_s=stroke.through_s, way=w * DEG)[0])
        for r, a, w in zip(
            rates, accs, (stroke.arm_through_deg, stroke.club_through_deg), strict=True
        )
    ]
    theta = stroke.gamma_deg * DEG - alpha
    return _Planned(
        stroke=stroke,
        start_s=start_s,
        pose=pose,
        back=back,
        down=down,
        rates=rates,
        accs=accs,
        through=(theta - ways[0], -ways[1], -stroke.roll_through_deg * DEG),
    )


def _fill(joints: Floats, t: Floats, plan: _Planned) -> None:
    """Write theta, phi and roll (3, n) from the start of a stroke on."""
    stroke = plan.stroke
    theta_0, phi_0, roll_0 = plan.pose
    gamma, beta_0 = stroke.gamma_deg * DEG, stroke.beta_0_deg * DEG

    a, b = np.searchsorted(t, (plan.start_s, plan.down_start_s))
    theta = theta_0 + jerk_limited_move(t[a:b], plan.start_s, plan.back)
    wrist_share = stroke.wrist_to_share - stroke.wrist_from_share
    set_share = rise(
        t[a:b],
        plan.start_s + stroke.wrist_from_share * stroke.backswing_s,
        wrist_share * stroke.backswing_s,
    )
    joints[0, a:b] = theta
    joints[1, a:b] = theta + (phi_0 - theta_0) + (beta_0 - (phi_0 - theta_0)) * set_share

    c = int(np.searchsorted(t, plan.pass_s))
    state = plan.down.state(np.minimum(t[b:c] - plan.down_start_s, plan.down.duration_s))
    joints[0, b:c] = gamma - state[0]
    joints[1, b:c] = joints[0, b:c] + state[1]

    since = t[c:] - plan.pass_s
    at_pass = (gamma - plan.down.end[0], 0.0)
    targets = (stroke.arm_through_deg, stroke.club_through_deg)
    for k in (0, 1):
        joints[k, c:] = at_pass[k] - _braking(
            since,
            rate=plan.rates[k],
            acc=plan.accs[k],
            duration_s=stroke.through_s,
            way=targets[k] * DEG,
        )

    # the roll back begins after a third of the downswing and is halfway at impact
    half = 0.65 * plan.down.duration_s
    top = stroke.roll_top_deg * DEG
    joints[2, a:] = (
        roll_0
        + (top - roll_0) * rise(t[a:], plan.start_s, stroke.backswing_s)
        + (plan.through[2] - top) * rise(t[a:], plan.pass_s - half, 2.0 * half)
    )


def _fill_aborted(joints: Floats, t: Floats, stroke: Stroke, abort: Abort) -> float:
    """Write theta, phi and roll (3, n) of a stopped swing; returns when it is back at rest."""
    back = _backswing(stroke, 0.0, soft_end=True)
    wrist_share = stroke.wrist_to_share - stroke.wrist_from_share
    set_share = rise(
        t,
        stroke.wrist_from_share * stroke.backswing_s,
        wrist_share * stroke.backswing_s,
    )
    down_start = stroke.backswing_s + stroke.hold_s
    down_s = abort.down_s if abort.down_share > 0.0 else 0.0
    back_start = down_start + down_s + abort.stop_s
    # the arm comes down by its share, the wrist keeps more of its angle
    kept = np.array([1.0, 1.0, 1.0])[:, None] * np.ones_like(t)
    if down_s > 0.0:
        gone = abort.down_share * rise(t, down_start, down_s)
        kept = 1.0 - np.array([1.0, 0.4, 0.8])[:, None] * gone
    kept = kept * (1.0 - rise(t, back_start, abort.return_s))
    joints[0] = jerk_limited_move(t, 0.0, back) * kept[0]
    joints[1] = joints[0] + stroke.beta_0_deg * DEG * set_share * kept[1]
    joints[2] = stroke.roll_top_deg * DEG * rise(t, 0.0, stroke.backswing_s) * kept[2]
    return back_start + abort.return_s


def _site(
    joints: Floats, t: Floats, swing: PendulumSwing, plans: Sequence[_Planned]
) -> tuple[Floats, Floats]:
    """Attitude (n, 4) and place (n, 3) of the sensor, right-handed."""
    theta, phi, roll = joints
    plane = swing.plane_deg * DEG
    down = np.array([0.0, math.cos(plane), -math.sin(plane)])
    away = np.array([1.0, 0.0, 0.0])
    normal = np.cross(down, away)
    base = quat_from_matrix(np.stack((down, away, normal), axis=1))

    def in_plane(angle: Floats) -> Floats:
        return quat_multiply(base, quat_about((0.0, 0.0, 1.0), angle))

    site = _SITE_M[swing.mount]
    if swing.mount == "trunk":
        tilt = swing.spine_tilt_deg * DEG
        spine = np.array([0.0, math.sin(tilt), math.cos(tilt)])
        forward = np.array([0.0, math.cos(tilt), -math.sin(tilt)])
        upright = quat_from_matrix(np.stack((spine, np.cross(forward, spine), forward), axis=1))
        turn = -_trunk_angle(theta, t, swing, plans)
        quat = quat_multiply(quat_about(spine, turn), upright)
        return quat, _PELVIS_M + quat_rotate(quat, site)
    if swing.mount == "wrist":
        quat = quat_multiply(in_plane(theta), quat_about((1.0, 0.0, 0.0), roll))
        return quat, _HUB_M + quat_rotate(quat, site)

    wrist = _HUB_M + swing.bodies.arm_length_m * (
        np.cos(theta)[:, None] * down + np.sin(theta)[:, None] * away
    )
    if swing.mount == "glove":
        hand = theta + swing.hand_share * (phi - theta)
        quat = quat_multiply(in_plane(hand), quat_about((1.0, 0.0, 0.0), roll))
        quat = quat_multiply(quat, quat_about((0.0, 0.0, 1.0), swing.hand_angle_deg * DEG))
    else:
        quat = quat_multiply(
            in_plane(phi), quat_about((1.0, 0.0, 0.0), swing.shaft_roll_share * roll)
        )
    return quat, wrist + quat_rotate(quat, site)


def _trunk_angle(
    theta: Floats, t: Floats, swing: PendulumSwing, plans: Sequence[_Planned]
) -> Floats:
    """Turn of the trunk (n,) in rad: the arm's, smoothed, smaller, and earlier at the top.

    At the start of a backswing it is as late as the smoothing is wide, so trunk and arm start
    together; by the top it is `trunk_lead_s` early.
    """
    step = float(t[1] - t[0])
    width = swing.trunk_smooth_s
    even = smooth(theta, half_width=width / step)
    lead = np.full_like(t, -width)
    for plan in plans:
        early = rise(t, plan.start_s, plan.stroke.backswing_s)
        late = rise(t, plan.pass_s, plan.stroke.through_s)
        lead += (swing.trunk_lead_s + width) * (early - late)
    return np.asarray(swing.trunk_share * CubicSpline(t, even)(np.clip(t + lead, t[0], t[-1])))


def pendulum_swing(swing: PendulumSwing, *, rate_hz: float = 3200.0) -> Action:
    """Make the action of a pendulum swing.

    Parameters
    ----------
    swing : PendulumSwing
    rate_hz : float
        Rate of the grid.

    Returns
    -------
    Action

    Raises
    ------
    NoSwingError
        When the parameters give no swing (for example too little torque).
    """
    gravity = swing.gravity_m_s2
    if gravity is None:
        gravity = G_N_M_S2 * math.sin(swing.plane_deg * DEG)
    plans: list[_Planned] = []
    start, pose = 0.0, (0.0, 0.0, 0.0)
    if swing.abort is None:
        for stroke in swing.strokes:
            plan = _plan(stroke, swing, start_s=start, pose=pose, gravity_m_s2=gravity)
            plans.append(plan)
            start, pose = plan.finish_s + stroke.pause_s, plan.through
        end = start + (swing.lower_s or 0.0)
    else:
        only, abort = swing.strokes[0], swing.abort
        end = only.backswing_s + only.hold_s + abort.stop_s + abort.return_s
        end += abort.down_s if abort.down_share > 0.0 else 0.0

    scale = swing.time_scale
    before = swing.lead_in_s - swing.address.earliest_s * scale
    breaks: tuple[int, ...] = ()
    if (swing.strike or swing.mat_loss > 0.0) and plans:
        # the blow falls on a grid point
        index = math.ceil((before + scale * plans[0].pass_s) * rate_hz)
        before = index / rate_hz - scale * plans[0].pass_s
        breaks = (index,)
    n = math.ceil((before + scale * end + swing.rest_s) * rate_hz) + 1
    t = (np.arange(n) / rate_hz - before) / scale
    if breaks:
        t[breaks[0]] = plans[0].pass_s

    joints = np.zeros((3, n))
    if swing.abort is None:
        for plan in plans:
            _fill(joints, t, plan)
        if swing.lower_s is not None:
            joints *= 1.0 - rise(t, start, swing.lower_s)
    else:
        _fill_aborted(joints, t, swing.strokes[0], swing.abort)
    arm = np.asarray(moves_deg(t, swing.address.arm)) * DEG
    joints[0] += arm
    joints[1] += arm + np.asarray(moves_deg(t, swing.address.wrist)) * DEG
    joints[2] += np.asarray(moves_deg(t, swing.address.roll)) * DEG

    quat, pos = _site(joints, t, swing, plans)
    spans = [
        SwingSpan(
            back_start_s=before + scale * plan.start_s,
            pass_s=breaks[0] / rate_hz if breaks else before + scale * plan.pass_s,
            through_end_s=before + scale * plan.finish_s,
            blow=bool(breaks),
            strike=swing.strike,
            hold_ms=1000.0 * scale * plan.stroke.hold_s,
            kind=swing.kind,
            model="pendulum",
        )
        for plan in plans
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
                model="pendulum",
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
