"""A session: every swing by time and rate, the list, who swung what, and what it says."""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any, Final

from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import BaseRoute, Route

from analysis.evidence.blocks import drill_block
from analysis.evidence.felt import FEELINGS, FeltReport
from analysis.evidence.head_speed import HeadSpeedLine
from analysis.evidence.reading import Reference
from analysis.evidence.told import NotYet
from library.answer import answer_of_session, direction_strip, felt_today, telling_swing
from library.catalogue import Library
from library.drill_end import drill_end
from library.errors import NoSuchError
from library.evidence import Evidence, felt_words
from library.rows import SessionRow
from library.telling import look_of
from review import formatting as fmt
from review.answers import SEE_OVER_TIME, shown_answer, shown_drill
from review.page.answers import Step, next_step
from review.page.app import WAIT_S, Page, page_of
from review.page.cache import NOT_READY
from review.page.evidence_cache import Failed, has_report, moved_text, reading_of, safely
from review.page.forms import last_change
from review.page.links import SwingLinks, pair_url, session_url, swing_url, trend_url
from review.page.session_drill import drill_of
from review.page.session_edits import INTENTS, KEPT_PARAMS, edit_routes
from review.strips import strip_svg
from review.svg import Kind, Mark, marks_chart
from review.svg_frame import Region
from sensor.errors import SensorError
from sensor.recording.schema import HANDS
from sensor.recording.vocabulary import KINDS, RESULT_FIELDS
from words.units import said

COLUMNS: Final = (
    "seq",
    "number",
    "at_s",
    "player",
    "player_name",
    "club",
    "part",
    "kind",
    "block",
    "ball",
    "swing_ms",
    "backswing_ms",
    "downswing_ms",
    "tempo_ratio",
    "turn_deg",
    "peak_rate_dps",
    "transition_ms",
    "gap_ms",
    "clipped",
    "notes",
    "corrected",
    "excluded",
    "felt_time",
    "felt_turn",
    "felt_strike",
    *RESULT_FIELDS,
)
ACROSS: Final = "backswing_ms"
"""Not the whole swing: where it ends is told by other rules for shots and practice swings."""
UP: Final = {"rate": "peak_rate_dps", "head": "club_speed_m_s"}

LISTED_RESULTS: Final = (
    "carry_m",
    "ball_speed_m_s",
    "club_speed_m_s",
    *(
        name
        for name in RESULT_FIELDS
        if name not in ("carry_m", "ball_speed_m_s", "club_speed_m_s")
    ),
)
MOST_RESULTS: Final = 3
"""Ball results in the list."""

OF_MIDDLES: Final = ("reading", "ball", "held", "next")
"""Sentences whose numbers are middles of swings, and differences of such."""

# Axes are at least so wide, so that equal swings don't look scattered.
LEAST: Final = {
    "backswing_ms": 200.0,
    "peak_rate_dps": 200.0,
    "club_speed_m_s": 5.0,
}
LEAST_TURN_RANGE_DEG: Final = 30.0
"""Turns that differ by less are drawn in nearly one size."""


def routes() -> list[BaseRoute]:
    """Return the paths of these screens."""
    return [
        Route("/session/{session}", _session),
        Route("/session/{session}/answer", _story),
        Route("/session/{session}/story", _story),
        Route("/session/{session}/felt", _story),
        Route("/session/{session}/chart", _chart_part),
        *edit_routes(),
    ]


@dataclass(frozen=True, slots=True, kw_only=True)
class SetOfSwings:
    """What one player did with one club in a session."""

    player: str | None
    name: str | None
    club: str | None
    part: bool
    n: int

    @property
    def label(self) -> str:
        """Who and what, in words."""
        text = f"{self.name or 'player not said'}, {self.club or 'club not said'}"
        return f"{text}, part swings" if self.part else text

    def holds(self, row: Mapping[str, Any]) -> bool:
        """Whether a swing is one of these."""
        mine = (self.player, self.club, self.part)
        return (row["player"], row["club"], bool(row["part"])) == mine


