"""One measure over time: a mark a session and kind, under a time axis that several pictures share.

Places across are in per cent of the width, so that a picture is as wide as there is room and its
letters stay as large as the page's. Practice swings are hollow circles, a little to the left of
their day; shots filled diamonds, a little to the right: colour is never alone.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from html import escape
from typing import Final

from review.svg_frame import ticks

PLOT_PX: Final = 168.0
FOOT_PX: Final = 24.0
"""For the days."""
ROW_PX: Final = 17.0
"""A row of words over the picture."""
MOST_ROWS: Final = 3
AIR_PX: Final = 8.0

LEFT, RIGHT = 6.0, 95.0
"""Where the first and the last session stand, in per cent of the width."""
NARROW_LETTER, LETTER = 2.5, 1.75
"""Width of a letter in per cent of the picture at its narrowest: on a phone, and else."""
REACH: Final = 4.2
"""Half of what is touched, in per cent: 24 px on a phone."""
ENDS_APART_PX: Final = 15.0
LEAST_SHARE: Final = 0.15
"""The scale holds at least so much, in the measure's own size: equal days don't look scattered."""
BEFORE_PX: Final = -15.0
"""An upright stands a little before its day, so that it doesn't run through the day's marks."""
ASIDE_PX: Final = {"rehearsal": -6.0, "strike": 6.0}
NAMES: Final = {"rehearsal": "practice", "strike": "shots"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Middle:
    """The middle of a session's swings of a kind, and how far they lie from it."""

    value: float
    spread: float | None
    n: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Day:
    """A session in the pictures.

    Attributes
    ----------
    at : float
        Day number, with the time of the day.
    short, name : str
        On the axis, and in full.
    href : str or None
    drill : bool
        Sound was heard in it.
    by : mapping of str to Middle
        By kind: rehearsal, strike.
    """

    at: float
    short: str
    name: str
    href: str | None
    drill: bool
    by: Mapping[str, Middle]


@dataclass(frozen=True, slots=True, kw_only=True)
class Upright:
    """Something that began on a day: the drills, or a step of the plan."""

    at: float
    word: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Timeline:
    """A picture in three parts that stand beside each other: scale, plot, names of the last marks.

    Attributes
    ----------
    scale, plot, ends : str
        ``svg`` elements; the ends are left out where it is narrow.
    """

    scale: str
    plot: str
    ends: str


def timeline(
    days: Sequence[Day],
    *,
    title: str,
    written: Callable[[float], str],
    own: tuple[float, float] | None = None,
    least: float = 0.0,
    uprights: Sequence[Upright] = (),
    words: bool = False,
) -> Timeline | None:
    """Draw a measure over time.

    Parameters
    ----------
    days : sequence of Day
        In the order of time; all of the common axis, also those without this measure.
    title : str
    written : callable
        Writes a value with its unit, as far as it means something.
    own : pair of float, optional
        The player's own range.
    least : float
        The scale holds at least so much.
    uprights : sequence of Upright
    words : bool
        Name them: once for several pictures under each other.

    Returns
    -------
    Timeline or None
        None where no day has this measure.
    """
    middles = [one for day in days for one in day.by.values()]
    if not middles:
        return None
    place = _places(days)
    named, rows = _rows(uprights, place) if words else ([], 0)
    top = AIR_PX + rows * ROW_PX
    bottom = top + PLOT_PX
    ends = [m.value + s * (m.spread or 0.0) for m in middles for s in (-1.0, 1.0)]
    ends += list(own or ())
    low, high = min(ends), max(ends)
    width = max(high - low, LEAST_SHARE * abs(0.5 * (low + high)), least, 1e-9)
    low, high = 0.5 * (low + high - 1.12 * width), 0.5 * (low + high + 1.12 * width)

    def y(value: float) -> float:
        return bottom - (value - low) / (high - low) * (bottom - top)

    height = bottom + FOOT_PX
    grid = ticks(low, high, 5)
    parts = [
        f'<rect class="plot" width="100%" y="{top:.1f}" height="{PLOT_PX:g}"/>',
        _own(own, y),
        *(f'<line class="grid" x1="0" x2="100%" y1="{y(v):.1f}" y2="{y(v):.1f}"/>' for v in grid),
        *(_upright(one, place(one.at), top, bottom) for one in uprights),
        *named,
        *_axis(days, place, bottom),
        *_series(days, place, y),
        *_touched(days, place, top, written),
    ]
    label = escape(f"{title}, session by session", quote=True)
    return Timeline(
        scale=_svg(
            "timeline-scale",
            height,
            "".join(
                f'<text x="100%" dx="-6" y="{y(v):.1f}" dy="0.35em" text-anchor="end">'
                f"{escape(written(v))}</text>"
                for v in grid
            ),
        ),
        plot=_svg("timeline-plot", height, "".join(parts), f'role="group" aria-label="{label}"'),
        ends=_svg("timeline-ends", height, _ends(days, y, written)),
    )


