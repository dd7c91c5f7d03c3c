"""Drawn swings of every kind, model and mount: what was asked for, sane, and smooth."""

from __future__ import annotations

import numpy as np
import pytest

from sensor.rotation import derivative, world_rates_rad_s
from simulation.motion.action import KINDS, MODELS, MOUNTS, Action, Kind, Model, Mount
from simulation.motion.address import back_and_forth, forward_press, moves_deg
from simulation.motion.draw import BALL_KINDS, draw_address, random_swing
from simulation.motion.shock import SHOCKS, draw_blow

_ALL = [(model, mount, kind) for model in MODELS for mount in MOUNTS for kind in KINDS]


def _rest(action: Action) -> None:
    w = world_rates_rad_s(action.quat_wxyz, rate_hz=action.rate_hz, breaks=action.breaks)
    v = derivative(action.pos_m, rate_hz=action.rate_hz, breaks=action.breaks)
    for end in (slice(0, 20), slice(-20, None)):
        assert np.rad2deg(np.abs(w[end]).max()) < 1e-3
        assert np.abs(v[end]).max() < 1e-5


@pytest.mark.parametrize(("model", "mount", "kind"), _ALL)
def test_drawn_swing_is_sane(model: Model, mount: Mount, kind: Kind) -> None:
    for seed in range(2):
        action = random_swing(
            np.random.default_rng(seed), model=model, mount=mount, kind=kind, grid_hz=1600.0
        )
        _rest(action)
        np.testing.assert_allclose(np.linalg.norm(action.quat_wxyz, axis=1), 1.0, atol=1e-12)
        assert len(action.swings) == 1 or kind == "continuous"
        for truth in action.swings:
            assert (truth.model, truth.kind) == (model, kind)
            assert truth.strike == (kind in BALL_KINDS)
            assert truth.counts_as_swing == (kind not in ("aborted", "short"))
            assert truth.takeaway_s < truth.top_s
            assert truth.dwell_start_s < truth.top_s < truth.dwell_end_s
            if kind == "aborted":
                assert truth.impact_s is None
                continue
            assert truth.top_s < truth.impact_s <= truth.finish_s
            assert truth.takeaway_s < truth.top_s < truth.pass_s
            assert 0.0 <= truth.peak_transverse_dps <= truth.peak_rate_dps + 1e-6
            assert truth.peak_to_impact_ms >= -1e-6
            assert truth.backswing_peak_dps < truth.peak_rate_dps or kind == "continuous"
            if kind == "short":
                assert truth.turn_deg < 30.0
            else:
                assert truth.turn_deg >= 45.0
        blow = kind in BALL_KINDS or kind == "brushed"
        assert len(action.breaks) == len(action.shocks) == int(blow)
        if blow:
            assert action.shocks[0].index == action.breaks[0]
            assert action.shocks[0].kind == ("mat" if kind == "brushed" else "ball")
            assert action.swings[0].impact_basis == "shock"


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize("mount", MOUNTS)
@pytest.mark.parametrize("kind", ["full", "continuous", "aborted"])
def test_acceleration_is_continuous_but_for_breaks(model: Model, mount: Mount, kind: Kind) -> None:
    """On a grid twice as fine the greatest step of an acceleration is about half; a jump is not."""
    steps = []
    for grid_hz in (1600.0, 3200.0):
        action = random_swing(
            np.random.default_rng(4), model=model, mount=mount, kind=kind, grid_hz=grid_hz
        )
        options = {"rate_hz": grid_hz, "breaks": action.breaks}
        w = world_rates_rad_s(action.quat_wxyz, **options)
        turning = derivative(w, **options)
        moving = derivative(action.pos_m, order=2, **options)
        keep = np.ones(len(w) - 1, dtype=bool)
        for k in action.breaks:
            keep[k - 6 : k + 6] = False
        steps.append([np.abs(np.diff(a, axis=0))[keep].max() for a in (turning, moving)])
    assert steps[1][0] < 0.75 * steps[0][0]
    assert steps[1][1] < 0.75 * steps[0][1]


def test_same_seed_same_swing_and_another_one_otherwise() -> None:
    a, b, c = (
        random_swing(np.random.default_rng(seed), model="chain", mount="wrist")
        for seed in (1, 1, 2)
    )
    assert np.array_equal(a.quat_wxyz, b.quat_wxyz)
    assert a.swings == b.swings
    assert a.swings != c.swings


