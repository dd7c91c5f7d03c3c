"""Which goes with which, within one player: slopes with intervals, never causes.

A relation is taken within sessions, so that the strapping on, the day's weather or the ball don't
make one. Slopes are Huber's M-estimates with a level of its own for each session. "Given" is the
relation that is left when another quantity is held: time given turn, turn given time. What goes
together in one player's own swings says nothing about what makes what.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from analysis.evidence.outcome import POWER, Outcome, outcome_of
from analysis.evidence.robust import (
    FitParams,
    RobustFit,
    latest_sessions,
    robust_fit,
    session_numbers,
)
from analysis.evidence.spread import (
    EvidenceParams,
    Interval,
    SwingRow,
    clean,
    family_level,
    one_setting,
    student_t,
)
from analysis.evidence.told import NotYet, Statement
from analysis.scatter import scaled_mad

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.intp]


LEAST_SWINGS_RELATED: Final = 12
"""Swings below which no relation is looked at; common practice, no source."""

FAR: Final = 4.0
"""Swings further than this many spreads from their session's median in the quantity on the right
of "goes with" are left out and counted: in a regression, far values rule the slope."""

LEAST_FOR_TREND: Final = 8
"""Swings of a session from which on it has a trend of its own."""

FELT_MEASURES: Final = ("felt_rushed", "felt_short", "felt_well")
"""Felt answers as numbers: 1 rushed, short or struck well; 0 otherwise."""

FELT_FIT: Final = FitParams(robust=False)
"""Yes-or-no answers have no odd values to hold back, and often a spread of zero by medians."""

LEAST_MARGIN: Final = 0.25
"""A relation matters that moves ``y`` by this share of its spread for one spread of ``x``: about a
correlation of 0.25. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Association:
    """How one quantity goes with another.

    Attributes
    ----------
    y, x : str
        ``y`` goes with ``x``.
    given : tuple of str
        Quantities that are held.
    slope : Interval
        Units of ``y`` for one unit of ``x``.
    usual_step : float
        Spread of ``x`` within a session.
    for_usual_step : Interval
        What goes along in ``y`` when ``x`` is higher by one such spread.
    outcome : Outcome
        Different: they go together. Same: they don't, for what matters. Unclear: not to be told.
    margin : float
        What matters in ``y`` for one usual step.
    n, sessions, left_out : int
        Swings used, of how many sessions, and swings left out as too far off.
    more_swings : int or None
        How many more swings of the same kind it would take to tell, if the spread stays as it is;
        None where it can be told. A rough figure.
    swing_ids : tuple of str
    """

    y: str
    x: str
    given: tuple[str, ...]
    slope: Interval
    usual_step: float
    for_usual_step: Interval
    outcome: Outcome
    margin: float
    n: int
    sessions: int
    left_out: int
    more_swings: int | None
    swing_ids: tuple[str, ...]

    @property
    def statement(self) -> Statement:
        """What it says, without saying what makes what."""
        about = {"y": self.y, "x": self.x, "given": self.given, "n": self.n}
        if self.outcome is Outcome.SAME:
            return Statement.of("goes_without", **about)
        if self.outcome is Outcome.INCONCLUSIVE:
            return Statement.of("relation_open", **about, more_swings=self.more_swings)
        step = self.for_usual_step
        about |= {"more": self.slope.middle > 0, "low": step.low, "high": step.high}
        if self.x in FELT_MEASURES:
            return Statement.of("goes_with_feeling", **about)
        return Statement.of("goes_with", **about, usual_step=self.usual_step)


def value_of(row: SwingRow, measure: str) -> float | None:
    """Give a measured value, a result, or a felt answer as a number; None where there is none."""
    if measure == "felt_rushed":
        return None if row.felt_time is None else float(row.felt_time == "rushed")
    if measure == "felt_short":
        return None if row.felt_turn is None else float(row.felt_turn == "short")
    if measure == "felt_well":
        return None if row.felt_strike is None else float(row.felt_strike == "well")
    if measure == "offline_size_m":
        offline = row.values.get("offline_m")
        return None if offline is None else abs(offline)
    return row.values.get(measure)


