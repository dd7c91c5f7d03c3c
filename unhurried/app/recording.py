"""Recordings that run together until they are stopped, with their keys and their page."""

from __future__ import annotations

import asyncio
import contextlib
import functools
from collections.abc import Callable, Sequence
from contextlib import AbstractAsyncContextManager
from typing import TYPE_CHECKING, Any, Final, Protocol

from sensor.recording.schema import SchemaError
from unhurried.app.screen import Screen
from unhurried.app.shutdown import Shutdown
from unhurried.app.taking_in import gone, is_gone
from unhurried.app.text import MOST_NAME
from words.battery import battery_words
from words.plain import clock

if TYPE_CHECKING:
    from sensor.link.status import LinkStatus
    from unhurried.app.keys import TextEntry
    from unhurried.app.live import LiveSession


class Watcher(Protocol):
    """The page, as far as a recording knows it: it sees what happens, and may end it."""

    more_codes: Callable[[], None] | None

    def attending(
        self, sessions: Sequence[LiveSession], end: Callable[[], None]
    ) -> AbstractAsyncContextManager[None]:
        """Be at the page's disposal while sessions run in this event loop."""


def status_line(status: LinkStatus) -> str:
    """Return how a recording goes in one line."""
    words = [status.state, clock(status.recorded_s)]
    if status.rate_hz is not None:
        words.append(f"{status.rate_hz:.0f} Hz")
    words.append(f"lost {status.lost}" + (f" ({100 * status.loss:.1f} %)" if status.loss else ""))
    if status.signal_dbm is not None:
        words.append(f"{status.signal_dbm} dBm")
    if battery := battery_words(status.battery_percent, status.battery_left_min):
        words.append(battery)
    if status.disk_left_bytes is not None:
        words.append(f"disk {_size(status.disk_left_bytes)} free")
    return "  ".join(words)


async def run_sessions(
    sessions: Sequence[LiveSession],
    screen: Screen,
    *,
    ending: Shutdown,
    seconds: float | None = None,
    page: Watcher | None = None,
    keys: bool = True,
) -> bool:
    """Record until somebody stops it, all is sent or the time is over.

    Parameters
    ----------
    sessions : sequence of LiveSession
    screen : Screen
    ending : Shutdown
        Stops it.
    seconds : float, optional
    page : Watcher, optional
        What the page sees of it; it may stop it, too.
    keys : bool
        Listen to the terminal's keys.

    Returns
    -------
    bool
        Whether somebody stopped it.
    """
    from unhurried.app.keys import reading_keys

    stop = asyncio.Event()
    desk = _Desk(sessions, screen, None if page is None else page.more_codes)
    for session in sessions:
        session.before_end = functools.partial(desk.keep, session)
    limit = None if seconds is None else _Limit(sessions, seconds)
    timed_out = stopped = False
    attending = contextlib.nullcontext() if page is None else page.attending(sessions, stop.set)
    listening = reading_keys(desk.key) if keys else contextlib.nullcontext(False)
    with ending.setting(stop):
        async with attending, listening as there:
            if there:
                screen.plain(KEY_HELP + (MORE_CODES if desk.more_codes else ""))
            runs = [asyncio.ensure_future(session.run(stop)) for session in sessions]
            status = asyncio.ensure_future(_show_status(desk))
            waiting = asyncio.ensure_future(stop.wait())
            failed: Exception | None = None
            try:
                left = set(runs)
                while left:
                    rest = None
                    if limit is not None and not stop.is_set():
                        rest = limit.left_s()
                    done, left = await asyncio.wait(
                        left, timeout=rest, return_when=asyncio.FIRST_COMPLETED
                    )
                    if not done and limit is not None and limit.left_s() <= 0.0:
                        timed_out = True
                        stop.set()
                    for run in done:
                        error = run.exception()
                        if isinstance(error, Exception):
                            if left and failed is None:
                                # The other sensor goes on.
                                screen.message(str(error))
                            failed = failed or error
            finally:
                stopped = stop.is_set() and not timed_out
                stop.set()
                for task in (status, waiting):
                    task.cancel()
                await asyncio.gather(*runs, status, waiting, return_exceptions=True)
                screen.status("")
            if failed is not None:
                say_kept(screen, sessions)
                raise failed
    return stopped


class _Limit:
    """How long to go on with a real sensor: its first sample is the beginning.

    Gaps count, and a sensor that never sends is waited for no longer than that either.
    """

    LOOK_S: Final = 0.1

    def __init__(self, sessions: Sequence[LiveSession], seconds: float) -> None:
        self._sessions, self._seconds = sessions, seconds
        self._start_s = asyncio.get_running_loop().time()
        self._begun = False

    def left_s(self) -> float:
        """Return how long to wait until the end, or until looking again."""
        now = asyncio.get_running_loop().time()
        if not self._begun and any(one.status.received for one in self._sessions):
            self._begun, self._start_s = True, now
        left = max(0.0, self._start_s + self._seconds - now)
        return left if self._begun else min(left, self.LOOK_S)


