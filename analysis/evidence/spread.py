"""A player's swings as rows and sessions, and what change between sessions can be told.

Two spreads are kept apart: within a session, and between sessions. The second holds the player's
day and the strapping on of the sensor, and more swings on one day don't make it smaller. Both are
those of `analysis.evidence.variance`, which everything that compares uses. The middle of a session
is its trimmed mean, so single odd swings hardly move it.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.special import stdtrit

from analysis.errors import AnalysisError
from analysis.evidence.blocks import CUED
from analysis.evidence.cells import Cell, cell_of
from analysis.evidence.margins import MARGINS, Margin
from analysis.evidence.outcome import LEVEL, Decided, Decision, decide
from analysis.evidence.parts import Part, Scope, budget
from analysis.evidence.prior import Prior
from analysis.evidence.summary import Kind
from analysis.evidence.told import NotYet
from analysis.evidence.variance import Variances, variances_of
from words.units import UNCALIBRATED_GYR_U

Array = npt.NDArray[np.float64]
FeltTime = Literal["rushed", "in-time", "slow"]
FeltTurn = Literal["full", "short"]
FeltStrike = Literal["well", "not"]


@dataclass(frozen=True, slots=True, kw_only=True)
class EvidenceParams:
    """Numbers that the evidence hangs on."""

    level: float = LEVEL
    """Share of intervals that hold the truth, by convention."""
    least_set: int = 5
    """Swings before a set has a middle and an interval: with fewer, trimming leaves too little."""
    least_reference: int = 8
    """Swings before there is a reference; common practice, no source."""
    prior: Prior = field(default_factory=Prior)
    """What is taken for a player's spreads before any are seen."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Matters:
    """The difference that matters; a difference whose interval lies inside it is "same".

    Attributes
    ----------
    margins : mapping of str to Margin
        By measure; those that `analysis.evidence.compare` uses for two sets, so that all screens
        mean the same by "what matters".
    other : float
        For any other quantity, such as a ball result: a share of its middle. A twentieth; common
        practice, no source.
    """

    margins: Mapping[str, Margin] = field(default_factory=lambda: dict(MARGINS))
    other: float = 0.05

    def margin(self, measure: str, location: float) -> float:
        """Give the margin for a measure, in its own unit."""
        known = self.margins.get(measure)
        return self.other * abs(location) if known is None else known.of(location, location)


class MixedError(AnalysisError):
    """Swings were put together that can't be compared.

    Attributes
    ----------
    what : str
        "players", "clubs", "mounts" or "intents".
    names : tuple of str
        Those that were mixed.
    """

    def __init__(self, what: str, names: tuple[str, ...]) -> None:
        self.what = what
        self.names = names
        super().__init__(
            f"these swings are of different {what} ({', '.join(names)}), which are never taken "
            f"together; choose one"
        )


