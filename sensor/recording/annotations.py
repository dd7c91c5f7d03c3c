"""What people add to a recording later: ``annotations.json`` beside the raw files.

Corrections, tags, labels, exclusions, how a swing felt, ball results, who a name stands for. The
raw files are never touched. The document is keyed by recording and by the `seq` of a swing's
impact, never by a swing's number, so a better analysis finds every word again. Each entry has the
time at which it was made: two copies of a recording merge by the newest entry a key, in any order
and with the same result. A removed entry stays as an empty one, so that merging doesn't bring it
back. The last changes are kept for undo.
"""

from __future__ import annotations

import contextlib
import itertools
import json
import os
import re
import sys
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import IO, Annotated, Any, Final

import msgspec
from msgspec import UNSET, Meta, UnsetType

from sensor.errors import NewerFormatError, RecordingError, SensorError
from sensor.recording.layout import ANNOTATIONS_FILE, ANNOTATIONS_VERSION
from sensor.recording.output import describe_os_error, whole_file
from sensor.recording.schema import (
    LAST_INSTANT,
    LONGEST_NAME,
    MOST_COUNT,
    Count,
    Hand,
    Id,
    Name,
    Number,
    SchemaError,
    Text,
    check_version,
    convert,
    instant,
    one_of,
    parse_json,
    plain_reading,
    read_small,
)
from sensor.recording.session import program_version, read_session
from sensor.recording.vocabulary import EVENTS, FELT, INTENTS, KINDS, RESULT_FIELDS

MATCH_S: Final = 0.15
"""A swing whose impact is so near to a key is the swing that was meant: a re-analysis moves an
impact by milliseconds, and the next swing is seconds away. (Chosen here.)"""

UNDO_KEPT: Final = 100  # changes that can be undone

FORGOTTEN: Final = "forgotten"
"""Instead of a player's id: what was recorded under this name is not kept in the library."""

Key = tuple[str, ...]
"""("session", field), ("identity", name), ("segment", seq) or ("swing", seq, field); seq in
decimal digits."""


class AnnotationError(SensorError):
    """A word that cannot be kept; ``str(error)`` says why."""


Place = Annotated[float, Meta(ge=0, le=MOST_COUNT, description="a sample number")]
Tags = Annotated[list[Text], Meta(max_length=100, description="a list of up to 100 words")]
Ball = Annotated[float, Meta(ge=-10_000, le=10_000, description="a number of up to 10,000")]
"""No ball flies 10 km, none is struck a metre from the middle of a face."""


class _Events(msgspec.Struct, forbid_unknown_fields=True):
    """Where the events of a swing are, by hand."""

    takeaway_seq: Place | UnsetType = UNSET
    top_seq: Place | UnsetType = UNSET
    impact_seq: Place | UnsetType = UNSET
    finish_seq: Place | UnsetType = UNSET

    def __post_init__(self) -> None:
        order = [at for name in EVENTS if isinstance(at := getattr(self, name), float)]
        if not order:
            raise SchemaError(f"must have some of {', '.join(EVENTS)}")
        if not all(a < b for a, b in itertools.pairwise(order)):
            raise SchemaError("must be in their order: takeaway, top, impact, finish")


class _Felt(msgspec.Struct, forbid_unknown_fields=True):
    """How a swing felt; the answers are those of `FELT`."""

    time: Annotated[str, one_of(*FELT["time"])] | UnsetType = UNSET
    turn: Annotated[str, one_of(*FELT["turn"])] | UnsetType = UNSET
    strike: Annotated[str, one_of(*FELT["strike"])] | UnsetType = UNSET

    def __post_init__(self) -> None:
        if all(getattr(self, question) is UNSET for question in FELT):
            raise SchemaError(f"must have some of {', '.join(FELT)}")


