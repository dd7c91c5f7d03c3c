"""Plots of two sides: turn and rotation laid over each other, and differences against means.

Practice swings and shots have the colours that they have everywhere; sides are told apart by line
style or marker too, which alone is enough, and is all there is between two sides of one kind.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from analysis.evidence.summary import kind_of
from analysis.swing.results import Swing
from review.plot import FAINT, INK, RATE_INK, TURN_INK, TURN_NAMES, Trace, new_figure, put_title

Array = npt.NDArray[np.float64]


_LINES: Final = ("-", (0, (5, 2.2)))
# Colours that stay apart in the common kinds of colour blindness: a dark blue-green and a brown
# orange, of different lightness too.
_COLORS: Final = {"rehearsal": TURN_INK, "strike": RATE_INK}
_MARKS: Final = (("takeaway", "o"), ("top", "^"), ("impact", "D"))

# Where less than this share of a set's swings has a value, its mean curve is not drawn.
_LEAST_SHARE: Final = 0.5
_STEP_MS: Final = 2.0
# Two longer ones don't fit side by side.
_LONGEST_LABEL: Final = 22
_BEFORE_MS: Final = 150.0
_AFTER_MS: Final = 150.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Overlay:
    """One side of a plot.

    Attributes
    ----------
    label : str
        What the legend says.
    traces : tuple of (Trace, Swing)
        One, or a set.
    """

    label: str
    traces: tuple[tuple[Trace, Swing], ...]


def _styles(sides: Sequence[Overlay]) -> list[dict[str, Any]]:
    """Line and colour of each side: solid and dashed, in the colour of its kind of swing."""
    out = []
    for side, line in zip(sides, _LINES, strict=True):
        kinds = {kind_of(swing) for _, swing in side.traces}
        # Of several kinds, or of none that is known: neither colour.
        color = _COLORS.get(kinds.pop(), INK) if len(kinds) == 1 else INK
        out.append({"color": color, "linestyle": line})
    return out


def plot_overlay(a: Overlay, b: Overlay, *, mount: str | None, align: str, title: str) -> Figure:
    """Draw turn and rotation of both sides over each other.

    A set is drawn as thin lines with its mean on top. For the mean the events of its swings are
    brought together first: a plain mean over time of swings that differ in time has no least turn
    and no peak like any of them.

    Parameters
    ----------
    a, b : Overlay
        Every swing with the event `align`.
    mount : str or None
        Says what turns.
    align : {"takeaway", "top", "impact"}
        The event that is at time 0 of every curve.
    title : str

    Returns
    -------
    Figure

    Raises
    ------
    ValueError
        A side has no swing, or a swing has not the event.

    References
    ----------
    Ramsay, J. O. & Silverman, B. W. (2005). Functional data analysis, 2nd ed., section 7.3
    (landmark registration; from memory).
    """
    for side in (a, b):
        if not side.traces:
            raise ValueError(f"{side.label}: there is no swing to draw")
        if any(getattr(swing, f"{align}_s") is None for _, swing in side.traces):
            raise ValueError(f"{side.label}: a swing has no {align} to align by")
    figure, axes = new_figure(2, height_in=6.6)
    upper, lower = axes
    styles = _styles((a, b))
    for side, style in zip((a, b), styles, strict=True):
        _curves(upper, side, style, align, "turn_deg")
        _curves(lower, side, style, align, "rate_dps")
    left, right = _reach((a, b), align)
    upper.set_xlim(left, right)
    for axis in axes:
        axis.axvline(0.0, color=FAINT, linewidth=0.9, zorder=0)
        axis.set_ylim(0.0, 1.12 * _highest(axis, left, right))
    upper.set_ylabel(f"{TURN_NAMES[mount]} since takeaway (deg)")
    lower.set_ylabel("rotation (deg/s)")
    lower.set_xlabel(f"time from {align} (ms)")
    sides = [
        Line2D([], [], linewidth=2.4, label=_legend_word(side), **style)
        for side, style in zip((a, b), styles, strict=True)
    ]
    marks = [
        Line2D([], [], color=INK, linestyle="none", marker=marker, markersize=6, label=event)
        for event, marker in _MARKS
    ]
    # Two rows, filled column by column: the sides, and below them the events.
    blank = Line2D([], [], linestyle="none", label=" ")
    legend = figure.legend(
        handles=[sides[0], marks[0], sides[1], marks[1], blank, marks[2]],
        loc="outside lower center",
        ncols=3,
        frameon=False,
        handlelength=2.8,
    )
    for text in legend.get_texts():
        text.set_parse_math(False)
    many = any(len(side.traces) > 1 for side in (a, b))
    under = f"both at their {align} at time 0"
    if many:
        under += "; thick: mean of each set, events brought together"
    put_title(figure, title, under)
    return figure


def _legend_word(side: Overlay) -> str:
    n, label = len(side.traces), side.label
    if len(label) > _LONGEST_LABEL:
        label = f"{label[: _LONGEST_LABEL - 1]}…"
    return label if n == 1 else f"{label} (mean of {n})"


def _shifted_ms(trace: Trace, swing: Swing, align: str) -> Array:
    shifted: Array = 1e3 * (trace.time_s - getattr(swing, f"{align}_s"))
    return shifted


def _curves(axis: Axes, side: Overlay, style: dict[str, Any], align: str, what: str) -> None:
    many = len(side.traces) > 1
    times = [_shifted_ms(trace, swing, align) for trace, swing in side.traces]
    curves = [getattr(trace, what) for trace, _ in side.traces]
    if not many:
        grid, mean = times[0], curves[0]
    else:
        for time_ms, curve in zip(times, curves, strict=True):
            axis.plot(time_ms, curve, linewidth=0.7, alpha=0.35, **style)
        grid, mean = _mean_curve(_registered(times, side, align), curves)
    axis.plot(grid, mean, linewidth=2.4, **style)
    for event, marker in _MARKS:
        places = [
            1e3 * (getattr(swing, f"{event}_s") - getattr(swing, f"{align}_s"))
            for _, swing in side.traces
            if getattr(swing, f"{event}_s") is not None
        ]
        if not places or not len(grid):
            continue
        at = float(np.mean(places))
        value = float(np.interp(at, grid, mean))
        if np.isfinite(value):
            axis.plot(
                [at],
                [value],
                marker,
                color=style["color"],
                markeredgecolor="white",
                markersize=8,
                zorder=4,
                clip_on=False,
            )


def _registered(times: Sequence[Array], side: Overlay, align: str) -> list[Array]:
    """Stretch each swing's time between its events, so that they lie at their means of the set."""
    swings = [swing for _, swing in side.traces]
    events = [
        [1e3 * (getattr(swing, f"{name}_s") - getattr(swing, f"{align}_s")) for swing in swings]
        for name in ("takeaway", "top", "impact", "finish")
        if all(getattr(swing, f"{name}_s") is not None for swing in swings)
    ]
    own = np.array(events).T
    mean = own.mean(axis=0)
    out = []
    for time_ms, at in zip(times, own, strict=True):
        inside = np.interp(time_ms, at, mean)
        # Before the first event and after the last one time isn't stretched.
        before, after = time_ms < at[0], time_ms > at[-1]
        inside[before] = time_ms[before] - at[0] + mean[0]
        inside[after] = time_ms[after] - at[-1] + mean[-1]
        out.append(inside)
    return out


