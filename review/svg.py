"""Charts as SVG text, for the page and for the report that is sent.

Made here, not in the browser: they need no script, print well, can be walked through by keyboard,
and the report can carry them. Colours come from the stylesheet by class, and never carry a meaning
alone: kinds of swing differ by shape, players and swings by line style.
"""

from __future__ import annotations

import bisect
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from html import escape
from typing import Final, Literal

__all__ = ["Curve", "Line", "Mark", "Region", "marks_chart", "ticks", "traces_chart"]

Kind = Literal["rehearsal", "strike", "unclear"]

WIDTH: Final = 760.0
HEIGHT: Final = 400.0
RIGHT: Final = 24.0

# A drawing shrinks with its screen and its letters must not: page.css writes them the larger the
# narrower the drawing is, so that they are never under 12 px. Room is kept for the largest.
EM: Final = 30.0
"""Letters on the narrowest phone, in the drawing's own px."""

SOME_EM: Final = 20.0
"""Letters up to which every number of the axes is shown; with larger ones the spare aren't."""

LETTER: Final = 0.64
"""Width of a letter, in em; a digit of the widest fonts in use (from memory)."""

DIGITS: Final = 4
"""Of rates in deg/s, which stand below turns."""

LINE: Final = 1.25
"""Height of a line of letters, in em."""

ROOM: Final = 82.0
"""Of a chart's height is for letters above and below, as it was asked for; more is added."""

TOUCH: Final = 26.0
"""Radius of what is touched: 24 px across on a phone (WCAG 2.2, 2.5.8), where it has the room."""

# Radius of a mark with the least and with the fullest turn shown, in px.
SMALLEST: Final = 4.0
LARGEST: Final = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """One swing, or the middle of several.

    Attributes
    ----------
    x, y : float
    x_u, y_u : float or None
        Half lengths of the whiskers: what the caller says they are.
    kind : {"rehearsal", "strike", "unclear"}
    size : float or None
        0 to 1, drawn as the mark's size; None is drawn as the middle.
    href : str or None
        Where a click leads.
    label : str
        What it is, in words, for pointer and screen reader.
    picked : bool
        Drawn with a ring around it.
    """

    x: float
    y: float
    x_u: float | None = None
    y_u: float | None = None
    kind: Kind = "unclear"
    size: float | None = None
    href: str | None = None
    label: str = ""
    picked: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Region:
    """A reference, shaded; a bound that is None is open.

    Attributes
    ----------
    x, y : pair of float or None
    label : str
    """

    x: tuple[float, float] | None = None
    y: tuple[float, float] | None = None
    label: str = "reference"


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """Marks that belong together, joined in their order."""

    points: tuple[tuple[float, float], ...]
    kind: Kind = "unclear"


@dataclass(frozen=True, slots=True, kw_only=True)
class Curve:
    """One swing over time, for `traces_chart`.

    Attributes
    ----------
    x, y : sequence of float
        NaN where nothing was measured: the line is broken there.
    name : str
    style : int
        0: solid (A), 1: dashed (B).
    events : sequence of (float, str)
        Where on x a named event is.
    bands : sequence of (float, float, str)
        From where to where on x something may be, and what, in words.
    """

    x: Sequence[float]
    y: Sequence[float]
    name: str
    style: int = 0
    events: Sequence[tuple[float, str]] = ()
    bands: Sequence[tuple[float, float, str]] = ()


def ticks(low: float, high: float, most: int = 7) -> list[float]:
    """Return round numbers from ``low`` to ``high``, at most ``most`` of them.

    Parameters
    ----------
    low, high : float
        Finite, ``low < high``.
    most : int
        At least 2.

    Returns
    -------
    list of float
        Steps of 1, 2 or 5 times a power of ten; at least one lies inside unless the step of the
        next size passes over the whole range.
    """
    raw = (high - low) / max(1, most - 1)
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(f * power for f in (1, 2, 5, 10) if f * power >= raw * (1 - 1e-9))
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [round(k * step, 12) + 0.0 for k in range(first, last + 1)]


