"""What is asked about ball results before they are kept: by a command, a file, or typed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from library.ball_results import doubts
from sensor.recording.vocabulary import RESULT_FIELDS
from words.plain import ranges

if TYPE_CHECKING:
    from library.catalogue import Library

Result = tuple[int, Mapping[str, Any], Mapping[str, Any]]
"""Number of the swing, the result as it would be kept, and what it would replace."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubts:
    """What is to be asked before results are kept.

    Attributes
    ----------
    without_ball : tuple of int
        Numbers of swings that had no ball as far as is known.
    lines : tuple of str
        What looks as if it were in another unit, a question each.
    """

    without_ball: tuple[int, ...]
    lines: tuple[str, ...]

    def practice(self) -> str:
        """Ask about results of swings without a ball; empty where there are none."""
        if not self.without_ball:
            return ""
        return (
            f"{ranges(self.without_ball)}: a practice swing as far as is known, without a ball: is "
            "this the result of another swing?"
        )


def doubts_about(
    library: Library, session_id: str | None, results: Sequence[Result], *, more: Sequence[str] = ()
) -> Doubts:
    """Say what is doubtful about results.

    Parameters
    ----------
    library : Library
    session_id : str or None
        None: the library doesn't know the session.
    results : sequence of Result
    more : sequence of str
        Further doubts, told first.
    """
    told = dict.fromkeys(more)
    if session_id is None:
        pairs = [(result, None) for _, result, _ in results]
        told.update(dict.fromkeys(doubts(pairs, None, before=[was for *_, was in results])))
        return Doubts(without_ball=(), lines=tuple(told))
    mount = library.session(session_id).mount
    names = ("number", "kind", "player", "club", "peak_rate_dps")
    table = library.swings(session=session_id, columns=names, excluded=True)
    swings = {row["number"]: row for row in table.rows()}
    without = [n for n, result, _ in results if result and swings[n]["kind"] == "rehearsal"]
    groups: dict[tuple[Any, Any], list[Result]] = {}
    for one in results:
        row = swings[one[0]]
        groups.setdefault((row["player"], row["club"]), []).append(one)
    for (player, club), mine in groups.items():
        lines = doubts(
            [(result, swings[n]["peak_rate_dps"]) for n, result, _ in mine],
            mount,
            before=[was for *_, was in mine],
            own=_elsewhere(library, session_id, player, club, mount),
        )
        told.update(dict.fromkeys(lines))
    return Doubts(without_ball=tuple(without), lines=tuple(told))


def _elsewhere(
    library: Library, session_id: str, player: str | None, club: str | None, mount: str | None
) -> list[tuple[dict[str, Any], float | None]]:
    """A player's results with a club and a mount in other sessions, and their peak rates."""
    if player is None:
        return []
    return [
        ({name: row[name] for name in RESULT_FIELDS}, row["peak_rate_dps"])
        for row in library.results(player=player).rows()
        if row["session"] != session_id and (row["club"], row["mount"]) == (club, mount)
    ]
