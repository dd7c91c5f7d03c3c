"""The page as a whole: what every screen has at hand, and which screens there are.

Screens answer plain requests with whole documents, and take changes as plain forms that lead back
to the screen, so everything works without a script; scripts only make it quicker. Each change is
written to the recording's annotations or the player's file first and can be taken back.
"""

from __future__ import annotations

import contextlib
import dataclasses
import logging
import re
import secrets
import shlex
import threading
from collections import OrderedDict
from collections.abc import AsyncIterator, Callable, Hashable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from functools import partial
from importlib import import_module
from pathlib import Path
from typing import Any, Final, cast
from urllib.parse import urlencode

from markupsafe import Markup
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import BaseRoute, Mount
from starlette.staticfiles import StaticFiles

from analysis.errors import AnalysisError
from library.catalogue import LIBRARY_FILE, Library
from library.deletion import forget_due
from library.errors import ChoiceError, LibraryError, NoSuchError
from library.players import Player
from library.rows import SessionRow
from library.telling import keep
from library.told import ToldRecord
from review import formatting as fmt
from review.errors import ReviewError
from review.film import end_all
from review.page.cache import ResultCache
from review.page.evidence_cache import EvidenceCache, stand
from review.page.jobs import BusyError, Jobs
from review.page.security import (
    LOOPBACK,
    VISITOR,
    App,
    Guard,
    GuardParams,
    Pass,
    Receive,
    Scope,
    Send,
    TooLargeError,
    TooSlowError,
)
from review.page.services import Done, Say
from review.page.tools import Tools
from review.page.worker import MANY, Worker
from review.rendering import templates
from sensor.errors import SensorError

HERE: Final = Path(__file__).parent
SCREENS: Final = (
    *("players", "session", "swing", "pair", "trend", "range", "lesson", "homework", "wall"),
    *("clips", "reports", "help", "start", "work", "add", "settings", "calibration"),
)
"""Modules of this package with `routes()`, in the order in which paths are matched."""

WAIT_S: Final = 0.025
"""How long a screen waits for what can be shown later: with it, all else stays under 100 ms."""

MOST_SAID: Final = 200
"""Lines that wait to be shown after a change."""

MOST_KEPT: Final = 60_000
"""Characters of a refused form that are kept to be shown again; the boxes of a long list fit."""

_ID: Final = re.compile(r"[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}(-\d{1,6})?")
_IN_SESSION: Final = re.compile(r"/session/([^/]+)/")
_TOLD: Final = (LibraryError, ReviewError, SensorError, AnalysisError)

_log = logging.getLogger(__name__)


class _Files(StaticFiles):
    """The page's own files; the browser asks each time whether they are still the same."""

    def file_response(self, *args: Any, **kwargs: Any) -> Response:
        response = super().file_response(*args, **kwargs)
        response.headers.setdefault("cache-control", "no-cache")
        return response


class FormError(ReviewError):
    """What was typed cannot be taken; ``str(error)`` is shown, nothing was changed."""


@dataclass(frozen=True, slots=True)
class RefusedForm:
    """What was typed into a form that was refused, to be shown in it again.

    Attributes
    ----------
    form : str
        Name of the form; empty where there is nothing to show again.
    fields : mapping of str to list of str
    """

    form: str = ""
    fields: Mapping[str, list[str]] = dataclasses.field(default_factory=dict)

    def text(self, form: str, name: str, otherwise: object = "") -> str:
        """Return what was typed into a field of a form, else what it holds otherwise."""
        if form == self.form and self.fields.get(name):
            return self.fields[name][0]
        return "" if otherwise is None else str(otherwise)

    def picked(self, form: str, name: str, value: object, otherwise: bool = False) -> bool:
        """Tell whether a box was ticked, or an entry of a list chosen."""
        if form == self.form:
            return str(value) in self.fields.get(name, ())
        return otherwise

    def open(self, form: str) -> bool:
        """Tell whether a form is to be shown unfolded."""
        return form == self.form

    def open_any(self, beginning: str) -> bool:
        """Tell whether a form whose name begins so is to be shown unfolded."""
        return bool(self.form) and self.form.startswith(beginning)


