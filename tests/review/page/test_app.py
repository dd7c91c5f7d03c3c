"""The page as a whole: who is answered, what is opened, and that what is shown is right."""

from __future__ import annotations

import dataclasses
import gc
import json
import os
import re
import signal
import socket
import subprocess
import sys
import threading
from concurrent.futures import Future
from pathlib import Path
from typing import Any

import html5lib
import httpx
import pytest
from page_screens import SCREENS, screen_path
from patience import PATIENCE_S

from library.errors import NoSuchError
from review.page.app import checked_id
from review.page.cache import NOT_READY, ResultCache
from review.page.security import CONTENT_POLICY
from sensor.recording.annotations import change_annotations
from unhurried.app.serve import serving
from words.glossary import REMARKS

HOSTILE = "<script>alert(1)</script>\"'><img src=x onerror=alert(2)>{{7*7}}</script>"


def strict(text: str) -> Any:
    """Parse a document strictly: html5lib is an outside judge of HTML validity."""
    return html5lib.HTMLParser(strict=True).parse(text)


# -- what is answered --------------------------------------------------------------------------


@pytest.mark.parametrize("screen", SCREENS)
def test_a_screen_is_valid_html_and_runs_only_our_files(site: Any, screen: str) -> None:
    # whole: nothing is left for later, so the parts are judged as well.
    path = screen_path(site, screen)
    joint = "&" if "?" in path else "?"
    for address in (path, f"{path}{joint}whole=1"):
        answer = site.http.get(address)
        assert answer.status_code == (404 if screen == "error" else 200)
        assert answer.headers["content-security-policy"] == CONTENT_POLICY
        strict(answer.text)
        for script in re.findall(r"<script[^>]*>", answer.text):
            assert 'src="/static/' in script or 'type="application/json"' in script
        assert "style=" not in answer.text
        assert not re.search(r"<[^>]+\son\w+=", answer.text)
        assert not re.search(r'(?:src|href)="(?:https?:)?//', answer.text)


def test_parts_that_come_later_are_the_same_as_those_that_come_at_once(site: Any) -> None:
    session, who = site.sessions()[0], site.player()
    for part in (
        f"/player/{who}/stand",
        f"/player/{who}/trend/told",
        f"/session/{session}/answer",
        f"/session/{session}/story",
        f"/session/{session}/felt",
        f"/session/{session}/chart",
        f"/session/{session}/swing/2/answer",
    ):
        answer = site.http.get(part)
        assert answer.status_code == 200
        strict(f"<!doctype html><title>part</title>{answer.text}")
    whole = site.http.get(f"/session/{session}?whole=1").text
    story = site.http.get(f"/session/{session}/story").text
    assert story.strip() in whole


def test_a_forged_host_is_turned_away(site: Any) -> None:
    for host in ("evil.example", "localhost", f"evil.example:{site.url.rpartition(':')[2]}"):
        answer = site.http.get("/", headers={"host": host})
        assert answer.status_code == 421
        assert "Solveig" not in answer.text


def test_nothing_is_changed_from_elsewhere(own_site: Any) -> None:
    session = own_site.sessions()[0]
    path = next(s.path for s in own_site.place.open().sessions() if s.id == session)
    before = (path / "annotations.json").read_bytes()
    posts = [
        (f"/session/{session}/words", {"note": "not ours"}),
        (f"/session/{session}/swings", {"do": "exclude", "reason": "x", "seq": "1"}),
        (f"/session/{session}/undo", {}),
        (f"/player/{own_site.player()}/edit", {"name": "Somebody"}),
    ]
    for origin in ({}, {"origin": "http://evil.example"}, {"origin": "null"}):
        for address, form in posts:
            assert own_site.http.post(address, data=form, headers=origin).status_code == 403
    # A link or a picture elsewhere can only ask, and asking changes nothing.
    for address, _ in posts:
        assert own_site.http.get(address).status_code in (404, 405)
    assert (path / "annotations.json").read_bytes() == before
    with own_site.place.open() as library:
        assert {p.name for p in library.players()} == {"Solveig", "Tomas", "Ameyo"}


