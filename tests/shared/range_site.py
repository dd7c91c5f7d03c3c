"""The range screen as tests see it: a page that is up with a hub, and what goes on there."""

from __future__ import annotations

import contextlib
import json
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
from patience import PATIENCE_S

from review.page.livehub import LiveHub, LiveState
from unhurried.app.pages import Sharing, live_hub
from unhurried.app.serve import Served, serving

__all__ = ["RangeSite", "kinds", "markers", "range_site", "wait"]


SEED = 4_100
"""Of a test's first simulated player, so that it meets the same swings each time."""


@dataclass(frozen=True)
class RangeSite:
    """A page that is up, with a hub."""

    home: Path
    hub: LiveHub
    up: Served
    http: httpx.Client

    @property
    def url(self) -> str:
        """Without a slash at the end."""
        return self.up.url.rstrip("/")

    def post(self, path: str, **fields: Any) -> httpx.Response:
        """Send a form as the page's script would."""
        headers = {"origin": self.url, "accept": "application/json"}
        return self.http.post(path, data={"x": "", **fields}, headers=headers)

    def start(self, **fields: Any) -> None:
        """Start a simulated recording and wait for its first sample."""
        answer = self.post("/range/start", sensor="simulated", mount="wrist", **fields)
        assert answer.status_code == 200, answer.text
        self.until(lambda s: s.phase == "going")

    def stop(self) -> LiveState:
        """Stop what runs and wait until it is kept."""
        assert self.post("/range/stop").json()["text"] == "Stopped."
        return self.until(lambda s: s.phase in ("kept", "failed"))

    def until(self, true: Callable[[LiveState], bool]) -> LiveState:
        """Wait for a state."""
        wait(lambda: true(self.hub.state))
        return self.hub.state

    @property
    def folder(self) -> Path:
        """The latest recording's."""
        return self.home / "recordings" / self.hub.state.folder


def wait(true: Callable[[], bool], *, seconds: float = PATIENCE_S) -> None:
    """Wait until something is true."""
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, "waited too long"
        time.sleep(0.01)


@contextlib.contextmanager
def range_site(
    home: Path, *, speed: float = 80.0, share: bool = False, port: int = 0
) -> Iterator[RangeSite]:
    """Serve a home's page with a hub whose simulated sensors run fast."""
    with (
        live_hub(home, speed=speed, output="silent", seed=SEED) as hub,
        serving(home, port=port, share=share, live=hub) as up,
        httpx.Client(base_url=up.url, timeout=PATIENCE_S) as http,
        contextlib.closing(hub),
    ):
        hub.sharing = Sharing(up)
        yield RangeSite(home, hub, up, http)


def markers(folder: Path) -> list[dict[str, Any]]:
    """Return a recording's markers."""
    text = (folder / "markers.jsonl").read_text(encoding="utf-8")
    return [json.loads(line) for line in text.split("\n") if line]


def kinds(folder: Path, kind: str) -> list[dict[str, Any]]:
    """Return a recording's markers of a kind."""
    return [one for one in markers(folder) if one["kind"] == kind]
