"""Two swings, or two sets of swings, side by side: what differs, what doesn't, what can't be told.

Each measure ends in one of the three outcomes of `analysis.evidence.outcome`, all of them decided
together, so that *any* wrong "different" among them comes up at most once in twenty comparisons of
equals.

Two single swings are compared with the stated uncertainties of their measurement. An error that
both share (the clock of one recording, the scale of each axis of one calibrated sensor) stretches
both alike, so only the difference of its effects is left; everything else adds in quadrature (JCGM
100:2008, 5.1.2 and 5.2.2). A sensor that was put on another way round has other axes in the swing's
plane, and shares less.

Two sets are compared by their trimmed means, with the parts of `analysis.evidence.parts`.
Sets of one recording are compared *today*; where they are of different kinds it is also said what
would be seen *from day to day*. Sets of two recordings are of two days, two strappings on: more
swings on each don't make those smaller. How far a player's days lie apart is then taken as stated
there.

A difference says nothing about what made it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from analysis.errors import AnalysisError
from analysis.evidence.cells import Cell, cell_of
from analysis.evidence.intervals import holm
from analysis.evidence.margins import MARGINS, Margin
from analysis.evidence.outcome import LEVEL, Decision, Outcome, decide_together
from analysis.evidence.parts import MEASURING, Part, Scope, budget, shared_parts
from analysis.evidence.prior import Prior
from analysis.evidence.summary import LEAST_SWINGS, kind_of
from analysis.evidence.variance import variances_of
from analysis.swing.results import Swing, is_bound
from analysis.swing.uncertainty import DELAY, RULE

Array = npt.NDArray[np.float64]
Basis = Literal["ball", "turn"]


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


@dataclass(frozen=True, slots=True, kw_only=True)
class CompareParams:
    """Levels of the comparison."""

    level: float = LEVEL
    """Of the decisions together."""

    swing_u_dof: float = 25.0
    """Degrees of freedom of one swing's stated uncertainty. It is itself an estimate, known to
    about 1 / sqrt(2 x 25) = 14 % (JCGM 100:2008, G.4.2, equation (G.3)), which widens intervals
    a little and allows for tails that are heavier than normal."""

    least_swings: int = LEAST_SWINGS
    """Sets with fewer swings are not judged: two always look alike or not."""

    prior: Prior = field(default_factory=Prior)
    """What is taken for the player's spreads."""

    scope: Scope | None = None
    """Of sets; None: *today* within one session, else *days*. Two sessions are always two days."""


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
        What tells the sensor and its calibration from others, where known: the scale of its axes is
        common to all its recordings.
    mount : str or None
    """

    swings: tuple[Swing, ...]
    recording: str
    sensor: str | None = None
    mount: str | None = None

    @property
    def session(self) -> tuple[str, str | None, str | None]:
        """What was one strapping on of the sensor: a player's part of a recording.

        Where the sensor goes round from player to player, or from club to club, it is put on anew.
        """
        return (
            self.recording,
            _common(self.swings, "player"),
            _common(self.swings, "club") if self.mount == "club" else None,
        )


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
        Swings of which it is only known as "at least"; not among `n_a` and `n_b`.
    a, b : float or None
        Value, or trimmed mean of the set; of a set whose middle hangs on "at least" none.
    u_a, u_b : float or None
        Standard uncertainty of a single swing's value; for a set None.
    spread_a, spread_b : float or None
        Standard deviation from swing to swing within a set of `least_swings` or more.
    difference : float or None
        b minus a.
    u, dof : float or None
        Standard uncertainty of the difference and its degrees of freedom.
    low, high : float or None
        Ends of its interval.
    level : float or None
        Of that interval: the one that was decided at.
    margin : float or None
        What matters, in the unit of the measure.
    p, p_holm : float or None
        Two-sided level of the difference, alone and among all measures that were judged.
    needed, detectable : float or None
        See `analysis.evidence.outcome.Decision`.
    outcome : Outcome or None
        None: not judged, for the `reason`.
    sign_told : bool
        Which of the two is larger is told, be it the same for what matters.
    parts : tuple of Part
        What `u` is made of.
    days : Decision or None
        The same from day to day, where it was compared today.
    reason : {"absent", "bound", "rules", "few"} or None
        Why it was not judged: a number is absent; it is only known as "at least"; the impacts were
        timed by different rules; there are too few swings.
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
    level: float | None = None
    margin: float | None = None
    p: float | None = None
    p_holm: float | None = None
    needed: float | None = None
    detectable: float | None = None
    outcome: Outcome | None = None
    sign_told: bool = False
    parts: tuple[Part, ...] = ()
    days: Decision | None = None
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
    scope : {"today", "days"} or None
        Of sets: whether they were set against each other within one session, or between days.
    spread_days : mapping of str to float
        Of sets: what was taken for the standard deviation between days, by measure.
    prior : Prior or None
        Where that is from.
    rules : tuple of (str or None)
        What the impacts of either side were timed by: "ball", "turn", or None if mixed or unknown.
    """

    sets: bool
    rows: tuple[Row, ...]
    judged: int
    shared_clock: bool
    shared_sensor: bool
    rules: tuple[Basis | None, Basis | None]
    scope: Scope | None = None
    spread_days: Mapping[str, float] = field(default_factory=dict)
    prior: Prior | None = None

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


