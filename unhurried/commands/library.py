"""`unhurried library`: every session kept, listed, checked, made anew, exported and deleted."""

from __future__ import annotations

import json
import sys
import textwrap
from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from unhurried.app.day_spreads import learn_day_spreads
from unhurried.app.errors import CommandError, show
from unhurried.app.home import home_folder, opened
from unhurried.app.settings import load_settings
from unhurried.app.text import WIDTH, cut, lined_up, number, one_line, wrapped
from unhurried.commands.keeping import (
    as_option,
    keep,
    keep_again,
    known_folders,
    measured_by,
    names_in,
    starts_later,
    told,
    workers_option,
)
from unhurried.commands.library_player import player_
from unhurried.commands.naming import SessionName, SwingName, locate
from unhurried.commands.near import NearGroup
from unhurried.commands.options import (
    ExistingPath,
    home_option,
    json_option,
    overwrite_option,
    progress,
)
from unhurried.commands.spoken import heading, plain
from words.glossary import KINDS, felt_word
from words.plain import count
from words.units import shown_in

if TYPE_CHECKING:
    from library.catalogue import Library
    from library.rows import Candidate
    from unhurried.app.ingest import Workers


@click.group("library", cls=NearGroup)
def command() -> None:
    """Keep every session, and find it again.

    The library takes nothing over: recordings stay where they are, and are only read. It can be
    made anew from them at any time. A session is named by its folder or by the first characters
    of its id, a player by name or id.
    """


@command.command("add")
@click.argument("folders", nargs=-1, required=True, type=ExistingPath())
@as_option
@workers_option
@home_option
def add(
    folders: tuple[Path, ...], known_as: tuple[str, ...], workers: int | None, home: Path | None
) -> None:
    """Take in the recordings in FOLDERS, also deep inside; those known already are passed over.

    A recording that was moved is found again by its id, wherever it is now.
    """
    names = told(known_as)
    with opened(home) as library:
        library.remember(folders)
        # Who is who was said: that holds for recordings that are known already, too.
        found = library.candidates(folders, every=bool(names))
        take_in(library, found, known_as=names, workers=workers)


@command.command("update")
@as_option
@workers_option
@click.option(
    "--cluster",
    metavar="ADDRESS",
    help="Measure on a cluster: the address of its Dask scheduler (library/README.md says when).",
)
@click.option(
    "--cluster-root",
    metavar="HERE=THERE",
    help="A folder with recordings, and what it is called at the workers.  [default: the same]",
)
@home_option
def update(
    known_as: tuple[str, ...],
    workers: int | None,
    cluster: str | None,
    cluster_root: str | None,
    home: Path | None,
) -> None:
    """Look in all known folders for new recordings and words; measure anew what is outdated."""
    names = told(known_as)
    by = measured_by(cluster, cluster_root, workers)
    with opened(home) as library, by as who:
        found = library.candidates(known_folders(library))
        try:
            take_in(library, found, known_as=names, workers=who)
        except CommandError:
            settle(library)
            raise
        settle(library)


@command.command("forget")
@click.argument("folder", type=click.Path(path_type=Path))
@home_option
def forget(folder: Path, home: Path | None) -> None:
    """Look in FOLDER for recordings no more; the sessions that came from it stay."""
    with opened(home) as library:
        library.forget_source(folder)
        click.echo("\n".join(wrapped(f"{folder}: recordings aren't looked for there any more.")))


@command.command("rebuild")
@click.argument("folders", nargs=-1, type=ExistingPath())
@as_option
@workers_option
@home_option
def rebuild(
    folders: tuple[Path, ...], known_as: tuple[str, ...], workers: int | None, home: Path | None
) -> None:
    """Make the library anew from the recordings, what was said about them, and the players.

    Old results are kept until the new ones of a session are whole, and so are those of recordings
    that aren't there at the moment. FOLDERS beside the known ones are added.
    """
    from library.catalogue import Library
    from library.errors import BrokenLibraryError

    names = told(known_as)
    try:
        _rebuild(folders, names, workers, home)
    except BrokenLibraryError:
        # Damage that nobody looks for comes up when it is read.
        Library.put_aside(home_folder(home))
        _rebuild(folders, names, workers, home)


