"""What `info` reports: clipping and rest."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from sensor.recording.layout import COUNTS_DTYPE
from sensor.recording.opening import open_recording
from sensor.recording.session import Session
from sensor.recording.summary import clip_limit, summarize
from sensor.recording.writer import RecordingWriter


@pytest.mark.parametrize(
    ("full", "per_count", "kind", "limit"),
    [
        (2000.0, 0.07, "counts", 2000.0 - 0.035),
        (4000.0, 0.07, "counts", 32766.5 * 0.07),
        (None, 0.07, "counts", 32766.5 * 0.07),
        (100.0, None, "float", 99.9),
        (None, None, "float", None),
    ],
)
def test_where_clipping_begins(
    full: float | None, per_count: float | None, kind: str, limit: float | None
) -> None:
    assert clip_limit(full, per_count, kind) == pytest.approx(limit)


def test_shares_and_rest(tmp_path: Path) -> None:
    session = Session.new(
        nominal_rate_hz=200.0,
        gyr_range_dps=2000.0,
        acc_range_g=16.0,
        gyr_dps_per_count=0.07,
        acc_m_s2_per_count=0.005,
    )
    rng = np.random.default_rng(0)
    rows = np.zeros(2000, COUNTS_DTYPE)
    rows["seq"] = np.arange(2000)
    rows["az"] = 1962 + rng.integers(-4, 5, 2000)
    rows["gx"] = rng.integers(-10, 11, 2000)
    rows["gy"][1000:] = rng.integers(-5000, 5000, 1000)
    rows["gz"][1200:1220] = round(2000.0 / 0.07)
    rows["gz"][1300:1400] = round(1990.0 / 0.07)
    rows["ax"][1500:1540] = -round(16.0 * 9.80665 / 0.005)
    with RecordingWriter(tmp_path / "rec", session) as out:
        out.append(None, rows)
    told: list[int] = []
    with open_recording(tmp_path / "rec") as recording:
        summary = summarize(recording, progress=told.append)
    assert summary.gyr_clipped == pytest.approx(20 / 2000)
    assert summary.acc_clipped == pytest.approx(40 / 2000)
    assert summary.rest_s == pytest.approx(5.0)
    assert summary.rest_acc_m_s2 == pytest.approx(1962 * 0.005, abs=0.005)
    assert sum(told) == 2000
    with RecordingWriter(tmp_path / "none", session):
        pass
    with open_recording(tmp_path / "none") as recording:
        assert summarize(recording).rest_acc_m_s2 is None
        assert summarize(recording).gyr_clipped == 0.0
