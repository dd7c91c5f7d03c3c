"""The swing finder: samples in, any number at a time, swings out as soon as they have ended.

The finder runs on sample numbers at the nominal rate and keeps a bounded stretch of the past. What
it decides about a swing is a function of a window fixed by sample numbers alone, so the result is
the same to the last bit however the samples were cut into pieces.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from analysis.errors import InputError, RateError, SequenceError
from analysis.swing.measure import MeasureParams, measure
from analysis.swing.outline import Outline, OutlineParams, outline
from analysis.swing.recognise import LEAST_CANDIDATE_P, Recogniser
from analysis.swing.results import Candidate, FoundSwing
from analysis.swing.samples import Conditions, Window, clipped_channels
from analysis.swing.zero import Zero, ZeroParams
from words.glossary import MOUNTS
from words.units import G_N_M_S2, UNCALIBRATED_GYR_U

Array = npt.NDArray[np.float64]


LEAST_RATE_HZ = 49.5
"""Slower than this the downswing has under a dozen samples ."""

FORGET_S = 60.0
"""After so long a hole the sensor may sit otherwise, or on somebody else."""
KEPT_CANDIDATES = 200
"""So many are kept of what nearly passed: some an hour."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FinderParams:
    """How the stream is cut up, and what the parts after that go by."""

    bridge_s: float = 0.5
    """Longest hole filled so as to keep looking; no event is reported from inside one."""
    settle_s: float = 0.12
    """Samples wanted beyond the finish, so that smoothing there has both sides."""
    zero: ZeroParams = field(default_factory=ZeroParams)
    """Its blocks are the coarse step."""
    outline: OutlineParams = field(default_factory=OutlineParams)
    measure: MeasureParams = field(default_factory=MeasureParams)


@dataclass(slots=True)
class _Peak:
    """A peak of the coarse rate that waits for its swing to end."""

    block: int
    size: float
    due: int | None = None


