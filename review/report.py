"""A report to send or to print: one HTML file that needs nothing else.

Style and drawings are inside it, there is no script, and nothing is fetched from anywhere. It says
what `Evidence` says, in the same words, and shows the two swings nearest the middle of their kind.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from analysis.felt import FeltReport
from analysis.plan import CAUTIONS, Standing
from analysis.reading import Reference
from analysis.spread import SwingRow
from analysis.story import Example
from analysis.summary import spread_of
from review.drilled import drilled_at, drilled_lines
from review.errors import ReviewError
from review.evidence import Evidence, felt_words
from review.library import SwingDetail
from review.page import words
from review.page.rendering import templates
from review.svg import Curve, Line, Mark, Region, marks_chart, traces_chart
from sensor.errors import SensorError

if TYPE_CHECKING:
    from review.plot import Trace

__all__ = ["MOST_BYTES", "Section", "TraceOf", "report_html", "report_style", "section_of"]

TraceOf = Callable[[SwingDetail], "Trace"]
"""Gives the curves of a swing of the library."""

PAGE: Final = Path(__file__).parent / "page"
MOST_BYTES: Final = 1_000_000
"""A mail takes it, and a phone opens it at once."""
MOST_SWINGS: Final = 300
"""Swings drawn one by one in a section: the latest of the session."""
MOST_SESSIONS: Final = 40
"""Sessions in the picture over time: the latest."""

TABLE: Final = ("swing_ms", "backswing_ms", "downswing_ms", "turn_deg", "peak_rate_dps")
TREND: Final = ("backswing_ms", "turn_deg", "peak_rate_dps")
RESULTS: Final = ("club_speed_m_s", "ball_speed_m_s", "carry_m", "total_m")

# Exact (NIST SP 811, B.8).
IMPERIAL: Final[Mapping[str, tuple[float, str]]] = {
    "_m_s": (1.0 / 0.44704, "mph"),
    "_m": (1.0 / 0.9144, "yd"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """One of the two swings that are shown.

    Attributes
    ----------
    number : int
    kind : str
    beside : str
        How many swings of its kind lie on the same side of the reference; empty without one.
    cells : mapping of str to (str, str) or None
        Value and standard uncertainty by measure.
    """

    number: int
    kind: str
    beside: str
    cells: Mapping[str, tuple[str, str] | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """What a report says of one player with one club and mount, in one session."""

    player: str
    handedness: str | None
    club: str | None
    mount: str | None
    start: str
    session: str
    simulated: bool
    swings: int
    sentences: tuple[str, ...]
    standing: Standing
    current: bool
    day: str
    notes: tuple[str, ...]
    reference: Reference | None
    reference_reason: str
    pair: tuple[Shown, ...]
    pair_turn: str
    pair_rate: str
    pair_reason: str
    chart: str
    rows: tuple[Mapping[str, Any], ...]
    left_out: int
    trends: tuple[tuple[str, str, tuple[tuple[str, ...], ...]], ...]
    felt: tuple[str, ...]
    drill: tuple[str, ...]
    results: tuple[tuple[str, str], ...]


# -- one section -----------------------------------------------------------------------------------


def section_of(
    evidence: Evidence,
    session_id: str,
    *,
    trace_of: TraceOf | None = None,
    today: int | None = None,
    units: str = "metric",
    trends: bool = True,
) -> Section:
    """Put together what is said of a session.

    Parameters
    ----------
    evidence : Evidence
    session_id : str
    trace_of : callable, optional
        Without it no curves are drawn.
    today : int, optional
        Today, for the next drill after the latest session. Without it, and for an earlier session,
        it is said where the player stood on that day.
    units : {"metric", "imperial"}
    trends : bool
        Also what was before this session.

    Raises
    ------
    NoSuchError
        The session has no full swings of this player with this club and mount.
    """
    then = evidence.until(session_id)
    rows = then.rows_of(session_id)
    session = evidence.library.session(session_id)
    stand = evidence.standing_at(session_id, today)
    pair, curves, reason = _pair(then, session_id, trace_of)
    known = then.reference if isinstance(then.reference, Reference) else None
    shown = rows[-MOST_SWINGS:]
    return Section(
        player=evidence.player.name,
        handedness=evidence.player.handedness,
        club=evidence.club,
        mount=evidence.mount,
        start=session.start,
        session=session.id,
        simulated=bool(session.simulated),
        swings=len(rows),
        sentences=tuple(
            words.without_command(one.text) for one in evidence.story(session_id, today=today)
        ),
        standing=stand,
        current=today is not None and evidence.is_latest(session_id),
        day=date.fromordinal(then.days[session_id]).isoformat(),
        notes=tuple(then.notes(session_id)),
        reference=known,
        reference_reason="" if known is not None else str(then.reference),
        pair=pair,
        pair_turn=_curves(curves, "turn", evidence.mount),
        pair_rate=_curves(curves, "rate", evidence.mount),
        pair_reason=reason,
        chart=_swings_chart(shown, known, evidence.mount),
        rows=tuple(_row(row) for row in shown),
        left_out=len(rows) - len(shown),
        trends=_trends(then) if trends else (),
        felt=tuple(felt_words(one) for one in then.felt().values() if isinstance(one, FeltReport)),
        drill=() if (drill := drilled_at(session.path)) is None else tuple(drilled_lines(drill)),
        results=_results(rows, units),
    )


def _row(row: SwingRow) -> dict[str, Any]:
    felt = [
        words.FELT_WORDS[question].get(said, said)
        for question, said in (
            ("time", row.felt_time),
            ("turn", row.felt_turn),
            ("strike", row.felt_strike),
        )
        if said is not None
    ]
    return {
        "number": int(row.swing_id.rpartition("#")[2]),
        "kind": row.kind,
        "block": row.block or "free",
        "values": {name: words.digits(name, row.values.get(name)) for name in TABLE},
        "felt": ", ".join(felt),
    }


def _pair(
    evidence: Evidence, session_id: str, trace_of: TraceOf | None
) -> tuple[tuple[Shown, ...], list[tuple[Shown, SwingDetail, Trace]], str]:
    """The swings nearest the middles of their kinds, with their curves where they can be had."""
    shown: list[Shown] = []
    curves: list[tuple[Shown, SwingDetail, Trace]] = []
    reason = ""
    for one in evidence.examples(session_id):
        number = int(one.swing_id.rpartition("#")[2])
        detail = evidence.library.swing(session_id, number=number)
        mine = _shown(one, number, detail, evidence.mount)
        shown.append(mine)
        if trace_of is None:
            continue
        try:
            curves.append((mine, detail, trace_of(detail)))
        except (SensorError, ReviewError) as error:
            # What was measured is kept even where the recording isn't at hand.
            reason = f"The curves can't be drawn: {_without_path(error)}."
    return tuple(shown), curves, reason


def _without_path(error: Exception) -> str:
    """A report is sent to others, whom this computer's folders don't concern."""
    problem = getattr(error, "problem", None)
    return str(problem) if problem else "the recording isn't where it was"


def _shown(one: Example, number: int, detail: SwingDetail, mount: str | None) -> Shown:
    return Shown(
        number=number,
        kind=one.kind,
        beside="" if one.measure is None else one.beside(words.measure_word(one.measure, mount)),
        cells={
            name: words.with_u(getattr(detail.swing, name), getattr(detail.swing, f"{name}_u"))
            for name in TABLE
        },
    )


def _curves(
    curves: Sequence[tuple[Shown, SwingDetail, Trace]], what: str, mount: str | None
) -> str:
    """Draw turn or rate of the two swings over each other, from takeaway."""
    drawn = []
    for k, (shown, detail, trace) in enumerate(curves):
        swing = detail.swing
        zero = swing.takeaway_s
        if zero is None or not len(trace.time_s):
            continue
        events = [
            (1e3 * (at - zero), name)
            for name, at in (
                ("takeaway", swing.takeaway_s),
                ("top", swing.top_s),
                ("impact", swing.impact_s),
            )
            if at is not None
        ]
        drawn.append(
            Curve(
                x=(1e3 * (trace.time_s - zero)).tolist(),
                y=(trace.turn_deg if what == "turn" else trace.rate_dps).tolist(),
                # A is solid and B dashed, as on the page.
                name=f"{'AB'[k]}: {shown.kind} #{shown.number}",
                style=k,
                events=events,
            )
        )
    if not drawn:
        return ""
    turn = words.turn_word(mount)
    return traces_chart(
        drawn,
        title=f"{turn if what == 'turn' else 'rate'} of the two swings over time",
        x_label="ms from takeaway",
        y_label=f"{turn}, deg" if what == "turn" else "rate, deg/s",
        css=what,
        most_points=240,
        height=230.0,
    )


def _swings_chart(rows: Sequence[SwingRow], reference: Reference | None, mount: str | None) -> str:
    """Every swing by time and rate, its turn as size."""
    there = [r for r in rows if "backswing_ms" in r.values and "peak_rate_dps" in r.values]
    turns = [r.values["turn_deg"] for r in there if "turn_deg" in r.values]
    low, high = (min(turns), max(turns)) if turns else (0.0, 1.0)
    # Ten degrees at least from the smallest mark to the largest: no difference is blown up.
    span = max(high - low, 10.0)
    marks = [
        Mark(
            x=row.values["backswing_ms"],
            y=row.values["peak_rate_dps"],
            kind=row.kind,
            size=(
                None
                if "turn_deg" not in row.values
                else 0.5 + (row.values["turn_deg"] - 0.5 * (low + high)) / span
            ),
            label=f"#{row.swing_id.rpartition('#')[2]} {row.kind}: "
            + ", ".join(
                f"{words.measure_word(name, mount)} {words.digits(name, row.values.get(name))} "
                f"{words.unit_of(name)}"
                for name in TREND
                if name in row.values
            ),
        )
        for row in there
    ]
    region = None
    if reference is not None:
        sides = [_bounds(reference, name) for name in ("backswing_ms", "peak_rate_dps")]
        region = Region(x=sides[0], y=sides[1], label="reference")
    return marks_chart(
        marks,
        title="each swing by the time of its backswing and its peak rate",
        x_label="backswing, ms",
        y_label="peak rate, deg/s",
        region=region,
        size_label=f"{words.turn_word(mount)}: {low:.0f} to {high:.0f} deg" if turns else None,
        least_x=200.0,
        least_y=200.0,
        height=330.0,
    )


def _bounds(reference: Reference, name: str) -> tuple[float, float] | None:
    value = reference.values.get(name)
    if value is None or value.lower is None or value.upper is None:
        return None
    return value.lower, value.upper


def _trends(evidence: Evidence) -> tuple[tuple[str, str, tuple[tuple[str, ...], ...]], ...]:
    """Middle and spread by session, swings with a cue left out: measure, drawing and table."""
    sessions = evidence.sessions[-MOST_SESSIONS:]
    if len(sessions) < 2:
        return ()
    days = sorted({evidence.days[s] for s in sessions})
    ticks = days if len(days) <= 8 else [days[round(k)] for k in np.linspace(0, len(days) - 1, 8)]
    reference = evidence.reference if isinstance(evidence.reference, Reference) else None
    out = []
    for measure in TREND:
        marks, lines, table = [], [], []
        for kind in ("rehearsal", "strike"):
            points = []
            for session in sessions:
                values = [
                    row.values[measure]
                    for row in evidence.rows_of(session)
                    if row.kind == kind and measure in row.values and row.block != "rehearsal"
                ]
                found = spread_of(values)
                if found is None:
                    continue
                at = evidence.days[session]
                points.append((float(at), found.median))
                text = f"{date.fromordinal(at).isoformat()}: {found.n} {kind}s"
                cells = [
                    date.fromordinal(at).isoformat(),
                    words.KIND_PLURAL[kind],
                    str(found.n),
                    words.digits(measure, found.median),
                    "–" if found.spread is None else words.digits(measure, found.spread),
                ]
                table.append(tuple(cells))
                marks.append(
                    Mark(
                        x=float(at),
                        y=found.median,
                        y_u=found.spread,
                        kind=kind,
                        label=f"{text}, middle {cells[3]} {words.unit_of(measure)}",
                    )
                )
            lines.append(Line(points=tuple(points), kind=kind))
        bounds = None if reference is None else _bounds(reference, measure)
        name = words.measure_word(measure, evidence.mount)
        drawing = marks_chart(
            marks,
            title=f"{name} by session",
            x_label="day",
            y_label=f"{name}, {words.unit_of(measure)}",
            region=None if bounds is None else Region(y=bounds, label="reference"),
            lines=[line for line in lines if len(line.points) > 1],
            height=210.0,
            x_text=lambda day: date.fromordinal(int(day)).strftime("%d %b").lstrip("0"),
            x_ticks=[float(day) for day in ticks],
        )
        if drawing:
            out.append((name, drawing, tuple(sorted(table))))
    return tuple(out)


def _results(rows: Sequence[SwingRow], units: str) -> tuple[tuple[str, str], ...]:
    """Middles of the ball results of a session, with how many balls they are of."""
    out = []
    for name in RESULTS:
        values = [row.values[name] for row in rows if name in row.values]
        found = spread_of(values)
        if found is None:
            continue
        factor, unit = 1.0, words.unit_of(name)
        if units == "imperial":
            end = "_m_s" if name.endswith("_m_s") else "_m"
            factor, unit = IMPERIAL[end]
        text = f"{factor * found.median:.1f} {unit}"
        if found.spread is not None:
            text += f", spread {factor * found.spread:.1f}"
        out.append((words.measure_word(name), f"{text} ({words.count(found.n, 'ball')})"))
    return tuple(out)


# -- the whole -------------------------------------------------------------------------------------


def report_style() -> str:
    """Return the style of the report: the page's own, and a little more."""
    return "\n".join(
        (PAGE / "static" / name).read_text(encoding="utf-8") for name in ("page.css", "report.css")
    )


