"""The swing finder: what must not change its answers, and what it must not answer at all."""

from __future__ import annotations

from dataclasses import fields, replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from finder_runs import EVENTS, ROOMY, find, find_one, finder_for, join, two_swings, without
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from analysis import FoundSwing, InputError, RateError, SequenceError, SwingFinder
from analysis.swing.uncertainty import SCALE
from simulation.motion.action import MODELS, MOUNTS, Model, Mount
from simulation.sessions import SessionSpec, SimulatedSwing, simulate_session, simulate_swing


@pytest.fixture(scope="module")
def pair() -> SimulatedSwing:
    """Two swings with a hole between them, 200 Hz."""
    return two_swings()


def in_pieces(swing: SimulatedSwing, cuts: list[int]) -> list[FoundSwing]:
    """Feed the recording cut at the given places."""
    finder = finder_for(swing)
    found: list[FoundSwing] = []
    edges = [0, *sorted(cuts), len(swing.seq)]
    for a, b in pairwise(edges):
        found += finder.feed(swing.seq[a:b], swing.acc_m_s2[a:b], swing.gyr_dps[a:b])
    return found + finder.flush()


def same(
    a: FoundSwing, b: FoundSwing, *, samples: float, share: float, u_share: float | None = None
) -> None:
    """Compare swings: positions within samples, other numbers within a share, the rest equal.

    ``u_share`` is for the parts of the uncertainties; then what the axes' scales make of them is
    left out, since that depends on how the axes lie.
    """
    for f in fields(FoundSwing):
        x, y = getattr(a, f.name), getattr(b, f.name)
        if f.name == "budget":
            rel = share if u_share is None else u_share
            assert x.keys() == y.keys()
            for name in x:
                p, q = (
                    {part.source: part.u for part in parts if not u_share or part.source != SCALE}
                    for parts in (x[name], y[name])
                )
                assert p == pytest.approx(q, rel=rel, abs=1e-4), name
        elif f.name.endswith("_u") and u_share is not None:
            assert (x is None) == (y is None)
        elif f.name == "clipped":
            assert len(x) == len(y)
        elif f.name == "zero_dps":
            # By axis as well; its size doesn't hang on how the sensor lies.
            assert np.linalg.norm(x) == pytest.approx(np.linalg.norm(y), rel=0.01, abs=0.02)
        elif f.name == "scale_growth":
            # By axis of the chip, which may lie otherwise; together they are the same.
            assert x.keys() == y.keys()
            for name in x:
                assert sum(x[name]) == pytest.approx(sum(y[name]), rel=max(share, 1e-3)), name
        elif isinstance(x, float) and isinstance(y, float):
            if f.name in EVENTS or f.name.endswith("_samples"):
                assert x == pytest.approx(y, abs=samples), f.name
            else:
                assert x == pytest.approx(y, rel=share, abs=share), f.name
        else:
            assert x == y, f.name


# -- chunks ---------------------------------------------------------------------------------------


def test_sample_by_sample_is_one_feed_to_the_last_bit(pair: SimulatedSwing) -> None:
    whole = find(pair)
    assert [f.strike for f in whole] == [True, False]
    assert in_pieces(pair, list(range(1, len(pair.seq)))) == whole


@settings(max_examples=15, deadline=None, suppress_health_check=list(HealthCheck))
@given(data=st.data())
def test_any_chunking_is_one_feed_to_the_last_bit(
    pair: SimulatedSwing, data: st.DataObject
) -> None:
    cuts = data.draw(st.lists(st.integers(0, len(pair.seq)), max_size=40))
    assert in_pieces(pair, cuts) == find(pair)


@pytest.mark.parametrize("size", [1, 7, 8, 333])
def test_chunking_with_losses_and_a_long_hole(pair: SimulatedSwing, size: int) -> None:
    holed = without(without(pair, 900, 904), 1700, 1900)
    keep = np.random.default_rng(5).random(len(holed.seq)) > 0.01
    keep[0] = True
    holed = replace(
        holed, seq=holed.seq[keep], acc_m_s2=holed.acc_m_s2[keep], gyr_dps=holed.gyr_dps[keep]
    )
    whole = find(holed)
    assert whole
    assert in_pieces(holed, list(range(size, len(holed.seq), size))) == whole


