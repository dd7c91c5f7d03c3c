"""A lesson's first swings against its last, of one day: what differs beyond what sets of one lesson
differ anyway.

It is a difference between two sets of one session, in the scope ``today``, by the one model of
variance: swings scatter, neighbours are alike, sets differ a little by themselves, and a player
tires and drifts. Practice swings are set against practice swings and shots against shots; what a
ball changes is in neither. A word says nothing of what made the difference, nor of other days.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from analysis.evidence.blocks import QUIET
from analysis.evidence.cells import Cell, Contrast
from analysis.evidence.margins import MARGINS
from analysis.evidence.outcome import Decision, Outcome, decide_together
from analysis.evidence.parts import BLOCK, DRIFT, SWINGS, Part, budget, total
from analysis.evidence.reading import DOWN, UP, Aspect, Word
from analysis.evidence.spread import EvidenceParams, SwingRow, cell_of_rows
from analysis.evidence.summary import Kind
from analysis.evidence.variance import Variances, inflation, variances_of

LEAST: Final = 3
"""Swings of a kind, first and last, that are set against each other. (Chosen here.)"""

MEASURES: Final[Mapping[Aspect, str]] = {
    "time": "backswing_ms",
    "turn": "turn_deg",
}
"""What a lesson is about. Neither hangs on how impact is told. Rotation is shown beside them
without a word: each further word makes the others rarer."""

KINDS: Final[tuple[Kind, ...]] = ("rehearsal", "strike")


@dataclass(frozen=True, slots=True, kw_only=True)
class LessonWord:
    """Time or turn of a lesson's last swings against its first.

    Attributes
    ----------
    aspect : {"time", "turn"}
    measure : str
    word : Word
    first, last : float
        Middles, each kind of swing with the weight that it has in the difference.
    decision : Decision
        Of last minus first.
    """

    aspect: Aspect
    measure: str
    word: Word
    first: float
    last: float
    decision: Decision


def first_against_last(
    first: Sequence[SwingRow],
    last: Sequence[SwingRow],
    rows: Sequence[SwingRow],
    before: Sequence[Sequence[SwingRow]] = (),
    params: EvidenceParams | None = None,
) -> dict[Aspect, LessonWord]:
    """Set a lesson's last swings against its first.

    Parameters
    ----------
    first, last : sequence of SwingRow
        Of one player and session, in their order.
    rows : sequence of SwingRow
        All of the session: they tell how long it was, over which a drift goes.
    before : sequence of sequences of SwingRow
        Earlier swings of the player with this club and place of the sensor, a set each of what was
        swung alike: they tell how much swings and neighbours differ of themselves. What was first
        and what was last in an earlier lesson are two sets, or that lesson's change would be
        taken for scatter.
    params : EvidenceParams, optional

    Returns
    -------
    dict of str to LessonWord
        All that can be compared, decided together; empty where no kind of swing has `LEAST` on
        both sides.
    """
    p = params or EvidenceParams()
    here = [row.order for row in (*rows, *first, *last)]
    span = (float(min(here, default=0)), float(max(here, default=0)))
    found: dict[Aspect, tuple[_Sides, float]] = {}
    asked = []
    for aspect, measure in MEASURES.items():
        sides = _sides(first, last, measure, span)
        if not sides.pairs:
            continue
        known = _known(sides, before, measure, p)
        contrast = [
            (cell, sign * weight)
            for a, b, weight in sides.pairs
            for cell, sign in ((a, -1.0), (b, 1.0))
        ]
        parts = _parts(contrast, known)
        if not parts:
            continue
        difference = sum(weight * cell.location for cell, weight in contrast)
        margin = MARGINS[measure].of(sides.first, sides.last)
        found[aspect] = (sides, difference)
        asked.append((difference, parts, margin))
    decided = decide_together(asked, level=p.level)
    return {
        aspect: LessonWord(
            aspect=aspect,
            measure=MEASURES[aspect],
            word=_word(aspect, decision),
            first=sides.first,
            last=sides.last,
            decision=decision,
        )
        for (aspect, (sides, _)), decision in zip(found.items(), decided, strict=True)
    }


def _free(row: SwingRow) -> bool:
    return row.block is None or row.block in QUIET


@dataclass(frozen=True, slots=True)
class _Sides:
    """Cells of each kind of swing, first and last, with the weight of the kind."""

    pairs: tuple[tuple[Cell, Cell, float], ...]

    @property
    def first(self) -> float:
        return sum(weight * a.location for a, _, weight in self.pairs)

    @property
    def last(self) -> float:
        return sum(weight * b.location for _, b, weight in self.pairs)


def _sides(
    first: Sequence[SwingRow], last: Sequence[SwingRow], measure: str, span: tuple[float, float]
) -> _Sides:
    pairs = []
    for kind in KINDS:
        cells = []
        for side in (first, last):
            mine = [row for row in side if row.kind == kind and measure in row.values]
            cell = cell_of_rows(mine, measure) if len(mine) >= LEAST else None
            if cell is not None:
                cells.append(dataclasses.replace(cell, span=span))
        if len(cells) == 2:
            a, b = cells
            pairs.append((a, b, 1.0 / (1.0 / a.n + 1.0 / b.n)))
    whole = sum(weight for *_, weight in pairs)
    return _Sides(tuple((a, b, weight / whole) for a, b, weight in pairs))


def _known(
    sides: _Sides, before: Sequence[Sequence[SwingRow]], measure: str, p: EvidenceParams
) -> Variances:
    """Return the player's variances: of this lesson, and of all days before it."""
    groups: list[list[Cell]] = [[cell] for a, b, _ in sides.pairs for cell in (a, b)]
    for swings in before:
        for kind in KINDS:
            mine = [r for r in swings if r.kind == kind and _free(r) and measure in r.values]
            cell = cell_of_rows(mine, measure) if len(mine) >= p.least_set else None
            if cell is not None:
                groups.append([cell])
    known = variances_of(groups, measure, prior=p.prior)
    # Few swings that happen to show no drift don't say that there is none.
    drift = max(known.drift, p.prior.drift**2 * known.swing)
    return dataclasses.replace(known, drift=drift)


