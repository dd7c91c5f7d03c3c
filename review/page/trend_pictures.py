"""The pictures over time: a measure each, all under one time axis; swings with sound left out."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Final

from markupsafe import Markup

from analysis.evidence.plan import Standing
from analysis.evidence.reading import Reference
from analysis.evidence.spread import SwingRow, cell_of_rows
from analysis.evidence.summary import spread_of
from library.evidence import Evidence
from library.over_time import Change, OverTime
from library.since_baseline import TREND_MEASURES
from review import formatting as fmt
from review.answers import change_size
from review.page.links import session_url
from review.page.trend_counts import KINDS, Shown
from review.timeline import Day, Middle, Timeline, Upright, timeline
from sensor.recording.vocabulary import RESULT_FIELDS
from words import over_time as say_over_time

FIRST_RESULT: Final = ("carry_m", "total_m", "ball_speed_m_s", "club_speed_m_s")
"""Of the ball results that were entered one is in sight: the first of these."""
LEAST_RESULT: Final = 10.0
"""A ball result's scale holds at least so much, in its unit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A measure over time as it is shown.

    Attributes
    ----------
    name : str
    said : str
        What changed, in a word or two; empty for ball results.
    numbers : str
        Before and now.
    part : Timeline with markup
    """

    name: str
    said: str
    numbers: str
    scale: Markup
    plot: Markup
    ends: Markup


def pictures_of(
    evidence: Evidence, shown: Sequence[Shown], found: OverTime, standing: Standing
) -> list[Picture]:
    """Draw backswing, turn and rotation under one time axis.

    Parameters
    ----------
    evidence : Evidence
    shown : sequence of Shown
        The sessions, oldest first.
    found : OverTime
    standing : Standing
        Whose path has the plan's steps.
    """
    if not shown:
        return []
    rows = _by_session(evidence)
    uprights = _uprights(evidence, shown, standing)
    reference = evidence.reference if isinstance(evidence.reference, Reference) else None
    changes = {one.measure: one for one in found.changes}
    out: list[Picture] = []
    for measure in TREND_MEASURES:
        change = changes[measure]
        per_cent_of = _base(evidence, change, measure)
        scaled, written = _scale(measure, per_cent_of)
        value = None if reference is None else reference.values.get(measure)
        own = None
        if value is not None and value.lower is not None and value.upper is not None:
            own = (scaled(value.lower), scaled(value.upper))
        drawn = timeline(
            _days(evidence, shown, rows, measure, scaled),
            title=say_over_time.NAMES[measure].capitalize(),
            written=written,
            own=own,
            uprights=uprights,
            words=not out,
        )
        if drawn is not None:
            numbers = ""
            if change.before is not None and change.after is not None:
                before, after = (written(scaled(v)) for v in (change.before, change.after))
                numbers = f"{before} before, {after} since"
            out.append(
                _picture(
                    drawn,
                    name=say_over_time.NAMES[measure].capitalize(),
                    said=" ".join(filter(None, (change_size(change), change.said.value))),
                    numbers=numbers,
                )
            )
    return out


def balls_of(
    evidence: Evidence, shown: Sequence[Shown], units: fmt.Units
) -> tuple[list[Picture], list[Picture], dict[str, Any] | None]:
    """Draw ball results under the same time axis.

    Returns
    -------
    first : list of Picture
        The one that is in sight, where there is any.
    others : list of Picture
    table : dict or None
        ``heads`` and ``rows``: a session each, newest first, with middle and number of balls.
    """
    rows = _by_session(evidence)
    pictures: dict[str, Picture] = {}
    for name in RESULT_FIELDS:
        unit = units.unit(name)

        def written(value: float, unit: str = unit) -> str:
            return f"{value:.0f} {unit}".replace("-", "−")

        def scaled(value: float, name: str = name) -> float:
            return units.shown(name, value)

        drawn = timeline(
            _days(evidence, shown, rows, name, scaled, kinds=("strike",)),
            title=fmt.MEASURE_WORDS[name].capitalize(),
            written=written,
            least=LEAST_RESULT,
        )
        if drawn is not None:
            word = fmt.MEASURE_WORDS[name].capitalize()
            pictures[name] = _picture(drawn, name=f"{word}, {unit}", said="", numbers="")
    if not pictures:
        return [], [], None
    first = next((name for name in FIRST_RESULT if name in pictures), next(iter(pictures)))
    table: dict[str, Any] = {
        "heads": [f"{fmt.MEASURE_WORDS[n].capitalize()}, {units.unit(n)}" for n in pictures],
        "rows": [],
    }
    for one in reversed(shown):
        cells = []
        for name in pictures:
            there = [r for r in rows.get(one.session, ()) if name in r.values]
            middle = cell_of_rows(there, name) if there else None
            cells.append("" if middle is None else units.digits(name, middle.location))
        if any(cells):
            table["rows"].append((one, cells))
    return [pictures.pop(first)], list(pictures.values()), table


def _picture(drawn: Timeline, *, name: str, said: str, numbers: str) -> Picture:
    return Picture(
        name=name,
        said=said,
        numbers=numbers,
        scale=Markup(drawn.scale),
        plot=Markup(drawn.plot),
        ends=Markup(drawn.ends),
    )


def _by_session(evidence: Evidence) -> dict[str, list[SwingRow]]:
    out: dict[str, list[SwingRow]] = {}
    for row in evidence.rows:
        if not row.cued:
            out.setdefault(row.session_id, []).append(row)
    return out


def _base(evidence: Evidence, change: Change, measure: str) -> float:
    """Return what is a hundred per cent: the middle of the player's own range, or of all swings."""
    if change.own is not None:
        return change.own
    found = spread_of([r.values[measure] for r in evidence.rows if measure in r.values])
    return 1.0 if found is None else found.median


