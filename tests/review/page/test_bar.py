"""The live bar: Hold, Not that one, Again and Sore, by taps and keys, and what is kept of them."""

from __future__ import annotations

import itertools
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from lesson_numbers import number
from patience import PATIENCE_S
from range_site import RangeSite, kinds, range_site, wait

from sensor.recording.opening import open_recording
from unhurried.app.ingest import open_library
from unhurried.app.measuring import analyze

PHONE = {"viewport": {"width": 390, "height": 844}, "has_touch": True, "is_mobile": True}
LEAST_PX = 64
APART_PX = 12
ASKED_S = 0.5
SILENT_S = 5.0
"""Ten times what is asked for: a machine with much else to do may take longer."""
DRILL = {
    "sensor": "simulated",
    "mount": "wrist",
    "cautions": "read",
    "block": "rehearsal",
    "repeats": "50",
    "rest_s": "1",
    "backswing_ms": "900",
    "full_turn_deg": "90",
    "cue": "ready",
    "schedule": "every",
}


@pytest.fixture
def site(tmp_path: Path) -> Iterator[RangeSite]:
    with range_site(tmp_path / "home", speed=25.0) as up:
        yield up


@pytest.fixture
def phone(browser: Any) -> Iterator[Callable[[str], Any]]:
    contexts: list[Any] = []
    complaints: list[str] = []

    def make(url: str) -> Any:
        contexts.append(browser.new_context(**PHONE))
        window = contexts[-1].new_page()
        window.on("pageerror", lambda error: complaints.append(str(error)))
        window.goto(url)
        return window

    yield make
    for context in contexts:
        context.close()
    assert complaints == []


def excluded(site: RangeSite) -> list[str | None]:
    """Why each swing of the latest session is left out."""
    with open_library(site.home) as library:
        session = str(site.hub.state.session)
        table = library.swings(session=session, columns=("number", "excluded"), excluded=True)
        return [row["excluded"] for row in table.rows()]


def test_held_swings_are_found_listed_and_never_count(
    site: RangeSite, phone: Callable[[str], Any]
) -> None:
    site.start(new_player="Ida", club="driver")
    site.until(lambda s: s.count >= 1)
    window = phone(f"{site.url}/range")
    window.wait_for_selector("#hold")
    window.keyboard.press("PageUp")
    window.wait_for_selector(".hold-now:has-text('Nothing counts')")
    before = site.hub.state.count
    site.until(lambda s: s.held_count >= 3)
    # One that had begun before it was pressed may have come since.
    assert site.hub.state.count <= before + 1
    assert window.inner_text("#hold") == "Go on"
    window.tap("#hold")
    window.wait_for_selector(".hold-now", state="detached")
    counted, held = site.hub.state.count, site.hub.state.held_count
    site.until(lambda s: s.count >= counted + 1)
    window.wait_for_selector(
        f"summary:has-text('left out during Hold: {site.hub.state.held_count}')"
    )
    state = site.stop()
    assert [one["held"] for one in kinds(site.folder, "hold")] == [True, False]
    # What is found afterwards says the same of the same swings, and no average has them.
    with open_recording(site.folder) as recording:
        found = analyze(recording)
    noted = [any(note.code == "held" for note in swing.notes) for swing in found.swings]
    assert sum(noted) == state.held_count >= held
    assert len(noted) - sum(noted) == state.count
    assert sum(group.n for group in found.summary()) == state.count
    # Also one that began at the finish of another: a back-and-forth swing counts live.
    assert len(found.select(back_and_forth=True).swings) == state.count
    assert excluded(site) == ["held" if one else None for one in noted]
    # They can be made to count again, and only by hand.
    with open_library(site.home) as library:
        table = library.swings(session=str(state.session), columns=("seq",), excluded=True)
        seq = int(table["seq"][noted.index(True)])
    form = {"do": "include", "seq": str(seq), "query": ""}
    answer = site.post(f"/session/{state.session}/swings", **form)
    assert answer.status_code == 303, answer.text
    assert excluded(site)[noted.index(True)] is None
    assert excluded(site).count("held") == sum(noted) - 1


