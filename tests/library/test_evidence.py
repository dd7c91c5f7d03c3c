"""From a library with known differences to what is said of them."""

from __future__ import annotations

import dataclasses
import shlex
import uuid
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from evidence_data import (
    DRILLED,
    FEW,
    FREE,
    SHORT,
    Block,
    add_session,
    approve,
    learner,
    long_one,
)
from library_data import analyzed, make_recording

from analysis.evidence.blocks import drill_block
from analysis.evidence.felt import FeltReport
from analysis.evidence.head_speed import HeadSpeedLine
from analysis.evidence.outcome import Outcome
from analysis.evidence.plan import CoachWord, Stage
from analysis.evidence.reading import Reference, Word
from analysis.evidence.spread import SessionChange
from analysis.evidence.told import NotYet
from library.approved import approved_swings
from library.catalogue import Library
from library.errors import NoSuchError
from library.evidence import Evidence, evidence_of, felt_words
from library.limits import LimitsRecord
from library.plan_rules import words_of
from library.players import PlanRecord, Player
from library.since_baseline import held_words
from library.swing_rows import day_number

TODAY = day_number("2026-05-22")


@pytest.fixture(scope="module")
def library(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Library]:
    root = tmp_path_factory.mktemp("evidence")
    with Library(root / "home") as made:
        approve_from = learner(made, root)
        approve(made, "Ida", approve_from[:1])
        long_ids = long_one(made, root)
        approve(made, "Otto", long_ids[:1])
        add_session(made, root, 40, FEW, player="Ume", day="2026-05-02")
        yield made


@pytest.fixture
def ida(library: Library) -> Evidence:
    return evidence_of(library, "Ida")


def test_rows_know_their_block_sensor_and_own_uncertainty(ida: Evidence) -> None:
    assert len(ida.sessions) == 6
    assert [row.order for row in ida.rows_of(ida.sessions[0])] == list(range(20))
    assert {row.block for row in ida.rows_of(ida.sessions[0])} == {None}
    assert {row.block for row in ida.rows_of(ida.sessions[-1])} == {
        "retention",
        "rehearsal",
        "silent",
    }
    assert {row.sensor for row in ida.rows} == {"a7-31"}
    assert all(row.u["turn_deg"] > 0 for row in ida.rows)
    assert ida.days[ida.sessions[0]] == day_number("2026-05-01")


def test_a_block_is_told_by_its_last_word() -> None:
    assert [drill_block(text) for text in ("2 silent", "ball", "3", "warm-up", None, "")] == [
        "silent",
        "ball",
        None,
        None,
        None,
        None,
    ]


def test_time_turn_and_speed_are_told_before_and_after_the_drills(ida: Evidence) -> None:
    def strikes(session: str) -> list:  # type: ignore[type-arg]
        return [row for row in ida.rows_of(session) if row.kind == "strike"]

    first = ida.read(strikes(ida.sessions[0]))
    assert first.words == (Word.SHORTER, Word.LESS_FULL, Word.SLOWER)
    assert not first.provisional
    last = ida.read(strikes(ida.sessions[-1]))
    assert last.time.word in (Word.SAME, Word.CANNOT_TELL)
    assert last.turn.word in (Word.SAME, Word.CANNOT_TELL)
    # The true differences of the first day: -14 %, -12 %, -10 % of 900 ms, 130 deg, 1000 deg/s.
    for word, truth in ((first.time, -126.0), (first.turn, -15.6), (first.speed, -100.0)):
        assert word.difference is not None
        assert (
            word.difference.low - 0.2 * abs(truth) < truth < word.difference.high + 0.2 * abs(truth)
        )


def test_what_the_ball_does_is_told_for_one_session(ida: Evidence) -> None:
    effects = ida.ball(ida.sessions[0])
    for effect in effects.values():
        assert not isinstance(effect, NotYet)
        assert effect.outcome is Outcome.DIFFERENT
        assert effect.difference.high < 0


