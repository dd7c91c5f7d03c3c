"""Judge time stamps that are off an even grid, by themselves and by the motion, and use them so."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from sensor.recording.layout import AXES, PACKET_DTYPE
from sensor.recording.npyfile import Rows
from sensor.recording.stamplines import UNEVEN_PERIODS, SeqNumberer, StampFit, StampFitter
from sensor.recording.stamps import (
    PACKETS_SHARE,
    StampTrial,
    StampVerdict,
    packets_share,
    together,
)
from sensor.recording.timebase import TimeBase, fit_packets

# Times that jitter are straightened over so many seconds: a clock drifts little meanwhile (a quartz
# by some 1e-6), and what is left of the jitter falls with the square root of the samples.
JITTER_WINDOW_S: Final = 4.0
# Straightened times that are still unsure by more than this, in periods, aren't told.
MAX_WANDER_PERIODS: Final = 0.5
# Rms jitter in periods over which the place of a single lost sample may be taken wrongly by one.
PLACE_PERIODS: Final = 0.3
# The share of true deviations that is found where all are true: at least this on swings and waves
# with steps of 0.5 to 1.5 periods, since no course is straight between samples.
TRUE_SHARE: Final = 0.95


@dataclass(frozen=True, slots=True, kw_only=True)
class StampReading:
    """How the stamps of a recording are to be read: one of the first three is there.

    Attributes
    ----------
    packets : TimeBase or None
        They are arrivals of packets.
    lines : StampFit or None
        They jitter about even samples.
    uneven : str or None
        They are true, and the samples uneven: why.
    time_u_s : float
        Standard uncertainty that is left of a single sample's time.
    warning : str or None
        What a reader should know.
    """

    packets: TimeBase | None = None
    lines: StampFit | None = None
    uneven: str | None = None
    time_u_s: float = 0.0
    warning: str | None = None


def judge_stamps(
    pieces: Callable[[], Iterable[Rows]], *, rate_hz: float, first_seq: int, lost: bool
) -> StampReading:
    """Find out what stamps are worth that are off an even grid.

    Parameters
    ----------
    pieces : callable
        Gives all rows (``FLOAT_DTYPE``), each time from the start.
    rate_hz : float
        Nominal rate.
    first_seq : int
        Sample number at which time is zero.
    lost : bool
        Whether there are small holes in the numbers.

    Raises
    ------
    ValueError
        Neither the stamps nor even times fit the motion.
    """
    reading = _as_packets(pieces, rate_hz, first_seq)
    if reading is not None:
        return reading
    fit, found, rising = _try_even(pieces, rate_hz, first_seq)
    period_s = 1.0 / rate_hz
    jitter_ms = 1e3 * found.jitter_s
    share = found.true_share
    # What either reading would leave wrong in a sample's time.
    if_straight_s = found.jitter_s * (share or 0.0) ** 0.5
    untrue = 0.0 if share is None else max(0.0, 1.0 - share / TRUE_SHARE)
    if_true_s = found.jitter_s * untrue**0.5
    steady = found.wander_s <= MAX_WANDER_PERIODS * period_s
    if steady and if_straight_s <= UNEVEN_PERIODS * period_s:
        return _straightened(fit, found, rate_hz, lost=lost)
    if rising and if_true_s <= UNEVEN_PERIODS * period_s:
        return StampReading(uneven=f"the sampling is uneven (by {jitter_ms:.1f} ms, rms)")
    if steady:
        what = f"jitter by {jitter_ms:.1f} ms (rms)"
    else:
        what = f"wander by {1e3 * found.wander_s:.1f} ms (rms) about an even rate"
    raise ValueError(
        f"the time stamps {what}, and the motion fits neither them nor even sampling: no time in "
        "it can be trusted; export it with the sensor's own times or sample numbers"
    )


def _try_even(
    pieces: Callable[[], Iterable[Rows]], rate_hz: float, first_seq: int
) -> tuple[StampFit, StampVerdict, bool]:
    """Lay lines through the stamps and ask the motion; also whether each stamp is later."""
    fitter = StampFitter(rate_hz, window_s=JITTER_WINDOW_S, gap_periods=SeqNumberer.RESTART_PERIODS)
    rising, last_s = True, -np.inf
    for rows in pieces():
        time_s = rows["time_s"]
        fitter.feed(rows["seq"], time_s)
        rising &= bool(time_s[0] > last_s and np.all(np.diff(time_s) > 0.0))
        last_s = float(time_s[-1])
    fit = fitter.finish()
    base = fit.time_base(first_seq)
    zero_s = float(np.interp(first_seq, fit.seq, fit.time_s))
    trial = StampTrial(rate_hz)
    for rows in pieces():
        seq = rows["seq"].astype(np.int64)
        channels = np.column_stack([rows[axis] for axis in AXES]).astype(np.float64)
        trial.feed(seq, rows["time_s"] - zero_s - base.time_of_seq(seq), channels)
    return fit, trial.verdict(), rising


def _straightened(
    fit: StampFit, found: StampVerdict, rate_hz: float, *, lost: bool
) -> StampReading:
    period_s = 1.0 / rate_hz
    time_u_s = found.wander_s
    if lost and found.jitter_s > PLACE_PERIODS * period_s:
        # A hole may stand one sample too early or too late: a rectangle.
        time_u_s = float(np.hypot(time_u_s, period_s / 3.0**0.5))
    # Single losses that so much jitter hides lengthen the period: their random walk about a line
    # through n samples has a variance of a fifteenth of their number.
    unseen = 15.0 * (found.wander_s / period_s) ** 2 / (JITTER_WINDOW_S * rate_hz)
    period_u_s = float(np.hypot(fit.period_u_s, unseen * period_s))
    return StampReading(
        lines=dataclasses.replace(fit, period_u_s=period_u_s),
        time_u_s=time_u_s,
        warning=f"the time stamps jitter by {1e3 * found.jitter_s:.1f} ms (rms), but the samples "
        "are even: they are put on straight lines, which leaves a time unsure by "
        f"{1e3 * time_u_s:.2g} ms",
    )


def _as_packets(
    pieces: Callable[[], Iterable[Rows]], rate_hz: float, first_seq: int
) -> StampReading | None:
    """Fit stamps that several samples share as arrivals of packets; None if they aren't."""
    packets: list[Rows] = []
    company, samples = 0.0, 0
    zero_s: float | None = None
    for rows in pieces():
        zero_s = float(rows["time_s"][0]) if zero_s is None else zero_s
        time_s = rows["time_s"] - zero_s
        seq = rows["seq"].astype(np.int64)
        samples += len(rows)
        company += packets_share(time_s, 1.0 / rate_hz) * len(rows)
        new: npt.NDArray[np.bool_] = ~together(time_s, 1.0 / rate_hz) | (np.diff(seq) > 1)
        first = np.flatnonzero(np.append(True, new))
        last = np.append(first[1:], len(rows)) - 1
        piece = np.zeros(len(first), PACKET_DTYPE)
        piece["first_seq"] = seq[first]
        piece["count"] = last - first + 1
        piece["arrival_ns"] = np.rint(1e9 * np.maximum.accumulate(time_s[last]))
        piece["ticks"] = -1
        packets.append(piece)
    if company < PACKETS_SHARE * samples:
        return None
    base = fit_packets(packets, nominal_rate_hz=rate_hz, first_seq=first_seq)
    if base is None:
        return None
    every = np.concatenate(packets)
    late_s = 1e-9 * every["arrival_ns"] - base.time_of_seq(every["first_seq"] + every["count"] - 1)
    return StampReading(
        packets=base,
        warning=f"the samples share time stamps by about {float(np.median(every['count'])):g}, as "
        "packets of a radio do: they are taken as even, by the line below all stamps, which vary "
        f"by {1e3 * float(late_s.std()):.1f} ms (rms)",
    )
