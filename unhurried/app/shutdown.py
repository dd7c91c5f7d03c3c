"""How a command that keeps something is ended: by Ctrl-C, by the system, by a terminal that goes.

Whoever asks, and however often: what is being recorded is closed, measured and taken in first.
"""

from __future__ import annotations

import asyncio
import contextlib
import signal
import threading
import time
from collections.abc import Callable, Coroutine, Iterator
from types import FrameType
from typing import Any, Final, TypeVar

from unhurried.app.printed import aside

T = TypeVar("T")

# Ctrl-C; the system at shutdown or a supervisor; a terminal that is closed (on Windows, from
# memory, that comes as a break).
_NAMES: Final = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")
LOOK_S: Final = 0.1


class Shutdown:
    """Whether what goes on has been asked to end, from whatever thread and however often."""

    def __init__(self) -> None:
        # Set in signal handlers, which may come amidst anything: an Event could stand still there.
        self._asked = False
        self._listeners: list[Callable[[], None]] = []
        self._cancel: Callable[[], object] | None = None
        self._may_be_cut = False

    @property
    def asked(self) -> bool:
        """Whether it is to end."""
        return self._asked

    def ask(self) -> None:
        """Ask it to end."""
        self._asked = True
        for listener in tuple(self._listeners):
            listener()

    def interrupt(self) -> None:
        """Take a Ctrl-C: the first asks, a second one in a recording lets go of the sensor at once.

        Raises
        ------
        KeyboardInterrupt
            What goes on now may be left out, see `may_be_cut`.
        """
        if self._may_be_cut:
            raise KeyboardInterrupt
        cancel = self._cancel
        if self.asked and cancel is not None:
            cancel()
        self.ask()

    def wait(self) -> None:
        """Wait until it is asked to end."""
        while not self._asked:
            time.sleep(LOOK_S)

    @contextlib.contextmanager
    def setting(self, stop: asyncio.Event) -> Iterator[None]:
        """Set an event of the running loop when it is asked to end, now and inside the block."""
        loop = asyncio.get_running_loop()

        def listen() -> None:
            # A loop that has ended needs no telling.
            with contextlib.suppress(RuntimeError):
                loop.call_soon_threadsafe(stop.set)

        self._listeners.append(listen)
        if self.asked:
            stop.set()
        try:
            yield
        finally:
            self._listeners.remove(listen)

    def run(self, work: Coroutine[Any, Any, T]) -> T:
        """Run a coroutine, as `asyncio.run` does; a second Ctrl-C cancels it.

        Raises
        ------
        KeyboardInterrupt
            It was cancelled, and has cleaned up behind itself.
        """

        async def attended() -> T:
            task, loop = asyncio.current_task(), asyncio.get_running_loop()
            assert task is not None
            self._cancel = lambda: loop.call_soon_threadsafe(task.cancel)
            try:
                return await work
            finally:
                self._cancel = None

        try:
            return asyncio.run(attended())
        except asyncio.CancelledError:
            raise KeyboardInterrupt from None

    @contextlib.contextmanager
    def may_be_cut(self) -> Iterator[None]:
        """Let Ctrl-C cut short what can be done again later, such as measuring."""
        self._may_be_cut = True
        try:
            yield
        finally:
            self._may_be_cut = False


@contextlib.contextmanager
def shutdown_on_signals() -> Iterator[Shutdown]:
    """Keep what goes on inside, whatever becomes of the terminal and whoever asks to end.

    Signals and a reader of stdout that leaves ask to end, no more; nothing waits for a terminal
    that stands still. A SIGHUP that is ignored (``nohup``) stays so.

    Yields
    ------
    Shutdown
        To be heeded by what goes on.
    """
    end = Shutdown()

    def asked(number: int, _frame: FrameType | None) -> None:
        if number == signal.SIGINT:
            end.interrupt()
        else:
            end.ask()

    before: dict[int, Any] = {}
    if threading.current_thread() is threading.main_thread():
        for name in _NAMES:
            number = getattr(signal, name, None)
            if number is None:
                continue
            if name == "SIGHUP" and signal.getsignal(number) == signal.SIG_IGN:
                continue
            before[number] = signal.signal(number, asked)
    try:
        with aside(reader_left=end.ask, hurry=lambda: end.asked):
            yield end
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
