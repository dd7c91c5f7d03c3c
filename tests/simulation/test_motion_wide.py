"""The third model, and swings drawn as wide as people are."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sensor.rotation import segment_rates_rad_s
from simulation.motion.action import MOUNTS, Kind, Mount
from simulation.motion.spline import JOINTS, SplineJoint, SplineStroke, SplineSwing, spline_swing
from simulation.motion.wide import GENERATORS, MOST_PEAK_DPS, wide_swing

STILL = SplineJoint(top=0.0)


def of(mount: Mount, stroke: SplineStroke, **more: object) -> SplineSwing:
    return SplineSwing(
        mount=mount,
        kind="full",
        handedness="right",
        strokes=(stroke,),
        **more,  # type: ignore[arg-type]
    )


def only(**joints: SplineJoint) -> SplineStroke:
    return SplineStroke(joints={**dict.fromkeys(JOINTS, STILL), **joints})


def test_a_single_joint_turns_the_segment_by_its_own_angle() -> None:
    action = spline_swing(of("wrist", only(arm=SplineJoint(top=100.0))))
    (truth,) = action.swings
    assert truth.turn_deg == pytest.approx(100.0, abs=1.5)
    assert truth.least_turn_s is not None
    assert truth.impact_s is not None
    # It is back at address at impact, and its rate is greatest about there.
    assert truth.impact_turn_deg == pytest.approx(0.0, abs=3.0)


def test_the_trunk_turns_about_the_tilted_spine() -> None:
    stroke = only(trunk=SplineJoint(top=80.0))
    action = spline_swing(of("trunk", stroke, spine_tilt_deg=35.0))
    rates = segment_rates_rad_s(action.quat_wxyz, rate_hz=action.rate_hz, breaks=())
    k = int(np.argmax(np.linalg.norm(rates, axis=1)))
    # x is the trunk's long axis.
    assert abs(rates[k, 0]) == pytest.approx(np.linalg.norm(rates[k]), rel=1e-6)


def test_a_ball_takes_rate_at_once_and_a_rehearsal_none() -> None:
    stroke = only(hinge=SplineJoint(top=90.0, loss=0.4), arm=SplineJoint(top=90.0))
    free = spline_swing(of("club", stroke))
    struck = spline_swing(of("club", stroke, strike=True, bite=1.0))
    assert free.breaks == ()
    (at,) = struck.breaks
    rates = [
        np.linalg.norm(
            segment_rates_rad_s(
                struck.quat_wxyz, rate_hz=struck.rate_hz, breaks=(at,), at_break=side
            )[at]
        )
        for side in ("before", "after")
    ]
    assert 0.6 < rates[1] / rates[0] < 0.9
    assert struck.swings[0].strike
    assert struck.swings[0].impact_basis == "shock"


def test_a_stop_at_the_top_is_as_long_as_asked() -> None:
    stroke = only(arm=SplineJoint(top=100.0))
    action = spline_swing(of("wrist", replace(stroke, hold_s=0.6)))
    (truth,) = action.swings
    assert truth.hold_start_s is not None
    assert truth.hold_end_s is not None
    assert truth.hold_end_s - truth.hold_start_s == pytest.approx(0.6, abs=0.06)


def test_left_is_the_mirror_image_of_right() -> None:
    swing = of("club", only(arm=SplineJoint(top=100.0), roll=SplineJoint(top=40.0)))
    right, left = (spline_swing(replace(swing, handedness=h)) for h in ("right", "left"))
    assert left.pos_m == pytest.approx(right.pos_m * [-1.0, 1.0, 1.0])
    assert left.swings[0].turn_deg == pytest.approx(right.swings[0].turn_deg)


@pytest.mark.parametrize("generator", GENERATORS)
@pytest.mark.parametrize("kind", ["full", "part", "continuous", "aborted", "short"])
def test_wide_swings_are_possible_and_repeat(generator: str, kind: Kind) -> None:
    for mount in MOUNTS[::3]:
        one, again = (
            wide_swing(
                np.random.default_rng(3),
                generator=generator,  # type: ignore[arg-type]
                mount=mount,
                kind=kind,
                grid_hz=800.0,
            )
            for _ in range(2)
        )
        assert one.action.quat_wxyz.tobytes() == again.action.quat_wxyz.tobytes()
        for truth in one.action.swings:
            assert truth.counts_as_swing == (kind not in ("aborted", "short"))
            assert (truth.peak_rate_dps or 0.0) <= MOST_PEAK_DPS[mount]


def test_wide_is_wider_than_usual() -> None:
    turns, backs = [], []
    for seed in range(40):
        drawn = wide_swing(
            np.random.default_rng(seed), generator="spline", mount="club", grid_hz=800.0
        )
        (truth,) = drawn.action.swings
        turns.append(truth.turn_deg)
        backs.append(truth.top_s - truth.takeaway_s)
    assert np.ptp(turns) > 90.0
    assert max(backs) / min(backs) > 2.5
