"""A session told in five sentences at most, each with its numbers and its swings.

They answer, in this order: is it time, turn or speed; does the ball change it; did it hold; what
goes with what; what next. A sentence that has nothing to go by says what is missing, or is left
out. None says what made what, and none praises or blames. What was set against other days says
"from day to day", what was told within the session says "today".
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import ClassVar, Final, Literal

import numpy as np
import numpy.typing as npt

from analysis.evidence.association import Association
from analysis.evidence.contrast import CONTRAST_MEASURES, BallEffect, ball_effects
from analysis.evidence.felt import FeltReport
from analysis.evidence.outcome import Outcome
from analysis.evidence.parts import Scope
from analysis.evidence.plan import NextDrill, Standing
from analysis.evidence.reading import Reading, Reference, WordRead, read
from analysis.evidence.spread import EvidenceParams, Interval, SwingRow
from analysis.evidence.told import NotYet, Statement
from analysis.evidence.variance import Variances
from analysis.scatter import scaled_mad
from words.units import unit_of

MOST_SENTENCES: Final = 5

Array = npt.NDArray[np.float64]

About = Literal["reading", "ball", "held", "together", "felt", "next"]

_ANGLE_OVER_TIME: Final = frozenset({("peak_rate_dps", "downswing_ms")})
"""Goes together because one is made of the other."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Number:
    """One number of a sentence.

    Attributes
    ----------
    label : Statement
        What it is.
    unit : str
    interval : Interval
    swing_ids : tuple of str
        Swings it comes from.
    against_ids : tuple of str
        Swings that these are set against: of the reference, or of the other side.
    margin : float or None
        Differences surely smaller than this are called "about the same".
    detectable : float or None
        A difference of this size would be told in most cases.
    """

    IN_WORDS: ClassVar = ("name",)

    label: Statement
    unit: str
    interval: Interval
    swing_ids: tuple[str, ...]
    against_ids: tuple[str, ...] = ()
    margin: float | None = None
    detectable: float | None = None

    @property
    def name(self) -> str:
        """What it is, such as ``backswing_ms: strikes minus rehearsals``."""
        return self.label.text


@dataclass(frozen=True, slots=True, kw_only=True)
class Example:
    """A swing to look at: the nearest to the middle of its kind.

    Attributes
    ----------
    swing_id : str
    kind : str
    agree, disagree : int
        How many swings lie on the same side of the reference as this one in the measure named, and
        how many don't; zero both where there is no reference.
    measure : str or None
    below : bool or None
        On which side of the reference's middle this one lies in that measure.
    """

    swing_id: str
    kind: str
    agree: int
    disagree: int
    measure: str | None
    below: bool | None = None

    def beside(self, name: str) -> str:
        """Say how many swings of its kind are on its side; ``name`` is the measure in words."""
        if self.below is None:
            return ""
        return Statement.of(
            "example_beside",
            measure=name,
            below=self.below,
            agree=self.agree,
            others=self.agree + self.disagree,
            kind=self.kind,
        ).text


@dataclass(frozen=True, slots=True, kw_only=True)
class Sentence:
    """A sentence and what it stands on.

    Attributes
    ----------
    about : {"reading", "ball", "held", "together", "felt", "next"}
    statement : Statement
        What it says, as a code and its numbers.
    numbers : tuple of Number
    swing_ids : tuple of str
    drill : NextDrill or None
        What comes next, by the plan.
    """

    IN_WORDS: ClassVar = ("text",)

    about: About
    statement: Statement = field(metadata={"document": "told"})
    numbers: tuple[Number, ...]
    swing_ids: tuple[str, ...]
    drill: NextDrill | None = None

    @property
    def text(self) -> str:
        """It in words."""
        return self.statement.text


def _read_word(word: WordRead) -> Statement:
    if word.difference is None or word.measure is None:
        return Statement.of("unread_word", aspect=word.aspect, why=word.why)
    return Statement.of(
        "read_word",
        aspect=word.aspect,
        word=word.word.value,
        measure=word.measure,
        low=word.difference.low,
        high=word.difference.high,
        margin=word.margin,
        detectable=word.detectable,
    )