class SwingFinder:
    """Find golf swings in a stream of six-axis samples.

    Parameters
    ----------
    rate_hz : float
        Nominal sample rate, 50 Hz or more.
    mount : str, optional
        ``"wrist"``, ``"glove"``, ``"club"`` or ``"trunk"``.
    gyr_range_dps, acc_range_g : float, optional
        Ranges of the sensor; where unknown, clipping is told from runs of equal extreme values.
    gyr_delay_s, acc_delay_s : float
        Delay of the chip's own low-pass filters at low frequency, taken off the times.
    gyr_scale_u : float
        Standard uncertainty of the gyroscope's scale, as a share; 0.02 for one that was never
        calibrated (see `words.units.UNCALIBRATED_GYR_U`).
    params : FinderParams

    Raises
    ------
    RateError
        Under 50 Hz.
    InputError
        A rate that is no number, or a mount that there isn't.
    """

    def __init__(
        self,
        *,
        rate_hz: float,
        mount: str | None = None,
        gyr_range_dps: float | None = None,
        acc_range_g: float | None = None,
        gyr_delay_s: float = 0.0,
        acc_delay_s: float = 0.0,
        gyr_scale_u: float = UNCALIBRATED_GYR_U,
        params: FinderParams | None = None,
        recogniser: Recogniser | None = None,
    ) -> None:
        if not isinstance(rate_hz, int | float | np.number):
            raise InputError(f"rate_hz must be a number, not {type(rate_hz).__name__}")
        if not rate_hz >= LEAST_RATE_HZ:
            raise RateError(rate_hz)
        if mount is not None and mount not in MOUNTS:
            raise InputError(f"mount must be one of {', '.join(MOUNTS)}, or None: not known")
        self.params = params or FinderParams()
        self.rate_hz = float(rate_hz)
        self._conditions = Conditions(
            rate_hz=self.rate_hz,
            mount=mount,
            gyr_range_dps=gyr_range_dps,
            acc_range_g=acc_range_g,
            gyr_delay_s=gyr_delay_s,
            acc_delay_s=acc_delay_s,
            gyr_scale_u=gyr_scale_u,
        )
        self.short_strokes = 0
        self.lost_samples = 0
        self._recogniser = recogniser or Recogniser(
            mount=mount, params=(params or FinderParams()).outline
        )
        self._hands_change: list[int] = []
        self._nearly: list[Candidate] = []
        p = self.params
        self._n_block = max(1, round(self.rate_hz * p.zero.block_s))
        self._step_s = self._n_block / self.rate_hz
        self._still_blocks = p.zero.blocks(self._step_s)
        self._back_blocks = int(p.outline.look_back_s / self._step_s)
        self._ahead_blocks = int(p.outline.look_ahead_s / self._step_s)
        self._settle_blocks = max(1, int(np.ceil(p.settle_s / self._step_s)))
        keep = self._back_blocks + self._ahead_blocks + 2 * self._settle_blocks + 60
        self._keep = keep * self._n_block
        self._capacity = self._keep + max(8192, self._keep)
        self._data = np.empty((self._capacity, 6))
        self._whole = np.empty(self._capacity, dtype=bool)
        self._last_seq: int | None = None
        self._waiting: list[_Peak] = []
        self._rising: _Peak | None = None
        self._zero = Zero(p.zero)
        self._zero_history: dict[int, tuple[Array, float]] = {}
        self._restart(0)

    def new_hands(self, seq: int) -> None:
        """From this sample on another player, club or hand, or the sensor was put on anew.

        What was learned of how the sensor sits on the player is then forgotten. May be said before
        the sample has come; said at the same sample, it gives the same swings for any chunking.

        Parameters
        ----------
        seq : int
        """
        self._hands_change.append(seq)
        self._hands_change.sort()

    @property
    def candidates(self) -> list[Candidate]:
        """What nearly passed for a swing so far, the latest `KEPT_CANDIDATES`, in order."""
        return list(self._nearly)

    @property
    def zero_dps(self) -> tuple[float, float, float]:
        """The gyroscope's zero by axis, as it is known by now."""
        x, y, z = self._zero.dps.tolist()
        return x, y, z

    # -- stream ------------------------------------------------------------------------------

    def feed(self, seq: npt.NDArray[np.int64], acc_m_s2: Array, gyr_dps: Array) -> list[FoundSwing]:
        """Take further samples and return the swings that they complete.

        Parameters
        ----------
        seq : (n,) array of int
            Sample numbers, rising; a jump means that samples are missing.
        acc_m_s2, gyr_dps : (n, 3) arrays
            Specific force and angular velocity in the sensor frame.

        Returns
        -------
        list of FoundSwing
            Often empty.

        Raises
        ------
        SequenceError
            Where ``seq`` doesn't rise.
        InputError
            An array is of another shape, or holds what isn't a finite number. Nothing of it is
            taken then.
        """
        seq, acc_m_s2, gyr_dps = _checked(seq, acc_m_s2, gyr_dps)
        n = len(seq)
        if n == 0:
            return []
        before = self._last_seq
        first = int(seq[0])
        jumps = np.diff(seq)
        if before is not None and first <= before:
            raise SequenceError(first)
        if n > 1 and int(jumps.min()) <= 0:
            raise SequenceError(int(seq[int(np.argmin(jumps > 0)) + 1]))
        found: list[FoundSwing] = []
        edges = [0, *(np.flatnonzero(jumps != 1) + 1).tolist(), n]
        for a, b in pairwise(edges):
            start = int(seq[a])
            if self._last_seq is None:
                self._restart(start)
            elif start != self._last_seq + 1:
                found += self._hole(start, acc_m_s2[a], gyr_dps[a])
            self._take(acc_m_s2[a:b], gyr_dps[a:b], found)
            self._last_seq = int(seq[b - 1])
        return found

    def flush(self) -> list[FoundSwing]:
        """Return the swings still waiting for their end when the samples are over."""
        found: list[FoundSwing] = []
        if self._rising is not None and self._rising.size >= self.params.outline.least_peak_dps:
            self._waiting.append(self._rising)
            self._rising = None
        for peak in self._waiting:
            self._judge(peak, self._blocks_done, found)
        self._waiting.clear()
        return found

    def _restart(self, seq: int) -> None:
        """Begin at sample ``seq`` with no past (a new recording, or a hole too long to bridge)."""
        self._base = seq
        self._used = 0
        self._blocks_done = 0
        self._block_base = 0
        self._gyr_blocks = np.empty((0, 3))
        self._acc_blocks = np.empty((0, 3))
        self._waiting = []
        self._rising = None
        self._valley = 0.0
        self._lobe_before = 0.0
        self._last_swing_block = -1
        self._zero_history = {-1: (self._zero.dps, self._zero.information)}

    def _hole(self, start: int, acc: Array, gyr: Array) -> list[FoundSwing]:
        """Samples are missing up to ``start``: bridge a short hole (marked), else begin anew."""
        assert self._last_seq is not None
        missing = start - self._last_seq - 1
        self.lost_samples += missing
        found: list[FoundSwing] = []
        if missing > self.params.bridge_s * self.rate_hz:
            found = self.flush()
            self._restart(start)
            if missing > FORGET_S * self.rate_hz:
                self.new_hands(start)
            return found
        last = self._data[self._used - 1].copy()
        step = (np.concatenate([acc, gyr]) - last) / (missing + 1)
        fill = last + step * np.arange(1, missing + 1)[:, None]
        self._take(fill[:, :3], fill[:, 3:], found, whole=False)
        return found

    def _take(self, acc: Array, gyr: Array, found: list[FoundSwing], *, whole: bool = True) -> None:
        n = len(acc)
        done = 0
        while done < n:
            if self._used == self._capacity:
                self._drop_past()
            k = min(n - done, self._capacity - self._used)
            self._data[self._used : self._used + k, :3] = acc[done : done + k]
            self._data[self._used : self._used + k, 3:] = gyr[done : done + k]
            self._whole[self._used : self._used + k] = whole
            self._used += k
            done += k
            self._new_blocks(found)

    def _drop_past(self) -> None:
        drop_blocks = (self._used - self._keep) // self._n_block
        drop = drop_blocks * self._n_block
        left = self._used - drop
        self._data[:left] = self._data[drop : self._used]
        self._whole[:left] = self._whole[drop : self._used]
        self._used = left
        self._base += drop
        self._block_base += drop_blocks
        self._gyr_blocks = self._gyr_blocks[drop_blocks:].copy()
        self._acc_blocks = self._acc_blocks[drop_blocks:].copy()
        oldest = self._block_base // self._still_blocks - 1
        self._zero_history = {g: v for g, v in self._zero_history.items() if g >= oldest}

    # -- coarse stage ------------------------------------------------------------------------

    def _new_blocks(self, found: list[FoundSwing]) -> None:
        """Average the samples that have come into blocks and watch their rate for peaks."""
        nb = self._n_block
        have = self._blocks_done - self._block_base
        ready = self._used // nb
        if ready == have:
            return
        part = self._data[have * nb : ready * nb].reshape(ready - have, nb, 6)
        total = part[:, 0].copy()
        for j in range(1, nb):  # in a fixed order, so that chunking cannot change a bit
            total += part[:, j]
        total /= nb
        self._acc_blocks = np.concatenate([self._acc_blocks, total[:, :3]])
        self._gyr_blocks = np.concatenate([self._gyr_blocks, total[:, 3:]])
        g = total[:, 3:]
        sizes = np.sqrt(g[:, 0] ** 2 + g[:, 1] ** 2 + g[:, 2] ** 2).tolist()
        still = self._still_blocks
        least_peak = self.params.outline.least_peak_dps
        k = self._blocks_done
        rising, valley = self._rising, self._valley
        for size in sizes:
            # Follow the rate: remember peaks, and when the motion after each has died down.
            if rising is None:
                if size < valley:
                    valley = size
                elif size > 1.4 * valley + 15.0:
                    rising = _Peak(k, size)
            elif size > rising.size:
                rising.block, rising.size = k, size
            elif size < 0.65 * rising.size:
                # The lobe before a downswing is its backswing, which is slower.
                if rising.size >= least_peak and rising.size > 1.05 * self._lobe_before:
                    self._waiting.append(rising)
                self._lobe_before = rising.size
                rising = None
                valley = size
            k += 1
            if k % still == 0:
                self._read_zero(k)
            if not self._waiting:
                continue
            for peak in self._waiting:
                if peak.due is None and (
                    size < 0.1 * peak.size or k - 1 - peak.block >= self._ahead_blocks
                ):
                    peak.due = k + self._settle_blocks
            for peak in [p for p in self._waiting if p.due is not None and p.due <= k]:
                self._waiting.remove(peak)
                self._judge(peak, k, found)
        self._rising, self._valley = rising, valley
        self._blocks_done = k

    def _read_zero(self, end: int) -> None:
        """Read the gyroscope's zero off the last half second, and keep what is known by then."""
        i = end - self._block_base
        if i >= self._still_blocks:
            last = slice(i - self._still_blocks, i)
            self._zero.take(self._gyr_blocks[last], self._acc_blocks[last])
        now = self._zero.dps, self._zero.information
        self._zero_history[end // self._still_blocks - 1] = now

    # -- decision ----------------------------------------------------------------------------

    def _judge(self, peak: _Peak, end_block: int, found: list[FoundSwing]) -> None:
        """Decide whether the peak is a swing's, and measure it if so."""
        lo = max(self._block_base, peak.block - self._back_blocks)
        if peak.block <= self._last_swing_block or peak.block <= lo:
            return
        i, j = lo - self._block_base, end_block - self._block_base
        nb = self._n_block
        zero, information = self._zero_history[end_block // self._still_blocks - 1]
        gyr = self._gyr_blocks[i:j] - zero
        at = i + peak.block - lo
        # As far as there is anything: at the end of a recording the peak may be in the last block.
        about = self._data[max(0, at - 1) * nb : min(at + 2, j) * nb, :3]
        c = self._conditions
        limit = None if c.acc_range_g is None else c.acc_range_g * G_N_M_S2
        rough = outline(
            gyr,
            self._acc_blocks[i:j],
            peak.block - lo,
            self._step_s,
            acc_stopped=bool(
                clipped_channels(about, limit, self.params.measure.samples.acc_floor_m_s2).any()
            ),
        )
        if rough is None or lo + rough.top <= self._last_swing_block:
            return
        since = (lo + rough.start - self._last_swing_block) * self._step_s
        rally = self._last_swing_block >= 0 and since < self.params.outline.rally_s
        seq = self._base + at * nb
        while self._hands_change and self._hands_change[0] <= seq:
            self._hands_change.pop(0)
            self._recogniser.hands.forget()
        verdict = self._recogniser.judge(rough, first_block=lo, rally=rally)
        if verdict.what == "no":
            if verdict.p >= LEAST_CANDIDATE_P:
                self._nearly.append(Candidate(seq, verdict.p, verdict.why))
                del self._nearly[:-KEPT_CANDIDATES]
            return
        if verdict.what == "short":
            self.short_strokes += 1
            return
        first = self._base + i * nb
        window = Window(
            first_seq=first,
            acc_m_s2=self._data[i * nb : j * nb, :3].copy(),
            gyr_dps=self._data[i * nb : j * nb, 3:].copy(),
            whole=self._whole[i * nb : j * nb].copy(),
            zero_dps=zero,
            zero_u_dps=float(1.0 / np.sqrt(information)) if information > 0 else float("inf"),
        )
        swing = measure(
            window,
            _in_samples(rough, nb),
            self._conditions,
            rally=rally,
            params=self.params.measure,
        )
        if swing is None:
            return
        if swing.turn_deg is not None and swing.turn_deg < self.params.outline.short_stroke_deg:
            self.short_strokes += 1
            return
        found.append(dataclasses.replace(swing, swing_p=verdict.p))
        self.passed(lo + max(rough.least, rough.peak))
        self._recogniser.took(rough, verdict)
        # Its own backswing, say, may have looked like one as well.
        begin = self._base + (i + rough.start) * nb
        self._nearly = [one for one in self._nearly if one.at_seq < begin]

    def passed(self, block: int) -> None:
        """A swing was found that has come down by this block: what is part of it is none itself."""
        self._last_swing_block = block


def _checked(seq: object, acc: object, gyr: object) -> tuple[npt.NDArray[np.int64], Array, Array]:
    """Return the three arrays of a stream, or say what is wrong with the first that is wrong."""
    numbers = np.asarray(seq)
    n = len(numbers) if numbers.ndim else 0
    if numbers.ndim != 1 or (n and numbers.dtype.kind not in "iu"):
        raise InputError(
            f"seq must hold whole numbers, of shape (n,), not {numbers.dtype} of {numbers.shape}"
        )
    out = []
    for name, given in (("acc_m_s2", acc), ("gyr_dps", gyr)):
        try:
            values = np.asarray(given, np.float64)
        except (TypeError, ValueError) as error:
            raise InputError(f"{name} must be numbers of shape ({n}, 3)") from error
        if values.shape != (n, 3) and (n or values.size):
            raise InputError(f"{name} must be of shape ({n}, 3), as seq is, not {values.shape}")
        if not np.isfinite(values).all():
            raise InputError(f"{name} holds numbers that aren't finite: leave such samples out")
        out.append(values)
    return numbers.astype(np.int64, copy=False), out[0], out[1]


def _in_samples(rough: Outline, n_block: int) -> dict[str, int]:
    """Centres of the outline's blocks as sample numbers in the window."""
    half = n_block // 2
    return {
        name: getattr(rough, name) * n_block + half for name in ("start", "top", "peak", "least")
    }
