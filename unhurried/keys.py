"""Single keys from a terminal while something else goes on, also on Windows.

Only where standard input is a terminal; elsewhere nothing is read and nothing is changed.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import sys
from collections.abc import AsyncIterator, Callable

__all__ = ["TextEntry", "reading_keys"]

# On Windows a key can only be asked for; so often a second is quick enough for a hand.
_POLL_S = 0.05


@contextlib.asynccontextmanager
async def reading_keys(on_key: Callable[[str], None]) -> AsyncIterator[bool]:
    """Call `on_key` with each character that is typed, until the block ends.

    Ctrl-C stays what it is. The terminal is put back as it was.

    Parameters
    ----------
    on_key : callable

    Yields
    ------
    bool
        False where there is no terminal to read from.
    """
    if not sys.stdin or not sys.stdin.isatty():
        yield False
        return
    if sys.platform == "win32":
        reading = _reading_windows(on_key)
    else:
        reading = _reading_posix(on_key)
    async with reading:
        yield True


if sys.platform == "win32":
    import msvcrt

    @contextlib.asynccontextmanager
    async def _reading_windows(on_key: Callable[[str], None]) -> AsyncIterator[None]:
        async def poll() -> None:
            while True:
                while msvcrt.kbhit():
                    on_key(msvcrt.getwch())
                await asyncio.sleep(_POLL_S)

        task = asyncio.ensure_future(poll())
        try:
            yield
        finally:
            task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await task

else:
    import codecs
    import termios
    import tty

    @contextlib.asynccontextmanager
    async def _reading_posix(on_key: Callable[[str], None]) -> AsyncIterator[None]:
        descriptor = sys.stdin.fileno()
        # A letter with an accent is several bytes, which may come apart.
        decoder = codecs.getincrementaldecoder("utf-8")("ignore")
        loop = asyncio.get_running_loop()

        def ready() -> None:
            data = os.read(descriptor, 1024)
            if not data:
                # The terminal is gone; more of this would never end.
                loop.remove_reader(descriptor)
            for character in decoder.decode(data):
                on_key(character)

        before = termios.tcgetattr(descriptor)
        tty.setcbreak(descriptor)
        loop.add_reader(descriptor, ready)
        try:
            yield
        finally:
            loop.remove_reader(descriptor)
            termios.tcsetattr(descriptor, termios.TCSADRAIN, before)


class TextEntry:
    """A line of text made of single keys.

    Parameters
    ----------
    prompt : str
    on_done : callable
        Given the text at Enter; None at Escape.
    """

    def __init__(self, prompt: str, on_done: Callable[[str | None], None]) -> None:
        self.prompt = prompt
        self.text = ""
        self._on_done = on_done

    def key(self, character: str) -> bool:
        """Take a key; False once the entry is over."""
        if character in "\r\n":
            self._on_done(self.text.strip())
            return False
        if character == "\x1b":
            self._on_done(None)
            return False
        if character in "\x7f\b":
            self.text = self.text[:-1]
        elif character.isprintable():
            self.text += character
        return True

    def shown(self) -> str:
        """Return what stands on the line."""
        return f"{self.prompt}: {self.text}_"
