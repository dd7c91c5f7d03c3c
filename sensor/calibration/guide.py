"""A calibration guided step by step, while the samples come."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np

from sensor.calibration.procedure import Array, Ints, ProcedureParams, Rest, SampleArrays, Turn
from sensor.calibration.stillness import Windows, find_rests, positions_of, still_windows
from sensor.calibration.turns import find_turns

_STILL_WINDOWS: Final = 2
"""So many of the last ones, half a second: let go of, not only passing."""


@dataclass(slots=True)
class _Log:
    seq: list[Ints] = field(default_factory=list)
    acc: list[Array] = field(default_factory=list)
    gyr: list[Array] = field(default_factory=list)

    def samples(self) -> SampleArrays:
        return SampleArrays(
            seq=np.concatenate([np.zeros(0, np.int64), *self.seq]),
            acc_m_s2=np.concatenate([np.zeros((0, 3)), *self.acc]),
            gyr_dps=np.concatenate([np.zeros((0, 3)), *self.gyr]),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class GuideState:
    """How far the procedure is.

    Attributes
    ----------
    asked : str
        What is to be done next.
    still : bool
        The sensor lies still just now; nothing is taken while it moves.
    positions, turns : tuple of str
        What came of each that was taken, in order.
    positions_wanted, turns_wanted : int
    remarks : tuple of str
        On turns that can't be used.
    """

    asked: str
    still: bool
    positions: tuple[str, ...]
    turns: tuple[str, ...]
    positions_wanted: int
    turns_wanted: int
    remarks: tuple[str, ...]


class Guide:
    """Lead a person through the procedure, block by block.

    Parameters
    ----------
    say : callable
        Told one line at a time what to do, and what was understood.
    rate_hz : float
        Nominal.
    period_s : float, optional
        True sample period, if known; else the nominal one, which is enough for guiding.
    params : ProcedureParams, optional
    turns_wanted : int
        Turns about each axis.
    axes_wanted : int
        About how many of the sensor's axes to turn.
    patience_s : float
        After so long without progress the request is said again.
    """

    def __init__(
        self,
        say: Callable[[str], None],
        *,
        rate_hz: float,
        period_s: float | None = None,
        params: ProcedureParams | None = None,
        turns_wanted: int = 4,
        axes_wanted: int = 3,
        patience_s: float = 30.0,
    ) -> None:
        self._say = say
        self._period_s = period_s or 1.0 / rate_hz
        self._params = params or ProcedureParams()
        self._turns_wanted = turns_wanted
        self._axes_wanted = axes_wanted
        self._patience_s = patience_s
        self._windows = Windows(rate_hz, self._params.window_s)
        self._log = _Log()
        self._n_windows = self._n_rests = 0
        self._taken: tuple[str, ...] = ()
        self._turned: tuple[str, ...] = ()
        self._still = False
        self._axis = 0
        self._turning = False
        self._told: dict[str, None] = {}
        self._last_progress = 0
        self._asked = (
            f"Lay the sensor down with one of its faces up, and let go. "
            f"({self._params.min_positions} faces, two seconds each.)"
        )
        say(self._asked)

    def samples(self) -> SampleArrays:
        """Return all that came so far."""
        return self._log.samples()

    @property
    def state(self) -> GuideState:
        """How far it is."""
        return GuideState(
            asked=self._asked,
            still=self._still,
            positions=self._taken,
            turns=self._turned,
            positions_wanted=self._params.min_positions,
            turns_wanted=self._turns_wanted * self._axes_wanted,
            remarks=tuple(self._told),
        )

    def feed(self, seq: Ints, acc_m_s2: Array, gyr_dps: Array) -> bool:
        """Take further samples, (n,), (n, 3), (n, 3); True when all is done."""
        self._log.seq.append(seq)
        self._log.acc.append(acc_m_s2)
        self._log.gyr.append(gyr_dps)
        self._windows.feed(seq, acc_m_s2, gyr_dps)
        if len(self._windows.number) == self._n_windows:
            return False
        self._n_windows = len(self._windows.number)
        still = still_windows(self._windows, self._params)
        self._still = bool(still[-_STILL_WINDOWS:].all())
        rests = find_rests(self._windows, self._params)
        if not self._turning:
            progress = self._positions(rests)
        elif len(rests) > self._n_rests:
            self._n_rests = len(rests)
            progress = self._turns(rests)
        else:
            progress = False
        if self._axis >= self._axes_wanted:
            return True
        if progress:
            self._last_progress = self._n_windows
            self._say(self._asked)
        elif (self._n_windows - self._last_progress) * self._params.window_s > self._patience_s:
            self._last_progress = self._n_windows
            self._say(f"Waiting. {self._asked}")
        return False

    def _positions(self, rests: Sequence[Rest]) -> bool:
        p = self._params
        found = positions_of(rests, p)
        positions = len(found)
        if positions <= len(self._taken):
            return False
        self._taken = tuple(map(position_words, found))
        if positions < p.min_positions:
            self._asked = f"Position {positions} of {p.min_positions} is done. Another face up."
        else:
            self._turning = True
            self._asked = _turn_request(p, 0, self._turns_wanted)
        return True

    def _turns(self, rests: Sequence[Rest]) -> bool:
        p = self._params
        turns, remarks = find_turns(
            rests, self._log.samples().read, period_s=self._period_s, params=p
        )
        for text in remarks:
            if text not in self._told:
                self._told[text] = None
                self._say(f"{text[0].upper()}{text[1:]}.")
        if len(turns) <= len(self._turned):
            return False
        self._turned = tuple(map(turn_words, turns))
        reads = self._turned[-1]
        done = len(turns) - self._axis * self._turns_wanted
        if done < self._turns_wanted:
            other = ", the other way" if done * 2 == self._turns_wanted else ""
            self._asked = f"Turn {done} of {self._turns_wanted} is done ({reads}). Again{other}."
            return True
        self._axis += 1
        if self._axis >= self._axes_wanted:
            self._say(f"That is all ({reads}).")
        else:
            request = _turn_request(p, self._axis, self._turns_wanted)
            self._asked = f"Done ({reads}). {request}"
        return True


def guide(
    blocks: Iterable[tuple[Ints, Array, Array]],
    say: Callable[[str], None],
    *,
    rate_hz: float,
    **options: Any,
) -> SampleArrays:
    """Lead a person through the procedure, and return the samples for `calibrate_samples`.

    Ends when all is done, or with the last block.

    Parameters
    ----------
    blocks : iterable of (seq, acc_m_s2, gyr_dps)
        As they come from the sensor.
    say, rate_hz
        As in `Guide`.
    **options
        Further ones of `Guide`.
    """
    leader = Guide(say, rate_hz=rate_hz, **options)
    for seq, acc, gyr in blocks:
        if leader.feed(seq, acc, gyr):
            break
    return leader.samples()


def position_words(position: Rest) -> str:
    """Say what came of a still position."""
    return f"gravity reads {float(np.linalg.norm(position.acc_m_s2)):.2f} m/s2"


def turn_words(turn: Turn) -> str:
    """Say what came of a turn."""
    return f"it reads {abs(turn.angle_deg):.1f} deg"


def _turn_request(p: ProcedureParams, axis: int, turns: int) -> str:
    round_ = "once round" if p.angle_deg == 360.0 else f"by {p.angle_deg:g} deg"
    how = (
        f"against a straight edge and let go for two seconds. Turn it on the table "
        f"{round_}, back against the edge, and let go. {turns} times, half of them "
        "each way."
    )
    if axis == 0:
        return f"Now lay it flat {how}"
    return f"Now stand it on {'another' if axis > 1 else 'a'} side {how}"
