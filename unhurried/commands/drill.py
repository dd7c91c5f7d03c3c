"""`unhurried drill`: practise by ear, with a sensor watching the turn."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import shlex
import shutil
import sys
from collections import deque
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click
import numpy as np
from click.core import ParameterSource

from unhurried.commands.cue import (
    LEVEL_CAUTION,
    backswings,
    cue_options,
    delays,
    middle,
    no_reference,
    own_reference,
    say_output,
    sound_options,
)
from unhurried.drilling import (
    Known,
    cautions_are_due,
    into_library,
    known_player,
    near_name,
    plan_remarks,
    retention_remark,
)
from unhurried.errors import broken, plain, show
from unhurried.home import home_folder, home_log, home_option
from unhurried.newfolder import clear_empty, recording_folder
from unhurried.options import (
    FiniteRange,
    check_source,
    folder_option,
    library_option,
    session_options,
)
from unhurried.pages import forget_invented, live_page, page_options

if TYPE_CHECKING:
    from analysis.liveturn import LiveTurn, Seen, TurnEvent
    from analysis.results import Swing
    from feedback.drill import Action, Drill, DrillPlan, Reference
    from feedback.outputs import Output
    from review.drilled import Drilled
    from sensor.live import LinkEvent, LiveBlock
    from unhurried.live import LiveSession
    from unhurried.pages import PageDesk

MEMBERS: Final = {"wrist": "forearm", "glove": "hand", "club": "club", "trunk": "trunk"}
BLOCKS: Final = ("rehearsal", "ball", "silent", "retention")
KEYS: Final = "keys: 1 rushed, 2 in time, 3 slow, space to go on, q to end (Ctrl-C too)"
SHORT_CAUTION: Final = (
    "Warm up, clear space, stop on pain, never turn past comfort, rest; sound low, lower still for "
    "children; headphones hide warnings."
)
"""At later starts of a day; the whole text came at the first."""
NARROW: Final = 72
"""Columns below which a table breaks."""
LEFT_ROWS: Final = 3
"""Lines of the terminal that stay for words under the large digits."""
TICK_S: Final = 0.02
RING_S: Final = 2.0
"""Longer than any pattern of tones."""
SENSOR_DELAY_S: Final = 0.020
"""From a sample to its arrival: about a connection interval of 15 to 30 ms (from memory)."""


def share_page_options(command: Any) -> Any:
    """Add the page's options; --share is the share of the full turn here."""
    return page_options(command, share="--share-page")


