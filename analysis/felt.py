"""What was felt against what was measured.

Of the swings that felt rushed, how many were shorter in time, shorter in turn, slower at the
sensor? Shorter and slower mean: than the player's own reference, or, where there is none, than the
median of the player's swings of the same kind in the same session. Shares have Wilson's interval
(Wilson, E. B. (1927). Probable inference, the law of succession, and statistical inference. J. Am.
Stat. Assoc. 22, 209-212).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.special import ndtri

from analysis.reading import Reference
from analysis.spread import Interval, NotYet, SwingRow, one_setting

__all__ = [
    "FEELINGS",
    "LEAST_FELT",
    "FeltCount",
    "FeltReport",
    "felt_against_measured",
    "wilson",
]

LEAST_FELT: Final = 5
"""Swings with the same feeling before a share is given; common practice, no source."""

MEASURED: Final[Mapping[str, str]] = {
    "time": "shorter in time",
    "turn": "shorter in turn",
    "speed": "slower at the sensor",
}

FEELINGS: Final[Mapping[str, Callable[[SwingRow], bool | None]]] = {
    "rushed": lambda row: None if row.felt_time is None else row.felt_time == "rushed",
    "slow": lambda row: None if row.felt_time is None else row.felt_time == "slow",
    "short": lambda row: None if row.felt_turn is None else row.felt_turn == "short",
    "not well struck": lambda row: None if row.felt_strike is None else row.felt_strike == "not",
}
"""Whether a swing felt so; None where nobody said."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FeltCount:
    """Of the swings with a feeling, how many measured so.

    Attributes
    ----------
    aspect : {"time", "turn", "speed"}
    measure : str
    count, n : int
    share : Interval
        Wilson's, as a share from 0 to 1.
    others : Interval or None
        The same share among the swings that were asked about and didn't feel so.
    swing_ids : tuple of str
        Those that were counted.
    disagree_ids : tuple of str
        Those that felt so and didn't measure so.
    """

    aspect: str
    measure: str
    count: int
    n: int
    share: Interval
    others: Interval | None
    swing_ids: tuple[str, ...]
    disagree_ids: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class FeltReport:
    """One feeling against time, turn and speed.

    Attributes
    ----------
    feeling : str
    n : int
        Swings that felt so.
    asked : int
        Swings that were asked about.
    against : {"reference", "median"}
    counts : tuple of FeltCount
    """

    feeling: str
    n: int
    asked: int
    against: str
    counts: tuple[FeltCount, ...]

    def sentence(self) -> str:
        """Say it in one plain sentence."""
        parts = [f"{c.count} of {c.n} were {MEASURED[c.aspect]}" for c in self.counts]
        than = "than the reference" if self.against == "reference" else "than the session's median"
        return f"Of {self.n} swings that felt {self.feeling}, {_join(parts)} {than}."


def _join(parts: Sequence[str]) -> str:
    if len(parts) < 2:
        return "".join(parts)
    return ", ".join(parts[:-1]) + " and " + parts[-1]


def wilson(count: int, n: int, level: float = 0.95) -> Interval:
    """Wilson's interval of a share.

    Parameters
    ----------
    count, n : int
        ``count`` of ``n``; n at least 1.
    level : float

    Returns
    -------
    Interval
        Its middle is the share that was seen.

    Examples
    --------
    >>> interval = wilson(9, 10)
    >>> round(interval.low, 4), interval.middle, round(interval.high, 4)
    (0.5958, 0.9, 0.9821)
    """
    if not 0 <= count <= n or n < 1:
        raise ValueError("count must lie between 0 and n, and n be at least 1")
    z = float(ndtri(0.5 + level / 2))
    share = count / n
    centre = (share + z * z / (2 * n)) / (1 + z * z / n)
    half = z / (1 + z * z / n) * math.sqrt(share * (1 - share) / n + z * z / (4 * n * n))
    low = 0.0 if count == 0 else max(0.0, centre - half)
    high = 1.0 if count == n else min(1.0, centre + half)
    return Interval(low, share, high, level)


