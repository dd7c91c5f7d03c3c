"""Who may ask the page for what.

The page shows recordings of people, so it answers this computer only, unless it was told to share.
Everything here sits before the screens, so that no screen can forget it:

- a request must name a host that the page is served under (a web site that points its own name at
  this computer is turned away);
- a request that changes something must come from a page of ours (its ``Origin``), and be small
  enough;
- where the page is shared on the local network, a visitor needs the token of the link, once; it is
  then exchanged for a cookie. Wrong tokens are answered ever more slowly;
- answers carry a policy that lets the browser run nothing but the page's own files.
"""

from __future__ import annotations

import asyncio
import base64
import hashlib
import secrets
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from functools import cache
from html import escape
from http.cookies import SimpleCookie
from pathlib import Path
from typing import Any, Final
from urllib.parse import parse_qs, urlsplit

__all__ = ["CONTENT_POLICY", "Guard", "GuardParams", "Pass", "TooLargeError", "new_token"]

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

USED: Final = (
    "This link doesn't let you in",
    "It was used already (each lets one phone in, once), a newer one was made since, or it was not "
    "typed as it stands.",
    "Ask for a new code at the computer and scan that: Enter makes one in the terminal (v while "
    "recording), or the button “A code for another phone” on its own Range page. A phone that was "
    "let in before needs none: there open the Range page again, as long as the program runs.",
)
UNKNOWN: Final = (
    "This page is shared by a link",
    "It shows recordings of people, so it opens only on a phone that was let in by a code, in the "
    "browser that scanned it.",
    "Scan the code that the computer's terminal shows. If it was used, Enter there makes another "
    "(v while recording). If this phone was let in before, the program was started anew since, or "
    "another browser opened the link.",
)
"""What happened, why, and what to do, for somebody who was turned away."""

_SAFE: Final = frozenset({"GET", "HEAD", "OPTIONS"})
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
    slow_s, slowest_s : float
        Wait after the first wrong token, and the longest; it doubles with each. With the longest,
        10,000 guesses take over five hours, and a token has 256 bits.
    """

    body_bytes: int = 256 * 1024
    upload_bytes: int = 512 * 1024 * 1024
    upload_paths: tuple[str, ...] = ()
    slow_s: float = 0.05
    slowest_s: float = 2.0


@dataclass(slots=True)
class Pass:
    """The way in for visitors from the local network: a token that works once.

    Attributes
    ----------
    token : str or None
        What the link carries; None once it was used.
    """

    token: str | None = field(default_factory=new_token, repr=False)
    _cookies: set[str] = field(default_factory=set, repr=False)
    _wrong: int = field(default=0, repr=False)

    def renew(self) -> str:
        """Make a new token, for one more visitor."""
        self.token = new_token()
        return self.token

    def enter(self, offered: str) -> str | None:
        """Exchange the token for a cookie; None where it is the wrong one."""
        if self.token is None or not secrets.compare_digest(
            offered.encode("utf-8", "replace"), self.token.encode()
        ):
            self._wrong += 1
            return None
        self.token = None
        self._wrong = 0
        cookie = new_token()
        self._cookies.add(cookie)
        return cookie

    def knows(self, cookie: str) -> bool:
        """Whether a cookie was handed out here."""
        offered = cookie.encode("utf-8", "replace")
        known = False
        for own in self._cookies:
            known |= secrets.compare_digest(offered, own.encode())
        return known

    def wait_s(self, params: GuardParams) -> float:
        """How long to wait before a wrong token is answered."""
        if not self._wrong:
            return 0.0
        return float(min(params.slowest_s, params.slow_s * 2.0 ** min(self._wrong - 1, 16)))


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
        # One wrong token at a time: many at once would not be slowed down.
        self._door = asyncio.Lock()

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
            await _plain(send, 421, "this page is not served under that name")
            return
        if self._visitors is not None and not await self._let_in(scope, headers, send):
            return
        method = str(scope["method"])
        if method not in _SAFE:
            if not _own_origin(headers, host):
                await _plain(send, 403, "only this page itself may change something")
                return
            most = self._most_bytes(str(scope["path"]))
            length = headers.get("content-length", "")
            if length.isdecimal() and int(length) > most:
                await _plain(send, 413, f"too large: at most {most // 1024} kB")
                return
            receive = _limited(receive, most)
        try:
            await self._app(scope, receive, _with_headers(send))
        except TooLargeError:
            await _plain(send, 413, "too large")

    def _most_bytes(self, path: str) -> int:
        uploads = any(path.startswith(prefix) for prefix in self._params.upload_paths)
        return self._params.upload_bytes if uploads else self._params.body_bytes

    async def _let_in(self, scope: Scope, headers: dict[str, str], send: Send) -> bool:
        """Whether to go on with this visitor; answers it otherwise."""
        assert self._visitors is not None
        client = scope.get("client") or ("", 0)
        if client[0] in ("127.0.0.1", "::1"):
            return True
        if scope["path"] == ENTER:
            offered = parse_qs(scope.get("query_string", b"").decode("latin-1")).get("t", [""])[0]
            async with self._door:
                cookie = self._visitors.enter(offered)
                if cookie is None:
                    await self._sleep(self._visitors.wait_s(self._params))
            if cookie is None:
                await _turned_away(send, headers, USED)
                return False
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
            return False
        jar: SimpleCookie = SimpleCookie()
        try:
            jar.load(headers.get("cookie", ""))
        except Exception:
            jar = SimpleCookie()
        if COOKIE in jar and self._visitors.knows(jar[COOKIE].value):
            return True
        await _turned_away(send, headers, UNKNOWN)
        return False


class TooLargeError(Exception):
    """A body went on beyond what it may hold."""


def _limited(receive: Receive, most: int) -> Receive:
    taken = 0

    async def take() -> dict[str, Any]:
        nonlocal taken
        message = await receive()
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


def _own_origin(headers: dict[str, str], host: str) -> bool:
    origin = headers.get("origin")
    if origin is None:
        return False
    parts = urlsplit(origin)
    return parts.scheme == "http" and parts.netloc.lower() == host


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
        await _plain(send, 403, f"{title[0].lower()}{title[1:]}: {todo[0].lower()}{todo[1:]}")
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
    await _answer(send, 403, body, "text/html", policy)


async def _plain(send: Send, status: int, text: str) -> None:
    await _answer(send, status, text + "\n", "text/plain", CONTENT_POLICY)


async def _answer(send: Send, status: int, text: str, kind: str, policy: str) -> None:
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
                *own,
            ],
        }
    )
    await send({"type": "http.response.body", "body": body})
