"""The range: a phone or tablet at the mat starts, follows and ends a recording or a drill.

The screen is made of parts, each a piece of a document. They are sent with the page, and again,
one by one, whenever they change: so there is one way to draw them, the screen works without a
script, and whoever opens it again finds all as it stands.
"""

from __future__ import annotations

import json
import math
from collections.abc import AsyncIterator, Callable, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any, Final

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response, StreamingResponse
from starlette.routing import Route

from analysis.plan import Drill
from review.ballresults import POSSIBLE
from review.errors import ReviewError
from review.liberrors import NoSuchError
from review.page import words
from review.page.app import FormError, Page, checked_id, page_of
from review.page.forms import Form, field, number, posted
from review.page.known import Stand, has_report, stand
from review.page.livehub import (
    FELT_QUESTIONS,
    DrillWanted,
    LiveError,
    LiveHub,
    LiveState,
    LiveSwing,
    TooManyError,
    Wanted,
)
from review.people import LONGEST_NAME, clean_name
from sensor.said import FELT, KINDS
from sensor.session import HANDS, MOUNTS
from sensor.wearing import CAUTIONS as WEARING_CAUTIONS

__all__ = ["parts_of", "routes"]

PARTS: Final = ("status", "last", "taps", "list", "lines")
MEASURES: Final = ("backswing_ms", "turn_deg", "peak_rate_dps")
"""Shown large: those that rehearsals and strikes have in common, and a reference of either."""

RETRY_MS: Final = 1500
"""After a broken line a browser waits so long before it tries again."""

LONGEST_CLUB: Final = 60
LONGEST_NOTE: Final = 2000
LOOPBACK: Final = ("127.0.0.1", "::1")
CLUBS: Final = ("driver", "3 wood", "5 iron", "7 iron", "9 iron", "wedge")
"""Offered where a player's own clubs aren't known; common practice, no source."""

MILE_M: Final = 1609.344
YARD_M: Final = 0.9144
"""Both exact (NIST SP 811)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ResultField:
    """A ball result that can be typed.

    Attributes
    ----------
    name : str
        As in `sensor.said.RESULT_FIELDS`.
    label, unit : str
    scale : float
        Of what is typed to the unit in the name.
    """

    name: str
    label: str
    unit: str
    scale: float

    @property
    def low(self) -> float:
        """Least that makes sense, in the unit in the name."""
        return POSSIBLE[self.name][0]

    @property
    def high(self) -> float:
        """Most that makes sense, in the unit in the name."""
        return POSSIBLE[self.name][1]


def result_fields(units: str) -> tuple[ResultField, ...]:
    """Return the results that can be typed, in m/s and m or in mph and yards."""
    imperial = units == "imperial"
    speed, per_speed = ("mph", MILE_M / 3600.0) if imperial else ("m/s", 1.0)
    length, per_length = ("yd", YARD_M) if imperial else ("m", 1.0)
    return (
        ResultField(name="carry_m", label="Carry", unit=length, scale=per_length),
        ResultField(name="offline_m", label="Offline, right +", unit=length, scale=per_length),
        ResultField(name="ball_speed_m_s", label="Ball speed", unit=speed, scale=per_speed),
        ResultField(name="club_speed_m_s", label="Head speed", unit=speed, scale=per_speed),
    )


def hub_of(page: Page) -> LiveHub:
    """Return what is going on.

    Raises
    ------
    LiveError
        This page was made without it.
    """
    if not isinstance(page.live, LiveHub):
        raise LiveError("nothing can be recorded from this page: use 'unhurried record'")
    return page.live


# -- the screen ------------------------------------------------------------------------------------


def parts_of(page: Page, state: LiveState, chosen: str | None) -> dict[str, str]:
    """Draw the parts of the screen that change while something runs.

    Parameters
    ----------
    page : Page
    state : LiveState
    chosen : str or None
        Key of the swing that is shown large; the last one by default.

    Returns
    -------
    dict of str to str
        HTML by name of the part.
    """
    macros: Any = page.templates.get_template("range_parts.html").module
    swing = state.swing(chosen)
    units = str(page.tools.settings.get("units", "metric"))
    context = {
        "state": state,
        "swing": swing,
        "chosen": swing is not None and bool(state.swings) and swing is not state.swings[-1],
        "measures": MEASURES,
        "questions": FELT_QUESTIONS,
        "results": {} if swing is None else result_words(swing, units),
        "reported": _reported(page, state),
    }
    return {name: str(getattr(macros, name)(context)).strip() for name in PARTS}


def _reported(page: Page, state: LiveState) -> bool:
    """Tell whether a report is offered of what has ended; asked only then."""
    if state.phase != "kept" or state.session is None or not state.stays:
        return False
    with page.library() as library:
        return has_report(library, state.session)


def result_words(swing: LiveSwing, units: str) -> dict[str, str]:
    """Write a swing's ball results in the units of the setting."""
    return {
        one.label: f"{swing.result[one.name] / one.scale:.1f} {one.unit}".replace("-", "−")
        for one in result_fields(units)
        if one.name in swing.result
    }


