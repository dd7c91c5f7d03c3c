"""The home: the folder in which this program keeps what outlives a command, and its log.

Calibrations (``sensors/``), players (``players/``), the library (``library.db``), the delay of
audio outputs (``outputs/``) and a rotating log (``log/``). Where it is: ``--home``, else the
environment variable ``UNHURRIED_HOME``, else the platform's place for a user's data.
"""

from __future__ import annotations

import contextlib
import logging
import os
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Final

from unhurried.app.errors import CommandError, describe

if TYPE_CHECKING:
    from library.catalogue import Library

HOME_VARIABLE: Final = "UNHURRIED_HOME"

LOG_FOLDER: Final = "log"
LOG_FILE: Final = "unhurried.log"
# A line is about 100 bytes: some ten thousand lines a file, which is months of sessions, and never
# more than 4 MB in all. (Chosen here.)
LOG_BYTES: Final = 1_000_000
LOG_KEPT: Final = 3

AGAIN_S: Final = 60.0
"""How often a library's line is logged again: whoever sends nonsense to the page a hundred times a
second must not push out of the log what is worth reading."""

MOST_LINES: Final = 256
"""Different lines of libraries of which it is known when they were logged last."""

ROOMS: Final = (
    "sensor",
    "simulation",
    "analysis",
    "feedback",
    "library",
    "review",
    "unhurried",
)

_log = logging.getLogger(__name__)


def home_folder(option: Path | None = None) -> Path:
    """Say where the home is; nothing is made.

    Parameters
    ----------
    option : Path, optional
        What ``--home`` said.

    Returns
    -------
    Path
        The option, else the environment variable ``UNHURRIED_HOME``, else the platform's folder.
        It need not be there: it is made when something is first written.

    Raises
    ------
    CommandError
        There is something there that is not a folder.
    """
    if option is not None:
        home = Path(option).expanduser()
    elif os.environ.get(HOME_VARIABLE, "").strip():
        home = Path(os.environ[HOME_VARIABLE].strip()).expanduser()
    else:
        home = platform_home()
    if os.path.lexists(home) and home.is_file():
        raise CommandError(
            f"{home}: is not a folder, so it cannot be the home: give another --home"
        )
    return home


def platform_home() -> Path:
    """Return the platform's place for the home."""
    import platformdirs

    return platformdirs.user_data_path("unhurried", appauthor=False)


def _rotating_file(file: Path) -> logging.Handler:
    """Open a rotating log that gives up without a word: a log must never stop a command."""
    from logging.handlers import RotatingFileHandler  # takes long to import

    class QuietFile(RotatingFileHandler):
        def handleError(self, record: logging.LogRecord) -> None:  # noqa: N802 - logging's name
            del record

    return QuietFile(file, maxBytes=LOG_BYTES, backupCount=LOG_KEPT, encoding="utf-8")


class _NotTooOften(logging.Filter):
    """Lets a line of a library pass once a minute; all lines of the rooms pass."""

    def __init__(self) -> None:
        super().__init__()
        self._last_s: dict[tuple[str, int, str], float] = {}

    def filter(self, record: logging.LogRecord) -> bool:
        if record.name.partition(".")[0] in ROOMS:
            return True
        key = (record.name, record.levelno, str(record.msg)[:200])
        last_s = self._last_s.get(key)
        if last_s is not None and record.created - last_s < AGAIN_S:
            return False
        if len(self._last_s) >= MOST_LINES:
            self._last_s.clear()
        self._last_s[key] = record.created
        return True


@contextlib.contextmanager
def home_log(home: Path) -> Iterator[None]:
    """Log what happens inside to the home; for commands that write there anyway.

    The log is for whoever looks for what went wrong later: INFO and above of all rooms, warnings
    of the libraries, and the line of an error that ends the command. Where it cannot be written
    there is none.

    Parameters
    ----------
    home : Path
        From `home_folder`; made if need be.
    """
    handler: logging.Handler | None = None
    try:
        folder = home / LOG_FOLDER
        folder.mkdir(parents=True, exist_ok=True)
        handler = _rotating_file(folder / LOG_FILE)
    except OSError as error:
        _log.debug("no log in %s: %s", home, error)
    if handler is None:
        yield
        return
    handler.setLevel(logging.INFO)
    handler.setFormatter(logging.Formatter("%(asctime)s %(levelname)s %(name)s: %(message)s"))
    handler.addFilter(_NotTooOften())
    root = logging.getLogger()
    root.addHandler(handler)
    loggers = [logging.getLogger(room) for room in ROOMS]
    before = [logger.level for logger in loggers]
    for logger in loggers:
        # With --verbose they say more already.
        if logger.getEffectiveLevel() > logging.INFO:
            logger.setLevel(logging.INFO)
    try:
        yield
    except KeyboardInterrupt:
        _log.info("stopped")
        raise
    except Exception as error:
        if type(error).__name__ == "Abort":
            _log.info("stopped")
        elif not hasattr(error, "exit_code"):
            # What has one was about how the command was asked, and is for whoever asked.
            _log.error("%s", describe(error)[0])
        raise
    finally:
        root.removeHandler(handler)
        for logger, level in zip(loggers, before, strict=True):
            logger.setLevel(level)
        with contextlib.suppress(OSError, ValueError):
            handler.close()


@contextlib.contextmanager
def opened(home: Path | None, *, anew: bool = False) -> Iterator[Library]:
    """Open the home's library, with its log."""
    from unhurried.app.ingest import open_library

    folder = home_folder(home)
    with home_log(folder), open_library(folder, anew=anew) as library:
        yield library