def say_kept(screen: Screen, sessions: Sequence[LiveSession]) -> None:
    """Say what there is of recordings that were ended by something else than their end."""
    for session in sessions:
        status = session.status
        if is_gone(session):
            screen.message(gone(session))
        elif status.received:
            screen.message(
                f"{session.folder}: {status.received} samples ({clock(status.recorded_s)} min) "
                "were recorded and are safe"
            )


async def _show_status(desk: _Desk) -> None:
    while True:
        desk.show()
        await asyncio.sleep(STATUS_S)


class _Desk:
    """What the keys do."""

    def __init__(
        self,
        sessions: Sequence[LiveSession],
        screen: Screen,
        more_codes: Callable[[], None] | None = None,
    ) -> None:
        self.more_codes = more_codes
        self._sessions = sessions
        self._screen = screen
        self._entry: TextEntry | None = None
        self._kept_note = ""

    def show(self) -> None:
        """Bring the line at the bottom up to date."""
        if self._entry is not None:
            self._screen.status(self._entry.shown())
        else:
            self._screen.status(" | ".join(status_line(one.status) for one in self._sessions))

    def key(self, character: str) -> None:
        """Do what a key stands for; any trouble is told, not raised into the recording."""
        try:
            self._key(character)
        except Exception as error:
            self._screen.message(f"not kept: {error}")
        self.show()

    def _key(self, character: str) -> None:
        if self._entry is not None:
            if not self._entry.key(character):
                self._entry = None
            return
        key = character.lower()
        if key == "p":
            self._ask("player", lambda text: self._change(player=text))
        elif key == "c":
            self._ask("club", lambda text: self._change(club=text))
        elif key == "h":
            hand = "left" if self._sessions[0].segment.handedness == "right" else "right"
            self._change(handedness=hand)
        elif key == "n":
            self._ask("note", self._note)
        elif key in ("r", "b", "a"):
            self._change(ball={"r": False, "b": True, "a": None}[key])
        elif key in ("1", "2", "3"):
            from sensor.recording.vocabulary import FELT

            self._feel(FELT["time"][int(key) - 1])
        elif key == "v" and self.more_codes is not None:
            self._screen.status("")
            self.more_codes()
        elif key == "?":
            self._screen.plain(KEY_HELP + (MORE_CODES if self.more_codes else ""))

    def _ask(self, prompt: str, use: Callable[[str], None]) -> None:
        from unhurried.app.keys import MOST_CHARACTERS, TextEntry

        def done(text: str | None) -> None:
            if text:
                use(text)
            else:
                self._screen.message(f"{prompt}: nothing was changed")

        most = MOST_CHARACTERS if prompt == "note" else MOST_NAME
        self._entry = TextEntry(prompt, done, most=most)

    def keep(self, session: LiveSession) -> None:
        """Keep a note that is being typed when the recording ends, as far as it got."""
        if self._entry is not None and self._entry.prompt == "note":
            self._kept_note = self._entry.text.strip()
            self._entry = None
            if self._kept_note:
                self._screen.message(f"noted, as far as it was typed: {self._kept_note}")
        if self._kept_note:
            session.mark("note", text=self._kept_note)

    def _change(self, **fields: Any) -> None:
        try:
            for session in self._sessions:
                segment = session.change(**fields)
        except SchemaError as error:
            self._screen.message(f"{error}: nothing was changed")
            return
        balls = {None: "", True: ", at balls", False: ", practice swings"}[segment.ball]
        self._screen.message(
            f"from here on: {segment.player or 'player not said'}, "
            f"{segment.club or 'club not said'}"
            + (f", {segment.handedness}-handed" if segment.handedness else "")
            + balls
        )

    def _note(self, text: str) -> None:
        for session in self._sessions:
            session.mark("note", text=text)
        self._screen.message(f"noted: {text}")

    def _feel(self, word: str) -> None:
        swings = [session.feel(word) for session in self._sessions]
        if all(swing is None for swing in swings):
            self._screen.message("there is no swing yet to say that of")
        else:
            index = next(swing.index for swing in swings if swing is not None)
            self._screen.message(f"swing {index} felt {word.replace('-', ' ')}")


# How often the line with rate, loss and so on is written anew.
STATUS_S: Final = 0.5
KEY_HELP: Final = (
    "keys: p player  c club  h hand  r practice swings  b balls  a either  n note\n"
    "      last swing felt: 1 rushed  2 in time  3 slow     ? this help  Ctrl-C ends"
)
MORE_CODES: Final = "\n      v a code for another phone"


def _size(n_bytes: int) -> str:
    for unit, size in (("TB", 1e12), ("GB", 1e9), ("MB", 1e6)):
        if n_bytes >= size:
            return f"{n_bytes / size:.0f} {unit}"
    return f"{n_bytes / 1e3:.0f} kB"
