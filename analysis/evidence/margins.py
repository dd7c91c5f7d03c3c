"""How much of a difference doesn't matter."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class Margin:
    """How much of a difference doesn't matter.

    Attributes
    ----------
    size : float
        In the unit of the measure, or in per cent of the mean of both sides.
    percent : bool
    """

    size: float
    percent: bool = False

    def of(self, a: float, b: float) -> float:
        """Return the margin in the unit of the measure."""
        return self.size / 100.0 * (abs(a) + abs(b)) / 2.0 if self.percent else self.size


# A hurried swing is about a tenth, some 100 ms, shorter (common practice, no source): less than a
# third of that is called near enough. Practised players repeat times to a few per cent (from
# memory). All are only a start: whoever knows better sets them.
MARGINS: Final[Mapping[str, Margin]] = {
    "swing_ms": Margin(30.0),
    "backswing_ms": Margin(30.0),
    "downswing_ms": Margin(15.0),
    "turn_deg": Margin(5.0),
    # 3 % of a forearm's 1000 deg/s is 30 deg/s; a club turns twice as fast, a trunk half.
    "peak_rate_dps": Margin(3.0, percent=True),
    "peak_to_impact_ms": Margin(15.0),
    "tempo_ratio": Margin(0.2),
}
"""Margins that matter, unless others are given."""
