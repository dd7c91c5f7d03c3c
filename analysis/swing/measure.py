"""Measure one swing sample by sample: its events, turn and rate, each with its uncertainty.

The events are defined physically first (see README.md here, "What is measured"), one module each:
`takeaway`, `top`, `impact`, `peak` and `finish`. Each of their functions takes the prepared samples
(`samples`) and gives value, parts of the uncertainty and notes (`measured`); here they are put
together.

Every threshold is a field of the module's parameters, its reason beside it. Among them are sizes
that one sensor can't tell by itself. Those marked "fitted" were set once, all mounts and kinds
together, so that simulated swings of both motion models (seeds 240000-345000) are covered as often
as stated; `benchmarks/calibration.py` checks them on others.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from analysis.swing.finish import FinishParams, measure_finish
from analysis.swing.impact import Impact, ImpactParams, measure_impact
from analysis.swing.measured import Measured
from analysis.swing.peak import PeakParams, measure_across, measure_peak
from analysis.swing.results import FoundSwing, Note
from analysis.swing.samples import TREMOR_HZ, Conditions, SampleParams, Samples, Window, prepare
from analysis.swing.takeaway import TakeawayParams, measure_takeaway
from analysis.swing.top import TopParams, find_top, measure_dwell, measure_top, measure_turn
from analysis.swing.transition import TransitionParams, measure_pause, measure_transition
from analysis.swing.turn import TurnParams, turn_since
from analysis.swing.uncertainty import combined, make_parts

AFTER_IMPACT_S = 0.06
"""Where the impact isn't known, missing samples count up to so long after the least turn."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasureParams:
    """What each event is measured with."""

    samples: SampleParams = field(default_factory=SampleParams)
    takeaway: TakeawayParams = field(default_factory=TakeawayParams)
    turn: TurnParams = field(default_factory=TurnParams)
    top: TopParams = field(default_factory=TopParams)
    transition: TransitionParams = field(default_factory=TransitionParams)
    impact: ImpactParams = field(default_factory=ImpactParams)
    peak: PeakParams = field(default_factory=PeakParams)
    finish: FinishParams = field(default_factory=FinishParams)


def measure(
    window: Window,
    rough: Mapping[str, int],
    c: Conditions,
    *,
    rally: bool = False,
    params: MeasureParams | None = None,
) -> FoundSwing | None:
    """Measure the swing outlined by ``rough`` in ``window``.

    Parameters
    ----------
    window : Window
    rough : mapping
        Sample numbers in the window of the outline's ``start``, ``top``, ``peak``, ``least``.
    c : Conditions
    rally : bool
        It begins soon after another swing has ended: back-and-forth rehearsals.
    params : MeasureParams, optional

    Returns
    -------
    FoundSwing or None
        None where, looked at closely, there is no backswing and return.
    """
    p = params or MeasureParams()
    s = prepare(window, rough, c, p.samples)
    if s.top + 1 - max(0, s.start) < 3:
        return None
    rise, takeaway = measure_takeaway(s, p.takeaway)
    turn = turn_since(s, rise.at if rise is not None else float(max(0, s.start)))
    if turn is None:
        return None
    top = find_top(s, turn, p.top)
    top_at = measure_top(s, turn, top, p.top)
    turn_deg, turn_growth = measure_turn(
        s, turn, top, p.turn, sway_dps=p.takeaway.sway_dps, tremor_hz=TREMOR_HZ
    )
    if rise is None:
        turn_deg.value = None
    impact = measure_impact(s, turn, top, turn_deg.parts, p.impact, p.turn, rally=rally)
    top_sample = top.sample + turn.first
    back = s.least > top_sample or impact.basis == "shock"
    if not back or min(impact.end, len(s.gyr_dps)) - top_sample < 2:
        return None  # looked at closely, nothing comes down
    peak = measure_peak(s, top_sample, impact, p.peak)
    measured = {
        "takeaway_seq": takeaway,
        "top_seq": top_at,
        "impact_seq": impact.at,
        "turn_deg": turn_deg,
        "peak_rate_dps": peak.rate,
        "peak_to_impact_samples": peak.to_impact,
        "peak_transverse_dps": measure_across(s, turn, top_sample, impact.end, peak, p.peak),
        "finish_seq": measure_finish(s, impact, peak, p.finish),
        "pause_samples": measure_pause(s, top, top_at, p.transition, p.top),
        "transition_samples": measure_transition(s, turn, top, top_at, p.transition, p.turn),
        "top_dwell_samples": measure_dwell(s, turn, top, p.top, known=top_at.value is not None),
    }
    growth = {"turn_deg": turn_growth, "peak_rate_dps": peak.growth}
    return _put_together(
        s,
        impact,
        measured,
        missing=_missing(s, turn.origin, impact),
        scale_growth={
            name: (float(by_axis[0]), float(by_axis[1]), float(by_axis[2]))
            for name, by_axis in growth.items()
            if measured[name].value is not None
        },
    )


