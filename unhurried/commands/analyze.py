"""`unhurried analyze`: the swings of a recording as a table, a summary, JSON, CSV or a plot."""

from __future__ import annotations

import contextlib
import dataclasses
import itertools
import json
import re
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from unhurried.app.errors import CommandError, show
from unhurried.app.text import cut, length, lined_up, number, one_line, ranges, wrapped
from unhurried.commands.analyze_detail import WIDTH, _honesty, _place_s, budget_lines, detail_lines
from unhurried.commands.opening import open_with
from unhurried.commands.options import (
    ExistingPath,
    ExistingSwingPath,
    SwingPath,
    home_option,
    json_option,
    overwrite_plot_option,
    progress,
    recording_options,
)
from unhurried.commands.short_help import ShortHelp
from unhurried.commands.unsure import question_lines, why_lines
from words import knocks
from words.glossary import KINDS, MEMBERS, measure_word, note_words
from words.pair import ASPECTS, amount
from words.plain import clock, count
from words.units import said, unit_of

if TYPE_CHECKING:
    from analysis.evidence.summary import Group
    from analysis.swing.results import Swing
    from sensor.recording.reader import Recording
    from unhurried.app.measuring import Analysis

# Fewer samples are done before a bar could be read.
LONG_WORK_SAMPLES = 1_000_000

# What stands first of a group; all of them are in the details.
FIRST = ("backswing_ms", "downswing_ms", "turn_deg", "peak_rate_dps")
# Notes that concern nothing in the table; PATH#N tells them.
DETAIL_ONLY = {"clipped", "gap", "no_long_axis", "no_finish", "gap_finish"}


def _check_forms(path: SwingPath, *, as_json: bool, as_csv: bool, budget: bool, why: bool) -> None:
    """Refuse forms of the output that don't go together."""
    if as_json and as_csv:
        raise click.UsageError("give --json or --csv, not both")
    if budget and (as_json or as_csv):
        raise click.UsageError("--budget is a table of its own: leave out --json and --csv")
    if budget and path.index is None:
        raise click.UsageError(
            f"--budget is for one swing: give its number, as in {path.path.name}#1"
        )
    if why and (as_json or as_csv or budget):
        raise click.UsageError(
            "--why adds to the table of swings; with --json it is in 'candidates' anyway"
        )


@click.command(
    "analyze",
    cls=ShortHelp,
    more=(*("hand", "gyr_range_dps", "acc_range_g", "calibration", "home", "overwrite"),),
)
@click.argument("path", type=ExistingSwingPath())
@json_option
@click.option("--csv", "as_csv", is_flag=True, help="Print CSV, one row a swing.")
@click.option(
    "--plot",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Draw turn and rotation, or the whole session, to a .png or .svg file.",
)
@click.option(
    "--budget",
    "with_budget",
    is_flag=True,
    help="With PATH#N: what each uncertainty is made of, by source.",
)
@click.option(
    "--why",
    "with_why",
    is_flag=True,
    help="Also list what nearly passed for a swing, and what spoke against it.",
)
@click.option(
    "--own-strikes",
    is_flag=True,
    help="Time practice swings by the player's own shots with the same club (five or more).",
)
@click.option(
    "--strikes-of",
    type=ExistingPath(),
    multiple=True,
    metavar="PATH",
    help="Take shots from this recording as well (same place); may be repeated.",
)
@recording_options
@home_option
@overwrite_plot_option
def command(
    path: SwingPath,
    as_json: bool,
    as_csv: bool,
    with_budget: bool,
    with_why: bool,
    plot: Path | None,
    own_strikes: bool,
    strikes_of: tuple[Path, ...],
    overwrite: bool,
    **options: Any,
) -> None:
    """Find and measure the swings of the recording PATH, a folder or a CSV file.

    Prints a summary by player and club, and a table of all swings. PATH#N tells everything
    about swing N, each number with its standard uncertainty; --budget says what makes it up.
    What was said of a swing (`unhurried kind`, or on the page) counts more than the sensor.

    \b
    Examples:
      unhurried analyze recordings/monday-wrist
      unhurried analyze SESSION#3 --plot third.png
      unhurried analyze SESSION#3 --budget
      unhurried analyze SESSION --why
      unhurried analyze SWINGS.csv --mount club --gyr-range-dps 2000
      unhurried analyze TODAY --own-strikes --strikes-of YESTERDAY
      unhurried analyze SESSION --csv > swings.csv
    """
    _check_forms(path, as_json=as_json, as_csv=as_csv, budget=with_budget, why=with_why)
    if plot is not None:
        from review.plot import check_plot_file

        try:
            check_plot_file(plot, overwrite=overwrite)
        except ValueError as error:
            raise click.BadParameter(str(error), param_hint="'--plot'") from error
    from unhurried.app.measuring import analyze

    with contextlib.ExitStack() as files:
        recording = files.enter_context(open_with(path.path, **options))
        others = [files.enter_context(open_with(other, **options)) for other in strikes_of]
        # On a terminal, and only if somebody would have to wait.
        n_bar = recording.n_samples if recording.n_samples >= LONG_WORK_SAMPLES else 0
        with progress(n_bar, "Analyzing") as advance:
            analysis = analyze(
                recording,
                progress=advance,
                own_strikes=own_strikes,
                strikes_of=others,
                remark=lambda text: show(f"{path.path}: {text}"),
            )
        swing = None if path.index is None else _swing(analysis, path.path, path.index)
        if plot is not None:
            _plot(recording, analysis, swing, plot, overwrite=overwrite)
    shown = analysis.swings if swing is None else (swing,)
    if as_json:
        document = analysis.as_dict()
        document["swings"] = [item.as_dict() for item in shown]
        click.echo(json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False))
    elif as_csv:
        click.echo(csv_text(shown), nl=False)
    elif with_budget and swing is not None:
        for line in budget_lines(analysis, swing, one_line(path.path.resolve().name)):
            click.echo(line)
    else:
        title = one_line(path.path.resolve().name)
        whole = itertools.chain(lines(analysis, title), question_lines(analysis, path.path))
        for line in whole if swing is None else detail_lines(analysis, swing, title):
            click.echo(line)
        if with_why:
            click.echo("")
            for line in why_lines(analysis):
                click.echo(line)


