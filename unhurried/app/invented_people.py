"""Four invented people: how each swings, and what becomes of it over some weeks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from simulation.motion.action import Handedness, Model, Mount
from simulation.motion.habit import Habit

Block = tuple[str | None, int, bool]

FREE: Final[tuple[Block, ...]] = (
    (None, 5, False),
    (None, 5, True),
    (None, 4, False),
    (None, 4, True),
)
"""Without feedback: rehearsals and balls in turn."""

FIRST_DRILL: Final[tuple[Block, ...]] = (
    ("rehearsal", 6, False),
    ("silent", 8, False),
    ("silent", 8, True),
)
"""A drill, and the test without sounds after it."""

DRILL: Final[tuple[Block, ...]] = (("retention", 6, True), *FIRST_DRILL)
"""The same on another day: first what was kept, without sounds."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Visit:
    """One session: when, what a ball changes that day, and the blocks of swings.

    Attributes
    ----------
    start : str
    habit : Habit
    blocks : tuple of (kind, swings, ball)
        Kind of a drill's block, None for free swings.
    """

    start: str
    habit: Habit
    blocks: tuple[Block, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Person:
    """An invented player.

    Attributes
    ----------
    name, handedness, club, mount, model
        As in a recording.
    seed : int
        Makes the player's own swing, the sensor and the sessions.
    own : Habit
        What a ball changes when nothing has been practised: with it the player is drawn.
    visits : tuple of Visit
    taps : float
        Share of strikes after which the player says how it felt.
    true_feel : float
        Share of these answers that say what the swing was; the others say anything.
    lever_m : float
        Club speed over the sensor's peak rate in rad/s, for the ball results.
    with_results : bool
        Whether there is a device that measures the ball.
    approved : int
        Visits of which the coach approved the rehearsals as the full turn; 0: nobody did.
    """

    name: str
    handedness: Handedness
    club: str
    mount: Mount
    model: Model
    seed: int
    own: Habit
    visits: tuple[Visit, ...]
    taps: float
    true_feel: float
    lever_m: float
    with_results: bool
    approved: int


def _weekly(first: str, days: Sequence[int]) -> list[str]:
    begin = datetime.fromisoformat(first)
    return [(begin + timedelta(days=day)).isoformat() for day in days]


HURRIED: Final = Habit(strike_time=0.86, strike_turn=0.88, strike_effort=0.84)
"""At a ball shorter in time, shorter in turn, and slower too: with less turn to speed up in, and
less force."""

LEARNING: Final = (
    # Share of the rehearsals' time, turn and force in strikes, by visit.
    (0.86, 0.88, 0.84),
    (0.86, 0.88, 0.84),
    (0.95, 0.965, 1.03),
    (0.97, 0.98, 1.07),
    (0.98, 0.99, 1.08),
    (0.97, 0.985, 1.08),
    (0.98, 0.99, 1.08),
)
BASELINES: Final = 2


def _learner() -> tuple[Visit, ...]:
    """Two visits without feedback; then drills, after which strikes come near rehearsals."""
    days = _weekly("2026-03-03T18:10:00+01:00", (0, 6, 9, 15, 20, 27, 33))
    visits = []
    for k, (day, (time, turn, effort)) in enumerate(zip(days, LEARNING, strict=True)):
        habit = Habit(strike_time=time, strike_turn=turn, strike_effort=effort)
        blocks = FREE if k < BASELINES else FIRST_DRILL if k == BASELINES else DRILL
        visits.append(Visit(start=day, habit=habit, blocks=blocks))
    return tuple(visits)


def _beginner() -> tuple[Visit, ...]:
    """Short of time and turn at a ball, and nothing practised yet."""
    days = _weekly("2026-04-01T17:20:00+02:00", (0, 5, 9))
    return tuple(Visit(start=day, habit=HURRIED, blocks=FREE) for day in days)


def _long() -> tuple[Visit, ...]:
    """Longer in time and beyond the full turn at a ball, from the first day to the last."""
    days = _weekly("2026-03-05T10:30:00+01:00", (0, 7, 12, 21, 28, 34))
    return tuple(Visit(start=day, habit=UNHURRIED, blocks=FREE) for day in days)


UNHURRIED: Final = Habit(strike_time=1.14, strike_turn=1.09)
SCATTERED: Final = Habit(
    strike_time=0.98,
    strike_turn=0.99,
    strike_effort=1.02,
    time_sd=0.09,
    turn_sd=0.06,
    effort_sd=0.06,
)


def _scattered() -> tuple[Visit, ...]:
    """Swings that scatter widely: little can be told, and nobody approved a reference."""
    days = _weekly("2026-03-08T16:00:00+01:00", (0, 10, 18, 30))
    few: tuple[Block, ...] = ((None, 6, False), (None, 6, True))
    return tuple(Visit(start=day, habit=SCATTERED, blocks=few) for day in days)


PEOPLE: Final = (
    Person(
        name="Henrike",
        handedness="right",
        club="7 iron",
        mount="wrist",
        model="chain",
        seed=4403,
        own=HURRIED,
        visits=_beginner(),
        taps=0.6,
        true_feel=0.7,
        lever_m=2.1,
        with_results=False,
        approved=1,
    ),
    Person(
        name="Runa",
        handedness="right",
        club="7 iron",
        mount="wrist",
        model="chain",
        seed=4101,
        own=HURRIED,
        visits=_learner(),
        taps=0.8,
        true_feel=0.75,
        lever_m=2.1,
        with_results=True,
        approved=1,
    ),
    Person(
        name="Casimir",
        handedness="left",
        club="7 iron",
        mount="wrist",
        model="pendulum",
        seed=4204,
        own=UNHURRIED,
        visits=_long(),
        taps=0.5,
        true_feel=0.5,
        lever_m=2.3,
        with_results=True,
        approved=1,
    ),
    Person(
        name="Mirela",
        handedness="right",
        club="driver",
        mount="glove",
        model="chain",
        seed=4302,
        own=SCATTERED,
        visits=_scattered(),
        taps=0.4,
        true_feel=0.3,
        lever_m=1.9,
        with_results=False,
        approved=0,
    ),
)
"""The one with the shortest way first: with her there is something to see at once."""
