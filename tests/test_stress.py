"""The perturbations of the stress benchmark, each by what is known of it, and a short run."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchmarks import stress
from benchmarks.drawing import Case
from benchmarks.stress import GRID_HZ, STRESSES, Felt, felt
from words.units import G_N_M_S2


@pytest.fixture(scope="module")
def swing() -> Felt:
    """One strike at the wrist."""
    return felt(
        Case(seed=997_900, hard=None, model="chain", mount="wrist", kind="full", strike=True)
    )


@pytest.mark.parametrize("resonance_hz", [10.0, 25.0])
def test_soft_tissue_rings_at_its_resonance(swing: Felt, resonance_hz: float) -> None:
    # transmissibility of base excitation at the natural frequency: sqrt(1 + 4 d^2) / (2 d)
    time_s = np.arange(4 * int(GRID_HZ)) / GRID_HZ
    wave = np.sin(2.0 * np.pi * resonance_hz * time_s)
    base = replace(
        swing,
        omega_rad_s=np.tile(wave[:, None], (1, 3)),
        force_m_s2=np.tile([0.0, 0.0, G_N_M_S2], (len(wave), 1)),
    )
    out = stress.soft_tissue(base, resonance_hz=resonance_hz, damping=0.3)
    late = out.omega_rad_s[2 * int(GRID_HZ) :]
    assert late.max() == pytest.approx(np.sqrt(1.0 + 0.36) / 0.6, rel=0.01)
    np.testing.assert_allclose(out.force_m_s2, base.force_m_s2, atol=1e-9)


@pytest.mark.parametrize("when", ["back", "top", "ball"])
def test_a_slip_turns_the_sensor_once_and_for_all(swing: Felt, when: str) -> None:
    out = stress.slip(swing, angle_deg=8.0, when=when)  # type: ignore[arg-type]
    np.testing.assert_array_equal(out.force_m_s2[:500], swing.force_m_s2[:500])
    size = np.linalg.norm(swing.force_m_s2, axis=1)
    np.testing.assert_allclose(np.linalg.norm(out.force_m_s2, axis=1), size, rtol=1e-9)
    about = (out.omega_rad_s - swing.omega_rad_s)[:, 0]
    assert np.degrees(about.sum() / GRID_HZ) == pytest.approx(8.0, rel=1e-3)
    assert swing.truth.impact_s is not None
    assert swing.time_s[np.flatnonzero(about)[-1]] < swing.truth.impact_s
    a, b = out.force_m_s2[-1, 1:], swing.force_m_s2[-1, 1:]
    angle = np.degrees(np.arctan2(np.cross([*a, 0], [*b, 0])[2], a @ b))
    assert abs(angle) == pytest.approx(8.0, rel=1e-6)


def test_errors_of_the_gyroscope_have_their_size(swing: Felt) -> None:
    out = stress.g_sensitive(swing, dps_per_g=0.5)
    more = np.degrees(out.omega_rad_s - swing.omega_rad_s)
    assert np.linalg.norm(more[0]) == pytest.approx(0.5, rel=0.05)
    np.testing.assert_allclose(more * G_N_M_S2, 0.5 * swing.force_m_s2, rtol=1e-6, atol=1e-6)
    drift = np.degrees(stress.drifting_zero(swing, dps_per_s=0.3).omega_rad_s - swing.omega_rad_s)
    assert np.linalg.norm(drift[int(GRID_HZ)] - drift[0]) == pytest.approx(0.3)


def test_knocks_come_when_they_are_said_to(swing: Felt) -> None:
    impact_s = swing.truth.impact_s
    assert impact_s is not None
    for out, at_s in (
        (stress.turf(swing, before_s=0.005), impact_s - 0.005),
        (stress.knock(swing, before_s=2.0), impact_s - 2.0),
    ):
        changed = np.flatnonzero(np.any(out.force_m_s2 != swing.force_m_s2, axis=1))
        assert swing.time_s[changed[0]] == pytest.approx(at_s, abs=0.001)
        assert np.abs(out.force_m_s2 - swing.force_m_s2).max() > 1.0


def test_what_was_at_its_stop_comes_back_late() -> None:
    values = np.zeros((40, 3))
    values[10:15, 0] = 100.0
    values[20, 1] = -100.0
    out = stress.slow_recovery(values, limit=100.0, rate_hz=100.0, tau_s=0.02)
    np.testing.assert_array_equal(out[:15], values[:15])
    np.testing.assert_allclose(out[15:18, 0], 30.0 * np.exp(-np.arange(1, 4) / 2.0))
    assert out[21, 1] == pytest.approx(-30.0 * np.exp(-0.5))
    assert not out[:, 2].any()


def test_unrest_is_where_it_should_be(swing: Felt) -> None:
    restless = next(one for one in STRESSES if one.size == "8 deg/s")
    shaken = felt(swing.case, restless.body)
    assert shaken.truth == swing.truth
    before = slice(0, int(2.0 * GRID_HZ))
    rms = np.sqrt(np.mean(np.degrees(shaken.omega_rad_s[before]) ** 2, axis=0))
    assert np.all((rms > 2.0) & (rms < 20.0))


def test_a_short_run_prints_every_line(monkeypatch: pytest.MonkeyPatch) -> None:
    some = [one for one in STRESSES if one.name in ("none", "low-pass", "slip", "stops early")]
    monkeypatch.setattr(stress, "STRESSES", tuple(some))
    few = list(stress.cases(quick=True))[:1]
    monkeypatch.setattr(stress, "cases", lambda **_: iter(few))
    result = stress.run(quick=True)
    lines = {f"{line['name']} {line['size']}": line for line in result["lines"]}
    assert lines["none "]["found"] == lines["none "]["named_right"] == 1
    # a filter of 20 Hz hides the ball: that the benchmark can see harm at all
    assert lines["low-pass 20 Hz"]["named_right"] == 0
    text = stress.tables(result)
    for one in some:
        assert f"{one.name} {one.size}".strip() in text


def test_a_finder_that_falls_over_is_counted(swing: Felt, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(_swing: object) -> list[object]:
        raise IndexError("out of bounds")

    monkeypatch.setattr(stress, "our_swings", broken)
    line = stress.sum_up([stress.score_one(swing, STRESSES[0])])
    assert (line["found"], line["swings"]) == (0, 1)
    assert line["fell"][0]["said"] == "IndexError: out of bounds"


def test_names_and_seeds_are_of_its_own() -> None:
    assert len({(one.name, one.size) for one in STRESSES}) == len(STRESSES)
    seeds = {case.seed for case in stress.cases()}
    assert len(seeds) == len(list(stress.cases())) == 60
    assert not seeds & {case.seed for case in stress.cases(quick=True)}