def test_a_recording_that_ends_held_is_held_to_its_end(site: RangeSite) -> None:
    site.start()
    assert site.post("/range/hold", held="yes").status_code == 200
    # Twice is the same as once.
    assert site.post("/range/hold", held="yes").status_code == 200
    site.until(lambda s: s.held_count >= 2)
    state = site.stop()
    assert state.count == 0
    assert set(excluded(site)) == {"held"}


def test_not_that_one_and_back(site: RangeSite, phone: Callable[[str], Any]) -> None:
    site.start(new_player="Ida", club="driver")
    window = phone(f"{site.url}/range")
    site.until(lambda s: s.count >= 1)
    window.wait_for_selector("#not-that")
    window.wait_for_selector(".far")
    # By the key of a presenter it would be the swing of that moment: here one is named.
    key = site.hub.state.swings[0].key
    assert site.post("/range/not-that", swing=key).json()["text"] == "Swing 1 left out."
    state = site.until(lambda s: s.count >= 2)
    assert state.swings[0].left_out == "not that one"
    # The key is of the swing that the screen shows: as soon as that isn't the first any more.
    window.wait_for_selector(".which:not(:has-text('Swing 1:'))")
    window.keyboard.press("PageDown")
    window.wait_for_selector("#said:has-text('left out')")
    left_out = {one.number for one in site.hub.state.swings if one.left_out}
    assert len(left_out) == 2
    assert site.post("/range/not-that", swing=key).json()["text"] == "Swing 1 counts."
    assert site.post("/range/undo").status_code == 200
    assert site.post("/range/undo").status_code == 200
    site.stop()
    wait(lambda: excluded(site).count("not that one") == 1)
    assert excluded(site)[0] == "not that one"


def test_again_shows_the_last_swing_here_and_on_the_wall(
    site: RangeSite, phone: Callable[[str], Any]
) -> None:
    window, wall = phone(f"{site.url}/range"), phone(f"{site.url}/wall")
    assert site.post("/range/again").status_code == 400
    site.start(new_player="Ida", club="driver")
    site.until(lambda s: s.count >= 1)
    window.wait_for_selector("#again")
    # It goes with the next swing, which may come at once: what it said is kept.
    window.evaluate(
        "() => { const box = document.getElementById('once-more'); window.saidAgain = '';"
        " new MutationObserver(() => { window.saidAgain += box.textContent; })"
        ".observe(box, {childList: true, subtree: true}); }"
    )
    window.tap("#again")
    wait(lambda: "typical practice swing" in window.evaluate("window.saidAgain"))
    window.wait_for_selector("#once-more", state="hidden")
    again = site.hub.state.again
    assert again == 1
    # From a presenter that is plugged into the wall's computer, too.
    with wall.expect_response("**/wall/shown"):
        wall.keyboard.press("b")
    wait(lambda: site.hub.state.again == again + 1)
    wall.keyboard.press("PageUp")
    wait(lambda: site.hub.state.held)
    site.stop()
    # Where nothing runs the keys are the browser's own.
    window.wait_for_selector("#start")
    window.keyboard.press("PageUp")
    assert site.hub.state.phase == "kept"


def test_keys_that_are_typed_are_only_typed(site: RangeSite, phone: Callable[[str], Any]) -> None:
    site.start()
    site.until(lambda s: s.count >= 1)
    window = phone(f"{site.url}/range")
    window.wait_for_selector("#again")
    window.click("#note summary")
    window.fill("#note textarea", "a")
    window.press("#note textarea", "b")
    window.press("#note textarea", "PageUp")
    assert window.input_value("#note textarea") == "ab"
    assert (site.hub.state.again, site.hub.state.held) == (0, False)
    site.stop()


