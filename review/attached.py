"""Phone clips that lie beside sessions: which there are, where they are, and how they line up.

A clip stays where it is; nothing of it is copied. What is said of it (its name, how it lines up
with the sensor, and whether that was checked by eye) is kept with the recording's annotations, so
it can be taken back and goes along in a bundle. Where its file is on this computer is kept in the
home only, by an id: the page asks for a clip by that id, and no path ever comes from outside.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
import math
import os
import secrets
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

from review.clip import ClipError, ClipMatch, align_clip, clip_date, find_knocks, read_clip
from review.errors import ReviewError
from review.liberrors import LibraryError, NoSuchError
from review.library import Library
from sensor.annotations import read_annotations
from sensor.errors import RecordingError
from sensor.output import describe_os_error, whole_file

__all__ = [
    "CLIP_FOLDER",
    "MEDIA_TYPES",
    "MOST_FILMS",
    "Clip",
    "Film",
    "attach",
    "clip_of",
    "clips_of",
    "detach",
    "films_for",
    "hear_again",
    "line_up",
    "media_file",
    "media_type",
    "shift",
    "tidy",
]

PLACES_FILE: Final = "clips.json"
PLACES_VERSION: Final = 1
MOST_CLIPS: Final = 200
"""Clips of a session."""
CLIP_FOLDER: Final = "clips"
"""Of the home: looked into for films where no other folder is set."""
MOST_FILMS: Final = 60
"""Films that are offered at once."""
MOST_DATES: Final = 400
"""Films whose own date is read, the newest: a few ms each."""
DATE_SLACK_S: Final = 300.0
"""How far a phone's clock may be off where a film is said to be of a session."""
ID_BYTES: Final = 8

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
class Film:
    """A film in a folder that is looked into, not yet beside a session.

    Attributes
    ----------
    key : str
        Names it on the page; from its place, size and date, so another file has another one.
    path : Path
    size_bytes : int
    changed : datetime
        When the file was last written, in this computer's time.
    fits : bool
        Whether the phone's date in it falls into the session.
    same_day : bool
        Whether the file is of the session's day.
    """

    key: str
    path: Path
    size_bytes: int
    changed: datetime
    fits: bool
    same_day: bool

    @property
    def likely(self) -> int:
        """How likely it is of the session, most first."""
        return 0 if self.fits else 1 if self.same_day else 2


# -- where clips are on this computer --------------------------------------------------------------


def _places(home: Path) -> dict[str, dict[str, Any]]:
    path = home / PLACES_FILE
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
        if document["version"] > PLACES_VERSION:
            raise LibraryError(path, "is of a later version: update unhurried")
        return {str(key): dict(place) for key, place in document["clips"].items()}
    except FileNotFoundError:
        return {}
    except OSError as error:
        raise LibraryError(path, f"cannot be read: {describe_os_error(error)}") from error
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise LibraryError(
            path, "is broken: move it away, and attach the clips once more"
        ) from error


def _write_places(home: Path, places: Mapping[str, Mapping[str, Any]]) -> None:
    text = json.dumps({"version": PLACES_VERSION, "clips": places}, indent=1, sort_keys=True)
    try:
        with whole_file(home / PLACES_FILE, overwrite=True) as file:
            file.write(text.encode() + b"\n")
    except RecordingError as error:
        raise LibraryError(error.path, error.problem) from error


def _is_here(place: Mapping[str, Any] | None) -> bool:
    """Whether a file is there and of the size that it had."""
    if place is None:
        return False
    try:
        found = Path(str(place["path"]))
        return found.is_file() and found.stat().st_size == place["size"]
    except (OSError, KeyError, ValueError):
        return False


def media_file(home: Path, clip_id: str) -> Path:
    """Return the file of a clip by its id.

    Raises
    ------
    NoSuchError
        There is no such clip, or its file isn't where it was.
    """
    place = _places(home).get(clip_id)
    if not _is_here(place):
        raise NoSuchError("this clip isn't on this computer, or was changed since it was attached")
    assert place is not None
    return Path(str(place["path"]))


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
    places = _places(library.home)
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


@lru_cache(4096)
def _date(path: Path, _changed_ns: int) -> str | None:
    """Return a film's own date; looked up once for as long as the file stays as it is."""
    return clip_date(path)