def test_an_empty_feed_is_no_feed(pair: SimulatedSwing) -> None:
    finder = finder_for(pair)
    assert finder.feed(pair.seq[:0], pair.acc_m_s2[:0], pair.gyr_dps[:0]) == []
    assert finder.flush() == []


# -- what changes nothing ---------------------------------------------------------------------


@pytest.mark.parametrize("mount", MOUNTS)
def test_turning_the_sensor_in_its_mount_changes_nothing(mount: Mount) -> None:
    swing = simulate_swing(21, mount=mount, strike=True, **ROOMY)
    plain = find_one(swing)
    for mounting in Rotation.random(3, np.random.default_rng(7)):
        turned = replace(
            swing,
            acc_m_s2=mounting.apply(swing.acc_m_s2),
            gyr_dps=mounting.apply(swing.gyr_dps),
        )
        # The noise is told from the channels, so its estimate hangs a little on where they point.
        same(find_one(turned), plain, samples=1e-5, share=1e-6, u_share=0.05)


@pytest.mark.parametrize("axis", [0, 1, 2])
@pytest.mark.parametrize("strike", [True, False])
def test_mirroring_the_player_changes_nothing(axis: int, strike: bool) -> None:
    swing = simulate_swing(22, mount="glove", model="chain", strike=strike, **ROOMY)
    # In a mirror a force turns round along one axis; a rate, being a rotation, about the others.
    flip = np.ones(3)
    flip[axis] = -1.0
    mirrored = replace(swing, acc_m_s2=swing.acc_m_s2 * flip, gyr_dps=swing.gyr_dps * -flip)
    same(find_one(mirrored), find_one(swing), samples=1e-9, share=1e-9)


def test_a_left_handed_player_is_measured_as_a_right_handed_one() -> None:
    right, left = (
        find_one(simulate_swing(23, handedness=h, strike=True, **ROOMY)) for h in ("right", "left")
    )
    # Noise and mounting are other ones; the motion is the mirror image.
    same(replace(right, **NO_U), replace(left, **NO_U), samples=2.0, share=0.02)


NO_U: dict[str, Any] = {
    f.name: None for f in fields(FoundSwing) if f.name.endswith("_u") or "dwell" in f.name
} | {"notes": (), "anchor_seq": 0, "budget": {}}


@pytest.mark.parametrize("shift", [1, 7, 1_000_003])
def test_shifting_the_sample_numbers_shifts_the_events_only(
    pair: SimulatedSwing, shift: int
) -> None:
    for a, b in zip(find(pair), find(replace(pair, seq=pair.seq + shift)), strict=True):
        moved = {name: getattr(a, name) for name in EVENTS}
        for name, value in moved.items():
            # The fraction of a large number has fewer bits: that much may go.
            assert getattr(b, name) == pytest.approx(value + shift, abs=1e-9)
        assert replace(b, **moved, anchor_seq=a.anchor_seq) == a
        assert b.anchor_seq == a.anchor_seq + shift


@pytest.mark.parametrize("cut", [1, 2, 3, 5, 50, 101])
def test_cutting_samples_off_the_front_changes_next_to_nothing(
    pair: SimulatedSwing, cut: int
) -> None:
    cut_off = replace(
        pair, seq=pair.seq[cut:], acc_m_s2=pair.acc_m_s2[cut:], gyr_dps=pair.gyr_dps[cut:]
    )
    for a, b in zip(find(pair), find(cut_off), strict=True):
        for name in EVENTS:
            assert getattr(b, name) == pytest.approx(getattr(a, name), abs=0.1), name
        assert b.turn_deg == pytest.approx(a.turn_deg, abs=0.1)
        assert b.peak_rate_dps == pytest.approx(a.peak_rate_dps, rel=1e-3)
        assert (b.strike, b.impact_basis) == (a.strike, a.impact_basis)


# -- state ------------------------------------------------------------------------------------


def held_bytes(finder: SwingFinder) -> int:
    """Count what the finder holds, in bytes of arrays and 8 for each entry of a container."""
    total = 0
    for value in vars(finder).values():
        if isinstance(value, np.ndarray):
            total += value.nbytes
        elif isinstance(value, list | dict | set | tuple):
            total += 8 * len(value)
    return total


