"""The library: every session kept, found again, and asked in many ways.

It owns no raw data. Its database is made from the recordings, their ``annotations.json`` and the
players' files, and can be made anew from them at any time; what people say is written to those
files first and to the database after.
"""

from __future__ import annotations

import contextlib
import dataclasses
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final, Literal, Self

from analysis.evidence.prior import Prior
from analysis.swing.results import ANALYSIS_VERSION
from library.analyzed import Analyzed
from library.derive import Remeasure, rows_of
from library.errors import BrokenLibraryError, LibraryFileError, NoSuchError
from library.identities import Deleted, Identities
from library.names import Names, names_in
from library.players import PlanRecord, Player, ReferenceRecord, Registry, clean_name, now_utc
from library.queries import Queries
from library.rows import Candidate
from library.sore import sore_word
from library.sources import (
    NO_FOLDER,
    annotations_mark,
    find_recordings,
    fingerprint,
    is_recording,
    known_folders,
    write_folders,
)
from library.store import Store
from sensor.errors import SensorError
from sensor.recording.annotations import (
    Annotations,
    Change,
    SwingSpan,
    change_annotations,
    read_annotations,
)
from sensor.recording.calibration import CalibrationError, calibration_for
from sensor.recording.lock import lock_state
from sensor.recording.output import describe_os_error
from sensor.recording.session import Session, read_session

LIBRARY_FILE: Final = "library.db"


def calibration_label(home: Path, session: Session) -> str:
    """Say which calibration in the home applies to a recording by itself; empty if none.

    One that cannot be read counts as none; whoever measures says so.
    """
    try:
        found = calibration_for(
            home,
            session.sensor,
            session.start,
            gyr_range_dps=session.gyr_range_dps,
            acc_range_g=session.acc_range_g,
        )
    except CalibrationError:
        return ""
    return "" if found is None else f"{found.key} of {found.made_at}"