def sets_of(rows: Sequence[Mapping[str, Any]]) -> list[SetOfSwings]:
    """Return who swung what, most swings first."""
    found: dict[tuple[str | None, str | None, bool], list[Mapping[str, Any]]] = {}
    for row in rows:
        found.setdefault((row["player"], row["club"], bool(row["part"])), []).append(row)
    return sorted(
        (
            SetOfSwings(
                player=player,
                name=mine[0]["player_name"],
                club=club,
                part=part,
                n=sum(row["excluded"] is None for row in mine),
            )
            for (player, club, part), mine in found.items()
        ),
        key=lambda one: -one.n,
    )


def rows_of(library: Library, session: str) -> list[dict[str, Any]]:
    """Return all swings of a session, excluded ones too."""
    return list(library.swings(session=session, columns=COLUMNS, excluded=True).rows())


def chosen_set(sets: Sequence[SetOfSwings], request: Request) -> tuple[SetOfSwings | None, int]:
    """Return which set is asked for: by number, by player, or the one with most swings."""
    wanted = request.query_params.get("set", "")
    if wanted.isdecimal() and int(wanted) < len(sets):
        return sets[int(wanted)], int(wanted)
    who = request.query_params.get("player")
    for k, one in enumerate(sets):
        if who is None or one.player == who:
            return one, k
    return (sets[0], 0) if sets else (None, 0)


# -- the screen --------------------------------------------------------------------------------


def _session(request: Request) -> Response:
    page = page_of(request)
    with page.library() as library:
        session = page.session(library, request.path_params["session"])
        rows = rows_of(library, session.id)
        sets = sets_of(rows)
        chosen, place = chosen_set(sets, request)
        whole = request.query_params.get("whole") is not None
        wait_s = None if whole else WAIT_S
        until_s = time.monotonic() + WAIT_S
        up = _up(request, rows)
        told = tellable(library, session, chosen)
        chart: Any = ""
        story: Any = None
        if chosen is not None:
            reference: Any = None
            if told:
                reference = reference_of(page, session, chosen, wait_s)
            if reference is NOT_READY:
                chart = NOT_READY
            else:
                chart = chart_of(session, rows, chosen, reference, up, page.units)
            if told:
                # Both rest on the same evidence: what is waited for the one counts for the other.
                left_s = None if wait_s is None else max(0.0, until_s - time.monotonic())
                story = story_of(page, session, chosen, left_s)
        segments = library.segments(session.id)
        try:
            undo = last_change(library, session.id)
            gone = None
        except (NoSuchError, SensorError) as error:
            undo, gone = None, fmt.line_of(error)
        return page.render(
            request,
            "session.html",
            here="players",
            session=session,
            rows=rows,
            sets=sets,
            chosen=chosen,
            place=place,
            y=up,
            has_head=any(row["club_speed_m_s"] is not None for row in rows),
            chart=chart,
            ready=NOT_READY,
            direction=None if chosen is None else _direction(rows, chosen),
            story=story,
            aside=None
            if chosen is None or chosen.player is None
            else library.set_aside(session, chosen.player),
            reported=has_report(library, session.id),
            segments=segments,
            swings_of_segment=_swings_of_segment(segments, rows),
            notes=library.session_notes(session.id),
            swing_tags=library.swing_tags(session.id),
            tags=sorted(library.tags())[:200],
            people=library.players(),
            clubs=sorted({c for s in segments if (c := s["club"])}),
            undo=undo,
            gone=gone,
            drill=drill_of(session, rows),
            kinds=KINDS,
            hands=HANDS,
            intents=INTENTS,
            query=_params(request),
            start_s=session.start_s,
            swing_url=swing_url,
            session_url=session_url,
            trend_url=trend_url,
            block_kind=drill_block,
            # As many as there is room for; a swing's own screen has all.
            results=[name for name in LISTED_RESULTS if any(r[name] is not None for r in rows)][
                :MOST_RESULTS
            ],
            has_felt=any(fmt.felt_said(r) for r in rows),
            several=len({(s.player, s.club, s.part) for s in sets}) > 1,
        )


