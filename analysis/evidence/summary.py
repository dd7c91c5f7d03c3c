"""What many swings have in common: medians and spreads, by player, club and kind.

Plain facts, no verdicts: a difference between two groups says nothing about what made it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from analysis.swing.results import Swing, is_bound
from words.units import MAD_TO_SD

Kind = Literal["rehearsal", "strike", "unclear"]


NO_BALL: Final = "no_ball"
"""Note of a swing with a shock like a strike's, where it was said that there was no ball."""
BALL_SAID: Final = "ball_said"
"""Note of a swing that isn't told to be a strike, where it was said that there was a ball."""
UNCLEAR_SAID: Final = "unclear_said"
"""Note of a swing of which it was said that nobody knows what it was."""
HELD: Final = "held"
"""Note of a swing that was made while nothing counted: it is listed, and never averaged."""
KINDS: Final[tuple[Kind, ...]] = ("rehearsal", "strike", "unclear")

MEASURES: Final = (
    "swing_ms",
    "backswing_ms",
    "downswing_ms",
    "tempo_ratio",
    "turn_deg",
    "peak_rate_dps",
)
"""Fields of `Swing` that are summed up."""

TO_IMPACT: Final = frozenset({"swing_ms", "downswing_ms", "tempo_ratio"})
"""Those of `MEASURES` that end at impact."""

LEAST_SWINGS: Final = 3
"""Fewer swings than this have no spread and are not compared: two always look alike or not."""

FOLLOWING_S: Final = 1.0
"""A takeaway that comes so soon after the impact before it began where that swing ended: coming to
the finish and back to address takes longer (in simulated back-and-forth rehearsals 0.2-0.6 s, else
more than 3 s)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """Middle and spread of one measure.

    Attributes
    ----------
    n : int
        Swings of which it could be measured.
    median : float
    spread : float or None
        Median absolute deviation times 1.4826: like a standard deviation, but one odd swing hardly
        moves it. None for fewer than `LEAST_SWINGS`, and where it hangs on values that are only
        known as "at least".
    at_least : bool
        The median hangs on such values: the true one is as large or larger.
    """

    n: int
    median: float
    spread: float | None
    at_least: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Swings of one player with one club, all of one kind.

    Attributes
    ----------
    player, club : str or None
        None where nobody said.
    part : bool
        Whether they were meant as part swings; these are never pooled with full ones.
    kind : {"rehearsal", "strike", "unclear"}
    indices : tuple of int
        Numbers of the swings in the recording.
    impact_bases : frozenset of str
        What the impacts were told from, as `Swing.impact_basis`.
    measures : mapping of str to Spread or None
        By the names of `MEASURES`; None where no swing has the number.
    following : tuple of int
        Numbers of those that began at another's finish and so aren't in `measures`: their backswing
        and turn are counted from there, not from address.
    """

    player: str | None
    club: str | None
    part: bool
    kind: Kind
    indices: tuple[int, ...]
    impact_bases: frozenset[str]
    measures: Mapping[str, Spread | None]
    following: tuple[int, ...] = ()

    @property
    def n(self) -> int:
        """How many swings."""
        return len(self.indices)


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """Median of the rehearsals minus median of the strikes, in the measure's own unit."""

    measure: str
    rehearsal_minus_strike: float


def kind_of(swing: Swing) -> Kind:
    """Say what a swing was: a strike, a rehearsal, or unclear.

    Whether there was a ball, where that was said while recording, counts more than a shock: what
    else was hit, a mat for instance, was no ball.
    """
    codes = {note.code for note in swing.notes}
    if NO_BALL in codes:
        return "rehearsal"
    if BALL_SAID in codes:
        return "strike"
    if UNCLEAR_SAID in codes:
        return "unclear"
    if swing.strike is None:
        return "unclear"
    return "strike" if swing.strike else "rehearsal"


def is_held(swing: Swing) -> bool:
    """Tell whether a swing was made while nothing counted."""
    return any(note.code == HELD for note in swing.notes)


def spread_of(
    values: Iterable[float | None], at_least: Iterable[float | None] = ()
) -> Spread | None:
    """Return median and spread of the values that are there; None if there are none.

    Values that are only known as "at least" are counted, not left out: they are the large ones, and
    a median without them would be too small. Where all of them lie above the middle it is exact
    all the same.

    Parameters
    ----------
    values : iterable of float or None
        Values that are known.
    at_least : iterable of float or None
        Further ones, of which only a lower bound is known.

    Returns
    -------
    Spread or None

    Examples
    --------
    >>> spread_of([1.0, 2.0, None, 4.0])
    Spread(n=3, median=2.0, spread=1.4826, at_least=False)
    >>> spread_of([1.0, 2.0], at_least=[1.5])
    Spread(n=3, median=1.5, spread=None, at_least=True)
    """
    there = [(value, False) for value in values if value is not None]
    there += [(value, True) for value in at_least if value is not None]
    if not there:
        return None
    median, bound = _median(there)
    spread = None
    if len(there) >= LEAST_SWINGS and not bound:
        # A bound above the middle is at least so far from it.
        away, unsure = _median([(abs(value - median), mark) for value, mark in there])
        spread = None if unsure else MAD_TO_SD * away
    return Spread(n=len(there), median=median, spread=spread, at_least=bound)


