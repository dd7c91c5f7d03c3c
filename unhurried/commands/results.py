"""`unhurried results`: what the ball did, typed or imported, shown before it is kept."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from sensor.recording.output import whole_file
from sensor.recording.vocabulary import RESULT_FIELDS
from unhurried.app.ball_file import (
    keep_match,
    match_lines,
    matched,
    read_numbers,
    results_of,
    rows_in,
)
from unhurried.app.errors import CommandError, OptionsError, show
from unhurried.app.home import opened
from unhurried.app.located import Located, saying
from unhurried.app.text import WIDTH, lined_up, one_line, wrapped
from unhurried.commands.naming import SessionName, SwingName, locate, span_at
from unhurried.commands.near import NearGroup
from unhurried.commands.options import ExistingPath, home_option, json_option, overwrite_option
from words.plain import count
from words.units import M_PER_YD, M_S_PER_MPH, shown_in

if TYPE_CHECKING:
    from library.catalogue import Library
    from library.result_columns import ColumnMap
    from library.result_matching import Match

# Option, field, factor to the unit that is kept (exact, see library.ball_results), help.
_TYPED = (
    ("--club-speed-m-s", "club_speed_m_s", 1.0, "Club speed, m/s."),
    ("--club-speed-mph", "club_speed_m_s", M_S_PER_MPH, "Club speed, mph."),
    ("--ball-speed-m-s", "ball_speed_m_s", 1.0, "Ball speed, m/s."),
    ("--ball-speed-mph", "ball_speed_m_s", M_S_PER_MPH, "Ball speed, mph."),
    ("--carry-m", "carry_m", 1.0, "Carry, m."),
    ("--carry-yd", "carry_m", M_PER_YD, "Carry, yards."),
    ("--total-m", "total_m", 1.0, "Carry and run, m."),
    ("--total-yd", "total_m", M_PER_YD, "Carry and run, yards."),
    ("--offline-m", "offline_m", 1.0, "To the right of the target line (left: minus), m."),
    ("--offline-yd", "offline_m", M_PER_YD, "To the right of the target line, yards."),
    ("--attack-deg", "attack_deg", 1.0, "Angle of attack, upwards positive, deg."),
    ("--strike-toe-mm", "strike_toe_mm", 1.0, "Where the ball met the face, towards the toe, mm."),
    ("--strike-high-mm", "strike_high_mm", 1.0, "The same, above the middle, mm."),
)
_WORDS: Mapping[str, str] = {
    "club_speed_m_s": "club m/s",
    "ball_speed_m_s": "ball m/s",
    "carry_m": "carry m",
    "total_m": "total m",
    "offline_m": "offline m",
    "attack_deg": "attack °",
    "strike_toe_mm": "toe mm",
    "strike_high_mm": "high mm",
}
LONGEST_OTHER = 24


def _shown(name: str, units: str) -> tuple[str, str, float]:
    """Word and unit of a result as it is shown, and what to divide a kept number by."""
    word, _, unit = _WORDS[name].rpartition(" ")
    return word, *shown_in(unit, imperial=units == "imperial")


def _units(library: Library) -> str:
    from unhurried.app.settings import load_settings

    return str(load_settings(library.home)["units"])


@click.group("results", cls=NearGroup)
def command() -> None:
    """Keep what the ball did, beside the swings.

    Speeds, distances, angle of attack and where the ball met the face: of single swings (`add`),
    or of a whole session from any CSV file (`import`). SESSION is a recording's folder or the id
    that `unhurried library list` shows.
    """


def _typed_options(command: Any) -> Any:
    for option, _, _, text in reversed(_TYPED):
        command = click.option(option, type=float, help=text)(command)
    return command


def sure_option(command: Any) -> Any:
    """Add --sure: keep numbers that look like another unit."""
    return click.option(
        "--sure", is_flag=True, help="Keep numbers that look as if they were in another unit."
    )(command)


@command.command("add")
@click.argument("swing", type=SessionName(swing=True), metavar="SESSION#N")
@_typed_options
@click.option("--other", multiple=True, metavar="NAME=VALUE", help="Anything else; repeatable.")
@click.option("--remove", is_flag=True, help="Remove what is kept of this swing's ball.")
@sure_option
@home_option
def add(
    swing: SwingName,
    other: tuple[str, ...],
    remove: bool,
    sure: bool,
    home: Path | None,
    **typed: float | None,
) -> None:
    """Say what the ball of one swing did; more can be added later."""
    given = _given(typed, other)
    if not given and not remove:
        raise click.UsageError("say at least one result, for instance --carry-m 180")
    with opened(home) as library:
        found = locate(library, swing)
        span, rate_hz = span_at(library, found, swing)
        with saying(library, found) as said:
            seq = said.key_of(span, rate_hz=rate_hz)
            before = {} if remove else said.get("swing", seq, "result") or {}
            result = {**before, **given}
            if given:
                result["source"] = "typed"
                if "other" in before and "other" in given:
                    result["other"] = {**before["other"], **given["other"]}
            _ask_about(library, found, [(swing.number or 0, result, {})], sure=sure)
            said.set_swing(span, rate_hz=rate_hz, result=result or None)
        kept = _said(result, _units(library)) or "nothing is kept any more"
        text = f"{found.path.name}#{swing.number}: {kept}"
        click.echo("\n".join(wrapped(text)))


def _given(typed: Mapping[str, float | None], other: Sequence[str]) -> dict[str, Any]:
    out: dict[str, Any] = {}
    for option, field, factor, _ in _TYPED:
        value = typed[option.lstrip("-").replace("-", "_")]
        if value is None:
            continue
        if field in out:
            raise click.UsageError(f"{_WORDS[field].rpartition(' ')[0]} is given twice")
        if not math.isfinite(value):
            raise click.UsageError(f"{option} must be a number")
        out[field] = value * factor
    words: dict[str, Any] = {}
    for pair in other:
        name, mark, text = pair.partition("=")
        if not mark or not name.strip() or not text.strip():
            raise click.UsageError(f"--other '{pair}' must be NAME=VALUE")
        try:
            number = float(text)
        except ValueError:
            number = math.nan
        words[name.strip()] = number if math.isfinite(number) else text.strip()
    if words:
        out["other"] = words
    return out


def _said(result: Mapping[str, Any], units: str) -> str:
    words = []
    for name in RESULT_FIELDS:
        if name in result:
            word, unit, factor = _shown(name, units)
            words.append(f"{word} {result[name] / factor:.1f} {unit}")
    words += [f"{one_line(str(k))} {one_line(str(v))}" for k, v in result.get("other", {}).items()]
    return ", ".join(words)


def _ask_about(
    library: Library,
    found: Located,
    results: Sequence[tuple[int, Mapping[str, Any], Mapping[str, Any]]],
    *,
    sure: bool,
    more: Sequence[str] = (),
) -> None:
    """Refuse numbers that look like another unit, unless the user is sure.

    Parameters
    ----------
    library : Library
    found : Located
    results : sequence of (int, mapping, mapping)
        Number of the swing, the result as it would be kept, and what it would replace.
    sure : bool
    more : sequence of str
        Further doubts.

    Raises
    ------
    CommandError
    """
    from library.result_doubts import doubts_about

    asked = doubts_about(library, found.id if found.known else None, results, more=more)
    if asked.practice():
        show(asked.practice())
    for line in asked.lines:
        show(line)
    if asked.lines and not sure:
        raise CommandError("nothing was kept: change it, or keep it as it is with --sure")


@command.command("import")
@click.argument("session", type=SessionName(swing=False))
@click.argument("file", type=ExistingPath())
@click.option(
    "--map",
    "column_map",
    metavar="MAP",
    help='What the columns are: "carry=Carry:yd, club-speed=Club Speed:mph, time=Time, '
    'other=Ball". Remembered for files with the same header. Also ball-speed, total, offline, '
    "attack, 'strike-toe', 'strike-high', swing (its number); a column may be given as #3.",
)
@click.option(
    "--by", type=click.Choice(["time", "order"]), help="How to match.  [default: as the file can]"
)
@click.option("--offset-s", type=float, help="The file's clock minus the recording's.")
@click.option("--swings", metavar="LIST", help="Swings that the lines belong to: 1,3-5.")
@click.option("--lines", metavar="LIST", help="Lines of the file to take (the header is 1): 2-9.")
@click.option("--keep", is_flag=True, help="Keep what is shown.")
@sure_option
@home_option
def import_(
    session: SwingName,
    file: Path,
    column_map: str | None,
    by: str | None,
    offset_s: float | None,
    swings: str | None,
    lines: str | None,
    keep: bool,
    sure: bool,
    home: Path | None,
) -> None:
    """Lay the results in FILE, any CSV, beside the swings of SESSION.

    What belongs to what is only shown; --keep keeps it. Where the file has times the two clocks'
    offset is found and shown; otherwise the results follow the shots one after the other, and
    an empty line leaves its shot without.
    """
    from library import ball_results as balls
    from library import column_maps
    from library.result_columns import title_doubts

    with opened(home) as library:
        found, header = locate(library, session), balls.read_header(file)
        remembered = column_maps.recall_map(library.home, header)
        columns = _columns_of(file, header, column_map, remembered)
        rows, told, timed = rows_in(file, columns)
        for line in told:
            show(f"{file}: {line}")
        if lines is not None:
            wanted = set(numbers(lines, "--lines"))
            rows = [row for row in rows if row.line in wanted]
            if not rows:
                raise CommandError(f"{file}: none of these lines holds a result")
            timed = timed and any(row.time is not None for row in rows)
        chosen = None if swings is None else numbers(swings, "--swings")
        match, start = matched(
            library, found, file, rows, timed=timed, by=by, offset_s=offset_s, swings=chosen
        )
        _ask_about(
            library,
            found,
            results_of(library, found, match),
            sure=sure,
            more=title_doubts(columns),
        )
        for text in _preview(match, start, _units(library)):
            click.echo(text)
        if not keep:
            click.echo("Nothing is kept yet: the same with --keep keeps it.")
            return
        keep_match(library, found, match, file.name)
        column_maps.remember_map(library.home, header, columns)
        if remembered is not None and remembered.text != columns.text:
            show(
                "from now on this map is taken for files with these titles; before it was: "
                f'--map "{remembered.text}"'
            )
        click.echo(f"{count(len(match.pairs), 'result')} kept.")


def _columns_of(
    file: Path, header: Any, column_map: str | None, remembered: ColumnMap | None
) -> ColumnMap:
    """Say what a file's columns are: as given, else as the last time."""
    from library.ball_results import read_first
    from library.result_columns import suggest_map

    columns = remembered if column_map is None else _columns(column_map, header)
    if columns is None:
        suggested = suggest_map(header, read_first(file)) or "carry=COLUMN:UNIT"
        raise CommandError(
            f'{file}: say what its columns are with --map; as the titles read: --map "{suggested}"'
        )
    if column_map is None:
        show(f'{file}: its columns are taken as the last time: --map "{columns.text}"')
    return columns


