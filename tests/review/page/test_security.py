"""The page answers whom it should, and nobody else."""

from __future__ import annotations

import asyncio
import base64
import hashlib
import secrets
from typing import Any

import httpx
import pytest

from review.page.security import CONTENT_POLICY, COOKIE, KNOWN, Guard, GuardParams, Pass, Wrong

HOST = "127.0.0.1:8123"
SHARED = "192.0.2.7:8123"  # a documentation address, RFC 5737


async def inner(scope: dict[str, Any], receive: Any, send: Any) -> None:
    """Say what came in."""
    size = 0
    while True:
        message = await receive()
        size += len(message.get("body", b""))
        if not message.get("more_body"):
            break
    await send(
        {
            "type": "http.response.start",
            "status": 200,
            "headers": [(b"content-type", b"text/plain")],
        }
    )
    await send({"type": "http.response.body", "body": str(size).encode()})


def client(app: Any, *, host: str = HOST, peer: str = "127.0.0.1") -> httpx.AsyncClient:
    transport = httpx.ASGITransport(app=app, client=(peer, 5555))
    return httpx.AsyncClient(transport=transport, base_url=f"http://{host}")


@pytest.mark.parametrize(
    "host", ["evil.example", "127.0.0.1", "127.0.0.1:80", "localhost.evil.example:8123", ""]
)
async def test_a_forged_host_is_turned_away(host: str) -> None:
    async with client(Guard(inner, hosts={HOST})) as http:
        assert (await http.get("/", headers={"host": host})).status_code == 421
        assert (await http.get("/")).status_code == 200


async def test_two_hosts_are_none() -> None:
    sent: list[dict[str, Any]] = []

    async def send(message: dict[str, Any]) -> None:
        sent.append(message)

    async def receive() -> dict[str, Any]:
        return {"type": "http.request", "body": b""}

    scope = {
        "type": "http",
        "method": "GET",
        "path": "/",
        "headers": [(b"host", HOST.encode()), (b"Host", b"evil.example")],
    }
    await Guard(inner, hosts={HOST})(scope, receive, send)
    assert sent[0]["status"] == 421


@pytest.mark.parametrize(
    "origin",
    [
        None,
        "null",
        "http://evil.example",
        f"https://{HOST}",
        "http://127.0.0.1:9999",
        "file://",
        "http://[",
        "http://[::1",
        "http://]",
        f"http://{HOST}@evil.example",
        f"http://{HOST}\t",
        "http://\u2100.example",
        "",
    ],
)
async def test_a_change_must_come_from_the_page_itself(origin: str | None) -> None:
    headers = {} if origin is None else {"origin": origin.encode()}
    async with client(Guard(inner, hosts={HOST})) as http:
        for method in ("POST", "PUT", "DELETE", "PATCH"):
            assert (await http.request(method, "/", headers=headers)).status_code == 403
        good = await http.post("/", headers={"origin": f"http://{HOST}"}, content=b"abc")
        assert (good.status_code, good.text) == (200, "3")


async def test_the_browser_may_run_only_our_files() -> None:
    async with client(Guard(inner, hosts={HOST})) as http:
        for answer in (await http.get("/"), await http.get("/", headers={"host": "x"})):
            policy = answer.headers["content-security-policy"]
            assert policy == CONTENT_POLICY
            assert "unsafe" not in policy
            assert answer.headers["x-content-type-options"] == "nosniff"
            assert answer.headers["cache-control"] == "no-store"


async def test_a_body_is_limited_whether_it_tells_its_length_or_not() -> None:
    params = GuardParams(body_bytes=1000, upload_bytes=5000, upload_paths=("/clips/",))
    origin = {"origin": f"http://{HOST}"}

    async def pieces(n: int) -> Any:
        for _ in range(n):
            yield b"x" * 100

    async with client(Guard(inner, hosts={HOST}, params=params)) as http:
        assert (await http.post("/", headers=origin, content=b"x" * 1001)).status_code == 413
        assert (await http.post("/", headers=origin, content=pieces(11))).status_code == 413
        assert (await http.post("/", headers=origin, content=pieces(10))).status_code == 200
        assert (await http.post("/clips/1", headers=origin, content=pieces(50))).status_code == 200
        assert (await http.post("/clips/1", headers=origin, content=pieces(51))).status_code == 413


