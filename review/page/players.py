"""Players: who there is, what was swung lately, where things stand, and what comes next."""

from __future__ import annotations

import dataclasses
import time
from functools import partial
from typing import Any, Final

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from analysis.evidence.plan import Volume
from library.catalogue import Library
from library.errors import NoSuchError
from library.lesson import days_to_tick
from library.limits import LimitsRecord
from library.limits import said as limits_said
from library.players import Player, clean_name
from library.rows import PlayerRow, SessionRow
from review import formatting as fmt
from review.answers import shown_answer
from review.page.answers import next_step
from review.page.app import WAIT_S, FormError, Page, checked_id, page_of
from review.page.evidence_cache import Stand, stand
from review.page.forms import Form, field, number, posted
from review.page.last_time import last_time
from review.page.links import trend_url
from review.page.start import start_words
from sensor.recording.schema import HANDS, LONGEST_NAME
from words.lesson import homework as say_homework

SHOWN_SESSIONS: Final = 50
"""Sessions of a player on one page."""

LONGEST_NOTE: Final = 2000


def routes() -> list[BaseRoute]:
    """Return the paths of these screens."""
    return [
        Route("/", _players),
        Route("/player/{player}", _player),
        Route("/player/{player}/stand", _stand),
        Route("/player/{player}/edit", posted(_edit), methods=["POST"]),
    ]


def _last(library: Library, row: PlayerRow, stand: Any) -> dict[str, Any] | None:
    """The session that a player's card tells of, from what the library keeps ready.

    Where nothing is told it is the latest: a newer one may be of another club, or of few swings.
    """
    if row.last_start_s is None:
        return None
    told = stand if isinstance(stand, Stand) else None
    since_s = row.last_start_s if told is None else library.session(told.session).start_s
    found = library.session_counts(row.id, since_s=since_s)
    if not found:
        return None
    wanted = found[0]["session"] if told is None else told.session
    mine = [
        one
        for one in found
        if one["session"] == wanted
        and (told is None or (one["club"], one["mount"]) == (told.club, told.mount))
    ]
    if not mine:
        return None
    return {
        "id": mine[0]["session"],
        "start": mine[0]["start"],
        "day": mine[0]["day"],
        "swings": sum(one["n"] for one in mine),
        "simulated": mine[0]["simulated"],
        "clubs": sorted({one["club"] for one in mine if one["club"]}),
    }


def _stand_of(page: Page, player: str, wait_s: float | None) -> Any:
    """Return where a player stands, or `NOT_READY`; what is shown is told, and kept."""
    found = page.cache.get(
        ("stand", player, page.today()),
        partial(page.worker.do, stand, player),
        player=player,
        wait_s=wait_s,
    )
    if isinstance(found, Stand):
        page.keep_told(player, found.look)
    return found


def _players(request: Request) -> Response:
    """Every player, the one who swung last first."""
    page = page_of(request)
    whole = request.query_params.get("whole") is not None
    with page.library() as library:
        rows = sorted(library.players(), key=lambda r: (-(r.last_start_s or 0.0), r.name))
        out = []
        until = time.monotonic() + WAIT_S
        for row in rows:
            # One wait for all of them together.
            left = None if whole else max(0.0, until - time.monotonic())
            found = _stand_of(page, row.id, left)
            out.append(
                {"row": row, "last": _last(library, row, found), **shown_stand(page, row.id, found)}
            )
    return page.render(
        request,
        "players.html",
        here="players",
        players=out,
        swings=sum(row.swings for row in rows),
        today=page.today(),
        **start_words(page),
        volume_words=volume_words,
    )


def shown_stand(page: Page, player: str, stand: Any) -> dict[str, Any]:
    """Make where a player stands ready to be shown: the answer, and the next step."""
    if not isinstance(stand, Stand):
        return {"stand": stand, "answer": None, "step": None}
    step = next_step(stand.standing, player, stand.club, stand.mount, stand.answer)
    answer = shown_answer(stand.answer, page.units, titles=False)
    return {"stand": stand, "answer": answer, "step": step}


def volume_words(volume: Volume) -> str:
    """Say how much was swung in the last seven days, against what is usual."""
    text = f"{fmt.count(volume.week, 'swing')} in 7 days"
    if volume.usual_week is not None:
        text += f"; as usual {volume.usual_week:,.0f}"
    return text


def _stand(request: Request) -> Response:
    """Where one player stands, as a part of a screen."""
    page = page_of(request)
    who = checked_id(request.path_params["player"])
    with page.library() as library:
        library.player(who)
    found = _stand_of(page, who, None)
    key = "key" in request.query_params
    last = None
    if not key:
        # On the list of players: with the name of the session that it is of.
        with page.library() as library:
            rows = [row for row in library.players() if row.id == who]
            last = _last(library, rows[0], found) if rows else None
    return page.render(
        request,
        "stand.html",
        key=key,
        who=who,
        last=last,
        volume_words=volume_words,
        **shown_stand(page, who, found),
    )