def _swing(analysis: Analysis, path: Path, index: int) -> Swing:
    if index <= len(analysis.swings):
        return analysis.swings[index - 1]
    raise CommandError(
        f"{path}: there is no swing #{index}: {count(len(analysis.swings), 'swing')} found"
    )


def _plot(
    recording: Recording, analysis: Analysis, swing: Swing | None, file: Path, *, overwrite: bool
) -> None:
    import unhurried.plot
    from review.plot import save_plot

    name = one_line(recording.path.resolve().name)
    if swing is not None:
        figure = unhurried.plot.swing(recording, swing, title=f"{name} #{swing.index}")
    elif analysis.swings:
        figure = unhurried.plot.session(analysis, title=name)
    else:
        click.echo(f"{file}: not written, there are no swings to draw", err=True)
        return
    save_plot(figure, file, overwrite=overwrite)
    click.echo(f"{file}: written", err=True)


# -- CSV ---------------------------------------------------------------------------------------


def csv_text(swings: Iterable[Swing]) -> str:
    """Return one row a swing under the field names of the JSON; what is null there is empty.

    Words are joined by semicolons; of `notes`, the codes. Numbers by axis are in brackets.
    """
    from analysis.swing.results import INNER, Swing
    from sensor.recording.csv_cells import table_text

    rows = []
    for swing in swings:
        values = swing.as_dict() | {"notes": [note.code for note in swing.notes]}
        rows.append([_cell(value) for value in values.values()])
    header = [item.name for item in dataclasses.fields(Swing) if item.name not in INNER]
    return table_text(header, rows)


def _cell(value: object) -> object:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, list):
        return ";".join(value) if all(isinstance(one, str) for one in value) else str(value)
    return value


# -- the table and the summary -------------------------------------------------------------------


def lines(analysis: Analysis, title: str) -> Iterator[str]:
    """Give the lines of the readable form, none wider than 80 columns."""
    yield from wrapped(f"{title}: {_facts(analysis)}")
    hidden = None if analysis.knock_visible is None else knocks.seen(analysis.knock_visible)
    if hidden is not None:
        yield from wrapped(f"{hidden[0].upper()}{hidden[1:]}.")
    if not analysis.swings:
        yield ""
        yield from wrapped(_no_swings(analysis))
        return
    sets = _sets(analysis)
    for kinds in sets:
        yield ""
        yield from _first_words(kinds, analysis.mount)
    yield ""
    yield from _table(analysis)
    yield ""
    yield from _reasons(analysis.swings)
    yield from _details(sets, analysis.mount)
    yield ""
    yield from wrapped(_honesty(analysis.mount))


def _facts(analysis: Analysis) -> str:
    mount = (
        f"sensor on the {MEMBERS[analysis.mount]}" if analysis.mount else "sensor's place not said"
    )
    words = [
        count(len(analysis.swings), "swing"),
        f"{length(analysis.duration_s)} at {analysis.rate_hz:g} Hz",
        mount,
    ]
    if analysis.short_strokes:
        words.append(f"{count(analysis.short_strokes, 'short stroke')} (under 30°) not counted")
    if analysis.lost_samples:
        words.append(f"{count(analysis.lost_samples, 'sample')} lost")
    return ", ".join(words)


