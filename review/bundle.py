"""One file that a player sends to a coach and back, and one player's data as a whole.

A bundle is a zip with a manifest that lists every other file with its size and SHA-256. Nothing
else in the zip is looked at, no name in it is used as a path, and nothing is written before all of
it has been checked, so a bundle from a stranger can at worst be refused.
"""

from __future__ import annotations

import contextlib
import csv
import hashlib
import io
import json
import re
import secrets
import shutil
import stat
import uuid
import zipfile
import zlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import IO, Any, Final

from review.liberrors import BundleError, NoSuchError
from review.library import Library
from review.people import Player, now_utc, player_from
from review.store import COLUMNS
from sensor.annotations import Annotations, annotations_from, change_annotations
from sensor.csvfile import write_csv_to
from sensor.errors import SensorError
from sensor.layout import (
    ANNOTATIONS_FILE,
    IMU_FILE,
    MARKERS_FILE,
    PACKETS_FILE,
    TRUTH_FILE,
    owned_file,
)
from sensor.output import describe_os_error, finish_folder, whole_file
from sensor.recording import open_recording
from sensor.session import SESSION_FILE, program_version, read_session, session_from_json

__all__ = ["Bundle", "Opened", "export_player", "make_bundle", "open_bundle", "read_bundle", "safe"]

FORMAT: Final = "unhurried bundle"
VERSION: Final = 1
MANIFEST: Final = "manifest.json"

MOST_BYTES: Final = 4_000_000_000
"""Of everything in a bundle, unpacked: a hundred hours of a sensor. (Chosen here.)"""
MOST_RATIO: Final = 100
"""Unpacked to packed: counts of a sensor shrink to a third, words to a twentieth. (Assumed.)"""
MOST_FILES: Final = 10_000
MOST_MANIFEST: Final = 10_000_000
_PIECE: Final = 1 << 20
_RAW: Final = (SESSION_FILE, IMU_FILE, PACKETS_FILE, MARKERS_FILE, TRUTH_FILE)


def safe(value: Any) -> Any:
    """Return a table's cell that no spreadsheet takes for a formula.

    Words that begin with ``= + - @``, a tab or a line end get an apostrophe before them; numbers
    stay numbers. (The characters are those that OWASP names under "CSV Injection".)
    """
    if isinstance(value, str) and value.lstrip(" ")[:1] in ("=", "+", "-", "@", "\t", "\r", "\n"):
        return f"'{value}"
    return value


@dataclass(frozen=True, slots=True, kw_only=True)
class Bundle:
    """What a bundle says of itself.

    Attributes
    ----------
    made_at : str
    message : str or None
    drill : mapping or None
        A drill that the coach assigned.
    players : tuple of Player
        Those of the recordings.
    recordings : tuple of str
        Ids.
    files : mapping of str to (int, str)
        Size and SHA-256 by name.
    """

    made_at: str
    message: str | None
    drill: Mapping[str, Any] | None
    players: tuple[Player, ...]
    recordings: tuple[str, ...]
    files: Mapping[str, tuple[int, str]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Opened:
    """What became of a bundle's recordings.

    Attributes
    ----------
    bundle : Bundle
    new : tuple of Path
        Folders that were made; the library has yet to measure them.
    merged : mapping of str to int
        Recordings that were there already: how many words were newer in the bundle.
    players : tuple of Player
        As they are kept now.
    """

    bundle: Bundle
    new: tuple[Path, ...]
    merged: Mapping[str, int]
    players: tuple[Player, ...]


# -- making --------------------------------------------------------------------------------------


def make_bundle(
    library: Library,
    sessions: Sequence[tuple[str, Path]],
    out: Path,
    *,
    message: str | None = None,
    drill: Mapping[str, Any] | None = None,
    overwrite: bool = False,
) -> Bundle:
    """Write a bundle of sessions, whole or not at all.

    The players of the recordings come along with name, handedness, references and plans, but
    without note and consent, which are nobody else's business.

    Parameters
    ----------
    library : Library
    sessions : sequence of (str, Path)
        Ids and folders of the recordings.
    out : Path
    message : str, optional
    drill : mapping, optional
        An assigned drill.
    overwrite : bool

    Raises
    ------
    BundleError, SensorError
    """
    if not sessions:
        raise BundleError("a bundle needs at least one session")
    people: dict[str, Player] = {}
    for session_id, _ in sessions:
        for row in library.segments(session_id):
            known = None if row["player_id"] is None else library.people.get(row["player_id"])
            if known is not None:
                people[known.id] = known
    files: dict[str, tuple[int, str]] = {}
    with (
        whole_file(out, overwrite=overwrite) as file,
        zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED, compresslevel=3) as archive,
    ):
        for session_id, path in dict(sessions).items():
            for name in (*_RAW, ANNOTATIONS_FILE):
                if (path / name).is_file():
                    inside = f"recordings/{session_id}/{name}"
                    with (path / name).open("rb") as source:
                        files[inside] = _pack(archive, inside, source)
        bundle = Bundle(
            made_at=now_utc(),
            message=message,
            drill=drill,
            players=tuple(_shared(p) for _, p in sorted(people.items())),
            recordings=tuple(dict(sessions)),
            files=files,
        )
        archive.writestr(MANIFEST, _manifest(bundle))
    return bundle


