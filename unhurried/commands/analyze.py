"""`unhurried analyze`: the swings of a recording as a table, a summary, JSON, CSV or a plot."""

from __future__ import annotations

import contextlib
import csv
import io
import json
import math
import textwrap
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from unhurried.errors import CommandError, show
from unhurried.home import home_option
from unhurried.options import (
    ExistingPath,
    ExistingSwingPath,
    SwingPath,
    clock,
    json_option,
    length,
    open_with,
    overwrite_plot_option,
    progress,
    recording_options,
)

if TYPE_CHECKING:
    from analysis.results import Swing
    from analysis.summary import Group
    from sensor.recording import Recording
    from unhurried.wiring import Analysis

WIDTH = 79
# Fewer samples are done before a bar could be read.
LONG_WORK_SAMPLES = 1_000_000

MEMBERS = {"wrist": "forearm", "glove": "hand", "club": "club", "trunk": "trunk"}
KIND_WORDS = {"rehearsal": "Rehearsals", "strike": "Strikes", "unclear": "Unclear"}
BASIS_WORDS = {
    "shock": "the onset of the shock",
    "least_turn": "the turn back at its least",
    "own_strikes": "as at the player's own strikes",
}
# Notes that concern nothing in the table; PATH#N tells them.
DETAIL_ONLY = {"clipped", "gap", "no_long_axis", "no_finish", "gap_finish"}