@click.command("drill")
@session_options(
    player="Who swings; with a reference in the library.",
    club="With which club.",
    mount="Where the sensor is; one, since a drill has one sensor.",
)
@cue_options
@click.option(
    "--full-turn-deg",
    type=FiniteRange(min=30.0, max=400.0),
    help="The player's own full turn with this club and mount.  [default: --player's, or the "
    "median of the first three swings]",
)
@click.option(
    "--share",
    type=FiniteRange(min=0.3, max=1.0),
    help="Share of it from which a turn is called full.  [default: 0.95]",
)
@click.option(
    "--upper-turn-deg",
    type=FiniteRange(min=30.0, max=400.0),
    help="Upper bound of the turn: beyond it another, low sound is heard.",
)
@click.option(
    "--repeats",
    type=click.IntRange(min=1, max=200),
    default=5,
    show_default=True,
    help="Swings a block.",
)
@click.option(
    "--rest-s",
    type=FiniteRange(min=1.0, max=3600.0),
    default=15.0,
    show_default=True,
    help="Rest after a swing.",
)
@click.option(
    "--block",
    "blocks",
    type=click.Choice(BLOCKS),
    multiple=True,
    help="Kind of a block; again for the next. 'silent' is a test without sounds or numbers, "
    "'retention' the same on another day.  [default: rehearsal]",
)
@click.option(
    "--ball/--no-ball",
    default=None,
    help="Whether there is a ball in silent blocks; with rehearsal and ball it goes without "
    "saying.",
)
@click.option(
    "--rounds",
    type=click.IntRange(min=1, max=20),
    default=1,
    show_default=True,
    help="Go through the blocks so many times: rehearsal and ball in turn, say.",
)
@click.option(
    "--feedback",
    type=click.Choice(("every", "outside", "fading", "none")),
    default="every",
    show_default=True,
    help="Which swings get tones (also the one for the turn, while you go back) and numbers: "
    "every; only where time or turn lie outside (the tone for the turn comes always); fading, "
    "every swing at first and ever fewer, half of them in all; none.",
)
@click.option("--cue/--no-cue", "with_cue", default=True, help="With or without the cue.")
@click.option(
    "--cue-on",
    type=click.Choice(("ready", "takeaway")),
    default="ready",
    show_default=True,
    help="The cue comes by itself, 1.2 s after a ready beep, or joins your own takeaway.",
)
@click.option("--felt/--no-felt", default=False, help="Ask how it felt, before the numbers.")
@sound_options
@folder_option
@library_option
@click.option("--json", "as_json", is_flag=True, help="Print the outcome as JSON.")
@share_page_options
@home_option
def command(
    sensors: tuple[str, ...],
    simulated: bool,
    replay: Path | None,
    speed: float,
    seed: int,
    profile: str | None,
    player: str | None,
    club: str | None,
    mounts: tuple[str, ...],
    hand: str | None,
    backswing_ms: float | None,
    from_ms: float | None,
    to_ms: float | None,
    steps: int | None,
    full_turn_deg: float | None,
    share: float | None,
    upper_turn_deg: float | None,
    repeats: int,
    rest_s: float,
    blocks: tuple[str, ...],
    ball: bool | None,
    rounds: int,
    feedback: Any,
    with_cue: bool,
    cue_on: Any,
    felt: bool,
    output: str | None,
    level: float,
    out: Path | None,
    to_library: bool,
    as_json: bool,
    page: bool,
    port: int | None,
    share_page: bool,
    home: Path | None,
) -> None:
    """Practise a full, unhurried turn by ear, while a sensor records.

    A tone confirms the full turn while you go back: it tells, you need not wait for it. After
    a swing, one tone for the time (two low ones: short), one for the turn (two: short, three:
    beyond), and the figures in large digits. Keys: 1 2 3 how it felt, space to go on, q to end.
    With --page a browser shows the same and takes taps; with --share-page as well, a phone.

    \b
    Examples:
      unhurried drill --simulated
      unhurried drill --mount wrist --backswing-ms 800 --full-turn-deg 130
      unhurried drill --player Ida --club driver --mount wrist --block rehearsal \\
        --block ball --rounds 2 --block silent --feedback fading --felt
    """
    context = click.get_current_context()
    check_source(sensors, simulated=simulated, replay=replay, profile=profile)
    if len(mounts) > 1:
        raise click.UsageError("a drill has one sensor: give --mount once", context)
    mount = mounts[0] if mounts else None
    if not with_cue and _given(context, "cue_on"):
        raise click.UsageError("--cue-on is for a cue: leave it or --no-cue out", context)
    if len(sensors) > 1:
        raise click.UsageError("a drill has one sensor: give --sensor once", context)
    from feedback.drill import Drill
    from feedback.outputs import open_output
    from unhurried.live import open_source

    where = home_folder(home)
    kinds = (blocks or (("ball",) if ball else ("rehearsal",))) * rounds
    if ball is not None and ("rehearsal" if ball else "ball") in kinds:
        raise click.UsageError(
            "a rehearsal has no ball: leave --ball and --no-ball to silent blocks", context
        )
    times = backswings(backswing_ms, from_ms, to_ms, steps, repeats * len(kinds))
    player, who = _who(where, player)
    # A plan that is stopped refuses here, before anything is made.
    remarks = [] if who is None else plan_remarks(where, who, club, mount)
    remark = retention_remark(where, who, kinds)
    remarks += [] if remark is None else [remark]
    reference = reference_of(
        where if who is not None else None,
        (None if who is None else who.id, club, mount),
        backswing_ms=times[0] if times else None,
        full_turn_deg=full_turn_deg,
        share=share,
        upper_turn_deg=upper_turn_deg,
    )
    if player is not None and who is None:
        show(_new_here(player, reference.backswing_ms if with_cue else None, with_cue=with_cue))
    if with_cue and not times and reference.backswing_ms is None:
        for name, words in (("with_cue", "--cue"), ("cue_on", "--cue-on")):
            if _given(context, name):
                raise click.UsageError(
                    f"{words} needs the time of a backswing: give --backswing-ms, or --player "
                    "with a reference",
                    context,
                )
    plan = plan_of(
        kinds,
        repeats,
        reference,
        schedule=feedback,
        cue_on=cue_on if with_cue else None,
        rest_s=rest_s,
        felt=felt,
        backswings_ms=tuple(times) if from_ms is not None else (),
    )
    source = open_source(
        sensor=sensors[0] if sensors else None,
        simulated=simulated,
        replay=replay,
        speed=speed,
        seed=seed,
        mount=mount,
        hand=hand,
        player=player,
        club=club,
        profile=profile,
    )
    if simulated and player is None and (page or to_library):
        forget_invented(source)
    target, new = recording_folder(out, where)
    measured: list[str] = []
    sound, why = open_output(output, level=level, delay_of=delays(where, measured))
    drill = Drill(plan)
    run = DrillRun(drill, sound, mount=mount, hand=hand, ball=ball)
    run.say = show
    run.remarks = tuple(remarks)
    known_as = {player: who.id} if player is not None and who is not None else {}
    try:
        from unhurried.live import LiveSession

        def say_beginning() -> None:
            """Once there is a sensor, so that an error comes before all that; sound comes last."""
            _say_cautions(where, player, session.mount)
            show(f"the recording goes to {target}")
            for text in remarks:
                show(f"! {text}")
            if sound.silent and why is None:
                show("the output is silent: only the screen speaks")
            say_output(sound, why, measured=sound.name in measured, say=show)
            run.say_keys()

        with home_log(where), live_page(where, page=page, port=port, share=share_page) as up:
            desk = None
            if up is not None:
                desk = up.desk("drill", run, known_as=known_as, to_library=to_library)
            listeners: tuple[Callable[[Swing], None], Callable[[LinkEvent], None]]
            listeners = (run.on_swing, run.on_event)
            if desk is not None:
                listeners = desk.listening(0, *listeners)
            session = LiveSession(
                source,
                target,
                player=player,
                club=club,
                mount=mount,
                hand=hand,
                on_swing=listeners[0],
                on_block=run.on_block,
                on_event=_beginning(say_beginning, listeners[1]),
                home=where,
            )
            kept: list[str] = []
            try:
                interrupted = asyncio.run(run.run(session, page=desk))
                if up is not None and desk is not None:
                    kept = up.take_in(desk, by_itself=not interrupted)
            finally:
                run.close()
                _say_outcome(drill, session, as_json=as_json)
                if desk is None and to_library and session.status.received:
                    kept = into_library(where, [session], known_as, say=show)
                aside = _set_aside(where, kept, player)
                if aside is not None:
                    show(f"{aside}, nor does the plan count it")
                known = player if kept and aside is None else None
                _say_next(where, session, known, club, mount, again=aside is not None)
            if up is not None and desk is not None:
                up.stay(desk, by_itself=not interrupted)
    finally:
        run.close()
        clear_empty(new)
    if interrupted and session.status.received == 0:
        raise click.Abort


