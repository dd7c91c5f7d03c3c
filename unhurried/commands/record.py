"""`unhurried record`: record a sensor, and show each swing as it happens."""

from __future__ import annotations

import asyncio
import contextlib
import functools
import json
import os
import re
import shlex
import signal
import sys
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from unhurried.drilling import into_library
from unhurried.errors import plain, show
from unhurried.home import home_folder, home_log, home_option
from unhurried.newfolder import clear_empty, make_folder, recording_folder
from unhurried.options import (
    MOST_NAME,
    FiniteRange,
    check_source,
    clock,
    folder_option,
    library_option,
    session_options,
)
from unhurried.pages import forget_invented, live_page, page_options

if TYPE_CHECKING:
    from analysis.results import Swing
    from sensor.live import LinkEvent, LinkStatus
    from unhurried.keys import TextEntry
    from unhurried.live import LiveSession
    from unhurried.pages import PageDesk

# How often the line with rate, loss and so on is written anew.
STATUS_S: Final = 0.5
HEADER: Final = (
    "  #   time  kind      swing   back   down ratio  turn   peak  player, club\n"
    "      m:ss               ms     ms     ms         deg  deg/s"
)
MEMBERS: Final = {"wrist": "forearm", "glove": "hand", "club": "club", "trunk": "trunk"}
KEY_HELP: Final = (
    "keys: p player  c club  h hand  r rehearsals  b balls  a either  n note\n"
    "      last swing felt: 1 rushed  2 in time  3 slow     ? this help  Ctrl-C ends"
)

MORE_CODES: Final = "\n      v a code for another phone"


@click.command("record")
@session_options(
    player="Who swings; change it at any time with the key p.",
    club="With which club (key c).",
    mount="Where the sensor is: lead wrist, back of the lead hand, club shaft, upper back. "
    "One for each --sensor.",
    hand="The player's handedness (key h).",
)
@click.option(
    "--rate",
    "rate_hz",
    type=FiniteRange(min=50.0, max=2000.0),
    help="Samples a second to ask the sensor for.",
)
@click.option(
    "--seconds",
    type=FiniteRange(min=0.1),
    help="End by itself after so many seconds of recording, at whatever --speed.  [default: at "
    "Ctrl-C]",
)
@folder_option
@library_option
@click.option("--json", "as_json", is_flag=True, help="Print each swing as a line of JSON.")
@page_options
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
    rate_hz: float | None,
    seconds: float | None,
    out: Path | None,
    to_library: bool,
    as_json: bool,
    page: bool,
    port: int | None,
    share_page: bool,
    home: Path | None,
) -> None:
    """Record a sensor, and print each swing as it happens.

    Every sample is on disk before anything else is done with it. A lost link is made again by
    itself for as long as the recording runs; Ctrl-C ends it. With --page a browser shows each
    swing in large digits and takes taps; with --share as well, a phone on the same network.

    \b
    Examples:
      unhurried record --mount wrist --player Ida --club driver
      unhurried record --sensor "Swing 2" --mount club
      unhurried record --sensor A1:B2:C3:D4:E5:F6 --mount wrist \\
        --sensor A1:B2:C3:D4:E5:F7 --mount trunk
      unhurried record --simulated --seconds 60
      unhurried record --mount wrist --page --share
      unhurried record --replay recordings/monday-wrist --speed 4
    """
    context = click.get_current_context()
    check_source(sensors, simulated=simulated, replay=replay, profile=profile)
    count = max(1, len(sensors), len(mounts) if simulated else 1)
    if len(mounts) > 1 and len(mounts) != count:
        raise click.UsageError("give one --mount for each --sensor", context)
    if replay is not None and rate_hz is not None:
        raise click.UsageError("a replay has the rate that it has: leave --rate out", context)
    from unhurried.live import LiveSession, open_source

    where = home_folder(home)
    names = sensors or (None,) * count
    sources = [
        open_source(
            sensor=name,
            simulated=simulated,
            replay=replay,
            speed=speed,
            seed=seed + number,
            seconds=seconds,
            mount=mounts[number % len(mounts)] if mounts else None,
            hand=hand,
            player=player,
            club=club,
            rate_hz=rate_hz,
            profile=profile,
        )
        for number, name in enumerate(names)
    ]
    if simulated and player is None and (page or to_library):
        for one in sources:
            forget_invented(one)
    labels = _labels(sensors, mounts, count)
    screen = Screen()
    target, new = recording_folder(out, where)
    folders = [target] if count == 1 else [target / label for label in labels]
    if count > 1:
        new += make_folder(target)
    try:
        with home_log(where), live_page(where, page=page, port=port, share=share_page) as up:
            desk = None if up is None else up.desk("recording", to_library=to_library)
            sessions: list[LiveSession] = []
            for number, source in enumerate(sources):
                label = labels[number] if count > 1 else ""
                on_swing = _swing_printer(screen, label, as_json=as_json)
                on_event = _event_printer(screen, label)
                if desk is not None:
                    on_swing, on_event = desk.listening(number, on_swing, on_event, label=label)
                session = LiveSession(
                    source,
                    folders[number],
                    player=player,
                    club=club,
                    mount=mounts[number % len(mounts)] if mounts else None,
                    hand=hand,
                    on_swing=on_swing,
                    on_event=_beginning(screen, number, sessions, folders[number], on_event),
                    home=where,
                    extra={"host_clock": "arrival_ns of all recordings made together is one clock"}
                    if count > 1
                    else None,
                )
                sessions.append(session)
            if not (simulated or replay):
                screen.message("looking for the sensor" + ("s" if count > 1 else ""))
            limit = None if simulated or replay is not None else seconds
            stopped = asyncio.run(run_sessions(sessions, screen, seconds=limit, page=desk))
            by_itself = all(source.ended for source in sources)
            _say_end(screen, sessions, folders)
            if up is not None and desk is not None:
                up.take_in(desk, by_itself=by_itself)
            elif to_library:
                into_library(where, sessions)
            _say_next(screen, sessions)
            if up is not None and desk is not None:
                up.stay(desk, by_itself=by_itself)
    finally:
        clear_empty(new)
    if stopped and not any(session.status.received for session in sessions):
        raise click.Abort


