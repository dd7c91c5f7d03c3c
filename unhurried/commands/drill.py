"""`unhurried drill`: practise by ear, with a sensor watching the turn."""

from __future__ import annotations

import contextlib
import dataclasses
import json
import shlex
import sys
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click
from click.core import ParameterSource

from unhurried.app.command_text import plan_command
from unhurried.app.drill_checks import KnownPlayer, cautions_are_due, known_player, near_name
from unhurried.app.drill_start import ReadyDrill, ready_drill
from unhurried.app.errors import broken, plain, show
from unhurried.app.home import home_folder, home_log
from unhurried.app.new_folder import clear_empty, recording_folder
from unhurried.app.pages import live_page
from unhurried.app.shutdown import shutdown_on_signals
from unhurried.app.sound import say_output
from unhurried.app.taking_in import into_library
from unhurried.app.terminal import columns
from unhurried.commands.cue import CueOptions, cue_options, sound_options
from unhurried.commands.drill_options import DrillOptions, drill_options
from unhurried.commands.options import (
    PageOptions,
    SessionOptions,
    folder_option,
    home_option,
    library_option,
    page_options,
    session_options,
)
from unhurried.commands.share_option import turn_share
from unhurried.commands.short_help import ShortHelp
from words import cautions
from words.glossary import SET_NAMES

if TYPE_CHECKING:
    from analysis.swing.results import Swing
    from feedback.drill import Drill
    from library.drill_outcome import DrillOutcome
    from review.page.requests import DrillRequest, SessionRequest
    from sensor.link.source import Source
    from sensor.link.status import LinkEvent
    from unhurried.app.live import LiveSession

MOST_USUAL: Final = 20
"""Swings of the usual sets."""
NARROW: Final = 72
"""Columns below which a table breaks."""


@click.command(
    "drill",
    cls=ShortHelp,
    groups={
        "Who and where": ("player", "club", "mounts", "simulated", "page"),
        "What": ("backswing_ms", "full_turn_deg", "blocks", "feedback", "felt"),
    },
    more=(
        *("sensors", "replay", "speed", "seed", "profile", "hand"),
        *("from_ms", "to_ms", "steps", "share", "upper_turn_deg", "rest_s", "ball"),
        *("rounds", "repeats", "with_cue", "cue_on", "own_full", "output", "level"),
        *("out", "to_library", "as_json", "share_page", "port", "home"),
    ),
)
@session_options(
    player="Who swings; with model swings in the library.",
    club="With which club.",
    mount="Where the sensor is; one, since a drill has one sensor.",
)
@cue_options
@drill_options
@sound_options
@folder_option
@library_option
@click.option("--json", "as_json", is_flag=True, help="Print the outcome as JSON.")
@page_options
@home_option
def command(
    session: SessionOptions,
    cue: CueOptions,
    asked: DrillOptions,
    output: str | None,
    level: float,
    out: Path | None,
    to_library: bool,
    as_json: bool,
    page: PageOptions,
    home: Path | None,
) -> None:
    """Practise a full, unhurried turn by ear, while a sensor records.

    20 swings, 9 to 12 minutes: without sound, with the rising tone, with the full bell, then
    less. Three seconds past the finish come large figures, and one bell where time and turn
    were there. Keys: 1 2 3 how it felt, space to go on, q to end. --page shows the same in a
    browser, --share also on a phone.

    \b
    Examples:
      unhurried drill --simulated
      unhurried drill --player Ida --club driver --mount wrist
      unhurried drill --mount wrist --backswing-ms 800 --full-turn-deg 130
    """
    where = home_folder(home)
    request, who = _request(where, session, cue, asked)
    if not page.page and not _at_terminal():
        # Nobody could answer.
        request = dataclasses.replace(
            request, drill=dataclasses.replace(_drill(request), check=False)
        )
    ready = ready_drill(where, request)
    for text in ready.told:
        show(text)
    _check_time(ready, cue, asked, known=who is not None)
    keep = page.page or to_library
    balls = _drill(request).has_balls
    source = session.source(keep=keep, rate_hz=None, seconds=None, balls=balls)
    names, new = recording_folder(out, where)
    try:
        _practise(
            where,
            ready,
            source,
            names,
            sound=(output, level),
            page=page,
            to_library=to_library,
            as_json=as_json,
        )
    finally:
        clear_empty(new)


