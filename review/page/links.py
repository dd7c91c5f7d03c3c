"""Addresses of screens, and swings by the ids that the evidence has."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final
from urllib.parse import urlencode

from library.catalogue import Library
from review.formatting import day_of, day_words

MOST_LINKS: Final = 40
"""Swings behind one number that are linked one by one; the rest by session."""


def session_url(session: str, **params: Any) -> str:
    """Address of a session."""
    return _with(f"/session/{session}", params)


def swing_url(session: str, number: int) -> str:
    """Address of a swing."""
    return f"/session/{session}/swing/{number}"


def pair_url(a: tuple[str, int], b: tuple[str, int], align: str = "takeaway") -> str:
    """Address of two swings side by side."""
    return f"/pair?a={a[0]}~{a[1]}&b={b[0]}~{b[1]}&align={align}"


def wall_url(a: tuple[str, int], b: tuple[str, int]) -> str:
    """Address of two swings for a room to see."""
    return f"/wall?a={a[0]}~{a[1]}&b={b[0]}~{b[1]}"


def trend_url(player: str, club: str | None, mount: str | None, **params: Any) -> str:
    """Address of a player's screen over time."""
    return _with(f"/player/{player}/trend", {"club": club or "", "mount": mount or "", **params})


def _with(path: str, params: Mapping[str, Any]) -> str:
    there = {name: value for name, value in params.items() if value is not None}
    return f"{path}?{urlencode(there)}" if there else path


class SwingLinks:
    """Links for the swings that a number comes from.

    Parameters
    ----------
    library : Library
    here : str, optional
        The session that is shown: its swings need no day.
    days : mapping of str to int, optional
        Day numbers of sessions, where they are known.
    """

    def __init__(
        self, library: Library, here: str | None = None, days: Mapping[str, int] | None = None
    ) -> None:
        self._library = library
        self._here = here
        self._days = {session: day_of(day) for session, day in (days or {}).items()}

    def day(self, session: str) -> str:
        """Return the day of a session in words."""
        if session not in self._days:
            self._days[session] = day_words(self._library.session(session).start)
        return self._days[session]

    def groups(self, swing_ids: Sequence[str]) -> list[dict[str, Any]]:
        """Sort swings by session, those of the session that is shown first.

        Returns
        -------
        list of dict
            ``day`` (None: here), ``url`` of the session, ``swings`` as (number, address) up to a
            limit, and ``n``.
        """
        by: dict[str, list[int]] = {}
        for one in swing_ids:
            session, _, number = one.rpartition("#")
            by.setdefault(session, []).append(int(number))
        out = []
        left = MOST_LINKS
        for session in sorted(by, key=lambda s: s != self._here):
            numbers = sorted(by[session])
            shown = numbers[:left] if session == self._here or len(numbers) <= left else []
            left -= len(shown)
            out.append(
                {
                    "day": None if session == self._here else self.day(session),
                    "url": session_url(session),
                    "swings": [(n, swing_url(session, n)) for n in shown],
                    "n": len(numbers),
                }
            )
        return out
