"""Two swings, or two sets of swings, side by side: what differs, what doesn't, what can't be told.

Each measure ends in one of three outcomes, which are kept apart:

``different``
    Zero lies outside: the sign of the difference is sure. Several measures are looked at together,
    so the levels are raised (Holm) until *any* wrong "different" among them comes up at most once
    in twenty comparisons of equals.
``same``
    The 95 % interval, as it is shown, lies inside a margin that matters: two one-sided tests at
    2.5 %. That is stricter than the usual 5 % (a 90 % interval inside), so that one interval is
    enough to see why. Each measure is asked by itself whether it is near enough.
``not_told``
    Neither: these data can't tell.

A difference that is sure and yet surely smaller than the margin is ``different`` with
``within_margin``: both facts are said.

Two single swings are compared with the stated uncertainties of their measurement. An error that
both share (the clock of one recording, the gyroscope's scale of one sensor) stretches both alike,
so only the difference of its effects is left; everything else adds in quadrature (JCGM 100:2008,
5.1.2 and 5.2.2). Two sets are compared by their means with Welch's t, since the scatter from
swing to swing is then what limits. Welch's t was chosen over a bootstrap (a percentile bootstrap
of 10 and 10 covers 91 % where 95 % is stated) and over trimmed means (which need larger sets):
with heavy tails it errs on the side of "not to be told".

A difference says nothing about what made it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from analysis.errors import AnalysisError
from analysis.intervals import chance_beyond, effective_dof, holm, p_within, t_quantile
from analysis.results import Swing
from analysis.summary import LEAST_SWINGS
from analysis.uncertainty import RULE

Array = npt.NDArray[np.float64]
Outcome = Literal["different", "same", "not_told"]
Basis = Literal["ball", "turn"]

__all__ = [
    "COMPARED",
    "ENDS_AT_IMPACT",
    "MARGINS",
    "CompareError",
    "CompareParams",
    "Comparison",
    "Margin",
    "MountsError",
    "Outcome",
    "Row",
    "Side",
    "WayDown",
    "compare_sets",
    "compare_swings",
    "impact_rule",
    "way_down",
]

COMPARED: Final = (
    "swing_ms",
    "backswing_ms",
    "downswing_ms",
    "turn_deg",
    "peak_rate_dps",
    "peak_to_impact_ms",
    "tempo_ratio",
)
"""Fields of `Swing` that are compared, in the order of the table; the ratio is secondary."""

ENDS_AT_IMPACT: Final = frozenset({"swing_ms", "downswing_ms", "peak_to_impact_ms", "tempo_ratio"})
"""Those of `COMPARED` that hang on when the impact was."""


class CompareError(AnalysisError):
    """Two swings or sets cannot be compared at all."""


class MountsError(CompareError):
    """The sensor was on different parts of the body or the club.

    Attributes
    ----------
    mounts : tuple of (str or None)
    """

    def __init__(self, a: str | None, b: str | None) -> None:
        self.mounts = (a, b)
        super().__init__(f"swings measured at the {a} and at the {b} are never compared")


@dataclass(frozen=True, slots=True)
class Margin:
    """How much of a difference doesn't matter.

    Attributes
    ----------
    size : float
        In the unit of the measure, or in per cent of the mean of both sides.
    percent : bool
    """

    size: float
    percent: bool = False

    def of(self, a: float, b: float) -> float:
        """Return the margin in the unit of the measure."""
        return self.size / 100.0 * (abs(a) + abs(b)) / 2.0 if self.percent else self.size


# A hurried swing is about a tenth, some 100 ms, shorter (common practice, no source): less than a
# third of that is called near enough. Practised players repeat times to a few per cent (from
# memory). All are only a start: whoever knows better sets them.
MARGINS: Final[Mapping[str, Margin]] = {
    "swing_ms": Margin(30.0),
    "backswing_ms": Margin(30.0),
    "downswing_ms": Margin(15.0),
    "turn_deg": Margin(5.0),
    # 3 % of a forearm's 1000 deg/s is 30 deg/s; a club turns twice as fast, a trunk half.
    "peak_rate_dps": Margin(3.0, percent=True),
    "peak_to_impact_ms": Margin(15.0),
    "tempo_ratio": Margin(0.2),
}
"""Margins that matter, unless others are given."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CompareParams:
    """Levels of the comparison."""

    level: float = 0.05
    """Of "different", and of the interval that must lie inside the margin for "same". One wrong
    word in twenty is the usual bargain (convention)."""

    power: float = 0.80
    """Chance of "different" at the difference that is said to be tellable (convention)."""

    swing_u_dof: float = 25.0
    """Degrees of freedom of one swing's stated uncertainty. It is itself an estimate, known to
    about 1 / sqrt(2 x 25) = 14 % (JCGM 100:2008, G.4.2, equation (G.3)), which widens intervals
    a little and allows for tails that are heavier than normal."""

    least_swings: int = LEAST_SWINGS
    """Sets with fewer swings are not judged: two always look alike or not."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Side:
    """One side of a comparison.

    Attributes
    ----------
    swings : tuple of Swing
        One, or a set.
    recording : str
        Id of the recording they are from: its clock is common to them.
    sensor : str or None
        What tells the sensor from others, where known: its gyroscope's scale is common to all its
        recordings.
    mount : str or None
    """

    swings: tuple[Swing, ...]
    recording: str
    sensor: str | None = None
    mount: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One measure of both sides.

    Attributes
    ----------
    measure : str
        Name in `COMPARED`.
    n_a, n_b : int
        Swings that have the number.
    bounds_a, bounds_b : int
        Swings of which it is only known as "at least".
    a, b : float or None
        Value, or mean of the set; of a set with such swings none, since those are the fast ones.
    u_a, u_b : float or None
        Standard uncertainty of a single swing's value; for a set None.
    spread_a, spread_b : float or None
        Standard deviation from swing to swing within a set of `least_swings` or more.
    difference : float or None
        b minus a.
    u, dof : float or None
        Standard uncertainty of the difference and its degrees of freedom.
    low, high : float or None
        Ends of its 95 % interval: "same" means that it lies inside plus or minus `margin`.
    margin : float or None
        What matters, in the unit of the measure.
    p, p_holm : float or None
        Two-sided level of the difference, alone and among all measures that were judged.
    tellable : float or None
        Difference that would be called different `power` of the time, were it the only one.
    outcome : {"different", "same", "not_told"} or None
        None: not judged, for the `reason`.
    within_margin : bool
        Surely smaller than the margin.
    reason : {"absent", "bound", "rules", "few"} or None
        Why it was not judged: a number is absent; the rate is only known as "at least", be it of
        one swing of a set; the impacts were timed by different rules; there are too few swings.
    """

    measure: str
    n_a: int
    n_b: int
    bounds_a: int = 0
    bounds_b: int = 0
    a: float | None = None
    b: float | None = None
    u_a: float | None = None
    u_b: float | None = None
    spread_a: float | None = None
    spread_b: float | None = None
    difference: float | None = None
    u: float | None = None
    dof: float | None = None
    low: float | None = None
    high: float | None = None
    margin: float | None = None
    p: float | None = None
    p_holm: float | None = None
    tellable: float | None = None
    outcome: Outcome | None = None
    within_margin: bool = False
    reason: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """All measures of two swings or two sets.

    Attributes
    ----------
    sets : bool
        Sets were compared, not single swings.
    rows : tuple of Row
    judged : int
        How many measures were judged together.
    shared_clock, shared_sensor : bool
        Whether clock and gyroscope's scale are common to both sides, as far as is known.
    rules : tuple of (str or None)
        What the impacts of either side were timed by: "ball", "turn", or None if mixed or unknown.
    """

    sets: bool
    rows: tuple[Row, ...]
    judged: int
    shared_clock: bool
    shared_sensor: bool
    rules: tuple[Basis | None, Basis | None]

    def row(self, measure: str) -> Row | None:
        """Return the row of a measure, None if it wasn't asked for."""
        return next((row for row in self.rows if row.measure == measure), None)


