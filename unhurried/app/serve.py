"""The page served from this process: its tools, its address, and who is let in."""

from __future__ import annotations

import contextlib
import socket
import sys
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from unhurried.app.errors import CommandError
from unhurried.app.page_services import PageServices
from unhurried.app.page_tools import page_tools
from unhurried.app.watching import watching

if TYPE_CHECKING:
    from review.page.app import PageApp
    from review.page.security import Pass
    from unhurried.app.connections import DoorParams, DoorServer


PORT: Final = 8737
"""Where the page is unless another port is asked for; no service is registered there (IANA list,
from memory)."""

HERE: Final = "127.0.0.1"
SWITCH_S: Final = 0.0005
"""How soon a thread that works something out lets a screen go first. Each question to the library
has to wait for that, and Python's own 5 ms, some thirty times a screen, would be felt."""

NO_NETWORK: Final = (
    "there is no local network to share the page on: connect to one, such as the phone's hotspot, "
    "and try again"
)

LISTEN: Final = 1024
"""Connections that may wait to be taken. (Chosen here; systems allow from 128 on, from memory.)"""

START_S: Final = 20.0
STOP_S: Final = 5.0


@dataclass(slots=True, kw_only=True)
class Served:
    """A page that is up.

    Attributes
    ----------
    url : str
        On this computer.
    port : int
    shared : tuple of str
        Addresses for others on the local network, without a token.
    visitors : Pass or None
        Their way in, where the page is shared.
    open_doors : callable or None
        Opens it for the local network; returns the addresses.
    usual_right : callable
        Returns what a phone may do that is let in, as the setting says.
    """

    url: str
    port: int
    shared: tuple[str, ...]
    visitors: Pass | None
    open_doors: Callable[[Pass], tuple[str, ...]] | None = None
    usual_right: Callable[[], str] = lambda: "tap"

    def link(self, right: str | None = None) -> str | None:
        """Return a link that lets one more visitor in, None where nothing is shared.

        Parameters
        ----------
        right : str, optional
            What that one may do, of `review.page.roles.RIGHTS`; by default as the setting says.
        """
        if self.visitors is None or not self.shared:
            return None
        return f"{self.shared[0]}enter?t={self.visitors.renew(right or self.usual_right())}"

    def let_in(self, right: str = "tap") -> str:
        """Return a link that lets one more visitor in; the page is shared then, if it wasn't.

        Raises
        ------
        CommandError
            There is no network to share it on.
        """
        from review.page.security import Pass

        if self.visitors is None and self.open_doors is not None:
            visitors = Pass()
            self.shared = self.open_doors(visitors)
            self.visitors = visitors
        link = self.link(right)
        if link is None:
            raise CommandError(NO_NETWORK)
        return link


def _usual_right(home: Path) -> str:
    from unhurried.app.settings import load_settings

    return str(load_settings(home)["phone_may"])


def own_addresses() -> list[str]:
    """Return this computer's addresses on the local network, the one that is used most first."""
    found = []
    with contextlib.suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        # Nothing is sent: the system only says which address it would send from. The address asked
        # for is one for documentation (RFC 5737).
        probe.connect(("192.0.2.1", 9))
        found.append(str(probe.getsockname()[0]))
    with contextlib.suppress(OSError):
        found += [
            str(info[4][0])
            for info in socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)
        ]
    return [a for a in dict.fromkeys(found) if not a.startswith("127.") and a != "0.0.0.0"]


def _listen(host: str, port: int, *, exact: bool) -> socket.socket:
    """Open the door: at the port that was asked for, or else at any that is free."""
    for wanted in (port, *(() if exact else (0,))):
        # With its protocol said: only then asyncio sends without waiting for acknowledgements,
        # which holds up each answer but the first by 40 ms.
        door = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
        door.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            door.bind((host, wanted))
        except OSError as error:
            door.close()
            if wanted == 0 or exact:
                raise CommandError(
                    f"port {port} cannot be used ({error.strerror or error}): another program may "
                    "have it; give another --port, or 0 for any that is free"
                ) from error
            continue
        # As many may be on their way in at once as the system has room for.
        door.listen(LISTEN)
        return door
    raise AssertionError("a port is either opened or refused")


def _open_doors(app: PageApp, server: DoorServer, port: int, known: Pass) -> tuple[str, ...]:
    """Open a door at each of this computer's addresses; return them.

    Raises
    ------
    CommandError
        There is no network.
    """
    doors = []
    for address in own_addresses():
        with contextlib.suppress(CommandError):
            doors.append((address, _listen(address, port, exact=False)))
    if not doors:
        raise CommandError(NO_NETWORK)
    opened = [(address, int(door.getsockname()[1])) for address, door in doors]
    app.share(known, {f"{address}:{at}" for address, at in opened})
    for _, door in doors:
        server.also(door)
    return tuple(f"http://{address}:{at}/" for address, at in opened)


@contextlib.contextmanager
def serving(
    home: Path,
    *,
    port: int | None = None,
    share: bool = False,
    live: Any = None,
    more: Mapping[str, Callable[..., Any]] | None = None,
    limits: DoorParams | None = None,
    end: Callable[[], None] | None = None,
) -> Iterator[Served]:
    """Serve the page from a thread of this process, until the block is left.

    Parameters
    ----------
    home : Path
    port : int, optional
        0: any that is free. By default `PORT`, or any where that is taken.
    share : bool
        Also for the local network, for visitors who have the link.
    live : object, optional
        The session that is going on, for the range screen.
    more : mapping of str to callable, optional
        What single screens need, see `review.page.tools.Tools`.
    limits : DoorParams, optional
        Of connections; by default as the system's own limits have it.
    end : callable, optional
        Ends the program, where that may be asked from the page.

    Yields
    ------
    Served

    Raises
    ------
    CommandError
        The port cannot be used, there is no network to share on, or the page does not start.
    """
    from review.page.app import create_app
    from review.page.security import Pass
    from unhurried.app.connections import DoorServer

    addresses = own_addresses() if share else []
    if share and not addresses:
        raise CommandError(NO_NETWORK)
    door = _listen(
        "0.0.0.0" if share else HERE,
        PORT if port is None else port,
        exact=port is not None,
    )
    at = int(door.getsockname()[1])
    visitors = Pass() if share else None
    hosts = {f"{name}:{at}" for name in (HERE, "localhost", *addresses)}
    services = PageServices(home, end)
    tools = page_tools(home, more=more, services=services)
    app = create_app(home, tools=tools, hosts=hosts, visitors=visitors, live=live)
    server = DoorServer(app, door, limits)
    thread = threading.Thread(target=server.run, name="page", daemon=True)
    thread.start()
    switch_s = sys.getswitchinterval()
    sys.setswitchinterval(SWITCH_S)
    try:
        until = time.monotonic() + START_S
        while not server.started:
            if not thread.is_alive() or time.monotonic() > until:
                raise CommandError("the page did not start: --verbose may say why")
            time.sleep(0.01)
        with watching(services.watch):
            yield Served(
                url=f"http://{HERE}:{at}/",
                port=at,
                shared=tuple(f"http://{a}:{at}/" for a in addresses),
                visitors=visitors,
                open_doors=None if share else partial(_open_doors, app, server, at),
                usual_right=partial(_usual_right, home),
            )
    finally:
        sys.setswitchinterval(switch_s)
        server.should_exit = True
        thread.join(STOP_S)
        door.close()
