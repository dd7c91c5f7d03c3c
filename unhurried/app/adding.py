"""Files that are added: recordings, what was sent, tables and films, taken in with their words."""

from __future__ import annotations

import contextlib
import logging
import os
import re
import secrets
import shutil
from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from library.bundle import RAW_FILES
from library.errors import LibraryError
from library.players import clean_name
from library.zip_door import unpack_file, zip_opened
from review.page.services import NEW_PLAYER, AddAnswers, Done, Say
from sensor.errors import (
    OtherUnitError,
    RateTooHighError,
    RateTooLowError,
    RecordingError,
    SensorError,
)
from sensor.recording.column_guess import column_map
from sensor.recording.csvfile import import_csv
from sensor.recording.layout import ANNOTATIONS_FILE, IMU_FILE
from sensor.recording.recover import recover
from sensor.recording.session import SESSION_FILE, read_session
from unhurried.app.errors import CommandError
from unhurried.app.home_parts import make_folder
from unhurried.app.ingest import analyze_one
from unhurried.app.who_is_meant import known_as
from words.plain import count

if TYPE_CHECKING:
    from library.catalogue import Library
    from library.players import Player

_log = logging.getLogger(__name__)

OWN_FILES = frozenset((*RAW_FILES, ANNOTATIONS_FILE))


def add_recordings(
    library: Library, path: Path, say: Say, answers: Mapping[str, str] | None = None
) -> Done:
    """Take in the recordings of a zip.

    Parameters
    ----------
    library : Library
    path : Path
    say : callable
    answers : mapping of str to str, optional
        Who is meant by a name that fits several players.

    Raises
    ------
    LibraryError, SensorError
        Nothing was changed.
    """
    folder = make_folder(library.home, "recordings")
    part = folder / f".added-{secrets.token_hex(4)}"
    part.mkdir()
    try:
        with zip_opened(path) as archive:
            inside: dict[str, list[str]] = {}
            for name in archive.namelist():
                place, _, last = name.rpartition("/")
                if last in OWN_FILES:
                    inside.setdefault(place, []).append(name)
            found = [
                place
                for place, names in inside.items()
                if f"{place}/{IMU_FILE}".lstrip("/") in names
            ]
            if not found:
                raise CommandError("there is no recording in it")
            folders = []
            for done, place in enumerate(found):
                say("unpacking", done / len(found))
                target = part / f"{done:04d}-{_plain(place.rpartition('/')[2] or path.stem)}"
                target.mkdir()
                for name in inside[place]:
                    with (target / name.rpartition("/")[2]).open("xb") as file:
                        unpack_file(archive, name, file, path)
                folders.append(target)
        return take_in_folders(library, folders, folder, say, known_as(library, answers or {}))
    finally:
        shutil.rmtree(part, ignore_errors=True)


def _plain(name: str) -> str:
    return re.sub(r"[^A-Za-z0-9._-]+", "_", name).strip("._")[:80] or "recording"


def take_in_folders(
    library: Library,
    folders: Sequence[Path],
    into: Path,
    say: Say,
    meant: Mapping[str, str] | None = None,
) -> Done:
    """Move recordings into a folder and take them into the library; mend what is broken.

    Parameters
    ----------
    library : Library
    folders : sequence of Path
        Unpacked ones.
    into : Path
    say : callable
    meant : mapping of str to str, optional
        Players' ids by name.
    """
    lines: list[str] = []
    taken: list[str] = []
    there = 0
    for done, folder in enumerate(folders):
        say(f"measuring {folder.name.partition('-')[2] or folder.name}", done / len(folders))
        target = folder
        try:
            source, told = _sound(folder)
            lines += told
            session = read_session(source)
            if library_has(library, session.id):
                there += 1
                continue
            day = datetime.fromisoformat(session.start).strftime("%Y-%m-%d")
            target = into / f"{day}-{session.mount or 'session'}-{session.id[:8]}"
            if os.path.lexists(target):
                target = into / f"{session.id}-{secrets.token_hex(2)}"
            source.rename(target)
            taken.append(_put_whole(library, target, meant))
        except (SensorError, LibraryError) as error:
            text = str(error)
            for place in (folder, target):
                text = text.replace(str(place), folder.name.partition("-")[2])
            lines.append(text)
    return _told(library, taken, there, lines, failed=len(folders) - len(taken) - there)


