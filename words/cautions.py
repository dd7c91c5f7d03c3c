"""Safety texts, each once. Common practice, no source, where none is named."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

PLAN: Final = (
    "Warm up first, and stop on pain.",
    "Never turn past comfort: the tone confirms a turn, it doesn't ask for one.",
    "Keep clear space, rest between blocks, and stop when tired.",
    "In doubt ask a qualified coach or a clinician.",
)
"""Shown with each planned drill and on reports. Low-back pain is among the commonest golf ailments,
and much practice goes with it (doi 10.5812/asjsm.24289)."""

STOP: Final = (
    "Sore or in pain: stop. In doubt ask a qualified coach or a clinician.",
    "Never turn past comfort: the tone at the top confirms a turn, it doesn't ask for one.",
    "Warm up first, keep clear space, and rest between sets.",
)
"""The same in three short lines, on a page to take along."""

_BODY: Final = (
    "Warm up first, stop on pain, never turn past comfort. Rest between swings, and mind how many "
    "a day and a week. In doubt ask a qualified coach or a clinician."
)
_SPACE: Final = "Clear space: nobody within reach of the club or in the line of the ball."
_PLACE: Final = "The rules of the place come first."

DRILL: Final = (
    _BODY,
    f"{_SPACE} Sound: start low, lower still for children; headphones hide warnings.",
    f"{_PLACE} In a round a sound that helps tempo isn't allowed (Rules of Golf 4.3).",
)
"""Before a player's first drill. Rule 4.3, on equipment that helps a stroke, is from memory."""

RECORDING: Final = (_BODY, _SPACE, _PLACE)
"""Before a recording without a drill."""

SHORT: Final = (
    "Warm up, clear space, stop on pain, never turn past comfort, rest; sound low, lower still for "
    "children, and none in a round; headphones hide warnings."
)
"""At later starts; the whole text came on a player's first day."""

BODY: Final = (
    "Warm up, clear space, stop on pain, never turn past comfort, and rest between swings. With "
    "headphones you don't hear warnings. If in doubt ask a qualified coach or a clinician."
)
"""With a cue alone."""

LEVEL: Final = (
    "Sound: start low, lower still for children. Safe listening is up to about 80 dB(A) for 40 "
    "hours a week, 75 for children (WHO-ITU H.870); at work 85 dB(A) for 8 hours a day, and half "
    "the time for every 3 dB more (NIOSH 98-126)."
)
"""Wherever something sounds. The figures of H.870 are from memory."""

WEARING: Final[Mapping[str, tuple[str, ...]]] = {
    "club": (
        "A sensor on a club must be fixed and tethered, and looked at before each use.",
        "Nobody within reach of the club or in line with it.",
    ),
    "wrist": ("The strap must be firm but not tight: loosen it if the hand tingles or swells.",),
    "glove": ("The sensor must lie flat on the back of the hand and press nowhere.",),
    "trunk": ("The strap or clip must not press on the spine.",),
}
"""What to mind, by mount."""


def wearing(mount: str | None) -> tuple[str, ...]:
    """Return what to mind with a sensor at a mount; nothing where that isn't known."""
    return WEARING.get(mount or "", ())
