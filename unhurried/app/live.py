"""Where the rooms meet live: a sensor's samples, once on disk, through the swing finder.

`LiveSession` is for whatever wants swings as they happen (`record`, `drill`); `open_source` makes
the source that the options of these commands ask for.
"""

from __future__ import annotations

import asyncio
import bisect
import dataclasses
import logging
import math
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any, Final

import numpy as np

from analysis import FoundSwing, Note, Swing, SwingFinder, to_seconds
from sensor.errors import SensorError
from sensor.link.live import LiveBlock, LiveParams, LiveRecording
from sensor.link.profile import load_profile
from sensor.link.source import Source, host_clock_ns
from sensor.link.status import LinkEvent, LinkStatus, LiveReport
from sensor.link.wearing import Wearing, WearingNote
from sensor.recording.calibration import (
    Calibration,
    CalibrationError,
    calibration_for,
    read_sensor_file,
    sensor_key,
    update_sensor_file,
)
from sensor.recording.markers import Segment
from sensor.recording.session import Session
from sensor.recording.timebase import LiveTimeBase, PeriodMemory
from unhurried.app.battery_memory import remember_pace
from unhurried.app.measuring import (
    RESTRAPPED,
    knock_visible_ahead,
    only_whole_pairs,
    with_ball,
    with_hold,
)
from words import knocks
from words.units import G_N_M_S2, UNCALIBRATED_GYR_U

_log = logging.getLogger(__name__)

# Key in the sensor's file in the home, beside its calibrations.
PERIOD_KEY: Final = "period"
# Samples are looked at for swings in pieces of at least this length, whatever the packets: it
# spares work, makes a swing's line later by as much, and changes nothing in what is found.
TOGETHER_S: Final = 0.05


def open_source(
    *,
    sensor: str | None = None,
    simulated: bool = False,
    replay: Path | None = None,
    speed: float = 1.0,
    seed: int = 0,
    seconds: float | None = None,
    mount: str | None = None,
    hand: str | None = None,
    player: str | None = None,
    club: str | None = None,
    rate_hz: float | None = None,
    profile: str | None = None,
    clock: Callable[[], int] = host_clock_ns,
    balls: bool = True,
) -> Source:
    """Make the source that the options of a live command ask for.

    Parameters
    ----------
    sensor : str, optional
        Name or address; the only sensor near by default.
    simulated, balls : bool
        A simulated sensor instead of a radio; without balls all are practice swings.
    replay : Path, optional
        A recording to send again instead.
    speed : float
        Of a simulation or replay; 0 is as fast as it can.
    seed, seconds : int, float
        Of a simulation: what it is made from; of that and a replay: how long it goes on, by the
        recording's own time (None: until it is stopped, or at its end).
    mount, hand, player, club : str, optional
        For a simulation: what is simulated. For a replay: what is known better.
    rate_hz : float, optional
        What the sensor is asked for.
    profile : str, optional
        Name or path of the profile, where it can't be told.
    clock : callable
        Stamps the arrivals, in nanoseconds.

    Raises
    ------
    SensorError
        The recording or the profile cannot be read.
    """
    if replay is not None:
        from sensor.link.replay import ReplaySource

        return ReplaySource(
            replay, speed=speed, seconds=seconds, mount=mount, hand=hand, clock=clock
        )
    if simulated:
        from simulation.live_sensor import SimulatedSource
        from simulation.sessions import PlayerSpec, SessionSpec

        default = PlayerSpec()
        spec = SessionSpec(
            mount=mount or "wrist",  # type: ignore[arg-type]  # checked by whoever asks
            players=(
                PlayerSpec(
                    name=player or default.name,
                    handedness=hand or "right",  # type: ignore[arg-type]
                    club=club or default.club,
                ),
            ),
            rate_hz=rate_hz or 200.0,
            loss=0.0,
            balls=balls,
        )
        return SimulatedSource(spec, seed=seed, seconds=seconds, speed=speed, clock=clock)
    from sensor.link.radio import RadioSource

    return RadioSource(
        sensor,
        profile=None if profile is None else load_profile(profile),
        rate_hz=rate_hz,
        clock=clock,
    )


def forget_invented(source: Source, *, player: str | None, hand: str | None) -> None:
    """Leave out what a simulation has made up and nobody said.

    The library would get a player of that name, and a handedness that was left open.
    """
    made_up = set() if player else {"player", "club"}
    if hand is None:
        made_up.add("handedness")
    source.facts = {k: v for k, v in source.facts.items() if k not in made_up}