def _common(swings: Iterable[Swing], name: str) -> str | None:
    values = {getattr(swing, name) for swing in swings}
    return values.pop() if len(values) == 1 else None


@dataclass(frozen=True, slots=True)
class _Known:
    """A measured number: value, own standard uncertainty, and signed errors that may be shared.

    `scale` has one for each axis. `rule` is that part of the own uncertainty which doesn't average
    out within a set.
    """

    value: float
    own_u: float
    clock: float
    scale: Array
    delay: float
    rule: float
    bound: bool
    index: int


def _known(swing: Swing, measure: str) -> _Known | None:
    value = getattr(swing, measure)
    u = getattr(swing, f"{measure}_u")
    bound = is_bound(swing, measure)
    if value is None or (u is None and not bound):
        return None
    u = u or 0.0
    parts = swing.budget.get(measure, ())
    # A slow clock makes long times longer and negative ones more negative.
    sign = math.copysign(1.0, value)
    shared = dict.fromkeys(("clock", "scale", "delay"), 0.0)
    for part in parts:
        if part.shared is not None:
            name = "clock" if part.shared == "recording" else "scale"
            shared["delay" if part.source == DELAY else name] += part.u**2
    shared = {name: math.sqrt(variance) for name, variance in shared.items()}
    own = u**2 - sum(x**2 for x in shared.values())
    growth = np.asarray(swing.scale_growth.get(measure, ()), dtype=np.float64)
    size = float(np.sqrt(growth @ growth)) if growth.size == 3 else 0.0
    # Not known by axis: as if all three took part alike.
    axes = growth / size if size > 0.0 else np.full(3, sign / math.sqrt(3.0))
    # Rehearsals that are timed by the same strikes are all early or late alike.
    rule = 0.0
    if swing.impact_basis == "own_strikes" and measure in ENDS_AT_IMPACT:
        rule = math.sqrt(sum(part.u**2 for part in parts if part.source == RULE)) if parts else u
    return _Known(
        value=value,
        own_u=math.sqrt(max(own, 0.0)),
        clock=sign * shared["clock"],
        scale=axes * shared["scale"],
        # An event that is told late is so whatever the sign of the time.
        delay=shared["delay"],
        rule=rule,
        bound=bound,
        index=swing.index,
    )


_ONE: Final = np.ones(3)


def _pair_cell(known: _Known, side: Side) -> Cell:
    """One swing, for what it shares with others."""
    made = cell_of(
        [known.value],
        session=side.recording,
        kind="swing",
        places=[float(known.index)],
        scale=known.scale,
        scale_u=_ONE,
        scale_key=_scale_key(side),
        clock=known.clock,
        clock_key=side.recording,
        delay=known.delay,
        delay_key=_scale_key(side),
    )
    assert made is not None
    return made


