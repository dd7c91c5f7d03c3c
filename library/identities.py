"""Whom a name in a recording means, and who was deleted: what the home keeps beside the players."""

from __future__ import annotations

import contextlib
import json
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Final

import msgspec
from msgspec import Meta

from library.errors import LibraryFileError
from library.players import PlayerId
from sensor.errors import RecordingError
from sensor.recording.output import describe_os_error, whole_file
from sensor.recording.schema import (
    Id,
    Name,
    SchemaError,
    Seq,
    Word,
    parse_json,
    plain_reading,
    read_small,
)

IDENTITIES_FILE: Final = "identities.jsonl"
DELETED_FILE: Final = "deleted.jsonl"
MOST_PLACES: Final = 1_000_000
MOST_IDENTITIES: Final = 200_000_000
"""Bytes: a line of 150 a name and recording, a hundred times what ten thousand sessions take."""
_USE_COPY: Final = "use a copy if there is one, or move it away"


def _file_mark(path: Path) -> tuple[int, int, int] | None:
    """Return what tells whether a file is still the same; None if there is none.

    Raises
    ------
    LibraryError
    """
    try:
        facts = path.stat()
    except FileNotFoundError:
        return None
    except OSError as error:
        raise LibraryFileError(path, f"cannot be read: {describe_os_error(error)}") from error
    return facts.st_ino, facts.st_size, facts.st_mtime_ns


class _Identity(msgspec.Struct):
    recording: Id
    name: Name
    player: Word


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
        self._damaged = 0

    def of(self, recording: str) -> dict[str, str]:
        """Return the players' ids by name of one recording.

        Raises
        ------
        LibraryError
            The file cannot be read.
        """
        if (at := self._at()) is None:
            self._known, self._read_at = {}, None
        elif at != self._read_at:
            with plain_reading(self.path, LibraryFileError, remedy=_USE_COPY):
                self._known = self._read(read_small(self.path, most=MOST_IDENTITIES))
            self._read_at = at
        return dict(self._known.get(recording, {}))

    def _at(self) -> tuple[int, int, int] | None:
        return _file_mark(self.path)

    def _read(self, data: bytes) -> dict[str, dict[str, str]]:
        out: dict[str, dict[str, str]] = {}
        self._damaged = 0
        for line in data.splitlines():
            # A line that was cut off when the computer went down counts as not written.
            try:
                one = parse_json(line, _Identity)
            except SchemaError:
                self._damaged += 1
            else:
                out.setdefault(one.recording, {})[one.name] = one.player
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
        append_lines(
            self.path, "".join(_line(recording, name, player) for name, player in new.items())
        )
        # What was just written needn't be read again, which would take longer with each session.
        self._known.setdefault(recording, {}).update(new)
        self._read_at = self._at()

    def with_player(self, player_id: str) -> list[str]:
        """Return the recordings in which a player is."""
        self.of("")
        return [one for one, names in self._known.items() if player_id in names.values()]

    def damaged_lines(self) -> int:
        """Return how many lines can't be read."""
        self.of("")
        return self._damaged

    def names_of(self, player_id: str) -> set[str]:
        """Return the names that a player has in recordings."""
        self.of("")
        return {
            name
            for names in self._known.values()
            for name, player in names.items()
            if player == player_id
        }

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
            raise LibraryFileError(error.path, error.problem) from error


class _Gone(msgspec.Struct):
    player: PlayerId
    recording: Id | None = None
    segments: Annotated[list[Seq], Meta(max_length=MOST_PLACES)] = []
    swings: Annotated[list[Seq], Meta(max_length=MOST_PLACES)] = []


@dataclass(frozen=True, slots=True, kw_only=True)
class Grave:
    """Where a deleted player is in a recording, by sample numbers alone.

    Attributes
    ----------
    player : str
    segments, swings : tuple of int
        Where stretches of theirs begin, and swings that were said to be theirs. Neither is known
        where the library had no numbers of the recording.
    """

    player: str
    segments: tuple[int, ...]
    swings: tuple[int, ...]


class Deleted:
    """Players who were deleted: their ids, and no word about who they were.

    What a recording says of them isn't taken in when it, or a copy, turns up again.

    Parameters
    ----------
    home : Path
    """

    def __init__(self, home: Path) -> None:
        self.path = home / DELETED_FILE
        self._read_at: tuple[int, int, int] | None = None
        self._players: set[str] = set()
        self._graves: dict[str, list[Grave]] = {}

    def _read(self) -> None:
        at = _file_mark(self.path)
        if at == self._read_at:
            return
        data = b""
        if at is not None:
            with plain_reading(self.path, LibraryFileError, remedy=_USE_COPY):
                data = read_small(self.path)
        self._players, self._graves = set(), {}
        for line in data.splitlines():
            with contextlib.suppress(SchemaError):
                one = parse_json(line, _Gone)
                self._players.add(one.player)
                if one.recording is not None:
                    grave = Grave(
                        player=one.player, segments=tuple(one.segments), swings=tuple(one.swings)
                    )
                    self._graves.setdefault(one.recording, []).append(grave)
        self._read_at = at

    def players(self) -> frozenset[str]:
        """Return the ids of all players who were deleted."""
        self._read()
        return frozenset(self._players)

    def of(self, recording: str) -> list[Grave]:
        """Return where deleted players are in a recording."""
        self._read()
        return list(self._graves.get(recording, ()))

    def add(self, player: str, places: Mapping[str, tuple[Sequence[int], Sequence[int]]]) -> None:
        """Keep that a player was deleted, and where they are in which recording.

        Parameters
        ----------
        player : str
        places : mapping of str to (segments, swings)
            By recording.
        """
        lines = [{"player": player}] + [
            {
                "player": player,
                "recording": recording,
                "segments": list(segments),
                "swings": list(swings),
            }
            for recording, (segments, swings) in places.items()
        ]
        append_lines(self.path, "".join(json.dumps(line) + "\n" for line in lines))


def append_lines(path: Path, text: str) -> None:
    """Append lines to a file of the home; the rest of one that was cut off stays a line apart.

    Raises
    ------
    LibraryError
        The operating system refused.
    """
    try:
        with path.open("ab+") as file:
            if file.tell():
                file.seek(-1, os.SEEK_END)
                if file.read(1) != b"\n":
                    text = f"\n{text}"
            file.write(text.encode())
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        raise LibraryFileError(path, f"cannot be written: {describe_os_error(error)}") from error


def _line(recording: str, name: str, player: str) -> str:
    entry = {"recording": recording, "name": name, "player": player}
    return json.dumps(entry, ensure_ascii=False) + "\n"
