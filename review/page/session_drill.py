"""A drill on the screen of its session: its blocks, and swings beside their beats."""

from __future__ import annotations

import statistics
from collections.abc import Mapping, Sequence
from typing import Any

from analysis.evidence.blocks import drill_block
from library.drill_outcome import DrillBlock, outcome_from
from library.rows import SessionRow
from sensor.errors import SensorError
from sensor.recording.markers import Marker, read_markers


def drill_of(session: SessionRow, rows: Sequence[Mapping[str, Any]]) -> dict[str, Any] | None:
    """Return the blocks of a drill with how far takeaway and top were from their beats.

    What the drill itself noted counts; where it was cut short, the asynchrony is worked out from
    the beats and the swings as they were measured.
    """
    try:
        markers, _ = read_markers(session.path)
    except (SensorError, OSError):
        return None
    told = outcome_from(markers)
    blocks = {} if told is None else {one.name: one for one in told.blocks}
    beats = [m for m in markers if m.kind == "beats"]
    by_block: dict[str, list[Mapping[str, Any]]] = {}
    for row in rows:
        if row["excluded"] is None and drill_block(row["block"]):
            by_block.setdefault(row["block"], []).append(row)
    if not blocks and not beats and not any(drill_block(row["block"]) for row in rows):
        return None
    return {
        "blocks": [
            _block(name, blocks.get(name), by_block.get(name, []))
            for name in dict.fromkeys([*blocks, *by_block])
        ],
        "beats": beats_against(beats, rows, session),
        "held": [] if told is None else told.held,
        "interruptions": 0 if told is None else told.interruptions,
    }


def _block(
    name: str, noted: DrillBlock | None, rows: Sequence[Mapping[str, Any]]
) -> dict[str, Any]:
    block = noted or DrillBlock(number=0, kind="")
    return {
        "name": name,
        "kind": drill_block(name) or name,
        "swings": len(rows) or block.swings,
        "time": f"{block.time_enough} of {block.time_judged}" if block.time_judged else None,
        "turn": f"{block.turn_full} of {block.turn_judged}" if block.turn_judged else None,
        "backswing": _median([row["backswing_ms"] for row in rows]),
        "turned": _median([row["turn_deg"] for row in rows]),
        "takeaway": block.values.get("takeaway"),
        "top": block.values.get("top"),
    }


def _median(values: Sequence[float | None]) -> float | None:
    there = [v for v in values if v is not None]
    return statistics.median(there) if there else None


def beats_against(
    beats: Sequence[Marker], rows: Sequence[Mapping[str, Any]], session: SessionRow
) -> dict[str, Any] | None:
    """Set the beats as they were heard against the swings as they were measured.

    A beat at the top belongs to the swing whose top is nearest, within half a second.
    """
    # Impact's sample number is the swing's key; its top lies the downswing before it.
    tops = [
        row["seq"] - row["downswing_ms"] * 1e-3 * session.rate_hz
        for row in rows
        if row["excluded"] is None and row["downswing_ms"] is not None
    ]
    late = []
    for beat in beats:
        at, not_heard = beat.fields.get("top_seq"), beat.fields.get("not_heard")
        if not isinstance(at, (int, float)) or not tops:
            continue
        if isinstance(not_heard, Mapping) and "top" in not_heard:
            continue
        nearest = min(tops, key=lambda top: abs(top - at))
        if abs(nearest - at) <= 0.5 * session.rate_hz:
            late.append(1e3 * (nearest - at) / session.rate_hz)
    if len(late) < 2:
        return None
    return {"n": len(late), "mean": statistics.fmean(late), "sd": statistics.stdev(late)}
