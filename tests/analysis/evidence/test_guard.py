"""Is the change of direction quicker with a sound? Told where it is, and hardly ever where not."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.evidence.blocks import block_sound
from analysis.evidence.guard import Sounded, SoundEffect, sound_effects
from analysis.evidence.told import NotYet

SETS = ("none",) * 3 + ("rise",) * 4 + ("bell",) * 5
"""Practice swings of the usual sets, in their order."""


def days(
    rng: np.random.Generator, sessions: int, *, bell_ms: float = 0.0, top_ms: float = 0.0
) -> list[Sounded]:
    """A player's practice swings: each day lies apart, tires and drifts; so does each set."""
    by = {"none": 0.0, "rise": top_ms, "bell": bell_ms}
    out = []
    for session in range(sessions):
        day, drift = rng.normal(90.0, 3.0), rng.normal(0.0, 3.0)
        of_set = {name: rng.normal(0.0, 1.0) for name in by}
        for order, sound in enumerate(SETS):
            place = order / len(SETS) - 0.5
            value = day + drift * place + of_set[sound] + by[sound] + rng.normal(0.0, 6.0)
            out.append(Sounded(session_id=f"s{session}", order=order, sound=sound,
                               transition_ms=float(value)))  # fmt: skip
    return out


def test_a_bell_that_hurries_is_told_and_the_other_sound_is_not() -> None:
    told = {"bell": 0, "top": 0}
    for seed in range(40):
        found = sound_effects(days(np.random.default_rng(seed), 6, bell_ms=-25.0))
        for sound, one in found.items():
            assert isinstance(one, SoundEffect)
            told[sound] += one.quicker
    assert told["bell"] >= 32
    assert told["top"] <= 2


def test_by_chance_alone_hardly_anybody_is_told() -> None:
    wrong = 0
    for seed in range(200):
        found = sound_effects(days(np.random.default_rng(1000 + seed), 5))
        wrong += any(isinstance(one, SoundEffect) and one.quicker for one in found.values())
    # One-sided, at 5 % of both together; a few more by chance of the count.
    assert wrong <= 10


def test_slower_is_no_reason_to_leave_a_sound_out() -> None:
    for seed in range(10):
        found = sound_effects(days(np.random.default_rng(seed), 6, top_ms=+25.0))["top"]
        assert isinstance(found, SoundEffect)
        assert not found.quicker


def test_too_little_is_said_as_such() -> None:
    rng = np.random.default_rng(1)
    assert all(isinstance(one, NotYet) for one in sound_effects([]).values())
    one_day = sound_effects(days(rng, 1, bell_ms=-60.0))
    assert str(one_day["bell"]) == (
        "1 of 2 sessions with practice swings with the sound and without it so far"
    )
    without = [one for one in days(rng, 4, bell_ms=-60.0) if one.sound != "none"]
    assert isinstance(sound_effects(without)["bell"], NotYet)


@pytest.mark.parametrize(
    ("block", "sound"),
    [
        ("none rehearsal", "none"),
        ("bell rehearsal", "bell"),
        ("rise rehearsal", "rise"),
        ("rehearsal", None),
        ("ball", None),
        ("silent", "none"),
        ("2 silent", "none"),
        ("", "none"),
        (None, "none"),
    ],
)
def test_what_sounded_in_a_block(block: str | None, sound: str | None) -> None:
    assert block_sound(block) == sound
