"""A replay: a recording sent once more, packet by packet, through the seam of a live sensor.

Its packets go out in the project's own profile, with the arrival times that they had. Where the
recording changed its connection the replay loses its link, and where samples are missing, they are
missing again. It ends by itself.
"""

from __future__ import annotations

import asyncio
import contextlib
import dataclasses
import math
import os
import weakref
from collections.abc import Callable, Generator, Iterator, Mapping
from pathlib import Path
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
from sensor.recording.layout import PACKET_DTYPE
from sensor.recording.markers import Segment
from sensor.recording.npyfile import open_npy
from sensor.recording.opening import open_recording
from sensor.recording.reader import Recording
from sensor.recording.session import Session
from words.units import G_N_M_S2

# Counts for imported data, whose samples are numbers in units: ranges that hold whatever a small
# sensor reads (from memory: up to 4000 deg/s and 200 g are sold).
FLOAT_GYR_RANGE_DPS: Final = 4000.0
FLOAT_ACC_RANGE_G: Final = 64.0
# Samples a packet where the recording doesn't know: small, as for a live cue.
PACKET_SAMPLES: Final = 8
PACKETS_A_TURN: Final = 64
# Packets' rows read at a time: as Python numbers they take ten times the room.
ROWS: Final = 2048
# No packet holds more (19 fill the largest).
MOST_SAMPLES: Final = 19


