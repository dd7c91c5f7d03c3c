"""Add a file and settings over HTTP: what may come in, how large, and by whom; words and units."""

from __future__ import annotations

import html
import io
import re
import zipfile
from pathlib import Path
from typing import Any

import httpx
import pytest
from adding_files import odd_table, over, upload
from page_screens import Site
from range_site import wait

from library.catalogue import Library
from review.page.app import create_app
from review.page.requests import DrillRequest
from review.page.security import GuardParams
from unhurried.app.page_tools import page_tools

HOST = "127.0.0.1:8737"


def test_an_empty_home_has_three_ways_in(empty: Site) -> None:
    page = empty.http.get("/").text
    for word in ("I coach", "I play", "Show me with invented players"):
        assert word in page
    assert "unhurried library" not in page
    answer = empty.post("/start", **{"as": "play", "name": "Ida", "handedness": "left"})
    who = answer.headers["location"].split("?")[0]
    assert "left-handed" in empty.http.get(who).text
    twice = empty.post("/start", **{"as": "coach", "name": "Ida"})
    assert "/?said=" in twice.headers["location"]
    nobody = empty.post("/start", **{"as": "coach", "name": " "})
    assert "needs a name" in empty.http.get(nobody.headers["location"].partition("#")[0]).text


@pytest.mark.parametrize(
    ("data", "name", "said"),
    [
        (b"", "x.csv", "It is empty"),
        (b"\x89PNG\r\n\x1a\n" + bytes(50), "swing.csv", "a picture"),
        (b"PK\x03\x04" + bytes(50), "x.zip", "not whole"),
        (
            b"<!doctype html><script>alert(1)</script>",
            "<script>alert(1)</script>.csv",
            "a web page",
        ),
    ],
)
def test_what_cannot_be_added_is_said(empty: Site, data: bytes, name: str, said: str) -> None:
    answer = upload(empty, data, name)
    page = empty.http.get(answer.headers["location"]).text
    assert said in page
    assert "<script>alert" not in page
    gone = empty.http.post(
        answer.headers["location"], data={"drop": "1"}, headers={"origin": empty.url}
    )
    assert gone.status_code == 303
    assert list((empty.place.home / "arriving").iterdir()) == []
    assert empty.http.get(answer.headers["location"]).status_code == 400


