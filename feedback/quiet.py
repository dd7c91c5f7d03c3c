"""Keep what sound libraries write to the process's stderr off the screen, and nothing else.

They write there by themselves, past Python: of each device that they can't use, and of each block
that came late. What matters comes as an error or a count. Meanwhile Python's own stderr goes where
it went before, so that no message and no traceback is lost.
"""

from __future__ import annotations

import contextlib
import io
import os
import sys
import threading
from collections.abc import Iterator
from typing import TextIO

_STDERR = 2


class Quiet:
    """Silence from `begin` to `end`; several at once share it, in any order and thread."""

    _guard = threading.Lock()
    _users = 0
    _kept: int | None = None
    _before: TextIO | None = None
    _own: TextIO | None = None

    def __init__(self) -> None:
        self._on = False

    def begin(self) -> None:
        """Begin; harmless if it has begun."""
        with Quiet._guard:
            if self._on:
                return
            self._on = True
            Quiet._users += 1
            if Quiet._users == 1:
                Quiet._hush()

    def end(self) -> None:
        """End; harmless if it has ended."""
        with Quiet._guard:
            if not self._on:
                return
            self._on = False
            Quiet._users -= 1
            if Quiet._users == 0:
                Quiet._unhush()

    @staticmethod
    def _hush() -> None:
        try:
            kept = os.dup(_STDERR)
        except OSError:
            # There is no stderr: nothing to keep quiet.
            return
        with contextlib.suppress(OSError, ValueError, AttributeError):
            sys.stderr.flush()
        if _is_process_stderr(sys.stderr):
            own = io.TextIOWrapper(
                os.fdopen(os.dup(kept), "wb", buffering=0),
                encoding=sys.stderr.encoding,
                errors=sys.stderr.errors,
                write_through=True,
            )
            Quiet._before, Quiet._own = sys.stderr, own
            sys.stderr = own
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, _STDERR)
        os.close(nowhere)
        Quiet._kept = kept

    @staticmethod
    def _unhush() -> None:
        kept, before, own = Quiet._kept, Quiet._before, Quiet._own
        Quiet._kept = Quiet._before = Quiet._own = None
        if kept is None:
            return
        os.dup2(kept, _STDERR)
        os.close(kept)
        if own is not None and before is not None:
            if sys.stderr is own:
                sys.stderr = before
            # Not closed: another thread may be writing to it; it goes with its last user.
            with contextlib.suppress(OSError, ValueError):
                own.flush()


def _is_process_stderr(stream: object) -> bool:
    """Whether a stream writes to the process's stderr; a test or an embedder may have another."""
    try:
        return stream is not None and stream.fileno() == _STDERR  # type: ignore[attr-defined]
    except (AttributeError, OSError, ValueError):
        return False


@contextlib.contextmanager
def quiet() -> Iterator[None]:
    """Keep the sound libraries quiet inside the block."""
    one = Quiet()
    one.begin()
    try:
        yield
    finally:
        one.end()
