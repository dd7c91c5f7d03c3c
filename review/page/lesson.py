"""A lesson: started in two taps, its parts, and its end with aim, words and homework."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any, Final

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from analysis.evidence.reading import Reference
from library.answer import MEASURES
from library.catalogue import Library
from library.deletion import forget_due, remove_player
from library.errors import LibraryError, NoSuchError
from library.evidence import Evidence, evidence_in
from library.lesson import last_lesson, lesson_of, parts_in
from library.lesson_record import LessonRecord
from library.players import Player, now_utc
from library.rows import SessionRow
from review import formatting as fmt
from review.errors import ReviewError
from review.lesson_strips import ShownLesson, shown_lesson
from review.page.app import FormError, Page, checked_id, from_here, page_of
from review.page.evidence_cache import safely, stand
from review.page.forms import Form, field, posted
from review.page.last_time import LastTime, last_time
from review.page.livehub import LiveError, LiveState
from review.page.players import change_player
from review.page.range import (
    ONLY_COACH,
    _ask,
    _asked,
    _begin,
    _planned,
    _start_context,
    _staying,
    hub_of,
)
from review.page.range_taps import _word
from review.page.requests import (
    DrillRequest,
    FullOnly,
    LessonPart,
    LessonRequest,
    Numbers,
    SessionRequest,
    Tap,
)
from sensor.recording.lesson import PARTS
from sensor.recording.schema import HANDS
from words import lesson as say
from words.nicknames import nickname

PLAN_S: Final = 3.0
"""Longest that the drill waits for the player's plan: it was asked for when the lesson began."""

LONGEST_AIM: Final = 200
LONGEST_WORDS: Final = 1000
USUAL_BACKSWING_MS: Final = 900.0
"""Of the homework's sound where nothing is known of the player; common practice, no source."""


def routes() -> list[BaseRoute]:
    """Return the paths of these screens."""
    changes: dict[str, Callable[[Request, Form], Response]] = {
        "lesson": _start,
        "part": _ask(_part),
        "numbers": _ask(lambda _page, form, _swing: Numbers(_yes(form, "shown"))),
        "full-only": _ask(lambda _page, form, _swing: FullOnly(_yes(form, "on"))),
    }

    async def screen(request: Request) -> Response:
        return await run_in_threadpool(_start_screen, request)

    return [
        Route("/range/lesson", screen),
        Route("/range/slip", _slip),
        Route("/player/{player}/keep", posted(_keep_child), methods=["POST"]),
        *(
            Route(f"/range/{name}", posted(_staying(name, change)), methods=["POST"])
            for name, change in changes.items()
        ),
        Route("/session/{session}/lesson", _end),
        Route("/range/end/{session}", posted(_keep), methods=["POST"]),
    ]


def _part(page: Page, form: Form, _swing: str) -> Tap:
    part, state = _word(form, "part", PARTS), hub_of(page).state
    # One whose sounds aren't heard may begin anew: a speaker may be there now.
    if part != "drill" or (state.drill is not None and state.drill.state != "unheard"):
        return LessonPart(part)
    return LessonPart(part, _todays_drill(page, state))


def _todays_drill(page: Page, state: LiveState) -> DrillRequest:
    """The usual sets with what the player's plan says of time and turn, as far as it is known."""
    who = next((one.player_id for one in state.people if one.name == state.player), None)
    planned = None if who is None else _planned(page, who, PLAN_S)[0]
    if planned is None or (planned["club"], planned["mount"]) != (state.club, state.mount):
        planned = {}
    share = planned.get("share")
    return DrillRequest(
        rest_s=float(page.tools.settings.get("rest_s", 8.0)),
        backswing_ms=planned.get("backswing_ms"),
        full_turn_deg=planned.get("full_turn_deg"),
        share=None if share is None else share / 100.0,
    )


def _yes(form: Form, name: str) -> bool:
    return _word(form, name, ("yes", "no")) == "yes"


# -- its start -------------------------------------------------------------------------------------


def _last_setting(library: Library, player: str) -> dict[str, Any]:
    """Return club and place of a player's last session, and whether it was simulated."""
    row = next((one for one in library.players() if one.id == player), None)
    if row is None or row.last_start_s is None:
        return {}
    newest = library.session_counts(player, since_s=row.last_start_s)
    if not newest:
        return {}
    most = max(newest, key=lambda one: one["n"])
    return {"club": most["club"], "mount": most["mount"], "simulated": bool(most["simulated"])}