class _Result(msgspec.Struct, forbid_unknown_fields=True):
    """What the ball did; the fields are `RESULT_FIELDS`, what is in none of them is in `other`."""

    club_speed_m_s: Ball | UnsetType = UNSET
    ball_speed_m_s: Ball | UnsetType = UNSET
    carry_m: Ball | UnsetType = UNSET
    total_m: Ball | UnsetType = UNSET
    offline_m: Ball | UnsetType = UNSET
    attack_deg: Ball | UnsetType = UNSET
    strike_toe_mm: Ball | UnsetType = UNSET
    strike_high_mm: Ball | UnsetType = UNSET
    other: (
        Annotated[
            dict[Text, Number | Text],
            Meta(max_length=100, description="an object of up to 100 words or numbers"),
        ]
        | UnsetType
    ) = UNSET
    source: Text | UnsetType = UNSET

    def __post_init__(self) -> None:
        if all(getattr(self, name) is UNSET for name in self.__struct_fields__):
            raise SchemaError("must name at least one result")


class _Segment(msgspec.Struct, forbid_unknown_fields=True):
    """A corrected segment; None says that it isn't known from here on."""

    player: Name | None = None
    handedness: Hand | None = None
    club: Name | None = None
    intent: Annotated[str, one_of(*INTENTS)] | None = None
    ball: bool | None = None
    block: Text | Number | None = None


class _Clip(msgspec.Struct, forbid_unknown_fields=True):
    """A phone's film beside the session."""

    name: Text
    why: Text
    sure: bool
    by_hand: bool
    duration_s: Number
    frame_rate_hz: Number | None
    offset_s: Number | None
    offset_u_s: Number | None
    seq: Count | None


_Clips = Annotated[
    dict[Annotated[str, Meta(pattern=r"\A[0-9A-Za-z]{1,32}\Z", description="a clip's id")], _Clip],
    Meta(max_length=200, description="an object of up to 200 clips"),
]
_PlayerId = Annotated[str, Meta(max_length=LONGEST_NAME, min_length=1, description="a player's id")]
_SWING_FIELDS: Final[Mapping[str, Any]] = {
    "events": _Events,
    "kind": Annotated[str, one_of(*KINDS)],
    "player": Name,
    "handedness": Hand,
    "club": Name,
    "intent": Annotated[str, one_of(*INTENTS)],
    "tags": Tags,
    "note": Text,
    "excluded": Text,
    "felt": _Felt,
    "result": _Result,
}
_SESSION_FIELDS: Final[Mapping[str, Any]] = {
    "note": Text,
    "tags": Tags,
    "excluded": Text,
    "drill": Text,
    "clips": _Clips,
}


def _check(key: Key, value: object) -> None:
    """Refuse a key that isn't one, or a value that doesn't fit; None removes and always fits."""
    schemas: Mapping[str, Any]
    match key:
        case ("swing", seq, name) if _SEQ.fullmatch(seq):
            schemas = _SWING_FIELDS
        case ("session", name):
            schemas = _SESSION_FIELDS
        case ("identity", name):
            convert(name, Name)
            schemas = {name: _PlayerId}
        case ("segment", name) if _SEQ.fullmatch(name):
            schemas = {name: _Segment}
        case _:
            raise SchemaError(f"there is no annotation {'/'.join(map(str, key))[:100]}")
    if name not in schemas:
        raise SchemaError(f"there is no annotation '{name}': it is one of {', '.join(schemas)}")
    if value is not None:
        convert(value, schemas[name], name)


_SEQ: Final = re.compile(r"[0-9]{1,15}")
"""A sample number in a key."""


@dataclass(frozen=True, slots=True)
class Entry:
    """A value (None: removed) and when it was given, ISO 8601 in UTC."""

    value: Any
    at: str

    def order(self) -> tuple[str, str]:
        """Newer entries are greater; of two made at the same instant, the same one always wins."""
        return self.at, json.dumps(self.value, sort_keys=True, ensure_ascii=False)


@dataclass(frozen=True, slots=True)
class Change:
    """One change: what was there before and after it (None: nothing)."""

    key: Key
    before: Any
    after: Any
    at: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SwingSpan:
    """Where a swing is: the sample numbers that annotations are matched by.

    Attributes
    ----------
    seq : int
        Of the impact; without one, of the event that is nearest to it. The swing's key.
    first_seq, last_seq : float
        From the first event that is known to the last.
    """

    seq: int
    first_seq: float
    last_seq: float


def _now() -> str:
    return _stamp(datetime.now(UTC))


def _stamp(at: datetime) -> str:
    """Write an instant so that later ones sort after earlier ones."""
    return at.astimezone(UTC).isoformat(timespec="microseconds")