def _columns(text: str, header: Sequence[str]) -> ColumnMap:
    """Read --map; one that cannot be used is a misuse."""
    from library.errors import ResultsError
    from library.result_columns import parse_map

    try:
        return parse_map(text, header)
    except ResultsError as error:
        raise OptionsError(str(error)) from error


def numbers(text: str, option: str) -> list[int]:
    """Read a list such as 1,3-5.

    Raises
    ------
    click.UsageError
    """
    try:
        return read_numbers(text, option)
    except CommandError as error:
        raise click.UsageError(str(error)) from None


def _preview(match: Match, start: str, units: str) -> list[str]:
    begin = datetime.fromisoformat(start)
    names = [n for n in RESULT_FIELDS if any(n in row.values for row, _ in match.pairs)]
    others = any("other" in row.values for row, _ in match.pairs)
    titles = [" ".join(_shown(n, units)[:2]) for n in names]
    table = [["line", "swing", "at", *titles, *(["other"] if others else [])]]
    # The widest tables lose their last columns, never their swings.
    while sum(len(cell) + 1 for cell in table[0]) > 74 and len(names) > 1:
        names.pop()
        table[0].pop(3 + len(names))
    for row, strike in match.pairs:
        at = begin + timedelta(seconds=strike.at_s - begin.timestamp())
        other = ", ".join(str(v) for v in row.values.get("other", {}).values())
        table.append(
            [
                str(row.line),
                f"#{strike.number}",
                f"{at:%H:%M:%S}",
                *(_cell(row.values.get(n), n, units) for n in names),
                *([one_line(other)[:18] or "-"] if others else []),
            ]
        )
    out = lined_up(table, [True, True, False, *[True] * len(names), *([False] if others else [])])
    for line in match_lines(match):
        out += wrapped(line)
    return out


