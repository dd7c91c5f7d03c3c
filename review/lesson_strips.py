"""A lesson's end made ready to be shown: first shots above, last shots below, on one line each.

Practice swings are hollow circles, shots filled diamonds, as everywhere; places are in per cent of
the width, so letters stay as large as the page's.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from html import escape
from typing import Final

from markupsafe import Markup

from analysis.evidence.lesson import LEAST
from library.answer import SAID, Said
from library.lesson import Lesson, LessonDot, LessonStrip
from review.strips import scale_svg
from words import answer as say_answer
from words import lesson as say

HEIGHT_PX: Final = 64
ROWS: Final = (("first", 12.0), ("last", 37.0))
TEXT_Y: Final = 62.0
LEFT: Final = 16.0
"""Where the line begins, in per cent: left of it stands which swings they are."""
STAGGER: Final = (0.0, 3.0, -3.0, 1.5, -1.5)
LEAST_SHARE: Final = 0.15


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownLessonStrip:
    """A strip as it is shown; ``said`` is empty where nothing is compared."""

    name: str
    said: str
    value: str
    svg: Markup


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownLesson:
    """A lesson's end as it is shown.

    Attributes
    ----------
    headline : str
    counted : str
        How many swings were only counted; empty for none.
    kept : str
        Swings without sound; empty where there was no drill.
    past_full : bool
    strips : tuple of ShownLessonStrip
    """

    headline: str
    counted: str
    kept: str
    past_full: bool
    strips: tuple[ShownLessonStrip, ...]


def shown_lesson(lesson: Lesson) -> ShownLesson:
    """Make a lesson's end ready."""
    kept = ""
    if lesson.kept is not None:
        quiet = lesson.kept.now.quiet
        kept = say_answer.drill_headline(sum(quiet), len(quiet))
    return ShownLesson(
        headline=headline_of(lesson),
        counted=say.counted(lesson.part_swings),
        kept=kept,
        past_full=lesson.past_full,
        strips=tuple(_shown(strip) for strip in lesson.strips),
    )


def headline_of(lesson: Lesson) -> str:
    """Say a lesson's end in one line: about today, and nothing else."""
    compared = [strip for strip in lesson.strips if strip.word is not None]
    if not compared:
        first, last = (
            {
                "practice": max(sum(not d.shot for d in getattr(s, side)) for s in lesson.strips),
                "shots": max(sum(d.shot for d in getattr(s, side)) for s in lesson.strips),
            }
            for side in ("first", "last")
        )
        return say.nothing_yet(first, last, LEAST)
    parts, open_ones = [], []
    for strip in compared:
        assert strip.word is not None
        name = say_answer.aspect_word(strip.aspect, strip.measure)
        said = SAID[strip.word.word]
        if said is Said.CANT_TELL:
            open_ones.append(name)
            continue
        by = say_answer.difference(strip.measure, strip.word.decision.difference, strip.word.first)
        parts.append((name, said.value, "" if said is Said.AS_USUAL else by))
    return say.headline(parts, open_ones)


def _shown(strip: LessonStrip) -> ShownLessonStrip:
    own = _middle([dot.value for dot in strip.first])

    def written(value: float) -> str:
        return say_answer.rounded(strip.measure, value, own)

    value, said = "", ""
    if strip.word is not None:
        said = SAID[strip.word.word].value
        value = f"first {written(strip.word.first)}, last {written(strip.word.last)}"
    name = say_answer.aspect_word(strip.aspect, strip.measure).capitalize()
    return ShownLessonStrip(
        name=name, said=said, value=value, svg=Markup(_svg(strip, name, said, written))
    )


def _middle(values: Sequence[float]) -> float | None:
    return sum(values) / len(values) if values else None


def _svg(strip: LessonStrip, name: str, said: str, written: Callable[[float], str]) -> str:
    values = [dot.value for dot in (*strip.first, *strip.last)]
    if not values:
        return ""
    low, high = min(values), max(values)
    centre = 0.5 * (low + high)
    half = max(0.5 * (high - low) * 1.12, 0.5 * LEAST_SHARE * abs(centre))

    def place(value: float) -> float:
        return LEFT + (98.0 - LEFT) * (value - centre + half) / (2.0 * half)

    parts, spoken = [], [f"{name}:"]
    if said:
        spoken.append(f"{said}.")
    middles = (None, None) if strip.word is None else (strip.word.first, strip.word.last)
    for (label, y), dots, middle in zip(ROWS, (strip.first, strip.last), middles, strict=True):
        parts.append(
            f'<line class="axis-line" x1="{LEFT}%" x2="100%" y1="{y}" y2="{y}"/>'
            f'<text x="0" y="{y + 4}">{label}</text>'
        )
        if middle is not None:
            x = place(middle)
            up = f'y1="{y - 12}" y2="{y + 12}"'
            parts.append(f'<line class="own-middle" x1="{x:.2f}%" x2="{x:.2f}%" {up}/>')
        parts += [_dot(dot, k, place(dot.value), y, written) for k, dot in enumerate(dots)]
        if dots:
            ends = sorted(dot.value for dot in dots)
            spoken.append(f"{label} {len(dots)}, {written(ends[0])} to {written(ends[-1])}.")
    parts.append(scale_svg(sorted({low, high}), place, written, TEXT_Y))
    text = escape(" ".join(spoken), quote=True)
    return (
        f'<svg class="strip" width="100%" height="{HEIGHT_PX}" role="img" aria-label="{text}" '
        f'xmlns="http://www.w3.org/2000/svg">{"".join(parts)}</svg>'
    )


def _dot(dot: LessonDot, k: int, x: float, row: float, written: Callable[[float], str]) -> str:
    y = row + STAGGER[k % len(STAGGER)]
    kind = "shot" if dot.shot else "practice swing"
    title = f"<title>Swing {dot.number}, {kind}: {escape(written(dot.value))}</title>"
    if not dot.shot:
        return f'<g>{title}<circle class="rehearsal" cx="{x:.2f}%" cy="{y}" r="5"/></g>'
    return (
        f'<g>{title}<svg x="{x:.2f}%" y="{y}" overflow="visible">'
        '<polygon class="strike" points="0,-6.5 6.5,0 0,6.5 -6.5,0"/></svg></g>'
    )
