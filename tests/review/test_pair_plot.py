"""Plots of two sides: what is in them, and how the sides are told apart."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from matplotlib.image import imread
from matplotlib.lines import Line2D
from matplotlib.text import Text

from analysis.swing.results import Swing
from review.pair_plot import Limits, Overlay, plot_agreement, plot_overlay
from review.plot import INK, RATE_INK, TURN_INK, Trace, save_plot


def swing_at(at_s: float, index: int = 1, **values: Any) -> Swing:
    fixed: dict[str, Any] = {item.name: None for item in dataclasses.fields(Swing)}
    fixed.update(index=index, gap_ms=0.0, clipped=(), notes=(), budget={})
    fixed.update(
        takeaway_s=at_s, top_s=at_s + 0.8, impact_s=at_s + 1.1, finish_s=at_s + 1.6, strike=True
    )
    return Swing(**{**fixed, **values})


def trace_at(at_s: float, turn_deg: float = 140.0) -> Trace:
    time_s = at_s - 0.4 + 0.005 * np.arange(480)
    phase = np.clip((time_s - at_s) / 1.6, 0.0, 1.0)
    turn = turn_deg * np.sin(np.pi * phase) ** 2
    return Trace(time_s=time_s, turn_deg=turn, rate_dps=np.abs(np.gradient(turn, time_s)))


def side(label: str, *starts_s: float, turn_deg: float = 140.0) -> Overlay:
    traces = tuple((trace_at(at, turn_deg), swing_at(at)) for at in starts_s)
    return Overlay(label=label, traces=traces)


def words(figure: Figure) -> str:
    found = [text.get_text() for text in figure.findobj(Text) if isinstance(text, Text)]
    return "\n".join(found)


def thick(figure: Figure, panel: int) -> list[Line2D]:
    """The two curves that stand for the sides."""
    return [line for line in figure.axes[panel].lines if line.get_linewidth() == pytest.approx(2.4)]


def of_kind(overlay: Overlay, *, strike: bool | None) -> Overlay:
    traces = tuple((t, dataclasses.replace(swing, strike=strike)) for t, swing in overlay.traces)
    return dataclasses.replace(overlay, traces=traces)


@pytest.mark.parametrize("turned", [False, True])
def test_both_sides_are_told_apart_by_line_and_by_lightness(turned: bool) -> None:
    """Each kind has its colour, whichever side it is on."""
    sides = [
        of_kind(side("A: strike", 10.0), strike=not turned),
        of_kind(side("B: rehearsal", 50.0), strike=turned),
    ]
    figure = plot_overlay(*sides, mount="club", align="top", title="x")
    text = words(figure)
    for word in ("A: strike", "B: rehearsal", "club turn", "(deg)", "time from top (ms)", "impact"):
        assert word in text
    for panel in (0, 1):
        a, b = thick(figure, panel)
        assert a.get_linestyle() == "-"
        assert b.is_dashed()
        shot, practice = (b, a) if turned else (a, b)
        assert (shot.get_color(), practice.get_color()) == (RATE_INK, TURN_INK)
        # Relative luminance (ITU-R BT.709): apart also where colours aren't seen.
        one, other = (
            float(np.dot(to_rgb(line.get_color()), (0.2126, 0.7152, 0.0722))) for line in (a, b)
        )
        assert abs(one - other) > 0.05


@pytest.mark.parametrize(("strike", "ink"), [(True, RATE_INK), (False, TURN_INK), (None, INK)])
def test_two_of_a_kind_have_its_colour_and_differ_by_line(strike: bool | None, ink: str) -> None:
    sides = [of_kind(side(name, at), strike=strike) for name, at in (("A", 10.0), ("B", 50.0))]
    a, b = thick(plot_overlay(*sides, mount="club", align="top", title="x"), 0)
    assert a.get_color() == b.get_color() == ink
    assert not a.is_dashed()
    assert b.is_dashed()


@pytest.mark.parametrize("align", ["takeaway", "top", "impact"])
def test_curves_have_their_event_in_common(align: str) -> None:
    a, b = side("A", 10.0), side("B", 50.0, turn_deg=100.0)
    figure = plot_overlay(a, b, mount="wrist", align=align, title="x")
    one, other = thick(figure, 0)
    # The same motion at two times of day lies on itself, up to its size.
    x, y = (np.asarray(line.get_xdata(), dtype=float) for line in (one, other))
    np.testing.assert_allclose(x, y, atol=1e-6)
    np.testing.assert_allclose(
        np.asarray(one.get_ydata(), dtype=float) / 1.4, np.asarray(other.get_ydata()), atol=1e-6
    )
    shift = {"takeaway": 0.0, "top": 800.0, "impact": 1100.0}[align]
    assert x[np.argmax(one.get_ydata())] == pytest.approx(800.0 - shift, abs=6.0)


def test_a_set_has_its_mean() -> None:
    a = Overlay(
        label="A",
        traces=tuple(
            (trace_at(at, deg), swing_at(at)) for at, deg in ((9.0, 120.0), (30.0, 160.0))
        ),
    )
    figure = plot_overlay(a, side("B", 60.0), mount=None, align="takeaway", title="x")
    mean = thick(figure, 0)[0]
    assert np.nanmax(np.asarray(mean.get_ydata(), dtype=float)) == pytest.approx(140.0, rel=1e-3)
    assert "A (mean of 2)" in words(figure)


def test_the_mean_of_a_set_keeps_its_shape() -> None:
    """Two swings of unlike length: their mean comes back to nothing and has a peak, as both do."""

    def stretched(at_s: float, factor: float) -> tuple[Trace, Swing]:
        trace = trace_at(0.0)
        swing = swing_at(at_s)
        moved = {
            name: at_s + factor * (getattr(swing, name) - at_s)
            for name in ("takeaway_s", "top_s", "impact_s", "finish_s")
        }
        time_s = at_s + factor * trace.time_s
        return dataclasses.replace(trace, time_s=time_s), dataclasses.replace(swing, **moved)

    a = Overlay(label="A", traces=(stretched(5.0, 0.8), stretched(50.0, 1.2)))
    for align in ("takeaway", "top", "impact"):
        figure = plot_overlay(a, side("B", 60.0), mount=None, align=align, title="x")
        one, other = thick(figure, 0)
        x = np.asarray(other.get_xdata(), dtype=float)
        # 0.8 and 1.2 times the same are on average the same.
        mean = np.interp(x, np.asarray(one.get_xdata()), np.asarray(one.get_ydata()))
        inside = (x > x[80]) & (x < x[80] + 1600.0)
        np.testing.assert_allclose(
            mean[inside], np.asarray(other.get_ydata(), dtype=float)[inside], atol=1.0
        )


def test_the_legend_is_inside_the_picture() -> None:
    long = "A: a player of an uncommonly long name"
    figure = plot_overlay(
        side(long, 10.0, 20.0), side(long, 50.0, 60.0), mount="wrist", align="top", title="x"
    )
    figure.canvas.draw()
    (legend,) = figure.legends
    box, whole = legend.get_window_extent(), figure.bbox
    assert whole.x0 <= box.x0 <= box.x1 <= whole.x1
    assert whole.y0 <= box.y0 <= box.y1 <= whole.y1
    below = figure.axes[1].get_tightbbox()
    assert below is not None
    assert box.y1 <= below.y0 + 1.0


def test_holes_in_the_data_stay_holes(tmp_path: Path) -> None:
    trace = trace_at(10.0)
    turn = trace.turn_deg.copy()
    turn[100:120] = np.nan
    holed = Overlay(
        label="A", traces=((dataclasses.replace(trace, turn_deg=turn), swing_at(10.0)),)
    )
    figure = plot_overlay(holed, side("B", 50.0), mount="wrist", align="impact", title="$x$")
    assert np.isnan(np.asarray(thick(figure, 0)[0].get_ydata(), dtype=float)).sum() == 20
    for kind in ("png", "svg"):
        save_plot(figure, tmp_path / f"a.{kind}")
    assert imread(tmp_path / "a.png").std() > 0.0


def test_what_cannot_be_aligned_is_refused() -> None:
    no_top = Overlay(label="A", traces=((trace_at(1.0), swing_at(1.0, top_s=None)),))
    with pytest.raises(ValueError, match="no top"):
        plot_overlay(no_top, side("B", 5.0), mount=None, align="top", title="x")
    with pytest.raises(ValueError, match="no swing"):
        plot_overlay(
            Overlay(label="A", traces=()), side("B", 5.0), mount=None, align="top", title="x"
        )


def limits(label: str, **values: Any) -> Limits:
    rng = np.random.default_rng(1)
    usual: dict[str, Any] = {
        "mean": 800.0 + 10.0 * rng.standard_normal(12),
        "difference": 3.0 * rng.standard_normal(12),
        "bias": 0.4,
        "low": -5.5,
        "high": 6.3,
        "bias_ends": (-1.5, 2.3),
        "low_ends": (-8.8, -2.2),
        "high_ends": (3.0, 9.6),
    }
    return Limits(label=label, **{**usual, **values})


@pytest.mark.parametrize("n", [1, 2, 5])
def test_every_quantity_has_its_panel(n: int, tmp_path: Path) -> None:
    few = dict.fromkeys(("bias", "low", "high", "bias_ends", "low_ends", "high_ends"))
    many = [limits(f"quantity {k} ms") for k in range(n - 1)]
    figure = plot_agreement([*many, limits("few ms", **few)], title="evening", under="below")
    assert len(figure.axes) == n
    text = words(figure)
    assert "few ms" in text
    assert ("bias +0.4" in text) == (n > 1)
    assert ("limit -5.5" in text) == (n > 1)
    styles = {line.get_linestyle() for line in figure.axes[0].lines}
    assert ({"-", "--"} <= styles) == (n > 1)
    save_plot(figure, tmp_path / "a.png")
    assert imread(tmp_path / "a.png").std() > 0.0
