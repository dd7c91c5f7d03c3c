"""The page's door: how many may be connected at once, and for how long without asking anything.

A server that takes every connection stops when the system has no more of them to give: whoever
opens a thousand and sends nothing has shut the page, and what else this process does, a recording,
has no files either. So connections come out of three shares, none of which can use up another:

- those of this computer,
- those of visitors who have shown that they were let in,
- and all others, who have yet to show it.

A connection is always taken. Where its share is full another one makes room: of the address that
holds most of them, the one that has been waiting longest. Who comes with a token or a cookie has
sent it within a few round trips, and is by then among the newest; who holds many only closes their
own. Nobody may take longer than a few seconds to ask for something.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import socket
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, cast

import uvicorn

from review.page.security import KNOWN, LOOPBACK, App

if TYPE_CHECKING:
    from uvicorn._types import ASGIApplication


_log = logging.getLogger(__name__)

MOST: Final = 512
"""Connections at once, where the system gives enough: some twenty viewers have ten each, and what
can't be used is only waiting. (Chosen here.)"""

LEAST: Final = 32
SWEEP_S: Final = 0.5
NO_MORE_S: Final = 0.05
"""Pause where the system gives no connection."""
TOLD_S: Final = 60.0
"""How often it is logged that connections make room."""


def descriptors() -> int | None:
    """Return how many files and connections the system lets this process have; None: no limit."""
    try:
        import resource
    except ImportError:  # Windows has no such limit.
        return None
    soft, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
    return None if soft == resource.RLIM_INFINITY else soft


