"""A lesson whole, on a phone with a wall beside it, and what comes after it."""

from __future__ import annotations

import html
import io
import itertools
import re
import wave
from collections.abc import Callable, Iterator
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from lesson_numbers import number
from patience import PATIENCE_S
from range_site import RangeSite, kinds, range_site, wait

from feedback.mixer import Voice
from feedback.outputs import SilentOutput
from feedback.tones import Sound
from library.drill_end import drill_end
from library.evidence import evidence_in
from library.lesson import PART_SWING
from library.limits import LimitsRecord
from review.page.livehub import DrillState, LessonState
from sensor.recording.opening import open_recording
from unhurried.app.ingest import open_library
from unhurried.app.measuring import analyze
from unhurried.app.page_view import CALL_FIRST
from words import cautions
from words.sound import NO_OUTPUT

PHONE = {"viewport": {"width": 390, "height": 844}, "has_touch": True, "is_mobile": True}
MOST_TAPS = 30
LOST_S = 40
ASLEEP_S = 120
LEAST_PX, APART_PX = 64, 12
NAME = "Anouk"


@pytest.fixture
def site(tmp_path: Path) -> Iterator[RangeSite]:
    with range_site(tmp_path / "home", speed=40.0) as up:
        yield up


class Phone:
    """A phone whose taps are counted; what is typed is kept."""

    def __init__(self, window: Any) -> None:
        self.window = window
        self.taps: list[str] = []
        self.typed: list[str] = []

    def tap(self, selector: str) -> None:
        self.window.tap(selector, timeout=1000 * PATIENCE_S)
        self.taps.append(selector)

    def pick(self, selector: str, value: str) -> None:
        self.window.select_option(selector, value)
        # One to open the list, one in it.
        self.taps += [selector, f"{selector} = {value}"]

    def type(self, selector: str, text: str) -> None:
        self.window.fill(selector, text)
        self.typed.append(text)

    def sees(self, selector: str) -> None:
        self.window.wait_for_selector(selector, timeout=1000 * PATIENCE_S)


@pytest.fixture
def opened(browser: Any) -> Iterator[Callable[[str], Phone]]:
    contexts: list[Any] = []
    complaints: list[str] = []

    def make(url: str) -> Phone:
        contexts.append(browser.new_context(**PHONE, accept_downloads=True))
        window = contexts[-1].new_page()
        window.on("pageerror", lambda error: complaints.append(str(error)))
        window.goto(url)
        return Phone(window)

    yield make
    for context in contexts:
        context.close()
    assert complaints == []


def lesson_of(site: RangeSite) -> LessonState:
    found = site.hub.state.lesson
    assert found is not None
    return found


def drill_of(site: RangeSite) -> DrillState:
    found = site.hub.state.drill
    assert found is not None
    return found


def enough(site: RangeSite, part: str, n: int = 3) -> None:
    """Wait for so many practice swings and shots of a part, from each swing to the next."""
    while min(lesson_of(site).counts[part]) < n:
        seen = site.hub.state.count
        site.until(lambda s, seen=seen: s.count > seen or not s.running)
        state = site.hub.state
        assert state.running, (state.phase, state.outcome, state.lines)


def lose_the_sensor(site: RangeSite, seconds: float) -> None:
    """The link breaks, and the sensor goes on for so long by its own time."""
    desk: Any = site.hub.desk
    recording = desk.sessions[0].recording

    def lose() -> None:
        recording.source._next_seq += round(seconds * recording.info.rate_hz)
        recording.source.lost.set()

    desk._loop.call_soon_threadsafe(lose)


def seconds_of(site: RangeSite) -> float:
    """How long the recording is, as the screen says."""
    minutes, _, seconds = (site.hub.state.link.get("time") or "0:00").rpartition(":")
    return 60.0 * float(minutes or 0) + float(seconds)


def names_by_tap(site: RangeSite) -> list[str | None]:
    """Whose each swing is by the markers: the name tapped last before it, else the first one."""
    with open_recording(site.folder) as recording:
        takeaways = [
            recording.seq_of_time(float(swing.takeaway_s or swing.impact_s or 0.0))
            for swing in analyze(recording).swings
        ]
    tapped = [(one["seq"], one["player"]) for one in kinds(site.folder, "segment")]
    return [next((n for seq, n in reversed(tapped) if seq <= at), NAME) for at in takeaways]