class Library(Queries):
    """The library of one home. Several processes and threads may use it at once.

    Parameters
    ----------
    home : Path
        Made if it isn't there.
    remeasure : callable, optional
        Measures the turn between events that were set by hand; without it such a turn is absent.
    analysis_version : str
        Of the analysis that measures now; other results count as outdated.
    read_only : bool
        The home and its database are made by nobody, and nothing is written to the database.

    Raises
    ------
    NewerLibraryError, BrokenLibraryError, BusyLibraryError, LibraryError
    """

    def __init__(
        self,
        home: Path,
        *,
        remeasure: Remeasure | None = None,
        analysis_version: str = ANALYSIS_VERSION,
        read_only: bool = False,
    ) -> None:
        self.home = Path(home)
        self._remeasure = remeasure
        self.analysis_version = analysis_version
        self.read_only = read_only
        file = self.home / LIBRARY_FILE
        if read_only:
            if not file.is_file():
                raise LibraryFileError(file, "isn't there: 'unhurried library add FOLDER' makes it")
        else:
            try:
                self.home.mkdir(parents=True, exist_ok=True)
            except OSError as error:
                raise LibraryFileError(
                    self.home, f"cannot be made: {describe_os_error(error)}; give another --home"
                ) from error
        super().__init__(Store(file, read_only=read_only), Registry(self.home))
        self.prior = Prior()
        self.identities = Identities(self.home)
        self.deleted = Deleted(self.home)
        self._names = Names(self.store, self.people, self.identities, self.deleted)

    @classmethod
    def anew(cls, home: Path, **options: Any) -> Library:
        """Open the library for a rebuild: a damaged database is put aside first."""
        try:
            library = cls(home, **options)
            try:
                if not library.store.sound():
                    return library
            finally:
                if sys.exc_info()[0] is not None:
                    library.close()
            library.close()
        except BrokenLibraryError:
            pass
        cls.put_aside(home)
        return cls(home, **options)

    @staticmethod
    def put_aside(home: Path) -> None:
        """Rename a damaged database, so that a new one can be made.

        Raises
        ------
        LibraryError
            The operating system refused.
        """
        path = Path(home) / LIBRARY_FILE
        aside = path.with_name(f"{path.name}.damaged-{datetime.now(UTC):%Y%m%d-%H%M%S-%f}")
        try:
            for end in ("", "-wal", "-shm"):
                with contextlib.suppress(FileNotFoundError):
                    path.with_name(path.name + end).rename(aside.with_name(aside.name + end))
        except OSError as error:
            raise LibraryFileError(
                path, f"is damaged and cannot be put aside: {describe_os_error(error)}"
            ) from error

    @property
    def database(self) -> Path:
        """The database's file."""
        return self.store.path

    def tune(self) -> None:
        """Let the database see how much there is of what, so that questions take least time."""
        self.store.tune()

    def close(self) -> None:
        """Close the database."""
        self.store.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # -- where recordings are --------------------------------------------------------------

    def sources(self) -> list[Path]:
        """Return the folders that were given to `remember`, where recordings are looked for."""
        return known_folders(self.home)

    def remember(self, folders: Iterable[Path]) -> None:
        """Keep where recordings come from, so that they are found again.

        Raises
        ------
        LibraryError
            One of them is no folder; none is kept then.
        """
        new = [Path(folder).resolve() for folder in folders]
        for folder in new:
            if not folder.is_dir():
                raise LibraryFileError(folder, NO_FOLDER)
        # The database's one writer is also the one who may change this file.
        with self.store.writing():
            known = self.sources()
            write_folders(self.home, [*known, *(f for f in dict.fromkeys(new) if f not in known)])

    def forget_source(self, folder: Path) -> None:
        """Look in a folder no more; the sessions that came from it stay.

        Raises
        ------
        NoSuchError
            Recordings aren't looked for there.
        """
        wanted = {Path(folder).absolute(), Path(folder).resolve()}
        with self.store.writing():
            known = self.sources()
            left = [one for one in known if one not in wanted]
            if len(left) == len(known):
                there = ", ".join(map(str, known)) or "there are none"
                raise NoSuchError(f"{folder}: isn't one of the folders that are known: {there}")
            write_folders(self.home, left)

    def candidates(self, folders: Iterable[Path], *, every: bool = False) -> list[Candidate]:
        """Look for recordings and say what is to be done with each.

        Parameters
        ----------
        folders : iterable of Path
        every : bool
            Take all of them for changed, as a rebuild does.
        """
        known = self.store.known_sessions()
        out: list[Candidate] = []
        seen: dict[str, Path] = {}
        problems: list[LibraryFileError] = []
        paths = dict.fromkeys(
            p for f in folders for p in find_recordings(Path(f).resolve(), problems)
        )
        out += [
            Candidate(path=one.path, id=None, state="broken", problem=str(one)) for one in problems
        ]
        for path in paths:
            try:
                session = read_session(path)
                files, annotated = fingerprint(path), annotations_mark(path)
            except (SensorError, OSError) as error:
                problem = str(error)
                if isinstance(error, OSError):
                    problem = f"{path}: cannot be read: {describe_os_error(error)}"
                out.append(Candidate(path=path, id=None, state="broken", problem=problem))
                continue
            row = known.get(session.id)
            if lock_state(path) == "held":
                out.append(
                    Candidate(
                        path=path,
                        id=session.id,
                        state="open",
                        problem=f"{path}: is being recorded at the moment: add it when it is done",
                    )
                )
                continue
            other = seen.get(session.id)
            if other is None and row is not None and Path(row["path"]) != path:
                other = Path(row["path"]) if is_recording(Path(row["path"]), session.id) else None
            if other is not None:
                out.append(
                    Candidate(
                        path=path,
                        id=session.id,
                        state="elsewhere",
                        problem=f"{path}: is the same recording as {other}, which is used",
                    )
                )
                continue
            state: Literal["new", "changed", "annotated", "same"]
            if row is None:
                state = "new"
            elif every or row["files"] != files or row["analysis_version"] != self.analysis_version:
                state = "changed"
            elif row["annotated"] != annotated or row["missing"] or row["path"] != str(path):
                state = "annotated"
            else:
                state = "same"
            if state != "same":
                try:
                    read_annotations(path, recording=session.id)
                except SensorError as error:
                    broken = Candidate(path=path, id=None, state="broken", problem=str(error))
                    out.append(broken)
                    continue
            seen[session.id] = path
            out.append(Candidate(path=path, id=session.id, state=state))
        return out

    # -- writing ---------------------------------------------------------------------------

    def names_of(self, analyzed: Analyzed) -> list[str]:
        """Return the names that a recording and its annotations use, each once."""
        said = read_annotations(Path(analyzed.path), recording=analyzed.id)
        return names_in(analyzed, said)

    def put(
        self,
        analyzed: Analyzed,
        *,
        known_as: Mapping[str, str] | None = None,
    ) -> Literal["kept", "forgotten"]:
        """Take in a recording, in the place of what was known of it: all of it or nothing.

        Parameters
        ----------
        analyzed : Analyzed
        known_as : mapping of str to str, optional
            Names in the recording and the player that each means (id or name; a new name makes a
            new player). Kept in the recording's annotations.

        Returns
        -------
        {"kept", "forgotten"}
            Whether there is anything of it that may be kept.

        Raises
        ------
        ChoiceError
            A name is that of several players; say which in `known_as`.
        SensorError, LibraryError
        """
        path = Path(analyzed.path)
        if not is_recording(path, analyzed.id):
            # What was said is beside the recording: without it nothing must be taken for unsaid.
            raise NoSuchError(
                f"{path}: the recording isn't there any more: if it was moved, "
                "'unhurried library add' with its new place finds it again"
            )
        try:
            str(path).encode()
        except UnicodeEncodeError as error:
            # Systems allow any bytes; a database and a page know text alone.
            problem = "its name, or that of a folder above, is no text (UTF-8): rename it"
            raise LibraryFileError(path, problem) from error
        self._names.bury(path, analyzed)
        if known_as:
            self._names.identify(path, analyzed, known_as)
        said = read_annotations(path, recording=analyzed.id)
        annotated = annotations_mark(path)
        with self.store.writing():
            # Under the writer's lock, so that two processes don't both make a new player of a name.
            people = self._names.resolve(analyzed, said)
            done = self._put(analyzed, said, annotated, people)
            if done == "kept":
                told = {clean_name(name) for name in said.identities()}
                found = {n: p.id for n, p in people.items() if p is not None and n not in told}
                self.identities.keep(analyzed.id, found)
        if done == "kept" and analyzed.sore is not None:
            found_sore = sore_word(analyzed, self.session(analyzed.id).day, people)
            if found_sore is not None:
                who, club, event = found_sore
                record = who.plan(club, analyzed.mount)
                state = {} if record is None else record.state
                self.save_plan(who.id, club, analyzed.mount, state, event)
        return done

    def _put(
        self,
        analyzed: Analyzed,
        said: Annotations,
        annotated: str,
        people: Mapping[str, Player | None],
    ) -> Literal["kept", "forgotten"]:
        keys = {
            player.id: self.store.put_player(player.document())
            for player in people.values()
            if player is not None
        }
        session, tables = rows_of(
            analyzed,
            said,
            who=lambda name: people[clean_name(name)],
            player_key=lambda player: keys[player.id],
            set_key=self.store.set_key,
            remeasure=self._remeasure,
            annotated=annotated,
        )
        nobody_left = people and all(player is None for player in people.values())
        if nobody_left and not tables["swings"]:
            self.store.remove_session(analyzed.id)
            return "forgotten"
        self.store.put_session(session, tables)
        self.store.drop_unused_sets()
        return "kept"

    def was_deleted(self, player_id: str) -> bool:
        """Tell whether a player of this id was deleted here."""
        return player_id in self.deleted.players() and self.people.get(player_id) is None

    def check_names(self, session_id: str, said: Annotations) -> None:
        """Refuse words that name somebody who could be several, before they are kept.

        Raises
        ------
        ChoiceError
        """
        self._names.look_up(self.analyzed(session_id), said)

    def refresh(self, session_id: str) -> None:
        """Read a session's annotations anew; what was measured stays.

        Raises
        ------
        NoSuchError, ChoiceError, SensorError, LibraryError
        """
        self.put(self.analyzed(session_id))

    def analyzed(self, session_id: str) -> Analyzed:
        """Return what was measured in a session, without what people said.

        Raises
        ------
        NoSuchError
        """
        stored = self.store.stored(session_id)
        if stored is None:
            raise NoSuchError(f"there is no session {session_id} in the library")
        with self.store.reading_rows():
            return Analyzed.from_rows(*stored)

    def relocate(self, session_id: str, path: Path) -> None:
        """Say where a recording is now.

        Raises
        ------
        NoSuchError
            There is another recording, or none.
        """
        if not is_recording(path, session_id):
            raise NoSuchError(f"{path}: is not the recording {session_id}")
        with self.store.writing():
            self.store.set_path(session_id, str(path), missing=False)

    @contextlib.contextmanager
    def annotating(self, session_id: str) -> Iterator[Annotations]:
        """Give a session's annotations to change; then the library knows them too.

        Raises
        ------
        NoSuchError
            The session, or its recording, isn't there.
        AnnotationError, SensorError, LibraryError
            Nothing was changed.
        """
        path = self.path_of(session_id)
        with change_annotations(path) as said:
            yield said
            self.check_names(session_id, said)
        self.refresh(session_id)

    def annotate(self, session_id: str, seq: int, **values: Any) -> None:
        """Say something about a swing: kind, tags, note, excluded, felt, result, events ...

        None removes it. See `sensor.recording.annotations` for what fits.

        Raises
        ------
        NoSuchError, AnnotationError, SensorError, LibraryError
        """
        span, rate_hz = self.span(session_id, seq)
        with self.annotating(session_id) as said:
            said.set_swing(span, rate_hz=rate_hz, **values)

    def correct_segment(self, session_id: str, seq: int, **values: Any) -> None:
        """Say who, which club, full or part, ball or not, from a sample number on.

        Without values the correction is removed.
        """
        with self.annotating(session_id) as said:
            said.set("segment", seq, value=values or None)

    def undo(self, session_id: str) -> Change | None:
        """Take back the last change of a session's annotations; None if there is none."""
        with self.annotating(session_id) as said:
            return said.undo()

    def span(self, session_id: str, seq: int) -> tuple[SwingSpan, float]:
        """Return where a swing is among the samples, and the session's rate in Hz."""
        document = self.store.measured(session_id, seq)
        if document is None:
            raise NoSuchError(f"there is no swing at {seq} in session {session_id}")
        with self.store.reading_rows():
            return SwingSpan(**document["span"]), self.session(session_id).rate_hz

    # -- players ---------------------------------------------------------------------------

    def change_player(self, player_id: str, change: Callable[[Player], Player]) -> Player:
        """Change a player's file, one process at a time, and tell the database.

        Raises
        ------
        NoSuchError, ChoiceError, LibraryError
        """
        with self.store.writing():
            player = change(self.player(player_id))
            self.people.save(player)
            self.store.put_player(player.document())
        return player

    def save_player(self, player: Player) -> None:
        """Write a player's file as it is given, and tell the database."""
        with self.store.writing():
            self.people.save(player)
            self.store.put_player(player.document())

    def set_reference(self, player_id: str, reference: ReferenceRecord) -> None:
        """Keep a full turn's reference, of today's analysis, in the place of the one before."""
        reference = dataclasses.replace(reference, version=ANALYSIS_VERSION)
        self.change_player(player_id, lambda player: player.with_reference(reference))

    def save_plan(
        self,
        player_id: str,
        club: str | None,
        mount: str | None,
        state: Mapping[str, Any],
        event: Mapping[str, Any] | None = None,
    ) -> None:
        """Keep where a plan stands; `event` is added to its history with the time."""

        def changed(player: Player) -> Player:
            before = player.plan(club, mount)
            history = before.history if before is not None else ()
            at = now_utc()
            if event is not None:
                history = (*history, {"at": at, **event})
            return player.with_plan(
                PlanRecord(club=club, mount=mount, state=state, history=history, at=at)
            )

        self.change_player(player_id, changed)

    def outdated(self) -> list[str]:
        """Return the ids of sessions that an earlier analysis measured."""
        return self.store.outdated(self.analysis_version)
