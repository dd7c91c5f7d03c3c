"""Plots of a swing and of a session, as PNG or SVG files.

Colour never carries a meaning alone: events differ by line style and kinds of swing by marker.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import matplotlib as mpl
import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.layout_engine import ConstrainedLayoutEngine
from matplotlib.patheffects import withStroke
from matplotlib.ticker import FuncFormatter, MaxNLocator
from matplotlib.transforms import offset_copy

from analysis.evidence.summary import KINDS, Kind, kind_of
from analysis.swing.results import Swing, is_bound
from sensor.recording.output import check_new_file, whole_file

Array = npt.NDArray[np.float64]


FORMATS: Final = ("png", "svg")

TURN_NAMES: Final[dict[str | None, str]] = {
    "wrist": "forearm turn",
    "glove": "hand turn",
    "club": "club turn",
    "trunk": "trunk turn",
    None: "turn",
}
"""What turns, by mount."""

INK: Final = "#22303c"
"""Of words, axes and events."""
FAINT: Final = "#8a949c"
TURN_INK: Final = "#1b5e6b"
RATE_INK: Final = "#a4501f"
_PAPER: Final = "#fbfaf7"
_BACK: Final = "#e4ecea"
_DOWN: Final = "#f4e6d8"

# Line style of each event, and of no other line.
_EVENTS: Final = (("takeaway", ":"), ("top", "--"), ("impact", "-"), ("finish", "-."))

_KIND_STYLE: Final[dict[Kind, dict[str, Any]]] = {
    "rehearsal": {
        "marker": "o",
        "markerfacecolor": "white",
        "color": TURN_INK,
        "label": "rehearsal",
    },
    "strike": {"marker": "D", "markerfacecolor": RATE_INK, "color": RATE_INK, "label": "strike"},
    "unclear": {"marker": "x", "color": INK, "label": "unclear"},
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Trace:
    """Curves of one swing.

    Attributes
    ----------
    time_s : (n,) array
        Since the recording's first sample.
    turn_deg : (n,) array
        Since takeaway, or where that is not known since the first sample here; NaN where samples
        are missing.
    rate_dps : (n,) array
        Size of the angular velocity; NaN where samples are missing.
    """

    time_s: Array
    turn_deg: Array
    rate_dps: Array


def check_plot_file(path: Path, *, overwrite: bool = False) -> None:
    """Refuse a file that a plot cannot be saved to, before any work is done.

    Raises
    ------
    ValueError
        The name does not end in .png or .svg.
    SensorError
        The file is there already, or its folder is not.
    """
    if path.suffix.lower().lstrip(".") not in FORMATS:
        raise ValueError(f"'{path}' must end in .png or .svg")
    check_new_file(path, overwrite=overwrite)


def save_plot(figure: Figure, path: Path, *, overwrite: bool = False) -> None:
    """Save a figure as PNG or SVG, by its name, whole or not at all.

    Raises
    ------
    ValueError, SensorError
        As `check_plot_file`; or the disk refuses.
    """
    check_plot_file(path, overwrite=overwrite)
    kind = path.suffix.lower().lstrip(".")
    # The same swing gives the same file, and no file says when it was made.
    metadata = {"Date": None} if kind == "svg" else {"Software": None}
    with (
        whole_file(path, overwrite=overwrite) as file,
        mpl.rc_context({"svg.hashsalt": "unhurried"}),
        warnings.catch_warnings(),
    ):
        # A name in letters that the font lacks is drawn as boxes; that is no reason to complain.
        warnings.filterwarnings("ignore", message="Glyph .* missing")
        figure.savefig(file, format=kind, metadata=metadata)


def plot_swing(trace: Trace, swing: Swing, *, mount: str | None, title: str) -> Figure:
    """Draw turn and rate of one swing against time, with its events.

    Parameters
    ----------
    trace : Trace
    swing : Swing
    mount : str or None
        Says what turns.
    title : str

    Returns
    -------
    Figure
    """
    figure, axes = new_figure(2, height_in=6.4)
    draw_swing(axes, trace, swing, mount=mount)
    put_title(figure, title, _swing_words(swing))
    return figure


def draw_swing(axes: list[Axes], trace: Trace, swing: Swing, *, mount: str | None) -> None:
    """Draw one swing into two panels, one above the other: turn and rate against time."""
    upper, lower = axes
    known = {name: getattr(swing, f"{name}_s") for name, _ in _EVENTS}
    start = next(((name, at) for name, at in known.items() if at is not None), None)
    zero_name, zero_s = start if start is not None else ("the recording's start", 0.0)
    time_ms = 1e3 * (trace.time_s - zero_s)
    upper.plot(time_ms, trace.turn_deg, color=TURN_INK, linewidth=2.2)
    lower.plot(time_ms, trace.rate_dps, color=RATE_INK, linewidth=2.2)
    name = TURN_NAMES[mount]
    since = "since takeaway" if swing.takeaway_s is not None else "since the left edge"
    upper.set_ylabel(f"{name} {since} (deg)")
    lower.set_ylabel("rate (deg/s)")
    lower.set_xlabel(f"time since {zero_name} (ms)")
    for axis, curve in ((upper, trace.turn_deg), (lower, trace.rate_dps)):
        top = float(np.nanmax(curve)) if np.isfinite(curve).any() else 1.0
        axis.set_ylim(0.0, 1.28 * max(top, 1.0))
    if len(time_ms):
        upper.set_xlim(float(time_ms[0]), float(time_ms[-1]))
    at_ms = {key: 1e3 * (at - zero_s) for key, at in known.items() if at is not None}
    _shade(axes, at_ms, "takeaway", "top", _BACK)
    _shade(axes, at_ms, "top", "impact", _DOWN)
    _holes(axes, time_ms, np.isnan(trace.rate_dps))
    labels: list[tuple[float, str]] = []
    for event, style in _EVENTS:
        if event in at_ms:
            u_ms = 1e3 * (getattr(swing, f"{event}_s_u") or 0.0)
            for axis in axes:
                axis.axvline(at_ms[event], color=INK, linestyle=style, linewidth=1.3)
                if u_ms > 3.0:  # narrower is hidden by the line
                    axis.axvspan(
                        at_ms[event] - u_ms, at_ms[event] + u_ms, color=INK, alpha=0.08, lw=0
                    )
            labels.append((at_ms[event], event))
    # Where two names would touch, every other one goes a line up.
    close = 0.075 * float(np.ptp(upper.get_xlim()))
    raised = False
    for k, (place, event) in enumerate(labels):
        raised = k > 0 and place - labels[k - 1][0] < close and not raised
        upper.text(
            place,
            1.09 if raised else 1.02,
            event,
            transform=upper.get_xaxis_transform(),
            ha="center",
            va="bottom",
            color=INK,
        )
    _span_words(upper, at_ms, "takeaway", "top", "backswing", swing.backswing_ms)
    _span_words(upper, at_ms, "top", "impact", "down", swing.downswing_ms)
    if swing.turn_deg is not None and "top" in at_ms:
        _point(upper, at_ms["top"], swing.turn_deg, f"{swing.turn_deg:.0f} deg", TURN_INK)
    if swing.peak_rate_dps is not None and swing.peak_to_impact_ms is not None:
        bound = is_bound(swing)
        text = f"{'at least ' if bound else ''}{swing.peak_rate_dps:.0f} deg/s"
        place = at_ms["impact"] - swing.peak_to_impact_ms
        # Left of the top: between the lines of top, impact and finish there is no room.
        _point(lower, place, swing.peak_rate_dps, text, RATE_INK, left_of=at_ms.get("top"))


def plot_session(
    swings: Sequence[Swing], *, mount: str | None, duration_s: float, title: str
) -> Figure:
    """Draw every swing of a recording in its place in time: turn, swing time and peak rate.

    Bars are one standard uncertainty, where they are larger than the marker.

    Parameters
    ----------
    swings : sequence of Swing
    mount : str or None
    duration_s : float
        Of the recording.
    title : str

    Returns
    -------
    Figure
    """
    figure, axes = new_figure(3, height_in=7.4)
    draw_session(figure, axes, swings, mount=mount, duration_s=duration_s)
    number = {0: "no swings", 1: "1 swing"}.get(len(swings), f"{len(swings)} swings")
    put_title(figure, title, f"{number}, each in its place in time")
    return figure


def draw_session(
    figure: Figure,
    axes: list[Axes],
    swings: Sequence[Swing],
    *,
    mount: str | None,
    duration_s: float,
) -> None:
    """Draw every swing into three panels, one above the other."""
    panels = (
        ("turn_deg", f"{TURN_NAMES[mount]} (deg)", 1.0),
        ("swing_ms", "swing time (s)", 1e-3),
        ("peak_rate_dps", "peak rate (deg/s)", 1.0),
    )
    for axis, (name, label, factor) in zip(axes, panels, strict=True):
        _scatter(figure, axis, swings, name, factor)
        axis.set_ylabel(label)
    times = [at for at in map(_place_s, swings) if at is not None]
    margin = 0.04 * max([duration_s, 1.0])
    axes[0].set_xlim(-margin, max([duration_s, 1.0, *times]) + margin)
    axes[-1].set_xlabel("time in the recording (minutes:seconds)")
    axes[-1].xaxis.set_major_locator(MaxNLocator(8, steps=[1, 1.5, 3, 6, 10]))
    axes[-1].xaxis.set_major_formatter(FuncFormatter(lambda x, _: _clock(x)))
    _runs(axes, swings)
    handles, names = _legend(axes, swings)
    if handles:
        axes[-1].legend(
            handles,
            names,
            loc="upper center",
            bbox_to_anchor=(0.5, -0.30),
            ncols=len(handles),
            frameon=False,
        )


def new_figure(n_panels: int, *, height_in: float) -> tuple[Figure, list[Axes]]:
    """Make a figure with panels one above the other, in this program's looks."""
    layout = ConstrainedLayoutEngine(h_pad=0.08, w_pad=0.10)
    figure = Figure(figsize=(8.6, height_in), dpi=150, facecolor=_PAPER, layout=layout)
    FigureCanvasAgg(figure)
    grid = figure.subplots(n_panels, 1, sharex=True, squeeze=False)
    axes = [grid[row, 0] for row in range(n_panels)]
    _dress(axes)
    return figure, axes