def _given(context: click.Context, name: str) -> bool:
    """Whether an option was written, and isn't there by default."""
    return context.get_parameter_source(name) is ParameterSource.COMMANDLINE


def _beginning(
    say: Callable[[], None], on_event: Callable[[LinkEvent], None]
) -> Callable[[LinkEvent], None]:
    """Say what there is to say when the sensor is there, before the first word on it."""
    begun = False

    def listen(event: LinkEvent) -> None:
        nonlocal begun
        if not begun and event.kind in ("connected", "profile"):
            begun = True
            say()
        on_event(event)

    return listen


def columns(stream: Any) -> int:
    """Width of the terminal that a stream goes to; 80 where it is none."""
    return _size(stream)[0]


def _size(stream: Any) -> tuple[int, int]:
    """Columns and lines of a terminal."""
    with contextlib.suppress(OSError, ValueError, AttributeError):
        if stream.isatty():
            size = os.get_terminal_size(stream.fileno())
            if size.columns > 0 and size.lines > 0:
                return size.columns, size.lines
    return shutil.get_terminal_size().columns, 0


def _ink() -> str:
    """What large signs are made of on this terminal."""
    encoding = (getattr(sys.stderr, "encoding", None) or "ascii").lower()
    return "█" if "utf" in encoding else "#"


def _upwards(rows: int) -> str:
    """Push up what stands on a terminal, out of sight but not out of its memory."""
    return "\n" * rows + "\x1b[H" if rows else ""


def _say_cautions(home: Path, player: str | None, mount: str | None) -> None:
    """The whole text once a day and player, then one line; that of the mount always."""
    from feedback.drill import CAUTIONS
    from sensor.wearing import cautions

    if cautions_are_due(home, player):
        for text in (*CAUTIONS, LEVEL_CAUTION):
            show(f"! {text}")
    else:
        show(f"! {SHORT_CAUTION}")
    for text in cautions(mount):
        show(f"! {text}")


# -- what was asked for ----------------------------------------------------------------------------


def _who(home: Path, player: str | None) -> tuple[str | None, Known | None]:
    """Whom a name means: the name to record with, and the player where known.

    At a terminal it is asked whether a name that is nearly a known one was mistyped.
    """
    if player is None:
        return None, None
    found = known_player(home, player)
    if found is not None:
        # Typed as an id, it would be recorded as a name.
        return (player if player.casefold() == found.name.casefold() else found.name), found
    near = near_name(home, player)
    if near is None:
        return player, None
    if _at_terminal():
        if click.confirm(f"'{plain(player)}' is new here. Is it {plain(near)}?", err=True):
            return near, known_player(home, near)
    else:
        show(f"'{player}' is new here; if {near} is meant, end with Ctrl-C and say so")
    return player, None


def _at_terminal() -> bool:
    """Whether there is somebody to be asked."""
    return sys.stdin.isatty() and sys.stderr.isatty()


def _new_here(player: str, backswing_ms: float | None, *, with_cue: bool) -> str:
    """Say what a drill goes by for somebody whom nothing is known of."""
    start = f"{player} is new here: no reference yet"
    if not with_cue:
        return start
    if backswing_ms is None:
        return f"{start}, so the cue comes once the first three swings have given a time"
    return f"{start}, the cue takes {backswing_ms:.0f} ms"