def test_the_state_is_bounded(pair: SimulatedSwing) -> None:
    finder = finder_for(pair)
    n = int(pair.seq[-1]) + 1
    sizes, swings = [], 0
    for k in range(30):
        swings += len(finder.feed(pair.seq + k * n, pair.acc_m_s2, pair.gyr_dps))
        sizes.append(held_bytes(finder))
    swings += len(finder.flush())
    assert swings == 60
    # The stretch of the past that is kept varies by some blocks; it doesn't grow.
    assert max(sizes[10:]) <= 1.05 * max(sizes[3:10])


# -- refusals -----------------------------------------------------------------------------------


@pytest.mark.parametrize("rate_hz", [10.0, 49.0, 0.0, -5.0, float("nan")])
def test_too_slow_a_rate_is_refused(rate_hz: float) -> None:
    with pytest.raises(RateError, match="at least 50 Hz") as error:
        SwingFinder(rate_hz=rate_hz)
    assert "\n" not in str(error.value)


def test_50_hz_is_accepted() -> None:
    assert SwingFinder(rate_hz=50.0).rate_hz == 50.0


@pytest.mark.parametrize("seq", [[5, 6, 6], [5, 7, 6], [9, 4, 5]])
def test_sample_numbers_that_do_not_rise_are_refused(seq: list[int]) -> None:
    x = np.zeros((3, 3))
    with pytest.raises(SequenceError):
        SwingFinder(rate_hz=200.0).feed(np.array(seq), x, x)


def test_a_number_that_repeats_in_the_next_feed_is_refused() -> None:
    finder = SwingFinder(rate_hz=200.0)
    x = np.zeros((2, 3))
    finder.feed(np.array([5, 6]), x, x)
    with pytest.raises(SequenceError):
        finder.feed(np.array([6, 7]), x, x)


@pytest.mark.parametrize(
    ("wrong", "line"),
    [
        (
            {"acc_m_s2": np.zeros(10)},
            r"acc_m_s2 must be of shape \(10, 3\), as seq is, not \(10,\)",
        ),
        ({"gyr_dps": np.zeros((3, 10))}, r"gyr_dps must be of shape \(10, 3\)"),
        ({"gyr_dps": np.zeros((10, 6))}, r"gyr_dps must be of shape \(10, 3\)"),
        # These were taken: samples got other numbers, or none, without a word.
        ({"acc_m_s2": np.zeros((9, 3))}, r"not \(9, 3\)"),
        ({"acc_m_s2": np.zeros((11, 3))}, r"not \(11, 3\)"),
        ({"gyr_dps": np.full((10, 3), np.nan)}, "gyr_dps holds numbers that aren't finite"),
        ({"gyr_dps": [["x"] * 3] * 10}, "gyr_dps must be numbers"),
        ({"seq": 3}, r"seq must hold whole numbers, of shape \(n,\)"),
        ({"seq": np.arange(10) / 2}, "seq must hold whole numbers"),
        ({"seq": np.arange(20).reshape(10, 2)}, "seq must hold whole numbers"),
    ],
)
def test_what_is_no_stretch_of_samples_is_refused(wrong: dict[str, Any], line: str) -> None:
    fine = {"seq": np.arange(10), "acc_m_s2": np.zeros((10, 3)), "gyr_dps": np.zeros((10, 3))}
    finder = SwingFinder(rate_hz=200.0)
    with pytest.raises(InputError, match=line):
        finder.feed(**{**fine, **wrong})
    # Nothing of it was taken.
    assert finder.feed(**fine) == []


def test_lists_are_samples_as_arrays_are(pair: SimulatedSwing) -> None:
    seq, acc, gyr = pair.seq, pair.acc_m_s2, pair.gyr_dps
    one, other = finder_for(pair), finder_for(pair)
    due = one.feed(seq, acc, gyr) + one.flush()
    assert other.feed(seq.tolist(), acc.tolist(), gyr.tolist()) + other.flush() == due  # type: ignore[arg-type]
    assert due


def test_a_rate_that_is_no_number_is_refused() -> None:
    with pytest.raises(InputError, match="rate_hz must be a number, not str"):
        SwingFinder(rate_hz="200")  # type: ignore[arg-type]


def test_the_refused_number_is_named() -> None:
    finder = SwingFinder(rate_hz=200.0)
    x = np.zeros((4, 3))
    with pytest.raises(SequenceError) as error:
        finder.feed(np.array([3, 4, 4, 5]), x, x)
    assert error.value.seq == 4
    # Nothing was taken of it: the stream can go on.
    assert finder.feed(np.array([3, 4, 5, 6]), x, x) == []


