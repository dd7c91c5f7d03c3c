"""CSV files in and out.

A CSV file is checked from end to end before anything is made of it. It is converted piece by
piece, so that its length does not show in the memory.
"""

from __future__ import annotations

import dataclasses
import hashlib
import itertools
import math
import os
import tempfile
import uuid
from collections.abc import Callable, Iterator, Mapping
from datetime import datetime
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, Final

import numpy as np
import numpy.typing as npt

from sensor.errors import (
    CsvError,
    OtherUnitError,
    RateTooHighError,
    RateTooLowError,
    RecordingError,
)
from sensor.recording.calibration import Calibration
from sensor.recording.csvlines import (
    COLUMNS,
    LONGEST_PAUSE_S,
    UNITS,
    Layout,
    explain,
    map_option,
    open_file,
    read_layout,
    read_pieces,
    with_unit,
)
from sensor.recording.layout import AXES, FLOAT_DTYPE, IMU_FILE
from sensor.recording.npyfile import RowFile, Rows, open_npy
from sensor.recording.output import describe_os_error, whole_file
from sensor.recording.reader import (
    MAX_RATE_HZ,
    MIN_RATE_HZ,
    Block,
    Recording,
    too_fast,
    too_slow,
    with_options,
)
from sensor.recording.session import Session
from sensor.recording.stamplines import clean_rate_hz
from sensor.recording.stamps import StampNumberer, learn_stamps
from sensor.recording.writer import RecordingWriter
from words.units import G_N_M_S2

if TYPE_CHECKING:
    pass

Array = npt.NDArray[np.float64]

# A rate that stays off by more than this share for so many samples, twice in a row, has changed.
_RATE_CHANGE: Final = 0.25
_RATE_BLOCK: Final = 256
# Rest is looked for where the gyro is quietest.
_QUIET_SHARE: Final = 0.2
_QUIET_DPS: Final = 20.0
# A sensor in a full swing reads more than 3 g for longer than this (about 0.4 s in the simulated
# recordings), a knock is over sooner (from memory: some ms).
_PULL_S: Final = 0.1
# Rates of 3 to 50 in such a pull are those of a swing in rad/s (170 to 2900 deg/s).
_PULL_RAD_S: Final = 3.0


# -- conversion ------------------------------------------------------------------------------