@pytest.mark.parametrize(
    "path",
    [
        "/static/../app.py",
        "/static/%2e%2e/app.py",
        "/static/..%2fapp.py",
        "/static/..%5c..%5capp.py",
        "/static//etc/passwd",
        "/session/..%2f..%2f..%2fetc%2fpasswd",
        "/session/%2e%2e/%2e%2e/etc/passwd",
        "/session/00000000-0000-4000-8000-000000000000",
        "/session/%00",
        "/session/'%20OR%201=1--",
        "/player/..%2fplayers",
        "/player/%25",
        "/player/_",
        "/pair?a=../../etc/passwd~1&b=x~1",
        "/pair",
        "/pair?a=%00~1",
        "/session/x/swing/1",
    ],
)
def test_no_path_from_a_request_is_opened(site: Any, path: str) -> None:
    host, port = site.url.removeprefix("http://").split(":")
    # Past httpx, which would tidy the path up.
    with socket.create_connection((host, int(port)), timeout=20) as raw:
        raw.sendall(
            f"GET {path} HTTP/1.1\r\nHost: {host}:{port}\r\nConnection: close\r\n\r\n".encode()
        )
        answer = b"".join(iter(lambda: raw.recv(65536), b""))
    assert answer.split(b" ", 2)[1] in (b"404", b"400")
    for secret in (b"root:", b"create_app", b"Traceback"):
        assert secret not in answer


def test_ids_are_checked_by_their_shape() -> None:
    for text in ("", "../x", "a" * 36, "0" * 8, "00000000-0000-4000-8000-00000000000g", "\n"):
        with pytest.raises(NoSuchError):
            checked_id(text)
    good = "065c223d-26e0-4dac-ab28-c4e5368c38ea"
    assert checked_id(good) == good


def test_what_is_too_large_or_no_form_is_refused(own_site: Any) -> None:
    session = own_site.sessions()[0]
    origin = {"origin": own_site.url}
    address = f"/session/{session}/words"
    big = own_site.http.post(address, data={"note": "x" * 300_000}, headers=origin)
    assert big.status_code == 413

    def endless() -> Any:
        for _ in range(400):
            yield b"n" * 1024

    form = {**origin, "content-type": "application/x-www-form-urlencoded"}
    chunked = own_site.http.post(address, content=endless(), headers=form)
    assert chunked.status_code == 413
    upload = own_site.http.post(address, files={"note": ("a.bin", os.urandom(900))}, headers=origin)
    assert upload.status_code == 400
    assert own_site.http.post(address, content=b"{}", headers=origin).status_code == 400
    binary = own_site.http.post(address, content=b"note=%00%ff\x00\xfe", headers=form)
    assert binary.status_code == 400
    many = "&".join(f"seq={k}" for k in range(3000))
    lots = own_site.http.post(
        f"/session/{session}/swings",
        content=many,
        headers=form,
    )
    assert lots.status_code == 400
    too_long = own_site.post(address, note="y" * 12_000)
    assert too_long.status_code == 400
    assert "shorter" in too_long.text
    with own_site.place.open() as library:
        assert library.session(session).note in (None, "")


def test_a_script_in_every_field_stays_text(own_site: Any) -> None:
    place = own_site.place
    session = own_site.sessions()[0]
    who = own_site.player()
    with place.open() as library:
        seqs = library.swings(session=session, columns=("seq",))["seq"].tolist()
        path = library.session(session).path
        library.change_player(
            who,
            lambda p: dataclasses.replace(
                p, name=HOSTILE, note=HOSTILE, consent=HOSTILE, aliases=(*p.aliases, p.name)
            ),
        )
    with change_annotations(path) as said:
        said.set("session", "note", value=HOSTILE)
        said.set("session", "drill", value=HOSTILE)
        said.set("segment", 0, value={"club": HOSTILE, "block": HOSTILE})
        for name, value in (
            ("tags", [HOSTILE]),
            ("note", HOSTILE),
            ("excluded", HOSTILE),
            ("player", "Solveig"),
        ):
            said.set("swing", seqs[0], name, value=value)
        said.set("swing", seqs[1], "result", value={"carry_m": 1.0, "other": {HOSTILE: HOSTILE}})
    with place.open() as library:
        library.refresh(session)
        library.save_plan(
            who,
            "7 iron",
            "wrist",
            {},
            {"day": 739000, "word": "discomfort", "text": HOSTILE},
        )
    shown = 0
    for address in (
        "/?whole=1",
        f"/player/{who}?whole=1",
        f"/player/{who}/trend?whole=1",
        f"/session/{session}?whole=1",
        f"/session/{session}/swing/1?whole=1",
        f"/session/{session}/swing/2?whole=1",
        f"/pair?a={session}~1&b={session}~2",
    ):
        text = own_site.http.get(address).text
        strict(text)
        assert "<script>alert" not in text
        assert "<img" not in text
        assert "onerror=alert(2)>" not in text
        assert "49</script>" not in text
        shown += text.count("&lt;script&gt;alert(1)")
    assert shown > 8


