"""The library for who only looks: ``unhurried.Library``."""

from __future__ import annotations

from collections.abc import Sequence
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

from library.catalogue import Library as Catalogue
from library.errors import LibraryError
from library.queries import STANDARD_COLUMNS
from unhurried.app.errors import CommandError
from unhurried.app.home import home_folder

if TYPE_CHECKING:
    import pandas as pd

    from library.rows import GroupRow, PlayerRow, SessionRow, Summary, SwingDetail


class Library:
    """The library of a home, to be read: nothing is made and nothing is written.

    Also a context manager, which closes it.

    Parameters
    ----------
    home : path, optional
        Left out: the environment variable ``UNHURRIED_HOME``, else the system's place for such
        data, as for the commands.

    Attributes
    ----------
    home : Path

    Raises
    ------
    LibraryError
        There is none, it is damaged, or another version of the program made it.

    Notes
    -----
    A player, session or club is asked for by the id or name that the answers have. Commands, and
    nothing here, add to it (``unhurried library``).
    """

    def __init__(self, home: str | PathLike[str] | None = None) -> None:
        try:
            self.home = home_folder(None if home is None else Path(home))
        except CommandError as error:
            raise LibraryError(str(error)) from error
        self._catalogue = Catalogue(self.home, read_only=True)

    def players(self) -> list[PlayerRow]:
        """Return every player, by name."""
        return self._catalogue.players()

    def groups(self, player: str | None = None) -> list[GroupRow]:
        """Return what was swung with which club and mount, by all or by a player (id or name)."""
        return self._catalogue.groups(self._player(player))

    def sessions(
        self, *, player: str | None = None, club: str | None = None, mount: str | None = None
    ) -> list[SessionRow]:
        """Return the sessions, newest first; of a player (id or name), a club, a mount."""
        return self._catalogue.sessions(player=self._player(player), club=club, mount=mount)

    def swings(
        self,
        *,
        session: str | None = None,
        player: str | None = None,
        club: str | None = None,
        mount: str | None = None,
        kind: str | None = None,
        part: bool | None = None,
        excluded: bool = False,
        columns: Sequence[str] = STANDARD_COLUMNS,
    ) -> pd.DataFrame:
        """Return one row a swing, in the order of time, with what people corrected.

        Parameters
        ----------
        session : str, optional
            Id of a recording.
        player : str, optional
            Id or name.
        club, mount : str, optional
        kind : {"strike", "rehearsal", "unclear"}, optional
        part : bool, optional
            Only part swings, or only others.
        excluded : bool
            Also those that people left out.
        columns : sequence of str
            From `library.store.COLUMNS`: every number of a swing and its ``_u``, what was felt,
            every ball result.

        Returns
        -------
        pandas.DataFrame
            Units are in the names; numbers are float64 with NaN where there is none.

        Raises
        ------
        NoSuchError
            There is no such player.
        ValueError
            There is no such column.
        """
        from unhurried.app.frames import table_frame

        return table_frame(
            self._catalogue.swings(
                session=session,
                player=self._player(player),
                club=club,
                mount=mount,
                kind=kind,
                part=part,
                excluded=excluded,
                columns=columns,
            )
        )

    def swing(self, session: str, number: int) -> SwingDetail:
        """Return all that is known of one swing: measured, corrected, felt, its ball result.

        Raises
        ------
        NoSuchError
            There is no such session or swing.
        """
        return self._catalogue.swing(self._catalogue.session(session).id, number=number)

    def summaries(self, **filters: Any) -> list[Summary]:
        """Return middle and spread of measures by session, in the order of time.

        Parameters
        ----------
        **filters
            ``player`` (id or name), ``session``, ``club``, ``mount``, ``part``, ``kind``, and the
            names of ``measures``.
        """
        filters["player"] = self._player(filters.get("player"))
        return self._catalogue.summaries(**filters)

    def __repr__(self) -> str:
        return f"<Library {str(self.home)!r}>"

    def close(self) -> None:
        """Close the database."""
        self._catalogue.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _player(self, text: str | None) -> str | None:
        return None if text is None else self._catalogue.player(text).id
