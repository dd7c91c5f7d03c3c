"""How the tool's figures agree with labels made by hand: bias and limits of agreement.

For each quantity the differences *tool minus label* are summed up after Bland and Altman: their
mean (bias), their standard deviation, and the limits between which 95 % of such differences lie,
each with a 95 % interval, since few swings tell little. Agreement with labels is not truth: the
labels have errors of their own.

The labels' clock (a video's, say) need not be the recording's. Then its offset is fitted on one
event, and that event's bias can't show any more; durations don't feel the offset, but a fitted rate
is taken out of them.

References
----------
Bland, J. M. & Altman, D. G. (1986). Statistical methods for assessing agreement between two methods
of clinical measurement. Lancet 327(8476), 307-310.
Bland, J. M. & Altman, D. G. (1999). Measuring agreement in method comparison studies. Stat. Methods
Med. Res. 8, 135-160.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from analysis.errors import AnalysisError
from analysis.evidence.intervals import t_quantile
from analysis.swing.results import Swing, is_bound
from words.units import unit_of

Array = npt.NDArray[np.float64]
ClockKind = Literal["same", "offset", "line"]
Ends = tuple[float, float]


EVENTS: Final = ("takeaway_s", "top_s", "impact_s", "finish_s")
"""Events that can be labelled, in their order in time."""

QUANTITIES: Final = (
    "swing_ms",
    "backswing_ms",
    "downswing_ms",
    "tempo_ratio",
    "turn_deg",
    "peak_rate_dps",
    "peak_to_impact_ms",
)
"""Measures that can be labelled; durations also follow from labelled events."""

CLOCKS: Final[tuple[ClockKind, ...]] = ("same", "offset", "line")

LEAST_PAIRS: Final = 3
"""Fewer swings have no spread worth a name."""

MATCH_S: Final = 0.25
"""A label without a swing's number belongs to the swing whose event is no further away: nearer than
any two swings follow on each other, and farther than an eye errs."""

FAR_S: Final = 1.0
"""A label with a swing's number that lies farther from it is not of this swing, or its clock is
another one."""

_Z: Final = 1.959963984540054  # 97.5 % quantile of the normal distribution


class LabelError(AnalysisError):
    """The labels cannot be used; ``str(error)`` says which and what to do."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Label:
    """What one rater says of one swing.

    Attributes
    ----------
    line : int
        In the file, from 1: for messages.
    swing : int or None
        Number of the swing; None: told by time.
    rater : str
        Empty where not said.
    values : mapping of str to float
        By names of `EVENTS` (s on the labels' clock) and `QUANTITIES`.
    u : mapping of str to float
        Standard uncertainties of values, where given.
    """

    line: int
    swing: int | None
    rater: str
    values: Mapping[str, float]
    u: Mapping[str, float]