def association(
    rows: Sequence[SwingRow],
    y: str,
    x: str,
    given: Sequence[str] = (),
    *,
    comparisons: int = 1,
    margin: float | None = None,
    params: EvidenceParams | None = None,
) -> Association | NotYet:
    """Tell how ``y`` goes with ``x`` in swings of one setting.

    Parameters
    ----------
    rows : sequence of SwingRow
        Of one setting, sessions in order of time (the latest `MOST_SESSIONS` are used), and best
        of one kind: strikes differ from rehearsals in many things at once.
    y, x : str
        Names of values, or of `FELT_MEASURES`.
    given : sequence of str
        What is held.
    comparisons : int
        How many relations are looked at together.
    margin : float, optional
        What matters in ``y`` for one usual step of ``x``. By default a quarter of the spread of
        ``y``, and a tenth for felt answers.
    params : EvidenceParams, optional

    Returns
    -------
    Association or NotYet

    Raises
    ------
    MixedError
        Rows of different players, clubs, mounts or intents.
    ValueError
        The same name twice.
    """
    p = params or EvidenceParams()
    names = (y, x, *given)
    if len(set(names)) != len(names):
        raise ValueError("a quantity always goes with itself; name each once")
    # A swing whose y is only known as "at least" is a fast one: neither its number nor the others
    # without it would do. One whose x is so can be left out: that doesn't bend the line.
    if any(y in row.bounds for row in rows if all(value_of(row, n) is not None for n in names)):
        return NotYet.of("relation_at_least", measure=y)
    rows = [row for row in rows if not row.bounds.intersection(names)]
    chosen, values = _table(rows, names)
    number = session_numbers([row.session_id for row in chosen])
    if len(chosen) < LEAST_SWINGS_RELATED:
        return NotYet.count(len(chosen), LEAST_SWINGS_RELATED, measures=names)
    keep = _near(values[:, 1:], number, [name in FELT_MEASURES for name in names[1:]])
    left_out = int(np.sum(~keep))
    # Sessions of one or two swings only spend a level each.
    counts = np.bincount(number[keep], minlength=int(number.max()) + 1)
    keep &= counts[number] >= 3
    if keep.sum() < LEAST_SWINGS_RELATED:
        return NotYet.count(int(keep.sum()), LEAST_SWINGS_RELATED, "in_fuller_sessions")
    chosen = [row for row, yes in zip(chosen, keep, strict=True) if yes]
    values = values[keep]
    number = session_numbers([row.session_id for row in chosen])
    for k, name in enumerate(names):
        if not _varies(values[:, k], number):
            return NotYet.of("all_alike", measure=name)
    binary = y in FELT_MEASURES
    place = np.array([row.order for row in chosen], dtype=np.float64)
    fit = _fit(values[:, 1:], values[:, 0], number, place, binary=binary)
    if isinstance(fit, NotYet):
        return fit
    level = family_level(p.level, comparisons)
    raw = fit.interval(0, level)
    slope = Interval(raw.low, raw.middle, raw.high, p.level)
    step = _usual_step(values[:, 1], number)
    if x in FELT_MEASURES:
        step = 1.0
    along = Interval(slope.low * step, slope.middle * step, slope.high * step, p.level)
    if margin is None:
        margin = 0.1 if binary else LEAST_MARGIN * _usual_step(values[:, 0], number)
    outcome = outcome_of(along.low, along.high, margin)
    more = None
    if outcome is Outcome.INCONCLUSIVE:
        # A relation as large as what matters is to be told: by leaving out zero, in `POWER` of
        # cases. The standard error falls with the root of the number of swings.
        quantiles = student_t(0.5 + level / 2, 1e6) + student_t(POWER, 1e6)
        now = float(fit.se[0]) * step
        needed = len(chosen) * (quantiles * now / margin) ** 2 if margin > 0 else math.inf
        extra = needed - len(chosen)
        more = None if not math.isfinite(extra) else max(1, math.ceil(extra))
    return Association(
        y=y,
        x=x,
        given=tuple(given),
        slope=slope,
        usual_step=step,
        for_usual_step=along,
        outcome=outcome,
        margin=margin,
        n=len(chosen),
        sessions=int(number.max()) + 1,
        left_out=left_out,
        more_swings=more,
        swing_ids=tuple(row.swing_id for row in chosen),
    )