def _labels(sensors: Sequence[str], mounts: Sequence[str], count: int) -> list[str]:
    """Name the recordings that are made together, each another: by mount, else by sensor."""
    if len(set(mounts)) == count:
        return list(mounts)
    plain = [re.sub(r"[^\w.-]+", "-", name).strip("-.") or "sensor" for name in sensors]
    plain = plain or ["sensor"] * count
    return [
        name if plain.count(name) == 1 else f"{name}-{number}"
        for number, name in enumerate(plain, start=1)
    ]


# -- what is shown ---------------------------------------------------------------------------------


class Screen:
    """Lines for good, and below them one line that changes, on a terminal only."""

    def __init__(self) -> None:
        self._live = sys.stderr.isatty()
        self._status = ""
        self.headed = False

    def _clear(self) -> None:
        if self._status:
            print("\r\x1b[K", end="", file=sys.stderr, flush=True)

    def _back(self) -> None:
        if self._status:
            print(self._status, end="", file=sys.stderr, flush=True)

    def data(self, text: str) -> None:
        """Print on stdout."""
        self._clear()
        click.echo(text)
        sys.stdout.flush()
        self._back()

    def message(self, text: str) -> None:
        """Print on stderr."""
        self._clear()
        show(text)
        self._back()

    def plain(self, text: str) -> None:
        """Print on stderr, without the program's name."""
        self._clear()
        print(text, file=sys.stderr, flush=True)
        self._back()

    def status(self, text: str) -> None:
        """Change the line at the bottom."""
        if not self._live:
            return
        width = max(20, _columns() - 1)
        text = text if len(text) <= width else f"{text[: width - 1]}…"
        if text != self._status:
            self._clear()
            self._status = text
            self._back()


def _columns() -> int:
    with contextlib.suppress(OSError, ValueError):
        return os.get_terminal_size(sys.stderr.fileno()).columns
    return 80


def _swing_printer(screen: Screen, label: str, *, as_json: bool) -> Callable[[Swing], None]:
    def print_swing(swing: Swing) -> None:
        if not (as_json or screen.headed):
            screen.headed = True
            screen.data(HEADER)
        if as_json:
            document = swing.as_dict()
            if label:
                document["recording"] = label
            screen.data(json.dumps(document, ensure_ascii=False, allow_nan=False))
        else:
            screen.data(swing_line(swing) + (f"  [{label}]" if label else ""))
            if any(note.code == "period_unknown" for note in swing.notes):
                screen.message(
                    "the sensor's clock isn't measured yet: times marked ~ may be off by some "
                    "percent (the ratio isn't); 'analyze' has them right afterwards"
                )

    return print_swing