def _direction(rows: Sequence[Mapping[str, Any]], chosen: SetOfSwings) -> Markup | None:
    strip = direction_strip(r for r in rows if chosen.holds(r) and r["excluded"] is None)
    return None if strip is None else Markup(strip_svg(strip))


def _params(request: Request) -> dict[str, str]:
    """What is kept of the address from screen to screen."""
    return {n: v for n, v in request.query_params.items() if n in KEPT_PARAMS}


def _up(request: Request, rows: Sequence[Mapping[str, Any]]) -> str:
    asked = request.query_params.get("y", "rate")
    if asked not in UP or (asked == "head" and all(r["club_speed_m_s"] is None for r in rows)):
        return "rate"
    return asked


def tellable(library: Library, session: SessionRow, chosen: SetOfSwings | None) -> bool:
    """Whether the evidence covers a set: a known player's full swings that count."""
    return (
        chosen is not None
        and chosen.player is not None
        and not chosen.part
        and chosen.n > 0
        and session.excluded is None
        and library.set_aside(session, chosen.player) is None
    )


def _swings_of_segment(
    segments: Sequence[Mapping[str, Any]], rows: Sequence[Mapping[str, Any]]
) -> list[int]:
    """How many swings each segment has: those that begin in it."""
    starts = [s["seq"] for s in segments]
    out = [0] * len(starts)
    for row in rows:
        before = [k for k, seq in enumerate(starts) if seq <= row["seq"]]
        if before:
            out[before[-1]] += 1
    return out


# -- the chart ---------------------------------------------------------------------------------


def reference_of(page: Page, session: SessionRow, chosen: SetOfSwings, wait_s: float | None) -> Any:
    """Return the reference (or why there is none), or `NOT_READY`."""
    assert chosen.player is not None
    key = (session.id, chosen.player, chosen.club)
    work = partial(page.worker.do, find_reference, *key)
    return page.cache.get(("reference", *key), work, wait_s=wait_s, player=chosen.player)


def find_reference(page: Page, session: str, player: str, club: str | None) -> Any:
    """Return the reference in force for a session, or why there was none. A job."""
    with page.library() as library:
        evidence = page.evidence.setting(library, player, club, library.session(session).mount)
        found = safely(lambda: evidence.until(session).reference)
        return NotYet.of("said", text=found.text) if isinstance(found, Failed) else found


def chart_of(
    session: SessionRow,
    rows: Sequence[Mapping[str, Any]],
    chosen: SetOfSwings,
    reference: Reference | NotYet | None,
    upwards: str,
    units: fmt.Units,
) -> dict[str, Any]:
    """Draw a set's swings; with what can't be drawn and why."""
    across, up = ACROSS, UP[upwards]
    mine = [row for row in rows if chosen.holds(row) and row["excluded"] is None]
    turns = [row["turn_deg"] for row in mine if row["turn_deg"] is not None]
    region = None
    if isinstance(reference, Reference):
        region = region_of(reference, across, up, units)
        known = reference.values.get("turn_deg")
        if known is not None:
            turns.append(known.middle)
    low, high = (min(turns), max(turns)) if turns else (0.0, 1.0)
    middle, width = 0.5 * (low + high), max(high - low, LEAST_TURN_RANGE_DEG)
    marks = [
        Mark(
            x=row[across],
            y=units.shown(up, row[up]),
            kind=_kind(row["kind"]),
            size=None if row["turn_deg"] is None else 0.5 + (row["turn_deg"] - middle) / width,
            href=swing_url(session.id, row["number"]),
            label=mark_words(row, session.mount, units, across, up),
        )
        for row in mine
        if row[across] is not None and row[up] is not None
    ]
    turn = fmt.turn_word(session.mount)
    return {
        "svg": marks_chart(
            marks,
            title=f"Swings by {fmt.MEASURE_WORDS[across]} and {fmt.MEASURE_WORDS[up]}",
            x_label=f"{fmt.MEASURE_WORDS[across]}, ms",
            y_label=f"{fmt.MEASURE_WORDS[up]}, {said(units.unit(up)).strip()}",
            region=region,
            size_label=f"{turn}, {low:.0f} to {high:.0f} deg" if turns else None,
            least_x=LEAST[across],
            least_y=LEAST[up],
        ),
        "left_out": len(mine) - len(marks),
        "reference": reference,
        "region": region,
        "across": across,
        "up": up,
        "turn": turn,
    }