def _shared(player: Player) -> Player:
    import dataclasses

    return dataclasses.replace(player, note=None, consent=None)


def _pack(archive: zipfile.ZipFile, name: str, source: IO[bytes]) -> tuple[int, str]:
    digest = hashlib.sha256()
    size = 0
    with archive.open(name, "w", force_zip64=True) as target:
        while piece := source.read(_PIECE):
            target.write(piece)
            digest.update(piece)
            size += len(piece)
    return size, digest.hexdigest()


def _manifest(bundle: Bundle) -> str:
    document = {
        "format": FORMAT,
        "version": VERSION,
        "program_version": program_version(),
        "made_at": bundle.made_at,
        "message": bundle.message,
        "drill": None if bundle.drill is None else dict(bundle.drill),
        "players": [player.document() for player in bundle.players],
        "recordings": list(bundle.recordings),
        "files": {name: {"size": n, "sha256": sha} for name, (n, sha) in bundle.files.items()},
    }
    return json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


# -- opening -------------------------------------------------------------------------------------


@contextlib.contextmanager
def _opened(path: Path) -> Iterator[zipfile.ZipFile]:
    try:
        with zipfile.ZipFile(path) as archive:
            yield archive
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError) as error:
        raise BundleError(f"{path}: is not a whole bundle: have it sent once more") from error
    except RuntimeError as error:
        raise BundleError(f"{path}: is encrypted: have it sent without a password") from error
    except OSError as error:
        raise BundleError(f"{path}: cannot be read: {describe_os_error(error)}") from error


def read_bundle(path: Path) -> Bundle:
    """Read and check what a bundle says of itself; its files are checked when it is opened.

    Raises
    ------
    BundleError
    """
    with _opened(path) as archive:
        return _read(archive, path)


def _read(archive: zipfile.ZipFile, path: Path) -> Bundle:
    names = [info.filename for info in archive.infolist()]
    if MANIFEST not in names:
        raise BundleError(f"{path}: is not a bundle: it has no {MANIFEST}")
    if len(names) > MOST_FILES or len(set(names)) != len(names):
        raise BundleError(f"{path}: is not a bundle: it holds too many files, or one twice")
    info = archive.getinfo(MANIFEST)
    if info.file_size > MOST_MANIFEST:
        raise BundleError(f"{path}: is not a bundle: its {MANIFEST} is too large")
    with archive.open(info) as file:
        text = file.read(MOST_MANIFEST + 1)
    try:
        document = json.loads(text)
        if document["format"] != FORMAT:
            raise ValueError("another format")
        version = document["version"]
        if isinstance(version, int) and version > VERSION:
            raise BundleError(
                f"{path}: has version {version}; this version of unhurried opens up to {VERSION}: "
                "update unhurried"
            )
        message, drill = document.get("message"), document.get("drill")
        if not isinstance(message, (str, type(None))) or not isinstance(drill, (dict, type(None))):
            raise ValueError("no message")
        bundle = Bundle(
            made_at=str(document["made_at"]),
            message=message,
            drill=drill,
            players=tuple(player_from(item, path) for item in document["players"]),
            recordings=tuple(map(str, document["recordings"])),
            files={
                str(name): (int(item["size"]), str(item["sha256"]))
                for name, item in document["files"].items()
            },
        )
    except (AttributeError, KeyError, TypeError, ValueError, RecursionError) as error:
        raise BundleError(f"{path}: is broken: its {MANIFEST} isn't what it must be") from error
    except BundleError:
        raise
    except Exception as error:
        if isinstance(error, (zipfile.BadZipFile, zlib.error)):
            raise
        raise BundleError(f"{path}: is broken: {error}") from error
    _check_names(bundle, names, path)
    return bundle


