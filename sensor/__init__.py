"""Motion sensors and their recordings.

The names below are imported when they are first used: `import sensor` alone does not load numpy.
(`recover` is the name of a module here; the function is ``sensor.recover.recover``.)
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
    from sensor.csvfile import import_csv, read_csv, write_csv
    from sensor.recording import (
        COUNTS_DTYPE,
        FLOAT_DTYPE,
        PACKET_DTYPE,
        Block,
        Gap,
        Marker,
        Recording,
        RecordingWriter,
        Segment,
        open_recording,
    )
    from sensor.session import Session

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
    "Session": "sensor.session",
    "import_csv": "sensor.csvfile",
    "read_csv": "sensor.csvfile",
    "write_csv": "sensor.csvfile",
}


def __getattr__(name: str) -> Any:
    if name not in __all__:
        raise AttributeError(f"module 'sensor' has no attribute '{name}'")
    return getattr(import_module(_HOME.get(name, "sensor.recording")), name)
