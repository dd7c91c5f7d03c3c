"""A report to send or to print: one HTML file that needs nothing else.

Style and drawings are inside it, there is no script, and nothing is fetched from anywhere. The
first page answers: how it was, what changed, what is next, when to stop, with one picture of the
two swings nearest the middle of their kind. The second has the numbers.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any, Final, cast

from analysis.evidence.felt import FeltReport
from analysis.evidence.plan import Standing
from analysis.evidence.reading import Reference
from analysis.evidence.spread import SwingRow
from analysis.evidence.story import Example
from analysis.evidence.summary import spread_of
from library.answer import Answer, Strip, answer_of_session, felt_short
from library.drill_outcome import MEASURES as KEPT_MEASURES
from library.drill_outcome import DrillOutcome, kept_by_block, outcome_at, outcome_sentences
from library.errors import LibraryError
from library.evidence import Evidence, felt_words
from library.over_time import Change, over_time
from library.rows import SwingDetail
from review import formatting as fmt
from review.answers import (
    SEE_OVER_TIME,
    START_DRILL,
    ShownAnswer,
    change_beside,
    change_would_show,
    changed_line,
    next_words,
    shown_answer,
)
from review.errors import ReviewError
from review.rendering import PAGE, templates
from review.svg import Curve, Kind, Mark, marks_chart, traces_chart
from review.svg_frame import Region
from sensor.errors import SensorError
from words import cautions
from words import over_time as say_over_time

if TYPE_CHECKING:
    from review.plot import Trace


TraceOf = Callable[[SwingDetail], "Trace"]
"""Gives the curves of a swing of the library."""

MOST_BYTES: Final = 1_000_000
"""A mail takes it, and a phone opens it at once."""
MOST_SWINGS: Final = 300
"""Swings drawn one by one in a section: the latest of the session."""
MOST_SESSIONS: Final = 8
"""Sessions in the table: the latest; with more the numbers would take a third page."""

TABLE: Final = ("swing_ms", "backswing_ms", "downswing_ms", "turn_deg", "peak_rate_dps")
TREND: Final = ("backswing_ms", "turn_deg", "peak_rate_dps")
RESULTS: Final = ("club_speed_m_s", "ball_speed_m_s", "carry_m", "total_m")


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
    """What a report says of one player with one club and mount, in one session.

    Attributes
    ----------
    answer : ShownAnswer
        Of the session.
    changed, changed_more, changed_beside : str
        What changed up to then, what would show, and what was set beside what.
    following : str
        What comes next; for an earlier session where it stood.
    step : (str, str)
        What the next press says, and what it is.
    current : bool
        It is the newest session, and today is known.
    today, changes, sessions, kept, results : tuple of tuple of str
        Rows of the numbers.
    unclear : int
        Swings that count neither as practice swings nor as shots.
    sentences, notes, felt, drill : tuple of str
        In full, folded.
    """

    player: str
    handedness: str | None
    club: str | None
    mount: str | None
    start: str
    session: str
    simulated: bool
    swings: int
    answer: ShownAnswer
    changed: str
    changed_more: str
    changed_beside: str
    following: str
    step: tuple[str, str]
    standing: Standing
    current: bool
    day: str
    reference: Reference | None
    pair: tuple[Shown, ...]
    pair_turn: str
    pair_reason: str
    chart: str
    rows: tuple[Mapping[str, Any], ...]
    left_out: int
    today: tuple[tuple[str, ...], ...]
    changes: tuple[tuple[str, ...], ...]
    sessions: tuple[tuple[str, ...], ...]
    kept: tuple[tuple[str, ...], ...]
    results: tuple[tuple[str, str], ...]
    felt_short: tuple[str, ...]
    unclear: int
    sentences: tuple[str, ...]
    notes: tuple[str, ...]
    felt: tuple[str, ...]
    drill: tuple[str, ...]


# -- one section -----------------------------------------------------------------------------------


def section_of(
    evidence: Evidence,
    session_id: str,
    *,
    trace_of: TraceOf | None = None,
    today: int | None = None,
    units: str = "metric",
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

    Raises
    ------
    NoSuchError
        The session has no full swings of this player with this club and mount.
    """
    then = evidence.until(session_id)
    rows = then.rows_of(session_id)
    session = evidence.library.session(session_id)
    stand = evidence.standing_at(session_id, today)
    current = today is not None and evidence.is_latest(session_id)
    pair, curves, reason = _pair(then, session_id, trace_of)
    known = then.reference if isinstance(then.reference, Reference) else None
    shown = rows[-MOST_SWINGS:]
    answer = answer_of_session(evidence, session_id)
    changed = over_time(then)
    felt = [one for one in then.felt().values() if isinstance(one, FeltReport)]
    drill = outcome_at(session.path)
    return Section(
        player=evidence.player.name,
        handedness=evidence.player.handedness,
        club=evidence.club,
        mount=evidence.mount,
        start=session.start,
        session=session.id,
        simulated=bool(session.simulated),
        swings=len(rows),
        answer=shown_answer(answer, fmt.Units(imperial=units == "imperial")),
        changed=changed_line(changed),
        changed_more=change_would_show(changed),
        changed_beside=change_beside(changed),
        following=_following(stand, answer, current=current),
        step=next_words(stand, answer) if current else (SEE_OVER_TIME, ""),
        standing=stand,
        current=current,
        day=fmt.day_of(then.days[session_id]),
        reference=known,
        pair=pair,
        pair_turn=_turns(curves, evidence.mount),
        pair_reason=reason,
        chart=_swings_chart(shown, known, evidence.mount),
        rows=tuple(_row(row) for row in shown),
        left_out=len(rows) - len(shown),
        today=tuple(_today_row(strip, evidence.mount) for strip in answer.strips),
        changes=tuple(_change_row(one, evidence.mount) for one in changed.changes),
        sessions=_sessions(then),
        kept=() if drill is None else tuple(_kept_rows(drill)),
        results=_results(rows, units),
        felt_short=tuple(felt_short(one) for one in felt),
        unclear=sum(row.kind == "unclear" for row in rows),
        sentences=tuple(one.text for one in evidence.story(session_id, today=today)),
        notes=tuple(then.notes(session_id)),
        felt=tuple(felt_words(one) for one in felt),
        drill=() if drill is None else tuple(outcome_sentences(drill)),
    )