# -- holes ----------------------------------------------------------------------------------------


# What each event is told from, in seconds around it: the takeaway from the line through the rise
# that follows it. None of these is as long as the finder bridges.
TOLD_FROM_S = {
    "takeaway": (-0.01, 0.25),
    "top": (-0.04, 0.04),
    "impact": (-0.025, 0.03),
    "finish": (-0.025, 0.03),
}


@pytest.mark.parametrize("event", list(TOLD_FROM_S))
@pytest.mark.parametrize("strike", [True, False])
@pytest.mark.parametrize("seed", [31, 33, 34])
def test_an_event_inside_a_hole_is_absent_with_the_reason(
    event: str, strike: bool, seed: int
) -> None:
    swing = simulate_swing(seed, strike=strike, rate_hz=200.0, **ROOMY)
    plain = find_one(swing)
    at = getattr(plain, f"{event}_seq")
    a, b = TOLD_FROM_S[event]
    holed = without(swing, at + 200.0 * a, at + 200.0 * b)
    finder = finder_for(holed)
    found = finder.feed(holed.seq, holed.acc_m_s2, holed.gyr_dps) + finder.flush()
    assert finder.lost_samples == len(swing.seq) - len(holed.seq)
    assert len(found) == 1
    (got,) = found
    assert getattr(got, f"{event}_seq") is None
    assert getattr(got, f"{event}_u") is None
    assert any(n.code == f"gap_{event}" and n.text for n in got.notes)
    assert (got.gap_samples > 0) == (event != "finish")
    # The others are where they were, unless they are told from the one that is absent.
    for other in ("top", "impact"):
        if other != event and strike:
            value = getattr(got, f"{other}_seq")
            assert value == pytest.approx(getattr(plain, f"{other}_seq"), abs=2.5), other


@pytest.mark.parametrize("seed", range(31, 35))
@pytest.mark.parametrize("before", [1, 3])
def test_a_packet_lost_at_impact_is_never_glossed_over(seed: int, before: int) -> None:
    swing = simulate_swing(seed, strike=True, rate_hz=200.0, **ROOMY)
    (truth,) = swing.truth
    assert truth.impact_s is not None
    at = swing.seq_of(truth.impact_s)
    # Four samples, a packet: the impact lies inside, so it can be said at best where the hole is.
    first = int(at) - before
    got = find_one(without(swing, first, first + 3))
    assert any(n.code.startswith("gap") for n in got.notes)
    assert got.strike is not False
    # Where it can't be told whether a ball was hit, the instant of least turn, tens of
    # milliseconds earlier, is a guess.
    if got.impact_seq is not None:
        assert got.impact_u is not None
        assert abs(got.impact_seq - at) < 3.0 * got.impact_u


def test_a_hole_elsewhere_takes_nothing_away() -> None:
    swing = simulate_swing(32, strike=True, rate_hz=200.0, **ROOMY)
    plain = find_one(swing)
    assert plain.takeaway_seq is not None
    got = find_one(without(swing, 100, 108))
    for name in EVENTS:
        assert getattr(got, name) == pytest.approx(getattr(plain, name), abs=0.2)
    assert got.gap_samples == 0
    assert not [n for n in got.notes if n.code.startswith("gap")]


def test_lost_samples_are_counted_across_a_hole_too_long_to_bridge(pair: SimulatedSwing) -> None:
    holed = without(pair, 100, 399)
    finder = finder_for(pair)
    finder.feed(holed.seq, holed.acc_m_s2, holed.gyr_dps)
    assert finder.lost_samples == 300


# -- what is no swing, and what is more than one ------------------------------------------------


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize("mount", MOUNTS)
def test_short_strokes_are_not_returned(model: Model, mount: Mount) -> None:
    counted = 0
    for seed in range(4):
        swing = simulate_swing(400 + seed, kind="short", model=model, mount=mount)
        finder = finder_for(swing)
        found = finder.feed(swing.seq, swing.acc_m_s2, swing.gyr_dps) + finder.flush()
        assert found == []
        counted += finder.short_strokes
    # How many are counted depends on how much a stroke of a few degrees stands out of the sway.
    assert counted <= 4


