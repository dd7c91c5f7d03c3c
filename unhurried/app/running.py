"""Whether a home's page is up already: whoever starts the program again wants to see it."""

from __future__ import annotations

import contextlib
import json
import os
import socket
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Final

RUNNING_FILE: Final = "page.json"
ASK_S: Final = 0.5


def running_page(home: Path) -> str | None:
    """Return the address of the page that is up for a home, None if there is none.

    Parameters
    ----------
    home : Path
    """
    try:
        found = json.loads((home / RUNNING_FILE).read_text(encoding="utf-8"))
        port, process = int(found["port"]), int(found["process"])
    except (OSError, ValueError, KeyError, TypeError):
        return None
    if sys.platform != "win32":
        # There a signal of 0 would end it.
        try:
            os.kill(process, 0)
        except (OSError, OverflowError):
            return None
    try:
        with socket.create_connection(("127.0.0.1", port), timeout=ASK_S):
            return f"http://127.0.0.1:{port}/"
    except (OSError, OverflowError):
        return None


@contextlib.contextmanager
def told_running(home: Path, port: int) -> Iterator[None]:
    """Say that a home's page is up at a port, until the block is left.

    Parameters
    ----------
    home : Path
    port : int
    """
    file = home / RUNNING_FILE
    mine = json.dumps({"port": port, "process": os.getpid()})
    with contextlib.suppress(OSError):
        file.write_text(mine + "\n", encoding="utf-8")
    try:
        yield
    finally:
        with contextlib.suppress(OSError):
            # Another one may be up since.
            if file.read_text(encoding="utf-8").strip() == mine:
                file.unlink()