class Speaker(SilentOutput):
    """A loudspeaker that nobody hears, until it is pulled."""

    silent = False
    pulled = False

    def __init__(self) -> None:
        super().__init__()
        self.played = 0

    def play(self, sound: Sound, frame: int | None = None) -> Voice:
        self.played += 1
        return super().play(sound, frame)

    @property
    def lost(self) -> bool:  # type: ignore[override]
        return self.pulled


def test_a_lesson_whole_with_all_that_goes_wrong(
    site: RangeSite,
    opened: Callable[[str], Phone],
    monkeypatch: pytest.MonkeyPatch,
    record_property: Any,
) -> None:
    speaker = Speaker()
    monkeypatch.setattr("feedback.outputs.open_output", lambda *_, **__: (speaker, None))
    phone, wall = opened(f"{site.url}/range"), opened(f"{site.url}/wall")
    # A new pupil: the name is all that is typed.
    phone.tap("#new-pupil")
    phone.type("input[name=new_player]", NAME)
    phone.pick("select[name=mount]", "wrist")
    phone.pick("select[name=sensor]", "simulated")
    phone.tap("#lesson button.main-action")
    phone.sees("#part-first[aria-pressed=true]")
    enough(site, "first", 1)
    # Numbers are hidden here and on the wall until the coach wants them.
    phone.sees(".word:has-text('Numbers come when the coach shows them')")
    assert phone.window.locator(".far").count() == 0
    assert all(one.hidden for one in site.hub.state.swings)
    wall.sees("h1:has-text('Numbers come when the coach shows them')")
    boxes = phone.window.evaluate(
        "[...document.querySelectorAll('.lesson-bar button')]"
        ".map((one) => one.getBoundingClientRect().toJSON())"
    )
    assert min(min(one["width"], one["height"]) for one in boxes) >= LEAST_PX
    gaps = [b["left"] - a["right"] for a, b in itertools.pairwise(boxes)]
    assert min(gaps) >= APART_PX - 0.01
    assert phone.window.evaluate("document.documentElement.scrollWidth") <= 390
    # The coach shows how: it counts for nobody.
    phone.tap("#hold")
    site.until(lambda s: s.held)
    held = site.hub.state.held_count
    site.until(lambda s: s.held_count >= held + 1)
    phone.tap("#hold")
    site.until(lambda s: not s.held)
    # The sensor is away for a while, and comes back by itself.
    before = seconds_of(site)
    lose_the_sensor(site, LOST_S)
    wait(lambda: seconds_of(site) > before + LOST_S)
    site.until(lambda s: "state" not in s.link)
    enough(site, "first")
    phone.tap("#numbers")
    phone.sees("#numbers[aria-pressed=true]")
    assert not any(one.hidden for one in site.hub.state.swings)
    # The drill begins with its sounds once they are heard: till then no swing counts.
    phone.tap("#part-drill")
    phone.sees("#part-drill[aria-pressed=true]")
    phone.sees(".heard button#sound-none")
    before = site.hub.state.count
    site.until(lambda s: s.count >= before + 2)
    assert drill_of(site).all_done == 0
    phone.tap("#sound-heard")
    phone.sees("p:has-text('Set 1 of 8, 3 practice swings without sound')")
    checked = speaker.played
    assert checked >= 1
    # It is one player's: nobody else can be next.
    assert phone.window.locator("#next-guest").count() == 0
    site.until(lambda s: s.drill is not None and s.drill.block >= 4)
    # It goes by itself with the next swing, so nothing has to be closed.
    again = site.hub.state.again
    phone.tap("#again")
    site.until(lambda s: s.again == again + 1)
    # The speaker is pulled: it goes on without, and says so.
    assert speaker.played > checked
    speaker.pulled = True
    phone.sees("li:has-text('the drill goes on without sound') strong")
    # The phone sleeps; what is recorded goes on, and the phone then knows all of it.
    phone.window.context.set_offline(True)
    asleep = seconds_of(site)
    wait(lambda: seconds_of(site) > asleep + ASLEEP_S)
    phone.window.context.set_offline(False)
    count = site.hub.state.count
    site.until(lambda s: s.count > count)
    # The end of the drill leads on by itself.
    phone.sees("#part-last[aria-pressed=true]")
    assert site.hub.state.drill is None
    # What was to be called first stays covered until it is.
    covered = [one.key for one in site.hub.state.swings if one.hidden == CALL_FIRST]
    assert len(covered) == 3
    felt = {"question": "time", "word": "in-time", "swing": covered[0]}
    assert site.post("/range/felt", **felt).status_code == 200
    assert [one.key for one in site.hub.state.swings if one.hidden == CALL_FIRST] == covered[1:]
    # Somebody else has a go.
    phone.tap("#next-guest")
    site.until(lambda s: s.last is not None and s.last.player is None)
    mine = next(one.key for one in site.hub.state.people if one.name == NAME)
    phone.tap(f"#next-{mine}")
    site.until(lambda s: s.player == NAME)
    enough(site, "last")
    phone.tap("#end summary")
    phone.tap("#stop")
    state = site.until(lambda s: s.phase in ("kept", "failed"))
    assert state.phase == "kept", state.outcome
    session = str(state.session)
    # Its end: one sentence about today, three strips, and what is agreed in two taps.
    phone.tap("#lesson-end")
    phone.sees(".headline")
    headline = phone.window.inner_text(".headline")
    assert headline.startswith("Today, last against first"), headline
    assert phone.window.locator(".strip").count() == 3
    check_drill(site, phone.window.inner_text("main"))
    assert phone.window.evaluate("document.documentElement.scrollWidth") <= 390
    phone.tap("label.choice:has-text('Breathe out before the takeaway')")
    phone.tap("button:has-text('Keep, with homework')")
    with phone.window.expect_download() as download:
        phone.tap("a:has-text('Sound for the phone')")
    check_sound(Path(download.value.path()).read_bytes(), swings=12)
    phone.tap("a:has-text('Card to print')")
    phone.sees(".card-page h1:has-text('Anouk: homework')")
    number(record_property, "a lesson whole: taps", len(phone.taps), f"at most {MOST_TAPS}")
    swings = len(kinds(site.folder, "drill_swing"))
    number(
        record_property, "a lesson whole: swings of its drill, in its one recording", swings, "20"
    )
    check_lesson(site, phone, session)


