"""A swing: its curves, every number with its interval, and what people say of it."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from datetime import UTC, datetime
from functools import partial
from typing import Any, Final

import numpy as np
from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import BaseRoute, Route

from analysis.evidence.compare import CompareParams
from analysis.evidence.intervals import t_quantile
from analysis.evidence.summary import is_held
from analysis.swing.results import Swing, is_bound
from library.answer import Answer, answer_of_swing
from library.ball_results import POSSIBLE, is_possible
from library.catalogue import Library
from library.errors import LibraryError, NoSuchError
from library.result_doubts import doubts_about
from library.rows import SessionRow, SwingDetail
from review import formatting as fmt
from review.answers import shown_answer
from review.errors import ReviewError
from review.page.app import WAIT_S, FormError, Page, page_of
from review.page.cache import NOT_READY
from review.page.evidence_cache import Failed, safely
from review.page.forms import Form, edit_session, field, last_change, number, posted
from review.page.links import pair_url, session_url, swing_url
from review.page.session_edits import LONGEST_REASON, LONGEST_TAG
from review.plot import Trace
from review.svg import Curve, traces_chart
from sensor.errors import SensorError
from sensor.recording.vocabulary import COUNTS, EVENTS, FELT, KINDS, RESULT_FIELDS
from words.glossary import REMARKS

EVENT_NAMES: Final = tuple(name.removesuffix("_seq") for name in EVENTS)

FARTHEST_MOVE_S: Final = 3.0
"""An event isn't set farther from where it was measured: that would be another swing."""

CHANNELS: Final = {"gyr": "gyroscope", "acc": "accelerometer"}


def routes() -> list[BaseRoute]:
    """Return the paths of this screen."""
    where = "/session/{session}/swing/{number:int}"
    return [
        Route(where, _swing),
        Route(f"{where}/answer", _answer),
        Route(f"{where}/words", posted(_words), methods=["POST"]),
        Route(f"{where}/events", posted(_events), methods=["POST"]),
    ]


def _found(page: Page, library: Library, request: Request) -> tuple[SessionRow, SwingDetail]:
    session = page.session(library, request.path_params["session"])
    n = request.path_params["number"]
    if not 0 < n < 10**6:
        raise NoSuchError("there is nothing under this address")
    return session, library.swing(session.id, number=n)


def origin_s(swing: Swing) -> float | None:
    """Return the time that a swing's curves are drawn from: its takeaway, else its first event."""
    known = (swing.takeaway_s, swing.top_s, swing.impact_s, swing.finish_s)
    return next((at for at in known if at is not None), None)


def since_takeaway_ms(swing: Swing, at_s: float) -> float:
    """Return an instant in ms since takeaway, or since the first event where that is absent."""
    origin = origin_s(swing)
    assert origin is not None
    return 1e3 * (at_s - origin)


def trace_of(page: Page, detail: SwingDetail) -> Trace:
    """Return a swing's curves, kept until the library changes.

    Raises
    ------
    SensorError
        The recording cannot be read.
    """
    key = ("trace", detail.session, detail.seq)
    trace: Trace = page.cache.get(key, lambda: page.tools.trace(detail), quick=True)
    return trace


def curves_of(trace: Trace, swing: Swing, *, style: int = 0, shift_ms: float = 0.0) -> Any:
    """Return turn and rate as curves over ms since takeaway, less `shift_ms`."""
    origin = origin_s(swing)
    if origin is None or not len(trace.time_s):
        return None
    x = 1e3 * (np.asarray(trace.time_s) - origin) - shift_ms
    return x, np.asarray(trace.turn_deg), np.asarray(trace.rate_dps), style


def charts_of(detail: SwingDetail, trace: Trace, mount: str | None) -> list[str]:
    """Draw turn and rate of a swing, its events and how well they are known."""
    swing = detail.swing
    found = curves_of(trace, swing)
    if found is None:
        return []
    x, turn, rate, _ = found
    events, bands = [], []
    for name in EVENT_NAMES:
        at, u = getattr(swing, f"{name}_s"), getattr(swing, f"{name}_s_u")
        if at is None:
            continue
        place = since_takeaway_ms(swing, at)
        events.append((place, name))
        if u is not None:
            bands.append(
                (place - 1e3 * u, place + 1e3 * u, f"{name}: plus or minus {1e3 * u:.1f} ms")
            )
    out = []
    for y, css, label in (
        (turn, "turn", f"{fmt.turn_word(mount)}, °"),
        (rate, "rate", "rotation, °/s"),
    ):
        out.append(
            traces_chart(
                [Curve(x=x.tolist(), y=y.tolist(), name="", events=events, bands=bands)],
                title=f"{label.split(',')[0].capitalize()} of swing {swing.index} over time",
                x_label="ms since takeaway"
                if swing.takeaway_s is not None
                else "ms since the first event that is known",
                y_label=label,
                css=css,
                cursor=True,
            )
        )
    return [svg for svg in out if svg]