def _span(values: Sequence[float], least: float) -> tuple[float, float]:
    """Range with some air around it, at least ``least`` wide."""
    low, high = min(values), max(values)
    width = max(high - low, least, abs(high) * 1e-6, 1e-9)
    middle = 0.5 * (low + high)
    return middle - 0.58 * width, middle + 0.58 * width


def _number(x: float) -> str:
    return f"{x:.1f}".rstrip("0").rstrip(".") if abs(x) >= 1e-9 else "0"


def _tick_text(x: float) -> str:
    text = f"{x:.10g}"
    return text.replace("-", "\N{MINUS SIGN}")


def _wide(text: str, em: float = EM) -> float:
    """Width of a text at most."""
    return LETTER * em * len(text)


class _Frame:
    """Axes of a chart: from values to places on paper.

    Parameters
    ----------
    x, y : pair of float
    height : float
        As it was asked for; letters may add to it.
    rows : int
        Rows of names over the chart, besides what the upright axis shows.
    digits : int
        Room for at least so many before the chart: those below each other begin at one line.
    x_text, x_ticks
        As `marks_chart` has them.
    """

    def __init__(
        self,
        x: tuple[float, float],
        y: tuple[float, float],
        *,
        height: float = HEIGHT,
        rows: int = 0,
        digits: int = 2,
        x_text: Callable[[float], str] = _tick_text,
        x_ticks: Sequence[float] | None = None,
    ) -> None:
        self.x, self.y = x, y
        self.x_text = x_text
        self.x_ticks = ticks(*x) if x_ticks is None else x_ticks
        plot = height - ROOM
        # Numbers of the upright axis stand a line apart, whatever the letters.
        self.y_ticks = next(
            found
            for most in (6, 5, 4, 3, 2)
            for found in [ticks(*y, most)]
            if most == 2
            or len(found) < 2
            or (found[1] - found[0]) / (y[1] - y[0]) * plot >= LINE * EM
        )
        widest = max((_wide(_tick_text(v)) for v in self.y_ticks), default=0.0)
        self.left = max(widest, digits * LETTER * EM) + 14.0
        self.top = 10.0 + LINE * EM * (1 + rows)
        self.bottom = self.top + plot
        self.height = self.bottom + 12.0 + 2 * LINE * EM

    def px(self, x: float) -> float:
        """Place of a value across."""
        return self.left + (x - self.x[0]) / (self.x[1] - self.x[0]) * (WIDTH - self.left - RIGHT)

    def py(self, y: float) -> float:
        """Place of a value upwards."""
        low, high = self.y
        return self.bottom - (y - low) / (high - low) * (self.bottom - self.top)

    def open(self, title: str, x_label: str, y_label: str, *, rows: int = 0) -> list[str]:
        """Begin the drawing: its name, grid, numbers and what they are."""
        out = [
            f'<svg class="drawing" viewBox="0 0 {WIDTH:g} {_number(self.height)}" role="group" '
            f'aria-label="{escape(title)}" xmlns="http://www.w3.org/2000/svg">'
            f'<rect class="plot" x="{_number(self.left)}" y="{_number(self.top)}" '
            f'width="{_number(WIDTH - RIGHT - self.left)}" '
            f'height="{_number(self.bottom - self.top)}"/>'
        ]
        left, top, bottom = (_number(v) for v in (self.left, self.top, self.bottom))
        always = self._apart(SOME_EM)
        on_a_phone = self._apart(EM)
        for value in self.x_ticks:
            px = _number(self.px(value))
            out.append(f'<line class="grid" x1="{px}" x2="{px}" y1="{top}" y2="{bottom}"/>')
            if value in always:
                css = "tick" if value in on_a_phone else "tick spare"
                out.append(
                    f'<text class="{css}" x="{px}" y="{_number(self.bottom + 4.0)}" dy="1em" '
                    f'text-anchor="middle">{escape(self.x_text(value))}</text>'
                )
        for value in self.y_ticks:
            py = _number(self.py(value))
            out.append(
                f'<line class="grid" x1="{left}" x2="{WIDTH - RIGHT:g}" y1="{py}" y2="{py}"/>'
            )
            out.append(
                f'<text class="tick" x="{_number(self.left - 8.0)}" y="{py}" dy="0.35em" '
                f'text-anchor="end">{escape(_tick_text(value))}</text>'
            )
        middle = 0.5 * (self.left + WIDTH - RIGHT)
        out.append(
            f'<text class="axis" x="{_number(middle)}" y="{_number(self.bottom + 6.0)}" '
            f'dy="{1 + LINE:g}em" text-anchor="middle">{escape(x_label)}</text>'
        )
        # Along the axis it would need room that a phone hasn't got.
        out.append(
            f'<text class="axis" x="{left}" y="{_number(self.top - 8.0)}" '
            f'dy="{-LINE * rows:g}em">{escape(y_label)}</text>'
        )
        return out

    def _apart(self, em: float) -> set[float]:
        """Numbers of the axis across that touch no other and aren't cut, at a size of letters."""
        out: set[float] = set()
        lowest = min((self.bottom - self.py(v) for v in self.y_ticks), default=em)
        # Beside a number at the foot of the upright axis there is no room.
        end = self.left - 8.0 if lowest < 0.6 * em else 0.0
        for value in sorted(self.x_ticks):
            half = 0.5 * _wide(self.x_text(value), em)
            px = self.px(value)
            if px - half >= end and px + half <= WIDTH:
                out.add(value)
                end = px + half + 0.4 * em
        return out

    def region(self, region: Region) -> str:
        """Draw a shaded region, cut to the axes."""
        x0, x1 = region.x if region.x is not None else self.x
        y0, y1 = region.y if region.y is not None else self.y
        x0, x1 = (min(max(v, self.x[0]), self.x[1]) for v in (x0, x1))
        y0, y1 = (min(max(v, self.y[0]), self.y[1]) for v in (y0, y1))
        left, right, top, bottom = self.px(x0), self.px(x1), self.py(y1), self.py(y0)
        if right - left <= 0 or bottom - top <= 0:
            return ""
        return (
            f'<rect class="region" x="{_number(left)}" y="{_number(top)}" '
            f'width="{_number(right - left)}" height="{_number(bottom - top)}">'
            f"<title>{escape(region.label)}</title></rect>"
        )


