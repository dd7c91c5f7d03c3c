"""What the page asks of the house, and does not do by itself: files, settings, backup, the demo.

`unhurried` hands it in (`unhurried/app/page_services.py`), for the rooms' sake, like `Tools`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

Say = Callable[[str, float | None], None]
"""Told what is being done, and the share of it that is done, None where that isn't known."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Done:
    """What came of work.

    Attributes
    ----------
    text : str
        One line.
    lines : tuple of str
        What else is to be said.
    url : str
        Where it is to be seen; empty: nowhere.
    wrong : bool
        It could not be done.
    """

    text: str
    lines: tuple[str, ...] = ()
    url: str = ""
    wrong: bool = False


class Services(Protocol):
    """What the house does for the page. Errors are those of the rooms, in one line each."""

    def invented(self) -> tuple[str, ...]:
        """Return the names of the invented players that are there."""
        ...

    def make_invented(self, say: Say, *, first: bool = False) -> Done:
        """Make the invented players, or only the first of them."""
        ...

    def remove_invented(self) -> Done:
        """Remove them with all that was recorded for them by simulated sensors."""
        ...

    def make_shortcut(self) -> Done:
        """Put a shortcut to the program where this system's people look for one."""
        ...

    def close_program(self) -> bool:
        """End the program, if that can be asked from the page."""
        ...