def swing_line(swing: Swing) -> str:
    """Return one swing as a line under `HEADER`."""
    from analysis.summary import kind_of

    about = "~" if any(note.code == "period_unknown" for note in swing.notes) else ""
    bound = "≥" if any(note.code == "rate_lower_bound" for note in swing.notes) else ""
    at = next(
        (
            t
            for t in (swing.takeaway_s, swing.top_s, swing.impact_s, swing.finish_s)
            if t is not None
        ),
        None,
    )

    def number(value: float | None, decimals: int = 0, mark: str = "") -> str:
        return "-" if value is None else f"{mark}{value:.{decimals}f}"

    who = ", ".join(plain(word) for word in (swing.player, swing.club) if word)
    return (
        f"{swing.index:>3} {clock(at):>6}  {kind_of(swing):<9}"
        f"{number(swing.swing_ms, mark=about):>6} {number(swing.backswing_ms, mark=about):>6} "
        f"{number(swing.downswing_ms, mark=about):>6} {number(swing.tempo_ratio, 1):>5} "
        f"{number(swing.turn_deg):>5} {number(swing.peak_rate_dps, mark=bound):>6}  {who}"
    ).rstrip()


def _event_printer(screen: Screen, label: str) -> Callable[[LinkEvent], None]:
    last_retry = ""

    def print_event(event: LinkEvent) -> None:
        nonlocal last_retry
        if event.kind == "retry":
            # A sensor that is off for an hour is told once.
            if event.text == last_retry:
                return
            last_retry = event.text
        elif event.kind == "connected":
            last_retry = ""
        text = f"[{label}] {event.text}" if label else event.text
        if event.kind in ("guide", "wearing") or event.warning:
            screen.message(("! " if event.warning else "") + text)
        elif event.kind != "connecting":
            screen.message(text)

    return print_event


def _beginning(
    screen: Screen,
    number: int,
    sessions: Sequence[LiveSession],
    folder: Path,
    on_event: Callable[[LinkEvent], None],
) -> Callable[[LinkEvent], None]:
    """Say where it goes and what to mind once there is a sensor: an error comes before all that."""
    begun = False

    def listen(event: LinkEvent) -> None:
        nonlocal begun
        if not begun and event.kind in ("connected", "profile"):
            begun = True
            _say_beginning(screen, sessions[number], folder)
        on_event(event)

    return listen


def _say_beginning(screen: Screen, session: LiveSession, folder: Path) -> None:
    from sensor.wearing import cautions

    screen.message(f"the recording goes to {folder}")
    for text in cautions(session.mount):
        screen.message(f"! {text}")
    if session.mount is None:
        screen.message(
            "! where the sensor is isn't said: --mount makes finding and measuring better"
        )
    if session.somebody:
        screen.message("stand still for a moment, then waggle once, to see that all is well")


def status_line(status: LinkStatus) -> str:
    """Return how a recording goes in one line."""
    words = [status.state, clock(status.recorded_s)]
    if status.rate_hz is not None:
        words.append(f"{status.rate_hz:.0f} Hz")
    words.append(f"lost {status.lost}" + (f" ({100 * status.loss:.1f} %)" if status.loss else ""))
    if status.signal_dbm is not None:
        words.append(f"{status.signal_dbm} dBm")
    if status.battery_percent is not None:
        words.append(f"battery {status.battery_percent} %")
    if status.disk_left_bytes is not None:
        words.append(f"disk {_size(status.disk_left_bytes)} free")
    return "  ".join(words)


def _size(n_bytes: int) -> str:
    for unit, size in (("TB", 1e12), ("GB", 1e9), ("MB", 1e6)):
        if n_bytes >= size:
            return f"{n_bytes / size:.0f} {unit}"
    return f"{n_bytes / 1e3:.0f} kB"


