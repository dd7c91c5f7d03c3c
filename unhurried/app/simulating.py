"""Simulated sessions for who asks for one: what players do, and what the sensor is.

`simulate` is part of the public API (``unhurried.simulate``); the command writes the same session
to a folder.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from sensor.recording.layout import AXES
from sensor.recording.samples import Samples
from simulation.motion.habit import Habit
from simulation.sessions import PlayerSpec, SessionSpec, simulate_session

if TYPE_CHECKING:
    from simulation.motion.action import SwingTruth
    from simulation.sessions import PlayerSpec, SessionSpec, SimulatedSession


def people_of(
    names: Sequence[str], hands: Sequence[str], clubs: Sequence[str], *, hurried: bool
) -> tuple[PlayerSpec, ...]:
    """Return one player for each name; hands and clubs go with the names in order."""
    habit = Habit(strike_time=0.9, strike_turn=0.92) if hurried else Habit()
    default = PlayerSpec(habit=habit)
    return tuple(
        dataclasses.replace(
            default,
            name=names[k] if k < len(names) else default.name,
            handedness=hands[k] if k < len(hands) else default.handedness,  # type: ignore[arg-type]
            club=clubs[k] if k < len(clubs) else default.club,
        )
        for k in range(max(1, len(names)))
    )


def _spec_of(
    *, hard: bool, gyr_range_dps: float | None, acc_range_g: float | None, **wanted: Any
) -> SessionSpec:
    """Return a session's description; ranges that aren't given are those of its mount."""
    spec = SessionSpec(**wanted)
    if hard:
        spec = spec.made_hard()
    ranges = {"gyr_range_dps": gyr_range_dps, "acc_range_g": acc_range_g}
    given = {name: value for name, value in ranges.items() if value is not None}
    return dataclasses.replace(spec, **given)  # type: ignore[arg-type]


def session_of(
    seed: int,
    *,
    names: Sequence[str] = (),
    hands: Sequence[str] = (),
    clubs: Sequence[str] = (),
    hurried: bool = False,
    hard: bool = False,
    gyr_range_dps: float | None = None,
    acc_range_g: float | None = None,
    progress: Callable[[float], None] | None = None,
    **wanted: Any,
) -> SimulatedSession:
    """Simulate a session with its exact truth; the same seed and options give the same one.

    Parameters
    ----------
    seed : int
    names, hands, clubs : sequence of str
        Who swings, one of each a player.
    hurried : bool
        With a ball the players swing back in a tenth less time, and less far.
    hard : bool
        All that makes swings hard to measure at once.
    gyr_range_dps, acc_range_g : float, optional
        Ranges of the sensor; those that aren't given are those of its mount.
    progress : callable, optional
        Told which share is done.
    **wanted
        Fields of `simulation.sessions.SessionSpec`.
    """
    spec = _spec_of(
        hard=hard,
        gyr_range_dps=gyr_range_dps,
        acc_range_g=acc_range_g,
        players=people_of(names, hands, clubs, hurried=hurried),
        **wanted,
    )
    return simulate_session(spec, seed=seed, progress=progress)


def simulate(
    seed: int,
    *,
    mount: str = "wrist",
    minutes: float = 3.0,
    swings: int | None = None,
    rate_hz: float = 200.0,
    hurried: bool = False,
    hard: bool = False,
    gyr_range_dps: float | None = None,
    acc_range_g: float | None = None,
) -> tuple[Samples, tuple[SwingTruth, ...]]:
    """Simulate a session of one invented player, and say what is true of it.

    Parameters
    ----------
    seed : int
        The same seed and options give the same session.
    mount : {"wrist", "glove", "club", "trunk"}
        Where the sensor is.
    minutes : float
        How long it goes on, until what was begun is over.
    swings : int, optional
        How many swings instead.
    rate_hz : float
        As the sensor says; its true rate is a little off.
    hurried : bool
        With a ball the player swings back in a tenth less time, and less far.
    hard : bool
        3 % of packets lost, the rate 2 % off, three times the tremor, ranges that clip.
    gyr_range_dps, acc_range_g : float, optional
        Ranges of the sensor; those that aren't given are those of its mount.

    Returns
    -------
    samples : Samples
        As the sensor gives them (with its noise, its scale error and what was lost), at their true
        times.
    truth : tuple of SwingTruth
        Every swing, in order: ``takeaway_s``, ``top_s``, ``impact_s``, ``finish_s`` (s, on the
        clock of `samples`), ``turn_deg``, ``peak_rate_dps`` and more. ``counts_as_swing`` is False
        for those that aren't to be found: given up, or under 30 deg.

    Raises
    ------
    ValueError
        An option is not what it must be.

    Notes
    -----
    What is drawn, and why, is written in ``simulation/motion/README.md``. No accuracy in the field
    follows from simulated truth.
    """
    made = session_of(
        seed,
        mount=mount,
        minutes=None if swings else minutes,
        swings=swings,
        rate_hz=rate_hz,
        hurried=hurried,
        hard=hard,
        gyr_range_dps=gyr_range_dps,
        acc_range_g=acc_range_g,
    )
    samples, first_s = _samples_of(made)
    return samples, tuple(one.truth.shifted(-first_s) for one in made.truth)


def _samples_of(made: SimulatedSession) -> tuple[Samples, float]:
    """Return a session's samples at their true times, and when the first was after sample 0."""
    session, rows = made.session, made.samples
    values = np.stack([rows[axis] for axis in AXES], axis=1).astype(np.float64)
    seq = rows["seq"].astype(np.int64)
    first_s = float(seq[0]) / made.true_rate_hz
    who = made.truth[0] if made.truth else None
    samples = Samples(
        acc_m_s2=values[:, :3] * (session.acc_m_s2_per_count or 1.0),
        gyr_dps=values[:, 3:] * (session.gyr_dps_per_count or 1.0),
        rate_hz=session.nominal_rate_hz,
        seq=seq,
        time_s=seq / made.true_rate_hz - first_s,
        mount=session.mount,
        player=None if who is None else who.player,
        handedness=None if who is None else who.handedness,
        club=None if who is None else who.club,
        gyr_range_dps=session.gyr_range_dps,
        acc_range_g=session.acc_range_g,
        gyr_delay_ms=session.gyr_delay_ms,
        start=session.start,
    )
    return samples, first_s