def curve_rows(trace: Trace, swing: Swing) -> list[tuple[str, str, str]]:
    """Return the curves as a table, every 50 ms."""
    found = curves_of(trace, swing)
    if found is None:
        return []
    x, turn, rate, _ = found
    out = []
    for at in np.arange(np.ceil(x[0] / 50.0) * 50.0, x[-1], 50.0):
        k = int(np.argmin(np.abs(x - at)))
        out.append(
            (
                f"{at:.0f}".replace("-", "−"),
                fmt.digits("turn_deg", float(turn[k])),
                fmt.digits("peak_rate_dps", float(rate[k])),
            )
        )
    return out


def number_rows(swing: Swing, mount: str | None) -> list[dict[str, Any]]:
    """Return every number with its uncertainty, its interval and what the uncertainty is made of.

    The interval holds the true value in 95 % of cases: the uncertainty times t with the degrees of
    freedom that a stated uncertainty has, as where two swings are compared.
    """
    factor = t_quantile(0.975, CompareParams().swing_u_dof)
    out = []
    for name, remark in REMARKS.items():
        value, u = getattr(swing, name), getattr(swing, f"{name}_u")
        pair = fmt.with_u(value, u)
        bound = is_bound(swing, name)
        interval = None
        if pair is not None and not bound:
            places = fmt.decimals_of(u)
            low, high = (f"{value + s * factor * u:.{places}f}".replace("-", "−") for s in (-1, 1))
            interval = f"{low} to {high}"
        parts = sorted(swing.budget.get(name, ()), key=lambda part: -part.u)
        out.append(
            {
                "name": name,
                "word": fmt.measure_word(name, mount),
                "unit": fmt.signed_unit(name),
                "what": "at least: why is among the notes" if bound else remark,
                "pair": pair,
                "bound": bound,
                "interval": interval,
                "parts": [(p.source, f"{p.u:.{fmt.decimals_of(u) + 1}f}", p.shared) for p in parts]
                if u is not None
                else [],
            }
        )
    return out


def event_rows(detail: SwingDetail) -> list[dict[str, Any]]:
    """Return the events as they are and as they were measured."""
    out = []
    for name in EVENT_NAMES:
        now, u = getattr(detail.swing, f"{name}_s"), getattr(detail.swing, f"{name}_s_u")
        was = getattr(detail.measured, f"{name}_s")
        out.append(
            {
                "name": name,
                "pair": fmt.with_u(now, u),
                "value": "" if now is None else f"{now:.3f}",
                "was": None if was is None else f"{was:.3f}",
                "by_hand": f"{name}_seq" in detail.corrected,
            }
        )
    return out


def _swing(request: Request) -> Response:
    page = page_of(request)
    with page.library() as library:
        session, detail = _found(page, library, request)
        charts: list[str] = []
        table: list[tuple[str, str, str]] = []
        gone = None
        try:
            undo = last_change(library, session.id)
            trace = trace_of(page, detail)
            charts = charts_of(detail, trace, session.mount)
            table = curve_rows(trace, detail.swing)
        except (SensorError, NoSuchError) as error:
            undo, gone = None, fmt.line_of(error)
        others = library.swings(
            session=session.id, columns=("number", "kind", "player", "at_s"), excluded=True
        )
        numbers = [int(n) for n in others["number"]]
        place = numbers.index(detail.swing.index)
        answer = answer_for(
            page,
            session,
            detail,
            None if request.query_params.get("whole") is not None else WAIT_S,
        )
        player = None if detail.player is None else library.player(detail.player)
        return page.render(
            request,
            "swing.html",
            here="players",
            session=session,
            detail=detail,
            swing=detail.swing,
            player=player,
            charts=charts,
            table=table,
            gone=gone,
            undo=undo,
            numbers=number_rows(detail.swing, session.mount),
            events=event_rows(detail),
            answer=answer,
            ready=NOT_READY,
            before=numbers[place - 1] if place else None,
            after=numbers[place + 1] if place + 1 < len(numbers) else None,
            others=[
                (n, kind)
                for n, kind in zip(numbers, others["kind"], strict=True)
                if n != detail.swing.index
            ],
            limits=[_channel(name) for name in detail.swing.clipped],
            kinds=KINDS,
            felt=FELT,
            fields=RESULT_FIELDS,
            tags=sorted(library.tags())[:200],
            at_s=origin_s(detail.swing),
            # The same instant as in the session's list.
            listed_s=float(others["at_s"][place]) - session.start_s,
            swing_url=swing_url,
            session_url=session_url,
            pair_url=pair_url,
        )


