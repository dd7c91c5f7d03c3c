"""The coach's page: how long the server takes for each screen, and how large a screen is.

Times are those of a client on this computer, through the real server: a screen asked for the first
time after the page was started or something was changed (nothing is worked out yet), and again.
"""

from __future__ import annotations

import contextlib
import json
import re
import shutil
import tempfile
import time
import uuid
from collections.abc import Iterator, Sequence
from html import unescape
from pathlib import Path
from typing import Any

import httpx
import numpy as np

from benchmarks.library import clone, fill
from benchmarks.report import table
from library.catalogue import Library
from unhurried.app.ingest import analyze_one
from unhurried.app.serve import serving

__all__ = ["run", "sizes", "tables"]

ROOT = Path(__file__).resolve().parents[1]
DEMO = ROOT / "recordings" / "monday-wrist"
SCREENS = ("players", "player", "session", "swing", "two swings", "over time")
LOOK_S = 0.3
TARGETS = {"screen_ms": 100.0, "million_ms": 300.0, "page_kb": 300.0, "paint_ms": 1000.0}


def _add_real(library: Library, folder: Path, copies: int) -> list[str]:
    """Put recordings with curves in as well: swing and pair are drawn from them."""
    out = []
    for k in range(copies):
        target = folder / f"real-{k}"
        shutil.copytree(DEMO, target)
        document = json.loads((target / "session.json").read_text(encoding="utf-8"))
        document["id"] = str(uuid.UUID(int=(k << 100) + 0xBE7C4, version=4))
        document["start"] = f"2026-{k + 1:02d}-10{document['start'][10:]}"
        (target / "session.json").write_text(json.dumps(document), encoding="utf-8")
        library.put(analyze_one(target, library.home))
        out.append(document["id"])
    return out


def _ms(http: httpx.Client, path: str) -> tuple[float, int]:
    start = time.perf_counter()
    answer = http.get(path)
    took = 1e3 * (time.perf_counter() - start)
    if answer.status_code != 200:
        raise RuntimeError(f"{path}: {answer.status_code}")
    return took, len(answer.content)


@contextlib.contextmanager
def _served(home: Path) -> Iterator[httpx.Client]:
    with serving(home, port=0) as up, httpx.Client(base_url=up.url, timeout=600.0) as http:
        yield http


def _p95(values: Sequence[float]) -> float:
    return float(np.percentile(values, 95))


