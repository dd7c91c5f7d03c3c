"""What the finder returns: swings in sample numbers, and the same swings in seconds."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field, fields, replace
from typing import Any, Final

import numpy as np

from analysis.swing.uncertainty import (
    CLOCK,
    DELAY,
    RULE,
    SAMPLING,
    SOURCES,
    Budget,
    Part,
    combined,
    make_parts,
    propagate,
)

ANALYSIS_VERSION = "3"
"""Raised whenever a change moves numbers (see CHANGELOG.md)."""


INNER: Final = ("budget", "scale_growth")
"""Fields of `Swing` that aren't in its document: what comparisons are made from."""


RATE_BOUND: Final = "rate_lower_bound"
"""Code of the note of a swing whose peak rate is only known as "at least"."""


@dataclass(frozen=True, slots=True)
class Note:
    """Why a number is absent or doubtful; ``code`` for programs, ``text`` for people."""

    code: str
    text: str


@dataclass(frozen=True, slots=True)
class Candidate:
    """What nearly passed for a swing: where, how likely it is one, and what speaks against it.

    Attributes
    ----------
    at_seq : int
        Sample about its fastest rotation.
    swing_p : float
    why : tuple of str
        Codes, the weightiest first: figures of `analysis.swing.score`, or ``"hands"``.
    """

    at_seq: int
    swing_p: float
    why: tuple[str, ...]


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
    swing_p: float | None = None
    """Probability that it is a swing at all."""
    strike_p: float | None = None
    """Probability of a ball, at even odds beforehand."""
    ball_seen_p: float = 0.0
    """Probability that a ball would have been seen."""
    scale_growth: Mapping[str, tuple[float, float, float]] = field(default_factory=dict)
    """As in `Swing`."""
    pause_samples: float | None = None
    pause_u: float | None = None
    transition_samples: float | None = None
    transition_u: float | None = None
    bounds: tuple[str, ...] = ()
    """Quantities that are only known as "at least"."""
    zero_dps: tuple[float, float, float] | None = None
    """The gyroscope's zero that it was measured with."""


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
    swing_p: float | None = None
    """Probability that it is a swing at all, at even odds among what looks like one."""
    strike_p: float | None = None
    """Probability that a ball was struck, at even odds beforehand, by what the sensor felt alone;
    None where the motion isn't on record where a ball would have been met."""
    pause_ms: float | None = None
    pause_ms_u: float | None = None
    """For how long the segment stands still at the top; nothing in a plain reversal."""
    transition_ms: float | None = None
    transition_ms_u: float | None = None
    """From the top until a tenth of the turn has come back."""
    bounds: tuple[str, ...] = ()
    """Measures that are only known as "at least": a stop or a hole hides the rest."""
    zero_dps: tuple[float, float, float] | None = None
    """The gyroscope's zero by axis that it was measured with: curves are drawn with the same."""
    budget: Budget = field(default_factory=dict)
    """Parts of each uncertainty, by the name of the quantity's field (``"swing_ms"``). The root of
    the sum of their squares is the quantity's ``_u``."""
    scale_growth: Mapping[str, tuple[float, float, float]] = field(default_factory=dict)
    """By quantity: by how much it grows for an error of 1 of the scale of each of the gyroscope's
    axes. What isn't in it isn't known by axis."""

    def as_dict(self) -> dict[str, object]:
        """Plain values for JSON, in the order of the fields; without the budget."""
        out = {f.name: getattr(self, f.name) for f in fields(self) if f.name not in INNER}
        out["clipped"] = list(self.clipped)
        out["notes"] = [asdict(n) for n in self.notes]
        out["bounds"] = list(self.bounds)
        out["zero_dps"] = None if self.zero_dps is None else list(self.zero_dps)
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
    "pause_samples": "pause_u",
    "transition_samples": "transition_u",
}


def is_bound(swing: Swing, measure: str = "peak_rate_dps") -> bool:
    """Whether a number is only known as "at least"."""
    return measure == "peak_rate_dps" and any(n.code == RATE_BOUND for n in swing.notes)


def _parts_of(found: FoundSwing, name: str) -> tuple[Part, ...]:
    """Parts of a quantity of `FoundSwing`; all of it is the rule's where they aren't stated."""
    u = getattr(found, _U[name])
    if getattr(found, name) is None or u is None:
        return ()
    stated = found.budget.get(name, ())
    return stated if stated else (Part(RULE, float(u)),)


SHOCK: Final = "shock"
"""`impact_basis` of an impact that is told by the accelerometer's shock: the gyroscope's filter
delays all other events alike, and this one hardly."""


def _delayed(found: FoundSwing, event: str) -> bool:
    """Whether a delay of the gyroscope's filter shifts an event."""
    return event != "impact_seq" or found.impact_basis != SHOCK