def _svg(css: str, height: float, body: str, more: str = 'aria-hidden="true"') -> str:
    return (
        f'<svg class="timeline {css}" width="100%" height="{height:g}" {more} '
        f'xmlns="http://www.w3.org/2000/svg">{body}</svg>'
    )


def _places(days: Sequence[Day]) -> Callable[[float], float]:
    first, last = days[0].at, days[-1].at

    def place(at: float) -> float:
        if last <= first:
            return 0.5 * (LEFT + RIGHT)
        return LEFT + (RIGHT - LEFT) * min(max((at - first) / (last - first), 0.0), 1.0)

    return place


def _own(own: tuple[float, float] | None, y: Callable[[float], float]) -> str:
    if own is None:
        return ""
    top, bottom = y(own[1]), y(own[0])
    return (
        f'<rect class="own" width="100%" y="{top:.1f}" height="{bottom - top:.1f}">'
        "<title>your own range</title></rect>"
    )


def _upright(one: Upright, x: float, top: float, bottom: float) -> str:
    return (
        f'<line class="event" transform="translate({BEFORE_PX:g} 0)" x1="{x:.2f}%" x2="{x:.2f}%" '
        f'y1="{top:.1f}" y2="{bottom:.1f}"><title>{escape(one.word)}</title></line>'
    )


def _rows(uprights: Sequence[Upright], place: Callable[[float], float]) -> tuple[list[str], int]:
    """Put the words over their lines, so that none touches another on a phone.

    The newest are placed first; of many an old one has no word but when it is pointed at.
    """
    taken: list[list[tuple[float, float]]] = []
    found: list[tuple[int, float, str, str]] = []
    for one in sorted(uprights, key=lambda u: u.at, reverse=True):
        x = place(one.at)
        wide = NARROW_LETTER * len(one.word)
        anchor = "start" if x + wide <= 100.0 else "end"
        a, b = (x, x + wide) if anchor == "start" else (x - wide, x)
        for row in range(MOST_ROWS):
            if row == len(taken):
                taken.append([])
            if a >= 0.0 and all(a > d + 1.0 or b < c - 1.0 for c, d in taken[row]):
                taken[row].append((a, b))
                found.append((row, x, anchor, one.word))
                break
    rows = sum(bool(row) for row in taken)
    return [
        f'<text class="event-name" x="{x:.2f}%" dx="{BEFORE_PX:g}" '
        f'y="{AIR_PX + (rows - row) * ROW_PX - 5.0:.1f}" text-anchor="{anchor}">'
        f"{escape(word)}</text>"
        for row, x, anchor, word in found
    ], rows


def _axis(days: Sequence[Day], place: Callable[[float], float], bottom: float) -> list[str]:
    """Write the days as far as there is room, and a tick for a drill."""
    out = []
    places = [place(day.at) for day in days]
    longest = max(len(day.short) for day in days)
    shown = _kept(places, LETTER * longest + 1.5)
    of_shown = _kept([places[k] for k in shown], NARROW_LETTER * longest + 1.5)
    always = {shown[k] for k in of_shown}
    seen: set[str] = set()
    for k, day in enumerate(days):
        x = place(day.at)
        if day.drill:
            out.append(
                f'<line class="drill-tick" x1="{x:.2f}%" x2="{x:.2f}%" y1="{bottom - 7.0:.1f}" '
                f'y2="{bottom:.1f}"/>'
            )
        if k in shown and day.short not in seen:
            seen.add(day.short)
            css = "tick" if k in always else "tick spare"
            anchor = "start" if x < 6.0 else "end" if x > 94.0 else "middle"
            at = 0.0 if x < 6.0 else 100.0 if x > 94.0 else x
            out.append(
                f'<text class="{css}" x="{at:.2f}%" y="{bottom + 17.0:.1f}" '
                f'text-anchor="{anchor}">{escape(day.short)}</text>'
            )
    return out