def impact_rule(swings: Iterable[Swing]) -> Basis | None:
    """Say what the impacts of swings were timed by.

    Returns
    -------
    {"ball", "turn"} or None
        "ball": a shock, or where the turn is at the player's own shocks. "turn": the least turn,
        which can come some hundredths of a second before the club would reach the ball. None: not
        known, or some so and some so.
    """
    found: set[Basis] = {
        "turn" if swing.impact_basis == "least_turn" else "ball"
        for swing in swings
        if swing.impact_basis is not None
    }
    return found.pop() if len(found) == 1 else None


def _is_bound(swing: Swing, measure: str) -> bool:
    """Whether a number is only known as "at least"."""
    return measure == "peak_rate_dps" and any(n.code == "rate_lower_bound" for n in swing.notes)


@dataclass(frozen=True, slots=True)
class _Known:
    """A measured number: value, own standard uncertainty, and signed errors that may be shared.

    `rule` is that part of the own uncertainty which doesn't average out within a set.
    """

    value: float
    own_u: float
    clock: float
    scale: float
    rule: float


def _known(swing: Swing, measure: str) -> _Known | None:
    value = getattr(swing, measure)
    u = getattr(swing, f"{measure}_u")
    if value is None or u is None or _is_bound(swing, measure):
        return None
    parts = swing.budget.get(measure, ())
    # A stretched scale makes large numbers larger and negative ones more negative.
    sign = math.copysign(1.0, value)
    shared = {
        kind: sign * math.sqrt(sum(part.u**2 for part in parts if part.shared == kind))
        for kind in ("recording", "sensor")
    }
    own = u**2 - sum(x**2 for x in shared.values())
    # Rehearsals that are timed by the same strikes are all early or late alike.
    rule = 0.0
    if swing.impact_basis == "own_strikes" and measure in ENDS_AT_IMPACT:
        rule = math.sqrt(sum(part.u**2 for part in parts if part.source == RULE)) if parts else u
    return _Known(value, math.sqrt(max(own, 0.0)), shared["recording"], shared["sensor"], rule)


