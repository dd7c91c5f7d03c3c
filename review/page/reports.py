"""Reports: what would be sent, looked at first, and saved as one file."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from urllib.parse import quote, urlencode

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from library.catalogue import Library
from library.errors import NoSuchError
from library.evidence import Evidence, evidence_in
from library.telling import look_of
from library.told import ToldRecord
from review.page.answers import step_of
from review.page.app import Page, checked_id, page_of
from review.report import Section, report_html, section_of, shared_values


def routes() -> list[BaseRoute]:
    """Return the paths of these screens."""
    return [
        Route("/player/{player}/report", _player),
        Route("/player/{player}/report.html", _player_file),
        Route("/session/{session}/report", _session),
        Route("/session/{session}/report.html", _session_file),
    ]


def _asked(request: Request, name: str) -> str | None:
    """A word of the query; an empty one asks for any."""
    text = request.query_params.get(name, "")
    return text[:200] or None


def _of_player(request: Request, page: Page, library: Library) -> list[tuple[Evidence, str]]:
    who = checked_id(request.path_params["player"])
    club, mount = _asked(request, "club"), _asked(request, "mount")
    if club is None and mount is None:
        evidence = page.evidence.main(library, who)
    else:
        fitting = [
            group
            for group in page.evidence.settings(library, who)
            if club in (None, group.club) and mount in (None, group.mount)
        ]
        if not fitting:
            raise NoSuchError("there are no full swings of this player with this club and mount")
        evidence = page.evidence.setting(library, who, fitting[0].club, fitting[0].mount)
    if not evidence.sessions:
        raise NoSuchError("this player has no full swings that count")
    return [(evidence, evidence.sessions[-1])]


def _of_session(request: Request, page: Page, library: Library) -> list[tuple[Evidence, str]]:
    session = page.session(library, request.path_params["session"])
    who = _asked(request, "player")
    found = evidence_in(
        library,
        session.id,
        player=None if who is None else checked_id(who),
        club=_asked(request, "club"),
        mount=_asked(request, "mount"),
    )
    return [(evidence, session.id) for evidence in found]


def _sections(page: Page, chosen: Sequence[tuple[Evidence, str]]) -> list[Section]:
    units = str(page.tools.settings.get("units", "metric"))
    today = page.today().toordinal()

    def made(evidence: Evidence, session: str) -> Section:
        who = evidence.player.id
        asked = (who, evidence.club, evidence.mount, session, units, today)
        found: tuple[Section, ToldRecord | None] = page.cache.get(
            ("report", *asked), partial(page.worker.do, make_section, *asked), player=who
        )
        page.keep_told(who, found[1])
        return found[0]

    return [made(evidence, session) for evidence, session in chosen]


def make_section(
    page: Page,
    player: str,
    club: str | None,
    mount: str | None,
    session: str,
    units: str,
    today: int,
) -> tuple[Section, ToldRecord | None]:
    """Return what a report says of a session with a setting, and what is told by it. A job."""
    with page.library() as library:
        evidence = page.evidence.setting(library, player, club, mount)
        section = section_of(evidence, session, trace_of=page.tools.trace, today=today, units=units)
        return section, look_of(evidence) if section.current else None


def _shown(
    request: Request, page: Page, chosen: Sequence[tuple[Evidence, str]], back: str
) -> Response:
    steps = []
    sections = _sections(page, chosen)
    for section, (evidence, _) in zip(sections, chosen, strict=True):
        who = (evidence.player.id, evidence.club, evidence.mount)
        # The note stands below, under what comes next.
        steps.append(replace(step_of(section.step, section.standing, *who), note=""))
    query = {k: v for k, v in request.query_params.items() if k in ("player", "club", "mount")}
    file = f"{request.url.path}.html" + (f"?{urlencode(query)}" if query else "")
    return page.render(
        request,
        "report_page.html",
        here="players",
        sections=sections,
        steps=steps,
        **shared_values(),
        file=file,
        back=back,
    )


def _saved(page: Page, sections: Sequence[Section]) -> Response:
    from sensor.recording.session import program_version

    text = report_html(sections, made_on=page.today(), version=program_version())
    name = f"{sections[0].player} {sections[0].start[:10]}.html"
    # Plain letters for old browsers, the whole name for others (RFC 6266, RFC 8187).
    plain = re.sub(r"[^A-Za-z0-9. -]", "_", name)
    return Response(
        text,
        media_type="text/html; charset=utf-8",
        headers={
            "content-disposition": f'attachment; filename="{plain}"; '
            f"filename*=UTF-8''{quote(name, safe='')}"
        },
    )


def _player(request: Request) -> Response:
    """Show a player's report."""
    page = page_of(request)
    with page.library() as library:
        chosen = _of_player(request, page, library)
        return _shown(request, page, chosen, f"/player/{request.path_params['player']}")


def _player_file(request: Request) -> Response:
    page = page_of(request)
    with page.library() as library:
        return _saved(page, _sections(page, _of_player(request, page, library)))


def _session(request: Request) -> Response:
    """Show a session's report."""
    page = page_of(request)
    with page.library() as library:
        chosen = _of_session(request, page, library)
        return _shown(request, page, chosen, f"/session/{request.path_params['session']}")


def _session_file(request: Request) -> Response:
    page = page_of(request)
    with page.library() as library:
        return _saved(page, _sections(page, _of_session(request, page, library)))
