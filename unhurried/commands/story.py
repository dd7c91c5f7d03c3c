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

from unhurried.app.command_text import drill_command
from unhurried.app.errors import CommandError
from unhurried.app.home import home_folder, opened
from unhurried.app.settings import load_settings
from unhurried.app.text import one_line, wrapped
from unhurried.commands.options import home_option, json_option
from unhurried.commands.spoken import (
    command_lines,
    drill_document,
    heading,
    interval_words,
    number,
    plain,
    setting_options,
    short_swing,
    swing_words,
)
from words.glossary import KINDS, measure_word
from words.plain import count
from words.units import said, shown_in

if TYPE_CHECKING:
    from analysis.evidence.head_speed import HeadSpeedLine
    from analysis.evidence.story import Sentence
    from analysis.evidence.told import NotYet
    from library.catalogue import Library
    from library.evidence import Evidence
    from library.rows import SessionRow

MIDDLES = (
    "A set's middle is its trimmed mean: a fifth of the swings is left out at each end, so that "
    "one odd swing doesn't move it."
)


@click.command("story")
@click.argument("name", required=False, metavar="[SESSION|PLAYER]")
@setting_options
@click.option("--numbers", is_flag=True, help="List each number with its swings.")
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

    Is it time, turn or rotation; does the ball change it; is it kept; what goes with what; what
    next. Then swings to look at, what was felt, and what changed between sessions. What goes
    together need not be cause and effect.

    \b
    Examples:
      unhurried story Ida
      unhurried story SESSION --numbers
      unhurried story recordings/monday-wrist
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
            keep_told(told)
            return
        for k, (evidence, session) in enumerate(told):
            if k:
                click.echo("")
            for line in story_lines(evidence, session, numbers=numbers, units=units):
                click.echo(line)
        keep_told(told)


def keep_told(told: Sequence[tuple[Evidence, SessionRow]]) -> None:
    """Keep what was told of the latest sessions."""
    from library.telling import tell

    for evidence, session in told:
        if evidence.is_latest(session.id):
            tell(evidence)


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
    from library.evidence import evidence_in, evidence_of

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
    from library.errors import ChoiceError, NoSuchError

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
    from library.drill_outcome import outcome_at, outcome_sentences
    from library.telling import moved

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
    before = moved(evidence, session.id)
    yield from _section("Told before", [] if before is None else [before.text])
    drill = outcome_at(session.path)
    yield from _section("The drill", [] if drill is None else outcome_sentences(drill))
    then = evidence.until(session.id)
    yield from _section("To know", then.notes(session.id))
    yield from _example_lines(then, session.id)
    yield from _section("Between sessions", _changed(then))
    said = {one.text for one in sentences}
    felt = [text for text in _felt(then) if text not in said]
    yield from _section("What was felt, beside what was measured", felt)
    yield from _section("What goes with what, in shots", _together(then))
    yield from _section("Club speed", [_head_speed(then.head_speed(), units)])


