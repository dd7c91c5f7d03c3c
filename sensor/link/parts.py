"""What the parts of a sensor's profile are, where they need nothing else of it."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

# 16-bit and 32-bit UUIDs stand for this one with their digits put in (Bluetooth Core
# Specification, Vol. 3, Part B, 2.5.1).
BASE_UUID: Final = "{}-0000-1000-8000-00805f9b34fb"


@dataclass(frozen=True, slots=True, kw_only=True)
class Characteristic:
    """One value that a sensor offers; both UUIDs in full and lower case."""

    service: str
    uuid: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """What can be chosen for one quantity, and what is taken without a choice."""

    choices: tuple[float, ...]
    default: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """Size of one count: fixed, or the range divided by the counts at its end."""

    per_count: float | None
    counts_at_range: float | None

    def resolve(self, range_end: float | None) -> float | None:
        """Return the size of a count for a range in the same unit; None where it isn't known."""
        if self.per_count is not None:
            return self.per_count
        if self.counts_at_range is None or range_end is None:
            return None
        return range_end / self.counts_at_range


def full_uuid(uuid: str) -> str:
    """Return a UUID in full and lower case; four or eight digits are the Bluetooth SIG's own.

    Raises
    ------
    ValueError
        It is not a UUID.
    """
    text = uuid.strip().lower()
    if re.fullmatch(r"([0-9a-f]{4}){1,2}", text):
        return BASE_UUID.format(text.zfill(8))
    if not re.fullmatch(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}", text):
        raise ValueError(f"'{uuid}' is not a UUID: 4 digits, or 32 in groups of 8-4-4-4-12")
    return text