def _no_swings(analysis: Analysis) -> str:
    text = (
        "No swings found. A swing needs a backswing and a return of 30° or more; shorter "
        "strokes are only counted."
    )
    if analysis.mount is None:
        text += " Saying where the sensor was (--mount) can help."
    return text


def _table(analysis: Analysis) -> list[str]:
    """Return the table: a header of two lines and one line a swing.

    Names are cut shorter until it fits.
    """
    for longest, gap in ((20, "  "), (14, "  "), (14, " "), (10, " "), (8, " ")):
        table = _table_of(analysis, longest, gap)
        if max(map(len, table)) <= WIDTH:
            break
    return table


def _table_of(analysis: Analysis, longest: int, gap: str) -> list[str]:
    from analysis.evidence.summary import kind_of

    swings = analysis.swings
    member = MEMBERS.get(analysis.mount or "", "")
    # Two lines of header, cells, whether they are set right.
    columns: list[tuple[str, str, list[str], bool]] = [
        ("", "#", [str(swing.index) for swing in swings], True),
        ("time", "m:ss", [clock(_place_s(swing)) for swing in swings], True),
    ]
    if any(swing.player for swing in swings):
        cells = [cut(swing.player or "-", longest) for swing in swings]
        columns.append(("player", "", cells, False))
    if len({swing.club for swing in swings}) > 1:
        columns.append(("club", "", [cut(swing.club or "-", longest) for swing in swings], False))
    columns += [
        ("kind", "", [KINDS[kind_of(swing)] for swing in swings], False),
        ("swing", "ms", [number(swing.swing_ms) for swing in swings], True),
        ("back", "ms", [number(swing.backswing_ms) for swing in swings], True),
        ("down", "ms", [number(swing.downswing_ms) for swing in swings], True),
        (member, "turn °", [number(swing.turn_deg) for swing in swings], True),
        ("rotation", "°/s", [_peak(swing) for swing in swings], True),
    ]
    widths = [max(map(len, (first, second, *cells))) for first, second, cells, _ in columns]
    rows = [
        [first for first, _, _, _ in columns],
        [second for _, second, _, _ in columns],
        *([cells[k] for _, _, cells, _ in columns] for k in range(len(swings))),
    ]
    return [
        gap.join(
            text.rjust(width) if right else text.ljust(width)
            for text, width, (_, _, _, right) in zip(row, widths, columns, strict=True)
        ).rstrip()
        for row in rows
    ]


def _reasons(swings: Sequence[Swing]) -> Iterator[str]:
    """Say once, in plain words, why numbers of the table are absent or doubtful."""
    by_text: dict[str, list[int]] = {}
    for swing in swings:
        for note in swing.notes:
            if note.code not in DETAIL_ONLY:
                by_text.setdefault(note.text, []).append(swing.index)
    for text, indices in by_text.items():
        yield from wrapped(f"{ranges(indices)}: {note_words(text)}.", "", "  ")
    turned = [swing for swing in swings if swing.turn_deg is not None]
    from_motion = any(swing.takeaway_s is None for swing in turned)
    if from_motion:
        yield from wrapped(
            "Turn is given from the start of the motion where takeaway itself is absent."
        )
    to_greatest = any(swing.top_s is None for swing in turned)
    if to_greatest:
        yield from wrapped("Turn is the greatest on record where the time of the top is absent.")
    if by_text or from_motion or to_greatest:
        yield ""


def _sets(analysis: Analysis) -> list[dict[str, Group]]:
    """Return the groups of each player, club and length, by kind."""
    sets: dict[tuple[str | None, str | None, bool], dict[str, Group]] = {}
    for group in analysis.summary():
        sets.setdefault((group.player, group.club, group.part), {})[group.kind] = group
    return list(sets.values())


def _ordered(kinds: dict[str, Group]) -> list[Group]:
    return [kinds[kind] for kind in KINDS if kind in kinds]


def _first_words(kinds: dict[str, Group], mount: str | None) -> Iterator[str]:
    """Say of one player's swings what each kind was like, and how the shots differ."""
    groups = _ordered(kinds)
    yield from wrapped(_heading(groups[0]))
    for group in groups:
        yield from wrapped(_group_words(group, mount), "  ", "    ")
    words = _apart_words(kinds, mount)
    if words:
        yield from wrapped(f"Shots beside practice swings: {words}.", "  ", "    ")


