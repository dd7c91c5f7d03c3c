"""What is printed never decides what is kept.

A terminal is closed, a pipe loses its reader, the disk behind ``>`` is full, a descriptor was
closed from the start (``>&-``), a terminal stands still (Ctrl-S, a dead line): none of that may
fail into the work of a command, or hold up a recording. `take_over` puts streams in the places of
stdout and stderr that swallow such a failure once. It is noted in the log, and `failure` tells of
it when the work is done.
"""

from __future__ import annotations

import contextlib
import errno
import io
import logging
import os
import select
import sys
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator
from typing import Final, Protocol, TextIO

_log = logging.getLogger(__name__)

MOST_BYTES: Final = 4_000_000
"""Waits for a terminal that stands still: some hours of a status line, or thousands of swings."""

STILL_S: Final = 2.0
"""So long a terminal that stands still is waited for where the system asks the program to end: it
kills after some ten seconds (from memory)."""

LOOK_S: Final = 0.1


class _Inner(Protocol):
    """What bytes are written to in the end."""

    def write(self, data: bytes, /) -> int | None: ...

    def fileno(self) -> int: ...

    def isatty(self) -> bool: ...

    def close(self) -> None: ...


class Printed(io.RawIOBase):
    """A stream's lowest layer, which never fails: after a failure it takes all and shows nothing.

    Parameters
    ----------
    inner : raw file
        Where it goes.
    name : str

    Attributes
    ----------
    on_terminal : bool
        It went to a terminal when it began.
    failure : OSError or None
        Why nothing more is shown.
    strict : bool
        It does fail, with `BrokenPipeError`; see `strict`.
    """

    def __init__(self, inner: _Inner, name: str) -> None:
        self.name = name
        self.on_terminal = inner.isatty()
        self.failure: OSError | None = None
        self.strict = False
        self._inner = inner
        self._aside: _Aside | None = None
        self._reader_left: Callable[[], None] | None = None

    def writable(self) -> bool:
        """Yes."""
        return True

    def fileno(self) -> int:
        """Its descriptor."""
        return self._inner.fileno()

    def isatty(self) -> bool:
        """Whether it goes to a terminal."""
        return self._inner.isatty()

    def write(self, data: bytes, /) -> int:  # type: ignore[override]
        """Take all of it, whatever becomes of it."""
        part = bytes(data)
        if self._aside is not None:
            self._aside.put(self, part)
        else:
            self.put_out(part)
        if self.strict and self.failure is not None:
            raise BrokenPipeError(errno.EPIPE, "nobody takes it any more") from self.failure
        return len(part)

    def put_out(self, part: bytes) -> None:
        """Write to where it goes, and wait for that."""
        try:
            while part and self.failure is None:
                written = self._inner.write(part)
                if written is None:
                    # Another program has set the terminal so that it doesn't wait.
                    select.select([], [self._inner.fileno()], [])
                else:
                    part = part[written:]
        except OSError as error:
            self.fail(error)

    def fail(self, error: OSError) -> None:
        """From here on nothing is shown; the first failure is the one that counts."""
        if self.failure is not None:
            return
        self.failure = error
        _log.info("%s: nothing more is shown there: %s", self.name, error.strerror or error)
        if self._reader_left is not None and isinstance(error, BrokenPipeError):
            self._reader_left()

    def go_aside(self, aside: _Aside | None, reader_left: Callable[[], None] | None) -> None:
        """Write through another thread from here on; None: no more."""
        self._aside, self._reader_left = aside, reader_left

    def close(self) -> None:
        """Let go of the descriptor."""
        if not self.closed:
            with contextlib.suppress(OSError):
                self._inner.close()
        super().close()


class _Aside:
    """Writes in a thread of its own, in order, so that nobody else waits for a terminal."""

    def __init__(self) -> None:
        self._parts: deque[tuple[Printed, bytes]] = deque()
        self._size = 0
        self._over = False
        self._moved_s = time.monotonic()
        self._changed = threading.Condition()
        self._thread = threading.Thread(target=self._run, name="printing", daemon=True)
        self._thread.start()

    def put(self, printed: Printed, part: bytes) -> None:
        """Take a part; where too much waits already, the stream has failed."""
        if printed.failure is not None:
            return
        with self._changed:
            fits = self._size + len(part) <= MOST_BYTES
            if fits:
                self._parts.append((printed, part))
                self._size += len(part)
                self._changed.notify_all()
        if not fits:
            printed.fail(_stands_still())

    def _run(self) -> None:
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._parts or self._over)
                if not self._parts:
                    return
                printed, part = self._parts[0]
            printed.put_out(part)
            with self._changed:
                self._parts.popleft()
                self._size -= len(part)
                self._moved_s = time.monotonic()

    def end(self, hurry: Callable[[], bool]) -> None:
        """Wait until all is shown; in a hurry only as long as something moves."""
        with self._changed:
            self._over = True
            self._moved_s = time.monotonic()
            self._changed.notify_all()
        try:
            while self._thread.is_alive():
                self._thread.join(LOOK_S)
                if hurry() and time.monotonic() - self._moved_s > STILL_S:
                    break
        finally:
            # What waits still is lost; the thread goes with the process.
            with self._changed:
                left = {printed for printed, _ in self._parts}
            for printed in left:
                printed.fail(_stands_still())


