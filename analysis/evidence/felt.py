"""What was felt against what was measured.

Of the swings that felt rushed, how many were shorter in time, shorter in turn, slower at the
sensor? Of those that felt slow, how many were longer? Shorter and slower mean: below the lower
bound of the player's own reference, and longer or fuller above its upper bound, so that a swing
like the reference is neither. Where there is no reference, swings are set against the middle of
their kind in the same session, of which half are always below. Shares have Wilson's interval
(Wilson, E. B. (1927). Probable inference, the law of succession, and statistical inference. J. Am.
Stat. Assoc. 22, 209-212).

Swings that didn't feel so are set beside them only within the sessions that have both: what
changed from session to session, by drills or otherwise, would pass for what was felt.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from scipy.special import ndtri

from analysis.evidence.reading import Reference
from analysis.evidence.spread import Interval, SwingRow, one_setting
from analysis.evidence.told import NotYet, Statement

LEAST_FELT: Final = 5
"""Swings with the same feeling before a share is given; common practice, no source."""

Side = Literal["below", "above"]

LEAST_OF_EACH: Final = 2
"""Swings of either sort that a session must have to be looked at for both; common practice, no
source."""

OTHER: Final[Mapping[str, Side]] = {"below": "above", "above": "below"}

_SHORT: Final[Mapping[str, Side]] = {"time": "below", "turn": "below", "speed": "below"}

ASKED: Final[Mapping[str, Mapping[str, Side]]] = {
    "rushed": _SHORT,
    "slow": {"time": "above", "turn": "above", "speed": "below"},
    "short": _SHORT,
    "not well struck": _SHORT,
}
"""What a feeling would lead one to expect, by time, turn and speed; what was the other way round is
told as well where it was more often so."""

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
    side : {"below", "above"}
        Which side of the reference (or median) was counted.
    bound : float or None
        Where that side begins; None against the session's median.
    count, n : int
    opposite : int
        How many of the ``n`` were over the reference's bound on the other side.
    share : Interval
        Wilson's, as a share from 0 to 1.
    sessions : int
        Sessions with at least `LEAST_OF_EACH` swings that felt so and as many that didn't. What
        changes from session to session can't pass for what is felt there.
    within_count, within_opposite, within_n : int
        ``count``, ``opposite`` and ``n`` in these sessions.
    others : Interval or None
        The same share in these sessions among the swings that were asked about and didn't feel so;
        None where there are fewer than `LEAST_FELT` of either.
    others_count, others_opposite, others_n : int
        What ``others`` is of.
    swing_ids : tuple of str
        Those that were counted.
    disagree_ids : tuple of str
        Those that felt so and didn't measure so.
    others_ids : tuple of str
        The ``others_n`` swings that didn't feel so.
    """

    aspect: str
    measure: str
    side: Side
    bound: float | None
    count: int
    n: int
    opposite: int
    share: Interval
    sessions: int
    within_count: int
    within_opposite: int
    within_n: int
    others: Interval | None
    others_count: int
    others_opposite: int
    others_n: int
    swing_ids: tuple[str, ...]
    disagree_ids: tuple[str, ...]
    others_ids: tuple[str, ...]


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

    @property
    def statement(self) -> Statement:
        """What it says, beside the swings of the same sessions that felt otherwise."""
        counts = tuple(
            {name: getattr(c, name) for name in _TOLD} | {"beside": c.others is not None}
            for c in self.counts
        )
        return Statement.of(
            "felt", feeling=self.feeling, n=self.n, against=self.against, counts=counts
        )


_TOLD: Final = (
    "aspect",
    "side",
    "count",
    "n",
    "opposite",
    "sessions",
    "within_count",
    "within_opposite",
    "within_n",
    "others_count",
    "others_opposite",
    "others_n",
)


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


