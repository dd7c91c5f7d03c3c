"""The range: a phone or tablet at the mat starts, follows and ends a recording or a drill.

The screen is made of parts, each a piece of a document. They are sent with the page, and again,
one by one, whenever they change: so there is one way to draw them, the screen works without a
script, and whoever opens it again finds all as it stands.
"""

from __future__ import annotations

import dataclasses
import json
from collections.abc import AsyncGenerator, Callable, Mapping
from functools import partial
from typing import Any, Final

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from analysis.evidence.blocks import QUIET
from analysis.evidence.plan import NextDrill
from library.allowed import allowed
from library.drill_end import drill_end
from library.errors import LibraryError
from library.evidence import evidence_in
from review import formatting as fmt
from review.answers import shown_drill
from review.errors import ReviewError
from review.page import filming, phones, range_track
from review.page.app import FormError, Page, checked_id, from_here, page_of
from review.page.evidence_cache import Failed, Stand, has_report, safely, stand
from review.page.forms import Form, field, posted, whole, within
from review.page.livehub import (
    FELT_QUESTIONS,
    GUEST,
    LiveError,
    LiveHub,
    LiveState,
    LiveSwing,
    TooManyError,
)
from review.page.range_taps import (
    LONGEST_CLUB,
    _ball,
    _felt,
    _hold,
    _known_hand,
    _note,
    _one_line,
    _optional,
    _result,
    _second,
    _sensor_of,
    _who,
    _who_tap,
    _word,
    result_fields,
)
from review.page.requests import (
    Again,
    DrillRequest,
    GoOn,
    Heard,
    Kind,
    LessonRequest,
    Next,
    NotThat,
    SessionRequest,
    Sore,
    Stop,
    Tap,
    Undo,
    Whose,
)
from review.page.streams import EventStream
from sensor.recording.schema import HANDS
from sensor.recording.vocabulary import KINDS
from words import cautions
from words.glossary import MOUNTS

PARTS: Final = ("status", "last", "bar", "taps", "list", "lines")
MEASURES: Final = ("backswing_ms", "turn_deg", "peak_rate_dps")
"""Shown large: those that rehearsals and strikes have in common, and a reference of either."""

RETRY_MS: Final = 1500
"""After a broken line a browser waits so long before it tries again."""

ONLY_COACH: Final = "it was stopped for pain: only the coach starts again, at the computer"

CLUBS: Final = ("driver", "3 wood", "5 iron", "7 iron", "9 iron", "wedge")
"""Offered where a player's own clubs aren't known; common practice, no source."""


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
        "chosen": swing is not None and swing is not state.last,
        "measures": MEASURES,
        "questions": FELT_QUESTIONS,
        "everybody": (*state.people, GUEST),
        "results": {} if swing is None else result_words(swing, units),
        "reported": _reported(page, state),
        "drill_end": _drill_end(page, state),
    }
    return {name: str(getattr(macros, name)(context)).strip() for name in PARTS}


def _reported(page: Page, state: LiveState) -> bool:
    """Tell whether a report is offered of what has ended; asked only then."""
    if state.phase != "kept" or state.session is None or not state.stays:
        return False
    with page.library() as library:
        return has_report(library, state.session)


def _drill_end(page: Page, state: LiveState) -> Any:
    """Return how the drill that has just ended went; None where it can't be said."""
    if state.phase != "kept" or state.kind != "drill" or state.session is None or not state.stays:
        return None

    def work() -> Any:
        with page.library() as library:
            for evidence in evidence_in(library, str(state.session)):
                end = drill_end(evidence, str(state.session))
                if end is not None:
                    return shown_drill(end)
        return None

    found = safely(work)
    return None if isinstance(found, Failed) else found


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
        can_start=hub.starter is not None and not (state.sore and not from_here(request)),
        only_coach=state.sore and not state.running,
        can_film=filming.may_film(request),
        sharing=phones.sharing_of(request),
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
        "mounts": [(name, fmt.MOUNT_WORDS[name]) for name in MOUNTS],
        "first_day": _first_day(page, before),
        "whole": cautions.DRILL,
        "minded": cautions.RECORDING,
        "wearing_texts": [
            (fmt.MOUNT_WORDS[mount], texts) for mount, texts in cautions.WEARING.items()
        ],
    }


def _first_day(page: Page, player: str | None) -> bool:
    """Whether somebody is to read all that is to be minded, and not only what is folded away."""
    starter = hub_of(page).starter
    return starter is not None and starter.cautions_for(player) == starter.cautions