# -- a line ----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """Straight line by ordinary least squares, with standard uncertainties.

    Attributes
    ----------
    slope, slope_u, intercept, intercept_u, residual_sd : float
    dof : int
        Points less two.
    """

    slope: float
    slope_u: float
    intercept: float
    intercept_u: float
    residual_sd: float
    dof: int


def fit_line(x: npt.ArrayLike, y: npt.ArrayLike) -> Line | None:
    """Fit a line through points.

    Parameters
    ----------
    x, y : (n,) array_like

    Returns
    -------
    Line or None
        None for fewer than three points, or all at one x.
    """
    x, y = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    n = len(x)
    if n < 3:
        return None
    mean_x, mean_y = x.mean(), y.mean()
    dx, dy = x - mean_x, y - mean_y
    sxx = float(dx @ dx)
    if sxx <= 1e-24 * max(1.0, float(np.abs(x).max())) ** 2:
        return None
    slope = float(dx @ dy) / sxx
    residual = dy - slope * dx
    sd = math.sqrt(float(residual @ residual) / (n - 2))
    return Line(
        slope=slope,
        slope_u=sd / math.sqrt(sxx),
        intercept=float(mean_y - slope * mean_x),
        intercept_u=sd * math.sqrt(1.0 / n + float(mean_x) ** 2 / sxx),
        residual_sd=sd,
        dof=n - 2,
    )


# -- one quantity ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """One quantity as two ways have it; differences are first minus second (tool minus label).

    Attributes
    ----------
    quantity : str
    unit : str
        Of the differences. Events are in ms.
    n : int
        Pairs.
    first, second : (n,) array
        Both values; of events, in s on the recording's clock.
    difference : (n,) array
    bias, sd : float or None
        Mean and standard deviation of the differences; None for fewer than `LEAST_PAIRS` pairs, as
        is all that follows.
    bias_ends : (float, float) or None
        95 % interval of the bias.
    low, high : float or None
        95 % limits of agreement.
    low_ends, high_ends : (float, float) or None
        Their 95 % intervals.
    slope, slope_ends : float, (float, float) or None
        Of the differences on the means of both, with its 95 % interval: whether the difference
        grows with the quantity. None for events, whose size means nothing.
    fitted : bool
        The clock was fitted on this event: its bias is zero by that, and says nothing.
    held, judged : int
        Of how many differences a stated uncertainty is known, and how many of them lie within
        1.96 of it: 95 % if it is right. Of a fitted event without the bias.
    """

    quantity: str
    unit: str
    n: int
    first: Array
    second: Array
    difference: Array
    bias: float | None = None
    sd: float | None = None
    bias_ends: Ends | None = None
    low: float | None = None
    high: float | None = None
    low_ends: Ends | None = None
    high_ends: Ends | None = None
    slope: float | None = None
    slope_ends: Ends | None = None
    fitted: bool = False
    held: int = 0
    judged: int = 0


def limits_of_agreement(
    first: npt.ArrayLike,
    second: npt.ArrayLike,
    *,
    quantity: str = "",
    unit: str = "",
    factor: float = 1.0,
    u: Array | None = None,
    fitted: bool = False,
) -> Agreement:
    """Sum up how two ways of measuring agree.

    Parameters
    ----------
    first, second : (n,) array_like
        Both values of each swing.
    quantity, unit : str
    factor : float
        From the values' unit to that of the differences.
    u : (n,) array, optional
        Standard uncertainty of each difference, in its unit; NaN where unknown.
    fitted : bool
        As in `Agreement`.

    Returns
    -------
    Agreement

    Notes
    -----
    The standard error of a limit is sqrt(1/n + 1.96^2 / (2 (n - 1))) standard deviations (Bland &
    Altman 1999, section 2; their sqrt(3 / n) of 1986 is nearly the same), and its interval uses t
    with n - 1 degrees of freedom.
    """
    a, b = np.asarray(first, dtype=np.float64), np.asarray(second, dtype=np.float64)
    d = factor * (a - b)
    n = len(d)
    if n < LEAST_PAIRS:
        return Agreement(
            quantity=quantity, unit=unit, n=n, first=a, second=b, difference=d, fitted=fitted
        )
    bias, sd = float(d.mean()), float(d.std(ddof=1))
    t = t_quantile(0.975, n - 1)
    bias_half = t * sd / math.sqrt(n)
    low, high = bias - _Z * sd, bias + _Z * sd
    half = t * sd * math.sqrt(1.0 / n + _Z**2 / (2.0 * (n - 1)))
    line = None if quantity in EVENTS else fit_line(factor * (a + b) / 2.0, d)
    slope_ends = None
    if line is not None:
        reach = t_quantile(0.975, line.dof) * line.slope_u
        slope_ends = (line.slope - reach, line.slope + reach)
    held = judged = 0
    if u is not None:
        known = np.isfinite(u) & (u > 0.0)
        off = np.abs(d - bias if fitted else d)
        judged, held = int(known.sum()), int((off[known] <= _Z * u[known]).sum())
    return Agreement(
        quantity=quantity,
        unit=unit,
        n=n,
        first=a,
        second=b,
        difference=d,
        bias=bias,
        sd=sd,
        bias_ends=(bias - bias_half, bias + bias_half),
        low=low,
        high=high,
        low_ends=(low - half, low + half),
        high_ends=(high - half, high + half),
        slope=None if line is None else line.slope,
        slope_ends=slope_ends,
        fitted=fitted,
        held=held,
        judged=judged,
    )


# -- clocks and matching ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Clock:
    """From the recording's clock to the labels': label = offset + (1 + rate) x recording.

    Attributes
    ----------
    kind : {"same", "offset", "line"}
    offset_s, rate : float
    offset_u_s : float or None
        Standard uncertainty of the offset, in the middle of the labels; None if nothing was fitted.
    event : str or None
        On which the clock was fitted: one of `EVENTS`, "all", or None.
    n : int
        Pairs that it was fitted on.
    """

    kind: ClockKind
    offset_s: float = 0.0
    rate: float = 0.0
    offset_u_s: float | None = None
    event: str | None = None
    n: int = 0

    def to_recording(self, label_s: float) -> float:
        """Seconds on the recording's clock."""
        return (label_s - self.offset_s) / (1.0 + self.rate)

    def duration(self, label: float) -> float:
        """Length of time as the recording's clock has it."""
        return label / (1.0 + self.rate)


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """Agreement of all that was labelled.

    Attributes
    ----------
    clock : Clock
    rows : tuple of Agreement
        Tool (first) with labels (second; the mean of the raters), events first.
    between : tuple of (str, str, Agreement)
        Each two raters with each other, first minus second, by quantity.
    labels, matched : int
        Rows of labels, and how many of them belong to a swing.
    swings, labelled : int
        Swings that were found, and how many of them have a label.
    lost_lines : tuple of int
        Lines whose labels belong to no swing.
    unlabelled : tuple of int
        Swings without a label.
    raters : tuple of str
    absent : mapping of str to int
        How many labelled values the tool has no number for, by quantity.
    drift_ms : float or None
        By how much the labels' clock drifts from the first labelled swing to the last, where that
        is surely not zero, matters, and wasn't fitted.
    """

    clock: Clock
    rows: tuple[Agreement, ...]
    between: tuple[tuple[str, str, Agreement], ...]
    labels: int
    matched: int
    swings: int
    labelled: int
    lost_lines: tuple[int, ...]
    unlabelled: tuple[int, ...]
    raters: tuple[str, ...]
    absent: Mapping[str, int]
    drift_ms: float | None


