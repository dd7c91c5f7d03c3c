"""The range screen in a phone-sized browser: touched, typed at, cut off, opened again."""

from __future__ import annotations

import dataclasses
import re
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import html5lib
import pytest
from patience import PATIENCE_S
from range_site import RangeSite, kinds, range_site, wait

from review.page.evidence_cache import Failed
from review.page.livehub import DrillState
from review.page.range import MEASURES
from review.page.range_taps import result_fields
from review.page.worker import Worker
from sensor.errors import SensorError
from sensor.recording.opening import open_recording
from unhurried.app.adding_balls import WORDS
from unhurried.app.ingest import open_library
from unhurried.app.measuring import analyze
from unhurried.app.page_view import own_figures
from unhurried.app.serve import serving

PHONE = {
    "viewport": {"width": 390, "height": 844},
    "has_touch": True,
    "is_mobile": True,
    "device_scale_factor": 2,
}
SPEED = 25.0
REACH_PX = 44
"""Least size of what is touched: WCAG 2.2, 2.5.5 (enhanced); 2.5.8 asks for 24."""

RUN = """async () => {
  const found = await axe.run(document, { resultTypes: ["violations"] });
  return found.violations.map((v) => ({
    id: v.id, impact: v.impact, help: v.help,
    where: v.nodes.slice(0, 3).map((n) => `${n.target} :: ${n.html.slice(0, 160)}`),
  }));
}"""


@pytest.fixture
def site(tmp_path: Path) -> Iterator[RangeSite]:
    with open_library(tmp_path / "home") as library:
        library.save_player(library.people.add("Ida"))
    with range_site(tmp_path / "home", speed=SPEED) as up:
        yield up


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RangeSite]:
    """A page on which a recording has ended; what is tapped there stays for the next test."""
    with range_site(tmp_path_factory.mktemp("kept") / "home") as site:
        site.start()
        site.until(lambda s: s.count >= 1)
        site.stop()
        yield site


@pytest.fixture
def phone(browser: Any) -> Iterator[Callable[..., Any]]:
    """Open the range on a phone of its own; whatever the browser complains of fails the test."""
    complaints: list[str] = []
    contexts: list[Any] = []

    def make(url: str, **options: Any) -> Any:
        context = browser.new_context(**{**PHONE, **options})
        contexts.append(context)
        window = context.new_page()
        window.on(
            "console",
            lambda m: complaints.append(m.text) if "Content Security Policy" in m.text else None,
        )
        window.on("pageerror", lambda error: complaints.append(str(error)))
        window.on("dialog", lambda dialog: (complaints.append(dialog.message), dialog.dismiss()))
        window.goto(url)
        return window

    yield make
    for context in contexts:
        context.close()
    assert complaints == []


def shown(window: Any) -> str:
    """The swing that is shown large, in words."""
    return str(window.inner_text("[data-part=last]"))


def test_a_session_on_a_phone_from_start_to_report(
    site: RangeSite, phone: Callable[..., Any]
) -> None:
    window = phone(f"{site.url}/range")
    assert "Nothing is being recorded" in window.inner_text("main")
    window.select_option("#start [name=sensor]", "simulated")
    window.select_option("#start [name=mount]", "wrist")
    window.select_option("#start [name=player]", label="Ida")
    window.fill("#start [name=club]", "driver")
    window.tap("#start .main-action")
    window.wait_for_selector(".far")
    assert "Ida · driver · lead wrist" in window.inner_text("[data-part=status]")
    assert "simulated" in window.inner_text("[data-part=status]")
    # All that is read from afar is on the first screen, and nothing is wider than the phone.
    # (Measured in one go: the screen is drawn anew while it is looked at.)
    lower_edges_px = window.evaluate(
        "[...document.querySelectorAll('.far dd:not(.word)')]"
        ".map((number) => number.getBoundingClientRect().bottom)"
    )
    assert lower_edges_px
    assert max(lower_edges_px) <= 844
    assert window.evaluate("document.documentElement.scrollWidth") <= 390
    # The digits are large enough for three metres: 10' of arc there are 8.7 mm (twice the smallest
    # that normal eyes read, ISO 8596), and a phone has about 6.3 px to a mm.
    size = window.evaluate(
        "parseFloat(getComputedStyle(document.querySelector('.far dd')).fontSize)"
    )
    assert 0.7 * size / 6.3 > 8.7
    window.tap("#tap-felt-time-rushed")
    window.wait_for_selector("#said:has-text('felt rushed')")
    window.tap("#end summary")
    window.tap("#stop")
    window.wait_for_selector("#start")
    window.tap("text=See the session")
    window.wait_for_url("**/session/*")
    window.goto(f"{site.url}/range")
    window.tap("text=Report")
    window.wait_for_url("**/session/*/report")
    assert "Ida" in window.inner_text("body")
    # What the phone showed is what was recorded.
    with open_recording(site.folder) as recording:
        swings = analyze(recording).swings
    assert len(swings) == site.hub.state.count >= 1
    assert kinds(site.folder, "tap")[0]["said"] == {"felt": {"time": "rushed"}}