def check_drill(site: RangeSite, shown: str) -> None:
    """What was swung in the drill, and what was kept of it without sound."""
    begun = [one["seq"] for one in kinds(site.folder, "lesson")]
    assert len(kinds(site.folder, "drill")) == 1
    assert [one["heard"] for one in kinds(site.folder, "sound_check")] == [True]
    swings = kinds(site.folder, "drill_swing")
    counted = sum(lesson_of(site).counts["drill"])
    why = {one["why"] for one in kinds(site.folder, "drill_swing_left_out")}
    assert "nobody has said yet whether the sounds are heard" in why
    outcome = kinds(site.folder, "drill_outcome")[0]
    assert len(swings) == outcome["swings"] <= counted
    assert all(begun[1] <= one["seq"] for one in swings)
    assert outcome["seq"] <= begun[2]
    # The bell came while the turn went on.
    assert "full" in {one["name"] for one in kinds(site.folder, "tone")}
    assert [one["lost"] for one in kinds(site.folder, "sound")][-1] is True
    # From here on the sets' ball and block hold no more.
    last = [one for one in kinds(site.folder, "segment") if one["seq"] >= begun[2]]
    assert [(one["ball"], one["block"]) for one in last[:1]] == [(None, None)]
    with open_library(site.home) as library:
        evidence = evidence_in(library, str(site.hub.state.session))[0]
        kept = drill_end(evidence, str(site.hub.state.session))
    assert kept is not None
    assert f"{sum(kept.now.quiet)} of {len(kept.now.quiet)} kept time and turn" in shown


