"""Add a file: one door for recordings, tables, ball results, films, and what somebody sent.

What a file is is found by looking into it. A file waits in the home until what is asked about it is
answered; then it is taken in as work that can be left.
"""

from __future__ import annotations

import dataclasses
import logging
from datetime import date, datetime, timedelta
from functools import partial
from typing import IO, Any, Final, cast

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import UploadFile
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import BaseRoute, Route

from library.players import clean_name
from review import formatting as fmt
from review.page.app import FormError, Page, RefusedForm, checked_id, page_of
from review.page.forms import Form, field, posted
from review.page.services import NEW_PLAYER, AddAnswers, BallPreview, FoundFile, Services
from sensor.recording.schema import HANDS, LONGEST_NAME
from words.glossary import MOUNTS

UPLOAD: Final = "/add/file"
"""The one address that takes files."""

AT_ONCE: Final = frozenset({"recordings", "bundle", "film"})
"""Kinds about which nothing is asked."""

NAMES: Final = {
    "recordings": "Recordings",
    "bundle": "What was sent",
    "backup": "Backup",
    "table": "A sensor’s samples",
    "balls": "Ball results",
    "film": "A film",
}

MOST_SESSIONS: Final = 60

EARLIEST: Final = date(1990, 1, 1)

_log = logging.getLogger(__name__)


def routes() -> list[BaseRoute]:
    """Return the paths of these screens."""
    return [
        Route("/add", _add),
        Route(UPLOAD, _upload, methods=["POST"]),
        Route("/add/waiting", posted(_waiting), methods=["POST"]),
        Route("/add/{token}", _file),
        Route("/add/{token}", posted(_answer), methods=["POST"]),
    ]


def _services(page: Page) -> Services:
    if page.tools.services is None:
        raise FormError("Files can't be added on this page.")
    return page.tools.services


def _add(request: Request) -> Response:
    """Offer the door."""
    page = page_of(request)
    return page.render(
        request,
        "add.html",
        here="add",
        waiting=_services(page).waiting_files(),
        folder=page.here(request, page.home / "watched")
        if not page.tools.settings.get("watched_folder")
        else page.tools.settings["watched_folder"],
        watched=bool(page.tools.settings.get("watched_folder")),
    )


async def _upload(request: Request) -> Response:
    """Take in a file as it comes; more of it than the limit isn't read."""
    page = page_of(request)
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind != "multipart/form-data":
        raise FormError("This address takes a file.")
    async with request.form(max_fields=4, max_files=1) as form:
        file = form.get("file")
        if not isinstance(file, UploadFile) or not file.filename:
            return page.back("/add", "Choose a file first.", wrong=True)
        name, source = file.filename, cast(IO[bytes], file.file)
        return await run_in_threadpool(_keep, page, name, source)


def _keep(page: Page, name: str, source: IO[bytes]) -> Response:
    return _looked(page, _services(page).keep_file(name, source))


def _looked(page: Page, token: str) -> Response:
    """Begin at once where nothing is to be asked; else lead to what is asked."""
    services = _services(page)
    found = services.found_file(token)
    if found.kind in AT_ONCE and not (found.players or found.changes):
        work = partial(services.add_file, token, found.kind, AddAnswers())
        return page.work(f"{NAMES[found.kind]}: {fmt.short(found.name)}", work)
    return RedirectResponse(f"/add/{token}", status_code=303)


def _waiting(request: Request, form: Form) -> Response:
    """Take in a file of the watched folder."""
    page = page_of(request)
    return _looked(page, _services(page).take_waiting(field(form, "key", most=100)))


def _file(request: Request) -> Response:
    """Show what a file is, and ask what it doesn't say."""
    page = page_of(request)
    services = _services(page)
    token = request.path_params["token"]
    kept = page.kept(request)
    found = services.found_file(
        token,
        kept.text("file", "kind") or request.query_params.get("as", ""),
        _picked(kept.fields) if kept.open("file") else None,
    )
    if kept.open("file"):
        found = _answered(found, kept)
    with page.library() as library:
        sessions = library.sessions(limit=MOST_SESSIONS)
        people = library.people.all()
    preview, wrong = _preview(services, found, kept)
    return page.render(
        request,
        "add_file.html",
        here="add",
        file=found,
        names=NAMES,
        sessions=sessions,
        people=people,
        hands=HANDS,
        new_player=NEW_PLAYER,
        today=page.today().isoformat(),
        mounts=[(name, fmt.MOUNT_WORDS.get(name, name)) for name in MOUNTS],
        preview=preview,
        wrong=wrong,
    )


def _picked(form: Form) -> dict[str, str]:
    """Return the titles that were chosen, by the columns' names."""
    start = "column-"
    return {
        name.removeprefix(start): field(form, name, most=1000)
        for name in form
        if name.startswith(start)
    }


def _answered(found: FoundFile, kept: RefusedForm) -> FoundFile:
    """Return a file with what was answered; what is answered isn't asked again."""
    columns = []
    for one in found.columns:
        title = kept.text("file", f"column-{one.name}")
        # Of a column that was chosen the unit is guessed, where nobody said it.
        unit = (kept.text("file", f"unit-{one.name}") or one.unit) if title else ""
        # Ball results needn't have every column.
        said = not one.units or unit in one.units if title else found.kind == "balls"
        doubt = "" if said else one.doubt
        columns.append(dataclasses.replace(one, title=title, unit=unit, doubt=doubt))
    return dataclasses.replace(found, columns=tuple(columns))