def test_a_swing_appears_by_itself_and_its_numbers_agree(
    site: RangeSite, phone: Callable[..., Any]
) -> None:
    site.start()
    window = phone(f"{site.url}/range")
    site.until(lambda s: s.count >= 2)
    last = site.stop().swings[-1]
    window.wait_for_selector("text=See the session")
    text = shown(window)
    kind = {"strike": "shot", "rehearsal": "practice swing"}.get(last.kind, last.kind)
    assert f"Swing {last.number}: {kind}" in text
    for measure in ("turn_deg", "peak_rate_dps"):
        assert last.digits[measure] in text
    assert f"{int(last.digits['backswing_ms']) / 1e3:.2f}" in text
    down = f"Downswing {int(last.digits['downswing_ms']) / 1e3:.2f} s"
    assert down in window.inner_text("[data-part=taps]")
    assert "Forearm turn" in text
    # And once more from the list, one that isn't the last.
    window.goto(f"{site.url}/range?swing={site.hub.state.swings[0].key}")
    assert "not the last one" in shown(window)
    assert site.hub.state.swings[0].digits["peak_rate_dps"] in shown(window)


def test_the_line_may_break_and_all_is_there_again(
    tmp_path: Path, phone: Callable[..., Any]
) -> None:
    with range_site(tmp_path / "home", speed=SPEED) as site:
        site.start()
        with serving(site.home, port=0, live=site.hub) as first:
            port = first.port
            window = phone(f"http://127.0.0.1:{port}/range")
            window.wait_for_selector("#line[data-up='1']")
            window.wait_for_selector(".far")
        # The server of the page is gone; the recording isn't.
        window.wait_for_selector("#line[data-up='0']")
        assert "What is being recorded there goes on" in window.inner_text("#line")
        count = site.hub.state.count
        site.until(lambda s: s.count > count)
        with serving(site.home, port=port, live=site.hub):
            window.wait_for_selector("#line[data-up='1']", timeout=1000 * PATIENCE_S)
            wait(lambda: int(re.findall(r"Swing (\d+)", shown(window))[0]) > count)
            site.post("/range/felt", question="time", word="slow")
            pressed = "#tap-felt-time-slow"
            # A screen that is loaded again stands where it was.
            window.reload()
            assert window.get_attribute("#range", "data-phase") == "going"
            assert window.locator(pressed).count() == 1
            site.stop()
            window.wait_for_selector("text=See the session")


def test_taps_without_a_line_are_kept_and_sent_once(
    kept: RangeSite, phone: Callable[..., Any]
) -> None:
    site = kept
    window = phone(f"{site.url}/range")
    window.wait_for_selector("#line[data-up='1']")
    window.context.set_offline(True)
    window.tap("#tap-felt-turn-full")
    window.wait_for_selector("#said.caution")
    assert "kept here" in window.inner_text("#said")
    assert "turn" not in site.hub.state.swings[-1].said
    window.context.set_offline(False)
    wait(lambda: pump(window) and site.hub.state.swings[-1].said.get("turn") == "full")
    window.wait_for_selector("#tap-felt-turn-full[aria-pressed=true]")
    assert "✓" in window.inner_text("#tap-felt-turn-full")
    # Sent once: the same tap once more would have taken the word back.
    time.sleep(0.2)
    assert site.hub.state.swings[-1].said["turn"] == "full"