def test_what_held_is_the_latest_against_those_before_the_drills(ida: Evidence) -> None:
    first, since = ida.before_and_after()
    assert first == ida.sessions[:2]
    assert since == ida.sessions[2:]
    held = {one.measure: one for one in ida.held()}
    for measure, truth in (("backswing_ms", 126.0), ("turn_deg", 15.6), ("peak_rate_dps", 150.0)):
        change = held[measure].change
        assert isinstance(change, SessionChange)
        assert change.outcome is Outcome.DIFFERENT
        assert change.change.middle == pytest.approx(truth, rel=0.35)
        # Every number can be followed back to its swings.
        assert {x.partition("#")[0] for x in held[measure].swing_ids} == {*first, *since}
        # Decided at a look: after 2, 4, 8 sessions, from all of them.
        assert change.after == tuple(since[:4])
        assert change.before == tuple(first)
        now = held[measure].now
        assert isinstance(now, SessionChange)
        assert now.after == tuple(since)
        kinds = {row.swing_id: row for row in ida.rows}
        assert all(kinds[x].kind == "strike" for x in held[measure].swing_ids)
    assert held_words(held["backswing_ms"]).startswith("the backswing longer by ")
    assert held_words(held["turn_deg"]).startswith("the turn bigger by ")


def test_nothing_held_is_told_of_one_session(library: Library) -> None:
    held = evidence_of(library, "Ume").held()
    assert all(isinstance(one.change, NotYet) for one in held)
    assert all("NaN" not in held_words(one) for one in held)


def test_a_steady_player_has_not_changed(library: Library) -> None:
    otto = evidence_of(library, "Otto")
    assert otto.before_and_after() == (otto.sessions[:2], otto.sessions[2:])
    outcomes = [one.change.outcome for one in otto.held() if isinstance(one.change, SessionChange)]
    assert len(outcomes) == 3
    assert Outcome.DIFFERENT not in outcomes


def test_felt_is_set_against_the_reference_and_the_others_are_told(ida: Evidence) -> None:
    rushed = ida.felt()["rushed"]
    assert isinstance(rushed, FeltReport)
    assert rushed.against == "reference"
    time = next(one for one in rushed.counts if one.aspect == "time")
    assert (time.count, time.n) == (20, 20)
    # Every strike of the two sessions before the drills felt rushed and none of the later ones:
    # what changed between the days must not pass for what is felt.
    assert time.others is None
    text = felt_words(rushed)
    assert text.startswith("Of 20 swings that felt rushed, 20 were shorter in time, ")
    assert text.endswith("so there is nothing of the same day to set this beside.")
    assert isinstance(ida.felt()["slow"], NotYet)


def test_a_story_has_five_sentences_and_each_number_its_swings(ida: Evidence) -> None:
    there = {row.swing_id for row in ida.rows}
    for session in ida.sessions:
        told = ida.story(session)
        assert 1 <= len(told) <= 5
        assert told[-1].about == "next"
        for one in told:
            for number in one.numbers:
                assert number.swing_ids
                assert set(number.swing_ids) <= there
                assert number.interval.low <= number.interval.middle <= number.interval.high
    last = {one.about: one.text for one in ida.story(ida.sessions[-1])}
    assert last["held"].startswith(
        "From day to day, shots without sound in the 4 sessions up to 2026-05-21, "
        "beside the 2 before the drills"
    )


def test_a_story_of_an_earlier_day_knows_nothing_of_later_ones(
    library: Library, ida: Evidence
) -> None:
    then = ida.until(ida.sessions[1])
    assert then.sessions == ida.sessions[:2]
    texts = [one.text for one in ida.story(ida.sessions[1])]
    ids = {x for one in ida.story(ida.sessions[1]) for x in one.swing_ids}
    assert {x.partition("#")[0] for x in ids} <= set(ida.sessions[:2])
    assert texts
    with pytest.raises(NoSuchError, match="no full swings"):
        ida.until("11111111-0000-4000-8000-000000000000")


def test_an_earlier_story_says_where_it_stood_and_the_latest_what_the_plan_says(
    ida: Evidence,
) -> None:
    for session, day in ((ida.sessions[1], "2026-05-05"), (ida.sessions[3], "2026-05-13")):
        text = ida.story(session, today=TODAY)[-1].text
        assert text.startswith(f"On that day ({day}): ")
        assert "unhurried drill" not in text
    now = ida.standing(TODAY)
    assert now.drill is not None
    last = ida.story(ida.sessions[-1], today=TODAY)[-1]
    assert (last.text, last.drill) == (now.why, now.drill)
    # Without today, it is the session's day for the latest one as well.
    assert ida.story(ida.sessions[-1])[-1].text.startswith("On that day (2026-05-21): ")


