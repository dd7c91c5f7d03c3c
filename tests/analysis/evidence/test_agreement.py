"""Agreement with labels: the statistics against outside ones, and the matching."""

from __future__ import annotations

import dataclasses
import math
from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
import pytest
import scipy
from hypothesis import given, reject
from hypothesis import strategies as st
from scipy import stats

from analysis.evidence.agreement import (
    EVENTS,
    Agreement,
    Label,
    LabelError,
    agree,
    fit_line,
    limits_of_agreement,
)
from analysis.swing.results import Note, Swing

# Peak expiratory flow of 17 people, l/min, first readings by a large and a mini meter, of Bland &
# Altman 1986 (from memory; the mean difference of -2.1 and the standard deviation of 38.8 that
# they print bear it out).
LARGE = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
MINI = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]


def swings_at(*takeaways_s: float, **values: Any) -> list[Swing]:
    """Swings of 0.8 s back and 0.3 s down."""
    empty: dict[str, Any] = {
        f.name: None for f in dataclasses.fields(Swing) if f.name not in ("notes", "budget")
    }
    out = []
    for k, at in enumerate(takeaways_s, start=1):
        one: dict[str, Any] = {
            **empty,
            "index": k,
            "gap_ms": 0.0,
            "clipped": (),
            "takeaway_s": at,
            "top_s": at + 0.8,
            "impact_s": at + 1.1,
            "finish_s": at + 1.5,
            "backswing_ms": 800.0,
            "downswing_ms": 300.0,
            "swing_ms": 1100.0,
            "tempo_ratio": 2.667,
            "turn_deg": 120.0 + k,
            "peak_rate_dps": 1000.0 + k,
            "peak_to_impact_ms": 40.0,
            **values,
        }
        for name in (*EVENTS,):
            one[f"{name}_u"] = 0.002
        for name in ("backswing_ms", "downswing_ms", "swing_ms", "peak_to_impact_ms"):
            one[f"{name}_u"] = 2.0
        one.update(tempo_ratio_u=0.02, turn_deg_u=1.0, peak_rate_dps_u=8.0)
        out.append(Swing(**one))
    return out


TIMES = (10.0, 21.0, 36.0, 44.5, 60.0, 75.5)


def labels_of(
    swings: list[Swing],
    *,
    error_ms: float = 0.0,
    offset_s: float = 0.0,
    rate: float = 0.0,
    number: bool = True,
    rater: str = "",
    first_line: int = 2,
    seed: int = 1,
    u: dict[str, float] | None = None,
) -> list[Label]:
    """Label the events of swings, on a clock of one's own."""
    rng = np.random.default_rng(seed)
    return [
        Label(
            line=first_line + k,
            swing=swing.index if number else None,
            rater=rater,
            values={
                event: offset_s
                + (1.0 + rate) * (getattr(swing, event) + 1e-3 * error_ms * float(rng.normal()))
                for event in EVENTS
            },
            u=u or {},
        )
        for k, swing in enumerate(swings)
    ]


def row_of(rows: tuple[Agreement, ...], quantity: str) -> Agreement:
    return next(row for row in rows if row.quantity == quantity)


# -- outside checks --


def test_the_published_example() -> None:
    """Bland & Altman 1986, p. 308-309: they round 1.96 to 2 and print whole numbers."""
    found = limits_of_agreement(LARGE, MINI)
    assert found.n == 17
    assert found.bias == pytest.approx(-2.1, abs=0.05)
    assert found.sd == pytest.approx(38.8, abs=0.05)
    assert found.bias is not None
    assert found.sd is not None
    assert found.bias - 2.0 * found.sd == pytest.approx(-79.7, abs=0.1)
    assert found.bias + 2.0 * found.sd == pytest.approx(75.5, abs=0.1)
    assert found.bias_ends == pytest.approx((-22.0, 17.8), abs=0.1)
    # With their 2 SD: -114.3 to -45.1 and 40.9 to 110.1.
    assert found.low_ends == pytest.approx((-114.3, -45.1), abs=3.5)
    assert found.high_ends == pytest.approx((40.9, 110.1), abs=3.5)


