"""What the live turn goes by and what it says: its target, its thresholds, its events."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

Kind = Literal["takeaway", "full", "over", "top", "lapsed"]

BLOCK_S: Final = 0.02
"""Between two decisions: a tenth of the shortest downswing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TurnTarget:
    """The player's own full turn for this club and mount, and when to speak.

    Attributes
    ----------
    full_turn_deg : float
    share : float
        Share of it from which a turn is called full.
    upper_turn_deg : float, optional
        Beyond this it is more than the player's own.
    lead_s : float
        How much earlier to speak: from a sample's moment until its tone is heard.
    """

    full_turn_deg: float
    share: float = 0.95
    upper_turn_deg: float | None = None
    lead_s: float = 0.0

    @property
    def threshold_deg(self) -> float:
        """Turn from which it is full."""
        return self.share * self.full_turn_deg


@dataclass(frozen=True, slots=True, kw_only=True)
class LiveTurnParams:
    """What a backswing looks like while it is going on."""

    begin_dps: float = 25.0
    """Rate from which something may have begun; sway is a few degrees a second."""
    least_turn_deg: float = 25.0
    """What comes back before is a waggle."""
    takeaway_turn_deg: float = 12.0
    """Turn at which a takeaway is told: waggles are 4 to 15 degrees there and back (see
    simulation/motion/README.md), and a swing has by then been going for about a quarter second."""
    back_deg: float = 3.0
    """So far back from its greatest, the turn has had its top."""
    quiet_s: float = 0.6
    restless_dps: float = 35.0
    """Lower quartile of the rate over that time before: as the finder has it."""
    backswing_s: tuple[float, float] = (0.25, 5.0)
    like_deg: float = 20.0
    """How far address and axis of the turn may lie from those of a known swing, in the sensor's
    frame: some degrees in simulated swings; most other motion is further off."""
    begin_like_deg: float = 35.0
    """The same for the axis of the first degrees, which waver."""
    like_time: tuple[float, float] = (0.5, 3.2)
    """Time so far as a share of a known one's whole backswing; in slow motion it is up to three
    times as long."""
    plain_for_s: float = 60.0
    """What is like anybody's backswing is confirmed until a swing of the player is known, but no
    longer than this: who hasn't swung by then is doing something else, and the tone waits for the
    first swing."""
    most_beyond: float = 1.2
    """How far beyond the full turn a backswing may go that is still asked to slow down as if it
    ended there (`_slows`): a player's turns vary by some per cent, the longest by a tenth or two.
    What turns to somewhere else is often at its fastest where a backswing is nearly at its top."""
    learn_upright: tuple[float, float] = (0.20, 0.97)
    learn_straight: float = 0.80
    """What is learned as the player's swing has to lie in an inclined plane and to go one way: at
    times the finder takes other motion for a swing, and from then on that would be confirmed. The
    limits are wide (at the top of simulated swings 0.3 to 0.9, and 0.85 or straighter), as a
    player's own may be unlike others'. The side isn't asked for: the hand may be given wrongly."""
    downswing_share: float = 1.5
    """A downswing is faster than its backswing by at least this: it takes about a third of the
    time. Coming back to address after a swing that was given up is not."""
    finish_deg: float = 25.0
    """So near to the attitude in which the last downswing ended, something begins in its finish:
    the club is lowered, or the next stroke goes back without an address. There is room for the
    last tenth of the rate that the follow-through then still has, and for settling. A finish that
    isn't twice as far from its own address (after a small swing) isn't taken for one."""
    finish_s: float = 5.0
    """How long that attitude holds: a finish is held for a second or two (common practice, no
    source), and without the gyroscope's bias the attitude drifts by some degrees a second."""
    memory_s: float = 8.0
    """A swing is found within some seconds of its top ..."""
    same_turn: float = 0.05
    """... and has the same turn but for the sensor's clock (5 % at most)."""
    rest_dps: float = 8.0
    rest_s: float = 0.40
    """A longer rest ends what was under way: pauses at the top are shorter."""
    bridge_s: float = 0.15
    """Longest hole that is bridged by straight lines: in mid-backswing that costs up to 2 deg."""
    keep_s: float = 6.0
    rate_s: float = 0.040
    """Over which the slowing of the turn is judged."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TurnEvent:
    """Something happened to the turn.

    Attributes
    ----------
    kind : str
        ``"takeaway"``: a backswing is under way; ``"full"``: the full turn is reached, or will
        be within the lead; ``"over"``: the same for the upper bound; ``"top"``: the turn comes
        back; ``"lapsed"``: what began was none.
    seq : int
        The sample with which it was known.
    takeaway_seq : float
    turn_deg, turn_rate_dps : float
        At that sample; at the top the greatest turn.
    likely : bool
        Whether it begins as the known swings do (or, before one is known, as swings do): from the
        same address, about the same axis.
    """

    kind: Kind
    seq: int
    takeaway_seq: float
    turn_deg: float
    turn_rate_dps: float
    likely: bool = True