def reference_of(
    home: Path | None,
    who: tuple[str | None, str | None, str | None],
    *,
    backswing_ms: float | None,
    full_turn_deg: float | None,
    share: float | None,
    upper_turn_deg: float | None,
    say: Callable[[str], None] = show,
) -> Reference:
    """Put together what is said and what the player's own reference in the library says.

    Parameters
    ----------
    home : Path, optional
        None: nobody is looked up.
    who : tuple
        Player (name or id), club, mount.
    backswing_ms, full_turn_deg, share, upper_turn_deg : float, optional
        What was given.
    say : callable
        Told what the reference is, where that matters.

    Raises
    ------
    CommandError, ReviewError
        It isn't clear which player or reference is meant.
    """
    from feedback.drill import Reference

    own = None
    player, club, mount = who
    if home is not None and player is not None:
        own = own_reference(home, player, club, mount)
        if own is None and (backswing_ms is None or full_turn_deg is None):
            say(
                f"{no_reference(home, player, club, mount)}: what isn't given is provisional, from "
                "the first three swings"
            )
    bounds = None if own is None else own.bounds.get("turn_deg")
    if full_turn_deg is None and bounds is not None:
        full_turn_deg = 0.5 * (bounds[0] + bounds[1])
        upper_turn_deg = bounds[1] if upper_turn_deg is None else upper_turn_deg
        # The coach's lower bound is where a turn begins to be full.
        share = bounds[0] / full_turn_deg if share is None else share
    if own is not None and own.provisional:
        say("the reference is provisional: no coach has approved it")
    return Reference(
        backswing_ms=middle(own, "backswing_ms") if backswing_ms is None else backswing_ms,
        full_turn_deg=full_turn_deg,
        share=0.95 if share is None else max(0.3, share),
        upper_turn_deg=upper_turn_deg,
        swing_ms=middle(own, "swing_ms"),
        peak_rate_dps=middle(own, "peak_rate_dps"),
    )


def plan_of(kinds: Sequence[Any], repeats: int, reference: Reference, **options: Any) -> DrillPlan:
    """Make a plan of blocks of these kinds; what doesn't go together is told as a misuse."""
    from feedback.drill import Block, DrillPlan
    from feedback.errors import DrillError

    try:
        return DrillPlan(
            blocks=tuple(Block(kind, repeats) for kind in kinds), reference=reference, **options
        )
    except DrillError as error:
        raise click.UsageError(str(error), click.get_current_context(silent=True)) from error


# -- the sensor's samples on the host's clock ------------------------------------------------------


class SeqClock:
    """Which sample was taken when, by the host's clock: a straight line through arrivals.

    Radio makes packets late by turns; over half a second that evens out to some milliseconds.
    """

    SPAN_NS: Final = 500_000_000
    SLOPE_NS: Final = 20_000_000_000

    def __init__(self, rate_hz: float) -> None:
        self._rows: deque[tuple[int, int]] = deque(maxlen=8192)
        self._nominal_hz = rate_hz

    def feed(self, arrival_ns: int, last_seq: int) -> None:
        """A packet came, with this last sample."""
        self._rows.append((arrival_ns, last_seq))

    def new_connection(self) -> None:
        """Another clock begins."""
        self._rows.clear()

    @property
    def rate_hz(self) -> float:
        """Samples a second by the host's clock, over the last 20 s; nominal while that is short."""
        if not self._rows:
            return self._nominal_hz
        end = self._rows[-1][0]
        rows = [row for row in self._rows if end - row[0] < self.SLOPE_NS]
        if rows[-1][0] - rows[0][0] < self.SLOPE_NS // 2:
            return self._nominal_hz
        t = np.array([row[0] - end for row in rows]) * 1e-9
        slope = float(np.polyfit(t, np.array([row[1] for row in rows], dtype=float), 1)[0])
        near = 0.9 < slope / self._nominal_hz < 1.1
        return slope if near else self._nominal_hz

    @property
    def stretch(self) -> float:
        """How much longer a sample is than its nominal period; a turn is by as much larger."""
        return self._nominal_hz / self.rate_hz

    def seq_at(self, time_ns: int) -> float | None:
        """The sample that arrived at a time (with fraction); None in a gap."""
        near = [row for row in self._rows if abs(row[0] - time_ns) < self.SPAN_NS]
        if not near:
            return None
        rate = self.rate_hz
        offsets = [seq - (arrival - time_ns) * 1e-9 * rate for arrival, seq in near]
        return float(np.mean(offsets))

    def time_ns(self, seq: float) -> int | None:
        """When a sample arrived; None where nothing has yet."""
        near = list(self._rows)[-32:]
        if not near:
            return None
        rate = self.rate_hz
        return round(
            float(np.mean([arrival - (last - seq) / rate * 1e9 for arrival, last in near]))
        )


# -- running ---------------------------------------------------------------------------------------


