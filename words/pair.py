"""Two swings in words: what each is called, how they differ, and where one was at an instant."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Final

from words.glossary import KINDS

KIND_NAMES: Final[Mapping[str, str]] = {**KINDS, "unclear": "swing"}
"""What a swing of each kind is called on a screen."""

ASPECTS: Final[Mapping[str, tuple[str, str, str]]] = {
    "swing_ms": ("swing", "longer", "shorter"),
    "backswing_ms": ("backswing", "longer", "shorter"),
    "downswing_ms": ("downswing", "longer", "shorter"),
    "turn_deg": ("turn", "bigger", "smaller"),
    "peak_rate_dps": ("rotation", "faster", "slower"),
}
"""What two swings may differ in: its name, and the words for more and for less."""

SAME: Final = "about the same"
CANT_TELL: Final = "can't tell yet"

WAY: Final[Mapping[str, str]] = {
    "before": "before takeaway",
    "back": "{} % of its way back",
    "top": "at the top",
    "down": "{} % of its way down",
    "impact": "at impact",
    "past": "past impact",
    "unknown": "not measured here",
    "stand": "impact",
}
"""Where a swing is; a place for the share in per cent. `stand` is where the wall stands still."""


def amount(measure: str, value: float, of: float | None = None) -> str:
    """Write a number as it is said: seconds to a hundredth, whole degrees, rotation in per cent.

    Parameters
    ----------
    measure : str
    value : float
        In the unit of its name.
    of : float, optional
        Of rotation: what is 100 %.
    """
    if measure.endswith("_ms"):
        return f"{value / 1e3:.2f} s"
    if measure.endswith("_deg"):
        return f"{value:.0f}°"
    return "–" if not of else f"{100.0 * value / of:.0f} %"


def way_words(going_back: bool, share: float) -> str:
    """Say how far a swing is on its way; `share` is of its way back or of its way down."""
    percent = round(100.0 * share)
    if going_back:
        return WAY["back"].format(percent)
    if percent == 0:
        return WAY["top"]
    return WAY["impact"] if share >= 1.0 else WAY["down"].format(percent)


def differs(measure: str, difference: float, of: float | None = None) -> str:
    """Say by how much the second swing differs, such as ``0.14 s shorter``."""
    _, more, less = ASPECTS[measure]
    return f"{amount(measure, abs(difference), of)} {more if difference > 0.0 else less}"


def apart_words(names: tuple[str, str], told: Iterable[tuple[str, float, float | None]]) -> str:
    """Say in what the second swing differs from the first, in the order that is given.

    Parameters
    ----------
    names : tuple of str
    told : iterable of (str, float, float or None)
        Measure, second minus first, and what is 100 % of a rotation.
    """
    parts = [f"{ASPECTS[m][0]} {differs(m, d, of)}" for m, d, of in told]
    return f"{_upper(names[1])}: {', '.join(parts)} than {names[0]}."


def moment_words(first: str, second: str, going_back: bool, share: float) -> str:
    """Say where one swing was when another, started with it, was at its impact."""
    start = f"At {whose(first)} impact {second}"
    percent = round(100.0 * share)
    if going_back:
        return f"{start} was still going back: {percent} % of its way."
    if percent == 0:
        return f"{start} was still at its top."
    return f"{start} had come {percent} % of its way down."


def whose(name: str) -> str:
    """Return a name with its possessive ending."""
    return f"{name}’s" if not name.endswith("s") else f"{name}’"


def _upper(text: str) -> str:
    return text[:1].upper() + text[1:]
