"""Which goes with which, within one player: slopes with intervals, never causes.

A relation is taken within sessions, so that the strapping on, the day's weather or the ball don't
make one. Slopes are Huber's M-estimates with a level of its own for each session. "Given" is the
relation that is left when another quantity is held: time given turn, turn given time. What goes
together in one player's own swings says nothing about what makes what.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from analysis.outcome import Outcome
from analysis.robust import (
    FitParams,
    RobustFit,
    latest_sessions,
    robust_fit,
    session_numbers,
)
from analysis.spread import (
    EvidenceParams,
    Interval,
    NotYet,
    SwingRow,
    clean,
    family_level,
    judge,
    one_setting,
    student_t,
    unit_of,
)

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.intp]

__all__ = [
    "FELT_MEASURES",
    "LEAST_SWINGS_RELATED",
    "Association",
    "BestRange",
    "associate",
    "association",
    "best_range",
    "value_of",
]

LEAST_SWINGS_RELATED: Final = 12
"""Swings below which no relation is looked at; common practice, no source."""

FAR: Final = 4.0
"""Swings further than this many spreads from their session's median in the quantity on the right
of "goes with" are left out and counted: in a regression, far values rule the slope."""

LEAST_FOR_TREND: Final = 8
"""Swings of a session from which on it has a trend of its own."""

FELT_MEASURES: Final = ("felt_rushed", "felt_short", "felt_well")
"""Felt answers as numbers: 1 rushed, short or struck well; 0 otherwise."""

FELT_FIT: Final = FitParams(robust=False)
"""Yes-or-no answers have no odd values to hold back, and often a spread of zero by medians."""

LEAST_MARGIN: Final = 0.25
"""A relation matters that moves ``y`` by this share of its spread for one spread of ``x``: about a
correlation of 0.25. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Association:
    """How one quantity goes with another.

    Attributes
    ----------
    y, x : str
        ``y`` goes with ``x``.
    given : tuple of str
        Quantities that are held.
    slope : Interval
        Units of ``y`` for one unit of ``x``.
    usual_step : float
        Spread of ``x`` within a session.
    for_usual_step : Interval
        What goes along in ``y`` when ``x`` is higher by one such spread.
    outcome : Outcome
        Different: they go together. Same: they don't, for what matters. Unclear: not to be told.
    margin : float
        What matters in ``y`` for one usual step.
    n, sessions, left_out : int
        Swings used, of how many sessions, and swings left out as too far off.
    more_swings : int or None
        How many more swings of the same kind it would take to tell, if the spread stays as it is;
        None where it can be told. A rough figure.
    swing_ids : tuple of str
    """

    y: str
    x: str
    given: tuple[str, ...]
    slope: Interval
    usual_step: float
    for_usual_step: Interval
    outcome: Outcome
    margin: float
    n: int
    sessions: int
    left_out: int
    more_swings: int | None
    swing_ids: tuple[str, ...]

    def sentence(self) -> str:
        """Say it in plain words, without saying what makes what."""
        held = f" at the same {_names(self.given)}" if self.given else ""
        y, x = _plain(self.y), _plain(self.x)
        if self.outcome is Outcome.DIFFERENT:
            up = "more" if self.slope.middle > 0 else "less"
            step = self.for_usual_step
            low, high = (_short(v) for v in sorted((abs(step.low), abs(step.high))))
            by = f"{low} to {high} {unit_of(self.y)}".rstrip()
            if self.x in FELT_MEASURES:
                return f"In these {self.n} swings {up} {y} went with more {x}{held}: {by}."
            same = f", {_names(self.given)} being the same" if self.given else ""
            usual = f"{_short(self.usual_step)} {unit_of(self.x)}".rstrip()
            return (
                f"In these {self.n} swings, where {x} was {usual} more (its usual scatter within a "
                f"session), {y} was {by} {up}{same}."
            )
        if self.outcome is Outcome.SAME:
            return f"In these {self.n} swings {y} didn't go with {x}{held}, for what matters."
        more = ""
        if self.more_swings is not None:
            many = "over 1000" if self.more_swings > 1000 else f"about {self.more_swings}"
            more = f"; it would take {many} more"
        return f"Whether {y} goes with {x}{held} can't be told from {self.n} swings{more}."


