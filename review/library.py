"""The library: every session kept, found again, and asked in many ways.

It owns no raw data. Its database is made from the recordings, their ``annotations.json`` and the
players' files, and can be made anew from them at any time; what people say is written to those
files first and to the database after.
"""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import json
import os
import time
from collections.abc import Callable, Hashable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final, Literal, Self

import numpy.typing as npt

from analysis.results import ANALYSIS_VERSION, Note, Swing
from review.derive import SUMMARISED, Analyzed, Remeasure, rows_of
from review.liberrors import (
    BrokenLibraryError,
    ChoiceError,
    LibraryError,
    NamesakeError,
    NoSuchError,
)
from review.people import (
    Identities,
    PlanRecord,
    Player,
    Reference,
    Registry,
    clean_name,
    now_utc,
)
from review.store import COLUMNS, MEASURED, NUMBERS, Store
from sensor.annotations import (
    FORGOTTEN,
    RESULT_FIELDS,
    Annotations,
    Change,
    SwingSpan,
    change_annotations,
    read_annotations,
)
from sensor.calibration import CalibrationError, calibration_for
from sensor.errors import RecordingError, SensorError
from sensor.layout import ANNOTATIONS_FILE, IMU_FILE, MARKERS_FILE, PACKETS_FILE, owned_file
from sensor.lock import lock_state
from sensor.output import describe_os_error, remove_folder, whole_file
from sensor.session import SESSION_FILE, Session, read_session

__all__ = [
    "SIMULATED_WORDS",
    "Analyzed",
    "Candidate",
    "Finding",
    "GroupRow",
    "Library",
    "PlayerRow",
    "Removal",
    "SessionRow",
    "Summary",
    "SwingDetail",
    "SwingTable",
    "VolumeRow",
    "calibration_label",
    "find_recordings",
    "fingerprint",
    "swing_from_values",
]

Array = npt.NDArray[Any]

LIBRARY_FILE: Final = "library.db"
SOURCES_FILE: Final = "sources.json"
NO_FOLDER: Final = "is not a folder: make a recording of a file with 'import'"

SIMULATED_WORDS: Final = "simulated: not a person's swings"

EARLIER_S: Final = 86_400.0
"""A session that begins more than a day from now has a wrong date: time zones are within a day."""

STANDARD_COLUMNS: Final = (
    "session",
    "start_s",
    "week",
    "seq",
    "number",
    "at_s",
    "club",
    "mount",
    "part",
    "kind",
    "impact_basis",
    "block",
    "backswing_ms",
    "backswing_ms_u",
    "downswing_ms",
    "downswing_ms_u",
    "swing_ms",
    "swing_ms_u",
    "turn_deg",
    "turn_deg_u",
    "peak_rate_dps",
    "peak_rate_dps_u",
    "felt_time",
    "felt_turn",
    "felt_strike",
)
"""What a table of swings has unless other columns are asked for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlayerRow:
    """A player and how much there is of them; `last_start_s` is seconds since 1970, UTC."""

    id: str
    name: str
    handedness: str | None
    note: str | None
    child: bool
    consent: str | None
    sessions: int
    swings: int
    last_start_s: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionRow:
    """A session; numbers of swings are those that were asked for, without excluded ones."""

    id: str
    path: Path
    missing: bool
    start: str
    start_s: float
    day: str
    week: str
    mount: str | None
    sensor: Mapping[str, Any]
    sensor_key: str | None
    rate_hz: float
    duration_s: float
    lost_samples: int
    short_strokes: int
    analysis_version: str
    warnings: tuple[str, ...]
    note: str | None
    excluded: str | None
    drill: str | None
    lost_words: tuple[int, ...]
    simulated: int
    swings: int
    strikes: int
    rehearsals: int
    unclear: int
    players: tuple[str, ...]
    clubs: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupRow:
    """What a player has done with a club and a mount; `part` swings apart from full ones."""

    player: str | None
    player_name: str | None
    club: str | None
    mount: str | None
    part: bool
    sessions: int
    swings: int
    strikes: int
    rehearsals: int
    unclear: int
    first_s: float
    last_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    """Middle and spread of a measure in one session, for one player, club, mount and kind.

    `spread` is the median absolute deviation x 1.4826, from three swings on; `sd` from two.
    """

    session: str
    start: str
    start_s: float
    day: str
    week: str
    player: str | None
    player_name: str | None
    club: str | None
    mount: str | None
    part: bool
    kind: str
    measure: str
    n: int
    median: float | None
    spread: float | None
    mean: float | None
    sd: float | None
    simulated: int


@dataclass(frozen=True, slots=True, kw_only=True)
class VolumeRow:
    """Swings in a day (``2026-05-01``) or an ISO week (``2026-W18``), excluded ones too."""

    period: str
    swings: int
    sessions: int


@dataclass(frozen=True, slots=True)
class SwingTable:
    """Columns of swings, one array a column, all of the same length.

    Numbers are float arrays with NaN where nothing could be measured; words are object arrays
    with None.
    """

    columns: Mapping[str, Array]

    def __getitem__(self, name: str) -> Array:
        return self.columns[name]

    def __len__(self) -> int:
        return len(next(iter(self.columns.values()), ()))

    def where(self, mask: Array) -> SwingTable:
        """Return the rows that a mask or an index picks."""
        return SwingTable({name: column[mask] for name, column in self.columns.items()})

    def rows(self) -> Iterator[dict[str, Any]]:
        """Give each swing as plain values by name, None where absent."""
        lists = {name: column.tolist() for name, column in self.columns.items()}
        for k in range(len(self)):
            row = {name: values[k] for name, values in lists.items()}
            yield {n: None if isinstance(v, float) and v != v else v for n, v in row.items()}


@dataclass(frozen=True, slots=True, kw_only=True)
class SwingDetail:
    """All that is known of one swing.

    Attributes
    ----------
    session : str
    path : Path
        Of the recording.
    seq : int
        Its key.
    swing : Swing
        With what people corrected.
    measured : Swing
        As the analysis gave it.
    player : str or None
        The player's id.
    kind : {"strike", "rehearsal", "unclear"}
        With people's word.
    part : bool
    corrected : tuple of str
        Events that were set by hand.
    excluded : str or None
        Why it doesn't count.
    felt : mapping
        Answers by question.
    result : mapping or None
    tags, notes : tuple of str
    """

    session: str
    path: Path
    seq: int
    swing: Swing
    measured: Swing
    player: str | None
    kind: str
    part: bool
    corrected: tuple[str, ...]
    excluded: str | None
    felt: Mapping[str, str]
    result: Mapping[str, Any] | None
    tags: tuple[str, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A recording that was found, and what is to be done with it.

    `state`: new, changed (raw files or analysis), annotated (only the words changed), same,
    elsewhere (this one is a copy; the library reads another), open (being recorded), broken.
    """

    path: Path
    id: str | None
    state: Literal["new", "changed", "annotated", "same", "elsewhere", "open", "broken"]
    problem: str | None = None


