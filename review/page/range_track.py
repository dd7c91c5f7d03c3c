"""The cue as a file that a phone plays by itself: nothing in it is live."""

from __future__ import annotations

from typing import Final

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from review.page.app import FormError, checked_id, page_of
from review.page.livehub import LiveError, LiveHub

SHORTEST_MS: Final = 300.0
LONGEST_MS: Final = 3000.0


def _track(request: Request) -> Response:
    page = page_of(request)
    hub = page.live
    if not isinstance(hub, LiveHub) or hub.starter is None:
        raise LiveError("no track can be made from this page: use 'unhurried cue --out track.wav'")
    who = request.query_params.get("player") or None
    try:
        backswing_ms = float(request.query_params.get("backswing_ms", ""))
    except ValueError as error:
        raise FormError("the backswing must be a number, in ms") from error
    if not SHORTEST_MS <= backswing_ms <= LONGEST_MS:
        raise FormError(f"the backswing must lie between {SHORTEST_MS:g} and {LONGEST_MS:g} ms")
    track = hub.starter.track(backswing_ms, None if who is None else checked_id(who))
    name = f"backswing-{backswing_ms:.0f}-ms.wav"
    headers = {"content-disposition": f'inline; filename="{name}"', "cache-control": "no-store"}
    return Response(track, media_type="audio/wav", headers=headers)


def routes() -> list[Route]:
    """Return the track's address."""

    async def track(request: Request) -> Response:
        return await run_in_threadpool(_track, request)

    return [Route("/range/track", track)]
