"""The simulated sensor, live: a simulated session sent as packets in real time.

It sends what `unhurried simulate` would have written, byte for byte in the project's own profile,
so everything behind the radio works without one. What is measured from it says nothing of how well
a real sensor or link works.
"""

from __future__ import annotations

import asyncio
import contextlib
import dataclasses
import math
from collections.abc import Callable, Mapping
from typing import Final

import numpy as np
import numpy.typing as npt

from sensor.link.decode import encode
from sensor.link.profile import STREAM_PROFILE, load_profile
from sensor.link.source import (
    PacketCallback,
    PlayedSource,
    RawPacket,
    SensorInfo,
    host_clock_ns,
    info_of_session,
)
from simulation.sessions import SessionSpec, SimulatedSession, simulate_session

# Minutes simulated at first; each time they run out, a session twice as long is made from the same
# seed. Its beginning is the same, so it goes on where the shorter one was.
FIRST_MINUTES: Final = 1.0
# The shorter session's own ending (standing still) is not sent.
ENDING_S: Final = 12.0
# Make the longer one in good time.
AHEAD_S: Final = 45.0
# So far behind its time it doesn't hurry but goes on from there.
BEHIND_S: Final = 5.0
# Without waiting in between, give the others a turn after so many packets.
PACKETS_A_TURN: Final = 64


class SimulatedSource(PlayedSource):
    """A sensor that isn't there: a simulated session, sent as it happens.

    Parameters
    ----------
    spec : SessionSpec, optional
        Mount, rate, players and so on; its length does not matter.
    seed : int
        The same seed gives the same samples.
    seconds : float, optional
        Ends by itself after so long; None: never.
    speed : float
        1 is real time; 0 sends as fast as it can. Unless it is 1, arrivals are stamped as the
        simulated link had them, not as the clock has it.
    clock : callable
        Nanoseconds, for the stamps.
    """

    def __init__(
        self,
        spec: SessionSpec | None = None,
        *,
        seed: int = 0,
        seconds: float | None = None,
        speed: float = 1.0,
        clock: Callable[[], int] = host_clock_ns,
    ) -> None:
        if not (math.isfinite(speed) and speed >= 0.0):
            raise ValueError("speed must be 0 (as fast as it can) or more")
        self.name = "simulated sensor"
        self.simulated = True
        self.lost = asyncio.Event()
        self.ended = False
        self.signal_dbm: int | None = -50
        self._spec = spec or SessionSpec(loss=0.0)
        one = self._spec.players[0]
        self.facts: Mapping[str, str] = {
            "mount": self._spec.mount,
            "handedness": one.handedness,
            "player": one.name,
            "club": one.club,
        }
        self._seed = seed
        self._seconds = seconds
        self._speed = speed
        self._clock = clock
        self._profile = load_profile(STREAM_PROFILE)
        self._made: SimulatedSession | None = None
        self._longer: asyncio.Task[SimulatedSession] | None = None
        self._minutes = FIRST_MINUTES
        self._next_seq = 0
        self._start_ns: int | None = None
        self._task: asyncio.Task[None] | None = None

    async def _make(self, minutes: float) -> SimulatedSession:
        spec = dataclasses.replace(self._spec, minutes=minutes, swings=None)
        return await asyncio.to_thread(simulate_session, spec, seed=self._seed)

    async def connect(self) -> SensorInfo:
        """Make the first minute of the session."""
        self.lost = asyncio.Event()
        if self._made is None:
            self._made = await self._make(self._minutes)
        session = self._made.session
        return info_of_session(
            session,
            self._profile,
            name=self.name,
            packet_samples=int(self._made.packets["count"].max()),
        )

    async def _send(self, on_packet: PacketCallback) -> None:
        if self._start_ns is None:
            self._start_ns = self._clock()
        turn = 0
        while True:
            made = self._made
            assert made is not None
            rate = made.true_rate_hz
            whole = int(made.samples["seq"][-1]) + 1
            until = whole - round(ENDING_S * rate)
            end = math.inf if self._seconds is None else self._seconds * rate
            ahead = until - round(AHEAD_S * rate) if self._speed else 0
            counts = _counts(made)
            start_ns = int(made.packets["arrival_ns"][0]) - round(
                int(made.packets["count"][0]) / rate * 1e9
            )
            for packet in made.packets:
                first, count = int(packet["first_seq"]), int(packet["count"])
                if first < self._next_seq:
                    continue
                if first >= end:
                    self.ended = True
                    return
                if first + count > until:
                    break
                if self._longer is None and first >= ahead and until < end:
                    self._longer = asyncio.ensure_future(self._make(2.0 * self._minutes))
                since_ns = int(packet["arrival_ns"]) - start_ns
                wait_s = 0.0
                if self._speed:
                    wait_s = since_ns / 1e9 / self._speed - (self._clock() - self._start_ns) / 1e9
                turn += 1
                if wait_s > 0.0:
                    await asyncio.sleep(wait_s)
                elif turn % PACKETS_A_TURN == 0:
                    # Also where it is behind its time: others have to have a turn.
                    await asyncio.sleep(0)
                if wait_s < -BEHIND_S:
                    # The computer slept: the simulated player waited meanwhile.
                    self._start_ns -= round(wait_s * 1e9)
                self._next_seq = first + count
                row = int(np.searchsorted(made.samples["seq"], first))
                payload = encode(
                    self._profile,
                    counts[row : row + count],
                    counter=first,
                    ticks=round(first / rate * 1e6),
                )
                stamp = self._clock() if self._speed == 1.0 else self._start_ns + since_ns
                on_packet(RawPacket(stamp, payload))
            if self._longer is None:
                self._longer = asyncio.ensure_future(self._make(2.0 * self._minutes))
            # If the link is made again meanwhile, it isn't begun anew: on a busy machine that would
            # never come to an end.
            self._made = await asyncio.shield(self._longer)
            self._minutes *= 2.0
            self._longer = None

    async def stop(self) -> None:
        """Send no more."""
        if self._task is not None:
            self._task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._task
        self._task = None

    async def disconnect(self) -> None:
        """Send no more."""
        await self.stop()

    async def battery(self) -> int | None:
        """Return what the simulated session says of its battery."""
        if self._made is None:
            return None
        percent = self._made.session.sensor.get("battery_percent")
        return percent if isinstance(percent, int) else None


def _counts(made: SimulatedSession) -> npt.NDArray[np.int16]:
    """(n, 6) counts of a session."""
    rows = np.ascontiguousarray(made.samples)
    return rows.view("<i2").reshape(len(rows), 10)[:, 4:]
