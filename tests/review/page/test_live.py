"""What goes on at the mat, over the wire: followed by many, tapped by some, disturbed by none."""

from __future__ import annotations

import asyncio
import errno
import json
import os
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import httpx
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from patience import PATIENCE_S
from range_site import RangeSite, kinds, markers, range_site, wait

from library.players import Registry
from review.formatting import swing_digits
from review.page import livehub
from review.page.livehub import LiveError, LiveHub, LiveSwing, TooManyError
from review.page.requests import Kind, SessionRequest
from sensor.recording import npyfile
from sensor.recording.annotations import read_annotations
from sensor.recording.opening import open_recording
from unhurried.app.ingest import open_library
from unhurried.app.measuring import analyze
from unhurried.app.serve import serving

ROOT = Path(__file__).resolve().parents[3]
OUTSIDE = "http://evil.example"


@pytest.fixture
def site(tmp_path: Path) -> Iterator[RangeSite]:
    with range_site(tmp_path / "home") as up:
        yield up


@pytest.fixture(scope="module")
def quiet(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RangeSite]:
    """A page on which nothing is ever started."""
    with range_site(tmp_path_factory.mktemp("quiet") / "home") as up:
        yield up


def swing_of(number: int) -> LiveSwing:
    return LiveSwing(
        key=f"x-0-{number}",
        number=number,
        label="",
        mount="wrist",
        kind="strike",
        at="0:10",
        digits={
            "swing_ms": "1042",
            "backswing_ms": "800",
            "downswing_ms": "242",
            "tempo_ratio": "3.3",
            "turn_deg": "121",
            "peak_rate_dps": "1100",
        },
        beside={},
        who="",
    )


class Following(threading.Thread):
    """A page that follows: every message with the time at which it came."""

    def __init__(self, url: str, **options: Any) -> None:
        super().__init__(daemon=True)
        self.url, self.options = url, options
        self.came: list[tuple[float, dict[str, Any]]] = []
        self.alive = 0
        self.status = 0
        self.start()

    def run(self) -> None:
        try:
            with (
                httpx.Client(timeout=PATIENCE_S, **self.options) as http,
                http.stream("GET", self.url) as answer,
            ):
                self.status = answer.status_code
                for line in answer.iter_lines():
                    if line.startswith("data: {"):
                        self.came.append((time.monotonic(), json.loads(line[6:])))
                    self.alive += line == "event: alive"
        except httpx.HTTPError:
            # The page has ended.
            return

    def seen(self, text: str) -> float | None:
        """When a text came first."""
        return next((at for at, one in self.came if text in json.dumps(one)), None)


# -- the hub ---------------------------------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(
    changes=st.lists(st.sampled_from(["line", "swing", "phase", "pause"]), min_size=1, max_size=40)
)
def test_whoever_follows_ends_with_the_whole_state_whenever_they_came(changes: list[str]) -> None:
    async def go() -> None:
        hub = LiveHub()
        got: list[livehub.LiveState] = []

        async def follow() -> None:
            async for state in hub.follow():
                if state is not None:
                    got.append(state)

        tasks = [asyncio.ensure_future(follow())]
        for number, change in enumerate(changes, start=1):
            if change == "line":
                hub.say(f"line {number}")
            elif change == "swing":
                hub.add_swing(swing_of(number))
            elif change == "phase":
                hub.update(phase="going")
            else:
                await asyncio.sleep(0)
        late = asyncio.ensure_future(follow())
        hub.close()
        await asyncio.wait_for(asyncio.gather(*tasks, late), PATIENCE_S)
        # Nothing older after something newer, and the last thing told is all there is.
        versions = [state.version for state in got]
        assert got[-1] == hub.state
        assert versions[-1] == hub.state.version
        assert hub.followers == 0

    asyncio.run(go())


def test_a_page_that_is_gone_disturbs_nobody() -> None:
    hub = LiveHub()
    loop = asyncio.new_event_loop()
    following = hub.follow()
    loop.run_until_complete(anext(following))
    loop.run_until_complete(following.aclose())  # type: ignore[attr-defined]
    # One that was cut off in the middle: its loop is closed, and it never said good-bye.
    hub._followers.add((loop, asyncio.Event()))
    loop.close()
    for number in range(100):
        hub.add_swing(swing_of(number))
    assert hub.state.count == 100
    assert len(hub.state.swings) == livehub.MOST_SWINGS