def _rebuild(
    folders: Sequence[Path], names: dict[str, str], workers: int | None, home: Path | None
) -> None:
    with opened(home, anew=True) as library:
        library.remember(folders)
        for player in library.people.all():
            library.save_player(player)
        unread = list(library.people.broken.values())
        for error in unread:
            show(str(error))
        found = library.candidates(known_folders(library), every=True)
        try:
            take_in(library, found, known_as=names, workers=workers)
        except CommandError:
            settle(library)
            raise
        settle(library)
        if unread:
            files = "1 player's file" if len(unread) == 1 else f"{len(unread)} players' files"
            raise CommandError(f"{files} could not be read; all else is in the library")


def settle(library: Library) -> None:
    """Learn from what was measured, and say of whom today's analysis says otherwise than before."""
    from library.telling import told_anew

    learn_day_spreads(library)
    for evidence, found in told_anew(library):
        text = one_line(f"{heading(evidence)}: {found.text}")
        click.echo("\n".join(wrapped(text, "- ", "  ")))


def take_in(
    library: Library,
    found: Sequence[Candidate],
    *,
    known_as: dict[str, str] | None = None,
    workers: int | Workers | None = None,
) -> None:
    """Measure what is new or changed, keep it, and say what was done.

    Raises
    ------
    CommandError
        Some of it could not be taken in; the rest was.
    """
    from library.players import clean_name
    from unhurried.app.ingest import analyze_many

    failed = 0
    names = dict(known_as or {})
    asked, used = set(map(clean_name, names)), set[str]()
    for one in found:
        if one.state in ("broken", "open", "elsewhere"):
            show(one.problem or str(one.path))
            failed += one.state == "broken"
    to_measure = [one.path for one in found if one.state in ("new", "changed")]
    added: list[str] = []
    forgotten = 0
    with progress(len(to_measure), "Measuring") as advance:
        for path, analyzed in analyze_many(to_measure, library.home, workers=workers):
            advance(1)
            if isinstance(analyzed, str):
                show(analyzed)
                failed += 1
                continue
            for line in analyzed.warnings:
                show(f"{path}: {line}")
            if starts_later(analyzed.start):
                show(
                    f"{path}: its date, {analyzed.start[:10]}, is still to come: the clock was "
                    "wrong when it was recorded, and it counts as the latest session"
                )
            used.update(names_in(library, analyzed))
            done = keep(library, analyzed, names)
            failed += done is None
            forgotten += done == "forgotten"
            if done == "kept":
                added.append(analyzed.id)
    reread = 0
    for one in found:
        if one.state == "annotated" and one.id is not None:
            done = keep_again(library, one.id, one.path, names, used)
            failed += done is None
            reread += done is not None
    if added:
        click.echo("\n".join(session_lines(library, added)))
        whose = {row["player_id"] for one in added for row in library.segments(one)}
        for player in sorted(filter(None, whose)):
            for text in library.mixed_hands(player):
                show(text)
    words = [
        f"{count(len(added), 'session')} measured",
        f"{count(reread, 'session')} read anew" if reread else None,
        f"{count(n, 'session')} known already"
        if (n := sum(one.state == "same" for one in found))
        else None,
        f"{count(forgotten, 'session')} of deleted players passed over" if forgotten else None,
    ]
    click.echo(", ".join(word for word in words if word) + ".")
    if not found:
        click.echo("No recordings were found there.")
    if failed:
        raise CommandError(f"{count(failed, 'recording')} could not be taken in: see above")
    if asked - used:
        there = ", ".join(f"'{one_line(name)}'" for name in sorted(used)) or "there are none"
        raise CommandError(
            f"--as: nobody is called '{one_line(min(asked - used))}' in the recordings that were "
            f"read (names there: {there}): the rest was done"
        )


# -- looking -------------------------------------------------------------------------------------


@command.command("list")
@click.argument("player", required=False)
@click.option("--limit", type=click.IntRange(1), default=20, show_default=True, help="Sessions.")
@json_option
@home_option
def list_(player: str | None, limit: int, as_json: bool, home: Path | None) -> None:
    """List the players and the newest sessions, or those of PLAYER."""
    with opened(home) as library:
        who = library.player(player) if player is not None else None
        sessions = library.sessions(player=None if who is None else who.id, limit=limit)
        if as_json:
            document = {
                "players": [plain(p) for p in library.players() if who is None or p.id == who.id],
                "sessions": [plain(s) for s in sessions],
            }
            click.echo(json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False))
            return
        for line in _list_lines(library, None if who is None else who.id, limit):
            click.echo(line)


