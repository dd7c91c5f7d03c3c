"""Clips on the page: served by id only, moved with the curves, nudged by eye, taken back."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import html5lib
import httpx
import pytest
from clip_data import FRAME_HZ, make_clip, needs_ffmpeg
from patience import PATIENCE_S

from library.clips import clip_of, clips_of, media_file, media_type, shift
from library.errors import ClipError, LibraryError, NoSuchError
from review.lining_up import attach
from sensor.recording.annotations import AnnotationError, Annotations
from unhurried.app.serve import serving
from unhurried.app.settings import change_settings

pytestmark = needs_ffmpeg
FRAME_S = 1.0 / FRAME_HZ


def until(window: Any, condition: str, *, most_s: float = PATIENCE_S) -> None:
    """Wait for something to be true; the page's policy forbids the browser's own way of waiting."""
    end = time.monotonic() + most_s
    while not window.evaluate(condition):
        assert time.monotonic() < end, condition
        window.wait_for_timeout(25)


def strikes_of(place: Any, session: str) -> list[tuple[int, float]]:
    with place.open() as library:
        table = library.swings(session=session, kind="strike", columns=("number", "impact_s"))
        return [(int(r["number"]), float(r["impact_s"])) for r in table.rows() if r["impact_s"]]


@pytest.fixture(scope="module")
def films(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Clips by kind, made once."""
    return {"folder": tmp_path_factory.mktemp("films")}


@pytest.fixture
def filmed(own_site: Any, films: dict[str, Path]) -> dict[str, Any]:
    """A session with a clip of three of its strikes, lined up by their sound."""
    session = own_site.sessions()[0]
    strikes = strikes_of(own_site.place, session)
    three = min(
        (strikes[k : k + 3] for k in range(len(strikes) - 2)), key=lambda t: t[2][1] - t[0][1]
    )
    start_s = three[0][1] - 2.345
    length_s = three[2][1] - start_s + 2.0
    if "clip" not in films:
        heard = [at - start_s for _, at in strikes if 0 < at - start_s < length_s]
        for suffix in ("mp4", "webm"):
            films[suffix] = make_clip(
                films["folder"] / f"IMG_7.{suffix}", heard, duration_s=round(length_s, 2)
            )
        films["clip"] = films["mp4"]
    with own_site.place.open() as library:
        clip = attach(library, session, films["clip"])
    return {
        "session": session,
        "clip": clip,
        "start_s": start_s,
        "swings": [n for n, _ in three[:2]],
        "impacts": dict(strikes),
        "url": f"{own_site.url}/session/{session}/clips/{clip.id}",
        "path": f"/session/{session}/clips/{clip.id}",
    }


# -- lining up -------------------------------------------------------------------------------------


def test_a_clip_lines_up_within_a_frame_and_is_kept_as_an_annotation(
    own_site: Any, filmed: dict[str, Any], films: dict[str, Path]
) -> None:
    clip = filmed["clip"]
    assert clip.sure
    assert clip.offset_s == pytest.approx(filmed["start_s"], abs=FRAME_S)
    with own_site.place.open() as library:
        assert clips_of(library, filmed["session"]) == [clip]
        path = library.path_of(filmed["session"])
        # What is kept with the recording, and may travel with it, names no folder.
        text = (path / "annotations.json").read_text(encoding="utf-8")
        assert "IMG_7.mp4" in text
        assert str(films["folder"]) not in text
        # The clip is where it was, and nothing was copied.
        assert media_file(library.home, clip.id) == films["clip"].resolve()
        copies = [p for p in (*path.rglob("*"), *library.home.rglob("*")) if p.suffix == ".mp4"]
        assert copies == []
        # The same file again keeps its id.
        assert attach(library, filmed["session"], films["clip"]).id == clip.id
        assert len(clips_of(library, filmed["session"])) == 1


def test_what_is_no_clip_is_refused_and_nothing_kept(own_site: Any, tmp_path: Path) -> None:
    session = own_site.sessions()[0]
    silent_picture = make_clip(tmp_path / "sound.mp4", [1.0], duration_s=2.0, picture=False)
    broken = tmp_path / "broken.mp4"
    broken.write_bytes(b"\0" * 5000)
    with own_site.place.open() as library:
        for path, told in (
            (silent_picture, "no picture"),
            (broken, "cannot be read"),
            (tmp_path / "gone.mp4", "is not there"),
        ):
            with pytest.raises(ClipError, match=told):
                attach(library, session, path)
        assert clips_of(library, session) == []


