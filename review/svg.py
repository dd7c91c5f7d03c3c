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

from review.svg_frame import (
    EM,
    HEIGHT,
    LINE,
    RIGHT,
    WIDTH,
    Region,
    _Frame,
    _number,
    _span,
    _tick_text,
    _wide,
)

Kind = Literal["rehearsal", "strike", "unclear"]


DIGITS: Final = 4
"""Of rates in deg/s, which stand below turns."""


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
    kind : {"rehearsal", "strike", "unclear"} or None
        Whose colour it has; None: that of its quantity.
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
    kind: Kind | None = None
    style: int = 0
    events: Sequence[tuple[float, str]] = ()
    bands: Sequence[tuple[float, float, str]] = ()


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
    names = {"rehearsal": "practice swing", "strike": "shot", "unclear": "unclear"}
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
            out.append(f'<polyline class="curve {css} {_dress(curve)}" points="{path}"/>')
    if cursor:
        a, b = frame.x
        left = _number(frame.left)
        out.append(
            f'<line class="cursor" data-cursor="{left} {WIDTH - RIGHT:g} {a:.6g} {b:.6g}" '
            f'x1="{left}" x2="{left}" y1="{top}" y2="{bottom}" visibility="hidden"/>'
        )
    out.append("</svg>")
    return "".join(out) + _keys(curves, css)


def _dress(curve: Curve) -> str:
    """Classes that tell a curve from others: its line, and the colour of its kind."""
    of_kind = "" if curve.kind is None else f" of-{curve.kind}"
    return f"style-{curve.style}{of_kind}"


def _keys(curves: Sequence[Curve], css: str) -> str:
    """Say which line is which, where there are several."""
    keys = "".join(
        f'<span class="key"><svg class="key-shape wide" viewBox="0 0 34 18" aria-hidden="true">'
        f'<line class="curve {css} {_dress(c)}" x1="1" x2="33" y1="9" y2="9"/></svg> '
        f"{escape(c.name)}</span>"
        for c in curves
        if c.name
    )
    return f'<p class="keys">{keys}</p>' if keys else ""


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
