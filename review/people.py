"""Players, as the files in ``players/`` of the home keep them: who they are and what was decided.

The library's database is made from these and from the recordings; what people decide about a
player (name, consent, references, plans) is kept here, in plain JSON, one file a player.
"""

from __future__ import annotations

import contextlib
import dataclasses
import json
import math
import os
import unicodedata
import uuid
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from review.liberrors import (
    ChoiceError,
    LibraryError,
    NamesakeError,
    NewerLibraryError,
    NoSuchError,
)
from sensor.errors import RecordingError
from sensor.output import describe_os_error, whole_file
from sensor.session import HANDS, MOUNTS

__all__ = ["Identities", "PlanRecord", "Player", "Reference", "Registry", "clean_name", "now_utc"]

PLAYER_VERSION: Final = 1
LONGEST_NAME: Final = 200
IDENTITIES_FILE: Final = "identities.jsonl"


def now_utc() -> str:
    """Return the time, ISO 8601 in UTC; later ones sort after earlier ones."""
    return datetime.now(UTC).isoformat(timespec="microseconds")


def clean_name(name: str) -> str:
    """Return a name without the differences that nobody sees: spaces around, accents' spelling."""
    return unicodedata.normalize("NFC", " ".join(name.split()))


@dataclass(frozen=True, slots=True, kw_only=True)
class Reference:
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
    """

    club: str | None
    mount: str | None
    swings: tuple[tuple[str, int], ...]
    bounds: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    provisional: bool = False
    approved_by: str | None = None
    at: str = field(default_factory=now_utc)

    def __post_init__(self) -> None:
        for name, (low, high) in self.bounds.items():
            if not (math.isfinite(low) and math.isfinite(high) and low <= high):
                raise ValueError(f"the bounds of '{name}' must be two numbers, the lower one first")


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

    club: str | None
    mount: str | None
    state: Mapping[str, Any]
    history: tuple[Mapping[str, Any], ...] = ()
    at: str = field(default_factory=now_utc)


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
    references, plans : tuple
        At most one a club and mount.
    at : str
        Of the last change of what stands above, ISO 8601 in UTC.
    """

    id: str
    name: str
    aliases: tuple[str, ...] = ()
    handedness: str | None = None
    note: str | None = None
    child: bool = False
    consent: str | None = None
    references: tuple[Reference, ...] = ()
    plans: tuple[PlanRecord, ...] = ()
    at: str = field(default_factory=now_utc)

    def __post_init__(self) -> None:
        try:
            fine = str(uuid.UUID(self.id)) == self.id
        except (ValueError, AttributeError, TypeError):
            fine = False
        if not fine:
            raise ValueError(f"a player's id must be a UUID, not {self.id!r}")
        for name in (self.name, *self.aliases):
            if not isinstance(name, str) or not 0 < len(name) <= LONGEST_NAME:
                raise ValueError(f"a player's name must have 1 to {LONGEST_NAME} characters")
        if self.handedness is not None and self.handedness not in HANDS:
            raise ValueError(f"'handedness' must be one of {', '.join(HANDS)}")

    def known_as(self, name: str) -> bool:
        """Whether recordings with this name (or this player's id) are this player's."""
        wanted = clean_name(name)
        return wanted == self.id or any(
            clean_name(known) == wanted for known in (self.name, *self.aliases)
        )

    def reference(self, club: str | None, mount: str | None) -> Reference | None:
        """Return the full turn's reference with a club and a mount."""
        return next((r for r in self.references if (r.club, r.mount) == (club, mount)), None)

    def plan(self, club: str | None, mount: str | None) -> PlanRecord | None:
        """Return the plan with a club and a mount."""
        return next((p for p in self.plans if (p.club, p.mount) == (club, mount)), None)

    def with_reference(self, reference: Reference) -> Player:
        """Return the player with a reference in the place of the one before."""
        kept = [
            r for r in self.references if (r.club, r.mount) != (reference.club, reference.mount)
        ]
        return dataclasses.replace(self, references=(*kept, reference))

    def with_plan(self, plan: PlanRecord) -> Player:
        """Return the player with a plan in the place of the one before."""
        kept = [p for p in self.plans if (p.club, p.mount) != (plan.club, plan.mount)]
        return dataclasses.replace(self, plans=(*kept, plan))

    def merged(self, other: Player) -> Player:
        """Return the player with what the other copy of the file knows better."""
        newer = other if (other.at, other.name) > (self.at, self.name) else self
        names = {clean_name(n) for n in (self.name, other.name, *self.aliases, *other.aliases)}
        merged = dataclasses.replace(
            newer,
            id=self.id,
            aliases=tuple(sorted(names - {clean_name(newer.name)})),
            references=self.references,
            plans=self.plans,
        )
        for reference in other.references:
            mine = merged.reference(reference.club, reference.mount)
            if mine is None or reference.at > mine.at:
                merged = merged.with_reference(reference)
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
            {
                **{f.name: getattr(r, f.name) for f in dataclasses.fields(r)},
                "swings": [list(swing) for swing in r.swings],
                "bounds": {name: list(pair) for name, pair in sorted(r.bounds.items())},
            }
            for r in sorted(self.references, key=lambda r: (r.club or "", r.mount or ""))
        ]
        out["plans"] = [
            {
                **{f.name: getattr(p, f.name) for f in dataclasses.fields(p)},
                "state": dict(p.state),
                "history": [dict(event) for event in p.history],
            }
            for p in sorted(self.plans, key=lambda p: (p.club or "", p.mount or ""))
        ]
        return out


