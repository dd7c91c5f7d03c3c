"""`.npy` files that grow: a writer that appends rows, and a reader that trusts the file's length.

The row count stands in the header. numpy leaves room there for it to grow
(`numpy.lib.format.GROWTH_AXIS_MAX_DIGITS`), so the header can be rewritten in place and
`numpy.load` opens the finished file. The reader here takes the number of rows from the length of
the file instead, so it also reads a file whose writer was killed.
"""

from __future__ import annotations

import errno
import io
import os
import stat
import tokenize
from pathlib import Path
from typing import IO, Any

import numpy as np
import numpy.typing as npt

from sensor.errors import RecordingError
from sensor.recording.output import describe_os_error, sync_file

_MAGIC = b"\x93NUMPY"

Rows = npt.NDArray[np.void]


def npy_header(dtype: np.dtype[Any], n_rows: int) -> bytes:
    """Return the bytes that stand before the rows; their number does not depend on `n_rows`."""
    buffer = io.BytesIO()
    np.lib.format.write_array_header_1_0(
        buffer,
        {
            "descr": np.lib.format.dtype_to_descr(dtype),
            "fortran_order": False,
            "shape": (n_rows,),
        },
    )
    return buffer.getvalue()


class GrowingNpy:
    """Append rows to a new `.npy` file.

    Each append is one unbuffered write, so what was appended survives the death of the process.
    The header goes through a file handle of its own: another thread may rewrite it meanwhile.
    """

    def __init__(self, path: Path, dtype: np.dtype[Any]) -> None:
        self.path = path
        self.dtype = dtype
        self.n_rows = 0
        self._file = path.open("xb", buffering=0)
        try:
            header = npy_header(dtype, 0)
            self._offset = len(header)
            self._write_all(header)
            self._header_file = path.open("r+b", buffering=0)
        except BaseException:
            self._file.close()
            raise
        self._rows_in_header = 0

    def _write_all(self, data: bytes) -> None:
        view = memoryview(data)
        while view:
            written = self._file.write(view)
            view = view[written:]

    def append(self, rows: Rows) -> None:
        """Write rows; after an error the file is cut back to its last whole row."""
        try:
            self._write_all(rows.tobytes())
        except OSError:
            end = self._offset + self.n_rows * self.dtype.itemsize
            self._file.truncate(end)
            self._file.seek(end)
            raise
        self.n_rows += len(rows)

    def write_header(self) -> None:
        """Bring the row count in the header up to date."""
        n_rows = self.n_rows
        if n_rows != self._rows_in_header:
            self._header_file.seek(0)
            self._header_file.write(npy_header(self.dtype, n_rows))
            self._rows_in_header = n_rows

    def sync(self) -> None:
        """Push what was written to the disk.

        Raises
        ------
        OSError
            It cannot be pushed, or the file has been removed meanwhile.
        """
        sync_file(self._file.fileno())
        if os.fstat(self._file.fileno()).st_nlink == 0:
            raise FileNotFoundError(
                errno.ENOENT, "was removed while it was being written", self.path
            )

    def close(self) -> None:
        """Write the header, sync and close; harmless when called again."""
        if self._file.closed:
            return
        try:
            self.write_header()
            self.sync()
        finally:
            self.discard()

    def discard(self) -> None:
        """Close the file without finishing it."""
        self._header_file.close()
        self._file.close()


class RowFile:
    """Rows of one structured type in an open file, read piece by piece.

    Parameters
    ----------
    path : Path
        For messages.
    file : binary file
        Any real file; closed by `close`.
    dtype : numpy.dtype
    offset : int
        Where the first row starts.
    n_rows : int
        Whole rows that the file holds.
    closed : bool
        The header was brought up to date after the last row.
    """

    def __init__(
        self,
        path: Path,
        file: IO[bytes],
        dtype: np.dtype[Any],
        offset: int,
        n_rows: int,
        *,
        closed: bool = True,
    ) -> None:
        self.closed = closed
        self.path = path
        self.dtype = dtype
        self.n_rows = n_rows
        self._file = file
        self._offset = offset

    @property
    def end(self) -> int:
        """Byte at which the last whole row ends."""
        return self._offset + self.n_rows * self.dtype.itemsize

    def read(self, start: int, count: int) -> Rows:
        """Return up to `count` rows from row `start` on.

        Raises
        ------
        RecordingError
            The file cannot be read or became shorter.
        """
        count = min(count, self.n_rows - start)
        try:
            self._file.seek(self._offset + start * self.dtype.itemsize)
            rows = np.fromfile(self._file, dtype=self.dtype, count=count)
        except OSError as error:
            raise RecordingError(
                self.path, f"cannot be read: {describe_os_error(error)}"
            ) from error
        if len(rows) < count:
            raise RecordingError(self.path, "became shorter while it was read: copy it again")
        return rows

    def close(self) -> None:
        """Close the file; harmless when called again."""
        self._file.close()