def _mean_curve(times: Sequence[Array], curves: Sequence[Array]) -> tuple[Array, Array]:
    """Mean of curves on a common grid, where enough of them have a value."""
    ends = [(t[0], t[-1]) for t in times if len(t)]
    if not ends:
        return np.zeros(0), np.zeros(0)
    grid = np.arange(min(e[0] for e in ends), max(e[1] for e in ends), _STEP_MS)
    rows = np.array(
        [
            np.interp(grid, t, c, left=np.nan, right=np.nan)
            for t, c in zip(times, curves, strict=True)
            if len(t)
        ]
    )
    there = np.isfinite(rows)
    n = there.sum(axis=0)
    total = np.where(there, rows, 0.0).sum(axis=0)
    return grid, np.where(n >= _LEAST_SHARE * len(times), total / np.maximum(n, 1), np.nan)


def _reach(sides: Sequence[Overlay], align: str) -> tuple[float, float]:
    """First and last ms to show: a little before the takeaways and after the finishes."""
    first, last = [], []
    for side in sides:
        for trace, swing in side.traces:
            zero = getattr(swing, f"{align}_s")
            if not len(trace.time_s):
                continue
            events = [
                at
                for at in (swing.takeaway_s, swing.top_s, swing.impact_s, swing.finish_s)
                if at is not None
            ]
            early = trace.time_s[0] if swing.takeaway_s is None else events[0]
            late = trace.time_s[-1] if swing.finish_s is None else events[-1]
            first.append(1e3 * (early - zero))
            last.append(1e3 * (late - zero))
    if not first:
        return -_BEFORE_MS, _AFTER_MS
    return min(first) - _BEFORE_MS, max(last) + _AFTER_MS


