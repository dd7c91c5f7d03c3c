"""How long a battery may last is said only where its fall was seen."""

from __future__ import annotations

from pathlib import Path

import pytest

from sensor.link.battery import BatteryCourse
from sensor.link.status import LinkStatus
from unhurried.app.battery_memory import left_as_last_time, remember_pace
from words.battery import battery_words


def course(*readings: tuple[float, int]) -> BatteryCourse:
    """Readings by minute."""
    made = BatteryCourse(15)
    for minute, percent in readings:
        made.note(percent, 60.0 * minute)
    return made


@pytest.mark.parametrize(
    ("readings", "left"),
    [
        ((), None),
        # It stands: nothing is known of how it falls.
        (((0, 80), (60, 80)), None),
        # The first percent may have been nearly over.
        (((0, 80), (1, 79), (8, 78), (15, 77)), None),
        (((0, 80), (1, 79), (8, 78), (15, 77), (22, 76)), 76 * 7.0),
        # Three percent in five minutes are too short a time.
        (((0, 80), (1, 79), (2, 78), (3, 77), (4, 76)), None),
        # Charged in between.
        (((0, 80), (1, 79), (8, 78), (15, 77), (22, 76), (30, 100), (31, 99)), None),
    ],
)
def test_what_is_left_by_how_it_fell(
    readings: tuple[tuple[float, int], ...], left: float | None
) -> None:
    found = course(*readings).left_min
    assert found == (None if left is None else pytest.approx(left))


def test_the_next_day_knows_how_it_fell_the_last_time(tmp_path: Path) -> None:
    def status(percent: int | None, left: float | None) -> LinkStatus:
        counts = ("received", "lost", "gap_samples", "duplicate", "late", "malformed", "oversized")
        return LinkStatus(
            state="streaming",
            rate_hz=None,
            loss=None,
            signal_dbm=None,
            battery_percent=percent,
            disk_left_bytes=None,
            recorded_s=0.0,
            reconnects=0,
            battery_left_min=left,
            **dict.fromkeys(counts, 0),  # type: ignore[arg-type]
        )

    remember_pace(tmp_path, "one", "C0:FF:EE", status(62, None))
    assert left_as_last_time(tmp_path, "C0:FF:EE", 62) is None
    remember_pace(tmp_path, "one", "C0:FF:EE", status(60, 240.0))
    left = left_as_last_time(tmp_path, "C0:FF:EE", 90)
    assert left == pytest.approx(360.0)
    assert battery_words(90, left, as_last_time=True) == (
        "battery 90 %, about 6 h left as last time"
    )
    assert left_as_last_time(tmp_path, "C0:FF:EE", None) is None
    assert left_as_last_time(tmp_path, "another", 90) is None
    # What somebody wrote there by hand is no reason to stumble.
    (tmp_path / "sensors" / "one.json").write_text('{"battery": {"percent_per_h": true}}')
    assert left_as_last_time(tmp_path, "C0:FF:EE", 90) is None
    (tmp_path / "sensors" / "one.json").write_text("[")
    assert left_as_last_time(tmp_path, "C0:FF:EE", 90) is None


def test_it_is_said_in_minutes_or_not_at_all() -> None:
    said = battery_words
    assert said(None, None) == ""
    assert said(62, None) == "battery 62 %"
    assert said(62, 97.0) == "battery 62 %, about 100 min left"
    assert said(1, 2.0) == "battery 1 %, under 10 min left"
    assert said(90, 2000.0) == "battery 90 %, over 10 h left"
