"""Samples in memory, and a recording made of them: for who has arrays and no files."""

from __future__ import annotations

import hashlib
import tempfile
import uuid
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from sensor.errors import RecordingError
from sensor.recording.calibration import Calibration
from sensor.recording.layout import AXES, FLOAT_DTYPE
from sensor.recording.npyfile import RowFile
from sensor.recording.output import describe_os_error
from sensor.recording.reader import Recording
from sensor.recording.session import Session
from words.glossary import MOUNTS

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Samples:
    """Samples of one sensor, as plain arrays, and what has to be known of them.

    Attributes
    ----------
    acc_m_s2, gyr_dps : (n, 3) arrays
        Specific force (at rest +g upwards) and angular velocity, in the sensor's right-handed
        frame.
    rate_hz : float
        Nominal sample rate.
    seq : (n,) array of int, optional
        Sample numbers, rising; a jump means that samples are missing. Left out: one after the
        other, from 0.
    time_s : (n,) array, optional
        When each was taken. Left out: ``seq / rate_hz``, and the rate is taken for exact.
    mount : {"wrist", "glove", "club", "trunk"}, optional
        Where the sensor was worn.
    player, handedness, club : str, optional
    gyr_range_dps, acc_range_g : float, optional
        Largest reading of each; larger ones are clipped.
    gyr_delay_ms : float, optional
        Delay of the gyroscope's own filter, by its data sheet.
    start : str, optional
        ISO 8601 with offset. Left out: now.

    Raises
    ------
    ValueError
        A mount that there isn't, arrays of other shapes, numbers that aren't finite, sample numbers
        or times that don't rise.
    """

    acc_m_s2: Array
    gyr_dps: Array
    rate_hz: float
    seq: npt.NDArray[np.int64] | None = None
    time_s: Array | None = None
    mount: str | None = None
    player: str | None = None
    handedness: str | None = None
    club: str | None = None
    gyr_range_dps: float | None = None
    acc_range_g: float | None = None
    gyr_delay_ms: float | None = None
    start: str | None = None

    def __post_init__(self) -> None:
        if self.mount is not None and self.mount not in MOUNTS:
            raise ValueError(f"mount must be one of {', '.join(MOUNTS)}")
        n = np.shape(self.acc_m_s2)[0] if np.ndim(self.acc_m_s2) else 0
        for name in ("acc_m_s2", "gyr_dps"):
            values = np.asarray(getattr(self, name), np.float64)
            if values.shape != (n, 3):
                raise ValueError(f"{name} must be of shape ({n}, 3), not {values.shape}")
            if not np.isfinite(values).all():
                raise ValueError(f"{name} holds numbers that aren't finite: leave such samples out")
            object.__setattr__(self, name, values)
        seq = np.arange(n) if self.seq is None else np.asarray(self.seq)
        if not np.issubdtype(seq.dtype, np.integer):
            raise ValueError(f"seq must hold whole numbers, not {seq.dtype}")
        time_s = seq / self.rate_hz if self.time_s is None else np.asarray(self.time_s, np.float64)
        for name, at in (("seq", seq.astype(np.int64)), ("time_s", time_s)):
            if at.shape != (n,):
                raise ValueError(f"{name} must be of shape ({n},), not {at.shape}")
            if n > 1 and not np.all(np.diff(at) > 0):
                raise ValueError(f"{name} must rise from sample to sample")
            object.__setattr__(self, name, at)

    def __len__(self) -> int:
        return len(self.acc_m_s2)

    def __repr__(self) -> str:
        mount = self.mount or "unknown mount"
        return f"<Samples: {len(self)} at {self.rate_hz:g} Hz, {mount}>"

    def blocks(self, size: int = 1) -> Iterator[tuple[npt.NDArray[np.int64], Array, Array]]:
        """Give all samples in their order, `size` at a time, as `SwingFinder.feed` takes them.

        Yields
        ------
        seq : (size,) array
        acc_m_s2, gyr_dps : (size, 3) arrays
        """
        assert self.seq is not None
        for start in range(0, len(self), size):
            part = slice(start, start + size)
            yield self.seq[part], self.acc_m_s2[part], self.gyr_dps[part]


def open_samples(samples: Samples, *, calibration: Calibration | None = None) -> Recording:
    """Make a recording of samples in memory; values are kept as float32, as those of a CSV file.

    Its id follows from its samples.

    Parameters
    ----------
    samples : Samples
    calibration : Calibration, optional
        Corrects the values as they are read.

    Raises
    ------
    RateTooLowError, RateTooHighError
        The rate is none of a motion sensor worn for swings.
    RecordingError
        Times and rate contradict each other.
    ValueError
        The mount or another fact is not what it must be.
    """
    rows = np.zeros(len(samples), FLOAT_DTYPE)
    rows["seq"], rows["time_s"] = samples.seq, samples.time_s
    values = np.concatenate([samples.acc_m_s2, samples.gyr_dps], axis=1)
    for axis, column in zip(AXES, values.T, strict=True):
        rows[axis] = column
    raw = rows.tobytes()
    facts = {
        name: getattr(samples, name)
        for name in (
            "mount",
            "player",
            "handedness",
            "club",
            "gyr_range_dps",
            "acc_range_g",
            "gyr_delay_ms",
            "start",
        )
    }
    session = Session.new(
        nominal_rate_hz=samples.rate_hz,
        sample_kind="float",
        id=str(uuid.uuid5(uuid.NAMESPACE_OID, hashlib.sha256(raw).hexdigest())),
        **{name: value for name, value in facts.items() if value is not None},
    )
    path = Path("samples")
    # Rows are read from a file, and an unnamed one vanishes by itself.
    spool = tempfile.TemporaryFile()  # noqa: SIM115 - closed with the recording
    try:
        try:
            spool.write(raw)
            spool.flush()
        except OSError as error:
            where = Path(tempfile.gettempdir())
            raise RecordingError(
                where, f"cannot hold the samples for reading: {describe_os_error(error)}"
            ) from error
        file = getattr(spool, "file", spool)
        return Recording(
            path, session, RowFile(path, file, FLOAT_DTYPE, 0, len(rows)), calibration=calibration
        )
    except BaseException:
        spool.close()
        raise
