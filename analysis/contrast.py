"""What goes with the ball: a player's rehearsals against strikes, and what changes in a session.

Only measures that don't hang on how impact is told are compared; a rehearsal's impact and a
strike's follow different rules. The difference is taken within sessions, so the strapping on of the
sensor and its scale cancel. It is a coefficient of a robust fit that holds a straight trend through
each session as well: where all rehearsals come before all strikes, the two are hardly told apart,
and the interval says so by its width.

Why not simpler: on simulated players with drift, heavy tails and neighbouring swings alike, Welch's
and Yuen's t hold the truth in 89 % of cases at 10 + 10 in blocks of five, and in under 80 % when
all rehearsals come first, where 95 % is stated; the percentile bootstrap in fewer
(``benchmarks/evidence.py`` measures what is used here).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from analysis.outcome import Outcome
from analysis.robust import RobustFit, latest_sessions, robust_fit, session_numbers, theil_sen
from analysis.spread import (
    EvidenceParams,
    Interval,
    Matters,
    NotYet,
    SessionData,
    SwingRow,
    autocorrelation,
    clean,
    family_level,
    inflation,
    judge,
    middle_of,
    one_setting,
    student_t,
    telling,
    unit_of,
)
from analysis.summary import TO_IMPACT

Array = npt.NDArray[np.float64]

__all__ = [
    "CONTRAST_MEASURES",
    "LEAST_OF_A_KIND",
    "BallEffect",
    "Jump",
    "Trend",
    "ask_if_moved",
    "peak_before_turn",
    "trend_across_sessions",
    "trend_in_session",
    "what_the_ball_does",
]

CONTRAST_MEASURES: Final = ("backswing_ms", "turn_deg", "peak_rate_dps")
"""Measures of `Swing` that don't hang on impact."""

LEAST_OF_A_KIND: Final = 5
"""Rehearsals and strikes there must be in a session to be compared; common practice, no source."""

