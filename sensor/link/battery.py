"""A sensor's battery as it falls: when to warn, and how long it may still last."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

LEAST_STEPS: Final = 3
LEAST_S: Final = 600.0
"""What has to be seen of its fall before anything is said of what is left: percents come in whole
numbers, and three of them in ten minutes tell the pace to within about a third. (Chosen here.)"""


@dataclass(slots=True)
class BatteryCourse:
    """What a sensor says of its battery, one reading after the other.

    Attributes
    ----------
    percent : int or None
        The latest.
    low_percent : int
        Warned of from here down.
    """

    low_percent: int
    percent: int | None = None
    _told: int | None = None
    _first: tuple[float, int] | None = None
    _last: tuple[float, int] | None = None

    def note(self, percent: int, at_s: float) -> bool:
        """Take down a reading; tell whether to warn of it.

        Parameters
        ----------
        percent : int
        at_s : float
            On any steady clock.
        """
        before, self.percent = self.percent, percent
        if before is not None and percent > before:
            # Charged, or another battery: its fall begins anew.
            self._first = self._last = None
        elif before is not None and percent < before:
            # Where a percent ends is seen to the moment, where it began isn't.
            self._first = self._first or (at_s, percent)
            self._last = (at_s, percent)
        if percent > self.low_percent:
            self._told = None
            return False
        # Again for each third of what was left when it was last told.
        if self._told is not None and percent > self._told * 2 // 3:
            return False
        self._told = percent
        return True

    @property
    def left_min(self) -> float | None:
        """Minutes until it is empty if it falls as it did; None while too little was seen."""
        if self.percent is None or self._first is None or self._last is None:
            return None
        steps, seconds = self._first[1] - self._last[1], self._last[0] - self._first[0]
        if steps < LEAST_STEPS or seconds < LEAST_S:
            return None
        return self.percent / (steps / seconds) / 60.0
