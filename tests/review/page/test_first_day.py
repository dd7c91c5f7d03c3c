"""From an empty home to a backup on another, in a browser alone; clicks and seconds are printed.

The seconds are for whoever reads them: no test rests on how fast this machine is.
"""

from __future__ import annotations

import csv
import dataclasses
import io
import re
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from patience import PATIENCE_S
from range_site import range_site

from library.bundle import make_bundle
from library.catalogue import Library
from sensor.recording.csvfile import write_csv_to
from sensor.recording.opening import open_recording
from unhurried.app import invented_people
from unhurried.app.serve import own_addresses

MONDAY = Path(__file__).resolve().parents[3] / "recordings" / "monday-wrist"
PATIENCE_MS = 1000 * PATIENCE_S
SECONDS = 60.0
"""Of the recording that stands in the table: two practice swings and two shots."""


class Walk:
    """A browser that counts what is clicked and typed."""

    def __init__(self, window: Any, url: str, name: str) -> None:
        self.window, self.url, self.name = window, url, name
        self.clicks = self.typed = 0
        self._from_s = time.monotonic()
        window.set_default_timeout(PATIENCE_MS)

    def press(self, what: str) -> None:
        self.clicks += 1
        self.window.locator(what).locator("visible=true").first.click()

    def pick(self, what: str, value: str) -> None:
        self.clicks += 1
        self.window.locator(what).locator("visible=true").first.select_option(value)

    def type(self, what: str, text: str) -> None:
        self.typed += 1
        self.window.locator(what).locator("visible=true").first.fill(text)

    def add(self, file: Path) -> None:
        self.press("nav >> text=Add a file")
        self.see("h1 >> text=Add a file")
        # Whoever is quicker than its script presses the button.
        self.window.wait_for_load_state()
        self.clicks += 1
        self.window.set_input_files("input[type=file]", str(file))

    def see(self, what: str) -> None:
        self.window.wait_for_selector(what)

    def take(self, what: str) -> Path:
        """Press what gives a file, and return it."""
        with self.window.expect_download() as coming:
            self.press(what)
        return Path(coming.value.path())

    def told(self, what: str) -> None:
        print(
            f"{self.name}: {what}: {self.clicks} clicks, {self.typed} typed, "
            f"{time.monotonic() - self._from_s:.1f} s so far"
        )


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """A table with odd columns, ball results in mph that don't say so, and a bundle."""
    folder = tmp_path_factory.mktemp("files")
    text = io.BytesIO()
    with open_recording(MONDAY) as recording:
        write_csv_to(text, recording, first_s=0.0, last_s=SECONDS)
    rows = list(csv.reader(io.StringIO(text.getvalue().decode())))[1:]
    table = folder / "phone export.csv"
    with table.open("w", newline="", encoding="utf-8") as file:
        write = csv.writer(file)
        write.writerow(["Nr", "Elapsed (ms)", "Acc X", "Acc Y", "Acc Z", "wx", "wy", "wz", "Temp"])
        for k, row in enumerate(rows):
            at, *values = map(float, row)
            acc = [f"{x / 9.80665:.6f}" for x in values[:3]]
            gyr = [f"{x:.4f}" for x in values[3:]]
            write.writerow([k, f"{1000.0 * at:.3f}", *acc, *gyr, "21.5"])
    balls = folder / "balls.csv"
    balls.write_text("Shot,Club Speed,Carry (yd)\n1,77,140\n2,78,143\n", encoding="utf-8")
    sent = folder / "from Tomas.zip"
    with Library(folder / "home") as library:
        from unhurried.app.ingest import analyze_one

        library.put(analyze_one(MONDAY, folder / "home"))
        (session,) = library.sessions()
        make_bundle(library, [(session.id, MONDAY)], sent, message="Is this full?")
    return {"table": table, "balls": balls, "bundle": sent}


