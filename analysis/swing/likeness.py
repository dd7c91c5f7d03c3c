"""Is what goes back a backswing? Before its end is known, by what backswings have in common.

Once swings of the player are known, a motion has to be like one of them: from the same address,
about the same axis, in a like time. Before that a score says whether it is like anybody's
(`analysis.swing.live_score`).
"""

from __future__ import annotations

import math
from collections import deque

from analysis.swing.live_params import LiveTurnParams, TurnTarget
from analysis.swing.live_score import Course, Shape, live_figures
from analysis.swing.live_tables import LIVE
from analysis.swing.score import score


class Likeness:
    """Whether a motion so far goes for a backswing: like the player's own, else like anybody's.

    Parameters
    ----------
    mount : str or None
    handedness : str or None
    params : LiveTurnParams
    """

    def __init__(self, mount: str | None, handedness: str | None, params: LiveTurnParams) -> None:
        self.params = params
        self._table = LIVE.get(mount or "", LIVE["unknown"])
        self._handedness = handedness
        self._known: deque[Shape] = deque(maxlen=8)

    @property
    def known(self) -> int:
        """Number of the player's swings that are being compared with."""
        return len(self._known)

    def forget(self) -> None:
        """Begin anew: other hands, or the sensor sits otherwise."""
        self._known.clear()

    def learn(self, shape: Shape) -> None:
        """Take one of the player's swings, if it may be one from an address."""
        if self._may_be_learned(shape):
            self._known.append(shape)

    def like_anybody(
        self, shape: Shape, course: Course, rate_dps: float, target: TurnTarget
    ) -> bool:
        """Whether it is as backswings at this mount are, by a fitted score."""
        values = live_figures(
            shape, course, side=self.side(shape), rate_dps=rate_dps, target=target
        )
        return values is not None and score(values, self._table) >= self._table.threshold

    def like_known(self, shape: Shape) -> bool:
        """Whether it is like the player's own swings."""
        p = self.params
        least = math.cos(math.radians(p.like_deg))
        low, high = p.like_time
        alike = sum(
            float(shape.up @ one.up) >= least
            and float(shape.axis @ one.axis) >= least
            and low * one.seconds <= shape.seconds <= high * one.seconds
            for one in self._known
        )
        # One odd swing (straight out of the one before, say) is no pattern.
        return alike >= (1 if len(self._known) < 3 else 2)

    def begins_alike(self, shape: Shape) -> bool:
        """Whether a motion of some degrees begins as a swing does."""
        p = self.params
        if not self._known:
            low, high = p.learn_upright
            return low <= self.side(shape) * shape.upright <= high
        address = math.cos(math.radians(p.like_deg))
        axis = math.cos(math.radians(p.begin_like_deg))
        return any(
            float(shape.up @ one.up) >= address and float(shape.axis @ one.axis) >= axis
            for one in self._known
        )

    def _may_be_learned(self, shape: Shape) -> bool:
        """Whether what begins like this may be a swing from an address."""
        low, high = self.params.learn_upright
        return (
            not shape.in_finish
            and low <= abs(shape.upright) <= high
            and shape.straight >= self.params.learn_straight
        )

    def side(self, shape: Shape) -> float:
        """Sign of the turn's axis along the vertical, going back; the motion's own if not told.

        A right-handed player turns to the right: seen from above clockwise, so the axis points
        down.
        """
        own = 1.0 if shape.upright >= 0.0 else -1.0
        return {"right": -1.0, "left": 1.0}.get(self._handedness or "", own)


def turned(
    q: tuple[float, float, float, float], v: tuple[float, float, float]
) -> tuple[float, float, float]:
    """A vector turned by a unit quaternion."""
    qw, qx, qy, qz = q
    tx = 2.0 * (qy * v[2] - qz * v[1])
    ty = 2.0 * (qz * v[0] - qx * v[2])
    tz = 2.0 * (qx * v[1] - qy * v[0])
    return (
        v[0] + qw * tx + qy * tz - qz * ty,
        v[1] + qw * ty + qz * tx - qx * tz,
        v[2] + qw * tz + qx * ty - qy * tx,
    )