def _joined(one: PlanRecord, two: PlanRecord) -> PlanRecord:
    """The newer state, and what happened on both sides."""
    newer = max(one, two, key=lambda plan: (plan.at, json.dumps(dict(plan.state), sort_keys=True)))
    events = {json.dumps(dict(e), sort_keys=True): e for e in (*one.history, *two.history)}
    history = sorted(events.items(), key=lambda item: (str(item[1].get("at", "")), item[0]))
    return dataclasses.replace(newer, history=tuple(event for _, event in history))


def player_from(document: object, path: Path) -> Player:
    """Check and take over what a player's file says.

    Raises
    ------
    NewerLibraryError
        A later version wrote it.
    LibraryError
        It is broken.
    """
    broken = "is broken: {}; use a copy if there is one, or move it away"
    if not isinstance(document, dict) or not isinstance(document.get("version"), int):
        raise LibraryError(path, broken.format("it isn't a player's file"))
    if document["version"] > PLAYER_VERSION:
        raise NewerLibraryError(
            path,
            f"has version {document['version']}; this version of unhurried reads up to "
            f"{PLAYER_VERSION}: update unhurried",
        )
    names = {item.name for item in dataclasses.fields(Player)}
    known = {key: value for key, value in document.items() if key in names}
    try:
        known["aliases"] = tuple(map(str, known.get("aliases", ())))
        for flag in ("note", "consent"):
            if known.get(flag) is not None and not isinstance(known[flag], str):
                raise ValueError(f"'{flag}' must be text")
        if not isinstance(known.get("child", False), bool):
            raise ValueError("'child' must be true or false")
        known["references"] = tuple(_reference(item) for item in known.get("references", ()))
        known["plans"] = tuple(_plan(item) for item in known.get("plans", ()))
        known["at"] = _instant(known["at"])
        return Player(**known)
    except (AttributeError, KeyError, TypeError, ValueError) as error:
        reason = str(error) if isinstance(error, ValueError) else "an entry isn't what it must be"
        raise LibraryError(path, broken.format(reason)) from error


def _instant(text: str) -> str:
    at = datetime.fromisoformat(text)
    if at.tzinfo is None:
        raise ValueError("a time has no offset")
    return at.astimezone(UTC).isoformat(timespec="microseconds")


def _words(item: Mapping[str, Any]) -> dict[str, str | None]:
    club, mount = item["club"], item["mount"]
    if club is not None and not isinstance(club, str):
        raise ValueError("'club' must be text")
    if mount is not None and mount not in MOUNTS:
        raise ValueError(f"'mount' must be one of {', '.join(MOUNTS)}")
    return {"club": club, "mount": mount}


def _reference(item: Mapping[str, Any]) -> Reference:
    by = item.get("approved_by")
    return Reference(
        **_words(item),
        swings=tuple((str(recording), int(seq)) for recording, seq in item["swings"]),
        bounds={str(k): (float(low), float(high)) for k, (low, high) in item["bounds"].items()},
        provisional=bool(item.get("provisional", False)),
        approved_by=None if by is None else str(by),
        at=_instant(item["at"]),
    )


def _plan(item: Mapping[str, Any]) -> PlanRecord:
    return PlanRecord(
        **_words(item),
        state=dict(item["state"]),
        history=tuple(dict(event) for event in item.get("history", ())),
        at=_instant(item["at"]),
    )