def test_a_silent_clip_says_its_doubt_and_is_lined_up_by_eye(
    own_site: Any, tmp_path: Path, open_page: Callable[..., Any]
) -> None:
    session = own_site.sessions()[0]
    number, impact_s = strikes_of(own_site.place, session)[0]
    film = make_clip(tmp_path / "mute.webm", [], duration_s=4.0, sound=False)
    with own_site.place.open() as library:
        clip = attach(library, session, film)
    assert clip.offset_s is None
    assert not clip.sure
    path = f"/session/{session}/clips/{clip.id}"
    window = open_page(own_site.url + path)
    assert "Not lined up: the clip has no sound" in window.inner_text("main")
    until(window, "document.getElementById('film-0').readyState >= 1")
    window.evaluate("document.getElementById('film-0').currentTime = 1.5")
    until(window, "document.querySelector('[name=shown_s]').value === '1.500'")
    window.select_option("[name=of]", str(number))
    window.click("text=Line it up so")
    window.wait_for_selector("text=Kept: lined up by eye.")
    with own_site.place.open() as library:
        kept = clip_of(library, session, clip.id)
    assert kept.offset_s == pytest.approx(impact_s - 1.5, abs=0.001)
    assert kept.by_hand


# -- on the screen ---------------------------------------------------------------------------------


@pytest.mark.parametrize("suffix", ["mp4", "webm"])
def test_slider_curves_and_picture_move_together(
    own_site: Any,
    filmed: dict[str, Any],
    films: dict[str, Path],
    open_page: Callable[..., Any],
    suffix: str,
) -> None:
    url = filmed["url"]
    if suffix == "webm":
        with own_site.place.open() as library:
            other = attach(library, filmed["session"], films["webm"])
        url = f"{own_site.url}/session/{filmed['session']}/clips/{other.id}"
    second = filmed["swings"][1]
    window = open_page(f"{url}?swing={second}")
    film = "document.getElementById('film-0')"
    until(window, f"{film}.readyState >= 2 && !{film}.seeking")
    # It opens at the impact: there the clip shows what the sensor felt.
    expected = filmed["impacts"][second] - filmed["start_s"]
    assert window.evaluate(f"{film}.currentTime") == pytest.approx(expected, abs=FRAME_S)
    # Without errors, in this browser, with this codec: the picture has its size.
    assert window.evaluate(f"[{film}.videoWidth, {film}.videoHeight]") == [240, 180]
    assert window.evaluate(f"{film}.error") is None
    cursor = window.evaluate("document.querySelector('[data-cursor]').getAttribute('x1')")
    window.focus("#film-time")
    window.evaluate(
        "const s = document.getElementById('film-time'); s.value = -300;"
        "s.dispatchEvent(new Event('input'))"
    )
    until(window, f"Math.abs({film}.currentTime - {expected - 0.3}) < 0.02")
    assert window.inner_text("#film-time-at") == "−300 ms"
    moved = window.evaluate("document.querySelector('[data-cursor]').getAttribute('x1')")
    assert float(moved) < float(cursor)
    # The next picture is one sixtieth of a second on.
    here = window.evaluate(f"{film}.currentTime")
    window.click("text=Next picture")
    until(window, f"Math.abs({film}.currentTime - {here + FRAME_S}) < 0.002")
    # The film's own controls move the curves.
    window.evaluate(f"{film}.currentTime = {expected} - 0.1")
    until(window, "Math.abs(Number(document.getElementById('film-time').value) + 100) < 20")
    window.click("#film-play")
    until(window, "document.getElementById('film-play').textContent === 'Pause'")
    until(window, "Number(document.getElementById('film-time').value) > -60")
    window.click("#film-play")
    until(window, f"{film}.paused")