def _screen(request: Request) -> Response:
    """The range screen as it stands."""
    page = page_of(request)
    hub = hub_of(page)
    state = hub.state
    key = request.query_params.get("swing")
    context: dict[str, Any] = (
        {"people": _people(page)} if state.running else _start_context(page, state.player)
    )
    return page.render(
        request,
        "range.html",
        here="range",
        state=state,
        parts=parts_of(page, state, key),
        chosen=key if state.swing(key) is not None else None,
        can_start=hub.starter is not None,
        can_invite=hub.invite is not None and _from_here(request),
        fields=result_fields(str(page.tools.settings.get("units", "metric"))),
        hands=HANDS,
        **context,
    )


def _people(page: Page) -> list[dict[str, Any]]:
    """Players to pick from, those who swung last first."""
    with page.library() as library:
        rows = sorted(library.players(), key=lambda row: -(row.last_start_s or 0.0))
    names = [row.name for row in rows]
    return [
        {
            "id": row.id,
            "name": row.name,
            "label": row.name
            if names.count(row.name) == 1
            else f"{row.name} ({row.note or row.id[:8]})",
            "child": row.child and not row.consent,
        }
        for row in rows
    ]


def _start_context(page: Page, before: str | None) -> dict[str, Any]:
    """What can be picked; the player who swung before is picked already."""
    people = _people(page)
    with page.library() as library:
        clubs = list(
            dict.fromkeys(
                [row.club for row in library.groups() if row.club is not None] + list(CLUBS)
            )
        )
    return {
        "people": people,
        "before_id": next((one["id"] for one in people if one["name"] == before), None),
        "clubs": clubs[:30],
        "mounts": [(name, words.MOUNT_WORDS[name]) for name in MOUNTS],
        "wearing_texts": [
            (words.MOUNT_WORDS[mount], texts) for mount, texts in WEARING_CAUTIONS.items()
        ],
    }


def _from_here(request: Request) -> bool:
    """Whether it was asked on this computer itself."""
    return request.client is not None and request.client.host in LOOPBACK


def _drill_screen(request: Request) -> Response:
    """Cautions, and below them what the drill is to be."""
    page = page_of(request)
    hub = hub_of(page)
    if hub.starter is None:
        raise LiveError("no drill can be started from this page: use 'unhurried drill --page'")
    if hub.state.running:
        raise LiveError("a recording runs already: stop it first")
    planned, told = None, ""
    who = request.query_params.get("player")
    if who:
        planned, told = _planned(page, checked_id(who))
    return page.render(
        request,
        "range_drill.html",
        here="range",
        state=hub.state,
        cautions=hub.starter.cautions,
        who_id=who,
        hands=HANDS,
        rest_s=f"{float(page.tools.settings.get('rest_s', 15.0)):g}",
        planned=planned,
        told=told,
        **_start_context(page, hub.state.player),
    )