class Page:
    """What every screen has at hand.

    Attributes
    ----------
    home : Path
    tools : Tools
    templates : jinja2.Environment
    cache : ResultCache
    worker : Worker
        Where heavy work is done.
    jobs : Jobs
        Work that people have asked for, and may look at while it is done.
    live : object or None
        The session that is going on, for the range screen.
    visitors : Pass or None
        The way in for others, where the page is shared.
    undo_of_player : dict
        By player: what was changed here, and the player's file before.
    made_by : dict
        By session: players whom a change made here brought about, to be taken back with it.
    """

    def __init__(self, home: Path, tools: Tools, live: Any, visitors: Pass | None) -> None:
        self.home = Path(home)
        self.tools = tools
        self.live = live
        self.visitors = visitors
        self.cache = ResultCache(
            (self.home / LIBRARY_FILE, self.home / f"{LIBRARY_FILE}-wal"), self._versions
        )
        self.templates = templates()
        self._library: Library | None = None
        self._guard = threading.Lock()
        self._said: OrderedDict[str, tuple[str, bool, RefusedForm]] = OrderedDict()
        self.evidence = EvidenceCache(self.cache, self.today)
        self._told: set[Hashable] = set()
        self.worker = Worker(self, tools.helper)
        self.jobs = Jobs()
        self.undo_of_player: dict[str, list[tuple[str, Player]]] = {}
        self.made_by: dict[str, set[str]] = {}

    @contextlib.contextmanager
    def library(self) -> Iterator[Library]:
        """Give the library; it is opened once, and each thread has its own connection to it."""
        with self._guard:
            if self._library is None:
                self._library = self.tools.open_library(self.home)
        yield self._library

    @contextlib.contextmanager
    def changing(self) -> Iterator[Library]:
        """Give the library for a change; what was worked out before is forgotten."""
        with self.library() as library:
            try:
                yield library
            finally:
                self.cache.changed()

    def keep_told(self, player: str, look: ToldRecord | None) -> None:
        """Keep what a screen tells of a player, once a session that was added."""
        if look is not None and (player, look.key) not in self._told:
            with self.library() as library:
                keep(library, player, look)
            self._told.add((player, look.key))

    def prepare(self) -> None:
        """Make ready what the first screens need, and begin with where the players stand."""
        for name in self.templates.list_templates():
            # A quarter second for all of them that no first look then waits for.
            self.templates.get_template(name)
        with contextlib.suppress(*_TOLD), self.changing() as library:
            for gone in forget_due(library, self.today().isoformat()):
                _log.info("a child's data is deleted: its day is over (%s)", gone.player.id)
        # The first curve would wait for the libraries of numbers.
        self.cache.start("plot", lambda: import_module("review.plot"))
        with contextlib.suppress(*_TOLD), self.library() as library:
            library.tune()
            if library.totals()["swings"] >= MANY:
                self.worker.start()
            for row in sorted(library.players(), key=lambda r: -(r.last_start_s or 0.0)):
                self.cache.start(
                    ("stand", row.id, self.today()),
                    partial(self.worker.do, stand, row.id),
                    player=row.id,
                )

    def close(self) -> None:
        """Let go of the library."""
        self.jobs.close()
        self.worker.close()
        end_all()
        self.cache.close()
        with self._guard:
            if self._library is not None:
                self._library.close()
                self._library = None

    def use_settings(self, values: Mapping[str, object]) -> None:
        """Go on with other values of settings."""
        self.tools = dataclasses.replace(self.tools, settings=values)
        self.cache.changed()

    @property
    def units(self) -> fmt.Units:
        """Units that speeds and distances are shown in."""
        return fmt.Units(imperial=self.tools.settings.get("units") == "imperial")

    def command(self, request: Request, text: str) -> str:
        """Return a command as it is to be typed at a terminal of this computer.

        With ``--home`` where the home isn't the usual one; who looks from elsewhere isn't told
        where this computer's folders are.
        """
        usual = self.tools.usual_home
        if usual is not None and self.home.absolute() == usual.absolute():
            return text
        home = self.here(request, self.home)
        return f"{text} --home {'HOME' if home is None else shlex.quote(home)}"

    def here(self, request: Request, folder: Path) -> str | None:
        """Return a folder's place for whoever sits at this computer, None for all others."""
        return str(folder.absolute()) if from_here(request) else None

    def _versions(self) -> dict[str, Hashable]:
        """Return by player what stays the same as long as nobody writes anything about them."""
        with self.library() as library:
            return library.player_versions()

    def today(self) -> date:
        """Return the day by this computer's clock."""
        return date.today()

    def render(
        self, request: Request, name: str, *, status: int = 200, **context: Any
    ) -> HTMLResponse:
        """Answer with a template; a line that waits to be shown is shown over it."""
        said = self._said.pop(request.query_params.get("said", ""), None)
        values = {
            "here": "",
            "said": said,
            "kept": RefusedForm() if said is None else said[2],
            "request": request,
            "page": self,
            "guest": self.visitors is not None and not from_here(request),
            "visitor": request.scope.get(VISITOR),
            **context,
        }
        # A name of a file may hold what is no text: it is shown with a mark in its place.
        shown = self.templates.get_template(name).render(values).encode("utf-8", "replace")
        return HTMLResponse(shown, status_code=status)

    def part(self, name: str, **context: Any) -> Markup:
        """Return a part of a screen, to be kept in the cache."""
        values = {"kept": RefusedForm(), "page": self, **context}
        return Markup(self.templates.get_template(name).render(values))

    def kept(self, request: Request) -> RefusedForm:
        """Return the refused form that a screen is to show again, before it is rendered."""
        said = self._said.get(request.query_params.get("said", ""))
        return RefusedForm() if said is None else said[2]

    def back(
        self,
        url: str,
        text: str,
        *,
        wrong: bool = False,
        form: tuple[str, Mapping[str, list[str]]] | None = None,
    ) -> RedirectResponse:
        """Lead back to a screen and show a line there: what was done, or what is wrong.

        Parameters as of `saying`.
        """
        return RedirectResponse(self.saying(url, text, wrong=wrong, form=form), status_code=303)

    def saying(
        self,
        url: str,
        text: str,
        *,
        wrong: bool = False,
        form: tuple[str, Mapping[str, list[str]]] | None = None,
    ) -> str:
        """Return the address of a screen that shows a line when it is next looked at.

        Parameters
        ----------
        url : str
            With the form's place as its fragment: the line stays in view wherever that is.
        text : str
        wrong : bool
        form : (str, mapping), optional
            Name and fields of a form that was refused: the screen shows them again, as `kept`.
        """
        key = secrets.token_urlsafe(6)
        kept = RefusedForm()
        if form is not None:
            size = sum(len(value) for values in form[1].values() for value in values)
            kept = RefusedForm(*form) if size <= MOST_KEPT else kept
        with self._guard:
            self._said[key] = (text, wrong, kept)
            while len(self._said) > MOST_SAID:
                self._said.popitem(last=False)
        path, mark, fragment = url.partition("#")
        joint = "&" if "?" in path else "?"
        return f"{path}{joint}{urlencode({'said': key})}{mark}{fragment}"

    def work(
        self, title: str, work: Callable[[Say], Done], back: Callable[[str], str] | None = None
    ) -> Response:
        """Have something done that takes its time, and lead to where that is seen.

        `back` is given what went wrong, and returns where to try once more.
        """

        def changing(say: Say) -> Done:
            try:
                return work(say)
            finally:
                self.cache.changed()

        try:
            job = self.jobs.start(title, changing, back)
        except BusyError as error:
            return self.back("/underway", fmt.line_of(error), wrong=True)
        return RedirectResponse(f"/underway/{job.id}", status_code=303)

    def session(self, library: Library, text: str) -> SessionRow:
        """Return a session by the id in a path.

        Raises
        ------
        NoSuchError
        """
        return library.session(checked_id(text))