@dataclass(frozen=True, slots=True)
class Finding:
    """Something that `check` found: a kind for programs and a sentence for people."""

    kind: str
    text: str
    session: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Removal:
    """What deleting a player would touch.

    Attributes
    ----------
    player : Player
    own : tuple of Path
        Recordings of nobody else.
    shared : tuple of Path
        Recordings with others' swings in them as well; never removed.
    missing : tuple of Path
        Recordings that aren't where they were.
    swings : int
    """

    player: Player
    own: tuple[Path, ...]
    shared: tuple[Path, ...]
    missing: tuple[Path, ...]
    swings: int


def find_recordings(folder: Path) -> list[Path]:
    """Return the recordings in a folder (or the folder itself), also deep inside, by path.

    Hidden folders are passed over, so a recording that is being moved or copied isn't seen twice.

    Raises
    ------
    LibraryError
        The folder cannot be read.
    """
    if (folder / SESSION_FILE).is_file():
        return [folder]
    if not folder.is_dir():
        raise LibraryError(folder, NO_FOLDER)

    def fail(error: OSError) -> None:
        raise LibraryError(folder, f"cannot be read: {describe_os_error(error)}") from error

    found = []
    for where, folders, files in os.walk(folder, onerror=fail):
        if SESSION_FILE in files:
            found.append(Path(where))
            folders.clear()
        folders[:] = sorted(name for name in folders if not name.startswith("."))
    return sorted(found)


def fingerprint(folder: Path) -> str:
    """Return what tells whether a recording's raw files are still the same: sizes and words.

    Times of files aren't in it, so a copy has the same.
    """
    digest = hashlib.sha256()
    for name in (SESSION_FILE, MARKERS_FILE):
        path = folder / name
        digest.update(path.read_bytes() if path.exists() else b"-")
        digest.update(b"\0")
    for name in (IMU_FILE, PACKETS_FILE):
        path = folder / name
        digest.update(str(path.stat().st_size if path.exists() else -1).encode() + b"\0")
    return digest.hexdigest()


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


def _annotated(folder: Path) -> str:
    """Fingerprint of what people said; empty where nobody said anything."""
    try:
        return hashlib.sha256((folder / ANNOTATIONS_FILE).read_bytes()).hexdigest()
    except FileNotFoundError:
        return ""
    except OSError as error:
        raise RecordingError(
            folder / ANNOTATIONS_FILE, f"cannot be read: {describe_os_error(error)}"
        ) from error


def swing_from_values(values: Mapping[str, Any]) -> Swing:
    """Make a `Swing` of the values that ``analyze --json`` has."""
    names = {item.name for item in dataclasses.fields(Swing)}
    known = {name: value for name, value in values.items() if name in names}
    known["clipped"] = tuple(known["clipped"])
    known["notes"] = tuple(Note(note["code"], note["text"]) for note in known["notes"])
    if "budget" in known:
        known["budget"] = _budget(known["budget"])
    return Swing(**known)


def _budget(values: Mapping[str, Any]) -> Mapping[str, Any]:
    from analysis import results

    part = getattr(results, "Part", None)
    if part is None:
        return {}
    return {name: tuple(part(*one) for one in parts) for name, parts in values.items()}


