"""The rough course of a swing on 20 ms means, against motions whose course is known."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.swing.outline import Outline, outline

Floats = NDArray[np.float64]
STEP_S = 0.02
TILT = np.radians(40.0)
AXIS = np.array([0.0, np.sin(TILT), np.cos(TILT)])
"""Of the rotation, which lies so in the sensor all along; up is z at the start."""


def swing(*, hold_s: float = 0.0, back_s: float = 0.9, down_s: float = 0.3) -> Floats:
    """Rates in deg/s: still, 120 deg back, a stop, back down and as far through, still."""

    def bump(length_s: float, deg: float) -> Floats:
        n = round(length_s / STEP_S)
        shape = np.sin(np.pi * (np.arange(n) + 0.5) / n) ** 2
        return np.asarray(deg * shape / (shape.sum() * STEP_S))

    parts = (
        np.zeros(round(1.0 / STEP_S)),
        bump(back_s, 120.0),
        np.zeros(round(hold_s / STEP_S)),
        -bump(2.0 * down_s, 240.0),
        np.zeros(round(1.0 / STEP_S)),
    )
    return np.concatenate(parts)[:, None] * AXIS


def outlined(gyr: Floats, **more: bool) -> Outline:
    acc = np.tile([0.0, 0.0, 9.81], (len(gyr), 1))
    peak = int(np.argmax(np.linalg.norm(gyr, axis=1)))
    found = outline(gyr, acc, peak, STEP_S, **more)
    assert found is not None
    return found


def test_turn_times_and_return_of_a_plain_swing() -> None:
    o = outlined(swing())
    assert o.turn_deg == pytest.approx(120.0, abs=2.0)
    assert o.least_turn_deg < 8.0
    assert o.through_deg == pytest.approx(120.0, abs=15.0)
    assert o.upright == pytest.approx(np.cos(TILT), abs=0.01)
    assert o.opposed == pytest.approx(-1.0, abs=1e-3)
    assert o.straight_back > 0.99


@pytest.mark.parametrize("hold_s", [0.2, 0.4, 0.8, 1.0])
def test_a_stop_at_the_top_lengthens_neither_way(hold_s: float) -> None:
    plain, stopped = outlined(swing()), outlined(swing(hold_s=hold_s))
    assert stopped.pause_s - plain.pause_s == pytest.approx(hold_s, abs=2.1 * STEP_S)
    assert stopped.backswing_s == pytest.approx(plain.backswing_s, abs=1.1 * STEP_S)
    assert stopped.downswing_s == pytest.approx(plain.downswing_s, abs=1.1 * STEP_S)


def test_quiet_time_before_is_seen_beyond_the_near_window() -> None:
    longer = np.concatenate((np.zeros((100, 3)), swing()))
    assert outlined(longer).quiet_s == pytest.approx(3.0, abs=0.1)


def test_a_motion_one_way_has_no_outline() -> None:
    gyr = np.abs(swing())
    acc = np.tile([0.0, 0.0, 9.81], (len(gyr), 1))
    assert outline(gyr, acc, int(np.argmax(np.linalg.norm(gyr, axis=1))), STEP_S) is None


def test_a_stopped_accelerometer_says_nothing_of_the_pull() -> None:
    assert outlined(swing()).pull_known
    assert not outlined(swing(), acc_stopped=True).pull_known


def test_axes_are_told_in_the_sensors_frame_at_the_start() -> None:
    o = outlined(swing())
    assert o.up == pytest.approx([0.0, 0.0, 1.0], abs=1e-6)
    assert o.axis_back == pytest.approx(AXIS, abs=1e-3)
    assert o.axis_down == pytest.approx(-AXIS, abs=1e-3)
