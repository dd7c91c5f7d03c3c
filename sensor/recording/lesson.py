"""A lesson's parts in a recording: first shots, drill, last shots, each a marker where it begins.

A reader that doesn't know them passes over them: the swings are then those of a recording without
parts.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final, Literal

from sensor.recording.markers import Marker

Part = Literal["first", "drill", "last"]

LESSON: Final = "lesson"
"""Kind of the marker; its field ``part`` says which part begins."""

PARTS: Final[tuple[Part, ...]] = ("first", "drill", "last")

Parts = Sequence[tuple[int, Part]]
"""Where parts begin: sample numbers, in their order."""


def parts_of(markers: Iterable[Marker]) -> list[tuple[int, Part]]:
    """Return where a lesson's parts begin; empty where it wasn't a lesson.

    Parameters
    ----------
    markers : iterable of Marker
        Of a recording, in their order. A part that this version doesn't know is passed over.
    """
    return [
        (marker.seq, part)
        for marker in markers
        if marker.kind == LESSON
        for part in PARTS
        if marker.fields.get("part") == part
    ]


def part_at(parts: Parts, seq: float) -> Part | None:
    """Return the part that a swing whose takeaway is at a sample belongs to; None without parts.

    What comes before the first marker belongs to the part that it begins: a marker needs a sample,
    and is written a moment after it.
    """
    at = next((part for first, part in reversed(parts) if first <= seq), None)
    return at or (parts[0][1] if parts else None)