PANEL_GAP: Final = 0.08
"""Between panels, as a share of the place that they divide."""


def panels_in(place: Axes, n_panels: int) -> list[Axes]:
    """Divide the place of one axes into panels, one above the other, in this program's looks."""
    place.set_axis_off()
    height = (1.0 - PANEL_GAP * (n_panels - 1)) / n_panels
    axes: list[Axes] = []
    for row in range(n_panels):
        bottom = 1.0 - height - row * (height + PANEL_GAP)
        axes.append(place.inset_axes((0.0, bottom, 1.0, height)))
        if row:
            axes[row].sharex(axes[0])
    for axis in axes[:-1]:
        axis.tick_params(labelbottom=False)
    _dress(axes)
    return axes


def _dress(axes: list[Axes]) -> None:
    for axis in axes:
        axis.set_facecolor("white")
        axis.spines[["top", "right"]].set_visible(False)
        axis.spines[["left", "bottom"]].set_color(FAINT)
        axis.tick_params(colors=INK, labelsize=10)
        axis.grid(axis="y", color="#e6e6e2", linewidth=0.8)
        axis.set_axisbelow(True)
        axis.xaxis.label.set_color(INK)
        axis.yaxis.label.set_color(INK)


def put_title(figure: Figure, title: str, under: str) -> None:
    """Write a title with a line under it."""
    # Names are shown as they are, also with a dollar sign in them.
    figure.suptitle(f"{title}\n{under}", fontsize=12, color=INK, parse_math=False)