@dataclass(frozen=True, slots=True)
class Interval:
    """An interval that holds the truth in ``level`` of cases, and its middle."""

    low: float
    middle: float
    high: float
    level: float = 0.95

    def __contains__(self, value: float) -> bool:
        return self.low <= value <= self.high

    @staticmethod
    def of(decision: Decision) -> Interval:
        """Return the interval of a decision."""
        return Interval(decision.low, decision.difference, decision.high, decision.level)


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """What must be the same for swings to be taken together."""

    player: str | None = None
    club: str | None = None
    mount: str | None = None
    intent: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SwingRow:
    """One swing as the evidence sees it.

    Attributes
    ----------
    swing_id : str
        By which each number is followed back to its swing, such as ``session#3``.
    session_id : str
        One strapping on of one sensor.
    order : int
        Place in the session.
    player, club, mount, intent, sensor : str or None
    kind : {"rehearsal", "strike", "unclear"}
    block : str or None
        Block of a drill: "rehearsal", "ball", "silent" or "retention"; None for free swings.
    values : mapping of str to float
        Measures and ball results by name with unit (``swing_ms``, ``turn_deg``, ``carry_m`` ...);
        what wasn't measured isn't in it.
    bounds : frozenset of str
        Those of the values that are only known as "at least".
    u : mapping of str to float
        Standard uncertainties of the values that are independent from swing to swing.
    scale_key : str or None
        Sensor and its calibration, whose scale errs alike; the sensor where nothing else is said.
    growth : mapping of str to tuple of float
        By measure: by how much it grows for an error of 1 of each axis' scale.
    scale_u : tuple of float
        Relative standard uncertainty of each axis' scale.
    delay_u : mapping of str to float
        Standard uncertainty that an unknown delay of the sensor's filter gives, signed.
    hand : {"right", "left"} or None
    felt_time : {"rushed", "in-time", "slow"} or None
    felt_turn : {"full", "short"} or None
    felt_strike : {"well", "not"} or None
    """

    swing_id: str
    session_id: str
    order: int
    player: str | None = None
    club: str | None = None
    mount: str | None = None
    intent: str | None = None
    sensor: str | None = None
    kind: Kind = "unclear"
    block: str | None = None
    values: Mapping[str, float] = field(default_factory=dict)
    bounds: frozenset[str] = frozenset()
    u: Mapping[str, float] = field(default_factory=dict)
    scale_key: str | None = None
    growth: Mapping[str, tuple[float, float, float]] = field(default_factory=dict)
    scale_u: tuple[float, float, float] = (
        UNCALIBRATED_GYR_U,
        UNCALIBRATED_GYR_U,
        UNCALIBRATED_GYR_U,
    )
    delay_u: Mapping[str, float] = field(default_factory=dict)
    hand: str | None = None
    felt_time: FeltTime | None = None
    felt_turn: FeltTurn | None = None
    felt_strike: FeltStrike | None = None

    def __post_init__(self) -> None:
        for name, value in (*self.values.items(), *self.u.items()):
            if not math.isfinite(value):
                raise ValueError(f"{name} of {self.swing_id} is not a number; leave it out instead")

    @property
    def cued(self) -> bool:
        """Whether it was swung with a cue or feedback, and isn't free or a test."""
        return self.block in CUED


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionData:
    """One measure of one kind of swing in one session, in the order of the swings.

    Attributes
    ----------
    session_id : str
    values : ndarray of float, shape (n,)
    sensor : str or None
        Sessions of one sensor share its scale error, which cancels between them.
    swing_ids : tuple of str
    kind : str
    cell : Cell
        The same for `analysis.evidence.cells`, worked out once.
    """

    session_id: str
    values: Array
    sensor: str | None = None
    swing_ids: tuple[str, ...] = ()
    kind: str = "strike"
    cell: Cell = None  # type: ignore[assignment]

    def __post_init__(self) -> None:
        if self.cell is None and len(self.values):
            made = cell_of(self.values, session=self.session_id, kind=self.kind)
            object.__setattr__(self, "cell", made)


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """A difference that is asked about, before it is decided.

    Attributes
    ----------
    measure : str
    difference : float
        In the measure's unit.
    parts : tuple of Part
        What its variance is made of.
    margin : float
        Inside this it is the same for what matters.
    scope : {"today", "days"}
    """

    measure: str
    difference: float
    parts: tuple[Part, ...]
    margin: float
    scope: Scope

    def decide(self, level: float = LEVEL) -> Decision:
        """Decide it by itself."""
        return decide(self.difference, self.parts, self.margin, level=level)


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionChange(Decided):
    """A change from one session, or block of sessions, to another.

    Attributes
    ----------
    asked : Asked
    decision : Decision
    before, after : tuple of str
        Sessions on both sides.
    """

    asked: Asked
    decision: Decision
    before: tuple[str, ...]
    after: tuple[str, ...]

    @property
    def change(self) -> Interval:
        """After minus before, in the measure's unit, at the level it was decided at."""
        return Interval.of(self.decision)


def clean(values: npt.ArrayLike) -> Array:
    """Return the values as an array.

    Raises
    ------
    ValueError
        One of them isn't a finite number: absent values are to be left out.
    """
    out = np.asarray(values, dtype=np.float64).ravel()
    if not np.isfinite(out).all():
        raise ValueError("values must be finite numbers; leave absent ones out")
    return out


def student_t(probability: float, df: float) -> float:
    """Quantile of Student's t."""
    return float(stdtrit(df, probability))


