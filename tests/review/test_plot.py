"""Plots: what is in the figure, and files that are whole and valid."""

from __future__ import annotations

import dataclasses
import xml.etree.ElementTree as ET
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from matplotlib.figure import Figure
from matplotlib.image import imread

from analysis.swing.results import Note, Swing
from review.plot import Trace, check_plot_file, plot_session, plot_swing, save_plot
from sensor.errors import SensorError


def make(index: int, at_s: float, **values: Any) -> Swing:
    fixed: dict[str, Any] = {
        item.name: 0.5 for item in dataclasses.fields(Swing) if item.name.endswith("_u")
    }
    fixed.update(
        index=index,
        player="Ida",
        club="7 iron",
        takeaway_s=at_s,
        takeaway_s_u=0.001,
        top_s=at_s + 0.8,
        top_s_u=0.01,
        impact_s=at_s + 1.1,
        impact_s_u=0.001,
        finish_s=at_s + 1.6,
        finish_s_u=0.01,
        strike=True,
        impact_basis="shock",
        backswing_ms=800.0,
        downswing_ms=300.0,
        swing_ms=1100.0,
        tempo_ratio=2.67,
        turn_deg=140.0,
        peak_rate_dps=1000.0,
        peak_transverse_dps=950.0,
        peak_to_impact_ms=30.0,
        top_dwell_ms=40.0,
        gap_ms=0.0,
        clipped=(),
    )
    return Swing(**{**fixed, **values})


@pytest.fixture
def trace() -> Trace:
    time_s = np.arange(9.6, 12.0, 0.005)
    phase = np.clip((time_s - 10.0) / 1.6, 0.0, 1.0)
    turn = 140.0 * np.sin(np.pi * phase) ** 2
    turn[100:104] = np.nan
    return Trace(time_s=time_s, turn_deg=turn, rate_dps=np.abs(np.gradient(turn, time_s)))


def words(figure: Figure) -> str:
    from matplotlib.text import Text

    found = [text.get_text() for text in figure.findobj(Text) if isinstance(text, Text)]
    return "\n".join(found)


def test_a_swing_has_its_events_by_name_and_line_style(trace: Trace) -> None:
    figure = plot_swing(trace, make(1, 10.0), mount="wrist", title="evening #1")
    for word in ("takeaway", "top", "impact", "finish", "forearm turn", "(deg)", "(deg/s)", "(ms)"):
        assert word in words(figure)
    for axis in figure.axes:
        upright = [line for line in axis.lines if np.ptp(np.asarray(line.get_xdata())) == 0.0]
        styles = [line.get_linestyle() for line in upright]
        assert {":", "--", "-", "-."} <= set(styles)


@pytest.mark.parametrize("event", ["takeaway", "top", "impact", "finish"])
def test_an_unknown_event_is_left_out(trace: Trace, event: str, tmp_path: Path) -> None:
    absent: dict[str, Any] = {f"{event}_s": None, f"{event}_s_u": None}
    for event_ms in {
        "takeaway": ("backswing_ms", "swing_ms", "tempo_ratio", "turn_deg"),
        "top": ("backswing_ms", "downswing_ms", "tempo_ratio", "top_dwell_ms"),
        "impact": ("downswing_ms", "swing_ms", "tempo_ratio", "peak_to_impact_ms"),
        "finish": (),
    }[event]:
        absent[event_ms] = absent[f"{event_ms}_u"] = None
    figure = plot_swing(trace, make(1, 10.0, **absent), mount=None, title="x")
    assert event not in [text.get_text() for text in figure.axes[0].texts]
    save_plot(figure, tmp_path / "a.png")


def test_a_session_has_every_swing_and_its_kind() -> None:
    swings = [
        make(1, 10.0),
        make(2, 40.0, strike=False, player="Runa"),
        make(3, 70.0, strike=None, swing_ms=None, swing_ms_u=None),
        make(4, 90.0, notes=(Note("rate_lower_bound", "clipped"),)),
    ]
    figure = plot_session(swings, mount="club", duration_s=120.0, title="evening")
    text = words(figure)
    for word in ("4 swings", "club turn", "Runa, 7 iron", "rehearsal", "unclear", "at least"):
        assert word in text


def test_holes_are_told_and_turn_is_not_since_an_unknown_takeaway(trace: Trace) -> None:
    holed = dataclasses.replace(
        trace, rate_dps=np.where(np.isnan(trace.turn_deg), np.nan, trace.rate_dps)
    )
    text = words(plot_swing(holed, make(1, 10.0), mount="wrist", title="x"))
    assert "samples\nmissing" in text
    assert "since takeaway" in text
    swing = make(1, 10.0, takeaway_s=None, takeaway_s_u=None, backswing_ms=None, swing_ms=None)
    swing = dataclasses.replace(swing, tempo_ratio=None)
    assert "since takeaway" not in words(plot_swing(holed, swing, mount="wrist", title="x"))


def test_files_are_valid(trace: Trace, tmp_path: Path) -> None:
    # A dollar sign is no formula, and letters that the font lacks are no warning.
    swing = make(1, 10.0, player="I$da$ 井田")
    for name, figure in (
        ("swing", plot_swing(trace, swing, mount="wrist", title="$x_1$")),
        ("session", plot_session([swing], mount="wrist", duration_s=20.0, title="$x_1$")),
        ("nothing", plot_session([], mount=None, duration_s=0.0, title="empty")),
    ):
        save_plot(figure, tmp_path / f"{name}.png")
        save_plot(figure, tmp_path / f"{name}.svg")
        assert imread(tmp_path / f"{name}.png").std() > 0.0
        assert ET.parse(tmp_path / f"{name}.svg").getroot().tag.endswith("svg")
    assert len(list(tmp_path.iterdir())) == 6


def test_the_same_swing_gives_the_same_file(trace: Trace, tmp_path: Path) -> None:
    for kind in ("png", "svg"):
        for name in ("a", "b"):
            figure = plot_swing(trace, make(1, 10.0), mount="wrist", title="x")
            save_plot(figure, tmp_path / f"{name}.{kind}")
        assert (tmp_path / f"a.{kind}").read_bytes() == (tmp_path / f"b.{kind}").read_bytes()


def test_refused_files(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match=r"\.png or \.svg"):
        check_plot_file(tmp_path / "a.pdf")
    with pytest.raises(SensorError):
        check_plot_file(tmp_path / "none" / "a.png")
    there = tmp_path / "a.png"
    there.write_text("mine")
    with pytest.raises(SensorError, match="--overwrite"):
        check_plot_file(there)
    check_plot_file(there, overwrite=True)
    assert there.read_text() == "mine"


def test_a_file_that_fails_leaves_what_was_there(trace: Trace, tmp_path: Path) -> None:
    there = tmp_path / "a.png"
    there.write_text("mine")
    figure = plot_swing(trace, make(1, 10.0), mount="wrist", title="x")

    def fail(*_args: object, **_options: object) -> None:
        raise OSError(28, "No space left on device")

    figure.savefig = fail  # type: ignore[method-assign]
    with pytest.raises(SensorError, match="disk is full"):
        save_plot(figure, there, overwrite=True)
    assert [p.name for p in tmp_path.iterdir()] == ["a.png"]
    assert there.read_text() == "mine"
