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
from typing import Annotated, Any, Final

from msgspec import Meta

from sensor.errors import NewerFormatError, RecordingError
from sensor.recording.likeness import folder_likeness
from sensor.recording.output import whole_file
from sensor.recording.schema import (
    Hand,
    Id,
    Mount,
    Name,
    SchemaError,
    Word,
    check,
    check_version,
    free,
    instant,
    one_of,
    parse_json,
    plain_reading,
    read_small,
)

FORMAT_VERSION: Final = 1
SESSION_FILE: Final = "session.json"


MOST_BYTES: Final = 1_000_000

SAMPLE_KINDS: Final = ("counts", "float")

Rate = Annotated[float, Meta(gt=0, le=100_000, description="a number over 0, up to 100,000")]
"""Hz: some hundred times what any motion sensor gives."""
Positive = Annotated[float, Meta(gt=0, le=1e6, description="a number over 0, up to a million")]
Delay = Annotated[float, Meta(ge=0, le=10_000, description="a number of milliseconds, 0 or more")]


@functools.cache
def program_version() -> str:
    """Version of the installed program, for the record."""
    from importlib import metadata

    try:
        return metadata.version("unhurried")
    except metadata.PackageNotFoundError:
        return "unknown"


def delay_of_cutoff_ms(cutoff_hz: float) -> float:
    """Low-frequency delay of a low-pass filter of second order (Butterworth), in ms."""
    return 1e3 * math.sqrt(2.0) / (2.0 * math.pi * cutoff_hz)


LEAST_DELAY_MS: Final = delay_of_cutoff_ms(250.0)
MOST_DELAY_MS: Final = delay_of_cutoff_ms(20.0)
"""What a gyroscope's own low-pass filter may delay by: cut-offs of 20 to 250 Hz (what chips are set
to; from memory), 0.9 to 11.3 ms."""

UNKNOWN_DELAY_MS: Final = (LEAST_DELAY_MS + MOST_DELAY_MS) / 2.0
"""The middle, 6.1 ms: it is taken off where nothing is known. Not the mean of what is likely, since
a sensor has one filter and errs alike in all its swings: its intervals have to hold for any."""

UNKNOWN_DELAY_U_MS: Final = 3.8
"""Its standard uncertainty: 3.0 ms for a rectangular distribution between the two (JCGM 100:2008,
4.3.7), and so much more that at either end 90 % of the intervals hold, with 0 to 3 ms from
elsewhere."""


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
    gyr_delay_ms : float or None
        Low-frequency delay of the gyroscope's own low-pass filter, from its data sheet. None where
        it isn't known. In recordings of real sensors from before that could be said, 0 stands for
        not known as well: no chip has none.
    gyr_delay_u_ms : float or None
        Its standard uncertainty, where that is known.
    acc_delay_ms : float
        The same of the accelerometer's.
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

    id: Id
    start: Word
    nominal_rate_hz: Rate
    program_version: Word = field(default_factory=program_version)
    sensor: Mapping[str, Any] = field(default_factory=dict)
    mount: Mount | None = None
    gyr_range_dps: Positive | None = None
    acc_range_g: Positive | None = None
    gyr_dps_per_count: Positive | None = None
    acc_m_s2_per_count: Positive | None = None
    gyr_delay_ms: Delay | None = None
    gyr_delay_u_ms: Delay | None = None
    acc_delay_ms: Delay = 0.0
    handedness: Hand | None = None
    player: Name | None = None
    club: Name | None = None
    sample_kind: Annotated[str, one_of(*SAMPLE_KINDS)] = "counts"
    extra: Mapping[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        check(self)
        instant(self.start, "start")
        free(self.sensor, "sensor")
        free(self.extra, "extra")
        if self.sample_kind == "counts":
            for name in ("gyr_dps_per_count", "acc_m_s2_per_count"):
                if getattr(self, name) is None:
                    raise SchemaError("is missing: counts need their scale", name)

    @property
    def gyr_delay_known(self) -> bool:
        """Whether the delay of the gyroscope's filter is known."""
        if self.gyr_delay_ms is None:
            return False
        return self.gyr_delay_ms > 0.0 or bool(self.sensor.get("simulated"))

    @property
    def gyr_delay_s(self) -> float:
        """The delay that is taken off: the known one, else the middle of what there may be."""
        if self.gyr_delay_ms is None or not self.gyr_delay_known:
            return UNKNOWN_DELAY_MS / 1e3
        return self.gyr_delay_ms / 1e3

    @property
    def gyr_delay_u_s(self) -> float:
        """Its standard uncertainty."""
        if not self.gyr_delay_known:
            return UNKNOWN_DELAY_U_MS / 1e3
        return (self.gyr_delay_u_ms or 0.0) / 1e3

    @property
    def gyr_scale_u(self) -> float | None:
        """Relative standard uncertainty of the gyroscope's scale, where its profile said it."""
        said = self.sensor.get("gyr_scale_u")
        known = isinstance(said, float) and 0.0 < said <= 0.2
        return said if known else None

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


def session_from_json(data: bytes, path: Path) -> Session:
    """Read what `session.json` holds.

    Raises
    ------
    NewerFormatError
        The file has a later format than this version knows.
    RecordingError
        The file is broken.
    """
    with plain_reading(path, RecordingError, newer=NewerFormatError):
        document = parse_json(data, dict[str, Any])
        if "format_version" not in document:
            raise RecordingError(path, "is not from a recording: it has no format_version")
        check_version(document, FORMAT_VERSION, key="format_version")
        del document["format_version"]
        names = {item.name for item in dataclasses.fields(Session)} - {"extra"}
        known = {key: value for key, value in document.items() if key in names}
        extra = {key: value for key, value in document.items() if key not in names}
        missing = sorted({"id", "start", "nominal_rate_hz", "sample_kind"} - set(known))
        if missing:
            raise SchemaError("is missing", missing[0])
        known.setdefault("program_version", "unknown")
        return Session(**known, extra=extra)


def read_session(folder: Path) -> Session:
    """Read `session.json` of a recording's folder.

    Raises
    ------
    NewerFormatError, RecordingError
    """
    path = folder / SESSION_FILE
    try:
        with plain_reading(path, RecordingError):
            data = read_small(path, most=MOST_BYTES)
    except (FileNotFoundError, NotADirectoryError) as error:
        what = folder_likeness(folder, SESSION_FILE)
        like = "" if what is None else f"; it looks like {what}"
        raise RecordingError(
            folder, f"is not a recording: it has no {SESSION_FILE}{like}"
        ) from error
    return session_from_json(data, path)


def write_session(folder: Path, session: Session) -> None:
    """Write `session.json`, whole or not at all."""
    with whole_file(folder / SESSION_FILE) as file:
        file.write(session.to_json().encode())