def _highest(axis: Axes, left: float, right: float) -> float:
    """Highest value of any curve within what is shown."""
    top = 1.0
    for line in axis.lines:
        x = np.asarray(line.get_xdata(), dtype=np.float64)
        y = np.asarray(line.get_ydata(), dtype=np.float64)
        if line.get_transform() != axis.transData:
            continue
        inside = y[(x >= left) & (x <= right) & np.isfinite(y)]
        if len(inside):
            top = max(top, float(inside.max()))
    return top


# -- agreement -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """One quantity measured in two ways, for a plot.

    Attributes
    ----------
    label : str
        Name and unit.
    mean, difference : (n,) array
        Mean of both ways, and tool minus label.
    mean_label : str or None
        What the lower axis is, if not the mean of tool and label.
    decimals : int
        Of the numbers that are written beside the lines.
    bias, low, high : float or None
        Mean difference and 95 % limits of agreement; None where there are too few. The bias is None
        too where the clock was fitted on the event, which makes it zero.
    bias_ends, low_ends, high_ends : tuple of float or None
        Their 95 % intervals.
    """

    label: str
    mean: Array
    difference: Array
    bias: float | None
    low: float | None
    high: float | None
    bias_ends: tuple[float, float] | None
    low_ends: tuple[float, float] | None
    high_ends: tuple[float, float] | None
    mean_label: str | None = None
    decimals: int = 1


def plot_agreement(limits: Sequence[Limits], *, title: str, under: str) -> Figure:
    """Draw difference against mean, one panel a quantity, with bias and limits of agreement.

    Parameters
    ----------
    limits : sequence of Limits
        At least one.
    title, under : str
        Two lines above.

    Returns
    -------
    Figure

    References
    ----------
    Bland, J. M. & Altman, D. G. (1986). Statistical methods for assessing agreement between two
    methods of clinical measurement. Lancet 327(8476), 307-310.
    """
    columns = 1 if len(limits) == 1 else 2
    rows = -(-len(limits) // columns)
    figure, first = new_figure(1, height_in=1.0 + 2.7 * rows)
    # The house's figure with a grid of panels of its own.
    first[0].remove()
    for k, one in enumerate(limits):
        axis = figure.add_subplot(rows, columns, k + 1)
        axis.set_facecolor("white")
        axis.spines[["top", "right"]].set_visible(False)
        axis.tick_params(colors=INK, labelsize=9)
        axis.axhline(0.0, color=FAINT, linewidth=0.9)
        for value, ends, style, word in (
            (one.high, one.high_ends, "--", "limit"),
            (one.bias, one.bias_ends, "-", "bias"),
            (one.low, one.low_ends, "--", "limit"),
        ):
            if value is None:
                continue
            axis.axhline(value, color=RATE_INK if word == "limit" else TURN_INK, linestyle=style)
            if ends is not None:
                axis.axhspan(
                    *ends, color=RATE_INK if word == "limit" else TURN_INK, alpha=0.12, lw=0
                )
            axis.annotate(
                f"{word} {value:+.{one.decimals}f}",
                (1.0, value),
                xycoords=("axes fraction", "data"),
                xytext=(4, 0),
                textcoords="offset points",
                ha="left",
                va="center",
                fontsize=8,
                color=INK,
            )
        axis.plot(one.mean, one.difference, "o", color=INK, markersize=4, alpha=0.75)
        axis.margins(x=0.08, y=0.22)
        axis.set_title(one.label, fontsize=10, color=INK)
        axis.set_ylabel("tool - label", fontsize=9, color=INK)
        axis.set_xlabel(one.mean_label or "mean of tool and label", fontsize=9, color=INK)
    put_title(figure, title, under)
    return figure
