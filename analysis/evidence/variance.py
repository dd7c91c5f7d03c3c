"""One model of variance, for everything that compares.

A swing lies in a run of like swings, in a session (a day, a strapping on), of a player. Swings of
one session are alike (neighbours more so), a session drifts, rehearsals and strikes scatter
differently, and what a ball changes differs from session to session. A difference between sets of
swings has one *part* for each of these, a variance with degrees of freedom, and the parts add up
(`analysis.evidence.parts`). What is worked out of one kind of swing in one session is a *cell*
(`analysis.evidence.cells`).

All is in closed form. A spread that few sessions tell is drawn towards a stated one (`Prior`), so
that there are degrees of freedom from the first session on; how much it is drawn, and the degrees
of freedom that result, are those of Smyth (2004). Degrees of freedom of a sum are Welch's and
Satterthwaite's (JCGM 100:2008, G.4.1).

Every difference is in one of two *scopes*. ``today``: these swings of one recording, and what lay
behind them on that day. ``days``: what would be seen on other days as well.

References
----------
Yuen, K. K. (1974). The two-sample trimmed t for unequal population variances. Biometrika 61,
165-170. Smyth, G. K. (2004). Linear models and empirical Bayes methods for assessing differential
expression in microarray experiments. Stat. Appl. Genet. Mol. Biol. 3(1), article 3, doi
10.2202/1544-6115.1027. Satterthwaite, F. E. (1946). An approximate distribution of estimates of
variance components. Biometrics Bull. 2(6), 110-114.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from analysis.evidence.cells import Cell, drift_square, quadratic, run_squares
from analysis.evidence.prior import Prior

FEW: Final = 8
"""Swings under which a set's own scatter is drawn towards that of the player's like swings."""
FEW_WEIGHT: Final = 4.0
"""As many degrees of freedom the player's scatter then counts for."""


def moderated(stated: float, weight: float, seen: float | None, dof: float) -> tuple[float, float]:
    """Draw a variance that was seen towards a stated one.

    Parameters
    ----------
    stated, weight : float
        A variance, and as many degrees of freedom as it counts for.
    seen : float or None
        The variance that was seen.
    dof : float
        Its degrees of freedom.

    Returns
    -------
    variance, dof : float

    References
    ----------
    Smyth (2004), equation (3) in section 3: the posterior mean's inverse, with d0 + d.

    Examples
    --------
    >>> moderated(4.0, 4.0, 10.0, 2.0)
    (6.0, 6.0)
    """
    if seen is None or dof <= 0.0:
        return stated, weight
    return (weight * stated + dof * seen) / (weight + dof), weight + dof


@dataclass(frozen=True, slots=True, kw_only=True)
class Variances:
    """The variances of one player's swings in one measure.

    Attributes
    ----------
    kinds : mapping of str to (float, float)
        Variance of one swing and its degrees of freedom, by kind.
    swing : float
        Pooled over kinds.
    swing_dof : float
    rho : float
        Correlation of a swing with the next.
    block, block_dof, drift, drift_dof, session, session_dof, kind, kind_dof : float
        Variances beyond what comes from swing to swing, and their degrees of freedom.
    sessions : int
        Of how many the variance between sessions was told; 0 or 1: it is as stated.
    day_spread : float
        What was stated for it, as a standard deviation.
    seen_session : float or None
        What the player's own sessions made of it alone, before it was drawn towards the stated.
    sessions_alike : float
    """

    kinds: Mapping[str, tuple[float, float]]
    swing: float
    swing_dof: float
    rho: float
    block: float
    block_dof: float
    drift: float
    drift_dof: float
    session: float
    session_dof: float
    kind: float
    kind_dof: float
    sessions: int
    day_spread: float
    seen_session: float | None = None
    sessions_alike: float = 0.3
    cells: frozenset[tuple[str, str]] = frozenset()
    """Session and kind of the cells that `kinds` is made of."""

    def of_kind(self, kind: str) -> tuple[float, float]:
        """Variance of one swing of a kind and its degrees of freedom."""
        return self.kinds.get(kind, (self.swing, self.swing_dof))

    def of_cell(self, cell: Cell) -> tuple[float, float]:
        """Variance of one swing of a cell: its own, or with few swings drawn to the kind's."""
        own = max(cell.variance, cell.own_variance)
        if cell.n >= FEW:
            return own, cell.dof
        like, dof = self.of_kind(cell.kind)
        if (cell.session, cell.kind) in self.cells:
            # The others of the kind: a cell isn't drawn towards itself.
            others = dof - cell.dof
            like = (like * dof - cell.variance * cell.dof) / others if others > 0.0 else 0.0
            dof = others
        weight = min(FEW_WEIGHT, dof)
        if weight <= 0.0:
            if cell.dof > 0.0:
                return own, cell.dof
            # One swing and no like ones: the other kinds' scatter, known as badly as can be.
            return max(self.swing, own), 1.0
        variance, whole = moderated(max(like, 0.0), weight, own, cell.dof)
        return max(variance, cell.own_variance), whole