def felt_against_measured(
    rows: Sequence[SwingRow],
    feeling: str,
    reference: Reference | NotYet | None = None,
    *,
    level: float = 0.95,
) -> FeltReport | NotYet:
    """Set one feeling against what was measured.

    Parameters
    ----------
    rows : sequence of SwingRow
        Of one setting.
    feeling : str
        One of `FEELINGS`.
    reference : Reference or NotYet, optional
        A provisional one will do. Without one, swings are set against the median of their kind in
        their session, half of which are always "shorter": the share among the other swings is what
        to look at then.
    level : float

    Returns
    -------
    FeltReport or NotYet

    Raises
    ------
    MixedError
        Rows of different players, clubs, mounts or intents.
    """
    says = FEELINGS[feeling]
    if rows:
        one_setting(rows)
    asked = [(row, felt) for row in rows if (felt := says(row)) is not None]
    felt_so = sum(felt for _, felt in asked)
    if felt_so < LEAST_FELT:
        return NotYet.count(felt_so, LEAST_FELT, f"swings that felt {feeling}")
    known = reference if isinstance(reference, Reference) else None
    if known is not None and one_setting(rows) != known.setting:
        return NotYet("the reference is for another player, club, mount or intent")
    counts = []
    for aspect, options in (
        ("time", ("swing_ms", "backswing_ms")),
        ("turn", ("turn_deg",)),
        ("speed", ("peak_rate_dps",)),
    ):
        chosen = _best_measure(asked, options, known)
        if chosen is None:
            continue
        below = _below(rows, chosen, known)
        so = [row for row, felt in asked if felt and row.swing_id in below]
        rest = [row for row, felt in asked if not felt and row.swing_id in below]
        if len(so) < LEAST_FELT:
            continue
        count = sum(below[row.swing_id] for row in so)
        others = None
        if len(rest) >= LEAST_FELT:
            others = wilson(sum(below[row.swing_id] for row in rest), len(rest), level)
        counts.append(
            FeltCount(
                aspect=aspect,
                measure=chosen,
                count=count,
                n=len(so),
                share=wilson(count, len(so), level),
                others=others,
                swing_ids=tuple(row.swing_id for row in so if below[row.swing_id]),
                disagree_ids=tuple(row.swing_id for row in so if not below[row.swing_id]),
            )
        )
    if not counts:
        return NotYet(f"the swings that felt {feeling} have nothing measured to set against it")
    return FeltReport(
        feeling=feeling,
        n=felt_so,
        asked=len(asked),
        against="median" if known is None else "reference",
        counts=tuple(counts),
    )


def _best_measure(
    asked: Sequence[tuple[SwingRow, bool]], options: Sequence[str], reference: Reference | None
) -> str | None:
    """Return the first measure that most of the swings have."""
    counts = {}
    for name in options:
        if reference is not None and name not in reference.values:
            continue
        rows = [row for row, _ in asked if name in row.values]
        if name == "swing_ms" and reference is not None:
            # Impacts of different kinds are told by different rules.
            rows = [row for row in rows if {row.kind} == reference.kinds]
        counts[name] = len(rows)
    best = max(counts.values(), default=0)
    return next((name for name in options if best and counts.get(name) == best), None)


def _below(rows: Sequence[SwingRow], measure: str, reference: Reference | None) -> dict[str, bool]:
    """Say of each swing that has the measure whether it lies below the reference or median."""
    there = [row for row in rows if measure in row.values]
    if reference is not None:
        if measure == "swing_ms":
            there = [row for row in there if {row.kind} == reference.kinds]
        middle = reference.values[measure].middle
        return {row.swing_id: row.values[measure] < middle for row in there}
    sets: dict[tuple[str, str], list[float]] = {}
    for row in there:
        sets.setdefault((row.session_id, row.kind), []).append(row.values[measure])
    medians = {key: float(np.median(values)) for key, values in sets.items()}
    return {row.swing_id: row.values[measure] < medians[row.session_id, row.kind] for row in there}