def _following(stand: Standing, answer: Answer, *, current: bool) -> str:
    """Say what comes next, or for an earlier session where it stood."""
    if not current:
        name = say_over_time.step_word(stand.stage.value, stand.step)
        return f"{name[:1].upper()}{name[1:]}."
    label, note = next_words(stand, answer)
    if label == START_DRILL:
        return note
    if label == SEE_OVER_TIME:
        return "No drill for now; the coach says what is next."
    return f"{label}. {note}".strip()


def _unit(measure: str) -> str:
    return fmt.unit_of(measure).replace("deg", "°")


def _name(measure: str, mount: str | None) -> str:
    return f"{fmt.measure_word(measure, mount).capitalize()}, {_unit(measure)}"


def _today_row(strip: Strip, mount: str | None) -> tuple[str, ...]:
    """Own range, its middle, these swings, the difference's ends, last time."""
    measure = strip.measure
    found = None if strip.word is None else strip.word.difference
    own = "–"
    if strip.low is not None and strip.high is not None:
        own = f"{fmt.digits(measure, strip.low)} to {fmt.digits(measure, strip.high)}"
    return (
        _name(measure, mount),
        own,
        fmt.digits(measure, strip.middle),
        fmt.digits(measure, strip.here),
        "–" if found is None else f"{fmt.signed(found.low)} to {fmt.signed(found.high)}",
        "–" if strip.last is None else fmt.digits(measure, strip.last.middle),
        strip.said.value,
    )


def _change_row(one: Change, mount: str | None) -> tuple[str, ...]:
    """Before, since, the change's ends, what would show."""
    measure = one.measure
    return (
        _name(measure, mount),
        fmt.digits(measure, one.before),
        fmt.digits(measure, one.after),
        "–"
        if one.low is None or one.high is None
        else f"{fmt.signed(one.low)} to {fmt.signed(one.high)}",
        fmt.digits(measure, one.detectable),
        one.said.value,
    )


def _kept_rows(drill: DrillOutcome) -> Iterator[tuple[str, ...]]:
    """Each set without sound: time and turn against the one with sound before it."""
    by: dict[str, dict[str, str]] = {}
    for block, measure, word, _ in kept_by_block(drill):
        by.setdefault(block, {})[measure] = word.value
    for block, words in by.items():
        number = block.split()[0]
        yield (f"Set {number}, without sound", *(words.get(m, "–") for m in KEPT_MEASURES))


def _row(row: SwingRow) -> dict[str, Any]:
    felt = [
        fmt.FELT_WORDS[question].get(said, said)
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
        "values": {name: fmt.digits(name, row.values.get(name)) for name in TABLE},
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
        except (LibraryError, ReviewError, SensorError) as error:
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
        beside="" if one.measure is None else one.beside(fmt.measure_word(one.measure, mount)),
        cells={
            name: fmt.with_u(getattr(detail.swing, name), getattr(detail.swing, f"{name}_u"))
            for name in TABLE
        },
    )