def _left_over(a: float, b: float, *, shared: bool) -> float:
    """Return what a common error, or two independent ones, leave in the difference."""
    return abs(b - a) if shared else math.hypot(a, b)


def _check(a: Side, b: Side) -> None:
    if a.mount != b.mount:
        raise MountsError(a.mount, b.mount)


def _shares(a: Side, b: Side) -> tuple[bool, bool]:
    clock = a.recording == b.recording
    return clock, clock or (a.sensor is not None and a.sensor == b.sensor)


def _rules_differ(rules: tuple[Basis | None, Basis | None]) -> bool:
    return rules[0] != rules[1] or rules[0] is None


def compare_swings(
    a: Side,
    b: Side,
    *,
    measures: Sequence[str] = COMPARED,
    margins: Mapping[str, Margin] = MARGINS,
    params: CompareParams | None = None,
) -> Comparison:
    """Compare two swings.

    Parameters
    ----------
    a, b : Side
        With one swing each.
    measures : sequence of str
        What to look at, of `COMPARED`. The fewer, the smaller a difference can be told.
    margins : mapping of str to Margin
        One for each of `measures`.
    params : CompareParams, optional

    Returns
    -------
    Comparison

    Raises
    ------
    MountsError
        The sensor was worn at different places.
    ValueError
        A side has not one swing.
    """
    if len(a.swings) != 1 or len(b.swings) != 1:
        raise ValueError("a pair has one swing on each side")
    _check(a, b)
    params = params or CompareParams()
    clock, sensor = _shares(a, b)
    one, other = a.swings[0], b.swings[0]
    rules = (impact_rule(a.swings), impact_rule(b.swings))
    rows: list[Row] = []
    for measure in measures:
        x, y = _known(one, measure), _known(other, measure)
        u_x, u_y = (getattr(swing, f"{measure}_u") for swing in (one, other))
        row = Row(
            measure=measure,
            n_a=int(x is not None),
            n_b=int(y is not None),
            a=getattr(one, measure),
            b=getattr(other, measure),
            u_a=u_x,
            u_b=u_y,
            bounds_a=int(_is_bound(one, measure)),
            bounds_b=int(_is_bound(other, measure)),
        )
        if x is None or y is None:
            bound = row.bounds_a + row.bounds_b > 0
            rows.append(replace(row, reason="bound" if bound else "absent"))
            continue
        if measure in ENDS_AT_IMPACT and _rules_differ(rules):
            rows.append(replace(row, reason="rules"))
            continue
        common = math.hypot(
            _left_over(x.clock, y.clock, shared=clock), _left_over(x.scale, y.scale, shared=sensor)
        )
        parts = [(x.own_u, params.swing_u_dof), (y.own_u, params.swing_u_dof), (common, math.inf)]
        rows.append(_with_interval(row, y.value - x.value, parts, margins[measure], params))
    return _judged(rows, params, sets=False, clock=clock, sensor=sensor, rules=rules)