def test_a_film_that_the_browser_cannot_play_says_so(
    own_site: Any,
    filmed: dict[str, Any],
    films: dict[str, Path],
    tmp_path: Path,
    open_page: Callable[..., Any],
) -> None:
    import subprocess

    film = tmp_path / "old.mp4"
    subprocess.run(
        ["ffmpeg", "-v", "error", "-y", "-i", str(films["clip"]), "-c:v", "mpeg4", str(film)],
        check=True,
        stdin=subprocess.DEVNULL,
    )
    with own_site.place.open() as library:
        clip = attach(library, filmed["session"], film)
    assert clip.sure
    window = open_page(f"{own_site.url}/session/{filmed['session']}/clips/{clip.id}")
    window.wait_for_selector(".film-wrong:visible")
    window = open_page(filmed["url"])
    until(window, "document.getElementById('film-0').readyState >= 2")
    assert not window.is_visible(".film-wrong")


def test_nudged_by_pictures_and_taken_back(
    own_site: Any, filmed: dict[str, Any], open_page: Callable[..., Any]
) -> None:
    before = filmed["clip"].offset_s

    def offset() -> float:
        with own_site.place.open() as library:
            found = clip_of(library, filmed["session"], filmed["clip"].id).offset_s
        assert found is not None
        return float(found)

    window = open_page(filmed["url"])
    window.click("text=1 picture later")
    window.wait_for_selector("text=Kept: lined up by eye.")
    assert offset() == pytest.approx(before + FRAME_S, abs=1e-6)
    assert "Lined up by eye" in window.inner_text("main")
    window.click("text=10 pictures earlier")
    window.wait_for_selector("text=Kept: lined up by eye.")
    assert offset() == pytest.approx(before - 9 * FRAME_S, abs=1e-6)
    for _ in range(2):
        window.click("text=Take back the last change")
        window.wait_for_selector("text=Taken back: the last change of")
    assert offset() == pytest.approx(before)
    window.click("text=1 picture later")
    window.wait_for_selector("text=Kept: lined up by eye.")
    window.click("text=Line it up by its sound")
    window.wait_for_selector("text=Lined up by its sound.")
    assert offset() == pytest.approx(before, abs=0.002)


def test_taken_away_and_back(own_site: Any, filmed: dict[str, Any], films: dict[str, Path]) -> None:
    size = films["clip"].stat().st_size
    assert own_site.post(filmed["path"], remove="1").status_code == 303
    with own_site.place.open() as library:
        assert clips_of(library, filmed["session"]) == []
    assert films["clip"].stat().st_size == size
    assert own_site.post(filmed["path"], undo="1").status_code == 303
    with own_site.place.open() as library:
        assert [c.id for c in clips_of(library, filmed["session"])] == [filmed["clip"].id]


def test_two_clips_side_by_side(
    own_site: Any, filmed: dict[str, Any], open_page: Callable[..., Any]
) -> None:
    session, (a, b) = filmed["session"], filmed["swings"]
    window = open_page(f"{own_site.url}/clips/pair?a={session}~{a}&b={session}~{b}&align=impact")
    for k, number in enumerate((a, b)):
        film = f"document.getElementById('film-{k}')"
        until(window, f"{film}.readyState >= 2 && !{film}.seeking")
        expected = filmed["impacts"][number] - filmed["start_s"]
        assert window.evaluate(f"{film}.currentTime") == pytest.approx(expected, abs=FRAME_S)
    window.evaluate(
        "const s = document.getElementById('film-time'); s.value = -200;"
        "s.dispatchEvent(new Event('input'))"
    )
    for k, number in enumerate((a, b)):
        expected = filmed["impacts"][number] - filmed["start_s"] - 0.2
        until(
            window, f"Math.abs(document.getElementById('film-{k}').currentTime - {expected}) < 0.02"
        )
    rehearsal = next(n for n in range(1, 99) if n not in filmed["impacts"])
    text = own_site.http.get(f"/clips/pair?a={session}~{a}&b={session}~{rehearsal}").text
    assert "has no clip that is lined up" in text