@dataclass(slots=True)
class Annotations:
    """What people added to one recording.

    Attributes
    ----------
    recording : str
        Id of the recording.
    entries : dict of Key to Entry
    history : list of Change
        The last ones, oldest first.
    """

    recording: str
    entries: dict[Key, Entry] = field(default_factory=dict)
    history: list[Change] = field(default_factory=list)

    # -- asking ----------------------------------------------------------------------------

    def get(self, *key: str | int) -> Any:
        """Return the value of a key, None where there is none."""
        entry = self.entries.get(tuple(map(str, key)))
        return None if entry is None else entry.value

    def session(self) -> dict[str, Any]:
        """Return what is said about the whole session, by field."""
        return self._under("session")

    def identities(self) -> dict[str, str]:
        """Return the player's id by the name that was recorded."""
        return self._under("identity")

    def segments(self) -> list[tuple[int, dict[str, Any]]]:
        """Return the corrected segments (who, club, intent ...), each from its `seq` on."""
        found = self._under("segment")
        return sorted(((int(seq), dict(value)) for seq, value in found.items()), key=lambda s: s[0])

    def _under(self, scope: str) -> dict[str, Any]:
        return {
            key[1]: entry.value
            for key, entry in sorted(self.entries.items())
            if key[0] == scope and entry.value is not None
        }

    def swing_keys(self) -> list[int]:
        """Return the `seq` of every swing that something was said about."""
        return sorted(
            {int(k[1]) for k, e in self.entries.items() if k[0] == "swing" and e.value is not None}
        )

    def of_swings(
        self, spans: Sequence[SwingSpan], *, rate_hz: float
    ) -> tuple[list[dict[str, Any]], list[int]]:
        """Find each swing's annotations.

        A key belongs to the swing whose impact is nearest, within `MATCH_S`, or else to the swing
        that it lies inside of. Where two keys mean the same swing, the newest word a field counts.

        Parameters
        ----------
        spans : sequence of SwingSpan
        rate_hz : float
            Nominal sample rate.

        Returns
        -------
        fields : list of dict
            One a swing: values by field.
        lost : list of int
            Keys that belong to no swing; their words are kept.
        """
        best: list[dict[str, Entry]] = [{} for _ in spans]
        lost = set()
        tolerance = MATCH_S * rate_hz
        places: dict[int, int | None] = {}
        for key, entry in self.entries.items():
            if key[0] != "swing":
                continue
            seq = int(key[1])
            if seq not in places:
                places[seq] = _swing_at(seq, spans, tolerance)
            place = places[seq]
            if place is None:
                if entry.value is not None:
                    lost.add(seq)
                continue
            before = best[place].get(key[2])
            if before is None or entry.order() > before.order():
                best[place][key[2]] = entry
        fields = [{name: e.value for name, e in one.items() if e.value is not None} for one in best]
        return fields, sorted(lost)

    def key_of(self, span: SwingSpan, *, rate_hz: float) -> int:
        """Return the `seq` under which a swing's words are kept: an earlier key, or its own."""
        keys = sorted({int(key[1]) for key in self.entries if key[0] == "swing"})
        near = [seq for seq in keys if _swing_at(seq, [span], MATCH_S * rate_hz) == 0]
        return min(near, key=lambda seq: abs(seq - span.seq), default=span.seq)

    # -- changing --------------------------------------------------------------------------

    def set(self, *key: str | int, value: Any, at: datetime | None = None) -> None:
        """Set a value; None removes it. ``set("swing", 5321, "note", value="heavy")``.

        Raises
        ------
        AnnotationError
            There is no such key, or the value doesn't fit it.
        """
        whole = tuple(map(str, key))
        value = _fitting(whole, value)
        before = self.get(*whole)
        if before == value:
            return
        stamp = self._put(whole, value, _now() if at is None else _stamp(at))
        self.history.append(Change(whole, before, value, stamp))
        del self.history[:-UNDO_KEPT]

    def set_swing(
        self,
        span: SwingSpan,
        *,
        rate_hz: float,
        at: datetime | None = None,
        **values: Any,
    ) -> None:
        """Set fields of a swing under the key that it has already, or under its own.

        Parameters
        ----------
        span : SwingSpan
        rate_hz : float
        at : datetime, optional
            When it was said; now by default.
        **values
            By field: events, kind, player, handedness, club, intent, tags, note, excluded, felt,
            result.

        Raises
        ------
        AnnotationError
            Nothing was changed.
        """
        seq = str(self.key_of(span, rate_hz=rate_hz))
        for name, value in values.items():
            _fitting(("swing", seq, name), value)
        for name, value in values.items():
            self.set("swing", seq, name, value=value, at=at)

    def undo(self) -> Change | None:
        """Take back the last change that can be; return it, or None if there is none."""
        if not self.history:
            return None
        change = self.history.pop()
        self._put(change.key, change.before, _now())
        return change

    def merge(self, other: Annotations) -> int:
        """Take over what the other copy knows better: the newest entry a key.

        Returns
        -------
        int
            Entries taken over. What they replace cannot be undone here.

        Raises
        ------
        AnnotationError
            It belongs to another recording.
        """
        if other.recording != self.recording:
            raise AnnotationError("these annotations belong to another recording")
        taken = 0
        for key, entry in other.entries.items():
            mine = self.entries.get(key)
            if mine is None or entry.order() > mine.order():
                self.entries[key] = entry
                taken += 1
                self.history = [change for change in self.history if change.key != key]
        return taken

    def remove_swings(self, keys: Sequence[int]) -> int:
        """Remove everything that was said about swings for good, also from the history."""
        gone = {("swing", str(seq)) for seq in keys}
        found = [key for key in self.entries if key[:2] in gone]
        for key in found:
            del self.entries[key]
        self.history = [change for change in self.history if change.key[:2] not in gone]
        return len(found)

    def _put(self, key: Key, value: Any, stamp: str) -> str:
        mine = self.entries.get(key)
        if mine is not None and stamp <= mine.at:
            # The clock was set back: the later word must still be the newer one.
            later = datetime.fromisoformat(mine.at) + timedelta(microseconds=1)
            stamp = _stamp(min(later, LAST_INSTANT))
        self.entries[key] = Entry(value, stamp)
        return stamp

    # -- in and out ------------------------------------------------------------------------

    def document(self) -> dict[str, Any]:
        """Return what ``annotations.json`` says."""
        out: dict[str, Any] = {
            "version": ANNOTATIONS_VERSION,
            "recording": self.recording,
            "program_version": program_version(),
            "session": {},
            "identities": {},
            "segments": {},
            "swings": {},
            "history": [
                {"key": list(c.key), "before": c.before, "after": c.after, "at": c.at}
                for c in self.history
            ],
        }
        for key, entry in sorted(self.entries.items()):
            item = {"value": entry.value, "at": entry.at}
            match key:
                case ("session", name):
                    out["session"][name] = item
                case ("identity", name):
                    out["identities"][name] = item
                case ("segment", seq):
                    out["segments"][seq] = item
                case ("swing", seq, name):
                    out["swings"].setdefault(seq, {})[name] = item
        return out

    def save(self, folder: Path) -> None:
        """Write ``annotations.json``, whole or not at all; use `change_annotations` to edit.

        Raises
        ------
        RecordingError
            The operating system refused.
        """
        text = json.dumps(self.document(), indent=1, ensure_ascii=False, allow_nan=False) + "\n"
        with whole_file(folder / ANNOTATIONS_FILE, overwrite=True) as file:
            file.write(text.encode())