def pump(window: Any) -> bool:
    """Let the browser's events be handled while a test waits."""
    window.wait_for_timeout(20)
    return True


def test_by_keyboard_alone(kept: RangeSite, phone: Callable[..., Any]) -> None:
    site = kept
    window = phone(f"{site.url}/range", has_touch=False, is_mobile=False)
    window.wait_for_selector("#line[data-up='1']")
    for _ in range(40):
        window.keyboard.press("Tab")
        if window.evaluate("document.activeElement.id") == "tap-felt-time-slow":
            break
    window.keyboard.press("Enter")
    window.wait_for_selector("#tap-felt-time-slow[aria-pressed=true]")
    # The screen was drawn anew, and the keyboard is where it was.
    assert window.evaluate("document.activeElement.id") == "tap-felt-time-slow"
    outline = window.evaluate("getComputedStyle(document.activeElement).outlineStyle")
    assert outline == "solid"
    window.click("#result summary")
    window.keyboard.press("Tab")
    window.keyboard.type("172")
    window.keyboard.press("Enter")
    window.wait_for_selector("text=Carry 172.0 m")
    assert site.hub.state.swings[-1].result == {"carry_m": 172.0}


def test_a_drill_shows_its_cautions_first(tmp_path: Path, phone: Callable[..., Any]) -> None:
    # Slowly enough for a hand to answer before the next swing.
    with range_site(tmp_path / "home", speed=12.0) as site:
        _drill(site, phone)


def _drill(site: RangeSite, phone: Callable[..., Any]) -> None:
    window = phone(f"{site.url}/range")
    window.tap("#to-drill")
    window.wait_for_selector("#cautions")
    for word in ("Warm up", "pain", "past comfort", "Clear space", "clinician", "children"):
        assert word in window.inner_text("#cautions")
    assert window.evaluate(
        "!!(document.querySelector('#cautions').compareDocumentPosition("
        "document.querySelector('#drill')) & Node.DOCUMENT_POSITION_FOLLOWING)"
    )
    window.select_option("#drill [name=sensor]", "simulated")
    window.select_option("#drill [name=mount]", "wrist")
    # Nothing set, it has the usual sets; here one swing is enough.
    assert window.input_value("#drill [name=block]") == "usual"
    assert window.input_value("#drill [name=schedule]") == "bell"
    assert window.input_value("#drill [name=felt]") == "third"
    window.select_option("#drill [name=block]", "rehearsal")
    window.select_option("#drill [name=felt]", "ask")
    window.fill("#drill [name=repeats]", "1")
    window.fill("#drill [name=rest_s]", "1")
    window.fill("#drill [name=backswing_ms]", "900")
    window.fill("#drill [name=full_turn_deg]", "120")
    window.tap("#drill .main-action")
    window.wait_for_timeout(200)
    # Not without the tick: the browser points at it, and the server would refuse.
    assert window.url.endswith("/range/drill")
    assert site.hub.state.phase == "idle"
    window.check("#drill [name=cautions]")
    window.tap("#drill .main-action")
    window.wait_for_selector(".asked")
    window.tap("#tap-felt-time-in-time")
    window.wait_for_selector("text=See the session", timeout=1000 * PATIENCE_S)
    window.goto(f"{site.url}/range?swing={site.hub.state.swings[0].key}")
    assert "aim 0.90 s" in shown(window)
    assert kinds(site.folder, "drill_outcome")


