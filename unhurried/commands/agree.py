"""`unhurried agree`: the tool's figures beside labels made by hand."""

from __future__ import annotations

import csv
import io
import json
import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from unhurried.app.errors import CommandError
from unhurried.app.text import lined_up, one_line, ranges, wrapped
from unhurried.commands.opening import open_with
from unhurried.commands.options import (
    ExistingPath,
    json_option,
    overwrite_plot_option,
    recording_options,
)
from unhurried.commands.short_help import ShortHelp
from words.glossary import MEASURES, turn_word
from words.plain import count

if TYPE_CHECKING:
    from analysis.evidence.agreement import Agreement, Label, Report
    from unhurried.app.measuring import Analysis

SCHEMA = 1

WORDS = {
    "takeaway_s": "takeaway",
    "top_s": "top",
    "impact_s": "impact",
    "finish_s": "finish",
    **{
        name: MEASURES[name]
        for name in ("swing_ms", "backswing_ms", "downswing_ms", "tempo_ratio", "turn_deg")
    },
    "peak_rate_dps": "peak",
    "peak_to_impact_ms": MEASURES["peak_to_impact_ms"],
}
# Names that somebody might use, without or with another unit, and what is expected.
_NEAR = {name.rsplit("_", 1)[0]: name for name in WORDS}
_UNIT_WORDS = {"s": "seconds", "ms": "milliseconds", "deg": "degrees", "dps": "degrees a second"}

# No event of a swing is farther from another one than this (the finder's longest swings take about
# four seconds): farther means another unit.
LONGEST_S = 10.0
# Label and tool a factor apart that no disagreement explains, but a unit does.
FACTOR = 20.0
# With fewer swings the limits hang on chance; the 95 % interval of a limit is then wider than the
# standard deviation itself (sqrt(3 / n) x 2 x 2.1 at 30: 1.3). Common practice asks for 50 or 100.
FEW = 30


@click.command(
    "agree",
    cls=ShortHelp,
    more=(*("hand", "gyr_range_dps", "acc_range_g", "calibration", "overwrite"),),
)
@click.argument("labels", type=ExistingPath())
@click.argument("recording", type=ExistingPath())
@click.option(
    "--clock",
    type=click.Choice(("same", "offset", "line")),
    default="same",
    show_default=True,
    help="Whose seconds the labels are in: the recording's; a clock with an offset, as a video's; "
    "or one that also runs at another rate. Both are fitted.",
)
@click.option(
    "--plot",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Draw differences against means to a .png or .svg file.",
)
@json_option
@recording_options
@overwrite_plot_option
def command(
    labels: Path,
    recording: Path,
    clock: str,
    plot: Path | None,
    as_json: bool,
    overwrite: bool,
    **options: Any,
) -> None:
    """Compare events labelled by hand in the file LABELS.csv with those of RECORDING.

    Gives for each quantity the bias (tool minus label) and the 95 % limits of agreement with
    their ranges, after Bland and Altman.

    LABELS.csv has a row for each swing, with any of the columns takeaway_s, top_s, impact_s,
    finish_s (seconds), swing_ms, backswing_ms, downswing_ms, tempo_ratio, turn_deg,
    peak_rate_dps, peak_to_impact_ms; 'swing' is the number of the swing (without it the time
    tells), 'rater' who labelled, and a column such as top_s_u the label's standard uncertainty.
    How to make such labels is written in analysis/FIELD-CHECK.md. The truth.json of a recording
    that was made from a motion capture, or simulated, will do as well.

    \b
    Examples:
      unhurried agree LABELS.csv SESSION
      unhurried agree LABELS.csv SESSION --clock offset --plot agree.png
      unhurried agree SESSION/truth.json SESSION
    """
    from analysis.evidence.agreement import CLOCKS, LabelError, agree
    from unhurried.app.measuring import analyze

    kind = next(name for name in CLOCKS if name == clock)
    if plot is not None:
        from review.plot import check_plot_file

        try:
            check_plot_file(plot, overwrite=overwrite)
        except ValueError as error:
            raise click.BadParameter(str(error), param_hint="'--plot'") from error
    rows, passed_over = read_labels(labels, recording)
    if passed_over:
        names = ", ".join(f"'{one_line(name)}'" for name in passed_over)
        click.echo(f"unhurried: {labels}: not used: {names}", err=True)
    with open_with(recording, **options) as opened:
        analysis = analyze(opened)
    if not analysis.swings:
        raise CommandError(f"{recording}: no swings found, so there is nothing to compare with")
    try:
        if kind == "same":
            _check_seconds(rows, analysis)
        report = agree(rows, analysis.swings, clock=kind)
        _check_units(report)
    except LabelError as error:
        raise CommandError(f"{labels}: {error}") from error
    title = one_line(recording.resolve().name)
    if plot is not None:
        _plot(report, analysis, plot, title=title, overwrite=overwrite)
    if as_json:
        text = json.dumps(as_dict(report, analysis), indent=2, ensure_ascii=False, allow_nan=False)
        click.echo(text)
    else:
        for line in lines(report, analysis, title):
            click.echo(line)