def shares_of(limit: int | None) -> tuple[int, int, int]:
    """Divide connections among this computer, known visitors and all others.

    Half of what the system gives stays free for everything else: the recording, films, and the
    library, which has some files open for each thread.

    Parameters
    ----------
    limit : int or None
        What the system gives.

    Returns
    -------
    here, known, others : int
    """
    most = MOST if limit is None else max(LEAST, min(MOST, limit // 2))
    return most // 4, most // 4, most // 2


@dataclass(frozen=True, slots=True, kw_only=True)
class DoorParams:
    """Limits.

    Attributes
    ----------
    here, known, others : int
        Connections of this computer, of visitors who were let in, and of all others.
    request_s : float
        How long a connection may take to ask for something, from its beginning or from the last
        answer on: a phone on a weak network takes one or two (from memory).
    stalled_s : float
        How long an answer may wait for its visitor to take the next part. A browser whose film
        stands still takes nothing, and asks anew for the rest when it goes on.
    """

    here: int
    known: int
    others: int
    request_s: float = 10.0
    stalled_s: float = 60.0


class Share:
    """Connections that have a limit together.

    Parameters
    ----------
    most : int
    any_goes : bool
        Whether one that waits for its answer may have to make room too.
    """

    def __init__(self, most: int, *, any_goes: bool) -> None:
        self.most = most
        self._any_goes = any_goes
        self._held: dict[str, dict[Connection, None]] = {}
        self._n = 0

    def __len__(self) -> int:
        return self._n

    def add(self, one: Connection) -> None:
        """Take a connection in."""
        self._held.setdefault(one.address, {})[one] = None
        self._n += 1

    def remove(self, one: Connection) -> None:
        """Let a connection go."""
        mine = self._held.get(one.address, {})
        if one in mine:
            del mine[one]
            self._n -= 1
            if not mine:
                del self._held[one.address]

    def make_room(self) -> bool:
        """Close a connection if there is no room for one more; tell whether there is now."""
        if self._n < self.most:
            return True
        most_first = sorted(self._held.values(), key=len, reverse=True)
        if self._any_goes:
            # Never one of somebody who holds fewer.
            del most_first[1:]
        one = next((c for held in most_first for c in held if not c.asking), None)
        if one is None and self._any_goes:
            one = next(iter(most_first[0]))
        if one is None:
            return False
        one.end()
        return True


class Connection(asyncio.Protocol):
    """One connection: who holds it, and the server's own protocol behind it.

    Parameters
    ----------
    door : Door
    peer : (str, int)
        Address and port.
    make : callable
        Makes what serves it, once something comes in: who sends nothing costs next to nothing.
    share : Share
    """

    def __init__(
        self,
        door: Door,
        peer: tuple[str, int],
        make: Callable[[], asyncio.Protocol],
        share: Share,
    ) -> None:
        self.peer = peer
        self.address = peer[0]
        self.share = share
        self.asking = 0
        self.since_s = time.monotonic()
        self.stalled_since_s: float | None = None
        self._door = door
        self._make = make
        self._inner: asyncio.Protocol | None = None
        self._transport: asyncio.Transport | None = None
        share.add(self)

    @property
    def silent(self) -> bool:
        """Whether nothing has come in over it yet."""
        return self._inner is None

    def known(self) -> None:
        """Count it among those of known visitors from now on, if there is room."""
        wanted = self._door.known
        if self.share is self._door.others and wanted.make_room():
            self.share.remove(self)
            self.share = wanted
            wanted.add(self)

    def end(self) -> None:
        """Close it at once; what is still to be sent isn't."""
        self.share.remove(self)
        if self._transport is not None:
            self._transport.abort()

    def late(self, now_s: float, params: DoorParams) -> bool:
        """Whether it has taken longer than it may."""
        if self.stalled_since_s is not None:
            return now_s - self.stalled_since_s > params.stalled_s
        return not self.asking and now_s - self.since_s > params.request_s

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Note that it is there."""
        self._transport = cast(asyncio.Transport, transport)

    def connection_lost(self, exc: Exception | None) -> None:
        """Let it go."""
        self.share.remove(self)
        self._door.gone(self)
        if self._inner is not None:
            self._inner.connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Hand on what came in."""
        if self._inner is None:
            assert self._transport is not None
            self._inner = self._make()
            self._inner.connection_made(self._transport)
        self._inner.data_received(data)

    def eof_received(self) -> bool | None:
        """Hand on that nothing more will come in."""
        return None if self._inner is None else self._inner.eof_received()

    def pause_writing(self) -> None:
        """Note that the visitor doesn't take what it asked for."""
        self.stalled_since_s = time.monotonic()
        if self._inner is not None:
            self._inner.pause_writing()

    def resume_writing(self) -> None:
        """Note that the visitor takes it again."""
        self.stalled_since_s = None
        if self._inner is not None:
            self._inner.resume_writing()


class Door:
    """Takes connections, and closes those that there is no room or no time for.

    Parameters
    ----------
    params : DoorParams
    """

    def __init__(self, params: DoorParams) -> None:
        self._params = params
        self.here = Share(params.here, any_goes=False)
        self.known = Share(params.known, any_goes=False)
        self.others = Share(params.others, any_goes=True)
        self._by_peer: dict[tuple[str, int], Connection] = {}
        self._closed = 0
        self._told_s: float | None = None

    def __len__(self) -> int:
        return len(self._by_peer)

    def knocked(self, app: App) -> App:
        """Return an application that knows which connection a request came over."""

        async def asked(scope: Any, receive: Any, send: Any) -> None:
            one = self._by_peer.get(scope.get("client") or ("", 0))
            if one is None:
                await app(scope, receive, send)
                return
            scope[KNOWN] = one.known
            one.asking += 1
            try:
                await app(scope, receive, send)
            finally:
                one.asking -= 1
                one.since_s = time.monotonic()

        return asked

    def gone(self, one: Connection) -> None:
        """Forget a connection."""
        if self._by_peer.get(one.peer) is one:
            del self._by_peer[one.peer]

    async def open(self, at: socket.socket, make: Callable[[], asyncio.Protocol]) -> None:
        """Take connections for good.

        Parameters
        ----------
        at : socket
            Listens, and doesn't block.
        make : callable
            Makes what serves a connection.
        """
        sweeping = asyncio.ensure_future(self._sweep())
        try:
            while True:
                await self._take(at, make)
        finally:
            sweeping.cancel()
            for one in [c for c in self._by_peer.values() if c.silent]:
                one.end()

    async def _take(self, at: socket.socket, make: Callable[[], asyncio.Protocol]) -> None:
        loop = asyncio.get_running_loop()
        try:
            taken, (address, port) = await loop.sock_accept(at)
        except OSError:
            # The visitor has gone already, or the system has none to give.
            await asyncio.sleep(NO_MORE_S)
            return
        share = self.here if address in LOOPBACK else self.others
        full = len(share) >= share.most
        if full:
            self._note()
        if not share.make_room():
            taken.close()
            return
        one = Connection(self, (address, port), make, share)
        self._by_peer[one.peer] = one
        try:
            await loop.connect_accepted_socket(lambda: one, taken)
        except OSError:
            taken.close()
            share.remove(one)
            self.gone(one)
        if full:
            # What was closed is let go of by the loop: not before that are there fewer.
            await asyncio.sleep(0)

    async def _sweep(self) -> None:
        while True:
            await asyncio.sleep(SWEEP_S)
            now_s = time.monotonic()
            for one in [c for c in self._by_peer.values() if c.late(now_s, self._params)]:
                self._closed += 1
                one.end()

    def _note(self) -> None:
        """Say now and then that connections are closed: each single one would fill the log."""
        self._closed += 1
        now_s = time.monotonic()
        if self._told_s is None or now_s - self._told_s > TOLD_S:
            _log.warning(
                "more connections to the page than there is room for: %d closed so far",
                self._closed,
            )
            self._told_s = now_s


class DoorServer(uvicorn.Server):
    """Serves a page whose connections come through a `Door`.

    Parameters
    ----------
    app : ASGI application
    at : socket
        Listens.
    params : DoorParams, optional
        By default as the system's limits have it.
    """

    def __init__(self, app: App, at: socket.socket, params: DoorParams | None = None) -> None:
        if params is None:
            here, known, others = shares_of(descriptors())
            params = DoorParams(here=here, known=known, others=others)
        self.door = Door(params)
        self._at = at
        self._taking: asyncio.Future[None] | None = None
        self._more: list[tuple[socket.socket, asyncio.Future[None]]] = []
        self._loop: asyncio.AbstractEventLoop | None = None
        super().__init__(
            uvicorn.Config(
                cast("ASGIApplication", self.door.knocked(app)),
                # One that every installation has, and none that speaks more than the page needs.
                http="h11",
                ws="none",
                loop="asyncio",
                lifespan="on",
                workers=1,
                access_log=False,
                log_config=None,
                # No header may say that a visitor is somebody else, whatever the environment says.
                proxy_headers=False,
                forwarded_allow_ips="",
                timeout_graceful_shutdown=1,
                server_header=False,
            )
        )

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Make the page ready, and open the door."""
        del sockets
        await super().startup(sockets=[])
        self._at.setblocking(False)
        self._loop = asyncio.get_running_loop()
        self._taking = asyncio.ensure_future(self.door.open(self._at, self._protocol))

    def also(self, at: socket.socket) -> None:
        """Open another door, from any thread, while the page is up.

        Parameters
        ----------
        at : socket
            Listens.
        """
        at.setblocking(False)

        def open_it() -> None:
            self._more.append((at, asyncio.ensure_future(self.door.open(at, self._protocol))))

        assert self._loop is not None
        self._loop.call_soon_threadsafe(open_it)

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """Close the door, and let what is being answered come to its end."""
        del sockets
        taking = [] if self._taking is None else [(self._at, self._taking)]
        for at, task in (*taking, *self._more):
            task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await task
            at.close()
        self._at.close()
        await super().shutdown(sockets=[])

    def _protocol(self) -> asyncio.Protocol:
        made: Any = self.config.http_protocol_class
        return cast(
            asyncio.Protocol,
            made(
                config=self.config,
                server_state=self.server_state,
                app_state=self.lifespan.state,
            ),
        )