def region_of(
    reference: Reference, across: str, up: str, units: fmt.Units | None = None
) -> Region | None:
    """Return the reference as a region of two measures."""
    name = "your own range"
    units = units or fmt.Units()
    spans: list[tuple[float, float] | None] = []
    for measure in (across, up):
        value = reference.values.get(measure)
        if value is None or value.lower is None or value.upper is None:
            spans.append(None)
        else:
            spans.append((units.shown(measure, value.lower), units.shown(measure, value.upper)))
    if spans == [None, None]:
        return None
    return Region(x=spans[0], y=spans[1], label=name)


def _kind(kind: str) -> Kind:
    return "strike" if kind == "strike" else "rehearsal" if kind == "rehearsal" else "unclear"


def mark_words(row: Mapping[str, Any], mount: str | None, units: fmt.Units, *measures: str) -> str:
    """Say what a mark is, for pointer and screen reader."""
    shown = [*measures, "turn_deg"]
    numbers = ", ".join(
        f"{fmt.measure_word(m, mount)} {units.digits(m, row[m])}{said(units.unit(m))}"
        for m in shown
        if row[m] is not None
    )
    return f"Swing {row['number']}, {fmt.kind_word(row['kind'])}: {numbers}"


def _chart_part(request: Request) -> Response:
    """The chart alone, once the reference is known."""
    page = page_of(request)
    with page.library() as library:
        session = page.session(library, request.path_params["session"])
        rows = rows_of(library, session.id)
        chosen, _ = chosen_set(sets_of(rows), request)
        if chosen is None or not tellable(library, session, chosen):
            raise NoSuchError("there is nothing to draw here")
        reference = reference_of(page, session, chosen, None)
        up = _up(request, rows)
        chart = chart_of(session, rows, chosen, reference, up, page.units)
    return page.render(request, "session_chart.html", chart=chart, session=session, chosen=chosen)


# -- what it says ------------------------------------------------------------------------------


def story_of(page: Page, session: SessionRow, chosen: SetOfSwings, wait_s: float | None) -> Any:
    """Return what a session says, or `NOT_READY`."""

    # Not within the worker: it may run a while, and the day is part of the key.
    today = page.today().toordinal()
    work = partial(page.worker.do, tell_parts, session, chosen, today)
    key = ("story", session.id, chosen.player, chosen.club, session.mount, today)
    found = page.cache.get(key, work, wait_s=wait_s, player=chosen.player)
    if found is not NOT_READY and chosen.player is not None:
        page.keep_told(chosen.player, found["look"])
    return found