def _start_screen(request: Request) -> Response:
    """What a lesson opens with, and one button."""
    page = page_of(request)
    hub = hub_of(page)
    if hub.starter is None:
        raise LiveError("no lesson can be started from this page: use 'unhurried review'")
    if hub.state.running:
        raise LiveError("a recording runs already: stop it first")
    if hub.state.sore and not from_here(request):
        raise LiveError(ONLY_COACH)
    asked = request.query_params.get("player")
    player, setting, before = None, {}, None
    if asked:
        with page.library() as library:
            player = library.player(checked_id(asked))
            setting = _last_setting(library, player.id)
            before = last_time(library, player)
        # The drill will ask for it.
        page.cache.start(
            ("stand", player.id, page.today()),
            partial(page.worker.do, stand, player.id),
            player=player.id,
        )
    return page.render(
        request,
        "range_lesson.html",
        here="range",
        state=hub.state,
        player=player,
        setting=setting,
        before=before,
        hands=HANDS,
        cautions=hub.starter.cautions_for(None if player is None else player.name),
        **_start_context(page, hub.state.player),
    )


def _start(request: Request, form: Form) -> Response:
    page = page_of(request)
    if hub_of(page).state.running:
        raise LiveError("a recording runs already: stop it first, then start the lesson")
    with page.changing() as library:
        # Whoever wasn't kept from another day is gone before the next lesson.
        forget_due(library, page.today().isoformat())
    asked = _child(page, form) if field(form, "child", most=20) else _asked(page, form, None)
    if asked.second is not None:
        raise FormError("a lesson has one sensor: for two, start a recording on Range")
    aim = ""
    if asked.player_id is not None:
        with page.library() as library:
            record = last_lesson(library.player(asked.player_id).lessons)
        aim = "" if record is None else record.aim or ""
    if field(form, "simulated", most=5) == "yes":
        asked = dataclasses.replace(asked, sensor=None, simulated=True)
    full_only = field(form, "full_only", most=20) == "on"
    return _begin(request, asked, lesson=LessonRequest(full_only=full_only, aim=aim))


def _child(page: Page, form: Form) -> SessionRequest:
    """Make a child known under a nickname, once the slip is signed."""
    if field(form, "slip", most=20) != "signed":
        raise FormError(
            "a child: print the slip, have a parent or guardian sign it, and tick that it is signed"
        )
    asked = _asked(page, form, None)
    if asked.player_id is not None:
        raise FormError("a child who is new has no name in the list: choose 'not said' there")
    today = page.today().isoformat()
    with page.changing() as library:
        name = asked.player or nickname({player.name for player in library.people.all()})
        child = library.people.add(
            name,
            child=True,
            handedness=asked.hand,
            consent=f"slip signed by a parent or guardian, {today}",
            until=today,
        )
        library.save_player(child)
    return dataclasses.replace(asked, player=child.name, player_id=child.id)


def _slip(request: Request) -> Response:
    """A slip to print and to be signed before a child is recorded."""
    return page_of(request).render(request, "slip.html", here="range")


def _keep_child(request: Request, form: Form) -> Response:
    """Keep a child's swings, or delete them now."""
    page = page_of(request)
    who = checked_id(request.path_params["player"])
    with page.library() as library:
        player = library.player(who)
    if player.until is None:
        return page.back(f"/player/{who}", "Kept already.")
    if _word(form, "do", ("keep", "delete")) == "keep":
        change_player(page, who, "kept", lambda one: dataclasses.replace(one, until=None))
        return page.back(f"/player/{who}", f"{player.name} is kept.")
    if hub_of(page).state.running:
        raise LiveError("a recording runs: stop it first")
    with page.changing() as library:
        remove_player(library, who, raw=True)
    page.undo_of_player.pop(who, None)
    return page.back("/", f"{player.name} is deleted, with all recordings.")


# -- its end ---------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Pupil:
    """A player at a lesson's end.

    Attributes
    ----------
    player : Player
    club, mount : str or None
    shown : ShownLesson or None
        First against last; None where it can't be said.
    record : LessonRecord or None
        What was agreed.
    before : LastTime or None
        The lesson before.
    """

    player: Player
    club: str | None
    mount: str | None
    shown: ShownLesson | None
    record: LessonRecord | None
    before: LastTime | None


def _lesson_session(page: Page, library: Library, text: str) -> SessionRow:
    session = page.session(library, text)
    if not parts_in(library, session.id):
        raise NoSuchError("this session has no lesson's parts, so it has no lesson's end")
    return session


