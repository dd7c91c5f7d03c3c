"""Who may ask the page for what.

The page shows recordings of people, so it answers this computer only, unless it was told to share.
Everything here sits before the screens, so that no screen can forget it:

- a request must name a host that the page is served under (a web site that points its own name at
  this computer is turned away);
- a request that changes something must come from a page of ours (its ``Origin``), and be small
  enough;
- whoever was let in may look and tap, and nothing else: `review.page.roles` says which address is
  for whom;
- where the page is shared on the local network, a visitor needs the token of the link, once; it is
  then exchanged for a cookie. A wrong token is answered ever more slowly, to the address that it
  came from: nobody else waits for that, and the right one is never held up;
- answers carry a policy that lets the browser run nothing but the page's own files.
"""

from __future__ import annotations

import asyncio
import base64
import hashlib
import secrets
import time
from collections import OrderedDict
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from functools import cache
from html import escape
from http.cookies import SimpleCookie
from pathlib import Path
from typing import Any, Final
from urllib.parse import parse_qs

from review.page.roles import RIGHTS, Role, role_of

Scope = dict[str, Any]
Receive = Callable[[], Awaitable[dict[str, Any]]]
Send = Callable[[dict[str, Any]], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

CONTENT_POLICY: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
    "media-src 'self' blob:; connect-src 'self'; font-src 'self'; manifest-src 'self'; "
    "form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
)

POLICY_HEADER: Final = b"content-security-policy"