def open_npy(
    path: Path, dtype: np.dtype[Any], *, assume_header: bool = False
) -> tuple[RowFile, list[str]]:
    """Open a `.npy` file of structured rows, whole or cut short.

    Parameters
    ----------
    path : Path
    dtype : numpy.dtype
        What the rows must be.
    assume_header : bool
        Take a header that is zeroed, wholly or in part (a hole left by a power cut), for the usual
        one.

    Returns
    -------
    rows : RowFile
    warnings : list of str
        One line each: the file is cut short.

    Raises
    ------
    RecordingError
        The file cannot be read or holds something else.
    """
    try:
        # A pipe would be waited for without end.
        if not stat.S_ISREG(path.stat().st_mode):
            raise RecordingError(path, "is no plain file: use a copy if there is one")
        file = path.open("rb")
    except OSError as error:
        raise RecordingError(path, f"cannot be read: {describe_os_error(error)}") from error
    try:
        return _from_header(path, file, dtype, assume_header)
    except BaseException:
        file.close()
        raise


def _is_damaged(start: bytes, usual: bytes) -> bool:
    """Tell whether this is the usual header with zeros in it; the row count may be any."""
    if len(start) < len(usual):
        return not any(start)
    if 0 not in start[len(_MAGIC) + 4 :] and start.startswith(_MAGIC):
        # The header's text has no zeros, so this is whole, or something else.
        return False
    count = usual.index(b"(")
    return all(
        found in (0, due) or (place > count and found in b"0123456789,)} \n")
        for place, (found, due) in enumerate(zip(start, usual, strict=True))
    )


def _from_header(
    path: Path, file: IO[bytes], dtype: np.dtype[Any], assume_header: bool
) -> tuple[RowFile, list[str]]:
    size = os.fstat(file.fileno()).st_size
    usual = len(npy_header(dtype, 0))
    start = file.read(usual)
    if len(start) < usual and (start.startswith(_MAGIC) or _MAGIC.startswith(start)):
        return RowFile(path, file, dtype, usual, 0), [
            f"{path.name} is cut short: not even its header is whole, so it holds no samples"
        ]
    if assume_header and _is_damaged(start, npy_header(dtype, 0)):
        n_rows = max(0, size - usual) // dtype.itemsize
        return RowFile(path, file, dtype, usual, n_rows, closed=False), []
    file.seek(0)
    try:
        version = np.lib.format.read_magic(file)
        reader = {
            (1, 0): np.lib.format.read_array_header_1_0,
            (2, 0): np.lib.format.read_array_header_2_0,
        }[version]
        shape, fortran_order, found = reader(file)
    except (ValueError, KeyError, tokenize.TokenError) as error:
        raise RecordingError(path, "is not a numpy file that this program wrote") from error
    except OSError as error:
        raise RecordingError(path, f"cannot be read: {describe_os_error(error)}") from error
    if found != dtype or len(shape) != 1 or fortran_order:
        names = ", ".join(found.names) if found.names else str(found)
        raise RecordingError(
            path, f"is not from a recording: it holds {names}, not {', '.join(dtype.names or ())}"
        )
    offset = file.tell()
    n_rows = max(0, size - offset) // dtype.itemsize
    warnings = []
    if shape[0] > n_rows:
        warnings.append(
            f"{path.name} is cut short: {n_rows} of {shape[0]} rows are there, the rest is lost"
        )
    return RowFile(path, file, dtype, offset, n_rows, closed=shape[0] == n_rows), warnings
