"""A lesson in the library: its parts by its markers, its end, and the days after it."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from evidence_data import add_session
from lesson_data import LESSON, add_lesson, record

from analysis.evidence.reading import Word
from library.bundle import make_bundle, open_bundle
from library.catalogue import Library
from library.evidence import evidence_in
from library.lesson import PART_SWING, days_to_tick, last_lesson, lesson_of, since
from library.players import player_from
from sensor.recording.lesson import PARTS, part_at, parts_of
from sensor.recording.markers import read_markers


@pytest.fixture
def library(tmp_path: Path) -> Iterator[Library]:
    with Library(tmp_path / "home") as opened:
        yield opened


def test_its_end_sets_first_against_last(library: Library, tmp_path: Path) -> None:
    session = add_lesson(library, tmp_path)
    (evidence,) = evidence_in(library, session)
    found = lesson_of(evidence, session)
    assert found is not None
    assert (found.first, found.last, found.part_swings) == (8, 8, 0)
    words = {strip.aspect: strip.word for strip in found.strips}
    assert words["time"] is not None
    assert words["time"].word is Word.LONGER
    assert words["turn"] is not None
    assert words["turn"].word is Word.FULLER
    # Rotation is shown, and no word is said of it.
    assert words["speed"] is None
    assert [dot.number for dot in found.strips[2].first] == list(range(1, 9))
    assert [dot.number for dot in found.strips[2].last] == list(range(15, 23))
    assert not found.past_full


def test_what_an_earlier_lesson_changed_is_no_scatter(library: Library, tmp_path: Path) -> None:
    for number, day in ((1, "2026-05-01"), (2, "2026-05-08"), (3, "2026-05-15")):
        session = add_lesson(library, tmp_path, number, day=day)
    (evidence,) = evidence_in(library, session)
    found = lesson_of(evidence, session)
    assert found is not None
    said = [strip.word.word for strip in found.strips if strip.word is not None]
    assert said == [Word.LONGER, Word.FULLER]


def test_what_is_left_out_is_in_neither(library: Library, tmp_path: Path) -> None:
    session = add_lesson(library, tmp_path)
    for number in (1, 2, 3):
        seq = library.swing(session, number=number).seq
        library.annotate(session, seq, excluded=PART_SWING)
    (evidence,) = evidence_in(library, session)
    found = lesson_of(evidence, session)
    assert found is not None
    assert (found.first, found.part_swings) == (5, 3)


def test_a_recording_without_parts_is_no_lesson(library: Library, tmp_path: Path) -> None:
    session = add_session(library, tmp_path, 1, LESSON)
    (evidence,) = evidence_in(library, session)
    assert lesson_of(evidence, session) is None


def test_a_part_of_a_later_version_is_passed_over(library: Library, tmp_path: Path) -> None:
    add_lesson(library, tmp_path)
    folder = tmp_path / "session-1"
    with (folder / "markers.jsonl").open("a", encoding="utf-8") as file:
        file.write('{"kind": "lesson", "seq": 900000, "part": "tea"}\n')
        file.write('{"kind": "lesson", "seq": 900001}\n')
    markers, warnings = read_markers(folder)
    assert warnings == []
    parts = parts_of(markers)
    assert [part for _, part in parts] == list(PARTS)
    assert part_at(parts, 10.0**9) == "last"
    assert part_at([(50, "first"), (60, "last")], 49.0) == "first"
    assert part_at([], 49.0) is None


def test_what_was_agreed_outlives_a_new_library_and_comes_in_a_bundle(
    library: Library, tmp_path: Path
) -> None:
    session = add_lesson(library, tmp_path)
    who = library.player("Ida").id
    said = record(session, aim="More time going back", words="Breathe out.", swings=12, days=4)
    library.change_player(who, lambda player: player.with_lesson(said))
    assert library.player(who).lessons == (said,)
    # The file is what a library is made of anew: it has all of it.
    kept_file = library.people.get(who)
    assert kept_file is not None
    assert kept_file.lessons == (said,)
    # A player's file of before has none, and stays as it was.
    document = library.player(who).document()
    del document["lessons"]
    assert player_from(document).lessons == ()
    # The player ticks days at home, the coach changes the aim meanwhile: both are kept.
    bundle = tmp_path / "ida.bundle"
    with Library(tmp_path / "at-home") as other:
        make_bundle(library, [(session, tmp_path / "session-1")], bundle)
        open_bundle(other, bundle, tmp_path / "there")
        mine = other.player(who).lesson(session)
        assert mine == said
        ticked = record(
            session, aim=said.aim, words=said.words, swings=12, days=4, done=("2026-05-03",)
        )
        other.change_player(who, lambda player: player.with_lesson(ticked))
        (tmp_path / "swung").mkdir()
        add_lesson(other, tmp_path / "swung")
        back = tmp_path / "back.bundle"
        make_bundle(other, [(session, tmp_path / "session-1")], back)
    newer = record(session, aim="Stop at my own full turn", swings=12, days=4)
    library.change_player(who, lambda player: player.with_lesson(newer))
    open_bundle(library, back, tmp_path / "here")
    (kept,) = library.player(who).lessons
    assert (kept.aim, kept.done) == ("Stop at my own full turn", ("2026-05-03",))


def test_days_are_measured_or_said_and_each_counts_once() -> None:
    done = ("2026-05-02", "2026-05-03", "2026-05-09")
    lesson = record("0" * 8 + "-0000-4000-8000-" + "0" * 12, days=4, done=done)
    days = ["2026-04-30", "2026-05-01", "2026-05-03", "2026-05-05"]
    found = since(lesson, days)
    assert (found.measured, found.said, found.done, found.of) == (2, 2, 4, 4)
    assert since(lesson, days, before="2026-05-05").done == 2
    assert last_lesson([lesson]) is lesson
    assert last_lesson([lesson], but=lesson.session) is None
    assert days_to_tick(lesson, date(2026, 5, 2)) == ["2026-05-02", "2026-05-01"]
    assert len(days_to_tick(lesson, date(2026, 6, 2))) == 7


@pytest.mark.parametrize("wrong", [{"days": 0}, {"swings": 1000}, {"done": ("today",)}])
def test_what_makes_no_sense_is_refused(wrong: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match=next(iter(wrong))):
        record("0" * 8 + "-0000-4000-8000-" + "0" * 12, **wrong)
