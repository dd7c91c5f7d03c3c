"""The turn since takeaway while the swing is still going back: causal, sample by sample.

The swing finder looks back on a swing that has ended. This follows one that has not: it keeps the
integral of the angular velocity in a fixed frame, looks for a backswing that begins from a stance,
places its takeaway by the finder's own rule as soon as the past allows, and says when the player's
full turn is about to be reached, early by as much as the sound will be late.

It is a plain loop over the samples, so the result doesn't depend on how they are cut into packets.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from analysis.errors import RateError, SequenceError
from analysis.swing.attitude import apart_deg
from analysis.swing.finder import LEAST_RATE_HZ
from analysis.swing.likeness import Likeness, turned
from analysis.swing.live_params import BLOCK_S, Kind, LiveTurnParams, TurnEvent, TurnTarget
from analysis.swing.live_score import Course, Seen, Shape
from analysis.swing.samples import norm, smooth, value_at
from analysis.swing.takeaway import find_takeaway
from analysis.swing.zero import Zero

Array = npt.NDArray[np.float64]
State = Literal["still", "backswing", "down"]


@dataclass(slots=True)
class _Rise:
    """A motion that may be a backswing. Positions are sample numbers."""

    begin: int
    quiet_dps: float
    up: Array
    takeaway: float
    origin: tuple[float, float, float]
    peak_at: int = -1
    peak_dps: float = 0.0
    top_deg: float = 0.0
    top_seq: int = 0
    settled: bool = False
    told: bool = False
    judged: bool = False
    full: bool = False
    over: bool = False


class LiveTurn:
    """Follow the turn since takeaway.

    Parameters
    ----------
    rate_hz : float
        Nominal sample rate, 50 Hz or more.
    mount : str, optional
    handedness : str, optional
        ``"right"`` or ``"left"``.
    target : TurnTarget, optional
        Without it there are no ``"full"`` and ``"over"`` events.
    params : LiveTurnParams

    Raises
    ------
    RateError
        Under 50 Hz.
    """

    def __init__(
        self,
        *,
        rate_hz: float,
        mount: str | None = None,
        handedness: str | None = None,
        target: TurnTarget | None = None,
        params: LiveTurnParams | None = None,
    ) -> None:
        if not rate_hz >= LEAST_RATE_HZ:
            raise RateError(rate_hz)
        self.params = p = params or LiveTurnParams()
        self.rate_hz = float(rate_hz)
        self.mount = mount
        self.handedness = handedness
        self.target = target
        self._step_s = 1.0 / self.rate_hz
        self._n_block = max(1, round(self.rate_hz * BLOCK_S))
        self._keep = round(p.keep_s * self.rate_hz)
        self._w = np.empty((4 * self._keep, 3))
        self._acc = np.empty((4 * self._keep, 3))
        self._v = np.empty((4 * self._keep, 3))
        self._attitudes = np.empty((4 * self._keep, 4))
        self._zero = Zero()
        self._bias = (0.0, 0.0, 0.0)
        self._likeness = Likeness(mount, handedness, p)
        self._seen: deque[Seen] = deque(maxlen=8)
        self._trusted: int | None = None
        self._restart(0)
        self._last_seq: int | None = None

    def _restart(self, seq: int) -> None:
        """Begin at a sample with no past."""
        self._base = seq
        self._used = 0
        self._q = (1.0, 0.0, 0.0, 0.0)
        self._before: tuple[tuple[float, float, float], tuple[float, float, float]] | None = None
        self._vector = (0.0, 0.0, 0.0)
        self._sum = [0.0] * 9
        self._in_block = 0
        self._sizes: deque[float] = deque(maxlen=max(4, round(self.params.quiet_s / BLOCK_S)))
        self._ups: deque[Array] = deque(maxlen=15)
        self._still: list[list[float]] = []
        self._rise: _Rise | None = None
        self._down = False
        self._down_peak = 0.0
        self._finish: tuple[int, Array] | None = None
        self._rest = 0
        self._rates: deque[float] = deque(maxlen=max(2, round(self.params.rate_s * self.rate_hz)))
        self.state: State = "still"
        self.turn_deg = 0.0
        self.turn_rate_dps = 0.0

    @property
    def zero_dps(self) -> tuple[float, float, float]:
        """The gyroscope's zero by axis, as it is known by now."""
        x, y, z = self._zero.dps.tolist()
        return x, y, z

    # -- stream ------------------------------------------------------------------------------

    def feed(self, seq: npt.NDArray[np.int64], acc_m_s2: Array, gyr_dps: Array) -> list[TurnEvent]:
        """Take further samples and say what they bring.

        Parameters
        ----------
        seq : (n,) array of int
            Sample numbers, rising; a jump means that samples are missing.
        acc_m_s2, gyr_dps : (n, 3) arrays

        Returns
        -------
        list of TurnEvent
            Often empty.

        Raises
        ------
        SequenceError
            Where ``seq`` doesn't rise.
        """
        events: list[TurnEvent] = []
        accs, gyrs = acc_m_s2.tolist(), gyr_dps.tolist()
        for k, number in enumerate(seq.tolist()):
            last = self._last_seq
            if last is None:
                self._first_seq = number
                self._restart(number)
            elif number <= last:
                raise SequenceError(number)
            elif number > last + 1:
                self._bridge(number - last - 1, accs[k], gyrs[k], events)
            self._one(accs[k], gyrs[k], events)
            self._last_seq = number
            self._last = (accs[k], gyrs[k])
        return events

    def _bridge(
        self, missing: int, acc: list[float], gyr: list[float], events: list[TurnEvent]
    ) -> None:
        """Fill a short hole by straight lines; a long one ends what was under way."""
        assert self._last_seq is not None
        if missing > self.params.bridge_s * self.rate_hz:
            rise = self._rise
            if rise is not None and rise.told:
                events.append(self._event("lapsed", rise))
            self._restart(self._last_seq + missing + 1)
            return
        acc0, gyr0 = self._last
        for j in range(1, missing + 1):
            s = j / (missing + 1)
            self._one(
                [a + s * (b - a) for a, b in zip(acc0, acc, strict=True)],
                [a + s * (b - a) for a, b in zip(gyr0, gyr, strict=True)],
                events,
            )

    def _one(self, acc: list[float], gyr: list[float], events: list[TurnEvent]) -> None:
        """Take one sample."""
        bias = self._bias
        w = (gyr[0] - bias[0], gyr[1] - bias[1], gyr[2] - bias[2])
        fixed = self._integrate(w)
        if self._used == len(self._w):
            left = self._keep
            self._w[:left] = self._w[self._used - left :]
            self._acc[:left] = self._acc[self._used - left :]
            self._v[:left] = self._v[self._used - left :]
            self._attitudes[:left] = self._attitudes[self._used - left :]
            self._base += self._used - left
            self._used = left
        self._w[self._used] = w
        self._acc[self._used] = acc
        self._v[self._used] = self._vector
        self._attitudes[self._used] = self._q
        self._used += 1
        size = math.sqrt(w[0] * w[0] + w[1] * w[1] + w[2] * w[2])
        self._follow(fixed, size, events)
        self._block(acc, gyr, size, events)

    def _integrate(self, w: tuple[float, float, float]) -> tuple[float, float, float]:
        """Carry attitude and turn vector on by one sample; returns the rate in the fixed frame."""
        before = self._before
        qw, qx, qy, qz = self._q
        if before is not None:
            w0 = before[0]
            h = 0.5 * math.pi / 180.0 * self._step_s
            c = (math.pi / 180.0 * self._step_s) ** 2 / 12.0
            px = h * (w0[0] + w[0]) + c * (w0[1] * w[2] - w0[2] * w[1])
            py = h * (w0[1] + w[1]) + c * (w0[2] * w[0] - w0[0] * w[2])
            pz = h * (w0[2] + w[2]) + c * (w0[0] * w[1] - w0[1] * w[0])
            angle2 = px * px + py * py + pz * pz
            # sin(a/2)/a and cos(a/2) by their series: a step is a few degrees.
            s = 0.5 - angle2 / 48.0 + angle2 * angle2 / 3840.0
            dw = 1.0 - angle2 / 8.0 + angle2 * angle2 / 384.0
            dx, dy, dz = s * px, s * py, s * pz
            nw = qw * dw - qx * dx - qy * dy - qz * dz
            nx = qw * dx + qx * dw + qy * dz - qz * dy
            ny = qw * dy - qx * dz + qy * dw + qz * dx
            nz = qw * dz + qx * dy - qy * dx + qz * dw
            g = 1.0 / math.sqrt(nw * nw + nx * nx + ny * ny + nz * nz)
            qw, qx, qy, qz = nw * g, nx * g, ny * g, nz * g
            self._q = (qw, qx, qy, qz)
        fixed = turned(self._q, w)
        if before is not None:
            f0, v, h = before[1], self._vector, 0.5 * self._step_s
            self._vector = (
                v[0] + h * (f0[0] + fixed[0]),
                v[1] + h * (f0[1] + fixed[1]),
                v[2] + h * (f0[2] + fixed[2]),
            )
        self._before = (w, fixed)
        return fixed

    # -- a backswing ---------------------------------------------------------------------------

    def _follow(
        self, fixed: tuple[float, float, float], size: float, events: list[TurnEvent]
    ) -> None:
        rise = self._rise
        if rise is None:
            return
        now = self._base + self._used - 1
        o, v = rise.origin, self._vector
        d = (v[0] - o[0], v[1] - o[1], v[2] - o[2])
        turn = math.sqrt(d[0] * d[0] + d[1] * d[1] + d[2] * d[2])
        rate = (d[0] * fixed[0] + d[1] * fixed[1] + d[2] * fixed[2]) / max(turn, 1e-9)
        self.turn_deg, self.turn_rate_dps = turn, rate
        self._rates.append(rate)
        if self._down:
            self._down_peak = max(self._down_peak, size)
            return
        p = self.params
        if turn > rise.top_deg:
            rise.top_deg, rise.top_seq = turn, now
        elif turn < rise.top_deg - max(p.back_deg, 0.02 * rise.top_deg):
            self._came_back(rise, events)
            return
        if turn < p.takeaway_turn_deg or rise.quiet_dps > p.restless_dps:
            return
        if not rise.told:
            rise.told = True
            events.append(self._event("takeaway", rise))
        if self.target is not None:
            self._compare(rise, turn, rate, self.target, events)

    def _came_back(self, rise: _Rise, events: list[TurnEvent]) -> None:
        """The turn is past its greatest: a top, or a waggle's end from which a swing may begin."""
        if rise.top_deg >= self.params.least_turn_deg:
            if rise.told:
                events.append(self._event("top", rise))
                self._remember(rise)
            self._down, self._down_peak = True, 0.0
            self.state = "down"
            return
        if rise.told:
            events.append(self._event("lapsed", rise))
        self._begin(rise.top_seq, rise.quiet_dps)

    def _remember(self, rise: _Rise) -> None:
        """Keep a backswing that has had its top, in case the finder makes a swing of it."""
        self._seen.append(
            Seen(
                takeaway_seq=rise.takeaway,
                top_seq=rise.top_seq,
                turn_deg=rise.top_deg,
                shape=self._shape(rise, ended=True),
            )
        )

    def _compare(
        self, rise: _Rise, turn: float, rate: float, target: TurnTarget, events: list[TurnEvent]
    ) -> None:
        if rise.judged and (not rise.full or rise.over or target.upper_turn_deg is None):
            return
        ahead = turn + self._to_come(rate, target.lead_s)
        if not rise.full and not rise.judged and ahead >= target.threshold_deg:
            # Judged once, at the threshold: what is no backswing then does not become one.
            rise.judged = True
            if self._is_backswing(rise, target):
                rise.full = True
                events.append(self._event("full", rise))
        if (
            rise.full
            and not rise.over
            and target.upper_turn_deg is not None
            and ahead >= target.upper_turn_deg
        ):
            rise.over = True
            events.append(self._event("over", rise))

    def _to_come(self, rate: float, lead_s: float) -> float:
        """Turn that will be added within the lead, slowing down as it does now."""
        if rate <= 0.0 or lead_s <= 0.0:
            return 0.0
        rates = self._rates
        slowing = (rate - rates[0]) / max(len(rates) - 1, 1) * self.rate_hz
        if slowing >= 0.0:
            return rate * lead_s
        if rate + slowing * lead_s < 0.0:
            return -rate * rate / (2.0 * slowing)
        return rate * lead_s + 0.5 * slowing * lead_s * lead_s

    def _is_backswing(self, rise: _Rise, target: TurnTarget) -> bool:
        """Whether what has led to a full turn goes for a backswing.

        Once swings of the player are known it has to be like one of them. Before, it has to be
        like anybody's; and when the first that was taken for one turns out to be none, nothing is
        until a swing is known.
        """
        p, now = self.params, self._base + self._used - 1
        shape = self._shape(rise)
        if shape.in_finish:
            return False
        if not self._likeness.known:
            if self._trusted is not None and now - self._trusted > p.memory_s * self.rate_hz:
                return False
            if now - self._first_seq > p.plain_for_s * self.rate_hz:
                return False
            if self._likeness.like_anybody(shape, self._course(rise), self.turn_rate_dps, target):
                self._trusted = now if self._trusted is None else self._trusted
                return True
            return False
        return self._slows(rise, target) and self._likeness.like_known(shape)

    def _slows(self, rise: _Rise, target: TurnTarget) -> bool:
        """Whether the turn slows down as it has to near the top of a backswing.

        Its rate rises and falls about as half a wave, so that at a share f of the whole turn it is
        2 sqrt(f (1 - f)) of its peak. The whole turn may be somewhat beyond the player's own; with
        a long lead, or a low share to be reached, f is small and nothing is asked.
        """
        f = self.turn_deg / (self.params.most_beyond * target.full_turn_deg)
        if f <= 0.5:
            return True
        f = min(f, 1.0)
        return self.turn_rate_dps <= 2.0 * math.sqrt(f * (1.0 - f)) * rise.peak_dps

    def new_hands(self) -> None:
        """Forget the known swings: another player, club or hand, or the sensor was put on anew."""
        self._likeness.forget()
        self._seen.clear()

    def learn(self, turn_deg: float, *, sure: bool = True) -> Seen | None:
        """Take the swing that the finder has just found as one that others resemble.

        Sensor and address are the same from swing to swing; much else that turns as far is not. A
        swing that began in the finish of the one before had no address: lowering the club begins
        there too, and nothing is to be like it.

        Parameters
        ----------
        turn_deg : float
            Its turn, as the finder has it.
        sure : bool
            The finder is sure of it; others are told but not learned from.

        Returns
        -------
        Seen or None
            The swing as it was seen going back. None where it was not (a hole, a start in motion).
        """
        now = self._base + self._used - 1
        p = self.params
        near = [
            one
            for one in self._seen
            if now - one.top_seq < p.memory_s * self.rate_hz
            and abs(one.turn_deg - turn_deg) < p.same_turn * turn_deg
        ]
        if not near:
            return None
        # What follows a swing (lowering the club, say) may turn about as far: it is the nearest.
        seen = min(near, key=lambda one: abs(one.turn_deg - turn_deg))
        self._seen.remove(seen)
        if sure:
            self._likeness.learn(seen.shape)
        return seen

    @property
    def known(self) -> int:
        """Number of the player's swings that are being compared with."""
        return self._likeness.known

    def _shape(self, rise: _Rise, *, ended: bool = False) -> Shape:
        """What can be said of a motion by now, or of one that has had its top."""
        now = self._base + self._used - 1
        k = max(0, int(rise.takeaway) - self._base)
        path = float(norm(self._w[k : self._used]).sum()) * self._step_s
        o, v = rise.origin, self._vector
        d = np.array([v[0] - o[0], v[1] - o[1], v[2] - o[2]])
        turn = max(float(np.sqrt(d @ d)), 1e-9)
        g = max(float(np.sqrt(rise.up @ rise.up)), 1e-9)
        qw, qx, qy, qz = self._attitudes[k].tolist()
        back = (qw, -qx, -qy, -qz)
        ux, uy, uz = (rise.up / g).tolist()
        dx, dy, dz = (d / turn).tolist()
        return Shape(
            seconds=((rise.top_seq if ended else now) - rise.takeaway) / self.rate_hz,
            straight=turn / max(path, 1e-9),
            upright=float(d @ rise.up) / (turn * g),
            peak_dps=rise.peak_dps,
            quiet_dps=rise.quiet_dps,
            up=np.array(turned(back, (ux, uy, uz))),
            axis=np.array(turned(back, (dx, dy, dz))),
            in_finish=self._in_finish(rise.takeaway, k),
        )

    def _course(self, rise: _Rise) -> Course:
        """How a motion got as far as it has."""
        part = slice(max(0, int(rise.takeaway) - self._base), self._used)
        return Course(
            rate_hz=self.rate_hz,
            gyr_dps=self._w[part],
            acc_m_s2=self._acc[part],
            attitude=self._attitudes[part],
            turned_deg=self._v[part] - np.array(rise.origin),
            up_m_s2=rise.up,
        )

    def _in_finish(self, seq: float, row: int) -> bool:
        """Whether the sensor lies at a sample as it did when the last downswing had ended."""
        p, finish = self.params, self._finish
        if finish is None or seq - finish[0] > p.finish_s * self.rate_hz:
            return False
        return apart_deg(finish[1], self._attitudes[row]) <= p.finish_deg

    def _note_finish(self, rise: _Rise) -> None:
        """What came down has ended: if it was a downswing, this is a finish."""
        p, row, first = self.params, self._used - 1, int(rise.takeaway) - self._base
        swung = (
            rise.told
            and self._down_peak >= p.downswing_share * rise.peak_dps
            and first >= 0
            and apart_deg(self._attitudes[first], self._attitudes[row]) >= 2.0 * p.finish_deg
        )
        # A stroke out of a finish ends there again.
        if swung or self._in_finish(self._base + row, row):
            self._finish = self._base + row, self._attitudes[row].copy()

    def _begin(self, at: int, quiet_dps: float) -> None:
        """Something begins at a sample."""
        up = sum(self._ups, np.zeros(3)) / max(len(self._ups), 1)
        k = max(0, at - self._base)
        self._rise = _Rise(at, quiet_dps, up, float(at), tuple(self._v[k].tolist()))
        self._rise.top_seq = at
        self._rates.clear()
        self._rest = 0
        self.state = "backswing"

    def _place_takeaway(self, rise: _Rise) -> None:
        """Find the takeaway in the past, by the finder's rule for the peak so far."""
        end = self._used
        first = max(0, rise.begin - self._base - round(0.6 * self.rate_hz))
        begin = max(0, rise.begin - self._base - first)
        size = norm(smooth(self._w[first:end], max(2, round(0.030 * self.rate_hz))))
        peak_at = begin + int(np.argmax(size[begin:]))
        if peak_at + first + self._base == rise.peak_at:
            rise.settled = end - 1 - first - peak_at > 0.10 * self.rate_hz
            return
        rise.settled = False
        rise.peak_at = peak_at + first + self._base
        rise.peak_dps = float(size[peak_at])
        take = find_takeaway(size, peak_at, first=1, rate_hz=self.rate_hz)
        if take is None:
            return
        at = min(max(take.at, 0.0), float(peak_at))
        if first + self._base + at > rise.takeaway + 0.3 * self.rate_hz:
            # What there was before was not this swing.
            rise.told = rise.judged = rise.full = rise.over = False
        rise.takeaway = float(first + self._base + at)
        origin = value_at(self._v[first:end], at)
        rise.origin = (float(origin[0]), float(origin[1]), float(origin[2]))
        turn = norm(self._v[first + int(at) : end] - origin)
        rise.top_deg = float(turn.max())
        rise.top_seq = first + self._base + int(at) + int(np.argmax(turn))

    def _event(self, kind: Kind, rise: _Rise) -> TurnEvent:
        turn = rise.top_deg if kind == "top" else self.turn_deg
        return TurnEvent(
            kind=kind,
            seq=self._base + self._used - 1,
            takeaway_seq=rise.takeaway,
            turn_deg=turn,
            turn_rate_dps=self.turn_rate_dps,
            likely=kind != "takeaway" or self._likeness.begins_alike(self._shape(rise)),
        )

    # -- every 20 ms ---------------------------------------------------------------------------

    def _block(
        self, acc: list[float], gyr: list[float], size: float, events: list[TurnEvent]
    ) -> None:
        s = self._sum
        fixed_acc = turned(self._q, (acc[0], acc[1], acc[2]))
        for j in range(3):
            s[j] += acc[j]
            s[3 + j] += gyr[j]
            s[6 + j] += fixed_acc[j]
        self._in_block += 1
        if self._in_block < self._n_block:
            return
        n = self._n_block
        mean = [x / n for x in s]
        self._sum = [0.0] * 9
        self._in_block = 0
        b = self._bias
        rate = math.sqrt((mean[3] - b[0]) ** 2 + (mean[4] - b[1]) ** 2 + (mean[5] - b[2]) ** 2)
        self._read_zero(mean[:6])
        self._decide(rate, events)
        self._sizes.append(rate)
        if self._rise is None:
            self._ups.append(np.array(mean[6:9]))

    def _read_zero(self, means: list[float]) -> None:
        """Read the gyroscope's zero off half seconds of stillness, as the finder does."""
        self._still.append(means)
        if len(self._still) < self._zero.params.blocks(self._n_block * self._step_s):
            return
        blocks = np.array(self._still)
        self._still.clear()
        self._zero.take(blocks[:, 3:], blocks[:, :3])
        self._bias = self.zero_dps

    def _decide(self, rate: float, events: list[TurnEvent]) -> None:
        p, rise = self.params, self._rise
        now = self._base + self._used - 1
        if rise is None:
            if rate >= p.begin_dps:
                self._begin(max(self._base, now - 2 * self._n_block), self._quiet_dps())
            return
        if self._down:
            since = (now - rise.takeaway) / self.rate_hz
            if rate < max(15.0, 0.1 * self._down_peak) or since > p.backswing_s[1] + 4.0:
                self._note_finish(rise)
                self._end()
            return
        if not rise.settled or rate > rise.peak_dps:
            self._place_takeaway(rise)
        since = (now - rise.takeaway) / self.rate_hz
        self._rest = self._rest + 1 if rate < p.rest_dps else 0
        stopped = self._rest > 0 and self.turn_deg < p.least_turn_deg
        rested = self._rest * BLOCK_S > p.rest_s
        if stopped or rested or since > p.backswing_s[1]:
            if rise.told:
                # Resting far from where it began, it has had its greatest turn.
                events.append(self._event("top" if rested and not stopped else "lapsed", rise))
                if rested and not stopped:
                    self._remember(rise)
            self._end()

    def _end(self) -> None:
        self._rise = None
        self._down = False
        self._ups.clear()
        self.state = "still"
        self.turn_deg = self.turn_rate_dps = 0.0

    def _quiet_dps(self) -> float:
        """Lower quartile of the rate before what now begins."""
        sizes = sorted(self._sizes)
        return sizes[len(sizes) // 4] if sizes else math.inf