def test_an_earlier_session_is_judged_by_what_was_approved_when_it_was_the_latest(
    tmp_path: Path,
) -> None:
    with Library(tmp_path / "home") as library:
        days = ("2026-05-01", "2026-05-03", "2026-05-05")
        ids = [
            add_session(library, tmp_path, k + 1, FREE, day=day, seed=k + 1)
            for k, day in enumerate(days)
        ]
        # Approved after the first day, and another one after the last; the page has two words.
        approve(library, "Ida", ids[:1], at="2026-05-02T20:00:00Z")
        first = [one.text for one in evidence_of(library, "Ida").story(ids[1])]
        approve(library, "Ida", ids[2:], at="2026-05-06T20:00:00Z", bounds={"turn_deg": (1.0, 2.0)})
        ida = evidence_of(library, "Ida")
        assert {x.partition("#")[0] for x in _reference(ida).swing_ids} == {ids[2]}
        then = ida.until(ids[1])
        assert {x.partition("#")[0] for x in _reference(then).swing_ids} == {ids[0]}
        assert _reference(then).values["turn_deg"].upper != 2.0
        # What was approved between two sessions counts for the one before.
        assert not _reference(ida.until(ids[0])).provisional
        # And so the words stay.
        assert [one.text for one in ida.story(ids[1])] == first
        library.change_player(ida.player.id, lambda one: one.without_reference("7 iron", "wrist"))
        gone = evidence_of(library, "Ida")
        assert _reference(gone).provisional
        assert [one.text for one in gone.story(ids[1])] == first


def test_a_session_before_any_approval_is_judged_by_a_provisional_one_without_itself(
    tmp_path: Path,
) -> None:
    with Library(tmp_path / "home") as library:
        ids = [
            add_session(library, tmp_path, k + 1, FREE, day=f"2026-05-0{k + 1}", seed=k + 1)
            for k in range(3)
        ]
        approve(library, "Ida", ids, at="2026-06-01T20:00:00Z")
        ida = evidence_of(library, "Ida")
        then = ida.until(ids[1])
        assert _reference(then).provisional
        rehearsals = [row for row in then.rows_of(ids[1]) if row.kind == "rehearsal"]
        used = then.reference_for(rehearsals)
        assert isinstance(used, Reference)
        assert {x.partition("#")[0] for x in used.swing_ids} == {ids[0]}
        # The story says what its numbers are set against: nothing of the session itself.
        reading = then.story(ids[1])[0]
        assert reading.about == "reading"
        for number in reading.numbers:
            assert {x.partition("#")[0] for x in number.against_ids} == {ids[0]}


def _reference(found: Evidence) -> Reference:
    assert isinstance(found.reference, Reference)
    return found.reference


def test_how_much_was_swung_long_ago_is_not_todays(tmp_path: Path) -> None:
    with Library(tmp_path / "home") as library:
        many = (Block(n=60, strike=False), Block(n=60, strike=True))
        first = add_session(library, tmp_path, 1, many, day="2026-05-01")
        add_session(library, tmp_path, 2, FREE, day="2026-05-09")
        found = evidence_of(library, "Ida")
        assert "Rest first" in found.until(first).standing(day_number("2026-05-01")).why
        for then in (found.story(first)[-1].text, found.story(first, today=TODAY)[-1].text):
            assert "today" not in then
            assert "Rest first" not in then


def test_both_hands_and_unclear_swings_are_remarked_on(tmp_path: Path, ida: Evidence) -> None:
    assert ida.notes() == []
    with Library(tmp_path / "home") as library:
        one = add_session(library, tmp_path, 1, FREE)
        two = add_session(library, tmp_path, 2, FREE, day="2026-05-03")
        for number in range(1, 17):
            library.annotate(two, library.swing(two, number=number).seq, handedness="left")
        for number in range(1, 5):
            library.annotate(one, library.swing(one, number=number).seq, kind="unclear")
        found = evidence_of(library, "Ida")
        hands, unclear = found.notes()
        assert hands.startswith("1 left-handed session and 1 right-handed session are taken")
        assert "4 of 32 swings are of unclear kind" in unclear
        assert "in the session's list" in unclear
        assert "unhurried" not in unclear
        assert found.until(one).notes()[0].startswith("4 of 16 swings")
        assert found.notes(two) == [hands]