def _swing_words(swing: Swing) -> str:
    words = [swing.player, swing.club, kind_of(swing)]
    if swing.tempo_ratio is not None:
        words.append(f"swing time {swing.swing_ms:.0f} ms, ratio {swing.tempo_ratio:.1f}")
    return ", ".join(word for word in words if word)


def _shade(axes: list[Axes], at_ms: dict[str, float], first: str, last: str, color: str) -> None:
    if first in at_ms and last in at_ms:
        for axis in axes:
            axis.axvspan(at_ms[first], at_ms[last], color=color, lw=0, zorder=0)


def _holes(axes: list[Axes], time_ms: Array, missing: npt.NDArray[np.bool_]) -> None:
    """Hatch where samples are missing, from the last one before to the first one after."""
    edges = np.flatnonzero(np.diff(missing.astype(np.int8), prepend=0, append=0))
    labelled = -np.inf
    for first, end in zip(edges[::2], edges[1::2], strict=True):
        start_ms = float(time_ms[max(first - 1, 0)])
        end_ms = float(time_ms[min(end, len(time_ms) - 1)])
        for axis in axes:
            axis.axvspan(start_ms, end_ms, facecolor="#f1f1ee", edgecolor=FAINT, hatch="////", lw=0)
        middle = (start_ms + end_ms) / 2.0
        # Words of neighbouring holes would run into each other: one is enough.
        if middle - labelled > 0.13 * float(np.ptp(axes[1].get_xlim())):
            labelled = middle
            axes[1].text(
                middle,
                0.97,
                "samples\nmissing",
                transform=axes[1].get_xaxis_transform(),
                ha="center",
                va="top",
                color=INK,
                fontsize=8,
                bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.85, "pad": 1.5},
            )