class ReplaySource(PlayedSource):
    """Send a recording's samples again.

    Parameters
    ----------
    path : path
        A recording's folder, or a CSV file.
    speed : float
        1 is as it was, 2 twice as fast; 0 sends as fast as it can.
    seconds : float, optional
        Ends after so much of the recording; None: at its end.
    mount, hand : str, optional
        What the caller knows better than the recording.
    clock : callable
        Nanoseconds: when the replay begins. Arrivals are spaced as they were.

    Attributes
    ----------
    replay_of : str
        Id of the recording that is sent again.
    segments : list of (int, Segment)
        Who swings what from which sample on, counted from the first one.

    Raises
    ------
    RecordingError
        It cannot be read.
    """

    def __init__(
        self,
        path: str | os.PathLike[str],
        *,
        speed: float = 1.0,
        seconds: float | None = None,
        mount: str | None = None,
        hand: str | None = None,
        clock: Callable[[], int] = host_clock_ns,
    ) -> None:
        if not (math.isfinite(speed) and speed >= 0.0):
            raise ValueError("speed must be 0 (as fast as it can) or more")
        self.recording: Recording = open_recording(path, mount=mount, hand=hand)
        self.name = f"replay of {Path(path).name or Path(path)}"
        self.lost = asyncio.Event()
        self.ended = False
        self.signal_dbm: int | None = None
        self.segments: list[tuple[int, Segment]] = [
            (marker.seq - self.recording.first_seq, self.recording.segment_at(marker.seq))
            for marker in self.recording.markers
            if marker.kind == "segment"
        ]
        self._speed = speed
        self._seconds = math.inf if seconds is None else seconds
        self._clock = clock
        self._profile = load_profile(STREAM_PROFILE)
        self._connection_now = 0
        self._zero_ns = 0
        self._parts = self._packets()
        self._held: tuple[int, int, npt.NDArray[np.int16], int] | None = None
        self._connection: int | None = None
        self._origin_ns: int | None = None
        self._first_ns = 0
        self._task: asyncio.Task[None] | None = None
        session = self.recording.session
        facts = {
            "mount": session.mount,
            "handedness": session.handedness,
            "player": session.player,
            "club": session.club,
        }
        self.facts: Mapping[str, str] = {k: v for k, v in facts.items() if v is not None}
        # So that nobody takes the new recording for another evening.
        self.replay_of = session.id
        self._gyr_scale = session.gyr_dps_per_count or FLOAT_GYR_RANGE_DPS / 32768.0
        self._acc_scale = session.acc_m_s2_per_count or FLOAT_ACC_RANGE_G * G_N_M_S2 / 32768.0

    # -- what to send ----------------------------------------------------------------------------

    def _packets(self) -> Generator[tuple[int, int, npt.NDArray[np.int16], int]]:
        """Give (arrival_ns, connection, counts (n, 6), first_seq), a packet at a time."""
        recorded = self._recorded_packets()
        expected = next(recorded, None)
        for block in self.recording.blocks():
            values = np.concatenate(
                [block.acc_m_s2 / self._acc_scale, block.gyr_dps / self._gyr_scale], axis=1
            )
            counts = np.clip(np.rint(values), -32768, 32767).astype(np.int16)
            start, n = 0, len(block.seq)
            while start < n:
                first = int(block.seq[start])
                while expected is not None and expected[0] + expected[1] <= first:
                    expected = next(recorded, None)
                if expected is not None and expected[0] <= first:
                    last = expected[0] + expected[1] - 1
                    arrival, connection = expected[2], expected[3]
                else:
                    last = first + PACKET_SAMPLES - 1
                    if expected is not None:
                        last = min(last, expected[0] - 1)
                    arrival, connection = None, self._connection_now
                last = min(last, first + MOST_SAMPLES - 1)
                end = start + 1
                while (
                    end < n and block.seq[end] <= last and block.seq[end] == block.seq[end - 1] + 1
                ):
                    end += 1
                if arrival is None:
                    # Imported data, or a packet whose time is lost: when its last sample was.
                    at_s = float(self.recording.time_of_seq(float(block.seq[end - 1])))
                    arrival = self._zero_ns + round(at_s * 1e9)
                self._connection_now = connection
                yield arrival, connection, counts[start:end], first
                start = end

    def _recorded_packets(self) -> Iterator[tuple[int, int, int, int]]:
        """Give (first_seq, count, arrival_ns, connection) of the packets that are known."""
        path = self.recording.path / "packets.npy"
        if not path.is_file():
            return
        rows, _ = open_npy(path, PACKET_DTYPE)
        # Also when this is given up halfway.
        weakref.finalize(self, rows.close)
        try:
            for start in range(0, rows.n_rows, ROWS):
                for arrival, first, count, _, _, connection in rows.read(start, ROWS).tolist():
                    if count > 0:
                        if self._zero_ns == 0:
                            self._zero_ns = arrival
                        yield first, count, arrival, connection
        finally:
            rows.close()

    # -- the source ------------------------------------------------------------------------------

    async def connect(self) -> SensorInfo:
        """Say what the recording's sensor said of itself."""
        self.lost = asyncio.Event()
        session = self.recording.session
        return info_of_session(
            _with_scales(session, self._gyr_scale, self._acc_scale),
            self._profile,
            name=str(session.sensor.get("name", self.name)),
            packet_samples=None,
        )

    async def _send(self, on_packet: PacketCallback) -> None:
        rate = 1.0 / self.recording.period_s
        turn = 0
        first_of_connection = True
        while True:
            packet = self._held if self._held is not None else next(self._parts, None)
            self._held = None
            if packet is None:
                self.ended = True
                return
            arrival_ns, connection, counts, first = packet
            if self._origin_ns is None:
                self._origin_ns = self._clock()
                self._first_ns = arrival_ns
            elif connection != self._connection and not first_of_connection:
                # The recording's link was lost here; on the next connection it goes on.
                self._held = packet
                return
            first_of_connection = False
            self._connection = connection
            since_ns = arrival_ns - self._first_ns
            if since_ns > self._seconds * 1e9:
                self.ended = True
                return
            wait_s = 0.0
            if self._speed:
                wait_s = since_ns / 1e9 / self._speed - (self._clock() - self._origin_ns) / 1e9
            turn += 1
            if wait_s > 0.0:
                await asyncio.sleep(wait_s)
            elif turn % PACKETS_A_TURN == 0:
                # Also where it is behind its time: others have to have a turn.
                await asyncio.sleep(0)
            payload = encode(self._profile, counts, counter=first, ticks=round(first / rate * 1e6))
            on_packet(RawPacket(self._origin_ns + since_ns, payload))

    async def stop(self) -> None:
        """Send no more."""
        if self._task is not None:
            self._task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._task
            self._task = None

    async def disconnect(self) -> None:
        """Send no more, and close the recording at its end."""
        await self.stop()
        if self.ended:
            self._parts.close()
            self.recording.close()

    async def battery(self) -> int | None:
        """Nobody knows how full the battery would be now."""
        return None


def _with_scales(session: Session, gyr_scale: float, acc_scale: float) -> Session:
    return dataclasses.replace(
        session,
        sample_kind="counts",
        gyr_dps_per_count=gyr_scale,
        acc_m_s2_per_count=acc_scale,
        gyr_range_dps=session.gyr_range_dps or FLOAT_GYR_RANGE_DPS,
        acc_range_g=session.acc_range_g or FLOAT_ACC_RANGE_G,
    )