def _main_event(labels: Sequence[Label]) -> str | None:
    """Return the event that most labels have; the impact, which is sharpest, before all others."""
    counts = {event: sum(event in label.values for label in labels) for event in EVENTS}
    if 2 * counts["impact_s"] >= len(labels):
        return "impact_s"
    best = max(counts, key=lambda event: counts[event])
    return best if counts[best] else None


RATE_MOST: Final = 0.005
"""A clock whose rate is to be fitted may be off by so much: no video's is by more (assumed)."""


def _search_offset(labels: Sequence[Label], swings: Sequence[Swing], kind: ClockKind) -> float:
    """Find the offset under which most labels lie at a swing.

    Raises
    ------
    LabelError
        No offset does so for three labels, or two do it equally well.
    """
    event = _main_event(labels) or EVENTS[0]
    label_s = np.array([label.values[event] for label in labels if event in label.values])
    tool_s = np.array([at for swing in swings if (at := getattr(swing, event)) is not None])
    hint = "add a column 'swing' with the number of each swing"
    if len(label_s) < LEAST_PAIRS or len(tool_s) < LEAST_PAIRS:
        raise LabelError(
            f"too few events for fitting the labels' clock ({len(label_s)} labelled, "
            f"{len(tool_s)} found): {hint}"
        )
    offsets = np.sort((label_s[:, None] - tool_s[None, :]).ravel())
    # Two labels of one swing by two raters count twice, for every offset alike.
    n = np.searchsorted(offsets, offsets + MATCH_S, side="right") - np.arange(len(offsets))
    best = int(np.argmax(n))
    location = float(np.median(offsets[best : best + n[best]]))
    # A clock with another rate drifts: then an offset near by is no other answer.
    drift_s = RATE_MOST * float(np.ptp(label_s)) if kind == "line" else 0.0
    elsewhere = np.abs(offsets - location) > 2.0 * MATCH_S + drift_s
    second = int(n[elsewhere].max()) if elsewhere.any() else 0
    if n[best] < LEAST_PAIRS or second >= n[best]:
        raise LabelError(f"the offset of the labels' clock can't be told: {hint}")
    return location