def _shape(kind: Kind, x: float, y: float, r: float) -> str:
    """Hollow circle: rehearsal; filled diamond: strike; cross: unclear."""
    if kind == "rehearsal":
        return f'<circle class="rehearsal" cx="{_number(x)}" cy="{_number(y)}" r="{_number(r)}"/>'
    if kind == "strike":
        d = r * 1.15
        corners = ((x, y - d), (x + d, y), (x, y + d), (x - d, y))
        path = " ".join(f"{_number(a)},{_number(b)}" for a, b in corners)
        return f'<polygon class="strike" points="{path}"/>'
    d = r * 0.8
    return (
        f'<path class="unclear" d="M{_number(x - d)} {_number(y - d)}L{_number(x + d)} '
        f'{_number(y + d)}M{_number(x + d)} {_number(y - d)}L{_number(x - d)} {_number(y + d)}"/>'
    )


def _radius(mark: Mark) -> float:
    size = 0.5 if mark.size is None else min(max(mark.size, 0.0), 1.0)
    return SMALLEST + (LARGEST - SMALLEST) * size


def _reaches(places: Sequence[tuple[float, float]]) -> list[float]:
    """How far around each place a finger may be taken for it: half way to the next, at most."""
    order = sorted(range(len(places)), key=lambda k: places[k])
    out = []
    for k in range(len(places)):
        x, y = places[k]
        at = bisect.bisect_left(order, (x, y), key=lambda j: places[j])
        nearest = 2.0 * TOUCH
        for step in (1, -1):
            j = at if step > 0 else at - 1
            while 0 <= j < len(order) and abs(places[order[j]][0] - x) < nearest:
                if order[j] != k:
                    a, b = places[order[j]]
                    nearest = min(nearest, math.hypot(x - a, y - b))
                j += step
        out.append(0.5 * nearest)
    return out