# -- the file --------------------------------------------------------------------------------------


def read_labels(path: Path, recording: Path | None = None) -> tuple[list[Label], list[str]]:
    """Read a file of labels.

    Parameters
    ----------
    path : Path
    recording : Path, optional
        That they are compared with.

    Returns
    -------
    labels : list of Label
    passed_over : list of str
        Columns with other names, which are not used.

    Raises
    ------
    CommandError
        The file can't be used; the line says where and what to do.
    """
    from analysis.evidence.agreement import EVENTS, QUANTITIES

    if path.suffix == ".json":
        from unhurried.app.laboratory import truth_labels

        return truth_labels(path, recording), []
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise CommandError(f"{path}: is not text in UTF-8: save it as 'CSV UTF-8'") from error
    except OSError as error:
        raise CommandError(f"{path}: cannot be read: {error.strerror}") from error
    known = {*EVENTS, *QUANTITIES}
    reader = csv.reader(io.StringIO(text))
    header: list[str] | None = None
    labels: list[Label] = []
    passed_over: list[str] = []
    try:
        for cells in reader:
            line = reader.line_num
            if not any(cell.strip() for cell in cells):
                continue
            if header is None:
                header = [cell.strip() for cell in cells]
                passed_over = _check_header(path, header, known)
                continue
            if len(cells) != len(header):
                raise CommandError(
                    f"{path}: line {line} has {len(cells)} cells, the header {len(header)}: "
                    "are there commas inside a number?"
                )
            label = _label(path, line, dict(zip(header, cells, strict=True)), known)
            if label is not None:
                labels.append(label)
    except csv.Error as error:
        raise CommandError(f"{path}: line {reader.line_num} is no CSV: {error}") from error
    if header is None:
        raise CommandError(
            f"{path}: is empty: it needs a header, as swing,takeaway_s,top_s,impact_s"
        )
    if not labels:
        raise CommandError(f"{path}: has no labelled row")
    return labels, passed_over


def _check_header(path: Path, header: Sequence[str], known: set[str]) -> list[str]:
    """Refuse columns that would be misread; return those that aren't used."""
    if len(header) == 1 and ";" in header[0]:
        raise CommandError(
            f"{path}: has semicolons between its cells: save it with commas, and points in numbers"
        )
    twice = [name for name in dict.fromkeys(header) if name and header.count(name) > 1]
    if twice:
        raise CommandError(f"{path}: has two columns '{one_line(twice[0])}': rename or remove one")
    others: list[str] = []
    for name in header:
        if name in known or name in ("swing", "rater"):
            continue
        if name.endswith("_u") and name[:-2] in known:
            if name[:-2] not in header:
                raise CommandError(f"{path}: has a column '{name}' but none '{name[:-2]}'")
            continue
        bare = re.sub(r"[\s_]*[\[(]?(s|ms|sec|seconds|deg|dps|deg_s|rad|frames?)[\])]?$", "", name)
        near = _NEAR.get(bare.strip().lower().replace(" ", "_").replace("-", "_"))
        if near is not None and near not in header:
            unit = near.rsplit("_", 1)[1]
            what = f" (in {_UNIT_WORDS[unit]})" if unit in _UNIT_WORDS else ""
            raise CommandError(
                f"{path}: column '{one_line(name)}' isn't known: give it as {near}{what}"
            )
        others.append(name or "(no name)")
    if not known & set(header):
        raise CommandError(
            f"{path}: has no column to compare: it needs one or more of "
            f"{', '.join(sorted(known, key=list(WORDS).index))}"
        )
    return others