def _missing(s: Samples, origin: float, impact: Impact) -> int:
    """Samples that are missing between takeaway and impact."""
    end = impact.stop_at
    if impact.at.value is None:
        end += AFTER_IMPACT_S * s.rate_hz
    return int((~s.whole[max(0, int(origin)) : int(end) + 1]).sum())


def _put_together(
    s: Samples,
    impact: Impact,
    measured: Mapping[str, Measured],
    *,
    missing: int,
    scale_growth: Mapping[str, tuple[float, float, float]],
) -> FoundSwing:
    """Make a swing of its numbers: positions become sample numbers, undelayed."""
    delay = s.conditions.gyr_delay_s * s.rate_hz
    value: dict[str, float | None] = {}
    for name, one in measured.items():
        x = one.value
        if x is not None and name.endswith("_seq"):
            # A shock's onset is hardly delayed by the chip's filter.
            by_shock = name == "impact_seq" and impact.basis == "shock"
            x = float(s.first_seq + x - (0.0 if by_shock else delay))
        value[name] = x
    budget = {
        name: make_parts(one.parts) for name, one in measured.items() if one.value is not None
    }
    u = {name: combined(parts) for name, parts in budget.items()}
    notes = [note for one in measured.values() for note in one.notes]
    if missing:
        notes.append(Note("gap", "samples are missing inside the swing"))
    if s.clipped:
        notes.append(Note("clipped", "the sensor was at its limit on some axis"))
    return FoundSwing(
        takeaway_seq=value["takeaway_seq"],
        takeaway_u=u.get("takeaway_seq"),
        top_seq=value["top_seq"],
        top_u=u.get("top_seq"),
        impact_seq=value["impact_seq"],
        impact_u=u.get("impact_seq"),
        finish_seq=value["finish_seq"],
        finish_u=u.get("finish_seq"),
        strike=impact.strike,
        strike_p=impact.named.p,
        ball_seen_p=impact.named.seen_p,
        impact_basis=impact.basis if impact.at.value is not None else None,
        turn_deg=value["turn_deg"],
        turn_u=u.get("turn_deg"),
        peak_rate_dps=value["peak_rate_dps"],
        peak_rate_u=u.get("peak_rate_dps"),
        peak_transverse_dps=value["peak_transverse_dps"],
        peak_transverse_u=u.get("peak_transverse_dps"),
        peak_to_impact_samples=value["peak_to_impact_samples"],
        peak_to_impact_u=u.get("peak_to_impact_samples"),
        top_dwell_samples=value["top_dwell_samples"],
        top_dwell_u=u.get("top_dwell_samples"),
        gap_samples=missing,
        clipped=s.clipped,
        notes=tuple(notes),
        anchor_seq=int(s.first_seq + s.peak),
        budget=budget,
        scale_growth=scale_growth,
        pause_samples=value["pause_samples"],
        pause_u=u.get("pause_samples"),
        transition_samples=value["transition_samples"],
        transition_u=u.get("transition_samples"),
        bounds=tuple(name for name, one in measured.items() if one.bound),
        zero_dps=(float(s.zero_dps[0]), float(s.zero_dps[1]), float(s.zero_dps[2])),
    )