async def test_a_visitor_from_the_network_needs_the_token_and_only_once() -> None:
    visitors = Pass()
    token = visitors.token
    app = Guard(inner, hosts={HOST, SHARED}, visitors=visitors)
    async with client(app, host=SHARED, peer="192.0.2.50") as http:
        assert (await http.get("/")).status_code == 403
        entered = await http.get("/enter", params={"t": token})
        assert entered.status_code == 303
        cookie = entered.headers["set-cookie"]
        assert "HttpOnly" in cookie
        assert "SameSite=Strict" in cookie
        assert str(token) not in cookie
        assert (await http.get("/")).status_code == 200
    async with client(app, host=SHARED, peer="192.0.2.51") as other:
        assert (await other.get("/enter", params={"t": token})).status_code == 403
        assert (await other.get("/", headers={"cookie": f"{COOKIE}=guess"})).status_code == 403
        assert (await other.get("/", headers={"cookie": "\x01;;;=,"})).status_code == 403
        renewed = visitors.renew()
        assert (await other.get("/enter", params={"t": renewed})).status_code == 303
    async with client(app) as here:
        assert (await here.get("/")).status_code == 200


async def test_ten_thousand_wrong_tokens_take_hours_and_never_get_in() -> None:
    waited: list[float] = []

    async def sleep(seconds: float) -> None:
        waited.append(seconds)
        await asyncio.sleep(0)

    visitors = Pass()
    params = GuardParams()
    app = Guard(inner, hosts={SHARED}, visitors=visitors, params=params, sleep=sleep)
    async with client(app, host=SHARED, peer="192.0.2.50") as http:
        for k in range(10_000):
            answer = await http.get("/enter", params={"t": secrets.token_urlsafe(8) + str(k)})
            assert answer.status_code == 403
        assert waited[0] < waited[3] < waited[-1] == params.slowest_s
        assert sum(waited) > 5 * 3600
        assert (await http.get("/enter", params={"t": visitors.token})).status_code == 303


async def test_wrong_tokens_cost_the_guesser_and_nobody_else() -> None:
    slept = asyncio.Event()
    waited: list[float] = []

    async def sleep(seconds: float) -> None:
        waited.append(seconds)
        await slept.wait()

    visitors = Pass()
    params = GuardParams(waiting=30)
    app = Guard(inner, hosts={SHARED}, visitors=visitors, params=params, sleep=sleep)
    async with (
        client(app, host=SHARED, peer="192.0.2.66") as guesser,
        client(app, host=SHARED, peer="192.0.2.50") as guest,
    ):
        wrong = [
            asyncio.ensure_future(guesser.get("/enter", params={"t": str(k)})) for k in range(40)
        ]
        while len(waited) < 30:
            await asyncio.sleep(0)
        # Not even a wrong token of another address waits for those, and the right one for nothing.
        slip = asyncio.ensure_future(guest.get("/enter", params={"t": "mistyped"}))
        right = await asyncio.wait_for(guest.get("/enter", params={"t": visitors.token}), 5.0)
        assert right.status_code == 303
        # Also from the guesser's own address.
        again = await asyncio.wait_for(guesser.get("/enter", params={"t": visitors.renew()}), 5.0)
        assert again.status_code == 303
        assert len(waited) == 30, "no more wait than there may"
        slept.set()
        assert {one.status_code for one in await asyncio.gather(*wrong, slip)} == {403}
    assert waited[0] == params.slow_s
    assert waited[-1] == params.slowest_s


def test_whose_tokens_were_wrong_is_kept_for_some_addresses_and_for_some_time() -> None:
    now = [0.0]
    params = GuardParams(addresses=3)
    wrong = Wrong(params, clock=lambda: now[0])
    for _ in range(4):
        waits_s = wrong.wait_s("192.0.2.1")
    assert waits_s == 8 * params.slow_s
    assert wrong.wait_s("192.0.2.2") == params.slow_s
    now[0] = params.forgiven_s + 1.0
    assert wrong.wait_s("192.0.2.1") == params.slow_s
    for k in range(10_000):
        wrong.wait_s(f"198.51.100.{k}")
    assert len(wrong) == 3


@pytest.mark.parametrize("method", ["HEAD", "OPTIONS", "POST", "PUT", "TRACE"])
async def test_only_opening_the_link_uses_it(method: str) -> None:
    visitors = Pass()
    app = Guard(inner, hosts={SHARED}, visitors=visitors)
    async with client(app, host=SHARED, peer="192.0.2.50") as http:
        asked = await http.request(method, "/enter", params={"t": visitors.token})
        assert asked.status_code == 405
        assert "set-cookie" not in asked.headers
        assert (await http.get("/enter", params={"t": visitors.token})).status_code == 303


async def test_a_body_must_come_in_in_time() -> None:
    params = GuardParams(body_s=0.1)

    async def drip() -> Any:
        yield b"x"
        await asyncio.sleep(5.0)
        yield b"x"

    async with client(Guard(inner, hosts={HOST}, params=params)) as http:
        origin = {"origin": f"http://{HOST}"}
        answer = await asyncio.wait_for(http.post("/", headers=origin, content=drip()), 3.0)
        assert answer.status_code == 408