class _Source:
    """A CSV file on its way to a recording: what it holds, and then its rows."""

    def __init__(self, path: Path, column_map: str | None, progress: Callable[[int], None]) -> None:
        self._path = path
        self._layout = read_layout(path, column_map)
        self._pieces = read_pieces(path, self._layout, progress)
        self._before: Array | None = None
        self._twice = False
        self._last_s = -math.inf
        self.warnings: list[str] = []
        first = next(self._pieces, None)
        if first is None:
            raise CsvError(path, "holds a header but no samples")
        self._twice = _lines_twice(*first)
        first = self._once(*first)
        if self._twice:
            self.warnings.append("some lines are there twice: each is taken once")
        self._first: tuple[Array, npt.NDArray[np.float32]] | None = first
        time_s, values = first
        if len(time_s) < 2:
            raise CsvError(path, "holds only one sample: there is nothing to measure")
        try:
            self._habit = learn_stamps(time_s)
        except ValueError:
            explain(path, self._layout, "the times do not go on from line to line")
        self._check_rate(1.0 / self._habit.period_s)
        self.rate_hz = clean_rate_hz(1.0 / self._habit.period_s)
        self.warnings += _unit_hints(path, self._layout, values, self.rate_hz)

    def _check_rate(self, rate_hz: float) -> None:
        """Refuse rates that no sensor worn for swings has, and name the unit that would do."""
        slow = clean_rate_hz(rate_hz) < MIN_RATE_HZ if rate_hz < MAX_RATE_HZ else False
        if not slow and rate_hz <= MAX_RATE_HZ:
            return
        units = UNITS["time"]
        now = self._layout.columns[0].unit
        hint = ""
        for unit, factor in units.items():
            so_hz = rate_hz * units[now] / factor
            if so_hz <= MAX_RATE_HZ and clean_rate_hz(so_hz) >= MIN_RATE_HZ:
                mapped = map_option(with_unit(self._layout.columns, "time", unit))
                use = f"use {mapped}" if mapped else "leave out --map"
                hint = f"if the times are in {unit}, {use}"
        if slow:
            raise RateTooLowError(self._path, too_slow(rate_hz) + (f"; or {hint}" if hint else ""))
        raise RateTooHighError(self._path, too_fast(rate_hz) + (f"; {hint}" if hint else ""))

    def _once(
        self, time_s: Array, values: npt.NDArray[np.float32]
    ) -> tuple[Array, npt.NDArray[np.float32]]:
        """Leave out lines that are those before them again, where this file has such."""
        if not self._twice:
            return time_s, values
        lines = np.column_stack([time_s, values])
        before = lines[:1] + 1.0 if self._before is None else self._before
        new = np.any(np.diff(lines, axis=0, prepend=before) != 0.0, axis=1)
        self._before = lines[-1:]
        return time_s[new], values[new]

    def _check_order(self, time_s: Array) -> None:
        back_s = self._habit.back_s
        steps = np.diff(time_s, prepend=self._last_s if math.isfinite(self._last_s) else -1.0)
        late_enough = np.all(steps > 0.0) if back_s is None else np.all(steps >= -back_s)
        if not late_enough or np.any(steps > LONGEST_PAUSE_S):
            explain(
                self._path,
                self._layout,
                "the times do not increase from line to line",
                back=back_s,
                twice=self._twice,
            )
        self._last_s = float(time_s[-1])

    def _check_change(self, time_s: Array) -> None:
        """Refuse a file whose rate changes for good: sample numbers would mean two things."""
        whole = len(time_s) // _RATE_BLOCK * _RATE_BLOCK
        blocks = time_s[:whole].reshape(-1, _RATE_BLOCK)
        if self._habit.plain:
            period_s = np.median(np.diff(blocks, axis=1), axis=1)
        else:
            lag = 16 * self._habit.packet
            if lag > _RATE_BLOCK // 2:
                return
            period_s = np.median(blocks[:, lag:] - blocks[:, :-lag], axis=1) / lag
        ratio = period_s / self._habit.period_s
        off = (ratio > 1.0 + _RATE_CHANGE) | (ratio < 1.0 / (1.0 + _RATE_CHANGE))
        lasting = np.flatnonzero(off[1:] & off[:-1])
        if len(lasting):
            at = int(lasting[0])
            raise CsvError(
                self._path,
                f"the rate changes at about {blocks[at, 0]:.1f} s after the first sample, from "
                f"{1.0 / self._habit.period_s:.3g} to {1.0 / period_s[at + 1]:.3g} samples a "
                "second: take each part as a file of its own",
            )

    def rows(self) -> Iterator[Rows]:
        """Give the rows, FLOAT_DTYPE; errors in later lines come up here."""
        numberer = StampNumberer(self._habit)
        if self._first is None:
            raise ValueError("rows are given once")
        pieces = itertools.chain([self._first], itertools.starmap(self._once, self._pieces))
        self._first = None
        waiting = np.zeros(0, FLOAT_DTYPE)
        for time_s, values in pieces:
            if not len(time_s):
                continue
            self._check_order(time_s)
            self._check_change(time_s)
            rows = np.empty(len(time_s), FLOAT_DTYPE)
            rows["time_s"] = time_s
            for axis, column in zip(AXES, values.T, strict=True):
                rows[axis] = column
            waiting = np.concatenate([waiting, rows])
            seq = numberer.feed(time_s, values)
            if len(seq):
                waiting["seq"][: len(seq)] = seq
                yield waiting[: len(seq)]
                waiting = waiting[len(seq) :]
        if len(waiting):
            waiting["seq"] = numberer.feed(np.zeros(0), last=True)
            yield waiting

    def close(self) -> None:
        close = getattr(self._pieces, "close", None)
        if close is not None:
            close()


def _lines_twice(time_s: Array, values: npt.NDArray[np.float32]) -> bool:
    """Tell whether equal times come from lines that are there twice, all seven numbers alike.

    Samples that share a time, as those of a packet do, have values of their own.
    """
    tied = np.diff(time_s) == 0.0
    same = tied & np.all(np.diff(values, axis=0) == 0.0, axis=1)
    return bool(tied.any() and same.sum() >= 0.95 * tied.sum())


