"""The home: the folder in which this program keeps what outlives a command, and its log.

Calibrations (``sensors/``), players (``players/``), the library (``library.db``), the delay of
audio outputs (``outputs/``) and a rotating log (``log/``). Where it is: ``--home``, else the
environment variable ``UNHURRIED_HOME``, else the platform's place for a user's data.
"""

from __future__ import annotations

import contextlib
import logging
import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Final, TypeVar

import click

from unhurried.errors import CommandError, describe

Command = TypeVar("Command", bound=Callable[..., Any])

HOME_VARIABLE: Final = "UNHURRIED_HOME"

LOG_FOLDER: Final = "log"
LOG_FILE: Final = "unhurried.log"
# A line is about 100 bytes: some ten thousand lines a file, which is months of sessions, and never
# more than 4 MB in all. (Chosen here.)
LOG_BYTES: Final = 1_000_000
LOG_KEPT: Final = 3

ROOMS: Final = ("sensor", "analysis", "feedback", "review", "unhurried")

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
        It need not be there: it is made when something is first written, see `make_folder`.

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
        import platformdirs

        home = platformdirs.user_data_path("unhurried", appauthor=False)
    if os.path.lexists(home) and home.is_file():
        raise CommandError(
            f"{home}: is not a folder, so it cannot be the home: give another --home"
        )
    return home


def make_folder(home: Path, *parts: str) -> Path:
    """Make the home, or a folder in it, where it isn't there yet.

    Raises
    ------
    CommandError
        It cannot be made.
    """
    folder = home.joinpath(*parts)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise CommandError(
            f"{folder}: cannot be made ({error.strerror or error}): give another --home"
        ) from error
    return folder


def home_option(command: Command) -> Command:
    """Add --home, as the argument `home` (Path or None) for `home_folder`."""
    return click.option(
        "--home",
        type=click.Path(path_type=Path, file_okay=False),
        metavar="DIR",
        help=f"Folder for calibrations, players and library.  [default: ${HOME_VARIABLE}, or the "
        "system's place for such data]",
    )(command)


def _rotating_file(file: Path) -> logging.Handler:
    """Open a rotating log that gives up without a word: a log must never stop a command."""
    from logging.handlers import RotatingFileHandler  # takes long to import

    class QuietFile(RotatingFileHandler):
        def handleError(self, record: logging.LogRecord) -> None:  # noqa: N802 - logging's name
            del record

    return QuietFile(file, maxBytes=LOG_BYTES, backupCount=LOG_KEPT, encoding="utf-8")


@contextlib.contextmanager
def home_log(home: Path) -> Iterator[None]:
    """Log what happens inside to the home; for commands that write there anyway.

    The log is for whoever looks for what went wrong later: INFO and above of all rooms, and the
    line of an error that ends the command. Where it cannot be written there is none.

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
    loggers = [logging.getLogger(room) for room in ROOMS]
    before = [logger.level for logger in loggers]
    for logger in loggers:
        logger.addHandler(handler)
        # With --verbose they say more already.
        if logger.getEffectiveLevel() > logging.INFO:
            logger.setLevel(logging.INFO)
    try:
        yield
    except (click.Abort, KeyboardInterrupt):
        _log.info("stopped")
        raise
    except click.ClickException:
        raise
    except Exception as error:
        _log.error("%s", describe(error)[0])
        raise
    finally:
        for logger, level in zip(loggers, before, strict=True):
            logger.removeHandler(handler)
            logger.setLevel(level)
        with contextlib.suppress(OSError, ValueError):
            handler.close()