def _check_names(bundle: Bundle, names: Sequence[str], path: Path) -> None:
    """Refuse anything that isn't a recording's own file in a recording's own place."""
    for name in bundle.recordings:
        try:
            fine = str(uuid.UUID(name)) == name
        except ValueError:
            fine = False
        if not fine:
            raise BundleError(f"{path}: is broken: a recording's id isn't one")
    allowed = {
        f"recordings/{one}/{name}"
        for one in bundle.recordings
        for name in (*_RAW, ANNOTATIONS_FILE)
    }
    strange = sorted((set(names) - {MANIFEST}) ^ set(bundle.files)) or sorted(
        set(bundle.files) - allowed
    )
    if strange:
        shown = "".join(c if c.isprintable() else "?" for c in strange[0])[:60]
        raise BundleError(
            f"{path}: is refused: it holds, or lacks, a file '{shown}' against its own list"
        )
    total = sum(size for size, _ in bundle.files.values())
    if any(size < 0 for size, _ in bundle.files.values()) or total > MOST_BYTES:
        raise BundleError(
            f"{path}: is refused: unpacked it would be larger than {MOST_BYTES / 1e9:.0f} GB"
        )
    if total > MOST_RATIO * path.stat().st_size:
        raise BundleError(
            f"{path}: is refused: it would unpack to over {MOST_RATIO} times its size"
        )
    for one in bundle.recordings:
        for name in (SESSION_FILE, IMU_FILE):
            if f"recordings/{one}/{name}" not in bundle.files:
                raise BundleError(f"{path}: is broken: recording {one[:8]} has no {name}")


def open_bundle(
    library: Library,
    path: Path,
    folder: Path,
    *,
    known_as: Callable[[Player, Sequence[Player]], Player | None] | None = None,
) -> Opened:
    """Take in a bundle: new recordings into a folder, words about known ones into theirs.

    All of it is unpacked beside its place and checked before anything is kept.

    Parameters
    ----------
    library : Library
    path : Path
        The bundle.
    folder : Path
        Where new recordings go.
    known_as : callable, optional
        Told a player of the bundle and who has that name here; gives the one that is meant, or
        None for a new player. Without it one of that name is the one, and of several none.

    Returns
    -------
    Opened

    Raises
    ------
    BundleError
        Nothing was changed.
    SensorError, LibraryError
    """
    with _opened(path) as archive:
        bundle = _read(archive, path)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        part = folder / f".bundle-{secrets.token_hex(4)}"
        part.mkdir()
    except OSError as error:
        raise BundleError(f"{folder}: cannot be written: {describe_os_error(error)}") from error
    try:
        with _opened(path) as archive:
            said = {
                one: _unpack(archive, bundle, one, part / one, path) for one in bundle.recordings
            }
        players, renamed = _meet(library, bundle, known_as)
        return _keep(library, bundle, folder, part, said, players, renamed)
    finally:
        shutil.rmtree(part, ignore_errors=True)


