"""A swing or a set of swings read against the player's own reference, in three plain words.

Longer or shorter (time), fuller or shorter (turn; *beyond* full over the upper bound), faster or
slower (the sensor's peak rate, or the head where it was measured). Each may be "about the same" or
"can't tell", and each has its interval. The words say how swings differ from the reference. All
combinations occur, and none is called right.

The three words are decided together, so that of twenty sets that are like the reference one at most
gets any wrong word. A set is read *from day to day* unless the reference is of the same session.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import ClassVar, Final, Literal

from analysis.evidence.cells import Cell
from analysis.evidence.intervals import t_quantile
from analysis.evidence.outcome import Decision, Outcome, decide_together
from analysis.evidence.outliers import outliers
from analysis.evidence.parts import (
    CLOCK,
    DAYS,
    DELAY,
    KIND,
    MEASURING,
    RULE,
    SCALE,
    Part,
    Scope,
    budget,
    shared_parts,
    total,
)
from analysis.evidence.spread import (
    Asked,
    EvidenceParams,
    Interval,
    Matters,
    SessionData,
    Setting,
    SwingRow,
    bound_reason,
    cell_of_rows,
    one_setting,
    player_spread,
    sessions_of,
)
from analysis.evidence.summary import Kind
from analysis.evidence.told import NotYet
from analysis.evidence.variance import Variances, variances_of

Aspect = Literal["time", "turn", "speed"]


ASPECTS: Final[tuple[Aspect, ...]] = ("time", "turn", "speed")
TIME_MEASURES: Final = ("swing_ms", "backswing_ms")
TURN: Final = "turn_deg"
SPEED_MEASURES: Final = ("club_speed_m_s", "peak_rate_dps")
"""The head's speed where it was measured or may be told by calibration, else the sensor's."""

SINGLE_DF: Final = 25.0
"""Degrees of freedom of one swing's stated uncertainty, as in `analysis.evidence.compare`."""


class Word(StrEnum):
    """The words there are."""

    LONGER = "longer"
    SHORTER = "shorter"
    FULLER = "fuller"
    LESS_FULL = "shorter turn"
    BEYOND = "beyond full"
    FASTER = "faster"
    SLOWER = "slower"
    SAME = "about the same"
    CANNOT_TELL = "can't tell"


