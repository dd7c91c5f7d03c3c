"""How numbers and quantities are written in sentences."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

from words.units import said, unit_of

MEASURES: Final[Mapping[str, str]] = {
    "backswing_ms": "the backswing",
    "swing_ms": "the swing",
    "turn_deg": "the turn",
    "peak_rate_dps": "rotation",
    "club_speed_m_s": "club speed",
}
"""Quantities as the subject of a sentence."""

RELATED: Final[Mapping[str, str]] = {
    "swing_ms": "swing time",
    "backswing_ms": "backswing time",
    "downswing_ms": "downswing time",
    "turn_deg": "turn",
    "peak_rate_dps": "rotation",
    "carry_m": "carry",
    "club_speed_m_s": "club speed",
    "offline_m": "offline to the right",
    "offline_size_m": "distance from the line",
    "felt_rushed": "feeling rushed",
    "felt_short": "feeling short",
    "felt_well": "feeling well struck",
}
"""Quantities that go with each other."""


def name_of(measure: str) -> str:
    """Name a quantity as the subject of a sentence."""
    return MEASURES.get(measure, measure)


def related(measure: str) -> str:
    """Name a quantity that goes with another."""
    if measure in RELATED:
        return RELATED[measure]
    stem = measure
    for ending in ("_m_s", "_ms", "_deg", "_dps", "_m", "_s"):
        stem = stem.removesuffix(ending)
    return stem.replace("_", " ")


def names(measures: Sequence[str]) -> str:
    """Name several quantities."""
    return " and ".join(related(measure) for measure in measures)


def short(value: float, *, plus: bool = False) -> str:
    """Write a number whole from 10 on, else with a tenth.

    Examples
    --------
    >>> short(12.4), short(-3.26), short(-0.01), short(4.0, plus=True)
    ('12', '−3.3', '0.0', '+4.0')
    """
    digits = 0 if abs(value) >= 10 else 1
    text = f"{value:+.{digits}f}" if plus else f"{value:.{digits}f}"
    return (text.lstrip("+-") if float(text) == 0.0 else text).replace("-", "−")


def by(low: float, high: float, unit: str) -> str:
    """Write a difference by its interval: without its sign, which the word has said, unless the
    interval holds zero.

    Examples
    --------
    >>> by(-40.0, -20.0, "ms"), by(-4.0, 12.0, "ms")
    ('by 20 to 40 ms', '−4.0 to +12 ms')
    """
    if low <= 0 <= high:
        return f"{short(low)} to {short(high, plus=True)}{said(unit)}"
    near, far = sorted((abs(low), abs(high)))
    return f"by {short(near)} to {short(far)}{said(unit)}"


def could(detectable: float | None, unit: str) -> str:
    """Say what difference would show, where none does."""
    return "" if detectable is None else f"; {short(detectable)}{said(unit)} or more would show"


def counts_same(margin: float | None, unit: str) -> str:
    """Say below what a difference counts as the same."""
    return "" if margin is None else f"; less than {short(margin)}{said(unit)} counts as the same"


def with_unit(value: str, measure: str) -> str:
    """Put the unit of a measure behind a number, where it has one."""
    return f"{value}{said(unit_of(measure))}"