LEAST_JUMP: Final = 2.0
"""Spreads that a jump must be before anybody is asked about it; common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BallEffect:
    """Strikes minus rehearsals in one measure.

    Attributes
    ----------
    measure : str
    outcome : Outcome
    difference : Interval
        Strike minus rehearsal, in the measure's unit.
    needed, detectable, margin : float
        As in `SessionChange`.
    rehearsal_middle, strike_middle : float
        Trimmed means.
    rehearsals, strikes : tuple of str
        Identifiers of the swings.
    sessions : int
    alternated : bool
        Whether kinds took turns; if not, what goes with the ball and what goes with time pull
        apart poorly.
    trend : Interval
        Change from the first to the last swing of a session that is not due to kind.
    late_minus_early : Interval or NotYet
        By how much the difference itself changes from the first to the last swing.
    carry_over : Interval or NotYet
        How much of the difference the first swing after a change of kind keeps from the kind
        before, in the measure's unit.
    """

    measure: str
    outcome: Outcome
    difference: Interval
    needed: float
    detectable: float
    margin: float
    rehearsal_middle: float
    strike_middle: float
    rehearsals: tuple[str, ...]
    strikes: tuple[str, ...]
    sessions: int
    alternated: bool
    trend: Interval
    late_minus_early: Interval | NotYet
    carry_over: Interval | NotYet


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """A change with time that may well be chance: the interval says.

    Attributes
    ----------
    outcome : Outcome
    change : Interval
        From the first swing (or session) to the last, in the measure's unit.
    n : int
        Swings or sessions.
    """

    outcome: Outcome
    change: Interval
    n: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Jump:
    """A jump within a session: maybe the sensor was moved. It is asked, not decided.

    Attributes
    ----------
    first : int
        Index of the first swing after it.
    change : float
        In the measure's unit.
    text : str
        The question.
    """

    first: int
    change: float
    text: str


def ask_if_moved(
    values: npt.ArrayLike, measure: str = "turn_deg", params: EvidenceParams | None = None
) -> Jump | None:
    """Look for a jump in a session's swings of one kind, as a sensor that slips makes.

    Parameters
    ----------
    values : array_like, shape (n,)
        In the order of the swings; fewer than twice `EvidenceParams.least_set` are passed over.
    measure : str
    params : EvidenceParams, optional

    Returns
    -------
    Jump or None
        Only for a jump that is told at the level of all places together and is larger than
        `LEAST_JUMP` spreads: a warm-up drifts, it doesn't jump.
    """
    p = params or EvidenceParams()
    x = clean(values)
    n = len(x)
    best: tuple[float, int, float] | None = None
    places = range(p.least_set, n - p.least_set + 1)
    for k in places:
        before, after = middle_of(x[:k], p), middle_of(x[k:], p)
        residual = np.concatenate([x[:k] - before.middle, x[k:] - after.middle])
        spread = 1.4826 * float(np.median(np.abs(residual)))
        change = after.middle - before.middle
        if spread <= 0 or abs(change) < LEAST_JUMP * spread:
            continue
        rho = autocorrelation([x[:k], x[k:]], p)
        se = float(
            np.sqrt(
                before.unit_var / before.kept * inflation(rho, k)
                + after.unit_var / after.kept * inflation(rho, n - k)
            )
        )
        df = float(min(before.df, after.df))
        quantile = student_t(0.5 + family_level(p.level, len(places)) / 2, df)
        if se > 0 and abs(change) > quantile * se and (best is None or abs(change) / se > best[0]):
            best = (abs(change) / se, k, change)
    if best is None:
        return None
    _, first, change = best
    more = "more" if change > 0 else "less"
    unit = unit_of(measure)
    return Jump(
        first=first,
        change=change,
        text=(
            f"from swing {first + 1} of {n} on, {abs(change):.0f} {unit} {more}: was the sensor "
            f"moved? If so, split the session there"
        ),
    )


def peak_before_turn(
    turn_deg: npt.ArrayLike, rate_dps: npt.ArrayLike, common_turn_deg: float
) -> float | None:
    """Greatest rate on the way down while at least a common turn is still to be turned back.

    A rehearsal may go on speeding up where a strike has met the ball; up to a turn that all swings
    passed before impact, their rates compare.

    Parameters
    ----------
    turn_deg, rate_dps : array_like, shape (n,)
        From the top on.
    common_turn_deg : float
        For instance 40 deg.

    Returns
    -------
    float or None
        None where the recording begins below the common turn or never reaches it.
    """
    turn, rate = clean(turn_deg), clean(rate_dps)
    below = np.flatnonzero(turn < common_turn_deg)
    if not len(below) or below[0] == 0:
        return None
    return float(np.max(rate[: below[0]]))


def _order(rows: Sequence[SwingRow], number: npt.NDArray[np.intp]) -> Array:
    """Place in the session, from -0.5 at its first swing used to 0.5 at its last."""
    place = np.zeros(len(rows))
    order = np.array([row.order for row in rows], dtype=np.float64)
    for k in range(int(number.max()) + 1):
        mine = number == k
        low, high = order[mine].min(), order[mine].max()
        if high > low:
            place[mine] = (order[mine] - low) / (high - low) - 0.5
    return place


def what_the_ball_does(
    rows: Sequence[SwingRow],
    measure: str,
    *,
    comparisons: int = 1,
    matters: Matters | None = None,
    params: EvidenceParams | None = None,
) -> BallEffect | NotYet:
    """Compare strikes with rehearsals of the same sessions.

    Parameters
    ----------
    rows : sequence of SwingRow
        Of one setting, sessions in order of time (the latest 30 are used); swings of unclear kind
        are passed over.
    measure : str
        One that doesn't hang on impact.
    comparisons : int
        How many measures are looked at together.
    matters : Matters, optional
    params : EvidenceParams, optional

    Returns
    -------
    BallEffect or NotYet

    Raises
    ------
    MixedError
        Rows of different players, clubs, mounts or intents.
    """
    p = params or EvidenceParams()
    if measure in TO_IMPACT:
        return NotYet(
            f"{measure} isn't compared between rehearsals and strikes, because their impacts are "
            "told by different rules"
        )
    if not rows:
        return NotYet.count(0, LEAST_OF_A_KIND, "rehearsals and strikes")
    one_setting(rows)
    usable: list[SwingRow] = []
    best = (0, 0)
    for session_id in dict.fromkeys(row.session_id for row in rows):
        mine = [
            row
            for row in rows
            if row.session_id == session_id and row.kind != "unclear" and measure in row.values
        ]
        counts = (
            sum(row.kind == "rehearsal" for row in mine),
            sum(row.kind == "strike" for row in mine),
        )
        if min(counts) >= LEAST_OF_A_KIND:
            usable += sorted(mine, key=lambda row: row.order)
        elif min(counts) > min(best) or (min(counts) == min(best) and sum(counts) > sum(best)):
            best = counts
    latest = latest_sessions(usable)
    usable = [row for row in usable if row.session_id in latest]
    if not usable:
        fewer, what = min(zip(best, ("rehearsals", "strikes"), strict=True))
        return NotYet.count(fewer, LEAST_OF_A_KIND, f"{what} in one session")
    y = np.array([row.values[measure] for row in usable])
    strike = np.array([row.kind == "strike" for row in usable], dtype=np.float64)
    number = session_numbers([row.session_id for row in usable])
    place = _order(usable, number)
    dummies = (number[:, None] == np.arange(number.max() + 1)).astype(np.float64)
    # Each session drifts in its own way.
    base = np.column_stack([strike - 0.5, dummies, dummies * place[:, None]])
    fit = robust_fit(base, y, number)
    if isinstance(fit, NotYet):
        return fit
    level = family_level(p.level, comparisons)
    raw = fit.interval(0, level)
    difference = Interval(raw.low, raw.middle, raw.high, p.level)
    se, df = float(fit.se[0]), float(fit.df[0])
    kinds = [[row for row in usable if row.kind == kind] for kind in ("rehearsal", "strike")]
    middles = [middle_of([row.values[measure] for row in part], p).middle for part in kinds]
    margin = (matters or Matters()).margin(measure, middles[0])
    told = telling(se, df, level, margin, p.power)
    swaps = np.flatnonzero((np.diff(strike) != 0) & (np.diff(number) == 0))
    sessions = int(number.max()) + 1
    trend = _mean_trend(fit, sessions, p.level)
    return BallEffect(
        measure=measure,
        outcome=judge(difference, margin),
        difference=difference,
        needed=told.needed,
        detectable=told.detectable,
        margin=margin,
        rehearsal_middle=middles[0],
        strike_middle=middles[1],
        rehearsals=tuple(row.swing_id for row in kinds[0]),
        strikes=tuple(row.swing_id for row in kinds[1]),
        sessions=sessions,
        alternated=len(swaps) >= 2 * sessions,
        trend=trend,
        late_minus_early=_late_minus_early(base, y, number, strike, place, p),
        carry_over=_carry_over(base, y, number, strike, swaps, p),
    )


def _mean_trend(fit: RobustFit, sessions: int, level: float) -> Interval:
    """Mean of the sessions' trends; they are independent of each other."""
    slopes = fit.coefficients[1 + sessions :]
    middle = float(np.mean(slopes))
    if sessions > 2:
        # Trends of several sessions say themselves how much they differ.
        se = float(np.std(slopes, ddof=1)) / sessions**0.5
        df = float(sessions - 1)
    else:
        se = float(np.sqrt(np.sum(fit.se[1 + sessions :] ** 2))) / sessions
        df = float(fit.df[-1])
    half = student_t(0.5 + level / 2, df) * se
    return Interval(middle - half, middle, middle + half, level)


