"""What is said on a session's screen: of swings, of stretches of it, and of the whole."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any, Final
from urllib.parse import parse_qsl

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import BaseRoute, Route

from analysis.evidence.summary import is_held
from library.catalogue import Library
from library.deletion import remove_unused
from library.errors import LibraryError, NoSuchError
from library.rows import SessionRow
from review import formatting as fmt
from review.errors import ReviewError
from review.page.app import FormError, Page, checked_id, page_of
from review.page.forms import Form, edit_session, field, last_change, posted
from review.page.links import pair_url, session_url, swing_url
from sensor.errors import SensorError
from sensor.recording.schema import HANDS
from sensor.recording.vocabulary import COUNTS, KINDS

LONGEST_TAG: Final = 60
LONGEST_REASON: Final = 300

INTENTS: Final = ("full", "part")

KEPT_PARAMS: Final = ("player", "set", "x", "y")


def edit_routes() -> list[BaseRoute]:
    """Return the paths of these forms."""
    return [
        Route("/session/{session}/swings", posted(_change_swings), methods=["POST"]),
        Route("/session/{session}/segment", posted(_change_segment), methods=["POST"]),
        Route("/session/{session}/words", posted(_change_words), methods=["POST"]),
        Route("/session/{session}/undo", posted(_take_back), methods=["POST"]),
    ]


def _url(session: str, form: Form, mark: str = "") -> str:
    """Address to lead back to, with what was chosen before."""
    kept = [(n, v) for n, v in parse_qsl(field(form, "query")) if n in KEPT_PARAMS]
    return session_url(session, **dict(kept)) + mark


def _known_session(request: Request) -> tuple[Page, SessionRow]:
    page = page_of(request)
    with page.library() as library:
        return page, page.session(library, checked_id(request.path_params["session"]))


def _change_swings(request: Request, form: Form) -> Response:
    """Say something about the swings that were picked."""
    page, session = _known_session(request)
    url = _url(session.id, form, "#with-picked")
    picked = [int(s) for s in form.get("seq", []) if s.isdecimal() and len(s) < 16]
    try:
        if not picked:
            raise FormError("Pick swings first: tick the boxes before them.")
        if field(form, "do") == "beside":
            return _set_beside(page, session, picked)
        change, told = _change_of(field(form, "do"), form)
    except FormError as error:
        return page.back(url, fmt.line_of(error), wrong=True, form=("pick", form))
    at = datetime.now(UTC)

    def write(library: Library) -> None:
        spans = [library.span(session.id, seq) for seq in picked]
        held = {seq for seq in picked if is_held(library.swing(session.id, seq=seq).measured)}
        with library.annotating(session.id) as said:
            for span, rate_hz in spans:
                key = said.key_of(span, rate_hz=rate_hz)
                values = change(said.get("swing", key, "tags") or [])
                if values == {"excluded": None} and span.seq in held:
                    # The recording itself leaves it out.
                    values = {"excluded": COUNTS}
                said.set_swing(span, rate_hz=rate_hz, at=at, **values)

    edit_session(page, session.id, write)
    return page.back(url, f"{fmt.count(len(picked), 'swing').capitalize()}: {told}.")


def _set_beside(page: Page, session: SessionRow, picked: list[int]) -> Response:
    """Lead to the two swings that were picked, side by side."""
    if len(picked) != 2:
        raise FormError(f"Tick two swings to set them side by side: {_ticked(len(picked))} now.")
    with page.library() as library:
        one, other = (library.swing(session.id, seq=seq).swing.index for seq in picked)
    url = pair_url((session.id, one), (session.id, other))
    return RedirectResponse(url, status_code=303)


def _ticked(n: int) -> str:
    return f"{n} {'is' if n == 1 else 'are'} ticked"


def _change_of(what: str, form: Form) -> tuple[Any, str]:
    """What a button does to a swing: from its tags to the fields to set, and in words."""
    if what in ("tag", "untag"):
        tag = " ".join(field(form, "tag", most=LONGEST_TAG).split())
        if not tag:
            raise FormError("Type a tag first.")
        if what == "tag":
            return (lambda tags: {"tags": [*(t for t in tags if t != tag), tag]}), f"tagged '{tag}'"
        return (
            lambda tags: {"tags": [t for t in tags if t != tag] or None}
        ), f"no longer tagged '{tag}'"
    if what == "exclude":
        reason = field(form, "reason", most=LONGEST_REASON)
        if not reason:
            raise FormError("Say why these swings don't count: type a reason first.")
        return (lambda _: {"excluded": reason}), f"left out ({reason})"
    if what == "include":
        return (lambda _: {"excluded": None}), "count again"
    if what in KINDS:
        return (lambda _: {"kind": what}), f"now {what}"
    if what == "as-measured":
        return (lambda _: {"kind": None}), "kind as it was measured"
    raise FormError("There is no such button.")


def _change_segment(request: Request, form: Form) -> Response:
    """Correct who swung what from a place on."""
    page, session = _known_session(request)
    name = f"segment-{field(form, 'seq', most=15) or 'new'}"
    url = _url(session.id, form, f"#{name}")
    try:
        seq, new = _segment_place(page, session, form)
        values = _segment_values(form)
    except (FormError, NoSuchError) as error:
        return page.back(url, fmt.line_of(error), wrong=True, form=(name, form))

    def write(library: Library) -> None:
        recorded = _recorded(library, session.id, seq)
        # Only what differs from the recording is a correction.
        changed = {k: v for k, v in values.items() if recorded.get(k) != v}
        library.correct_segment(session.id, seq, **changed)

    try:
        edit_session(page, session.id, write)
    except (LibraryError, ReviewError, SensorError) as error:
        return page.back(url, fmt.line_of(error), wrong=True, form=(name, form))
    url = _url(session.id, form, "#segments")
    return page.back(url, "A new segment begins there." if new else "The segment is corrected.")


def _segment_place(page: Page, session: SessionRow, form: Form) -> tuple[int, bool]:
    """From which sample on: a segment's beginning, or a swing's."""
    text = field(form, "from")
    if text:
        if not text.isdecimal() or len(text) > 6:
            raise FormError("Say from which swing on: its number.")
        with page.library() as library:
            detail = library.swing(session.id, number=int(text))
            span, _ = library.span(session.id, detail.seq)
        return max(0, int(span.first_seq)), True
    seq = field(form, "seq")
    if not seq.isdecimal() or len(seq) > 15:
        raise FormError("Say which segment.")
    return int(seq), False


def _segment_values(form: Form) -> dict[str, Any]:
    """What a segment's form says; None where it isn't known."""
    player = field(form, "new_player", most=200) or field(form, "player", most=200) or None
    club = field(form, "club", most=100) or None
    hand, intent = field(form, "handedness") or None, field(form, "intent") or None
    ball = field(form, "ball")
    if hand is not None and hand not in HANDS:
        raise FormError(f"handedness must be one of {', '.join(HANDS)}")
    if intent is not None and intent not in INTENTS:
        raise FormError("a swing is full or part")
    if ball not in ("", "yes", "no"):
        raise FormError("there was a ball or there was none")
    return {
        "player": player,
        "handedness": hand,
        "club": club,
        "intent": intent,
        "ball": {"": None, "yes": True, "no": False}[ball],
    }


def _recorded(library: Library, session: str, seq: int) -> Mapping[str, Any]:
    """What the recording itself says from a place on."""
    found: Mapping[str, Any] = {}
    for start, _, fields in library.analyzed(session).segments:
        if start <= seq:
            found = fields
    return found


def _change_words(request: Request, form: Form) -> Response:
    """Note something on the whole session, or leave it out."""
    page, session = _known_session(request)
    url = _url(session.id, form)
    at = datetime.now(UTC)
    values = {
        "note": field(form, "note") or None,
        "excluded": field(form, "excluded", most=LONGEST_REASON) or None,
    }

    def write(library: Library) -> None:
        with library.annotating(session.id) as said:
            for name, value in values.items():
                said.set("session", name, value=value, at=at)

    edit_session(page, session.id, write)
    return page.back(f"{url}#session-words", "Kept.")


def _take_back(request: Request, form: Form) -> Response:
    """Take back the last change of a session, all that was done at once."""
    page, session = _known_session(request)
    url = _url(session.id, form)
    number = field(form, "number", most=6)
    if number.isdecimal():
        url = swing_url(session.id, int(number))
    with page.changing() as library:
        before = last_change(library, session.id)
        if before is None:
            return page.back(url, "There is nothing to take back.", wrong=True)
        with library.annotating(session.id) as said:
            first = said.undo()
            while first is not None and said.history and said.history[-1].at == first.at:
                said.undo()
        gone = _without_new(page, library, session.id)
    told = (
        f" {fmt.join(gone)} {'are' if len(gone) > 1 else 'is'} no player any more." if gone else ""
    )
    return page.back(url, f"Taken back: {before[1]}.{told}")


def _without_new(page: Page, library: Library, session: str) -> list[str]:
    """Remove players whom a change that was taken back had made; return their names."""
    out = []
    for who in sorted(page.made_by.get(session, ())):
        player = library.people.get(who)
        if player is None or player.references or player.plans or player.note or player.consent:
            # Gone, or something was said of them since.
            continue
        if remove_unused(library, who):
            out.append(player.name)
    left = {who for who in page.made_by.pop(session, ()) if library.people.get(who) is not None}
    page.made_by[session] = left
    return out