def _say_end(screen: Screen, sessions: Sequence[LiveSession], folders: Sequence[Path]) -> None:
    screen.status("")
    for session, folder in zip(sessions, folders, strict=True):
        status = session.status
        if status.received == 0:
            screen.message(f"{folder}: nothing was recorded")
            continue
        swings = len(session.swings)
        words = [
            f"{swings} swing{'' if swings == 1 else 's'} in {clock(status.recorded_s)} min",
            f"{status.received} samples, {status.lost} lost",
        ]
        if status.reconnects:
            again = "once" if status.reconnects == 1 else f"{status.reconnects} times"
            words.append(f"the link was made again {again}")
        kept_out = {
            "duplicate": status.duplicate,
            "late": status.late,
            "malformed": status.malformed,
            "oversized": status.oversized,
        }
        told = ", ".join(f"{count} {name}" for name, count in kept_out.items() if count)
        if told:
            words.append(f"packets kept out: {told}")
        screen.message(f"{folder}: {'; '.join(words)}")


def _say_next(screen: Screen, sessions: Sequence[LiveSession]) -> None:
    kept = [shlex.quote(str(one.folder)) for one in sessions if one.status.received]
    if kept:
        screen.message(f"next: unhurried analyze {kept[0]}")


# -- running ---------------------------------------------------------------------------------------


@contextlib.contextmanager
def stopping(stop: asyncio.Event) -> Iterator[None]:
    """Set an event at Ctrl-C or when the system asks to end; a second Ctrl-C ends at once."""
    loop = asyncio.get_running_loop()
    names = [signal.SIGINT, signal.SIGTERM]
    if hasattr(signal, "SIGHUP"):
        names.append(signal.SIGHUP)
    before: dict[signal.Signals, Any] = {}

    def asked(number: int, _frame: object) -> None:
        loop.call_soon_threadsafe(stop.set)
        # From now on as the system has it.
        signal.signal(number, before[signal.Signals(number)])

    try:
        for name in names:
            before[name] = signal.getsignal(name)
            signal.signal(name, asked)
    except ValueError:
        # Not in the main thread, where no signal arrives.
        before.clear()
    try:
        yield
    finally:
        for name, handler in before.items():
            signal.signal(name, handler)


async def run_sessions(
    sessions: Sequence[LiveSession],
    screen: Screen,
    *,
    seconds: float | None = None,
    page: PageDesk | None = None,
    keys: bool = True,
) -> bool:
    """Record until somebody stops it, all is sent or the time is over.

    Parameters
    ----------
    sessions : sequence of LiveSession
    screen : Screen
    seconds : float, optional
    page : PageDesk, optional
        What the page sees of it; it may stop it, too.
    keys : bool
        Listen to the terminal's keys.

    Returns
    -------
    bool
        Whether somebody stopped it.
    """
    from unhurried.keys import reading_keys

    stop = asyncio.Event()
    desk = _Desk(sessions, screen, None if page is None else page.more_codes)
    for session in sessions:
        session.before_end = functools.partial(desk.keep, session)
    limit = None if seconds is None else _Limit(sessions, seconds)
    timed_out = stopped = False
    attending = contextlib.nullcontext() if page is None else page.attending(sessions, stop.set)
    listening = reading_keys(desk.key) if keys else contextlib.nullcontext(False)
    with stopping(stop):
        async with attending, listening as there:
            if there:
                screen.plain(KEY_HELP + (MORE_CODES if desk.more_codes else ""))
            runs = [asyncio.ensure_future(session.run(stop)) for session in sessions]
            status = asyncio.ensure_future(_show_status(desk))
            waiting = asyncio.ensure_future(stop.wait())
            failed: Exception | None = None
            try:
                left = set(runs)
                while left:
                    rest = None
                    if limit is not None and not stop.is_set():
                        rest = limit.left_s()
                    done, left = await asyncio.wait(
                        left, timeout=rest, return_when=asyncio.FIRST_COMPLETED
                    )
                    if not done and limit is not None and limit.left_s() <= 0.0:
                        timed_out = True
                        stop.set()
                    for run in done:
                        error = run.exception()
                        if isinstance(error, Exception):
                            if left and failed is None:
                                # The other sensor goes on.
                                screen.message(str(error))
                            failed = failed or error
            finally:
                stopped = stop.is_set() and not timed_out
                stop.set()
                for task in (status, waiting):
                    task.cancel()
                await asyncio.gather(*runs, status, waiting, return_exceptions=True)
                screen.status("")
            if failed is not None:
                _say_kept(screen, sessions)
                raise failed
    return stopped


