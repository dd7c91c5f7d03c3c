"""Words that were told: kept by look and version, set beside today's analysis, never lost."""

from __future__ import annotations

import dataclasses
import json
import multiprocessing
from pathlib import Path

import pytest
from evidence_data import approve, learner

from analysis import ANALYSIS_VERSION
from analysis.evidence.plan import CoachWord
from library.catalogue import Library
from library.errors import LibraryError
from library.evidence import evidence_of
from library.players import Player, now_utc, player_from
from library.swing_rows import day_number
from library.telling import keep, look_of, moved, tell, told_anew
from library.told import MOST_TOLD, ToldRecord, ToldWord

OLD = "2"


def measured_by(library: Library, version: str, *, turn: float = 1.0) -> None:
    """Measure every session anew, as a version of the analysis would: the turn another one."""
    for session in library.sessions():
        one = library.analyzed(session.id)
        swings = tuple(
            dataclasses.replace(
                swing, values={**swing.values, "turn_deg": turn * swing.values["turn_deg"]}
            )
            for swing in one.swings
        )
        library.put(dataclasses.replace(one, analysis_version=version, swings=swings))


@pytest.fixture
def library(tmp_path: Path) -> Library:
    made = Library(tmp_path / "home")
    approve(made, "Ida", learner(made, tmp_path)[:1])
    measured_by(made, OLD)
    return made


def file_of(library: Library, name: str = "Ida") -> Path:
    return library.people.folder / f"{library.player(name).id}.json"


def record(**given: object) -> ToldRecord:
    fields: dict[str, object] = {
        "club": "7 iron",
        "mount": "wrist",
        "session": "s1",
        "sessions": 1,
        "version": "2",
        "words": (ToldWord(about="stage", word="baseline"),),
        "at": "2026-05-01T10:00:00+00:00",
    }
    return ToldRecord(**{**fields, **given})  # type: ignore[arg-type]


def test_what_was_told_is_kept_with_day_word_number_and_version(library: Library) -> None:
    tell(evidence_of(library, "Ida"))
    ida = evidence_of(library, "Ida")
    (told,) = ida.player.told_of("7 iron", "wrist")
    assert (told.session, told.sessions, told.version) == (ida.sessions[-1], 6, OLD)
    said = {one.key: one for one in told.words}
    stand = ida.standing(day_number("2026-05-22"))
    assert said["stage", "", ""].word == f"{stand.stage.value}, step {stand.step}"
    turn = said["reference", "", "turn_deg"]
    assert turn.word == "approved"
    assert turn.value == pytest.approx(130.0, abs=3.0)
    assert turn.margin == 5.0
    change = next(one for one in ida.held() if one.measure == "turn_deg").change
    assert said["change", "", "turn_deg"].word == change.outcome.value  # type: ignore[union-attr]
    assert ("reading", "", "turn_deg") in said


def test_a_look_is_a_session_added_and_never_a_page_opened(library: Library) -> None:
    tell(evidence_of(library, "Ida"))
    before = file_of(library).read_bytes()
    assert look_of(evidence_of(library, "Ida")) is None
    tell(evidence_of(library, "Ida"))
    assert file_of(library).read_bytes() == before
    # Nor does an earlier session's story tell anything of today.
    ida = evidence_of(library, "Ida")
    assert look_of(ida.until(ida.sessions[2])) is None


def test_what_was_told_changes_nothing_of_what_there_is_to_tell(library: Library) -> None:
    ida = library.player("Ida")
    before = library.player_versions()[ida.id]
    tell(evidence_of(library, "Ida"))
    assert library.player("Ida").told
    assert library.player_versions()[ida.id] == before
    library.change_player(ida.id, lambda one: dataclasses.replace(one, note="left hip"))
    assert library.player_versions()[ida.id] != before


def test_an_old_versions_word_stands_beside_todays_and_is_listed_once(library: Library) -> None:
    tell(evidence_of(library, "Ida"))
    then = evidence_of(library, "Ida").player.told
    measured_by(library, ANALYSIS_VERSION, turn=0.9)
    ((evidence, found),) = told_anew(library)
    assert evidence.player.name == "Ida"
    assert "analysis version 2): " in found.text
    assert f"/ Today's analysis (version {ANALYSIS_VERSION}): " in found.text
    assert "model swings' turn 1" in found.text
    # Once: of the same look, today's words are kept beside those of then, which stay.
    assert list(told_anew(library)) == []
    after = evidence_of(library, "Ida")
    assert after.player.told[:1] == then
    assert [one.version for one in after.player.told] == [OLD, ANALYSIS_VERSION]
    # Whoever asks later still sees both.
    still = moved(after, after.sessions[-1])
    assert still is not None
    assert still.text == found.text


def test_a_screen_that_comes_before_the_update_takes_nothing_from_its_list(
    library: Library,
) -> None:
    tell(evidence_of(library, "Ida"))
    measured_by(library, ANALYSIS_VERSION, turn=0.9)
    tell(evidence_of(library, "Ida"))
    assert len(library.player("Ida").told) == 1
    assert len(list(told_anew(library))) == 1


def test_what_moves_by_less_than_its_margin_is_not_listed(library: Library) -> None:
    tell(evidence_of(library, "Ida"))
    measured_by(library, ANALYSIS_VERSION, turn=1.0005)
    assert list(told_anew(library)) == []
    ida = evidence_of(library, "Ida")
    assert moved(ida, ida.sessions[-1]) is None


def test_nobody_is_listed_who_was_told_nothing(library: Library) -> None:
    measured_by(library, ANALYSIS_VERSION, turn=0.9)
    assert list(told_anew(library)) == []
    assert evidence_of(library, "Ida").player.told == ()