def _turns(curves: Sequence[tuple[Shown, SwingDetail, Trace]], mount: str | None) -> str:
    """Draw the turn of the two swings over each other, from takeaway."""
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
                y=trace.turn_deg.tolist(),
                # A is solid and B dashed: told apart on grey paper too.
                name=f"{'AB'[k]}: {fmt.kind_word(shown.kind)} {shown.number}",
                kind=cast("Kind", shown.kind),
                style=k,
                events=events,
            )
        )
    if not drawn:
        return ""
    turn = fmt.turn_word(mount)
    return traces_chart(
        drawn,
        title=f"{turn} of the two swings over time",
        x_label="ms from takeaway",
        y_label=f"{turn}, °",
        css="turn",
        most_points=240,
        height=270.0,
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
            label=f"#{row.swing_id.rpartition('#')[2]} {fmt.kind_word(row.kind)}: "
            + ", ".join(
                f"{fmt.measure_word(name, mount)} {fmt.digits(name, row.values.get(name))} "
                f"{fmt.unit_of(name)}"
                for name in TREND
                if name in row.values
            ),
        )
        for row in there
    ]
    region = None
    if reference is not None:
        sides = [_bounds(reference, name) for name in ("backswing_ms", "peak_rate_dps")]
        region = Region(x=sides[0], y=sides[1], label="your own range")
    return marks_chart(
        marks,
        title="each swing by the time of its backswing and its rotation",
        x_label="backswing, ms",
        y_label="rotation, °/s",
        region=region,
        size_label=f"{fmt.turn_word(mount)}: {low:.0f} to {high:.0f} deg" if turns else None,
        least_x=200.0,
        least_y=200.0,
        height=330.0,
    )


def _bounds(reference: Reference, name: str) -> tuple[float, float] | None:
    value = reference.values.get(name)
    if value is None or value.lower is None or value.upper is None:
        return None
    return value.lower, value.upper


def _sessions(evidence: Evidence) -> tuple[tuple[str, ...], ...]:
    """Middles by session and kind, swings with sound left out; the newest first."""
    out = []
    for session in evidence.sessions[-MOST_SESSIONS:][::-1]:
        rows = [row for row in evidence.rows_of(session) if not row.cued]
        for kind in ("rehearsal", "strike"):
            mine = [row for row in rows if row.kind == kind]
            if not mine:
                continue
            cells = []
            for measure in TREND:
                there = [row for row in mine if measure in row.values]
                found = spread_of(
                    [row.values[measure] for row in there if measure not in row.bounds],
                    [row.values[measure] for row in there if measure in row.bounds],
                )
                if found is None or found.at_least:
                    cells.append("–")
                    continue
                more = "" if found.spread is None else f" ± {fmt.digits(measure, found.spread)}"
                cells.append(f"{fmt.digits(measure, found.median)}{more}")
            at = date.fromordinal(evidence.days[session])
            out.append(
                (f"{at.day} {at:%b} {at.year}", fmt.count(len(mine), fmt.kind_word(kind)), *cells)
            )
    return tuple(out)


def _results(rows: Sequence[SwingRow], units: str) -> tuple[tuple[str, str], ...]:
    """Middles of the ball results of a session, with how many balls they are of."""
    out = []
    for name in RESULTS:
        values = [row.values[name] for row in rows if name in row.values]
        found = spread_of(values)
        if found is None:
            continue
        shown = fmt.Units(imperial=units == "imperial")
        text = f"{shown.shown(name, found.median):.1f} {shown.unit(name)}"
        if found.spread is not None:
            text += f" ± {shown.shown(name, found.spread):.1f}"
        out.append((fmt.measure_word(name), f"{text} ({fmt.count(found.n, 'ball')})"))
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
        "title": _title(sections),
        # A file has nothing to press.
        "steps": (),
        **shared_values(),
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


def shared_values() -> dict[str, Any]:
    """Return what the file and the page's screen show besides the sections."""
    return {
        "table": TABLE,
        "trend": TREND,
        "stop": cautions.STOP,
        "measure_name": _name,
        "step_word": say_over_time.step_word,
    }


def _title(sections: Sequence[Section]) -> str:
    names = list(dict.fromkeys(one.player for one in sections))
    days = sorted({one.start[:10] for one in sections})
    who = fmt.join(names) if len(names) <= 3 else fmt.count(len(names), "player")
    return f"{who}, {days[-1]}"