def from_here(request: Request) -> bool:
    """Whether it was asked on this computer itself."""
    return request.client is not None and request.client.host in LOOPBACK


def page_of(request: Request) -> Page:
    """Return what every screen has at hand."""
    page: Page = request.app.state.page
    return page


def checked_id(text: str) -> str:
    """Return an id from a path if it looks like one: nothing else goes any further.

    Raises
    ------
    NoSuchError
    """
    if not _ID.fullmatch(text):
        raise NoSuchError("there is nothing under this address")
    return text


def page_routes() -> list[BaseRoute]:
    """Return every route of the page."""
    out: list[BaseRoute] = [Mount("/static", app=_Files(directory=HERE / "static"), name="static")]
    for name in SCREENS:
        out += import_module(f"review.page.{name}").routes()
    return out


def _wants_line(request: Request) -> bool:
    """Whether a script asked, which shows a line itself."""
    accepted = request.headers.get("accept", "*/*")
    return "text/html" not in accepted and "*/*" not in accepted


def _error_page(request: Request, status: int, text: str) -> Response:
    if _wants_line(request):
        from starlette.responses import PlainTextResponse

        shown = f"{text}\n".encode("utf-8", "replace")
        return PlainTextResponse(shown, status_code=status)
    return page_of(request).render(
        request,
        "error.html",
        status=status,
        text=text,
        back=_came_from(request),
        above=_session_above(request),
    )


