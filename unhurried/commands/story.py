"""`unhurried story`: a session in five sentences, and what stands behind them."""

from __future__ import annotations

import json
import os
import shlex
from collections.abc import Iterator, Sequence
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from unhurried.commands.library import opened
from unhurried.errors import CommandError
from unhurried.home import home_folder, home_option
from unhurried.options import json_option
from unhurried.settings import load_settings
from unhurried.spoken import (
    command_lines,
    heading,
    interval_words,
    number,
    plain,
    setting_options,
    short_swing,
    swing_words,
)
from unhurried.words import count, one_line, wrapped

if TYPE_CHECKING:
    from analysis.headspeed import HeadSpeedLine
    from analysis.spread import NotYet
    from analysis.story import Sentence
    from review.evidence import Evidence
    from review.library import Library, SessionRow

MIDDLES = (
    "A set's middle is its trimmed mean: a fifth of the swings is left out at each end, so that "
    "one odd swing doesn't move it."
)

MPH_PER_M_S = 1.0 / 0.44704  # exact, NIST SP 811


@click.command("story")
@click.argument("name", required=False, metavar="[SESSION|PLAYER]")
@setting_options
@click.option("--numbers", is_flag=True, help="List each number, its interval, and its swings.")
@json_option
@home_option
def command(
    name: str | None,
    club: str | None,
    mount: str | None,
    numbers: bool,
    as_json: bool,
    home: Path | None,
) -> None:
    """Tell SESSION, or the latest one (of PLAYER), in five sentences at most.

    Is it time, turn or speed; does the ball change it; did it hold; what goes with what; what
    next. Then swings to look at, what was felt, and what changed between sessions. What goes
    together need not be cause and effect.

    \b
    Examples:
      unhurried story Ida
      unhurried story 3f21c0aa --numbers
      unhurried story recordings/evening
    """
    where = home_folder(home)
    units = str(load_settings(where)["units"])
    with opened(home) as library:
        told = [
            (evidence, session)
            for evidence, session in chosen(library, name, club=club, mount=mount)
        ]
        if as_json:
            document = {"schema": 1, "stories": [_document(e, s) for e, s in told]}
            click.echo(json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False))
            return
        for k, (evidence, session) in enumerate(told):
            if k:
                click.echo("")
            for line in story_lines(evidence, session, numbers=numbers, units=units):
                click.echo(line)


def chosen(
    library: Library, name: str | None, *, club: str | None = None, mount: str | None = None
) -> list[tuple[Evidence, SessionRow]]:
    """Find what a name means: a session with each player and club in it, or a player's latest.

    Raises
    ------
    CommandError
        There is nothing to tell.
    ReviewError
        It is neither.
    """
    from review.evidence import evidence_in, evidence_of

    session = _session(library, name)
    if session is None:
        if name is None:
            newest = library.sessions(limit=1)
            if not newest:
                raise CommandError(
                    "the library is empty: 'unhurried library add FOLDER' takes recordings in"
                )
            session = newest[0]
        else:
            evidence = evidence_of(library, name, club=club, mount=mount)
            if not evidence.sessions:
                raise CommandError(f"{evidence.player.name} has no full swings that count")
            return [(evidence, library.session(evidence.sessions[-1]))]
    found = evidence_in(library, session.id, club=club, mount=mount)
    return [(evidence, session) for evidence in found]


def _session(library: Library, name: str | None) -> SessionRow | None:
    """Find the session that a name means, None if it is a player's."""
    from review.liberrors import ChoiceError, NoSuchError

    if name is None:
        return None
    path = Path(name)
    if path.is_dir():
        found = library.session_at(path)
        if found is not None:
            return found
    try:
        library.player(name)
        return None
    except ChoiceError:
        raise
    except NoSuchError:
        try:
            return library.session(name)
        except NoSuchError as error:
            raise CommandError(
                f"'{name}' is no session and no player of the library: "
                "'unhurried library list' shows them"
            ) from error


# -- what is shown ---------------------------------------------------------------------------------