def films_for(library: Library, session_id: str, folders: Sequence[Path]) -> list[Film]:
    """Return the films that could be laid beside a session.

    Those that a phone dated within it come first, then files of its day, then the newest.

    Parameters
    ----------
    library : Library
    session_id : str
    folders : sequence of Path
        Looked into, but not into folders in them; so are the folders that clips came from before.

    Raises
    ------
    NoSuchError, SensorError, LibraryError
    """
    session = library.session(session_id)
    places = _places(library.home)
    mine = {clip.id for clip in clips_of(library, session_id)}
    taken = {str(place.get("path")) for key, place in places.items() if key in mine}
    known = [Path(str(place["path"])).parent for place in places.values() if place.get("path")]
    found: dict[str, tuple[Path, os.stat_result]] = {}
    for folder in (*folders, *known):
        try:
            inside = [
                one
                for one in folder.iterdir()
                # What begins with a dot is a system's own.
                if one.suffix.lower() in MEDIA_TYPES and not one.name.startswith(".")
            ]
            for path in (one.resolve() for one in inside if one.is_file()):
                if str(path) not in taken and path.stat().st_size:
                    found[str(path)] = (path, path.stat())
        except (OSError, ValueError):
            # A folder that isn't there, or isn't ours to read, holds nothing.
            continue
    newest = sorted(found.values(), key=lambda one: -one[1].st_mtime)
    day = datetime.fromisoformat(session.start).date()
    films = [
        Film(
            key=hashlib.sha256(f"{path}|{stat.st_size}|{stat.st_mtime_ns}".encode()).hexdigest()[
                : 2 * ID_BYTES
            ],
            path=path,
            size_bytes=stat.st_size,
            changed=(changed := datetime.fromtimestamp(stat.st_mtime, UTC).astimezone()),
            fits=k < MOST_DATES
            and any(
                -DATE_SLACK_S <= at_s <= session.duration_s + DATE_SLACK_S
                for at_s in _guesses(_date(path, stat.st_mtime_ns), session.start, 0.0)
            ),
            same_day=changed.date() == day,
        )
        for k, (path, stat) in enumerate(newest)
    ]
    return sorted(films, key=lambda film: film.likely)


def _keep(library: Library, session_id: str, clip_id: str, clip: Clip | None) -> None:
    with library.annotating(session_id) as said:
        clips = dict(said.get("session", "clips") or {})
        if clip is None:
            clips.pop(clip_id, None)
        else:
            clips[clip_id] = clip.document()
        said.set("session", "clips", value=clips or None)


def attach(
    library: Library,
    session_id: str,
    path: Path,
    *,
    seq: int | None = None,
    distance_m: float = 3.0,
) -> Clip:
    """Lay a clip beside a session, and line it up by the sound of impact.

    A clip that lies there already keeps the way it was lined up where its sound alone is in doubt
    now and wasn't before, or was lined up by eye.

    Parameters
    ----------
    library : Library
    session_id : str
    path : Path
        The clip, which stays where it is.
    seq : int, optional
        Key of the swing that it shows.
    distance_m : float
        From the ball to the phone.

    Raises
    ------
    ClipError, NoSuchError, SensorError, LibraryError
    """
    path = Path(path).resolve()
    facts = read_clip(path)
    if facts.frame_rate_hz is None:
        raise ClipError(path, "holds no picture: take the phone's original film")
    before = clips_of(library, session_id)
    places = _places(library.home)
    here = {str(place.get("path")): key for key, place in places.items()}
    known = here.get(str(path))
    if known is None and len(before) >= MOST_CLIPS:
        raise ReviewError(f"there are {MOST_CLIPS} clips beside this session: remove some first")
    # The same file again is lined up anew under its own id.
    earlier = next((c for c in before if c.id == known), None)
    clip_id = secrets.token_hex(ID_BYTES) if earlier is None else earlier.id
    if earlier is not None and seq is None:
        seq = earlier.seq
    match = line_up(library, session_id, path, seq=seq, distance_m=distance_m)
    clip = Clip(
        id=clip_id,
        session=session_id,
        name=path.name,
        duration_s=facts.duration_s,
        frame_rate_hz=facts.frame_rate_hz,
        offset_s=match.offset_s,
        offset_u_s=match.offset_u_s,
        sure=match.sure,
        why=match.why,
        by_hand=False,
        seq=seq,
    )
    if earlier is not None and earlier.sure and not match.sure:
        clip = dataclasses.replace(
            clip,
            offset_s=earlier.offset_s,
            offset_u_s=earlier.offset_u_s,
            sure=True,
            why=earlier.why,
            by_hand=earlier.by_hand,
        )
    places[clip_id] = {"path": str(path), "size": path.stat().st_size, "session": session_id}
    _write_places(library.home, places)
    _keep(library, session_id, clip_id, clip)
    return clip