def test_hostile_names_do_nothing_in_a_browser(site: RangeSite, phone: Callable[..., Any]) -> None:
    name = "<img src=x onerror=\"document.title='taken'\">"
    site.start(new_player=name, club=name)
    window = phone(f"{site.url}/range")
    site.post("/range/note", text=name)
    window.wait_for_selector("#line[data-up='1']")
    window.wait_for_selector(".far")
    assert name in window.inner_text("[data-part=status]")
    site.stop()
    window.wait_for_selector("text=See the session")
    window.goto(f"{site.url}/range/drill")
    assert window.title() != "taken"
    assert window.locator("img").count() == 0


@pytest.mark.parametrize(("width", "dark"), [(390, True), (820, False)])
def test_the_screens_are_sound(
    site: RangeSite, phone: Callable[..., Any], axe: str, width: int, dark: bool
) -> None:
    look = {
        "color_scheme": "dark" if dark else "light",
        "viewport": {"width": width, "height": 900},
    }

    def judged(path: str) -> None:
        answer = site.http.get(path)
        html5lib.HTMLParser(strict=True).parse(answer.text)
        window.goto(f"{site.url}{path}")
        window.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
        assert window.evaluate("document.documentElement.scrollWidth") <= width
        small = window.evaluate(
            "least => [...document.querySelectorAll('main button, main select, main .button, "
            "main input:not([type=hidden]):not([type=checkbox])')].filter(e => e.offsetParent && "
            "e.getBoundingClientRect().height < least - 0.5).map(e => e.outerHTML)",
            REACH_PX,
        )
        assert small == []
        window.evaluate(axe)
        found = window.evaluate(RUN)
        assert [f for f in found if f["impact"] in ("serious", "critical")] == []

    window = phone(f"{site.url}/range", **look)
    judged("/range")
    judged("/range/drill")
    site.start(new_player="Ida", club="driver")
    site.until(lambda s: s.count >= 2)
    judged("/range")
    window.goto("about:blank")
    site.stop()
    judged("/range")


def test_the_next_drill_of_the_plan_can_be_taken_over(site: RangeSite) -> None:
    with open_library(site.home) as library:
        ida = library.player("Ida").id
    page = site.http.get(f"/range/drill?player={ida}").text
    assert "There is no next drill in Ida&#39;s plan yet" in page
    assert site.http.get("/range/drill?player=../../x").status_code == 404


def test_a_plan_that_cannot_be_worked_out_keeps_nobody_from_a_drill(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Worker, "do", lambda *_: Failed("bounds cross"))
    with open_library(tmp_path / "home") as library:
        library.save_player(library.people.add("Ida"))
        ida = library.player("Ida").id
    with range_site(tmp_path / "home", speed=SPEED) as site:
        page = site.http.get(f"/range/drill?player={ida}")
    assert page.status_code == 200
    assert "There is no next drill in Ida&#39;s plan yet" in page.text


def test_without_a_script_the_forms_do(kept: RangeSite, phone: Callable[..., Any]) -> None:
    site = kept
    window = phone(f"{site.url}/range", java_script_enabled=False)
    window.tap("#tap-kind-unclear")
    window.wait_for_selector("[role=status].told:has-text('was unclear')")
    assert site.hub.state.swings[-1].kind_said == "unclear"
    window.tap("#undo")
    window.wait_for_selector("[role=status].told:has-text('Taken back')")


def test_results_in_other_units() -> None:
    labels = {one.name: one.label for one in result_fields("metric")}
    # A file's columns have the same words.
    assert labels["club_speed_m_s"] == WORDS["club-speed"]
    assert labels["offline_m"] == WORDS["offline"]
    assert (labels["carry_m"], labels["ball_speed_m_s"]) == (WORDS["carry"], WORDS["ball-speed"])
    metric = {one.name: one.scale for one in result_fields("metric")}
    imperial = {one.name: one.scale for one in result_fields("imperial")}
    assert set(metric.values()) == {1.0}
    # NIST SP 811, B.8: 1 mi/h = 0.44704 m/s, 1 yd = 0.9144 m, both exact.
    assert imperial["ball_speed_m_s"] == pytest.approx(0.44704, abs=1e-12)
    assert imperial["carry_m"] == 0.9144


# -- room on a phone -------------------------------------------------------------------------------

