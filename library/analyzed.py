"""A recording as it was measured, without what people said."""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from library.errors import json_cell
from sensor.recording.annotations import SwingSpan

GONE: Final = "gone"
"""Instead of who swung: a player who was deleted."""

Row = dict[str, Any]


AS_THEY_ARE: Final = (
    "id",
    "path",
    "start",
    "mount",
    "sensor_key",
    "rate_hz",
    "period_s",
    "duration_s",
    "lost_samples",
    "short_strokes",
    "analysis_version",
    "program_version",
    "files",
    "calibration",
)
"""What a session's row has as it is in `Analyzed`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredSwing:
    """A swing as the analysis gave it, and where it is among the samples.

    Attributes
    ----------
    values : mapping
        As ``analyze --json`` has them; ``budget`` too where there is one.
    span : SwingSpan
    at_seq, at_s : float
        The same instant of the swing as sample number and as time, to go from one to the other.
    """

    values: Mapping[str, Any]
    span: SwingSpan
    at_seq: float
    at_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Analyzed:
    """One recording, measured: all that the library takes from it.

    Attributes
    ----------
    id, start, mount, rate_hz, duration_s, lost_samples, short_strokes, analysis_version
        As in ``analyze --json``.
    path : str
    sensor : mapping
    sensor_key : str or None
    period_s : float
    program_version : str
    files : str
        Fingerprint of the raw files.
    calibration : str
        Which calibration of the sensor was applied; empty if none.
    warnings : tuple of str
    segments : tuple of (seq, start_s, fields)
        As recorded, the first one from the first sample on.
    felt : tuple of (seq, fields)
        What the player said while recording, about the last swing before.
    notes : tuple of (seq, text)
    swings : tuple of MeasuredSwing
    sore : int or None
        Sample at which something was sore; the player's plan keeps it, not the session's row.
    """

    id: str
    path: str
    start: str
    mount: str | None
    sensor: Mapping[str, Any]
    sensor_key: str | None
    rate_hz: float
    period_s: float
    duration_s: float
    lost_samples: int
    short_strokes: int
    analysis_version: str
    program_version: str
    files: str
    calibration: str = ""
    warnings: tuple[str, ...] = ()
    segments: tuple[tuple[int, float, Mapping[str, Any]], ...] = ()
    felt: tuple[tuple[int, Mapping[str, str]], ...] = ()
    notes: tuple[tuple[int, str], ...] = ()
    swings: tuple[MeasuredSwing, ...] = field(default=())
    sore: int | None = None

    def recorded(self, forgotten: Collection[int] = ()) -> str:
        """Return what the raw files say beside the swings, to be kept in the session's row.

        Parameters
        ----------
        forgotten : collection of int
            Recorded segments of players who were deleted: only that there was one is kept.
        """
        starts = [seq for seq, _, _ in self.segments]

        def kept(seq: int) -> bool:
            before = [start for start in starts if start <= seq]
            return not before or before[-1] not in forgotten

        return json.dumps(
            {
                "segments": [
                    (seq, at, {GONE: True} if seq in forgotten else fields)
                    for seq, at, fields in self.segments
                ],
                "felt": [one for one in self.felt if kept(one[0])],
                "notes": [one for one in self.notes if kept(one[0])],
            },
            ensure_ascii=False,
            sort_keys=True,
        )

    @classmethod
    def from_rows(cls, session: Row, swings: Sequence[Row]) -> Analyzed:
        """Make it again from what the library keeps."""
        recorded = json_cell(session["recorded"], dict)
        return cls(
            **{name: session[name] for name in AS_THEY_ARE},
            sensor=json_cell(session["sensor"], dict),
            warnings=tuple(json_cell(session["warnings"], list)),
            segments=tuple((seq, at, fields) for seq, at, fields in recorded["segments"]),
            felt=tuple((seq, fields) for seq, fields in recorded["felt"]),
            notes=tuple((seq, text) for seq, text in recorded["notes"]),
            swings=tuple(
                MeasuredSwing(
                    values=document["values"],
                    span=SwingSpan(**document["span"]),
                    at_seq=document["at_seq"],
                    at_s=document["at_s"],
                )
                for document in swings
            ),
        )