class _Limit:
    """How long to go on with a real sensor: its first sample is the beginning.

    Gaps count, and a sensor that never sends is waited for no longer than that either.
    """

    LOOK_S: Final = 0.1

    def __init__(self, sessions: Sequence[LiveSession], seconds: float) -> None:
        self._sessions, self._seconds = sessions, seconds
        self._start_s = asyncio.get_running_loop().time()
        self._begun = False

    def left_s(self) -> float:
        """Return how long to wait until the end, or until looking again."""
        now = asyncio.get_running_loop().time()
        if not self._begun and any(one.status.received for one in self._sessions):
            self._begun, self._start_s = True, now
        left = max(0.0, self._start_s + self._seconds - now)
        return left if self._begun else min(left, self.LOOK_S)


def _say_kept(screen: Screen, sessions: Sequence[LiveSession]) -> None:
    for session in sessions:
        status = session.status
        if status.received:
            screen.message(
                f"{session.folder}: {status.received} samples ({clock(status.recorded_s)} min) "
                "were recorded and are safe"
            )


async def _show_status(desk: _Desk) -> None:
    while True:
        desk.show()
        await asyncio.sleep(STATUS_S)


class _Desk:
    """What the keys do."""

    def __init__(
        self,
        sessions: Sequence[LiveSession],
        screen: Screen,
        more_codes: Callable[[], None] | None = None,
    ) -> None:
        self.more_codes = more_codes
        self._sessions = sessions
        self._screen = screen
        self._entry: TextEntry | None = None
        self._kept_note = ""

    def show(self) -> None:
        """Bring the line at the bottom up to date."""
        if self._entry is not None:
            self._screen.status(self._entry.shown())
        else:
            self._screen.status(" | ".join(status_line(one.status) for one in self._sessions))

    def key(self, character: str) -> None:
        """Do what a key stands for; any trouble is told, not raised into the recording."""
        try:
            self._key(character)
        except Exception as error:
            self._screen.message(f"not kept: {error}")
        self.show()

    def _key(self, character: str) -> None:
        if self._entry is not None:
            if not self._entry.key(character):
                self._entry = None
            return
        key = character.lower()
        if key == "p":
            self._ask("player", lambda text: self._change(player=text))
        elif key == "c":
            self._ask("club", lambda text: self._change(club=text))
        elif key == "h":
            hand = "left" if self._sessions[0].segment.handedness == "right" else "right"
            self._change(handedness=hand)
        elif key == "n":
            self._ask("note", self._note)
        elif key in ("r", "b", "a"):
            self._change(ball={"r": False, "b": True, "a": None}[key])
        elif key in ("1", "2", "3"):
            from sensor.annotations import FELT

            self._feel(FELT["time"][int(key) - 1])
        elif key == "v" and self.more_codes is not None:
            self._screen.status("")
            self.more_codes()
        elif key == "?":
            self._screen.plain(KEY_HELP + (MORE_CODES if self.more_codes else ""))

    def _ask(self, prompt: str, use: Callable[[str], None]) -> None:
        from unhurried.keys import MOST_CHARACTERS, TextEntry

        def done(text: str | None) -> None:
            if text:
                use(text)
            else:
                self._screen.message(f"{prompt}: nothing was changed")

        most = MOST_CHARACTERS if prompt == "note" else MOST_NAME
        self._entry = TextEntry(prompt, done, most=most)

    def keep(self, session: LiveSession) -> None:
        """Keep a note that is being typed when the recording ends, as far as it got."""
        if self._entry is not None and self._entry.prompt == "note":
            self._kept_note = self._entry.text.strip()
            self._entry = None
            if self._kept_note:
                self._screen.message(f"noted, as far as it was typed: {self._kept_note}")
        if self._kept_note:
            session.mark("note", text=self._kept_note)

    def _change(self, **fields: Any) -> None:
        for session in self._sessions:
            segment = session.change(**fields)
        balls = {None: "", True: ", at balls", False: ", rehearsals"}[segment.ball]
        self._screen.message(
            f"from here on: {segment.player or 'player not said'}, "
            f"{segment.club or 'club not said'}"
            + (f", {segment.handedness}-handed" if segment.handedness else "")
            + balls
        )

    def _note(self, text: str) -> None:
        for session in self._sessions:
            session.mark("note", text=text)
        self._screen.message(f"noted: {text}")

    def _feel(self, word: str) -> None:
        swings = [session.feel(word) for session in self._sessions]
        if all(swing is None for swing in swings):
            self._screen.message("there is no swing yet to say that of")
        else:
            index = next(swing.index for swing in swings if swing is not None)
            self._screen.message(f"swing {index} felt {word.replace('-', ' ')}")
