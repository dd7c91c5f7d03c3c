"""`unhurried record`: record a sensor, and show each swing as it happens."""

from __future__ import annotations

import json
import re
import shlex
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from unhurried.app.errors import plain
from unhurried.app.home import home_folder, home_log
from unhurried.app.new_folder import clear_empty, first_made, recording_folder
from unhurried.app.pages import live_page
from unhurried.app.recording import run_sessions, say_kept
from unhurried.app.screen import Screen
from unhurried.app.shutdown import Shutdown, shutdown_on_signals
from unhurried.app.taking_in import into_library
from unhurried.commands.options import (
    FiniteRange,
    PageOptions,
    SessionOptions,
    folder_option,
    home_option,
    library_option,
    page_options,
    session_options,
)
from unhurried.commands.short_help import ShortHelp
from words import cautions
from words.glossary import KINDS
from words.plain import clock

if TYPE_CHECKING:
    from analysis.swing.results import Swing
    from sensor.link.source import Source
    from sensor.link.status import LinkEvent
    from unhurried.app.live import LiveSession
    from unhurried.app.page_desk import PageDesk
    from unhurried.app.pages import LivePage

HEADER: Final = (
    "  #   time  kind            swing   back   down  turn  rotation  player, club\n"
    "      m:ss                     ms     ms     ms     °       °/s"
)


@click.command(
    "record",
    cls=ShortHelp,
    more=(
        *("speed", "seed", "profile", "hand", "rate_hz"),
        *("as_json", "port", "home", "replay"),
    ),
)
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
    session: SessionOptions,
    rate_hz: float | None,
    seconds: float | None,
    out: Path | None,
    to_library: bool,
    as_json: bool,
    page: PageOptions,
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
    session.check()
    mounts, canned = session.mounts, session.simulated or session.replay is not None
    count = max(1, len(session.sensors), len(mounts) if session.simulated else 1)
    if len(mounts) > 1 and len(mounts) != count:
        raise click.UsageError("give one --mount for each --sensor")
    if session.replay is not None and rate_hz is not None:
        raise click.UsageError("a replay has the rate that it has: leave --rate out")
    where = home_folder(home)
    keep = page.page or to_library
    sources = [
        session.source(number, keep=keep, rate_hz=rate_hz, seconds=seconds)
        for number in range(count)
    ]
    labels = _labels(session.sensors, mounts, count)
    screen = Screen()
    names, new = recording_folder(out, where)
    folders = [names]
    if count > 1:
        new.append(first_made(names))
        folders = [iter([new[-1] / label]) for label in labels]
    try:
        serving = live_page(where, page=page.page, port=page.port, share=page.share_page)
        with home_log(where), shutdown_on_signals() as end, serving as up:
            desk = None if up is None else up.desk("recording", to_library=to_library)
            sessions: list[LiveSession] = []
            for number, (source, folder) in enumerate(zip(sources, folders, strict=True)):
                label = labels[number] if count > 1 else ""
                on_swing = _swing_printer(screen, label, as_json=as_json)
                on_event = _event_printer(screen, label)
                if desk is not None:
                    on_swing, on_event = desk.listening(number, on_swing, on_event, label=label)
                on_event = _beginning(screen, number, sessions, on_event)
                sessions.append(
                    _session(session, number, source, folder, on_swing, on_event, where, count)
                )
            if not canned:
                screen.message("looking for the sensor" + ("s" if count > 1 else ""))
            limit = None if canned else seconds
            into = where if to_library else None
            stopped = _run(sessions, screen, end, (up, desk), seconds=limit, into=into)
    finally:
        clear_empty(new)
    if stopped and not any(one.status.received for one in sessions):
        raise click.Abort


def _session(
    asked: SessionOptions,
    number: int,
    source: Source,
    folder: Iterator[Path],
    on_swing: Callable[[Swing], None],
    on_event: Callable[[LinkEvent], None],
    home: Path,
    count: int,
) -> LiveSession:
    """Make one of ``count`` recordings."""
    from unhurried.app.live import LiveSession

    together = {"host_clock": "arrival_ns of all recordings made together is one clock"}
    return LiveSession(
        source,
        folder,
        player=asked.player,
        club=asked.club,
        mount=asked.mount(number),
        hand=asked.hand,
        on_swing=on_swing,
        on_event=on_event,
        home=home,
        extra=together if count > 1 else None,
    )


def _run(
    sessions: Sequence[LiveSession],
    screen: Screen,
    end: Shutdown,
    page: tuple[LivePage | None, PageDesk | None],
    *,
    seconds: float | None,
    into: Path | None,
) -> bool:
    """Record, and take in what was recorded, however it ended; True if somebody stopped it.

    Parameters
    ----------
    sessions : sequence of LiveSession
    screen : Screen
    end : Shutdown
    page : tuple
        The page and its desk, where there is one.
    seconds : float, optional
    into : Path, optional
        Home of the library that is to have it.
    """
    up, desk = page
    try:
        stopped = end.run(run_sessions(sessions, screen, ending=end, seconds=seconds, page=desk))
    except KeyboardInterrupt:
        say_kept(screen, sessions)
        raise
    except Exception:
        # What there is of it is no worse for that; the page tells its own.
        if up is None and into is not None:
            with end.may_be_cut():
                into_library(into, sessions)
        raise
    by_itself = all(session.recording.source.ended for session in sessions)
    _say_end(screen, sessions)
    with end.may_be_cut():
        if up is not None and desk is not None:
            up.take_in(desk, by_itself=by_itself)
        elif into is not None:
            into_library(into, sessions)
    _say_next(screen, sessions)
    if up is not None and desk is not None:
        up.stay(desk, end, by_itself=by_itself)
    return stopped


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
    from analysis.evidence.summary import kind_of
    from analysis.swing.results import is_bound

    about = "~" if any(note.code == "period_unknown" for note in swing.notes) else ""
    bound = "≥" if is_bound(swing) else ""
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
        f"{swing.index:>3} {clock(at):>6}  {KINDS[kind_of(swing)]:<15}"
        f"{number(swing.swing_ms, mark=about):>6} {number(swing.backswing_ms, mark=about):>6} "
        f"{number(swing.downswing_ms, mark=about):>6} "
        f"{number(swing.turn_deg):>5} {number(swing.peak_rate_dps, mark=bound):>9}  {who}"
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
    on_event: Callable[[LinkEvent], None],
) -> Callable[[LinkEvent], None]:
    """Say where it goes and what to mind once there is a sensor: an error comes before all that."""
    begun = False

    def listen(event: LinkEvent) -> None:
        nonlocal begun
        if not begun and event.kind in ("connected", "profile"):
            begun = True
            _say_beginning(screen, sessions[number])
        on_event(event)

    return listen


def _say_beginning(screen: Screen, session: LiveSession) -> None:

    screen.message(f"the recording goes to {session.folder}")
    for text in cautions.wearing(session.mount):
        screen.message(f"! {text}")
    if session.mount is None:
        screen.message(
            "! where the sensor is isn't said: --mount makes finding and measuring better"
        )
    if session.somebody:
        screen.message("stand still for a moment, then waggle once, to see that all is well")


def _say_end(screen: Screen, sessions: Sequence[LiveSession]) -> None:
    screen.status("")
    for session in sessions:
        folder, status = session.folder, session.status
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
