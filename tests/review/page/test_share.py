"""The page on the local network: for a phone that was let in by its code, and for nobody else."""

from __future__ import annotations

import io
import re
import socket
from collections.abc import Iterator
from contextlib import redirect_stderr
from pathlib import Path
from typing import Any

import html5lib
import httpx
import numpy as np
import pytest
import zxingcpp
from lesson_numbers import number
from patience import PATIENCE_S
from range_site import RangeSite, kinds, range_site, wait

from review.page import livehub
from review.page.security import COOKIE
from unhurried.app.invite import QUIET_MODULES, code_lines, show_code
from unhurried.app.serve import own_addresses
from unhurried.app.shutdown import Shutdown
from unhurried.cli import run
from unhurried.commands.review import _more_codes

ADDRESSES = own_addresses()
needs_network = pytest.mark.skipif(not ADDRESSES, reason="there is no network to share on")


@pytest.fixture
def site(tmp_path: Path) -> Iterator[RangeSite]:
    with range_site(tmp_path / "home", speed=25.0, share=True) as up:
        yield up


def outside(site: RangeSite) -> str:
    """The address under which a phone sees the page."""
    return f"http://{ADDRESSES[0]}:{site.up.port}"


def link_of(site: RangeSite) -> str:
    link = site.up.link()
    assert link is not None
    return link


@needs_network
def test_a_phone_is_let_in_by_the_link_once(site: RangeSite) -> None:
    link = link_of(site)
    assert link.startswith(outside(site))
    with httpx.Client(base_url=outside(site), timeout=PATIENCE_S) as phone:
        for path in ("/", "/range", "/range/live", "/static/page.css", "/range/drill"):
            assert phone.get(path).status_code == 403
        post = {"origin": outside(site)}
        refused = phone.post("/range/start", data={"sensor": "simulated"}, headers=post)
        assert refused.status_code == 403
        assert site.hub.state.phase == "idle"
        entered = phone.get(link)
        assert (entered.status_code, entered.headers["location"]) == (303, "/range")
        assert COOKIE in phone.cookies
        assert phone.get("/range").status_code == 200
        started = phone.post(
            "/range/start",
            data={"sensor": "simulated", "mount": "wrist"},
            headers={**post, "accept": "application/json"},
        )
        assert started.status_code == 200
        site.until(lambda s: s.count >= 1)
        with phone.stream("GET", "/range/live") as live:
            assert "Swing 1" in next(line for line in live.iter_lines() if "data: {" in line)
        # Somebody else with the same link, or with a cookie of their own making.
        with httpx.Client(base_url=outside(site), timeout=PATIENCE_S) as other:
            assert other.get(link).status_code == 403
            assert other.get("/range", headers={"cookie": f"{COOKIE}=x"}).status_code == 403
            # A code for another phone lets that one in, and the first stays in.
            assert other.get(link_of(site)).status_code == 303
            assert other.get("/range").status_code == 200
        assert phone.get("/range").status_code == 200
        # From the phone's address only what comes from there may change anything.
        crossed = phone.post("/range/stop", headers={"origin": "http://evil.example"})
        assert crossed.status_code == 403
        assert phone.post("/range/stop", data={"x": ""}, headers=post).is_success
    site.until(lambda s: s.phase == "kept")


@needs_network
def test_after_sore_only_the_computer_starts_again(site: RangeSite, record_property: Any) -> None:
    link = link_of(site)
    with httpx.Client(base_url=outside(site), timeout=PATIENCE_S) as phone:
        phone.get(link)
        post = {"origin": outside(site), "accept": "application/json"}
        form = {"sensor": "simulated", "mount": "wrist"}
        assert phone.post("/range/start", data=form, headers=post).is_success
        site.until(lambda s: s.count >= 1)
        assert phone.post("/range/sore", data={"x": ""}, headers=post).is_success
        site.until(lambda s: s.phase == "kept")
        refused = phone.post("/range/start", data=form, headers=post)
        started = int(refused.is_success)
        number(record_property, "sore: other screens that started again", started, "0")
        assert refused.status_code == 400
        assert "only the coach" in refused.text
        assert phone.get("/range/drill").status_code == 400
        screen = phone.get("/range").text
        assert "Only the coach starts again" in screen
        assert 'action="/range/start"' not in screen
        assert 'action="/range/start"' in site.http.get("/range").text
        site.start()
        # With that it is over for the phone, too.
        assert phone.post("/range/stop", data={"x": ""}, headers=post).is_success
        site.until(lambda s: s.phase == "kept")
        assert 'action="/range/start"' in phone.get("/range").text