def _scale(
    measure: str, per_cent_of: float
) -> tuple[Callable[[float], float], Callable[[float], str]]:
    if measure.endswith("_ms"):
        return lambda v: v / 1e3, lambda v: f"{v:.2f} s"
    if measure.endswith("_deg"):
        return lambda v: v, lambda v: f"{v:.0f}°".replace("-", "−")
    return lambda v: 100.0 * v / per_cent_of, lambda v: f"{v:.0f} %"


def _days(
    evidence: Evidence,
    shown: Sequence[Shown],
    rows: dict[str, list[SwingRow]],
    measure: str,
    scaled: Callable[[float], float],
    kinds: Sequence[str] = KINDS,
) -> list[Day]:
    years = len({one.day[:4] for one in shown}) > 1
    cued = {row.session_id for row in evidence.rows if row.cued}
    out = []
    for one in shown:
        by = {}
        for kind in kinds:
            there = [r for r in rows.get(one.session, ()) if r.kind == kind and measure in r.values]
            if not there:
                continue
            # The same middle as in the day's answer.
            cell = cell_of_rows(there, measure)
            found = spread_of([r.values[measure] for r in there])
            if cell is None or found is None:
                continue
            half = found.spread or 0.0
            low, high = cell.location - half, cell.location + half
            by[kind] = Middle(
                value=scaled(cell.location),
                spread=None if found.spread is None else 0.5 * (scaled(high) - scaled(low)),
                n=found.n,
            )
        at = date.fromisoformat(one.day)
        short = f"{at.day} {at:%b}" + (f" {at:%y}" if years else "")
        out.append(
            Day(
                at=one.at,
                short=short,
                name=fmt.day_words(one.start),
                href=session_url(one.session),
                drill=one.session in cued,
                by=by,
            )
        )
    return out


def _uprights(evidence: Evidence, shown: Sequence[Shown], standing: Standing) -> list[Upright]:
    """Mark where the drills began, and each step of the plan."""
    at_of_day: dict[int, float] = {}
    for one in shown:
        at_of_day.setdefault(int(one.at), one.at)
    out = []
    cued = {row.session_id for row in evidence.rows if row.cued}
    first = next((session for session in evidence.sessions if session in cued), None)
    for one in shown:
        if one.session == first:
            out.append(Upright(at=one.at, word=say_over_time.FIRST_DRILL))
    for day, stage, step, _ in standing.path:
        at = at_of_day.get(day, day + 0.5)
        if shown[0].at <= at <= shown[-1].at:
            out.append(Upright(at=at, word=say_over_time.step_word(stage.value, step)))
    return sorted(out, key=lambda one: one.at)
