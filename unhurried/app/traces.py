"""Turn and rate over time around a swing, as they are drawn."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from analysis import Swing
from analysis.swing.attitude import turn_vector
from analysis.swing.zero import zero_before

if TYPE_CHECKING:
    from review.plot import Trace
    from sensor.recording.reader import Block, Recording

# Around a swing, in a plot.
BEFORE_TAKEAWAY_S = 0.4
AFTER_FINISH_S = 0.4
# A swing without one of these events is shown as far as a long swing would reach (from memory:
# full swings take 0.8 to 1.5 s from takeaway to impact).
LONGEST_SWING_S = 2.5
LONGEST_FINISH_S = 0.8
# Without a takeaway: how long before its top or impact a motion is shown.
BEFORE_TOP_S = 1.3
BEFORE_IMPACT_S = 1.7
# So long before it the zero of a swing is looked for that was stored without.
ZERO_SEARCH_S = 30.0


def trace_of(recording: Recording, swing: Swing) -> Trace:
    """Return turn and rate over time around a swing, with the zero that it was measured with.

    Parameters
    ----------
    recording : Recording
    swing : Swing
        One of this recording.

    Returns
    -------
    Trace
        NaN where samples are missing.
    """
    from review.plot import Trace

    start_s, end_s = _shown(swing)
    rate_hz = recording.rate_hz
    delay_s = recording.gyr_delay_s
    first = round(recording.seq_of_time(start_s + delay_s))
    last = round(recording.seq_of_time(end_s + delay_s))
    # A swing that was stored without its zero has it looked for in the time before.
    known = swing.zero_dps is not None
    block = recording.read(first - (0 if known else round(ZERO_SEARCH_S * rate_hz)), last)
    if len(block.seq) < 2 or block.seq[-1] < first:
        nothing = np.zeros(0)
        return Trace(time_s=nothing, turn_deg=nothing, rate_dps=nothing)
    seq = np.arange(block.seq[0], block.seq[-1] + 1)
    gyr = np.column_stack([np.interp(seq, block.seq, axis) for axis in block.gyr_dps.T])
    there = np.isin(seq, block.seq, assume_unique=True)
    zero_from = int(np.searchsorted(seq, first))
    origin = float(seq[zero_from])
    if swing.takeaway_s is not None:
        at = recording.seq_of_time(swing.takeaway_s + delay_s)
        origin = float(np.clip(at, seq[0], seq[-1]))
    gyr -= _zero(swing, block, origin, rate_hz)
    seq, gyr = seq[zero_from:], gyr[zero_from:]
    vector, _, _ = turn_vector(gyr, rate_hz)
    stretch = recording.period_s * rate_hz
    start = [np.interp(origin, seq, axis) for axis in vector.T]
    turn = stretch * np.linalg.norm(vector - start, axis=1)
    rate = np.linalg.norm(gyr, axis=1)
    missing = ~there[zero_from:]
    turn[missing] = rate[missing] = np.nan
    return Trace(time_s=recording.time_of_seq(seq) - delay_s, turn_deg=turn, rate_dps=rate)


def _zero(swing: Swing, block: Block, before_seq: float, rate_hz: float) -> Any:
    """The gyroscope's zero of a swing, (3,) deg/s."""
    if swing.zero_dps is not None:
        return np.array(swing.zero_dps)
    earlier = block.seq < before_seq
    return zero_before(block.gyr_dps[earlier], block.acc_m_s2[earlier], rate_hz)


def _shown(swing: Swing) -> tuple[float, float]:
    """First and last second to show of a swing; at least one of its events is known."""
    known = [
        time_s
        for time_s in (swing.takeaway_s, swing.top_s, swing.impact_s, swing.finish_s)
        if time_s is not None
    ]
    if not known:
        return 0.0, 0.0
    if swing.takeaway_s is not None:
        start_s = swing.takeaway_s - BEFORE_TAKEAWAY_S
    elif swing.top_s is not None:
        start_s = swing.top_s - BEFORE_TOP_S
    elif swing.impact_s is not None:
        start_s = swing.impact_s - BEFORE_IMPACT_S
    else:
        start_s = known[-1] - LONGEST_SWING_S
    end_s = known[-1] + LONGEST_FINISH_S if swing.finish_s is None else swing.finish_s
    return start_s, end_s + AFTER_FINISH_S