def test_short_strokes_of_the_club_are_counted() -> None:
    counted = []
    for seed in range(12):
        swing = simulate_swing(420 + seed, kind="short", mount="club", strike=True)
        finder = finder_for(swing)
        finder.feed(swing.seq, swing.acc_m_s2, swing.gyr_dps)
        finder.flush()
        counted.append(finder.short_strokes)
    assert max(counted) <= 1
    assert sum(counted) >= 6


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize("mount", MOUNTS)
def test_an_aborted_swing_is_not_returned(model: Model, mount: Mount) -> None:
    for seed in range(4):
        swing = simulate_swing(500 + seed, kind="aborted", model=model, mount=mount)
        assert not any(t.counts_as_swing for t in swing.truth)
        assert find(swing) == []


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize("mount", MOUNTS)
def test_back_and_forth_rehearsals_are_found(model: Model, mount: Mount) -> None:
    for seed in range(4):
        swing = simulate_swing(600 + seed, kind="continuous", model=model, mount=mount)
        found = find(swing)
        true = [t for t in swing.truth if t.counts_as_swing]
        assert 2 <= len(found) <= len(true)
        assert not any(f.strike for f in found)


def test_standing_still_and_nothing_at_all() -> None:
    rng = np.random.default_rng(1)
    n = 4000
    acc = rng.normal(0.0, 0.05, (n, 3)) + np.array([0.0, 0.0, 9.81])
    gyr = rng.normal(0.0, 0.2, (n, 3)) + 1.5
    finder = SwingFinder(rate_hz=200.0)
    assert finder.feed(np.arange(n), acc, gyr) + finder.flush() == []
    assert finder.short_strokes == 0
    assert SwingFinder(rate_hz=200.0).flush() == []


def test_a_swing_that_the_recording_cuts_off_does_not_fail() -> None:
    swing = simulate_swing(41, strike=True, **ROOMY)
    last = int(find_one(swing).finish_seq or 0)
    for end in range(last - 300, last + 20, 7):
        cut = replace(
            swing, seq=swing.seq[:end], acc_m_s2=swing.acc_m_s2[:end], gyr_dps=swing.gyr_dps[:end]
        )
        for f in find(cut):
            for name in EVENTS:
                value = getattr(f, name)
                assert value is None or value <= end


def test_two_recordings_on_end_are_two_swings(pair: SimulatedSwing) -> None:
    twice = join(pair, pair)
    assert len(find(pair)) == 2
    assert len(find(twice)) == 4


# -- whole sessions with the sensor on the club ---------------------------------------------------


def of_session(seed: int, rate_hz: float) -> list[tuple[FoundSwing | None, bool | None]]:
    """Each true swing with what was found there, then what was found elsewhere.

    The second is whether it was a strike; None where there was no swing.
    """
    made = simulate_session(SessionSpec(mount="club", swings=14, rate_hz=rate_hz), seed=seed)
    session = made.session
    names = ("ax", "ay", "az", "gx", "gy", "gz")
    counts = np.stack([made.samples[name] for name in names], axis=1).astype(float)
    finder = SwingFinder(
        rate_hz=rate_hz,
        mount="club",
        gyr_range_dps=session.gyr_range_dps,
        acc_range_g=session.acc_range_g,
        gyr_delay_s=session.gyr_delay_ms / 1e3,
        acc_delay_s=session.acc_delay_ms / 1e3,
    )
    acc = counts[:, :3] * (session.acc_m_s2_per_count or 1.0)
    gyr = counts[:, 3:] * (session.gyr_dps_per_count or 1.0)
    left = finder.feed(made.samples["seq"], acc, gyr) + finder.flush()
    out: list[tuple[FoundSwing | None, bool | None]] = []
    for true in made.truth:
        if not true.truth.counts_as_swing:
            continue
        assert true.truth.impact_s is not None
        at = true.truth.impact_s * made.true_rate_hz
        near = [f for f in left if abs(f.anchor_seq - at) < 0.25 * rate_hz]
        out.append((near[0] if near else None, true.truth.strike))
        left = [f for f in left if f not in near[:1]]
    return out + [(f, None) for f in left]


