"""What is going on at the mat, for the page: one place that a recording writes to and screens read.

A running recording or drill puts how it stands here, from its own thread and without ever waiting
for anybody; the screens follow from theirs. What is kept is one whole state that never changes:
whoever comes late, or comes back after the phone slept, is told all of it, so nothing can be
missed. What a player taps goes the other way, through the `Desk` of whatever is running.
"""

from __future__ import annotations

import asyncio
import contextlib
import dataclasses
import logging
import threading
from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal, Protocol

from review.errors import ReviewError
from review.page.requests import SessionRequest, Tap

if TYPE_CHECKING:
    from analysis.swing.results import FoundSwing, Swing
    from review.page.calibration_state import CalibrationState
    from review.page.security import Visitor

Phase = Literal["idle", "starting", "going", "ending", "kept", "failed"]

MOST_FOLLOWERS: Final = 60
"""Open pages that are told of everything: three times a group lesson of twenty (chosen here)."""

ALIVE_S: Final = 4.0
"""A sign of life so often, that a phone which slept sees that its line is dead."""

MOST_SWINGS: Final = 40
"""Latest swings that the screen shows; all are in the recording."""

MOST_LINES: Final = 12

HELD: Final = "held"
NOT_THAT: Final = "not that one"
"""Why a swing doesn't count."""

FELT_QUESTIONS: Final[Mapping[str, tuple[tuple[str, str], ...]]] = {
    "time": (("rushed", "Rushed"), ("in-time", "In time"), ("slow", "Slow")),
    "turn": (("short", "Short turn"), ("full", "Full turn")),
    "strike": (("well", "Struck well"), ("not", "Not well")),
}
"""What a player may say of a swing by one tap: question, and word with its label."""

_log = logging.getLogger(__name__)


class LiveError(ReviewError):
    """What was asked of a recording cannot be done; ``str(error)`` says why and what to do."""


class TooManyError(LiveError):
    """No more pages can follow."""

    def __init__(self) -> None:
        super().__init__(f"{MOST_FOLLOWERS} pages follow this recording already: close one of them")


