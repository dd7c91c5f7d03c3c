"""Who is next: a name before the takeaway, and the last swing moved by one tap after it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from lesson_numbers import number
from range_site import RangeSite, kinds, range_site

from analysis import SwingFinder
from sensor.recording.opening import open_recording
from simulation.motion.activities import random_activity
from simulation.sessions import simulate_swing
from unhurried.app.ingest import open_library
from unhurried.app.measuring import analyze
from words.glossary import MOUNTS

NAMES = ("Anouk", "Bertil", "Chidi", "Dagny", "Emeka", "Freya")
PHONE = {"viewport": {"width": 390, "height": 844}, "has_touch": True, "is_mobile": True}


@pytest.fixture
def site(tmp_path: Path) -> Iterator[RangeSite]:
    with open_library(tmp_path / "home") as library:
        for name in NAMES:
            library.save_player(library.people.add(name))
        child = library.people.add("Gaspard", child=True)
        library.save_player(child)
    with range_site(tmp_path / "home", speed=8.0) as up:
        yield up


def swung(site: RangeSite) -> list[str | None]:
    """Whose each swing is, as the library has it."""
    with open_library(site.home) as library:
        table = library.swings(
            session=str(site.hub.state.session), columns=("number", "player_name"), excluded=True
        )
        return [row["player_name"] for row in table.rows()]


def key_of(site: RangeSite, name: str) -> str:
    return next(one.key for one in site.hub.state.people if one.name == name)


def test_a_name_before_the_takeaway_and_one_tap_after(
    site: RangeSite, browser: Any, record_property: Any
) -> None:
    site.start(club="driver")
    site.until(lambda s: len(s.people) == len(NAMES))
    # A child of whom nobody agreed isn't offered.
    assert {one.name for one in site.hub.state.people} == set(NAMES)
    context = browser.new_context(**PHONE)
    window = context.new_page()
    window.goto(f"{site.url}/range")
    for name in NAMES:
        window.tap(f"#next-{key_of(site, name)}")
        window.wait_for_selector(f"#said:has-text('Next: {name}.')")
        site.until(lambda s, name=name: s.last is not None and s.last.player == name)
    number(record_property, "changing pupils on one sensor: taps", 1, "at most 2")
    # The last one was somebody else's after all: one tap.
    last = site.hub.state.last
    assert last is not None
    window.wait_for_selector(f"legend:has-text('Swing {last.number} was of')")
    assert site.post("/range/hold", held="yes").status_code == 200
    window.tap(f"#whose-{key_of(site, 'Anouk')}")
    window.wait_for_selector("#said:has-text('was of Anouk')")
    moved = {one.number for one in site.hub.state.swings if one.player == "Anouk"}
    assert site.post("/range/hold", held="no").status_code == 200
    window.tap("#next-guest")
    window.wait_for_selector("#said:has-text('Next: a guest.')")
    context.close()
    site.until(lambda s: s.last is not None and s.last.player is None)
    # And one that was a guest's, though a name was chosen.
    guests = next(one for one in site.hub.state.swings if one.player == "Bertil")
    said = site.post("/range/whose", who="guest", swing=guests.key).json()["text"]
    assert said == f"Swing {guests.number} was of a guest."
    assert site.post("/range/undo").status_code == 200
    assert [one.player for one in site.hub.state.swings if one.key == guests.key] == ["Bertil"]
    assert site.post("/range/whose", who="guest", swing=guests.key).status_code == 200
    site.stop()
    # By the markers: whose name was tapped last before each takeaway.
    with open_recording(site.folder) as recording:
        takeaways = [
            recording.seq_of_time(float(swing.takeaway_s or swing.impact_s or 0.0))
            for swing in analyze(recording).swings
        ]
    tapped = [(one["seq"], one["player"]) for one in kinds(site.folder, "segment")]
    expected = [
        next((name for seq, name in reversed(tapped) if seq <= at), None) for at in takeaways
    ]
    assert set(NAMES) <= set(expected)
    assert expected[-1] is None
    wrong_before = [k for k, name in enumerate(expected, 1) if name == "Anouk"]
    (one_moved,) = moved - set(wrong_before)
    expected[one_moved - 1] = "Anouk"
    expected[guests.number - 1] = None
    assert swung(site) == expected
    with open_library(site.home) as library:
        assert {row.name for row in library.players()} == {*NAMES, "Gaspard"}


def test_a_name_that_is_not_offered_is_refused(site: RangeSite) -> None:
    site.start()
    assert site.post("/range/next", who="nobody-known").status_code == 400
    assert site.post("/range/whose", who="guest").status_code == 400
    site.until(lambda s: bool(s.people))
    assert site.post("/range/who", new_player="Halvor").status_code == 200
    # A name that was typed is in the row from then on.
    state = site.until(lambda s: any(one.name == "Halvor" for one in s.people))
    assert state.player == "Halvor"
    assert site.post("/range/next", who=key_of(site, "Bertil")).status_code == 200
    assert site.post("/range/next", who=key_of(site, "Halvor")).status_code == 200
    site.stop()


@pytest.mark.parametrize("mount", MOUNTS)
def test_taking_the_sensor_off_and_putting_it_on_is_no_swing(
    mount: Any, record_property: Any
) -> None:
    found = []
    for seed in range(12):
        rng = np.random.default_rng(1000 + seed)
        action = random_activity(rng, mount=mount, grid_hz=800.0, kind="handle")
        made = simulate_swing(seed, mount=mount, action=action)
        finder = SwingFinder(
            rate_hz=made.nominal_rate_hz,
            mount=mount,
            gyr_range_dps=made.gyr_range_dps,
            acc_range_g=made.acc_range_g,
        )
        found += [*finder.feed(made.seq, made.acc_m_s2, made.gyr_dps), *finder.flush()]
    number(record_property, f"strap handled 12 times, {mount}: swings found", len(found), "0")
    assert found == []