def compare_sets(
    a: Side,
    b: Side,
    *,
    measures: Sequence[str] = COMPARED,
    margins: Mapping[str, Margin] = MARGINS,
    params: CompareParams | None = None,
) -> Comparison:
    """Compare the means of two sets of swings.

    The swings of each set should be of one player, club and kind; that is the caller's care.

    Parameters
    ----------
    a, b : Side
        With a set of swings each; no swing in both.
    measures, margins, params
        As for `compare_swings`.

    Returns
    -------
    Comparison

    Raises
    ------
    MountsError
        The sensor was worn at different places.

    Notes
    -----
    What a shared error leaves is added to Welch's standard error (also that of the rule by which
    rehearsals are timed by the player's own strikes, which all of a set have in common), with the
    degrees of freedom after JCGM 100:2008, G.4.1, of which Welch's own are a case. The variance
    within a set isn't taken for less than that of the measurement itself: three swings can lie
    close by luck.

    References
    ----------
    Welch, B. L. (1947). The generalization of "Student's" problem when several different
    population variances are involved. Biometrika 34, 28-35.
    """
    _check(a, b)
    params = params or CompareParams()
    clock, sensor = _shares(a, b)
    rules = (impact_rule(a.swings), impact_rule(b.swings))
    rows: list[Row] = []
    for measure in measures:
        xs = [x for x in (_known(swing, measure) for swing in a.swings) if x is not None]
        ys = [y for y in (_known(swing, measure) for swing in b.swings) if y is not None]
        bounds_a, bounds_b = (
            sum(_is_bound(swing, measure) for swing in part.swings) for part in (a, b)
        )
        row = Row(
            measure=measure,
            n_a=len(xs),
            n_b=len(ys),
            bounds_a=bounds_a,
            bounds_b=bounds_b,
            # A mean without its fastest swings would be too small.
            a=None if bounds_a else _mean(x.value for x in xs),
            b=None if bounds_b else _mean(y.value for y in ys),
            spread_a=None if bounds_a else _spread(xs, params),
            spread_b=None if bounds_b else _spread(ys, params),
        )
        if bounds_a or bounds_b:
            rows.append(replace(row, reason="bound"))
            continue
        if row.a is None or row.b is None:
            rows.append(replace(row, reason="absent"))
            continue
        if measure in ENDS_AT_IMPACT and _rules_differ(rules):
            rows.append(replace(row, reason="rules"))
            continue
        if min(len(xs), len(ys)) < params.least_swings:
            rows.append(replace(row, difference=row.b - row.a, reason="few"))
            continue
        difference = row.b - row.a
        clock_x, clock_y = (float(np.mean([k.clock for k in ks])) for ks in (xs, ys))
        scale_x, scale_y = (float(np.mean([k.scale for k in ks])) for ks in (xs, ys))
        common = math.hypot(
            _left_over(clock_x, clock_y, shared=clock),
            _left_over(scale_x, scale_y, shared=sensor),
            *(float(np.mean([k.rule for k in ks])) for ks in (xs, ys)),
        )
        parts = [
            (_standard_error(xs), len(xs) - 1.0),
            (_standard_error(ys), len(ys) - 1.0),
            (common, math.inf),
        ]
        rows.append(_with_interval(row, difference, parts, margins[measure], params))
    return _judged(rows, params, sets=True, clock=clock, sensor=sensor, rules=rules)


def _mean(values: Iterable[float]) -> float | None:
    there = list(values)
    return math.fsum(there) / len(there) if there else None


def _sd(known: Sequence[_Known]) -> float:
    return float(np.std([k.value for k in known], ddof=1))


def _spread(known: Sequence[_Known], params: CompareParams) -> float | None:
    return _sd(known) if len(known) >= params.least_swings else None


def _standard_error(known: Sequence[_Known]) -> float:
    own = math.fsum(k.own_u**2 for k in known) / len(known)
    return math.sqrt(max(_sd(known) ** 2, own) / len(known))


def _with_interval(
    row: Row,
    difference: float,
    parts: Sequence[tuple[float, float]],
    margin: Margin,
    params: CompareParams,
) -> Row:
    u = math.sqrt(math.fsum(part**2 for part, _ in parts))
    dof = effective_dof(parts)
    assert row.a is not None
    assert row.b is not None
    row = replace(row, difference=difference, u=u, margin=margin.of(row.a, row.b))
    if u <= 0.0:
        # Nothing is known so well: an uncertainty of zero is a number that is missing.
        return replace(row, u=None, reason="absent")
    half = t_quantile(1.0 - params.level / 2.0, dof) * u
    return replace(
        row,
        dof=dof,
        low=difference - half,
        high=difference + half,
        p=chance_beyond(difference / u, dof),
    )


