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
import math
import os
import sys
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import IO, Any, Final

from sensor.errors import NewerFormatError, RecordingError, SensorError
from sensor.layout import ANNOTATIONS_FILE, ANNOTATIONS_VERSION
from sensor.output import describe_os_error, whole_file
from sensor.said import EVENTS, FELT, INTENTS, KINDS, RESULT_FIELDS
from sensor.session import HANDS, program_version, read_session

__all__ = [
    "EVENTS",
    "FELT",
    "FORGOTTEN",
    "KINDS",
    "MATCH_S",
    "RESULT_FIELDS",
    "UNDO_KEPT",
    "AnnotationError",
    "Annotations",
    "Change",
    "Key",
    "SwingSpan",
    "change_annotations",
    "read_annotations",
]

MATCH_S: Final = 0.15
"""A swing whose impact is so near to a key is the swing that was meant: a re-analysis moves an
impact by milliseconds, and the next swing is seconds away. (Chosen here.)"""

UNDO_KEPT: Final = 100
"""Changes that can be undone."""

LONGEST_TEXT: Final = 10_000
"""Characters of one text: a long note, and no book. (Chosen here.)"""

FORGOTTEN: Final = "forgotten"
"""Instead of a player's id: what was recorded under this name is not kept in the library."""

Key = tuple[str, ...]
"""("session", field), ("identity", name), ("segment", seq) or ("swing", seq, field); seq in
decimal digits."""


class AnnotationError(SensorError):
    """A word that cannot be kept; ``str(error)`` says why."""


def _text(value: object) -> str | None:
    if not isinstance(value, str) or not value.strip():
        return "must be text"
    if len(value) > LONGEST_TEXT:
        return f"is longer than {LONGEST_TEXT:,} characters"
    return None


def _texts(value: object) -> str | None:
    if not isinstance(value, list) or len(value) > 100:
        return "must be a list of up to 100 words"
    return next((problem for word in value if (problem := _text(word))), None)


def _number(value: object) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value)


def _one_of(*choices: str) -> Callable[[object], str | None]:
    def check(value: object) -> str | None:
        return None if value in choices else f"must be one of {', '.join(choices)}"

    return check


def _events(value: object) -> str | None:
    if not isinstance(value, Mapping) or not value or set(value) - set(EVENTS):
        return f"must have some of {', '.join(EVENTS)}"
    if not all(_number(at) and at >= 0 for at in value.values()):
        return "must be sample numbers"
    order = [value[name] for name in EVENTS if name in value]
    return (
        None
        if all(a < b for a, b in itertools.pairwise(order))
        else ("must be in their order: takeaway, top, impact, finish")
    )


def _felt(value: object) -> str | None:
    if not isinstance(value, Mapping) or not value or set(value) - set(FELT):
        return f"must have some of {', '.join(FELT)}"
    for name, said in value.items():
        if said not in FELT[name]:
            return f"'{name}' must be one of {', '.join(FELT[name])}"
    return None


def _result(value: object) -> str | None:
    if not isinstance(value, Mapping) or not value:
        return "must name at least one result"
    other = value.get("other", {})
    wrong = set(value) - {*RESULT_FIELDS, "other", "source"}
    if wrong:
        return f"has no '{min(wrong)}': results are {', '.join(RESULT_FIELDS)}, or 'other'"
    if not all(_number(value[name]) for name in RESULT_FIELDS if name in value):
        return "must be numbers"
    if not isinstance(other, Mapping) or len(other) > 100:
        return "'other' must be an object of up to 100 words or numbers"
    for name, word in other.items():
        if _text(name) or (not _number(word) and _text(word)):
            return "'other' must be an object of words or numbers"
    return _text(value["source"]) if "source" in value else None


def _segment(value: object) -> str | None:
    checks: Mapping[str, Callable[[object], str | None]] = {
        "player": _text,
        "handedness": _one_of(*HANDS),
        "club": _text,
        "intent": _one_of(*INTENTS),
        "ball": lambda v: None if isinstance(v, bool) else "must be true or false",
        "block": lambda v: None if _number(v) else _text(v),
    }
    if not isinstance(value, Mapping) or set(value) - set(checks):
        return f"must have some of {', '.join(checks)}"
    for name, word in value.items():
        # None says that it isn't known from here on.
        if word is not None and (problem := checks[name](word)):
            return f"'{name}' {problem}"
    return None


def _clips(value: object) -> str | None:
    if not isinstance(value, Mapping) or len(value) > 200:
        return "must be an object of up to 200 clips"
    checks: Mapping[str, Callable[[object], bool]] = {
        "name": lambda v: _text(v) is None,
        "why": lambda v: _text(v) is None,
        "sure": lambda v: isinstance(v, bool),
        "by_hand": lambda v: isinstance(v, bool),
        "duration_s": _number,
        "frame_rate_hz": lambda v: v is None or _number(v),
        "offset_s": lambda v: v is None or _number(v),
        "offset_u_s": lambda v: v is None or _number(v),
        "seq": lambda v: v is None or _number(v),
    }
    for key, clip in value.items():
        if not (isinstance(key, str) and key.isalnum() and len(key) <= 32):
            return "must have clips by their ids"
        if not isinstance(clip, Mapping) or set(clip) != set(checks):
            return f"must say of each clip {', '.join(checks)}"
        wrong = next((name for name, fits in checks.items() if not fits(clip[name])), None)
        if wrong:
            return f"has a clip whose '{wrong}' doesn't fit"
    return None


