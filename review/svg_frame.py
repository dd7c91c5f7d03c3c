"""The frame of a chart: its axes, their ticks and titles."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from html import escape
from typing import Final

# A drawing shrinks with its screen and its letters must not: page.css writes them the larger the
# narrower the drawing is, so that they are never under 12 px. Room is kept for the largest.
EM: Final = 30.0
"""Letters on the narrowest phone, in the drawing's own px."""

LETTER: Final = 0.64
"""Width of a letter, in em; a digit of the widest fonts in use (from memory)."""

HEIGHT: Final = 400.0

ROOM: Final = 82.0
"""Of a chart's height is for letters above and below, as it was asked for; more is added."""

LINE: Final = 1.25
"""Height of a line of letters, in em."""

WIDTH: Final = 760.0

RIGHT: Final = 24.0

SOME_EM: Final = 20.0
"""Letters up to which every number of the axes is shown; with larger ones the spare aren't."""


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
