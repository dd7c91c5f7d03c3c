"""The page's door: nobody can shut it for others, whatever they connect with."""

from __future__ import annotations

import asyncio
import contextlib
import os
import re
import resource
import select
import shutil
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from benchmarks.share import measure
from review.page.security import COOKIE
from unhurried.app import serve
from unhurried.app.connections import DoorParams, DoorServer, shares_of
from unhurried.app.pages import live_hub
from unhurried.app.serve import Served, serving

ROOT = Path(__file__).resolve().parents[3]
ATTACKER, SECOND, GUEST = "127.0.0.2", "127.0.0.3", "127.0.0.9"
"""Loopback addresses of which none is this computer's own to the page, so they are visitors."""

pytestmark = pytest.mark.skipif(
    sys.platform != "linux", reason="only Linux has more loopback addresses than one"
)


@pytest.fixture
def shared(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., Any]:
    """Serve a page for visitors on loopback, with limits of one's own."""
    monkeypatch.setattr(serve, "own_addresses", lambda: ["127.0.0.1"])

    def up(live: Any = None, **limits: Any) -> Any:
        given = {"here": 12, "known": 12, "others": 24, "request_s": 30.0, **limits}
        return serving(tmp_path / "home", port=0, share=True, live=live, limits=DoorParams(**given))

    return up


def visitor(up: Served, address: str = GUEST, **more: Any) -> httpx.Client:
    transport = httpx.HTTPTransport(local_address=address)
    return httpx.Client(base_url=up.url, transport=transport, timeout=5.0, **more)


class Crowd:
    """Connections that send what they are told to, or nothing."""

    def __init__(self, port: int) -> None:
        self.port = port
        self.held: list[socket.socket] = []

    def come(self, n: int, address: str = ATTACKER, sent: bytes = b"") -> list[socket.socket]:
        new = []
        for _ in range(n):
            one = socket.create_connection(
                ("127.0.0.1", self.port), timeout=5.0, source_address=(address, 0)
            )
            with contextlib.suppress(OSError):
                one.sendall(sent)
            new.append(one)
        self.held += new
        return new

    def leave(self) -> None:
        for one in self.held:
            one.close()

    @staticmethod
    def closed(one: socket.socket) -> bool:
        """Whether the page has closed a connection."""
        one.setblocking(False)
        try:
            return one.recv(1) == b""
        except BlockingIOError:
            return False
        except OSError:
            return True


@contextlib.contextmanager
def crowd(up: Served) -> Iterator[Crowd]:
    made = Crowd(up.port)
    try:
        yield made
    finally:
        made.leave()


def until(true: Callable[[], bool], seconds: float = 10.0) -> None:
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, "waited too long"
        time.sleep(0.02)


