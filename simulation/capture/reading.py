"""Files of motion capture: markers from C3D, poses from CSV."""

from __future__ import annotations

import csv
import importlib
import io
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from sensor.errors import RecordingError
from sensor.recording.output import describe_os_error
from sensor.recording.stamplines import robust_period_s
from sensor.rotation import quat_continuous, quat_from_matrix

Floats = NDArray[np.float64]

MIN_RATE_HZ: Final = 100.0
"""Fewer frames a second leave under 25 for a downswing of a quarter of a second, and no cut-off
above 40 Hz (own choice; captures of golf swings commonly have 200 and more, from memory)."""
MOST_RATE_HZ: Final = 10_000.0
"""No camera tracks markers faster (from memory: 2,000 at most): it is a mistake in the times."""
FARTHEST_M: Final = 1e4
"""No laboratory is as large."""
MOST_BYTES: Final = 1_000_000_000
"""A minute of 100 markers at 500 frames/s has 50 MB: what is larger is no capture of swings, and
reading it takes several times its size of memory."""
MOST_TEXT_BYTES: Final = 100_000_000
"""Of poses as text: ten minutes at 500 frames/s have 40 MB."""
MOST_S: Final = 600.0
"""Longer captures are cut: all their frames are smoothed at once."""

_UNITS: Final = {"mm": 1e-3, "cm": 1e-2, "m": 1.0}
_QUAT: Final = ("quat_w", "quat_x", "quat_y", "quat_z")
_MATRIX: Final = tuple(f"rot_{row}{column}" for row in "xyz" for column in "xyz")
_PLACE: Final = ("pos_x_m", "pos_y_m", "pos_z_m")
POSE_COLUMNS: Final = ("time_s", *_PLACE, *_QUAT)
_UNIT_LENGTH: Final = 0.01
"""A quaternion's length, and a matrix' columns, may be off by so much: that is rounding to two
digits. More is another thing than an attitude."""
_STEP: Final = 0.1
"""Time stamps may be off their equidistant places by this share of a frame (they are rounded)."""


class CaptureError(RecordingError):
    """A capture can't be made a recording; ``str(error)`` says why and what to do."""


@dataclass(frozen=True, slots=True)
class Event:
    """A labelled instant, in seconds from the first frame."""

    label: str
    time_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Markers:
    """Markers of a capture.

    Attributes
    ----------
    points_m : Floats
        (n, m, 3), NaN where not seen, in the laboratory's axes.
    names : tuple of str
    rate_hz : float
    events : tuple of Event
    unit : str
        That of the file.
    """

    points_m: Floats
    names: tuple[str, ...]
    rate_hz: float
    events: tuple[Event, ...]
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PoseTable:
    """Poses of one segment: (n, 4) and (n, 3), NaN where not known."""

    quat_wxyz: Floats
    pos_m: Floats
    rate_hz: float


