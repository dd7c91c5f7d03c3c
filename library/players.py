"""Players, as the files in ``players/`` of the home keep them: who they are and what was decided.

The library's database is made from these and from the recordings; what people decide about a
player (name, consent, references, plans) is kept here, in plain JSON, one file a player.
"""

from __future__ import annotations

import contextlib
import dataclasses
import json
import unicodedata
import uuid
from collections.abc import Callable, Hashable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any, Final

from msgspec import Meta

from library.errors import (
    ChoiceError,
    LibraryFileError,
    NamesakeError,
    NewerLibraryError,
    NoSuchError,
)
from library.lesson_record import Day, LessonRecord, LessonRecords, one_each
from library.limits import LimitsRecord, newer
from library.told import ToldRecord, ToldRecords, each_once
from sensor.errors import RecordingError
from sensor.recording.output import describe_os_error, whole_file
from sensor.recording.schema import (
    Hand,
    Id,
    Mount,
    Name,
    Number,
    SchemaError,
    Seq,
    Text,
    Word,
    check,
    check_version,
    convert,
    free,
    instant,
    parse_json,
    plain_reading,
    read_small,
)

PLAYER_VERSION: Final = 1
PlayerId = Annotated[
    str,
    Meta(
        pattern=r"\A[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}\Z",
        description="a player's id, a UUID",
    ),
]


def now_utc() -> str:
    """Return the time, ISO 8601 in UTC; later ones sort after earlier ones."""
    return datetime.now(UTC).isoformat(timespec="microseconds")


def utc(text: str) -> str:
    """Write an instant with an offset in UTC, as `now_utc` does."""
    return _instant(text)


def clean_name(name: str) -> str:
    """Return a name without the differences that nobody sees: spaces around, accents' spelling."""
    return unicodedata.normalize("NFC", " ".join(name.split()))


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceRecord:
    """A player's own full turn with a club and a mount, from swings that the coach approved.

    Attributes
    ----------
    club : str or None
    mount : str or None
    swings : tuple of (str, int)
        The approved ones: recording id and `seq` of the impact.
    bounds : mapping of str to (float, float)
        Lower and upper bound by quantity, named as in `Swing`, that the coach set: more is not
        always better. What isn't here follows from the swings.
    provisional : bool
        Made of free rehearsals, approved by nobody.
    approved_by : str or None
    at : str
        When, ISO 8601 in UTC.
    version : str or None
        Of the analysis that it was set under, which its bounds are of; None where that wasn't
        written down.
    """

    club: Name | None
    mount: Mount | None
    swings: tuple[tuple[Id, Seq], ...]
    bounds: Mapping[Word, tuple[Number, Number]] = field(default_factory=dict)
    provisional: bool = False
    approved_by: Text | None = None
    at: Word = field(default_factory=now_utc)
    version: Word | None = None

    def __post_init__(self) -> None:
        check(self)
        object.__setattr__(self, "at", _instant(self.at))
        for name, (low, high) in self.bounds.items():
            if low > high:
                raise SchemaError(f"of '{name}' must be two numbers, the lower one first", "bounds")


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanRecord:
    """Where a player's plan for a club and a mount stands.

    Attributes
    ----------
    club, mount : str or None
    state : mapping
        As the plan's rules have it; the library doesn't look inside.
    history : tuple of mapping
        What happened, oldest first; each has ``at``.
    at : str
        Of the last change, ISO 8601 in UTC.
    """

    club: Name | None
    mount: Mount | None
    state: Mapping[str, Any]
    history: tuple[Mapping[str, Any], ...] = ()
    at: Word = field(default_factory=now_utc)

    def __post_init__(self) -> None:
        check(self)
        free(self.state, "state")
        free(self.history, "history")
        object.__setattr__(self, "at", _instant(self.at))


