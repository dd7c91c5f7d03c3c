"""A swing or a set of swings read against the player's own reference, in three plain words.

Longer or shorter (time), fuller or shorter (turn; *beyond* full over the upper bound), faster or
slower (the sensor's peak rate, or the head where it was measured). Each may be "about the same" or
"can't tell", and each has its interval. The words say how swings differ from the reference. All
combinations occur, and none is called right.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final, Literal

import numpy as np

from analysis.outcome import Outcome
from analysis.spread import (
    EvidenceParams,
    Interval,
    Matters,
    NotYet,
    PlayerSpread,
    SessionData,
    Setting,
    SwingRow,
    add_known,
    judge,
    middle_of,
    one_setting,
    player_spread,
    scale_var,
    sessions_of,
    telling,
)
from analysis.summary import Kind

Aspect = Literal["time", "turn", "speed"]

__all__ = [
    "ASPECTS",
    "TIME_MEASURES",
    "Aspect",
    "Reading",
    "Reference",
    "ReferenceValue",
    "Word",
    "WordRead",
    "difference_from",
    "make_reference",
    "odd_swings",
    "read",
]

ASPECTS: Final[tuple[Aspect, ...]] = ("time", "turn", "speed")
TIME_MEASURES: Final = ("swing_ms", "backswing_ms")
TURN: Final = "turn_deg"
SPEED_MEASURES: Final = ("club_speed_m_s", "peak_rate_dps")
"""The head's speed where it was measured or may be told by calibration, else the sensor's."""

ODD_SPREADS: Final = 4.0
ODD_SHARE: Final = 0.25
"""A swing is odd that lies, in turn, time of the backswing or peak rate, more than four spreads and
a quarter from the median of the others: done in slow motion, or a part of a swing. Common practice,
no source."""

SINGLE_DF: Final = 25.0
"""Degrees of freedom of one swing's stated uncertainty, as in `analysis.compare`."""


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
    sensors : mapping of str or None to float
        Share of each sensor in it.
    own_unit_var, own_df : float
        See `Middle`: the spread within, of the reference's own swings.
    """

    measure: str
    middle: float
    lower: float | None
    upper: float | None
    n: int
    session_counts: Mapping[str, int]
    sensors: Mapping[str | None, float]
    own_unit_var: float
    own_df: int


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
    odd_ids : tuple of str
        Swings far from the others. Approved ones count all the same, since the coach looked at
        them; of a provisional reference they are left out.
    """

    setting: Setting
    provisional: bool
    kinds: frozenset[Kind]
    values: Mapping[str, ReferenceValue]
    swing_ids: tuple[str, ...]
    odd_ids: tuple[str, ...] = ()


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
    margin, needed, detectable : float or None
        What matters, and what can be told (see `Telling`).
    reason : str or None
        Why it can't be told.
    """

    aspect: Aspect
    word: Word
    measure: str | None = None
    difference: Interval | None = None
    share: float | None = None
    margin: float | None = None
    needed: float | None = None
    detectable: float | None = None
    reason: str | None = None


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
        Bounds by measure that the coach sets. Otherwise they lie two spreads from the middle, but
        at least 5 % of it: about where 1 in 20 of the player's own such swings lies outside.
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
        chosen = [row for row in rows if row.kind == "rehearsal" and row.block in (None, "silent")]
    if chosen:
        # Before the odd ones are looked for: what is odd among different clubs says nothing.
        one_setting(chosen)
    odd = odd_swings(chosen)
    if not approved:
        chosen = [row for row in chosen if row.swing_id not in odd]
    if len(chosen) < p.least_reference:
        few = NotYet.count(
            len(chosen), p.least_reference, "approved swings" if approved else "free rehearsals"
        )
        return few if approved else NotYet(few.reason + _besides(rows, odd), few.have, few.need)
    setting = one_setting(chosen)
    values = {}
    for measure in (*TIME_MEASURES, "downswing_ms", TURN, *SPEED_MEASURES):
        sessions = sessions_of(chosen, measure)
        n = sum(len(s.values) for s in sessions)
        if n < p.least_reference:
            continue
        every = np.concatenate([s.values for s in sessions])
        # One middle of all; sessions weigh by their swings, as in `session_counts`.
        middles = [middle_of(s.values, p) for s in sessions]
        middle = float(np.average([m.middle for m in middles], weights=[m.n for m in middles]))
        dev = np.concatenate([s.values - np.median(s.values) for s in sessions])
        spread = 1.4826 * float(np.median(np.abs(dev)))
        reach = max(2.0 * spread, 0.05 * abs(middle))
        # A bound that the coach set may lie beyond the swings themselves; the other one keeps off.
        low_given, high_given = (lower or {}).get(measure), (upper or {}).get(measure)
        low = middle - reach if low_given is None else low_given
        high = max(middle, low) + reach if high_given is None else high_given
        if low_given is None:
            low = min(middle, high) - reach
        if not low < high:
            raise ValueError(f"the lower bound of {measure} must be below the upper")
        pooled = middle_of(dev, p)
        sensors: dict[str | None, float] = {}
        for s in sessions:
            sensors[s.sensor] = sensors.get(s.sensor, 0.0) + len(s.values) / n
        values[measure] = ReferenceValue(
            measure=measure,
            middle=middle,
            lower=low,
            upper=high,
            n=len(every),
            session_counts={s.session_id: len(s.values) for s in sessions},
            sensors=sensors,
            own_unit_var=pooled.unit_var,
            own_df=max(pooled.df - (len(sessions) - 1), 1),
        )
    return Reference(
        setting=setting,
        provisional=not approved,
        kinds=frozenset(row.kind for row in chosen),
        values=values,
        swing_ids=tuple(row.swing_id for row in chosen),
        odd_ids=odd,
    )


def odd_swings(rows: Sequence[SwingRow]) -> tuple[str, ...]:
    """Name swings far from the others in turn, backswing or peak rate, such as slow-motion ones.

    Parameters
    ----------
    rows : sequence of SwingRow
        Of one kind and setting.

    Returns
    -------
    tuple of str
        None of fewer than five: then there are no others to be far from.
    """
    odd: dict[str, None] = {}
    for measure in ("backswing_ms", TURN, "peak_rate_dps"):
        there = [row for row in rows if measure in row.values]
        if len(there) < 5:
            continue
        values = np.array([row.values[measure] for row in there])
        median = float(np.median(values))
        off = np.abs(values - median)
        reach = max(ODD_SPREADS * 1.4826 * float(np.median(off)), ODD_SHARE * abs(median))
        far = (row.swing_id for row, yes in zip(there, off > reach, strict=True) if yes)
        odd.update(dict.fromkeys(far))
    return tuple(row.swing_id for row in rows if row.swing_id in odd)


def _besides(rows: Sequence[SwingRow], odd: Sequence[str]) -> str:
    """Say what else there is that doesn't count towards a provisional reference."""
    unclear = sum(row.kind == "unclear" and row.block in (None, "silent") for row in rows)
    parts = []
    if unclear:
        parts.append(f"{unclear} more are of unclear kind")
    if odd:
        parts.append(f"{len(odd)} far from the others {'is' if len(odd) == 1 else 'are'} left out")
    return f" ({'; '.join(parts)})" if parts else ""


