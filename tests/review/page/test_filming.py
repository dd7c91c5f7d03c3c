"""A film from the phone's own camera: sent by one button, looked at, laid at its swing."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import pytest
from clip_data import make_clip, needs_ffmpeg
from range_site import RangeSite, range_site, wait

from library.clips import Clip, clips_of, media_file
from unhurried.app.ingest import open_library

PHONE: Final = {"viewport": {"width": 390, "height": 844}, "has_touch": True, "is_mobile": True}
KNOCK_S: Final = 1.4


@pytest.fixture(scope="module")
def film(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three seconds with one knock."""
    folder = tmp_path_factory.mktemp("films")
    return make_clip(folder / "IMG_0042.mp4", [KNOCK_S], duration_s=3.0)


@pytest.fixture
def site(tmp_path: Path) -> Iterator[RangeSite]:
    with range_site(tmp_path / "home", speed=40.0) as up:
        yield up


def films_in(home: Path) -> list[str]:
    folder = home / "clips"
    return sorted(one.name for one in folder.iterdir()) if folder.is_dir() else []


def clips_beside(site: RangeSite) -> list[Clip]:
    with open_library(site.home) as library:
        return clips_of(library, str(site.hub.state.session))


@pytest.mark.slow
@needs_ffmpeg
def test_a_film_is_sent_by_one_button_and_lies_at_its_swing(
    site: RangeSite, film: Path, browser: Any
) -> None:
    site.start(new_player="Ida", club="driver")
    state = site.until(lambda s: any(one.kind == "strike" for one in s.swings))
    shot = next(one for one in state.swings if one.kind == "strike")
    assert site.post("/range/hold", held="yes").status_code == 200
    context = browser.new_context(**PHONE)
    window = context.new_page()
    problems: list[str] = []
    window.on("pageerror", lambda error: problems.append(str(error)))
    window.goto(f"{site.url}/range?swing={shot.key}")
    box = window.locator(".film-pick").bounding_box()
    assert box["height"] >= 64
    # The input asks the phone for its own camera.
    assert window.get_attribute("#film input[type=file]", "capture") == "environment"
    window.set_input_files("#film input[type=file]", film)
    window.wait_for_selector(f"#film .form-said:has-text('film of swing {shot.number} is here')")
    assert window.is_hidden("#film-progress")
    # What isn't one is said where it was sent, and nothing of it stays.
    note = film.with_name("note.mp4")
    note.write_text("no film")
    window.set_input_files("#film input[type=file]", note)
    window.wait_for_selector("#film .form-said.caution:has-text('Not kept: that isn')")
    context.close()
    assert problems == []
    (kept,) = films_in(site.home)
    # What the phone called it is nowhere.
    assert "IMG" not in kept
    site.stop()
    wait(lambda: len(clips_beside(site)) == 1)
    (clip,) = clips_beside(site)
    with open_library(site.home) as library:
        assert media_file(library.home, clip.id).read_bytes() == film.read_bytes()
        assert clip.seq is not None
        swing = library.swing(str(site.hub.state.session), seq=clip.seq).swing
    assert (swing.index, clip.sure) == (shot.number, True)
    assert clip.offset_s is not None
    assert swing.impact_s is not None
    assert swing.impact_s - clip.offset_s == pytest.approx(KNOCK_S, abs=0.02)
    # Taken back, the file stays.
    assert site.post("/range/undo").status_code == 200
    wait(lambda: clips_beside(site) == [])
    assert films_in(site.home) == [kept]


@needs_ffmpeg
def test_without_a_script_too_and_after_the_recording(
    site: RangeSite, film: Path, browser: Any
) -> None:
    site.start(new_player="Ida", club="driver")
    site.until(lambda s: s.count >= 1)
    site.stop()
    context = browser.new_context(java_script_enabled=False, **PHONE)
    window = context.new_page()
    window.goto(f"{site.url}/range")
    window.set_input_files("#film input[type=file]", film)
    window.click("#film-send")
    window.wait_for_selector(":text('is here. It is laid beside it.')")
    wait(lambda: len(clips_beside(site)) == 1)
    context.close()