def test_the_same_from_pingouin() -> None:
    """pingouin draws rather than returns its figures: they are read off its lines."""
    pingouin = pytest.importorskip("pingouin")
    with mpl.rc_context({"backend": "Agg"}):
        axis = pingouin.plot_blandaltman(np.array(LARGE, float), np.array(MINI, float))
    drawn = {round(float(np.ravel(line.get_ydata())[0]), 6) for line in axis.lines}
    axis.figure.clear()
    found = limits_of_agreement(LARGE, MINI)
    for value in (found.bias, found.low, found.high):
        assert value is not None
        assert min(abs(value - y) for y in drawn) < 0.01


def test_bias_and_slope_are_those_of_scipy() -> None:
    a, b = np.array(LARGE, float), np.array(MINI, float)
    found = limits_of_agreement(a, b)
    ends = stats.ttest_1samp(a - b, 0.0).confidence_interval(0.95)
    assert found.bias_ends == pytest.approx((ends.low, ends.high))
    line = stats.linregress((a + b) / 2.0, a - b)
    assert found.slope == pytest.approx(line.slope)
    assert found.slope_ends is not None
    reach = stats.t.ppf(0.975, 15) * line.stderr
    assert found.slope_ends == pytest.approx((line.slope - reach, line.slope + reach))


def test_a_line_is_that_of_nist() -> None:
    """NIST StRD Norris; the data ship inside scipy, the certified values stand in their header."""
    folder = Path(scipy.__file__).parent / "stats" / "tests" / "data" / "nist_linregress"
    y, x = np.loadtxt(folder / "Norris.dat", skiprows=60).T
    line = fit_line(x, y)
    assert line is not None
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-12)
    assert line.intercept == pytest.approx(-0.262323073774029, rel=1e-10)
    assert line.slope_u == pytest.approx(0.429796848199937e-03, rel=1e-10)
    assert line.intercept_u == pytest.approx(0.232818234301152, rel=1e-10)
    assert line.residual_sd == pytest.approx(0.884796396144373, rel=1e-10)
    assert line.dof == 34


def test_no_line_through_less_than_a_line() -> None:
    assert fit_line([1.0, 2.0], [1.0, 2.0]) is None
    assert fit_line([3.0, 3.0, 3.0], [1.0, 2.0, 3.0]) is None


def test_intervals_hold_the_truth() -> None:
    rng = np.random.default_rng(4)
    times, n = 2000, 12
    bias = low = 0
    for _ in range(times):
        d = 3.0 + 2.0 * rng.standard_normal(n)
        found = limits_of_agreement(d, np.zeros(n))
        assert found.bias_ends is not None
        assert found.low_ends is not None
        bias += found.bias_ends[0] <= 3.0 <= found.bias_ends[1]
        low += found.low_ends[0] <= 3.0 - 1.96 * 2.0 <= found.low_ends[1]
    assert bias / times == pytest.approx(0.95, abs=0.015)
    # The limit's interval is approximate (Bland & Altman 1999).
    assert low / times == pytest.approx(0.95, abs=0.03)


# -- what must always hold --


@given(
    st.lists(st.tuples(st.floats(-1e3, 1e3), st.floats(-1e3, 1e3)), min_size=3, max_size=30),
    st.floats(-100.0, 100.0),
)
def test_swapping_flips_and_shifting_shifts(pairs: list[tuple[float, float]], shift: float) -> None:
    a, b = np.array(pairs).T
    there, back = limits_of_agreement(a, b), limits_of_agreement(b, a)
    moved = limits_of_agreement(a + shift, b)
    assert there.bias == pytest.approx(-back.bias)  # type: ignore[operator]
    assert there.low == pytest.approx(-back.high, abs=1e-9)  # type: ignore[operator]
    assert moved.bias == pytest.approx(there.bias + shift, abs=1e-9)  # type: ignore[operator]
    assert moved.sd == pytest.approx(there.sd, abs=1e-6)
    assert there.low <= there.bias <= there.high  # type: ignore[operator]