def _unpack(
    archive: zipfile.ZipFile, bundle: Bundle, one: str, place: Path, path: Path
) -> Annotations:
    """Unpack one recording and check that it is what it says."""
    place.mkdir()
    for name in (*_RAW, ANNOTATIONS_FILE):
        inside = f"recordings/{one}/{name}"
        if inside not in bundle.files:
            continue
        size, sha = bundle.files[inside]
        info = archive.getinfo(inside)
        if stat.S_ISLNK(info.external_attr >> 16):
            raise BundleError(f"{path}: is refused: '{name}' in it is a link")
        digest = hashlib.sha256()
        left = size
        with archive.open(info) as source:
            try:
                target = (place / name).open("xb")
            except OSError as error:
                raise BundleError(f"{place}: {describe_os_error(error)}") from error
            with target:
                while (piece := source.read(_PIECE)) and left >= 0:
                    left -= len(piece)
                    digest.update(piece)
                    if left >= 0:
                        _write(target, piece)
        if left != 0 or digest.hexdigest() != sha:
            raise BundleError(
                f"{path}: '{name}' in it was damaged on its way: have it sent once more"
            )
    try:
        text = (place / SESSION_FILE).read_text(encoding="utf-8")
        if session_from_json(text, path).id != one:
            raise BundleError(f"{path}: is broken: a recording in it has another's id")
        with open_recording(place):
            pass
        words = place / ANNOTATIONS_FILE
        if not words.exists():
            return Annotations(one)
        said = annotations_from(json.loads(words.read_text(encoding="utf-8")), path)
    except (SensorError, UnicodeDecodeError, ValueError, RecursionError) as error:
        reason = str(error).removeprefix(f"{place}").removeprefix(f"{path}").lstrip(":/ ")
        raise BundleError(f"{path}: a recording in it cannot be used: {reason}") from error
    if said.recording != one:
        raise BundleError(f"{path}: is broken: its annotations belong to another recording")
    return said


def _write(target: IO[bytes], piece: bytes) -> None:
    try:
        target.write(piece)
        target.flush()
    except OSError as error:
        raise BundleError(f"the bundle cannot be unpacked: {describe_os_error(error)}") from error


def _meet(
    library: Library,
    bundle: Bundle,
    known_as: Callable[[Player, Sequence[Player]], Player | None] | None,
) -> tuple[list[Player], dict[str, str]]:
    """Find who the bundle's players are here; the second is ids there to ids here."""
    here = library.people.all()
    players, renamed = [], {}
    for one in bundle.players:
        known = next((p for p in here if p.id == one.id), None)
        if known is None:
            namesakes = [p for p in here if p.known_as(one.name)]
            if known_as is not None and namesakes:
                known = known_as(one, namesakes)
            elif len(namesakes) == 1:
                known = namesakes[0]
            elif namesakes:
                raise BundleError(
                    f"several players here are called '{one.name}': say which one is meant with "
                    f"--as '{one.name}=ID'"
                )
        player = one if known is None else _joined(known, one)
        players.append(player)
        renamed[one.id] = player.id
    return players, renamed


def _joined(mine: Player, theirs: Player) -> Player:
    """Take over names, references and plans; note and consent stay as they are here."""
    import dataclasses

    merged = mine.merged(theirs)
    return dataclasses.replace(merged, note=mine.note, consent=mine.consent, child=mine.child)


def _keep(
    library: Library,
    bundle: Bundle,
    folder: Path,
    part: Path,
    said: Mapping[str, Annotations],
    players: Sequence[Player],
    renamed: Mapping[str, str],
) -> Opened:
    for player in players:
        library.save_player(player)
    new: list[Path] = []
    merged: dict[str, int] = {}
    for one, theirs in said.items():
        for key, entry in list(theirs.entries.items()):
            if key[0] == "identity" and entry.value in renamed:
                import dataclasses

                theirs.entries[key] = dataclasses.replace(entry, value=renamed[entry.value])
        # What was undone there is no business of whoever opens it here.
        theirs.history.clear()
        place = _place(library, one, folder)
        if place is not None:
            with change_annotations(place) as mine:
                merged[one] = mine.merge(theirs)
            continue
        source = part / one
        session = read_session(source)
        day = datetime.fromisoformat(session.start).strftime("%Y-%m-%d")
        target = folder / f"{day}-{session.mount or 'session'}-{one[:8]}"
        if target.exists():
            target = folder / f"{day}-{session.mount or 'session'}-{one}"
        if theirs.entries:
            theirs.save(source)
        for name in _RAW:
            if (source / name).exists():
                (source / name).chmod(stat.S_IREAD | stat.S_IRGRP | stat.S_IROTH)
        finish_folder(source, target, overwrite=False, owned=owned_file)
        new.append(target)
    for one in said:
        _know(library, one, bundle, renamed, [*new])
    return Opened(bundle=bundle, new=tuple(new), merged=merged, players=tuple(players))


