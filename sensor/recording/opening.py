"""Open a recording, whatever it is: a folder of raw facts, or a CSV file."""

from __future__ import annotations

import os
import stat
from pathlib import Path
from typing import Any

from sensor.errors import NewerFormatError, OtherMountError, RecordingError, SensorError
from sensor.recording.annotations import read_annotations
from sensor.recording.calibration import Calibration
from sensor.recording.csvfile import read_csv
from sensor.recording.layout import (
    ANNOTATIONS_FILE,
    COUNTS_DTYPE,
    FLOAT_DTYPE,
    IMU_FILE,
    PACKET_DTYPE,
    PACKETS_FILE,
    owned_file,
)
from sensor.recording.lock import lock_state
from sensor.recording.markers import read_markers
from sensor.recording.npyfile import RowFile, open_npy
from sensor.recording.output import describe_os_error
from sensor.recording.reader import Recording, close_all, with_options
from sensor.recording.session import SESSION_FILE, read_session


def open_recording(
    path: str | os.PathLike[str],
    *,
    mount: str | None = None,
    hand: str | None = None,
    gyr_range_dps: float | None = None,
    acc_range_g: float | None = None,
    column_map: str | None = None,
    calibration: Calibration | None = None,
) -> Recording:
    """Open a recording's folder or a CSV file.

    Parameters
    ----------
    path : path
    mount, hand, gyr_range_dps, acc_range_g : optional
        What the caller knows better than the file, or what a CSV file cannot say.
    column_map : str, optional
        Names and units of a CSV file's columns, see `sensor.recording.csvlines.parse_column_map`.
    calibration : Calibration, optional
        Corrects the values as they are read; nothing is written.

    Returns
    -------
    Recording
        Its ``session`` (what is known of sensor and people), time base, gaps, markers and warnings
        are known at once. Samples are read when they are asked for: ``blocks()`` gives all of them
        in pieces, ``read(first_seq, last_seq)`` a stretch, each as ``seq (n,)``, ``time_s (n,)``
        (s since the first sample), ``acc_m_s2 (n, 3)`` and ``gyr_dps (n, 3)``. A context manager,
        which closes its files.

    Raises
    ------
    RecordingError
        The recording cannot be read; subclasses say more.
    ColumnMapError
        The column map cannot be understood, or doesn't fit the file.
    SensorError
        It is no path.
    ValueError
        A fact is not what it must be.
    """
    try:
        path = Path(path)
    except TypeError as error:
        raise SensorError(
            f"a recording is opened by its path, not by {type(path).__name__}"
        ) from error
    options: dict[str, Any] = {
        "mount": mount,
        "hand": hand,
        "gyr_range_dps": gyr_range_dps,
        "acc_range_g": acc_range_g,
    }
    try:
        is_folder = stat.S_ISDIR(path.stat().st_mode)
    except FileNotFoundError as error:
        raise RecordingError(path, "does not exist") from error
    except OSError as error:
        raise RecordingError(path, f"cannot be read: {describe_os_error(error)}") from error
    if is_folder:
        if column_map is not None:
            raise RecordingError(path, "is a recording: a column map is for CSV files")
        return _open_folder(path, options, calibration)
    if owned_file(path.name) and (path.parent / SESSION_FILE).exists():
        raise RecordingError(path, f"is one file of a recording: name its folder, {path.parent}")
    return read_csv(path, column_map=column_map, calibration=calibration, **options)


def _open_folder(
    folder: Path, options: dict[str, Any], calibration: Calibration | None
) -> Recording:
    recorded = read_session(folder)
    session = with_options(recorded, **options)
    if recorded.mount is not None and session.mount != recorded.mount:
        raise OtherMountError(folder, recorded.mount)
    dtype = COUNTS_DTYPE if session.sample_kind == "counts" else FLOAT_DTYPE
    told = session.extra.get("import_warnings")
    warnings = [str(text) for text in told] if isinstance(told, list) else []
    state = lock_state(folder)
    if state == "held":
        warnings.append("is being recorded at the moment: what is there so far was read")
    elif state == "stale":
        warnings.append("was not closed, its recorder died: all whole samples were read")
    try:
        rows, notes = open_npy(folder / IMU_FILE, dtype)
    except RecordingError as error:
        if (folder / IMU_FILE).exists():
            raise
        raise RecordingError(folder, f"has no {IMU_FILE}: there are no samples") from error
    warnings += notes
    try:
        packets: RowFile | None = None
        if (folder / PACKETS_FILE).exists():
            try:
                packets, notes = open_npy(folder / PACKETS_FILE, PACKET_DTYPE)
                warnings += notes
            except RecordingError as error:
                warnings.append(f"{PACKETS_FILE} {error.problem}")
        markers, notes = read_markers(folder)
        warnings += notes
        annotations, notes = _read_annotations(folder, session.id)
        warnings += notes
        return Recording(
            folder,
            session,
            rows,
            packets=packets,
            markers=markers,
            annotations=annotations,
            warnings=warnings,
            hand=options["hand"],
            calibration=calibration,
        )
    except BaseException:
        close_all(rows, packets)
        raise


def _read_annotations(folder: Path, recording_id: str) -> tuple[dict[str, Any], list[str]]:
    try:
        said = read_annotations(folder, recording=recording_id)
    except NewerFormatError:
        raise
    except RecordingError as error:
        return {}, [f"{ANNOTATIONS_FILE} {error.problem}: what people added is not used"]
    return said.document() if said.entries or said.history else {}, []
