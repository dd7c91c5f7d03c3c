"""A session's sentences, from codes and numbers.

The words are those of the rule for differences and no others: *longer*, *shorter* and so on where a
difference is told, *about the same* where it lies inside what matters, else *can't be told*. What
they hold for, today or from day to day, stands at the head.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Final

from words.answer import ASPECT_WORDS
from words.glossary import KINDS, SETS
from words.plain import count
from words.saying import by, could, counts_same, name_of, related, short, with_unit
from words.units import said, unit_of

SCOPES: Final[Mapping[str, str]] = {"today": "Today", "days": "From day to day"}
"""What a difference holds for."""

_TURNED: Final[Mapping[str, str]] = {"fuller": "bigger", "shorter turn": "smaller"}
"""Words of the rule that read otherwise."""

_MORE_OR_LESS: Final[Mapping[str, tuple[str, str]]] = {
    "backswing_ms": ("longer", "shorter"),
    "turn_deg": ("bigger", "smaller"),
}


def read_word(
    *,
    aspect: str,
    word: str,
    measure: str,
    low: float,
    high: float,
    margin: float | None,
    detectable: float | None,
) -> str:
    """One of the three words of a reading, with its interval."""
    unit = unit_of(measure)
    name, numbers = name_of(measure), by(low, high, unit)
    aspect = ASPECT_WORDS[aspect]
    if word == "can't tell":
        return f"can't tell yet about {aspect} ({name} {numbers}{could(detectable, unit)})"
    if word == "about the same":
        return f"{aspect} about the same ({name} {numbers}{counts_same(margin, unit)})"
    if word == "beyond full":
        return f"{aspect} past full ({numbers})"
    return f"{aspect} {_TURNED.get(word, word)} ({name} {numbers})"


def unread_word(*, aspect: str, why: str) -> str:
    """A word that can't be told at all."""
    return f"can't tell yet about {ASPECT_WORDS[aspect]} ({why})"


def _head(scope: str | None, text: str) -> str:
    return text if scope is None else f"{SCOPES[scope]}, {text}"


def reading(
    *,
    scope: str | None,
    n: int,
    kind: str,
    provisional: bool,
    of_rehearsals: bool,
    words: Sequence[str],
) -> str:
    """Swings read against the reference."""
    against = "the model swings"
    if provisional:
        against = "free practice swings (no model swings approved yet)"
    elif of_rehearsals:
        against = "the model swings (practice swings)"
    return _head(scope, f"{count(n, KINDS[kind])} beside {against}: {'; '.join(words)}.")


def reading_untold(*, why: str) -> str:
    """Nothing can be read."""
    return f"Can't tell yet about time, turn and rotation: {why}."


def tested(*, scope: str | None, block: str, n: int, words: Sequence[str]) -> str:
    """A silent test, or one on another day."""
    when = "Without sound" if block == "silent" else "Without sound on another day"
    if scope is not None:
        when = f"{when[0].lower()}{when[1:]}"
    return _head(scope, f"{when} ({n} swings): {'; '.join(words)}.")


def ball_word(
    *,
    measure: str,
    outcome: str,
    more: bool,
    low: float,
    high: float,
    margin: float,
    detectable: float,
) -> str:
    """What went with the ball in one measure."""
    unit = unit_of(measure)
    name, numbers = name_of(measure), by(low, high, unit)
    if outcome == "different":
        up, down = _MORE_OR_LESS.get(measure, ("faster", "slower"))
        return f"{name} was {up if more else down} {numbers}"
    if outcome == "same":
        return f"{name} was about the same ({numbers}{counts_same(margin, unit)})"
    return f"can't tell yet about {name} ({numbers}{could(detectable, unit)})"


def ball(
    *,
    scope: str,
    strikes: int,
    rehearsals: int,
    alternated: bool,
    other_days: str | None,
    words: Sequence[str],
) -> str:
    """What went with the ball.

    `other_days`: "untold" or "told" where it was told for today, by whether it was from day to day
    as well.
    """
    out = (
        f"{SCOPES[scope]}, {count(strikes, 'shot')} beside {count(rehearsals, 'practice swing')}: "
        f"{'; '.join(words)}."
    )
    if not alternated:
        out += " Practice swings and shots didn't take turns, so time may play in."
    if other_days == "untold":
        out += " From one session nobody can tell whether that is so from day to day."
    elif other_days == "told":
        out += " On other days it may be more or less."
    return out


def ball_untold(*, why: str) -> str:
    """Nothing can be told of the ball."""
    return f"Can't tell yet what the ball changes: {why}."


def since_word(
    *,
    measure: str,
    outcome: str,
    more: bool,
    low: float,
    high: float,
    margin: float,
    detectable: float,
) -> str:
    """How one measure changed since the baseline."""
    unit = unit_of(measure)
    name, numbers = name_of(measure), by(low, high, unit)
    if outcome == "not_told":
        return f"can't tell yet about {name} ({numbers}{could(detectable, unit)})"
    if outcome == "same":
        return f"{name} about the same ({numbers}{counts_same(margin, unit)})"
    up, down = _MORE_OR_LESS.get(measure, ("faster", "slower"))
    return f"{name} {up if more else down} {numbers}"


