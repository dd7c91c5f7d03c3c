"""The live turn: causal, the same for any packets, and the table's turn in the end."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from finder_runs import find_one
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.errors import RateError, SequenceError
from analysis.swing.attitude import turn_vector
from analysis.swing.live_params import TurnEvent, TurnTarget
from analysis.swing.live_turn import LiveTurn
from benchmarks.populations import wide_recording
from sensor.recording.layout import AXES
from simulation.motion.action import MODELS, MOUNTS
from simulation.motion.activities import random_activity
from simulation.motion.wide import GENERATORS
from simulation.sessions import SessionSpec, SimulatedSwing, simulate_session, simulate_swing

# Seeds of this file's own: 440000 on.


def follow(swing: SimulatedSwing, target: TurnTarget | None = None) -> list[TurnEvent]:
    live = LiveTurn(
        rate_hz=swing.nominal_rate_hz,
        mount=swing.mount,
        handedness=swing.handedness,
        target=target,
    )
    return live.feed(swing.seq, swing.acc_m_s2, swing.gyr_dps)


def only(events: list[TurnEvent], kind: str, top_seq: float, rate_hz: float) -> TurnEvent | None:
    near = [e for e in events if e.kind == kind and -1.5 < (e.seq - top_seq) / rate_hz < 0.3]
    return near[-1] if near else None


@pytest.fixture(scope="module")
def swings() -> list[SimulatedSwing]:
    made = []
    for k, mount in enumerate(MOUNTS):
        for j, model in enumerate(MODELS):
            for n, rate_hz in enumerate((100.0, 200.0, 400.0)):
                seed = 440_000 + 100 * k + 10 * j + n
                hand = ("right", "left")[(j + n) % 2]
                made.append(
                    simulate_swing(seed, mount=mount, model=model, rate_hz=rate_hz, handedness=hand)
                )
    return made


def test_at_the_top_it_is_the_tables_turn(swings: list[SimulatedSwing]) -> None:
    errors, takeaways = [], []
    for swing in swings:
        found = find_one(swing)
        assert found.turn_deg is not None
        assert found.top_seq is not None
        assert found.takeaway_seq is not None
        top = only(follow(swing), "top", found.top_seq, swing.nominal_rate_hz)
        assert top is not None, f"{swing.mount} {swing.model}"
        errors.append(top.turn_deg - found.turn_deg)
        # The finder takes the delay of the chip's filter off; live it belongs to the lead.
        late_s = (top.takeaway_seq - found.takeaway_seq) / swing.nominal_rate_hz
        takeaways.append(late_s - swing.gyr_delay_s)
    # The target is 2 deg; what is left is the integration rule and the bias.
    assert np.abs(errors).mean() < 0.3
    assert np.abs(errors).max() < 2.0
    assert np.abs(takeaways).max() < 0.002


def test_full_turns_are_confirmed_and_short_ones_are_not(swings: list[SimulatedSwing]) -> None:
    lead_s = 0.04
    confirmed, wrongly, off = 0, 0, []
    for swing in swings:
        found = find_one(swing)
        assert found.turn_deg is not None
        assert found.top_seq is not None
        turn, rate = found.turn_deg, swing.nominal_rate_hz
        full = TurnTarget(full_turn_deg=turn, lead_s=lead_s)
        event = only(follow(swing, full), "full", found.top_seq, rate)
        confirmed += event is not None
        short = TurnTarget(full_turn_deg=turn + 5.0, share=1.0, lead_s=lead_s)
        wrongly += only(follow(swing, short), "full", found.top_seq, rate) is not None
        if event is not None:
            # Where the turn really was when the tone was heard, by the batch integration.
            k = int(event.takeaway_seq)
            gyr = swing.gyr_dps[k:] - swing.gyr_dps[: k // 2].mean(axis=0)
            course = np.linalg.norm(turn_vector(gyr, rate)[0], axis=1)
            at = course[round(event.seq + lead_s * rate) - k]
            off.append(at - full.threshold_deg)
    assert confirmed == len(swings)
    assert wrongly == 0
    # The target is 6 deg.
    assert np.abs(off).max() < 3.0


def test_a_first_swing_as_wide_as_people_are_is_confirmed() -> None:
    # From juniors to seniors, flat to upright, of three models; hand-set limits confirmed half.
    confirmed = asked = 0
    for k, mount in enumerate(MOUNTS):
        for j, model in enumerate(GENERATORS):
            for n in range(3):
                swing, _ = wide_recording(
                    443_000 + 100 * k + 10 * j + n,
                    model=model,
                    mount=mount,
                    kind="full",
                    rate_hz=100.0,
                )
                truth, rate = swing.truth[0], swing.true_rate_hz
                target = TurnTarget(full_turn_deg=truth.turn_deg, lead_s=0.04)
                asked += 1
                confirmed += any(
                    e.kind == "full" and truth.takeaway_s < e.seq / rate < truth.top_s + 0.1
                    for e in follow(swing, target)
                )
    # (`python -m benchmarks --only live_turn` has the share of some hundreds.)
    assert confirmed >= 0.8 * asked


def test_beyond_the_upper_bound_is_told_after_full() -> None:
    swing = simulate_swing(441_000, mount="wrist", rate_hz=200.0)
    turn = find_one(swing).turn_deg
    assert turn is not None
    target = TurnTarget(full_turn_deg=0.85 * turn, upper_turn_deg=0.95 * turn, lead_s=0.03)
    kinds = [e.kind for e in follow(swing, target)]
    assert kinds[:4] == ["takeaway", "full", "over", "top"]
    target = TurnTarget(full_turn_deg=0.9 * turn, upper_turn_deg=1.1 * turn, lead_s=0.03)
    assert "over" not in [e.kind for e in follow(swing, target)]


@settings(max_examples=15, deadline=None)
@given(cuts=st.lists(st.integers(1, 60), min_size=1, max_size=12))
def test_packets_do_not_change_anything(cuts: list[int]) -> None:
    swing = SWING
    target = TurnTarget(full_turn_deg=120.0, lead_s=0.03)
    whole = follow(swing, target)
    live = LiveTurn(rate_hz=200.0, mount="wrist", handedness="right", target=target)
    events: list[TurnEvent] = []
    at = k = 0
    while at < len(swing.seq):
        end = at + cuts[k % len(cuts)]
        events += live.feed(swing.seq[at:end], swing.acc_m_s2[at:end], swing.gyr_dps[at:end])
        at, k = end, k + 1
    assert events == whole


SWING = simulate_swing(441_001, mount="wrist", rate_hz=200.0)


def test_it_needs_no_future() -> None:
    # What is said up to a sample stays the same whatever comes after it.
    target = TurnTarget(full_turn_deg=120.0, lead_s=0.03)
    whole = follow(SWING, target)
    full = next(e for e in whole if e.kind == "full")
    n = int(np.searchsorted(SWING.seq, full.seq)) + 1
    live = LiveTurn(rate_hz=200.0, mount="wrist", handedness="right", target=target)
    events = live.feed(SWING.seq[:n], SWING.acc_m_s2[:n], SWING.gyr_dps[:n])
    assert events == [e for e in whole if e.seq <= full.seq]
    assert live.state == "backswing"


def test_it_does_not_depend_on_how_the_sensor_lies() -> None:
    # A turn is a turn in any frame of the sensor.
    plain = simulate_swing(441_002, mount_quat_wxyz=(1.0, 0.0, 0.0, 0.0))
    turned = simulate_swing(441_002, mount_quat_wxyz=(0.5, 0.5, -0.5, 0.5))
    tops = [next(e.turn_deg for e in follow(s) if e.kind == "top") for s in (plain, turned)]
    assert tops[0] == pytest.approx(tops[1], abs=0.3)


def test_a_short_hole_is_bridged_and_a_long_one_is_not() -> None:
    top = next(e for e in follow(SWING) if e.kind == "top")
    middle = int(np.searchsorted(SWING.seq, top.seq)) - 60

    def without(n: int) -> list[TurnEvent]:
        keep = np.ones(len(SWING.seq), dtype=bool)
        keep[middle : middle + n] = False
        live = LiveTurn(rate_hz=200.0, mount="wrist", handedness="right")
        return live.feed(SWING.seq[keep], SWING.acc_m_s2[keep], SWING.gyr_dps[keep])

    bridged = next(e for e in without(8) if e.kind == "top")
    assert bridged.turn_deg == pytest.approx(top.turn_deg, abs=1.0)
    broken = [e.kind for e in without(60) if e.seq <= top.seq]
    assert "lapsed" in broken
    assert "top" not in broken


def test_sample_numbers_must_rise() -> None:
    live = LiveTurn(rate_hz=200.0)
    zeros = np.zeros((2, 3))
    with pytest.raises(SequenceError):
        live.feed(np.array([5, 5]), zeros, zeros)
    with pytest.raises(RateError):
        LiveTurn(rate_hz=20.0)


def test_a_swing_teaches_what_the_next_are_like() -> None:
    live = LiveTurn(rate_hz=200.0, mount="wrist")
    top = next(e for e in live.feed(SWING.seq, SWING.acc_m_s2, SWING.gyr_dps) if e.kind == "top")
    assert live.learn(0.5 * top.turn_deg) is None
    seen = live.learn(1.01 * top.turn_deg)
    assert seen is not None
    assert seen.takeaway_seq == top.takeaway_seq
    assert seen.turn_deg == pytest.approx(top.turn_deg)
    assert live.known == 1
    assert live.learn(2.0 * top.turn_deg) is None


def test_a_takeaway_is_likely_if_it_begins_as_known_ones_do() -> None:
    n = len(SWING.seq)
    live = LiveTurn(rate_hz=200.0, mount="wrist", handedness="right")
    first = live.feed(SWING.seq, SWING.acc_m_s2, SWING.gyr_dps)
    assert live.learn(next(e.turn_deg for e in first if e.kind == "top")) is not None
    again = live.feed(n + SWING.seq, SWING.acc_m_s2, SWING.gyr_dps)
    assert next(e for e in again if e.kind == "takeaway").likely
    # The same the other way about.
    other = live.feed(2 * n + SWING.seq, SWING.acc_m_s2, -SWING.gyr_dps)
    assert not next(e for e in other if e.kind == "takeaway").likely


def test_who_does_not_swing_hears_nothing_later() -> None:
    # Whatever looks like a backswing to anybody counts only in the first minute.
    swing = SWING
    n = len(swing.seq)
    quiet = np.repeat(swing.acc_m_s2[:100], 130, axis=0), np.zeros((13_000, 3))
    live = LiveTurn(
        rate_hz=200.0,
        mount="wrist",
        handedness="right",
        target=TurnTarget(full_turn_deg=120.0, lead_s=0.03),
    )
    assert live.feed(np.arange(13_000), quiet[0], quiet[1]) == []
    late = live.feed(13_000 + np.arange(n), swing.acc_m_s2, swing.gyr_dps)
    assert "full" not in [e.kind for e in late]
    top = next(e for e in late if e.kind == "top")
    # A swing that the finder has found changes that.
    assert live.learn(top.turn_deg) is not None
    again = live.feed(13_000 + n + np.arange(n), swing.acc_m_s2, swing.gyr_dps)
    assert "full" in [e.kind for e in again]


@pytest.mark.parametrize(
    ("mount", "seed"),
    [("wrist", 442_000), ("club", 442_000), ("trunk", 442_011), ("wrist", 442_014)],
)
def test_other_motion_is_not_confirmed(mount: str, seed: int) -> None:
    # A session of swings with walking, teeing up, wiping, ... in between; the club goes down after
    # each finish, which turns about as far as a backswing. In the latter two there are continuous
    # strokes as well, which begin where the lowering begins.
    made = simulate_session(
        SessionSpec(mount=mount, minutes=2.0, rate_hz=200.0),  # type: ignore[arg-type]
        seed=seed,
    )
    samples, session = made.samples, made.session
    counts = np.stack([samples[axis] for axis in AXES], axis=1).astype(float)
    acc = counts[:, :3] * (session.acc_m_s2_per_count or 1.0)
    gyr = counts[:, 3:] * (session.gyr_dps_per_count or 1.0)
    full = float(np.median([t.truth.turn_deg for t in made.truth if t.truth.kind == "full"]))
    from analysis import SwingFinder

    finder = SwingFinder(rate_hz=200.0, mount=mount)
    live = LiveTurn(
        rate_hz=200.0,
        mount=mount,
        handedness="right",
        target=TurnTarget(full_turn_deg=full, lead_s=0.03),
    )
    heard: list[TurnEvent] = []
    for at in range(0, len(samples), 8):
        part = slice(at, at + 8)
        heard += [
            e for e in live.feed(samples["seq"][part], acc[part], gyr[part]) if e.kind == "full"
        ]
        for found in finder.feed(samples["seq"][part], acc[part], gyr[part]):
            if found.turn_deg is not None:
                live.learn(found.turn_deg)

    def inside(event: TurnEvent) -> bool:
        t = event.seq / made.true_rate_hz
        return any(
            one.truth.takeaway_s < t < one.truth.top_s + 0.1
            for one in made.truth
            if one.truth.turn_deg
        )

    assert len(heard) >= 3
    assert all(inside(event) for event in heard)


def at_speed(speed: float) -> SimulatedSwing:
    """The swing, quicker or slower as a whole."""
    at = speed * np.arange(int(len(SWING.seq) / speed))
    acc, gyr = (
        np.stack([np.interp(at, SWING.seq, column) for column in values.T], axis=1)
        for values in (SWING.acc_m_s2, SWING.gyr_dps)
    )
    return replace(SWING, seq=np.arange(len(at)), acc_m_s2=acc, gyr_dps=speed * gyr)


def test_what_is_at_its_fastest_at_the_full_turn_is_not_confirmed() -> None:
    # In slow motion, so that time is no reason: like a known swing in all but that it goes on to
    # somewhere else.
    first = follow(SWING)
    turn = next(e.turn_deg for e in first if e.kind == "top")
    slow = at_speed(0.6)

    def says_full(target: TurnTarget) -> bool:
        live = LiveTurn(rate_hz=200.0, mount="wrist", handedness="right")
        live.feed(SWING.seq, SWING.acc_m_s2, SWING.gyr_dps)
        assert live.learn(turn) is not None
        assert live.known == 1
        live.target = target
        later = len(SWING.seq) + slow.seq
        return "full" in [e.kind for e in live.feed(later, slow.acc_m_s2, slow.gyr_dps)]

    # A tenth beyond the full turn is still the player's swing.
    assert says_full(TurnTarget(full_turn_deg=turn, lead_s=0.04))
    assert says_full(TurnTarget(full_turn_deg=0.9 * turn, lead_s=0.04))
    assert not says_full(TurnTarget(full_turn_deg=0.65 * turn, lead_s=0.04))
    # Who wants to hear it earlier does; and so does who has to be told before.
    assert says_full(TurnTarget(full_turn_deg=turn, share=0.65, lead_s=0.04))
    assert says_full(TurnTarget(full_turn_deg=turn, lead_s=0.2))


def test_a_twirled_club_is_hardly_ever_confirmed() -> None:
    # Half a turn and more, there and back, by nobody known: quick, but so are juniors. (The limits
    # by hand that were here before confirmed 2 of these 40, the score 3.)
    tops = full = 0
    for seed in range(444_000, 444_040):
        rng = np.random.default_rng(seed)
        twirl = random_activity(rng, mount="club", kind="twirl", grid_hz=800.0)
        made = simulate_swing(rng, mount="club", action=twirl, rate_hz=100.0)
        kinds = [e.kind for e in follow(made, TurnTarget(full_turn_deg=190.0, lead_s=0.04))]
        tops += kinds.count("top")
        full += "full" in kinds
    assert tops >= 40
    assert full <= 4


def test_a_stroke_out_of_the_finish_is_not_learned() -> None:
    # The swing, and from where it ends the same once more: the second has no address.
    found = find_one(SWING)
    assert found.finish_seq is not None
    assert found.takeaway_seq is not None
    end = int(np.searchsorted(SWING.seq, found.finish_seq))
    begin = int(np.searchsorted(SWING.seq, found.takeaway_seq)) - 20
    rest = np.zeros((80, 3)) + SWING.gyr_dps[: begin // 2].mean(axis=0)
    gyr = np.concatenate([SWING.gyr_dps[:end], rest, SWING.gyr_dps[begin:]])
    acc = np.concatenate(
        [
            SWING.acc_m_s2[:end],
            np.repeat(SWING.acc_m_s2[end : end + 1], 80, 0),
            SWING.acc_m_s2[begin:],
        ]
    )
    target = TurnTarget(full_turn_deg=found.turn_deg or 0.0, lead_s=0.04)
    live = LiveTurn(rate_hz=200.0, mount="wrist", handedness="right", target=target)
    events = live.feed(np.arange(len(gyr)), acc, gyr)
    assert [e.kind for e in events if e.kind in ("full", "top")][:3] == ["full", "top", "top"]
    tops = [e for e in events if e.kind == "top"]
    out_of_finish, first = tops[1], tops[0]
    assert out_of_finish.turn_deg == pytest.approx(first.turn_deg, rel=0.05)
    # Both are handed back, for what else is to be known of them, but one alone is learned.
    for top in (first, out_of_finish):
        assert live.learn(top.turn_deg) is not None
    assert live.known == 1


def test_while_nothing_moves_nothing_is_said() -> None:
    rng = np.random.default_rng(8)
    n = 4000
    gyr = 0.5 * rng.standard_normal((n, 3)) + [3.0, -2.0, 1.0]
    acc = 0.05 * rng.standard_normal((n, 3)) + [0.0, 0.0, 9.81]
    live = LiveTurn(rate_hz=200.0, target=TurnTarget(full_turn_deg=60.0))
    assert live.feed(np.arange(n), acc, gyr) == []
    assert (live.state, live.turn_deg) == ("still", 0.0)