def _span_words(
    axis: Axes, at_ms: dict[str, float], first: str, last: str, word: str, length_ms: float | None
) -> None:
    if length_ms is None:
        return
    axis.text(
        (at_ms[first] + at_ms[last]) / 2,
        0.97,
        f"{word}\n{length_ms:.0f} ms",
        transform=axis.get_xaxis_transform(),
        ha="center",
        va="top",
        color=INK,
        fontsize=9,
    )


def _point(
    axis: Axes, at: float, value: float, text: str, color: str, *, left_of: float | None = None
) -> None:
    """Draw a point and its value, to its left; with a thin line where that is farther away."""
    words_at = at if left_of is None else min(at, left_of)
    if words_at < at:
        axis.plot([words_at, at], [value, value], color=color, linewidth=0.8)
    axis.plot([at], [value], "o", color=color, markersize=6, markeredgecolor="white")
    axis.annotate(
        text,
        (words_at, value),
        xytext=(-8, 4),
        textcoords="offset points",
        ha="right",
        va="bottom",
        color=color,
        fontsize=10,
        fontweight="bold",
        path_effects=[withStroke(linewidth=3, foreground="white")],
    )


def _place_s(swing: Swing) -> float | None:
    for at in (swing.impact_s, swing.top_s, swing.takeaway_s, swing.finish_s):
        if at is not None:
            return at
    return None


def _of_kind(
    swings: Sequence[Swing], kind: Kind, keep: Callable[[Swing], bool]
) -> Iterator[tuple[float, Swing]]:
    for swing in swings:
        at = _place_s(swing)
        if at is not None and kind_of(swing) == kind and keep(swing):
            yield at, swing


def _scatter(figure: Figure, axis: Axes, swings: Sequence[Swing], name: str, factor: float) -> None:
    for kind in KINDS:
        points = list(_of_kind(swings, kind, lambda swing: getattr(swing, name) is not None))
        if not points:
            continue
        values = [factor * getattr(swing, name) for _, swing in points]
        bars = [factor * (getattr(swing, f"{name}_u") or 0.0) for _, swing in points]
        axis.errorbar(
            [at for at, _ in points],
            values,
            yerr=bars,
            linestyle="none",
            markersize=6,
            elinewidth=1.2,
            **_KIND_STYLE[kind],
        )
        bounds = [
            (at, value)
            for (at, swing), value in zip(points, values, strict=True)
            if is_bound(swing, name)
        ]
        if bounds:
            axis.plot(
                [at for at, _ in bounds],
                [value for _, value in bounds],
                linestyle="none",
                marker=r"$\uparrow$",
                markersize=11,
                color=INK,
                # Beside the swing's own marker, which would hide it.
                transform=offset_copy(axis.transData, figure, x=9.0, units="points"),
                label="at least",
            )
    axis.margins(y=0.22)


def _legend(axes: list[Axes], swings: Sequence[Swing]) -> tuple[list[Any], list[str]]:
    """One entry a kind; kinds are in every panel, or in none where nothing is known."""
    seen: dict[str, Any] = {}
    for axis in axes:
        for handle, label in zip(*axis.get_legend_handles_labels(), strict=True):
            seen.setdefault(label, handle)
    return list(seen.values()), list(seen)


def _runs(axes: list[Axes], swings: Sequence[Swing]) -> None:
    """Name who swung what above the first panel, with a thin line where that changes."""
    runs: list[tuple[tuple[str | None, str | None], list[float]]] = []
    for swing in swings:
        at = _place_s(swing)
        if at is None:
            continue
        who = (swing.player, swing.club)
        if not runs or runs[-1][0] != who:
            runs.append((who, []))
        runs[-1][1].append(at)
    left, right = axes[0].get_xlim()
    end_before: float | None = None
    free = left
    for (player, club), times in runs:
        if end_before is not None:
            for axis in axes:
                axis.axvline((end_before + times[0]) / 2, color=FAINT, linewidth=0.9)
        end_before = times[-1]
        text = ", ".join(word for word in (player, club) if word)
        # About 85 characters fit side by side; names that would overlap are left out.
        width = len(text) * (right - left) / 85.0
        middle = min(max((times[0] + times[-1]) / 2, left + width / 2), right - width / 2)
        if not text or middle - width / 2 < free:
            continue
        free = middle + width / 2 + (right - left) / 85.0
        axes[0].text(
            middle,
            1.02,
            text,
            transform=axes[0].get_xaxis_transform(),
            ha="center",
            va="bottom",
            color=INK,
            fontsize=10,
            parse_math=False,
        )


def _clock(time_s: float) -> str:
    sign = "-" if time_s < 0 else ""
    minutes, seconds = divmod(round(abs(time_s)), 60)
    return f"{sign}{minutes}:{seconds:02d}"