def read(
    rows: Sequence[SwingRow],
    reference: Reference | NotYet,
    history: Sequence[SwingRow] = (),
    *,
    spreads: Mapping[str, PlayerSpread | NotYet] | None = None,
    gyr_scale_u: float = 0.01,
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
    spreads : mapping of str to PlayerSpread or NotYet, optional
        By measure, if they are at hand already; takes the place of ``history``.
    gyr_scale_u : float
        Relative standard uncertainty of a gyroscope's scale; counts only across sensors.
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
        why = f"no reference yet: {reference.reason}"
        blank = {a: WordRead(aspect=a, word=Word.CANNOT_TELL, reason=why) for a in ASPECTS}
        return Reading(
            time=blank["time"],
            turn=blank["turn"],
            speed=blank["speed"],
            n=len(rows),
            swing_ids=ids,
            provisional=False,
        )
    words = {}
    for aspect in ASPECTS:
        measure = _measure_for(aspect, rows, reference)
        if measure is None:
            reason = "not measured both in these swings and in the reference"
            words[aspect] = WordRead(aspect=aspect, word=Word.CANNOT_TELL, reason=reason)
            continue
        value = reference.values[measure]
        if spreads is not None:
            spread = spreads.get(measure, NotYet("spread between sessions isn't known"))
        else:
            data = sessions_of(history, measure) if history else []
            spread = player_spread([data], p)
        words[aspect] = _read_one(aspect, rows, value, spread, gyr_scale_u, matters or Matters(), p)
    return Reading(
        time=words["time"],
        turn=words["turn"],
        speed=words["speed"],
        n=len(rows),
        swing_ids=ids,
        provisional=reference.provisional,
    )


def difference_from(
    value: ReferenceValue,
    sessions: Sequence[SessionData],
    spread: PlayerSpread,
    *,
    gyr_scale_u: float = 0.01,
    params: EvidenceParams | None = None,
) -> tuple[float, float, float]:
    """Difference of one session or more, each of the same weight, from the reference.

    Parameters
    ----------
    value : ReferenceValue
    sessions : sequence of SessionData
    spread : PlayerSpread
    gyr_scale_u : float
    params : EvidenceParams, optional

    Returns
    -------
    difference, se, df : float
        In the measure's unit. What a session shares with the reference cancels.
    """
    p = params or EvidenceParams()
    k = len(sessions)
    weights = {name: -count / value.n for name, count in value.session_counts.items()}
    sensors: dict[str | None, float] = {}
    within = _reference_var(value, spread, p)
    for s in sessions:
        weights[s.session_id] = weights.get(s.session_id, 0.0) + 1.0 / k
        sensors[s.sensor] = sensors.get(s.sensor, 0.0) + 1.0 / k
        within += spread.within_var(len(s.values), p) / k**2
    share = float(sum(w * w for w in weights.values()))
    se, df = spread.difference(share if share > 1e-12 else 0.0, within)
    se, df = add_known(se, df, _scale_var(value, sensors, gyr_scale_u))
    middle = float(np.mean([middle_of(s.values, p).middle for s in sessions]))
    return middle - value.middle, se, df


def _reference_var(value: ReferenceValue, spread: PlayerSpread, p: EvidenceParams) -> float:
    """Variance of the reference's middle from the spread within sessions."""
    return sum(
        spread.within_var(count, p) * (count / value.n) ** 2
        for count in value.session_counts.values()
    )


def _scale_var(
    value: ReferenceValue, sensors: Mapping[str | None, float], gyr_scale_u: float
) -> float:
    """Variance from scale errors of other sensors than the reference's; times have none."""
    if not value.measure.endswith(("_deg", "_dps")):
        return 0.0
    weights = dict(sensors)
    for name, w in value.sensors.items():
        weights[name] = weights.get(name, 0.0) - w
    return scale_var(value.middle, weights, gyr_scale_u)


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


def _read_one(
    aspect: Aspect,
    rows: Sequence[SwingRow],
    value: ReferenceValue,
    spread: PlayerSpread | NotYet,
    gyr_scale_u: float,
    matters: Matters,
    p: EvidenceParams,
) -> WordRead:
    measure = value.measure
    mine = [row for row in rows if measure in row.values]
    single = len(rows) == 1

    def cannot(reason: str) -> WordRead:
        return WordRead(aspect=aspect, word=Word.CANNOT_TELL, measure=measure, reason=reason)

    if not single and len(mine) < p.least_set:
        return cannot(NotYet.count(len(mine), p.least_set).reason)
    set_middle = middle_of([row.values[measure] for row in mine], p)
    session = mine[0].session_id
    sensor = mine[0].sensor
    weights = {name: -count / value.n for name, count in value.session_counts.items()}
    weights[session] = weights.get(session, 0.0) + 1.0
    share = float(sum(w * w for w in weights.values()))
    elsewhere = share > 1e-12
    if elsewhere and (isinstance(spread, NotYet) or spread.between is None):
        have = 0 if isinstance(spread, NotYet) else spread.sessions_alike
        few = NotYet.count(have, p.least_sessions, "sessions of the same kind of swing")
        return cannot(
            f"the reference is of another session, and how much sessions differ isn't known yet "
            f"({few.reason})"
        )
    if isinstance(spread, NotYet):
        spread = PlayerSpread(
            sessions=1,
            swings=value.n,
            middle=value.middle,
            within=value.own_unit_var**0.5,
            unit_var=value.own_unit_var,
            within_df=value.own_df,
            between=None,
            session_var=0.0,
            mean_within_var=0.0,
            between_df=0,
            rho=0.0,
        )
    reference_var = _reference_var(value, spread, p)
    if single:
        u = mine[0].u.get(measure)
        if u is None:
            return cannot("the uncertainty of this swing isn't known")
        # The swing itself has only its measurement's uncertainty; the strapping on and the day are
        # taken with all of the sessions' variance, since their own part is hardly known.
        parts = (
            (u * u, SINGLE_DF),
            (reference_var, float(max(spread.within_df, 1))),
            (share * spread.session_var, float(max(spread.between_df, 1))),
        )
        var = sum(v for v, _ in parts)
        se = var**0.5
        df = var**2 / sum(v * v / d for v, d in parts) if var > 0 else SINGLE_DF
        se, df = add_known(se, df, _scale_var(value, {sensor: 1.0}, gyr_scale_u))
    else:
        data = sessions_of(mine, measure)
        _, se, df = difference_from(value, data, spread, gyr_scale_u=gyr_scale_u, params=p)
    if se <= 0:
        return cannot("all values are the same, so there is no spread to go by")
    margin = matters.margin(measure, value.middle)
    told = telling(se, df, p.level, margin, p.power)
    delta = set_middle.middle - value.middle
    difference = Interval(delta - told.half, delta, delta + told.half, p.level)
    outcome = judge(difference, margin)
    reason = None
    if outcome is Outcome.SAME:
        word = Word.SAME
    elif outcome is Outcome.UNCLEAR:
        word = Word.CANNOT_TELL
        reason = "the interval holds both no difference and one that matters"
    else:
        word = (UP if delta > 0 else DOWN)[aspect]
    # An upper bound is a line that the coach or the swings set, not a measured middle.
    if aspect == "turn" and value.upper is not None and difference.low > value.upper - value.middle:
        word = Word.BEYOND
        reason = None
    return WordRead(
        aspect=aspect,
        word=word,
        measure=measure,
        difference=difference,
        share=delta / value.middle if value.middle else None,
        margin=margin,
        needed=told.needed,
        detectable=told.detectable,
        reason=reason,
    )
