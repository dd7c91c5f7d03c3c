"""One measured number: its value, the parts of its uncertainty, and what has to be said of it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from analysis.swing.results import Note

INTERPOLATION = 0.05
"""Samples: what the interpolation between two of them leaves."""


@dataclass(slots=True)
class Measured:
    """A number of one swing.

    Attributes
    ----------
    value : float or None
        None: it can't be measured; a note says why.
    parts : dict
        Standard uncertainties by source, in the unit of the value.
    notes : list of Note
    bound : bool
        The value is only known as "at least".
    """

    value: float | None
    parts: dict[str, float] = field(default_factory=dict)
    notes: list[Note] = field(default_factory=list)
    bound: bool = False


def both(a: dict[str, float], b: dict[str, float]) -> dict[str, float]:
    """Parts of a sum or difference of two independent quantities."""
    return {k: float(np.hypot(a.get(k, 0.0), b.get(k, 0.0))) for k in {**a, **b}}


def per_dps(slope: float, most: float) -> float:
    """Samples by which a zero of the turn rate moves for each deg/s of error, ``most`` at most."""
    return min(1.0 / max(abs(slope), 1e-6), most)