def _fitting(key: Key, value: Any) -> Any:
    """Return a value as JSON gives it back, if it fits.

    Raises
    ------
    AnnotationError
    """
    try:
        plain = json.loads(json.dumps(value, ensure_ascii=False, allow_nan=False))
        _check(key, plain)
    except SchemaError as error:
        raise AnnotationError(str(error)) from error
    except (TypeError, ValueError) as error:
        raise AnnotationError(f"'{key[-1]}' must be what JSON can hold: {error}") from error
    return plain


def _swing_at(seq: int, spans: Sequence[SwingSpan], tolerance: float) -> int | None:
    """Index of the swing that a key means."""
    if not spans:
        return None
    nearest = min(range(len(spans)), key=lambda k: abs(spans[k].seq - seq))
    if abs(spans[nearest].seq - seq) <= tolerance:
        return nearest
    inside = (k for k, span in enumerate(spans) if span.first_seq <= seq <= span.last_seq)
    return next(inside, None)


class _Item(msgspec.Struct):
    value: Any
    at: str


class _Step(msgspec.Struct):
    key: list[str]
    before: Any
    after: Any
    at: str


class _Document(msgspec.Struct):
    """An ``annotations.json``; values are held against the schema of their key."""

    recording: Id
    session: dict[str, _Item] = {}
    identities: dict[str, _Item] = {}
    segments: dict[str, _Item] = {}
    swings: dict[str, dict[str, _Item]] = {}
    history: list[_Step] = []


