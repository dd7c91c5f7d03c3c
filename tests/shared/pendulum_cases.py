"""What a pendulum's motion is held against: a published table's cases, energies, a closed form."""

from __future__ import annotations

import math

from simulation.motion.action import Action, Handedness, Mount
from simulation.motion.pendulum import (
    DEG,
    Bodies,
    Drive,
    PendulumSwing,
    Stroke,
    mass_matrix,
    pendulum_swing,
)
from simulation.motion.shock import Blow

REFERENCE_CASES: dict[str, Drive] = {
    "base": Drive(),
    "less effort": Drive(torque_n_m=80.0),
    "shorter turn": Drive(gamma_deg=110.0),
    "less wrist set": Drive(beta_0_deg=90.0),
}
"""The four cases of the reference table, by name."""


def kinetic_energy_j(bodies: Bodies, beta: float, alpha_rate: float, beta_rate: float) -> float:
    """Energy of motion in J at a wrist angle (rad) and two rates (rad/s)."""
    a, b, inertia = mass_matrix(bodies, beta)
    return 0.5 * a * alpha_rate**2 + b * alpha_rate * beta_rate + 0.5 * inertia * beta_rate**2


def potential_energy_j(bodies: Bodies, theta: float, phi: float, gravity_m_s2: float) -> float:
    """Energy of place in J, zero where both hang straight down the plane less a constant."""
    arm = bodies.arm_moment_kg_m + bodies.club_mass_kg * bodies.arm_length_m
    return -gravity_m_s2 * (arm * math.cos(theta) + bodies.club_moment_kg_m * math.cos(phi))


def white_release(
    *,
    arm_inertia_kg_m2: float,
    arm_length_m: float,
    head_mass_kg: float,
    club_length_m: float,
    beta_0_deg: float,
    start_rate_rad_s: float,
) -> tuple[float, float, float]:
    """White's closed form: a turning arm and a point head straighten freely.

    Returns
    -------
    head_speed_m_s, arm_rate_rad_s, club_rate_rad_s : float
        When arm and club are in line.

    References
    ----------
    White 2006, Am. J. Phys. 74:1088, doi 10.1119/1.2346688.
    """
    reach = arm_length_m + club_length_m
    square = (
        arm_length_m**2
        + club_length_m**2
        + 2.0 * arm_length_m * club_length_m * math.cos(beta_0_deg * DEG)
    )
    total = arm_inertia_kg_m2 + head_mass_kg * square
    momentum = total * start_rate_rad_s
    energy = total * start_rate_rad_s**2
    # (momentum - m reach v)^2 / I_a + m v^2 = energy, the larger v
    a = head_mass_kg * (head_mass_kg * reach**2 + arm_inertia_kg_m2)
    b = -2.0 * momentum * head_mass_kg * reach
    c = momentum**2 - energy * arm_inertia_kg_m2
    speed = (-b + math.sqrt(b * b - 4.0 * a * c)) / (2.0 * a)
    arm = (momentum - head_mass_kg * reach * speed) / arm_inertia_kg_m2
    return speed, arm, (speed - arm_length_m * arm) / club_length_m


def reference_swing(
    name: str,
    *,
    mount: Mount = "wrist",
    handedness: Handedness = "right",
    rate_hz: float = 3200.0,
    ramp_s: float = 0.03,
    strike: bool = True,
    blow: Blow | None = None,
) -> Action:
    """Make a swing with one of the four downswings of the reference table.

    The torque rises over `ramp_s` instead of in a step, because a real arm's acceleration
    cannot jump at the top; this lengthens each downswing by about half of it and changes the
    rates by less than 0.5 %.

    Parameters
    ----------
    name : str
        A key of `REFERENCE_CASES`.
    mount, handedness, rate_hz, strike, blow
        As in `PendulumSwing`.
    ramp_s : float
        Rise time of the torque.

    Raises
    ------
    KeyError
        When there is no case of that name.
    """
    case = REFERENCE_CASES[name]
    stroke = Stroke(
        torque_n_m=case.torque_n_m,
        gamma_deg=case.gamma_deg,
        beta_0_deg=case.beta_0_deg,
        ramp_s=ramp_s,
    )
    swing = PendulumSwing(
        mount=mount,
        handedness=handedness,
        strokes=(stroke,),
        gravity_m_s2=case.gravity_m_s2,
        strike=strike,
        blow=blow,
    )
    return pendulum_swing(swing, rate_hz=rate_hz)
