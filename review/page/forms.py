"""What comes in with forms: read, checked, and put into words where it doesn't fit."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping
from typing import Final

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response

from library.catalogue import Library
from library.derive import SIMULATED
from review.page.app import FormError, Page

Form = Mapping[str, list[str]]

MOST_FIELDS: Final = 2000
"""A session's table has a box for each swing."""

_FORMS: Final = ("application/x-www-form-urlencoded", "multipart/form-data")

LONGEST_FIELD: Final = 10_000


async def fields_of(request: Request) -> dict[str, list[str]]:
    """Return the fields of a form: lists of texts by name; files are refused."""
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind not in _FORMS:
        raise FormError("this address takes a form")
    out: dict[str, list[str]] = {}
    async with request.form(max_fields=MOST_FIELDS, max_files=0) as form:
        for name, value in form.multi_items():
            if not isinstance(value, str):
                raise FormError("this form takes no files")
            out.setdefault(name, []).append(value)
    return out


def posted(
    change: Callable[[Request, Form], Response],
) -> Callable[[Request], Awaitable[Response]]:
    """Make an endpoint of what takes a form; the work itself is done in a thread."""

    async def endpoint(request: Request) -> Response:
        form = await fields_of(request)
        return await run_in_threadpool(change, request, form)

    return endpoint


def field(form: Mapping[str, list[str]], name: str, *, most: int = LONGEST_FIELD) -> str:
    """Return a field's text without spaces around it; empty where it is absent.

    Raises
    ------
    FormError
        It is too long, or holds what can't be shown.
    """
    text = form.get(name, [""])[0].replace("\r\n", "\n").strip()
    if len(text) > most:
        raise FormError(f"'{name}' is longer than {most:,} characters: make it shorter")
    if any(c != "\n" and ord(c) < 32 for c in text) or "\x7f" in text:
        raise FormError(f"'{name}' holds characters that can't be shown: type it anew")
    return text


def number(form: Mapping[str, list[str]], name: str, what: str) -> float | None:
    """Return a field's number, None where it is empty; a decimal comma will do.

    Raises
    ------
    FormError
    """
    text = field(form, name, most=40).replace("−", "-")
    if not text:
        return None
    try:
        value = float(text.replace(",", ".") if "." not in text else text)
    except ValueError as error:
        raise FormError(f"{what} must be a number, not '{text}'") from error
    if not abs(value) < 1e9:
        raise FormError(f"{what} must be a number that makes sense, not '{text}'")
    return value


def whole(
    form: Form, name: str, what: str, low: int, high: int, *, empty: int | None = None
) -> int:
    """Return a whole number within limits; it has to be there unless ``empty`` stands for it.

    Raises
    ------
    FormError
    """
    value = number(form, name, what)
    if value is None and empty is not None:
        return empty
    if value is None or not low <= value <= high or value != int(value):
        raise FormError(f"{what} must be a whole number from {low} to {high}")
    return int(value)


def within(form: Form, name: str, what: str, low: float, high: float) -> float | None:
    """Return a number within limits, None where the field is empty.

    Raises
    ------
    FormError
    """
    value = number(form, name, what)
    if value is not None and not low <= value <= high:
        raise FormError(f"{what} must lie between {low:g} and {high:g}")
    return value


def edit_session(page: Page, session_id: str, change: Callable[[Library], None]) -> None:
    """Change a session's words; if the library can't take them, nothing stays changed."""
    with page.changing() as library:
        before = last_change(library, session_id)
        there = {player.id for player in library.people.all()}
        try:
            change(library)
            made = {player.id for player in library.people.all()} - there
            page.made_by.setdefault(session_id, set()).update(made)
        except Exception:
            # The words may have been written before the library refused them.
            while last_change(library, session_id) != before and library.undo(session_id):
                pass
            raise


def last_change(library: Library, session_id: str) -> tuple[str, str] | None:
    """Return which change of a session would be taken back, and what it is in words."""
    from sensor.recording.annotations import read_annotations

    said = read_annotations(library.path_of(session_id), recording=session_id)
    if not said.history:
        return None
    change = said.history[-1]
    if change.key[0] == "identity":
        # Whom a name means was said with the recording, and is no change of the session.
        return None
    if change.key == ("session", "tags") and SIMULATED in (change.after or ()):
        # An older recording: that it was simulated is nobody's word.
        return None
    return f"{len(said.history)} {change.at} {'/'.join(change.key)}", describe(change.key)


def describe(key: tuple[str, ...]) -> str:
    """Say in words what a change was about."""
    names = {
        "events": "events of a swing",
        "kind": "rehearsal or strike",
        "excluded": "what counts",
        "result": "ball result",
        "felt": "how it felt",
        "note": "a note",
        "tags": "tags",
    }
    match key:
        case ("segment", _):
            return "who swung what"
        case ("swing" | "session", *_, name):
            return names.get(name, name)
        case _:
            return "who a name stands for"
