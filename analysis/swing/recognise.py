"""Is this a swing, and is it this player's?

`Recogniser` judges outlines by the fitted score (`analysis.swing.score`). `Hands` learns how the
sensor sits on whoever is swinging: after three sure swings, where up, the axis of the way back and
that of the way down lie in the sensor's frame. The same person's next swing is near all three,
most other motion is far from one. What is learned is forgotten with `Hands.forget`: the player, the
club or the hand changed, the sensor was put on anew, or a minute is missing.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from analysis.swing.outline import Outline, OutlineParams
from analysis.swing.score import Table, figures, impossible, score, weighed
from analysis.swing.score_tables import RALLY, SHORT, SWING
from analysis.swing.trees import logistic

Array = npt.NDArray[np.float64]
Frame = tuple[Array, Array, Array]
"""Up, the axis of the way back and that of the way down, in the sensor's frame at the start."""


UNKNOWN = "unknown"
"""Name of the tables for a mount that isn't told: fitted on all of them together."""
SURE_P = 0.95
"""A swing is sure from here on: only sure ones are learned, and it takes three that are alike
enough to be the same player's."""
LEAST_CANDIDATE_P = 0.1
"""What is less likely a swing than this isn't listed as one that nearly was."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HandsParams:
    """How likeness to the player's own swings counts."""

    least_swings: int = 3
    """Two may be alike by chance."""
    memory: int = 12
    """Swings that the means are taken over: a strap that creeps is followed."""
    like_deg: float = 25.0
    """Angle, the mean of the three, at which likeness says nothing. A simulated player's full
    swings lie within some degrees of each other; a part swing's way back is about another axis,
    which makes 20-30 deg of the mean; most other motion is far beyond."""
    own_deg: float = 30.0
    """Further off it isn't this player's, and nothing is learned from it."""
    weight: float = 4.0
    most: float = 2.0
    """An odd swing gets in ..."""
    least: float = -6.0
    """... and a walk never."""


class Hands:
    """How the sensor sits on the player, from sure swings; bounded, and the same for any chunking.

    Parameters
    ----------
    params : HandsParams, optional
    """

    def __init__(self, params: HandsParams | None = None) -> None:
        self.params = params or HandsParams()
        self._frames: deque[Frame] = deque(maxlen=self.params.memory)
        self._strange: deque[Frame] = deque(maxlen=self.params.least_swings)

    @property
    def known(self) -> bool:
        """Whether enough has been seen to compare with."""
        return len(self._frames) >= self.params.least_swings

    @property
    def swings(self) -> int:
        """Number of swings that are compared with."""
        return len(self._frames)

    def learn(self, up: Array, back: Array, down: Array) -> None:
        """Take a sure swing: unit vectors in the sensor's frame at its start.

        It counts if it is like what is known. Else as many in a row as are needed to learn, alike
        among themselves, take that place: they are the first ones, or the sensor sits otherwise
        and nobody said so.
        """
        p, frame = self.params, (up, back, down)
        if self.known and _apart_deg(frame, self._frames) <= p.own_deg:
            self._frames.append(frame)
            self._strange.clear()
            return
        self._strange.append(frame)
        if len(self._strange) < p.least_swings:
            return
        if all(_apart_deg(one, self._strange) <= p.own_deg for one in self._strange):
            self._frames.clear()
            self._frames.extend(self._strange)
            self._strange.clear()

    def forget(self) -> None:
        """Begin anew: other hands, or the sensor sits otherwise."""
        self._frames.clear()
        self._strange.clear()

    def apart_deg(self, up: Array, back: Array, down: Array) -> float | None:
        """Return the mean angle to the means of what was learned; None before it is known."""
        return _apart_deg((up, back, down), self._frames) if self.known else None

    def count(self, apart_deg: float | None) -> float:
        """What likeness adds to a score."""
        p = self.params
        if apart_deg is None:
            return 0.0
        return min(max(p.weight * (1.0 - apart_deg / p.like_deg), p.least), p.most)