def _preview(
    services: Services, found: FoundFile, kept: RefusedForm
) -> tuple[BallPreview | None, str]:
    """Return how ball results would be kept, or why they can't be."""
    if found.kind != "balls" or not kept.open("file"):
        return None, ""
    try:
        return services.ball_preview(found.token, _answers(kept.fields, found, {})), ""
    except Exception as error:
        # Told on the screen, beside what was answered.
        _log.info("results can't be shown: %r", error)
        return None, fmt.line_of(error)


def _answers(form: Form, found: FoundFile, known: dict[str, Any]) -> AddAnswers:
    columns = {}
    for one in found.columns:
        title = field(form, f"column-{one.name}", most=1000)
        if title:
            unit = field(form, f"unit-{one.name}", most=20)
            # Guessed, where it is in no doubt.
            columns[one.name] = (title, unit or ("" if one.doubt else one.unit))
    return AddAnswers(
        columns=columns,
        session=field(form, "session", most=60),
        by=field(form, "by", most=10) or None,
        swings=field(form, "swings", most=200),
        lines=field(form, "lines", most=200),
        as_it_is="as_it_is" in form,
        **known,
    )


def _who(page: Page, form: Form) -> dict[str, Any]:
    """Return what a sensor's samples don't say: place, hand, player, club."""
    mount, hand = field(form, "mount", most=20) or None, field(form, "hand", most=20) or None
    if mount is not None and mount not in MOUNTS:
        raise FormError("Choose where the sensor was.")
    if hand is not None and hand not in HANDS:
        raise FormError(f"Handedness must be one of {', '.join(HANDS)}.")
    new = clean_name(field(form, "new_player", most=LONGEST_NAME)) or None
    picked = field(form, "player", most=60) if new is None else ""
    with page.library() as library:
        player = library.player(checked_id(picked)) if picked else None
    if player is not None and player.child and not player.consent:
        raise FormError(
            f"{player.name} is a child and nobody's consent is noted: note on the player's screen "
            "who agreed, then add the file."
        )
    return {
        "mount": mount,
        "hand": hand or (player.handedness if player is not None else None),
        "player": new,
        "player_id": None if player is None else player.id,
        "club": clean_name(field(form, "club", most=60)) or None,
        "start": _start(page, form),
    }


def _start(page: Page, form: Form) -> str | None:
    """Return when samples were made, as it was said; None where nothing was.

    Raises
    ------
    FormError
    """
    said, at = field(form, "day", most=20), field(form, "time", most=20)
    if not said or (said == page.today().isoformat() and not at):
        return None
    try:
        start = datetime.fromisoformat(f"{said}T{at or '12:00'}").astimezone()
    except (ValueError, OverflowError, OSError) as error:
        raise FormError("Write the day as 2026-04-05, and the time as 14:30.") from error
    if not EARLIEST <= start.date() <= page.today() + timedelta(days=1):
        raise FormError("That day can't be: it is to come, or before there were such sensors.")
    return start.isoformat(timespec="seconds")


def _known_as(found: FoundFile, form: Form) -> dict[str, str]:
    """Return who is meant by each name that fits several players.

    Raises
    ------
    FormError
    """
    out = {}
    for number, one in enumerate(found.players):
        who = field(form, f"who-{number}", most=60)
        if who != NEW_PLAYER and who not in dict(one.choices):
            raise FormError(f"Say who {fmt.short(one.name)} is here.")
        out[one.name] = who
    return out


def _answer(request: Request, form: Form) -> Response:
    """Take the answers about a file, and begin; or let go of it."""
    page = page_of(request)
    services = _services(page)
    token = request.path_params["token"]
    if "drop" in form:
        services.drop_file(token)
        return page.back("/add", "The file is let go of. Nothing was added.")
    kind = field(form, "kind", most=20)
    found = services.found_file(token, kind, _picked(form) if kind == "table" else None)
    url = f"/add/{token}"
    try:
        known = _who(page, form) if found.kind == "table" else {}
        if found.kind in AT_ONCE:
            known = {"known_as": _known_as(found, form), "take_names": "take_names" in form}
        answers = _answers(form, found, known)
        if found.kind == "balls" and ("look" in form or "keep" not in form):
            return page.back(url + "#results", "Nothing is kept yet.", form=("file", form))
        if found.kind == "balls":
            with page.changing():
                done = services.add_file(token, found.kind, answers, lambda _what, _share: None)
            return page.back(done.url, done.text)
        if found.kind == "table" and (missing := _missing(found, answers)):
            raise FormError(missing)
        if found.kind == "nothing":
            raise FormError("This file can't be added.")
    except FormError as error:
        return page.back(url, fmt.line_of(error), wrong=True, form=("file", form))
    except Exception as error:
        if found.kind != "balls":
            raise
        _log.info("results were not kept: %r", error)
        return page.back(f"{url}#results", fmt.line_of(error), wrong=True, form=("file", form))
    work = partial(services.add_file, token, found.kind, answers)
    # The file waits where it was, with what was answered.
    again = partial(page.saying, url, wrong=True, form=("file", form))
    return page.work(f"{NAMES[found.kind]}: {fmt.short(found.name)}", work, again)


def _missing(found: FoundFile, answers: AddAnswers) -> str:
    """Say which column nothing is said of; empty where all is said."""
    for one in found.columns:
        title, unit = answers.columns.get(one.name, ("", ""))
        if title not in found.titles:
            return f"Say which column is {one.words.lower()}."
        if unit not in one.units:
            return f"Say the unit of {one.words.lower()}."
    return ""
