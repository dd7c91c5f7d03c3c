"""`unhurried library`: every session kept, listed, checked, made anew, exported and deleted."""

from __future__ import annotations

import contextlib
import json
import sys
import textwrap
from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from sensor.session import HANDS
from unhurried.errors import CommandError, show
from unhurried.home import home_folder, home_log, home_option
from unhurried.naming import SessionName, SwingName, locate
from unhurried.options import ExistingPath, json_option, overwrite_option, progress
from unhurried.words import WIDTH, count, lined_up, one_line, wrapped

if TYPE_CHECKING:
    from review.derive import Analyzed
    from review.liberrors import NamesakeError
    from review.library import Candidate, Library

WORKERS_HELP = "Processes to measure with.  [default: one a processor, where it pays]"


@click.group("library")
def command() -> None:
    """Keep every session, and find it again.

    The library takes nothing over: recordings stay where they are, and are only read. It can be
    made anew from them at any time. A session is named by its folder or by the first characters
    of its id, a player by name or id.
    """


@contextlib.contextmanager
def opened(home: Path | None, *, anew: bool = False) -> Iterator[Library]:
    """Open the home's library, with its log."""
    from unhurried.ingest import open_library

    folder = home_folder(home)
    with home_log(folder), open_library(folder, anew=anew) as library:
        yield library


def workers_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add --workers."""
    return click.option("--workers", type=click.IntRange(1, 64), help=WORKERS_HELP)(command)


def as_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add --as, as the argument `known_as`."""
    return click.option(
        "--as",
        "known_as",
        multiple=True,
        metavar="NAME=PLAYER",
        help="Who NAME in these recordings is: a player's name or id; a new name makes a new "
        "player. Without it the same name is the same player.",
    )(command)


def told(pairs: Sequence[str]) -> dict[str, str]:
    """Read the --as options."""
    out = {}
    for pair in pairs:
        name, mark, who = pair.partition("=")
        if not mark or not name.strip() or not who.strip():
            raise click.UsageError(
                f"--as '{pair}' must be NAME=PLAYER", click.get_current_context(silent=True)
            )
        out[name.strip()] = who.strip()
    return out


# -- filling -------------------------------------------------------------------------------------


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
@home_option
def update(known_as: tuple[str, ...], workers: int | None, home: Path | None) -> None:
    """Look in all known folders for new recordings and words; measure anew what is outdated."""
    names = told(known_as)
    with opened(home) as library:
        take_in(library, library.candidates(_there(library)), known_as=names, workers=workers)


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
    names = told(known_as)
    with opened(home, anew=True) as library:
        library.remember(folders)
        for player in library.people.all():
            library.save_player(player)
        found = library.candidates(_there(library), every=True)
        take_in(library, found, known_as=names, workers=workers)


def _there(library: Library) -> list[Path]:
    """Return the known folders that are there, and recordings that lie outside of them."""
    folders = []
    for folder in library.sources():
        if folder.is_dir():
            folders.append(folder)
        else:
            show(
                f"{folder}: recordings came from here, and it isn't there now: where it will not "
                f"come back, 'unhurried library forget {folder}' looks there no more"
            )
    inside = {path for path in folders if path.is_dir()}
    for session in library.sessions():
        if session.path.is_dir() and not inside & {session.path, *session.path.parents}:
            folders.append(session.path)
    return folders


def take_in(
    library: Library,
    found: Sequence[Candidate],
    *,
    known_as: dict[str, str] | None = None,
    workers: int | None = None,
) -> None:
    """Measure what is new or changed, keep it, and say what was done.

    Raises
    ------
    CommandError
        Some of it could not be taken in; the rest was.
    """
    from review.people import clean_name
    from unhurried.ingest import analyze_many

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
            if _starts_later(analyzed.start):
                show(
                    f"{path}: its date, {analyzed.start[:10]}, is still to come: the clock was "
                    "wrong when it was recorded, and it counts as the latest session"
                )
            used.update(_names_in(library, analyzed))
            kept = keep(library, analyzed, names)
            failed += kept is None
            forgotten += kept == "forgotten"
            if kept == "kept":
                added.append(analyzed.id)
    reread = 0
    for one in found:
        if one.state == "annotated" and one.id is not None:
            library.relocate(one.id, one.path)
            stored = library.analyzed(one.id)
            used.update(_names_in(library, stored))
            done = keep(library, stored, names)
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


def _names_in(library: Library, analyzed: Analyzed) -> list[str]:
    from sensor.errors import SensorError

    try:
        return library.names_of(analyzed)
    except SensorError:
        # What was said is broken; keeping it says so.
        return []


