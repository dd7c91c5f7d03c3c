"""Who may use which address: each is in the table, and a guest gets no further than a guest's."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Iterator
from typing import Any

import httpx
import pytest
from page_screens import SCREENS, screen_path
from starlette.routing import Mount, Route

from review.page.app import create_app, page_routes
from review.page.roles import COACH, GUEST, ROLES, role_of
from review.page.security import COOKIE, Pass
from unhurried.app.page_tools import page_tools

HOST = "127.0.0.1:8737"
GUEST_AT = "192.0.2.7"

FOLDERS = ("/session/{session}/clips", "report.html")
CHANGES = ("edit", "remove", "reference", "plan", "swings", "segment", "words", "undo", "events")


def every_route() -> Iterator[tuple[str, str]]:
    """Method and path of each route of the app."""
    for route in page_routes():
        if isinstance(route, Mount):
            yield "GET", f"{route.path}/{{path:path}}"
        else:
            assert isinstance(route, Route)
            for method in (route.methods or set()) - {"HEAD"}:
                yield method, route.path


def test_every_route_has_a_role_and_every_role_a_route() -> None:
    walked = set(every_route())
    assert sorted(walked - set(ROLES)) == [], "give each route a role in review/page/roles.py"
    assert sorted(set(ROLES) - walked) == [], "these are in the table and nowhere else"


def test_what_the_table_does_not_have_is_the_coachs() -> None:
    assert role_of("GET", "/settings") == "coach"
    assert role_of("DELETE", "/range") == "coach"
    assert role_of("POST", "/") == "coach"
    assert role_of("HEAD", "/range") == "look"
    assert role_of("GET", "/session/x/swing/12") == "look"


def test_folders_files_and_what_counts_are_never_a_guests() -> None:
    for (method, path), role in ROLES.items():
        if any(path.endswith(end) for end in FOLDERS):
            assert role == "coach", path
        if method == "POST" and path.rpartition("/")[2] in CHANGES and "/range/" not in path:
            assert role == "coach", path
    assert COACH > GUEST == {"look", "tap"}


@pytest.mark.parametrize(("peer", "cookie"), [(GUEST_AT, True), ("127.0.0.1", False)])
def test_each_is_let_as_far_as_the_table_says(place: Any, peer: str, cookie: bool) -> None:
    visitors = Pass()
    app: Any = create_app(place.home, tools=page_tools(place.home), hosts={HOST}, visitors=visitors)
    known = visitors.enter(str(visitors.token))
    may = GUEST if peer == GUEST_AT else COACH

    async def ask() -> dict[tuple[str, str], int]:
        out = {}
        transport = httpx.ASGITransport(app=app, client=(peer, 1), raise_app_exceptions=False)
        async with httpx.AsyncClient(transport=transport, base_url=f"http://{HOST}") as http:
            for method, path in ROLES:
                # What isn't there is enough: who may ask is decided before.
                url = re.sub(r"\{[^}]*\}", "1", path)
                headers = {"origin": f"http://{HOST}"}
                if cookie:
                    headers["cookie"] = f"{COOKIE}={known}"
                if method == "POST":
                    answer = await http.post(url, data={"x": ""}, headers=headers)
                elif path.endswith("/live"):
                    continue
                else:
                    answer = await http.get(url, headers=headers)
                out[method, path] = answer.status_code
        return out

    for route, status in asyncio.run(ask()).items():
        assert (status == 403) == (ROLES[route] not in may), route


def test_the_page_knows_a_guest(place: Any) -> None:
    visitors = Pass()
    app: Any = create_app(place.home, tools=page_tools(place.home), hosts={HOST}, visitors=visitors)
    known = visitors.enter(str(visitors.token))

    async def body(peer: str) -> str:
        transport = httpx.ASGITransport(app=app, client=(peer, 1))
        async with httpx.AsyncClient(transport=transport, base_url=f"http://{HOST}") as http:
            answer = await http.get("/", headers={"cookie": f"{COOKIE}={known}"})
        found = re.search(r"<body class=\"([^\"]*)\"", answer.text)
        assert found is not None
        return found[1]

    assert "guest" in asyncio.run(body(GUEST_AT))
    assert "guest" not in asyncio.run(body("127.0.0.1"))


@pytest.mark.parametrize("screen", SCREENS)
def test_a_guest_is_offered_nothing_that_is_refused(site: Any, open_page: Any, screen: str) -> None:
    path = screen_path(site, screen)
    if role_of("GET", path) not in GUEST:
        return
    window = open_page(site.url + path)
    if window.locator("body:not(.wall) header").count() == 0:
        return
    shown = """() => [...document.querySelectorAll("main a, main button")]
      .filter((one) => one.checkVisibility()).map((one) => one.matches("a")
        ? `GET ${one.getAttribute("href").split(/[?#]/)[0]}`
        : one.form?.method === "post" && one.type === "submit"
          ? `POST ${one.getAttribute("formaction") ?? one.form.getAttribute("action")}` : "")"""
    for box in window.locator("main details").all():
        box.evaluate("one => { one.open = true; }")
    coach = window.evaluate(shown)
    window.evaluate("document.body.classList.add('guest')")
    guest = [one for one in window.evaluate(shown) if re.match(r"(GET|POST) /", one)]
    assert [one for one in guest if role_of(*one.split(" ", 1)) not in GUEST] == []
    assert len(coach) >= len(guest)