def _planned(page: Page, who: str) -> tuple[dict[str, Any] | None, str]:
    """The next drill of a player's plan, with a line that says what it is or why there is none."""
    with page.library() as library:
        name = library.player(who).name
    found = page.shelf.get(
        ("stand", who, page.today()), partial(page.apart.do, stand, who), player=who, wait_s=20.0
    )
    drill: Drill | None = found.standing.drill if isinstance(found, Stand) else None
    if drill is None:
        return None, f"There is no next drill in {name}'s plan yet: say below what it is to be."
    planned = {
        "block": drill.block,
        "repeats": drill.repeats,
        "rest_s": drill.rest_s,
        "backswing_ms": drill.backswing_ms,
        "full_turn_deg": None
        if drill.turn_target_deg is None or not drill.share
        else round(drill.turn_target_deg / drill.share),
        "share": None if drill.share is None else round(100.0 * drill.share),
        "schedule": drill.feedback,
        "club": found.club,
        "mount": found.mount,
    }
    return planned, f"The next drill in {name}'s plan: {words.drill_words(drill)}"


# -- what goes on, as it goes on -------------------------------------------------------------------


async def _live(request: Request) -> Response:
    """Send the parts of the screen as they change (server-sent events, HTML standard 9.2)."""
    page = page_of(request)
    hub = hub_of(page)
    key = request.query_params.get("swing")
    following = hub.follow()
    try:
        # The first state comes at once; that there is no room is told as an error.
        first = await anext(following)
    except TooManyError as error:
        return Response(f"{error}\n", 503, headers={"retry-after": "5"}, media_type="text/plain")

    async def events() -> AsyncIterator[str]:
        sent: dict[str, str] = {}
        yield f"retry: {RETRY_MS}\n\n"
        try:
            state = first
            while True:
                if state is None:
                    yield "event: alive\ndata: 1\n\n"
                else:
                    drawn = _drawn(page, hub, state, key)
                    changed = {name: html for name, html in drawn.items() if sent.get(name) != html}
                    sent = drawn
                    message = {
                        "version": state.version,
                        "phase": state.phase,
                        "stays": state.stays,
                        "parts": changed,
                    }
                    yield f"event: live\ndata: {json.dumps(message, ensure_ascii=False)}\n\n"
                try:
                    state = await anext(following)
                except StopAsyncIteration:
                    return
        finally:
            await following.aclose()  # type: ignore[attr-defined]

    return StreamingResponse(
        events(), media_type="text/event-stream", headers={"cache-control": "no-store"}
    )


def _drawn(page: Page, hub: LiveHub, state: LiveState, key: str | None) -> dict[str, str]:
    """Draw the parts once for all who follow."""
    if all(one.key != key for one in state.swings):
        key = None
    kept = hub.drawn.get(key)
    if kept is None or kept[0] != state.version:
        if len(hub.drawn) > len(state.swings):
            hub.drawn.clear()
        kept = (state.version, parts_of(page, state, key))
        hub.drawn[key] = kept
    return kept[1]


# -- what is asked for -----------------------------------------------------------------------------


def _answer(
    request: Request, text: str, *, to: str = "/range", form: tuple[str, Form] | None = None
) -> Response:
    """Say what was done: to a script in a line, else on the screen."""
    if "text/html" not in request.headers.get("accept", "text/html"):
        return JSONResponse({"text": text})
    return page_of(request).back(to, text, form=form)


def _word(form: Mapping[str, list[str]], name: str, choices: tuple[str, ...]) -> str:
    word = field(form, name, most=60)
    if word not in choices:
        raise FormError(f"'{name}' must be one of {', '.join(choices)}")
    return word


def _optional(form: Mapping[str, list[str]], name: str, choices: tuple[str, ...]) -> str | None:
    return _word(form, name, choices) if field(form, name, most=60) else None


def _one_line(form: Mapping[str, list[str]], name: str, most: int) -> str | None:
    text = clean_name(field(form, name, most=4 * most))
    if len(text) > most:
        raise FormError(f"'{name}' is longer than {most} characters: make it shorter")
    return text or None


def _who(page: Page, form: Form) -> tuple[str | None, str | None]:
    """Return the name and, where picked from the library, the id of a player.

    Raises
    ------
    FormError
        A child of whom nobody's consent is noted.
    """
    new = _one_line(form, "new_player", LONGEST_NAME)
    picked = field(form, "player", most=60)
    if new is not None:
        return new, None
    if not picked:
        return None, None
    with page.library() as library:
        player = library.player(checked_id(picked))
    if player.child and not player.consent:
        raise FormError(
            f"{player.name} is a child and nobody's consent is noted: note on the player's screen "
            "who agreed, then record"
        )
    return player.name, player.id


