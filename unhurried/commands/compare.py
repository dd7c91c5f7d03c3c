"""`unhurried compare`: two swings or two sets of swings side by side, in words, JSON or a plot."""

from __future__ import annotations

import dataclasses
import json
import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from unhurried.app.day_spreads import home_prior
from unhurried.app.errors import CommandError, show
from unhurried.app.home import home_folder
from unhurried.app.pair_sentence import KIND_NAMES, Part
from unhurried.app.pair_words import Report, compared, place_of, side_names
from unhurried.app.text import one_line, ranges
from unhurried.commands.opening import open_with
from unhurried.commands.options import (
    ExistingPath,
    json_option,
    overwrite_plot_option,
    recording_options,
)
from unhurried.commands.short_help import ShortHelp
from words.plain import count
from words.units import unit_of

if TYPE_CHECKING:
    from analysis.evidence.margins import Margin
    from analysis.swing.results import Swing
    from review.plot import Trace
    from sensor.recording.reader import Recording
    from unhurried.app.measuring import Analysis
# By the names of the table, without units, for --measures and --margin.
SHORT = {
    "swing": "swing_ms",
    "backswing": "backswing_ms",
    "downswing": "downswing_ms",
    "turn": "turn_deg",
    "rotation": "peak_rate_dps",
    "peak": "peak_rate_dps",
    "peak_to_impact": "peak_to_impact_ms",
    "ratio": "tempo_ratio",
}
ALIGNMENTS = ("takeaway", "top", "impact")
BY = ("kind", "player", "club")


@dataclass(frozen=True, slots=True)
class SwingsPath:
    """A recording, or with `PATH#N` or `PATH#1-5,8` some of its swings, counted from 1."""

    path: Path
    indices: tuple[int, ...] | None

    @property
    def single(self) -> bool:
        """Whether one swing is named."""
        return self.indices is not None and len(self.indices) == 1


