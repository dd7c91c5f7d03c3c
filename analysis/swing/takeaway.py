"""Takeaway: zero of the line through sqrt(rate) between 10 and 30 % of the backswing's peak rate.

On the last rise to that peak. A rule and no threshold: it doesn't lag, and it repeats.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.swing.measured import INTERPOLATION, Measured
from analysis.swing.results import Note
from analysis.swing.samples import Samples, crossing
from analysis.swing.uncertainty import BIAS, GAP, NOISE, RULE, SAMPLING, SWAY

Array = npt.NDArray[np.float64]


LOW, HIGH = 0.10, 0.30
"""Ends of the line as shares of the backswing's peak: the definition."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TakeawayParams:
    """What the takeaway is read with. "Fitted" is explained in `analysis.swing.measure`."""

    look_back_s: float = 0.5
    """So far before the outline's start its rise may begin: the outline is coarse."""
    dip: tuple[float, float] = (1.35, 1.0)
    """Going back, the rate rises again from its least by this factor and so many deg/s more: what
    came before is another motion."""
    no_rest_share: float = 0.27
    """With a least rate over this share of the peak, near the line's upper end, there is none."""
    steep_u_s: float = 0.004
    no_rest_u_s: float = 0.02
    """Where a backswing begins out of another motion, the line has little or nothing to go by
    (fitted)."""
    least_samples: float = 0.5
    """A line through less than half a step is none: the rise is one sample's."""
    sway_dps: float = 0.8
    """Slow sway about each axis that goes on into the takeaway. Standing at ease one leans to and
    fro by about a quarter of a degree below 1 Hz, about 1 deg/s (from memory); some of it has gone
    by the time that the takeaway is told (fitted)."""
    tremor_share: float = 0.9
    """How much of the tremor seen at address (8-12 Hz) is left in the smoothed takeaway
    (fitted)."""
    gap_share: float = 0.1
    """Share of a hole's length by which an event beside it can be off (fitted)."""
    hidden_share: float = 0.6
    """With more of the rise than this in holes too long to be bridged, it is not known."""


@dataclass(slots=True)
class Rise:
    """Takeaway and what it hangs on.

    ``early`` and ``late`` are how far it moves, in samples, where |w| is wrong by ``rate_u_dps`` as
    it passes the lower and the upper level; ``rule`` is a standard uncertainty in samples
    where the line had too little to go by.
    """

    at: float
    early: float
    late: float
    rule: float
    lo: float
    hi: float


def find_takeaway(
    size: Array,
    peak_at: int,
    *,
    first: int,
    rate_hz: float,
    rate_u_dps: float = 1.0,
    params: TakeawayParams | None = None,
) -> Rise | None:
    """Zero of the straight line through sqrt(|w|) between 10 and 30 % of the backswing's peak.

    Parameters
    ----------
    size : (n,) array
        |w|, smoothed.
    peak_at : int
        Sample of the backswing's peak.
    first : int
        Earliest sample to look at.
    rate_hz : float
    rate_u_dps : float
        Error in |w| for which the result says how far it moves.
    params : TakeawayParams, optional

    Returns
    -------
    Rise or None
        None where the rise isn't in the window.
    """
    p = params or TakeawayParams()
    peak = _summit(size, peak_at)
    low, high = LOW * peak, HIGH * peak
    k = peak_at
    while k > first and size[k - 1] >= high:
        k -= 1
    if k <= first:
        return None
    hi = crossing(size, k - 1, high)
    j = k - 1
    least, least_at = float(size[j]), j
    while j > first and size[j] > low:
        j -= 1
        if size[j] < least:
            least, least_at = float(size[j]), j
        elif size[j] > p.dip[0] * least + p.dip[1]:
            break
    rule = 0.0
    if size[j] <= low:
        lo = crossing(size, j, low)
    else:
        # The rate never sank to a tenth (a rocking start, back-and-forth rehearsals): the rise
        # begins at its least.
        lo, rule = float(least_at), p.steep_u_s * rate_hz
        if least > p.no_rest_share * peak:
            return Rise(float(least_at), 0.0, 0.0, p.no_rest_u_s * rate_hz, lo, hi)
    if hi - lo < p.least_samples:
        return Rise(lo, 0.0, 0.0, max(rule, 1.0), lo, hi)
    return _zero_of_line(size, lo, hi, levels=(low, high), rate_u_dps=rate_u_dps, rule=rule)