def check_lesson(site: RangeSite, phone: Phone, session: str) -> None:
    """No swing under a wrong name, few taps, and what the next lesson opens with."""
    marked = [one["part"] for one in kinds(site.folder, "lesson")]
    assert marked == ["first", "drill", "last"]
    names = names_by_tap(site)
    assert {*names} == {NAME, None}
    with open_library(site.home) as library:
        table = library.swings(
            session=session, columns=("number", "player_name", "excluded"), excluded=True
        )
        rows = list(table.rows())
        who = library.player(NAME)
    assert [row["player_name"] for row in rows] == names
    # What is left out is what was said: held, or a part swing.
    assert {row["excluded"] for row in rows} <= {None, "held", PART_SWING}
    # (The last one may end as the recording does: found, and counted no more.)
    parts = sum(row["excluded"] == PART_SWING for row in rows)
    assert 0 <= parts - lesson_of(site).part_swings <= 1
    record = who.lesson(session)
    assert record is not None
    assert (record.swings, record.days) == (12, 4)
    assert record.words == "Breathe out before the takeaway."
    print(f"\ntaps in a lesson: {len(phone.taps)}, typed: {phone.typed}")
    print("\n".join(f"  {k}. {one}" for k, one in enumerate(phone.taps, 1)))
    assert len(phone.taps) <= MOST_TAPS
    assert phone.typed == [NAME]
    # The next one: two taps from the player's card, and it opens with last time's words.
    before = len(phone.taps)
    phone.window.goto(f"{site.url}/player/{who.id}")
    phone.tap("#start-lesson")
    phone.sees("#last-time:has-text('Breathe out before the takeaway')")
    assert "0 of 4 days" in phone.window.inner_text("#last-time")
    phone.tap("#lesson button.main-action")
    state = site.until(lambda s: s.phase == "going" and s.lesson is not None)
    assert len(phone.taps) == before + 2
    assert (state.player, state.mount, state.lesson.part) == (NAME, "wrist", "first")  # type: ignore[union-attr]
    phone.sees("p:has-text('Aim: A full turn, in my own time')")
    site.stop()


def check_sound(data: bytes, *, swings: int) -> None:
    """A plain sound file: so many tones up, within the limits, and nothing that is cut."""
    with wave.open(io.BytesIO(data)) as file:
        assert (file.getnchannels(), file.getsampwidth()) == (1, 2)
        rate = file.getframerate()
        sound = np.frombuffer(file.readframes(file.getnframes()), "<i2") / 32768.0
    assert 60.0 < len(sound) / rate < 900.0
    assert 0.05 < float(np.abs(sound).max()) < 1.0
    # Silence of ten seconds and more lies between swings only.
    loud = np.flatnonzero(np.abs(sound) > 0.005)
    assert int(np.sum(np.diff(loud) > 10 * rate)) == swings - 1


# -- single parts ------------------------------------------------------------------------------


def test_the_screen_works_without_a_script_and_refuses_what_is_none(site: RangeSite) -> None:
    assert site.post("/range/part", part="last").status_code == 400
    answer = site.http.get("/range/lesson")
    assert "Start the lesson" in answer.text
    start = {"sensor": "simulated", "mount": "wrist", "full_only": "on", "new_player": "Ida"}
    assert site.post("/range/lesson", **start).status_code == 200
    site.until(lambda s: s.phase == "going")
    assert site.post("/range/part", part="tea").status_code == 400
    assert site.post("/range/numbers", shown="yes").json()["text"] == "Numbers shown."
    assert site.post("/range/full-only", on="no").json()["text"] == "All swings count."
    site.until(lambda s: s.count >= 2)
    assert lesson_of(site).part_swings == 0
    page = site.http.get("/range").text
    assert "First shots" in page
    assert "Full swings only" in page
    state = site.stop()
    assert site.http.get(f"/session/{state.session}/lesson").status_code == 200
    wrong = site.post(f"/range/end/{state.session}", player="1" * 8)
    assert wrong.status_code == 404


LESSON = {"sensor": "simulated", "mount": "wrist", "full_only": "on"}


