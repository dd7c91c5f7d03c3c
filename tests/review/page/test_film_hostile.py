"""What comes in as a film: refused without a trace where it isn't one, is too large, or cut off."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import httpx
import pytest
from clip_data import make_clip, needs_ffmpeg
from patience import PATIENCE_S
from range_site import RangeSite, range_site

from review.page.app import create_app
from review.page.filming import kind_of_film
from review.page.roles import GUEST, role_of
from review.page.security import COOKIE, GuardParams, Pass
from unhurried.app.ingest import open_library
from unhurried.app.page_tools import page_tools

HOST: Final = "127.0.0.1:8741"
MARK: Final = "x" * 20
MP4: Final = b"\0\0\0\x20ftypisom" + b"\0" * 60


@pytest.fixture(scope="module")
def film(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("films")
    return make_clip(folder / "IMG_0042.mp4", [0.4], duration_s=1.0)


@pytest.fixture
def site(tmp_path: Path) -> Iterator[RangeSite]:
    with range_site(tmp_path / "home", speed=40.0) as up:
        yield up


def films_in(home: Path) -> list[str]:
    folder = home / "clips"
    return sorted(one.name for one in folder.iterdir()) if folder.is_dir() else []


def form(*parts: tuple[str, bytes], end: bool = True) -> bytes:
    """A form as it comes in: for each part the words of its disposition, and its content."""
    out = b"".join(
        f"--{MARK}\r\nContent-Disposition: form-data; {head}\r\n\r\n".encode() + body + b"\r\n"
        for head, body in parts
    )
    return out + (f"--{MARK}--\r\n".encode() if end else b"")


def sent(site: RangeSite, body: bytes, kind: str = f"multipart/form-data; boundary={MARK}") -> Any:
    headers = {"origin": site.url, "accept": "application/json", "content-type": kind}
    return site.http.post("/range/film", content=body, headers=headers)


FILM_PART = 'name="film"; filename="a.mp4"'


def test_what_is_no_film_of_a_swing_is_refused_and_nothing_stays(site: RangeSite) -> None:
    site.start()
    site.until(lambda s: s.count >= 1)
    heic = b"\0\0\0\x20ftypheic" + b"\0" * 60
    for body, said in (
        (form((FILM_PART, b"")), "no film in it"),
        (form(("name=swing", b"x")), "no film in it"),
        (form((FILM_PART, b"\x89PNG\r\n\x1a\n" + b"\0" * 90)), "mp4, mov, webm or mkv"),
        (form((FILM_PART, b"#EXTM3U\nfile:///etc/passwd\n")), "isn't a film"),
        (form((FILM_PART, heic)), "isn't a film"),
        (form((FILM_PART, MP4)), "cannot be read"),
        (form((FILM_PART, MP4), (FILM_PART, MP4)), "one film at a time"),
        (form((FILM_PART, MP4), end=False), "cut off"),
        (form((FILM_PART, MP4))[:-40], "cut off"),
        (form(*(("name=a", b"x") for _ in range(9))), "too many fields"),
        (form(("name=swing", b"x" * 5000), (FILM_PART, MP4)), "too long"),
        (form((f'name="film"; filename="{"n" * 9000}"', MP4)), "form"),
        (b"\0" * 5000, "takes a form"),
    ):
        answer = sent(site, body)
        assert (answer.status_code, said in answer.text) == (400, True), (said, answer.text)
        assert films_in(site.home) == [], said
    for kind in ("application/x-www-form-urlencoded", "multipart/form-data", "video/mp4"):
        assert sent(site, form((FILM_PART, MP4)), kind).status_code == 400
    assert films_in(site.home) == []
    # The recording has noticed nothing of it.
    before = site.hub.state.count
    site.until(lambda s: s.count > before)
    assert site.stop().phase == "kept"


@needs_ffmpeg
@pytest.mark.parametrize("name", ["../../../evil.mp4", "/etc/evil.mp4", "..\\\\evil.mp4", "a\0b"])
def test_a_name_leads_nowhere(site: RangeSite, film: Path, name: str) -> None:
    # Nothing was recorded here, so that there is no swing either: it is looked at, and let go.
    part = (f'name="film"; filename="{name}"', film.read_bytes())
    answer = sent(site, form(part))
    assert answer.status_code == 400
    assert "nothing is being recorded" in answer.text
    assert films_in(site.home) == []
    assert not list(site.home.rglob("*evil*"))
    assert not (site.home.parent / "evil.mp4").exists()


def test_too_large_and_too_slow_are_turned_away_at_the_door(tmp_path: Path) -> None:
    home = tmp_path / "home"
    with open_library(home):
        pass
    limits = GuardParams(upload_bytes=50_000, body_s=0.2)
    app: Any = create_app(home, tools=page_tools(home), hosts={HOST}, guard=limits)

    async def ask(content: Any, length: int | None = None) -> int:
        transport = httpx.ASGITransport(app=app, client=("127.0.0.1", 1))
        async with httpx.AsyncClient(transport=transport, base_url=f"http://{HOST}") as http:
            headers = {
                "origin": f"http://{HOST}",
                "content-type": f"multipart/form-data; boundary={MARK}",
            }
            if length is not None:
                headers["content-length"] = str(length)
            return (await http.post("/range/film", content=content, headers=headers)).status_code

    async def much() -> Any:
        yield form((FILM_PART, MP4), end=False)
        for _ in range(9):
            yield b"\0" * 10_000

    async def stalled() -> Any:
        yield form((FILM_PART, MP4), end=False)
        await asyncio.sleep(PATIENCE_S)

    assert asyncio.run(ask(b"", 10**12)) == 413
    assert asyncio.run(ask(much())) == 413
    assert asyncio.run(ask(stalled())) == 408
    assert films_in(home) == []


def test_a_phone_sends_films_only_where_that_was_allowed(tmp_path: Path) -> None:
    assert role_of("POST", "/range/film") == "film"
    home, visitors = tmp_path / "home", Pass()
    with open_library(home):
        pass
    app: Any = create_app(home, tools=page_tools(home), hosts={HOST}, visitors=visitors)
    known = visitors.enter(str(visitors.token))

    async def ask() -> int:
        transport = httpx.ASGITransport(app=app, client=("192.0.2.7", 1))
        async with httpx.AsyncClient(transport=transport, base_url=f"http://{HOST}") as http:
            headers = {"origin": f"http://{HOST}", "cookie": f"{COOKIE}={known}"}
            answer = await http.post("/range/film", content=b"", headers=headers)
            return answer.status_code

    assert (asyncio.run(ask()) == 403) == ("film" not in GUEST)


def test_a_film_is_known_by_what_is_in_it() -> None:
    assert kind_of_film(b"\0\0\0\x14ftypqt  ") == ".mov"
    assert kind_of_film(MP4) == ".mp4"
    assert kind_of_film(b"\x1a\x45\xdf\xa3" + b"\x01\x42\x82\x84webm") == ".webm"
    assert kind_of_film(b"\x1a\x45\xdf\xa3" + b"\x01\x42\x82\x88matroska") == ".mkv"
    for other in (b"", b"RIFF\0\0\0\0AVI ", b"\xff\xd8\xff\xe0", b"PK\3\4", b"<svg", b"\0" * 64):
        assert kind_of_film(other) is None