def _wanted(page: Page, form: Form, drill: DrillWanted | None) -> Wanted:
    sensor = field(form, "sensor", most=200)
    name, known = _who(page, form)
    return Wanted(
        sensor=sensor if sensor not in ("", "near", "simulated") else None,
        simulated=sensor == "simulated",
        player=name,
        player_id=known,
        club=_one_line(form, "club", LONGEST_CLUB),
        mount=_optional(form, "mount", MOUNTS),
        hand=_optional(form, "hand", HANDS),
        drill=drill,
    )


def _begin(request: Request, wanted: Wanted) -> Response:
    hub = hub_of(page_of(request))
    if hub.starter is None:
        raise LiveError("nothing can be started from this page: use 'unhurried record'")
    hub.starter.start(wanted)
    if "text/html" in request.headers.get("accept", "text/html"):
        # The screen says by itself that it has begun.
        return RedirectResponse("/range", status_code=303)
    return JSONResponse({"text": "Started."})


def _start(request: Request, form: Form) -> Response:
    return _begin(request, _wanted(page_of(request), form, None))


BLOCK_CHOICES: Final[Mapping[str, tuple[str, ...]]] = {
    "rehearsal": ("rehearsal",),
    "ball": ("ball",),
    "turns": ("rehearsal", "ball", "rehearsal", "ball"),
    "test": ("rehearsal", "silent"),
    "silent": ("silent",),
    "retention": ("retention",),
}


def _whole(form: Form, name: str, what: str, low: int, high: int) -> int:
    value = number(form, name, what)
    if value is None or not low <= value <= high or value != int(value):
        raise FormError(f"{what} must be a whole number from {low} to {high}")
    return int(value)


def _within(form: Form, name: str, what: str, low: float, high: float) -> float | None:
    value = number(form, name, what)
    if value is not None and not low <= value <= high:
        raise FormError(f"{what} must lie between {low:g} and {high:g}")
    return value


def _start_drill(request: Request, form: Form) -> Response:
    if field(form, "cautions", most=20) != "read":
        raise FormError("read the cautions first and tick that you did: then start the drill")
    cue = _word(form, "cue", ("ready", "takeaway", "none"))
    rest = _within(form, "rest_s", "the rest after a swing, in s,", 1.0, 3600.0)
    share = _within(form, "share", "the share of the full turn, in per cent,", 30.0, 100.0)
    drill = DrillWanted(
        blocks=BLOCK_CHOICES[_word(form, "block", tuple(BLOCK_CHOICES))],
        repeats=_whole(form, "repeats", "swings a block", 1, 200),
        rest_s=15.0 if rest is None else rest,
        backswing_ms=_within(form, "backswing_ms", "the backswing, in ms,", 200.0, 3000.0),
        full_turn_deg=_within(form, "full_turn_deg", "the full turn, in deg,", 30.0, 400.0),
        share=None if share is None else share / 100.0,
        schedule=_word(form, "schedule", ("every", "outside", "fading", "none")),
        cue_on=None if cue == "none" else cue,
        felt=field(form, "felt", most=20) == "ask",
    )
    return _begin(request, _wanted(page_of(request), form, drill))


def _ask(
    name: str, fields_of: Callable[[Page, Form], dict[str, Any]]
) -> Callable[[Request, Form], Response]:
    """Make a change of what hands a form's fields to what runs."""

    def change(request: Request, form: Form) -> Response:
        page = page_of(request)
        fields = fields_of(page, form)
        if "swing" in form:
            fields["swing"] = field(form, "swing", most=40)
        if "tap" in form:
            # A tap that was sent twice, because the line broke, counts once.
            fields["tap"] = field(form, "tap", most=60)
        return _answer(request, hub_of(page).ask(name, fields))

    return change


def _staying(
    name: str, change: Callable[[Request, Form], Response]
) -> Callable[[Request, Form], Response]:
    """Make a change that stays on the range when it is refused, with what was typed.

    A script asked for a line and shows it beside the form itself.
    """
    to = "/range/drill#drill" if name == "drill" else f"/range#{name}"

    def stay(request: Request, form: Form) -> Response:
        try:
            return change(request, form)
        except ReviewError as error:
            if name == "code" or "text/html" not in request.headers.get("accept", ""):
                raise
            kept = "start" if name == "look" else name
            return page_of(request).back(to, str(error), wrong=True, form=(kept, form))

    return stay