def _short(value: float) -> str:
    """Write a size with two digits or more, none of them in the air."""
    return f"{value:.0f}" if value >= 10.0 else f"{value:.2g}"


@dataclass(frozen=True, slots=True, kw_only=True)
class BestRange:
    """A third of the player's usual range in which a quantity was higher than in the rest.

    Attributes
    ----------
    y, x : str
    low, high : float
        The range of ``x``.
    gain : Interval
        ``y`` in the range minus ``y`` elsewhere. The interval holds for all thirds at once, so it
        also holds for the one that was picked for coming out highest.
    n_inside, n : int
    """

    y: str
    x: str
    low: float
    high: float
    gain: Interval
    n_inside: int
    n: int


def _plain(measure: str) -> str:
    words = {
        "swing_ms": "swing time",
        "backswing_ms": "backswing time",
        "downswing_ms": "downswing time",
        "turn_deg": "turn",
        "peak_rate_dps": "peak rate",
        "carry_m": "carry",
        "club_speed_m_s": "head speed",
        "offline_m": "offline to the right",
        "offline_size_m": "distance from the line",
        "felt_rushed": "feeling rushed",
        "felt_short": "feeling short",
        "felt_well": "feeling well struck",
    }
    if measure in words:
        return words[measure]
    stem = measure
    for ending in ("_m_s", "_ms", "_deg", "_dps", "_m", "_s"):
        stem = stem.removesuffix(ending)
    return stem.replace("_", " ")


def _names(measures: Sequence[str]) -> str:
    return " and ".join(_plain(m) for m in measures)


def value_of(row: SwingRow, measure: str) -> float | None:
    """Give a measured value, a result, or a felt answer as a number; None where there is none."""
    if measure == "felt_rushed":
        return None if row.felt_time is None else float(row.felt_time == "rushed")
    if measure == "felt_short":
        return None if row.felt_turn is None else float(row.felt_turn == "short")
    if measure == "felt_well":
        return None if row.felt_strike is None else float(row.felt_strike == "well")
    if measure == "offline_size_m":
        offline = row.values.get("offline_m")
        return None if offline is None else abs(offline)
    return row.values.get(measure)