def _match(
    labels: Sequence[Label], swings: Sequence[Swing], clock: Clock
) -> list[tuple[Label, Swing]]:
    """Give each label its swing: by number, or by the nearest event in time.

    Raises
    ------
    LabelError
        A rater has labelled a swing twice.
    """
    by_index = {swing.index: swing for swing in swings}
    pairs: list[tuple[Label, Swing]] = []
    for label in labels:
        if label.swing is not None:
            if label.swing in by_index:
                pairs.append((label, by_index[label.swing]))
            continue
        near: list[tuple[float, int]] = []
        for swing in swings:
            gaps = [
                abs(clock.to_recording(label.values[event]) - at)
                for event in EVENTS
                if event in label.values and (at := getattr(swing, event)) is not None
            ]
            if gaps and float(np.median(gaps)) <= MATCH_S:
                near.append((float(np.median(gaps)), swing.index))
        if near:
            pairs.append((label, by_index[min(near)[1]]))
    seen: dict[tuple[str, int], int] = {}
    for label, swing in pairs:
        key = (label.rater, swing.index)
        if key in seen:
            whose = f" by '{label.rater}'" if label.rater else ""
            raise LabelError(
                f"lines {seen[key]} and {label.line} both label swing #{swing.index}{whose}: keep "
                "one, or tell repeated labels apart in a column 'rater'"
            )
        seen[key] = label.line
    return pairs


def _check_near(pairs: Sequence[tuple[Label, Swing]], clock: Clock) -> None:
    """Refuse a label that is seconds away from the swing whose number it has."""
    for label, swing in pairs:
        for event in EVENTS:
            at = getattr(swing, event)
            if event not in label.values or at is None:
                continue
            gap = clock.to_recording(label.values[event]) - at
            if abs(gap) > FAR_S:
                what = "wrong number"
                if clock.kind == "same":
                    what += ", or another clock (--clock offset)"
                raise LabelError(
                    f"line {label.line}: its {event} lies {abs(gap):.1f} s "
                    f"{'after' if gap > 0 else 'before'} that of swing #{swing.index}: {what}?"
                )


def _fit_clock(pairs: Sequence[tuple[Label, Swing]], kind: ClockKind) -> Clock:
    """Fit offset, and rate if asked, on the impacts where three are labelled, or on all events."""
    for events in (("impact_s",), EVENTS):
        both = [
            (at, label.values[event])
            for label, swing in pairs
            for event in events
            if event in label.values and (at := getattr(swing, event)) is not None
        ]
        if len(both) >= LEAST_PAIRS:
            break
    if len(both) < LEAST_PAIRS:
        raise LabelError(
            f"only {len(both)} labelled events belong to a swing: too few to fit the labels' clock"
        )
    tool, label_s = np.array(both).T
    name = events[0] if len(events) == 1 else "all"
    gap = label_s - tool
    if kind == "line":
        line = fit_line(tool - tool.mean(), gap)
        if line is None:
            raise LabelError("all labels lie at one time: too few to fit the labels' clock")
        return Clock(
            kind=kind,
            offset_s=line.intercept - line.slope * float(tool.mean()),
            rate=line.slope,
            offset_u_s=line.intercept_u,
            event=name,
            n=len(both),
        )
    return Clock(
        kind=kind,
        offset_s=float(gap.mean()),
        offset_u_s=float(gap.std(ddof=1) / math.sqrt(len(gap))),
        event=name,
        n=len(both),
    )


_MOST_FITS: Final = 20
"""A clock that runs 0.3 % fast drifts by `MATCH_S` in 83 s, so labels are taken in from the middle
outwards, a few times as many with each fit."""