def _list_lines(library: Library, player: str | None, limit: int) -> Iterator[str]:
    totals = library.totals()
    if not totals["sessions"] and not totals["players"]:
        yield "The library is empty: 'unhurried library add FOLDER' takes recordings in."
        return
    if player is None:
        rows = [["player", "id", "sessions", "swings", "last"]]
        for one in library.players():
            last = "-"
            if one.last_start_s is not None:
                last = library.sessions(player=one.id, limit=1)[0].day
            rows.append(
                [cut(one.name, 30), one.id[:8], f"{one.sessions:,}", f"{one.swings:,}", last]
            )
        yield from lined_up(rows, [False, False, True, True, False])
    else:
        for group in library.groups(player):
            words = [group.club or "club not said", group.mount or "place not said"]
            part = ", part swings" if group.part else ""
            yield from wrapped(
                f"{one_line(words[0])}, {words[1]}{part}: {count(group.swings, 'swing')} in "
                f"{count(group.sessions, 'session')}, {count(group.rehearsals, 'practice swing')}, "
                f"{count(group.strikes, 'shot')}, {group.unclear} unclear"
            )
        for text in library.mixed_hands(player):
            yield from wrapped(one_line(text), "! ", "  ")
    yield ""
    shown = library.sessions(player=player, limit=limit)
    yield from session_lines(library, [s.id for s in shown], player=player)
    more = len(library.sessions(player=player)) - len(shown)
    if more:
        yield f"and {count(more, 'earlier session')}: --limit shows more"
    stale = len(library.outdated())
    if stale:
        yield from wrapped(
            f"{count(stale, 'session')} measured by another version of the analysis: "
            "'unhurried library update' measures anew."
        )


def session_lines(
    library: Library, ids: Iterable[str], *, player: str | None = None
) -> Iterator[str]:
    """Give a table of sessions, newest first."""
    wanted = set(ids)
    rows = [["session", "start", "worn", "swings", "shots", "players", "clubs"]]
    for session in library.sessions(player=player):
        if session.id not in wanted:
            continue
        start = datetime.fromisoformat(session.start)
        rows.append(
            [
                session.id[:8],
                f"{start:%Y-%m-%d %H:%M}",
                session.mount or "-",
                str(session.swings),
                str(session.strikes),
                cut(", ".join(session.players) or "-", 18),
                cut(", ".join(session.clubs) or "-", 12)
                + (" (missing)" if session.missing else "")
                + (" (simulated)" if session.simulated else ""),
            ]
        )
    if len(rows) > 1:
        yield from lined_up(rows, [False, False, False, True, True, False, False])


@command.command("show")
@click.argument("session", type=SessionName(swing=False))
@json_option
@home_option
def show_(session: SwingName, as_json: bool, home: Path | None) -> None:
    """Show the swings of SESSION as the library has them, with what people added."""
    with opened(home) as library:
        found = locate(library, session)
        if not found.known:
            raise CommandError(
                f"{found.path}: isn't in the library yet: 'unhurried library add {found.path}'"
            )
        one = library.session(found.id)
        from library.drill_outcome import outcome_at, outcome_sentences
        from library.store import COLUMNS

        table = library.swings(session=found.id, excluded=True, columns=tuple(COLUMNS))
        if as_json:
            document = {
                "session": plain(one),
                "drill": None if (drill := outcome_at(one.path)) is None else drill.as_dict(),
                "swings": [_opened(r) for r in table.rows()],
            }
            click.echo(json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False))
            return
        head = f"{one.id[:8]}, {one.start.replace('T', ' ', 1)}, {one.mount or 'place not said'}"
        click.echo("\n".join(wrapped(head)))
        if one.simulated:
            from library.queries import SIMULATED_WORDS

            click.echo(SIMULATED_WORDS)
        said = [("note", one.note), ("excluded", one.excluded), ("drill", one.drill)]
        said += [("warning", text) for text in one.warnings]
        said += [
            ("note", note["text"])
            for note in library.session_notes(one.id)
            if note["origin"] == "recorded"
        ]
        for word, text in said:
            if text:
                click.echo("\n".join(wrapped(f"{word}: {one_line(text)}")))
        drill = outcome_at(one.path)
        for text in () if drill is None else outcome_sentences(drill):
            click.echo("\n".join(wrapped(text, "", "  ")))
        units = str(load_settings(library.home)["units"])
        click.echo("\n".join(_swing_lines(list(table.rows()), units)))


def _opened(row: dict[str, Any]) -> dict[str, Any]:
    """Turn the columns that are kept as JSON into what they mean."""
    from library.errors import json_cell

    return {
        name: json_cell(value, dict if name == "other" else list)
        if name in ("clipped", "notes", "corrected", "other") and value is not None
        else value
        for name, value in row.items()
    }