def story_lines(
    evidence: Evidence, session: SessionRow, *, numbers: bool = False, units: str = "metric"
) -> Iterator[str]:
    """Tell a session, and what stands behind it."""
    from review.drilled import drilled_at, drilled_lines

    sentences = evidence.story(session.id, today=date.today().toordinal())
    start = datetime.fromisoformat(session.start)
    swings = count(len(evidence.rows_of(session.id)), "full swing")
    yield from wrapped(
        f"{heading(evidence)}, {start:%Y-%m-%d %H:%M} (session {session.id[:8]}): {swings}"
    )
    yield ""
    for k, one in enumerate(sentences, start=1):
        yield from _sentence_lines(k, one, numbers=numbers)
    if numbers:
        yield ""
        yield from wrapped(MIDDLES)
    drill = drilled_at(session.path)
    yield from _section("The drill", [] if drill is None else drilled_lines(drill))
    then = evidence.until(session.id)
    yield from _section("To know", then.notes(session.id))
    yield from _example_lines(then, session.id)
    yield from _section("Between sessions", _changed(then))
    said = {one.text for one in sentences}
    felt = [text for text in _felt(then) if text not in said]
    yield from _section("What was felt, against what was measured", felt)
    yield from _section("What goes with what, in strikes", _together(then))
    yield from _section("Head speed", [_head_speed(then.head_speed(), units)])


def _sentence_lines(k: int, one: Sentence, *, numbers: bool) -> Iterator[str]:
    text, mark, drill = one.text.partition(" Next: unhurried ")
    yield from wrapped(one_line(text), f"{k}. ", "   ")
    if mark:
        yield from command_lines(f"unhurried {drill}", "   ")
    if numbers:
        for found in one.numbers:
            words = interval_words(found.interval, found.unit)
            level = f"{100 * found.interval.level:.0f} % interval"
            yield from wrapped(f"{found.name}: {words}, {level}", "     ", "       ")
            yield from wrapped(f"from {swing_words(found.swing_ids)}", "       ", "       ")
            if found.against_ids:
                yield from wrapped(
                    f"against {swing_words(found.against_ids)}", "       ", "       "
                )
            if found.margin is not None:
                yield from wrapped(
                    f"less than {number(found.margin)} {found.unit} counts as the same".rstrip()
                    + (
                        ""
                        if found.detectable is None
                        else f"; {number(found.detectable)} {found.unit} or more could be told"
                    ),
                    "       ",
                    "       ",
                )


def _section(title: str, texts: Sequence[str]) -> Iterator[str]:
    if texts:
        yield ""
        yield title
        for text in texts:
            yield from wrapped(one_line(text), "  ", "    ")


def _example_lines(evidence: Evidence, session_id: str) -> Iterator[str]:
    found = evidence.examples(session_id)
    texts = []
    words = {"backswing_ms": "backswing", "turn_deg": "turn", "peak_rate_dps": "peak rate"}
    for one in found:
        text = f"{short_swing(one.swing_id)}  the {one.kind} nearest the middle of its kind"
        if one.measure is not None:
            text += f"; {one.beside(words.get(one.measure, one.measure))}"
        texts.append(text + ".")
    yield from _section("Swings to look at", texts)
    if len(found) == 2:
        path = evidence.library.session(session_id).path
        near = Path(os.path.relpath(path))
        shown = str(near if len(str(near)) < len(str(path)) else path)
        names = (shlex.quote(f"{shown}#{one.swing_id.rpartition('#')[2]}") for one in found)
        yield from command_lines(f"unhurried compare {' '.join(names)}")


def _changed(evidence: Evidence) -> list[str]:
    from analysis.spread import SessionChange
    from review.evidence import held_words

    out = []
    for kind in ("strike", "rehearsal"):
        first, latest = evidence.before_and_after(kind)
        if not first or not latest:
            continue
        held = evidence.held(kind)
        sides = f"{kind}s without cue: {_sessions(first)} to {_sessions(latest)}"
        if any(isinstance(one.change, SessionChange) for one in held):
            told = "; ".join(held_words(one) for one in held)
            out.append(f"{sides}: {told}.")
        else:
            reason = next(str(one.change) for one in held)
            out.append(f"{sides}: not to be told yet, {reason}.")
    return out or [_nothing_to_set_against(evidence)]


