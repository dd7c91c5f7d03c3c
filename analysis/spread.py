"""How much a player's swings differ of themselves, and what change can therefore be told.

Two spreads are kept apart: within a session, and between sessions. The second holds the player's
day and the strapping on of the sensor, and more swings on one day don't make it smaller. The middle
of a session is its trimmed mean, so single odd swings hardly move it; sessions are the units of
every comparison between days, so whatever drifts or hangs together within a session is allowed for.

References
----------
Yuen, K. K. (1974). The two-sample trimmed t for unequal population variances. Biometrika 61,
165-170: the standard error of a trimmed mean. Weir, J. P. (2005). Quantifying test-retest
reliability using the intraclass correlation coefficient and the SEM. J. Strength Cond. Res. 19(1),
231-240, doi 10.1519/15184.1. Shrout, P. E. & Fleiss, J. L. (1979). Intraclass correlations.
Psychol. Bull. 86(2), 420-428. Satterthwaite, F. E. (1946). An approximate distribution of estimates
of variance components. Biometrics Bull. 2(6), 110-114.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final, Literal

import numpy as np
import numpy.typing as npt
from scipy.special import stdtrit

from analysis.compare import MARGINS, Margin
from analysis.errors import AnalysisError
from analysis.outcome import Outcome
from analysis.results import Swing
from analysis.summary import Kind, kind_of

Array = npt.NDArray[np.float64]
FeltTime = Literal["rushed", "in-time", "slow"]
FeltTurn = Literal["full", "short"]
FeltStrike = Literal["well", "not"]

__all__ = [
    "EvidenceParams",
    "Interval",
    "Matters",
    "Middle",
    "MixedError",
    "NotYet",
    "PartsCache",
    "PlayerSpread",
    "Reliability",
    "SessionChange",
    "SessionData",
    "Setting",
    "SwingRow",
    "Telling",
    "change_between",
    "clean",
    "judge",
    "middle_of",
    "moving_spread",
    "one_setting",
    "player_spread",
    "reliability",
    "row_of",
    "sessions_of",
    "student_t",
    "telling",
    "unit_of",
]

UNITS: Final = {"_ms": "ms", "_s": "s", "_deg": "deg", "_dps": "deg/s", "_m_s": "m/s", "_m": "m"}


ROW_MEASURES: Final = (
    "swing_ms",
    "backswing_ms",
    "downswing_ms",
    "tempo_ratio",
    "turn_deg",
    "peak_rate_dps",
    "peak_transverse_dps",
    "top_dwell_ms",
)
"""Fields of `Swing` that a row takes over."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EvidenceParams:
    """Numbers that the evidence hangs on."""

    level: float = 0.95
    """Share of intervals that hold the truth, by convention."""
    power: float = 0.85
    """A difference as large as the stated detectable one is told in at least this share of cases.
    Above the usual 0.8, since heavy tails cost a little."""
    trim: float = 0.2
    """Share left out of the middle at each end. Common choice for the trimmed t: one odd swing in
    five is borne (Yuen 1974; 0.2 from memory)."""
    least_set: int = 5
    """Swings before a set has a middle and an interval: with fewer, trimming leaves too little."""
    least_reference: int = 8
    """Swings before there is a reference; common practice, no source."""
    least_sessions: int = 3
    """Sessions before their spread is told: with two there is one difference, and t is 12.7."""
    largest_rho: float = 0.8
    """Autocorrelation between neighbouring swings is held below this: beyond it, a session is one
    observation anyway."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Matters:
    """The difference that matters; a difference whose interval lies inside it is "same".

    Attributes
    ----------
    margins : mapping of str to Margin
        By measure; those that `analysis.compare` uses for two sets, so that all screens mean the
        same by "what matters".
    other : float
        For any other quantity, such as a ball result: a share of its middle. A twentieth; common
        practice, no source.
    """

    margins: Mapping[str, Margin] = field(default_factory=lambda: dict(MARGINS))
    other: float = 0.05

    def margin(self, measure: str, middle: float) -> float:
        """Give the margin for a measure, in its own unit."""
        known = self.margins.get(measure)
        return self.other * abs(middle) if known is None else known.of(middle, middle)


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
class NotYet:
    """Why nothing can be said: ``reason`` for people, with how many there are of how many needed.

    ``have`` and ``need`` are None where it isn't a matter of numbers.
    """

    reason: str
    have: int | None = None
    need: int | None = None

    @staticmethod
    def count(have: int, need: int, what: str = "swings") -> NotYet:
        """Say that there are too few."""
        return NotYet(f"{have} of {need} {what} so far", have, need)

    def __str__(self) -> str:
        return self.reason


@dataclass(frozen=True, slots=True)
class Interval:
    """An interval that holds the truth in ``level`` of cases, and its middle."""

    low: float
    middle: float
    high: float
    level: float = 0.95

    def __contains__(self, value: float) -> bool:
        return self.low <= value <= self.high


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
    u : mapping of str to float
        Standard uncertainties of the values that are independent from swing to swing.
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
    u: Mapping[str, float] = field(default_factory=dict)
    felt_time: FeltTime | None = None
    felt_turn: FeltTurn | None = None
    felt_strike: FeltStrike | None = None

    def __post_init__(self) -> None:
        for name, value in (*self.values.items(), *self.u.items()):
            if not math.isfinite(value):
                raise ValueError(f"{name} of {self.swing_id} is not a number; leave it out instead")


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionData:
    """One measure of one session, in the order of the swings.

    Attributes
    ----------
    session_id : str
    values : ndarray of float, shape (n,)
    sensor : str or None
        Sessions of one sensor share its scale error, which cancels between them.
    swing_ids : tuple of str
    """

    session_id: str
    values: Array
    sensor: str | None = None
    swing_ids: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Middle:
    """Trimmed mean of some swings.

    Attributes
    ----------
    n, kept : int
        Swings, and those left after trimming.
    middle : float
    unit_var : float
        Estimated variance such that the middle's own is ``unit_var / kept`` for independent swings.
    df : int
        Degrees of freedom of ``unit_var``.
    """

    n: int
    kept: int
    middle: float
    unit_var: float
    df: int


@dataclass(frozen=True, slots=True, kw_only=True)
class PlayerSpread:
    """Spread of one measure of one player with one club and mount.

    Attributes
    ----------
    sessions, swings : int
    middle : float
        Mean of the sessions' middles.
    within : float
        Spread within a session: median absolute deviation from the session's median, times 1.4826.
    unit_var, within_df : float
        See `Middle`, pooled.
    between : float or None
        Standard deviation between sessions beyond what the swings within explain (at least zero);
        None with fewer than three sessions.
    session_var : float
        Variance of the sessions' middles as it stands.
    mean_within_var : float
        The part of it that the spread within would explain.
    between_df : float
    rho : float
        Correlation between a swing and the next within a session, at least zero.
    icc : float or None
        Share of the variance of single swings that lies between sessions.
    """

    sessions: int
    swings: int
    middle: float
    within: float
    unit_var: float
    within_df: int
    between: float | None
    session_var: float
    mean_within_var: float
    between_df: float
    rho: float

    @property
    def sessions_alike(self) -> int:
        """Of how many sessions of the same kind of swing the spread between sessions is told.

        With one kind that is all of them. Where some hold rehearsals only and others strikes, it
        is fewer, since a rehearsal and a strike are never set against each other for it.
        """
        return math.ceil(self.between_df - 1e-9) + 1

    @property
    def icc(self) -> float | None:
        """Share of the variance of single swings that lies between sessions."""
        if self.between is None:
            return None
        whole = self.between**2 + self.within**2
        return self.between**2 / whole if whole > 0 else None

    def n_effective(self, n: int) -> float:
        """Give how many independent swings ``n`` swings of a session are worth."""
        return n / inflation(self.rho, n)

    def within_var(self, n: int, params: EvidenceParams | None = None) -> float:
        """Variance that the spread within a session gives the middle of ``n`` swings."""
        kept = n - 2 * _cut(n, (params or EvidenceParams()).trim)
        return self.unit_var / kept * inflation(self.rho, n)

    def difference(self, session_share: float, within_var: float) -> tuple[float, float]:
        """Standard error and degrees of freedom of a difference between middles.

        Parameters
        ----------
        session_share : float
            Sum over sessions of the squared difference of their weights on the two sides: 0 within
            one session, 2 for two sessions, 1/a + 1/b for blocks of a and b sessions.
        within_var : float
            Variance from the spread within, both sides together.

        Returns
        -------
        se, df : float
        """
        # Sessions' middles as they were seen, plus what smaller sets than those have on top. It is
        # tempting to hold session_var at no less than the spread within explains; measured, that
        # makes alarms several times rarer than stated, since t already allows for an unlucky one.
        rest = within_var - session_share * self.mean_within_var
        seen = session_share * self.session_var
        if rest < 0:
            # Larger sets than those were: the same share less as their spreads foretell.
            between = session_share * (self.between or 0.0) ** 2
            seen *= (between + within_var) / (between + session_share * self.mean_within_var)
            rest = 0.0
        var = seen + rest
        if var <= 0:
            return 0.0, float(max(self.between_df, 1))
        below = 0.0
        if session_share > 0:
            below += seen**2 / max(self.between_df, 1)
        below += rest**2 / max(self.within_df, 1)
        df = var**2 / below if below > 0 else float(self.within_df)
        return math.sqrt(var), df

    def sem(self, n: int) -> float | None:
        """Standard error of measurement of one session's middle of ``n`` swings (Weir 2005)."""
        if self.between is None:
            return None
        return self.difference(1.0, self.within_var(n))[0]


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionChange:
    """A change from one session, or block of sessions, to another.

    Attributes
    ----------
    outcome : Outcome
    change : Interval
        After minus before, in the measure's unit.
    needed, detectable : float
        See `Telling`.
    margin : float
        Inside this it is the same for what matters.
    comparisons : int
        How many were made together; the interval is wider for it.
    before, after : tuple of str
        Sessions on both sides.
    """

    outcome: Outcome
    change: Interval
    needed: float
    detectable: float
    margin: float
    comparisons: int
    before: tuple[str, ...]
    after: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Reliability:
    """Reliability of a full table of subjects by occasions.

    Attributes
    ----------
    icc_1, icc_2, icc_3 : float
        ICC(1,1), (2,1) and (3,1) of Shrout & Fleiss (1979).
    sem : float
        Root of the two-way residual mean square (Weir 2005).
    mdc95 : float
        1.96 sqrt(2) sem.
    """

    icc_1: float
    icc_2: float
    icc_3: float
    sem: float
    mdc95: float