def _cell(value: float | None, name: str, units: str) -> str:
    return "-" if value is None else f"{value / _shown(name, units)[2]:.1f}"


@command.command("list")
@click.argument("session", type=SessionName(swing=False))
@json_option
@home_option
def list_(session: SwingName, as_json: bool, home: Path | None) -> None:
    """Show the ball results of SESSION beside what was measured."""
    with opened(home) as library:
        found = _in_library(library, session)
        table = library.results(session=found.id, excluded=True)
        rows = list(table.rows())
        if as_json:
            from library.errors import json_cell

            out = [
                {k: json_cell(v, dict) if k == "other" and v else v for k, v in r.items()}
                for r in rows
            ]
            click.echo(json.dumps(out, indent=2, ensure_ascii=False, allow_nan=False))
            return
        if not rows:
            click.echo("There are no ball results in this session.")
            return
        units = _units(library)
        names = [n for n in RESULT_FIELDS if any(row[n] is not None for row in rows)]
        titles = [" ".join(_shown(n, units)[:2]) for n in names]
        others = [_others(row["other"]) for row in rows]
        last = ["other"] if any(others) else []
        lines = [["#", "swing ms", "turn", "rotation", *titles, *last]]
        for row, other in zip(rows, others, strict=True):
            measured = ("swing_ms", "turn_deg", "peak_rate_dps")
            lines.append(
                [
                    str(row["number"]),
                    *("-" if row[n] is None else f"{row[n]:.0f}" for n in measured),
                    *(_cell(row[n], n, units) for n in names),
                    *([other or "-"] if last else []),
                ]
            )
        # Where there is no room for all of it, the swing and what is asked for most come first.
        left_out = []
        while max(map(len, lined_up(lines, _right(lines, last)))) > WIDTH and len(lines[0]) > 5:
            at = len(lines[0]) - 1 - len(last)
            left_out.append(lines[0][at])
            lines = [[*row[:at], *row[at + 1 :]] for row in lines]
        click.echo("\n".join(lined_up(lines, _right(lines, last))))
        if left_out:
            names_out = ", ".join(reversed(left_out))
            click.echo(
                "\n".join(wrapped(f"Not shown for want of room: {names_out} (--json has all)."))
            )