@dataclass(frozen=True, slots=True, kw_only=True)
class Player:
    """A player's file.

    Attributes
    ----------
    id : str
        UUID.
    name : str
    aliases : tuple of str
        Other names under which recordings know this player.
    handedness : {"right", "left"} or None
    note : str or None
    child : bool
        Not of age: recorded only with `consent`.
    consent : str or None
        Who agreed to the recordings, and when.
    until : str or None
        A child's day, YYYY-MM-DD: after it the player is deleted with all recordings, unless
        somebody says before that they are kept.
    references, plans : tuple
        At most one a club and mount.
    earlier : tuple of ReferenceRecord
        What `references` were before, oldest first: sessions of then are judged by what was
        approved then. One without swings and bounds says that the approval was taken back.
    limits : LimitsRecord
        What the coach capped.
    told : tuple of ToldRecord
        What was told, oldest first: nothing in it is ever changed.
    lessons : tuple of LessonRecord
        What was agreed at the end of lessons, oldest first.
    at : str
        Of the last change of what stands above, ISO 8601 in UTC.
    """

    id: PlayerId
    name: Name
    aliases: tuple[Name, ...] = ()
    handedness: Hand | None = None
    note: Text | None = None
    child: bool = False
    consent: Text | None = None
    references: tuple[ReferenceRecord, ...] = ()
    plans: tuple[PlanRecord, ...] = ()
    earlier: tuple[ReferenceRecord, ...] = ()
    told: ToldRecords = ()
    lessons: LessonRecords = ()
    until: Day | None = None
    at: Word = field(default_factory=now_utc)
    limits: LimitsRecord = field(default_factory=LimitsRecord)

    def __post_init__(self) -> None:
        check(self)
        object.__setattr__(self, "at", _instant(self.at))

    def known_as(self, name: str) -> bool:
        """Whether recordings with this name (or this player's id) are this player's."""
        wanted = clean_name(name)
        return wanted == self.id or any(
            clean_name(known) == wanted for known in (self.name, *self.aliases)
        )

    def reference(self, club: str | None, mount: str | None) -> ReferenceRecord | None:
        """Return the full turn's reference with a club and a mount."""
        return next((r for r in self.references if (r.club, r.mount) == (club, mount)), None)

    def plan(self, club: str | None, mount: str | None) -> PlanRecord | None:
        """Return the plan with a club and a mount."""
        return next((p for p in self.plans if (p.club, p.mount) == (club, mount)), None)

    def reference_before(
        self, club: str | None, mount: str | None, before: str
    ) -> ReferenceRecord | None:
        """Return the reference that was the newest before an instant (ISO 8601 in UTC)."""
        there = [
            r
            for r in (*self.references, *self.earlier)
            if (r.club, r.mount) == (club, mount) and r.at < before
        ]
        return max(there, key=lambda r: r.at, default=None)

    def with_reference(self, reference: ReferenceRecord) -> Player:
        """Return the player with a reference in the place of the one before, which is kept."""
        setting = (reference.club, reference.mount)
        return dataclasses.replace(
            self,
            references=(*(r for r in self.references if (r.club, r.mount) != setting), reference),
            earlier=_in_time(
                (*self.earlier, *(r for r in self.references if (r.club, r.mount) == setting))
            ),
        )

    def without_reference(self, club: str | None, mount: str | None) -> Player:
        """Return the player without a reference from now on; what was is kept."""
        none = ReferenceRecord(club=club, mount=mount, swings=(), provisional=True)
        with_none = self.with_reference(none)
        return dataclasses.replace(
            with_none,
            references=tuple(r for r in with_none.references if r is not none),
            earlier=_in_time((*with_none.earlier, none)),
        )

    def with_plan(self, plan: PlanRecord) -> Player:
        """Return the player with a plan in the place of the one before."""
        kept = [p for p in self.plans if (p.club, p.mount) != (plan.club, plan.mount)]
        return dataclasses.replace(self, plans=(*kept, plan))

    def told_of(self, club: str | None, mount: str | None) -> list[ToldRecord]:
        """Return what was told with a club and a mount, oldest first."""
        return [one for one in self.told if (one.club, one.mount) == (club, mount)]

    def with_told(self, *records: ToldRecord) -> Player:
        """Return the player with something more that was told; what is there already stays."""
        return dataclasses.replace(self, told=each_once((*self.told, *records)))

    def lesson(self, session: str) -> LessonRecord | None:
        """Return what was agreed at the end of a lesson."""
        return next((one for one in self.lessons if one.session == session), None)

    def with_lesson(self, record: LessonRecord) -> Player:
        """Return the player with a lesson in the place of what was said of it before."""
        others = [one for one in self.lessons if one.session != record.session]
        return dataclasses.replace(self, lessons=one_each((*others, record)))

    def as_of(self, at: str) -> Player:
        """Return the player with what had been approved and said of plans before an instant.

        Parameters
        ----------
        at : str
            ISO 8601 in UTC.
        """
        settings = dict.fromkeys((r.club, r.mount) for r in (*self.references, *self.earlier))
        then = (self.reference_before(club, mount, at) for club, mount in settings)
        plans = (
            dataclasses.replace(
                plan, history=tuple(e for e in plan.history if str(e.get("at", "")) < at)
            )
            for plan in self.plans
        )
        return dataclasses.replace(
            self, references=tuple(r for r in then if r is not None), plans=tuple(plans)
        )

    def merged(self, other: Player) -> Player:
        """Return the player with what the other copy of the file knows better."""
        later = other if (other.at, other.name) > (self.at, self.name) else self
        names = {clean_name(n) for n in (self.name, other.name, *self.aliases, *other.aliases)}
        merged = dataclasses.replace(
            later,
            id=self.id,
            aliases=tuple(sorted(names - {clean_name(later.name)})),
            references=self.references,
            plans=self.plans,
            limits=newer(self.limits, other.limits),
            earlier=_in_time((*self.earlier, *other.earlier)),
            told=each_once((*self.told, *other.told)),
            lessons=one_each((*self.lessons, *other.lessons)),
        )
        for reference in other.references:
            mine = merged.reference(reference.club, reference.mount)
            if mine is None or reference.at > mine.at:
                merged = merged.with_reference(reference)
            elif reference != mine:
                earlier = _in_time((*merged.earlier, reference))
                merged = dataclasses.replace(merged, earlier=earlier)
        for plan in other.plans:
            known = merged.plan(plan.club, plan.mount)
            merged = merged.with_plan(plan if known is None else _joined(known, plan))
        return merged

    def document(self) -> dict[str, Any]:
        """Return what the file says."""
        out: dict[str, Any] = {"version": PLAYER_VERSION}
        for item in dataclasses.fields(self):
            out[item.name] = getattr(self, item.name)
        out["aliases"] = sorted(self.aliases)
        out["references"] = [
            _written(r)
            for r in sorted(self.references, key=lambda r: (r.club or "", r.mount or ""))
        ]
        out["earlier"] = [_written(r) for r in self.earlier]
        out["plans"] = [
            {
                **{f.name: getattr(p, f.name) for f in dataclasses.fields(p)},
                "state": dict(p.state),
                "history": [dict(event) for event in p.history],
            }
            for p in sorted(self.plans, key=lambda p: (p.club or "", p.mount or ""))
        ]
        out["limits"] = {
            f.name: getattr(self.limits, f.name) for f in dataclasses.fields(self.limits)
        }
        out["limits"]["without"] = sorted(self.limits.without)
        out["lessons"] = [one.document() for one in self.lessons]
        # Last, so that `Registry.stamp` can leave it out.
        del out["told"]
        out["told"] = [one.document() for one in self.told]
        return out