def _label(path: Path, line: int, cells: dict[str, str], known: set[str]) -> Label | None:
    """Read one row; None if it labels nothing."""
    from analysis.evidence.agreement import EVENTS, Label

    values: dict[str, float] = {}
    u: dict[str, float] = {}
    for name, cell in cells.items():
        target = values if name in known else u if name.removesuffix("_u") in known else None
        if target is None or not cell.strip():
            continue
        try:
            number = float(cell)
        except ValueError:
            number = math.nan
        if not math.isfinite(number):
            hint = ": points, not commas, in numbers" if "," in cell else ""
            raise CommandError(
                f"{path}: line {line}: {name} is '{one_line(cell.strip())}', not a number{hint} "
                "(leave the cell empty where nothing was labelled)"
            )
        if target is u and number <= 0.0:
            raise CommandError(f"{path}: line {line}: {name} must be above 0")
        target[name.removesuffix("_u") if target is u else name] = number
    if not values:
        return None
    text = cells.get("swing", "").strip()
    swing: int | None = None
    if text:
        if not re.fullmatch(r"#?\d{1,6}(\.0*)?", text) or int(float(text.lstrip("#"))) < 1:
            raise CommandError(
                f"{path}: line {line}: swing is '{one_line(text)}', not a number from 1 on"
            )
        swing = int(float(text.lstrip("#")))
    there = [(name, values[name]) for name in EVENTS if name in values]
    if swing is None and not there:
        raise CommandError(
            f"{path}: line {line}: without a time of an event its swing can't be told: add a "
            "column 'swing' with its number"
        )
    for (first, a), (last, b) in pairwise(there):
        if b <= a:
            raise CommandError(f"{path}: line {line}: {last} ({b:g}) is not after {first} ({a:g})")
        if b - a > LONGEST_S:
            raise CommandError(
                f"{path}: line {line}: {last} lies {b - a:g} s after {first}: is it in "
                "milliseconds or frames? Times are in seconds"
            )
    return Label(line=line, swing=swing, rater=cells.get("rater", "").strip(), values=values, u=u)


def _check_seconds(labels: Sequence[Label], analysis: Analysis) -> None:
    """Refuse event times far beyond the recording's end."""
    from analysis.evidence.agreement import EVENTS, LabelError

    late = [
        (label, name, label.values[name])
        for label in labels
        for name in EVENTS
        if label.values.get(name, 0.0) > analysis.duration_s + LONGEST_S
    ]
    if late and len(late) >= len(labels) / 2:
        label, name, value = late[0]
        raise LabelError(
            f"line {label.line}: {name} is {value:g}, but the recording lasts "
            f"{analysis.duration_s:.0f} s: give seconds, or say --clock offset for another clock"
        )


def _check_units(report: Report) -> None:
    """Refuse quantities that are a factor away from the tool's, as by another unit."""
    from analysis.evidence.agreement import EVENTS, LabelError

    for row in report.rows:
        if row.quantity in EVENTS or row.quantity == "peak_to_impact_ms" or row.n < 1:
            continue
        tool = sum(abs(x) for x in row.first) / row.n
        label = sum(abs(x) for x in row.second) / row.n
        if label <= 0.0 or tool <= 0.0 or not 1.0 / FACTOR < label / tool < FACTOR:
            unit = row.unit or "a plain number"
            raise LabelError(
                f"{row.quantity} is {label:.3g} on average where the tool has {tool:.3g}: it "
                f"must be in {unit}"
            )


# -- what is shown ---------------------------------------------------------------------------------


