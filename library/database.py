"""The library's database as a file: connections, versions, transactions, and what can go wrong.

SQLite in WAL mode: readers never wait for the one writer, and a killed process leaves the last
whole transaction. ``PRAGMA user_version`` says how many of `MIGRATIONS` were applied.
"""

from __future__ import annotations

import contextlib
import sqlite3
import threading
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from library.errors import BusyLibraryError, LibraryFileError, NewerLibraryError, damaged
from library.tables import APPLICATION_ID, MIGRATIONS, all_tables, is_like_ours, tables_of

Row = dict[str, Any]

LEAST_SQLITE: Final = (3, 38, 0)
"""The first with STRICT tables (3.37) and JSON functions always there (3.38)."""

_DAMAGED: Final = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)
_DOUBTFUL: Final = (sqlite3.SQLITE_ERROR, sqlite3.SQLITE_CONSTRAINT, sqlite3.SQLITE_MISMATCH)
"""A defect of ours, or of the file."""
_UNWRITABLE: Final = (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM, sqlite3.SQLITE_CANTOPEN)

MOST_AHEAD: Final = 10_000
"""No later unhurried has so many versions more: such a number is damage."""

BUSY_S: Final = 20.0
"""How long a second writer waits. One session's rows take some milliseconds."""


class Database:
    """One home's database; safe to use from several threads, each has its own connection.

    Parameters
    ----------
    path : Path
        Made if it isn't there; one of an earlier version is brought up to date.
    read_only : bool
        Nothing is made, brought up to date or written.

    Raises
    ------
    NewerLibraryError, BrokenLibraryError, BusyLibraryError, LibraryError
    """

    def __init__(self, path: Path, *, read_only: bool = False) -> None:
        if sqlite3.sqlite_version_info < LEAST_SQLITE:
            raise LibraryFileError(
                path,
                f"needs SQLite {'.'.join(map(str, LEAST_SQLITE))}, and this Python has "
                f"{sqlite3.sqlite_version}: use a newer Python",
            )
        self.path = path
        self._local = threading.local()
        self._all: list[sqlite3.Connection] = []
        self._guard = threading.Lock()
        self._read_only = read_only
        self._how = "mode=rw" if read_only else ""  # "ro" would leave the log's files beside it
        with self._errors():
            try:
                self._migrate(self._connection())
            except sqlite3.OperationalError as error:
                if _kind(error) not in _UNWRITABLE or not self.path.is_file():
                    raise
                # On a read-only disk the log beside the file can't be opened, which nobody writes
                # there anyway.
                self.close()
                self._how = "mode=ro&immutable=1"
                self._migrate(self._connection())
            self._check_tables(self._connection())

    # -- connection ------------------------------------------------------------------------

    def _connection(self) -> sqlite3.Connection:
        known: sqlite3.Connection | None = getattr(self._local, "connection", None)
        if known is not None:
            return known
        name: str | Path = self.path
        if self._how:
            name = f"{self.path.absolute().as_uri()}?{self._how}"
        connection = sqlite3.connect(
            name,
            uri=bool(self._how),
            timeout=BUSY_S,
            isolation_level=None,
            check_same_thread=False,
        )
        try:
            connection.row_factory = sqlite3.Row
            connection.execute("PRAGMA foreign_keys = ON")
            if self._read_only:
                connection.execute("PRAGMA query_only = ON")
            connection.execute("PRAGMA cache_size = -65536")
            connection.execute("PRAGMA temp_store = MEMORY")
            # In WAL mode this loses no committed transaction when a process dies, and keeps the
            # file whole in a power cut.
            connection.execute("PRAGMA synchronous = NORMAL")
        except BaseException:
            connection.close()
            raise
        with self._guard:
            self._all.append(connection)
        self._local.connection = connection
        return connection

    def close(self) -> None:
        """Close the connections of all threads."""
        with self._guard:
            for connection in self._all:
                connection.close()
            self._all.clear()
        self._local = threading.local()

    @contextlib.contextmanager
    def _errors(self) -> Iterator[None]:
        """Turn what SQLite refuses into one line."""
        try:
            yield
        except UnicodeDecodeError as error:
            # Of SQLite's own words about a damaged file.
            raise damaged(self.path) from error
        except sqlite3.DatabaseError as error:
            kind = _kind(error)
            if kind in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
                raise BusyLibraryError(
                    self.path,
                    f"another process has been writing it for over {BUSY_S:.0f} s: wait until it "
                    "is done, and try again",
                ) from error
            if kind in _DAMAGED or (kind is None and "decode" in str(error)):
                raise damaged(self.path) from error
            if kind in _DOUBTFUL and self._is_damaged():
                raise damaged(self.path) from error
            if kind == sqlite3.SQLITE_FULL:
                problem = "the disk is full: free some space and try again"
            elif kind in _UNWRITABLE:
                problem = "cannot be written: check who may read and write it and its folder"
            elif kind == sqlite3.SQLITE_IOERR:
                problem = "the disk failed: check it, and try again"
            else:
                raise
            raise LibraryFileError(self.path, problem) from error

    @contextlib.contextmanager
    def reading_rows(self) -> Iterator[None]:
        """Turn a row that doesn't hold what was written into the error of a damaged database."""
        try:
            yield
        except (ValueError, TypeError, KeyError, AttributeError, RecursionError) as error:
            raise damaged(self.path, "a row of it is broken") from error

    def _is_damaged(self) -> bool:
        """Look at the file with new eyes."""
        try:
            with contextlib.closing(sqlite3.connect(self.path, timeout=BUSY_S)) as connection:
                if all_tables() - tables_of(connection):
                    return True
                rows = connection.execute("PRAGMA integrity_check(1)").fetchall()
                return [tuple(row) for row in rows] != [("ok",)]
        except (sqlite3.DatabaseError, UnicodeDecodeError):
            return True

    def _check_tables(self, connection: sqlite3.Connection) -> None:
        lacks = sorted(all_tables() - tables_of(connection))
        if lacks:
            raise damaged(self.path, f"it lacks {lacks[0]}")

    def _migrate(self, connection: sqlite3.Connection) -> None:
        version = self._version(connection)
        if version == len(MIGRATIONS):
            return
        if self._read_only:
            raise LibraryFileError(
                self.path, "is of an earlier unhurried: 'unhurried library update' brings it up"
            )
        connection.execute("PRAGMA journal_mode = WAL")
        with self._transaction(connection):
            # Another process may have done it while this one waited.
            version = self._version(connection)
            for statements in MIGRATIONS[version:]:
                for statement in statements:
                    self._bring_up(connection, statement)
            connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            connection.execute(f"PRAGMA user_version = {len(MIGRATIONS)}")

    def _bring_up(self, connection: sqlite3.Connection, statement: str) -> None:
        """Take one step from version to version."""
        try:
            connection.execute(statement)
        except sqlite3.OperationalError as error:
            if _kind(error) != sqlite3.SQLITE_ERROR:
                raise
            # The step itself is sound: what it was made for isn't there.
            raise damaged(self.path, "it isn't of the version that it says") from error

    def _version(self, connection: sqlite3.Connection) -> int:
        version = int(connection.execute("PRAGMA user_version").fetchone()[0])
        owner = int(connection.execute("PRAGMA application_id").fetchone()[0])
        tables = tables_of(connection)
        ours = owner == APPLICATION_ID
        absurd = version < 0 or version > len(MIGRATIONS) + MOST_AHEAD
        if absurd or (version == 0 and ours) or (not ours and is_like_ours(connection)):
            raise damaged(self.path, "its version is wrong")
        if not ours and (version or tables):
            raise LibraryFileError(
                self.path, "is another program's database: give another --home, or move it away"
            )
        if version > len(MIGRATIONS):
            raise NewerLibraryError(
                self.path,
                f"has version {version}, of a later unhurried; this one knows versions up to "
                f"{len(MIGRATIONS)}: update unhurried",
            )
        return version

    @contextlib.contextmanager
    def _transaction(self, connection: sqlite3.Connection) -> Iterator[None]:
        connection.execute("BEGIN IMMEDIATE")
        try:
            yield
        except BaseException:
            with contextlib.suppress(sqlite3.Error):
                connection.execute("ROLLBACK")
            raise
        connection.execute("COMMIT")

    @contextlib.contextmanager
    def writing(self) -> Iterator[None]:
        """Hold the one writer's place; all or nothing of what happens inside is kept."""
        with self._errors(), self._transaction(self._connection()):
            yield

    def _rows(self, sql: str, values: Sequence[Any] | Mapping[str, Any] = ()) -> list[Row]:
        with self._errors():
            return [dict(row) for row in self._connection().execute(sql, values)]

    def _row(self, sql: str, values: Sequence[Any] | Mapping[str, Any] = ()) -> Row | None:
        rows = self._rows(sql, values)
        return rows[0] if rows else None

    def _run(self, sql: str, values: Sequence[Any] | Mapping[str, Any] = ()) -> sqlite3.Cursor:
        return self._connection().execute(sql, values)


def _kind(error: sqlite3.Error) -> int | None:
    code = getattr(error, "sqlite_errorcode", None)
    return None if code is None else code & 0xFF