def _sentence_lines(k: int, one: Sentence, *, numbers: bool) -> Iterator[str]:
    yield from wrapped(one_line(one.text), f"{k}. ", "   ")
    if one.drill is not None:
        yield from command_lines(drill_command(one.drill), "   ")
    if numbers:
        for found in one.numbers:
            words = interval_words(found.interval, found.unit)
            level = f"{100 * found.interval.level:.0f} % range"
            yield from wrapped(f"{found.name}: {words}, {level}", "     ", "       ")
            yield from wrapped(f"from {swing_words(found.swing_ids)}", "       ", "       ")
            if found.against_ids:
                yield from wrapped(f"beside {swing_words(found.against_ids)}", "       ", "       ")
            if found.margin is not None:
                yield from wrapped(
                    f"less than {number(found.margin)}{said(found.unit)} counts as the same"
                    + (
                        ""
                        if found.detectable is None
                        else f"; {number(found.detectable)}{said(found.unit)} or more would show"
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
    for one in found:
        text = f"{short_swing(one.swing_id)}  the {KINDS[one.kind]} nearest the middle of its kind"
        if one.measure is not None:
            text += f"; {one.beside(measure_word(one.measure))}"
        texts.append(text + ".")
    yield from _section("Swings to look at", texts)
    if len(found) == 2:
        path = evidence.library.session(session_id).path
        near = Path(os.path.relpath(path))
        shown = str(near if len(str(near)) < len(str(path)) else path)
        names = (shlex.quote(f"{shown}#{one.swing_id.rpartition('#')[2]}") for one in found)
        yield from command_lines(f"unhurried compare {' '.join(names)}")


def _changed(evidence: Evidence) -> list[str]:
    from analysis.evidence.spread import SessionChange
    from library.since_baseline import held_words

    out = []
    for kind in ("strike", "rehearsal"):
        first, latest = evidence.before_and_after(kind)
        if not first or not latest:
            continue
        held = evidence.held(kind)
        after = next(
            (one.change.after for one in held if isinstance(one.change, SessionChange)), latest
        )
        sides = (
            f"{KINDS[kind].capitalize()}s without sound, from day to day, the first sessions "
            f"({_sessions(first)}) to "
            f"{_sessions(after)}"
        )
        if any(isinstance(one.change, SessionChange) for one in held):
            told = "; ".join(held_words(one) for one in held)
            out.append(f"{sides}: {told}.")
        else:
            reason = next(str(one.change) for one in held)
            out.append(f"{sides}: can't tell yet, {reason}.")
    out = out or [_nothing_to_set_against(evidence)]
    apart = evidence.day_spread_words()
    return out if apart is None else [*out, apart]


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
    return f"{whole}, none of them with swings without sound."


def _sessions(ids: Sequence[str]) -> str:
    return ", ".join(one[:8] for one in ids)


def _felt(evidence: Evidence) -> list[str]:
    from analysis.evidence.felt import FeltReport
    from library.evidence import felt_words

    reports = evidence.felt()
    out = [felt_words(one) for one in reports.values() if isinstance(one, FeltReport)]
    if not out:
        first = next(iter(reports.values()))
        out.append(f"Can't tell yet: {first}.")
    return out


def _together(evidence: Evidence) -> list[str]:
    from analysis.evidence.association import Association
    from analysis.evidence.outcome import Outcome

    relations = [found for *_, found in evidence.together()]
    there = [one for one in relations if isinstance(one, Association)]
    told = [one.statement.text for one in there if one.outcome is Outcome.DIFFERENT]
    if not there:
        return [f"Can't tell yet: {relations[0]}." if relations else "Too few shots so far."]
    more = [one.more_swings for one in there if one.more_swings is not None]
    rest = len(there) - len(told)
    tail = (
        f"{len(there)} pairs were looked at together; {rest} of them can't be told yet, or don't "
        "matter"
    )
    if more:
        tail += f" (the nearest would take about {min(more)} more shots)"
    return [*told, f"{tail}. None of this says what makes what."]


def _head_speed(line: HeadSpeedLine | NotYet, units: str) -> str:
    from analysis.evidence.head_speed import HeadSpeedLine

    if not isinstance(line, HeadSpeedLine):
        return f"None: {line}. It is given only by a line through measured club speeds."
    unit, m_s = shown_in("m/s", imperial=units == "imperial")
    factor = 1.0 / m_s
    low, high = (
        factor * (line.intercept_m_s + line.slope_m_s_per_dps * rate)
        for rate in (line.rate_low_dps, line.rate_high_dps)
    )
    return (
        f"By a line through {line.n} measured speeds of {count(line.sessions, 'session')}: "
        f"{low:.1f} to {high:.1f} {unit} for rotations of {line.rate_low_dps:.0f} to "
        f"{line.rate_high_dps:.0f} °/s. For a {line.left_out} that the line wasn't "
        f"made from, what it says is off by about {factor * line.error_m_s:.1f} {unit}, as found "
        f"by leaving out each in turn; outside this range there is no club speed."
    )


def _document(evidence: Evidence, session: SessionRow) -> dict[str, Any]:
    from library.drill_outcome import outcome_at
    from library.telling import moved

    then = evidence.until(session.id)
    drill = outcome_at(session.path)
    return {
        "player": evidence.player.name,
        "player_id": evidence.player.id,
        "club": evidence.club,
        "mount": evidence.mount,
        "session": session.id,
        "start": session.start,
        "sentences": [
            _sentence(one) for one in evidence.story(session.id, today=date.today().toordinal())
        ],
        "told_before": plain(moved(evidence, session.id)),
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


def _sentence(one: Sentence) -> dict[str, Any]:
    text = one.text if one.drill is None else f"{one.text} Next: {drill_command(one.drill)}"
    return {**plain(one), "text": text, "drill": drill_document(one.drill)}