def _reading_numbers(
    reading: Reading, what: str, reference: Reference | NotYet
) -> tuple[Number, ...]:
    against = reference.swing_ids if isinstance(reference, Reference) else ()
    return tuple(
        Number(
            label=Statement.of("minus_reference", measure=w.measure, what=what),
            unit=unit_of(w.measure),
            interval=w.difference,
            swing_ids=reading.swing_ids,
            against_ids=against,
            margin=w.margin,
            detectable=w.detectable,
        )
        for w in (reading.time, reading.turn, reading.speed)
        if w.difference is not None and w.measure is not None
    )


def _scope(words: Sequence[WordRead]) -> Scope | None:
    """What words of a reading hold for; None where there are none."""
    scopes = {word.scope for word in words if word.scope is not None}
    if not scopes:
        return None
    return "days" if "days" in scopes else "today"


def _reading_sentence(
    reading: Reading, kind: str, of_rehearsals: bool, reference: Reference | NotYet
) -> Sentence:
    words = (reading.time, reading.turn, reading.speed)
    reasons = {w.why for w in words}
    if all(w.difference is None for w in words) and len(reasons) == 1:
        statement = Statement.of("reading_untold", why=next(iter(reasons)))
    else:
        statement = Statement.of(
            "reading",
            scope=_scope(words),
            n=reading.n,
            kind=kind,
            provisional=reading.provisional,
            of_rehearsals=of_rehearsals,
            words=tuple(_read_word(w) for w in words),
        )
    numbers = _reading_numbers(reading, f"{kind}s", reference)
    return Sentence(
        about="reading", statement=statement, numbers=numbers, swing_ids=reading.swing_ids
    )


def _ball_sentence(effects: Mapping[str, BallEffect | NotYet]) -> Sentence | None:
    found = {m: e for m, e in effects.items() if isinstance(e, BallEffect)}
    if not found:
        reasons = [e for e in effects.values() if isinstance(e, NotYet)]
        if not reasons:
            return None
        statement = Statement.of("ball_untold", why=reasons[0])
        return Sentence(about="ball", statement=statement, numbers=(), swing_ids=())
    words = tuple(
        Statement.of(
            "ball_word",
            measure=measure,
            outcome=effect.outcome.value,
            more=effect.difference.middle > 0,
            low=effect.difference.low,
            high=effect.difference.high,
            margin=effect.margin,
            detectable=effect.detectable,
        )
        for measure, effect in found.items()
    )
    any_one = next(iter(found.values()))
    other_days = None
    if any_one.scope == "today" and any(e.outcome is Outcome.DIFFERENT for e in found.values()):
        on_days = [e.days for e in found.values() if e.days is not None]
        on_other_days = any(one.outcome is Outcome.DIFFERENT for one in on_days)
        other_days = "told" if on_other_days else "untold"
    numbers = tuple(
        Number(
            label=Statement.of("strikes_minus_rehearsals", measure=m),
            unit=unit_of(m),
            interval=e.difference,
            swing_ids=e.strikes,
            against_ids=e.rehearsals,
            margin=e.margin,
            detectable=e.detectable,
        )
        for m, e in found.items()
    )
    statement = Statement.of(
        "ball",
        scope=any_one.scope,
        strikes=len(any_one.strikes),
        rehearsals=len(any_one.rehearsals),
        alternated=all(e.alternated for e in found.values()),
        other_days=other_days,
        words=words,
    )
    ids = tuple(dict.fromkeys(x for n in numbers for x in (*n.swing_ids, *n.against_ids)))
    return Sentence(about="ball", statement=statement, numbers=numbers, swing_ids=ids)


def _held_sentence(reading: Reading, block: str, reference: Reference | NotYet) -> Sentence:
    words = (reading.time, reading.turn, reading.speed)
    statement = Statement.of(
        "tested",
        scope=_scope(words),
        block=block,
        n=reading.n,
        words=tuple(_read_word(w) for w in words),
    )
    numbers = _reading_numbers(reading, f"{block} swings", reference)
    return Sentence(about="held", statement=statement, numbers=numbers, swing_ids=reading.swing_ids)


def _together_sentence(found: Sequence[Association]) -> Sentence | None:
    different = [
        a for a in found if a.outcome is Outcome.DIFFERENT and (a.y, a.x) not in _ANGLE_OVER_TIME
    ]
    if not different:
        return None
    # What came of the swing before what the sensor turned by; then the one that is surest.
    best = max(
        different,
        key=lambda a: (
            a.y != "peak_rate_dps",
            abs(a.slope.middle) / max(a.slope.high - a.slope.low, 1e-300),
        ),
    )
    return Sentence(
        about="together",
        statement=best.statement,
        numbers=(
            Number(
                label=Statement.of("where_more", y=best.y, x=best.x),
                unit=unit_of(best.y),
                interval=best.for_usual_step,
                swing_ids=best.swing_ids,
            ),
        ),
        swing_ids=best.swing_ids,
    )