@pytest.mark.parametrize("width", [1200, 390])
def test_screens_are_valid_and_accessible(
    own_site: Any, filmed: dict[str, Any], open_page: Callable[..., Any], axe: str, width: int
) -> None:
    session, (a, b) = filmed["session"], filmed["swings"]
    for path in (
        f"/session/{session}/clips",
        filmed["path"],
        f"/clips/pair?a={session}~{a}&b={session}~{b}",
    ):
        html5lib.HTMLParser(strict=True).parse(own_site.http.get(path).text)
        window = open_page(own_site.url + path, width=width, dark=width < 500)
        window.evaluate(axe)
        found = window.evaluate(
            "async () => (await axe.run(document)).violations"
            ".filter((v) => ['serious', 'critical'].includes(v.impact)).map((v) => v.id)"
        )
        assert found == []
        # Nothing sticks out of a phone's screen.
        assert window.evaluate("document.documentElement.scrollWidth") <= width


# -- from the folder -------------------------------------------------------------------------------


def put_film(filmed: dict[str, Any], site: Any, films: dict[str, Path], name: str) -> Path:
    """Put a film into the home's folder, with the date that a phone writes into it."""
    folder: Path = site.place.home / "clips"
    folder.mkdir(exist_ok=True)
    with site.place.open() as library:
        begun = datetime.fromisoformat(library.session(filmed["session"]).start)
    at = (begun + timedelta(seconds=filmed["start_s"])).astimezone(UTC)
    words = ["-c", "copy", "-metadata", f"creation_time={at:%Y-%m-%dT%H:%M:%SZ}"]
    out = folder / name
    subprocess.run(
        ["ffmpeg", "-v", "error", "-y", "-i", str(films["clip"]), *words, f"file:{out}"],
        check=True,
        stdin=subprocess.DEVNULL,
    )
    return out


def test_a_film_of_the_folder_is_attached_by_a_press_and_taken_back(
    own_site: Any, filmed: dict[str, Any], films: dict[str, Path], open_page: Callable[..., Any]
) -> None:
    film = put_film(filmed, own_site, films, "IMG_8.mp4")
    (film.parent / "notes.txt").write_text("no film")
    (film.parent / "deeper").mkdir()
    shutil.copy(film, film.parent / "deeper" / "IMG_9.mp4")
    before = (film.read_bytes(), film.stat().st_mtime_ns)
    window = open_page(f"{own_site.url}/session/{filmed['session']}/clips", width=390)
    offered = window.locator("ul.films li").all_inner_texts()
    # Of the folder, and of the one that a clip came from before; that clip itself no more.
    assert [re.search(r"IMG_\d\.\w+", text)[0] for text in offered] == ["IMG_8.mp4", "IMG_7.webm"]  # type: ignore[index]
    assert ["filmed in this session" in text for text in offered] == [True, False]
    assert str(film.parent) in window.inner_text("#attach ~ p code")
    second = filmed["swings"][1]
    window.select_option("select[name=swing]", str(second))
    # Kept from going, as if it took long: the button says that it was pressed.
    window.evaluate("window.addEventListener('submit', (e) => e.preventDefault(), { once: true })")
    attach_it = "button[aria-label='Attach IMG_8.mp4']"
    window.click(attach_it)
    until(window, "document.querySelector('[aria-busy=true]') !== null")
    assert window.get_attribute(attach_it, "aria-busy") == "true"
    # Back on a screen that the browser had kept.
    window.evaluate("window.dispatchEvent(new PageTransitionEvent('pageshow'))")
    assert window.get_attribute(attach_it, "aria-busy") is None
    window.click(attach_it)
    window.wait_for_url(f"**/clips/*?swing={second}*")
    assert "Attached" in window.inner_text("[role=status]")
    with own_site.place.open() as library:
        clip = next(c for c in clips_of(library, filmed["session"]) if c.name == film.name)
        assert clip.seq == library.swing(filmed["session"], number=second).seq
    assert clip.sure
    assert clip.offset_s == pytest.approx(filmed["start_s"], abs=FRAME_S)
    assert (film.read_bytes(), film.stat().st_mtime_ns) == before
    window.goto(f"{own_site.url}/session/{filmed['session']}/clips")
    assert "IMG_8.mp4" not in window.inner_text("ul.films")
    window.click("text=Take back the last change")
    window.wait_for_load_state()
    assert "IMG_8.mp4" in window.inner_text("ul.films")
    with own_site.place.open() as library:
        assert [c.name for c in clips_of(library, filmed["session"])] == ["IMG_7.mp4"]


