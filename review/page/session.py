"""A session: every swing by time and rate, the list, who swung what, and what it says."""

from __future__ import annotations

import statistics
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from typing import Any, Final
from urllib.parse import parse_qsl

from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import BaseRoute, Route

from analysis.felt import FEELINGS, FeltReport
from analysis.headspeed import HeadSpeedLine
from analysis.reading import Reference
from analysis.spread import NotYet
from review.drilled import drilled
from review.errors import ReviewError
from review.evidence import Evidence, felt_words
from review.liberrors import NoSuchError
from review.library import Library, SessionRow
from review.page import words
from review.page.app import WAIT_S, FormError, Page, checked_id, page_of
from review.page.forms import Form, edit_session, field, last_change, posted
from review.page.known import Failed, has_report, reading_of, safely
from review.page.links import SwingLinks, block_kind, pair_url, session_url, swing_url, trend_url
from review.page.shelf import NOT_READY
from review.svg import Kind, Mark, Region, marks_chart
from sensor.annotations import KINDS, RESULT_FIELDS
from sensor.errors import SensorError
from sensor.recording import Marker, read_markers
from sensor.session import HANDS

__all__ = ["routes"]

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
ACROSS: Final = {"swing": "swing_ms", "backswing": "backswing_ms"}
UP: Final = {"rate": "peak_rate_dps", "head": "club_speed_m_s"}

OF_MIDDLES: Final = ("reading", "ball", "held", "next")
"""Sentences whose numbers are middles of swings, and differences of such."""

# Axes are at least so wide, so that equal swings don't look scattered.
LEAST: Final = {
    "swing_ms": 200.0,
    "backswing_ms": 200.0,
    "peak_rate_dps": 200.0,
    "club_speed_m_s": 5.0,
}
LEAST_TURN_RANGE_DEG: Final = 30.0
"""Turns that differ by less are drawn in nearly one size."""

LONGEST_TAG: Final = 60
LONGEST_REASON: Final = 300

INTENTS: Final = ("full", "part")

_KEPT_PARAMS: Final = ("player", "set", "x", "y")


def routes() -> list[BaseRoute]:
    """Return the paths of these screens."""
    return [
        Route("/session/{session}", _session),
        Route("/session/{session}/story", _story),
        Route("/session/{session}/felt", _story),
        Route("/session/{session}/chart", _chart_part),
        Route("/session/{session}/swings", posted(_change_swings), methods=["POST"]),
        Route("/session/{session}/segment", posted(_change_segment), methods=["POST"]),
        Route("/session/{session}/words", posted(_change_words), methods=["POST"]),
        Route("/session/{session}/undo", posted(_take_back), methods=["POST"]),
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
        x, y = _axes(request, rows)
        told = tellable(library, session, chosen)
        chart: Any = ""
        story: Any = None
        if chosen is not None:
            reference: Any = None
            if told:
                reference = reference_of(page, library, session, chosen, wait_s)
            if reference is NOT_READY:
                chart = NOT_READY
            else:
                chart = chart_of(session, rows, chosen, reference, (x, y), page.units)
            if told:
                # Both rest on the same evidence: what is waited for the one counts for the other.
                left_s = None if wait_s is None else max(0.0, until_s - time.monotonic())
                story = story_of(page, session, chosen, left_s)
        segments = library.segments(session.id)
        try:
            undo = last_change(library, session.id)
            gone = None
        except (NoSuchError, SensorError) as error:
            undo, gone = None, str(error)
        return page.render(
            request,
            "session.html",
            here="players",
            session=session,
            rows=rows,
            sets=sets,
            chosen=chosen,
            place=place,
            x=x,
            y=y,
            has_head=any(row["club_speed_m_s"] is not None for row in rows),
            chart=chart,
            ready=NOT_READY,
            story=story,
            aside=None
            if chosen is None or chosen.player is None
            else library.set_aside(session, chosen.player),
            reported=has_report(library, session.id),
            segments=segments,
            swings_of_segment=_swings_of_segment(segments, rows, session),
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
            block_kind=block_kind,
            results=[name for name in RESULT_FIELDS if any(r[name] is not None for r in rows)],
            several=len({(s.player, s.club, s.part) for s in sets}) > 1,
        )


def _params(request: Request) -> dict[str, str]:
    """What is kept of the address from screen to screen."""
    return {n: v for n, v in request.query_params.items() if n in _KEPT_PARAMS}


def _axes(request: Request, rows: Sequence[Mapping[str, Any]]) -> tuple[str, str]:
    x = request.query_params.get("x", "swing")
    y = request.query_params.get("y", "rate")
    if x not in ACROSS:
        x = "swing"
    if y not in UP or (y == "head" and all(row["club_speed_m_s"] is None for row in rows)):
        y = "rate"
    return x, y


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
    segments: Sequence[Mapping[str, Any]], rows: Sequence[Mapping[str, Any]], session: SessionRow
) -> list[int]:
    """How many swings each segment has: those that begin in it."""
    starts = [s["seq"] for s in segments]
    out = [0] * len(starts)
    for row in rows:
        before = [k for k, seq in enumerate(starts) if seq <= row["seq"]]
        if before:
            out[before[-1]] += 1
    del session
    return out


