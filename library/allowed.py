"""What a player may swing today, by what the coach capped."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from library.catalogue import Library
from library.limits import LimitsRecord, capped


@dataclass(frozen=True, slots=True, kw_only=True)
class Allowed:
    """What a bell, a drill, a plan or homework has to obey.

    Attributes
    ----------
    limits : LimitsRecord
    swings_left : int or None
        How many swings are left today; None: not capped.
    fewer : bool
        A child, or somebody whose turn is capped: the shorter sets.
    """

    limits: LimitsRecord
    swings_left: int | None
    fewer: bool

    def turn(
        self, full_turn_deg: float | None, upper_turn_deg: float | None
    ) -> tuple[float | None, float | None]:
        """Return the full turn to go by, and where it is past full; see `library.limits.capped`."""
        return capped(full_turn_deg, upper_turn_deg, self.limits)

    def swings(self, wanted: int) -> int:
        """Return how many of so many swings are allowed today."""
        return wanted if self.swings_left is None else min(wanted, self.swings_left)


def allowed(library: Library, player_id: str) -> Allowed:
    """Return what a player may swing today.

    All swings of the day count, whatever club and place, also those that were left out.

    Raises
    ------
    NoSuchError
        There is no such player.
    """
    player = library.player(player_id)
    limits = player.limits
    left = None
    if limits.swings_day is not None:
        today = date.today().isoformat()
        table = library.swings(player=player.id, columns=("day",), excluded=True)
        left = max(0, limits.swings_day - sum(day == today for day in table["day"]))
    fewer = player.child or limits.turn_share is not None
    return Allowed(limits=limits, swings_left=left, fewer=fewer)
