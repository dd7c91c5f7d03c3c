"""What can go wrong in this room, each with the one clear line that a person is shown."""

from __future__ import annotations

from os import PathLike
from pathlib import Path


class SensorError(Exception):
    """Root of every error that the sensor room raises on purpose.

    ``str(error)`` is one line that says what is wrong and what to do about it.
    """


class ColumnMapError(SensorError):
    """The text of a column map cannot be understood."""


class PathError(Exception):
    """A file or folder, and what is wrong with it.

    Parameters
    ----------
    path : str or path
        What the trouble is about.
    problem : str
        What is wrong and what to do, without the path.
    """

    def __init__(self, path: str | PathLike[str], problem: str) -> None:
        super().__init__(path, problem)
        self.path = Path(path)
        self.problem = problem

    def __str__(self) -> str:
        return f"{self.path}: {self.problem}"


class RecordingError(PathError, SensorError):
    """A recording cannot be read or written.

    Parameters
    ----------
    path : str or path
        The file or folder that the trouble is about.
    problem : str
        What is wrong and what to do, without the path.
    """


class CsvError(RecordingError):
    """A CSV file cannot be used as a recording; `line` is counted from 1 where it is known."""

    def __init__(self, path: str | PathLike[str], problem: str, line: int | None = None) -> None:
        super().__init__(path, problem)
        self.line = line

    def __str__(self) -> str:
        where = str(self.path) if self.line is None else f"{self.path}, line {self.line}"
        return f"{where}: {self.problem}"


class OtherUnitError(CsvError):
    """The numbers of a CSV file are clearly in another unit than is said.

    Parameters
    ----------
    path : str or path
    problem : str
    kind : {"acc", "gyr"}
    unit : str
        What they look like.
    """

    def __init__(self, path: str | PathLike[str], problem: str, kind: str, unit: str) -> None:
        super().__init__(path, problem)
        self.kind = kind
        self.unit = unit


class OtherMountError(RecordingError):
    """The recording says that the sensor was somewhere else.

    Parameters
    ----------
    path : str or path
    own : str
        Where it says.
    """

    def __init__(self, path: str | PathLike[str], own: str) -> None:
        super().__init__(
            path,
            f"the sensor was at another place, says the recording: leave the mount out ({own})",
        )
        self.own = own


class NewerFormatError(RecordingError):
    """The recording was written by a later version than this one."""


class RateTooLowError(RecordingError):
    """The sample rate is too low to measure a swing."""


class RateTooHighError(RecordingError):
    """The sample rate is higher than a motion sensor has: the unit of the times is wrong."""


class RecordingExistsError(RecordingError):
    """The output is there already and may not be replaced."""


class RecordingLockedError(RecordingError):
    """Another process is writing this recording at the moment."""
