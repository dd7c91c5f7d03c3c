"""Which goes with which, in sentences that don't say what makes what."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Final

from words.saying import names, related, with_unit


def _given(given: Sequence[str]) -> str:
    return f" at the same {names(given)}" if given else ""


def _size(value: float) -> str:
    """Write a size with two digits or more, none of them in the air."""
    return f"{value:.0f}" if value >= 10.0 else f"{value:.2g}"


def _by(y: str, low: float, high: float) -> str:
    near, far = sorted((abs(low), abs(high)))
    return with_unit(f"{_size(near)} to {_size(far)}", y)


def goes_with(
    *,
    y: str,
    x: str,
    given: tuple[str, ...],
    n: int,
    more: bool,
    low: float,
    high: float,
    usual_step: float,
) -> str:
    """They go together: by how much for a usual step."""
    word = "more" if more else "less"
    apart = f", at an equal {names(given)}" if given else ""
    return (
        f"In these {n} swings, where {related(x)} was {with_unit(_size(usual_step), x)} more (its "
        f"usual scatter within a session), {related(y)} was {_by(y, low, high)} {word}{apart}."
    )


def goes_with_feeling(
    *, y: str, x: str, given: tuple[str, ...], n: int, more: bool, low: float, high: float
) -> str:
    """A quantity goes with a feeling."""
    word = "more" if more else "less"
    return (
        f"In these {n} swings {word} {related(y)} went with more {related(x)}{_given(given)}: "
        f"{_by(y, low, high)}."
    )


def goes_without(*, y: str, x: str, given: tuple[str, ...], n: int) -> str:
    """Whatever goes along is inside what matters."""
    return (
        f"In these {n} swings {related(y)} didn't go with {related(x)}{_given(given)}, for what "
        "matters."
    )


def relation_open(
    *, y: str, x: str, given: tuple[str, ...], n: int, more_swings: int | None
) -> str:
    """It can't be told."""
    more = ""
    if more_swings is not None:
        many = "over 1000" if more_swings > 1000 else f"about {more_swings}"
        more = f"; it would take {many} more"
    return (
        f"Whether {related(y)} goes with {related(x)}{_given(given)} can't be told yet from "
        f"{n} swings{more}."
    )


SENTENCES: Final[Mapping[str, Callable[..., str]]] = {
    "goes_with": goes_with,
    "goes_with_feeling": goes_with_feeling,
    "goes_without": goes_without,
    "relation_open": relation_open,
}
