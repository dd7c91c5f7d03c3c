"""Pictures of a session and of a swing, as ``unhurried analyze --plot`` draws them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from matplotlib.figure import Figure

from analysis.errors import InputError
from analysis.swing.results import Swing
from review.plot import draw_session, draw_swing, panels_in, plot_session, plot_swing
from unhurried.app.measuring import Analysis, opened
from unhurried.app.traces import trace_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from unhurried.app.measuring import Source


def session(analysis: Analysis, *, ax: Axes | None = None, title: str | None = None) -> Figure:
    """Draw every swing in its place in time: turn (deg), swing time (s) and peak rate (deg/s).

    Bars are one standard uncertainty (k = 1), where they are larger than the marker.

    Parameters
    ----------
    analysis : Analysis
    ax : matplotlib.axes.Axes, optional
        Whose place is divided into three panels; left out, a figure is made.
    title : str, optional
        Of a figure that is made. Left out: when the recording began.

    Returns
    -------
    matplotlib.figure.Figure

    Raises
    ------
    InputError
        It is no `Analysis`.
    """
    if not isinstance(analysis, Analysis):
        raise InputError(
            f"a session is drawn from what unhurried.analyze(...) gives, "
            f"not {type(analysis).__name__}"
        )
    if ax is None:
        return plot_session(
            analysis.swings,
            mount=analysis.mount,
            duration_s=analysis.duration_s,
            title=analysis.start if title is None else title,
        )
    figure = _figure_of(ax)
    draw_session(
        figure,
        panels_in(ax, 3),
        analysis.swings,
        mount=analysis.mount,
        duration_s=analysis.duration_s,
    )
    return figure


def swing(
    source: Source, swing: Swing, *, ax: Axes | None = None, title: str | None = None
) -> Figure:
    """Draw turn (deg) and rate (deg/s) of one swing against time (ms), with its events.

    Parameters
    ----------
    source : path, Recording or Samples
        What the swing was found in.
    swing : Swing
        One of `Analysis.swings`.
    ax : matplotlib.axes.Axes, optional
        Whose place is divided into two panels; left out, a figure is made.
    title : str, optional
        Of a figure that is made. Left out: the number of the swing.

    Returns
    -------
    matplotlib.figure.Figure

    Raises
    ------
    InputError
        `source` or `swing` is nothing of the kind.
    SensorError
        A file of the recording cannot be read.
    """
    if not isinstance(swing, Swing):
        raise InputError(f"swing must be one of Analysis.swings, not {type(swing).__name__}")
    with opened(source) as recording:
        trace, mount = trace_of(recording, swing), recording.session.mount
    if ax is None:
        name = f"swing {swing.index}" if title is None else title
        return plot_swing(trace, swing, mount=mount, title=name)
    draw_swing(panels_in(ax, 2), trace, swing, mount=mount)
    return _figure_of(ax)


def _figure_of(ax: Axes) -> Figure:
    figure = ax.get_figure(root=True)
    assert figure is not None, "the axes is in no figure"
    return figure