class ExistingSwingsPath(ExistingPath):
    """`PATH`, `PATH#N` or `PATH#1-5,8`; a name that really ends so is taken as it is."""

    name = "path[#n]"

    def convert(  # type: ignore[override]
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> SwingsPath:
        if isinstance(value, SwingsPath):
            return value
        text = str(value)
        path, mark, numbers = text.rpartition("#")
        if not mark or not path or Path(text).exists():
            return SwingsPath(super().convert(text, param, ctx), None)
        found = super().convert(path, param, ctx)
        indices: list[int] = []
        for part in numbers.split(","):
            match = re.fullmatch(r"\s*(\d{1,6})(?:\s*-\s*(\d{1,6}))?\s*", part)
            if match is None:
                self.fail(
                    f"'{numbers}' after # names no swings: {path}#3 is the third one, "
                    f"{path}#1-5,8 are six",
                    param,
                    ctx,
                )
            first = int(match[1])
            last = int(match[2] or first)
            if first < 1 or last < first:
                self.fail(
                    f"'{part.strip()}' after # names no swings: they are counted from 1, upwards",
                    param,
                    ctx,
                )
            indices += range(first, last + 1)
        return SwingsPath(found, tuple(sorted(set(indices))))


# -- options ---------------------------------------------------------------------------------------


def _measure(text: str, option: str) -> str:
    from analysis.evidence.compare import COMPARED

    name = text.strip()
    name = SHORT.get(name, name)
    if name not in COMPARED:
        known = ", ".join(COMPARED)
        raise click.BadParameter(
            f"there is no measure '{text.strip()}': they are {known}", param_hint=f"'{option}'"
        )
    return name


def parse_measures(text: str | None) -> tuple[str, ...]:
    """Read --measures: names by commas; all of them where nothing is said."""
    from analysis.evidence.compare import COMPARED

    if text is None:
        return COMPARED
    asked = {_measure(part, "--measures") for part in text.split(",") if part.strip()}
    if not asked:
        raise click.BadParameter("names no measure", param_hint="'--measures'")
    return tuple(name for name in COMPARED if name in asked)


def parse_margins(text: str | None) -> dict[str, Margin]:
    """Read --margin, as "turn_deg=5, peak_rate_dps=3%", on top of what is usual."""
    from analysis.evidence.margins import MARGINS, Margin

    margins = dict(MARGINS)
    for part in (text or "").split(","):
        if not part.strip():
            continue
        name, _, size = part.partition("=")
        measure = _measure(name, "--margin")
        number = size.strip()
        percent = number.endswith("%")
        try:
            value = float(number.removesuffix("%"))
        except ValueError:
            value = math.nan
        if not (math.isfinite(value) and value > 0.0):
            unit = unit_of(measure)
            raise click.BadParameter(
                f"'{part.strip()}' is no margin: give a number above 0, as {measure}=5 "
                f"(in {unit or 'its own unit'}) or {measure}=3%",
                param_hint="'--margin'",
            )
        margins[measure] = Margin(value, percent)
    return margins


@click.command(
    "compare",
    cls=ShortHelp,
    more=(
        *("part", "measures", "align", "budget", "as_json", "mount", "hand"),
        *("gyr_range_dps", "acc_range_g", "column_map", "calibration", "overwrite"),
    ),
)
@click.argument("a", type=ExistingSwingsPath())
@click.argument("b", type=ExistingSwingsPath(), required=False)
@click.option(
    "--by",
    type=click.Choice(BY),
    help="Compare within one recording: its practice swings with its shots (kind), or its two "
    "players or clubs.",
)
@click.option("--player", help="Only this player's swings.")
@click.option("--club", help="Only swings with this club.")
@click.option(
    "--kind",
    type=click.Choice(tuple(KIND_NAMES)),
    help="Only practice swings (rehearsal), or only shots (strike).",
)
@click.option("--part", is_flag=True, help="Part swings only; left out, full ones only.")
@click.option(
    "--own-strikes",
    is_flag=True,
    help="Time practice swings by the player's own shots on both sides (five or more): then "
    "swing time and downswing are compared with those of shots.",
)
@click.option(
    "--measures",
    metavar="NAMES",
    help="Look at these only, as 'turn, swing': the fewer, the finer a difference can be told.",
)
@click.option(
    "--margin",
    metavar="MARGINS",
    help="What matters, as 'swing=30, turn=5, rotation=3%': less apart is called the same.",
)
@click.option(
    "--plot",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Draw turn and rotation of both over each other to a .png or .svg file.",
)
@click.option(
    "--align",
    type=click.Choice(ALIGNMENTS),
    default="takeaway",
    show_default=True,
    help="Which event the curves of --plot have in common.",
)
@click.option(
    "--budget",
    is_flag=True,
    help="Show what the uncertainty of each difference is made of, by source.",
)
@json_option
@recording_options
@overwrite_plot_option
def command(
    a: SwingsPath,
    b: SwingsPath | None,
    by: str | None,
    player: str | None,
    club: str | None,
    kind: str | None,
    part: bool,
    own_strikes: bool,
    measures: str | None,
    margin: str | None,
    plot: Path | None,
    align: str,
    budget: bool,
    as_json: bool,
    overwrite: bool,
    **options: Any,
) -> None:
    """Compare two swings, or two sets of swings, A with B.

    For each measure: the difference (B minus A) with its range, and whether the two are
    different, about the same (within a margin that matters), or can't be told apart yet. Sets of
    one recording are compared today, those of two recordings from day to day.

    A and B are recordings, with #3 one swing of a recording, with #1-5,8 some of them. With
    --by A alone is enough.

    \b
    Examples:
      unhurried compare SESSION#3 SESSION#7
      unhurried compare SESSION --by kind --player Ida
      unhurried compare BEFORE AFTER --kind strike
      unhurried compare SESSION#1-6 SESSION#9-14 --plot sets.png --align impact
      unhurried compare BEFORE AFTER --measures turn --margin "turn=4"
    """
    asked, margins = parse_measures(measures), parse_margins(margin)
    _check_use(a, b, by)
    if plot is not None:
        from review.plot import check_plot_file

        try:
            check_plot_file(plot, overwrite=overwrite)
        except ValueError as error:
            raise click.BadParameter(str(error), param_hint="'--plot'") from error
    wanted = _Wanted(player=player, club=club, kind=kind, part=part)
    paths = [where.path for where in (a, b) if where is not None]
    with _Opened(paths, options, own_strikes=own_strikes) as opened:
        if b is None:
            assert by is not None
            sides = _split(opened, a, by, wanted)
        else:
            sides = _two(opened, a, b, wanted)
        result = compared(sides, asked, margins, home_prior(home_folder(None)))
        place = None if result.sets else place_of(sides, result)
        if plot is not None:
            _plot(sides, plot, align=align, overwrite=overwrite)
    report = Report(sides=sides, comparison=result, margins=margins, place=place)
    if as_json:
        click.echo(json.dumps(report.as_dict(), indent=2, ensure_ascii=False, allow_nan=False))
    else:
        for line in report.lines():
            click.echo(line)
        if budget:
            click.echo("")
            for line in report.budget_lines():
                click.echo(line)


def _check_use(a: SwingsPath, b: SwingsPath | None, by: str | None) -> None:
    if b is None and by is None:
        raise click.UsageError(
            f"what is {a.path.name} to be compared with? Give two recordings or swings, or "
            "--by kind to compare the practice swings of one recording with its shots"
        )
    if b is not None and by is not None:
        raise click.UsageError("--by is for one recording; leave it out or give only one")
    if b is None and a.single:
        raise click.UsageError("--by needs more swings than one")
    if b is not None and a.single != b.single:
        raise click.UsageError(
            "one swing is compared with one swing, and a set with a set: give #N on both sides "
            "or on neither"
        )


# -- the two sides ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class _Wanted:
    player: str | None
    club: str | None
    kind: str | None
    part: bool


class _Opened:
    """Recordings that are open, each once, and their swings."""

    def __init__(
        self, paths: Sequence[Path], options: Mapping[str, Any], *, own_strikes: bool
    ) -> None:
        self._paths = paths
        self._options = options
        self._own_strikes = own_strikes
        self._open: dict[Path, Recording] = {}
        self._known: dict[Path, Analysis] = {}

    def __enter__(self) -> _Opened:
        return self

    def __exit__(self, *_: object) -> None:
        for recording in self._open.values():
            recording.close()

    def _recording(self, path: Path) -> Recording:
        key = path.resolve()
        if key not in self._open:
            self._open[key] = open_with(path, **self._options)
        return self._open[key]

    def get(self, path: Path) -> tuple[Recording, Analysis]:
        """Open and analyze a recording, unless that is done."""
        from unhurried.app.measuring import analyze

        key, recording = path.resolve(), self._recording(path)
        if key not in self._known:
            others: list[Recording] = []
            if self._own_strikes:
                # Strikes on the other side are the player's own as well.
                others = [self._recording(other) for other in self._paths]
            self._known[key] = analyze(
                recording,
                own_strikes=self._own_strikes,
                strikes_of=[other for other in others if other is not recording],
                remark=lambda text: show(f"{path}: {text}"),
            )
        return recording, self._known[key]


def _chosen(opened: _Opened, where: SwingsPath) -> Part:
    recording, analysis = opened.get(where.path)
    swings = analysis.swings
    if where.indices is not None:
        beyond = [k for k in where.indices if k > len(swings)]
        if beyond:
            raise CommandError(
                f"{where.path}: there is no swing #{beyond[0]}: {count(len(swings), 'swing')} found"
            )
        swings = tuple(swings[k - 1] for k in where.indices)
    return Part(path=where.path, recording=recording, analysis=analysis, swings=swings)


def _keep(part: Part, keep: Callable[[Swing], bool]) -> Part:
    return dataclasses.replace(part, swings=tuple(filter(keep, part.swings)))


def _filtered(part: Part, wanted: _Wanted, *, named: bool) -> Part:
    """Leave the swings that are asked for; those named by number are asked for."""
    from analysis.evidence.summary import following, is_held, kind_of

    if wanted.player is not None:
        name = _matching(part, "player", wanted.player)
        part = _keep(part, lambda swing: swing.player == name)
    if wanted.club is not None:
        name = _matching(part, "club", wanted.club)
        part = _keep(part, lambda swing: swing.club == name)
    if wanted.kind is not None:
        part = _keep(part, lambda swing: kind_of(swing) == wanted.kind)
    if not named:
        n = len(part.swings)
        part = _keep(part, lambda swing: not is_held(swing))
        if len(part.swings) < n:
            part = _told(part, f"{count(n - len(part.swings), 'swing')} left out, made during Hold")
        n = len(part.swings)
        late = following(part.analysis.swings)
        part = _keep(part, lambda swing: swing.index not in late)
        if len(part.swings) < n:
            text = count(n - len(part.swings), "back-and-forth swing")
            part = _told(part, f"{text} left out (begun at another's finish)")
    if not named or wanted.part:
        n = len(part.swings)
        part = _keep(part, lambda swing: (swing.intent == "part") == wanted.part)
        if len(part.swings) < n and not wanted.part:
            part = _told(part, f"{count(n - len(part.swings), 'part swing')} left out (--part)")
    return part


def _told(part: Part, text: str) -> Part:
    return dataclasses.replace(part, left_out=(*part.left_out, text))


def _matching(part: Part, name: str, asked: str) -> str:
    """Find a player or club whatever the case of its letters."""
    values = dict.fromkeys(getattr(swing, name) for swing in part.analysis.swings)
    known = [value for value in values if value]
    for value in known:
        if value.casefold() == asked.strip().casefold():
            return str(value)
    there = ", ".join(known) if known else f"no {name} was said"
    raise CommandError(f"{part.path}: there is no {name} '{asked}': {there}")


def _one_of(part: Part, name: str) -> None:
    """Refuse a set that mixes players or clubs: its spread and mean would be of neither."""
    values = list(dict.fromkeys(getattr(swing, name) for swing in part.swings))
    if len(values) > 1:
        there = ", ".join("not said" if value is None else str(value) for value in values)
        raise CommandError(
            f"{part.path}: holds swings of more than one {name} ({there}): choose with "
            f"--{name}, or by numbers as {part.path.name}#1-5"
        )


def _two(opened: _Opened, a: SwingsPath, b: SwingsPath, wanted: _Wanted) -> tuple[Part, Part]:
    parts = [_chosen(opened, where) for where in (a, b)]
    if a.single:
        if parts[0].recording is parts[1].recording and a.indices == b.indices:
            raise CommandError("A and B are the same swing: choose two")
        return parts[0], parts[1]
    one, other = (
        _filtered(part, wanted, named=where.indices is not None)
        for part, where in zip(parts, (a, b), strict=True)
    )
    if one.recording is other.recording:
        both = {swing.index for swing in one.swings} & {swing.index for swing in other.swings}
        if both:
            raise CommandError(
                f"{ranges(sorted(both))} would be on both sides: choose swings by numbers, as "
                f"{a.path.name}#1-5 {a.path.name}#6-10, or --by kind"
            )
    for part in (one, other):
        for name in ("player", "club"):
            _one_of(part, name)
    if wanted.kind is None and a.indices is None and b.indices is None:
        one, other = _alike(one, other)
    for part in (one, other):
        _some(part)
    return one, other


def _some(part: Part) -> None:
    if not part.swings:
        raise CommandError(
            f"{part.path}: holds no such swings: 'unhurried analyze {part.path}' lists them"
        )


def _alike(one: Part, other: Part) -> tuple[Part, Part]:
    """Of mixed sets take strikes, or else rehearsals: they are never pooled."""
    from analysis.evidence.summary import LEAST_SWINGS, kind_of

    if one.kind is not None and other.kind is not None:
        return one, other
    fewest = {
        kind: min(sum(kind_of(swing) == kind for swing in part.swings) for part in (one, other))
        for kind in ("strike", "rehearsal")
    }
    kind = "strike" if fewest["strike"] >= LEAST_SWINGS else max(fewest, key=lambda k: fewest[k])
    if fewest[kind] == 0:
        raise CommandError(
            "A and B have no kind of swing in common: say --kind, or choose swings by numbers"
        )
    out = []
    for part in (one, other):
        kept = _keep(part, lambda swing: kind_of(swing) == kind)
        n = len(part.swings) - len(kept.swings)
        out.append(_told(kept, f"{count(n, 'other swing')} left out (--kind)") if n else kept)
    return out[0], out[1]


def _split(opened: _Opened, where: SwingsPath, by: str, wanted: _Wanted) -> tuple[Part, Part]:
    """Make two sides of one recording."""
    from analysis.evidence.summary import kind_of

    part = _filtered(_chosen(opened, where), wanted, named=where.indices is not None)
    for name in ("player", "club"):
        if by != name:
            _one_of(part, name)
    if by == "kind":
        n = sum(kind_of(swing) == "unclear" for swing in part.swings)
        if n:
            part = _told(part, f"{count(n, 'unclear swing')} left out")
        keys: list[str | None] = ["rehearsal", "strike"]
        sides = [_keep(part, lambda swing, k=key: kind_of(swing) == k) for key in keys]  # type: ignore[misc]
        for side, key in zip(sides, keys, strict=True):
            if not side.swings:
                raise CommandError(f"{part.path}: holds no {KIND_NAMES[str(key)]} to compare")
        return sides[0], dataclasses.replace(sides[1], left_out=())
    keys = list(dict.fromkeys(getattr(swing, by) for swing in part.swings))
    if len(keys) != 2:
        there = ", ".join("not said" if key is None else key for key in keys) or "no swings"
        raise CommandError(
            f"{part.path}: --by {by} needs two {by}s, there are {len(keys)}: {there}"
        )
    one, other = (_keep(part, lambda swing, k=key: getattr(swing, by) == k) for key in keys)  # type: ignore[misc]
    other = dataclasses.replace(other, left_out=())
    return _alike(one, other) if wanted.kind is None and where.indices is None else (one, other)


def _plot(sides: tuple[Part, Part], file: Path, *, align: str, overwrite: bool) -> None:
    from review.pair_plot import Overlay, plot_overlay
    from review.plot import save_plot
    from unhurried.app.traces import trace_of

    names = side_names(sides)
    overlays = []
    for letter, part, name in zip("AB", sides, names, strict=True):
        traces: list[tuple[Trace, Swing]] = [
            (trace_of(part.recording, swing), swing)
            for swing in part.swings
            if getattr(swing, f"{align}_s") is not None
        ]
        if not traces:
            raise CommandError(
                f"{file}: not written: the {align} of {letter} is not known; try another --align"
            )
        overlays.append(Overlay(label=_label(letter, name), traces=tuple(traces)))
    titles = dict.fromkeys(one_line(part.recording.path.resolve().name) for part in sides)
    figure = plot_overlay(
        overlays[0],
        overlays[1],
        mount=sides[0].analysis.mount,
        align=align,
        title=" with ".join(titles),
    )
    save_plot(figure, file, overwrite=overwrite)
    click.echo(f"{file}: written", err=True)


def _label(letter: str, name: str) -> str:
    return letter if name == letter else f"{letter}: {name.removeprefix('the ')}"