def test_sore_is_silent_at_once_and_ends_the_drill(
    site: RangeSite, phone: Callable[[str], Any], record_property: Any
) -> None:
    assert site.post("/range/drill", **DRILL, new_player="Ida").status_code == 200
    site.until(lambda s: s.count >= 1)
    window = phone(f"{site.url}/range")
    desk: Any = site.hub.desk
    sound = desk.run.sound
    wait(lambda: sound.mixer.waiting > 0)
    window.evaluate("document.getElementById('sore').click()")
    began = time.monotonic()
    site.until(lambda s: s.sore)
    played: list[float] = []
    keep = sound.play
    sound.play = lambda *given: (played.append(time.monotonic()), keep(*given))[1]
    wait(lambda: sound.mixer.render(1)[0] == 0.0 and sound.mixer.waiting == 0)
    took_s = time.monotonic() - began
    number(record_property, "sore: silent after, s", round(took_s, 3), f"at most {ASKED_S:g}")
    assert took_s < SILENT_S
    state = site.until(lambda s: s.phase in ("kept", "failed"))
    assert state.sore
    assert played == []
    assert kinds(site.folder, "sore")
    assert kinds(site.folder, "drill_outcome")
    with open_library(site.home) as library:
        (plan,) = library.player("Ida").plans
    assert [event["word"] for event in plan.history] == ["discomfort"]
    window.wait_for_selector(".hold-now:has-text('Only the coach starts again')")
    # The coach, at the computer, starts again.
    window.wait_for_selector("#start", timeout=1000 * PATIENCE_S)
    site.start()
    assert not site.hub.state.sore
    site.stop()


def test_in_a_drill_held_swings_are_marked_and_never_judged(site: RangeSite) -> None:
    assert site.post("/range/drill", **DRILL).status_code == 200
    site.until(lambda s: s.count >= 1)
    assert site.post("/range/hold", held="yes").status_code == 200
    desk: Any = site.hub.desk
    drill, sound = desk.run.drill, desk.run.sound
    judged, played = drill.done, []
    keep = sound.play
    sound.play = lambda *given: (played.append(given), keep(*given))[1]
    state = site.until(lambda s: s.held_count >= 4)
    # One that had begun before it was held counts; it too is silent.
    assert drill.done <= judged + 1
    assert played == []
    site.stop()
    left_out = kinds(site.folder, "drill_swing_left_out")
    assert [one["why"] for one in left_out[: state.held_count]] == ["held"] * state.held_count
    judged_too = {one["swing"] for one in kinds(site.folder, "drill_swing")}
    assert judged_too.isdisjoint(one["swing"] for one in left_out)


def test_the_usual_sets_need_no_number_of_swings(site: RangeSite) -> None:
    usual = DRILL | {"block": "usual", "repeats": ""}
    assert site.post("/range/drill", **usual | {"repeats": "2.5"}).status_code >= 400
    assert site.post("/range/drill", **usual).status_code == 200
    drill = site.until(lambda s: s.drill is not None).drill
    assert drill is not None
    assert drill.all_of == 20
    site.stop()


def test_each_button_is_large_and_far_from_the_next(
    site: RangeSite, phone: Callable[[str], Any]
) -> None:
    site.start(new_player="Ida", club="driver")
    window = phone(f"{site.url}/range")
    window.wait_for_selector("#sore")
    for width in (320, 390, 768, 1280):
        window.set_viewport_size({"width": width, "height": 800})
        # In one go: the screen is drawn anew while it is looked at.
        boxes = window.evaluate(
            "[...document.querySelectorAll('.live-bar button')]"
            ".map((one) => one.getBoundingClientRect().toJSON())"
        )
        assert len(boxes) == 4
        assert min(min(one["width"], one["height"]) for one in boxes) >= LEAST_PX, width
        gaps = [b["left"] - a["right"] for a, b in itertools.pairwise(boxes)]
        assert min(gaps) >= APART_PX - 0.01, width
        assert window.evaluate("document.documentElement.scrollWidth") <= width
    site.stop()