class DrillRun:
    """Bring samples to the drill, and what the drill wants to ear, eye and recording.

    Parameters
    ----------
    drill : Drill
    sound : Output
        Started; taken over, see `close`.
    mount, hand : str, optional
    ball : bool, optional
        In silent blocks.
    sensor_delay_s : float
    """

    def __init__(
        self,
        drill: Drill,
        sound: Output,
        *,
        mount: str | None = None,
        hand: str | None = None,
        ball: bool | None = None,
        sensor_delay_s: float = SENSOR_DELAY_S,
    ) -> None:
        from feedback.patterns import Sounds
        from feedback.stage import Stage

        self.drill = drill
        self.sound = sound
        self.live: LiveTurn | None = None
        self.clock: SeqClock | None = None
        self.say: Callable[[str], None] = show
        self.watcher: Callable[[Action], None] | None = None
        self.on_terminal = True
        self.remarks: tuple[str, ...] = ()
        """What the plan has against it, for whoever shows the drill."""
        self._sounds = Sounds(sound.rate_hz)
        self._stage = Stage(sound, self._sounds)
        drill.audible = not sound.silent
        self._mount, self._hand, self._ball = mount, hand, ball
        self._sensor_delay_s = sensor_delay_s
        self._session: LiveSession | None = None
        self._stop: asyncio.Event | None = None
        self._connection: int | None = None
        self._underflows = 0
        self._interruptions = 0
        self._in_block = 0
        self._swung_in: tuple[int, str] = (0, "")
        self._struck_in = 0
        self._keys_there = False
        self._by_user = False
        self._large_there = False
        self._more_codes: Callable[[], None] | None = None

    async def run(self, session: LiveSession, *, page: PageDesk | None = None) -> bool:
        """Drill until it is done; True if somebody ended it before."""
        from unhurried.commands.record import stopping
        from unhurried.keys import reading_keys

        self._session = session
        self._more_codes = None if page is None else page.more_codes
        self._stop = stop = asyncio.Event()
        no_page = contextlib.nullcontext()
        attending = no_page if page is None else page.attending([session], self.end)
        listening = reading_keys(self._key) if self.on_terminal else contextlib.nullcontext(False)
        with stopping(stop):
            async with attending, listening as there:
                self._keys_there = there
                ticking = asyncio.ensure_future(self._ticks())
                ending = asyncio.ensure_future(self._end_in_time(stop))
                try:
                    await session.run(stop)
                finally:
                    for task in (ticking, ending):
                        task.cancel()
                    await asyncio.gather(ticking, ending, return_exceptions=True)
                if not self._by_user:
                    await self._let_ring()
        return self._by_user

    def say_keys(self) -> None:
        """Say which keys there are, where there are any."""
        if self._keys_there:
            more = "" if self._more_codes is None else ", v a code for another phone"
            self.say(f"{KEYS}{more}")

    async def _let_ring(self) -> None:
        """Let the tones of the last swing be heard."""
        end = self._now_s() + RING_S
        while self.sound.mixer.waiting and not self.sound.lost and self._now_s() < end:
            self.sound.frame_now()
            await asyncio.sleep(TICK_S)
        if not self.sound.silent:
            await asyncio.sleep(min(0.5, 0.05 + self.sound.delay_s))

    async def _end_in_time(self, stop: asyncio.Event) -> None:
        """Write the outcome down while the recording is still open."""
        await stop.wait()
        if self.drill.state != "done":
            self._by_user = True
            self._do(self.drill.stop())

    async def _ticks(self) -> None:
        while True:
            await asyncio.sleep(TICK_S)
            self._look_after_sound()
            self._do(self.drill.tick(self._now_s()))

    def _now_s(self) -> float:
        return asyncio.get_running_loop().time()

    def close(self) -> None:
        """Let go of the sound output; never hangs."""
        self.sound.close()

    # -- what happens ----------------------------------------------------------------------------

    def on_block(self, block: LiveBlock) -> None:
        """Take a packet's samples: the tone for the turn comes from here."""
        if self.live is None:
            self._begin()
        live, clock = self.live, self.clock
        assert live is not None
        assert clock is not None
        if block.connection != self._connection:
            self._connection = block.connection
            clock.new_connection()
        clock.feed(block.arrival_ns, int(block.seq[-1]))
        for event in live.feed(block.seq, block.acc_m_s2, block.gyr_dps):
            self._on_turn(event)
        self._do(self.drill.turning(live.turn_deg, self._now_s()))

    def _begin(self) -> None:
        from analysis.liveturn import LiveTurn

        session = self._session
        assert session is not None
        facts = session.session
        assert facts is not None
        self.clock = SeqClock(facts.nominal_rate_hz)
        self.live = LiveTurn(
            rate_hz=facts.nominal_rate_hz,
            mount=facts.mount or self._mount,
            handedness=facts.handedness or self._hand,
        )
        self._set_target()
        self._do(self.drill.begin(self._now_s()))

    def _set_target(self) -> None:
        """Tell the live turn what is full, and how far ahead to speak."""
        from analysis.liveturn import TurnTarget

        r, session = self.drill.reference, self._session
        if self.live is None or r.full_turn_deg is None or session is None:
            return
        # The live turn runs on the nominal rate; a sensor's clock is off by a per cent or so.
        stretch = 1.0 if self.clock is None else self.clock.stretch
        upper = r.upper_turn_deg
        self.live.target = TurnTarget(
            full_turn_deg=r.full_turn_deg / stretch,
            share=r.share,
            upper_turn_deg=None if upper is None else upper / stretch,
            lead_s=self._sensor_delay_s + self._chip_s() + self.sound.delay_s,
        )

    def _chip_s(self) -> float:
        """Delay of the gyroscope's own filter."""
        facts = None if self._session is None else self._session.session
        return 0.0 if facts is None else facts.gyr_delay_ms * 1e-3

    def _on_turn(self, event: TurnEvent) -> None:
        if event.kind == "takeaway":
            # By now the sensor's clock may be better known.
            self._set_target()
        self._do(
            self.drill.turn(
                event.kind,
                self._now_s(),
                seq=event.seq,
                takeaway_seq=event.takeaway_seq,
                turn_deg=event.turn_deg,
                likely=event.likely,
            )
        )

    def on_swing(self, swing: Swing) -> None:
        """Take a swing that has ended."""
        seen: Seen | None = None
        if self.live is not None and swing.turn_deg is not None:
            seen = self.live.learn(swing.turn_deg)
            self._set_target()
        self._stop_cue("the swing was over")
        rate = 0.0 if self.clock is None else self.clock.rate_hz
        self._do(
            self.drill.swing(
                swing,
                self._now_s(),
                takeaway_seq=None if seen is None else seen.takeaway_seq - self._chip_s() * rate,
                rate_hz=rate,
            )
        )
        self._look_at_strike(swing)

    def _look_at_strike(self, swing: Swing) -> None:
        """Say once a block that something was hit where there should be no ball."""
        number, kind = self._swung_in
        if kind != "rehearsal" or not swing.strike or self._struck_in == number:
            return
        self._struck_in = number
        self.say(
            "! that was a strike, in rehearsals without a ball: it is counted as a rehearsal (for "
            "balls end with q, and give --block ball)"
        )

    def on_event(self, event: LinkEvent) -> None:
        """Take what happens to the link."""
        if event.kind == "ended":
            self._do(self.drill.stop())
        elif event.kind in ("lost", "silent", "slept"):
            self._do(self.drill.link(True, self._now_s()))
        elif event.kind == "back":
            self._do(self.drill.link(False, self._now_s()))
        if event.kind != "connecting":
            self.say(("! " if event.warning else "") + event.text)

    def _key(self, character: str) -> None:
        if character in "qQ" and character:
            self.end()
        elif character == "v" and self._more_codes is not None:
            self._more_codes()
        else:
            self.press(character)

    def end(self) -> None:
        """End the drill now, with what there is."""
        self._do(self.drill.stop())

    def press(self, character: str, *, mark: bool = True) -> None:
        """Take a key: a feel, or space to go on.

        Parameters
        ----------
        character : str
        mark : bool
            Whether a feel is marked; False where that is done elsewhere.
        """
        from feedback.drill import Mark

        for action in self.drill.key(character, self._now_s()):
            if mark or not (isinstance(action, Mark) and action.kind == "felt"):
                self._do([action])

    # -- what the drill wants --------------------------------------------------------------------

    def _do(self, actions: Sequence[Action]) -> None:
        from feedback import drill as d

        for action in actions:
            if self.watcher is not None:
                self.watcher(action)
            match action:
                case d.Play():
                    self._stage.play(action.name, action.time, action.turn)
                case d.PlayCue():
                    self._play_cue(action)
                case d.StopCue():
                    self._stop_cue(action.why, unless_gliding=action.unless_gliding)
                case d.StopTones():
                    self._stage.stop_after()
                case d.Mark():
                    self._mark(action.kind, action.fields)
                case d.Ask():
                    self._clear()
                    self.say(action.text)
                case d.Line():
                    self.say(action.text)
                case d.Show():
                    self._show(action)
                case d.Clear():
                    self._clear()
                case d.SetTurn():
                    self._set_target()
                case d.Done():
                    self._settle_beats()
                    if self._stop is not None:
                        self._stop.set()

    def _play_cue(self, action: Any) -> None:
        """Lay the cue out; its beats as heard are kept for the swing."""
        from feedback.cue import Cue

        self._settle_beats()
        gone_s = None
        if action.takeaway_seq is not None:
            began_ns = None if self.clock is None else self.clock.time_ns(action.takeaway_seq)
            if began_ns is None:
                return
            # What is played now is heard so long after the player's own takeaway.
            heard_ns = self.sound.heard_ns(max(self.sound.mixer.frame, self.sound.frame_now()))
            gone_s = (heard_ns - began_ns) * 1e-9 + self._sensor_delay_s + self._chip_s()
        cue = Cue(action.backswing_ms, self.sound.rate_hz, ready=gone_s is None)
        self._stage.cue(cue, gone_s=gone_s)

    def _stop_cue(self, why: str, *, unless_gliding: bool = False) -> None:
        if self._stage.stop_cue(why, unless_gliding=unless_gliding):
            self._settle_beats()

    def _settle_beats(self) -> None:
        """Say at which samples the last cue's beats were heard, now that those have arrived."""
        clock, beats = self.clock, self._stage.beats()
        if not beats or clock is None or self._session is None:
            return
        delay_ns = round(self._sensor_delay_s * 1e9)
        at = {one.name: clock.seq_at(one.heard_ns + delay_ns) for one in beats}
        not_heard = {one.name: one.why_not for one in beats if one.why_not is not None}
        self._mark(
            "beats",
            {
                **{f"{n}_seq": None if s is None else round(s, 2) for n, s in at.items()},
                "output": self.sound.name,
                "output_delay_ms": round(1e3 * self.sound.delay_s, 1),
                "heard": not not_heard,
                "not_heard": not_heard,
            },
        )
        self.drill.cue_played(at.get("takeaway"), at.get("top"), not_heard)

    def _feel(self, session: LiveSession, fields: dict[str, Any]) -> None:
        """Mark how the last swing felt, and say so."""
        late = {"after_numbers": True} if fields.get("after_numbers") else {}
        swing = session.feel(fields["felt"].replace(" ", "-"), **late)
        if swing is not None:
            after = ", said after its numbers" if late else ""
            self.say(f"swing {swing.index} felt {fields['felt']}{after}")

    def _mark(self, kind: str, fields: dict[str, Any]) -> None:
        if kind == "drill_outcome":
            # The last word: what is still to be said of a cue comes before it.
            self._settle_beats()
        if kind == "drill_swing":
            self._swung_in = (fields["block"], fields["block_kind"])
        session = self._session
        if session is None or session.status.state in ("ended", "stopped"):
            return
        try:
            if kind == "felt":
                self._feel(session, fields)
                return
            if kind == "block":
                self._clear()
                kind_of = fields["block_kind"]
                ball = {"rehearsal": False, "ball": True}.get(kind_of, self._ball)
                session.change(ball=ball, block=kind_of)
            session.mark(kind, **fields)
        except ValueError:
            # The recording has just been closed.
            return
        if kind == "block_outcome":
            self._say_interruptions()

    def _show(self, action: Any) -> None:
        """Show a swing in large digits, and nothing of the one before."""
        from feedback.digits import screen

        if not self.on_terminal:
            return
        ink = _ink()
        facts = None if self._session is None else self._session.session
        mount = self._mount if facts is None else facts.mount
        member = MEMBERS.get(mount or "", "sensor's")
        width, rows = _size(sys.stderr)
        height = rows - 1 - LEFT_ROWS if rows else None
        lines = screen(action.judged, ink=ink, width=width, height=height)
        head = f"swing {action.done} of {action.of}, {member} turn"
        up = _upwards(rows) or "\n"
        print(up + "\n".join([head, *(line.rstrip() for line in lines)]), file=sys.stderr)
        sys.stderr.flush()
        self._large_there = True

    def _clear(self) -> None:
        """Leave no figures of a swing on the screen; where none are told SILENT stands there."""
        from feedback.digits import big

        rows = _size(sys.stderr)[1]
        if not self.on_terminal or not rows:
            return
        # Before the first of them there is nothing to hide, and the cautions stay.
        up = _upwards(rows) if self._large_there else ""
        self._large_there = self.drill.quiet
        lines = [line.rstrip() for line in big("SILENT", ink=_ink())] if self.drill.quiet else []
        print(up + "".join(f"{line}\n" for line in lines), end="", file=sys.stderr)
        sys.stderr.flush()

    # -- the sound output ------------------------------------------------------------------------

    def _look_after_sound(self) -> None:
        sound = self.sound
        sound.frame_now()
        self._stage.look()
        if sound.underflows != self._underflows:
            more = sound.underflows - self._underflows
            self._underflows = sound.underflows
            self._do(self.drill.sound_interrupted(sound.underflows))
            if not self._interruptions:
                self.say(
                    "! the sound was interrupted: what was heard then was late (drill marked); "
                    "from here on it is only counted"
                )
            self._interruptions += more
            self._in_block += more
        if sound.lost:
            self._go_silent()

    def _say_interruptions(self) -> None:
        """At a block's end: how often the sound was interrupted, beyond the first time."""
        times, self._in_block = self._in_block, 0
        if times > 1:
            self.say(
                f"! the sound was interrupted {times} times in this block: some of what was heard "
                "was late, or not heard (close other programs)"
            )

    def _go_silent(self) -> None:
        """The device is gone: the drill goes on, for the eye only."""
        from feedback.outputs import SilentOutput
        from feedback.stage import Stage

        before = self.sound
        self.say(f"! {before.name}: the sound output is gone; the drill goes on without sound")
        self._stop_cue("the sound output has gone")
        self.sound = SilentOutput(rate_hz=before.rate_hz)
        self.sound.start()
        self._stage = Stage(self.sound, self._sounds)
        self.drill.audible = False
        self._underflows = 0
        self._do(self.drill.sound_interrupted(before.underflows, lost=True))
        before.close()