WORST = {
    "backswing_ms": ("◂", "not kept; aim 1.13 s to 1.25 s"),
    "turn_deg": ("▸", "past full; 120° to 131°"),
    "peak_rate_dps": ("▸", "as usual"),
}
CAPITALS = """() => [...document.querySelectorAll(".far .word")].map((one) => {
  const canvas = document.createElement("canvas").getContext("2d");
  const { fontWeight, fontSize, fontFamily } = getComputedStyle(one);
  canvas.font = `${fontWeight} ${fontSize} ${fontFamily}`;
  return canvas.measureText("H").actualBoundingBoxAscent;
})"""
CAPITALS_PX = 50.0
"""Least height of a verdict's capitals on a phone of 390 px (this screen's own target)."""
DIGITS = {"backswing_ms": "1035", "turn_deg": "128", "peak_rate_dps": "1399", "swing_ms": "1300"}
NAME = "Wolkenbruch" * 18 + "nn"


@pytest.mark.parametrize("kind", ["recording", "drill"])
def test_numbers_and_felt_taps_fit_a_phone_without_scrolling(
    site: RangeSite, phone: Callable[..., Any], kind: str
) -> None:
    # A phone of 390 x 844 less what its browser's own bars take.
    site.start(new_player="Ida", club="driver")
    site.until(lambda s: s.count >= 1)
    site.stop()
    swing = dataclasses.replace(
        site.hub.state.swings[-1],
        beside=WORST,
        digits={**site.hub.state.swings[-1].digits, **DIGITS},
        about=True,
    )
    drill = DrillState(
        block=1, blocks=2, block_kind="rehearsal", done=3, of=5, all_done=3, all_of=10,
        state="resting", sound="none, the screen only",
    )  # fmt: skip
    site.hub.update(phase="going", swings=(swing,), kind=kind, simulated=True)
    if kind == "drill":
        site.hub.update(drill=drill)
    window = phone(f"{site.url}/range", viewport={"width": 390, "height": 664})
    window.wait_for_selector("#line[data-up='1']")
    boxes = window.evaluate(
        "[...document.querySelectorAll('.far dd, .felt .time button, #end summary')].map(e => "
        "[e.textContent.trim(), e.getBoundingClientRect().top, e.getBoundingClientRect().bottom])"
    )
    assert len(boxes) == 6 + 3 + 1
    assert [text for text, top, bottom in boxes if top < 0 or bottom > 664] == []
    # Nothing lies over anything: what is at each one's middle is that one.
    hidden = window.evaluate(
        "[...document.querySelectorAll('.far dd, .felt .time button, #end summary')].filter(e => { "
        "const b = e.getBoundingClientRect(); const there = document.elementFromPoint("
        "b.left + b.width / 2, b.top + b.height / 2); return !e.contains(there); })"
        ".map(e => e.textContent)"
    )
    assert hidden == []
    # The verdict is read from three metres, in whatever font the phone has.
    assert min(window.evaluate(CAPITALS)) >= CAPITALS_PX
    for number in window.locator(".far dd").all():
        assert number.evaluate("e => e.scrollWidth <= e.clientWidth"), "no digit is cut"
    site.hub.update(phase="kept")


def test_stopping_asks_once_more(site: RangeSite, phone: Callable[..., Any]) -> None:
    site.start()
    window = phone(f"{site.url}/range")
    window.wait_for_selector("#line[data-up='1']")
    assert not window.is_visible("#stop")
    window.tap("#end summary")
    assert site.hub.state.phase == "going", "one tap ends nothing"
    # "Yes" and "No" are a thumb apart from each other and from all else.
    boxes = [window.locator(one).bounding_box() for one in ("#stop", "#no-stop", "#end summary")]
    assert boxes[1]["x"] - (boxes[0]["x"] + boxes[0]["width"]) >= 24
    assert min(boxes[0]["y"], boxes[1]["y"]) - (boxes[2]["y"] + boxes[2]["height"]) >= 24
    window.tap("#no-stop")
    assert not window.is_visible("#stop")
    assert site.hub.state.phase == "going"
    window.tap("#end summary")
    window.tap("#stop")
    window.wait_for_selector("text=See the session")
    assert window.locator("#end").count() == 0
    # By hand without a script as well.
    site.start()
    bare = phone(f"{site.url}/range", java_script_enabled=False)
    bare.tap("#end summary")
    bare.tap("#no-stop")
    assert site.hub.state.phase == "going"
    bare.tap("#end summary")
    bare.tap("#stop")
    site.until(lambda s: s.phase == "kept")