def _clock_words(report: Report) -> str:
    clock = report.clock
    if clock.kind == "same":
        return "Labels are taken to be on the recording's clock."
    on = "all events" if clock.event == "all" else f"{clock.n} labelled {WORDS[str(clock.event)]}s"
    common = (
        "a bias common to all events can't show any more"
        if clock.event == "all"
        else f"the bias of the {WORDS[str(clock.event)]} can't show any more, and the other events "
        f"are told relative to it"
    )
    rate = (
        f", running {100.0 * abs(clock.rate):.3f} % {'fast' if clock.rate > 0 else 'slow'}"
        if clock.kind == "line"
        else ""
    )
    u_ms = 1e3 * (clock.offset_u_s or 0.0)
    durations = (
        "Labelled times and durations are set to the recording's rate."
        if clock.kind == "line"
        else "Durations don't feel the offset."
    )
    return (
        f"Labels' clock: {clock.offset_s:+.4f} s from the recording's (± {u_ms:.1f} ms){rate}, "
        f"fitted on {on}: {common}. {durations}"
    )


def lines(report: Report, analysis: Analysis, title: str) -> Iterator[str]:
    """Give the readable form, none wider than 80 columns."""
    raters = f" by {', '.join(map(one_line, report.raters))}" if len(report.raters) > 1 else ""
    yield from wrapped(
        f"{title}: {count(report.swings, 'swing')} found, {report.labelled} of them labelled; "
        f"{report.matched} of {count(report.labels, 'row')} of labels{raters} belong to a swing."
    )
    yield from wrapped(_clock_words(report))
    yield ""
    yield from _bias_table(report.rows, analysis.mount)
    yield ""
    yield from _limits_table(report.rows, analysis.mount)
    if report.between:
        yield ""
        yield from _raters_table(report)
    yield ""
    for text in notes(report):
        yield from wrapped(text, "", "  ")


def _name(row: Agreement, mount: str | None) -> str:
    word = WORDS[row.quantity]
    if row.quantity == "turn_deg" and mount:
        word = turn_word(mount)
    return f"{word} {row.unit}".strip()


def _decimals(row: Agreement) -> int:
    if row.sd is None or row.sd <= 0.0:
        return 1
    # Two significant digits of the spread.
    return min(3, max(0, 1 - math.floor(math.log10(row.sd))))


def _cell(row: Agreement, value: float | None, *, sign: bool = True) -> str:
    if value is None:
        return "-"
    text = f"{value:{'+' if sign else ''}.{_decimals(row)}f}"
    return text.lstrip("+-") if float(text) == 0.0 else text


def _interval(row: Agreement, ends: tuple[float, float] | None) -> str:
    return "-" if ends is None else f"{_cell(row, ends[0])} to {_cell(row, ends[1])}"


def _bias_table(rows: Sequence[Agreement], mount: str | None) -> list[str]:
    table = [["tool minus label", "n", "bias", "95 % range", "SD", "within stated u"]]
    for row in rows:
        bias = "fitted" if row.fitted else _cell(row, row.bias)
        interval = "-" if row.fitted else _interval(row, row.bias_ends)
        held = f"{row.held} of {row.judged}" if row.judged else "-"
        sd = _cell(row, row.sd, sign=False)
        table.append([_name(row, mount), str(row.n), bias, interval, sd, held])
    return lined_up(table, [False, *[True] * 5])


def _limits_table(rows: Sequence[Agreement], mount: str | None) -> list[str]:
    table = [["95 % limits", "low", "95 % range", "high", "95 % range", "slope"]]
    for row in rows:
        slope = "-"
        if row.slope is not None and row.slope_ends is not None:
            sure = row.slope_ends[0] * row.slope_ends[1] > 0.0
            slope = f"{row.slope:+.2f}{' *' if sure else '  '}"
        table.append(
            [
                _name(row, mount),
                _cell(row, row.low),
                _interval(row, row.low_ends),
                _cell(row, row.high),
                _interval(row, row.high_ends),
                slope,
            ]
        )
    return lined_up(table, [False, *[True] * 5])


def _raters_table(report: Report) -> list[str]:
    table = [["rater minus rater", "", "n", "bias", "95 % range", "SD"]]
    for one, other, row in report.between:
        table.append(
            [
                _name(row, None),
                f"{one_line(one)[:10]} - {one_line(other)[:10]}",
                str(row.n),
                _cell(row, row.bias),
                _interval(row, row.bias_ends),
                _cell(row, row.sd, sign=False),
            ]
        )
    return lined_up(table, [False, False, *[True] * 4])


