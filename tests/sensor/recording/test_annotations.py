"""What people add: kept whole, found again, merged by the newest word, undone."""

from __future__ import annotations

import json
import multiprocessing
import stat
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensor.errors import NewerFormatError, RecordingError
from sensor.recording.annotations import (
    MATCH_S,
    UNDO_KEPT,
    AnnotationError,
    Annotations,
    SwingSpan,
    change_annotations,
    read_annotations,
)
from sensor.recording.layout import ANNOTATIONS_FILE
from sensor.recording.opening import open_recording
from sensor.recording.session import Session, write_session

RATE_HZ = 200.0
ID = "1b671a64-40d5-491e-99b0-da01ff1f3341"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    session = Session.new(nominal_rate_hz=RATE_HZ, sample_kind="float", id=ID)
    write_session(tmp_path, session)
    return tmp_path


def span(seq: int) -> SwingSpan:
    return SwingSpan(seq=seq, first_seq=seq - 220.0, last_seq=seq + 60.0)


def test_what_is_said_is_read_again_and_the_recording_is_not_touched(folder: Path) -> None:
    session = (folder / "session.json").read_bytes()
    with change_annotations(folder) as said:
        said.set_swing(span(1000), rate_hz=RATE_HZ, felt={"time": "rushed"}, tags=["windy"])
        said.set("session", "note", value="first day")
        said.set("identity", "Ida", value="somebody")
        said.set("segment", 1200, value={"club": "driver", "ball": True})
    again = read_annotations(folder)
    assert again.get("swing", 1000, "felt") == {"time": "rushed"}
    assert again.get("swing", 1000, "tags") == ["windy"]
    assert again.session() == {"note": "first day"}
    assert again.identities() == {"Ida": "somebody"}
    assert again.segments() == [(1200, {"club": "driver", "ball": True})]
    assert (folder / "session.json").read_bytes() == session
    assert {p.name for p in folder.iterdir()} == {"session.json", ANNOTATIONS_FILE}


def test_the_reader_of_recordings_knows_the_file_too(tmp_path: Path) -> None:
    csv = Path(__file__).resolve().parents[3] / "recordings" / "thursday-glove"
    copy = tmp_path / "copy"
    copy.mkdir()
    for path in csv.iterdir():
        (copy / path.name).write_bytes(path.read_bytes())
    with change_annotations(copy) as said:
        said.set("session", "note", value="x")
    with open_recording(copy) as recording:
        assert recording.annotations["session"]["note"]["value"] == "x"
        assert not any("annotations" in line for line in recording.warnings)


@pytest.mark.parametrize("moved", [0, 1, round(MATCH_S * RATE_HZ), -round(MATCH_S * RATE_HZ)])
def test_a_moved_impact_keeps_its_words(moved: int) -> None:
    said = Annotations(ID)
    said.set_swing(span(1000), rate_hz=RATE_HZ, note="heavy")
    fields, lost = said.of_swings([span(400), span(1000 + moved)], rate_hz=RATE_HZ)
    assert fields == [{}, {"note": "heavy"}]
    assert lost == []
    # More is said under the same key, not under a second one.
    said.set_swing(span(1000 + moved), rate_hz=RATE_HZ, tags=["a"])
    assert said.swing_keys() == [1000]


def test_a_key_inside_a_swing_is_that_swings_and_one_in_no_swing_is_told() -> None:
    said = Annotations(ID)
    said.set("swing", 900, "note", value="its impact was absent then: keyed by the top")
    said.set("swing", 5000, "note", value="of a swing that isn't found any more")
    fields, lost = said.of_swings([span(1000), span(2000)], rate_hz=RATE_HZ)
    assert "note" in fields[0]
    assert fields[1] == {}
    assert lost == [5000]
    assert said.get("swing", 5000, "note") is not None