def _screens(library: Library, real: Sequence[str], each: int) -> dict[str, list[str]]:
    """Addresses of each screen: other players, sessions and swings each time."""
    people = [p for p in library.players() if p.name.startswith("Player")]
    sessions = library.sessions(limit=each * 4)
    made = [s for s in sessions if s.id not in real][:: max(1, len(sessions) // each)][:each]
    groups = {p.id: library.groups(p.id) for p in people}
    trends = [
        f"/player/{p.id}/trend?club={g.club.replace(' ', '+')}&mount={g.mount}"
        for p in people
        for g in groups[p.id]
        if g.club and not g.part
    ]
    numbers = {s: library.session(s).swings for s in real}
    return {
        "players": ["/"] * each,
        "player": [f"/player/{p.id}" for p in people] * (each // len(people) + 1),
        "session": [f"/session/{s.id}" for s in made],
        "swing": [
            f"/session/{real[k % len(real)]}/swing/{1 + (7 * k) % numbers[real[0]]}"
            for k in range(each)
        ],
        "two swings": [
            f"/pair?a={real[k % len(real)]}~{1 + k % 9}&b={real[(k + 1) % len(real)]}~{2 + k % 9}"
            for k in range(each)
        ],
        "over time": trends * (each // len(trends) + 1),
    }


def _ask(sessions: int, swings: int, times: int, each: int, which: Sequence[str]) -> dict[str, Any]:
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as place:
        folder = Path(place)
        home = folder / "home"
        with Library(home) as library:
            fill(library, sessions, swings)
            if times > 1:
                clone(library, times)
            real = _add_real(library, folder, 4)
            asked = {
                name: paths[:each]
                for name, paths in _screens(library, real, each).items()
                if name in which
            }
            total = int(library.totals()["swings"])
        out: dict[str, Any] = {"swings": total, "screens": {}, "mixed_ms": None}
        with _served(home) as http:
            for name, paths in asked.items():
                # The first round meets everything as it is after a start or a change.
                first = []
                for path in dict.fromkeys(paths):
                    first.append(_ms(http, path))
                    # Nobody looks at a screen for less; what isn't ready is worked out meanwhile.
                    time.sleep(LOOK_S)
                again = [_ms(http, path) for path in paths]
                out["screens"][name] = {
                    "first_ms": _p95([t for t, _ in first]),
                    "again_ms": _p95([t for t, _ in again]),
                    "kb": max(size for _, size in [*first, *again]) / 1e3,
                }
            if times == 1:
                out["later_ms"] = _later(http, asked)
                out["edit_ms"] = _edits(http, real[0], each)
        return out


def _whole(http: httpx.Client, path: str) -> int:
    """Count the bytes of a screen with all that it fetches later."""
    html = http.get(path).raise_for_status()
    later = re.findall(r'data-later="([^"]+)"', html.text)
    return len(html.content) + sum(_whole(http, unescape(part)) for part in later)


def sizes() -> dict[str, float]:
    """Return how large each whole screen is, in kB, with a session of a hundred swings."""
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as place:
        home = Path(place) / "home"
        with Library(home) as library:
            fill(library, 24, 100)
            real = _add_real(library, Path(place), 2)
            asked = _screens(library, real, 2)
        with _served(home) as http:
            return {
                name: max(_whole(http, path) for path in set(paths)) / 1e3
                for name, paths in asked.items()
            }


def _later(http: httpx.Client, asked: dict[str, list[str]]) -> dict[str, float]:
    """How long what comes later takes, with nothing worked out but the rows."""
    session = asked["session"][0]
    trend = asked["over time"][0].replace("/trend?", "/trend/told?")
    return {
        "story of a session": _ms(http, f"{session}/story")[0],
        "changes, reference and plan": _ms(http, trend)[0],
    }


def _edits(http: httpx.Client, session: str, each: int) -> dict[str, float]:
    """A change, and the screen that it leads to."""
    origin = {"origin": str(http.base_url).rstrip("/")}
    wrote, shown = [], []
    for k in range(max(5, each // 4)):
        start = time.perf_counter()
        answer = http.post(f"/session/{session}/words", data={"note": f"note {k}"}, headers=origin)
        wrote.append(1e3 * (time.perf_counter() - start))
        if answer.status_code != 303:
            raise RuntimeError(f"not kept: {answer.status_code}")
        shown.append(_ms(http, answer.headers["location"])[0])
    return {"kept": _p95(wrote), "shown": _p95(shown)}


def _paint() -> float | None:
    """Time to the first paint of a session in Chromium, in ms; None without Chromium."""
    from tests.shared.chromium import chromium

    command = chromium()
    if command is None:
        return None
    from playwright.sync_api import sync_playwright

    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        with Library(folder / "home") as library:
            session = _add_real(library, folder, 1)[0]
        with serving(folder / "home", port=0) as up, sync_playwright() as playwright:
            browser = playwright.chromium.launch(
                executable_path=command, args=["--no-sandbox", "--disable-gpu"]
            )
            times = []
            for path in ("", f"session/{session}", f"session/{session}/swing/2") * 3:
                page = browser.new_page()
                page.goto(f"{up.url}{path}")
                script = (
                    "new Promise((done) => new PerformanceObserver((list) => "
                    "done(list.getEntries().at(-1).startTime))"
                    ".observe({ type: 'paint', buffered: true }))"
                )
                times.append(float(page.evaluate(script)))
                page.close()
            browser.close()
    return _p95(times)


def run(*, quick: bool, shift: int = 0) -> dict[str, Any]:
    """Measure. `shift` changes nothing: times don't hang on the seed."""
    del shift
    return {
        "small": _ask(80 if quick else 400, 100, 1, 12 if quick else 40, SCREENS),
        "large": _ask(
            80 if quick else 400, 100, 4 if quick else 25, 16, ("players", "player", "over time")
        ),
        "paint_ms": _paint(),
    }


def tables(results: dict[str, Any]) -> str:
    """Make the tables of the report."""
    small, large = results["small"], results["large"]
    rows = []
    for name, one in small["screens"].items():
        million = large["screens"].get(name)
        rows.append(
            [
                name,
                f"{one['first_ms']:.0f} ms",
                f"{one['again_ms']:.0f} ms",
                f"{one['kb']:.0f} kB",
                "" if million is None else f"{million['first_ms']:.0f} ms",
                "" if million is None else f"{million['again_ms']:.0f} ms",
            ]
        )
    first = table(
        [
            "screen, server time (95th percentile)",
            f"{small['swings']:,} swings, first",
            "again",
            "size",
            f"{large['swings']:,} swings, first",
            "again",
        ],
        rows,
    )
    worst = max(max(o["first_ms"], o["again_ms"]) for o in small["screens"].values())
    most = max(max(o["first_ms"], o["again_ms"]) for o in large["screens"].values())
    size = max(o["kb"] for o in small["screens"].values())
    paint = results["paint_ms"]
    second = table(
        ["", "target", "measured"],
        [
            [
                f"any screen at {small['swings']:,} swings",
                f"{TARGETS['screen_ms']:.0f} ms",
                f"{worst:.0f} ms",
            ],
            [
                f"players and trends at {large['swings']:,} swings",
                f"{TARGETS['million_ms']:.0f} ms",
                f"{most:.0f} ms",
            ],
            ["largest screen", f"{TARGETS['page_kb']:.0f} kB", f"{size:.0f} kB"],
            [
                "first paint in Chromium",
                f"{TARGETS['paint_ms']:.0f} ms",
                "not measured: no Chromium" if paint is None else f"{paint:.0f} ms",
            ],
            *(
                [f"comes later: {name}", "", f"{ms:.0f} ms"]
                for name, ms in small["later_ms"].items()
            ),
            ["a change kept", "", f"{small['edit_ms']['kept']:.0f} ms"],
            ["the screen after it", "", f"{small['edit_ms']['shown']:.0f} ms"],
        ],
    )
    return "\n\n".join(
        [
            "## The page",
            first,
            second,
            "First: nothing had been worked out since the page was started or something changed; "
            "what isn't ready in 25 ms comes a moment later, by itself, in its place.",
        ]
    )