def test_idle_ones_make_room_for_whoever_asks(shared: Callable[..., Any]) -> None:
    with shared() as up, crowd(up) as idle, visitor(up) as guest, httpx.Client() as here:
        idle.come(100)
        idle.come(100, SECOND, b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX: ")
        idle.come(50, "127.0.0.1")
        assert guest.get("/enter", params={"t": up.visitors.token}).status_code == 303
        assert guest.get("/").status_code == 200
        assert here.get(up.url).status_code == 200
        until(lambda: sum(not Crowd.closed(one) for one in idle.held) <= 24 + 12)


def test_who_was_let_in_makes_no_room_for_others(shared: Callable[..., Any]) -> None:
    with shared() as up, crowd(up) as idle, visitor(up) as guest:
        guest.get("/enter", params={"t": up.visitors.token})
        asked = f"GET /static/page.css HTTP/1.1\r\nHost: 127.0.0.1:{up.port}\r\n"
        cookie = f"Cookie: {COOKIE}={guest.cookies[COOKIE]}\r\n"
        known, unknown = (
            idle.come(1, GUEST, f"{asked}{more}\r\n".encode())[0] for more in (cookie, "")
        )
        assert known.recv(12) == b"HTTP/1.1 200"
        assert unknown.recv(12) == b"HTTP/1.1 403"
        while known in select.select([known], [], [], 0.2)[0]:
            known.recv(65536)
        idle.come(100, GUEST)
        until(lambda: sum(map(Crowd.closed, idle.held[2:])) == 100 - 24)
        assert not Crowd.closed(known)


def test_who_holds_most_makes_room(shared: Callable[..., Any]) -> None:
    with shared() as up, crowd(up) as idle:
        (one,) = idle.come(1, SECOND)
        many = idle.come(60, ATTACKER)
        until(lambda: sum(map(Crowd.closed, many)) == 60 - 23)
        assert not Crowd.closed(one)
        assert [Crowd.closed(c) for c in many] == [True] * 37 + [False] * 23, "the oldest first"


def test_nobody_takes_for_ever_to_ask(shared: Callable[..., Any]) -> None:
    with shared(request_s=0.5) as up, crowd(up) as slow, visitor(up) as guest:
        guest.get("/enter", params={"t": up.visitors.token})
        held = [
            *slow.come(2),
            *slow.come(2, "127.0.0.1"),
            *slow.come(2, sent=b"GET / HTTP/1.1\r\nX: "),
        ]
        stop = threading.Event()

        def drip() -> None:
            while not stop.wait(0.1):
                for one in held[4:]:
                    with contextlib.suppress(OSError):
                        one.sendall(b"y")

        dripping = threading.Thread(target=drip)
        dripping.start()
        try:
            until(lambda: all(map(Crowd.closed, held)), 5.0)
        finally:
            stop.set()
            dripping.join()
        assert guest.get("/").status_code == 200


async def test_an_answer_that_nobody_takes_is_given_up() -> None:
    sent = [0]

    async def app(scope: Any, receive: Any, send: Any) -> None:
        if scope["type"] == "lifespan":
            for kind in ("startup", "shutdown"):
                await receive()
                await send({"type": f"lifespan.{kind}.complete"})
            return
        await send({"type": "http.response.start", "status": 200, "headers": []})
        while len(server.door):
            await send({"type": "http.response.body", "body": b"x" * 65536, "more_body": True})
            sent[0] += 1
            await asyncio.sleep(0)

    at = socket.create_server(("127.0.0.1", 0))
    server = DoorServer(app, at, DoorParams(here=4, known=4, others=4, stalled_s=0.5))
    port = at.getsockname()[1]
    serving_it = asyncio.ensure_future(server.serve())
    try:
        reader, writer = await asyncio.open_connection("127.0.0.1", port, limit=1024)
        writer.write(b"GET / HTTP/1.1\r\nHost: x\r\n\r\n")
        async with asyncio.timeout(20.0):
            # Who takes it, however slowly, is served on.
            while sent[0] < 200:
                await reader.read(65536)
            assert len(server.door) == 1
            while len(server.door):
                await asyncio.sleep(0.05)
        writer.close()
    finally:
        server.should_exit = True
        await serving_it


def test_what_is_followed_is_not_idle(shared: Callable[..., Any], tmp_path: Path) -> None:
    with (
        live_hub(tmp_path / "home") as hub,
        shared(hub, request_s=0.3, here=5) as up,
        contextlib.closing(hub),
        crowd(up) as following,
    ):
        asked = f"GET /range/live HTTP/1.1\r\nHost: 127.0.0.1:{up.port}\r\n\r\n".encode()
        held = following.come(5, "127.0.0.1", asked)
        assert all(one.recv(12) == b"HTTP/1.1 200" for one in held)
        time.sleep(1.0)
        # There is no room left, and none of these makes any.
        late = following.come(3, "127.0.0.1", asked)
        until(lambda: all(map(Crowd.closed, late)))
        assert hub.followers == 5
        # Visitors have a share of their own.
        with visitor(up) as guest:
            guest.get("/enter", params={"t": up.visitors.token})
            assert guest.get("/range").status_code == 200


def test_no_header_makes_a_visitor_local(
    shared: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FORWARDED_ALLOW_IPS", "*")
    monkeypatch.setenv("WEB_CONCURRENCY", "many")
    with shared() as up, visitor(up) as stranger:
        for name in ("X-Forwarded-For", "Forwarded", "X-Real-IP", "X-Client-IP"):
            assert stranger.get("/", headers={name: "127.0.0.1"}).status_code == 403
            assert stranger.get("/", headers={name: "for=127.0.0.1"}).status_code == 403


def test_wrong_tokens_all_the_time_hold_nobody_up(shared: Callable[..., Any]) -> None:
    with shared() as up, visitor(up) as guest:
        stop = threading.Event()
        tried = [0, 0]

        def guess(k: int) -> None:
            with visitor(up, ATTACKER, limits=httpx.Limits(max_connections=20)) as http:
                while not stop.is_set():
                    with contextlib.suppress(httpx.HTTPError):
                        http.get("/enter", params={"t": f"{k}-{tried[k]}"}, timeout=0.1)
                    tried[k] += 1

        guessing = [threading.Thread(target=guess, args=(k,)) for k in range(2)]
        for one in guessing:
            one.start()
        try:
            until(lambda: min(tried) > 12)
            start = time.monotonic()
            assert guest.get("/enter", params={"t": up.visitors.token}).status_code == 303
            assert guest.get("/").status_code == 200
            took_s = time.monotonic() - start
        finally:
            stop.set()
            for one in guessing:
                one.join()
        # No measure of speed: each wrong one before it would have held it up by 2 s.
        assert took_s < 10.0


@pytest.mark.parametrize(
    ("limit", "shares"),
    [(1024, (128, 128, 256)), (256, (32, 32, 64)), (None, (128, 128, 256)), (16, (8, 8, 16))],
)
def test_connections_take_at_most_half_of_what_the_system_gives(
    limit: int | None, shares: tuple[int, int, int]
) -> None:
    assert shares_of(limit) == shares


@pytest.mark.skipif(shutil.which("sh") is None, reason="limits are set by the shell")
def test_a_crowd_can_not_use_up_the_systems_files(tmp_path: Path) -> None:
    """The command itself, with as few files as some systems give."""
    command = [sys.executable, "-m", "unhurried", "review", "--no-browser", "--port", "0"]
    process = subprocess.Popen(
        [*command, "--home", str(tmp_path)],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_NOFILE, (256, 256)),
    )
    try:
        assert process.stdout is not None
        url = process.stdout.readline().strip()
        found = re.fullmatch(r"http://127\.0\.0\.1:(\d+)/", url)
        assert found is not None, url
        idle = Crowd(int(found[1]))
        try:
            idle.come(500, "127.0.0.1")
            idle.come(100, "127.0.0.1", b"nonsense\r\n\r\n")
            assert httpx.get(url, timeout=10.0).status_code == 200
        finally:
            idle.leave()
        process.terminate()
        _, err = process.communicate(timeout=20)
    finally:
        process.kill()
        process.wait()
    assert err.splitlines() == ["unhurried: the page is up; Ctrl-C ends it"]
    text = (tmp_path / "log" / "unhurried.log").read_text(encoding="utf-8")
    assert "more connections to the page than there is room for" in text
    assert len(text) < 5_000


def test_a_guest_among_a_crowd_while_a_recording_runs() -> None:
    """A short one of ``python -m benchmarks --only share``, which says how long it takes."""
    found = measure(idle=300, slow=60, guesses_hz=30, seconds=4.0)
    assert found["screens"] >= 1
    assert found["lost"] == 0
    assert found["recorded_s"] > 4.0
    assert found["lines"] <= 1, found["told"]
    assert found["exit"] == 0