async def test_whoever_shows_the_cookie_is_known_to_the_door() -> None:
    visitors = Pass()
    known: list[str] = []

    def app(peer: str) -> Any:
        guard = Guard(inner, hosts={SHARED}, visitors=visitors)

        async def called(scope: dict[str, Any], receive: Any, send: Any) -> None:
            await guard({**scope, KNOWN: lambda: known.append(peer)}, receive, send)

        return called

    async with client(app("a"), host=SHARED, peer="192.0.2.50") as http:
        await http.get("/")
        await http.get("/enter", params={"t": "wrong"})
        await http.get("/", headers={"cookie": f"{COOKIE}=guess"})
        assert known == []
        await http.get("/enter", params={"t": visitors.token})
        await http.get("/")
        assert known == ["a", "a"]


def test_the_token_is_not_shown_where_it_could_be_logged() -> None:
    visitors = Pass()
    visitors.enter(str(visitors.token))
    assert all(cookie not in repr(visitors) for cookie in visitors._inside)


async def test_a_phone_does_what_it_was_let_in_for_until_it_is_asked_to_leave() -> None:
    visitors = Pass()
    app = Guard(inner, hosts={SHARED}, visitors=visitors)
    for right, statuses in (
        ("look", {"/range": 200, "/range/felt": 403, "/settings": 403}),
        ("tap", {"/range": 200, "/range/felt": 200, "/settings": 403}),
        ("film", {"/range": 200, "/range/felt": 403, "/settings": 403}),
        ("all", {"/range": 200, "/range/felt": 200, "/settings": 403}),
        ("anything", {"/range": 200, "/range/felt": 403, "/settings": 403}),
    ):
        async with client(app, host=SHARED, peer="192.0.2.50") as phone:
            phone.headers["user-agent"] = "Mozilla/5.0 (iPhone; like a browser)"
            token = visitors.renew(right)
            assert (await phone.get("/enter", params={"t": token})).status_code == 303
            headers = {"origin": f"http://{SHARED}"}
            for path, status in statuses.items():
                asked = phone.post if path == "/range/felt" else phone.get
                assert (await asked(path, headers=headers)).status_code == status, (right, path)
            one = visitors.inside[-1]
            assert one.name.startswith("iPhone ")
            assert visitors.leave(one.id) == one
            gone = await phone.get("/range")
            assert gone.status_code == 403
            assert gone.text.startswith("this phone was asked to leave: for a new code")
            assert (await phone.get("/enter", params={"t": visitors.renew()})).status_code == 303
            assert (await phone.get("/range")).status_code == 200
            visitors.leave(visitors.inside[-1].id)
    assert visitors.inside == ()
    assert visitors.leave("nobody") is None


async def test_what_a_phone_is_shown_ends_when_it_is_asked_to_leave() -> None:
    """Also in the middle of a stream of what happens."""
    visitors = Pass()
    sent: list[bytes] = []

    async def stream(_scope: Any, _receive: Any, send: Any) -> None:
        await send({"type": "http.response.start", "status": 200, "headers": []})
        for k in range(3):
            await send({"type": "http.response.body", "body": b"%d" % k, "more_body": True})
            visitors.leave(visitors.inside[0].id) if visitors.inside else None
        raise AssertionError("it went on")

    cookie = visitors.enter(str(visitors.token))

    async def send(message: Any) -> None:
        sent.append(message.get("body", b""))

    async def receive() -> Any:
        return {"type": "http.request", "body": b"", "more_body": False}

    scope = {
        "type": "http",
        "method": "GET",
        "path": "/range/live",
        "client": ("192.0.2.50", 1),
        "headers": [(b"host", SHARED.encode()), (b"cookie", f"{COOKIE}={cookie}".encode())],
    }
    await Guard(stream, hosts={SHARED}, visitors=visitors)(scope, receive, send)
    assert sent == [b"", b"0"]


async def test_who_is_turned_away_gets_a_page_with_nothing_but_its_own_look() -> None:
    app = Guard(inner, hosts={SHARED}, visitors=Pass())
    browser = {"accept": "text/html,*/*;q=0.8"}
    async with client(app, host=SHARED, peer="192.0.2.50") as http:
        for path in ("/", "/enter?t=<script>alert(1)</script>", "/static/page.css"):
            answer = await http.get(path, headers=browser)
            assert answer.status_code == 403
            assert answer.headers["content-type"].startswith("text/html")
            assert "<script" not in answer.text
            policy = answer.headers["content-security-policy"]
            assert "unsafe" not in policy
            assert "default-src 'none'" in policy
            # The one style that the policy allows is the one that is sent (CSP 3, 2.3.2).
            style = answer.text.partition("<style>")[2].partition("</style>")[0]
            digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
            assert f"style-src 'sha256-{digest}'" in policy
            plain = await http.get(path, headers={"accept": "application/json"})
            assert plain.headers["content-type"].startswith("text/plain")
            assert len(plain.text.splitlines()) == 1