def _mark(frame: _Frame, mark: Mark, reach: float) -> str:
    x, y = frame.px(mark.x), frame.py(mark.y)
    r = _radius(mark)
    parts = []
    if mark.y_u is not None:
        a, b = frame.py(mark.y - mark.y_u), frame.py(mark.y + mark.y_u)
        parts.append(
            f'<line class="whisker" x1="{_number(x)}" x2="{_number(x)}" '
            f'y1="{_number(a)}" y2="{_number(b)}"/>'
        )
    if mark.x_u is not None:
        a, b = frame.px(mark.x - mark.x_u), frame.px(mark.x + mark.x_u)
        parts.append(
            f'<line class="whisker" y1="{_number(y)}" y2="{_number(y)}" '
            f'x1="{_number(a)}" x2="{_number(b)}"/>'
        )
    if mark.picked:
        parts.append(
            f'<circle class="picked" cx="{_number(x)}" cy="{_number(y)}" r="{_number(r + 4)}"/>'
        )
    parts.append(_shape(mark.kind, x, y, r))
    if mark.href is not None:
        # A finger needs more than the mark; of marks that are close each has its own half.
        parts.append(
            f'<circle class="touch" cx="{_number(x)}" cy="{_number(y)}" '
            f'r="{_number(max(reach, r))}"/>'
        )
    title = f"<title>{escape(mark.label)}</title>" if mark.label else ""
    body = title + "".join(parts)
    if mark.href is not None:
        name = f' aria-label="{escape(mark.label)}"' if mark.label else ""
        return f'<a href="{escape(mark.href)}"{name}>{body}</a>'
    return f'<g role="img" aria-label="{escape(mark.label)}">{body}</g>'


def _legend(kinds: Sequence[Kind], region: Region | None, size_label: str | None) -> str:
    names = {"rehearsal": "rehearsal", "strike": "strike", "unclear": "unclear"}
    out = []
    for kind in names:
        if kind in kinds:
            shape = _shape(kind, 9.0, 9.0, 6.0)  # type: ignore[arg-type]
            out.append(
                f'<span class="key"><svg class="key-shape" viewBox="0 0 18 18" aria-hidden="true">'
                f"{shape}</svg> {names[kind]}</span>"
            )
    if region is not None:
        out.append(
            '<span class="key"><svg class="key-shape" viewBox="0 0 18 18" aria-hidden="true">'
            '<rect class="region" x="1" y="3" width="16" height="12"/></svg> '
            f"{escape(region.label)}</span>"
        )
    if size_label is not None:
        out.append(
            '<span class="key"><svg class="key-shape wide" viewBox="0 0 34 18" aria-hidden="true">'
            '<circle class="rehearsal" cx="7" cy="9" r="4"/>'
            '<circle class="rehearsal" cx="23" cy="9" r="8"/></svg> '
            f"{escape(size_label)}</span>"
        )
    return f'<p class="keys">{"".join(out)}</p>' if out else ""


