"""What was worked out once and holds until the library changes.

What a story or a plan rests on takes from milliseconds to seconds, by how much a player has swung.
A screen waits for it a moment only; if it isn't ready by then, the screen goes out without it, the
browser asks for that part again, and a worker goes on meanwhile.
"""

from __future__ import annotations

import contextlib
import queue
import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable, Mapping
from concurrent.futures import CancelledError, Future
from pathlib import Path
from typing import Any, Final

MOST_KEPT: Final = 600
"""Results; the curves of a swing take some 20 kB. The oldest go first. (Chosen here.)"""


class _NotReady:
    """Says that something is still being worked out."""

    def __bool__(self) -> bool:
        return False


NOT_READY: Final = _NotReady()

END_S: Final = 2.0
"""How long the end of the page waits for what is being worked out; then that is dropped."""


class _Thread:
    """A thread that works things out one after another.

    Not one of a pool: those are waited for when the program ends, however long they take.
    """

    def __init__(self, name: str) -> None:
        self._jobs: queue.SimpleQueue[tuple[Future[Any], Callable[[], Any]] | None] = (
            queue.SimpleQueue()
        )
        self._ended = False
        self._thread = threading.Thread(target=self._work, name=name, daemon=True)
        self._thread.start()

    def submit(self, work: Callable[[], Any]) -> Future[Any]:
        """Work something out as soon as it comes to its turn."""
        future: Future[Any] = Future()
        if self._ended:
            future.cancel()
        else:
            self._jobs.put((future, work))
        return future

    def _work(self) -> None:
        while (job := self._jobs.get()) is not None:
            future, work = job
            if self._ended:
                future.cancel()
            if not future.set_running_or_notify_cancel():
                continue
            try:
                result = work()
            except BaseException as error:
                future.set_exception(error)
            else:
                future.set_result(result)

    def close(self, wait_s: float) -> None:
        """End: what waits is dropped."""
        self._ended = True
        self._jobs.put(None)
        self._thread.join(wait_s)


class ResultCache:
    """Results by key, as long as the library's files are as they were.

    Parameters
    ----------
    files : sequence of Path
        Whose size and time of change say whether anything was written.
    of_players : callable, optional
        Gives by player what stays the same as long as nothing is written about that player. What
        rests on one player's swings then outlives what is written about others.
    """

    def __init__(
        self,
        files: tuple[Path, ...],
        of_players: Callable[[], Mapping[Any, Hashable]] | None = None,
    ) -> None:
        self._files = files
        self._guard = threading.Lock()
        self._kept: OrderedDict[Hashable, tuple[Any, Future[Any]]] = OrderedDict()
        self._changes = 0
        self._of_players = of_players
        self._players: tuple[Hashable, Mapping[Any, Hashable]] = (None, {})
        # One worker for what takes long (two would share one processor's time anyway), and others
        # that what is quick never waits behind it.
        self._slow = _Thread("slow")
        self._quick = _Thread("quick")

    def changed(self) -> None:
        """Forget everything: something was written by this process."""
        with self._guard:
            self._changes += 1

    def version(self, player: Hashable = None) -> Hashable:
        """Return what stays the same as long as nobody writes to the library.

        With a player: as long as nobody writes anything about that one.
        """
        whole = self._whole()
        if player is None or self._of_players is None:
            return whole
        known = self._players
        if known[0] != whole:
            known = self._players = (whole, self._of_players())
        return known[1].get(player)

    def _whole(self) -> Hashable:
        marks: list[Hashable] = [self._changes]
        for file in self._files:
            with contextlib.suppress(OSError):
                found = file.stat()
                marks.append((file.name, found.st_mtime_ns, found.st_size))
        return tuple(marks)

    def _future(
        self,
        key: Hashable,
        work: Callable[[], Any],
        *,
        quick: bool = False,
        player: Hashable = None,
    ) -> Future[Any]:
        version = self.version(player)
        with self._guard:
            known = self._kept.get(key)
            if known is not None and known[0] == version:
                self._kept.move_to_end(key)
                return known[1]
            if known is not None:
                # Nobody needs the answer to what was before any more.
                known[1].cancel()
            future = (self._quick if quick else self._slow).submit(work)
            self._kept[key] = (version, future)
            while len(self._kept) > MOST_KEPT:
                self._kept.popitem(last=False)
        return future

    def start(self, key: Hashable, work: Callable[[], Any], *, player: Hashable = None) -> None:
        """Begin to work something out; nobody waits."""
        self._future(key, work, player=player)

    def get(
        self,
        key: Hashable,
        work: Callable[[], Any],
        *,
        wait_s: float | None = None,
        quick: bool = False,
        player: Hashable = None,
    ) -> Any:
        """Return what `work` gives, from the cache where it is there.

        Parameters
        ----------
        key : hashable
        work : callable
            Runs in a worker, so it must not wait for the cache itself.
        wait_s : float, optional
            Longest wait; None is as long as it takes.
        quick : bool
            It takes milliseconds, and must not wait behind what takes long.
        player : hashable, optional
            It rests on this player's swings and file alone.

        Returns
        -------
        object
            `NOT_READY` if the wait was too short. What `work` raises is raised here.
        """
        for _ in range(3):
            future = self._future(key, work, quick=quick, player=player)
            try:
                try:
                    return future.result(timeout=wait_s)
                except TimeoutError:
                    if not future.done():
                        return NOT_READY
                    # It was done just after the wait, or raised this itself.
                    return future.result()
            except CancelledError:
                # The library changed while we waited: once more.
                continue
        return NOT_READY

    def close(self) -> None:
        """End the workers; what takes too long is dropped."""
        for worker in (self._slow, self._quick):
            worker.close(END_S)
