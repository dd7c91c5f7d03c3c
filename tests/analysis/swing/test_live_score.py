"""What is known of a backswing as its turn gets full: in any frame, by either hand."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest

from analysis.swing.attitude import attitude, rotate, turn_vector
from analysis.swing.live_params import TurnTarget
from analysis.swing.live_score import LIVE_FIGURES, Course, Shape, live_figures
from analysis.swing.live_tables import LIVE
from analysis.swing.samples import norm
from simulation.motion.action import MOUNTS

Array = npt.NDArray[np.float64]

RATE_HZ = 200.0
TARGET = TurnTarget(full_turn_deg=100.0, lead_s=0.05)
SHAPE = Shape(
    seconds=0.8,
    straight=0.97,
    upright=-0.7,
    peak_dps=190.0,
    quiet_dps=2.0,
    up=np.array([0.0, 0.0, 1.0]),
    axis=np.array([0.7, 0.0, -0.71]),
    in_finish=False,
)


def course(*, turned: Array | None = None) -> Course:
    """Half a wave about an axis that leans; the sensor stands as it likes to."""
    t = np.arange(160) / RATE_HZ
    rate = 190.0 * np.sin(np.pi * t / 0.85)
    axis = np.array([0.7, 0.1, -0.7])
    axis = axis / np.sqrt(axis @ axis)
    drifting = axis + 0.2 * t[:, None] * np.array([0.0, 1.0, 0.0])
    gyr = rate[:, None] * drifting
    q = attitude(np.radians(gyr), 1.0 / RATE_HZ)
    up = np.array([0.0, 0.0, 9.81])
    back = q * np.array([1.0, -1.0, -1.0, -1.0])
    acc = rotate(back, up + 2.0 * t[:, None] * np.array([0.3, -0.2, 1.0]))
    vector, _, _ = turn_vector(gyr, RATE_HZ)
    one = Course(
        rate_hz=RATE_HZ,
        gyr_dps=gyr,
        acc_m_s2=acc,
        attitude=q,
        turned_deg=vector,
        up_m_s2=up,
    )
    if turned is None:
        return one
    # The same felt by a sensor that sits otherwise: R of every vector, in the fixed frame too.
    r = np.broadcast_to(turned, q.shape)
    return replace(
        one,
        gyr_dps=rotate(r, gyr),
        acc_m_s2=rotate(r, acc),
        attitude=np.concatenate((q[:, :1], rotate(r, q[:, 1:])), axis=1),
        turned_deg=rotate(r, vector),
        up_m_s2=rotate(turned, up),
    )


def figures(one: Course, side: float = -1.0) -> dict[str, float]:
    values = live_figures(SHAPE, one, side=side, rate_dps=60.0, target=TARGET)
    assert values is not None
    return values


def test_the_figures_have_the_names_of_the_tables_in_their_order() -> None:
    assert tuple(figures(course())) == LIVE_FIGURES
    assert set(LIVE) == {*MOUNTS, "unknown"}
    for table in LIVE.values():
        assert table.names == LIVE_FIGURES
        assert table.trees is not None
        assert table.trees.names == LIVE_FIGURES


def test_they_do_not_depend_on_how_the_sensor_sits() -> None:
    plain = figures(course())
    q = np.array([0.5, -0.5, 0.5, 0.5])
    other = figures(course(turned=q))
    for name in LIVE_FIGURES:
        assert other[name] == pytest.approx(plain[name], abs=1e-9), name


def test_some_are_known_by_hand() -> None:
    one = course()
    values = figures(one)
    turn = float(norm(one.turned_deg[-1:])[0])
    assert values["share"] == pytest.approx(turn / 100.0)
    assert values["lead"] == 0.05
    assert values["back_place"] == pytest.approx(0.85 / 2.0 / 0.8, abs=0.03)
    # sin(pi t / T) where (1 - cos(pi t / T)) / 2 of the whole half wave has been turned
    for name, share in (("quarter", 0.25), ("half", 0.5), ("three_quarters", 0.75)):
        gone = share * 0.5 * (1.0 - math.cos(math.pi * 0.795 / 0.85))
        at = math.acos(1.0 - 2.0 * gone)
        assert values[name] == pytest.approx(math.sin(at), abs=0.02), name
    assert values["pull_up"] == pytest.approx(math.asinh(2.0 * 0.3975), abs=0.01)
    # Up and down again to where it is now, and no more.
    last = math.sin(math.pi * 0.795 / 0.85)
    assert values["rough"] == pytest.approx(math.log(2.0 - last), abs=0.02)


def test_the_side_turns_what_has_one() -> None:
    plain, other = figures(course()), figures(course(), side=1.0)
    for name in LIVE_FIGURES:
        turns = name in ("upright", "rising")
        assert other[name] == pytest.approx(-plain[name] if turns else plain[name]), name


def test_what_is_too_short_has_none() -> None:
    one = course()
    few = replace(
        one,
        gyr_dps=one.gyr_dps[:7],
        acc_m_s2=one.acc_m_s2[:7],
        attitude=one.attitude[:7],
        turned_deg=one.turned_deg[:7],
    )
    assert live_figures(SHAPE, few, side=-1.0, rate_dps=60.0, target=TARGET) is None