def test_a_request_names_no_file(
    own_site: Any, filmed: dict[str, Any], films: dict[str, Path]
) -> None:
    path = f"/session/{filmed['session']}/clips"
    hostile = put_film(filmed, own_site, films, "<img src=x onerror=alert(1)>.mp4")
    broken = hostile.parent / "broken.mov"
    broken.write_bytes(b"\0" * 5000)
    page = own_site.http.get(path).text
    assert "<img src=x" not in page
    keys = dict(re.findall(r'value="([0-9a-f]{16})" aria-label="Attach ([^"]+)"', page))
    key_of = {name: key for key, name in keys.items()}
    assert len(key_of) == 3

    def told(**fields: str) -> str:
        answer = own_site.post(path, **fields)
        if answer.status_code == 303:
            answer = own_site.http.get(answer.headers["location"])
        return str(answer.text)

    for key in ("", "0" * 16, "../IMG_7.webm", str(films["webm"])[:16], key_of["broken.mov"][:15]):
        assert "choose once more" in told(film=key)
    assert "longer than" in told(film=str(films["webm"]) + " " * 20 + "x")
    assert "broken.mov: cannot be read" in told(film=key_of["broken.mov"])
    with hostile.open("ab") as file:
        file.write(b"\0" * 10)
    changed = next(key for name, key in key_of.items() if "img" in name and "onerror" in name)
    assert "choose once more" in told(film=changed)
    forged = own_site.http.post(
        path, data={"film": changed}, headers={"origin": "http://evil.test"}
    )
    assert forged.status_code == 403
    assert "there is no swing" in told(film=key_of["IMG_7.webm"], swing="999")
    with own_site.place.open() as library:
        assert [c.name for c in clips_of(library, filmed["session"])] == ["IMG_7.mp4"]


def test_films_of_the_session_come_first_however_many_there_are(
    own_site: Any, filmed: dict[str, Any], films: dict[str, Path]
) -> None:
    dated = put_film(filmed, own_site, films, "DATED.mp4")
    with own_site.place.open() as library:
        begun = datetime.fromisoformat(library.session(filmed["session"]).start).timestamp()
    os.utime(dated, (1e9, 1e9))
    for k in range(70):
        (dated.parent / f"NEW_{k}.mp4").write_bytes(b"x")
    of_day = dated.parent / "OF_DAY.webm"
    of_day.write_bytes(b"x")
    os.utime(of_day, (begun + 600, begun + 600))
    for name in (".hidden.mp4", "empty.mp4", "other.avi"):
        (dated.parent / name).write_bytes(b"" if name == "empty.mp4" else b"x")
    page = own_site.http.get(f"/session/{filmed['session']}/clips").text
    names = re.findall(r'aria-label="Attach ([^"]+)"', page)
    assert names[:2] == ["DATED.mp4", "OF_DAY.webm"]
    assert len(names) == 60
    # Those, and the webm beside the clip that lies here already.
    assert "60 of 73 films" in page
    assert not {".hidden.mp4", "empty.mp4", "other.avi"} & set(names)


def test_a_clips_own_screen_takes_back_its_own_changes_only(
    own_site: Any, filmed: dict[str, Any], films: dict[str, Path]
) -> None:
    own_site.post(filmed["path"], frames="1")
    with own_site.place.open() as library:
        other = attach(library, filmed["session"], films["webm"])
    mine = own_site.http.get(filmed["path"]).text
    assert "Take back" not in mine
    refused = own_site.post(filmed["path"], undo="1")
    assert "nothing to take back" in own_site.http.get(refused.headers["location"]).text
    listed = f"/session/{filmed['session']}/clips"
    assert "Take back the last change (<span" in own_site.http.get(listed).text
    done = own_site.post(f"{listed}/{other.id}", undo="1", listed="1")
    assert "the last change of IMG_7.webm" in own_site.http.get(done.headers["location"]).text
    assert "Take back the last change of this film" in own_site.http.get(filmed["path"]).text


