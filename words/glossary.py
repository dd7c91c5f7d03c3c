"""What things are called, once for all rooms."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

MEMBERS: Final[Mapping[str, str]] = {
    "wrist": "forearm",
    "glove": "hand",
    "club": "club",
    "trunk": "trunk",
}
"""What turns, by mount."""

MOUNTS: Final = ("wrist", "glove", "club", "trunk")
"""Where a sensor is worn."""

PLACES: Final[Mapping[str, str]] = {
    "wrist": "lead wrist",
    "glove": "back of the lead hand",
    "club": "club shaft",
    "trunk": "upper back",
}
"""Where the sensor is, by mount."""

WORN: Final[Mapping[str | None, str]] = {
    "wrist": "sensor at the wrist",
    "glove": "sensor on the glove",
    "club": "sensor on the club",
    "trunk": "sensor at the upper back",
    None: "sensor's place not said",
}
"""The same in the heading of a text."""

KINDS: Final[Mapping[str, str]] = {
    "rehearsal": "practice swing",
    "strike": "shot",
    "unclear": "unclear",
}
"""Kinds of swing, by their names in files and options."""

SETS: Final[Mapping[str, str]] = {
    "rehearsals": "practice swings",
    "strikes": "shots",
    "silent rehearsals": "practice swings without sound",
    "silent strikes": "shots without sound",
    "uncued rehearsals": "practice swings without sound",
    "uncued strikes": "shots without sound",
}
"""What a step of the plan looks at, by the codes of its rules."""

SET_NAMES: Final[Mapping[str, str]] = {
    "rehearsal": "practice",
    "ball": "shots",
    "silent": "without sound",
    "retention": "another day",
}
"""Kinds of a drill's sets in a table, by their names in files and options."""

OUTCOMES: Final[Mapping[str, str]] = {
    "different": "different",
    "same": "about the same",
    "not_told": "can't tell yet",
}
"""What the numbers say about a difference, by `Outcome`."""

MEASURES: Final[Mapping[str, str]] = {
    "swing_ms": "swing time",
    "backswing_ms": "backswing",
    "downswing_ms": "downswing",
    "tempo_ratio": "ratio",
    "turn_deg": "turn",
    "peak_rate_dps": "rotation",
    "peak_transverse_dps": "across the long axis",
    "peak_to_impact_ms": "peak to impact",
    "top_dwell_ms": "time at the top",
    "pause_ms": "pause",
    "transition_ms": "change of direction",
    "club_speed_m_s": "club speed",
    "ball_speed_m_s": "ball speed",
    "carry_m": "carry",
    "total_m": "total",
    "offline_m": "offline",
    "attack_deg": "angle of attack",
    "strike_toe_mm": "contact towards the toe",
    "strike_high_mm": "contact above the middle",
}
"""Quantities, by their fields; their units are `words.units.unit_of`."""

REMARKS: Final[Mapping[str, str]] = {
    "swing_ms": "takeaway to impact",
    "backswing_ms": "takeaway to top",
    "downswing_ms": "top to impact",
    "tempo_ratio": "backswing to downswing",
    "turn_deg": "takeaway to top",
    "peak_rate_dps": "between top and impact",
    "peak_transverse_dps": "rotation without roll about it",
    "peak_to_impact_ms": "positive: the peak comes first",
    "top_dwell_ms": "within 2° of the greatest turn",
    "pause_ms": "slower than 3 °/s at the top",
    "transition_ms": "top to a tenth of the way back",
}
"""What each measured number is, in the order in which a swing's are listed."""

FELT: Final[Mapping[str, Mapping[str, str]]] = {
    "time": {"rushed": "rushed", "in-time": "in time", "slow": "slow"},
    "turn": {"full": "full turn", "short": "short turn"},
    "strike": {"well": "struck well", "not": "not struck well"},
}
"""What a player may have felt, by question."""


def felt_word(said: str) -> str:
    """Write one answer to how a swing felt, short, as tables have it."""
    return {"in-time": "in time", "not": "not well"}.get(said, said)


def turn_word(mount: str | None) -> str:
    """Say what turns: the forearm's turn isn't the club's."""
    member = MEMBERS.get(mount or "")
    return "turn" if member is None else f"{member} turn"


def measure_word(field: str, mount: str | None = None) -> str:
    """Name a quantity by its field; a turn by what turns."""
    return turn_word(mount) if field == "turn_deg" else MEASURES.get(field, field)


def note_words(text: str) -> str:
    """Write a note of a swing as people read it; in files it keeps the words that it always had."""
    return text.replace("the segment's long axis", "the long axis")
