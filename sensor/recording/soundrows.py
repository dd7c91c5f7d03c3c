"""Which rows of a file of samples are sound: holes that a power cut left are told from samples."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from sensor.recording.layout import AXES, FLOAT_DTYPE
from sensor.recording.npyfile import RowFile, Rows

Ints = npt.NDArray[np.int64]

# Rows read at a time: bounds the memory.
PIECE: Final = 65_536
# No session has a hole this long (at 1000 Hz, 34 years): such a number is damage.
_ABSURD_JUMP: Final = 2**40
# Three years since the first sample: no session is so long. (NaN isn't below it either.)
_LARGEST_TIME_S: Final = 1e8
# Disks write so many bytes at once, or a multiple.
_SECTOR: Final = 512


def good_rows(
    rows: Rows, last_seq: int | None, *, end: int | None = None
) -> npt.NDArray[np.bool_] | None:
    """Return which rows are sound, or None if all are.

    Holes that a power cut left read as zeros. A row in one has a number that does not increase; the
    row in whose middle one begins has its number still, and zeros at its end.

    Parameters
    ----------
    rows : (n,) with a `seq` field
    last_seq : int or None
        Number of the last sound row before these, None at the start.
    end : int, optional
        Byte of the file at which these rows end, if they are the last of a file that wasn't
        closed.
    """
    if not len(rows):
        return None
    if rows.dtype == FLOAT_DTYPE and not (sane := _sane(rows)).all():
        good = np.zeros(len(rows), bool)
        among = good_rows(rows[sane], last_seq)
        good[sane] = True if among is None else among
        return good
    seq = rows["seq"]
    if not seq.any() and not any(rows[axis].any() for axis in AXES):
        # All one hole, as most of a file may be that is longer than what was written into it.
        return np.zeros(len(rows), bool)
    steps = np.diff(seq, prepend=seq[0] if last_seq is None else last_seq)
    if last_seq is None:
        steps[0] = 1
    empty = seq == 0
    for axis in AXES:
        empty &= rows[axis] == 0
    # A first row of nothing but zeros may be sample 0, if sample 1 follows; else it is a hole.
    leading_hole = last_seq is None and bool(empty[0]) and not np.array_equal(seq[1:2], [1])
    torn_end = end is not None and _torn_at_end(rows, end)
    if steps.min() > 0 and steps.max() < _ABSURD_JUMP and seq[0] >= 0 and not leading_hole:
        if not torn_end:
            return None
        good = np.ones(len(rows), bool)
        good[-1] = False
        return good
    good = np.zeros(len(rows), bool)
    last = last_seq
    for index, (number, nothing) in enumerate(zip(seq.tolist(), empty.tolist(), strict=True)):
        first_sound = last is None and number >= 0 and not nothing
        if first_sound or (last is not None and last < number < last + _ABSURD_JUMP):
            good[index] = True
            last = number
    # Before a hole, a zero at the end of a row may be the hole's: such a row is not believed.
    good[:-1] &= ~((seq[1:] == 0) & ~good[1:] & (_bytes(rows)[:-1, -1] == 0))
    if torn_end:
        good[-1] = False
    return good


def _sane(rows: Rows) -> npt.NDArray[np.bool_]:
    """Return which rows of imported samples hold numbers that can be."""
    good = np.abs(rows["time_s"]) < _LARGEST_TIME_S
    for axis in AXES:
        good &= np.isfinite(rows[axis])
    return np.asarray(good, bool)


def read_good(
    rows: RowFile, start: int, last_seq: int | None
) -> tuple[Rows, npt.NDArray[np.bool_] | None]:
    """Read a piece of rows, with what `good_rows` says of them; the row after is looked at too."""
    piece = rows.read(start, PIECE + 1)
    at_end = start + len(piece) >= rows.n_rows
    end = rows.end if at_end and not rows.closed else None
    good = good_rows(piece, last_seq, end=end)
    return piece[:PIECE], None if good is None else good[:PIECE]


def _bytes(rows: Rows) -> npt.NDArray[np.uint8]:
    return np.ascontiguousarray(rows).view(np.uint8).reshape(len(rows), rows.dtype.itemsize)


def _torn_at_end(rows: Rows, end: int) -> bool:
    """Tell whether a sector that never reached the disk begins in a file's last row.

    Two whole channels of zeros are asked for: by chance they come once in hundreds of rows.
    """
    raw = _bytes(rows[-2:])
    tail = end % _SECTOR
    least = 2 * rows.dtype["gz"].itemsize
    if not least <= tail < rows.dtype.itemsize or len(raw) < 2:
        return False
    return not raw[1, -tail:].any() and bool(raw[0, -tail:].any())


class Holes:
    """Collect the holes in sample numbers that come in pieces."""

    def __init__(self) -> None:
        self.n_samples = 0
        self.first_seq = 0
        self.last_seq = 0
        self.found: list[tuple[int, int]] = []

    def feed(self, seq: Ints) -> None:
        """Take the next numbers, which increase."""
        if not len(seq):
            return
        if self.n_samples == 0:
            self.first_seq = int(seq[0])
        elif seq[0] > self.last_seq + 1:
            self.found.append((self.last_seq, int(seq[0]) - self.last_seq - 1))
        step = np.diff(seq)
        for index in np.flatnonzero(step > 1):
            self.found.append((int(seq[index]), int(step[index]) - 1))
        self.n_samples += len(seq)
        self.last_seq = int(seq[-1])
