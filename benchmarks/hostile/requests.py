"""Page requests: a served home, and what is sent to it over a plain socket."""

from __future__ import annotations

import contextlib
import os
import random
import re
import signal
import socket
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from html.parser import HTMLParser
from pathlib import Path
from typing import Final
from urllib.parse import quote, urlencode

from benchmarks.hostile import mutate
from benchmarks.hostile.children import MOST_MB, MOST_S, Ran, faults_of
from benchmarks.hostile.kinds import Case
from benchmarks.hostile.stock import Stock, World

__all__ = ["Server", "request_cases", "served"]

_START_S: Final = 60.0
_IDLE_S: Final = 8.0
"""After so long without a word nothing more is sent."""


_LEFT_ALONE: Final = ("/settings/close", "/start/invented", "/delete")
"""Forms that do what they say: end the program, work for half a minute, delete a player."""


def _whole(answer: bytearray) -> bool:
    """Tell whether an answer has come to its end, or is a stream of events that has begun."""
    head, mark, body = bytes(answer[:20_000]).partition(b"\r\n\r\n")
    if not mark:
        return False
    if b"text/event-stream" in head:
        return bool(body)
    length = re.search(rb"(?i)\r\ncontent-length: *(\d+)", head)
    return length is not None and len(answer) - len(head) - 4 >= int(length[1])


@dataclass(slots=True)
class Form:
    """A form of the page: where it is sent, and its fields as they stand."""

    action: str
    fields: dict[str, str] = field(default_factory=dict)
    files: bool = False