async def test_no_more_follow_than_there_is_room_for(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(livehub, "MOST_FOLLOWERS", 2)
    hub = LiveHub()
    first, second, third = hub.follow(), hub.follow(), hub.follow()
    await anext(first)
    await anext(second)
    with pytest.raises(TooManyError, match="close one of them"):
        await anext(third)
    await first.aclose()  # type: ignore[attr-defined]
    fourth = hub.follow()
    await anext(fourth)
    for one in (second, fourth):
        await one.aclose()  # type: ignore[attr-defined]


async def test_there_is_a_sign_of_life(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(livehub, "ALIVE_S", 0.01)
    following = LiveHub().follow()
    assert await anext(following) is not None
    assert await anext(following) is None
    await following.aclose()  # type: ignore[attr-defined]


# -- a session over the wire -----------------------------------------------------------------------


def test_a_session_from_start_to_library(site: RangeSite) -> None:
    site.start(new_player="Ida", club="driver")
    site.until(lambda s: s.count >= 2)
    chosen = site.hub.state.swings[0]
    taps = [
        ("/range/felt", {"question": "time", "word": "rushed"}),
        ("/range/felt", {"question": "turn", "word": "short"}),
        ("/range/felt", {"question": "strike", "word": "well"}),
        ("/range/kind", {"kind": "unclear"}),
        ("/range/result", {"carry_m": "181,5", "offline_m": "−4"}),
    ]
    for path, fields in taps:
        answer = site.post(path, swing=chosen.key, **fields)
        assert answer.status_code == 200, answer.text
    assert site.post("/range/note", text="wind from the left").json()["text"] == "Noted."
    assert "at balls" in site.post("/range/ball", ball="ball").json()["text"]
    assert "7 iron" in site.post("/range/who", club="7 iron").json()["text"]
    state = site.stop()
    assert state.phase == "kept"

    # Each tap is a marker in the recording, with the swing that it is about.
    told = [one["said"] for one in kinds(site.folder, "tap") if "said" in one]
    assert told == [
        {"felt": {"time": "rushed"}},
        {"felt": {"time": "rushed", "turn": "short"}},
        {"felt": {"time": "rushed", "turn": "short", "strike": "well"}},
        {"kind": "unclear"},
        {"result": {"carry_m": 181.5, "offline_m": -4.0}},
    ]
    assert kinds(site.folder, "note")[0]["text"] == "wind from the left"
    segments = kinds(site.folder, "segment")
    assert [(one["ball"], one["club"]) for one in segments] == [(True, "driver"), (True, "7 iron")]

    # And the library knows all of it, under the same numbers as the analysis.
    with open_library(site.home) as library:
        assert state.session is not None
        rows = list(library.swings(session=state.session).rows())
        first = library.swing(state.session, seq=rows[0]["seq"])
    assert first.felt == {"time": "rushed", "turn": "short", "strike": "well"}
    assert first.kind == "unclear"
    assert first.result["carry_m"] == 181.5
    assert [row["number"] for row in rows] == [one.number for one in state.swings]
    assert rows[0]["club"] == "driver"
    with open_recording(site.folder) as recording:
        swings = analyze(recording).swings
        assert recording.lost_samples == 0
    assert len(swings) == state.count
    for shown, swing in zip(state.swings, swings, strict=True):
        for measure in ("turn_deg", "peak_rate_dps", "tempo_ratio"):
            assert shown.digits[measure] == swing_digits(swing, measure)
    # On the screen as well.
    page = site.http.get(f"/range?swing={state.swings[-1].key}").text
    assert f"<dd>{swing_digits(swings[-1], 'turn_deg')}</dd>" in page
    assert f'href="/session/{state.session}"' in page
    assert site.http.get(f"/session/{state.session}").status_code == 200


def test_the_last_tap_can_be_taken_back_and_the_one_before(site: RangeSite) -> None:
    site.start()
    site.until(lambda s: s.count >= 1)
    key = site.hub.state.swings[0].key
    site.post("/range/felt", swing=key, question="time", word="rushed")
    site.post("/range/felt", swing=key, question="time", word="slow")
    site.post("/range/ball", ball="rehearsal")
    assert "practice swings" in site.post("/range/undo").json()["text"]
    site.until(lambda s: s.ball is None)
    assert "slow" in site.post("/range/undo").json()["text"]
    assert site.hub.state.swing(key).said == {"time": "rushed"}  # type: ignore[union-attr]
    assert "rushed" in site.post("/range/undo").json()["text"]
    nothing = site.post("/range/undo")
    assert (nothing.status_code, nothing.text) == (400, "there is nothing to take back\n")
    # The same button once more takes its word back, too.
    site.post("/range/felt", swing=key, question="strike", word="well")
    site.post("/range/felt", swing=key, question="strike", word="well")
    site.stop()
    said = read_annotations(site.folder)
    assert said.of_swings([], rate_hz=200.0)[0] == []
    assert {key[0] for key in said.entries} == {"swing", "session"}
    assert all(entry.value is None for key, entry in said.entries.items() if key[0] == "swing")
    # What was tapped and taken back stays in the raw markers.
    assert [one["taken_back"] for one in kinds(site.folder, "tap") if "taken_back" in one] == [
        3,
        2,
        1,
    ]


def test_a_tap_that_is_sent_twice_counts_once(site: RangeSite) -> None:
    site.start()
    site.until(lambda s: s.count >= 1)
    key = site.hub.state.swings[0].key
    for _ in range(3):
        answer = site.post("/range/felt", swing=key, question="time", word="slow", tap="abc123")
        assert answer.json()["text"] == "Swing 1 felt slow."
    assert site.hub.state.swing(key).said == {"time": "slow"}  # type: ignore[union-attr]
    site.stop()
    assert len(kinds(site.folder, "tap")) == 1


def test_a_swing_can_be_told_of_after_the_recording(site: RangeSite) -> None:
    site.start(new_player="Ida")
    site.until(lambda s: s.count >= 1)
    state = site.stop()
    before = (site.folder / "markers.jsonl").read_bytes()
    key = state.swings[-1].key
    assert site.post("/range/result", swing=key, carry_m="150").status_code == 200
    assert state.session is not None

    def carry() -> float | None:
        with open_library(site.home) as library:
            row = list(library.swings(session=state.session, columns=("carry_m",)).rows())[-1]
        return row["carry_m"]  # type: ignore[no-any-return]

    wait(lambda: carry() == 150.0)
    assert (site.folder / "markers.jsonl").read_bytes() == before
    late = site.post("/range/note", text="too late")
    assert late.status_code == 400
    assert "on the session's screen" in late.text


# -- many, and none --------------------------------------------------------------------------------


def test_twenty_viewers_see_a_found_swing_at_once(site: RangeSite) -> None:
    site.start()
    pages = [Following(f"{site.url}/range/live") for _ in range(20)]
    wait(lambda: all(page.came for page in pages))
    assert site.hub.followers == 20
    for number in range(901, 906):
        site.hub.add_swing(swing_of(number))
        wait(lambda text=f"Swing {number}": all(page.seen(text) for page in pages))
    # Only what changed is sent again, how much that is hangs on what else goes on.
    assert all(len(page.came[0][1]["parts"]) == 6 for page in pages)
    assert all(min(len(data["parts"]) for _, data in page.came[1:]) < 5 for page in pages)
    site.stop()
    assert site.hub.state.phase == "kept"


def test_a_recording_goes_on_when_the_page_dies(site: RangeSite) -> None:
    with serving(site.home, port=0, live=site.hub) as other:
        page = Following(f"{other.url}range/live")
        site.start()
        wait(lambda: bool(page.came))
    # That server is gone, with a line open; another one follows the same recording.
    count = site.hub.state.count
    site.until(lambda s: s.count >= count + 3)
    again = Following(f"{site.url}/range/live")
    wait(lambda: bool(again.came))
    assert "Swing" in again.came[0][1]["parts"]["last"]
    assert again.came[0][1]["phase"] == "going"
    state = site.stop()
    with open_recording(site.folder) as recording:
        assert recording.lost_samples == 0
        assert len(analyze(recording).swings) == state.count


def test_a_broken_page_never_reaches_the_recording(
    site: RangeSite, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[str] = []

    def broken(name: str) -> Callable[..., None]:
        def fail(*_: Any, **__: Any) -> None:
            asked.append(name)
            raise RuntimeError("the page is broken")

        return fail

    site.start()
    site.until(lambda s: s.count >= 1)
    with monkeypatch.context() as patched:
        for name in ("add_swing", "update", "say", "change_swing"):
            patched.setattr(site.hub, name, broken(name))
        wait(lambda: "add_swing" in asked and "update" in asked)
    state = site.stop()
    with open_recording(site.folder) as recording:
        assert recording.lost_samples == 0
        assert len(analyze(recording).swings) > state.count


def test_a_tap_is_answered_while_nobody_waits(site: RangeSite) -> None:
    """The recording's own loop takes taps; a hundred at once don't hold it up."""
    site.start()
    site.until(lambda s: s.count >= 1)
    key = site.hub.state.swings[0].key

    def many() -> None:
        for number in range(20):
            site.hub.ask(Kind(kind=("strike", "rehearsal")[number % 2], swing=key))

    threads = [threading.Thread(target=many) for _ in range(5)]
    for one in threads:
        one.start()
    for one in threads:
        one.join()
    site.stop()
    taps = [one["tap"] for one in kinds(site.folder, "tap")]
    assert taps == list(range(1, 101))
    with open_recording(site.folder) as recording:
        assert recording.lost_samples == 0


# -- what is refused -------------------------------------------------------------------------------


def test_only_the_page_itself_may_start_or_tap(quiet: RangeSite) -> None:
    site = quiet
    for path in ("start", "stop", "felt", "kind", "ball", "who", "note", "result", "undo", "code"):
        for headers in ({"origin": OUTSIDE}, {}, {"origin": "null"}):
            answer = site.http.post(f"/range/{path}", data={"sensor": "simulated"}, headers=headers)
            assert answer.status_code == 403
    forged = {"host": "evil.example", "origin": OUTSIDE}
    assert site.http.post("/range/start", data={}, headers=forged).status_code == 421
    assert site.http.get("/range/live", headers={"host": "evil.example"}).status_code == 421
    assert site.hub.state.phase == "idle"


HOSTILE = (
    "<script>document.title='x'</script>",
    '" onfocus="document.title=\'x\'" autofocus="',
    "{{ 7 * 7 }}{% raw %}",
    "=HYPERLINK(1)",
    "../../../etc/passwd",
    "‮evil\u2028name",
    "a" * 200,
)


def test_hostile_names_are_only_names(site: RangeSite) -> None:
    site.start()
    site.until(lambda s: s.count >= 1)
    for name in HOSTILE:
        assert site.post("/range/who", new_player=name, club=name[:60]).status_code == 200
        assert site.post("/range/note", text=name).status_code == 200
        page = site.http.get("/range").text
        assert "<script>document" not in page
        assert " onfocus=" not in page.replace("&#34; onfocus=&#34;", "")
        assert "{{ 7 * 7 }}" in page or "7 * 7" not in name
    state = site.stop()
    assert state.phase == "kept"
    # Kept to the letter, but for spaces; nothing was written anywhere else.
    assert [one["text"] for one in kinds(site.folder, "note")] == list(HOSTILE)
    plain = [" ".join(name.split()) for name in HOSTILE]
    assert [one["player"] for one in kinds(site.folder, "segment")] == plain
    assert set(site.home.joinpath("recordings").iterdir()) == {site.folder}
    with open_library(site.home) as library:
        for row in library.players():
            assert row.name in plain
            assert site.http.get(f"/player/{row.id}").status_code == 200


@pytest.mark.parametrize(
    ("path", "fields", "line"),
    [
        ("start", {"mount": "hat"}, "'mount' must be one of"),
        ("start", {"new_player": "x" * 201}, "longer than 200"),
        ("start", {"new_player": "a\x07b"}, "can't be shown"),
        ("start", {"player": "../x"}, "nothing under this address"),
        ("felt", {"question": "time", "word": "great"}, "must be one of"),
        ("felt", {"question": "__class__", "word": "x"}, "must be one of"),
        ("kind", {"kind": "strike"}, "nothing is being recorded"),
        ("result", {"carry_m": "far"}, "must be a number"),
        ("result", {"carry_m": "1e7"}, "must lie between"),
        ("result", {}, "no result was typed"),
        ("note", {"text": " "}, "is empty"),
        ("stop", {}, "nothing is being recorded"),
        ("drill", {"block": "rehearsal"}, "read the cautions first"),
    ],
)
def test_what_does_not_fit_is_told_in_one_line(
    quiet: RangeSite, path: str, fields: dict[str, str], line: str
) -> None:
    answer = quiet.post(f"/range/{path}", **fields)
    assert answer.status_code in (400, 404)
    assert line in answer.text
    assert answer.text.count("\n") == 1
    assert quiet.hub.state.phase == "idle"


def test_a_swing_of_another_recording_is_none_of_this_one(site: RangeSite) -> None:
    site.start()
    site.until(lambda s: s.count >= 1)
    old = site.hub.state.swings[0].key
    site.stop()
    site.start()
    site.until(lambda s: s.count >= 1)
    answer = site.post("/range/kind", swing=old, kind="strike")
    assert answer.status_code == 400
    assert "isn't of this recording" in answer.text
    site.stop()


def test_a_child_is_recorded_only_with_consent(site: RangeSite) -> None:
    people = Registry(site.home)
    child = people.add("Nils", child=True)
    answer = site.post("/range/start", sensor="simulated", player=child.id)
    assert answer.status_code == 400
    assert "nobody's consent is noted" in answer.text
    with open_library(site.home) as library:
        library.change_player(
            child.id, lambda one: type(one)(**{**_fields(one), "consent": "mother, today"})
        )
    site.start(player=child.id)
    site.stop()
    with open_library(site.home) as library:
        assert [row.id for row in library.players()] == [child.id]


def _fields(player: Any) -> dict[str, Any]:
    return {name: getattr(player, name) for name in player.__slots__}


# -- faults ----------------------------------------------------------------------------------------


def test_one_recording_at_a_time(site: RangeSite) -> None:
    site.start()
    answer = site.post("/range/start", sensor="simulated")
    assert answer.status_code == 400
    assert answer.text == "a recording runs already: stop it first, then start the next\n"
    assert site.http.get("/range/drill").status_code == 400
    site.stop()
    site.start()
    site.stop()
    assert len(list((site.home / "recordings").iterdir())) == 2


def test_no_bluetooth_is_told(site: RangeSite, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", f"unix:path={site.home}/none")
    assert site.post("/range/start", sensor="near", mount="wrist").status_code == 200
    state = site.until(lambda s: s.phase == "failed")
    assert "Bluetooth" in state.outcome
    page = site.http.get("/range").text
    assert 'role="alert"' in page
    assert 'id="start"' in page
    looked = site.post("/range/look")
    assert looked.status_code == 400
    assert "Bluetooth" in looked.text
    assert not site.hub.state.looking


def test_a_full_disk_is_told_and_what_was_recorded_is_kept(
    site: RangeSite, monkeypatch: pytest.MonkeyPatch
) -> None:
    site.start()
    site.until(lambda s: s.count >= 1)

    def full(*_: Any) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(npyfile.GrowingNpy, "_write_all", full)
    state = site.until(lambda s: s.phase == "failed")
    monkeypatch.undo()
    assert "the disk is full" in state.outcome
    assert "kept and safe" in state.outcome
    assert str(site.home) not in state.outcome
    assert state.session is not None
    with open_recording(site.folder) as recording:
        assert len(analyze(recording).swings) >= 1


def test_a_word_that_cannot_be_written_beside_it_is_still_marked(
    site: RangeSite, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: Any, **__: Any) -> None:
        raise OSError(errno.EROFS, "Read-only file system")

    site.start()
    site.until(lambda s: s.count >= 1)
    monkeypatch.setattr("sensor.recording.annotations.change_annotations", broken)
    assert site.post("/range/kind", kind="strike").status_code == 200
    site.until(lambda s: any("marked in the recording" in text for _, text in s.lines))
    monkeypatch.undo()
    site.stop()
    assert kinds(site.folder, "tap")[0]["said"] == {"kind": "strike"}


def test_the_process_can_end_while_it_records(tmp_path: Path) -> None:
    with range_site(tmp_path / "home") as site:
        site.start()
        site.until(lambda s: s.count >= 1)
        folder = site.folder
    # It was ended cleanly, and is in the library.
    assert [t.name for t in threading.enumerate() if t.name == "recording"] == []
    with open_recording(folder) as recording:
        assert not recording.warnings
    with open_library(tmp_path / "home") as library:
        assert len(library.sessions()) == 1


def test_a_sensor_that_cannot_be_used_is_told_at_once(site: RangeSite) -> None:
    starter = site.hub.starter
    assert starter is not None
    (site.home).mkdir(parents=True, exist_ok=True)
    (site.home / "recordings").write_text("in the way")
    with pytest.raises(LiveError, match="cannot be made"):
        starter.start(SessionRequest(simulated=True))
    assert site.hub.state.phase == "idle"


# -- beside the commands ---------------------------------------------------------------------------


def command(
    tmp_path: Path, *arguments: str, environment: Mapping[str, str] | None = None
) -> subprocess.Popen[str]:
    env = {
        **os.environ,
        **(environment or {}),
        "UNHURRIED_HOME": str(tmp_path / "home"),
        "PYTHONUNBUFFERED": "1",
    }
    return subprocess.Popen(
        [sys.executable, "-m", "unhurried", *arguments],
        cwd=tmp_path,
        env={**env, "PYTHONPATH": str(ROOT)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        stdin=subprocess.DEVNULL,
        text=True,
    )


def address_of(process: subprocess.Popen[str]) -> str:
    assert process.stderr is not None
    for line in process.stderr:
        found = re.search(r"the page is up: (http://127\.0\.0\.1:\d+)/range", line)
        if found:
            return found[1]
    raise AssertionError("no address was printed")


@pytest.mark.skipif(sys.platform == "win32", reason="Ctrl-C is sent as on POSIX")
def test_record_with_a_page(tmp_path: Path) -> None:
    out = tmp_path / "evening"
    process = command(
        tmp_path, "record", "--simulated", "--speed=30", "--page", "--port=0", "--json", "--out",
        str(out),
    )  # fmt: skip
    try:
        url = address_of(process)
        page = Following(f"{url}/range/live")
        wait(lambda: page.seen("Swing 1") is not None)
        headers = {"origin": url, "accept": "application/json"}
        told = httpx.post(
            f"{url}/range/felt", data={"question": "time", "word": "slow"}, headers=headers
        )
        assert "felt slow" in told.json()["text"]
        assert httpx.post(f"{url}/range/stop", data={"x": ""}, headers=headers).is_success
        wait(lambda: page.came[-1][1]["phase"] == "kept")
        # The page stays up to look at it.
        link = re.search(r"/session/[0-9a-f-]{36}", json.dumps(page.came[-1][1]))
        assert link is not None
        assert httpx.get(f"{url}{link[0]}").status_code == 200
        process.send_signal(signal.SIGINT)
        stdout, stderr = process.communicate(timeout=PATIENCE_S)
    finally:
        process.kill()
        process.wait()
    assert process.returncode == 0, stderr
    swings = [json.loads(line) for line in stdout.splitlines()]
    assert swings[0]["index"] == 1
    assert kinds(out, "tap")[0]["said"] == {"felt": {"time": "slow"}}
    # The simulation's made-up player is none of the library's, and the session says what it is.
    with open_library(tmp_path / "home") as library:
        assert library.players() == []
        assert len(library.sessions()) == 1
    assert read_annotations(out).session()["tags"] == ["simulated"]
    with open_recording(out) as recording:
        assert len(analyze(recording).swings) == len(swings)


def test_drill_with_a_page_ends_by_itself(tmp_path: Path) -> None:
    process = command(
        tmp_path, "drill", "--simulated", "--speed=30", "--rest-s=1", "--repeats=2",
        "--backswing-ms=900", "--full-turn-deg=120", "--output=silent", "--page", "--port=0",
        "--out", str(tmp_path / "d"),
    )  # fmt: skip
    try:
        url = address_of(process)
        page = Following(f"{url}/range/live")
        stdout, stderr = process.communicate(timeout=PATIENCE_S)
    finally:
        process.kill()
        process.wait()
    assert process.returncode == 0, stderr
    assert "2 of 2 swings" in stdout
    assert page.came[-1][1]["phase"] == "kept"
    # The program ends with the drill, and the page knows: what it shows then stays to be read.
    assert page.came[-1][1]["stays"] is False
    assert page.seen("aim 0.90 s") is not None
    assert kinds(tmp_path / "d", "drill_outcome")


def test_why_a_recording_cannot_begin_is_on_the_page_before_it_goes(tmp_path: Path) -> None:
    process = command(
        tmp_path, "record", "--page", "--port=0",
        environment={"DBUS_SYSTEM_BUS_ADDRESS": f"unix:path={tmp_path}/none"},
    )  # fmt: skip
    try:
        url = address_of(process)
        page = Following(f"{url}/range/live")
        _, stderr = process.communicate(timeout=PATIENCE_S)
    finally:
        process.kill()
        process.wait()
    assert process.returncode == 1
    assert stderr.strip().splitlines()[-1].startswith("unhurried: ")
    assert "Bluetooth" in stderr
    page.join(5.0)
    # It may be over before the page could follow; if it wasn't, the reason was told.
    assert not page.came or page.came[-1][1]["phase"] == "failed"


def test_drill_ended_on_the_page(site: RangeSite) -> None:
    fields = {
        "sensor": "simulated",
        "mount": "wrist",
        "cautions": "read",
        "block": "test",
        "repeats": "2",
        "rest_s": "1",
        "backswing_ms": "900",
        "full_turn_deg": "120",
        "cue": "ready",
        "schedule": "every",
        "felt": "ask",
    }
    assert site.post("/range/drill", **fields).status_code == 200
    asked = site.until(lambda s: s.drill is not None and s.drill.state == "asking")
    assert asked.swings[-1].hidden is not None
    shown = re.search(r'data-part="last".*?id="said"', site.http.get("/range").text, re.S)
    assert shown is not None
    assert "How did it feel?" in shown[0]
    assert 'class="far"' not in shown[0]
    answered = site.post("/range/felt", question="time", word="in-time", swing=asked.swings[-1].key)
    assert answered.status_code == 200
    state = site.until(lambda s: s.drill is not None and s.drill.block == 2 and s.drill.done >= 1)
    # In the set without sound nothing is told before its end.
    assert state.swings[-1].hidden == "no numbers in this set"
    state = site.until(lambda s: s.phase == "kept")
    assert [one.hidden for one in state.swings] == [None] * len(state.swings)
    # One that began within the tones of the block before counts for nothing.
    judged = [one for one in state.swings if one.beside]
    assert len(judged) == 4
    assert all("aim 0.90 s" in one.beside["backswing_ms"][1] for one in judged)
    assert state.swings[0].said == {"time": "in-time"}
    # The answer is in the recording once.
    assert len(kinds(site.folder, "tap")) == 1
    assert kinds(site.folder, "felt") == []
    assert kinds(site.folder, "drill_outcome")[0]["swings"] == 4
    assert markers(site.folder)


@pytest.mark.parametrize(
    ("name", "option"),
    [
        ("record", ["--port", "0"]),
        ("record", ["--share"]),
        ("drill", ["--port", "0"]),
        ("drill", ["--share-page"]),
    ],
)
def test_the_page_must_be_asked_for(tmp_path: Path, name: str, option: list[str]) -> None:
    from unhurried.cli import run

    assert run([name, "--simulated", *option, "--out", str(tmp_path / "x")]) == 2
    assert not (tmp_path / "x").exists()