def _know(
    library: Library,
    one: str,
    bundle: Bundle,
    renamed: Mapping[str, str],
    new: Sequence[Path],
) -> None:
    """Write into new recordings who their names are, where a player here has another name."""
    place = next((path for path in new if read_session(path).id == one), None)
    if place is None:
        return
    known = {p.id: p for p in library.people.all()}
    with change_annotations(place) as said:
        for theirs in bundle.players:
            mine = known[renamed[theirs.id]]
            namesakes = [p for p in known.values() if p.known_as(theirs.name)]
            if theirs.name not in said.identities() and namesakes != [mine]:
                said.set("identity", theirs.name, value=mine.id)


def _place(library: Library, one: str, folder: Path) -> Path | None:
    """Return where a recording is already, None if it isn't."""
    with contextlib.suppress(NoSuchError):
        return library.path_of(one)
    for path in sorted(folder.iterdir()):
        if not path.name.startswith(".") and (path / SESSION_FILE).is_file():
            with contextlib.suppress(SensorError):
                if read_session(path).id == one:
                    return path
    return None


# -- one player's data ---------------------------------------------------------------------------


def swings_csv(library: Library, **filters: Any) -> str:
    """Return a table of swings as CSV text, with everything that is kept of each.

    Parameters
    ----------
    **filters
        As `Library.swings`.
    """
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    table = library.swings(columns=tuple(COLUMNS), excluded=True, **filters)
    writer.writerow(table.columns)
    for row in table.rows():
        writer.writerow("" if v is None else safe(v) for v in row.values())
    return text.getvalue()


def export_player(library: Library, player: Player, out: Path, *, overwrite: bool = False) -> str:
    """Write all that is kept of a player into one zip; return what is in it, in words.

    Parameters
    ----------
    library : Library
    player : Player
    out : Path
    overwrite : bool

    Raises
    ------
    SensorError, LibraryError
    """
    removal = library.removal(player.id)
    sessions = {s.path: s for s in library.sessions(player=player.id)}
    cut = 0
    with (
        whole_file(out, overwrite=overwrite) as file,
        zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED, compresslevel=3) as archive,
    ):
        text = json.dumps(player.document(), indent=1, ensure_ascii=False) + "\n"
        archive.writestr("player.json", text)
        archive.writestr("swings.csv", swings_csv(library, player=player.id))
        for path in removal.own:
            for name in (*_RAW, ANNOTATIONS_FILE):
                if (path / name).is_file():
                    place = f"recordings/{_file_name(path.name)}-{sessions[path].id[:8]}/{name}"
                    archive.write(path / name, place)
        for path in removal.shared:
            cut += _export_shared(library, archive, sessions[path].id, path, player)
    words = [
        "the player's file",
        f"a table of {removal.swings:,} swings",
        f"{len(removal.own):,} whole recordings",
    ]
    if removal.shared:
        words.append(
            f"{cut:,} swings cut out of {len(removal.shared):,} recordings with others in them"
        )
    if removal.missing:
        words.append(f"without {len(removal.missing):,} recordings that aren't there now")
    return ", ".join(words)


def _export_shared(
    library: Library, archive: zipfile.ZipFile, session: str, path: Path, player: Player
) -> int:
    """Write the samples of this player's swings in a recording with others in it, and the words."""
    table = library.swings(
        session=session, player=player.id, columns=("seq", "number"), excluded=True
    )
    words: dict[str, Any] = {}
    place = f"shared/{_file_name(path.name)}-{session[:8]}"
    with open_recording(path) as recording:
        for seq, number in zip(table["seq"].tolist(), table["number"].tolist(), strict=True):
            span, _ = library.span(session, seq)
            text = io.BytesIO()
            write_csv_to(
                text,
                recording,
                first_s=recording.time_of_seq(span.first_seq) - 1.0,
                last_s=recording.time_of_seq(span.last_seq) + 1.0,
            )
            archive.writestr(f"{place}/swing-{number:04d}.csv", text.getvalue())
            detail = library.swing(session, seq=seq)
            words[str(number)] = {
                "felt": dict(detail.felt),
                "result": detail.result,
                "tags": list(detail.tags),
                "notes": list(detail.notes),
                "excluded": detail.excluded,
            }
    archive.writestr(f"{place}/words.json", json.dumps(words, indent=1, ensure_ascii=False) + "\n")
    return len(table)


def _file_name(text: str) -> str:
    return re.sub(r"[^A-Za-z0-9._-]+", "_", text).strip("._") or "recording"
