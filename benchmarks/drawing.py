"""Recordings of one swing each, as the benchmarks of accuracy and of calibration draw them."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from analysis import FoundSwing, SwingFinder
from simulation.motion.action import KINDS, Kind, Model, Mount
from simulation.sessions import SimulatedSwing, simulate_swing

__all__ = ["HARD", "RATES_HZ", "REHEARSALS", "STRIKES", "Case", "draw_case", "found_in"]

RATES_HZ = (200.0, 400.0, 800.0)
STRIKES: tuple[Kind, ...] = ("full", "part", "rushed")
REHEARSALS: tuple[Kind, ...] = tuple(kind for kind in KINDS if kind not in ("aborted", "short"))
HARD: dict[str, dict[str, Any]] = {
    "100 Hz": {"rate_hz": 100.0},
    "losses": {"loss": 0.03, "rate_error": 0.02},
    "tremor": {"tremor_factor": 3.0},
    "clipped": {"clip_gyr": True, "acc_range_g": 8.0},
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One recording to simulate."""

    seed: int
    hard: str | None
    """A name in `HARD`; None: easy."""

    model: Model
    mount: Mount
    kind: Kind
    strike: bool
    options: dict[str, Any] = field(default_factory=dict)

    def simulate(self) -> SimulatedSwing:
        """Make the recording."""
        return simulate_swing(
            self.seed,
            model=self.model,
            mount=self.mount,
            kind=self.kind,
            strike=self.strike,
            **self.options,
        )


def draw_case(
    seed: int,
    stream: int,
    *,
    hard: str | None,
    model: Model,
    mount: Mount,
    kind: Kind,
    strike: bool,
    scale_error: bool = False,
) -> Case:
    """Draw rate, hand and the sign of an error of the rate.

    Parameters
    ----------
    seed : int
        Of the recording.
    stream : int
        Another for each benchmark, so that they draw apart from each other.
    hard, model, mount, kind, strike
        As `Case` has them.
    scale_error : bool
        The gyroscope has one.
    """
    rng = np.random.default_rng([seed, stream])
    options: dict[str, Any] = {
        "rate_hz": float(rng.choice(RATES_HZ)),
        "handedness": str(rng.choice(["right", "left"])),
        "scale_error": scale_error,
        **HARD.get(hard or "", {}),
    }
    if "rate_error" in options:
        options["rate_error"] *= float(rng.choice([-1.0, 1.0]))
    return Case(
        seed=seed,
        hard=hard,
        model=model,
        mount=mount,
        kind=kind,
        strike=strike,
        options=options,
    )


def found_in(swing: SimulatedSwing, **more: Any) -> list[FoundSwing]:
    """Run the swing finder over a recording; `more` goes to `SwingFinder`."""
    finder = SwingFinder(
        rate_hz=swing.nominal_rate_hz,
        mount=swing.mount,
        gyr_range_dps=swing.gyr_range_dps,
        acc_range_g=swing.acc_range_g,
        gyr_delay_s=swing.gyr_delay_s,
        acc_delay_s=swing.acc_delay_s,
        **more,
    )
    return finder.feed(swing.seq, swing.acc_m_s2, swing.gyr_dps) + finder.flush()