def _judged(
    rows: Sequence[Row],
    params: CompareParams,
    *,
    sets: bool,
    clock: bool,
    sensor: bool,
    rules: tuple[Basis | None, Basis | None],
) -> Comparison:
    """Give each measure its outcome, all of them together."""
    places = [k for k, row in enumerate(rows) if row.reason is None]
    raised = holm([rows[k].p for k in places])  # type: ignore[misc]
    out = list(rows)
    for k, p_holm in zip(places, raised, strict=True):
        row = rows[k]
        assert row.difference is not None
        assert row.u is not None
        assert row.dof is not None
        assert row.margin is not None
        near = (
            row.margin > 0.0
            and p_within(row.difference, row.u, row.dof, row.margin) <= params.level / 2.0
        )
        outcome: Outcome = "not_told"
        if p_holm <= params.level:
            outcome = "different"
        elif near:
            outcome = "same"
        first_step = t_quantile(1.0 - params.level / (2.0 * len(places)), row.dof)
        out[k] = replace(
            row,
            p_holm=p_holm,
            tellable=(first_step + t_quantile(params.power, row.dof)) * row.u,
            outcome=outcome,
            within_margin=near,
        )
    return Comparison(
        sets=sets,
        rows=tuple(out),
        judged=len(places),
        shared_clock=clock,
        shared_sensor=sensor,
        rules=rules,
    )


# -- where the longer swing was -------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class WayDown:
    """Where a swing was some time after its takeaway.

    Attributes
    ----------
    after_ms : float
    going_back : bool
        It had not come to its top.
    share : float
        Going back: of its full turn. Else: of the angle that it goes through from its top (0) to
        its impact (1), which also counts what it turns beyond the place where the turn is least.
    low, high : float
        The share a standard uncertainty of the time earlier and later.
    """

    after_ms: float
    going_back: bool
    share: float
    low: float
    high: float


def way_down(
    time_s: Array,
    turn_deg: Array,
    rate_dps: Array,
    swing: Swing,
    *,
    after_ms: float,
    after_u_ms: float,
) -> WayDown | None:
    """Say where a swing was, so long after its takeaway.

    Parameters
    ----------
    time_s, turn_deg, rate_dps : (n,) array
        The swing's turn, and the size of its rate, over time; NaN where samples are missing.
    swing : Swing
        Its events, on the same clock.
    after_ms, after_u_ms : float
        Time since its takeaway and that time's standard uncertainty.

    Returns
    -------
    WayDown or None
        None where an event or a sample that is needed is missing, or where the time is after its
        impact.
    """
    takeaway_s, top_s, impact_s = swing.takeaway_s, swing.top_s, swing.impact_s
    if takeaway_s is None or top_s is None or impact_s is None:
        return None
    at_s, u_s = takeaway_s + after_ms / 1e3, after_u_ms / 1e3
    if after_ms < 0.0 or at_s > impact_s:
        return None
    going_back = at_s < top_s
    first, last = (takeaway_s, top_s) if going_back else (top_s, impact_s)
    # A little earlier or later is still in the same part of the swing.
    times = [min(max(at_s + shift, first), last) for shift in (0.0, -u_s, u_s)]
    if going_back:
        whole = _value_at(time_s, turn_deg, top_s)
        ways = [_value_at(time_s, turn_deg, t) for t in times]
    else:
        whole = _angle_between(time_s, rate_dps, top_s, impact_s)
        ways = [_angle_between(time_s, rate_dps, top_s, t) for t in times]
    known = [way for way in ways if way is not None]
    if whole is None or whole <= 0.0 or len(known) < len(ways):
        return None
    shares = [min(max(way / whole, 0.0), 1.0) for way in known]
    return WayDown(
        after_ms=after_ms,
        going_back=going_back,
        share=shares[0],
        low=min(shares),
        high=max(shares),
    )


def _value_at(time_s: Array, curve: Array, at_s: float) -> float | None:
    """Value between two neighbours that are both there."""
    k = int(np.searchsorted(time_s, at_s))
    if k == 0 or k >= len(time_s) or not np.isfinite(curve[k - 1 : k + 1]).all():
        return None
    return float(np.interp(at_s, time_s[k - 1 : k + 1], curve[k - 1 : k + 1]))


def _angle_between(time_s: Array, rate_dps: Array, start_s: float, end_s: float) -> float | None:
    """Angle gone through between two times, if no sample is missing there."""
    ends = [_value_at(time_s, rate_dps, at_s) for at_s in (start_s, end_s)]
    inside = (time_s > start_s) & (time_s < end_s)
    if ends[0] is None or ends[1] is None or not np.isfinite(rate_dps[inside]).all():
        return None
    t = np.concatenate([[start_s], time_s[inside], [end_s]])
    w = np.concatenate([[ends[0]], rate_dps[inside], [ends[1]]])
    return float(np.sum(np.diff(t) * (w[1:] + w[:-1])) / 2.0)
