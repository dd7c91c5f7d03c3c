"""Help: the manual, as it was built (`review/manual_site.py`)."""

from __future__ import annotations

from typing import Any

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import BaseRoute, Mount, Route
from starlette.staticfiles import StaticFiles

from library.errors import NoSuchError
from review.manual_site import MANUAL, MISSING, START


class _Manual(StaticFiles):
    """The manual's files; where it wasn't built, one line says what to do."""

    async def check_config(self) -> None:
        """Nothing: whether the manual is there is looked at with each request."""

    async def get_response(self, path: str, scope: Any) -> Response:
        if not START.is_file():
            raise NoSuchError(MISSING)
        response = await super().get_response(path, scope)
        response.headers.setdefault("cache-control", "no-cache")
        return response


async def _to_start(_request: Request) -> Response:
    return RedirectResponse("/help/")


def routes() -> list[BaseRoute]:
    """Return the manual's addresses."""
    return [
        Route("/help", _to_start),
        Mount("/help", app=_Manual(directory=MANUAL, html=True, check_dir=False), name="help"),
    ]