def _extra(
    base: Array, column: Array, y: Array, number: npt.NDArray[np.intp], p: EvidenceParams
) -> Interval | NotYet:
    fit = robust_fit(np.column_stack([column, base]), y, number)
    return fit if isinstance(fit, NotYet) else fit.interval(0, p.level)


def _late_minus_early(
    base: Array,
    y: Array,
    number: npt.NDArray[np.intp],
    strike: Array,
    place: Array,
    p: EvidenceParams,
) -> Interval | NotYet:
    """Does the difference itself change through the session?"""
    late = place > 0
    least = min(
        int(np.sum((strike == kind) & (late == half)))
        for kind in (0.0, 1.0)
        for half in (False, True)
    )
    if least < 3:
        return NotYet.count(least, 3, "swings of each kind in each half of the session")
    return _extra(base, (strike - 0.5) * place, y, number, p)


def _carry_over(
    base: Array,
    y: Array,
    number: npt.NDArray[np.intp],
    strike: Array,
    swaps: npt.NDArray[np.intp],
    p: EvidenceParams,
) -> Interval | NotYet:
    """Is the first swing after a change of kind still partly of the kind before?"""
    if len(swaps) < 3:
        return NotYet.count(len(swaps), 3, "changes between rehearsals and strikes")
    first = np.zeros(len(y))
    first[swaps + 1] = -(strike[swaps + 1] - strike[swaps])
    return _extra(base, first, y, number, p)