@pytest.mark.parametrize(("seed", "rate_hz"), [(51, 200.0), (51, 100.0), (50, 200.0)])
def test_a_session_has_its_swings_and_no_others(seed: int, rate_hz: float) -> None:
    # 51: balls whose shock turns the axis of the downswing about; 50: clubs put back behind the
    # ball right after a swing.
    swings = of_session(seed, rate_hz)
    assert len(swings) == 14
    for found, strike in swings:
        assert found is not None
        assert found.strike in (strike, None)


@pytest.mark.parametrize("seed", [47, 55, 59])
def test_a_ball_met_with_the_sensor_at_its_stops_is_no_rehearsal(seed: int) -> None:
    for found, strike in of_session(seed, 100.0):
        if not strike:
            continue
        assert found is not None
        assert found.strike is not False
        if found.strike is None:
            assert found.impact_u is not None
            assert found.impact_u > 1.0
            assert "unclear_strike" in [note.code for note in found.notes]


# -- the player -----------------------------------------------------------------------------------


def in_a_row(number: int) -> SimulatedSwing:
    """The same swing again and again: a player whose swings are all alike."""
    one = simulate_swing(11, strike=True, **ROOMY)
    out = one
    for _ in range(number - 1):
        out = join(out, one)
    return out


def fed(swing: SimulatedSwing, step: int, new_hands: list[int]) -> list[FoundSwing]:
    """Feed in pieces; hands change at samples, said just before they come."""
    finder = finder_for(swing)
    waiting = sorted(new_hands)
    out: list[FoundSwing] = []
    for start in range(0, len(swing.seq), step):
        part = slice(start, start + step)
        while waiting and waiting[0] <= int(swing.seq[part][-1]):
            finder.new_hands(waiting.pop(0))
        out += finder.feed(swing.seq[part], swing.acc_m_s2[part], swing.gyr_dps[part])
    return out + finder.flush()


def test_likeness_to_the_players_own_swings_counts_after_three() -> None:
    found = fed(in_a_row(5), 10**6, [])
    p = [one.swing_p or 0.0 for one in found]
    assert len(found) == 5
    # (The gyroscope's zero is known a little better from swing to swing.)
    assert p[:3] == pytest.approx([p[0]] * 3, abs=1e-4)
    assert 1.0 - p[4] < 0.5 * (1.0 - p[2])


def test_new_hands_are_the_same_for_any_chunking() -> None:
    swing = in_a_row(5)
    middle = int(swing.seq[-1]) * 7 // 10
    whole = fed(swing, 10**6, [middle])
    assert whole[-1].swing_p == pytest.approx(whole[0].swing_p, abs=1e-4)
    for step in (1, 37, 1000):
        assert fed(swing, step, [middle]) == whole


def test_what_nearly_passed_is_told_and_bounded() -> None:
    # A swing given up on its way down has no follow-through.
    told = []
    for seed in range(6):
        swing = simulate_swing(seed, kind="aborted", strike=False)
        finder = finder_for(swing)
        found = finder.feed(swing.seq, swing.acc_m_s2, swing.gyr_dps) + finder.flush()
        assert not found
        told += finder.candidates
    for one in told:
        assert 0.1 <= one.swing_p < 1.0
        assert len(one.why) <= 3


@pytest.mark.parametrize("fill", [np.nan, 1e9])
def test_nothing_is_read_that_was_not_fed(fill: float, monkeypatch: pytest.MonkeyPatch) -> None:
    """A recording that ends at its fastest sample: memory beyond it may hold anything."""
    import analysis.swing.finder as module

    looked: list[float] = []
    clipped = module.clipped_channels

    def spy(x: np.ndarray, *rest: object) -> np.ndarray:
        looked.append(float(np.abs(x).max()))
        return clipped(x, *rest)  # type: ignore[arg-type]

    monkeypatch.setattr(module, "clipped_channels", spy)
    monkeypatch.setattr(module.np, "empty", lambda shape, dtype=float: np.full(shape, fill, dtype))
    n = 1000
    rate = np.zeros((n, 3))
    rate[:, 0] = 900.0 * np.exp(-0.5 * ((np.arange(n) - n) / 20.0) ** 2)
    acc = np.tile([0.0, 0.0, 9.8], (n, 1))
    finder = SwingFinder(rate_hz=200.0, mount="wrist")
    finder.feed(np.arange(n), acc, rate)
    finder.flush()
    assert looked
    assert max(looked) < 100.0
