"""A player: swings that are alike, and what a ball changes about them."""

from __future__ import annotations

import copy
from dataclasses import dataclass, replace

import numpy as np

from simulation.motion.action import Action, Handedness, Kind, Model, Mount
from simulation.motion.chain import ChainSwing, chain_swing
from simulation.motion.draw import (
    acceptable,
    draw_address,
    draw_chain,
    draw_pendulum,
    random_swing,
)
from simulation.motion.pendulum import PendulumSwing, pendulum_swing
from simulation.motion.shock import draw_blow
from simulation.motion.truth import NoSwingError

_TRIES = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class Habit:
    """What a player does with a ball, against without, and how much swings scatter."""

    strike_time: float = 1.0
    """Time of the backswing in strikes, as a share of that in rehearsals. A hurried strike is
    about a tenth shorter (common practice, no source)."""

    strike_turn: float = 1.0
    """Turn in strikes, as a share of that in rehearsals."""

    strike_effort: float = 1.12
    """Force in strikes, as a share of that in rehearsals (assumed: no one rehearses flat out)."""

    time_sd: float = 0.025
    """Scatter of the backswing's time from swing to swing, as a share (assumed; practised
    players repeat their timing to a few per cent, from memory)."""

    turn_sd: float = 0.025
    """Scatter of the turn, as a share (assumed)."""

    effort_sd: float = 0.03
    """Scatter of the force, as a share (assumed)."""


class Player:
    """One player's full swing with one club and mount, drawn once and then varied.

    Parameters
    ----------
    rng
        Source of the player's own swing.
    model, mount, handedness
        As in `random_swing`.
    habit
        See there.
    """

    def __init__(
        self,
        rng: np.random.Generator,
        *,
        model: Model,
        mount: Mount,
        handedness: Handedness,
        habit: Habit,
    ) -> None:
        self._model = model
        self._mount = mount
        self._handedness = handedness
        self._habit = habit
        for _ in range(_TRIES):
            draw = draw_pendulum if model == "pendulum" else draw_chain
            swing = draw(rng, mount=mount, kind="full", handedness=handedness, strike=True)
            # the base is as without a ball; `_vary` adds what a ball changes
            self._base = _scaled(swing, time=1.0, turn=1.0, effort=1.0 / habit.strike_effort)
            try:
                actions = [self._vary(rng, strike=strike, scatter=0.0) for strike in (False, True)]
            except NoSwingError:
                continue
            if all(acceptable(action.swings, "full") for action in actions):
                return
        raise RuntimeError(f"no acceptable player of the {model} for the {mount}")

    def with_habit(self, habit: Habit) -> Player:
        """Return the same player, with the same rehearsals, whom a ball changes in another way."""
        other = copy.copy(self)
        other._habit = habit
        return other

    def swing(
        self, rng: np.random.Generator, *, kind: Kind, strike: bool, grid_hz: float
    ) -> Action:
        """Make one more swing.

        Full swings are the player's own; the other kinds are drawn afresh from everyone's.

        Parameters
        ----------
        rng
            Source of what differs from swing to swing.
        kind, strike
            As in `random_swing`.
        grid_hz
            Rate of the fine grid.
        """
        if kind != "full":
            return random_swing(
                rng,
                model=self._model,
                mount=self._mount,
                kind=kind,
                handedness=self._handedness,
                grid_hz=grid_hz,
                strike=strike,
            )
        for _ in range(_TRIES):
            try:
                action = self._vary(rng, strike=strike, grid_hz=grid_hz)
            except NoSwingError:
                continue
            if acceptable(action.swings, kind):
                return action
        raise RuntimeError(f"no acceptable swing of the {self._model} for the {self._mount}")

    def _vary(
        self,
        rng: np.random.Generator,
        *,
        strike: bool,
        scatter: float = 1.0,
        grid_hz: float = 3200.0,
    ) -> Action:
        habit = self._habit

        def about(sd: float) -> float:
            return 1.0 + scatter * sd * float(np.clip(rng.standard_normal(), -2.5, 2.5))

        time, turn, effort = about(habit.time_sd), about(habit.turn_sd), about(habit.effort_sd)
        if strike:
            time *= habit.strike_time
            turn *= habit.strike_turn
            effort *= habit.strike_effort
        swing = _scaled(self._base, time=time, turn=turn, effort=effort)
        routine = swing.address
        if scatter and rng.random() < 0.5:
            routine = draw_address(rng, kind="full")
        blow = draw_blow(rng, kind="ball", mount=self._mount) if strike else None
        swing = replace(
            swing,
            address=routine,
            blow=blow,
            strike=strike,
            lead_in_s=float(rng.uniform(0.4, 1.2)),
        )
        if isinstance(swing, ChainSwing):
            return chain_swing(replace(swing, rate_loss=strike), rate_hz=grid_hz)
        return pendulum_swing(swing, rate_hz=grid_hz)


def _scaled(
    swing: PendulumSwing | ChainSwing, *, time: float, turn: float, effort: float
) -> PendulumSwing | ChainSwing:
    """The same swing with another time of the backswing, turn and force."""
    if isinstance(swing, PendulumSwing):
        one = swing.strokes[0]
        stroke = replace(
            one,
            backswing_s=one.backswing_s * time,
            gamma_deg=one.gamma_deg * turn,
            roll_top_deg=one.roll_top_deg * turn,
            torque_n_m=one.torque_n_m * effort,
        )
        return replace(swing, strokes=(stroke,))
    first = swing.strokes[0]
    joints = {name: replace(j, top=j.top * turn) for name, j in first.joints.items()}
    # at the same force a way of this length takes so long
    down_s = first.down_s * (turn / effort) ** 0.5
    return replace(
        swing,
        strokes=(
            replace(first, joints=joints, backswing_s=first.backswing_s * time, down_s=down_s),
        ),
    )