def test_long_words_make_the_range_no_wider(tmp_path: Path, phone: Callable[..., Any]) -> None:
    with open_library(tmp_path / "home") as library:
        library.save_player(library.people.add(NAME))
    with range_site(tmp_path / "home", speed=SPEED) as site:
        window = phone(f"{site.url}/range")
        for path in ("/range", "/range/drill"):
            window.goto(site.url + path)
            window.evaluate(
                "document.querySelectorAll('details').forEach((d) => { d.open = true; })"
            )
            assert window.evaluate("document.documentElement.scrollWidth") <= 390
            option = window.locator("option[title]").first
            assert len(option.inner_text()) < 50
            assert option.get_attribute("title") == NAME
        site.start(new_player=NAME, club=NAME[:60])
        site.until(lambda s: s.count >= 1)
        site.post("/range/note", text=NAME)
        window.goto(f"{site.url}/range")
        window.wait_for_selector("#line[data-up='1']")
        assert window.evaluate("document.documentElement.scrollWidth") <= 390
        assert window.get_attribute("[data-part=status] span[title]", "title") == NAME
        site.stop()
        window.wait_for_selector("text=See the session")
        assert window.evaluate("document.documentElement.scrollWidth") <= 390


# -- what is refused -------------------------------------------------------------------------------


def test_a_refused_result_keeps_what_was_typed_and_says_so_beside_it(
    kept: RangeSite, phone: Callable[..., Any]
) -> None:
    before = dict(kept.hub.state.swings[-1].result)
    for script in (True, False):
        window = phone(f"{kept.url}/range", java_script_enabled=script)
        window.tap("#result summary")
        window.fill("#result [name=offline_m]", "7")
        window.fill("#result [name=ball_speed_m_s]", "much")
        window.tap("text=Keep the result")
        told = window.locator("#result .form-said" if script else ".message")
        told.wait_for()
        assert "Ball speed must be a number, not 'much'" in told.inner_text()
        # In view, beside the form, which is open and as it was.
        box, form = told.bounding_box(), window.locator("#result form").bounding_box()
        assert 0 <= box["y"] < 844
        if script:
            assert form["y"] <= box["y"] <= form["y"] + form["height"]
        assert window.input_value("#result [name=offline_m]") == "7"
        assert window.input_value("#result [name=ball_speed_m_s]") == "much"
        assert window.url.partition("?")[0] == f"{kept.url}/range"
        assert kept.hub.state.swings[-1].result == before
        if script:
            window.fill("#result [name=ball_speed_m_s]", "41")
            window.tap("text=Keep the result")
            window.wait_for_selector("#said:has-text('Kept: ball result')")
            assert told.is_hidden()
            # What was done is said in view, too.
            assert -1 < window.locator("#said").bounding_box()["y"] < 844
            assert window.input_value("#result [name=offline_m]") == ""
            before |= {"offline_m": 7.0, "ball_speed_m_s": 41.0}
            assert kept.hub.state.swings[-1].result == before


