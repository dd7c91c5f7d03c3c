"""Record one sensor while it happens, whatever the link does.

A packet is decoded and written in the moment it arrives, and only then handed on. When the link
dies it is made again for as long as the recording runs; each connection has a clock of its own,
and the hole between two is marked.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import shutil
from collections import deque
from collections.abc import Callable, Coroutine, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, TypeVar

import numpy as np
import numpy.typing as npt

from sensor.errors import RecordingError, RecordingExistsError
from sensor.link.battery import BatteryCourse
from sensor.link.decode import Decoder
from sensor.link.source import (
    ConnectError,
    LinkError,
    RawPacket,
    SensorChangedError,
    SensorInfo,
    Source,
    UnsuitableSensorError,
    host_clock_ns,
)
from sensor.link.status import LinkEvent, LinkStatus, LiveReport
from sensor.recording.layout import COUNTS_DTYPE, PACKET_DTYPE
from sensor.recording.session import Session
from sensor.recording.writer import RecordingWriter

_log = logging.getLogger(__name__)

Array = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
T = TypeVar("T")

ROW_BYTES: Final = COUNTS_DTYPE.itemsize
PACKET_BYTES: Final = PACKET_DTYPE.itemsize


@dataclass(frozen=True, slots=True, kw_only=True)
class LiveParams:
    """How patient the link is, and when it warns."""

    connect_timeout_s: float = 40.0
    """For finding, connecting and reading the configuration. The Bluetooth library itself waits
    for 30 s (reference: bluetooth.md)."""

    start_timeout_s: float = 35.0
    """For the start of streaming: a request that is never answered takes about 30 s to fail
    (reference: bluetooth.md)."""

    stop_timeout_s: float = 3.0
    """For politeness at the end: a sensor that doesn't answer is let go of."""

    backoff_s: tuple[float, ...] = (0.0, 0.5, 1.0, 2.0, 4.0)
    """Wait before each try; the last one is repeated. Short at first, since most losses are short;
    never long, since the player is waiting."""

    first_tries: int = 5
    """Tries before the first connection is given up. Later ones are never given up."""

    silent_s: float = 5.0
    """Connected, but nothing came for so long: the link is made anew. Longer than any stall of a
    working link (reference: 0.4 s) and than a usual supervision timeout's remainder."""

    tick_s: float = 0.5
    """Between two looks at clock, battery, disk and losses."""

    slept_s: float = 3.0
    """A clock that leaps by so much more than a tick: the computer was asleep."""

    battery_every_s: float = 60.0
    battery_low_percent: int = 15
    """Warned of from here down: about an hour is left in most (from memory)."""

    disk_every_s: float = 5.0
    disk_low_s: float = 3600.0
    """Warned of when the disk is full in less than so long a recording."""

    loss_window_s: float = 10.0
    loss_high: float = 0.02
    """Share of lost samples over the window that is told. 3 % is a hard case for the finder."""

    packets_hz: float = 133.0
    """More packets a second than that are doubtful: 4 an interval of 30 ms (reference)."""

    flood: float = 2.0
    """So many times the nominal rate over a window isn't a rate error, which is 5 % at most."""


@dataclass(frozen=True, slots=True)
class LiveBlock:
    """The samples of one packet, on disk already.

    Attributes
    ----------
    seq : (n,) int64
        Strictly rising over the whole recording, at the nominal rate.
    acc_m_s2, gyr_dps : (n, 3)
    arrival_ns : int
        When the packet came, by the source's clock.
    connection : int
        Of which connection: each has a clock of its own.
    ticks_ns : int
        The sensor's own clock at the first sample; -1 where it sends none.
    """

    seq: Ints
    acc_m_s2: Array
    gyr_dps: Array
    arrival_ns: int
    connection: int = 0
    ticks_ns: int = -1