def association(
    rows: Sequence[SwingRow],
    y: str,
    x: str,
    given: Sequence[str] = (),
    *,
    comparisons: int = 1,
    margin: float | None = None,
    params: EvidenceParams | None = None,
) -> Association | NotYet:
    """Tell how ``y`` goes with ``x`` in swings of one setting.

    Parameters
    ----------
    rows : sequence of SwingRow
        Of one setting, sessions in order of time (the latest `MOST_SESSIONS` are used), and best
        of one kind: strikes differ from rehearsals in many things at once.
    y, x : str
        Names of values, or of `FELT_MEASURES`.
    given : sequence of str
        What is held.
    comparisons : int
        How many relations are looked at together.
    margin : float, optional
        What matters in ``y`` for one usual step of ``x``. By default a quarter of the spread of
        ``y``, and a tenth for felt answers.
    params : EvidenceParams, optional

    Returns
    -------
    Association or NotYet

    Raises
    ------
    MixedError
        Rows of different players, clubs, mounts or intents.
    ValueError
        The same name twice.
    """
    p = params or EvidenceParams()
    names = (y, x, *given)
    if len(set(names)) != len(names):
        raise ValueError("a quantity always goes with itself; name each once")
    chosen, values = _table(rows, names)
    number = session_numbers([row.session_id for row in chosen])
    if len(chosen) < LEAST_SWINGS_RELATED:
        what = f"swings with {_names(names)}"
        return NotYet.count(len(chosen), LEAST_SWINGS_RELATED, what)
    keep = _near(values[:, 1:], number, [name in FELT_MEASURES for name in names[1:]])
    left_out = int(np.sum(~keep))
    # Sessions of one or two swings only spend a level each.
    counts = np.bincount(number[keep], minlength=int(number.max()) + 1)
    keep &= counts[number] >= 3
    if keep.sum() < LEAST_SWINGS_RELATED:
        return NotYet.count(
            int(keep.sum()), LEAST_SWINGS_RELATED, "swings in sessions of 3 or more"
        )
    chosen = [row for row, yes in zip(chosen, keep, strict=True) if yes]
    values = values[keep]
    number = session_numbers([row.session_id for row in chosen])
    for k, name in enumerate(names):
        if not _varies(values[:, k], number):
            return NotYet(f"{_plain(name)} is the same in all swings of a session")
    binary = y in FELT_MEASURES
    place = np.array([row.order for row in chosen], dtype=np.float64)
    fit = _fit(values[:, 1:], values[:, 0], number, place, binary=binary)
    if isinstance(fit, NotYet):
        return fit
    level = family_level(p.level, comparisons)
    raw = fit.interval(0, level)
    slope = Interval(raw.low, raw.middle, raw.high, p.level)
    step = _usual_step(values[:, 1], number)
    if x in FELT_MEASURES:
        step = 1.0
    along = Interval(slope.low * step, slope.middle * step, slope.high * step, p.level)
    if margin is None:
        margin = 0.1 if binary else LEAST_MARGIN * _usual_step(values[:, 0], number)
    outcome = judge(along, margin)
    more = None
    if outcome is Outcome.UNCLEAR:
        # A relation as large as what matters is to be told: by leaving out zero, in p.power of
        # cases. The standard error falls with the root of the number of swings.
        quantiles = student_t(0.5 + level / 2, 1e6) + student_t(p.power, 1e6)
        now = float(fit.se[0]) * step
        needed = len(chosen) * (quantiles * now / margin) ** 2 if margin > 0 else math.inf
        extra = needed - len(chosen)
        more = None if not math.isfinite(extra) else max(1, math.ceil(extra))
    return Association(
        y=y,
        x=x,
        given=tuple(given),
        slope=slope,
        usual_step=step,
        for_usual_step=along,
        outcome=outcome,
        margin=margin,
        n=len(chosen),
        sessions=int(number.max()) + 1,
        left_out=left_out,
        more_swings=more,
        swing_ids=tuple(row.swing_id for row in chosen),
    )


def associate(
    rows: Sequence[SwingRow],
    results: Sequence[str],
    measures: Sequence[str] = ("swing_ms", "backswing_ms", "downswing_ms", "turn_deg"),
    *,
    params: EvidenceParams | None = None,
) -> list[tuple[str, str, tuple[str, ...], Association | NotYet]]:
    """Look at all relations at once, with their number counted; and at time and turn, each given
    the other.

    Parameters
    ----------
    rows : sequence of SwingRow
    results : sequence of str
        What may go with the measures: peak rate, head speed, carry, offline, felt or measured
        strike.
    measures : sequence of str
    params : EvidenceParams, optional

    Returns
    -------
    list of (y, x, given, Association or NotYet)
        Pairs in which one name would stand twice are left out.
    """
    asked: list[tuple[str, str, tuple[str, ...]]] = []
    for y in results:
        asked += [(y, x, ()) for x in measures if x != y]
        for x in measures:
            if x != "turn_deg" and "turn_deg" in measures and y not in (x, "turn_deg"):
                asked.append((y, x, ("turn_deg",)))
        time = next((m for m in ("swing_ms", "backswing_ms") if m in measures), None)
        if time is not None and "turn_deg" in measures and y not in (time, "turn_deg"):
            asked.append((y, "turn_deg", (time,)))
    return [
        (
            y,
            x,
            given,
            association(rows, y, x, given, comparisons=len(asked), params=params),
        )
        for y, x, given in asked
    ]


