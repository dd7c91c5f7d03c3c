"""The curve of recognition: thresholds by what they let through, on scores written out."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchmarks.curve import RATES_AN_HOUR, missed, tables


def test_the_threshold_lets_through_what_it_may_and_no_more() -> None:
    others = np.array([-1.0, 3.0, 0.5, 2.0, 1.0])
    best = np.array([0.0, 1.5, 2.5, 3.5, -math.inf])
    # In ten hours: at 0.1 an hour one of five may pass, at 0.2 two.
    limit, share = missed(best, others, 10.0, 0.1)
    assert limit == 2.0
    assert (others > limit).sum() == 1
    assert share == pytest.approx(3 / 5)
    limit, share = missed(best, others, 10.0, 0.2)
    assert limit == 1.0
    assert share == pytest.approx(2 / 5)
    # More than there were: only what has no candidate is missed.
    assert missed(best, others, 10.0, 2.0) == (-math.inf, pytest.approx(1 / 5))


def test_every_rate_has_its_column() -> None:
    of = {"n": 3, "missed": {f"{rate:g}": rate for rate in RATES_AN_HOUR}}
    text = tables({"wrist": {"hours": 10.0, "kinds": {"full": of}}})
    head, _, line = text.splitlines()[:3]
    assert [f"{rate:g} invented" in head for rate in RATES_AN_HOUR] == [True] * 3
    assert "10.0 %" in line
    assert "50.0 %" in line
