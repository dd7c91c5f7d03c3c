"""What the finder returns: swings in sample numbers, and the same swings in seconds."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass, field, fields
from typing import Any

import numpy as np

from analysis.uncertainty import (
    CLOCK,
    RULE,
    SOURCES,
    Budget,
    Part,
    combined,
    make_parts,
    propagate,
)

__all__ = ["Budget", "FoundSwing", "Note", "Part", "Swing", "to_seconds"]

ANALYSIS_VERSION = "2"
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
    budget: Budget = field(default_factory=dict)
    """Parts of each uncertainty, by the name of the quantity's field (``"turn_deg"``)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Swing:
    """A swing in seconds; the fields of ``unhurried analyze --json``, and ``budget`` beside them.

    Times of events are on the recording's own clock; how well its seconds are known is in the
    durations.
    """

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
    budget: Budget = field(default_factory=dict)
    """Parts of each uncertainty, by the name of the quantity's field (``"swing_ms"``). The root of
    the sum of their squares is the quantity's ``_u``."""

    def as_dict(self) -> dict[str, object]:
        """Plain values for JSON, in the order of the fields; without the budget."""
        out = {f.name: getattr(self, f.name) for f in fields(self) if f.name != "budget"}
        out["clipped"] = list(self.clipped)
        out["notes"] = [asdict(n) for n in self.notes]
        return out


# Name in `Swing`, the events it is computed from (see `_spans`).
_SPANS = {
    "backswing_ms": ("takeaway_seq", "top_seq"),
    "downswing_ms": ("top_seq", "impact_seq"),
    "swing_ms": ("takeaway_seq", "impact_seq"),
    "tempo_ratio": ("takeaway_seq", "top_seq", "impact_seq"),
}
_U = {
    "takeaway_seq": "takeaway_u",
    "top_seq": "top_u",
    "impact_seq": "impact_u",
    "finish_seq": "finish_u",
    "turn_deg": "turn_u",
    "peak_rate_dps": "peak_rate_u",
    "peak_transverse_dps": "peak_transverse_u",
    "peak_to_impact_samples": "peak_to_impact_u",
    "top_dwell_samples": "top_dwell_u",
}


def _parts_of(found: FoundSwing, name: str) -> tuple[Part, ...]:
    """Parts of a quantity of `FoundSwing`; all of it is the rule's where they aren't stated."""
    u = getattr(found, _U[name])
    if getattr(found, name) is None or u is None:
        return ()
    stated = found.budget.get(name, ())
    return stated if stated else (Part(RULE, float(u)),)


def _spans(
    found: FoundSwing, period_ms: float, rel: float
) -> dict[str, tuple[float, tuple[Part, ...]]]:
    """Durations and their ratio: value and parts of those whose events are known.

    They are computed from the same three events, so their errors hang together: the events are
    the inputs, and each source passes on through the same matrix of derivatives (JCGM 100, 5.2;
    equation (13)). The clock's period is a fourth input, which the ratio doesn't feel.
    """
    events = ("takeaway_seq", "top_seq", "impact_seq")
    at = {name: getattr(found, name) for name in events}
    parts = {name: _parts_of(found, name) for name in events}
    known = [name for name in events if parts[name]]
    value: dict[str, float] = {}
    rows: dict[str, list[float]] = {}
    for name, needs in _SPANS.items():
        if not all(event in known for event in needs):
            continue
        a, b = at[needs[0]], at[needs[-1]]
        if name != "tempo_ratio":
            value[name] = (b - a) * period_ms
            sign = {needs[0]: -period_ms, needs[-1]: period_ms}
        else:
            down = at["impact_seq"] - at["top_seq"]
            if down <= 0:
                continue
            r = value[name] = (at["top_seq"] - at["takeaway_seq"]) / down
            sign = {
                "takeaway_seq": -1.0 / down,
                "top_seq": (1.0 + r) / down,
                "impact_seq": -r / down,
            }
        rows[name] = [sign.get(event, 0.0) for event in known]
    if not rows:
        return {}
    names = list(rows)
    by_source: dict[str, dict[str, float]] = {name: {} for name in names}
    for source in SOURCES:
        u = [sum(p.u**2 for p in parts[event] if p.source == source) for event in known]
        if any(u):
            variance = np.diag(propagate([rows[name] for name in names], np.diag(u)))
            for name, x in zip(names, variance, strict=True):
                by_source[name][source] = float(np.sqrt(x))
    for name in names:
        if name != "tempo_ratio":
            by_source[name][CLOCK] = abs(value[name]) * rel
    return {name: (value[name], make_parts(by_source[name])) for name in names}


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
    rel = period_u_s / period_s
    numbers: dict[str, Any] = {}
    budget: dict[str, tuple[Part, ...]] = {}

    def put(name: str, value: float | None, parts: tuple[Part, ...]) -> None:
        there = value is not None and bool(parts)
        numbers[name] = value if there else None
        numbers[f"{name}_u"] = combined(parts) if there else None
        if there:
            budget[name] = parts

    for event in ("takeaway", "top", "impact", "finish"):
        seq = getattr(found, f"{event}_seq")
        put(
            f"{event}_s",
            None if seq is None else float(time_of_seq(seq)),
            _scaled(_parts_of(found, f"{event}_seq"), period_s),
        )
    spans = _spans(found, period_s * 1e3, rel)
    for name in _SPANS:
        put(name, *spans.get(name, (None, ())))
    stretch = period_s * nominal_rate_hz
    for name, of, factor, clock in (
        ("turn_deg", "turn_deg", stretch, True),
        ("peak_rate_dps", "peak_rate_dps", 1.0, False),
        ("peak_transverse_dps", "peak_transverse_dps", 1.0, False),
        ("peak_to_impact_ms", "peak_to_impact_samples", period_s * 1e3, True),
        # Its 2 deg were those of the nominal rate: near the top the turn is a parabola.
        ("top_dwell_ms", "top_dwell_samples", period_s * 1e3 / float(np.sqrt(stretch)), True),
    ):
        x = getattr(found, of)
        value = None if x is None else x * factor
        parts = _scaled(_parts_of(found, of), factor)
        if value is not None and parts and clock:
            by = {part.source: part.u for part in parts} | {CLOCK: rel * abs(value)}
            parts = make_parts(by)
        put(name, value, parts)
    return Swing(
        index=index,
        strike=found.strike,
        impact_basis=found.impact_basis,
        gap_ms=found.gap_samples * period_s * 1e3,
        clipped=found.clipped,
        notes=found.notes,
        budget=budget,
        **numbers,
    )


def _scaled(parts: tuple[Part, ...], factor: float) -> tuple[Part, ...]:
    return tuple(Part(p.source, p.u * factor, p.shared) for p in parts)
