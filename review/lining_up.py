"""Lay films beside a session, lined up by the sound of impact, and find those that could be."""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import os
import secrets
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from library.catalogue import Library
from library.clips import (
    ID_BYTES,
    MEDIA_TYPES,
    MOST_SEEN,
    Clip,
    ClipMatch,
    clip_of,
    clip_place,
    clip_places,
    clips_of,
    keep_clip,
    kept_path,
    media_file,
    path_of,
    write_clip_places,
)
from library.errors import ClipError, LibraryError
from review.clip import ClipFacts, align_clip, find_knocks, read_clip
from review.film import film_dates

MOST_CLIPS: Final = 200
"""Clips of a session."""
MOST_FILMS: Final = 60
"""Films that are offered at once."""
MOST_DATES: Final = 400
"""Films whose own date is read, the newest: a few ms each."""
DATE_SLACK_S: Final = 300.0
"""How far a phone's clock may be off where a film is said to be of a session."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Film:
    """A film in a folder that is looked into, not yet beside a session.

    Attributes
    ----------
    key : str
        Names it on the page; from its place, size and date, so another file has another one.
    name : str
        Of the file, as it can be shown.
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
    name: str
    path: Path
    size_bytes: int
    changed: datetime
    fits: bool
    same_day: bool

    @property
    def likely(self) -> int:
        """How likely it is of the session, most first."""
        return 0 if self.fits else 1 if self.same_day else 2


_dates: OrderedDict[tuple[str, int, int], str | None] = OrderedDict()


def _dates_of(films: Sequence[tuple[Path, os.stat_result]]) -> list[str | None]:
    """Return films' own dates; looked up once for as long as a file stays as it is."""
    keys = [(str(path), stat.st_size, stat.st_mtime_ns) for path, stat in films]
    new = [(key, path) for key, (path, _) in zip(keys, films, strict=True) if key not in _dates]
    if new:
        found = film_dates([path for _, path in new])
        _dates.update(zip((key for key, _ in new), found, strict=True))
    out = [_dates[key] for key in keys]
    while len(_dates) > MOST_SEEN:
        _dates.popitem(last=False)
    return out


def _name_of(path: Path) -> str:
    """Return a file's name as it can be shown: some systems allow what is no text."""
    return os.fsencode(path.name).decode("utf-8", "replace")


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
    places = clip_places(library.home)
    mine = {clip.id for clip in clips_of(library, session_id)}
    taken = {str(place.get("path")) for key, place in places.items() if key in mine}
    known = [path_of(place).parent for place in places.values() if place.get("path")]
    found: dict[str, tuple[Path, os.stat_result]] = {}
    for folder in (*folders, *known):
        try:
            inside = [
                one
                for one in folder.iterdir()
                # What begins with a dot is a system's own.
                if one.suffix.lower() in MEDIA_TYPES and not one.name.startswith(".")
            ]
        except (OSError, ValueError):
            # A folder that isn't there, or isn't ours to read, holds nothing.
            continue
        for one in inside:
            # Neither does a file that has gone meanwhile.
            with contextlib.suppress(OSError, ValueError, RuntimeError):
                path = one.resolve()
                if path.is_file() and kept_path(path) not in taken and path.stat().st_size:
                    found[str(path)] = (path, path.stat())
    newest = sorted(found.values(), key=lambda one: -one[1].st_mtime)
    dates = _dates_of(newest[:MOST_DATES])
    day = datetime.fromisoformat(session.start).date()
    films = [
        Film(
            key=hashlib.sha256(
                os.fsencode(path) + f"|{stat.st_size}|{stat.st_mtime_ns}".encode()
            ).hexdigest()[: 2 * ID_BYTES],
            name=_name_of(path),
            path=path,
            size_bytes=stat.st_size,
            changed=(changed := datetime.fromtimestamp(stat.st_mtime, UTC).astimezone()),
            fits=k < len(dates)
            and any(
                -DATE_SLACK_S <= at_s <= session.duration_s + DATE_SLACK_S
                for at_s in _guesses(dates[k], session.start, 0.0)
            ),
            same_day=changed.date() == day,
        )
        for k, (path, stat) in enumerate(newest)
    ]
    return sorted(films, key=lambda film: film.likely)


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
    places = clip_places(library.home)
    here = {str(place.get("path")): key for key, place in places.items()}
    known = here.get(kept_path(path))
    if known is None and len(before) >= MOST_CLIPS:
        raise LibraryError(f"there are {MOST_CLIPS} clips beside this session: remove some first")
    # The same file again is lined up anew under its own id.
    earlier = next((c for c in before if c.id == known), None)
    clip_id = secrets.token_hex(ID_BYTES) if earlier is None else earlier.id
    if earlier is not None and seq is None:
        seq = earlier.seq
    match = line_up(library, session_id, facts, seq=seq, distance_m=distance_m)
    clip = Clip(
        id=clip_id,
        session=session_id,
        name=_name_of(path),
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
    places[clip_id] = clip_place(path, session_id)
    write_clip_places(library.home, places)
    keep_clip(library, session_id, clip_id, clip)
    return clip


def line_up(
    library: Library,
    session_id: str,
    facts: ClipFacts,
    *,
    seq: int | None = None,
    distance_m: float = 3.0,
) -> ClipMatch:
    """Find where a clip lies on a recording's clock, by its sound and its date.

    Raises
    ------
    NoSuchError
    """
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
    facts = read_clip(media_file(library.home, clip_id))
    match = line_up(library, session_id, facts, seq=seq, distance_m=distance_m)
    heard = dataclasses.replace(
        clip,
        seq=seq,
        offset_s=match.offset_s,
        offset_u_s=match.offset_u_s,
        sure=match.sure,
        why=match.why,
        by_hand=False,
    )
    keep_clip(library, session_id, clip_id, heard)
    return heard