def _starts_later(start: str) -> bool:
    """Whether a recording's date is still to come, whatever the time zone."""
    return datetime.fromisoformat(start) > datetime.now(UTC) + timedelta(days=1)


def keep(library: Library, analyzed: Analyzed, names: dict[str, str]) -> str | None:
    """Keep a recording; where a name is several players', ask who is meant, or say so.

    Parameters
    ----------
    library : Library
    analyzed : Analyzed
    names : dict
        Who is meant by a name; what is answered is added.

    Returns
    -------
    str or None
        As `Library.put`; None if it could not be kept, which was said on stderr.
    """
    from review.liberrors import ChoiceError, NamesakeError
    from sensor.errors import SensorError

    while True:
        try:
            return library.put(analyzed, known_as=names)
        except NamesakeError as error:
            if not sys.stdin.isatty() or error.name in names:
                show(f"{analyzed.path}: {error}")
                return None
            names[error.name] = _ask(analyzed.path, error)
        except ChoiceError as error:
            show(f"{analyzed.path}: {error}")
            return None
        except SensorError as error:
            show(str(error))
            return None


def _ask(path: str, error: NamesakeError) -> str:
    click.echo(f"{path}: who is '{error.name}'?", err=True)
    for k, line in enumerate(error.candidates, start=1):
        click.echo(f"  {k}  {one_line(line)}", err=True)
    choice = click.prompt("Number", type=click.IntRange(1, len(error.ids)), err=True)
    return error.ids[choice - 1]


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
                "players": [_plain(p) for p in library.players() if who is None or p.id == who.id],
                "sessions": [_plain(s) for s in sessions],
            }
            click.echo(json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False))
            return
        for line in _list_lines(library, None if who is None else who.id, limit):
            click.echo(line)


def _plain(row: Any) -> dict[str, Any]:
    import dataclasses

    out = {item.name: getattr(row, item.name) for item in dataclasses.fields(row)}
    return {
        name: str(value)
        if isinstance(value, Path)
        else list(value)
        if isinstance(value, tuple)
        else value
        for name, value in out.items()
    }


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
                [_cut(one.name, 30), one.id[:8], f"{one.sessions:,}", f"{one.swings:,}", last]
            )
        yield from lined_up(rows, [False, False, True, True, False])
    else:
        for group in library.groups(player):
            words = [group.club or "club not said", group.mount or "mount not said"]
            part = ", part swings" if group.part else ""
            yield from wrapped(
                f"{one_line(words[0])}, {words[1]}{part}: {count(group.swings, 'swing')} in "
                f"{count(group.sessions, 'session')}, {count(group.rehearsals, 'rehearsal')}, "
                f"{count(group.strikes, 'strike')}, {group.unclear} unclear"
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
    rows = [["session", "start", "mount", "swings", "strikes", "players", "clubs"]]
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
                _cut(", ".join(session.players) or "-", 18),
                _cut(", ".join(session.clubs) or "-", 12)
                + (" (missing)" if session.missing else "")
                + (" (simulated)" if session.simulated else ""),
            ]
        )
    if len(rows) > 1:
        yield from lined_up(rows, [False, False, False, True, True, False, False])


def _cut(text: str, width: int) -> str:
    text = one_line(text)
    return text if len(text) <= width else f"{text[: width - 1]}…"


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
        from review.drilled import drilled_at, drilled_lines
        from review.store import COLUMNS
        from unhurried.settings import load_settings

        table = library.swings(session=found.id, excluded=True, columns=tuple(COLUMNS))
        if as_json:
            document = {
                "session": _plain(one),
                "drill": None if (drill := drilled_at(one.path)) is None else drill.as_dict(),
                "swings": [_opened(r) for r in table.rows()],
            }
            click.echo(json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False))
            return
        head = f"{one.id[:8]}, {one.start.replace('T', ' ', 1)}, {one.mount or 'mount not said'}"
        click.echo("\n".join(wrapped(head)))
        if one.simulated:
            from review.library import SIMULATED_WORDS

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
        drill = drilled_at(one.path)
        for text in () if drill is None else drilled_lines(drill):
            click.echo("\n".join(wrapped(text, "", "  ")))
        units = str(load_settings(library.home)["units"])
        click.echo("\n".join(_swing_lines(list(table.rows()), units)))


def _opened(row: dict[str, Any]) -> dict[str, Any]:
    """Turn the columns that are kept as JSON into what they mean."""
    return {
        name: json.loads(value)
        if name in ("clipped", "notes", "corrected", "other") and value is not None
        else value
        for name, value in row.items()
    }