def _swing_lines(rows: Sequence[dict[str, Any]], units: str) -> list[str]:
    unit, factor = shown_in("m", imperial=units == "imperial")
    out = [["#", "player", "kind", "swing ms", "turn", "rotation", "felt", f"ball, {unit}"]]
    for row in rows:
        felt = [row[f"felt_{q}"] for q in ("time", "turn", "strike")]
        result = row["carry_m"] if row["carry_m"] is not None else row["total_m"]
        kind = KINDS[row["kind"]] if row["excluded"] is None else "left out"
        out.append(
            [
                str(row["number"]),
                cut(row["player_name"] or "-", 14),
                kind,
                number(row["swing_ms"]),
                number(row["turn_deg"]),
                number(row["peak_rate_dps"]),
                ", ".join(felt_word(word) for word in felt if word) or "-",
                number(None if result is None else result / factor),
            ]
        )
    return lined_up(out, [True, False, False, True, True, True, False, True])


@command.command("check")
@home_option
def check(home: Path | None) -> None:
    """Look whether every recording is where it was, and everything is up to date.

    Recordings that were moved are found again by their id, in the known folders and beside where
    they were.
    """
    from library import health

    with opened(home) as library:
        findings = health.check(library)
        for finding in findings:
            click.echo(_with_path(finding.text))
        totals = library.totals()
        click.echo(
            f"{count(int(totals['sessions']), 'session')}, {count(int(totals['swings']), 'swing')}"
            f", {count(int(totals['players']), 'player')}: "
            f"{'all is well' if not findings else count(len(findings), 'finding')}."
        )
        if any(f.kind in ("database", "missing", "broken", "unreachable") for f in findings):
            raise CommandError("something isn't as it should be: see above")


def _with_path(text: str) -> str:
    """Wrap a finding, but leave paths whole, so that they can be copied."""
    lines = textwrap.wrap(
        one_line(text), WIDTH, initial_indent="- ", subsequent_indent="  ",
        break_long_words=False, break_on_hyphens=False,
    )  # fmt: skip
    return "\n".join(lines)


# -- players -------------------------------------------------------------------------------------


command.add_command(player_)


@command.command("export")
@click.argument("player")
@click.argument("out", type=click.Path(path_type=Path))
@overwrite_option
@home_option
def export(player: str, out: Path, overwrite: bool, home: Path | None) -> None:
    """Write all that is kept of PLAYER into one zip file OUT.

    The player's file, a table of all swings, and the recordings; of recordings with others in
    them, only this player's swings.
    """
    from library.export import export_player

    with opened(home) as library:
        who = library.player(player)
        parts = export_player(library, who, out, overwrite=overwrite)
        click.echo("\n".join(wrapped(f"{out}: {parts}")))


@command.command("delete")
@click.argument("player")
@click.option("--raw", is_flag=True, help="Also remove the recordings of nobody else.")
@click.option("--yes", is_flag=True, help="Don't ask.")
@home_option
def delete(player: str, raw: bool, yes: bool, home: Path | None) -> None:
    """Delete all that the library keeps of PLAYER, and what was said about their swings.

    Raw recordings stay unless --raw is given; those with others in them always stay. They are
    marked, so that the player doesn't come back with the next rebuild. It cannot be undone.
    """
    from library.clips import tidy
    from library.deletion import removal, remove_player

    with opened(home) as library:
        who = library.player(player)
        touched = removal(library, who.id)
        if len(touched.own) + len(touched.shared) + len(touched.missing) == 0:
            click.echo("There are no recordings of this player.", err=True)
        groups = (
            (touched.own, "to be removed" if raw else "stays"),
            (touched.shared, "stays: others are in it as well"),
            (touched.missing, "isn't there now; where it turns up it stays"),
        )
        for paths, what in groups:
            for path in paths:
                click.echo(f"  {path}: {what}", err=True)
        question = (
            f"Delete {one_line(who.name)} ({count(touched.swings, 'swing')})"
            f"{' and these recordings' if raw and touched.own else ''}?"
        )
        if not yes:
            if not sys.stdin.isatty():
                raise CommandError("nothing was deleted: to delete without being asked, give --yes")
            if not click.confirm(question, default=False, err=True):
                raise CommandError("nothing was deleted")
        done = remove_player(library, who.id, raw=raw)
        # Where this player's clips are is nobody's business any more either.
        tidy(library)
        click.echo(f"{one_line(who.name)} is deleted: {count(done.swings, 'swing')}.")
        if raw and touched.own:
            click.echo(f"{count(len(touched.own), 'recording')} removed.")
