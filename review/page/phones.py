"""Phones that are let in: who they are, and a code for the next one."""

from __future__ import annotations

from typing import Any

from starlette.requests import Request
from starlette.responses import Response

from library.errors import NoSuchError
from review.page.app import from_here, page_of
from review.page.forms import Form
from review.page.livehub import LiveError, LiveHub
from review.page.range_taps import _word
from review.page.roles import RIGHT_WORDS


def sharing_of(request: Request) -> dict[str, Any] | None:
    """Who is let in, and what the next phone may usually do; None for whoever isn't at this
    computer, and where nobody can be let in.
    """
    page = page_of(request)
    if not isinstance(page.live, LiveHub) or page.live.sharing is None or not from_here(request):
        return None
    usual = page.tools.settings.get("phone_may", "tap")
    return {"inside": page.live.sharing.inside(), "rights": RIGHT_WORDS, "usual": usual}


def code(request: Request, form: Form) -> Response:
    """A code for one more visitor; only this computer itself gets to see it."""
    page = page_of(request)
    sharing = page.live.sharing if isinstance(page.live, LiveHub) else None
    if sharing is None:
        raise LiveError("nobody can be let in to this page")
    if not from_here(request):
        raise NoSuchError("a code for another phone is shown on the computer only")
    usual = str(page.tools.settings.get("phone_may", "tap"))
    right = _word(form, "may", tuple(RIGHT_WORDS)) if "may" in form else usual
    link, drawing = sharing.invite(right)
    return page.render(
        request,
        "range_code.html",
        here="range",
        link=link,
        drawing=drawing,
        may=RIGHT_WORDS[right],
    )