def _channel(name: str) -> str:
    kind, _, axis = name.partition("_")
    return f"{CHANNELS.get(kind, kind)} {axis}".strip()


def answer_for(page: Page, session: SessionRow, detail: SwingDetail, wait_s: float | None) -> Any:
    """Set one swing against the player's own: what happened in it. None where it isn't read."""
    if detail.player is None or detail.part or detail.excluded or session.excluded:
        return None
    with page.library() as library:
        if library.set_aside(session, detail.player) is not None:
            return None
    player, swing = detail.player, detail.swing
    setting = (player, swing.club, session.mount)
    work = partial(page.worker.do, read_swing, *setting, session.id, swing.index)
    return page.cache.get(("swing", session.id, detail.seq), work, wait_s=wait_s, player=player)


def read_swing(
    page: Page, player: str, club: str | None, mount: str | None, session: str, number: int
) -> Markup:
    """Return the answer of a swing's screen. A job."""

    def work() -> Answer | None:
        with page.library() as library:
            evidence = page.evidence.setting(library, player, club, mount)
            if session not in evidence.sessions:
                return None
            return answer_of_swing(evidence, session, number)

    found = safely(work)
    if isinstance(found, Failed):
        return page.part("failed.html", text=found.text)
    if found is None:
        return page.part("swing_answer.html", answer=None)
    beside = f"{swing_url(session, number)}/beside"
    return page.part("swing_answer.html", answer=shown_answer(found, page.units), beside=beside)


def _answer(request: Request) -> Response:
    page = page_of(request)
    with page.library() as library:
        session, detail = _found(page, library, request)
    found = answer_for(page, session, detail, None)
    if found is None:
        raise NoSuchError("there is nothing to be told here")
    return HTMLResponse(found)


# -- changes -----------------------------------------------------------------------------------


def _words(request: Request, form: Form) -> Response:
    """Say what a swing was, how it felt, and what the ball did."""
    page = page_of(request)
    with page.library() as library:
        session, detail = _found(page, library, request)
    url = swing_url(session.id, detail.swing.index)
    try:
        values = _said(form, detail, page.units)
        if values.get("result") and "as_it_is" not in form:
            with page.library() as library:
                _ask_about(library, session.id, detail, values["result"])
    except FormError as error:
        return page.back(f"{url}#words", fmt.line_of(error), wrong=True, form=("words", form))
    at = datetime.now(UTC)

    def write(library: Library) -> None:
        span, rate_hz = library.span(session.id, detail.seq)
        with library.annotating(session.id) as said:
            said.set_swing(span, rate_hz=rate_hz, at=at, **values)

    try:
        edit_session(page, session.id, write)
    except (LibraryError, ReviewError, SensorError) as error:
        return page.back(f"{url}#words", fmt.line_of(error), wrong=True, form=("words", form))
    return page.back(f"{url}#words", "Kept.")


def _ask_about(
    library: Library, session: str, detail: SwingDetail, result: Mapping[str, Any]
) -> None:
    """Refuse numbers that look like another unit, until they are said to be as they are.

    Raises
    ------
    FormError
    """
    before = detail.result or {}
    if asked := doubts_about(library, session, [(detail.swing.index, result, before)]).lines:
        text = f"{asked[0][0].upper()}{asked[0][1:]}"
        raise FormError(f"{text} Nothing is kept yet: change it, or tick that it stays.")


