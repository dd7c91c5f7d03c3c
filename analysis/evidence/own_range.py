"""Where one swing lies in the player's own range: the one rule, on every screen and in sound.

A range is where nineteen in twenty of the player's own like swings lie: those of another day for a
reference (`analysis.evidence.reading`), those of the same day here.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from analysis.evidence.cells import Cell
from analysis.evidence.intervals import t_quantile
from analysis.evidence.reading import DOWN, SINGLE_DF, UP, Aspect, Word


def range_of_day(cell: Cell, level: float = 0.95) -> tuple[float, float]:
    """Return where one further swing of the same day lies, from the swings of that day.

    A prediction for one more value of a normal distribution whose middle and scatter are told from
    the cell's swings; at least 5 % of the middle to either side, as for a reference.

    Parameters
    ----------
    cell : Cell
        Two swings or more, of one day.
    level : float
        Share of further swings that it holds.

    Returns
    -------
    low, high : float

    References
    ----------
    JCGM 100:2008, annex G; the factor ``1 + 1/n`` is that of a prediction (Hahn 1969, from memory).
    """
    spread = (cell.variance * (1.0 + 1.0 / cell.n)) ** 0.5
    reach = max(
        0.05 * abs(cell.location), t_quantile(0.5 + level / 2.0, max(cell.dof, 1.0)) * spread
    )
    return cell.location - reach, cell.location + reach


def own_u(u: float, parts: Iterable[Sequence[Any]]) -> float:
    """Return the part of an uncertainty that other swings don't share.

    The scale of a sensor and the clock of a recording are wrong by the same in all of its swings,
    so they don't blur a difference between them. Without a budget nothing is known to be shared.

    Parameters
    ----------
    u : float
        The whole, one standard uncertainty.
    parts : iterable of (source, u, shared)
        What it is made of; `shared` is None for what is this swing's alone.
    """
    own = list(parts)
    if own:
        u = math.sqrt(sum(one[1] ** 2 for one in own if one[2] is None))
    return float(f"{u:.6g}")


def own_u_of(u: float | None, budget: Mapping[str, Sequence[Any]], measure: str) -> float | None:
    """Return the same of a swing's number, from its budget; None where the number has none."""
    if u is None:
        return None
    return own_u(u, [(part.source, part.u, part.shared) for part in budget.get(measure, ())])


def word_in_range(
    aspect: Aspect, value: float, u: float, low: float | None, high: float | None, *, full_end: bool
) -> Word:
    """Say where one swing lies: the one rule for a single swing, on every screen and in sound.

    It is *different* only where it lies clearly outside of the player's own range.

    Parameters
    ----------
    aspect : {"time", "turn", "speed"}
    value, u : float
        The measure and its standard uncertainty.
    low, high : float or None
        The player's own range.
    full_end : bool
        Of a turn, the upper end is where full ends, as a coach set or approved it.
    """
    clear = t_quantile(0.975, SINGLE_DF) * u
    if low is not None and value + clear < low:
        return DOWN[aspect]
    if high is not None and value - clear > high:
        return Word.BEYOND if aspect == "turn" and full_end else UP[aspect]
    return Word.SAME
