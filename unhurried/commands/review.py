"""unhurried review: the coach's page in a browser."""

from __future__ import annotations

import contextlib
import re
import sys
import threading
from pathlib import Path

import click

from unhurried.app.errors import CommandError, show
from unhurried.app.home import home_folder, home_log
from unhurried.app.invite import show_code
from unhurried.app.shutdown import Shutdown, shutdown_on_signals
from unhurried.commands.options import home_option


@click.command(name="review")
@click.option(
    "--port",
    type=click.IntRange(0, 65535),
    metavar="N",
    help="Port of the page; 0 is any that is free.  [default: 8737, or any]",
)
@click.option("--no-browser", is_flag=True, help="Don't open a browser; only print the address.")
@click.option(
    "--share",
    is_flag=True,
    help="Also for a phone on the same network; a code to scan lets one visitor in.",
)
@click.option(
    "--check",
    is_flag=True,
    help="Ask for every player's screens once, say whether they came, and end.",
)
@home_option
def command(
    port: int | None, no_browser: bool, share: bool, check: bool, home: Path | None
) -> None:
    """Look at players, sessions and swings in a browser.

    The page is served by this computer, for this computer alone unless --share is given, and
    nothing is fetched from elsewhere. Ctrl-C ends it. With --share, whoever scans the code in the
    terminal may look, and tap at the range; Enter makes a code for one more visitor, and the one
    before no longer works.

    \b
    Examples:
      unhurried review
      unhurried review --no-browser --port 0
      unhurried review --share
    """
    from library.clips import CLIP_FOLDER
    from unhurried.app.pages import Sharing, live_hub
    from unhurried.app.running import running_page, told_running
    from unhurried.app.serve import serving

    where = home_folder(home)
    there = running_page(where) if port is None and not (share or check or no_browser) else None
    if there is not None:
        click.echo(there)
        _open(there)
        show("the page was up already, and goes on where it was started")
        return
    with contextlib.suppress(OSError):
        # Where the page looks for films, so that there is a place to put them.
        (where / CLIP_FOLDER).mkdir(parents=True, exist_ok=True)
    with (
        home_log(where),
        shutdown_on_signals() as end,
        live_hub(where) as hub,
        serving(where, port=port, share=share, live=hub, end=end.ask) as up,
        told_running(where, up.port),
        contextlib.closing(hub),
    ):
        hub.sharing = Sharing(up)
        click.echo(up.url)
        sys.stdout.flush()
        if check:
            _check(up.url)
            return
        link = up.link()
        if link is not None:
            show_code(link)
            _more_codes(up.link, end)
        if not no_browser:
            _open(up.url)
        show("the page is up; Ctrl-C ends it")
        end.wait()


def _more_codes(link: object, end: Shutdown) -> None:
    """Make a new code at each Enter, as long as there is a terminal."""
    if not sys.stdin.isatty():
        return

    def listen() -> None:
        for _ in sys.stdin:
            if end.asked:
                return
            new = link() if callable(link) else None
            if new is not None:
                show_code(new)
                show("a code shown before that nobody used yet no longer works")

    threading.Thread(target=listen, name="codes", daemon=True).start()


def _open(url: str) -> None:
    """Open a browser, if there is one; not being able to is no failure."""
    import webbrowser

    with contextlib.suppress(webbrowser.Error, OSError):
        if webbrowser.open(url):
            return
    show(f"no browser could be opened: open {url} yourself")


def _check(url: str) -> None:
    """Ask for the players and all that they link to.

    Raises
    ------
    CommandError
        A screen doesn't come.
    """
    import urllib.error
    import urllib.request

    def ask(path: str) -> str:
        try:
            # The page of this process, on this computer.
            with urllib.request.urlopen(f"{url}{path.lstrip('/')}", timeout=60) as answer:
                return str(answer.read().decode())
        except (urllib.error.URLError, OSError) as error:
            raise CommandError(f"{path}: the screen doesn't come: {error}") from error

    first = ask("/?whole=1")
    links = dict.fromkeys(re.findall(r'href="(/(?:player|session)/[^"#?]+)', first))
    for path in links:
        ask(path)
    show(f"{1 + len(links)} screens came")