class Library:
    """The library of one home. Several processes and threads may use it at once.

    Parameters
    ----------
    home : Path
        Made if it isn't there.
    remeasure : callable, optional
        Measures the turn between events that were set by hand; without it such a turn is absent.
    analysis_version : str
        Of the analysis that measures now; other results count as outdated.

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
    ) -> None:
        self.home = Path(home)
        self.people = Registry(self.home)
        self._identities = Identities(self.home)
        self._remeasure = remeasure
        self._analysis_version = analysis_version
        try:
            self.home.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise LibraryError(
                self.home, f"cannot be made: {describe_os_error(error)}; give another --home"
            ) from error
        self._store = Store(self.home / LIBRARY_FILE)

    @classmethod
    def anew(cls, home: Path, **options: Any) -> Library:
        """Open the library for a rebuild: a damaged database is put aside first."""
        try:
            library = cls(home, **options)
            if not library._store.sound():
                return library
            library.close()
        except BrokenLibraryError:
            pass
        path = Path(home) / LIBRARY_FILE
        aside = path.with_name(f"{path.name}.damaged-{datetime.now(UTC):%Y%m%d-%H%M%S-%f}")
        try:
            for end in ("", "-wal", "-shm"):
                with contextlib.suppress(FileNotFoundError):
                    path.with_name(path.name + end).rename(aside.with_name(aside.name + end))
        except OSError as error:
            raise LibraryError(
                path, f"is damaged and cannot be put aside: {describe_os_error(error)}"
            ) from error
        return cls(home, **options)

    def tune(self) -> None:
        """Let the database see how much there is of what, so that questions take least time."""
        self._store.tune()

    def close(self) -> None:
        """Close the database."""
        self._store.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # -- where recordings are --------------------------------------------------------------

    def sources(self) -> list[Path]:
        """Return the folders that were given to `remember`, where recordings are looked for."""
        path = self.home / SOURCES_FILE
        try:
            document = json.loads(path.read_text(encoding="utf-8"))
            return [Path(str(folder)) for folder in document["folders"]]
        except FileNotFoundError:
            return []
        except (OSError, ValueError, KeyError, TypeError) as error:
            raise LibraryError(
                path, "is broken: move it away, and add the recordings' folders once more"
            ) from error

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
                raise LibraryError(folder, NO_FOLDER)
        # The database's one writer is also the one who may change this file.
        with self._store.writing():
            known = self.sources()
            self._write_sources([*known, *(f for f in dict.fromkeys(new) if f not in known)])

    def forget_source(self, folder: Path) -> None:
        """Look in a folder no more; the sessions that came from it stay.

        Raises
        ------
        NoSuchError
            Recordings aren't looked for there.
        """
        wanted = {Path(folder).absolute(), Path(folder).resolve()}
        with self._store.writing():
            known = self.sources()
            left = [one for one in known if one not in wanted]
            if len(left) == len(known):
                there = ", ".join(map(str, known)) or "there are none"
                raise NoSuchError(f"{folder}: isn't one of the folders that are known: {there}")
            self._write_sources(left)

    def _write_sources(self, folders: Sequence[Path]) -> None:
        text = json.dumps({"version": 1, "folders": [str(f) for f in folders]}, indent=1)
        try:
            with whole_file(self.home / SOURCES_FILE, overwrite=True) as file:
                file.write(text.encode() + b"\n")
        except RecordingError as error:
            raise LibraryError(error.path, error.problem) from error

    def candidates(self, folders: Iterable[Path], *, every: bool = False) -> list[Candidate]:
        """Look for recordings and say what is to be done with each.

        Parameters
        ----------
        folders : iterable of Path
        every : bool
            Take all of them for changed, as a rebuild does.
        """
        known = self._store.known_sessions()
        out: list[Candidate] = []
        seen: dict[str, Path] = {}
        paths = dict.fromkeys(p for f in folders for p in find_recordings(Path(f).resolve()))
        for path in paths:
            try:
                session = read_session(path)
                files, annotated = fingerprint(path), _annotated(path)
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
                other = Path(row["path"]) if _is_recording(Path(row["path"]), session.id) else None
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
            seen[session.id] = path
            state: Literal["new", "changed", "annotated", "same"]
            if row is None:
                state = "new"
            elif (
                every or row["files"] != files or row["analysis_version"] != self._analysis_version
            ):
                state = "changed"
            elif row["annotated"] != annotated or row["missing"] or row["path"] != str(path):
                state = "annotated"
            else:
                state = "same"
            out.append(Candidate(path=path, id=session.id, state=state))
        return out

    # -- writing ---------------------------------------------------------------------------

    def names_of(self, analyzed: Analyzed) -> list[str]:
        """Return the names that a recording and its annotations use, each once."""
        said = read_annotations(Path(analyzed.path), recording=analyzed.id)
        return _names(analyzed, said)

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
        if not _is_recording(path, analyzed.id):
            # What was said is beside the recording: without it nothing must be taken for unsaid.
            raise NoSuchError(
                f"{path}: the recording isn't there any more: if it was moved, "
                "'unhurried library add' with its new place finds it again"
            )
        if known_as:
            self._identify(path, analyzed, known_as)
        said = read_annotations(path, recording=analyzed.id)
        annotated = _annotated(path)
        with self._store.writing():
            # Under the writer's lock, so that two processes don't both make a new player of a name.
            people = self._resolve(analyzed, said)
            kept = self._put(analyzed, said, annotated, people)
            if kept == "kept":
                told = {clean_name(name) for name in said.identities()}
                found = {n: p.id for n, p in people.items() if p is not None and n not in told}
                self._identities.keep(analyzed.id, found)
            return kept

    def _put(
        self,
        analyzed: Analyzed,
        said: Annotations,
        annotated: str,
        people: Mapping[str, Player | None],
    ) -> Literal["kept", "forgotten"]:
        keys = {
            player.id: self._store.put_player(player.document())
            for player in people.values()
            if player is not None
        }
        session, tables = rows_of(
            analyzed,
            said,
            who=lambda name: people[clean_name(name)],
            player_key=lambda player: keys[player.id],
            set_key=self._store.set_key,
            remeasure=self._remeasure,
            annotated=annotated,
        )
        nobody_left = people and all(player is None for player in people.values())
        if nobody_left and not tables["swings"]:
            self._store.remove_session(analyzed.id)
            return "forgotten"
        self._store.put_session(session, tables)
        self._store.drop_unused_sets()
        return "kept"

    def _identify(self, path: Path, analyzed: Analyzed, known_as: Mapping[str, str]) -> None:
        names = set(self.names_of(analyzed))
        told = {clean_name(name): who for name, who in known_as.items()}
        told = {name: who for name, who in told.items() if name in names}
        if not told:
            return
        ids = {}
        for name, who in told.items():
            try:
                player = self.people.find(who)
            except NoSuchError:
                player = self.people.add(who)
            ids[name] = player.id
        with change_annotations(path) as said:
            for name, player_id in ids.items():
                said.set("identity", name, value=player_id)

    def _resolve(self, analyzed: Analyzed, said: Annotations) -> dict[str, Player | None]:
        """Find, or make, the player of every name; None: not to be kept."""
        out, new = self._look_up(analyzed, said)
        hands = {
            clean_name(s["player"]): s.get("handedness")
            for _, _, s in analyzed.segments
            if s.get("player")
        }
        for name in new:
            # Only now that no name was ambiguous: a refused recording leaves no players behind.
            out[name] = self.people.add(name, handedness=hands.get(name))
        return out

    def _look_up(
        self, analyzed: Analyzed, said: Annotations
    ) -> tuple[dict[str, Player | None], list[str]]:
        """Find the player of every name (None: not to be kept), and the names of nobody yet.

        What people said counts first, then whom the name was found to be when the recording was
        taken in, and only then who is called so now.
        """
        players = self.people.all()
        by_id = {player.id: player for player in players}
        identities = {clean_name(name): who for name, who in said.identities().items()}
        kept = self._identities.of(analyzed.id)
        out: dict[str, Player | None] = {}
        new: list[str] = []
        for name in _names(analyzed, said):
            who = identities.get(name)
            if who == FORGOTTEN:
                out[name] = None
                continue
            player = by_id.get(who or "") or by_id.get(kept.get(name, ""))
            if player is None:
                try:
                    player = self.people.named(name, players)
                except NamesakeError:
                    player = by_id.get(self._known_before(analyzed.id, name))
                    if player is None:
                        raise
            if player is None:
                new.append(name)
            else:
                out[name] = player
        return out, new

    def _known_before(self, session_id: str, name: str) -> str:
        """Id of the player that the database has for a name; empty if none."""
        rows = self._store.segments(session_id)
        found = {r["player_id"] for r in rows if r["player"] and clean_name(r["player"]) == name}
        return str(found.pop() or "") if len(found) == 1 else ""

    def check_names(self, session_id: str, said: Annotations) -> None:
        """Refuse words that name somebody who could be several, before they are kept.

        Raises
        ------
        ChoiceError
        """
        self._look_up(self.analyzed(session_id), said)

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
        stored = self._store.stored(session_id)
        if stored is None:
            raise NoSuchError(f"there is no session {session_id} in the library")
        return Analyzed.from_rows(*stored)

    def relocate(self, session_id: str, path: Path) -> None:
        """Say where a recording is now.

        Raises
        ------
        NoSuchError
            There is another recording, or none.
        """
        if not _is_recording(path, session_id):
            raise NoSuchError(f"{path}: is not the recording {session_id}")
        with self._store.writing():
            self._store.set_path(session_id, str(path), missing=False)

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

        None removes it. See `sensor.annotations` for what fits.

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
        document = self._store.measured(session_id, seq)
        if document is None:
            raise NoSuchError(f"there is no swing at {seq} in session {session_id}")
        return SwingSpan(**document["span"]), self.session(session_id).rate_hz

    # -- players ---------------------------------------------------------------------------

    def change_player(self, player_id: str, change: Callable[[Player], Player]) -> Player:
        """Change a player's file, one process at a time, and tell the database.

        Raises
        ------
        NoSuchError, ChoiceError, LibraryError
        """
        with self._store.writing():
            player = change(self.player(player_id))
            self.people.save(player)
            self._store.put_player(player.document())
        return player

    def save_player(self, player: Player) -> None:
        """Write a player's file as it is given, and tell the database."""
        with self._store.writing():
            self.people.save(player)
            self._store.put_player(player.document())

    def set_reference(self, player_id: str, reference: Reference) -> None:
        """Keep a full turn's reference in the place of the one before."""
        self.change_player(player_id, lambda player: player.with_reference(reference))

    def reference(self, player_id: str, club: str | None, mount: str | None) -> Reference | None:
        """Return the full turn's reference, None if nothing was set."""
        return self.player(player_id).reference(club, mount)

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

    def plan(self, player_id: str, club: str | None, mount: str | None) -> PlanRecord | None:
        """Return where a plan stands, None if there is none."""
        return self.player(player_id).plan(club, mount)

    def player(self, text: str) -> Player:
        """Return a player's file by id, beginning of an id, or unique name.

        Raises
        ------
        NoSuchError, ChoiceError
        """
        return self.people.find(text)

    def players(self) -> list[PlayerRow]:
        """Return every player, by name."""
        return [
            PlayerRow(
                id=row["id"],
                name=row["name"],
                handedness=row["handedness"],
                note=row["note"],
                child=bool(row["child"]),
                consent=row["consent"],
                sessions=row["sessions"],
                swings=row["swings"],
                last_start_s=row["last_s"],
            )
            for row in self._store.players()
        ]

    def clubs(self, player_id: str) -> list[str]:
        """Return the clubs that a player swung, the one with most swings first."""
        return list(dict.fromkeys(g.club for g in self.groups(player_id) if g.club))

    # -- sessions --------------------------------------------------------------------------

    def sessions(
        self,
        *,
        player: str | None = None,
        club: str | None = None,
        mount: str | None = None,
        since_s: float | None = None,
        until_s: float | None = None,
        newest_first: bool = True,
        limit: int | None = None,
        offset: int = 0,
    ) -> list[SessionRow]:
        """Return sessions, newest first; of a player (id), a club, a mount, a time (UTC, s)."""
        where = {"player": player, "club": club, "mount": mount, "since_s": since_s}
        where = {k: v for k, v in {**where, "until_s": until_s}.items() if v is not None}
        rows = self._store.sessions(where, newest_first=newest_first, limit=limit, offset=offset)
        return [_session_row(row) for row in rows]

    def session(self, text: str) -> SessionRow:
        """Return a session by id or the beginning of one (six characters or more).

        Raises
        ------
        NoSuchError, ChoiceError
        """
        wanted = text.strip().lower()
        ids = self._store.session_ids(wanted) if len(wanted) >= 6 else []
        if len(ids) > 1:
            raise ChoiceError(f"'{text}' could be several sessions", ids)
        if not ids:
            raise NoSuchError(
                f"there is no session '{text}' in the library: 'unhurried library list' shows them"
            )
        return _session_row(self._store.sessions({"session": ids[0]})[0])

    def session_at(self, path: Path) -> SessionRow | None:
        """Return the session of a recording's folder, None if the library doesn't know it."""
        try:
            found = read_session(Path(path)).id
        except SensorError:
            return None
        rows = self._store.sessions({"session": found})
        return _session_row(rows[0]) if rows else None

    def path_of(self, session_id: str) -> Path:
        """Return the folder of a session's recording.

        Raises
        ------
        NoSuchError
            It isn't where it was.
        """
        row = self.session(session_id)
        if not _is_recording(row.path, row.id):
            raise NoSuchError(
                f"{row.path}: the recording isn't there any more: if it was moved, "
                "'unhurried library add' with its new place finds it again"
            )
        return row.path

    def segments(self, session_id: str) -> list[dict[str, Any]]:
        """Return who swung what, with corrections: seq, start_s, player_id, player, club ..."""
        rows = self._store.segments(session_id)
        for row in rows:
            row["ball"] = None if row["ball"] is None else bool(row["ball"])
            row["corrected"] = bool(row["corrected"])
        return rows

    def session_notes(self, session_id: str) -> list[dict[str, Any]]:
        """Return the notes: seq (None: on the session), text, origin (recorded, later)."""
        return self._store.notes(session_id)

    def tags(self) -> dict[str, int]:
        """Return every tag and how many swings have it."""
        return {row["tag"]: row["n"] for row in self._store.tags()}

    def swing_tags(self, session_id: str) -> dict[int, list[str]]:
        """Return the tags of a session's swings by `seq`; swings without any aren't in it."""
        out: dict[int, list[str]] = {}
        for row in self._store.tags(session_id):
            out.setdefault(row["seq"], []).append(row["tag"])
        return out

    # -- swings ----------------------------------------------------------------------------

    def swings(
        self,
        *,
        session: str | None = None,
        player: str | None = None,
        club: str | None = None,
        mount: str | None = None,
        part: bool | None = None,
        kind: str | None = None,
        since_s: float | None = None,
        until_s: float | None = None,
        tag: str | None = None,
        with_result: bool = False,
        with_felt: bool = False,
        excluded: bool = False,
        columns: Sequence[str] = STANDARD_COLUMNS,
        simulated: int | None = None,
        limit: int | None = None,
        newest_first: bool = False,
    ) -> SwingTable:
        """Return swings as columns, in the order of time.

        Parameters
        ----------
        session, player, club, mount : str, optional
            Session's id, player's id, club's name, mount.
        part : bool, optional
            Part swings or full ones.
        kind : {"strike", "rehearsal", "unclear"}, optional
        since_s, until_s : float, optional
            Start of the session, seconds since 1970 UTC.
        tag : str, optional
        with_result : bool
            Only swings with a ball result.
        with_felt : bool
            Only swings of which the player said how they felt.
        excluded : bool
            Also those that people excluded.
        columns : sequence of str
            From `review.store.COLUMNS`: ``session seq number at_s player club mount part kind
            excluded felt_time ...``, every number of a swing and its ``_u``, every ball result.
        simulated : int, optional
            Only sessions up to this mark, see `simulated_limit`.
        limit : int, optional
        newest_first : bool

        Returns
        -------
        SwingTable
        """
        unknown = [name for name in columns if name not in COLUMNS]
        if unknown:
            raise ValueError(f"there is no column '{unknown[0]}'")
        where = {
            "session": session,
            "player": player,
            "club": club,
            "mount": mount,
            "part": part,
            "kind": kind,
            "since_s": since_s,
            "until_s": until_s,
            "simulated": simulated,
        }
        return SwingTable(
            self._store.swings(
                columns,
                where,
                excluded=excluded,
                tag=tag,
                with_result=with_result,
                with_felt=with_felt,
                limit=limit,
                newest_first=newest_first,
            )
        )

    def felt(self, **filters: Any) -> SwingTable:
        """Return the swings of which the player said how they felt, with what was measured.

        Parameters
        ----------
        **filters
            As `swings`.
        """
        return self.swings(with_felt=True, **filters)

    def results(self, **filters: Any) -> SwingTable:
        """Return the swings that have ball results, with these and what was measured."""
        columns = (*STANDARD_COLUMNS, *RESULT_FIELDS, "other", "result_source")
        return self.swings(with_result=True, columns=columns, **filters)

    def swing(
        self, session_id: str, *, number: int | None = None, seq: int | None = None
    ) -> SwingDetail:
        """Return one swing by its number in the session (from 1) or by its key.

        Raises
        ------
        NoSuchError
        """
        row = self._store.swing(session_id, seq=seq, number=number)
        if not row:
            what = f"at {seq}" if seq is not None else f"#{number}"
            raise NoSuchError(f"there is no swing {what} in session {session_id[:8]}")
        document = self._store.measured(session_id, row["seq"])
        assert document is not None
        values = document["values"]
        now = {
            **values,
            **{name: row[name] for name in NUMBERS},
            "player": row["player_name"],
            "club": row["club"],
            "handedness": row["handedness"],
            "notes": json.loads(row["notes"]),
        }
        corrected = tuple(json.loads(row["corrected"]))
        if corrected and "budget" in now:
            now["budget"] = {
                name: parts
                for name, parts in values["budget"].items()
                if values.get(name) == row.get(name)
            }
        result = {name: row[name] for name in RESULT_FIELDS if row[name] is not None}
        if row["other"] is not None:
            other = json.loads(row["other"])
            result.update({"other": other} if other else {})
            result.update({"source": row["result_source"]} if row["result_source"] else {})
        felt = {q: row[f"felt_{q}"] for q in ("time", "turn", "strike")}
        tags = self._store.tags(session_id)
        notes = self._store.notes(session_id)
        return SwingDetail(
            session=row["session"],
            path=self.session(session_id).path,
            seq=row["seq"],
            swing=swing_from_values(now),
            measured=swing_from_values(values),
            player=row["player"],
            kind=row["kind"],
            part=bool(row["part"]),
            corrected=corrected,
            excluded=row["excluded"],
            felt={question: said for question, said in felt.items() if said is not None},
            result=result or None,
            tags=tuple(item["tag"] for item in tags if item["seq"] == row["seq"]),
            notes=tuple(item["text"] for item in notes if item["seq"] == row["seq"]),
        )

    # -- what many have in common ----------------------------------------------------------

    def simulated_limit(self, player_id: str) -> int | None:
        """Return up to which mark of simulation a player's sessions count; None: all do.

        What was simulated is no player's swing. It is read only where a player has nothing nearer
        to swings of their own, as the demo's players and whoever tries the page out.
        """
        return self._store.simulated_limit(player_id)

    def set_aside(self, session: SessionRow, player_id: str) -> str | None:
        """Say why a session tells nothing of a player, because it is simulated; None: it does."""
        limit = self.simulated_limit(player_id) if session.simulated else None
        if limit is None or session.simulated <= limit:
            return None
        return f"{SIMULATED_WORDS}, so it is left out of what is told of the player"

    def groups(
        self, player_id: str | None = None, *, simulated: int | None = None
    ) -> list[GroupRow]:
        """Return what was swung with which club and mount, most swings first a player."""
        return [
            GroupRow(**{**row, "part": bool(row["part"])})
            for row in self._store.groups(player_id, simulated)
        ]

    def summaries(
        self,
        *,
        session: str | None = None,
        player: str | None = None,
        club: str | None = None,
        mount: str | None = None,
        part: bool | None = None,
        kind: str | None = None,
        since_s: float | None = None,
        until_s: float | None = None,
        simulated: int | None = None,
        measures: Sequence[str] = ("swing_ms", "backswing_ms", "turn_deg", "peak_rate_dps"),
    ) -> list[Summary]:
        """Return middle and spread of measures by session, in the order of time: a trend.

        They are kept ready, so this is quick however many swings there are.
        """
        unknown = [name for name in measures if name not in SUMMARISED]
        if unknown:
            raise ValueError(f"there is no summary of '{unknown[0]}'")
        where = {
            "session": session,
            "player": player,
            "club": club,
            "mount": mount,
            "part": part,
            "kind": kind,
            "since_s": since_s,
            "until_s": until_s,
            "simulated": simulated,
        }
        return [
            Summary(**{**row, "part": bool(row["part"])})
            for row in self._store.summaries(where, measures)
        ]

    def session_counts(
        self, player_id: str, *, since_s: float | None = None
    ) -> list[dict[str, Any]]:
        """Return how many swings of a player are in which session, in the order of time.

        One row for each session, club, mount and kind: session, start, start_s, day, week, club,
        mount, part, kind, n, simulated. Excluded swings aren't counted. Kept ready, as `summaries`.
        """
        where = {"player": player_id, "since_s": since_s}
        return self._store.summaries(where, ("swings",))

    def volume(self, player_id: str, *, by: Literal["week", "day"] = "week") -> list[VolumeRow]:
        """Return how many swings a player made a week or a day; periods without are left out."""
        return [VolumeRow(**row) for row in self._store.volume(player_id, by=by)]

    def mixed_hands(self, player_id: str | None = None) -> list[str]:
        """Say where right- and left-handed swings of one player, club and mount lie together.

        One sentence each. What is told of such a setting takes them together.
        """
        return [
            f"{row['name']}, {row['club'] or 'club not said'}, "
            f"{row['mount'] or 'mount not said'}: {_count(row['right_n'], 'right-handed swing')} "
            f"and {_count(row['left_n'], 'left-handed swing')} are taken together, so what is told "
            "of them holds for neither side: 'unhurried library add SESSION --as NAME=PLAYER' with "
            "a new player's name takes the sessions of one side apart"
            for row in self._store.mixed_hands(player_id)
        ]

    def totals(self) -> dict[str, float]:
        """Return how many players, sessions, swings, missing recordings, and seconds in all."""
        return dict(self._store.totals())

    def player_versions(self) -> dict[str, Hashable]:
        """Return by player what stays the same as long as nothing is written about that player.

        The player's file, and the player's sessions with what was measured and said in them.
        """
        marks: dict[str, list[tuple[Any, ...]]] = {}
        for row in self._store.marks():
            marks.setdefault(row["player"], []).append(tuple(row.values()))
        out: dict[str, Hashable] = {}
        for player, mine in marks.items():
            try:
                found = (self.people.folder / f"{player}.json").stat()
                out[player] = (found.st_mtime_ns, found.st_size, hash(tuple(mine)))
            except OSError:
                out[player] = hash(tuple(mine))
        return out

    def outdated(self) -> list[str]:
        """Return the ids of sessions that an earlier analysis measured."""
        return self._store.outdated(self._analysis_version)

    def content(self) -> dict[str, list[list[Any]]]:
        """Return all that is kept, in a fixed order: two libraries can be compared."""
        return self._store.content()

    # -- health ----------------------------------------------------------------------------

    def check(self, *, mend: bool = True) -> list[Finding]:
        """Look whether everything is where it should be.

        Parameters
        ----------
        mend : bool
            Also keep the new place of recordings that were moved, and which ones are missing.
        """
        out = [Finding("database", f"the database: {line}") for line in self._store.sound()]
        known = self._store.known_sessions()
        elsewhere: dict[str, list[Path]] = {}
        unreachable = set()
        broken = set()
        roots = [*self.sources(), *(Path(row["path"]).parent for row in known.values())]
        for folder in dict.fromkeys(roots):
            try:
                paths = find_recordings(folder)
            except LibraryError:
                unreachable.add(folder)
                continue
            for path in paths:
                try:
                    found = read_session(path).id
                except SensorError as error:
                    broken.add(str(error))
                    continue
                places = elsewhere.setdefault(found, [])
                if path not in places:
                    places.append(path)
        out += [Finding("broken", text) for text in sorted(broken)]
        out += [
            Finding(
                "unreachable",
                f"{folder}: recordings came from here, and it isn't there now: where it will not "
                f"come back, 'unhurried library forget {folder}' looks there no more",
            )
            for folder in sorted(unreachable & set(self.sources()))
        ]
        for session_id, row in known.items():
            path = Path(row["path"])
            if not _is_recording(path, session_id):
                places = elsewhere.get(session_id, [])
                if mend:
                    with self._store.writing():
                        where = str(places[0]) if places else row["path"]
                        self._store.set_path(session_id, where, missing=not places)
                if places:
                    text = f"{path}: was moved, and found again at {places[0]}"
                    out.append(Finding("moved", text, session_id))
                else:
                    text = (
                        f"{path}: session {session_id[:8]} isn't there any more; its numbers are "
                        "kept: if it was moved, 'unhurried library add' with its new place"
                    )
                    out.append(Finding("missing", text, session_id))
                continue
            if row["missing"] and mend:
                with self._store.writing():
                    self._store.set_path(session_id, row["path"], missing=False)
            copies = [p for p in elsewhere.get(session_id, []) if p.resolve() != path.resolve()]
            out += [
                Finding("copy", f"{copy}: is a copy of {path}, which is used", session_id)
                for copy in copies
            ]
            try:
                changed = fingerprint(path) != row["files"]
                words = _annotated(path) != row["annotated"]
                read_annotations(path, recording=session_id)
            except (SensorError, OSError) as error:
                out.append(Finding("broken", str(error), session_id))
                continue
            if changed:
                text = f"{path}: its files are others than when it was added"
                out.append(Finding("changed", text, session_id))
            elif words:
                text = f"{path}: more was said about it since it was read"
                out.append(Finding("annotated", text, session_id))
        stale = self.outdated()
        if stale:
            out.append(
                Finding(
                    "outdated",
                    f"{_count(len(stale), 'session')} measured by another version of the analysis "
                    f"than {self._analysis_version}: 'unhurried library update' measures anew",
                )
            )
        for session in self.sessions():
            if session.start_s > time.time() + EARLIER_S:
                text = (
                    f"{session.path}: session {session.id[:8]} has the date {session.day}, which "
                    "is still to come: the clock was wrong when it was recorded, and it counts as "
                    "the latest one"
                )
                out.append(Finding("future", text, session.id))
            if session.lost_words:
                text = (
                    f"{session.path}: {_count(len(session.lost_words), 'word')} that people added "
                    "fit no swing that is found now; they are kept"
                )
                out.append(Finding("lost_words", text, session.id))
        for session_id in elsewhere.keys() - known.keys():
            place = elsewhere[session_id][0]
            if not self._only_forgotten(place):
                out.append(Finding("new", f"{place}: isn't in the library yet"))
        out += [Finding("hands", text) for text in self.mixed_hands()]
        for player in self.people.all():
            if player.child and not player.consent:
                text = f"{player.name} is a child, and nobody's consent is noted"
                out.append(Finding("consent", text))
        return out

    def _only_forgotten(self, path: Path) -> bool:
        try:
            identities = read_annotations(path).identities()
        except SensorError:
            return False
        return bool(identities) and all(who == FORGOTTEN for who in identities.values())

    # -- one player's data -----------------------------------------------------------------

    def removal(self, player_id: str) -> Removal:
        """Say what deleting a player would touch."""
        player = self.player(player_id)
        own, shared, missing = [], [], []
        swings = 0
        for session in self.sessions(player=player.id):
            swings += session.swings
            if not _is_recording(session.path, session.id):
                missing.append(session.path)
            elif self._is_shared(session.id, player.id):
                shared.append(session.path)
            else:
                own.append(session.path)
        return Removal(
            player=player,
            own=tuple(own),
            shared=tuple(shared),
            missing=tuple(missing),
            swings=swings,
        )

    def is_swinging(self, player_id: str) -> bool:
        """Tell whether any swing or any stretch of a session is a player's."""
        return self._store.is_swinging(player_id)

    def remove_unused(self, player_id: str) -> bool:
        """Remove a player of whom there is nothing in any session; tell whether it was done."""
        if self.is_swinging(player_id):
            return False
        self.remove_player(player_id)
        return True

    def _is_shared(self, session_id: str, player_id: str) -> bool:
        """Whether swings or segments of a session are others' (or nobody's that is known)."""
        table = self.swings(session=session_id, columns=("player",), excluded=True)
        others = {row["player_id"] for row in self.segments(session_id) if row["player"]}
        return bool((others | set(table["player"].tolist())) - {player_id})

    def remove_player(self, player_id: str, *, raw: bool = False) -> Removal:
        """Delete a player: rows, file, and what was said about their swings.

        What is left of raw recordings is marked, so that a rebuild doesn't bring the player back.

        Parameters
        ----------
        player_id : str
        raw : bool
            Also remove the recordings of nobody else. Shared ones are never removed.

        Returns
        -------
        Removal
            What was touched.
        """
        removal = self.removal(player_id)
        player = removal.player
        sessions = self.sessions(player=player.id)
        mine: dict[str, list[int]] = {}
        for session in sessions:
            table = self.swings(
                session=session.id, player=player.id, columns=("seq",), excluded=True
            )
            mine[session.id] = table["seq"].tolist()
        # The files first, the database last: if this stops midway, doing it again finishes it.
        for session in sessions:
            if session.path in removal.missing:
                continue
            own = session.path in removal.own
            if own and raw:
                _remove_recording(session.path)
                continue
            self._forget(session, player, mine[session.id], whole=own)
        if raw:
            with self._store.writing():
                gone = {path.resolve() for path in removal.own}
                self._write_sources([f for f in self.sources() if f.resolve() not in gone])
        with self._store.wiping():
            for session in sessions:
                if session.path in removal.shared:
                    self.refresh(session.id)
            with self._store.writing():
                self._store.remove_player(player.id)
                for session in sessions:
                    if session.path not in removal.shared:
                        self._store.remove_session(session.id)
        with self._store.writing():
            self._identities.forget(player.id)
        self.people.remove(player.id)
        return removal

    def _forget(
        self, session: SessionRow, player: Player, keys: Sequence[int], *, whole: bool
    ) -> None:
        names = [
            row["player"]
            for row in self.segments(session.id)
            if row["player_id"] == player.id and row["player"]
        ]
        kept = self._identities.of(session.id)
        names += [name for name, who in kept.items() if who == player.id]
        spans = [self.span(session.id, seq)[0] for seq in keys]
        with change_annotations(session.path) as said:
            if whole:
                said.entries.clear()
                said.history.clear()
            else:
                near = [said.key_of(span, rate_hz=session.rate_hz) for span in spans]
                said.remove_swings([*near, *keys])
            for name in {clean_name(n) for n in [*names, *_own_names(player)]}:
                said.set("identity", name, value=FORGOTTEN)
            said.history.clear()


