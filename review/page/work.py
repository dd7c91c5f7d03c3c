"""Work that takes its time, as it is seen: how far it is, and what came of it."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from library.errors import NoSuchError
from review.page.app import page_of
from review.page.jobs import JOB_ID


def routes() -> list[BaseRoute]:
    """Return the paths of these screens."""
    return [Route("/underway", _all), Route("/underway/{job}", _one)]


def _all(request: Request) -> Response:
    """Show all of it, the newest first."""
    page = page_of(request)
    return page.render(request, "work.html", jobs=page.jobs.all(), job=None)


def _one(request: Request) -> Response:
    """Show one piece of work; the part of it that changes where that is asked for."""
    page = page_of(request)
    asked = request.path_params["job"]
    job = page.jobs.get(asked) if JOB_ID.fullmatch(asked) else None
    if job is None:
        raise NoSuchError("that work isn't known any more: it was over long ago")
    name = "work_shown.html" if "part" in request.query_params else "work.html"
    return page.render(request, name, job=job, jobs=())