def notes(report: Report) -> list[str]:
    """Say what the columns mean, and what is missing."""
    out = [
        "bias: mean of tool minus label. SD: standard deviation of these differences. 95 % "
        "limits: 95 of 100 such differences lie between low and high (Bland & Altman 1986); both "
        "have intervals, since they come from few swings."
    ]
    if any(row.slope is not None for row in report.rows):
        out.append(
            "slope: of the difference on the mean of both; * where it is surely not zero: then "
            "the bias isn't the same for small and large values."
        )
    if any(row.judged for row in report.rows):
        out.append(
            "within stated u: how many differences are within 1.96 of the uncertainty that tool "
            "and labels state together; 95 of 100 if it is right. A label without a stated "
            "uncertainty and without a second rater counts as exact."
        )
    if 2 * report.matched < report.labels:
        hint = (
            "" if report.clock.kind != "same" else " Is their clock another one (--clock offset)?"
        )
        out.append(f"Most labels belong to no swing that was found.{hint}")
    if report.drift_ms is not None:
        out.append(
            f"The labels' clock seems to drift, by {abs(report.drift_ms):.0f} ms over the labelled "
            "swings: --clock line fits that too."
        )
    small = max((row.n for row in report.rows), default=0)
    if small < FEW:
        out.append(f"With {small} swings the limits are rough: {FEW} or more are better.")
    if any(row.n < 3 for row in report.rows):
        out.append("Nothing is said of quantities with fewer than 3 swings.")
    if report.absent:
        words = ", ".join(f"{WORDS[name]} {n}" for name, n in report.absent.items())
        out.append(f"Labelled, but without a number of the tool: {words}.")
    if report.lost_lines:
        where = ", ".join(map(str, report.lost_lines[:20]))
        more = f" and {len(report.lost_lines) - 20} more" if len(report.lost_lines) > 20 else ""
        out.append(f"Labels that belong to no swing found: lines {where}{more}.")
    if report.unlabelled:
        out.append(f"Swings without labels: {ranges(report.unlabelled)}.")
    out.append("Labels have errors too: this is agreement, not accuracy.")
    return out


def as_dict(report: Report, analysis: Analysis) -> dict[str, Any]:
    """Return the document of ``--json``."""

    def row(item: Agreement) -> dict[str, Any]:
        out = asdict(item)
        out["first"], out["second"] = item.first.tolist(), item.second.tolist()
        out["difference"] = item.difference.tolist()
        return out

    return {
        "schema": SCHEMA,
        "recording": analysis.id,
        "mount": analysis.mount,
        "analysis_version": analysis.analysis_version,
        "clock": {**asdict(report.clock), "drift_ms": report.drift_ms},
        "swings_found": report.swings,
        "swings_labelled": report.labelled,
        "labels": report.labels,
        "labels_matched": report.matched,
        "lines_without_swing": list(report.lost_lines),
        "swings_without_label": list(report.unlabelled),
        "raters": list(report.raters),
        "absent": dict(report.absent),
        "tool_minus_label": [row(item) for item in report.rows],
        "rater_minus_rater": [
            {"raters": [one, other], **row(item)} for one, other, item in report.between
        ],
        "notes": notes(report),
    }


def _plot(report: Report, analysis: Analysis, file: Path, *, title: str, overwrite: bool) -> None:
    from review.pair_plot import Limits, plot_agreement
    from review.plot import save_plot

    panels = [
        Limits(
            label=_name(row, analysis.mount),
            # The time of day of an event says nothing: its place in the recording is shown.
            mean=(row.first + row.second) / 2.0,
            mean_label="time in the recording (s)" if row.quantity.endswith("_s") else None,
            difference=row.difference,
            bias=None if row.fitted else row.bias,
            low=row.low,
            high=row.high,
            bias_ends=None if row.fitted else row.bias_ends,
            low_ends=row.low_ends,
            high_ends=row.high_ends,
            decimals=_decimals(row),
        )
        for row in report.rows
        if row.n
    ]
    if not panels:
        click.echo(f"{file}: not written, there is nothing to draw", err=True)
        return
    under = "tool minus label: bias and 95 % limits of agreement, with 95 % ranges"
    save_plot(plot_agreement(panels, title=title, under=under), file, overwrite=overwrite)
    click.echo(f"{file}: written", err=True)
