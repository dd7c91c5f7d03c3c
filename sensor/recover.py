"""Make a clean copy of a damaged recording, and say what was lost."""

from __future__ import annotations

import dataclasses
import os
import shutil
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from sensor.errors import RecordingError, RecordingLockedError
from sensor.layout import (
    ANNOTATIONS_FILE,
    COUNTS_DTYPE,
    FLOAT_DTYPE,
    IMU_FILE,
    PACKET_DTYPE,
    PACKETS_FILE,
    TRUTH_FILE,
    owned_file,
)
from sensor.lock import lock_state
from sensor.npyfile import RowFile, Rows, open_npy
from sensor.output import check_new_folder, describe_os_error, plain_errors
from sensor.recording import PIECE, Marker, good_rows, read_markers
from sensor.session import read_session
from sensor.writer import RecordingWriter


@dataclass(frozen=True, slots=True, kw_only=True)
class Hole:
    """Damaged rows between two sound samples: `missing` samples lost after `after_seq`."""

    after_seq: int
    missing: int


@dataclass(frozen=True, slots=True, kw_only=True)
class RecoveryReport:
    """What `recover` did.

    Attributes
    ----------
    out : Path
    kept_samples : int
    damaged_rows : int
        Rows that held no sound sample (zeroed by a power cut, or out of order).
    edge_rows : int
        Those of them before the first or after the last sound sample: up to so many samples are
        lost there as well.
    damaged_packets : int
        Packet rows passed over; only their arrival times are lost.
    cut_bytes : int
        Bytes of a last row that was written in part.
    holes : tuple of Hole
        Each is also marked as a gap in the copy.
    lost_samples : int
        Samples in the holes.
    rate_hz : float
        Nominal.
    warnings : tuple of str
        What else is damaged, one plain line each.
    """

    out: Path
    kept_samples: int
    damaged_rows: int
    edge_rows: int
    damaged_packets: int
    cut_bytes: int
    holes: tuple[Hole, ...]
    lost_samples: int
    rate_hz: float
    warnings: tuple[str, ...]

    def lines(self) -> list[str]:
        """Return the report as plain lines."""
        lines = [f"{self.kept_samples} samples ({self.kept_samples / self.rate_hz:.1f} s) kept"]
        if self.holes:
            lines.append(
                f"{self.lost_samples} samples ({self.lost_samples / self.rate_hz:.2f} s) lost in "
                f"{len(self.holes)} {'hole' if len(self.holes) == 1 else 'holes'}:"
            )
            lines += [
                f"  {hole.missing} samples ({hole.missing / self.rate_hz:.2f} s) after sample "
                f"{hole.after_seq}"
                for hole in self.holes
            ]
        if self.edge_rows:
            lines.append(
                f"up to {self.edge_rows} samples ({self.edge_rows / self.rate_hz:.2f} s) lost "
                "before the first or after the last sound one"
            )
        if self.cut_bytes:
            lines.append("the last sample was written in part and is lost")
        if self.damaged_packets:
            lines.append(f"{self.damaged_packets} packet arrival times lost")
        lines += self.warnings
        if len(lines) == 1:
            lines.append("nothing was lost")
        return lines