def _felt_sentence(report: FeltReport) -> Sentence:
    """Say what was felt against what was measured, with its numbers."""
    numbers = tuple(
        Number(
            label=Statement.of(
                "felt_share",
                feeling=report.feeling,
                measure=c.measure,
                side=c.side,
                bound=c.bound,
            ),
            unit="",
            interval=c.share,
            swing_ids=(*c.swing_ids, *c.disagree_ids),
            against_ids=c.others_ids,
        )
        for c in report.counts
    )
    ids = tuple(dict.fromkeys(x for n in numbers for x in n.swing_ids))
    return Sentence(about="felt", statement=report.statement, numbers=numbers, swing_ids=ids)


def _next_sentence(now: Standing, day: str | None = None) -> Sentence:
    statement = Statement.of("next_step", why=now.why, day=day)
    numbers = tuple(
        Number(
            label=Statement.of(
                "finding", measure=f.measure, what=f.what, side=f.side, needed=f.needed
            ),
            unit=unit_of(f.measure),
            interval=Interval(f.low, f.value, f.high),
            swing_ids=f.swing_ids,
        )
        for f in now.findings
    )
    ids = tuple(dict.fromkeys(x for n in numbers for x in n.swing_ids))
    return Sentence(
        about="next", statement=statement, numbers=numbers, swing_ids=ids, drill=now.drill
    )


def read_by(rows: Sequence[SwingRow]) -> tuple[list[SwingRow], str]:
    """Return the swings of a session that it is read by, and what they are.

    Its strikes, or its rehearsals where those are few; swings that followed a cue say nothing of
    the player. All of them where there is nothing else.
    """
    free = [row for row in rows if row.block != "rehearsal"]
    for kind, least in (("strike", 5), ("rehearsal", 1)):
        found = [row for row in free if row.kind == kind]
        if len(found) >= least:
            return found, kind
    return list(rows), "swing"


def story(
    rows: Sequence[SwingRow],
    reference: Reference | NotYet,
    *,
    now: Standing | None = None,
    felt: FeltReport | NotYet | None = None,
    changed: Sentence | None = None,
    together: Sequence[Association | NotYet] = (),
    spreads: Mapping[str, Variances | NotYet] | None = None,
    past_day: str | None = None,
    reference_for: Callable[[Sequence[SwingRow]], Reference | NotYet] | None = None,
    params: EvidenceParams | None = None,
) -> list[Sentence]:
    """Tell a session.

    Parameters
    ----------
    rows : sequence of SwingRow
        The session's swings, of one setting.
    reference : Reference or NotYet
    now : Standing, optional
        From `analysis.evidence.plan`: what next.
    felt : FeltReport or NotYet, optional
        From `analysis.evidence.felt`.
    changed : Sentence, optional
        What changed since the first sessions; takes the place of the day's silent test.
    together : sequence of Association or NotYet
        From `analysis.evidence.association`, with their number counted.
    spreads : mapping of str to Variances or NotYet, optional
        By measure: how much the player's swings differ of themselves, from session to session too.
    reference_for : callable, optional
        Gives the reference that some of the swings are read against, where that isn't the one for
        all: a provisional one is made without what it judges.
    past_day : str, optional
        The day that ``now`` is of, in words, where it is no longer today's stand.
    params : EvidenceParams, optional

    Returns
    -------
    list of Sentence
        Five at most. What next always stands last; felt stands before what goes with what.

    Raises
    ------
    MixedError
        Swings of different settings.
    ValueError
        No swings, or of several sessions.
    """
    if not rows:
        raise ValueError("no swings")
    free = [row for row in rows if row.block not in ("rehearsal",)]
    out: list[Sentence] = []

    def read_of(chosen: Sequence[SwingRow]) -> tuple[Reading, Reference | NotYet]:
        used = reference if reference_for is None else reference_for(chosen)
        return read(chosen, used, spreads=spreads, params=params), used

    strikes = [row for row in free if row.kind == "strike"]
    main, kind = read_by(rows)
    reading, used = read_of(main)
    of_rehearsals = isinstance(used, Reference) and used.kinds == {"rehearsal"} and kind == "strike"
    out.append(_reading_sentence(reading, kind, of_rehearsals, used))
    if strikes:
        contrast = ball_effects(free, CONTRAST_MEASURES, params=params)
        ball = _ball_sentence(contrast)
        if ball is not None:
            out.append(ball)
    if changed is not None:
        # It says more than that day's test alone.
        out.append(changed)
    for block in () if changed is not None else ("retention", "silent"):
        # A session with both: what was kept from another day says more.
        tested = [row for row in rows if row.block == block]
        kinds = {row.kind for row in tested}
        if len(tested) >= 5 and len(kinds) == 1:
            held, used = read_of(tested)
            # Why nothing can be told has been said already.
            if any(w.difference is not None for w in (held.time, held.turn, held.speed)):
                out.append(_held_sentence(held, block, used))
            break
    if isinstance(felt, FeltReport):
        out.append(_felt_sentence(felt))
    going = _together_sentence([a for a in together if isinstance(a, Association)])
    if going is not None:
        out.append(going)
    if now is not None:
        out = [*out[: MOST_SENTENCES - 1], _next_sentence(now, past_day)]
    return out[:MOST_SENTENCES]