def test_the_drill_of_a_lesson_is_the_coachs_to_begin_and_to_end(
    site: RangeSite, monkeypatch: pytest.MonkeyPatch
) -> None:
    # There is no loudspeaker: nothing begins before somebody says to go on without.
    silent = SilentOutput()
    monkeypatch.setattr("feedback.outputs.open_output", lambda *_, **__: (silent, "none here"))
    assert site.post("/range/lesson", **LESSON, new_player="Ida").status_code == 200
    site.until(lambda s: s.count >= 1)
    assert site.post("/range/hold", held="yes").status_code == 200
    assert "press Go on first" in site.post("/range/part", part="drill").text
    assert lesson_of(site).part == "first"
    assert site.post("/range/hold", held="no").status_code == 200
    assert site.post("/range/part", part="drill").json()["text"] == "Drill."
    before = site.until(lambda s: s.drill is not None and s.drill.state == "unheard").count
    page = site.http.get("/range").text
    assert NO_OUTPUT in page
    assert re.findall(r'id="sound-(\w+)"', page) == ["without"]
    site.until(lambda s: s.count >= before + 1)
    # One that isn't heard may begin anew, once a speaker was plugged in.
    assert site.post("/range/part", part="drill").status_code == 200
    site.until(lambda s: s.drill is not None and s.drill.state == "unheard")
    assert site.post("/range/heard", word="without").status_code == 200
    site.until(lambda s: s.drill is not None and s.drill.all_done >= 2)
    # Pressed once more, it goes on.
    assert site.post("/range/part", part="drill").status_code == 200
    assert drill_of(site).all_done >= 2
    for path, fields in (("next", {"who": "guest"}), ("who", {"club": "wedge"})):
        assert "press Last shots first" in site.post(f"/range/{path}", **fields).text
    assert site.post("/range/part", part="last").json()["text"] == "Last shots."
    assert site.hub.state.drill is None
    assert site.post("/range/next", who="guest").status_code == 200
    # Another one, of somebody else, which is cut short as it hurts.
    assert site.post("/range/part", part="drill").status_code == 200
    assert site.post("/range/heard", word="without").status_code == 200
    site.until(lambda s: s.drill is not None and s.drill.all_done >= 1)
    assert site.post("/range/sore").status_code == 200
    state = site.until(lambda s: s.phase in ("kept", "failed"))
    assert (state.phase, state.sore, state.drill) == ("kept", True, None)
    assert len(kinds(site.folder, "sore")) == 1
    assert not silent.mixer.waiting
    assert [one["part"] for one in kinds(site.folder, "lesson")] == [
        "first",
        "drill",
        "last",
        "drill",
    ]
    ends = kinds(site.folder, "drill_outcome")
    assert len(kinds(site.folder, "drill")) == len(ends) == 3
    assert ends[0]["swings"] == 0
    assert ends[1]["swings"] >= 2
    assert ends[2]["swings"] >= 1
    assert all(one["why"] != "none here" for one in kinds(site.folder, "drill_swing_left_out"))


def test_the_drill_of_a_lesson_obeys_what_the_coach_allows_a_day(site: RangeSite) -> None:
    with open_library(site.home) as library:
        ida = library.people.add("Ida", limits=LimitsRecord(swings_day=4))
        library.save_player(ida)
    assert site.post("/range/lesson", **LESSON, player=ida.id).status_code == 200
    site.until(lambda s: s.count >= 1)
    assert site.post("/range/part", part="drill").status_code == 200
    # What was swung today, in this lesson, too, is none of the drill's.
    drill = site.until(lambda s: s.drill is not None).drill
    assert drill is not None
    assert 1 <= drill.all_of <= 3
    assert site.post("/range/part", part="first").status_code == 200
    site.until(lambda s: s.count >= 4)
    answer = site.post("/range/part", part="drill")
    assert answer.status_code == 400
    assert "no drill for Ida today: at most 4 a day" in answer.text
    assert lesson_of(site).part == "first"
    site.stop()


