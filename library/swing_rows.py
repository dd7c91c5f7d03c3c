"""From the library's rows to swings as the evidence sees them."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any, Final

from analysis.evidence.blocks import drill_block
from analysis.evidence.spread import SwingRow
from analysis.swing.results import RATE_BOUND
from library.errors import json_cell
from sensor.recording.vocabulary import RESULT_FIELDS
from words.units import UNCALIBRATED_GYR_U

VALUES: Final = (
    "backswing_ms",
    "downswing_ms",
    "swing_ms",
    "tempo_ratio",
    "turn_deg",
    "peak_rate_dps",
)
COLUMNS: Final = (
    "session",
    "day",
    "number",
    "club",
    "mount",
    "handedness",
    "sensor_key",
    "kind",
    "block",
    "own_u",
    "notes",
    "calibration",
    "scale_growth",
    "scale_u",
    *VALUES,
    "felt_time",
    "felt_turn",
    "felt_strike",
    *RESULT_FIELDS,
)


def day_number(day: str) -> int:
    """Return a number that counts days, for ``2026-05-01``."""
    return date.fromisoformat(day).toordinal()


def swing_row(row: Mapping[str, Any], player: str, order: int) -> SwingRow:
    """Make a swing of the evidence of a row of the library's, the `order`-th of its session."""
    values = {n: float(row[n]) for n in (*VALUES, *RESULT_FIELDS) if row[n] is not None}
    return SwingRow(
        swing_id=f"{row['session']}#{row['number']}",
        session_id=row["session"],
        order=order,
        player=player,
        club=row["club"],
        mount=row["mount"],
        intent="full",
        sensor=row["sensor_key"],
        scale_key=None
        if row["sensor_key"] is None
        else f"{row['sensor_key']} {row['calibration']}",
        hand=row["handedness"],
        bounds=_bounds(row["notes"]),
        growth={
            name: tuple(axes)
            for name, axes in json_cell(row["scale_growth"], dict).items()
            if name in values
        },
        scale_u=(row["scale_u"],) * 3 if row["scale_u"] else (UNCALIBRATED_GYR_U,) * 3,
        kind=row["kind"],
        block=drill_block(row["block"]),
        values=values,
        # Only what other swings of the same sensor and recording don't share.
        u={name: u for name, u in json_cell(row["own_u"], dict).items() if name in values},
        felt_time=row["felt_time"],
        felt_turn=row["felt_turn"],
        felt_strike=row["felt_strike"],
    )


def _bounds(notes: str) -> frozenset[str]:
    """Return the measures of a swing that are only known as "at least"."""
    if RATE_BOUND not in notes:
        return frozenset()
    codes = {note["code"] for note in json_cell(notes, list)}
    return frozenset({"peak_rate_dps"} if RATE_BOUND in codes else ())