def _apart_words(kinds: dict[str, Group], mount: str | None) -> str:
    """Say how the middle shot differs from the middle practice swing."""
    from analysis.evidence.summary import differences

    if "rehearsal" not in kinds or "strike" not in kinds:
        return ""
    out = []
    for item in differences(kinds["rehearsal"], kinds["strike"]):
        if item.measure == "tempo_ratio":
            continue
        own = kinds["rehearsal"].measures[item.measure]
        change = -item.rehearsal_minus_strike
        _, more, less = ASPECTS[item.measure]
        size = amount(item.measure, abs(change), None if own is None else own.median)
        word = f"{size} {more if change > 0.0 else less}"
        if not any(digit in size for digit in "123456789"):
            word = f"less than {re.sub(r'0(?=[^0-9]*$)', '1', size)} apart"
        out.append(f"{measure_word(item.measure, mount)} {word}")
    return ", ".join(out)


def _details(sets: Sequence[dict[str, Group]], mount: str | None) -> Iterator[str]:
    """Give the middle and the scatter of every measure, and what the figures are."""
    yield "Details"
    for kinds in sets:
        groups = _ordered(kinds)
        yield from wrapped(_heading(groups[0]), "  ", "    ")
        head = [""]
        for group in groups:
            head += [KINDS[group.kind], "scatter", "of"]
        rows = [head]
        for name in groups[0].measures:
            cells = [f"    {measure_word(name, mount)} {said(unit_of(name)).strip()}".rstrip()]
            for group in groups:
                cells += _middle_cells(name, group)
            rows.append(cells)
        yield from lined_up(rows, [False, *[True] * (len(head) - 1)])
    yield ""
    yield from wrapped(
        "Each figure is that of the middle swing. Scatter: about two thirds of the swings lie "
        "within this of it (1.4826 times the middle distance); given from three swings on. "
        "'unhurried compare' says which differences can be told."
    )
    yield from _what_is_left_out(sets)


def _middle_cells(name: str, group: Group) -> list[str]:
    found = group.measures[name]
    if found is None:
        return ["-", "-", "0"]
    decimals = 2 if name == "tempo_ratio" else 0
    least = "≥" if found.at_least else ""
    spread = "-"
    if found.spread is not None:
        spread = number(found.spread, decimals or int(found.spread < 9.95))
    return [f"{least}{number(found.median, decimals)}", spread, str(found.n)]


def _what_is_left_out(sets: Sequence[dict[str, Group]]) -> Iterator[str]:
    """Say which swings and which differences the figures leave out, and why."""
    from analysis.evidence.summary import TO_IMPACT, differences

    groups = [group for kinds in sets for group in _ordered(kinds)]
    late = sorted(index for group in groups for index in group.following)
    if late:
        yield from wrapped(
            f"{ranges(late)}: back and forth, begun at the finish of the swing before, so not in "
            "these figures: backswing and turn count from there, not from address."
        )
    both = [kinds for kinds in sets if "rehearsal" in kinds and "strike" in kinds]
    rates = [
        kinds[kind].measures["peak_rate_dps"] for kinds in both for kind in ("rehearsal", "strike")
    ]
    if any(rate is not None and rate.at_least for rate in rates):
        yield from wrapped("≥: at least, by a limit or a hole; such rotations aren't set beside.")
    found = [differences(kinds["rehearsal"], kinds["strike"]) for kinds in both]
    if any(one and not TO_IMPACT & {item.measure for item in one} for one in found):
        yield from wrapped(
            "Swing time and downswing of practice swings and shots aren't set beside each other: a "
            "practice swing ends where the turn is back at its least, a shot at the knock, which "
            "can be some hundredths of a second apart."
        )


def _heading(group: Group) -> str:
    words = [one_line(group.player or "Player not said"), one_line(group.club or "club not said")]
    return ", ".join([*words, "part swings"] if group.part else words)


def _group_words(group: Group, mount: str | None) -> str:
    """Say one group in a sentence that can be read aloud."""
    if group.kind == "unclear":
        start = f"{count(group.n, 'unclear swing')} ({ranges(group.indices)})"
    else:
        start = count(group.n, KINDS[group.kind])
    words = []
    for name in FIRST:
        found = group.measures.get(name)
        if found is None:
            continue
        least = "at least " if found.at_least else ""
        some = f" ({found.n} of them)" if found.n < group.n else ""
        words.append(f"{measure_word(name, mount)} {least}{_value(name, found.median)}{some}")
    if not words:
        return f"{start}, nothing of which could be measured."
    return f"{start}: {', '.join(words)}."


def _value(name: str, value: float) -> str:
    """Say a number with its unit as one says it aloud: times in seconds."""
    return f"{value:.0f} °/s" if name == "peak_rate_dps" else amount(name, value)


# -- words and numbers ---------------------------------------------------------------------------


def _peak(swing: Swing) -> str:
    from analysis.swing.results import is_bound

    rate = swing.peak_rate_dps
    return ("≥" if rate is not None and is_bound(swing) else "") + number(rate)