def _swing_lines(rows: Sequence[dict[str, Any]], units: str) -> list[str]:
    unit, factor = ("yd", 0.9144) if units == "imperial" else ("m", 1.0)
    out = [["#", "player", "kind", "swing ms", "turn", "peak", "felt", f"ball, {unit}"]]
    for row in rows:
        felt = [row[f"felt_{q}"] for q in ("time", "turn", "strike")]
        result = row["carry_m"] if row["carry_m"] is not None else row["total_m"]
        kind = row["kind"] if row["excluded"] is None else "excluded"
        out.append(
            [
                str(row["number"]),
                _cut(row["player_name"] or "-", 14),
                kind,
                _number(row["swing_ms"]),
                _number(row["turn_deg"]),
                _number(row["peak_rate_dps"]),
                ", ".join(word for word in felt if word) or "-",
                _number(None if result is None else result / factor),
            ]
        )
    return lined_up(out, [True, False, False, True, True, True, False, True])


def _number(value: float | None) -> str:
    return "-" if value is None else f"{value:.0f}"


@command.command("check")
@home_option
def check(home: Path | None) -> None:
    """Look whether every recording is where it was, and everything is up to date.

    Recordings that were moved are found again by their id, in the known folders and beside where
    they were.
    """
    with opened(home) as library:
        findings = library.check()
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


@command.command("player")
@click.argument("player")
@click.option("--name", help="Another name; the old one is still known in recordings.")
@click.option("--hand", type=click.Choice(HANDS), help="The player's handedness.")
@click.option("--note", help="A note; '' removes it.")
@click.option("--child/--adult", default=None, help="Whether the player is a child.")
@click.option("--consent", help="Who agreed to the recordings, and when; '' removes it.")
@click.option("--new", is_flag=True, help="Make a new player of this name.")
@home_option
def player_(
    player: str,
    name: str | None,
    hand: str | None,
    note: str | None,
    child: bool | None,
    consent: str | None,
    new: bool,
    home: Path | None,
) -> None:
    """Show PLAYER, or change what is known of them."""
    import dataclasses

    from review.people import Player, clean_name

    with opened(home) as library:
        if new:
            who = library.people.add(player)
            library.save_player(who)
        else:
            who = library.player(player)
        changes: dict[str, Any] = {}
        if name is not None:
            changes["name"] = clean_name(name)
            changes["aliases"] = tuple(sorted({*who.aliases, who.name} - {clean_name(name)}))
        if hand is not None:
            changes["handedness"] = hand
        if note is not None:
            changes["note"] = note.strip() or None
        if child is not None:
            changes["child"] = child
        if consent is not None:
            changes["consent"] = consent.strip() or None
        if changes:
            from review.people import now_utc

            def changed(one: Player) -> Player:
                return dataclasses.replace(one, **changes, at=now_utc())

            try:
                who = library.change_player(who.id, changed)
            except ValueError as error:
                raise CommandError(str(error)) from error
        facts = [
            ("name", who.name),
            ("id", who.id),
            ("also known as", ", ".join(who.aliases)),
            ("handedness", who.handedness or "not said"),
            ("child", "yes" if who.child else "no"),
            ("consent", who.consent or ("none noted" if who.child else "")),
            ("note", who.note or ""),
        ]
        for word, text in facts:
            if text:
                click.echo("\n".join(wrapped(one_line(text), f"  {word:<14}", " " * 16)))
        if who.child and not who.consent:
            show(
                f"{who.name} is a child: record and keep this only with the consent of those who "
                "look after them, and note it with --consent"
            )


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
    from review.bundle import export_player

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
    from review.attached import tidy

    with opened(home) as library:
        who = library.player(player)
        removal = library.removal(who.id)
        if len(removal.own) + len(removal.shared) + len(removal.missing) == 0:
            click.echo("There are no recordings of this player.", err=True)
        groups = (
            (removal.own, "to be removed" if raw else "stays"),
            (removal.shared, "stays: others are in it as well"),
            (removal.missing, "isn't there now; where it turns up it stays"),
        )
        for paths, what in groups:
            for path in paths:
                click.echo(f"  {path}: {what}", err=True)
        question = (
            f"Delete {one_line(who.name)} ({count(removal.swings, 'swing')})"
            f"{' and these recordings' if raw and removal.own else ''}?"
        )
        if not yes:
            if not sys.stdin.isatty():
                raise CommandError("nothing was deleted: to delete without being asked, give --yes")
            if not click.confirm(question, default=False, err=True):
                raise CommandError("nothing was deleted")
        done = library.remove_player(who.id, raw=raw)
        # Where this player's clips are is nobody's business any more either.
        tidy(library)
        click.echo(f"{one_line(who.name)} is deleted: {count(done.swings, 'swing')}.")
        if raw and removal.own:
            click.echo(f"{count(len(removal.own), 'recording')} removed.")
