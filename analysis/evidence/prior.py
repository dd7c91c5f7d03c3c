"""What is taken for a player's spreads before any are seen: stated, and editable."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Final

LEAST_PLAYERS: Final = 5
LEAST_SESSIONS: Final = 3
"""Players of a home, and sessions of each, before the home says how far days lie apart; common
practice, no source."""
LEARNT_WITHIN: Final = (0.7, 1.5)
"""As a factor of what is stated: a few players may all be alike by chance."""


@dataclass(frozen=True, slots=True)
class DaySpread:
    """How far one player's days lie apart, of themselves.

    Attributes
    ----------
    size : float
        Standard deviation in the unit of the measure, or in per cent of it.
    percent : bool
    """

    size: float
    percent: bool = False

    def of(self, location: float) -> float:
        """Return it in the unit of the measure."""
        return self.size / 100.0 * abs(location) if self.percent else self.size


# Day and strapping on together. From memory, one and a half times the habits of the simulated
# players; for times at wrist or club no published repeatability was found. What is published
# doesn't give the figure either, and doesn't speak against these: head and ball speed a week apart
# are told from 7-10 swings (doi 10.3390/s22239069, abstract; ten players), thorax and pelvis repeat
# between days with a multiple determination over 0.85, but for the pelvis' bend (Evans et al. 2012,
# *Repeatability of three-dimensional thorax and pelvis kinematics in the golf swing*, abstract). A
# greater one makes words rarer, a smaller one makes wrong ones more often.
DAY_SPREADS: Final[Mapping[str, DaySpread]] = {
    "swing_ms": DaySpread(18.0),
    "backswing_ms": DaySpread(15.0),
    "downswing_ms": DaySpread(8.0),
    "peak_to_impact_ms": DaySpread(6.0),
    "tempo_ratio": DaySpread(3.5, percent=True),
    "turn_deg": DaySpread(4.0),
    "peak_rate_dps": DaySpread(2.5, percent=True),
    "peak_transverse_dps": DaySpread(2.5, percent=True),
    "club_speed_m_s": DaySpread(2.5, percent=True),
}
CLUB_TURN: Final = DaySpread(6.0)
"""A club turns further than the forearm that holds it, and its turn differs by more from day to
day; from memory."""
OTHER_DAY_SPREAD: Final = DaySpread(3.0, percent=True)
"""Of any other quantity; from memory."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Prior:
    """What is taken for a player's spreads before any are seen; all of it may be edited.

    Sizes without a source are from memory, tried on simulated players (``benchmarks/evidence.py``).
    """

    days: Mapping[str, DaySpread] = field(default_factory=lambda: dict(DAY_SPREADS))
    """Standard deviation between days, by measure."""
    learnt: Mapping[str, float] = field(default_factory=dict)
    """By measure: what the home's own players make of it, as a factor (see `learnt_from`)."""
    players: int = 0
    """Of how many players that was learnt."""
    weight: float = 4.0
    """Degrees of freedom that each stated spread counts for (d0 of Smyth 2004): as much as five
    sessions of the player."""
    block: float = 0.2
    """Spread from block to block, in spreads from swing to swing."""
    kind: float = 0.9
    """Spread from session to session of what a ball changes, in the same. On simulated players
    whose effects differ by a whole spread, intervals hold in 84-91 % at 0.6, in 91-95 % at 0.9."""
    kind_weight: float = 3.0
    """Degrees of freedom that it counts for: how much it is, is known even less."""
    drift: float = 1.6
    """Change from a session's first swing to its last, standard deviation, in the same."""
    rho: float = 0.35
    """What neighbouring swings have in common."""
    rho_swings: float = 25.0
    """As many swings as that is worth."""
    largest_rho: float = 0.7
    sessions_alike: float = 0.3
    """What a session has in common with the next one, at most: where this makes a difference less
    sure it counts, where it would make it surer it doesn't."""

    def source(self, measure: str) -> str:
        """Say where the spread between days is from: "stated", "set" or "learnt"."""
        if measure in self.learnt:
            return "learnt"
        return "stated" if self.days.get(measure) == DAY_SPREADS.get(measure) else "set"

    def day_spread(self, measure: str, location: float, mount: str | None = None) -> float:
        """Return the stated standard deviation between days, in the measure's unit."""
        one = self.days.get(measure, OTHER_DAY_SPREAD)
        if measure == "turn_deg" and mount == "club" and one == DAY_SPREADS["turn_deg"]:
            one = CLUB_TURN
        return one.of(location) * self.learnt.get(measure, 1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenSpread:
    """How far one player's days lie apart in one measure, of themselves.

    Attributes
    ----------
    stated : float
        What was stated for it, as a standard deviation.
    variance : float
        As it was seen.
    sessions : int
        Of how many.
    """

    stated: float
    variance: float
    sessions: int


def learnt_from(players: Iterable[Mapping[str, SeenSpread]]) -> dict[str, float]:
    """Learn from players how far days lie apart, as a factor of what is stated.

    Parameters
    ----------
    players : iterable of mapping of str to SeenSpread
        By measure, one for each player.

    Returns
    -------
    dict of str to float
        By measure; only those of which `LEAST_PLAYERS` players have `LEAST_SESSIONS` sessions. The
        variances are pooled by their degrees of freedom, and the factor is held within
        `LEARNT_WITHIN`.

    Examples
    --------
    >>> one = {"backswing_ms": SeenSpread(stated=15.0, variance=144.0, sessions=4)}
    >>> learnt_from([one] * 5), learnt_from([one] * 4)
    ({'backswing_ms': 0.8}, {})
    """
    by_measure: dict[str, list[SeenSpread]] = {}
    for player in players:
        for measure, seen in player.items():
            if seen.sessions >= LEAST_SESSIONS and seen.stated > 0.0:
                by_measure.setdefault(measure, []).append(seen)
    low, high = LEARNT_WITHIN
    out = {}
    for measure, seen_by in by_measure.items():
        if len(seen_by) < LEAST_PLAYERS:
            continue
        above = math.fsum((one.sessions - 1) * one.variance for one in seen_by)
        below = math.fsum((one.sessions - 1) * one.stated**2 for one in seen_by)
        out[measure] = min(max(math.sqrt(above / below), low), high)
    return out
