"""What a swing is called: a strike, a rehearsal, or unclear with what hides the ball."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis import FoundSwing
from analysis.swing.naming import (
    AHEAD_FIGURES,
    CERTAIN_P,
    SEEN_FIGURES,
    STRIKE_FIGURES,
    Evidence,
    Place,
    SensorLimits,
    ball_seen_ahead,
    even_step,
    look,
    name_strike,
)
from analysis.swing.strike_tables import AHEAD, SEEN, STRIKE
from benchmarks.struck import RECOMMENDED, Motion, Sensor, draw_motion, felt_by
from simulation.motion.action import MOUNTS, Mount
from tests.analysis.swing.test_shock import AT_S, SECONDS, blow, motion

Bools = NDArray[np.bool_]
RATE_HZ = 400.0
PLAIN = Sensor(
    rate_hz=RATE_HZ,
    cutoff_hz=0.38 * RATE_HZ,
    gyr_range_dps=4000.0,
    acc_range_g=64.0,
    told=True,
    missing="none",
    quat_wxyz=(1.0, 0.0, 0.0, 0.0),
)


def a_swing(mount: Mount, *, ball: bool, fast_dps: float = 0.0) -> Motion:
    """The first full swing, from a seed of its own on, that met a ball or none."""
    for seed in range(9_300_000, 9_300_100):
        made = draw_motion(seed, mount, least_peak_dps=fast_dps)
        if made.truth.strike == ball and made.truth.kind == "full":
            return made
    raise AssertionError("no such swing")


def felt(made: Motion, sensor: Sensor) -> FoundSwing:
    """The swing as it is found with a sensor."""
    found = felt_by(made, sensor, np.random.default_rng(made.seed))
    assert found is not None
    return found


def looked(
    onset_s: float, *, least_s: float, whole: Bools | None = None, rate_hz: float = RATE_HZ
) -> Evidence:
    """Look at a synthetic downswing with a knock."""
    gyr, acc = motion(rate_hz, seed=3)
    more_gyr, more_acc = blow(rate_hz, onset_s)
    n = round(SECONDS * rate_hz)
    stop = np.zeros((n, 3), dtype=bool)
    return look(
        gyr + more_gyr,
        acc + more_acc,
        whole=np.ones(n, dtype=bool) if whole is None else whole,
        clip_gyr=stop,
        clip_acc=stop,
        place=Place(
            lo=round(0.25 * rate_hz),
            hi=round(0.58 * rate_hz),
            top=0.15 * rate_hz,
            least=least_s * rate_hz,
        ),
        limits=SensorLimits(rate_hz=rate_hz, gyr_delay_s=0.0015, acc_delay_s=0.0014),
        gyr_noise_dps=0.15,
        acc_noise_m_s2=0.05,
    )


def test_tables_are_made_of_what_is_looked_at() -> None:
    for tables, names in ((STRIKE, STRIKE_FIGURES), (SEEN, SEEN_FIGURES), (AHEAD, AHEAD_FIGURES)):
        assert set(tables) == {*MOUNTS, "unknown"}
        assert all(table.names == names for table in tables.values())


@pytest.mark.parametrize("mount", MOUNTS)
def test_with_fitting_ranges_both_are_named(mount: Mount) -> None:
    gyr, acc = RECOMMENDED[mount]
    sensor = replace(PLAIN, gyr_range_dps=gyr, acc_range_g=acc)
    strike = felt(a_swing(mount, ball=True), sensor)
    rehearsal = felt(a_swing(mount, ball=False), sensor)
    assert strike.strike is True
    assert strike.strike_p is not None
    assert strike.strike_p >= CERTAIN_P
    assert rehearsal.strike is False
    assert rehearsal.strike_p is not None
    assert rehearsal.strike_p <= 1.0 - CERTAIN_P
    assert rehearsal.ball_seen_p > 0.9


@pytest.mark.parametrize(
    ("sensor", "mount"),
    [
        (replace(PLAIN, cutoff_hz=20.0), "wrist"),
        (replace(PLAIN, missing="second"), "wrist"),
        (replace(PLAIN, missing="halves"), "club"),
        (replace(PLAIN, gyr_range_dps=2000.0, acc_range_g=16.0), "club"),
        (replace(PLAIN, rate_hz=100.0, cutoff_hz=38.0), "glove"),
    ],
)
def test_a_ball_that_is_hidden_is_no_rehearsal(sensor: Sensor, mount: Mount) -> None:
    fast = 2500.0 if sensor.acc_range_g < 64.0 else 0.0
    assert felt(a_swing(mount, ball=True, fast_dps=fast), sensor).strike is not False


def test_a_hole_where_the_ball_was_leaves_it_unclear_with_a_note() -> None:
    found = felt(a_swing("wrist", ball=True), replace(PLAIN, missing="hole"))
    if found.strike is None:
        assert {"unclear_strike", "gap_impact"} & {note.code for note in found.notes}
    assert found.strike is not False


def test_samples_that_come_evenly_are_a_recording_at_a_lower_rate() -> None:
    number = np.arange(240)
    assert even_step(np.ones(240, dtype=bool)) == (1, 0)
    assert even_step(number % 2 == 1) == (2, 1)
    assert even_step(number % 3 != 1)[0] == 3
    assert even_step(number % 17 != 0) == (1, 0)
    assert even_step(np.zeros(240, dtype=bool)) == (1, 0)


def test_a_knock_is_found_where_every_second_sample_is_missing() -> None:
    n = round(SECONDS * RATE_HZ)
    thinned = looked(AT_S, least_s=0.38, whole=np.arange(n) % 2 == 0)
    assert thinned.grid == (2, 0)
    assert thinned.shock is not None
    assert abs(thinned.shock.onset - AT_S * RATE_HZ) < 2.0
    assert thinned.figures["rate"] == pytest.approx(math.log(0.5 * RATE_HZ))
    whole = looked(AT_S, least_s=0.38)
    assert whole.shock is not None
    assert thinned.shock.parts["sampling"] == pytest.approx(2.0 * whole.shock.parts["sampling"])


def test_in_mid_downswing_there_is_no_ball() -> None:
    # 70 ms before the ball's place, of a way down of 250 ms
    early = looked(AT_S - 0.07, least_s=AT_S)
    assert early.shock is None or early.shock.onset > (AT_S - 0.055) * RATE_HZ
    assert looked(AT_S - 0.03, least_s=AT_S).shock is not None


def evidence(**figures: float) -> Evidence:
    """What there is at a plain rehearsal, but for some figures."""
    plain = looked(AT_S, least_s=0.38)
    return Evidence(figures={**plain.figures, **figures}, shock=plain.shock)


def test_nothing_on_record_is_no_probability() -> None:
    assert not looked(AT_S, least_s=0.38).short
    assert looked(AT_S, least_s=0.55).short
    # the record ends before there is anything to look at
    nothing = looked(AT_S, least_s=SECONDS + 0.2)
    assert nothing.short
    assert nothing.shock is None
    named = name_strike(replace(evidence(), short=True), "wrist")
    assert (named.strike, named.p, named.code) == (None, None, "short")


def test_back_and_forth_the_next_pass_may_begin_before_a_ball_would_be_met() -> None:
    assert name_strike(replace(evidence(), short=True), "wrist", rally=True).p is not None


def test_back_and_forth_a_ball_is_unlikely() -> None:
    one = evidence()
    alone, rally = name_strike(one, "wrist"), name_strike(one, "wrist", rally=True)
    assert alone.p is not None
    assert rally.p is not None
    assert rally.p == pytest.approx(alone.p / (alone.p + 9.0 * (1.0 - alone.p)))


def test_what_hides_a_ball_is_named() -> None:
    hidden = evidence(open_gyr=0.0, open_acc=0.0, lost=1.0)
    assert name_strike(hidden, "wrist").seen_p < name_strike(evidence(), "wrist").seen_p


def test_before_it_begins_a_sensor_says_whether_balls_will_show() -> None:
    limits = SensorLimits(rate_hz=400.0, gyr_delay_s=0.0015, acc_delay_s=0.0014)
    slow = SensorLimits(rate_hz=200.0, gyr_delay_s=0.011, acc_delay_s=0.011)
    for mount in ("wrist", "glove", "club"):
        gyr, acc = RECOMMENDED[mount]
        good = ball_seen_ahead(limits, mount=mount, gyr_range_dps=gyr, acc_range_g=acc)
        poor = ball_seen_ahead(slow, mount=mount, gyr_range_dps=500.0, acc_range_g=8.0)
        assert good > 0.9
        assert poor < good
    assert 0.0 < ball_seen_ahead(limits, mount=None, gyr_range_dps=None, acc_range_g=None) < 1.0
