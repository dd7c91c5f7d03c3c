"""What goes with the ball: a player's rehearsals against strikes, and what changes in a session.

Only measures that don't hang on how impact is told are compared; a rehearsal's impact and a
strike's follow different rules. The difference is taken within sessions, so the strapping on of the
sensor and its scale cancel, with the parts of `analysis.evidence.parts`: where all rehearsals
come before all strikes, what goes with the ball and what drifts through a session are hardly told
apart, and the interval says so by its width. From one session it is told for *today*; what a ball
changes differs from session to session, so *from day to day* is wider, and narrows with sessions
and not with swings.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from analysis.evidence.cells import Cell
from analysis.evidence.outcome import Decided, Decision, decide_together
from analysis.evidence.parts import Scope, budget, total
from analysis.evidence.robust import RobustFit, latest_sessions, robust_fit, session_numbers
from analysis.evidence.spread import (
    Asked,
    EvidenceParams,
    Interval,
    Matters,
    SwingRow,
    bound_reason,
    cell_of_rows,
    one_setting,
    student_t,
)
from analysis.evidence.summary import TO_IMPACT
from analysis.evidence.told import NotYet
from analysis.evidence.variance import variances_of

Array = npt.NDArray[np.float64]


CONTRAST_MEASURES: Final = ("backswing_ms", "turn_deg", "peak_rate_dps")
"""Measures of `Swing` that don't hang on impact."""