def associate(
    rows: Sequence[SwingRow],
    results: Sequence[str],
    measures: Sequence[str] = ("swing_ms", "backswing_ms", "downswing_ms", "turn_deg"),
    *,
    params: EvidenceParams | None = None,
) -> list[tuple[str, str, tuple[str, ...], Association | NotYet]]:
    """Look at all relations at once, with their number counted; and at time and turn, each given
    the other.

    Parameters
    ----------
    rows : sequence of SwingRow
    results : sequence of str
        What may go with the measures: peak rate, head speed, carry, offline, felt or measured
        strike.
    measures : sequence of str
    params : EvidenceParams, optional

    Returns
    -------
    list of (y, x, given, Association or NotYet)
        Pairs in which one name would stand twice are left out.
    """
    asked: list[tuple[str, str, tuple[str, ...]]] = []
    for y in results:
        asked += [(y, x, ()) for x in measures if x != y]
        for x in measures:
            if x != "turn_deg" and "turn_deg" in measures and y not in (x, "turn_deg"):
                asked.append((y, x, ("turn_deg",)))
        time = next((m for m in ("swing_ms", "backswing_ms") if m in measures), None)
        if time is not None and "turn_deg" in measures and y not in (time, "turn_deg"):
            asked.append((y, "turn_deg", (time,)))
    return [
        (
            y,
            x,
            given,
            association(rows, y, x, given, comparisons=len(asked), params=params),
        )
        for y, x, given in asked
    ]


def _table(rows: Sequence[SwingRow], names: Sequence[str]) -> tuple[list[SwingRow], Array]:
    """Return rows of the latest sessions that have all quantities, in order, and their values."""
    if rows:
        one_setting(rows)
    first: dict[str, int] = {}
    for row in rows:
        first.setdefault(row.session_id, len(first))
    chosen = [row for row in rows if all(value_of(row, name) is not None for name in names)]
    latest = latest_sessions(chosen)
    chosen = [row for row in chosen if row.session_id in latest]
    chosen.sort(key=lambda row: (first[row.session_id], row.order))
    found = (value_of(row, name) for row in chosen for name in names)
    flat = [value for value in found if value is not None]
    return chosen, clean(flat).reshape(len(chosen), len(names))


def _centred(values: Array, number: Index) -> Array:
    """Subtract each session's median."""
    out = values.copy()
    for k in range(int(number.max()) + 1):
        out[number == k] -= np.median(values[number == k])
    return out


def _near(x: Array, number: Index, felt: Sequence[bool]) -> npt.NDArray[np.bool_]:
    """Tell which swings lie near enough to their session in every quantity on the right."""
    keep = np.ones(len(x), dtype=bool)
    for k in range(x.shape[1]):
        if felt[k]:
            continue
        dev = np.abs(_centred(x[:, k], number))
        scale = scaled_mad(dev)
        if scale > 0:
            keep &= dev <= FAR * scale
    return keep


def _varies(values: Array, number: Index) -> bool:
    """Tell whether a quantity differs within any session."""
    return any(np.ptp(values[number == k]) > 0 for k in range(int(number.max()) + 1))


def _usual_step(values: Array, number: Index) -> float:
    """Spread within sessions; the standard deviation where half of the swings are alike."""
    dev = _centred(values, number)
    step = scaled_mad(dev)
    return step if step > 0 else float(np.std(dev))


def _fit(x: Array, y: Array, number: Index, place: Array, *, binary: bool) -> RobustFit | NotYet:
    """Fit with a level and, where there are swings enough, a trend for each session.

    Two quantities that both drift through a session go together without having to do with each
    other, hence the trends.
    """
    columns = [_centred(x[:, k], number) for k in range(x.shape[1])]
    for k in range(int(number.max()) + 1):
        mine = number == k
        columns.append(mine.astype(np.float64))
        if mine.sum() >= LEAST_FOR_TREND:
            columns.append(np.where(mine, place - place[mine].mean(), 0.0))
    return robust_fit(np.column_stack(columns), y, number, FELT_FIT if binary else None)
