"""The calibration of one sensor: what it is, how it is applied, and where it is kept.

A calibration never touches a recording's files: it corrects values as they are read. All
calibrations of a sensor are kept in one file, ``sensors/<key>.json`` in the home, oldest first;
none is ever overwritten or deleted, only withdrawn. How one is found: `sensor.calibration.fit`.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any, Final

import numpy as np
import numpy.typing as npt
from msgspec import Meta

from sensor.errors import SensorError
from sensor.recording.output import describe_os_error, whole_file
from sensor.recording.schema import (
    Count,
    Name,
    SchemaError,
    Word,
    check,
    check_version,
    convert,
    free,
    inside,
    instant,
    parse_json,
    plain_reading,
    read_small,
)
from words.units import UNCALIBRATED_GYR_U

Array = npt.NDArray[np.float64]
Number = Annotated[float, Meta(ge=-1e6, le=1e6, description="a number of up to a million")]
Share = Annotated[float, Meta(gt=0, lt=1, description="a share between 0 and 1")]
Row = tuple[Number, Number, Number]
Matrix = tuple[Row, Row, Row]
_ROWS: Final = ("acc_offset_m_s2", "acc_offset_u_m_s2", "acc_scale_u", "gyr_axis_u")

MOST_BYTES: Final = 4_000_000

FORMAT_VERSION: Final = 1
SENSORS_FOLDER: Final = "sensors"
SAME_RANGE: Final = 1e-3


class CalibrationError(SensorError):
    """A calibration cannot be made, read or kept; the text says why and what to do."""


def sensor_key(sensor: Mapping[str, Any]) -> str | None:
    """Return a file-safe name that is this sensor's own, or None if it doesn't say who it is.

    Parameters
    ----------
    sensor : mapping
        As in ``session.json``: its serial number, with maker and model where given (serial numbers
        of two makers may be the same), else its address.
    """
    serial = _own(sensor.get("serial"))
    if serial is not None:
        maker = [sensor.get(name) for name in ("manufacturer", "model")]
        words = [str(word).strip() for word in maker if word and str(word).strip()]
        return _file_safe("-".join([*words, serial]))
    address = _own(sensor.get("address"))
    return None if address is None else _file_safe(address)


def _own(value: Any) -> str | None:
    """A serial number or address, unless it is one that tells nothing."""
    text = "" if value is None else str(value).strip()
    bare = re.sub(r"[^0-9a-z]", "", text.lower())
    # Sensors whose maker never set a number report zeros, all F, "n/a" and the like.
    if len(set(bare)) < 2 or bare in ("na", "none", "null", "unknown", "serialnumber"):
        return None
    return text


def _file_safe(text: str) -> str:
    plain = re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")[:60]
    if re.fullmatch(r"[A-Za-z0-9:. _-]+", text) and len(text) <= 60:
        return plain
    # What was cut or replaced must not make two sensors one.
    return f"{plain}-{hashlib.sha256(text.encode()).hexdigest()[:8]}".strip("-")


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """Corrections of one sensor, with their standard uncertainties.

    True specific force is ``acc_matrix @ (reading - acc_offset_m_s2)``, true angular velocity
    ``gyr_matrix @ reading`` (its zero is the swing finder's business: it wanders). Both matrices
    are symmetric: scale factors on the diagonal, and beside it what one axis sees of another.

    Attributes
    ----------
    key : str
        Whose: `sensor_key`, or a name that a person gave.
    made_at : str
        ISO 8601 with offset: when the procedure was recorded.
    acc_offset_m_s2, acc_matrix : (3,), (3, 3), or None
        None: the accelerometer wasn't calibrated.
    gyr_matrix : (3, 3) or None
        None: the gyroscope wasn't calibrated.
    acc_offset_u_m_s2, acc_scale_u : (3,) or None
        The second as a share.
    gyr_axis_u : (3,) or None
        Of the scale for rotation about each axis, as a share.
    gyr_scale_u : float
        The greatest of the scale for rotation about any axis, as a share; 0.02 if uncalibrated.
    n_positions, n_turns : int
        What it rests on.
    gravity_m_s2, gravity_u_m_s2, angle_deg, angle_u_deg : float or None
        What was taken as known.
    gyr_range_dps, acc_range_g : float or None
        Ranges in use: another range of the same chip may have another scale.
    withdrawn_at : str or None
        Set: no longer used by itself.
    extra : mapping
        More to know: the sensor, the recording, notes.
    """

    key: Name
    made_at: Word
    acc_offset_m_s2: Row | None = None
    acc_matrix: Matrix | None = None
    gyr_matrix: Matrix | None = None
    acc_offset_u_m_s2: Row | None = None
    acc_scale_u: Row | None = None
    gyr_axis_u: Row | None = None
    gyr_scale_u: Share = UNCALIBRATED_GYR_U
    n_positions: Count = 0
    n_turns: Count = 0
    gravity_m_s2: Number | None = None
    gravity_u_m_s2: Number | None = None
    angle_deg: Number | None = None
    angle_u_deg: Number | None = None
    gyr_range_dps: Number | None = None
    acc_range_g: Number | None = None
    withdrawn_at: Word | None = None
    extra: Mapping[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for name in _ROWS:
            if (value := getattr(self, name)) is not None:
                object.__setattr__(self, name, convert(value, Row, name))
        for name in ("acc_matrix", "gyr_matrix"):
            if (value := getattr(self, name)) is not None:
                matrix = convert(value, Matrix, name)
                if not np.allclose(np.array(matrix), np.eye(3), atol=0.2):
                    raise SchemaError("is not near 1 on the diagonal and 0 beside it", name)
                object.__setattr__(self, name, matrix)
        check(self)
        free(self.extra, "extra")
        for name in ("made_at", "withdrawn_at"):
            if (text := getattr(self, name)) is not None:
                instant(text, name)
        if (self.acc_matrix is None) != (self.acc_offset_m_s2 is None):
            raise SchemaError("and 'acc_offset_m_s2' go together", "acc_matrix")

    # -- use -------------------------------------------------------------------------------

    def apply(self, acc_m_s2: Array, gyr_dps: Array) -> tuple[Array, Array]:
        """Return corrected copies of readings.

        Sums are written out: a matrix product may round differently for another number of rows,
        and the analysis must not depend on how samples come in pieces.

        Parameters
        ----------
        acc_m_s2, gyr_dps : (n, 3)
        """
        acc = np.array(acc_m_s2, dtype=float)
        gyr = np.array(gyr_dps, dtype=float)
        if self.acc_matrix is not None:
            acc = _times(self.acc_matrix, acc - np.array(self.acc_offset_m_s2))
        if self.gyr_matrix is not None:
            gyr = _times(self.gyr_matrix, gyr)
        return acc, gyr

    def gyr_limit_dps(self, limit_dps: float) -> float:
        """Return the corrected reading from which on a channel may be at its stop."""
        if self.gyr_matrix is None:
            return limit_dps
        return _least(self.gyr_matrix, limit_dps, (0.0, 0.0, 0.0))

    def acc_limit_m_s2(self, limit_m_s2: float) -> float:
        """Return the corrected reading from which on a channel may be at its stop."""
        if self.acc_matrix is None or self.acc_offset_m_s2 is None:
            return limit_m_s2
        return _least(self.acc_matrix, limit_m_s2, self.acc_offset_m_s2)

    def fits(self, gyr_range_dps: float | None, acc_range_g: float | None) -> bool:
        """Say whether it was made in these ranges, as far as they are known."""
        return _same(self.gyr_range_dps, gyr_range_dps) and _same(self.acc_range_g, acc_range_g)

    def describe(self) -> str:
        """Say in a few words which calibration this is."""
        parts = []
        if self.acc_matrix is not None:
            parts.append(f"{self.n_positions} positions")
        if self.gyr_matrix is not None:
            parts.append(f"{self.n_turns} turns")
        return f"{self.key}, {self.made_at[:16].replace('T', ' ')} ({', '.join(parts)})"

    # -- text ------------------------------------------------------------------------------

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        out: dict[str, Any] = {}
        for item in dataclasses.fields(self):
            value = getattr(self, item.name)
            if item.name != "extra":
                out[item.name] = json.loads(json.dumps(value))
        return {**out, **{k: v for k, v in self.extra.items() if k not in out}}

    @classmethod
    def from_dict(cls, document: Mapping[str, Any]) -> Calibration:
        """Read what `to_dict` wrote.

        Raises
        ------
        ValueError
            It isn't a calibration; the text says what is wrong.
        """
        names = {item.name for item in dataclasses.fields(cls)} - {"extra"}
        missing = sorted({"key", "made_at", "gyr_scale_u"} - set(document))
        if missing:
            raise SchemaError("is missing", missing[0])
        known = {k: v for k, v in document.items() if k in names}
        return cls(**known, extra={k: v for k, v in document.items() if k not in names})


def _times(matrix: Matrix, x: Array) -> Array:
    out = np.empty_like(x)
    for i, row in enumerate(matrix):
        out[:, i] = row[i] * x[:, i]
        for j, factor in enumerate(row):
            # Without a share of the others, equal readings stay equal: a stop is told from runs
            # of them where the range isn't known.
            if j != i and factor != 0.0:
                out[:, i] += factor * x[:, j]
    return out


def _least(matrix: Matrix, limit: float, offset: Sequence[float]) -> float:
    """Least that a reading at its limit on any axis, and anything within on the others, becomes.

    The axis itself is the least where its offset takes from it, what the others add to it is the
    most where theirs add to them.
    """
    least = []
    for i, row in enumerate(matrix):
        others = sum(abs(row[j]) * (limit + abs(offset[j])) for j in range(3) if j != i)
        least.append(row[i] * (limit - abs(offset[i])) - others)
    return min(least)


def _same(a: float | None, b: float | None) -> bool:
    return a is None or b is None or abs(a - b) <= SAME_RANGE * abs(a)


# -- files in the home -------------------------------------------------------------------------


def sensor_file(home: Path, key: str) -> Path:
    """Where all that is known of one sensor is kept."""
    return home / SENSORS_FOLDER / f"{key}.json"


def read_sensor_file(home: Path, key: str) -> dict[str, Any]:
    """Return all that is kept of a sensor; empty if there is nothing.

    Raises
    ------
    CalibrationError
        The file is there but cannot be read.
    """
    try:
        return _document(sensor_file(home, key))
    except (FileNotFoundError, NotADirectoryError):
        return {}


_USE_COPY: Final = "use a copy, or move it away and calibrate again"


def _document(path: Path) -> dict[str, Any]:
    with plain_reading(path, _broken, remedy=_USE_COPY):
        document = parse_json(read_small(path, most=MOST_BYTES), dict[str, Any])
        check_version(document, FORMAT_VERSION, key="format_version", default=1)
        free(document)
        return document


def _broken(path: Path, problem: str) -> CalibrationError:
    return CalibrationError(f"{path}: {problem}")


def update_sensor_file(home: Path, key: str, **values: Any) -> Path:
    """Set some of what is kept of a sensor and leave the rest as it is; written whole.

    Raises
    ------
    CalibrationError, RecordingError
        What is there cannot be read, or it cannot be written.
    """
    document = {"format_version": FORMAT_VERSION, "key": key, **read_sensor_file(home, key)}
    document.update(values)
    path = sensor_file(home, key)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise CalibrationError(
            f"{path.parent}: cannot be made: {describe_os_error(error)}"
        ) from error
    with whole_file(path, overwrite=True) as file:
        text = json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
        file.write(text.encode())
    return path


def _calibrations(path: Path, document: Mapping[str, Any]) -> list[Calibration]:
    with plain_reading(path, _broken, remedy=_USE_COPY):
        items = convert(document.get("calibrations", []), _Items, "calibrations")
        found = []
        for index, item in enumerate(items):
            with inside(f"calibrations[{index}]"):
                found.append(Calibration.from_dict(item))
        return found


_Items = Annotated[list[dict[str, Any]], Meta(max_length=10_000)]


def known_sensors(home: Path) -> dict[str, list[Calibration]]:
    """Return every sensor with a calibration, withdrawn ones included, oldest first.

    Raises
    ------
    CalibrationError
        One of the files is broken.
    """
    out = {}
    for path in sorted((home / SENSORS_FOLDER).glob("*.json")):
        found = _calibrations(path, read_sensor_file(home, path.stem))
        if found:
            out[path.stem] = found
    return out


def completed(home: Path, calibration: Calibration) -> Calibration:
    """Fill in what a calibration lacks with what the sensor's earlier ones in use have.

    A procedure with still positions alone says nothing of the gyroscope, so it must not take that
    part away; nor the other way round. ``extra`` says from when a part is that was taken over, as
    ``gyr_made_at`` and ``acc_made_at``.

    Raises
    ------
    CalibrationError
        What is kept of the sensor cannot be read.
    """
    path = sensor_file(home, calibration.key)
    at = instant(calibration.made_at)
    for item in reversed(_calibrations(path, read_sensor_file(home, calibration.key))):
        usable = item.withdrawn_at is None and instant(item.made_at) <= at
        if not usable or not item.fits(calibration.gyr_range_dps, calibration.acc_range_g):
            continue
        for part, names in _PARTS.items():
            if getattr(calibration, f"{part}_matrix") is not None:
                continue
            if getattr(item, f"{part}_matrix") is None:
                continue
            made_at = item.extra.get(f"{part}_made_at", item.made_at)
            calibration = dataclasses.replace(
                calibration,
                **{name: getattr(item, name) for name in names},
                extra={**calibration.extra, f"{part}_made_at": made_at},
            )
    return calibration


_PARTS: Final[Mapping[str, tuple[str, ...]]] = {
    "acc": (
        "acc_offset_m_s2",
        "acc_matrix",
        "acc_offset_u_m_s2",
        "acc_scale_u",
        "n_positions",
        "gravity_m_s2",
        "gravity_u_m_s2",
    ),
    "gyr": ("gyr_matrix", "gyr_axis_u", "gyr_scale_u", "n_turns", "angle_deg", "angle_u_deg"),
}


def save_calibration(home: Path, calibration: Calibration) -> Path:
    """Add a calibration to those of its sensor; the earlier ones stay.

    Raises
    ------
    CalibrationError, RecordingError
    """
    document = read_sensor_file(home, calibration.key)
    _calibrations(sensor_file(home, calibration.key), document)
    items = [*document.get("calibrations", []), calibration.to_dict()]
    items.sort(key=lambda item: instant(item["made_at"]))
    return update_sensor_file(home, calibration.key, calibrations=items)


def withdraw_calibration(home: Path, key: str) -> Calibration:
    """Take the newest calibration of a sensor out of use; it stays in the file.

    Raises
    ------
    CalibrationError
        There is none in use.
    """
    path = sensor_file(home, key)
    found = _calibrations(path, read_sensor_file(home, key))
    for index in reversed(range(len(found))):
        if found[index].withdrawn_at is None:
            now = datetime.now().astimezone().isoformat(timespec="seconds")
            found[index] = dataclasses.replace(found[index], withdrawn_at=now)
            update_sensor_file(home, key, calibrations=[item.to_dict() for item in found])
            return found[index]
    raise CalibrationError(f"{key}: there is no calibration in use{_others(home)}")


def calibration_for(
    home: Path,
    sensor: Mapping[str, Any],
    start: str,
    *,
    gyr_range_dps: float | None = None,
    acc_range_g: float | None = None,
) -> Calibration | None:
    """Return what applies to a recording by itself: its sensor's newest one made before it began.

    Parameters
    ----------
    home : Path
    sensor, start : mapping, str
        As in ``session.json``.
    gyr_range_dps, acc_range_g : float, optional
        Ranges of the recording: one made in another range doesn't apply by itself.

    Raises
    ------
    CalibrationError
        What is kept of the sensor cannot be read.
    """
    key = sensor_key(sensor)
    if key is None:
        return None
    at = instant(start, "start")
    chosen = None
    for item in _calibrations(sensor_file(home, key), read_sensor_file(home, key)):
        before = instant(item.made_at) <= at
        if item.withdrawn_at is None and before and item.fits(gyr_range_dps, acc_range_g):
            chosen = item
    return chosen


def load_calibration(home: Path, name: str) -> Calibration:
    """Return the calibration that somebody asked for, whatever its date.

    Parameters
    ----------
    home : Path
    name : str
        A sensor's key (its newest one in use), or a file: one that `calibrate --out` wrote, or a
        sensor's whole file.

    Raises
    ------
    CalibrationError
        There is no such calibration.
    """
    path = Path(name)
    if path.is_file():
        document = _document(path)
        if "calibrations" not in document:
            document.pop("format_version", None)
            with plain_reading(path, _broken, remedy=_USE_COPY):
                return Calibration.from_dict(document)
    else:
        if "/" in name or "\\" in name or name.endswith(".json"):
            raise CalibrationError(f"{name}: there is no such file")
        path = sensor_file(home, name)
        document = read_sensor_file(home, name)
    used = [item for item in _calibrations(path, document) if item.withdrawn_at is None]
    if not used:
        raise CalibrationError(f"{name}: there is no calibration of this sensor{_others(home)}")
    return used[-1]


def _others(home: Path) -> str:
    folder = home / SENSORS_FOLDER
    names = ", ".join(sorted(path.stem for path in folder.glob("*.json")))
    return f": in {folder} there are {names}" if names else f": {folder} holds none"