def since_untold(*, measure: str, why: str) -> str:
    """Nothing can be told of one measure."""
    return f"{name_of(measure)}: {why}"


def since_now(*, measure: str, low: float, high: float) -> str:
    """How far a measure is from the baseline by now: its interval, no word."""
    unit = unit_of(measure)
    return f"{name_of(measure)} {low:+.3g} to {high:+.3g}{said(unit)}".replace("-", "−")


def since(
    *,
    look: int,
    day: str,
    baseline: int,
    drilled: bool,
    sessions: int,
    words: Sequence[str],
    now: Sequence[str],
) -> str:
    """What changed since the baseline, as it was decided at the last look, and the stand now."""
    begun = "before the drills" if drilled else "at the beginning"
    before = f"the {baseline} {begun}" if baseline != 1 else f"the one {begun}"
    text = "; ".join(words)
    if sessions > look:
        text += (
            f". By now, {sessions} sessions since: {'; '.join(now)} (decided next after {2 * look})"
        )
    return (
        f"From day to day, shots without sound in the {look} sessions up to {day}, "
        f"beside {before}: {text}."
    )


def next_step(*, why: str, day: str | None) -> str:
    """Where the player stands, or stood on a day."""
    return why if day is None else f"On that day ({day}): {why}"


def example_beside(*, measure: str, below: bool, agree: int, others: int, kind: str) -> str:
    """How many swings of its kind are on an example's side of the model swings.

    Examples
    --------
    >>> example_beside(measure="turn", below=True, agree=3, others=4, kind="strike")
    "in turn it lies below the middle of the model swings, as do 3 of the other 4 shots"
    """
    return (
        f"in {measure} it lies {'below' if below else 'above'} the middle of the model swings, as "
        f"{'does' if agree == 1 else 'do'} {agree} of the other {others} {KINDS[kind]}s"
    )


def day_spreads(*, sessions: int, spreads: Sequence[str], players: int, changed: bool) -> str:
    """How far a player's days lie apart, and what that is taken from."""
    source = "from memory"
    if changed:
        source = "as set, else from memory"
    if players:
        source = f"of {players} players of this home{', or as set' if changed else ''}"
    return (
        f"How far days lie apart, as one standard deviation, from {sessions} "
        f"{'session' if sessions == 1 else 'sessions'} and from what is assumed ({source}; it "
        f"counts as five sessions): {', '.join(spreads)}."
    )


def day_spread(*, measure: str, now: float, assumed: float) -> str:
    """The same in one measure."""
    return (
        f"{name_of(measure)} {with_unit(f'{now:.3g}', measure)} (assumed at first: {assumed:.3g})"
    )


# -- what a number is ------------------------------------------------------------------------------


def minus_reference(*, measure: str, what: str) -> str:
    """A difference from the reference."""
    return f"{related(measure)}: {SETS.get(what, what)} minus model swings"


def strikes_minus_rehearsals(*, measure: str) -> str:
    """A difference at the ball."""
    return f"{related(measure)}: shots minus practice swings"


def since_minus_baseline(*, measure: str, look: int) -> str:
    """A change since the baseline."""
    return f"{related(measure)}: {look} sessions since minus the first ones"


def where_more(*, y: str, x: str) -> str:
    """What went along."""
    return f"{y} where {x} was so much more"


def felt_share(*, feeling: str, measure: str, side: str, bound: float | None) -> str:
    """A share of swings that felt so."""
    of = (
        "the session's middle"
        if bound is None
        else f"the end of the own range, {with_unit(short(bound), measure)}"
    )
    return f"share of swings that felt {feeling} with {related(measure)} {side} {of}"


def finding(*, measure: str, what: str, side: str, needed: float) -> str:
    """What a stand of the plan rests on."""
    word = "was" if side == "before" else side
    number = with_unit(short(needed), measure)
    return f"{related(measure)}: {SETS.get(what, what)}, {word} {number}"


SENTENCES: Final[Mapping[str, Callable[..., str]]] = {
    "read_word": read_word,
    "unread_word": unread_word,
    "reading": reading,
    "reading_untold": reading_untold,
    "tested": tested,
    "ball_word": ball_word,
    "ball": ball,
    "ball_untold": ball_untold,
    "since_word": since_word,
    "since_untold": since_untold,
    "since_now": since_now,
    "since": since,
    "next_step": next_step,
    "example_beside": example_beside,
    "day_spreads": day_spreads,
    "day_spread": day_spread,
    "minus_reference": minus_reference,
    "strikes_minus_rehearsals": strikes_minus_rehearsals,
    "since_minus_baseline": since_minus_baseline,
    "where_more": where_more,
    "felt_share": felt_share,
    "finding": finding,
}
