"""Make a clean copy of a damaged recording, and say what was lost."""

from __future__ import annotations

import contextlib
import dataclasses
import json
import os
import shutil
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Final

import numpy as np

from sensor.errors import NewerFormatError, RecordingError, RecordingLockedError
from sensor.recording.layout import (
    ANNOTATIONS_FILE,
    COUNTS_DTYPE,
    FLOAT_DTYPE,
    IMU_FILE,
    PACKET_DTYPE,
    PACKETS_FILE,
    TRUTH_FILE,
    owned_file,
)
from sensor.recording.lock import lock_state
from sensor.recording.markers import Marker, read_markers
from sensor.recording.npyfile import RowFile, Rows, open_npy
from sensor.recording.output import check_new_folder, describe_os_error, plain_errors
from sensor.recording.schema import parse_json, read_small
from sensor.recording.session import SESSION_FILE, Session, read_session
from sensor.recording.soundrows import PIECE, read_good
from sensor.recording.stamplines import clean_rate_hz
from sensor.recording.stamps import learn_stamps
from sensor.recording.timebase import fit_packets
from sensor.recording.writer import RecordingWriter


@dataclass(frozen=True, slots=True, kw_only=True)
class Hole:
    """Damaged rows between two sound samples: `missing` samples lost after `after_seq`."""

    after_seq: int
    missing: int


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionFacts:
    """What `session.json` said, told again by a person where that file is lost.

    Attributes
    ----------
    like : path, optional
        Another recording of the same sensor with the same settings: its rate, scales, ranges,
        filter delays, sensor and mount are taken.
    rate_hz : float, optional
        Nominal sample rate.
    gyr_dps_per_count, acc_m_s2_per_count : float, optional
        Scales of the counts. They don't follow from the ranges: one chip gives a range of 2000
        deg/s 0.061 deg/s a count, another 0.070 (from memory, of data sheets).
    gyr_range_dps, acc_range_g : float, optional
    mount, hand : str, optional
    """

    like: str | os.PathLike[str] | None = None
    rate_hz: float | None = None
    gyr_dps_per_count: float | None = None
    acc_m_s2_per_count: float | None = None
    gyr_range_dps: float | None = None
    acc_range_g: float | None = None
    mount: str | None = None
    hand: str | None = None


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
    lost_facts : tuple of str
        What went with a lost ``session.json``, and where what stands for it is from.
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
    lost_facts: tuple[str, ...] = ()

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
        lines += self.lost_facts
        if len(lines) == 1:
            lines.append("nothing was lost")
        return lines


