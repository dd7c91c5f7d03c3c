"""The page beside a recording or drill of this process: up, shared, and there afterwards."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from unhurried.app.errors import CommandError, OptionsError, show
from unhurried.app.shutdown import Shutdown

if TYPE_CHECKING:
    from review.page.livehub import LiveHub
    from review.page.security import Visitor
    from unhurried.app.drill_run import DrillRun
    from unhurried.app.page_desk import PageDesk
    from unhurried.app.serve import Served


@contextlib.contextmanager
def live_hub(home: Path, *, hub: LiveHub | None = None, **options: Any) -> Iterator[LiveHub]:
    """Give the hub of a process that serves the page; what still runs at the end is ended.

    Parameters
    ----------
    home : Path
    hub : LiveHub, optional
        A new one by default.
    **options
        Of `PageStarter`.
    """
    from review.page.livehub import LiveHub
    from unhurried.app.page_start import PageStarter

    hub = LiveHub() if hub is None else hub
    starter = PageStarter(hub, home, **options)
    hub.starter = starter
    try:
        yield hub
    finally:
        starter.close()
        hub.close()


class Sharing:
    """Who is let in to a page that is up; see `review.page.livehub.Sharing`.

    Parameters
    ----------
    up : Served
    """

    def __init__(self, up: Served) -> None:
        self._up = up

    def invite(self, right: str) -> tuple[str, str]:
        """Make a link for one more visitor, and its code as SVG.

        Raises
        ------
        LiveError
            There is no network to share the page on.
        """
        import segno

        from review.page.livehub import LiveError

        try:
            link = self._up.let_in(right)
        except CommandError as error:
            raise LiveError(str(error)) from error
        return link, segno.make(link, micro=False).svg_data_uri(scale=6, border=4)

    def inside(self) -> tuple[Visitor, ...]:
        """Return who was let in."""
        return () if self._up.visitors is None else self._up.visitors.inside

    def leave(self, visitor: str) -> str | None:
        """Ask a visitor to leave; return its name, None where it isn't in."""
        left = None if self._up.visitors is None else self._up.visitors.leave(visitor)
        return None if left is None else left.name


@dataclass(frozen=True, slots=True)
class LivePage:
    """A page that is up beside a recording or drill of this process."""

    hub: LiveHub
    home: Path
    up: Served

    def desk(
        self,
        kind: str,
        run: DrillRun | None = None,
        *,
        known_as: Mapping[str, str] | None = None,
        to_library: bool = True,
    ) -> PageDesk:
        """Return what puts a recording or drill at the page's disposal; see `PageDesk`."""
        from unhurried.app.page_desk import PageDesk

        return PageDesk(
            self.hub,
            self.home,
            kind,
            run,
            more_codes=None if self.up.visitors is None else self.show_code,
            known_as=known_as,
            to_library=to_library,
        )

    def show_code(self) -> None:
        """Show a code for one more visitor on the terminal."""
        from unhurried.app.invite import show_code

        link = self.up.link()
        if link is not None:
            show_code(link)
            if self.hub.state.running:
                show("a code shown before that nobody used yet no longer works")

    def _stays(self, desk: PageDesk, *, by_itself: bool) -> bool:
        return desk.taps.ended_here or (by_itself and sys.stderr.isatty())

    def take_in(self, desk: PageDesk, *, by_itself: bool) -> list[str]:
        """Take a recording in, if the library is to have it, and say so on page and terminal.

        Parameters
        ----------
        desk : PageDesk
        by_itself : bool
            It came to its end. Without a terminal the page then ends, too.

        Returns
        -------
        list of str
            Ids of what the library has now.
        """
        desk.keep(stays=self._stays(desk, by_itself=by_itself))
        for one in desk.kept:
            show(f"in the library as {one[:8]} ({self.home})")
        there = sum(bool(one.status.received) for one in desk.sessions)
        if desk.to_library and len(desk.kept) < there:
            show("the recording is not in the library yet: the page says why")
        return desk.kept

    def stay(self, desk: PageDesk, end: Shutdown, *, by_itself: bool) -> None:
        """Leave the page up to look at what was recorded, until `end` is asked for."""
        if end.asked or not self._stays(desk, by_itself=by_itself):
            return
        show("the page stays up to look at it; Ctrl-C ends it")
        end.wait()


@contextlib.contextmanager
def live_page(
    home: Path, *, page: bool, port: int | None, share: bool
) -> Iterator[LivePage | None]:
    """Serve the page beside a recording of this process, if it was asked for.

    Parameters
    ----------
    home : Path
    page, port, share
        Of `page_options`.

    Yields
    ------
    LivePage or None

    Raises
    ------
    OptionsError
        --port or --share without --page.
    CommandError
        The port cannot be used, or there is no network to share the page on.
    """
    if not page:
        for name, given in (("--port", port is not None), ("sharing it", share)):
            if given:
                raise OptionsError(f"{name} is for the page: give --page as well")
        yield None
        return
    from unhurried.app.serve import serving

    with (
        live_hub(home) as hub,
        serving(home, port=port, share=share, live=hub) as up,
        contextlib.closing(hub),
    ):
        hub.sharing = Sharing(up)
        found = LivePage(hub, home, up)
        show(f"the page is up: {up.url}range")
        if share:
            found.show_code()
        try:
            yield found
        except Exception as error:
            _tell_end(hub, error)
            raise


def _tell_end(hub: LiveHub, error: Exception) -> None:
    """Say on the page why it is over, before the page goes."""
    from unhurried.app.page_desk import PageDesk

    if hub.state.running:
        desk = hub.desk
        if isinstance(desk, PageDesk):
            with contextlib.suppress(Exception):
                desk.keep(error, stays=False)
    hub.close()