def marks_chart(
    marks: Sequence[Mark],
    *,
    title: str,
    x_label: str,
    y_label: str,
    region: Region | None = None,
    lines: Sequence[Line] = (),
    size_label: str | None = None,
    least_x: float = 0.0,
    least_y: float = 0.0,
    y_span: tuple[float, float] | None = None,
    height: float = HEIGHT,
    x_text: Callable[[float], str] | None = None,
    x_ticks: Sequence[float] | None = None,
) -> str:
    """Draw swings, or middles of sets of swings, as marks.

    Parameters
    ----------
    marks : sequence of Mark
    title, x_label, y_label : str
    region : Region, optional
    lines : sequence of Line
    size_label : str, optional
        What a mark's size says.
    least_x, least_y : float
        The axes are at least this wide: small differences are not blown up.
    y_span : pair of float, optional
        The ends of the upright axis, where they are fixed, as for shares.
    height : float
    x_text : callable, optional
        Text of a tick on x.
    x_ticks : sequence of float, optional

    Returns
    -------
    str
        SVG and key; empty text where there are no marks.
    """
    if not marks:
        return ""
    xs = [m.x for m in marks]
    ys = [m.y + s * (m.y_u or 0.0) for m in marks for s in (-1, 1)]
    if region is not None:
        # The reference is shown even when all swings lie to one side of it.
        xs += list(region.x or ())
        ys += list(region.y or ())
    frame = _Frame(
        _span(xs, least_x),
        _span(ys, least_y) if y_span is None else y_span,
        height=height,
        x_text=x_text or _tick_text,
        x_ticks=x_ticks,
    )
    out = frame.open(title, x_label, y_label)
    if region is not None:
        out.insert(1, frame.region(region))
    for line in lines:
        path = " ".join(f"{_number(frame.px(x))},{_number(frame.py(y))}" for x, y in line.points)
        out.append(f'<polyline class="join {line.kind}-join" points="{path}"/>')
    reaches = _reaches([(frame.px(m.x), frame.py(m.y)) for m in marks])
    out += [_mark(frame, mark, reach) for mark, reach in zip(marks, reaches, strict=True)]
    out.append("</svg>")
    return "".join(out) + _legend([m.kind for m in marks], region, size_label)


def traces_chart(
    curves: Sequence[Curve],
    *,
    title: str,
    x_label: str,
    y_label: str,
    css: str,
    height: float = 300.0,
    most_points: int = 400,
    cursor: bool = False,
) -> str:
    """Draw swings over time.

    Parameters
    ----------
    curves : sequence of Curve
    title, x_label, y_label : str
    css : str
        Class of the lines: ``turn`` or ``rate``.
    height : float
    most_points : int
        Longer curves are thinned out, peaks kept.
    cursor : bool
        Add a line that a script may move; ``data-cursor`` says between which places and values.

    Returns
    -------
    str
        Empty where there is nothing to draw.
    """
    xs = [x for c in curves for x, y in zip(c.x, c.y, strict=True) if math.isfinite(y)]
    ys = [y for c in curves for y in c.y if math.isfinite(y)]
    if len(xs) < 2:
        return ""
    low, high = min(0.0, *ys), max(ys)
    across = (min(xs), max(xs) if max(xs) > min(xs) else min(xs) + 1.0)
    upwards = (low, high + 0.05 * max(high - low, 1e-9))
    bare = _Frame(across, upwards, height=height, digits=DIGITS)
    names = _event_names(curves, bare)
    rows = 1 + max((name.row for name in names), default=-1)
    frame = _Frame(across, upwards, height=height, rows=rows, digits=DIGITS)
    out = frame.open(title, x_label, y_label, rows=rows)
    top, bottom = _number(frame.top), _number(frame.bottom)
    for name in names:
        out.append(
            f'<text class="event-name {escape(name.event)}" x="{_number(name.px)}" '
            f'y="{_number(frame.top - 8.0)}" dy="{-LINE * name.row:g}em" '
            f'text-anchor="{name.anchor}">{escape(name.text)}</text>'
        )
    for curve in curves:
        for first, last, words in curve.bands:
            a, b = (frame.px(min(max(v, frame.x[0]), frame.x[1])) for v in (first, last))
            out.append(
                f'<rect class="band" x="{_number(a)}" y="{top}" width="{_number(b - a)}" '
                f'height="{_number(frame.bottom - frame.top)}">'
                f"<title>{escape(words)}</title></rect>"
            )
        for at, event in curve.events:
            if not frame.x[0] <= at <= frame.x[1]:
                continue
            px = _number(frame.px(at))
            words = f"{curve.name}: {event}" if curve.name else event
            out.append(
                f'<line class="event {escape(event)}" x1="{px}" x2="{px}" '
                f'y1="{top}" y2="{bottom}"><title>{escape(words)}</title></line>'
            )
        for piece in _pieces(curve, most_points):
            path = " ".join(f"{_number(frame.px(x))},{_number(frame.py(y))}" for x, y in piece)
            out.append(f'<polyline class="curve {css} style-{curve.style}" points="{path}"/>')
    if cursor:
        a, b = frame.x
        left = _number(frame.left)
        out.append(
            f'<line class="cursor" data-cursor="{left} {WIDTH - RIGHT:g} {a:.6g} {b:.6g}" '
            f'x1="{left}" x2="{left}" y1="{top}" y2="{bottom}" visibility="hidden"/>'
        )
    out.append("</svg>")
    keys = "".join(
        f'<span class="key"><svg class="key-shape wide" viewBox="0 0 34 18" aria-hidden="true">'
        f'<line class="curve {css} style-{c.style}" x1="1" x2="33" y1="9" y2="9"/></svg> '
        f"{escape(c.name)}</span>"
        for c in curves
        if c.name
    )
    return "".join(out) + (f'<p class="keys">{keys}</p>' if keys else "")


