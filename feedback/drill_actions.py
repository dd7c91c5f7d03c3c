"""What a drill wants done: heard, shown, asked and written down."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from feedback.drill_outcome import Judged


@dataclass(frozen=True, slots=True)
class Line:
    """Say in one line."""

    text: str


@dataclass(frozen=True, slots=True)
class Play:
    """Play a sound of `feedback.patterns.Sounds`.

    Those are full, over, kept, ready, check, block, lost, back and result.
    """

    name: str
    time: str | None = None
    turn: str | None = None


@dataclass(frozen=True, slots=True)
class PlayCue:
    """Play the cue: from its ready beep on, or joining a takeaway at sample ``takeaway_seq``.

    ``top``: with the beep at the top.
    """

    backswing_ms: float
    takeaway_seq: float | None = None
    top: bool = True


@dataclass(frozen=True, slots=True)
class StopCue:
    """Call off what is left of the cue, and settle its beats.

    ``unless_gliding``: only where its glide has not begun; one that has is being followed.
    """

    why: str = "called off"
    unless_gliding: bool = False


@dataclass(frozen=True, slots=True)
class StopTones:
    """Drop the tones of the swing before, also one that sounds."""


@dataclass(frozen=True, slots=True)
class Silence:
    """Drop all that sounds or waits to."""


@dataclass(frozen=True, slots=True)
class Mute:
    """Go on without sound: what was played is heard by nobody."""


@dataclass(frozen=True, slots=True)
class Ask:
    """Ask how it felt."""

    text: str


@dataclass(frozen=True, slots=True)
class Show:
    """Show a swing's figures."""

    judged: Judged
    done: int
    of: int


@dataclass(frozen=True, slots=True)
class Clear:
    """Take the figures of the swing before away: those of this one aren't told."""


@dataclass(frozen=True, slots=True)
class Mark:
    """Append a marker to the recording."""

    kind: str
    fields: dict[str, Any]


@dataclass(frozen=True, slots=True)
class SetTurn:
    """The player's full turn is now known: the live tone may use it."""

    full_turn_deg: float


@dataclass(frozen=True, slots=True)
class Done:
    """The drill is over."""


Action = (
    Line
    | Play
    | PlayCue
    | StopCue
    | StopTones
    | Silence
    | Mute
    | Ask
    | Show
    | Clear
    | Mark
    | SetTurn
    | Done
)