@dataclass(frozen=True, slots=True, kw_only=True)
class LiveSwing:
    """A swing as the screen shows it: all numbers are words already.

    Attributes
    ----------
    key : str
        Which recording and which of its swings, such as ``0-12``.
    number : int
        From 1, as in ``analyze``.
    label : str
        Which sensor, where there are several.
    mount : str or None
    kind : {"strike", "rehearsal", "unclear"}
        As found.
    at : str
        Time in the recording, m:ss.
    digits : mapping of str to str
        By measure, as `review.formatting` writes them.
    beside : mapping of str to (str, str)
        By measure: a sign and words for where it lies against the player's own.
    who : str
    player : str or None
        Whose it is, as recorded or as somebody said.
    about : bool
        The sensor's clock isn't measured yet: times may be off by some percent.
    hidden : str or None
        Why its numbers aren't to be shown (yet).
    said : mapping of str to str
        What was tapped: ``time``, ``turn``, ``strike`` and ``kind``.
    result : mapping of str to float
        Ball result in the units of its names.
    left_out : str or None
        Why it doesn't count: ``held``, ``not that one`` where a tap said so, or ``part swing`` in
        a lesson.
    sensor : int
        Number of the sensor where each has its own player, else 0.
    """

    key: str
    number: int
    label: str
    mount: str | None
    kind: str
    at: str
    digits: Mapping[str, str]
    beside: Mapping[str, tuple[str, str]]
    who: str
    player: str | None = None
    about: bool = False
    hidden: str | None = None
    said: Mapping[str, str] = field(default_factory=dict)
    result: Mapping[str, float] = field(default_factory=dict)
    left_out: str | None = None
    sensor: int = 0

    @property
    def kind_said(self) -> str:
        """What it was: the player's or coach's word counts more than what was found."""
        return self.said.get("kind", self.kind)


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundLive:
    """Where a swing of a running recording is, for whoever draws it.

    Attributes
    ----------
    key : str
        As in `LiveSwing`.
    path : Path
        Of the recording; its samples are written before a swing is found in them.
    start : str
        When it began, as in ``session.json``.
    found : FoundSwing
        By sample numbers.
    swing : Swing
        As it was told, with who swung.
    player : str or None
        Whose it is: the id where the player was picked, else the name.
    mount : str or None
    """

    key: str
    path: Path
    start: str
    found: FoundSwing
    swing: Swing
    player: str | None
    mount: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class DrillState:
    """How a drill stands.

    Attributes
    ----------
    block, blocks : int
        Which block, of how many.
    block_kind : str
    what : str
        The set in words.
    done, of : int
        Swings of the block.
    all_done, all_of : int
        Swings of the drill.
    state : str
        As `feedback.drill.Drill` has it: checking, unheard, resting, waiting, asking, telling,
        paused, done.
    sound : str
        Where the sound goes.
    too_soft : bool
        The level is too low for a range.
    """

    block: int
    blocks: int
    block_kind: str
    done: int
    of: int
    all_done: int
    all_of: int
    state: str
    sound: str
    what: str = ""
    too_soft: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class LessonState:
    """How a lesson stands.

    Attributes
    ----------
    part : {"first", "drill", "last"}
    shown : bool
        The numbers of the first shots are shown.
    full_only : bool
        Chips, waggles and warm-up swings are only counted.
    counts : mapping of str to (int, int)
        Full practice swings and shots that count, by part.
    part_swings : int
        Those that are only counted.
    aim : str
        What the player works on.
    """

    part: str = "first"
    shown: bool = False
    full_only: bool = True
    counts: Mapping[str, tuple[int, int]] = field(default_factory=dict)
    part_swings: int = 0
    aim: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Person:
    """Somebody who may swing next.

    Attributes
    ----------
    key : str
        By which a tap names them.
    name : str or None
        As it is recorded; None: a guest, whose swings are nobody's in particular.
    player_id, hand : str or None
        What the library knows of them.
    """

    key: str
    name: str | None
    player_id: str | None = None
    hand: str | None = None


GUEST: Final = Person(key="guest", name=None)


@dataclass(frozen=True, slots=True, kw_only=True)
class LiveSensor:
    """One of several sensors that a group passes on, each with a next player of its own.

    Attributes
    ----------
    number : int
        From 1: it stands on the sensor, with its colour.
    player : str or None
        Whose swings it records from here on; None: a guest's.
    mount : str or None
    link, battery : str
        Words where the link is gone, and how much charge is left; else empty.
    """

    number: int
    player: str | None = None
    mount: str | None = None
    link: str = ""
    battery: str = ""


