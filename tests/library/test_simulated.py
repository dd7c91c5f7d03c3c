"""What was simulated is marked, and tells nothing of a player who has swings of their own."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest
from evidence_data import DRILLED, FREE, SHORT, add_session
from library_data import analyzed, make_recording

from library import tables
from library.catalogue import Library
from library.derive import SIMULATED
from library.errors import NoSuchError
from library.evidence import Evidence, evidence_in, evidence_of, settings_of
from review.page.forms import last_change
from sensor.recording.annotations import read_annotations
from unhurried.app.taking_in import mark_simulated

TODAY = 739_400


@pytest.fixture
def library(tmp_path: Path) -> Library:
    return Library(tmp_path / "home")


def tag(library: Library, session: str) -> None:
    mark_simulated(library.path_of(session))
    library.refresh(session)


def told(library: Library) -> tuple[object, ...]:
    """What is told of Ida: where she stands, how much she swung, and by which sessions."""
    found = evidence_of(library, "Ida")
    stand = found.standing(TODAY)
    main = [(g.club, g.swings) for g in settings_of(library, found.player.id)]
    return stand.stage, stand.drill, stand.volume, found.reference, found.sessions, main


def test_a_session_tried_out_under_a_players_name_changes_nothing(
    library: Library, tmp_path: Path
) -> None:
    add_session(library, tmp_path, 1, SHORT, day="2025-05-20")
    add_session(library, tmp_path, 2, SHORT, day="2025-05-27")
    before = told(library)
    tried = add_session(library, tmp_path, 3, (*FREE, *FREE, *FREE, *FREE), day="2025-05-29")
    # Without the mark it would change what is told, so that this test can fail.
    assert told(library) != before
    tag(library, tried)
    assert told(library) == before
    who = library.player("Ida").id
    assert library.session(tried).simulated == 2
    assert "not a person's swings" in str(library.set_aside(library.session(tried), who))
    assert "left out" in str(library.set_aside(library.session(tried), who))
    with pytest.raises(NoSuchError, match="simulated: not a person's swings"):
        evidence_in(library, tried)


def test_whoever_has_only_simulated_sessions_is_read_by_them(
    library: Library, tmp_path: Path
) -> None:
    tried = [
        add_session(library, tmp_path, n, SHORT, day=day)
        for n, day in enumerate(("2025-05-20", "2025-05-27"), start=1)
    ]
    before = told(library)
    for one in tried:
        tag(library, one)
    assert told(library) == before
    who = library.player("Ida").id
    assert [library.set_aside(library.session(one), who) for one in tried] == [None, None]
    # As soon as there are swings of their own, only these count.
    own = add_session(library, tmp_path, 3, DRILLED, day="2025-05-29")
    assert evidence_of(library, "Ida").sessions == [own]
    assert evidence_of(library, "Ida").standing(TODAY).volume.week == 28


def test_what_is_tried_out_counts_for_an_invented_player(library: Library, tmp_path: Path) -> None:
    """Whoever tries a drill out as one of the demo's players is told how it went."""
    path = make_recording(tmp_path / "made-up")
    made = analyzed(path, sensor={"name": "simulated sensor", "simulated": True})
    library.put(made)
    tried = add_session(library, tmp_path, 2, SHORT)
    tag(library, tried)
    assert {library.session(one).simulated for one in (made.id, tried)} == {1, 2}
    who = library.player("Ida").id
    assert library.set_aside(library.session(tried), who) is None
    assert tried in evidence_of(library, "Ida").sessions


def test_a_simulated_sensor_marks_its_sessions_without_a_tag(
    library: Library, tmp_path: Path
) -> None:
    path = make_recording(tmp_path / "made-up")
    made = analyzed(path, sensor={"name": "simulated sensor", "simulated": True})
    library.put(made)
    assert library.session(made.id).simulated == 1
    add_session(library, tmp_path, 2, SHORT)
    found = Evidence(library, library.player("Ida"), club="7 iron", mount="wrist")
    assert made.id not in found.sessions


def test_the_mark_can_t_be_taken_back(library: Library, tmp_path: Path) -> None:
    one = add_session(library, tmp_path, 1, FREE)
    library.annotate(one, library.swing(one, number=1).seq, note="heavy")
    tag(library, one)
    assert last_change(library, one)[1] == "a note"  # type: ignore[index]
    assert library.undo(one) is not None
    assert library.undo(one) is None
    assert read_annotations(library.path_of(one)).session()["tags"] == [SIMULATED]
    assert library.session(one).simulated == 2
    # In older recordings it was a change like any other.
    with library.annotating(one) as said:
        said.set("session", "tags", value=None)
        said.set("session", "tags", value=[SIMULATED])
    assert last_change(library, one) is None


def test_a_library_of_before_knows_what_was_simulated(tmp_path: Path) -> None:
    path = make_recording(tmp_path / "made-up")
    with Library(tmp_path / "home") as library:
        library.put(analyzed(path, sensor={"name": "simulated sensor", "simulated": True}))
    connection = sqlite3.connect(tmp_path / "home" / "library.db")
    connection.execute("ALTER TABLE sessions DROP COLUMN simulated")
    for name in tables.APPENDED:
        connection.execute(f"ALTER TABLE swings DROP COLUMN {name}")
    connection.execute("PRAGMA user_version = 1")
    connection.close()
    with Library(tmp_path / "home") as library:
        assert [one.simulated for one in library.sessions()] == [1]
    assert len(tables.MIGRATIONS) >= 2