def test_which_swing_it_shows_is_said_afterwards(
    own_site: Any, filmed: dict[str, Any], tmp_path: Path
) -> None:
    session, (_, number) = filmed["session"], filmed["swings"]
    # One knock fits every strike alike.
    one = make_clip(tmp_path / "one.mp4", [2.0], duration_s=4.0)
    silent = make_clip(tmp_path / "silent.mp4", [], duration_s=4.0, sound=False)
    with own_site.place.open() as library:
        clip = attach(library, session, one)
        seq = library.swing(session, number=number).seq
        mute = attach(library, session, silent, seq=seq)
    assert not clip.sure
    path = f"/session/{session}/clips/{clip.id}"
    page = own_site.http.get(path).text
    assert "As it lies now it shows" in page
    assert 'href="#which"' in page
    said = own_site.post(path, again="1", shows=str(number))
    assert "Lined up by its sound" in own_site.http.get(said.headers["location"]).text
    with own_site.place.open() as library:
        clip = clip_of(library, session, clip.id)
    assert clip.sure
    assert clip.offset_s == pytest.approx(filmed["impacts"][number] - 2.0, abs=FRAME_S)
    path = f"/session/{session}/clips/{mute.id}"
    page = own_site.http.get(path).text
    assert re.search(rf'<option value="{number}" selected>strike {number} at', page)
    said = own_site.post(path, again="1", shows="")
    answer = own_site.http.get(said.headers["location"]).text
    assert "isn&#39;t lined up: the clip has no sound" in answer
    assert "Lined up by its sound" not in answer


def test_another_folder_by_a_setting(own_site: Any, tmp_path: Path) -> None:
    chosen = tmp_path / "videos"
    chosen.mkdir()
    make_clip(chosen / "MOV_1.mp4", [1.0], duration_s=2.0)
    change_settings(own_site.place.home, {"clip_folder": str(chosen)})
    session = own_site.sessions()[0]
    for there in (True, False):
        with serving(own_site.place.home, port=0) as up, httpx.Client(base_url=up.url) as http:
            page = http.get(f"session/{session}/clips").text
        assert str(chosen) in page
        assert ("isn't there: make it" in page) != there
        assert ("MOV_1.mp4" in page) == there
        shutil.rmtree(chosen, ignore_errors=True)


# -- who may have what -----------------------------------------------------------------------------


def test_parts_of_a_clip_are_served_by_its_id_only(
    own_site: Any, filmed: dict[str, Any], films: dict[str, Path]
) -> None:
    whole = films["clip"].read_bytes()
    url = f"/clips/media/{filmed['clip'].id}"
    answer = own_site.http.get(url, headers={"range": "bytes=100-299"})
    assert answer.status_code == 206
    assert answer.content == whole[100:300]
    assert answer.headers["content-range"] == f"bytes 100-299/{len(whole)}"
    assert own_site.http.get(url).content == whole
    assert own_site.http.get(url, headers={"range": f"bytes={len(whole)}-"}).status_code == 416
    for odd in (
        "0" * 16,
        "..%2f..%2fetc%2fpasswd",
        filmed["clip"].name,
        str(films["clip"]).replace("/", "%2f"),
        "A" * 16,
    ):
        answer = own_site.http.get(f"/clips/media/{odd}")
        assert answer.status_code == 404
        assert b"root:" not in answer.content


def test_a_changed_or_vanished_file_is_not_served(
    own_site: Any, films: dict[str, Path], filmed: dict[str, Any], tmp_path: Path
) -> None:
    copy = Path(shutil.copy(films["clip"], tmp_path / "<img src=x onerror=alert(1)>.mp4"))
    with own_site.place.open() as library:
        clip = attach(library, filmed["session"], copy)
    url = f"/clips/media/{clip.id}"
    assert own_site.http.get(url).status_code == 200
    # Somebody puts another file there: it isn't the clip that was attached.
    copy.write_bytes(b"secret")
    answer = own_site.http.get(url)
    assert answer.status_code == 404
    assert b"secret" not in answer.content
    copy.unlink()
    text = own_site.http.get(f"/session/{filmed['session']}/clips").text
    html5lib.HTMLParser(strict=True).parse(text)
    assert "where it was on this computer" in text
    assert "<img" not in text