class Registry:
    """The players' files of a home.

    Parameters
    ----------
    home : Path
    """

    def __init__(self, home: Path) -> None:
        self.folder = home / "players"

    def all(self) -> list[Player]:
        """Return every player, by name.

        Raises
        ------
        LibraryError
            A file is broken, or of a later version.
        """
        try:
            paths = sorted(self.folder.glob("*.json"))
        except OSError as error:
            raise LibraryError(
                self.folder, f"cannot be read: {describe_os_error(error)}"
            ) from error
        players = [self._read(path) for path in paths]
        return sorted(players, key=lambda p: (p.name, p.id))

    def _read(self, path: Path) -> Player:
        try:
            document = json.loads(path.read_text(encoding="utf-8"))
        except OSError as error:
            raise LibraryError(path, f"cannot be read: {describe_os_error(error)}") from error
        except (ValueError, RecursionError) as error:
            raise LibraryError(
                path, "is broken: it is not JSON; use a copy if there is one, or move it away"
            ) from error
        player = player_from(document, path)
        if path.stem != player.id:
            raise LibraryError(path, f"is broken: it says that it is player {player.id}")
        return player

    def get(self, player_id: str) -> Player | None:
        """Return the player with an id, None if there is none."""
        path = self._path(player_id)
        return self._read(path) if path.exists() else None

    def _path(self, player_id: str) -> Path:
        try:
            fine = str(uuid.UUID(player_id)) == player_id
        except ValueError:
            fine = False
        if not fine:
            raise NoSuchError(f"'{player_id}' is not a player's id")
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
            raise LibraryError(error.path, error.problem) from error
        except OSError as error:
            raise LibraryError(path, f"cannot be written: {describe_os_error(error)}") from error

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
            raise LibraryError(self.folder, str(error)) from error
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
        raise NoSuchError(f"there is no player '{wanted}' (players: {there})")


class Identities:
    """Whom a name in a recording was found to be when the recording was first taken in.

    Kept in the home, one line a name, so that a player who is later given the same name changes
    nothing for recordings that are known already, also when the database is made anew. What people
    say (the annotations' identities) counts more.

    Parameters
    ----------
    home : Path
    """

    def __init__(self, home: Path) -> None:
        self.path = home / IDENTITIES_FILE
        self._read_at: tuple[int, int, int] | None = None
        self._known: dict[str, dict[str, str]] = {}

    def of(self, recording: str) -> dict[str, str]:
        """Return the players' ids by name of one recording.

        Raises
        ------
        LibraryError
            The file cannot be read.
        """
        try:
            facts = self.path.stat()
            at = (facts.st_ino, facts.st_size, facts.st_mtime_ns)
            if at != self._read_at:
                self._known = self._read(self.path.read_text(encoding="utf-8", errors="replace"))
                self._read_at = at
        except FileNotFoundError:
            self._known, self._read_at = {}, None
        except OSError as error:
            raise LibraryError(self.path, f"cannot be read: {describe_os_error(error)}") from error
        return dict(self._known.get(recording, {}))

    @staticmethod
    def _read(text: str) -> dict[str, dict[str, str]]:
        out: dict[str, dict[str, str]] = {}
        for line in text.splitlines():
            # A line that was cut off when the computer went down counts as not written.
            with contextlib.suppress(ValueError, KeyError, TypeError):
                one = json.loads(line)
                recording, name, player = one["recording"], one["name"], one["player"]
                out.setdefault(str(recording), {})[str(name)] = str(player)
        return out

    def keep(self, recording: str, found: Mapping[str, str]) -> None:
        """Add what isn't known yet. Only the database's one writer may call this.

        Raises
        ------
        LibraryError
            The operating system refused.
        """
        known = self.of(recording)
        new = {name: player for name, player in found.items() if known.get(name) != player}
        if not new:
            return
        lines = [_line(recording, name, player) for name, player in new.items()]
        try:
            with self.path.open("ab+") as file:
                if file.tell():
                    file.seek(-1, os.SEEK_END)
                    if file.read(1) != b"\n":
                        lines.insert(0, "\n")
                file.write("".join(lines).encode())
                file.flush()
                os.fsync(file.fileno())
        except OSError as error:
            raise LibraryError(
                self.path, f"cannot be written: {describe_os_error(error)}"
            ) from error

    def forget(self, player_id: str) -> None:
        """Remove all that is kept of a player who is deleted."""
        self.of("")
        lines = [
            _line(recording, name, player)
            for recording, names in self._known.items()
            for name, player in names.items()
            if player != player_id
        ]
        if not self._known:
            return
        try:
            with whole_file(self.path, overwrite=True) as file:
                file.write("".join(lines).encode())
        except RecordingError as error:
            raise LibraryError(error.path, error.problem) from error


def _line(recording: str, name: str, player: str) -> str:
    entry = {"recording": recording, "name": name, "player": player}
    return json.dumps(entry, ensure_ascii=False) + "\n"


def label(player: Player) -> str:
    """Say who it is so that namesakes can be told apart."""
    words = [player.name, f"{player.handedness}-handed" if player.handedness else None, player.note]
    return f"{', '.join(w for w in words if w)} [{player.id[:8]}]"
