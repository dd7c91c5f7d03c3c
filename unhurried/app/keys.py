"""Single keys from a terminal while something else goes on, also on Windows.

Only where standard input is a terminal; elsewhere nothing is read and nothing is changed. Keys that
are no characters (arrows, function keys, Delete and so on) arrive as several: they are swallowed
whole, so that none of their letters counts as a key.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import sys
from collections.abc import AsyncIterator, Callable

# On Windows a key can only be asked for; so often is quick enough for a hand.
_POLL_S = 0.05
# Escape alone is a key of its own; the rest of a sequence follows at once, over a slow line a
# little later. (Chosen here.)
ESCAPE_S = 0.15
# So often it is seen to that the terminal is ours and gives single keys: a shell takes it away when
# the program is stopped (Ctrl-Z), and gives it back in its own mode.
_ATTEND_S = 0.25
# A name or note that is longer is a cat on the keyboard.
MOST_CHARACTERS = 2000

ESCAPE = "\x1b"


@contextlib.asynccontextmanager
async def reading_keys(on_key: Callable[[str], None]) -> AsyncIterator[bool]:
    """Call `on_key` with each character that is typed, until the block ends.

    Keys that are no character are left out, but for Escape. Ctrl-C stays what it is. The terminal
    is put back as it was.

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


class KeyFilter:
    """Take the escape sequences of keys that are no characters out of what a terminal sends.

    Sequences are as ECMA-48 has them (``ESC [``, parameters, a final byte), with ``ESC O`` and a
    letter, and ``ESC [ [`` and a letter (the Linux console); ``ESC`` and a character is Alt with a
    key, and none of ours.

    Parameters
    ----------
    on_key : callable
        Given each character that is left.
    """

    def __init__(self, on_key: Callable[[str], None]) -> None:
        self._on_key = on_key
        self._begun = ""

    @property
    def begun(self) -> bool:
        """Whether a sequence has begun, or Escape was pressed: `settle` tells after a moment."""
        return bool(self._begun)

    def feed(self, text: str) -> None:
        """Take what was read."""
        for character in text:
            if self._begun:
                self._go_on(character)
            elif character == ESCAPE:
                self._begun = ESCAPE
            elif character == "\x9b":
                self._begun = ESCAPE + "["
            else:
                self._on_key(character)

    def _go_on(self, character: str) -> None:
        begun = self._begun + character
        if character == ESCAPE:
            # Alt with an arrow, or Escape twice.
            self._begun = ESCAPE
        elif begun in (ESCAPE + "[", ESCAPE + "O", ESCAPE + "[["):
            self._begun = begun
        elif self._begun == ESCAPE + "[[" or self._begun == ESCAPE:
            self._begun = ""
        else:
            # Parameters (digits, ';' and the like) come before the final byte.
            self._begun = begun if " " <= character <= "?" else ""

    def settle(self) -> None:
        """Nothing more came: Escape alone is that key, half a sequence is nothing."""
        begun, self._begun = self._begun, ""
        if begun == ESCAPE:
            self._on_key(ESCAPE)


def windows_keys(
    waiting: Callable[[], bool], read: Callable[[], str], on_key: Callable[[str], None]
) -> None:
    """Give the characters that wait in a Windows console, without its special keys.

    Those come as a null character or U+00E0 and a code, at once; U+00E0 alone is the letter à.

    Parameters
    ----------
    waiting, read : callable
        ``kbhit`` and ``getwch`` of `msvcrt`.
    on_key : callable
    """
    while waiting():
        character = read()
        if character == "\x00" or (character == "\xe0" and waiting()):
            if waiting():
                read()
            continue
        on_key(character)


if sys.platform == "win32":
    import msvcrt

    @contextlib.asynccontextmanager
    async def _reading_windows(on_key: Callable[[str], None]) -> AsyncIterator[None]:
        async def poll() -> None:
            while True:
                windows_keys(msvcrt.kbhit, msvcrt.getwch, on_key)
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
        keys = KeyFilter(on_key)
        loop = asyncio.get_running_loop()
        settling: asyncio.TimerHandle | None = None
        gone = False

        def ready() -> None:
            nonlocal settling, gone
            if not _in_foreground(descriptor):
                # Reading now would stop the whole program.
                loop.remove_reader(descriptor)
                return
            try:
                data = os.read(descriptor, 1024)
            except OSError:
                data = b""
            if not data:
                # The terminal is gone; more of this would never end.
                gone = True
                loop.remove_reader(descriptor)
            if settling is not None:
                settling.cancel()
            keys.feed(decoder.decode(data))
            settling = loop.call_later(ESCAPE_S, keys.settle) if keys.begun else None

        def attend() -> None:
            if gone or not _in_foreground(descriptor):
                return
            if termios.tcgetattr(descriptor)[3] & (termios.ICANON | termios.ECHO):
                # At once: waiting for what is still to be shown would wait for ever on a terminal
                # that stands still.
                tty.setcbreak(descriptor, termios.TCSANOW)
            loop.add_reader(descriptor, ready)

        async def attending() -> None:
            while True:
                with contextlib.suppress(OSError, termios.error):
                    attend()
                await asyncio.sleep(_ATTEND_S)

        before = termios.tcgetattr(descriptor)
        task = asyncio.ensure_future(attending())
        try:
            await asyncio.sleep(0)  # so that keys count from now on
            yield
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)
            if settling is not None:
                settling.cancel()
            loop.remove_reader(descriptor)
            if not gone and _in_foreground(descriptor):
                with contextlib.suppress(OSError, termios.error):
                    termios.tcsetattr(descriptor, termios.TCSANOW, before)

    def _in_foreground(descriptor: int) -> bool:
        """Whether the terminal is this program's, and not given to another by the shell."""
        try:
            return os.tcgetpgrp(descriptor) == os.getpgrp()
        except OSError:
            # Not the terminal that controls this program: then nobody else is given it.
            return True


class TextEntry:
    """A line of text made of single keys.

    Parameters
    ----------
    prompt : str
    on_done : callable
        Given the text at Enter; None at Escape.
    most : int
        Characters; more aren't taken.
    """

    def __init__(
        self,
        prompt: str,
        on_done: Callable[[str | None], None],
        *,
        most: int = MOST_CHARACTERS,
    ) -> None:
        self.prompt = prompt
        self.most = most
        self.text = ""
        self._on_done = on_done

    def key(self, character: str) -> bool:
        """Take a key; False once the entry is over."""
        if character in "\r\n":
            self._on_done(self.text.strip())
            return False
        if character == ESCAPE:
            self._on_done(None)
            return False
        if character in "\x7f\b":
            self.text = self.text[:-1]
        elif character.isprintable() and len(self.text) < self.most:
            self.text += character
        return True

    def shown(self) -> str:
        """Return what stands on the line."""
        return f"{self.prompt}: {self.text}_"
