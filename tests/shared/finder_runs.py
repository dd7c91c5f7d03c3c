"""Simulated recordings through the swing finder: what several test modules need."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis import FoundSwing, SwingFinder
from simulation.sessions import SimulatedSwing, simulate_swing

Floats = NDArray[np.float64]
EVENTS = ("takeaway_seq", "top_seq", "impact_seq", "finish_seq")
# Rotated and mirrored recordings are fed as they come out, so nothing in them may be at a stop.
ROOMY: dict[str, Any] = {"gyr_range_dps": 4000.0, "acc_range_g": 200.0}


def finder_for(swing: SimulatedSwing, **options: Any) -> SwingFinder:
    """Return a finder that knows of the sensor what a recording says of it."""
    known: dict[str, Any] = {
        "rate_hz": swing.nominal_rate_hz,
        "mount": swing.mount,
        "gyr_range_dps": swing.gyr_range_dps,
        "acc_range_g": swing.acc_range_g,
        "gyr_delay_s": swing.gyr_delay_s,
        "acc_delay_s": swing.acc_delay_s,
    }
    return SwingFinder(**{**known, **options})


def find(swing: SimulatedSwing, **options: Any) -> list[FoundSwing]:
    """Feed a whole recording at once."""
    finder = finder_for(swing, **options)
    return finder.feed(swing.seq, swing.acc_m_s2, swing.gyr_dps) + finder.flush()


def find_one(swing: SimulatedSwing, **options: Any) -> FoundSwing:
    """Find the only swing of a recording."""
    found = find(swing, **options)
    assert len(found) == 1, [f.anchor_seq for f in found]
    return found[0]


def join(first: SimulatedSwing, second: SimulatedSwing) -> SimulatedSwing:
    """Put one recording behind the other; the sensor was taken up anew in between."""
    return replace(
        first,
        seq=np.concatenate([first.seq, second.seq + first.seq[-1] + 1]),
        acc_m_s2=np.concatenate([first.acc_m_s2, second.acc_m_s2]),
        gyr_dps=np.concatenate([first.gyr_dps, second.gyr_dps]),
        truth=(),
    )


def without(swing: SimulatedSwing, a: float, b: float) -> SimulatedSwing:
    """Leave out the samples with a <= seq <= b."""
    keep = (swing.seq < a) | (swing.seq > b)
    return replace(
        swing,
        seq=swing.seq[keep],
        acc_m_s2=swing.acc_m_s2[keep],
        gyr_dps=swing.gyr_dps[keep],
    )


def two_swings(rate_hz: float = 200.0) -> SimulatedSwing:
    """About 15 s with a strike and a rehearsal."""
    return join(
        simulate_swing(11, rate_hz=rate_hz, strike=True, **ROOMY),
        simulate_swing(12, rate_hz=rate_hz, strike=False, model="chain", **ROOMY),
    )