# -- what is shown -----------------------------------------------------------------------------


def test_numbers_equal_those_of_analyze_to_the_digit(site: Any) -> None:
    """``unhurried analyze --json`` in a process of its own, against the screens' text."""
    with site.place.open() as library:
        session = library.session(site.sessions()[0])
    out = subprocess.run(
        [sys.executable, "-m", "unhurried", "analyze", str(session.path), "--json"],
        capture_output=True,
        check=True,
        text=True,
    )
    swings = json.loads(out.stdout)["swings"]
    tree = html5lib.parse(
        site.http.get(f"/session/{session.id}?whole=1").text, namespaceHTMLElements=False
    )
    rows = tree.findall(".//table[@id='swings']/tbody/tr")
    assert len(rows) == len(swings) > 10
    heads = [
        "".join(th.itertext()).partition(",")[0]
        for th in tree.findall(".//table[@id='swings']/thead/tr/th")
    ]
    for row, swing in zip(rows, swings, strict=True):
        cells = dict(zip(heads, ("".join(c.itertext()) for c in row), strict=True))
        for head, name, digits in (
            ("Backswing", "backswing_ms", 2),
            ("Downswing", "downswing_ms", 2),
            ("Turn", "turn_deg", 0),
            ("Rotation", "peak_rate_dps", 0),
        ):
            value = swing[name]
            if value is not None and name.endswith("_ms"):
                value /= 1e3
            assert cells[head] == ("–" if value is None else f"{value:.{digits}f}")
    for swing in swings[:4]:
        answer = site.http.get(f"/session/{session.id}/swing/{swing['index']}").text
        tree = html5lib.parse(answer, namespaceHTMLElements=False)
        found = {
            row.get("data-name"): "".join(row.find(".//*[@class='value']").itertext())
            for row in tree.findall(".//tr[@data-name]")
            if row.find(".//*[@class='value']") is not None
        }
        for name in REMARKS:
            value = swing[name]
            assert (value is None) == (name not in found)
            if value is not None:
                digits = len(found[name].partition(".")[2])
                assert found[name].replace("−", "-") == f"{value:.{digits}f}"


def test_the_pair_says_what_compare_says(site: Any) -> None:
    session = site.sessions()[0]
    with site.place.open() as library:
        path = library.session(session).path
        kinds = [library.swing(session, number=n).kind for n in (1, 2)]
    # The practice swing stands left, and of two of a kind the earlier.
    one, other = (2, 1) if kinds == ["strike", "rehearsal"] else (1, 2)
    out = subprocess.run(
        [
            *(sys.executable, "-m", "unhurried", "compare"),
            *(f"{path}#{one}", f"{path}#{other}", "--json"),
        ],
        capture_output=True,
        check=True,
        text=True,
    )
    told = json.loads(out.stdout)
    text = "".join(
        html5lib.parse(
            site.http.get(f"/pair?a={session}~1&b={session}~2").text, namespaceHTMLElements=False
        ).itertext()
    )
    assert told["sentences"]
    for sentence in told["sentences"]:
        assert sentence in text
    for note in told["notes"]:
        assert note in text


def test_every_swing_of_a_sentence_can_be_followed(site: Any) -> None:
    session = site.sessions()[0]
    tree = html5lib.parse(
        site.http.get(f"/session/{session}?whole=1").text, namespaceHTMLElements=False
    )
    sentences = tree.findall(".//ol[@class='story']/li")
    assert 2 <= len(sentences) <= 5
    links = {a.get("href") for li in sentences for a in li.findall(".//a")}
    # The next drill is set up on the range screen, which this page has none of.
    links = {link for link in links if not link.startswith("/range/")}
    assert len(links) > 5
    for link in sorted(links)[:6]:
        assert site.http.get(link).status_code == 200


