"""The first start: three ways in, and the invented players made and removed."""

from __future__ import annotations

from functools import partial
from typing import Any, Final

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from library.players import clean_name
from review import formatting as fmt
from review.page.app import FormError, Page, page_of
from review.page.forms import Form, field, posted
from sensor.recording.schema import HANDS, LONGEST_NAME

LONGEST_NOTE: Final = 2000


def routes() -> list[BaseRoute]:
    """Return the paths of these screens."""
    return [
        Route("/start", posted(_start), methods=["POST"]),
        Route("/start/invented", posted(_invented), methods=["POST"]),
        Route("/start/shortcut", posted(_shortcut), methods=["POST"]),
    ]


def start_words(page: Page) -> dict[str, Any]:
    """Return what the first screen needs beside the players."""
    services = page.tools.services
    return {
        "hands": HANDS,
        "invented": () if services is None else services.invented(),
        "services": services is not None,
    }


def new_player(page: Page, form: Form) -> str:
    """Make a player of a form's fields; return the id.

    Raises
    ------
    FormError
        A field can't be taken.
    """
    name = clean_name(field(form, "name", most=LONGEST_NAME))
    hand = field(form, "handedness") or None
    if not name:
        raise FormError("A player needs a name.")
    if hand is not None and hand not in HANDS:
        raise FormError(f"Handedness must be one of {', '.join(HANDS)}.")
    with page.changing() as library:
        if any(one.known_as(name) for one in library.people.all()):
            raise FormError(f"There is a player called {name} already: give another name.")
        consent = field(form, "consent", most=LONGEST_NOTE) or None
        who = library.people.add(name, handedness=hand, child="child" in form, consent=consent)
        library.save_player(who)
    return who.id


def _start(request: Request, form: Form) -> Response:
    """Make the first player, by whoever coaches or plays."""
    page = page_of(request)
    plays = field(form, "as") == "play"
    try:
        who = new_player(page, form)
    except FormError as error:
        kind = "play" if plays else "coach"
        return page.back(f"/#{kind}", fmt.line_of(error), wrong=True, form=(kind, form))
    return page.back(
        f"/player/{who}",
        "Kept. Now record on the Range screen, or press Add a file for what was recorded before.",
    )


def _invented(request: Request, form: Form) -> Response:
    """Make the invented players, or remove them."""
    page = page_of(request)
    services = page.tools.services
    if services is None:
        return page.back("/", "This page can't make players.", wrong=True)
    if "remove" in form:
        with page.changing():
            done = services.remove_invented()
        return page.back("/", done.text, wrong=done.wrong)
    answer = page.work("Invented players", partial(services.make_invented, first=True))
    # The others are made while the first one is looked at.
    page.work("More invented players", services.make_invented)
    return answer


def _shortcut(request: Request, form: Form) -> Response:
    """Put a shortcut where people look for one."""
    page = page_of(request)
    services = page.tools.services
    if services is None:
        return page.back("/", "This page can't make a shortcut.", wrong=True)
    done = services.make_shortcut()
    at = "/settings#program" if field(form, "at") == "settings" else "/"
    return page.back(at, done.text, wrong=done.wrong)