def _kept(places: Sequence[float], apart: float) -> list[int]:
    """Choose places that lie so far apart, the first and the last among them.

    The last one's name ends with the picture, and so takes room on one side only.
    """
    out = [0]
    before_last = max(apart, 1.5 * apart - (100.0 - RIGHT))
    for k, x in enumerate(places[1:-1], 1):
        if x - places[out[-1]] >= apart and places[-1] - x >= before_last:
            out.append(k)
    if places[-1] - places[0] >= before_last:
        out.append(len(places) - 1)
    return out


def _series(
    days: Sequence[Day], place: Callable[[float], float], y: Callable[[float], float]
) -> list[str]:
    out = []
    for kind, aside in ASIDE_PX.items():
        there = [(place(day.at), day.by[kind]) for day in days if kind in day.by]
        body = [
            f'<line class="join {kind}-join" x1="{a:.2f}%" x2="{b:.2f}%" y1="{y(m.value):.1f}" '
            f'y2="{y(n.value):.1f}"/>'
            for (a, m), (b, n) in itertools.pairwise(there)
        ]
        for x, one in there:
            at = f'x="{x:.2f}%" y="{y(one.value):.1f}"'
            if one.spread is not None:
                body.append(
                    f'<line class="whisker" x1="{x:.2f}%" x2="{x:.2f}%" '
                    f'y1="{y(one.value - one.spread):.1f}" y2="{y(one.value + one.spread):.1f}"/>'
                )
            shape = (
                '<circle class="rehearsal" r="5.5"/>'
                if kind == "rehearsal"
                else '<polygon class="strike" points="0,-7 7,0 0,7 -7,0"/>'
            )
            body.append(f'<svg {at} overflow="visible">{shape}</svg>')
        out.append(f'<g transform="translate({aside:g} 0)">{"".join(body)}</g>')
    return out


def _touched(
    days: Sequence[Day],
    place: Callable[[float], float],
    top: float,
    written: Callable[[float], str],
) -> list[str]:
    """A strip for each day that leads to its session: half way to its nearest at most."""
    places = [place(day.at) for day in days]
    out = []
    for k, (day, x) in enumerate(zip(days, places, strict=True)):
        if not day.by or day.href is None:
            continue
        near = (abs(p - x) for p in (*places[:k][-1:], *places[k + 1 :][:1]))
        half = min((REACH, *(0.5 * apart for apart in near)))
        said = ", ".join(
            f"{NAMES[kind]} {written(one.value)} ({one.n})" for kind, one in day.by.items()
        )
        label = escape(f"{day.name}: {said}", quote=True)
        out.append(
            f'<a href="{escape(day.href, quote=True)}" aria-label="{label}"><title>{label}</title>'
            f'<rect class="touch" x="{x - half:.2f}%" width="{2.0 * half:.2f}%" '
            f'y="{top:.1f}" height="{PLOT_PX:g}"/></a>'
        )
    return out


def _ends(days: Sequence[Day], y: Callable[[float], float], written: Callable[[float], str]) -> str:
    """Name the last marks at the right."""
    last = {kind: day.by[kind] for day in days for kind in ASIDE_PX if kind in day.by}
    places = {kind: y(one.value) for kind, one in last.items()}
    if len(places) == 2:
        # Both names are to be read, also where the marks lie on each other.
        upper, lower = sorted(places, key=lambda kind: places[kind])
        short = ENDS_APART_PX - (places[lower] - places[upper])
        if short > 0.0:
            places[upper] -= 0.5 * short
            places[lower] += 0.5 * short
    return "".join(
        f'<text class="of-{kind}" x="8" y="{places[kind]:.1f}" dy="0.35em">'
        f"{NAMES[kind]} {escape(written(one.value))}</text>"
        for kind, one in last.items()
    )
