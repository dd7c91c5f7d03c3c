"""The delay of a gyroscope's own filter: known, or a part of the uncertainty."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest
from scipy import signal, stats

from analysis.swing.results import FoundSwing, to_seconds
from analysis.swing.uncertainty import Part
from sensor.recording.session import (
    LEAST_DELAY_MS,
    MOST_DELAY_MS,
    UNKNOWN_DELAY_MS,
    UNKNOWN_DELAY_U_MS,
    Session,
    delay_of_cutoff_ms,
)


def session(**more: Any) -> Session:
    return Session.new(
        nominal_rate_hz=200.0, gyr_dps_per_count=0.06, acc_m_s2_per_count=0.005, **more
    )


@pytest.mark.parametrize("cutoff_hz", [20.0, 42.0, 98.0, 250.0])
def test_a_cutoffs_delay_is_that_of_a_second_order_butterworth(cutoff_hz: float) -> None:
    b, a = signal.butter(2, 2.0 * np.pi * cutoff_hz, analog=True)
    w, h = signal.freqs(b, a, [0.01, 0.02])
    slope = -(np.angle(h[1]) - np.angle(h[0])) / (w[1] - w[0])
    assert delay_of_cutoff_ms(cutoff_hz) == pytest.approx(1e3 * slope, rel=1e-6)


def test_the_unknown_one_is_at_least_rectangular() -> None:
    theirs = stats.uniform(LEAST_DELAY_MS, MOST_DELAY_MS - LEAST_DELAY_MS)
    assert pytest.approx(theirs.mean()) == UNKNOWN_DELAY_MS
    assert theirs.std() <= UNKNOWN_DELAY_U_MS


def test_zero_of_a_real_sensor_is_not_known() -> None:
    for delay in (None, 0.0):
        real = session(gyr_delay_ms=delay, sensor={"name": "one"})
        assert not real.gyr_delay_known
        assert real.gyr_delay_s == pytest.approx(UNKNOWN_DELAY_MS / 1e3)
        assert real.gyr_delay_u_s == pytest.approx(UNKNOWN_DELAY_U_MS / 1e3)
    simulated = session(gyr_delay_ms=0.0, sensor={"simulated": True})
    assert simulated.gyr_delay_known
    assert simulated.gyr_delay_s == simulated.gyr_delay_u_s == 0.0
    told = session(gyr_delay_ms=2.9, gyr_delay_u_ms=0.3, sensor={"name": "one"})
    assert (told.gyr_delay_s, told.gyr_delay_u_s) == pytest.approx((0.0029, 0.0003))
    with pytest.raises(ValueError, match="gyr_delay_u_ms"):
        session(gyr_delay_u_ms=-1.0)


@pytest.mark.parametrize(
    ("said", "wanted"), [(0.017, 0.017), (None, None), (0.0, None), (9.0, None), ("1 %", None)]
)
def test_the_scale_is_known_as_well_as_the_sensor_says(said: Any, wanted: float | None) -> None:
    sensor = {"name": "one"} | ({} if said is None else {"gyr_scale_u": said})
    assert session(sensor=sensor).gyr_scale_u == wanted


def found(basis: str) -> FoundSwing:
    empty = {
        item.name: None
        for item in dataclasses.fields(FoundSwing)
        if item.default is dataclasses.MISSING and item.default_factory is dataclasses.MISSING
    }
    events = {"takeaway_seq": 100.0, "top_seq": 240.0, "impact_seq": 300.0}
    return FoundSwing(
        **{
            **empty,
            **events,
            "takeaway_u": 0.5,
            "top_u": 0.5,
            "impact_u": 0.1,
            "impact_basis": basis,
            "strike": basis == "shock",
            "peak_to_impact_samples": 8.0,
            "peak_to_impact_u": 0.3,
            "gap_samples": 0,
            "clipped": (),
            "budget": {name: (Part("noise", 0.5),) for name in (*events, "peak_to_impact_samples")},
        }
    )


def test_it_moves_only_what_lies_between_a_delayed_event_and_the_shock() -> None:
    def delay(basis: str) -> dict[str, float]:
        swing = to_seconds(
            found(basis),
            lambda seq: seq / 200.0,
            index=1,
            period_s=0.005,
            period_u_s=0.0,
            nominal_rate_hz=200.0,
            gyr_delay_u_s=0.0026,
        )
        return {
            name: part.u
            for name, parts in swing.budget.items()
            for part in parts
            if part.source == "filter's delay"
        }

    strike = delay("shock")
    assert strike.pop("tempo_ratio") == pytest.approx(2.6 * (140 / 60) / (60 * 5.0))
    assert strike == pytest.approx(
        {
            "takeaway_s": 0.0026,
            "top_s": 0.0026,
            "downswing_ms": 2.6,
            "swing_ms": 2.6,
            "peak_to_impact_ms": 2.6,
        }
    )
    # A rehearsal's impact is told by the gyroscope as well, and so late alike.
    rehearsal = delay("least_turn")
    assert set(rehearsal) == {"takeaway_s", "top_s", "impact_s"}


@pytest.mark.parametrize("cutoff_hz", [20.0, 30.0, 42.0, 98.0, 184.0, 250.0])
def test_intervals_hold_whatever_the_filter_is_that_is_not_told(cutoff_hz: float) -> None:
    """A sensor has one filter: it isn't enough that it holds for most of them."""
    bias_ms = UNKNOWN_DELAY_MS - delay_of_cutoff_ms(cutoff_hz)
    for own_ms in (0.3, 1.0, 2.0, 3.0):
        half = 1.96 * np.hypot(UNKNOWN_DELAY_U_MS, own_ms)
        held = stats.norm(bias_ms, own_ms)
        assert held.cdf(half) - held.cdf(-half) >= 0.9
