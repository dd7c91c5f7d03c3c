"""A film of a swing, from the phone's own camera: sent to this computer, looked at, kept.

It comes in as one form, with or without a script, and goes straight into the folder for films
under a name that is made here: what the phone calls it is never read. It is taken for a film by
what is in it, and by the process that reads films (`review.film`), before anything is done with it.
"""

from __future__ import annotations

import contextlib
import secrets
import shutil
import time
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import BinaryIO, Final

from python_multipart.exceptions import FormParserError
from python_multipart.multipart import MultipartParser, parse_options_header
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from library.errors import ClipError
from review import formatting as fmt
from review.clip import read_clip
from review.page.app import FormError, page_of
from review.page.clips import film_folder
from review.page.forms import field
from review.page.livehub import LiveError, LiveHub
from review.page.requests import Film
from review.page.roles import COACH
from review.page.security import VISITOR

FREE_BYTES: Final = 1_000_000_000
"""Left on the disk whatever comes in: the recording needs it more."""
PIECE_BYTES: Final = 1 << 20
LONGEST_FIELD: Final = 200
LONGEST_HEADER: Final = 4000
MOST_PARTS: Final = 5
MOST_HEAD_BYTES: Final = 64
COMING: Final = ".coming-"
OLD_S: Final = 3600.0
"""What came in halfway, and was left by a program that was ended, is cleared away after so long."""

KINDS: Final = ("mp4", "mov", "webm", "mkv")
STILL: Final = (b"heic", b"heix", b"mif1", b"avif", b"M4A ")
"""Pictures and sound in the same container as a phone's films (ISO/IEC 14496-12, from memory)."""
_AT_ONCE: Final = 1


class _Busy:
    """How many films are coming in."""

    def __init__(self) -> None:
        self.n = 0

    @contextlib.contextmanager
    def one(self) -> Iterator[None]:
        """Take one more in.

        Raises
        ------
        LiveError
        """
        if self.n >= _AT_ONCE:
            raise LiveError("another film is coming in: send this one when that is here")
        self.n += 1
        try:
            yield
        finally:
            self.n -= 1


_busy = _Busy()


def may_film(request: Request) -> bool:
    """Whether whoever asks may send a film."""
    visitor = request.scope.get(VISITOR)
    return "film" in (COACH if visitor is None else visitor.may)


def kind_of_film(head: bytes) -> str | None:
    """Return a film's suffix by its first bytes; None where it isn't a film."""
    box, brand = head[4:8], head[8:12]
    if box == b"ftyp":
        return None if brand in STILL else ".mov" if brand == b"qt  " else ".mp4"
    if box in (b"moov", b"wide", b"mdat"):
        return ".mov"
    if head.startswith(b"\x1a\x45\xdf\xa3"):
        return ".webm" if b"webm" in head else ".mkv"
    return None


class _Coming:
    """A form with one film, as it comes in: the film into a file, the other fields kept.

    Parameters
    ----------
    boundary : bytes
    file : binary file
    """

    def __init__(self, boundary: bytes, file: BinaryIO) -> None:
        self.fields: dict[str, list[str]] = {}
        self.whole = False
        self.films = 0
        self._file = file
        self._parts = 0
        self._name = ""
        self._header = self._value = b""
        self._text = bytearray()
        self._parser = MultipartParser(
            boundary,
            {
                "on_part_begin": self._begin,
                "on_header_field": self._more_header,
                "on_header_value": self._more_value,
                "on_header_end": self._header_end,
                "on_headers_finished": self._ready,
                "on_part_data": self._data,
                "on_part_end": self._end,
                "on_end": self._all,
            },
        )

    def feed(self, data: bytes) -> None:
        """Take the next bytes.

        Raises
        ------
        FormError
        """
        try:
            self._parser.write(data)
        except FormParserError as error:
            raise FormError("this address takes a form with a film") from error

    def _begin(self) -> None:
        self._parts += 1
        if self._parts > MOST_PARTS:
            raise FormError("this form has too many fields")
        self._name, self._text = "", bytearray()
        self._header = self._value = b""

    def _more_header(self, data: bytes, start: int, end: int) -> None:
        self._header += data[start:end]
        self._check_header()

    def _more_value(self, data: bytes, start: int, end: int) -> None:
        self._value += data[start:end]
        self._check_header()

    def _check_header(self) -> None:
        if len(self._header) + len(self._value) > LONGEST_HEADER:
            raise FormError("a field of this form is too long")

    def _header_end(self) -> None:
        if self._header.lower() == b"content-disposition":
            _, options = parse_options_header(self._value)
            # Nothing else of it is read: also not what the phone calls its file.
            self._name = options.get(b"name", b"").decode("ascii", "replace")
        self._header = self._value = b""

    def _ready(self) -> None:
        if self._name == "film":
            self.films += 1
            if self.films > 1:
                raise FormError("send one film at a time")

    def _data(self, data: bytes, start: int, end: int) -> None:
        if self._name == "film":
            self._file.write(data[start:end])
        else:
            self._text += data[start:end]
            if len(self._text) > LONGEST_FIELD:
                raise FormError("a field of this form is too long")

    def _end(self) -> None:
        if self._name and self._name != "film":
            text = self._text.decode("utf-8", "replace")
            self.fields.setdefault(self._name, []).append(text)

    def _all(self) -> None:
        self.whole = True


