"""unhurried review: the coach's page in a browser."""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from types import FrameType
from typing import Final

import click

from unhurried.errors import CommandError, show
from unhurried.home import home_folder, home_log, home_option


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
    terminal may see and change what the page shows; Enter makes a code for one more visitor, and
    the one before no longer works.

    \b
    Examples:
      unhurried review
      unhurried review --no-browser --port 0
      unhurried review --share
    """
    from review.attached import CLIP_FOLDER
    from unhurried.pages import invite_of, live_hub
    from unhurried.serve import serving

    where = home_folder(home)
    with contextlib.suppress(OSError):
        # Where the page looks for films, so that there is a place to put them.
        (where / CLIP_FOLDER).mkdir(parents=True, exist_ok=True)
    with (
        home_log(where),
        until_stopped() as stopped,
        live_hub(where) as hub,
        serving(where, port=port, share=share, live=hub) as up,
        contextlib.closing(hub),
    ):
        hub.invite = invite_of(up)
        click.echo(up.url)
        sys.stdout.flush()
        if check:
            _check(up.url)
            return
        link = up.link()
        if link is not None:
            show_code(link)
            _more_codes(up.link, stopped)
        if not no_browser:
            _open(up.url)
        show("the page is up; Ctrl-C ends it")
        # In slices: a wait without end can't be interrupted everywhere.
        while not stopped.wait(0.5):
            pass


@contextlib.contextmanager
def until_stopped() -> Iterator[threading.Event]:
    """Give what is set at Ctrl-C or when the system asks the program to end."""
    stopped = threading.Event()

    def stop(_signal: int, _frame: FrameType | None) -> None:
        stopped.set()

    before = {kind: signal.signal(kind, stop) for kind in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield stopped
    finally:
        for kind, handler in before.items():
            signal.signal(kind, handler)


QUIET_MODULES: Final = 4
"""Light border of a code (ISO/IEC 18004)."""

BLACK_ON_WHITE: Final = "\x1b[38;5;16;48;5;231m"
"""Both set outright, from the part of the 256 colours that no terminal's theme changes: a code
whose light and dark are changed about isn't read by every phone."""


def show_code(link: str) -> None:
    """Draw a link as a code on stderr, and write it below."""
    why = _undrawable()
    if why is None:
        lines = code_lines(link)
        wide = len(lines[0])
        if shutil.get_terminal_size().columns < wide:
            why = f"the window is narrower than the code's {wide} columns"
        else:
            for line in lines:
                click.echo(f"{BLACK_ON_WHITE}{line}\x1b[0m", err=True, color=True)
    if why is None:
        click.echo(f"scan the code, or type this once: {link}", err=True)
    else:
        click.echo(f"no code is drawn ({why}): type this once: {link}", err=True)


def code_lines(link: str) -> list[str]:
    """Return a link's code in lines of text, two rows of modules a line."""
    import segno

    rows = [list(row) for row in segno.make(link, micro=False).matrix_iter(border=QUIET_MODULES)]
    if len(rows) % 2:
        rows.append([0] * len(rows[0]))
    return [
        "".join(" ▄▀█"[2 * bool(up) + bool(down)] for up, down in zip(*two, strict=True))
        for two in zip(rows[::2], rows[1::2], strict=True)
    ]


def _undrawable() -> str | None:
    """Return why no code can be drawn on stderr, None where it can be."""
    if not sys.stderr.isatty():
        return "this is no terminal"
    if os.environ.get("NO_COLOR"):
        return "NO_COLOR is set"
    term = os.environ.get("TERM", "")
    if sys.platform != "win32" and (term in ("", "dumb") or term.startswith("vt")):
        return "the terminal has no colours"
    try:
        "▄▀█".encode(sys.stderr.encoding or "ascii")
    except UnicodeEncodeError:
        return "the terminal can't show its signs"
    return None


def _more_codes(link: object, stopped: threading.Event) -> None:
    """Make a new code at each Enter, as long as there is a terminal."""
    if not sys.stdin.isatty():
        return

    def listen() -> None:
        for _ in sys.stdin:
            if stopped.is_set():
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
    import re
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
