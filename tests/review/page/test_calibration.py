"""A sensor is calibrated on the page, step by step, by the way of the command line."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import html5lib
import pytest
from page_words import NOWHERE, OFF_THE_SCREEN, text_of, whole_of, words_in
from range_site import RangeSite, range_site, wait

from sensor.recording.calibration import known_sensors
from unhurried.app.page_calibration import FOLDER

HERE = "/settings/calibration"
KEY = "simulated-sim-0001"


@pytest.fixture
def site(tmp_path: Path) -> Iterator[RangeSite]:
    with range_site(tmp_path / "home", speed=25.0) as up:
        yield up


def over(site: RangeSite) -> Any:
    """Wait until a calibration is over; return how it ended."""
    wait(lambda: not site.hub.calibration.running)
    return site.hub.calibration


def sound(site: RangeSite, window: Any, axe: str) -> None:
    """Judge the screen as it stands: HTML, width, words, and axe's rules."""
    html5lib.HTMLParser(strict=True).parse(site.http.get(HERE).text)
    text = text_of(whole_of(site, HERE))
    assert words_in(f"{OFF_THE_SCREEN}|{NOWHERE}", text) == []
    assert window.evaluate("document.documentElement.scrollWidth") <= 390
    window.evaluate(axe)
    assert (
        window.evaluate("async () => (await axe.run(document)).violations.map((v) => v.id)") == []
    )


def test_a_coach_is_led_through_it_and_sees_what_came_of_it(
    site: RangeSite, open_page: Callable[..., Any], axe: str
) -> None:
    window = open_page(f"{site.url}/settings", width=390)
    window.click("text=Calibrate a sensor")
    window.wait_for_selector("text=Begin")
    sound(site, window, axe)
    window.select_option("[name=sensor]", "simulated")
    window.click("text=Begin")
    window.wait_for_selector("text=Faces: 6 of 6")
    assert "gravity reads" in window.inner_text("main")
    # One thing has the sensor at a time, and it is said on Range as well.
    refused = site.post("/range/start", sensor="simulated", mount="wrist")
    assert "is being calibrated" in refused.text
    window.wait_for_selector("li >> text=it reads 3")
    window.wait_for_selector(f"text=The simulated sensor is calibrated: {KEY}.")
    text = window.inner_text("main")
    assert f"Kept in the home: sensors/{KEY}.json." in text
    assert "12 turns taken" in text
    window.wait_for_selector("text=Once more")
    assert window.locator("text=Stop here").count() == 0
    sound(site, window, axe)
    (kept,) = known_sensors(site.home)[KEY]
    assert (kept.n_positions, kept.n_turns) == (6, 12)
    # The procedure's own recording is nobody's session.
    assert len(list((site.home / FOLDER).iterdir())) == 1
    window.click("main >> text=Settings")
    window.click("text=Take it out of use")
    window.wait_for_selector("text=No sensor is calibrated")
    assert known_sensors(site.home)[KEY][0].withdrawn_at is not None


def test_what_cannot_be_used_is_said_in_a_line_and_nothing_is_kept(site: RangeSite) -> None:
    assert site.post(HERE, sensor="simulated").status_code == 303
    wait(lambda: bool(site.hub.calibration.positions))
    site.post(f"{HERE}/stop")
    ended = over(site)
    assert ended.phase == "failed"
    assert "still position" in ended.outcome
    assert "--" not in ended.outcome
    assert known_sensors(site.home) == {}
    # Without a radio here: told, with what helps, and another try is offered.
    site.post(HERE, sensor="near")
    ended = over(site)
    assert ended.phase == "failed"
    page = site.http.get(HERE).text
    assert 'role="alert"' in page
    assert "Once more" in page
    assert "--simulated" not in page
    assert site.post(f"{HERE}/remove", sensor="../x").status_code == 400
    # A recording keeps it from beginning.
    site.start()
    site.post(HERE, sensor="simulated")
    assert not site.hub.calibration.running
    assert "A recording runs" in site.http.get(HERE).text