def _start_of(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            return file.read(4096)
    except IsADirectoryError as error:
        raise CaptureError(path, "is a folder: name a file") from error
    except OSError as error:
        raise CaptureError(path, f"cannot be read: {describe_os_error(error)}") from error


def is_c3d(path: Path) -> bool:
    """Tell by its content whether a file is C3D: 80 (hex 50) in its second byte."""
    start = _start_of(path)
    return path.suffix.lower() == ".c3d" or (len(start) >= 512 and start[1] == 0x50 and 0 in start)


def is_pose_csv(path: Path) -> bool:
    """Tell by its header whether a CSV file has poses and not a sensor's samples."""
    line = _start_of(path).decode("utf-8-sig", errors="replace").splitlines()[:1]
    names = {name.strip() for name in "".join(line).split(",")}
    return bool(names & {*_QUAT, *_MATRIX})


def _check_size(path: Path, most_bytes: int) -> None:
    size = path.stat().st_size
    if size > most_bytes:
        raise CaptureError(
            path,
            f"has {size / 1e6:.0f} MB: export the swings alone, in files of under "
            f"{most_bytes / 1e6:.0f} MB",
        )


def _check_rate(path: Path, rate_hz: float, n_frames: int) -> None:
    if not math.isfinite(rate_hz) or rate_hz <= 0.0:
        raise CaptureError(path, "doesn't say its frame rate, so no time can be told")
    # a rate that is told by rounded stamps is not to fail for their rounding
    if rate_hz < 0.999 * MIN_RATE_HZ:
        raise CaptureError(
            path,
            f"has {rate_hz:g} frames a second, too few for a downswing of a quarter of a second: "
            f"capture with {MIN_RATE_HZ:g} or more, better 240",
        )
    if rate_hz > MOST_RATE_HZ:
        raise CaptureError(path, f"has {rate_hz:.3g} frames a second: times must be in seconds")
    if n_frames < rate_hz:
        raise CaptureError(
            path, f"has {n_frames} frames, under a second: capture a whole swing, from address on"
        )
    if n_frames > MOST_S * rate_hz:
        raise CaptureError(
            path,
            f"lasts {n_frames / rate_hz / 60.0:.0f} min: export {MOST_S / 60.0:g} min or less",
        )


# -- C3D -------------------------------------------------------------------------------------------


def read_c3d(path: Path, wanted: Sequence[str], *, unit: str | None = None) -> Markers:
    """Read markers and events of a C3D file.

    Parameters
    ----------
    path : Path
    wanted : sequence of str
        Labels of the markers; a subject's prefix ("Ida:GRIP1") may be left out.
    unit : {"mm", "cm", "m"}, optional
        Of the places; that of the file by default.

    Raises
    ------
    CaptureError
    """
    _check_size(path, MOST_BYTES)
    try:
        ezc3d: Any = importlib.import_module("ezc3d")
    except ImportError as error:
        raise CaptureError(
            path, "C3D is read by ezc3d, which isn't installed: pip install 'unhurried[lab]'"
        ) from error
    try:
        file = ezc3d.c3d(str(path))
        point: Any = file["parameters"]["POINT"]
        labels = [str(name).strip() for name in _labels(point)]
        rate_hz = float(file["header"]["points"]["frame_rate"])
        first = int(file["header"]["points"]["first_frame"])
        points = np.asarray(file["data"]["points"], dtype=float)
    except MemoryError:
        raise
    except Exception as error:
        # whatever a C++ library makes of a broken file
        raise CaptureError(path, "is not C3D that can be read: export it once more") from error
    if not labels or points.size == 0:
        raise CaptureError(
            path, "holds no markers: export the marker trajectories, not only analog"
        )
    _check_rate(path, rate_hz, points.shape[2])
    index = [_find(path, labels, name) for name in wanted]
    said = str((point.get("UNITS", {}).get("value") or [""])[0]).strip().lower()
    used = unit or said
    if used not in _UNITS:
        found = f"its unit is '{said}'" if said else "it doesn't say its unit"
        raise CaptureError(path, f"{found}: give --unit mm, --unit cm or --unit m")
    chosen = points[:3, index, :].transpose(2, 1, 0) * _UNITS[used]
    # a marker that isn't seen is written as the origin by some programs (common practice, no
    # source); no real one is there to the last bit
    chosen[np.all(chosen == 0.0, axis=2)] = np.nan
    return Markers(
        points_m=np.ascontiguousarray(chosen),
        names=tuple(labels[k] for k in index),
        rate_hz=rate_hz,
        events=_events(file["parameters"], first / rate_hz),
        unit=used,
    )


def _labels(point: Any) -> list[str]:
    """All labels: a group holds 255 at most, the others are in LABELS2 and so on."""
    out = list(point["LABELS"]["value"])
    k = 2
    while f"LABELS{k}" in point:
        out += list(point[f"LABELS{k}"]["value"])
        k += 1
    return out


def _find(path: Path, labels: Sequence[str], name: str) -> int:
    """Index of a marker: the whole label, or what follows a subject's colon, in any case."""
    any_case = [label.casefold() for label in labels]
    short = [label.rpartition(":")[2] for label in any_case]
    for written, wanted in (
        (list(labels), name),
        (any_case, name.casefold()),
        (short, name.casefold()),
    ):
        found = [k for k, label in enumerate(written) if label == wanted]
        if len(found) == 1:
            return found[0]
        if len(found) > 1:
            several = ", ".join(labels[k] for k in found[:4])
            raise CaptureError(path, f"several markers are called {name} ({several}): say which")
    some = ", ".join(labels[:12]) + (f" and {len(labels) - 12} more" if len(labels) > 12 else "")
    raise CaptureError(path, f"has no marker {name}: it has {some}")


def _events(parameters: Any, first_s: float) -> tuple[Event, ...]:
    """Labelled instants: EVENT:TIMES are minutes and seconds since the trial's frame 1."""
    if "EVENT" not in parameters or "TIMES" not in parameters["EVENT"]:
        return ()
    times = np.asarray(parameters["EVENT"]["TIMES"]["value"], dtype=float)
    names = [str(name).strip() for name in parameters["EVENT"]["LABELS"]["value"]]
    if times.ndim != 2 or times.shape[0] != 2:
        return ()
    seconds = 60.0 * times[0] + times[1] - first_s
    return tuple(Event(name, float(at)) for name, at in zip(names, seconds, strict=False) if name)


# -- CSV of poses ----------------------------------------------------------------------------------


def read_pose_csv(path: Path) -> PoseTable:
    """Read a CSV of places and attitudes of one segment.

    The header is ``time_s,pos_x_m,pos_y_m,pos_z_m`` and ``quat_w,quat_x,quat_y,quat_z`` or the
    rotation matrix ``rot_xx,rot_xy,rot_xz,rot_yx,...,rot_zz`` by rows (its columns are the
    segment's axes in the laboratory). Attitudes turn the segment's vectors into the
    laboratory's. A frame that isn't known has empty cells, or no line.

    Raises
    ------
    CaptureError
    """
    _check_size(path, MOST_TEXT_BYTES)
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise CaptureError(path, "is not UTF-8 text: save it as 'CSV UTF-8'") from error
    except OSError as error:
        raise CaptureError(path, f"cannot be read: {describe_os_error(error)}") from error
    lines = csv.reader(io.StringIO(text))
    header = [name.strip() for name in next(_sound(path, lines), [])]
    turned = _QUAT if set(_QUAT) <= set(header) else _MATRIX
    needed = ("time_s", *_PLACE, *turned)
    missing = [name for name in needed if name not in header]
    if missing:
        raise CaptureError(
            path,
            f"there is no column {', '.join(missing)}: poses need {', '.join(POSE_COLUMNS)}, or "
            f"{_MATRIX[0]} ... {_MATRIX[-1]} instead of the quaternion",
        )
    where = [header.index(name) for name in needed]
    rows, numbers = [], []
    for cells in _sound(path, lines):
        if not any(cell.strip() for cell in cells):
            continue
        if len(cells) != len(header):
            raise CaptureError(
                path, f"line {lines.line_num} has {len(cells)} values, the header {len(header)}"
            )
        try:
            row = [float(cells[k].strip() or "nan") for k in where]
        except ValueError as error:
            raise CaptureError(path, f"line {lines.line_num} has what is no number") from error
        if not math.isfinite(row[0]):
            raise CaptureError(path, f"line {lines.line_num} has no time_s")
        rows.append(row)
        numbers.append(lines.line_num)
    return _table(path, np.array(rows).reshape(-1, len(needed)), numbers)


def _sound(path: Path, lines: Any) -> Iterator[list[str]]:
    """Lines of a CSV file, or what is wrong with it."""
    try:
        yield from lines
    except csv.Error as error:
        raise CaptureError(path, f"line {lines.line_num} is no CSV: {error}") from error


def _table(path: Path, rows: Floats, numbers: Sequence[int]) -> PoseTable:
    """Poses on an equidistant grid, checked."""
    time_s = rows[:, 0]
    if np.abs(time_s).max(initial=0.0) > 1e9:
        raise CaptureError(path, "time_s must be in seconds")
    if len(rows) < 2 or np.any(np.diff(time_s) <= 0.0):
        raise CaptureError(path, "time_s must rise from line to line: sort the lines")
    rate_hz = 1.0 / robust_period_s(time_s)
    frame = (time_s - time_s[0]) * rate_hz
    _check_rate(path, rate_hz, round(float(frame[-1])) + 1)
    off = np.abs(frame - np.rint(frame))
    if float(off.max()) > _STEP:
        line = numbers[int(np.argmax(off))]
        raise CaptureError(
            path,
            f"line {line} is not at a whole frame: poses must have one rate; frames without "
            "a pose have no line",
        )
    if np.nanmax(np.abs(rows[:, 1:4]), initial=0.0) > FARTHEST_M:
        raise CaptureError(path, "has places over 10 km away: they must be in m")
    known: NDArray[np.bool_] = np.asarray(np.all(np.isfinite(rows[:, 1:]), axis=1))
    quat = _attitudes(path, rows[:, 4:], known, numbers)
    n = round(float(frame[-1])) + 1
    at = np.rint(frame).astype(int)
    out_quat, out_pos = np.full((n, 4), np.nan), np.full((n, 3), np.nan)
    out_quat[at[known]] = quat_continuous(quat)
    out_pos[at[known]] = rows[known, 1:4]
    return PoseTable(quat_wxyz=out_quat, pos_m=out_pos, rate_hz=rate_hz)


def _attitudes(
    path: Path, turned: Floats, known: NDArray[np.bool_], numbers: Sequence[int]
) -> Floats:
    """Quaternions (k, 4) of the known rows."""
    part = turned[known]
    lines = np.array(numbers)[known]
    if part.shape[1] == 4:
        length = np.linalg.norm(part, axis=1)
        bad = np.abs(length - 1.0) > _UNIT_LENGTH
        if bad.any():
            raise CaptureError(
                path,
                f"line {lines[bad][0]}: the quaternion's length is {length[bad][0]:.3g}, not 1",
            )
        return np.asarray(part / length[:, None])
    matrix = part.reshape(-1, 3, 3)
    off = np.abs(np.swapaxes(matrix, 1, 2) @ matrix - np.eye(3)).max(axis=(1, 2), initial=0.0)
    bad = (off > 2.0 * _UNIT_LENGTH) | (np.linalg.det(matrix) < 0.0)
    if bad.any():
        raise CaptureError(
            path,
            f"line {lines[bad][0]}: the matrix is no rotation (columns of length 1, at right "
            "angles, right-handed)",
        )
    u, _, vt = np.linalg.svd(matrix)
    return np.array([quat_from_matrix(m) for m in u @ vt]).reshape(-1, 4)