def _drill_screen(request: Request) -> Response:
    """Cautions, and below them what the drill is to be."""
    page = page_of(request)
    hub = hub_of(page)
    if hub.starter is None:
        raise LiveError("no drill can be started from this page: use 'unhurried drill --page'")
    if hub.state.running:
        raise LiveError("a recording runs already: stop it first")
    if hub.state.sore and not from_here(request):
        raise LiveError(ONLY_COACH)
    planned, told, name = None, "", None
    kept = page.kept(request)
    who = request.query_params.get("player") or kept.text("drill", "player")
    hand = None
    if who:
        planned, told = _planned(page, checked_id(who))
        with page.library() as library:
            player = library.player(who)
            name, hand = player.name, player.handedness
    return page.render(
        request,
        "range_drill.html",
        here="range",
        state=hub.state,
        cautions=hub.starter.cautions_for(name),
        level=cautions.LEVEL,
        who_id=who,
        who_name=name,
        hand=hand,
        hands=HANDS,
        rest_s=f"{float(page.tools.settings.get('rest_s', 8.0)):g}",
        planned=planned,
        told=told,
        chosen_sets=_chosen_sets(planned, request.query_params.get("sets")),
        usual=_usual_words(page, who),
        **_start_context(page, hub.state.player),
    )


def _chosen_sets(planned: dict[str, Any] | None, asked: str | None) -> str:
    """Which sets are picked already: the usual ones, but for a plan's own tests."""
    if asked == "own":
        return "own"
    block = None if planned is None else planned["block"]
    return block if block in QUIET else "usual"


def _usual_words(page: Page, who: str | None) -> str:
    """How many swings the usual sets are, and how long that takes."""
    fewer = False
    if who:
        with page.library() as library:
            fewer = allowed(library, checked_id(who)).fewer
    return "12 swings, 6 to 8 minutes" if fewer else "20 swings, 9 to 12 minutes"


def _planned(page: Page, who: str, wait_s: float = 20.0) -> tuple[dict[str, Any] | None, str]:
    """The next drill of a player's plan, with a line that says what it is or why there is none."""
    with page.library() as library:
        name = library.player(who).name
    found = page.cache.get(
        ("stand", who, page.today()), partial(page.worker.do, stand, who), player=who, wait_s=wait_s
    )
    drill: NextDrill | None = found.standing.drill if isinstance(found, Stand) else None
    if drill is None:
        return (
            None,
            f"There is no next drill in {name}'s plan yet: the usual sets, unless you change them.",
        )
    planned = {
        "block": drill.block,
        "repeats": drill.repeats,
        "rest_s": drill.rest_s,
        "ball": drill.ball,
        "backswing_ms": drill.backswing_ms,
        "full_turn_deg": None if drill.full_turn_deg is None else round(drill.full_turn_deg),
        "share": None if drill.share is None else round(100.0 * drill.share),
        "schedule": drill.feedback,
        "club": found.club,
        "mount": found.mount,
    }
    return planned, f"{name}, {found.club or 'club not said'}: {fmt.drill_words(drill)}"


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
        return Response(fmt.line_of(error), 503, {"retry-after": "5"}, "text/plain")

    async def events() -> AsyncGenerator[str]:
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

    return EventStream(events())


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


def _asked(page: Page, form: Form, drill: DrillRequest | None) -> SessionRequest:
    sensor = field(form, "sensor", most=200)
    name, known = _who(page, form)
    return SessionRequest(
        sensor=sensor if sensor not in ("", "near", "simulated") else None,
        simulated=sensor == "simulated",
        player=name,
        player_id=known,
        club=_one_line(form, "club", LONGEST_CLUB),
        mount=_optional(form, "mount", MOUNTS),
        hand=_optional(form, "hand", HANDS) or _known_hand(page, known),
        drill=drill,
        second=_second(page, form, sensor) if drill is None else None,
        minded=field(form, "cautions", most=20) in ("read", "shown"),
    )


def _begin(
    request: Request, asked: SessionRequest, *, lesson: LessonRequest | None = None
) -> Response:
    hub = hub_of(page_of(request))
    if hub.starter is None:
        raise LiveError("nothing can be started from this page: use 'unhurried record'")
    if hub.state.sore and not from_here(request):
        raise LiveError(ONLY_COACH)
    hub.starter.start(dataclasses.replace(asked, lesson=lesson))
    if "text/html" in request.headers.get("accept", "text/html"):
        # The screen says by itself that it has begun.
        return RedirectResponse("/range", status_code=303)
    return JSONResponse({"text": "Started."})


def _start(request: Request, form: Form) -> Response:
    return _begin(request, _asked(page_of(request), form, None))


HEARD_WORDS: Final = ("heard", "none", "again", "without")

SCHEDULES: Final = ("bell", "every", "outside", "fading", "none")

BLOCK_CHOICES: Final[Mapping[str, tuple[str, ...]]] = {
    "usual": (),
    "own": (),
    "rehearsal": ("rehearsal",),
    "ball": ("ball",),
    "turns": ("rehearsal", "ball", "rehearsal", "ball"),
    "test": ("rehearsal", "silent"),
    "silent": ("silent",),
    "retention": ("retention",),
}