def trend_in_session(
    values: npt.ArrayLike,
    measure: str,
    *,
    matters: Matters | None = None,
    params: EvidenceParams | None = None,
) -> Trend | NotYet:
    """Change through one session, by Theil and Sen, for swings of one kind in their order.

    Parameters
    ----------
    values : array_like, shape (n,)
        At least eight.
    measure : str
    matters : Matters, optional
    params : EvidenceParams, optional

    Returns
    -------
    Trend or NotYet
    """
    p = params or EvidenceParams()
    x = clean(values)
    n = len(x)
    if n < p.least_reference:
        return NotYet.count(n, p.least_reference)
    place = np.arange(n) / (n - 1)
    line = theil_sen(place, x)
    if isinstance(line, NotYet):
        return line
    # What neighbouring swings have in common beyond the trend.
    rho = autocorrelation([x - line.slope.middle * place], p)
    wide = theil_sen(place, x, level=p.level, factor=inflation(rho, n))
    if isinstance(wide, NotYet):
        return wide
    margin = (matters or Matters()).margin(measure, float(np.median(x)))
    return Trend(outcome=judge(wide.slope, margin), change=wide.slope, n=n)


def trend_across_sessions(
    sessions: Sequence[SessionData],
    measure: str,
    *,
    when: npt.ArrayLike | None = None,
    matters: Matters | None = None,
    params: EvidenceParams | None = None,
) -> Trend | NotYet:
    """Change from the first session to the last, by Theil and Sen on the sessions' middles.

    Parameters
    ----------
    sessions : sequence of SessionData
        In order of time; those with too few swings are passed over.
    measure : str
    when : array_like, shape (sessions,), optional
        Days, in any numbering; evenly spaced if left out.
    matters : Matters, optional
    params : EvidenceParams, optional

    Returns
    -------
    Trend or NotYet
    """
    p = params or EvidenceParams()
    days = np.arange(len(sessions), dtype=np.float64) if when is None else clean(when)
    if len(days) != len(sessions):
        raise ValueError("there must be one day for each session")
    use = [k for k, s in enumerate(sessions) if len(s.values) >= p.least_set]
    if len(use) < 5:
        return NotYet.count(len(use), 5, "sessions")
    middles = np.array([middle_of(sessions[k].values, p).middle for k in use])
    at = days[use]
    if at.max() <= at.min():
        return NotYet("all sessions are of the same day")
    line = theil_sen((at - at.min()) / (at.max() - at.min()), middles, level=p.level)
    if isinstance(line, NotYet):
        return line
    margin = (matters or Matters()).margin(measure, float(np.median(middles)))
    return Trend(outcome=judge(line.slope, margin), change=line.slope, n=len(use))