def _scale_key(side: Side) -> str:
    """Sensor and calibration; of a sensor that doesn't say, each recording is of another one."""
    return f"recording {side.recording}" if side.sensor is None else side.sensor


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
    asked: dict[str, _Asked] = {}
    for measure in measures:
        x, y = _known(one, measure), _known(other, measure)
        u_x, u_y = (getattr(swing, f"{measure}_u") for swing in (one, other))
        bounds = tuple(int(is_bound(swing, measure)) for swing in (one, other))
        row = Row(
            measure=measure,
            n_a=int(x is not None and not x.bound),
            n_b=int(y is not None and not y.bound),
            a=getattr(one, measure),
            b=getattr(other, measure),
            u_a=u_x,
            u_b=u_y,
            bounds_a=bounds[0],
            bounds_b=bounds[1],
        )
        if any(bounds):
            rows.append(replace(row, reason="bound"))
            continue
        if x is None or y is None:
            rows.append(replace(row, reason="absent"))
            continue
        if measure in ENDS_AT_IMPACT and _rules_differ(rules):
            rows.append(replace(row, reason="rules"))
            continue
        parts = (
            Part(MEASURING, x.own_u**2, params.swing_u_dof),
            Part(MEASURING, y.own_u**2, params.swing_u_dof),
            *shared_parts([(_pair_cell(x, a), -1.0), (_pair_cell(y, b), 1.0)]),
        )
        difference = y.value - x.value
        rows.append(replace(row, difference=difference))
        asked[measure] = _Asked(difference, parts, margins[measure].of(x.value, y.value))
    return Comparison(
        sets=False,
        rows=_judged(rows, asked, params),
        judged=sum(one.known for one in asked.values()),
        shared_clock=clock,
        shared_sensor=sensor,
        rules=rules,
    )


def compare_sets(
    a: Side,
    b: Side,
    *,
    measures: Sequence[str] = COMPARED,
    margins: Mapping[str, Margin] = MARGINS,
    params: CompareParams | None = None,
) -> Comparison:
    """Compare the trimmed means of two sets of swings.

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
    Within one session the day and the strapping on cancel; what is left is the scatter from swing
    to swing, with neighbours alike, a drift (where one set came before the other), blocks, and what
    is shared: the rule by which rehearsals are timed by the player's own strikes, for instance,
    which all of a set have in common. Between sessions day and strapping on are added. The variance
    within a set isn't taken for less than that of the measurement itself: three swings can lie
    close by luck.
    """
    _check(a, b)
    params = params or CompareParams()
    clock, sensor = _shares(a, b)
    rules = (impact_rule(a.swings), impact_rule(b.swings))
    kinds = _kinds(a, b)
    scope: Scope = (params.scope or "today") if a.session == b.session else "days"
    rows: list[Row] = []
    asked: dict[str, _Asked] = {}
    days: dict[str, _Asked] = {}
    spread_days: dict[str, float] = {}
    for measure in measures:
        xs = [x for x in (_known(swing, measure) for swing in a.swings) if x is not None]
        ys = [y for y in (_known(swing, measure) for swing in b.swings) if y is not None]
        cell_a, cell_b = (
            _set_cell(ks, side, kind, others) if ks else None
            for ks, side, kind, others in ((xs, a, kinds[0], b), (ys, b, kinds[1], a))
        )
        bounds_a, bounds_b = (sum(k.bound for k in ks) for ks in (xs, ys))
        row = Row(
            measure=measure,
            n_a=len(xs) - bounds_a,
            n_b=len(ys) - bounds_b,
            bounds_a=bounds_a,
            bounds_b=bounds_b,
            # A middle that hangs on the fastest swings would be too small without them.
            a=None if cell_a is None else cell_a.location,
            b=None if cell_b is None else cell_b.location,
            spread_a=None if cell_a is None or bounds_a else _spread(xs, params),
            spread_b=None if cell_b is None or bounds_b else _spread(ys, params),
        )
        if (xs and cell_a is None) or (ys and cell_b is None):
            rows.append(replace(row, reason="bound"))
            continue
        if cell_a is None or cell_b is None:
            rows.append(replace(row, reason="absent"))
            continue
        if measure in ENDS_AT_IMPACT and _rules_differ(rules):
            rows.append(replace(row, reason="rules"))
            continue
        difference = cell_b.location - cell_a.location
        row = replace(row, difference=difference)
        if min(len(xs), len(ys)) < params.least_swings:
            rows.append(replace(row, reason="few"))
            continue
        spread = variances_of([[cell_a], [cell_b]], measure, prior=params.prior, mount=a.mount)
        margin = margins[measure].of(cell_a.location, cell_b.location)
        contrast = [(cell_a, -1.0), (cell_b, 1.0)]
        asked[measure] = _Asked(difference, budget(contrast, spread, scope), margin)
        spread_days[measure] = spread.day_spread
        if scope == "today" and kinds[0] != kinds[1]:
            days[measure] = _Asked(difference, budget(contrast, spread, "days"), margin)
        rows.append(row)
    return Comparison(
        sets=True,
        rows=_judged(rows, asked, params, days),
        judged=sum(one.known for one in asked.values()),
        shared_clock=clock,
        shared_sensor=sensor,
        rules=rules,
        scope=scope,
        spread_days=spread_days,
    )