def _apart_deg(frame: Frame, learned: Iterable[Frame]) -> float:
    """Mean of the angles between the vectors of a frame and the means of others."""
    total = 0.0
    for k, one in enumerate(frame):
        x = y = z = 0.0
        for other in learned:
            a, b, c = other[k].tolist()
            x, y, z = x + a, y + b, z + c
        size = max(math.sqrt(x * x + y * y + z * z), 1e-9)
        p, q, r = one.tolist()
        cosine = (p * x + q * y + r * z) / size
        total += math.degrees(math.acos(min(max(cosine, -1.0), 1.0)))
    return total / len(frame)


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What an outline is taken for.

    ``p`` is the probability that it is a swing (at even odds among what looks like one for a
    moment), ``z`` its score above the threshold, ``why`` the codes of what speaks against it most:
    names of figures, ``"hands"``, or of a definition. ``rally``: as part of a rally.
    """

    what: Literal["yes", "short", "no"]
    p: float
    z: float
    why: tuple[str, ...] = ()
    rally: bool = False


class Recogniser:
    """Judge outlines, in the order in which they fall due.

    Parameters
    ----------
    mount : str or None
    params : OutlineParams, optional
    """

    def __init__(self, *, mount: str | None, params: OutlineParams | None = None) -> None:
        self.mount = mount
        self.hands = Hands()
        self._params = params or OutlineParams()
        self._table = mount if mount in SWING else UNKNOWN

    def judge(self, o: Outline, *, first_block: int, rally: bool) -> Verdict:
        """Say whether an outline is a swing.

        Parameters
        ----------
        o : Outline
        first_block : int
            Number of the block that is the outline's block 0.
        rally : bool
            It begins soon after a swing: it may begin in that one's finish.

        Returns
        -------
        Verdict
        """
        broken = impossible(o, self._params)
        if broken is not None:
            return Verdict(what="no", p=0.0, z=-math.inf, why=(broken,))
        values = figures(o)
        if o.turn_deg < self._params.short_stroke_deg:
            over, _ = self._over(values, SHORT)
            return Verdict(what="short" if over >= 0.0 else "no", p=0.0, z=over, why=("short",))
        over, table = self._over(values, SWING)
        apart = self.hands.apart_deg(o.up, o.axis_back, o.axis_down)
        alike = self.hands.count(apart)
        if rally:
            again, other = self._over(values, RALLY)
            if again > over + alike:
                return self._say(again, other, values, 0.0, rally=True)
        a, b = table.calibration
        if alike < -1.0 and logistic(a + b * (over + table.threshold)) >= SURE_P:
            self.hands.learn(o.up, o.axis_back, o.axis_down)
        return self._say(over + alike, table, values, alike)

    def took(self, o: Outline, verdict: Verdict) -> None:
        """Learn from a swing that was found, if it is sure and began from an address."""
        if verdict.p >= SURE_P and not verdict.rally:
            self.hands.learn(o.up, o.axis_back, o.axis_down)

    def _over(self, values: dict[str, float], tables: dict[str, Table]) -> tuple[float, Table]:
        """Score above its threshold, and its table."""
        table = tables[self._table]
        return score(values, table) - table.threshold, table

    def _say(
        self,
        over: float,
        table: Table,
        values: dict[str, float],
        alike: float,
        *,
        rally: bool = False,
    ) -> Verdict:
        a, b = table.calibration
        p = logistic(a + b * (over + table.threshold))
        against = sorted(weighed(values, table).items(), key=lambda item: item[1])
        why = tuple(name for name, weight in against[:3] if weight < -0.5)
        if alike < -1.0:
            why = ("hands", *why[:2])
        return Verdict(what="yes" if over >= 0.0 else "no", p=p, z=over, why=why, rally=rally)