def _drill(request: SessionRequest) -> DrillRequest:
    assert request.drill is not None
    return request.drill


# -- what was asked for ----------------------------------------------------------------------------


def _request(
    home: Path, session: SessionOptions, cue: CueOptions, asked: DrillOptions
) -> tuple[SessionRequest, KnownPlayer | None]:
    """Put together what is asked for, and say who that is where known."""
    from review.page.requests import DrillRequest, SessionRequest

    context = click.get_current_context()
    session.check()
    if len(session.mounts) > 1:
        raise click.UsageError("a drill has one sensor: give --mount once")
    if not asked.with_cue and _given(context, "cue_on"):
        raise click.UsageError("--cue-on is for a cue: leave it or --no-cue out")
    if len(session.sensors) > 1:
        raise click.UsageError("a drill has one sensor: give --sensor once")
    # Whoever says how many swings, or of what kind, means sets of their own.
    own = any(_given(context, name) for name in ("blocks", "repeats", "rounds", "ball"))
    if asked.own_full and own:
        raise click.UsageError("--own-full has sets of its own: leave the others out")
    kinds = asked.kinds(usual=not own)
    if asked.ball is not None and ("rehearsal" if asked.ball else "ball") in kinds:
        raise click.UsageError(
            "a practice swing has no ball: leave --ball and --no-ball to sets without sound"
        )
    times = cue.times(asked.repeats * len(kinds) or MOST_USUAL)
    player, who = _who(home, session.player)
    drill = DrillRequest(
        blocks=kinds,
        repeats=asked.repeats,
        rest_s=asked.rest_s,
        backswing_ms=times[0] if times else None,
        full_turn_deg=asked.full_turn_deg,
        upper_turn_deg=asked.upper_turn_deg,
        share=turn_share(asked.share),
        backswings_ms=() if cue.from_ms is None else tuple(times),
        schedule=asked.feedback,
        cue_on=asked.cue_on if asked.with_cue else None,
        felt=asked.felt,
        ball=asked.ball,
        own_full=asked.own_full,
    )
    request = SessionRequest(
        sensor=session.sensors[0] if session.sensors else None,
        simulated=session.simulated,
        player=player,
        player_id=None if who is None else who.id,
        club=session.club,
        mount=session.mount(),
        hand=session.hand,
        drill=drill,
    )
    return request, who


def _check_time(ready: ReadyDrill, cue: CueOptions, asked: DrillOptions, *, known: bool) -> None:
    """Say what the cue goes by for somebody new, and refuse one that has nothing to go by."""
    context = click.get_current_context()
    player, time_ms = ready.asked.player, ready.plan.reference.backswing_ms
    if player is not None and not known:
        show(_new_here(player, time_ms if asked.with_cue else None, with_cue=asked.with_cue))
    if not asked.with_cue or time_ms is not None:
        return
    for name, words in (("with_cue", "--cue"), ("cue_on", "--cue-on")):
        if _given(context, name):
            raise click.UsageError(
                f"{words} needs the time of a backswing: give --backswing-ms, or --player "
                "with model swings"
            )


def _given(context: click.Context, name: str) -> bool:
    """Whether an option was written, and isn't there by default."""
    return context.get_parameter_source(name) is ParameterSource.COMMANDLINE