def test_a_recording_that_is_gone_is_said_and_all_else_shown(own_site: Any) -> None:
    session = own_site.sessions()[0]
    with own_site.place.open() as library:
        path = library.session(session).path
    path.rename(path.with_name("elsewhere"))
    for address in (f"/session/{session}", f"/session/{session}/swing/2"):
        answer = own_site.http.get(address)
        assert answer.status_code == 200
        assert "isn&#39;t there any more" in answer.text
    assert own_site.http.get(f"/pair?a={session}~1&b={session}~2").status_code == 200
    answer = own_site.post(f"/session/{session}/words", note="x")
    assert answer.status_code == 404
    assert "add it once more, from its new place" in answer.text


def test_an_empty_library_says_what_to_do(tmp_path: Path) -> None:
    with serving(tmp_path, port=0) as up, httpx.Client(base_url=up.url) as http:
        answer = http.get("/")
        assert answer.status_code == 200
        assert "Show me with invented players" in answer.text
        strict(answer.text)


def test_an_unforeseen_error_is_one_line(
    own_site: Any, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    from library.catalogue import Library

    def broken(*_: Any, **__: Any) -> None:
        raise RuntimeError("the inside of it")

    monkeypatch.setattr(Library, "players", broken)
    answer = own_site.http.get("/")
    assert answer.status_code == 500
    assert "internal error: RuntimeError" in answer.text
    assert "the inside of it" not in answer.text
    assert "Traceback" not in answer.text
    assert any("internal error at /" in r.message for r in caplog.records)


# -- the shelf ---------------------------------------------------------------------------------


def test_the_shelf_waits_a_moment_and_keeps_what_was_worked_out(tmp_path: Path) -> None:
    file = tmp_path / "library.db"
    file.write_bytes(b"1")
    shelf = ResultCache((file,))
    gate = threading.Event()
    asked = []

    def work() -> str:
        asked.append(1)
        assert gate.wait(10)
        return "done"

    assert shelf.get("a", work, wait_s=0.01) is NOT_READY
    assert not NOT_READY
    # What is quick doesn't stand in line behind it.
    assert shelf.get("b", lambda: "quick", quick=True, wait_s=5) == "quick"
    gate.set()
    assert shelf.get("a", work) == "done"
    assert shelf.get("a", work, wait_s=0) == "done"
    assert len(asked) == 1
    file.write_bytes(b"22")
    assert shelf.get("a", work) == "done"
    assert len(asked) == 2
    shelf.changed()
    assert shelf.get("a", work) == "done"
    assert len(asked) == 3
    shelf.close()


def test_what_is_done_just_after_the_wait_is_taken(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Late(Future[str]):
        """Done between the end of the wait and the look whether it is."""

        def result(self, timeout: float | None = None) -> str:
            if timeout is not None and not self.done():
                self.set_result("late")
                raise TimeoutError
            return super().result(timeout)

    shelf = ResultCache((tmp_path / "db",))
    monkeypatch.setattr(shelf, "_future", lambda *_, **__: Late())
    assert shelf.get("a", lambda: None, wait_s=0.001) == "late"
    shelf.close()


def test_the_shelf_hands_errors_on(tmp_path: Path) -> None:
    shelf = ResultCache((tmp_path / "none",))

    def fail() -> None:
        raise NoSuchError("there is none")

    for _ in range(2):
        with pytest.raises(NoSuchError, match="there is none"):
            shelf.get("x", fail)
    shelf.close()


def test_what_another_process_writes_is_seen(own_site: Any) -> None:
    session = own_site.sessions()[0]
    assert "left out: by the command line" not in own_site.http.get(f"/session/{session}").text
    with own_site.place.open() as library:
        seq = library.swings(session=session, columns=("seq",))["seq"].tolist()[0]
        library.annotate(session, seq, excluded="by the command line")
    text = own_site.http.get(f"/session/{session}?whole=1").text
    assert "left out: by the command line" in text


# -- the command -------------------------------------------------------------------------------


def start(place: Any, *options: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [
            sys.executable,
            "-m",
            "unhurried",
            "review",
            "--no-browser",
            "--home",
            str(place.home),
            *options,
        ],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


@pytest.mark.parametrize("kind", [signal.SIGINT, signal.SIGTERM])
def test_ctrl_c_ends_the_page_and_is_no_failure(place: Any, kind: int) -> None:
    process = start(place, "--port", "0")
    assert process.stdout is not None
    url = process.stdout.readline().strip()
    assert re.fullmatch(r"http://127\.0\.0\.1:\d+/", url)
    # An open connection doesn't hold it up.
    with httpx.Client() as http:
        assert http.get(url, timeout=PATIENCE_S).status_code == 200
        process.send_signal(kind)
        out, errors = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 0
    assert out == ""
    assert "Traceback" not in errors


def test_check_asks_for_the_screens_and_ends(place: Any) -> None:
    process = start(place, "--port", "0", "--check")
    out, errors = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 0, errors
    assert out.startswith("http://127.0.0.1:")
    assert re.search(r"\d+ screens came", errors)


def test_a_port_that_is_taken_is_one_line(place: Any) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        process = start(place, "--port", str(taken.getsockname()[1]))
        _, errors = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 1
    assert "--port" in errors
    assert len(errors.strip().splitlines()) == 1


def test_an_answer_waits_for_no_acknowledgement(site: Any) -> None:
    # Otherwise every answer but a connection's first is 40 ms late.
    with socket.create_connection((site.http.base_url.host, site.http.base_url.port)) as mine:
        mine.sendall(
            f"GET / HTTP/1.1\r\nHost: {site.http.base_url.netloc.decode()}\r\n\r\n".encode()
        )
        assert mine.recv(12) == b"HTTP/1.1 200"
        theirs = [
            one
            for one in gc.get_objects()
            if isinstance(one, socket.socket)
            and one.fileno() != -1
            and not one.getsockopt(socket.SOL_SOCKET, socket.SO_ACCEPTCONN)
            and _peer(one) == mine.getsockname()
        ]
        assert len(theirs) == 1
        assert theirs[0].getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)


def _peer(one: socket.socket) -> Any:
    try:
        return one.getpeername()
    except OSError:
        return None


def test_shared_only_with_the_link(place: Any) -> None:
    process = start(place, "--port", "0", "--share")
    assert process.stdout is not None
    assert process.stderr is not None
    url = process.stdout.readline().strip()
    if not url:
        _, errors = process.communicate(timeout=PATIENCE_S)
        assert "local network" in errors
        pytest.skip("there is no network here to share on")
    line = process.stderr.readline()
    link = re.search(r"http://\S+", line)
    assert link is not None
    outside = httpx.URL(link[0]).copy_with(path="/", query=None)
    with httpx.Client(timeout=PATIENCE_S) as http:
        assert http.get(outside).status_code == 403
        assert http.get(link[0]).status_code == 303
        assert http.get(outside).status_code == 200
    with httpx.Client(timeout=PATIENCE_S) as other:
        # It works once.
        assert other.get(link[0]).status_code == 403
    process.send_signal(signal.SIGINT)
    _, errors = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 0
    token = httpx.URL(link[0]).params["t"]
    log = place.home / "log" / "unhurried.log"
    assert token not in errors
    assert not log.exists() or token not in log.read_text(encoding="utf-8")


# -- blocks of a drill -------------------------------------------------------------------------


def test_blocks_of_a_drill_and_how_far_from_the_beat(own_site: Any) -> None:
    session = own_site.sessions()[0]
    with own_site.place.open() as library:
        row = library.session(session)
        first = library.segments(session)[0]["seq"]
        library.correct_segment(session, first, block="1 rehearsal")
        swings = [library.swing(session, number=n) for n in (1, 2, 3, 4)]
    outcome = {
        "kind": "block_outcome",
        "seq": swings[3].seq + 100,
        "block": 1,
        "block_kind": "rehearsal",
        "swings": 4,
        "time_enough": 3,
        "time_judged": 4,
        "turn_full": 2,
        "turn_judged": 4,
        "asynchrony_takeaway_ms": {"n": 4, "mean": -35.2, "sd": 20.0},
        "asynchrony_top_ms": {"n": 4, "mean": 41.0, "sd": 12.0},
    }
    lines = [outcome]
    # Beats 20 ms before the tops as they were measured: the swings come 20 ms late.
    for one in swings:
        assert one.swing.downswing_ms is not None
        top = one.seq - one.swing.downswing_ms * 1e-3 * row.rate_hz
        lines.append({"kind": "beats", "seq": one.seq, "top_seq": top - 0.020 * row.rate_hz})
    with (row.path / "markers.jsonl").open("a", encoding="utf-8") as file:
        file.writelines(json.dumps(line) + "\n" for line in lines)
    text = own_site.http.get(f"/session/{session}").text
    tree = html5lib.parse(text, namespaceHTMLElements=False)
    section = tree.find(".//details[@id='drill']")
    cells = ["".join(c.itertext()).split() for c in section.find(".//tbody/tr")]
    assert " ".join(cells[0]) == "set 1, with sound"
    assert [" ".join(c) for c in cells[2:4]] == ["3 of 4", "2 of 4"]
    assert [" ".join(c) for c in cells[6:8]] == ["−35 ± 20", "+41 ± 12"]
    words = " ".join("".join(section.itertext()).split())
    assert "came +20 ms from its beat on average" in words
    assert "held" not in words
    silent = {**outcome, "block": 2, "block_kind": "silent"}
    with (row.path / "markers.jsonl").open("a", encoding="utf-8") as file:
        file.write(
            json.dumps(silent) + "\n" + json.dumps({"kind": "sound", "seq": 1, "underflows": 1})
        )
        file.write("\n" + json.dumps({"kind": "block", "seq": 1, "block": 3, "block_kind": "ball"}))
        file.write("\n" + json.dumps({"kind": "sound", "seq": 1, "underflows": 3}) + "\n")
    text = " ".join(own_site.http.get(f"/session/{session}").text.split()).replace("&#39;", "'")
    assert "Set 2 (without sound) beside set 1 (practice), today: can't tell yet" in text
    assert "before 2 of 4 (15 to 85 %)" in text
    assert "The sound was interrupted 3 times" in text
    # Broken markers are passed over.
    with (row.path / "markers.jsonl").open("a", encoding="utf-8") as file:
        file.write(
            '{"kind": "block_outcome", "seq": 1, "asynchrony_top_ms": "x"}\n{"kind": "beats"'
        )
    assert own_site.http.get(f"/session/{session}").status_code == 200


def test_swings_of_different_places_are_never_compared(site: Any) -> None:
    wrist = site.sessions()[0]
    club = site.sessions("Tomas")[0]
    with site.place.open() as library:
        assert library.session(club).mount == "club"
    answer = site.http.get(f"/pair?a={wrist}~1&b={club}~1")
    assert answer.status_code == 200
    assert "never compared" in answer.text
    assert "pair-data" not in answer.text
    same = site.http.get(f"/pair?a={wrist}~1&b={wrist}~1")
    assert "Both are the same swing" in same.text
    moved = site.http.get(f"/pair?a={wrist}~1&other={site.sessions()[1]}&number=2&align=top")
    assert moved.status_code == 303
    assert moved.headers["location"] == f"/pair?a={wrist}~1&b={site.sessions()[1]}~2&align=top"
    # Two sessions: another clock, and so said.
    assert site.http.get(moved.headers["location"]).status_code == 200


def test_what_is_said_of_one_player_leaves_the_others_worked_out(own_site: Any) -> None:
    """Whoever wasn't written about is not worked out anew."""
    from review.page.worker import Worker

    own_site.http.get("/?whole=1")
    asked: list[str] = []
    was = Worker.do

    def counted(self: Worker, job: Any, player: str, *more: Any) -> Any:
        asked.append(player)
        return was(self, job, player, *more)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Worker, "do", counted)
        own_site.http.get("/?whole=1")
        assert asked == []
        with own_site.place.open() as library:
            ameyo = library.player("Ameyo").id
            session = library.sessions(player=ameyo)[0].id
        own_site.post(f"/session/{session}/words", note="windy")
        own_site.http.get("/?whole=1")
        assert asked == [ameyo]


def test_what_cannot_be_worked_out_is_said_where_it_would_stand(own_site: Any) -> None:
    """Bounds that cross, as a file written by hand may have them: no screen is lost."""
    from library.players import ReferenceRecord as Kept

    who, session = own_site.player(), own_site.sessions()[0]
    with own_site.place.open() as library:
        table = library.swings(player=who, kind="rehearsal", columns=("session", "seq"))
        swings = tuple(zip(table["session"], map(int, table["seq"]), strict=True))[:9]
        bounds = {"turn_deg": (500.0, 500.0)}
        library.set_reference(who, Kept(club="7 iron", mount="wrist", swings=swings, bounds=bounds))
    for address in (
        "/",
        f"/player/{who}",
        f"/player/{who}/trend",
        f"/session/{session}",
        f"/session/{session}/swing/2",
    ):
        answer = own_site.http.get(f"{address}?whole=1")
        assert answer.status_code == 200, address
        strict(answer.text)
        assert "lower bound of turn_deg must be below the upper" in answer.text
    # The others are told of all the same.
    assert own_site.http.get("/?whole=1").text.count('class="strips"') == 2
