"""Rows of swings for the tests of the evidence."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from analysis.evidence.spread import SessionData, SwingRow

Array = npt.NDArray[np.float64]


def rows_of(
    session: str, values: Mapping[str, Sequence[float] | Array], kind: Any = "strike", **more: Any
) -> list[SwingRow]:
    """Make rows of a session; ``kind`` and ``block`` may be one for all or a sequence."""
    n = len(next(iter(values.values())))
    start = more.pop("start", 0)

    def each(given: Any, k: int) -> Any:
        return given[k] if isinstance(given, (list, tuple, np.ndarray)) else given

    defaults: dict[str, Any] = {"player": "Ida", "club": "driver", "mount": "wrist", "sensor": "a"}
    return [
        SwingRow(
            swing_id=f"{session}#{start + k + 1}",
            session_id=session,
            order=start + k,
            kind=each(kind, k),
            values={name: float(v[k]) for name, v in values.items()},
            **{**defaults, **{name: each(given, k) for name, given in more.items()}},
        )
        for k in range(n)
    ]


def data_of(*sessions: Sequence[float] | Array, sensor: str = "a") -> list[SessionData]:
    """Make sessions of plain numbers."""
    return [
        SessionData(session_id=f"{sensor}{k}", values=np.asarray(x, dtype=float), sensor=sensor)
        for k, x in enumerate(sessions)
    ]


def swing_numbers(
    rng: np.random.Generator,
    n: int,
    *,
    backswing_ms: float = 700.0,
    turn_deg: float = 140.0,
    peak_rate_dps: float = 950.0,
    spread: float = 1.0,
) -> dict[str, Array]:
    """Draw plain normal numbers of a session, its own level included."""
    level = rng.normal(size=3)
    return {
        "backswing_ms": backswing_ms + spread * (5 * level[0] + 25 * rng.normal(size=n)),
        "turn_deg": turn_deg + spread * (1 * level[1] + 4 * rng.normal(size=n)),
        "peak_rate_dps": peak_rate_dps + spread * (6 * level[2] + 30 * rng.normal(size=n)),
    }