@dataclass(frozen=True, slots=True)
class Near:
    """A sensor that a look around has found."""

    name: str
    address: str
    signal_dbm: int | None
    battery: str
    profile: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class LiveState:
    """How it stands at a moment. Never changed; each change makes a new one.

    Attributes
    ----------
    version : int
        Larger with each change.
    phase : str
        ``idle``, ``starting`` (connecting), ``going``, ``ending`` (being measured for the
        library), ``kept`` or ``failed``.
    kind : {"recording", "drill"}
    simulated : bool
    folder : str
        Name of the recording's folder, without the way to it.
    session : str or None
        Id in the library, once it is there.
    player, club, hand, mount : str or None
        From here on.
    ball : bool or None
        Whether a ball is there, from here on.
    link : mapping of str to str
        Words on the link: time, rate, loss, battery, signal, disk.
    count : int
        Swings so far.
    swings : tuple of LiveSwing
        The latest, oldest first.
    drill : DrillState or None
    lesson : LessonState or None
    lines : tuple of (bool, str)
        What happened, oldest first; True where somebody should do something about it.
    undo : str or None
        Which tap would be taken back, in words.
    outcome : str
        What it came to, or why it failed.
    near : tuple of Near or None
        Sensors that were found; None before a look around.
    looking : bool
    stays : bool
        The page is there when the recording has ended.
    held : bool
        Nothing counts and nothing sounds.
    held_count : int
        Swings that were made while it was so.
    again : int
        How often the last swing was asked for once more.
    people : tuple of Person
        Who may swing next, who swung last first.
    sore : bool
        It was ended because something hurt: only this computer starts again.
    sensors : tuple of LiveSensor
        Where several are passed on, each with its own next player; empty else.
    kept : tuple of (str, str)
        Of each session that the library has taken in: its sensor's name, and its id.
    """

    version: int = 0
    phase: Phase = "idle"
    kind: str = "recording"
    simulated: bool = False
    folder: str = ""
    session: str | None = None
    player: str | None = None
    club: str | None = None
    hand: str | None = None
    mount: str | None = None
    ball: bool | None = None
    link: Mapping[str, str] = field(default_factory=dict)
    count: int = 0
    swings: tuple[LiveSwing, ...] = ()
    drill: DrillState | None = None
    lesson: LessonState | None = None
    lines: tuple[tuple[bool, str], ...] = ()
    undo: str | None = None
    outcome: str = ""
    near: tuple[Near, ...] | None = None
    looking: bool = False
    stays: bool = True
    held: bool = False
    held_count: int = 0
    again: int = 0
    people: tuple[Person, ...] = ()
    sore: bool = False
    sensors: tuple[LiveSensor, ...] = ()
    kept: tuple[tuple[str, str], ...] = ()

    @property
    def running(self) -> bool:
        """Whether something runs that must end before another can start."""
        return self.phase in ("starting", "going", "ending")

    def swing(self, key: str | None) -> LiveSwing | None:
        """Return a swing by its key; the last that wasn't held without one, or where it's gone."""
        found = next((one for one in self.swings if one.key == key), None)
        return found or self.last

    def last_of(self, sensor: int) -> LiveSwing | None:
        """The last swing of a sensor that wasn't held."""
        mine = [one for one in self.swings if one.sensor == sensor and one.left_out != HELD]
        return mine[-1] if mine else None

    @property
    def last(self) -> LiveSwing | None:
        """The last swing that wasn't held."""
        return next((one for one in reversed(self.swings) if one.left_out != HELD), None)


class Desk(Protocol):
    """Whatever runs, at the disposal of the page. Called from any thread."""

    def ask(self, tap: Tap, key: str = "") -> str:
        """Do what was tapped and say what was done in a line.

        Parameters
        ----------
        tap : Tap
        key : str
            Of this tap: one that is sent twice, because the line broke, counts once.

        Raises
        ------
        LiveError
        """
        ...


class Starter(Protocol):
    """Starts recordings in this process, as the commands do. Called from any thread.

    Attributes
    ----------
    cautions : tuple of str
        To be read before a player's first drill.
    """

    cautions: tuple[str, ...]

    def cautions_for(self, player: str | None) -> tuple[str, ...]:
        """Return what is to be read before a drill: all of it, or one line where that was read."""
        ...

    def start(self, asked: SessionRequest) -> None:
        """Start; comes back once it is under way or cannot be.

        Raises
        ------
        LiveError
        """
        ...

    def look(self) -> None:
        """Look for sensors; what is found comes into the state's `near`."""
        ...

    def calibrate(self, sensor: str | None, *, simulated: bool) -> None:
        """Begin a calibration, or raise; how it stands comes into the hub's `calibration`."""
        ...

    def end_calibration(self) -> None:
        """End it: what was done so far may be enough."""
        ...

    def track(self, backswing_ms: float, player_id: str | None) -> bytes:
        """Return a cue track as a WAV file: nothing in it is live.

        Raises
        ------
        LiveError
            The player's plan is stopped, or the time can't be cued.
        """
        ...


Follower = tuple[asyncio.AbstractEventLoop, asyncio.Event]


