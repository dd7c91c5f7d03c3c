"""The one place through which all text goes to a terminal: nothing in it may play with that.

Names of folders, of sensors and of whoever wrote a file come from outside. On its way out, text
loses every control character but line ends and tabs, and those few sequences that this program's
own status lines are made of.
"""

from __future__ import annotations

import contextlib
import re
import sys
from collections.abc import Iterable, Iterator
from typing import Any, Final, TextIO, cast

# ECMA-48: C0 without tab and line feed, DEL, and C1, in which a terminal may see an ESC too.
_CONTROL: Final = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f]")
# Go to the beginning of the line, up or to the beginning of a line above, clear to the end of the
# line or screen, hide and show the cursor: the status lines here and click's bars of progress. Go
# to the top: a drill's figures. Black on white and back (`unhurried.app.invite`): a link's code.
_OURS: Final = r"\r|\x1b\[(?:\d{0,3}[AF]|[HJK]|\?25[hl]|38;5;16;48;5;231m|0m)"
_STATUS: Final = re.compile(f"({_OURS})|[\x00-\x08\x0b-\x1f\x7f-\x9f]")


def plain_text(text: str, *, status: bool = False) -> str:
    """Return text without anything that a terminal would obey.

    Parameters
    ----------
    text : str
    status : bool
        Let through what status lines are made of.
    """
    if status:
        return _STATUS.sub(lambda found: found[1] or "?", text)
    return _CONTROL.sub("?", text)


class _Plain:
    """A stream that keeps from its terminal what that would obey; else the stream it stands for."""

    def __init__(self, stream: TextIO, *, status: bool) -> None:
        self._stream = stream
        self._status = status

    def write(self, text: str, /) -> int:
        """Write text; what a terminal would obey is shown as question marks."""
        self._stream.write(plain_text(text, status=self._status))
        return len(text)

    def writelines(self, lines: Iterable[str], /) -> None:
        """Write lines."""
        for line in lines:
            self.write(line)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)


@contextlib.contextmanager
def plain_streams() -> Iterator[None]:
    """Let everything that is printed inside the block pass `plain_text`.

    Status lines are written to stderr only.
    """
    before = sys.stdout, sys.stderr
    if sys.stdout is not None:
        sys.stdout = cast("TextIO", _Plain(sys.stdout, status=False))
    if sys.stderr is not None:
        sys.stderr = cast("TextIO", _Plain(sys.stderr, status=True))
    try:
        yield
    finally:
        sys.stdout, sys.stderr = before
