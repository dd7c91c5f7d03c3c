"""A session told in five sentences at most, each with its numbers and its swings.

They answer, in this order: is it time, turn or speed; does the ball change it; did it hold; what
goes with what; what next. A sentence that has nothing to go by says what is missing, or is left
out. None says what made what, and none praises or blames.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from analysis.association import Association
from analysis.contrast import CONTRAST_MEASURES, BallEffect, what_the_ball_does
from analysis.felt import FeltReport
from analysis.outcome import Outcome
from analysis.plan import Standing
from analysis.reading import Reading, Reference, Word, WordRead, read
from analysis.spread import (
    EvidenceParams,
    Interval,
    Matters,
    NotYet,
    PlayerSpread,
    SwingRow,
    unit_of,
)

__all__ = [
    "MOST_SENTENCES",
    "Example",
    "Number",
    "Sentence",
    "could",
    "counts_same",
    "examples",
    "felt_sentence",
    "story",
]

MOST_SENTENCES: Final = 5

About = Literal["reading", "ball", "held", "together", "felt", "next"]

ASPECT_WORDS: Final = {"time": "time", "turn": "turn", "speed": "speed"}
MEASURE_WORDS: Final = {
    "backswing_ms": "the backswing",
    "swing_ms": "the swing",
    "turn_deg": "the turn",
    "peak_rate_dps": "the sensor's peak rate",
    "club_speed_m_s": "the head's speed",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Number:
    """One number of a sentence.

    Attributes
    ----------
    name : str
        What it is, such as ``backswing_ms: strikes minus rehearsals``.
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

    name: str
    unit: str
    interval: Interval
    swing_ids: tuple[str, ...]
    against_ids: tuple[str, ...] = ()
    margin: float | None = None
    detectable: float | None = None


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
        """Say how many swings of its kind are on its side; ``name`` is the measure in words.

        Examples
        --------
        >>> Example(
        ...     swing_id="a#3", kind="strike", agree=3, disagree=1, measure="turn_deg", below=True
        ... ).beside("turn")
        "in turn it lies below the reference's middle, as do 3 of the other 4 strikes"
        """
        if self.below is None:
            return ""
        side = "below" if self.below else "above"
        others = self.agree + self.disagree
        return (
            f"in {name} it lies {side} the reference's middle, as "
            f"{'does' if self.agree == 1 else 'do'} {self.agree} of the other {others} {self.kind}s"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Sentence:
    """A sentence and what it stands on.

    Attributes
    ----------
    about : {"reading", "ball", "held", "together", "felt", "next"}
    text : str
    numbers : tuple of Number
    swing_ids : tuple of str
    """

    about: About
    text: str
    numbers: tuple[Number, ...]
    swing_ids: tuple[str, ...]


def _signed(interval: Interval, unit: str) -> str:
    """Write a difference with its interval, without its sign: the word has said it."""
    low, high = sorted((abs(interval.low), abs(interval.high)))
    if interval.low <= 0 <= interval.high:
        return f"{_short(interval.low)} to {_short(interval.high, plus=True)} {unit}"
    return f"by {_short(low)} to {_short(high)} {unit}"


def _short(value: float, *, plus: bool = False) -> str:
    digits = 0 if abs(value) >= 10 else 1
    text = f"{value:+.{digits}f}" if plus else f"{value:.{digits}f}"
    return {"-0.0": "0.0", "-0": "0", "+0.0": "0.0", "+0": "0"}.get(text, text).replace("-", "−")


def could(detectable: float | None, unit: str) -> str:
    """Say what difference could be told, where none is."""
    if detectable is None:
        return ""
    return f"; {_short(detectable)} {unit} or more could be told"


def counts_same(margin: float | None, unit: str) -> str:
    """Say below what a difference counts as the same."""
    return "" if margin is None else f"; less than {_short(margin)} {unit} counts as the same"


def _word_phrase(word: WordRead) -> str:
    what = ASPECT_WORDS[word.aspect]
    if word.difference is None or word.measure is None:
        return f"{what} can't be told ({word.reason})"
    unit = unit_of(word.measure)
    name = MEASURE_WORDS.get(word.measure, word.measure)
    numbers = _signed(word.difference, unit)
    if word.word is Word.CANNOT_TELL:
        return f"{what} can't be told ({name} {numbers}{could(word.detectable, unit)})"
    if word.word is Word.SAME:
        return f"{what} about the same ({name} {numbers}{counts_same(word.margin, unit)})"
    if word.word is Word.BEYOND:
        return f"{what} beyond full (over the reference {numbers})"
    text = "shorter" if word.word is Word.LESS_FULL else word.word.value
    return f"{what} {text} ({name} {numbers})"


def _reading_numbers(
    reading: Reading, what: str, reference: Reference | NotYet
) -> tuple[Number, ...]:
    against = reference.swing_ids if isinstance(reference, Reference) else ()
    return tuple(
        Number(
            name=f"{w.measure}: {what} minus reference",
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


def _reading_sentence(
    reading: Reading, kind: str, reference_kind: str, reference: Reference | NotYet
) -> Sentence:
    words = (reading.time, reading.turn, reading.speed)
    against = "the provisional reference" if reading.provisional else "the reference"
    reasons = {w.reason for w in words}
    if all(w.difference is None for w in words) and len(reasons) == 1:
        text = f"Time, turn and speed can't be told: {next(iter(reasons))}."
    else:
        phrases = "; ".join(_word_phrase(w) for w in words)
        text = f"{reading.n} {kind}s against {against}{reference_kind}: {phrases}."
    numbers = _reading_numbers(reading, f"{kind}s", reference)
    return Sentence(about="reading", text=text, numbers=numbers, swing_ids=reading.swing_ids)


def _ball_sentence(effects: Mapping[str, BallEffect | NotYet]) -> Sentence | None:
    told = {m: e for m, e in effects.items() if isinstance(e, BallEffect)}
    if not told:
        reasons = [e.reason for e in effects.values() if isinstance(e, NotYet)]
        if not reasons:
            return None
        return Sentence(
            about="ball",
            text=f"What the ball changes can't be told: {reasons[0]}.",
            numbers=(),
            swing_ids=(),
        )
    parts = []
    for measure, effect in told.items():
        name = MEASURE_WORDS.get(measure, measure)
        numbers = _signed(effect.difference, unit_of(measure))
        if effect.outcome is Outcome.DIFFERENT:
            up = effect.difference.middle > 0
            pair = (
                ("shorter", "longer")
                if measure.endswith("_ms")
                else ("shorter", "fuller")
                if measure == "turn_deg"
                else ("lower", "higher")
            )
            word = pair[up]
            parts.append(f"{name} was {word} {numbers}")
        elif effect.outcome is Outcome.SAME:
            same = counts_same(effect.margin, unit_of(measure))
            parts.append(f"{name} was about the same ({numbers}{same})")
        else:
            needed = could(effect.detectable, unit_of(measure))
            parts.append(f"{name} can't be told ({numbers}{needed})")
    order = (
        ""
        if all(e.alternated for e in told.values())
        else (" Rehearsals and strikes didn't take turns, so time may play in.")
    )
    numbers_of = tuple(
        Number(
            name=f"{m}: strikes minus rehearsals",
            unit=unit_of(m),
            interval=e.difference,
            swing_ids=e.strikes,
            against_ids=e.rehearsals,
            margin=e.margin,
            detectable=e.detectable,
        )
        for m, e in told.items()
    )
    ids = tuple(dict.fromkeys(x for n in numbers_of for x in (*n.swing_ids, *n.against_ids)))
    any_one = next(iter(told.values()))
    head = f"At the ball ({len(any_one.strikes)} strikes, {len(any_one.rehearsals)} rehearsals)"
    return Sentence(
        about="ball", text=f"{head} {'; '.join(parts)}.{order}", numbers=numbers_of, swing_ids=ids
    )


def _held_sentence(reading: Reading, block: str, reference: Reference | NotYet) -> Sentence:
    words = (reading.time, reading.turn, reading.speed)
    when = "In the silent test" if block == "silent" else "Without feedback on another day"
    phrases = "; ".join(_word_phrase(w) for w in words)
    numbers = _reading_numbers(reading, f"{block} swings", reference)
    return Sentence(
        about="held",
        text=f"{when} ({reading.n} swings): {phrases}.",
        numbers=numbers,
        swing_ids=reading.swing_ids,
    )


def _together_sentence(found: Sequence[Association]) -> Sentence | None:
    told = [a for a in found if a.outcome is Outcome.DIFFERENT]
    if not told:
        return None
    # The one that is surest in its own spreads.
    best = max(
        told,
        key=lambda a: abs(a.slope.middle) / max(a.slope.high - a.slope.low, 1e-300),
    )
    return Sentence(
        about="together",
        text=best.sentence(),
        numbers=(
            Number(
                name=f"{best.y} where {best.x} was so much more",
                unit=unit_of(best.y),
                interval=best.for_usual_step,
                swing_ids=best.swing_ids,
            ),
        ),
        swing_ids=best.swing_ids,
    )


def felt_sentence(report: FeltReport) -> Sentence:
    """Say what was felt against what was measured, with its numbers."""
    numbers = tuple(
        Number(
            name=f"share of swings that felt {report.feeling} with {c.measure} {c.side} "
            + (
                "the session's median"
                if c.bound is None
                else f"the reference's bound of {_short(c.bound)} {unit_of(c.measure)}"
            ),
            unit="",
            interval=c.share,
            swing_ids=(*c.swing_ids, *c.disagree_ids),
            against_ids=c.others_ids,
        )
        for c in report.counts
    )
    ids = tuple(dict.fromkeys(x for n in numbers for x in n.swing_ids))
    return Sentence(about="felt", text=report.sentence(), numbers=numbers, swing_ids=ids)


def _next_sentence(now: Standing, day: str | None = None) -> Sentence:
    text = now.why
    if now.drill is not None:
        text = f"{text} Next: {now.drill.command}"
    if day is not None:
        text = f"On that day ({day}): {text}"
    numbers = tuple(
        Number(
            name=f"{f.measure}: {f.what}, {'was' if f.side == 'before' else f.side} "
            f"{_short(f.needed)} {unit_of(f.measure)}",
            unit=unit_of(f.measure),
            interval=Interval(f.low, f.value, f.high),
            swing_ids=f.swing_ids,
        )
        for f in now.findings
    )
    ids = tuple(dict.fromkeys(x for n in numbers for x in n.swing_ids))
    return Sentence(about="next", text=text, numbers=numbers, swing_ids=ids)


def story(
    rows: Sequence[SwingRow],
    reference: Reference | NotYet,
    history: Sequence[SwingRow] = (),
    *,
    now: Standing | None = None,
    felt: FeltReport | NotYet | None = None,
    together: Sequence[Association | NotYet] = (),
    spreads: Mapping[str, PlayerSpread | NotYet] | None = None,
    past_day: str | None = None,
    gyr_scale_u: float = 0.01,
    matters: Matters | None = None,
    params: EvidenceParams | None = None,
) -> list[Sentence]:
    """Tell a session.

    Parameters
    ----------
    rows : sequence of SwingRow
        The session's swings, of one setting.
    reference : Reference or NotYet
    history : sequence of SwingRow
        Other sessions of the same setting, for the spread between sessions.
    now : Standing, optional
        From `analysis.plan`: what next.
    felt : FeltReport or NotYet, optional
        From `analysis.felt`.
    together : sequence of Association or NotYet
        From `analysis.association`, with their number counted.
    spreads : mapping of str to PlayerSpread or NotYet, optional
        By measure, if they are at hand already; takes the place of ``history``.
    past_day : str, optional
        The day that ``now`` is of, in words, where it is no longer today's stand.
    gyr_scale_u : float
    matters : Matters, optional
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

    def read_of(chosen: Sequence[SwingRow], kind: str) -> Reading:
        if spreads is not None:
            return read(
                chosen,
                reference,
                spreads=spreads,
                gyr_scale_u=gyr_scale_u,
                matters=matters,
                params=params,
            )
        like = [row for row in history if row.kind == kind]
        # Spread between sessions hardly hangs on the kind; take the one with more sessions.
        if len({row.session_id for row in like}) < 3:
            other = "rehearsal" if kind == "strike" else "strike"
            like = [row for row in history if row.kind == other]
        same = [row for row in rows if row.kind == (like[0].kind if like else kind)]
        return read(
            chosen,
            reference,
            [*like, *same],
            gyr_scale_u=gyr_scale_u,
            matters=matters,
            params=params,
        )

    strikes = [row for row in free if row.kind == "strike"]
    rehearsals = [row for row in free if row.kind == "rehearsal"]
    main, kind = (strikes, "strike") if len(strikes) >= 5 else (rehearsals, "rehearsal")
    if not main:
        main, kind = list(rows), "swing"
    reference_kind = ""
    if isinstance(reference, Reference) and reference.kinds == {"rehearsal"} and kind == "strike":
        reference_kind = " of rehearsals"
    out.append(_reading_sentence(read_of(main, main[0].kind), kind, reference_kind, reference))
    if strikes:
        contrast = {
            m: what_the_ball_does(
                free, m, comparisons=len(CONTRAST_MEASURES), matters=matters, params=params
            )
            for m in CONTRAST_MEASURES
        }
        ball = _ball_sentence(contrast)
        if ball is not None:
            out.append(ball)
    for block in ("retention", "silent"):
        # A session with both: what was kept from another day says more.
        tested = [row for row in rows if row.block == block]
        kinds = {row.kind for row in tested}
        if len(tested) >= 5 and len(kinds) == 1:
            held = read_of(tested, tested[0].kind)
            # Why nothing can be told has been said already.
            if any(w.difference is not None for w in (held.time, held.turn, held.speed)):
                out.append(_held_sentence(held, block, reference))
            break
    if isinstance(felt, FeltReport):
        out.append(felt_sentence(felt))
    going = _together_sentence([a for a in together if isinstance(a, Association)])
    if going is not None:
        out.append(going)
    if now is not None:
        out = [*out[: MOST_SENTENCES - 1], _next_sentence(now, past_day)]
    return out[:MOST_SENTENCES]


def examples(
    rows: Sequence[SwingRow],
    reference: Reference | NotYet,
    measures: Sequence[str] = ("backswing_ms", "turn_deg", "peak_rate_dps"),
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
        if len(mine) < 3:
            continue
        table = np.array([[row.values[m] for m in measures] for row in mine])
        median = np.median(table, axis=0)
        spread = 1.4826 * np.median(np.abs(table - median), axis=0)
        spread = np.where(spread > 0, spread, 1.0)
        near = int(np.argmin(np.sum(((table - median) / spread) ** 2, axis=1)))
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