# -- the outcome -----------------------------------------------------------------------------------


def _drilled(session: LiveSession) -> Drilled | None:
    """What came of the drill, as its recording has it."""
    from review.drilled import drilled_at

    return drilled_at(session.folder)


def _say_outcome(drill: Drill, session: LiveSession, *, as_json: bool) -> None:
    if session.status.received == 0:
        return
    from review.drilled import drilled_lines

    outcome = drill.outcome
    found = _drilled(session)
    if as_json:
        outcome["folder"] = str(session.folder)
        outcome["interruptions"] = 0 if found is None else found.interruptions
        outcome["held"] = [] if found is None else found.held
        click.echo(json.dumps(outcome, indent=2, ensure_ascii=False, allow_nan=False))
        return
    width = columns(sys.stdout)
    if width >= NARROW or found is None:
        for line in outcome_lines(outcome):
            click.echo(line)
        words = [] if found is None else [*_more_lines(found), *found.held]
    else:
        words = drilled_lines(found)
    for text in words:
        for line in broken(text, min(width, 80)):
            click.echo(line)
    sys.stdout.flush()


def _more_lines(found: Drilled) -> list[str]:
    """What the table has no column for."""
    out = []
    if found.interruptions:
        times = "once" if found.interruptions == 1 else f"{found.interruptions} times"
        out.append(f"the sound was interrupted {times}")
    for block in found.blocks:
        if block.kind == "rehearsal" and block.strikes:
            out.append(
                f"block {block.name}: {block.strikes} of {block.swings} met something, though it "
                "was without a ball; they count as rehearsals"
            )
    return out