class Sharing(Protocol):
    """Who is let in to look, tap or film."""

    def invite(self, right: str) -> tuple[str, str]:
        """Make a link for one more visitor, and its code as SVG."""
        ...

    def inside(self) -> Sequence[Visitor]:
        """Return who was let in."""
        ...

    def leave(self, visitor: str) -> str | None:
        """Ask a visitor to leave; return its name, None where it isn't in."""
        ...


class LiveHub:
    """The state, who follows it, and who takes what is tapped.

    Attributes
    ----------
    desk : Desk or None
        Of what runs, or of what ended last.
    starter : Starter or None
        None where nothing can be started from the page.
    sharing : Sharing or None
        Who is let in; None where nobody can be.
    found : FoundLive or None
        The last swing of what runs, for the wall; never a part of the state, which has words only.
    calibration : CalibrationState or None
        Of a sensor, for the coach alone; the last one stays until the next.
    drawn : dict
        What the screen has drawn of the state, by the swing that is shown large.
    """

    def __init__(self) -> None:
        self.desk: Desk | None = None
        self.starter: Starter | None = None
        self.sharing: Sharing | None = None
        self.found: FoundLive | None = None
        self.calibration: CalibrationState | None = None
        self.drawn: dict[str | None, tuple[int, dict[str, str]]] = {}
        self._guard = threading.Lock()
        self._state = LiveState()
        self._followers: set[Follower] = set()
        self._closed = False

    @property
    def state(self) -> LiveState:
        """How it stands."""
        return self._state

    @property
    def followers(self) -> int:
        """Pages that follow at the moment."""
        return len(self._followers)

    def update(self, **changes: Any) -> None:
        """Change the state and wake whoever follows. Never waits for a page and never fails."""
        self._change(lambda _state: changes)

    def change_swing(self, key: str, **changes: Any) -> None:
        """Change one swing of the state, if it is still shown."""
        self._change(
            lambda state: {
                "swings": tuple(
                    dataclasses.replace(one, **changes) if one.key == key else one
                    for one in state.swings
                )
            }
        )

    def add_swing(self, swing: LiveSwing) -> None:
        """Show one more swing."""
        self._change(
            lambda state: {
                "swings": (*state.swings, swing)[-MOST_SWINGS:],
                "count": state.count + (swing.left_out != HELD),
                "held_count": state.held_count + (swing.left_out == HELD),
            }
        )

    def say(self, text: str, *, warning: bool = False) -> None:
        """Show a line."""
        self._change(lambda state: {"lines": (*state.lines, (warning, text))[-MOST_LINES:]})

    def _change(self, make: Callable[[LiveState], Mapping[str, Any]]) -> None:
        with self._guard:
            state = self._state
            self._state = dataclasses.replace(state, **make(state), version=state.version + 1)
            followers = tuple(self._followers)
        for loop, news in followers:
            # A loop that is closed belongs to a page that is gone.
            with contextlib.suppress(RuntimeError):
                loop.call_soon_threadsafe(news.set)

    def ask(self, tap: Tap, key: str = "") -> str:
        """Have what runs do what was tapped; see `Desk`.

        Raises
        ------
        LiveError
        """
        if self.desk is None:
            raise LiveError("nothing is being recorded: start a recording first")
        return self.desk.ask(tap, key)

    def close(self) -> None:
        """Tell whoever follows that this is the end."""
        self._closed = True
        self.update()

    async def follow(self) -> AsyncIterator[LiveState | None]:
        """Give the state now and at each change; None is a sign of life.

        Raises
        ------
        TooManyError
        """
        mine: Follower = (asyncio.get_running_loop(), asyncio.Event())
        with self._guard:
            if len(self._followers) >= MOST_FOLLOWERS:
                raise TooManyError
            self._followers.add(mine)
        news, seen = mine[1], -1
        try:
            while True:
                news.clear()
                closed, state = self._closed, self._state
                if state.version != seen:
                    seen = state.version
                    yield state
                elif closed:
                    return
                else:
                    try:
                        async with asyncio.timeout(ALIVE_S):
                            await news.wait()
                    except TimeoutError:
                        yield None
        finally:
            with self._guard:
                self._followers.discard(mine)