def variances_of(
    groups: Sequence[Sequence[Cell]],
    measure: str,
    *,
    prior: Prior | None = None,
    mount: str | None = None,
    moving: bool = False,
) -> Variances:
    """Work out a player's variances.

    Parameters
    ----------
    groups : sequence of sequences of Cell
        The cells of sessions that are taken to differ only by chance, in the order of time. What
        lies between groups is no spread.
    measure : str
        Chooses the stated spread between days.
    prior : Prior, optional
    mount : str, optional
    moving : bool
        The player may be changing: the spread between sessions is told from the steps from each
        to the next (half the mean square of successive differences; von Neumann, J. (1941). Ann.
        Math. Stat. 12, 367-395), for a third of the degrees of freedom (from memory).

    Returns
    -------
    Variances

    Raises
    ------
    ValueError
        There is no cell.
    """
    p = prior or Prior()
    every = [cell for group in groups for cell in group]
    if not every:
        raise ValueError("no swings")
    # A cell can stand in two groups; its swings count once.
    once = list({id(cell): cell for cell in every}.values())
    kinds: dict[str, tuple[float, float]] = {}
    for kind in dict.fromkeys(cell.kind for cell in once):
        mine = [cell for cell in once if cell.kind == kind]
        kinds[kind] = _pooled(mine)
    swing, swing_dof = _pooled(once)
    rho = rho_of([cell.lag for cell in once], p)
    block, block_dof = _blocks(once, swing, rho, p)
    drift, drift_dof = _drift(once, swing, rho, p)
    location = sum(cell.location for cell in every) / len(every)
    stated = p.day_spread(measure, location, mount) ** 2
    known = _Within(kinds, swing, rho, block)
    seen, within, dof, sessions = _between(groups, known, p, moving=moving)
    total_var, session_dof = moderated(stated + within, p.weight, seen, dof)
    by_kind, kind_dof = _kind_by_session(groups, known, drift, p)
    return Variances(
        kinds=kinds,
        swing=swing,
        swing_dof=swing_dof,
        rho=rho,
        block=block,
        block_dof=block_dof,
        drift=drift,
        drift_dof=drift_dof,
        session=max(total_var - within, 0.0),
        session_dof=session_dof,
        kind=by_kind,
        kind_dof=kind_dof,
        sessions=sessions,
        day_spread=math.sqrt(stated),
        seen_session=None if seen is None else max(seen - within, 0.0),
        sessions_alike=p.sessions_alike,
        cells=frozenset((cell.session, cell.kind) for cell in once),
    )


@dataclass(frozen=True, slots=True)
class _Within:
    """What makes a cell's middle differ, but for the session."""

    kinds: Mapping[str, tuple[float, float]]
    swing: float
    rho: float
    block: float

    def of(self, cell: Cell) -> float:
        variance = self.kinds.get(cell.kind, (self.swing, 1.0))[0]
        if cell.places[-1] - cell.places[0] == cell.n - 1:
            alike = inflation(self.rho, cell.n) / cell.n
        else:
            alike = quadratic(np.full(cell.n, 1.0 / cell.n), cell.places, self.rho)
        return variance * max(alike, 1.0 / cell.n) + self.block * run_squares([(cell, 1.0)])


def _pooled(cells: Iterable[Cell]) -> tuple[float, float]:
    """Variance of one swing over cells, and its degrees of freedom."""
    there = list(cells)
    dof = sum(cell.dof for cell in there)
    own = sum(cell.own_variance * cell.n for cell in there) / sum(cell.n for cell in there)
    if dof <= 0.0:
        return own, 0.0
    return max(sum(cell.variance * cell.dof for cell in there) / dof, own), dof


def rho_of(lags: Iterable[tuple[float, float, int] | None], prior: Prior) -> float:
    """Correlation of neighbouring swings, pooled over sets of them and drawn towards the stated.

    Parameters
    ----------
    lags : iterable of tuple or None
        From `lag_of`.
    prior : Prior
    """
    there = [one for one in lags if one is not None]
    bottom = sum(one[1] for one in there)
    if not there or bottom <= 0.0:
        return prior.rho
    seen = sum(one[0] for one in there) / bottom
    swings = sum(one[2] for one in there)
    each = swings / len(there)
    if each > 5.0:
        # A short series' own mean draws it down by about (1 + 4 rho) / n (Kendall 1954, from
        # memory).
        seen = (seen + 1.0 / each) / (1.0 - 4.0 / each)
    rho = (swings * seen + prior.rho_swings * prior.rho) / (swings + prior.rho_swings)
    return min(max(rho, 0.0), prior.largest_rho)