def _set_aside(home: Path, kept: Sequence[str], player: str | None) -> str | None:
    """Say why the player's plan leaves out what was drilled; None where it doesn't."""
    from unhurried.ingest import open_library

    if player is None or not kept:
        return None
    with contextlib.suppress(Exception):
        who = known_player(home, player)
        if who is not None:
            with open_library(home) as library:
                return library.set_aside(library.session(kept[-1]), who.id)
    return None


def _say_next(
    home: Path,
    session: LiveSession,
    player: str | None,
    club: str | None,
    mount: str | None,
    *,
    again: bool = False,
) -> None:
    """Say what comes next: the plan, where the drill is in it; ``again``: what came of it."""
    if session.status.received == 0:
        return
    words = ["unhurried", "info" if again else "analyze", str(session.folder)]
    who = None
    if player is not None:
        # By now also somebody new is known.
        with contextlib.suppress(Exception):
            who = known_player(home, player)
    if who is not None:
        words = ["unhurried", "plan", who.typed]
        words += ["--club", club] if club is not None else []
        words += ["--mount", mount] if mount is not None else []
    line, width = f"{session.folder}: recorded; next: {shlex.join(words)}", columns(sys.stderr)
    if len(line) + len("unhurried: ") < width or not sys.stderr.isatty():
        show(line)
        return
    from unhurried.spoken import command_lines

    show(f"{session.folder}: recorded; next:")
    lines = command_lines(shlex.join(words), width=width)
    print("\n".join(plain(one) for one in lines), file=sys.stderr, flush=True)