LEAST_OF_A_KIND: Final = 5
"""Rehearsals and strikes there must be in a session to be compared; common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BallEffect(Decided):
    """Strikes minus rehearsals in one measure.

    Attributes
    ----------
    measure : str
    decision : Decision
        Of strike minus rehearsal, in the measure's unit.
    scope : {"today", "days"}
        Today: from one session, about that session.
    days : Decision or None
        From one session: the same from day to day.
    rehearsal_middle, strike_middle : float
        Trimmed means.
    rehearsals, strikes : tuple of str
        Identifiers of the swings.
    sessions : int
    alternated : bool
        Whether kinds took turns; if not, what goes with the ball and what goes with time pull
        apart poorly.
    trend : Interval or NotYet
        Change from the first to the last swing of a session that is not due to kind.
    late_minus_early : Interval or NotYet
        By how much the difference itself changes from the first to the last swing.
    carry_over : Interval or NotYet
        How much of the difference the first swing after a change of kind keeps from the kind
        before, in the measure's unit.
    """

    measure: str
    decision: Decision
    scope: Scope
    days: Decision | None
    rehearsal_middle: float
    strike_middle: float
    rehearsals: tuple[str, ...]
    strikes: tuple[str, ...]
    sessions: int
    alternated: bool
    trend: Interval | NotYet
    late_minus_early: Interval | NotYet
    carry_over: Interval | NotYet

    @property
    def difference(self) -> Interval:
        """Strike minus rehearsal, at the level it was decided at."""
        return Interval.of(self.decision)


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


def ball_effects(
    rows: Sequence[SwingRow],
    measures: Sequence[str] = CONTRAST_MEASURES,
    *,
    matters: Matters | None = None,
    params: EvidenceParams | None = None,
) -> dict[str, BallEffect | NotYet]:
    """Compare strikes with rehearsals of the same sessions, all measures decided together.

    Parameters
    ----------
    rows : sequence of SwingRow
        Of one setting, sessions in order of time (the latest 30 are used); swings of unclear kind
        are passed over.
    measures : sequence of str
        Ones that don't hang on impact.
    matters : Matters, optional
    params : EvidenceParams, optional

    Returns
    -------
    dict of str to BallEffect or NotYet

    Raises
    ------
    MixedError
        Rows of different players, clubs, mounts or intents.
    """
    p = params or EvidenceParams()
    asked = {m: _ask_ball(rows, m, matters or Matters(), p) for m in measures}
    there = {m: one for m, one in asked.items() if isinstance(one, _Ball)}
    decided = decide_together(
        [(one.asked.difference, one.asked.parts, one.asked.margin) for one in there.values()],
        level=p.level,
    )
    today = {m: one for m, one in there.items() if one.days is not None}
    on_days = decide_together(
        [
            (one.days.difference, one.days.parts, one.days.margin)
            for one in today.values()
            if one.days is not None
        ],
        level=p.level,
    )
    days = dict(zip(today, on_days, strict=True))
    out: dict[str, BallEffect | NotYet] = {
        m: one for m, one in asked.items() if isinstance(one, NotYet)
    }
    for (m, one), decision in zip(there.items(), decided, strict=True):
        out[m] = one.effect(decision, days.get(m), p)
    return {m: out[m] for m in measures}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Ball:
    """What is asked of a ball in one measure, and what its order effects are told from."""

    asked: Asked
    days: Asked | None
    usable: list[SwingRow]
    locations: tuple[float, float]

    def effect(self, decision: Decision, days: Decision | None, p: EvidenceParams) -> BallEffect:
        """Say it, with what hangs on the order of the swings."""
        measure, usable = self.asked.measure, self.usable
        y = np.array([row.values[measure] for row in usable])
        strike = np.array([row.kind == "strike" for row in usable], dtype=np.float64)
        number = session_numbers([row.session_id for row in usable])
        place = _order(usable, number)
        sessions = int(number.max()) + 1
        dummies = (number[:, None] == np.arange(sessions)).astype(np.float64)
        # Each session drifts in its own way.
        base = np.column_stack([strike - 0.5, dummies, dummies * place[:, None]])
        fit = robust_fit(base, y, number)
        swaps = np.flatnonzero((np.diff(strike) != 0) & (np.diff(number) == 0))
        return BallEffect(
            measure=measure,
            decision=decision,
            scope=self.asked.scope,
            days=days,
            rehearsal_middle=self.locations[0],
            strike_middle=self.locations[1],
            rehearsals=tuple(row.swing_id for row in usable if row.kind == "rehearsal"),
            strikes=tuple(row.swing_id for row in usable if row.kind == "strike"),
            sessions=sessions,
            alternated=len(swaps) >= 2 * sessions,
            trend=fit if isinstance(fit, NotYet) else _mean_trend(fit, sessions, p.level),
            late_minus_early=_late_minus_early(base, y, number, strike, place, p),
            carry_over=_carry_over(base, y, number, strike, swaps, p),
        )


def _ask_ball(
    rows: Sequence[SwingRow], measure: str, matters: Matters, p: EvidenceParams
) -> _Ball | NotYet:
    if measure in TO_IMPACT:
        return NotYet.of("other_rules", measure=measure)
    if not rows:
        return NotYet.count(0, LEAST_OF_A_KIND, "both_kinds")
    setting = one_setting(rows)
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
        fewer, what = min(zip(best, ("rehearsal", "strike"), strict=True))
        return NotYet.count(fewer, LEAST_OF_A_KIND, f"{what}_in_session")
    for kind in ("rehearsal", "strike"):
        reason = bound_reason([row for row in usable if row.kind == kind], measure)
        if reason is not None:
            return NotYet.of("at_least_of_kind", kind=kind, measure=measure, why=reason)
    pairs: list[tuple[Cell, Cell]] = []
    for k, session_id in enumerate(dict.fromkeys(row.session_id for row in usable)):
        both = []
        for kind in ("rehearsal", "strike"):
            mine = [r for r in usable if r.session_id == session_id and r.kind == kind]
            made = cell_of_rows(mine, measure, k)
            assert made is not None
            both.append(made)
        pairs.append((both[0], both[1]))
    known = variances_of(
        [[one for one, _ in pairs], [other for _, other in pairs]],
        measure,
        prior=p.prior,
        mount=setting.mount,
    )
    # Sessions count by how well each tells it, what differs between sessions included.
    sure = [total(budget([(a, -1.0), (b, 1.0)], known, "days"))[0] for a, b in pairs]
    if not all(u > 0.0 for u in sure):
        return NotYet.of("no_spread")
    weights = np.array(sure) ** -2.0
    weights /= weights.sum()
    contrast = [
        (cell, sign * float(w))
        for pair, w in zip(pairs, weights, strict=True)
        for cell, sign in zip(pair, (-1.0, 1.0), strict=True)
    ]
    locations = tuple(
        sum(pair[k].location * float(w) for pair, w in zip(pairs, weights, strict=True))
        for k in (0, 1)
    )
    margin = matters.margin(measure, locations[0])

    def asked(scope: Scope) -> Asked:
        return Asked(
            measure=measure,
            difference=locations[1] - locations[0],
            parts=budget(contrast, known, scope),
            margin=margin,
            scope=scope,
        )

    one = len(pairs) == 1
    return _Ball(
        asked=asked("today" if one else "days"),
        days=asked("days") if one else None,
        usable=usable,
        locations=(locations[0], locations[1]),
    )


def _mean_trend(fit: RobustFit, sessions: int, level: float) -> Interval:
    """Mean of the sessions' trends; they are independent of each other."""
    slopes = fit.coefficients[1 + sessions :]
    estimate = float(np.mean(slopes))
    if sessions > 2:
        # Trends of several sessions say themselves how much they differ.
        se = float(np.std(slopes, ddof=1)) / sessions**0.5
        df = float(sessions - 1)
    else:
        se = float(np.sqrt(np.sum(fit.se[1 + sessions :] ** 2))) / sessions
        df = float(fit.df[-1])
    half = student_t(0.5 + level / 2, df) * se
    return Interval(estimate - half, estimate, estimate + half, level)


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
        return NotYet.count(least, 3, "kind_by_half")
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
        return NotYet.count(len(swaps), 3, "changes_of_kind")
    first = np.zeros(len(y))
    first[swaps + 1] = -(strike[swaps + 1] - strike[swaps])
    return _extra(base, first, y, number, p)
