"""Phone clips that lie beside sessions: which there are, where they are, and how they line up.

A clip stays where it is; nothing of it is copied. What is said of it (its name, how it lines up
with the sensor, and whether that was checked by eye) is kept with the recording's annotations, so
it can be taken back and goes along in a bundle. Where its file is on this computer is kept in the
home only, by an id: the page asks for a clip by that id, and no path ever comes from outside.
"""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import json
import math
import os
from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Final
from urllib.parse import unquote_to_bytes

import msgspec
from msgspec import Meta

from library.catalogue import Library
from library.errors import LibraryError, LibraryFileError, NewerLibraryError, NoSuchError
from sensor.errors import RecordingError
from sensor.recording.annotations import read_annotations
from sensor.recording.output import whole_file
from sensor.recording.schema import (
    Count,
    PlaceName,
    Word,
    check_version,
    convert,
    parse_json,
    plain_reading,
    read_small,
)

PLACES_FILE: Final = "clips.json"
PLACES_VERSION: Final = 1
CLIP_FOLDER: Final = "clips"
"""Of the home: looked into for films where no other folder is set."""
ID_BYTES: Final = 8
MOST_SEEN: Final = 4096
"""Files of which it is kept what was found in them."""

# What browsers play goes by what is inside; phones name the same thing .mp4, .m4v and .mov.
MEDIA_TYPES: Final[Mapping[str, str]] = {
    ".mp4": "video/mp4",
    ".m4v": "video/mp4",
    ".mov": "video/mp4",
    ".webm": "video/webm",
    ".mkv": "video/x-matroska",
    ".ogv": "video/ogg",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Clip:
    """One clip beside a session.

    Attributes
    ----------
    id : str
    session : str
    name : str
        Of the file, without its folder.
    duration_s : float
    frame_rate_hz : float or None
        None where it holds only sound.
    offset_s : float or None
        Recording time of the clip's first picture; None where it isn't lined up.
    offset_u_s : float or None
        Standard uncertainty, if the right knocks were matched.
    sure : bool
    why : str
        How it was lined up, or what the doubt is.
    by_hand : bool
        Lined up by eye.
    seq : int or None
        Key of the swing that it was attached to.
    here : bool
        Whether its file is on this computer, as it was.
    """

    id: str
    session: str
    name: str
    duration_s: float
    frame_rate_hz: float | None
    offset_s: float | None
    offset_u_s: float | None
    sure: bool
    why: str
    by_hand: bool
    seq: int | None
    here: bool = True

    @property
    def frame_s(self) -> float:
        """Length of a frame; of a thirtieth of a second where there is no picture."""
        return 1.0 / self.frame_rate_hz if self.frame_rate_hz else 1.0 / 30.0

    def shows(self, time_s: float) -> bool:
        """Whether an instant of the recording falls into the clip."""
        return self.offset_s is not None and 0.0 <= time_s - self.offset_s <= self.duration_s

    def document(self) -> dict[str, Any]:
        """Return what the annotations keep."""
        names = [
            f.name for f in dataclasses.fields(self) if f.name not in ("id", "session", "here")
        ]
        return {name: getattr(self, name) for name in names}


@dataclass(frozen=True, slots=True, kw_only=True)
class ClipMatch:
    """Where a clip lies on a recording's clock.

    Attributes
    ----------
    offset_s : float or None
        Recording time of the clip's zero. None where nothing matches.
    offset_u_s : float or None
        Its standard uncertainty, if the right knocks were matched.
    sure : bool
    why : str
        One plain sentence: how many impacts were heard, or what the doubt is.
    heard, expected : int
        Impacts matched, and those that fall into the clip.
    others_s : tuple of float
        Other offsets that are nearly as good, best first.
    """

    offset_s: float | None
    offset_u_s: float | None
    sure: bool
    why: str
    heard: int
    expected: int
    others_s: tuple[float, ...] = ()


# -- where clips are on this computer --------------------------------------------------------------


class _Place(msgspec.Struct):
    path: PlaceName
    size: Count


class _Places(msgspec.Struct):
    clips: Annotated[dict[Word, _Place], Meta(max_length=1_000_000)]


def clip_places(home: Path) -> dict[str, dict[str, Any]]:
    path = home / PLACES_FILE
    remedy = "move it away, and attach the clips once more"
    try:
        with plain_reading(path, LibraryFileError, remedy=remedy, newer=NewerLibraryError):
            document = parse_json(read_small(path), dict[str, Any])
            check_version(document, PLACES_VERSION)
            convert(document, _Places)
            return dict(document["clips"])
    except FileNotFoundError:
        return {}


def write_clip_places(home: Path, places: Mapping[str, dict[str, Any]]) -> None:
    for place in places.values():
        if "sha256" not in place and _is_here(place):
            # Of an earlier version, which kept only the size: it is the same from here on.
            with contextlib.suppress(OSError):
                place.update(clip_place(path_of(place), str(place.get("session", ""))))
    text = json.dumps({"version": PLACES_VERSION, "clips": places}, indent=1, sort_keys=True)
    try:
        with whole_file(home / PLACES_FILE, overwrite=True) as file:
            file.write(text.encode() + b"\n")
    except RecordingError as error:
        raise LibraryFileError(error.path, error.problem) from error


def _stamp(stat: os.stat_result) -> list[int]:
    """What changes with a file that is written to, or that another one takes the place of."""
    # Not the number of its disk, which some systems choose anew at each start.
    return [stat.st_ino, stat.st_size, stat.st_mtime_ns, stat.st_ctime_ns]


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def kept_path(path: Path) -> str:
    """Return a path as it is kept: as it stands, or as a file URI if it is no text (RFC 8089)."""
    text = str(path)
    try:
        text.encode()
    except UnicodeEncodeError:
        return path.absolute().as_uri()
    return text


def path_of(place: Mapping[str, Any]) -> Path:
    """Return the path of a clip's place, see `kept_path`."""
    kept = str(place["path"])
    if not kept.startswith("file:"):
        return Path(kept)
    return Path(os.fsdecode(unquote_to_bytes(kept.removeprefix("file://"))))


def clip_place(path: Path, session_id: str) -> dict[str, Any]:
    """Return what is kept of where a film is, and of which it is: by its stamp and its content."""
    stat = path.stat()
    return {
        "path": kept_path(path),
        "size": stat.st_size,
        "stamp": _stamp(stat),
        "sha256": _digest(path),
        "session": session_id,
    }


_seen: OrderedDict[tuple[str, str, tuple[int, ...]], bool] = OrderedDict()
"""Whether a file with another stamp, copied back say, holds what it held: read once as it is."""


def _is_here(place: Mapping[str, Any] | None) -> bool:
    """Whether a film is there as it was attached.

    Its stamp says so at once. With another stamp and the same size it is read: a file that was
    copied back is the same film, and another one that took its place isn't.
    """
    if place is None:
        return False
    try:
        path = path_of(place)
        stat = path.stat()
        if not path.is_file() or stat.st_size != place["size"]:
            return False
        digest = place.get("sha256")
        if digest is None or _stamp(stat) == place["stamp"]:
            # Places of earlier versions have no digest; they get one when they are next written.
            return True
        key = (str(path), str(digest), tuple(_stamp(stat)))
        if key not in _seen:
            _seen[key] = _digest(path) == digest
            while len(_seen) > MOST_SEEN:
                _seen.popitem(last=False)
        return _seen[key]
    except (OSError, KeyError, ValueError, TypeError):
        return False


def media_file(home: Path, clip_id: str) -> Path:
    """Return the file of a clip by its id.

    Raises
    ------
    NoSuchError
        There is no such clip, or its file isn't where it was.
    """
    place = clip_places(home).get(clip_id)
    if not _is_here(place):
        raise NoSuchError("this clip isn't on this computer, or was changed since it was attached")
    assert place is not None
    return path_of(place)


def media_type(path: Path) -> str:
    """Return the kind of media that a browser is to take a file for."""
    return MEDIA_TYPES.get(path.suffix.lower(), "application/octet-stream")


# -- which clips there are -------------------------------------------------------------------------


def clips_of(library: Library, session_id: str) -> list[Clip]:
    """Return the clips beside a session, by the time that they begin.

    Raises
    ------
    NoSuchError, SensorError, LibraryError
    """
    said = read_annotations(library.path_of(session_id), recording=session_id)
    places = clip_places(library.home)
    clips = [
        Clip(id=key, session=session_id, here=_is_here(places.get(key)), **document)
        for key, document in (said.get("session", "clips") or {}).items()
    ]
    return sorted(clips, key=lambda c: (math.inf if c.offset_s is None else c.offset_s, c.name))


def clip_of(library: Library, session_id: str, clip_id: str) -> Clip:
    """Return one clip of a session.

    Raises
    ------
    NoSuchError
    """
    for clip in clips_of(library, session_id):
        if clip.id == clip_id:
            return clip
    raise NoSuchError("there is no such clip beside this session")


def keep_clip(library: Library, session_id: str, clip_id: str, clip: Clip | None) -> None:
    with library.annotating(session_id) as said:
        clips = dict(said.get("session", "clips") or {})
        if clip is None:
            clips.pop(clip_id, None)
        else:
            clips[clip_id] = clip.document()
        said.set("session", "clips", value=clips or None)


def shift(library: Library, session_id: str, clip_id: str, offset_s: float) -> Clip:
    """Line a clip up by eye; kept as an annotation, which can be taken back.

    Raises
    ------
    LibraryError
        The clip would lie wholly outside of the session.
    NoSuchError, SensorError, LibraryError
    """
    clip = clip_of(library, session_id, clip_id)
    whole_s = library.session(session_id).duration_s
    if not math.isfinite(offset_s) or not -clip.duration_s <= offset_s <= whole_s:
        raise LibraryError("so the clip would lie outside of the session: nothing was changed")
    moved = dataclasses.replace(
        clip,
        offset_s=float(offset_s),
        offset_u_s=None,
        sure=True,
        by_hand=True,
        why="lined up by eye",
    )
    keep_clip(library, session_id, clip_id, moved)
    return moved


def tidy(library: Library) -> int:
    """Forget where clips of sessions are that the library doesn't know any more.

    Returns
    -------
    int
        How many were forgotten.

    Raises
    ------
    LibraryError
    """
    places = clip_places(library.home)
    known = {session.id for session in library.sessions()}
    kept = {key: place for key, place in places.items() if place.get("session") in known}
    if len(kept) < len(places):
        write_clip_places(library.home, kept)
    return len(places) - len(kept)


def detach(library: Library, session_id: str, clip_id: str) -> Clip:
    """Take a clip away from a session; its file stays as it is, and this can be taken back.

    Raises
    ------
    NoSuchError, SensorError, LibraryError
    """
    clip = clip_of(library, session_id, clip_id)
    keep_clip(library, session_id, clip_id, None)
    return clip