# -- the chart ---------------------------------------------------------------------------------


def reference_of(
    page: Page, library: Library, session: SessionRow, chosen: SetOfSwings, wait_s: float | None
) -> Any:
    """Return the reference (or why there is none), or `NOT_READY`."""
    del library
    assert chosen.player is not None
    work = partial(page.apart.do, find_reference, chosen.player, chosen.club, session.mount)
    key = ("reference", chosen.player, chosen.club, session.mount)
    return page.shelf.get(key, work, wait_s=wait_s, player=chosen.player)


def find_reference(page: Page, player: str, club: str | None, mount: str | None) -> Any:
    """Return the reference of a setting, or why there is none. A job."""
    with page.library() as library:
        evidence = page.known.evidence(library, player, club, mount)
        found = safely(lambda: evidence.reference)
        return NotYet(found.text) if isinstance(found, Failed) else found


def chart_of(
    session: SessionRow,
    rows: Sequence[Mapping[str, Any]],
    chosen: SetOfSwings,
    reference: Reference | NotYet | None,
    axes: tuple[str, str],
    units: words.Units,
) -> dict[str, Any]:
    """Draw a set's swings; with what can't be drawn and why."""
    across, up = ACROSS[axes[0]], UP[axes[1]]
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
    turn = words.turn_word(session.mount)
    return {
        "svg": marks_chart(
            marks,
            title=f"Swings by {words.MEASURE_WORDS[across]} and {words.MEASURE_WORDS[up]}",
            x_label=f"{words.MEASURE_WORDS[across]}, ms",
            y_label=f"{words.MEASURE_WORDS[up]}, {units.unit(up)}",
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
    reference: Reference, across: str, up: str, units: words.Units | None = None
) -> Region | None:
    """Return the reference as a region of two measures."""
    names = ("provisional reference" if reference.provisional else "reference",)
    units = units or words.Units()
    spans: list[tuple[float, float] | None] = []
    for measure in (across, up):
        value = reference.values.get(measure)
        if value is None or value.lower is None or value.upper is None:
            spans.append(None)
        else:
            spans.append((units.shown(measure, value.lower), units.shown(measure, value.upper)))
    if spans == [None, None]:
        return None
    return Region(x=spans[0], y=spans[1], label=names[0])


def _kind(kind: str) -> Kind:
    return "strike" if kind == "strike" else "rehearsal" if kind == "rehearsal" else "unclear"


def mark_words(
    row: Mapping[str, Any], mount: str | None, units: words.Units, *measures: str
) -> str:
    """Say what a mark is, for pointer and screen reader."""
    shown = [*measures, "turn_deg"]
    numbers = ", ".join(
        f"{words.measure_word(m, mount)} {units.digits(m, row[m])} {units.unit(m)}"
        for m in shown
        if row[m] is not None
    )
    return f"Swing {row['number']}, {row['kind']}: {numbers}"


def _chart_part(request: Request) -> Response:
    """The chart alone, once the reference is known."""
    page = page_of(request)
    with page.library() as library:
        session = page.session(library, request.path_params["session"])
        rows = rows_of(library, session.id)
        chosen, _ = chosen_set(sets_of(rows), request)
        if chosen is None or not tellable(library, session, chosen):
            raise NoSuchError("there is nothing to draw here")
        reference = reference_of(page, library, session, chosen, None)
        x, y = _axes(request, rows)
        chart = chart_of(session, rows, chosen, reference, (x, y), page.units)
    return page.render(request, "session_chart.html", chart=chart, session=session, chosen=chosen)


# -- what it says ------------------------------------------------------------------------------


def story_of(page: Page, session: SessionRow, chosen: SetOfSwings, wait_s: float | None) -> Any:
    """Return what a session says, or `NOT_READY`."""

    # Not within the worker: it may run a while, and the day is part of the key.
    today = page.today().toordinal()
    work = partial(page.apart.do, tell_parts, session, chosen, today)
    key = ("story", session.id, chosen.player, chosen.club, session.mount, today)
    return page.shelf.get(key, work, wait_s=wait_s, player=chosen.player)


def tell_parts(page: Page, session: SessionRow, chosen: SetOfSwings, today: int) -> dict[str, Any]:
    """Return what a session says, as parts of its screen. A job."""
    with page.library() as library:
        assert chosen.player is not None
        evidence = page.known.evidence(library, chosen.player, chosen.club, session.mount)
        story = safely(lambda: tell(library, evidence, session.id, today))
        if isinstance(story, Failed):
            return {"story": page.part("failed.html", text=story.text), "felt": ""}
        context = {"story": story, "session": session, "chosen": chosen}
        return {
            "story": page.part("session_story.html", **context),
            "felt": page.part("session_felt.html", **context),
        }


def tell(library: Library, evidence: Evidence, session: str, today: int) -> dict[str, Any]:
    """Work out what a session says: sentences, examples, felt against measured."""
    links = SwingLinks(library, session, evidence.days)
    reading, kind = reading_of(evidence, session)
    felt = evidence.felt()
    shown = evidence.examples(session)
    ends = [one.swing_id.rpartition("#") for one in shown]
    places = [(s, int(n)) for s, _, n in ends]
    line = evidence.head_speed()
    now = evidence.standing_at(session, today)
    return {
        "reading": reading,
        "kind": kind,
        "sentences": [
            {
                "about": one.about,
                "middle": one.about in OF_MIDDLES,
                "text": words.without_command(one.text),
                # The sentence that a command was cut off leads to the drill itself.
                "drill": now.drill if words.without_command(one.text) != one.text else None,
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
        "reference": evidence.reference,
        "player": evidence.player.id,
        "notes": evidence.until(session).notes(session),
    }


def _story(request: Request) -> Response:
    """What a session says, or what was felt, as a part of the screen."""
    page = page_of(request)
    with page.library() as library:
        session = page.session(library, request.path_params["session"])
        chosen, _ = chosen_set(sets_of(rows_of(library, session.id)), request)
        told = tellable(library, session, chosen)
    if chosen is None or not told:
        raise NoSuchError("there is nothing to be told here")
    story = story_of(page, session, chosen, None)
    return HTMLResponse(story["felt" if request.url.path.endswith("/felt") else "story"])


# -- a drill -----------------------------------------------------------------------------------


def drill_of(session: SessionRow, rows: Sequence[Mapping[str, Any]]) -> dict[str, Any] | None:
    """Return the blocks of a drill with how far takeaway and top were from their beats.

    What the drill itself noted counts; where it was cut short, the asynchrony is worked out from
    the beats and the swings as they were measured.
    """
    try:
        markers, _ = read_markers(session.path)
    except (SensorError, OSError):
        return None
    noted = [m for m in markers if m.kind == "block_outcome"]
    beats = [m for m in markers if m.kind == "beats"]
    if not noted and not beats and not any(block_kind(row["block"]) for row in rows):
        return None
    by_block: dict[str, list[Mapping[str, Any]]] = {}
    for row in rows:
        if row["excluded"] is None and row["block"] and block_kind(row["block"]):
            by_block.setdefault(row["block"], []).append(row)
    outcomes = {f"{m.fields.get('block')} {m.fields.get('block_kind')}": m.fields for m in noted}
    out = []
    for name in dict.fromkeys([*outcomes, *by_block]):
        mine = by_block.get(name, [])
        fields = outcomes.get(name, {})
        out.append(
            {
                "name": name,
                "kind": block_kind(name) or name,
                "swings": len(mine) or int(fields.get("swings", 0)),
                "time": _of(fields, "time_enough", "time_judged"),
                "turn": _of(fields, "turn_full", "turn_judged"),
                "backswing": _middle([r["backswing_ms"] for r in mine]),
                "turned": _middle([r["turn_deg"] for r in mine]),
                "takeaway": _asynchrony(fields, "takeaway"),
                "top": _asynchrony(fields, "top"),
            }
        )
    told = drilled(markers)
    return {
        "blocks": out,
        "beats": beats_against(beats, rows, session),
        "held": [] if told is None else told.held,
        "interruptions": 0 if told is None else told.interruptions,
    }


def _of(fields: Mapping[str, Any], part: str, whole: str) -> str | None:
    if not isinstance(fields.get(whole), int) or not fields[whole]:
        return None
    return f"{fields.get(part)} of {fields[whole]}"


def _middle(values: Sequence[float | None]) -> float | None:
    there = [v for v in values if v is not None]
    return statistics.median(there) if there else None


def _asynchrony(fields: Mapping[str, Any], event: str) -> dict[str, Any] | None:
    found = fields.get(f"asynchrony_{event}_ms")
    if not isinstance(found, Mapping) or not isinstance(found.get("mean"), (int, float)):
        return None
    return {"mean": found["mean"], "sd": found.get("sd"), "n": found.get("n")}


def beats_against(
    beats: Sequence[Marker], rows: Sequence[Mapping[str, Any]], session: SessionRow
) -> dict[str, Any] | None:
    """Set the beats as they were heard against the swings as they were measured.

    A beat at the top belongs to the swing whose top is nearest, within half a second.
    """
    # Impact's sample number is the swing's key; its top lies the downswing before it.
    tops = [
        row["seq"] - row["downswing_ms"] * 1e-3 * session.rate_hz
        for row in rows
        if row["excluded"] is None and row["downswing_ms"] is not None
    ]
    late = []
    for beat in beats:
        at, not_heard = beat.fields.get("top_seq"), beat.fields.get("not_heard")
        if not isinstance(at, (int, float)) or not tops:
            continue
        if isinstance(not_heard, Mapping) and "top" in not_heard:
            continue
        nearest = min(tops, key=lambda top: abs(top - at))
        if abs(nearest - at) <= 0.5 * session.rate_hz:
            late.append(1e3 * (nearest - at) / session.rate_hz)
    if len(late) < 2:
        return None
    return {"n": len(late), "mean": statistics.fmean(late), "sd": statistics.stdev(late)}


# -- changes -----------------------------------------------------------------------------------


def _url(session: str, form: Form, mark: str = "") -> str:
    """Address to lead back to, with what was chosen before."""
    kept = [(n, v) for n, v in parse_qsl(field(form, "query")) if n in _KEPT_PARAMS]
    return session_url(session, **dict(kept)) + mark


def _known_session(request: Request) -> tuple[Page, SessionRow]:
    page = page_of(request)
    with page.library() as library:
        return page, page.session(library, checked_id(request.path_params["session"]))


def _change_swings(request: Request, form: Form) -> Response:
    """Say something about the swings that were picked."""
    page, session = _known_session(request)
    url = _url(session.id, form, "#with-picked")
    picked = [int(s) for s in form.get("seq", []) if s.isdecimal() and len(s) < 16]
    try:
        if not picked:
            raise FormError("Pick swings first: tick the boxes before them.")
        change, told = _change_of(field(form, "do"), form)
    except FormError as error:
        return page.back(url, str(error), wrong=True, form=("pick", form))
    at = datetime.now(UTC)

    def write(library: Library) -> None:
        spans = [library.span(session.id, seq) for seq in picked]
        with library.annotating(session.id) as said:
            for span, rate_hz in spans:
                key = said.key_of(span, rate_hz=rate_hz)
                values = change(said.get("swing", key, "tags") or [])
                said.set_swing(span, rate_hz=rate_hz, at=at, **values)

    edit_session(page, session.id, write)
    return page.back(url, f"{words.count(len(picked), 'swing').capitalize()}: {told}.")


def _change_of(what: str, form: Form) -> tuple[Any, str]:
    """What a button does to a swing: from its tags to the fields to set, and in words."""
    if what in ("tag", "untag"):
        tag = " ".join(field(form, "tag", most=LONGEST_TAG).split())
        if not tag:
            raise FormError("Type a tag first.")
        if what == "tag":
            return (lambda tags: {"tags": [*(t for t in tags if t != tag), tag]}), f"tagged '{tag}'"
        return (
            lambda tags: {"tags": [t for t in tags if t != tag] or None}
        ), f"no longer tagged '{tag}'"
    if what == "exclude":
        reason = field(form, "reason", most=LONGEST_REASON)
        if not reason:
            raise FormError("Say why these swings don't count: type a reason first.")
        return (lambda _: {"excluded": reason}), f"left out ({reason})"
    if what == "include":
        return (lambda _: {"excluded": None}), "count again"
    if what in KINDS:
        return (lambda _: {"kind": what}), f"now {what}"
    if what == "as-measured":
        return (lambda _: {"kind": None}), "kind as it was measured"
    raise FormError("There is no such button.")


def _change_segment(request: Request, form: Form) -> Response:
    """Correct who swung what from a place on."""
    page, session = _known_session(request)
    name = f"segment-{field(form, 'seq', most=15) or 'new'}"
    url = _url(session.id, form, f"#{name}")
    try:
        seq, new = _segment_place(page, session, form)
        values = _segment_values(form)
    except (FormError, NoSuchError) as error:
        return page.back(url, str(error), wrong=True, form=(name, form))

    def write(library: Library) -> None:
        recorded = _recorded(library, session.id, seq)
        # Only what differs from the recording is a correction.
        changed = {k: v for k, v in values.items() if recorded.get(k) != v}
        library.correct_segment(session.id, seq, **changed)

    try:
        edit_session(page, session.id, write)
    except (ReviewError, SensorError) as error:
        return page.back(url, str(error), wrong=True, form=(name, form))
    url = _url(session.id, form, "#segments")
    return page.back(url, "A new segment begins there." if new else "The segment is corrected.")


def _segment_place(page: Page, session: SessionRow, form: Form) -> tuple[int, bool]:
    """From which sample on: a segment's beginning, or a swing's."""
    text = field(form, "from")
    if text:
        if not text.isdecimal() or len(text) > 6:
            raise FormError("Say from which swing on: its number.")
        with page.library() as library:
            detail = library.swing(session.id, number=int(text))
            span, _ = library.span(session.id, detail.seq)
        return max(0, int(span.first_seq)), True
    seq = field(form, "seq")
    if not seq.isdecimal() or len(seq) > 15:
        raise FormError("Say which segment.")
    return int(seq), False


def _segment_values(form: Form) -> dict[str, Any]:
    """What a segment's form says; None where it isn't known."""
    player = field(form, "new_player", most=200) or field(form, "player", most=200) or None
    club = field(form, "club", most=100) or None
    hand, intent = field(form, "handedness") or None, field(form, "intent") or None
    ball = field(form, "ball")
    if hand is not None and hand not in HANDS:
        raise FormError(f"handedness must be one of {', '.join(HANDS)}")
    if intent is not None and intent not in INTENTS:
        raise FormError("a swing is full or part")
    if ball not in ("", "yes", "no"):
        raise FormError("there was a ball or there was none")
    return {
        "player": player,
        "handedness": hand,
        "club": club,
        "intent": intent,
        "ball": {"": None, "yes": True, "no": False}[ball],
    }


def _recorded(library: Library, session: str, seq: int) -> Mapping[str, Any]:
    """What the recording itself says from a place on."""
    found: Mapping[str, Any] = {}
    for start, _, fields in library.analyzed(session).segments:
        if start <= seq:
            found = fields
    return found


def _change_words(request: Request, form: Form) -> Response:
    """Note something on the whole session, or leave it out."""
    page, session = _known_session(request)
    url = _url(session.id, form)
    at = datetime.now(UTC)
    values = {
        "note": field(form, "note") or None,
        "excluded": field(form, "excluded", most=LONGEST_REASON) or None,
    }

    def write(library: Library) -> None:
        with library.annotating(session.id) as said:
            for name, value in values.items():
                said.set("session", name, value=value, at=at)

    edit_session(page, session.id, write)
    return page.back(f"{url}#session-words", "Kept.")


def _take_back(request: Request, form: Form) -> Response:
    """Take back the last change of a session, all that was done at once."""
    page, session = _known_session(request)
    url = _url(session.id, form)
    number = field(form, "number", most=6)
    if number.isdecimal():
        url = swing_url(session.id, int(number))
    with page.changing() as library:
        before = last_change(library, session.id)
        if before is None:
            return page.back(url, "There is nothing to take back.", wrong=True)
        with library.annotating(session.id) as said:
            first = said.undo()
            while first is not None and said.history and said.history[-1].at == first.at:
                said.undo()
        gone = _without_new(page, library, session.id)
    told = (
        f" {words.join(gone)} {'are' if len(gone) > 1 else 'is'} no player any more."
        if gone
        else ""
    )
    return page.back(url, f"Taken back: {before[1]}.{told}")


def _without_new(page: Page, library: Library, session: str) -> list[str]:
    """Remove players whom a change that was taken back had made; return their names."""
    out = []
    for who in sorted(page.made_by.get(session, ())):
        player = library.people.get(who)
        if player is None or player.references or player.plans or player.note or player.consent:
            # Gone, or something was said of them since.
            continue
        if library.remove_unused(who):
            out.append(player.name)
    left = {who for who in page.made_by.pop(session, ()) if library.people.get(who) is not None}
    page.made_by[session] = left
    return out
