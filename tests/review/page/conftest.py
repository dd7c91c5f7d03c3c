"""A small library of real recordings, the page served from it, and a browser that looks at it."""

from __future__ import annotations

import dataclasses
import json
import shutil
import uuid
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

# Helper modules beside the tests, whatever pytest's import mode.
from chromium import MISSING, chromium
from npm_package import package_files
from page_screens import Place, Site, open_site
from patience import PATIENCE_S

from library.analyzed import Analyzed
from library.sources import fingerprint
from sensor.recording.annotations import change_annotations
from unhurried.app.ingest import analyze_one

ROOT = Path(__file__).resolve().parents[3]
DEMO = ROOT / "recordings"
AXE = ("axe-core", "4.10.3")

# Copies of one demo session on several days make a player with something to tell over time.
DAYS = ("2026-03-02", "2026-03-09", "2026-03-16", "2026-03-23")
PLAYERS = ("Solveig", "Tomas", "Ameyo")


def copy_session(source: Path, target: Path, number: int, day: str) -> Path:
    """Copy a recording as one of another day."""
    shutil.copytree(source, target)
    document = json.loads((target / "session.json").read_text(encoding="utf-8"))
    document["id"] = str(uuid.UUID(int=(number << 112) + 0x9A6E, version=4))
    document["start"] = day + document["start"][10:]
    (target / "session.json").write_text(json.dumps(document), encoding="utf-8")
    return target


@pytest.fixture(scope="session")
def measured(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[Analyzed]]:
    """Recordings and what was measured in them, once for all tests."""
    folder = tmp_path_factory.mktemp("recordings")
    home = tmp_path_factory.mktemp("home")
    paths = [
        copy_session(DEMO / "monday-wrist", folder / f"monday-{k}", k + 1, day)
        for k, day in enumerate(DAYS)
    ]
    paths.append(copy_session(DEMO / "tuesday-club", folder / "tuesday", 8, "2026-03-24"))
    paths.append(copy_session(DEMO / "thursday-glove", folder / "thursday", 9, "2026-03-26"))
    return folder, [analyze_one(path, home) for path in paths]


def make_place(folder: Path, measured: tuple[Path, list[Analyzed]]) -> Place:
    """Copy recordings and make a library of them."""
    source, found = measured
    recordings = folder / "recordings"
    shutil.copytree(source, recordings)
    place = Place(folder / "home", recordings)
    with place.open() as library:
        for one in found:
            path = recordings / Path(one.path).name
            library.put(dataclasses.replace(one, path=str(path), files=fingerprint(path)))
        for session in library.sessions(player=library.player("Solveig").id):
            # What was felt and what the ball did, of every other strike.
            table = library.swings(session=session.id, kind="strike", columns=("seq",))
            with change_annotations(session.path) as said:
                for k, seq in enumerate(table["seq"].tolist()):
                    said.set("swing", seq, "felt", value={"time": ("rushed", "in-time")[k % 2]})
                    said.set("swing", seq, "result", value={"carry_m": 120.0 + k})
                said.history.clear()
            library.refresh(session.id)
        library.remember([recordings])
    return place


@pytest.fixture(scope="session")
def place(tmp_path_factory: pytest.TempPathFactory, measured: tuple[Path, list[Analyzed]]) -> Place:
    """A library that nobody changes."""
    return make_place(tmp_path_factory.mktemp("page"), measured)


@pytest.fixture
def own_place(tmp_path: Path, measured: tuple[Path, list[Analyzed]]) -> Place:
    """A library to change."""
    return make_place(tmp_path, measured)


@pytest.fixture(scope="session")
def site(place: Place) -> Iterator[Site]:
    """The page of the library that nobody changes."""
    yield from open_site(place)


@pytest.fixture
def own_site(own_place: Place) -> Iterator[Site]:
    """The page of a library to change."""
    yield from open_site(own_place)


@pytest.fixture
def empty(tmp_path: Path) -> Iterator[Site]:
    """The page of an empty home."""
    yield from open_site(Place(tmp_path / "home", tmp_path))


# -- the browser -------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """A headless Chromium; a module at a time, since it takes the thread's event loop."""
    command = chromium()
    if command is None:
        pytest.skip(MISSING)
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        started = playwright.chromium.launch(
            executable_path=command,
            args=[
                "--no-sandbox",
                "--disable-gpu",
                "--disable-quic",
                "--no-first-run",
                "--disable-background-networking",
                "--disable-component-update",
                "--disable-sync",
            ],
        )
        yield started
        started.close()


@pytest.fixture
def open_page(browser: Any) -> Iterator[Callable[..., Any]]:
    """Open a window; whatever the browser complains of, or asks of others, fails the test."""
    complaints: list[str] = []
    windows: list[Any] = []

    def make(url: str, *, width: int = 1200, dark: bool = False, ready: bool = True) -> Any:
        window = browser.new_page(
            viewport={"width": width, "height": 900}, color_scheme="dark" if dark else "light"
        )
        windows.append(window)
        host = url.split("/")[2]
        window.on(
            "console",
            lambda m: (
                complaints.append(m.text)
                if m.type == "error" and "status of 404" not in m.text
                else None
            ),
        )
        window.on("pageerror", lambda error: complaints.append(str(error)))
        window.on("dialog", lambda dialog: (complaints.append(dialog.message), dialog.dismiss()))
        window.on(
            "request",
            lambda request: (
                None
                if request.url.split("/")[2] == host or request.url.startswith("data:")
                else complaints.append(f"asked elsewhere: {request.url}")
            ),
        )
        window.goto(url)
        if ready:
            wait_ready(window)
        return window

    yield make
    for window in windows:
        window.close()
    assert complaints == []


def wait_ready(window: Any) -> None:
    """Wait until every part of a screen is there."""
    # Not by a function: the page's policy forbids what is needed to look again and again.
    window.wait_for_selector("[data-later]", state="detached", timeout=1000 * PATIENCE_S)


@pytest.fixture(scope="session")
def axe() -> str:
    """Source of axe-core (MPL 2.0), an outside judge of accessibility; fetched once."""
    name, version = AXE
    kept = package_files(name, version, "axe.min.js") / "axe.min.js"
    return kept.read_text(encoding="utf-8")
