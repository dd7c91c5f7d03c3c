"""The words that people may use about a swing; apart, so that commands know them at once."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

KINDS: Final = ("strike", "rehearsal", "unclear")
INTENTS: Final = ("full", "part")
EVENTS: Final = ("takeaway_seq", "top_seq", "impact_seq", "finish_seq")
FELT: Final[Mapping[str, tuple[str, ...]]] = {
    "time": ("rushed", "in-time", "slow"),
    "turn": ("full", "short"),
    "strike": ("well", "not"),
}
"""What a player may say about a swing, by question."""

COUNTS: Final = "counts"
"""In the place of why a swing is left out: it counts, though the recording itself leaves it out."""

NOBODY: Final = "(nobody)"
"""In the place of a player's name: a swing that is nobody's in particular."""

RESULT_FIELDS: Final = (
    "club_speed_m_s",
    "ball_speed_m_s",
    "carry_m",
    "total_m",
    "offline_m",
    "attack_deg",
    "strike_toe_mm",
    "strike_high_mm",
)
"""Ball results: offline positive to the right, angle of attack positive upwards, strike point
from the middle of the face, positive towards the toe and upwards."""