def difference_of_shares(a: int, n_a: int, b: int, n_b: int, level: float = 0.95) -> Interval:
    """Return an interval of the difference of two independent shares, the first minus the second.

    Raises
    ------
    ValueError
        One of them is of nothing.

    References
    ----------
    Newcombe, R. G. (1998). Interval estimation for the difference between independent proportions:
    comparison of eleven methods. Stat. Med. 17, 873-890; method 10, from memory.
    """
    one, other = wilson(a, n_a, level), wilson(b, n_b, level)
    p, q = a / n_a, b / n_b
    low = p - q - math.hypot(p - one.low, other.high - q)
    high = p - q + math.hypot(one.high - p, q - other.low)
    return Interval(low, p - q, high, level)


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
        to look at then, and the sentence says so.
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
        return NotYet.count(felt_so, LEAST_FELT, feeling=feeling)
    known = reference if isinstance(reference, Reference) else None
    if known is not None and one_setting(rows) != known.setting:
        return NotYet.of("other_setting")
    counts = []
    for aspect, options in (
        ("time", ("swing_ms", "backswing_ms")),
        ("turn", ("turn_deg",)),
        ("speed", ("peak_rate_dps",)),
    ):
        chosen = _best_measure(asked, options, known)
        if chosen is None:
            continue
        side = ASKED[feeling][aspect]
        sides = _sides(rows, chosen, known)
        so = [row for row, felt in asked if felt and row.swing_id in sides]
        if len(so) < LEAST_FELT:
            continue
        every = [row for row, felt in asked if not felt and row.swing_id in sides]
        shared = {
            name
            for name in {row.session_id for row in so}
            if all(
                sum(row.session_id == name for row in part) >= LEAST_OF_EACH for part in (so, every)
            )
        }
        mine, rest = ([row for row in part if row.session_id in shared] for part in (so, every))

        def many(
            part: Sequence[SwingRow],
            which: Side,
            sides: Mapping[str, Side | None] = sides,
        ) -> int:
            return sum(sides[row.swing_id] == which for row in part)

        count, others_count = many(so, side), many(rest, side)
        enough = min(len(mine), len(rest)) >= LEAST_FELT
        value = None if known is None else known.values[chosen]
        counts.append(
            FeltCount(
                aspect=aspect,
                measure=chosen,
                side=side,
                bound=None if value is None else value.lower if side == "below" else value.upper,
                count=count,
                n=len(so),
                opposite=many(so, OTHER[side]),
                share=wilson(count, len(so), level),
                sessions=len(shared),
                within_count=many(mine, side),
                within_opposite=many(mine, OTHER[side]),
                within_n=len(mine),
                others=wilson(others_count, len(rest), level) if enough else None,
                others_count=others_count,
                others_opposite=many(rest, OTHER[side]),
                others_n=len(rest),
                swing_ids=tuple(row.swing_id for row in so if sides[row.swing_id] == side),
                disagree_ids=tuple(row.swing_id for row in so if sides[row.swing_id] != side),
                others_ids=tuple(row.swing_id for row in rest),
            )
        )
    if not counts:
        return NotYet.of("felt_nothing", feeling=feeling)
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


def _sides(
    rows: Sequence[SwingRow], measure: str, reference: Reference | None
) -> dict[str, Side | None]:
    """Say of each swing that has the measure on which side it lies; None for on neither.

    Against the reference a side begins at its bound; against a median, right at it.
    """
    there = [row for row in rows if measure in row.values]
    bounds: dict[str, tuple[float, float]] = {}
    if reference is not None:
        if measure == "swing_ms":
            there = [row for row in there if {row.kind} == reference.kinds]
        value = reference.values[measure]
        low = value.middle if value.lower is None else value.lower
        high = value.middle if value.upper is None else value.upper
        bounds = {row.swing_id: (low, high) for row in there}
    else:
        sets: dict[tuple[str, str], list[float]] = {}
        for row in there:
            sets.setdefault((row.session_id, row.kind), []).append(row.values[measure])
        medians = {key: float(np.median(values)) for key, values in sets.items()}
        for row in there:
            median = medians[row.session_id, row.kind]
            bounds[row.swing_id] = (median, median)
    out: dict[str, Side | None] = {}
    for row in there:
        low, high = bounds[row.swing_id]
        at = row.values[measure]
        out[row.swing_id] = "below" if at < low else "above" if at > high else None
    return out