def tell_parts(page: Page, session: SessionRow, chosen: SetOfSwings, today: int) -> dict[str, Any]:
    """Return what a session says, as parts of its screen. A job."""
    with page.library() as library:
        assert chosen.player is not None
        evidence = page.evidence.setting(library, chosen.player, chosen.club, session.mount)
        story = safely(lambda: tell(library, evidence, session.id, today))
        if isinstance(story, Failed):
            failed = page.part("failed.html", text=story.text)
            return {"answer": failed, "story": "", "felt": "", "look": None}
        context = {"story": story, "session": session, "chosen": chosen}
        latest = evidence.is_latest(session.id)
        found = answer_of_session(evidence, session.id)
        trend = trend_url(chosen.player, evidence.club, evidence.mount)
        step = Step(label=SEE_OVER_TIME, url=trend)
        if latest:
            stand = evidence.standing(today)
            step = next_step(stand, chosen.player, evidence.club, evidence.mount, found)
        answer = shown_answer(found, page.units)
        return {
            "answer": page.part(
                "answer.html",
                answer=answer,
                drill=shown_drill(drill_end(evidence, session.id)),
                step=step,
                session_id=session.id,
                see=see_url(evidence, session.id),
                felt=[felt_today(evidence, session.id, one) for one in ("rushed", "slow")],
            ),
            "story": page.part("session_story.html", **context),
            "felt": page.part("session_felt.html", **context),
            "look": look_of(evidence) if latest else None,
        }


def see_url(evidence: Evidence, session: str) -> str | None:
    """Where the swing that shows the answer best is set beside a practice swing."""
    number = telling_swing(evidence, session)
    return None if number is None else f"{swing_url(session, number)}/beside"


def tell(library: Library, evidence: Evidence, session: str, today: int) -> dict[str, Any]:
    """Work out what a session says: sentences, examples, felt against measured."""
    links = SwingLinks(library, session, evidence.days)
    reading, kind = reading_of(evidence, session)
    felt = evidence.felt()
    shown = evidence.examples(session)
    ends = [one.swing_id.rpartition("#") for one in shown]
    places = [(s, int(n)) for s, _, n in ends]
    line = evidence.head_speed()
    return {
        "reading": reading,
        "kind": kind,
        "sentences": [
            {
                "about": one.about,
                "middle": one.about in OF_MIDDLES,
                "text": one.text,
                "drill": one.drill,
                "numbers": [
                    {
                        "name": number.name,
                        "unit": number.unit,
                        "interval": number.interval,
                        "swings": links.groups(number.swing_ids),
                        "against": links.groups(number.against_ids),
                        "margin": number.margin,
                    }
                    for number in one.numbers
                ],
                "swings": links.groups(one.swing_ids),
            }
            for one in evidence.story(session, today=today)
        ],
        "examples": [
            {"example": one, "number": n, "url": swing_url(s, n)}
            for one, (s, n) in zip(shown, places, strict=True)
        ],
        "pair": pair_url(places[0], places[1]) if len(places) == 2 else None,
        "felt": [
            {
                "sentence": felt_words(report),
                "asked": report.asked,
                "counts": [
                    {
                        "count": c,
                        "agree": links.groups([i for i in c.swing_ids if i not in c.disagree_ids]),
                        "disagree": links.groups(c.disagree_ids),
                    }
                    for c in report.counts
                ],
            }
            for feeling in FEELINGS
            if isinstance(report := felt[feeling], FeltReport)
        ],
        "felt_not_yet": {f: str(r) for f, r in felt.items() if isinstance(r, NotYet)},
        "head_speed": line if isinstance(line, HeadSpeedLine) else None,
        "reference": evidence.until(session).reference,
        "player": evidence.player.id,
        "moved": moved_text(evidence, session),
        "notes": evidence.until(session).notes(session),
    }


def _story(request: Request) -> Response:
    """The answer, what a session says, or what was felt, as a part of the screen."""
    page = page_of(request)
    with page.library() as library:
        session = page.session(library, request.path_params["session"])
        chosen, _ = chosen_set(sets_of(rows_of(library, session.id)), request)
        told = tellable(library, session, chosen)
    if chosen is None or not told:
        raise NoSuchError("there is nothing to be told here")
    story = story_of(page, session, chosen, None)
    return HTMLResponse(story[request.url.path.rpartition("/")[2]])