@needs_network
def test_a_code_is_made_on_the_computer_only(site: RangeSite) -> None:
    link = link_of(site)
    with httpx.Client(base_url=outside(site), timeout=PATIENCE_S) as phone:
        phone.get(link)
        assert "another phone" not in phone.get("/range").text
        answer = phone.post("/range/code", data={"x": ""}, headers={"origin": outside(site)})
        assert answer.status_code == 403
    assert "another phone" in site.http.get("/range").text
    page = site.post("/range/code").text
    assert "data:image/svg+xml" in page
    new = re.search(r"http://[^<\s]+/enter\?t=[\w-]+", page)
    assert new is not None
    assert httpx.get(new[0]).status_code == 303


@needs_network
def test_without_share_nobody_else_reaches_it(tmp_path: Path) -> None:
    with range_site(tmp_path / "home") as site:
        assert site.up.visitors is None
        with pytest.raises(httpx.ConnectError):
            httpx.get(f"{outside(site)}/range", timeout=3.0)
        # Until the coach lets a phone in: then there is a door, and it takes the token.
        code = site.http.post(
            "/range/code", data={"may": "look"}, headers={"origin": site.url}
        ).text
        link = re.search(r"http://[^<]*/enter[?]t=[\w-]+", code)
        assert link is not None
        assert "may look." in code
        with httpx.Client(timeout=PATIENCE_S) as phone:
            assert phone.get(link[0].split("enter")[0]).status_code == 403
            assert phone.get(link[0], follow_redirects=True).status_code == 200
            (one,) = site.hub.sharing.inside()
            assert site.post("/range/leave", visitor=one.id).status_code == 200
            assert phone.get(link[0].split("enter")[0]).status_code == 403