class LiveRecording:
    """Connect, stream, record and reconnect until stopped or at an end.

    Parameters
    ----------
    source : Source
    folder : path, or iterator of Path
        The recording's folder, made at the first connection; its parent must be there. An
        iterator gives names in turn: the first that isn't there by then is taken.
    mount, handedness, player, club : str, optional
        As in `Session`.
    extra : mapping, optional
        Further keys for ``session.json``.
    on_block : callable, optional
        Given each packet's samples once they are written. If it raises, it is called no more, and
        the recording goes on.
    on_event : callable, optional
        If it raises, that is logged and the recording goes on.
    on_end : callable, optional
        Called once after the last packet, while markers can still be made.
    clock : callable
        Nanoseconds; the clock that stamps the source's packets.
    params : LiveParams, optional
    """

    def __init__(
        self,
        source: Source,
        folder: Path | Iterator[Path],
        *,
        mount: str | None = None,
        handedness: str | None = None,
        player: str | None = None,
        club: str | None = None,
        extra: Mapping[str, Any] | None = None,
        on_block: Callable[[LiveBlock], None] | None = None,
        on_event: Callable[[LinkEvent], None] | None = None,
        on_end: Callable[[], None] | None = None,
        clock: Callable[[], int] = host_clock_ns,
        params: LiveParams | None = None,
    ) -> None:
        self.source = source
        self._folders = iter([folder]) if isinstance(folder, Path) else folder
        self.folder = next(self._folders)
        self.params = params or LiveParams()
        self.info: SensorInfo | None = None
        self.session: Session | None = None
        self._facts = {
            "mount": mount,
            "handedness": handedness,
            "player": player,
            "club": club,
        }
        self._extra = dict(extra or {})
        self._on_block = on_block
        self._on_event = on_event
        self._on_end = on_end
        self._clock = clock
        self._writer: RecordingWriter | None = None
        self._decoder: Decoder | None = None
        self._early: list[tuple[str, dict[str, Any]]] = []
        self._failed = asyncio.Event()
        self._failure: Exception | None = None
        self._generation = 0
        self._state = "connecting"
        self._last_seq = -1
        self._connection = -1
        self._ticks_ns = -1
        self._received = 0
        self._lost = 0
        self._gap_samples = 0
        self._reconnects = 0
        self._resets = 0
        self._battery = BatteryCourse(self.params.battery_low_percent)
        self._battery_task: asyncio.Task[None] | None = None
        self._next_battery_ns = 0
        self._disk_left: int | None = None
        self._next_disk_ns = 0
        self._disk_told = False
        self._first_arrival_ns: int | None = None
        self._last_arrival_ns = 0
        self._last_packet_ns = 0
        self._last_tick_ns = 0
        self._slept_s = 0.0
        self._window: deque[tuple[int, int, int, int]] = deque()
        self._told: set[str] = set()
        self._closed = False

    # -- what others see -------------------------------------------------------------------------

    @property
    def last_seq(self) -> int:
        """Number of the last sample that was written; -1 before the first."""
        return self._last_seq

    @property
    def status(self) -> LinkStatus:
        """How it goes at this moment."""
        decoder = self._decoder
        rate, loss = self._recent()
        first = self._first_arrival_ns
        return LinkStatus(
            state=self._state,
            rate_hz=rate,
            received=self._received,
            lost=self._lost,
            gap_samples=self._gap_samples,
            duplicate=0 if decoder is None else decoder.duplicate,
            late=0 if decoder is None else decoder.late,
            malformed=0 if decoder is None else decoder.malformed,
            oversized=0 if decoder is None else decoder.oversized,
            loss=loss,
            signal_dbm=self.source.signal_dbm,
            battery_percent=self._battery.percent,
            battery_left_min=self._battery.left_min,
            disk_left_bytes=self._disk_left,
            recorded_s=0.0 if first is None else (self._last_arrival_ns - first) / 1e9,
            reconnects=self._reconnects,
        )

    def mark(self, kind: str, **fields: Any) -> None:
        """Append a marker at the last sample; before the first connection it is kept until then.

        Raises
        ------
        RecordingError
            The disk is full or fails.
        ValueError
            A field cannot be written as JSON, or the recording is over.
        """
        if self._closed:
            raise ValueError("the recording is closed")
        if self._writer is None:
            self._early.append((kind, fields))
        else:
            self._writer.mark(kind, seq=max(0, self._last_seq), **fields)

    # -- running ---------------------------------------------------------------------------------

    async def run(self, stop: asyncio.Event) -> LiveReport:
        """Record until `stop` is set or the source is at its end.

        Parameters
        ----------
        stop : asyncio.Event

        Returns
        -------
        LiveReport

        Raises
        ------
        LinkError
            There never was a connection, or the sensor can't go on as it began.
        RecordingError
            The disk is full or fails. What was written before stays readable.
        """
        try:
            await self._run(stop)
        finally:
            try:
                await self._let_go()
            finally:
                self._end()
        if self._failure is not None:
            raise self._failure
        folder = None if self._writer is None else self.folder
        return LiveReport(folder=folder, status=self.status)

    def _end(self) -> None:
        """Close the recording."""
        self._state = "ended" if self.source.ended else "stopped"
        self._say_end()
        self._closed = True
        if self._writer is not None:
            try:
                self._writer.close()
            except RecordingError as error:
                # The first error is the one to tell.
                if self._failure is None:
                    self._failure = error

    def _say_end(self) -> None:
        if self._on_end is None:
            return
        try:
            self._on_end()
        except RecordingError as error:
            if self._failure is None:
                self._failure = error
        except Exception as error:
            _log.exception("at the end of the recording")
            self._tell("trouble", f"the recording is safe, but its end was not shown ({error})")

    async def _run(self, stop: asyncio.Event) -> None:
        tries = 0
        while not stop.is_set() and not self._failed.is_set():
            before = self._received
            try:
                if not await self._until(stop, self._connect()):
                    return
            except LinkError as error:
                await self._let_go()
                tries += 1
                self._give_up_or_tell(error, tries)
            else:
                why = await self._watch(stop)
                await self._let_go()
                if why in ("stop", "failed"):
                    return
                if self.source.ended:
                    self._tell("ended", f"{self.source.name} is at its end")
                    return
                if self._received > before:
                    tries = 0
                self._note_lost(why)
            self._state = "waiting"
            await self._pause(stop, tries)

    def _give_up_or_tell(self, error: LinkError, tries: int) -> None:
        """Raise what can't be cured; else say that it is tried again."""
        if isinstance(error, (SensorChangedError, UnsuitableSensorError)):
            raise error
        if self._writer is None and (not error.retry or tries >= self.params.first_tries):
            raise error
        self._tell("retry", f"{error}; trying again", tries=tries, error=type(error).__name__)

    def _note_lost(self, why: str) -> None:
        name = self.source.name
        texts = {
            "lost": f"the link to {name} is lost: connecting again, the recording goes on (is the "
            "sensor near, switched on and charged?)",
            "silent": f"{name} is connected but sends nothing: connecting again",
            "slept": "the computer was asleep: connecting again, the recording goes on",
        }
        self._tell("silent" if why == "silent" else "lost", texts[why], why=why)
        self._mark_safely("connection", state="lost", why=why)

    async def _pause(self, stop: asyncio.Event, tries: int) -> None:
        wait_s = self.params.backoff_s[min(tries, len(self.params.backoff_s) - 1)]
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(wait_s):
                await stop.wait()

    async def _until(self, stop: asyncio.Event, work: Coroutine[Any, Any, None]) -> bool:
        """Do something unless `stop` comes first; then it is cancelled, and False returned."""
        task = asyncio.ensure_future(work)
        stopping = asyncio.ensure_future(stop.wait())
        try:
            await asyncio.wait({task, stopping}, return_when=asyncio.FIRST_COMPLETED)
            if task.done():
                task.result()
                return True
            return False
        finally:
            for one in (task, stopping):
                if not one.done():
                    one.cancel()
                    with contextlib.suppress(asyncio.CancelledError, LinkError):
                        await one

    async def _connect(self) -> None:
        params, name = self.params, self.source.name
        self._state = "connecting"
        self._tell("connecting", f"connecting to {name}")
        try:
            async with asyncio.timeout(params.connect_timeout_s):
                info = await self.source.connect()
        except TimeoutError as error:
            raise ConnectError(
                f"connecting to {name} took longer than {params.connect_timeout_s:g} s: bring it "
                "nearer, or switch it off and on"
            ) from error
        name = self.source.name
        self._begin(info)
        self._generation += 1
        generation = self._generation

        def on_packet(packet: RawPacket) -> None:
            # A packet of an earlier connection that comes late belongs to a clock that is gone.
            if generation == self._generation:
                self._on_packet(packet)

        try:
            async with asyncio.timeout(params.start_timeout_s):
                await self.source.start(on_packet)
        except TimeoutError as error:
            raise ConnectError(
                f"{name} did not start to send within {params.start_timeout_s:g} s: switch it off "
                "and on"
            ) from error
        self._state = "streaming"
        now = self._clock()
        self._last_packet_ns = self._last_tick_ns = now
        self._next_battery_ns = now + int(params.battery_every_s * 1e9)
        self._window.clear()
        self._tell(
            "connected",
            f"connected to {name}: {info.rate_hz:g} Hz, ±{info.gyr_range_dps:g} deg/s, "
            f"±{info.acc_range_g:g} g"
            + (f", battery {info.battery_percent} %" if info.battery_percent is not None else ""),
        )
        self._note_battery(info.battery_percent)
        self._check_disk(now)
        if info.packet_samples and info.rate_hz / info.packet_samples > params.packets_hz:
            self._tell(
                "loss",
                f"the connection carries only {info.packet_samples} samples a packet: at "
                f"{info.rate_hz:g} Hz some may be lost; ask for a lower --rate if they are",
            )

    def _begin(self, info: SensorInfo) -> None:
        """Make the recording at the first connection; at others see that nothing changed."""
        if self.info is not None and info.settings() != self.info.settings():
            raise SensorChangedError(
                f"{self.source.name} came back with other settings (rate or ranges) than this "
                "recording began with: what is recorded is safe; start a new recording"
            )
        if self._writer is None:
            decoder = Decoder(
                info.profile,
                gyr_range_dps=info.gyr_range_dps,
                acc_range_g=info.acc_range_g,
                rate_hz=info.rate_hz,
                gyr_dps_per_count=info.gyr_dps_per_count,
                acc_m_s2_per_count=info.acc_m_s2_per_count,
            )
            self.session = Session.new(
                nominal_rate_hz=info.rate_hz,
                sensor=info.as_sensor(),
                gyr_range_dps=info.gyr_range_dps,
                acc_range_g=info.acc_range_g,
                gyr_dps_per_count=info.gyr_dps_per_count,
                acc_m_s2_per_count=info.acc_m_s2_per_count,
                **info.delays(),
                extra=self._extra,
                **self._facts,
            )
            self._writer = self._new_writer(self.session)
            self._decoder = decoder
            self._scale = np.array([info.acc_m_s2_per_count] * 3 + [info.gyr_dps_per_count] * 3)
            self.info = info
            for note in info.profile.notes:
                self._tell("profile", f"about this sensor: {note}")
            for kind, fields in self._early:
                self._mark_safely(kind, **fields)
            self._early.clear()
        else:
            assert self._decoder is not None
            self._decoder.new_connection()
            self._reconnects += 1
        self._mark_safely(
            "connection",
            state="connected",
            battery_percent=info.battery_percent,
            signal_dbm=self.source.signal_dbm,
        )

    def _new_writer(self, session: Session) -> RecordingWriter:
        """Make the folder; where another recorder was quicker, one of the next name."""
        while True:
            try:
                return RecordingWriter(self.folder, session)
            except RecordingExistsError:
                other = next(self._folders, None)
                if other is None:
                    raise
                self.folder = other

    async def _watch(self, stop: asyncio.Event) -> str:
        """Wait for the end of a connection and say why it ended."""
        waits = {
            asyncio.ensure_future(self._failed.wait()): "failed",
            asyncio.ensure_future(stop.wait()): "stop",
            asyncio.ensure_future(self.source.lost.wait()): "lost",
        }
        try:
            while True:
                done, _ = await asyncio.wait(
                    waits, timeout=self.params.tick_s, return_when=asyncio.FIRST_COMPLETED
                )
                for task, why in waits.items():
                    if task in done:
                        return why
                ended = self._tick()
                if ended is not None:
                    return ended
        finally:
            for task in waits:
                task.cancel()
            await asyncio.gather(*waits, return_exceptions=True)

    async def _let_go(self) -> None:
        """Stop and disconnect as politely as time allows."""
        self._generation += 1
        if self._battery_task is not None:
            self._battery_task.cancel()
            await asyncio.gather(self._battery_task, return_exceptions=True)
            self._battery_task = None
        for step in (self.source.stop, self.source.disconnect):
            try:
                async with asyncio.timeout(self.params.stop_timeout_s):
                    await step()
            except (TimeoutError, LinkError) as error:
                _log.info("%s: %s: %r", self.source.name, step.__name__, error)

    # -- a packet --------------------------------------------------------------------------------

    def _on_packet(self, packet: RawPacket) -> None:
        if self._failed.is_set() or self._decoder is None or self._writer is None:
            return
        self._last_packet_ns = self._clock()
        decoded = self._decoder.feed(packet.arrival_ns, packet.payload)
        if decoded is None:
            return
        try:
            self._write(decoded.packets, decoded.samples)
        except RecordingError as error:
            self._fail(error)
            return
        samples = decoded.samples
        if self._on_block is None or not len(samples):
            return
        # The six channels are columns 4 to 9 of a row, counted in their own type.
        values = samples.view("<i2").reshape(len(samples), 10)[:, 4:] * self._scale
        block = LiveBlock(
            samples["seq"].astype(np.int64),
            values[:, :3],
            values[:, 3:],
            packet.arrival_ns,
            self._connection,
            self._ticks_ns,
        )
        try:
            self._on_block(block)
        except Exception as error:
            # Whoever listens may fail; the samples may not be lost for it.
            _log.exception("after recording a packet")
            self._on_block = None
            self._tell(
                "trouble",
                f"the recording goes on, but its swings are no longer shown ({error}): analyze it "
                "when it is done",
            )

    def _write(self, packets: npt.NDArray[np.void], samples: npt.NDArray[np.void]) -> None:
        assert self._writer is not None
        arrival, first, count, _, self._ticks_ns, connection = packets[0].tolist()
        missing = first - self._last_seq - 1 if self._last_seq >= 0 else 0
        changed = connection != self._connection
        self._writer.append(packets, samples)
        if changed and self._last_seq >= 0:
            self._gap_samples += missing
            self._writer.mark("gap", seq=self._last_seq, missing=missing, connection=connection)
            if self._decoder is not None and self._decoder.resets > self._resets:
                self._resets = self._decoder.resets
                self._tell(
                    "restarted", f"{self.source.name} counts anew: did it restart?", missing=missing
                )
            else:
                # What the computer received at once on waking up hides how long it slept.
                without_s = max((arrival - self._last_arrival_ns) / 1e9, self._slept_s)
                self._tell(
                    "back", f"samples again after {without_s:.1f} s without", missing=missing
                )
            self._slept_s = 0.0
        else:
            self._lost += missing
        self._connection = connection
        self._last_seq = first + count - 1
        self._received += len(samples)
        if self._first_arrival_ns is None:
            self._first_arrival_ns = arrival
        self._last_arrival_ns = arrival

    def _fail(self, error: Exception) -> None:
        self._failure = error
        self._failed.set()

    # -- now and then ----------------------------------------------------------------------------

    def _tick(self) -> str | None:
        """Look at everything that changes slowly; say why if the connection has to be made anew."""
        params, now = self.params, self._clock()
        leap_s = (now - self._last_tick_ns) / 1e9 - params.tick_s
        self._last_tick_ns = now
        if leap_s > params.slept_s:
            self._slept_s = leap_s
            self._tell("slept", f"the computer was asleep for about {leap_s:.0f} s")
            self._mark_safely("slept", seconds=round(leap_s, 1))
            return "slept"
        if self._failed.is_set():
            return None
        if (now - self._last_packet_ns) / 1e9 > params.silent_s:
            return "silent"
        malformed = 0 if self._decoder is None else self._decoder.malformed
        # By the arrivals' own time, which for a replay at full speed isn't the clock's.
        at = self._last_arrival_ns
        self._window.append((at, self._received, self._lost, malformed))
        while at - self._window[0][0] > params.loss_window_s * 1e9:
            self._window.popleft()
        self._check_rates()
        if now >= self._next_battery_ns:
            self._next_battery_ns = now + int(params.battery_every_s * 1e9)
            if self._battery_task is None or self._battery_task.done():
                self._battery_task = asyncio.ensure_future(self._ask_battery())
        self._check_disk(now)
        return None

    def _recent(self) -> tuple[float | None, float | None]:
        """Samples a second and share lost over the window."""
        if len(self._window) < 3:
            return None, None
        (start, received, lost, _), (end, received_now, lost_now, _) = (
            self._window[0],
            self._window[-1],
        )
        came, missed = received_now - received, lost_now - lost
        rate = came / ((end - start) / 1e9) if end > start else None
        return rate, missed / (came + missed) if came + missed else None

    def _check_rates(self) -> None:
        params = self.params
        rate, loss = self._recent()
        if rate is None or self.info is None:
            return
        whole = (self._window[-1][0] - self._window[0][0]) / 1e9 > 0.5 * params.loss_window_s
        self._once(
            "loss",
            whole and loss is not None and loss > params.loss_high,
            f"{100 * (loss or 0.0):.0f} % of the samples are lost: bring the computer nearer to "
            "the sensor, out of other radios' way",
        )
        self._once(
            "flood",
            rate > params.flood * self.info.rate_hz,
            f"{self.source.name} sends {rate:.0f} samples a second but should send "
            f"{self.info.rate_hz:g}: its times will be wrong; restart the sensor",
        )
        broken = self._window[-1][3] - self._window[0][3]
        self._once(
            "malformed",
            broken > 5,
            f"{self.source.name} sends packets that its profile cannot read ({broken} in "
            f"{params.loss_window_s:g} s): is it the right profile and firmware?",
        )

    def _once(self, kind: str, true: bool, text: str) -> None:
        """Tell a state when it begins, not again and again while it lasts."""
        if true and kind not in self._told:
            self._told.add(kind)
            self._tell(kind, text)
            self._mark_safely("warning", what=kind, text=text)
        elif not true:
            self._told.discard(kind)

    async def _ask_battery(self) -> None:
        with contextlib.suppress(LinkError):
            self._note_battery(await self.source.battery())

    def _note_battery(self, percent: int | None) -> None:
        if percent is None:
            return
        if self._battery.note(percent, self._clock() / 1e9):
            self._tell(
                "battery",
                f"the battery of {self.source.name} is at {percent} %: charge the sensor soon; "
                "what is recorded is safe",
                percent=percent,
            )

    def _check_disk(self, now: int) -> None:
        if now < self._next_disk_ns or self.info is None:
            return
        self._next_disk_ns = now + int(self.params.disk_every_s * 1e9)
        try:
            self._disk_left = shutil.disk_usage(self.folder).free
        except OSError:
            self._disk_left = None
            return
        per_s = self.info.rate_hz * (ROW_BYTES + PACKET_BYTES / (self.info.packet_samples or 4))
        left_s = self._disk_left / per_s
        self._once(
            "disk",
            left_s < self.params.disk_low_s,
            f"the disk has room for only {_minutes(left_s)} of recording: free some",
        )

    def _tell(self, kind: str, text: str, **fields: Any) -> None:
        event = LinkEvent(kind, text, self._last_seq, fields)
        (_log.warning if event.warning else _log.info)("%s", text)
        if self._on_event is None:
            return
        try:
            self._on_event(event)
        except Exception:
            # Whoever listens may fail; nothing may be lost for it.
            _log.exception("after telling: %s", text)

    def _mark_safely(self, kind: str, **fields: Any) -> None:
        """Append a marker of the link's own; a full disk ends the recording, not the program."""
        if self._writer is None or self._failed.is_set():
            return
        try:
            self._writer.mark(
                kind,
                seq=max(0, self._last_seq),
                **{key: value for key, value in fields.items() if value is not None},
            )
        except RecordingError as error:
            self._fail(error)


def _minutes(left_s: float) -> str:
    number = round(left_s / 60.0)
    return f"{number} more minute{'' if number == 1 else 's'}"