def recover(
    folder: str | os.PathLike[str], out: str | os.PathLike[str], *, overwrite: bool = False
) -> RecoveryReport:
    """Copy all sound samples of a recording to a new folder; the damaged one is not changed.

    The copy keeps the id and all sample numbers, so annotations still fit.

    Parameters
    ----------
    folder, out : path
    overwrite : bool
        Replace a recording at `out`.

    Returns
    -------
    RecoveryReport

    Raises
    ------
    RecordingLockedError
        The recording is being written.
    RecordingError
        There is too little left, or the copy cannot be written.
    """
    folder, out = Path(folder), Path(out)
    if not folder.is_dir():
        raise RecordingError(folder, "is not a folder: name the folder of a recording")
    with plain_errors(out):
        if out.exists() and out.samefile(folder):
            raise RecordingError(out, "the copy must go to another folder")
    check_new_folder(out, overwrite=overwrite, owned=owned_file)
    if lock_state(folder) == "held":
        raise RecordingLockedError(folder, "is being recorded at the moment: stop that first")
    session = read_session(folder)
    session = dataclasses.replace(session, extra={**session.extra, "recovered_from": folder.name})
    dtype = COUNTS_DTYPE if session.sample_kind == "counts" else FLOAT_DTYPE
    markers, warnings = read_markers(folder)
    rows, notes = open_npy(folder / IMU_FILE, dtype, assume_header=True)
    warnings += notes
    try:
        packets, notes = _open_packets(folder)
        warnings += notes
        try:
            with RecordingWriter(out, session, overwrite=overwrite, atomic=True) as writer:
                damaged_rows, edge_rows, holes = _copy_samples(rows, writer)
                damaged_packets = _copy_packets(packets, writer) if packets is not None else 0
                _copy_markers(markers, holes, writer)
                kept = writer.n_samples
                if kept == 0:
                    # The unfinished copy is taken away again.
                    raise RecordingError(
                        folder, "holds no sound sample: there is nothing to recover"
                    )
                for name in (ANNOTATIONS_FILE, TRUTH_FILE):
                    _copy_file(folder / name, writer.working_folder / name)
            cut_bytes = (folder / IMU_FILE).stat().st_size - rows.end
        finally:
            if packets is not None:
                packets.close()
    finally:
        rows.close()
    return RecoveryReport(
        out=out,
        kept_samples=kept,
        damaged_rows=damaged_rows,
        edge_rows=edge_rows,
        damaged_packets=damaged_packets,
        cut_bytes=max(0, cut_bytes),
        holes=tuple(holes),
        lost_samples=sum(hole.missing for hole in holes),
        rate_hz=session.nominal_rate_hz,
        warnings=tuple(warnings),
    )


def _open_packets(folder: Path) -> tuple[RowFile | None, list[str]]:
    path = folder / PACKETS_FILE
    if not path.exists():
        return None, ["there are no packet times: the sample rate stays unmeasured"]
    try:
        return open_npy(path, PACKET_DTYPE, assume_header=True)
    except RecordingError as error:
        return None, [f"{PACKETS_FILE} {error.problem}"]


def _copy_samples(rows: RowFile, writer: RecordingWriter) -> tuple[int, int, list[Hole]]:
    """Return the number of damaged rows, of those at the edges, and the holes."""
    damaged = 0
    leading = trailing = 0
    holes: list[Hole] = []
    last: int | None = None
    in_hole = False
    for start in range(0, rows.n_rows, PIECE):
        piece = rows.read(start, PIECE)
        good = good_rows(piece, last)
        if good is None:
            good = np.ones(len(piece), bool)
        damaged += int(len(piece) - good.sum())
        if not good.any():
            trailing += len(piece)
            in_hole = True
            continue
        sound = np.flatnonzero(good)
        if last is None:
            leading = trailing + int(sound[0])
        trailing = len(piece) - 1 - int(sound[-1])
        # Runs of sound rows, each after a hole except where it goes on from the piece before.
        edges = np.flatnonzero(np.diff(np.concatenate([[False], good, [False]]).astype(np.int8)))
        for first, end in edges.reshape(-1, 2):
            run: Rows = piece[first:end]
            if last is not None and (first > 0 or in_hole):
                missing = int(run["seq"][0]) - last - 1
                if missing > 0:
                    holes.append(Hole(after_seq=last, missing=missing))
            writer.append(None, run)
            last = int(run["seq"][-1])
        in_hole = not bool(good[-1])
    return damaged, leading + trailing, holes


def _copy_packets(packets: RowFile, writer: RecordingWriter) -> int:
    """Copy the packets whose sample numbers go on; a zeroed one has count 0."""
    damaged = 0
    last = -1
    nothing = np.zeros(0, writer.dtype)
    for start in range(0, packets.n_rows, PIECE):
        piece = packets.read(start, PIECE)
        end = piece["first_seq"] + piece["count"]
        sound = piece["count"] > 0
        reach = np.maximum.accumulate(np.where(sound, end, last))
        before = np.concatenate([[last], reach[:-1]])
        sound &= piece["first_seq"] >= before
        damaged += int(len(piece) - sound.sum())
        writer.append(piece[sound], nothing)
        last = max(last, int(reach[-1]))
    return damaged


def _copy_markers(markers: list[Marker], holes: list[Hole], writer: RecordingWriter) -> None:
    new = [Marker("gap", hole.after_seq, {"missing": hole.missing}) for hole in holes]
    for marker in sorted([*markers, *new], key=lambda marker: marker.seq):
        writer.mark(marker.kind, seq=marker.seq, **marker.fields)


def _copy_file(source: Path, target: Path) -> None:
    try:
        shutil.copyfile(source, target)
    except FileNotFoundError:
        return
    except OSError as error:
        raise RecordingError(source, f"cannot be copied: {describe_os_error(error)}") from error