def line_up(
    library: Library,
    session_id: str,
    path: Path,
    *,
    seq: int | None = None,
    distance_m: float = 3.0,
) -> ClipMatch:
    """Find where a clip lies on a recording's clock, by its sound and its date.

    Raises
    ------
    ClipError, NoSuchError
    """
    facts = read_clip(path)
    if len(facts.energy) == 0:
        return ClipMatch(
            offset_s=None,
            offset_u_s=None,
            sure=False,
            why="the clip has no sound: line it up by eye",
            heard=0,
            expected=0,
        )
    session = library.session(session_id)
    table = library.swings(
        session=session_id, kind="strike", excluded=True, columns=("seq", "impact_s")
    )
    impacts = {row["seq"]: row["impact_s"] for row in table.rows() if row["impact_s"] is not None}
    return align_clip(
        find_knocks(facts.energy, hop_s=facts.hop_s),
        list(impacts.values()),
        clip_s=facts.duration_s,
        shows_s=impacts.get(seq),
        guesses_s=_guesses(facts.created, session.start, facts.duration_s),
        distance_m=distance_m,
    )


def _guesses(created: str | None, start: str, duration_s: float) -> tuple[float, ...]:
    """Where a clip began by its date: phones write when it began, or when it ended."""
    try:
        at = datetime.fromisoformat(created or "")
        begun = datetime.fromisoformat(start)
    except ValueError:
        return ()
    if at.tzinfo is None or begun.tzinfo is None:
        return ()
    after_s = (at - begun).total_seconds()
    return after_s, after_s - duration_s


def shift(library: Library, session_id: str, clip_id: str, offset_s: float) -> Clip:
    """Line a clip up by eye; kept as an annotation, which can be taken back.

    Raises
    ------
    ReviewError
        The clip would lie wholly outside of the session.
    NoSuchError, SensorError, LibraryError
    """
    clip = clip_of(library, session_id, clip_id)
    whole_s = library.session(session_id).duration_s
    if not math.isfinite(offset_s) or not -clip.duration_s <= offset_s <= whole_s:
        raise ReviewError("so the clip would lie outside of the session: nothing was changed")
    moved = dataclasses.replace(
        clip,
        offset_s=float(offset_s),
        offset_u_s=None,
        sure=True,
        by_hand=True,
        why="lined up by eye",
    )
    _keep(library, session_id, clip_id, moved)
    return moved


def hear_again(
    library: Library,
    session_id: str,
    clip_id: str,
    *,
    seq: int | None = None,
    distance_m: float = 3.0,
) -> Clip:
    """Line a clip up by its sound once more, whatever was done by eye; can be taken back.

    Parameters
    ----------
    library : Library
    session_id, clip_id : str
    seq : int, optional
        Key of the swing that it shows; None: found by its sound alone.
    distance_m : float

    Raises
    ------
    ClipError, NoSuchError, SensorError, LibraryError
    """
    clip = clip_of(library, session_id, clip_id)
    path = media_file(library.home, clip_id)
    match = line_up(library, session_id, path, seq=seq, distance_m=distance_m)
    heard = dataclasses.replace(
        clip,
        seq=seq,
        offset_s=match.offset_s,
        offset_u_s=match.offset_u_s,
        sure=match.sure,
        why=match.why,
        by_hand=False,
    )
    _keep(library, session_id, clip_id, heard)
    return heard


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
    places = _places(library.home)
    known = {session.id for session in library.sessions()}
    kept = {key: place for key, place in places.items() if place.get("session") in known}
    if len(kept) < len(places):
        _write_places(library.home, kept)
    return len(places) - len(kept)


def detach(library: Library, session_id: str, clip_id: str) -> Clip:
    """Take a clip away from a session; its file stays as it is, and this can be taken back.

    Raises
    ------
    NoSuchError, SensorError, LibraryError
    """
    clip = clip_of(library, session_id, clip_id)
    _keep(library, session_id, clip_id, None)
    return clip