def _summit(size: Array, peak_at: int) -> float:
    """Peak of the rate, by the parabola through the samples about it."""
    peak = float(size[peak_at])
    if 0 < peak_at < len(size) - 1:
        a, b, c = (float(v) for v in size[peak_at - 1 : peak_at + 2])
        bend = a - 2 * b + c
        if bend < 0:
            peak = b - (a - c) ** 2 / (8 * bend)
    return peak


def _zero_of_line(
    size: Array,
    lo: float,
    hi: float,
    *,
    levels: tuple[float, float],
    rate_u_dps: float,
    rule: float,
) -> Rise | None:
    """Zero of the line through sqrt(|w|) between two positions; None where it doesn't rise."""
    t = np.linspace(lo, hi, 33)
    grid = np.arange(len(size))
    a0, b0 = max(0, int(lo) - 2), min(len(size), int(hi) + 4)
    root = np.sqrt(np.maximum(np.interp(t, grid[a0:b0], size[a0:b0]), 0.0))
    mid = float(t.mean())
    slope = float(((t - mid) * root).sum() / ((t - mid) ** 2).sum())
    if slope <= 0:
        return None
    at = mid - float(root.mean()) / slope
    # An error d in |w| moves an end of the line by d / (2 sqrt(|w|)), and its zero by so much more
    # as the zero lies further out.
    lever = (mid - at) / (hi - lo)
    low, high = levels
    early = rate_u_dps * (0.5 + lever) / (2.0 * np.sqrt(max(low, 1e-6))) / slope
    late = rate_u_dps * (0.5 - lever) / (2.0 * np.sqrt(max(high, 1e-6))) / slope
    return Rise(at, float(early), float(late), rule, lo, hi)


def measure_takeaway(s: Samples, p: TakeawayParams) -> tuple[Rise | None, Measured]:
    """Measure the takeaway.

    Parameters
    ----------
    s : Samples
    p : TakeawayParams

    Returns
    -------
    Rise or None
        What the turn is counted from; None where the backswing's start isn't in the samples.
    Measured
        In samples; absent as well where a hole hides it.
    """
    fs = s.rate_hz
    reach = slice(max(0, s.start), s.top + 1)
    peak_at = reach.start + int(np.argmax(s.smoothed_dps[reach]))
    first = max(1, s.start - round(p.look_back_s * fs))
    take = find_takeaway(s.smoothed_dps, peak_at, first=first, rate_hz=fs, params=p)
    if take is None:
        note = Note("no_takeaway", "the start of the backswing is not in the recording")
        return None, Measured(None, notes=[note])
    slow = abs(take.early + take.late)
    fast = float(np.hypot(take.early, take.late))

    def hidden(gaps: list[tuple[int, int]]) -> float:
        return sum(max(0.0, min(y, take.hi) - max(x - 1.0, take.lo)) for x, y in gaps)

    out = Measured(
        take.at,
        {
            SWAY: float(np.hypot(p.sway_dps * slow, p.tremor_share * s.tremor_dps * fast)),
            NOISE: s.smooth_noise_dps * fast,
            BIAS: s.zero_u_dps * slow,
            SAMPLING: INTERPOLATION,
            RULE: take.rule,
            GAP: p.gap_share * hidden(s.gaps),
        },
    )
    if hidden(s.long_gaps) > p.hidden_share * (take.hi - take.lo):
        out.value = None
        out.notes.append(Note("gap_takeaway", "samples are missing at the takeaway"))
    return take, out