def _put_whole(library: Library, folder: Path, meant: Mapping[str, str] | None) -> str:
    """Put a recording into the library, or leave nothing of it behind."""
    try:
        return put(library, folder, meant)
    except (SensorError, LibraryError):
        shutil.rmtree(folder, ignore_errors=True)
        raise


def _sound(folder: Path) -> tuple[Path, list[str]]:
    """Return a recording that can be read: as it is, or mended, and what is said of that."""
    from sensor.recording.opening import open_recording

    try:
        with open_recording(folder) as recording:
            signs = ("whole samples", "zero", "cut short")
            torn = any(sign in text for text in recording.warnings for sign in signs)
            if recording.n_samples and not torn:
                return folder, []
            why = "; ".join(recording.warnings) or "it holds no samples"
    except (RateTooLowError, RateTooHighError):
        # It is whole, and no sensor's.
        raise
    except RecordingError as error:
        why = error.problem
    mended = folder.with_name(f"{folder.name}-mended")
    report = recover(folder, mended)
    first, *more = report.lines()
    name = folder.name.partition("-")[2]
    lines = [f"{name} was broken ({why}) and is mended: {first.replace(str(mended), name)}", *more]
    return mended, [line.replace(str(mended), name) for line in lines]


def library_has(library: Library, session_id: str) -> bool:
    """Whether a session is in the library."""
    from library.errors import NoSuchError

    try:
        return library.session(session_id).id == session_id
    except NoSuchError:
        return False


def put(library: Library, folder: Path, known_as: Mapping[str, str] | None = None) -> str:
    """Measure a recording and put it into the library; return its id."""
    where = folder.resolve()
    if not {where, *where.parents} & set(library.sources()):
        library.remember([where.parent if where.parent.name == "recordings" else where])
    analyzed = analyze_one(folder, library.home)
    library.put(analyzed, known_as=known_as)
    return analyzed.id


def _told(
    library: Library, taken: Sequence[str], there: int, lines: Sequence[str], *, failed: int
) -> Done:
    swings = sum(library.session(one).swings for one in taken)
    words = [
        f"{count(len(taken), 'session')} added, with {count(swings, 'swing')}" if taken else "",
        f"{count(there, 'session')} {'was' if there == 1 else 'were'} here already"
        if there
        else "",
        f"{count(failed, 'recording')} can't be read" if failed else "",
    ]
    text = "; ".join(word for word in words if word) or "There was nothing in it"
    return Done(
        text=f"{text[0].upper()}{text[1:]}.",
        lines=tuple(lines),
        url=f"/session/{taken[-1]}" if taken else "",
        wrong=bool(failed) and not taken,
    )


def add_bundle(library: Library, path: Path, say: Say, answers: AddAnswers | None = None) -> Done:
    """Take in what somebody sent: new recordings, and words about known ones.

    Raises
    ------
    LibraryError, SensorError
    """
    from library.bundle import open_bundle

    answers = answers or AddAnswers()

    def meant(theirs: Player, namesakes: Sequence[Player]) -> Player | None:
        who = answers.known_as.get(clean_name(theirs.name))
        if who is not None:
            return None if who == NEW_PLAYER else library.player(who)
        if len(namesakes) == 1:
            return namesakes[0]
        if not namesakes:
            return None
        raise CommandError(f"several players here are called {theirs.name}: say who is meant")

    say("checking", None)
    folder = make_folder(library.home, "recordings")
    opened = open_bundle(library, path, folder, known_as=meant, take_names=answers.take_names)
    taken: list[str] = []
    for done, place in enumerate(opened.new):
        say("measuring", done / len(opened.new))
        taken.append(put(library, place))
    merged = 0
    for one, words in opened.merged.items():
        merged += words
        if library_has(library, one):
            library.refresh(one)
    lines = [f"Message: {opened.bundle.message}"] if opened.bundle.message else []
    drill = opened.bundle.drill or {}
    lines += [f"Drill: {drill['text']}"] if isinstance(drill.get("text"), str) else []
    lines += [f"{count(merged, 'newer word')} taken over."] if merged else []
    lines += [one.replace(str(path), path.name) for one in opened.refused]
    return _told(library, taken, len(opened.merged), lines, failed=0)


