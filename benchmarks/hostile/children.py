"""Commands run in children of a warm process, with their time, memory and words looked at."""

from __future__ import annotations

import os
import pkgutil
import re
import resource
import signal
import sys
import time
import traceback
import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from typing import Final

__all__ = ["MOST_MB", "MOST_S", "Ran", "command", "faults_of", "in_child", "warm"]

MOST_S: Final = 60.0
MOST_MB: Final = 1000.0
"""What one command may take, in time and memory, whatever it is given."""

_ADDRESS_SPACE: Final = 6_000_000_000
"""Beyond this a child gets no memory, so that a defect here doesn't take the machine along."""

_TELLING: Final = (
    ("internal error", re.compile(r"internal error", re.IGNORECASE)),
    ("traceback", re.compile(r"Traceback \(most recent call last\)|^Exception ignored", re.M)),
    ("raw warning", re.compile(r"^\S*\.py:\d+: \w*Warning|RuntimeWarning: ", re.M)),
    ("out of memory", re.compile(r"not enough memory")),
)
"""What a command must never print, whatever it is given."""

_UNCLEAN: Final = re.compile(
    "[\x00-\x08\x0b\x0c\x0d\x0e-\x1f\x7f-\x9f\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069\ufffe]"
)
"""Control characters of terminals (ECMA-48) and those that turn the direction of text (UAX 9)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ran:
    """One command that has ended.

    Attributes
    ----------
    words : tuple of str
        What was run.
    code : int
        Exit code; minus the signal that ended it.
    out, err : str
    seconds, megabytes : float
        Wall clock, and the most memory that it held at once (``ru_maxrss``).
    """

    words: tuple[str, ...]
    code: int
    out: str
    err: str
    seconds: float
    megabytes: float


def warm() -> None:
    """Import what the commands need, once, before the first child."""
    import pandas  # noqa: F401
    import scipy.interpolate
    import scipy.optimize
    import scipy.signal
    import scipy.special  # noqa: F401

    for room in ("sensor", "analysis", "library", "review", "unhurried"):
        for module in pkgutil.walk_packages(import_module(room).__path__, f"{room}."):
            # What runs on the sensor is for its own interpreter, and a program runs when imported.
            if "firmware" not in module.name and not module.name.endswith("__main__"):
                import_module(module.name)


def in_child(
    work: Callable[[], int],
    folder: Path,
    *,
    words: Sequence[str],
    most_s: float = MOST_S,
) -> Ran:
    """Do work in a child of this process, its output in files of a folder.

    Parameters
    ----------
    work : callable
        Returns an exit code.
    folder : Path
    words : sequence of str
        What to call it.
    most_s : float
        When it is ended.
    """
    out, err = folder / "stdout", folder / "stderr"
    started = time.monotonic()
    sys.stdout.flush()
    sys.stderr.flush()
    with warnings.catch_warnings():
        # Python 3.12 warns where there are threads: those of libraries sleep meanwhile.
        warnings.simplefilter("ignore", DeprecationWarning)
        child = os.fork()
    if not child:
        code = 70
        try:
            # The alarm ends the child even where it never comes back to Python.
            signal.signal(signal.SIGALRM, signal.SIG_DFL)
            signal.setitimer(signal.ITIMER_REAL, most_s)
            resource.setrlimit(resource.RLIMIT_AS, (_ADDRESS_SPACE, _ADDRESS_SPACE))
            resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
            os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
            for number, path in ((1, out), (2, err)):
                os.dup2(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), number)
            sys.stdin = open(0, encoding="utf-8", closefd=False)  # noqa: SIM115
            for number, name in ((1, "stdout"), (2, "stderr")):
                stream = open(  # noqa: SIM115
                    number, "w", encoding="utf-8", errors="backslashreplace", closefd=False
                )
                setattr(sys, name, stream)
            code = work()
            sys.stdout.flush()
            sys.stderr.flush()
        except BaseException:
            traceback.print_exc()
            sys.stderr.flush()
        finally:
            # Nothing of the parent's is to be tidied up by its child.
            os._exit(code & 0xFF)
    _, status, usage = os.wait4(child, 0)
    return Ran(
        words=tuple(words),
        code=os.waitstatus_to_exitcode(status),
        out=_read(out),
        err=_read(err),
        seconds=time.monotonic() - started,
        megabytes=usage.ru_maxrss / 1024.0,
    )


def _read(path: Path) -> str:
    with path.open("rb") as file:
        return file.read(4_000_000).decode("utf-8", "replace")


def command(folder: Path, *words: str, most_s: float = MOST_S) -> Ran:
    """Run a command of the program in a child.

    Parameters
    ----------
    folder : Path
        For its output.
    *words : str
        As on the command line.
    most_s : float
    """
    from unhurried.cli import run

    return in_child(lambda: run(words), folder, words=words, most_s=most_s)


def faults_of(ran: Ran) -> list[str]:
    """Return what a command must not have done, whatever it was given.

    Parameters
    ----------
    ran : Ran

    Returns
    -------
    list of str
        Empty where all is well.
    """
    found = []
    if ran.code == -signal.SIGALRM:
        found.append(f"over {ran.seconds:.0f} s")
    elif ran.code not in (0, 1, 2):
        found.append(f"ended with {ran.code}")
    if ran.megabytes > MOST_MB:
        found.append(f"{ran.megabytes:.0f} MB")
    printed = f"{ran.out}\n{ran.err}"
    found += [name for name, pattern in _TELLING if pattern.search(printed)]
    if _UNCLEAN.search(printed):
        found.append("unclean characters on the terminal")
    lines = [line for line in ran.err.splitlines() if line.strip()]
    if ran.code == 1 and not any(line.startswith("unhurried: ") for line in lines):
        found.append("failed without a word")
    if any(len(line) > 4_000 for line in lines):
        found.append("an error of over 4000 characters")
    return found