def row_of(
    swing: Swing,
    *,
    swing_id: str,
    session_id: str,
    order: int,
    mount: str | None,
    sensor: str | None,
    player: str | None = None,
    club: str | None = None,
    block: str | None = None,
    results: Mapping[str, float] | None = None,
    felt_time: FeltTime | None = None,
    felt_turn: FeltTurn | None = None,
    felt_strike: FeltStrike | None = None,
) -> SwingRow:
    """Make a row of a measured swing.

    Parameters
    ----------
    swing : Swing
    swing_id, session_id, order, mount, sensor, block
        As in `SwingRow`.
    player, club : str, optional
        Instead of those that the swing has, such as a player's id.
    results : mapping of str to float, optional
        Ball results that there are.
    felt_time, felt_turn, felt_strike : str, optional

    Returns
    -------
    SwingRow
        Of what an uncertainty is made of, only what is the swing's own counts here: the clock of a
        recording and the scale of a sensor are common to many swings. A peak rate that is only a
        lower bound is left out.
    """
    values: dict[str, float] = {}
    u: dict[str, float] = {}
    bounded = any(note.code == "rate_lower_bound" for note in swing.notes)
    for name in ROW_MEASURES:
        value = getattr(swing, name)
        if value is None or (bounded and name in ("peak_rate_dps", "peak_transverse_dps")):
            continue
        values[name] = value
        stated = getattr(swing, f"{name}_u")
        parts = swing.budget.get(name)
        if parts is not None:
            u[name] = math.sqrt(sum(part.u**2 for part in parts if part.shared is None))
        elif stated is not None:
            u[name] = stated
    return SwingRow(
        swing_id=swing_id,
        session_id=session_id,
        order=order,
        player=swing.player if player is None else player,
        club=swing.club if club is None else club,
        mount=mount,
        intent=swing.intent,
        sensor=sensor,
        kind=kind_of(swing),
        block=block,
        values={**values, **(results or {})},
        u=u,
        felt_time=felt_time,
        felt_turn=felt_turn,
        felt_strike=felt_strike,
    )


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