def _drift(cells: Sequence[Cell], swing: float, rho: float, p: Prior) -> tuple[float, float]:
    """Variance of the change through a session, and its degrees of freedom.

    Told from the slopes within the sessions' sets of swings, drawn towards the stated one: a drift
    that can be seen isn't taken for less.
    """
    by_session: dict[str, list[Cell]] = {}
    for cell in cells:
        if cell.trend is not None:
            by_session.setdefault(cell.session, []).append(cell)
    squares = []
    for mine in by_session.values():
        length = max(c.span[1] for c in mine) - min(c.span[0] for c in mine)
        below = sum(c.trend[1] for c in mine if c.trend is not None)
        if below <= 0.0:
            continue
        slope = sum(c.trend[0] for c in mine if c.trend is not None) / below
        # What scatter alone would make of the slope; neighbours being alike make more of it.
        chance = swing * (1.0 + rho) / (1.0 - rho) / below
        squares.append(max(slope * slope - chance, 0.0) * length**2)
    seen = sum(squares) / len(squares) if squares else None
    return moderated(p.drift**2 * swing, p.weight, seen, float(len(squares)))


def _blocks(cells: Sequence[Cell], swing: float, rho: float, p: Prior) -> tuple[float, float]:
    """Variance from block to block and its degrees of freedom."""
    stated = p.block**2 * swing
    seen = [cell.between_runs for cell in cells if cell.between_runs is not None]
    dof = sum(one[2] for one in seen)
    if dof <= 0.0:
        return stated, p.weight
    each = sum(one[1] * one[2] for one in seen) / dof
    within = swing / each * inflation(rho, max(2, round(each * math.pi / 2.0)))
    mean_square = sum(one[0] * one[2] for one in seen) / dof
    whole, all_dof = moderated(stated + within, p.weight, mean_square, dof)
    return max(whole - within, 0.0), all_dof


def _between(
    groups: Sequence[Sequence[Cell]], known: _Within, p: Prior, *, moving: bool
) -> tuple[float | None, float, float, int]:
    """Variance of the sessions' middles, what the swings within explain of it, its degrees of
    freedom, and of how many sessions it was told."""
    squares = dof = 0.0
    withins: list[float] = []
    ids: set[str] = set()
    for group in groups:
        if len(group) < 2:
            continue
        locations = np.array([cell.location for cell in group])
        if moving:
            squares += float(np.sum(np.diff(locations) ** 2)) / 2.0 * (2.0 / 3.0)
            dof += 2.0 / 3.0 * (len(group) - 1)
        else:
            squares += float(np.sum((locations - locations.mean()) ** 2))
            dof += len(group) - 1.0
        withins += [known.of(cell) for cell in group]
        ids |= {cell.session for cell in group}
    if not withins:
        every = [known.of(cell) for group in groups for cell in group]
        return None, sum(every) / len(every), 0.0, len({c.session for g in groups for c in g})
    within = sum(withins) / len(withins)
    seen = squares / dof
    if moving:
        # Steps between sessions that are alike are smaller than the sessions' own spread.
        seen = within + (seen - within) / (1.0 - p.sessions_alike) if seen > within else seen
    # Sessions of few and of many swings differ in how sure their middles are, and such a mixture
    # tells less than as many alike (Satterthwaite). A session in two groups is one all the same.
    own = np.maximum(seen - within, 0.0) + np.array(withins)
    largest = float(own.max())
    alike = 1.0
    if largest > 0.0:
        alike = float(np.mean(own / largest) ** 2 / np.mean((own / largest) ** 2))
    most = (len(ids) - 1.0) * (2.0 / 3.0 if moving else 1.0)
    return seen, within, min(dof, most) * alike, len(ids)


def _kind_by_session(
    groups: Sequence[Sequence[Cell]], known: _Within, drift: float, p: Prior
) -> tuple[float, float]:
    """Variance from session to session of what a ball changes, and its degrees of freedom."""
    stated = p.kind**2 * known.swing
    by_session: dict[str, dict[str, Cell]] = {}
    for group in groups:
        for cell in group:
            by_session.setdefault(cell.session, {})[cell.kind] = cell
    effects, withins = [], []
    for kinds in by_session.values():
        one, other = kinds.get("strike"), kinds.get("rehearsal")
        if one is None or other is None:
            continue
        effects.append(one.location - other.location)
        apart = drift_square([[(one, 1.0), (other, -1.0)]])
        withins.append(known.of(one) + known.of(other) + drift * apart)
    if len(effects) < 2:
        return stated, p.kind_weight
    within = sum(withins) / len(withins)
    dof = len(effects) - 1.0
    whole, all_dof = moderated(stated + within, p.kind_weight, float(np.var(effects, ddof=1)), dof)
    return max(whole - within, 0.0), all_dof


def inflation(rho: float, n: int) -> float:
    """Factor by which neighbours being alike widens the variance of a mean of ``n`` swings.

    ``1 + 2 sum (1 - k/n) rho^k``, the exact factor for a first-order autoregression.
    """
    if rho <= 0.0 or n < 2:
        return 1.0
    left = 1.0 - rho
    return (1.0 + rho) / left - 2.0 * rho * (1.0 - rho**n) / (n * left * left)


# -- the parts of a difference ---------------------------------------------------------------------