def _annotations(document: _Document) -> Annotations:
    out = Annotations(document.recording)
    items: list[tuple[Key, _Item]] = [
        *((("session", name), item) for name, item in document.session.items()),
        *((("identity", name), item) for name, item in document.identities.items()),
        *((("segment", seq), item) for seq, item in document.segments.items()),
        *(
            (("swing", seq, name), item)
            for seq, fields in document.swings.items()
            for name, item in fields.items()
        ),
    ]
    for key, item in items:
        _check(key, item.value)
        out.entries[key] = Entry(item.value, _stamp(instant(item.at, "at")))
    for step in document.history[-UNDO_KEPT:]:
        key = tuple(step.key)
        _check(key, step.before)
        _check(key, step.after)
        out.history.append(Change(key, step.before, step.after, _stamp(instant(step.at, "at"))))
    return out


def read_annotations(folder: Path, *, recording: str | None = None) -> Annotations:
    """Read ``annotations.json`` of a recording's folder; without one there is nothing in it yet.

    Parameters
    ----------
    folder : Path
    recording : str, optional
        Id of the recording, where it is known already.

    Raises
    ------
    NewerFormatError, RecordingError
        The folder is no recording, or the file is broken or belongs to another one.
    """
    if recording is None:
        recording = read_session(folder).id
    path = folder / ANNOTATIONS_FILE
    remedy = "use a copy if there is one, or move it away to begin anew"
    try:
        with plain_reading(path, RecordingError, remedy=remedy, newer=NewerFormatError):
            document = parse_json(read_small(path), dict[str, Any])
            check_version(document, ANNOTATIONS_VERSION)
            found = _annotations(convert(document, _Document))
    except FileNotFoundError:
        return Annotations(recording)
    if found.recording != recording:
        raise RecordingError(
            path, "belongs to another recording: move it to the folder that it came from"
        )
    return found


@contextlib.contextmanager
def change_annotations(folder: Path) -> Iterator[Annotations]:
    """Give the annotations to change; they are saved if nothing goes wrong.

    One process at a time: a second one waits, so that no word is lost between page and command
    line.

    Raises
    ------
    AnnotationError, RecordingError
        Nothing was changed.
    """
    recording = read_session(folder).id
    with _held(folder, recording):
        annotations = read_annotations(folder, recording=recording)
        before = json.dumps(annotations.document(), sort_keys=True)
        yield annotations
        if json.dumps(annotations.document(), sort_keys=True) != before:
            annotations.save(folder)


@contextlib.contextmanager
def _held(folder: Path, recording: str) -> Iterator[None]:
    """Hold a lock that the system drops when its holder dies; no file is left in the folder."""
    if sys.platform == "win32":
        import msvcrt

        name = "".join(c for c in recording if c.isalnum())
        file: IO[bytes] = (Path(tempfile.gettempdir()) / f"unhurried-{name}.lock").open("ab")
        with file:
            file.seek(0)
            msvcrt.locking(file.fileno(), msvcrt.LK_LOCK, 1)
            try:
                yield
            finally:
                file.seek(0)
                msvcrt.locking(file.fileno(), msvcrt.LK_UNLCK, 1)
    else:
        import fcntl

        descriptor = os.open(folder, os.O_RDONLY)
        try:
            try:
                fcntl.flock(descriptor, fcntl.LOCK_EX)
            except OSError as error:
                raise RecordingError(
                    folder, f"cannot be changed here: {describe_os_error(error)}"
                ) from error
            yield
        finally:
            os.close(descriptor)


assert _Events.__struct_fields__ == EVENTS
assert _Felt.__struct_fields__ == tuple(FELT)
assert _Result.__struct_fields__[:-2] == RESULT_FIELDS