def outcome_lines(outcome: dict[str, Any]) -> list[str]:
    """Return the outcome of a drill as a table, and how the cue was followed."""
    from feedback.drill import asynchrony_lines

    def pair(values: dict[str, Any], unit: str = "") -> str:
        if values["mean"] is None:
            return "-"
        sd = "" if values["sd"] is None else f" ({values['sd']:.0f})"
        return f"{values['mean']:.0f}{sd}{unit}"

    lines = [
        f"{outcome['swings']} of {outcome['of']} swings, feedback {outcome['schedule']}",
        "block            swings   time   turn    backswing        turn   peak rate",
        "                        enough   full      ms (sd)    deg (sd)  deg/s (sd)",
    ]
    for block in outcome["blocks"]:
        enough = f"{block['time_enough']}/{block['time_judged']}" if block["time_judged"] else "-"
        full = f"{block['turn_full']}/{block['turn_judged']}" if block["turn_judged"] else "-"
        lines.append(
            f"{block['block']:>2} {block['block_kind']:<13} {block['swings']:>6} {enough:>6} "
            f"{full:>6} {pair(block['backswing_ms']):>12} {pair(block['turn_deg']):>11} "
            f"{pair(block['peak_rate_dps']):>11}"
        )
    more = asynchrony_lines(outcome)
    if outcome["sound_interrupted"]:
        more.append("the sound was interrupted: some of what was heard was late, or not heard")
    return [*lines, *(line for text in more for line in broken(text, 80))]
