"""Homework to take along, days that were done without a sensor, and a page for a colleague."""

from __future__ import annotations

import dataclasses
import re
from functools import partial
from typing import Final

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from analysis.evidence.reading import TURN, Reference
from library.errors import NoSuchError
from library.lesson import days_to_tick, last_lesson
from library.lesson_record import LessonRecord
from library.players import Player, now_utc
from review import formatting as fmt
from review.answers import PAST_FULL
from review.page.app import FormError, Page, checked_id, page_of
from review.page.evidence_cache import Stand, stand
from review.page.forms import Form, field, posted
from review.page.last_time import last_time
from review.page.players import change_player, shown_stand, volume_words
from words import cautions
from words import lesson as say
from words.answer import rounded

WAIT_S: Final = 20.0
"""For where a player stands: a page to print is shown whole."""


def routes() -> list[BaseRoute]:
    """Return the paths of these screens."""
    return [
        Route("/player/{player}/homework", _card),
        Route("/range/homework/{player}", posted(_tick), methods=["POST"]),
        Route("/player/{player}/homework.wav", _sound),
        Route("/player/{player}/colleague", _colleague),
    ]


def _asked(request: Request) -> tuple[Player, LessonRecord]:
    """Return the player, and the lesson whose homework is asked for: the last one by default."""
    page = page_of(request)
    with page.library() as library:
        player = library.player(checked_id(request.path_params["player"]))
    session = request.query_params.get("lesson")
    record = player.lesson(session) if session else last_lesson(player.lessons)
    if record is None or record.swings is None or record.days is None:
        raise NoSuchError("there is no homework yet: it is given at a lesson's end")
    return player, record


def _card(request: Request) -> Response:
    """One page to print."""
    page = page_of(request)
    player, record = _asked(request)
    return page.render(
        request,
        "homework_card.html",
        here="players",
        player=player,
        record=record,
        homework=say.homework,
        cautions=cautions.STOP,
        sounds=page.tools.homework is not None,
        sound=f"/player/{player.id}/homework.wav?lesson={record.session}",
    )


def _sound(request: Request) -> Response:
    """A sound file that plays on any phone, without the program."""
    page = page_of(request)
    player, record = _asked(request)
    if page.tools.homework is None or record.swings is None or record.backswing_ms is None:
        raise NoSuchError("no sound can be made here")
    data = page.tools.homework(record.backswing_ms, record.swings)
    name = re.sub(r"[^A-Za-z0-9-]+", "-", player.name).strip("-").lower() or "player"
    return Response(
        data,
        media_type="audio/wav",
        headers={"content-disposition": f'attachment; filename="homework-{name}.wav"'},
    )


def _tick(request: Request, form: Form) -> Response:
    """Say that the homework of a day was done without a sensor, or that it wasn't."""
    page = page_of(request)
    who = checked_id(request.path_params["player"])
    session, day = field(form, "session", most=60), field(form, "day", most=10)
    undone = field(form, "undone", most=10) == "yes"
    with page.library() as library:
        record = library.player(who).lesson(session)
    if record is None:
        raise NoSuchError("there is no such lesson of this player")
    if day not in days_to_tick(record, page.today(), most=31):
        raise FormError("a day of the last month, since the lesson, can be ticked")

    def change(player: Player) -> Player:
        now = player.lesson(session)
        assert now is not None
        done = {*now.done} - {day} if undone else {*now.done, day}
        return player.with_lesson(dataclasses.replace(now, done=tuple(done), at=now_utc()))

    change_player(page, who, "homework done", change)
    words = fmt.day_words(day)
    return page.back(f"/player/{who}#homework", f"{words}: {'not done' if undone else 'done'}.")


# -- for a colleague -------------------------------------------------------------------------------


def _colleague(request: Request) -> Response:
    """Aim, limits, what to avoid and the next step, on one page."""
    page = page_of(request)
    who = checked_id(request.path_params["player"])
    with page.library() as library:
        player = library.player(who)
        before = last_time(library, player)
    record = None if before is None else before.record
    found = page.cache.get(
        ("stand", who, page.today()), partial(page.worker.do, stand, who), player=who, wait_s=WAIT_S
    )
    there = isinstance(found, Stand)
    return page.render(
        request,
        "colleague.html",
        here="players",
        player=player,
        record=record,
        before=before,
        homework=say.homework,
        limits=_limits(page, player, found) if isinstance(found, Stand) else ["not known yet"],
        avoid=_avoid(player, record, found if isinstance(found, Stand) else None),
        club=found.club if there else None,
        mount=found.mount if there else None,
        day=found.day if there else "",
        **{k: v for k, v in shown_stand(page, who, found).items() if k != "stand"},
    )


def _limits(page: Page, player: Player, found: Stand) -> list[str]:
    """Say where full ends, and how much was swung against what is usual."""
    out = []
    with page.library() as library:
        known = page.evidence.setting(library, player.id, found.club, found.mount).reference
    value = known.values.get(TURN) if isinstance(known, Reference) else None
    if value is not None and value.lower is not None and value.upper is not None:
        by = "practice swings, nobody has approved them" if known.provisional else "model swings"  # type: ignore[union-attr]
        ends = f"{rounded(TURN, value.lower)} to {rounded(TURN, value.upper)}"
        out.append(f"Own range of turn: {ends} ({by}).")
    if player.limits.words:
        out.append(f"The coach's limits: {player.limits.words}.")
    out.append(f"{volume_words(found.standing.volume)}.")
    out += found.standing.volume.cautions
    return out


def _avoid(player: Player, record: LessonRecord | None, found: Stand | None) -> list[str]:
    """Say what is to be left alone: what the coach said, what was seen, and pain always."""
    out = []
    if record is not None and record.avoid:
        out.append(f"{record.avoid.rstrip('.')}.")
    first = None if found is None else found.answer.first
    if first is not None and first.said.value == "past full":
        out.append(f"Past full last time. {PAST_FULL}.")
    if player.child:
        out.append("A child: sound low, few swings, no headphones.")
    out.append(cautions.STOP[0])
    return out
