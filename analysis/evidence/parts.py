"""The parts of a difference, by source: its budget of uncertainty."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from analysis.evidence.cells import Array, Cell, Contrast, drift_square, quadratic, run_squares
from analysis.evidence.intervals import effective_dof
from analysis.evidence.variance import Variances

Scope = Literal["today", "days"]

SWINGS: Final = "swing to swing"
MEASURING: Final = "measurement"
DRIFT: Final = "drift in a session"
BLOCK: Final = "block"
DAYS: Final = "day and strapping on"
KIND: Final = "ball by session"
SCALE: Final = "gyroscope's scale"
CLOCK: Final = "clock"
DELAY: Final = "filter's delay"
RULE: Final = "rule"
SOURCES: Final = (SWINGS, MEASURING, DRIFT, BLOCK, DAYS, KIND, SCALE, CLOCK, DELAY, RULE)
"""What a difference's parts come from, in the order in which they are shown."""


@dataclass(frozen=True, slots=True)
class Part:
    """What one source adds to the variance of a difference.

    Attributes
    ----------
    source : str
        One of `SOURCES`.
    variance : float
        In the square of the measure's unit, at least 0.
    dof : float
        Degrees of freedom that it is known with; infinite where it is taken as known.
    """

    source: str
    variance: float
    dof: float = math.inf

    @property
    def u(self) -> float:
        """Return the standard uncertainty."""
        return math.sqrt(self.variance)


def budget(contrast: Contrast, known: Variances, scope: Scope) -> tuple[Part, ...]:
    """Return the parts of a weighted sum of cells' locations.

    Parameters
    ----------
    contrast : sequence of (Cell, float)
        Cells with their weights; those of a difference add up to zero. A cell may come twice.
    known : Variances
    scope : {"today", "days"}
        ``today`` leaves out what differs from day to day; sound only within one recording.

    Returns
    -------
    tuple of Part
        Those that aren't zero, in the order of `SOURCES`.
    """
    merged: dict[int, tuple[Cell, float]] = {}
    for cell, weight in contrast:
        before = merged.get(id(cell), (cell, 0.0))[1]
        merged[id(cell)] = (cell, before + weight)
    used = [(cell, weight) for cell, weight in merged.values() if abs(weight) > 1e-12]
    by_session: dict[str, list[tuple[Cell, float]]] = {}
    for cell, weight in used:
        by_session.setdefault(cell.session, []).append((cell, weight))
    parts = [
        _swings(by_session.values(), known),
        Part(DRIFT, known.drift * drift_square(by_session.values()), known.drift_dof),
        Part(BLOCK, known.block * run_squares(used), known.block_dof),
    ]
    if scope == "days":
        parts.append(
            Part(DAYS, known.session * _session_square(by_session, known), known.session_dof)
        )
        parts.append(Part(KIND, known.kind * _kind_square(by_session.values()), known.kind_dof))
    parts += shared_parts(used)
    return tuple(part for part in parts if part.variance > 0.0)


def shared_parts(contrast: Contrast) -> list[Part]:
    """Return the parts that no number of swings averages out: scale, clock, delay and rule."""
    parts = [
        Part(SCALE, _scale(contrast)),
        Part(CLOCK, _shared(contrast, "clock")),
        Part(DELAY, _shared(contrast, "delay")),
        Part(RULE, sum((weight * cell.rule) ** 2 for cell, weight in contrast)),
    ]
    return [part for part in parts if part.variance > 0.0]


def total(parts: Iterable[Part]) -> tuple[float, float]:
    """Return standard uncertainty and degrees of freedom of a sum of parts."""
    there = list(parts)
    return (
        math.sqrt(math.fsum(part.variance for part in there)),
        effective_dof((part.u, part.dof) for part in there),
    )


def _swings(sessions: Iterable[Sequence[tuple[Cell, float]]], known: Variances) -> Part:
    """Return the part that comes from swing to swing."""
    var = below = 0.0
    for used in sessions:
        plain: list[tuple[float, float]] = []
        weights, places = [], []
        for cell, weight in used:
            variance, dof = known.of_cell(cell)
            plain.append((weight * weight * variance / cell.n, max(dof, 1.0)))
            weights.append(np.full(cell.n, weight / cell.n * math.sqrt(variance)))
            places.append(cell.places)
        each = math.fsum(v for v, _ in plain)
        at = np.concatenate(places)
        order = np.argsort(at, kind="stable")
        alike = quadratic(np.concatenate(weights)[order], at[order], known.rho)
        # Taking turns would even gain by neighbours being alike. That gain isn't taken, since how
        # much they are is hardly known.
        factor = max(alike / each, 1.0) if each > 0.0 else 1.0
        var += each * factor
        below += math.fsum((v * factor) ** 2 / dof for v, dof in plain)
    if below <= 0.0:
        return Part(SWINGS, var)
    # Few swings that are drawn to each other know no more together than all there are.
    return Part(SWINGS, var, min(var * var / below, max(known.swing_dof, 1.0)))


def _session_square(
    by_session: Mapping[str, Sequence[tuple[Cell, float]]], known: Variances
) -> float:
    """``c' A c`` for sessions that may be alike, the larger of that and of none being so."""
    weights = [sum(w for _, w in used) for used in by_session.values()]
    plain = math.fsum(w * w for w in weights)
    if known.sessions_alike <= 0.0 or len(weights) < 3:
        return plain
    at = np.array([used[0][0].sessions_place for used in by_session.values()])
    if len(np.unique(at)) < len(at):
        return plain
    order = np.argsort(at)
    alike = quadratic(np.array(weights)[order], at[order], known.sessions_alike)
    return max(plain, alike)


def _kind_square(sessions: Iterable[Sequence[tuple[Cell, float]]]) -> float:
    """Sum over sessions of the square of the weight that lies between kinds.

    A strike against a rehearsal of one session counts as 1; within one kind there is none.
    """
    out = 0.0
    for used in sessions:
        by_kind: dict[str, float] = {}
        for cell, weight in used:
            by_kind[cell.kind] = by_kind.get(cell.kind, 0.0) + weight
        if len(by_kind) < 2:
            continue
        location = sum(by_kind.values()) / len(by_kind)
        out += sum((w - location) ** 2 for w in by_kind.values()) / 2.0
    return out


def _scale(used: Contrast) -> float:
    """Variance from the scale of each axis; one sensor in one calibration errs alike."""
    by_key: dict[object, tuple[Array, Array]] = {}
    for cell, weight in used:
        if cell.scale is None:
            continue
        # Sensors that don't say who they are may each be another.
        key: object = cell.scale_key if cell.scale_key is not None else (cell.session,)
        growth = by_key.get(key, (np.zeros(3), cell.scale_u))[0] + weight * cell.scale
        by_key[key] = (growth, cell.scale_u)
    return math.fsum(float(np.sum((growth * u) ** 2)) for growth, u in by_key.values())


def _shared(used: Contrast, name: Literal["clock", "delay"]) -> float:
    """Variance from an error that what has the same key has in common."""
    by_key: dict[object, float] = {}
    for cell, weight in used:
        known = getattr(cell, f"{name}_key")
        key: object = known if known is not None else (cell.session,)
        by_key[key] = by_key.get(key, 0.0) + weight * getattr(cell, name)
    return math.fsum(value * value for value in by_key.values())
