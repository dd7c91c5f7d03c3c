"""`unhurried compare`: two swings or two sets of swings side by side, in words, JSON or a plot."""

from __future__ import annotations

import dataclasses
import json
import math
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from unhurried.errors import CommandError, show
from unhurried.options import (
    ExistingPath,
    json_option,
    open_with,
    overwrite_plot_option,
    recording_options,
)
from unhurried.words import MEMBERS, count, lined_up, one_line, ranges, unit_of, wrapped

if TYPE_CHECKING:
    from analysis.compare import Comparison, Margin, Row, Side, WayDown
    from analysis.results import Swing
    from review.plot import Trace
    from sensor.recording import Recording
    from unhurried.wiring import Analysis

SCHEMA = 1

KIND_NAMES = {"rehearsal": "rehearsals", "strike": "strikes", "unclear": "unclear swings"}
WORDS = {
    "swing_ms": "swing time",
    "backswing_ms": "backswing",
    "downswing_ms": "downswing",
    "turn_deg": "turn",
    "peak_rate_dps": "peak",
    "peak_to_impact_ms": "peak to impact",
    "tempo_ratio": "ratio",
}
# By the names of the table, without units, for --measures and --margin.
SHORT = {
    "swing": "swing_ms",
    "backswing": "backswing_ms",
    "downswing": "downswing_ms",
    "turn": "turn_deg",
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
    from analysis.compare import COMPARED

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
    from analysis.compare import COMPARED

    if text is None:
        return COMPARED
    asked = {_measure(part, "--measures") for part in text.split(",") if part.strip()}
    if not asked:
        raise click.BadParameter("names no measure", param_hint="'--measures'")
    return tuple(name for name in COMPARED if name in asked)


def parse_margins(text: str | None) -> dict[str, Margin]:
    """Read --margin, as "turn_deg=5, peak_rate_dps=3%", on top of what is usual."""
    from analysis.compare import MARGINS, Margin

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


@click.command("compare")
@click.argument("a", type=ExistingSwingsPath())
@click.argument("b", type=ExistingSwingsPath(), required=False)
@click.option(
    "--by",
    type=click.Choice(BY),
    help="Compare within one recording: its rehearsals with its strikes (kind), or its two "
    "players or clubs.",
)
@click.option("--player", help="Only this player's swings.")
@click.option("--club", help="Only swings with this club.")
@click.option(
    "--kind",
    type=click.Choice(tuple(KIND_NAMES)),
    help="Only rehearsals, or only strikes.",
)
@click.option("--part", is_flag=True, help="Part swings only; left out, full ones only.")
@click.option(
    "--own-strikes",
    is_flag=True,
    help="Time rehearsals by the player's own strikes on both sides (five or more): then swing "
    "time and downswing are compared with those of strikes.",
)
@click.option(
    "--measures",
    metavar="NAMES",
    help="Look at these only, as 'turn, swing': the fewer, the finer a difference can be told.",
)
@click.option(
    "--margin",
    metavar="MARGINS",
    help="What matters, as 'swing=30, turn=5, peak=3%': less apart is called the same.",
)
@click.option(
    "--plot",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Draw turn and rate of both over each other to a .png or .svg file.",
)
@click.option(
    "--align",
    type=click.Choice(ALIGNMENTS),
    default="takeaway",
    show_default=True,
    help="Which event the curves of --plot have in common.",
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
    as_json: bool,
    overwrite: bool,
    **options: Any,
) -> None:
    """Compare two swings, or two sets of swings, A with B.

    For each measure: the difference (B minus A) with its 95 % interval, and whether the two
    are different, the same within a margin that matters, or not to be told apart.

    A and B are recordings, with #3 one swing of a recording, with #1-5,8 some of them. With
    --by A alone is enough.

    \b
    Examples:
      unhurried compare session#3 session#7
      unhurried compare session --by kind --player Ida
      unhurried compare before after --kind strike
      unhurried compare session#1-6 session#9-14 --plot sets.png --align impact
      unhurried compare before after --measures turn --margin "turn=4"
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
        result = _compared(sides, asked, margins)
        place = None if result.sets else _place(sides, result)
        if plot is not None:
            _plot(sides, plot, align=align, overwrite=overwrite)
    report = Report(sides=sides, comparison=result, margins=margins, place=place)
    if as_json:
        click.echo(json.dumps(report.as_dict(), indent=2, ensure_ascii=False, allow_nan=False))
    else:
        for line in report.lines():
            click.echo(line)


def _check_use(a: SwingsPath, b: SwingsPath | None, by: str | None) -> None:
    ctx = click.get_current_context()
    if b is None and by is None:
        raise click.UsageError(
            f"what is {a.path.name} to be compared with? Give two recordings or swings, or "
            "--by kind to compare the rehearsals of one recording with its strikes",
            ctx,
        )
    if b is not None and by is not None:
        raise click.UsageError("--by is for one recording; leave it out or give only one", ctx)
    if b is None and a.single:
        raise click.UsageError("--by needs more swings than one", ctx)
    if b is not None and a.single != b.single:
        raise click.UsageError(
            "one swing is compared with one swing, and a set with a set: give #N on both sides "
            "or on neither",
            ctx,
        )


# -- the two sides ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class _Wanted:
    player: str | None
    club: str | None
    kind: str | None
    part: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One side as the command knows it."""

    path: Path
    recording: Recording
    analysis: Analysis
    swings: tuple[Swing, ...]
    left_out: tuple[str, ...] = ()
    """What was passed over, in words."""

    @property
    def side(self) -> Side:
        """The same for the analysis."""
        from analysis.compare import Side
        from sensor.calibration import sensor_key

        return Side(
            swings=self.swings,
            recording=self.analysis.id,
            sensor=sensor_key(self.recording.session.sensor),
            mount=self.analysis.mount,
        )

    @property
    def kind(self) -> str | None:
        """Kind of all its swings, None if they differ."""
        from analysis.summary import kind_of

        kinds = {kind_of(swing) for swing in self.swings}
        return kinds.pop() if len(kinds) == 1 else None

    def common(self, name: str) -> str | None:
        """Player, club, hand of all its swings; None if unknown or not one."""
        values = {getattr(swing, name) for swing in self.swings}
        return values.pop() if len(values) == 1 else None


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
        from unhurried.wiring import analyze_recording

        key, recording = path.resolve(), self._recording(path)
        if key not in self._known:
            others: list[Recording] = []
            if self._own_strikes:
                # Strikes on the other side are the player's own as well.
                others = [self._recording(other) for other in self._paths]
            self._known[key] = analyze_recording(
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
    from analysis.summary import following, kind_of

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
    from analysis.summary import LEAST_SWINGS, kind_of

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
    from analysis.summary import kind_of

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


def _compared(
    sides: tuple[Part, Part], measures: Sequence[str], margins: Mapping[str, Margin]
) -> Comparison:
    from analysis.compare import MountsError, compare_sets, compare_swings

    single = all(len(part.swings) == 1 for part in sides)
    compare = compare_swings if single else compare_sets
    try:
        return compare(sides[0].side, sides[1].side, measures=measures, margins=margins)
    except MountsError as error:
        if None in error.mounts:
            raise CommandError(
                "where the sensor was is known of one side only: say it with --mount"
            ) from error
        one, other = (MEMBERS[str(mount)] for mount in error.mounts)
        raise CommandError(
            f"A was measured at the {one} and B at the {other}: {one} turn and {other} turn are "
            "different things and never compared"
        ) from error


def _place(sides: tuple[Part, Part], result: Comparison) -> tuple[int, WayDown] | None:
    """Say where the longer swing was when the shorter met the ball: its side (0, 1) and place."""
    from analysis.compare import way_down
    from unhurried.wiring import trace_of

    swings = [part.swings[0] for part in sides]
    times = [swing.swing_ms for swing in swings]
    us = [swing.swing_ms_u for swing in swings]
    if times[0] is None or times[1] is None or us[0] is None or us[1] is None:
        return None
    longer = int(times[1] > times[0])
    shorter = 1 - longer
    # The shorter one's time has to be to the ball, or both to the same thing.
    if result.rules[shorter] != "ball" and result.rules[0] != result.rules[1]:
        return None
    if abs(times[1] - times[0]) < 2.0 * math.hypot(us[0], us[1]):
        return None
    trace = trace_of(sides[longer].recording, swings[longer])
    takeaway_u_ms = 1e3 * (swings[longer].takeaway_s_u or 0.0)
    place = way_down(
        trace.time_s,
        trace.turn_deg,
        trace.rate_dps,
        swings[longer],
        after_ms=float(times[shorter] or 0.0),
        after_u_ms=math.hypot(float(us[shorter] or 0.0), takeaway_u_ms),
    )
    return None if place is None else (longer, place)


def _plot(sides: tuple[Part, Part], file: Path, *, align: str, overwrite: bool) -> None:
    from review.pairplot import Overlay, plot_overlay
    from review.plot import save_plot
    from unhurried.wiring import trace_of

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


# -- words -----------------------------------------------------------------------------------------


def side_names(sides: tuple[Part, Part]) -> tuple[str, str]:
    """Say in a word what tells the sides apart: their kind, their player, or A and B."""
    one, other = sides
    if one.kind is not None and other.kind is not None and one.kind != other.kind:
        names = []
        for part in sides:
            kind = str(part.kind)
            single = "unclear swing" if kind == "unclear" else kind
            names.append(f"the {single if len(part.swings) == 1 else KIND_NAMES[kind]}")
        return names[0], names[1]
    players = [part.common("player") for part in sides]
    if players[0] and players[1] and players[0] != players[1]:
        return one_line(players[0]), one_line(players[1])
    return "A", "B"


def _label(letter: str, name: str) -> str:
    return letter if name == letter else f"{letter}: {name.removeprefix('the ')}"


def _side_words(letter: str, part: Part) -> str:
    """Say what a side is made of."""
    indices = [swing.index for swing in part.swings]
    who = [part.common("player"), part.common("club")]
    words = [f"{one_line(part.path.resolve().name)} {ranges(indices)}"]
    words += [one_line(word) for word in who if word]
    if len(part.swings) == 1:
        words.append("unclear swing" if part.kind == "unclear" else str(part.kind))
    elif part.kind is None:
        words.append(f"{len(part.swings)} swings of more than one kind")
    else:
        n = len(part.swings)
        word = KIND_NAMES[part.kind]
        words.append(f"{n} {word.removesuffix('s') if n == 1 else word}")
    words += part.left_out
    return f"{letter}: {', '.join(words)}"


def sentence(result: Comparison, mount: str | None, names: tuple[str, str]) -> str:
    """Say in one plain sentence which took longer, turned further and rotated faster.

    Parameters
    ----------
    result : Comparison
    mount : str or None
        Says what turns.
    names : tuple of str
        What each side is called.
    """
    if result.judged == 0 and any(row.reason == "few" for row in result.rows):
        return "Nothing is judged: there are too few swings."
    member = f"the {MEMBERS[mount]}" if mount else "the part with the sensor"
    clauses = [
        _time_clause(result, names),
        _clause(
            result.row("turn_deg"),
            names,
            more=f"{member} turned further {_in(names)}, by {{size}}",
            same=f"{member} turned equally far",
            unclear=f"{_in_which(names)} {member} turned further can't be told",
            absent=f"how far {member} turned can't be compared",
        ),
        _clause(
            result.row("peak_rate_dps"),
            names,
            more=f"{member} rotated faster {_in(names)}, by {{size}} at its peak",
            same=f"{member} rotated equally fast at its peak",
            unclear=f"{_in_which(names)} {member} rotated faster can't be told",
            absent=f"how fast {member} rotated can't be compared",
        ),
    ]
    text = "; ".join(clause for clause in clauses if clause)
    if not text:
        return "See the table."
    return f"{text[0].upper()}{text[1:]}."


def _in(names: tuple[str, str]) -> str:
    """Leave a place for the name of the side that has more."""
    return "in {name}" if names[0].startswith("the ") or names == ("A", "B") else "with {name}"


def _in_which(names: tuple[str, str]) -> str:
    return "in which" if names[0].startswith("the ") or names == ("A", "B") else "with whom"


def _time_clause(result: Comparison, names: tuple[str, str]) -> str:
    row = result.row("swing_ms")
    if row is not None and row.reason is None:
        return _clause(
            row,
            names,
            more="{name} took longer, by {size}",
            same="both took equally long",
            unclear="which took longer can't be told",
            absent="",
        )
    back = result.row("backswing_ms")
    if back is not None and back.reason is None:
        return _clause(
            back,
            names,
            more=f"the backswing took longer {_in(names)}, by {{size}}",
            same="the backswings took equally long",
            unclear="which backswing took longer can't be told",
            absent="",
        )
    return "" if row is None else "how long they took can't be compared"


def _clause(
    row: Row | None,
    names: tuple[str, str],
    *,
    more: str,
    same: str,
    unclear: str,
    absent: str,
) -> str:
    if row is None:
        return ""
    if row.outcome is None:
        return absent
    assert row.difference is not None
    if row.outcome == "different":
        text = more.format(
            name=names[int(row.difference > 0.0)],
            size=amount(row.measure, abs(row.difference), row.u),
        )
        return f"{text} (surely less than {margin_words(row)})" if row.within_margin else text
    if row.outcome == "same":
        return f"{same} (within {margin_words(row)})"
    return unclear


def amount(measure: str, value: float, u: float | None = None) -> str:
    """Write a number and its unit, to the digits that make sense."""
    return f"{digits(measure, value, u)} {unit_of(measure)}".strip()


def digits(measure: str, value: float, u: float | None = None) -> str:
    """Write a number of a measure: whole ms and deg/s, tenths of degrees, hundredths of a ratio."""
    decimals = {"turn_deg": 1, "tempo_ratio": 2}.get(measure, 0)
    if u is not None and decimals == 0 and u < 0.5:
        decimals = 1
    text = f"{value:.{decimals}f}"
    return text.removeprefix("-") if float(text) == 0.0 else text


def margin_words(row: Row) -> str:
    """Say a margin as it counts for this row."""
    assert row.margin is not None
    decimals = 2 if row.measure == "tempo_ratio" else 1
    text = f"{row.margin:.{decimals}f}".rstrip("0").rstrip(".")
    return f"{text} {unit_of(row.measure)}".strip()


def place_words(
    place: tuple[int, WayDown], names: tuple[str, str], rules: tuple[str | None, str | None]
) -> str:
    """Say where the longer swing was when the shorter was at its impact."""
    longer, at = place
    met = "met the ball" if rules[1 - longer] == "ball" else "was back at its least turn"
    start = (
        f"When {names[1 - longer]} {met}, {at.after_ms:.0f} ms after takeaway, {names[longer]}, "
        "started at the same moment,"
    )
    share, low, high = (round(100.0 * x) for x in (at.share, at.low, at.high))
    about = f" ({low} to {high} %)" if high > low else ""
    if at.going_back:
        return f"{start} was still going back: {share} % of its turn{about}."
    end = "the ball" if rules[longer] == "ball" else "its least turn"
    return f"{start} had come {share} % of its way down to {end}{about}."


OUTCOME_WORDS = {"different": "different", "same": "the same", "not_told": "not to be told"}
REASON_WORDS = {
    "absent": "not measured",
    "bound": "only at least",
    "rules": "not compared",
    "few": "too few",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """Everything that is shown of a comparison."""

    sides: tuple[Part, Part]
    comparison: Comparison
    margins: Mapping[str, Margin]
    place: tuple[int, WayDown] | None

    @property
    def mount(self) -> str | None:
        """Where the sensor was, of both."""
        return self.sides[0].analysis.mount

    @property
    def sentences(self) -> list[str]:
        """What is said first."""
        names = side_names(self.sides)
        out = [sentence(self.comparison, self.mount, names)]
        if self.place is not None:
            out.append(place_words(self.place, names, self.comparison.rules))
        return out

    def as_dict(self) -> dict[str, Any]:
        """Return the document of ``--json``."""
        result = self.comparison
        out: dict[str, Any] = {
            "schema": SCHEMA,
            "what": "sets" if result.sets else "pair",
            "mount": self.mount,
        }
        for name, part, rule in zip("ab", self.sides, result.rules, strict=True):
            out[name] = {
                "recording": part.analysis.id,
                "swings": [swing.index for swing in part.swings],
                "player": part.common("player"),
                "handedness": part.common("handedness"),
                "club": part.common("club"),
                "kind": part.kind,
                "impact_timed_by": rule,
            }
        out["sentences"] = self.sentences
        out["judged"] = result.judged
        out["shared_clock"] = result.shared_clock
        out["shared_sensor"] = result.shared_sensor
        out["measures"] = [dataclasses.asdict(row) for row in result.rows]
        out["longer_at_shorter_impact"] = None
        if self.place is not None:
            out["longer_at_shorter_impact"] = {
                "longer": "ab"[self.place[0]],
                **dataclasses.asdict(self.place[1]),
            }
        out["notes"] = self.notes()
        return out

    # -- lines -------------------------------------------------------------------------------------

    def lines(self) -> Iterator[str]:
        """Give the readable form, none wider than 80 columns."""
        for letter, part in zip("AB", self.sides, strict=True):
            yield from wrapped(_side_words(letter, part), "", "   ")
        yield ""
        for text in self.sentences:
            yield from wrapped(text)
        yield ""
        yield from self._table()
        yield ""
        for text in self.notes():
            yield from wrapped(text, "", "  ")

    def _table(self) -> list[str]:
        result = self.comparison
        head = ["", "A", "B", "B - A", "95 % interval", ""]
        right = [False, True, True, True, True, False]
        if result.sets:
            head = ["", "A", "spread", "B", "spread", "B - A", "95 % interval", ""]
            right = [False, *[True] * 6, False]
        rows = [head]
        for row in result.rows:
            word = WORDS[row.measure]
            if row.measure == "turn_deg" and self.mount:
                word = f"{MEMBERS[self.mount]} turn"
            ends = [row.low, row.high]
            interval = (
                " to ".join(_signed(row, end) for end in ends if end is not None)
                if None not in ends
                else "-"
            )
            cells = [f"{word} {unit_of(row.measure)}".strip()]
            for value, spread in ((row.a, row.spread_a), (row.b, row.spread_b)):
                cells.append("-" if value is None else digits(row.measure, value))
                if result.sets:
                    cells.append("-" if spread is None else _spread_digits(row, spread))
            cells.append("-" if row.difference is None else _signed(row, row.difference))
            rows.append([*cells, interval, self._outcome(row)])
        return lined_up(rows, right)

    def _outcome(self, row: Row) -> str:
        if row.outcome is None:
            return REASON_WORDS[str(row.reason)]
        word = OUTCOME_WORDS[row.outcome]
        return f"{word} *" if row.outcome == "different" and row.within_margin else word

    # -- what stands below -------------------------------------------------------------------------

    def notes(self) -> list[str]:
        """Say what the words mean and what is to be kept in mind, as far as it applies."""
        result = self.comparison
        rows = result.rows
        out: list[str] = []
        if result.judged:
            out += self._outcome_notes()
        if any(row.reason == "rules" for row in rows):
            out.append(_rules_note(result))
        swings = [swing for part in self.sides for swing in part.swings]
        if any(swing.impact_basis == "own_strikes" for swing in swings):
            out.append(
                "Rehearsals end where the turn is as at the player's own strikes; how far off that "
                "may be is in the intervals."
            )
        if any(row.reason == "bound" for row in rows):
            out.append(self._bound_note())
        if any(row.reason == "absent" for row in rows):
            out.append("Not measured: 'unhurried analyze' on the swing or recording says why.")
        out += self._number_notes()
        out += self._side_notes()
        if result.sets:
            out.append(
                "Sets that were hit at different times also differ in tiredness, warming up and "
                "much else. The figures say what went together, not what caused it."
            )
        else:
            out.append(
                "This is about these two swings, not about what the player usually does: for "
                "that, compare sets. The figures say what went together, not what caused it."
            )
        return out

    def _outcome_notes(self) -> list[str]:
        result = self.comparison
        judged = [row for row in result.rows if row.outcome is not None]
        out = [
            "95 % interval: the true difference lies in it 95 times in 100, each line by itself.",
        ]
        if any(row.outcome == "different" for row in judged):
            n = result.judged
            start = f"{n} are judged together: of" if n > 1 else "Of"
            out.append(
                f"different: which of the two is larger is sure. {start} twenty comparisons "
                "of equals, at most one has a wrong 'different' in it."
            )
        if any(row.outcome == "different" and row.within_margin for row in judged):
            out.append("*: sure, yet surely less than the margin that matters.")
        if any(row.outcome == "same" for row in judged):
            out.append(
                "the same: less apart than the margin that matters; the whole 95 % interval lies "
                "inside it."
            )
        if any(row.outcome == "not_told" for row in judged):
            out.append(
                "not to be told: these figures can't say whether there is a difference; that is "
                "not the same as 'no difference'."
                + (" More swings on both sides would narrow it." if result.sets else "")
            )
        if any(
            row.outcome != "different" and row.low is not None and row.low * (row.high or 0.0) > 0.0
            for row in judged
        ):
            out.append(
                "An interval may miss zero by chance once in twenty lines; alone that is not "
                "called different."
            )
        tellable = ", ".join(
            f"{WORDS[row.measure]} {amount(row.measure, row.tellable, row.u)}"
            for row in judged
            if row.tellable is not None
        )
        out.append(f"A difference would be told, four times in five, from: {tellable}.")
        margins = ", ".join(f"{WORDS[row.measure]} {margin_words(row)}" for row in judged)
        out.append(f"Margins that matter (a choice, set by --margin): {margins}.")
        return out

    def _bound_note(self) -> str:
        text = "Only at least: the gyroscope was at its limit, so a true peak may be higher"
        row = self.comparison.row("peak_rate_dps")
        if row is None or not self.comparison.sets:
            return f"{text}."
        sizes = [len(part.swings) for part in self.sides]
        return (
            f"{text}, in {row.bounds_a} of {sizes[0]} swings of A and {row.bounds_b} of "
            f"{sizes[1]} of B. Those are the fast ones: without them a mean would be too small, so "
            "peaks aren't judged."
        )

    def _number_notes(self) -> list[str]:
        if not self.comparison.sets:
            return []
        from analysis.summary import LEAST_SWINGS

        sizes = [len(part.swings) for part in self.sides]
        few = [
            f"{WORDS[row.measure]} {row.n_a} of {sizes[0]} in A, {row.n_b} of {sizes[1]} in B"
            for row in self.comparison.rows
            if (row.n_a + row.bounds_a, row.n_b + row.bounds_b) != tuple(sizes)
        ]
        out = ["Values are means; spread is the standard deviation from swing to swing."]
        if few:
            out.append(f"Not measured in every swing: {'; '.join(few)}.")
        if any(row.reason == "few" for row in self.comparison.rows):
            out.append(
                f"too few: nothing is judged with fewer than {LEAST_SWINGS} swings on a side; "
                f"A has {sizes[0]}, B {sizes[1]}."
            )
        return out

    def _side_notes(self) -> list[str]:
        """Say what else differs between the sides."""
        out = []
        for name, text in (
            ("player", "Two players: their bodies differ too."),
            ("club", "Different clubs: A {}, B {}. Clubs of other length swing differently."),
            ("handedness", "A is {}-handed, B {}-handed: sizes of turn and rate compare alike."),
        ):
            one, other = (part.common(name) for part in self.sides)
            if one and other and one != other:
                out.append(text.format(one_line(one), one_line(other)))
        part = {swing.intent == "part" for side in self.sides for swing in side.swings}
        if len(part) > 1:
            out.append("Part swings are compared with full ones.")
        if not self.comparison.shared_sensor and any(
            row.measure in ("turn_deg", "peak_rate_dps") and row.outcome
            for row in self.comparison.rows
        ):
            out.append(
                "It isn't known that both were measured by the same sensor, so the gyroscope's "
                "scale may differ; that is in the intervals."
            )
        return out


def _signed(row: Row, value: float) -> str:
    text = digits(row.measure, abs(value), row.u)
    if float(text) == 0.0:
        return text
    return f"{'+' if value > 0 else '-'}{text}"


def _spread_digits(row: Row, spread: float) -> str:
    if row.measure == "tempo_ratio":
        return f"{spread:.2f}"
    return f"{spread:.1f}" if spread < 9.95 else f"{spread:.0f}"


def _rules_note(result: Comparison) -> str:
    if None in result.rules:
        return (
            "Not compared: what ends at impact, since one side mixes impacts told by the shock "
            "with impacts told by the turn, which can be some hundredths of a second apart."
        )
    return (
        "Not compared: what ends at impact. A rehearsal ends where the turn is back at its least, "
        "a strike at the shock, which can be some hundredths of a second apart (--own-strikes "
        "times rehearsals by strikes)."
    )
