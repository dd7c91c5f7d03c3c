"""Two swings, or two sets of swings, side by side: ``unhurried.compare``, and what commands use."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from analysis.errors import InputError
from analysis.evidence import compare as evidence
from analysis.evidence.compare import (
    COMPARED,
    CompareError,
    CompareParams,
    Side,
    compare_sets,
    compare_swings,
)
from analysis.evidence.margins import MARGINS, Margin
from analysis.evidence.prior import Prior
from analysis.evidence.summary import is_held
from unhurried.app.measuring import Analysis

if TYPE_CHECKING:
    import pandas as pd

    from analysis.evidence.parts import Scope


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison(evidence.Comparison):
    __doc__ = evidence.Comparison.__doc__

    def __repr__(self) -> str:
        what = "two swings"
        if self.sets:
            what = "two sets, today" if self.scope == "today" else "two sets, from day to day"
        different = [row.measure for row in self.rows if row.outcome == "different"]
        return (
            f"<Comparison of {what}: {self.judged} measures judged, "
            f"different: {', '.join(different) or 'none'}>"
        )

    def to_frame(self) -> pd.DataFrame:
        """Return one row a measure.

        Returns
        -------
        pandas.DataFrame
            The index is ``measure``. Columns are those of ``measures`` in ``unhurried compare
            --json``, in their order and under their names, but ``parts`` and ``days``, which are
            in `rows`. Numbers are float64, NaN where JSON has null; numbers of swings are int64,
            ``sign_told`` is boolean, ``outcome`` and ``reason`` are strings.
            ``attrs["comparison"]`` has what holds for all of them, such as ``scope``.
        """
        from unhurried.app.frames import comparison_frame

        return comparison_frame(self)


def compare(
    a: Analysis,
    b: Analysis,
    *,
    scope: Scope | None = None,
    measures: Sequence[str] = COMPARED,
    margins: Mapping[str, Margin] = MARGINS,
    prior: Prior | None = None,
) -> Comparison:
    """Compare two swings where each side has one, else two sets of swings; differences are b - a.

    Parameters
    ----------
    a, b : Analysis
        What is to be set side by side, as `Analysis.select` gives it: ``a.select(index=[3])`` is
        one swing, ``a.select(kind="strike", player="Ida", part=False)`` a set.
    scope : {"today", "days"}, optional
        Of sets: what the difference is to hold for, this session or also another day. Left out: for
        today where both are of one session, else from day to day.
    measures : sequence of str
        What to look at. The fewer, the smaller a difference can be told.
    margins : mapping of str to Margin
        What doesn't matter, by measure and in its unit.
    prior : Prior, optional
        What is taken for the player's spreads, such as how far days lie apart.

    Returns
    -------
    Comparison
        One row a measure: difference, interval, and whether the two are different, about the same
        or can't be told apart.

    Raises
    ------
    CompareError
        A side is empty or holds swings of more than one player or club, a swing is on both sides,
        or today is asked of two sessions.
    MountsError
        The sensor was worn at different places.
    InputError
        A side is no `Analysis`, or there is no such scope or measure.

    Notes
    -----
    Sets are compared by trimmed means; see `analysis.evidence.compare`. Rehearsals and strikes, or
    full and part swings, differ by what they are: select one kind on a side. A difference says
    nothing about what made it.
    """
    for one, letter in ((a, "a"), (b, "b")):
        if not isinstance(one, Analysis):
            raise InputError(
                f"{letter} must be an Analysis, as unhurried.analyze(...) gives it, "
                f"not {type(one).__name__}"
            )
    if scope not in (None, "today", "days"):
        raise InputError("scope must be today or days")
    if isinstance(measures, str):
        raise InputError(f"measures are several: ['{measures}']")
    unknown = [name for name in measures if name not in COMPARED]
    if unknown:
        raise InputError(f"{unknown[0]} can't be compared; these can: {', '.join(COMPARED)}")
    sides = [_side(one) for one in (a, b)]
    for side, letter in zip(sides, "ab", strict=True):
        if not side.swings:
            raise CompareError(f"there are no swings in {letter}")
    if all(len(side.swings) == 1 for side in sides):
        return _whole(compare_swings(sides[0], sides[1], measures=measures, margins=margins))
    for side, letter in zip(sides, "ab", strict=True):
        _check_alike(side, letter)
    if a.id == b.id:
        both = {swing.index for swing in a.swings} & {swing.index for swing in b.swings}
        if both:
            raise CompareError(f"swing #{min(both)} is on both sides: select apart")
    if scope == "today" and sides[0].session != sides[1].session:
        raise CompareError(
            "a and b are of two sessions, and a difference between them is always from day to day"
        )
    params = CompareParams(scope=scope, prior=prior or Prior())
    found = compare_sets(sides[0], sides[1], measures=measures, margins=margins, params=params)
    return _whole(dataclasses.replace(found, prior=params.prior))


def _whole(found: evidence.Comparison) -> Comparison:
    fields = dataclasses.fields(found)
    return Comparison(**{item.name: getattr(found, item.name) for item in fields})


def _side(analysis: Analysis) -> Side:
    swings = analysis.swings
    if len(swings) > 1:
        swings = tuple(swing for swing in swings if not is_held(swing))
    return Side(
        swings=swings,
        recording=analysis.id,
        sensor=analysis.scale_key,
        mount=analysis.mount,
    )


def _check_alike(side: Side, letter: str) -> None:
    """Refuse a set that mixes what is never pooled: its spread and mean would be of neither."""
    for name in ("player", "club"):
        if len({getattr(swing, name) for swing in side.swings}) > 1:
            raise CompareError(
                f"{letter} holds swings of more than one {name}: choose with select({name}=...)"
            )