def _nothing_to_set_against(evidence: Evidence) -> str:
    """Say why no sessions can be set against each other yet."""
    if len(evidence.sessions) == 1:
        return "There is one session so far."
    whole = f"There are {len(evidence.sessions)} sessions so far"
    for kind in ("strike", "rehearsal"):
        first, latest = evidence.before_and_after(kind)
        if first and not latest:
            what = "the first is" if len(first) == 1 else f"the first {len(first)} are"
            return f"{whole}; {what} what later ones will be set against."
    if any(evidence.before_and_after(kind)[1] for kind in ("strike", "rehearsal")):
        return f"{whole}, none of them before the first drill, to set later ones against."
    return f"{whole}, none of them with swings without cue or tone."


def _sessions(ids: Sequence[str]) -> str:
    return ", ".join(one[:8] for one in ids)


def _felt(evidence: Evidence) -> list[str]:
    from analysis.felt import FeltReport
    from review.evidence import felt_words

    reports = evidence.felt()
    out = [felt_words(one) for one in reports.values() if isinstance(one, FeltReport)]
    if not out:
        first = next(iter(reports.values()))
        out.append(f"Not to be told yet: {first}.")
    return out


def _together(evidence: Evidence) -> list[str]:
    from analysis.association import Association
    from analysis.outcome import Outcome

    relations = [found for *_, found in evidence.together()]
    there = [one for one in relations if isinstance(one, Association)]
    told = [one.sentence() for one in there if one.outcome is Outcome.DIFFERENT]
    if not there:
        return [f"Not to be told yet: {relations[0]}." if relations else "Too few strikes so far."]
    more = [one.more_swings for one in there if one.more_swings is not None]
    rest = len(there) - len(told)
    tail = f"{len(there)} relations were looked at together; {rest} can't be told or don't matter"
    if more:
        tail += f" (the nearest would take about {min(more)} more strikes)"
    return [*told, f"{tail}. None of this says what makes what."]


def _head_speed(line: HeadSpeedLine | NotYet, units: str) -> str:
    from analysis.headspeed import HeadSpeedLine

    if not isinstance(line, HeadSpeedLine):
        return f"None: {line}. It is given only by a line through measured head speeds."
    factor, unit = (MPH_PER_M_S, "mph") if units == "imperial" else (1.0, "m/s")
    low, high = (
        factor * (line.intercept_m_s + line.slope_m_s_per_dps * rate)
        for rate in (line.rate_low_dps, line.rate_high_dps)
    )
    return (
        f"By a line through {line.n} measured speeds of {count(line.sessions, 'session')}: "
        f"{low:.1f} to {high:.1f} {unit} for peak rates of {line.rate_low_dps:.0f} to "
        f"{line.rate_high_dps:.0f} deg/s. For a {line.left_out} that the line wasn't "
        f"made from, what it says is off by about {factor * line.error_m_s:.1f} {unit}, as found "
        f"by leaving out each in turn; outside this range there is no head speed."
    )


def _document(evidence: Evidence, session: SessionRow) -> dict[str, Any]:
    from review.drilled import drilled_at

    then = evidence.until(session.id)
    drill = drilled_at(session.path)
    return {
        "player": evidence.player.name,
        "player_id": evidence.player.id,
        "club": evidence.club,
        "mount": evidence.mount,
        "session": session.id,
        "start": session.start,
        "sentences": plain(evidence.story(session.id, today=date.today().toordinal())),
        "notes": then.notes(session.id),
        "drill": None if drill is None else drill.as_dict(),
        "examples": plain(then.examples(session.id)),
        "held": plain(then.held()),
        "felt": plain(then.felt()),
        "together": [
            {"y": y, "x": x, "given": list(given), "found": plain(found)}
            for y, x, given, found in then.together()
        ],
        "head_speed": plain(then.head_speed()),
    }
