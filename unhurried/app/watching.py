"""A folder that is watched while the page is up: what is put there comes in by itself."""

from __future__ import annotations

import contextlib
import hashlib
import json
import logging
import os
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from review.error_text import line_of
from sensor.errors import SensorError
from unhurried.app.errors import CommandError
from unhurried.app.file_kinds import look_at
from unhurried.app.ingest import open_library
from unhurried.app.settings import load_settings

SEEN_FILE: Final = "watched.json"
EVERY_S: Final = 5.0
MOST_FILES: Final = 2000
"""Of the folder, the newest first; folders in it are looked into for recordings only."""

BY_ITSELF: Final = frozenset({"recordings", "bundle"})
OFFERED: Final = frozenset({"table", "balls", "film", "backup"})

_log = logging.getLogger(__name__)

Stamp = tuple[int, int]


class Watch:
    """What is in the watched folder of a home, and what became of it.

    Parameters
    ----------
    home : Path
    """

    def __init__(self, home: Path) -> None:
        self._home = home
        self._guard = threading.Lock()
        self._last: dict[Path, Stamp] = {}
        self._asking: dict[str, tuple[int, int]] = {}
        self._seen: dict[str, Stamp] = {}
        self._read = False

    @property
    def folder(self) -> Path | None:
        """The watched folder, None where none is set or it isn't there."""
        try:
            chosen = str(load_settings(self._home)["watched_folder"])
        except CommandError:
            return None
        return Path(chosen) if chosen and Path(chosen).is_dir() else None

    def look(self) -> list[str]:
        """Look once; return what was taken in, in a line each.

        A file is taken once it has stayed the same from one look to the next: it may be on its way.
        """
        folder = self.folder
        if folder is None:
            return []
        with self._guard:
            self._recall()
            now = _files(folder)
            still = [path for path, stamp in now.items() if self._last.get(path) == stamp]
            self._last = now
            told = []
            for path in still:
                if self._seen.get(str(path)) == now[path]:
                    continue
                kind = _kind(path)
                if kind in BY_ITSELF and self._asks(path, kind, now[path]):
                    continue
                if kind in BY_ITSELF:
                    told.append(self._take(path, kind))
                if kind not in OFFERED:
                    self._seen[str(path)] = now[path]
                    self._keep()
            told += self._folders(folder)
            return told

    def _asks(self, path: Path, kind: str, stamp: tuple[int, int]) -> bool:
        """Whether somebody has to say whom a file means; then it waits."""
        from library.errors import LibraryError
        from unhurried.app.who_is_meant import asked_of_bundle, asked_of_recordings

        if self._asking.get(str(path)) == stamp:
            return True
        # What is wrong with a file is told when it is taken in.
        with contextlib.suppress(LibraryError, OSError), open_library(self._home) as library:
            players = (
                asked_of_recordings(library, path)
                if kind == "recordings"
                else asked_of_bundle(library, path)[0]
            )
            if players:
                self._asking[str(path)] = stamp
                return True
        return False

    def _take(self, path: Path, kind: str) -> str:
        from unhurried.app.adding import add_bundle, add_recordings

        add = add_recordings if kind == "recordings" else add_bundle
        try:
            with open_library(self._home) as library:
                done = add(library, path, lambda _what, _share: None)
        except Exception as error:
            _log.warning("watched: %r", error)
            return f"{path.name}: {line_of(error)}"
        return f"{path.name}: {done.text}"

    def _folders(self, folder: Path) -> list[str]:
        """Take in recordings that lie in the folder as they are; they stay there."""
        from library.errors import LibraryError
        from unhurried.app.ingest import analyze_one

        told = []
        try:
            inside = [one for one in folder.iterdir() if one.is_dir()]
            if not inside:
                return []
            with open_library(self._home) as library:
                found = [c for c in library.candidates(inside) if c.state == "new"]
                if found:
                    library.remember([folder])
                for candidate in found:
                    library.put(analyze_one(candidate.path, self._home))
                    told.append(f"{candidate.path.name}: added.")
        except (OSError, SensorError, LibraryError) as error:
            _log.warning("watched: %r", error)
        return told

    def waiting(self) -> list[tuple[str, Path]]:
        """Return key and path of what is asked about before it is taken in."""
        folder = self.folder
        if folder is None:
            return []
        with self._guard:
            self._recall()
            out = []
            for path, stamp in _files(folder).items():
                offered = _kind(path) in OFFERED or self._asking.get(str(path)) == stamp
                if self._seen.get(str(path)) != stamp and offered:
                    out.append((_key(path), path))
        return out

    def taken(self, path: Path) -> None:
        """Keep that a file was looked at: it waits no longer."""
        with self._guard, contextlib.suppress(OSError):
            stat = path.stat()
            self._seen[str(path)] = (stat.st_size, stat.st_mtime_ns)
            self._keep()

    def _recall(self) -> None:
        if self._read:
            return
        self._read = True
        with contextlib.suppress(OSError, ValueError, TypeError, AttributeError):
            found = json.loads((self._home / SEEN_FILE).read_text(encoding="utf-8"))
            self._seen = {str(k): (int(v[0]), int(v[1])) for k, v in found.items()}

    def _keep(self) -> None:
        with contextlib.suppress(OSError):
            newest = dict(list(self._seen.items())[-MOST_FILES:])
            (self._home / SEEN_FILE).write_text(json.dumps(newest) + "\n", encoding="utf-8")


def _key(path: Path) -> str:
    return hashlib.sha256(os.fsencode(path)).hexdigest()[:16]


def _files(folder: Path) -> dict[Path, Stamp]:
    found = []
    with contextlib.suppress(OSError):
        for one in folder.iterdir():
            with contextlib.suppress(OSError):
                stat = one.stat()
                if one.is_file() and stat.st_size and not one.name.startswith("."):
                    found.append((stat.st_mtime_ns, one, stat.st_size))
    found.sort(key=lambda one: -one[0])
    return {path: (size, at) for at, path, size in found[:MOST_FILES]}


def _kind(path: Path) -> str:
    try:
        return look_at(path).kind
    except (OSError, ValueError) as error:
        _log.info("watched: %r", error)
        return "nothing"


@contextlib.contextmanager
def watching(watch: Watch, *, every_s: float = EVERY_S) -> Iterator[None]:
    """Look into the watched folder now and then, until the block is left.

    Parameters
    ----------
    watch : Watch
    every_s : float
    """
    end = threading.Event()

    def work() -> None:
        while not end.wait(every_s):
            try:
                for text in watch.look():
                    _log.info("watched: %s", text)
            except Exception:
                _log.exception("the watched folder")

    thread = threading.Thread(target=work, name="watching", daemon=True)
    thread.start()
    try:
        yield
    finally:
        end.set()
        thread.join(1.0)