def family_level(level: float, comparisons: int) -> float:
    """Level of one of several comparisons so that all together keep ``level`` (Sidak 1967)."""
    if comparisons < 1:
        raise ValueError("there is at least one comparison")
    return float(level ** (1.0 / comparisons))


def player_spread(
    groups: Sequence[Sequence[SessionData]],
    measure: str,
    params: EvidenceParams | None = None,
    *,
    mount: str | None = None,
    moving: bool = False,
) -> Variances | NotYet:
    """Spreads of a player's swings, within sessions and between them.

    Parameters
    ----------
    groups : sequence of sequences of SessionData
        Sessions of one player, club, mount and intent, in the order of time. Sessions of one group
        are taken to differ only by chance; differences between groups don't enter.
    measure : str
    params : EvidenceParams, optional
    mount : str, optional
    moving : bool
        The player may be changing; see `variances_of`.

    Returns
    -------
    Variances or NotYet

    Notes
    -----
    Sessions with fewer than `EvidenceParams.least_set` swings are left out.
    """
    p = params or EvidenceParams()
    retained = [[s for s in group if len(s.values) >= p.least_set] for group in groups]
    retained = [group for group in retained if group]
    if not retained:
        have = max((len(s.values) for group in groups for s in group), default=0)
        return NotYet.count(have, p.least_set, "in_session")
    found = variances_of(
        [[s.cell for s in group] for group in retained],
        measure,
        prior=p.prior,
        mount=mount,
        moving=moving,
    )
    largest = max(float(np.max(np.abs(s.values))) for group in retained for s in group)
    if found.swing <= (1e-9 * largest) ** 2:
        return NotYet.of("no_spread_in_sessions")
    return found


def ask_change(
    before: Sequence[SessionData],
    after: Sequence[SessionData],
    history: Sequence[SessionData] = (),
    *,
    measure: str,
    mount: str | None = None,
    matters: Matters | None = None,
    params: EvidenceParams | None = None,
) -> Asked | NotYet:
    """Work out a change between two sessions or two blocks of sessions, and its parts.

    Parameters
    ----------
    before, after : sequence of SessionData
        One session or more a side, of one player, club, mount and intent.
    history : sequence of SessionData
        Other sessions of the same, from which the player's spread between sessions is told; none
        of those in ``before`` and ``after``.
    measure : str
        Its name; turn and rate carry the sensor's scale, times don't.
    mount : str, optional
    matters : Matters, optional
    params : EvidenceParams, optional

    Returns
    -------
    Asked or NotYet
        Always from day to day.
    """
    p = params or EvidenceParams()
    sides = [[s for s in side if len(s.values) >= p.least_set] for side in (before, after)]
    for side, given in zip(sides, (before, after), strict=True):
        if not side:
            have = max((len(s.values) for s in given), default=0)
            return NotYet.count(have, p.least_set, "in_session")
    ids = [s.session_id for s in (*sides[0], *sides[1], *history)]
    if len(set(ids)) != len(ids):
        raise ValueError("a session can stand on one side only")
    spread = player_spread([*sides, history], measure, p, mount=mount)
    if isinstance(spread, NotYet):
        return spread
    contrast = [
        (s.cell, sign / len(side))
        for sign, side in zip((-1.0, 1.0), sides, strict=True)
        for s in side
    ]
    parts = budget(contrast, spread, "days")
    locations = [sum(s.cell.location for s in side) / len(side) for side in sides]
    return Asked(
        measure=measure,
        difference=locations[1] - locations[0],
        parts=parts,
        margin=(matters or Matters()).margin(measure, locations[0]),
        scope="days",
    )


def one_setting(rows: Sequence[SwingRow]) -> Setting:
    """Return the player, club, mount and intent that all rows share.

    Raises
    ------
    MixedError
        They differ. A club or intent that nobody said counts as one of its own.
    ValueError
        There are no rows.
    """
    if not rows:
        raise ValueError("no swings")
    for what in ("player", "club", "mount", "intent"):
        names = {_intent(r) if what == "intent" else getattr(r, what) for r in rows}
        if len(names) > 1:
            shown = tuple(sorted("not said" if name is None else str(name) for name in names))
            raise MixedError(what + "s", shown)
    first = rows[0]
    return Setting(player=first.player, club=first.club, mount=first.mount, intent=_intent(first))


