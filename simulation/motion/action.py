"""What a simulated movement is made of: the motion on a fine grid, its shocks, and the truth.

World frame, right-handed: z up, y the way the player faces (the ball lies at +y from the toes),
x to the player's right. The target of a right-handed player is therefore at -x, that of a
left-handed player at +x; a left-handed movement is the mirror image in x of a right-handed one.

Segment frames ("wrist" for the forearm, "glove", "club", "trunk"): x along the segment's long
axis, pointing distally (elbow to wrist, grip to head; trunk: upwards).
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

Mount = Literal["wrist", "glove", "club", "trunk"]
Handedness = Literal["right", "left"]
Model = Literal["pendulum", "chain", "spline"]
Kind = Literal["full", "part", "rushed", "slow", "continuous", "aborted", "short", "brushed"]
ImpactBasis = Literal["shock", "least_turn"]

MOUNTS: tuple[Mount, ...] = ("wrist", "glove", "club", "trunk")
MODELS: tuple[Model, ...] = ("pendulum", "chain")
KINDS: tuple[Kind, ...] = (
    "full",
    "part",
    "rushed",
    "slow",
    "continuous",
    "aborted",
    "short",
    "brushed",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Shock:
    """A blow that the sensor feels, in the frame of the segment that carries it.

    Attributes
    ----------
    index : int
        Grid index of the onset.
    kind : str
        "ball", "mat", "hand", ...
    rate_dps : Floats
        (3,) amplitude of the ringing of the angular velocity, deg/s.
    acc_m_s2 : Floats
        (3,) amplitude of the ringing of the specific force, m/s2.
    ring_hz : float
        Frequency of the ringing.
    decay_s : float
        Time in which the ringing falls to 1/e.
    contact_s : float
        How long the blow itself lasts (ball: 0.5 ms, from memory).
    velocity_step_m_s : Floats
        (3,) jump of the sensor site's velocity at `index`, which a derivative taken piece by
        piece leaves out; it is given back as a pulse of this area over `contact_s`.
    """

    index: int
    kind: str
    rate_dps: Floats
    acc_m_s2: Floats
    ring_hz: float
    decay_s: float
    contact_s: float = 0.0005
    velocity_step_m_s: Floats | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SwingTruth:
    """The true events and measures of one swing, from its noise-free motion.

    Times are seconds from the first grid point of the action. What does not exist (the impact
    of an aborted swing) is None.

    Attributes
    ----------
    takeaway_s, top_s, impact_s, finish_s : float
        The events.
    impact_basis : str
        "shock" (ball, or mat: the onset) or "least_turn"; None without an impact.
    strike : bool
        A ball was struck.
    kind, model : str
        As drawn.
    counts_as_swing : bool
        False for an aborted swing and for a short stroke (less than 30 deg of turn).
    turn_deg : float
        Greatest turn, at the top.
    peak_rate_dps, peak_transverse_dps : float
        Greatest size of the rate between top and impact, and of its part across the long axis.
    peak_to_impact_ms : float
        Positive when the peak comes before the impact.
    top_dwell_ms : float
        Time within 2 deg of the greatest turn, from `dwell_start_s` to `dwell_end_s`.
    hold_ms : float
        Deliberate pause at the top that was asked for.
    hold_start_s, hold_end_s : float
        The segment stands still between these (None without a pause). The top is their middle.
    pause_ms : float
        How long, about the top, the rate is under 3 deg/s; 0 where it never is.
    transition_ms : float
        From the top until a tenth of the turn has come back (None where it doesn't).
    least_turn_s : float
        When the turn is least after the top, whether or not that is the impact.
    least_start_s, least_end_s : float
        The turn is within 2 deg of its least between these: how sharp that instant is. Between
        continuous rehearsals, which go back to where they started, it is not sharp at all.
    impact_turn_deg : float
        Turn at the impact.
    pass_s : float
        When the model passes the ball's place: by its own schedule, not by a definition.
    backswing_peak_dps : float
        Greatest rate between the start of the backswing and the top.
    takeaway_spread_s : float
        How far the takeaway moves when its two levels are 15 % lower or higher: says how well
        the rule is conditioned on this motion.
    """

    takeaway_s: float
    top_s: float
    impact_s: float | None
    finish_s: float | None
    impact_basis: ImpactBasis | None
    strike: bool
    kind: Kind
    model: Model
    counts_as_swing: bool
    turn_deg: float
    peak_rate_dps: float | None
    peak_transverse_dps: float | None
    peak_to_impact_ms: float | None
    top_dwell_ms: float
    dwell_start_s: float
    dwell_end_s: float
    hold_ms: float
    hold_start_s: float | None
    hold_end_s: float | None
    least_turn_s: float | None
    least_start_s: float | None
    least_end_s: float | None
    impact_turn_deg: float | None
    pass_s: float | None
    backswing_peak_dps: float
    takeaway_spread_s: float
    pause_ms: float | None = None
    transition_ms: float | None = None

    def shifted(self, offset_s: float) -> SwingTruth:
        """Return the same truth with every time later by `offset_s` seconds."""
        changed = {
            field.name: getattr(self, field.name) + offset_s
            for field in fields(self)
            if field.name.endswith("_s")
            and field.name != "takeaway_spread_s"
            and getattr(self, field.name) is not None
        }
        return replace(self, **changed)


@dataclass(frozen=True, slots=True, kw_only=True)
class Action:
    """One movement of the segment that carries the sensor, from rest to rest.

    Attributes
    ----------
    rate_hz : float
        Rate of the grid, a whole multiple of the sensor's rate.
    quat_wxyz : Floats
        (n, 4) unit quaternions, segment to world, continuous in sign.
    pos_m : Floats
        (n, 3) place of the sensor in the world.
    breaks : tuple of int
        Grid indices at which the velocity jumps (position and attitude do not).
        Everywhere else the motion has a continuous second derivative.
    name : str
        "swing", "walk", ...
    swings : tuple of SwingTruth
        The swings in it, in order; empty for a movement that is not a swing.
    shocks : tuple of Shock
        Added by the session simulator.
    """

    rate_hz: float
    quat_wxyz: Floats
    pos_m: Floats
    name: str
    breaks: tuple[int, ...] = ()
    swings: tuple[SwingTruth, ...] = ()
    shocks: tuple[Shock, ...] = ()

    @property
    def duration_s(self) -> float:
        """Time from the first grid point to the last."""
        return (len(self.quat_wxyz) - 1) / self.rate_hz


def shock_signal(shock: Shock, *, rate_hz: float, n: int) -> tuple[Floats, Floats]:
    """What a shock adds to the two sensors on a grid.

    Nothing before the onset. The ringing of the specific force rises over the contact time as
    a quarter sine and then rings down as a damped cosine; that of the rate, its integral in
    shape, as a damped sine. The jump of velocity is a half-sine-squared pulse over the contact
    time, averaged over each grid step so that its area is exact even on a coarse grid.

    Parameters
    ----------
    shock : Shock
    rate_hz : float
        Rate of the grid.
    n : int
        Number of grid points.

    Returns
    -------
    rate_dps, acc_m_s2 : Floats
        (n, 3) each.
    """
    rate_dps = np.zeros((n, 3))
    acc_m_s2 = np.zeros((n, 3))
    length = max(12.0 * shock.decay_s, 2.0 * shock.contact_s + 2.0 / rate_hz)
    stop = min(n, shock.index + int(np.ceil(length * rate_hz)) + 1)
    t = (np.arange(shock.index, stop) - shock.index) / rate_hz
    if t.size == 0:
        return rate_dps, acc_m_s2
    contact = max(shock.contact_s, 1e-9)
    after = np.maximum(t - contact, 0.0)
    ring = 2.0 * np.pi * shock.ring_hz
    rise = np.sin(0.5 * np.pi * np.minimum(t / contact, 1.0))
    cosine = rise * np.exp(-after / shock.decay_s) * np.cos(ring * after)
    sine = np.exp(-t / shock.decay_s) * np.sin(ring * t)
    acc_m_s2[shock.index : stop] = cosine[:, None] * shock.acc_m_s2
    rate_dps[shock.index : stop] = sine[:, None] * shock.rate_dps
    if shock.velocity_step_m_s is not None:
        # share of the step done by the time t: integral of a half-sine-squared pulse
        edges = np.concatenate((t, t[-1:] + 1.0 / rate_hz)) / contact
        s = np.clip(edges, 0.0, 1.0)
        done = s - np.sin(2.0 * np.pi * s) / (2.0 * np.pi)
        acc_m_s2[shock.index : stop] += np.diff(done)[:, None] * (rate_hz * shock.velocity_step_m_s)
    return rate_dps, acc_m_s2


@dataclass(frozen=True, slots=True, kw_only=True)
class Abort:
    """A swing that is stopped: where, and how it goes back to address.

    Attributes
    ----------
    down_share : float
        0: stopped at the top. Otherwise the share of the way down at which it is stopped.
    down_s : float
        Time from the top to that place.
    stop_s : float
        How long it stays there.
    return_s : float
        Time of the slow way back to address.
    """

    down_share: float = 0.0
    down_s: float = 0.35
    stop_s: float = 0.3
    return_s: float = 1.5
