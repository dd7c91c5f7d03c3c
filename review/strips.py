"""Strips: each swing a dot on one line, over the band of the player's own range.

Places are in per cent of the width, so a strip is as wide as there is room and its letters stay as
large as the page's. Practice swings are hollow circles above, shots filled diamonds below: kinds
differ by shape and place, and colour is never alone.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from html import escape
from typing import Final

from library.answer import Dot, Said, Strip
from words.answer import aspect_word, rounded

HEIGHT_PX: Final = 58
BAND: Final = (1.0, 37.0)
ROWS: Final = {False: 10.5, True: 27.0}
"""Where practice swings and shots are."""
LAST_Y: Final = 41.0
TEXT_Y: Final = 56.0
STAGGER: Final = (0.0, 3.0, -3.0, 1.5, -1.5)
"""Like swings would hide each other."""

LEAST_SHARE: Final = 0.15
"""A strip is at least so wide, in the middle's own size: equal swings don't look scattered."""
NARROW: Final = 22.0
"""Under this share of the width, in per cent, a band has one number and not two."""


def strip_svg(strip: Strip, *, imperial: bool = False, titles: bool = True) -> str:
    """Draw a strip; empty where nothing was measured.

    Parameters
    ----------
    strip : Strip
    imperial : bool
        Speeds in miles an hour.
    titles : bool
        Say at each dot which swing it is; without, a card of a hundred swings is half as large.

    Returns
    -------
    str
        An ``svg`` element with its words for a screen reader.
    """
    values = [dot.value for dot in strip.dots]
    if not values:
        return ""
    band = [v for v in (strip.low, strip.middle, strip.high) if v is not None]
    ends = [*(v for kind in (False, True) for v in _within(strip, kind)), *band]
    if strip.last is not None:
        ends += [strip.last.low, strip.last.high]
    low, high = min(ends), max(ends)
    about = strip.middle if strip.middle is not None else sum(values) / len(values)
    half = max(0.5 * (high - low) * 1.12, 0.5 * LEAST_SHARE * abs(about))
    centre = 0.5 * (low + high)

    def place(value: float) -> float:
        # What lies far out stands at the edge, so that it doesn't press the others together.
        return 2.0 + 96.0 * min(max((value - centre + half) / (2.0 * half), 0.0), 1.0)

    def written(value: float) -> str:
        # Rotation is said in % of the own range's middle; without one, of these swings' own.
        return rounded(strip.measure, value, about, imperial=imperial)

    parts = [_band(strip, place, written)]
    if strip.middle is None:
        # Without a band the scale is where the outermost swings lie.
        parts.append(scale_svg(sorted({min(values), max(values)}), place, written, TEXT_Y))
    if strip.last is not None:
        a, m, b = (place(v) for v in (strip.last.low, strip.last.middle, strip.last.high))
        parts.append(
            f'<g class="last"><line x1="{a:.2f}%" x2="{b:.2f}%" y1="{LAST_Y}" y2="{LAST_Y}"/>'
            f'<line x1="{m:.2f}%" x2="{m:.2f}%" y1="{LAST_Y - 4}" y2="{LAST_Y + 4}"/></g>'
        )
    picked = [dot for dot in strip.dots if dot.picked]
    rest = [dot for dot in strip.dots if not dot.picked]
    for k, dot in enumerate([*rest, *picked]):
        x = place(dot.value)
        parts.append(_dot(dot, k, x, written if titles else None))
        if abs(dot.value - centre) > 1.0001 * half:
            away, anchor = ("‹", "start") if dot.value < centre else ("›", "end")
            y = ROWS[dot.shot] + 4.0
            at = 0.0 if dot.value < centre else 100.0
            parts.append(f'<text x="{at}%" y="{y}" text-anchor="{anchor}">{away}</text>')
    label = escape(_label(strip, written), quote=True)
    return (
        f'<svg class="strip" width="100%" height="{HEIGHT_PX}" role="img" aria-label="{label}" '
        f'xmlns="http://www.w3.org/2000/svg">{"".join(parts)}</svg>'
    )


def _within(strip: Strip, shot: bool) -> list[float]:
    """Return the values of a kind inside Tukey's outer fences, and that of a picked swing."""
    mine = sorted(dot.value for dot in strip.dots if dot.shot is shot)
    if len(mine) < 4:
        return mine
    first, third = mine[len(mine) // 4], mine[(3 * len(mine)) // 4]
    reach = 3.0 * (third - first)
    picked = {dot.value for dot in strip.dots if dot.picked}
    return [v for v in mine if first - reach <= v <= third + reach or v in picked]


def _band(strip: Strip, place: Callable[[float], float], written: Callable[[float], str]) -> str:
    out = f'<line class="axis-line" x1="0" x2="100%" y1="{BAND[1]}" y2="{BAND[1]}"/>'
    if strip.low is None or strip.high is None or strip.middle is None:
        return out
    a, m, b = place(strip.low), place(strip.middle), place(strip.high)
    top, bottom = BAND
    out += (
        f'<rect class="own" x="{a:.2f}%" width="{b - a:.2f}%" y="{top}" height="{bottom - top}"/>'
        f'<line class="own-middle" x1="{m:.2f}%" x2="{m:.2f}%" y1="{top}" y2="{bottom}"/>'
    )
    shown = [strip.middle] if b - a < NARROW else [strip.low, strip.high]
    return out + scale_svg(shown, place, written, TEXT_Y)


def scale_svg(
    values: Sequence[float],
    place: Callable[[float], float],
    written: Callable[[float], str],
    y: float,
) -> str:
    """Write numbers under a line, each where it lies; of two that would touch the first alone."""
    out, before = "", None
    for value in values:
        x = place(value)
        if before is not None and x - before < NARROW:
            break
        before = x
        anchor = "start" if x < 9.0 else "end" if x > 91.0 else "middle"
        said = escape(written(value))
        out += f'<text x="{x:.2f}%" y="{y}" text-anchor="{anchor}">{said}</text>'
    return out


def _dot(dot: Dot, k: int, x: float, written: Callable[[float], str] | None) -> str:
    y = ROWS[dot.shot] + STAGGER[k % len(STAGGER)]
    kind = "shot" if dot.shot else "practice swing"
    title = ""
    if written is not None:
        title = f"<title>Swing {dot.number}, {kind}: {escape(written(dot.value))}</title>"
    ring = f'<circle class="picked" cx="{x:.2f}%" cy="{y}" r="11"/>' if dot.picked else ""
    if not dot.shot:
        return f'<g>{title}{ring}<circle class="rehearsal" cx="{x:.2f}%" cy="{y}" r="5"/></g>'
    return (
        f'<g>{title}{ring}<svg x="{x:.2f}%" y="{y}" overflow="visible">'
        '<polygon class="strike" points="0,-6.5 6.5,0 0,6.5 -6.5,0"/></svg></g>'
    )


def _label(strip: Strip, written: Callable[[float], str]) -> str:
    """Say a strip for those who don't see it."""
    text = f"{aspect_word(strip.aspect, strip.measure).capitalize()}:"
    if strip.word is not None or strip.said is not Said.CANT_TELL:
        text += f" {strip.said.value}."
    for shot, name in ((True, "shots"), (False, "practice swings")):
        values = [dot.value for dot in strip.dots if dot.shot is shot]
        if values:
            text += f" {len(values)} {name}, {written(min(values))} to {written(max(values))}."
    if strip.low is not None and strip.high is not None:
        text += f" Your own range: {written(strip.low)} to {written(strip.high)}."
    if strip.last is not None:
        text += f" Last time: {written(strip.last.middle)}."
    return text


def spark_svg(values: Sequence[float]) -> str:
    """Draw the middles of the last sessions as a small line, oldest first; empty for fewer than 3.

    For a glance beside a word: it has no scale, and the newest is its end.
    """
    if len(values) < 3:
        return ""
    low, high = min(values), max(values)
    span = max(high - low, 0.05 * abs(high), 1e-9)
    step = 60.0 / (len(values) - 1)
    # Equal values lie in the middle, not at an edge.
    base = 0.5 * (low + high) - 0.5 * span
    places = [(3.0 + step * k, 17.0 - 14.0 * (v - base) / span) for k, v in enumerate(values)]
    line = " ".join(f"{x:.1f},{y:.1f}" for x, y in places)
    x, y = places[-1]
    return (
        f'<svg class="spark" width="66" height="20" viewBox="0 0 66 20" role="img" '
        f'aria-label="The last {len(values)} sessions" xmlns="http://www.w3.org/2000/svg">'
        f'<polyline points="{line}"/>'
        f'<circle cx="{x:.1f}" cy="{y:.1f}" r="2.5"/></svg>'
    )