def test_two_keys_of_one_swing_give_the_newest_word_of_each_field() -> None:
    said = Annotations(ID)
    early = datetime(2026, 5, 1, 12, tzinfo=UTC)
    said.set("swing", 1000, "note", value="old", at=early)
    said.set("swing", 1000, "kind", value="strike", at=early)
    said.set("swing", 1010, "note", value="new", at=early + timedelta(seconds=1))
    fields, _ = said.of_swings([span(1003)], rate_hz=RATE_HZ)
    assert fields == [{"note": "new", "kind": "strike"}]


def test_undo_goes_back_step_by_step_and_survives_saving(folder: Path) -> None:
    with change_annotations(folder) as said:
        said.set("swing", 1000, "note", value="one")
        said.set("swing", 1000, "note", value="two")
        said.set("swing", 1000, "excluded", value="slipped")
    with change_annotations(folder) as said:
        change = said.undo()
        assert change is not None
        assert (change.key[-1], change.before) == ("excluded", None)
    with change_annotations(folder) as said:
        assert said.get("swing", 1000, "excluded") is None
        said.undo()
        assert said.get("swing", 1000, "note") == "one"
        said.undo()
        assert said.get("swing", 1000, "note") is None
        assert said.undo() is None


def test_the_history_is_bounded_and_setting_the_same_again_is_no_change() -> None:
    said = Annotations(ID)
    for k in range(UNDO_KEPT + 20):
        said.set("session", "note", value=f"note {k}")
        said.set("session", "note", value=f"note {k}")
    assert len(said.history) == UNDO_KEPT


def test_a_clock_that_was_set_back_does_not_bring_back_an_older_word() -> None:
    said = Annotations(ID)
    said.set("session", "note", value="later", at=datetime(2030, 1, 1, tzinfo=UTC))
    said.set("session", "note", value="last", at=datetime(2020, 1, 1, tzinfo=UTC))
    other = Annotations(ID)
    other.set("session", "note", value="later", at=datetime(2030, 1, 1, tzinfo=UTC))
    other.merge(said)
    assert other.get("session", "note") == "last"


WORDS = st.dictionaries(
    st.tuples(st.sampled_from(["100", "700"]), st.sampled_from(["note", "excluded", "club"])),
    st.tuples(st.sampled_from(["a", "b", None]), st.integers(0, 3)),
    max_size=6,
)


def _made(words: dict[tuple[str, str], tuple[str | None, int]]) -> Annotations:
    from sensor.recording.annotations import Entry

    out = Annotations(ID)
    for (seq, name), (value, at) in words.items():
        out.entries["swing", seq, name] = Entry(value, f"2026-01-01T00:00:0{at}.000000+00:00")
    return out


def _merged(*parts: Annotations) -> dict[Any, Any]:
    out = Annotations(ID)
    for part in parts:
        out.merge(part)
    return out.entries


@given(WORDS, WORDS, WORDS)
def test_merging_gives_the_same_in_any_order_and_again(a: Any, b: Any, c: Any) -> None:
    one, two, three = _made(a), _made(b), _made(c)
    together = _merged(one, two, three)
    assert _merged(three, one, two) == together
    assert _merged(two, two, three, one, three) == together
    for key, entry in together.items():
        assert entry.at == max(p.entries[key].at for p in (one, two, three) if key in p.entries)


def test_a_removed_word_stays_removed_when_an_older_copy_is_merged() -> None:
    mine = Annotations(ID)
    mine.set("swing", 100, "note", value="x")
    copy = Annotations(ID, dict(mine.entries))
    mine.set("swing", 100, "note", value=None)
    assert mine.merge(copy) == 0
    assert mine.get("swing", 100, "note") is None
    assert copy.merge(mine) == 1
    assert copy.get("swing", 100, "note") is None