@given(
    st.floats(-1e5, 1e5),
    st.lists(st.floats(5.0, 60.0), min_size=4, max_size=12, unique=True),
    st.booleans(),
)
def test_an_offset_changes_nothing_but_itself(
    offset_s: float, gaps: list[float], number: bool
) -> None:
    """With or without numbers of swings: the clock is found, and durations don't feel it."""
    swings = swings_at(*np.cumsum(gaps))
    labels = labels_of(swings, offset_s=offset_s, error_ms=2.0, number=number)
    try:
        found = agree(labels, swings, clock="offset")
    except LabelError:
        # Swings in an even rhythm, without numbers, can't be told apart.
        if number:
            raise
        reject()
    assert found.clock.offset_s == pytest.approx(offset_s, abs=0.01)
    assert found.matched == len(labels)
    for name in ("backswing_ms", "downswing_ms", "swing_ms"):
        plain = agree(labels_of(swings, error_ms=2.0), swings)
        assert row_of(found.rows, name).bias == pytest.approx(
            row_of(plain.rows, name).bias, abs=1e-4
        )


# -- matching and clocks --


def test_labels_are_matched_by_time_or_number() -> None:
    swings = swings_at(*TIMES)
    for number in (True, False):
        labels = labels_of(swings[:-1], number=number)[::-1]
        found = agree(labels, swings)
        assert (found.matched, found.labelled) == (5, 5)
        assert found.unlabelled == (6,)
        assert row_of(found.rows, "top_s").bias == pytest.approx(0.0, abs=1e-9)


def test_labels_without_a_swing_are_reported() -> None:
    swings = swings_at(*TIMES)
    odd = [
        Label(line=30, swing=None, rater="", values={"top_s": 500.0}, u={}),
        Label(line=31, swing=77, rater="", values={"top_s": 11.0}, u={}),
    ]
    found = agree([*labels_of(swings), *odd], swings)
    assert found.lost_lines == (30, 31)
    assert (found.labels, found.matched) == (8, 6)


def test_a_fitted_clock_takes_its_event_along() -> None:
    swings = swings_at(*TIMES)
    labels = [
        dataclasses.replace(
            label, values={**label.values, "takeaway_s": label.values["takeaway_s"] + 0.012}
        )
        for label in labels_of(swings, offset_s=-3.25)
    ]
    found = agree(labels, swings, clock="offset")
    assert found.clock.event == "impact_s"
    assert found.clock.n == 6
    assert found.clock.offset_s == pytest.approx(-3.25)
    impact, takeaway = row_of(found.rows, "impact_s"), row_of(found.rows, "takeaway_s")
    assert impact.fitted
    assert not takeaway.fitted
    # Tool minus label, relative to the impact.
    assert takeaway.bias == pytest.approx(-12.0)
    assert row_of(found.rows, "backswing_ms").bias == pytest.approx(12.0)


def test_a_clock_with_another_rate() -> None:
    swings = swings_at(*(20.0 * k for k in range(1, 16)))
    labels = labels_of(swings, offset_s=100.0, rate=0.001, error_ms=1.0)
    line = agree(labels, swings, clock="line")
    assert line.clock.rate == pytest.approx(0.001, abs=2e-5)
    assert row_of(line.rows, "top_s").sd == pytest.approx(1.0, rel=0.6)
    assert line.drift_ms is None
    offset = agree(labels, swings, clock="offset")
    # 0.1 % of 280 s.
    assert offset.drift_ms == pytest.approx(280.0, rel=0.05)
    assert agree(labels_of(swings, error_ms=1.0), swings).drift_ms is None


def test_a_fitted_rate_is_taken_out_of_durations_and_finds_all_swings() -> None:
    gaps_s = np.random.default_rng(3).uniform(9.0, 20.0, 24)
    swings = swings_at(*np.cumsum(gaps_s).tolist())
    labels = labels_of(swings, offset_s=5.0, rate=0.003, number=False)
    found = agree(labels, swings, clock="line")
    # An offset alone holds only those swings that lie near the middle of the session.
    assert found.labelled == len(swings)
    assert found.clock.n == len(swings)
    assert found.clock.rate == pytest.approx(0.003, abs=1e-9)
    for name in ("swing_ms", "backswing_ms", "downswing_ms"):
        assert row_of(found.rows, name).bias == pytest.approx(0.0, abs=1e-6)
    stated = [
        dataclasses.replace(label, values={**label.values, "swing_ms": 1.003 * swing.swing_ms})
        for label, swing in zip(labels, swings, strict=True)
        if swing.swing_ms is not None
    ]
    row = row_of(agree(stated, swings, clock="line").rows, "swing_ms")
    assert row.bias == pytest.approx(0.0, abs=1e-6)
    # On clocks that keep time with each other, what is written stands.
    same = agree(labels_of(swings), swings)
    assert row_of(same.rows, "swing_ms").bias == pytest.approx(0.0, abs=1e-6)