@pytest.mark.parametrize(
    "option", ["--no-token", "--token=", "--token=abc", "--share=open", "--host=0.0.0.0"]
)
@pytest.mark.parametrize("name", ["record", "drill", "review"])
def test_there_is_no_way_to_share_without_a_token(
    tmp_path: Path, name: str, option: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def listening(*_: Any) -> None:
        raise AssertionError("it would have listened")

    monkeypatch.setattr(socket.socket, "bind", listening)
    page = ["--simulated", "--page"] if name != "review" else ["--no-browser"]
    assert run([name, *page, option, "--home", str(tmp_path)]) == 2


def test_without_a_network_sharing_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("unhurried.app.serve.own_addresses", list)
    out = tmp_path / "x"
    arguments = ["record", "--simulated", "--page", "--share", "--port", "0"]
    assert run([*arguments, "--home", str(tmp_path / "h"), "--out", str(out)]) == 1
    said = capsys.readouterr().err.strip().splitlines()
    assert len(said) == 1
    assert "hotspot" in said[0]
    assert not out.exists()


@needs_network
def test_a_second_profile_as_the_phone(
    site: RangeSite, browser: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(livehub, "ALIVE_S", 0.5)
    # The computer's own browser starts it, the phone follows and taps.
    desk = browser.new_context(viewport={"width": 1200, "height": 900})
    phone = browser.new_context(
        viewport={"width": 390, "height": 844}, has_touch=True, is_mobile=True
    )
    try:
        here, there = desk.new_page(), phone.new_page()
        here.goto(f"{site.url}/range")
        there.goto(f"{outside(site)}/range")
        assert "shared by a link" in there.inner_text("body")
        here.click("text=Share with a phone")
        here.click("text=A code for another phone")
        there.goto(here.inner_text("main p.small"))
        assert there.url == f"{outside(site)}/range"
        # The token is gone from the phone's address, and a cookie that scripts can't read is left.
        assert "t=" not in there.url
        assert there.evaluate("document.cookie") == ""
        there.wait_for_selector("#line[data-up='1']")
        here.goto(f"{site.url}/range")
        here.select_option("#start [name=sensor]", "simulated")
        here.select_option("#start [name=mount]", "wrist")
        here.click("#start .main-action")
        there.wait_for_selector(".far")
        there.tap("#tap-felt-strike-well")
        wait(lambda: _let(there) and any(one.said for one in site.hub.state.swings))
        # The phone sleeps, and comes back.
        phone.set_offline(True)
        count = site.hub.state.count
        site.until(lambda s: s.count >= count + 1)
        phone.set_offline(False)
        site.stop()
        there.wait_for_selector("text=See the session", timeout=1000 * PATIENCE_S)
        # Asked to leave, it says so and how to come back, and asks for nothing more.
        here.goto(f"{site.url}/settings")
        here.click("text=Ask it to leave")
        there.wait_for_selector("text=was asked to leave", timeout=1000 * PATIENCE_S)
        assert "new code" in there.inner_text(".caution")
        assert there.locator("script, #line").count() == 0
    finally:
        desk.close()
        phone.close()
    assert kinds(site.folder, "tap")[0]["said"] == {"felt": {"strike": "well"}}
    # Whoever is gone is forgotten, at the latest by the next sign of life.
    wait(lambda: site.hub.followers == 0, seconds=15.0)


def _let(window: Any) -> bool:
    window.wait_for_timeout(20)
    return True


# -- the code in the terminal ----------------------------------------------------------------------

LINK = "http://192.0.2.17:8737/enter?t=" + "x7Rk-Q_" * 6
WHITE, BLACK, GREY = 255, 0, 110


class Terminal(io.StringIO):
    """A terminal that keeps what it is sent."""

    encoding = "utf-8"

    def isatty(self) -> bool:
        return True

    def fileno(self) -> int:
        return 2


def picture(sent: str, paper: int, ink: int) -> np.ndarray[Any, np.dtype[np.uint8]]:
    """Draw what a terminal with these colours of its own shows: a cell is as high as two wide."""
    lines = []
    fore, back = ink, paper
    for line in sent.splitlines():
        up: list[int] = []
        down: list[int] = []
        for escape, sign in re.findall(r"\x1b\[([\d;]*)m|(.)", line):
            if sign:
                up.append(fore if sign in "▀█" else back)
                down.append(fore if sign in "▄█" else back)
            elif escape in ("", "0"):
                fore, back = ink, paper
            else:
                # ECMA-48 SGR with the 256 colours of xterm: 16 is black, 231 white.
                found = re.fullmatch(r"38;5;(\d+);48;5;(\d+)", escape)
                assert found is not None, escape
                fore, back = ({"16": BLACK, "231": WHITE}[n] for n in found.groups())
        lines += [up, down]
    wide = max(map(len, lines))
    cells = np.full((len(lines) + 8, wide + 8), paper, np.uint8)
    for k, row in enumerate(lines):
        cells[4 + k, 4 : 4 + len(row)] = row
    return np.kron(cells, np.ones((6, 6), np.uint8))


@pytest.fixture
def terminal(monkeypatch: pytest.MonkeyPatch) -> Terminal:
    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.delenv("NO_COLOR", raising=False)
    return Terminal()


# A grey of its own would be taken for light by some readers and for dark by others.
@pytest.mark.parametrize(("paper", "ink"), [(BLACK, WHITE), (WHITE, BLACK), (GREY, WHITE)])
def test_the_code_reads_on_light_and_dark_terminals(
    terminal: Terminal, paper: int, ink: int
) -> None:
    with redirect_stderr(terminal):
        show_code(LINK)
    # zxing-cpp, an independent reader; light on dark isn't tried, as some phones don't.
    drawn = picture(terminal.getvalue().rpartition("scan the code")[0], paper, ink)
    found = zxingcpp.read_barcode(drawn, try_invert=False)
    assert found is not None
    assert found.text == LINK
    assert LINK in terminal.getvalue(), "and it can be typed"


def test_a_code_without_its_colours_would_not_do(terminal: Terminal) -> None:
    with redirect_stderr(terminal):
        show_code(LINK)
    bare = re.sub(r"\x1b\[[\d;]*m", "", terminal.getvalue().rpartition("scan the code")[0])
    assert zxingcpp.read_barcode(picture(bare, BLACK, WHITE), try_invert=False) is None


def test_the_code_has_its_light_border() -> None:
    assert QUIET_MODULES == 4, "ISO/IEC 18004"
    lines = code_lines(LINK)
    assert {len(line) for line in lines} == {len(lines[0])}
    assert all(set(line) == {" "} for line in (*lines[:2], *lines[-2:]))
    assert all(line[:4] == line[-4:] == "    " for line in lines)
    assert all(line[4] != " " for line in lines[2:5]), "no more than that"


@pytest.mark.parametrize(
    ("name", "value", "why"),
    [
        ("NO_COLOR", "1", "NO_COLOR is set"),
        ("TERM", "dumb", "no colours"),
        ("TERM", "vt100", "no colours"),
        ("COLUMNS", "40", "narrower"),
    ],
)
def test_where_no_code_can_be_drawn_the_link_is_said(
    terminal: Terminal, monkeypatch: pytest.MonkeyPatch, name: str, value: str, why: str
) -> None:
    monkeypatch.setenv(name, value)
    with redirect_stderr(terminal):
        show_code(LINK)
    said = terminal.getvalue()
    assert len(said.splitlines()) == 1
    assert why in said
    assert LINK in said
    assert "\x1b" not in said


# -- who is turned away ----------------------------------------------------------------------------


@needs_network
def test_a_refused_link_is_a_page_that_says_what_to_do(site: RangeSite, browser: Any) -> None:
    used, newer = link_of(site), link_of(site)
    context = browser.new_context(
        viewport={"width": 390, "height": 664}, has_touch=True, is_mobile=True
    )
    complaints: list[str] = []
    try:
        phone = context.new_page()
        phone.on(
            "console",
            lambda m: complaints.append(m.text) if "Content Security" in m.text else None,
        )
        for address, title in (
            (used, "doesn't let you in"),
            (f"{outside(site)}/", "shared by a link"),
        ):
            answer = phone.goto(address)
            assert answer.status == 403
            html5lib.HTMLParser(strict=True).parse(answer.text())
            assert title in phone.inner_text("h1")
            # What it says is a button of the computer's own page.
            assert "“A code for another phone”" in phone.inner_text(".caution")
            # In the page's look, and large enough to read.
            assert phone.evaluate("document.documentElement.scrollWidth") <= 390
            assert phone.evaluate("parseFloat(getComputedStyle(document.body).fontSize)") >= 16
            look = "getComputedStyle(document.querySelector('.caution')).borderLeftStyle"
            assert phone.evaluate(look) == "solid"
        assert phone.goto(newer).status == 200, "the newest code works"
    finally:
        context.close()
    assert complaints == []


@needs_network
def test_only_the_newest_code_works_and_it_is_said(
    site: RangeSite, terminal: Terminal, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = link_of(site)
    keys = Terminal("\n")
    monkeypatch.setattr("sys.stdin", keys)
    with redirect_stderr(terminal):
        _more_codes(site.up.link, Shutdown())
        wait(lambda: "no longer works" in terminal.getvalue())
    second = re.findall(r"http://\S+/enter\?t=\S+", terminal.getvalue())[-1]
    assert httpx.get(first).status_code == 403
    assert httpx.get(second).status_code == 303
