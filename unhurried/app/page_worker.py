"""The page's helper process, started by the page (``python -m unhurried.app.page_worker HOME``)."""

from __future__ import annotations

import contextlib
import os
import signal
import sys
from pathlib import Path

NICER = 5
"""How far the helper stands back behind what is live: sound, sensor and screens."""


def main(home: Path) -> None:
    """Answer on standard input and output until the page has ended."""
    from review.page.app import Page
    from review.page.worker import answer
    from unhurried.app.page_tools import page_tools

    # A Ctrl-C at the terminal is for the page, which then ends this.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    with contextlib.suppress(OSError, AttributeError):
        os.nice(NICER)
    # Whatever prints must not get between the answers.
    told = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    page = Page(home, page_tools(home), None, None)
    try:
        with contextlib.suppress(BrokenPipeError):
            answer(page, sys.stdin.buffer, told)
    finally:
        page.close()


if __name__ == "__main__":
    main(Path(sys.argv[1]))