_SWING_FIELDS: Final[Mapping[str, Callable[[object], str | None]]] = {
    "events": _events,
    "kind": _one_of(*KINDS),
    "player": _text,
    "handedness": _one_of(*HANDS),
    "club": _text,
    "intent": _one_of(*INTENTS),
    "tags": _texts,
    "note": _text,
    "excluded": _text,
    "felt": _felt,
    "result": _result,
}
_SESSION_FIELDS: Final[Mapping[str, Callable[[object], str | None]]] = {
    "note": _text,
    "tags": _texts,
    "excluded": _text,
    "drill": _text,
    "clips": _clips,
}


def _check(key: Key, value: object) -> None:
    """Refuse a key that isn't one, or a value that doesn't fit; None removes and always fits."""
    checks: Mapping[str, Callable[[object], str | None]]
    match key:
        case ("swing", seq, name) if seq.isdecimal():
            checks = _SWING_FIELDS
        case ("session", name):
            checks = _SESSION_FIELDS
        case ("identity", name) if name:
            checks = {name: _text}
        case ("segment", name) if name.isdecimal():
            checks = {name: _segment}
        case _:
            raise AnnotationError(f"there is no annotation {'/'.join(key)}")
    if name not in checks:
        raise AnnotationError(f"there is no annotation '{name}': it is one of {', '.join(checks)}")
    if value is not None and (problem := checks[name](value)):
        raise AnnotationError(f"'{name}' {problem}")


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
        _check(whole, value)
        value = _plain(value)
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
            _check(("swing", seq, name), value)
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
            stamp = _stamp(datetime.fromisoformat(mine.at) + timedelta(microseconds=1))
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


def _plain(value: Any) -> Any:
    """Return a copy that JSON gives back as it is."""
    return json.loads(json.dumps(value, ensure_ascii=False, allow_nan=False))


def _swing_at(seq: int, spans: Sequence[SwingSpan], tolerance: float) -> int | None:
    """Index of the swing that a key means."""
    if not spans:
        return None
    nearest = min(range(len(spans)), key=lambda k: abs(spans[k].seq - seq))
    if abs(spans[nearest].seq - seq) <= tolerance:
        return nearest
    inside = (k for k, span in enumerate(spans) if span.first_seq <= seq <= span.last_seq)
    return next(inside, None)


def annotations_from(document: object, path: Path) -> Annotations:
    """Check and take over what an ``annotations.json`` says.

    Raises
    ------
    NewerFormatError
        A later version wrote it.
    RecordingError
        It is broken; the message names what is.
    """
    broken = "is broken: {}; use a copy if there is one, or move it away to begin anew"
    if not isinstance(document, dict) or not isinstance(document.get("recording"), str):
        raise RecordingError(path, broken.format("it doesn't say which recording it belongs to"))
    version = document.get("version")
    if not isinstance(version, int) or isinstance(version, bool) or version < 1:
        raise RecordingError(path, broken.format(f"its version is {version!r}"))
    if version > ANNOTATIONS_VERSION:
        raise NewerFormatError(
            path,
            f"has version {version}; this version of unhurried reads up to "
            f"{ANNOTATIONS_VERSION}: update unhurried",
        )
    out = Annotations(document["recording"])
    try:
        for scope, name in (
            ("session", "session"),
            ("identities", "identity"),
            ("segments", "segment"),
        ):
            for key, item in document.get(scope, {}).items():
                _take(out, (name, key), item)
        for seq, fields in document.get("swings", {}).items():
            for name, item in fields.items():
                _take(out, ("swing", seq, name), item)
        for item in document.get("history", []):
            key = tuple(item["key"])
            _check(key, item["before"])
            _check(key, item["after"])
            out.history.append(Change(key, item["before"], item["after"], _checked_at(item["at"])))
    except AnnotationError as error:
        raise RecordingError(path, broken.format(error)) from error
    except (AttributeError, KeyError, TypeError, ValueError) as error:
        raise RecordingError(path, broken.format("an entry isn't what it must be")) from error
    return out


def _take(out: Annotations, key: Key, item: Mapping[str, Any]) -> None:
    value = item["value"]
    _check(key, value)
    out.entries[key] = Entry(value, _checked_at(item["at"]))


def _checked_at(text: str) -> str:
    at = datetime.fromisoformat(text)
    if at.tzinfo is None:
        raise ValueError("an entry's time has no offset")
    return _stamp(at)


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
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return Annotations(recording)
    except UnicodeDecodeError as error:
        raise RecordingError(path, "is broken: it is not text; use a copy if there is one") from (
            error
        )
    except OSError as error:
        raise RecordingError(path, f"cannot be read: {describe_os_error(error)}") from error
    try:
        document = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise RecordingError(path, "is broken: it is not JSON; use a copy if there is one") from (
            error
        )
    found = annotations_from(document, path)
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
