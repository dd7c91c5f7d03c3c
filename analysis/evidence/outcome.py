"""What the numbers say about a difference: three outcomes, one rule, one power.

A difference comes with its parts (`analysis.evidence.parts`). Its interval has the level of the
decision, so that word and interval never contradict:

``same``
    The interval lies inside the margin that matters, whether zero is in it or not.
``different``
    The interval leaves out zero, and isn't inside the margin.
``not_told``
    Neither: these numbers can't tell yet.

Where several measures are decided together, the levels are Holm's: any wrong "different" among them
comes up at most as often as one alone would. Each interval is then as wide as its own step's level.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from analysis.evidence.intervals import chance_beyond, t_quantile
from analysis.evidence.parts import Part, total

LEVEL: Final = 0.95
"""One wrong word in twenty is the usual bargain (convention)."""

POWER: Final = 0.80
"""What is called detectable is told in four cases of five (convention)."""


class Outcome(StrEnum):
    """What the numbers say about a difference; there is no fourth, and none is a verdict."""

    DIFFERENT = "different"
    SAME = "same"
    """The same within what matters: the whole interval lies inside the stated margin."""
    INCONCLUSIVE = "not_told"
    """Not to be told from these numbers: too few, or too much spread."""


class Retention(StrEnum):
    """Whether as much was there as before."""

    RETAINED = "kept"
    NOT_RETAINED = "not kept"
    INCONCLUSIVE = "can't tell yet"


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """A difference, and what it says.

    Attributes
    ----------
    outcome : Outcome
    difference : float
    low, high : float
        Ends of its interval, of the level that was decided at.
    level : float
        Of that interval, two-sided.
    u, dof : float
        Standard uncertainty and its degrees of freedom.
    p : float
        Two-sided level at which zero would just be left out.
    margin : float
        Inside plus or minus this, differences don't matter.
    needed : float
        The least difference seen that is called different: it must leave out zero, and must not
        lie wholly inside the margin.
    detectable : float
        The true difference that is called different in `POWER` of cases, were it the only one.
    parts : tuple of Part
        What `u` is made of.
    """

    outcome: Outcome
    difference: float
    low: float
    high: float
    level: float
    u: float
    dof: float
    p: float
    margin: float
    needed: float
    detectable: float
    parts: tuple[Part, ...] = ()

    @property
    def sign_told(self) -> bool:
        """Whether zero is left out, be the difference too small to matter."""
        return self.low > 0.0 or self.high < 0.0

    def half(self, level: float) -> float:
        """Half the width of the interval of another level."""
        return t_quantile(0.5 + level / 2.0, self.dof) * self.u


class Decided:
    """Something that was decided, with what the decision says of it."""

    __slots__ = ()

    decision: Decision

    @property
    def outcome(self) -> Outcome:
        """What it says."""
        return self.decision.outcome

    @property
    def needed(self) -> float:
        """See `Decision`."""
        return self.decision.needed

    @property
    def detectable(self) -> float:
        """See `Decision`."""
        return self.decision.detectable

    @property
    def margin(self) -> float:
        """Inside this it is the same for what matters."""
        return self.decision.margin


def outcome_of(low: float, high: float, margin: float) -> Outcome:
    """Say which outcome an interval of a difference means.

    Inside the margin it is the same for what matters, even where it leaves out zero.
    """
    if -margin <= low and high <= margin:
        return Outcome.SAME
    if low > 0.0 or high < 0.0:
        return Outcome.DIFFERENT
    return Outcome.INCONCLUSIVE


def decide(
    difference: float,
    parts: Sequence[Part],
    margin: float,
    *,
    level: float = LEVEL,
    first_level: float | None = None,
    power: float = POWER,
) -> Decision:
    """Say what a difference says.

    Parameters
    ----------
    difference : float
    parts : sequence of Part
        What its variance is made of; not all zero.
    margin : float
        What matters, in the unit of the difference, at least 0.
    level : float
        Of the interval, two-sided.
    first_level : float, optional
        Level at which it would be decided were it the only difference among several; by default
        `level`.
    power : float

    Returns
    -------
    Decision

    Raises
    ------
    ValueError
        The parts are all zero: an uncertainty of zero is a number that is missing.
    """
    u, dof = total(parts)
    if not u > 0.0:
        raise ValueError("a difference without any variance can't be decided")
    half = t_quantile(0.5 + level / 2.0, dof) * u
    low, high = difference - half, difference + half
    first = t_quantile(0.5 + (level if first_level is None else first_level) / 2.0, dof) * u
    return Decision(
        outcome=outcome_of(low, high, margin),
        difference=difference,
        low=low,
        high=high,
        level=level,
        u=u,
        dof=dof,
        p=chance_beyond(difference / u, dof),
        margin=margin,
        needed=max(half, margin - half),
        detectable=max(first, margin - first) + t_quantile(power, dof) * u,
        parts=tuple(parts),
    )


def decide_together(
    asked: Sequence[tuple[float, Sequence[Part], float]],
    *,
    level: float = LEVEL,
    power: float = POWER,
) -> list[Decision]:
    """Decide several differences so that any wrong "different" among them keeps to the level.

    Parameters
    ----------
    asked : sequence of (difference, parts, margin)
    level, power : float

    Returns
    -------
    list of Decision
        In the same order. An interval has the level of the step of Holm's procedure at which its
        difference was decided, so a difference is called different just where its interval leaves
        out zero (and isn't inside the margin).

    References
    ----------
    Holm, S. (1979). A simple sequentially rejective multiple test procedure. Scand. J. Stat. 6,
    65-70.
    """
    alone = [decide(*one, level=level, power=power) for one in asked]
    order = sorted(range(len(alone)), key=lambda k: alone[k].p)
    out = list(alone)
    first = 1.0 - (1.0 - level) / max(len(alone), 1)
    left = len(alone)
    for k in order:
        step = 1.0 - (1.0 - level) / left
        out[k] = decide(*asked[k], level=step, first_level=first, power=power)
        # The first that isn't told holds up all that are less sure.
        if out[k].sign_told and left > 1:
            left -= 1
    return out


def retention(decision: Decision) -> Retention:
    """Say whether at least as much was there as before, but for what doesn't matter.

    Parameters
    ----------
    decision : Decision
        Of what was seen now minus what was before.
    """
    if decision.low >= -decision.margin:
        return Retention.RETAINED
    if decision.high < -decision.margin:
        return Retention.NOT_RETAINED
    return Retention.INCONCLUSIVE
