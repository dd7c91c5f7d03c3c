"""What the finder returns: swings in sample numbers, and the same swings in seconds."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass, field, fields

import numpy as np

__all__ = ["FoundSwing", "Note", "Swing", "to_seconds"]

ANALYSIS_VERSION = "1"
"""Raised whenever a change moves numbers (see CHANGELOG.md)."""


@dataclass(frozen=True, slots=True)
class Note:
    """Why a number is absent or doubtful; ``code`` for programs, ``text`` for people."""

    code: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundSwing:
    """A swing on the sample index at the nominal rate.

    Positions are sample numbers (fractions allowed); ``_u`` is a standard uncertainty (k = 1).
    None is "cannot be measured", with a note that says why.
    """

    takeaway_seq: float | None
    takeaway_u: float | None
    top_seq: float | None
    top_u: float | None
    impact_seq: float | None
    impact_u: float | None
    finish_seq: float | None
    finish_u: float | None
    strike: bool | None
    impact_basis: str | None
    turn_deg: float | None
    turn_u: float | None
    peak_rate_dps: float | None
    peak_rate_u: float | None
    peak_transverse_dps: float | None
    peak_transverse_u: float | None
    peak_to_impact_samples: float | None
    peak_to_impact_u: float | None
    top_dwell_samples: float | None
    top_dwell_u: float | None
    gap_samples: int
    clipped: tuple[str, ...]
    notes: tuple[Note, ...] = ()
    anchor_seq: int = 0
    """Fastest coarse block: where in the recording the swing is, whatever could be measured."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Swing:
    """A swing in seconds; exactly the fields of ``unhurried analyze --json``."""

    index: int
    player: str | None = None
    handedness: str | None = None
    club: str | None = None
    intent: str | None = None
    takeaway_s: float | None
    takeaway_s_u: float | None
    top_s: float | None
    top_s_u: float | None
    impact_s: float | None
    impact_s_u: float | None
    finish_s: float | None
    finish_s_u: float | None
    strike: bool | None
    impact_basis: str | None
    backswing_ms: float | None
    backswing_ms_u: float | None
    downswing_ms: float | None
    downswing_ms_u: float | None
    swing_ms: float | None
    swing_ms_u: float | None
    tempo_ratio: float | None
    tempo_ratio_u: float | None
    turn_deg: float | None
    turn_deg_u: float | None
    peak_rate_dps: float | None
    peak_rate_dps_u: float | None
    peak_transverse_dps: float | None
    peak_transverse_dps_u: float | None
    peak_to_impact_ms: float | None
    peak_to_impact_ms_u: float | None
    top_dwell_ms: float | None
    top_dwell_ms_u: float | None
    gap_ms: float
    clipped: tuple[str, ...]
    notes: tuple[Note, ...] = field(default=())

    def as_dict(self) -> dict[str, object]:
        """Plain values for JSON, in the order of the fields."""
        out = {f.name: getattr(self, f.name) for f in fields(self)}
        out["clipped"] = list(self.clipped)
        out["notes"] = [asdict(n) for n in self.notes]
        return out


def to_seconds(
    found: FoundSwing,
    time_of_seq: Callable[[float], float],
    *,
    index: int,
    period_s: float,
    period_u_s: float,
    nominal_rate_hz: float,
) -> Swing:
    """Put a swing on the recording's clock.

    Durations scale with the true sample period and so does the turn, which is an integral over
    time; rates don't.

    Parameters
    ----------
    found : FoundSwing
    time_of_seq : callable
        Seconds from the recording's first sample for a (fractional) sample number.
    index : int
        Number of the swing in the recording, from 1.
    period_s, period_u_s : float
        Sample period and its standard uncertainty.
    nominal_rate_hz : float
        The rate at which the finder ran.

    Returns
    -------
    Swing
    """
    stretch = period_s * nominal_rate_hz
    rel = period_u_s / period_s

    def at(seq: float | None) -> float | None:
        return None if seq is None else float(time_of_seq(seq))

    def span(
        a: float | None, b: float | None, ua: float | None, ub: float | None
    ) -> tuple[float | None, float | None]:
        if a is None or b is None or ua is None or ub is None:
            return None, None
        ms = (b - a) * period_s * 1e3
        return ms, float(np.sqrt((ua**2 + ub**2) * (period_s * 1e3) ** 2 + (ms * rel) ** 2))

    f = found
    back, back_u = span(f.takeaway_seq, f.top_seq, f.takeaway_u, f.top_u)
    down, down_u = span(f.top_seq, f.impact_seq, f.top_u, f.impact_u)
    whole, whole_u = span(f.takeaway_seq, f.impact_seq, f.takeaway_u, f.impact_u)
    ratio = ratio_u = None
    if back is not None and down is not None and down > 0:
        ratio = back / down
        assert f.takeaway_u is not None
        assert f.top_u is not None
        assert f.impact_u is not None
        # The durations share the top (JCGM 100, 5.1.2, with the events as inputs); the clock's
        # period cancels.
        ratio_u = float(
            np.sqrt(f.takeaway_u**2 + ((1 + ratio) * f.top_u) ** 2 + (ratio * f.impact_u) ** 2)
            * period_s
            * 1e3
            / down
        )

    def scaled(x: float | None, u: float | None) -> tuple[float | None, float | None]:
        if x is None or u is None:
            return None, None
        return x * stretch, float(np.hypot(u * stretch, x * stretch * rel))

    def ms_of(x: float | None) -> float | None:
        return None if x is None else x * period_s * 1e3

    turn, turn_u = scaled(f.turn_deg, f.turn_u)
    return Swing(
        index=index,
        takeaway_s=at(f.takeaway_seq),
        takeaway_s_u=None if f.takeaway_u is None else f.takeaway_u * period_s,
        top_s=at(f.top_seq),
        top_s_u=None if f.top_u is None else f.top_u * period_s,
        impact_s=at(f.impact_seq),
        impact_s_u=None if f.impact_u is None else f.impact_u * period_s,
        finish_s=at(f.finish_seq),
        finish_s_u=None if f.finish_u is None else f.finish_u * period_s,
        strike=f.strike,
        impact_basis=f.impact_basis,
        backswing_ms=back,
        backswing_ms_u=back_u,
        downswing_ms=down,
        downswing_ms_u=down_u,
        swing_ms=whole,
        swing_ms_u=whole_u,
        tempo_ratio=ratio,
        tempo_ratio_u=ratio_u,
        turn_deg=turn,
        turn_deg_u=turn_u,
        peak_rate_dps=f.peak_rate_dps,
        peak_rate_dps_u=f.peak_rate_u,
        peak_transverse_dps=f.peak_transverse_dps,
        peak_transverse_dps_u=f.peak_transverse_u,
        peak_to_impact_ms=ms_of(f.peak_to_impact_samples),
        peak_to_impact_ms_u=ms_of(f.peak_to_impact_u),
        top_dwell_ms=ms_of(f.top_dwell_samples),
        top_dwell_ms_u=ms_of(f.top_dwell_u),
        gap_ms=f.gap_samples * period_s * 1e3,
        clipped=f.clipped,
        notes=f.notes,
    )