def _longest_run(flags: npt.NDArray[np.bool_]) -> slice:
    """Return where the longest run of True is, an empty slice if there is none."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]]).astype(np.int8)))
    if not len(edges):
        return slice(0, 0)
    longest = int(np.argmax(edges[1::2] - edges[::2]))
    return slice(int(edges[2 * longest]), int(edges[2 * longest + 1]))


def _unit_hints(
    path: Path, layout: Layout, values: npt.NDArray[np.float32], rate_hz: float
) -> list[str]:
    """Judge the units by gravity at rest and by the size of the rates.

    Raises
    ------
    CsvError
        The units are clearly others, so that nothing measured would be true.
    """
    acc = np.linalg.norm(values[:, :3].astype(np.float64), axis=1)
    rate = np.linalg.norm(values[:, 3:].astype(np.float64), axis=1)
    quiet = rate <= min(float(np.quantile(rate, _QUIET_SHARE)), _QUIET_DPS)
    hints = []
    columns = layout.columns
    gravity_seen = False
    if quiet.any():
        rest = float(np.median(acc[quiet]))
        if columns[1].unit == "m/s2":
            for unit, low, high in (("g", 0.9, 1.1), ("mg", 900.0, 1100.0)):
                if low <= rest <= high:
                    raise OtherUnitError(
                        path,
                        f"the acceleration at rest is {rest:.3g}, not 9.8 m/s2, so it looks like "
                        f"{unit}: use {map_option(with_unit(columns, 'acc', unit))}",
                        "acc",
                        unit,
                    )
        gravity_seen = 8.5 <= rest <= 11.0
        if not gravity_seen:
            hints.append(
                f"the acceleration at rest is {rest:.3g} m/s2 where gravity gives 9.8: "
                "check the units, and that gravity was not removed"
            )
    # Moving (over 3 g at times) at less than 50 deg/s cannot be: in rad/s it can.
    brisk = float(np.quantile(acc, 0.999)) > 3.0 * G_N_M_S2
    if columns[4].unit == "deg/s" and brisk and float(rate.max()) < 50.0:
        wrong = f"the angular rate never exceeds {rate.max():.3g} deg/s, so it looks like rad/s"
        remedy = f"use {map_option(with_unit(columns, 'gyr', 'rad/s'))}"
        pull = _longest_run(acc > 3.0 * G_N_M_S2)
        if (
            gravity_seen
            and pull.stop - pull.start >= _PULL_S * rate_hz
            and float(np.median(rate[pull])) >= _PULL_RAD_S
        ):
            raise OtherUnitError(path, f"{wrong}: {remedy}", "gyr", "rad/s")
        hints.append(f"{wrong}: if it is, {remedy}")
    return hints


def _session(path: Path, source: _Source, options: Mapping[str, Any]) -> Session:
    """What is known of a CSV file; its time of day is that of the file."""
    changed = datetime.fromtimestamp(path.stat().st_mtime).astimezone()
    session = Session.new(
        nominal_rate_hz=source.rate_hz,
        sample_kind="float",
        start=changed.isoformat(timespec="seconds"),
        extra={"imported_from": path.name, "start_is": "time of the file"},
    )
    return with_options(session, **options)


def read_csv(
    path: str | os.PathLike[str],
    *,
    mount: str | None = None,
    hand: str | None = None,
    gyr_range_dps: float | None = None,
    acc_range_g: float | None = None,
    column_map: str | None = None,
    calibration: Calibration | None = None,
) -> Recording:
    """Open a CSV file as a recording.

    Its id follows from its content, so what is noted about it is found again after a copy.

    Parameters
    ----------
    path : path
    mount, hand, gyr_range_dps, acc_range_g : optional
        What the file cannot say.
    column_map : str, optional
        See `parse_column_map`.
    calibration : Calibration, optional
        Corrects the values as they are read.

    Raises
    ------
    CsvError, RateTooLowError, RateTooHighError, ColumnMapError, RecordingError
    """
    path = Path(path)
    options = {
        "mount": mount,
        "hand": hand,
        "gyr_range_dps": gyr_range_dps,
        "acc_range_g": acc_range_g,
    }
    source = _Source(path, column_map, lambda _: None)
    # The rows go into an unnamed file, which takes no memory and vanishes by itself.
    spool = tempfile.TemporaryFile()  # noqa: SIM115 - closed with the recording
    try:
        n_rows = 0
        try:
            for rows in source.rows():
                spool.write(rows.tobytes())
                n_rows += len(rows)
            spool.flush()
        except OSError as error:
            where = Path(tempfile.gettempdir())
            raise RecordingError(
                where, f"cannot hold {path.name} for reading: {describe_os_error(error)}"
            ) from error
        with open_file(path) as file:
            digest = hashlib.file_digest(file, "sha256").hexdigest()
        session = dataclasses.replace(
            _session(path, source, options), id=str(uuid.uuid5(uuid.NAMESPACE_OID, digest))
        )
        raw = getattr(spool, "file", spool)
        return Recording(
            path,
            session,
            RowFile(path, raw, FLOAT_DTYPE, 0, n_rows),
            warnings=source.warnings,
            hand=hand,
            calibration=calibration,
        )
    except BaseException:
        spool.close()
        raise
    finally:
        source.close()


def import_csv(
    path: str | os.PathLike[str],
    out: str | os.PathLike[str],
    *,
    overwrite: bool = False,
    mount: str | None = None,
    hand: str | None = None,
    player: str | None = None,
    club: str | None = None,
    gyr_range_dps: float | None = None,
    acc_range_g: float | None = None,
    column_map: str | None = None,
    start: str | None = None,
    progress: Callable[[int], None] = lambda _: None,
) -> Session:
    """Make a recording of a CSV file, which is not changed.

    Parameters
    ----------
    path, out : path
        The file, and the folder to make: whole, or not at all.
    overwrite : bool
        Replace a recording that is there.
    mount, hand, player, club, gyr_range_dps, acc_range_g : optional
        What the file cannot say.
    column_map : str, optional
        See `parse_column_map`.
    start : str, optional
        When it was made, ISO 8601 with offset; by default the file's own time.
    progress : callable
        Told how many more bytes of the file have been read.

    Returns
    -------
    Session
        Of the new recording.

    Raises
    ------
    CsvError, RateTooLowError, RateTooHighError, ColumnMapError, RecordingExistsError,
    RecordingError
    """
    path = Path(path)
    source = _Source(path, column_map, progress)
    options = {
        "mount": mount,
        "hand": hand,
        "gyr_range_dps": gyr_range_dps,
        "acc_range_g": acc_range_g,
    }
    try:
        session = _session(path, source, options)
        extra = (
            {**session.extra, "import_warnings": source.warnings}
            if source.warnings
            else session.extra
        )
        if start is not None:
            extra = {**extra, "start_is": "as it was said"}
        session = dataclasses.replace(
            session, start=start or session.start, player=player, club=club, extra=extra
        )
        with RecordingWriter(out, session, overwrite=overwrite, atomic=True) as writer:
            for rows in source.rows():
                writer.append(None, rows)
            # What can't be read again is refused here, before it takes its place.
            kept, _ = open_npy(writer.working_folder / IMU_FILE, FLOAT_DTYPE)
            Recording(path, session, kept).close()
    finally:
        source.close()
    return session


# -- out -------------------------------------------------------------------------------------

# Nine digits bring back every float32, and every count, exactly.
_ROW_FORMAT: Final = "%.9f" + 6 * ",%.9g" + "\n"


def csv_lines(block: Block) -> str:
    """Return the lines of a block of samples."""
    table = np.column_stack([block.time_s, block.acc_m_s2, block.gyr_dps])
    # Adding zero turns -0.0 into 0.0, which reads better.
    return _ROW_FORMAT * len(table) % tuple((table + 0.0).ravel().tolist())


def write_csv_to(
    file: IO[bytes],
    recording: Recording,
    *,
    first_s: float | None = None,
    last_s: float | None = None,
    progress: Callable[[int], None] = lambda _: None,
) -> int:
    """Write samples to an open binary file and return how many.

    Parameters
    ----------
    file : binary file
    recording : Recording
    first_s, last_s : float, optional
        Only the samples between these times, since the recording's first sample.
    progress : callable
        Told how many more samples have been written.
    """
    file.write((",".join(COLUMNS) + "\n").encode())
    written = 0
    if first_s is None and last_s is None:
        blocks: Iterator[Block] = recording.blocks(8192)
    else:
        first = None if first_s is None else math.ceil(recording.seq_of_time(first_s))
        last = None if last_s is None else math.floor(recording.seq_of_time(last_s))
        blocks = iter([recording.read(first, last)])
    for block in blocks:
        file.write(csv_lines(block).encode())
        written += len(block.seq)
        progress(len(block.seq))
    return written


def write_csv(
    out: str | os.PathLike[str],
    recording: Recording,
    *,
    first_s: float | None = None,
    last_s: float | None = None,
    overwrite: bool = False,
    progress: Callable[[int], None] = lambda _: None,
) -> int:
    """Write a CSV file, whole or not at all; see `write_csv_to`.

    Raises
    ------
    RecordingExistsError, RecordingError
    """
    with whole_file(Path(out), overwrite=overwrite) as file:
        return write_csv_to(file, recording, first_s=first_s, last_s=last_s, progress=progress)