def best_range(
    rows: Sequence[SwingRow],
    y: str,
    x: str,
    *,
    params: EvidenceParams | None = None,
) -> BestRange | NotYet:
    """Look for a third of the usual range of ``x`` in which ``y`` was higher than elsewhere.

    The interval holds for all three thirds together (Bonferroni), so that picking the highest
    doesn't flatter it; if zero lies inside, no range is given.

    Parameters
    ----------
    rows : sequence of SwingRow
        Of one setting.
    y, x : str
    params : EvidenceParams, optional

    Returns
    -------
    BestRange or NotYet
    """
    p = params or EvidenceParams()
    if x in FELT_MEASURES:
        return NotYet("a felt answer has no range")
    chosen, values = _table(rows, (y, x))
    least = 30
    if len(chosen) < least:
        return NotYet.count(len(chosen), least, f"swings with {_names((y, x))}")
    number = session_numbers([row.session_id for row in chosen])
    place = np.array([row.order for row in chosen], dtype=np.float64)
    edges = np.quantile(values[:, 1], [0.0, 1 / 3, 2 / 3, 1.0])
    if len(np.unique(edges)) < 4:
        return NotYet(f"{_plain(x)} takes too few different values")
    level = 1.0 - (1.0 - p.level) / 3.0
    best: BestRange | None = None
    for k in range(3):
        inside = (values[:, 1] >= edges[k]) & (
            values[:, 1] < edges[k + 1] if k < 2 else values[:, 1] <= edges[3]
        )
        part = inside.astype(np.float64)
        if not _varies(part, number):
            continue
        fit = _fit(part[:, None], values[:, 0], number, place, binary=y in FELT_MEASURES)
        if isinstance(fit, NotYet):
            return fit
        raw = fit.interval(0, level)
        if raw.low > 0 and (best is None or raw.low > best.gain.low):
            best = BestRange(
                y=y,
                x=x,
                low=float(edges[k]),
                high=float(edges[k + 1]),
                gain=Interval(raw.low, raw.middle, raw.high, p.level),
                n_inside=int(inside.sum()),
                n=len(chosen),
            )
    if best is None:
        return NotYet(f"no range of {_plain(x)} stands out in {_plain(y)} by more than chance")
    return best


def _table(rows: Sequence[SwingRow], names: Sequence[str]) -> tuple[list[SwingRow], Array]:
    """Return rows of the latest sessions that have all quantities, in order, and their values."""
    if rows:
        one_setting(rows)
    first: dict[str, int] = {}
    for row in rows:
        first.setdefault(row.session_id, len(first))
    chosen = [row for row in rows if all(value_of(row, name) is not None for name in names)]
    latest = latest_sessions(chosen)
    chosen = [row for row in chosen if row.session_id in latest]
    chosen.sort(key=lambda row: (first[row.session_id], row.order))
    found = (value_of(row, name) for row in chosen for name in names)
    flat = [value for value in found if value is not None]
    return chosen, clean(flat).reshape(len(chosen), len(names))


def _centred(values: Array, number: Index) -> Array:
    """Subtract each session's median."""
    out = values.copy()
    for k in range(int(number.max()) + 1):
        out[number == k] -= np.median(values[number == k])
    return out


def _near(x: Array, number: Index, felt: Sequence[bool]) -> npt.NDArray[np.bool_]:
    """Tell which swings lie near enough to their session in every quantity on the right."""
    keep = np.ones(len(x), dtype=bool)
    for k in range(x.shape[1]):
        if felt[k]:
            continue
        dev = np.abs(_centred(x[:, k], number))
        scale = 1.4826 * float(np.median(dev))
        if scale > 0:
            keep &= dev <= FAR * scale
    return keep


def _varies(values: Array, number: Index) -> bool:
    """Tell whether a quantity differs within any session."""
    return any(np.ptp(values[number == k]) > 0 for k in range(int(number.max()) + 1))


def _usual_step(values: Array, number: Index) -> float:
    """Spread within sessions; the standard deviation where half of the swings are alike."""
    dev = _centred(values, number)
    step = 1.4826 * float(np.median(np.abs(dev)))
    return step if step > 0 else float(np.std(dev))


def _fit(x: Array, y: Array, number: Index, place: Array, *, binary: bool) -> RobustFit | NotYet:
    """Fit with a level and, where there are swings enough, a trend for each session.

    Two quantities that both drift through a session go together without having to do with each
    other, hence the trends.
    """
    columns = [_centred(x[:, k], number) for k in range(x.shape[1])]
    for k in range(int(number.max()) + 1):
        mine = number == k
        columns.append(mine.astype(np.float64))
        if mine.sum() >= LEAST_FOR_TREND:
            columns.append(np.where(mine, place - place[mine].mean(), 0.0))
    return robust_fit(np.column_stack(columns), y, number, FELT_FIT if binary else None)
