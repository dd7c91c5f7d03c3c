"""Where a player stands, why, and what comes next: sentences from codes and numbers."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Final

from words.glossary import SETS
from words.over_time import step_word
from words.units import said, unit_of

_COACH: Final = "The coach decides."
_FURTHER: Final = "Nobody is sent to turn further."


def _name(measure: str) -> str:
    return {"turn_deg": "turn", "backswing_ms": "backswing"}.get(measure, "rotation")


def step_name(stage: str, step: int) -> str:
    """Name a step of the plan as a player's file keeps it; `step_word` is what people read."""
    return f"{stage}, step {step}" if step else stage


# -- what was said ---------------------------------------------------------------------------------


def _said(text: str) -> str:
    return f": {text}" if text else ""


def discomfort(*, day: str, text: str) -> str:
    """It hurt."""
    return (
        f"Stopped on {day} for discomfort{_said(text)}. Ask a clinician; only the coach starts it "
        "again."
    )


def coach_stopped(*, day: str, text: str) -> str:
    """The coach stopped it."""
    return f"The coach stopped the plan on {day}{_said(text)}."


def coach_resumed(*, day: str, text: str) -> str:
    """The coach started it again."""
    return f"The coach started it again on {day}{_said(text)}."


def coach_moved(*, day: str, text: str, stage: str, step: int) -> str:
    """The coach put the plan to a stage."""
    return f"The coach put the plan to '{step_word(stage, step)}' on {day}{_said(text)}."


# -- before the progression ------------------------------------------------------------------------


def baseline_open(*, lacking: Sequence[str]) -> str:
    """What is missing of the baseline."""
    return f"The first sessions aren't enough yet: {', '.join(lacking)}."


def reference_open(*, why: str) -> str:
    """There is no reference."""
    return f"There are no model swings yet: {why}."


# -- steps -----------------------------------------------------------------------------------------


def _at(stage: str, step: int) -> str:
    name = step_word(stage, step)
    return f"{name[0].upper()}{name[1:]}"


def step_open(*, stage: str, step: int, why: str) -> str:
    """Why a step can't be judged yet."""
    return f"{_at(stage, step)}: {why}."


def lacks(*, measure: str, value: float, needed: float) -> str:
    """What isn't there yet, and how far off."""
    unit = said(unit_of(measure))
    return f"the {_name(measure)} is {value:.0f}{unit}, {needed:.0f} needed"


def lacks_telling(*, measure: str, value: float, needed: float, sureness: float) -> str:
    """There, but it can't be told by the rule yet."""
    return (
        f"the {_name(measure)} is {value:.0f}{said(unit_of(measure))}, over the {needed:.0f} "
        f"needed, but by less than the rule asks (it asks for {100.0 * sureness:g} in 100)"
    )


def step_lacks(*, stage: str, step: int, lacking: Sequence[str], kind: str, days: str) -> str:
    """What a step still lacks."""
    told = " and ".join(lacking)
    return f"{_at(stage, step)}: {told} ({SETS[kind]} without sound on {days})."


def step_slow(
    *, stage: str, step: int, value: float, target: float, most: float, kind: str, days: str
) -> str:
    """A brisker backswing isn't brisk enough yet."""
    return (
        f"{_at(stage, step)}: the backswing is still {value:.0f} ms ({SETS[kind]} without sound "
        f"on {days}). The step asks for {target:.0f} ms; up to {most:.0f} ms will do."
    )


def step_there(
    *,
    stage: str,
    step: int,
    kind: str,
    days: str,
    turn: float,
    turn_needed: float,
    time: float,
    time_needed: float,
    sureness: float,
) -> str:
    """A step is done, by its rule."""
    return (
        f"{_at(stage, step)}: what it asks was there in {SETS[kind]} without sound on {days}: "
        f"turn {turn:.0f}° ({turn_needed:.0f} needed), backswing {time:.0f} ms "
        f"({time_needed:.0f} needed), by a rule that asks for {100.0 * sureness:g} in 100."
    )


def fell(*, measure: str, was: float, now: float) -> str:
    """One measure that fell."""
    return f"the {_name(measure)} fell from {was:.0f} to {now:.0f}{said(unit_of(measure))}"


def step_back(*, fallen: Sequence[str], days: str) -> str:
    """A step back."""
    return f"A step back: {' and '.join(fallen)} on {days}, in each of the two sessions."


# -- not sent longer -------------------------------------------------------------------------------


def long_already(*, value: float, most: float) -> str:
    """The reference's backswing is long."""
    return (
        f"The model swings' backswing takes {value:.0f} ms, already over {most:.0f} ms: it isn't "
        f"made longer. {_COACH}"
    )


def reference_beyond(*, value: float, upper: float) -> str:
    """The reference's own turn is over the upper bound."""
    return (
        f"The model swings' own turn, {value:.0f}°, is past full: the own range ends at "
        f"{upper:.0f}°. Nobody is sent to turn past comfort. {_COACH}"
    )


