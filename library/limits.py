"""What a coach caps for a player, for an injury or an age: how far a turn goes, how many swings."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Annotated, Final, Literal

from msgspec import Meta

from sensor.recording.schema import Text, Word, check
from words.guard import left_out

AIM_UNDER: Final = 0.95
"""Where the turn is capped, the bell's full turn lies a little under the cap."""

Share = Annotated[float, Meta(ge=0.3, le=1.0, description="a share of the full turn, 0.3 to 1")]
Most = Annotated[int, Meta(ge=1, le=1000, description="a whole number from 1 to 1000")]


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitsRecord:
    """A coach's limits for a player; those taken away are None.

    Attributes
    ----------
    turn_share : float or None
        The turn goes no further than this share of the player's own full turn, whatever the club
        and the sensor's place.
    swings_day : int or None
        No more swings a day, of any kind.
    without : tuple of {"bell", "top"}
        Sounds that are left out: the full bell while going back, the sound at the top.
    why : str or None
        In the coach's words: an injury, an age.
    at : str
        When, ISO 8601 in UTC; None where nothing was ever said.
    """

    turn_share: Share | None = None
    swings_day: Most | None = None
    without: tuple[Literal["bell", "top"], ...] = ()
    why: Text | None = None
    at: Word | None = None

    def __post_init__(self) -> None:
        check(self)

    @property
    def any(self) -> bool:
        """Whether anything is capped or left out."""
        return self.turn_share is not None or self.swings_day is not None or bool(self.without)

    @property
    def words(self) -> str:
        """What is capped, in words; empty where nothing is."""
        parts = []
        if self.turn_share is not None:
            parts.append(f"turn at most {100.0 * self.turn_share:.0f} % of full")
        if self.swings_day is not None:
            parts.append(f"at most {self.swings_day} swings a day")
        if self.without:
            parts.append(left_out(self.without))
        if parts and self.why:
            parts.append(self.why)
        return ", ".join(parts)


def said(before: LimitsRecord, now: LimitsRecord) -> LimitsRecord:
    """Return limits as they are said now, with when; those of before where nothing changed."""
    same = dataclasses.replace(now, at=before.at) == before
    return before if same else dataclasses.replace(now, at=datetime.now(UTC).isoformat())


def left_out_too(limits: LimitsRecord, sound: str) -> LimitsRecord:
    """Return limits with a sound left out as well.

    Raises
    ------
    SchemaError
        There is no such sound.
    """
    without = tuple(sorted({*limits.without, sound}))
    return said(limits, dataclasses.replace(limits, without=without))  # type: ignore[arg-type]


def newer(one: LimitsRecord, other: LimitsRecord) -> LimitsRecord:
    """Return what was said last; of two said at once the stricter one."""
    if (one.at or "") != (other.at or ""):
        return max(one, other, key=lambda limits: limits.at or "")
    shares = [x.turn_share for x in (one, other) if x.turn_share is not None]
    swings = [x.swings_day for x in (one, other) if x.swings_day is not None]
    return LimitsRecord(
        turn_share=min(shares, default=None),
        swings_day=min(swings, default=None),
        without=tuple(sorted({*one.without, *other.without})),
        why=max(filter(None, (one.why, other.why)), default=None),
        at=one.at,
    )


def capped(
    full_turn_deg: float | None, upper_turn_deg: float | None, limits: LimitsRecord
) -> tuple[float | None, float | None]:
    """Return the full turn that a bell, a plan or homework goes by, and where it is past full.

    Parameters
    ----------
    full_turn_deg, upper_turn_deg : float or None
        The player's own, as without limits.
    limits : LimitsRecord

    Returns
    -------
    full_turn_deg, upper_turn_deg : float or None
        None where it isn't known.
    """
    if full_turn_deg is None or limits.turn_share is None:
        return full_turn_deg, upper_turn_deg
    most = limits.turn_share * full_turn_deg
    upper = most if upper_turn_deg is None else min(most, upper_turn_deg)
    return min(full_turn_deg, AIM_UNDER * most), upper