def _said(form: Form, detail: SwingDetail, units: fmt.Units) -> dict[str, Any]:
    """What the form says, only what it changes."""
    values: dict[str, Any] = {}
    kind = field(form, "kind")
    if kind != "as-it-is":
        if kind not in (*KINDS, "as-measured"):
            raise FormError(f"a swing is {', '.join(KINDS)}")
        values["kind"] = None if kind == "as-measured" else kind
    tags = [" ".join(t.split()) for t in field(form, "tags", most=4000).split(",")]
    tags = list(dict.fromkeys(t for t in tags if t))
    if any(len(t) > LONGEST_TAG for t in tags):
        raise FormError(f"a tag has at most {LONGEST_TAG} characters")
    if set(tags) != set(detail.tags):
        values["tags"] = tags or None
    note = field(form, "note") or None
    if note != field(form, "note_was"):
        values["note"] = note
    reason = field(form, "excluded", most=LONGEST_REASON) or None
    if reason != detail.excluded:
        held = is_held(detail.measured)
        values["excluded"] = COUNTS if reason is None and held else reason
    felt = dict(detail.felt)
    for question in FELT:
        said = field(form, f"felt_{question}")
        was = field(form, f"felt_{question}_was") if f"felt_{question}_was" in form else None
        if said != (detail.felt.get(question, "") if was is None else was):
            # What another window said meanwhile stays where this one changed nothing.
            felt[question] = said
    felt = {question: said for question, said in felt.items() if said}
    if felt != dict(detail.felt):
        values["felt"] = felt or None
    values.update(_result(form, detail.result or {}, units))
    return values


def _result(form: Form, before: Mapping[str, Any], units: fmt.Units) -> dict[str, Any]:
    """Ball results that were typed; what came with an import stays."""
    result = dict(before)
    for name in RESULT_FIELDS:
        value = number(form, name, fmt.MEASURE_WORDS[name])
        if value is None:
            result.pop(name, None)
        elif units.typed(name, result.get(name)) != f"{value:.6g}":
            result[name] = units.kept(name, value)
            if not is_possible(name, result[name]):
                low, high = (units.digits(name, bound) for bound in POSSIBLE[name])
                word = fmt.MEASURE_WORDS[name]
                raise FormError(
                    f"{word[:1].upper()}{word[1:]} in {units.unit(name)} must lie between {low} "
                    f"and {high}."
                )
    if result == dict(before):
        return {}
    if not set(result) & {*RESULT_FIELDS, "other"}:
        return {"result": None}
    return {"result": {**result, "source": "typed"}}


def _events(request: Request, form: Form) -> Response:
    """Set events by hand; kept beside the recording, and marked."""
    page = page_of(request)
    with page.library() as library:
        session, detail = _found(page, library, request)
    url = swing_url(session.id, detail.swing.index)
    try:
        times = _times(form, detail)
    except FormError as error:
        return page.back(f"{url}#events", fmt.line_of(error), wrong=True, form=("events", form))

    def write(library: Library) -> None:
        measured = next(s for s in library.analyzed(session.id).swings if s.span.seq == detail.seq)
        period_s = library.analyzed(session.id).period_s
        events = {
            f"{name}_seq": round(measured.at_seq + (at - measured.at_s) / period_s, 3)
            for name, at in times.items()
        }
        library.annotate(session.id, detail.seq, events=events or None)

    try:
        edit_session(page, session.id, write)
    except (LibraryError, ReviewError, SensorError) as error:
        return page.back(f"{url}#events", fmt.line_of(error), wrong=True, form=("events", form))
    if not times:
        return page.back(url, "All events are as they were measured.")
    return page.back(url, f"Set by hand: {fmt.join(times)}. All numbers follow.")


def _times(form: Form, detail: SwingDetail) -> dict[str, float]:
    """Times of the events that are to be set by hand; the others stay as measured."""
    if "measured" in form:
        return {}
    out: dict[str, float] = {}
    for name in EVENT_NAMES:
        at = number(form, name, name)
        was = getattr(detail.measured, f"{name}_s")
        now = getattr(detail.swing, f"{name}_s")
        if at is None:
            continue
        shown = None if now is None else float(f"{now:.3f}")
        if at == shown and f"{name}_seq" not in detail.corrected:
            continue
        if was is not None and float(f"{was:.3f}") == at:
            continue
        near = was if was is not None else origin_s(detail.measured)
        if near is not None and abs(at - near) > FARTHEST_MOVE_S:
            raise FormError(
                f"{name} at {at:.3f} s is far from this swing: seconds since the recording's start"
            )
        # What was set by hand before and isn't moved keeps its exact place.
        out[name] = float(now) if at == shown and now is not None else at
    order = {n: out.get(n, getattr(detail.measured, f"{n}_s")) for n in EVENT_NAMES}
    there = [(n, at) for n, at in order.items() if at is not None]
    for (first, a), (second, b) in itertools.pairwise(there):
        if a >= b:
            raise FormError(f"{first} must come before {second}")
    return out
