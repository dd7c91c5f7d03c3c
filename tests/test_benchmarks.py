"""The benchmark's scoring, on a handful of swings."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchmarks.accuracy import LINES, cases, score_case
from benchmarks.drawing import HARD
from benchmarks.scoring import Found, match, score, summarize
from simulation.motion.action import SwingTruth
from simulation.sessions import simulate_swing


@pytest.fixture(scope="module")
def truth() -> SwingTruth:
    """Draw a strike without a pause at the top."""
    for seed in range(20):
        (one,) = simulate_swing(seed, strike=True).truth
        if one.hold_ms <= 40.0:
            return one
    raise AssertionError("every swing pauses at the top")


def as_found(truth: SwingTruth) -> Found:
    """Say the truth as a finder would."""
    return Found(
        anchor_s=truth.top_s,
        takeaway_s=truth.takeaway_s,
        top_s=truth.top_s,
        top_u_s=0.001,
        impact_s=truth.impact_s,
        turn_deg=truth.turn_deg,
        peak_rate_dps=truth.peak_rate_dps,
        strike=truth.strike,
    )


def test_the_truth_itself_scores_zero(truth: SwingTruth) -> None:
    row = score(as_found(truth), truth, mount="wrist", clipped=False)
    summary = summarize([row], missed=0, invented=0)
    for name in ("takeaway_ms", "top_ms", "impact_ms", "turn_deg", "peak_percent"):
        assert summary[name]["mean_abs"] == 0.0
    assert summary["right"]["percent"] == 100.0
    assert summary["nulls_percent"] == 0.0


def test_every_line_of_the_table_is_summed_up(truth: SwingTruth) -> None:
    row = score(as_found(truth), truth, mount="wrist", clipped=False)
    assert {name for _, name, *_ in LINES} <= summarize([row], missed=0, invented=0).keys()


def test_errors_are_in_the_units_of_the_table(truth: SwingTruth) -> None:
    assert truth.impact_s is not None
    assert truth.peak_rate_dps is not None
    found = replace(
        as_found(truth),
        impact_s=truth.impact_s + 0.003,
        peak_rate_dps=truth.peak_rate_dps * 0.98,
        strike=False,
    )
    row = score(found, truth, mount="club", clipped=False)
    assert row["impact_ms"] == pytest.approx(3.0)
    assert row["peak_percent"] == pytest.approx(-2.0)
    assert row["right"] == 0.0
    assert "right" not in score(found, truth, mount="trunk", clipped=False)
    assert "peak_percent" not in score(found, truth, mount="club", clipped=True)


def test_a_swing_too_far_from_the_truth_is_missed_and_invented(truth: SwingTruth) -> None:
    assert truth.impact_s is not None
    near, far = (replace(as_found(truth), impact_s=truth.impact_s + d) for d in (0.099, 0.101))
    pairs, missed, invented = match([near], [truth])
    assert (len(pairs), missed, invented) == (1, [], [])
    pairs, missed, invented = match([far], [truth])
    assert (pairs, missed, invented) == ([], [truth], [far])


def test_an_impact_not_seen_is_a_null_and_not_a_miss(truth: SwingTruth) -> None:
    pairs, missed, invented = match([replace(as_found(truth), impact_s=None)], [truth])
    assert (len(pairs), missed, invented) == (1, [], [])
    row = score(*pairs[0], mount="wrist", clipped=False)
    assert np.isnan(row["impact_ms"])
    summary = summarize([row], missed=0, invented=0)
    assert summary["nulls_worst"] == ["impact_ms", 100.0]


def test_two_finds_of_one_swing_are_one_and_an_invention(truth: SwingTruth) -> None:
    pairs, missed, invented = match([as_found(truth), as_found(truth)], [truth])
    assert (len(pairs), len(missed), len(invented)) == (1, 0, 1)


def test_cases_cover_what_the_table_says() -> None:
    drawn = list(cases())
    assert len({case.seed for case in drawn}) == len(drawn)
    assert min(case.seed for case in drawn) > 900_000
    assert max(case.seed for case in drawn) < 950_000
    easy = [case for case in drawn if case.hard is None]
    assert len(easy) >= 600
    assert len(drawn) - len(easy) >= 600
    assert {case.hard for case in drawn} == {None, *HARD}
    assert {case.mount for case in drawn} == {"wrist", "glove", "club", "trunk"}
    assert {case.model for case in drawn} == {"pendulum", "chain"}
    assert {case.options["handedness"] for case in drawn} == {"right", "left"}
    assert all(case.options["rate_hz"] >= 200.0 for case in easy)
    # Nobody looks at the benchmark's seeds while developing, not even with --quick.
    assert not {case.seed for case in drawn} & {case.seed for case in cases(quick=True)}


def test_quick_cases_are_scored() -> None:
    few = [case for case in cases(quick=True) if case.mount == "wrist" and case.strike][:6]
    rows = [row for case in few for row in score_case(case)["unhurried"]]
    found = [row for row in rows if row["what"] == "found"]
    assert len(found) == len(few)
    summary = summarize(found, missed=0, invented=0)
    assert summary["turn_deg"]["mean_abs"] < 5.0
    assert summary["nulls_percent"] < 50.0