@pytest.mark.parametrize("earlier", [False, True])
def test_another_file_of_the_same_size_is_not_served(
    own_site: Any, films: dict[str, Path], filmed: dict[str, Any], tmp_path: Path, earlier: bool
) -> None:
    film = Path(shutil.copy2(films["clip"], tmp_path / "a.mp4"))
    with own_site.place.open() as library:
        clip = attach(library, filmed["session"], film)
        kept = library.home / "clips.json"
        if earlier:
            # Versions before kept only the size; what is there now is known from now on.
            document = json.loads(kept.read_text())
            for name in ("stamp", "sha256"):
                del document["clips"][clip.id][name]
            kept.write_text(json.dumps(document))
            attach(library, filmed["session"], Path(shutil.copy(film, tmp_path / "b.mp4")))
    url = f"/clips/media/{clip.id}"
    whole, stat = film.read_bytes(), film.stat()

    def here() -> bool:
        with own_site.place.open() as library:
            return clip_of(library, filmed["session"], clip.id).here

    for other in (b"\0" * len(whole), whole[:-1] + bytes([whole[-1] ^ 1])):
        film.write_bytes(other)
        os.utime(film, ns=(stat.st_atime_ns, stat.st_mtime_ns))
        assert own_site.http.get(url).status_code == 404
        assert not here()
    # Another file put in its place, and the film itself copied back.
    swapped = tmp_path / "swapped"
    swapped.write_bytes(b"\1" * len(whole))
    os.utime(swapped, ns=(stat.st_atime_ns, stat.st_mtime_ns))
    swapped.replace(film)
    assert own_site.http.get(url).status_code == 404
    film.write_bytes(whole)
    assert own_site.http.get(url).content == whole
    assert here()


@pytest.mark.skipif(sys.platform != "linux", reason="other systems have only names that are text")
def test_a_film_whose_name_is_no_text_is_offered_and_attached(
    own_site: Any, films: dict[str, Path], filmed: dict[str, Any]
) -> None:
    film = put_film(filmed, own_site, films, "IMG_8.mp4")
    film = film.rename(os.fsdecode(os.fsencode(film.parent) + b"/\xff\xfe.mp4"))
    broken = film.with_name(os.fsdecode(b"\xfd.mov"))
    broken.write_bytes(b"x")
    (film.parent / "loop.mp4").symlink_to("loop.mp4")
    path = f"/session/{filmed['session']}/clips"
    text = own_site.http.get(path).text
    html5lib.HTMLParser(strict=True).parse(text)
    found = dict(re.findall(r'value="([0-9a-f]{16})" aria-label="Attach ([^"]*)"', text))
    key_of = {name: key for key, name in found.items()}
    assert "\ufffd\ufffd.mp4" in key_of
    refused = own_site.http.post(
        path,
        data={"film": key_of["\ufffd.mov"], "swing": ""},
        headers={"origin": own_site.url},
        follow_redirects=True,
    )
    assert refused.status_code == 200
    assert "cannot be read" in refused.text
    answer = own_site.http.post(
        path,
        data={"film": key_of["\ufffd\ufffd.mp4"], "swing": ""},
        headers={"origin": own_site.url},
        follow_redirects=True,
    )
    assert answer.status_code == 200
    with own_site.place.open() as library:
        (clip,) = [c for c in clips_of(library, filmed["session"]) if c.id != filmed["clip"].id]
    assert clip.name == "\ufffd\ufffd.mp4"
    assert own_site.http.get(f"/clips/media/{clip.id}").content == film.read_bytes()


def test_changes_need_our_own_page_and_make_sense(own_site: Any, filmed: dict[str, Any]) -> None:
    path = filmed["path"]
    forged = own_site.http.post(path, data={"remove": "1"}, headers={"origin": "http://evil.test"})
    assert forged.status_code == 403
    for fields in (
        {"frames": "1.5"},
        {"frames": "100000"},
        {"frames": "nan"},
        {"shown_s": "-1", "of": "1"},
        {"shown_s": "9999", "of": "1"},
        {"shown_s": "1", "of": "999"},
        {},
    ):
        refused = own_site.post(path, **fields)
        assert refused.status_code == 303
        page = own_site.http.get(refused.headers["location"]).text
        assert re.search(r'<p class="caution" role="alert">[A-Z].*?</p>', page) is not None
    with own_site.place.open() as library:
        assert clips_of(library, filmed["session"]) == [filmed["clip"]]
        with pytest.raises(LibraryError, match="outside of the session"):
            shift(library, filmed["session"], filmed["clip"].id, 1e6)
        with pytest.raises(NoSuchError):
            clip_of(library, filmed["session"], "0" * 16)