def test_two_raters_are_averaged_and_compared() -> None:
    swings = swings_at(*TIMES)
    early = labels_of(swings, rater="Ida")
    late = [
        Label(
            line=label.line + 10,
            swing=label.swing,
            rater="Runa",
            values={name: x + 0.004 for name, x in label.values.items()},
            u={},
        )
        for label in early
    ]
    found = agree([*early, *late], swings)
    assert found.raters == ("Ida", "Runa")
    assert row_of(found.rows, "top_s").bias == pytest.approx(-2.0)
    assert row_of(found.rows, "top_s").n == 6
    between = {row.quantity: (one, other, row) for one, other, row in found.between}
    one, other, row = between["top_s"]
    assert (one, other) == ("Ida", "Runa")
    assert row.bias == pytest.approx(-4.0)


def test_stated_uncertainty_is_held_against_what_is_found() -> None:
    swings = swings_at(*(20.0 * k for k in range(1, 41)))
    # The tool states 2 ms; the labels are off by 2 ms as well, and say so or not.
    said = agree(labels_of(swings, error_ms=2.0, u={"top_s": 0.002}), swings)
    row = row_of(said.rows, "top_s")
    assert (row.judged, row.held) == (
        40,
        int(np.sum(np.abs(row.difference) <= 1.96 * 2.0 * 2**0.5)),
    )
    kept = agree(labels_of(swings, error_ms=2.0), swings)
    assert row_of(kept.rows, "top_s").held <= row.held
    # Of a duration from two labelled events, the label's own uncertainty is that of both.
    both = agree(labels_of(swings, error_ms=4.0, u={"takeaway_s": 0.004, "top_s": 0.004}), swings)
    back = row_of(both.rows, "backswing_ms")
    u = math.hypot(2.0, 4.0, 4.0)
    assert back.held == int(np.sum(np.abs(back.difference) <= 1.959964 * u))


def test_what_the_tool_has_no_number_for_is_counted() -> None:
    swings = swings_at(*TIMES)
    swings[0] = dataclasses.replace(swings[0], top_s=None, top_s_u=None)
    swings[1] = dataclasses.replace(swings[1], notes=(Note("rate_lower_bound", "clipped"),))
    labels = [
        dataclasses.replace(label, values={**label.values, "peak_rate_dps": 1000.0})
        for label in labels_of(swings_at(*TIMES))
    ]
    found = agree(labels, swings)
    assert found.absent["top_s"] == 1
    assert found.absent["peak_rate_dps"] == 1
    assert row_of(found.rows, "top_s").n == 5


def test_faults_are_said() -> None:
    swings = swings_at(*TIMES)
    labels = labels_of(swings)
    with pytest.raises(LabelError, match=r"lines 2 and 9 both label swing #1: .*'rater'"):
        agree([*labels, dataclasses.replace(labels[0], line=9)], swings)
    with pytest.raises(LabelError, match=r"only 2 of 2 labels .* at least 3"):
        agree(labels[:2], swings)
    with pytest.raises(LabelError, match=r"--clock offset"):
        agree(labels_of(swings, offset_s=500.0, number=False), swings)
    with pytest.raises(LabelError, match=r"line 2: its takeaway_s lies 7\.0 s after .* #1"):
        agree(labels_of(swings, offset_s=7.0), swings)
    with pytest.raises(LabelError, match="'swing'"):
        agree(labels_of(swings[:2], number=False), swings, clock="offset")
    # An even rhythm fits at more than one offset.
    even = swings_at(*(10.0 * k for k in range(1, 9)))
    with pytest.raises(LabelError, match="can't be told"):
        agree(labels_of(even[:5], number=False), even, clock="offset")


def test_few_have_no_spread() -> None:
    found = limits_of_agreement([1.0, 2.0], [1.0, 1.5])
    assert found.n == 2
    assert found.bias is None
    assert found.low is None
