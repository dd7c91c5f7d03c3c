"""Work that takes its time: done one after the other, and seen on a screen that can be left."""

from __future__ import annotations

import dataclasses
import logging
import queue
import re
import secrets
import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Literal

from review.error_text import line_of
from review.page.services import Done, Say

MOST_JOBS: Final = 50
"""That are known of; the oldest that is over is forgotten first."""

MOST_WAITING: Final = 20

JOB_ID: Final = re.compile(r"[0-9a-f]{12}")

_log = logging.getLogger(__name__)


class BusyError(Exception):
    """There is too much to do already."""


class _LeaveError(Exception):
    """The page goes: what is being done is left."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One piece of work.

    Attributes
    ----------
    id : str
    title : str
        What is done, in a few words.
    state : {"waiting", "going", "over"}
    what : str
        What is being done just now.
    share : float or None
        Of it that is done.
    done : Done or None
        What came of it.
    """

    id: str
    title: str
    state: Literal["waiting", "going", "over"] = "waiting"
    what: str = ""
    share: float | None = None
    done: Done | None = None


class Jobs:
    """Work in a thread of its own, one after the other."""

    def __init__(self) -> None:
        self._guard = threading.Lock()
        self._jobs: OrderedDict[str, Job] = OrderedDict()
        self._queue: queue.SimpleQueue[
            tuple[str, Callable[[Say], Done], Callable[[str], str] | None] | None
        ] = queue.SimpleQueue()
        self._thread: threading.Thread | None = None
        self._closing = False

    def start(
        self, title: str, work: Callable[[Say], Done], back: Callable[[str], str] | None = None
    ) -> Job:
        """Have something done; it begins when what was asked for before is over.

        Parameters
        ----------
        title : str
        work : callable
            Told where to say how far it is; its errors are told in one line.
        back : callable, optional
            Given that line, returns where to try once more.

        Raises
        ------
        BusyError
        """
        with self._guard:
            waiting = [job for job in self._jobs.values() if job.state != "over"]
            if len(waiting) >= MOST_WAITING:
                raise BusyError("there is much to do already: wait until some of it is done")
            job = Job(id=secrets.token_hex(6), title=title)
            self._jobs[job.id] = job
            for one in list(self._jobs.values()):
                if len(self._jobs) > MOST_JOBS and one.state == "over":
                    del self._jobs[one.id]
            if self._thread is None:
                self._thread = threading.Thread(target=self._run, name="jobs", daemon=True)
                self._thread.start()
        self._queue.put((job.id, work, back))
        return job

    def get(self, job_id: str) -> Job | None:
        """Return a piece of work."""
        with self._guard:
            return self._jobs.get(job_id)

    def all(self) -> list[Job]:
        """Return all that is known of, the newest first."""
        with self._guard:
            return list(reversed(self._jobs.values()))

    @property
    def going(self) -> list[Job]:
        """What isn't over."""
        return [job for job in self.all() if job.state != "over"]

    def close(self) -> None:
        """Leave what is being done as soon as it says something, and do no more."""
        self._closing = True
        self._queue.put(None)

    def _change(self, job_id: str, **values: object) -> None:
        with self._guard:
            if job_id in self._jobs:
                self._jobs[job_id] = dataclasses.replace(
                    self._jobs[job_id],
                    **values,  # type: ignore[arg-type]
                )

    def _run(self) -> None:
        while (todo := self._queue.get()) is not None:
            job_id, work, back = todo
            if self._closing:
                return

            def say(what: str, share: float | None, job_id: str = job_id) -> None:
                if self._closing:
                    raise _LeaveError
                self._change(job_id, what=what, share=share)

            self._change(job_id, state="going")
            try:
                done = work(say)
            except _LeaveError:
                return
            except Exception as error:
                _log.warning("work from the page: %r", error, exc_info=True)
                text = line_of(error)
                done = Done(text=text, url=back(text) if back is not None else "", wrong=True)
            self._change(job_id, state="over", done=done, share=1.0, what="")