def unit_of(measure: str) -> str:
    """Give the unit that a measure's name ends in; empty for a ratio."""
    for ending in sorted(UNITS, key=len, reverse=True):
        if measure.endswith(ending):
            return UNITS[ending]
    return ""


def student_t(probability: float, df: float) -> float:
    """Quantile of Student's t."""
    return float(stdtrit(df, probability))


def family_level(level: float, comparisons: int) -> float:
    """Level of one of several comparisons so that all together keep ``level`` (Sidak 1967)."""
    if comparisons < 1:
        raise ValueError("there is at least one comparison")
    return float(level ** (1.0 / comparisons))


def inflation(rho: float, n: int) -> float:
    """Factor by which autocorrelation widens the variance of a mean of ``n`` swings.

    ``1 + 2 sum (1 - k/n) rho^k``, the exact factor for a first-order autoregression.
    """
    if rho <= 0 or n < 2:
        return 1.0
    k = np.arange(1, n)
    return float(1.0 + 2.0 * np.sum((1.0 - k / n) * rho**k))


def _cut(n: int, trim: float) -> int:
    """How many swings are left out at each end; rounded, so a median of three is left of three."""
    return min(int(trim * n + 0.5), (n - 1) // 2)


def middle_of(values: npt.ArrayLike, params: EvidenceParams | None = None) -> Middle:
    """Trimmed mean and the variance behind it.

    Parameters
    ----------
    values : array_like, shape (n,)
        At least one.
    params : EvidenceParams, optional

    Returns
    -------
    Middle
    """
    x = np.sort(clean(values))
    n = len(x)
    if not n:
        raise ValueError("no values")
    cut = _cut(n, (params or EvidenceParams()).trim)
    kept = n - 2 * cut
    core = x[cut : n - cut]
    middle = float(core.mean())
    if kept < 2:
        return Middle(n=n, kept=kept, middle=middle, unit_var=0.0, df=0)
    wins = np.concatenate([np.full(cut, core[0]), core, np.full(cut, core[-1])])
    square = float(np.sum((wins - wins.mean()) ** 2))
    return Middle(n=n, kept=kept, middle=middle, unit_var=square / (kept - 1), df=kept - 1)


def autocorrelation(sessions: Sequence[Array], params: EvidenceParams | None = None) -> float:
    """Correlation of neighbouring swings, pooled over sessions, between zero and a bound.

    Deviations are from the session's median and held within 2.5 spreads, so that odd swings don't
    rule it. The bias of a short series, about ``-(1 + 4 rho)/n`` (Kendall, 1954, from memory), is
    taken off.
    """
    p = params or EvidenceParams()
    return _pooled_rho([_lag_parts(x) for x in sessions], p)


def _lag_parts(x: Array) -> tuple[float, float, int] | None:
    """Sums of products of neighbours and of squares, and the number of swings."""
    if len(x) < 4:
        return None
    dev = x - np.median(x)
    scale = 1.4826 * float(np.median(np.abs(dev)))
    if scale <= 0:
        return None
    dev = np.clip(dev, -2.5 * scale, 2.5 * scale) / scale
    dev -= dev.mean()
    top = float(np.sum(dev[1:] * dev[:-1])) * len(x) / (len(x) - 1)
    return top, float(np.sum(dev**2)), len(x)


def _pooled_rho(parts: Sequence[tuple[float, float, int] | None], p: EvidenceParams) -> float:
    there = [part for part in parts if part is not None]
    bottom = sum(part[1] for part in there)
    if not there or bottom <= 0:
        return 0.0
    rho = sum(part[0] for part in there) / bottom
    n = sum(part[2] for part in there) / len(there)
    rho = (rho + 1.0 / n) / (1.0 - 4.0 / n) if n > 5 else rho
    return float(np.clip(rho, 0.0, p.largest_rho))


@dataclass(frozen=True, slots=True)
class SessionParts:
    """What the spread needs of a session, worked out once."""

    session: SessionData
    values: Array
    middle: Middle
    deviations: Array
    lag: tuple[float, float, int] | None


PartsCache = dict[int, SessionParts]
"""By the session's ``id()``; the parts hold the session, so that it isn't given to another."""


def _parts_of(session: SessionData, p: EvidenceParams, cache: PartsCache | None) -> SessionParts:
    if cache is not None and id(session) in cache:
        return cache[id(session)]
    x = clean(session.values)
    parts = SessionParts(session, x, middle_of(x, p), x - np.median(x), _lag_parts(x))
    if cache is not None:
        cache[id(session)] = parts
    return parts


def player_spread(
    groups: Sequence[Sequence[SessionData]],
    params: EvidenceParams | None = None,
    *,
    cache: PartsCache | None = None,
) -> PlayerSpread | NotYet:
    """Spread of a player's sessions.

    Parameters
    ----------
    groups : sequence of sequences of SessionData
        Sessions of one player, club, mount and intent. Sessions of one group are taken to differ
        only by chance; differences between groups don't enter. One group is the usual case.
    params : EvidenceParams, optional
    cache : dict, optional
        Keeps what was worked out of each session, for calls with the same session objects.

    Returns
    -------
    PlayerSpread or NotYet
        With fewer than three sessions to tell their spread from, ``between`` is None.

    Notes
    -----
    Sessions with fewer than `EvidenceParams.least_set` swings are left out.
    """
    p = params or EvidenceParams()
    kept = [[s for s in group if len(s.values) >= p.least_set] for group in groups]
    kept = [group for group in kept if group]
    every = [s for group in kept for s in group]
    if not every:
        have = max((len(s.values) for group in groups for s in group), default=0)
        return NotYet.count(have, p.least_set, "swings in a session")
    found = {id(s): _parts_of(s, p, cache) for s in every}
    parts = [found[id(s)] for s in every]
    df = sum(part.middle.df for part in parts)
    unit_var = sum(part.middle.unit_var * part.middle.df for part in parts) / df
    deviations = np.concatenate([part.deviations for part in parts])
    within = 1.4826 * float(np.median(np.abs(deviations)))
    largest = max(float(np.max(np.abs(part.values))) for part in parts)
    if unit_var <= (1e-9 * largest) ** 2:
        return NotYet("all swings of a session have the same value, so there is no spread to go by")
    rho = _pooled_rho([part.lag for part in parts], p)
    factor: dict[int, float] = {}
    for part in parts:
        if part.middle.n not in factor:
            factor[part.middle.n] = inflation(rho, part.middle.n)
    within_vars = [unit_var / q.middle.kept * factor[q.middle.n] for q in parts]
    between_df = sum(len(group) - 1 for group in kept)
    square = 0.0
    for group in kept:
        values = np.array([found[id(s)].middle.middle for s in group])
        square += float(np.sum((values - values.mean()) ** 2))
    mean_within = float(np.mean(within_vars))
    session_var = square / between_df if between_df else mean_within
    between = None
    if between_df >= p.least_sessions - 1:
        between = math.sqrt(max(0.0, session_var - mean_within))
    # Sessions of few and of many swings differ in how sure their middles are, and such a mixture
    # tells less than as many alike (Satterthwaite again).
    own = (between or 0.0) ** 2 + np.array(within_vars)
    alike = float(np.mean(own) ** 2 / np.mean(own**2))
    return PlayerSpread(
        # A session with two kinds of swing is in two groups, and is one session all the same.
        sessions=len({s.session_id for s in every}),
        swings=sum(len(part.values) for part in parts),
        middle=float(np.mean([part.middle.middle for part in parts])),
        within=within,
        unit_var=unit_var,
        within_df=df,
        between=between,
        session_var=session_var,
        mean_within_var=mean_within,
        between_df=between_df * alike,
        rho=rho,
    )


def moving_spread(
    sessions: Sequence[SessionData],
    params: EvidenceParams | None = None,
    *,
    cache: PartsCache | None = None,
) -> PlayerSpread | NotYet:
    """Spread of the sessions of a player who may be changing.

    Between sessions it is told from the steps from each session to the next (half the mean square
    of successive differences: von Neumann, J. (1941). Ann. Math. Stat. 12, 367-395), which a steady
    change hardly touches. About a third of the degrees of freedom go for it (from memory).

    Parameters
    ----------
    sessions : sequence of SessionData
        In order of time.
    params : EvidenceParams, optional
    cache : dict, optional
        Keeps what was worked out of each session, for calls with the same session objects.

    Returns
    -------
    PlayerSpread or NotYet
    """
    p = params or EvidenceParams()
    usual = player_spread([sessions], p, cache=cache)
    if isinstance(usual, NotYet) or usual.between is None:
        return usual
    middles = [
        _parts_of(s, p, cache).middle.middle for s in sessions if len(s.values) >= p.least_set
    ]
    session_var = float(np.mean(np.diff(middles) ** 2)) / 2.0
    df = 2.0 / 3.0 * (len(middles) - 1)
    return dataclasses.replace(
        usual,
        session_var=session_var,
        between=math.sqrt(max(0.0, session_var - usual.mean_within_var)),
        between_df=max(df * usual.between_df / (len(middles) - 1), 1.0),
    )


def judge(change: Interval, margin: float) -> Outcome:
    """Say which of the three outcomes an interval of a difference means.

    Inside the margin it is the same for what matters, even where it leaves out zero.
    """
    if -margin <= change.low and change.high <= margin:
        return Outcome.SAME
    if change.low > 0 or change.high < 0:
        return Outcome.DIFFERENT
    return Outcome.UNCLEAR


@dataclass(frozen=True, slots=True)
class Telling:
    """What can be told of a difference.

    Attributes
    ----------
    half : float
        Half the width of its interval.
    needed : float
        The least difference seen that is called different: it must leave out zero, and must not lie
        wholly inside the margin.
    detectable : float
        The true difference that is called different in `EvidenceParams.power` of cases.
    """

    half: float
    needed: float
    detectable: float


def telling(se: float, df: float, level: float, margin: float, power: float) -> Telling:
    """Say what can be told with a standard error."""
    half = student_t(0.5 + level / 2, df) * se
    needed = max(half, margin - half)
    return Telling(half, needed, needed + student_t(power, df) * se)


def scale_var(middle: float, weights: Mapping[str | None, float], scale_u: float) -> float:
    """Variance that the sensors' scale errors give a difference.

    Parameters
    ----------
    middle : float
        Size of the quantity.
    weights : mapping of sensor to float
        Share of each sensor on one side minus that on the other; one sensor cancels.
    scale_u : float
        Relative standard uncertainty of one sensor's scale.
    """
    return (middle * scale_u) ** 2 * sum(w * w for w in weights.values())


def add_known(se: float, df: float, known_var: float) -> tuple[float, float]:
    """Add a variance that is taken as known (JCGM 100, G.4: Welch-Satterthwaite)."""
    if known_var <= 0:
        return se, df
    var = se * se + known_var
    # What is taken as known has no degrees of freedom to lose; capped to keep t quantiles finite.
    whole = min(df * (var / (se * se)) ** 2, 1e6) if se > 0 else 1e6
    return math.sqrt(var), whole


def change_between(
    before: Sequence[SessionData],
    after: Sequence[SessionData],
    history: Sequence[SessionData] = (),
    *,
    measure: str,
    comparisons: int = 1,
    gyr_scale_u: float = 0.01,
    matters: Matters | None = None,
    params: EvidenceParams | None = None,
) -> SessionChange | NotYet:
    """Say whether a measure changed between two sessions or two blocks of sessions.

    Parameters
    ----------
    before, after : sequence of SessionData
        One session or more a side, of one player, club, mount and intent.
    history : sequence of SessionData
        Other sessions of the same, from which the player's spread between sessions is told; none
        of those in ``before`` and ``after``.
    measure : str
        Its name; turn and rate carry the sensor's scale, times don't.
    comparisons : int
        How many changes are looked at together.
    gyr_scale_u : float
        Relative standard uncertainty of a gyroscope's scale, which counts only across sensors.
    matters : Matters, optional
    params : EvidenceParams, optional

    Returns
    -------
    SessionChange or NotYet
        NotYet says how many sessions are missing: without the spread between sessions of this
        player, a change between two days can't be told from strapping on the sensor anew.
    """
    p = params or EvidenceParams()
    sides = [[s for s in side if len(s.values) >= p.least_set] for side in (before, after)]
    for side, given in zip(sides, (before, after), strict=True):
        if not side:
            have = max((len(s.values) for s in given), default=0)
            return NotYet.count(have, p.least_set, "swings in a session")
    ids = [s.session_id for s in (*sides[0], *sides[1], *history)]
    if len(set(ids)) != len(ids):
        raise ValueError("a session can stand on one side only")
    spread = player_spread([*sides, history], p)
    if isinstance(spread, NotYet):
        return spread
    if spread.between is None:
        # Each side, and the history, spends one session on its own middle.
        need = p.least_sessions - 1 + 2 + (1 if any(len(s.values) for s in history) else 0)
        return NotYet.count(spread.sessions, need, "sessions")
    share = 1.0 / len(sides[0]) + 1.0 / len(sides[1])
    within_var = sum(
        spread.within_var(len(s.values), p) / len(side) ** 2 for side in sides for s in side
    )
    se, df = spread.difference(share, within_var)
    if se <= 0:
        return NotYet("the sessions have exactly the same middle, so there is no spread to go by")
    mids = [float(np.mean([middle_of(s.values, p).middle for s in side])) for side in sides]
    if measure.endswith(("_deg", "_dps")):
        weights: dict[str | None, float] = {}
        for sign, side in zip((-1.0, 1.0), sides, strict=True):
            for s in side:
                weights[s.sensor] = weights.get(s.sensor, 0.0) + sign / len(side)
        se, df = add_known(se, df, scale_var(mids[0], weights, gyr_scale_u))
    delta = mids[1] - mids[0]
    margin = (matters or Matters()).margin(measure, mids[0])
    told = telling(se, df, family_level(p.level, comparisons), margin, p.power)
    change = Interval(delta - told.half, delta, delta + told.half, p.level)
    return SessionChange(
        outcome=judge(change, margin),
        change=change,
        needed=told.needed,
        detectable=told.detectable,
        margin=margin,
        comparisons=comparisons,
        before=tuple(s.session_id for s in sides[0]),
        after=tuple(s.session_id for s in sides[1]),
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
        Sessions in which no swing has the measure are left out.

    Raises
    ------
    MixedError
        The rows are of several settings.
    """
    if not rows:
        return []
    one_setting(rows)
    found: dict[str, list[SwingRow]] = {}
    for row in rows:
        if measure in row.values:
            found.setdefault(row.session_id, []).append(row)
    out = []
    for session_id, members in found.items():
        members.sort(key=lambda row: row.order)
        sensors = {row.sensor for row in members}
        if len(sensors) > 1:
            names = tuple(sorted("not said" if s is None else s for s in sensors))
            raise MixedError("sensors in one session", names)
        out.append(
            SessionData(
                session_id=session_id,
                values=np.array([row.values[measure] for row in members], dtype=np.float64),
                sensor=members[0].sensor,
                swing_ids=tuple(row.swing_id for row in members),
            )
        )
    return out


def reliability(table: npt.ArrayLike) -> Reliability:
    """Reliability of measurements on several occasions.

    Parameters
    ----------
    table : array_like, shape (subjects, occasions)
        Full, at least two by two.

    Returns
    -------
    Reliability

    References
    ----------
    Shrout & Fleiss (1979); Weir (2005).

    Examples
    --------
    >>> round(reliability([[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6]]).icc_3, 3)
    0.637
    """
    x = np.asarray(table, dtype=np.float64)
    if x.ndim != 2 or min(x.shape) < 2:
        raise ValueError("reliability needs at least two subjects and two occasions")
    if not np.isfinite(x).all():
        raise ValueError("the table must be full")
    n, k = x.shape
    grand = x.mean()
    rows = k * float(np.sum((x.mean(axis=1) - grand) ** 2))
    columns = n * float(np.sum((x.mean(axis=0) - grand) ** 2))
    total = float(np.sum((x - grand) ** 2))
    between = rows / (n - 1)
    within = (total - rows) / (n * (k - 1))
    error = max(0.0, (total - rows - columns) / ((n - 1) * (k - 1)))
    occasions = columns / (k - 1)
    bottoms = (
        between + (k - 1) * within,
        between + (k - 1) * error + k * (occasions - error) / n,
        between + (k - 1) * error,
    )
    if min(bottoms) <= 0:
        raise ValueError("all values are the same, so there is no reliability to tell")
    sem = math.sqrt(error)
    return Reliability(
        icc_1=(between - within) / bottoms[0],
        icc_2=(between - error) / bottoms[1],
        icc_3=(between - error) / bottoms[2],
        sem=sem,
        mdc95=1.959963984540054 * math.sqrt(2.0) * sem,
    )