def _settings(library: Library, session: str) -> dict[str, Evidence]:
    """Return by player the evidence of the setting that was swung most in a session."""
    try:
        found = evidence_in(library, session)
    except NoSuchError:
        return {}
    out: dict[str, Evidence] = {}
    for one in found:
        mine = out.get(one.player.id)
        if mine is None or len(one.rows_of(session)) > len(mine.rows_of(session)):
            out[one.player.id] = one
    return out


def _pupil(library: Library, evidence: Evidence, session: str) -> Pupil:
    def work() -> ShownLesson | None:
        lesson = lesson_of(evidence, session)
        return None if lesson is None else shown_lesson(lesson)

    player = library.player(evidence.player.id)
    shown = safely(work)
    return Pupil(
        player=player,
        club=evidence.club,
        mount=evidence.mount,
        shown=shown if isinstance(shown, ShownLesson) else None,
        record=player.lesson(session),
        before=last_time(library, player, but=session),
    )


def _end(request: Request) -> Response:
    """First against last, what was kept without sound, and what is agreed."""
    page = page_of(request)
    with page.library() as library:
        session = _lesson_session(page, library, request.path_params["session"])
        pupils = [
            _pupil(library, evidence, session.id)
            for evidence in _settings(library, session.id).values()
        ]
    return page.render(
        request,
        "lesson.html",
        here="players",
        session=session,
        pupils=pupils,
        aims=say.AIMS,
        coach_words=say.WORDS,
        avoid=say.AVOID,
        swings=say.SWINGS,
        days=say.DAYS,
        homework=say.homework,
        sounds=page.tools.homework is not None,
    )


def _chosen(form: Form, name: str, most: int) -> str | None:
    """Return what was typed, else what was chosen; None where neither."""
    return field(form, f"{name}_typed", most=most) or field(form, name, most=most) or None


def _one_of(form: Form, name: str, choices: tuple[int, ...]) -> int | None:
    text = field(form, name, most=10)
    if text in ("", "none"):
        return None
    if text not in map(str, choices):
        raise FormError(f"'{name}' must be one of {', '.join(map(str, choices))}, or none")
    return int(text)


def _keep(request: Request, form: Form) -> Response:
    """Keep a lesson's aim, the coach's words and the homework."""
    page = page_of(request)
    who = checked_id(field(form, "player", most=60))
    with page.library() as library:
        session = _lesson_session(page, library, request.path_params["session"])
        evidence = _settings(library, session.id).get(who)
    if evidence is None:
        raise NoSuchError("that player has no full swings in this lesson")
    to = f"/session/{session.id}/lesson"
    try:
        record = _record(form, session, evidence)
    except (LibraryError, ReviewError) as error:
        return page.back(
            f"{to}#of-{who}", fmt.line_of(error), wrong=True, form=(f"lesson-{who}", form)
        )
    change_player(page, who, "the lesson's end", lambda player: _with(player, record))
    return page.back(f"{to}#homework-{who}", "Kept.")


def _with(player: Player, record: LessonRecord) -> Player:
    """Put a lesson's end into the place of the one before; days that were done stay."""
    before = player.lesson(record.session)
    done = () if before is None else before.done
    return player.with_lesson(dataclasses.replace(record, done=done))


def _record(form: Form, session: SessionRow, evidence: Evidence) -> LessonRecord:
    swings = _one_of(form, "swings", say.SWINGS)
    days = _one_of(form, "days", say.DAYS)
    given = swings is not None and days is not None
    return LessonRecord(
        session=session.id,
        start=session.start,
        club=evidence.club,
        mount=evidence.mount,
        aim=_chosen(form, "aim", LONGEST_AIM),
        words=_chosen(form, "words", LONGEST_WORDS),
        avoid=_chosen(form, "avoid", LONGEST_WORDS),
        swings=_at_most(swings, evidence.player.limits.swings_day) if given else None,
        days=days if given else None,
        backswing_ms=_own_backswing(evidence, session.id) if given else None,
        at=now_utc(),
    )


def _at_most(swings: int | None, most: int | None) -> int | None:
    """Keep homework within what the coach allows a day."""
    return swings if swings is None or most is None else min(swings, most)


def _own_backswing(evidence: Evidence, session: str) -> float:
    """Return the time of the player's own full swing; else of today's practice swings."""
    name = MEASURES["time"]
    known = evidence.reference
    if isinstance(known, Reference) and name in known.values:
        return round(known.values[name].middle, 1)
    rows = [row for row in evidence.rows_of(session) if row.kind == "rehearsal"]
    times = sorted(row.values[name] for row in rows if name in row.values)
    return round(times[len(times) // 2], 1) if times else USUAL_BACKSWING_MS