def _who(home: Path, player: str | None) -> tuple[str | None, KnownPlayer | None]:
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
    start = f"{player} is new here: no model swings yet"
    if not with_cue:
        return start
    if backswing_ms is None:
        return f"{start}, so the cue comes once the first three swings have given a time"
    return f"{start}, the cue takes {backswing_ms:.0f} ms"


# -- running ---------------------------------------------------------------------------------------


def _practise(
    home: Path,
    ready: ReadyDrill,
    source: Source,
    names: Iterator[Path],
    *,
    sound: tuple[str | None, float],
    page: PageOptions,
    to_library: bool,
    as_json: bool,
) -> None:
    """Run the drill, on the page as well where that is wanted, and say what came of it."""
    from unhurried.app.live import LiveSession

    asked = ready.asked
    known_as = {asked.player: asked.player_id} if asked.player and asked.player_id else {}
    run, measured, why = ready.run(home, output=sound[0], level=sound[1])

    def say_beginning() -> None:
        """Once there is a sensor, so that an error comes before all that; sound comes last."""
        _say_cautions(home, asked.player, session.mount)
        show(f"the recording goes to {session.folder}")
        for text in run.remarks:
            show(f"! {text}")
        if run.sound.silent and why is None:
            show("no sound: only the screen speaks")
        say_output(run.sound, why, measured=measured, say=show)
        run.say_keys()

    try:
        serving = live_page(home, page=page.page, port=page.port, share=page.share_page)
        with home_log(home), shutdown_on_signals() as end, serving as up:
            desk = None
            if up is not None:
                desk = up.desk("drill", run, known_as=known_as, to_library=to_library)
            listeners: tuple[Callable[[Swing], None], Callable[[LinkEvent], None]]
            listeners = (run.on_swing, run.on_event)
            if desk is not None:
                listeners = desk.listening(0, *listeners)
            session = LiveSession(
                source,
                names,
                player=asked.player,
                club=asked.club,
                mount=asked.mount,
                hand=asked.hand,
                on_swing=listeners[0],
                on_block=run.on_block,
                on_event=_beginning(say_beginning, listeners[1]),
                home=home,
            )
            kept: list[str] = []
            try:
                interrupted = end.run(run.run(session, ending=end, page=desk))
                if up is not None and desk is not None:
                    with end.may_be_cut():
                        kept = up.take_in(desk, by_itself=not interrupted)
            finally:
                run.close()
                _say_outcome(run.drill, session, as_json=as_json)
                if desk is None and to_library and session.status.received:
                    with end.may_be_cut():
                        kept = into_library(home, [session], known_as, say=show)
                _say_after(home, session, kept, (asked.player, asked.club, asked.mount))
            if up is not None and desk is not None:
                up.stay(desk, end, by_itself=not interrupted)
    finally:
        run.close()
    if interrupted and session.status.received == 0:
        raise click.Abort


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


def _say_cautions(home: Path, player: str | None, mount: str | None) -> None:
    """The whole text on a player's first day, then one line; that of the mount always."""
    if cautions_are_due(home, player):
        for text in cautions.DRILL:
            show(f"! {text}")
    else:
        show(f"! {cautions.SHORT}")
    for text in cautions.wearing(mount):
        show(f"! {text}")


# -- the outcome -----------------------------------------------------------------------------------


def _say_outcome(drill: Drill, session: LiveSession, *, as_json: bool) -> None:
    if session.status.received == 0:
        return
    from library.drill_outcome import outcome_at, outcome_sentences

    outcome = drill.outcome
    found = outcome_at(session.folder)
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
        words = outcome_sentences(found)
    for text in words:
        for line in broken(text, min(width, 80)):
            click.echo(line)
    sys.stdout.flush()


def _more_lines(found: DrillOutcome) -> list[str]:
    """What the table has no column for."""
    out = []
    if found.interruptions:
        times = "once" if found.interruptions == 1 else f"{found.interruptions} times"
        out.append(f"the sound was interrupted {times}")
    for block in found.blocks:
        if block.kind == "rehearsal" and block.strikes:
            out.append(
                f"set {block.name}: {block.strikes} of {block.swings} met something, though it "
                "was without a ball; they count as practice swings"
            )
    return out


