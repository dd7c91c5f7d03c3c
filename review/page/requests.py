"""What the page asks of recordings: to start one, and the taps while it goes on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True, kw_only=True)
class DrillRequest:
    """A drill as it is asked for; what is None is the drill's own default.

    Attributes
    ----------
    blocks : tuple of {"rehearsal", "ball", "silent", "retention"}
        Empty: the usual sets of a day.
    repeats : int
        Swings a block, where blocks are named.
    rest_s : float
        At least.
    backswing_ms, full_turn_deg, upper_turn_deg, share : float or None
        In the place of the player's own reference.
    backswings_ms : tuple of float
        One a swing, where the cue's time changes.
    schedule : {"bell", "every", "outside", "fading", "none"}
    cue_on : {"ready", "takeaway"} or None
    felt : int or None
        Ask how a swing felt after each (1), after every third (3), or never (0); None: after every
        third where one bell follows a swing, else never.
    ball : bool or None
        Whether there is a ball in silent blocks.
    own_full : bool
        Three easy swings that stop at the player's own full, no bell.
    check : bool
        Ask whether the sounds are heard, before the first swing.
    """

    blocks: tuple[str, ...] = ()
    repeats: int = 5
    rest_s: float = 8.0
    backswing_ms: float | None = None
    full_turn_deg: float | None = None
    upper_turn_deg: float | None = None
    share: float | None = None
    backswings_ms: tuple[float, ...] = ()
    schedule: str = "bell"
    cue_on: str | None = "ready"
    felt: int | None = None
    ball: bool | None = None
    own_full: bool = False
    check: bool = True

    @property
    def usual(self) -> bool:
        """Whether it has the usual sets of a day."""
        return not self.blocks and not self.own_full

    @property
    def has_balls(self) -> bool:
        """Whether any of its swings is at a ball."""
        return self.usual or bool(self.ball) or "ball" in self.blocks


@dataclass(frozen=True, slots=True, kw_only=True)
class OtherSensor:
    """A second sensor, which another player wears; attributes as in `SessionRequest`."""

    sensor: str | None = None
    simulated: bool = False
    player: str | None = None
    player_id: str | None = None
    mount: str | None = None
    hand: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LessonRequest:
    """A lesson as it is asked for.

    Attributes
    ----------
    full_only : bool
        Chips, waggles and warm-up swings are only counted.
    aim : str
        What the player works on, as it was agreed last time.
    """

    full_only: bool = True
    aim: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionRequest:
    """What is to be recorded.

    Attributes
    ----------
    sensor : str or None
        Address or name; None: the only one that is near.
    simulated : bool
    player : str or None
        Name as it is written into the recording.
    player_id : str or None
        Who that is, where the library knows the player.
    club, mount, hand : str or None
    drill : DrillRequest or None
        None: a recording without a drill.
    second : OtherSensor or None
        Recorded with it, for another player.
    lesson : LessonRequest or None
        None: a recording without a lesson's parts.
    minded : bool
        The cautions were shown whole, or ticked as read.
    """

    sensor: str | None = None
    simulated: bool = False
    player: str | None = None
    player_id: str | None = None
    club: str | None = None
    mount: str | None = None
    hand: str | None = None
    drill: DrillRequest | None = None
    second: OtherSensor | None = None
    lesson: LessonRequest | None = None
    minded: bool = False


# -- taps ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Stop:
    """End it."""


@dataclass(frozen=True, slots=True)
class Sore:
    """It hurts: silence, and the end; only the coach starts again.

    ``sensor`` is the number of the sensor whose player it is, where each has its own; 0: not said.
    """

    sensor: int = 0


@dataclass(frozen=True, slots=True)
class Hold:
    """From here on nothing counts and nothing sounds, or all does again; None: the other way."""

    held: bool | None = None


@dataclass(frozen=True, slots=True)
class NotThat:
    """The last swing is left out, or counts again where it was left out so."""

    swing: str = ""


@dataclass(frozen=True, slots=True)
class Again:
    """Show the last swing once more, beside the typical practice swing."""


@dataclass(frozen=True, slots=True)
class GoOn:
    """Go on with the drill: past a question, or out of a pause."""


@dataclass(frozen=True, slots=True)
class Heard:
    """Whether the sounds are heard.

    ``heard``; ``none``, and what helps; ``again``, after that; ``without``: go on without them.
    """

    word: str


@dataclass(frozen=True, slots=True)
class Undo:
    """Take the last tap back."""


@dataclass(frozen=True, slots=True)
class Note:
    """Keep a note at this moment."""

    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Who:
    """From here on another player, club or hand; None: as before.

    ``sensor`` is the number of the sensor where each has its own player; 0: all of them.
    """

    player: str | None = None
    player_id: str | None = None
    club: str | None = None
    hand: str | None = None
    sensor: int = 0


@dataclass(frozen=True, slots=True)
class Next:
    """Who swings from here on; ``who`` is the key of one of the state's people.

    ``sensor`` is the number of the sensor where each has its own player, else 0.
    """

    who: str
    sensor: int = 0


@dataclass(frozen=True, slots=True)
class Whose:
    """Whose a swing was, the last one without its key."""

    who: str
    swing: str = ""


@dataclass(frozen=True, slots=True)
class Ball:
    """From here on with a ball, without one, or either (None)."""

    ball: bool | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Felt:
    """How a swing felt; ``swing`` is its key, empty for the last one."""

    question: str
    word: str
    swing: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """What a swing was."""

    kind: str
    swing: str = ""


@dataclass(frozen=True, slots=True)
class Film:
    """A film of a swing, in the folder for films; the last swing without its key."""

    path: Path
    swing: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class BallResult:
    """What the ball did, by the names of results, in their units."""

    result: Mapping[str, float]
    swing: str = ""


@dataclass(frozen=True, slots=True)
class LessonPart:
    """From here on another part of the lesson; with the drill that begins where it is that."""

    part: str
    drill: DrillRequest | None = None


@dataclass(frozen=True, slots=True)
class Numbers:
    """Show the numbers of a lesson's first shots, or hide them."""

    shown: bool


@dataclass(frozen=True, slots=True)
class FullOnly:
    """Only full swings of the lesson count, or all."""

    on: bool


OfLesson = LessonPart | Numbers | FullOnly
OfSwing = NotThat | Whose | Felt | Kind | Film | BallResult
OfBar = Stop | Sore | Hold | Again | GoOn | Heard | Undo | Note
Tap = OfBar | Who | Next | Ball | OfSwing | OfLesson
