"""Two swings for a room to see: large, moving by themselves, with nobody's name and no buttons.

With two addresses it shows those two. Without any it shows the last swing of what is being recorded
beside the player's typical practice swing, and goes over to each new one by itself. It is drawn
from what the recording has written; the recording itself is asked nothing and waits for nobody.
"""

from __future__ import annotations

import dataclasses
import json
from collections.abc import AsyncGenerator
from typing import Any, cast

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from analysis.evidence.summary import kind_of
from library.errors import LibraryError, NoSuchError
from library.typical import typical_of
from review import formatting as fmt
from review.errors import ReviewError
from review.page.app import Page, page_of
from review.page.livehub import FoundLive, LiveHub, LiveState, TooManyError
from review.page.pair import ALIGNED, apart, named, pair_of, two_of
from review.page.pair_answer import Pair, PairSwing, headline, lined_up, ordered, picture
from review.page.range import RETRY_MS, hub_of
from review.page.streams import EventStream
from review.svg import Kind
from sensor.errors import SensorError
from words.lesson import HIDDEN
from words.pair import KIND_NAMES

NOTHING_RUNS = "Nothing is being recorded. The next swing shows here."
NO_SWING = "No swing yet. The next one shows here."
NO_TYPICAL = "No typical practice swing yet: record three free ones."
WHO = "Who swings? Say it on the Range screen, and swings show here."
FELT_FIRST = "How did it feel?"


def routes() -> list[BaseRoute]:
    """Return the paths of this screen."""

    async def screen(request: Request) -> Response:
        return await run_in_threadpool(_wall, request)

    async def part(request: Request) -> Response:
        return await run_in_threadpool(_part, request)

    return [Route("/wall", screen), Route("/wall/shown", part), Route("/wall/live", _live)]


def _only(sentence: str) -> dict[str, Any]:
    return {"sentence": sentence, "picture": None}


def shown_on_wall(page: Page, pair: Pair) -> dict[str, Any]:
    """Return what a wall shows of two swings: a sentence, and the picture where there is one."""
    problem = apart(pair)
    if problem is not None:
        return _only(f"{problem.partition(':')[0]}.")
    try:
        traces, told = pair_of(page, pair)
    except (SensorError, ReviewError) as error:
        return _only(f"{fmt.line_of(error)}.")
    for align in ALIGNED:
        lanes = lined_up(pair, traces, align)
        if lanes is not None:
            sentence = headline(pair, told, align, most=1)[0]
            return {"sentence": sentence, "picture": picture(lanes)}
    return _only("They can’t be set side by side yet: no event of both is known.")


def _wall(request: Request) -> Response:
    page = page_of(request)
    query = request.query_params
    if "a" not in query and "b" not in query:
        hub = hub_of(page)
        # What it stands at is looked up first: what comes meanwhile is then shown once more.
        stand = json.dumps(_stand(hub, hub.state))
        return page.render(request, "wall.html", shown=last_on_wall(page), stand=stand)
    if "a" not in query or "b" not in query:
        raise NoSuchError("a wall shows two swings: open it from the screen of two swings")
    a, b = named(query["a"]), named(query["b"])
    with page.library() as library:
        _, pair = two_of(library, page, a, b)
    return page.render(request, "wall.html", shown=shown_on_wall(page, pair))


def _part(request: Request) -> Response:
    """Give what the wall shows of the last swing, to be put in the place of the one before."""
    page = page_of(request)
    # Within another screen it isn't what that is about.
    within = request.query_params.get("within") == "range"
    return page.render(request, "wall_shown.html", shown=last_on_wall(page), within=within)


# -- the last swing of what is being recorded ------------------------------------------------------


def last_on_wall(page: Page) -> dict[str, Any]:
    """Return what a wall shows of what is being recorded."""
    hub = hub_of(page)
    state, last = hub.state, hub.found
    if not state.running:
        return _only(NOTHING_RUNS)
    if last is None:
        return _only(NO_SWING)
    shown = next((one for one in state.swings if one.key == last.key), None)
    if shown is not None and shown.hidden:
        # What was felt is asked before anything is seen, and first shots wait for the coach.
        return _only(FELT_FIRST if state.lesson is None else f"{HIDDEN[0].upper()}{HIDDEN[1:]}.")
    if last.player is None:
        return _only(WHO)
    kind = kind_of(last.swing) if shown is None else shown.kind_said
    try:
        with page.library() as library:
            session, number = typical_of(library, last.player, last.swing.club, last.mount)
            typical = PairSwing.of(library.session(session), library.swing(session, number=number))
    except LibraryError:
        return _only(NO_TYPICAL)
    try:
        live = _live_swing(page, last, kind)
    except (SensorError, ReviewError) as error:
        return _only(f"{fmt.line_of(error)}.")
    called = dataclasses.replace(typical, called="the typical practice swing", label="Typical")
    return shown_on_wall(page, ordered(called, live))


def _live_swing(page: Page, last: FoundLive, kind: str) -> PairSwing:
    """Put a swing that was just found on the clock of what is written of its recording."""
    placed = page.tools.placed
    if placed is None:
        raise ReviewError("swings can't be drawn before the recording has ended")
    with page.tools.open_recording(last.path) as recording:
        swing = placed(recording, last.found, last.swing.index)
    return PairSwing(
        session=None,
        key=f"live {last.key}",
        start=last.start,
        path=last.path,
        mount=last.mount,
        kind=cast(Kind, kind),
        swing=swing,
        called=f"the last {KIND_NAMES[kind]}",
        label="Last swing" if kind != "strike" else "Last shot",
    )


def _stand(hub: LiveHub, state: LiveState) -> tuple[Any, ...]:
    """What of the state a wall shows: it is drawn anew when this changes."""
    last = hub.found
    one = None if last is None else next((s for s in state.swings if s.key == last.key), None)
    if last is None or one is None:
        return (state.running, None if last is None else last.key, state.again)
    return (state.running, last.key, bool(one.hidden), one.kind_said, state.again)


async def _live(request: Request) -> Response:
    """Say whenever there is something new to show (server-sent events, HTML standard 9.2)."""
    hub = hub_of(page_of(request))
    following = hub.follow()
    try:
        first = await anext(following)
    except TooManyError as error:
        return Response(fmt.line_of(error), 503, {"retry-after": "5"}, "text/plain")

    async def events() -> AsyncGenerator[str]:
        state, sent = first, None
        yield f"retry: {RETRY_MS}\n\n"
        try:
            while True:
                now = sent if state is None else _stand(hub, state)
                if now == sent:
                    yield "event: alive\ndata: 1\n\n"
                else:
                    sent = now
                    yield f"event: wall\ndata: {json.dumps(now)}\n\n"
                try:
                    state = await anext(following)
                except StopAsyncIteration:
                    return
        finally:
            await following.aclose()  # type: ignore[attr-defined]

    return EventStream(events())