def _own_names(player: Player) -> list[str]:
    return [player.name, *player.aliases]


def _names(analyzed: Analyzed, said: Annotations) -> list[str]:
    """Names in a recording and in what was said about it, in the order in which they come up."""
    names = [fields.get("player") for _, _, fields in analyzed.segments]
    names += [fields.get("player") for _, fields in said.segments()]
    names += [said.get("swing", seq, "player") for seq in said.swing_keys()]
    return list(dict.fromkeys(clean_name(name) for name in names if name))


def _is_recording(path: Path, session_id: str) -> bool:
    try:
        return read_session(path).id == session_id
    except SensorError:
        return False


def _remove_recording(path: Path) -> None:
    """Remove a recording's folder; one with anything else in it is left as it is."""
    try:
        strange = [e.name for e in path.iterdir() if e.is_dir() or not owned_file(e.name)]
        if strange:
            raise LibraryError(
                path, f"holds '{strange[0]}', which this program did not write: not removed"
            )
        remove_folder(path)
    except OSError as error:
        raise LibraryError(path, f"cannot be removed: {describe_os_error(error)}") from error


def _session_row(row: Mapping[str, Any]) -> SessionRow:
    def words(text: str) -> tuple[str, ...]:
        return tuple(sorted(filter(None, json.loads(text))))

    return SessionRow(
        **{
            **row,
            "path": Path(row["path"]),
            "missing": bool(row["missing"]),
            "sensor": json.loads(row["sensor"]),
            "warnings": tuple(json.loads(row["warnings"])),
            "lost_words": tuple(json.loads(row["lost_words"])),
            "players": words(row["players"]),
            "clubs": words(row["clubs"]),
        }
    )


def _count(n: int, word: str) -> str:
    return f"1 {word}" if n == 1 else f"{n:,} {word}s"


assert set(MEASURED) <= set(COLUMNS)