def report_html(
    sections: Sequence[Section], *, made_on: date, version: str, most_bytes: int = MOST_BYTES
) -> str:
    """Write a report.

    Parameters
    ----------
    sections : sequence of Section
        At least one.
    made_on : date
    version : str
        Of this program.
    most_bytes : int

    Returns
    -------
    str
        A whole document. Where it would be too large, single swings are left out, which it says.

    Raises
    ------
    ReviewError
        It is too large even so.
    """
    template = templates().get_template("report.html")
    values = {
        "made_on": made_on,
        "version": version,
        "style": report_style(),
        "cautions": CAUTIONS,
        "table": TABLE,
        "title": _title(sections),
    }
    text = template.render(sections=sections, **values)
    if len(text.encode()) >= most_bytes:
        short = [
            dataclasses.replace(one, chart="", rows=(), left_out=one.swings) for one in sections
        ]
        text = template.render(sections=short, **values)
    if len(text.encode()) >= most_bytes:
        raise ReviewError(
            f"this report would be larger than {most_bytes / 1e6:g} MB: make one for each player"
        )
    return text


def _title(sections: Sequence[Section]) -> str:
    names = list(dict.fromkeys(one.player for one in sections))
    days = sorted({one.start[:10] for one in sections})
    who = words.join(names) if len(names) <= 3 else words.count(len(names), "player")
    return f"{who}, {days[-1]}"


assert math.isclose(IMPERIAL["_m"][0] * 0.9144, 1.0)
