"""Before a drill's first swing: is the sound heard? And what is picked where nothing is set."""

from __future__ import annotations

import io
import re
import wave
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from listening import onsets_s
from range_site import RangeSite, kinds, range_site

from library.limits import LimitsRecord
from library.players import PlanRecord
from review.page.livehub import DrillState
from review.page.range import HEARD_WORDS
from unhurried.app.ingest import open_library
from words.sound import FIX, HEARD, NO_OUTPUT, TOO_SOFT

LEAST_PX = 64
APART_PX = 12


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RangeSite]:
    with range_site(tmp_path_factory.mktemp("sound") / "home") as up:
        yield up


def drill_at(
    site: RangeSite, state: str, *, too_soft: bool = False, no_output: bool = False
) -> None:
    drill = DrillState(
        block=1, blocks=8, block_kind="silent", done=0, of=3, all_done=0, all_of=20,
        state=state, sound="Speakers", what="3 practice swings without sound", too_soft=too_soft,
        no_output=no_output,
    )  # fmt: skip
    site.hub.update(phase="going", kind="drill", drill=drill, simulated=True)


@pytest.fixture
def phone(browser: Any) -> Iterator[Callable[[str], Any]]:
    made: list[Any] = []

    def open_(url: str) -> Any:
        context = browser.new_context(viewport={"width": 390, "height": 664}, has_touch=True)
        made.append(context)
        window = context.new_page()
        window.goto(url)
        return window

    yield open_
    for context in made:
        context.close()


@pytest.mark.parametrize(
    ("state", "labels", "words"),
    [
        ("checking", ["Heard it", "No sound"], HEARD),
        ("unheard", ["Go on without sound", "Play it again", "Heard it"], FIX),
        ("unheard", ["Go on without sound"], NO_OUTPUT),
    ],
)
def test_what_is_heard_is_one_tap_and_large(
    site: RangeSite, phone: Callable[[str], Any], state: str, labels: list[str], words: str
) -> None:
    drill_at(site, state, no_output=words == NO_OUTPUT)
    window = phone(f"{site.url}/range")
    assert words in window.inner_text(".heard")
    buttons = window.locator(".heard button").all()
    assert [one.inner_text() for one in buttons] == labels
    boxes = [one.bounding_box() for one in buttons]
    for box in boxes:
        assert min(box["width"], box["height"]) >= LEAST_PX
        assert box["y"] + box["height"] <= 664, "without scrolling"
    # *No sound*, and then *go on without sound*, is the largest.
    large = boxes[1] if state == "checking" else boxes[0]
    assert large["height"] == max(one["height"] for one in boxes) >= 1.4 * LEAST_PX
    for one in boxes:
        for other in boxes:
            if one is not other:
                gaps = (
                    other["x"] - one["x"] - one["width"],
                    one["x"] - other["x"] - other["width"],
                    other["y"] - one["y"] - one["height"],
                    one["y"] - other["y"] - other["height"],
                )
                assert max(gaps) >= APART_PX - 0.5
    site.hub.update(phase="idle", drill=None)


def test_a_level_that_is_too_low_is_said(site: RangeSite) -> None:
    drill_at(site, "unheard", too_soft=True)
    page = site.http.get("/range").text
    assert TOO_SOFT in page
    assert FIX not in page
    assert re.findall(r'name="word" value="(\w+)"', page) == ["without", "again", "heard"]
    assert {"without", "again", "heard"} < set(HEARD_WORDS)
    drill_at(site, "resting")
    assert "/range/heard" not in site.http.get("/range").text
    site.hub.update(phase="idle", drill=None)
    # Nothing runs that could be heard; and no other word is taken.
    assert site.post("/range/heard", word="heard").status_code >= 400
    assert site.post("/range/heard", word="loud").status_code >= 400


def test_where_nothing_is_set_the_usual_sets_are_picked(site: RangeSite) -> None:
    page = site.http.get("/range/drill").text
    assert '<option value="usual" selected>the usual sets: 20 swings, 9 to 12 minutes' in page
    with open_library(site.home) as library:
        ida = library.people.add("Ida", limits=LimitsRecord(turn_share=0.8))
        library.save_player(ida)
    page = site.http.get(f"/range/drill?player={ida.id}").text
    assert '<option value="usual" selected>the usual sets: 12 swings' in page
    page = site.http.get(f"/range/drill?player={ida.id}&sets=own").text
    assert '<option value="own" selected>three easy practice swings, no bell' in page


