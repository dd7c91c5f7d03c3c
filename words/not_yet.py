"""Why something can't be told, by code: a clause for people, without a full stop."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

from words.glossary import KINDS
from words.saying import names, related

COUNTED: Final[Mapping[str, str]] = {
    "swings": "swings",
    "in_session": "swings in a session",
    "approved": "approved swings",
    "uncued": "swings of a kind without sound",
    "free_rehearsals": "free practice swings",
    "both_kinds": "practice swings and shots",
    "rehearsal_in_session": "practice swings in one session",
    "strike_in_session": "shots in one session",
    "kind_by_half": "swings of each kind in each half of the session",
    "changes_of_kind": "changes between practice swings and shots",
    "in_fuller_sessions": "swings in sessions of 3 or more",
    "head_speeds": "swings with a measured club speed",
    "rehearsal_baseline": "practice swings without sound",
    "strike_baseline": "shots without sound",
    "rehearsal_days": "days with practice swings without sound",
    "strike_days": "days with shots without sound",
    "since_baseline": "sessions since the first ones",
    "sounded": "practice swings with the sound and without it in one session",
    "sounded_sessions": "sessions with practice swings with the sound and without it",
}
"""What there are too few of."""


def count(
    *,
    have: int,
    need: int,
    what: str,
    measures: tuple[str, ...] = (),
    feeling: str = "",
    unclear: int = 0,
    odd: int = 0,
) -> str:
    """So many of so many."""
    if measures:
        counted = f"swings with {names(measures)}"
    elif feeling:
        counted = f"swings that felt {feeling}"
    else:
        counted = COUNTED[what]
    parts = []
    if unclear:
        parts.append(f"{unclear} more are of unclear kind")
    if odd:
        parts.append(f"{odd} far from the others {'is' if odd == 1 else 'are'} left out")
    besides = f" ({'; '.join(parts)})" if parts else ""
    return f"{have} of {need} {counted} so far{besides}"


def at_least(*, count: int, of: int) -> str:
    """The middle hangs on values that are only known as "at least"."""
    return (
        f'in {count} of {of} swings it is only known as "at least", since the gyroscope was at its '
        "limit; the others alone would make it slower than it was"
    )


def at_least_of_kind(*, kind: str, measure: str, why: str) -> str:
    """The same, of one kind of swing."""
    return f"of the {KINDS[kind]}s' {related(measure)}, {why}"


def other_rules(*, measure: str) -> str:
    """Impacts of rehearsals and strikes are told by different rules."""
    return (
        f"{related(measure)} isn't compared between practice swings and shots: their impacts are "
        "told by different rules"
    )


def no_reference(*, why: str) -> str:
    """There is nothing to read swings against."""
    return f"no model swings yet: {why}"


def felt_nothing(*, feeling: str) -> str:
    """Nothing was measured in the swings that felt so."""
    return f"the swings that felt {feeling} have nothing measured to set against it"


def doubtful_unit(*, middle: float, unit: str, mount: str, fits: tuple[str, ...]) -> str:
    """Entered speeds don't fit their unit."""
    or_else = f"; are they in {' or '.join(fits)}?" if fits else "; is the unit right?"
    return (
        f"club speeds around {middle:.3g} {unit} hardly go with the sensor's rotation at the "
        f"{mount}{or_else}"
    )


def foretells_nothing(*, error: float, spread: float) -> str:
    """Rate doesn't tell head speed."""
    return (
        f"the sensor's rotation doesn't foretell these club speeds (error {error:.2g} m/s, where "
        f"always saying the middle one errs by {spread:.2g} m/s)"
    )


def beyond_range(*, rate: float, low: float, high: float) -> str:
    """Outside of the calibration."""
    return f"{rate:.0f} °/s is beyond the calibration's range ({low:.0f} to {high:.0f} °/s)"


def relation_at_least(*, measure: str) -> str:
    """A quantity is only known as "at least"."""
    return f'{related(measure)} is only known as "at least" in some of these swings'


def all_alike(*, measure: str) -> str:
    """A quantity doesn't vary."""
    return f"{related(measure)} is the same in all swings of a session"


PLAIN: Final[Mapping[str, str]] = {
    "no_spread_in_sessions": "all swings of a session have the same value, so nothing says how "
    "they differ",
    "no_spread": "all swings have the same value, so nothing says how they differ",
    "no_spread_of_values": "all values are alike, so nothing says how they differ",
    "spread_unknown": "how far the sessions lie apart isn't known",
    "swing_at_least": 'it is only known as "at least", since the gyroscope was at its limit',
    "swing_u_unknown": "the uncertainty of this swing isn't known",
    "measured_in_one_only": "not measured both in these swings and in the model swings",
    "both_possible": "it may be no difference, or one that matters",
    "other_setting": "the model swings are of another player, club, place or length of swing",
    "not_in_reference": "the model swings don't have it",
    "rates_alike": "rotation or speed are all alike; swings of different pace are needed",
    "too_little_left": "with one session left out, too little is left to check the line by",
    "speeds_computed": "the speeds follow the rotation exactly: they look computed, not measured",
    "calibrated_for_others": "the calibration is for another player, club, place or length of "
    "swing",
    "no_peak_rate": "the swing has no rotation measured",
    "peak_rate_at_least": 'the swing\'s rotation is only known as "at least"',
    "one_follows_others": "the quantities can't be told apart in these swings: one follows the "
    "others",
    "on_one_line": "more than half of the values lie on one line, so nothing says how they differ",
    "nothing_varies": "the quantity is the same in all swings, so nothing can go with it",
    "no_sessions_before": "there are no sessions to set the latest ones against",
}
"""Those without numbers."""


def _plain(text: str) -> Callable[[], str]:
    return lambda: text


SENTENCES: Final[Mapping[str, Callable[..., str]]] = {
    "count": count,
    "at_least": at_least,
    "at_least_of_kind": at_least_of_kind,
    "other_rules": other_rules,
    "no_reference": no_reference,
    "felt_nothing": felt_nothing,
    "doubtful_unit": doubtful_unit,
    "foretells_nothing": foretells_nothing,
    "beyond_range": beyond_range,
    "relation_at_least": relation_at_least,
    "all_alike": all_alike,
    # What another room found, in its own words.
    "said": lambda *, text: text,
    **{code: _plain(text) for code, text in PLAIN.items()},
}