def test_where_no_sensor_is_found_the_lesson_is_offered_again(site: RangeSite) -> None:
    refused = site.post("/range/lesson", **LESSON, second_sensor="simulated")
    assert (refused.status_code, "a lesson has one sensor" in refused.text) == (400, True)
    first = site.http.get("/range/lesson").text
    # On the first day all that is to be minded is in sight, before the form and not folded.
    for text in cautions.DRILL:
        assert text in html.unescape(
            first.partition('<form method="post"')[0].partition("<details")[0]
        )
    read = {"cautions": "shown"}
    assert 'name="cautions" value="shown"' in first
    assert 'name="cautions" value="shown"' in site.http.get("/range").text
    lesson = {**LESSON, **read, "new_player": "Ida", "club": "driver"}
    assert site.post("/range/lesson", **lesson | {"sensor": "near"}).status_code == 200
    site.until(lambda s: s.phase == "failed")
    page = site.http.get("/range").text
    again = page.partition('id="lesson-again"')[2].partition("</form>")[0]
    assert "With the simulated sensor" in again
    fields = dict(re.findall(r'type="hidden" name="(\w+)" value="([^"]*)"', again))
    assert fields == {
        "new_player": "Ida", "club": "driver", "mount": "wrist", "hand": "", "full_only": "on"
    }  # fmt: skip
    assert site.post("/range/lesson", **fields, sensor="simulated").status_code == 200
    state = site.until(lambda s: s.phase == "going" and s.count >= 1)
    # Which hand wasn't said, and isn't made up.
    assert (state.player, state.hand, state.simulated) == ("Ida", None, True)
    site.stop()
    with open_library(site.home) as library:
        who = library.player("Ida")
    assert who.handedness is None
    later = site.http.get(f"/range/lesson?player={who.id}").text
    assert cautions.SHORT in later
    assert 'name="cautions"' not in later
    assert "How the sensor sits" in later
    # A sensor is chosen by name or by that one press, whatever else the form says.
    assert 'name="simulated"' in first


def test_homework_is_ticked_beside_measured_days(site: RangeSite) -> None:
    start = {"sensor": "simulated", "mount": "wrist", "full_only": "on", "new_player": "Ida"}
    assert site.post("/range/lesson", **start).status_code == 200
    site.until(lambda s: s.lesson is not None and sum(s.lesson.counts["first"]) >= 1)
    session = site.stop().session
    with open_library(site.home) as library:
        who = library.player("Ida").id
    assert site.http.get(f"/player/{who}/homework").status_code == 404
    form = {"player": who, "aim_typed": "Slow hands", "avoid": "Full speed", "swings": "6"}
    assert site.post(f"/range/end/{session}", **form, days="4").status_code == 303
    tick = {"session": str(session), "day": date.today().isoformat()}
    assert site.post(f"/range/homework/{who}", **tick).status_code == 303
    page = site.http.get(f"/player/{who}").text
    assert "Since then 1 of 4 days: 1 said." in page
    assert "6 practice swings a day, on 4 days" in page
    long_ago = (date.today() - timedelta(days=400)).isoformat()
    assert site.post(f"/range/homework/{who}", **(tick | {"day": long_ago})).status_code == 400
    # The lesson is said anew: what was ticked stays.
    assert site.post(f"/range/end/{session}", **form, days="2").status_code == 303
    assert "1 of 2 days: 1 said" in site.http.get(f"/player/{who}").text
    assert site.post(f"/range/homework/{who}", **tick, undone="yes").status_code == 303
    assert "0 of 2 days" in site.http.get(f"/player/{who}").text
    card = site.http.get(f"/player/{who}/homework").text
    assert "Slow hands" in card
    assert "Sore or in pain: stop." in card
    assert card.count('class="box"') == 2
    sound = site.http.get(f"/player/{who}/homework.wav")
    assert sound.headers["content-type"] == "audio/wav"
    check_sound(sound.content, swings=6)
    colleague = re.sub(r"<[^>]*>", "", site.http.get(f"/player/{who}/colleague").text)
    for text in ("Slow hands", "Full speed.", "Next step", "Limits", "Sore or in pain: stop."):
        assert text in colleague
    # What the coach allows a day is the most that homework asks for.
    limits = {"name": "Ida", "most_turn": "", "most_swings": "4", "limits_why": "left hip"}
    assert site.post(f"/player/{who}/edit", **limits).status_code == 303
    assert site.post(f"/range/end/{session}", **form, days="2").status_code == 303
    assert "4 practice swings a day, on 2 days" in site.http.get(f"/player/{who}").text
    colleague = re.sub(r"<[^>]*>", "", site.http.get(f"/player/{who}/colleague").text)
    assert "The coach's limits: at most 4 swings a day, left hip." in colleague.replace(
        "&#39;", "'"
    )