def _sessions(library: Library, player: str, first: int) -> tuple[list[SessionRow], int]:
    """Return a player's sessions from the `first` newest on, and how many there are.

    Which ones they are is asked of what the library keeps ready, so that it takes no longer with
    thousands of sessions.
    """
    starts = {one["session"]: one["start_s"] for one in library.session_counts(player)}
    shown = sorted(starts.values(), reverse=True)[first : first + SHOWN_SESSIONS]
    if not shown:
        return [], len(starts)
    found = library.sessions(player=player, since_s=shown[-1], until_s=shown[0] + 0.001)
    return found[:SHOWN_SESSIONS], len(starts)


def _player(request: Request) -> Response:
    """One player: sessions, clubs, and what is known of them."""
    page = page_of(request)
    who = checked_id(request.path_params["player"])
    try:
        first = max(0, int(request.query_params.get("from", "0")))
    except ValueError as error:
        raise NoSuchError("there is nothing under this address") from error
    with page.library() as library:
        player = library.player(who)
        sessions, total = _sessions(library, player.id, first)
        limit = library.simulated_limit(player.id)
        groups = library.groups(player.id, simulated=limit)
        before = last_time(library, player)
    whole = request.query_params.get("whole") is not None
    found = _stand_of(page, who, None if whole else WAIT_S)
    return page.render(
        request,
        "player.html",
        here="players",
        player=player,
        sessions=sessions,
        groups=groups,
        limit=limit,
        **shown_stand(page, who, found),
        first=first,
        more=total > first + SHOWN_SESSIONS,
        page_of_sessions=SHOWN_SESSIONS,
        hands=HANDS,
        before=before,
        homework=say_homework,
        ticks=[] if before is None else days_to_tick(before.record, page.today()),
        today=page.today(),
        volume_words=volume_words,
    )


def _edit(request: Request, form: Form) -> Response:
    """Change what is known of a player."""
    page = page_of(request)
    who = checked_id(request.path_params["player"])
    url = f"/player/{who}"
    if "undo" in form:
        if field(form, "at") == "trend":
            club, mount = field(form, "club") or None, field(form, "mount") or None
            url = trend_url(who, club, mount)
        return _undo(page, who, url)
    try:
        name = clean_name(field(form, "name", most=LONGEST_NAME))
        hand = field(form, "handedness") or None
        if not name:
            raise FormError("A player needs a name.")
        if hand is not None and hand not in HANDS:
            raise FormError(f"Handedness must be one of {', '.join(HANDS)}.")
        note = field(form, "note", most=LONGEST_NOTE) or None
        consent = field(form, "consent", most=LONGEST_NOTE) or None
        limits = _limits(form)
    except FormError as error:
        return page.back(f"{url}#known", fmt.line_of(error), wrong=True, form=("player", form))

    def change(player: Player) -> Player:
        aliases = player.aliases
        if player.name != name and player.name not in aliases:
            # Recordings go on knowing the player under the name that they have.
            aliases = (*aliases, player.name)
        return dataclasses.replace(
            player,
            name=name,
            handedness=hand,
            note=note,
            child="child" in form,
            consent=consent,
            aliases=aliases,
            limits=player.limits if limits is None else limits_said(player.limits, limits),
        )

    change_player(page, who, "what is known of the player", change)
    return page.back(f"{url}#known", "Kept.")


def _limits(form: Form) -> LimitsRecord | None:
    """Read the coach's limits; None where the form hasn't got them."""
    if "most_turn" not in form:
        return None
    without = tuple(one for one in ("bell", "top") if f"without_{one}" in form)
    share = number(form, "most_turn", "The most of the full turn, in %,")
    swings = number(form, "most_swings", "The most swings a day")
    if share is not None and not 30.0 <= share <= 100.0:
        raise FormError("The most of the full turn must lie between 30 and 100 %.")
    if swings is not None and (swings != int(swings) or not 1 <= swings <= 1000):
        raise FormError("The most swings a day must be a whole number from 1 to 1000.")
    return LimitsRecord(
        turn_share=None if share is None else share / 100.0,
        swings_day=None if swings is None else int(swings),
        without=without,  # type: ignore[arg-type]
        why=" ".join(field(form, "limits_why", most=LONGEST_NOTE).split()) or None,
    )


def change_player(page: Page, who: str, what: str, change: Any) -> None:
    """Change a player's file so that it can be taken back here."""
    with page.changing() as library:
        before = library.player(who)
        library.change_player(who, change)
        kept = page.undo_of_player.setdefault(who, [])
        kept.append((what, before))
        del kept[:-50]


def _undo(page: Page, who: str, url: str) -> Response:
    kept = page.undo_of_player.get(who)
    if not kept:
        return page.back(url, "There is nothing to take back.", wrong=True)
    what, before = kept.pop()
    with page.changing() as library:
        # What was told meanwhile can't be taken back.
        library.change_player(who, lambda now: before.with_told(*now.told))
    return page.back(url, f"Taken back: {what}.")