def _settled(
    labels: Sequence[Label], swings: Sequence[Swing], rough: Clock, kind: ClockKind
) -> Clock:
    """Fit the clock and match with it in turns, until the labels that belong to a swing stay."""
    pairs = _match(labels, swings, rough)
    found = _fit_clock(pairs, kind)
    for _ in range(_MOST_FITS):
        again = _match(labels, swings, found)
        if [(label.line, swing.index) for label, swing in again] == [
            (label.line, swing.index) for label, swing in pairs
        ]:
            break
        pairs, found = again, _fit_clock(again, kind)
    return found


# -- all of it -------------------------------------------------------------------------------------


def _label_value(label: Label, name: str, clock: Clock) -> float | None:
    """Value of a label, or from labelled events; times and durations on the recording's clock."""
    v = label.values
    if name in v:
        if name in EVENTS:
            return clock.to_recording(v[name])
        return clock.duration(v[name]) if name.endswith("_ms") else v[name]

    def span(first: str, last: str) -> float | None:
        if first not in v or last not in v:
            return None
        return clock.duration(1e3 * (v[last] - v[first]))

    if name == "swing_ms":
        return span("takeaway_s", "impact_s")
    if name == "backswing_ms":
        return span("takeaway_s", "top_s")
    if name == "downswing_ms":
        return span("top_s", "impact_s")
    if name == "tempo_ratio":
        back = _label_value(label, "backswing_ms", clock)
        down = _label_value(label, "downswing_ms", clock)
        return back / down if back is not None and down is not None and down > 0.0 else None
    return None


def _label_u(label: Label, name: str) -> float | None:
    """Stated standard uncertainty of a label, also of a duration from two labelled events."""
    if name in label.values:
        return label.u.get(name)
    ends = {
        "swing_ms": ("takeaway_s", "impact_s"),
        "backswing_ms": ("takeaway_s", "top_s"),
        "downswing_ms": ("top_s", "impact_s"),
    }.get(name)
    if ends is None or any(end not in label.u for end in ends):
        return None
    return 1e3 * math.hypot(label.u[ends[0]], label.u[ends[1]])


def _unit(name: str) -> str:
    """Return the unit of a quantity; events are set beside each other in ms."""
    return "ms" if name in EVENTS else unit_of(name)


def _tool_value(swing: Swing, name: str) -> float | None:
    if is_bound(swing, name):
        return None
    value: float | None = getattr(swing, name)
    return value