@click.command("analyze")
@click.argument("path", type=ExistingSwingPath())
@json_option
@click.option("--csv", "as_csv", is_flag=True, help="Print CSV, one row a swing.")
@click.option(
    "--plot",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Draw turn and rate, or the whole session, to a .png or .svg file.",
)
@click.option(
    "--budget",
    "with_budget",
    is_flag=True,
    help="With PATH#N: what each uncertainty is made of, by source.",
)
@click.option(
    "--own-strikes",
    is_flag=True,
    help="Time rehearsals by the player's own strikes with the same club (five or more).",
)
@click.option(
    "--strikes-of",
    type=ExistingPath(),
    multiple=True,
    metavar="PATH",
    help="Take strikes from this recording as well (same mount); may be repeated.",
)
@recording_options
@home_option
@overwrite_plot_option
def command(
    path: SwingPath,
    as_json: bool,
    as_csv: bool,
    with_budget: bool,
    plot: Path | None,
    own_strikes: bool,
    strikes_of: tuple[Path, ...],
    overwrite: bool,
    **options: Any,
) -> None:
    """Find and measure the swings of the recording PATH, a folder or a CSV file.

    Prints a table of all swings and a summary by player and club. PATH#N tells everything
    about swing N, each number with its standard uncertainty; --budget says what makes it up.

    \b
    Examples:
      unhurried analyze session
      unhurried analyze session#3 --plot third.png
      unhurried analyze session#3 --budget
      unhurried analyze swings.csv --mount club --gyr-range-dps 2000
      unhurried analyze today --own-strikes --strikes-of yesterday
      unhurried analyze session --csv > swings.csv
    """
    if as_json and as_csv:
        raise click.UsageError("give --json or --csv, not both", click.get_current_context())
    if with_budget and (as_json or as_csv):
        raise click.UsageError(
            "--budget is a table of its own: leave out --json and --csv",
            click.get_current_context(),
        )
    if with_budget and path.index is None:
        raise click.UsageError(
            f"--budget is for one swing: give its number, as in {path.path.name}#1",
            click.get_current_context(),
        )
    if plot is not None:
        from review.plot import check_plot_file

        try:
            check_plot_file(plot, overwrite=overwrite)
        except ValueError as error:
            raise click.BadParameter(str(error), param_hint="'--plot'") from error
    from unhurried.wiring import analyze_recording

    with contextlib.ExitStack() as files:
        recording = files.enter_context(open_with(path.path, **options))
        others = [files.enter_context(open_with(other, **options)) for other in strikes_of]
        # On a terminal, and only if somebody would have to wait.
        n_bar = recording.n_samples if recording.n_samples >= LONG_WORK_SAMPLES else 0
        with progress(n_bar, "Analyzing") as advance:
            analysis = analyze_recording(
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
        for line in budget_lines(analysis, swing, _plain(path.path.resolve().name)):
            click.echo(line)
    else:
        title = _plain(path.path.resolve().name)
        out = lines(analysis, title) if swing is None else detail_lines(analysis, swing, title)
        for line in out:
            click.echo(line)


def _swing(analysis: Analysis, path: Path, index: int) -> Swing:
    if index <= len(analysis.swings):
        return analysis.swings[index - 1]
    raise CommandError(
        f"{path}: there is no swing #{index}: {_count(len(analysis.swings), 'swing')} found"
    )


def _plot(
    recording: Recording, analysis: Analysis, swing: Swing | None, file: Path, *, overwrite: bool
) -> None:
    from review.plot import plot_session, plot_swing, save_plot
    from unhurried.wiring import trace_of

    name = _plain(recording.path.resolve().name)
    if swing is not None:
        figure = plot_swing(
            trace_of(recording, swing), swing, mount=analysis.mount, title=f"{name} #{swing.index}"
        )
    elif analysis.swings:
        figure = plot_session(
            analysis.swings, mount=analysis.mount, duration_s=analysis.duration_s, title=name
        )
    else:
        click.echo(f"{file}: not written, there are no swings to draw", err=True)
        return
    save_plot(figure, file, overwrite=overwrite)
    click.echo(f"{file}: written", err=True)


# -- CSV ---------------------------------------------------------------------------------------


def csv_text(swings: Iterable[Swing]) -> str:
    """Return one row a swing under the field names of the JSON; what is null there is empty.

    `clipped` and the codes of `notes` are joined by semicolons.
    """
    import dataclasses

    from analysis.results import Swing

    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow([item.name for item in dataclasses.fields(Swing) if item.name != "budget"])
    for swing in swings:
        values = swing.as_dict()
        values["clipped"] = ";".join(swing.clipped)
        values["notes"] = ";".join(note.code for note in swing.notes)
        writer.writerow([_cell(value) for value in values.values()])
    return buffer.getvalue()


def _cell(value: object) -> object:
    if isinstance(value, bool):
        return "true" if value else "false"
    return value


# -- the table and the summary -------------------------------------------------------------------


def lines(analysis: Analysis, title: str) -> Iterator[str]:
    """Give the lines of the readable form, none wider than 80 columns."""
    yield from _wrapped(f"{title}: {_facts(analysis)}")
    if not analysis.swings:
        yield ""
        yield from _wrapped(_no_swings(analysis))
        return
    yield ""
    yield from _table(analysis)
    yield ""
    yield from _reasons(analysis.swings)
    yield from _summary(analysis)
    yield ""
    yield from _wrapped(_honesty(analysis.mount))


def _facts(analysis: Analysis) -> str:
    mount = f"sensor on the {MEMBERS[analysis.mount]}" if analysis.mount else "mount not said"
    words = [
        _count(len(analysis.swings), "swing"),
        f"{length(analysis.duration_s)} at {analysis.rate_hz:g} Hz",
        mount,
    ]
    if analysis.short_strokes:
        words.append(f"{_count(analysis.short_strokes, 'short stroke')} (under 30 deg) not counted")
    if analysis.lost_samples:
        words.append(f"{_count(analysis.lost_samples, 'sample')} lost")
    return ", ".join(words)


def _no_swings(analysis: Analysis) -> str:
    text = (
        "No swings found. A swing needs a backswing and a return of 30 deg or more; shorter "
        "strokes are only counted."
    )
    if analysis.mount is None:
        text += " Saying where the sensor was (--mount) can help."
    return text


def _honesty(mount: str | None) -> str:
    what = f"{MEMBERS[mount]} with the sensor on it" if mount else "part that carries the sensor"
    return (
        f"Turn and rates are those of the {what}, not of the whole body. "
        "Numbers that change together need not cause one another."
    )


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
    from analysis.summary import kind_of

    swings = analysis.swings
    member = MEMBERS.get(analysis.mount or "", "")
    # Two lines of header, cells, whether they are set right.
    columns: list[tuple[str, str, list[str], bool]] = [
        ("", "#", [str(swing.index) for swing in swings], True),
        ("time", "m:ss", [clock(_place_s(swing)) for swing in swings], True),
    ]
    if any(swing.player for swing in swings):
        cells = [_cut(swing.player or "-", longest) for swing in swings]
        columns.append(("player", "", cells, False))
    if len({swing.club for swing in swings}) > 1:
        columns.append(("club", "", [_cut(swing.club or "-", longest) for swing in swings], False))
    columns += [
        ("kind", "", [kind_of(swing) for swing in swings], False),
        ("swing", "ms", [_number(swing.swing_ms) for swing in swings], True),
        ("back", "ms", [_number(swing.backswing_ms) for swing in swings], True),
        ("down", "ms", [_number(swing.downswing_ms) for swing in swings], True),
        ("ratio", "", [_number(swing.tempo_ratio, 1) for swing in swings], True),
        (member, "turn deg", [_number(swing.turn_deg) for swing in swings], True),
        ("peak", "deg/s", [_peak(swing) for swing in swings], True),
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
        yield from _wrapped(f"{_ranges(indices)}: {text}.", "", "  ")
    turned = [swing for swing in swings if swing.turn_deg is not None]
    from_motion = any(swing.takeaway_s is None for swing in turned)
    if from_motion:
        yield from _wrapped(
            "Turn is given from the start of the motion where takeaway itself is absent."
        )
    to_greatest = any(swing.top_s is None for swing in turned)
    if to_greatest:
        yield from _wrapped("Turn is the greatest on record where the time of the top is absent.")
    if by_text or from_motion or to_greatest:
        yield ""


def _summary(analysis: Analysis) -> Iterator[str]:
    from analysis.summary import KINDS, TO_IMPACT, differences, group_swings

    sets: dict[tuple[str | None, str | None, bool], dict[str, Group]] = {}
    for group in group_swings(analysis.swings):
        sets.setdefault((group.player, group.club, group.part), {})[group.kind] = group
    left_out = at_least = False
    late: list[int] = []
    for number, ((player, club, part), kinds) in enumerate(sets.items()):
        if number:
            yield ""
        yield from _wrapped(_heading(player, club, part))
        for kind in KINDS:
            if kind in kinds:
                late += kinds[kind].following
                yield from _wrapped(_group_words(kinds[kind], analysis.mount), "  ", "    ")
        if "rehearsal" in kinds and "strike" in kinds:
            found = differences(kinds["rehearsal"], kinds["strike"])
            peaks = [kinds[kind].measures["peak_rate_dps"] for kind in ("rehearsal", "strike")]
            at_least |= any(peak is not None and peak.at_least for peak in peaks)
            if found:
                left_out |= not TO_IMPACT & {item.measure for item in found}
                words = ", ".join(
                    f"{_measure_word(item.measure, analysis.mount)} "
                    f"{_signed(item.measure, item.rehearsal_minus_strike)}"
                    for item in found
                )
                yield from _wrapped(f"Rehearsals minus strikes (medians): {words}.", "  ", "    ")
    yield ""
    yield from _wrapped(
        "Spread: about two thirds of the swings lie within this of the median (median absolute "
        "deviation x 1.4826); given from three swings on."
    )
    if late:
        yield from _wrapped(
            f"{_ranges(sorted(late))}: back and forth, begun at the finish of the swing before, so "
            "not in the medians: backswing and turn count from there, not from address."
        )
    if at_least:
        yield from _wrapped(
            "≥: at least, since the gyro was at its limit; such peak rates are not subtracted."
        )
    if left_out:
        yield from _wrapped(
            "Swing time, downswing and ratio of rehearsals and strikes are not subtracted: a "
            "rehearsal ends where the turn is back at its least, a strike at the shock, which can "
            "be some hundredths of a second apart."
        )


def _heading(player: str | None, club: str | None, part: bool) -> str:
    words = [_plain(player or "Player not said"), _plain(club or "club not said")]
    return ", ".join([*words, "part swings"] if part else words)


def _group_words(group: Group, mount: str | None) -> str:
    """Say one group in a sentence that can be read aloud."""
    start = f"{KIND_WORDS[group.kind]}: {_count(group.n, 'swing')}"
    if group.kind == "unclear":
        start += f" ({_ranges(group.indices)})"
    words = []
    for name, spread in group.measures.items():
        if spread is None:
            continue
        least = "≥ " if spread.at_least else ""
        text = f"{_measure_word(name, mount)} {least}{_value(name, spread.median)}"
        inside = []
        if spread.spread is not None:
            inside.append(f"spread {_value(name, spread.spread, spread=True)}")
        if spread.n < group.n:
            inside.append(f"{spread.n} of {group.n} swings")
        words.append(f"{text} ({', '.join(inside)})" if inside else text)
    if not words:
        return f"{start}, nothing of which could be measured."
    return f"{start}, {'median ' if group.n > 1 else ''}{', '.join(words)}."


def _measure_word(name: str, mount: str | None) -> str:
    return {
        "swing_ms": "swing time",
        "backswing_ms": "backswing",
        "downswing_ms": "downswing",
        "tempo_ratio": "ratio",
        "turn_deg": f"{MEMBERS[mount]} turn" if mount else "turn",
        "peak_rate_dps": "peak rate",
    }[name]


def _value(name: str, value: float, *, spread: bool = False) -> str:
    """Say a number with its unit as one says it aloud: times in seconds."""
    if name.endswith("_ms"):
        # Spreads are small: one digit more.
        if spread and 0.0 < value < 0.5:
            return "under 0.001 s"
        return f"{value / 1e3:.{3 if spread else 2}f} s"
    if name == "tempo_ratio":
        return f"{value:.{2 if spread else 1}f}"
    return (
        f"{value:.{1 if spread and value < 10 else 0}f} {'deg' if name == 'turn_deg' else 'deg/s'}"
    )


def _signed(name: str, value: float) -> str:
    text = _value(name, abs(value), spread=True)
    if text.startswith("under") or float(text.split()[0]) == 0.0:
        return text
    return f"{'+' if value > 0 else '-'}{text}"


# -- one swing -----------------------------------------------------------------------------------


def detail_lines(analysis: Analysis, swing: Swing, title: str) -> Iterator[str]:
    """Give all that is known of one swing, each number with its standard uncertainty."""
    from analysis.summary import kind_of

    who = [
        _plain(swing.player) if swing.player else None,
        f"{swing.handedness}-handed" if swing.handedness else None,
        _plain(swing.club) if swing.club else None,
        f"{swing.intent} swing" if swing.intent else None,
        kind_of(swing),
    ]
    yield from _wrapped(
        f"{title}: swing {swing.index} of {len(analysis.swings)} at {clock(_place_s(swing))}"
    )
    yield from _wrapped(", ".join(word for word in who if word))
    yield ""
    member = MEMBERS.get(analysis.mount or "", "")
    bound = any(note.code == "rate_lower_bound" for note in swing.notes)
    began = "takeaway" if swing.takeaway_s is not None else "start of the motion"
    turned = f"{began} to top"
    rows = [
        ("takeaway", "takeaway_s", "s", ""),
        ("top", "top_s", "s", ""),
        ("impact", "impact_s", "s", BASIS_WORDS.get(swing.impact_basis or "", "")),
        ("finish", "finish_s", "s", ""),
        ("backswing", "backswing_ms", "ms", "takeaway to top"),
        ("downswing", "downswing_ms", "ms", "top to impact"),
        ("swing time", "swing_ms", "ms", "takeaway to impact"),
        ("ratio", "tempo_ratio", "", "backswing to downswing"),
        (f"{member} turn".strip(), "turn_deg", "deg", turned),
        (
            "peak rate",
            "peak_rate_dps",
            "deg/s",
            "at least: the gyro was at its limit" if bound else "",
        ),
        ("  across axis", "peak_transverse_dps", "deg/s", "without roll about the long axis"),
        ("peak to impact", "peak_to_impact_ms", "ms", "positive: the peak comes first"),
        ("time at top", "top_dwell_ms", "ms", "within 2 deg of the greatest turn"),
    ]
    for word, name, unit, remark in rows:
        number = _with_u(getattr(swing, name), getattr(swing, f"{name}_u"))
        line = f"  {word:<14} {number:>20} {unit if number.strip() != '-' else '':<6}"
        yield f"{line} {remark}".rstrip()
    gap = f"{swing.gap_ms:.0f} ms of the swing" if swing.gap_ms > 0 else "nothing"
    yield f"  {'missing':<14} {gap}"
    limits = ", ".join(map(_channel, swing.clipped)) or "no"
    yield from _wrapped(limits, "  sensor at its limit: ", " " * 4)
    if swing.notes:
        yield ""
        for note in swing.notes:
            yield from _wrapped(f"{note.text}.", "  - ", "    ")
    yield ""
    yield from _wrapped(
        "± is one standard uncertainty (k = 1). Times run from the recording's first sample."
    )
    yield from _wrapped(_honesty(analysis.mount))


def budget_lines(analysis: Analysis, swing: Swing, title: str) -> Iterator[str]:
    """Give each number with its uncertainty and the sources that it is made of."""
    member = MEMBERS.get(analysis.mount or "", "")
    yield from _wrapped(
        f"{title}: swing {swing.index} of {len(analysis.swings)} at {clock(_place_s(swing))}: "
        "what each uncertainty is made of"
    )
    yield ""
    yield f"  {'':<14} {'value ± uncertainty':>20} {'':<6}{'of which':<20}  {'±':>9}"
    absent = []
    for word, name, unit in (
        ("takeaway", "takeaway_s", "s"),
        ("top", "top_s", "s"),
        ("impact", "impact_s", "s"),
        ("finish", "finish_s", "s"),
        ("backswing", "backswing_ms", "ms"),
        ("downswing", "downswing_ms", "ms"),
        ("swing time", "swing_ms", "ms"),
        ("ratio", "tempo_ratio", ""),
        (f"{member} turn".strip(), "turn_deg", "deg"),
        ("peak rate", "peak_rate_dps", "deg/s"),
        ("across axis", "peak_transverse_dps", "deg/s"),
        ("peak to impact", "peak_to_impact_ms", "ms"),
        ("time at top", "top_dwell_ms", "ms"),
    ):
        value, u = getattr(swing, name), getattr(swing, f"{name}_u")
        if value is None or u is None:
            absent.append(word)
            continue
        first = f"  {word:<14} {_with_u(value, u):>20} {unit:<6}"
        decimals = _decimals(u) + 1
        # The greatest first; what wouldn't show beside the sum is left out.
        parts = sorted(swing.budget.get(name, ()), key=lambda part: -part.u)
        for part in parts:
            if round(part.u, decimals) == 0.0 and part is not parts[0]:
                continue
            mark = _SHARED_MARKS.get(part.shared or "", " ")
            yield f"{first}{part.source:<20}{mark} {part.u:>9.{decimals}f}"
            first = " " * len(first)
    if absent:
        yield from _wrapped(f"Absent: {', '.join(absent)}.", "  ", "    ")
    yield ""
    yield from _wrapped(
        "± is one standard uncertainty (k = 1), in the unit of its number; the root of the sum of "
        "the squares of the parts is the whole. Backswing, downswing, swing time and ratio share "
        "their events, and their parts are carried through together."
    )
    yield from _wrapped(
        "* is the same for all swings of this sensor, + for all of this recording: it doesn't tell "
        "two of them apart."
    )


# Marks of errors that swings have in common.
_SHARED_MARKS = {"sensor": "*", "recording": "+"}


def _channel(name: str) -> str:
    """Say "gyro x" for gyr_x."""
    kind, _, axis = name.partition("_")
    return f"{'gyro' if kind == 'gyr' else kind} {axis}".strip()


def _with_u(value: float | None, u: float | None) -> str:
    """Write a number and its uncertainty to the digits that the uncertainty leaves."""
    if value is None or u is None:
        return "-" + " " * 9
    decimals = _decimals(u)
    return f"{value:.{decimals}f} ± {f'{u:.{decimals}f}':<7}"


def _decimals(u: float) -> int:
    """Decimals that show two significant digits of an uncertainty (JCGM 100, 7.2.6)."""
    return min(4, max(0, 1 - math.floor(math.log10(u)))) if u > 0.0 else 2


# -- words and numbers ---------------------------------------------------------------------------


def _wrapped(text: str, first: str = "", others: str = "") -> list[str]:
    return textwrap.wrap(
        text, WIDTH, initial_indent=first, subsequent_indent=others, break_on_hyphens=False
    ) or [first]


def _plain(text: str) -> str:
    """Keep a name from breaking the lines or the terminal it is shown on."""
    return "".join(c if c.isprintable() else " " for c in text)


def _cut(text: str, width: int) -> str:
    text = _plain(text)
    return text if len(text) <= width else f"{text[: width - 1]}…"


def _count(n: int, word: str) -> str:
    return {0: f"no {word}s", 1: f"1 {word}"}.get(n, f"{n:,} {word}s")


def _number(value: float | None, decimals: int = 0) -> str:
    return "-" if value is None else f"{value:.{decimals}f}"


def _peak(swing: Swing) -> str:
    bound = any(note.code == "rate_lower_bound" for note in swing.notes)
    return ("≥" if bound and swing.peak_rate_dps is not None else "") + _number(swing.peak_rate_dps)


def _place_s(swing: Swing) -> float | None:
    """Time under which a swing is listed: its takeaway, or the first event that is known."""
    events = (swing.takeaway_s, swing.top_s, swing.impact_s, swing.finish_s)
    return next((at for at in events if at is not None), None)


def _ranges(indices: Sequence[int]) -> str:
    """Write numbers of swings shortly: #1, #3-5."""
    runs: list[list[int]] = []
    for index in indices:
        if runs and index == runs[-1][1] + 1:
            runs[-1][1] = index
        else:
            runs.append([index, index])
    return ", ".join(f"#{a}" if a == b else f"#{a}-{b}" for a, b in runs)