def recover(
    folder: str | os.PathLike[str],
    out: str | os.PathLike[str],
    *,
    overwrite: bool = False,
    facts: SessionFacts | None = None,
) -> RecoveryReport:
    """Copy all sound samples of a recording to a new folder; the damaged one is not changed.

    The copy keeps the id and all sample numbers, so annotations still fit. Where ``session.json``
    is lost the copy gets an id of its own, and the annotations are made out to it.

    Parameters
    ----------
    folder, out : path
    overwrite : bool
        Replace a recording at `out`.
    facts : SessionFacts, optional
        For a recording whose ``session.json`` is lost.

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
    _check_folders(folder, out, overwrite=overwrite)
    session, told = _session_of(folder, facts if facts is not None else SessionFacts())
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
                if told:
                    _make_out(writer.working_folder / ANNOTATIONS_FILE, session.id, told)
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
        lost_facts=tuple(told),
    )


def _check_folders(folder: Path, out: Path, *, overwrite: bool) -> None:
    if not folder.is_dir():
        raise RecordingError(folder, "is not a folder: name the folder of a recording")
    with plain_errors(out):
        if out.exists() and out.samefile(folder):
            raise RecordingError(out, "the copy must go to another folder")
    check_new_folder(out, overwrite=overwrite, owned=owned_file)
    if lock_state(folder) == "held":
        raise RecordingLockedError(folder, "is being recorded at the moment: stop that first")


def _session_of(folder: Path, facts: SessionFacts) -> tuple[Session, list[str]]:
    """Read the session; where it is lost, make it anew, and say of what."""
    try:
        session = read_session(folder)
    except NewerFormatError:
        raise
    except RecordingError as error:
        if not (folder / IMU_FILE).exists():
            raise
        return _session_anew(folder, facts, error)
    if facts != SessionFacts():
        raise RecordingError(
            folder, f"its {SESSION_FILE} is whole: leave out what says the same again"
        )
    return session, []


# At rest a sensor reads gravity: 9.8 m/s2, and a few per cent for an uncalibrated scale.
_REST_LOW_M_S2: Final = 8.5
_REST_HIGH_M_S2: Final = 11.0
# The quietest share of the samples is taken for rest.
_QUIET_SHARE: Final = 0.2


def _session_anew(
    folder: Path, facts: SessionFacts, error: RecordingError
) -> tuple[Session, list[str]]:
    """Make a session of what the other files tell and of what was told again, and say which."""
    why = "missing" if not (folder / SESSION_FILE).exists() else "broken"
    lines = [
        f"{SESSION_FILE} is {why}: the copy has a new id, and starts at the time of {IMU_FILE}"
    ]
    rows, kind = _rows_of_either_kind(folder, error)
    with contextlib.closing(rows):
        given = _told_again(facts, kind, lines)
        lacks = [
            option
            for name, option in (
                ("gyr_dps_per_count", "--gyr-dps-per-count"),
                ("acc_m_s2_per_count", "--acc-m-s2-per-count"),
            )
            if kind == "counts" and given.get(name) is None
        ]
        if lacks:
            raise RecordingError(
                folder,
                f"its {SESSION_FILE} is {why}, and with it the scale of the samples: name another "
                f"recording of the same sensor with --like, or give {' and '.join(lacks)} from "
                "its data sheet",
            )
        if given.get("nominal_rate_hz") is None:
            rate_hz = _measured_rate_hz(folder, rows, kind)
            if rate_hz is None:
                raise RecordingError(
                    folder,
                    f"its {SESSION_FILE} is {why}, and nothing else tells the sample rate: name "
                    "another recording of the same sensor with --like, or give --rate",
                )
            given["nominal_rate_hz"] = rate_hz
            lines.append(f"the rate is as measured, {rate_hz:g} Hz: what was set isn't known")
        changed = datetime.fromtimestamp((folder / IMU_FILE).stat().st_mtime).astimezone()
        try:
            session = Session.new(
                sample_kind=kind,
                start=changed.isoformat(timespec="seconds"),
                extra={"start_is": "time of the file", "session_lost": True},
                **given,
            )
        except ValueError as wrong:
            raise RecordingError(folder, f"cannot be recovered so: {wrong}") from wrong
        lines += _doubts(rows, session)
    unknown = [
        text
        for text, value in (
            ("the sensor", session.sensor or None),
            ("the mount", session.mount),
            ("the gyroscope's range", session.gyr_range_dps),
            ("the accelerometer's range", session.acc_range_g),
            ("the hand it began with", session.handedness),
        )
        if value is None
    ]
    lines.append(f"not known any more: {', '.join([*unknown, 'player and club it began with'])}")
    return session, lines


def _told_again(facts: SessionFacts, kind: str, lines: list[str]) -> dict[str, Any]:
    """Return the fields of a session that a person tells again, and add where they are from."""
    given: dict[str, Any] = {}
    if facts.like is not None:
        like = read_session(Path(facts.like))
        if like.sample_kind != kind:
            raise RecordingError(
                Path(facts.like), "has samples of another kind: it is not of the same sensor"
            )
        for name in (
            *("sensor", "mount", "gyr_range_dps", "acc_range_g", "gyr_dps_per_count"),
            *("acc_m_s2_per_count", "gyr_delay_ms", "acc_delay_ms", "nominal_rate_hz"),
        ):
            given[name] = getattr(like, name)
        lines.append(
            f"taken from {Path(facts.like).name}: sensor, mount, rate, ranges, scales, delays"
        )
    own = {
        "nominal_rate_hz": facts.rate_hz,
        "gyr_dps_per_count": facts.gyr_dps_per_count,
        "acc_m_s2_per_count": facts.acc_m_s2_per_count,
        "gyr_range_dps": facts.gyr_range_dps,
        "acc_range_g": facts.acc_range_g,
        "mount": facts.mount,
        "handedness": facts.hand,
    }
    return given | {name: value for name, value in own.items() if value is not None}


def _rows_of_either_kind(folder: Path, error: RecordingError) -> tuple[RowFile, str]:
    for kind, dtype in (("counts", COUNTS_DTYPE), ("float", FLOAT_DTYPE)):
        try:
            return open_npy(folder / IMU_FILE, dtype)[0], kind
        except RecordingError:
            continue
    raise RecordingError(
        folder,
        f"both {SESSION_FILE} and the header of {IMU_FILE} are damaged: nothing says what "
        "the samples are",
    ) from error


def _measured_rate_hz(folder: Path, rows: RowFile, kind: str) -> float | None:
    """Return the rate that packet times or stamps tell, None if they don't."""
    if kind == "float":
        time_s = rows.read(0, PIECE)["time_s"]
        if len(time_s) < 2:
            return None
        try:
            return clean_rate_hz(1.0 / learn_stamps(time_s - time_s[0]).period_s)
        except ValueError:
            return None
    packets, _ = _open_packets(folder)
    if packets is None:
        return None
    try:
        pieces = [packets.read(start, PIECE) for start in range(0, packets.n_rows, PIECE)]
    finally:
        packets.close()
    sound = [piece[(piece["count"] > 0) & (piece["arrival_ns"] > 0)] for piece in pieces]
    whole = np.concatenate(sound) if sound else np.zeros(0, PACKET_DTYPE)
    same = whole[whole["connection"] == whole["connection"][0]] if len(whole) else whole
    if len(same) < 2:
        return None
    samples = int(same["first_seq"][-1] - same["first_seq"][0])
    span_s = float(same["arrival_ns"][-1] - same["arrival_ns"][0]) / 1e9
    if samples <= 0 or span_s <= 0.0:
        return None
    first_hz = samples / span_s
    base = fit_packets([same], nominal_rate_hz=first_hz, first_seq=int(same["first_seq"][0]))
    return clean_rate_hz(first_hz if base is None else 1.0 / base.period_s)


