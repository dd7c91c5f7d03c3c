"""Processes that the program starts for itself: they run its own code and nobody else's.

Python looks for what it imports in the current folder first, and people work in folders that hold
what others sent them: a ``numpy.py`` there would be run. So whatever starts a process goes through
here: without the current folder on its path (``-P``, or `SAFE_PATH` for processes that Python
itself starts), and in an empty folder of its own.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Mapping, Sequence
from multiprocessing.context import SpawnContext
from pathlib import Path
from typing import BinaryIO, Final

SAFE_PATH: Final = "PYTHONSAFEPATH"
"""Read by Python from 3.11 on: the current folder isn't looked into."""

END_S: Final = 1.0

_ROOT: Final = Path(__file__).resolve().parents[1]
_RUN: Final = (
    "import sys, os\n"
    "sys.path[:] = sys.argv[1].split(os.pathsep)\n"
    "import runpy\n"
    "del sys.argv[:2]\n"
    "runpy.run_module(sys.argv[0], run_name='__main__', alter_sys=True)\n"
)


def python(module: str, *arguments: str) -> tuple[str, ...]:
    """Return the command that runs a module of the program in a process of its own.

    Parameters
    ----------
    module : str
        What is below its ``if __name__ == "__main__"`` is run.
    *arguments : str
        A path must be absolute: the process has another folder.
    """
    return (sys.executable, "-P", "-c", _RUN, os.pathsep.join(_places()), module, *arguments)


def _places() -> list[str]:
    """Where Python looks for what it imports: as here, so that all of it is the same there.

    The current folder is looked into only where the program itself lies in it.
    """
    current = None
    with contextlib.suppress(OSError):
        current = Path.cwd().resolve()
    places = (Path(place) for place in sys.path if place)
    return [
        str(place)
        for place in places
        if place.is_absolute() and (place.resolve() != current or current == _ROOT)
    ]


def spawning() -> SpawnContext:
    """Return what starts worker processes, none of which looks into the current folder."""
    os.environ[SAFE_PATH] = "1"
    return multiprocessing.get_context("spawn")


class OwnProcess:
    """A process of the program's own that is asked and answers, in an empty folder.

    Parameters
    ----------
    command : sequence of str
        See `python`.
    environment : mapping of str to str, optional
        Set for it beside what is set here.

    Attributes
    ----------
    id : int
    asked, told : binary file
        Its input and output.

    Raises
    ------
    OSError
        It cannot be started.
    """

    def __init__(
        self, command: Sequence[str], *, environment: Mapping[str, str] | None = None
    ) -> None:
        self._folder = tempfile.mkdtemp(prefix="unhurried-")
        try:
            self._child = subprocess.Popen(
                tuple(command),
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                cwd=self._folder,
                env={**os.environ, **(environment or {}), SAFE_PATH: "1"},
            )
        except BaseException:
            shutil.rmtree(self._folder, ignore_errors=True)
            raise
        assert self._child.stdin is not None
        assert self._child.stdout is not None
        self.asked: BinaryIO = self._child.stdin  # type: ignore[assignment]
        self.told: BinaryIO = self._child.stdout  # type: ignore[assignment]
        self.id = self._child.pid

    def kill(self) -> None:
        """Stop it at once; whoever waits for an answer sees the end of it."""
        self._child.kill()

    def end(self) -> None:
        """Stop it and let go of all that it had."""
        self._child.kill()
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._child.wait(END_S)
        for pipe in (self.asked, self.told):
            with contextlib.suppress(OSError):
                pipe.close()
        shutil.rmtree(self._folder, ignore_errors=True)