def test_what_people_decided_since_is_not_taken_for_the_analysis(library: Library) -> None:
    tell(evidence_of(library, "Ida"))
    ida = evidence_of(library, "Ida")
    approve(library, "Ida", ida.sessions[2:3], bounds={"turn_deg": (90.0, 100.0)})
    word = CoachWord(day=day_number("2026-05-22"), word="stop", text="by eye")
    library.save_plan(ida.player.id, "7 iron", "wrist", {}, word.as_dict())
    assert evidence_of(library, "Ida").standing(day_number("2026-12-01")).stage == "stopped"
    measured_by(library, ANALYSIS_VERSION)
    assert list(told_anew(library)) == []


def test_with_other_sessions_nothing_is_compared(library: Library, tmp_path: Path) -> None:
    tell(evidence_of(library, "Ida"))
    # A session of before comes in later: that isn't what was looked at then.
    from evidence_data import SHORT, add_session

    add_session(library, tmp_path, 90, SHORT, day="2026-04-01")
    measured_by(library, ANALYSIS_VERSION, turn=0.9)
    assert list(told_anew(library)) == []
    ida = evidence_of(library, "Ida")
    assert moved(ida, ida.sessions[-1]) is None


def test_who_only_looks_keeps_nothing(library: Library) -> None:
    look = look_of(evidence_of(library, "Ida"))
    assert look is not None
    library.close()
    before = file_of(library).read_bytes()
    with Library(library.home, read_only=True) as looking:
        ida = evidence_of(looking, "Ida")
        tell(ida)
        assert not keep(looking, ida.player.id, look)
    assert file_of(library).read_bytes() == before


def _list_once(home: Path, out: Path) -> None:
    with Library(home) as library:
        out.write_text(json.dumps([found.text for _, found in told_anew(library)]))


def _tell_often(home: Path) -> None:
    with Library(home) as library:
        for _ in range(5):
            tell(evidence_of(library, "Ida"))


def test_two_processes_tell_and_list_once(library: Library, tmp_path: Path) -> None:
    context = multiprocessing.get_context("spawn")

    def both(work: object, *args: tuple[object, ...]) -> None:
        workers = [context.Process(target=work, args=one) for one in args]  # type: ignore[arg-type]
        for worker in workers:
            worker.start()
        for worker in workers:
            worker.join()
        assert [worker.exitcode for worker in workers] == [0, 0]

    both(_tell_often, (library.home,), (library.home,))
    assert len(library.player("Ida").told) == 1
    measured_by(library, ANALYSIS_VERSION, turn=0.9)
    outs = [tmp_path / "one.json", tmp_path / "two.json"]
    both(_list_once, *((library.home, out) for out in outs))
    assert sum(len(json.loads(out.read_text())) for out in outs) == 1
    assert len(library.player("Ida").told) == 2


# -- the file --------------------------------------------------------------------------------------


def test_two_copies_come_together_and_what_was_told_first_stays() -> None:
    ida = Player(id="00000000-0000-4000-8000-000000000001", name="Ida", at=now_utc())
    first = record()
    later = record(at="2026-05-02T10:00:00+00:00", words=(ToldWord(about="stage", word="keep it"),))
    other = record(version="3", at="2026-05-03T10:00:00+00:00")
    here, there = ida.with_told(first), ida.with_told(later, other)
    assert here.merged(there).told == there.merged(here).told == (first, other)
    assert here.with_told(later) == here
    again = player_from(json.loads(json.dumps(here.merged(there).document())))
    assert again.told == (first, other)


def test_a_file_of_before_is_read_and_no_file_grows_without_end() -> None:
    ida = Player(id="00000000-0000-4000-8000-000000000001", name="Ida", at=now_utc())
    document = ida.document()
    del document["told"]
    assert player_from(document) == ida
    many = ida.with_told(*(record(session=f"s{k:04d}") for k in range(MOST_TOLD + 7)))
    assert len(many.told) == MOST_TOLD
    assert many.told[-1].session == f"s{MOST_TOLD + 6:04d}"


@pytest.mark.parametrize(
    ("change", "line"),
    [
        ({"words": [{"about": "verdict", "word": "good"}]}, "'told.words.about' must be one of"),
        ({"words": [{"about": "stage", "word": "a\x1b[2J"}]}, "'told.words.word' must be a name"),
        ({"words": [{"about": "stage", "word": "x", "value": 1e300}]}, "'told.words.value' must"),
        ({"words": [{"about": "stage", "word": "x"}] * 61}, "'told.words' must be a list of up to"),
        ({"session": "../../x"}, "'told.session' must be an id"),
        ({"sessions": -1}, "'told.sessions' must be a whole number"),
        ({"at": "yesterday"}, "'told.at' must be a time"),
        ({"version": 3}, "'told.version' must be a name"),
    ],
)
def test_a_file_with_what_nobody_told_is_refused_in_one_line(
    library: Library, change: dict[str, object], line: str
) -> None:
    path = file_of(library)
    document = json.loads(path.read_text(encoding="utf-8"))
    document["told"] = [{**json.loads(json.dumps(record().document())), **change}]
    path.write_text(json.dumps(document), encoding="utf-8")
    with pytest.raises(LibraryError) as caught:
        library.people.get(path.stem)
    text = str(caught.value)
    assert "\n" not in text
    assert "\x1b" not in text
    assert line in text.replace("[0]", "")
    document["told"] = [json.loads(json.dumps(record().document()))] * (MOST_TOLD + 1)
    path.write_text(json.dumps(document), encoding="utf-8")
    with pytest.raises(LibraryError, match="'told' must be a list of up to 500"):
        library.people.get(path.stem)