def beyond(*, kind: str, days: str, value: float, upper: float) -> str:
    """The turn was over the upper bound in two sessions running."""
    return (
        f"The turn of the {SETS[kind]} on {days}, {value:.0f}° at last, is past full: the own "
        f"range ends at {upper:.0f}°. {_FURTHER} {_COACH}"
    )


def still_beyond(
    *, kind: str, first: str, seen: float, day: str, value: float, upper: float
) -> str:
    """It still is."""
    return (
        f"The turn of the {SETS[kind]}, {seen:.0f}° by {first}, is {value:.0f}° on {day}, "
        f"still past full: the own range ends at {upper:.0f}°. {_FURTHER} {_COACH}"
    )


def _goes_on(gone: bool) -> str:
    if gone:
        return "So in two sessions running, and the plan goes on."
    return "If the next session says so too, the plan goes on. The coach can say so now."


def no_longer_beyond(
    *, kind: str, first: str, seen: float, day: str, value: float, upper: float, gone: bool
) -> str:
    """It no longer is."""
    return (
        f"By {first} the turn of the {SETS[kind]}, {seen:.0f}°, was past full: the own range "
        f"ends at {upper:.0f}°. {_FURTHER} That no longer shows: on {day} it was {value:.0f}°. "
        f"{_goes_on(gone)}"
    )


_NOTHING: Final = "There is nothing here to make longer. What else is to be done is for the coach."


def enough(*, turn: float, time: float, day: str) -> str:
    """Strikes have the reference's turn and time."""
    return (
        f"At a ball the turn ({turn:.0f}°) and the time ({time:.0f} ms) are already those of "
        f"the model swings, as of {day}. {_NOTHING}"
    )


def still_enough(*, turn: float, time: float, first: str, day: str) -> str:
    """They still have."""
    return (
        f"At a ball the turn ({turn:.0f}°) and the time ({time:.0f} ms) are those of the model "
        f"swings, on {first} and still on {day}. {_NOTHING}"
    )


def no_longer_enough(*, first: str, day: str, lacking: Sequence[str], gone: bool) -> str:
    """They no longer have."""
    return (
        f"On {first} the shots had the model swings' turn and time, so the plan made nothing "
        f"longer. That no longer shows: by {day} {' and '.join(lacking)}. {_goes_on(gone)}"
    )


# -- how much --------------------------------------------------------------------------------------


def many_today(*, n: int, most: int) -> str:
    """The day's most."""
    return f"{n} swings today; {most} are the most by this plan."


def many_strikes(*, n: int, most: int) -> str:
    """The week's most."""
    return f"{n} balls in seven days: more than {most} a week goes with more injuries."


def more_than_usual(*, n: int, usual: float) -> str:
    """More than this player is used to."""
    return f"{n} swings in seven days, where {usual:.0f} are this player's usual."


def rest_first(*, cautions: Sequence[str]) -> str:
    """Nothing today."""
    return f"Rest first: {' '.join(cautions)}"


def drill(
    *,
    repeats: int,
    ball: bool,
    backswing_ms: int | None,
    turn_target_deg: float | None,
    feedback: str,
    rest_s: int,
    another_day: bool,
) -> str:
    """A drill in one sentence."""
    cued = feedback != "none"
    parts = ["the usual sets"] if cued else [f"{repeats} {'shots' if ball else 'practice swings'}"]
    if backswing_ms is not None:
        parts.append(f"with a backswing of {backswing_ms} ms")
    if turn_target_deg is not None:
        parts.append(f"the full bell from {turn_target_deg:.0f}° of turn")
    if not cued:
        parts += ["without sound", f"{rest_s} s of rest between them"]
    text = ", ".join(parts) + "."
    return f"Another day: {text}" if another_day else f"{text[0].upper()}{text[1:]}"


SENTENCES: Final[Mapping[str, Callable[..., str]]] = {
    "discomfort": discomfort,
    "coach_stopped": coach_stopped,
    "coach_resumed": coach_resumed,
    "coach_moved": coach_moved,
    "baseline_open": baseline_open,
    "reference_open": reference_open,
    "reference_lacks": lambda: "The model swings have no turn or no time of the backswing.",
    "reference_provisional": lambda: "There are no model swings yet: a coach has to approve them.",
    "progression_begins": lambda: (
        "First sessions and model swings are there: now a full turn with time."
    ),
    "step_open": step_open,
    "lacks": lacks,
    "lacks_telling": lacks_telling,
    "step_lacks": step_lacks,
    "step_slow": step_slow,
    "step_there": step_there,
    "fell": fell,
    "step_back": step_back,
    "long_already": long_already,
    "reference_beyond": reference_beyond,
    "beyond": beyond,
    "still_beyond": still_beyond,
    "no_longer_beyond": no_longer_beyond,
    "enough": enough,
    "still_enough": still_enough,
    "no_longer_enough": no_longer_enough,
    "many_today": many_today,
    "many_strikes": many_strikes,
    "more_than_usual": more_than_usual,
    "rest_first": rest_first,
    "drill": drill,
}