def _spans(
    found: FoundSwing, period_ms: float, rel: float, delay_u: float
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
        # What shifts all delayed events alike is left only where one isn't.
        shift = sum(d for event, d in zip(known, rows[name], strict=True) if _delayed(found, event))
        by_source[name][DELAY] = abs(shift) * delay_u
    return {name: (value[name], make_parts(by_source[name])) for name in names}


def to_seconds(
    found: FoundSwing,
    time_of_seq: Callable[[float], float],
    *,
    index: int,
    period_s: float,
    period_u_s: float,
    nominal_rate_hz: float,
    gyr_delay_u_s: float = 0.0,
    time_u_s: float = 0.0,
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
    gyr_delay_u_s : float
        Standard uncertainty of the delay of the gyroscope's own filter.
    time_u_s : float
        Standard uncertainty of a sample's time, where stamps leave it open.

    Returns
    -------
    Swing
    """
    found, rel = _with_time_u(found, time_u_s / period_s), period_u_s / period_s
    stretch = period_s * nominal_rate_hz
    reported: dict[str, tuple[float | None, tuple[Part, ...]]] = {
        **_times(found, time_of_seq, period_s, gyr_delay_u_s),
        **dict.fromkeys(_SPANS, (None, ())),
        **_spans(found, period_s * 1e3, rel, gyr_delay_u_s / period_s),
        **_sizes(found, period_s, stretch, rel, gyr_delay_u_s),
    }
    budget = {
        name: parts for name, (value, parts) in reported.items() if value is not None and parts
    }
    numbers: dict[str, Any] = {}
    for name, (value, parts) in reported.items():
        numbers[name] = value if name in budget else None
        numbers[f"{name}_u"] = combined(parts) if name in budget else None
    return Swing(
        index=index,
        strike=found.strike,
        impact_basis=found.impact_basis,
        gap_ms=found.gap_samples * period_s * 1e3,
        clipped=found.clipped,
        notes=found.notes,
        swing_p=_kept(found.swing_p),
        strike_p=_kept(found.strike_p),
        bounds=found.bounds,
        zero_dps=found.zero_dps,
        budget=budget,
        scale_growth=_growth(found, stretch),
        **numbers,
    )


def _times(
    found: FoundSwing,
    time_of_seq: Callable[[float], float],
    period_s: float,
    gyr_delay_u_s: float,
) -> dict[str, tuple[float | None, tuple[Part, ...]]]:
    """Events in seconds, with their parts."""
    out = {}
    for event in ("takeaway", "top", "impact", "finish"):
        name = f"{event}_seq"
        seq = getattr(found, name)
        out[f"{event}_s"] = (
            None if seq is None else float(time_of_seq(seq)),
            _with_delay(
                _scaled(_parts_of(found, name), period_s),
                gyr_delay_u_s if _delayed(found, name) else 0.0,
            ),
        )
    return out


def _sizes(
    found: FoundSwing, period_s: float, stretch: float, rel: float, gyr_delay_u_s: float
) -> dict[str, tuple[float | None, tuple[Part, ...]]]:
    """Turn, rates and times that aren't between events, with their parts."""
    out = {}
    for name, of, factor, clock in (
        ("turn_deg", "turn_deg", stretch, True),
        ("peak_rate_dps", "peak_rate_dps", 1.0, False),
        ("peak_transverse_dps", "peak_transverse_dps", 1.0, False),
        ("peak_to_impact_ms", "peak_to_impact_samples", period_s * 1e3, True),
        ("pause_ms", "pause_samples", period_s * 1e3, True),
        ("transition_ms", "transition_samples", period_s * 1e3, True),
        # Its 2 deg were those of the nominal rate: near the top the turn is a parabola.
        ("top_dwell_ms", "top_dwell_samples", period_s * 1e3 / float(np.sqrt(stretch)), True),
    ):
        x = getattr(found, of)
        value = None if x is None else x * factor
        parts = _scaled(_parts_of(found, of), factor)
        if value is not None and parts and clock:
            by = {part.source: part.u for part in parts} | {CLOCK: rel * abs(value)}
            parts = make_parts(by)
        if name == "peak_to_impact_ms" and not _delayed(found, "impact_seq"):
            parts = _with_delay(parts, gyr_delay_u_s * 1e3)
        out[name] = (value, parts)
    return out


def _kept(p: float | None) -> float | None:
    """A probability to as many digits as it is worth."""
    return None if p is None else round(p, 4)


def _growth(found: FoundSwing, stretch: float) -> dict[str, tuple[float, float, float]]:
    """How numbers grow with the scale of each axis, on the recording's clock."""
    return {
        name: (x * factor, y * factor, z * factor)
        for name, (x, y, z) in found.scale_growth.items()
        for factor in (stretch if name == "turn_deg" else 1.0,)
    }


def _with_delay(parts: tuple[Part, ...], u: float) -> tuple[Part, ...]:
    """Add what an unknown delay of the gyroscope's filter gives."""
    if not parts or u <= 0.0:
        return parts
    return make_parts({part.source: part.u for part in parts} | {DELAY: u})


def _with_time_u(found: FoundSwing, samples_u: float) -> FoundSwing:
    """Return the swing with so much more uncertainty, in samples, of each event."""
    if not samples_u > 0.0:
        return found
    budget = dict(found.budget)
    for event in ("takeaway_seq", "top_seq", "impact_seq", "finish_seq"):
        if parts := _parts_of(found, event):
            by = {part.source: part.u for part in parts}
            by[SAMPLING] = float(np.hypot(by.get(SAMPLING, 0.0), samples_u))
            budget[event] = make_parts(by)
    begin, top, turn = found.takeaway_seq, found.top_seq, found.turn_deg
    if begin is not None and top is not None and turn is not None and top > begin:
        # A sample that is missing unseen takes a sample's share of the turn with it.
        by = {part.source: part.u for part in _parts_of(found, "turn_deg")}
        if by:
            missed_deg = abs(turn) / (top - begin) * samples_u
            by[SAMPLING] = float(np.hypot(by.get(SAMPLING, 0.0), missed_deg))
            budget["turn_deg"] = make_parts(by)
    return replace(found, budget=budget)


def _scaled(parts: tuple[Part, ...], factor: float) -> tuple[Part, ...]:
    return tuple(Part(p.source, p.u * factor, p.shared) for p in parts)
