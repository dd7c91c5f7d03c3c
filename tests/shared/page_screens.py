"""The page as tests see it: a library that is served, and which screens there are."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
from patience import PATIENCE_S

from library.catalogue import Library
from unhurried.app.ingest import open_library
from unhurried.app.serve import serving

SCREENS = (
    "players",
    "player",
    "session",
    "swing",
    "pair",
    "trend",
    "add",
    "settings",
    "delete",
    "error",
)


AXE_RUN = """async () => {
  const found = await axe.run(document, { resultTypes: ["violations"] });
  return found.violations.map((v) => ({
    id: v.id, impact: v.impact, help: v.help,
    where: v.nodes.slice(0, 3).map((n) => `${n.target} :: ${n.html.slice(0, 160)}`),
  }));
}"""
"""Judges a window by axe-core, once that is loaded."""


@dataclass(frozen=True)
class Place:
    """A home with a library, and where its recordings are."""

    home: Path
    recordings: Path

    def open(self) -> Library:
        """Open its library."""
        return open_library(self.home)


@dataclass(frozen=True)
class Site:
    """A page that is up."""

    place: Place
    url: str
    http: httpx.Client

    def post(self, path: str, **fields: Any) -> httpx.Response:
        """Send a form as the page itself would."""
        return self.http.post(path, data={"query": "", **fields}, headers={"origin": self.url})

    def sessions(self, player: str = "Solveig") -> list[str]:
        """Ids of a player's sessions, newest first."""
        with self.place.open() as library:
            return [s.id for s in library.sessions(player=library.player(player).id)]

    def player(self, name: str = "Solveig") -> str:
        """Id of a player."""
        with self.place.open() as library:
            return library.player(name).id


def open_site(place: Place) -> Iterator[Site]:
    """Serve a place for as long as the fixture lives."""
    with (
        serving(place.home, port=0) as up,
        httpx.Client(base_url=up.url, timeout=PATIENCE_S) as http,
    ):
        yield Site(place, up.url.rstrip("/"), http)


def screen_path(site: Any, screen: str) -> str:
    """Address of a screen on the small library."""
    who = site.player()
    session = site.sessions()[0]
    return {
        "players": "/",
        "player": f"/player/{who}",
        "session": f"/session/{session}",
        "swing": f"/session/{session}/swing/2",
        "pair": f"/pair?a={session}~1&b={session}~2&align=top",
        "trend": f"/player/{who}/trend",
        "add": "/add",
        "settings": "/settings",
        "delete": f"/player/{who}/delete",
        "error": "/session/not-there",
    }[screen]


def screen_url(site: Any, screen: str) -> str:
    """The same, whole."""
    return f"{site.url}{screen_path(site, screen)}"
