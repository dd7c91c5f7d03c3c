"""What a recording's folder holds: names of the files and types of their rows."""

from __future__ import annotations

from typing import Final

import numpy as np

from sensor.recording.lock import LOCK_NAME
from sensor.recording.session import SESSION_FILE

AXES: Final = ("ax", "ay", "az", "gx", "gy", "gz")
COUNTS_DTYPE: Final = np.dtype([("seq", "<i8"), *((axis, "<i2") for axis in AXES)])
FLOAT_DTYPE: Final = np.dtype(
    [("seq", "<i8"), ("time_s", "<f8"), *((axis, "<f4") for axis in AXES)]
)
PACKET_DTYPE: Final = np.dtype(
    [
        ("arrival_ns", "<i8"),
        ("first_seq", "<i8"),
        ("count", "<i4"),
        ("raw_counter", "<i8"),
        ("ticks", "<i8"),
        ("connection", "<i4"),
    ]
)

IMU_FILE: Final = "imu.npy"
PACKETS_FILE: Final = "packets.npy"
MARKERS_FILE: Final = "markers.jsonl"
ANNOTATIONS_FILE: Final = "annotations.json"
TRUTH_FILE: Final = "truth.json"
_FILES: Final = frozenset(
    {
        SESSION_FILE,
        IMU_FILE,
        PACKETS_FILE,
        MARKERS_FILE,
        ANNOTATIONS_FILE,
        TRUTH_FILE,
        LOCK_NAME,
    }
)
ANNOTATIONS_VERSION: Final = 1


def owned_file(name: str) -> bool:
    """Tell by its name whether a file in a recording's folder is the program's own."""
    return name in _FILES