def agree(labels: Sequence[Label], swings: Sequence[Swing], *, clock: ClockKind = "same") -> Report:
    """Set labels made by hand beside the tool's figures.

    Parameters
    ----------
    labels : sequence of Label
    swings : sequence of Swing
        Of the recording that was labelled.
    clock : {"same", "offset", "line"}
        Whether the labels are on the recording's clock; or on one with an offset, or also another
        rate, which are then fitted.

    Returns
    -------
    Report

    Raises
    ------
    LabelError
        A swing is labelled twice, the clock can't be fitted, or fewer than `LEAST_PAIRS` swings are
        labelled.
    """
    found = Clock(kind="same")
    if clock != "same":
        rough = Clock(kind="offset")
        if any(label.swing is None for label in labels):
            rough = Clock(kind="offset", offset_s=_search_offset(labels, swings, clock))
        found = _settled(labels, swings, rough, clock)
    pairs = _match(labels, swings, found)
    _check_near(pairs, found)
    by_swing: dict[int, list[Label]] = {}
    for label, swing in pairs:
        by_swing.setdefault(swing.index, []).append(label)
    if len(by_swing) < LEAST_PAIRS:
        why = ""
        if clock == "same" and any(label.swing is None for label in labels):
            why = (
                f"; is their clock another one (--clock offset)? Labels within {MATCH_S:g} s count"
            )
        raise LabelError(
            f"only {len(by_swing)} of {len(labels)} labels belong to a swing, at least "
            f"{LEAST_PAIRS} are needed{why}"
        )
    raters = tuple(dict.fromkeys(label.rater for label, _ in pairs))
    rows: list[Agreement] = []
    between: list[tuple[str, str, Agreement]] = []
    absent: dict[str, int] = {}
    index = {swing.index: swing for swing in swings}
    for name in (*EVENTS, *QUANTITIES):
        factor = 1e3 if name in EVENTS else 1.0
        values = {
            k: {
                label.rater: (x, _label_u(label, name))
                for label in mine
                if (x := _label_value(label, name, found)) is not None
            }
            for k, mine in by_swing.items()
        }
        values = {k: mine for k, mine in sorted(values.items()) if mine}
        if not values:
            continue
        repeat = _within(values)
        tool, label_x, u = [], [], []
        for k, mine in values.items():
            x = _tool_value(index[k], name)
            if x is None:
                absent[name] = absent.get(name, 0) + 1
                continue
            tool.append(x)
            label_x.append(math.fsum(v for v, _ in mine.values()) / len(mine))
            u.append(factor * math.hypot(getattr(index[k], f"{name}_u"), _mean_u(mine, repeat)))
        rows.append(
            limits_of_agreement(
                tool,
                label_x,
                quantity=name,
                unit=_unit(name),
                factor=factor,
                u=np.array(u),
                fitted=found.event is not None and found.event in (name, "all") and name in EVENTS,
            )
        )
        for one, other in combinations(raters, 2):
            both = [(m[one][0], m[other][0]) for m in values.values() if one in m and other in m]
            if len(both) >= LEAST_PAIRS:
                a, b = np.array(both).T
                between.append(
                    (
                        one,
                        other,
                        limits_of_agreement(a, b, quantity=name, unit=_unit(name), factor=factor),
                    )
                )
    matched = {label.line for label, _ in pairs}
    return Report(
        clock=found,
        rows=tuple(rows),
        between=tuple(between),
        labels=len(labels),
        matched=len(pairs),
        swings=len(swings),
        labelled=len(by_swing),
        lost_lines=tuple(label.line for label in labels if label.line not in matched),
        unlabelled=tuple(s.index for s in swings if s.index not in by_swing),
        raters=tuple(rater for rater in raters if rater),
        absent=absent,
        drift_ms=None if found.kind == "line" else _drift_ms(pairs, found),
    )


DRIFT_MS: Final = 5.0
"""A drift below this hides behind how well an eye labels 240 frames a second (4.2 ms a frame)."""


def _drift_ms(pairs: Sequence[tuple[Label, Swing]], clock: Clock) -> float | None:
    """Drift of the labels' clock over the labelled swings, if it is sure and matters."""
    gaps = [
        (at, 1e3 * (clock.to_recording(label.values[event]) - at))
        for label, swing in pairs
        for event in EVENTS
        if event in label.values and (at := getattr(swing, event)) is not None
    ]
    line = fit_line(*zip(*gaps, strict=True)) if gaps else None
    # Four standard errors: raters and events of one swing aren't independent of each other.
    if line is None or abs(line.slope) < 4.0 * line.slope_u:
        return None
    times = [at for at, _ in gaps]
    drift = line.slope * (max(times) - min(times))
    return drift if abs(drift) >= DRIFT_MS else None


def _within(values: Mapping[int, Mapping[str, tuple[float, float | None]]]) -> float | None:
    """Standard deviation of the raters within a swing, pooled; None without repeated labels."""
    squares, dof = 0.0, 0
    for mine in values.values():
        x = np.array([v for v, _ in mine.values()])
        if len(x) > 1:
            squares += float(((x - x.mean()) ** 2).sum())
            dof += len(x) - 1
    return math.sqrt(squares / dof) if dof else None


def _mean_u(mine: Mapping[str, tuple[float, float | None]], repeat: float | None) -> float:
    """Standard uncertainty of the mean of raters: as stated, or from how much they differ; or 0."""
    stated = [u for _, u in mine.values()]
    known = [u for u in stated if u is not None]
    if len(known) == len(stated):
        return math.sqrt(math.fsum(u**2 for u in known)) / len(known)
    return 0.0 if repeat is None else repeat / math.sqrt(len(mine))
