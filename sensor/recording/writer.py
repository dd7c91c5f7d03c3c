"""Write a recording so that a crash loses nothing."""

from __future__ import annotations

import contextlib
import json
import os
import stat
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Self

import numpy as np

from sensor.errors import RecordingError, RecordingExistsError, RecordingLockedError
from sensor.recording.layout import (
    COUNTS_DTYPE,
    FLOAT_DTYPE,
    IMU_FILE,
    MARKERS_FILE,
    PACKET_DTYPE,
    PACKETS_FILE,
    owned_file,
)
from sensor.recording.lock import FolderLock, lock_state
from sensor.recording.markers import marker_of
from sensor.recording.npyfile import GrowingNpy, Rows
from sensor.recording.output import (
    NEVER_REPLACED,
    begin_folder,
    check_new_folder,
    finish_folder,
    plain_errors,
    remove_folder,
    sync_file,
    sync_folder,
)
from sensor.recording.session import SESSION_FILE, Session, write_session

HEADER_INTERVAL_S: Final = 1.0


@contextlib.contextmanager
def _missing_told(folder: Path) -> Iterator[None]:
    """Say what it means that files aren't there any more."""
    try:
        yield
    except FileNotFoundError as error:
        raise RecordingError(folder, "was moved or removed while it was being recorded") from error