def _right(lines: Sequence[Sequence[str]], last: Sequence[str]) -> list[bool]:
    return [*[True] * (len(lines[0]) - len(last)), *[False] * len(last)]


def _others(text: str | None) -> str:
    """Write what else is kept of a ball in a few words."""
    from library.errors import json_cell

    found = json_cell(text, dict)
    words = ", ".join(
        f"{k} {v:g}" if isinstance(v, float) else f"{k} {v}" for k, v in found.items()
    )
    words = one_line(words)
    return words if len(words) <= LONGEST_OTHER else f"{words[: LONGEST_OTHER - 1]}…"


@command.command("export")
@click.argument("session", type=SessionName(swing=False))
@click.argument("out", type=click.Path(path_type=Path))
@overwrite_option
@home_option
def export(session: SwingName, out: Path, overwrite: bool, home: Path | None) -> None:
    """Write everything that is kept of SESSION's swings as a CSV file OUT.

    Words that a spreadsheet would take for a formula get an apostrophe before them.
    """
    from library.export import swings_csv

    with opened(home) as library:
        found = _in_library(library, session)
        with whole_file(out, overwrite=overwrite) as file:
            file.write(swings_csv(library, session=found.id).encode())
        click.echo(f"{out}: {count(library.session(found.id).swings, 'swing')}")


def _in_library(library: Library, session: SwingName) -> Located:
    found = locate(library, session)
    if not found.known:
        raise CommandError(
            f"{found.path}: isn't in the library yet: 'unhurried library add {found.path}'"
        )
    return found