@dataclass(frozen=True, slots=True)
class _EventName:
    """A name over an event's line, and in which row above the chart."""

    event: str
    text: str
    px: float
    anchor: str
    row: int


def _event_names(curves: Sequence[Curve], frame: _Frame) -> list[_EventName]:
    """Place names over their lines, so that none touches another or is cut, large as they may be.

    Of several swings each is named by its letter; an event that they share has one name.
    """
    whose: dict[tuple[float, str], list[str]] = {}
    for curve in curves:
        letter = chr(ord("A") + curve.style) if len(curves) > 1 else ""
        for at, event in curve.events:
            if frame.x[0] <= at <= frame.x[1]:
                whose.setdefault((round(frame.px(at)), event), []).append(letter)
    out: list[_EventName] = []
    taken: list[list[tuple[float, float]]] = []
    for (px, event), letters in sorted(whose.items()):
        text = f"{event} {', '.join(letters)}".strip()
        width = _wide(text)
        row = 0
        while True:
            if row == len(taken):
                taken.append([])
            ends = {"middle": px - 0.5 * width, "start": px, "end": px - width}
            free = [
                (anchor, left)
                for anchor, left in ends.items()
                if left >= 0.0
                and left + width <= WIDTH
                and all(left >= b + 0.3 * EM or left + width <= a - 0.3 * EM for a, b in taken[row])
            ]
            if free or not taken[row]:
                break
            row += 1
        anchor, left = free[0] if free else ("start", px)
        taken[row].append((left, left + width))
        out.append(_EventName(event, text, px, anchor, row))
    return out


def _pieces(curve: Curve, most: int) -> list[list[tuple[float, float]]]:
    """Unbroken pieces of a curve, thinned to about ``most`` points with the extremes kept."""
    pieces: list[list[tuple[float, float]]] = [[]]
    for x, y in zip(curve.x, curve.y, strict=True):
        if math.isfinite(x) and math.isfinite(y):
            pieces[-1].append((float(x), float(y)))
        elif pieces[-1]:
            pieces.append([])
    total = sum(map(len, pieces))
    step = max(1, math.ceil(2 * total / most)) if total > most else 1
    out = []
    for piece in pieces:
        if len(piece) < 2:
            continue
        if step == 1:
            out.append(piece)
            continue
        thin = []
        for k in range(0, len(piece), step):
            part = piece[k : k + step]
            ends = {part.index(min(part, key=_y)), part.index(max(part, key=_y))}
            thin += [part[j] for j in sorted(ends)]
        if thin[0] != piece[0]:
            thin.insert(0, piece[0])
        if thin[-1] != piece[-1]:
            thin.append(piece[-1])
        out.append(thin)
    return out


def _y(point: tuple[float, float]) -> float:
    return point[1]