def test_a_broken_list_of_places_is_told(own_site: Any, filmed: dict[str, Any]) -> None:
    file = own_site.place.home / "clips.json"
    good = file.read_bytes()
    for text in ("", "[]", '{"version": 1, "clips": 3}', '{"version": 9, "clips": {}}'):
        file.write_text(text)
        answer = own_site.http.get(f"/session/{filmed['session']}/clips")
        assert answer.status_code == 400
        with own_site.place.open() as library, pytest.raises(LibraryError, match=r"clips\.json"):
            clips_of(library, filmed["session"])
    file.write_bytes(good)


def test_a_deleted_players_clips_are_forgotten(
    own_site: Any, filmed: dict[str, Any], films: dict[str, Path]
) -> None:
    from unhurried.cli import run

    file = own_site.place.home / "clips.json"
    assert str(films["folder"]) in file.read_text(encoding="utf-8")
    for name in ("Solveig", "Tomas"):
        assert run(["library", "delete", name, "--yes", "--home", str(own_site.place.home)]) == 0
    assert str(films["folder"]) not in file.read_text(encoding="utf-8")
    assert films["clip"].is_file()


@pytest.mark.parametrize(
    "value",
    [
        [],
        {"a/b": {}},
        {"ab": {"name": "x"}},
        {"ab": "x"},
        {f"{k:032d}x": {} for k in range(2)},
        {"ab": {"offset_s": float("nan")}},
    ],
)
def test_what_is_kept_of_clips_is_checked(value: Any) -> None:
    said = Annotations("recording")
    whole = {
        "name": "a.mp4",
        "why": "by eye",
        "sure": True,
        "by_hand": True,
        "duration_s": 2.0,
        "frame_rate_hz": 60.0,
        "offset_s": 1.0,
        "offset_u_s": None,
        "seq": None,
    }
    said.set("session", "clips", value={"ab": whole})
    if isinstance(value, dict) and "offset_s" in value.get("ab", {}):
        value = {"ab": {**whole, **value["ab"]}}
    with pytest.raises(AnnotationError, match="clips"):
        said.set("session", "clips", value=value)
    assert said.get("session", "clips") == {"ab": whole}


def test_browsers_are_told_what_phones_films_are() -> None:
    assert [media_type(Path(name)) for name in ("a.MOV", "a.mp4", "a.webm", "a.exe")] == [
        "video/mp4",
        "video/mp4",
        "video/webm",
        "application/octet-stream",
    ]


# -- the command -----------------------------------------------------------------------------------


def test_the_command_attaches_lists_and_takes_away(
    own_site: Any,
    filmed: dict[str, Any],
    films: dict[str, Path],
    capsys: pytest.CaptureFixture[str],
) -> None:
    from unhurried.cli import run

    session = filmed["session"][:8]

    def clip(name: str, *words: str, code: int = 0) -> str:
        capsys.readouterr()
        assert run(["clip", name, *words, "--home", str(own_site.place.home)]) == code
        out, err = capsys.readouterr()
        return err if code else out

    first, second = filmed["swings"]
    text = clip(session, str(films["webm"]))
    assert "3 of 3 impacts heard where they should be" in " ".join(text.split())
    assert max(map(len, text.splitlines())) <= 80
    assert "IMG_7.mp4" in clip(session)
    (document,) = json.loads(clip(f"{session}#{second}", str(films["webm"]), "--json"))
    with own_site.place.open() as library:
        assert document["seq"] == library.swing(filmed["session"], number=second).seq
    assert f"#{first}" in clip(f"{session}#{first}")
    assert "lined up by eye" in clip(session, str(films["webm"]), "--at-s", "3.25")
    assert "taken away" in clip(session, "--remove", "IMG_7.webm")
    assert "IMG_7.webm" not in clip(session)
    assert "is no clip" in clip(session, "--remove", "IMG_7.webm", code=1)
    assert "does not exist" in clip(session, "nowhere.mp4", code=2)