class LiveSession:
    """Record a sensor and find its swings as they happen.

    Parameters
    ----------
    source : Source
    folder : Path or iterator of Path
        The recording's folder, which must not be there yet; or names for it in turn.
    player, club, mount, hand : str, optional
    on_swing : callable
        Given each swing as soon as it is over, with its player and club. While the sensor's clock
        isn't known yet its durations have a standard uncertainty of 2 % and the note
        ``period_unknown``; ratio and rates don't need the clock.
    on_block : callable, optional
        Given each packet's samples, on disk already, with the sensor's calibration applied.
    on_event : callable, optional
        Given what happens to link, battery, disk and mount.
    home : Path, optional
        Where sensors are remembered: period and calibration. None: nothing is.
    extra : mapping, optional
        Further keys for ``session.json``.
    clock : callable
    params : LiveParams, optional

    Attributes
    ----------
    swings : list of Swing
        All so far, without their budgets.
    wearing : Wearing or None
        From the first sample on.
    calibration : Calibration or None
        That of the sensor, once it is known.
    replayed : bool
        Another recording is sent again.
    somebody : bool
        Somebody wears the sensor now: it is neither simulated nor a replay.
    before_end : callable or None
        Called when the recording is about to be closed: the last moment for a marker.
    """

    def __init__(
        self,
        source: Source,
        folder: Path | Iterator[Path],
        *,
        player: str | None = None,
        club: str | None = None,
        mount: str | None = None,
        hand: str | None = None,
        on_swing: Callable[[Swing], None],
        on_block: Callable[[LiveBlock], None] | None = None,
        on_event: Callable[[LinkEvent], None] | None = None,
        home: Path | None = None,
        extra: Mapping[str, Any] | None = None,
        clock: Callable[[], int] = host_clock_ns,
        params: LiveParams | None = None,
    ) -> None:
        # Who and where: as told, else as the source knows it (a replay, a simulation).
        mount = mount or source.facts.get("mount")
        hand = hand or source.facts.get("handedness")
        player = player or source.facts.get("player")
        club = club or source.facts.get("club")
        replay_of = getattr(source, "replay_of", None)
        # Whether there is somebody to be asked for a waggle.
        self.replayed = replay_of is not None
        self.somebody = not self.replayed and not getattr(source, "simulated", False)
        if replay_of is not None:
            extra = {**(extra or {}), "replay_of": replay_of}
        self.recording = LiveRecording(
            source,
            folder,
            mount=mount,
            handedness=hand,
            player=player,
            club=club,
            extra=extra,
            on_block=self._block,
            on_event=on_event,
            on_end=self._finish,
            clock=clock,
            params=params,
        )
        self.swings: list[Swing] = []
        self.wearing: Wearing | None = None
        self.calibration: Calibration | None = None
        self.segment = Segment(player=player, handedness=hand, club=club)
        self._segments: list[tuple[int, Segment]] = [(-1, self.segment)]
        self.mount = mount
        self._replayed: list[tuple[int, Segment]] = list(getattr(source, "segments", ()))
        self._last_found: FoundSwing | None = None
        self._held: list[tuple[float, float]] = []
        self._waiting: list[LiveBlock] = []
        self._n_waiting = 0
        self._n_together = 1
        self._on_swing = on_swing
        self._on_block = on_block
        self._on_event = on_event
        self._home = home
        self.before_end: Callable[[], None] | None = None
        self._finder: SwingFinder | None = None
        self._time_base: LiveTimeBase | None = None

    # -- what others see -------------------------------------------------------------------------

    @property
    def folder(self) -> Path:
        """Where the recording is."""
        return self.recording.folder

    @property
    def session(self) -> Session | None:
        """What ``session.json`` says; None before the first connection."""
        return self.recording.session

    @property
    def status(self) -> LinkStatus:
        """How the recording goes."""
        return self.recording.status

    @property
    def last_found(self) -> FoundSwing | None:
        """The latest swing by sample numbers."""
        return self._last_found

    @property
    def rate_hz(self) -> float | None:
        """Nominal sample rate; None before the first connection."""
        info = self.recording.info
        return None if info is None else info.rate_hz

    @property
    def short_strokes(self) -> int:
        """Strokes of under 30 deg so far: counted, not measured."""
        return 0 if self._finder is None else self._finder.short_strokes

    @property
    def time_base(self) -> LiveTimeBase | None:
        """The sensor's clock as far as it is known; None before the first sample."""
        return self._time_base

    def mark(self, kind: str, **fields: Any) -> None:
        """Append a marker at the last sample."""
        self.recording.mark(kind, **fields)

    def change(self, **fields: Any) -> Segment:
        """Begin a segment: from here on another player, club, handedness, intent or ball.

        Parameters
        ----------
        **fields
            Those of `Segment` that change; the others stay.

        Returns
        -------
        Segment
            What holds from here on.
        """
        before = self.segment
        self.segment = dataclasses.replace(before, **fields)
        seq = max(0, self.recording.last_seq)
        self._segments.append((seq, self.segment))
        self.recording.mark("segment", **dataclasses.asdict(self.segment))
        same = (before.player, before.club, before.handedness)
        if self.wearing is not None and same != (
            self.segment.player,
            self.segment.club,
            self.segment.handedness,
        ):
            self.wearing.new_segment()
            if self._finder is not None:
                self._finder.new_hands(seq)
        return self.segment

    @property
    def held(self) -> bool:
        """Whether nothing counts at the moment."""
        return bool(self._held) and self._held[-1][1] == math.inf

    def hold(self, held: bool) -> None:
        """From here on nothing counts, or all does again; the recording goes on.

        Raises
        ------
        ValueError
            The recording is closed.
        """
        if held == self.held:
            return
        self.recording.mark("hold", held=held)
        seq = float(max(0, self.recording.last_seq))
        if held:
            self._held.append((seq, math.inf))
        else:
            self._held[-1] = (self._held[-1][0], seq)

    def feel(self, word: str, **fields: Any) -> Swing | None:
        """Say how the last swing felt; a marker that names it.

        Parameters
        ----------
        word : str
            One of ``FELT["time"]`` of `sensor.recording.annotations`.
        **fields
            Further ones for the marker.

        Returns
        -------
        Swing or None
            The swing; None (and no marker) if there was none yet.
        """
        if not self.swings or self._last_found is None:
            return None
        found = self._last_found
        at = found.anchor_seq if found.impact_seq is None else found.impact_seq
        self.recording.mark(
            "felt", time=word, swing=len(self.swings), swing_seq=round(at), **fields
        )
        return self.swings[-1]

    # -- running ---------------------------------------------------------------------------------

    async def run(self, stop: asyncio.Event) -> LiveReport:
        """Record until `stop` is set or the source is at its end; see `LiveRecording.run`."""
        return await self.recording.run(stop)

    def _finish(self) -> None:
        if self.before_end is not None:
            self.before_end()
        if self._finder is not None:
            self._look()
            for found in self._finder.flush():
                self._found(found)
        self._remember()

    def _block(self, block: LiveBlock) -> None:
        if self._finder is None:
            self._begin()
        base = self._time_base
        assert base is not None
        base.feed(
            int(block.seq[0]), len(block.seq), block.arrival_ns, block.connection, block.ticks_ns
        )
        self._waiting.append(block)
        self._n_waiting += len(block.seq)
        if self._n_waiting >= self._n_together:
            self._look()
        if self._on_block is not None:
            if self.calibration is not None:
                acc, gyr = self.calibration.apply(block.acc_m_s2, block.gyr_dps)
                block = dataclasses.replace(block, acc_m_s2=acc, gyr_dps=gyr)
            self._on_block(block)

    def _look(self) -> None:
        """Look at the samples that have come since the last time."""
        if not self._waiting:
            return
        finder, wearing = self._finder, self.wearing
        assert finder is not None
        assert wearing is not None
        seq = np.concatenate([block.seq for block in self._waiting])
        acc = np.concatenate([block.acc_m_s2 for block in self._waiting])
        gyr = np.concatenate([block.gyr_dps for block in self._waiting])
        self._waiting.clear()
        self._n_waiting = 0
        while self._replayed and self._replayed[0][0] <= seq[-1]:
            self.change(**dataclasses.asdict(self._replayed.pop(0)[1]))
        for note in wearing.feed(seq, acc, gyr):
            self._note(note)
        if self.calibration is not None:
            acc, gyr = self.calibration.apply(acc, gyr)
        for found in finder.feed(seq, acc, gyr):
            self._found(found)

    def _begin(self) -> None:
        """Set everything up for the sensor that has just begun to send."""
        session, info = self.recording.session, self.recording.info
        assert session is not None
        assert info is not None
        assert session.gyr_range_dps is not None
        assert session.acc_range_g is not None
        calibration = self._calibration(session)
        gyr_limit, acc_limit = session.gyr_range_dps, session.acc_range_g
        if calibration is not None:
            gyr_limit = calibration.gyr_limit_dps(gyr_limit)
            acc_limit = calibration.acc_limit_m_s2(acc_limit * G_N_M_S2) / G_N_M_S2
        self.calibration = calibration
        self._finder = SwingFinder(
            rate_hz=session.nominal_rate_hz,
            mount=session.mount,
            gyr_range_dps=gyr_limit,
            acc_range_g=acc_limit,
            gyr_scale_u=(
                session.gyr_scale_u or UNCALIBRATED_GYR_U
                if calibration is None
                else calibration.gyr_scale_u
            ),
            gyr_delay_s=session.gyr_delay_s,
            acc_delay_s=session.acc_delay_ms / 1e3,
        )
        self.wearing = Wearing(
            mount=session.mount,
            rate_hz=session.nominal_rate_hz,
            gyr_range_dps=session.gyr_range_dps,
            acc_range_g=session.acc_range_g,
            somebody=self.somebody,
        )
        self._n_together = max(1, round(TOGETHER_S * session.nominal_rate_hz))
        self._time_base = LiveTimeBase(session.nominal_rate_hz, remembered=self._remembered())
        hidden = knocks.ahead(
            knock_visible_ahead(session, gyr_limit_dps=gyr_limit, acc_limit_g=acc_limit)
        )
        if hidden is not None and self._on_event is not None:
            self._on_event(LinkEvent("guide", hidden, self.recording.last_seq))

    # -- swings ----------------------------------------------------------------------------------

    def _found(self, found: FoundSwing) -> None:
        base, session = self._time_base, self.recording.session
        assert base is not None
        assert session is not None
        at = found.anchor_seq if found.takeaway_seq is None else found.takeaway_seq
        swing = to_seconds(
            found,
            lambda seq: float(base.time_of_seq(seq)),
            index=len(self.swings) + 1,
            period_s=base.period_s,
            period_u_s=base.period_u_s,
            nominal_rate_hz=session.nominal_rate_hz,
            gyr_delay_u_s=session.gyr_delay_u_s,
        )
        segment = self._segment_at(at)
        notes = swing.notes
        if not base.known:
            notes += (
                Note(
                    "period_unknown",
                    "the sensor's clock isn't measured yet, so times may be off by some percent; "
                    "the ratio isn't",
                ),
            )
        swing = dataclasses.replace(
            swing,
            player=segment.player,
            handedness=segment.handedness,
            club=segment.club,
            intent=segment.intent,
            notes=notes,
        )
        swing = only_whole_pairs(with_ball(swing, segment.ball))
        swing = with_hold(swing, found, self._held)
        # Where a number's uncertainty comes from is handed on but not kept: hours of it add up.
        self.swings.append(dataclasses.replace(swing, budget={}))
        self._last_found = found
        if self.wearing is not None and found.takeaway_seq is not None:
            note = self.wearing.address(found.takeaway_seq)
            if note is not None:
                self._note(note)
        self._on_swing(swing)

    def _segment_at(self, seq: float) -> Segment:
        place = bisect.bisect_right([first for first, _ in self._segments], seq)
        return self._segments[max(0, place - 1)][1]

    def _note(self, note: WearingNote) -> None:
        """Tell what was found about the mount, and keep it."""
        self.recording.mark("wearing", code=note.code, ok=note.ok, **note.fields)
        if note.code == RESTRAPPED and self._finder is not None:
            self._finder.new_hands(max(0, self.recording.last_seq))
        if self._on_event is not None:
            self._on_event(
                LinkEvent(
                    "guide" if note.ok else "wearing",
                    note.text,
                    self.recording.last_seq,
                    {"code": note.code, **note.fields},
                )
            )

    # -- what is remembered of a sensor ----------------------------------------------------------

    def _key(self) -> str | None:
        session = self.recording.session
        return None if session is None else sensor_key(session.sensor)

    def _calibration(self, session: Session) -> Calibration | None:
        if self._home is None:
            return None
        try:
            return calibration_for(
                self._home,
                session.sensor,
                session.start,
                gyr_range_dps=session.gyr_range_dps,
                acc_range_g=session.acc_range_g,
            )
        except CalibrationError as error:
            self._trouble(f"no calibration is used: {error}")
            return None

    def _remembered(self) -> PeriodMemory | None:
        key = self._key()
        if self._home is None or key is None:
            return None
        try:
            return PeriodMemory.from_dict(read_sensor_file(self._home, key).get(PERIOD_KEY))
        except CalibrationError as error:
            self._trouble(f"the sensor's period isn't remembered: {error}")
            return None

    def _remember(self) -> None:
        """Keep the measured period, and how the battery fell, for the sensor's next day."""
        base, key, session = self._time_base, self._key(), self.recording.session
        if self._home is None or base is None or key is None or session is None:
            return
        if session.sensor.get("simulated"):
            return
        kept = base.remember(session.start)
        try:
            if kept is not None:
                update_sensor_file(self._home, key, **{PERIOD_KEY: kept.as_dict()})
            remember_pace(self._home, key, session.sensor.get("address"), self.status)
        except SensorError as error:
            self._trouble(f"the sensor's period cannot be remembered: {error}")

    def _trouble(self, text: str) -> None:
        _log.warning("%s", text)
        if self._on_event is not None:
            self._on_event(LinkEvent("trouble", text, self.recording.last_seq))
