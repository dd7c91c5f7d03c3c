"""What the page has done by the house; see `review.page.services.Services`."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from review.page.services import Done, Say
from words.plain import count

if TYPE_CHECKING:
    from library.catalogue import Library


class PageServices:
    """What the page asks of the house.

    Parameters
    ----------
    home : Path
    usual : Path or None
        The usual home.
    end : callable, optional
        Ends the program.
    """

    def __init__(
        self, home: Path, usual: Path | None, end: Callable[[], None] | None = None
    ) -> None:
        self._home = Path(home)
        self._usual = usual
        self._end = end

    def _library(self) -> Library:
        from unhurried.app.ingest import open_library

        return open_library(self._home)

    # -- the start -------------------------------------------------------------------------------

    def invented(self) -> tuple[str, ...]:
        """Return the names of the invented players; see `Services`."""
        from unhurried.app.invented import invented_ids

        ids = invented_ids(self._home)
        if not ids:
            return ()
        with self._library() as library:
            return tuple(one.name for one in library.people.all() if one.id in ids)

    def make_invented(self, say: Say, *, first: bool = False) -> Done:
        """Make the invented players; see `Services`."""
        from unhurried.app.invented import FOLDER, make_demo_library
        from unhurried.app.invented_people import PEOPLE

        people = PEOPLE[:1] if first else PEOPLE
        # One processor is left to whoever looks at the page.
        workers = max(1, min(2, (os.cpu_count() or 1)))
        make_demo_library(
            self._home, self._home / FOLDER, say, workers=workers, people=people, fresh=True
        )
        names = [person.name for person in people]
        return Done(text=f"{count(len(names), 'invented player')} made.", url="/")

    def remove_invented(self) -> Done:
        """Remove the invented players; see `Services`."""
        from unhurried.app.invented import remove_invented

        with self._library() as library:
            removed, stayed = remove_invented(library)
        text = f"{count(removed, 'invented player')} removed."
        if stayed:
            text += f" {', '.join(stayed)} stayed: there are swings of a real sensor."
        return Done(text=text)

    def make_shortcut(self) -> Done:
        """Put a shortcut where people look for one; see `Services`."""
        from unhurried.app.shortcut import make_shortcut

        usual = self._usual is not None and self._home.absolute() == self._usual.absolute()
        made = make_shortcut(None if usual else self._home)
        where = " and ".join(sorted({one.parent.name for one in made}))
        where = where.replace("applications", "the menu").replace("Desktop", "the desktop")
        return Done(text=f"A shortcut is in {where}.")

    def close_program(self) -> bool:
        """End the program; see `Services`."""
        if self._end is None:
            return False
        self._end()
        return True