def _written(reference: ReferenceRecord) -> dict[str, Any]:
    """Return what the file says of a reference."""
    return {
        **{f.name: getattr(reference, f.name) for f in dataclasses.fields(reference)},
        "swings": [list(swing) for swing in reference.swings],
        "bounds": {name: list(pair) for name, pair in sorted(reference.bounds.items())},
    }


def _in_time(references: Iterable[ReferenceRecord]) -> tuple[ReferenceRecord, ...]:
    """Put references in the order of time, each once."""
    once = {json.dumps(_written(r), sort_keys=True): r for r in references}
    return tuple(r for _, r in sorted(once.items(), key=lambda item: (item[1].at, item[0])))


def _joined(one: PlanRecord, two: PlanRecord) -> PlanRecord:
    """The newer state, and what happened on both sides."""
    newer = max(one, two, key=lambda plan: (plan.at, json.dumps(dict(plan.state), sort_keys=True)))
    events = {json.dumps(dict(e), sort_keys=True): e for e in (*one.history, *two.history)}
    history = sorted(events.items(), key=lambda item: (str(item[1].get("at", "")), item[0]))
    return dataclasses.replace(newer, history=tuple(event for _, event in history))


def player_from(document: Mapping[str, Any]) -> Player:
    """Check and take over what a player's file says.

    Raises
    ------
    NewerSchemaError
        A later version wrote it.
    SchemaError
        It is broken.
    """
    check_version(document, PLAYER_VERSION)
    return convert(document, Player)


def _instant(text: str) -> str:
    """Write an instant so that later ones sort after earlier ones."""
    return instant(text, "at").astimezone(UTC).isoformat(timespec="microseconds")


_TOLD_LINE: Final = b'\n "told": ['
"""Where what was told begins in a player's file; no text in it has a line's end."""

_USE_COPY: Final = "use a copy if there is one, or move it away"