UP: Final[Mapping[Aspect, Word]] = {"time": Word.LONGER, "turn": Word.FULLER, "speed": Word.FASTER}
DOWN: Final[Mapping[Aspect, Word]] = {
    "time": Word.SHORTER,
    "turn": Word.LESS_FULL,
    "speed": Word.SLOWER,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceValue:
    """The reference in one measure.

    Attributes
    ----------
    measure : str
    middle : float
        Trimmed mean over sessions.
    lower, upper : float or None
        Bounds set by the coach, or from the swings themselves.
    n : int
        Swings.
    session_counts : mapping of str to int
        Swings of each session it was made from.
    cells : tuple of Cell
        Its swings by session; each counts by the number of its swings.
    """

    measure: str
    middle: float
    lower: float | None
    upper: float | None
    n: int
    session_counts: Mapping[str, int]
    cells: tuple[Cell, ...] = field(metadata={"inner": True})

    def contrast(self) -> list[tuple[Cell, float]]:
        """Return what is taken off in a difference from it."""
        return [(cell, -cell.n / self.n) for cell in self.cells]


@dataclass(frozen=True, slots=True, kw_only=True)
class Reference:
    """The full, unhurried swing of one player, with one club and mount.

    Attributes
    ----------
    setting : Setting
    provisional : bool
        From free rehearsals; no coach has approved it.
    kinds : frozenset of {"rehearsal", "strike", "unclear"}
        Of the swings it was made from.
    values : mapping of str to ReferenceValue
    swing_ids : tuple of str
    outlier_ids : tuple of str
        Swings far from the others. Approved ones count all the same, since the coach looked at
        them; of a provisional reference they are left out.
    """

    setting: Setting
    provisional: bool
    kinds: frozenset[Kind]
    values: Mapping[str, ReferenceValue]
    swing_ids: tuple[str, ...]
    outlier_ids: tuple[str, ...] = field(default=(), metadata={"document": "odd_ids"})


@dataclass(frozen=True, slots=True, kw_only=True)
class WordRead:
    """One word.

    Attributes
    ----------
    aspect : {"time", "turn", "speed"}
    word : Word
    measure : str or None
        What was compared.
    difference : Interval or None
        These swings minus the reference, in the measure's unit.
    share : float or None
        The difference as a share of the reference.
    decision : Decision or None
    scope : {"today", "days"} or None
        Whether the reference is of the same session, or of other days.
    why : NotYet or None
        Why it can't be told.
    """

    IN_WORDS: ClassVar = ("reason",)

    aspect: Aspect
    word: Word
    measure: str | None = None
    difference: Interval | None = None
    share: float | None = None
    decision: Decision | None = None
    scope: Scope | None = None
    why: NotYet | None = None

    @property
    def reason(self) -> str | None:
        """Why it can't be told, in words."""
        return None if self.why is None else self.why.reason

    @property
    def margin(self) -> float | None:
        """What matters, in the measure's unit."""
        return None if self.decision is None else self.decision.margin

    @property
    def needed(self) -> float | None:
        """See `Decision`."""
        return None if self.decision is None else self.decision.needed

    @property
    def detectable(self) -> float | None:
        """See `Decision`."""
        return None if self.decision is None else self.decision.detectable


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """Three words about a swing or a set.

    Attributes
    ----------
    time, turn, speed : WordRead
    n : int
        Swings read.
    swing_ids : tuple of str
    provisional : bool
        Against a reference that no coach has approved.
    """

    time: WordRead
    turn: WordRead
    speed: WordRead
    n: int
    swing_ids: tuple[str, ...]
    provisional: bool

    @property
    def words(self) -> tuple[Word, Word, Word]:
        """Time, turn, speed."""
        return self.time.word, self.turn.word, self.speed.word


def make_reference(
    rows: Sequence[SwingRow],
    approved: Sequence[str] | None = None,
    *,
    lower: Mapping[str, float] | None = None,
    upper: Mapping[str, float] | None = None,
    spreads: Mapping[str, Variances | NotYet] | None = None,
    left_out: str | None = None,
    params: EvidenceParams | None = None,
) -> Reference | NotYet:
    """Set the reference from swings the coach approves, or else from free rehearsals.

    Parameters
    ----------
    rows : sequence of SwingRow
        Of one setting.
    approved : sequence of str, optional
        Identifiers of approved swings. Without any, the free rehearsals (those outside a drill's
        cued blocks) make a provisional reference, without those far from the others.
    lower, upper : mapping of str to float, optional
        Bounds by measure that the coach sets. Otherwise they hold 19 in 20 of the player's like
        swings of *another* session, and lie at least 5 % of the middle from it.
    spreads : mapping of str to Variances or NotYet, optional
        By measure, for those bounds; told from the reference's own swings where left out.
    left_out : str, optional
        A session that is to be judged by it: a provisional reference is made without it.
    params : EvidenceParams, optional

    Returns
    -------
    Reference or NotYet

    Raises
    ------
    MixedError
        The swings it would be made from are of different settings.
    ValueError
        A lower bound isn't below its upper bound.
    """
    p = params or EvidenceParams()
    if approved:
        wanted = set(approved)
        chosen = [row for row in rows if row.swing_id in wanted]
    else:
        chosen = [
            row
            for row in rows
            if row.kind == "rehearsal"
            and row.block in (None, "silent")
            and row.session_id != left_out
        ]
    if chosen:
        # Before outliers are looked for: what is one among different clubs says nothing.
        one_setting(chosen)
    far = outliers(chosen)
    if not approved:
        chosen = [row for row in chosen if row.swing_id not in far]
    if len(chosen) < p.least_reference:
        return _too_few(rows, chosen, far, p, approved)
    setting = one_setting(chosen)
    values = {}
    for measure in (*TIME_MEASURES, "downswing_ms", TURN, *SPEED_MEASURES):
        sessions = sessions_of(chosen, measure)
        n = sum(len(s.values) for s in sessions)
        if n < p.least_reference:
            continue
        # One middle of all; sessions weigh by their swings, as in `session_counts`.
        cells = tuple(s.cell for s in sessions)
        middle = sum(cell.location * cell.n for cell in cells) / n
        spread = None if spreads is None else spreads.get(measure)
        if spread is None or isinstance(spread, NotYet):
            spread = player_spread([sessions], measure, p, mount=setting.mount)
        reach = 0.05 * abs(middle)
        if not isinstance(spread, NotYet):
            reach = max(reach, _reach(cells, n, spread, p.level))
        # A bound that the coach set may lie beyond the swings themselves; the other one keeps off.
        low_given, high_given = (lower or {}).get(measure), (upper or {}).get(measure)
        low = middle - reach if low_given is None else low_given
        high = max(middle, low) + reach if high_given is None else high_given
        if low_given is None:
            low = min(middle, high) - reach
        if not low < high:
            raise ValueError(f"the lower bound of {measure} must be below the upper")
        values[measure] = ReferenceValue(
            measure=measure,
            middle=middle,
            lower=low,
            upper=high,
            n=n,
            session_counts={s.session_id: len(s.values) for s in sessions},
            cells=cells,
        )
    return Reference(
        setting=setting,
        provisional=not approved,
        kinds=frozenset(row.kind for row in chosen),
        values=values,
        swing_ids=tuple(row.swing_id for row in chosen),
        outlier_ids=far,
    )


def _too_few(
    rows: Sequence[SwingRow],
    chosen: Sequence[SwingRow],
    far: Sequence[str],
    p: EvidenceParams,
    approved: Sequence[str] | None,
) -> NotYet:
    """Say how many there are of a reference's swings, and what doesn't count."""
    have, need = len(chosen), p.least_reference
    if approved:
        return NotYet.count(have, need, "approved")
    unclear = sum(row.kind == "unclear" and row.block in (None, "silent") for row in rows)
    return NotYet.count(have, need, "free_rehearsals", unclear=unclear, odd=len(far))


def _reach(cells: Sequence[Cell], n: int, spread: Variances, level: float) -> float:
    """How far from the middle the swings of another session lie, in a share of `level`.

    A prediction for one further swing of one further session: its own scatter, its day, and how
    well the middle itself is known.
    """
    dof = sum(cell.dof for cell in cells)
    own = sum(cell.variance * cell.dof for cell in cells) / dof if dof > 0.0 else spread.swing
    parts = (
        Part("swing", own, max(dof, 1.0)),
        Part("day", spread.session, spread.session_dof),
        *budget([(cell, cell.n / n) for cell in cells], spread, "days"),
    )
    u, dof = total(parts)
    return t_quantile(0.5 + level / 2.0, dof) * u


def read(
    rows: Sequence[SwingRow],
    reference: Reference | NotYet,
    history: Sequence[SwingRow] = (),
    *,
    spreads: Mapping[str, Variances | NotYet] | None = None,
    matters: Matters | None = None,
    params: EvidenceParams | None = None,
) -> Reading:
    """Read one swing, or a set of one session, against the reference.

    One swing is read by the uncertainty of its measurement: what happened in it. A set is read by
    its middle: what these swings are like as a whole.

    Parameters
    ----------
    rows : sequence of SwingRow
        One swing, or several of one session and setting.
    reference : Reference or NotYet
        Against a `NotYet` nothing is judged, and its reason is given.
    history : sequence of SwingRow
        Swings of the same setting from which the player's spread between sessions is told; needed
        where the swings and the reference are of different sessions. Best of one kind of swing and
        of times with no change.
    spreads : mapping of str to Variances or NotYet, optional
        By measure, if they are at hand already; takes the place of ``history``.
    matters : Matters, optional
    params : EvidenceParams, optional

    Returns
    -------
    Reading

    Raises
    ------
    MixedError
        The swings are of another setting than the reference, or of several.
    ValueError
        The swings are of several sessions, or there are none.
    """
    p = params or EvidenceParams()
    if not rows:
        raise ValueError("no swings")
    if isinstance(reference, Reference):
        _same_setting([*rows, *history], reference)
    else:
        one_setting(rows)
    if len({row.session_id for row in rows}) > 1:
        raise ValueError("a set is read within one session")
    ids = tuple(row.swing_id for row in rows)
    if isinstance(reference, NotYet):
        why = NotYet.of("no_reference", why=reference)
        blank = {a: WordRead(aspect=a, word=Word.CANNOT_TELL, why=why) for a in ASPECTS}
        return Reading(
            time=blank["time"],
            turn=blank["turn"],
            speed=blank["speed"],
            n=len(rows),
            swing_ids=ids,
            provisional=False,
        )
    words: dict[Aspect, WordRead] = {}
    asked: dict[Aspect, Asked] = {}
    for aspect in ASPECTS:
        measure = _measure_for(aspect, rows, reference)
        if measure is None:
            missing = NotYet.of("measured_in_one_only")
            words[aspect] = WordRead(aspect=aspect, word=Word.CANNOT_TELL, why=missing)
            continue
        value = reference.values[measure]
        spread: Variances | NotYet
        if spreads is not None:
            spread = spreads.get(measure, NotYet.of("spread_unknown"))
        else:
            data = sessions_of(history, measure) if history else []
            spread = player_spread([data], measure, p, mount=rows[0].mount)
        one = _ask(rows, value, spread, matters or Matters(), p)
        if isinstance(one, Asked):
            asked[aspect] = one
        else:
            words[aspect] = WordRead(aspect=aspect, word=Word.CANNOT_TELL, measure=measure, why=one)
    found = decide_together(
        [(one.difference, one.parts, one.margin) for one in asked.values()], level=p.level
    )
    for (aspect, one), decision in zip(asked.items(), found, strict=True):
        words[aspect] = _word(aspect, one, decision, reference.values[one.measure])
    return Reading(
        time=words["time"],
        turn=words["turn"],
        speed=words["speed"],
        n=len(rows),
        swing_ids=ids,
        provisional=reference.provisional,
    )


def difference_from(
    value: ReferenceValue, sessions: Sequence[SessionData], spread: Variances
) -> tuple[float, tuple[Part, ...], Scope]:
    """Difference of one session or more, each of the same weight, from the reference.

    Parameters
    ----------
    value : ReferenceValue
    sessions : sequence of SessionData
    spread : Variances

    Returns
    -------
    difference : float
        In the measure's unit.
    parts : tuple of Part
        What a session shares with the reference cancels.
    scope : {"today", "days"}
    """
    mine = {s.session_id for s in sessions}
    scope: Scope = "today" if mine == set(value.session_counts) and len(mine) == 1 else "days"
    contrast = [(s.cell, 1.0 / len(sessions)) for s in sessions] + value.contrast()
    middle = sum(s.cell.location for s in sessions) / len(sessions)
    return middle - value.middle, budget(contrast, spread, scope), scope


def _same_setting(rows: Sequence[SwingRow], reference: Reference) -> None:
    """Refuse swings of another player, club, mount or intent than the reference's."""
    s = reference.setting
    one = SwingRow(
        swing_id="reference",
        session_id="reference",
        order=0,
        player=s.player,
        club=s.club,
        mount=s.mount,
        intent=s.intent,
    )
    one_setting([*rows, one])


def _measure_for(aspect: Aspect, rows: Sequence[SwingRow], reference: Reference) -> str | None:
    """Choose the measure that stands for an aspect."""
    options: tuple[str, ...] = {"time": TIME_MEASURES, "turn": (TURN,), "speed": SPEED_MEASURES}[
        aspect
    ]
    kinds = {row.kind for row in rows}
    if aspect == "time" and (len(kinds) > 1 or kinds != reference.kinds):
        # A rehearsal's impact and a strike's are told by different rules, so between them it is
        # the time of the backswing that is read.
        options = ("backswing_ms",)
    counts = {
        name: sum(name in row.values for row in rows)
        for name in options
        if name in reference.values
    }
    best = max(counts.values(), default=0)
    if not best:
        return None
    # The first that is as often there as any.
    return next(name for name in options if counts.get(name) == best)


def _ask(
    rows: Sequence[SwingRow],
    value: ReferenceValue,
    spread: Variances | NotYet,
    matters: Matters,
    p: EvidenceParams,
) -> Asked | NotYet:
    """Work out a difference from the reference and its parts."""
    measure = value.measure
    mine = [row for row in rows if measure in row.values]
    single = len(rows) == 1
    if not single and len(mine) < p.least_set:
        return NotYet.count(len(mine), p.least_set)
    if single and measure in mine[0].bounds:
        return NotYet.of("swing_at_least")
    bound = bound_reason(mine, measure)
    if bound is not None:
        return bound
    if isinstance(spread, NotYet):
        # Nothing but the swings at hand.
        every = [*value.cells]
        made = cell_of_rows(mine, measure)
        if made is not None and not single:
            every.append(made)
        spread = variances_of(
            [[cell] for cell in every], measure, prior=p.prior, mount=mine[0].mount
        )
    data = sessions_of(mine, measure)
    difference, parts, scope = difference_from(value, data, spread)
    if single:
        u = mine[0].u.get(measure)
        if u is None:
            return NotYet.of("swing_u_unknown")
        parts = _single(mine[0], u, value, data[0].cell, spread, scope)
    if not any(part.variance > 0.0 for part in parts):
        return NotYet.of("no_spread_of_values")
    return Asked(
        measure=measure,
        difference=difference,
        parts=parts,
        margin=matters.margin(measure, value.middle),
        scope=scope,
    )


def _single(
    row: SwingRow, u: float, value: ReferenceValue, cell: Cell, spread: Variances, scope: Scope
) -> tuple[Part, ...]:
    """Return the parts of one swing's difference: its measurement, the reference's own and the day.

    What happened in that swing is known as well as it was measured; its scatter is no doubt.
    """
    reference = value.contrast()
    whole = budget([(cell, 1.0), *reference], spread, scope)
    kept = [part for part in whole if part.source in (DAYS, KIND)]
    own = [
        part
        for part in budget(reference, spread, "today")
        if part.source not in (SCALE, CLOCK, DELAY, RULE)
    ]
    shared = shared_parts([(cell, 1.0), *reference])
    return (Part(MEASURING, u * u, SINGLE_DF), *own, *kept, *shared)


def _word(aspect: Aspect, asked: Asked, decision: Decision, value: ReferenceValue) -> WordRead:
    delta = asked.difference
    why = None
    if decision.outcome is Outcome.SAME:
        word = Word.SAME
    elif decision.outcome is Outcome.INCONCLUSIVE:
        word = Word.CANNOT_TELL
        why = NotYet.of("both_possible")
    else:
        word = (UP if delta > 0 else DOWN)[aspect]
    # An upper bound is a line that the coach or the swings set, not a measured middle.
    if aspect == "turn" and value.upper is not None and decision.low > value.upper - value.middle:
        word = Word.BEYOND
        why = None
    return WordRead(
        aspect=aspect,
        word=word,
        measure=asked.measure,
        difference=Interval.of(decision),
        share=delta / value.middle if value.middle else None,
        decision=decision,
        scope=asked.scope,
        why=why,
    )