def _start_drill(request: Request, form: Form) -> Response:
    if field(form, "cautions", most=20) != "read":
        raise FormError("read the cautions first and tick that you did: then start the drill")
    cue = _word(form, "cue", ("ready", "takeaway", "none"))
    rest = within(form, "rest_s", "the rest after a swing, in s,", 1.0, 3600.0)
    share = within(form, "share", "the share of the full turn, in per cent,", 30.0, 100.0)
    block = _word(form, "block", tuple(BLOCK_CHOICES))
    drill = DrillRequest(
        blocks=BLOCK_CHOICES[block],
        own_full=block == "own",
        repeats=whole(form, "repeats", "swings a set", 1, 200, empty=5),
        rest_s=8.0 if rest is None else rest,
        backswing_ms=within(form, "backswing_ms", "the backswing, in ms,", 200.0, 3000.0),
        full_turn_deg=within(form, "full_turn_deg", "the full turn, in deg,", 30.0, 400.0),
        share=None if share is None else share / 100.0,
        schedule=_word(form, "schedule", SCHEDULES),
        cue_on=None if cue == "none" else cue,
        felt={"third": 3, "ask": 1}.get(field(form, "felt", most=20), 0),
        ball={"yes": True, "no": False}.get(field(form, "quiet_ball", most=5)),
    )
    return _begin(request, _asked(page_of(request), form, drill))


def _ask(make: Callable[[Page, Form, str], Tap]) -> Callable[[Request, Form], Response]:
    """Make a change of what makes a tap of a form, and of the swing that it is about."""

    def change(request: Request, form: Form) -> Response:
        page = page_of(request)
        tap = make(page, form, field(form, "swing", most=40) if "swing" in form else "")
        key = field(form, "tap", most=60) if "tap" in form else ""
        return _answer(request, hub_of(page).ask(tap, key))

    return change


def _again(request: Request, _form: Form) -> Response:
    """Show the last swing once more: here by the script, without one as a wall does."""
    text = hub_of(page_of(request)).ask(Again())
    return _answer(request, text, to="/wall")


def _staying(
    name: str, change: Callable[[Request, Form], Response]
) -> Callable[[Request, Form], Response]:
    """Make a change that stays on the range when it is refused, with what was typed.

    A script asked for a line and shows it beside the form itself.
    """
    to = f"/range/{name}#{name}" if name in ("drill", "lesson") else f"/range#{name}"

    def stay(request: Request, form: Form) -> Response:
        try:
            return change(request, form)
        except (LibraryError, ReviewError) as error:
            if name == "code" or "text/html" not in request.headers.get("accept", ""):
                raise
            kept = "start" if name == "look" else name
            return page_of(request).back(to, fmt.line_of(error), wrong=True, form=(kept, form))

    return stay


def _look(request: Request, form: Form) -> Response:
    """Look for sensors; what was typed stays in the form that has the button."""
    hub = hub_of(page_of(request))
    if hub.starter is None:
        raise LiveError("no sensor can be looked for from this page: use 'unhurried scan'")
    try:
        hub.starter.look()
    except LiveError as error:
        raise LiveError(fmt.line_of(error)) from error
    return _answer(request, "Looked for sensors.", to="/range#start", form=("start", form))


def _leave(request: Request, form: Form) -> Response:
    """Ask a phone to leave."""
    hub = hub_of(page_of(request))
    left = None if hub.sharing is None else hub.sharing.leave(field(form, "visitor", most=20))
    if left is None:
        raise LiveError("that phone isn't in any more")
    at = "/settings" if field(form, "at", most=20) == "settings" else "/range"
    return _answer(request, f"{left} is out: it needs a new code.", to=f"{at}#sharing")


def routes() -> list[Route]:
    """Return the screen's addresses."""
    changes: dict[str, Callable[[Request, Form], Response]] = {
        "start": _start,
        "drill": _start_drill,
        "look": _look,
        "code": phones.code,
        "leave": _leave,
        "stop": _ask(lambda *_: Stop()),
        "sore": _ask(lambda _page, form, _swing: Sore(_sensor_of(form))),
        "hold": _ask(_hold),
        "not-that": _ask(lambda _page, _form, swing: NotThat(swing)),
        "again": _again,
        "go": _ask(lambda *_: GoOn()),
        "heard": _ask(lambda _page, form, _swing: Heard(_word(form, "word", HEARD_WORDS))),
        "undo": _ask(lambda *_: Undo()),
        "felt": _ask(_felt),
        "kind": _ask(lambda _, form, swing: Kind(kind=_word(form, "kind", KINDS), swing=swing)),
        "ball": _ask(_ball),
        "who": _ask(_who_tap),
        "next": _ask(
            lambda _page, form, _swing: Next(field(form, "who", most=60), _sensor_of(form))
        ),
        "whose": _ask(lambda _page, form, swing: Whose(field(form, "who", most=60), swing)),
        "note": _ask(_note),
        "result": _ask(_result),
    }

    async def screen(request: Request) -> Response:
        return await run_in_threadpool(_screen, request)

    async def drill(request: Request) -> Response:
        return await run_in_threadpool(_drill_screen, request)

    return [
        Route("/range", screen),
        Route("/range/live", _live),
        Route("/range/drill", drill),
        *filming.routes(),
        *range_track.routes(),
        *(
            Route(f"/range/{name}", posted(_staying(name, change)), methods=["POST"])
            for name, change in changes.items()
        ),
    ]