def _stands_still() -> OSError:
    return OSError(errno.ETIMEDOUT, "nobody takes it: the terminal or the reader stands still")


@contextlib.contextmanager
def aside(*, reader_left: Callable[[], None], hurry: Callable[[], bool]) -> Iterator[None]:
    """Never wait for a terminal or a reader inside the block, only at its end.

    Parameters
    ----------
    reader_left : callable
        Called, from any thread, when nobody reads stdout any more.
    hurry : callable
        Whether the program has been asked to end: then a terminal that stands still isn't waited
        for at the end either.
    """
    groups: dict[tuple[int, int, int], list[Printed]] = {}
    for stream in (sys.stdout, sys.stderr):
        printed = _printed(stream)
        if printed is not None:
            stream.flush()
            at = os.fstat(printed.fileno())
            # What goes to one place goes through one thread, in order.
            groups.setdefault((at.st_dev, at.st_ino, at.st_rdev), []).append(printed)
    out = _printed(sys.stdout)
    threads = []
    for group in groups.values():
        thread = _Aside()
        threads.append((thread, group))
        for printed in group:
            printed.go_aside(thread, reader_left if out in group else None)
    try:
        yield
    finally:
        for stream in (sys.stdout, sys.stderr):
            with contextlib.suppress(AttributeError, ValueError):
                stream.flush()
        try:
            for thread, _ in threads:
                thread.end(hurry)
        finally:
            for _, group in threads:
                for printed in group:
                    printed.go_aside(None, None)


@contextlib.contextmanager
def strict() -> Iterator[None]:
    """Let writing to stdout fail inside the block: for output that is the whole work, a long CSV.

    Raises
    ------
    BrokenPipeError
        The reader has left, or whatever else has stopped it: see `failure`.
    """
    printed = _printed(sys.stdout)
    if printed is None:
        yield
        return
    printed.strict = True
    try:
        yield
        sys.stdout.flush()
    finally:
        printed.strict = False


def failure(stream: TextIO) -> OSError | None:
    """Return why what was printed on a stream isn't all where it was to go; None where it is.

    What was only to be seen on a terminal is nobody's loss when that is gone.
    """
    printed = _printed(stream)
    if printed is None:
        return None
    stream.flush()
    return None if printed.on_terminal else printed.failure


def failed(stream: TextIO | None) -> bool:
    """Whether nothing more is shown on a stream; nothing is written for that."""
    printed = _printed(stream)
    return printed is not None and printed.failure is not None


def _printed(stream: TextIO | None) -> Printed | None:
    raw = getattr(getattr(stream, "buffer", None), "raw", None)
    return raw if isinstance(raw, Printed) else None


# -- at the start ----------------------------------------------------------------------------------


def take_over() -> None:
    """Make the process's streams such that printing never fails, in UTF-8 on every system."""
    for descriptor in (0, 1, 2):
        _fill(descriptor)
    if sys.stdin is None:
        sys.stdin = open(0, encoding="utf-8", closefd=False)  # noqa: SIM115 - for good
    sys.stdout = _taken(sys.stdout, 1, "<stdout>")
    sys.stderr = _taken(sys.stderr, 2, "<stderr>")


def _fill(descriptor: int) -> None:
    """Open the null device where a descriptor is closed: the next file opened would get it, and
    whatever a library complains of would be written into a recording.
    """
    try:
        os.fstat(descriptor)
    except OSError:
        nowhere = os.open(os.devnull, os.O_RDWR)
        if nowhere == descriptor:
            os.set_inheritable(descriptor, True)
        else:
            os.dup2(nowhere, descriptor)
            os.close(nowhere)


def _taken(before: TextIO | None, descriptor: int, name: str) -> TextIO:
    """Return the stream to have instead of one."""
    unbuffered = False
    if before is not None:
        try:
            if before.fileno() != descriptor:
                return before
            unbuffered = bool(getattr(before, "write_through", False))
        except (AttributeError, OSError, ValueError):
            # No stream of the process: somebody's own.
            return before
    raw = Printed(_inner(before, descriptor), name)
    return io.TextIOWrapper(
        io.BufferedWriter(raw),  # type: ignore[type-var]
        encoding="utf-8",
        errors="backslashreplace",
        line_buffering=descriptor == 2 or raw.isatty(),
        write_through=unbuffered,
    )


def _inner(before: TextIO | None, descriptor: int) -> _Inner:
    if os.name == "nt" and before is not None and before.isatty():
        # A Windows console takes text its own way, which a plain file doesn't know.
        console: _Inner = before.buffer.raw  # type: ignore[attr-defined]
        return console
    # A descriptor of its own: what sound libraries write to the process's can then be kept quiet,
    # see `feedback.quiet`.
    return io.FileIO(os.dup(descriptor), "w")