class Registry:
    """The players' files of a home.

    Parameters
    ----------
    home : Path

    Attributes
    ----------
    broken : dict of str to LibraryFileError
        By id: what is wrong with the files that `all` passed over when it last looked.
    """

    def __init__(self, home: Path) -> None:
        self.folder = home / "players"
        self.broken: dict[str, LibraryFileError] = {}

    def all(self) -> list[Player]:
        """Return every player whose file can be read, by name; `broken` has the others.

        Raises
        ------
        LibraryError
            The folder cannot be read.
        """
        try:
            paths = sorted(self.folder.glob("*.json"))
        except OSError as error:
            raise LibraryFileError(
                self.folder, f"cannot be read: {describe_os_error(error)}"
            ) from error
        players, broken = [], {}
        for path in paths:
            try:
                players.append(self._read(path))
            except LibraryFileError as error:
                # One file must not stop what is of all others.
                broken[path.stem] = error
        self.broken = broken
        return sorted(players, key=lambda p: (p.name, p.id))

    def _read(self, path: Path) -> Player:
        with plain_reading(path, LibraryFileError, remedy=_USE_COPY, newer=NewerLibraryError):
            player = player_from(parse_json(read_small(path), dict[str, Any]))
        if path.stem != player.id:
            raise LibraryFileError(path, f"is broken: it says that it is player {player.id}")
        return player

    def stamp(self, player_id: str) -> Hashable:
        """Return what stays the same as long as nothing is decided or said about a player.

        What was told to people changes nothing of what there is to tell.
        """
        try:
            text = read_small(self._path(player_id))
        except (OSError, SchemaError):
            return None
        return hash(text.partition(_TOLD_LINE)[0])

    def get(self, player_id: str) -> Player | None:
        """Return the player with an id, None if there is none."""
        path = self._path(player_id)
        return self._read(path) if path.exists() else None

    def _path(self, player_id: str) -> Path:
        try:
            convert(player_id, PlayerId)
        except SchemaError as error:
            raise NoSuchError(f"'{player_id}' is not a player's id") from error
        return self.folder / f"{player_id}.json"

    def save(self, player: Player) -> None:
        """Write a player's file, whole or not at all.

        Raises
        ------
        LibraryError
            The operating system refused.
        """
        path = self._path(player.id)
        text = json.dumps(player.document(), indent=1, ensure_ascii=False, allow_nan=False) + "\n"
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            with whole_file(path, overwrite=True) as file:
                file.write(text.encode())
        except RecordingError as error:
            raise LibraryFileError(error.path, error.problem) from error
        except OSError as error:
            raise LibraryFileError(
                path, f"cannot be written: {describe_os_error(error)}"
            ) from error

    def remove(self, player_id: str) -> None:
        """Remove a player's file; harmless where there is none."""
        with contextlib.suppress(FileNotFoundError):
            self._path(player_id).unlink()

    def add(self, name: str, **fields: Any) -> Player:
        """Make a new player of this name.

        Raises
        ------
        LibraryError
            The name is too long or empty, or the file cannot be written.
        """
        try:
            player = Player(id=str(uuid.uuid4()), name=clean_name(name), **fields)
        except ValueError as error:
            raise LibraryFileError(self.folder, str(error)) from error
        self.save(player)
        return player

    def named(self, name: str, players: Iterable[Player] | None = None) -> Player | None:
        """Return the player that recordings with this name are of; None if nobody yet.

        Raises
        ------
        NamesakeError
            Several players have this name.
        """
        found = [p for p in (self.all() if players is None else players) if p.known_as(name)]
        if len(found) > 1:
            raise NamesakeError(clean_name(name), [label(p) for p in found], [p.id for p in found])
        return found[0] if found else None

    def find(self, text: str) -> Player:
        """Return the player with this id, beginning of an id, or name.

        Raises
        ------
        NoSuchError
            Nobody has it; who there is is listed.
        ChoiceError
            Several have it.
        """
        wanted = clean_name(text)
        with contextlib.suppress(NoSuchError):
            # A whole id needs none of the others' files.
            if (player := self.get(wanted.lower())) is not None:
                return player
        players = self.all()
        ways: tuple[Callable[[Player], bool], ...] = (
            lambda p: p.id == wanted.lower(),
            lambda p: p.known_as(wanted),
            lambda p: p.name.casefold() == wanted.casefold(),
            lambda p: len(wanted) >= 4 and p.id.startswith(wanted.lower()),
        )
        for matches in ways:
            found = [p for p in players if matches(p)]
            if len(found) == 1:
                return found[0]
            if found:
                raise ChoiceError(
                    f"'{wanted}' could be several players, so give the id",
                    [label(p) for p in found],
                )
        there = ", ".join(p.name for p in players[:12]) or "there are none yet"
        unread = "".join(f"; {error}" for error in self.broken.values())
        raise NoSuchError(f"there is no player '{wanted}' (players: {there}){unread}")


def label(player: Player) -> str:
    """Say who it is so that namesakes can be told apart."""
    words = [player.name, f"{player.handedness}-handed" if player.handedness else None, player.note]
    return f"{', '.join(w for w in words if w)} [{player.id[:8]}]"
