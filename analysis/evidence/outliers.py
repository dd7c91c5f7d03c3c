"""Swings that are far from the player's others, such as slow-motion ones."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from analysis.evidence.spread import SwingRow
from analysis.scatter import scaled_mad

FAR_SPREADS: Final = 4.0
FAR_SHARE: Final = 0.25
"""A swing is an outlier that lies, in turn, time of the backswing or peak rate, more than four
spreads and a quarter from the median of the others: done in slow motion, or a part of a swing.
Common practice, no source."""


def outliers(rows: Sequence[SwingRow]) -> tuple[str, ...]:
    """Name swings far from the others in turn, backswing or peak rate, such as slow-motion ones.

    Parameters
    ----------
    rows : sequence of SwingRow
        Of one kind and setting.

    Returns
    -------
    tuple of str
        None of fewer than five: then there are no others to be far from.
    """
    found: dict[str, None] = {}
    for measure in ("backswing_ms", "turn_deg", "peak_rate_dps"):
        there = [row for row in rows if measure in row.values]
        if len(there) < 5:
            continue
        values = np.array([row.values[measure] for row in there])
        median = float(np.median(values))
        off = np.abs(values - median)
        reach = max(FAR_SPREADS * scaled_mad(off), FAR_SHARE * abs(median))
        far = (row.swing_id for row, yes in zip(there, off > reach, strict=True) if yes)
        found.update(dict.fromkeys(far))
    return tuple(row.swing_id for row in rows if row.swing_id in found)