@pytest.mark.parametrize("width", [1280, 390])
def test_a_first_day_in_a_browser_alone(
    width: int,
    tmp_path: Path,
    browser: Any,
    open_page: Callable[..., Any],
    files: dict[str, Path],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # One invented player is enough here; `test_demo_players.py` makes all of them.
    henrike = invented_people.PEOPLE[0]
    few = dataclasses.replace(henrike, visits=henrike.visits[:1])
    monkeypatch.setattr(invented_people, "PEOPLE", (few,))
    with range_site(tmp_path / "home") as site:
        window = open_page(f"{site.url}/", width=width)
        walk = Walk(window, site.url, f"{width} px")
        _invented(walk)
        session = _table(walk, files["table"])
        _balls(walk, files["balls"])
        _bundle(walk, files["bundle"])
        _model_swings(walk)
        _drill(walk, site, browser)
        _report(walk, session)
        _export_and_delete(walk)
        backup = _backup(walk)
        with Library(site.home) as library:
            before = _content(library)
    with range_site(tmp_path / "another") as other:
        walk.window.close()
        walk.window = open_page(f"{other.url}/", width=width)
        kept = tmp_path / "backup.zip"
        kept.write_bytes(backup)
        walk.add(kept)
        walk.press("text=Bring it back")
        walk.see(".person >> text=Ida")
        walk.told("a backup is back on another home")
        with Library(other.home) as library:
            assert _content(library) == before
            assert all(other.home in Path(s.path).parents for s in library.sessions())


def _content(library: Library) -> Any:
    """What is kept, wherever it lies."""
    people = sorted(
        (p.name, p.handedness, p.child, len(p.references)) for p in library.people.all()
    )
    sessions = sorted((s.id, s.start, s.swings, s.players) for s in library.sessions())
    results = sorted(
        (row["session"], row["number"], round(row["club_speed_m_s"] or 0.0, 6))
        for row in library.results(excluded=True).rows()
    )
    return people, sessions, results


def _invented(walk: Walk) -> None:
    """The demo: there by one press, and gone by one."""
    walk.see("text=Welcome")
    walk.press("text=Show me with invented players")
    walk.see("[data-answer] .headline")
    walk.told("the first answer of an invented player")
    end = time.monotonic() + PATIENCE_S
    while walk.window.locator("text=Remove them").count() == 0:
        assert time.monotonic() < end
        walk.window.wait_for_timeout(200)
        walk.window.goto(f"{walk.url}/")
    walk.press("text=Remove them")
    walk.see("text=Welcome")
    walk.told("the invented players are gone")


def _table(walk: Walk, file: Path) -> str:
    """A coach's first player, and a table with columns of somebody else's naming."""
    walk.press("summary >> text=I coach")
    walk.type("[name=name]", "Ida")
    walk.pick("[name=handedness]", "right")
    walk.press("text=Go on")
    walk.see("h1 >> text=Ida")
    walk.add(file)
    walk.see("text=Time (ms)")
    folded = walk.window.locator("summary", has_text="Columns and units").inner_text()
    # What the titles don't say, the numbers do.
    assert "Acceleration x (g)" in folded
    assert "Rotation z (°/s)" in folded
    assert walk.window.locator(".caution").count() == 0
    assert walk.window.locator("table").first.inner_text().count("21.5") == 5
    walk.type("[name=club]", "7 iron")
    walk.pick("[name=mount]", "wrist")
    walk.press("text=Add these swings")
    walk.window.wait_for_url(re.compile("/session/"))
    assert "2 shots, 2 practice swings" in walk.window.inner_text("main")
    walk.told("a table with odd columns is a session")
    return str(re.search(r"/session/([0-9a-f-]+)", walk.window.url)[1])  # type: ignore[index]


def _balls(walk: Walk, file: Path) -> None:
    """Ball results whose speeds are in mph and don't say so: first taken for m/s, then asked."""
    walk.add(file)
    walk.see("text=Which unit has “Club speed”?")
    walk.pick("[name=unit-club-speed]", "m/s")
    walk.press("text=Look which swing is which")
    walk.see("text=is it in another unit?")
    walk.press("text=Keep the results")
    walk.see("text=Nothing was kept")
    walk.pick("[name=unit-club-speed]", "mph")
    walk.press("text=Look again")
    walk.see("#results")
    assert walk.window.locator("text=is it in another unit?").count() == 0
    walk.press("text=Keep the results")
    walk.see("text=2 results kept.")
    walk.told("a ball file in mph is kept")


def _bundle(walk: Walk, file: Path) -> None:
    """What a player sent, with a word to the coach."""
    walk.add(file)
    walk.see("text=Is this full?")
    walk.press("text=See it")
    walk.window.wait_for_url(re.compile("/session/"))
    walk.told("what was sent is opened")


def _model_swings(walk: Walk) -> None:
    """Tomas' model swings are approved by the coach."""
    walk.press("nav >> text=Players")
    walk.press(".person >> text=Tomas")
    walk.press("main >> text=Over time")
    walk.press("summary >> text=Model swings")
    boxes = walk.window.locator("#approve [name=swing]")
    for k in range(boxes.count()):
        if k < 8 and not boxes.nth(k).is_checked():
            walk.clicks += 1
            boxes.nth(k).check()
    walk.type("#approve [name=approved_by]", "Ragna")
    walk.press("#approve button.main-action")
    walk.see("text=Approved")
    walk.told("model swings are approved")


def _drill(walk: Walk, site: Any, browser: Any) -> None:
    """Today's drill with a simulated sensor, and a phone as its screen."""
    phone = None
    walk.press("nav >> text=Range")
    if own_addresses():
        walk.press("summary >> text=Share with a phone")
        walk.press("text=A code for another phone")
        link = re.search(r"http://\S+/enter\?t=[\w-]+", walk.window.inner_text("main"))
        assert link is not None
        context = browser.new_context(viewport={"width": 390, "height": 844})
        phone = context.new_page()
        phone.goto(link[0])
        walk.press("text=Back to the range")
        assert "Phone 1 may look and tap" in walk.window.inner_text("#sharing")
    walk.press("nav >> text=Players")
    walk.press(".person >> text=Tomas")
    walk.press("text=Start today's drill")
    walk.pick("#drill [name=sensor]", "simulated")
    walk.clicks += 1
    walk.window.check("#drill [name=cautions]")
    walk.press("#drill .main-action")
    site.until(lambda s: len(s.swings) >= 2)
    if phone is not None:
        phone.wait_for_selector("text=/swing 2/i", timeout=PATIENCE_MS)
        phone.context.close()
    # Two are enough here.
    walk.press("#end summary")
    walk.press("#stop")
    site.until(lambda s: s.phase in ("kept", "failed"))
    assert site.hub.state.phase == "kept", site.hub.state.outcome
    walk.see("text=See the session")
    walk.told("today's drill is over")


def _report(walk: Walk, session: str) -> None:
    """The day's answer, and the page to send."""
    walk.press("nav >> text=Players")
    walk.press(".person:has-text('Ida') >> a[href^='/session/']")
    walk.window.wait_for_url(re.compile(session))
    walk.see("[data-answer] .headline")
    walk.press("main >> text=Report")
    page = walk.take("text=/take|save|download/i")
    assert "<html" in page.read_text(encoding="utf-8")
    walk.told("the report is taken along")


def _export_and_delete(walk: Walk) -> None:
    """A player with all that is theirs: taken along, and gone."""
    walk.press("nav >> text=Players")
    walk.press(".person >> text=Tomas")
    assert walk.take("main >> text=Export").stat().st_size > 10_000
    walk.press("main >> text=Delete")
    walk.press("button >> text=Delete")
    walk.see("text=Tick first")
    walk.clicks += 1
    walk.window.check("[name=sure]")
    walk.press("button >> text=Delete")
    walk.see("text=Tomas is deleted")
    assert walk.window.locator(".person >> text=Tomas").count() == 0
    walk.told("a player is exported and deleted")


def _backup(walk: Walk) -> bytes:
    walk.press("nav >> text=Settings")
    walk.press("text=Make a backup")
    walk.see("text=Take it along")
    data = walk.take("text=Take it along").read_bytes()
    walk.told("a backup is made")
    return data