class RecordingWriter:
    """Write a recording while it happens; what was appended survives a crash.

    Each append is written to the file at once. A thread brings the header up to date each second
    and pushes the data to the disk every `fsync_interval_s`, so the caller never waits for that.
    Closed recordings are read-only.

    Parameters
    ----------
    folder : path
        Made here. Must not exist, unless `overwrite`.
    session : Session
    overwrite : bool
        Replace an earlier recording. The new one is made beside it and takes its place when it is
        closed; after an error the earlier one is still there, untouched.
    atomic : bool
        Make the folder appear when it is closed, whole; after an error nothing is left. For
        conversions; a live recording is to be there from its first moment. Implied by `overwrite`.
    fsync_interval_s : float
    clock : callable
        Monotonic seconds, for the interval between headers.

    Raises
    ------
    RecordingExistsError, RecordingError
    """

    def __init__(
        self,
        folder: str | os.PathLike[str],
        session: Session,
        *,
        overwrite: bool = False,
        atomic: bool = False,
        fsync_interval_s: float = 0.3,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.folder = Path(folder)
        self.session = session
        self.dtype = COUNTS_DTYPE if session.sample_kind == "counts" else FLOAT_DTYPE
        self._overwrite = overwrite
        self._beside = atomic or overwrite
        self._interval_s = fsync_interval_s
        self._clock = clock
        self._last_seq: int | None = None
        self._failure: OSError | None = None
        self._closed = False
        self._stop = threading.Event()
        if overwrite and self.folder.is_dir() and lock_state(self.folder) == "held":
            raise RecordingLockedError(
                self.folder, "is being recorded at the moment: stop that first"
            )
        with contextlib.ExitStack() as undo, plain_errors(self.folder):
            self._begin(undo)
            undo.pop_all()
        self._thread = threading.Thread(target=self._sync_loop, name="recording-sync", daemon=True)
        self._thread.start()

    def _begin(self, undo: contextlib.ExitStack) -> None:
        if self._beside:
            self._target = begin_folder(self.folder, overwrite=self._overwrite, owned=owned_file)
        else:
            check_new_folder(
                self.folder, overwrite=False, owned=owned_file, what_then=NEVER_REPLACED
            )
            self._target = self.folder
            try:
                self._target.mkdir()
            except FileExistsError as error:
                # Another recorder was quicker.
                raise RecordingExistsError(self.folder, NEVER_REPLACED) from error
        undo.callback(remove_folder, self._target)
        self._lock = FolderLock(self._target)
        undo.callback(self._lock.release)
        try:
            write_session(self._target, self.session)
        except RecordingError as error:
            # Name what the caller asked for, not a temporary file.
            raise RecordingError(self.folder, error.problem) from error
        self._imu = GrowingNpy(self._target / IMU_FILE, self.dtype)
        undo.callback(self._imu.discard)
        self._packets = GrowingNpy(self._target / PACKETS_FILE, PACKET_DTYPE)
        undo.callback(self._packets.discard)
        self._markers = (self._target / MARKERS_FILE).open("xb", buffering=0)
        undo.callback(self._markers.close)
        sync_folder(self._target)
        sync_folder(self._target.parent)

    @property
    def working_folder(self) -> Path:
        """Where the files are now: beside `folder` until an atomic recording is closed."""
        return self._target

    @property
    def n_samples(self) -> int:
        """Samples written so far."""
        return self._imu.n_rows

    def append(self, packets: Rows | None, samples: Rows) -> None:
        """Write samples and the packets they came in; None for imported data without packets.

        Parameters
        ----------
        packets : PACKET_DTYPE (p,) or None
        samples : COUNTS_DTYPE or FLOAT_DTYPE (n,), as the session's `sample_kind`
            `seq` increases strictly over the whole recording.

        Raises
        ------
        ValueError
            `seq` does not increase, or the rows are of another type.
        RecordingError
            The disk is full or fails. All whole rows written before stay readable.
        """
        self._check_open()
        if samples.dtype != self.dtype:
            raise ValueError(f"samples must be {self.dtype}, not {samples.dtype}")
        if packets is not None and packets.dtype != PACKET_DTYPE:
            raise ValueError(f"packets must be {PACKET_DTYPE}, not {packets.dtype}")
        if len(samples):
            seq = samples["seq"]
            if (self._last_seq is not None and seq[0] <= self._last_seq) or np.any(
                seq[1:] <= seq[:-1]
            ):
                raise ValueError("seq must increase strictly over the whole recording")
        with self._writing():
            if len(samples):
                self._imu.append(samples)
                self._last_seq = int(samples["seq"][-1])
            if packets is not None and len(packets):
                self._packets.append(packets)

    def mark(self, kind: str, *, seq: int, **fields: Any) -> None:
        """Append one marker: a segment, note, beat, connection change or gap at a sample.

        Raises
        ------
        ValueError
            A field isn't what it must be, see `sensor.recording.markers`.
        RecordingError
            The disk is full or fails.
        """
        self._check_open()
        document = {"kind": kind, "seq": int(seq), **fields}
        marker_of(kind, document["seq"], fields)
        line = json.dumps(document, ensure_ascii=False, allow_nan=False).encode() + b"\n"
        with self._writing():
            before = self._markers.tell()
            try:
                written = self._markers.write(line)
                while written < len(line):
                    written += self._markers.write(line[written:])
            except OSError:
                self._markers.truncate(before)
                self._markers.seek(before)
                raise

    @contextlib.contextmanager
    def _writing(self) -> Iterator[None]:
        with plain_errors(self.folder), _missing_told(self.folder):
            if self._failure is not None:
                failure, self._failure = self._failure, None
                raise failure
            yield

    def _check_open(self) -> None:
        if self._closed:
            raise ValueError("the recording is closed")

    def _sync_loop(self) -> None:
        last_header = self._clock()
        while not self._stop.wait(self._interval_s):
            try:
                if self._clock() - last_header >= HEADER_INTERVAL_S:
                    last_header = self._clock()
                    self._imu.write_header()
                    self._packets.write_header()
                self._imu.sync()
                self._packets.sync()
                sync_file(self._markers.fileno())
            except OSError as error:
                # Told to whoever writes next; the next round tries again.
                self._failure = error

    def close(self) -> None:
        """Finish the recording: it becomes read-only. Harmless when called again.

        Raises
        ------
        RecordingError
            The disk is full or fails, or (with `overwrite`) the earlier one cannot be replaced.
        """
        if self._closed:
            return
        self._halt()
        try:
            with plain_errors(self.folder), _missing_told(self.folder):
                try:
                    self._imu.close()
                    self._packets.close()
                    sync_file(self._markers.fileno())
                finally:
                    self._release_files()
                for name in (SESSION_FILE, IMU_FILE, PACKETS_FILE, MARKERS_FILE):
                    (self._target / name).chmod(stat.S_IREAD | stat.S_IRGRP | stat.S_IROTH)
                self._lock.release()
                sync_folder(self._target)
                if self._failure is not None:
                    raise self._failure
                if self._beside:
                    finish_folder(
                        self._target, self.folder, overwrite=self._overwrite, owned=owned_file
                    )
        except BaseException:
            self._lock.release()
            self._remove_beside()
            raise

    def abort(self) -> None:
        """Stop without finishing. A live recording keeps what it has; an atomic one vanishes."""
        if self._closed:
            return
        if not self._beside:
            self.close()
            return
        self._halt()
        self._release_files()
        self._lock.release()
        self._remove_beside()

    def _halt(self) -> None:
        self._closed = True
        self._stop.set()
        self._thread.join()

    def _release_files(self) -> None:
        self._imu.discard()
        self._packets.discard()
        self._markers.close()

    def _remove_beside(self) -> None:
        if self._beside and self._target.exists():
            remove_folder(self._target)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        if kind is None:
            self.close()
        else:
            # The first error is the one to tell; one while stopping would hide it.
            with contextlib.suppress(RecordingError):
                self.abort()