def _doubts(rows: RowFile, session: Session) -> list[str]:
    """Say if what was told doesn't agree with gravity."""
    piece = rows.read(0, PIECE)
    if len(piece) < 20:
        return []
    rate = sum(piece[axis].astype(np.float64) ** 2 for axis in ("gx", "gy", "gz"))
    acc = np.sqrt(sum(piece[axis].astype(np.float64) ** 2 for axis in ("ax", "ay", "az")))
    quiet = rate <= np.quantile(rate, _QUIET_SHARE)
    rest = float(np.median(acc[quiet])) * (session.acc_m_s2_per_count or 1.0)
    if _REST_LOW_M_S2 <= rest <= _REST_HIGH_M_S2:
        return []
    return [
        f"the acceleration at rest is {rest:.3g} m/s2 where gravity gives 9.8: the scale is not "
        "this sensor's, or it was never at rest"
    ]


def _make_out(path: Path, recording: str, told: list[str]) -> None:
    """Make annotations out to the new id of their recording."""
    if not path.exists():
        return
    try:
        document = parse_json(read_small(path), dict[str, Any])
        document["recording"] = recording
        text = json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    except (ValueError, OSError):
        told.append(f"{ANNOTATIONS_FILE} is broken as well: it is copied as it is")
        return
    with plain_errors(path):
        path.write_text(text, encoding="utf-8")
    told.append("what people added to it goes on with the new id")


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
        piece, good = read_good(rows, start, last)
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