class _Reader(HTMLParser):
    """Finds what a screen leads to."""

    def __init__(self) -> None:
        super().__init__()
        self.links: list[str] = []
        self.forms: list[Form] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Take down links, forms and their fields."""
        found = {name: value or "" for name, value in attrs}
        for name in ("href", "src", "data-later", "data-live"):
            if found.get(name, "").startswith("/"):
                self.links.append(found[name])
        if tag == "form":
            self.forms.append(
                Form(found.get("action", "/"), files="multipart" in found.get("enctype", ""))
            )
        elif tag in ("input", "textarea", "select", "button") and self.forms and "name" in found:
            self.forms[-1].fields[found["name"]] = found.get("value", "")


@dataclass(slots=True)
class Server:
    """A page that is up, in a child of this process.

    Attributes
    ----------
    pid, port : int
    folder : Path
        Of its output.
    links : list of str
    forms : list of Form
    """

    pid: int
    port: int
    folder: Path
    links: list[str] = field(default_factory=list)
    forms: list[Form] = field(default_factory=list)

    @property
    def host(self) -> str:
        """Its name in a request."""
        return f"127.0.0.1:{self.port}"

    def megabytes(self) -> float:
        """Return the most memory that it has held so far."""
        with contextlib.suppress(OSError):
            text = Path(f"/proc/{self.pid}/status").read_text(encoding="ascii")
            if found := re.search(r"VmHWM:\s+(\d+) kB", text):
                return int(found[1]) / 1024.0
        return 0.0

    def ask(self, data: bytes, *, pause: bool = False) -> bytes:
        """Send bytes and return what comes back, at most some MB."""
        with socket.create_connection(("127.0.0.1", self.port), timeout=MOST_S) as line:
            # What isn't taken before the answer comes is no matter here.
            with contextlib.suppress(OSError):
                if pause:
                    line.sendall(data[: len(data) // 2])
                    time.sleep(0.05)
                    data = data[len(data) // 2 :]
                line.sendall(data)
            found = bytearray()
            until = time.monotonic() + MOST_S
            line.settimeout(_IDLE_S)
            with contextlib.suppress(ConnectionError):
                while len(found) < 4_000_000 and not _whole(found):
                    try:
                        piece = line.recv(65_536)
                    except TimeoutError:
                        if found or time.monotonic() > until:
                            break
                        # Either it works, or it waits for the rest of what never comes.
                        line.settimeout(max(0.1, until - time.monotonic()))
                        line.shutdown(socket.SHUT_WR)
                        continue
                    if not piece:
                        break
                    found += piece
                else:
                    return bytes(found)
            if time.monotonic() > until:
                raise TimeoutError
            return bytes(found)

    def get(self, path: str) -> bytes:
        """Ask for a screen as a browser does."""
        head = f"GET {path} HTTP/1.1\r\nHost: {self.host}\r\nConnection: close\r\n"
        return self.ask(f"{head}Accept: text/html\r\n\r\n".encode())

    def upload(self, name: str, data: bytes) -> str:
        """Add a file as the page does; return where what is asked about it stands."""
        body = (
            f'--b\r\nContent-Disposition: form-data; name="file"; filename="{name}"\r\n\r\n'
        ).encode()
        body += data + b"\r\n--b--\r\n"
        head = (
            f"POST /add/file HTTP/1.1\r\nHost: {self.host}\r\nOrigin: http://{self.host}\r\n"
            "Content-Type: multipart/form-data; boundary=b\r\nConnection: close\r\n"
            f"Content-Length: {len(body)}\r\n\r\n"
        )
        answer = self.ask(head.encode() + body)
        found = re.search(rb"(?i)\r\nlocation: (\S+)", answer)
        return found[1].decode() if found else "/add"

    def look_round(self, most: int = 70) -> None:
        """Follow the links from the first screen, and take down all forms."""
        waiting = [
            "/",
            "/settings",
            self.upload("swings.csv", b"t,ax,ay,az,gx,gy,gz\n0,0,0,1,0,0,0\n5,0,0,1,0,0,0\n"),
            self.upload("balls.csv", b"Time,Carry\n18:00:00,120\n"),
        ]
        seen: set[str] = set()
        forms: dict[tuple[str, ...], Form] = {}
        while waiting and len(seen) < most:
            path = waiting.pop(0)
            if path in seen:
                continue
            seen.add(path)
            answer = self.get(path)
            if b"text/html" not in answer.partition(b"\r\n\r\n")[0]:
                continue
            reader = _Reader()
            reader.feed(answer.decode("utf-8", "replace"))
            waiting += [link.split("#")[0] for link in reader.links]
            for form in (f for f in reader.forms if not f.action.endswith(_LEFT_ALONE)):
                forms[(form.action, *sorted(form.fields))] = form
        self.links, self.forms = sorted(seen), list(forms.values())


@contextlib.contextmanager
def served(stock: Stock, world: World) -> Iterator[Server]:
    """Serve a world's home from a child until the block is left.

    Raises
    ------
    RuntimeError
        It doesn't come up.
    """
    from unhurried.cli import run

    out, err = stock.root / "page.out", stock.root / "page.err"
    child = os.fork()
    if not child:
        try:
            os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
            for number, path in ((1, out), (2, err)):
                os.dup2(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), number)
            import sys

            # Where a shortcut would be made.
            os.environ["HOME"] = str(stock.root)
            os.environ.pop("XDG_DATA_HOME", None)
            sys.stdout = open(1, "w", encoding="utf-8", closefd=False)  # noqa: SIM115
            sys.stderr = open(  # noqa: SIM115
                2, "w", encoding="utf-8", errors="backslashreplace", closefd=False
            )
            at = str(world.home)
            code = run(["review", "--no-browser", "--port", "0", "--home", at])
            sys.stdout.flush()
            sys.stderr.flush()
            os._exit(code)
        finally:
            os._exit(70)
    try:
        until = time.monotonic() + _START_S
        port = None
        while port is None:
            found = re.search(
                r"http://127\.0\.0\.1:(\d+)/", out.read_text() if out.exists() else ""
            )
            port = int(found[1]) if found else None
            if time.monotonic() > until:
                raise RuntimeError(f"the page is not up: {err.read_text()}")
            time.sleep(0.05)
        server = Server(child, port, stock.root)
        server.look_round()
        yield server
    finally:
        with contextlib.suppress(ProcessLookupError):
            os.kill(child, signal.SIGINT)
        with contextlib.suppress(ChildProcessError):
            os.waitpid(child, 0)


_METHODS: Final = (
    b"GET", b"GET", b"GET", b"POST", b"POST", b"HEAD", b"OPTIONS", b"PUT", b"DELETE", b"PATCH",
    b"TRACE", b"CONNECT", b"get", b"GETGETGET" * 100, b"\x00", b"POST POST", b"",
)  # fmt: skip
_ORIGINS: Final = (
    "http://[", "http://[::1", "null", "https://{host}", "http://{host}.example", "http://{host}/x",
    "{host}", "file://", "http://\x1b[2J", "http://{host}@example.org", "", "http://" + "a" * 9_000,
    "http://{host}:99999999", "HTTP://{host}", "http://é",
)  # fmt: skip
_HOSTS: Final = (
    "localhost", "127.0.0.1", "example.org", "[", "{host}, {host}", "127.0.0.1:0", "", "\x00",
    "{host}/x", "user@{host}", "{host}#", "LOCALHOST:{port}", "127.0.0.1:{port}:{port}",
)  # fmt: skip
_HEADERS: Final = (
    "Range: bytes=" + ",".join(f"{k}-{k}" for k in range(2_000)),
    "Range: bytes=-1",
    "Range: bytes=99999999999999999999-",
    "Range: bytes=5-1",
    "Range: lines=1-2",
    "If-Range: \x7f",
    "If-Modified-Since: Thu, 32 Jan 0000 99:99:99 GMT",
    "If-None-Match: " + '"x", ' * 2_000,
    "Cookie: unhurried_pass=" + "x" * 5_000,
    "Cookie: ;;;=;\x01=",
    "Referer: http://[",
    "Referer: http://{host}//example.org/",
    "Referer: http://{host}/\\example.org",
    "Accept: " + "text/html," * 2_000,
    "Accept-Encoding: gzip;q=nan",
    "Content-Length: -1",
    "Content-Length: 99999999999999999999",
    "Content-Length: 1e3",
    "Content-Length: 5\r\nContent-Length: 6",
    "Transfer-Encoding: chunked",
    "Transfer-Encoding: chunked, chunked",
    "Expect: 100-continue",
    "Upgrade: websocket\r\nConnection: Upgrade\r\nSec-WebSocket-Version: 13\r\n"
    "Sec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA==",
    "X-Forwarded-For: 127.0.0.1\r\nX-Forwarded-Proto: https\r\nForwarded: for=127.0.0.1",
    "X: " + "y" * 70_000,
    "no colon",
    ": nothing",
    " folded: x",
    "Last-Event-ID: " + "9" * 5_000,
    "Content-Type: application/json",
    "Content-Type: multipart/form-data",
    "Content-Type: multipart/form-data; boundary=" + "b" * 5_000,
    "Content-Type: application/x-www-form-urlencoded; charset=utf-7",
    "Content-Encoding: gzip",
)


def _path(rng: random.Random, server: Server) -> str:
    """Return an address of the page, or one made of it."""
    path = rng.choice([*server.links, *[form.action for form in server.forms]])
    way = rng.randrange(12)
    if way <= 2:
        return path
    if way == 3:
        parts = path.split("/")
        parts[rng.randrange(len(parts))] = quote(
            mutate.text_value(rng)[:20_000].encode("utf-8", "surrogatepass")
        )
        return "/".join(parts) or "/"
    if way == 4:
        name = rng.choice(
            ("a", "b", "player", "club", "mount", "at", "said", "from", "to", "page", "whole", "t")
        )
        value = quote(mutate.text_value(rng)[:20_000].encode("utf-8", "surrogatepass"))
        return f"{path}{'&' if '?' in path else '?'}{name}={value}"
    if way == 5:
        number = rng.choice((str(10**30), "-1", "1e999", "NaN", "0", "999999", "1" * 5_000))
        return re.sub(r"\d+(?=[^/]*$)", number, path) if re.search(r"\d", path) else path + number
    if way == 6:
        return path + rng.choice(
            (
                "/",
                "//",
                "/..",
                "/../../../../etc/passwd",
                "%00",
                "%ff",
                "%2e%2e%2f",
                "\\",
                ";x",
                "#y",
            )
        )
    if way == 7:
        return rng.choice(
            (
                "/static/../app.py", "/static/%2e%2e/app.py", "/static//etc/passwd",
                "//example.org",
                "/enter", "/enter?t=x", "*", "http://example.org/", "@example.org", "", "/" * 8_000,
                "/range/live", "/range/code", "/settings/calibration?part=1",
                "/" + "a" * 60_000, "/\u00e9", "/session/%00/swing/1",
            )
        )  # fmt: skip
    if way == 8:
        return re.sub(r"[0-9a-f]{8}-[0-9a-f-]{27}", lambda f: f[0].upper(), path)
    if way == 9:
        return path.replace("/", "//")
    if way == 10:
        return f"{path}?{'a=1&' * 5_000}"
    return f"{path}?{quote(mutate.text_value(rng)[:5_000].encode('utf-8', 'surrogatepass'))}"


def _fields(rng: random.Random, form: Form) -> list[tuple[str, bytes]]:
    """Fill a form in: most fields as they stand, some with what nobody types."""
    found = []
    for name, value in form.fields.items():
        sort = rng.random()
        if sort < 0.5:
            filled = value
        elif sort < 0.8:
            filled = mutate.text_value(rng)
        else:
            filled = str(rng.choice(rng.choice((mutate.NUMBERS, mutate.HUGE))))
        found += [(name, filled.encode("utf-8", "surrogatepass"))] * rng.choice((1, 1, 1, 1, 0, 2))
    if rng.random() < 0.2:
        found.append((mutate.text_value(rng)[:2_000].encode("ascii", "replace").decode(), b"x"))
    return found


def _multipart(rng: random.Random, fields: list[tuple[str, bytes]]) -> tuple[str, bytes]:
    mark = "x" * rng.choice((1, 10, 70, 300))
    out = bytearray()
    for name, value in fields or [("a", b"b")]:
        kind = rng.choice(
            (
                f'form-data; name="{name}"',
                f'form-data; name="{name}"; filename="{rng.choice(mutate.PATHS)}"',
                f'form-data; name="{name}"; filename="x.mp4"',
                "form-data",
                'form-data; name="' + "n" * 9_000 + '"',
                "form-data; name*=utf-8''%ff",
                "attachment",
            )
        )
        more = "".join(f"X-{k}: y\r\n" for k in range(rng.choice((0, 0, 0, 500))))
        out += f"--{mark}\r\nContent-Disposition: {kind}\r\n{more}\r\n".encode() + value + b"\r\n"
    out += rng.choice((f"--{mark}--\r\n".encode(), b"", f"--{mark}".encode(), b"\r\n" * 50_000))
    return f"multipart/form-data; boundary={mark}", bytes(out)


def _request(rng: random.Random, server: Server) -> tuple[bytes, str]:
    """Make one request and say what it is."""
    host = server.host
    known = {"host": host, "port": str(server.port)}
    method = rng.choice(_METHODS)
    if server.forms and rng.random() < 0.45:
        # A form, sent as the page itself sends it, but for what is in it.
        form = rng.choice(server.forms)
        fields = _fields(rng, form)
        if form.files or rng.random() < 0.2:
            kind, body = _multipart(rng, fields)
        else:
            kind, body = "application/x-www-form-urlencoded", urlencode(fields).encode()
        if rng.random() < 0.1:
            body, _ = mutate.bytes_of(rng, body)
        if rng.random() < 0.05:
            body = rng.choice(
                (b"a;" * 100_000, b"a=" * 50_000, b"%" * 1_000, b"x" * 300_000, b"&" * 9_000)
            )
        path = form.action if rng.random() < 0.9 else _path(rng, server)
        lines = [f"Host: {host}", f"Origin: http://{host}", f"Content-Type: {kind}"]
        lines.append(f"Content-Length: {len(body)}")
        head = f"POST {path or '/'} HTTP/1.1\r\n" + "".join(f"{x}\r\n" for x in lines)
        shown = f"POST {path[:60]} {body[:60]!r}"
        return head.encode("utf-8", "replace") + b"Connection: close\r\n\r\n" + body, shown
    path = _path(rng, server)
    lines = [f"Host: {host}"]
    if rng.random() < 0.2:
        lines = [f"Host: {rng.choice(_HOSTS).format(**known)}"] * rng.choice((1, 1, 2, 0))
    if rng.random() < 0.35:
        lines.append(f"Origin: {rng.choice(_ORIGINS).format(**known)}")
    for _ in range(rng.choice((0, 1, 1, 2))):
        lines.append(rng.choice(_HEADERS).replace("{host}", host))
    body = b""
    if rng.random() < 0.2:
        body = rng.choice(
            (b"{}", b"x" * 400_000, b"5\r\nhello\r\n0\r\n\r\n", b"zz\r\n", b"\x00" * 100)
        )
        if rng.random() < 0.7:
            lines.append(f"Content-Length: {len(body)}")
    version = rng.choice(("HTTP/1.1",) * 6 + ("HTTP/1.0", "HTTP/2.0", "HTTP/9", "x"))
    start = method + b" " + path.encode("utf-8", "surrogatepass") + f" {version}\r\n".encode()
    start += "".join(f"{line}\r\n" for line in lines).encode("utf-8", "surrogatepass")
    data = start + b"Connection: close\r\n\r\n" + body
    shown = f"{method.decode('latin-1')[:12]} {path[:60]} {lines[1:]!r:.160}"
    if rng.random() < 0.1:
        data, what = mutate.bytes_of(rng, data)
        shown += f"; {what}"
    return data, shown


_TELLS: Final = re.compile(rb"internal error|Traceback \(most recent", re.IGNORECASE)


def request_cases(stock: Stock, world: World, numbers: list[int], seed: int) -> Iterator[Case]:
    """Send requests to a page that is served meanwhile.

    Parameters
    ----------
    stock : Stock
    world : World
    numbers : list of int
        Of the cases.
    seed : int

    Yields
    ------
    Case
    """
    with served(stock, world) as server:
        for number in numbers:
            rng = random.Random(f"{seed}/requests/{number}")
            data, done = _request(rng, server)
            case = Case("requests", number, done=ascii(done)[1:-1])
            started = time.monotonic()
            try:
                answer = server.ask(data, pause=rng.random() < 0.1)
            except TimeoutError:
                answer = b""
                case.faults.append(f"no answer within {MOST_S:.0f} s")
            except OSError as error:
                answer = b""
                case.faults.append(f"the page is gone: {error}")
            case.seconds = time.monotonic() - started
            status = answer[9:12] if answer.startswith(b"HTTP/1.") else b""
            if status[:1] == b"5" or _TELLS.search(answer):
                case.faults.append(f"answered {status.decode()} {answer[-300:]!r}")
            case.megabytes = server.megabytes()
            if case.megabytes > MOST_MB:
                case.faults.append(f"{case.megabytes:.0f} MB")
            yield case
        last = Case("requests", -1, done="the first screen, after all these")
        answer = server.get("/")
        if not answer.startswith(b"HTTP/1.1 200"):
            last.faults.append(f"answered {answer[:60]!r}")
        for one in stock.ids:
            if not server.get(f"/session/{one}").startswith(b"HTTP/1.1 200"):
                last.faults.append(f"a good recording is left out: {one[:8]}")
    said = (stock.root / "page.err").read_text(encoding="utf-8", errors="replace")
    ran = Ran(words=("review",), code=0, out="", err=said, seconds=0.0, megabytes=0.0)
    last.faults += faults_of(ran)
    lines = [line for line in said.splitlines() if line.strip()]
    if len(lines) > 3:
        last.faults.append(f"{len(lines)} lines on the terminal: {lines[1][:200]}")
    for log in (world.home / "log").glob("*.log"):
        text = log.read_text(encoding="utf-8", errors="replace")
        if found := re.search(r".*internal error.*", text):
            last.faults.append(f"in the log: {found[0][:200]}")
    if last.faults:
        yield last