def test_rehearsals_of_ball_kinds_have_no_blow() -> None:
    for kind in sorted(BALL_KINDS):
        action = random_swing(
            np.random.default_rng(3), model="chain", mount="club", kind=kind, strike=False
        )
        assert action.breaks == ()
        assert action.shocks == ()
        assert action.swings[0].impact_basis == "least_turn"


def test_wrong_wishes_are_said() -> None:
    rng = np.random.default_rng(1)
    with pytest.raises(ValueError, match="strikes no ball"):
        random_swing(rng, model="chain", mount="wrist", kind="slow", strike=True)
    with pytest.raises(ValueError, match="unknown model"):
        random_swing(rng, model="spring", mount="wrist")  # type: ignore[arg-type]


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize("mount", MOUNTS)
def test_full_swings_are_of_plausible_size(model: Model, mount: Mount) -> None:
    """Medians of full strikes. Loose bands from Zheng et al. 2008, doi 10.1055/s-2007-989229
    (abstract), from memory where it says nothing, and from Grober & Cholewicki, arXiv
    physics/0611291 (opening): backswing 0.70-1.00 s, downswing 0.233-0.333 s for skilled players.
    """
    rng = np.random.default_rng(11)
    truths = [
        random_swing(rng, model=model, mount=mount, grid_hz=1600.0).swings[0] for _ in range(15)
    ]
    rate = np.median([t.peak_rate_dps for t in truths])
    turn = np.median([t.turn_deg for t in truths])
    back = np.median([t.top_s - t.takeaway_s for t in truths])
    down = np.median([t.impact_s - t.top_s for t in truths])
    rates = {"trunk": (400, 700), "wrist": (800, 1300), "glove": (1400, 2500), "club": (1600, 2700)}
    turns = {"trunk": (60, 100), "wrist": (90, 160), "glove": (150, 260), "club": (150, 260)}
    assert rates[mount][0] < rate < rates[mount][1]
    assert turns[mount][0] < turn < turns[mount][1]
    assert 0.7 < back < 1.0
    # the trunk turns round before the arm, so its downswing is longer
    assert 0.23 < down < (0.4 if mount == "trunk" else 0.34)


def test_moves_at_address_end_where_they_began() -> None:
    t = np.linspace(-10.0, 2.0, 2000)
    for kind in ("full", "short"):
        rng = np.random.default_rng(9)
        seen = set()
        for _ in range(60):
            moves = draw_address(rng, kind=kind)
            seen.add(moves.name)
            for joint in (moves.trunk, moves.arm, moves.wrist, moves.roll):
                path = np.asarray(moves_deg(t, joint)) * np.ones_like(t)
                assert path[0] == 0.0
                assert path[-1] == pytest.approx(0.0, abs=1e-9)
                assert np.abs(path).max() < 15.5
        assert "none" in seen
        assert len(seen) >= 3
    press = forward_press(size_deg=5.0, press_s=0.3, back_s=0.3, overlap_s=0.1)
    assert press[1][0] + press[1][1] == pytest.approx(0.1)
    assert sum(m[2] for m in back_and_forth(size_deg=4, half_period_s=0.3, cycles=2, end_s=0)) == 0


def test_shocks_grow_down_the_chain_and_a_mat_is_weaker() -> None:
    size: dict[str, dict[str, float]] = {"ball": {}, "mat": {}}
    for kind in ("ball", "mat"):
        for mount in SHOCKS:
            rng = np.random.default_rng(1)
            blows = [draw_blow(rng, kind=kind, mount=mount) for _ in range(200)]  # type: ignore[arg-type]
            assert all(0.0 < b.decay_s <= 0.03 and 40.0 <= b.ring_hz <= 250.0 for b in blows)
            size[kind][mount] = float(np.median([np.linalg.norm(b.acc_m_s2) for b in blows]))
    order = ["trunk", "wrist", "glove", "club"]
    assert np.all(np.diff([size["ball"][m] for m in order]) > 0.0)
    assert all(size["mat"][m] < 0.4 * size["ball"][m] for m in order)