def test_shots_without_sound_are_a_drill_with_balls(site: RangeSite) -> None:
    drill = {"sensor": "simulated", "mount": "wrist", "cautions": "read", "block": "silent"}
    more = {"cue": "ready", "schedule": "bell", "repeats": "10", "quiet_ball": "yes"}
    assert site.post("/range/drill", **drill, **more).status_code == 200
    state = site.until(lambda s: s.drill is not None and s.phase == "going")
    assert state.drill is not None
    assert state.drill.what == "10 shots without sound"
    site.until(lambda s: bool(kinds(site.folder, "drill")))
    site.stop()
    assert kinds(site.folder, "drill")[0]["blocks"][0]["ball"] is True


def test_limits_are_set_on_the_players_screen(site: RangeSite, tmp_path: Path) -> None:
    with open_library(site.home) as library:
        otto = library.people.add("Otto")
        library.save_player(otto)
    url = f"/player/{otto.id}/edit"
    typed = {"name": "Otto", "most_turn": "80", "most_swings": "30", "limits_why": "left hip"}
    assert site.post(url, **typed).status_code in (200, 303)
    page = site.http.get(f"/player/{otto.id}").text
    assert "turn at most 80 % of full, at most 30 swings a day, left hip" in page
    with open_library(site.home) as library:
        assert library.player(otto.id).limits.turn_share == 0.8
    # What makes no sense is said, and nothing is changed.
    for wrong in ({"most_turn": "10"}, {"most_swings": "2.5"}, {"most_turn": "a lot"}):
        site.post(url, **{**typed, **wrong})
        with open_library(site.home) as library:
            assert library.player(otto.id).limits.swings_day == 30
            assert library.player(otto.id).limits.turn_share == 0.8
    # Emptied, they are gone; a form that hasn't got them leaves them.
    site.post(url, name="Otto", child="on")
    with open_library(site.home) as library:
        assert library.player(otto.id).limits.any
    site.post(url, name="Otto", most_turn="", most_swings="", limits_why="")
    with open_library(site.home) as library:
        assert not library.player(otto.id).limits.any


def test_the_cue_plays_on_the_phone_from_a_file(site: RangeSite) -> None:
    page = site.http.get("/range/drill").text
    assert 'action="/range/track"' in page
    answer = site.http.get("/range/track?backswing_ms=800")
    assert answer.headers["content-type"] == "audio/wav"
    with wave.open(io.BytesIO(answer.content)) as file:
        rate, n = file.getframerate(), file.getnframes()
        x = np.frombuffer(file.readframes(n), "<i2") / 32768.0
    # By the ear: ready, rising tone and top of each of ten swings, 0.8 s from takeaway to top.
    heard = onsets_s(x, rate)
    assert len(heard) == 30
    ready, rise, top = heard[::3], heard[1::3], heard[2::3]
    assert np.allclose(np.subtract(rise, ready), 1.2, atol=0.02)
    assert np.allclose(np.subtract(top, ready), 2.0, atol=0.005)
    assert np.abs(x).max() <= 0.36
    for wrong in ("", "abc", "20", "nan", "1e9"):
        assert site.http.get(f"/range/track?backswing_ms={wrong}").status_code == 400
    assert site.http.get("/range/track?backswing_ms=800&player=../x").status_code == 404


def test_nor_is_a_track_made_for_somebody_who_is_sore(site: RangeSite) -> None:
    with open_library(site.home) as library:
        runa = library.people.add("Runa")
        event = {"word": "discomfort", "day": 739000, "at": "2026-05-02T10:00:00Z"}
        record = PlanRecord(club="wedge", mount="wrist", state={}, history=(event,))
        library.save_player(runa.with_plan(record))
    answer = site.http.get(f"/range/track?backswing_ms=800&player={runa.id}")
    assert answer.status_code == 400
    assert "stopped" in answer.text