def test_sessions_are_counted_once_each(tmp_path: Path) -> None:
    with Library(tmp_path / "home") as library:
        ids = [add_session(library, tmp_path, 1, FREE)]
        approve(library, "Ida", ids)
        ids.append(add_session(library, tmp_path, 2, FREE, day="2026-05-03"))
        found = evidence_of(library, "Ida")
        spread = found.spreads["turn_deg"]
        assert not isinstance(spread, NotYet)
        # Each session has rehearsals and strikes, and is one session all the same.
        assert spread.sessions == 2
        add_session(library, tmp_path, 3, (Block(n=8, strike=True),), day="2026-05-05", seed=3)
        found = evidence_of(library, "Ida")
        spread = found.spreads["turn_deg"]
        assert not isinstance(spread, NotYet)
        assert spread.sessions == 3


def test_the_plan_moves_with_silent_days_and_says_a_command_that_works(
    library: Library, ida: Evidence
) -> None:
    from click.testing import CliRunner

    from unhurried.app.command_text import drill_command
    from unhurried.cli import cli

    now = ida.standing(TODAY)
    assert now.stage is Stage.BRISKER
    assert [stage for _, stage, _, _ in now.path][:2] == [Stage.FULL_TURN, Stage.BRISKER]
    assert now.drill is not None
    words = shlex.split(drill_command(now.drill))
    assert words[:4] == ["unhurried", "drill", "--player", "Ida"]
    assert words[words.index("--club") + 1] == "7 iron"
    # click itself says whether each of the options and values is one that the command takes.
    command = cli.get_command(None, "drill")  # type: ignore[arg-type]
    assert command is not None
    context = command.make_context("drill", words[2:])
    assert context.params["full_turn_deg"] == pytest.approx(130.0, rel=0.05)
    assert context.params["player"] == "Ida"
    assert CliRunner().invoke(command, ["--help"]).exit_code == 0


def test_what_the_coach_capped_is_what_the_plan_goes_by(library: Library, ida: Evidence) -> None:
    before = ida.standing(TODAY).drill
    assert before is not None
    assert before.full_turn_deg is not None
    limits = LimitsRecord(turn_share=0.8, swings_day=30)
    capped = Evidence(
        library,
        dataclasses.replace(ida.player, limits=limits),
        club=ida.club,
        mount=ida.mount,
    )
    after = capped.standing(TODAY).drill
    assert after is not None
    assert after.upper_turn_deg == pytest.approx(0.8 * before.full_turn_deg)
    assert after.full_turn_deg is not None
    assert after.full_turn_deg < after.upper_turn_deg
    if after.turn_target_deg is not None:
        assert after.turn_target_deg <= after.full_turn_deg
    assert (ida.rules.most_swings_day, capped.rules.most_swings_day) == (100, 30)


def test_an_overswinger_is_never_sent_further(library: Library) -> None:
    otto = evidence_of(library, "Otto")
    now = otto.standing(TODAY)
    assert now.stage is Stage.NOT_LONGER
    assert now.drill is None
    assert otto.read([r for r in otto.rows_of(otto.sessions[-1]) if r.kind == "strike"]).words[
        0
    ] is (Word.LONGER)


def test_what_coach_and_player_say_counts_from_that_day_on(tmp_path: Path) -> None:
    with Library(tmp_path / "home") as library:
        ids = [
            add_session(library, tmp_path, k + 1, DRILLED if k else FREE, day=f"2026-05-0{k + 1}")
            for k in range(3)
        ]
        approve(library, "Ida", ids[:1])
        who = library.player("Ida")
        word = CoachWord(day=day_number("2026-05-02"), word="discomfort", text="left hip")
        library.save_plan(who.id, "7 iron", "wrist", {}, word.as_dict())
        found = evidence_of(library, "Ida")
        assert found.words == [word]
        now = found.standing(TODAY)
        assert now.stage is Stage.STOPPED
        assert "left hip" in now.why
        assert now.drill is None
        # Before it was said, it wasn't known.
        assert found.until(ids[0]).words == []
        library.save_plan(
            who.id, "7 iron", "wrist", {"rules": {"silent_days": 3, "odd": 1, "repeats": "x"}}
        )
        rules = evidence_of(library, "Ida").rules
        assert rules.silent_days == 3
        assert rules.repeats == 10


