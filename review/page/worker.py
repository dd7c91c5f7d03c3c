"""Heavy work in a process of its own, so that no screen waits for the interpreter.

A job is a plain function of the page and of arguments that can be pickled. With few swings it runs
in the page's own process; from `MANY` swings on a helper process runs it, so that the screens that
are asked for meanwhile have a processor for themselves. The helper reads the same library, knows no
network, and ends with the page, however that ends: its input is then at its end.
"""

from __future__ import annotations

import contextlib
import logging
import pickle
import threading
from collections.abc import Callable, Sequence
from concurrent.futures import CancelledError
from typing import Any, BinaryIO, Final

from review.process import OwnProcess

_log = logging.getLogger(__name__)

Job = Callable[..., Any]

MANY: Final = 5_000
"""Swings from which on a helper is worth its second of start and its memory. (Chosen here.)"""

MOST_FAILURES: Final = 2


class Worker:
    """Runs jobs, in a helper process where there is one.

    Parameters
    ----------
    page : object
        The page: what jobs are given where they run here.
    command : sequence of str
        Starts the helper; empty: there is none.
    """

    def __init__(self, page: Any, command: Sequence[str]) -> None:
        self._page = page
        self._command = tuple(command)
        self._child: OwnProcess | None = None
        self._guard = threading.Lock()
        self._wanted = False
        self._ended = False
        self._failures = 0

    def start(self) -> None:
        """Start the helper; nobody waits for it."""
        with self._guard:
            if self._command and not self._ended:
                self._wanted = True
                with contextlib.suppress(OSError):
                    self._running()

    @property
    def process_id(self) -> int | None:
        """Of the helper, while there is one."""
        child = self._child
        return None if child is None else child.id

    def do(self, job: Job, *args: Any) -> Any:
        """Run a job; one after another.

        A helper that fails is replaced once; after that, jobs run here.

        Raises
        ------
        CancelledError
            The page has ended meanwhile.
        """
        with self._guard:
            if self._wanted and not self._ended and self._failures < MOST_FAILURES:
                try:
                    child = self._running()
                    pickle.dump((job, args), child.asked)
                    child.asked.flush()
                    done, result = pickle.load(child.told)
                except (OSError, EOFError, pickle.UnpicklingError) as error:
                    self._drop()
                    if not self._ended:
                        self._failures += 1
                        _log.warning("the helper failed (%s); worked out here instead", error)
                else:
                    if not done:
                        raise result
                    return result
            if self._ended:
                raise CancelledError
        return job(self._page, *args)

    def _running(self) -> OwnProcess:
        if self._child is None:
            self._child = OwnProcess(self._command)
        return self._child

    def _drop(self) -> None:
        child, self._child = self._child, None
        if child is not None:
            child.end()

    def close(self) -> None:
        """End the helper at once, whatever it is at."""
        self._ended = True
        child = self._child
        if child is not None:
            # Whoever waits for an answer sees the end of it, and lets go of the guard.
            child.kill()
        with self._guard:
            self._drop()


def answer(page: Any, asked: BinaryIO, told: BinaryIO) -> None:
    """Run the jobs that come in, until there will be no more.

    Parameters
    ----------
    page : Page
    asked, told : binary files
        Jobs and results, pickled: to be connected to an `Worker` and to nothing else.
    """
    while True:
        try:
            job, args = pickle.load(asked)
        except EOFError:
            return
        try:
            said = pickle.dumps((True, job(page, *args)))
        except Exception as error:  # Whatever it is, the page says it.
            said = _failure(error)
        told.write(said)
        told.flush()


def _failure(error: Exception) -> bytes:
    """An error so that it arrives: some can't be made again from what they keep."""
    try:
        said = pickle.dumps((False, error))
        pickle.loads(said)
    except Exception:
        return pickle.dumps((False, RuntimeError(f"{type(error).__name__}: {error}")))
    return said
