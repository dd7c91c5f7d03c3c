"""`session.json`: what is known about a recording from its first moment."""

from __future__ import annotations

import dataclasses
import functools
import json
import math
import uuid
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from sensor.errors import NewerFormatError, RecordingError
from sensor.output import describe_os_error, whole_file

FORMAT_VERSION: Final = 1
SESSION_FILE: Final = "session.json"

MOUNTS: Final = ("wrist", "glove", "club", "trunk")
HANDS: Final = ("right", "left")
SAMPLE_KINDS: Final = ("counts", "float")


@functools.cache
def program_version() -> str:
    """Version of the installed program, for the record."""
    from importlib import metadata

    try:
        return metadata.version("unhurried")
    except metadata.PackageNotFoundError:
        return "unknown"


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """Facts about one recording.

    Attributes
    ----------
    id : str
        UUID of the recording.
    start : str
        ISO 8601 with offset.
    program_version : str
        Version of the program that wrote it.
    sensor : mapping
        As the sensor reports itself: name, model, firmware, battery_percent, simulated, ...
    mount : {"wrist", "glove", "club", "trunk"} or None
        Where the sensor was worn.
    nominal_rate_hz : float
        Sample rate as set; the measured one follows from the time base.
    gyr_range_dps, acc_range_g : float or None
        Largest reading of each; larger ones are clipped.
    gyr_dps_per_count, acc_m_s2_per_count : float or None
        Scale of the counts; None where the samples are floats in units already.
    gyr_delay_ms, acc_delay_ms : float
        Low-frequency delay of the chip's own low-pass filters, from its data sheet.
    handedness : {"right", "left"} or None
    player, club : str or None
        These three hold until the first segment marker.
    sample_kind : {"counts", "float"}
    extra : mapping
        Keys of the file that this version does not know, kept as they are.

    Raises
    ------
    ValueError
        A field is not what it must be; the message names it.
    """

    id: str
    start: str
    nominal_rate_hz: float
    program_version: str = field(default_factory=program_version)
    sensor: Mapping[str, Any] = field(default_factory=dict)
    mount: str | None = None
    gyr_range_dps: float | None = None
    acc_range_g: float | None = None
    gyr_dps_per_count: float | None = None
    acc_m_s2_per_count: float | None = None
    gyr_delay_ms: float = 0.0
    acc_delay_ms: float = 0.0
    handedness: str | None = None
    player: str | None = None
    club: str | None = None
    sample_kind: str = "counts"
    extra: Mapping[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        _check_text(self, "id", "start", "program_version")
        _check_start(self.start)
        _check_text(self, "player", "club", optional=True)
        _check_choice("mount", self.mount, MOUNTS, optional=True)
        _check_choice("handedness", self.handedness, HANDS, optional=True)
        _check_choice("sample_kind", self.sample_kind, SAMPLE_KINDS)
        _check_positive(self, "nominal_rate_hz")
        _check_positive(self, "gyr_range_dps", "acc_range_g", optional=True)
        scales = ("gyr_dps_per_count", "acc_m_s2_per_count")
        _check_positive(self, *scales, optional=self.sample_kind == "float")
        for name in ("gyr_delay_ms", "acc_delay_ms"):
            value = getattr(self, name)
            if not _is_number(value) or value < 0.0:
                raise ValueError(f"'{name}' must be a number of milliseconds, 0 or more")
        for name in ("sensor", "extra"):
            if not isinstance(getattr(self, name), Mapping):
                raise ValueError(f"'{name}' must be an object")

    @classmethod
    def new(cls, *, nominal_rate_hz: float, **fields: Any) -> Session:
        """Make a session that starts now, with a new id; `fields` as in the class."""
        fields.setdefault("id", str(uuid.uuid4()))
        fields.setdefault("start", datetime.now().astimezone().isoformat(timespec="milliseconds"))
        return cls(nominal_rate_hz=nominal_rate_hz, **fields)

    def to_json(self) -> str:
        """Return the text of `session.json`."""
        document: dict[str, Any] = {"format_version": FORMAT_VERSION}
        for item in dataclasses.fields(self):
            if item.name != "extra":
                value = getattr(self, item.name)
                document[item.name] = dict(value) if isinstance(value, Mapping) else value
        document.update((k, v) for k, v in self.extra.items() if k not in document)
        return json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def session_from_json(text: str, path: Path) -> Session:
    """Read the text of `session.json`.

    Raises
    ------
    NewerFormatError
        The file has a later format than this version knows.
    RecordingError
        The file is broken.
    """
    try:
        document = json.loads(text)
    except ValueError as error:
        raise RecordingError(path, "is broken: it is not JSON; use a copy if there is one") from (
            error
        )
    if not isinstance(document, dict) or "format_version" not in document:
        raise RecordingError(path, "is not from a recording: it has no format_version")
    version = document.pop("format_version")
    if not isinstance(version, int) or isinstance(version, bool) or version < 1:
        raise RecordingError(path, f"is broken: format_version is {version!r}")
    if version > FORMAT_VERSION:
        writer = document.get("program_version")
        raise NewerFormatError(
            path,
            f"has format {version}, written by unhurried {writer}; this version reads formats up "
            f"to {FORMAT_VERSION}: update unhurried",
        )
    names = {item.name for item in dataclasses.fields(Session)} - {"extra"}
    known = {key: value for key, value in document.items() if key in names}
    extra = {key: value for key, value in document.items() if key not in names}
    missing = sorted({"id", "start", "nominal_rate_hz", "sample_kind"} - set(known))
    if missing:
        raise RecordingError(path, f"is broken: '{missing[0]}' is missing")
    known.setdefault("program_version", "unknown")
    try:
        return Session(**known, extra=extra)
    except ValueError as error:
        raise RecordingError(path, f"is broken: {error}") from error


def read_session(folder: Path) -> Session:
    """Read `session.json` of a recording's folder.

    Raises
    ------
    NewerFormatError, RecordingError
    """
    path = folder / SESSION_FILE
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError as error:
        raise RecordingError(folder, f"is not a recording: it has no {SESSION_FILE}") from error
    except UnicodeDecodeError as error:
        raise RecordingError(path, "is broken: it is not text; use a copy if there is one") from (
            error
        )
    except OSError as error:
        raise RecordingError(path, f"cannot be read: {describe_os_error(error)}") from error
    return session_from_json(text, path)


def write_session(folder: Path, session: Session) -> None:
    """Write `session.json`, whole or not at all."""
    with whole_file(folder / SESSION_FILE) as file:
        file.write(session.to_json().encode())


def _is_number(value: object) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value)


def _check_text(session: Session, *names: str, optional: bool = False) -> None:
    for name in names:
        value = getattr(session, name)
        if not (optional and value is None) and not (isinstance(value, str) and value):
            raise ValueError(f"'{name}' must be text")


def _check_start(start: str) -> None:
    try:
        aware = datetime.fromisoformat(start).tzinfo is not None
    except ValueError:
        aware = False
    if not aware:
        raise ValueError("'start' must be a date and time with its offset, as ISO 8601 writes it")


def _check_choice(
    name: str, value: object, choices: tuple[str, ...], *, optional: bool = False
) -> None:
    if not (optional and value is None) and value not in choices:
        raise ValueError(f"'{name}' must be one of {', '.join(choices)}")


def _check_positive(session: Session, *names: str, optional: bool = False) -> None:
    for name in names:
        value = getattr(session, name)
        if not (optional and value is None) and not (_is_number(value) and value > 0.0):
            raise ValueError(f"'{name}' must be a number over 0")
