"""The procedure recorded from a sensor, whatever link and hands do."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np

from sensor.calibration.guide import GuideState
from sensor.calibration.procedure import ProcedureParams
from sensor.link.replay import ReplaySource
from sensor.recording.opening import open_recording
from simulation.procedure import ProcedureSpec, simulate_procedure
from unhurried.app.calibrating import measured, record_procedure
from unhurried.app.shutdown import Shutdown


def recorded(
    made: Path, out: Path, *, states: list[GuideState] | None = None, events: list[str]
) -> Path:
    """Record a procedure from a replay, as fast as it can."""
    source = ReplaySource(made, speed=0.0)
    return record_procedure(
        source,
        iter([out]),
        ProcedureParams(),
        ending=Shutdown(),
        on_event=lambda event: events.append(event.kind),
        on_state=lambda guide, _status: None if states is None else states.append(guide),
    )


def test_a_lost_link_is_made_again_and_the_calibration_goes_on(tmp_path: Path) -> None:
    made = simulate_procedure(ProcedureSpec(), seed=3)
    packets, samples = made.packets.copy(), made.samples
    # Half a minute in the link is gone for three seconds, on the way from one face to another.
    at = int(packets["arrival_ns"][0]) + 10**9 * 24
    gone = (packets["arrival_ns"] > at) & (packets["arrival_ns"] < at + 3 * 10**9)
    packets["connection"][packets["arrival_ns"] >= at + 3 * 10**9] = 1
    first = int(packets["first_seq"][gone][0])
    last = int((packets["first_seq"] + packets["count"])[gone][-1])
    kept = (samples["seq"] < first) | (samples["seq"] >= last)
    cut = dataclasses.replace(made, packets=packets[~gone], samples=samples[kept])
    cut.write(tmp_path / "table")
    events: list[str] = []
    folder = recorded(tmp_path / "table", tmp_path / "out", events=events)
    assert "lost" in events
    assert "back" in events
    with open_recording(folder) as recording:
        found = measured(recording, None, ProcedureParams()).calibration
    assert found.n_positions == 6
    assert found.n_turns >= 11


def test_while_it_moves_nothing_is_taken(tmp_path: Path) -> None:
    held = simulate_procedure(ProcedureSpec(hand_dps=4.0, hand_position=0, rest_s=4.0), seed=12)
    held.write(tmp_path / "table")
    states: list[GuideState] = []
    recorded(tmp_path / "table", tmp_path / "out", states=states, events=[])
    rate = held.session.nominal_rate_hz
    taken = np.array([len(state.positions) for state in states])
    still = np.array([state.still for state in states])
    # A hand that trembles for the first four seconds: not still, and not a position.
    per_s = len(states) / (len(held.samples) / rate)
    hand = slice(int(1.0 * per_s), int(3.5 * per_s))
    assert not still[hand].any()
    assert not taken[hand].any()
    assert still.any()
