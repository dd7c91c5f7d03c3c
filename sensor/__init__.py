"""Motion sensors and their recordings.

The names below are imported when they are first used: `import sensor` alone does not load numpy.
(`recover` is the name of a module here; the function is ``sensor.recording.recover.recover``.)
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from sensor.errors import (
    ColumnMapError,
    CsvError,
    NewerFormatError,
    RateTooLowError,
    RecordingError,
    RecordingExistsError,
    RecordingLockedError,
    SensorError,
)

if TYPE_CHECKING:
    from sensor.recording.csvfile import import_csv, read_csv, write_csv
    from sensor.recording.layout import COUNTS_DTYPE, FLOAT_DTYPE, PACKET_DTYPE
    from sensor.recording.markers import Marker, Segment
    from sensor.recording.opening import open_recording
    from sensor.recording.reader import Block, Gap, Recording
    from sensor.recording.session import Session
    from sensor.recording.writer import RecordingWriter

__all__ = [
    "COUNTS_DTYPE",
    "FLOAT_DTYPE",
    "PACKET_DTYPE",
    "Block",
    "ColumnMapError",
    "CsvError",
    "Gap",
    "Marker",
    "NewerFormatError",
    "RateTooLowError",
    "Recording",
    "RecordingError",
    "RecordingExistsError",
    "RecordingLockedError",
    "RecordingWriter",
    "Segment",
    "SensorError",
    "Session",
    "import_csv",
    "open_recording",
    "read_csv",
    "write_csv",
]

_HOME = {
    "Session": "sensor.recording.session",
    "open_recording": "sensor.recording.opening",
    "import_csv": "sensor.recording.csvfile",
    "read_csv": "sensor.recording.csvfile",
    "write_csv": "sensor.recording.csvfile",
}


def __getattr__(name: str) -> Any:
    if name not in __all__:
        raise AttributeError(f"module 'sensor' has no attribute '{name}'")
    return getattr(import_module(_HOME.get(name, "sensor.recording.reader")), name)