_HEADERS: Final = (
    (POLICY_HEADER, CONTENT_POLICY.encode()),
    (b"x-content-type-options", b"nosniff"),
    # With "no-referrer" a browser sends "Origin: null" with a form, also to the page itself.
    (b"referrer-policy", b"same-origin"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
)

_NEW_CODE: Final = (
    "For a new code open Range on the computer, then “Share with a phone” and there “A code for "
    "another phone”."
)
USED: Final = (
    "This link doesn't let you in",
    "It was used already (each lets one phone in, once), a newer one was made since, or it was not "
    "typed as it stands.",
    f"{_NEW_CODE} A phone that was let in before needs none: there open the Range page again, as "
    "long as the program runs.",
)
UNKNOWN: Final = (
    "This page is shared by a link",
    "It shows recordings of people, so it opens only on a phone that was let in by a code, in the "
    "browser that scanned it.",
    f"Scan the code that the computer shows. {_NEW_CODE} If this phone was let in before, the "
    "program was started anew since, or another browser opened the link.",
)
LEFT: Final = (
    "This phone was asked to leave",
    "Somebody at the computer ended what it shows. A new code lets it in again.",
    _NEW_CODE,
)
"""What happened, why, and what to do, for somebody who was turned away."""

COACHS: Final = (
    "This is for the coach",
    "A phone does what it was let in for: to look, to tap, to film. Players, files and what counts "
    "are changed at the computer.",
    "Do it there, or go back to the Range page.",
)
"""The same, for a guest who asked for what isn't a guest's."""

_SAFE: Final = frozenset({"GET", "HEAD", "OPTIONS"})
LOOPBACK: Final = ("127.0.0.1", "::1")
"""Addresses of whoever sits at this computer."""

KNOWN: Final = "unhurried.known"
"""In a request's scope, from whoever holds the connections: what to call once its visitor has shown
the cookie, so that the connection isn't one of those that make room for others."""

VISITOR: Final = "unhurried.visitor"
"""In a request's scope: who it is, where it isn't this computer."""

CLOSE: Final = (b"connection", b"close")
"""For whom is turned away: the connection isn't kept, where it would only be in the way."""

COOKIE: Final = "unhurried_pass"
ENTER: Final = "/enter"


def new_token() -> str:
    """Return a token that cannot be guessed (256 bits)."""
    return secrets.token_urlsafe(32)


@dataclass(frozen=True, slots=True, kw_only=True)
class GuardParams:
    """Limits.

    Attributes
    ----------
    body_bytes : int
        Largest body of a request that changes something.
    upload_bytes : int
        The same for paths under ``upload_paths``: a phone's clip of a swing is some tens of MB.
    upload_paths : tuple of str
        Prefixes of paths that take files.
    body_s : float
        How long the body of a request may take to come in: at 30 kB a second, which a weak link
        gives, the largest takes nine. Of a file, how long nothing of it may come.
    upload_s : float
        How long a whole file may take.
    slow_s, slowest_s : float
        Wait before an address's first wrong token is answered, and the longest; it doubles with
        each. What can't be guessed is the token, of 256 bits; this only makes trying no fun.
    waiting : int
        Wrong tokens that wait for their answer at once; more of them are answered without a wait,
        so that it is no burden to let guessers wait.
    forgiven_s : float
        After so long without a wrong token an address begins anew.
    addresses : int
        Whose wrong tokens are counted; the one that was wrong longest ago is forgotten first.
    """

    body_bytes: int = 256 * 1024
    upload_bytes: int = 512 * 1024 * 1024
    upload_paths: tuple[str, ...] = ("/add/file", "/range/film")
    body_s: float = 20.0
    upload_s: float = 900.0
    slow_s: float = 0.05
    slowest_s: float = 2.0
    waiting: int = 64
    forgiven_s: float = 600.0
    addresses: int = 256


class Wrong:
    """Wrong tokens by the address that they came from.

    Parameters
    ----------
    params : GuardParams
    clock : callable
        Seconds.
    """

    def __init__(self, params: GuardParams, clock: Callable[[], float] = time.monotonic) -> None:
        self._params = params
        self._clock = clock
        self._by_address: OrderedDict[str, tuple[int, float]] = OrderedDict()

    def __len__(self) -> int:
        return len(self._by_address)

    def wait_s(self, address: str) -> float:
        """Count a wrong token, and say how long to wait before it is answered."""
        p, now = self._params, self._clock()
        count, last = self._by_address.pop(address, (0, now))
        count = 1 if now - last > p.forgiven_s else count + 1
        self._by_address[address] = (count, now)
        while len(self._by_address) > p.addresses:
            self._by_address.popitem(last=False)
        return float(min(p.slowest_s, p.slow_s * 2.0 ** min(count - 1, 16)))

    def forgive(self, address: str) -> None:
        """Forget what an address did wrong."""
        self._by_address.pop(address, None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Visitor:
    """A phone that was let in.

    Attributes
    ----------
    id : str
        To ask it to leave by.
    name : str
        What it is, as its browser says, and which of them.
    right : str
        Of `review.page.roles.RIGHTS`.
    """

    id: str
    name: str
    right: str

    @property
    def may(self) -> frozenset[Role]:
        """What it may do."""
        return RIGHTS[self.right]


_PHONES: Final = (("iPhone", "iPhone"), ("iPad", "iPad"), ("Android", "Android"))
MOST_VISITORS: Final = 200
"""That are known of at once; who came first is asked to come in once more."""


@dataclass(slots=True)
class Pass:
    """The way in for visitors from the local network: a token that works once.

    Attributes
    ----------
    token : str or None
        What the link carries; None once it was used.
    right : str
        What whoever comes with it may do, of `review.page.roles.RIGHTS`.
    """

    token: str | None = field(default_factory=new_token, repr=False)
    right: str = "tap"
    _inside: dict[str, Visitor] = field(default_factory=dict, repr=False)
    _left: OrderedDict[str, None] = field(default_factory=OrderedDict, repr=False)
    _count: int = 0

    def renew(self, right: str = "tap") -> str:
        """Make a new token, for one more visitor.

        Parameters
        ----------
        right : str
            What that one may do.
        """
        self.right = right if right in RIGHTS else "look"
        self.token = new_token()
        return self.token

    def enter(self, offered: str, browser: str = "") -> str | None:
        """Exchange the token for a cookie; None where it is the wrong one.

        Parameters
        ----------
        offered : str
        browser : str
            What the visitor's browser says it is.
        """
        if self.token is None or not secrets.compare_digest(
            offered.encode("utf-8", "replace"), self.token.encode()
        ):
            return None
        self.token = None
        cookie = new_token()
        self._count += 1
        kind = next((name for sign, name in _PHONES if sign in browser), "Phone")
        name = f"{kind} {self._count}"
        self._inside[cookie] = Visitor(id=secrets.token_hex(4), name=name, right=self.right)
        while len(self._inside) > MOST_VISITORS:
            del self._inside[next(iter(self._inside))]
        return cookie

    def visitor(self, cookie: str) -> Visitor | None:
        """Return who has a cookie that was handed out here."""
        offered = cookie.encode("utf-8", "replace")
        found = None
        for own, visitor in list(self._inside.items()):
            if secrets.compare_digest(offered, own.encode()):
                found = visitor
        return found

    def knows(self, cookie: str) -> bool:
        """Whether a cookie was handed out here."""
        return self.visitor(cookie) is not None

    @property
    def inside(self) -> tuple[Visitor, ...]:
        """Who was let in, in that order."""
        return tuple(self._inside.values())

    def has(self, visitor: Visitor) -> bool:
        """Whether a visitor was let in, and wasn't asked to leave."""
        return visitor in list(self._inside.values())

    def leave(self, visitor_id: str) -> Visitor | None:
        """Ask a visitor to leave: what it shows ends, and it needs a new code to come in."""
        for cookie, visitor in list(self._inside.items()):
            if visitor.id == visitor_id:
                del self._inside[cookie]
                self._left[cookie] = None
                while len(self._left) > MOST_VISITORS:
                    self._left.popitem(last=False)
                return visitor
        return None

    def had(self, cookie: str) -> bool:
        """Whether whoever has a cookie was asked to leave."""
        return cookie in self._left


class Guard:
    """ASGI middleware that turns away what the page must not answer.

    Parameters
    ----------
    app : ASGI application
    hosts : set of str
        ``host:port`` under which the page is served, in lower case.
    visitors : Pass, optional
        Where the page is shared: visitors who are not on this computer need it.
    params : GuardParams
    sleep : callable
        Waits some seconds.
    """

    def __init__(
        self,
        app: App,
        *,
        hosts: set[str],
        visitors: Pass | None = None,
        params: GuardParams | None = None,
        sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
    ) -> None:
        self._app = app
        self._hosts = {host.lower() for host in hosts}
        self._visitors = visitors
        self._params = params or GuardParams()
        self._sleep = sleep
        self._wrong = Wrong(self._params)
        self._waiting = 0

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request, or hand it on."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            return
        headers = _headers_of(scope)
        host = headers.get("host", "").lower()
        if host not in self._hosts:
            await _plain(send, 421, "this page is not served under that name", CLOSE)
            return
        method = str(scope["method"])
        if self._visitors is not None and not _at_this_computer(scope):
            visitor = await self._let_in(scope, headers, send)
            if visitor is None:
                return
            if role_of(method, str(scope["path"])) not in visitor.may:
                await _turned_away(send, headers, COACHS)
                return
            scope[VISITOR] = visitor
            send = _while_in(self._visitors, visitor, send)
        if method not in _SAFE:
            if not _own_origin(headers, host):
                await _plain(send, 403, "only this page itself may change something")
                return
            p, file = self._params, self._takes_file(str(scope["path"]))
            most = p.upload_bytes if file else p.body_bytes
            length = headers.get("content-length", "")
            if length.isdecimal() and int(length) > most:
                await _plain(send, 413, f"too large: at most {most // 1024} kB")
                return
            receive = _limited(receive, most, p.upload_s if file else p.body_s, p.body_s)
        try:
            await self._app(scope, receive, _with_headers(send))
        except _LeftError:
            # Was asked to leave: the stream of what happens ends where it is.
            return
        except TooLargeError:
            await _plain(send, 413, "too large")
        except TooSlowError:
            await _plain(send, 408, "too slow: try once more", CLOSE)

    def _takes_file(self, path: str) -> bool:
        return any(path.startswith(prefix) for prefix in self._params.upload_paths)

    def share(self, visitors: Pass, hosts: set[str]) -> None:
        """Answer visitors as well from now on; before the door for them is opened."""
        self._hosts |= {host.lower() for host in hosts}
        self._visitors = visitors

    async def _let_in(self, scope: Scope, headers: dict[str, str], send: Send) -> Visitor | None:
        """Return who it is; None where there is nothing more to do for them."""
        assert self._visitors is not None
        address = str((scope.get("client") or ("", 0))[0])
        if scope["path"] == ENTER:
            await self._enter(scope, headers, address, send)
            return None
        cookie = _cookie_of(headers)
        visitor = self._visitors.visitor(cookie)
        if visitor is None:
            await _turned_away(send, headers, LEFT if self._visitors.had(cookie) else UNKNOWN)
            return None
        if KNOWN in scope:
            scope[KNOWN]()
        return visitor

    async def _enter(self, scope: Scope, headers: dict[str, str], address: str, send: Send) -> None:
        """Let a visitor in who has the token, or say that it is the wrong one."""
        assert self._visitors is not None
        if scope["method"] != "GET":
            # What only asks about the link, as a program that shows a preview of it does, must not
            # use it up.
            await _plain(send, 405, "open this link in a browser", (b"allow", b"GET"), CLOSE)
            return
        offered = parse_qs(scope.get("query_string", b"").decode("latin-1")).get("t", [""])[0]
        cookie = self._visitors.enter(offered, headers.get("user-agent", ""))
        if cookie is None:
            wait_s = self._wrong.wait_s(address)
            if self._waiting < self._params.waiting:
                self._waiting += 1
                try:
                    await self._sleep(wait_s)
                finally:
                    self._waiting -= 1
            await _turned_away(send, headers, USED)
            return
        self._wrong.forgive(address)
        if KNOWN in scope:
            scope[KNOWN]()
        await send(
            {
                "type": "http.response.start",
                "status": 303,
                "headers": [
                    (b"location", b"/range"),
                    (
                        b"set-cookie",
                        f"{COOKIE}={cookie}; Path=/; HttpOnly; SameSite=Strict".encode(),
                    ),
                    (b"cache-control", b"no-store"),
                    *_HEADERS,
                ],
            }
        )
        await send({"type": "http.response.body", "body": b""})


class _LeftError(Exception):
    """A visitor was asked to leave."""


class TooLargeError(Exception):
    """A body went on beyond what it may hold."""


class TooSlowError(Exception):
    """A body took too long to come in."""


def _while_in(visitors: Pass, visitor: Visitor, send: Send) -> Send:
    """Send as long as the visitor isn't asked to leave."""

    async def out(message: dict[str, Any]) -> None:
        if not visitors.has(visitor):
            raise _LeftError
        await send(message)

    return out


def _at_this_computer(scope: Scope) -> bool:
    """Whether it comes from this computer itself."""
    return str((scope.get("client") or ("", 0))[0]) in LOOPBACK


def _limited(receive: Receive, most: int, most_s: float, still_s: float) -> Receive:
    taken = 0
    whole = False
    until = time.monotonic() + most_s

    async def take() -> dict[str, Any]:
        nonlocal taken, whole
        if whole:
            # From here on it only says that the visitor has gone.
            return await receive()
        try:
            left_s = min(still_s, max(0.0, until - time.monotonic()))
            message = await asyncio.wait_for(receive(), left_s)
        except TimeoutError:
            raise TooSlowError from None
        whole = not message.get("more_body", False)
        taken += len(message.get("body", b""))
        if taken > most:
            raise TooLargeError
        return message

    return take


def _with_headers(send: Send) -> Send:
    async def out(message: dict[str, Any]) -> None:
        if message["type"] == "http.response.start":
            headers = [*message.get("headers", ()), *_HEADERS]
            if not any(name.lower() == b"cache-control" for name, _ in headers):
                headers.append((b"cache-control", b"no-store"))
            message = {**message, "headers": headers}
        await send(message)

    return out


def _headers_of(scope: Scope) -> dict[str, str]:
    """Headers by lower-case name; of several with one name the last, of hosts none."""
    out: dict[str, str] = {}
    for name, value in scope.get("headers", ()):
        key = name.decode("latin-1").lower()
        if key == "host" and key in out:
            return {"host": ""}
        out[key] = value.decode("latin-1")
    return out


def _cookie_of(headers: dict[str, str]) -> str:
    """Return the cookie of a visitor; empty where there is none."""
    jar: SimpleCookie = SimpleCookie()
    try:
        jar.load(headers.get("cookie", ""))
    except Exception:
        return ""
    return jar[COOKIE].value if COOKIE in jar else ""


def _own_origin(headers: dict[str, str], host: str) -> bool:
    """Whether a request comes from this page: its origin is to the letter what a browser sends.

    Nothing is taken apart (RFC 6454, 6.2: a scheme, a host and a port), so nothing can be odd.
    """
    return headers.get("origin", "").lower() == f"http://{host}"


@cache
def _look() -> tuple[str, str]:
    """The page's stylesheet, for those who may not have its files, and what allows just this."""
    style = (Path(__file__).parent / "static" / "page.css").read_text(encoding="utf-8")
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    return style, (
        f"default-src 'none'; style-src 'sha256-{digest}'; form-action 'none'; "
        "frame-ancestors 'none'; base-uri 'none'"
    )


async def _turned_away(send: Send, headers: dict[str, str], text: tuple[str, str, str]) -> None:
    """Say to a visitor why nothing is shown, as a whole page where a browser asks."""
    title, why, todo = text
    if "text/html" not in headers.get("accept", ""):
        text_ = f"{title[0].lower()}{title[1:]}: {todo[0].lower()}{todo[1:]}"
        await _plain(send, 403, text_, CLOSE)
        return
    style, policy = _look()
    body = (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(title)} · unhurried</title>\n<style>{style}</style>\n</head>\n<body>\n"
        '<header class="bar"><div><span class="name">unhurried</span></div></header>\n'
        f'<main>\n<h1>{escape(title)}</h1>\n<p class="lead">{escape(why)}</p>\n'
        f'<p class="caution">{escape(todo)}</p>\n</main>\n</body>\n</html>\n'
    )
    await _answer(send, 403, body, "text/html", policy, CLOSE)


async def _plain(send: Send, status: int, text: str, *more: tuple[bytes, bytes]) -> None:
    await _answer(send, status, text + "\n", "text/plain", CONTENT_POLICY, *more)


async def _answer(
    send: Send, status: int, text: str, kind: str, policy: str, *more: tuple[bytes, bytes]
) -> None:
    body = text.encode()
    own = [(name, policy.encode() if name == POLICY_HEADER else value) for name, value in _HEADERS]
    await send(
        {
            "type": "http.response.start",
            "status": status,
            "headers": [
                (b"content-type", f"{kind}; charset=utf-8".encode()),
                (b"content-length", str(len(body)).encode()),
                (b"cache-control", b"no-store"),
                *more,
                *own,
            ],
        }
    )
    await send({"type": "http.response.body", "body": body})