def test_a_hostile_zip_is_refused_in_words(empty: Site) -> None:
    data = io.BytesIO()
    with zipfile.ZipFile(data, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("../../x/imu.npy", b"1")
    page = over(empty, upload(empty, data.getvalue(), "x.zip"))
    assert "leads elsewhere" in page
    assert str(empty.place.home) not in page
    assert list((empty.place.home / "recordings").iterdir()) == []


def test_a_table_in_another_unit_leads_back_to_its_form(empty: Site) -> None:
    url = upload(empty, odd_table()).headers["location"]
    page = empty.http.get(url).text
    # Which column it is nobody knows yet, so neither is its unit.
    assert "Which column is rotation x?" in page
    assert '<option value="deg/s">°/s</option>' in page
    answers = {"kind": "table", "club": "driver", "column-time_s": "clock", "unit-time_s": "s"}
    for axis, title in zip("xyz", ("one", "two", "three"), strict=True):
        answers |= {f"column-acc_{axis}_m_s2": f"a{axis}", f"unit-acc_{axis}_m_s2": "m/s2"}
        answers |= {f"column-gyr_{axis}_deg_s": title, f"unit-gyr_{axis}_deg_s": "deg/s"}
    page = over(empty, empty.post(url, **answers))
    assert "The numbers of rotation look like rad/s: choose rad/s as their unit" in page
    assert "--map" not in page
    back = html.unescape(re.findall(r'href="([^"]+)">Back to the file', page)[0])
    assert back.startswith(f"{url}?said=")
    page = empty.http.get(back).text
    assert "choose rad/s" in page
    assert 'value="driver"' in page
    assert '<option value="two" selected>' in page
    for axis in "xyz":
        answers[f"unit-gyr_{axis}_deg_s"] = "rad/s"
    assert "1 session added" in over(empty, empty.post(url, **answers))


def test_what_was_answered_about_ball_results_is_not_asked_again(own_site: Site) -> None:
    url = upload(own_site, b"Clock,Carry,Side\n18:00:01,140,3\n").headers["location"]
    page = own_site.http.get(url).text
    assert "Please say" in page
    assert page.count("Which unit has “Carry”?") == 1
    answers = {"kind": "balls", "look": "1", "session": own_site.sessions()[0]}
    answers |= {"column-carry": "1", "unit-carry": "m", "column-offline": "2", "unit-offline": ""}

    def shown() -> str:
        return own_site.http.get(own_site.post(url, **answers).headers["location"]).text

    page = shown()
    assert "Which unit has “To the side”?" in page
    assert "Which unit has “Carry”?" not in page
    answers["unit-offline"] = "m"
    page = shown()
    assert "Please say" not in page
    assert '<option value="m" selected>' in page


def test_a_form_without_a_file_or_with_two_is_refused(empty: Site) -> None:
    own = {"origin": empty.url}
    for files in ([("file", ("a", b"1")), ("file", ("b", b"1"))], [("other", ("a", b"1"))]):
        answer = empty.http.post("/add/file", files=files, headers=own)
        assert answer.status_code in (303, 400)
        assert not list(empty.place.home.glob("arriving/*"))
    assert empty.http.post("/add/file", data={"file": "x"}, headers=own).status_code == 400
    # No other address takes a file.
    other = empty.http.post("/settings", files={"units": ("a", b"1")}, headers=own)
    assert other.status_code == 400


async def test_a_file_is_cut_off_at_its_limit_while_it_comes(tmp_path: Path) -> None:
    params = GuardParams(upload_bytes=50_000, upload_paths=("/add/file",))
    app: Any = create_app(tmp_path, tools=page_tools(tmp_path), hosts={HOST}, guard=params)
    sent = 0

    async def body() -> Any:
        nonlocal sent
        head = b'--b\r\nContent-Disposition: form-data; name="file"; filename="x"\r\n\r\n'
        yield head
        for _ in range(1000):
            sent += 1
            yield b"x" * 10_000

    transport = httpx.ASGITransport(app=app, client=("127.0.0.1", 1))
    async with httpx.AsyncClient(transport=transport, base_url=f"http://{HOST}") as http:
        answer = await http.post(
            "/add/file",
            content=body(),
            headers={
                "origin": f"http://{HOST}",
                "content-type": "multipart/form-data; boundary=b",
            },
        )
    assert answer.status_code == 413
    assert sent < 20
    assert not list(tmp_path.glob("arriving/*"))


def test_a_typed_speed_that_looks_like_another_unit_is_asked_about(own_site: Site) -> None:
    session = own_site.sessions()[0]
    url = f"/session/{session}/swing/3/words"
    swing = {"kind": "as-it-is", "tags": "", "note": "", "excluded": ""}

    def kept() -> float | None:
        with own_site.place.open() as library:
            result = library.swing(session, number=3).result or {}
            return result.get("club_speed_m_s")

    answer = own_site.post(url, **swing, club_speed_m_s="84")
    page = own_site.http.get(answer.headers["location"].partition("#")[0]).text
    assert "is it in another unit?" in page
    assert "Odd numbers stay as they are" in page
    assert kept() is None
    own_site.post(url, **swing, club_speed_m_s="84", as_it_is="on")
    assert kept() == 84.0


def test_settings_are_kept_and_hold_at_once(own_site: Site) -> None:
    assert "m/s and m" in own_site.http.get("/settings").text
    own_site.post("/settings", at="units", units="imperial")
    session = own_site.sessions()[0]
    assert "mph" in own_site.http.get(f"/session/{session}/swing/3").text
    wrong = own_site.post("/settings", at="folders", clip_folder="/not/there/at/all")
    assert (
        "there is no folder"
        in own_site.http.get(wrong.headers["location"].partition("#")[0]).text.lower()
    )
    loud = own_site.post("/settings", at="sounds", tone_level="7")
    assert "0.01 to 0.9" in own_site.http.get(loud.headers["location"].partition("#")[0]).text
    # What isn't a setting of the page isn't one here.
    own_site.post("/settings", at="units", day_turn_deg="9")
    assert not re.search("day_turn", (own_site.place.home / "settings.json").read_text())


def test_a_player_is_taken_along_and_deleted(own_site: Site) -> None:
    who = own_site.player("Ameyo")
    answer = own_site.http.get(f"/player/{who}/export.zip")
    with zipfile.ZipFile(io.BytesIO(answer.content)) as archive:
        assert "player.json" in archive.namelist()
    wait(lambda: not list((own_site.place.home / "taken-out").iterdir()))
    url = f"/player/{who}/delete"
    assert "1 recording" in own_site.http.get(url).text
    own_site.post(url, raw="on")
    assert own_site.player("Ameyo") == who
    own_site.post(url, raw="on", sure="on")
    with own_site.place.open() as library:
        assert "Ameyo" not in {one.name for one in library.people.all()}
    assert not (own_site.place.recordings / "thursday").exists()
    assert own_site.http.get(url).status_code == 404


def test_a_backup_is_made_while_one_looks_elsewhere(own_site: Site) -> None:
    page = over(own_site, own_site.post("/settings/backup"))
    assert "6 recordings are in one file" in page
    name = re.search(r"unhurried-backup-[\w-]+\.zip", own_site.http.get("/settings").text)
    assert name is not None
    data = own_site.http.get(f"/settings/backup/{name[0]}").content
    assert zipfile.is_zipfile(io.BytesIO(data))
    for odd in ("../settings.json", "unhurried-backup-2026-01-01-0000.zip", "x"):
        assert own_site.http.get(f"/settings/backup/{odd}").status_code == 404
    # Where there is something already, nothing is mixed.
    answer = upload(own_site, data, "backup.zip")
    url = answer.headers["location"]
    assert "A backup." in own_site.http.get(url).text
    back = own_site.http.post(url, data={"kind": "backup"}, headers={"origin": own_site.url})
    assert "already" in over(own_site, back)
    with Library(own_site.place.home) as library:
        assert len(library.sessions()) == 6


def test_a_drill_of_practice_swings_has_no_ball() -> None:
    # The usual sets have some.
    assert DrillRequest().has_balls
    assert not DrillRequest(own_full=True).has_balls
    assert not DrillRequest(blocks=("rehearsal", "silent")).has_balls
    assert DrillRequest(blocks=("rehearsal", "ball")).has_balls
    assert DrillRequest(blocks=("silent",), ball=True).has_balls