def _parts(contrast: Contrast, known: Variances) -> tuple[Part, ...]:
    """Return what a difference's variance is made of.

    A new pupil's drift and sets are stated in scatters, so they are known no better than the
    scatter is: the three are one part, and its degrees of freedom at most those of the scatter.
    """
    parts = budget(contrast, known, "today")
    own = [part for part in parts if part.source in (SWINGS, DRIFT, BLOCK)]
    if not own:
        return parts
    scatter = next((part.dof for part in own if part.source == SWINGS), known.swing_dof)
    dof = min(total(own)[1], max(scatter, 1.0))
    variance = sum(part.variance for part in own) / _seen_of(contrast, known.rho)
    whole = Part(SWINGS, variance, dof)
    return (whole, *(part for part in parts if part not in own))


def _word(aspect: Aspect, decision: Decision) -> Word:
    match decision.outcome:
        case Outcome.DIFFERENT:
            return (UP if decision.difference > 0.0 else DOWN)[aspect]
        case Outcome.SAME:
            return Word.SAME
        case Outcome.INCONCLUSIVE:
            return Word.CANNOT_TELL


def _seen_of(contrast: Contrast, rho: float) -> float:
    """Return the share of the scatter that is seen within sets as short as these.

    Neighbours that are alike scatter less about their own middle than about the player's: of three
    by a quarter, of ten hardly.
    """
    seen = whole = 0.0
    for cell, _ in contrast:
        if cell.n > 1:
            alike = (inflation(rho, cell.n) - 1.0) / (cell.n - 1.0)
            seen += cell.dof * (1.0 - alike)
            whole += cell.dof
    return seen / whole if whole > 0.0 else 1.0