@pytest.mark.parametrize(
    ("key", "value", "told"),
    [
        (
            ("swing", "1", "felt"),
            {"time": "hasty"},
            "'felt.time' must be one of rushed, in-time, slow",
        ),
        (("swing", "1", "felt"), {}, "must have some of"),
        (("swing", "1", "result"), {"carry_m": "far"}, "'result.carry_m' must be a number"),
        (("swing", "1", "result"), {"carry_m": float("nan")}, "must be what JSON can hold"),
        (("swing", "1", "result"), {"carry_yd": 1.0}, "'result.carry_yd' is not known here"),
        (("swing", "1", "result"), {"other": {"spin": [1]}}, "text of 1 to 10,000"),
        (("swing", "1", "events"), {"top_seq": 5, "takeaway_seq": 9}, "in their order"),
        (("swing", "1", "kind"), "putt", "must be one of strike, rehearsal, unclear"),
        (("swing", "1", "note"), "x" * 20_000, "text of 1 to 10,000"),
        (("swing", "one", "note"), "x", "no annotation swing/one/note"),
        (("swing", "1", "colour"), "x", "no annotation 'colour'"),
        (("segment", "1"), {"ball": "yes"}, "'1.ball' must be true or false"),
        (("session", "tags"), "windy", "must be a list"),
    ],
)
def test_what_does_not_fit_is_refused_and_nothing_is_changed(
    key: tuple[str, ...], value: Any, told: str
) -> None:
    said = Annotations(ID)
    with pytest.raises(AnnotationError, match=told):
        said.set(*key, value=value)
    assert said == Annotations(ID)


def test_an_error_while_changing_leaves_the_file_as_it_was(folder: Path) -> None:
    with change_annotations(folder) as said:
        said.set("session", "note", value="kept")
    before = (folder / ANNOTATIONS_FILE).read_bytes()

    def change() -> None:
        with change_annotations(folder) as said:
            said.set("session", "note", value="lost")
            said.set("swing", 1, "kind", value="putt")

    with pytest.raises(AnnotationError):
        change()
    assert (folder / ANNOTATIONS_FILE).read_bytes() == before


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("{", "is not JSON"),
        ("[]", "must be an object"),
        (json.dumps({"version": 0, "recording": ID}), "'version' must be a whole number"),
        (
            json.dumps({"version": 1, "recording": ID, "swings": {"x": 3}}),
            "'swings' must be an object",
        ),
        (
            json.dumps(
                {
                    "version": 1,
                    "recording": ID,
                    "swings": {"5": {"kind": {"value": "putt", "at": "2026-01-01T00:00:00+00:00"}}},
                }
            ),
            "must be one of",
        ),
        (json.dumps({"version": 1, "recording": "another"}), "belongs to another recording"),
    ],
)
def test_a_broken_file_is_told_and_never_written_over(folder: Path, text: str, told: str) -> None:
    path = folder / ANNOTATIONS_FILE
    path.write_text(text, encoding="utf-8")
    with pytest.raises(RecordingError, match=told), change_annotations(folder) as said:
        said.set("session", "note", value="x")
    assert path.read_text(encoding="utf-8") == text


def test_a_later_version_is_refused_by_name(folder: Path) -> None:
    document = {"version": 2, "recording": ID}
    (folder / ANNOTATIONS_FILE).write_text(json.dumps(document), encoding="utf-8")
    with pytest.raises(NewerFormatError, match="has version 2"):
        read_annotations(folder)


def test_a_folder_that_may_not_be_written_is_told(folder: Path) -> None:
    folder.chmod(stat.S_IREAD | stat.S_IEXEC)
    try:
        if _may_write(folder):
            (folder / ANNOTATIONS_FILE).mkdir()
        with pytest.raises(RecordingError), change_annotations(folder) as said:
            said.set("session", "note", value="x")
    finally:
        folder.chmod(stat.S_IRWXU)


def _may_write(folder: Path) -> bool:
    """Root may write everywhere."""
    try:
        (folder / "x").touch()
    except OSError:
        return False
    (folder / "x").unlink()
    return True


def _add_words(folder: Path, who: int) -> None:
    for k in range(20):
        with change_annotations(folder) as said:
            said.set("swing", 1000 * who + k, "note", value=f"{who} {k}")


def test_processes_that_write_at_once_lose_nothing(folder: Path) -> None:
    context = multiprocessing.get_context("spawn")
    writers = [context.Process(target=_add_words, args=(folder, who)) for who in (1, 2, 3)]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join()
    assert [writer.exitcode for writer in writers] == [0, 0, 0]
    assert len(read_annotations(folder).swing_keys()) == 60
