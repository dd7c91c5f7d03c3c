"""``markers.jsonl``: what happened while recording, a line each, at the sample it belongs to."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Final

from msgspec import Meta

from sensor.errors import RecordingError
from sensor.recording.layout import MARKERS_FILE
from sensor.recording.schema import (
    LONGEST_FREE,
    Count,
    Hand,
    Name,
    SchemaError,
    Seq,
    Word,
    check,
    convert,
    free,
    one_of,
    parse_json,
    plain_reading,
    read_small,
)
from sensor.recording.vocabulary import INTENTS

_Kind = Annotated[str, Meta(min_length=1, max_length=100)]
_Note = Annotated[str, Meta(max_length=LONGEST_FREE)]
_TYPED: Final[Mapping[str, Mapping[str, Any]]] = {"note": {"text": _Note}, "hold": {"held": bool}}

Spans = Sequence[tuple[float, float]]
"""Stretches of samples: first and last of each, the last infinite where it wasn't ended."""


@dataclass(frozen=True, slots=True)
class Marker:
    """One line of ``markers.jsonl``."""

    kind: str
    seq: int
    fields: Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Segment:
    """Who swings what, from a marker until the next; None where nobody said.

    Raises
    ------
    ValueError
        A field is not what it must be; the message names it.
    """

    player: Name | None = None
    handedness: Hand | None = None
    club: Name | None = None
    intent: Annotated[str, one_of(*INTENTS)] | None = None
    ball: bool | None = None
    block: Word | Count | None = None

    def __post_init__(self) -> None:
        check(self)


_SEGMENT: Final = tuple(item.name for item in dataclasses.fields(Segment))


def marker_of(kind: object, seq: object, fields: Mapping[str, Any]) -> Marker:
    """Return a marker, written or read, if it is what it must be.

    Fields that this version doesn't know stay as they are.

    Raises
    ------
    SchemaError
    """
    marker = Marker(convert(kind, _Kind, "kind"), convert(seq, Seq, "seq"), fields)
    free(fields, marker.kind)
    if marker.kind == "segment":
        segment_of(marker)
    for name, schema in _TYPED.get(marker.kind, {}).items():
        convert(fields.get(name, ""), schema, name)
    return marker


def segment_of(marker: Marker) -> Segment:
    """Return who swings what from a segment's marker on."""
    return Segment(**{name: marker.fields[name] for name in _SEGMENT if name in marker.fields})


def held_spans(markers: Iterable[Marker]) -> list[tuple[float, float]]:
    """Return the stretches in which nothing counts: from each ``hold`` to where it was let go.

    Parameters
    ----------
    markers : iterable of Marker
        In the order in which they were written.

    Returns
    -------
    list of (float, float)
        Sample numbers; the last is infinite where the recording ended held.
    """
    out: list[tuple[float, float]] = []
    since: float | None = None
    for marker in markers:
        if marker.kind != "hold":
            continue
        if marker.fields.get("held") is True:
            since = marker.seq if since is None else since
        elif since is not None:
            out.append((since, float(marker.seq)))
            since = None
    return out if since is None else [*out, (since, math.inf)]


def in_hold(spans: Spans, *seqs: float) -> bool:
    """Tell whether one of these samples lies in a stretch in which nothing counts."""
    return any(first < seq <= last for first, last in spans for seq in seqs)


def read_markers(folder: Path) -> tuple[list[Marker], list[str]]:
    """Read ``markers.jsonl``; a line that is cut short or damaged is passed over and told.

    Returns
    -------
    markers : list of Marker
    warnings : list of str

    Raises
    ------
    RecordingError
        The file cannot be read, or is larger than any of ours.
    """
    path = folder / MARKERS_FILE
    try:
        with plain_reading(path, RecordingError):
            data = read_small(path)
    except FileNotFoundError:
        return [], []
    markers = []
    broken = 0
    for line in data.split(b"\n"):
        if not line.strip():
            continue
        try:
            fields = parse_json(line, dict[str, Any])
            markers.append(marker_of(fields.pop("kind", None), fields.pop("seq", None), fields))
        except SchemaError:
            broken += 1
    warnings = [passed_over(broken, "line", MARKERS_FILE)] if broken else []
    return markers, warnings


def passed_over(count: int, what: str, file: str) -> str:
    """Say that so many damaged rows or lines of a file are not used."""
    if count == 1:
        return f"1 damaged {what} in {file} is passed over"
    return f"{count} damaged {what}s in {file} are passed over"