def _kinds(a: Side, b: Side) -> tuple[str, str]:
    """What either set is of, for the model: kind of swing, and club where the clubs differ."""
    names = []
    clubs = [_common(side.swings, "club") for side in (a, b)]
    for side, club in zip((a, b), clubs, strict=True):
        kinds = {kind_of(swing) for swing in side.swings}
        kind: str = kinds.pop() if len(kinds) == 1 else "mixed"
        names.append(kind if clubs[0] == clubs[1] else f"{kind}, {club}")
    return names[0], names[1]


def _set_cell(known: Sequence[_Known], side: Side, kind: str, other: Side) -> Cell | None:
    """Make a set's cell; None where its middle hangs on what is only known as "at least"."""
    known = sorted(known, key=lambda k: k.index)
    mine = {k.index for k in known}
    theirs = {swing.index for swing in other.swings} if other.recording == side.recording else set()
    every = sorted(mine | theirs)
    # Together stand those that have none of the other set between them.
    number = {index: sum(1 for i in every if i in theirs and i < index) for index in mine}
    runs = np.unique([number[k.index] for k in known], return_inverse=True)[1]
    sure = [k for k in known if not k.bound] or known
    return cell_of(
        [k.value for k in known],
        session=repr(side.session),
        kind=kind,
        places=[float(k.index) for k in known],
        runs=runs,
        span=(float(every[0]), float(every[-1])),
        bounds=[k.bound for k in known],
        own_variance=math.fsum(k.own_u**2 for k in sure) / len(sure),
        scale=np.mean([k.scale for k in sure], axis=0),
        scale_u=_ONE,
        scale_key=_scale_key(side),
        clock=math.fsum(k.clock for k in sure) / len(sure),
        clock_key=side.recording,
        delay=math.fsum(k.delay for k in sure) / len(sure),
        delay_key=_scale_key(side),
        rule=math.fsum(k.rule for k in sure) / len(sure),
    )


def _spread(known: Sequence[_Known], params: CompareParams) -> float | None:
    if len(known) < params.least_swings:
        return None
    return float(np.std([k.value for k in known], ddof=1))


@dataclass(frozen=True, slots=True)
class _Asked:
    """A difference, its parts and what matters."""

    difference: float
    parts: tuple[Part, ...]
    margin: float

    @property
    def known(self) -> bool:
        """Whether there is any variance: nothing is known so well as to have none."""
        return any(part.variance > 0.0 for part in self.parts)


def _decided(asked: Mapping[str, _Asked], level: float) -> dict[str, Decision]:
    """Decide all measures together."""
    names = [name for name, one in asked.items() if one.known]
    found = decide_together(
        [(asked[n].difference, asked[n].parts, asked[n].margin) for n in names], level=level
    )
    return dict(zip(names, found, strict=True))


def _judged(
    rows: Sequence[Row],
    asked: Mapping[str, _Asked],
    params: CompareParams,
    days: Mapping[str, _Asked] | None = None,
) -> tuple[Row, ...]:
    """Give each measure its outcome, all of them together."""
    found, on_days = _decided(asked, params.level), _decided(days or {}, params.level)
    raised = dict(zip(found, holm([one.p for one in found.values()]), strict=True))
    out = []
    for row in rows:
        decision = found.get(row.measure)
        if decision is None:
            missing = row.reason is None
            out.append(replace(row, reason="absent") if missing else row)
            continue
        out.append(
            replace(
                row,
                u=decision.u,
                dof=decision.dof,
                low=decision.low,
                high=decision.high,
                level=decision.level,
                margin=decision.margin,
                p=decision.p,
                p_holm=raised[row.measure],
                needed=decision.needed,
                detectable=decision.detectable,
                outcome=decision.outcome,
                sign_told=decision.sign_told,
                parts=decision.parts,
                days=on_days.get(row.measure),
            )
        )
    return tuple(out)