def _felt_fields(_page: Page, form: Form) -> dict[str, Any]:
    question = _word(form, "question", tuple(FELT))
    return {"question": question, "word": _word(form, "word", FELT[question])}


def _ball_fields(_page: Page, form: Form) -> dict[str, Any]:
    word = _word(form, "ball", ("rehearsal", "ball", "either"))
    return {"ball": {"rehearsal": False, "ball": True, "either": None}[word]}


def _who_fields(page: Page, form: Form) -> dict[str, Any]:
    name, known = _who(page, form)
    out: dict[str, Any] = {"club": _one_line(form, "club", LONGEST_CLUB)}
    if name is not None:
        out |= {"player": name, "player_id": known}
    hand = _optional(form, "hand", HANDS)
    if hand is not None:
        out["hand"] = hand
    return {name: value for name, value in out.items() if value is not None or name == "player_id"}


def _note_fields(_page: Page, form: Form) -> dict[str, Any]:
    text = field(form, "text", most=LONGEST_NOTE)
    if not text:
        raise FormError("the note is empty: type it first")
    return {"text": text}


def _result_fields(page: Page, form: Form) -> dict[str, Any]:
    values: dict[str, float] = {}
    for one in result_fields(str(page.tools.settings.get("units", "metric"))):
        value = number(form, one.name, one.label)
        if value is None:
            continue
        metric = value * one.scale
        if not one.low <= metric <= one.high or not math.isfinite(metric):
            low, high = one.low / one.scale, one.high / one.scale
            raise FormError(
                f"{one.label} in {one.unit} must lie between {low:.0f} and {high:.0f}".replace(
                    " -", " −"
                )
            )
        values[one.name] = metric
    if not values:
        raise FormError("no result was typed: type at least one number")
    return {"result": values}


def _look(request: Request, form: Form) -> Response:
    """Look for sensors; what was typed stays in the form that has the button."""
    hub = hub_of(page_of(request))
    if hub.starter is None:
        raise LiveError("no sensor can be looked for from this page: use 'unhurried scan'")
    try:
        hub.starter.look()
    except LiveError as error:
        raise LiveError(words.on_page(str(error))) from error
    return _answer(request, "Looked for sensors.", to="/range#start", form=("start", form))


def _code(request: Request, _form: Form) -> Response:
    """A code for one more visitor; only this computer itself gets to see it."""
    page = page_of(request)
    hub = hub_of(page)
    if hub.invite is None:
        raise LiveError("the page isn't shared: start it with --share")
    if not _from_here(request):
        raise NoSuchError("a code for another phone is shown on the computer only")
    link, drawing = hub.invite()
    return page.render(request, "range_code.html", here="range", link=link, drawing=drawing)


def routes() -> list[Route]:
    """Return the screen's addresses."""
    nothing: Callable[[Page, Form], dict[str, Any]] = lambda _page, _form: {}  # noqa: E731
    changes: dict[str, Callable[[Request, Form], Response]] = {
        "start": _start,
        "drill": _start_drill,
        "look": _look,
        "code": _code,
        "stop": _ask("stop", nothing),
        "go": _ask("go", nothing),
        "undo": _ask("undo", nothing),
        "felt": _ask("felt", _felt_fields),
        "kind": _ask("kind", lambda _page, form: {"kind": _word(form, "kind", KINDS)}),
        "ball": _ask("ball", _ball_fields),
        "who": _ask("who", _who_fields),
        "note": _ask("note", _note_fields),
        "result": _ask("result", _result_fields),
    }

    async def screen(request: Request) -> Response:
        return await run_in_threadpool(_screen, request)

    async def drill(request: Request) -> Response:
        return await run_in_threadpool(_drill_screen, request)

    return [
        Route("/range", screen),
        Route("/range/live", _live),
        Route("/range/drill", drill),
        *(
            Route(f"/range/{name}", posted(_staying(name, change)), methods=["POST"])
            for name, change in changes.items()
        ),
    ]