def add_table(library: Library, path: Path, answers: AddAnswers, say: Say) -> Done:
    """Make a recording of a sensor's samples in a table, and take it in.

    Raises
    ------
    SensorError, LibraryError, CommandError
    """
    try:
        text = column_map(answers.columns)
    except ValueError as error:
        raise CommandError(str(error)) from error
    size, read = max(1, path.stat().st_size), 0

    def progress(n: int) -> None:
        nonlocal read
        read += n
        say("reading", min(1.0, read / size))

    name, known_as = _player(library, answers)
    folder = make_folder(library.home, "recordings")
    day = (answers.start or datetime.now().isoformat())[:10]
    target = folder / f"{day}-{_plain(path.stem)}"
    if os.path.lexists(target):
        target = target.with_name(f"{target.name}-{secrets.token_hex(2)}")
    try:
        import_csv(
            path,
            target,
            mount=answers.mount,
            hand=answers.hand,
            player=name,
            club=answers.club,
            column_map=text,
            start=answers.start,
            progress=progress,
        )
    except OtherUnitError as error:
        what = {"acc": "acceleration", "gyr": "rotation"}[error.kind]
        raise CommandError(
            f"The numbers of {what} look like {error.unit}: choose {error.unit} as their unit."
        ) from error
    say("measuring", None)
    taken = _put_whole(library, target, known_as)
    return _told(library, [taken], 0, library.session(taken).warnings, failed=0)


def _player(library: Library, answers: AddAnswers) -> tuple[str | None, dict[str, str]]:
    if answers.player_id is not None:
        player = library.player(answers.player_id)
        return player.name, {player.name: player.id}
    return answers.player, {}


def add_film(library: Library, path: Path, folder: Path, say: Say) -> Done:
    """Keep a film with the others, and lay it beside the session in which it was made.

    Parameters
    ----------
    library : Library
    path : Path
    folder : Path
        For films.
    say : callable

    Raises
    ------
    LibraryError, SensorError, CommandError
    """
    from library.clips import MEDIA_TYPES
    from review.errors import ReviewError
    from review.lining_up import attach, films_for

    ending = path.suffix.lower()
    if ending not in MEDIA_TYPES:
        raise CommandError(f"a film is one of {', '.join(MEDIA_TYPES)}")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        target = folder / path.name
        if os.path.lexists(target):
            target = folder / f"{path.stem}-{secrets.token_hex(2)}{path.suffix}"
        shutil.move(path, target)
    except OSError as error:
        raise CommandError(f"the film cannot be kept: {error.strerror or error}") from error
    say("listening for the ball", None)
    for session in library.sessions(limit=50):
        films = films_for(library, session.id, [folder])
        mine = next((one for one in films if one.path == target.resolve()), None)
        if mine is None or not mine.fits:
            continue
        with contextlib.suppress(ReviewError, LibraryError, SensorError):
            attach(library, session.id, target)
            return Done(
                text="The film lies beside its session.", url=f"/session/{session.id}/clips"
            )
    newest = library.sessions(limit=1)
    return Done(
        text="The film is kept. It was made in no session that is here.",
        lines=("To lay it beside one all the same, open the session and press Films.",),
        url=f"/session/{newest[0].id}/clips" if newest else "",
    )


def add_backup(library: Library, path: Path, say: Say) -> Done:
    """Bring a backup back, and fill the library from its recordings.

    Raises
    ------
    LibraryError, SensorError
    """
    from library.backup import bring_back

    recordings, players = bring_back(library, path, say)
    if recordings:
        library.remember([library.home / "recordings"])
    for player in library.people.all():
        library.save_player(player)
    lines = []
    kept = 0
    for done, folder in enumerate(recordings):
        say(f"measuring {folder.name[:10]}", done / len(recordings))
        try:
            library.put(analyze_one(folder, library.home))
            kept += 1
        except (SensorError, LibraryError) as error:
            lines.append(str(error).replace(str(folder), folder.name))
    return Done(
        text=f"{count(players, 'player')} and {count(kept, 'session')} are back.",
        lines=tuple(lines),
        url="/",
    )


def found_session(folder: Path) -> bool:
    """Whether a folder holds a recording."""
    return (folder / SESSION_FILE).is_file() and (folder / IMU_FILE).is_file()