def test_without_bluetooth_looking_stays_on_the_range(
    site: RangeSite, phone: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    async def no_radio(*_: Any, **__: Any) -> Any:
        raise SensorError("Bluetooth is off: switch it on, or try the program with --simulated")

    monkeypatch.setattr("sensor.link.radio.scan", no_radio)
    window = phone(f"{site.url}/range")
    window.fill("#start [name=club]", "wedge")
    window.tap("#look")
    window.wait_for_selector("[role=alert]:has-text('Bluetooth is off')")
    assert window.url.startswith(f"{site.url}/range?")
    assert 0 <= window.locator("[role=alert]").bounding_box()["y"] < 844
    assert window.is_visible("#start .main-action")
    # It says what can be done here, and what was typed is still there.
    assert "or choose the simulated sensor" in window.inner_text("[role=alert]")
    assert window.input_value("#start [name=club]") == "wedge"
    # A drill that is refused keeps all that was typed.
    window.goto(f"{site.url}/range/drill")
    window.select_option("#drill [name=sensor]", "simulated")
    window.fill("#drill [name=repeats]", "7")
    window.fill("#drill [name=rest_s]", "9999")
    window.check("#drill [name=cautions]")
    window.tap("#drill .main-action")
    window.wait_for_selector("[role=alert]:has-text('must lie between 1 and 3600')")
    assert window.url.startswith(f"{site.url}/range/drill?")
    assert window.input_value("#drill [name=repeats]") == "7"
    assert window.input_value("#drill [name=sensor]") == "simulated"
    assert site.hub.state.phase == "idle"


# -- against the player's own ----------------------------------------------------------------------


def test_only_what_kinds_have_in_common_is_set_beside_the_player_s_own(place: Any) -> None:
    # A shot's swing time ends at the ball, a practice swing's where its turn is least: a range of
    # practice swings says nothing of it.
    own = own_figures(place.home, ("Solveig", "7 iron", "wrist"), {})
    assert not own.full_end, "made of practice swings that nobody approved"
    assert set(own.known) == {"backswing_ms", "turn_deg", "peak_rate_dps"} == set(MEASURES)


def test_the_range_shows_no_swing_time_large(kept: RangeSite) -> None:
    html = kept.http.get("/range").text
    large = html.partition('<dl class="far">')[2].partition("</dl>")[0]
    assert "Backswing" in large
    assert "wing time" not in large


# -- where the program ends with the recording -----------------------------------------------------


def test_at_the_end_of_a_program_the_page_says_so_and_offers_nothing_dead(
    tmp_path: Path, phone: Callable[..., Any]
) -> None:
    with range_site(tmp_path / "home") as site:
        site.start(new_player="Ida")
        site.until(lambda s: s.count >= 2)
        site.stop()
        site.hub.update(phase="going", stays=False)
        window = phone(f"{site.url}/range", locale="en-US")
        window.wait_for_selector(".far")
        swings = site.hub.state.swings
        site.hub.update(phase="ending")
        window.wait_for_selector("text=being measured for the library")
        assert not window.is_visible("#end")
        site.hub.update(
            phase="kept", session="x", outcome="2 swings in 0:30 min", swings=swings, stays=False
        )
        window.wait_for_selector("text=has ended and is kept")
        ended_by_program = window.inner_text("main")
        for gone in ("#end", "#stop", "main form", "a:text('See')", "td a"):
            assert window.locator(f"{gone} >> visible=true").count() == 0, gone
        assert "2 swings in 0:30 min" in ended_by_program
        assert "unhurried review" in ended_by_program
        assert "Ida" in ended_by_program
        # The last swing's numbers stay to be read.
        assert f"{int(swings[-1].digits['backswing_ms']) / 1e3:.2f}" in shown(window)
    window.wait_for_selector("#line[data-up='0']", timeout=1000 * PATIENCE_S)
    assert window.inner_text("#line") == "The program on the computer has ended."
    assert not window.is_visible("#end")


def test_a_broken_line_says_the_time_in_24_hours(tmp_path: Path, phone: Callable[..., Any]) -> None:
    with range_site(tmp_path / "home") as site:
        window = phone(f"{site.url}/range", locale="en-US", timezone_id="Pacific/Auckland")
        window.clock.install(time="2026-03-02T18:04:05+13:00")
        window.reload()
        window.wait_for_selector("#line[data-up='1']")
    window.wait_for_selector("#line[data-up='0']", timeout=1000 * PATIENCE_S)
    assert re.search(r"since 18:\d\d:\d\d: ", window.inner_text("#line"))