LEAST_EXAMPLES: Final = 3
"""Swings of a kind before one of them is an example of the others."""

EXAMPLE_MEASURES: Final = ("backswing_ms", "turn_deg", "peak_rate_dps")
"""What an example is near the middle of; each counts in spreads of its own."""


def _middles(rows: Sequence[SwingRow], measures: Sequence[str]) -> tuple[Array, Array, Array]:
    """Values of swings by measure, their medians, and how far they scatter."""
    table = np.array([[row.values[m] for m in measures] for row in rows])
    median = np.median(table, axis=0)
    spread = scaled_mad(table - median, axis=0)
    return table, median, np.where(spread > 0, spread, 1.0)


def _nearest(table: Array, median: Array, spread: Array) -> int:
    return int(np.argmin(np.sum(((table - median) / spread) ** 2, axis=1)))


def nearest_the_medians(
    rows: Sequence[SwingRow], measures: Sequence[str] = EXAMPLE_MEASURES
) -> SwingRow | None:
    """Return the swing that lies nearest the medians of all.

    Parameters
    ----------
    rows : sequence of SwingRow
        Of one session, setting and kind.
    measures : sequence of str
        Each counts in spreads of its own; swings without one of them don't count.

    Returns
    -------
    SwingRow or None
        None where fewer than `LEAST_EXAMPLES` count.
    """
    mine = [row for row in rows if all(m in row.values for m in measures)]
    if len(mine) < LEAST_EXAMPLES:
        return None
    return mine[_nearest(*_middles(mine, measures))]


def examples(
    rows: Sequence[SwingRow],
    reference: Reference | NotYet,
    measures: Sequence[str] = EXAMPLE_MEASURES,
) -> list[Example]:
    """Choose the swing of each kind that lies nearest the medians.

    Parameters
    ----------
    rows : sequence of SwingRow
        Of one session and setting.
    reference : Reference or NotYet
    measures : sequence of str
        Each counts in spreads of its own.

    Returns
    -------
    list of Example
        One for rehearsals and one for strikes, where there are three at least. With a reference,
        `agree` and `disagree` say how many of the kind lie on the example's side of it, in the
        measure in which the kind's median is furthest off (in spreads).
    """
    out = []
    for kind in ("rehearsal", "strike"):
        mine = [row for row in rows if row.kind == kind and all(m in row.values for m in measures)]
        if len(mine) < LEAST_EXAMPLES:
            continue
        table, median, spread = _middles(mine, measures)
        near = _nearest(table, median, spread)
        agree = disagree = 0
        measure = below = None
        if isinstance(reference, Reference):
            off = [
                abs(median[k] - reference.values[m].middle) / spread[k]
                if m in reference.values
                else -1.0
                for k, m in enumerate(measures)
            ]
            k = int(np.argmax(off))
            if off[k] >= 0:
                measure = measures[k]
                side = np.sign(table[:, k] - reference.values[measure].middle)
                agree = int(np.sum(side == side[near])) - 1
                disagree = len(mine) - 1 - agree
                below = bool(side[near] < 0)
        out.append(
            Example(
                swing_id=mine[near].swing_id,
                kind=kind,
                agree=agree,
                disagree=disagree,
                measure=measure,
                below=below,
            )
        )
    return out