def _intent(row: SwingRow) -> str:
    """Swings are full ones unless somebody said otherwise, as in `summary.group_swings`."""
    return "part" if row.intent == "part" else "full"


def sessions_of(rows: Sequence[SwingRow], measure: str) -> list[SessionData]:
    """Sort one measure of rows of one setting into sessions, in the order they first come.

    Parameters
    ----------
    rows : sequence of SwingRow
    measure : str

    Returns
    -------
    list of SessionData
        Sessions in which no swing has the measure are left out, and those whose middle hangs on
        values that are only known as "at least" (see `cell_of`, and `bounded` for which they are).

    Raises
    ------
    MixedError
        The rows are of several settings.
    """
    return [
        SessionData(
            session_id=session_id,
            values=np.array([row.values[measure] for row in members], dtype=np.float64),
            sensor=members[0].sensor,
            swing_ids=tuple(row.swing_id for row in members),
            kind=cell.kind,
            cell=cell,
        )
        for session_id, members, cell in _cells(rows, measure)
        if cell is not None
    ]


def bound_reason(rows: Sequence[SwingRow], measure: str) -> NotYet | None:
    """Say why a measure's middle isn't known though it was measured; None where that isn't so."""
    held = [members for _, members, cell in _cells(rows, measure) if cell is None]
    if not held:
        return None
    count = sum(measure in row.bounds for members in held for row in members)
    of = sum(len(members) for members in held)
    return NotYet.of("at_least", count=count, of=of)


def _cells(rows: Sequence[SwingRow], measure: str) -> list[tuple[str, list[SwingRow], Cell | None]]:
    """Sort rows into sessions, with the cell of each; None where it hangs on bounds."""
    if not rows:
        return []
    one_setting(rows)
    found: dict[str, list[SwingRow]] = {}
    place: dict[str, int] = {}
    for row in rows:
        place.setdefault(row.session_id, len(place))
        if measure in row.values:
            found.setdefault(row.session_id, []).append(row)
    out = []
    for session_id, members in found.items():
        members.sort(key=lambda row: row.order)
        sensors = {row.sensor for row in members}
        if len(sensors) > 1:
            names = tuple(sorted("not said" if s is None else s for s in sensors))
            raise MixedError("sensors in one session", names)
        out.append((session_id, members, cell_of_rows(members, measure, place[session_id])))
    return out


def cell_of_rows(
    rows: Sequence[SwingRow], measure: str, sessions_place: float = 0.0
) -> Cell | None:
    """Make a cell of one session's swings that have a measure; None where it hangs on bounds.

    Parameters
    ----------
    rows : sequence of SwingRow
        Of one session, in their order; one at least.
    measure : str
    sessions_place : float
        Place of the session among the player's.
    """
    values = np.array([row.values[measure] for row in rows], dtype=np.float64)
    kinds = {row.kind for row in rows}
    first = rows[0]
    growth = None
    if measure.endswith(("_deg", "_dps")):
        if all(measure in row.growth for row in rows):
            growth = np.mean([row.growth[measure] for row in rows], axis=0)
        else:
            # Not known by axis: as if all three axes took part alike.
            growth = np.full(3, float(np.mean(values)) / math.sqrt(3.0))
    return cell_of(
        values,
        session=first.session_id,
        kind=kinds.pop() if len(kinds) == 1 else "mixed",
        places=[float(row.order) for row in rows],
        runs=_runs(rows),
        bounds=[measure in row.bounds for row in rows],
        sessions_place=float(sessions_place),
        own_variance=sum(row.u.get(measure, 0.0) ** 2 for row in rows) / len(rows),
        scale=growth,
        scale_u=np.array(first.scale_u),
        scale_key=first.scale_key if first.scale_key is not None else first.sensor,
        delay=sum(row.delay_u.get(measure, 0.0) for row in rows) / len(rows),
        delay_key=first.sensor,
    )


def _runs(rows: Sequence[SwingRow]) -> npt.NDArray[np.intp]:
    """Number the runs of swings that stood together, in one block."""
    out = [0]
    for one, other in itertools.pairwise(rows):
        apart = other.order > one.order + 1 or other.block != one.block
        out.append(out[-1] + int(apart))
    return np.array(out, dtype=np.intp)