def _boundary(request: Request) -> bytes:
    kind, options = parse_options_header(request.headers.get("content-type"))
    boundary = options.get(b"boundary", b"")
    if kind != b"multipart/form-data" or not 1 <= len(boundary) <= 200:
        raise FormError("this address takes a form with a film")
    return boundary


def _place(folder: Path, coming_bytes: int) -> Path:
    """Return where a film comes in: a name that nobody lists, in the folder for films.

    Raises
    ------
    LiveError
        The folder can't be made, or the disk is nearly full.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for left in folder.glob(f"{COMING}*"):
            with contextlib.suppress(OSError):
                if time.time() - left.stat().st_mtime > OLD_S:
                    left.unlink()
        free = shutil.disk_usage(folder).free
    except OSError as error:
        raise LiveError(
            "the computer's folder for films can't be used: see there where films go"
        ) from error
    if free - coming_bytes < FREE_BYTES:
        raise LiveError("the computer's disk is nearly full: make room there first")
    return folder / f"{COMING}{secrets.token_hex(8)}"


async def _take_in(request: Request, place: Path) -> dict[str, list[str]]:
    """Write the film that comes in to a place, and return the other fields."""
    boundary = _boundary(request)
    with place.open("xb") as file:
        coming = _Coming(boundary, file)
        piece = bytearray()
        async for data in request.stream():
            piece += data
            if len(piece) >= PIECE_BYTES:
                await run_in_threadpool(coming.feed, bytes(piece))
                piece.clear()
        await run_in_threadpool(coming.feed, bytes(piece))
    if not coming.whole:
        raise FormError("the film was cut off on its way: send it once more")
    return coming.fields


def _checked(place: Path) -> Path:
    """Look at what came in, and give it the name that it keeps.

    Raises
    ------
    LiveError
        It isn't a film, or one that can't be read.
    """
    with place.open("rb") as file:
        suffix = kind_of_film(head := file.read(MOST_HEAD_BYTES))
    if not head:
        raise LiveError("there was no film in it: press the button and film, or choose a film")
    if suffix is None:
        raise LiveError(f"that isn't a film: it must be {', '.join(KINDS[:-1])} or {KINDS[-1]}")
    try:
        facts = read_clip(place)
    except ClipError as error:
        raise LiveError(f"the film {error.problem}") from error
    if facts.frame_rate_hz is None:
        raise LiveError("the film holds no picture: film once more")
    stem = datetime.now().astimezone().strftime("%Y-%m-%d-%H%M%S")
    name = place.with_name(f"{stem}-{secrets.token_hex(2)}{suffix}")
    place.rename(name)
    return name


def _keep(request: Request, place: Path, form: dict[str, list[str]]) -> Response:
    page = page_of(request)
    hub = page.live
    if not isinstance(hub, LiveHub):
        raise LiveError("nothing can be recorded from this page: use 'unhurried record'")
    kept = _checked(place)
    try:
        text = hub.ask(Film(kept, field(form, "swing", most=40)))
    except Exception:
        # What belongs to no swing isn't kept: whoever sent it still has it.
        kept.unlink(missing_ok=True)
        raise
    page.cache.changed()
    if "text/html" not in request.headers.get("accept", "text/html"):
        return JSONResponse({"text": text})
    return page.back("/range#film", text)


async def _film(request: Request) -> Response:
    """Take a film of a swing in."""
    page = page_of(request)
    length = request.headers.get("content-length", "")
    coming_bytes = int(length) if length.isdecimal() and len(length) < 16 else 0
    with _busy.one():
        place = await run_in_threadpool(_place, film_folder(page), coming_bytes)
        try:
            form = await _take_in(request, place)
            return await run_in_threadpool(_keep, request, place, form)
        except (LiveError, FormError) as error:
            if "text/html" not in request.headers.get("accept", "text/html"):
                raise
            return page.back("/range#film", f"{fmt.line_of(error)}.", wrong=True)
        except ClientDisconnect:
            # Nobody is there to be told.
            return Response(status_code=400)
        finally:
            place.unlink(missing_ok=True)


def routes() -> list[Route]:
    """Return the address that takes films."""
    return [Route("/range/film", _film, methods=["POST"])]