def test_sore_at_the_range_stops_every_plan_of_the_player_once(tmp_path: Path) -> None:
    with Library(tmp_path / "home") as library:
        first = add_session(library, tmp_path, 1, FREE)
        approve(library, "Ida", [first])
        hurt = make_recording(
            tmp_path / "sore",
            7,
            player="Ida",
            club="driver",
            mount="wrist",
            start="2026-05-08T18:30:00+02:00",
        )
        measured = analyzed(hurt, 2, sore=900)
        library.put(measured)
        stood = evidence_of(library, "Ida", club="7 iron").standing(TODAY)
        assert (stood.stage, stood.drill) == (Stage.STOPPED, None)
        assert "discomfort: sore" in stood.why
        assert "2026-05-08" in stood.why
        # The coach starts it with any club, and the recording is read anew.
        who = library.player("Ida")
        word = CoachWord(day=TODAY, word="resume")
        library.save_plan(who.id, "7 iron", "wrist", {}, word.as_dict())
        library.put(measured)
        library.refresh(measured.id)
        for club in ("7 iron", "driver"):
            assert evidence_of(library, "Ida", club=club).standing(TODAY).stage != Stage.STOPPED
        words = [one.word for one in evidence_of(library, "Ida", club="driver").words]
        assert words == ["discomfort", "resume"]


def test_what_the_coach_stopped_stays_so_where_a_discomfort_is_over(tmp_path: Path) -> None:
    def said(word: str, minute: int) -> dict[str, Any]:
        return {"word": word, "day": TODAY, "at": f"2026-05-22T10:{minute:02}:00Z"}

    here = PlanRecord(club="7 iron", mount="wrist", state={}, history=(said("stop", 1),))
    there = PlanRecord(
        club="driver", mount="wrist", state={}, history=(said("discomfort", 2), said("resume", 3))
    )
    who = Player(id=str(uuid.uuid4()), name="Ida", plans=(here, there))
    words = [one.word for one in words_of(who, "7 iron", "wrist")]
    assert words == ["stop", "discomfort", "resume", "stop"]
    assert [one.word for one in words_of(who, "driver", "wrist")] == ["discomfort", "resume"]


def test_an_approved_swing_is_found_after_a_better_analysis(ida: Evidence) -> None:
    library = ida.library
    kept = ida.player.reference("7 iron", "wrist")
    assert kept is not None
    moved = [(session, seq + 20) for session, seq in kept.swings]  # 0.1 s at 200 Hz
    assert approved_swings(library, moved) == approved_swings(library, kept.swings)
    assert len(approved_swings(library, kept.swings)) == 10
    far = [(session, seq + 60) for session, seq in kept.swings]
    assert approved_swings(library, far) == []
    assert isinstance(ida.reference, Reference)
    assert ida.reference.kinds == {"rehearsal"}


def test_head_speed_only_by_measured_speeds(tmp_path: Path, ida: Evidence) -> None:
    assert isinstance(ida.head_speed(), NotYet)
    with Library(tmp_path / "home") as library:
        blocks = tuple(
            Block(n=8, strike=True, rate=rate, head_m_s=40.0 * rate) for rate in (0.9, 1.0, 1.1)
        )
        for k in range(2):
            add_session(library, tmp_path, k + 1, blocks, day=f"2026-05-0{k + 1}")
        line = evidence_of(library, "Ida").head_speed()
        assert isinstance(line, HeadSpeedLine)
        # 40 m/s at 1000 deg/s, by what the sessions were made from; a day's strapping shifts it.
        at_1000 = line.intercept_m_s + 1000.0 * line.slope_m_s_per_dps
        assert at_1000 == pytest.approx(40.0, rel=0.05)


def test_excluded_swings_and_other_clubs_are_left_out(tmp_path: Path) -> None:
    with Library(tmp_path / "home") as library:
        one = add_session(library, tmp_path, 1, SHORT)
        add_session(library, tmp_path, 2, FREE, club="driver", day="2026-05-03")
        found = evidence_of(library, "Ida", club="7 iron")
        assert {row.session_id for row in found.rows} == {one}
        seq = library.swing(one, number=3).seq
        library.annotate(one, seq, excluded="a practice club")
        assert f"{one}#3" not in {
            row.swing_id for row in evidence_of(library, "Ida", club="7 iron").rows
        }
        with pytest.raises(NoSuchError, match=r"there are: .*driver"):
            evidence_of(library, "Ida", club="putter")


def test_spread_is_of_chance_and_not_of_what_was_drilled(ida: Evidence) -> None:
    spread = ida.spreads["backswing_ms"]
    assert not isinstance(spread, NotYet)
    assert spread.seen_session is not None
    # Days were made to differ by 0.8 % of 900 ms; drills changed strikes by 126 ms.
    assert spread.seen_session**0.5 < 30.0
    assert spread.session**0.5 < 25.0
