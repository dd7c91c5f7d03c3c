"""No clock starts a swing: the ready sound waits for a club that is still, or for a tap."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest
from lesson_numbers import number
from performing import Swung

from feedback.drill import Drill
from feedback.drill_actions import Action, Play, PlayCue
from feedback.drill_plan import Block, DrillPlan, DrillReference
from feedback.stillness import Stillness
from simulation.motion.activities import random_activity
from simulation.sessions import simulate_swing

FIDGETERS = 20
RESTLESS = ("waggle", "stand", "tee_up", "twirl", "walk_with_club", "lean_on_club", "aim")
REST_S = 8.0
STILL_S = 0.8
PACKET = 8
OWN = DrillReference(backswing_ms=800.0, full_turn_deg=130.0)


@dataclass
class Called:
    """A sound that called for a swing, and what the club did in the moment before it."""

    at_s: float
    moved_rms_dps: float


def fidget(seed: int, mount: Any) -> tuple[np.ndarray[Any, Any], float]:
    """The rotation of a player who can't stand still: one thing after another, then a stand."""
    rng = np.random.default_rng(seed)
    parts = []
    for _ in range(4):
        kind = str(rng.choice(RESTLESS))
        action = random_activity(rng, mount=mount, grid_hz=800.0, kind=kind)
        made = simulate_swing(rng, mount=mount, action=action)
        # What is still at its ends is cut: the next thing begins at once.
        cut = round(1.9 * made.true_rate_hz)
        parts.append(made.gyr_dps[cut:-cut] if len(made.gyr_dps) > 3 * cut else made.gyr_dps)
    stand = simulate_swing(rng, mount=mount)
    parts.append(stand.gyr_dps[: round(1.9 * stand.true_rate_hz)])
    return np.concatenate(parts), stand.true_rate_hz


def perform(
    seed: int, mount: Any, *, cue_on: Any = "ready", sound: Any = "both", gated: bool = True
) -> tuple[list[Called], float]:
    """Let a fidgeter rest after a swing; what calls for the next, from the swing on."""
    gyr, rate = fidget(seed, mount)
    blocks = (Block("rehearsal", 5, sound),)
    schedule: Any = "every" if sound == "both" else "bell"
    plan = DrillPlan(blocks=blocks, reference=OWN, cue_on=cue_on, schedule=schedule)
    drill = Drill(plan)
    drill.begin(-20.0)
    drill.swing(Swung(index=1), 0.0)
    still = Stillness(rate)
    called = []
    for first in range(0, len(gyr) - PACKET, PACKET):
        last = first + PACKET
        now = last / rate
        seq = np.arange(first, last, dtype=np.int64)
        is_still = still.feed(seq, gyr[first:last])
        if gated:
            drill.club(is_still, now)
        if any(calls(one) for one in drill.tick(now)):
            before = gyr[max(0, last - round(STILL_S * rate)) : last]
            # A measure of its own: the rms of the rotation about its mean.
            rms = float(np.sqrt(((before - before.mean(axis=0)) ** 2).sum(axis=1).mean()))
            called.append(Called(now, rms))
    return called, len(gyr) / rate


def calls(action: Action) -> bool:
    return isinstance(action, PlayCue) or (isinstance(action, Play) and action.name == "ready")


MOVES_DPS = 12.0
"""Above it a club moves: simulated players at address have an rms of 1 to 6."""


@pytest.mark.parametrize(
    ("cue_on", "sound"),
    [("ready", "both"), ("takeaway", "both"), ("ready", "rise"), ("ready", "bell")],
)
def test_fidgeters_are_called_only_when_still_and_rested(
    cue_on: Any, sound: Any, record_property: Any
) -> None:
    called = early = moving = 0
    for seed in range(FIDGETERS):
        mount = ("wrist", "club", "glove", "wrist")[seed % 4]
        found, _ = perform(seed, mount, cue_on=cue_on, sound=sound)
        called += bool(found)
        for one in found:
            early += one.at_s < REST_S
            moving += one.moved_rms_dps >= MOVES_DPS
    who = f"{FIDGETERS} fidgeters, cue on {cue_on}, sound {sound}"
    number(record_property, f"{who}: called while the club moves", moving, "0")
    number(record_property, f"{who}: called before the least rest", early, "0")
    assert (moving, early) == (0, 0)
    # Whoever stands still in the end is called, and nearly all do.
    assert called >= FIDGETERS - 2


def test_a_clock_alone_would_call_while_the_club_moves() -> None:
    moving = 0
    for seed in range(FIDGETERS):
        found, _ = perform(seed, ("wrist", "club", "glove", "wrist")[seed % 4], gated=False)
        moving += found[0].moved_rms_dps >= MOVES_DPS
    assert moving >= FIDGETERS // 3


def test_a_tap_calls_though_the_club_moves() -> None:
    drill = Drill(DrillPlan(blocks=(Block("rehearsal", 5),), reference=OWN))
    drill.begin(-20.0)
    drill.swing(Swung(index=1), 0.0)
    drill.club(False, 20.0)
    assert not any(calls(one) for one in drill.tick(20.0))
    assert any(calls(one) for one in drill.key(" ", 20.0))


def test_a_club_that_was_not_seen_lately_is_not_known_to_be_still() -> None:
    drill = Drill(DrillPlan(blocks=(Block("rehearsal", 5),), reference=OWN))
    drill.begin(-20.0)
    drill.swing(Swung(index=1), 0.0)
    drill.club(True, 7.0)
    assert not any(calls(one) for one in drill.tick(9.0))
    drill.club(True, 9.5)
    assert any(calls(one) for one in drill.tick(9.6))


def test_still_is_told_from_change_and_not_from_an_unknown_zero() -> None:
    rate = 200.0
    still = Stillness(rate)
    rng = np.random.default_rng(1)
    # A zero of 20 deg/s about one axis, as of a sensor that was never calibrated.
    rest = rng.normal([20.0, -3.0, 1.0], 1.0, (400, 3))
    seen = [
        still.feed(np.arange(k, k + 10, dtype=np.int64), rest[k : k + 10])
        for k in range(0, 400, 10)
    ]
    assert seen.index(True) * 10 + 10 == round(STILL_S * rate)
    assert all(seen[seen.index(True) :])
    # A hole: what was in between isn't known.
    assert not still.feed(np.arange(500, 510, dtype=np.int64), rest[:10])
    moved = rest[:10].copy()
    moved[5, 2] += 40.0
    for k in range(510, 900, 10):
        still.feed(np.arange(k, k + 10, dtype=np.int64), rest[:10])
    assert still.still
    assert not still.feed(np.arange(900, 910, dtype=np.int64), moved)