def _set_aside(home: Path, kept: Sequence[str], player: str | None) -> str | None:
    """Say why the player's plan leaves out what was drilled; None where it doesn't."""
    from unhurried.app.ingest import open_library

    if player is None or not kept:
        return None
    with contextlib.suppress(Exception):
        who = known_player(home, player)
        if who is not None:
            with open_library(home) as library:
                return library.set_aside(library.session(kept[-1]), who.id)
    return None


def _keep_told(home: Path, kept: Sequence[str], player: str | None) -> None:
    """Keep what was told at the drill's end, where the library has it by now."""
    from library.evidence import evidence_in
    from library.telling import tell
    from unhurried.app.ingest import open_library

    if player is None or not kept:
        return
    with contextlib.suppress(Exception):
        who = known_player(home, player)
        if who is not None:
            with open_library(home) as library:
                for evidence in evidence_in(library, kept[-1], player=who.id):
                    if evidence.is_latest(kept[-1]):
                        tell(evidence)


def _say_after(
    home: Path,
    session: LiveSession,
    kept: Sequence[str],
    who: tuple[str | None, str | None, str | None],
) -> None:
    """Say whether the plan counts what was drilled, and what comes next."""
    player, club, mount = who
    aside = _set_aside(home, kept, player)
    if aside is not None:
        show(f"{aside}, nor does the plan count it")
    _keep_told(home, kept, player)
    known = player if kept and aside is None else None
    _say_next(home, session, known, club, mount, again=aside is not None)


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
    told = shlex.join(["unhurried", "info" if again else "analyze", str(session.folder)])
    if player is not None:
        # By now also somebody new is known.
        with contextlib.suppress(Exception):
            if (who := known_player(home, player)) is not None:
                told = plan_command(who.typed, club, mount)
    line, width = f"{session.folder}: recorded; next: {told}", columns(sys.stderr)
    if len(line) + len("unhurried: ") < width or not sys.stderr.isatty():
        show(line)
        return
    from unhurried.commands.spoken import command_lines

    show(f"{session.folder}: recorded; next:")
    lines = command_lines(told, width=width)
    print("\n".join(plain(one) for one in lines), file=sys.stderr, flush=True)


def outcome_lines(outcome: dict[str, Any]) -> list[str]:
    """Return the outcome of a drill as a table, and how the cue was followed."""
    from feedback.drill_outcome import asynchrony_lines

    def pair(values: dict[str, Any], unit: str = "") -> str:
        if values["mean"] is None:
            return "-"
        sd = "" if values["sd"] is None else f" ({values['sd']:.0f})"
        return f"{values['mean']:.0f}{sd}{unit}"

    lines = [
        f"{outcome['swings']} of {outcome['of']} swings, sounds and numbers: {outcome['schedule']}",
        "set              swings   time   turn    backswing        turn    rotation",
        "                        enough   full      ms (sd)      ° (sd)    °/s (sd)",
    ]
    for block in outcome["blocks"]:
        enough = f"{block['time_enough']}/{block['time_judged']}" if block["time_judged"] else "-"
        full = f"{block['turn_full']}/{block['turn_judged']}" if block["turn_judged"] else "-"
        lines.append(
            f"{block['block']:>2} {SET_NAMES[block['block_kind']]:<13} {block['swings']:>6} "
            f"{enough:>6} {full:>6} {pair(block['backswing_ms']):>12} "
            f"{pair(block['turn_deg']):>11} {pair(block['peak_rate_dps']):>11}"
        )
    more = asynchrony_lines(outcome)
    if outcome["sound_interrupted"]:
        more.append("the sound was interrupted: some of what was heard was late, or not heard")
    return [*lines, *(line for text in more for line in broken(text, 80))]