def _median(values: Sequence[tuple[float, bool]]) -> tuple[float, bool]:
    """Return the median of values and lower bounds (True), and whether it hangs on a bound."""
    ordered = sorted(values)
    median = float(np.median(np.array([value for value, _ in ordered], dtype=np.float64)))
    return median, any(bound for _, bound in ordered[: len(ordered) // 2 + 1])


def _summed(swings: Sequence[Swing], measure: str) -> Spread | None:
    return spread_of(
        (getattr(swing, measure) for swing in swings if not is_bound(swing, measure)),
        (getattr(swing, measure) for swing in swings if is_bound(swing, measure)),
    )


def following(swings: Iterable[Swing]) -> frozenset[int]:
    """Return the numbers of swings that began where the one before them ended, back and forth.

    Parameters
    ----------
    swings : iterable of Swing
        All of one recording, in their order.
    """
    found = set()
    before: float | None = None
    for swing in swings:
        at = swing.takeaway_s
        if at is not None and before is not None and 0.0 <= at - before < FOLLOWING_S:
            found.add(swing.index)
        before = swing.impact_s
    return frozenset(found)


def group_swings(swings: Sequence[Swing]) -> list[Group]:
    """Sort swings by player, club, full or part, and kind, and sum each group up.

    Parameters
    ----------
    swings : sequence of Swing
        All of one mount: mounts are never pooled. Those that were held are passed over.

    Returns
    -------
    list of Group
        Players and clubs in the order in which they first come, and within each the kinds in the
        order of `KINDS`; empty groups are left out.
    """
    sets: dict[tuple[str | None, str | None, bool], dict[Kind, list[Swing]]] = {}
    for swing in swings:
        if is_held(swing):
            continue
        key = (swing.player, swing.club, swing.intent == "part")
        sets.setdefault(key, {}).setdefault(kind_of(swing), []).append(swing)
    late = following(swings)
    return [
        Group(
            player=player,
            club=club,
            part=part,
            kind=kind,
            indices=tuple(swing.index for swing in kinds[kind]),
            impact_bases=frozenset(s.impact_basis for s in kinds[kind] if s.impact_basis),
            measures={
                name: _summed([swing for swing in kinds[kind] if swing.index not in late], name)
                for name in MEASURES
            },
            following=tuple(swing.index for swing in kinds[kind] if swing.index in late),
        )
        for (player, club, part), kinds in sets.items()
        for kind in KINDS
        if kind in kinds
    ]


def differences(rehearsals: Group, strikes: Group) -> list[Difference]:
    """Return by how much the medians of rehearsals and strikes differ.

    The measures of `TO_IMPACT` are left out where the impact of only one group is the instant of
    least turn: the forearm can be back some hundredths of a second before the club reaches the
    ball, and that would pass for a difference between rehearsals and strikes.

    Parameters
    ----------
    rehearsals, strikes : Group
        Of the same player and club.

    Returns
    -------
    list of Difference
        Of the measures that at least `LEAST_SWINGS` swings of both groups have, and whose medians
        don't hang on values that are only known as "at least".

    Raises
    ------
    ValueError
        The groups are not rehearsals and strikes of the same player, club and length.
    """
    if (rehearsals.kind, strikes.kind) != ("rehearsal", "strike"):
        raise ValueError("differences are taken between rehearsals and strikes")
    if (rehearsals.player, rehearsals.club, rehearsals.part) != (
        strikes.player,
        strikes.club,
        strikes.part,
    ):
        raise ValueError("differences are taken within one player and club")
    out = []
    same_impact = ("least_turn" in rehearsals.impact_bases) == (
        "least_turn" in strikes.impact_bases
    )
    for name in MEASURES:
        if name in TO_IMPACT and not same_impact:
            continue
        a, b = rehearsals.measures[name], strikes.measures[name]
        if a is None or b is None or a.at_least or b.at_least:
            continue
        if min(a.n, b.n) >= LEAST_SWINGS:
            out.append(Difference(measure=name, rehearsal_minus_strike=a.median - b.median))
    return out