def _session_above(request: Request) -> str | None:
    """Return the session that a path lies in, to lead back to; None if there is none."""
    found = _IN_SESSION.match(request.url.path)
    if found is None or not _ID.fullmatch(found[1]):
        return None
    with contextlib.suppress(*_TOLD), page_of(request).library() as library:
        return f"/session/{library.session(found[1]).id}"
    return None


def _came_from(request: Request) -> str | None:
    """Return the screen of this page that a request came from, to lead back to; None if none."""
    here = request.url
    start = f"{here.scheme}://{here.netloc}"
    found, is_ours, path = request.headers.get("referer", "").partition(start)
    path = path.partition("#")[0]
    asked = here.path + (f"?{here.query}" if here.query else "")
    # No link to where the browser is already, and none that another host could be made of.
    inside = path.startswith("/") and not path.startswith("//") and "\\" not in path
    return path if is_ours and not found and inside and path != asked else None


async def _told(request: Request, error: Exception) -> Response:
    """An error that says in one line what is wrong and what to do."""
    status = 400
    if isinstance(error, NoSuchError):
        status = 404
    elif isinstance(error, ChoiceError):
        status = 409
    return _error_page(request, status, fmt.line_of(error))


async def _http(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    text = {
        404: "there is nothing under this address",
        405: "this address takes no such request",
        413: "that is too large",
    }.get(error.status_code, error.detail)
    return _error_page(request, error.status_code, text)


async def _too_large(request: Request, _error: Exception) -> Response:
    return _error_page(request, 413, "that is too large")


async def _too_slow(request: Request, _error: Exception) -> Response:
    return _error_page(request, 408, "that took too long to come in: try once more")


async def _unforeseen(request: Request, error: Exception) -> Response:
    _log.error("internal error at %s", request.url.path, exc_info=error)
    return _error_page(
        request,
        500,
        f"internal error: {type(error).__name__} (please report it; the log in the home's folder "
        "'log' says more)",
    )


class PageApp:
    """The page as an ASGI application, behind its guard."""

    def __init__(self, page: Page, guard: Guard) -> None:
        self._page = page
        self._guard = guard

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        await self._guard(scope, receive, send)

    def share(self, visitors: Pass, hosts: set[str]) -> None:
        """Answer visitors as well from now on; before the door for them is opened."""
        self._page.visitors = visitors
        self._guard.share(visitors, hosts)


def create_app(
    home: Path,
    *,
    tools: Tools,
    hosts: set[str],
    visitors: Pass | None = None,
    live: Any = None,
    guard: GuardParams | None = None,
) -> PageApp:
    """Make the page.

    Parameters
    ----------
    home : Path
        Of the library.
    tools : Tools
    hosts : set of str
        ``host:port`` under which it is served.
    visitors : Pass, optional
        Where it is shared on the local network.
    live : object, optional
        The session that is going on.
    guard : GuardParams, optional
        Limits.

    Returns
    -------
    ASGI application
    """
    page = Page(home, tools, live, visitors)

    @contextlib.asynccontextmanager
    async def lifespan(_app: Starlette) -> AsyncIterator[None]:
        await run_in_threadpool(page.prepare)
        yield
        page.close()

    handlers: dict[Any, Any] = dict.fromkeys(_TOLD, _told)
    handlers[HTTPException] = _http
    handlers[TooLargeError] = _too_large
    handlers[TooSlowError] = _too_slow
    handlers[Exception] = _unforeseen
    app = Starlette(routes=page_routes(), exception_handlers=handlers, lifespan=lifespan)
    app.state.page = page
    params = guard or GuardParams()
    # Starlette's own types are a little narrower than what it takes.
    inner = cast(App, app)
    return PageApp(page, Guard(inner, hosts=hosts, visitors=visitors, params=params))
